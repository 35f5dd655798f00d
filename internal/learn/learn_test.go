package learn

import (
	"bufio"
	"fmt"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"lastlook/internal/consignment"
	"lastlook/internal/ladder"
	"lastlook/internal/sampling"
	"lastlook/internal/say"
)

// vectors reads testdata/learn/name: lines of # are comments, the first other line
// names the columns.
func vectors(t *testing.T, name string) []map[string]string {
	t.Helper()
	f, err := os.Open("../../testdata/learn/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var heads []string
	var rows []map[string]string
	sc := bufio.NewScanner(f)
	for sc.Scan() {
		if strings.HasPrefix(sc.Text(), "#") {
			continue
		}
		fields := strings.Split(sc.Text(), "\t")
		if heads == nil {
			heads = fields
			continue
		}
		if len(fields) != len(heads) {
			t.Fatalf("%s: %q has %d fields, want %d", name, sc.Text(), len(fields), len(heads))
		}
		row := map[string]string{}
		for i, h := range heads {
			row[h] = fields[i]
		}
		rows = append(rows, row)
	}
	if len(rows) == 0 {
		t.Fatalf("%s has no lines", name)
	}
	return rows
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func near(got, want, rel float64) bool {
	return math.Abs(got-want) <= rel*math.Max(math.Abs(want), 1e-12)
}

// R's binom.test and poisson.test give the same limits.
func TestIntervalsAgainstR(t *testing.T) {
	for _, r := range vectors(t, "intervals.tsv") {
		conf, err := sampling.ParseRate(r["confidence"])
		if err != nil {
			t.Fatal(err)
		}
		x := int(number(t, r["x"]))
		var got Interval
		if r["kind"] == "proportion" {
			got, err = Proportion(x, int(number(t, r["n"])), conf)
		} else {
			got, err = Count(x, conf)
		}
		low, high := number(t, r["low"]), number(t, r["high"])
		if err != nil || !near(got.Low, low, 1e-8) || !near(got.High, high, 1e-8) {
			t.Errorf("%s of %s, %s with %s = %.12g to %.12g, %v, want %.12g to %.12g", r["kind"], r["x"], r["n"], r["confidence"], got.Low, got.High, err, low, high)
		}
	}
}

// The rule of three: of n without any, some 3/n may still be there (Hanley and
// Lippman-Hand, If nothing goes wrong, is everything all right?, JAMA 249, 1983, for the
// one-sided 95 %, which is the two-sided 90 %).
func TestRuleOfThree(t *testing.T) {
	got, err := Proportion(0, 300, 90*sampling.Percent)
	if err != nil || !near(got.High, 3.0/300, .01) {
		t.Errorf("Proportion(0, 300, 90%%).High = %g, %v, want about %g", got.High, err, 3.0/300)
	}
}

func TestIntervalsRefuse(t *testing.T) {
	for _, tt := range []struct {
		name string
		x, n int
		conf sampling.Rate
		want string
	}{
		{"nothing", 0, 0, 95 * sampling.Percent, "0 of 0 is no share: count again."},
		{"negative", -1, 5, 95 * sampling.Percent, "-1 of 5 is no share: count again."},
		{"too many", 6, 5, 95 * sampling.Percent, "6 of 5 is no share: count again."},
		{"certain", 1, 5, sampling.Whole, "A confidence of 100% is none: use one between 0% and 100%, like 95%."},
		{"no confidence", 1, 5, 0, "A confidence of 0% is none: use one between 0% and 100%, like 95%."},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if _, err := Proportion(tt.x, tt.n, tt.conf); say.CodeOf(err) != say.Invalid || err.Error() != tt.want {
				t.Errorf("Proportion(%d, %d, %v): %v, want %q", tt.x, tt.n, tt.conf, err, tt.want)
			}
		})
	}
	if _, err := Count(-1, 95*sampling.Percent); say.CodeOf(err) != say.Invalid {
		t.Errorf("Count(-1): %v", err)
	}
	if _, err := Count(1, sampling.Whole); say.CodeOf(err) != say.Invalid {
		t.Errorf("Count with a confidence of 100%%: %v", err)
	}
}

func TestIntervalProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 5000).Draw(t, "n")
		x := rapid.IntRange(0, n).Draw(t, "x")
		lower := sampling.Rate(rapid.Int64Range(int64(sampling.Percent), int64(99*sampling.Percent)).Draw(t, "lower"))
		upper := lower + sampling.Rate(rapid.Int64Range(1, int64(sampling.Percent)-1).Draw(t, "more"))
		for name, f := range map[string]func(sampling.Rate) (Interval, error){
			"proportion": func(c sampling.Rate) (Interval, error) { return Proportion(x, n, c) },
			"count":      func(c sampling.Rate) (Interval, error) { return Count(x, c) },
		} {
			a, err := f(lower)
			if err != nil {
				t.Fatal(err)
			}
			b, err := f(upper)
			if err != nil {
				t.Fatal(err)
			}
			const tiny = 1e-9
			if a.Estimate < a.Low-tiny || a.Estimate > a.High+tiny {
				t.Fatalf("%s: %+v does not contain its estimate", name, a)
			}
			if b.Low > a.Low+tiny || b.High < a.High*(1-tiny)-tiny {
				t.Fatalf("%s: %+v with more confidence is not as wide as %+v", name, b, a)
			}
		}
		// Seen from the other side a share is the rest.
		a, _ := Proportion(x, n, lower)
		b, _ := Proportion(n-x, n, lower)
		if !near(a.Low, 1-b.High, 1e-7) && math.Abs(a.Low-(1-b.High)) > 1e-9 {
			t.Fatalf("%+v and %+v are not the two sides of one", a, b)
		}
	})
}

func TestQuartilesAgainstR(t *testing.T) {
	for _, r := range vectors(t, "quartiles.tsv") {
		var v []float64
		for _, s := range strings.Fields(r["values"]) {
			v = append(v, number(t, s))
		}
		want := Quartiles{len(v), number(t, r["low"]), number(t, r["median"]), number(t, r["top"])}
		if got := QuartilesOf(v); got != want {
			t.Errorf("QuartilesOf(%v) = %+v, want %+v", v, got, want)
		}
	}
	if got := QuartilesOf(nil); got != (Quartiles{}) {
		t.Errorf("QuartilesOf(nil) = %+v, want nothing", got)
	}
}

func TestPChartOfTheHandbook(t *testing.T) {
	var parts []Part
	for _, r := range vectors(t, "pchart-nist.tsv") {
		parts = append(parts, Part{int(number(t, r["x"])), int(number(t, r["n"]))})
	}
	got := PChart(parts)
	if !got.Limits || math.Abs(got.Center-.2313) > 5e-5 {
		t.Fatalf("center %.5f, limits %v, want 0.2313 and limits", got.Center, got.Limits)
	}
	var above []int
	for i, p := range got.Points {
		if !p.Limits || p.Exact || math.Abs(p.Low-.0524) > 5e-5 || math.Abs(p.High-.4102) > 5e-5 {
			t.Fatalf("point %d: limits %.4f to %.4f, want 0.0524 to 0.4102", i+1, p.Low, p.High)
		}
		if p.Signal != 0 {
			above = append(above, int(p.Signal)*(i+1))
		}
	}
	if fmt.Sprint(above) != "[15 23]" { // fractions .44 and .48
		t.Errorf("signals at %v, want 15 and 23, above", above)
	}
}

// Small subgroups have the limits of the binomial distribution, as R gives them.
func TestPLimitsAgainstR(t *testing.T) {
	for _, r := range vectors(t, "plimits.tsv") {
		n, c := int(number(t, r["n"])), number(t, r["p"])
		p := PPoint{Part: Part{0, n}}
		p.limit(c)
		if !p.Exact || math.Round(p.Low*float64(n)) != number(t, r["low"]) || math.Round(p.High*float64(n)) != number(t, r["high"]) {
			t.Errorf("limits of %d with %g = %g to %g, want %s to %s of %d", n, c, p.Low*float64(n), p.High*float64(n), r["low"], r["high"], n)
		}
	}
}

