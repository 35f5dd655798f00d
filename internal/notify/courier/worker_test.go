package courier

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"lastlook/internal/consignment"
	"lastlook/internal/demo"
	"lastlook/internal/ladder"
	"lastlook/internal/notify"
	"lastlook/internal/store"
)

// clock stands until it is moved.
type clock struct {
	mu  sync.Mutex
	now time.Time
}

func (c *clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now
}

func (c *clock) add(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = c.now.Add(d)
}

// site is an open store with a worker and a clock of their own.
type site struct {
	t     testing.TB
	st    *store.Store
	cfg   *Config
	w     *Worker
	clock *clock
	made  *demo.Made
}

// newSite fills a data folder with the demo's morning. yaml is its notify.yaml.
func newSite(t testing.TB, yaml func(dir string) string) *site {
	t.Helper()
	dir := t.TempDir()
	st, err := store.Open(ctx, dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { st.Close() })
	s := &site{t: t, st: st, clock: &clock{now: time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)}}
	if s.made, err = demo.Fill(ctx, st, s.clock.now); err != nil {
		t.Fatal(err)
	}
	st.Now = s.clock.Now
	s.cfg = configured(t, dir, yaml(dir))
	st.SetPlan(s.cfg.Plan)
	s.w = s.worker(st, quick)
	return s
}

func (s *site) worker(box Outbox, limits Limits) *Worker {
	w := NewWorker(box, s.cfg, newSender(s.cfg, "lastlook-7f3k9d2m", limits))
	w.Now, w.Chance = s.clock.Now, func() float64 { return 0 }
	return w
}

// stop finds something in the consignment at work.
func (s *site) stop() {
	s.t.Helper()
	tam := s.made.People[demo.Tam]
	step := store.Step{Code: s.made.Codes[demo.AtWork], Actor: consignment.Actor{ID: tam.ID, Name: tam.Name, Roles: tam.Roles}, Bench: demo.Bench}
	round := s.made.States[demo.AtWork].Round()
	for _, n := range round.ToExamine() {
		if round.Exams[n].Closed() {
			continue
		}
		for _, c := range []consignment.Command{consignment.Open{Package: n}, consignment.RecordFind{Rung: ladder.Stop, Facts: consignment.FindFacts{
			Package: n, Part: consignment.PartPackage, What: consignment.Suspect, Units: 1, Alive: consignment.AliveYes, Method: consignment.ByEye, Note: "never seen it"}}} {
			step.Command = c
			if _, err := s.st.Do(ctx, step); err != nil {
				s.t.Fatal(err)
			}
		}
		return
	}
}

func (s *site) pass() {
	s.t.Helper()
	if err := s.w.Pass(ctx); err != nil {
		s.t.Fatal(err)
	}
}

// line gives the newest message to a contact on a channel.
func (s *site) line(contact string, ch notify.Channel) store.Line {
	s.t.Helper()
	var found *store.Line
	if err := s.st.Outbox(ctx, true, func(l store.Line) error {
		if l.Contact == contact && l.Channel == ch && found == nil {
			found = &l
		}
		return nil
	}); err != nil || found == nil {
		s.t.Fatalf("there is no message to %s by %s, %v", contact, ch, err)
	}
	return *found
}

func (s *site) sound() {
	s.t.Helper()
	r, err := s.st.Audit(ctx, store.AuditOptions{})
	if err != nil || !r.Agrees() {
		s.t.Errorf("Audit: %v, %v", r.Findings, err)
	}
}

func pager(a *authority, url string) func(string) string {
	return func(dir string) string {
		return fmt.Sprintf(`
roots_file: %s
webhooks: {pager: {url: "%s", secret: %s}}
contacts: [{name: Ida Fenn, webhook: pager}]
levels: [{after_minutes: 10000, contacts: [Ida Fenn]}]
`, a.pem(dir), url, testSecret)
	}
}

