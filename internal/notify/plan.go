package notify

import "time"

// Channel is a way on which a message travels.
type Channel string

// The channels. Mail and Webhook leave the site; they need a contact. Screen is
// shown at every bench until the occasion is answered, Print waits for a printer.
const (
	Mail    Channel = "mail"
	Webhook Channel = "webhook"
	Screen  Channel = "screen"
	Print   Channel = "print"
)

// Outside reports whether the channel leaves the site.
func (c Channel) Outside() bool { return c == Mail || c == Webhook }

// Contact is somebody who is told. Where they are reached is known to package
// courier only.
type Contact struct {
	Name     string
	Channels []Channel // Mail, Webhook or both
}

// Level is those who are told together. After is how long they have to answer
// before the next level is told.
type Level struct {
	After    time.Duration
	Contacts []Contact
}

// Plan says who is told. The zero Plan has nobody outside: screen and print are all
// there is.
type Plan struct {
	Levels []Level
	// Heads are sent every so often to these; zero is never.
	HeadsEvery time.Duration
	HeadsTo    []Contact
}

// Standing is how far telling about an occasion has come.
type Standing struct {
	Level   int       // told last, from 1; 0 if nobody outside was told yet
	Repeats int       // how often that level was told after the first time
	ToldAt  time.Time // when that was, or when it was raised
	Outside int       // messages of the last telling that leave the site
	Refused int       // of these, refused for good
}

// longestWait bounds the waiting between tellings of the last level.
const longestWait = 12 * time.Hour

// Due tells when the next telling of an unanswered occasion is due, and to which
// level. Each level has its time to answer, and if every message of a telling was
// refused for good, the next level is told at once. After the last level
// comes the last again, each time after twice the time, but at least every twelve
// hours; it never ends. ok is false if there is nobody to tell.
func (p Plan) Due(s Standing) (at time.Time, level int, ok bool) {
	if len(p.Levels) == 0 {
		return time.Time{}, 0, false
	}
	if s.Level < 1 {
		return s.ToldAt, 1, true
	}
	now := min(s.Level, len(p.Levels)) // the plan may have been shortened
	level = min(s.Level+1, len(p.Levels))
	if level > s.Level && s.Outside > 0 && s.Refused >= s.Outside {
		return s.ToldAt, level, true
	}
	wait := p.Levels[now-1].After
	for range s.Repeats {
		if wait >= longestWait {
			break
		}
		wait = min(2*wait, longestWait)
	}
	return s.ToldAt.Add(wait), level, true
}

// Retry tells how long to wait after the failed try number n, counted from 1.
// chance is a number from 0 to below 1, so that many messages that failed
// together do not come back together. The wait doubles from five seconds up
// to half an hour, of which the first half is fixed and the rest is left to
// chance. It is never given up.
func Retry(n int, chance float64) time.Duration {
	const first, most = 5 * time.Second, 30 * time.Minute
	d := first
	for i := 1; i < n && d < most; i++ {
		d *= 2
	}
	d = min(d, most)
	return d/2 + time.Duration(chance*float64(d/2))
}

// FailingAfter is how long a message may wait before it counts as failing. It is
// tried all the same.
const FailingAfter = 2 * time.Hour
