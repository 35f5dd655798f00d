package kiosk

import (
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"lastlook/internal/browsertest"
	"lastlook/internal/code"
	"lastlook/internal/consignment"
	"lastlook/internal/handtest"
	places "lastlook/internal/place"
	"lastlook/internal/sampling"
)

// clockDesk is a desk at the bench with a clock that goes on when told.
type clockDesk struct {
	*benchDesk
	ahead atomic.Int64
}

func newClockDesk(t testing.TB, tongues ...tongue) *clockDesk {
	t.Helper()
	d := &clockDesk{}
	d.benchDesk = newDeskAt(t, func() time.Time { return noon.Add(time.Duration(d.ahead.Load())) }, tongues...).atBench()
	return d
}

func (d *clockDesk) later(by time.Duration) { d.ahead.Add(int64(by)) }

// path is an address of the consignment.
func (d *benchDesk) path(number, end string) string { return "/c/" + d.codes[number] + end }

// find draws from a consignment and records a find in the first package opened.
func (d *benchDesk) find(number string, what consignment.What, alive consignment.Alive) (*consignment.State, int) {
	d.t.Helper()
	st := d.draw(number)
	ns := st.Running().ToExamine()
	for _, n := range ns {
		d.do(number, consignment.Fetch{Package: n})
	}
	pkg := ns[0]
	p, _ := st.Package(pkg)
	st = d.do(number, consignment.Open{Package: pkg}, consignment.LookPackage{Package: pkg}, consignment.CountUnits{Package: pkg, Units: p.CropLine.UnitsPerPackage},
		consignment.RecordFind{Facts: consignment.FindFacts{Package: pkg, Unit: 1, Part: consignment.PartStem, What: what, Units: 1, Alive: alive, Method: consignment.ByEye}})
	return st, pkg
}

// reject brings a consignment to a rejection.
func (d *benchDesk) reject(number string) (*consignment.State, int) {
	d.t.Helper()
	_, pkg := d.find(number, consignment.LivePest, consignment.AliveYes)
	return d.do(number, consignment.EndRound{}), pkg
}

// place puts a place on the list and gives it.
func (d *benchDesk) place(kind places.Kind, name string) places.Place {
	d.t.Helper()
	l, err := d.store.DoPlaces(d.t.Context(), consignment.Actor{ID: "x", Name: "x"}, "office", "", places.Make{Kind: kind, Name: name})
	if err != nil {
		d.t.Fatal(err)
	}
	return l.Places[len(l.Places)-1]
}

func (d *benchDesk) state(number string) *consignment.State {
	d.t.Helper()
	st, err := d.store.Consignment(d.t.Context(), d.codes[number])
	if err != nil {
		d.t.Fatal(err)
	}
	return st
}

func TestReadNumbers(t *testing.T) {
	for _, tt := range []struct {
		name, text string
		want       []int
		says       string
	}{
		{"nothing", " \n ", nil, ""},
		{"one", "7", []int{7}, ""},
		{"as on labels", "007, 036", []int{7, 36}, ""},
		{"ranges and single ones", "1-3, 35", []int{1, 2, 3, 35}, ""},
		{"dashes of all kinds", "1–2;3 — 4\n5 to 6", []int{1, 2, 3, 4, 5, 6}, ""},
		{"spaces alone", "4 2  2 9", []int{2, 4, 9}, ""},
		{"overlapping", "1-3,2-4", []int{1, 2, 3, 4}, ""},
		{"words", "all of them", nil, "“all” is not a package number"},
		{"nought", "0", nil, "There is no package 0: they are numbered 1 to 40."},
		{"too high", "38-41", nil, "There is no package 41"},
		{"far too high", "99999999999999999999", nil, "There is no package"},
		{"backwards", "20-10", nil, "“20-10” runs backwards"},
		{"negative", "-5", nil, "“-5” is not a package number"},
		{"three ends", "1-2-3", nil, "“1-2-3” is not a package number"},
		{"decimal", "1.5", nil, "“1.5” is not a package number"},
		{"markup", "<b>1</b>", nil, "not a package number"},
		{"again and again", strings.Repeat("1-40,", 9), nil, "again and again"},
		{"endless", strings.Repeat("1,", 4000), nil, "too long"},
		{"invisible", "1\u202e2", nil, "“12” is not a package number"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			got, refused := readNumbers(tt.text, "packages", 40)
			if tt.says == "" {
				if refused != nil || !slices.Equal(got, tt.want) {
					t.Errorf("readNumbers(%q) = %v, %v, want %v", tt.text, got, refused, tt.want)
				}
				return
			}
			if refused == nil || !strings.Contains(refused.Error(), tt.says) || refused.Field != "packages" {
				t.Errorf("readNumbers(%q) = %v, %v, want %q at the field", tt.text, got, refused, tt.says)
			}
		})
	}
}

