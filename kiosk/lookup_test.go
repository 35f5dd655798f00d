package kiosk

import (
	"encoding/json"
	"fmt"
	"io/fs"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"unicode/utf8"

	"lastlook/assets"
	"lastlook/internal/browsertest"
	"lastlook/internal/code"
	"lastlook/internal/consignment"
	"lastlook/internal/ladder"
	"lastlook/internal/say"
	"lastlook/reference"
)

// testReference is the shipped reference, indexed once for all tests.
func testReference(t testing.TB) *reference.Index {
	t.Helper()
	ix, err := testIndex()
	if err != nil {
		t.Fatal(err)
	}
	return ix
}

var testIndex = sync.OnceValues(shippedReference)

// examining opens package 1 of K-2038, to Marrow Island, with three units, and
// gives the query of an errand at unit 2.
func examining(t *testing.T, tongues ...tongue) (d *benchDesk, pkg, errand string) {
	t.Helper()
	d = newBenchDesk(t, tongues...)
	d.draw("K-2038")
	d.do("K-2038", consignment.Fetch{Package: 2}, consignment.Fetch{Package: 1}, consignment.Open{Package: 1},
		consignment.LookPackage{Package: 1}, consignment.CountUnits{Package: 1, Units: 3})
	// Opened by another bench's hand above; the pages do not care whose it is.
	pkg = packagePath(d.codes["K-2038"], 1)
	return d, pkg, "for=" + url.QueryEscape(pkg) + "&unit=2"
}

func TestLookupAnswers(t *testing.T) {
	d, _, at := examining(t)
	long := strings.Repeat("a", 10000)
	tests := []struct {
		name, query string
		words       []string
		without     string
	}{
		{"nothing asked", "", []string{"What do you see?", "For example:", "vine weevil", fmt.Sprintf(`maxlength="%d"`, maxAsked)}, "Nothing found"},
		{"a name", "q=garden+snail", []string{"Garden snail", "Cornu aspersum", "Reject", "‘snail’ in the name", "<mark>"}, "Choose this"},
		{"its neighbours", "q=silverleaf+whitefly", []string{"Silverleaf whitefly", "Sample"}, "Choose this"},
		{"a look-alike that is regulated", "q=greenhouse+whitefly", []string{"Greenhouse whitefly", "Do not confuse with:", "Silverleaf whitefly"}, ""},
		{"misspelt", "q=xilella", []string{"No entry has “xilella”; the nearest word is “xylella”."}, ""},
		{"one letter", "q=x", []string{"Say a little more", "Type what you see"}, "Choose this"},
		{"only stop words", "q=the+and+of", []string{"Say a little more"}, ""},
		{"10 000 letters", "q=" + long, []string{"Only the first 300 letters were read."}, ""},
		{"another script", "q=%D7%A9%D7%9C%D7%95%D7%9D", []string{"Nothing found", "names in Latin letters"}, ""},
		{"query syntax", "q=%2Bname%3Asnail+-%28foo%5E2%29+%2A+%22", []string{"snail"}, ""},
		{"markup", "q=%3Cscript%3Ealert(1)%3C%2Fscript%3E", []string{"&lt;script&gt;"}, "<script>alert"},
		{"bytes that are no text", "q=snail%ff%fe%00", []string{"Garden snail"}, ""},
		{"nonsense", "q=qqqqqqqqq", []string{"Nothing found", "Narrow it down"}, "Collect a sample"},
		{"nonsense while examining", at + "&q=qqqqqqqqq", []string{"Nothing found", "Collect a sample", "what=not_identified", "Back to the unit"}, ""},
		{"while examining", at + "&q=garden+snail", []string{"Garden snail", "Stop", "Choose this", "entry=garden-snail", "unit 2 of 3", "Only from Camellia"}, ""},
		{"with the part of the find", at + "&part=leaf_lower&q=snail", []string{"Only: Leaf, below", "where=leaf_lower"}, ""},
		{"only on a part", "q=snail&where=fruit", []string{"Without the filter"}, ""},
		{"a part nobody knows", "q=snail&where=elbow", []string{"Garden snail"}, "Without the filter"},
		{"a host nobody knows", "q=snail&host=" + long, []string{"Without the filter"}, ""},
		{"an examination that is over", "q=snail&for=%2Fc%2F2222%2Fp%2F1", []string{"not being examined any more", "Garden snail"}, "Choose this"},
		{"an errand that is none", "q=snail&for=https%3A%2F%2Fexample.org%2F", []string{"not being examined any more"}, "example.org/p"},
		{"a package number too large", "q=snail&for=%2Fc%2F" + d.codes["K-2038"] + "%2Fp%2F9999999", []string{"not being examined any more"}, "Choose this"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			a := d.get("/lookup?" + tt.query)
			a.wants(t, http.StatusOK, "", tt.words...)
			harmless(t, a)
			if tt.without != "" && strings.Contains(a.body, tt.without) {
				t.Errorf("/lookup?%.60s says %q", tt.query, tt.without)
			}
			if !utf8.ValidString(a.body) {
				t.Error("the page is not UTF-8")
			}
		})
	}
}

