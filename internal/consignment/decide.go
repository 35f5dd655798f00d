package consignment

import (
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"lastlook/internal/draw"
	"lastlook/internal/ladder"
	"lastlook/internal/sampling"
	"lastlook/internal/say"
)

// maxReason is the longest reason or note, in characters.
const maxReason = 1000

// Decide says what follows from a command: one or more events, or a refusal
// (a [say.Refusal]) whose sentence says what is wrong and what to do next. It
// changes nothing.
func Decide(s *State, m Meta, c Command) ([]Event, error) {
	if m.Actor.ID == "" {
		return nil, say.Refuse(say.Forbidden, "Say who you are first: choose your name or scan your badge.")
	}
	if m.At.Before(s.LastAt) {
		return nil, say.Refuse(say.Clock, "The clock says %s, but the last step was at %s. Set the clock right, then do this step again.",
			say.Moment(m.At), say.Moment(s.LastAt))
	}
	if reg, ok := c.(Register); ok {
		return decideRegister(s, m, reg)
	}
	if !s.Exists() {
		return nil, say.Refuse(say.NotFound, "There is no such consignment. Import its order first.")
	}
	switch c := c.(type) {
	case Reschedule:
		return s.decideReschedule(m, c)
	case Recount:
		return s.decideRecount(c)
	case PrintLabels:
		return s.decideLabels(c)
	case CheckBench:
		return s.decideCheck(m, c)
	case Seal:
		return s.decideSeal(m, c)
	}
	if events, handled, err := s.decideAfter(m, c); handled {
		return events, err
	}
	r := s.Running()
	if lower, ok := c.(LowerFind); ok && r == nil {
		if last := s.Round(); last != nil && last.Ended.Outcome == Held {
			return last.decideLower(m, lower)
		}
	}
	if err := s.free(); err != nil {
		return nil, err
	}
	if r == nil {
		if last := s.Round(); last != nil {
			return nil, say.Refuse(say.Illegal, "Round %d is over (%s): nothing more can be recorded in it.", last.Number, last.Ended.Outcome.Words())
		}
		return nil, say.Refuse(say.Illegal, "Nothing is sealed yet: seal the package list first.")
	}
	switch c := c.(type) {
	case Fetch:
		return r.decideFetch(c)
	case Replace:
		return s.decideReplace(r, c)
	case Open:
		return s.decideOpen(r, m, c)
	case LookPackage:
		return r.decideLook(c)
	case CountUnits:
		return r.decideCount(c)
	case CleanUnit:
		return r.decideClean(c)
	case CleanRest:
		return r.decideRest(c)
	case ConfirmLooks:
		return r.decideLooks(c)
	case RecordFind:
		return s.decideFind(r, c)
	case RaiseFind:
		return r.decideRaise(c)
	case LowerFind:
		return r.decideLower(m, c)
	case AmendFind:
		return s.decideAmend(r, m, c)
	case ClosePackage:
		return r.decideClose(c)
	case Undo:
		return s.decideUndo(r, m, c)
	case EndRound:
		return r.decideEnd(m)
	}
	return nil, say.Refuse(say.Invalid, "The bench does not know this step.")
}

// reason checks a reason that must be given.
func reason(text string, what string) (string, error) {
	text = strings.TrimSpace(text)
	if text == "" {
		return "", say.Refuse(say.Invalid, what).For("reason")
	}
	if utf8.RuneCountInString(text) > maxReason {
		return "", say.Refuse(say.Invalid, "The reason is longer than %d characters: shorten it.", maxReason).For("reason")
	}
	return text, nil
}

func decideRegister(s *State, m Meta, c Register) ([]Event, error) {
	if s.Exists() {
		return nil, say.Refuse(say.Conflict, "Consignment %s is here already.", s.Number)
	}
	e := c.Registered
	switch {
	case strings.TrimSpace(e.Number) == "":
		return nil, say.Refuse(say.Invalid, "The consignment has no number: give it one.").For("number")
	case strings.TrimSpace(e.Customer) == "":
		return nil, say.Refuse(say.Invalid, "The customer is missing: say who the plants are for.").For("customer")
	case strings.TrimSpace(e.Destination) == "":
		return nil, say.Refuse(say.Invalid, "The destination is missing: say where the plants go.").For("destination")
	case e.Code == "":
		return nil, say.Refuse(say.Invalid, "The consignment has no code of its own yet.")
	case e.DispatchAt.IsZero():
		return nil, say.Refuse(say.Invalid, "The dispatch time is missing: say when it leaves.").For("dispatch")
	case e.DispatchAt.Before(m.At):
		return nil, say.Refuse(say.Invalid, "The dispatch time has passed: correct it.").For("dispatch")
	case len(e.Lines) == 0:
		return nil, say.Refuse(say.Invalid, "The consignment has no crop line: add at least one.").For("crop")
	}
	for i, l := range e.Lines {
		if err := checkLine(i, l); err != nil {
			return nil, err
		}
	}
	if n := total(e.Lines); n > MaxPackages {
		return nil, say.Refuse(say.Invalid, "%d packages are more than one consignment may have (%d): split it.", n, MaxPackages).For("packages")
	}
	e.DispatchAt = e.DispatchAt.UTC()
	return []Event{e}, nil
}

