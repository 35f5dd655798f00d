package dose

import (
	"math"
	"math/big"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"lastlook/internal/say"
)

// parsers are tried in turn, as the vectors mix what is typed into different fields.
var parsers = map[string]func(string) (Quantity, error){
	"rate": ParseRate, "amount": ParseAmount, "temperature": ParseTemperature, "duration": ParseDuration,
}

func parseAny(t *testing.T, text string) Quantity {
	t.Helper()
	for _, parse := range parsers {
		if q, err := parse(text); err == nil {
			return q
		}
	}
	t.Fatalf("no field takes %q: %v", text, func() error { _, err := ParseRate(text); return err }())
	return Quantity{}
}

func TestForms(t *testing.T) {
	tests := []struct {
		kind, typed, stored, human string
		dim                        Dimension
	}{
		{"rate", "2,5 L/ha", "2.5 L/har", "2.5 L/ha", VolumePerArea},
		{"rate", "2.50 l / HA", "2.5 L/har", "2.5 L/ha", VolumePerArea},
		{"rate", "10mL/L", "10 mL/L", "10 mL/L", VolumePerVolume},
		{"rate", "10 ml per litre", "10 mL/L", "10 mL/L", VolumePerVolume},
		{"rate", "30 g/m²", "30 g/m2", "30 g/m²", MassPerArea},
		{"rate", "30 g/m^2", "30 g/m2", "30 g/m²", MassPerArea},
		{"rate", "1.5 kg/1000 m2", "1.5 kg/(1000.m2)", "1.5 kg/1000 m²", MassPerArea},
		{"rate", "1.5 kg/1 000 m2", "1.5 kg/(1000.m2)", "1.5 kg/1000 m²", MassPerArea},
		{"rate", "50 g per 100 L", "50 g/(100.L)", "50 g/100 L", MassPerVolume},
		{"rate", "50 g per 100L", "50 g/(100.L)", "50 g/100 L", MassPerVolume},
		{"rate", "30 mL in 15 L", "30 mL/(15.L)", "30 mL/15 L", VolumePerVolume},
		{"rate", "0.5 %", "0.5 %", "0.5 %", ShareOfUnsaid},
		{"rate", "0,5%", "0.5 %", "0.5 %", ShareOfUnsaid},
		{"rate", "0.5 per cent", "0.5 %", "0.5 %", ShareOfUnsaid},
		{"rate", "0.5% (v/v)", "0.5 %{v/v}", "0.5 % v/v", VolumePerVolume},
		{"rate", "0.5 vol%", "0.5 %{v/v}", "0.5 % v/v", VolumePerVolume},
		{"rate", "0.5 % m/v", "0.5 %{w/v}", "0.5 % w/v", MassPerVolume},
		{"rate", "0.5 % w/w", "0.5 %{w/w}", "0.5 % w/w", MassPerMass},
		{"rate", "50 ppm", "50 [ppm]", "50 ppm", ShareOfUnsaid},
		{"rate", "100 mL/m³", "100 mL/m3", "100 mL/m³", VolumePerVolume},
		{"rate", "3 g/kg", "3 g/kg", "3 g/kg", MassPerMass},
		{"rate", "200 mL/t", "200 mL/t", "200 mL/t", VolumePerMass},
		{"rate", "50 per m2", "50 /m2", "50/m²", CountPerArea},
		{"rate", "50/m²", "50 /m2", "50/m²", CountPerArea},
		{"rate", "50 /10 m²", "50 /(10.m2)", "50/10 m²", CountPerArea},
		{"rate", "250 mg per plant", "250 mg/{plant}", "250 mg/plant", MassPerPlant},
		{"rate", "5 mL/pot", "5 mL/{pot}", "5 mL/pot", Dimension{Volume, Pot}},
		{"rate", "5 µL/L", "5 uL/L", "5 µL/L", VolumePerVolume},
		{"rate", "5 μl/l", "5 uL/L", "5 µL/L", VolumePerVolume},
		{"rate", "1.3750 L/ha", "1.375 L/har", "1.3750 L/ha", VolumePerArea},
		{"rate", "0.125 L/ha", "0.125 L/har", "0.125 L/ha", VolumePerArea},
		{"rate", "1 500 L/ha", "1500 L/har", "1500 L/ha", VolumePerArea},
		{"rate", "1\u202f500 L/ha", "1500 L/har", "1500 L/ha", VolumePerArea},
		{"rate", "1234,567 L/ha", "1234.567 L/har", "1234.567 L/ha", VolumePerArea},
		{"rate", "8 oz/100 US gal", "8 [oz_av]/(100.[gal_us])", "8 oz/100 US gal", MassPerVolume},
		{"rate", "1 lb/acre", "1 [lb_av]/(43560.[sft_i])", "1 lb/acre", MassPerArea},
		{"rate", "1 lb/43560 sq ft", "1 [lb_av]/(43560.[sft_i])", "1 lb/acre", MassPerArea},
		{"rate", "1 lb/10 acres", "1 [lb_av]/(10.43560.[sft_i])", "1 lb/10 acre", MassPerArea},
		{"amount", "20 L", "20 L", "20 L", Dimension{Of: Volume}},
		{"amount", "20 litres", "20 L", "20 L", Dimension{Of: Volume}},
		{"amount", "0,75 Kg", "0.75 kg", "0.75 kg", Dimension{Of: Mass}},
		{"amount", "1 500 000 g", "1500000 g", "1500000 g", Dimension{Of: Mass}},
		{"amount", "400 m²", "400 m2", "400 m²", Dimension{Of: Area}},
		{"amount", "600 pieces", "600 1", "600 pieces", Dimension{Of: Count}},
		{"amount", "240 plants", "240 {plant}", "240 plant", Dimension{Of: Plant}},
		{"temperature", "48 °C", "48 Cel", "48 °C", Dimension{Of: Temperature}},
		{"temperature", "48,5 ℃", "48.5 Cel", "48.5 °C", Dimension{Of: Temperature}},
		{"temperature", "48 ºC", "48 Cel", "48 °C", Dimension{Of: Temperature}},
		{"temperature", "48C", "48 Cel", "48 °C", Dimension{Of: Temperature}},
		{"temperature", "0 °C", "0 Cel", "0 °C", Dimension{Of: Temperature}},
		{"temperature", "−18 °C", "-18 Cel", "−18 °C", Dimension{Of: Temperature}},
		{"temperature", "118 °F", "118 [degF]", "118 °F", Dimension{Of: Temperature}},
		{"duration", "30 min", "30 min", "30 min", Dimension{Of: Duration}},
		{"duration", "12 hours", "12 h", "12 h", Dimension{Of: Duration}},
		{"duration", "1 h 30 min", "90 min", "90 min", Dimension{Of: Duration}},
		{"duration", "1h05", "65 min", "65 min", Dimension{Of: Duration}},
		{"duration", "1,5 h", "1.5 h", "1.5 h", Dimension{Of: Duration}},
	}
	for _, tt := range tests {
		t.Run(tt.typed, func(t *testing.T) {
			q, err := parsers[tt.kind](tt.typed)
			if err != nil || q.String() != tt.stored || plain(q.Human()) != plain(tt.human) || q.Dimension() != tt.dim {
				t.Fatalf("parse(%q) = %q, %q, %v, %v; want %q, %q, %v", tt.typed, q.String(), q.Human(), q.Dimension(), err, tt.stored, tt.human, tt.dim)
			}
			if again, err := Read(q.String()); err != nil || again != q {
				t.Errorf("Read(%q) = %q, %v", q.String(), again, err)
			}
			if again, err := parsers[tt.kind](q.Human()); err != nil || again != q {
				t.Errorf("what people read, %q, is read back as %q, %v", q.Human(), again, err)
			}
		})
	}
}