// A package, then its place; or the place alone for all of it.
func TestPlaceByScan(t *testing.T) {
	d := newClockDesk(t)
	d.reject("K-2036")
	bay, bench := d.place(places.QuarantineBay, "Bay Q"), d.place(places.Bench, "Bench 7")
	shop, fridge, gone := d.place(places.PassedStore, "Cold store"), d.place(places.SampleStore, "Fridge"), d.place(places.QuarantineBay, "Old bay")
	if _, err := d.store.DoPlaces(t.Context(), consignment.Actor{ID: "x", Name: "x"}, "office", "", places.Retire{ID: gone.ID}); err != nil {
		t.Fatal(err)
	}
	where := d.path("K-2036", "/where")
	p3, doubt := where+"?p=3", where+"?p=3&doubt="
	pkg := func(number string, n int) string { return code.Package(d.codes[number], n).String() }
	at := func(p places.Place) string { return placeCode(p).String() }
	for _, tt := range []struct {
		name, at, code string
		tone           tone
		words, goes    string
	}{
		{"a package", where, pkg("K-2036", 3), toneRight, "Package 003: scan the place", p3},
		{"a store for passed goods", p3, at(shop), toneWrong, "Cold store is for goods that passed", ""},
		{"a place for samples", p3, at(fridge), toneWrong, "Fridge is for samples", ""},
		{"a place given up", p3, at(gone), toneWrong, "Old bay was given up", ""},
		{"a place of another site", p3, mustCode(t, code.KindLocation, "2222").String(), toneWrong, "No place here has this code", ""},
		{"its place", p3, at(bench), toneRight, "Package 003 is in Bench 7.", where},
		{"the same place", p3, at(bench), toneWrong, "stands in Bench 7 already", ""},
		{"another place at once", p3, at(bay), toneWrong, "it cannot be in two places", doubt + bay.ID},
		{"yet another place while in doubt", doubt + gone.ID, at(bay), toneWrong, "it cannot be in two places", doubt + bay.ID},
		{"the doubted place again", doubt + bay.ID, at(bay), toneRight, "Package 003 is in Bay Q.", where},
		{"a package of another consignment", where, pkg("K-2038", 1), toneNote, "Another consignment: K-2038", d.path("K-2038", "/where?p=1")},
		{"a number beyond the list", where, pkg("K-2036", 37), toneWrong, "There is no package 037", ""},
		{"a place on a page that asks for none", d.path("K-2036", "/detail/3"), at(bay), toneWrong, "does not ask for a place", ""},
		{"a place on the board", "/", at(bay), toneNote, "Bay Q", ""},
		{"all, a moment after one", d.path("K-2036", "/outcome"), at(bench), toneWrong, "Package 003 was put in Bay Q just now", where + "?doubt=" + bench.ID},
		{"all, on the consignment's page", d.path("K-2036", ""), at(bay), toneRight, "All of K-2036 is in Bay Q.", d.path("K-2036", "/outcome")},
	} {
		t.Run(tt.name, func(t *testing.T) {
			status, a := d.scan(tt.at, tt.code)
			if status != 200 || a.Tone != tt.tone || !strings.Contains(a.Text, tt.words) || a.Go != tt.goes {
				t.Errorf("scan at %s = %d %+v, want %s with %q leading to %q", tt.at, status, a, tt.tone, tt.words, tt.goes)
			}
		})
	}
	if got := d.state("K-2036").Standing(); got != consignment.StandIsolated {
		t.Fatalf("it stands as %s, want isolated", got)
	}
	d.get(where).wants(t, 200, where, "it is isolated", "Bay Q", "001–036", "What comes next")
	d.get(d.path("K-2036", "/outcome")).wants(t, 200, "", "Isolated")
	// A minute later nothing is doubted.
	d.later(2 * time.Minute)
	if _, a := d.scan(where+"?p=3", at(bench)); a.Tone != toneRight {
		t.Errorf("a move after two minutes: %+v", a)
	}
	d.get(where).wants(t, 200, where, "35 of 36 packages stand in a quarantine bay.")
}

func TestPlaceByHand(t *testing.T) {
	d := newClockDesk(t)
	d.reject("K-2036")
	where := d.path("K-2036", "/where")
	d.get(where).wants(t, 200, where, "No place is on the list yet", "never scanned to a place", "001–036")
	bay, bench := d.place(places.QuarantineBay, "Bay <Q>"), d.place(places.Bench, "Bench 7")
	form := func(pairs ...string) url.Values {
		v := url.Values{}
		for i := 0; i < len(pairs); i += 2 {
			v.Set(pairs[i], pairs[i+1])
		}
		return v
	}
	for _, tt := range []struct {
		name   string
		form   url.Values
		status int
		says   string
	}{
		{"no place", form("packages", "1-3"), 422, "Scan the place, or choose it from the list."},
		{"a place nobody knows", form("place", "ZZZZ"), 422, "choose a place of the list"},
		{"nonsense", form("place", bay.ID, "packages", "a few"), 422, "is not a package number"},
		{"beyond the list", form("place", bay.ID, "packages", "37"), 422, "There is no package 37"},
		{"some", form("place", bench.ID, "packages", "1-3, 35"), 200, "4 packages are in Bench 7."},
		{"at once elsewhere", form("place", bay.ID), 409, "it cannot be in two places"},
		{"sure of another", form("place", bay.ID, "doubt", bench.ID), 409, "press the button once more"},
		{"sure", form("place", bay.ID, "doubt", bay.ID), 200, "All of K-2036 is in Bay <Q>."},
		{"one", form("place", bench.ID, "p", "36", "doubt", bench.ID), 200, "Package 036 is in Bench 7."},
		{"one beyond", form("place", bench.ID, "p", "99"), 422, "99"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			a := d.post(where, tt.form)
			a.wants(t, tt.status, "", tt.says)
			harmless(t, a)
		})
	}
	// What was stopped is not moved by hand either.
	d.do("K-2036", consignment.CleanBench{Bench: "office", How: "swept"})
	d.find("K-2041", consignment.Suspect, consignment.NotTold)
	d.post(d.path("K-2041", "/where"), form("place", bay.ID)).wants(t, 409, "", "everything stays where it is")
}

func TestBenchIsCleaned(t *testing.T) {
	d := newClockDesk(t)
	d.reject("K-2036")
	clean := d.path("K-2036", "/clean")
	check := d.path("K-2041", "/check/before")
	// Another consignment at that bench: said before, and refused by the core.
	d.get(check).wants(t, 200, check, "office was used for K-2036 (Rejected) and is not clean yet", "Clean the bench after K-2036", clean+"?")
	form := url.Values{}
	for _, it := range d.store.Rules("").Before {
		form.Set("item_"+it.ID, "yes")
	}
	d.post(check, form).wants(t, 409, check, "is not clean yet", "Clean the bench after K-2036")
	d.get(clean+"?bench=office&back="+url.QueryEscape(check)).wants(t, 200, "", "Clean office", "Sweep bench and floor", `value="Ida Fenn"`)
	for _, tt := range []struct {
		name string
		form url.Values
		says string
	}{
		{"no way", url.Values{"bench": {"office"}, "who": {"Ida Fenn"}}, "Say how the bench was cleaned"},
		{"nobody", url.Values{"bench": {"office"}, "way": {"wiped"}, "who": {"  "}}, "Say who cleaned the bench."},
		{"another bench", url.Values{"bench": {"bench 9"}, "way": {"wiped"}, "who": {"Ida Fenn"}}, "bench 9 does not need cleaning"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			d.post(clean, tt.form).wants(t, 0+map[bool]int{true: 409, false: 422}[tt.name == "another bench"], clean, tt.says)
		})
	}
	for _, s := range shouts {
		harmless(t, d.post(clean, url.Values{"bench": {s}, "how": {s}, "who": {s}}))
	}
	d.post(clean, url.Values{"bench": {"office"}, "way": {"wiped", "waste"}, "how": {"70 % alcohol"}, "who": {"Bea Lund"}, "back": {check}}).
		wants(t, 200, check, "office is clean.", "Is the bench fit for use?")
	got := d.state("K-2036").Cleanings[0].How
	if want := "Swept, then wiped with sanitiser; Waste in a closed bag, thrown away; 70 % alcohol; cleaned by Bea Lund"; got != want {
		t.Errorf("kept %q, want %q", got, want)
	}
	d.get(clean).wants(t, 200, clean, "No bench is to be cleaned after K-2036")
	d.post(clean, url.Values{"bench": {"office"}, "way": {"wiped"}, "who": {"x"}}).wants(t, 409, clean, "does not need cleaning")
}