// TestReceiverDownForAnHour: it answers 500 for an hour, then takes the message.
func TestReceiverDownForAnHour(t *testing.T) {
	a := newAuthority(t)
	cert := a.good()
	hook := hookServer(t, &cert)
	hook.say(func(_ int, w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusInternalServerError) })
	s := newSite(t, pager(a, hook.url))
	s.stop()
	start := s.clock.Now()
	for s.clock.Now().Sub(start) < time.Hour {
		s.pass()
		s.clock.add(30 * time.Second)
	}
	tries := len(hook.calls())
	if tries < 6 || tries > 20 {
		t.Errorf("in an hour it was tried %d times, want some and not many", tries)
	}
	if l := s.line("Ida Fenn", notify.Webhook); l.Standing != notify.Waiting || l.Attempts != tries || !strings.Contains(l.Said.String(), "(500)") || l.Failing(s.clock.Now()) {
		t.Errorf("after an hour: %+v", l)
	}
	s.clock.add(2 * time.Hour)
	if l := s.line("Ida Fenn", notify.Webhook); !l.Failing(s.clock.Now()) {
		t.Errorf("after three hours it does not count as failing: %+v", l)
	}
	hook.say(nil)
	s.pass()
	calls := hook.calls()
	for i, c := range calls {
		if c.err != nil || c.key != calls[0].key || string(c.body) != string(calls[0].body) {
			t.Errorf("try %d differs from the first: %+v", i+1, c)
		}
	}
	if l := s.line("Ida Fenn", notify.Webhook); l.Standing != notify.Taken || l.Failing(s.clock.Now()) {
		t.Errorf("in the end: %+v", l)
	}
	s.clock.add(time.Hour)
	s.pass()
	if n := len(hook.calls()); n != tries+1 {
		t.Errorf("after it was taken it was sent again: %d calls, want %d", n, tries+1)
	}
	s.sound()
}

// broken is a store that fails to keep what came of a try.
type broken struct {
	Outbox
	fail int
}

func (b *broken) Settle(ctx context.Context, w string, j notify.Job, r notify.Result, next time.Time) error {
	if b.fail > 0 {
		b.fail--
		return errors.New("the process was killed")
	}
	return b.Outbox.Settle(ctx, w, j, r, next)
}

// TestKilledBetweenSendingAndKeeping: the receiver took the message, and nobody here
// knows. It comes again, under the same key.
func TestKilledBetweenSendingAndKeeping(t *testing.T) {
	a := newAuthority(t)
	cert := a.good()
	hook, box := hookServer(t, &cert), mailServer(t, &cert, false, false)
	s := newSite(t, func(dir string) string {
		return fmt.Sprintf(`
roots_file: %s
smtp: {host: localhost, port: %d, from: bench@quillfern.example}
webhooks: {pager: {url: "%s", secret: %s}}
contacts: [{name: Ida Fenn, webhook: pager, email: ida@quillfern.example}]
levels: [{after_minutes: 10000, contacts: [Ida Fenn]}]
`, a.pem(dir), box.port, hook.url, testSecret)
	})
	s.stop()
	if err := s.worker(&broken{s.st, 2}, quick).Pass(ctx); err == nil {
		t.Fatal("the worker did not notice that nothing was kept")
	}
	s.pass() // the lease holds: nobody else sends
	if len(hook.calls()) != 1 || len(box.letters()) != 1 {
		t.Fatalf("%d calls and %d mails before the lease is over, want 1 of each", len(hook.calls()), len(box.letters()))
	}
	if l := s.line("Ida Fenn", notify.Mail); !l.Trying || l.Standing != notify.Waiting {
		t.Errorf("meanwhile the outbox shows %+v", l)
	}
	s.clock.add(lease + time.Second)
	s.pass()
	calls, letters := hook.calls(), box.letters()
	if len(calls) != 2 || calls[0].key == "" || calls[0].key != calls[1].key || string(calls[0].body) != string(calls[1].body) {
		t.Errorf("the receiver saw %+v, want the same twice", calls)
	}
	if len(letters) != 2 || letters[0].head.Get("Message-Id") == "" || letters[0].head.Get("Message-Id") != letters[1].head.Get("Message-Id") {
		t.Errorf("%d mails, want two with one Message-ID", len(letters))
	}
	if l := s.line("Ida Fenn", notify.Mail); l.Standing != notify.Taken || l.Attempts != 2 {
		t.Errorf("in the end %+v", l)
	}
	s.sound()
}

