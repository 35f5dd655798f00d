package consignment

import (
	"fmt"
	"slices"
	"time"

	"lastlook/internal/ladder"
	"lastlook/internal/say"
)

// This file joins what follows a decision to [Decide] and [Fold]: samples, stops,
// holds, places, the detailed examination, treatments, the gate.

// TakeBack takes back a step that followed a decision and was recorded by mistake:
// supervisors only, with a reason. Both stay on record.
type TakeBack struct {
	Of     int // version of the step
	Reason string
}

func (TakeBack) isCommand() {}

// Listing is a change of the packages as recorded.
type Listing struct {
	ListChanged
	At time.Time
	By Actor
}

func (s *State) decideAfter(m Meta, c Command) (events []Event, handled bool, err error) {
	handled = true
	switch c := c.(type) {
	case TakeSample:
		events, err = s.decideTake(c)
	case MoveSample:
		events, err = s.decideMoveSample(c)
	case AnswerSample:
		events, err = s.decideAnswer(m, c)
	case EndHold:
		events, err = s.decideEndHold(m)
	case AnswerStop:
		events, err = s.decideAnswerStop(m, c)
	case DoStopStep:
		events, err = s.decideStopStep(c)
	case HoldBack:
		events, err = s.decideHoldBack(c)
	case LiftHold:
		events, err = s.decideLift(m, c)
	case Move:
		events, err = s.decideMove(m, c)
	case CheckStore:
		events, err = s.decideStore(c)
	case PrintMarks:
		events, err = s.decideMarks(m, c)
	case CleanBench:
		events, err = s.decideBenchClean(c)
	case PlanDetail:
		events, err = s.decidePlan(m, c)
	case LookDetail:
		events, err = s.decideDetail(c)
	case ChangeList:
		events, err = s.decideList(c)
	case Treat:
		events, err = s.decideTreat(m, c)
	case Dispose:
		events, err = s.decideDispose(c)
	case Load:
		events, err = s.decideLoad(m, c)
	case Unload:
		events, err = s.decideUnload(c)
	case Dispatch:
		events, err = s.decideDispatch(m, c)
	case TakeBack:
		events, err = s.decideTakeBack(m, c)
	default:
		return nil, false, nil
	}
	return events, true, err
}

// mayInspect refuses work at the bench on goods that must not be worked on now,
// or at a bench that must not be worked at.
func (s *State) mayInspect(m Meta) error {
	if s.Dispatched != nil {
		return s.gone()
	}
	if err := s.free(); err != nil {
		return err
	}
	if n := len(s.aboard); n > 0 {
		return say.Refuse(say.Illegal, "%d packages are on the vehicle: unload them first.", n)
	}
	if err := s.mayHandle(m.At); err != nil {
		return err
	}
	if m.Unclean != nil {
		return m.Unclean.refuse()
	}
	return nil
}

// FollowsDecision reports whether a step is one that [TakeBack] takes back; those
// of a round are taken back by [Undo].
func FollowsDecision(e Event) bool {
	switch e.(type) {
	case SampleTaken, SampleMoved, Moved, StoreChecked, BenchCleaned, DetailLooked, Treated, Loaded:
		return true
	}
	return false
}

func (s *State) decideTakeBack(m Meta, c TakeBack) ([]Event, error) {
	if c.Of < 1 || c.Of > len(s.History) {
		return nil, say.Refuse(say.NotFound, "There is no step %d here.", c.Of)
	}
	if !m.Actor.Has(Supervisor) {
		return nil, say.Refuse(say.Forbidden, "Only a supervisor takes back a step after the decision: call one.")
	}
	rec := s.History[c.Of-1]
	if !FollowsDecision(rec.Event) {
		return nil, say.Refuse(say.Illegal, "Step %d (%s) cannot be taken back.", c.Of, Describe(rec.Event))
	}
	if s.Dispatched != nil {
		return nil, s.gone()
	}
	if _, done := s.amendments[c.Of]; done {
		return nil, say.Refuse(say.Illegal, "Step %d was taken back already.", c.Of)
	}
	why, err := reason(c.Reason, "Say why the step is taken back.")
	if err != nil {
		return nil, err
	}
	e := Amended{Of: c.Of, Reason: why}
	if _, err := s.After([]Recorded{{Version: s.Version + 1, At: m.At, Actor: m.Actor, Bench: m.Bench, Event: e}}); err != nil {
		return nil, say.Refuse(say.Illegal, "Step %d cannot be taken back: later steps rest on it.", c.Of)
	}
	return []Event{e}, nil
}

