package store

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"gorm.io/gorm"

	"lastlook/internal/consignment"
	"lastlook/internal/ladder"
	"lastlook/internal/ledger"
	"lastlook/internal/notify"
	"lastlook/internal/say"
)

// settable is a clock that stands until it is set.
type settable struct {
	mu  sync.Mutex
	now time.Time
}

func (c *settable) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now
}

func (c *settable) add(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = c.now.Add(d)
}

var (
	idaFenn = notify.Contact{Name: "Ida Fenn", Channels: []notify.Channel{notify.Mail, notify.Webhook}}
	wilo    = notify.Contact{Name: "Wilo Pasch", Channels: []notify.Channel{notify.Webhook}}
	telling = notify.Plan{
		Levels:     []notify.Level{{After: 15 * time.Minute, Contacts: []notify.Contact{idaFenn}}, {After: 30 * time.Minute, Contacts: []notify.Contact{wilo}}},
		HeadsEvery: 24 * time.Hour, HeadsTo: []notify.Contact{wilo},
	}
)

// stop inspects a new consignment until something is found that stops it.
func stop(t testing.TB, s *Store, number string) consignment.Recorded {
	t.Helper()
	code := register(t, s, order(number, 2))
	st, err := s.Consignment(ctx, code)
	if err != nil {
		t.Fatal(err)
	}
	bench := "bench of " + number // a bench stays as it is after a stop: each has one of its own
	do := func(c consignment.Command) *consignment.State {
		t.Helper()
		done, err := s.Do(ctx, Step{Code: code, Actor: tam, Bench: bench, Command: c})
		if err != nil {
			t.Fatalf("%T%+v: %v", c, c, err)
		}
		return done.State
	}
	for {
		if r := st.Running(); r != nil && r.OpenAt(bench) != nil {
			st = do(consignment.RecordFind{Rung: ladder.Stop, Facts: consignment.FindFacts{
				Package: r.OpenAt(bench).Package, Part: consignment.PartPackage, What: consignment.Suspect, Units: 1, Alive: consignment.AliveYes, Method: consignment.ByEye, Note: "never seen it"}})
			return st.History[len(st.History)-1]
		}
		st = do(scripted(s, st))
	}
}

func oneNotice(t testing.TB, s *Store) Notice {
	t.Helper()
	open, err := s.OpenNotices(ctx)
	if err != nil || len(open) != 1 {
		t.Fatalf("OpenNotices = %d, %v; want 1", len(open), err)
	}
	return open[0]
}

func claim(t testing.TB, s *Store, worker string, ch notify.Channel, limit int) []notify.Job {
	t.Helper()
	jobs, err := s.Claim(ctx, notify.Claim{Worker: worker, Channel: ch, Contacts: []string{"Ida Fenn", "Wilo Pasch"}, Limit: limit, Lease: 5 * time.Minute})
	if err != nil {
		t.Fatal(err)
	}
	return jobs
}

func settle(t testing.TB, s *Store, worker string, job notify.Job, r notify.Result, next time.Time) {
	t.Helper()
	if err := s.Settle(ctx, worker, job, r, next); err != nil {
		t.Fatal(err)
	}
}

func told(n Notice) string {
	var out []string
	for _, l := range n.Told {
		out = append(out, fmt.Sprintf("%d/%s/%s/%s", l.Telling, l.Contact, l.Channel, l.Standing))
	}
	slices.Sort(out)
	return strings.Join(out, " ")
}

func TestStopIsTold(t *testing.T) {
	s := open(t, t.TempDir())
	s.SetPlan(telling)
	bell := s.Queued()
	end := stop(t, s, "K-2041")
	select {
	case <-bell:
	default:
		t.Error("the stop did not ring")
	}
	n := oneNotice(t, s)
	if n.Cause != notify.Stop || n.Number != "K-2041" || n.Level != 1 || n.Answer != nil || !strings.Contains(fmt.Sprint(n.What), "K-2041") {
		t.Errorf("the notice is %+v", n)
	}
	if got, want := told(n), "0//print/waiting 0//screen/waiting 0/Ida Fenn/mail/waiting 0/Ida Fenn/webhook/waiting"; got != want {
		t.Errorf("told %s\nwant %s", got, want)
	}
	var row eventRow
	if err := s.db.Where("stream = ? AND version = ?", consignmentStream+n.Code, end.Version).Take(&row).Error; err != nil {
		t.Fatal(err)
	}
	if want := notify.OccasionID(row.entry().Hash()); n.ID != want {
		t.Errorf("the id is %s, want %s of the ledger's leaf", n.ID, want)
	}
	sound(t, s)
}

