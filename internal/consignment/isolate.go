package consignment

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"lastlook/internal/ladder"
	"lastlook/internal/sampling"
	"lastlook/internal/say"
)

type (
	// DetailPlanned is the plan of the detailed examination of a rejected
	// consignment: all packages of the affected crop lines, and a sample of the rest
	// (ISPM 31, hypergeometric).
	DetailPlanned struct {
		Round      int           `json:"round"`
		Lines      []int         `json:"lines,omitempty"` // affected crop lines, from 0
		Confidence sampling.Rate `json:"confidence"`
		Detect     sampling.Rate `json:"detect"`
		Rest       int           `json:"rest"`     // packages sampled of the other lines
		Packages   []int         `json:"packages"` // all to examine, in the order of their numbers
		Reason     string        `json:"reason,omitempty"`
	}

	// DetailLooked records what one package of the detailed examination showed.
	DetailLooked struct {
		Round    int       `json:"round"`
		Package  int       `json:"package"`
		Units    int       `json:"units"`
		Affected int       `json:"affected"` // units that show it
		What     What      `json:"what,omitempty"`
		Entry    *EntryPin `json:"entry,omitempty"`
		Note     string    `json:"note,omitempty"`
	}

	// ListChanged changes the packages of a consignment that comes back. Numbers stay
	// what they are: a package that left leaves a gap, packages that came are numbered
	// on.
	ListChanged struct {
		Removed  []int  `json:"removed,omitempty"`
		Added    []Line `json:"added,omitempty"`
		Repacked []int  `json:"repacked,omitempty"` // packages whose units were put into them anew
		Reason   string `json:"reason"`
	}
)

// Kind names the event in storage.
func (DetailPlanned) Kind() string { return "detail_planned" }

// Kind names the event in storage.
func (DetailLooked) Kind() string { return "detail_looked" }

// Kind names the event in storage.
func (ListChanged) Kind() string { return "list_changed" }

type (
	// PlanDetail plans the detailed examination. No packages takes the plan as it is
	// worked out; others need a supervisor and a reason.
	PlanDetail struct {
		Packages []int
		Reason   string
	}

	// LookDetail records what one package of the detailed examination showed.
	LookDetail struct {
		Package  int
		Units    int
		Affected int
		What     What
		Entry    *EntryPin
		Note     string
	}

	// ChangeList changes the packages between rounds, with a reason.
	ChangeList struct {
		Removed  []int
		Added    []Line
		Repacked []int
		Reason   string
	}
)

func (PlanDetail) isCommand() {}
func (LookDetail) isCommand() {}
func (ChangeList) isCommand() {}

// Detail is the detailed examination of a rejected round.
type Detail struct {
	DetailPlanned
	At    time.Time
	By    Actor
	Looks map[int]DetailLook // newest by package
}

// DetailLook is what one package showed, as recorded.
type DetailLook struct {
	DetailLooked
	At time.Time
	By Actor
}

// Left lists the packages still to be examined.
func (d *Detail) Left() []int {
	var left []int
	for _, n := range d.Packages {
		if _, ok := d.Looks[n]; !ok {
			left = append(left, n)
		}
	}
	return left
}

// Infested lists the packages in which something was found, finds of the round
// itself included.
func (r *Round) Infested() []int {
	seen := map[int]bool{}
	for _, f := range r.Finds {
		if f.Rung >= ladder.Reject {
			seen[f.Facts.Package] = true
		}
	}
	if r.Detail != nil {
		for n, l := range r.Detail.Looks {
			if l.Affected > 0 {
				seen[n] = true
			}
		}
	}
	var ns []int
	for n := range seen {
		ns = append(ns, n)
	}
	slices.Sort(ns)
	return ns
}

// PlanOf works out the plan of the detailed examination of a round. The sample of
// the crop lines not affected is the next of them in the order of the round's
// draw, so nobody chooses it either.
func (s *State) PlanOf(r *Round) (DetailPlanned, error) {
	p := DetailPlanned{Round: r.Number, Confidence: r.Rules.DetailConfidence, Detect: r.Rules.DetailDetect}
	if p.Confidence == 0 {
		p.Confidence = sampling.DefaultConfidence
	}
	if p.Detect == 0 {
		p.Detect = 5 * sampling.Percent
	}
	affected := map[int]bool{}
	for _, n := range r.Infested() {
		if pkg, ok := s.Package(n); ok {
			affected[pkg.Line] = true
		}
	}
	rest := 0
	for _, n := range s.Numbers() {
		pkg, _ := s.Package(n)
		if affected[pkg.Line] {
			p.Packages = append(p.Packages, n)
		} else {
			rest++
		}
	}
	for i := range s.Lines {
		if affected[i] {
			p.Lines = append(p.Lines, i)
		}
	}
	if rest > 0 {
		n := rest
		if p.Detect.Down(rest) > 0 {
			plan, err := sampling.Hypergeometric(rest, sampling.Demand{Confidence: p.Confidence, Detect: p.Detect, Efficacy: sampling.Whole})
			if err != nil {
				return p, err
			}
			n = plan.Examine
		}
		for _, k := range slices.Concat(r.Reserves, r.Drawn) {
			if pkg, ok := s.Package(k); p.Rest < n && ok && s.Present(k) && !affected[pkg.Line] {
				p.Packages = append(p.Packages, k)
				p.Rest++
			}
		}
	}
	slices.Sort(p.Packages)
	return p, nil
}