// end gives the round an outcome.
func (r *Round) end(e Ending) {
	r.Endings = append(r.Endings, e)
	r.Ended = &r.Endings[len(r.Endings)-1]
}

// round finds the round that a step names.
func (s *State) round(n int) (*Round, error) {
	if n < 1 || n > len(s.Rounds) {
		return nil, fmt.Errorf("there is no round %d", n)
	}
	return s.Rounds[n-1], nil
}

// applyAfter applies what follows a decision; handled is false for other events.
func (s *State) applyAfter(rec Recorded, event Event) (handled bool, err error) {
	switch e := event.(type) {
	case SampleTaken:
		return true, s.applySample(rec, e)
	case SampleMoved:
		x, err := s.sample(e.Sample)
		if err != nil {
			return true, err
		}
		x.Steps = append(x.Steps, CustodyStep{SampleMoved: e, At: rec.At, Actor: rec.Actor})
	case SampleAnswered:
		x, err := s.sample(e.Sample)
		if err != nil {
			return true, err
		}
		x.Answer = &SampleAnswer{SampleAnswered: e, At: rec.At, By: rec.Actor}
	case FindAnswered:
		r, err := s.round(e.Round)
		if err != nil {
			return true, err
		}
		f := r.Find(e.Find)
		if f == nil {
			return true, fmt.Errorf("there is no find %d", e.Find)
		}
		f.Answered, f.Rung = &e, e.Rung
	case RoundRevised:
		r, err := s.round(e.Round)
		if err != nil {
			return true, err
		}
		if e.Outcome == "" {
			r.Endings = append(r.Endings, Ending{At: rec.At, By: rec.Actor, Reasons: e.Reasons})
			r.Ended = nil
			return true, nil
		}
		r.end(Ending{Outcome: e.Outcome, Reasons: e.Reasons, ValidUntil: e.ValidUntil, At: rec.At, By: rec.Actor})
	case StopAnswered:
		return true, s.applyStopAnswer(rec, e)
	case StopStepDone:
		s.StopSteps = append(s.StopSteps, StopTick{StopStepDone: e, At: rec.At, By: rec.Actor})
	case HeldBack:
		if e.Hold != len(s.Holds)+1 {
			return true, fmt.Errorf("hold %d where hold %d belongs", e.Hold, len(s.Holds)+1)
		}
		s.Holds = append(s.Holds, &Hold{HeldBack: e, At: rec.At, By: rec.Actor})
	case HoldLifted:
		return true, s.lift(rec, e.Hold, e.Reason)
	case Moved:
		ns := e.Packages
		if len(ns) == 0 {
			ns = s.Numbers()
		}
		for _, n := range ns {
			s.places[n] = standing{Place: e.Place, at: rec.At}
		}
	case StoreChecked:
		s.StoreCheck = &StoreCheck{StoreChecked: e, At: rec.At, By: rec.Actor}
	case MarksPrinted:
		s.Marks = append(s.Marks, Marking{MarksPrinted: e, At: rec.At, By: rec.Actor})
	case BenchCleaned:
		s.Cleanings = append(s.Cleanings, Cleaning{BenchCleaned: e, At: rec.At, By: rec.Actor})
	case DetailPlanned:
		r, err := s.round(e.Round)
		if err != nil {
			return true, err
		}
		d := &Detail{DetailPlanned: e, At: rec.At, By: rec.Actor, Looks: map[int]DetailLook{}}
		if r.Detail != nil {
			d.Looks = r.Detail.Looks
		}
		r.Detail = d
	case DetailLooked:
		r, err := s.round(e.Round)
		if err != nil {
			return true, err
		}
		if r.Detail == nil {
			return true, fmt.Errorf("a detailed examination without a plan")
		}
		r.Detail.Looks[e.Package] = DetailLook{DetailLooked: e, At: rec.At, By: rec.Actor}
	case ListChanged:
		for _, n := range e.Removed {
			if !s.Present(n) {
				return true, fmt.Errorf("package %d is taken out, but is not there", n)
			}
		}
		s.Lines = Without(s.Lines, e.Removed)
		if slices.ContainsFunc(e.Added, func(l Line) bool { return len(l.Removed) > 0 }) {
			return true, fmt.Errorf("packages are added that are gone already")
		}
		if s.Total()+total(e.Added) > MaxPackages {
			return true, fmt.Errorf("there are more packages than one consignment may have")
		}
		s.Lines = append(s.Lines, e.Added...)
		s.Lists = append(s.Lists, Listing{ListChanged: e, At: rec.At, By: rec.Actor})
	case Treated:
		s.Treatments = append(s.Treatments, Treatment{Treated: e, At: rec.At, By: rec.Actor})
	case Disposed:
		if e.Units == 0 {
			s.Lines = Without(s.Lines, e.Packages)
		}
		s.Disposals = append(s.Disposals, Disposal{Disposed: e, At: rec.At, By: rec.Actor})
	case Loaded:
		s.aboard[e.Package] = rec.At
	case Unloaded:
		if e.Package == 0 {
			clear(s.aboard)
		}
		delete(s.aboard, e.Package)
	case Dispatched:
		if !slices.Equal(e.Short, s.Ashore()) || e.Aboard != len(s.aboard) {
			return true, fmt.Errorf("what left is not what was loaded")
		}
		s.Dispatched = &Leaving{Dispatched: e, At: rec.At, By: rec.Actor}
	default:
		return false, nil
	}
	return true, nil
}

