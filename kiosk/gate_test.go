package kiosk

import (
	"encoding/json"
	"encoding/xml"
	"fmt"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"lastlook/internal/browsertest"
	"lastlook/internal/code"
	"lastlook/internal/consignment"
	"lastlook/internal/handtest"
	"lastlook/internal/ladder"
	places "lastlook/internal/place"
	"lastlook/internal/store"
)

// order takes one more order in, of packages with two units each.
func (d *benchDesk) order(number string, packages int) string {
	d.t.Helper()
	taken, err := d.store.Register(d.t.Context(), consignment.Actor{ID: "x", Name: "office"}, "office", []consignment.Registered{{
		Number: number, Customer: "Tolver Parks (invented)", Destination: "Saltwick", DispatchAt: noon.Add(5 * time.Hour), Fingerprint: number,
		Lines: []consignment.Line{{Crop: "Salvia", Batch: "S-9", Bay: "C4", Packages: packages, UnitsPerPackage: 2}},
	}}, nil)
	if err != nil || taken[0].Refused != nil {
		d.t.Fatalf("Register(%s): %v, %+v", number, err, taken)
	}
	d.codes[number] = taken[0].Code
	return taken[0].Code
}

// pass inspects a consignment that is clean.
func (d *benchDesk) pass(number string) *consignment.State {
	d.t.Helper()
	st := d.draw(number)
	for _, n := range st.Running().ToExamine() {
		p, _ := st.Package(n)
		units := p.CropLine.UnitsPerPackage
		d.do(number, consignment.Fetch{Package: n}, consignment.Open{Package: n}, consignment.LookPackage{Package: n},
			consignment.CountUnits{Package: n, Units: units}, consignment.CleanRest{Package: n, Count: units},
			consignment.ConfirmLooks{Package: n, Made: st.Running().Rules.Looks}, consignment.ClosePackage{Package: n})
	}
	after := consignment.CheckBench{After: true, Rules: st.Running().Rules}
	for _, it := range after.Rules.After {
		after.Yes = append(after.Yes, it.ID)
	}
	st = d.do(number, after, consignment.EndRound{})
	if st.Standing() != consignment.StandPassed {
		d.t.Fatalf("%s stands as %s", number, st.Standing())
	}
	return st
}

// load takes packages aboard behind the screens' back.
func (d *benchDesk) load(number string, packages ...int) {
	d.t.Helper()
	for _, n := range packages {
		d.do(number, consignment.Load{Package: n})
	}
}