func checkLine(i int, l Line) error {
	switch {
	case strings.TrimSpace(l.Crop) == "":
		return say.Refuse(say.Invalid, "Crop line %d has no crop: name it.", i+1).For("crop")
	case l.Packages < 1:
		return say.Refuse(say.Invalid, "Crop line %d has %d packages: there must be at least one.", i+1, l.Packages).For("packages")
	case l.Packages > MaxPackages:
		return say.Refuse(say.Invalid, "Crop line %d has %d packages: a consignment may have %d. Split it.", i+1, l.Packages, MaxPackages).For("packages")
	case l.UnitsPerPackage < 1 || l.UnitsPerPackage > MaxUnits:
		return say.Refuse(say.Invalid, "Crop line %d has %d units a package: give a number from 1 to %d.", i+1, l.UnitsPerPackage, MaxUnits).For("units")
	case len(l.Removed) > 0:
		return say.Refuse(say.Invalid, "Crop line %d lists packages as taken out that never were in: leave them out.", i+1).For("packages")
	case len(l.Refs) > 0 && len(l.Refs) != l.Packages:
		return say.Refuse(say.Invalid, "Crop line %d lists %d packages but counts %d: make them agree.", i+1, len(l.Refs), l.Packages).For("packages")
	}
	return nil
}

func (s *State) decideReschedule(m Meta, c Reschedule) ([]Event, error) {
	why, err := reason(c.Reason, "Say why the dispatch time changes.")
	if err != nil {
		return nil, err
	}
	if c.DispatchAt.Before(m.At) {
		return nil, say.Refuse(say.Invalid, "The dispatch time has passed: correct it.").For("dispatch")
	}
	if c.DispatchAt.Equal(s.DispatchAt) {
		return nil, say.Refuse(say.Invalid, "That is the dispatch time already.").For("dispatch")
	}
	return []Event{Rescheduled{DispatchAt: c.DispatchAt.UTC(), Reason: why}}, nil
}

func (s *State) decideRecount(c Recount) ([]Event, error) {
	if s.Running() != nil {
		return nil, say.Refuse(say.Illegal, "The package list is sealed: it cannot change until round %d is over.", len(s.Rounds))
	}
	if len(s.Rounds) > 0 {
		return nil, say.Refuse(say.Illegal, "It was inspected already, so its packages keep their numbers: say which packages were taken out, added or repacked.")
	}
	if c.Line < 0 || c.Line >= len(s.Lines) {
		return nil, say.Refuse(say.NotFound, "There is no crop line %d.", c.Line+1)
	}
	why, err := reason(c.Reason, "Say why the number of packages changes.")
	if err != nil {
		return nil, err
	}
	l := s.Lines[c.Line]
	if c.Packages == l.Packages {
		return nil, say.Refuse(say.Invalid, "%s already counts %d packages.", l.Crop, l.Packages).For("packages")
	}
	rest := s.Total() - l.Packages
	switch {
	case c.Packages < 0 || rest+c.Packages == 0:
		return nil, say.Refuse(say.Invalid, "A consignment needs at least one package.").For("packages")
	case rest+c.Packages > MaxPackages:
		return nil, say.Refuse(say.Invalid, "%d packages are more than one consignment may have (%d): split it.", rest+c.Packages, MaxPackages).For("packages")
	}
	return []Event{Recounted{Line: c.Line, Packages: c.Packages, Reason: why}}, nil
}

func (s *State) decideLabels(c PrintLabels) ([]Event, error) {
	n := s.Total()
	if c.From < 1 || c.To < c.From || c.To > n {
		return nil, say.Refuse(say.Invalid, "Labels %d to %d do not exist: the packages are numbered 1 to %d.", c.From, c.To, n).For("from")
	}
	if utf8.RuneCountInString(c.Reason) > maxReason {
		return nil, say.Refuse(say.Invalid, "The reason is longer than %d characters: shorten it.", maxReason).For("reason")
	}
	return []Event{LabelsPrinted{Sheet: c.Sheet, From: c.From, To: c.To, Reason: strings.TrimSpace(c.Reason)}}, nil
}

