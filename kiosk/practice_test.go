package kiosk

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"lastlook/internal/browsertest"
	"lastlook/internal/consignment"
	"lastlook/internal/ladder"
	"lastlook/internal/people"
	"lastlook/internal/practice"
	"lastlook/internal/store"
	"lastlook/reference"
)

// practiceDesk is a desk of which the reference can be changed, with a trainee.
type practiceDesk struct {
	*desk
	ref   *reference.Index
	staff map[string]people.Person
}

func newPracticeDesk(t testing.TB, tongues ...tongue) *practiceDesk {
	t.Helper()
	st, err := store.Open(context.Background(), t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { st.Close() })
	st.Now = func() time.Time { return noon }
	ref, err := shippedReference()
	if err != nil {
		t.Fatal(err)
	}
	k := &kiosk{store: st, paper: "a4", ref: ref}
	k.screens, err = newScreens(screensConfig{
		Bench: "bench 1", Demo: true, Tongues: tongues, Fill: k.fill,
		Now: func() time.Time { return noon }, Log: slog.New(slog.NewTextHandler(io.Discard, nil)),
	})
	if err != nil {
		t.Fatal(err)
	}
	e := k.newEngine()
	k.routes(e)
	srv := httptest.NewServer(e)
	t.Cleanup(srv.Close)
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	d := &practiceDesk{desk: &desk{t: t, store: st, url: srv.URL, client: &http.Client{Jar: jar}}, ref: ref}
	d.staff = d.desk.staff()
	for _, name := range []string{"Bea Lund"} {
		r, err := st.DoPeople(context.Background(), consignment.Actor{ID: "x", Name: "x"}, "office", "", people.Join{Name: name, Roles: []string{people.Trainee}})
		if err != nil {
			t.Fatal(err)
		}
		d.staff[name] = r.People[len(r.People)-1]
	}
	d.signIn(d.staff["Bea Lund"])
	// The same sessions each time: what a test goes through is no matter of luck.
	chance := rand.NewChaCha8([32]byte{11})
	st.Random = func(b []byte) { chance.Read(b) }
	return d
}

// practiceOf reads a person's practice.
func (d *practiceDesk) practiceOf(name string) *practice.State {
	d.t.Helper()
	st, err := d.store.Practice(context.Background(), d.staff[name].ID)
	if err != nil {
		d.t.Fatal(err)
	}
	return st
}

// newest is the newest session of the trainee.
func (d *practiceDesk) newest() *practice.Session {
	st := d.practiceOf("Bea Lund")
	return st.Sessions[len(st.Sessions)-1]
}

func (d *practiceDesk) answer(n int, name string, act ladder.Rung) reply {
	d.t.Helper()
	return d.post(fmt.Sprintf("/practice/%d/%d/answer", d.newest().Number, n), url.Values{"name": {name}, "rung": {act.String()}})
}

// For every entry of the shipped reference and every destination with a list:
// what would let it pass is never judged right, and each case can be answered
// rightly.
func TestPracticeNeverPassesWhatIsRegulated(t *testing.T) {
	ref, err := shippedReference()
	if err != nil {
		t.Fatal(err)
	}
	b := ref.Book()
	dangerous := 0
	for _, to := range append(practiceDestinations(b), "") {
		bank := subjects(b, to)
		for _, s := range bank {
			cases, err := practice.Prepare([]practice.Subject{s}, nil, [32]byte{}, 1)
			if err != nil {
				t.Fatalf("%s, for %q: no case: %v", s.ID, to, err)
			}
			c := cases[0]
			asked := reference.Escalate(b, b.Entry(s.ID), reference.Destination{Name: to})
			if c.Danger {
				dangerous++
			}
			for _, r := range ladder.Rungs {
				for shown := 1; shown <= len(c.Signs); shown++ {
					o := practice.Judge(c, practice.Answer{Name: s.ID, Act: r, Shown: shown})
					if r < asked.Action && (o.Verdict == practice.Right || o.Verdict == practice.Careful || o.Points > 35) {
						t.Errorf("%s, for %q: %v where %v is asked for is %s with %d points", s.ID, to, r, asked.Action, o.Verdict, o.Points)
					}
					if shown < len(c.Signs) && r < asked.Untested() && o.Verdict == practice.Right {
						t.Errorf("%s, for %q: %v is right before a look-alike is ruled out", s.ID, to, r)
					}
				}
			}
			if o := practice.Judge(c, practice.Answer{Name: s.ID, Act: asked.Action, Shown: len(c.Signs)}); o.Verdict != practice.Right || o.Points != 90 && len(c.Signs) > 1 {
				t.Errorf("%s, for %q: what is asked for is judged %+v", s.ID, to, o)
			}
		}
	}
	if dangerous < 300 {
		t.Errorf("only %d dangerous cases were tried", dangerous)
	}
}