func (s *State) applySample(rec Recorded, e SampleTaken) error {
	r, err := s.round(e.Round)
	if err != nil {
		return err
	}
	x := &Sample{SampleTaken: e, At: rec.At, By: rec.Actor}
	if f := r.Find(e.Find); f != nil {
		x.Package, x.Unit = f.Facts.Package, f.Facts.Unit
	}
	s.Samples = append(s.Samples, x)
	return nil
}

func (s *State) lift(rec Recorded, hold int, why string) error {
	h, err := s.hold(hold)
	if err != nil {
		return err
	}
	h.Lifted = &Lifting{Reason: why, At: rec.At, By: rec.Actor}
	return nil
}

func (s *State) applyStopAnswer(rec Recorded, e StopAnswered) error {
	a := Answering{StopAnswered: e, At: rec.At, By: rec.Actor}
	if e.Hold != 0 {
		h, err := s.hold(e.Hold)
		if err != nil {
			return err
		}
		h.Answers = append(h.Answers, a)
		if e.Answer == StopReleased || e.Answer == StopRejected {
			return s.lift(rec, e.Hold, e.Reason)
		}
		return nil
	}
	r, err := s.round(e.Round)
	if err != nil {
		return err
	}
	r.Answers = append(r.Answers, a)
	if e.Rung == 0 {
		return nil
	}
	for _, f := range r.Finds {
		if f.Rung == ladder.Stop {
			f.Lowered = &Lowering{From: f.Rung, To: e.Rung, Reason: e.Reason, By: rec.Actor, At: rec.At}
			f.Rung = e.Rung
		}
	}
	return nil
}

