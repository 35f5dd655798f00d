package kiosk

import (
	"cmp"
	"math"
	"net/http"
	"net/url"
	"slices"

	"github.com/gin-gonic/gin"

	"lastlook/internal/consignment"
	"lastlook/internal/ladder"
	"lastlook/internal/say"
	"lastlook/reference"
)

// narrowPage narrows the reference down by what is seen, one question a screen,
// with the candidates and the regulated ones not excluded yet beside it. All
// answers are in the address: each can be taken back, and no script is needed.
var narrowPage = declarePage("narrow")

type narrowView struct {
	Base
	Errand     *errandView
	Notice     Notice
	Question   Question
	Plant      *Plant
	Action     string
	Hidden     []Hidden // for forms: the errand and the answers
	Tiles      []narrowTile
	More       []narrowTile // behind "more"
	HostField  *Field
	HostDo     Act
	Skip       Act
	Instead    []Act // other questions
	Given      []given
	StartOver  Act
	Words      Field
	WordsWith  []Hidden
	Candidates []candidate
	Band       []bandLine
	BandRest   []bandLine
	BandSaid   say.Text
	Begun      bool
	LookUp     Act
}

// narrowTile is one answer that can be pressed.
type narrowTile struct {
	Label  say.Text
	Hint   say.Text
	Href   string
	Seen   reference.Seen   // a drawing
	Colour reference.Colour // a patch of colour
	Symbol string
}

// given is one answer given, with the address without it.
type given struct {
	Words    say.Text
	Without  string
	Question say.Text
}

// candidate is one entry as it stands.
type candidate struct {
	Rung       ladder.Rung
	Until      say.Text
	Name       string
	Scientific string
	Href       string
	Percent    int
	Why        []whyLine
	Choose     Act
}

// whyLine is what one answer did to a candidate.
type whyLine struct {
	Up   bool
	Text say.Text
}

// bandLine is one regulated entry that nothing has excluded.
type bandLine struct {
	Rung ladder.Rung
	Name string
	Href string
}

const (
	candidatesShown = 6
	bandShown       = 4
	tilesShown      = 18
	// leastBits is what a question must be expected to tell to be worth asking.
	leastBits = 0.03
)

// clues are the answers in the address.
type clues struct {
	where    reference.Part
	host     string
	seen     []reference.Seen
	not      []reference.Seen
	colours  []reference.Colour
	size     reference.Size
	moving   reference.Moving
	affected reference.Affected
	words    string
	skipped  []string // questions answered with "I can't tell": "moving", "seen:eggs"
	ask      string   // a question asked for
}

// oneOf reads a value of a vocabulary, or "".
func oneOf[T ~string](all []T, v string) T {
	if slices.Contains(all, T(v)) {
		return T(v)
	}
	return ""
}

// manyOf reads values of a vocabulary, each once, at most twelve.
func manyOf[T ~string](all []T, vs []string) []T {
	var out []T
	for _, v := range vs {
		if t := oneOf(all, v); t != "" && !slices.Contains(out, t) && len(out) < 12 {
			out = append(out, t)
		}
	}
	return out
}

// questions are the questions that can be asked for by name, in the order of looking.
var questions = []struct {
	name  string
	words say.Text
}{
	{"where", say.T("Where on the plant")},
	{"seen", say.T("What is seen")},
	{"colour", say.T("Colour")},
	{"size", say.T("Size")},
	{"moving", say.T("Moving or not")},
	{"affected", say.T("How many plants")},
	{"host", say.T("Which plant")},
}

func isQuestion(name string) bool {
	for _, q := range questions {
		if q.name == name {
			return true
		}
	}
	return false
}

// readClues reads the answers; what is not in the vocabulary counts as not said.
func readClues(v url.Values, er errand) clues {
	c := clues{
		where: partOf(v.Get("where")), host: hostOf(v.Get("host")), words: asked(v),
		seen: manyOf(reference.Seens(), v["seen"]), not: manyOf(reference.Seens(), v["not"]), colours: manyOf(reference.Colours(), v["colour"]),
		size: oneOf(reference.Sizes(), v.Get("size")), moving: oneOf(reference.Movings(), v.Get("moving")), affected: oneOf(reference.Affecteds(), v.Get("affected")),
	}
	if isQuestion(v.Get("ask")) {
		c.ask = v.Get("ask")
	}
	for _, s := range v["skip"] {
		if len(c.skipped) < 40 && len(s) < 60 && !slices.Contains(c.skipped, s) {
			c.skipped = append(c.skipped, s)
		}
	}
	if !v.Has("where") && !er.isZero() {
		c.where = partOf(string(er.answers.part))
	}
	if !v.Has("host") {
		c.host = er.crop()
	}
	return c
}