// Whatever the seed, a session of the shipped reference has every rung and more
// than two kinds.
func TestPracticeSessionsAreMixed(t *testing.T) {
	ref, err := shippedReference()
	if err != nil {
		t.Fatal(err)
	}
	bank := subjects(ref.Book(), "Eastmoor")
	for i := range 200 {
		cases, err := practice.Prepare(bank, nil, [32]byte{byte(i)}, practice.DefaultSize)
		if err != nil || len(cases) != practice.DefaultSize {
			t.Fatalf("seed %d: %d cases, %v", i, len(cases), err)
		}
		rungs, kinds := map[ladder.Rung]int{}, map[string]bool{}
		for _, c := range cases {
			rungs[c.Right]++
			kinds[c.Kind] = true
		}
		if len(rungs) != 4 || len(kinds) < 4 {
			t.Errorf("seed %d: rungs %v, kinds %v", i, rungs, kinds)
		}
	}
}

func TestPracticeSession(t *testing.T) {
	d := newPracticeDesk(t)
	before, _, err := d.store.Due(t.Context(), 9)
	if err != nil {
		t.Fatal(err)
	}
	d.get("/office").wants(t, 200, "/office", "Practice")
	d.get("/").wants(t, 200, "/", `href="/practice"`)
	d.get("/practice").wants(t, 200, "/practice", "Where are the plants going?", "Eastmoor", "Practice No consignment is touched")
	a := d.post("/practice", url.Values{"to": {"Eastmoor"}, "key": {"begin"}})
	a.wants(t, 200, "/practice/1/1", "What may it be?", "case 1 of 8 · plants for Eastmoor", "I don't know")
	d.post("/practice", url.Values{"to": {"Eastmoor"}, "key": {"begin"}}).wants(t, 200, "/practice/1/1")
	d.post("/practice", url.Values{"to": {""}}).wants(t, 409, "/practice", "still under way", "Carry on")

	x := d.newest()
	p := x.Cases[0]
	if strings.Contains(a.text(), p.Signs[1].Text) || !strings.Contains(a.text(), p.Signs[0].Text) {
		t.Errorf("the first page gives %q, want the vaguest sign and no other", a.text())
	}
	// One look, twice the same press.
	for range 2 {
		d.post("/practice/1/1/closer", url.Values{"shown": {"1"}, "key": {"look"}}).wants(t, 200, "/practice/1/1", p.Signs[1].Text)
	}
	if got := d.newest().Cases[0].Shown; got != 2 {
		t.Errorf("%d signs are shown, want 2", got)
	}
	// An interrupted session is where it was, in another browser too.
	d.get("/practice").wants(t, 200, "/practice", "Carry on", "case 1 of 8")
	d.get("/practice/1").wants(t, 200, "/practice/1/1", p.Signs[1].Text)
	d.get("/practice/1/3").wants(t, 200, "/practice/1/1")

	act := d.get("/practice/1/1?name=" + p.Entry)
	act.wants(t, 200, "", "What do you do?", "You take it for: "+p.Name, "Stop and notify", "Collect a sample and hold")
	if strings.Contains(act.text(), p.Reasons[0].String()) {
		t.Error("the question gives the answer away")
	}
	d.answer(1, p.Entry, p.Right) // may be too early; the page says so
	told := d.get("/practice/1/1")
	told.wants(t, 200, "/practice/1/1", p.Name, p.Telling(), "It asks for: "+p.Right.Act().String(), "/e/"+p.Entry, "Next case")
	d.answer(1, "", ladder.Note).wants(t, 200, "/practice/1/1", "answered already")
	if got := d.newest().Cases[0].Answer.Act; got != p.Right {
		t.Errorf("the second answer counts: %v", got)
	}

	// Case by case, each in another way.
	for n := 2; n <= 8; n++ {
		p := d.newest().Cases[n-1]
		for shown := 1; shown < len(p.Signs); shown++ {
			d.post(fmt.Sprintf("/practice/1/%d/closer", n), url.Values{"shown": {itoa(shown)}})
		}
		give := ladder.Rungs[n%4]
		a := d.answer(n, practice.Unknown, give)
		o := d.newest().Cases[n-1].Answer.Outcome
		switch o.Verdict {
		case practice.Passed:
			a.wants(t, 200, "", "This would have let "+p.Name+" pass.")
		case practice.Careful:
			a.wants(t, 200, "", "Safe: nothing would have got through.")
		case practice.Held:
			a.wants(t, 200, "", "Held, but not stopped", "nothing would have left")
		case practice.Right:
			a.wants(t, 200, "", "Right: "+give.Word().String())
		default:
			t.Errorf("case %d: %s, although every sign was seen", n, o.Verdict)
		}
		a.wants(t, 200, "", "you did not know", p.Telling())
	}
	end := d.get("/practice/1")
	end.wants(t, 200, "/practice/1", "The cases", "Practise again")
	n := d.newest().Count()
	if n.Answered != 8 || n.Passed == 0 {
		t.Fatalf("count %+v, want eight answers, some that pass", n)
	}
	end.wants(t, 200, "", fmt.Sprintf("%d of 8 right", n.Right), fmt.Sprintf("%d would have passed", n.Passed))

	// The person and the supervisor see it, nobody else.
	bea := d.staff["Bea Lund"].ID
	d.get("/practice/results/"+bea).wants(t, 200, "", "Bea Lund: practice", "Cases answered: 8. Sessions: 1.", "Dangerous cases", "small number")
	d.get("/practice/results").wants(t, 403, "", "Only a supervisor")
	d.signIn(d.staff["Tam Orrin"])
	d.get("/practice/results/"+bea).wants(t, 403, "", "for the person and the supervisor")
	d.get("/practice/1").wants(t, 404, "", "no such session of yours")
	d.signIn(d.staff["Ida Fenn"])
	d.get("/practice/results").wants(t, 200, "", "Bea Lund", "/practice/results/"+bea)
	d.get("/practice/results/"+bea).wants(t, 200, "", "the dangerous first", "would have passed")
	d.get("/practice/results/ZZZZ").wants(t, 404, "", "nobody with that badge")

	after, _, err := d.store.Due(t.Context(), 9)
	if err != nil || len(after) != len(before) {
		t.Errorf("the board has %d consignments (%v), had %d", len(after), err, len(before))
	}
}

