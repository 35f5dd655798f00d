// Package ladder names the four rungs on which every find ends: note, reject,
// sample, stop. It is a package of its own so that the core, the reference and
// the screens share one word for one thing. Start with [Rung]; the package
// decides nothing.
package ladder

import (
	"fmt"

	"lastlook/internal/say"
)

// Rung is what to do about a find. A higher rung is a stronger act; an
// inspector may go up, only a supervisor may go down. The zero Rung means
// undecided and is no valid rung.
type Rung int

// The rungs, from the bottom up.
const (
	Note   Rung = iota + 1 // harmless, or already dealt with: write it down and carry on
	Reject                 // soil, weed, live pest, active disease: the consignment does not go
	Sample                 // not identified: collect a sample, hold until it is
	Stop                   // suspected quarantine pest: end at once, move nothing, tell the supervisor
)

// Rungs lists all rungs from the bottom up.
var Rungs = []Rung{Note, Reject, Sample, Stop}

var names = map[Rung]string{Note: "note", Reject: "reject", Sample: "sample", Stop: "stop"}

// String gives the rung's name as stored and as used in addresses.
func (r Rung) String() string {
	if s, ok := names[r]; ok {
		return s
	}
	return fmt.Sprintf("Rung(%d)", int(r))
}

// Valid reports whether r is one of the four rungs.
func (r Rung) Valid() bool { return names[r] != "" }

// Parse finds the rung with the given name.
func Parse(name string) (Rung, error) {
	for r, s := range names {
		if s == name {
			return r, nil
		}
	}
	return 0, say.Refuse(say.Invalid, "%q is not a rung of the ladder: use note, reject, sample or stop.", name)
}

// MarshalText writes the rung's name.
func (r Rung) MarshalText() ([]byte, error) {
	if !r.Valid() {
		return nil, fmt.Errorf("ladder: %v has no name", r)
	}
	return []byte(r.String()), nil
}

// UnmarshalText reads a rung's name.
func (r *Rung) UnmarshalText(b []byte) error {
	got, err := Parse(string(b))
	if err != nil {
		return err
	}
	*r = got
	return nil
}

// Word is the one word on the rung.
func (r Rung) Word() say.Text {
	switch r {
	case Note:
		return say.T("Note")
	case Reject:
		return say.T("Reject")
	case Sample:
		return say.T("Sample")
	case Stop:
		return say.T("Stop")
	}
	return say.T("Undecided")
}

// Act says in a few words what the rung asks for.
func (r Rung) Act() say.Text {
	switch r {
	case Note:
		return say.T("Write it down and carry on")
	case Reject:
		return say.T("Reject the consignment")
	case Sample:
		return say.T("Collect a sample and hold")
	case Stop:
		return say.T("Stop and notify")
	}
	return say.T("Not decided yet")
}