// TestHangAfterHandingOver: the server takes all of it and says nothing.
func TestHangAfterHandingOver(t *testing.T) {
	a := newAuthority(t)
	cert := a.good()
	box := mailServer(t, &cert, false, false)
	box.hang = make(chan struct{})
	s := newSite(t, func(dir string) string {
		return fmt.Sprintf(`
roots_file: %s
smtp: {host: localhost, port: %d, from: bench@quillfern.example}
contacts: [{name: Ida Fenn, email: ida@quillfern.example}]
levels: [{after_minutes: 10000, contacts: [Ida Fenn]}]
`, a.pem(dir), box.port)
	})
	s.stop()
	s.pass()
	if l := s.line("Ida Fenn", notify.Mail); !l.Unsure || l.Standing != notify.Waiting || !strings.Contains(l.Said.String(), "same Message-ID") {
		t.Errorf("after the hang %+v, %s", l, l.Said)
	}
	close(box.hang)
	s.clock.add(time.Minute)
	s.pass()
	letters := box.letters()
	if len(letters) != 2 || letters[0].head.Get("Message-Id") != letters[1].head.Get("Message-Id") {
		t.Errorf("%d mails, want two with one Message-ID", len(letters))
	}
	if l := s.line("Ida Fenn", notify.Mail); l.Standing != notify.Taken || l.Unsure {
		t.Errorf("in the end %+v", l)
	}
}

// TestSlowReceiverKeepsNobodyBack: one hangs, one refuses connections; the third
// gets its message while they do.
func TestSlowReceiverKeepsNobodyBack(t *testing.T) {
	a := newAuthority(t)
	cert := a.good()
	slow, fast := hookServer(t, &cert), hookServer(t, &cert)
	release := make(chan struct{})
	slow.say(func(int, http.ResponseWriter, *http.Request) { <-release })
	s := newSite(t, func(dir string) string {
		return fmt.Sprintf(`
roots_file: %s
smtp: {host: localhost, port: %d, from: bench@quillfern.example}
webhooks:
  slow: {url: "%s", secret: %s}
  fast: {url: "%s", secret: %s}
contacts:
  - {name: Ida Fenn, webhook: slow, email: ida@quillfern.example}
  - {name: Wilo Pasch, webhook: fast}
levels: [{after_minutes: 10000, contacts: [Ida Fenn, Wilo Pasch]}]
`, a.pem(dir), dead(t), slow.url, testSecret, fast.url, testSecret)
	})
	// No limit here runs out by itself: the test would hang if one waited for another.
	s.w = s.worker(s.st, Limits{Dial: time.Hour, Step: time.Hour, Whole: time.Hour})
	ctx, cancel := context.WithCancel(ctx)
	var running sync.WaitGroup
	running.Go(func() { s.w.Run(ctx) })
	s.stop() // the worker runs: this wakes it
	until(t, "the fast receiver has it", func() bool { return s.line("Wilo Pasch", notify.Webhook).Standing == notify.Taken })
	until(t, "the slow receiver was asked", func() bool { return len(slow.calls()) == 1 })
	until(t, "the dead server was tried", func() bool { return s.line("Ida Fenn", notify.Mail).Said.Key != "" })
	if l := s.line("Ida Fenn", notify.Webhook); l.Standing != notify.Waiting || !l.Trying {
		t.Errorf("the slow one: %+v", l)
	}
	close(release)
	until(t, "the slow receiver has it", func() bool { return s.line("Ida Fenn", notify.Webhook).Standing == notify.Taken })
	cancel()
	running.Wait()
	s.sound()
}

