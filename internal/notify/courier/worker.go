package courier

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"log/slog"
	mathrand "math/rand/v2"
	"sync"
	"time"

	"lastlook/internal/notify"
)

// Outbox is what the worker needs of the store.
type Outbox interface {
	// Claim takes messages in hand that are due. Nobody else gets them until the
	// lease is over.
	Claim(ctx context.Context, c notify.Claim) ([]notify.Job, error)
	// Settle keeps what came of a try; next is when to try again, if at all.
	Settle(ctx context.Context, worker string, job notify.Job, r notify.Result, next time.Time) error
	// NextTry tells when a message is next due, zero if none is waiting.
	NextTry(ctx context.Context, ch notify.Channel, contacts []string) (time.Time, error)
	// Escalate tells more people of what nobody answered in time, and when it is
	// next due.
	Escalate(ctx context.Context) (told int, next time.Time, err error)
	// SendHead queues the signed head if that is due, and tells when it is next due.
	SendHead(ctx context.Context) (sent bool, next time.Time, err error)
	// Queued gives a channel that is closed when messages are next queued.
	Queued() <-chan struct{}
}

const (
	// parallel is how many messages are under way to one destination at once.
	parallel = 4
	// look is how often the outbox is looked at without being told to: another
	// program may have queued something, and clocks jump.
	look = 15 * time.Second
	// lease is longer than a message can be under way.
	lease = 5 * time.Minute
	// grace is how long messages under way may take when the bench is stopped.
	grace = 8 * time.Second
	// longestPause is how long a destination that cannot be reached is left alone.
	longestPause = time.Minute
	// settleIn is how long keeping what came of a try may take.
	settleIn = 30 * time.Second
)

// Worker sends what is in the outbox. Make it with [NewWorker] and [Worker.Run] it
// beside the bench. Several workers, in one program or in several, may share one outbox.
type Worker struct {
	box   Outbox
	lanes []*lane
	id    string
	send  func(context.Context, notify.Job) notify.Result
	// Now is the clock and Chance gives numbers from 0 to below 1; tests set them
	// before Run.
	Now    func() time.Time
	Chance func() float64
	// Log is told what came of each try, without addresses. It may be nil.
	Log *slog.Logger

	nudge chan struct{} // something was refused: others may have to be told at once
}

// lane is the way to one destination. A slow one keeps no other back.
type lane struct {
	name     string
	channel  notify.Channel
	contacts []string

	mu     sync.Mutex
	broken int       // failures of the way itself since it last worked
	closed time.Time // until then it is left alone
}

// NewWorker makes a worker that sends as the configuration says.
func NewWorker(box Outbox, cfg *Config, s *Sender) *Worker {
	var id [8]byte
	rand.Read(id[:]) // never fails since Go 1.24
	w := &Worker{box: box, id: hex.EncodeToString(id[:]), send: s.Send, Now: time.Now, Chance: mathrand.Float64, nudge: make(chan struct{}, 1)}
	mail := &lane{name: "mail", channel: notify.Mail}
	hooks := map[string]*lane{}
	for _, c := range cfg.Contacts {
		if c.Email != "" {
			mail.contacts = append(mail.contacts, c.Name)
		}
		if c.Hook != "" {
			l := hooks[c.Hook]
			if l == nil {
				l = &lane{name: c.Hook, channel: notify.Webhook}
				hooks[c.Hook] = l
				w.lanes = append(w.lanes, l)
			}
			l.contacts = append(l.contacts, c.Name)
		}
	}
	if len(mail.contacts) > 0 {
		w.lanes = append(w.lanes, mail)
	}
	return w
}

// Run sends until ctx ends. Messages under way then may take a little longer; what
// is not settled by the end is tried again after the next start.
func (w *Worker) Run(ctx context.Context) {
	sending, cancel := context.WithCancel(context.WithoutCancel(ctx))
	defer cancel()
	stop := context.AfterFunc(ctx, func() { time.AfterFunc(grace, cancel) })
	defer stop()
	var running sync.WaitGroup
	running.Go(func() { w.loop(ctx, w.oversee) })
	for _, l := range w.lanes {
		for range parallel {
			running.Go(func() {
				w.loop(ctx, func(context.Context) (time.Time, error) { return w.drain(ctx, sending, l) })
			})
		}
	}
	running.Wait()
}