func (s *State) decideCheck(m Meta, c CheckBench) ([]Event, error) {
	r := s.Running()
	rules := c.Rules
	if r != nil {
		rules = r.Rules
	}
	items := rules.Before
	if c.After {
		if r == nil {
			return nil, say.Refuse(say.Illegal, "No inspection is under way: there is nothing to check the bench after.")
		}
		if left := r.unexamined(); left > 0 && r.Highest() < ladder.Reject {
			return nil, say.Refuse(say.Illegal, "%d packages are not examined yet: check the bench after the last one.", left)
		}
		if r.After != nil && r.benchFound(r.After.BenchChecked) {
			return nil, say.Refuse(say.Illegal, "The bench check found something that rejects: cleaning up does not undo it. End the round, or call a supervisor.")
		}
		items = rules.After
	} else if last := s.Round(); r == nil && last != nil && last.Ended.Outcome != Rejected && last.Ended.Outcome != Passed {
		return nil, say.Refuse(say.Illegal, "Round %d is over (%s): a new inspection cannot begin yet.", last.Number, last.Ended.Outcome.Words())
	} else if err := s.mayInspect(m); err != nil {
		return nil, err
	}
	if err := answerItems(items, c.Yes, c.No); err != nil {
		return nil, err
	}
	if utf8.RuneCountInString(c.Note) > maxReason {
		return nil, say.Refuse(say.Invalid, "The note is longer than %d characters: shorten it.", maxReason).For("note")
	}
	return []Event{BenchChecked{Round: s.upcoming(), After: c.After, Yes: c.Yes, No: c.No, Note: strings.TrimSpace(c.Note)}}, nil
}

func (s *State) decideSeal(m Meta, c Seal) ([]Event, error) {
	n := s.Count()
	if n == 0 {
		return nil, say.Refuse(say.Illegal, "The package list is empty: there is nothing to seal.")
	}
	if r := s.Running(); r != nil {
		return nil, say.Refuse(say.Illegal, "The list is sealed already and %d packages are drawn: nobody can draw twice.", len(r.Drawn))
	}
	why := strings.TrimSpace(c.Reason)
	if last := s.Round(); last != nil {
		switch last.Ended.Outcome {
		case Held, Stopped:
			return nil, say.Refuse(say.Illegal, "Round %d is over (%s): a new inspection cannot begin until that is answered.", last.Number, last.Ended.Outcome.Words())
		case Passed:
			if !m.At.After(last.Ended.ValidUntil) && !s.DispatchAt.After(last.Ended.ValidUntil) {
				return nil, say.Refuse(say.Illegal, "It passed already, and is good until %s.", say.Moment(last.Ended.ValidUntil))
			}
		}
		var err error
		if why, err = reason(c.Reason, "Say why it is inspected again."); err != nil {
			return nil, err
		}
	}
	if err := s.mayInspect(m); err != nil {
		return nil, err
	}
	if c.Counted != n {
		return nil, say.Refuse(say.Invalid, "You counted %d packages, the list has %d: count again, or correct the list.", c.Counted, n).For("counted")
	}
	if c.Rules.WindowHours < 1 {
		return nil, say.Refuse(say.Invalid, "The rule set has no window between inspection and dispatch: the supervisor must set one.")
	}
	plan, err := sampling.ByRate(n, c.Rules.Rate, c.Rules.Minimum)
	if err != nil {
		return nil, err
	}
	round := len(s.Rounds) + 1
	drawn := Drawn{Round: round}
	if c.Rules.Spread && len(s.Lines) > 1 {
		if drawn.Quotas, err = sampling.Allocate(plan.Examine, Sizes(s.Lines)); err != nil {
			return nil, err
		}
	}
	seed, evidence, err := m.Prover.Draw(s.drawInput(round, c.Rules, n, plan.Examine, drawn.Quotas))
	if err != nil {
		return nil, err
	}
	drawn.Seed, drawn.Evidence = seed, &evidence
	sel, err := s.selection(seed, n, plan.Examine, drawn.Quotas)
	if err != nil {
		return nil, err
	}
	drawn.Examine = sel.Examine
	return []Event{
		Sealed{Round: round, Rules: c.Rules, Packages: n, Digest: s.ListDigest(round), Reason: why},
		drawn,
	}, nil
}