func TestRefused(t *testing.T) {
	tests := []struct{ name, kind, typed, says string }{
		{"nothing", "rate", "  ", "The rate is missing: write it like 2.5 L/ha, 10 mL/L, 30 g/m² or 0.5 % v/v."},
		{"no unit", "rate", "2.5", "“2.5” has no unit: write it like 2.5 L/ha"},
		{"no number", "rate", "L/ha", "does not begin with a number"},
		{"a word", "rate", "plenty", "does not begin with a number"},
		{"about", "rate", "ca. 2 L/ha", "does not begin with a number"},
		{"comma in two ways", "rate", "1,500 L/ha", "“1,500” can be read in two ways: write 1500 or 1.5."},
		{"point in two ways", "rate", "1.500 L/ha", "“1.500” can be read in two ways: write 1500 or 1.5."},
		{"two ways, both with three figures", "rate", "2.375 L/ha", "write 2375 or 2.3750."},
		{"two ways, round", "rate", "1,000 L/ha", "write 1000 or 1."},
		{"two ways below the stroke", "rate", "1.5 kg/1,000 m2", "“1,000” can be read in two ways"},
		{"signs for thousands", "rate", "1,234.5 L/ha", "more than one separator"},
		{"signs for millions", "rate", "1.234.567 g/ha", "more than one separator"},
		{"apostrophe", "rate", "1’500 g/ha", "without a sign for thousands"},
		{"no figure before the point", "rate", ".5 L/ha", "write 0.5."},
		{"no figure before the comma", "rate", ",5 L/ha", "write 0.5."},
		{"no figure after the point", "rate", "5. L/ha", "“5.” is not a number"},
		{"half", "rate", "½ L/ha", "write it as a decimal, like 0.5"},
		{"power", "rate", "1e3 L/ha", "not a unit"},
		{"range", "rate", "2-3 L/ha", "is a range: write the one number that was used"},
		{"range in words", "rate", "2 to 3 L/ha", "is a range"},
		{"negative", "rate", "-2 L/ha", "is less than nothing"},
		{"zero", "rate", "0,0 L/ha", "is nothing"},
		{"tablets", "rate", "3 tabs", "“tabs” does not say how much it is: write how many grams or millilitres they hold."},
		{"tablets per litre", "rate", "3 tablets/L", "how many grams"},
		{"gallons of which country", "rate", "8 oz/100 gal", "write US gal, or litres"},
		{"grain or gram", "rate", "3 gr/L", "write g for grams"},
		{"metre", "rate", "3 g/m", "write m² for an area"},
		{"megalitre", "rate", "3 ML/ha", "“ML” is not a unit that is known here"},
		{"unknown", "rate", "3 firkin/ha", "“firkin” is not a unit"},
		{"two strokes", "rate", "3 g/m²/d", "more than one stroke"},
		{"nothing behind the stroke", "rate", "3 g/", "nothing behind the stroke"},
		{"nothing behind the number", "rate", "3 g/100", "nothing behind the stroke"},
		{"part of a litre", "rate", "3 g/0.5 L", "cannot stand below the stroke"},
		{"nought litres", "rate", "3 g/0 L", "cannot stand below the stroke"},
		{"amount for a rate", "rate", "20 L", "“20 L” does not fit here"},
		{"rate for an amount", "amount", "20 L/ha", "does not fit here: write it like 20 L, 500 g or 400 m²."},
		{"upside down", "rate", "3 ha/L", "does not fit here"},
		{"area per area", "rate", "3 m²/ha", "does not fit here"},
		{"share for an amount", "amount", "5 %", "does not fit here"},
		{"far too much", "rate", "10000000 L/ha", "cannot be right, it is more than 100 L/m²"},
		{"more than all of it", "rate", "101 % v/v", "it is more than 1 L/L"},
		{"more than all of it, unsaid", "rate", "101 %", "it is more than 100 %"},
		{"too many figures", "rate", "1.00000000000001 L/ha", "too many figures"},
		{"too long", "rate", "2 " + strings.Repeat("L", 90), "is too long"},
		{"hotter than steam", "temperature", "480 °C", "it is more than 200 °C"},
		{"colder than any", "temperature", "-480 °F", "colder than any treatment"},
		{"degrees of what", "temperature", "48°", "write °C or °F"},
		{"temperature missing", "temperature", "", "write it like 48 °C"},
		{"a year and more", "duration", "400 d", "it is more than 366 d"},
		{"months", "duration", "2 m", "min for minutes"},
		{"no time", "duration", "0 min", "is nothing"},
		{"minutes beyond the hour", "duration", "1 h 75 min", "not a unit"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			q, err := parsers[tt.kind](tt.typed)
			if say.CodeOf(err) != say.Invalid || !strings.Contains(plain(err.Error()), plain(tt.says)) || !q.IsZero() {
				t.Errorf("parse(%q) = %q, %v; want a refusal saying %q", tt.typed, q, err, tt.says)
			}
		})
	}
}

