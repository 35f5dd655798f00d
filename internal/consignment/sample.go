package consignment

import (
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"lastlook/internal/ladder"
	"lastlook/internal/say"
)

// Taken says what a sample is.
type Taken string

// What a sample can be.
const (
	TakenSpecimen Taken = "specimen"
	TakenLeaf     Taken = "leaf"
	TakenStem     Taken = "stem"
	TakenRoot     Taken = "root"
	TakenPlant    Taken = "plant"
	TakenMedium   Taken = "growing_medium"
	TakenTrap     Taken = "trap"
)

// Takens lists what a sample can be.
var Takens = []Taken{TakenSpecimen, TakenLeaf, TakenStem, TakenRoot, TakenPlant, TakenMedium, TakenTrap}

var takenWords = map[Taken]say.Text{
	TakenSpecimen: say.T("Specimen"),
	TakenLeaf:     say.T("Leaf"),
	TakenStem:     say.T("Stem or twig"),
	TakenRoot:     say.T("Root"),
	TakenPlant:    say.T("Whole plant"),
	TakenMedium:   say.T("Growing medium"),
	TakenTrap:     say.T("Trap"),
}

// Words names what was taken.
func (t Taken) Words() say.Text { return takenWords[t] }

// Kept says how a sample is kept until it is looked at.
type Kept string

// How a sample can be kept.
const (
	KeptDry     Kept = "dry"
	KeptAlcohol Kept = "alcohol"
	KeptCool    Kept = "cool"
)

// Kepts lists how a sample can be kept.
var Kepts = []Kept{KeptDry, KeptAlcohol, KeptCool}

var keptWords = map[Kept]say.Text{
	KeptDry:     say.T("Dry"),
	KeptAlcohol: say.T("In alcohol"),
	KeptCool:    say.T("Cool, not frozen"),
}

// Words names how it is kept.
func (k Kept) Words() say.Text { return keptWords[k] }

// Custody is a step in the chain of custody of a sample.
type Custody string

// The steps of custody, after the sample was taken.
const (
	Stored     Custody = "stored"
	HandedOver Custody = "handed_over"
	Received   Custody = "received"
)

// Custodies lists the steps in the order in which they come.
var Custodies = []Custody{Stored, HandedOver, Received}

var custodyWords = map[Custody]say.Text{
	Stored:     say.T("Stored"),
	HandedOver: say.T("Handed over"),
	Received:   say.T("Received"),
}

// Words names the step.
func (c Custody) Words() say.Text { return custodyWords[c] }

// Result is what a laboratory or the authority says of a sample.
type Result string

// The results.
const (
	Identified   Result = "identified"
	NotFound     Result = "not_found"
	Inconclusive Result = "inconclusive"
)

// Results lists the results.
var Results = []Result{Identified, NotFound, Inconclusive}

var resultWords = map[Result]say.Text{
	Identified:   say.T("Identified"),
	NotFound:     say.T("Nothing found"),
	Inconclusive: say.T("Inconclusive"),
}

// Words names the result.
func (r Result) Words() say.Text { return resultWords[r] }

type (
	// SampleTaken records that a sample of a find was taken. Package and Unit are
	// those of the find.
	SampleTaken struct {
		Sample string   `json:"sample"` // own code, on its label
		Round  int      `json:"round"`
		Find   int      `json:"find"`
		What   Taken    `json:"what"`
		Kept   Kept     `json:"kept"`
		Part   Part     `json:"part"`
		Asked  string   `json:"asked,omitempty"` // what the laboratory is asked
		Note   string   `json:"note,omitempty"`
		Photos []string `json:"photos,omitempty"`
	}

	// SampleMoved is one step in the chain of custody.
	SampleMoved struct {
		Sample string  `json:"sample"`
		Step   Custody `json:"step"`
		Place  string  `json:"place,omitempty"` // where it is stored
		By     string  `json:"by,omitempty"`    // carrier or laboratory, as written on the form
		Note   string  `json:"note,omitempty"`
	}

	// SampleAnswered records what is said of a sample.
	SampleAnswered struct {
		Sample     string    `json:"sample"`
		Result     Result    `json:"result"`
		Entry      *EntryPin `json:"entry,omitempty"` // what it was identified as
		Alive      Alive     `json:"alive,omitempty"`
		Laboratory string    `json:"laboratory"`
		Reference  string    `json:"reference,omitempty"` // of the report
		Note       string    `json:"note,omitempty"`
	}

	// FindAnswered is the decision on a find again, with what is known of its sample.
	FindAnswered struct {
		Round  int         `json:"round"`
		Find   int         `json:"find"`
		Sample string      `json:"sample"`
		Advice Advice      `json:"advice"`
		Rung   ladder.Rung `json:"rung"`
	}

	// RoundRevised is the outcome of a round decided again after it had ended: a
	// hold answered, a stop answered. Outcome "" means that the examination goes on.
	RoundRevised struct {
		Round      int        `json:"round"`
		Outcome    Outcome    `json:"outcome,omitempty"`
		Reasons    []say.Text `json:"reasons,omitempty"`
		ValidUntil time.Time  `json:"valid_until,omitzero"`
	}
)

