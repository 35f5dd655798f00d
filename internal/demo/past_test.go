package demo

import (
	"context"
	"testing"
	"time"

	"lastlook/internal/consignment"
	"lastlook/internal/learn"
	"lastlook/internal/store"
)

func TestPast(t *testing.T) {
	ctx := context.Background()
	now := time.Date(2026, 9, 14, 12, 0, 0, 0, time.UTC)
	st, err := store.Open(ctx, t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	const weeks = 4
	if err := Past(ctx, st, now, weeks, 1); err != nil {
		t.Fatal(err)
	}
	rounds, err := st.History(ctx, now.AddDate(0, 0, -7*weeks), now)
	if err != nil || len(rounds) < PerWeek*(weeks-1) {
		t.Fatalf("%d rounds, %v, want %d or more", len(rounds), err, PerWeek*(weeks-1))
	}
	seen := map[consignment.Outcome]int{}
	lapsed := 0
	for _, r := range rounds {
		seen[r.Outcome]++
		if r.Lapsed(now) == learn.AfterPass {
			lapsed++
		}
	}
	if seen[consignment.Passed] == 0 || seen[consignment.Rejected] == 0 || lapsed == 0 {
		t.Errorf("outcomes %v, %d lapsed: want some of each", seen, lapsed)
	}
	if report, err := st.Audit(ctx, store.AuditOptions{}); err != nil || !report.Agrees() {
		t.Errorf("the audit finds %+v, %v", report.Findings, err)
	}
}