// TestAgainstUnits compares with GNU Units, which counts in floating point: twelve
// figures must be the same.
func TestAgainstUnits(t *testing.T) {
	b, err := os.ReadFile(filepath.Join("..", "..", "testdata", "dose", "conversions.tsv"))
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for line := range strings.Lines(string(b)) {
		if strings.HasPrefix(line, "#") {
			continue
		}
		f := strings.Split(strings.TrimSpace(line), "\t")
		if len(f) != 4 {
			t.Fatalf("not a line of the table: %q", line)
		}
		u, err := ParseUnit(f[1])
		if err != nil {
			t.Fatalf("ParseUnit(%q): %v", f[1], err)
		}
		got, err := parseAny(t, f[0]).In(u)
		if err != nil {
			t.Errorf("%s in %s: %v", f[0], f[1], err)
			continue
		}
		want, err := strconv.ParseFloat(f[2], 64)
		if err != nil {
			t.Fatal(err)
		}
		if g, _ := got.Value().Float64(); math.Abs(g-want) > 1e-12*math.Abs(want) {
			t.Errorf("%s = %s, GNU Units says %v %s", f[0], got, want, f[1])
		}
		n++
	}
	if n < 30 {
		t.Errorf("%d lines compared, want at least 30", n)
	}
}

// Worked by hand, exactly.
func TestExact(t *testing.T) {
	tests := []struct{ typed, unit, want, human string }{
		// 2.5 L = 2500 mL on 10 000 m²: 2500 / 10 000 = 0.25 mL on each.
		{"2.5 L/ha", "mL/m²", "0.25 mL/m2", "0.25 mL/m²"},
		// 50 g in 15 L: 50 / 15 = 10/3 g in each.
		{"50 g in 15 L", "g/L", "10/3 g/L", "≈ 3.3333 g/L"},
		// 0.1 + 0.2 is 0.3 here: 0.3 mL/L = 0.03 %.
		{"0.3 mL/L", "% v/v", "0.03 %{v/v}", "0.03 % v/v"},
		// (118 − 32) · 5/9 = 430/9 = 47.777…
		{"118 °F", "°C", "430/9 Cel", "≈ 47.7778 °C"},
		// 20 min = 1/3 h
		{"20 min", "h", "1/3 h", "≈ 0.3333 h"},
		// 1 mg in 3 t = 1/(3·10⁹)
		{"1 mg/3 t", "kg/kg", "1/3000000000 kg/kg", "≈ 0.0000000003333 kg/kg"},
		// 1.375 would be read in two ways
		{"1375 mL/ha", "L/ha", "1.375 L/har", "1.3750 L/ha"},
	}
	for _, tt := range tests {
		u, err := ParseUnit(tt.unit)
		if err != nil {
			t.Fatal(err)
		}
		q, err := parseAny(t, tt.typed).In(u)
		if err != nil || q.String() != tt.want || plain(q.Human()) != plain(tt.human) {
			t.Errorf("%s in %s = %q, %q, %v; want %q, %q", tt.typed, tt.unit, q.String(), q.Human(), err, tt.want, tt.human)
		}
		if again, err := Read(q.String()); err != nil || again != q {
			t.Errorf("Read(%q) = %q, %v", q.String(), again, err)
		}
	}
}

