package consignment

import (
	"slices"
	"strings"
	"time"

	"lastlook/internal/ladder"
	"lastlook/internal/say"
)

// PlaceKind is the kind of a place in which packages stand, in the words of the
// list of places.
type PlaceKind string

// The kinds of place that mean something to a consignment.
const (
	QuarantineBay PlaceKind = "quarantine_bay"
	PassedStore   PlaceKind = "passed_store"
	AtBench       PlaceKind = "bench"
	AtGate        PlaceKind = "gate"
)

// Place is a place as known when something was moved there.
type Place struct {
	Code string    `json:"code"`
	Name string    `json:"name"`
	Kind PlaceKind `json:"kind"`
}

type (
	// Moved records that packages were put in a place. No packages means all.
	Moved struct {
		Packages []int `json:"packages,omitempty"`
		Place    Place `json:"place"`
	}

	// StoreChecked records the check of the store of a consignment that passed. Yes
	// lists the items found so, No the others.
	StoreChecked struct {
		Round int      `json:"round"`
		Place Place    `json:"place"`
		Yes   []string `json:"yes"`
		No    []string `json:"no,omitempty"`
		Note  string   `json:"note,omitempty"`
	}

	// MarksPrinted records that marks with the outcome of a round were made.
	MarksPrinted struct {
		Round   int     `json:"round"`
		Outcome Outcome `json:"outcome"`
		Sheet   string  `json:"sheet"`
		Marks   int     `json:"marks"`
	}

	// BenchCleaned records that a bench and the area around it were cleaned after a
	// round that ended badly.
	BenchCleaned struct {
		Round int    `json:"round"`
		Bench string `json:"bench"`
		How   string `json:"how"`
	}
)

// Kind names the event in storage.
func (Moved) Kind() string { return "moved" }

// Kind names the event in storage.
func (StoreChecked) Kind() string { return "store_checked" }

// Kind names the event in storage.
func (MarksPrinted) Kind() string { return "marks_printed" }

// Kind names the event in storage.
func (BenchCleaned) Kind() string { return "bench_cleaned" }

type (
	// Move puts packages in a place; no packages means all. Sure repeats a move that
	// was refused because the package was elsewhere a moment ago.
	Move struct {
		Packages []int
		Place    Place
		Sure     bool
	}

	// CheckStore records the check of the store: every item is yes or no.
	CheckStore struct {
		Place Place
		Yes   []string
		No    []string
		Note  string
	}

	// PrintMarks records that marks were printed.
	PrintMarks struct {
		Sheet string
		Marks int
	}

	// CleanBench records that a bench was cleaned, and how.
	CleanBench struct {
		Round int
		Bench string
		How   string
	}
)

func (Move) isCommand()       {}
func (CheckStore) isCommand() {}
func (PrintMarks) isCommand() {}
func (CleanBench) isCommand() {}

// Standing place of a package, as last scanned.
type standing struct {
	Place
	at time.Time
}

// StoreCheck is a check of the store as recorded.
type StoreCheck struct {
	StoreChecked
	At time.Time
	By Actor
}

// Marking is one run of marks.
type Marking struct {
	MarksPrinted
	At time.Time
	By Actor
}

// Cleaning is the cleaning of a bench as recorded.
type Cleaning struct {
	BenchCleaned
	At time.Time
	By Actor
}

// twoPlaces is within which time a package cannot honestly be in two places.
const twoPlaces = time.Minute

// PlaceOf says where a package was last scanned; ok is false if it never was.
func (s *State) PlaceOf(pkg int) (p Place, since time.Time, ok bool) {
	at, ok := s.places[pkg]
	return at.Place, at.at, ok
}

// Placed counts the packages in each place, by the code of the place, and how
// many were never scanned to one (code "").
func (s *State) Placed() map[string]int {
	n := map[string]int{}
	for _, pkg := range s.Numbers() {
		n[s.places[pkg].Code]++
	}
	return n
}

