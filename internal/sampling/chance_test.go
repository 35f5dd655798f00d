package sampling

import (
	"fmt"
	"math"
	"math/big"
	"math/bits"
	"testing"
	"time"

	"pgregory.net/rapid"

	"lastlook/internal/say"
)

// counted gives P(at most k recognised) by looking at every way to draw n of N
// packages and every way in which the looks at the infested ones can turn out.
func counted(tr trial, k int) *big.Rat {
	sum, ways := new(big.Rat), int64(0)
	e := big.NewRat(int64(tr.e), int64(Whole))
	q := big.NewRat(int64(Whole-tr.e), int64(Whole))
	infested := uint(1)<<tr.A - 1
	// Subsets with the same number of infested members have the same looks.
	looked := map[int]*big.Rat{}
	for drawn := uint(0); drawn < 1<<tr.N; drawn++ {
		if bits.OnesCount(drawn) != tr.n {
			continue
		}
		ways++
		j := bits.OnesCount(drawn & infested)
		if looked[j] == nil {
			looked[j] = new(big.Rat)
			for look := uint(0); look < 1<<j; look++ {
				seen := bits.OnesCount(look)
				if seen > k {
					continue
				}
				p := big.NewRat(1, 1)
				for range seen {
					p.Mul(p, e)
				}
				for range j - seen {
					p.Mul(p, q)
				}
				looked[j].Add(looked[j], p)
			}
		}
		sum.Add(sum, looked[j])
	}
	return sum.Quo(sum, big.NewRat(ways, 1))
}

func TestProbabilityAgainstCounting(t *testing.T) {
	for N := 1; N <= 9; N++ {
		for A := 0; A <= N; A++ {
			for n := 0; n <= N; n++ {
				for _, e := range []Rate{Whole, 90 * Percent, 333_333} {
					for k := 0; k <= min(n, 3); k++ {
						tr := trial{N, A, n, e}
						want := counted(tr, k)
						num, den := tr.exact(k)
						if got := new(big.Rat).SetFrac(num, den); got.Cmp(want) != 0 {
							t.Fatalf("%+v: exact(%d) = %v, counting gives %v", tr, k, got, want)
						}
						w, _ := want.Float64()
						if got := tr.atMost(k); math.Abs(got-w) > 1e-14 {
							t.Fatalf("%+v: atMost(%d) = %v, counting gives %v", tr, k, got, w)
						}
					}
				}
			}
		}
	}
}

// For every small lot and many confidences, most of them with exact ties, the
// sample size is the smallest that counting allows.
func TestSampleSizeAgainstCounting(t *testing.T) {
	for N := 1; N <= 10; N++ {
		for A := 1; A <= N; A++ {
			for _, e := range []Rate{Whole, 50 * Percent} {
				miss := make([]*big.Rat, N+1)
				for n := 1; n <= N; n++ {
					miss[n] = counted(trial{N, A, n, e}, 0)
				}
				for _, c := range []Rate{10, 20, 25, 30, 40, 50, 60, 70, 75, 80, 90, 95, 99} {
					c *= Percent
					limit := big.NewRat(int64(Whole-c), int64(Whole))
					want := 0
					for n := N; n >= 1 && miss[n].Cmp(limit) <= 0; n-- {
						want = n
					}
					detect := Rate((int64(A)*int64(Whole) + int64(N) - 1) / int64(N)) // rounds down to A
					plan, err := Hypergeometric(N, Demand{c, detect, e})
					if want == 0 {
						if say.CodeOf(err) != say.Invalid {
							t.Errorf("N %d, A %d, c %v, e %v: %+v, %v, want a refusal", N, A, c, e, plan, err)
						}
						continue
					}
					if err != nil || plan.Examine != want || plan.Assumed != A {
						t.Errorf("N %d, A %d, c %v, e %v: %+v, %v, want %d", N, A, c, e, plan, err, want)
					}
				}
			}
		}
	}
}

func drawTrial(t *rapid.T, most int) trial {
	N := rapid.IntRange(1, most).Draw(t, "N")
	return trial{
		N: N,
		A: rapid.IntRange(0, N).Draw(t, "A"),
		n: rapid.IntRange(0, N).Draw(t, "n"),
		e: rapid.OneOf(rapid.Just(Whole), rapid.Map(rapid.IntRange(1, 100), func(i int) Rate { return Rate(i) * Percent })).Draw(t, "e"),
	}
}

// Double precision and whole numbers are two computations with no step in common.
func TestAtMostAgainstExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tr := drawTrial(t, 300)
		k := rapid.IntRange(0, 4).Draw(t, "k")
		num, den := tr.exact(k)
		want, _ := new(big.Rat).SetFrac(num, den).Float64()
		got := tr.atMost(k)
		if math.Abs(got-want) > 1e-11*want+1e-20 {
			t.Fatalf("%+v: atMost(%d) = %v, exactly %v", tr, k, got, want)
		}
	})
}

