package store

import (
	"testing"

	"lastlook/internal/ledger"
	"lastlook/internal/say"
)

func TestEvidence(t *testing.T) {
	s := open(t, t.TempDir())
	code := register(t, s, order("K-1", 2))
	inspect(t, s, code)
	other := register(t, s, order("K-2", 2))
	head := sound(t, s)
	var asked int
	ev, err := s.Evidence(ctx, code, func(steps []Proven) []int64 {
		asked = len(steps)
		return []int64{1, steps[0].Entry.Seq, head.Size}
	})
	if err != nil {
		t.Fatal(err)
	}
	st, err := s.Consignment(ctx, code)
	if err != nil {
		t.Fatal(err)
	}
	if ev.Head.Head != head || len(ev.Site) != 1 || len(ev.Steps) != st.Version || asked != st.Version || len(ev.Older) != 3 {
		t.Fatalf("head %+v, %d and %d steps, asked with %d, %d older", ev.Head, len(ev.Site), len(ev.Steps), asked, len(ev.Older))
	}
	for i, p := range append(ev.Site, ev.Steps...) {
		if err := ledger.Check(p.Proof, head, p.Entry); err != nil {
			t.Errorf("step %d: %v", i, err)
		}
	}
	for _, o := range ev.Older {
		if err := ledger.CheckGrowth(o.Proof, o.Head, head); err != nil {
			t.Errorf("size %d: %v", o.Size, err)
		}
	}
	e, stood, err := s.Stood(ctx, code, 1)
	if err != nil || e != ev.Steps[0].Entry || stood != ev.Older[1].Head {
		t.Errorf("Stood = %+v, %+v, %v; want %+v, %+v", e, stood, err, ev.Steps[0].Entry, ev.Older[1].Head)
	}
	none := func([]Proven) []int64 { return nil }
	if _, err := s.Evidence(ctx, "ZZZZ", none); say.CodeOf(err) != say.NotFound {
		t.Errorf("no consignment: %v", err)
	}
	if _, err := s.Evidence(ctx, other, func([]Proven) []int64 { return []int64{head.Size + 1} }); say.CodeOf(err) != say.NotFound {
		t.Errorf("a size that never was: %v", err)
	}
}
