package kiosk

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"lastlook/internal/code"
	"lastlook/internal/consignment"
	"lastlook/internal/store"
)

// benchDesk is a desk with three consignments, one of them sealed and drawn.
type benchDesk struct {
	*desk
	codes map[string]string
}

func newBenchDesk(t testing.TB, tongues ...tongue) *benchDesk {
	t.Helper()
	return newDesk(t, tongues...).atBench()
}

// atBench puts people and three consignments on a desk.
func (dk *desk) atBench() *benchDesk {
	t := dk.t
	t.Helper()
	d := &benchDesk{desk: dk, codes: map[string]string{}}
	d.staff()
	taken, err := d.store.Register(t.Context(), consignment.Actor{ID: "x", Name: "office"}, "office", testOrders(noon), nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, tk := range taken {
		d.codes[tk.Number] = tk.Code
	}
	return d
}

// do takes steps behind the screens' back.
func (d *benchDesk) do(number string, cs ...consignment.Command) *consignment.State {
	d.t.Helper()
	var st *consignment.State
	for _, c := range cs {
		done, err := d.store.Do(d.t.Context(), store.Step{Code: d.codes[number], Actor: consignment.Actor{ID: "x", Name: "Wilo Pasch", Roles: []string{"supervisor"}}, Bench: "office", Command: c})
		if err != nil {
			d.t.Fatalf("%T%+v: %v", c, c, err)
		}
		st = done.State
	}
	return st
}

// draw seals a consignment.
func (d *benchDesk) draw(number string) *consignment.State {
	d.t.Helper()
	rules := d.store.Rules("")
	fit := consignment.CheckBench{Rules: rules}
	for _, it := range rules.Before {
		fit.Yes = append(fit.Yes, it.ID)
	}
	st, err := d.store.Consignment(d.t.Context(), d.codes[number])
	if err != nil {
		d.t.Fatal(err)
	}
	return d.do(number, consignment.PrintLabels{Sheet: "a4", From: 1, To: st.Total()}, fit,
		consignment.Seal{Counted: st.Total(), Rules: rules})
}

// scan sends a scan as the script in the page does.
func (d *benchDesk) scan(at, scanned string) (int, wireAnswer) {
	d.t.Helper()
	keySeen++
	form := url.Values{"code": {scanned}, "at": {at}, "key": {fmt.Sprintf("scan-key-%d", keySeen)}}
	req, err := http.NewRequest("POST", d.url+"/scan", strings.NewReader(form.Encode()))
	if err != nil {
		d.t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	req.Header.Set("Accept", "application/json")
	r := d.read(d.client.Do(req))
	var a wireAnswer
	if err := json.Unmarshal([]byte(r.body), &a); err != nil {
		d.t.Fatalf("the scan %.40q got no answer that can be read: %v (%d: %.300s)", scanned, err, r.status, r.body)
	}
	return r.status, a
}

func TestScanAnswers(t *testing.T) {
	d := newBenchDesk(t)
	st := d.draw("K-2041")
	r := st.Running()
	drawn, other, reserve := r.ToExamine()[0], r.ToExamine()[1], r.Reserves[7]
	c, c2 := st.Code, d.codes["K-2038"]
	d.do("K-2041", consignment.Fetch{Package: other})
	fetch := "/c/" + c + "/fetch"
	pkg := func(consignment string, n int) string { return code.Package(consignment, n).String() }
	tests := []struct {
		name, at, code string
		tone           tone
		words          string
		goes           string
	}{
		{"a drawn package", fetch, pkg(c, drawn), toneRight, "right", fetch},
		{"the same again", fetch, pkg(c, drawn), toneNote, "here already", ""},
		{"a package not drawn", fetch, pkg(c, reserve), toneWrong, fmt.Sprintf("put %03d back", reserve), ""},
		{"a package of another consignment", fetch, pkg(c2, 1), toneWrong, "Another consignment: K-2038", ""},
		{"a package of another consignment, from the board", "/", pkg(c2, 1), toneRight, "K-2038, package 001", "/c/" + c2 + "/labels"},
		{"a number beyond the list", fetch, pkg(c, 241), toneWrong, "There is no package 241", ""},
		{"a consignment nobody knows", "/", pkg("2222", 1), toneWrong, "no consignment", ""},
		{"a wrong check digit", fetch, pkg(c, drawn)[:len(pkg(c, drawn))-1] + "x", toneWrong, "", ""},
		{"its number on the papers", "/", "K-2041", toneRight, "K-2041", fetch},
		{"the consignment's code", "/", code.Consignment(c).String(), toneRight, "K-2041", fetch},
		{"lower case, typed with spaces", "/", strings.ToLower(code.Consignment(c).Human()), toneRight, "K-2041", fetch},
		{"nothing", fetch, "  ", toneWrong, "", ""},
		{"control characters", fetch, "P\x00\x07\x1b[2J", toneWrong, "", ""},
		{"four thousand characters", fetch, strings.Repeat("A", 4000), toneWrong, "", ""},
		{"markup", fetch, "<script>alert(1)</script>", toneWrong, "", ""},
		{"right to left", fetch, "שלום", toneWrong, "", ""},
		{"a card where nothing is open", "/", code.Card(code.Clean).String(), toneWrong, "while a package is open", ""},
		{"a GS1 code", fetch, "]C1011234567890123110ABC", toneNote, "(01)12345678901231", ""},
		{"a badge nobody has", "/", mustCode(t, code.KindBadge, "2222").String(), toneWrong, "badge", ""},
		{"at another site's address", "https://example.org/", "K-2041", toneRight, "K-2041", fetch},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			status, a := d.scan(tt.at, tt.code)
			if status != http.StatusOK || a.Tone != tt.tone || !strings.Contains(a.Text, tt.words) || a.Go != tt.goes && tt.goes != "" {
				t.Errorf("scan %.40q at %s = %d %+v, want %s with %q leading to %q", tt.code, tt.at, status, a, tt.tone, tt.words, tt.goes)
			}
			if a.Text == "" || len(a.Text) > 400 || strings.ContainsAny(a.Text, "\x00\x07\x1b") {
				t.Errorf("scan %.40q says %q, want a sentence fit for a screen", tt.code, a.Text)
			}
		})
	}
}