// Kind names the event in storage.
func (SampleTaken) Kind() string { return "sample_taken" }

// Kind names the event in storage.
func (SampleMoved) Kind() string { return "sample_moved" }

// Kind names the event in storage.
func (SampleAnswered) Kind() string { return "sample_answered" }

// Kind names the event in storage.
func (FindAnswered) Kind() string { return "find_answered" }

// Kind names the event in storage.
func (RoundRevised) Kind() string { return "round_revised" }

type (
	// TakeSample takes a sample of a find. Code is a fresh code for it.
	TakeSample struct {
		Code   string
		Round  int
		Find   int
		What   Taken
		Kept   Kept
		Part   Part // "" is where the find is
		Asked  string
		Note   string
		Photos []string
	}

	// MoveSample records a step in the chain of custody.
	MoveSample struct {
		Sample string
		Step   Custody
		Place  string
		By     string
		Note   string
	}

	// AnswerSample enters a result: supervisors only. The find is decided again with
	// it; a hold goes on until it is ended.
	AnswerSample struct {
		Sample     string
		Result     Result
		Entry      *EntryPin
		Alive      Alive
		Laboratory string
		Reference  string
		Note       string
	}

	// EndHold decides a held round again: supervisors only.
	EndHold struct{}
)

func (TakeSample) isCommand()   {}
func (MoveSample) isCommand()   {}
func (AnswerSample) isCommand() {}
func (EndHold) isCommand()      {}

// Sample is a sample as its steps make it.
type Sample struct {
	SampleTaken
	Package, Unit int // of the find
	At            time.Time
	By            Actor
	Steps         []CustodyStep
	Answer        *SampleAnswer
}

// CustodyStep is a step of custody as recorded.
type CustodyStep struct {
	SampleMoved
	At    time.Time
	Actor Actor
}

// SampleAnswer is a result as recorded.
type SampleAnswer struct {
	SampleAnswered
	At time.Time
	By Actor
}

// Sent reports whether the sample was handed over.
func (s *Sample) Sent() bool {
	return slices.ContainsFunc(s.Steps, func(c CustodyStep) bool { return c.Step != Stored })
}

// Where says where the sample is, as far as its chain of custody tells.
func (s *Sample) Where() say.Text {
	if s.Answer != nil {
		return say.T("answered: %s", s.Answer.Result.Words())
	}
	if len(s.Steps) == 0 {
		return say.T("at the bench")
	}
	switch last := s.Steps[len(s.Steps)-1]; last.Step {
	case HandedOver:
		return say.T("handed over to %s", last.By)
	case Received:
		return say.T("received by %s", last.By)
	default:
		return say.T("stored: %s", last.Place)
	}
}

// Sample finds a sample by its code, or gives nil.
func (s *State) Sample(code string) *Sample {
	for _, x := range s.Samples {
		if x.Sample == code {
			return x
		}
	}
	return nil
}

// SamplesOf gives the samples of a find.
func (s *State) SamplesOf(round, find int) []*Sample {
	var out []*Sample
	for _, x := range s.Samples {
		if x.Round == round && x.Find == find {
			out = append(out, x)
		}
	}
	return out
}

func tooLong(text, field string) error {
	if utf8.RuneCountInString(text) > maxReason {
		return say.Refuse(say.Invalid, "The note is longer than %d characters: shorten it.", maxReason).For(field)
	}
	return nil
}

// maxLabel is the longest name of a carrier or laboratory and the longest number of
// a report, in characters: it must fit on a form.
const maxLabel = 120

func longLabel(text, field string) error {
	if utf8.RuneCountInString(text) > maxLabel {
		return say.Refuse(say.Invalid, "That is longer than %d characters: shorten it.", maxLabel).For(field)
	}
	return nil
}

