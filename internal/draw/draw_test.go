package draw

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"lastlook/internal/say"
	"pgregory.net/rapid"
)

// The sample of c2sp.org/chacha8rand, "Sample output": first eight words.
var (
	sampleSeed   = Seed([]byte("ABCDEFGHIJKLMNOPQRSTUVWXYZ123456"))
	sampleStream = []uint64{
		0xb773b6063d4616a5, 0x1160af22a66abc3c, 0x8c2599d9418d287c, 0x7ee07e037edc5cd6,
		0xcfaa9ee02d1c16ad, 0x0e090eef8febea79, 0x3c82d271128b5b3e, 0x9c5addc11252a34f,
	}
)

func TestStreamIsChaCha8Rand(t *testing.T) {
	src := rand.NewChaCha8(sampleSeed)
	for i, want := range sampleStream {
		if got := src.Uint64(); got != want {
			t.Fatalf("word %d of the stream = %#x, want %#x (c2sp.org/chacha8rand)", i, got, want)
		}
	}
}

func TestOrderByHand(t *testing.T) {
	// Three steps with the published words, as a person would do them.
	places := []int{1, 2, 3, 4}
	for i, x := range sampleStream[:3] {
		j := i + int(x%uint64(4-i))
		places[i], places[j] = places[j], places[i]
	}
	got, err := Order(sampleSeed, 4)
	if err != nil || !slices.Equal(got, places) {
		t.Errorf("Order(sample, 4) = %v, %v, want %v", got, err, places)
	}
}

func readVectors(t *testing.T, name string, into any) {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("..", "..", "testdata", "draw", name))
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(b, into); err != nil {
		t.Fatalf("%s: %v", name, err)
	}
}

func TestOrderVectors(t *testing.T) {
	var vectors []struct {
		Name     string
		Seed     Seed
		Packages int
		Order    []int
		SHA256   string
	}
	readVectors(t, "order.json", &vectors)
	if len(vectors) == 0 {
		t.Fatal("no vectors")
	}
	for _, v := range vectors {
		t.Run(v.Name, func(t *testing.T) {
			got, err := Order(v.Seed, v.Packages)
			if err != nil {
				t.Fatal(err)
			}
			if first := got[:len(v.Order)]; !slices.Equal(first, v.Order) {
				t.Errorf("first places = %v, want %v", first, v.Order)
			}
			text := make([]string, len(got))
			for i, n := range got {
				text[i] = fmt.Sprint(n)
			}
			sum := sha256.Sum256([]byte(strings.Join(text, ",")))
			if hex.EncodeToString(sum[:]) != v.SHA256 {
				t.Errorf("SHA-256 of the order = %x, want %s", sum, v.SHA256)
			}
		})
	}
}

func TestSpreadVectors(t *testing.T) {
	var vectors []struct {
		Name                             string
		Seed                             Seed
		Sizes, Quotas, Examine, Reserves []int
	}
	readVectors(t, "spread.json", &vectors)
	if len(vectors) == 0 {
		t.Fatal("no vectors")
	}
	for _, v := range vectors {
		t.Run(v.Name, func(t *testing.T) {
			got, err := SelectSpread(v.Seed, v.Sizes, v.Quotas)
			if err != nil {
				t.Fatal(err)
			}
			if !slices.Equal(got.Examine, v.Examine) {
				t.Errorf("examine = %v, want %v", got.Examine, v.Examine)
			}
			if first := got.Reserves[:len(v.Reserves)]; !slices.Equal(first, v.Reserves) {
				t.Errorf("first reserves = %v, want %v", first, v.Reserves)
			}
		})
	}
}

func TestRefusals(t *testing.T) {
	tests := []struct {
		name string
		call func() error
		want string
	}{
		{"no packages", func() error { _, err := Order(Seed{}, 0); return err }, "There are 0 packages"},
		{"negative", func() error { _, err := Order(Seed{}, -3); return err }, "There are -3 packages"},
		{"too many", func() error { _, err := Order(Seed{}, MaxPackages+1); return err }, "At most 1000000"},
		{"examine more than there are", func() error { _, err := Select(Seed{}, 3, 4); return err }, "4 packages cannot be drawn from 3"},
		{"examine negative", func() error { _, err := Select(Seed{}, 3, -1); return err }, "-1 packages cannot be drawn"},
		{"quota above size", func() error { _, err := SelectSpread(Seed{}, []int{5, 2}, []int{1, 3}); return err }, "3 packages cannot be drawn from crop line 2, which has 2"},
		{"quota missing", func() error { _, err := SelectSpread(Seed{}, []int{5, 2}, []int{1}); return err }, "There are 2 crop lines, but quotas for 1"},
		{"negative size", func() error { _, err := SelectSpread(Seed{}, []int{-5}, []int{0}); return err }, "Crop line 1 cannot have -5"},
		{"no lines", func() error { _, err := SelectSpread(Seed{}, nil, nil); return err }, "There are 0 packages"},
		{"lines too long together", func() error {
			_, err := SelectSpread(Seed{}, []int{MaxPackages, 1}, []int{1, 1})
			return err
		}, "At most 1000000"},
		{"short seed", func() error { _, err := ParseSeed("abc"); return err }, "this one has 3 characters"},
		{"seed with other letters", func() error { _, err := ParseSeed(strings.Repeat("g", 64)); return err }, "only the digits"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			err := tt.call()
			if say.CodeOf(err) != say.Invalid || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("error = %v, want a refusal saying %q", err, tt.want)
			}
		})
	}
}

