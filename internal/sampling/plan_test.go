package sampling

import (
	"encoding/json"
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"lastlook/internal/say"
)

func TestByRate(t *testing.T) {
	tests := []struct {
		name     string
		packages int
		rate     Rate
		minimum  int
		want     int
	}{
		{"worked example", 240, 2 * Percent, 3, 5},
		{"exact product is not rounded up", 250, 2 * Percent, 3, 5},
		{"one more is", 251, 2 * Percent, 3, 6},
		{"minimum", 100, 2 * Percent, 3, 3},
		{"at most all", 2, 2 * Percent, 3, 2},
		{"single package", 1, 2 * Percent, 3, 1},
		{"7 % of 100 is 7", 100, 7 * Percent, 3, 7},
		{"7 % of 200", 200, 7 * Percent, 3, 14},
		{"7 % of 1000", 1000, 7 * Percent, 3, 70},
		{"29 % of 100", 100, 29 * Percent, 3, 29},
		{"29 % of 200", 200, 29 * Percent, 3, 58},
		{"29 % of 1000", 1000, 29 * Percent, 3, 290},
		{"0.5 % of 100", 100, 5 * Permille, 3, 3},
		{"0.5 % of 1000", 1000, 5 * Permille, 3, 5},
		{"0.5 % of 1001", 1001, 5 * Permille, 3, 6},
		{"everything", 240, Whole, 1, 240},
		{"smallest rate, minimum 1", 240, 1, 1, 1},
		{"largest lot", MaxPackages, 2 * Percent, 3, 200_000},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := ByRate(tt.packages, tt.rate, tt.minimum)
			want := Plan{Packages: tt.packages, Examine: tt.want, Rule: RuleRate, Rate: tt.rate, Minimum: tt.minimum}
			if err != nil || got != want {
				t.Errorf("ByRate(%d, %v, %d) = %+v, %v, want %+v", tt.packages, tt.rate, tt.minimum, got, err, want)
			}
		})
	}
}

func TestByRateRefuses(t *testing.T) {
	tests := []struct {
		name     string
		packages int
		rate     Rate
		minimum  int
		field    string
		want     string
	}{
		{"no packages", 0, 2 * Percent, 3, "packages", "There is nothing to sample: the number of packages is 0. Count the packages and enter at least 1."},
		{"fewer than none", -4, 2 * Percent, 3, "packages", "There is nothing to sample: the number of packages is -4. Count the packages and enter at least 1."},
		{"too many", MaxPackages + 1, 2 * Percent, 3, "packages", "10000001 packages are more than can be worked with (10000000). Check the number, or split the consignment."},
		{"rate 0", 240, 0, 3, "rate", "A rate of 0 % examines nothing. Use a rate above 0 %, for instance 2 %."},
		{"rate below 0", 240, -Percent, 3, "rate", "A rate of -1 % examines nothing. Use a rate above 0 %, for instance 2 %."},
		{"rate above 100 %", 240, Whole + Permille, 3, "rate", "A rate of 100.1 % is more than all packages. Use at most 100 %."},
		{"minimum 0", 240, 2 * Percent, 0, "minimum", "A minimum of 0 would allow a consignment to go unexamined. Use at least 1."},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := ByRate(tt.packages, tt.rate, tt.minimum)
			r, ok := err.(*say.Refusal)
			if !ok || r.Code != say.Invalid || r.Field != tt.field || r.Error() != tt.want || got != (Plan{}) {
				t.Errorf("ByRate(%d, %v, %d) = %+v, %v, want refusal of %s: %q", tt.packages, tt.rate, tt.minimum, got, err, tt.field, tt.want)
			}
		})
	}
}

func TestByRateProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		packages := rapid.IntRange(1, MaxPackages).Draw(t, "packages")
		rate := Rate(rapid.Int64Range(1, int64(Whole)).Draw(t, "rate"))
		minimum := rapid.IntRange(1, 50).Draw(t, "minimum")
		p, err := ByRate(packages, rate, minimum)
		if err != nil {
			t.Fatal(err)
		}
		if p.Examine < 1 || p.Examine > packages || p.Examine < min(minimum, packages) {
			t.Fatalf("%+v is out of bounds", p)
		}
		if int64(p.Examine)*int64(Whole) < int64(rate)*int64(packages) {
			t.Fatalf("%+v examines less than the rate", p)
		}
		more, err := ByRate(min(packages+1, MaxPackages), rate, minimum)
		if err != nil || more.Examine < p.Examine {
			t.Fatalf("one more package lowers %d to %d, %v", p.Examine, more.Examine, err)
		}
	})
}

