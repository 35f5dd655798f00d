package kiosk

import (
	"encoding/xml"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"lastlook/internal/browsertest"
	"lastlook/internal/code"
	"lastlook/internal/consignment"
	"lastlook/internal/handtest"
	"lastlook/internal/ladder"
	places "lastlook/internal/place"
	"lastlook/reference"
)

// holdFor holds a consignment for a find that nobody could name, with its other packages
// still to be examined, and gives the package.
func (d *benchDesk) holdFor(number string, facts consignment.FindFacts) int {
	d.t.Helper()
	n := d.openFor(number)
	facts.Package, facts.Units = n, 1
	if facts.Unit == 0 {
		facts.Unit = 1
	}
	for _, f := range []struct {
		to   *string
		with string
	}{{(*string)(&facts.Part), "leaf_lower"}, {(*string)(&facts.What), "not_identified"}, {(*string)(&facts.Alive), "not_told"}, {(*string)(&facts.Method), "eye"}} {
		if *f.to == "" {
			*f.to = f.with
		}
	}
	st := d.do(number, consignment.RecordFind{Facts: facts, Rung: ladder.Sample})
	if st.Running() != nil {
		d.do(number, consignment.EndRound{})
	}
	return n
}

// openFor opens the first drawn package of a consignment.
func (d *benchDesk) openFor(number string) int {
	d.t.Helper()
	st := d.draw(number)
	for _, n := range st.Running().ToExamine() {
		d.do(number, consignment.Fetch{Package: n})
	}
	n := st.Running().ToExamine()[0]
	d.do(number, consignment.Open{Package: n}, consignment.LookPackage{Package: n}, consignment.CountUnits{Package: n, Units: 3})
	return n
}

// take sends the form of a sample as the page does.
func (d *benchDesk) take(number string, change url.Values) reply {
	d.t.Helper()
	form := url.Values{"round": {"1"}, "find": {"1"}, "taken": {"leaf"}, "kept": {"cool"}, "do": {"take"}}
	for k, v := range change {
		form[k] = v
	}
	keySeen++
	if !form.Has("key") {
		form.Set("key", fmt.Sprintf("take-%d", keySeen))
	}
	return d.sendFile("/c/"+d.codes[number]+"/sample", "photo", "", nil, form)
}

// newest is the sample of the consignment that was taken last.
func (d *benchDesk) newestSample(number string) *consignment.Sample {
	d.t.Helper()
	st := d.state(number)
	if len(st.Samples) == 0 {
		d.t.Fatalf("%s has no sample", number)
	}
	return st.Samples[len(st.Samples)-1]
}

// fridge puts a store for samples on the list of places.
func (d *desk) fridge() places.Place {
	d.t.Helper()
	d.post("/places", typedPlace("sample_store", "Sample fridge", "in the office")).wants(d.t, 200, "/places")
	list, err := d.store.Places(d.t.Context())
	if err != nil {
		d.t.Fatal(err)
	}
	return list.InUse(places.SampleStore)[0]
}

func TestFindLeadsToItsSample(t *testing.T) {
	d := newBenchDesk(t)
	d.openFor("K-2041")
	c := d.codes["K-2041"]
	pkg := d.state("K-2041").Running().ToExamine()[0]

	// Recorded at sample, a find leads to its sample at once.
	a := d.post(packagePath(c, pkg)+"/find", url.Values{"unit": {"1"}, "part": {"leaf_lower"}, "what": {"not_identified"}, "alive": {"not_told"}, "method": {"hand_lens"}, "units": {"2"}, "rung": {"sample"}})
	a.wants(t, 200, `/c/`+c+`/sample\?round=1&find=1`, "Take a sample", "Later: carry on examining", `value="leaf" checked`, `value="cool" checked`)
	d.get("/c/"+c+"/samples").wants(t, 200, "", "Collect a sample: package "+pad(pkg)+", unit 1")
	d.take("K-2041", nil).wants(t, 200, "/s/[0-9A-Z]{4}", "Carry on examining", "What is it, and is it alive?")
}