// CommandOf gives the command that a step after a decision came from, so that it
// can be decided again; nil for other steps and for those that come only with
// another.
func CommandOf(e Event) Command {
	switch e := e.(type) {
	case SampleTaken:
		return TakeSample{Code: e.Sample, Round: e.Round, Find: e.Find, What: e.What, Kept: e.Kept, Part: e.Part, Asked: e.Asked, Note: e.Note, Photos: e.Photos}
	case SampleMoved:
		return MoveSample(e)
	case SampleAnswered:
		return AnswerSample(e)
	case RoundRevised:
		return EndHold{}
	case StopAnswered:
		return AnswerStop{Hold: e.Hold, Answer: e.Answer, Reason: e.Reason, Rung: e.Rung, Office: e.Office, Reference: e.Reference, ToldAt: e.ToldAt}
	case StopStepDone:
		return DoStopStep{Hold: e.Hold, Step: e.Step}
	case HeldBack:
		return HoldBack{Rung: e.Rung, Reason: e.Reason, Source: e.Source}
	case HoldLifted:
		return LiftHold(e)
	case Moved:
		return Move{Packages: e.Packages, Place: e.Place, Sure: true}
	case StoreChecked:
		return CheckStore{Place: e.Place, Yes: e.Yes, No: e.No, Note: e.Note}
	case MarksPrinted:
		return PrintMarks{Sheet: e.Sheet, Marks: e.Marks}
	case BenchCleaned:
		return CleanBench(e)
	case DetailPlanned:
		return PlanDetail{Packages: e.Packages, Reason: e.Reason}
	case DetailLooked:
		return LookDetail{Package: e.Package, Units: e.Units, Affected: e.Affected, What: e.What, Entry: e.Entry, Note: e.Note}
	case ListChanged:
		return ChangeList(e)
	case Treated:
		c := Treat{Treated: e}
		if !e.ReEntry.IsZero() {
			c.ReEntryAfter = e.ReEntry.Sub(e.End)
		}
		if !e.Withholding.IsZero() {
			c.WithholdingAfter = e.Withholding.Sub(e.End)
		}
		return c
	case Disposed:
		return Dispose{e}
	case Loaded:
		return Load{Package: e.Package}
	case Unloaded:
		return Unload(e)
	case Dispatched:
		return Dispatch{Vehicle: e.Vehicle, Seal: e.Seal, Reason: e.Reason}
	}
	return nil
}

// BenchUse is when packages of a round were open on a bench.
type BenchUse struct {
	Round       int
	Bench       string
	First, Last time.Time // when the first and the last package were opened there
}

// BenchUses lists on which benches packages were open, by round.
func (s *State) BenchUses() []BenchUse {
	var uses []BenchUse
	for _, r := range s.Rounds {
		for _, bench := range slices.Sorted(slices.Values(r.benches)) {
			u := BenchUse{Round: r.Number, Bench: bench}
			for _, x := range r.Exams {
				if x.Bench != bench || x.OpenedAt.IsZero() {
					continue
				}
				if u.First.IsZero() || x.OpenedAt.Before(u.First) {
					u.First = x.OpenedAt
				}
				if x.OpenedAt.After(u.Last) {
					u.Last = x.OpenedAt
				}
			}
			uses = append(uses, u)
		}
	}
	return uses
}

// AllIn names the place in which all packages stand, or gives "".
func (s *State) AllIn() string {
	name := ""
	for i, n := range s.Numbers() {
		p := s.places[n].Place
		if p.Code == "" || i > 0 && p.Name != name {
			return ""
		}
		name = p.Name
	}
	return name
}

// WaitingSince is since when the consignment waits for an answer: to the oldest
// hold or stop that stands. Zero if it does not.
func (s *State) WaitingSince() time.Time {
	var since time.Time
	if r := s.Round(); r != nil && r.Ended != nil && (r.Ended.Outcome == Held || r.Ended.Outcome == Stopped) {
		since = r.Ended.At
	}
	for _, h := range s.OpenHolds() {
		if since.IsZero() || h.At.Before(since) {
			since = h.At
		}
	}
	return since
}