// An exact tie counts as reached; one millionth less does not. With one infested
// package P(miss) is 1 - n/N, so every N that divides a million makes ties.
func TestWithinAtTies(t *testing.T) {
	for _, N := range []int{2, 5, 20, 100, 625, 1000, 20_000, 1_000_000} {
		for _, n := range []int{1, N / 2, N - N/20 - 1, N - 1} {
			if n < 1 {
				continue
			}
			tr := trial{N, 1, n, Whole}
			limit := Rate(int64(Whole) / int64(N) * int64(N-n))
			if limit == 0 {
				continue
			}
			if !tr.within(0, limit) {
				t.Errorf("%+v: within(0, %v) = false, want true: it is equal", tr, limit)
			}
			if limit > 1 && tr.within(0, limit-1) {
				t.Errorf("%+v: within(0, %v) = true, want false", tr, limit-1)
			}
		}
	}
}

// More examined, more infested or a better eye never lowers the chance, and it
// stays between nothing and certainty.
func TestChanceIsMonotone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tr := drawTrial(t, 50_000)
		chance := func(tr trial) float64 {
			c, err := Chance(tr.N, tr.n, tr.A, tr.e)
			if err != nil {
				t.Fatal(err)
			}
			return c
		}
		c := chance(tr)
		if c < 0 || c > 1 {
			t.Fatalf("chance %v", c)
		}
		const rounding = 1e-11
		if tr.n < tr.N {
			if up := chance(trial{tr.N, tr.A, tr.n + 1, tr.e}); up < c-rounding {
				t.Errorf("%+v: one more examined lowers %v to %v", tr, c, up)
			}
		}
		if tr.A < tr.N {
			if up := chance(trial{tr.N, tr.A + 1, tr.n, tr.e}); up < c-rounding {
				t.Errorf("%+v: one more infested lowers %v to %v", tr, c, up)
			}
		}
		if up := chance(trial{tr.N, tr.A, tr.n, min(tr.e+Percent, Whole)}); up < c-rounding {
			t.Errorf("%+v: a better eye lowers %v to %v", tr, c, up)
		}
		// Without replacement is never worse than with (Hoeffding, 1963).
		if tr.n > 0 && tr.A > 0 {
			with := -math.Expm1(float64(tr.n) * math.Log1p(-float64(tr.A)/float64(tr.N)*tr.e.Share()))
			if c < with-rounding {
				t.Errorf("%+v: %v is below %v, the chance with replacement", tr, c, with)
			}
		}
	})
}

func TestChanceCorners(t *testing.T) {
	tests := []struct {
		name                         string
		packages, examined, infested int
		efficacy                     Rate
		want                         float64
	}{
		{"nothing infested", 100, 50, 0, Whole, 0},
		{"nothing examined", 100, 0, 50, Whole, 0},
		{"everything examined", 100, 100, 1, Whole, 1},
		{"everything examined, half seen", 100, 100, 1, 50 * Percent, 0.5},
		{"everything infested", 100, 1, 100, Whole, 1},
		{"everything infested, three looks at 90 %", 100, 3, 100, 90 * Percent, 0.999},
		{"one in ten million", 10_000_000, 1, 1, Whole, 1e-7},
		{"more infested than clean left", 10, 6, 5, Whole, 1},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := Chance(tt.packages, tt.examined, tt.infested, tt.efficacy)
			if err != nil || math.Abs(got-tt.want) > 1e-15 {
				t.Errorf("Chance(%d, %d, %d, %v) = %v, %v, want %v", tt.packages, tt.examined, tt.infested, tt.efficacy, got, err, tt.want)
			}
		})
	}
}

func TestChanceRefuses(t *testing.T) {
	tests := []struct {
		name                         string
		packages, examined, infested int
		efficacy                     Rate
		want                         string
	}{
		{"no packages", 0, 0, 0, Whole, "There is nothing to sample: the number of packages is 0. Count the packages and enter at least 1."},
		{"too many packages", MaxPackages + 1, 0, 0, Whole, "10000001 packages are more than can be worked with (10000000). Check the number, or split the consignment."},
		{"more examined than there are", 10, 11, 1, Whole, "11 of 10 packages cannot be examined. Use a number from 0 to 10."},
		{"fewer than none examined", 10, -1, 1, Whole, "-1 of 10 packages cannot be examined. Use a number from 0 to 10."},
		{"more infested than there are", 10, 5, 11, Whole, "11 infested of 10 packages cannot be. Use a number from 0 to 10."},
		{"blind", 10, 5, 1, 0, "With an efficacy of 0 % nothing is ever seen. Use for instance 90 %, or 100 % if an infested package is always recognised."},
		{"more than always", 10, 5, 1, Whole + 1, "An efficacy of 100.0001 % is more than always. Use at most 100 %."},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := Chance(tt.packages, tt.examined, tt.infested, tt.efficacy)
			if say.CodeOf(err) != say.Invalid || err.Error() != tt.want {
				t.Errorf("Chance(%d, %d, %d, %v): %v, want %q", tt.packages, tt.examined, tt.infested, tt.efficacy, err, tt.want)
			}
		})
	}
}

