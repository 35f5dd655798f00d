package kiosk

import (
	"context"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"lastlook/internal/browsertest"
	"lastlook/internal/consignment"
	"lastlook/internal/people"
	"lastlook/internal/rules"
	"lastlook/internal/sampling"
	"lastlook/internal/store"
)

// second puts a second supervisor on the list.
func (d *desk) second() people.Person {
	d.t.Helper()
	r, err := d.store.DoPeople(context.Background(), consignment.Actor{ID: "x", Name: "x"}, "office", "", people.Join{Name: "Wilo Pasch", Roles: []string{people.Supervisor}})
	if err != nil {
		d.t.Fatal(err)
	}
	return r.People[len(r.People)-1]
}

// change is the form of the rules as a browser would send it, with other values.
func (d *desk) change(to string, other url.Values) url.Values {
	d.t.Helper()
	a := d.get(newRulesPath(to))
	a.wants(d.t, 200, "")
	form := a.form(d.t, "/rules/new")
	form.Set("do", "preview")
	form.Del("key")
	for name, v := range other {
		form[name] = v
	}
	return form
}

// published sends a change, by way of its preview.
func (d *desk) published(to string, other url.Values) reply {
	d.t.Helper()
	a := d.post("/rules/new", d.change(to, other))
	a.wants(d.t, 200, "/rules/new", "What it comes to")
	form := a.form(d.t, "/rules/new")
	form.Set("do", "publish")
	return d.post("/rules/new", form)
}

// drawAt takes a consignment up to its draw, sealed at the screen, and gives how many
// packages are drawn.
func (d *desk) drawAt(code string) int {
	d.t.Helper()
	st, err := d.store.Consignment(context.Background(), code)
	if err != nil {
		d.t.Fatal(err)
	}
	r := d.store.Rules(st.Destination)
	check := consignment.CheckBench{Rules: r}
	for _, it := range r.Before {
		check.Yes = append(check.Yes, it.ID)
	}
	for _, c := range []consignment.Command{consignment.PrintLabels{Sheet: "a4", From: 1, To: st.Total()}, check} {
		if _, err := d.store.Do(context.Background(), store.Step{Code: code, Actor: consignment.Actor{ID: "x", Name: "x"}, Bench: "office", Command: c}); err != nil {
			d.t.Fatal(err)
		}
	}
	d.post("/c/"+code+"/seal", url.Values{"counted": {fmt.Sprint(st.Total())}})
	if st, err = d.store.Consignment(context.Background(), code); err != nil || st.Round() == nil {
		d.t.Fatalf("not sealed: %v", err)
	}
	return len(st.Round().Drawn)
}