func TestSampleIsTaken(t *testing.T) {
	d := newBenchDesk(t)
	photo, err := d.store.PutBlob(t.Context(), "image/jpeg", leafPhoto(t, 90))
	if err != nil {
		t.Fatal(err)
	}
	d.holdFor("K-2041", consignment.FindFacts{Photos: []string{photo}})
	c := d.codes["K-2041"]
	page := "/c/" + c + "/sample?round=1&find=1"
	d.get(page).wants(t, 200, page[:len(page)-len("?round=1&find=1")]+`\?round=1&find=1`, "The sample is taken", `value="`+photo+`" checked`)
	// From the outcome, the find and the list of samples it is one tap.
	for _, from := range []string{"/c/" + c + "/outcome", "/c/" + c + "/f/1", "/c/" + c + "/f/1?round=1", "/c/" + c + "/samples", "/c/" + c + "/hold"} {
		d.get(from).wants(t, 200, "", strings.ReplaceAll(page, "&", "&amp;"))
	}

	for _, tt := range []struct {
		name   string
		change url.Values
		status int
		says   []string
	}{
		{"nothing said", url.Values{"taken": {""}}, 422, []string{"Say what was taken."}},
		{"a thing nobody takes", url.Values{"taken": {"nursery"}, "note": {"as seen"}}, 422, []string{"Say what was taken.", "as seen"}},
		{"not said how", url.Values{"kept": {"hot"}}, 422, []string{"Say how it is kept.", `value="leaf" checked`}},
		{"a question too long", url.Values{"asked": {strings.Repeat("w", 1001)}}, 422, []string{"longer than 1,000 characters"}},
		{"a photo from elsewhere", url.Values{"photo": {strings.Repeat("ab", 32)}}, 422, []string{"One of the photos is not here"}},
		{"too many photos", url.Values{"photo": slices.Repeat([]string{photo}, 13)}, 422, []string{"12 photos"}},
		{"a photo asked for and none sent", url.Values{"do": {"photo"}}, 422, []string{"No photo came with this"}},
		{"a find that is not there", url.Values{"find": {"7"}}, 404, []string{"There is no find 7 in round 1."}},
		{"a find in words", url.Values{"find": {strings.Repeat("x", 300)}}, 404, []string{"There is no find xxxxxxxxxxxxxxxxxxxx… in"}},
		{"a round that is not there", url.Values{"round": {"2"}}, 404, []string{"There is no round 2"}},
		{"a stale page", url.Values{"version": {"1"}}, 409, []string{"somebody else was quicker"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			a := d.take("K-2041", tt.change)
			a.wants(t, tt.status, "", tt.says...)
			harmless(t, a)
		})
	}
	if n := len(d.state("K-2041").Samples); n != 0 {
		t.Fatalf("%d samples after refused forms", n)
	}

	// A photo that comes along is kept with it; the same form twice is one sample.
	form := url.Values{"round": {"1"}, "find": {"1"}, "taken": {"leaf"}, "kept": {"cool"}, "do": {"take"}, "key": {"one-sample"}, "photo": {photo}, "asked": {shouts[0]}}
	first := d.sendFile("/c/"+c+"/sample", "photo", "leaf.jpg", leafPhoto(t, 120), form)
	first.wants(t, 200, "/s/[0-9A-Z]{4}", "is taken", "Print its label", "at the bench", "Taken")
	harmless(t, first)
	again := d.sendFile("/c/"+c+"/sample", "photo", "leaf.jpg", leafPhoto(t, 120), form)
	again.wants(t, 200, first.path)
	st := d.state("K-2041")
	if len(st.Samples) != 1 || len(st.Samples[0].Photos) != 2 || st.Samples[0].Asked != shouts[0] || st.Samples[0].By.Name != "Ida Fenn" {
		t.Fatalf("samples %+v, want one with two photos by Ida Fenn", st.Samples)
	}
	d.get(page).wants(t, 200, "", "There are samples of this find already: 1.")
	d.get("/c/"+c+"/samples").wants(t, 200, "", "Waiting", "at the bench")
	d.get("/c/"+c+"/samples.pdf").wants(t, 404, "")

	// A photo alone is added to the form, and nothing is taken.
	form.Set("do", "photo")
	form.Set("key", "another")
	form.Set("note", "what was typed")
	d.sendFile("/c/"+c+"/sample", "photo", "leaf.jpg", leafPhoto(t, 150), form).wants(t, 200, "", "what was typed", "Take a sample")
	if n := len(d.state("K-2041").Samples); n != 1 {
		t.Errorf("%d samples, want 1", n)
	}
	// Not inspected yet, there is nothing to take a sample of.
	d.get("/c/"+d.codes["K-2038"]+"/sample?find=1").wants(t, 404, "", "is not inspected yet")
	d.get("/c/"+d.codes["K-2038"]+"/samples").wants(t, 200, "", "No sample was taken")
}

// Samples of a find can be taken when its round is long over.
func TestSampleOfAnEarlierRound(t *testing.T) {
	d := newBenchDesk(t)
	n := d.openFor("K-2038")
	d.do("K-2038", consignment.RecordFind{Facts: consignment.FindFacts{Package: n, Unit: 1, Part: consignment.PartStem, What: consignment.LivePest, Units: 1, Alive: consignment.AliveYes, Method: consignment.ByEye}}, consignment.EndRound{})
	c := d.codes["K-2038"]
	a := d.get("/c/" + c + "/f/1")
	a.wants(t, 200, "", "Take a sample of it", "Round 1, ")
	if strings.Contains(a.body, "Put the find right") {
		t.Error("a find of an ended round can be put right")
	}
	d.post("/c/"+c+"/f/1", url.Values{"what": {"raise"}, "rung": {"stop"}}).wants(t, 409, "", "Round 1 is over")
	d.do("K-2038", consignment.CleanBench{Bench: "office", How: "swept"})
	rules := d.store.Rules("")
	fit := consignment.CheckBench{Rules: rules}
	for _, it := range rules.Before {
		fit.Yes = append(fit.Yes, it.ID)
	}
	d.do("K-2038", fit, consignment.Seal{Counted: 2, Rules: rules, Reason: "sprayed"})
	d.take("K-2038", url.Values{"taken": {"specimen"}, "kept": {"alcohol"}}).wants(t, 200, "/s/[0-9A-Z]{4}")
	if x := d.newestSample("K-2038"); x.Round != 1 || x.Package != n {
		t.Errorf("sample %+v, want one of round 1", x)
	}
	d.get("/c/"+c+"/f/1?round=1").wants(t, 200, "", "Samples of it")
	d.get("/c/"+c+"/f/1").wants(t, 404, "", "There is no find 1 in round 2")
	d.post("/c/"+c+"/f/1", url.Values{"what": {"raise"}, "rung": {"stop"}, "round": {"1"}}).wants(t, 409, "", "Round 1 is over")
	d.get("/samples").wants(t, 200, "", "of an earlier inspection")
}