func (s *State) decideTake(c TakeSample) ([]Event, error) {
	if c.Round < 1 || c.Round > len(s.Rounds) {
		return nil, say.Refuse(say.NotFound, "There is no round %d.", c.Round)
	}
	f, err := s.Rounds[c.Round-1].find(c.Find)
	if err != nil {
		return nil, err
	}
	if c.Part == "" {
		c.Part = f.Facts.Part
	}
	switch {
	case c.Code == "":
		return nil, say.Refuse(say.Invalid, "The sample has no code of its own yet.")
	case s.Sample(c.Code) != nil:
		return nil, say.Refuse(say.Conflict, "There is a sample with this code already: open the page again.")
	case takenWords[c.What].IsZero():
		return nil, say.Refuse(say.Invalid, "Say what was taken.").For("taken")
	case keptWords[c.Kept].IsZero():
		return nil, say.Refuse(say.Invalid, "Say how it is kept.").For("kept")
	case partWords[c.Part].IsZero():
		return nil, say.Refuse(say.Invalid, "Touch the part where it is seen.").For("part")
	case len(c.Photos) > 12:
		return nil, say.Refuse(say.Invalid, "A sample can have 12 photos: leave some out.").For("photo")
	}
	if err := tooLong(c.Asked, "asked"); err != nil {
		return nil, err
	}
	if err := tooLong(c.Note, "note"); err != nil {
		return nil, err
	}
	return []Event{SampleTaken{
		Sample: c.Code, Round: c.Round, Find: c.Find, What: c.What, Kept: c.Kept, Part: c.Part,
		Asked: strings.TrimSpace(c.Asked), Note: strings.TrimSpace(c.Note), Photos: c.Photos,
	}}, nil
}

// sample finds a sample, or says that there is none.
func (s *State) sample(code string) (*Sample, error) {
	if x := s.Sample(code); x != nil {
		return x, nil
	}
	return nil, say.Refuse(say.NotFound, "There is no sample %s of this consignment. Is it of another site?", code)
}

func (s *State) decideMoveSample(c MoveSample) ([]Event, error) {
	x, err := s.sample(c.Sample)
	if err != nil {
		return nil, err
	}
	c.Place, c.By, c.Note = strings.TrimSpace(c.Place), strings.TrimSpace(c.By), strings.TrimSpace(c.Note)
	var last Custody
	if n := len(x.Steps); n > 0 {
		last = x.Steps[n-1].Step
	}
	switch {
	case x.Answer != nil:
		return nil, say.Refuse(say.Illegal, "Sample %s has its result already.", c.Sample)
	case custodyWords[c.Step].IsZero():
		return nil, say.Refuse(say.Invalid, "Say what is done with the sample: stored, handed over or received.").For("step")
	case c.Step == Stored && c.Place == "":
		return nil, say.Refuse(say.Invalid, "Say where the sample is stored, or scan the place.").For("place")
	case c.Step == Stored && x.Sent():
		return nil, say.Refuse(say.Illegal, "Sample %s was handed over: it is not here any more.", c.Sample)
	case c.Step != Stored && c.By == "":
		return nil, say.Refuse(say.Invalid, "Say who took the sample: the carrier or the laboratory.").For("by")
	case c.Step == HandedOver && x.Sent():
		return nil, say.Refuse(say.Illegal, "Sample %s was handed over already.", c.Sample)
	case c.Step == Received && last == Received:
		return nil, say.Refuse(say.Illegal, "Sample %s was received already.", c.Sample)
	case c.Step == Received && !x.Sent():
		return nil, say.Refuse(say.Illegal, "Sample %s was never handed over: record that first.", c.Sample)
	}
	for _, err := range []error{tooLong(c.Note, "note"), longLabel(c.Place, "place"), longLabel(c.By, "by")} {
		if err != nil {
			return nil, err
		}
	}
	return []Event{SampleMoved(c)}, nil
}