func TestPChartOfLittle(t *testing.T) {
	week := func(x, n int) Part { return Part{x, n} }
	many := []Part{week(0, 8), week(1, 8), week(0, 8), week(0, 8), week(1, 8), week(8, 8)}
	for _, tt := range []struct {
		name   string
		parts  []Part
		limits bool
		signal Signal // at the last point
	}{
		{"nothing", nil, false, 0},
		{"one round", []Part{week(1, 1)}, false, 0},
		{"empty weeks do not count as points", []Part{week(0, 10), {}, {}, {}, {}, {}, week(9, 10)}, false, 0},
		{"few inspections", []Part{week(0, 4), week(0, 4), week(0, 4), week(0, 4), week(0, 4), week(4, 4)}, false, 0},
		{"enough", many, true, 1},
		{"too few in the last week", append(many[:5:5], week(4, 4)), true, 0},
		{"never any", []Part{week(0, 9), week(0, 9), week(0, 9), week(0, 9), week(0, 9), week(0, 9)}, true, 0},
		{"always", []Part{week(9, 9), week(9, 9), week(9, 9), week(9, 9), week(9, 9), week(9, 9)}, true, 0},
	} {
		t.Run(tt.name, func(t *testing.T) {
			got := PChart(tt.parts)
			if got.Limits != tt.limits || len(got.Points) != len(tt.parts) {
				t.Fatalf("PChart(%v) = %+v, want limits %v", tt.parts, got, tt.limits)
			}
			if n := len(got.Points); n > 0 && got.Points[n-1].Signal != tt.signal {
				t.Errorf("PChart(%v), last point: %+v, want signal %d", tt.parts, got.Points[n-1], tt.signal)
			}
		})
	}
}

func TestCusumWorkedExamples(t *testing.T) {
	for _, tt := range []struct {
		file         string
		target, k, h float64
		within       float64 // as printed
		first        int     // point of the first signal, from 1; 0 for none
		from         int     // where that rise began
	}{
		{"cusum-nist.tsv", 325, .3175, 4.1959, .0151, 14, 13},
		{"cusum-concentration.tsv", 99, 1, 10, 1e-9, 0, 0},
	} {
		t.Run(tt.file, func(t *testing.T) {
			rows := vectors(t, tt.file)
			var z []float64
			for _, r := range rows {
				z = append(z, number(t, r["x"])-tt.target)
			}
			first := 0
			for i, s := range Cusum(z, tt.k, tt.h) {
				if math.Abs(s.Up-number(t, rows[i]["up"])) > tt.within || math.Abs(s.Down-number(t, rows[i]["down"])) > tt.within {
					t.Errorf("point %d: sums %.4f and %.4f, want %s and %s", i+1, s.Up, s.Down, rows[i]["up"], rows[i]["down"])
				}
				if s.Signal != 0 && first == 0 {
					first = i + 1
					if s.Signal != 1 || s.FromUp+1 != tt.from {
						t.Errorf("signal %d since point %d, want up since point %d", s.Signal, s.FromUp+1, tt.from)
					}
				}
			}
			if first != tt.first {
				t.Errorf("first signal at point %d, want %d", first, tt.first)
			}
		})
	}
}

func TestCusumProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		z := rapid.SliceOf(rapid.Float64Range(-6, 6)).Draw(t, "z")
		minus := make([]float64, len(z))
		for i := range z {
			minus[i] = -z[i]
		}
		a, b := Cusum(z, CusumK, CusumH), Cusum(minus, CusumK, CusumH)
		for i := range a {
			if a[i].Up < 0 || a[i].Down < 0 || a[i].Up != b[i].Down || a[i].Down != b[i].Up {
				t.Fatalf("point %d: %+v and mirrored %+v", i, a[i], b[i])
			}
			if a[i].FromUp > i || a[i].FromDown > i {
				t.Fatalf("point %d began later: %+v", i, a[i])
			}
		}
	})
}

