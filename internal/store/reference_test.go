package store

import (
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"

	"lastlook/internal/say"
)

func write(stream, kind, data string) ReferenceWrite {
	return ReferenceWrite{Stream: stream, Kind: kind, Data: []byte(data)}
}

// take writes events whatever was there before.
func take(t testing.TB, s *Store, key string, ws ...ReferenceWrite) bool {
	t.Helper()
	repeated, err := s.DoReference(ctx, ReferenceStep{Key: key, Actor: tam, Bench: "office", Decide: func([]ReferenceEvent) ([]ReferenceWrite, error) { return ws, nil }})
	if err != nil {
		t.Fatal(err)
	}
	return repeated
}

func TestReferenceHistory(t *testing.T) {
	s := open(t, t.TempDir())
	if seq, err := s.ReferenceSeq(ctx); err != nil || seq != 0 {
		t.Fatalf("ReferenceSeq of nothing = %d, %v", seq, err)
	}
	take(t, s, "k1", write("reference/a", "x", `{"n":1}`), write("reference/a", "y", `{"n":2}`), write("reference-list/l", "z", `{}`))
	register(t, s, order("K-1", 3)) // other steps in between
	take(t, s, "k2", write("reference/a", "x", `{"n":3}`))
	evs, err := s.ReferenceEvents(ctx, 0)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, e := range evs {
		got = append(got, fmt.Sprintf("%s %d %s %s", e.Stream, e.Version, e.Kind, e.Data))
	}
	want := `[reference/a 1 x {"n":1} reference/a 2 y {"n":2} reference-list/l 1 z {} reference/a 3 x {"n":3}]`
	if fmt.Sprint(got) != want {
		t.Errorf("events are %v, want %v", got, want)
	}
	if evs[0].Actor.Name != tam.Name || evs[0].At.IsZero() {
		t.Errorf("who and when: %+v", evs[0])
	}
	seq, err := s.ReferenceSeq(ctx)
	if err != nil || seq != evs[3].Seq {
		t.Errorf("ReferenceSeq = %d, %v, want %d", seq, err, evs[3].Seq)
	}
	if after, err := s.ReferenceEvents(ctx, evs[1].Seq); err != nil || len(after) != 2 {
		t.Errorf("%d events after the second, %v", len(after), err)
	}
	if !take(t, s, "k1", write("reference/a", "x", `{}`)) {
		t.Error("the same key was not known again")
	}
	if again, _ := s.ReferenceSeq(ctx); again != seq {
		t.Error("the same key added something")
	}
	if _, err := s.DoReference(ctx, ReferenceStep{Actor: tam, Decide: func([]ReferenceEvent) ([]ReferenceWrite, error) {
		return []ReferenceWrite{write("people", "x", "{}")}, nil
	}}); err == nil {
		t.Error("an event for another stream was taken")
	}
	no := errors.New("no")
	if _, err := s.DoReference(ctx, ReferenceStep{Actor: tam, Decide: func([]ReferenceEvent) ([]ReferenceWrite, error) { return nil, no }}); !errors.Is(err, no) {
		t.Errorf("a refusal came back as %v", err)
	}
	if _, err := s.Rebuild(ctx, nil); err != nil {
		t.Errorf("Rebuild: %v", err)
	}
	if again, _ := s.ReferenceSeq(ctx); again != seq {
		t.Error("a rebuild changed the history of the reference")
	}
}

// Two writers at once each see what the other did: none decides on old ground.
func TestReferenceStepsDoNotCross(t *testing.T) {
	dir := t.TempDir()
	stores := []*Store{open(t, dir), open(t, dir)}
	for _, s := range stores {
		s.Now = func() time.Time { return t0 }
	}
	const each = 10
	var wg sync.WaitGroup
	for _, s := range stores {
		wg.Go(func() {
			for range each {
				_, err := s.DoReference(ctx, ReferenceStep{Actor: tam, Decide: func(since []ReferenceEvent) ([]ReferenceWrite, error) {
					return []ReferenceWrite{write("reference/a", "n", fmt.Sprint(len(since)+1))}, nil
				}})
				if err != nil {
					t.Error(err)
				}
			}
		})
	}
	wg.Wait()
	evs, err := stores[0].ReferenceEvents(ctx, 0)
	if err != nil || len(evs) != 2*each {
		t.Fatalf("%d events, %v", len(evs), err)
	}
	for i, e := range evs {
		if want := fmt.Sprint(i + 1); string(e.Data) != want || e.Version != i+1 {
			t.Errorf("event %d is version %d and was decided as %s", i+1, e.Version, e.Data)
		}
	}
}

