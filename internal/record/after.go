package record

import (
	"strings"
	"time"

	"lastlook/internal/consignment"
	"lastlook/internal/dose"
	"lastlook/internal/ladder"
	"lastlook/internal/say"
)

// Happened is a step that followed a decision, with when and by whom. A step that
// was taken back stands only in the history.
type Happened[E any] struct {
	Moment
	Event E `json:"event"`
}

// After is what followed the decisions on a consignment, each kind oldest first.
type After struct {
	Samples    []Sample                              `json:"samples,omitempty"`
	Steps      []Happened[consignment.StopStepDone]  `json:"stop_steps,omitempty"`
	Answers    []Happened[consignment.StopAnswered]  `json:"stop_answers,omitempty"`
	Holds      []Hold                                `json:"holds,omitempty"`
	Moves      []Happened[consignment.Moved]         `json:"moves,omitempty"`
	Plans      []Happened[consignment.DetailPlanned] `json:"detail_plans,omitempty"`
	Looks      []Happened[consignment.DetailLooked]  `json:"detail_looks,omitempty"`
	Cleanings  []Happened[consignment.BenchCleaned]  `json:"cleanings,omitempty"`
	Treatments []Happened[consignment.Treated]       `json:"treatments,omitempty"`
	Disposals  []Happened[consignment.Disposed]      `json:"disposals,omitempty"`
	Lists      []Happened[consignment.ListChanged]   `json:"lists,omitempty"`
	Marks      []Happened[consignment.MarksPrinted]  `json:"marks,omitempty"`
	Stores     []StoreCheck                          `json:"store_checks,omitempty"`
	Loaded     []Happened[consignment.Loaded]        `json:"loaded,omitempty"`
	Unloaded   []Happened[consignment.Unloaded]      `json:"unloaded,omitempty"`
	Dispatched *Happened[consignment.Dispatched]     `json:"dispatched,omitempty"`
}

// Sample is a sample with its chain of custody and its result.
type Sample struct {
	Happened[consignment.SampleTaken]
	Package int                                   `json:"package"`
	Unit    int                                   `json:"unit,omitempty"`
	Custody []Happened[consignment.SampleMoved]   `json:"custody,omitempty"`
	Answer  *Happened[consignment.SampleAnswered] `json:"answer,omitempty"`
}

// Hold is a hold from outside the round, and how it ended.
type Hold struct {
	Happened[consignment.HeldBack]
	Lifted *Reasoned `json:"lifted,omitempty"`
}

// Kept is a hold that stands.
type Kept struct {
	At     time.Time   `json:"at"`
	Rung   ladder.Rung `json:"rung"`
	Reason string      `json:"reason"`
}

// kept says what keeps the goods back.
func (l *layout) kept() []say.Text {
	var out []say.Text
	for _, h := range l.Kept {
		word := say.T("Held")
		if h.Rung == ladder.Stop {
			word = say.T("Stopped")
		}
		out = append(out, say.T("%s since %s: %s", word, l.time(h.At), h.Reason))
	}
	return out
}

// StoreCheck is a check of the store with the answer to each item.
type StoreCheck struct {
	Moment
	Round int               `json:"round"`
	Place consignment.Place `json:"place"`
	Items []Answer          `json:"items"`
	Note  string            `json:"note,omitempty"`
}

func happened[E any](m Moment, e E) Happened[E] { return Happened[E]{m, e} }

