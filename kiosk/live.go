package kiosk

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"strconv"
	"sync"
	"sync/atomic"
	"time"

	"github.com/gin-gonic/gin"

	"lastlook/internal/consignment"
	"lastlook/internal/say"
	"lastlook/internal/store"
)

// This file holds the streams of server-sent events, by which a page that is left
// alone learns what is new: /live for any page, /board/events for the board. Script
// that listens is in live.js.

// streams are the routes that stay open. They have no time limit.
var streams = []string{"/live", "/board/events"}

// The events of a stream.
const (
	eventHello   = "hello"   // first: which program serves; another one means that the page is old
	eventStops   = "stop"    // all consignments that are stopped now; sent at the start and when that changes
	eventChanged = "changed" // steps were kept since the last event
	eventBoard   = "board"   // the board, as it is now
)

// pace is how a stream goes.
type pace struct {
	beat   time.Duration // how often it says that it is alive
	again  time.Duration // how often it says everything anew: clocks go on, and other programs write too
	rest   time.Duration // least time between two events, so that a row of scans is told once
	patch  time.Duration // how long one write may take: who does not read is let go
	most   int           // streams at once
	retry  time.Duration // when a browser comes back
	recent time.Duration // how old what is shared among streams may be
}

var usualPace = pace{
	beat: 10 * time.Second, again: 30 * time.Second, rest: 250 * time.Millisecond, patch: 10 * time.Second,
	most: 1000, retry: 2 * time.Second, recent: time.Second,
}

// live is what the streams of a kiosk share.
type live struct {
	pace pace
	open atomic.Int64
	end  chan struct{} // closed when the server stops
	once sync.Once

	mu     sync.Mutex
	shared map[string]sharedText
}

// sharedText is what one stream made and the others send as well.
type sharedText struct {
	commits uint64
	at      time.Time
	text    string
}

func newLive() *live {
	return &live{pace: usualPace, end: make(chan struct{}), shared: map[string]sharedText{}}
}

// stop ends all streams.
func (l *live) stop() { l.once.Do(func() { close(l.end) }) }

// share gives what was made of the same steps a moment ago, or makes it. With
// hundreds of boards open a step is read and drawn once.
func (l *live) share(name string, commits uint64, make func() (string, error)) (string, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if s, ok := l.shared[name]; ok && s.commits == commits && time.Since(s.at) < l.pace.recent {
		return s.text, nil
	}
	text, err := make()
	if err == nil {
		l.shared[name] = sharedText{commits: commits, at: time.Now(), text: text}
	}
	return text, err
}

// stream is one open answer.
type stream struct {
	w       http.ResponseWriter
	control *http.ResponseController
	patch   time.Duration
}

// write sends text, and gives up on a browser that does not take it in time.
func (s *stream) write(text string) error {
	if err := s.control.SetWriteDeadline(time.Now().Add(s.patch)); err != nil {
		return err
	}
	if _, err := s.w.Write([]byte(text)); err != nil {
		return err
	}
	return s.control.Flush()
}

// eventText is an event as the HTML standard has it (section 9.2, server-sent
// events): each line of the data behind its own field name.
func eventText(name, data string) string {
	var b bytes.Buffer
	fmt.Fprintf(&b, "event: %s\n", name)
	for line := range bytes.Lines([]byte(data)) {
		b.WriteString("data: ")
		b.Write(bytes.TrimRight(line, "\r\n"))
		b.WriteByte('\n')
	}
	if data == "" {
		b.WriteString("data:\n")
	}
	b.WriteByte('\n')
	return b.String()
}

