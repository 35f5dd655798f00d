package kiosk

import (
	"net/http"
	"net/url"
	"slices"
	"strings"

	"github.com/gin-gonic/gin"

	"lastlook/internal/ladder"
	"lastlook/internal/people"
	"lastlook/internal/practice"
	"lastlook/internal/say"
	"lastlook/reference"
)

// practiceRoutes lists the routes of the practice. It has pages and a history of
// its own: nothing here reads or changes a consignment.
func (k *kiosk) practiceRoutes(e *gin.Engine) {
	e.GET("/practice", k.as(atBench, k.practiceHome))
	e.POST("/practice", k.as(atBench, k.practiceStart))
	e.GET("/practice/results", k.as(asSuper, k.practiceResults))
	e.GET("/practice/results/:person", k.as(atBench, k.practicePerson))
	e.GET("/practice/:session", k.as(atBench, k.practiceSession))
	e.POST("/practice/:session/giveup", k.as(atBench, k.practiceGiveUp))
	e.GET("/practice/:session/:case", k.as(atBench, k.practiceCase))
	e.POST("/practice/:session/:case/closer", k.as(atBench, k.practiceCloser))
	e.POST("/practice/:session/:case/answer", k.as(atBench, k.practiceAnswer))
	e.POST("/practice/:session/:case/aside", k.as(atBench, k.practiceAside))
}

// PracticeHead marks a page as practice, plainly. Part "practice-head".
type PracticeHead struct {
	Where say.Text // which case, for which destination; may be empty
	Dots  *Dots
}

func practiceCasePath(session, n int) string {
	return "/practice/" + itoa(session) + "/" + itoa(n)
}

// practiceHead says which case of which session is shown.
func practiceHead(x *practice.Session, n int) PracticeHead {
	h := PracticeHead{Where: say.T("case %d of %d", n, len(x.Cases))}
	if x.To != "" {
		h.Where = say.T("case %d of %d · plants for %s", n, len(x.Cases), x.To)
	}
	d := Dots{Dots: make([]Dot, len(x.Cases))}
	for i, p := range x.Cases {
		switch {
		case i+1 == n:
			d.Dots[i].State = "now"
		case p.Over():
			d.Dots[i].State = "done"
		}
	}
	h.Dots = &d
	return h
}

// subjects turns the reference into what practice draws from, for plants going to
// a destination.
func subjects(b *reference.Book, to string) []practice.Subject {
	dest := reference.Destination{Name: to}
	advice := make(map[string]reference.Advice, len(b.Entries()))
	for _, e := range b.Entries() {
		advice[e.ID] = reference.Escalate(b, e, dest)
	}
	danger := func(e *reference.Entry) bool { return e.Dangerous() || advice[e.ID].Action == ladder.Stop }
	out := make([]practice.Subject, 0, len(b.Entries()))
	for _, e := range b.Entries() {
		a := advice[e.ID]
		s := practice.Subject{
			ID: e.ID, Name: e.Name, Kind: string(e.Kind), Revision: e.Revision, Hash: e.Hash(), Hosts: e.Hosts,
			Right: a.Action, Untested: a.Untested(), Danger: danger(e), Reasons: a.Reasons,
		}
		for _, p := range e.AllParts() {
			s.Parts = append(s.Parts, p.Words())
		}
		for _, g := range e.Signs {
			s.Signs = append(s.Signs, practice.Sign{Part: g.Part.Words(), Text: g.Text})
		}
		for _, l := range b.Alike(e) {
			s.Alike = append(s.Alike, practice.Alike{
				ID: l.Other.ID, Name: l.Other.Name, TellApart: l.TellApart, By: string(l.By),
				Right: advice[l.Other.ID].Action, Danger: danger(l.Other),
			})
		}
		out = append(out, s)
	}
	return out
}

// overtaken reports whether the reference has come to ask for something else than
// a prepared case, or has lost its entry. Practising it would teach what is no
// longer so.
func overtaken(b *reference.Book, to string, p *practice.Played) bool {
	e := b.Entry(p.Entry)
	if e == nil {
		return true
	}
	a := reference.Escalate(b, e, reference.Destination{Name: to})
	return a.Action != p.Right || a.Untested() != p.Untested
}