// after keeps a step that followed a decision; false for other steps.
func (b *builder) after(a *After, m Moment, event consignment.Event) bool {
	switch e := event.(type) {
	case consignment.SampleTaken:
		x := Sample{Happened: happened(m, e)}
		if s := b.Sample(e.Sample); s != nil {
			x.Package, x.Unit = s.Package, s.Unit
		}
		a.Samples = append(a.Samples, x)
	case consignment.SampleMoved:
		if x := a.sample(e.Sample); x != nil {
			x.Custody = append(x.Custody, happened(m, e))
		}
	case consignment.SampleAnswered:
		if x := a.sample(e.Sample); x != nil {
			h := happened(m, e)
			x.Answer = &h
		}
	case consignment.FindAnswered:
		var why []string
		for _, r := range e.Advice.Reasons {
			why = append(why, r.String())
		}
		b.move(e.Round, e.Find, Move{Moment: m, To: e.Rung, Reason: strings.Join(why, " ")})
	case consignment.StopStepDone:
		a.Steps = append(a.Steps, happened(m, e))
	case consignment.StopAnswered:
		a.Answers = append(a.Answers, happened(m, e))
		if e.Hold != 0 && (e.Answer == consignment.StopReleased || e.Answer == consignment.StopRejected) {
			a.lift(e.Hold, Reasoned{m, e.Reason})
		}
		if e.Hold == 0 && e.Rung != 0 {
			for _, f := range b.finds[e.Round] {
				if f.TakenBack == nil && f.rungAt(m.Step) == ladder.Stop {
					b.move(e.Round, f.Number, Move{Moment: m, To: e.Rung, Reason: e.Reason})
				}
			}
		}
	case consignment.RoundRevised:
		if e.Outcome == "" {
			delete(b.ended, e.Round)
		} else {
			b.ended[e.Round] = m
		}
	case consignment.HeldBack:
		a.Holds = append(a.Holds, Hold{Happened: happened(m, e)})
	case consignment.HoldLifted:
		a.lift(e.Hold, Reasoned{m, e.Reason})
	case consignment.Moved:
		a.Moves = append(a.Moves, happened(m, e))
	case consignment.DetailPlanned:
		a.Plans = append(a.Plans, happened(m, e))
	case consignment.DetailLooked:
		a.Looks = append(a.Looks, happened(m, e))
	case consignment.BenchCleaned:
		a.Cleanings = append(a.Cleanings, happened(m, e))
	case consignment.Treated:
		a.Treatments = append(a.Treatments, happened(m, e))
	case consignment.Disposed:
		a.Disposals = append(a.Disposals, happened(m, e))
	case consignment.ListChanged:
		a.Lists = append(a.Lists, happened(m, e))
	case consignment.MarksPrinted:
		a.Marks = append(a.Marks, happened(m, e))
	case consignment.StoreChecked:
		c := StoreCheck{Moment: m, Round: e.Round, Place: e.Place, Note: e.Note}
		items := consignment.RuleSet{}.StoreItems()
		if e.Round >= 1 && e.Round <= len(b.Rounds) {
			items = b.Rounds[e.Round-1].Rules.StoreItems()
		}
		for _, it := range items {
			for i, ids := range [][]string{e.Yes, e.No} {
				for _, id := range ids {
					if id == it.ID {
						c.Items = append(c.Items, Answer{it.Words, i == 0})
					}
				}
			}
		}
		a.Stores = append(a.Stores, c)
	case consignment.Loaded:
		a.Loaded = append(a.Loaded, happened(m, e))
	case consignment.Unloaded:
		a.Unloaded = append(a.Unloaded, happened(m, e))
	case consignment.Dispatched:
		h := happened(m, e)
		a.Dispatched = &h
	default:
		return false
	}
	return true
}

func (a *After) sample(code string) *Sample {
	for i := range a.Samples {
		if a.Samples[i].Event.Sample == code {
			return &a.Samples[i]
		}
	}
	return nil
}

func (a *After) lift(hold int, why Reasoned) {
	if hold >= 1 && hold <= len(a.Holds) {
		a.Holds[hold-1].Lifted = &why
	}
}

// rungAt gives the rung in force just before a step.
func (f *Find) rungAt(step int) ladder.Rung {
	newest, rung := 0, ladder.Rung(0)
	for _, r := range f.rungs {
		if r.step < step && r.step > newest {
			newest, rung = r.step, r.rung
		}
	}
	return rung
}

// empty reports whether nothing followed.
func (a *After) empty() bool {
	return len(a.Samples)+len(a.Steps)+len(a.Answers)+len(a.Holds)+len(a.Moves)+len(a.Plans)+len(a.Looks)+len(a.Cleanings)+len(a.Treatments)+
		len(a.Disposals)+len(a.Lists)+len(a.Marks)+len(a.Stores)+len(a.Loaded)+len(a.Unloaded) == 0 && a.Dispatched == nil
}

// packagesOf names packages: none means all.
func packagesOf(ns []int) Value {
	if len(ns) == 0 {
		return said("all")
	}
	return written(Numbers(ns))
}

