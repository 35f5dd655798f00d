package store

import (
	"slices"
	"testing"
	"time"

	"lastlook/internal/consignment"
	"lastlook/internal/learn"
)

var ever = [2]time.Time{t0.AddDate(-1, 0, 0), t0.AddDate(1, 0, 0)}

func TestHistoryOfNothing(t *testing.T) {
	s := open(t, t.TempDir())
	register(t, s, order("K-1", 3))
	if got, err := s.History(ctx, ever[0], ever[1]); err != nil || len(got) != 0 {
		t.Errorf("History = %+v, %v, want nothing", got, err)
	}
}

func TestHistory(t *testing.T) {
	s := open(t, t.TempDir())
	soil := register(t, s, order("K-1", 3))
	found(t, s, soil, consignment.Soil)
	do(t, s, soil, consignment.CleanBench{Bench: "bench 1", How: "swept"})
	held := register(t, s, order("K-2", 3))
	found(t, s, held, consignment.NotIdentified)
	good := register(t, s, order("K-3", 2))
	inspect(t, s, good)
	running := register(t, s, order("K-5", 2)) // sealed, no outcome yet
	do(t, s, running, consignment.PrintLabels{Sheet: "a4", From: 1, To: 2}, check(false), consignment.Seal{Counted: 2, Rules: consignment.DefaultRules()})
	found(t, s, register(t, s, order("K-4", 3)), consignment.Suspect)

	got, err := s.History(ctx, ever[0], ever[1])
	if err != nil {
		t.Fatal(err)
	}
	var all []string
	for _, r := range got {
		all = append(all, r.Number+" "+string(r.Outcome))
		if r.Destination != "Eastmoor" || r.Round != 1 || r.Opened.IsZero() || r.ValidUntil != r.Opened.Add(72*time.Hour) || r.Bench() <= 0 {
			t.Errorf("%s: %+v", r.Number, r)
		}
	}
	if want := []string{"K-1 rejected", "K-2 held", "K-3 passed", "K-4 stopped"}; !slices.Equal(all, want) {
		t.Fatalf("History = %v, want %v", all, want)
	}
	for i, want := range [][]learn.Cause{{"soil"}, {"not_identified"}, nil, {"suspect"}} {
		if !slices.Equal(got[i].Causes, want) {
			t.Errorf("causes of %s are %v, want %v", got[i].Number, got[i].Causes, want)
		}
	}
	// One unit of four was looked at, in one package of three.
	if r := got[0]; len(r.Exams) != 1 || r.Units() != 1 || r.Exams[0].Crop != "Lavandula" || !r.Exams[0].Closed.IsZero() {
		t.Errorf("exams of K-1 are %+v, want one, not closed, with one unit", r.Exams)
	}
	if r := got[0]; len(r.Finds) != 1 || r.Finds[0].What != consignment.Soil || r.Finds[0].Rung.String() != "reject" || r.Finds[0].Units != 1 || r.Finds[0].Crop != "Lavandula" {
		t.Errorf("finds of K-1 are %+v", r.Finds)
	}
	if r := got[2]; len(r.Exams) != 2 || r.Units() != 8 || !r.Exams[1].Closed.After(r.Exams[1].Opened) {
		t.Errorf("exams of K-3 are %+v, want two whole packages", r.Exams)
	}
	// From the first moment on, and before the second.
	part, err := s.History(ctx, got[1].Ended, got[3].Ended)
	if err != nil || len(part) != 2 || part[0].Number != "K-2" || len(part[0].Finds) != 1 {
		t.Errorf("History of a part = %+v, %v, want K-2 and K-3", part, err)
	}

	before := dump(t, s.sql, "rounds", "exams")
	if _, err := s.sql.Exec("DELETE FROM exams; UPDATE rounds SET causes = ''"); err != nil {
		t.Fatal(err)
	}
	report, err := s.Audit(ctx, AuditOptions{})
	if err != nil || report.Agrees() {
		t.Errorf("the audit does not see changed lists: %+v, %v", report.Findings, err)
	}
	if _, err := s.Rebuild(ctx, nil); err != nil {
		t.Fatal(err)
	}
	if after := dump(t, s.sql, "rounds", "exams"); after != before {
		t.Errorf("after a rebuild:\n%s\nwant\n%s", after, before)
	}
	if report, err := s.Audit(ctx, AuditOptions{}); err != nil || !report.Agrees() {
		t.Errorf("after a rebuild the audit finds %+v, %v", report.Findings, err)
	}
}

// A consignment that is inspected twice has two lines, and leaves under the second.
func TestHistoryOfTwoRounds(t *testing.T) {
	s := open(t, t.TempDir())
	clock := &ticking{now: t0}
	s.Now = clock.Now
	o := order("K-1", 2)
	o.DispatchAt = t0.Add(10 * 24 * time.Hour)
	code := register(t, s, o)
	if err := doAs(t, s, ida, code, consignment.Reschedule{DispatchAt: t0.Add(40 * time.Hour), Reason: "earlier"}); err != nil {
		t.Fatal(err)
	}
	inspect(t, s, code)
	clock.now = t0.Add(100 * time.Hour)
	if err := doAs(t, s, ida, code, consignment.Reschedule{DispatchAt: clock.now.Add(20 * time.Hour), Reason: "missed the truck"}); err != nil {
		t.Fatal(err)
	}
	do(t, s, code, check(false), consignment.Seal{Counted: 2, Rules: consignment.DefaultRules(), Reason: "the window ran out"})
	got, err := s.History(ctx, ever[0], ever[1])
	if err != nil || len(got) != 1 || got[0].Next.IsZero() || got[0].Lapsed(clock.now) != learn.AfterPass {
		t.Fatalf("History = %+v, %v, want one round that lapsed before the next", got, err)
	}
}