// until waits for something that happens by itself.
func until(t testing.TB, what string, ok func() bool) {
	t.Helper()
	for range 6000 {
		if ok() {
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
	t.Fatalf("it never came about that %s", what)
}

// TestNobodyAnswers: the first is refused for good, so the second is told at once; then
// the second again, until somebody answers.
func TestNobodyAnswers(t *testing.T) {
	a := newAuthority(t)
	cert := a.good()
	first, second := hookServer(t, &cert), hookServer(t, &cert)
	first.say(func(_ int, w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusNotFound) })
	s := newSite(t, func(dir string) string {
		return fmt.Sprintf(`
roots_file: %s
webhooks:
  first: {url: "%s", secret: %s}
  second: {url: "%s", secret: %s}
contacts:
  - {name: Ida Fenn, webhook: first}
  - {name: Wilo Pasch, webhook: second}
levels:
  - {after_minutes: 600, contacts: [Ida Fenn]}
  - {after_minutes: 10, contacts: [Wilo Pasch]}
`, a.pem(dir), first.url, testSecret, second.url, testSecret)
	})
	s.stop()
	s.pass()
	s.pass()
	if n := len(second.calls()); n != 1 {
		t.Fatalf("after the refusal the second got %d calls, want 1", n)
	}
	if l := s.line("Ida Fenn", notify.Webhook); l.Standing != notify.Never || l.Status != 404 {
		t.Errorf("the first: %+v", l)
	}
	for _, after := range []time.Duration{10 * time.Minute, 20 * time.Minute, 40 * time.Minute} {
		before := len(second.calls())
		s.clock.add(after - time.Second)
		s.pass()
		if n := len(second.calls()); n != before {
			t.Errorf("before %v were over the second was told again", after)
		}
		s.clock.add(time.Second)
		s.pass()
		calls := second.calls()
		if len(calls) != before+1 || calls[before].key == calls[before-1].key {
			t.Errorf("after %v: %d calls, want one more with a key of its own", after, len(calls))
		}
	}
	open, err := s.st.OpenNotices(ctx)
	if err != nil || len(open) != 1 {
		t.Fatal(open, err)
	}
	if _, err := s.st.Acknowledge(ctx, open[0].ID, consignment.Actor{ID: "B", Name: "Ida Fenn"}, "bench 1", ""); err != nil {
		t.Fatal(err)
	}
	before := len(second.calls())
	s.clock.add(1000 * time.Hour)
	s.pass()
	if n := len(second.calls()); n != before {
		t.Errorf("after the answer the second got %d more calls", n-before)
	}
	s.sound()
}

// TestDestinationDown: while the way itself is broken, one message in a while finds
// out, and the others keep their place.
func TestDestinationDown(t *testing.T) {
	a := newAuthority(t)
	port := dead(t)
	s := newSite(t, func(dir string) string {
		var names, contacts []string
		for i := range 50 {
			names = append(names, fmt.Sprintf("C%d", i))
			contacts = append(contacts, fmt.Sprintf("{name: C%d, email: c%d@quillfern.example}", i, i))
		}
		return fmt.Sprintf(`
roots_file: %s
smtp: {host: localhost, port: %d, from: bench@quillfern.example}
contacts: [%s]
levels: [{after_minutes: 10000, contacts: [%s]}]
`, a.pem(dir), port, strings.Join(contacts, ", "), strings.Join(names, ", "))
	})
	s.stop()
	tried := func() (n int) {
		if err := s.st.Outbox(ctx, false, func(l store.Line) error { n += l.Attempts; return nil }); err != nil {
			t.Fatal(err)
		}
		return n
	}
	s.pass()
	s.pass()
	if n := tried(); n != 1 {
		t.Errorf("%d tries at a server that is not there, want 1 before a pause", n)
	}
	s.clock.add(longestPause)
	s.pass()
	if n := tried(); n != 2 {
		t.Errorf("%d tries after the pause, want 2", n)
	}
}

// TestTenThousandMessages is the longest queue that was thought of: a site whose
// network was away for a year. Each arrives once.
func TestTenThousandMessages(t *testing.T) {
	if testing.Short() {
		t.Skip("takes a while")
	}
	const heads, contacts = 500, 20
	a := newAuthority(t)
	cert := a.good()
	hook := hookServer(t, &cert)
	dir := t.TempDir()
	if memory, err := os.MkdirTemp("/dev/shm", "lastlook-test-"); err == nil { // forcing 20 000 transactions to a disk is not what is tested
		dir = memory
		t.Cleanup(func() { os.RemoveAll(memory) })
	}
	st, err := store.Open(ctx, dir)
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	s := &site{t: t, st: st, clock: &clock{now: time.Date(2025, 11, 25, 9, 0, 0, 0, time.UTC)}}
	st.Now = s.clock.Now
	var names, list []string
	for i := range contacts {
		names = append(names, fmt.Sprintf("C%d", i))
		list = append(list, fmt.Sprintf("{name: C%d, webhook: pager}", i))
	}
	s.cfg = configured(t, dir, fmt.Sprintf(`
roots_file: %s
webhooks: {pager: {url: "%s", secret: %s}}
contacts: [%s]
levels: [{after_minutes: 10000, contacts: [C0]}]
heads: {every_hours: 17, to: [%s]}
`, a.pem(dir), hook.url, testSecret, strings.Join(list, ", "), strings.Join(names, ", ")))
	st.SetPlan(s.cfg.Plan)
	for range heads {
		if sent, _, err := st.SendHead(ctx); err != nil || !sent {
			t.Fatalf("SendHead = %v, %v", sent, err)
		}
		s.clock.add(17 * time.Hour)
	}
	s.clock.add(-17 * time.Hour) // no more heads
	if c, err := st.CountOutbox(ctx); err != nil || c.Waiting != heads*contacts {
		t.Fatalf("CountOutbox = %+v, %v; want %d", c, err, heads*contacts)
	}
	s.w = s.worker(st, usual)
	ctx, cancel := context.WithCancel(ctx)
	var running sync.WaitGroup
	running.Go(func() { s.w.Run(ctx) })
	until(t, "all have arrived", func() bool {
		c, err := st.CountOutbox(context.Background())
		time.Sleep(100 * time.Millisecond)
		return err == nil && c.Waiting == 0
	})
	cancel()
	running.Wait()
	keys := map[string]bool{}
	for _, c := range hook.calls() {
		if c.err != nil {
			t.Fatal(c.err)
		}
		keys[c.key] = true
	}
	if n := len(hook.calls()); n != heads*contacts || len(keys) != n {
		t.Errorf("%d calls with %d keys, want %d of each", n, len(keys), heads*contacts)
	}
}

// TestRunEndsWhileSending: the bench is stopped while a message is under way.
func TestRunEndsWhileSending(t *testing.T) {
	a := newAuthority(t)
	cert := a.good()
	hook := hookServer(t, &cert)
	arrived, release := make(chan struct{}), make(chan struct{})
	hook.say(func(int, http.ResponseWriter, *http.Request) { close(arrived); <-release })
	s := newSite(t, pager(a, hook.url))
	s.w = s.worker(s.st, usual)
	s.stop()
	ctx, cancel := context.WithCancel(ctx)
	ended := make(chan struct{})
	go func() { s.w.Run(ctx); close(ended) }()
	<-arrived
	cancel()
	time.Sleep(100 * time.Millisecond) // if it were broken off, it would be by now
	close(release)
	<-ended
	if l := s.line("Ida Fenn", notify.Webhook); l.Standing != notify.Taken {
		t.Errorf("what was under way is %+v, want delivered", l)
	}
}
