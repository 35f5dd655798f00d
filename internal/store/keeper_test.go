package store

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"lastlook/internal/say"
)

func TestKeeper(t *testing.T) {
	s, _ := lived(t)
	dir := t.TempDir()
	now := t0
	var told []Kept
	keeper := func() *Keeper {
		k := NewKeeper(s, dir, 24*time.Hour, 2)
		k.Now = func() time.Time { return now }
		k.Report = func(l Kept) { told = append(told, l) }
		k.recall(ctx)
		return k
	}
	step := func(k *Keeper, made bool, why string) {
		t.Helper()
		before := len(told)
		k.step(ctx)
		if (len(told) > before) != made {
			t.Errorf("%s: a backup was tried: %v, want %v", why, !made, made)
		}
	}
	says := func(k *Keeper, wrong bool, want string) {
		t.Helper()
		text, w := k.Last().Words()
		if w != wrong || !strings.Contains(text.String(), want) {
			t.Errorf("it says %q (wrong: %v), want %q (%v)", text, w, want, wrong)
		}
	}
	k := keeper()
	says(k, false, "The first backup is being made in "+dir)
	step(k, true, "at the start, with none there")
	says(k, false, "Backed up and checked at 2026-11-25 08:00 UTC: ")
	now = t0.Add(23 * time.Hour)
	step(k, false, "before it is due")

	// Switched off and on again.
	k = keeper()
	says(k, false, "Backed up and checked at 2026-11-25 08:00 UTC: ")
	step(k, false, "after a start, before it is due")
	now = t0.Add(24 * time.Hour)
	step(k, true, "when it is due")
	now = t0.Add(20 * 24 * time.Hour)
	k = keeper()
	says(k, true, "The next backup is late. The newest good one is of 2026-11-26 08:00 UTC")
	step(k, true, "after a long pause")
	if all, err := listBackups(dir); err != nil || len(all) != 2 {
		t.Errorf("%d backups are there (%v), want 2", len(all), err)
	}

	// The disk is pulled out and put back.
	away := dir + "-away"
	if err := os.Rename(dir, away); err != nil {
		t.Fatal(err)
	}
	now = t0.Add(21 * 24 * time.Hour)
	step(k, true, "with the disk away")
	if l := k.Last(); say.CodeOf(l.Err) != say.NotFound || !l.Late {
		t.Errorf("with the disk away: %+v", l)
	}
	says(k, true, "The backup of 2026-12-16 08:00 UTC failed. There is no folder "+dir)
	says(k, true, "The newest good one is of 2026-12-15 08:00 UTC")
	now = now.Add(time.Minute)
	step(k, false, "right after a failure")
	if err := os.Rename(away, dir); err != nil {
		t.Fatal(err)
	}
	now = now.Add(retryAfter)
	step(k, true, "a while after a failure")
	says(k, false, "Backed up and checked at 2026-12-16 08:11 UTC")

	// The clock was far ahead, and is put right.
	now = t0.Add(400 * 24 * time.Hour)
	step(k, true, "with the clock ahead")
	now = t0.Add(22 * 24 * time.Hour)
	step(k, true, "with the clock put right")

	// The newest was damaged on its disk: it is not taken for a backup.
	all, err := listBackups(dir)
	if err != nil {
		t.Fatal(err)
	}
	alter(t, all[0].path, "DELETE FROM heads")
	k = keeper()
	if l := k.Last(); l.Good.Path != all[1].path {
		t.Errorf("newest good backup %q, want %q", l.Good.Path, all[1].path)
	}
	now = now.Add(48 * time.Hour)
	step(k, true, "with a damaged one there")
	says(k, true, "An older backup no longer passes the check and does not count: "+all[0].path)
}

func TestKeeperRunsUntilItIsStopped(t *testing.T) {
	s, _ := lived(t)
	dir := t.TempDir()
	made := make(chan Kept, 8)
	k := NewKeeper(s, dir, 50*time.Millisecond, 1)
	k.Report = func(l Kept) {
		select {
		case made <- l:
		default:
		}
	}
	running, stop := context.WithCancel(ctx)
	ended := make(chan struct{})
	go func() { k.Run(running); close(ended) }()
	for range 3 {
		if l := <-made; l.Err != nil {
			t.Error(l.Err)
		}
	}
	stop()
	<-ended
	if all, err := listBackups(dir); err != nil || len(all) != 1 {
		t.Errorf("%d backups are there (%v), want the 1 that is kept", len(all), err)
	}
	if left, _ := filepath.Glob(filepath.Join(dir, halfName+"*")); len(left) > 0 {
		t.Errorf("it left %q", left)
	}
}

func TestKeeperShowsNoRawError(t *testing.T) {
	text, wrong := Kept{At: t0, Err: errors.New("write fd 7: odd")}.Words()
	if !wrong || strings.Contains(text.String(), "fd 7") || !strings.Contains(text.String(), "The log says why. There is no good backup yet.") {
		t.Errorf("it says %q", text)
	}
}