// values writes the answers. where and host are written even when empty, so that
// one taken back does not come back from the find or the package.
func (c clues) values() url.Values {
	v := url.Values{"where": {string(c.where)}, "host": {c.host}}
	for name, vals := range map[string][]string{"seen": stringsOf(c.seen), "not": stringsOf(c.not), "colour": stringsOf(c.colours), "skip": c.skipped} {
		if len(vals) > 0 {
			v[name] = vals
		}
	}
	for name, val := range map[string]string{"size": string(c.size), "moving": string(c.moving), "affected": string(c.affected), "q": c.words, "ask": c.ask} {
		if val != "" {
			v.Set(name, val)
		}
	}
	return v
}

func stringsOf[T ~string](in []T) []string {
	out := make([]string, len(in))
	for i, x := range in {
		out[i] = string(x)
	}
	return out
}

// answers gives what the reference makes of them.
func (c clues) answers() []reference.Answer {
	var out []reference.Answer
	add := func(ask reference.Character, value string, no bool) {
		if value != "" {
			out = append(out, reference.Answer{Ask: ask, Value: value, No: no})
		}
	}
	add(reference.AskHost, c.host, false)
	add(reference.AskPart, string(c.where), false)
	for _, s := range c.seen {
		add(reference.AskSeen, string(s), false)
	}
	for _, s := range c.not {
		add(reference.AskSeen, string(s), true)
	}
	for _, x := range c.colours {
		add(reference.AskColour, string(x), false)
	}
	add(reference.AskSize, string(c.size), false)
	add(reference.AskMoving, string(c.moving), false)
	add(reference.AskAffected, string(c.affected), false)
	return out
}

// begun reports whether anything was said about what is seen.
func (c clues) begun() bool {
	return len(c.seen)+len(c.not)+len(c.colours) > 0 || c.size != "" || c.moving != "" || c.affected != "" || c.words != ""
}

// with gives the answers with one more, and the next question left to be found.
func (c clues) with(ask reference.Character, value string, no bool) clues {
	c.ask = ""
	switch ask {
	case reference.AskHost:
		c.host = value
	case reference.AskPart:
		c.where = reference.Part(value)
	case reference.AskSeen:
		if no {
			c.not = append(slices.Clone(c.not), reference.Seen(value))
		} else {
			c.seen = append(slices.Clone(c.seen), reference.Seen(value))
		}
	case reference.AskColour:
		c.colours = append(slices.Clone(c.colours), reference.Colour(value))
	case reference.AskSize:
		c.size = reference.Size(value)
	case reference.AskMoving:
		c.moving = reference.Moving(value)
	case reference.AskAffected:
		c.affected = reference.Affected(value)
	}
	return c
}

// without gives the answers less one.
func (c clues) without(a reference.Answer) clues {
	c.ask = ""
	switch a.Ask {
	case reference.AskHost:
		c.host = ""
	case reference.AskPart:
		c.where = ""
	case reference.AskSeen:
		c.seen = less(c.seen, reference.Seen(a.Value), a.No)
		c.not = less(c.not, reference.Seen(a.Value), !a.No)
	case reference.AskColour:
		c.colours = less(c.colours, reference.Colour(a.Value), false)
	case reference.AskSize:
		c.size = ""
	case reference.AskMoving:
		c.moving = ""
	case reference.AskAffected:
		c.affected = ""
	}
	return c
}

func less[T comparable](in []T, x T, keep bool) []T {
	if keep {
		return in
	}
	return slices.DeleteFunc(slices.Clone(in), func(y T) bool { return y == x })
}

func (c clues) skip(name string) clues {
	c.ask = ""
	if !slices.Contains(c.skipped, name) {
		c.skipped = append(slices.Clone(c.skipped), name)
	}
	return c
}