func TestChanceOfShare(t *testing.T) {
	// 2 % of 240 is 4.8: four packages. P(miss) = (236·235·234·233·232)/(240·239·238·237·236).
	got, err := ChanceOfShare(240, 5, 2*Percent, Whole)
	want := 1 - float64(235*234*233*232)/float64(240*239*238*237)
	if err != nil || math.Abs(got-want) > 1e-14 {
		t.Errorf("ChanceOfShare = %v, %v, want %v", got, err, want)
	}
	if _, err := ChanceOfShare(40, 5, 2*Percent, Whole); say.CodeOf(err) != say.Invalid {
		t.Errorf("2 %% of 40: %v, want a refusal", err)
	}
}

func TestLargeLot(t *testing.T) {
	// Rule of three, in its exact form: 1 - 0.05^(1/n).
	for _, n := range []int{1, 5, 59, 299} {
		got, err := LargeLotLimit(n, 0, 95*Percent, Whole)
		if want := 1 - math.Pow(0.05, 1/float64(n)); err != nil || math.Abs(got-want) > 1e-12 {
			t.Errorf("LargeLotLimit(%d, 0) = %v, %v, want %v", n, got, err, want)
		}
		// The chance of seeing that share is the confidence.
		c, err := LargeLotChance(n, Rate(math.Round(got*1e6)), Whole)
		if err != nil || math.Abs(c-0.95) > 1e-4 {
			t.Errorf("LargeLotChance(%d, %v) = %v, %v, want about 0.95", n, got, c, err)
		}
	}
	tests := []struct {
		name               string
		examined, infested int
		efficacy           Rate
		want               float64
	}{
		{"nothing examined", 0, 0, Whole, 1},
		{"all infested", 5, 5, Whole, 1},
		{"one look that sees half", 1, 0, 50 * Percent, 1},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if got, err := LargeLotLimit(tt.examined, tt.infested, 95*Percent, tt.efficacy); err != nil || got != tt.want {
				t.Errorf("LargeLotLimit(%d, %d) = %v, %v, want %v", tt.examined, tt.infested, got, err, tt.want)
			}
		})
	}
	if c, err := LargeLotChance(0, Percent, Whole); err != nil || c != 0 {
		t.Errorf("LargeLotChance(0) = %v, %v, want 0", c, err)
	}
	if c, err := LargeLotChance(3, Whole, Whole); err != nil || c != 1 {
		t.Errorf("LargeLotChance(3, all) = %v, %v, want 1", c, err)
	}
	for _, bad := range [][2]int{{-1, 0}, {3, 4}, {3, -1}} {
		if _, err := LargeLotLimit(bad[0], bad[1], 95*Percent, Whole); say.CodeOf(err) != say.Invalid {
			t.Errorf("LargeLotLimit(%d, %d): %v, want a refusal", bad[0], bad[1], err)
		}
	}
	if _, err := LargeLotChance(-1, Percent, Whole); say.CodeOf(err) != say.Invalid {
		t.Errorf("LargeLotChance(-1): %v, want a refusal", err)
	}
}

// In a lot without end the hypergeometric limits become those of Clopper and Pearson.
func TestLimitsMeetInLargeLots(t *testing.T) {
	for _, n := range []int{5, 59, 299} {
		for _, k := range []int{0, 1, 4} {
			ev, err := Weigh(Question{Packages: MaxPackages, Examined: n, Infested: k, Confidence: 95 * Percent, Efficacy: Whole})
			if err != nil {
				t.Fatal(err)
			}
			want, err := LargeLotLimit(n, k, 95*Percent, Whole)
			if err != nil || math.Abs(ev.AtMostShare-want) > 1e-4*want {
				t.Errorf("%d of %d: %v, large lot %v, %v", k, n, ev.AtMostShare, want, err)
			}
		}
	}
}

// floor is a fixed piece of arithmetic to measure against on the same machine in
// the same run: ten thousand multiplications and divisions in a row, which is
// what the plain product formula takes once for ten million packages.
func floor() float64 {
	p := 1.0
	for i := range 10_000 {
		p *= float64(20_000_000-i) / float64(20_000_001-i)
	}
	return p
}

// The metric floors/op says how many floors one answer takes. It is a ratio, so it
// can be compared between machines; ns/op cannot.
func BenchmarkHypergeometric(b *testing.B) {
	for _, d := range []Demand{
		{95 * Percent, Percent, Whole},
		{99 * Percent, Permille, Whole},
		{99 * Percent, Permille, 90 * Percent},
		{999 * Permille, 1, Whole},
		{95 * Percent, 10 * Percent, Percent},
	} {
		b.Run(fmt.Sprintf("c=%v,d=%v,e=%v", d.Confidence, d.Detect, d.Efficacy), func(b *testing.B) {
			const rounds = 200
			start, sink := time.Now(), 0.0
			for range rounds {
				sink += floor()
			}
			unit := float64(time.Since(start).Nanoseconds()) / rounds
			if sink == 0 {
				b.Fatal("the floor was optimised away")
			}
			for b.Loop() {
				if _, err := Hypergeometric(MaxPackages, d); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/unit, "floors/op")
		})
	}
}
