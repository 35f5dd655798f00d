package practice

import (
	"fmt"
	"time"

	"lastlook/internal/exact"
	"lastlook/internal/ladder"
	"lastlook/internal/say"
)

// Event is something that happened in a person's practice.
type Event interface{ Kind() string }

// The events. Session and Case count from 1.
type (
	// Started is a session drawn, with all its cases as they were then.
	Started struct {
		Session int    `json:"session"`
		To      string `json:"to,omitempty"` // destination; "" is nowhere in particular
		Seed    string `json:"seed"`         // of the drawing, hex
		Cases   []Case `json:"cases"`
	}
	// Looked is a closer look: Shown signs are shown from now on.
	Looked struct {
		Session int `json:"session"`
		Case    int `json:"case"`
		Shown   int `json:"shown"`
	}
	// Answered is an answer with what it was worth, as the person was told.
	Answered struct {
		Session int         `json:"session"`
		Case    int         `json:"case"`
		Name    string      `json:"name,omitempty"` // id of an entry; "" is "I don't know"
		Called  string      `json:"called,omitempty"`
		Act     ladder.Rung `json:"act"`
		Shown   int         `json:"shown"`
		Outcome Outcome     `json:"outcome"`
	}
	// SetAside is a case left out because the reference says something else now.
	SetAside struct {
		Session int `json:"session"`
		Case    int `json:"case"`
	}
	// GivenUp ends a session with cases left.
	GivenUp struct {
		Session int `json:"session"`
	}
)

// Kind is the name in storage.
func (Started) Kind() string { return "practice_started" }

// Kind is the name in storage.
func (Looked) Kind() string { return "practice_looked" }

// Kind is the name in storage.
func (Answered) Kind() string { return "practice_answered" }

// Kind is the name in storage.
func (SetAside) Kind() string { return "practice_set_aside" }

// Kind is the name in storage.
func (GivenUp) Kind() string { return "practice_given_up" }

// Encode gives the stored bytes of an event.
func Encode(e Event) ([]byte, error) {
	return exact.JSON(e)
}

// Decode reads what Encode wrote.
func Decode(kind string, b []byte) (Event, error) {
	switch kind {
	case Started{}.Kind():
		return exact.Read[Started](b)
	case Looked{}.Kind():
		return exact.Read[Looked](b)
	case Answered{}.Kind():
		return exact.Read[Answered](b)
	case SetAside{}.Kind():
		return exact.Read[SetAside](b)
	case GivenUp{}.Kind():
		return exact.Read[GivenUp](b)
	}
	return nil, say.Refuse(say.Storage, "The practice holds a step of a kind this version does not know (%s). Start a newer version of Lastlook.", kind)
}

// Played is a case of a session and what became of it.
type Played struct {
	Case
	Shown  int // signs shown so far, at least 1
	Answer *Answered
	Aside  bool
	At     time.Time // of the answer
}

// Over reports whether nothing more is to be done about the case.
func (p Played) Over() bool { return p.Answer != nil || p.Aside }

// Session is one session.
type Session struct {
	Number  int
	To      string
	At      time.Time
	Cases   []Played
	GivenUp bool
}

// Now is the number of the case to answer, 0 when the session is over.
func (s *Session) Now() int {
	if s.GivenUp {
		return 0
	}
	for i, c := range s.Cases {
		if !c.Over() {
			return i + 1
		}
	}
	return 0
}

// State is a person's practice as its events make it. The zero State is that of
// somebody who has not begun.
type State struct {
	Sessions []*Session
	Version  int
	LastAt   time.Time
}

// Open is the session under way, nil if there is none.
func (s *State) Open() *Session {
	if n := len(s.Sessions); n > 0 && s.Sessions[n-1].Now() > 0 {
		return s.Sessions[n-1]
	}
	return nil
}

// Session finds a session by its number, nil if there is none.
func (s *State) Session(n int) *Session {
	if n < 1 || n > len(s.Sessions) {
		return nil
	}
	return s.Sessions[n-1]
}

// Apply adds one event.
func (s *State) Apply(e Event, at time.Time) error {
	played := func(session, n int) (*Played, error) {
		x := s.Session(session)
		if x == nil || n < 1 || n > len(x.Cases) {
			return nil, fmt.Errorf("practice: no case %d in session %d", n, session)
		}
		return &x.Cases[n-1], nil
	}
	switch e := e.(type) {
	case Started:
		if e.Session != len(s.Sessions)+1 {
			return fmt.Errorf("practice: session %d after %d", e.Session, len(s.Sessions))
		}
		x := &Session{Number: e.Session, To: e.To, At: at}
		for _, c := range e.Cases {
			x.Cases = append(x.Cases, Played{Case: c, Shown: 1})
		}
		s.Sessions = append(s.Sessions, x)
	case Looked:
		p, err := played(e.Session, e.Case)
		if err != nil {
			return err
		}
		p.Shown = e.Shown
	case Answered:
		p, err := played(e.Session, e.Case)
		if err != nil {
			return err
		}
		p.Answer, p.At = &e, at
	case SetAside:
		p, err := played(e.Session, e.Case)
		if err != nil {
			return err
		}
		p.Aside, p.At = true, at
	case GivenUp:
		x := s.Session(e.Session)
		if x == nil {
			return fmt.Errorf("practice: no session %d", e.Session)
		}
		x.GivenUp = true
	}
	s.Version++
	s.LastAt = at
	return nil
}

