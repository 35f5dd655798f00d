package kiosk

import (
	"net/http"
	"net/url"
	"strings"

	"github.com/gin-gonic/gin"

	"lastlook/internal/consignment"
	"lastlook/internal/ladder"
	"lastlook/internal/say"
	"lastlook/reference"
)

// sampleResultPage enters what was said of a sample, one question a screen: what the
// result is, what it was identified as, who says so, and then what it decides before
// anything is kept.
var sampleResultPage = declarePage("sample_result")

type sampleResultView struct {
	Base
	Tag      Tag
	Stage    string // result, entry, details, decide
	Where    say.Text
	Question Question
	Notice   Notice
	Locked   Notice // for those who may look, but not enter
	Action   string
	Answers  []Hidden
	Results  []Act
	Words    Field
	Said     say.Text
	Hits     []entryTile
	Missing  Notice
	Entry    *entryTile
	Alive    Choices
	Fields   []Field
	Facts    []Fact
	Rung     ladder.Rung
	Reasons  []say.Text
	After    []say.Text // what becomes of the consignment
	Do       Act
	Change   Act
	Back     Act
}

// entryTile is an entry that a sample can be identified as.
type entryTile struct {
	Name       string
	Scientific string
	Kind       say.Text
	Rung       ladder.Rung // what it asks for where these plants go
	Choose     Act
}

// resultForm is what is known of a result so far.
type resultForm struct {
	Result                      consignment.Result
	Entry                       string
	Alive                       consignment.Alive
	Laboratory, Reference, Note string
}

func readResult(v url.Values) resultForm {
	f := resultForm{
		Result: consignment.Result(v.Get("result")), Entry: v.Get("entry"), Alive: consignment.Alive(v.Get("alive")),
		Laboratory: v.Get("laboratory"), Reference: v.Get("reference"), Note: v.Get("note"),
	}
	if f.Result.Words().IsZero() {
		f.Result = ""
	}
	if f.Result != consignment.Identified {
		f.Entry = ""
	}
	return f
}

func (f resultForm) values() url.Values {
	v := url.Values{}
	for _, x := range [][2]string{
		{"result", string(f.Result)}, {"entry", f.Entry}, {"alive", string(f.Alive)},
		{"laboratory", f.Laboratory}, {"reference", f.Reference}, {"note", f.Note},
	} {
		if x[1] != "" {
			v.Set(x[0], x[1])
		}
	}
	return v
}

// with gives the answers with one of them changed.
func (f resultForm) with(change func(*resultForm)) url.Values {
	change(&f)
	return f.values()
}

// pinIdentified pins an entry as what a laboratory identified: look-alikes are ruled
// out, and no sample is asked for again.
func pinIdentified(book *reference.Book, e *reference.Entry, to reference.Destination) *consignment.EntryPin {
	adv := reference.Identified(book, e, to)
	return &consignment.EntryPin{ID: e.ID, Name: e.Name, Revision: e.Revision, Hash: e.Hash(), Kind: string(e.Kind), Rung: adv.Action, Reasons: adv.Reasons}
}

// command makes the step. An entry that is not in the reference is refused.
func (k *kiosk) answerOfForm(st *consignment.State, x *consignment.Sample, f resultForm) (consignment.AnswerSample, error) {
	cmd := consignment.AnswerSample{Sample: x.Sample, Result: f.Result, Alive: f.Alive, Laboratory: f.Laboratory, Reference: f.Reference, Note: f.Note}
	if f.Entry != "" {
		e := k.ref.Book().Entry(f.Entry)
		if e == nil {
			return cmd, noEntry(f.Entry)
		}
		cmd.Entry = pinIdentified(k.ref.Book(), e, k.destinationOf(st.Destination))
	}
	return cmd, nil
}

func (k *kiosk) resultPage(c *gin.Context) error {
	q := c.Request.URL.Query()
	return k.showResult(c, q, "", nil)
}