func TestNothingIsToldOfWhatWasNotKept(t *testing.T) {
	s := open(t, t.TempDir())
	s.SetPlan(telling)
	bell := s.Queued()
	boom := errors.New("boom")
	err := s.inTx(ctx, func(tx *gorm.DB) error {
		leaf := ledger.Hash{1}
		id := notify.OccasionID(leaf)
		if _, err := s.doNotice(tx, id, itself, "", "", notify.Raise{ID: id, Occasion: notify.Occasion{Cause: notify.Stop}, Plan: telling}); err != nil {
			return err
		}
		return boom
	})
	if !errors.Is(err, boom) {
		t.Fatal(err)
	}
	select {
	case <-bell:
		t.Error("it rang for a step that was not kept")
	default:
	}
	if got := dump(t, s.sql, "notices", "outbox"); got != "" {
		t.Errorf("left behind:\n%s", got)
	}
}

func TestSameEventIsQueuedOnce(t *testing.T) {
	s := open(t, t.TempDir())
	s.SetPlan(telling)
	stop(t, s, "K-2041")
	before := dump(t, s.sql, "outbox", "events")
	n := oneNotice(t, s)
	err := s.inTx(ctx, func(tx *gorm.DB) error {
		_, err := s.doNotice(tx, n.ID, itself, "", "", notify.Raise{ID: n.ID, Occasion: notify.Occasion{Cause: notify.Stop}, Plan: telling})
		return err
	})
	if after := dump(t, s.sql, "outbox", "events"); err != nil || after != before {
		t.Errorf("raised again: %v\n%s\nwant\n%s", err, after, before)
	}
	// The table holds to it as well, whatever the code does.
	_, err = s.sql.Exec("INSERT INTO outbox (id, notice, contact, channel, telling, level, queued_at, standing, ended_at, status) SELECT 'x', notice, contact, channel, telling, level, queued_at, standing, ended_at, status FROM outbox LIMIT 1")
	if err == nil {
		t.Error("the table took the same message twice")
	}
}

func TestNobodyElseGetsWhatIsInHand(t *testing.T) {
	s := open(t, t.TempDir())
	clock := &settable{now: t0}
	s.SetPlan(telling)
	stop(t, s, "K-2041")
	clock.now = s.Now()
	s.Now = clock.Now
	jobs := claim(t, s, "a", notify.Mail, 9)
	if len(jobs) != 1 || jobs[0].To != "Ida Fenn" || jobs[0].Attempts != 1 || jobs[0].Unsure || len(jobs[0].Occasion.What) == 0 {
		t.Fatalf("Claim = %+v, want one mail to Ida Fenn", jobs)
	}
	if again := claim(t, s, "b", notify.Mail, 9); len(again) != 0 {
		t.Errorf("another worker got %+v", again)
	}
	if next, err := s.NextTry(ctx, notify.Mail, []string{"Ida Fenn"}); err != nil || !next.Equal(clock.now.Add(5*time.Minute)) {
		t.Errorf("NextTry = %v, %v; want the end of the lease", next, err)
	}
	// The worker died: when the lease is over another one takes it, and knows that the
	// first try may have arrived.
	clock.add(5 * time.Minute)
	again := claim(t, s, "b", notify.Mail, 9)
	if len(again) != 1 || again[0].ID != jobs[0].ID || !again[0].Unsure || again[0].Attempts != 2 {
		t.Fatalf("after the lease Claim = %+v, want the same message, unsure", again)
	}
	// What the first worker says now no longer counts, except that it was taken.
	settle(t, s, "a", jobs[0], notify.Result{Fate: notify.Failed, Said: say.T("late")}, clock.now.Add(time.Hour))
	if n := oneNotice(t, s); !strings.Contains(told(n), "0/Ida Fenn/mail/waiting") || n.Told[2].Said.Key == "late" || !n.Told[2].Trying || !n.Told[2].Unsure {
		t.Errorf("a worker that lost its lease changed %+v", n.Told[2])
	}
	settle(t, s, "a", jobs[0], notify.Result{Fate: notify.Took, Status: 250}, time.Time{})
	settle(t, s, "b", again[0], notify.Result{Fate: notify.Denied, Status: 550}, time.Time{})
	if n := oneNotice(t, s); !strings.Contains(told(n), "0/Ida Fenn/mail/delivered") {
		t.Errorf("told %s, want the mail delivered, whatever came after", told(n))
	}
	sound(t, s)
}