// Every cell of the table, a dash being a refusal.
func TestISPM31Table1(t *testing.T) {
	cells := 0
	for _, r := range vectors(t, "ispm31-appendix2-table1.tsv") {
		for head, want := range r.cols {
			c, d, ok := strings.Cut(head, "/")
			if !ok {
				continue
			}
			cells++
			confidence, detect := must(ParseRate(c+"%")), must(ParseRate(d+"%"))
			demand := Demand{confidence, detect, Whole}
			for name, form := range map[string]func(int, Demand) (Plan, error){"Hypergeometric": Hypergeometric, "EffectiveLevel": EffectiveLevel} {
				plan, err := form(r.count("lot"), demand)
				got := strconv.Itoa(plan.Examine)
				if say.CodeOf(err) == say.Invalid {
					got = "-"
				}
				if got != want {
					t.Errorf("%s(%s, %v) = %s, %v, the table has %s", name, r.cols["lot"], demand, got, err, want)
				}
			}
		}
	}
	if cells != 22*10 {
		t.Errorf("%d cells were checked, want 220", cells)
	}
}

func TestISPM31Appendix3(t *testing.T) {
	cells := 0
	for _, r := range vectors(t, "ispm31-appendix3.tsv") {
		form := map[string]func(int, Demand) (Plan, error){"binomial": Binomial, "poisson": Poisson}[r.cols["form"]]
		for _, d := range []string{"5", "2", "1", "0.5", "0.1"} {
			cells++
			demand := Demand{r.rate("confidence"), must(ParseRate(d + "%")), r.rate("efficacy")}
			plan, err := form(MaxPackages, demand)
			if err != nil || plan.Examine != r.count(d) {
				t.Errorf("%s(%v) = %d, %v, the table has %s", r.cols["form"], demand, plan.Examine, err, r.cols[d])
			}
		}
	}
	if cells != 30*5 {
		t.Errorf("%d cells were checked, want 150", cells)
	}
}

func must(r Rate, err error) Rate {
	if err != nil {
		panic(err)
	}
	return r
}

// Everything that R computed, see testdata/sampling/reference.R.
func TestAgainstR(t *testing.T) {
	seen := map[string]int{}
	for _, r := range vectors(t, "reference.tsv") {
		q := r.cols["quantity"]
		seen[q]++
		bad := func(got any, err error) {
			t.Helper()
			t.Errorf("reference.tsv:%d: %v: got %v, %v", r.line, r.cols, got, err)
		}
		switch q {
		case "chance":
			got, err := Chance(r.count("N"), r.count("n"), r.count("A"), r.rate("e"))
			// R's dhyper is good to some 1e-12 for lots of millions.
			if err != nil || math.Abs(got-r.number("value")) > 1e-10 {
				bad(got, err)
			}
		case "hypergeometric", "effective-level":
			form := Hypergeometric
			if q == "effective-level" {
				form = EffectiveLevel
			}
			plan, err := form(r.count("N"), Demand{r.rate("c"), r.rate("d"), r.rate("e")})
			if r.count("value") == 0 {
				if say.CodeOf(err) != say.Invalid {
					bad(plan.Examine, err)
				}
				continue
			}
			if err != nil || plan.Examine != r.count("value") {
				bad(plan.Examine, err)
			}
		case "binomial", "poisson":
			form := Binomial
			if q == "poisson" {
				form = Poisson
			}
			plan, err := form(MaxPackages, Demand{r.rate("c"), r.rate("d"), r.rate("e")})
			if err != nil || plan.Examine != r.count("value") {
				bad(plan.Examine, err)
			}
		case "upper-limit":
			ev, err := Weigh(Question{Packages: r.count("N"), Examined: r.count("n"), Infested: r.count("k"), Confidence: r.rate("c"), Efficacy: r.rate("e")})
			if err != nil || ev.AtMostPackages != r.count("value") {
				bad(ev.AtMostPackages, err)
			}
		case "large-lot-limit":
			got, err := LargeLotLimit(r.count("n"), r.count("k"), r.rate("c"), Whole)
			if want := r.number("value"); err != nil || math.Abs(got-want) > 1e-9*want {
				bad(got, err)
			}
		default:
			t.Errorf("reference.tsv:%d: unknown quantity %q", r.line, q)
		}
	}
	for _, q := range []string{"chance", "hypergeometric", "effective-level", "binomial", "poisson", "upper-limit", "large-lot-limit"} {
		if seen[q] < 100 {
			t.Errorf("only %d lines of %s", seen[q], q)
		}
	}
}