func TestPracticeSearch(t *testing.T) {
	d := newPracticeDesk(t)
	d.post("/practice", url.Values{"to": {""}})
	a := d.get("/practice/1/1?q=boxwood+blight")
	a.wants(t, 200, "", "Boxwood blight", "name=boxwood-blight")
	d.get("/practice/1/1?q=%3Cscript%3Ealert(1)").wants(t, 200, "")
	harmless(t, d.get("/practice/1/1?q="+url.QueryEscape(shouts[0])))
	d.get("/practice/1/1?name=boxwood-blight").wants(t, 200, "", "You take it for: Boxwood blight.")
	d.get("/practice/1/1?name=made-up").wants(t, 422, "", "not in the reference", "What may it be?")
	d.answer(1, "boxwood-blight", ladder.Stop).wants(t, 200, "/practice/1/1", "Boxwood blight")
	if got := d.newest().Cases[0].Answer; got.Called != "Boxwood blight" {
		t.Errorf("answered %+v, want the name that was looked up", got)
	}
}

func TestPracticeRefuses(t *testing.T) {
	d := newPracticeDesk(t)
	d.post("/practice", url.Values{"to": {"Nowhereland"}}).wants(t, 422, "/practice", "no list for that destination")
	d.post("/practice", url.Values{"to": {""}})
	v := d.practiceOf("Bea Lund").Version
	for _, tt := range []struct {
		name, path string
		form       url.Values
		status     int
		words      string
	}{
		{"a session nobody has", "/practice/9/1/answer", url.Values{"rung": {"stop"}}, 404, "no such session"},
		{"a session that is no number", "/practice/x/1/answer", url.Values{"rung": {"stop"}}, 404, "nothing at this address"},
		{"a case there is not", "/practice/1/9/answer", url.Values{"rung": {"stop"}}, 404, "cases 1 to 8"},
		{"case zero", "/practice/1/0/closer", url.Values{}, 404, "cases 1 to 8"},
		{"a later case", "/practice/1/3/answer", url.Values{"rung": {"stop"}}, 409, "Case 1 comes first"},
		{"a later look", "/practice/1/3/closer", url.Values{"shown": {"1"}}, 409, "Case 1 comes first"},
		{"no rung", "/practice/1/1/answer", url.Values{}, 422, "Choose what to do"},
		{"a rung nobody knows", "/practice/1/1/answer", url.Values{"rung": {"burn"}}, 422, "Choose what to do"},
		{"a name nobody knows", "/practice/1/1/answer", url.Values{"rung": {"stop"}, "name": {"burn"}}, 422, "not in the reference"},
		{"a case that still holds put aside", "/practice/1/1/aside", url.Values{}, 409, "still holds"},
		{"a session nobody has given up", "/practice/7/giveup", url.Values{}, 404, "no such session"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			d.post(tt.path, tt.form).wants(t, tt.status, "", tt.words)
		})
	}
	if got := d.practiceOf("Bea Lund").Version; got != v {
		t.Errorf("refused forms left %d steps behind", got-v)
	}
	d.post("/practice/1/giveup", url.Values{}).wants(t, 200, "/practice/1", "given up", "No case was answered")
	d.post("/practice/1/1/answer", url.Values{"rung": {"stop"}}).wants(t, 409, "", "given up")
	d.get("/practice/1/1").wants(t, 200, "/practice/1")
	d.post("/practice", url.Values{"to": {""}}).wants(t, 200, "/practice/2/1")

	// Nobody signed in.
	stranger := &desk{t: t, store: d.store, url: d.url, client: &http.Client{}}
	stranger.get("/practice").wants(t, 200, "/who.*", "Who is at the bench?")
	stranger.post("/practice", url.Values{"to": {""}}).wants(t, 403, "/practice", "Say who you are first")
	stranger.get("/practice/results").wants(t, 200, "/who.*")
}