func TestRulesByTwo(t *testing.T) {
	now := noon
	d := newDeskAt(t, func() time.Time { return now })
	staff := d.staff()
	wilo := d.second()
	codes := d.demoOrders()
	d.get("/office").wants(t, 200, "", "/rules")
	d.get("/rules").wants(t, 200, "/rules", "In force", "everywhere", "2 %, at least 3", "72 hours", "shipped")
	d.get("/rules/v/1").wants(t, 200, "", "No soil was left on the bench (no_soil): a No rejects", "changing the rules")

	five := url.Values{"rate": {"5"}, "reason": {"scale on lavender"}}
	preview := d.post("/rules/new", d.change("", five))
	preview.wants(t, 200, "/rules/new", "It takes two", "With these numbers, 240 packages need 12 (now 5).", "If all 12 are clean: an infestation of", "With these numbers, 3 packages need 3.",
		"5 % of the packages, rounded up", "2 % of the packages, rounded up", "scale on lavender", "at once")
	if d.store.Rules("").Version != 1 {
		t.Fatal("a preview changed the rules")
	}
	// Back to the form, everything is still there.
	form := preview.form(t, "/rules/new")
	form.Set("do", "edit")
	d.post("/rules/new", form).wants(t, 200, "/rules/new", `value="5"`, `value="scale on lavender"`)
	form.Set("do", "publish")
	p := d.post("/rules/new", form)
	p.wants(t, 200, "/rules/p/1", "It is proposed.", "another supervisor has to approve it", "240 packages need 12")
	d.post("/rules/new", form).wants(t, 200, "/rules/p/1") // the same form again
	d.get("/rules").wants(t, 200, "", "A change for everywhere waits for a second supervisor.")
	d.post("/rules/p/1", url.Values{"do": {"approve"}, "seen": {"1"}}).wants(t, 403, "/rules/p/1", "You proposed this yourself")
	d.post("/rules/new", d.change("", five)).wants(t, 409, "/rules/new", "A proposal by Ida Fenn waits")

	if n := d.drawAt(codes["K-2041"]); n != 5 {
		t.Errorf("before the approval %d are drawn, want 5", n)
	}
	d.signIn(staff["Tam Orrin"])
	d.get("/rules/p/1").wants(t, 200, "", "It waits for another supervisor than Ida Fenn.")
	d.post("/rules/p/1", url.Values{"do": {"approve"}, "seen": {"1"}}).wants(t, 403, "", "Only a supervisor")
	d.get("/rules/new").wants(t, 403, "", "Only a supervisor")
	d.get("/rules").wants(t, 200, "", "Only a supervisor can change the rules.")

	d.signIn(wilo)
	a := d.get("/rules/p/1")
	a.wants(t, 200, "", "Approve and publish", "240 packages need 12 (now 5)")
	yes := url.Values{"do": {"approve"}, "seen": {"1"}, "key": {"yes"}}
	d.post("/rules/p/1", yes).wants(t, 200, "/rules", "The rules are published.", "5 %, at least 3", "Ida Fenn, approved by Wilo Pasch")
	d.post("/rules/p/1", yes).wants(t, 200, "/rules") // the same form again
	d.post("/rules/p/1", url.Values{"do": {"approve"}, "seen": {"2"}}).wants(t, 409, "/rules/p/1", "Wilo Pasch approved it", "version 2")

	// Seen in the next draw, at the bench.
	st, err := d.store.Consignment(context.Background(), codes["K-2036"])
	if err != nil {
		t.Fatal(err)
	}
	want := max((5*st.Total()+99)/100, 3)
	d.get("/c/"+codes["K-2036"]+"/seal").wants(t, 200, "", fmt.Sprintf("%d of %d are drawn by chance", want, st.Total()))
	if n := d.drawAt(codes["K-2036"]); n != want {
		t.Errorf("%d of %d are drawn, want %d", n, st.Total(), want)
	}

	d.get("/rules/diff?from=1&to=2").wants(t, 200, "", "From version 1 to version 2", "5 % of the packages, rounded up")
	d.get("/rules/diff?from=2&to=2").wants(t, 200, "", "The two say the same.")
	for _, bad := range []string{"/rules/diff?from=1&to=9", "/rules/diff", "/rules/v/9", "/rules/v/x", "/rules/v/9/file", "/rules/p/9", "/rules/p/x"} {
		d.get(bad).wants(t, 404, "")
	}
	d.post("/rules/p/9", url.Values{"do": {"approve"}}).wants(t, 404, "")
	d.post("/rules/p/1", url.Values{"do": {"sell"}}).wants(t, 422, "", "do not know this step")
	d.post("/rules/new", url.Values{"do": {"sell"}}).wants(t, 422, "", "do not know this step")
}

func TestRulesWithdrawn(t *testing.T) {
	d := newDesk(t)
	staff := d.staff()
	wilo := d.second()
	d.published("Marrow Island", url.Values{"minimum": {"9"}, "reason": {"asked for"}}).wants(t, 200, "/rules/p/1", "Proposed rules for Marrow Island", "No consignment here goes to Marrow Island.")
	d.signIn(wilo)
	d.post("/rules/p/1", url.Values{"do": {"withdraw"}}).wants(t, 422, "/rules/p/1", "Say why: Ida Fenn made this proposal")
	d.post("/rules/p/1", url.Values{"do": {"withdraw"}, "reason": {"9 is too many"}}).wants(t, 200, "/rules", "The proposal is withdrawn.")
	d.get("/rules/p/1").wants(t, 200, "", "Wilo Pasch withdrew it", "9 is too many")
	d.signIn(staff["Ida Fenn"])
	d.post("/rules/p/1", url.Values{"do": {"approve"}, "seen": {"1"}}).wants(t, 409, "", "withdrew")
	d.published("Marrow Island", url.Values{"minimum": {"9"}, "reason": {"asked for"}}).wants(t, 200, "/rules/p/2")
	d.post("/rules/p/2", url.Values{"do": {"withdraw"}}).wants(t, 200, "/rules", "The proposal is withdrawn.")
	if d.store.Rules("Marrow Island").Version != 1 {
		t.Error("what was withdrawn counts")
	}
}