func TestSeedText(t *testing.T) {
	b, err := json.Marshal(struct{ S Seed }{sampleSeed})
	want := `{"S":"` + hex.EncodeToString([]byte("ABCDEFGHIJKLMNOPQRSTUVWXYZ123456")) + `"}`
	if err != nil || string(b) != want {
		t.Fatalf("Marshal = %s, %v, want %s", b, err, want)
	}
	var back struct{ S Seed }
	if err := json.Unmarshal([]byte(want), &back); err != nil || back.S != sampleSeed {
		t.Errorf("Unmarshal(%s) = %v, %v", want, back.S, err)
	}
	if s, err := ParseSeed(strings.ToUpper(sampleSeed.String())); err != nil || s != sampleSeed {
		t.Errorf("ParseSeed in upper case = %v, %v", s, err)
	}
}

// fixedSource gives the words it holds, then fails.
type fixedSource struct {
	t     *testing.T
	words []uint64
}

func (f *fixedSource) Uint64() uint64 {
	if len(f.words) == 0 {
		f.t.Fatal("the source was read too often")
	}
	x := f.words[0]
	f.words = f.words[1:]
	return x
}

func TestBelowRejects(t *testing.T) {
	tests := []struct {
		name  string
		m     uint64
		words []uint64
		want  uint64
	}{
		{"m 3, last word thrown away", 3, []uint64{math.MaxUint64, 7}, 1}, // 2^64 mod 3 = 1
		{"m 3, last word kept", 3, []uint64{math.MaxUint64 - 1}, 2},
		{"power of two throws nothing away", 8, []uint64{math.MaxUint64}, 7},
		{"m 1", 1, []uint64{math.MaxUint64}, 0},
		{"m 2^63+1, half thrown away", 1<<63 + 1, []uint64{1<<63 + 1, math.MaxUint64, 1 << 63}, 1 << 63},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			src := &fixedSource{t, tt.words}
			if got := below(src, tt.m); got != tt.want || len(src.words) != 0 {
				t.Errorf("below(%d) = %d with %d words left, want %d with none", tt.m, got, len(src.words), tt.want)
			}
		})
	}
}

func drawnSeed(t *rapid.T) Seed {
	return Seed(rapid.SliceOfN(rapid.Byte(), 32, 32).Draw(t, "seed"))
}

func isPermutation(s Selection, n int) bool {
	all := slices.Concat(s.Examine, s.Reserves)
	slices.Sort(all)
	for i, v := range all {
		if v != i+1 {
			return false
		}
	}
	return len(all) == n
}

func TestSelectHoldsEveryPackageOnce(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		seed, n := drawnSeed(t), rapid.IntRange(1, 500).Draw(t, "n")
		k := rapid.IntRange(0, n).Draw(t, "k")
		s, err := Select(seed, n, k)
		if err != nil || len(s.Examine) != k || !isPermutation(s, n) {
			t.Fatalf("Select(%d, %d) = %v, %v", n, k, s, err)
		}
		// Examining one more takes the first reserve and changes nothing else.
		if k < n {
			more, _ := Select(seed, n, k+1)
			if !slices.Equal(more.Examine, append(slices.Clone(s.Examine), s.Reserves[0])) {
				t.Fatalf("Select(%d, %d) = %v, want %v and then %d", n, k+1, more.Examine, s.Examine, s.Reserves[0])
			}
		}
	})
}

func TestSpreadMeetsQuotas(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		seed := drawnSeed(t)
		sizes := rapid.SliceOfN(rapid.IntRange(0, 60), 1, 8).Draw(t, "sizes")
		sizes[0]++ // at least one package
		quotas := make([]int, len(sizes))
		n := 0
		for i, size := range sizes {
			quotas[i] = rapid.IntRange(0, size).Draw(t, "quota")
			n += size
		}
		s, err := SelectSpread(seed, sizes, quotas)
		if err != nil || !isPermutation(s, n) {
			t.Fatalf("SelectSpread(%v, %v) = %v, %v", sizes, quotas, s, err)
		}
		met := make([]int, len(sizes))
		for _, p := range s.Examine {
			met[slowLine(sizes, p)]++
		}
		if !reflect.DeepEqual(met, quotas) {
			t.Fatalf("SelectSpread(%v, %v) took %v a line", sizes, quotas, met)
		}
		order, _ := Order(seed, n)
		for _, part := range [][]int{s.Examine, s.Reserves} {
			rest := order
			for _, p := range part {
				i := slices.Index(rest, p)
				if i < 0 {
					t.Fatalf("%v is not in draw order %v", part, order)
				}
				rest = rest[i+1:]
			}
		}
	})
}

