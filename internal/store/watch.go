package store

import "sync"

// watch tells whoever asks that steps were kept.
type watch struct {
	mu      sync.Mutex
	bells   map[chan struct{}]bool
	commits uint64
	closed  bool
}

// Watch gives a channel that gets a value soon after steps of this store became
// durable. A watcher that does not keep up is told once for many steps; no step
// ever waits for a watcher. The channel is closed when the store closes. stop ends
// the watch and may be called more than once. Steps of another program on the
// same data folder are not told: what must not miss them looks from time to time.
func (s *Store) Watch() (changed <-chan struct{}, stop func()) {
	bell := make(chan struct{}, 1)
	w := &s.watch
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.closed {
		close(bell)
		return bell, func() {}
	}
	if w.bells == nil {
		w.bells = map[chan struct{}]bool{}
	}
	w.bells[bell] = true
	return bell, func() {
		w.mu.Lock()
		defer w.mu.Unlock()
		delete(w.bells, bell)
	}
}

// Commits counts how often steps were kept since the store was opened. What was
// read after it was asked for is at least as new as the count.
func (s *Store) Commits() uint64 {
	s.watch.mu.Lock()
	defer s.watch.mu.Unlock()
	return s.watch.commits
}

// tell is called after a commit.
func (w *watch) tell() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.commits++
	for bell := range w.bells {
		select {
		case bell <- struct{}{}:
		default: // told already, and has not looked yet
		}
	}
}

func (w *watch) close() {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.closed {
		return
	}
	w.closed = true
	for bell := range w.bells {
		close(bell)
	}
	w.bells = nil
}