func TestUsualSample(t *testing.T) {
	for _, tt := range []struct {
		name string
		f    consignment.FindFacts
		what consignment.Taken
		kept consignment.Kept
	}{
		{"an insect", consignment.FindFacts{What: consignment.LivePest, Part: consignment.PartLeafLower}, consignment.TakenSpecimen, consignment.KeptAlcohol},
		{"a nematode", consignment.FindFacts{What: consignment.LivePest, Part: consignment.PartRoot, Entry: &consignment.EntryPin{Kind: "nematode"}}, consignment.TakenRoot, consignment.KeptCool},
		{"spots", consignment.FindFacts{What: consignment.Disease, Part: consignment.PartLeafUpper}, consignment.TakenLeaf, consignment.KeptCool},
		{"a canker", consignment.FindFacts{What: consignment.Disease, Part: consignment.PartBark}, consignment.TakenStem, consignment.KeptCool},
		{"a weed", consignment.FindFacts{What: consignment.Weed, Part: consignment.PartMedium}, consignment.TakenPlant, consignment.KeptCool},
		{"nobody knows, in the medium", consignment.FindFacts{What: consignment.NotIdentified, Part: consignment.PartMedium}, consignment.TakenMedium, consignment.KeptCool},
		{"nobody knows, in the package", consignment.FindFacts{What: consignment.NotIdentified, Part: consignment.PartPackage}, consignment.TakenSpecimen, consignment.KeptDry},
	} {
		if what, kept := usualSample(tt.f); what != tt.what || kept != tt.kept {
			t.Errorf("%s: usualSample = %s, %s; want %s, %s", tt.name, what, kept, tt.what, tt.kept)
		}
	}
}

func TestCustodyOverHTTP(t *testing.T) {
	d := newBenchDesk(t)
	fridge := d.fridge()
	d.holdFor("K-2041", consignment.FindFacts{})
	d.take("K-2041", nil)
	x := d.newestSample("K-2041")
	s := "/s/" + x.Sample
	card := code.Code{Kind: code.KindLocation, Payload: fridge.ID}.String()
	label := sampleCode(x.Sample).String()
	foreign := code.NewToken(code.KindSample, 5)
	if foreign == x.Sample {
		foreign = code.NewToken(code.KindSample, 6)
	}

	for _, tt := range []struct {
		name     string
		at, code string
		tone     tone
		words    string
		goes     string
	}{
		{"its label on the board", "/", label, toneRight, "Sample " + x.Sample, s},
		{"its label at another consignment", "/c/" + d.codes["K-2038"], label, toneRight, "Sample " + x.Sample, s},
		{"a sample of another site", "/", sampleCode(foreign).String(), toneWrong, "Is it of another site?", ""},
		{"a place nobody knows", s, mustCode(t, code.KindLocation, "2222").String(), toneWrong, "No place here has this code.", ""},
		{"a place at a sample of another site", "/s/" + foreign, card, toneWrong, "Is it of another site?", ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if _, a := d.scan(tt.at, tt.code); a.Tone != tt.tone || !strings.Contains(a.Text, tt.words) || a.Go != tt.goes {
				t.Errorf("scan at %s = %+v, want %s %q to %q", tt.at, a, tt.tone, tt.words, tt.goes)
			}
		})
	}
	for _, tt := range []struct {
		name   string
		form   url.Values
		status int
		says   string
	}{
		{"nowhere", url.Values{"do": {"store"}}, 422, "Say where the sample is stored"},
		{"no such place", url.Values{"do": {"store"}, "place": {"ZZZZ"}}, 422, "There is no such place on the list."},
		{"to nobody", url.Values{"do": {"hand"}, "by": {"  "}, "note": {"ice pack"}}, 422, "Say who took the sample"},
		{"to a name without end", url.Values{"do": {"hand"}, "by": {strings.Repeat("x", 121)}}, 422, "longer than 120"},
		{"a note without end", url.Values{"do": {"hand"}, "by": {"courier"}, "note": {strings.Repeat("x", 1001)}}, 422, "longer than 1,000"},
		{"received before it left", url.Values{"do": {"receive"}, "by": {"lab"}}, 409, "never handed over"},
		{"eaten", url.Values{"do": {"eat"}}, 422, "does not know this step"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			a := d.post(s, tt.form)
			a.wants(t, tt.status, "", tt.says)
			harmless(t, a)
		})
	}
	d.get(s+"/result").wants(t, 200, "", "never handed over")
	d.post(s+"/result", url.Values{"do": {"keep"}, "result": {"not_found"}, "laboratory": {"lab"}}).wants(t, 409, "", "never handed over")

	// A card stores it, at its page and at those below.
	if _, a := d.scan(s+"/result?result=not_found", card); a.Tone != toneRight || a.Go != s {
		t.Errorf("the card of the fridge = %+v, want it stored", a)
	}
	d.get(s).wants(t, 200, "", "stored: Sample fridge", "Hand it over", "Ida Fenn")
	d.post(s, url.Values{"do": {"hand"}, "by": {"Marl courier (invented)"}, "note": {shouts[0]}}).wants(t, 200, s, "handed over to Marl courier (invented)", "Did it arrive?")
	if a := d.get(s + "/result?result=not_found"); strings.Contains(a.body, `value="Marl courier`) {
		t.Error("the carrier is offered as the laboratory that answered")
	}
	if _, a := d.scan(s, card); a.Tone != toneWrong || !strings.Contains(a.Text, "not here any more") {
		t.Errorf("a card for a sample that left = %+v", a)
	}
	d.post(s, url.Values{"do": {"hand"}, "by": {"courier"}}).wants(t, 409, "", "handed over already")
	d.post(s, url.Values{"do": {"receive"}, "by": {"Eastmoor laboratory (invented)"}}).wants(t, 200, s, "received by Eastmoor laboratory (invented)", "Enter its result")
	d.post(s, url.Values{"do": {"receive"}, "by": {"lab"}}).wants(t, 409, "", "received already")
	d.get("/s/"+foreign).wants(t, 404, "", "Is it of another site?")
	d.get("/s/%3Cscript%3E").wants(t, 404, "", "There is no sample")
	d.get("/c/"+d.codes["K-2041"]+"/samples").wants(t, 200, "", "received by Eastmoor laboratory")
}

