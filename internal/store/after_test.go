package store

import (
	"slices"
	"strings"
	"testing"
	"time"

	"lastlook/internal/consignment"
	"lastlook/internal/ladder"
	"lastlook/internal/people"
	"lastlook/internal/say"
	"lastlook/internal/trace"
)

var ida = consignment.Actor{ID: "AAAA", Name: "Ida Fenn", Roles: []string{people.Inspector, people.Supervisor}}

// found seals a consignment and records one find in its first drawn package.
func found(t testing.TB, s *Store, code string, what consignment.What) *consignment.State {
	t.Helper()
	st, err := s.Consignment(ctx, code)
	if err != nil {
		t.Fatal(err)
	}
	n := st.Count()
	st = do(t, s, code, consignment.PrintLabels{Sheet: "a4", From: 1, To: n}, check(false), consignment.Seal{Counted: n, Rules: consignment.DefaultRules()})
	pkg := st.Running().ToExamine()[0]
	st = do(t, s, code, consignment.Fetch{Package: pkg}, consignment.Open{Package: pkg}, consignment.LookPackage{Package: pkg}, consignment.CountUnits{Package: pkg, Units: 4},
		consignment.RecordFind{Facts: consignment.FindFacts{Package: pkg, Unit: 1, Part: consignment.PartStem, What: what, Units: 1, Alive: consignment.NotTold, Method: consignment.ByEye}})
	if r := st.Running(); r != nil && r.Conclude(st.LastAt).Outcome != "" {
		st = do(t, s, code, consignment.EndRound{})
	}
	return st
}

func doAs(t testing.TB, s *Store, who consignment.Actor, code string, c consignment.Command) error {
	t.Helper()
	_, err := s.Do(ctx, Step{Code: code, Actor: who, Bench: "bench 1", Command: c})
	return err
}

func TestBenchThatIsNotCleanIsRefused(t *testing.T) {
	s := open(t, t.TempDir())
	bad := register(t, s, order("K-1", 3))
	found(t, s, bad, consignment.Soil)
	next := register(t, s, order("K-2", 3))
	err := doAs(t, s, tam, next, check(false))
	if say.CodeOf(err) != say.Illegal || !strings.Contains(err.Error(), "K-1") || !strings.Contains(err.Error(), "not clean yet") {
		t.Fatalf("a bench check after a rejection on that bench: %v, want it refused with the consignment that was on it", err)
	}
	u, err := s.Unclean(ctx, "bench 1")
	if err != nil || u == nil || u.Number != "K-1" || u.Outcome != consignment.Rejected {
		t.Fatalf("Unclean = %+v, %v, want K-1, rejected", u, err)
	}
	if _, err := s.Do(ctx, Step{Code: next, Actor: tam, Bench: "bench 2", Command: check(false)}); err != nil {
		t.Errorf("another bench is refused too: %v", err)
	}
	do(t, s, bad, consignment.CleanBench{Bench: "bench 1", How: "swept and wiped with sanitiser"})
	if u, err := s.Unclean(ctx, "bench 1"); err != nil || u != nil {
		t.Errorf("Unclean after cleaning = %+v, %v, want nothing", u, err)
	}
	do(t, s, next, check(false))
}

func TestSamplesAreListed(t *testing.T) {
	s := open(t, t.TempDir())
	code := register(t, s, order("K-1", 3))
	found(t, s, code, consignment.NotIdentified)
	sample, err := s.NewSampleCode(ctx)
	if err != nil {
		t.Fatal(err)
	}
	do(t, s, code, consignment.TakeSample{Code: sample, Round: 1, Find: 1, What: consignment.TakenLeaf, Kept: consignment.KeptCool},
		consignment.MoveSample{Sample: sample, Step: consignment.Stored, Place: "Sample fridge"})
	open, err := s.Samples(ctx, false, 0)
	if err != nil || len(open) != 1 || open[0].Code != sample || open[0].HeldBy != "Sample fridge" || open[0].Consignment.Number != "K-1" {
		t.Fatalf("Samples = %+v, %v, want the one in the fridge", open, err)
	}
	if in, err := s.SampleOf(ctx, sample); err != nil || in != code {
		t.Errorf("SampleOf(%s) = %s, %v, want %s", sample, in, err, code)
	}
	if _, err := s.SampleOf(ctx, "ZZZZ"); say.CodeOf(err) != say.NotFound || !strings.Contains(err.Error(), "another site") {
		t.Errorf("SampleOf of another site: %v", err)
	}
	do(t, s, code, consignment.MoveSample{Sample: sample, Step: consignment.HandedOver, By: "courier"})
	if err := doAs(t, s, ida, code, consignment.AnswerSample{Sample: sample, Result: consignment.NotFound, Laboratory: "laboratory"}); err != nil {
		t.Fatal(err)
	}
	if open, err := s.Samples(ctx, false, 0); err != nil || len(open) != 0 {
		t.Errorf("open samples = %+v, %v, want none", open, err)
	}
	if done, err := s.Samples(ctx, true, 5); err != nil || len(done) != 1 || done[0].Result != consignment.NotFound {
		t.Errorf("answered samples = %+v, %v, want one", done, err)
	}
}