// after lays out what followed the decisions.
func (l *layout) after(a *After) Section {
	s := Section{ID: "after", Title: say.T("What followed")}
	add := func(b Block) { s.Blocks = append(s.Blocks, b) }
	table := func(caption say.Text, columns []Column, rows [][]Value) {
		if len(rows) > 0 {
			add(Block{Table: &Table{Caption: caption, Columns: columns, Rows: rows}})
		}
	}
	for _, x := range a.Samples {
		l.sampleOf(&s, x)
	}
	var rows [][]Value
	for _, x := range a.Steps {
		rows = append(rows, []Value{l.step(x.Moment), {Text: x.Event.Step.Words()}})
	}
	table(say.T("Done at the stop"), []Column{column(30, "When and who"), column(70, "What")}, rows)
	rows = nil
	for _, x := range a.Answers {
		rows = append(rows, []Value{l.step(x.Moment), {Text: l.answer(x.Event)}})
	}
	table(say.T("Answers to the stop"), []Column{column(30, "When and who"), column(70, "Answer")}, rows)
	rows = nil
	for _, h := range a.Holds {
		word, end := say.T("held"), said("it stands")
		if h.Event.Rung == ladder.Stop {
			word = say.T("stopped")
		}
		from := Value{}
		if src := h.Event.Source; src != nil {
			from = said("%s: %s", src.Number, joined(src.Shared, "; "))
			if len(src.Shared) == 0 {
				from = written(src.Number)
			}
		}
		if h.Lifted != nil {
			end = written(l.who(h.Lifted.Moment).Data + "\n" + h.Lifted.Reason)
		}
		rows = append(rows, []Value{l.step(h.Moment), said("%s: %s", word, h.Event.Reason), orNothing(from), end})
	}
	table(say.T("Kept back from outside the inspection"), []Column{column(22, "When and who"), column(30, "What"), column(20, "Traced from"), column(28, "Lifted")}, rows)
	rows = nil
	for _, x := range a.Moves {
		rows = append(rows, []Value{l.step(x.Moment), packagesOf(x.Event.Packages), written(x.Event.Place.Name)})
	}
	table(say.T("Where the packages were put"), []Column{column(30, "When and who"), column(35, "Packages"), column(35, "Place")}, rows)
	rows = nil
	for _, x := range a.Cleanings {
		rows = append(rows, []Value{l.step(x.Moment), written(x.Event.Bench), written(x.Event.How)})
	}
	table(say.T("Benches cleaned"), []Column{column(30, "When and who"), column(20, "Bench"), column(50, "How")}, rows)
	l.detail(&s, a)
	for _, x := range a.Treatments {
		l.treatment(&s, x)
	}
	rows = nil
	for _, x := range a.Disposals {
		what := say.T("the whole packages")
		if x.Event.Units > 0 {
			what = say.T("%d units", x.Event.Units)
		}
		rows = append(rows, []Value{l.step(x.Moment), written(Numbers(x.Event.Packages)), {Text: what}, written(x.Event.Method), written(x.Event.Witness)})
	}
	table(say.T("Disposed of"), []Column{column(22, "When and who"), column(18, "Packages"), column(18, "What"), column(24, "How"), column(18, "Witness")}, rows)
	rows = nil
	for _, x := range a.Lists {
		var what []say.Text
		if len(x.Event.Removed) > 0 {
			what = append(what, say.T("taken out: %s", Numbers(x.Event.Removed)))
		}
		for _, line := range x.Event.Added {
			what = append(what, say.T("added: %d of %s", line.Packages, line.Crop))
		}
		if len(x.Event.Repacked) > 0 {
			what = append(what, say.T("repacked: %s", Numbers(x.Event.Repacked)))
		}
		rows = append(rows, []Value{l.step(x.Moment), {Text: joined(what, "; ")}, written(x.Event.Reason)})
	}
	table(say.T("Packages taken out, added or repacked"), []Column{column(25, "When and who"), column(40, "What"), column(35, "Why")}, rows)
	for _, c := range a.Stores {
		facts := []Fact{l.whoFact("Checked", c.Moment), data(say.T("Place"), c.Place.Name)}
		if c.Note != "" {
			facts = append(facts, data(say.T("Note"), c.Note))
		}
		add(Block{Facts: facts}.under("Check of the store"))
		add(Block{Answers: c.Items})
	}
	rows = nil
	for _, x := range a.Marks {
		rows = append(rows, []Value{l.step(x.Moment), said("%d marks: %s", x.Event.Marks, x.Event.Outcome.Words())})
	}
	table(say.T("Marks printed"), []Column{column(40, "When and who"), column(60, "What")}, rows)
	l.loading(&s, a)
	return s
}

