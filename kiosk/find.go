package kiosk

import (
	"net/http"
	"net/url"
	"slices"
	"strings"

	"github.com/gin-gonic/gin"

	"lastlook/internal/consignment"
	"lastlook/internal/ladder"
	"lastlook/internal/say"
	"lastlook/reference"
)

// findPage records a find, one question a screen: where, what, how, and then the
// advice with its reasons before anything is kept. The answers so far travel in the
// address, so that going back loses nothing and the page works without script.
var findPage = declarePage("find")

type findView struct {
	Base
	Tag         Tag
	Stage       string // part, what, how, decide
	Where       say.Text
	Question    Question
	Action      string // of this page
	PhotoAction string
	Answers     []Hidden
	Plant       Plant
	Package     Act // the package itself, where that can be
	What        []Act
	Ways        []Act // to the reference
	Entry       *chosenEntry
	Tests       []Check // look-alikes to rule out with the hand lens
	How         []Choices
	Units       Field
	Facts       []Fact
	Photos      []string
	Photo       Field
	Note        Field
	Ladder      Ladder
	Reasons     []say.Text
	Rung        ladder.Rung
	Record      Act
	Raise       []Act // rungs above the advice
	Back        Act
	Notice      Notice
}

// answers are what the find screens know so far.
type answers struct {
	unit   int
	part   consignment.Part
	what   consignment.What
	alive  consignment.Alive
	method consignment.Method
	units  string
	photos []string
	floor  ladder.Rung // a rung pressed on the ladder before the find was described
	// entry is the reference entry chosen, if any; revision and hash are those that its
	// advice was shown for: two sites' revisions may have one number. lens says of look-alikes, by id, whether the hand lens ruled them
	// out: "yes" or "no".
	entry    string
	revision int
	hash     string
	lens     map[string]string
}

// readAnswers reads the answers from a query or a form; anything unknown counts
// as not answered.
func readAnswers(v url.Values, x *consignment.Exam) answers {
	a := answers{
		part: consignment.Part(v.Get("part")), what: consignment.What(v.Get("what")),
		alive: consignment.Alive(v.Get("alive")), method: consignment.Method(v.Get("method")),
		units: v.Get("units"), photos: v["photo"], entry: v.Get("entry"),
	}
	a.unit, _ = formNumber(v.Get("unit"))
	if a.unit < 0 || a.unit > x.Units {
		a.unit = 0
	}
	if a.part.Words().IsZero() {
		a.part = ""
	}
	if a.unit == 0 {
		a.part = consignment.PartPackage
	}
	if a.what.Words().IsZero() {
		a.what = ""
	}
	if a.alive.Words().IsZero() {
		a.alive = ""
	}
	if a.method.Words().IsZero() {
		a.method = ""
	}
	a.floor, _ = ladder.Parse(v.Get("floor"))
	a.revision, _ = formNumber(v.Get("revision"))
	if h := v.Get("hash"); isHash(h) {
		a.hash = h
	}
	for name := range v {
		id, ok := strings.CutPrefix(name, "lens_")
		if val := v.Get(name); ok && (val == "yes" || val == "no") {
			if a.lens == nil {
				a.lens = map[string]string{}
			}
			a.lens[id] = val
		}
	}
	return a
}

// query gives the answers back, for the next address.
func (a answers) query() url.Values {
	v := url.Values{"unit": {itoa(a.unit)}}
	set := func(name, value string) {
		if value != "" {
			v.Set(name, value)
		}
	}
	set("part", string(a.part))
	set("what", string(a.what))
	set("alive", string(a.alive))
	set("method", string(a.method))
	set("units", a.units)
	set("entry", a.entry)
	if a.revision > 0 {
		v.Set("revision", itoa(a.revision))
	}
	set("hash", a.hash)
	for id, val := range a.lens {
		v.Set("lens_"+id, val)
	}
	if a.floor.Valid() {
		v.Set("floor", a.floor.String())
	}
	if len(a.photos) > 0 {
		v["photo"] = a.photos
	}
	return v
}

func (a answers) hidden(except ...string) []Hidden {
	v := a.query()
	for _, name := range except {
		v.Del(name)
	}
	return hiddenOf(v)
}