func TestEntryPages(t *testing.T) {
	d, _, at := examining(t)
	long := strings.Repeat("a", 10000)
	for _, tt := range []struct {
		name, path string
		status     int
		words      []string
	}{
		{"in general", "/e/garden-snail", 200, []string{"Reject the consignment", "in general", "At some destinations", "Marrow Island, invented list", "Take care", "Not found here in the last year.", "from memory", "Print its card"}},
		{"for a destination", "/e/garden-snail?" + at, 200, []string{"Stop and notify", "for Marrow Island", "lets no land snail in", "It is this", "Back to the unit", "I don&#39;t know"}},
		{"back to the hits", "/e/garden-snail?list=" + url.QueryEscape("/lookup?q=snail"), 200, []string{"Back to the list", `href="/lookup?q=snail"`}},
		{"until the lens", "/e/greenhouse-whitefly", 200, []string{"Greenhouse whitefly", "Easily taken for it", "Side by side"}},
		{"not there", "/e/unicorn", 404, []string{"The reference has no entry “unicorn”", "Look it up by its name"}},
		{"much too long", "/e/" + long, 404, []string{"The reference has no entry"}},
		{"markup", "/e/%3Cscript%3Ealert(1)", 404, []string{"The reference has no entry"}},
		{"side by side", "/e/silverleaf-whitefly/with/greenhouse-whitefly", 200, []string{"With the hand lens", "wings flat in a triangle", "only here", "Leaf, below"}},
		{"side by side while examining", "/e/silverleaf-whitefly/with/greenhouse-whitefly?" + at, 200, []string{"entry=greenhouse-whitefly", "entry=silverleaf-whitefly"}},
		{"no look-alikes", "/e/moss/with/apple-maggot", 200, []string{"does not name these two as look-alikes"}},
		{"with itself", "/e/moss/with/moss", 422, []string{"one entry twice"}},
		{"with nobody", "/e/moss/with/unicorn", 404, []string{"no entry “unicorn”"}},
		{"card", "/e/garden-snail/card", 200, []string{"Garden snail", "R BT5S ZX2R", "Marrow Island, invented list"}},
		{"card of nobody", "/e/unicorn/card", 404, []string{"no entry “unicorn”"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			a := d.get(tt.path)
			a.wants(t, tt.status, "", tt.words...)
			harmless(t, a)
		})
	}
	for _, list := range []string{"//example.org/lookup", "https://example.org/lookup", "/c/2222", `/\example.org`} {
		if a := d.get("/e/moss?list=" + url.QueryEscape(list)); strings.Contains(a.body, "Back to the list") {
			t.Errorf("list=%s is offered as the way back", list)
		}
	}
}

// Every entry can be shown, alone and beside each look-alike, and on its card.
func TestEveryEntryIsShown(t *testing.T) {
	d := newBenchDesk(t)
	ix := testReference(t)
	tokens := map[string]string{}
	for _, e := range ix.Book().Entries() {
		tok := code.ReferenceToken(e.ID)
		if other := tokens[tok]; other != "" {
			t.Errorf("the cards of %s and %s have one code %s", other, e.ID, tok)
		}
		tokens[tok] = e.ID
		rung := reference.Escalate(ix.Book(), e, reference.Destination{}).Action.Word().String()
		for _, path := range []string{"/e/" + e.ID, "/e/" + e.ID + "/card"} {
			if a := d.get(path); a.status != 200 || !strings.Contains(a.body, "<b>"+rung+"</b>") {
				t.Errorf("GET %s = %d, want a page that says %s", path, a.status, rung)
			}
		}
		for _, l := range e.LookAlikes {
			if a := d.get("/e/" + e.ID + "/with/" + l.ID); a.status != 200 {
				t.Errorf("GET /e/%s/with/%s = %d", e.ID, l.ID, a.status)
			}
		}
	}
}

