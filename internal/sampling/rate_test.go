package sampling

import (
	"encoding/json"
	"math/big"
	"testing"

	"pgregory.net/rapid"

	"lastlook/internal/say"
)

func TestParseRate(t *testing.T) {
	tests := []struct {
		text string
		want Rate
	}{
		{"2%", 20_000},
		{"2 %", 20_000},
		{" 2\u00a0% ", 20_000},
		{"0.5%", 5_000},
		{"0.50 %", 5_000},
		{"2,5%", 25_000},
		{"0.0001%", 1},
		{"0.00010000%", 1},
		{"29%", 290_000},
		{"100%", Whole},
		{"150%", 1_500_000},
		{"0%", 0},
		{"0.02", 20_000},
		{"0,02", 20_000},
		{"0.95", 950_000},
		{"0.000001", 1},
		{"0", 0},
		{"0.0", 0},
		{"007%", 70_000},
		{"999999999%", 9_999_999_990_000},
	}
	for _, tt := range tests {
		got, err := ParseRate(tt.text)
		if err != nil || got != tt.want {
			t.Errorf("ParseRate(%q) = %d, %v, want %d", tt.text, got, err, tt.want)
		}
	}
}

func TestParseRateRefuses(t *testing.T) {
	tests := []struct{ text, want string }{
		{"", "The rate is missing: write it like 2% or 0.5%."},
		{"   ", "The rate is missing: write it like 2% or 0.5%."},
		{"%", `"%" is not a rate: write it like 2% or 0.5%.`},
		{"two", `"two" is not a rate: write it like 2% or 0.5%.`},
		{"-2%", `"-2%" is not a rate: write it like 2% or 0.5%.`},
		{"+2%", `"+2%" is not a rate: write it like 2% or 0.5%.`},
		{"2%%", `"2%%" is not a rate: write it like 2% or 0.5%.`},
		{"1e-2", `"1e-2" is not a rate: write it like 2% or 0.5%.`},
		{"1,000.5%", `"1,000.5%" is not a rate: write it like 2% or 0.5%.`},
		{".5%", `".5%" is not a rate: write it like 2% or 0.5%.`},
		{"5.%", `"5.%" is not a rate: write it like 2% or 0.5%.`},
		{"NaN", `"NaN" is not a rate: write it like 2% or 0.5%.`},
		{"1/50", `"1/50" is not a rate: write it like 2% or 0.5%.`},
		{"٢%", `"٢%" is not a rate: write it like 2% or 0.5%.`},
		{"1234567890%", `"1234567890%" is not a rate: write it like 2% or 0.5%.`},
		{"2", `"2" can be read in two ways: write 2% if it is a percentage, or a share below 1 such as 0.02.`},
		{"1", `"1" can be read in two ways: write 1% if it is a percentage, or a share below 1 such as 0.02.`},
		{"95", `"95" can be read in two ways: write 95% if it is a percentage, or a share below 1 such as 0.02.`},
		{"0.00001%", `"0.00001%" is finer than can be counted with: use at most four places, like 0.0125%.`},
		{"0.0000001", `"0.0000001" is finer than can be counted with: use at most four places, like 0.0125%.`},
	}
	for _, tt := range tests {
		got, err := ParseRate(tt.text)
		if say.CodeOf(err) != say.Invalid || err.Error() != tt.want {
			t.Errorf("ParseRate(%q) = %v, %v, want refusal %q", tt.text, got, err, tt.want)
		}
	}
}

func TestRateString(t *testing.T) {
	tests := []struct {
		rate Rate
		want string
	}{
		{0, "0%"},
		{2 * Percent, "2%"},
		{5 * Permille, "0.5%"},
		{290_100, "29.01%"},
		{1, "0.0001%"},
		{Whole, "100%"},
		{-5 * Permille, "-0.5%"},
	}
	for _, tt := range tests {
		if got := tt.rate.String(); got != tt.want {
			t.Errorf("Rate(%d).String() = %q, want %q", int64(tt.rate), got, tt.want)
		}
	}
}

func TestRateTextRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := struct{ R Rate }{Rate(rapid.Int64Range(0, 9_999_999_999_999).Draw(t, "rate"))}
		b, err := json.Marshal(in)
		if err != nil {
			t.Fatal(err)
		}
		var out struct{ R Rate }
		if err := json.Unmarshal(b, &out); err != nil || out != in {
			t.Fatalf("%s came back as %v, %v", b, out, err)
		}
	})
}

func TestRateUp(t *testing.T) {
	tests := []struct {
		rate     Rate
		n        int
		up, down int
	}{
		{2 * Percent, 240, 5, 4},
		{7 * Percent, 100, 7, 7},
		{7 * Percent, 200, 14, 14},
		{7 * Percent, 1000, 70, 70},
		{29 * Percent, 100, 29, 29},
		{29 * Percent, 200, 58, 58},
		{29 * Percent, 1000, 290, 290},
		{5 * Permille, 100, 1, 0},
		{5 * Permille, 200, 1, 1},
		{5 * Permille, 1000, 5, 5},
		{5 * Permille, 1001, 6, 5},
		{1, MaxPackages, 10, 10},
		{Whole, MaxPackages, MaxPackages, MaxPackages},
		{2 * Percent, 0, 0, 0},
	}
	for _, tt := range tests {
		if got := tt.rate.Up(tt.n); got != tt.up {
			t.Errorf("(%v).Up(%d) = %d, want %d", tt.rate, tt.n, got, tt.up)
		}
		if got := tt.rate.Down(tt.n); got != tt.down {
			t.Errorf("(%v).Down(%d) = %d, want %d", tt.rate, tt.n, got, tt.down)
		}
	}
}

// The definition, on fractions: the smallest whole number not below, and the
// largest not above, the exact product.
func TestRateUpIsExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := Rate(rapid.Int64Range(0, int64(Whole)).Draw(t, "rate"))
		n := rapid.IntRange(0, MaxPackages).Draw(t, "n")
		product := new(big.Rat).Mul(big.NewRat(int64(r), int64(Whole)), big.NewRat(int64(n), 1))
		at := func(i int) *big.Rat { return big.NewRat(int64(i), 1) }
		if up := r.Up(n); at(up).Cmp(product) < 0 || at(up-1).Cmp(product) >= 0 {
			t.Fatalf("(%v).Up(%d) = %d, product %s", r, n, up, product.FloatString(6))
		}
		if down := r.Down(n); at(down).Cmp(product) > 0 || at(down+1).Cmp(product) <= 0 {
			t.Fatalf("(%v).Down(%d) = %d, product %s", r, n, down, product.FloatString(6))
		}
	})
}

func FuzzParseRate(f *testing.F) {
	for _, s := range []string{"2%", "0.5 %", "2,5%", "0.02", "1", "-3%", "0.00001%", "\u00a0%"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		r, err := ParseRate(s)
		if err != nil {
			if say.CodeOf(err) != say.Invalid {
				t.Errorf("ParseRate(%q): %v is no refusal", s, err)
			}
			return
		}
		if back, err := ParseRate(r.String()); err != nil || back != r {
			t.Errorf("ParseRate(%q) = %v, which reads back as %v, %v", s, r, back, err)
		}
	})
}