// exam finds a package to examine or says why there is none.
func (r *Round) exam(pkg int) (*Exam, error) {
	if x := r.Exams[pkg]; x != nil {
		return x, nil
	}
	for _, rep := range r.Replacements {
		if rep.Package == pkg {
			return nil, say.Refuse(say.Illegal, "Package %03d could not be reached and was replaced by %03d: fetch %03d.", pkg, rep.By, rep.By)
		}
	}
	if pkg < 1 || pkg > r.last {
		return nil, say.Refuse(say.NotFound, "There is no package %d: they are numbered 1 to %d.", pkg, r.last)
	}
	return nil, say.Refuse(say.Illegal, "Package %03d is not in the draw: put it back.", pkg)
}

// onBench finds a package that is open, which every step of an examination needs.
func (r *Round) onBench(pkg int) (*Exam, error) {
	x, err := r.exam(pkg)
	switch {
	case err != nil:
		return nil, err
	case x.Closed():
		return nil, say.Refuse(say.Illegal, "Package %03d is closed: undo the closing first if something was missed.", pkg)
	case !x.Open():
		return nil, say.Refuse(say.Illegal, "Package %03d is not open: open it first.", pkg)
	}
	return x, nil
}

func (r *Round) decideFetch(c Fetch) ([]Event, error) {
	x, err := r.exam(c.Package)
	if err != nil {
		return nil, err
	}
	if !x.FetchedAt.IsZero() {
		return nil, say.Refuse(say.Illegal, "Package %03d is here already.", c.Package)
	}
	return []Event{Fetched{Round: r.Number, Package: c.Package}}, nil
}

func (s *State) decideReplace(r *Round, c Replace) ([]Event, error) {
	x, err := r.exam(c.Package)
	if err != nil {
		return nil, err
	}
	if !x.OpenedAt.IsZero() {
		return nil, say.Refuse(say.Illegal, "Package %03d was opened: it cannot be replaced any more.", c.Package)
	}
	why, err := reason(c.Reason, "Say why the package cannot be reached.")
	if err != nil {
		return nil, err
	}
	by, err := s.nextReserve(r, c.Package)
	if err != nil {
		return nil, err
	}
	return []Event{Replaced{Round: r.Number, Package: c.Package, By: by, Reason: why}}, nil
}

// nextReserve is the next package in draw order, of the same crop line where the
// draw is spread and that line has one left.
func (s *State) nextReserve(r *Round, pkg int) (int, error) {
	if len(r.Reserves) == 0 {
		return 0, say.Refuse(say.Illegal, "There is no reserve left: every package is in the draw. Find package %03d.", pkg)
	}
	var lines []int
	if len(r.Quotas) > 0 {
		lines = numbered(s.Lines)
	}
	next, _ := draw.NextReserve(r.Reserves, lines, pkg)
	return next, nil
}

func (s *State) decideOpen(r *Round, m Meta, c Open) ([]Event, error) {
	x, err := r.exam(c.Package)
	if err != nil {
		return nil, err
	}
	switch {
	case x.Closed():
		return nil, say.Refuse(say.Illegal, "Package %03d is examined already.", c.Package)
	case x.Open():
		return nil, say.Refuse(say.Illegal, "Package %03d is open already.", c.Package)
	case x.FetchedAt.IsZero():
		return nil, say.Refuse(say.Illegal, "Package %03d is not here yet: fetch it and scan it first.", c.Package)
	case r.Before == nil:
		return nil, say.Refuse(say.Illegal, "The bench is not checked yet: check it before the first package is opened.")
	case len(r.Before.No) > 0:
		return nil, say.Refuse(say.Illegal, "The bench is not fit for use: put right what is missing and check it again.")
	}
	if err := s.mayInspect(m); err != nil {
		return nil, err
	}
	if other := r.OpenAt(m.Bench); other != nil {
		return nil, say.Refuse(say.Illegal, "Package %03d is open on this bench: finish it first.", other.Package)
	}
	if r.FirstOpened.IsZero() {
		if early := s.EarliestStart(r.Rules); m.At.Before(early) {
			return nil, say.Refuse(say.Illegal, "Too early: opened now, the inspection lapses before the consignment leaves. Begin at %s or later, or change the dispatch time.",
				say.Moment(early))
		}
	}
	return []Event{Opened{Round: r.Number, Package: c.Package}}, nil
}

func (r *Round) decideLook(c LookPackage) ([]Event, error) {
	x, err := r.onBench(c.Package)
	if err != nil {
		return nil, err
	}
	if !x.LookedAt.IsZero() {
		return nil, say.Refuse(say.Illegal, "The empty package %03d was looked at already.", c.Package)
	}
	return []Event{PackageLooked{Round: r.Number, Package: c.Package}}, nil
}