// Each word for what is seen has a drawing under its name.
func TestEverySignIsDrawn(t *testing.T) {
	b, err := fs.ReadFile(assets.FS, "drawings/signs.svg")
	if err != nil {
		t.Fatal(err)
	}
	drawn := map[string]bool{}
	for _, m := range regexp.MustCompile(`<symbol id="([a-z_]+)"`).FindAllStringSubmatch(string(b), -1) {
		if drawn[m[1]] {
			t.Errorf("%s is drawn twice", m[1])
		}
		drawn[m[1]] = true
	}
	for _, s := range reference.Seens() {
		if !drawn[string(s)] {
			t.Errorf("%s is not drawn", s)
		}
		delete(drawn, string(s))
	}
	for name := range drawn {
		t.Errorf("%s is drawn, but is no word of the reference", name)
	}
	css := styleSheet(t)
	for _, c := range reference.Colours() {
		if !strings.Contains(css, ".swatch-"+string(c)+" {") {
			t.Errorf("colour %s has no swatch", c)
		}
	}
}

func TestNarrow(t *testing.T) {
	d, pkg, at := examining(t)
	for _, tt := range []struct {
		name, query string
		words       []string
		without     string
	}{
		{"begun", "", []string{"Touch the plant", "regulated entries are not excluded yet", "the likeliest entries come here"}, "Start over"},
		{"a part", "where=leaf_lower", []string{"What is seen there?", "seen=scale_bumps", "What fits best"}, ""},
		{"a part and a sign", "where=leaf_lower&seen=insect_winged", []string{"Insects with wings", "take it back", "I can&#39;t tell", "Another question"}, "Choose this"},
		{"on the whole plant", "where=whole_plant", []string{"What is seen there?"}, ""},
		{"words too", "where=leaf_lower&seen=insect_winged&q=tiny+white+moth", []string{"“tiny white moth”", "whitefly"}, ""},
		{"words no entry has", "where=leaf_lower&q=qqqqqqqq", []string{"“qqqqqqqq”", "What fits best"}, ""},
		{"asked for colour", "where=leaf_lower&seen=leaf_spots&ask=colour", []string{"What colour is it?", "swatch-bronze"}, ""},
		{"asked for size", "seen=eggs&ask=size", []string{"How big is it?", "A speck, under 1 mm"}, ""},
		{"asked for moving", "seen=eggs&ask=moving", []string{"Does it move?"}, ""},
		{"asked for spread", "seen=eggs&ask=affected", []string{"How many plants show it?"}, ""},
		{"asked for the plant", "seen=eggs&ask=host", []string{"Which plant is it on?"}, ""},
		{"while examining", at + "&part=leaf_upper", []string{"on Camellia", "Leaf, above", "What is seen there?", "Choose this", "Back to the unit"}, ""},
		{"the crop taken back", at + "&part=leaf_upper&host=", []string{"Leaf, above"}, "on Camellia"},
		{"there and not there", "where=stem&seen=eggs&not=eggs", []string{"What fits best"}, ""},
		{"words of no vocabulary", "where=elbow&seen=unicorns&colour=ultraviolet&size=huge&moving=dances&affected=none&ask=why&skip=" + strings.Repeat("x", 999), []string{"Touch the plant"}, "Start over"},
		{"markup", "where=stem&host=%3Cscript%3Ealert(1)&q=%3Cimg+src%3Dx", []string{"Start over"}, "<script>alert"},
		{"everything at once", everything(), []string{"What fits best"}, ""},
		{"nothing can be told", "where=stem&seen=scale_bumps&" + skipAll(), []string{"No question is left that tells much"}, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			a := d.get("/narrow?" + tt.query)
			a.wants(t, http.StatusOK, "", tt.words...)
			harmless(t, a)
			if tt.without != "" && strings.Contains(a.body, tt.without) {
				t.Errorf("/narrow?%.80s says %q", tt.query, tt.without)
			}
		})
	}
	// What is touched is where the find is.
	a := d.get("/narrow?" + at + "&part=stem&where=leaf_lower&seen=scale_bumps")
	if !strings.Contains(a.body, strings.ReplaceAll(address(pkg+"/find", url.Values{"entry": {"x"}, "part": {"leaf_lower"}}), "&", "&amp;")[:20]) || !strings.Contains(a.body, "part=leaf_lower&amp;unit=2") {
		t.Errorf("the candidates do not lead to a find at the lower side of the leaf: %.2000s", a.body)
	}
}