// sentSample has a sample at the laboratory.
func (d *benchDesk) sentSample(number string) *consignment.Sample {
	d.t.Helper()
	d.take(number, nil)
	x := d.newestSample(number)
	d.do(number, consignment.MoveSample{Sample: x.Sample, Step: consignment.HandedOver, By: "Marl courier"},
		consignment.MoveSample{Sample: x.Sample, Step: consignment.Received, By: "Eastmoor laboratory"})
	return x
}

func answered(result, entry string) url.Values {
	v := url.Values{"result": {result}, "laboratory": {"Eastmoor laboratory"}, "reference": {"R-5"}, "note": {"seen under the microscope"}}
	if entry != "" {
		v.Set("entry", entry)
		v.Set("alive", "yes")
	}
	return v
}

func withDo(v url.Values, do string) url.Values {
	out := url.Values{"do": {do}}
	for k, x := range v {
		out[k] = x
	}
	return out
}

func TestResults(t *testing.T) {
	book := testReference(t).Book()
	mite := book.Entry("two-spotted-mite")
	east := reference.Destination{Name: "Eastmoor"}
	if by := reference.Escalate(book, mite, east); by.Action != ladder.Sample {
		t.Fatalf("by eye, two-spotted mite asks for %v: choose another example of a look-alike by laboratory", by.Action)
	}
	for _, tt := range []struct {
		name   string
		answer url.Values
		rung   ladder.Rung
		looks  []string // before it is kept
		leads  string   // %s is the code of the consignment
		says   []string
		stands consignment.Standing // after it is decided again, where that can be
	}{
		{"two-spotted mite is not mistaken for its look-alike any more", answered("identified", "two-spotted-mite"), ladder.Reject,
			[]string{"Reject the consignment", "It stays held until a supervisor ends the hold", "Then the outcome will be: Rejected"}, "/c/%s/hold", []string{"The outcome will be: Rejected"}, consignment.StandRejected},
		{"harmless", answered("identified", "springtails"), ladder.Note,
			[]string{"Then the inspection goes on"}, "/c/%s/hold", []string{"The inspection can go on", "must be examined"}, consignment.StandWork},
		{"a regulated mite", answered("identified", "lewis-mite"), ladder.Stop,
			[]string{"is stopped at once", "regulated in places"}, "/c/%s/outcome", []string{"Stopped"}, consignment.StandStopped},
		{"nothing found", answered("not_found", ""), ladder.Note, []string{"found no pest"}, "/c/%s/hold", nil, consignment.StandWork},
		{"inconclusive", answered("inconclusive", ""), ladder.Sample, []string{"collect another sample", "It will stay held"}, "/s/.*", []string{"Collect another sample"}, consignment.StandHeld},
	} {
		t.Run(tt.name, func(t *testing.T) {
			d := newBenchDesk(t)
			d.holdFor("K-2041", consignment.FindFacts{})
			x := d.sentSample("K-2041")
			c, r := d.codes["K-2041"], "/s/"+x.Sample+"/result"
			before := d.state("K-2041").Version
			look := d.post(r, withDo(tt.answer, "look"))
			look.wants(t, 200, r, append([]string{"Keep this result"}, tt.looks...)...)
			if got := d.state("K-2041").Version; got != before {
				t.Fatalf("looking at what it decides was recorded: step %d, want %d", got, before)
			}
			keep := look.form(t, r) // all answers travel with the form
			d.post(r, withDo(keep, "change")).wants(t, 200, r, "R-5", "seen under the microscope")
			d.post(r, withDo(keep, "keep")).wants(t, 200, strings.ReplaceAll(tt.leads, "%s", c), tt.says...)
			f := d.state("K-2041").Rounds[0].Finds[0]
			if f.Rung != tt.rung || f.Answered == nil {
				t.Errorf("the find stands at %v, want %v", f.Rung, tt.rung)
			}
			d.post(r, withDo(tt.answer, "keep")).wants(t, 409, "", "has its result already")
			d.get(r).wants(t, 200, "/s/"+x.Sample, "R-5", "Eastmoor laboratory")
			d.get("/samples").wants(t, 200, "", "No sample waits", "Answered")
			if tt.stands != consignment.StandStopped {
				d.post("/c/"+c+"/hold", url.Values{})
			}
			if got := d.state("K-2041").Standing(); got != tt.stands {
				t.Errorf("it stands as %s, want %s", got, tt.stands)
			}
		})
	}
}