func (c clues) asking(name string) clues {
	c.ask = name
	return c
}

func (k *kiosk) narrow(c *gin.Context) error {
	ctx, from := c.Request.Context(), c.Request.URL.Query()
	er, err := k.errandOf(ctx, from)
	if err != nil {
		return err
	}
	cl := readClues(from, er)
	// What is touched here is where the find is.
	if p := consignment.Part(cl.where); !er.isZero() && er.answers.unit > 0 && cl.where != "" && slices.Contains(consignment.Parts, p) {
		er.answers.part = p
	}
	counts, err := k.store.FindCounts(ctx, k.Now().Add(-aYear))
	if err != nil {
		return err
	}
	book := k.ref.Book()
	said := reference.Answers{Given: cl.answers()}
	if cl.words != "" {
		said.Text = map[string]float64{}
		for _, h := range k.ref.Search(reference.Query{Text: cl.words, Limit: maxHits, To: er.to()}).Hits {
			said.Text[h.ID] = h.Score
		}
		if len(said.Text) == 0 {
			said.Text = nil // words that no entry has say nothing
		}
	}
	rank := reference.Narrow(book, said, reference.Priors{Finds: counts, To: er.to()})

	b := k.page(c, say.T("Narrow it down"))
	b.Here = c.Request.URL.RequestURI()
	href := func(cl clues) string { return narrowHref(er, cl) }
	v := &narrowView{
		Base: b, Notice: er.notice(), Action: "/narrow", Begun: cl.begun(),
		LookUp: Act{Label: say.T("Look it up instead"), Symbol: "book", Href: er.link("/lookup", "q", cl.words), Weight: weightQuiet},
		Words:  Field{Name: "q", Label: say.T("In your own words"), Value: cl.words, Type: "search"},
	}
	v.Errand = k.errandView(&v.Base, er)
	v.Given = givenOf(cl, href)
	if len(v.Given) > 0 {
		v.StartOver = Act{Label: say.T("Start over"), Symbol: "undo", Weight: weightQuiet, Href: er.link("/narrow", "where", " ")}
	}
	noWords := cl
	noWords.words = ""
	v.WordsWith = formOf(er, noWords)
	v.ask(book, er, cl, rank, href)
	v.candidates(book, er, cl, rank)
	v.band(book, er, rank, href(cl))
	return k.render(c, http.StatusOK, narrowPage, v)
}

func narrowHref(er errand, cl clues) string {
	q := er.query()
	for name, vals := range cl.values() {
		q[name] = vals
	}
	return address("/narrow", q)
}

// formOf gives the errand and the answers as hidden fields.
func formOf(er errand, cl clues, except ...string) []Hidden {
	q := er.query()
	for name, vals := range cl.values() {
		q[name] = vals
	}
	for _, name := range except {
		q.Del(name)
	}
	return hiddenOf(q)
}

// givenOf lists the answers given, each with the address that takes it back.
func givenOf(cl clues, href func(clues) string) []given {
	var out []given
	for _, a := range cl.answers() {
		g := given{Words: a.Words(), Without: href(cl.without(a))}
		if a.Ask == reference.AskHost {
			g.Words = say.T("on %s", a.Value)
		}
		out = append(out, g)
	}
	if cl.words != "" {
		bare := cl
		bare.words, bare.ask = "", ""
		out = append(out, given{Words: say.T("“%s”", cl.words), Without: href(bare)})
	}
	return out
}

