package kiosk

import (
	"encoding/csv"
	"net/url"
	"os/exec"
	"regexp"
	"strings"
	"testing"
	"time"

	"lastlook/internal/consignment"
	"lastlook/internal/ladder"
	"lastlook/internal/people"
	"lastlook/internal/store"
)

// endsWith brings a consignment to a find of the kind in its first drawn package.
func (d *benchDesk) endsWith(number string, what consignment.What) *consignment.State {
	d.t.Helper()
	st := d.draw(number)
	pkg := st.Running().ToExamine()[0]
	st = d.do(number, consignment.Fetch{Package: pkg}, consignment.Open{Package: pkg}, consignment.LookPackage{Package: pkg}, consignment.CountUnits{Package: pkg, Units: 4},
		consignment.RecordFind{Facts: consignment.FindFacts{Package: pkg, Unit: 1, Part: consignment.PartStem, What: what, Units: 1, Alive: consignment.AliveYes, Method: consignment.ByEye}})
	if r := st.Running(); r != nil && r.Conclude(st.LastAt).Outcome != "" {
		st = d.do(number, consignment.EndRound{})
	}
	return st
}

// passes takes a consignment through a clean inspection.
func (d *benchDesk) passes(number string) *consignment.State {
	d.t.Helper()
	st := d.draw(number)
	rules := st.Running().Rules
	for _, n := range st.Running().ToExamine() {
		d.do(number, consignment.Fetch{Package: n}, consignment.Open{Package: n}, consignment.LookPackage{Package: n}, consignment.CountUnits{Package: n, Units: 4},
			consignment.CleanRest{Package: n, Count: 4}, consignment.ConfirmLooks{Package: n, Made: rules.Looks}, consignment.ClosePackage{Package: n})
	}
	clean := consignment.CheckBench{After: true}
	for _, it := range rules.After {
		clean.Yes = append(clean.Yes, it.ID)
	}
	return d.do(number, clean, consignment.EndRound{})
}

func (d *benchDesk) standing(number string, want consignment.Standing) {
	d.t.Helper()
	st, err := d.store.Consignment(d.t.Context(), d.codes[number])
	if err != nil {
		d.t.Fatal(err)
	}
	if got := st.Standing(); got != want {
		d.t.Errorf("%s stands as %s, want %s", number, got, want)
	}
}

func TestStopIsToldAnsweredAndReleased(t *testing.T) {
	d := newBenchDesk(t)
	d.endsWith("K-2041", consignment.Suspect)
	base := "/c/" + d.codes["K-2041"]
	staff := d.staffNow()

	// On every screen, whoever is there.
	d.signIn(staff["Tam Orrin"])
	d.get("/").wants(t, 200, "/", "STOP", "K-2041", "Call the supervisor")
	page := d.get(base + "/outcome")
	page.wants(t, 200, "", "Stopped", "Leave everything where it is", "Keep people away", "Who was told", "on every screen", "Nobody has answered yet")
	if strings.Contains(page.text(), "I know, and see to it") {
		t.Error("somebody who is no supervisor is asked to answer the stop")
	}
	id := regexp.MustCompile(`/notices/([0-9a-f]{24})/seen`)
	d.post(base+"/steps", url.Values{"step": {"leave"}, "hold": {"0"}}).wants(t, 200, base+"/outcome", "done", "Tam Orrin")
	d.post(base+"/steps", url.Values{"step": {"leave"}, "hold": {"0"}}).wants(t, 200, base+"/outcome", "done already")
	d.post(base+"/steps", url.Values{"step": {"dance"}, "hold": {"0"}}).wants(t, 200, base+"/outcome", "does not know this step")
	d.post(base+"/answer", url.Values{"answer": {"kept"}, "hold": {"0"}}).wants(t, 403, "", "Only a supervisor answers a stop")

	d.signIn(staff["Ida Fenn"])
	m := id.FindStringSubmatch(d.get("/").body)
	if m == nil {
		t.Fatal("the supervisor is not asked to answer the stop")
	}
	d.post("/notices/"+m[1]+"/seen", url.Values{}).wants(t, 200, base+"/outcome", "You have answered the notice", "Answered by Ida Fenn")
	if strings.Contains(d.get("/").text(), "STOP") {
		t.Error("the stop is still shown on every screen after it was answered")
	}
	d.post("/notices/000000000000000000000000/seen", url.Values{}).wants(t, 404, "", "no such notice")

	answer := base + "/answer"
	d.get(answer).wants(t, 200, "", "Keep the stop", "The authority was told", "Release it", "Reject it")
	for _, tt := range []struct {
		form  url.Values
		words string
	}{
		{url.Values{"answer": {"told"}, "told_at": {"2026-11-25T11:59"}}, "which office"},
		{url.Values{"answer": {"told"}, "office": {"Plant health desk"}, "told_at": {""}}, "when the authority was told"},
		{url.Values{"answer": {"told"}, "office": {"Plant health desk"}, "told_at": {noon.Add(time.Hour).Format("2006-01-02T15:04")}}, "still to come"},
		{url.Values{"answer": {"released"}, "rung": {"note"}}, "why the stop is released"},
		{url.Values{"answer": {"released"}, "reason": {"seen under the microscope"}}, "goes down to"},
		{url.Values{"answer": {"rejected"}}, "why it is rejected"},
	} {
		tt.form.Set("hold", "0")
		d.post(answer, tt.form).wants(t, 422, "", tt.words)
	}
	d.post(answer, url.Values{"hold": {"0"}, "answer": {"told"}, "office": {"Plant health desk"}, "reference": {"PH-88"}, "told_at": {noon.Format("2006-01-02T15:04")}}).
		wants(t, 200, base+"/outcome", "Recorded: The authority was told")
	d.standing("K-2041", consignment.StandStopped)
	d.get(answer).wants(t, 200, "", "Plant health desk", "PH-88")
	d.post(answer, url.Values{"hold": {"0"}, "answer": {"released"}, "rung": {"note"}, "reason": {"old damage, by the laboratory"}})
	d.standing("K-2041", consignment.StandWork)
	d.get(answer).wants(t, 200, "", "Nothing is stopped here any more")
}