// Command is what a person wants to do.
type Command interface{ isCommand() }

// The commands. Session and Case count from 1.
type (
	// Start draws a session of Size cases.
	Start struct {
		Bank []Subject
		To   string
		Seed [32]byte
		Size int
	}
	// LookCloser shows one sign more. Shown is how many the person has seen: the
	// same press twice is one look.
	LookCloser struct{ Session, Case, Shown int }
	// Say answers a case. Called is the name as the reference has it now, for an
	// entry that the case itself does not name.
	Say struct {
		Session, Case int
		Name, Called  string
		Act           ladder.Rung
	}
	// PutAside leaves out a case that the reference has overtaken.
	PutAside struct{ Session, Case int }
	// GiveUp ends a session before its end.
	GiveUp struct{ Session int }
)

func (Start) isCommand()      {}
func (LookCloser) isCommand() {}
func (Say) isCommand()        {}
func (PutAside) isCommand()   {}
func (GiveUp) isCommand()     {}

// Decide says what follows from a command, or refuses it in words.
func Decide(s *State, c Command) ([]Event, error) {
	switch c := c.(type) {
	case Start:
		if o := s.Open(); o != nil {
			return nil, say.Refuse(say.Illegal, "Session %d is still under way: carry on with it, or give it up first.", o.Number)
		}
		cases, err := Prepare(c.Bank, s, c.Seed, c.Size)
		if err != nil {
			return nil, err
		}
		return []Event{Started{Session: len(s.Sessions) + 1, To: c.To, Seed: fmt.Sprintf("%x", c.Seed), Cases: cases}}, nil
	case LookCloser:
		p, err := s.current(c.Session, c.Case)
		if err != nil {
			return nil, err
		}
		if c.Shown != p.Shown || p.Shown >= len(p.Signs) {
			return nil, nil // seen already
		}
		return []Event{Looked{Session: c.Session, Case: c.Case, Shown: p.Shown + 1}}, nil
	case Say:
		p, err := s.current(c.Session, c.Case)
		if err != nil {
			return nil, err
		}
		if !c.Act.Valid() {
			return nil, say.Refuse(say.Invalid, "Choose what to do: note, reject, sample or stop.").For("rung")
		}
		called := c.Called
		for _, o := range p.Options {
			if o.ID == c.Name {
				called = o.Name
			}
		}
		if c.Name == Unknown {
			called = ""
		} else if called == "" {
			return nil, say.Refuse(say.Invalid, "That name is not in the reference: choose another, or say that you don't know.").For("name")
		}
		a := Answered{Session: c.Session, Case: c.Case, Name: c.Name, Called: called, Act: c.Act, Shown: p.Shown}
		a.Outcome = Judge(p.Case, Answer{Name: a.Name, Act: a.Act, Shown: a.Shown})
		return []Event{a}, nil
	case PutAside:
		if _, err := s.current(c.Session, c.Case); err != nil {
			return nil, err
		}
		return []Event{SetAside{Session: c.Session, Case: c.Case}}, nil
	case GiveUp:
		x := s.Session(c.Session)
		if x == nil {
			return nil, errNoSession
		}
		if x.Now() == 0 {
			return nil, say.Refuse(say.Illegal, "This session is over already.")
		}
		return []Event{GivenUp{Session: c.Session}}, nil
	}
	return nil, say.Refuse(say.Invalid, "The practice does not know this step.")
}

var errNoSession = say.Refuse(say.NotFound, "There is no such session of yours. Open the practice to see which there are.")

// current finds a case that can be answered now.
func (s *State) current(session, n int) (*Played, error) {
	x := s.Session(session)
	switch {
	case x == nil:
		return nil, errNoSession
	case n < 1 || n > len(x.Cases):
		return nil, say.Refuse(say.NotFound, "This session has cases 1 to %d.", len(x.Cases))
	case x.Cases[n-1].Aside:
		return nil, say.Refuse(say.Illegal, "Case %d was left out: go on with the next.", n)
	case x.Cases[n-1].Answer != nil:
		return nil, say.Refuse(say.Illegal, "Case %d is answered already: the first answer counts.", n)
	case x.GivenUp:
		return nil, say.Refuse(say.Illegal, "This session was given up: start another.")
	case n != x.Now():
		return nil, say.Refuse(say.Illegal, "Case %d comes first.", x.Now())
	}
	return &x.Cases[n-1], nil
}

// tally is what a person did about one entry so far.
type tally struct {
	asked     int
	missed    int // answers that were not right, whether or not they passed it
	passed    int
	lastRight bool
	taken     map[string]int // wrong names given, by id
}

func (s *State) byEntry() map[string]tally {
	out := map[string]tally{}
	if s == nil {
		return out
	}
	for _, x := range s.Sessions {
		for _, p := range x.Cases {
			if p.Answer == nil {
				continue
			}
			t := out[p.Entry]
			if t.taken == nil {
				t.taken = map[string]int{}
			}
			o := p.Answer.Outcome
			t.asked++
			t.lastRight = o.Verdict == Right && o.Named != NameWrong
			if t.lastRight {
				// Known now: what went wrong before weighs half.
				t.passed, t.missed = t.passed/2, t.missed/2
			} else {
				t.missed++
			}
			if o.Verdict == Passed {
				t.passed++
			}
			if o.Named == NameWrong {
				t.taken[p.Answer.Name]++
			}
			out[p.Entry] = t
		}
	}
	return out
}