func (r *Round) decideCount(c CountUnits) ([]Event, error) {
	x, err := r.onBench(c.Package)
	if err != nil {
		return nil, err
	}
	switch {
	case c.Units < 1 || c.Units > MaxUnits:
		return nil, say.Refuse(say.Invalid, "%d units cannot be: give a number from 1 to %d.", c.Units, MaxUnits).For("units")
	case c.Units == x.Units:
		return nil, say.Refuse(say.Illegal, "%d units are counted already.", c.Units)
	case x.Seen() > 0:
		return nil, say.Refuse(say.Illegal, "Units of this package have been looked at: undo back to the count to change it.")
	}
	return []Event{UnitsCounted{Round: r.Number, Package: c.Package, Units: c.Units}}, nil
}

func (r *Round) decideClean(c CleanUnit) ([]Event, error) {
	x, err := r.onBench(c.Package)
	if err != nil {
		return nil, err
	}
	if x.Units == 0 {
		return nil, say.Refuse(say.Illegal, "Count the units first.")
	}
	u := c.Unit
	if u == 0 {
		u = x.NextUnseen()
	}
	switch {
	case u == 0:
		return nil, say.Refuse(say.Illegal, "All %d units are looked at: confirm the looks, then put everything back.", x.Units)
	case u < 1 || u > x.Units:
		return nil, say.Refuse(say.Invalid, "There is no unit %d: the package holds %d.", u, x.Units)
	case x.Unit(u) != Unseen:
		return nil, say.Refuse(say.Illegal, "Unit %d was looked at already.", u)
	}
	return []Event{UnitsClean{Round: r.Number, Package: c.Package, Units: []Span{{From: u, To: u}}}}, nil
}

func (r *Round) decideRest(c CleanRest) ([]Event, error) {
	x, err := r.onBench(c.Package)
	if err != nil {
		return nil, err
	}
	if x.Units == 0 {
		return nil, say.Refuse(say.Illegal, "Count the units first.")
	}
	left := x.Units - x.Seen()
	switch {
	case left == 0:
		return nil, say.Refuse(say.Illegal, "All %d units are looked at: confirm the looks, then put everything back.", x.Units)
	case c.Count != left:
		return nil, say.Refuse(say.Invalid, "You counted %d clean units, but %d are left: count again.", c.Count, left).For("count")
	}
	return []Event{UnitsClean{Round: r.Number, Package: c.Package, Units: x.Unseens(), Counted: true}}, nil
}

func (r *Round) decideLooks(c ConfirmLooks) ([]Event, error) {
	x, err := r.onBench(c.Package)
	if err != nil {
		return nil, err
	}
	if left := x.Units - x.Seen(); x.Units == 0 || left > 0 {
		return nil, say.Refuse(say.Illegal, "Look at every unit first, then confirm the looks.")
	}
	for _, l := range r.Rules.Looks {
		if slices.Contains(c.Made, l) == slices.Contains(c.None, l) {
			return nil, say.Refuse(say.Invalid, "Say for each look that it was made at every unit, or that there is no such part: %s.", l.Words()).For(string(l))
		}
	}
	if len(c.Made)+len(c.None) != len(r.Rules.Looks) {
		return nil, say.Refuse(say.Invalid, "The looks have answers that are not on the list. Open the page again.")
	}
	if len(c.Made) == 0 && len(r.Rules.Looks) > 0 {
		return nil, say.Refuse(say.Invalid, "No look was made: make the looks, then confirm them.")
	}
	return []Event{LooksConfirmed{Round: r.Number, Package: c.Package, Made: c.Made, None: c.None}}, nil
}

// checkFacts checks what a find says of itself.
func checkFacts(x *Exam, f FindFacts) error {
	switch {
	case whatWords[f.What].IsZero():
		return say.Refuse(say.Invalid, "Say what is seen, or press I don't know.").For("what")
	case partWords[f.Part].IsZero():
		return say.Refuse(say.Invalid, "Touch the part where it is seen.").For("part")
	case aliveWords[f.Alive].IsZero():
		return say.Refuse(say.Invalid, "Say whether it is alive, or that you cannot tell.").For("alive")
	case methodWords[f.Method].IsZero():
		return say.Refuse(say.Invalid, "Say how it was seen.").For("method")
	case f.Unit < 0 || f.Unit > max(x.Units, 0):
		return say.Refuse(say.Invalid, "There is no unit %d: the package holds %d.", f.Unit, x.Units).For("unit")
	case f.Units < 1 || f.Units > max(x.Units, 1):
		return say.Refuse(say.Invalid, "%d units affected cannot be: give a number from 1 to %d.", f.Units, max(x.Units, 1)).For("units")
	case utf8.RuneCountInString(f.Note) > maxReason:
		return say.Refuse(say.Invalid, "The note is longer than %d characters: shorten it.", maxReason).For("note")
	case len(f.Photos) > 12:
		return say.Refuse(say.Invalid, "A find can have 12 photos: leave some out.").For("photo")
	}
	return nil
}