// A package already drawn is not opened at a bench that is not clean, and the
// screen says where to clean it.
func TestNothingIsOpenedAtAnUncleanBench(t *testing.T) {
	d := newClockDesk(t)
	st := d.draw("K-2041")
	n := st.Running().ToExamine()[0]
	d.do("K-2041", consignment.Fetch{Package: n})
	d.reject("K-2036")
	page := packagePath(d.codes["K-2041"], n)
	d.get(page).wants(t, 200, page, "is not clean yet", "Clean the bench after K-2036")
	d.post(page, url.Values{"act": {"open"}}).wants(t, 409, page, "is not clean yet", "Clean the bench after K-2036")
	d.do("K-2036", consignment.CleanBench{Bench: "office", How: "swept"})
	d.post(page, url.Values{"act": {"open"}}).wants(t, 200, page, "Is the empty package clean?")
}

func TestDetailedExamination(t *testing.T) {
	d := newClockDesk(t)
	detail := d.path("K-2036", "/detail")
	d.get(detail).wants(t, 409, "", "Only rejected goods are examined in detail")
	d.get(detail+"/1").wants(t, 409, "", "Only rejected goods are examined in detail")
	st, infested := d.reject("K-2036")
	plan, err := st.PlanOf(st.Round())
	if err != nil {
		t.Fatal(err)
	}
	n := len(plan.Packages)
	hit, _ := st.Package(infested)
	d.get(detail).wants(t, 200, detail, fmt.Sprintf("Examine these %d packages", n), hit.CropLine.Crop+" is affected", "1 of 1 looked at", "none looked at", "Take this plan")
	d.get(fmt.Sprintf("%s/%d", detail, infested)).wants(t, 200, "", "There is no plan yet")
	d.post(detail, url.Values{"do": {"plan"}}).wants(t, 200, detail, fmt.Sprintf("0 of %d packages examined", n), "Examine package "+pad(plan.Packages[0]))

	scan := func(m int, want tone, words, goes string) {
		t.Helper()
		if _, a := d.scan(detail, code.Package(st.Code, m).String()); a.Tone != want || !strings.Contains(a.Text, words) || a.Go != goes {
			t.Errorf("scan of %d: %+v, want %s %q", m, a, want, words)
		}
	}
	first := plan.Packages[0]
	page := fmt.Sprintf("%s/%d", detail, first)
	scan(first, toneRight, "count and look", page)
	d.get(detail+"/99").wants(t, 404, "", "There is no package 99")
	d.get(page).wants(t, 200, page, "What does package "+pad(first)+" show?", "I don't know", "Suspected quarantine pest")
	for _, tt := range []struct {
		name, units, affected, what, says string
		status                            int
	}{
		{"nothing", "", "", "", "not a whole number", 422},
		{"words", "six", "0", "", "not a whole number", 422},
		{"no unit", "0", "0", "", "0 units cannot be", 422},
		{"more than there are", "6", "7", "live_pest", "7 units affected cannot be", 422},
		{"less than none", "6", "-1", "", "units affected cannot be", 422},
		{"affected by nothing", "6", "2", "", "Say what is seen", 422},
		{"clean and not", "6", "0", "soil", "Say how many units show it.", 422},
		{"another world", "6", "1", "ghost", "Say what is seen", 422},
	} {
		t.Run(tt.name, func(t *testing.T) {
			d.post(page, url.Values{"units": {tt.units}, "affected": {tt.affected}, "what": {tt.what}}).wants(t, tt.status, page, tt.says)
		})
	}
	d.post(page, url.Values{"units": {"6"}, "affected": {"2"}, "what": {"live_pest"}, "note": {"<b>two</b> adults"}}).
		wants(t, 200, detail, fmt.Sprintf("Package %s: 2 of 6 units affected.", pad(first)), fmt.Sprintf("1 of %d packages examined", n), "2 of 6", "<b>two</b> adults")
	d.get(page).wants(t, 200, page, "It was examined already: 2 of 6 units affected.")

	// The plan is the supervisor's to change, with a reason.
	change := func(packages, reason string) url.Values {
		return url.Values{"do": {"change"}, "packages": {packages}, "reason": {reason}}
	}
	d.post(detail, change("1-2", "")).wants(t, 422, detail, "Say why the plan is changed.", `value="1-2"`)
	d.post(detail, change("everything", "x")).wants(t, 422, detail, "is not a package number")
	d.post(detail, change("37", "x")).wants(t, 422, detail, "There is no package 37")
	d.post(detail, change(fmt.Sprint(first), "the rest was destroyed")).wants(t, 200, detail, "The detailed examination is finished", "the rest was destroyed", "1 of 1 packages examined are infested")
	other := plan.Packages[1]
	scan(other, toneWrong, "is not in the plan", "")
	d.get(fmt.Sprintf("%s/%d", detail, other)).wants(t, 200, "", "is not in the plan")
	d.post(fmt.Sprintf("%s/%d", detail, other), url.Values{"units": {"3"}, "affected": {"0"}}).wants(t, 409, "", "is not in the plan")
	roster, err := d.store.Roster(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	d.signIn(roster.People[1])
	d.post(detail, change("1-2", "x")).wants(t, 403, detail, "only a supervisor changes its plan")
	d.signIn(roster.People[0])
	d.get(detail+"?round=2").wants(t, 404, "", "There is no round 2")

	// A suspect stops it.
	d.post(page, url.Values{"units": {"6"}, "affected": {"1"}, "what": {"suspect"}}).wants(t, 200, d.path("K-2036", "/outcome"), "Stopped")
	if got := d.state("K-2036").Standing(); got != consignment.StandStopped {
		t.Errorf("it stands as %s, want stopped", got)
	}
}

// Why so many, in words: all of what is affected, a sample of the rest.
func TestPlanWords(t *testing.T) {
	st := &consignment.State{Lines: []consignment.Line{{Crop: "Hebe", Packages: 4, UnitsPerPackage: 6}, {Crop: "Salvia", Packages: 100, UnitsPerPackage: 6}}}
	plan := consignment.DetailPlanned{Lines: []int{0}, Confidence: 95 * sampling.Percent, Detect: 5 * sampling.Percent, Packages: []int{1, 2, 3, 4}}
	// ISPM 31, Appendix 2: of 100, 5 % at 95 % confidence takes 45.
	for n := range 45 {
		plan.Packages = append(plan.Packages, 10+n)
	}
	plan.Rest = 45
	text := fmt.Sprint(planWords(st, plan))
	for _, want := range []string{"Hebe is affected: all 4 packages of it", "Of the other 100 packages 45 are examined: if 5 % of them or more are infested, at least one is found with 95 % confidence (hypergeometric, ISPM 31).", "nobody chooses them"} {
		if !strings.Contains(text, want) {
			t.Errorf("it says %q, without %q", text, want)
		}
	}
	plan.Rest = 100
	if text := fmt.Sprint(planWords(st, plan)); !strings.Contains(text, "All 100 packages of the other crop lines") {
		t.Errorf("all are examined: %q", text)
	}
	plan.Lines = nil
	if text := fmt.Sprint(planWords(st, plan)); !strings.Contains(text, "No crop line by itself is affected.") {
		t.Errorf("nothing is affected: %q", text)
	}
}

// treatForm is a record of an invented product as it should be typed.
func treatForm() url.Values {
	return url.Values{
		"kind": {"product"}, "target": {"thrips"}, "method": {"sprayed"}, "product": {"Morvane 20 (invented)"}, "active": {"morvanol"},
		"registration": {"X-1234"}, "batch": {"B7"}, "rate": {"2,5 L/ha"}, "volume": {"20 L"}, "operator": {"Tam Orrin"}, "licence": {"L-77"},
		"outdoors": {"no"}, "start": {"2026-03-11T12:25"}, "end": {"2026-03-11T13:00"}, "re_entry": {"12 h"}, "withholding": {"14 d"},
	}
}

func TestTreatmentRecord(t *testing.T) {
	d := newClockDesk(t)
	treat := d.path("K-2036", "/treat")
	d.get(treat).wants(t, 200, treat, "A treatment is recorded between inspections")
	d.reject("K-2036")
	d.later(time.Hour)
	d.get(treat).wants(t, 200, treat, "What kind of treatment was it?", "Plant protection product", "by a licensed person", "advises no product")
	d.get(treat+"?kind=product").wants(t, 200, "", "Registration number", "Re-entry interval", "Where was it done?")
	if a := d.get(treat + "?kind=pruning"); strings.Contains(a.text(), "Registration number") || !strings.Contains(a.text(), "Against what") {
		t.Errorf("pruning asks %.600q", a.text())
	}
	d.get(treat+"?kind=magic").wants(t, 200, "", "What kind of treatment was it?")
	for _, tt := range []struct{ name, field, value, says string }{
		{"no kind", "kind", "", "Say what kind of treatment it was."},
		{"ends before it starts", "start", "2026-03-11T13:10", "before it began"},
		{"still to come", "end", "2026-03-11T15:00", "still to come"},
		{"before the inspection", "start", "2026-03-10T12:25", "before the inspection it follows ended"},
		{"no start", "start", "", "Say when it began."},
		{"a time that is none", "start", "noon", "“noon” is not a date and time"},
		{"no rate", "rate", "", "The rate is missing"},
		{"rate without unit", "rate", "2.5", "“2.5” has no unit"},
		{"rate of two readings", "rate", "1,500 L/ha", "can be read in two ways"},
		{"rate of nothing", "rate", "0 L/ha", "is nothing"},
		{"an amount for a rate", "rate", "20 L", "does not fit here"},
		{"volume without unit", "volume", "20", "“20” has no unit"},
		{"no registration", "registration", " ", "The registration number is missing"},
		{"no active ingredient", "active", "", "Name the active ingredient"},
		{"no licence", "licence", "", "The licence of the operator is missing"},
		{"no operator", "operator", "", "Say who did it."},
		{"indoors or not", "outdoors", "", "Say whether it was done outdoors"},
		{"outdoors without weather", "outdoors", "yes", "say what the weather was"},
		{"re-entry without unit", "re_entry", "12", "“12” has no unit"},
		{"re-entry in litres", "re_entry", "12 L", "does not fit here"},
		{"negative withholding", "withholding", "-14 d", "is less than nothing"},
		{"withheld for ever", "withholding", "4000 d", "cannot be right"},
		{"packages that are nonsense", "packages", "some", "is not a package number"},
		{"packages beyond the list", "packages", "30-40", "There is no package 40"},
		{"markup", "rate", "<script>alert(1)</script>", "does not begin with a number"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			form := treatForm()
			form.Set(tt.field, tt.value)
			a := d.post(treat, form)
			a.wants(t, 422, treat, tt.says)
			harmless(t, a)
			if tt.field != "kind" && strings.Count(a.body, `class="field-error"`) != 1 {
				t.Errorf("the refusal is not at its field, once: %.900q", a.text())
			}
			if tt.field != "kind" && !strings.Contains(a.body, `value="Morvane 20 (invented)"`) {
				t.Error("what was typed is gone")
			}
		})
	}
	if n := len(d.state("K-2036").Treatments); n != 0 {
		t.Fatalf("%d treatments are on record", n)
	}
	// Shown once more, with another unit, before it is kept.
	a := d.post(treat, treatForm())
	a.wants(t, 200, treat, "Is this what was done?", "2.5\u00a0L/ha = 0.25\u00a0mL/m²", "20\u00a0L", "12:25 to 13:00 (35 min)", "ends Thu 01:00 (in 11 h 40)", "Keep this record")
	if n := len(d.state("K-2036").Treatments); n != 0 {
		t.Fatal("it was kept before anybody said so")
	}
	form := treatForm()
	form.Set("do", "edit")
	d.post(treat, form).wants(t, 200, treat, `value="2,5 L/ha"`, "Look at it once more")
	form.Set("do", "keep")
	form.Set("key", "the-treatment")
	d.post(treat, form).wants(t, 200, treat, "Kept: the treatment is on record.", "ends Thu 01:00 (in 11 h 40)")
	d.post(treat, form).wants(t, 200, treat)
	st := d.state("K-2036")
	if len(st.Treatments) != 1 || st.Treatments[0].Rate != "2.5 L/har" || !st.Treatments[0].ReEntry.Equal(time.Date(2026, 3, 12, 1, 0, 0, 0, time.UTC)) {
		t.Fatalf("on record: %+v", st.Treatments)
	}

	// Nobody inspects before re-entry has ended.
	d.do("K-2036", consignment.CleanBench{Bench: "office", How: "swept"})
	check := d.path("K-2036", "/check/before")
	d.get(check).wants(t, 200, check, "nobody handles them before Thu 01:00 (in 11 h 40)")
	form = url.Values{}
	for _, it := range d.store.Rules("").Before {
		form.Set("item_"+it.ID, "yes")
	}
	d.post(check, form).wants(t, 409, check, "nobody handles them before")
	d.later(12 * time.Hour)
	d.get(treat).wants(t, 200, treat, "ended 01:00")
	d.get(check).wants(t, 200, check, "Is the bench fit for use?")

	// A record is taken back by a supervisor, with a reason.
	one := treat + "/1"
	d.get(one).wants(t, 200, one, "Recorded by Ida Fenn", "Take this record back")
	d.post(one, url.Values{"reason": {" "}}).wants(t, 422, one, "Say why the step is taken back.")
	d.get(treat+"/2").wants(t, 404, "", "There is no treatment 2")
	roster, err := d.store.Roster(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	d.signIn(roster.People[1])
	d.get(one).wants(t, 200, one, "Only a supervisor takes a record back.")
	d.post(one, url.Values{"reason": {"typo"}}).wants(t, 403, one, "Only a supervisor takes back")
	d.signIn(roster.People[0])
	d.post(one, url.Values{"reason": {"wrong consignment"}}).wants(t, 200, treat, "Treatment 1 is taken back.", "No treatment is on record.")
	d.get(one).wants(t, 200, one, "It was taken back by Ida Fenn: wrong consignment")
	d.post(one, url.Values{"reason": {"again"}}).wants(t, 409, one, "taken back already")
}

func TestDoseWords(t *testing.T) {
	for kept, want := range map[string]string{
		"2.5 L/har": "2.5\u00a0L/ha = 0.25\u00a0mL/m²", "10 mL/L": "10\u00a0mL/L = 1\u00a0% v/v", "48 Cel": "48\u00a0°C = 118.4\u00a0°F",
		"118 [degF]": "118\u00a0°F ≈ 47.7778\u00a0°C", "30 g/m2": "30\u00a0g/m² = 300\u00a0kg/ha", "0.5 %": "0.5\u00a0%", "20 L": "20\u00a0L", "5 [gal_us]": "5\u00a0US gal = 18.92705892\u00a0L", "not a dose": "not a dose",
	} {
		if got := doseWords(kept).String(); got != want {
			t.Errorf("doseWords(%q) = %q, want %q", kept, got, want)
		}
	}
}

func TestDisposal(t *testing.T) {
	d := newClockDesk(t)
	_, infested := d.reject("K-2036")
	dispose := d.path("K-2036", "/dispose")
	good := func(pairs ...string) url.Values {
		v := url.Values{"extent": {"units"}, "units": {"2"}, "packages": {fmt.Sprint(infested)}, "why": {"burnt"}, "witness": {"Tam Orrin"}}
		for i := 0; i < len(pairs); i += 2 {
			v.Set(pairs[i], pairs[i+1])
		}
		return v
	}
	d.get(dispose).wants(t, 200, dispose, "What was destroyed?", "Infested: "+pad(infested), "set by local law")
	for _, tt := range []struct {
		name string
		form url.Values
		says string
	}{
		{"how much", good("extent", ""), "Say whether whole packages or units"},
		{"no packages", good("packages", ""), "Say which packages were disposed of."},
		{"nonsense", good("packages", "x"), "is not a package number"},
		{"beyond the list", good("packages", "37"), "There is no package 37"},
		{"no units", good("units", "0"), "0 units cannot be"},
		{"units in words", good("units", "two"), "not a whole number"},
		{"whole and units", good("extent", "whole"), "Either whole packages or units"},
		{"no way", good("why", ""), "Say how they were disposed of."},
		{"nobody saw it", good("witness", " "), "a disposal needs a witness"},
	} {
		t.Run(tt.name, func(t *testing.T) { d.post(dispose, tt.form).wants(t, 422, dispose, tt.says) })
	}
	for _, s := range shouts {
		harmless(t, d.post(dispose, good("packages", s, "witness", s, "reason", s)))
	}
	d.post(dispose, good()).wants(t, 200, dispose, "36 packages are left.", "2 units", "Bagged and burnt")
	d.post(dispose, good("extent", "whole", "units", "")).wants(t, 200, dispose, "35 packages are left.", "whole")
	if d.state("K-2036").Present(infested) {
		t.Error("a package destroyed is still on the list")
	}
	d.post(dispose, good("extent", "whole", "units", "")).wants(t, 409, dispose, "was taken out of K-2036")
}

// A consignment comes back with gaps in its numbers and packages more.
func TestComingBack(t *testing.T) {
	d := newClockDesk(t)
	list := d.path("K-2036", "/list")
	d.get(list).wants(t, 200, list, "It was not inspected yet")
	_, infested := d.reject("K-2036")
	gone := 2
	if infested == gone {
		gone = 3
	}
	form := func(pairs ...string) url.Values {
		v := url.Values{"reason": {"sorted anew"}}
		for i := 0; i < len(pairs); i += 2 {
			v.Set(pairs[i], pairs[i+1])
		}
		return v
	}
	d.get(list).wants(t, 200, list, "Which packages changed?", "numbered on from 037", "once the detailed examination is finished", "Infested: "+pad(infested))
	for _, tt := range []struct {
		name   string
		form   url.Values
		status int
		says   string
	}{
		{"nothing", form(), 422, "Say which packages were taken out, added or repacked."},
		{"no reason", form("removed", "2", "reason", ""), 422, "Say why the packages change."},
		{"nonsense", form("removed", "1-x"), 422, "is not a package number"},
		{"beyond the list", form("repacked", "37"), 422, "There is no package 37"},
		{"all of them", form("removed", "1-36"), 422, "A consignment needs at least one package."},
		{"out and repacked", form("removed", "2", "repacked", "2"), 422, "taken out and repacked at once"},
		{"infested too early", form("removed", fmt.Sprint(infested)), 409, "once the detailed examination"},
		{"added like nothing", form("count", "2"), 422, "Say which crop line the added packages are like."},
		{"added like another world", form("line", "9", "count", "2"), 422, "Say which crop line"},
		{"added none", form("line", "0", "count", "0"), 422, "0 packages cannot be added"},
		{"added in words", form("line", "0", "count", "two"), 422, "not a whole number"},
		{"added empty ones", form("line", "0", "count", "2", "units", "0"), 422, "0 units cannot be"},
		{"added without end", form("line", "0", "count", "100000"), 422, "more than one consignment may have"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			a := d.post(list, tt.form)
			a.wants(t, tt.status, list, tt.says)
			harmless(t, a)
		})
	}
	a := d.post(list, form("removed", fmt.Sprint(gone), "repacked", "30", "line", "1", "count", "2", "units", "8"))
	a.wants(t, 200, list, "K-2036 has 37 packages now.", "New: 037 to 038.", "Packages without a label: 037, 038", "labels?from=37&amp;to=38", "without "+pad(gone))
	d.post(list, form("removed", fmt.Sprint(gone))).wants(t, 409, list, "was taken out of K-2036")

	// Labels: the new ones alone, and none for a package that is gone.
	labels := d.path("K-2036", "/labels")
	d.get(labels+"?from=37&to=38").wants(t, 200, "", "package 37 (37 in all)")
	d.post(labels, url.Values{"sheet": {"a4"}, "from": {fmt.Sprint(gone)}, "to": {fmt.Sprint(gone)}, "reason": {"lost"}}).wants(t, 422, labels, "were taken out: there is no label to print")
	d.post(labels, url.Values{"sheet": {"a4"}, "from": {"37"}, "to": {"38"}}).wants(t, 200, "", "2 labels, 37 to 38")
	d.get(labels+"/"+fmt.Sprint(gone)).wants(t, 409, "", "it has no label any more")
	if a := d.get(list); strings.Contains(a.text(), "without a label") {
		t.Error("labels that were printed are asked for again")
	}
	d.get(d.path("K-2036", "/change")).wants(t, 200, "", "its packages keep their numbers")

	// The second round, over the screens up to the draw.
	d.do("K-2036", consignment.CleanBench{Bench: "office", How: "swept"})
	check := d.path("K-2036", "/check/before")
	answers := url.Values{}
	for _, it := range d.store.Rules("").Before {
		answers.Set("item_"+it.ID, "yes")
	}
	seal := d.path("K-2036", "/seal")
	d.post(check, answers).wants(t, 200, seal, "the list says 37", "Why is it inspected again?", list)
	d.post(seal, url.Values{"counted": {"38"}, "reason": {"sorted"}}).wants(t, 422, seal, "the list has 37")
	fetch := d.path("K-2036", "/fetch")
	d.post(seal, url.Values{"counted": {"37"}, "reason": {"sorted anew"}}).wants(t, 200, fetch, "Fetch these")
	d.get(fetch+"/list").wants(t, 200, "", "Fetch these")
	d.get(list).wants(t, 200, list, "The package list is sealed")
	if _, a := d.scan(fetch, code.Package(d.codes["K-2036"], gone).String()); a.Tone != toneWrong {
		t.Errorf("a package that is gone, at the second draw: %+v", a)
	}
	st := d.passRest("K-2036")
	if st.Standing() != consignment.StandPassed {
		t.Fatalf("it stands as %s, want passed", st.Standing())
	}
	// Both rounds stand on the consignment's page.
	page := d.get(d.path("K-2036", ""))
	page.wants(t, 200, "", "Inspections", "Rejected", "Passed", "sorted anew", "without "+pad(gone), "37 packages")
}