func TestManyWorkersNeverShareAMessage(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	s.SetPlan(telling)
	for i := range 5 {
		stop(t, s, fmt.Sprintf("K-%d", i))
	}
	other, err := Open(ctx, dir) // as another process would
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	now := s.Now()
	s.Now = func() time.Time { return now }
	other.Now = s.Now
	var mu sync.Mutex
	got := map[string]int{}
	var wg sync.WaitGroup
	for i := range 8 {
		st := s
		if i%2 == 1 {
			st = other
		}
		wg.Go(func() {
			for range 20 { // more than there are
				jobs, err := st.Claim(ctx, notify.Claim{Worker: fmt.Sprint(i), Channel: notify.Webhook, Contacts: []string{"Ida Fenn"}, Limit: 1, Lease: time.Minute})
				if err != nil {
					t.Error(err)
					return
				}
				if len(jobs) == 0 {
					return
				}
				mu.Lock()
				got[jobs[0].ID]++
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	if len(got) != 5 {
		t.Errorf("%d messages were taken in hand, want 5", len(got))
	}
	for id, n := range got {
		if n != 1 {
			t.Errorf("message %s was taken in hand %d times", id, n)
		}
	}
}

func TestEscalation(t *testing.T) {
	s := open(t, t.TempDir())
	s.SetPlan(telling)
	stop(t, s, "K-2041")
	clock := &settable{now: s.Now()}
	s.Now = clock.Now
	raised := oneNotice(t, s).RaisedAt
	escalate := func(want int) time.Time {
		t.Helper()
		told, next, err := s.Escalate(ctx)
		if err != nil || told != want {
			t.Fatalf("Escalate = %d, %v; want %d", told, err, want)
		}
		return next
	}
	if next := escalate(0); !next.Equal(raised.Add(15 * time.Minute)) {
		t.Errorf("next is due at %v, want after 15 minutes", next)
	}
	clock.now = raised.Add(15 * time.Minute)
	escalate(1)
	if next := escalate(0); !next.Equal(clock.now.Add(30 * time.Minute)) {
		t.Errorf("then at %v, want after 30 minutes more", next)
	}
	clock.add(30 * time.Minute)
	escalate(1)
	if got, want := told(oneNotice(t, s)), "1/Wilo Pasch/webhook/waiting 2/Wilo Pasch/webhook/waiting"; !strings.HasSuffix(got, want) {
		t.Errorf("told %s, want at the end %s", got, want)
	}
	n, err := s.Acknowledge(ctx, oneNotice(t, s).ID, tam, "bench 1", "k1")
	if err != nil || n.Answer == nil || n.Answer.By.Name != "Tam Orrin" || n.Answer.Bench != "bench 1" {
		t.Fatalf("Acknowledge = %+v, %v", n.Answer, err)
	}
	for _, key := range []string{"k1", "k2"} {
		again, err := s.Acknowledge(ctx, n.ID, consignment.Actor{ID: "CCCC", Name: "Ida Fenn"}, "bench 2", key)
		if err != nil || again.Answer.By.Name != "Tam Orrin" {
			t.Errorf("answered again with %s: %+v, %v; want the first answer", key, again.Answer, err)
		}
	}
	clock.add(100 * time.Hour)
	escalate(0)
	if open, err := s.OpenNotices(ctx); err != nil || len(open) != 0 {
		t.Errorf("OpenNotices = %v, %v; want none", open, err)
	}
	if _, err := s.Acknowledge(ctx, "ffffffffffffffffffffffff", tam, "bench 1", "k9"); say.CodeOf(err) != say.NotFound {
		t.Errorf("answering what is not there: %v", err)
	}
	sound(t, s)
}

// TestAnsweringTheStopAnswersTheNotice: whoever decides on a stop knows of it.
func TestAnsweringTheStopAnswersTheNotice(t *testing.T) {
	s := open(t, t.TempDir())
	s.SetPlan(telling)
	stop(t, s, "K-1")
	stop(t, s, "K-2")
	all, err := s.OpenNotices(ctx)
	if err != nil || len(all) != 2 {
		t.Fatalf("OpenNotices = %d, %v; want 2", len(all), err)
	}
	ida := consignment.Actor{ID: "CCCC", Name: "Ida Fenn", Roles: []string{consignment.Supervisor}}
	if _, err := s.Do(ctx, Step{Code: all[0].Code, Actor: ida, Bench: "office", Command: consignment.AnswerStop{Answer: consignment.StopKept}}); err != nil {
		t.Fatal(err)
	}
	if left := oneNotice(t, s); left.ID != all[1].ID {
		t.Errorf("%s is open, want %s of the other consignment", left.Number, all[1].Number)
	}
	n, err := s.Notice(ctx, all[0].ID)
	if err != nil || n.Answer == nil || n.Answer.By.Name != "Ida Fenn" || n.Answer.Bench != "office" {
		t.Errorf("Notice = %+v, %v; want it answered by Ida Fenn", n.Answer, err)
	}
	sound(t, s)
}

func TestRefusedIsToldToOthersAtOnce(t *testing.T) {
	s := open(t, t.TempDir())
	s.SetPlan(telling)
	stop(t, s, "K-2041")
	for i, ch := range []notify.Channel{notify.Mail, notify.Webhook} {
		if n, _, err := s.Escalate(ctx); err != nil || n != 0 {
			t.Fatalf("with %d refused Escalate = %d, %v; want none yet", i, n, err)
		}
		settle(t, s, "a", claim(t, s, "a", ch, 1)[0], notify.Result{Fate: notify.Denied, Status: 550, Said: say.T("no such box")}, time.Time{})
	}
	if n, _, err := s.Escalate(ctx); err != nil || n != 1 {
		t.Fatalf("with all refused Escalate = %d, %v; want 1 at once", n, err)
	}
	c, err := s.CountOutbox(ctx)
	if want := (OutboxCount{Waiting: 1, Refused: 2, Unanswered: 1}); err != nil || c != want {
		t.Errorf("CountOutbox = %+v, %v; want %+v", c, err, want)
	}
}

// TestPlanMadeLater: a stop before anybody was named is told as soon as somebody is.
func TestPlanMadeLater(t *testing.T) {
	s := open(t, t.TempDir())
	stop(t, s, "K-2041")
	if got, want := told(oneNotice(t, s)), "0//print/waiting 0//screen/waiting"; got != want {
		t.Errorf("told %s, want %s", got, want)
	}
	if n, _, err := s.Escalate(ctx); err != nil || n != 0 {
		t.Errorf("without a plan Escalate = %d, %v", n, err)
	}
	s.SetPlan(telling)
	if n, _, err := s.Escalate(ctx); err != nil || n != 1 {
		t.Fatalf("Escalate = %d, %v; want 1", n, err)
	}
	if got := told(oneNotice(t, s)); !strings.Contains(got, "1/Ida Fenn/mail/waiting") {
		t.Errorf("told %s, want Ida Fenn as well", got)
	}
}

func TestPrinted(t *testing.T) {
	s := open(t, t.TempDir())
	stop(t, s, "K-2041")
	todo, err := s.Unprinted(ctx)
	if err != nil || len(todo) != 1 {
		t.Fatalf("Unprinted = %v, %v; want one", todo, err)
	}
	for range 2 {
		if _, err := s.MarkPrinted(ctx, todo[0].ID, tam, "bench 1", "p1"); err != nil {
			t.Fatal(err)
		}
	}
	if todo, err := s.Unprinted(ctx); err != nil || len(todo) != 0 {
		t.Errorf("Unprinted = %v, %v; want none", todo, err)
	}
}

func TestHeadsAreSentOut(t *testing.T) {
	s := open(t, t.TempDir())
	clock := &settable{now: t0}
	s.Now = clock.Now
	if sent, _, err := s.SendHead(ctx); err != nil || sent {
		t.Fatalf("without a plan SendHead = %v, %v", sent, err)
	}
	s.SetPlan(telling)
	head, err := s.Head(ctx)
	if err != nil {
		t.Fatal(err)
	}
	sent, next, err := s.SendHead(ctx)
	if err != nil || !sent || !next.Equal(t0.Add(24*time.Hour)) {
		t.Fatalf("SendHead = %v, %v, %v; want sent, next in a day", sent, next, err)
	}
	jobs := claim(t, s, "a", notify.Webhook, 9)
	if len(jobs) != 1 || jobs[0].Occasion.Head != head.Note || jobs[0].To != "Wilo Pasch" {
		t.Fatalf("Claim = %+v, want the signed head to Wilo Pasch", jobs)
	}
	clock.add(23 * time.Hour)
	if sent, _, err := s.SendHead(ctx); err != nil || sent {
		t.Errorf("a day too early SendHead = %v, %v", sent, err)
	}
	clock.add(time.Hour)
	if sent, _, err := s.SendHead(ctx); err != nil || !sent {
		t.Errorf("after a day SendHead = %v, %v", sent, err)
	}
	// A clock that was years ahead must not silence it.
	clock.add(-9000 * time.Hour)
	if sent, _, err := s.SendHead(ctx); err != nil || !sent {
		t.Errorf("with the clock put back SendHead = %v, %v", sent, err)
	}
	if n, err := s.OpenNotices(ctx); err != nil || len(n) != 0 {
		t.Errorf("OpenNotices = %v, %v; nobody has to answer a head", n, err)
	}
	report, err := s.Audit(ctx, AuditOptions{})
	if err != nil || !report.Agrees() {
		t.Errorf("Audit: %v, %v", report.Findings, err)
	}
}

func TestRebuildKeepsTheOutbox(t *testing.T) {
	s := open(t, t.TempDir())
	s.SetPlan(telling)
	for i := range 3 {
		stop(t, s, fmt.Sprintf("K-%d", i))
	}
	settle(t, s, "a", claim(t, s, "a", notify.Mail, 1)[0], notify.Result{Fate: notify.Took, Status: 250, Said: say.T("queued")}, time.Time{})
	settle(t, s, "a", claim(t, s, "a", notify.Mail, 1)[0], notify.Result{Fate: notify.Unknown, Said: say.T("no word")}, t0.Add(90*time.Minute))
	claim(t, s, "a", notify.Webhook, 1)
	before := dump(t, s.sql, "notices", "outbox")
	for _, broken := range []string{
		"UPDATE outbox SET standing = 'delivered'", "DELETE FROM notices", "UPDATE notices SET answered_at = told_at",
		"INSERT INTO outbox (id, notice, contact, channel, telling, level, queued_at, standing, ended_at, status) VALUES ('x', 'y', '', 'mail', 0, 0, '', 'waiting', '', 0)",
		"INSERT INTO outbox (id, notice, contact, channel, telling, level, queued_at, standing, ended_at, status) SELECT 'x', id, 'Tam Orrin', 'mail', 0, 0, '', 'waiting', '', 0 FROM notices LIMIT 1",
	} {
		if _, err := s.sql.Exec(broken); err != nil {
			t.Fatal(err)
		}
		report, err := s.Audit(ctx, AuditOptions{})
		if err != nil || report.Agrees() {
			t.Errorf("after %q the audit finds nothing, %v", broken, err)
		}
		if _, err := s.Rebuild(ctx, nil); err != nil {
			t.Fatal(err)
		}
		if after := dump(t, s.sql, "notices", "outbox"); after != before {
			t.Errorf("after %q and a rebuild:\n%s\nwant\n%s", broken, after, before)
		}
	}
	if _, err := s.sql.Exec("DELETE FROM outbox WHERE channel = 'mail'"); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Rebuild(ctx, nil); err != nil {
		t.Fatal(err)
	}
	if n := len(claim(t, s, "b", notify.Mail, 9)); n != 2 {
		t.Errorf("%d mails are to be sent after the outbox was lost and made again, want the 2 that were not delivered", n)
	}
	report, err := s.Audit(ctx, AuditOptions{})
	if err != nil || !report.Agrees() || len(report.Notes) != 0 {
		t.Errorf("Audit: %v, %v, %v", report.Findings, report.Notes, err)
	}
}

func TestAuditMissesTheStepANoticeTellsOf(t *testing.T) {
	s := open(t, t.TempDir())
	id := notify.OccasionID(ledger.Hash{7})
	err := s.inTx(ctx, func(tx *gorm.DB) error {
		_, err := s.doNotice(tx, id, itself, "", "", notify.Raise{ID: id, Occasion: notify.Occasion{Cause: notify.Stop, Stream: consignmentStream + "7F3K", Version: 1}})
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	report, err := s.Audit(ctx, AuditOptions{})
	if err != nil || !strings.Contains(fmt.Sprint(report.Findings), "not on record") {
		t.Errorf("Audit = %v, %v; want that the step is not on record", report.Findings, err)
	}
}

func TestVerifyLooksAtTheOutbox(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	s.SetPlan(telling)
	stop(t, s, "K-2041")
	s.Close()
	path := filepath.Join(dir, File)
	if _, err := Verify(ctx, path); err != nil {
		t.Fatal(err)
	}
	s = open(t, dir)
	if _, err := s.sql.Exec("UPDATE outbox SET contact = 'Bea Lund' WHERE channel = 'mail'"); err != nil {
		t.Fatal(err)
	}
	s.Close()
	if _, err := Verify(ctx, path); err == nil || !strings.Contains(err.Error(), "outbox") {
		t.Errorf("Verify = %v, want that the outbox is not what the record gives", err)
	}
}

func TestOutboxIsListedInPages(t *testing.T) {
	s := open(t, t.TempDir())
	now := t0
	s.Now = func() time.Time { return now }
	const many = 1203
	raiseMany(t, s, many, notify.Plan{Levels: []notify.Level{{After: time.Hour, Contacts: []notify.Contact{wilo}}}})
	settle(t, s, "a", claim(t, s, "a", notify.Webhook, 1)[0], notify.Result{Fate: notify.Took, Status: 204}, time.Time{})
	count := func(all bool) (n int) {
		seen := map[string]bool{}
		if err := s.Outbox(ctx, all, func(l Line) error { n++; seen[l.ID] = true; return nil }); err != nil || len(seen) != n {
			t.Fatalf("Outbox = %v, %d of %d are different", err, len(seen), n)
		}
		return n
	}
	if got := count(true); got != 3*many {
		t.Errorf("%d messages are listed, want %d", got, 3*many)
	}
	if got := count(false); got != 3*many-1 {
		t.Errorf("%d messages that are not delivered are listed, want %d", got, 3*many-1)
	}
	now = now.Add(notify.FailingAfter)
	if c, err := s.CountOutbox(ctx); err != nil || c != (OutboxCount{Waiting: many - 1, Failing: many - 1, Unanswered: many}) {
		t.Errorf("CountOutbox = %+v, %v", c, err)
	}
}

// TestClaimLooksAtHeadsOfQueues: a claim must not walk the whole queue.
func TestClaimLooksAtHeadsOfQueues(t *testing.T) {
	s := open(t, t.TempDir())
	raiseMany(t, s, 50, telling)
	rows, err := s.sql.Query("EXPLAIN QUERY PLAN SELECT id FROM outbox WHERE standing = 'waiting' AND channel = ? AND contact = ? AND next_at <= ? AND lease_until <= ? ORDER BY next_at, queued_at, id LIMIT 1", "mail", "Ida Fenn", "9", "9")
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	var plan []string
	for rows.Next() {
		var id, parent, unused int
		var detail string
		if err := rows.Scan(&id, &parent, &unused, &detail); err != nil {
			t.Fatal(err)
		}
		plan = append(plan, detail)
	}
	if got := strings.Join(plan, "; "); !strings.Contains(got, "USING INDEX outbox_waiting") || strings.Contains(got, "TEMP B-TREE") {
		t.Errorf("SQLite would %s; want an index search without sorting", got)
	}
}

// raiseMany raises occasions without inspections.
func raiseMany(t testing.TB, s *Store, n int, p notify.Plan) {
	t.Helper()
	for start := 0; start < n; start += 500 {
		err := s.inTx(ctx, func(tx *gorm.DB) error {
			for i := start; i < min(n, start+500); i++ {
				id := notify.OccasionID(ledger.Hash{byte(i >> 16), byte(i >> 8), byte(i), 1})
				o := notify.Occasion{Cause: notify.Stop, Code: "7F3K", Number: fmt.Sprint("K-", i), What: []say.Text{say.T("stopped")}}
				if _, err := s.doNotice(tx, id, itself, "", "", notify.Raise{ID: id, Occasion: o, Plan: p}); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
}

// TestNoticesNameNoAddresses holds the events to what may stand in the history.
func TestNoticesNameNoAddresses(t *testing.T) {
	s := open(t, t.TempDir())
	s.SetPlan(telling)
	stop(t, s, "K-2041")
	job := claim(t, s, "a", notify.Mail, 1)[0]
	settle(t, s, "a", job, notify.Result{Fate: notify.Denied, Status: 550, Said: say.T("%s", "no box ida@quillfern.example")}, time.Time{})
	var events []eventRow
	if err := s.db.Where("stream LIKE ?", noticeStream+"%").Find(&events).Error; err != nil || len(events) != 2 {
		t.Fatalf("%d events, %v; want 2", len(events), err)
	}
	for _, e := range events {
		if strings.Contains(e.Data, "@") || strings.Contains(e.Data, "no box") {
			t.Errorf("the event holds what must not leave the outbox: %s", e.Data)
		}
	}
	n := oneNotice(t, s)
	i := slices.IndexFunc(n.Told, func(l Line) bool { return l.ID == job.ID })
	if l := n.Told[i]; l.Said.String() != "no box ida@quillfern.example" || l.Status != 550 || !reflect.DeepEqual(l.Word(s.Now()), say.T("refused")) {
		t.Errorf("the outbox shows %+v, want what the server said", l)
	}
}

// BenchmarkOutbox sends a message from the queue to its end without a network: what
// it costs to claim it and to record that it was taken. The floor is as many single
// inserts, which is what a durable queue cannot do without.
func BenchmarkOutbox(b *testing.B) {
	s := open(b, b.TempDir())
	now := t0
	s.Now = func() time.Time { return now }
	raiseMany(b, s, b.N, notify.Plan{Levels: []notify.Level{{After: time.Hour, Contacts: []notify.Contact{wilo}}}})
	if _, err := s.sql.Exec("CREATE TABLE floor (id INTEGER PRIMARY KEY, data TEXT)"); err != nil {
		b.Fatal(err)
	}
	data := strings.Repeat("x", 300)
	start := time.Now()
	for range b.N {
		if _, err := s.sql.Exec("INSERT INTO floor (data) VALUES (?)", data); err != nil {
			b.Fatal(err)
		}
	}
	floor := time.Since(start)
	b.ResetTimer()
	for range b.N {
		jobs, err := s.Claim(context.Background(), notify.Claim{Worker: "a", Channel: notify.Webhook, Contacts: []string{"Wilo Pasch"}, Limit: 1, Lease: time.Minute})
		if err != nil || len(jobs) != 1 {
			b.Fatalf("Claim = %d, %v", len(jobs), err)
		}
		if err := s.Settle(context.Background(), "a", jobs[0], notify.Result{Fate: notify.Took, Status: 204}, time.Time{}); err != nil {
			b.Fatal(err)
		}
	}
	b.StopTimer()
	b.ReportMetric(float64(b.Elapsed())/float64(floor), "×floor")
}