func (s *State) decideFind(r *Round, c RecordFind) ([]Event, error) {
	f := c.Facts
	x, err := r.onBench(f.Package)
	if err != nil {
		return nil, err
	}
	if err := checkFacts(x, f); err != nil {
		return nil, err
	}
	f.Note = strings.TrimSpace(f.Note)
	advice := Advise(f, r.Rules)
	rung := c.Rung
	if rung == 0 {
		rung = advice.Rung
	}
	if err := notBelow(rung, advice.Rung); err != nil {
		return nil, err
	}
	events := []Event{FindRecorded{Round: r.Number, Find: s.nextFind(r.Number), Facts: f, Advice: advice, Rung: rung}}
	if rung == ladder.Stop {
		events = append(events, r.stopped(f.Package, f.Unit))
	}
	return events, nil
}

// nextFind numbers finds through a round, counting those taken back, so that a
// number never means two things.
func (s *State) nextFind(round int) int {
	n := 1
	for _, rec := range s.History {
		if e, ok := rec.Event.(FindRecorded); ok && e.Round == round {
			n = max(n, e.Find+1)
		}
	}
	return n
}

func notBelow(rung, floor ladder.Rung) error {
	if !rung.Valid() {
		return say.Refuse(say.Invalid, "Choose a rung of the ladder.").For("rung")
	}
	if rung < floor {
		return say.Refuse(say.Forbidden, "%s is asked for: you can go up from there, only a supervisor can go down.", floor.Word()).For("rung")
	}
	return nil
}

func (r *Round) stopped(pkg, unit int) RoundEnded {
	why := say.T("Package %03d, unit %d: a quarantine pest is suspected.", pkg, unit)
	if unit == 0 {
		why = say.T("Package %03d: a quarantine pest is suspected.", pkg)
	}
	return RoundEnded{Round: r.Number, Outcome: Stopped, Reasons: []say.Text{why}}
}

func (r *Round) find(id int) (*Find, error) {
	if f := r.Find(id); f != nil {
		return f, nil
	}
	return nil, say.Refuse(say.NotFound, "There is no find %d in this round.", id)
}

func (r *Round) decideRaise(c RaiseFind) ([]Event, error) {
	f, err := r.find(c.Find)
	if err != nil {
		return nil, err
	}
	if err := notBelow(c.Rung, f.Rung); err != nil {
		return nil, err
	}
	if c.Rung == f.Rung {
		return nil, say.Refuse(say.Illegal, "The find stands at %s already.", f.Rung.Word())
	}
	events := []Event{FindRaised{Round: r.Number, Find: f.ID, Rung: c.Rung, Reason: strings.TrimSpace(c.Reason)}}
	if c.Rung == ladder.Stop {
		events = append(events, r.stopped(f.Facts.Package, f.Facts.Unit))
	}
	return events, nil
}

func (r *Round) decideLower(m Meta, c LowerFind) ([]Event, error) {
	f, err := r.find(c.Find)
	if err != nil {
		return nil, err
	}
	if !m.Actor.Has(Supervisor) {
		return nil, say.Refuse(say.Forbidden, "Only a supervisor can go down the ladder: call one.")
	}
	if !c.Rung.Valid() || c.Rung >= f.Rung {
		return nil, say.Refuse(say.Invalid, "Choose a rung below %s.", f.Rung.Word()).For("rung")
	}
	why, err := reason(c.Reason, "Say why the find is lowered.")
	if err != nil {
		return nil, err
	}
	return []Event{FindLowered{Round: r.Number, Find: f.ID, Rung: c.Rung, Reason: why}}, nil
}

