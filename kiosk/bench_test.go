package kiosk

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"testing"
	"time"

	"lastlook/internal/browsertest"
	"lastlook/internal/code"
	"lastlook/internal/consignment"
	"lastlook/internal/people"
	"lastlook/internal/store"
)

// testBench is a whole kiosk over a real data file.
type testBench struct {
	t     testing.TB
	store *store.Store
	url   string
	codes map[string]string // consignment number to code
	ids   map[string]string // person's name to badge payload
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
	tb := &testBench{t: t, store: s, codes: map[string]string{}, ids: map[string]string{}}
	office := consignment.Actor{ID: "office", Name: "office"}
	for _, p := range []people.Join{
		{Name: "Ida Fenn", Roles: []string{people.Supervisor, people.Inspector}},
		{Name: "Tam Orrin", Roles: []string{people.Inspector}},
	} {
		r, err := s.DoPeople(ctx, office, "office", "", p)
		if err != nil {
			t.Fatal(err)
		}
		tb.ids[p.Name] = r.People[len(r.People)-1].ID
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
	*browsertest.Browser
	t    testing.TB
	tb   *testBench
	shot int
}

func newHand(t testing.TB, tb *testBench) *hand {
	h := &hand{Browser: browsertest.New(t), t: t, tb: tb}
	h.Open(tb.url + "/")
	// The keys of a scan reach the browser one message at a time, which a loaded
	// machine delays far beyond what a scanner does.
	browsertest.Eval[bool](h.Browser, `(localStorage.setItem("lastlook.gap", "1500"), true)`)
	h.Open(tb.url + "/")
	return h
}

// see takes a picture of the screen when LASTLOOK_SHOTS names a folder.
func (h *hand) see(name string) {
	h.t.Helper()
	dir := os.Getenv("LASTLOOK_SHOTS")
	if dir == "" {
		return
	}
	h.shot++
	for _, size := range [][2]int64{{1280, 800}, {1024, 768}, {390, 844}} {
		h.Size(size[0], size[1])
		h.Shot(filepath.Join(dir, fmt.Sprintf("%s-%02d-%s-%d.png", h.t.Name(), h.shot, name, size[0])))
	}
	h.Size(1280, 800)
}

// scan scans and waits until the bench has answered with the given tone and words.
func (h *hand) scan(code, tone, words string) {
	h.t.Helper()
	browsertest.Eval[bool](h.Browser, `(document.getElementById("answer").hidden = true)`)
	h.Scan(code)
	h.Wait(fmt.Sprintf(`document.getElementById("answer").hidden === false && document.getElementById("answer").classList.contains("answer-%s") && document.getElementById("answer").innerText.includes(%q)`, tone, words))
	h.Wait(`document.getElementById("scans").dataset.state === "idle"`)
}

// on waits until the page's heading holds the words.
func (h *hand) on(words string) {
	h.t.Helper()
	h.Wait(fmt.Sprintf(`[...document.querySelectorAll("#page h1, #page h2")].some((e) => e.innerText.includes(%q))`, words))
}

// outcome waits for the stamped tag with the word.
func (h *hand) outcome(word string) {
	h.t.Helper()
	h.Wait(fmt.Sprintf(`document.querySelector("#page .outcome-word")?.innerText === %q`, word))
}

// press presses the act with the given label.
func (h *hand) press(label string) {
	h.t.Helper()
	js := fmt.Sprintf(`(() => { const e = [...document.querySelectorAll("#page .act, #page summary")].find((e) => (e.querySelector(".act-label") ?? e).innerText.trim().startsWith(%q)); if (!e) return false; e.click(); return true; })()`, label)
	if !browsertest.Eval[bool](h.Browser, js) {
		h.t.Fatalf("there is nothing to press called %q on this screen: %.400q", label, h.Text("#main"))
	}
}

// fill writes into a field at once, as a paste would.
func (h *hand) fill(name, value string) {
	h.t.Helper()
	browsertest.Eval[bool](h.Browser, fmt.Sprintf(`(document.querySelector('#page [name=%q]').value = %q, true)`, name, value))
}

// choose checks a radio of a form.
func (h *hand) choose(name, value string) {
	h.t.Helper()
	if !browsertest.Eval[bool](h.Browser, fmt.Sprintf(`(() => { const e = document.querySelector('#page input[name=%q][value=%q]'); if (!e) return false; e.click(); return true; })()`, name, value)) {
		h.t.Fatalf("no choice %s=%s on this screen: %.300q", name, value, h.Text("#main"))
	}
}

// allYes answers every line of a bench check with yes, but for those named.
func (h *hand) allYes(no ...string) {
	h.t.Helper()
	browsertest.Eval[bool](h.Browser, `(document.querySelectorAll('#page input[value="yes"]').forEach((e) => e.click()), true)`)
	for _, id := range no {
		h.choose("item_"+id, "no")
	}
}

func (h *hand) badge(name string) {
	h.t.Helper()
	b, err := code.New(code.KindBadge, h.tb.ids[name])
	if err != nil {
		h.t.Fatal(err)
	}
	h.scan(b.String(), "right", name)
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
	h.scan(code.Consignment(c).String(), "right", number)
	h.on("Is the bench fit for use?")
	h.see("check")
	h.press("The bench is checked") // nothing answered: refused
	h.Wait(`document.querySelector(".field-error")`)
	h.allYes()
	h.press("The bench is checked")
	h.on("How many packages stand here?")
	h.see("seal")
	h.fill("counted", itoa(count-1))
	h.press("Seal and draw")
	h.Wait(`document.querySelector("#page .field-error")?.innerText.includes("count again")`)
	h.fill("counted", itoa(count))
	h.press("Seal and draw")
	h.on("Fetch these")
}

func TestOneConsignmentPasses(t *testing.T) {
	tb := newTestBench(t)
	h := newHand(t, tb)
	h.see("due")
	h.scan(code.Consignment(tb.codes["K-2038"]).String(), "right", "K-2038")
	h.Wait(`location.pathname.startsWith("/who") || location.pathname.endsWith("/labels")`)
	h.badge("Tam Orrin")
	h.toDraw("K-2038", 2)
	h.see("fetch")

	h.scan(h.pkg("K-2041", 17), "wrong", "Another consignment")
	h.see("other-consignment")
	h.scan("NOT A CODE", "wrong", "")
	h.see("unknown-code")
	h.scan(h.pkg("K-2038", 1), "right", "Package 001: right.")
	h.see("right-package")
	h.scan(h.pkg("K-2038", 1), "note", "here already")
	h.scan(h.pkg("K-2038", 2), "right", "2 of 2 fetched")
	h.on("All 2 are here")
	h.scan(h.pkg("K-2038", 2), "right", "Package 002 is open.")
	h.on("Is the empty package clean?")
	h.see("empty-package")

	clean, next := code.Card(code.Clean).String(), code.Card(code.Next).String()
	h.scan(next, "wrong", "does not fit here")
	h.scan(clean, "right", "empty package is clean")
	h.on("How many units are in it?")
	h.see("count")
	h.fill("units", "3")
	h.press("That many")
	h.on("Is unit 1 clean?")
	h.see("unit")
	// Two scans in quick succession are both kept, in order.
	h.Scan(clean)
	h.Scan(clean)
	h.on("Is unit 3 clean?")
	h.Keys("c") // one key
	h.on("Did you make every look")
	h.see("looks")
	h.allYes()
	h.choose("look_flowers", "no")
	h.press("The looks are made")
	h.on("Put all 3 units back")
	h.see("close")
	h.scan(h.pkg("K-2038", 2), "right", "Package 002 is closed.")
	h.on("Open package 001")
	h.press("It is open")
	h.on("Is the empty package clean?")
	h.press("The package is clean")
	h.on("How many units")
	h.press("That many")
	h.on("Is unit 1 clean?")
	h.press("Clean")
	h.on("Is unit 2 clean?")

	// A wrong tap is taken back, and stays on record as taken back.
	h.press("Undo")
	h.on("Take this back?")
	h.see("undo")
	h.press("Take it back")
	h.on("Is unit 1 clean?")

	// A note does not stand in the way of a pass.
	h.press("Find")
	h.on("Where is it?")
	h.see("find-where")
	h.choose("part", "leaf_upper")
	h.press("Go on")
	h.on("What is it?")
	h.see("find-what")
	h.press("Damage")
	h.on("how does it look?")
	h.see("find-how")
	h.choose("alive", "no")
	h.press("Go on")
	h.on("Write it down and carry on")
	h.see("find-decide")
	h.press("Record")
	h.on("Is unit 2 clean?")
	h.fill("count", "1")
	h.press("All these are clean")
	h.Wait(`document.querySelector("#page .field-error")?.innerText.includes("2 are left")`)
	h.fill("count", "2")
	h.press("All these are clean")
	h.on("Did you make every look")
	h.allYes()
	h.press("The looks are made")
	h.on("Put all 3 units back")
	h.press("It is closed")
	h.on("What is on the bench now?")
	h.see("check-after")
	h.allYes()
	h.press("The bench is checked")
	h.on("The outcome is: Passed")
	h.see("conclude")
	h.press("End the round: Passed")
	h.outcome("Passed")
	h.see("outcome")

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
	if faults := h.Faults(); len(faults) > 0 {
		t.Errorf("the pages complained: %v", faults)
	}
}

func TestOneConsignmentIsRejected(t *testing.T) {
	tb := newTestBench(t)
	h := newHand(t, tb)
	h.badge("Tam Orrin")
	h.toDraw("K-2041", 240)
	h.see("fetch-five")
	drawn := tb.state("K-2041").Running().ToExamine()
	if len(drawn) != 5 {
		t.Fatalf("%d packages are drawn, want 5", len(drawn))
	}
	notDrawn := tb.state("K-2041").Running().Reserves[100]
	h.scan(h.pkg("K-2041", notDrawn), "wrong", fmt.Sprintf("put %03d back, fetch %03d", notDrawn, drawn[0]))
	h.see("not-in-the-draw")
	h.scan("P"+tb.codes["K-2041"]+"01700", "wrong", "") // check digits wrong
	h.see("bad-check-digits")

	// A package that cannot be reached is replaced by the next reserve.
	h.Open(tb.url + "/c/" + tb.codes["K-2041"] + "/replace/" + itoa(drawn[4]))
	h.see("replace")
	h.press("Take the next reserve")
	h.Wait(`document.querySelector("#page .field-error")`)
	h.choose("why", "buried")
	h.press("Take the next reserve")
	h.on("Fetch these 5")
	rep := tb.state("K-2041").Running().Replacements
	if len(rep) != 1 || rep[0].Package != drawn[4] || rep[0].By != tb.state("K-2041").Round().Replacements[0].By {
		t.Fatalf("replacements %+v, want one for %d", rep, drawn[4])
	}
	h.scan(h.pkg("K-2041", drawn[4]), "wrong", "was replaced")
	for _, n := range tb.state("K-2041").Running().ToExamine() {
		h.scan(h.pkg("K-2041", n), "right", "right.")
	}
	first := tb.state("K-2041").Running().ToExamine()[0]
	h.scan(h.pkg("K-2041", first), "right", "is open")
	h.press("The package is clean")
	h.on("How many units")
	h.press("That many")
	h.on("Is unit 1 clean?")

	// A second browser takes a step on the same consignment meanwhile.
	if _, err := tb.store.Do(context.Background(), store.Step{Code: tb.codes["K-2041"], Actor: consignment.Actor{ID: "X", Name: "Wilo Pasch"}, Bench: "bench 2",
		Command: consignment.CleanUnit{Package: first}}); err != nil {
		t.Fatal(err)
	}
	h.press("Clean")
	h.Wait(`document.querySelector("#page .notice-wrong")?.innerText.includes("Wilo Pasch, bench 2")`)
	h.see("conflict")
	h.on("Is unit 2 clean?")

	// The ladder: a rung pressed begins a find that stands at least that high.
	h.scan(code.Card(code.Find).String(), "right", "Find at unit 2")
	h.on("Where is it?")
	h.choose("part", "growing_medium")
	h.press("Go on")
	h.on("What is it?")
	h.press("Soil")
	h.on("how does it look?")
	h.choose("alive", "not_told")
	h.fill("units", "2")
	h.press("Go on")
	h.on("Reject the consignment")
	h.see("find-reject")
	h.fill("note", `clay clod "as big as a pea" <b>`)
	h.press("Record")
	h.on("Is unit 3 clean?")
	h.see("unit-after-reject")
	h.press("Undo")
	h.on("Take this back?")
	h.press("Take it back")
	h.Wait(`document.querySelector("#page .field-error")?.innerText.includes("only a supervisor")`)
	h.press("Back: leave it")
	h.on("Is unit 3 clean?")
	h.press("End the round now")
	h.on("The outcome is: Rejected")
	h.see("conclude-rejected")
	h.press("End the round: Rejected")
	h.outcome("Rejected")
	h.see("outcome-rejected")
	end := tb.state("K-2041").Round().Ended
	if end == nil || end.Outcome != consignment.Rejected {
		t.Fatalf("round ended %+v, want rejected", end)
	}
	f := tb.state("K-2041").Round().Finds
	if len(f) != 1 || f[0].Facts.Units != 2 || f[0].Facts.Note != `clay clod "as big as a pea" <b>` {
		t.Errorf("finds %+v, want one of two units with its note as written", f)
	}
	if faults := h.Faults(); len(faults) > 0 {
		t.Errorf("the pages complained: %v", faults)
	}
}

func TestStopEndsAtOnce(t *testing.T) {
	tb := newTestBench(t)
	h := newHand(t, tb)
	h.badge("Tam Orrin")
	h.toDraw("K-2038", 2)
	for n := 1; n <= 2; n++ {
		h.scan(h.pkg("K-2038", n), "right", "right.")
	}
	h.scan(h.pkg("K-2038", 1), "right", "is open")
	h.press("The package is clean")
	h.on("How many units")
	h.press("That many")
	h.on("Is unit 1 clean?")
	h.Click("#page .rung-stop button")
	h.on("Stop the inspection?")
	h.see("stop-confirm")
	h.press("Stop now")
	h.outcome("Stopped")
	h.see("stopped")
	end := tb.state("K-2038").Round().Ended
	if end == nil || end.Outcome != consignment.Stopped {
		t.Fatalf("round ended %+v, want stopped", end)
	}
	h.scan(h.pkg("K-2038", 2), "right", "Camellia") // leads to the outcome, takes no step
	h.on("Stopped")
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