// Isolated reports whether every package stands in a quarantine bay.
func (s *State) Isolated() bool {
	ns := s.Numbers()
	for _, pkg := range ns {
		if s.places[pkg].Kind != QuarantineBay {
			return false
		}
	}
	return len(ns) > 0
}

func (s *State) decideMove(m Meta, c Move) ([]Event, error) {
	if s.Dispatched != nil {
		return nil, s.gone()
	}
	if c.Place.Code == "" || c.Place.Name == "" {
		return nil, say.Refuse(say.Invalid, "Scan the place, or choose it from the list.").For("place")
	}
	if c.Place.Kind == PassedStore && s.Standing() != StandPassed {
		return nil, say.Refuse(say.Illegal, "%s is for goods that passed: %s is %s. Put it elsewhere.", c.Place.Name, s.Number, s.Standing().Words())
	}
	if slices.ContainsFunc(s.OpenHolds(), func(h *Hold) bool { return h.Rung == ladder.Stop }) || s.stoppedRound() {
		return nil, say.Refuse(say.Illegal, "%s is stopped: everything stays where it is until the supervisor answers the stop.", s.Number)
	}
	all := len(c.Packages) == 0
	ns := c.Packages
	if all {
		ns = s.Numbers()
	}
	same := true
	for _, n := range ns {
		if !s.Present(n) {
			return nil, s.absent(n)
		}
		at, ok := s.places[n]
		if !ok || at.Code != c.Place.Code {
			same = false
		}
		if ok && at.Code != c.Place.Code && m.At.Sub(at.at) <= twoPlaces && !c.Sure {
			return nil, say.Refuse(say.Conflict, "Package %03d was put in %s just now, at %s: it cannot be in two places. Look where it stands, then scan that place again.",
				n, at.Name, say.Moment(at.at)).For("place")
		}
	}
	if same {
		return nil, say.Refuse(say.Illegal, "It stands in %s already.", c.Place.Name)
	}
	e := Moved{Place: c.Place}
	if !all {
		e.Packages = slices.Compact(slices.Sorted(slices.Values(c.Packages)))
	}
	return []Event{e}, nil
}

func (s *State) stoppedRound() bool {
	r := s.Round()
	if r == nil || r.Ended == nil || r.Ended.Outcome != Stopped {
		return false
	}
	// Once the authority was told, what it says of moving is followed.
	return !slices.ContainsFunc(r.Answers, func(a Answering) bool { return a.Answer == StopTold })
}

// answerItems checks that every item of a list has one answer.
func answerItems(items []CheckItem, yes, no []string) error {
	for _, it := range items {
		if slices.Contains(yes, it.ID) == slices.Contains(no, it.ID) {
			return say.Refuse(say.Invalid, "Answer yes or no: %s.", it.Words).For(it.ID)
		}
	}
	if len(yes)+len(no) != len(items) {
		return say.Refuse(say.Invalid, "The check has answers to questions that are not on the list. Open it again.")
	}
	return nil
}

func (s *State) decideStore(c CheckStore) ([]Event, error) {
	r := s.Round()
	if r == nil || r.Ended == nil || r.Ended.Outcome != Passed {
		return nil, say.Refuse(say.Illegal, "The store is checked of goods that passed: %s is %s.", s.Number, s.Standing().Words())
	}
	if s.Dispatched != nil {
		return nil, s.gone()
	}
	if c.Place.Name == "" {
		return nil, say.Refuse(say.Invalid, "Scan the place, or choose it from the list.").For("place")
	}
	if err := answerItems(r.Rules.StoreItems(), c.Yes, c.No); err != nil {
		return nil, err
	}
	if err := tooLong(c.Note, "note"); err != nil {
		return nil, err
	}
	return []Event{StoreChecked{Round: r.Number, Place: c.Place, Yes: c.Yes, No: c.No, Note: strings.TrimSpace(c.Note)}}, nil
}

