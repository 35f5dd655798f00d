package consignment

import (
	"slices"
	"strings"
	"time"

	"lastlook/internal/ladder"
	"lastlook/internal/say"
)

type (
	// Loaded records that a package went through the gate.
	Loaded struct {
		Round   int `json:"round"`
		Package int `json:"package"`
	}

	// Unloaded records that packages came off the vehicle again; 0 means all.
	Unloaded struct {
		Package int    `json:"package,omitempty"`
		Reason  string `json:"reason"`
	}

	// Dispatched closes a consignment: it has left.
	Dispatched struct {
		Round   int    `json:"round"`
		Vehicle string `json:"vehicle"`
		Seal    string `json:"seal,omitempty"` // number of the seal on the vehicle
		Aboard  int    `json:"aboard"`         // packages loaded
		Short   []int  `json:"short,omitempty"`
		Reason  string `json:"reason,omitempty"` // of the shortfall
	}
)

// Kind names the event in storage.
func (Loaded) Kind() string { return "loaded" }

// Kind names the event in storage.
func (Unloaded) Kind() string { return "unloaded" }

// Kind names the event in storage.
func (Dispatched) Kind() string { return "dispatched" }

type (
	// Load takes a package through the gate.
	Load struct{ Package int }

	// Unload takes a package off the vehicle, or all with 0.
	Unload struct {
		Package int
		Reason  string
	}

	// Dispatch closes the consignment. What is not aboard needs a reason.
	Dispatch struct {
		Vehicle string
		Seal    string
		Reason  string
	}
)

func (Load) isCommand()     {}
func (Unload) isCommand()   {}
func (Dispatch) isCommand() {}

// Leaving is how a consignment left.
type Leaving struct {
	Dispatched
	At time.Time
	By Actor
}

// Aboard gives the packages on the vehicle, in order.
func (s *State) Aboard() []int {
	ns := make([]int, 0, len(s.aboard))
	for n := range s.aboard {
		ns = append(ns, n)
	}
	slices.Sort(ns)
	return ns
}

// IsAboard reports whether a package is on the vehicle, and since when.
func (s *State) IsAboard(n int) (time.Time, bool) {
	at, ok := s.aboard[n]
	return at, ok
}

// Ashore gives the packages that are not on the vehicle, in order.
func (s *State) Ashore() []int {
	var ns []int
	for _, n := range s.Numbers() {
		if _, ok := s.aboard[n]; !ok {
			ns = append(ns, n)
		}
	}
	return ns
}

// gone says that the consignment has left.
func (s *State) gone() error {
	return say.Refuse(say.Illegal, "%s left at %s with %s: nothing more is done with it here.", s.Number, say.Moment(s.Dispatched.At), s.Dispatched.Vehicle)
}

// MayLeave says whether goods of the consignment may go through the gate now, by
// a refusal that says why not.
func (s *State) MayLeave(now time.Time) error {
	r := s.Round()
	switch {
	case s.Dispatched != nil:
		return s.gone()
	case len(s.OpenHolds()) > 0:
		return s.free()
	case r == nil:
		return say.Refuse(say.Illegal, "%s is not inspected yet: it does not leave.", s.Number)
	case r.Ended == nil:
		return say.Refuse(say.Illegal, "%s is still under inspection: it does not leave.", s.Number)
	case r.Ended.Outcome == Stopped:
		return say.Refuse(say.Illegal, "%s is stopped: nothing moves. Keep away and call the supervisor.", s.Number)
	case r.Ended.Outcome == Held:
		return say.Refuse(say.Illegal, "%s is held for an identification: it does not leave.", s.Number)
	case r.Ended.Outcome != Passed:
		return say.Refuse(say.Illegal, "%s was rejected: it does not leave. Put it back into the quarantine bay.", s.Number)
	case now.After(r.Ended.ValidUntil):
		return say.Refuse(say.Illegal, "%s lapsed: its inspection was good until %s. Inspect it again, or hold it.", s.Number, say.Moment(r.Ended.ValidUntil))
	}
	if c := s.StoreCheck; c != nil && c.Round == r.Number && len(c.No) > 0 {
		return say.Refuse(say.Illegal, "The store of %s was not as it must be when it was checked: put it right and check again.", s.Number)
	}
	if until := s.WithheldUntil(now); !until.IsZero() {
		return say.Refuse(say.Illegal, "%s was treated and is withheld until %s: it does not leave before.", s.Number, say.Moment(until))
	}
	return nil
}