func TestBadResults(t *testing.T) {
	d := newBenchDesk(t)
	d.holdFor("K-2041", consignment.FindFacts{})
	x := d.sentSample("K-2041")
	r := "/s/" + x.Sample + "/result"
	d.get(r).wants(t, 200, r, "What is the result?", "Nothing found")
	d.get(r+"?result=sold").wants(t, 200, "", "What is the result?")
	d.get(r+"?result=identified").wants(t, 200, "", "What was it identified as?")
	d.get(r+"?result=identified&q=Tetranychus+urticae").wants(t, 200, "", "Two-spotted spider mite", "entry=two-spotted-mite")
	d.get(r+"?result=identified&q=qqqqqqqq").wants(t, 200, "", "Is it not in the reference?")
	d.get(r+"?result=identified&entry=unicorn").wants(t, 200, "", "no entry “unicorn”", "What was it identified as?")
	d.get(r+"?result=identified&entry=two-spotted-mite").wants(t, 200, "", "who says so?", `value="Eastmoor laboratory"`, "Was it alive?")
	long := answered("not_found", "")
	long.Set("laboratory", strings.Repeat("x", 121))
	number := answered("not_found", "")
	number.Set("reference", strings.Repeat("x", 121))
	note := answered("not_found", "")
	note.Set("note", strings.Repeat("x", 1001))
	nobody := answered("not_found", "")
	nobody.Set("laboratory", " ")
	alive := answered("identified", "two-spotted-mite")
	alive.Set("alive", "purple")
	for _, tt := range []struct {
		name   string
		form   url.Values
		status int
		says   string
	}{
		{"no result", withDo(url.Values{"laboratory": {"lab"}}, "keep"), 422, "Say what the result is."},
		{"identified as nothing", withDo(answered("identified", ""), "keep"), 422, "Say what it was identified as"},
		{"an entry nobody has", withDo(answered("identified", "unicorn"), "keep"), 404, "no entry “unicorn”"},
		{"by nobody", withDo(nobody, "look"), 422, "Say who gave the result."},
		{"by a name without end", withDo(long, "look"), 422, "longer than 120"},
		{"a report without end", withDo(number, "keep"), 422, "longer than 120"},
		{"a note without end", withDo(note, "look"), 422, "longer than 1,000"},
		{"neither dead nor alive", withDo(alive, "look"), 422, "Say whether it is alive"},
		{"a step nobody knows", withDo(answered("not_found", ""), "burn"), 422, "does not know this step"},
		{"a stale page", withDo(func() url.Values { v := answered("not_found", ""); v.Set("version", "1"); return v }(), "keep"), 409, "somebody else was quicker"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			a := d.post(r, tt.form)
			a.wants(t, tt.status, "", tt.says)
			harmless(t, a)
		})
	}
	if d.newestSample("K-2041").Answer != nil {
		t.Fatal("a refused result was kept")
	}
	// Only a supervisor enters one, or ends a hold; the others are told.
	staff := d.person("Tam Orrin")
	d.signIn(staff)
	d.get(r+"?result=not_found").wants(t, 200, "", "Only a supervisor enters a result.")
	d.post(r, withDo(answered("not_found", ""), "keep")).wants(t, 403, "", "Only a supervisor enters a result")
	d.do("K-2041", consignment.AnswerSample{Sample: x.Sample, Result: consignment.NotFound, Laboratory: "lab"})
	hold := "/c/" + d.codes["K-2041"] + "/hold"
	d.get(hold).wants(t, 200, hold, "Only a supervisor ends a hold.")
	d.post(hold, url.Values{}).wants(t, 403, "", "Only a supervisor ends a hold")
	d.signIn(d.person("Ida Fenn"))
	d.post(hold, url.Values{}).wants(t, 200, "", "The hold is over: the inspection goes on.")
	d.post(hold, url.Values{}).wants(t, 200, "", "Nothing is held for an identification here.")
}

func TestHoldSaysWhatIsOpen(t *testing.T) {
	d := newBenchDesk(t)
	d.holdFor("K-2041", consignment.FindFacts{})
	c := d.codes["K-2041"]
	d.get("/c/"+c+"/hold").wants(t, 200, "", "It stays held", "Collect a sample: ", "The dispatch window keeps running: it ends at Sat 12:20 (in 3 d)", "It is to leave at 18:20 (in 6 h)",
		"No laboratory has answered here yet; we assume 1 d", "Plan another truck")
	d.sentSample("K-2041")
	d.get("/c/"+c+"/hold").wants(t, 200, "", "It stays held", "Still without a result", "received by Eastmoor laboratory")
	d.post("/c/"+c+"/hold", url.Values{}).wants(t, 409, "", "It stays held")
	// Another find for which nobody took a sample keeps it as well.
	d.get("/c/"+d.codes["K-2038"]+"/hold").wants(t, 200, "", "Nothing is held for an identification here.")
}

