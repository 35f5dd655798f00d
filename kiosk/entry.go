package kiosk

import (
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/gin-gonic/gin"

	"lastlook/internal/code"
	"lastlook/internal/consignment"
	"lastlook/internal/ladder"
	"lastlook/internal/say"
	"lastlook/internal/store"
	"lastlook/reference"
)

// entryPage shows one entry: what to do about it first, then how to know it.
var entryPage = declarePage("entry")

type entryView struct {
	Base
	Errand     *errandView
	Notice     Notice
	Entry      *reference.Entry
	Scientific string
	Kind       say.Text
	Advice     reference.Advice
	At         say.Text // for which destination the advice holds
	Until      say.Text
	Choose     Act
	List       Act // back to the hits or candidates it was opened from
	Tools      []Act
	Lists      []listAsk
	Tests      []reference.Test
	Parts      []partSigns
	Alike      []alikeRow
	Exams      []say.Text
	Found      *Table
	FoundIn    say.Text
	Facts      []Fact
	Local      []Fact // what this site adds
	Photos     []reference.Photo
}

// listAsk is what one destination list asks for.
type listAsk struct {
	Rung ladder.Rung
	List string
	Why  string
}

// partSigns are the signs of an entry on one part of the plant.
type partSigns struct {
	Part  say.Text
	Signs []signView
}

// signView is one sign, drawn. Part "sign".
type signView struct {
	Seen   reference.Seen // names the drawing
	Words  say.Text
	Text   string
	Detail []say.Text // how often, colours, size, moving
	Only   bool       // in a comparison: the other entry does not have it there
}

// alikeRow is one look-alike of an entry.
type alikeRow struct {
	Name      string
	Href      string
	Compare   string
	Rung      ladder.Rung
	By        say.Text
	TellApart string
	Regulated bool
}

// entryNamed finds the entry of the path.
func (k *kiosk) entryNamed(book *reference.Book, id string) (*reference.Entry, error) {
	if e := book.Entry(id); e != nil {
		return e, nil
	}
	return nil, noEntry(id)
}

// noEntry is the sentence for an entry that is not there, or not any more.
func noEntry(id string) *say.Refusal {
	if r := []rune(id); len(r) > 60 {
		id = string(r[:60]) + "…"
	}
	return say.Refuse(say.NotFound, "The reference has no entry “%s”: it may have been taken out. Look it up by its name, or by what you see.", strings.ToValidUTF8(id, ""))
}

// aYear is how far back an entry's page looks for finds.
const aYear = 365 * 24 * time.Hour

// foundShown is how many finds the page of an entry lists.
const foundShown = 8