func (s *State) decideLoad(m Meta, c Load) ([]Event, error) {
	if !s.Present(c.Package) {
		return nil, s.absent(c.Package)
	}
	if err := s.MayLeave(m.At); err != nil {
		return nil, err
	}
	if at, ok := s.aboard[c.Package]; ok {
		return nil, say.Refuse(say.Conflict, "Package %03d is loaded already, since %s.", c.Package, say.Moment(at))
	}
	return []Event{Loaded{Round: s.Round().Number, Package: c.Package}}, nil
}

func (s *State) decideUnload(c Unload) ([]Event, error) {
	if s.Dispatched != nil {
		return nil, s.gone()
	}
	if len(s.aboard) == 0 {
		return nil, say.Refuse(say.Illegal, "Nothing of %s is on the vehicle.", s.Number)
	}
	if _, ok := s.aboard[c.Package]; c.Package != 0 && !ok {
		return nil, say.Refuse(say.Illegal, "Package %03d is not on the vehicle.", c.Package)
	}
	why, err := reason(c.Reason, "Say why it comes off the vehicle.")
	if err != nil {
		return nil, err
	}
	return []Event{Unloaded{Package: c.Package, Reason: why}}, nil
}

func (s *State) decideDispatch(m Meta, c Dispatch) ([]Event, error) {
	if err := s.MayLeave(m.At); err != nil {
		return nil, err
	}
	aboard, short := s.Aboard(), s.Ashore()
	e := Dispatched{Round: s.Round().Number, Vehicle: strings.TrimSpace(c.Vehicle), Seal: strings.TrimSpace(c.Seal), Aboard: len(aboard), Short: short}
	switch {
	case len(aboard) == 0:
		return nil, say.Refuse(say.Illegal, "Nothing is loaded yet: scan the packages as they go aboard.")
	case e.Vehicle == "":
		return nil, say.Refuse(say.Invalid, "Say which vehicle takes it.").For("vehicle")
	}
	if err := tooLong(e.Vehicle+e.Seal, "vehicle"); err != nil {
		return nil, err
	}
	if len(short) > 0 {
		var err error
		if e.Reason, err = reason(c.Reason, "Not all packages are aboard: say why the others stay."); err != nil {
			return nil, err
		}
	}
	return []Event{e}, nil
}

// Standing is where a consignment stands: its stage in one word, holds considered.
type Standing string

// The standings.
const (
	StandOpen     Standing = "open"       // no round yet
	StandWork     Standing = "inspecting" // a round is under way
	StandPassed   Standing = "passed"     // whether its window still runs is for the clock
	StandRejected Standing = "rejected"
	StandIsolated Standing = "isolated" // rejected, and all of it in a quarantine bay
	StandHeld     Standing = "held"
	StandStopped  Standing = "stopped"
	StandGone     Standing = "gone"
)

var standWords = map[Standing]say.Text{
	StandOpen:     say.T("due"),
	StandWork:     say.T("in work"),
	StandPassed:   say.T("passed"),
	StandRejected: say.T("rejected"),
	StandIsolated: say.T("isolated"),
	StandHeld:     say.T("held"),
	StandStopped:  say.T("stopped"),
	StandGone:     say.T("dispatched"),
}

// Words names the standing.
func (s Standing) Words() say.Text { return standWords[s] }

// Standing says where the consignment stands.
func (s *State) Standing() Standing {
	var top ladder.Rung
	for _, h := range s.OpenHolds() {
		top = max(top, h.Rung)
	}
	r := s.Round()
	switch {
	case s.Dispatched != nil:
		return StandGone
	case top == ladder.Stop || r != nil && r.Ended != nil && r.Ended.Outcome == Stopped:
		return StandStopped
	case top != 0 || r != nil && r.Ended != nil && r.Ended.Outcome == Held:
		return StandHeld
	case r == nil:
		return StandOpen
	case r.Ended == nil:
		return StandWork
	case r.Ended.Outcome == Passed:
		return StandPassed
	case s.Isolated():
		return StandIsolated
	}
	return StandRejected
}