func TestGateAnswers(t *testing.T) {
	d := newLiveDesk(t, nil)
	a := d.order("K-1", 4)
	d.order("K-2", 3)
	d.order("K-3", 3)
	for _, number := range []string{"K-1", "K-2", "K-3"} {
		d.pass(number)
	}
	pkg := func(number string, n int) string { return code.Package(d.codes[number], n).String() }
	at := gatePath(a)
	says := func(name, page, scan string, want tone, text, detail, goes string) {
		t.Helper()
		status, got := d.scan(page, scan)
		if status != 200 || got.Tone != want || !strings.Contains(got.Text, text) || !strings.Contains(got.Detail, detail) || got.Go != goes {
			t.Errorf("%s: %d %+v, want %s, %q, %q, leading to %q", name, status, got, want, text, detail, goes)
		}
		if got.Whole != (want == toneRight && strings.Contains(text, "goes aboard")) {
			t.Errorf("%s: takes the whole screen: %v", name, got.Whole)
		}
	}
	says("the label of the consignment chooses", "/gate", code.Consignment(a).String(), toneRight, "Loading K-1", "0 of 4", at)
	says("so does the number on the papers", "/gate", "K-1", toneRight, "Loading K-1", "0 of 4", at)
	if n := d.state("K-1").Aboard(); len(n) != 0 {
		t.Fatalf("choosing loaded %v", n)
	}
	says("a first package chooses and goes aboard", "/gate", pkg("K-1", 2), toneRight, "002 goes aboard", "1 of 4", at)
	says("the next one", at, pkg("K-1", 4), toneRight, "004 goes aboard", "2 of 4", at)
	says("loaded already", at, pkg("K-1", 4), toneNote, "004 is aboard already, since 12:20", "2 of 4", at)
	says("another consignment", at, pkg("K-2", 1), toneWrong, "Another consignment: K-2, package 001.", "Put it back: K-1 is being loaded.", "")
	says("a number beyond the list", at, pkg("K-1", 5), toneWrong, "There is no package 005 in K-1.", "Put this one aside", "")
	says("a consignment nobody knows", "/gate", code.Package("2222", 1).String(), toneWrong, "no consignment", "another site", "")
	says("nobody's code", at, "4006381333931-X", toneWrong, "Nobody here knows this code.", "put it aside", "")
	says("check digits that do not fit", at, strings.Repeat("K", 3)+pkg("K-1", 1)[3:], toneWrong, "", "Scan the", "")
	says("GS1", at, "]C1011234567890123110ABC", toneWrong, "Not a label of ours", "does not go aboard", "")
	says("a sample", at, mustCode(t, code.KindSample, "2222").String(), toneWrong, "A sample does not go aboard.", "laboratory", "")
	says("a place", at, mustCode(t, code.KindLocation, "2222").String(), toneNote, "card of a place", "packages are scanned", "")
	says("a card of the bench", at, code.Card(code.Clean).String(), toneWrong, "for the bench", "packages are scanned", "")
	says("the card that undoes", at, code.Card(code.Undo).String(), toneRight, "off again?", "", "/c/"+a+"/unload?p=last")
	says("a badge nobody has", at, mustCode(t, code.KindBadge, "2222").String(), toneWrong, "badge", "", "")
	says("not inspected", "/gate", pkg("K-2041", 1), toneWrong, "not inspected yet", "have it inspected first", gatePath(d.codes["K-2041"]))
	d.draw("K-2038")
	says("under inspection", "/gate", pkg("K-2038", 1), toneWrong, "still under inspection", "0 of 2 packages are examined", gatePath(d.codes["K-2038"]))

	d.do("K-2", consignment.HoldBack{Rung: ladder.Sample, Reason: "same batch as K-9"})
	says("held", "/gate", pkg("K-2", 1), toneWrong, "K-2 is held: same batch as K-9", "supervisor decides", gatePath(d.codes["K-2"]))
	d.do("K-2", consignment.HoldBack{Rung: ladder.Stop, Reason: "seen"})
	says("stopped", "/gate", pkg("K-2", 1), toneWrong, "STOPPED: nothing of K-2 moves.", "call the supervisor now", gatePath(d.codes["K-2"]))
	says("stopped, by its label", "/gate", code.Consignment(d.codes["K-2"]).String(), toneWrong, "STOPPED", "call the supervisor", gatePath(d.codes["K-2"]))
	d.do("K-2", consignment.AnswerStop{Hold: 2, Answer: consignment.StopRejected, Reason: "confirmed"})
	d.do("K-2", consignment.LiftHold{Hold: 1, Reason: "rejected anyway"})
	says("rejected", "/gate", pkg("K-2", 1), toneWrong, "K-2 was rejected", "Keep it apart", gatePath(d.codes["K-2"]))
	d.do("K-2", consignment.ChangeList{Removed: []int{3}, Reason: "destroyed"})
	says("taken out of the list", "/gate", pkg("K-2", 3), toneWrong, "Package 003 was taken out of K-2.", "does not go aboard", "")

	// The store was not fit; then it was.
	st := d.state("K-3")
	check := consignment.CheckStore{Place: consignment.Place{Code: "PPPP", Name: "Store", Kind: consignment.PassedStore}}
	for _, it := range st.Round().Rules.StoreItems() {
		check.No = append(check.No, it.ID)
	}
	d.do("K-3", check)
	says("a store that was not fit", "/gate", pkg("K-3", 1), toneWrong, "The store of K-3 was not as it must be", "until that is done", gatePath(d.codes["K-3"]))
	check.Yes, check.No = check.No, nil
	d.do("K-3", check)
	d.load("K-3", 1, 2, 3)
	d.do("K-3", consignment.Dispatch{Vehicle: "EM 12"})
	says("gone", "/gate", pkg("K-3", 1), toneWrong, "K-3 left at", "left behind", gatePath(d.codes["K-3"]))

	// Scans made on a page that has changed since are right on what is shown now.
	form := func(at, now, scan string) wireAnswer {
		keySeen++
		return d.post1("/scan", url.Values{"code": {scan}, "at": {at}, "now": {now}, "key": {fmt.Sprintf("scan-key-%d", keySeen)}})
	}
	if a := form("/gate", at, pkg("K-2036", 1)); a.Tone != toneWrong || !strings.Contains(a.Text, "Another consignment") {
		t.Errorf("a scan made before K-1 was chosen, of another: %+v", a)
	}
	if a := form(gatePath(d.codes["K-2036"]), at, pkg("K-1", 1)); a.Tone != toneRight || a.Detail != "3 of 4" {
		t.Errorf("a scan made before the page changed to K-1, of K-1: %+v", a)
	}

	// The page for leaving takes scans as well, and stays.
	says("while leaving", "/c/"+a+"/dispatch", pkg("K-1", 3), toneRight, "003 goes aboard: that is all of K-1", "4 of 4", "/c/"+a+"/dispatch")
	d.do("K-1", consignment.Unload{Package: 3, Reason: "slip"})
	d.later(73 * time.Hour)
	says("out of its window", at, pkg("K-1", 3), toneWrong, "K-1 lapsed", "Inspect it again, or hold it", at)
	d.get(at).wants(t, 200, "/gate.*", "K-1 lapsed", "Unload, to inspect again", "Hold it", "3 of 4 aboard")
	d.get("/gate").wants(t, 200, "/gate", "out of time", "K-1")
}