func TestStatisticalFormsRefuse(t *testing.T) {
	good := Demand{95 * Percent, Percent, Whole}
	tests := []struct {
		name     string
		form     func(int, Demand) (Plan, error)
		packages int
		d        Demand
		field    string
		want     string
	}{
		{"no packages", Hypergeometric, 0, good, "packages", "There is nothing to sample: the number of packages is 0. Count the packages and enter at least 1."},
		{"too many packages", EffectiveLevel, MaxPackages + 1, good, "packages", "10000001 packages are more than can be worked with (10000000). Check the number, or split the consignment."},
		{"none left after rounding", Hypergeometric, 50, good, "detect", "1 % of 50 packages is less than one package: there is no such infestation to look for. Use a level of detection of 2 % or more."},
		{"none left after rounding, by the hint", Hypergeometric, 3, good, "detect", "1 % of 3 packages is less than one package: there is no such infestation to look for. Use a level of detection of 33.3334 % or more."},
		{"none left, binomial", Binomial, 50, good, "detect", "1 % of 50 packages is less than one package: there is no such infestation to look for. Use a level of detection of 2 % or more."},
		{"none detectable", EffectiveLevel, 100, Demand{95 * Percent, Percent, 90 * Percent}, "detect", "1 % of 100 packages at an efficacy of 90 % is less than one package that could be detected. Use a higher level of detection."},
		{"confidence 0", Hypergeometric, 100, Demand{0, Percent, Whole}, "confidence", "A confidence of 0 % promises nothing. Use for instance 95 %."},
		{"confidence 100 %", Binomial, 1000, Demand{Whole, Percent, Whole}, "confidence", "A confidence of 100 % is out of reach of any sample. Use for instance 95 % or 99 %."},
		{"level 0", Poisson, 1000, Demand{95 * Percent, 0, Whole}, "detect", "A level of detection of 0 % leaves nothing to detect. Use for instance 1 %."},
		{"level above 100 %", Hypergeometric, 1000, Demand{95 * Percent, Whole + 1, Whole}, "detect", "A level of detection of 100.0001 % is more than all packages. Use at most 100 %."},
		{"efficacy 0", EffectiveLevel, 1000, Demand{95 * Percent, Percent, 0}, "efficacy", "With an efficacy of 0 % nothing is ever seen. Use for instance 90 %, or 100 % if an infested package is always recognised."},
		{"efficacy above 100 %", Poisson, 1000, Demand{95 * Percent, Percent, 2 * Whole}, "efficacy", "An efficacy of 200 % is more than always. Use at most 100 %."},
		{"not even everything", Hypergeometric, 100, Demand{95 * Percent, Percent, 90 * Percent}, "confidence", "Even examining all 100 packages would see an infestation of 1 of them with a chance of only 90 %, at an efficacy of 90 %. Accept a confidence below that, or a higher level of detection."},
		{"lot too small for binomial", Binomial, 200, good, "form", "This form is for large lots: it would take 299 packages, and there are 200. Use the hypergeometric form."},
		{"lot one too small for binomial", Binomial, 298, good, "form", "This form is for large lots: it would take 299 packages, and there are 298. Use the hypergeometric form."},
		{"lot too small for Poisson", Poisson, 299, good, "form", "This form is for large lots: it would take 300 packages, and there are 299. Use the hypergeometric form."},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := tt.form(tt.packages, tt.d)
			r, ok := err.(*say.Refusal)
			if !ok || r.Code != say.Invalid || r.Field != tt.field || r.Error() != tt.want || got != (Plan{}) {
				t.Errorf("%d, %+v = %+v, %v, want refusal of %s: %q", tt.packages, tt.d, got, err, tt.field, tt.want)
			}
		})
	}
}

