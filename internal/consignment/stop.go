package consignment

import (
	"strings"
	"time"

	"lastlook/internal/ladder"
	"lastlook/internal/say"
)

// StopAnswer says what a supervisor does about a stop.
type StopAnswer string

// The answers to a stop.
const (
	StopKept     StopAnswer = "kept"     // it stays stopped
	StopTold     StopAnswer = "told"     // the authority was told; it stays stopped
	StopReleased StopAnswer = "released" // it was no quarantine pest; the finds go down the ladder
	StopRejected StopAnswer = "rejected" // it does not go
)

// StopAnswers lists the answers.
var StopAnswers = []StopAnswer{StopKept, StopTold, StopReleased, StopRejected}

var stopWords = map[StopAnswer]say.Text{
	StopKept:     say.T("Keep the stop"),
	StopTold:     say.T("The authority was told"),
	StopReleased: say.T("Release it"),
	StopRejected: say.T("Reject it"),
}

// Words names the answer.
func (a StopAnswer) Words() say.Text { return stopWords[a] }

// StopAnswered is a supervisor's answer to a stopped round.
type StopAnswered struct {
	Round  int        `json:"round"`
	Hold   int        `json:"hold,omitempty"` // the hold that is the stop; 0 is the round itself
	Answer StopAnswer `json:"answer"`
	Reason string     `json:"reason,omitempty"`
	// Rung is where the stopped finds go down to, for a release or a rejection.
	Rung ladder.Rung `json:"rung,omitzero"`
	// Of the telling.
	Office    string    `json:"office,omitempty"` // the office of the person who was told
	Reference string    `json:"reference,omitempty"`
	ToldAt    time.Time `json:"told_at,omitzero"`
}

// Kind names the event in storage.
func (StopAnswered) Kind() string { return "stop_answered" }

// StopStepDone records that one of the things to do at a stop was done.
type StopStepDone struct {
	Round int      `json:"round"`
	Hold  int      `json:"hold,omitempty"`
	Step  StopStep `json:"step"`
}

// Kind names the event in storage.
func (StopStepDone) Kind() string { return "stop_step_done" }

// StopStep is one of the things to do at a stop, in order.
type StopStep string

// The steps of a stop: the ordinary rules of handling a suspect (ISPM 23; common
// practice).
const (
	StepLeave     StopStep = "leave"
	StepAway      StopStep = "away"
	StepTell      StopStep = "tell"
	StepGloves    StopStep = "gloves"
	StepAuthority StopStep = "authority"
)

// StopSteps lists the steps in order.
var StopSteps = []StopStep{StepLeave, StepAway, StepTell, StepGloves, StepAuthority}

var stopStepWords = map[StopStep]say.Text{
	StepLeave:     say.T("Leave everything where it is. Do not shake, move or carry anything."),
	StepAway:      say.T("Keep people away from the bench and the consignment."),
	StepTell:      say.T("Tell the supervisor now, by voice."),
	StepGloves:    say.T("Take off your gloves here, into a bag that stays here. Wash your hands, clean your tools."),
	StepAuthority: say.T("Ask the authority before anything is moved or posted. Duties to report, and their time limits, are set by local law."),
}

// Words says the step.
func (s StopStep) Words() say.Text { return stopStepWords[s] }

// DoStopStep ticks one of the things to do at a stop.
type DoStopStep struct {
	Hold int // 0 is the round itself
	Step StopStep
}

func (DoStopStep) isCommand() {}

// StopTick is a step of a stop as ticked.
type StopTick struct {
	StopStepDone
	At time.Time
	By Actor
}

func (s *State) decideStopStep(c DoStopStep) ([]Event, error) {
	if _, err := s.stopSince(c.Hold); err != nil {
		return nil, err
	}
	if stopStepWords[c.Step].IsZero() {
		return nil, say.Refuse(say.Invalid, "The bench does not know this step.")
	}
	for _, d := range s.StopSteps {
		if d.Hold == c.Hold && d.Round == len(s.Rounds) && d.Step == c.Step {
			return nil, say.Refuse(say.Illegal, "That was done already, at %s by %s.", say.Moment(d.At), d.By.Name)
		}
	}
	return []Event{StopStepDone{Round: len(s.Rounds), Hold: c.Hold, Step: c.Step}}, nil
}

// AnswerStop answers a stopped round, or a hold that is a stop: supervisors only.
type AnswerStop struct {
	Hold      int // 0 is the round itself
	Answer    StopAnswer
	Reason    string
	Rung      ladder.Rung // of a release: note, reject or sample
	Office    string
	Reference string
	ToldAt    time.Time
}