// post1 sends a scan with everything it carries.
func (d *benchDesk) post1(path string, form url.Values) wireAnswer {
	d.t.Helper()
	req, err := http.NewRequest("POST", d.url+path, strings.NewReader(form.Encode()))
	if err != nil {
		d.t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	req.Header.Set("Accept", "application/json")
	var a wireAnswer
	r := d.read(d.client.Do(req))
	if err := json.Unmarshal([]byte(r.body), &a); err != nil {
		d.t.Fatalf("%v: %.200s", err, r.body)
	}
	return a
}

// stateOf reads a consignment by its number.
func (d *liveDesk) state(number string) *consignment.State {
	d.t.Helper()
	st, err := d.store.Consignment(d.t.Context(), d.codes[number])
	if err != nil {
		d.t.Fatal(err)
	}
	return st
}

func TestUnloadAndDispatch(t *testing.T) {
	d := newLiveDesk(t, nil)
	c := d.order("K-1", 12)
	base := "/c/" + c
	d.get(base+"/dispatch").wants(t, 409, "", "is not inspected yet")
	d.get(base+"/driver").wants(t, 409, "", "has not left")
	d.get(base+"/driver.pdf").wants(t, 409, "", "has not left")
	d.get(base+"/unload").wants(t, 409, "", "Nothing of K-1 is on the vehicle")
	d.pass("K-1")
	d.get(base+"/dispatch").wants(t, 409, "", "Nothing is loaded yet", "Back to loading")
	d.post(base+"/dispatch", url.Values{"vehicle": {"EM 12"}}).wants(t, 409, "", "Nothing is loaded yet")
	d.load("K-1", 1, 2, 3, 5, 9, 10, 11)
	d.get(gatePath(c)).wants(t, 200, "/gate.*", "7 of 12 aboard", "004", "006–008", "012", "Take 011 off again", "Leave with 7 of 12", "left, until")

	d.get(base+"/unload?p=4").wants(t, 409, "", "004 is not on the vehicle")
	d.get(base+"/unload?p=last").wants(t, 200, "", "Take package 011 off again?", "Scanned, but not loaded")
	d.post(base+"/unload", url.Values{"p": {"11"}}).wants(t, 422, base+"/unload", "Say why it comes off", "Take package 011 off again?")
	off := url.Values{"p": {"11"}, "why": {"slip"}, "key": {"off"}}
	d.post(base+"/unload", off).wants(t, 200, "/gate.*", "Package 011 is off the vehicle.", "6 of 12")
	d.post(base+"/unload", off).wants(t, 200, "/gate.*", "6 of 12") // the same form again
	d.get(gatePath(c)).wants(t, 200, "/gate.*", "Take 010 off again")

	form := func(kv ...string) url.Values {
		v := url.Values{}
		for i := 0; i < len(kv); i += 2 {
			v.Set(kv[i], kv[i+1])
		}
		return v
	}
	d.get(base+"/dispatch").wants(t, 200, "", "6 of 12 packages leave", "6 packages stay here.", "Not aboard: 004, 006–008, 011, 012", "No room on the vehicle")
	for _, tt := range []struct {
		name   string
		form   url.Values
		status int
		says   string
	}{
		{"no vehicle", form("why", "room"), 422, "Say which vehicle takes it."},
		{"no reason", form("vehicle", "EM 12", "seal", "S-7781"), 422, "say why the others stay"},
		{"a vehicle of a thousand letters", form("vehicle", strings.Repeat("x", 3000), "why", "room"), 422, ""},
		{"a page that is old", form("vehicle", "EM 12", "why", "room", "version", "3"), 409, "somebody else was quicker"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			a := d.post(base+"/dispatch", tt.form)
			a.wants(t, tt.status, base+"/dispatch", tt.says)
			if d.state("K-1").Dispatched != nil {
				t.Error("it left")
			}
			if v := tt.form.Get("seal"); v != "" && !strings.Contains(a.body, v) {
				t.Errorf("what was typed (%s) is gone", v)
			}
			harmless(t, a)
		})
	}
	leave := form("vehicle", `EM <b>12</b>`, "seal", "S-7781", "why", "room", "reason", "two trays did not fit", "key", "leave")
	d.post(base+"/dispatch", leave).wants(t, 200, base+"/driver", "K-1 has left: 6 packages.", "S-7781", "004, 006–008, 011, 012", "two trays did not fit")
	d.post(base+"/dispatch", leave).wants(t, 200, base+"/driver") // the same form again
	a := d.get(base + "/driver")
	a.wants(t, 200, base+"/driver", "Loading document", "Portable record")
	harmless(t, a)
	d.get(base+"/dispatch").wants(t, 200, base+"/driver")
	if a := d.get(base + "/driver.pdf"); a.status != 200 || !strings.HasPrefix(a.body, "%PDF-") {
		t.Errorf("the loading document: %d %.20q", a.status, a.body)
	}
	d.get(base+"/bundle").wants(t, 200, "")
	d.get(base+"/marks").wants(t, 409, "", "No mark can be printed")
	d.get(base+"/store").wants(t, 409, "", "is dispatched")
	// Kept back after it left: it is said wherever its papers are.
	d.do("K-1", consignment.HoldBack{Rung: ladder.Stop, Reason: "the same batch as K-9"})
	d.get(base+"/driver").wants(t, 200, "", "Kept back at 12:20, after it left: the same batch as K-9", "Reach the driver")
	d.get(base+"/outcome").wants(t, 200, "", "Reach the driver")
	d.get("/board").wants(t, 200, "", "kept back, but gone")
}