func (k *kiosk) entry(c *gin.Context) error {
	ctx, from := c.Request.Context(), c.Request.URL.Query()
	book := k.ref.Book()
	e, err := k.entryNamed(book, c.Param("id"))
	if old := k.retired(c.Param("id")); err != nil && old != nil {
		return k.forward(c, revisionPath(old.ID, old.Revision, old.Hash()))
	}
	if err != nil {
		return err
	}
	er, err := k.errandOf(ctx, from)
	if err != nil {
		return err
	}
	b := k.page(c, say.T("%s", e.Name))
	b.Here = c.Request.URL.RequestURI()
	adv := reference.Escalate(book, e, er.to())
	list := listOf(from)
	v := &entryView{
		Base: b, Notice: er.notice(), Entry: e, Scientific: scientific(e.Name, e.Scientific), Kind: e.Kind.Words(), Advice: adv, Until: until(adv), Tests: adv.Tests,
		At:    say.T("in general"),
		Parts: signsOf(e, nil),
		Tools: []Act{
			{Label: say.T("Print its card"), Symbol: "print", Href: er.link("/e/" + e.ID + "/card"), Weight: weightQuiet},
			{Label: say.T("Look up another"), Symbol: "book", Href: er.link("/lookup")},
		},
	}
	v.Errand = k.errandView(&v.Base, er)
	if list != "" {
		v.List = Act{Label: say.T("Back to the list"), Symbol: "back", Href: list}
	}
	if !er.isZero() {
		v.At = say.T("for %s", er.state.Destination)
		v.Choose = chooseAct(er, e.ID)
		v.Choose.Label, v.Choose.Weight, v.Choose.Key = say.T("It is this"), weightBig, "y"
		v.Choose.Hint = say.T("go on with the find")
	}
	v.Lists = asksOf(book, e)
	for _, x := range e.Exam {
		v.Exams = append(v.Exams, x.Words())
	}
	for _, l := range book.Alike(e) {
		v.Alike = append(v.Alike, alikeRow{
			Name: l.Other.Name, Href: er.link("/e/"+l.Other.ID, "list", list), Compare: er.link("/e/"+e.ID+"/with/"+l.Other.ID, "list", list),
			Rung: reference.Escalate(book, l.Other, er.to()).Action, By: l.By.Words(), TellApart: l.TellApart, Regulated: l.Other.Regulated,
		})
	}
	finds, total, err := k.store.FindsOf(ctx, e.ID, b.Now.Add(-aYear), foundShown)
	if err != nil {
		return err
	}
	v.FoundIn, v.Found = foundHere(b, finds, total)
	v.Local, v.Photos = localFacts(k.localOf(e.ID)), k.photosOf(e.ID)
	v.Facts = []Fact{
		{Label: say.T("Also called"), Data: orDash(strings.Join(e.OtherNames, ", "))},
		{Label: say.T("Other scientific names"), Data: orDash(strings.Join(e.Synonyms, ", "))},
		{Label: say.T("Known from"), Data: orDash(strings.Join(e.Hosts, ", "))},
		{Label: say.T("EPPO code"), Data: orDash(e.EPPO), Text: fromMemory(e)},
		{Label: say.T("Regulated"), Data: orDash(e.RegulatedNote)},
		{Label: say.T("Sources"), Data: orDash(strings.Join(e.Sources, "; "))},
		{Label: say.T("Revision"), Data: itoa(e.Revision), Text: reviewBy(e, b.Now)},
	}
	return k.render(c, http.StatusOK, entryPage, v)
}

// cautionsOf lists the cautions of all entries named in finds, each once, as the
// reference has them now.
func (k *kiosk) cautionsOf(finds []*consignment.Find) []string {
	var out []string
	for _, f := range finds {
		if f.Facts.Entry == nil {
			continue
		}
		if e := k.ref.Book().Entry(f.Facts.Entry.ID); e != nil {
			for _, c := range e.Cautions {
				if !slices.Contains(out, c) {
					out = append(out, c)
				}
			}
		}
	}
	return out
}

// listOf reads the page that an entry was opened from: hits or candidates.
func listOf(v url.Values) string {
	to := localPath(v.Get("list"))
	if !strings.HasPrefix(to, "/lookup") && !strings.HasPrefix(to, "/narrow") || len(to) > 4000 {
		return ""
	}
	return to
}

func fromMemory(e *reference.Entry) say.Text {
	if e.EPPO != "" && e.EPPOSource == "memory" {
		return say.T("(from memory, not checked)")
	}
	return say.Text{}
}

// reviewBy says until when the entry is to be looked over again.
func reviewBy(e *reference.Entry, now time.Time) say.Text {
	day, err := time.Parse(time.DateOnly, e.ReviewBy)
	if err != nil {
		return say.Text{}
	}
	on := say.T("%d %s %s", day.Day(), months[day.Month()-1], day.Format("2006"))
	if day.Before(now) {
		return say.T("(should have been reviewed by %s)", on)
	}
	return say.T("(to be reviewed by %s)", on)
}

// asksOf lists what each destination list asks for this entry.
func asksOf(book *reference.Book, e *reference.Entry) []listAsk {
	var out []listAsk
	for _, l := range book.Lists() {
		for _, r := range l.Raise {
			if r.Entry == e.ID && r.Entry != "" || r.EPPO != "" && r.EPPO == e.EPPO {
				out = append(out, listAsk{Rung: max(r.To, e.Action), List: l.Name, Why: r.Why})
			}
		}
	}
	return out
}

// signsOf groups the signs of an entry by part, from the top of the plant down.
// With another entry, signs that it does not show on the same part are marked.
func signsOf(e, other *reference.Entry) []partSigns {
	var out []partSigns
	for _, p := range reference.Parts() {
		if signs := signsOn(e, other, p); len(signs) > 0 {
			out = append(out, partSigns{Part: p.Words(), Signs: signs})
		}
	}
	return out
}