func everything() string {
	v := url.Values{"where": {"stem"}, "size": {"tiny"}, "moving": {"no"}, "affected": {"one"}, "host": {"Rosa"}, "q": {"brown"}}
	for _, s := range reference.Seens() {
		v.Add("seen", string(s))
		v.Add("not", string(s))
	}
	for _, c := range reference.Colours() {
		v.Add("colour", string(c))
	}
	return v.Encode()
}

// skipAll answers every question with "I can't tell".
func skipAll() string {
	v := url.Values{"skip": {"where", "seen", "colour", "size", "moving", "affected"}}
	for _, s := range reference.Seens() {
		v.Add("skip", "seen:"+string(s))
	}
	return v.Encode()
}

// Answering down to the end with whatever is offered first always comes to an end,
// and each answer can be taken back.
func TestNarrowComesToAnEnd(t *testing.T) {
	d := newBenchDesk(t)
	tile := regexp.MustCompile(`answer-tile" href="([^"]+)"`)
	back := regexp.MustCompile(`class="given" href="([^"]+)"`)
	path := "/narrow?where=leaf_lower"
	for step := 0; ; step++ {
		a := d.get(path)
		if a.status != 200 {
			t.Fatalf("GET %s = %d", path, a.status)
		}
		for _, m := range back.FindAllStringSubmatch(a.body, -1) {
			if r := d.get(strings.ReplaceAll(m[1], "&amp;", "&")); r.status != 200 {
				t.Errorf("taking an answer back: GET %s = %d", m[1], r.status)
			}
		}
		m := tile.FindStringSubmatch(a.body)
		if m == nil {
			if !strings.Contains(a.text(), "No question is left") {
				t.Errorf("after %d answers nothing can be answered: %.300s", step, a.text())
			}
			return
		}
		if step > 60 {
			t.Fatalf("after %d answers there is still a question: %s", step, path)
		}
		path = strings.ReplaceAll(m[1], "&amp;", "&")
	}
}

func TestLookupJSONOverHTTP(t *testing.T) {
	d := newBenchDesk(t)
	for _, tt := range []struct {
		name, query string
		status      int
		words       string
		field       string
	}{
		{"a name", "q=garden+snail&limit=1", 200, `"action":"reject"`, ""},
		{"at a destination", "q=garden+snail&limit=1&destination=Marrow+Island", 200, `"action":"stop"`, ""},
		{"on a part", "q=snail&part=leaf_lower", 200, `"outcome":"found"`, ""},
		{"nothing", "q=qqqqqqqq", 200, `"hits":[]`, ""},
		{"markup stays", "q=%3Cb%3E+snail", 200, `"query":"<b> snail"`, ""},
		{"no words", "", 422, "Say what to look up", "q"},
		{"blank", "q=+", 422, "Say what to look up", "q"},
		{"no such part", "q=snail&part=elbow", 422, "Use one of: shoot_tip", "part"},
		{"limit nought", "q=snail&limit=0", 422, "from 1 to 50", "limit"},
		{"limit in words", "q=snail&limit=ten", 422, "from 1 to 50", "limit"},
		{"limit too high", "q=snail&limit=51", 422, "from 1 to 50", "limit"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			a := d.get("/api/v1/lookup?" + tt.query)
			if a.status != tt.status || !strings.Contains(a.body, tt.words) {
				t.Errorf("= %d %.300s, want %d with %q", a.status, a.body, tt.status, tt.words)
			}
			var got map[string]any
			if err := json.Unmarshal([]byte(a.body), &got); err != nil {
				t.Fatalf("not JSON: %v", err)
			}
			want := "application/json; charset=utf-8"
			if tt.status != 200 {
				want = "application/problem+json"
				if got["field"] != tt.field {
					t.Errorf("field = %v, want %s", got["field"], tt.field)
				}
			}
			if got := a.header.Get("Content-Type"); got != want {
				t.Errorf("Content-Type = %s, want %s", got, want)
			}
		})
	}
	// The same object as the search itself gives.
	want, err := json.Marshal(testReference(t).Search(reference.Query{Text: "white fluff", Limit: 5}).Reply("white fluff", say.Text.String))
	if err != nil {
		t.Fatal(err)
	}
	var got reference.Reply
	if err := json.Unmarshal([]byte(d.get("/api/v1/lookup?q=white+fluff&limit=5").body), &got); err != nil {
		t.Fatal(err)
	}
	if again, _ := json.Marshal(got); string(again) != string(want) {
		t.Errorf("over HTTP %s, want %s", again, want)
	}
}