func (k *kiosk) showResult(c *gin.Context, from url.Values, stage string, refused *say.Refusal) error {
	st, x, err := k.sampleOf(c)
	if err != nil {
		return err
	}
	if x.Answer != nil && refused == nil {
		return k.forward(c, "/s/"+x.Sample)
	}
	f := readResult(from)
	b := k.page(c, say.T("Result of sample %s", x.Sample))
	b.Version = st.Version
	path := "/s/" + x.Sample + "/result"
	b.Here = address(path, url.Values{"result": {string(f.Result)}, "entry": {f.Entry}})
	v := &sampleResultView{
		Base: b, Tag: k.stateTag(b, st), Action: path,
		Where: say.T("sample %s · %s", sampleCode(x.Sample).Human(), fromWords(x.Package, x.Unit)),
		Back:  Act{Label: say.T("Back to the sample"), Symbol: "back", Href: "/s/" + x.Sample, Weight: weightQuiet},
	}
	if person, _ := personOf(c); !person.Has(consignment.Supervisor) {
		v.Locked = Notice{Tone: toneNote, Text: say.T("Only a supervisor enters a result."), Detail: say.T("Ask one to scan their badge: what is filled in here stays.")}
	}
	if !x.Sent() {
		v.Locked = Notice{Tone: toneWrong, Text: say.T("This sample was never handed over: there cannot be a result yet."), Detail: say.T("Record the handing over first.")}
	}
	if refused != nil {
		v.Notice = Notice{Tone: toneWrong, Text: refused.Text}
	}
	var entry *reference.Entry
	if f.Entry != "" {
		if entry = k.ref.Book().Entry(f.Entry); entry == nil {
			v.Notice = Notice{Tone: toneWrong, Text: noEntry(f.Entry).Text}
			f.Entry = ""
		}
	}
	switch {
	case f.Result == "":
		v.Stage = "result"
		v.Question = Question{Text: say.T("What is the result?"), Help: say.T("As the laboratory or the authority wrote it.")}
		hints := map[consignment.Result]say.Text{
			consignment.Identified:   say.T("the organism has a name now"),
			consignment.NotFound:     say.T("no pest was in the sample"),
			consignment.Inconclusive: say.T("another sample is needed"),
		}
		for _, r := range consignment.Results {
			v.Results = append(v.Results, Act{Label: r.Words(), Hint: hints[r], Href: address(path, f.with(func(f *resultForm) { f.Result = r }))})
		}
	case f.Result == consignment.Identified && f.Entry == "":
		k.askEntry(v, st, x, f, asked(from))
	case stage == "decide":
		if err := k.foreseen(c, v, st, x, f); err != nil {
			if r := asRefusal(err); r != nil {
				return k.showResult(c, from, "", r)
			}
			return err
		}
		if entry != nil {
			v.Entry = k.entryTile(st, entry)
		}
	default:
		v.Stage = "details"
		v.Question = Question{Text: say.T("%s: who says so?", f.Result.Words())}
		if entry != nil {
			v.Entry = k.entryTile(st, entry)
			v.Question.Text = say.T("Identified as %s: who says so?", entry.Name)
			v.Alive = Choices{Name: "alive", Legend: say.T("Was it alive?")}
			for _, a := range consignment.Alives {
				v.Alive.Tiles = append(v.Alive.Tiles, Choice{Value: string(a), Label: a.Words(), Chosen: a == f.Alive})
			}
		}
		v.Answers = hiddenOf(url.Values{"result": {string(f.Result)}, "entry": {f.Entry}})
		lab := f.Laboratory
		// Whoever received it answers; a carrier it was handed to does not.
		if n := len(x.Steps); lab == "" && refused == nil && n > 0 && x.Steps[n-1].Step == consignment.Received {
			lab = x.Steps[n-1].By
		}
		v.Fields = []Field{
			{Name: "laboratory", Label: say.T("Laboratory or authority"), Value: lab},
			{Name: "reference", Label: say.T("Number of the report"), Value: f.Reference},
			{Name: "note", Label: say.T("Note"), Value: f.Note, Type: "area"},
		}
		v.Do = Act{Label: say.T("See what it decides"), Hint: say.T("nothing is kept yet"), Weight: weightBig, Name: "do", Value: "look"}
		v.Change = Act{Label: say.T("Another result"), Symbol: "undo", Weight: weightQuiet, Href: address(path, f.with(func(f *resultForm) { f.Result, f.Entry = "", "" }))}
		if refused != nil {
			if refused.Field == "alive" && entry != nil {
				v.Alive.Error, v.Notice = refused.Text, Notice{}
			}
			for i := range v.Fields {
				if v.Fields[i].Name == refused.Field {
					v.Fields[i].Error, v.Notice = refused.Text, Notice{}
				}
			}
		}
	}
	status := http.StatusOK
	if refused != nil {
		status = statuses[refused.Code]
	}
	return k.render(c, status, sampleResultPage, v)
}

// entryTile shows what an entry asks for once it is identified.
func (k *kiosk) entryTile(st *consignment.State, e *reference.Entry) *entryTile {
	return &entryTile{
		Name: e.Name, Scientific: scientific(e.Name, e.Scientific), Kind: e.Kind.Words(),
		Rung: reference.Identified(k.ref.Book(), e, k.destinationOf(st.Destination)).Action,
	}
}

// askEntry asks what it was identified as: by the name, in a look-up of its own that
// works without script, or by what was named at the bench.
func (k *kiosk) askEntry(v *sampleResultView, st *consignment.State, x *consignment.Sample, f resultForm, text string) {
	v.Stage = "entry"
	v.Question = Question{Text: say.T("What was it identified as?"), Help: say.T("Type the name on the report: the scientific one is surest.")}
	v.Words = Field{Name: "q", Label: say.T("Name on the report"), Value: text, Type: "search", Focus: text == ""}
	v.Answers = hiddenOf(f.values())
	add := func(e *reference.Entry) {
		t := k.entryTile(st, e)
		t.Choose = Act{Label: say.T("This"), Symbol: "right", Href: address(v.Action, f.with(func(f *resultForm) { f.Entry = e.ID }))}
		v.Hits = append(v.Hits, *t)
	}
	book := k.ref.Book()
	switch find := findOfSample(st, x); {
	case text != "":
		res := k.ref.Search(reference.Query{Text: text, Limit: 8, To: k.destinationOf(st.Destination)})
		v.Said = res.Said
		for _, h := range res.Hits {
			if e := book.Entry(h.ID); e != nil {
				add(e)
			}
		}
	case find != nil && find.Facts.Entry != nil:
		if e := book.Entry(find.Facts.Entry.ID); e != nil {
			v.Said = say.T("Named at the bench, and what looks like it:")
			add(e)
			for _, l := range book.Alike(e) {
				add(l.Other)
			}
		}
	}
	v.Missing = Notice{Tone: toneNote, Text: say.T("Is it not in the reference?"),
		Detail: say.T("Do not take one that is only near. Add the entry under Upkeep of the reference, then come back here.")}
	v.Change = Act{Label: say.T("Another result"), Symbol: "undo", Weight: weightQuiet, Href: address(v.Action, f.with(func(f *resultForm) { f.Result = "" }))}
}