func signsOn(e, other *reference.Entry, p reference.Part) []signView {
	var out []signView
	for _, s := range e.Signs {
		if s.Part != p {
			continue
		}
		v := signView{Seen: s.Seen, Words: s.Seen.Words(), Text: s.Text, Detail: []say.Text{s.Often.Words()}}
		for _, c := range s.Colour {
			v.Detail = append(v.Detail, c.Words())
		}
		if s.Size != "" {
			v.Detail = append(v.Detail, s.Size.Words())
		}
		if s.Moving != "" {
			v.Detail = append(v.Detail, s.Moving.Words())
		}
		if other != nil {
			v.Only = !slices.ContainsFunc(other.Signs, func(o reference.Sign) bool { return o.Part == p && o.Seen == s.Seen })
		}
		out = append(out, v)
	}
	return out
}

// foundHere tells where an entry was met in the last year.
func foundHere(b Base, finds []store.EntryFind, total int) (say.Text, *Table) {
	switch total {
	case 0:
		return say.T("Not found here in the last year."), nil
	case 1:
		return say.T("Found here once in the last year."), foundTable(b, finds)
	}
	return say.T("Found here %d times in the last year.", total), foundTable(b, finds)
}

func foundTable(b Base, finds []store.EntryFind) *Table {
	t := &Table{Caption: say.T("The newest finds"), Columns: []Column{
		{Label: say.T("When")}, {Label: say.T("Consignment")}, {Label: say.T("Crop")}, {Label: say.T("Bay")}, {Label: say.T("Units"), Number: true}, {Label: say.T("Rung")}}}
	for _, f := range finds {
		r, _ := ladder.Parse(f.Rung)
		t.Rows = append(t.Rows, Row{Cells: []Cell{
			{Text: b.Clock(f.At)}, {Data: f.Number, Href: "/c/" + f.Code}, {Data: f.Crop}, {Data: orDash(f.Bay)}, {Data: itoa(f.Units), Number: true}, {Text: r.Word()}}})
	}
	return t
}

// comparePage puts two entries side by side.
var comparePage = declarePage("compare")

type compareView struct {
	Base
	Errand  *errandView
	Notice  Notice
	A, B    compareSide
	Linked  bool
	By      say.Text
	ByValue reference.By
	Apart   []string
	Parts   []compareRow
	Rows    []compareText
	List    Act
}

// compareSide is the head of one column.
type compareSide struct {
	Name, Scientific, Href string
	Kind                   say.Text
	Rung                   ladder.Rung
	Choose                 Act
}

// compareRow compares the signs on one part.
type compareRow struct {
	Part say.Text
	A, B []signView
	Same bool // both show the same there
}

// compareText compares one text.
type compareText struct {
	Label say.Text
	Data  string // in place of Label: the name of a stage
	A, B  string
}

func (k *kiosk) compare(c *gin.Context) error {
	from := c.Request.URL.Query()
	book := k.ref.Book()
	x, err := k.entryNamed(book, c.Param("id"))
	if err != nil {
		return err
	}
	y, err := k.entryNamed(book, c.Param("other"))
	if err != nil {
		return err
	}
	if x == y {
		return say.Refuse(say.Invalid, "That is one entry twice. Choose one of its look-alikes to compare it with.")
	}
	er, err := k.errandOf(c.Request.Context(), from)
	if err != nil {
		return err
	}
	b := k.page(c, say.T("%s or %s?", x.Name, y.Name))
	b.Here = c.Request.URL.RequestURI()
	list := listOf(from)
	side := func(e *reference.Entry) compareSide {
		s := compareSide{Name: e.Name, Scientific: scientific(e.Name, e.Scientific), Kind: e.Kind.Words(), Href: er.link("/e/"+e.ID, "list", list),
			Rung: reference.Escalate(book, e, er.to()).Action}
		if !er.isZero() {
			s.Choose = chooseAct(er, e.ID)
		}
		return s
	}
	v := &compareView{Base: b, Notice: er.notice(), A: side(x), B: side(y)}
	v.Errand = k.errandView(&v.Base, er)
	if list != "" {
		v.List = Act{Label: say.T("Back to the list"), Symbol: "back", Href: list}
	}
	for _, l := range book.Alike(x) {
		if l.Other == y {
			v.Linked, v.By, v.ByValue = true, l.By.Words(), l.By
		}
	}
	for _, pair := range [][2]*reference.Entry{{x, y}, {y, x}} {
		for _, l := range pair[0].LookAlikes {
			if l.ID == pair[1].ID {
				v.Apart = append(v.Apart, l.TellApart)
			}
		}
	}
	for _, p := range reference.Parts() {
		row := compareRow{Part: p.Words(), A: signsOn(x, y, p), B: signsOn(y, x, p)}
		if row.A == nil && row.B == nil {
			continue
		}
		only := func(s signView) bool { return s.Only }
		row.Same = row.A != nil && row.B != nil && !slices.ContainsFunc(row.A, only) && !slices.ContainsFunc(row.B, only)
		v.Parts = append(v.Parts, row)
	}
	// Parts on which they differ tell more.
	slices.SortStableFunc(v.Parts, func(a, b compareRow) int {
		switch {
		case a.Same == b.Same:
			return 0
		case a.Same:
			return 1
		}
		return -1
	})
	v.Rows = []compareText{
		{Label: say.T("Looks"), A: x.Looks, B: y.Looks},
		{Label: say.T("Does"), A: x.Does, B: y.Does},
	}
	for _, name := range stageNames(x, y) {
		v.Rows = append(v.Rows, compareText{Data: name, A: stageOfEntry(x, name), B: stageOfEntry(y, name)})
	}
	v.Rows = append(v.Rows, compareText{Label: say.T("Known from"), A: orDash(strings.Join(x.Hosts, ", ")), B: orDash(strings.Join(y.Hosts, ", "))})
	return k.render(c, http.StatusOK, comparePage, v)
}