func TestWatch(t *testing.T) {
	same := func(n int, s Seen) (out []Seen) {
		for range n {
			out = append(out, s)
		}
		return out
	}
	quiet, calm := same(10, Seen{2, 200}), same(10, Seen{2, 200})
	worse := append(append([]Seen{}, quiet[:5]...), same(5, Seen{8, 200})...)
	better := append(append([]Seen{}, same(5, Seen{9, 200})...), same(9, Seen{0, 200})...)
	for _, tt := range []struct {
		name          string
		weeks, before []Seen
		enough, own   bool
		signal        Signal
	}{
		{"nothing", nil, nil, false, true, 0},
		{"one week", []Seen{{3, 100}}, nil, false, true, 0},
		{"weeks without units", same(20, Seen{}), nil, false, true, 0},
		{"never any", same(20, Seen{0, 100}), nil, false, true, 0},
		{"as before", quiet, calm, true, false, 0},
		{"worse than before", worse, calm, true, false, 1},
		{"better than before", same(12, Seen{0, 200}), same(12, Seen{6, 200}), true, false, -1},
		{"better within its own", better, nil, true, true, -1},
		{"before is too little", quiet, []Seen{{1, 10}}, true, true, 0},
	} {
		t.Run(tt.name, func(t *testing.T) {
			got := Watch(tt.weeks, tt.before)
			if got.Enough != tt.enough || got.Own != tt.own {
				t.Fatalf("Watch = %+v, want enough %v, own %v", got, tt.enough, tt.own)
			}
			if n := len(got.Points); n > 0 && got.Points[n-1].Signal != tt.signal {
				t.Errorf("last point %+v, want signal %d", got.Points[n-1], tt.signal)
			}
		})
	}
	gap := Watch([]Seen{{2, 200}, {}, {2, 200}, {2, 200}, {2, 200}, {2, 200}, {2, 200}}, nil)
	if fmt.Sprint(gap.Index) != "[0 2 3 4 5 6]" {
		t.Errorf("points are weeks %v, want those with units", gap.Index)
	}
}

var day = time.Date(2026, 3, 2, 10, 0, 0, 0, time.UTC) // a Monday

// made is an invented round.
func made(ended time.Time, o consignment.Outcome, crop, bay string, units int, finds ...Find) Round {
	r := Round{Consignment: "AAAA", Round: 1, Opened: ended.Add(-time.Hour), Ended: ended, ValidUntil: ended.Add(71 * time.Hour), Outcome: o}
	r.Exams = []Exam{{Package: 1, Crop: crop, Bay: bay, Units: units, Opened: ended.Add(-40 * time.Minute), Closed: ended.Add(-30 * time.Minute)}}
	for _, f := range finds {
		f.Crop, f.Bay = crop, bay
		r.Finds = append(r.Finds, f)
	}
	return r
}