func TestMarksAndStore(t *testing.T) {
	d := newLiveDesk(t, nil)
	c := d.order("K-1", 4)
	base := "/c/" + c
	d.get(base+"/marks").wants(t, 409, "", "There is no outcome to mark yet.")
	d.get(base+"/marks.pdf").wants(t, 409, "", "There is no outcome to mark yet.")
	d.get(base+"/store").wants(t, 409, "", "checked of goods that passed")
	d.pass("K-1")
	d.get(base+"/marks").wants(t, 200, "", "Each package", "The whole consignment")
	for _, tt := range []struct {
		name string
		form url.Values
		says string
	}{
		{"no such sheet", url.Values{"sheet": {"cloth"}}, "Choose what the marks are printed on."},
		{"for what", url.Values{"what": {"half"}}, "Choose what the marks are for."},
		{"no such package", url.Values{"from": {"5"}}, ""},
		{"backwards", url.Values{"from": {"3"}, "to": {"2"}}, "The last label must be from 3 to 4."},
		{"words", url.Values{"to": {"many"}}, ""},
		{"too many gone", url.Values{"skip": {"999"}}, "can be gone"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			d.post(base+"/marks", tt.form).wants(t, 422, base+"/marks", tt.says)
			if len(d.state("K-1").Marks) != 0 {
				t.Error("marks are on record")
			}
		})
	}
	d.post(base+"/marks", url.Values{"what": {"each"}, "from": {"2"}, "to": {"4"}, "sheet": {"a4"}}).wants(t, 200, base+"/marks.*", "The marks are made", "3 marks, packages 2 to 4")
	d.post(base+"/marks", url.Values{"what": {"whole"}, "sheet": {"a4-consignment"}}).wants(t, 200, base+"/marks.*", "one mark for the whole consignment")
	if m := d.state("K-1").Marks; len(m) != 2 || m[0].MarksPrinted.Marks != 3 || m[1].MarksPrinted.Marks != 1 || m[0].Outcome != consignment.Passed {
		t.Errorf("marks on record: %+v", m)
	}
	d.marksAreRead(base+"/marks.pdf?what=each&from=2&to=4&sheet=a4", code.Package(c, 2).String(), code.Package(c, 3).String(), code.Package(c, 4).String())
	d.marksAreRead(base+"/marks.pdf?what=whole&sheet=a4-consignment", code.Consignment(c).String())

	// The store.
	d.get(base+"/store").wants(t, 200, "", "No passed store is on the list of places.")
	d.post("/places", typedPlace("passed_store", "Cold frame 2", "")).wants(t, 200, "/places")
	d.post("/places", typedPlace("passed_store", "Cold frame 3", "")).wants(t, 200, "/places")
	d.post("/places", typedPlace("quarantine_bay", "Bay Q", "")).wants(t, 200, "/places")
	list, err := d.store.Places(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	frame, bay := list.InUse(places.PassedStore)[0], list.InUse(places.QuarantineBay)[0]
	_, a := d.scan(base+"/store", placeCode(frame).String())
	if a.Tone != toneRight || a.Go != base+"/store?place="+frame.ID {
		t.Errorf("a scan of the store's card: %+v", a)
	}
	d.get(a.Go).wants(t, 200, "", `value="`+frame.ID+`" checked`)
	if _, a := d.scan(base+"/store", placeCode(bay).String()); a.Tone != toneWrong || !strings.Contains(a.Text, "Bay Q is no store for goods that passed") {
		t.Errorf("a scan of a quarantine bay: %+v", a)
	}
	items := d.state("K-1").Round().Rules.StoreItems()
	fill := func(place, answer string) url.Values {
		v := url.Values{"place": {place}, "note": {"by the door"}}
		for _, it := range items {
			v.Set("item_"+it.ID, answer)
		}
		return v
	}
	d.post(base+"/store", fill("", "yes")).wants(t, 422, base+"/store", "Scan the place, or choose it", "by the door")
	d.post(base+"/store", fill(bay.ID, "yes")).wants(t, 422, base+"/store", "Scan the place, or choose it")
	half := fill(frame.ID, "yes")
	half.Del("item_" + items[1].ID)
	d.post(base+"/store", half).wants(t, 422, base+"/store", "Answer yes or no")
	all := url.Values{"place": {frame.ID}, "all": {"yes"}}
	d.post(base+"/store", all).wants(t, 200, base+"/store", `value="yes" checked`)
	no := fill(frame.ID, "yes")
	no.Set("item_"+items[0].ID, "no")
	d.post(base+"/store", no).wants(t, 200, base+"/store", "Not as it must be", "said no to 1 lines")
	if _, a := d.scan("/gate", code.Package(c, 1).String()); a.Tone != toneWrong {
		t.Errorf("a package goes aboard from a store that was not fit: %+v", a)
	}
	d.post(base+"/store", fill(frame.ID, "yes")).wants(t, 200, base+"/outcome", "The store is as it must be.")
	d.get(base+"/store").wants(t, 200, "", "in Cold frame 2: all as it must be")

	// What lost its pass gets marks that say so.
	d.do("K-1", consignment.HoldBack{Rung: ladder.Sample, Reason: "same batch"})
	d.get(base+"/marks").wants(t, 200, base+"/marks", "Print marks: Held")
	d.post(base+"/marks", url.Values{}).wants(t, 200, base+"/marks.*", "The marks are made")
	if ms := d.state("K-1").Marks; len(ms) != 3 || ms[2].Outcome != consignment.Held {
		t.Errorf("marks on record: %+v, want the newest to say held", ms)
	}
	d.get(base+"/marks.pdf").wants(t, 200, "")
	d.do("K-1", consignment.LiftHold{Hold: 1, Reason: "harmless"})
	d.get(base+"/marks.pdf").wants(t, 200, "")
	d.later(73 * time.Hour)
	d.post(base+"/marks", url.Values{}).wants(t, 409, base+"/marks", "its window is over")
	d.get(base+"/marks.pdf").wants(t, 409, "", "its window is over")
	if n := len(d.state("K-1").Marks); n != 3 {
		t.Errorf("%d runs of marks on record, want 3", n)
	}
}