// The level of detection that a refusal recommends is the smallest that works.
func TestRefusalNamesTheSmallestLevel(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		packages := rapid.IntRange(2, 1_000_000).Draw(t, "packages")
		_, err := Hypergeometric(packages, Demand{95 * Percent, 1, Whole})
		if packages == 1_000_000 {
			return // one millionth of a million is one package
		}
		r, ok := err.(*say.Refusal)
		if !ok {
			t.Fatalf("no refusal: %v", err)
		}
		least := must(ParseRate(fmt.Sprint(r.Text.Args[2]) + "%"))
		if _, err := Hypergeometric(packages, Demand{95 * Percent, least, Whole}); err != nil {
			t.Errorf("%v is refused too: %v", least, err)
		}
		if _, err := Hypergeometric(packages, Demand{95 * Percent, least - 1, Whole}); err == nil {
			t.Errorf("%v works too", least-1)
		}
	})
}

func drawDemand(t *rapid.T) Demand {
	return Demand{
		Confidence: Rate(rapid.IntRange(1, 999).Draw(t, "confidence")) * Permille,
		Detect:     Rate(rapid.IntRange(1, 1000).Draw(t, "detect")) * Permille,
		Efficacy:   Rate(rapid.IntRange(1, 100).Draw(t, "efficacy")) * Percent,
	}
}

// The plan reaches its confidence, one package fewer does not, and asking for
// more never takes fewer.
func TestHypergeometricProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		packages := rapid.IntRange(1, 3000).Draw(t, "packages")
		d := drawDemand(t)
		p, err := Hypergeometric(packages, d)
		if err != nil {
			if say.CodeOf(err) != say.Invalid {
				t.Fatal(err)
			}
			return
		}
		if p.Examine < 1 || p.Examine > packages || p.Assumed < 1 || p.Assumed > packages {
			t.Fatalf("%+v is out of bounds", p)
		}
		reaches := func(n int) bool {
			num, den := trial{packages, p.Assumed, n, d.Efficacy}.exact(0)
			num.Mul(num, bigRate(Whole))
			return num.Cmp(den.Mul(den, bigRate(Whole-d.Confidence))) <= 0
		}
		if packages <= 400 && (!reaches(p.Examine) || reaches(p.Examine-1)) {
			t.Fatalf("%+v: reaches the confidence %v, one fewer %v", p, reaches(p.Examine), reaches(p.Examine-1))
		}
		if surer, err := Hypergeometric(packages, Demand{d.Confidence - 1, d.Detect, d.Efficacy}); d.Confidence > 1 && (err != nil || surer.Examine > p.Examine) {
			t.Errorf("less confidence takes %d instead of %d, %v", surer.Examine, p.Examine, err)
		}
		if d.Detect < Whole {
			if more, err := Hypergeometric(packages, Demand{d.Confidence, d.Detect + Permille, d.Efficacy}); err != nil || more.Examine > p.Examine {
				t.Errorf("a higher level takes %d instead of %d, %v", more.Examine, p.Examine, err)
			}
		}
		if d.Efficacy < Whole {
			if keener, err := Hypergeometric(packages, Demand{d.Confidence, d.Detect, d.Efficacy + Percent}); err != nil || keener.Examine > p.Examine {
				t.Errorf("a better eye takes %d instead of %d, %v", keener.Examine, p.Examine, err)
			}
		}
	})
}

// At full efficacy both hypergeometric forms are one. Below, the sample of the
// shorter way reaches the confidence only if its rounding down helps: never
// before rounding, which is shown here with levels that leave nothing to round.
func TestEffectiveLevelAgainstHypergeometric(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := drawDemand(t)
		packages := 100_000 * rapid.IntRange(1, 100).Draw(t, "packages") // level × efficacy × packages is whole
		exact, err := Hypergeometric(packages, d)
		if err != nil {
			return
		}
		short, err := EffectiveLevel(packages, d)
		if err != nil {
			t.Fatal(err)
		}
		if short.Examine > exact.Examine {
			t.Errorf("%d, %+v: the shorter way takes %d, more than %d", packages, d, short.Examine, exact.Examine)
		}
		d.Efficacy = Whole
		exact, err1 := Hypergeometric(packages, d)
		short, err2 := EffectiveLevel(packages, d)
		if err1 != nil || err2 != nil || short.Examine != exact.Examine || short.Assumed != exact.Assumed {
			t.Errorf("%d, %+v: %+v, %v and %+v, %v", packages, d, exact, err1, short, err2)
		}
	})
}