// foresee decides a step without taking it, and gives the state it would lead to.
func (k *kiosk) foresee(c *gin.Context, st *consignment.State, cmd consignment.Command) (*consignment.State, []consignment.Event, error) {
	now := k.Now()
	if now.Before(st.LastAt) {
		now = st.LastAt // a clock put back is refused when the step is taken
	}
	events, err := consignment.Decide(st, consignment.Meta{Actor: actorOf(c), Bench: benchOf(c), At: now}, cmd)
	if err != nil {
		return nil, nil, err
	}
	var recs []consignment.Recorded
	for i, e := range events {
		recs = append(recs, consignment.Recorded{Version: st.Version + 1 + i, At: now, Actor: actorOf(c), Bench: benchOf(c), Event: e})
	}
	next, err := st.After(recs)
	return next, events, err
}

// foreseen shows what a result decides, before it is kept.
func (k *kiosk) foreseen(c *gin.Context, v *sampleResultView, st *consignment.State, x *consignment.Sample, f resultForm) error {
	cmd, err := k.answerOfForm(st, x, f)
	if err != nil {
		return err
	}
	next, events, err := k.foresee(c, st, cmd)
	if err != nil {
		return err
	}
	v.Stage, v.Answers = "decide", hiddenOf(f.values())
	v.Question = Question{Text: say.T("The find was taken back: the result is only kept.")}
	v.Facts = []Fact{
		{Label: say.T("Result"), Text: f.Result.Words()},
		{Label: say.T("Said by"), Data: strings.TrimSpace(f.Laboratory)},
		{Label: say.T("Report"), Data: orDash(strings.TrimSpace(f.Reference))},
		{Label: say.T("Note"), Data: orDash(strings.TrimSpace(f.Note))},
	}
	if f.Alive != "" {
		v.Facts = append(v.Facts[:1:1], append([]Fact{{Label: say.T("Alive?"), Text: f.Alive.Words()}}, v.Facts[1:]...)...)
	}
	for _, e := range events {
		if a, ok := e.(consignment.FindAnswered); ok {
			v.Rung, v.Reasons = a.Rung, a.Advice.Reasons
			v.Question = Question{Text: say.T("This decides: %s", a.Rung.Act())}
			if a.Rung > a.Advice.Rung {
				v.Reasons = append([]say.Text{say.T("It was stopped at the bench: a stop is answered by a supervisor, not by a result alone.")}, v.Reasons...)
			}
		}
	}
	v.After = becomes(next, events, x, k.Now)
	v.Do = Act{Label: say.T("Keep this result"), Weight: weightBig, Name: "do", Value: "keep", Rung: v.Rung}
	v.Change = Act{Label: say.T("Change something"), Symbol: "undo", Name: "do", Value: "change", Weight: weightPlain}
	return nil
}

func (k *kiosk) answerSample(c *gin.Context) error {
	if err := c.Request.ParseForm(); err != nil {
		return say.Refuse(say.Invalid, "The form did not arrive whole: press again.").Because(err)
	}
	form := c.Request.PostForm
	switch form.Get("do") {
	case "look":
		return k.showResult(c, form, "decide", nil)
	case "change":
		return k.showResult(c, form, "", nil)
	case "keep":
	default:
		return say.Refuse(say.Invalid, "The bench does not know this step.")
	}
	st, x, err := k.sampleOf(c)
	if err != nil {
		return err
	}
	cmd, err := k.answerOfForm(st, x, readResult(form))
	if err != nil {
		return err
	}
	done, err := k.step(c, st.Code, form, cmd)
	if r := asRefusal(err); r != nil {
		return k.showResult(c, form, "", r)
	}
	if err != nil {
		return err
	}
	next := done.State
	tell(c, Flash{Tone: toneRight, Text: say.T("The result of sample %s is kept.", x.Sample)})
	if r := next.Round(); x.Round == len(next.Rounds) && r.Ended != nil && r.Ended.Outcome == consignment.Held && r.Conclude(k.Now()).Outcome != consignment.Held {
		return k.forward(c, "/c/"+next.Code+"/hold")
	}
	if next.Standing() == consignment.StandStopped {
		return k.onward(c, next)
	}
	return k.forward(c, "/s/"+x.Sample)
}