// big gives the label of the one big act of a page.
func (a reply) big(t testing.TB) string {
	t.Helper()
	_, main, _ := strings.Cut(a.body, "<main")
	main, _, _ = strings.Cut(main, "</main>")
	parts := strings.Split(main, `class="act act-big`)
	if len(parts) != 2 {
		t.Errorf("%s has %d big acts, want one", a.path, len(parts)-1)
		return ""
	}
	_, label, _ := strings.Cut(parts[1], `<span class="act-label">`)
	label, _, _ = strings.Cut(label, "</span>")
	return label
}

// What comes next after a rejection is the biggest thing, step by step.
func TestNextAfterRejection(t *testing.T) {
	d := newClockDesk(t)
	bay := d.place(places.QuarantineBay, "Bay Q")
	outcome := d.path("K-2038", "/outcome")
	next := func(want string) {
		t.Helper()
		if got := d.get(outcome).big(t); got != want {
			t.Errorf("the next act is %q, want %q", got, want)
		}
	}
	_, infested := d.reject("K-2038")
	next("Set it apart: where does it stand?")
	d.do("K-2038", consignment.Move{Place: placed(bay)})
	next("Clean the bench")
	d.do("K-2038", consignment.CleanBench{Bench: "office", How: "swept"})
	next("Examine in detail")
	d.do("K-2038", consignment.PlanDetail{})
	next("Examine in detail")
	d.do("K-2038", consignment.LookDetail{Package: infested, Units: 3, Affected: 1, What: consignment.LivePest}, consignment.LookDetail{Package: 3 - infested, Units: 3})
	next("Record a treatment")
	d.later(time.Hour)
	d.do("K-2038", consignment.Treat{Treated: consignment.Treated{Way: consignment.TreatWash, Target: "thrips", Method: "rinsed", Operator: "Tam Orrin", Start: noon.Add(time.Minute), End: noon.Add(20 * time.Minute)}, ReEntryAfter: 2 * time.Hour})
	next("It comes back: inspect again")
	d.get(outcome).wants(t, 200, outcome, "not before 14:40 (in 1 h 20)", "1 on record", "2 of 2 packages examined", "Print rejected marks")
}