func stageNames(es ...*reference.Entry) []string {
	var out []string
	for _, e := range es {
		for _, s := range e.Stages {
			if !slices.Contains(out, s.Stage) {
				out = append(out, s.Stage)
			}
		}
	}
	return out
}

func stageOfEntry(e *reference.Entry, name string) string {
	for _, s := range e.Stages {
		if s.Stage == name {
			return s.Looks
		}
	}
	return "–"
}

// entryCardPage is an entry as a card to print, cut out and scan.
var entryCardPage = declarePage("entrycard")

type entryCardView struct {
	Base
	Errand     *errandView
	Entry      *reference.Entry
	Scientific string
	Kind       say.Text
	Rung       ladder.Rung
	Lists      []listAsk
	Signs      []signView
	Apart      []alikeRow
	Bars       Barcode
	QR         template.HTML
	Back       Act
}

// cardSigns is how many signs a card has room for.
const cardSigns = 3

func (k *kiosk) entryCard(c *gin.Context) error {
	book := k.ref.Book()
	e, err := k.entryNamed(book, c.Param("id"))
	if err != nil {
		return err
	}
	er, err := k.errandOf(c.Request.Context(), c.Request.URL.Query())
	if err != nil {
		return err
	}
	cd, err := code.New(code.KindReference, code.ReferenceToken(e.ID))
	if err != nil {
		return err
	}
	bars, qr, err := drawCode(cd)
	if err != nil {
		return err
	}
	b := k.page(c, say.T("Card: %s", e.Name))
	b.Here = c.Request.URL.RequestURI()
	v := &entryCardView{
		Base: b, Entry: e, Scientific: scientific(e.Name, e.Scientific), Kind: e.Kind.Words(), Rung: reference.Escalate(book, e, reference.Destination{}).Action, QR: qr,
		Bars: Barcode{SVG: bars, Text: cd.Human(), Caption: say.T("scan to open")},
		Back: Act{Label: say.T("Back to the entry"), Symbol: "back", Href: er.link("/e/" + e.ID)},
	}
	v.Errand = k.errandView(&v.Base, er)
	for _, l := range asksOf(book, e) {
		if l.Rung > v.Rung {
			v.Lists = append(v.Lists, l)
		}
	}
	for _, s := range e.Signs {
		if len(v.Signs) < cardSigns {
			v.Signs = append(v.Signs, signView{Seen: s.Seen, Words: s.Part.Words(), Text: s.Text})
		}
	}
	for _, l := range book.Alike(e) {
		if l.Other.Dangerous() && len(v.Apart) < 2 {
			v.Apart = append(v.Apart, alikeRow{Name: l.Other.Name, By: l.By.Words(), TellApart: l.TellApart})
		}
	}
	return k.render(c, http.StatusOK, entryCardPage, v)
}