// facts makes the find as the core takes it; unit counts default to one.
func (a answers) facts(pkg int, note string) consignment.FindFacts {
	units, err := formNumber(a.units)
	if a.units == "" {
		units = 1
	} else if err != nil {
		units = 0 // refused by the core, in words
	}
	return consignment.FindFacts{
		Package: pkg, Unit: a.unit, Part: a.part, What: a.what, Units: units,
		Alive: a.alive, Method: a.method, Photos: a.photos, Note: note,
	}
}

func (k *kiosk) findPage(c *gin.Context) error { return k.showFind(c, c.Request.URL.Query(), nil) }

func (k *kiosk) showFind(c *gin.Context, from url.Values, refused *say.Refusal) error {
	st, r, x, err := k.packageOf(c)
	if err != nil {
		return err
	}
	if !x.Open() {
		return k.forward(c, packagePath(st.Code, x.Package))
	}
	a := readAnswers(from, x)
	entry, gone := k.chosen(&a)
	b := k.page(c, say.T("Find"))
	b.Version = st.Version
	b.Here = c.Request.URL.RequestURI()
	path := packagePath(st.Code, x.Package)
	v := &findView{
		Base: b, Tag: k.stateTag(b, st), Action: path + "/find", PhotoAction: path + "/photo",
		Where: say.T("package %03d · unit %d of %d", x.Package, a.unit, x.Units),
		Back:  Act{Label: say.T("Back: no find"), Href: path, Weight: weightQuiet},
	}
	if a.unit == 0 {
		v.Where = say.T("package %03d · the package itself", x.Package)
	}
	if gone != nil {
		v.Notice = Notice{Tone: toneWrong, Text: gone.Text}
	}
	if refused != nil {
		v.Notice = Notice{Tone: toneWrong, Text: refused.Text}
	}
	er := k.errandFor(st, r, x, a)
	var pin *consignment.EntryPin
	var open []reference.Test
	if entry != nil {
		pin, open = pinOf(k.ref.Book(), entry, er.to(), a.lens)
		v.Entry = chosenView(entry, er)
	}
	switch {
	case a.part == "":
		v.Stage, v.Answers = "part", a.hidden("part")
		v.Question = Question{Text: say.T("Where is it? Touch the plant."), Help: v.Where}
		v.Plant = Plant{Name: "part", Legend: say.T("Where the sign is")}
	case a.what == "":
		v.Stage, v.Answers = "what", a.hidden("what")
		v.Question = Question{Text: say.T("What is it?"), Help: say.T("Take what comes nearest. If you are not sure, say so: that is never wrong.")}
		v.What = whatActs(v.Action, a)
		v.Ways = []Act{
			{Label: say.T("Look it up"), Hint: say.T("in words, or by name"), Symbol: "book", Key: "l", Href: er.link("/lookup")},
			{Label: say.T("Narrow it down"), Hint: say.T("by touching what is seen"), Symbol: "leaf", Key: "n", Href: er.link("/narrow")},
		}
	case a.alive == "" || a.method == "" || from.Get("change") == "how" || !a.unitsFit(x):
		v.Stage, v.Answers = "how", a.hidden("alive", "method", "units")
		v.Question = Question{Text: say.T("%s: how does it look?", a.what.Words())}
		if entry != nil {
			v.Question.Text = say.T("%s: how does it look?", entry.Name)
		}
		v.How, v.Units = howChoices(a, x, entry)
		if from.Has("method") && from.Get("change") == "" { // asked before, and gone on without
			if a.alive == "" {
				v.How[0].Error = say.T("Say whether it is alive, or that you cannot tell.")
			}
			if !a.unitsFit(x) {
				v.Units.Error = say.T("Give a number from 1 to %d.", max(x.Units, 1))
			}
		}
		v.Record = Act{Label: say.T("Go on"), Weight: weightBig}
	case len(open) > 0:
		v.Stage = "lens"
		v.Question = Question{Text: say.T("Use the hand lens: what can be ruled out?"), Help: say.T("By eye these look alike. Until they are ruled out, it is a sample.")}
		v.Tests = lensChecks(reference.Escalate(k.ref.Book(), entry, er.to()).Tests, a.lens, from.Get("asked") != "")
		var asked []string
		for _, t := range v.Tests {
			asked = append(asked, t.Name)
		}
		v.Answers = append(a.hidden(asked...), Hidden{Name: "asked", Value: "yes"})
		v.Record = Act{Label: say.T("Go on"), Weight: weightBig}
	default:
		if entry != nil {
			a.revision, a.hash = entry.Revision, entry.Hash()
		}
		k.decide(v, r, x, a, pin, from.Get("note"))
	}
	status := http.StatusOK
	if refused != nil {
		status = statuses[refused.Code]
	}
	return k.render(c, status, findPage, v)
}