func (s *State) decideAnswer(m Meta, c AnswerSample) ([]Event, error) {
	x, err := s.sample(c.Sample)
	if err != nil {
		return nil, err
	}
	c.Laboratory, c.Reference, c.Note = strings.TrimSpace(c.Laboratory), strings.TrimSpace(c.Reference), strings.TrimSpace(c.Note)
	switch {
	case !m.Actor.Has(Supervisor):
		return nil, say.Refuse(say.Forbidden, "Only a supervisor enters a result: call one.")
	case x.Answer != nil:
		return nil, say.Refuse(say.Illegal, "Sample %s has its result already: %s.", c.Sample, x.Answer.Result.Words())
	case !x.Sent():
		return nil, say.Refuse(say.Illegal, "Sample %s was never handed over: there cannot be a result yet. Record the handing over first.", c.Sample)
	case resultWords[c.Result].IsZero():
		return nil, say.Refuse(say.Invalid, "Say what the result is.").For("result")
	case c.Result == Identified && c.Entry == nil:
		return nil, say.Refuse(say.Invalid, "Say what it was identified as: choose the entry of the reference.").For("entry")
	case c.Result != Identified && c.Entry != nil:
		return nil, say.Refuse(say.Invalid, "Only a sample that was identified has an entry.").For("entry")
	case c.Alive != "" && aliveWords[c.Alive].IsZero():
		return nil, say.Refuse(say.Invalid, "Say whether it is alive, or that you cannot tell.").For("alive")
	case c.Laboratory == "":
		return nil, say.Refuse(say.Invalid, "Say who gave the result.").For("laboratory")
	}
	for _, err := range []error{tooLong(c.Note, "note"), longLabel(c.Laboratory, "laboratory"), longLabel(c.Reference, "reference")} {
		if err != nil {
			return nil, err
		}
	}
	answer := SampleAnswered(c)
	r := s.Rounds[x.Round-1]
	f := r.Find(x.Find)
	if f == nil { // the find was taken back meanwhile: the result is kept all the same
		return []Event{answer}, nil
	}
	again := adviseAnswer(f.Facts, answer, r.Rules)
	rung := again.Rung
	if f.Rung == ladder.Stop && rung < ladder.Stop {
		rung = ladder.Stop // a stop is answered as a stop, with a reason, not by a result alone
	}
	events := []Event{answer, FindAnswered{Round: r.Number, Find: f.ID, Sample: c.Sample, Advice: again, Rung: rung}}
	switch {
	case rung < ladder.Stop:
	case s.Round() != r || s.Dispatched != nil: // what it was found in has moved on
		events = append(events, HeldBack{
			Hold: len(s.Holds) + 1, Rung: ladder.Stop, Reason: again.Reasons[0].String(),
			Source: &Source{Code: s.Code, Number: s.Number, Round: r.Number, Find: f.ID, Sample: c.Sample},
		})
	case r.Ended == nil || r.Ended.Outcome != Stopped:
		events = append(events, RoundRevised{Round: r.Number, Outcome: Stopped, Reasons: []say.Text{f.Facts.where(again.Reasons[0])}})
	}
	return events, nil
}

// adviseAnswer decides a find again with the result of its sample. What was seen
// still counts where the result says nothing against it: a live pest that the
// laboratory did not meet in its sample is a live pest in the goods.
func adviseAnswer(f FindFacts, a SampleAnswered, rules RuleSet) Advice {
	if a.Alive != "" {
		f.Alive = a.Alive
	}
	switch a.Result {
	case Identified:
		f.Entry = a.Entry
		if what := WhatOf(a.Entry.Kind); what != "" {
			f.What = what
		}
		return Advise(f, rules)
	case NotFound:
		f.Entry = nil
		if f.What == NotIdentified || f.What == Suspect {
			return Advice{Rung: ladder.Note, Reasons: []say.Text{say.T("The laboratory found no pest in the sample.")}}
		}
		return Advise(f, rules)
	}
	return Advice{Rung: ladder.Sample, Reasons: []say.Text{say.T("The result is inconclusive: collect another sample, and hold until it is answered.")}}
}

func (s *State) decideEndHold(m Meta) ([]Event, error) {
	r := s.Round()
	if r == nil || r.Ended == nil || r.Ended.Outcome != Held {
		return nil, say.Refuse(say.Illegal, "Nothing is held for an identification here.")
	}
	if !m.Actor.Has(Supervisor) {
		return nil, say.Refuse(say.Forbidden, "Only a supervisor ends a hold: call one.")
	}
	if err := s.free(); err != nil {
		return nil, err
	}
	c := r.Conclude(m.At)
	if c.Outcome == Held {
		return nil, say.Refuse(say.Illegal, "It stays held: %s. Enter the result of its sample first.", c.Reasons)
	}
	return []Event{r.revised(c)}, nil
}

// revised is the outcome of a round decided again; no outcome yet lets it go on.
func (r *Round) revised(c Conclusion) RoundRevised {
	e := RoundRevised{Round: r.Number, Outcome: c.Outcome, Reasons: c.Reasons}
	if c.Outcome == Passed {
		e.ValidUntil = r.ValidUntil()
	}
	return e
}