// rejectedRound gives the newest round if it ended rejected.
func (s *State) rejectedRound() (*Round, error) {
	r := s.Round()
	if r == nil || r.Ended == nil || r.Ended.Outcome != Rejected {
		return nil, say.Refuse(say.Illegal, "Only rejected goods are examined in detail: %s is %s.", s.Number, s.Standing().Words())
	}
	return r, nil
}

func (s *State) decidePlan(m Meta, c PlanDetail) ([]Event, error) {
	r, err := s.rejectedRound()
	if err != nil {
		return nil, err
	}
	if r.Detail != nil && len(r.Detail.Looks) > 0 && !m.Actor.Has(Supervisor) {
		return nil, say.Refuse(say.Forbidden, "The detailed examination has begun: only a supervisor changes its plan. Call one.")
	}
	p, err := s.PlanOf(r)
	if err != nil {
		return nil, err
	}
	ns := slices.Compact(slices.Sorted(slices.Values(c.Packages)))
	if len(ns) == 0 || slices.Equal(ns, p.Packages) {
		if r.Detail != nil && slices.Equal(r.Detail.Packages, p.Packages) {
			return nil, say.Refuse(say.Illegal, "That is the plan already.")
		}
		return []Event{p}, nil
	}
	if !m.Actor.Has(Supervisor) {
		return nil, say.Refuse(say.Forbidden, "Only a supervisor changes the plan of the detailed examination: call one.")
	}
	for _, n := range ns {
		if !s.Present(n) {
			return nil, s.absent(n)
		}
	}
	if p.Reason, err = reason(c.Reason, "Say why the plan is changed."); err != nil {
		return nil, err
	}
	p.Packages = ns
	return []Event{p}, nil
}

func (s *State) decideDetail(c LookDetail) ([]Event, error) {
	r, err := s.rejectedRound()
	if err != nil {
		return nil, err
	}
	if r.Detail == nil {
		return nil, say.Refuse(say.Illegal, "There is no plan for the detailed examination yet: make it first.")
	}
	switch {
	case !s.Present(c.Package):
		return nil, s.absent(c.Package)
	case !slices.Contains(r.Detail.Packages, c.Package):
		return nil, say.Refuse(say.Illegal, "Package %03d is not in the plan. A supervisor can change the plan.", c.Package)
	case c.Units < 1 || c.Units > MaxUnits:
		return nil, say.Refuse(say.Invalid, "%d units cannot be: give a number from 1 to %d.", c.Units, MaxUnits).For("units")
	case c.Affected < 0 || c.Affected > c.Units:
		return nil, say.Refuse(say.Invalid, "%d units affected cannot be: give a number from 0 to %d.", c.Affected, c.Units).For("affected")
	case c.Affected > 0 && whatWords[c.What].IsZero():
		return nil, say.Refuse(say.Invalid, "Say what is seen, or press I don't know.").For("what")
	case c.Affected == 0 && (c.What != "" || c.Entry != nil):
		return nil, say.Refuse(say.Invalid, "Say how many units show it.").For("affected")
	}
	if err := tooLong(c.Note, "note"); err != nil {
		return nil, err
	}
	looked := DetailLooked{Round: r.Number, Package: c.Package, Units: c.Units, Affected: c.Affected, What: c.What, Entry: c.Entry, Note: strings.TrimSpace(c.Note)}
	if c.What != Suspect && (c.Entry == nil || c.Entry.Rung != ladder.Stop) {
		return []Event{looked}, nil
	}
	// A suspected quarantine pest stops the goods wherever it is met.
	hold, err := s.decideHoldBack(HoldBack{Rung: ladder.Stop, Reason: fmt.Sprintf("Suspected quarantine pest in package %03d, seen in the detailed examination.", c.Package)})
	if say.CodeOf(err) == say.Conflict {
		return []Event{looked}, nil // stopped already
	}
	return append([]Event{looked}, hold...), err
}

