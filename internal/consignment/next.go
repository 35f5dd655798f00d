package consignment

// StepKind is a screen's worth of work.
type StepKind string

// The steps, in the order in which a round takes them.
const (
	StepLabels   StepKind = "labels"   // print the labels
	StepBefore   StepKind = "before"   // make the bench fit for use, and check it
	StepSeal     StepKind = "seal"     // count, seal and draw
	StepFetch    StepKind = "fetch"    // find and scan the drawn packages
	StepOpen     StepKind = "open"     // open the next package
	StepExamine  StepKind = "examine"  // look at the units of an open package
	StepAfter    StepKind = "after"    // check the bench again
	StepConclude StepKind = "conclude" // decide the outcome
	StepDone     StepKind = "done"     // the round is over
)

// Step is what comes next for a consignment at one bench.
type Step struct {
	Kind    StepKind
	Package int // for open and examine
}

// Next says what comes next at the given bench, so that one tap or scan opens
// it. It is a function of the events alone: after a power cut the bench is at the
// same unit of the same package.
func Next(s *State, bench string) Step {
	r := s.Round()
	switch {
	case r != nil && r.Ended != nil:
		if b := s.BeforeCheck(); b != nil && len(b.No) == 0 && s.Dispatched == nil {
			return Step{Kind: StepSeal} // it comes back, and the bench is ready
		}
		return Step{Kind: StepDone}
	case r == nil && len(s.Labels) == 0:
		return Step{Kind: StepLabels}
	}
	if b := s.BeforeCheck(); b == nil || len(b.No) > 0 {
		return Step{Kind: StepBefore}
	}
	if r == nil {
		return Step{Kind: StepSeal}
	}
	if x := r.OpenAt(bench); x != nil {
		return Step{Kind: StepExamine, Package: x.Package}
	}
	if c := r.Conclude(s.LastAt); c.Outcome != "" && c.Outcome != Passed {
		return Step{Kind: StepConclude}
	}
	ready := 0
	for _, n := range r.ToExamine() {
		switch x := r.Exams[n]; {
		case x.FetchedAt.IsZero():
			return Step{Kind: StepFetch}
		case x.OpenedAt.IsZero() && ready == 0:
			ready = n
		}
	}
	switch {
	case ready > 0:
		return Step{Kind: StepOpen, Package: ready}
	case r.unexamined() > 0: // open on another bench
		return Step{Kind: StepFetch}
	case r.After == nil || len(r.After.No) > 0:
		return Step{Kind: StepAfter}
	}
	return Step{Kind: StepConclude}
}
