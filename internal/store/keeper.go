package store

import (
	"context"
	"errors"
	"sync"
	"time"

	"lastlook/internal/say"
)

// Keeper makes backups in a folder again and again, as long as the bench is served.
// Make it with [NewKeeper], have it [Keeper.Run] beside the bench, and show what
// [Keeper.Last] says.
type Keeper struct {
	store *Store
	dir   string
	every time.Duration
	keep  int
	// Now is the clock; tests set it before Run.
	Now func() time.Time
	// Report is told what came of each try, for the log. It may be nil.
	Report func(Kept)

	mu   sync.Mutex
	last Kept
	due  time.Time
}

// Kept is what came of the newest try, and when there last was a good backup.
type Kept struct {
	Dir    string    // where backups go
	At     time.Time // of the newest try; zero before the first
	Err    error     // why it failed, or nil
	Good   Backup    // the newest sound backup; its Path is "" if there is none
	GoodAt time.Time // when that was made
	Late   bool      // it is older than it may be
}

// retryAfter is how long after a failure it is tried again, if that is sooner
// than the next one is due: a disk may have been put back.
const retryAfter = 10 * time.Minute

// NewKeeper plans backups of an open store into a folder: one each time the newest
// is older than every, of which keep stay.
func NewKeeper(s *Store, dir string, every time.Duration, keep int) *Keeper {
	return &Keeper{store: s, dir: dir, every: every, keep: keep, Now: time.Now, last: Kept{Dir: dir}}
}

// Last tells what came of the newest try.
func (k *Keeper) Last() Kept {
	k.mu.Lock()
	defer k.mu.Unlock()
	last := k.last
	// A backup takes its time; one that is just being made is not late.
	last.Late = last.Err != nil || !last.GoodAt.IsZero() && k.Now().Sub(last.GoodAt) > k.every+retryAfter
	return last
}

// Run makes backups until the context ends. The first is made at once if the
// newest one in the folder is older than it may be, so that a bench which is switched off
// at night has backups too.
func (k *Keeper) Run(ctx context.Context) {
	k.recall(ctx)
	// Looking at the clock often, instead of waiting for hours, is right after the
	// machine slept or its clock was set.
	look := time.NewTicker(min(k.every, time.Minute))
	defer look.Stop()
	for {
		k.step(ctx)
		select {
		case <-ctx.Done():
			return
		case <-look.C:
		}
	}
}

// recall finds the newest sound backup that is there already.
func (k *Keeper) recall(ctx context.Context) {
	all, err := listBackups(k.dir)
	if err != nil || len(all) == 0 {
		return
	}
	site, err := k.store.Site(ctx)
	if err != nil {
		return
	}
	for _, b := range all {
		v, err := verify(ctx, b.path, b.path, false)
		if err != nil || v.Site != site.Name {
			continue
		}
		k.mu.Lock()
		k.last.Good, k.last.GoodAt = Backup{Path: b.path, Verified: v}, b.at
		k.due = b.at.Add(k.every)
		k.mu.Unlock()
		return
	}
}

// step makes a backup if one is due.
func (k *Keeper) step(ctx context.Context) {
	now := k.Now()
	k.mu.Lock()
	due := k.due
	k.mu.Unlock()
	// A due time further off than the interval was set by a clock that was wrong.
	if ctx.Err() != nil || now.Before(due) && due.Sub(now) <= k.every {
		return
	}
	b, err := WriteBackup(ctx, k.store.dir, Target{Path: k.dir, Keep: k.keep}, now)
	if err != nil && ctx.Err() != nil {
		return // the bench is being stopped; nothing was left behind
	}
	k.mu.Lock()
	k.last.At, k.last.Err = now, err
	k.due = now.Add(k.every)
	if b.Path != "" { // made, even if old ones could not be taken away
		k.last.Good, k.last.GoodAt = b, now
	}
	if err != nil {
		k.due = now.Add(min(k.every, retryAfter))
	}
	k.mu.Unlock()
	if k.Report != nil {
		k.Report(k.Last())
	}
}

// Words tells how backups stand, in one sentence, and whether somebody has to
// do something about it.
func (l Kept) Words() (text say.Text, wrong bool) {
	good := say.T("There is no good backup yet.")
	if l.Good.Path != "" {
		good = say.T("The newest good one is of %s, with %d steps.", say.Moment(l.GoodAt), l.Good.Steps)
	}
	var refusal *say.Refusal
	switch {
	case errors.As(l.Err, &refusal):
		return say.T("The backup of %s failed. %s %s", say.Moment(l.At), refusal.Text, good), true
	case l.Err != nil:
		return say.T("The backup of %s failed. The log says why. %s", say.Moment(l.At), good), true
	case len(l.Good.Doubtful) > 0:
		return say.T("An older backup no longer passes the check and does not count: %s. %s", l.Good.Doubtful[0], good), true
	case l.Late:
		return say.T("The next backup is late. %s", good), true
	case l.Good.Path == "":
		return say.T("The first backup is being made in %s.", l.Dir), false
	}
	return say.T("Backed up and checked at %s: %d steps, in %s.", say.Moment(l.GoodAt), l.Good.Steps, l.Dir), false
}
