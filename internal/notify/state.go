package notify

import (
	"fmt"
	"time"

	"lastlook/internal/consignment"
	"lastlook/internal/say"
)

// Standings of a message, as events make them.
const (
	Waiting = "waiting" // not yet taken by its receiver
	Taken   = "delivered"
	Never   = "refused" // for good
)

// Sent is a message and what became of it.
type Sent struct {
	Message
	Telling  int
	Level    int
	QueuedAt time.Time
	Standing string
	EndedAt  time.Time // when it was taken or refused
	Status   int       // what the receiver's server answered, if it refused
}

// Answer is who answered, and when.
type Answer struct {
	By    consignment.Actor
	Bench string
	At    time.Time
}

// State is an occasion as its events make it. The zero State is one that was
// never raised.
type State struct {
	ID string
	Occasion
	RaisedAt time.Time
	Messages []Sent
	Level    int // told last; 0 if nobody outside
	Telling  int // the newest, from 0
	Repeats  int
	ToldAt   time.Time
	Answer   *Answer
	Version  int
	LastAt   time.Time
}

// Exists reports whether the occasion was raised.
func (s *State) Exists() bool { return s.Version > 0 }

// Recorded is an event as kept.
type Recorded struct {
	At    time.Time
	Actor consignment.Actor
	Bench string
	Event Event
}

// Fold makes the state of an occasion from its history.
func Fold(history []Recorded) (*State, error) {
	s := &State{}
	for _, rec := range history {
		if err := s.Apply(rec); err != nil {
			return nil, err
		}
	}
	return s, nil
}

// Apply adds one event.
func (s *State) Apply(rec Recorded) error {
	if _, first := rec.Event.(Raised); first != (s.Version == 0) {
		return fmt.Errorf("notify: %s after %d steps", rec.Event.Kind(), s.Version)
	}
	switch e := rec.Event.(type) {
	case Raised:
		s.ID, s.Occasion, s.RaisedAt, s.ToldAt, s.Level = e.ID, e.Occasion, rec.At, rec.At, e.Level
		s.queue(e.Messages, rec.At)
	case Escalated:
		if e.Telling != s.Telling+1 {
			return fmt.Errorf("notify: telling %d after %d", e.Telling, s.Telling)
		}
		if e.Level == s.Level {
			s.Repeats++
		} else {
			s.Repeats = 0
		}
		s.Telling, s.Level, s.ToldAt = e.Telling, e.Level, rec.At
		s.queue(e.Messages, rec.At)
	case Delivered:
		m := s.message(e.Message)
		if m == nil {
			return fmt.Errorf("notify: there is no message %s to deliver", e.Message)
		}
		m.Standing, m.EndedAt, m.Status = Taken, rec.At, 0
	case Refused:
		m := s.message(e.Message)
		if m == nil {
			return fmt.Errorf("notify: there is no message %s to refuse", e.Message)
		}
		m.Standing, m.EndedAt, m.Status = Never, rec.At, e.Status
	case Acknowledged:
		s.Answer = &Answer{By: rec.Actor, Bench: rec.Bench, At: rec.At}
		for i := range s.Messages {
			if m := &s.Messages[i]; m.Channel == Screen && m.Standing == Waiting {
				m.Standing, m.EndedAt = Taken, rec.At
			}
		}
	default:
		return fmt.Errorf("notify: unknown event %T", rec.Event)
	}
	s.Version++
	s.LastAt = rec.At
	return nil
}

func (s *State) queue(ms []Message, at time.Time) {
	for _, m := range ms {
		s.Messages = append(s.Messages, Sent{Message: m, Telling: s.Telling, Level: s.Level, QueuedAt: at, Standing: Waiting})
	}
}

func (s *State) message(id string) *Sent {
	for i := range s.Messages {
		if s.Messages[i].ID == id {
			return &s.Messages[i]
		}
	}
	return nil
}

// Standing tells how far telling has come.
func (s *State) Standing() Standing {
	out := Standing{Level: s.Level, Repeats: s.Repeats, ToldAt: s.ToldAt}
	for _, m := range s.Messages {
		if m.Telling != s.Telling || !m.Channel.Outside() {
			continue
		}
		out.Outside++
		if m.Standing == Never {
			out.Refused++
		}
	}
	return out
}