// What a wait is called, and what is said of the window, go by the clock.
func TestWaitsAndWindows(t *testing.T) {
	for _, tt := range []struct {
		age  time.Duration
		want state
		word string
	}{
		{time.Hour, stateDue, "waits 1 h"},
		{slowAfter, stateDue, "waits 2 d"},
		{slowAfter + time.Hour, stateSlow, "waits 2 d 1 h: ask how far it is"},
		{tooLongAfter, stateSlow, "waits 5 d: ask how far it is"},
		{tooLongAfter + 25*time.Hour, stateLate, "waits 6 d 1 h: too long, call the laboratory"},
	} {
		if m := ageMark(noon.Add(-tt.age), noon); m.State != tt.want || m.Word().String() != tt.word {
			t.Errorf("ageMark(%v) = %s %q, want %s %q", tt.age, m.State, m.Word(), tt.want, tt.word)
		}
	}

	d := newBenchDesk(t)
	for number, ago := range map[string]time.Duration{"old": 6 * 24 * time.Hour, "slow": 60 * time.Hour, "new": time.Hour} {
		d.store.Now = func() time.Time { return noon.Add(-ago) }
		taken, err := d.store.Register(t.Context(), consignment.Actor{ID: "x", Name: "office"}, "office", []consignment.Registered{{
			Number: number, Customer: "Two Wells (invented)", Destination: "Eastmoor", DispatchAt: noon.Add(40*time.Hour - ago),
			Lines: []consignment.Line{{Crop: "Salvia", Packages: 6, UnitsPerPackage: 3}},
		}}, nil)
		if err != nil {
			t.Fatal(err)
		}
		d.codes[number] = taken[0].Code
		d.holdFor(number, consignment.FindFacts{})
		d.do(number, consignment.TakeSample{Code: strings.ToUpper(number[:1]) + "2S2", Round: 1, Find: 1, What: consignment.TakenLeaf, Kept: consignment.KeptDry})
	}
	d.store.Now = func() time.Time { return noon }
	a := d.get("/samples")
	a.wants(t, 200, "/samples", "too long, call the laboratory", "ask how far it is", "window ended at", "window ends at")
	at := func(what string) int { return strings.Index(a.text(), what) }
	if !(at("old ") < at("slow ") && at("slow ") < at("new ")) {
		t.Errorf("the oldest does not stand first: %.600q", a.text())
	}
	page := func(number string) reply { return d.get("/c/" + d.codes[number] + "/samples") }
	page("old").wants(t, 200, "", "The dispatch window ended at", "must be inspected again")
	page("slow").wants(t, 200, "", "it ends at Thu 00:20 (in 12 h)")
	// A laboratory that took three days at best does not answer within the window.
	d.do("slow", consignment.MoveSample{Sample: "S2S2", Step: consignment.HandedOver, By: "courier"},
		consignment.AnswerSample{Sample: "S2S2", Result: consignment.NotFound, Laboratory: "lab"})
	page("new").wants(t, 200, "", "The quickest result here came 2 d 12 h after the sample was taken.", "Plan another truck")
	d.store.Now = func() time.Time { return noon.Add(-time.Hour) }
	d.do("new", consignment.Reschedule{DispatchAt: noon.Add(90 * time.Hour), Reason: "the truck was moved"})
	d.store.Now = func() time.Time { return noon }
	page("new").wants(t, 200, "", "it ends at Sat 11:20 (in 2 d 23 h)")
	d.do("old", consignment.MoveSample{Sample: "O2S2", Step: consignment.HandedOver, By: "courier"},
		consignment.AnswerSample{Sample: "O2S2", Result: consignment.NotFound, Laboratory: "lab"})
	d.get("/c/"+d.codes["old"]+"/hold").wants(t, 200, "", "The outcome will be: Rejected", "ran out before the inspection was finished")
}