// whatSymbols and whatHints make the tiles of the question what it is.
var whatHints = map[consignment.What]say.Text{
	consignment.Soil:          say.T("field soil, not clean growing medium"),
	consignment.Weed:          say.T("a plant that was not sold, or its seed"),
	consignment.LivePest:      say.T("insect, mite, snail, slug, worm; eggs too"),
	consignment.Disease:       say.T("spots, mould, rust, rot, wilt, gall"),
	consignment.Damage:        say.T("holes, scars, breaks, burn; nothing alive there"),
	consignment.Beneficial:    say.T("put there on purpose, or a natural enemy"),
	consignment.NotIdentified: say.T("collect a sample, hold until it is known"),
	consignment.Suspect:       say.T("looks like one on the quarantine list: stop"),
}

func whatActs(action string, a answers) []Act {
	var acts []Act
	for _, w := range consignment.Whats {
		b := a
		b.what = w
		act := Act{Label: w.Words(), Hint: whatHints[w], Href: action + "?" + b.query().Encode()}
		switch w {
		case consignment.NotIdentified:
			act.Symbol, act.Key = "unknown", "?"
		case consignment.Suspect:
			act.Rung = ladder.Stop
		}
		acts = append(acts, act)
	}
	return acts
}

// unitsFit reports whether the number of units showing it can be; none given is one.
func (a answers) unitsFit(x *consignment.Exam) bool {
	n, err := formNumber(a.units)
	return a.units == "" || err == nil && n >= 1 && n <= max(x.Units, 1)
}

func howChoices(a answers, x *consignment.Exam, entry *reference.Entry) ([]Choices, Field) {
	alive := Choices{Name: "alive", Legend: say.T("Is it alive?")}
	if entry != nil && entry.Kind == reference.Abiotic {
		alive.Legend = say.T("Is anything alive at it?")
	}
	for _, al := range consignment.Alives {
		alive.Tiles = append(alive.Tiles, Choice{Value: string(al), Label: al.Words(), Chosen: a.alive == al})
	}
	method := Choices{Name: "method", Legend: say.T("How did you see it?")}
	for _, m := range consignment.Methods {
		chosen := a.method == m || a.method == "" && m == consignment.ByEye
		method.Tiles = append(method.Tiles, Choice{Value: string(m), Label: m.Words(), Chosen: chosen})
	}
	units := Field{Name: "units", Label: say.T("How many units show it?"), Value: a.units, Mode: "numeric", Unit: say.T("of %d", max(x.Units, 1))}
	if units.Value == "" {
		units.Value = "1"
	}
	return []Choices{alive, method}, units
}