// mayRemove refuses the removal of infested packages where the rule set does not
// allow to draw again from the rest.
func (s *State) mayRemove(removed []int) error {
	r := s.Round()
	if r == nil || r.Ended == nil || r.Ended.Outcome != Rejected {
		return nil
	}
	infested := r.Infested()
	i := slices.IndexFunc(removed, func(n int) bool { return slices.Contains(infested, n) })
	if i < 0 {
		return nil
	}
	switch r.Rules.RemoveInfested {
	case RemoveAlways:
		return nil
	case RemoveNever:
		return say.Refuse(say.Forbidden, "Package %03d is infested, and the rules do not let infested packages be taken out and the rest be inspected again. Treat the whole consignment, or dispose of it.", removed[i])
	}
	if r.Detail == nil || len(r.Detail.Left()) > 0 {
		return say.Refuse(say.Illegal, "Package %03d is infested: it may be taken out once the detailed examination of the rest is finished.", removed[i])
	}
	return nil
}

func (s *State) decideList(c ChangeList) ([]Event, error) {
	if s.Running() != nil {
		return nil, say.Refuse(say.Illegal, "The package list is sealed: it cannot change until round %d is over.", len(s.Rounds))
	}
	if s.Dispatched != nil {
		return nil, s.gone()
	}
	if err := s.free(); err != nil {
		return nil, err
	}
	if r := s.Round(); r != nil && (r.Ended.Outcome == Held || r.Ended.Outcome == Stopped) {
		return nil, say.Refuse(say.Illegal, "Round %d is over (%s): nothing is taken out or added until that is answered.", r.Number, r.Ended.Outcome.Words())
	}
	if n := len(s.Aboard()); n > 0 {
		return nil, say.Refuse(say.Illegal, "%d packages are on the vehicle: unload them first.", n)
	}
	why, err := reason(c.Reason, "Say why the packages change.")
	if err != nil {
		return nil, err
	}
	e := ListChanged{Reason: why, Added: c.Added}
	e.Removed = slices.Compact(slices.Sorted(slices.Values(c.Removed)))
	e.Repacked = slices.Compact(slices.Sorted(slices.Values(c.Repacked)))
	if len(e.Removed)+len(e.Added)+len(e.Repacked) == 0 {
		return nil, say.Refuse(say.Invalid, "Say which packages were taken out, added or repacked.").For("removed")
	}
	for _, n := range slices.Concat(e.Removed, e.Repacked) {
		if !s.Present(n) {
			return nil, s.absent(n)
		}
	}
	for _, n := range e.Repacked {
		if slices.Contains(e.Removed, n) {
			return nil, say.Refuse(say.Invalid, "Package %03d cannot be taken out and repacked at once.", n).For("removed")
		}
	}
	for i, l := range e.Added {
		if err := checkLine(len(s.Lines)+i, l); err != nil {
			return nil, err
		}
	}
	switch {
	case s.Count()+total(e.Added)-len(e.Removed) < 1:
		return nil, say.Refuse(say.Invalid, "A consignment needs at least one package.").For("removed")
	case s.Total()+total(e.Added) > MaxPackages:
		return nil, say.Refuse(say.Invalid, "%d packages are more than one consignment may have (%d): split it.", s.Total()+total(e.Added), MaxPackages).For("added")
	}
	if err := s.mayRemove(e.Removed); err != nil {
		return nil, err
	}
	return []Event{e}, nil
}

// Without gives the crop lines with packages taken out.
func Without(lines []Line, numbers []int) []Line {
	out := slices.Clone(lines)
	for _, n := range numbers {
		first := 1
		for i := range out {
			l := &out[i]
			if n >= first && n < first+l.Packages {
				l.Removed = slices.Compact(slices.Sorted(slices.Values(append(slices.Clone(l.Removed), n))))
			}
			first += l.Packages
		}
	}
	return out
}

// Numbers gives the numbers of the packages that are there, in order.
func (s *State) Numbers() []int {
	ns := make([]int, 0, s.Count())
	first := 1
	for _, l := range s.Lines {
		for n := first; n < first+l.Packages; n++ {
			if _, gone := slices.BinarySearch(l.Removed, n); !gone {
				ns = append(ns, n)
			}
		}
		first += l.Packages
	}
	return ns
}

// Present reports whether there is a package with this number and it was not
// taken out.
func (s *State) Present(n int) bool {
	p, ok := s.Package(n)
	if !ok {
		return false
	}
	_, gone := slices.BinarySearch(p.CropLine.Removed, n)
	return !gone
}

// absent says why a package is not there.
func (s *State) absent(n int) error {
	if _, ok := s.Package(n); ok {
		return say.Refuse(say.Illegal, "Package %03d was taken out of %s: it does not belong to it any more. Put it aside and ask the supervisor.", n, s.Number)
	}
	return say.Refuse(say.NotFound, "There is no package %d: they are numbered 1 to %d.", n, s.Total())
}

// Count is the number of packages that are there.
func (s *State) Count() int {
	n := 0
	for _, l := range s.Lines {
		n += l.Present()
	}
	return n
}

// Present is the number of packages of the line that are there.
func (l Line) Present() int { return l.Packages - len(l.Removed) }