// Everything that follows a decision is in the read tables, and a rebuild makes
// the same of it.
func TestWhatFollowsIsRebuilt(t *testing.T) {
	s := open(t, t.TempDir())
	held := register(t, s, order("K-1", 3))
	found(t, s, held, consignment.NotIdentified)
	do(t, s, held, consignment.TakeSample{Code: "S2S2", Round: 1, Find: 1, What: consignment.TakenLeaf, Kept: consignment.KeptDry})
	bad := register(t, s, order("K-2", 4))
	found(t, s, bad, consignment.Weed)
	do(t, s, bad, consignment.Move{Place: consignment.Place{Code: "Q2Q2", Name: "Bay Q", Kind: consignment.QuarantineBay}})
	good := register(t, s, order("K-3", 2))
	do(t, s, bad, consignment.CleanBench{Bench: "bench 1", How: "swept"})
	inspect(t, s, good)
	do(t, s, good, consignment.Load{Package: 1})
	if err := doAs(t, s, tam, good, consignment.HoldBack{Rung: ladder.Sample, Reason: "same batch as K-1"}); err != nil {
		t.Fatal(err)
	}
	here, left, err := s.Board(ctx, 5)
	if err != nil || len(here) != 3 || len(left) != 0 {
		t.Fatalf("Board = %d here, %d left, %v, want 3 and none", len(here), len(left), err)
	}
	for _, sum := range here {
		want := map[string]Stage{"K-1": Stage(consignment.StandHeld), "K-2": Stage(consignment.StandIsolated), "K-3": Stage(consignment.StandHeld)}[sum.Number]
		if sum.Stage != want {
			t.Errorf("%s stands as %s, want %s", sum.Number, sum.Stage, want)
		}
		switch sum.Number {
		case "K-2":
			if sum.Place != "Bay Q" {
				t.Errorf("K-2 is in %q, want Bay Q", sum.Place)
			}
		case "K-3":
			if sum.Aboard != 1 || sum.Held == "" || sum.WaitingSince.IsZero() {
				t.Errorf("K-3: %d aboard, held for %q since %v", sum.Aboard, sum.Held, sum.WaitingSince)
			}
		}
	}
	all := func() map[string]aside {
		out := map[string]aside{}
		for _, code := range []string{held, bad, good} {
			a, err := readAside(s.db, code)
			if err != nil {
				t.Fatal(err)
			}
			out[code] = a
		}
		return out
	}
	before := all()
	if len(before[held].samples) != 1 || len(before[bad].lines) != 1 || len(before[good].uses) != 1 {
		t.Fatalf("the tables hold %+v", before)
	}
	if _, err := s.Rebuild(ctx, nil); err != nil {
		t.Fatal(err)
	}
	for code, a := range all() {
		if wrong := a.differs(before[code]); len(wrong) > 0 {
			t.Errorf("after a rebuild %v of %s are not the same", wrong, code)
		}
	}
	again, _, err := s.Board(ctx, 5)
	if err != nil || !slices.Equal(again, here) {
		t.Errorf("after a rebuild the board shows %+v, want %+v (%v)", again, here, err)
	}
}

func TestTrace(t *testing.T) {
	s := open(t, t.TempDir())
	line := func(number, crop, batch, bay string) string {
		o := order(number, 3)
		o.Lines[0].Crop, o.Lines[0].Batch, o.Lines[0].Bay, o.Fingerprint = crop, batch, bay, number
		return register(t, s, o)
	}
	early := line("K-0", "Lavandula", "L-1", "B9")
	found(t, s, early, consignment.Damage) // noted, before
	do(t, s, early, consignment.HoldBack{Rung: ladder.Sample, Reason: "left out of this test"})
	bad := line("K-1", "Lavandula", "L-1", "B4")
	batch := line("K-2", "Lavandula", "L-1", "B7")
	bay := line("K-3", "Hebe", "H-1", "B4")
	bench := line("K-4", "Hebe", "H-2", "B8")
	line("K-5", "Hebe", "H-3", "B8")
	found(t, s, bad, consignment.LivePest)
	do(t, s, bad, consignment.CleanBench{Bench: "bench 1", How: "swept"})
	inspect(t, s, bench)

	got, err := s.Trace(ctx, TraceFrom{Code: bad, Find: 1, Since: t0.Add(-30 * 24 * time.Hour)})
	if err != nil {
		t.Fatal(err)
	}
	var words []string
	for _, l := range got.Links {
		words = append(words, l.Number+" "+string(l.Strongest()))
	}
	if want := []string{"K-0 batch", "K-2 batch", "K-4 bench", "K-3 bay"}; !slices.Equal(words, want) {
		t.Errorf("Trace gives %v, want %v", words, want)
	}
	if got.Source.Number != "K-1" || got.Source.Round != 1 || got.Source.Find != 1 {
		t.Errorf("the source is %+v, want find 1 of K-1", got.Source)
	}
	if len(got.Before) != 1 || got.Before[0].Number != "K-0" || got.Before[0].Thread != trace.Batch {
		t.Errorf("earlier finds %+v, want that of K-0 in the same batch", got.Before)
	}
	for _, from := range []TraceFrom{{Code: bad, Find: 9}, {Code: bad, Round: 4}, {Code: bad, Sample: "ZZZZ"}, {Code: "ZZZZ"}} {
		if _, err := s.Trace(ctx, from); say.CodeOf(err) != say.NotFound {
			t.Errorf("Trace(%+v): %v, want it not found", from, err)
		}
	}
	_, _ = batch, bay
}