// ask puts the next question on the screen: where and what first, then whichever
// tells most.
func (v *narrowView) ask(book *reference.Book, er errand, cl clues, rank reference.Ranking, href func(clues) string) {
	skipped := func(name string) bool { return slices.Contains(cl.skipped, name) }
	next := slices.DeleteFunc(slices.Clone(rank.Next), func(q reference.Question) bool {
		return q.Bits < leastBits || skipped(questionName(q))
	})
	name, value := cl.ask, ""
	switch {
	case name != "":
	case cl.where == "" && !skipped("where") && !cl.begun():
		name = "where"
	case len(cl.seen) == 0 && !skipped("seen") && cl.words == "":
		name = "seen"
	case len(next) > 0:
		name, value = string(next[0].Ask), next[0].Value
		if next[0].Ask == reference.AskPart {
			name = "where"
		}
		next = next[1:]
	}
	v.Skip = Act{Label: say.T("I can't tell"), Symbol: "unknown", Href: href(cl.skip(name)), Key: "t"}
	switch {
	case name == "where":
		v.Question = Question{Text: say.T("Where is it? Touch the plant.")}
		v.Plant = &Plant{Name: "where", Legend: say.T("Where the sign is"), Chosen: string(cl.where)}
		v.Hidden = formOf(er, cl.asking(""), "where")
		v.Skip = Act{Label: say.T("The whole plant"), Href: href(cl.with(reference.AskPart, string(reference.WholePlant), false))}
	case name == "seen" && value != "":
		s := reference.Seen(value)
		v.Question = Question{Text: say.T("Look for this: %s", s.Words()), Help: say.T("Whether it is there tells most now.")}
		v.Tiles = []narrowTile{
			{Label: say.T("It is there"), Hint: s.Words(), Seen: s, Href: href(cl.with(reference.AskSeen, value, false))},
			{Label: say.T("Looked: not there"), Symbol: "wrong", Href: href(cl.with(reference.AskSeen, value, true))},
		}
		v.Skip.Href = href(cl.skip("seen:" + value))
	case name == "seen":
		v.Question = Question{Text: say.T("What is seen there?"), Help: say.T("Touch the nearest drawing. More can be added afterwards.")}
		if cl.where == "" {
			v.Question.Text = say.T("What is seen?")
		}
		for i, s := range seenAt(book, cl.where, slices.Concat(cl.seen, cl.not)) {
			tile := narrowTile{Label: s.Words(), Seen: s, Href: href(cl.with(reference.AskSeen, string(s), false))}
			if i < tilesShown {
				v.Tiles = append(v.Tiles, tile)
			} else {
				v.More = append(v.More, tile)
			}
		}
	case name == "colour":
		v.Question = Question{Text: say.T("What colour is it?")}
		for _, x := range reference.Colours() {
			if !slices.Contains(cl.colours, x) {
				v.Tiles = append(v.Tiles, narrowTile{Label: x.Words(), Colour: x, Href: href(cl.with(reference.AskColour, string(x), false))})
			}
		}
	case name == "size":
		v.Question = Question{Text: say.T("How big is it?")}
		v.Tiles = tilesOf(cl, href, reference.AskSize, reference.Sizes())
	case name == "moving":
		v.Question = Question{Text: say.T("Does it move?"), Help: say.T("Touch it with a fingertip, or breathe on it.")}
		v.Tiles = tilesOf(cl, href, reference.AskMoving, reference.Movings())
	case name == "affected":
		v.Question = Question{Text: say.T("How many plants show it?"), Help: say.T("Look at the neighbours too.")}
		v.Tiles = tilesOf(cl, href, reference.AskAffected, reference.Affecteds())
	case name == "host":
		v.Question = Question{Text: say.T("Which plant is it on?")}
		v.HostField = &Field{Name: "host", Label: say.T("The plant"), Hint: say.T("As on the label, or its plain name."), Value: cl.host}
		v.HostDo = Act{Label: say.T("That plant"), Weight: weightPlain}
		v.Hidden = formOf(er, cl.asking(""), "host")
		if crop := er.crop(); crop != "" {
			v.Tiles = []narrowTile{{Label: say.T("%s", crop), Symbol: "leaf", Href: href(cl.with(reference.AskHost, crop, false))}}
		}
	default:
		v.Question = Question{Text: say.T("No question is left that tells much"), Help: say.T("Choose one of these if it is that. If you are not sure, say so: collect a sample.")}
		v.Skip = Act{}
	}
	v.instead(cl, next, name, value, href)
}

// instead offers the other questions: those that tell most first.
func (v *narrowView) instead(cl clues, next []reference.Question, now, value string, href func(clues) string) {
	told := map[string]bool{now: true}
	for _, q := range next {
		n := string(q.Ask)
		if q.Ask == reference.AskPart {
			n = "where"
		}
		if told[n] || q.Ask == reference.AskSeen || !cl.begun() {
			continue
		}
		told[n] = true
		v.Instead = append(v.Instead, Act{Label: nameOfQuestion(n), Hint: say.T("tells much now"), Href: href(cl.asking(n))})
	}
	for _, q := range questions {
		if q.name == "seen" && value != "" || !told[q.name] {
			label := q.words
			if q.name == "seen" && len(cl.seen) > 0 {
				label = say.T("Something else is seen")
			}
			v.Instead = append(v.Instead, Act{Label: label, Href: href(cl.asking(q.name))})
		}
	}
}