// A round that only ran out of time has nothing to be put apart or treated for.
func TestNextAfterLapse(t *testing.T) {
	d := newClockDesk(t)
	d.draw("K-2038")
	r := d.state("K-2038").Running()
	for _, n := range r.ToExamine() {
		d.do("K-2038", consignment.Fetch{Package: n}, consignment.Open{Package: n}, consignment.LookPackage{Package: n}, consignment.CountUnits{Package: n, Units: 3},
			consignment.CleanRest{Package: n, Count: 3}, consignment.ConfirmLooks{Package: n, Made: r.Rules.Looks}, consignment.ClosePackage{Package: n})
	}
	d.later(73 * time.Hour)
	after := consignment.CheckBench{After: true, Rules: r.Rules}
	for _, it := range r.Rules.After {
		after.Yes = append(after.Yes, it.ID)
	}
	if st := d.do("K-2038", after, consignment.EndRound{}); st.Round().Ended.Outcome != consignment.Rejected {
		t.Fatalf("it ended %s", st.Round().Ended.Outcome)
	}
	if got := d.get(d.path("K-2038", "/outcome")).big(t); got != "It comes back: inspect again" {
		t.Errorf("the next act is %q", got)
	}
}

// followPages are the screens of this topic with something on them.
func (d *clockDesk) followPages() []struct{ name, path string } {
	d.place(places.QuarantineBay, "Bay Q")
	d.place(places.Bench, "Bench 7")
	_, infested := d.reject("K-2036")
	d.later(time.Hour)
	d.do("K-2036", consignment.PlanDetail{}, consignment.LookDetail{Package: infested, Units: 6, Affected: 2, What: consignment.LivePest, Note: "adults"},
		consignment.Treat{Treated: consignment.Treated{Way: consignment.TreatWash, Target: "thrips", Method: "rinsed", Operator: "Tam Orrin", Volume: "20 L", Packages: []int{1, 2}, Start: noon.Add(10 * time.Minute), End: noon.Add(20 * time.Minute)}, ReEntryAfter: 12 * time.Hour},
		consignment.Dispose{Disposed: consignment.Disposed{Packages: []int{infested}, Units: 2, Method: "burnt", Witness: "Ida Fenn"}},
		consignment.ChangeList{Added: []consignment.Line{{Crop: "Hebe", Batch: "H-2", Packages: 2, UnitsPerPackage: 6}}, Repacked: []int{3}, Reason: "two came new"})
	plan := d.state("K-2036").Round().Detail.Packages
	var pages []struct{ name, path string }
	for _, p := range [][2]string{
		{"where", "/where"}, {"where-one", "/where?p=3"}, {"clean", "/clean"}, {"detail", "/detail"}, {"detail-package", "/detail/" + itoa(plan[0])},
		{"detail-again", "/detail/" + itoa(infested)}, {"treat", "/treat"}, {"treat-product", "/treat?kind=product"}, {"treat-pruning", "/treat?kind=pruning"}, {"treatment", "/treat/1"},
		{"dispose", "/dispose"}, {"list", "/list"}, {"outcome", "/outcome"}, {"consignment", ""}, {"locked", "/check/before"},
	} {
		pages = append(pages, struct{ name, path string }{p[0], d.path("K-2036", p[1])})
	}
	return append(pages, struct{ name, path string }{"unclean", d.path("K-2041", "/check/before")})
}