func (AnswerStop) isCommand() {}

// Answering is an answer to a stop as recorded.
type Answering struct {
	StopAnswered
	At time.Time
	By Actor
}

func (s *State) decideAnswerStop(m Meta, c AnswerStop) ([]Event, error) {
	r := s.Round()
	since, err := s.stopSince(c.Hold)
	if err != nil {
		return nil, err
	}
	if !m.Actor.Has(Supervisor) {
		return nil, say.Refuse(say.Forbidden, "Only a supervisor answers a stop: call one.")
	}
	e := StopAnswered{Round: len(s.Rounds), Hold: c.Hold, Answer: c.Answer, Reason: strings.TrimSpace(c.Reason)}
	if err := tooLong(e.Reason, "reason"); err != nil {
		return nil, err
	}
	switch c.Answer {
	case StopKept:
		return []Event{e}, nil
	case StopTold:
		e.Office, e.Reference, e.ToldAt = strings.TrimSpace(c.Office), strings.TrimSpace(c.Reference), c.ToldAt.UTC()
		switch {
		case e.Office == "":
			return nil, say.Refuse(say.Invalid, "Say which office was told.").For("office")
		case c.ToldAt.IsZero():
			return nil, say.Refuse(say.Invalid, "Say when the authority was told.").For("told_at")
		case c.ToldAt.After(m.At):
			return nil, say.Refuse(say.Invalid, "The authority cannot have been told at %s: that is still to come.", say.Moment(c.ToldAt)).For("told_at")
		case c.ToldAt.Before(since.Add(-time.Minute)):
			return nil, say.Refuse(say.Invalid, "The authority cannot have been told at %s: the stop was at %s.", say.Moment(c.ToldAt), say.Moment(since)).For("told_at")
		}
		return []Event{e}, nil
	case StopReleased:
		if e.Reason, err = reason(c.Reason, "Say why the stop is released."); err != nil {
			return nil, err
		}
		if c.Hold != 0 {
			return []Event{e}, nil
		}
		if !c.Rung.Valid() || c.Rung >= ladder.Stop {
			return nil, say.Refuse(say.Invalid, "Say where the find goes down to: sample, reject or note.").For("rung")
		}
		e.Rung = c.Rung
	case StopRejected:
		if e.Reason, err = reason(c.Reason, "Say why it is rejected."); err != nil {
			return nil, err
		}
		e.Rung = ladder.Reject
		if c.Hold != 0 {
			if r == nil {
				return nil, say.Refuse(say.Illegal, "It was not inspected yet, so it cannot be rejected: release the stop, or dispose of the goods.")
			}
			if s.Dispatched != nil {
				return nil, s.gone()
			}
			why := say.T("Stopped at %s and rejected: %s", say.Moment(since), e.Reason)
			return []Event{e, RoundRevised{Round: r.Number, Outcome: Rejected, Reasons: []say.Text{why}}}, nil
		}
	default:
		return nil, say.Refuse(say.Invalid, "Say what is done about the stop.").For("answer")
	}
	if err := s.free(); err != nil {
		return nil, err
	}
	next := r.lowered(e.Rung)
	con := next.Conclude(m.At)
	return []Event{e, next.revised(con)}, nil
}

// stopSince finds the stop that is answered.
func (s *State) stopSince(hold int) (time.Time, error) {
	if hold == 0 {
		if r := s.Round(); r != nil && r.Ended != nil && r.Ended.Outcome == Stopped {
			return r.Ended.At, nil
		}
		return time.Time{}, say.Refuse(say.Illegal, "No inspection of it is stopped.")
	}
	h, err := s.hold(hold)
	if err != nil {
		return time.Time{}, err
	}
	switch {
	case h.Rung != ladder.Stop:
		return time.Time{}, say.Refuse(say.Illegal, "That is a hold, no stop: lift it when it is answered.")
	case h.Lifted != nil:
		return time.Time{}, say.Refuse(say.Illegal, "The hold was lifted at %s already.", say.Moment(h.Lifted.At))
	}
	return h.At, nil
}

// lowered is the round as it will be once its stopped finds stand at the rung.
func (r *Round) lowered(to ladder.Rung) *Round {
	next := *r
	next.Finds = make([]*Find, len(r.Finds))
	for i, f := range r.Finds {
		g := *f
		if g.Rung == ladder.Stop {
			g.Rung = to
		}
		next.Finds[i] = &g
	}
	return &next
}