func TestTotal(t *testing.T) {
	tests := []struct{ rate, over, want string }{
		{"2.5 L/ha", "400 m²", "0.1 L"},    // 2.5 · 0.04
		{"50 g per 100 L", "20 L", "10 g"}, // 0.5 · 20
		{"0.5 % v/v", "20 L", "0.1 L"},     // 0.005 · 20
		{"0.5 % w/v", "20 L", "0.1 kg"},    // 5 g/L · 20
		{"250 mg/plant", "240 plants", "60000 mg"},
		{"50 per m²", "12 m²", "600 1"},
	}
	for _, tt := range tests {
		got, err := parseAny(t, tt.rate).Total(parseAny(t, tt.over))
		if err != nil || got.String() != tt.want {
			t.Errorf("%s over %s = %q, %v; want %q", tt.rate, tt.over, got.String(), err, tt.want)
		}
	}
	if _, err := parseAny(t, "2.5 L/ha").Total(parseAny(t, "20 L")); say.CodeOf(err) != say.Invalid {
		t.Errorf("L/ha over litres: %v", err)
	}
	if _, err := parseAny(t, "0.5 %").Total(parseAny(t, "20 L")); say.CodeOf(err) != say.Invalid {
		t.Errorf("a share of what is not said: %v", err)
	}
}