// staffNow gives the people on the list by name.
func (d *desk) staffNow() map[string]people.Person {
	d.t.Helper()
	r, err := d.store.Roster(d.t.Context())
	if err != nil {
		d.t.Fatal(err)
	}
	out := map[string]people.Person{}
	for _, p := range r.People {
		out[p.Name] = p
	}
	return out
}

func TestStopNoticeIsPrinted(t *testing.T) {
	if _, err := exec.LookPath("pdftotext"); err != nil {
		t.Skip("pdftotext is not here")
	}
	d := newBenchDesk(t)
	base := "/c/" + d.codes["K-2041"]
	d.get(base+"/notice.pdf").wants(t, 409, "", "nothing to hang up")
	d.endsWith("K-2041", consignment.Suspect)
	a := d.get(base + "/notice.pdf")
	if a.status != 200 || !strings.HasPrefix(a.body, "%PDF-") {
		t.Fatalf("GET notice.pdf = %d", a.status)
	}
	cmd := exec.Command("pdftotext", "-layout", "-", "-")
	cmd.Stdin = strings.NewReader(a.body)
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	said := strings.Join(strings.Fields(string(out)), " ")
	for _, w := range []string{"STOP", "K-2041", "Leave everything where it is", "Wash your hands"} {
		if !strings.Contains(said, w) {
			t.Errorf("the notice says %q, without %q", out, w)
		}
	}
}

func TestPassedGoodsAreStopped(t *testing.T) {
	d := newBenchDesk(t)
	d.passes("K-2038")
	base := "/c/" + d.codes["K-2038"]
	d.get(base+"/outcome").wants(t, 200, "", "Passed", "Hold it, or stop it")
	d.post(base+"/back", url.Values{"reason": {"x"}}).wants(t, 422, "", "held or stopped")
	d.post(base+"/back", url.Values{"rung": {"stop"}}).wants(t, 422, "", "why it is kept back")
	d.post(base+"/back", url.Values{"rung": {"stop"}, "reason": {"a beetle at the gate"}}).
		wants(t, 200, base+"/outcome", "Stopped", "a beetle at the gate", "Who was told", "Leave everything")
	d.standing("K-2038", consignment.StandStopped)
	d.get("/").wants(t, 200, "/", "STOP", "K-2038")
	d.get(base+"/holds").wants(t, 200, "", "a beetle at the gate", "Answer the stop")
	d.post(base+"/answer", url.Values{"hold": {"1"}, "answer": {"released"}, "reason": {"a ladybird"}}).wants(t, 200, base+"/outcome", "Passed")
	d.standing("K-2038", consignment.StandPassed)
	d.get(base+"/outcome").wants(t, 200, "", "Passed", "Hold lifted", "a ladybird")
	d.get(base).wants(t, 200, "", "Hold it, or stop it")
	d.get(base+"/holds").wants(t, 200, "", "Nothing keeps it back", "a ladybird")
}

