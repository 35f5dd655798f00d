package consignment

import (
	"fmt"
	"maps"
	"reflect"
	"slices"
	"time"

	"lastlook/internal/draw"
)

// Fold makes the state from a consignment's history. The same history always
// gives the same state. A history that cannot have happened (a gap, a draw that
// does not follow from its seed, a step on a round that was never sealed) is an error.
func Fold(history []Recorded) (*State, error) { return fold(history, nil) }

// fold is Fold where the proofs of the draws in proven, by version, are known to hold.
func fold(history []Recorded, proven map[int]bool) (*State, error) {
	s := &State{
		History:    history,
		checks:     map[int]roundChecks{},
		proven:     maps.Clone(proven),
		amendments: map[int]Amendment{},
		places:     map[int]standing{},
		aboard:     map[int]time.Time{},
	}
	for i, rec := range history {
		if rec.Version != i+1 {
			return nil, fmt.Errorf("history has step %d where step %d belongs", rec.Version, i+1)
		}
		if am, ok := rec.Event.(Amended); ok {
			if am.Of < 1 || am.Of >= rec.Version {
				return nil, fmt.Errorf("step %d amends step %d, which does not come before it", rec.Version, am.Of)
			}
			a := Amendment{Version: rec.Version, Reason: am.Reason, By: rec.Actor, At: rec.At}
			if am.With != nil {
				a.With = am.With.Event
			}
			s.amendments[am.Of] = a
		}
		s.Version, s.LastAt = rec.Version, rec.At
	}
	for _, rec := range history {
		e := rec.Event
		am, amended := s.amendments[rec.Version]
		if amended {
			if am.With == nil {
				continue
			}
			e = am.With
		}
		if err := s.apply(rec, e, amended); err != nil {
			return nil, fmt.Errorf("step %d (%s): %w", rec.Version, e.Kind(), err)
		}
	}
	return s, nil
}

// After gives the state after the given events have been added to s.
func (s *State) After(events []Recorded) (*State, error) {
	return fold(append(slices.Clip(slices.Clone(s.History)), events...), s.proven)
}

func (s *State) apply(rec Recorded, event Event, amended bool) error {
	switch e := event.(type) {
	case Amended:
		return nil
	case Registered:
		s.Code, s.Number, s.Invoice, s.Customer = e.Code, e.Number, e.Invoice, e.Customer
		s.Destination, s.DispatchAt, s.Source, s.Fingerprint = e.Destination, e.DispatchAt, e.Source, e.Fingerprint
		s.Lines, s.Registered = slices.Clone(e.Lines), rec.At
		if slices.ContainsFunc(e.Lines, func(l Line) bool { return len(l.Removed) > 0 }) {
			return fmt.Errorf("packages are gone before there were any")
		}
		return nil
	case Rescheduled:
		s.DispatchAt = e.DispatchAt
		return nil
	case Recounted:
		if e.Line < 0 || e.Line >= len(s.Lines) {
			return fmt.Errorf("there is no crop line %d", e.Line)
		}
		s.Lines[e.Line].Packages = e.Packages
		return nil
	case LabelsPrinted:
		s.Labels = append(s.Labels, Printing{LabelsPrinted: e, At: rec.At, By: rec.Actor})
		return nil
	case BenchChecked:
		return s.applyCheck(rec, e)
	case Sealed:
		if e.Round != len(s.Rounds)+1 {
			return fmt.Errorf("round %d is sealed where round %d belongs", e.Round, len(s.Rounds)+1)
		}
		s.Rounds = append(s.Rounds, &Round{
			Number: e.Round, Rules: e.Rules, Packages: e.Packages, Digest: e.Digest, Reason: e.Reason,
			SealedAt: rec.At, SealedBy: rec.Actor,
			Before: s.checks[e.Round].before, Exams: map[int]*Exam{}, last: s.Total(),
		})
		return nil
	}
	if handled, err := s.applyAfter(rec, event); handled {
		return err
	}
	return s.applyToRound(rec, event, amended)
}