// TestFindWithAnEntry goes through the find screens with an entry chosen.
func TestFindWithAnEntry(t *testing.T) {
	d, pkg, _ := examining(t)
	how := "&alive=yes&method=eye&units=1"
	for _, tt := range []struct {
		name, query string
		words       []string
	}{
		{"where is asked first", "unit=2&entry=springtails", []string{"Touch the plant"}},
		{"then how", "unit=2&part=growing_medium&entry=springtails", []string{"Springtails: how does it look?", "Read its entry", "It is something else"}},
		{"noted though alive", "unit=2&part=growing_medium&entry=springtails" + how, []string{"Record: Note", "Springtails", "revision 1 of the entry"}},
		{"a snail stops at Marrow Island", "unit=2&part=leaf_lower&entry=garden-snail" + how, []string{"Record: Stop", "lets no land snail in", "Take care"}},
		{"a weed is rejected though dead", "unit=2&part=growing_medium&entry=common-groundsel&alive=no&method=eye", []string{"Record: Reject"}},
		{"perlite is noted", "unit=2&part=leaf_upper&entry=perlite-granules&alive=not_told&method=eye", []string{"Record: Note", "Damage"}},
		{"something alive at damage", "unit=2&part=leaf_upper&entry=perlite-granules" + how, []string{"Record: Reject"}},
		{"not there any more", "unit=2&part=stem&entry=unicorn" + how, []string{"no entry “unicorn”", "What is it?"}},
		{"what was said before gives way", "unit=2&part=stem&what=soil&entry=springtails" + how, []string{"Record: Note"}},
		{"reference offered", "unit=2&part=stem", []string{"Look it up", "Narrow it down", "part=stem&amp;unit=2"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			a := d.get(pkg + "/find?" + tt.query)
			a.wants(t, http.StatusOK, "", tt.words...)
			harmless(t, a)
		})
	}
	form := url.Values{"unit": {"2"}, "part": {"growing_medium"}, "entry": {"springtails"}, "alive": {"yes"}, "method": {"eye"}, "units": {"1"}, "rung": {"note"}}
	form.Set("revision", "99")
	if a := d.post(pkg+"/find", form); a.status != http.StatusConflict || !strings.Contains(a.text(), "was changed just now") {
		t.Errorf("recording with an old revision = %d %.300q, want to be told", a.status, a.text())
	}
	// The number of the revision alone does not tell: it may be another text.
	form.Set("revision", "1")
	form.Set("hash", strings.Repeat("0a", 32))
	if a := d.post(pkg+"/find", form); a.status != http.StatusConflict || !strings.Contains(a.text(), "was changed just now") {
		t.Errorf("recording with another text of the revision = %d %.300q, want to be told", a.status, a.text())
	}
	form.Del("hash")
	form.Set("photo", strings.Repeat("0b", 32))
	if a := d.post(pkg+"/find", form); a.status != http.StatusUnprocessableEntity || !strings.Contains(a.text(), "A photo of this find is not here") {
		t.Errorf("recording with a photo that nobody took = %d %.300q", a.status, a.text())
	}
	form = url.Values{"unit": {"2"}, "part": {"growing_medium"}, "entry": {"unicorn"}, "alive": {"yes"}, "method": {"eye"}, "units": {"1"}, "rung": {"note"}}
	if a := d.post(pkg+"/find", form); a.status != http.StatusNotFound || !strings.Contains(a.text(), "no entry “unicorn”") {
		t.Errorf("recording an entry that is gone = %d %.300q", a.status, a.text())
	}
	form = url.Values{"unit": {"2"}, "part": {"growing_medium"}, "entry": {"springtails"}, "revision": {"1"}, "alive": {"yes"}, "method": {"eye"}, "units": {"1"}, "rung": {"note"}}
	if a := d.post(pkg+"/find", form); a.status != http.StatusOK {
		t.Fatalf("recording = %d %.300q", a.status, a.text())
	}
	st, err := d.store.Consignment(t.Context(), d.codes["K-2038"])
	if err != nil {
		t.Fatal(err)
	}
	f := st.Running().Finds[0]
	e := testReference(t).Book().Entry("springtails")
	if p := f.Facts.Entry; p == nil || p.ID != "springtails" || p.Revision != e.Revision || p.Hash != e.Hash() || p.Kind != "insect" || p.Rung != ladder.Note || f.Facts.What != consignment.LivePest || f.Rung != ladder.Note {
		t.Errorf("recorded %+v with entry %+v at %v, want springtails pinned, noted", f.Facts, p, f.Rung)
	}
	d.get("/e/springtails").wants(t, 200, "", "Found here once in the last year.", "K-2038", "Camellia")
	d.get("/c/"+d.codes["K-2038"]+"/f/1").wants(t, 200, "", "Springtails", "Its entry")
}