// Hold is a consignment kept back for a reason that lies outside its own
// inspection: a trace, or something seen after it passed.
type Hold struct {
	HeldBack
	At      time.Time
	By      Actor
	Answers []Answering // of a stop
	Lifted  *Lifting
}

// Lifting is the end of a hold.
type Lifting struct {
	Reason string
	At     time.Time
	By     Actor
}

type (
	// HeldBack puts a hold on a consignment, whatever stage it is at. A hold at the
	// rung stop is a stop.
	HeldBack struct {
		Hold   int         `json:"hold"` // 1, 2, 3 …
		Rung   ladder.Rung `json:"rung"` // sample or stop
		Reason string      `json:"reason"`
		Source *Source     `json:"source,omitempty"` // what it was traced from
	}

	// HoldLifted ends a hold.
	HoldLifted struct {
		Hold   int    `json:"hold"`
		Reason string `json:"reason"`
	}
)

// Source names the find or sample that a hold was traced from.
type Source struct {
	Code   string     `json:"code"`   // of the consignment
	Number string     `json:"number"` // as on its papers
	Round  int        `json:"round,omitempty"`
	Find   int        `json:"find,omitempty"`
	Sample string     `json:"sample,omitempty"`
	Shared []say.Text `json:"shared,omitempty"` // what the two have in common
}

// Kind names the event in storage.
func (HeldBack) Kind() string { return "held_back" }

// Kind names the event in storage.
func (HoldLifted) Kind() string { return "hold_lifted" }

type (
	// HoldBack puts a hold or a stop on a consignment. Anybody at the bench may: it
	// is a way up the ladder.
	HoldBack struct {
		Rung   ladder.Rung
		Reason string
		Source *Source
	}

	// LiftHold ends a hold: supervisors only.
	LiftHold struct {
		Hold   int
		Reason string
	}
)

func (HoldBack) isCommand() {}
func (LiftHold) isCommand() {}

// hold finds a hold by its number, or says that there is none.
func (s *State) hold(n int) (*Hold, error) {
	if n < 1 || n > len(s.Holds) {
		return nil, say.Refuse(say.NotFound, "There is no hold %d here.", n)
	}
	return s.Holds[n-1], nil
}

// OpenHolds gives the holds that still stand.
func (s *State) OpenHolds() []*Hold {
	var open []*Hold
	for _, h := range s.Holds {
		if h.Lifted == nil {
			open = append(open, h)
		}
	}
	return open
}

// free refuses while a hold from outside the round stands.
func (s *State) free() error {
	open := s.OpenHolds()
	if len(open) == 0 {
		return nil
	}
	word := say.T("held")
	for _, h := range open {
		if h.Rung == ladder.Stop {
			word = say.T("stopped")
		}
	}
	return say.Refuse(say.Illegal, "It is %s since %s: %s. A supervisor must lift that first.", word, say.Moment(open[0].At), open[0].Reason)
}

func (s *State) decideHoldBack(c HoldBack) ([]Event, error) {
	if c.Rung != ladder.Sample && c.Rung != ladder.Stop {
		return nil, say.Refuse(say.Invalid, "Say whether it is held or stopped.").For("rung")
	}
	why, err := reason(c.Reason, "Say why it is kept back.")
	if err != nil {
		return nil, err
	}
	for _, h := range s.OpenHolds() {
		if h.Rung >= c.Rung && sameSource(h.Source, c.Source) {
			return nil, say.Refuse(say.Conflict, "It is kept back for that already, since %s.", say.Moment(h.At))
		}
	}
	return []Event{HeldBack{Hold: len(s.Holds) + 1, Rung: c.Rung, Reason: why, Source: c.Source}}, nil
}

func sameSource(a, b *Source) bool {
	if a == nil || b == nil {
		return a == b
	}
	return a.Code == b.Code && a.Round == b.Round && a.Find == b.Find && a.Sample == b.Sample
}

func (s *State) decideLift(m Meta, c LiftHold) ([]Event, error) {
	h, err := s.hold(c.Hold)
	if err != nil {
		return nil, err
	}
	switch {
	case h.Lifted != nil:
		return nil, say.Refuse(say.Illegal, "The hold was lifted at %s already.", say.Moment(h.Lifted.At))
	case !m.Actor.Has(Supervisor):
		return nil, say.Refuse(say.Forbidden, "Only a supervisor lifts a hold: call one.")
	}
	why, err := reason(c.Reason, "Say why the hold is lifted.")
	if err != nil {
		return nil, err
	}
	return []Event{HoldLifted{Hold: c.Hold, Reason: why}}, nil
}