// marksAreRead prints a file and reads it back with zbarimg.
func (d *benchDesk) marksAreRead(path string, want ...string) {
	d.t.Helper()
	for _, tool := range []string{"pdftoppm", "zbarimg"} {
		if _, err := exec.LookPath(tool); err != nil {
			if os.Getenv("LASTLOOK_TOOLS") == "required" {
				d.t.Fatalf("%s is required and not installed", tool)
			}
			d.t.Logf("marks are not read: %s is not installed", tool)
			return
		}
	}
	a := d.get(path)
	a.wants(d.t, 200, "")
	dir := d.t.TempDir()
	file := filepath.Join(dir, "marks.pdf")
	if err := os.WriteFile(file, []byte(a.body), 0o600); err != nil {
		d.t.Fatal(err)
	}
	if out, err := exec.Command("pdftoppm", "-r", "150", "-gray", "-png", file, filepath.Join(dir, "page")).CombinedOutput(); err != nil {
		d.t.Fatalf("pdftoppm: %v: %s", err, out)
	}
	pages, _ := filepath.Glob(filepath.Join(dir, "page*.png"))
	out, err := exec.Command("zbarimg", append([]string{"--quiet", "--nodbus", "--xml"}, pages...)...).Output()
	if err != nil {
		d.t.Fatal(err)
	}
	var report struct {
		Data []string `xml:"source>index>symbol>data"`
	}
	if err := xml.Unmarshal(out, &report); err != nil {
		d.t.Fatal(err)
	}
	slices.Sort(report.Data)
	if got := slices.Compact(report.Data); !slices.Equal(got, want) {
		d.t.Errorf("%s reads as %q, want %q", path, got, want)
	}
}

