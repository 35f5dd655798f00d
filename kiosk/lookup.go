package kiosk

import (
	"context"
	"html/template"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/gin-gonic/gin"

	"lastlook/internal/code"
	"lastlook/internal/consignment"
	"lastlook/internal/ladder"
	"lastlook/internal/say"
	"lastlook/reference"
)

func (k *kiosk) lookupRoutes(e *gin.Engine) {
	look := func(path string, h handler) { e.GET(path, k.as(anybody, h)) }
	look("/lookup", k.lookup)
	look("/narrow", k.narrow)
	look("/e/:id", k.entry)
	look("/e/:id/with/:other", k.compare)
	look("/e/:id/card", k.entryCard)
	look("/api/v1/lookup", k.lookupJSON)
}

// errand is why somebody is in the reference: the package being examined, with
// the answers given on the find screens so far. It travels in the address, so that
// every page of the reference leads back to the same unit. The zero errand is that
// of somebody who only wants to know.
type errand struct {
	state   *consignment.State
	round   *consignment.Round
	exam    *consignment.Exam
	answers answers
	lists   []string // optional lists switched on for the destination
	over    bool     // the address names an examination that is not under way any more
}

var errandPath = regexp.MustCompile(`^/c/([0-9A-Z]{4})/p/(\d{1,7})$`)

// errandOf reads the errand from a query: for=/c/CODE/p/N with the answers of the
// find screens. One that is over counts as none.
func (k *kiosk) errandOf(ctx context.Context, v url.Values) (errand, error) {
	m := errandPath.FindStringSubmatch(v.Get("for"))
	if m == nil {
		return errand{over: v.Get("for") != ""}, nil
	}
	st, err := k.store.Consignment(ctx, m[1])
	if say.CodeOf(err) == say.NotFound {
		return errand{over: true}, nil
	}
	if err != nil {
		return errand{}, err
	}
	n, _ := strconv.Atoi(m[2]) // digits only
	r := st.Running()
	if r == nil || r.Exams[n] == nil || !r.Exams[n].Open() {
		return errand{over: true}, nil
	}
	return k.errandFor(st, r, r.Exams[n], readAnswers(v, r.Exams[n])), nil
}

// errandFor is the errand of an examination that is under way.
func (k *kiosk) errandFor(st *consignment.State, r *consignment.Round, x *consignment.Exam, a answers) errand {
	return errand{state: st, round: r, exam: x, answers: a, lists: k.destinationOf(st.Destination).Lists}
}

func (e errand) isZero() bool { return e.state == nil }

// path is the package's examining screen.
func (e errand) path() string { return packagePath(e.state.Code, e.exam.Package) }

// query carries the errand on, with more pairs of names and values.
func (e errand) query(more ...string) url.Values {
	v := url.Values{}
	if !e.isZero() {
		v = e.answers.query()
		v.Set("for", e.path())
	}
	for i := 0; i+1 < len(more); i += 2 {
		if more[i+1] != "" {
			v.Set(more[i], more[i+1])
		}
	}
	return v
}

// link is an address of the reference with the errand in it.
func (e errand) link(path string, more ...string) string { return address(path, e.query(more...)) }

func address(path string, v url.Values) string {
	if len(v) == 0 {
		return path
	}
	return path + "?" + v.Encode()
}

func hiddenOf(v url.Values) []Hidden {
	var hs []Hidden
	names := make([]string, 0, len(v))
	for name := range v {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		for _, val := range v[name] {
			hs = append(hs, Hidden{Name: name, Value: val})
		}
	}
	return hs
}

// to is where the plants go.
func (e errand) to() reference.Destination {
	if e.isZero() {
		return reference.Destination{}
	}
	return reference.Destination{Name: e.state.Destination, Lists: e.lists}
}

// crop is what grows in the package.
func (e errand) crop() string {
	if e.isZero() {
		return ""
	}
	p, _ := e.state.Package(e.exam.Package)
	return p.CropLine.Crop
}