// decide shows the advice and its reasons before the find is kept.
func (k *kiosk) decide(v *findView, r *consignment.Round, x *consignment.Exam, a answers, pin *consignment.EntryPin, note string) {
	f := a.facts(x.Package, note)
	f.Entry = pin
	advice := consignment.Advise(f, r.Rules)
	rung := max(advice.Rung, a.floor)
	v.Stage, v.Answers, v.Rung, v.Reasons = "decide", a.hidden(), rung, advice.Reasons
	v.Question = Question{Text: rung.Act()}
	if rung > advice.Rung {
		v.Reasons = append([]say.Text{say.T("You went up to %s. The advice was: %s.", rung.Word(), advice.Rung.Act())}, v.Reasons...)
	}
	v.Facts = []Fact{
		{Label: say.T("Where"), Text: a.part.Words()},
		{Label: say.T("What"), Text: a.what.Words()},
		{Label: say.T("Alive?"), Text: a.alive.Words()},
		{Label: say.T("Units"), Data: itoa(f.Units)},
		{Label: say.T("Seen"), Text: a.method.Words()},
	}
	if pin != nil {
		v.Facts = slices.Insert(v.Facts, 1, Fact{Label: say.T("Named"), Data: pin.Name, Text: say.T("(revision %d of the entry)", pin.Revision)})
	}
	v.Photos = a.photos
	v.Photo = Field{Name: "photo", Label: say.T("Photo"), Hint: say.T("if it helps whoever reads the record"), Type: "photo"}
	v.Note = Field{Name: "note", Label: say.T("Note"), Hint: say.T("only if there is something to say"), Value: note}
	v.Record = Act{Label: say.T("Record: %s", rung.Word()), Hint: rung.Act(), Weight: weightBig, Name: "rung", Value: rung.String(), Rung: rung}
	for _, up := range ladder.Rungs {
		if up > rung && up != ladder.Stop {
			v.Raise = append(v.Raise, Act{Label: up.Word(), Hint: up.Act(), Name: "rung", Value: up.String(), Rung: up})
		}
		if up > rung && up == ladder.Stop {
			v.Raise = append(v.Raise, Act{Label: up.Word(), Hint: up.Act(), Rung: up, Href: packagePathOf(v.Action) + "/stop?" + a.query().Encode()})
		}
	}
	b := a
	b.lens, b.revision, b.hash = nil, 0, ""
	v.Back = Act{Label: say.T("Change an answer"), Href: v.Action + "?" + b.query().Encode() + "&change=how", Weight: weightQuiet}
}

func packagePathOf(findPath string) string { return findPath[:len(findPath)-len("/find")] }

func (k *kiosk) recordFind(c *gin.Context) error {
	st, _, x, err := k.packageOf(c)
	if err != nil {
		return err
	}
	if err := c.Request.ParseForm(); err != nil {
		return say.Refuse(say.Invalid, "The form did not arrive whole: press again.").Because(err)
	}
	form := c.Request.PostForm
	a := readAnswers(form, x)
	rung, _ := ladder.Parse(form.Get("rung"))
	for _, hash := range a.photos {
		if _, _, err := k.store.Blob(c.Request.Context(), hash); say.CodeOf(err) == say.NotFound {
			form["photo"] = slices.DeleteFunc(slices.Clone(a.photos), func(h string) bool { return h == hash })
			return k.showFind(c, form, say.Refuse(say.Invalid, "A photo of this find is not here: it was not taken at this site. Add it again, then record.").For("photo"))
		} else if err != nil {
			return err
		}
	}
	f := a.facts(x.Package, form.Get("note"))
	entry, gone := k.chosen(&a)
	if gone != nil {
		return k.showFind(c, form, gone)
	}
	if entry != nil {
		if a.revision != 0 && a.revision != entry.Revision || a.hash != "" && a.hash != entry.Hash() {
			return k.showFind(c, form, say.Refuse(say.Conflict, "The entry on %s was changed just now: read what it asks for, then record again.", entry.Name))
		}
		f.What = a.what
		f.Entry, _ = pinOf(k.ref.Book(), entry, k.destinationOf(st.Destination), a.lens)
	}
	done, err := k.do(c, consignment.RecordFind{Facts: f, Rung: rung})
	if r := asRefusal(err); r != nil {
		return k.showFind(c, form, r)
	}
	if err != nil {
		return err
	}
	return k.afterFind(c, done.State, x.Package, rung)
}

// afterFind says what the find asks for and goes on.
func (k *kiosk) afterFind(c *gin.Context, st *consignment.State, pkg int, rung ladder.Rung) error {
	if st.Running() == nil {
		return k.onward(c, st)
	}
	f := Flash{Tone: toneNote, Text: say.T("Recorded: %s.", rung.Word()), Detail: say.T("Carry on with the next unit.")}
	switch {
	case rung == ladder.Sample:
		r := st.Running()
		f.Detail = say.T("Now take the sample, or take it later.")
		tell(c, f)
		return k.forward(c, takePath(st.Code, r.Number, r.Finds[len(r.Finds)-1].ID))
	case rung > ladder.Note:
		f.Detail = say.T("You can end the round now, or carry on to see how far it goes.")
	}
	tell(c, f)
	return k.afterExamine(c, st, pkg)
}

