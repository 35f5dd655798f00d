package kiosk

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"lastlook/internal/browsertest"
	"lastlook/internal/code"
	"lastlook/internal/consignment"
	"lastlook/internal/handtest"
	"lastlook/internal/people"
	"lastlook/internal/store"
)

// testBench is a whole kiosk over a real data file.
type testBench struct {
	t      testing.TB
	store  *store.Store
	url    string
	codes  map[string]string // consignment number to code
	ids    map[string]string // person's name to badge payload
	badges map[string]string // by name
}

// mixed is the third consignment: three crop lines of invented data.
func testOrders(now time.Time) []consignment.Registered {
	line := func(crop, batch, bay string, packages, units int) consignment.Line {
		return consignment.Line{Crop: crop, Batch: batch, Bay: bay, Packages: packages, UnitsPerPackage: units}
	}
	at := now.Add(6 * time.Hour)
	return []consignment.Registered{
		{Number: "K-2041", Customer: "Two Wells Nursery (invented)", Destination: "Eastmoor", DispatchAt: at, Lines: []consignment.Line{line("Lavandula", "L-26-11", "B4", 240, 12)}},
		{Number: "K-2038", Customer: "Tolver Parks (invented)", Destination: "Marrow Island", DispatchAt: at.Add(time.Hour), Lines: []consignment.Line{line("Camellia", "C-26-02", "A1", 2, 3)}},
		{Number: "K-2036", Customer: "Two Wells Nursery (invented)", Destination: "Eastmoor", DispatchAt: at.Add(2 * time.Hour), Lines: []consignment.Line{
			line("Salvia", "S-1", "C1", 18, 6), line("Hebe", "H-2", "C2", 12, 6), line("Rosmarinus", "R-3", "C3", 6, 6)}},
	}
}