func TestReferenceClockBehind(t *testing.T) {
	s := open(t, t.TempDir())
	take(t, s, "", write("reference/a", "x", "{}"))
	s.Now = func() time.Time { return t0.Add(-time.Hour) }
	_, err := s.DoReference(ctx, ReferenceStep{Actor: tam, Decide: func([]ReferenceEvent) ([]ReferenceWrite, error) {
		return []ReferenceWrite{write("reference/a", "x", "{}")}, nil
	}})
	if say.CodeOf(err) != say.Clock {
		t.Errorf("an hour back: %v", err)
	}
}

func TestTextsAndDrafts(t *testing.T) {
	s := open(t, t.TempDir())
	if err := s.PutTexts(ctx, [][]byte{[]byte("one"), []byte("two"), []byte("one")}); err != nil {
		t.Fatal(err)
	}
	hash, err := s.PutBlob(ctx, TextMime, []byte("one"))
	if err != nil {
		t.Fatal(err)
	}
	if b, err := s.Text(ctx, hash); err != nil || string(b) != "one" {
		t.Errorf("Text = %q, %v", b, err)
	}
	picture, err := s.PutBlob(ctx, "image/jpeg", []byte("jpeg"))
	if err != nil {
		t.Fatal(err)
	}
	for _, h := range []string{picture, "no such hash"} {
		if _, err := s.Text(ctx, h); say.CodeOf(err) != say.NotFound {
			t.Errorf("Text(%q): %v", h, err)
		}
	}

	d := Draft{About: "entry/a", Person: "P1", Name: "Ida Fenn", Seen: 3, Data: []byte("first")}
	for _, text := range []string{"first", "second"} {
		d.Data = []byte(text)
		if err := s.PutDraft(ctx, d); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.PutDraft(ctx, Draft{About: "entry/a", Person: "P2", Name: "Bea Lund", Data: []byte("hers")}); err != nil {
		t.Fatal(err)
	}
	got, ok, err := s.Draft(ctx, "entry/a", "P1")
	if err != nil || !ok || string(got.Data) != "second" || got.Seen != 3 || got.Name != "Ida Fenn" || got.SavedAt.IsZero() {
		t.Errorf("Draft = %+v, %v, %v", got, ok, err)
	}
	if all, err := s.Drafts(ctx); err != nil || len(all) != 2 || all[0].Person != "P2" || all[0].Data != nil {
		t.Errorf("Drafts = %+v, %v", all, err)
	}
	if err := s.DropDraft(ctx, "entry/a", "P1"); err != nil {
		t.Fatal(err)
	}
	if _, ok, err := s.Draft(ctx, "entry/a", "P1"); ok || err != nil {
		t.Errorf("dropped: %v, %v", ok, err)
	}
	if err := s.DropDraft(ctx, "entry/a", "P1"); err != nil {
		t.Errorf("dropped twice: %v", err)
	}
}

// BenchmarkReferenceSeq measures what is asked at each request, on the history of
// a site that has published each entry some ten times.
func BenchmarkReferenceSeq(b *testing.B) {
	s := open(b, b.TempDir())
	for range 10 {
		var ws []ReferenceWrite
		for i := range 311 {
			ws = append(ws, write(fmt.Sprintf("reference/entry-%d", i), "entry_published", `{}`))
		}
		take(b, s, "", ws...)
	}
	for b.Loop() {
		if _, err := s.ReferenceSeq(ctx); err != nil {
			b.Fatal(err)
		}
	}
}