func TestTraceHolds(t *testing.T) {
	d := newBenchDesk(t)
	d.passes("K-2038")
	st := d.endsWith("K-2041", consignment.LivePest)
	base := "/c/" + st.Code
	page := d.get(base + "/trace?find=1")
	page.wants(t, 200, "", "something with it", "K-2038")
	d.get(base+"/trace?days=0").wants(t, 422, "", "between 1 and 3660")
	d.get(base+"/trace?days=x").wants(t, 422, "", "whole number")
	d.get(base+"/trace?find=9").wants(t, 404, "", "no find 9")
	d.get(base+"/trace?sample=ZZZZ").wants(t, 404, "", "another site")
	d.post(base+"/trace", url.Values{"rung": {"sample"}, "reason": {"x"}}).wants(t, 422, "", "Choose at least one")
	form := url.Values{"rung": {"sample"}, "find": {"1"}, "code": {d.codes["K-2038"]}, "reason": {""}}
	d.post(base+"/trace", form).wants(t, 422, "", "why it is kept back")
	form.Set("reason", "Traced from K-2041.")
	d.post(base+"/trace", form).wants(t, 200, base+`/trace\?.*`, "1 consignments are kept back now", "kept back already")
	d.standing("K-2038", consignment.StandHeld)
	d.get("/c/"+d.codes["K-2038"]+"/outcome").wants(t, 200, "", "Held", "Traced from K-2041.")
	d.get("/c/"+d.codes["K-2038"]+"/holds").wants(t, 200, "", "Traced from K-2041", "Lift this hold")
	d.post("/c/"+d.codes["K-2038"]+"/holds", url.Values{"hold": {"1"}}).wants(t, 422, "", "why the hold is lifted")
	d.post("/c/"+d.codes["K-2038"]+"/holds", url.Values{"hold": {"7"}, "reason": {"x"}}).wants(t, 404, "")
	d.post("/c/"+d.codes["K-2038"]+"/holds", url.Values{"hold": {"1"}, "reason": {"other batch"}}).wants(t, 200, "", "The hold is lifted")
	d.standing("K-2038", consignment.StandPassed)

	csvText := d.get(base + "/trace.csv?find=1")
	rows, err := csv.NewReader(strings.NewReader(csvText.body)).ReadAll()
	if err != nil || len(rows) < 2 || rows[0][0] != "consignment" {
		t.Fatalf("the table reads %v, %v", rows, err)
	}
}

// A step that was recorded by mistake is taken back from the history.
func TestTakeBackFromTheHistory(t *testing.T) {
	d := newBenchDesk(t)
	d.endsWith("K-2041", consignment.NotIdentified)
	st := d.do("K-2041", consignment.TakeSample{Code: "S2S2", Round: 1, Find: 1, What: consignment.TakenLeaf, Kept: consignment.KeptDry})
	step := takeBackPath(st.Code, st.Version)
	d.get("/c/"+st.Code+"/history").wants(t, 200, "", step)
	d.get(step).wants(t, 200, "", "Take this step back?", "Sample S2S2 taken")
	d.post(step, url.Values{}).wants(t, 422, "", "why the step is taken back")
	d.get(takeBackPath(st.Code, 99)).wants(t, 404, "", "no step 99")
	d.post(takeBackPath(st.Code, 1), url.Values{"reason": {"x"}}).wants(t, 409, "", "cannot be taken back")
	d.signIn(d.staffNow()["Tam Orrin"])
	if a := d.get("/c/" + st.Code + "/history"); strings.Contains(a.body, step) {
		t.Error("somebody who is no supervisor is offered to take it back")
	}
	d.post(step, url.Values{"reason": {"wrong find"}}).wants(t, 403, "", "Only a supervisor")
	d.signIn(d.staffNow()["Ida Fenn"])
	d.post(step, url.Values{"reason": {"wrong find"}}).wants(t, 200, "/c/"+st.Code+"/history", "taken back", "wrong find")
	d.get("/c/"+st.Code+"/f/1?round=1").wants(t, 200, "", "What else is at risk?")
}

// A consignment that is held before it was ever inspected leads to its holds.
func TestHeldBeforeInspection(t *testing.T) {
	d := newBenchDesk(t)
	d.do("K-2041", consignment.HoldBack{Rung: ladder.Sample, Reason: "=cmd from K-9"})
	base := "/c/" + d.codes["K-2041"]
	d.get(base+"/next").wants(t, 200, base+"/holds", "=cmd from K-9")
	d.post(base+"/check/before", url.Values{}).wants(t, 409, "")
	if got := inert("=1+1"); got != "'=1+1" {
		t.Errorf("a formula goes into a table as %q", got)
	}
}