// choose takes an entry back to the find screens.
func (e errand) choose(id string) string {
	a := e.answers
	a.what, a.entry, a.revision, a.lens = "", id, 0, nil
	return address(e.path()+"/find", a.query())
}

// doubt goes on to collect a sample of what nobody could name.
func (e errand) doubt() string {
	a := e.answers
	a.what, a.entry, a.revision, a.lens = consignment.NotIdentified, "", 0, nil
	return address(e.path()+"/find", a.query())
}

// back leads to the unit: to the find screen if a find was begun, with nothing
// lost, else to the examining screen.
func (e errand) back() string {
	if e.answers.part == "" || e.answers.part == consignment.PartPackage && e.answers.what == "" && e.answers.entry == "" {
		return e.path()
	}
	return address(e.path()+"/find", e.answers.query())
}

// errandView is the errand at the head of a page of the reference, with the three
// ways out. Part "errand".
type errandView struct {
	Tag   Tag
	Where say.Text
	Crop  string
	Back  Act
	Doubt Act
	Stop  Act
}

func (k *kiosk) errandView(b *Base, e errand) *errandView {
	if e.isZero() {
		return nil
	}
	b.Version = e.state.Version
	v := &errandView{
		Tag: k.stateTag(*b, e.state), Crop: e.crop(),
		Where: say.T("package %03d · unit %d of %d", e.exam.Package, e.answers.unit, e.exam.Units),
		Back:  Act{Label: say.T("Back to the unit"), Symbol: "back", Href: e.back(), Key: "b"},
		Doubt: Act{Label: say.T("I don't know"), Hint: say.T("collect a sample"), Symbol: "unknown", Href: e.doubt(), Key: "?"},
		Stop:  Act{Label: say.T("Stop"), Hint: say.T("quarantine pest suspected"), Rung: ladder.Stop, Href: address(e.path()+"/stop", e.answers.query())},
	}
	if e.answers.unit == 0 {
		v.Where = say.T("package %03d · the package itself", e.exam.Package)
		v.Back.Label = say.T("Back to the package")
	}
	return v
}

// noticeOf says that an errand is over.
func (e errand) notice() Notice {
	if !e.over {
		return Notice{}
	}
	return Notice{Tone: toneNote, Text: say.T("That package is not being examined any more."), Detail: say.T("The reference is shown without it. Scan the package to go on.")}
}

// lookupPage answers words typed at the bench.
var lookupPage = declarePage("lookup")

type lookupView struct {
	Base
	Errand   *errandView
	Question Question
	Notice   Notice
	Hidden   []Hidden
	Words    Field
	Part     Field
	Host     Field
	Filtered bool
	Asked    bool
	Said     say.Text
	Notices  []say.Text
	Hits     []lookupHit
	Empty    *Panel
	Ways     []Act // besides the hits
	Filters  []Act
	Examples []example
}

// lookupHit is one entry found. Part "hit".
type lookupHit struct {
	Rung       ladder.Rung
	Until      say.Text // what it stands at until the hand lens was used
	Name       string
	Scientific string
	Kind       say.Text
	Href       string
	Why        []say.Text
	Fragment   template.HTML
	Mistaken   []nameLink
	Choose     Act
}

type nameLink struct{ Name, Href string }

type example struct{ Words, Href string }

// examples show how one may ask: lay words, a name, part of a name.
var examples = []string{
	"white fluff where leaf meets stem", "orange pustules under the leaf", "silver streaks black dots", "snail",
	"sticky leaves", "rings on leaves", "holes with sawdust", "Xylella", "vine weevil", "weed with exploding pods",
}

// maxAsked is how much of what was asked is shown again and carried on; the
// search reads less.
const maxAsked = 500

// asked reads what was typed, in a form that can be shown and sent on.
func asked(v url.Values) string {
	q := strings.ToValidUTF8(v.Get("q"), "")
	q = strings.Join(strings.Fields(strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return ' '
		}
		return r
	}, q)), " ")
	if r := []rune(q); len(r) > maxAsked {
		q = string(r[:maxAsked])
	}
	return q
}