// One supervisor alone publishes, is told so, and can set a start; a destination gives
// its own rules up again.
func TestRulesAlone(t *testing.T) {
	now := noon
	d := newDeskAt(t, func() time.Time { return now })
	d.get("/rules/new").wants(t, 200, "/people")
	d.staff()
	d.post("/rules/new", d.change("", url.Values{"rate": {"5"}, "reason": {"x"}})).wants(t, 200, "/rules/new", "You publish it alone.", "You are the only supervisor on the list")
	d.published("", url.Values{"rate": {" 0,5 % "}, "reason": {"few pests"}}).wants(t, 200, "/rules", "The rules are published.", "0.5 %, at least 3", "Ida Fenn alone")
	d.published(" Salt  wick", url.Values{"minimum": {"10"}, "reason": {"asked for"}, "from": {now.Add(2 * time.Hour).Format(startFormat)}}).wants(t, 200, "/rules", "Coming", "Salt wick")
	if got := d.store.Rules("salt wick").Version; got != 2 {
		t.Errorf("before its start version %d counts", got)
	}
	d.post("/rules/new", d.change("Salt wick", url.Values{"minimum": {"11"}, "reason": {"x"}})).wants(t, 200, "", "Version 3 takes over on")
	now = now.Add(3 * time.Hour)
	if got := d.store.Rules("salt wick").Minimum; got != 10 {
		t.Errorf("after its start at least %d are examined, want 10", got)
	}
	d.post("/rules/new", d.change("", url.Values{"minimum": {"4"}, "reason": {"x"}})).wants(t, 200, "", "Salt wick has rules of its own, and keeps them.")
	a := d.post("/rules/new", d.change("Salt wick", url.Values{"do": {"follow"}, "reason": {"no more"}}))
	a.wants(t, 200, "/rules/new", "Salt wick gives up its own rules.", "With these numbers, 3 packages need 3.")
	form := a.form(t, "/rules/new")
	form.Set("do", "publish")
	d.post("/rules/new", form).wants(t, 200, "/rules", "as everywhere")
	if got := d.store.Rules("salt wick").Version; got != 2 {
		t.Errorf("after it gave up its own version %d counts, want 2", got)
	}
	d.get("/rules/v/4").wants(t, 200, "", "Salt wick has no rules of its own from then on")
	d.get("/rules/v/4/file").wants(t, 404, "")
	d.get("/rules/diff?from=3&to=4").wants(t, 200, "", "3 packages")

	// Somebody else was quicker.
	form = d.change("", url.Values{"rate": {"7"}, "reason": {"x"}})
	d.published("", url.Values{"rate": {"6"}, "reason": {"x"}}).wants(t, 200, "/rules")
	d.post("/rules/new", form).wants(t, 409, "/rules/new", "Version 5 was published since", `value="7"`)
}