func TestStopPagesAreSaidAndPlain(t *testing.T) {
	d := newBenchDesk(t, pseudo)
	d.passes("K-2038")
	st := d.endsWith("K-2041", consignment.Suspect)
	base := "/c/" + st.Code
	d.do("K-2038", consignment.HoldBack{Rung: ladder.Stop, Reason: "seen"})
	for _, path := range []string{
		takeBackPath(st.Code, 3), base + "/history", base + "/outcome", base + "/told", base + "/answer", base + "/answer?answer=told", base + "/answer?answer=released", base + "/trace", base + "/holds", base + "/back",
		"/notices", "/c/" + d.codes["K-2038"] + "/holds", "/c/" + d.codes["K-2038"] + "/outcome",
	} {
		a := d.get(path)
		if a.status != 200 {
			t.Errorf("GET %s = %d", path, a.status)
		}
		for _, s := range unsaid(a.body) {
			t.Errorf("%s: not from the catalogue: %s", path, s)
		}
		for _, s := range needsScript(a.body) {
			t.Errorf("%s: %s", path, s)
		}
	}
}

// A stop pressed at one bench is said at the others at once: over the page of the
// same consignment, which is shown anew, and beside whatever else is done.
func TestStopIsSeenAtOtherBenches(t *testing.T) {
	tb := newTestBench(t)
	here, elsewhere := newHand(t, tb), newHand(t, tb)
	here.badge("Tam Orrin")
	here.toDraw("K-2038", 2)
	for n := 1; n <= 2; n++ {
		here.Answered(here.pkg("K-2038", n), "right", "right.")
	}
	here.Answered(here.pkg("K-2038", 1), "right", "is open")
	elsewhere.badge("Ida Fenn")
	elsewhere.Open(tb.url + "/c/" + tb.codes["K-2041"])
	elsewhere.Wait(`document.querySelector("#main").innerText.includes("Code on the labels")`)
	time.Sleep(time.Second) // until both follow the stream
	tb.stop("K-2038", 1)
	here.Wait(`!document.getElementById("answer").hidden && document.getElementById("answer").className.includes("answer-wrong") && document.getElementById("answer").innerText.includes("K-2038")`)
	here.Wait(`document.querySelector("#page .outcome-word")?.innerText === "Stopped"`)
	elsewhere.Wait(`!document.getElementById("answer").hidden && document.getElementById("answer").innerText.includes("K-2038")`)
	if got := elsewhere.Text("#main"); !strings.Contains(got, "K-2041") {
		t.Errorf("the other page went away: %.200q", got)
	}
	here.See("stop-from-elsewhere")
}

// stop stops a consignment behind the screens' back.
func (tb *testBench) stop(number string, pkg int) {
	tb.t.Helper()
	_, err := tb.store.Do(tb.t.Context(), store.Step{Code: tb.codes[number], Actor: consignment.Actor{ID: "x", Name: "Wilo Pasch"}, Bench: "bench 2",
		Command: consignment.RecordFind{Rung: ladder.Stop, Facts: consignment.FindFacts{Package: pkg, Part: consignment.PartPackage, What: consignment.Suspect, Units: 1, Alive: consignment.NotTold, Method: consignment.ByEye}}})
	if err != nil {
		tb.t.Fatal(err)
	}
}

// TestStopAtTheBench presses a stop with a second bench looking on, answers it as
// the supervisor and traces it, in a real browser.
func TestStopAtTheBench(t *testing.T) {
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
	h.Press("Stop now")
	h.Outcome("Stopped")
	h.On("What to do now")
	h.See("stopped")
	h.Press("Done")
	h.Wait(`document.querySelector(".step.is-done")`)
	h.Open(tb.url + "/")
	h.Wait(`document.querySelector(".stop-bar")`)
	h.See("due-while-stopped")

	h.badge("Ida Fenn")
	h.Open(tb.url + "/")
	h.Wait(`document.querySelector(".stop-bar")`)
	h.Press("I know, and see to it")
	h.Outcome("Stopped")
	h.Press("Answer the stop")
	h.On("What about the stop?")
	h.See("answer")
	h.Press("The authority was told")
	h.On("Who was told?")
	h.Fill("office", "Plant health desk (invented)")
	h.Fill("reference", "PH-88")
	h.See("answer-told")
	h.Press("Record that they were told")
	h.Outcome("Stopped")
	h.Press("What else is at risk?")
	h.On("What else is at risk?")
	h.See("trace")
	h.Open(tb.url + "/notices")
	h.On("Notices that wait")
	h.See("notices")
	h.Open(tb.url + "/c/" + tb.codes["K-2041"] + "/back")
	h.On("Hold it, or stop it?")
	h.See("back")
	h.Choose("rung", "sample")
	h.Fill("reason", "Same bay as K-2038.")
	h.Press("Do it now")
	h.On("What keeps it back")
	h.See("holds")
	h.Press("Lift this hold")
	h.Wait(`document.querySelector(".field-error")`)
	h.NoFaults()
}