// Something is seen on goods that are half aboard: the gate offers to keep them
// back, and the page that follows says first what was seen, and where they are.
func TestDoubtAtTheGate(t *testing.T) {
	for _, tt := range []struct {
		name         string
		rung         ladder.Rung
		word, do     string
		not          []string // what the page after it must not ask for
		takenOffAlso bool
	}{
		{"a doubt", ladder.Sample, "Held", "until a supervisor has answered", []string{"Collect a sample"}, true},
		{"a suspect", ladder.Stop, "Stopped", "Leave everything where it is", nil, false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			d := newBenchDesk(t)
			c := d.order("K-1", 4)
			d.pass("K-1")
			back := "/c/" + c + "/back"
			d.get(gatePath(c)).wants(t, 200, "", `href="`+back+`"`)
			d.load("K-1", 1, 2, 3)
			d.get(gatePath(c)).wants(t, 200, "", `href="`+back+`"`, "Leave with 3 of 4")
			page := d.post(back, url.Values{"rung": {tt.rung.String()}, "reason": {"a spotted beetle on 002"}})
			page.wants(t, 200, "/c/"+c+"/outcome", tt.word, tt.do, "3 of 4 packages are on the vehicle already: it does not leave.")
			why, was := strings.Index(page.body, "a spotted beetle on 002"), strings.Index(page.body, "Nothing was found.")
			if why < 0 || was < 0 || why > was {
				t.Errorf("the page says what was seen at %d, and what the inspection found at %d: want the first first", why, was)
			}
			for _, w := range tt.not {
				if strings.Contains(page.body, w) {
					t.Errorf("the page says %q, and nothing was found to be sampled", w)
				}
			}
			gate := d.get(gatePath(c))
			if got := strings.Contains(gate.text(), "off again"); got != tt.takenOffAlso {
				t.Errorf("the gate offers to take a package off again: %v, want %v", got, tt.takenOffAlso)
			}
			if strings.Contains(gate.body, `href="`+back+`"`) {
				t.Error("the gate offers to keep back what is kept back")
			}
		})
	}
}

// Many hands scan and one tries to leave while a stop is pressed elsewhere. Once the
// stop is acknowledged nothing is loaded and nothing leaves; whatever was answered
// as aboard is on record; and if it left before, the stop is kept and said.
func TestStopAgainstTheGate(t *testing.T) {
	for _, tt := range []struct {
		name  string
		stop  int // after how many packages it is pressed
		leave int // after how many packages leaving is tried, again and again
	}{{"stop first", 8, 1000}, {"stop and leaving at once", 10, 10}, {"leaving first", 20, 6}} {
		t.Run(tt.name, func(t *testing.T) {
			d := newLiveDesk(t, nil)
			c := d.order("K-1", 60)
			d.pass("K-1")
			var next, aboard, late atomic.Int64
			var acked, left atomic.Bool
			begin, leaving := make(chan struct{}), make(chan struct{})
			var once, onceLeave sync.Once
			send := func(path string, form url.Values) (int, string) {
				req, err := http.NewRequest("POST", d.url+path, strings.NewReader(form.Encode()))
				if err != nil {
					t.Error(err)
					return 0, ""
				}
				req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
				if path == "/scan" {
					req.Header.Set("Accept", "application/json")
				}
				resp, err := (&http.Client{Jar: d.client.Jar, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}).Do(req)
				if err != nil {
					t.Error(err)
					return 0, ""
				}
				defer resp.Body.Close()
				var a wireAnswer
				_ = json.NewDecoder(resp.Body).Decode(&a)
				return resp.StatusCode, string(a.Tone)
			}
			var hands sync.WaitGroup
			for range 8 {
				hands.Go(func() {
					for {
						n := int(next.Add(1))
						if n > 60 {
							once.Do(func() { close(begin) })
							onceLeave.Do(func() { close(leaving) })
							return
						}
						after := acked.Load()
						_, got := send("/scan", url.Values{"code": {code.Package(c, n).String()}, "at": {gatePath(c)}, "key": {fmt.Sprintf("race-%s-%d", tt.name, n)}})
						if got == string(toneRight) {
							up := int(aboard.Add(1))
							if after {
								late.Add(1)
							}
							if up >= tt.stop {
								once.Do(func() { close(begin) })
							}
							if up >= tt.leave {
								onceLeave.Do(func() { close(leaving) })
							}
						}
					}
				})
			}
			for i := range 2 {
				hands.Go(func() {
					<-leaving
					for try := range 20 {
						after := acked.Load()
						status, _ := send("/c/"+c+"/dispatch", url.Values{"vehicle": {"EM 12"}, "why": {"room"}, "key": {fmt.Sprintf("leave-%s-%d-%d", tt.name, i, try)}})
						if status == http.StatusSeeOther {
							left.Store(true)
							if after {
								late.Add(1)
							}
							return
						}
					}
				})
			}
			hands.Go(func() {
				<-begin
				_, err := d.store.Do(t.Context(), store.Step{Code: c, Actor: consignment.Actor{ID: "x", Name: "Wilo Pasch"}, Bench: "bench 2", Command: consignment.HoldBack{Rung: ladder.Stop, Reason: "seen in the store"}})
				if err != nil {
					t.Errorf("the stop was not taken: %v", err)
				}
				acked.Store(true)
			})
			hands.Wait()
			st := d.state("K-1")
			if n := late.Load(); n > 0 {
				t.Errorf("%d packages or vehicles were let go after the stop was acknowledged", n)
			}
			if got := len(st.Aboard()); int64(got) != aboard.Load() {
				t.Errorf("%d packages are aboard, and %d were answered as aboard", got, aboard.Load())
			}
			held := false
			for _, rec := range st.History {
				switch rec.Event.(type) {
				case consignment.HeldBack:
					held = true
				case consignment.Loaded, consignment.Dispatched:
					if held {
						t.Errorf("step %d came after the stop: %T", rec.Version, rec.Event)
					}
				}
			}
			if !held {
				t.Fatal("the stop is not on record")
			}
			switch {
			case st.Dispatched == nil && (st.Standing() != consignment.StandStopped || left.Load()):
				t.Errorf("it stands as %s (left: %v), want stopped", st.Standing(), left.Load())
			case st.Dispatched != nil:
				d.get("/c/"+c+"/driver").wants(t, 200, "", "after it left: seen in the store")
			}
			t.Logf("%d aboard, left %v", aboard.Load(), st.Dispatched != nil)
		})
	}
}