// The reference may change under a session: a case that it has overtaken is left
// out, one whose words alone changed goes on as it was prepared.
func TestPracticeWhileTheReferenceChanges(t *testing.T) {
	d := newPracticeDesk(t)
	d.post("/practice", url.Values{"to": {""}})
	x := d.newest()
	without := func(ids ...string) {
		t.Helper()
		var keep []*reference.Entry
		for _, e := range d.ref.Book().Entries() {
			gone := false
			for _, id := range ids {
				gone = gone || e.ID == id
			}
			if !gone {
				keep = append(keep, e)
			}
		}
		b, _ := reference.NewBook(keep, d.ref.Book().Lists(), d.ref.Book().Synonyms())
		if err := d.ref.Replace(b); err != nil {
			t.Fatal(err)
		}
	}
	// Words changed only.
	e := *d.ref.Book().Entry(x.Cases[0].Entry)
	e.Signs = append([]reference.Sign(nil), e.Signs...)
	e.Signs[0].Text, e.Revision = "another text", e.Revision+1
	b, _ := d.ref.Book().With(&e)
	if err := d.ref.Replace(b); err != nil {
		t.Fatal(err)
	}
	d.answer(1, practice.Unknown, ladder.Sample).wants(t, 200, "/practice/1/1", x.Cases[0].Telling(), fmt.Sprintf("changed since, now revision %d", e.Revision), fmt.Sprintf("revision %d", x.Cases[0].Revision))
	// Gone before the answer.
	without(x.Cases[1].Entry)
	d.get("/practice/1").wants(t, 200, "/practice/1/2", "This case is out of date")
	d.answer(2, practice.Unknown, ladder.Sample).wants(t, 200, "/practice/1/2", "This case is out of date")
	if d.newest().Cases[1].Answer != nil {
		t.Error("an overtaken case took an answer")
	}
	d.post("/practice/1/2/aside", url.Values{}).wants(t, 200, "/practice/1/3")
	d.post("/practice/1/2/aside", url.Values{}).wants(t, 200, "/practice/1/3")
	// Asks for something else than it did, and then again for the same.
	was := d.ref.Book()
	e = *was.Entry(x.Cases[2].Entry)
	if e.Action = ladder.Stop; x.Cases[2].Right == ladder.Stop {
		e.Action = ladder.Reject
	}
	b, _ = was.With(&e)
	if err := d.ref.Replace(b); err != nil {
		t.Fatal(err)
	}
	d.get("/practice/1/3").wants(t, 200, "/practice/1/3", "This case is out of date")
	if err := d.ref.Replace(was); err != nil {
		t.Fatal(err)
	}
	d.get("/practice/1/3").wants(t, 200, "/practice/1/3", "What may it be?")
	// Gone after the answer.
	d.answer(3, practice.Unknown, ladder.Sample)
	without(x.Cases[2].Entry)
	a := d.get("/practice/1/3")
	a.wants(t, 200, "", x.Cases[2].Name, "not any more")
	if strings.Contains(a.body, `href="/e/`+x.Cases[2].Entry+`"`) {
		t.Error("the page leads to an entry that is gone")
	}
	// All gone.
	empty, _ := reference.NewBook(nil, nil, reference.Synonyms{})
	if err := d.ref.Replace(empty); err != nil {
		t.Fatal(err)
	}
	for n := 4; n <= 8; n++ {
		d.get("/practice/1").wants(t, 200, fmt.Sprintf("/practice/1/%d", n), "out of date")
		d.post(fmt.Sprintf("/practice/1/%d/aside", n), url.Values{})
	}
	d.get("/practice/1").wants(t, 200, "/practice/1", "of 2 right", "left out")
	d.get("/practice").wants(t, 200, "/practice", "There is nothing to practise with")
	d.post("/practice", url.Values{"to": {""}}).wants(t, 409, "/practice", "nothing to practise with")
}