func TestIn(t *testing.T) {
	tests := []struct{ typed, unit, says string }{
		{"2 L/ha", "g/m²", "cannot be given in g/m²: the two measure different things"},
		{"0.5 %", "mL/L", "does not say of what it is a share"},
		{"5 mL/L", "%", "Write it with % v/v, % w/v or % w/w."},
		{"5 mL/plant", "mL/pot", "different things"},
	}
	for _, tt := range tests {
		u, err := ParseUnit(tt.unit)
		if err != nil {
			t.Fatal(err)
		}
		if q, err := parseAny(t, tt.typed).In(u); say.CodeOf(err) != say.Invalid || !strings.Contains(err.Error(), tt.says) {
			t.Errorf("%s in %s = %q, %v; want a refusal saying %q", tt.typed, tt.unit, q, err, tt.says)
		}
	}
	for _, text := range []string{"", "firkin", "ha/L", "L/ha/d", "g/gal"} {
		if u, err := ParseUnit(text); say.CodeOf(err) != say.Invalid {
			t.Errorf("ParseUnit(%q) = %v, %v; want a refusal", text, u, err)
		}
	}
}

func TestCmp(t *testing.T) {
	tests := []struct {
		a, b string
		sign int
		ok   bool
	}{
		{"1 L/ha", "1000 mL/ha", 0, true},
		{"1 L/ha", "0.09 mL/m²", 1, true},
		{"32 °F", "0 °C", 0, true},
		{"30 min", "1 h", -1, true},
		{"1 L/ha", "1 kg/ha", 0, false},
		{"1 %", "1 % v/v", 0, false},
	}
	for _, tt := range tests {
		if sign, ok := parseAny(t, tt.a).Cmp(parseAny(t, tt.b)); sign != tt.sign || ok != tt.ok {
			t.Errorf("%s against %s = %d, %v; want %d, %v", tt.a, tt.b, sign, ok, tt.sign, tt.ok)
		}
	}
	if _, ok := (Quantity{}).Cmp(Quantity{}); ok {
		t.Error("nothing is compared with nothing")
	}
}

func TestRead(t *testing.T) {
	for _, text := range []string{
		"", "2.5", "2.50 L/har", "2,5 L/har", "02 L", "1/2 L" /* which has a decimal */, "2/4 h", "2/6 h", "-0 Cel", ".5 L", "2 L/(1.L)", "2 L/(0.L)", "2 L/(100L)", "2 L/(100.L", "2 ha",
		"2 firkin", "2  L", "2 L ", "2 1/m2", "2 {plant}/L", "2 %{v/v}/L", "1e3 L", "2 L/(9999999.L)",
	} {
		if q, err := Read(text); say.CodeOf(err) != say.Invalid || !q.IsZero() {
			t.Errorf("Read(%q) = %q, %v; want a refusal", text, q, err)
		}
	}
	var q Quantity
	if err := q.UnmarshalText([]byte("2.5 L/har")); err != nil || q.Human() != "2.5\u00a0L/ha" {
		t.Errorf("UnmarshalText = %q, %v", q.Human(), err)
	}
	if err := q.UnmarshalText(nil); err != nil || !q.IsZero() {
		t.Errorf("UnmarshalText of nothing = %q, %v", q, err)
	}
}