// practiceDestinations lists the destinations that have lists of their own.
func practiceDestinations(b *reference.Book) []string {
	var out []string
	for _, l := range b.Lists() {
		if !l.Optional {
			out = append(out, l.Destinations...)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// mine reads the practice of the person at the bench.
func (k *kiosk) mine(c *gin.Context) (*practice.State, error) {
	return k.store.Practice(c.Request.Context(), actorOf(c).ID)
}

// doPractice takes a step in the practice of the person at the bench.
func (k *kiosk) doPractice(c *gin.Context, cmd practice.Command) (*practice.State, error) {
	return k.store.DoPractice(c.Request.Context(), actorOf(c), benchOf(c), c.PostForm("key"), cmd)
}

// practiceHomePage is where practice begins and goes on.
var practiceHomePage = declarePage("practice_home")

type practiceHomeView struct {
	Base
	Head     PracticeHead
	Question Question
	Notice   Notice
	Empty    *Panel
	Carry    *Act
	GiveUp   *practiceGiveUpForm
	Starts   []Act
	Results  []Act
}

type practiceGiveUpForm struct {
	Action string
	Do     Act
}

func (k *kiosk) practiceHome(c *gin.Context) error { return k.showPracticeHome(c, nil) }

func (k *kiosk) showPracticeHome(c *gin.Context, refused *say.Refusal) error {
	st, err := k.mine(c)
	if err != nil {
		return err
	}
	p, _ := personOf(c)
	v := &practiceHomeView{
		Base:     k.page(c, say.T("Practice")),
		Question: Question{Text: say.T("Where are the plants going?"), Help: say.T("%d prepared cases, one after another. What is asked for depends on where plants go.", practice.DefaultSize)},
	}
	if len(st.Sessions) > 0 {
		v.Results = append(v.Results, Act{Label: say.T("Your results"), Symbol: "person", Href: "/practice/results/" + p.ID})
	}
	if p.Has(people.Supervisor) {
		v.Results = append(v.Results, Act{Label: say.T("Results of everybody"), Symbol: "book", Href: "/practice/results"})
	}
	if x := st.Open(); x != nil {
		v.Head = PracticeHead{}
		v.Question = Question{Text: say.T("Carry on with your session?"), Help: say.T("It is as you left it, at case %d of %d.", x.Now(), len(x.Cases))}
		v.Carry = &Act{Label: say.T("Carry on"), Hint: say.T("case %d of %d", x.Now(), len(x.Cases)), Href: practiceCasePath(x.Number, x.Now()), Weight: weightBig, Key: "n", Symbol: "next"}
		v.GiveUp = &practiceGiveUpForm{Action: "/practice/" + itoa(x.Number) + "/giveup", Do: Act{Label: say.T("Give this session up"), Weight: weightQuiet}}
	} else if len(k.ref.Book().Entries()) == 0 {
		v.Question = Question{}
		v.Empty = &Panel{Kind: panelEmpty, Text: say.T("There is nothing to practise with"), Detail: say.T("The reference holds no entries. Ask the supervisor to bring it back."),
			Act: Act{Label: say.T("To what is due"), Href: "/", Weight: weightBig}}
	} else {
		v.Starts = []Act{{Label: say.T("Nowhere in particular"), Hint: say.T("the reference by itself"), Name: "to", Value: "", Key: "1", Symbol: "to"}}
		for i, d := range practiceDestinations(k.ref.Book()) {
			a := Act{Label: say.T("%s", d), Hint: say.T("with its own list"), Name: "to", Value: d, Symbol: "to"}
			if i < 8 {
				a.Key = itoa(i + 2)
			}
			v.Starts = append(v.Starts, a)
		}
	}
	status := http.StatusOK
	if refused != nil {
		v.Notice, status = Notice{Tone: toneWrong, Text: refused.Text}, statuses[refused.Code]
	}
	return k.render(c, status, practiceHomePage, v)
}

func (k *kiosk) practiceStart(c *gin.Context) error {
	to := c.PostForm("to")
	book := k.ref.Book()
	if to != "" && !slices.Contains(practiceDestinations(book), to) {
		return k.showPracticeHome(c, say.Refuse(say.Invalid, "There is no list for that destination: choose one of those below."))
	}
	start := practice.Start{Bank: subjects(book, to), To: to, Size: practice.DefaultSize}
	k.store.Random(start.Seed[:])
	st, err := k.doPractice(c, start)
	if r := asRefusal(err); r != nil {
		return k.showPracticeHome(c, r)
	}
	if err != nil {
		return err
	}
	return k.forward(c, "/practice/"+itoa(len(st.Sessions)))
}

func (k *kiosk) practiceGiveUp(c *gin.Context) error {
	n, err := pathInt(c, "session")
	if err != nil {
		return err
	}
	if _, err := k.doPractice(c, practice.GiveUp{Session: n}); err != nil {
		return err
	}
	tell(c, Flash{Tone: toneNote, Text: say.T("The session is given up. What you answered stays.")})
	return k.forward(c, "/practice/"+itoa(n))
}

// sessionOf reads the session named in the path; each person has their own.
func (k *kiosk) sessionOf(c *gin.Context) (*practice.Session, error) {
	st, err := k.mine(c)
	if err != nil {
		return nil, err
	}
	n, err := pathInt(c, "session")
	if err != nil {
		return nil, err
	}
	x := st.Session(n)
	if x == nil {
		return nil, say.Refuse(say.NotFound, "There is no such session of yours. Open the practice to see which there are.")
	}
	return x, nil
}

// caseOf reads the case named in the path.
func (k *kiosk) caseOf(c *gin.Context) (*practice.Session, int, *practice.Played, error) {
	x, err := k.sessionOf(c)
	if err != nil {
		return nil, 0, nil, err
	}
	n, err := pathInt(c, "case")
	if err != nil {
		return nil, 0, nil, err
	}
	if n < 1 || n > len(x.Cases) {
		return nil, 0, nil, say.Refuse(say.NotFound, "This session has cases 1 to %d.", len(x.Cases))
	}
	return x, n, &x.Cases[n-1], nil
}

// practiceSession leads to the case to answer, or shows the end.
func (k *kiosk) practiceSession(c *gin.Context) error {
	x, err := k.sessionOf(c)
	if err != nil {
		return err
	}
	if n := x.Now(); n > 0 {
		return k.forward(c, practiceCasePath(x.Number, n))
	}
	return k.showPracticeEnd(c, x)
}

// practiceCase shows a case: the question that is next, or what came of it.
func (k *kiosk) practiceCase(c *gin.Context) error {
	x, n, p, err := k.caseOf(c)
	if err != nil {
		return err
	}
	switch {
	case p.Answer != nil:
		return k.showPracticeTold(c, x, n, p)
	case n != x.Now():
		// Left out, given up, or further on than the person is.
		return k.forward(c, "/practice/"+itoa(x.Number))
	case overtaken(k.ref.Book(), x.To, p):
		return k.showPracticeAside(c, x, n)
	}
	if _, named := c.GetQuery("name"); named {
		return k.showPracticeAct(c, x, n, p, c.Query("name"), nil)
	}
	return k.showPracticeName(c, x, n, p, nil)
}

// practiceSigns is what is known of a case so far. Part "practice-signs".
type practiceSigns struct {
	Host   string // "" is any plant
	Where  say.Text
	Signs  []practice.Sign
	Action string // of the closer look
	Fields []Hidden
	Closer Act
	Beside Act // another act beside the closer look
}

func practiceSignsOf(x *practice.Session, n int, p *practice.Played, fields ...Hidden) practiceSigns {
	s := practiceSigns{
		Host: p.Host, Where: say.T("%s", p.Parts),
		Signs: slices.Clone(p.Signs[:p.Shown]),
	}
	slices.Reverse(s.Signs) // the newest where the eye is
	s.Action = practiceCasePath(x.Number, n) + "/closer"
	s.Fields = append([]Hidden{{Name: "shown", Value: itoa(p.Shown)}}, fields...)
	// The button stays when all is seen, so that nothing moves under the hand.
	s.Closer = Act{Label: say.T("Look closer"), Hint: say.T("%d of %d signs seen", p.Shown, len(p.Signs)), Key: "k", Symbol: "look", Off: p.Shown == len(p.Signs)}
	return s
}

// practiceNamePage asks what it may be.
var practiceNamePage = declarePage("practice_name")

type practiceNameView struct {
	Base
	Head     PracticeHead
	Question Question
	Notice   Notice
	Signs    practiceSigns
	Names    []Act
	Find     Field
	Action   string // of the search
	Searched bool
	Said     say.Text
	Found    []Act
}

// practiceFound is how many hits the search offers.
const practiceFound = 8

func (k *kiosk) showPracticeName(c *gin.Context, x *practice.Session, n int, p *practice.Played, refused *say.Refusal) error {
	path := practiceCasePath(x.Number, n)
	v := &practiceNameView{
		Base: k.page(c, say.T("Practice")), Head: practiceHead(x, n), Signs: practiceSignsOf(x, n, p), Action: path,
		Question: Question{Text: say.T("What may it be?")},
		Find:     Field{Name: "q", Label: say.T("Look for another name"), Hint: say.T("a name, or what you see"), Value: c.Query("q")},
	}
	name := func(id string) string { return path + "?" + url.Values{"name": {id}}.Encode() }
	for i, o := range p.Options {
		v.Names = append(v.Names, Act{Label: say.T("%s", o.Name), Href: name(o.ID), Key: itoa(i + 1)})
	}
	v.Signs.Beside = Act{Label: say.T("I don't know"), Hint: say.T("never wrong by itself"), Href: name(practice.Unknown), Key: "?", Symbol: "unknown"}
	if q := strings.TrimSpace(c.Query("q")); q != "" {
		v.Searched = true
		r := k.ref.Search(reference.Query{Text: q, Limit: practiceFound})
		v.Said = r.Said
		for _, h := range r.Hits {
			// Neither the rung nor the reasons: they would answer the next question.
			v.Found = append(v.Found, Act{Label: say.T("%s", h.Name), Hint: h.Kind.Words(), Href: name(h.ID)})
		}
	}
	status := http.StatusOK
	if refused != nil {
		v.Notice, status = Notice{Tone: toneWrong, Text: refused.Text}, statuses[refused.Code]
	}
	return k.render(c, status, practiceNamePage, v)
}

// practiceActPage asks what to do.
var practiceActPage = declarePage("practice_act")

type practiceActView struct {
	Base
	Head     PracticeHead
	Question Question
	Notice   Notice
	Signs    practiceSigns
	Action   string
	Name     string
	Rungs    []Act
}

func (k *kiosk) showPracticeAct(c *gin.Context, x *practice.Session, n int, p *practice.Played, name string, refused *say.Refusal) error {
	called, ok := k.practiceCalled(p, name)
	if !ok {
		return k.showPracticeName(c, x, n, p, say.Refuse(say.Invalid, "That name is not in the reference: choose another, or say that you don't know."))
	}
	path := practiceCasePath(x.Number, n)
	v := &practiceActView{
		Base: k.page(c, say.T("Practice")), Head: practiceHead(x, n), Signs: practiceSignsOf(x, n, p, Hidden{Name: "name", Value: name}, Hidden{Name: "named", Value: "yes"}),
		Question: Question{Text: say.T("What do you do?"), Help: say.T("You take it for: %s.", called)},
		Action:   path + "/answer", Name: name,
	}
	v.Signs.Beside = Act{Label: say.T("Back: another name"), Href: path, Weight: weightQuiet}
	if name == practice.Unknown {
		v.Question.Help = say.T("You don't know what it is. What is safe?")
	}
	for i := len(ladder.Rungs) - 1; i >= 0; i-- {
		r := ladder.Rungs[i]
		v.Rungs = append(v.Rungs, Act{Label: r.Word(), Hint: r.Act(), Rung: r, Name: "rung", Value: r.String(), Key: itoa(i + 1)})
	}
	status := http.StatusOK
	if refused != nil {
		v.Notice, status = Notice{Tone: toneWrong, Text: refused.Text}, statuses[refused.Code]
	}
	return k.render(c, status, practiceActPage, v)
}

// practiceCalled gives the name of an answer: as the case offers it, or as the
// reference has it now.
func (k *kiosk) practiceCalled(p *practice.Played, id string) (string, bool) {
	if id == practice.Unknown {
		return "", true
	}
	for _, o := range p.Options {
		if o.ID == id {
			return o.Name, true
		}
	}
	if e := k.ref.Book().Entry(id); e != nil {
		return e.Name, true
	}
	return "", false
}

func (k *kiosk) practiceCloser(c *gin.Context) error {
	x, n, p, err := k.caseOf(c)
	if err != nil {
		return err
	}
	path := practiceCasePath(x.Number, n)
	if p.Over() {
		return k.forward(c, path)
	}
	if _, err := k.doPractice(c, practice.LookCloser{Session: x.Number, Case: n, Shown: formInt(c, "shown")}); err != nil {
		return err
	}
	if c.PostForm("named") != "" {
		path += "?" + url.Values{"name": {c.PostForm("name")}}.Encode()
	}
	return k.forward(c, path)
}

func (k *kiosk) practiceAnswer(c *gin.Context) error {
	x, n, p, err := k.caseOf(c)
	if err != nil {
		return err
	}
	path := practiceCasePath(x.Number, n)
	if p.Answer != nil {
		if done, err := k.store.Answered(c.Request.Context(), c.PostForm("key")); err != nil {
			return err
		} else if !done {
			tell(c, Flash{Tone: toneNote, Text: say.T("Case %d is answered already: the first answer counts.", n)})
		}
		return k.forward(c, path)
	}
	if n == x.Now() && overtaken(k.ref.Book(), x.To, p) {
		return k.forward(c, path) // which says so
	}
	name := c.PostForm("name")
	called, _ := k.practiceCalled(p, name)
	rung, _ := ladder.Parse(c.PostForm("rung"))
	_, err = k.doPractice(c, practice.Say{Session: x.Number, Case: n, Name: name, Called: called, Act: rung})
	if r := asRefusal(err); r != nil && n == x.Now() {
		return k.showPracticeAct(c, x, n, p, name, r)
	}
	if err != nil {
		return err
	}
	return k.forward(c, path)
}

// practiceAsidePage says that the reference has overtaken a case.
var practiceAsidePage = declarePage("practice_aside")

type practiceAsideView struct {
	Base
	Head     PracticeHead
	Question Question
	Action   string
	Do       Act
}

func (k *kiosk) showPracticeAside(c *gin.Context, x *practice.Session, n int) error {
	return k.render(c, http.StatusOK, practiceAsidePage, &practiceAsideView{
		Base: k.page(c, say.T("Practice")), Head: practiceHead(x, n), Action: practiceCasePath(x.Number, n) + "/aside",
		Question: Question{Text: say.T("This case is out of date"), Help: say.T("The reference has changed since it was prepared. It is left out and does not count.")},
		Do:       Act{Label: say.T("Go on"), Weight: weightBig, Key: "n", Symbol: "next"},
	})
}

func (k *kiosk) practiceAside(c *gin.Context) error {
	x, n, p, err := k.caseOf(c)
	if err != nil {
		return err
	}
	if !p.Over() {
		if !overtaken(k.ref.Book(), x.To, p) {
			return say.Refuse(say.Illegal, "This case still holds: go back and answer it.")
		}
		if _, err := k.doPractice(c, practice.PutAside{Session: x.Number, Case: n}); err != nil {
			return err
		}
	}
	return k.forward(c, "/practice/"+itoa(x.Number))
}