// TestPracticeIsSaid renders the screens in the pseudo language: what a person
// reads comes from the catalogue or is marked as a value.
func TestPracticeIsSaid(t *testing.T) {
	d := newPracticeDesk(t, pseudo)
	visit := func(path string) {
		t.Helper()
		a := d.get(path)
		if a.status != http.StatusOK {
			t.Errorf("%s: %d %.300s", path, a.status, a.text())
		}
		for _, u := range unsaid(a.body) {
			t.Errorf("%s: not from the catalogue: %s", path, u)
		}
		harmless(t, a)
	}
	visit("/practice")
	d.post("/practice", url.Values{"to": {"Eastmoor"}})
	for _, path := range []string{"/practice", "/practice/1/1", "/practice/1/1?q=scale", "/practice/1/1?q=zzzzz", "/practice/1/1?name=", "/practice/1/1?name=" + d.newest().Cases[0].Options[0].ID} {
		visit(path)
	}
	for n := 1; n <= 7; n++ {
		p := d.newest().Cases[n-1]
		d.answer(n, p.Options[n%len(p.Options)].ID, ladder.Rungs[n%4])
		visit(fmt.Sprintf("/practice/1/%d", n))
	}
	empty, _ := reference.NewBook(nil, nil, reference.Synonyms{})
	if err := d.ref.Replace(empty); err != nil {
		t.Fatal(err)
	}
	visit("/practice/1/8")
	visit("/practice/1/7")
	d.post("/practice/1/8/aside", url.Values{})
	bea := d.staff["Bea Lund"].ID
	for _, path := range []string{"/practice", "/practice/1", "/practice/results/" + bea} {
		visit(path)
	}
	d.signIn(d.staff["Ida Fenn"])
	for _, path := range []string{"/practice", "/practice/results", "/practice/results/" + bea, "/practice/results/" + d.staff["Ida Fenn"].ID, "/office"} {
		visit(path)
	}
}