// A look-alike that asks for a stop and that only the hand lens can tell apart
// holds the find until the lens was used.
func TestFindAsksForTheLens(t *testing.T) {
	d := newBenchDesk(t)
	book := testReference(t).Book()
	st := d.draw("K-2036") // to Eastmoor
	n := st.Running().ToExamine()[0]
	for _, m := range st.Running().ToExamine() {
		d.do("K-2036", consignment.Fetch{Package: m})
	}
	d.do("K-2036", consignment.Open{Package: n}, consignment.LookPackage{Package: n}, consignment.CountUnits{Package: n, Units: 2})
	pkg := packagePath(st.Code, n)
	e := book.Entry("greenhouse-whitefly")
	adv := reference.Escalate(book, e, reference.Destination{Name: "Eastmoor"})
	if len(adv.Tests) == 0 || adv.Action >= ladder.Sample {
		t.Fatalf("greenhouse whitefly at Eastmoor = %+v, want a test by lens below sample: choose another example", adv)
	}
	base := pkg + "/find?unit=1&part=leaf_lower&entry=greenhouse-whitefly&alive=yes&method=eye&units=1"
	d.get(base).wants(t, 200, "", "Use the hand lens", "Not Silverleaf whitefly?", "Ruled out", "Cannot tell")
	d.get(base+"&asked=yes").wants(t, 200, "", "Say whether the lens rules it out")
	var yes, no string
	for _, x := range adv.Tests {
		yes += "&lens_" + x.ID + "=yes"
		no += "&lens_" + x.ID + "=no"
	}
	d.get(base+no).wants(t, 200, "", "Record: Sample", "It may be Silverleaf whitefly")
	d.get(base+yes).wants(t, 200, "", "Record: "+adv.Action.Word().String(), "The hand lens ruled out Silverleaf whitefly")
	// Recorded without a word about the lens, it stands as if nothing was ruled out.
	a := d.post(pkg+"/find", url.Values{"unit": {"1"}, "part": {"leaf_lower"}, "entry": {e.ID}, "alive": {"yes"}, "method": {"eye"}, "units": {"1"}, "rung": {adv.Action.String()}})
	if a.status != http.StatusForbidden {
		t.Errorf("recording %s without the lens = %d, want it refused: %.300q", adv.Action, a.status, a.text())
	}
}

func TestReferenceCardIsScanned(t *testing.T) {
	d, pkg, at := examining(t)
	card := mustCode(t, code.KindReference, code.ReferenceToken("garden-snail")).String()
	forPkg := "for=" + url.QueryEscape(pkg)
	for _, tt := range []struct {
		name, from string
		goes       string // all these in the address
	}{
		{"on the board", "/", "/e/garden-snail"},
		{"at a unit", pkg, "/e/garden-snail?" + forPkg + "&unit=1"},
		{"in a find", pkg + "/find?unit=3&part=stem&floor=reject", "/e/garden-snail?floor=reject&" + forPkg + "&part=stem&unit=3"},
		{"at the closer look", pkg + "/closer", "/e/garden-snail?" + forPkg + "&unit=1"},
		{"in the reference", "/lookup?q=slug&" + at, "/e/garden-snail?" + forPkg + "&unit=2"},
		{"on another entry", "/e/moss?part=root&" + at, "/e/garden-snail?" + forPkg + "&part=root&unit=2"},
		{"at a package that is not open", packagePath(d.codes["K-2038"], 2), "/e/garden-snail"},
		{"at a page that lies", "/lookup?for=%2Fc%2F2222%2Fp%2F1", "/e/garden-snail"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			status, a := d.scan(tt.from, card)
			if status != 200 || a.Tone != toneRight || a.Text != "Garden snail" || a.Go != tt.goes {
				t.Errorf("scan at %s = %d %+v, want Garden snail leading to %s", tt.from, status, a, tt.goes)
			}
		})
	}
	_, a := d.scan(pkg, mustCode(t, code.KindReference, "2222").String())
	if a.Tone != toneWrong || !strings.Contains(a.Text, "No entry of the reference has this card") {
		t.Errorf("a card of no entry = %+v", a)
	}
}