func newTestBench(t testing.TB) *testBench {
	t.Helper()
	ctx := context.Background()
	s, err := store.Open(ctx, t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	tb := &testBench{t: t, store: s, codes: map[string]string{}, ids: map[string]string{}, badges: map[string]string{}}
	office := consignment.Actor{ID: "office", Name: "office"}
	for _, p := range []people.Join{
		{Name: "Ida Fenn", Roles: []string{people.Supervisor, people.Inspector}},
		{Name: "Tam Orrin", Roles: []string{people.Inspector}},
	} {
		r, err := s.DoPeople(ctx, office, "office", "", p)
		if err != nil {
			t.Fatal(err)
		}
		tb.ids[p.Name], tb.badges[p.Name] = r.People[len(r.People)-1].ID, r.People[len(r.People)-1].Badge
	}
	taken, err := s.Register(ctx, office, "office", testOrders(time.Now()), nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, tk := range taken {
		tb.codes[tk.Number] = tk.Code
	}
	h, err := New(Config{Store: s, Bench: "bench 1", Demo: true, Version: "test", Log: slog.New(slog.NewTextHandler(io.Discard, nil))})
	if err != nil {
		t.Fatal(err)
	}
	srv := httptest.NewServer(h)
	t.Cleanup(srv.Close)
	tb.url = srv.URL
	return tb
}

// state reads a consignment by its number.
func (tb *testBench) state(number string) *consignment.State {
	tb.t.Helper()
	st, err := tb.store.Consignment(context.Background(), tb.codes[number])
	if err != nil {
		tb.t.Fatal(err)
	}
	return st
}

// hand is an inspector at the test bench: everything goes through the browser.
type hand struct {
	*handtest.Hand
	t  testing.TB
	tb *testBench
}

func newHand(t testing.TB, tb *testBench) *hand {
	t.Helper()
	return &hand{Hand: handtest.New(t, tb.url+"/"), t: t, tb: tb}
}

func (h *hand) badge(name string) {
	h.t.Helper()
	b, err := code.New(code.KindBadge, h.tb.badges[name])
	if err != nil {
		h.t.Fatal(err)
	}
	h.Answered(b.String(), "right", name)
}

func (h *hand) pkg(number string, n int) string {
	return code.Package(h.tb.codes[number], n).String()
}

// toDraw takes a consignment from the board to its draw.
func (h *hand) toDraw(number string, count int) {
	h.t.Helper()
	c := h.tb.codes[number]
	if _, err := h.tb.store.Do(context.Background(), store.Step{Code: c, Actor: consignment.Actor{ID: "office", Name: "office"}, Bench: "office",
		Command: consignment.PrintLabels{Sheet: "a4", From: 1, To: count}}); err != nil {
		h.t.Fatal(err)
	}
	h.Answered(code.Consignment(c).String(), "right", number)
	h.On("Is the bench fit for use?")
	h.See("check")
	h.Press("The bench is checked") // nothing answered: refused
	h.Wait(`document.querySelector(".field-error")`)
	h.AllYes()
	h.Press("The bench is checked")
	h.On("How many packages stand here?")
	h.See("seal")
	h.Fill("counted", itoa(count-1))
	h.Press("Seal and draw")
	h.Wait(`document.querySelector("#page .field-error")?.innerText.includes("count again")`)
	h.Fill("counted", itoa(count))
	h.Press("Seal and draw")
	h.On("Fetch these")
}

func TestOneConsignmentPasses(t *testing.T) {
	tb := newTestBench(t)
	h := newHand(t, tb)
	h.See("due")
	h.Answered(code.Consignment(tb.codes["K-2038"]).String(), "right", "K-2038")
	h.Wait(`location.pathname.startsWith("/who") || location.pathname.endsWith("/labels")`)
	h.badge("Tam Orrin")
	h.toDraw("K-2038", 2)
	h.See("fetch")

	h.Answered(h.pkg("K-2041", 17), "wrong", "Another consignment")
	h.See("other-consignment")
	h.Answered("NOT A CODE", "wrong", "")
	h.See("unknown-code")
	h.Answered(h.pkg("K-2038", 1), "right", "Package 001: right.")
	h.See("right-package")
	h.Answered(h.pkg("K-2038", 1), "note", "here already")
	h.Answered(h.pkg("K-2038", 2), "right", "2 of 2 fetched")
	h.On("All 2 are here")
	h.Answered(h.pkg("K-2038", 2), "right", "Package 002 is open.")
	h.On("Is the empty package clean?")
	h.See("empty-package")

	clean, next := code.Card(code.Clean).String(), code.Card(code.Next).String()
	h.Answered(next, "wrong", "does not fit here")
	h.Answered(clean, "right", "empty package is clean")
	h.On("How many units are in it?")
	h.See("count")
	h.Fill("units", "3")
	h.Press("That many")
	h.On("Is unit 1 clean?")
	h.See("unit")
	// Two scans in quick succession are both kept, in order.
	h.Scan(clean)
	h.Scan(clean)
	h.On("Is unit 3 clean?")
	h.Keys("c") // one key
	h.On("Did you make every look")
	h.See("looks")
	h.AllYes()
	h.Choose("look_flowers", "no")
	h.Press("The looks are made")
	h.On("Put all 3 units back")
	h.See("close")
	h.Answered(h.pkg("K-2038", 2), "right", "Package 002 is closed.")
	h.On("Open package 001")
	h.Press("It is open")
	h.On("Is the empty package clean?")
	h.Press("The package is clean")
	h.On("How many units")
	h.Press("That many")
	h.On("Is unit 1 clean?")
	h.Press("Clean")
	h.On("Is unit 2 clean?")

	// A wrong tap is taken back, and stays on record as taken back.
	h.Press("Undo")
	h.On("Take this back?")
	h.See("undo")
	h.Press("Take it back")
	h.On("Is unit 1 clean?")

	// A note does not stand in the way of a pass.
	h.Press("Find")
	h.On("Where is it?")
	h.See("find-where")
	h.Choose("part", "leaf_upper")
	h.Press("Go on")
	h.On("What is it?")
	h.See("find-what")
	h.Press("Damage")
	h.On("how does it look?")
	h.See("find-how")
	h.Choose("alive", "no")
	h.Press("Go on")
	h.On("Write it down and carry on")
	h.See("find-decide")
	h.Press("Record")
	h.On("Is unit 2 clean?")
	h.Fill("count", "1")
	h.Press("All these are clean")
	h.Wait(`document.querySelector("#page .field-error")?.innerText.includes("2 are left")`)
	h.Fill("count", "2")
	h.Press("All these are clean")
	h.On("Did you make every look")
	h.AllYes()
	h.Press("The looks are made")
	h.On("Put all 3 units back")
	h.Press("It is closed")
	h.On("What is on the bench now?")
	h.See("check-after")
	h.AllYes()
	h.Press("The bench is checked")
	h.On("The outcome is: Passed")
	h.See("conclude")
	h.Press("End the round: Passed")
	h.Outcome("Passed")
	h.See("outcome")

	st := tb.state("K-2038")
	end := st.Round().Ended
	if end == nil || end.Outcome != consignment.Passed {
		t.Fatalf("round ended %+v, want passed", end)
	}
	if end.By.Name != "Tam Orrin" {
		t.Errorf("ended by %q, want Tam Orrin", end.By.Name)
	}
	undone := 0
	for _, rec := range st.History {
		if _, ok := rec.Event.(consignment.Amended); ok {
			undone++
		}
	}
	if undone != 1 || len(st.Round().Finds) != 1 {
		t.Errorf("%d amendments and %d finds on record, want one of each", undone, len(st.Round().Finds))
	}
	h.NoFaults()
}

func TestOneConsignmentIsRejected(t *testing.T) {
	tb := newTestBench(t)
	h := newHand(t, tb)
	h.badge("Tam Orrin")
	h.toDraw("K-2041", 240)
	h.See("fetch-five")
	drawn := tb.state("K-2041").Running().ToExamine()
	if len(drawn) != 5 {
		t.Fatalf("%d packages are drawn, want 5", len(drawn))
	}
	notDrawn := tb.state("K-2041").Running().Reserves[100]
	h.Answered(h.pkg("K-2041", notDrawn), "wrong", fmt.Sprintf("put %03d back, fetch %03d", notDrawn, drawn[0]))
	h.See("not-in-the-draw")
	h.Answered("P"+tb.codes["K-2041"]+"01700", "wrong", "") // check digits wrong
	h.See("bad-check-digits")

	// A package that cannot be reached is replaced by the next reserve.
	h.Open(tb.url + "/c/" + tb.codes["K-2041"] + "/replace/" + itoa(drawn[4]))
	h.See("replace")
	h.Press("Take the next reserve")
	h.Wait(`document.querySelector("#page .field-error")`)
	h.Choose("why", "buried")
	h.Press("Take the next reserve")
	h.On("Fetch these 5")
	rep := tb.state("K-2041").Running().Replacements
	if len(rep) != 1 || rep[0].Package != drawn[4] || rep[0].By != tb.state("K-2041").Round().Replacements[0].By {
		t.Fatalf("replacements %+v, want one for %d", rep, drawn[4])
	}
	h.Answered(h.pkg("K-2041", drawn[4]), "wrong", "was replaced")
	for _, n := range tb.state("K-2041").Running().ToExamine() {
		h.Answered(h.pkg("K-2041", n), "right", "right.")
	}
	first := tb.state("K-2041").Running().ToExamine()[0]
	h.Answered(h.pkg("K-2041", first), "right", "is open")
	h.Press("The package is clean")
	h.On("How many units")
	h.Press("That many")
	h.On("Is unit 1 clean?")

	// A second browser takes a step on the same consignment meanwhile.
	if _, err := tb.store.Do(context.Background(), store.Step{Code: tb.codes["K-2041"], Actor: consignment.Actor{ID: "X", Name: "Wilo Pasch"}, Bench: "bench 2",
		Command: consignment.CleanUnit{Package: first}}); err != nil {
		t.Fatal(err)
	}
	h.Press("Clean")
	h.Wait(`document.querySelector("#page .notice-wrong")?.innerText.includes("Wilo Pasch, bench 2")`)
	h.See("conflict")
	h.On("Is unit 2 clean?")

	// The ladder: a rung pressed begins a find that stands at least that high.
	h.Answered(code.Card(code.Find).String(), "right", "Find at unit 2")
	h.On("Where is it?")
	h.Choose("part", "growing_medium")
	h.Press("Go on")
	h.On("What is it?")
	h.Press("Soil")
	h.On("how does it look?")
	h.Choose("alive", "not_told")
	h.Fill("units", "2")
	h.Press("Go on")
	h.On("Reject the consignment")
	h.See("find-reject")
	h.Fill("note", `clay clod "as big as a pea" <b>`)
	h.Press("Record")
	h.On("Is unit 3 clean?")
	h.See("unit-after-reject")
	h.Press("Undo")
	h.On("Take this back?")
	h.Press("Take it back")
	h.Wait(`document.querySelector("#page .field-error")?.innerText.includes("only a supervisor")`)
	h.Press("Back: leave it")
	h.On("Is unit 3 clean?")
	h.Press("End the round now")
	h.On("The outcome is: Rejected")
	h.See("conclude-rejected")
	h.Press("End the round: Rejected")
	h.Outcome("Rejected")
	h.See("outcome-rejected")
	end := tb.state("K-2041").Round().Ended
	if end == nil || end.Outcome != consignment.Rejected {
		t.Fatalf("round ended %+v, want rejected", end)
	}
	f := tb.state("K-2041").Round().Finds
	if len(f) != 1 || f[0].Facts.Units != 2 || f[0].Facts.Note != `clay clod "as big as a pea" <b>` {
		t.Errorf("finds %+v, want one of two units with its note as written", f)
	}
	h.NoFaults()
}

func TestStopEndsAtOnce(t *testing.T) {
	tb := newTestBench(t)
	h := newHand(t, tb)
	h.badge("Tam Orrin")
	h.toDraw("K-2038", 2)
	for n := 1; n <= 2; n++ {
		h.Answered(h.pkg("K-2038", n), "right", "right.")
	}
	h.Answered(h.pkg("K-2038", 1), "right", "is open")
	h.Press("The package is clean")
	h.On("How many units")
	h.Press("That many")
	h.On("Is unit 1 clean?")
	h.Click("#page .rung-stop button")
	h.On("Stop the inspection?")
	h.See("stop-confirm")
	h.Press("Stop now")
	h.Outcome("Stopped")
	h.See("stopped")
	end := tb.state("K-2038").Round().Ended
	if end == nil || end.Outcome != consignment.Stopped {
		t.Fatalf("round ended %+v, want stopped", end)
	}
	h.Answered(h.pkg("K-2038", 2), "right", "Camellia") // leads to the outcome, takes no step
	h.On("Stopped")
}

// TestEveryPageWithoutScript walks a consignment with plain form posts.
func TestPagesAnswerPlainForms(t *testing.T) {
	tb := newTestBench(t)
	resp, err := http.Get(tb.url + "/c/" + tb.codes["K-2038"] + "/seal")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	if got := resp.Request.URL.Path; got != "/who" {
		t.Errorf("a step without a person leads to %s, want /who", got)
	}
}

// lookUp types words as a person does, sees the hits come while typing, and
// chooses one.
func (h *hand) lookUp(words, name string) {
	h.t.Helper()
	h.Press("Look it up")
	h.On("What do you see?")
	h.Click("#q")
	h.Type(words)
	h.chooseHit(name)
}

// chooseHit waits for a hit and chooses it.
func (h *hand) chooseHit(name string) {
	h.t.Helper()
	js := fmt.Sprintf(`[...document.querySelectorAll("#page .hit, #page .candidate")].find((e) => e.querySelector(".hit-name").innerText === %q)`, name)
	h.Wait(js)
	browsertest.Eval[bool](h.Browser, "("+js+".querySelector('.hit-choose .act').click(), true)")
}

// toUnits opens a package and counts its units.
func (h *hand) toUnits(number string, pkg int) {
	h.t.Helper()
	h.Answered(h.pkg(number, pkg), "right", "is open")
	h.Press("The package is clean")
	h.On("How many units")
	h.Press("That many")
	h.On("Is unit 1 clean?")
}

// TestReferenceDecidesFinds names what was found, and the reference turns it into a
// note, a reject, a sample and a stop.
func TestReferenceDecidesFinds(t *testing.T) {
	tb := newTestBench(t)
	h := newHand(t, tb)
	h.badge("Tam Orrin")
	h.toDraw("K-2038", 2) // to Marrow Island
	for n := 1; n <= 2; n++ {
		h.Answered(h.pkg("K-2038", n), "right", "right.")
	}
	h.toUnits("K-2038", 1)

	// Straight from the unit: alive, and yet no more than a note.
	h.lookUp("springtails", "Springtails")
	h.On("Where is it?")
	h.Choose("part", "growing_medium")
	h.Press("Go on")
	h.On("Springtails: how does it look?")
	h.Choose("alive", "yes")
	h.Press("Go on")
	h.On("Write it down and carry on")
	h.See("note-by-reference")
	h.Press("Record: Note")
	h.On("Is unit 2 clean?")

	// From the find screens, with the part carried over.
	h.Press("Find")
	h.On("Where is it?")
	h.Choose("part", "leaf_lower")
	h.Press("Go on")
	h.On("What is it?")
	h.lookUp("green peach aphid", "Green peach aphid")
	h.On("Green peach aphid: how does it look?")
	h.Choose("alive", "yes")
	h.Press("Go on")
	h.On("Reject the consignment")
	h.Press("Record: Reject")
	h.On("Is unit 3 clean?")

	h.Press("Find")
	h.On("Where is it?")
	h.Choose("part", "leaf_lower")
	h.Press("Go on")
	h.On("What is it?")
	h.lookUp("grey slug", "Slugs")
	h.On("Slugs: how does it look?")
	h.Choose("alive", "yes")
	h.Press("Go on")
	h.On("Collect a sample and hold")
	h.Press("Record: Sample")
	h.On("Take a sample")
	h.Press("Later: carry on examining")
	h.On("Did you make every look")
	h.AllYes()
	h.Press("The looks are made")
	h.On("Put the clean units back and close package 001") // those with a find stay apart
	h.Press("It is closed")
	h.On("The outcome is: Held") // it could end here; looking on shows how far it goes
	h.Answered(h.pkg("K-2038", 2), "right", "is open")
	h.On("Is the empty package clean?")

	// On the package itself no part is asked.
	h.lookUp("garden snail", "Garden snail")
	h.On("Garden snail: how does it look?")
	h.Choose("alive", "yes")
	h.Press("Go on")
	h.On("Stop and notify")
	h.Wait(`document.querySelector("#page .cautions")?.innerText.includes("gloves")`)
	h.See("stop-by-reference")
	h.Press("Record: Stop")
	h.Outcome("Stopped")
	h.Wait(`document.querySelector("#page .cautions")?.innerText.includes("gloves")`)
	h.See("stopped-by-reference")

	st := tb.state("K-2038")
	var got []string
	for _, f := range st.Round().Finds {
		if f.Facts.Entry == nil {
			t.Fatalf("find %+v has no entry", f.Facts)
		}
		got = append(got, fmt.Sprintf("%s %d %s %s %v", f.Facts.Entry.ID, f.Facts.Unit, f.Facts.Part, f.Facts.What, f.Rung))
	}
	want := []string{
		"springtails 1 growing_medium live_pest note", "green-peach-aphid 2 leaf_lower live_pest reject",
		"slug-grey-field 3 leaf_lower live_pest sample", "garden-snail 0 package live_pest stop",
	}
	if !slices.Equal(got, want) {
		t.Errorf("finds on record:\n%q, want\n%q", got, want)
	}
	if end := st.Round().Ended; end == nil || end.Outcome != consignment.Stopped {
		t.Errorf("round ended %+v, want stopped", end)
	}
	h.NoFaults()
}

// TestReferenceCardDuringExamination scans a printed card at a unit: it opens the
// entry, leads back to the same unit, and names a find there. Then the same by
// touching what is seen.
func TestReferenceCardDuringExamination(t *testing.T) {
	tb := newTestBench(t)
	h := newHand(t, tb)
	h.badge("Tam Orrin")
	h.toDraw("K-2038", 2)
	for n := 1; n <= 2; n++ {
		h.Answered(h.pkg("K-2038", n), "right", "right.")
	}
	h.toUnits("K-2038", 1)
	h.Press("Clean")
	h.On("Is unit 2 clean?")

	// The code is read from the card as it is printed.
	h.Open(tb.url + "/e/liverwort/card")
	card := strings.ReplaceAll(browsertest.Eval[string](h.Browser, `document.querySelector(".entry-card .barcode b").innerText`), " ", "")
	h.See("reference-card")
	h.Open(tb.url + packagePath(tb.codes["K-2038"], 1))
	h.On("Is unit 2 clean?")
	h.Answered(card, "right", "Liverwort")
	h.On("Liverwort")
	h.See("entry-at-unit")
	h.Press("Back to the unit")
	h.On("Is unit 2 clean?")

	// In the middle of a find the answers so far are kept, also while a word is
	// being typed: the scan goes into no field.
	h.Press("Find")
	h.On("Where is it?")
	h.Choose("part", "growing_medium")
	h.Press("Go on")
	h.On("What is it?")
	h.Press("Look it up")
	h.On("What do you see?")
	h.Click("#q")
	h.Answered(card, "right", "Liverwort")
	h.On("Liverwort")
	h.Press("It is this")
	h.On("Liverwort: how does it look?")
	h.Press("It is something else")
	h.On("What is it?")

	h.Press("Narrow it down")
	h.On("What is seen there?")
	h.See("narrow-seen")
	h.Press("Green film, moss or slime")
	h.Wait(`document.querySelectorAll("#page .given").length === 3`)
	h.See("narrow-next")
	h.chooseHit("Liverwort")
	h.On("Liverwort: how does it look?")
	h.Choose("alive", "yes")
	h.Press("Go on")
	h.On("Write it down and carry on")
	h.Press("Record: Note")
	h.On("Is unit 3 clean?")
	f := tb.state("K-2038").Running().Finds
	if len(f) != 1 || f[0].Facts.Unit != 2 || f[0].Facts.Part != consignment.PartMedium || f[0].Facts.What != consignment.Weed || f[0].Facts.Entry == nil || f[0].Facts.Entry.ID != "liverwort" {
		t.Errorf("finds %+v, want liverwort at unit 2, in the growing medium", f)
	}
	h.NoFaults()
}

// TestNothingFoundLeadsToASample looks up what no entry has.
func TestNothingFoundLeadsToASample(t *testing.T) {
	tb := newTestBench(t)
	h := newHand(t, tb)
	h.badge("Tam Orrin")
	h.toDraw("K-2038", 2)
	for n := 1; n <= 2; n++ {
		h.Answered(h.pkg("K-2038", n), "right", "right.")
	}
	h.toUnits("K-2038", 2)
	h.Press("Look it up")
	h.On("What do you see?")
	h.Click("#q")
	h.Type("qqqqqq")
	h.On("Nothing found")
	h.See("nothing-found")
	h.Press("Collect a sample")
	h.On("Where is it?")
	h.Choose("part", "stem")
	h.Press("Go on")
	h.On("I don't know: how does it look?")
	h.Choose("alive", "not_told")
	h.Press("Go on")
	h.On("Collect a sample and hold")
	h.Press("Record: Sample")
	h.On("Take a sample")
	h.Press("Later: carry on examining")
	h.On("Is unit 2 clean?")
	h.NoFaults()
}