func (s *State) decideAmend(r *Round, m Meta, c AmendFind) ([]Event, error) {
	f, err := r.find(c.Find)
	if err != nil {
		return nil, err
	}
	why, err := reason(c.Reason, "Say what was wrong with the find.")
	if err != nil {
		return nil, err
	}
	facts := c.Facts
	facts.Note = strings.TrimSpace(facts.Note)
	if facts.Package != f.Facts.Package || facts.Unit != f.Facts.Unit {
		return nil, say.Refuse(say.Illegal, "A find stays with its package and unit: take this one back and record another.")
	}
	x, err := r.exam(facts.Package)
	if err != nil {
		return nil, err
	}
	if err := checkFacts(x, facts); err != nil {
		return nil, err
	}
	advice := Advise(facts, r.Rules)
	rung := max(f.Rung, advice.Rung)
	if m.Actor.Has(Supervisor) {
		rung = advice.Rung
	}
	with := FindRecorded{Round: r.Number, Find: f.ID, Facts: facts, Advice: advice, Rung: rung}
	events := []Event{Amended{Of: f.Event, Reason: why, With: &Replaces{Event: with}}}
	if rung == ladder.Stop {
		events = append(events, r.stopped(facts.Package, facts.Unit))
	}
	return events, nil
}

func (r *Round) decideClose(c ClosePackage) ([]Event, error) {
	x, err := r.onBench(c.Package)
	if err != nil {
		return nil, err
	}
	if left := r.leftIn(x); len(left) > 0 {
		return nil, say.Refuse(say.Illegal, "Package %03d is not finished: %s.", c.Package, left)
	}
	return []Event{PackageClosed{Round: r.Number, Package: c.Package}}, nil
}

// leftIn says what is still to be done in an open package.
func (r *Round) leftIn(x *Exam) []say.Text {
	var left []say.Text
	if x.LookedAt.IsZero() {
		left = append(left, say.T("look at the empty package"))
	}
	if x.Units == 0 {
		left = append(left, say.T("count the units"))
	} else if n := x.Units - x.Seen(); n > 0 {
		left = append(left, say.T("look at %d more units", n))
	}
	if x.Looks == nil && len(r.Rules.Looks) > 0 {
		left = append(left, say.T("confirm the looks"))
	}
	return left
}

// undoable reports whether a step may be taken back at the bench.
func undoable(e Event) bool {
	switch e.(type) {
	case Fetched, Opened, PackageLooked, UnitsCounted, UnitsClean, LooksConfirmed, FindRecorded, PackageClosed, BenchChecked:
		return true
	}
	return false
}

// LastUndoable gives the newest step of the round under way that still stands
// and may be taken back; ok is false if there is none, or if a newer step that
// cannot be taken back stands before it.
func (s *State) LastUndoable() (Recorded, bool) {
	if s.Running() == nil {
		return Recorded{}, false
	}
	for i := len(s.History) - 1; i >= 0; i-- {
		rec := s.History[i]
		switch rec.Event.(type) {
		case Amended, LabelsPrinted, Rescheduled, SampleTaken, SampleMoved, Moved, HeldBack, HoldLifted, BenchCleaned:
			continue
		}
		if _, amended := s.amendments[rec.Version]; amended {
			if a := s.amendments[rec.Version]; a.With == nil {
				continue
			}
		}
		return rec, undoable(rec.Event)
	}
	return Recorded{}, false
}

func (s *State) decideUndo(r *Round, m Meta, c Undo) ([]Event, error) {
	rec, ok := s.LastUndoable()
	if !ok {
		return nil, say.Refuse(say.Illegal, "There is nothing to undo here.")
	}
	why, err := reason(c.Reason, "Say why the step is taken back.")
	if err != nil {
		return nil, err
	}
	switch e := rec.Event.(type) {
	case FindRecorded:
		if f := r.Find(e.Find); f != nil && f.Rung > ladder.Note && !m.Actor.Has(Supervisor) {
			return nil, say.Refuse(say.Forbidden, "The find asks for more than a note (%s): only a supervisor can take it back. Call one.", f.Rung.Word())
		}
	case BenchChecked:
		if e.After && r.benchFound(e) && !m.Actor.Has(Supervisor) {
			return nil, say.Refuse(say.Forbidden, "The bench check found something that rejects: only a supervisor can take it back. Call one.")
		}
	}
	return []Event{Amended{Of: rec.Version, Reason: why}}, nil
}

func (r *Round) decideEnd(m Meta) ([]Event, error) {
	c := r.Conclude(m.At)
	if c.Outcome == "" {
		return nil, say.Refuse(say.Illegal, "It cannot end yet: %s.", c.Missing)
	}
	e := RoundEnded{Round: r.Number, Outcome: c.Outcome, Reasons: c.Reasons}
	if c.Outcome == Passed {
		e.ValidUntil = r.ValidUntil()
	}
	return []Event{e}, nil
}