// How far apart the two are in practice, and that the shorter way can fall short.
func TestEffectiveLevelCanFallShort(t *testing.T) {
	d := Demand{95 * Percent, 5 * Percent, 80 * Percent}
	exact, err := Hypergeometric(100, d)
	if err != nil {
		t.Fatal(err)
	}
	short, err := EffectiveLevel(100, d)
	if err != nil {
		t.Fatal(err)
	}
	chance, err := Chance(100, short.Examine, 5, d.Efficacy)
	if err != nil {
		t.Fatal(err)
	}
	if short.Examine != 52 || exact.Examine != 56 || chance >= 0.95 {
		t.Errorf("shorter way %d (keeps %v), exact %d; want 52 (below 0.95), 56", short.Examine, chance, exact.Examine)
	}
}

// In a lot of ten million the size of the lot does not matter for samples of a
// few hundred; Poisson is never below binomial and close to it for small levels.
func TestFormsAgreeInLargeLots(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := Demand{
			Confidence: Rate(rapid.IntRange(50, 99).Draw(t, "confidence")) * Percent,
			Detect:     Rate(rapid.IntRange(10, 500).Draw(t, "detect")) * Permille,
			Efficacy:   Rate(rapid.IntRange(50, 100).Draw(t, "efficacy")) * Percent,
		}
		h, err1 := Hypergeometric(MaxPackages, d)
		b, err2 := Binomial(MaxPackages, d)
		p, err3 := Poisson(MaxPackages, d)
		if err1 != nil || err2 != nil || err3 != nil {
			t.Fatal(err1, err2, err3)
		}
		if h.Examine > b.Examine || h.Examine < b.Examine-1 {
			t.Errorf("%+v: hypergeometric %d, binomial %d", d, h.Examine, b.Examine)
		}
		if p.Examine < b.Examine {
			t.Errorf("%+v: Poisson %d is below binomial %d", d, p.Examine, b.Examine)
		}
		if x := d.Detect.Share() * d.Efficacy.Share(); float64(p.Examine) > float64(b.Examine)/(1-x)+1 {
			t.Errorf("%+v: Poisson %d is far from binomial %d", d, p.Examine, b.Examine)
		}
	})
}

// (1 - level)^n can equal 1 - confidence; equality is enough.
func TestBinomialTies(t *testing.T) {
	tests := []struct {
		d    Demand
		want int
	}{
		{Demand{50 * Percent, 50 * Percent, Whole}, 1},
		{Demand{75 * Percent, 50 * Percent, Whole}, 2},
		{Demand{75*Percent + 1, 50 * Percent, Whole}, 3},
		{Demand{75*Percent - 1, 50 * Percent, Whole}, 2},
		{Demand{99 * Percent, 90 * Percent, Whole}, 2},
		{Demand{999_999, 90 * Percent, Whole}, 6},
		{Demand{984_375, 50 * Percent, Whole}, 6},
		{Demand{984_376, 50 * Percent, Whole}, 7},
		{Demand{75 * Percent, Whole, 50 * Percent}, 2},
		{Demand{99 * Percent, Whole, Whole}, 1},
	}
	for _, tt := range tests {
		if got, err := Binomial(1000, tt.d); err != nil || got.Examine != tt.want {
			t.Errorf("Binomial(%+v) = %d, %v, want %d", tt.d, got.Examine, err, tt.want)
		}
	}
}

// Every tie with n > 1: x^n has at most six places, so that it can be one minus
// a confidence, which needs an x of at most three. x^n takes n, a millionth less
// takes more.
func TestBinomialAtEveryTie(t *testing.T) {
	ties := 0
	for x := Permille; x < Whole; x += Permille {
		limit := x
		for n := 1; ; n++ {
			ties++
			got, err := Binomial(MaxPackages, Demand{Whole - limit, Whole - x, Whole})
			if err != nil || got.Examine != n {
				t.Errorf("(%v)^%d: %d, %v, want %d", x, n, got.Examine, err, n)
			}
			if limit > 1 {
				got, err = Binomial(MaxPackages, Demand{Whole - limit + 1, Whole - x, Whole})
				if err != nil || got.Examine <= n {
					t.Errorf("a millionth below (%v)^%d: %d, %v, want more", x, n, got.Examine, err)
				}
			}
			if limit.times(x)%int64(Whole) != 0 {
				break // more than six places from here on
			}
			limit = Rate(limit.times(x) / int64(Whole))
		}
	}
	// 999 of at most three places up to squares, 99 of at most two to cubes, 9 of one to sixth powers.
	if want := 2*999 + 99 + 3*9; ties != want {
		t.Errorf("%d ties, want %d", ties, want)
	}
}