func TestGatePagesAreSaidAndPlain(t *testing.T) {
	d := newBenchDesk(t, pseudo)
	check := func(path string, want int) {
		t.Helper()
		a := d.get(path)
		if a.status != want {
			t.Errorf("GET %s: %d, want %d", path, a.status, want)
		}
		for _, s := range append(unsaid(a.body), needsScript(a.body)...) {
			t.Errorf("%s: %s", path, s)
		}
	}
	check("/gate", 200)
	check("/board", 200)
	c := d.order("K-1", 12)
	check("/c/"+c+"/marks", 409)
	d.pass("K-1")
	d.post("/places", typedPlace("passed_store", "Cold frame 2", "")).wants(t, 200, "/places")
	d.load("K-1", 1, 2, 7)
	for _, path := range []string{"/gate", gatePath(c), "/board", "/c/" + c + "/marks", "/c/" + c + "/marks?done=1", "/c/" + c + "/store", "/c/" + c + "/unload", "/c/" + c + "/unload?p=7", "/c/" + c + "/dispatch", "/c/" + c + "/outcome", "/", "/office"} {
		check(path, 200)
	}
	d.do("K-1", consignment.Dispatch{Vehicle: "EM 12", Reason: "no room"}, consignment.HoldBack{Rung: ladder.Stop, Reason: "seen"})
	for _, path := range []string{gatePath(c), "/board", "/c/" + c + "/driver", "/c/" + c + "/outcome"} {
		check(path, 200)
	}
}