func mustCode(t testing.TB, k code.Kind, payload string) code.Code {
	t.Helper()
	c, err := code.New(k, payload)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func TestCardsDoWhatTheScreenAsks(t *testing.T) {
	d := newBenchDesk(t)
	d.draw("K-2038")
	c := d.codes["K-2038"]
	for n := 1; n <= 2; n++ {
		d.scan("/", code.Package(c, n).String())
	}
	at := packagePath(c, 1)
	for _, step := range []struct {
		card  code.Action
		tone  tone
		words string
	}{
		{code.Clean, toneWrong, "does not fit"},
		{code.Next, toneRight, "open"},
		{code.Next, toneWrong, "does not fit"},
		{code.Clean, toneRight, "empty package is clean"},
		{code.Clean, toneWrong, "does not fit"}, // the units have to be counted
		{code.Look, toneRight, "Look closer"},
		{code.Find, toneWrong, "does not fit"},
	} {
		if _, a := d.scan(at, code.Card(step.card).String()); a.Tone != step.tone || !strings.Contains(a.Text, step.words) {
			t.Errorf("card %v = %+v, want %s with %q", step.card, a, step.tone, step.words)
		}
	}
	d.post(at, url.Values{"act": {"count"}, "units": {"2"}})
	for _, step := range []struct {
		card  code.Action
		tone  tone
		words string
	}{
		{code.Rest, toneNote, "Count the units"},
		{code.Find, toneRight, "Find at unit 1"},
		{code.Clean, toneRight, "Unit 1 is clean"},
		{code.Clean, toneRight, "Unit 2 is clean"},
		{code.Clean, toneWrong, "does not fit"},
		{code.Undo, toneRight, "Take the last step back?"},
	} {
		if _, a := d.scan(at, code.Card(step.card).String()); a.Tone != step.tone || !strings.Contains(a.Text, step.words) {
			t.Errorf("card %v = %+v, want %s with %q", step.card, a, step.tone, step.words)
		}
	}
}

func TestScanSentTwiceIsOneStep(t *testing.T) {
	d := newBenchDesk(t)
	d.draw("K-2038")
	c := d.codes["K-2038"]
	form := url.Values{"code": {code.Package(c, 1).String()}, "at": {"/c/" + c + "/fetch"}, "key": {"one-key"}}
	for range 3 {
		d.post("/scan", form)
	}
	st, err := d.store.Consignment(t.Context(), c)
	if err != nil {
		t.Fatal(err)
	}
	fetched := 0
	for _, rec := range st.History {
		if _, ok := rec.Event.(consignment.Fetched); ok {
			fetched++
		}
	}
	if fetched != 1 {
		t.Errorf("%d fetches on record, want 1", fetched)
	}
}

func TestScanByNobodyTakesNoStep(t *testing.T) {
	d := newBenchDesk(t)
	d.draw("K-2038")
	d.client.Jar = nil
	c := d.codes["K-2038"]
	if _, a := d.scan("/", code.Package(c, 1).String()); a.Tone != toneWrong || !strings.Contains(a.Text, "who you are") {
		t.Errorf("scan by nobody = %+v, want to be asked who it is", a)
	}
	st, err := d.store.Consignment(t.Context(), c)
	if err != nil || !st.Running().Exams[1].FetchedAt.IsZero() {
		t.Errorf("a scan by nobody fetched a package (%v)", err)
	}
}

// TestBenchPagesAreSaid walks every page of the bench with plain forms, in the
// pseudo language: no text comes from elsewhere than the catalogue, no page needs a
// script, no awkward value gets out of its place.
func TestBenchPagesAreSaid(t *testing.T) {
	d := newBenchDesk(t, pseudo)
	d.draw("K-2041")
	st := d.draw("K-2038")
	awkward, err := d.store.Register(t.Context(), consignment.Actor{ID: "x", Name: "office"}, "office", []consignment.Registered{{
		Number: shouts[0], Customer: shouts[1], Destination: shouts[5], DispatchAt: noon.Add(5 * 3600e9),
		Lines: []consignment.Line{{Crop: shouts[9], Batch: shouts[10], Bay: shouts[4], Packages: 3, UnitsPerPackage: 2}},
	}}, nil)
	if err != nil {
		t.Fatal(err)
	}
	d.codes["awkward"] = awkward[0].Code
	d.draw("awkward")
	c, p := st.Code, packagePath(st.Code, 1)
	visit := func(path string) {
		t.Helper()
		a := d.get(path)
		if a.status != http.StatusOK {
			t.Errorf("%s: %d: %.300s", path, a.status, a.text())
		}
		for _, u := range unsaid(a.body) {
			t.Errorf("%s: not from the catalogue: %s", path, u)
		}
		harmless(t, a)
	}
	for _, path := range []string{"/", "/who", "/bench", "/type", "/cards", "/c/" + c, "/c/" + c + "/history", "/c/" + c + "/change",
		"/c/" + c + "/check/before", "/c/" + c + "/fetch", "/c/" + c + "/fetch/list", "/c/" + d.codes["K-2036"] + "/seal",
		"/c/" + d.codes["awkward"], "/c/" + d.codes["awkward"] + "/fetch", "/c/" + d.codes["awkward"] + "/history",
		fmt.Sprintf("/c/%s/replace/%d", d.codes["K-2041"], drawnOf(t, d, "K-2041")[0]), p} {
		visit(path)
	}
	d.do("K-2038", consignment.Fetch{Package: 1}, consignment.Fetch{Package: 2})
	visit(p)
	d.post(p, url.Values{"act": {"open"}})
	for _, path := range []string{p, p + "/closer", p + "/find?unit=0", p + "/find?unit=0&what=soil"} {
		visit(path)
	}
	d.post(p, url.Values{"act": {"look"}})
	visit(p)
	d.post(p, url.Values{"act": {"count"}, "units": {"3"}})
	for _, path := range []string{p, p + "/find?unit=1", p + "/find?unit=1&part=stem", p + "/find?unit=1&part=stem&what=soil",
		p + "/find?unit=1&part=stem&what=soil&alive=not_told&method=eye&units=1", p + "/find?unit=1&part=stem&entry=springtails",
		p + "/find?unit=1&part=leaf_lower&entry=garden-snail&alive=yes&method=eye&units=1", p + "/stop?unit=1", p + "/stop?unit=1&entry=garden-snail", "/c/" + c + "/conclude", "/c/" + c + "/undo"} {
		visit(path)
	}
	a := d.post(p+"/find", url.Values{"unit": {"1"}, "part": {"stem"}, "what": {"soil"}, "alive": {"not_told"}, "method": {"eye"}, "units": {"1"}, "note": {shouts[0]}})
	if a.status != http.StatusOK {
		t.Fatalf("recording a find: %d %.300s", a.status, a.text())
	}
	visit(p)
	visit("/c/" + c + "/f/1")
	d.post(p, url.Values{"act": {"rest"}, "count": {"2"}})
	visit(p)
	visit("/c/" + c + "/conclude")
	d.post("/c/"+c+"/conclude", url.Values{})
	visit("/c/" + c + "/outcome")
	visit("/")
}

func drawnOf(t *testing.T, d *benchDesk, number string) []int {
	t.Helper()
	st, err := d.store.Consignment(t.Context(), d.codes[number])
	if err != nil {
		t.Fatal(err)
	}
	return st.Running().ToExamine()
}

// TestBadFormsAtTheBench posts what no page would, and looks that each is refused
// in words and changes nothing.
func TestBadFormsAtTheBench(t *testing.T) {
	d := newBenchDesk(t)
	st := d.draw("K-2038")
	c, p := st.Code, packagePath(st.Code, 1)
	d.do("K-2038", consignment.Fetch{Package: 1}, consignment.Fetch{Package: 2})
	d.post(p, url.Values{"act": {"open"}})
	d.post(p, url.Values{"act": {"look"}})
	before, err := d.store.Consignment(t.Context(), c)
	if err != nil {
		t.Fatal(err)
	}
	tests := []struct {
		name, path string
		form       url.Values
		status     int
		words      string
	}{
		{"units in words", p, url.Values{"act": {"count"}, "units": {"twelve"}}, 422, "whole number"},
		{"no units", p, url.Values{"act": {"count"}, "units": {"0"}}, 422, "cannot be"},
		{"a huge number", p, url.Values{"act": {"count"}, "units": {"99999999999999999999"}}, 422, "whole number"},
		{"an act nobody knows", p, url.Values{"act": {"fly"}}, 422, "does not know this step"},
		{"a package not on the list", packagePath(c, 9), url.Values{"act": {"open"}}, 404, "numbered 1 to 2"},
		{"a package that is no number", "/c/" + c + "/p/x", url.Values{"act": {"open"}}, 404, "nothing at this address"},
		{"a consignment nobody knows", "/c/2222/p/1", url.Values{"act": {"open"}}, 404, "no such consignment"},
		{"a find of nothing", p + "/find", url.Values{"unit": {"0"}}, 422, ""},
		{"a rung below the advice", p + "/find", url.Values{"unit": {"0"}, "what": {"soil"}, "alive": {"yes"}, "method": {"eye"}, "rung": {"note"}}, 403, "only a supervisor"},
		{"a stale page", p, url.Values{"act": {"count"}, "units": {"3"}, "version": {"2"}}, 409, "somebody else was quicker"},
		{"a check with half the answers", "/c/" + c + "/check/before", url.Values{"item_clean": {"yes"}}, 422, "Answer yes or no"},
		{"a check at no phase", "/c/" + c + "/check/during", url.Values{}, 404, "nothing at this address"},
		{"sealed again", "/c/" + c + "/seal", url.Values{"counted": {"2"}}, 409, "nobody can draw twice"},
		{"the end too early", "/c/" + c + "/conclude", url.Values{}, 409, "cannot end yet"},
		{"a person nobody knows", "/who", url.Values{"person": {"ZZZZ"}}, 404, "nobody with that badge"},
		{"a bench without a name", "/bench", url.Values{"name": {" \t"}}, 422, "needs a name"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			a := d.post(tt.path, tt.form)
			if a.status != tt.status || !strings.Contains(a.text(), tt.words) {
				t.Errorf("POST %s %v = %d %.400q, want %d with %q", tt.path, tt.form, a.status, a.text(), tt.status, tt.words)
			}
			harmless(t, a)
		})
	}
	after, err := d.store.Consignment(t.Context(), c)
	if err != nil || after.Version != before.Version {
		t.Errorf("history has %d steps (%v), want %d: a refused form left something behind", after.Version, err, before.Version)
	}
}