func TestRulesRefused(t *testing.T) {
	d := newDesk(t)
	d.staff()
	for _, tt := range []struct {
		name, field, value, says string
	}{
		{"rate 0", "rate", "0", "examines nothing"},
		{"rate over all", "rate", "100.1", "more than all packages"},
		{"no rate", "rate", " ", "The rate is missing"},
		{"rate in words", "rate", "two", "is not a rate"},
		{"minimum 0", "minimum", "0", "unexamined"},
		{"minimum with a point", "minimum", "3.5", "not a whole number"},
		{"window below 0", "window_hours", "-1", "no time"},
		{"window too long", "window_hours", "745", "31 days"},
		{"window beyond numbers", "window_hours", "99999999999999999999", "not a whole number"},
		{"no looks", "looks", "", "No look is chosen"},
		{"no items", "before", " \n", "The list is empty"},
		{"item without words", "after", "no_soil: ! Soil\nno_weed:", "Line 2: there are no words behind no_weed"},
		{"id twice", "store", "a: x\na: y", "the id a stands on line 1"},
		{"capital in an id", "before", "Lit: it is lit", "is no id"},
		{"rejects before", "before", "lit: ! it is lit", "can reject"},
		{"confidence", "detail_confidence", "100", "out of reach"},
		{"level", "detail_detect", "0", "nothing to detect"},
		{"removal", "remove_infested", "sometimes", "Choose when"},
		{"seconds", "seconds_per_unit", "-5", "less than nothing"},
		{"retention", "retention_years", "-7", "keep no record"},
		{"duty", "two_people", "sweeping", "nothing that two people"},
		{"no date", "from", "tomorrow", "no date and time"},
		{"past", "from", noon.Add(-2 * time.Minute).Format(startFormat), "in the past"},
		{"far", "from", "2030-01-01 10:00", "more than a year"},
		{"no reason", "reason", "", "Say why the rules change"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			other := url.Values{"rate": {"5"}, "reason": {"because"}}
			other[tt.field] = []string{tt.value}
			if tt.value == "" {
				other[tt.field] = nil
			}
			a := d.post("/rules/new", d.change("", other))
			a.wants(t, 422, "/rules/new", tt.says, "Something below is not right yet.")
			if !strings.Contains(a.body, `id="`+tt.field+`-error"`) {
				t.Errorf("it is not said at the field %s", tt.field)
			}
			// A form that was made by hand skips no check.
			other.Set("do", "publish")
			d.post("/rules/new", d.change("", other)).wants(t, 422, "/rules/new", tt.says)
		})
	}
	d.post("/rules/new", d.change("", url.Values{"reason": {"x"}})).wants(t, 409, "/rules/new", "Nothing is changed yet")
	d.post("/rules/new", d.change("", url.Values{"for": {strings.Repeat("x", 121)}, "reason": {"x"}})).wants(t, 422, "/rules/new", "longer than 120")
	for _, s := range shouts {
		a := d.post("/rules/new", d.change("", url.Values{"for": {s}, "reason": {s}, "before": {"a: " + s}, "after": {s}, "from": {s}, "rate": {s}}))
		harmless(t, a)
		a = d.published(s, url.Values{"reason": {s}, "store": {"a: x " + s}})
		a.wants(t, 200, "/rules")
		harmless(t, a)
		harmless(t, d.get(fmt.Sprintf("/rules/v/%d", d.store.Rules(s).Version)))
	}
}

func TestRulesFile(t *testing.T) {
	d := newDesk(t)
	d.staff()
	d.published("", url.Values{"rate": {"5"}, "after": {"no_soil: ! No soil was left on the bench\n! Floor is swept"}, "reason": {"x"}}).wants(t, 200, "/rules")
	a := d.get("/rules/v/2/file")
	if a.status != 200 || !strings.Contains(a.header.Get("Content-Disposition"), "rules-2.json") || !strings.Contains(a.body, `"id": "floor_is_swept"`) {
		t.Fatalf("file: %d %v\n%s", a.status, a.header, a.body)
	}
	other := newDesk(t)
	other.staff()
	in := other.sendFile("/rules/import", "file", "rules.json", []byte(a.body), url.Values{"to": {"Eastmoor"}})
	in.wants(t, 200, "/rules/import", "This is what stands in the file.", "Rules for Eastmoor", "Floor is swept", `value="5"`)
	form := in.form(t, "/rules/new")
	form.Set("reason", "as at the other site")
	form.Set("do", "preview")
	in = other.post("/rules/new", form)
	in.wants(t, 200, "/rules/new", "What it comes to")
	form = in.form(t, "/rules/new")
	form.Set("do", "publish")
	other.post("/rules/new", form).wants(t, 200, "/rules", "Eastmoor")
	if got, want := other.store.Rules("Eastmoor"), d.store.Rules(""); !rules.Equal(got, want) || got.Rate != 5*sampling.Percent {
		t.Errorf("brought in: %+v\nwant %+v", got, want)
	}
	for _, tt := range []struct {
		name, file, says string
		status           int
	}{
		{"none", "", "No file came", 422},
		{"not whole", a.body[:40], "cannot be read from line", 422},
		{"not ours", `{"a":1}`, "which no rule set has", 422},
		{"unknown field", strings.Replace(a.body, `"rate"`, `"ratio"`, 1), "which no rule set has", 422},
		{"large", strings.Repeat(" ", rules.MaxFile+10), "larger than 256 kB", 422},
		{"values that cannot be", strings.Replace(a.body, `"minimum": 3`, `"minimum": 0`, 1), "unexamined", 422},
	} {
		t.Run(tt.name, func(t *testing.T) {
			name := "x.json"
			if tt.file == "" {
				name = ""
			}
			other.sendFile("/rules/import", "file", name, []byte(tt.file), url.Values{}).wants(t, tt.status, "/rules/import", tt.says)
		})
	}
}