// TestGateInBrowser takes a consignment that passed from its marks to the papers, by
// scanner and hand.
func TestGateInBrowser(t *testing.T) {
	d := newLiveDesk(t, nil)
	b := handtest.New(t, d.url+"/")
	c := d.order("K-1", 3)
	d.order("K-2", 3)
	d.pass("K-1")
	d.pass("K-2")
	d.post("/places", typedPlace("passed_store", "Cold frame 2", "")).wants(t, 200, "/places")
	list, err := d.store.Places(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	badge := ""
	roster, err := d.store.Roster(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range roster.Working() {
		if p.Name == "Tam Orrin" {
			badge = mustCode(t, code.KindBadge, p.Badge).String()
		}
	}
	pkg := func(number string, n int) string { return code.Package(d.codes[number], n).String() }
	b.Open(d.url + "/c/" + c + "/outcome")
	b.Answered(badge, "right", "Tam Orrin")
	b.Press("Print passed marks")
	b.On("Print marks: Passed")
	b.See("marks")
	b.Press("Make the marks")
	b.On("The marks are made")
	b.See("marks-made")
	d.marksAreRead("/c/"+c+"/marks.pdf?what=each&sheet=a4", pkg("K-1", 1), pkg("K-1", 2), pkg("K-1", 3))
	b.Press("Check the store")
	b.On("Is the store as it must be?")
	b.See("store")
	b.Answered(placeCode(list.Places[0]).String(), "right", "Is Cold frame 2 as it must be?")
	b.Press("Yes to every line")
	b.Wait(`document.querySelectorAll("#page .check input[value=yes]:checked").length === 3`)
	b.Press("The store is checked")
	b.Outcome("Passed")
	b.See("outcome")

	b.Open(d.url + "/gate")
	b.On("What is loaded?")
	b.See("choose")
	b.Answered(code.Consignment(c).String(), "right", "Loading K-1")
	b.See("chosen")
	// Three scans in a row, none is lost.
	for n := 1; n <= 2; n++ {
		b.Scan(pkg("K-1", n))
	}
	b.Wait(`document.querySelector("#answer").innerText.includes("2 of 3")`)
	b.See("aboard")
	b.Wait(`document.getElementById("scans").dataset.state === "idle" && document.querySelector(".aboard-count").innerText.startsWith("2")`)
	if n := len(d.state("K-1").Aboard()); n != 2 {
		t.Errorf("%d packages are aboard, want 2", n)
	}
	b.Answered(pkg("K-2", 3), "wrong", "Another consignment: K-2")
	b.See("wrong")
	b.Answered(pkg("K-1", 2), "note", "is aboard already")
	b.See("two-of-three")
	b.Press("Take 002 off again")
	b.On("Take package 002 off again?")
	b.See("unload")
	b.Press("Take it off")
	b.Wait(`document.querySelector(".aboard-count")?.innerText.startsWith("1")`)
	b.Answered(pkg("K-1", 2), "right", "002 goes aboard")

	// The window ends while the vehicle stands there; then the clock is found wrong.
	d.later(73 * time.Hour)
	b.Answered(pkg("K-1", 3), "wrong", "K-1 lapsed")
	b.Wait(`document.querySelector("#page .notice-wrong")?.innerText.includes("K-1 lapsed")`)
	browsertest.Eval[bool](b.Browser, `(document.getElementById("answer").hidden = true)`)
	b.See("lapsed")
	b.Open(d.url + "/c/" + c + "/dispatch")
	b.On("It does not leave")
	b.See("dispatch-lapsed")
	d.later(-72 * time.Hour)
	b.Open(d.url + gatePath(c))
	b.Press("Leave with 2 of 3")
	b.On("2 of 3 packages leave")
	b.Press("It leaves")
	b.Wait(`document.querySelector("#page .field-error")`)
	b.Fill("vehicle", "EM 12")
	b.Press("It leaves")
	b.Wait(`document.querySelector("#page .choices .field-error, #page .choices.is-wrong")`)
	b.See("dispatch-short")
	b.Choose("why", "room")
	b.Press("It leaves")
	b.On("Papers for the driver")
	b.See("papers")
	if st := d.state("K-1"); st.Dispatched == nil || st.Dispatched.Vehicle != "EM 12" || !slices.Equal(st.Dispatched.Short, []int{3}) || st.Dispatched.By.Name != "Tam Orrin" {
		t.Errorf("left as %+v", st.Dispatched)
	}

	// A stop pressed elsewhere comes over the screen of whoever is loading it.
	b.Open(d.url + gatePath(d.codes["K-2"]))
	b.Answered(pkg("K-2", 1), "right", "001 goes aboard")
	for d.k.live.open.Load() == 0 {
		time.Sleep(10 * time.Millisecond)
	}
	d.do("K-2", consignment.HoldBack{Rung: ladder.Stop, Reason: "seen in the store"})
	b.Wait(`document.querySelector("#answer").classList.contains("answer-wrong") && document.querySelector("#answer").innerText.includes("K-2 is stopped.")`)
	b.See("stop-over-gate")
	b.Wait(`document.querySelector("#page .notice-wrong")?.innerText.includes("STOPPED")`)
	browsertest.Eval[bool](b.Browser, `(document.getElementById("answer").hidden = true)`)
	b.See("stopped-at-gate")

	other := d.order("K-3", 240)
	d.pass("K-3")
	d.load("K-3", 1, 2, 3, 120, 122, 124, 126, 240)
	for _, path := range []string{"/gate", gatePath(other), "/c/" + other + "/marks", "/c/" + other + "/store", "/c/" + other + "/unload", "/c/" + other + "/dispatch", "/c/" + c + "/driver"} {
		b.Open(d.url + path)
		for _, v := range b.Axe() {
			t.Errorf("%s: axe: %s", path, v)
		}
		for _, size := range sizes {
			b.Size(size.width, size.height)
			if wide := browsertest.Eval[[]string](b.Browser, tooWide); len(wide) > 0 {
				t.Errorf("%s at %s: wider than the window: %q", path, size.name, wide)
			}
			if small := browsertest.Eval[[]string](b.Browser, tooSmall); len(small) > 0 {
				t.Errorf("%s at %s: smaller than 64 px: %q", path, size.name, small)
			}
		}
		b.Size(1280, 800)
		if path == gatePath(other) {
			b.See("many")
		}
	}
	b.NoFaults()
}