// ToMark is the outcome that marks say: that of the newest round, or held or stopped
// where a hold took it away. "" if there is none yet, or if the goods have left.
func (s *State) ToMark() Outcome {
	switch s.Standing() {
	case StandGone:
		return ""
	case StandStopped:
		return Stopped
	case StandHeld:
		return Held
	}
	if r := s.Round(); r != nil && r.Ended != nil {
		return r.Ended.Outcome
	}
	return ""
}

func (s *State) decideMarks(m Meta, c PrintMarks) ([]Event, error) {
	if s.Dispatched != nil {
		return nil, s.gone()
	}
	outcome := s.ToMark()
	if outcome == "" {
		return nil, say.Refuse(say.Illegal, "There is no outcome to mark yet.")
	}
	r := s.Round()
	if outcome == Passed && m.At.After(r.Ended.ValidUntil) {
		return nil, say.Refuse(say.Illegal, "%s lapsed: its inspection was good until %s. No passed mark is printed.", s.Number, say.Moment(r.Ended.ValidUntil))
	}
	if c.Marks < 1 || c.Marks > MaxPackages {
		return nil, say.Refuse(say.Invalid, "%d marks cannot be printed.", c.Marks).For("marks")
	}
	return []Event{MarksPrinted{Round: len(s.Rounds), Outcome: outcome, Sheet: c.Sheet, Marks: c.Marks}}, nil
}

// BenchesToClean lists the benches on which packages of rounds that were
// rejected or stopped were open, and that were not cleaned since.
func (s *State) BenchesToClean() []Unclean {
	var out []Unclean
	for _, r := range s.Rounds {
		if e := r.Ended; e == nil || e.Outcome != Stopped && (e.Outcome != Rejected || r.OnlyLapsed()) {
			continue
		}
		for _, bench := range r.benches {
			if !slices.ContainsFunc(s.Cleanings, func(c Cleaning) bool { return c.Round == r.Number && c.Bench == bench }) {
				out = append(out, Unclean{Consignment: s.Code, Number: s.Number, Round: r.Number, Bench: bench, Since: r.Ended.At, Outcome: r.Ended.Outcome})
			}
		}
	}
	return out
}

// OnlyLapsed reports whether nothing was found: if the round was rejected, it was
// because its window ran out.
func (r *Round) OnlyLapsed() bool {
	for _, f := range r.Finds {
		if f.Rung > ladder.Note {
			return false
		}
	}
	return r.After == nil || !r.benchFound(r.After.BenchChecked)
}

// Unclean is a bench that must be cleaned before it is used again.
type Unclean struct {
	Consignment string
	Number      string
	Round       int
	Bench       string
	Since       time.Time
	Outcome     Outcome
}

// Words says that the bench cannot be used, and what to do.
func (u *Unclean) Words() say.Text {
	return say.T("%s was used for %s (%s) and is not clean yet: clean it and the area around it, and record that first.", u.Bench, u.Number, u.Outcome.Words())
}

func (u *Unclean) refuse() error { return &say.Refusal{Code: say.Illegal, Text: u.Words()} }

func (s *State) decideBenchClean(c CleanBench) ([]Event, error) {
	how, err := reason(c.How, "Say how the bench was cleaned: with what, and what was thrown away.")
	if err != nil {
		return nil, err
	}
	for _, u := range s.BenchesToClean() {
		if u.Bench != c.Bench || c.Round != 0 && u.Round != c.Round {
			continue
		}
		if s.stoppedRound() {
			return nil, say.Refuse(say.Illegal, "%s is stopped: everything stays where it is until the supervisor answers the stop.", s.Number)
		}
		return []Event{BenchCleaned{Round: u.Round, Bench: u.Bench, How: how}}, nil
	}
	return nil, say.Refuse(say.Illegal, "%s does not need cleaning after %s.", c.Bench, s.Number)
}