// ladder answers a rung pressed on the examining screen: a stop is confirmed on
// one screen, the others begin a find that will stand at least that high.
func (k *kiosk) ladder(c *gin.Context) error {
	st, _, x, err := k.packageOf(c)
	if err != nil {
		return err
	}
	rung, err := ladder.Parse(c.PostForm("rung"))
	if err != nil {
		return err
	}
	path := packagePath(st.Code, x.Package)
	q := url.Values{"unit": {itoa(formInt(c, "unit"))}}
	if rung == ladder.Stop {
		return k.forward(c, path+"/stop?"+q.Encode())
	}
	if !x.Open() {
		tell(c, Flash{Tone: toneNote, Text: say.T("Open the package first, then record what you see.")})
		return k.forward(c, path)
	}
	if rung == ladder.Sample {
		q.Set("what", string(consignment.NotIdentified))
	} else {
		q.Set("floor", rung.String())
	}
	return k.forward(c, path+"/find?"+q.Encode())
}

// stopPage confirms a stop: one press, one confirmation.
var stopPage = declarePage("stop")

type stopView struct {
	Base
	Tag    Tag
	Where  say.Text
	Action string
	Hidden []Hidden
	Entry  *chosenEntry
	Note   Field
	Do     Act
	Back   Act
	Notice Notice
}

func (k *kiosk) stopPage(c *gin.Context) error {
	return k.showStop(c, c.Request.URL.Query(), nil)
}

func (k *kiosk) showStop(c *gin.Context, from url.Values, refused *say.Refusal) error {
	st, r, x, err := k.packageOf(c)
	if err != nil {
		return err
	}
	if !x.Open() {
		tell(c, Flash{Tone: toneNote, Text: say.T("Open the package first, then record what you see.")})
		return k.forward(c, packagePath(st.Code, x.Package))
	}
	a := readAnswers(from, x)
	entry, _ := k.chosen(&a) // one that is gone is no reason not to stop
	b := k.page(c, say.T("Stop"))
	b.Version, b.Ground = st.Version, "stop"
	b.Here = c.Request.URL.RequestURI()
	path := packagePath(st.Code, x.Package)
	v := &stopView{
		Base: b, Tag: k.stateTag(b, st), Action: path + "/stop", Hidden: a.hidden(),
		Where: say.T("package %03d · unit %d", x.Package, a.unit),
		Note:  Field{Name: "note", Label: say.T("What did you see?"), Hint: say.T("a few words, or nothing: it can be added later"), Value: from.Get("note")},
		Do:    Act{Label: say.T("Stop now"), Hint: say.T("the inspection ends; nothing moves"), Weight: weightBig, Rung: ladder.Stop},
		Back:  Act{Label: say.T("Back: do not stop"), Href: path},
	}
	if a.unit == 0 {
		v.Where = say.T("package %03d · the package itself", x.Package)
	}
	if entry != nil {
		v.Entry = chosenView(entry, k.errandFor(st, r, x, a))
	}
	status := http.StatusOK
	if refused != nil {
		v.Notice = Notice{Tone: toneWrong, Text: refused.Text}
		status = statuses[refused.Code]
	}
	return k.render(c, status, stopPage, v)
}

func (k *kiosk) stop(c *gin.Context) error {
	st, _, x, err := k.packageOf(c)
	if err != nil {
		return err
	}
	if err := c.Request.ParseForm(); err != nil {
		return say.Refuse(say.Invalid, "The form did not arrive whole: press again.").Because(err)
	}
	a := readAnswers(c.Request.PostForm, x)
	f := a.facts(x.Package, c.PostForm("note"))
	f.What = consignment.Suspect
	if entry, _ := k.chosen(&a); entry != nil {
		f.Entry, _ = pinOf(k.ref.Book(), entry, k.destinationOf(st.Destination), a.lens)
	}
	if f.Part == "" {
		f.Part = consignment.PartPackage
	}
	if f.Alive == "" {
		f.Alive = consignment.NotTold
	}
	if f.Method == "" {
		f.Method = consignment.ByEye
	}
	done, err := k.do(c, consignment.RecordFind{Facts: f, Rung: ladder.Stop})
	if r := asRefusal(err); r != nil {
		return k.showStop(c, c.Request.PostForm, r)
	}
	if err != nil {
		return err
	}
	return k.onward(c, done.State)
}