func (l *layout) answer(e consignment.StopAnswered) say.Text {
	switch {
	case e.Answer == consignment.StopTold && e.Reference != "":
		return say.T("The authority was told: %s, at %s, reference %s. %s", e.Office, l.time(e.ToldAt), e.Reference, e.Reason)
	case e.Answer == consignment.StopTold:
		return say.T("The authority was told: %s, at %s. %s", e.Office, l.time(e.ToldAt), e.Reason)
	case e.Rung != 0:
		return say.T("%s, down to %s: %s", e.Answer.Words(), e.Rung.Word(), e.Reason)
	case e.Reason != "":
		return say.T("%s: %s", e.Answer.Words(), e.Reason)
	}
	return e.Answer.Words()
}

func (l *layout) sampleOf(s *Section, x Sample) {
	e := x.Event
	where := place(consignment.FindFacts{Package: x.Package, Unit: x.Unit})
	facts := []Fact{
		text(say.T("Of"), say.T("find %d of round %d: %s, %s", e.Find, e.Round, where, e.Part.Words())),
		text(say.T("What and how kept"), say.T("%s; %s", e.What.Words(), e.Kept.Words())),
		l.whoFact("Taken", x.Moment),
	}
	if e.Asked != "" {
		facts = append(facts, data(say.T("Asked"), e.Asked))
	}
	if e.Note != "" {
		facts = append(facts, data(say.T("Note"), e.Note))
	}
	if len(e.Photos) > 0 {
		var hs []string
		for _, h := range e.Photos {
			hs = append(hs, short(h))
		}
		facts = append(facts, data(say.T("Photos"), strings.Join(hs, ", ")))
	}
	for _, c := range x.Custody {
		who := c.Event.By
		if c.Event.Step == consignment.Stored {
			who = c.Event.Place
		}
		facts = append(facts, Fact{c.Event.Step.Words(), Value{Data: l.who(c.Moment).Data, Text: say.T("%s", who)}})
	}
	if a := x.Answer; a != nil {
		what := a.Event.Result.Words()
		if p := a.Event.Entry; p != nil {
			what = say.T("%s: %s (%s, revision %d, %s)", a.Event.Result.Words(), p.Name, p.ID, p.Revision, short(p.Hash))
		}
		facts = append(facts, l.whoFact("Result entered", a.Moment), text(say.T("Result"), what), data(say.T("Laboratory"), a.Event.Laboratory))
		if a.Event.Reference != "" {
			facts = append(facts, data(say.T("Report"), a.Event.Reference))
		}
		if a.Event.Note != "" {
			facts = append(facts, data(say.T("Note"), a.Event.Note))
		}
	} else {
		facts = append(facts, text(say.T("Result"), say.T("none yet")))
	}
	s.Blocks = append(s.Blocks, Block{Facts: facts}.under("Sample %s", e.Sample))
}

