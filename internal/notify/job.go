package notify

import (
	"time"

	"lastlook/internal/say"
)

// Job is a message that somebody has in hand, with all that is needed to write it.
type Job struct {
	Message
	Notice   string // id of the occasion
	Occasion Occasion
	RaisedAt time.Time
	QueuedAt time.Time
	Telling  int
	Level    int
	Attempts int  // this one counted
	Unsure   bool // an earlier try may have arrived
}

// Result is what came of a try.
type Result struct {
	Fate   Fate
	Status int           // what the receiver's server answered, or 0
	Said   say.Text      // in words, for lists; may quote the server
	Wait   time.Duration // the receiver asked for this much time, or 0
	// Road says that the failure is one of the way there, not of this message:
	// others for the same destination would fail as well.
	Road bool
}

// Fate tells what became of a message in one try.
type Fate int

// The fates. Of Unknown nobody can tell whether it arrived: it was handed over,
// and no answer came. It is tried again under the same id.
const (
	Failed  Fate = iota // not taken; to be tried again
	Took                // taken
	Denied              // refused for good
	Unknown             // perhaps taken; to be tried again
)

// Claim says which messages a worker takes in hand.
type Claim struct {
	Worker   string // names who takes them, unlike any other worker
	Channel  Channel
	Contacts []string
	Limit    int
	Lease    time.Duration // how long nobody else takes them
}