// Command is what is to be done about an occasion.
type Command interface{ isCommand() }

// The commands.
type (
	// Raise opens an occasion, with the messages that the plan asks for.
	Raise struct {
		ID       string
		Occasion Occasion
		Plan     Plan
	}
	// Escalate tells more people, if that is due at At.
	Escalate struct {
		Plan Plan
		At   time.Time
	}
	// Deliver says that a message was taken, or printed.
	Deliver struct{ Message string }
	// Refuse says that a message will never be taken.
	Refuse struct {
		Message string
		Status  int
	}
	// Acknowledge is a person's answer.
	Acknowledge struct{ By consignment.Actor }
)

func (Raise) isCommand()       {}
func (Escalate) isCommand()    {}
func (Deliver) isCommand()     {}
func (Refuse) isCommand()      {}
func (Acknowledge) isCommand() {}

// Decide says what follows from a command, or refuses it in words. Nothing
// follows from what has been done already: raising twice, delivering twice,
// answering twice.
func Decide(s *State, c Command) ([]Event, error) {
	if c, ok := c.(Raise); ok {
		return decideRaise(s, c)
	}
	if !s.Exists() {
		return nil, say.Refuse(say.NotFound, "There is no such notice here. Open the page again.")
	}
	switch c := c.(type) {
	case Escalate:
		if s.Answer != nil || !s.Cause.Answered() {
			return nil, nil
		}
		standing := s.Standing()
		at, level, ok := c.Plan.Due(standing)
		if !ok || at.After(c.At) {
			return nil, nil
		}
		return []Event{Escalated{
			Telling: s.Telling + 1, Level: level, Messages: messages(s.ID, c.Plan.Levels[level-1].Contacts, s.Telling+1),
			Refused: standing.Outside > 0 && standing.Refused == standing.Outside,
		}}, nil
	case Deliver:
		m := s.message(c.Message)
		switch {
		case m == nil:
			return nil, say.Refuse(say.NotFound, "There is no such message here.")
		case m.Standing == Taken:
			return nil, nil
		}
		return []Event{Delivered(c)}, nil
	case Refuse:
		m := s.message(c.Message)
		switch {
		case m == nil:
			return nil, say.Refuse(say.NotFound, "There is no such message here.")
		case m.Standing != Waiting:
			return nil, nil // a message that was taken once is not refused by a later try
		}
		return []Event{Refused(c)}, nil
	case Acknowledge:
		switch {
		case !s.Cause.Answered():
			return nil, say.Refuse(say.Illegal, "Nobody has to answer this notice.")
		case c.By.ID == "":
			return nil, say.Refuse(say.Forbidden, "Say who you are first: choose your name or scan your badge.")
		case s.Answer != nil:
			return nil, nil
		}
		return []Event{Acknowledged{}}, nil
	}
	return nil, say.Refuse(say.Invalid, "Notices do not know this step.")
}

func decideRaise(s *State, c Raise) ([]Event, error) {
	switch {
	case s.Exists():
		return nil, nil
	case !ValidID(c.ID):
		return nil, fmt.Errorf("notify: %q is no id of an occasion", c.ID)
	}
	e := Raised{ID: c.ID, Occasion: c.Occasion}
	if !c.Occasion.Cause.Answered() {
		e.Messages = messages(c.ID, c.Plan.HeadsTo, 0)
		return []Event{e}, nil
	}
	for _, ch := range []Channel{Screen, Print} {
		e.Messages = append(e.Messages, Message{ID: MessageID(c.ID, "", ch, 0), Channel: ch})
	}
	if len(c.Plan.Levels) > 0 {
		e.Level = 1
		e.Messages = append(e.Messages, messages(c.ID, c.Plan.Levels[0].Contacts, 0)...)
	}
	return []Event{e}, nil
}

// messages gives one message a contact and channel. A contact named twice is told
// once.
func messages(occasion string, contacts []Contact, telling int) []Message {
	out := []Message{}
	seen := map[string]bool{}
	for _, c := range contacts {
		for _, ch := range c.Channels {
			id := MessageID(occasion, c.Name, ch, telling)
			if !seen[id] {
				seen[id] = true
				out = append(out, Message{ID: id, To: c.Name, Channel: ch})
			}
		}
	}
	return out
}