// samplePages sets up samples in every state and gives the screens of them.
func (d *benchDesk) samplePages(awkward string) []struct{ name, path string } {
	d.t.Helper()
	d.fridge()
	photo, err := d.store.PutBlob(d.t.Context(), "image/jpeg", leafPhoto(d.t, 90))
	if err != nil {
		d.t.Fatal(err)
	}
	d.holdFor("K-2041", consignment.FindFacts{Photos: []string{photo}, Note: awkward})
	d.holdFor("K-2036", consignment.FindFacts{What: consignment.LivePest, Alive: consignment.AliveYes, Part: consignment.PartLeafLower})
	c, c2 := d.codes["K-2041"], d.codes["K-2036"]
	pages := []struct{ name, path string }{
		{"take", "/c/" + c2 + "/sample?round=1&find=1"}, {"wanted", "/c/" + c2 + "/samples"}, {"held", "/c/" + c2 + "/outcome"}, {"held-find", "/c/" + c2 + "/f/1"},
	}
	take := func(n int) string {
		d.take("K-2041", url.Values{"asked": {"Which mite is it? " + awkward}, "photo": {photo}, "key": {fmt.Sprint("page-", n, awkward)}})
		return d.newestSample("K-2041").Sample
	}
	bench, stored, out, lab, done := take(1), take(2), take(3), take(4), take(5)
	move := func(sample string, step consignment.Custody) {
		m := consignment.MoveSample{Sample: sample, Step: step, By: "Marl courier (invented)", Note: awkward}
		if step == consignment.Stored {
			m.Place, m.By, m.Note = "Sample fridge", "", ""
		}
		d.do("K-2041", m)
	}
	for _, s := range []string{stored, out, lab, done} {
		move(s, consignment.Stored)
	}
	for _, s := range []string{out, lab, done} {
		move(s, consignment.HandedOver)
	}
	for _, s := range []string{lab, done} {
		move(s, consignment.Received)
	}
	d.do("K-2041", consignment.AnswerSample{Sample: done, Result: consignment.Inconclusive, Laboratory: "Eastmoor laboratory (invented)", Reference: "R-5", Note: awkward})
	r := "/s/" + lab + "/result"
	return append(pages, []struct{ name, path string }{
		{"taken", "/s/" + bench}, {"stored", "/s/" + stored}, {"out", "/s/" + out}, {"received", "/s/" + lab}, {"answered", "/s/" + done},
		{"list", "/c/" + c + "/samples"}, {"all", "/samples"}, {"hold", "/c/" + c + "/hold"}, {"find", "/c/" + c + "/f/1"},
		{"result", r}, {"result-entry", r + "?result=identified&q=spider+mite"}, {"result-details", r + "?result=identified&entry=two-spotted-mite"},
	}...)
}

func TestSamplesAreSaidAndPlain(t *testing.T) {
	d := newBenchDesk(t, pseudo)
	check := func(name string, a reply) {
		t.Helper()
		if a.status != http.StatusOK {
			t.Errorf("%s: %d %.300q", name, a.status, a.text())
		}
		for _, s := range unsaid(a.body) {
			t.Errorf("%s: not from the catalogue: %s", name, s)
		}
		harmless(t, a)
	}
	pages := d.samplePages(shouts[0])
	for _, p := range pages {
		check(p.name, d.get(p.path))
	}
	r := strings.Split(pages[len(pages)-1].path, "?")[0]
	check("decides", d.post(r, withDo(answered("identified", "two-spotted-mite"), "look")))
	x := strings.Split(r, "/")[2]
	for _, f := range []string{"/form.pdf", "/label.pdf", "/label.pdf?sheet=bag"} {
		if a := d.get("/s/" + x + f); a.status != 200 || a.header.Get("Content-Type") != "application/pdf" {
			t.Errorf("%s: %d %s", f, a.status, a.header.Get("Content-Type"))
		}
	}
}

func TestSamplePapers(t *testing.T) {
	tools(t, "pdftotext", "pdftoppm", "zbarimg")
	d := newBenchDesk(t)
	d.samplePages("clustered on the youngest leaves")
	x := d.state("K-2041").Samples[3]
	s := "/s/" + x.Sample
	d.get(s+"/label.pdf?sheet=door").wants(t, 404, "", "There is no label sheet called “door”", "vial")
	d.get(s+"/form.pdf?paper=bark").wants(t, 422, "", "bark")
	for _, p := range []struct {
		name, path string
		dpi        string
		reads      []string
	}{
		{"vial", s + "/label.pdf", "300", []string{sampleCode(x.Sample).String()}},
		{"bag", s + "/label.pdf?sheet=bag", "200", []string{sampleCode(x.Sample).String()}},
		{"form", s + "/form.pdf", "150", []string{sampleCode(x.Sample).String(), code.Consignment(d.codes["K-2041"]).String()}},
	} {
		a := d.get(p.path)
		if a.status != 200 {
			t.Fatalf("%s: %d %.300q", p.name, a.status, a.text())
		}
		file := keepPaper(t, "sample-"+p.name, a.body)
		got := readCodes(t, file, p.dpi)
		for _, want := range p.reads {
			if !slices.Contains(got, want) {
				t.Errorf("%s: zbarimg read %q, want %s among them", p.name, got, want)
			}
		}
		if p.name != "form" {
			continue
		}
		out, err := exec.Command("pdftotext", "-layout", file, "-").Output()
		if err != nil {
			t.Fatal(err)
		}
		text := strings.Join(strings.Fields(string(out)), " ")
		for _, want := range []string{"Lavandula", "L-26-11", "B4", "Which mite is it?", "clustered on the youngest leaves", "Marl courier (invented)", "Sample fridge", "Ida Fenn",
			"It is to leave at 2026-03-11 18:20; its inspection holds until 2026-03-14 12:20", "K-2041", "INVENTED DATA", "Leaf"} {
			if !strings.Contains(text, want) {
				t.Errorf("the form lacks %q: %.1500s", want, text)
			}
		}
	}
}

// tools skips the test without the programs, or fails it where they are required.
func tools(t *testing.T, names ...string) {
	t.Helper()
	for _, tool := range names {
		if _, err := exec.LookPath(tool); err != nil {
			if os.Getenv("LASTLOOK_TOOLS") == "required" {
				t.Fatalf("%s is required and not installed", tool)
			}
			t.Skipf("%s is not installed", tool)
		}
	}
}