// chosenEntry is the entry chosen for a find, as its screens show it. Part
// "chosen".
type chosenEntry struct {
	Name       string
	Scientific string
	Cautions   []string
	Read       Act
	Other      Act
}

func chosenView(e *reference.Entry, er errand) *chosenEntry {
	other := er.answers
	other.what, other.entry, other.revision, other.hash, other.lens = "", "", 0, "", nil
	return &chosenEntry{
		Name: e.Name, Scientific: scientific(e.Name, e.Scientific), Cautions: e.Cautions,
		Read:  Act{Label: say.T("Read its entry"), Symbol: "book", Weight: weightQuiet, Href: er.link("/e/" + e.ID)},
		Other: Act{Label: say.T("It is something else"), Symbol: "undo", Weight: weightQuiet, Href: address(er.path()+"/find", other.query())},
	}
}

// chosen finds the entry that was chosen and says what kind of find it makes. An
// entry that is not in the reference is dropped, with a sentence.
func (k *kiosk) chosen(a *answers) (*reference.Entry, *say.Refusal) {
	if a.entry == "" {
		return nil, nil
	}
	e := k.ref.Book().Entry(a.entry)
	if e == nil {
		gone := noEntry(a.entry)
		a.entry, a.revision, a.hash, a.lens = "", 0, "", nil
		return nil, gone
	}
	if what := consignment.WhatOf(string(e.Kind)); a.what != consignment.Suspect && what != "" {
		a.what = what
	}
	return e, nil
}

// pinOf pins an entry at its revision with what it asks for at the destination,
// and lists the look-alikes of which it was not said yet whether the hand lens
// rules them out. One that is not ruled out counts.
func pinOf(book *reference.Book, e *reference.Entry, to reference.Destination, lens map[string]string) (*consignment.EntryPin, []reference.Test) {
	adv := reference.Escalate(book, e, to)
	pin := &consignment.EntryPin{ID: e.ID, Name: e.Name, Revision: e.Revision, Hash: e.Hash(), Kind: string(e.Kind), Rung: adv.Action, Reasons: adv.Reasons}
	var open []reference.Test
	var ruledOut, not []say.Text
	for _, t := range adv.Tests {
		switch lens[t.ID] {
		case "yes":
			ruledOut = append(ruledOut, say.T("The hand lens ruled out %s.", t.Name))
			continue
		case "":
			open = append(open, t)
		}
		if t.To > pin.Rung {
			pin.Rung, not = t.To, nil
		}
		if t.To == pin.Rung {
			not = append(not, say.T("It may be %s: the hand lens did not rule that out.", t.Name))
		}
	}
	if not != nil && pin.Rung > adv.Action {
		pin.Reasons = nil
	}
	pin.Reasons = slices.Concat(not, pin.Reasons, ruledOut)
	return pin, open
}

// lensChecks asks of each look-alike whether the hand lens rules it out.
func lensChecks(tests []reference.Test, lens map[string]string, asked bool) []Check {
	var out []Check
	for _, t := range tests {
		ch := Check{
			Name: "lens_" + t.ID, Question: say.T("Not %s?", t.Name), Hint: say.T("%s", t.TellApart), Value: lens[t.ID],
			Yes: say.T("Ruled out"), No: say.T("Cannot tell"),
		}
		if asked && ch.Value == "" {
			ch.Error = say.T("Say whether the lens rules it out. If you cannot tell, say so.")
		}
		out = append(out, ch)
	}
	return out
}

// findDetailPage shows one find and lets it be raised, lowered or put right while its
// round is under way. Samples of it can be taken at any time.
var findDetailPage = declarePage("finddetail")