// setRules makes two versions and a proposal, and gives the screens of it.
func (d *desk) setRules() []struct{ name, path string } {
	d.t.Helper()
	d.published("Eastmoor", url.Values{"rate": {"5"}, "reason": {"scale was found on lavender from the lower field"}})
	d.published("Saltwick", url.Values{"minimum": {"10"}, "reason": {"asked for there"}, "from": {noon.Add(48 * time.Hour).Format(startFormat)}})
	d.second()
	d.published("", url.Values{"rate": {"5"}, "after": {"no_soil: ! No soil was left on the bench\n! Floor is swept"}, "reason": {"two finds in a week"}}).wants(d.t, 200, "/rules/p/1")
	d.signIn(d.person("Wilo Pasch"))
	return []struct{ name, path string }{{"rules", "/rules"}, {"rules-new", "/rules/new?for=Eastmoor"}, {"rules-set", "/rules/v/2"}, {"rules-diff", "/rules/diff?from=1&to=2"}, {"rules-proposal", "/rules/p/1"}}
}

func TestRulesAreSaidAndPlain(t *testing.T) {
	d := newDesk(t, pseudo)
	check := func(name string, a reply) {
		for _, s := range append(unsaid(a.body), needsScript(a.body)...) {
			t.Errorf("%s: %s", name, s)
		}
	}
	check("nobody", d.get("/rules"))
	staff := d.staff()
	for _, p := range d.setRules() {
		a := d.get(p.path)
		a.wants(t, 200, "")
		check(p.name, a)
	}
	check("preview", d.post("/rules/new", d.change("Saltwick", url.Values{"rate": {"9"}, "reason": {"x"}})))
	check("refused", d.post("/rules/new", d.change("Saltwick", url.Values{"rate": {"0"}, "before": {"x"}, "from": {"y"}})))
	check("file refused", d.sendFile("/rules/import", "file", "x.json", []byte("{"), url.Values{}))
	d.signIn(staff["Ida Fenn"])
	check("proposed it", d.get("/rules/p/1"))
	d.post("/rules/p/1", url.Values{"do": {"withdraw"}, "reason": {"no"}})
	check("withdrawn", d.get("/rules/p/1"))
	d.signIn(staff["Tam Orrin"])
	check("inspector", d.get("/rules"))
}

func TestRulesInBrowser(t *testing.T) {
	b := browsertest.New(t)
	d := newDesk(t)
	d.withStaff(b, "/rules/new")
	shots := os.Getenv("LASTLOOK_SHOTS")
	look := func(name string) {
		for _, v := range b.Axe() {
			t.Errorf("%s: axe: %s", name, v)
		}
		for _, size := range sizes {
			b.Size(size.width, size.height)
			if wide := browsertest.Eval[[]string](b, tooWide); len(wide) > 0 {
				t.Errorf("%s at %s: wider than the window: %q", name, size.name, wide)
			}
			if shots != "" {
				b.FullShot(filepath.Join(shots, "office-"+name+"-"+size.name+".png"))
			}
		}
		b.Size(1280, 800)
	}
	// Made by hand: type, look at it, publish.
	b.Click(`[name="minimum"]`)
	b.Keys("\b\b")
	b.Type("12")
	b.Click(`[name="reason"]`)
	b.Type("scale on lavender")
	b.Click(`#main form .act-big`)
	b.Wait(`document.querySelector("#main .changes")`)
	look("rules-preview")
	b.Click(`#main form .act-big`)
	b.Wait(`location.pathname === "/rules"`)
	if got := d.store.Rules("").Minimum; got < 12 {
		t.Errorf("at least %d are examined, want what was typed", got)
	}
	for _, p := range d.setRules() {
		browsertest.Eval[bool](b, fmt.Sprintf(`(document.cookie = "%s=%s; path=/", true)`, personCookie, d.person("Wilo Pasch").ID))
		b.Open(d.url + p.path)
		look(p.name)
	}
	if f := b.Faults(); len(f) > 0 {
		t.Errorf("the pages complained: %q", f)
	}
}