// referencePages are the pages of the reference, each state once.
func referencePages(pkg, at string) []struct{ name, path string } {
	return []struct{ name, path string }{
		{"lookup-empty", "/lookup"},
		{"lookup-hits", "/lookup?q=whitefly+under+leaf"},
		{"lookup-nothing", "/lookup?" + at + "&q=qqqqqqqq"},
		{"lookup-examining", "/lookup?" + at + "&part=leaf_lower&q=tiny+white+insects"},
		{"lookup-filtered", "/lookup?q=snail&where=leaf_lower&host=Hosta"},
		{"entry", "/e/greenhouse-whitefly"},
		{"entry-examining", "/e/garden-snail?" + at + "&part=leaf_lower&list=" + url.QueryEscape("/lookup?q=snail")},
		{"compare", "/e/silverleaf-whitefly/with/greenhouse-whitefly?" + at},
		{"card", "/e/garden-snail/card"},
		{"narrow-where", "/narrow?" + at},
		{"narrow-seen", "/narrow?" + at + "&part=leaf_lower"},
		{"narrow-next", "/narrow?" + at + "&part=leaf_lower&seen=insect_winged&colour=white"},
		{"narrow-colour", "/narrow?where=leaf_upper&seen=leaf_spots&ask=colour"},
		{"narrow-host", "/narrow?where=leaf_upper&seen=leaf_spots&ask=host"},
		{"find-what", pkg + "/find?unit=2&part=leaf_lower"},
		{"find-how", pkg + "/find?unit=2&part=leaf_lower&entry=garden-snail"},
		{"find-decide", pkg + "/find?unit=2&part=leaf_lower&entry=garden-snail&alive=yes&method=eye&units=1"},
		{"stop", pkg + "/stop?unit=2&part=leaf_lower&entry=garden-snail"},
	}
}

func TestReferenceIsSaidAndPlain(t *testing.T) {
	d, pkg, at := examining(t, pseudo)
	for _, p := range referencePages(pkg, at) {
		a := d.get(p.path)
		if a.status != 200 || !strings.Contains(a.body, "⟦") {
			t.Errorf("%s: %d %.200s", p.name, a.status, a.body)
		}
		for _, s := range unsaid(a.body) {
			t.Errorf("%s: not from the catalogue: %s", p.name, s)
		}
		harmless(t, a)
	}
}

func TestReferenceInBrowser(t *testing.T) {
	d, pkg, at := examining(t)
	shots := os.Getenv("LASTLOOK_SHOTS")
	for part := range slices.Chunk(referencePages(pkg, at), 6) {
		t.Run(part[0].name, func(t *testing.T) { lookAtPages(t, d, part, shots) })
	}
}

func lookAtPages(t *testing.T, d *benchDesk, pages []struct{ name, path string }, shots string) {
	b := browsertest.New(t)
	b.Open(d.url + "/type")
	u, _ := url.Parse(d.url)
	for _, ck := range d.client.Jar.Cookies(u) {
		browsertest.Eval[bool](b, fmt.Sprintf(`(document.cookie = "%s=%s; path=/", true)`, ck.Name, ck.Value))
	}
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
				b.Shot(filepath.Join(shots, "ref-"+p.name+"-"+size.name+".png"))
				b.FullShot(filepath.Join(shots, "full-"+p.name+"-"+size.name+".png"))
			}
		}
		b.Size(1280, 800)
	}
	if f := b.Faults(); len(f) > 0 {
		t.Errorf("the pages complained: %q", f)
	}
}
