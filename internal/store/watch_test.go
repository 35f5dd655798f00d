package store

import (
	"runtime"
	"sync"
	"testing"
	"time"

	"lastlook/internal/consignment"
)

// rung reports whether a watcher has been told, without waiting.
func rung(bell <-chan struct{}) bool {
	select {
	case _, ok := <-bell:
		return ok
	default:
		return false
	}
}

func TestWatchTellsOfKeptSteps(t *testing.T) {
	s := open(t, t.TempDir())
	bell, stop := s.Watch()
	deaf, _ := s.Watch() // never listens: no step may wait for it
	before := s.Commits()
	if rung(bell) {
		t.Fatal("told before anything was kept")
	}
	c := register(t, s, order("K-1", 30))
	if !rung(bell) {
		t.Fatal("not told of a consignment that was registered")
	}
	// Refused steps and repeated ones keep nothing, so there is nothing to tell.
	if _, err := s.Do(ctx, Step{Code: c, Actor: tam, Command: consignment.Load{Package: 1}}); err == nil || rung(bell) {
		t.Fatalf("a refused step (%v) was told", err)
	}
	step := Step{Code: c, Key: "k", Actor: tam, Bench: "bench 1", Command: consignment.PrintLabels{Sheet: "a4", From: 1, To: 30}}
	for i, want := range []bool{true, false} {
		if _, err := s.Do(ctx, step); err != nil {
			t.Fatal(err)
		}
		if got := rung(bell); got != want {
			t.Errorf("sent %d times: told %v, want %v", i+1, got, want)
		}
	}
	for range 5 {
		do(t, s, c, consignment.PrintLabels{Sheet: "a4", From: 1, To: 30, Reason: "wet"})
	}
	if !rung(bell) || rung(bell) {
		t.Error("five steps are not told once to a watcher who was away")
	}
	if got := s.Commits() - before; got != 7 {
		t.Errorf("%d commits counted, want 7", got)
	}
	stop()
	stop()
	do(t, s, c, consignment.PrintLabels{Sheet: "a4", From: 1, To: 30, Reason: "wet"})
	if rung(bell) {
		t.Error("told after the watch was ended")
	}
	if !rung(deaf) {
		t.Error("who was away for all of it is not told once")
	}
	s.Close()
	if _, ok := <-deaf; ok {
		t.Error("the channel of a watcher stays open after Close")
	}
	late, stop := s.Watch()
	defer stop()
	if _, ok := <-late; ok {
		t.Error("a watch that begins after Close waits for ever")
	}
}

// What a watcher reads once it is told is there: the telling comes after the commit.
func TestWatchersReadWhatTheyAreToldOf(t *testing.T) {
	s := open(t, t.TempDir())
	c := register(t, s, order("K-1", 30))
	const steps = 20
	before := runtime.NumGoroutine()
	var watchers, writers sync.WaitGroup
	for range 8 {
		bell, stop := s.Watch()
		watchers.Go(func() {
			defer stop()
			for range bell {
				st, err := s.Consignment(ctx, c)
				if err != nil {
					t.Error(err)
					return
				}
				if len(st.Labels) == steps {
					return
				}
			}
		})
	}
	for range 2 {
		writers.Go(func() {
			for range steps / 2 {
				if _, err := s.Do(ctx, Step{Code: c, Actor: tam, Bench: "bench 1", Command: consignment.PrintLabels{Sheet: "a4", From: 1, To: 30, Reason: "wet"}}); err != nil {
					t.Error(err)
				}
			}
		})
	}
	writers.Wait()
	watchers.Wait() // each saw the last step, however few times it was told
	for i := 0; runtime.NumGoroutine() > before && i < 100; i++ {
		time.Sleep(10 * time.Millisecond) // goroutines that are done take a moment to go
	}
	if got := runtime.NumGoroutine(); got > before {
		t.Errorf("%d goroutines are left of %d", got, before)
	}
}