type findDetailView struct {
	Base
	Tag     Tag
	Title2  say.Text
	Over    bool // its round has ended
	Facts   []Fact
	Sample  *Act
	Samples []sampleLine
	Reasons []say.Text
	Photos  []string
	Ladder  Ladder
	Lowers  Choices
	Reason  Field
	What    Choices
	Alive   Choices
	Units   Field
	Note    Field
	Why     Field
	Action  string
	Super   bool
	Entry   Act
	Trace   Act
	Back    Act
	Notice  Notice
}

func (k *kiosk) findDetail(c *gin.Context) error { return k.showFindDetail(c, nil) }

// findPath is the page of a find.
func findPath(code string, round, find int) string {
	return "/c/" + code + "/f/" + itoa(find) + "?round=" + itoa(round)
}

// findOf finds the find named in the path, in the round that query or form name, or
// in the newest.
func (k *kiosk) findOf(c *gin.Context) (*consignment.State, *consignment.Round, *consignment.Find, error) {
	st, err := k.state(c)
	if err != nil {
		return nil, nil, nil, err
	}
	v := url.Values{"find": {c.Param("find")}, "round": {c.PostForm("round")}}
	if v.Get("round") == "" {
		v.Set("round", c.Query("round"))
	}
	r, f, err := findAt(st, v)
	return st, r, f, err
}

func (k *kiosk) showFindDetail(c *gin.Context, refused *say.Refusal) error {
	st, r, f, err := k.findOf(c)
	if err != nil {
		return err
	}
	b := k.page(c, say.T("Find %d", f.ID))
	b.Version = st.Version
	person, _ := personOf(c)
	v := &findDetailView{
		Base: b, Tag: k.stateTag(b, st), Title2: findWords(f), Action: "/c/" + st.Code + "/f/" + itoa(f.ID),
		Reasons: f.Advice.Reasons, Photos: f.Facts.Photos, Super: person.Has(consignment.Supervisor),
		Reason: Field{Name: "reason", Label: say.T("Why?"), Hint: say.T("It stays on the record."), Value: c.PostForm("reason")},
		Why:    Field{Name: "reason", Label: say.T("What was wrong with it?"), Hint: say.T("Both stay on the record."), Value: c.PostForm("reason")},
		Units:  Field{Name: "units", Label: say.T("How many units show it?"), Value: itoa(f.Facts.Units), Mode: "numeric"},
		Note:   Field{Name: "note", Label: say.T("Note"), Value: f.Facts.Note},
		Back:   Act{Label: say.T("Back to the package"), Href: packagePath(st.Code, f.Facts.Package), Weight: weightBig},
		Facts: []Fact{
			{Label: say.T("Where"), Text: f.Facts.Part.Words()},
			{Label: say.T("What"), Text: f.Facts.What.Words()},
			{Label: say.T("Alive?"), Text: f.Facts.Alive.Words()},
			{Label: say.T("Units"), Data: itoa(f.Facts.Units)},
			{Label: say.T("Seen"), Text: f.Facts.Method.Words()},
			{Label: say.T("Note"), Data: orDash(f.Facts.Note)},
			{Label: say.T("Found"), Data: f.By.Name, Text: say.T("at %s", b.Clock(f.At))},
		},
	}
	if pin := f.Facts.Entry; pin != nil {
		v.Facts = slices.Insert(v.Facts, 1, Fact{Label: say.T("Named"), Data: pin.Name, Text: say.T("(revision %d of the entry)", pin.Revision)})
		// The text as it was when the find was decided, whatever became of it.
		if k.upkeepNow() != nil {
			v.Entry = Act{Label: say.T("Its entry"), Hint: say.T("as it was then"), Symbol: "book", Href: revisionPath(pin.ID, pin.Revision, pin.Hash)}
		} else if k.ref.Book().Entry(pin.ID) != nil {
			v.Entry = Act{Label: say.T("Its entry"), Symbol: "book", Href: "/e/" + pin.ID}
		}
	}
	b.Here = findPath(st.Code, r.Number, f.ID)
	if v.Over = r.Ended != nil; v.Over {
		v.Title2 = say.T("Round %d, package %03d · %s", r.Number, f.Facts.Package, findWords(f))
		v.Back = Act{Label: say.T("Back to the consignment"), Symbol: "back", Href: nextPath(st, benchOf(c)), Weight: weightBig}
		v.Super = v.Super && r == st.Round() && r.Ended.Outcome == consignment.Held
	}
	take := takeAct(st, r.Number, f)
	take.Label, take.Hint = say.T("Take a sample of it"), say.Text{}
	if r == st.Round() && slices.Contains(unsampled(st), f) {
		take.Weight, v.Back.Weight = weightBig, weightPlain
	}
	v.Sample = &take
	if f.Rung > ladder.Note {
		v.Trace = Act{Label: say.T("What else is at risk?"), Symbol: "look", Href: "/c/" + st.Code + "/trace?round=" + itoa(r.Number) + "&find=" + itoa(f.ID)}
	}
	for _, x := range byWaiting(st.SamplesOf(r.Number, f.ID)) {
		v.Samples = append(v.Samples, sampleLineOf(b, x))
	}
	if a := f.Answered; a != nil {
		v.Reasons = a.Advice.Reasons
	}
	v.Ladder = newLadder(v.Action, append(b.Once(), Hidden{Name: "what", Value: "raise"}, Hidden{Name: "round", Value: itoa(r.Number)}), f.Rung, say.Text{})
	v.Lowers = Choices{Name: "rung", Legend: say.T("Down to")}
	for _, down := range ladder.Rungs {
		if down < f.Rung {
			v.Lowers.Tiles = append(v.Lowers.Tiles, Choice{Value: down.String(), Label: down.Word(), Hint: down.Act()})
		}
	}
	v.What = Choices{Name: "kind", Legend: say.T("What it is")}
	for _, w := range consignment.Whats {
		v.What.Tiles = append(v.What.Tiles, Choice{Value: string(w), Label: w.Words(), Chosen: w == f.Facts.What})
	}
	v.Alive = Choices{Name: "alive", Legend: say.T("Is it alive?")}
	for _, a := range consignment.Alives {
		v.Alive.Tiles = append(v.Alive.Tiles, Choice{Value: string(a), Label: a.Words(), Chosen: a == f.Facts.Alive})
	}
	status := http.StatusOK
	if refused != nil {
		v.Notice = Notice{Tone: toneWrong, Text: refused.Text}
		status = statuses[refused.Code]
	}
	return k.render(c, status, findDetailPage, v)
}