// units gives every unit that a dimension of rates and amounts can be given in.
func units(d Dimension) []Unit {
	var us []Unit
	for _, n := range atomList {
		if (Dimension{n.of, n.per}) == d {
			us = append(us, Unit{num: n.code})
		}
		for _, p := range atomList {
			if n.per == Nothing && p.per == Nothing && p.zero == nil && (Dimension{n.of, p.of}) == d {
				for _, per := range []int64{1, 15, 100, 1000} {
					us = append(us, Unit{n.code, p.code, per})
				}
			}
		}
	}
	return us
}

func TestConversionsAreExact(t *testing.T) {
	var dims []Dimension
	for _, q := range sortedLimits() {
		dims = append(dims, q.Dimension())
	}
	rapid.Check(t, func(t *rapid.T) {
		us := units(rapid.SampledFrom(dims).Draw(t, "dimension"))
		u, v := rapid.SampledFrom(us).Draw(t, "from"), rapid.SampledFrom(us).Draw(t, "to")
		q := New(big.NewRat(rapid.Int64Range(1, 1_000_000_000).Draw(t, "value"), rapid.SampledFrom([]int64{1, 10, 1000, 1_000_000, 3, 7}).Draw(t, "divisor")), u)
		there, err := q.In(v)
		if err != nil {
			t.Fatal(err)
		}
		back, err := there.In(u)
		if err != nil || back != q {
			t.Fatalf("%s is %s, and back %s, %v", q, there, back, err)
		}
		if sign, ok := q.Cmp(there); sign != 0 || !ok {
			t.Fatalf("%s against %s = %d, %v", q, there, sign, ok)
		}
		for _, x := range []Quantity{q, there} {
			if read, err := Read(x.String()); err != nil || read != x {
				t.Fatalf("Read(%q) = %q, %v", x.String(), read, err)
			}
			if named, err := ParseUnit(x.Unit().Human()); err != nil || named != x.Unit() {
				t.Fatalf("ParseUnit(%q) = %v, %v; want %v", x.Unit().Human(), named, err, x.Unit())
			}
		}
	})
}

// sortedLimits gives the limits in one order, as a map has none.
func sortedLimits() []Quantity {
	var all []Quantity
	for _, n := range atomList {
		for _, d := range []Dimension{{n.of, n.per}, {n.of, Area}, {n.of, Volume}, {n.of, Mass}, {n.of, Plant}, {n.of, Pot}} {
			if q, ok := limits[d]; ok {
				all = append(all, q)
			}
		}
	}
	return all
}

func TestHumanIsReadBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		us := append(units(VolumePerArea), units(MassPerVolume)...)
		q := New(big.NewRat(rapid.Int64Range(1, 99_999).Draw(t, "value"), rapid.SampledFrom([]int64{1, 10, 100, 1000, 10_000, 100_000}).Draw(t, "divisor")), rapid.SampledFrom(us).Draw(t, "unit"))
		back, err := ParseRate(q.Human())
		if err != nil && strings.Contains(err.Error(), "cannot be right") {
			return
		}
		if err != nil || back != q {
			t.Fatalf("%q is read as %q, %v; want %q", q.Human(), back, err, q)
		}
	})
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"2,5 L/ha", "50 g per 100 L", "0.5 % v/v", "1 500 kg/1 000 m²", "−18 °C", "1 h 30 min", "½ L", "1,234.5", "3 g/(", "% ", "0 /m2"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		for kind, parse := range parsers {
			q, err := parse(s)
			if err != nil {
				if say.CodeOf(err) != say.Invalid || err.Error() == "" || strings.Contains(err.Error(), "%!") && !strings.Contains(s, "%") {
					t.Fatalf("%s %q: %v", kind, s, err)
				}
				continue
			}
			if again, err := Read(q.String()); err != nil || again != q {
				t.Fatalf("%s %q is stored as %q, which is read as %q, %v", kind, s, q.String(), again, err)
			}
			if again, err := parse(q.Human()); err != nil || again != q {
				t.Fatalf("%s %q is shown as %q, which is read as %q, %v", kind, s, q.Human(), again, err)
			}
		}
		if q, err := Read(s); err == nil && q.String() != s {
			t.Fatalf("Read(%q) = %q", s, q)
		}
	})
}
