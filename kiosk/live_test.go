package kiosk

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/gin-gonic/gin"

	"lastlook/internal/consignment"
	"lastlook/internal/ladder"
	"lastlook/internal/store"
)

// liveDesk is a desk whose streams can be reached, for tests.
type liveDesk struct {
	*benchDesk
	k    *kiosk
	e    *gin.Engine
	past atomic.Int64 // how long past noon it is
}

// newLiveDesk serves the consignments of the bench tests through a server of its
// own, hardened as the real one is.
func newLiveDesk(t testing.TB, change func(*http.Server)) *liveDesk {
	t.Helper()
	d := newBenchDesk(t)
	l := &liveDesk{benchDesk: d}
	now := func() time.Time { return noon.Add(time.Duration(l.past.Load())) }
	d.store.Now = now
	k := &kiosk{store: d.store, paper: "a4", version: "test", ref: testReference(t), live: newLive()}
	var err error
	k.screens, err = newScreens(screensConfig{Bench: "wall", Fill: k.fill, Now: now, Log: slog.New(slog.NewTextHandler(io.Discard, nil))})
	if err != nil {
		t.Fatal(err)
	}
	l.k, l.e = k, k.newEngine(append(streams, "/flood")...)
	k.routes(l.e)
	srv := httptest.NewUnstartedServer(served{l.e, k.live})
	Harden(srv.Config)
	if change != nil {
		change(srv.Config)
	}
	srv.Start()
	t.Cleanup(srv.Close)
	t.Cleanup(k.live.stop)
	d.url = srv.URL
	return l
}

// later moves the clock.
func (d *liveDesk) later(by time.Duration) { d.past.Add(int64(by)) }

// told is one event of a stream.
type told struct{ name, data string }

// ear listens to a stream.
type ear struct {
	t    testing.TB
	body io.ReadCloser
	in   *bufio.Reader
	stop context.CancelFunc
}

func (d *liveDesk) listen(path string, cookies ...*http.Cookie) *ear {
	d.t.Helper()
	ctx, stop := context.WithCancel(context.Background())
	d.t.Cleanup(stop)
	req, err := http.NewRequestWithContext(ctx, "GET", d.url+path, nil)
	if err != nil {
		d.t.Fatal(err)
	}
	for _, c := range cookies {
		req.AddCookie(c)
	}
	resp, err := (&http.Client{Transport: &http.Transport{}}).Do(req)
	if err != nil {
		d.t.Fatal(err)
	}
	d.t.Cleanup(func() { resp.Body.Close() })
	if resp.StatusCode != 200 || resp.Header.Get("Content-Type") != "text/event-stream" || len(resp.Cookies()) > 0 {
		d.t.Fatalf("GET %s: %d %v", path, resp.StatusCode, resp.Header)
	}
	return &ear{d.t, resp.Body, bufio.NewReader(resp.Body), stop}
}

// next reads one event, comments left out.
func (e *ear) next() (told, error) {
	var ev told
	var data []string
	for {
		line, err := e.in.ReadString('\n')
		if err != nil {
			return ev, err
		}
		switch line = strings.TrimSuffix(line, "\n"); {
		case line == "":
			if ev.name != "" {
				ev.data = strings.Join(data, "\n")
				return ev, nil
			}
		case strings.HasPrefix(line, "event: "):
			ev.name = line[len("event: "):]
		case strings.HasPrefix(line, "data:"):
			data = append(data, strings.TrimPrefix(line[len("data:"):], " "))
		}
	}
}

// wants reads events until one has the name and holds the words.
func (e *ear) wants(name string, words ...string) told {
	e.t.Helper()
	for {
		ev, err := e.next()
		if err != nil {
			e.t.Fatalf("the stream ended before %s with %q came: %v", name, words, err)
		}
		ok := ev.name == name
		for _, w := range words {
			ok = ok && strings.Contains(ev.data, w)
		}
		if ok {
			return ev
		}
	}
}

func TestBoardFollowsSteps(t *testing.T) {
	d := newLiveDesk(t, nil)
	flash := &http.Cookie{Name: flashCookie, Value: "kept-for-the-next-page"}
	e := d.listen("/board/events", flash)
	if got := e.wants(eventHello).data; got != d.k.serving() || !strings.HasPrefix(got, "test ") {
		t.Errorf("the stream says it is of program %q, want %q", got, d.k.serving())
	}
	first := e.wants(eventBoard, "K-2041", "K-2038")
	if strings.Contains(first.data, "<html") || strings.Contains(first.data, "1 of 2 fetched") {
		t.Errorf("the board is %.300q, want the part that changes, before anything was fetched", first.data)
	}
	d.draw("K-2038")
	d.do("K-2038", consignment.Fetch{Package: 1})
	e.wants(eventBoard, "Under inspection", "0 of 2 examined")
	d.do("K-2041", consignment.HoldBack{Rung: ladder.Stop, Reason: `seen <b>"twice"</b>`})
	e.wants(eventBoard, `tag-stopped`)

	// Another page hears which are stopped, at once and as it changes.
	p := d.listen("/live", flash)
	p.wants(eventStops, `"number":"K-2041"`, "/outcome")
	d.do("K-2036", consignment.HoldBack{Rung: ladder.Stop, Reason: "the same batch"})
	p.wants(eventStops, `"number":"K-2036"`, `"number":"K-2041"`)
	p.wants(eventChanged)
	d.do("K-2036", consignment.LiftHold{Hold: 1, Reason: "another batch"})
	if ev := p.wants(eventStops); strings.Contains(ev.data, "K-2036") {
		t.Errorf("K-2036 is no longer stopped, but told: %s", ev.data)
	}
}