func TestRates(t *testing.T) {
	soil := Find{What: consignment.Soil, Rung: ladder.Reject, Units: 2}
	mite := Find{Entry: "spider_mite", What: consignment.LivePest, Rung: ladder.Reject, Units: 3}
	scar := Find{What: consignment.Damage, Rung: ladder.Note, Units: 1}
	rounds := []Round{
		made(day, consignment.Passed, "Lavandula", "B1", 100, scar),
		made(day.AddDate(0, 0, 3), consignment.Rejected, "Lavandula", "B2", 60, mite, mite),
		made(day.AddDate(0, 1, 0), consignment.Rejected, "Rosa", "B2", 40, soil),
	}
	type line struct {
		key                                    string
		rounds, units, finds, affected, fallen int
		per1000                                string
	}
	for _, tt := range []struct {
		by    Group
		least ladder.Rung
		want  []line
	}{
		{ByOrganism, ladder.Reject, []line{{"spider_mite", 1, 200, 2, 6, 1, "10.00"}, {"soil", 1, 200, 1, 2, 1, "5.00"}}},
		{ByOrganism, ladder.Note, []line{{"spider_mite", 1, 200, 2, 6, 1, "10.00"}, {"damage", 1, 200, 1, 1, 0, "5.00"}, {"soil", 1, 200, 1, 2, 1, "5.00"}}},
		{ByCrop, ladder.Reject, []line{{"Rosa", 1, 40, 1, 2, 1, "25.00"}, {"Lavandula", 2, 160, 2, 6, 1, "12.50"}}},
		{ByBay, ladder.Reject, []line{{"B2", 2, 100, 3, 8, 2, "30.00"}, {"B1", 1, 100, 0, 0, 0, "0.00"}}},
		{ByMonth, ladder.Reject, []line{{"2026-03", 2, 160, 2, 6, 1, "12.50"}, {"2026-04", 1, 40, 1, 2, 1, "25.00"}}},
	} {
		t.Run(fmt.Sprint(tt.by, tt.least), func(t *testing.T) {
			got, err := Rates(rounds, tt.by, tt.least, 95*sampling.Percent, time.UTC)
			if err != nil {
				t.Fatal(err)
			}
			var lines []line
			for _, r := range got {
				key := r.Name + r.Entry + string(r.What)
				if !r.Month.IsZero() {
					key = r.Month.Format("2006-01")
				}
				lines = append(lines, line{key, r.Rounds, r.Units, r.Finds, r.Affected, r.Fell, fmt.Sprintf("%.2f", r.Per1000.Estimate)})
				if r.Per1000.Low > r.Per1000.Estimate || r.Per1000.High <= r.Per1000.Estimate {
					t.Errorf("%s: interval %+v", key, r.Per1000)
				}
			}
			if fmt.Sprint(lines) != fmt.Sprint(tt.want) {
				t.Errorf("Rates = %v, want %v", lines, tt.want)
			}
		})
	}
	if got, err := Rates(nil, ByCrop, ladder.Note, 95*sampling.Percent, time.UTC); err != nil || len(got) != 0 {
		t.Errorf("Rates of nothing = %v, %v", got, err)
	}
	// A stop before any unit was looked at has no rate, and says so.
	r := made(day, consignment.Stopped, "Rosa", "B2", 0, Find{What: consignment.Suspect, Rung: ladder.Stop, Units: 1})
	got, err := Rates([]Round{r}, ByCrop, ladder.Note, 95*sampling.Percent, time.UTC)
	if err != nil || len(got) != 1 || got[0].Per1000 != (Interval{}) || !strings.Contains(got[0].Small().String(), "Only 0 units") {
		t.Errorf("Rates of a stop at once = %+v, %v", got, err)
	}
}

func TestBuckets(t *testing.T) {
	find := Find{What: consignment.Soil, Rung: ladder.Reject, Units: 1}
	note := Find{What: consignment.Damage, Rung: ladder.Note, Units: 1}
	rounds := []Round{
		made(day.AddDate(0, 0, 22), consignment.Passed, "Rosa", "", 10, note),
		made(day.Add(-10*time.Hour), consignment.Stopped, "Rosa", "", 10, find), // 00:00 on Monday
		made(day.AddDate(0, 0, 6), consignment.Rejected, "Rosa", "", 10, find),  // Sunday
		made(day.Add(-11*time.Hour), consignment.Held, "Rosa", "", 10, find),    // Sunday before
	}
	var got []string
	for _, b := range Buckets(rounds, Weekly, ladder.Reject, time.UTC) {
		got = append(got, fmt.Sprintf("%s %d/%d %d in %d", b.Start.Format("0102"), b.Fell.X, b.Fell.N, b.Seen.Finds, b.Seen.Units))
	}
	want := "[0223 0/1 1 in 10 0302 2/2 2 in 20 0309 0/0 0 in 0 0316 0/0 0 in 0 0323 0/1 0 in 10]"
	if fmt.Sprint(got) != want {
		t.Errorf("weeks = %v, want %v", got, want)
	}
	// In another place the Sunday is the Monday already.
	east := Buckets(rounds, Weekly, ladder.Reject, time.FixedZone("east", 2*3600))
	if east[0].Fell.N != 3 {
		t.Errorf("first week in the east has %d rounds, want 3", east[0].Fell.N)
	}
	if m := Buckets(rounds, Monthly, ladder.Reject, time.UTC); len(m) != 1 || m[0].Fell.N != 4 {
		t.Errorf("%d months, want March alone", len(m))
	}
	if len(Buckets(nil, Weekly, ladder.Reject, time.UTC)) != 0 {
		t.Error("nothing gives weeks")
	}
}