func TestFollowPagesAreSaidAndPlain(t *testing.T) {
	d := newClockDesk(t, pseudo)
	check := func(name string, a reply) {
		t.Helper()
		for _, s := range append(unsaid(a.body), needsScript(a.body)...) {
			t.Errorf("%s: %s", name, s)
		}
	}
	for _, p := range d.followPages() {
		a := d.get(p.path)
		a.wants(t, 200, "")
		check(p.name, a)
		switch p.name {
		case "treat", "treatment": // kinds side by side; a page to read
		default:
			a.big(t)
		}
	}
	check("treat, once more", d.post(d.path("K-2036", "/treat"), treatForm()))
	for _, end := range []string{"/where", "/clean", "/treat", "/dispose", "/list"} {
		check("refused "+end, d.post(d.path("K-2036", end), url.Values{"packages": {"x"}, "removed": {"x"}, "kind": {"product"}}))
	}
}

// What follows a rejection, with scans: apart, clean, in detail, treated, refused
// before re-entry, changed, and passed in a second round.
func TestRejectedComesBackInBrowser(t *testing.T) {
	d := newClockDesk(t)
	bay := d.place(places.QuarantineBay, "Bay Q")
	h := handtest.New(t, d.url+"/")
	roster, err := d.store.Roster(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	c := d.codes["K-2038"]
	h.Answered(badgeCode(roster.People[0]).String(), "right", "Ida Fenn")
	_, infested := d.reject("K-2038")
	d.later(time.Hour)
	h.Answered(code.Consignment(c).String(), "right", "K-2038")
	h.Outcome("Rejected")
	h.See("rejected")
	h.Press("Set it apart")
	h.On("Where does it stand?")
	h.See("where")
	h.Answered(code.Package(c, 1).String(), "right", "Package 001: scan the place")
	h.On("Where does package 001 stand?")
	h.Answered(placeCode(bay).String(), "right", "Package 001 is in Bay Q.")
	h.On("Where does it stand?")
	h.Answered(placeCode(bay).String(), "right", "All of K-2038 is in Bay Q.")
	h.Outcome("Isolated")
	h.See("isolated")
	h.Press("Clean the bench")
	h.On("Clean office")
	h.Press("The bench is clean") // nothing said: refused
	h.Wait(`document.querySelector(".field-error")`)
	h.Choose("way", "wiped")
	h.See("clean")
	h.Press("The bench is clean")
	h.Outcome("Isolated")
	h.Press("Examine in detail")
	h.On("Examine these 2 packages")
	h.See("plan")
	h.Press("Take this plan")
	h.On("0 of 2 packages examined")
	for i, n := range []int{1, 2} {
		h.Answered(code.Package(c, n).String(), "right", "count and look")
		h.On(fmt.Sprintf("What does package %03d show?", n))
		h.Fill("units", "3")
		if n == infested {
			h.Fill("affected", "2")
			h.Choose("what", "live_pest")
		} else {
			h.Fill("affected", "0")
		}
		if i == 0 {
			h.See("detail-package")
		}
		h.Press("Keep it")
		h.On([]string{"1 of 2 packages examined", "The detailed examination is finished"}[i])
	}
	h.See("detail-done")
	h.Press("What comes next")
	h.Outcome("Isolated")
	h.Press("Record a treatment")
	h.On("What kind of treatment was it?")
	h.See("treat-kinds")
	h.Press("Plant protection product")
	h.On("Plant protection product")
	for name, values := range treatForm() {
		switch name {
		case "kind":
		case "outdoors":
			h.Choose(name, values[0])
		case "rate":
			h.Fill(name, "2.5")
		default:
			h.Fill(name, values[0])
		}
	}
	h.See("treat-fields")
	h.Press("Look at it once more")
	h.Wait(`document.querySelector(".field-error")?.innerText.includes("has no unit")`)
	h.See("treat-refused")
	h.Fill("rate", "2.5 L/ha")
	h.Press("Look at it once more")
	h.On("Is this what was done?")
	h.See("treat-sure")
	h.Press("Keep this record")
	h.On("What kind of treatment was it?")
	h.See("treated")
	h.Press("Back to the outcome")
	h.Outcome("Isolated")
	h.Press("It comes back")
	h.On("Not before")
	h.See("before-reentry")
	d.later(12 * time.Hour)
	h.Open(d.url + d.path("K-2038", "/list"))
	h.On("Which packages changed?")
	h.Fill("removed", fmt.Sprint(infested))
	browsertest.Eval[bool](h.Browser, `(document.querySelector('[name="line"]').value = "0", true)`)
	h.Fill("count", "1")
	h.Fill("reason", "the infested one was destroyed, one came new")
	h.Press("Change the list")
	h.Wait(`document.querySelector("#main").innerText.includes("Packages without a label: 003")`)
	h.See("list")
	h.Press("Print the labels of 003")
	h.On("Print the labels")
	h.See("new-label")
	h.Press("Make the labels")
	h.On("The labels are made")
	h.Open(d.url + d.path("K-2038", "/check/before"))
	h.On("Is the bench fit for use?")
	h.AllYes()
	h.Press("The bench is checked")
	h.On("How many packages stand here?")
	h.Fill("counted", "2")
	h.Fill("reason", "treated, one package replaced")
	h.See("seal-again")
	h.Press("Seal and draw")
	h.On("Fetch these 2 packages")
	h.Answered(code.Package(c, infested).String(), "wrong", "")
	h.Answered(code.Package(c, 3).String(), "right", "Package 003: right.")
	h.See("fetch-again")
	d.passRest("K-2038")
	h.Answered(code.Consignment(c).String(), "right", "K-2038")
	h.Outcome("Passed")
	h.Open(d.url + d.path("K-2038", ""))
	h.On("Consignment K-2038")
	h.See("rounds")
	h.NoFaults()
}

// passRest examines what was drawn and not examined yet, finds nothing, and ends the
// round.
func (d *benchDesk) passRest(number string) *consignment.State {
	d.t.Helper()
	st := d.state(number)
	r := st.Running()
	for _, n := range r.ToExamine() {
		p, _ := st.Package(n)
		if r.Exams[n].FetchedAt.IsZero() {
			d.do(number, consignment.Fetch{Package: n})
		}
		d.do(number, consignment.Open{Package: n}, consignment.LookPackage{Package: n},
			consignment.CountUnits{Package: n, Units: p.CropLine.UnitsPerPackage}, consignment.CleanRest{Package: n, Count: p.CropLine.UnitsPerPackage},
			consignment.ConfirmLooks{Package: n, Made: r.Rules.Looks}, consignment.ClosePackage{Package: n})
	}
	after := consignment.CheckBench{After: true, Rules: r.Rules}
	for _, it := range r.Rules.After {
		after.Yes = append(after.Yes, it.ID)
	}
	return d.do(number, after, consignment.EndRound{})
}

func TestFollowPagesInBrowser(t *testing.T) {
	b := browsertest.New(t)
	d := newClockDesk(t)
	pages := d.followPages()
	roster, err := d.store.Roster(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	b.Open(d.url + "/")
	browsertest.Eval[bool](b, fmt.Sprintf(`(document.cookie = "%s=%s; path=/", true)`, personCookie, roster.People[0].ID))
	shots := os.Getenv("LASTLOOK_SHOTS")
	for _, p := range pages {
		b.Open(d.url + p.path)
		for _, v := range b.Axe() {
			t.Errorf("%s: axe: %s", p.name, v)
		}
		for _, size := range sizes {
			b.Size(size.width, size.height)
			if wide := browsertest.Eval[[]string](b, tooWide); len(wide) > 0 {
				t.Errorf("%s at %s: wider than the window: %q", p.name, size.name, wide)
			}
			if small := browsertest.Eval[[]string](b, tooSmall); len(small) > 0 {
				t.Errorf("%s at %s: smaller than 64 px: %q", p.name, size.name, small)
			}
			if shots != "" {
				b.FullShot(filepath.Join(shots, fmt.Sprintf("follow-%s-%s.png", p.name, size.name)))
			}
		}
		b.Size(1280, 800)
	}
	if f := b.Faults(); len(f) > 0 {
		t.Errorf("the pages complained: %q", f)
	}
}