func (r *Round) unexamined() int {
	n := 0
	for _, x := range r.Exams {
		if !x.Closed() {
			n++
		}
	}
	return n
}

// benchFound reports whether a bench check afterwards found soil, a weed or a
// live pest on the bench.
func (r *Round) benchFound(e BenchChecked) bool {
	for _, it := range r.Rules.After {
		if it.Rejects && slices.Contains(e.No, it.ID) {
			return true
		}
	}
	return false
}

// Conclusion is the decision on a round as things stand.
type Conclusion struct {
	Outcome Outcome    // "" while the round cannot end
	Reasons []say.Text // why that outcome
	Missing []say.Text // what is left undone; nothing, for an outcome of passed
}

// Conclude decides the round as things stand, by the ladder from the top: a stop
// stops, an open sample holds, soil, a weed, a live pest or active disease in
// the goods or on the bench rejects. Only a round with every drawn package
// examined, every unit looked at, a bench fit before and clean after, and inside
// its window can pass.
func (r *Round) Conclude(now time.Time) Conclusion {
	var c Conclusion
	c.Missing = r.missing()
	by := map[ladder.Rung][]say.Text{}
	for _, f := range r.Finds {
		by[f.Rung] = append(by[f.Rung], f.Facts.where(f.why()))
	}
	if r.After != nil {
		for _, it := range r.Rules.After {
			if it.Rejects && slices.Contains(r.After.No, it.ID) {
				by[ladder.Reject] = append(by[ladder.Reject], say.T("Bench check after the inspection, answered no: %s", it.Words))
			}
		}
	}
	switch {
	case len(by[ladder.Stop]) > 0:
		c.Outcome, c.Reasons = Stopped, by[ladder.Stop]
	case len(by[ladder.Sample]) > 0:
		c.Outcome, c.Reasons = Held, by[ladder.Sample]
	case len(by[ladder.Reject]) > 0:
		c.Outcome, c.Reasons = Rejected, by[ladder.Reject]
	case !r.FirstOpened.IsZero() && now.After(r.ValidUntil()):
		c.Outcome = Rejected
		c.Reasons = []say.Text{say.T("The window of %d hours ran out before the inspection was finished: inspect again.", r.Rules.WindowHours)}
	case len(c.Missing) == 0:
		c.Outcome = Passed
		units := 0
		for _, x := range r.Exams {
			units += x.Units
		}
		c.Reasons = []say.Text{
			say.T("All %d drawn packages were emptied, and all %d units in them looked at.", len(r.Exams), units),
			notes(len(by[ladder.Note])),
			say.T("The bench was fit for use before, and clean after."),
		}
	}
	return c
}

// where puts a sentence about a find behind the place that it is about.
func (f FindFacts) where(about say.Text) say.Text {
	if f.Unit == 0 {
		return say.T("Package %03d itself: %s", f.Package, about)
	}
	return say.T("Package %03d, unit %d: %s", f.Package, f.Unit, about)
}

// why says in one sentence why the find stands at its rung.
func (f *Find) why() say.Text {
	advice := f.Advice
	if f.Answered != nil {
		advice = f.Answered.Advice
	}
	switch {
	case f.Rung > advice.Rung:
		return say.T("The inspector went up to %s.", f.Rung.Word())
	case f.Rung == advice.Rung && len(advice.Reasons) > 0:
		return advice.Reasons[0]
	case f.Rung < advice.Rung && f.Lowered != nil:
		return say.T("%s went down to %s: %s", f.Lowered.By.Name, f.Rung.Word(), f.Lowered.Reason)
	}
	return advice.Rung.Act()
}

func notes(n int) say.Text {
	if n == 0 {
		return say.T("Nothing was found.")
	}
	return say.T("Nothing was found that asks for more than a note (%d noted).", n)
}

// missing says what a pass still needs.
func (r *Round) missing() []say.Text {
	var missing []say.Text
	if r.Before == nil || len(r.Before.No) > 0 {
		missing = append(missing, say.T("the bench check before must be all yes"))
	}
	for _, n := range r.ToExamine() {
		x := r.Exams[n]
		switch {
		case x.FetchedAt.IsZero():
			missing = append(missing, say.T("package %03d must be fetched", n))
		case !x.Closed():
			missing = append(missing, say.T("package %03d must be examined", n))
		}
	}
	if r.After == nil {
		missing = append(missing, say.T("the bench must be checked after"))
	} else if len(r.After.No) > 0 {
		missing = append(missing, say.T("the bench check after must be all yes"))
	}
	return missing
}