// partOf reads a part of the reference's vocabulary; anything else is "".
func partOf(v string) reference.Part {
	if p := reference.Part(v); slices.Contains(reference.Parts(), p) {
		return p
	}
	return ""
}

// hostOf reads a plant's name.
func hostOf(v string) string {
	v = strings.Join(strings.Fields(strings.ToValidUTF8(v, "")), " ")
	if r := []rune(v); len(r) > 60 {
		v = string(r[:60])
	}
	return v
}

func (k *kiosk) lookup(c *gin.Context) error {
	from := c.Request.URL.Query()
	er, err := k.errandOf(c.Request.Context(), from)
	if err != nil {
		return err
	}
	text, part, host := asked(from), partOf(from.Get("where")), hostOf(from.Get("host"))
	b := k.page(c, say.T("Look it up"))
	b.Here = c.Request.URL.RequestURI()
	v := &lookupView{
		Base: b, Notice: er.notice(), Hidden: hiddenOf(er.query()),
		Question: Question{Text: say.T("What do you see?"), Help: say.T("A few words will do: where, what colour, what it looks like. Or a name.")},
		Words:    Field{Name: "q", Label: say.T("Words or a name"), Value: text, Type: "search", Focus: text == ""},
		Part:     Field{Name: "where", Label: say.T("Only on this part"), Type: "select", Options: []Option{{Label: say.T("any part"), Selected: part == ""}}},
		Host:     Field{Name: "host", Label: say.T("Only from this plant"), Hint: say.T("No list of host plants is complete."), Value: host},
		Filtered: part != "" || host != "", Asked: text != "",
	}
	for _, p := range reference.Parts() {
		v.Part.Options = append(v.Part.Options, Option{Value: string(p), Label: p.Words(), Selected: p == part})
	}
	v.Errand = k.errandView(&v.Base, er)
	here := func(more ...string) string { return er.link("/lookup", more...) }
	narrow := Act{Label: say.T("Narrow it down"), Hint: say.T("by touching what is seen"), Symbol: "leaf", Href: er.link("/narrow", "q", text)}
	v.Ways = []Act{narrow}
	switch {
	case part != "" || host != "":
		v.Filters = append(v.Filters, Act{Label: say.T("Without the filter"), Symbol: "wrong", Href: here("q", text)})
	case !er.isZero() && text != "":
		if p := partOf(string(er.answers.part)); p != "" {
			v.Filters = append(v.Filters, Act{Label: say.T("Only: %s", p.Words()), Href: here("q", text, "where", string(p))})
		}
		if crop := er.crop(); crop != "" {
			v.Filters = append(v.Filters, Act{Label: say.T("Only from %s", crop), Href: here("q", text, "host", crop)})
		}
	}
	if text != "" {
		v.Question.Help = say.Text{} // the hits need the room
	}
	if text == "" {
		v.Said = say.T("For example:")
		for _, x := range examples {
			v.Examples = append(v.Examples, example{Words: x, Href: here("q", x)})
		}
		return k.render(c, http.StatusOK, lookupPage, v)
	}
	res := k.ref.Search(reference.Query{Text: text, Limit: 10, Part: part, Host: host, To: er.to()})
	v.Said, v.Notices = res.Said, res.Notices
	book := k.ref.Book()
	list := here("q", text, "where", string(part), "host", host)
	for _, h := range res.Hits {
		v.Hits = append(v.Hits, hitView(book, er, h, list))
	}
	if res.Outcome != reference.Found {
		v.Empty = nothingFound(er, res, narrow)
		v.Said, v.Ways = say.Text{}, nil
		if v.Filtered {
			v.Ways = v.Filters
		}
		v.Filters = nil
	}
	return k.render(c, http.StatusOK, lookupPage, v)
}