// slowLine finds the line of a package by counting.
func slowLine(sizes []int, p int) int {
	for i, size := range sizes {
		if p <= size {
			return i
		}
		p -= size
	}
	panic("beyond the last line")
}

func TestNextReserve(t *testing.T) {
	sizes := []int{10, 0, 5, 3} // 1–10, none, 11–15, 16–18
	tests := []struct {
		name        string
		reserves    []int
		sizes       []int
		unreachable int
		want        int
		ok          bool
	}{
		{"plain draw: the next", []int{14, 3, 7}, nil, 5, 14, true},
		{"spread: the next of the same line", []int{14, 3, 7}, sizes, 5, 3, true},
		{"spread: last package of a line", []int{3, 16, 15}, sizes, 15, 15, true},
		{"spread: first package after an empty line", []int{3, 16, 12}, sizes, 11, 12, true},
		{"spread: line used up", []int{14, 3, 7}, sizes, 17, 14, true},
		{"none left", nil, sizes, 5, 0, false},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, ok := NextReserve(tt.reserves, tt.sizes, tt.unreachable)
			if got != tt.want || ok != tt.ok {
				t.Errorf("NextReserve(%v, %v, %d) = %d, %v, want %d, %v", tt.reserves, tt.sizes, tt.unreachable, got, ok, tt.want, tt.ok)
			}
		})
	}
}

// TestUniform counts which package comes to which place over many fixed seeds. For n
// packages the counts of one place have n−1 degrees of freedom. The limits are
// the upper 0.1 % points of the chi-square distribution as printed in the
// NIST/SEMATECH e-Handbook of Statistical Methods, section 1.3.6.7.4: 16.266 for
// 3, 27.877 for 9 and 67.985 for 36 degrees (quoted from memory, and confirmed
// by integrating the density: each leaves 0.00100 above it).
// The seeds are fixed, so the test gives the same answer every time.
func TestUniform(t *testing.T) {
	const rounds = 40_000
	for _, tt := range []struct {
		n     int
		limit float64
	}{{4, 16.266}, {10, 27.877}, {37, 67.985}} {
		counts := make([][]int, tt.n)
		for i := range counts {
			counts[i] = make([]int, tt.n)
		}
		for r := range rounds {
			seed := Seed(sha256.Sum256(fmt.Appendf(nil, "uniform %d %d", tt.n, r)))
			order, err := Order(seed, tt.n)
			if err != nil {
				t.Fatal(err)
			}
			for place, p := range order {
				counts[place][p-1]++
			}
		}
		want := float64(rounds) / float64(tt.n)
		for _, place := range []int{0, 1, tt.n / 2, tt.n - 1} {
			chi := 0.0
			for _, c := range counts[place] {
				chi += (float64(c) - want) * (float64(c) - want) / want
			}
			if chi > tt.limit {
				t.Errorf("n = %d, place %d: chi-square %.1f is above %.1f", tt.n, place, chi, tt.limit)
			}
		}
	}
}

// TestUniformPermutations does the same for the 24 orders of four packages:
// 23 degrees of freedom, upper 0.1 % point 49.728 (same table).
func TestUniformPermutations(t *testing.T) {
	const rounds = 24_000
	counts := map[[4]int]int{}
	for r := range rounds {
		seed := Seed(sha256.Sum256(fmt.Appendf(nil, "permutation %d", r)))
		order, err := Order(seed, 4)
		if err != nil {
			t.Fatal(err)
		}
		counts[[4]int(order)]++
	}
	want, chi := rounds/24.0, 0.0
	for _, c := range counts {
		chi += (float64(c) - want) * (float64(c) - want) / want
	}
	if len(counts) != 24 || chi > 49.728 {
		t.Errorf("%d orders with chi-square %.1f, want 24 and at most 49.728", len(counts), chi)
	}
}

// BenchmarkOrder reports how many times longer an order of a million takes than
// filling the same slice in sequence, measured in the same run, so that the
// figure can be compared between machines.
func BenchmarkOrder(b *testing.B) {
	const n = MaxPackages
	fill := func() []int {
		s := make([]int, n)
		for i := range s {
			s[i] = i + 1
		}
		return s
	}
	var filling, ordering time.Duration
	for b.Loop() {
		start := time.Now()
		s := fill()
		filling += time.Since(start)
		start = time.Now()
		order, err := Order(sampleSeed, n)
		ordering += time.Since(start)
		if err != nil || len(order) != len(s) {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(ordering)/float64(filling), "x-fill")
}