// keepPaper writes a paper where it can be looked at.
func keepPaper(t *testing.T, name, pdf string) string {
	t.Helper()
	dir := os.Getenv("LASTLOOK_SHOTS")
	if dir == "" {
		dir = t.TempDir()
	}
	file := filepath.Join(dir, name+".pdf")
	if err := os.WriteFile(file, []byte(pdf), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

// readCodes prints a paper as a picture and reads the symbols on it.
func readCodes(t *testing.T, pdf, dpi string) []string {
	t.Helper()
	at := strings.TrimSuffix(pdf, ".pdf")
	if out, err := exec.Command("pdftoppm", "-r", dpi, "-gray", "-png", pdf, at).CombinedOutput(); err != nil {
		t.Fatalf("pdftoppm: %v: %s", err, out)
	}
	pages, err := filepath.Glob(at + "-*.png")
	if err != nil || len(pages) == 0 {
		t.Fatalf("no pages of %s: %v", pdf, err)
	}
	out, err := exec.Command("zbarimg", append([]string{"--quiet", "--nodbus", "--xml"}, pages...)...).Output()
	var exit *exec.ExitError
	if errors.As(err, &exit) && exit.ExitCode() == 4 { // a page without a symbol
		err = nil
	}
	if err != nil {
		t.Fatal(err)
	}
	var report struct {
		Data []string `xml:"source>index>symbol>data"`
	}
	if err := xml.Unmarshal(out, &report); err != nil {
		t.Fatal(err)
	}
	return report.Data
}

func TestSamplesInBrowser(t *testing.T) {
	d := newBenchDesk(t)
	shots := os.Getenv("LASTLOOK_SHOTS")
	for part := range slices.Chunk(d.samplePages("clustered on the youngest leaves"), 6) {
		t.Run(part[0].name, func(t *testing.T) { lookAtPages(t, d, part, shots) })
	}
}

// TestSampleByScans takes a sample from a find to its result with scans, and the
// inspection goes on where it was left.
func TestSampleByScans(t *testing.T) {
	tools(t, "pdftoppm", "zbarimg")
	d := newBenchDesk(t)
	fridge := d.fridge()
	d.holdFor("K-2041", consignment.FindFacts{})
	c := d.codes["K-2041"]
	h := handtest.New(t, d.url+"/")
	u, _ := url.Parse(d.url)
	for _, ck := range d.client.Jar.Cookies(u) {
		browsertest.Eval[bool](h.Browser, fmt.Sprintf(`(document.cookie = "%s=%s; path=/", true)`, ck.Name, ck.Value))
	}
	h.Open(d.url + "/c/" + c + "/outcome")
	h.Outcome("Held")
	h.Press("Collect a sample")
	h.On("Take a sample")
	h.See("take")
	h.Press("The sample is taken")
	h.On("Sample S")
	h.See("taken")
	x := d.newestSample("K-2041")

	// What the scanner reads is what stands on the printed label.
	label := readCodes(t, keepPaper(t, "scanned-label", d.get("/s/"+x.Sample+"/label.pdf").body), "300")
	if len(label) == 0 {
		t.Fatal("the label cannot be read")
	}
	h.Open(d.url + "/")
	h.Answered(label[0], "right", "Sample "+x.Sample)
	h.On("Sample S")
	h.Answered(code.Code{Kind: code.KindLocation, Payload: fridge.ID}.String(), "right", "is in Sample fridge")
	h.Wait(`document.querySelector(".sample-marks")?.innerText.includes("stored: Sample fridge")`)
	h.See("stored")
	tam := d.person("Tam Orrin")
	h.Answered(mustCode(t, code.KindBadge, tam.Badge).String(), "right", "Tam Orrin") // a badge changes who is here, not the page
	h.On("Hand it over")
	h.Fill("by", "Marl courier (invented)")
	h.Press("It is handed over")
	h.On("Did it arrive?")
	h.Fill("by", "Eastmoor laboratory (invented)")
	h.Press("It is received")
	h.Wait(`document.querySelector(".sample-marks")?.innerText.includes("received by Eastmoor laboratory")`)
	h.See("received")
	if step := d.newestSample("K-2041").Steps[1]; step.Actor.Name != "Tam Orrin" {
		t.Errorf("handed over by %s, want Tam Orrin", step.Actor.Name)
	}
	h.Answered(mustCode(t, code.KindBadge, d.person("Ida Fenn").Badge).String(), "right", "Ida Fenn")
	h.Press("Enter its result")
	h.On("What is the result?")
	h.See("result")
	h.Press("Identified")
	h.On("What was it identified as?")
	h.Fill("q", "springtails")
	h.Press("Look it up")
	h.Wait(`document.querySelector(".named")?.innerText.includes("Springtails")`)
	h.See("entry")
	h.Press("This")
	h.On("Identified as Springtails")
	h.Choose("alive", "yes")
	h.See("details")
	h.Press("See what it decides")
	h.On("This decides: Write it down and carry on")
	h.See("decides")
	h.Press("Keep this result")
	h.On("The inspection can go on")
	h.See("decide-again")
	h.Press("Let it go on")
	h.On("Is unit 2 clean?")
	h.See("goes-on")
	if st := d.state("K-2041"); st.Standing() != consignment.StandWork || st.Round().Finds[0].Rung != ladder.Note {
		t.Errorf("it stands as %s with the find at %v, want the inspection to go on", st.Standing(), st.Round().Finds[0].Rung)
	}
	h.NoFaults()
}