func (s *State) applyCheck(rec Recorded, e BenchChecked) error {
	c := &BenchCheck{BenchChecked: e, At: rec.At, By: rec.Actor, Bench: rec.Bench}
	checks := s.checks[e.Round]
	if e.After {
		checks.after = c
	} else {
		checks.before = c
	}
	s.checks[e.Round] = checks
	if e.Round <= len(s.Rounds) && e.Round > 0 {
		r := s.Rounds[e.Round-1]
		r.Before, r.After = checks.before, checks.after
	} else if e.After {
		return fmt.Errorf("a bench check after round %d, which was never sealed", e.Round)
	}
	return nil
}

func (s *State) applyToRound(rec Recorded, event Event, amended bool) error {
	r := s.Round()
	if r == nil {
		return fmt.Errorf("no round was sealed")
	}
	switch e := event.(type) {
	case Drawn:
		return r.applyDraw(s, rec, e)
	case Replaced:
		if r.Exams[e.Package] == nil {
			return fmt.Errorf("package %d is not in the draw", e.Package)
		}
		delete(r.Exams, e.Package)
		r.Exams[e.By] = &Exam{Package: e.By}
		r.Reserves = slices.DeleteFunc(r.Reserves, func(n int) bool { return n == e.By })
		r.Replacements = append(r.Replacements, Replacement{Package: e.Package, By: e.By, Reason: e.Reason, At: rec.At, Actor: rec.Actor})
		return nil
	case FindRecorded:
		f := &Find{ID: e.Find, Event: rec.Version, Facts: e.Facts, Advice: e.Advice, Rung: e.Rung, At: rec.At, By: rec.Actor, Amended: amended}
		r.Finds = append(r.Finds, f)
		if x := r.Exams[e.Facts.Package]; x != nil {
			if u := e.Facts.Unit; u >= 1 && u <= len(x.unit) {
				x.unit[u-1] = WithFind
			} else if u == 0 && x.LookedAt.IsZero() {
				x.LookedAt = rec.At
			}
		}
		return nil
	case FindRaised:
		f := r.Find(e.Find)
		if f == nil {
			return fmt.Errorf("there is no find %d", e.Find)
		}
		if !s.superseded(f, rec) {
			f.Rung = e.Rung
		}
		return nil
	case FindLowered:
		f := r.Find(e.Find)
		if f == nil {
			return fmt.Errorf("there is no find %d", e.Find)
		}
		f.Lowered = &Lowering{From: f.Rung, To: e.Rung, Reason: e.Reason, By: rec.Actor, At: rec.At}
		if s.superseded(f, rec) {
			f.Lowered = nil
		} else {
			f.Rung = e.Rung
		}
		return nil
	case RoundEnded:
		r.end(Ending{Outcome: e.Outcome, Reasons: e.Reasons, ValidUntil: e.ValidUntil, At: rec.At, By: rec.Actor})
		return nil
	}
	return r.applyToExam(rec, event)
}

// superseded reports whether a way up or down the ladder was taken before the
// find was amended. It was about the facts as they stood then, and the amendment
// already took it into account when it set the rung.
func (s *State) superseded(f *Find, move Recorded) bool {
	am, ok := s.amendments[f.Event]
	return ok && move.Version < am.Version
}

func (r *Round) applyDraw(s *State, rec Recorded, e Drawn) error {
	if !r.DrawnAt.IsZero() {
		return fmt.Errorf("round %d is drawn twice", r.Number)
	}
	if err := s.checkProof(r, rec.Version, e); err != nil {
		return err
	}
	sel, err := s.selection(e.Seed, r.Packages, len(e.Examine), e.Quotas)
	if err != nil {
		return err
	}
	if !slices.Equal(sel.Examine, e.Examine) {
		return fmt.Errorf("the draw does not follow from its seed")
	}
	r.Seed, r.Proof, r.Quotas, r.Drawn, r.Reserves, r.DrawnAt = e.Seed, e.Evidence, e.Quotas, e.Examine, sel.Reserves, rec.At
	for _, n := range e.Examine {
		r.Exams[n] = &Exam{Package: n}
	}
	return nil
}