// loop calls step whenever there may be something to do: when messages were queued,
// when step said that it would be time, and now and then.
func (w *Worker) loop(ctx context.Context, step func(context.Context) (time.Time, error)) {
	for ctx.Err() == nil {
		bell := w.box.Queued() // before looking: what is queued meanwhile rings
		next, err := step(ctx)
		if err != nil && ctx.Err() == nil {
			w.log(slog.LevelError, "the outbox cannot be used", "err", err)
		}
		wait := look
		if err == nil && !next.IsZero() {
			wait = max(10*time.Millisecond, min(wait, next.Sub(w.Now())))
		}
		timer := time.NewTimer(wait)
		select {
		case <-ctx.Done():
		case <-bell:
		case <-w.nudge:
		case <-timer.C:
		}
		timer.Stop()
	}
}

// oversee tells more people of what nobody answered, and sends heads.
func (w *Worker) oversee(ctx context.Context) (time.Time, error) {
	told, next, err := w.box.Escalate(ctx)
	if err != nil {
		return next, err
	}
	if told > 0 {
		w.log(slog.LevelWarn, "nobody answered: more people are told", "notices", told)
	}
	sent, head, err := w.box.SendHead(ctx)
	if sent {
		w.log(slog.LevelInfo, "signed head queued")
	}
	if next.IsZero() || !head.IsZero() && head.Before(next) {
		next = head
	}
	return next, err
}

// drain sends what is due on a lane, one message after the other, and tells when
// the next is due.
func (w *Worker) drain(ctx, sending context.Context, l *lane) (time.Time, error) {
	for ctx.Err() == nil {
		if until := l.closedUntil(); until.After(w.Now()) {
			return until, nil
		}
		jobs, err := w.box.Claim(ctx, notify.Claim{Worker: w.id, Channel: l.channel, Contacts: l.contacts, Limit: 1, Lease: lease})
		if err != nil {
			return time.Time{}, err
		}
		if len(jobs) == 0 {
			return w.box.NextTry(ctx, l.channel, l.contacts)
		}
		for _, job := range jobs {
			if err := w.try(sending, l, job); err != nil {
				return time.Time{}, err
			}
		}
	}
	return time.Time{}, nil
}

// try sends one message and keeps what came of it.
func (w *Worker) try(ctx context.Context, l *lane, job notify.Job) error {
	r := w.send(ctx, job)
	now := w.Now()
	next := now.Add(max(notify.Retry(job.Attempts, w.Chance()), r.Wait))
	l.learn(r, now, w.Chance())
	level := slog.LevelWarn
	if r.Fate == notify.Took {
		level = slog.LevelInfo
	}
	w.log(level, "message", "to", job.To, "channel", string(job.Channel), "cause", string(job.Occasion.Cause), "id", job.ID, "try", job.Attempts, "said", r.Said.String())
	// It is kept even if the bench is just being stopped.
	keep, cancel := context.WithTimeout(context.WithoutCancel(ctx), settleIn)
	defer cancel()
	err := w.box.Settle(keep, w.id, job, r, next)
	if err == nil && r.Fate == notify.Denied {
		select {
		case w.nudge <- struct{}{}:
		default:
		}
	}
	return err
}

func (l *lane) closedUntil() time.Time {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.closed
}

// learn remembers whether the way works. While it does not, one message in a while
// finds out, and the others keep their place.
func (l *lane) learn(r notify.Result, now time.Time, chance float64) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if !r.Road {
		l.broken, l.closed = 0, time.Time{}
		return
	}
	l.broken++
	l.closed = now.Add(min(notify.Retry(l.broken, chance), longestPause))
}

// Pass does everything that is due now, once: it is Run for tests and for commands
// that do not stay.
func (w *Worker) Pass(ctx context.Context) error {
	if _, err := w.oversee(ctx); err != nil {
		return err
	}
	errs := make([]error, len(w.lanes))
	var running sync.WaitGroup
	for i, l := range w.lanes {
		running.Go(func() { _, errs[i] = w.drain(ctx, ctx, l) })
	}
	running.Wait()
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

func (w *Worker) log(level slog.Level, msg string, args ...any) {
	if w.Log != nil {
		w.Log.Log(context.Background(), level, msg, args...)
	}
}