func nameOfQuestion(name string) say.Text {
	for _, q := range questions {
		if q.name == name {
			return q.words
		}
	}
	return say.Text{}
}

func questionName(q reference.Question) string {
	switch {
	case q.Ask == reference.AskPart:
		return "where"
	case q.Value != "":
		return string(q.Ask) + ":" + q.Value
	}
	return string(q.Ask)
}

type worded interface {
	~string
	Words() say.Text
}

func tilesOf[T worded](cl clues, href func(clues) string, ask reference.Character, all []T) []narrowTile {
	var out []narrowTile
	for _, x := range all {
		out = append(out, narrowTile{Label: x.Words(), Href: href(cl.with(ask, string(x), false))})
	}
	return out
}

// seenAt lists what the entries show on a part, most often met first, and then
// everything else, less what was said already.
func seenAt(book *reference.Book, p reference.Part, said []reference.Seen) []reference.Seen {
	count := map[reference.Seen]int{}
	for _, e := range book.Entries() {
		for _, s := range e.Signs {
			if p == "" || s.Part == p {
				count[s.Seen]++
			}
		}
	}
	var out []reference.Seen
	for _, s := range reference.Seens() {
		if !slices.Contains(said, s) {
			out = append(out, s)
		}
	}
	slices.SortStableFunc(out, func(a, b reference.Seen) int { return cmp.Compare(count[b], count[a]) })
	return out
}

// candidates shows the likeliest entries, and what each answer did to them.
func (v *narrowView) candidates(book *reference.Book, er errand, cl clues, rank reference.Ranking) {
	if !cl.begun() && cl.where == "" {
		return
	}
	list := narrowHref(er, cl)
	for _, r := range rank.Entries[:min(candidatesShown, len(rank.Entries))] {
		adv := reference.Escalate(book, r.Entry, er.to())
		c := candidate{
			Rung: adv.Action, Until: until(adv), Name: r.Entry.Name, Scientific: scientific(r.Entry.Name, r.Entry.Scientific),
			Href: er.link("/e/"+r.Entry.ID, "list", list), Percent: int(math.Round(100 * r.P)), Why: whyOf(r),
		}
		if !er.isZero() {
			c.Choose = chooseAct(er, r.Entry.ID)
		}
		v.Candidates = append(v.Candidates, c)
	}
}

// whyOf tells the answers that moved an entry most.
func whyOf(r reference.Ranked) []whyLine {
	const most, least = 3, 0.1
	cs := slices.Clone(r.Why)
	force := func(c reference.Contribution) float64 { return math.Abs(math.Log(c.Factor)) }
	slices.SortStableFunc(cs, func(a, b reference.Contribution) int { return cmp.Compare(force(b), force(a)) })
	var out []whyLine
	for _, c := range cs {
		if force(c) >= least && len(out) < most {
			out = append(out, whyLine{Up: c.Factor >= 1, Text: c.Text})
		}
	}
	return out
}

// band shows the regulated entries that nothing has excluded: the first few by
// name, the rest one press away.
func (v *narrowView) band(book *reference.Book, er errand, rank reference.Ranking, list string) {
	for i, r := range rank.Band {
		line := bandLine{Rung: reference.Escalate(book, r.Entry, er.to()).Action, Name: r.Entry.Name, Href: er.link("/e/"+r.Entry.ID, "list", list)}
		if i < bandShown {
			v.Band = append(v.Band, line)
		} else {
			v.BandRest = append(v.BandRest, line)
		}
	}
	switch len(rank.Band) {
	case 0:
		v.BandSaid = say.T("What was seen speaks against every regulated entry of the reference.")
	case 1:
		v.BandSaid = say.T("1 regulated entry is not excluded yet")
	default:
		v.BandSaid = say.T("%d regulated entries are not excluded yet", len(rank.Band))
	}
}