func (k *kiosk) changeFind(c *gin.Context) error {
	st, r, f, err := k.findOf(c)
	if err != nil {
		return err
	}
	if r != st.Round() {
		return say.Refuse(say.Illegal, "Round %d is over (%s): nothing more can be recorded in it.", r.Number, r.Ended.Outcome.Words())
	}
	rung, _ := ladder.Parse(c.PostForm("rung"))
	var cmd consignment.Command
	switch c.PostForm("what") {
	case "raise":
		cmd = consignment.RaiseFind{Find: f.ID, Rung: rung, Reason: c.PostForm("reason")}
	case "lower":
		cmd = consignment.LowerFind{Find: f.ID, Rung: rung, Reason: c.PostForm("reason")}
	case "amend":
		facts := f.Facts
		facts.What, facts.Alive = consignment.What(c.PostForm("kind")), consignment.Alive(c.PostForm("alive"))
		facts.Note = c.PostForm("note")
		facts.Units = formInt(c, "units")
		cmd = consignment.AmendFind{Find: f.ID, Facts: facts, Reason: c.PostForm("reason")}
	default:
		return say.Refuse(say.Invalid, "The bench does not know this step.")
	}
	done, err := k.do(c, cmd)
	if r := asRefusal(err); r != nil {
		return k.showFindDetail(c, r)
	}
	if err != nil {
		return err
	}
	if done.State.Running() == nil {
		return k.onward(c, done.State)
	}
	tell(c, Flash{Tone: toneRight, Text: say.T("Changed. The old value stays on record.")})
	return k.forward(c, findPath(st.Code, r.Number, f.ID))
}