// follow keeps a stream open and sends what tell gives: at the start, when steps
// were kept, and every now and then. tell gets whether steps were kept, and gives
// the events as text.
func (k *kiosk) follow(c *gin.Context, tell func(ctx context.Context, changed bool) (string, error)) error {
	l := k.live
	if l.open.Add(1) > int64(l.pace.most) {
		l.open.Add(-1)
		c.Header("Retry-After", "30")
		return say.Refuse(say.Storage, "Too many boards are open at once: close some of them.")
	}
	defer l.open.Add(-1)
	bell, stop := k.store.Watch()
	defer stop()
	ctx := c.Request.Context()
	s := &stream{w: c.Writer, control: http.NewResponseController(c.Writer), patch: l.pace.patch}
	defer s.control.SetWriteDeadline(time.Time{}) // of whatever else this connection is for
	first, err := tell(ctx, false)
	if err != nil {
		return err
	}
	h := c.Writer.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("X-Accel-Buffering", "no") // a relay in front would otherwise keep events back
	c.Status(http.StatusOK)
	hello := "retry: " + strconv.FormatInt(l.pace.retry.Milliseconds(), 10) + "\n" + eventText(eventHello, k.serving())
	if s.write(hello+first) != nil {
		return nil // gone
	}
	beat, again := time.NewTicker(l.pace.beat), time.NewTicker(l.pace.again)
	defer beat.Stop()
	defer again.Stop()
	for {
		text := ": still here\n\n"
		var err error
		select {
		case <-ctx.Done():
			return nil
		case <-l.end:
			return nil
		case _, open := <-bell:
			if !open {
				return nil // the store is closed
			}
			text, err = tell(ctx, true)
		case <-again.C:
			text, err = tell(ctx, false)
		case <-beat.C:
		}
		if err != nil {
			// The browser comes back by itself, and says meanwhile that it is not
			// connected.
			if ctx.Err() == nil {
				k.Log.Error("a stream ended", "path", c.FullPath(), "err", err)
			}
			return nil
		}
		if text == "" {
			continue
		}
		if s.write(text) != nil {
			return nil
		}
		select {
		case <-time.After(l.pace.rest):
		case <-ctx.Done():
			return nil
		case <-l.end:
			return nil
		}
	}
}

// serving names what serves, so that a page of another program sees that it is old.
func (k *kiosk) serving() string { return k.version + " " + k.static.hash }

// stopped is a consignment that is stopped, for the script in a page.
type stopped struct {
	Code   string `json:"code"`
	Number string `json:"number"`
	Text   string `json:"text"`   // what is so
	Detail string `json:"detail"` // what to do
	Href   string `json:"href"`
}

// stops gives the consignments that are stopped, as JSON.
func (k *kiosk) stops(ctx context.Context, b Base) (string, error) {
	commits := k.store.Commits()
	return k.live.share("stops "+b.Lang, commits, func() (string, error) {
		here, left, err := k.store.Board(ctx, leftShown)
		if err != nil {
			return "", err
		}
		out := []stopped{}
		add := func(s store.Summary, text say.Text) {
			out = append(out, stopped{Code: s.Code, Number: s.Number, Text: b.Say(text),
				Detail: b.Say(say.T("Nothing of it moves. Leave it where it is and call the supervisor.")), Href: "/c/" + s.Code + "/outcome"})
		}
		for _, s := range here {
			if s.Stage == store.Stage(consignment.StandStopped) {
				add(s, say.T("%s is stopped.", s.Number))
			}
		}
		for _, s := range left {
			if s.Held != "" {
				add(s, say.T("%s is kept back, but has left.", s.Number))
			}
		}
		text, err := json.Marshal(out)
		return string(text), err
	})
}

// liveEvents answers GET /live: what is stopped, and that something changed.
func (k *kiosk) liveEvents(c *gin.Context) error {
	b := k.streamBase(c)
	last := "never"
	return k.follow(c, func(ctx context.Context, changed bool) (string, error) {
		now, err := k.stops(ctx, b)
		if err != nil {
			return "", err
		}
		text := ""
		if now != last {
			text, last = eventText(eventStops, now), now
		}
		if changed {
			text += eventText(eventChanged, strconv.FormatUint(k.store.Commits(), 10))
		}
		return text, nil
	})
}

// liveRoutes lists the route of the stream that any page may follow.
func (k *kiosk) liveRoutes(e *gin.Engine) {
	e.GET("/live", k.as(anybody, k.liveEvents))
}
