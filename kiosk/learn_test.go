package kiosk

import (
	"context"
	"encoding/csv"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"lastlook/internal/browsertest"
	"lastlook/internal/consignment"
	"lastlook/internal/demo"
	"lastlook/internal/learn"
	"lastlook/internal/say"
	"lastlook/internal/store"
)

// past fills a desk with invented weeks.
func (d *desk) past(weeks int) {
	d.t.Helper()
	if err := demo.Past(context.Background(), d.store, noon, weeks, 1); err != nil {
		d.t.Fatal(err)
	}
}

func TestLearnFromNothing(t *testing.T) {
	d := newDesk(t)
	d.get("/office").wants(t, 200, "/office", "What our history says", `href="/learn"`)
	d.get("/learn").wants(t, 200, "/learn", "No inspection ended in this time")
	d.get("/learn.csv?table=rates").wants(t, 200, "", "Organism,Inspections with it")
	for _, tt := range []struct {
		name, query string
		status      int
		says        []string
	}{
		{"no day", "from=yesterday", 422, []string{"This is not a day: write it like 2026-03-31.", `value="yesterday"`, "Shown is the last half year."}},
		{"two that are none", "from=x&to=2026-02-30", 422, []string{`id="from-error"`, `id="to-error"`}},
		{"turned round", "from=2026-05-01&to=2026-04-01", 422, []string{"The last day is before the first"}},
		{"too long", "from=2001-01-01&to=2026-04-01", 422, []string{"more than 3,660 days"}},
		{"before calendars", "from=0001-01-01", 422, []string{"This is not a day"}},
		{"unknown choices are the usual ones", "by=colour&least=high&span=day", 200, []string{`value="organism" selected`, `value="reject" selected`, `value="week" selected`}},
		{"one day", "from=2026-04-01&to=2026-04-01", 200, []string{`value="2026-04-01"`}},
	} {
		t.Run(tt.name, func(t *testing.T) { d.get("/learn?"+tt.query).wants(t, tt.status, "", tt.says...) })
	}
	d.get("/learn.csv?table=rates&from=x").wants(t, 422, "", "This is not a day")
	for _, s := range shouts {
		harmless(t, d.get("/learn?"+url.Values{"from": {s}, "by": {s}, "to": {s}}.Encode()))
	}
}

func TestLearnFromOneInspection(t *testing.T) {
	d := newDesk(t)
	if _, err := demo.Fill(context.Background(), d.store, noon); err != nil {
		t.Fatal(err)
	}
	// Of the demo's morning one was rejected.
	rounds, err := d.store.History(context.Background(), noon.AddDate(0, -1, 0), noon.AddDate(0, 0, 1))
	if err != nil || len(rounds) != 3 {
		t.Fatalf("%d rounds, %v, want the three of the demo", len(rounds), err)
	}
	d.get("/learn").wants(t, 200, "/learn", "These are small numbers.", "No limits are drawn: there is too little to base them on.",
		"They need 6 weeks or months with inspections, and 30 inspections in all. Here are 1 and 3.", "No sum is drawn", "Soil", "I don&#39;t know")
}