func TestEventText(t *testing.T) {
	for _, tt := range []struct{ name, data, want string }{
		{"a", "", "event: a\ndata:\n\n"},
		{"a", "one", "event: a\ndata: one\n\n"},
		{"a", "one\n\ntwo\r\nevent: b", "event: a\ndata: one\ndata: \ndata: two\ndata: event: b\n\n"},
	} {
		if got := eventText(tt.name, tt.data); got != tt.want {
			t.Errorf("eventText(%q, %q) = %q, want %q", tt.name, tt.data, got, tt.want)
		}
	}
}

// A stream outlives the limits for requests, says that it is alive, and does not
// hold the server up when it stops.
func TestStreamsLastAndEnd(t *testing.T) {
	d := newLiveDesk(t, func(srv *http.Server) {
		srv.ReadTimeout, srv.WriteTimeout = 100*time.Millisecond, 100*time.Millisecond
	})
	d.k.live.pace.beat, d.k.live.pace.rest = 20*time.Millisecond, time.Millisecond
	e := d.listen("/board/events")
	beats := 0
	for beats < 40 { // eight times as long as the limits, or longer
		line, err := e.in.ReadString('\n')
		if err != nil {
			t.Fatalf("the stream ended after %d beats: %v", beats, err)
		}
		if strings.HasPrefix(line, ": ") {
			beats++
		}
	}
	srv := &http.Server{Handler: served{d.e, d.k.live}}
	Harden(srv)
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	go srv.Serve(ln)
	d.url = "http://" + ln.Addr().String()
	open := []*ear{d.listen("/board/events"), d.listen("/live")}
	for _, e := range open {
		e.wants(eventHello)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 15*time.Second)
	defer cancel()
	if err := srv.Shutdown(ctx); err != nil {
		t.Fatalf("open streams hold the server up: %v", err)
	}
	for _, e := range open {
		for {
			if _, err := e.next(); err != nil {
				if !errors.Is(err, io.EOF) {
					t.Errorf("a stream ended with %v, want a clean end", err)
				}
				break
			}
		}
	}
}

func TestTooManyStreamsAreRefused(t *testing.T) {
	d := newLiveDesk(t, nil)
	d.k.live.pace.most = 2
	a, b := d.listen("/board/events"), d.listen("/live")
	a.wants(eventBoard)
	b.wants(eventStops)
	d.get("/live").wants(t, http.StatusInsufficientStorage, "", "Too many boards")
	a.stop()
	a.body.Close()
	for d.k.live.open.Load() > 1 {
		time.Sleep(5 * time.Millisecond)
	}
	d.listen("/live").wants(eventHello)
}

// Two hundred boards hear of every step, one that does not read is let go, and
// nobody at the bench waits for any of them.
func TestManyBoardsAndASlowOne(t *testing.T) {
	d := newLiveDesk(t, nil)
	d.k.live.pace.rest, d.k.live.pace.patch = 5*time.Millisecond, 300*time.Millisecond
	before := runtime.NumGoroutine()
	var drawn atomic.Int64
	flood := strings.Repeat("x", 1<<20)
	d.e.GET("/flood", d.k.handle(func(c *gin.Context) error {
		return d.k.follow(c, func(context.Context, bool) (string, error) { return eventText("flood", flood), nil })
	}))

	u, err := url.Parse(d.url)
	if err != nil {
		t.Fatal(err)
	}
	slow, err := net.Dial("tcp", u.Host)
	if err != nil {
		t.Fatal(err)
	}
	defer slow.Close()
	fmt.Fprintf(slow, "GET /flood HTTP/1.1\r\nHost: localhost\r\n\r\n") // and never reads
	const boards = 200
	var all sync.WaitGroup
	var ears []*ear
	for range boards {
		e := d.listen("/board/events")
		ears = append(ears, e)
		all.Go(func() {
			for {
				ev, err := e.next()
				if err != nil {
					t.Errorf("a board lost its stream: %v", err)
					return
				}
				if ev.name == eventBoard && strings.Contains(ev.data, "tag-stopped") {
					drawn.Add(1)
					return
				}
			}
		})
	}
	for n := range 30 {
		d.do("K-2041", consignment.PrintLabels{Sheet: "a4", From: 1, To: 240, Reason: itoa(n)})
	}
	d.do("K-2041", consignment.HoldBack{Rung: ladder.Stop, Reason: "seen at the gate"})
	all.Wait()
	if drawn.Load() != boards {
		t.Errorf("%d of %d boards show the stop", drawn.Load(), boards)
	}
	for d.k.live.open.Load() > boards {
		// The slow one is told of steps until its window is full and the write times out.
		if _, err := d.store.Do(t.Context(), store.Step{Code: d.codes["K-2038"], Actor: consignment.Actor{ID: "x", Name: "Wilo Pasch"}, Command: consignment.PrintLabels{Sheet: "a4", From: 1, To: 2, Reason: "wet"}}); err != nil {
			t.Fatal(err)
		}
		time.Sleep(5 * time.Millisecond)
	}
	for _, e := range ears {
		e.stop()
		e.body.Close()
	}
	for i := 0; i < 400 && (d.k.live.open.Load() > 0 || runtime.NumGoroutine() > before+20); i++ {
		time.Sleep(10 * time.Millisecond)
	}
	if open, now := d.k.live.open.Load(), runtime.NumGoroutine(); open != 0 || now > before+20 {
		t.Errorf("%d streams and %d goroutines are left of %d after all boards went away", open, now, before)
	}
}