// nothingFound leads on when no entry has the words: in an examination to a
// sample, because what is not identified is never noted.
func nothingFound(er errand, res reference.Result, narrow Act) *Panel {
	p := &Panel{Kind: panelEmpty, Text: say.T("Nothing found"), Detail: res.Said, Act: narrow}
	if res.Outcome == reference.NotAsked {
		p.Text = say.T("Say a little more")
	}
	if !er.isZero() {
		p.Detail = say.T("%s If nothing fits, it is not identified: collect a sample.", res.Said)
		p.Act = Act{Label: say.T("Collect a sample"), Hint: say.T("and hold until it is known"), Rung: ladder.Sample, Href: er.doubt()}
	}
	return p
}

// hitView makes a hit of the list. list is where its page leads back to.
func hitView(book *reference.Book, er errand, h reference.Hit, list string) lookupHit {
	out := lookupHit{
		Rung: h.Action(), Name: h.Name, Scientific: scientific(h.Name, h.Scientific), Kind: h.Kind.Words(), Why: h.Why, Fragment: h.Fragment,
		Href: er.link("/e/"+h.ID, "list", list), Until: until(h.Advice),
	}
	for _, id := range h.DoNotConfuse {
		if o := book.Entry(id); o != nil {
			out.Mistaken = append(out.Mistaken, nameLink{Name: o.Name, Href: er.link("/e/"+h.ID+"/with/"+id, "list", list)})
		}
	}
	if !er.isZero() {
		out.Choose = chooseAct(er, h.ID)
	}
	return out
}

// scientific is a scientific name to show beside a name; what has none of its own
// repeats the name, and that is left out.
func scientific(name, sci string) string {
	if strings.EqualFold(name, sci) {
		return ""
	}
	return sci
}

func chooseAct(er errand, id string) Act {
	return Act{Label: say.T("Choose this"), Symbol: "right", Href: er.choose(id)}
}

// until says what an entry stands at before the hand lens was used.
func until(a reference.Advice) say.Text {
	if a.Untested() <= a.Action {
		return say.Text{}
	}
	var names []string
	for _, t := range a.Tests {
		names = append(names, t.Name)
	}
	return say.T("%s, until the hand lens rules out %s", a.Untested().Word(), strings.Join(names, ", "))
}

// entryOf finds the entry a reference card stands for.
func entryOf(book *reference.Book, cd code.Code) *reference.Entry {
	for _, e := range book.Entries() {
		if code.ReferenceToken(e.ID) == cd.Payload {
			return e
		}
	}
	return nil
}

// scanReference opens the entry of a reference card, with the unit it was scanned
// at, so that it leads back there.
func (k *kiosk) scanReference(s scanned, cd code.Code) (answer, error) {
	book := k.ref.Book()
	e := entryOf(book, cd)
	if e == nil {
		return wrong(say.T("No entry of the reference has this card."), say.T("It may have been taken out. Look it up by its name.")), nil
	}
	er, err := k.errandAt(s)
	if err != nil {
		return answer{}, err
	}
	a := right(say.T("%s", e.Name), er.link("/e/"+e.ID))
	a.Detail = reference.Escalate(book, e, er.to()).Action.Act()
	return a, nil
}

// errandAt makes the errand of the page on which a scan was made: a page of the
// reference carries one, and an examining screen is one.
func (k *kiosk) errandAt(s scanned) (errand, error) {
	q := s.spot.query
	if s.spot.pkg == 0 {
		return errand{}, nil
	}
	v := url.Values{}
	for name, vals := range q {
		v[name] = vals
	}
	v.Set("for", packagePath(s.spot.consignment, s.spot.pkg))
	er, err := k.errandOf(s.ctx, v)
	if err == nil && !er.isZero() && !v.Has("unit") && !er.exam.LookedAt.IsZero() {
		v.Set("unit", itoa(er.exam.NextUnseen()))
		er, err = k.errandOf(s.ctx, v)
	}
	er.over = false
	return er, err
}
