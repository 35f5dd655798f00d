package notify

import (
	"crypto/sha256"
	"encoding/hex"
	"strconv"
	"strings"

	"lastlook/internal/consignment"
	"lastlook/internal/ladder"
	"lastlook/internal/say"
)

// Cause is why somebody has to be told.
type Cause string

// The causes.
const (
	Stop Cause = "stop" // an inspection ended at once: nothing is to be moved
	Head Cause = "head" // a signed head of the history, to be kept elsewhere
	Test Cause = "test" // somebody tries whether messages arrive; never kept
)

// Answered reports whether a person has to answer. Until one does, more people
// are told.
func (c Cause) Answered() bool { return c == Stop }

// Words names the cause.
func (c Cause) Words() say.Text {
	switch c {
	case Stop:
		return say.T("Stop")
	case Head:
		return say.T("Signed head of the history")
	case Test:
		return say.T("Test")
	}
	return say.T("%s", string(c))
}

// Occasion is what somebody has to be told of.
type Occasion struct {
	Cause   Cause      `json:"cause"`
	Stream  string     `json:"stream,omitempty"`  // the history that it comes from
	Version int        `json:"version,omitempty"` // the step in it
	Code    string     `json:"code,omitempty"`    // of the consignment
	Number  string     `json:"number,omitempty"`
	What    []say.Text `json:"what"`           // what happened, what to do
	Head    string     `json:"head,omitempty"` // the signed head, for Head
}

// triggers is what calls for telling somebody. Each looks at one step with the
// state after it, and gives what is to be said, or nothing. A new trigger is a line
// here, and a Cause if people have to tell it from the others.
var triggers = []struct {
	cause Cause
	when  func(*consignment.State, consignment.Recorded) []say.Text
}{
	{Stop, stopped},
}

// stopped tells of every way into a stop: at the bench, by a result, or of goods
// that had passed, or left.
func stopped(st *consignment.State, rec consignment.Recorded) []say.Text {
	var what []say.Text
	switch e := rec.Event.(type) {
	case consignment.RoundEnded:
		if e.Outcome != consignment.Stopped {
			return nil
		}
		what = []say.Text{say.T("The inspection of consignment %s for %s was stopped in round %d, at %s, by %s.", st.Number, st.Destination, e.Round, rec.Bench, rec.Actor.Name)}
		what = append(what, e.Reasons...)
	case consignment.RoundRevised:
		if e.Outcome != consignment.Stopped {
			return nil
		}
		what = []say.Text{say.T("Consignment %s for %s was stopped by the result of a sample, entered at %s by %s.", st.Number, st.Destination, rec.Bench, rec.Actor.Name)}
		what = append(what, e.Reasons...)
	case consignment.HeldBack:
		if e.Rung != ladder.Stop {
			return nil
		}
		what = []say.Text{say.T("Consignment %s for %s was stopped at %s, by %s: %s", st.Number, st.Destination, rec.Bench, rec.Actor.Name, e.Reason)}
		if d := st.Dispatched; d != nil {
			return append(what,
				say.T("It has left already, at %s with %s: the destination must be told.", say.Moment(d.At), d.Vehicle),
				say.T("Answer this at the bench: until somebody does, others are told."))
		}
	default:
		return nil
	}
	return append(what,
		say.T("Everything stays where it is, and nobody goes near it, until a supervisor has decided."),
		say.T("Answer this at the bench: until somebody does, others are told."))
}

// For finds what has to be told because of the steps just taken in the history
// called stream. st is the state after them. An occasion's Version says which step
// it comes from.
func For(stream string, st *consignment.State, steps []consignment.Recorded) []Occasion {
	var out []Occasion
	for _, rec := range steps {
		for _, t := range triggers {
			if what := t.when(st, rec); len(what) > 0 {
				out = append(out, Occasion{Cause: t.cause, Stream: stream, Version: rec.Version, Code: st.Code, Number: st.Number, What: what})
			}
		}
	}
	return out
}

// ForHead makes the occasion of sending out a signed head of so many steps.
func ForHead(site string, steps int64, fingerprint, signed string) Occasion {
	return Occasion{Cause: Head, Head: signed, What: []say.Text{
		say.T("This is the signed head of the history of %s: %d steps, fingerprint %s.", site, steps, fingerprint),
		say.T("Keep it where the site cannot change it. With it anybody can find out later whether something in these steps was changed or taken away: lastlook audit --head FILE."),
	}}
}

// idBytes is how much of a hash an id has: enough that no two are ever alike.
const idBytes = 12

// OccasionID gives the id of an occasion from the hash of the ledger's leaf that
// it comes from: 24 hexadecimal digits. The same step always has the same id, and a
// step taken again after a backup was restored has another.
func OccasionID(leaf [sha256.Size]byte) string { return hex.EncodeToString(leaf[:idBytes]) }

// HeadID gives the id of the occasion of sending out a signed head.
func HeadID(signed string) string {
	sum := sha256.Sum256([]byte("lastlook head 1\x00" + signed))
	return hex.EncodeToString(sum[:idBytes])
}

// ValidID reports whether id has the form of an id.
func ValidID(id string) bool {
	b, err := hex.DecodeString(id)
	return err == nil && len(b) == idBytes && id == strings.ToLower(id)
}

// MessageID gives the id of a message: what is sent about an occasion, to whom, on
// which channel, in which telling. It stays the same however often it is tried.
func MessageID(occasion, contact string, ch Channel, telling int) string {
	sum := sha256.Sum256([]byte(strings.Join([]string{"lastlook message 1", occasion, contact, string(ch), strconv.Itoa(telling)}, "\x00")))
	return hex.EncodeToString(sum[:idBytes])
}
