package draw

import (
	"encoding/hex"
	"math"
	"math/rand/v2"
	"slices"

	"lastlook/internal/say"
)

// MaxPackages is the longest list that is put into order.
const MaxPackages = 1_000_000

// Seed is what an order follows from. Its text form, also in JSON, is 64
// hexadecimal digits in lower case.
type Seed [32]byte

// ParseSeed reads the text form of a seed; upper case is accepted. The error is
// a say.Refusal.
func ParseSeed(text string) (Seed, error) {
	var s Seed
	if len(text) != 2*len(s) {
		return Seed{}, say.Refuse(say.Invalid, "A seed has 64 hexadecimal digits; this one has %d characters. Copy it again in full.", len(text))
	}
	if _, err := hex.Decode(s[:], []byte(text)); err != nil {
		return Seed{}, say.Refuse(say.Invalid, "A seed has only the digits 0 to 9 and the letters a to f. Copy it again.").Because(err)
	}
	return s, nil
}

// String gives the text form.
func (s Seed) String() string { return hex.EncodeToString(s[:]) }

// IsZero reports whether s is all zeros, as a seed that was never set is.
func (s Seed) IsZero() bool { return s == Seed{} }

// MarshalText gives the text form.
func (s Seed) MarshalText() ([]byte, error) { return hex.AppendEncode(nil, s[:]), nil }

// UnmarshalText reads the text form.
func (s *Seed) UnmarshalText(text []byte) error {
	parsed, err := ParseSeed(string(text))
	if err != nil {
		return err
	}
	*s = parsed
	return nil
}

// Order gives the whole order of the packages 1 to n for the seed, as the
// package comment defines it. It refuses n below 1 and above [MaxPackages].
func Order(seed Seed, n int) ([]int, error) {
	if n < 1 {
		return nil, say.Refuse(say.Invalid, "There are %d packages to draw from. A draw needs at least one.", n)
	}
	if n > MaxPackages {
		return nil, say.Refuse(say.Invalid, "There are %d packages to draw from. At most %d can be drawn from at once: split the consignment.", n, MaxPackages)
	}
	order := make([]int, n)
	for i := range order {
		order[i] = i + 1
	}
	stream := rand.NewChaCha8(seed)
	for i := range n - 1 {
		j := i + int(below(stream, uint64(n-i)))
		order[i], order[j] = order[j], order[i]
	}
	return order, nil
}

// below takes a number below m, m > 0, from the stream.
func below(stream rand.Source, m uint64) uint64 {
	// 2^64 mod m; unsigned arithmetic wraps, so -m is 2^64 - m.
	last := math.MaxUint64 - (-m)%m
	for {
		if x := stream.Uint64(); x <= last {
			return x % m
		}
	}
}

// Selection is a draw: which packages are examined, and which stand behind them.
// Together they hold every package once.
type Selection struct {
	Examine  []int // package numbers in draw order
	Reserves []int // the others in draw order
}

// Select draws the packages to examine from 1 to packages: the first of the
// order. The next are the reserves.
func Select(seed Seed, packages, examine int) (Selection, error) {
	order, err := Order(seed, packages)
	if err != nil {
		return Selection{}, err
	}
	if examine < 0 || examine > packages {
		return Selection{}, say.Refuse(say.Invalid, "%d packages cannot be drawn from %d.", examine, packages)
	}
	return Selection{Examine: slices.Clip(order[:examine]), Reserves: order[examine:]}, nil
}

// SelectSpread draws from each crop line as many packages as its quota says.
// Line i holds sizes[i] packages, numbered on from the line before it. The order
// is that of all packages together: it is walked once, a package is examined
// while the quota of its line is not met, and is a reserve after that.
func SelectSpread(seed Seed, sizes, quotas []int) (Selection, error) {
	if len(sizes) != len(quotas) {
		return Selection{}, say.Refuse(say.Invalid, "There are %d crop lines, but quotas for %d of them.", len(sizes), len(quotas))
	}
	packages, examine := 0, 0
	for i, size := range sizes {
		if size < 0 || size > MaxPackages {
			return Selection{}, say.Refuse(say.Invalid, "Crop line %d cannot have %d packages.", i+1, size)
		}
		if q := quotas[i]; q < 0 || q > size {
			return Selection{}, say.Refuse(say.Invalid, "%d packages cannot be drawn from crop line %d, which has %d.", q, i+1, size)
		}
		packages += size
		examine += quotas[i]
		if packages > MaxPackages {
			break // Order refuses, with the right sentence
		}
	}
	order, err := Order(seed, packages)
	if err != nil {
		return Selection{}, err
	}
	s := Selection{Examine: make([]int, 0, examine), Reserves: make([]int, 0, packages-examine)}
	open := slices.Clone(quotas)
	ends := lineEnds(sizes)
	for _, n := range order {
		if i, _ := slices.BinarySearch(ends, n); open[i] > 0 {
			open[i]--
			s.Examine = append(s.Examine, n)
		} else {
			s.Reserves = append(s.Reserves, n)
		}
	}
	return s, nil
}

// lineEnds gives the number of the last package of each line. A search in it for
// n finds the line of n; an empty line has the same end as the one before it and
// is never found, as BinarySearch gives the first.
func lineEnds(sizes []int) []int {
	ends := make([]int, len(sizes))
	last := 0
	for i, size := range sizes {
		last += size
		ends[i] = last
	}
	return ends
}

// NextReserve gives the reserve that takes the place of a package that cannot be
// reached, from the reserves still unused, in draw order. In a spread draw, where
// sizes are those of the crop lines, it is the next of the same line, or the next
// of any line if that line has no more; in a plain draw, where sizes is empty, it
// is the next. It reports false when no reserve is left.
func NextReserve(reserves, sizes []int, unreachable int) (int, bool) {
	if len(reserves) == 0 {
		return 0, false
	}
	if len(sizes) > 0 {
		ends := lineEnds(sizes)
		line, _ := slices.BinarySearch(ends, unreachable)
		for _, n := range reserves {
			if i, _ := slices.BinarySearch(ends, n); i == line {
				return n, true
			}
		}
	}
	return reserves[0], true
}