// TestPracticeByHand goes through a session in a browser with keys and presses,
// breaks it off, and carries on.
func TestPracticeByHand(t *testing.T) {
	tb := newTestBench(t)
	h := newHand(t, tb)
	h.badge("Tam Orrin")
	h.Open(tb.url + "/practice")
	h.On("Where are the plants going?")
	h.See("home")
	h.Press("Eastmoor")
	h.On("What may it be?")
	h.See("name")
	look := func() *practice.Session {
		t.Helper()
		st, err := tb.store.Practice(context.Background(), tb.ids["Tam Orrin"])
		if err != nil {
			t.Fatal(err)
		}
		return st.Sessions[0]
	}
	axe := func() {
		t.Helper()
		for _, v := range h.Axe() {
			t.Error(v)
		}
		for _, width := range []int64{1024, 390} {
			h.Size(width, 800)
			if wide := browsertest.Eval[float64](h.Browser, `document.documentElement.scrollWidth - innerWidth`); wide > 0 {
				t.Errorf("%v px wider than a window of %d", wide, width)
			}
		}
		h.Size(1280, 800)
	}
	axe()
	for n := 1; n <= 8; n++ {
		h.Wait(fmt.Sprintf(`location.pathname === "/practice/1/%d"`, n))
		h.On("What may it be?")
		p := look().Cases[n-1]
		seen := 1
		for n == 2 && seen < len(p.Signs) { // one case is looked at to the end
			if seen == 1 {
				h.Type("k")
			} else {
				h.Press("Look closer")
			}
			seen++
			h.Wait(fmt.Sprintf(`document.querySelectorAll("#page .reasons li").length === %d`, seen))
		}
		if n == 2 {
			h.See("name-all-signs")
		}
		if n == 3 { // broken off and taken up again
			h.Open(tb.url + "/")
			h.Open(tb.url + "/practice")
			h.On("Carry on with your session?")
			h.See("carry-on")
			h.Press("Carry on")
			h.On("What may it be?")
		}
		rung := p.Right
		switch n {
		case 1, 5:
			h.Press("I don't know")
			rung = ladder.Sample
		case 4:
			// Looked up by typing, as a person does.
			h.Press("None of these")
			h.Click("#q")
			h.Type(strings.ToLower(p.Name))
			h.Wait(fmt.Sprintf(`document.getElementById("q").value === %q`, strings.ToLower(p.Name)))
			h.Click("#page details form button")
			h.Wait(`document.querySelector("#page details[open] .tiles .act")`)
			h.See("search")
			h.Press(p.Name)
		case 6:
			h.Press(p.Name)
			rung = ladder.Note
		case 7:
			h.Press(p.Name)
			rung = ladder.Stop
		default:
			for i, o := range p.Options {
				if o.ID == p.Entry {
					if n == 2 {
						h.Type(itoa(i + 1))
					} else {
						h.Press(o.Name)
					}
				}
			}
		}
		h.On("What do you do?")
		if n == 2 {
			h.See("act")
			axe()
		}
		if n == 2 {
			h.Type(itoa(int(rung)))
		} else {
			h.Press(rung.Word().String())
		}
		h.Wait(`[...document.querySelectorAll("#page h2")].some((e) => e.innerText === "Its signs")`)
		a := look().Cases[n-1].Answer
		if a == nil || a.Act != rung || a.Shown != seen {
			t.Fatalf("case %d: answered %+v, want %v after %d signs", n, a, rung, seen)
		}
		h.See(fmt.Sprintf("told-%d-%s", n, a.Outcome.Verdict))
		if n == 6 {
			axe()
		}
		if n == 2 {
			h.Type("n")
		} else {
			h.Click("#page .act-big")
		}
	}
	h.Wait(`[...document.querySelectorAll("#page h1")].some((e) => e.innerText.includes("of 8 right"))`)
	h.See("end")
	axe()
	h.Press("Your results")
	h.On("Tam Orrin: practice")
	h.See("results")
	axe()
	h.badge("Ida Fenn")
	h.Open(tb.url + "/practice/results")
	h.On("Who has practised")
	h.See("everybody")
	h.NoFaults()
}