func TestPlanWhy(t *testing.T) {
	rate := func(packages int, r Rate, minimum int) Plan {
		p, err := ByRate(packages, r, minimum)
		if err != nil {
			t.Fatal(err)
		}
		return p
	}
	form := func(f func(int, Demand) (Plan, error), packages int, d Demand) Plan {
		p, err := f(packages, d)
		if err != nil {
			t.Fatal(err)
		}
		return p
	}
	tests := []struct {
		name string
		plan Plan
		want string
	}{
		{"worked example", rate(240, 2*Percent, 3), "2 % of 240 is 4.8, rounded up. Never fewer than 3."},
		{"whole product", rate(250, 2*Percent, 3), "2 % of 250 is 5. Never fewer than 3."},
		{"less than one", rate(40, 2*Percent, 3), "2 % of 40 is less than 1. Never fewer than 3."},
		{"all", rate(2, 2*Percent, 3), "2 % of 2 is less than 1. Never fewer than 3, at most all."},
		{"no minimum to speak of", rate(240, 5*Permille, 1), "0.5 % of 240 is 1.2, rounded up."},
		{"hypergeometric", form(Hypergeometric, 240, Demand{95 * Percent, 2 * Percent, Whole}),
			"ISPM 31: 2 % of 240 packages, rounded down, is 4 infested. Examining 126 sees at least one of them with a confidence of 95 %."},
		{"hypergeometric, efficacy", form(Hypergeometric, 1000, Demand{95 * Percent, Percent, 90 * Percent}),
			"ISPM 31: 1 % of 1000 packages, rounded down, is 10 infested. Examining 287 sees at least one of them with a confidence of 95 %. An infested package that is examined counts as recognised 9 times in 10."},
		{"effective level", form(EffectiveLevel, 1000, Demand{95 * Percent, Percent, 90 * Percent}),
			"ISPM 31: 1 % of 1000 packages at an efficacy of 90 %, rounded down, is 9 that could be detected. Examining 282 sees at least one of them with a confidence of 95 %."},
		{"binomial, small lot", form(Binomial, 1000, Demand{95 * Percent, Percent, Whole}),
			"ISPM 31: 1 % of 1000 packages, rounded down, is 10 infested. Examining 299 sees at least one of them with a confidence of 95 %. This form is for samples below 5 % of the lot; here the hypergeometric form is the right one."},
		{"Poisson, large lot", form(Poisson, 100_000, Demand{95 * Percent, Percent, Whole}),
			"ISPM 31: 1 % of 100000 packages, rounded down, is 1000 infested. Examining 300 sees at least one of them with a confidence of 95 %."},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if got := joined(tt.plan.Why()); got != tt.want {
				t.Errorf("Why() = %q\nwant    %q", got, tt.want)
			}
		})
	}
}

func joined(texts []say.Text) string {
	parts := make([]string, len(texts))
	for i, s := range texts {
		parts[i] = s.String()
	}
	return strings.Join(parts, " ")
}

func TestPlanJSON(t *testing.T) {
	p, err := ByRate(240, 2*Percent, 3)
	if err != nil {
		t.Fatal(err)
	}
	b, err := json.Marshal(p)
	if want := `{"packages":240,"examine":5,"rule":"rate","rate":"2%","minimum":3}`; err != nil || string(b) != want {
		t.Errorf("JSON = %s, %v, want %s", b, err, want)
	}
	h, err := Hypergeometric(1000, Demand{95 * Percent, Percent, 90 * Percent})
	if err != nil {
		t.Fatal(err)
	}
	b, err = json.Marshal(h)
	if want := `{"packages":1000,"examine":287,"rule":"hypergeometric","confidence":"95%","detect":"1%","efficacy":"90%","assumed":10}`; err != nil || string(b) != want {
		t.Errorf("JSON = %s, %v, want %s", b, err, want)
	}
	var back Plan
	if err := json.Unmarshal(b, &back); err != nil || back != h {
		t.Errorf("came back as %+v, %v", back, err)
	}
}