// checkProof checks that a draw is of this round's sealed list, and that its seed
// follows from its proof. Whether the key is the site's only its ledger can tell.
func (s *State) checkProof(r *Round, version int, e Drawn) error {
	if e.Evidence == nil {
		return nil
	}
	want := s.drawInput(r.Number, r.Rules, r.Packages, len(e.Examine), e.Quotas)
	want.Site = e.Evidence.Input.Site
	if !reflect.DeepEqual(want, e.Evidence.Input) {
		return fmt.Errorf("the proof of the draw is not for the list that was sealed")
	}
	if s.proven[version] {
		return nil
	}
	seed, err := e.Evidence.Seed()
	if err != nil {
		return err
	}
	if seed != e.Seed {
		return fmt.Errorf("the seed of the draw does not follow from its proof")
	}
	if s.proven == nil {
		s.proven = map[int]bool{}
	}
	s.proven[version] = true
	return nil
}

// selection redoes the draw. It needs all packages of the sealed list to be
// those of the lines, which Decide and Fold both guarantee.
// Where packages were taken out, the draw counts those that are there: its first
// is the lowest number still there, and so on.
func (s *State) selection(seed draw.Seed, packages, examine int, quotas []int) (sel draw.Selection, err error) {
	if len(quotas) == 0 {
		sel, err = draw.Select(seed, packages, examine)
	} else {
		sel, err = draw.SelectSpread(seed, Sizes(s.Lines), quotas)
	}
	if err != nil || s.Count() == s.Total() {
		return sel, err
	}
	there := s.Numbers()
	if packages != len(there) {
		return sel, fmt.Errorf("%d packages are drawn from, %d are there", packages, len(there))
	}
	for _, ns := range [][]int{sel.Examine, sel.Reserves} {
		for i, n := range ns {
			ns[i] = there[n-1]
		}
	}
	return sel, nil
}

func (r *Round) applyToExam(rec Recorded, event Event) error {
	on := func(pkg int) (*Exam, error) {
		if x := r.Exams[pkg]; x != nil {
			return x, nil
		}
		return nil, fmt.Errorf("package %d is not to be examined", pkg)
	}
	switch e := event.(type) {
	case Fetched:
		x, err := on(e.Package)
		if err != nil {
			return err
		}
		x.FetchedAt, x.FetchedBy = rec.At, rec.Actor
	case Opened:
		x, err := on(e.Package)
		if err != nil {
			return err
		}
		x.OpenedAt, x.Bench = rec.At, rec.Bench
		if !slices.Contains(r.benches, rec.Bench) {
			r.benches = append(r.benches, rec.Bench)
		}
		if r.FirstOpened.IsZero() {
			r.FirstOpened = rec.At
		}
	case PackageLooked:
		x, err := on(e.Package)
		if err != nil {
			return err
		}
		x.LookedAt = rec.At
	case UnitsCounted:
		x, err := on(e.Package)
		if err != nil {
			return err
		}
		x.Units = e.Units
		old := x.unit
		x.unit = make([]UnitState, e.Units)
		copy(x.unit, old)
	case UnitsClean:
		x, err := on(e.Package)
		if err != nil {
			return err
		}
		for _, sp := range e.Units {
			if sp.From < 1 || sp.To > len(x.unit) || sp.From > sp.To {
				return fmt.Errorf("units %d to %d of %d", sp.From, sp.To, len(x.unit))
			}
			for u := sp.From; u <= sp.To; u++ {
				if x.unit[u-1] == Unseen {
					x.unit[u-1] = Clean
				}
			}
		}
	case LooksConfirmed:
		x, err := on(e.Package)
		if err != nil {
			return err
		}
		x.Looks = &e
	case PackageClosed:
		x, err := on(e.Package)
		if err != nil {
			return err
		}
		x.ClosedAt = rec.At
	default:
		return fmt.Errorf("no rule for this step")
	}
	return nil
}