func TestLapsed(t *testing.T) {
	passed := made(day, consignment.Passed, "Rosa", "", 10)
	at := func(h int) time.Time { return passed.ValidUntil.Add(time.Duration(h) * time.Hour) }
	for _, tt := range []struct {
		name string
		edit func(*Round)
		now  time.Time
		want Lapse
	}{
		{"still good", func(*Round) {}, at(-1), NoLapse},
		{"ran out", func(*Round) {}, at(1), AfterPass},
		{"left in time", func(r *Round) { r.Left = at(-2) }, at(100), NoLapse},
		{"inspected again in time", func(r *Round) { r.Next = at(-2) }, at(100), NoLapse},
		{"inspected again because it ran out", func(r *Round) { r.Next, r.Left = at(2), at(20) }, at(100), AfterPass},
		{"rejected", func(r *Round) { r.Outcome = consignment.Rejected }, at(100), NoLapse},
		{"ran out at work", func(r *Round) { r.Outcome, r.Causes = consignment.Rejected, []Cause{WindowCause} }, at(100), AtWork},
		{"window not known", func(r *Round) { r.ValidUntil = time.Time{} }, at(100), NoLapse},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r := passed
			tt.edit(&r)
			if got := r.Lapsed(tt.now); got != tt.want {
				t.Errorf("Lapsed = %d, want %d", got, tt.want)
			}
		})
	}
}

func TestCausesPacesLeading(t *testing.T) {
	soil := Find{What: consignment.Soil, Rung: ladder.Reject, Units: 2}
	mite := Find{Entry: "spider_mite", What: consignment.LivePest, Rung: ladder.Reject, Units: 3}
	a := made(day, consignment.Rejected, "Rosa", "B2", 40, soil, mite, mite)
	a.Causes = []Cause{"live_pest", "soil"}
	b := made(day, consignment.Held, "Lavandula", "B1", 10)
	b.Causes = []Cause{"not_identified"}
	c := made(day, consignment.Stopped, "Rosa", "B2", 0)
	c.Causes = []Cause{"suspect"}
	c.Exams[0].Closed = time.Time{}
	d := made(day, consignment.Rejected, "Rosa", "B1", 12, soil)
	d.Causes = []Cause{"soil", BenchCause}
	rounds := []Round{a, b, c, d}
	var got []string
	for _, tl := range Causes(rounds) {
		got = append(got, fmt.Sprintf("%s %d/%d/%d", tl.Cause, tl.Rejected, tl.Held, tl.Stopped))
		if tl.Cause.Words().IsZero() {
			t.Errorf("%s has no words", tl.Cause)
		}
	}
	if want := "[soil 2/0/0 bench 1/0/0 live_pest 1/0/0 not_identified 0/1/0 suspect 0/0/1]"; fmt.Sprint(got) != want {
		t.Errorf("Causes = %v, want %v", got, want)
	}
	if p := Paces(rounds); len(p) != 2 || p[0].Crop != "Lavandula" || p[1].Minutes.N != 2 || p[1].Minutes.Median != 10 {
		t.Errorf("Paces = %+v, want Lavandula and Rosa without the package of the stop", p)
	}
	l := LeadingOf(rounds, ladder.Reject)
	want := Leading{Finds: 4, Organism: Key{What: consignment.Soil}, Crop: "Rosa", Bay: "B2", OfOrg: 2, OfCrop: 4, OfBay: 3}
	if l != want {
		t.Errorf("LeadingOf = %+v, want %+v", l, want)
	}
	if a.Bench() != time.Hour || (Round{Ended: day}).Bench() != 0 {
		t.Errorf("Bench = %v and %v, want an hour and nothing", a.Bench(), (Round{Ended: day}).Bench())
	}
}