func TestLearn(t *testing.T) {
	d := newDesk(t)
	weeks := 9
	if os.Getenv("LASTLOOK_SHOTS") != "" {
		weeks = 25 // half a year, to look at
	}
	d.past(weeks)
	page := d.get("/learn")
	page.wants(t, 200, "/learn", "Rejected or stopped, over time", "Do finds become more or fewer?", "Finds for 1 000 units looked at", "Why inspections did not pass",
		"Minutes a package takes", "Windows that ran out", "Two-spotted spider mite", `role="img"`, "All of it is invented.")
	// The mites of the last weeks are seen, with where to look and without blame.
	if !regexp.MustCompile(`More is found than usual, since about the week of [^;]+; by the week of`).MatchString(page.body) || !strings.Contains(page.body, "Look first at: Two-spotted spider mite") || !strings.Contains(page.body, "bay B4") || !strings.Contains(page.body, "nothing about who was at the bench") {
		t.Error("the mites of the last weeks give no signal that says where to look")
	}
	for _, name := range []string{"Ida Fenn", "Tam Orrin"} {
		if strings.Contains(page.body, name) {
			t.Errorf("the page names %s", name)
		}
	}
	rounds, err := d.store.History(context.Background(), noon.AddDate(0, -6, 0), noon.AddDate(0, 0, 1))
	if err != nil {
		t.Fatal(err)
	}
	read := func(query string) [][]string {
		t.Helper()
		a := d.get("/learn.csv?" + query)
		a.wants(t, 200, "")
		if got := a.header.Get("Content-Type"); got != "text/csv; charset=utf-8" {
			t.Errorf("Content-Type = %q", got)
		}
		rows, err := csv.NewReader(strings.NewReader(a.body)).ReadAll()
		if err != nil || len(rows) < 2 {
			t.Fatalf("%s: %d rows, %v", query, len(rows), err)
		}
		return rows
	}
	inspections := 0
	for _, r := range read("table=rejected")[1:] {
		var n int
		fmt.Sscan(r[1], &n)
		inspections += n
	}
	if inspections != len(rounds) {
		t.Errorf("the chart's table has %d inspections, want %d", inspections, len(rounds))
	}
	for by, want := range map[learn.Group]string{learn.ByOrganism: "Two-spotted spider mite", learn.ByCrop: "Lavandula", learn.ByBay: "B4", learn.ByMonth: "2026"} {
		if got := fmt.Sprint(read("table=rates&least=note&by=" + string(by))); !strings.Contains(got, want) {
			t.Errorf("rates by %s lack %q: %s", by, want, got)
		}
		d.get("/learn?span=month&by="+string(by)).wants(t, 200, "", want)
	}
	lapses := 0
	for _, r := range rounds {
		if r.Lapsed(noon) != learn.NoLapse {
			lapses++
		}
	}
	if got := len(read("table=lapses")) - 1; got != lapses || lapses == 0 {
		t.Errorf("%d windows that ran out, want %d, and some", got, lapses)
	}
	read("table=causes")
	read("table=packages")
	read("table=finds")
	d.get("/learn.csv?table=people").wants(t, 404, "", "There is no such table")
	// What people wrote is no formula to a spreadsheet.
	if got := inert("=1+1"); got != "'=1+1" {
		t.Errorf("inert = %q", got)
	}
	d.get("/learn?from=2020-01-01&to=2020-02-01").wants(t, 200, "", "No inspection ended in this time")

	t.Run("browser", func(t *testing.T) {
		b := browsertest.New(t)
		shots := os.Getenv("LASTLOOK_SHOTS")
		b.Open(d.url + "/learn")
		for _, v := range b.Axe() {
			t.Errorf("axe: %s", v)
		}
		for _, size := range sizes {
			b.Size(size.width, size.height)
			if wide := browsertest.Eval[[]string](b, tooWide); len(wide) > 0 {
				t.Errorf("at %s: wider than the window: %q", size.name, wide)
			}
			if small := browsertest.Eval[[]string](b, tooSmall); len(small) > 0 {
				t.Errorf("at %s: smaller than 64 px: %q", size.name, small)
			}
			if shots != "" {
				b.FullShot(filepath.Join(shots, "learn-"+size.name+".png"))
			}
		}
		if f := b.Faults(); len(f) > 0 {
			t.Errorf("the page complained: %q", f)
		}
	})
}

// A crop's name that is a formula is made harmless on its way into a spreadsheet.
func TestLearnCSVIsInert(t *testing.T) {
	d := newDesk(t)
	made, err := demo.Fill(context.Background(), d.store, noon)
	if err != nil {
		t.Fatal(err)
	}
	tam := made.People[demo.Tam]
	actor := consignment.Actor{ID: tam.ID, Name: tam.Name, Roles: tam.Roles}
	taken, err := d.store.Register(context.Background(), actor, "office", []consignment.Registered{{
		Number: "X-1", Customer: "Bracken & Co", Destination: "Eastmoor", DispatchAt: noon.Add(30 * time.Hour), Fingerprint: "x",
		Lines: []consignment.Line{{Crop: "=HYPERLINK(1)", Packages: 1, UnitsPerPackage: 1}},
	}}, nil)
	if err != nil || taken[0].Refused != nil {
		t.Fatal(err, taken)
	}
	rules := consignment.DefaultRules()
	before := consignment.CheckBench{Rules: rules}
	for _, it := range rules.Before {
		before.Yes = append(before.Yes, it.ID)
	}
	for _, cmd := range []consignment.Command{
		consignment.PrintLabels{Sheet: "a4", From: 1, To: 1}, before, consignment.Seal{Counted: 1, Rules: rules}, consignment.Fetch{Package: 1}, consignment.Open{Package: 1},
		consignment.LookPackage{Package: 1}, consignment.CountUnits{Package: 1, Units: 1},
		consignment.RecordFind{Facts: consignment.FindFacts{Package: 1, Unit: 1, Part: consignment.PartStem, What: consignment.Suspect, Units: 1, Alive: consignment.NotTold, Method: consignment.ByEye}},
	} {
		if _, err := d.store.Do(context.Background(), store.Step{Code: taken[0].Code, Actor: actor, Bench: "bench 7", Command: cmd}); err != nil && say.CodeOf(err) != say.Illegal {
			t.Fatalf("%T: %v", cmd, err)
		}
	}
	d.get("/learn.csv?table=rates&by=crop").wants(t, 200, "", "'=HYPERLINK(1)")
	if a := d.get("/learn?by=crop"); !strings.Contains(a.body, ">=HYPERLINK(1)<") {
		t.Error("on the page the crop is not called what it is called")
	}
}

func TestLearnIsSaidAndPlain(t *testing.T) {
	d := newDesk(t, pseudo)
	check := func(path string) {
		for _, s := range append(unsaid(d.get(path).body), needsScript(d.get(path).body)...) {
			t.Errorf("%s: %s", path, s)
		}
	}
	check("/learn")
	check("/learn?from=x")
	d.past(9)
	for _, g := range learn.Groups {
		check("/learn?least=note&by=" + string(g))
	}
	check("/learn?span=month")
}