func (l *layout) detail(s *Section, a *After) {
	for _, x := range a.Plans {
		facts := []Fact{
			l.whoFact("Planned", x.Moment),
			data(say.T("Packages"), Numbers(x.Event.Packages)),
			text(say.T("Rule"), say.T("all packages of the affected crop lines; of the others %d, by ISPM 31 (hypergeometric, %s confidence, %s infested)", x.Event.Rest, x.Event.Confidence, x.Event.Detect)),
		}
		if x.Event.Reason != "" {
			facts = append(facts, data(say.T("Changed because"), x.Event.Reason))
		}
		s.Blocks = append(s.Blocks, Block{Facts: facts}.under("Detailed examination after round %d", x.Event.Round))
	}
	if len(a.Looks) == 0 {
		return
	}
	t := &Table{Caption: say.T("Found in the detailed examination"), Columns: []Column{column(12, "Package"), column(26, "When and who"), column(20, "Units that show it"), column(42, "What")}}
	for _, x := range a.Looks {
		what := Value{Text: say.T("nothing")}
		if x.Event.Affected > 0 {
			what = Value{Text: x.Event.What.Words()}
			if x.Event.Entry != nil {
				what = said("%s: %s", x.Event.What.Words(), x.Event.Entry.Name)
			}
		}
		if x.Event.Note != "" {
			what = said("%s (%s)", what.Text, x.Event.Note)
		}
		t.Rows = append(t.Rows, []Value{said("%03d", x.Event.Package), l.step(x.Moment), said("%d of %d", x.Event.Affected, x.Event.Units), what})
	}
	s.Blocks = append(s.Blocks, Block{Table: t})
}

// measured writes a stored quantity as people read it.
func measured(stored string) string {
	if q, err := dose.Read(stored); err == nil {
		return q.Human()
	}
	return stored
}

func (l *layout) treatment(s *Section, x Happened[consignment.Treated]) {
	e := x.Event
	facts := []Fact{
		text(say.T("Kind"), e.Way.Words()),
		Fact{say.T("Packages"), packagesOf(e.Packages)},
	}
	for _, f := range []struct {
		label say.Text
		text  string
	}{
		{say.T("Product"), e.Product}, {say.T("Active ingredient"), e.Active}, {say.T("Registration number"), e.Registration}, {say.T("Batch of the product"), e.Batch},
		{say.T("Rate"), measured(e.Rate)}, {say.T("Volume"), measured(e.Volume)}, {say.T("Temperature"), measured(e.Temperature)},
		{say.T("Against"), e.Target}, {say.T("Method"), e.Method}, {say.T("Operator"), e.Operator}, {say.T("Licence"), e.Licence},
		{say.T("Weather"), e.Weather}, {say.T("Note"), e.Note},
	} {
		if f.text != "" {
			facts = append(facts, data(f.label, f.text))
		}
	}
	facts = append(facts, data(say.T("Began"), l.time(e.Start)), data(say.T("Ended"), l.time(e.End)))
	if !e.ReEntry.IsZero() {
		facts = append(facts, data(say.T("Re-entry from"), l.time(e.ReEntry)))
	}
	if !e.Withholding.IsZero() {
		facts = append(facts, data(say.T("Withheld until"), l.time(e.Withholding)))
	}
	facts = append(facts, l.whoFact("Recorded", x.Moment))
	s.Blocks = append(s.Blocks, Block{Facts: facts}.under("Treatment %d", e.Treatment))
}

func (l *layout) loading(s *Section, a *After) {
	if len(a.Loaded) == 0 {
		return
	}
	first, last := a.Loaded[0], a.Loaded[len(a.Loaded)-1]
	facts := []Fact{text(say.T("Scanned aboard"), say.T("%d scans, from %s to %s", len(a.Loaded), l.time(first.At), l.time(last.At)))}
	for _, u := range a.Unloaded {
		what := say.T("all packages")
		if u.Event.Package != 0 {
			what = say.T("package %03d", u.Event.Package)
		}
		facts = append(facts, Fact{say.T("Unloaded"), Value{Data: l.who(u.Moment).Data, Text: say.T("%s: %s", what, u.Event.Reason)}})
	}
	if d := a.Dispatched; d != nil {
		facts = append(facts, l.whoFact("Left", d.Moment), data(say.T("Vehicle"), d.Event.Vehicle))
		if d.Event.Seal != "" {
			facts = append(facts, data(say.T("Seal of the vehicle"), d.Event.Seal))
		}
		aboard := say.T("all %d packages", d.Event.Aboard)
		if len(d.Event.Short) > 0 {
			aboard = say.T("%d packages; not aboard: %s (%s)", d.Event.Aboard, Numbers(d.Event.Short), d.Event.Reason)
		}
		facts = append(facts, text(say.T("Aboard"), aboard))
	} else {
		facts = append(facts, text(say.T("Left"), say.T("not yet")))
	}
	s.Blocks = append(s.Blocks, Block{Facts: facts}.under("Loading"))
}
