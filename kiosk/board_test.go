package kiosk

import (
	"fmt"
	"testing"
	"time"

	"lastlook/internal/consignment"
	"lastlook/internal/store"
)

func TestShareRoom(t *testing.T) {
	for _, tt := range []struct{ room, a, b, wantA, wantB int }{
		{6, 0, 0, 0, 0}, {6, 2, 4, 2, 4}, {6, 9, 0, 6, 0}, {6, 0, 9, 0, 6},
		{6, 9, 2, 4, 2}, {6, 2, 9, 2, 4}, {6, 9, 9, 3, 3}, {7, 9, 9, 4, 3}, {6, 3, 4, 3, 3},
	} {
		if a, b := shareRoom(tt.room, tt.a, tt.b); a != tt.wantA || b != tt.wantB {
			t.Errorf("shareRoom(%d, %d, %d) = %d, %d, want %d, %d", tt.room, tt.a, tt.b, a, b, tt.wantA, tt.wantB)
		}
	}
}

// boardGroups gives what each group of the board shows, by its English title.
func boardGroups(here, left []store.Summary) map[string]boardGroup {
	out := map[string]boardGroup{}
	for _, c := range boardNow(Base{Now: noon}, func(string) time.Duration { return 72 * time.Hour }, here, left) {
		for _, g := range c.Groups {
			out[g.Title.String()] = g
		}
	}
	return out
}

func TestBoardSaysWhatItHasNoRoomFor(t *testing.T) {
	at := func(h float64) time.Time { return noon.Add(time.Duration(h * float64(time.Hour))) }
	sum := func(stage consignment.Standing, n int, set func(*store.Summary)) store.Summary {
		s := store.Summary{Number: fmt.Sprintf("K-%s-%02d", stage, n), Stage: store.Stage(stage), Packages: 30, DispatchAt: at(float64(n)), LatestStart: at(float64(n) - 1), ValidUntil: at(70)}
		if set != nil {
			set(&s)
		}
		return s
	}
	var here, left []store.Summary
	for n := 14; n > 0; n-- { // the latest first: the board sorts
		here = append(here, sum(consignment.StandOpen, n, nil))
	}
	here = append(here, sum(consignment.StandOpen, 90, func(s *store.Summary) { s.DispatchAt = at(-48) }))
	for n := range 8 {
		here = append(here, sum(consignment.StandHeld, n, func(s *store.Summary) { s.WaitingSince = at(-float64(n)) }))
	}
	for n := range 2 {
		here = append(here, sum(consignment.StandWork, n, nil))
	}
	here = append(here,
		sum(consignment.StandPassed, 1, func(s *store.Summary) { s.DispatchAt, s.ValidUntil = at(30), at(5) }),
		sum(consignment.StandPassed, 2, func(s *store.Summary) { s.DispatchAt, s.ValidUntil = at(2), at(71) }),
		sum(consignment.StandPassed, 3, func(s *store.Summary) { s.ValidUntil = at(-1) }),
		sum(consignment.StandPassed, 4, func(s *store.Summary) { s.ValidUntil = at(-25) }),
		sum(consignment.StandIsolated, 1, func(s *store.Summary) { s.Place = "Bay Q" }))
	left = append(left,
		sum(consignment.StandGone, 1, func(s *store.Summary) { s.LeftAt = at(-2) }),
		sum(consignment.StandGone, 2, func(s *store.Summary) { s.LeftAt = at(-13) }), // yesterday
		sum(consignment.StandGone, 3, func(s *store.Summary) { s.LeftAt, s.Held = at(-50), "same batch" }))
	got := boardGroups(here, left)
	for _, tt := range []struct {
		title string
		count int
		shown []string
		more  string
	}{
		{"Due", 14, []string{"K-open-01", "K-open-02", "K-open-03", "K-open-04", "K-open-05", "K-open-06", "K-open-07"}, "and 7 more; 1 from before"},
		{"Under inspection", 2, []string{"K-inspecting-00", "K-inspecting-01"}, ""},
		{"Held", 8, []string{"K-held-07", "K-held-06", "K-held-05", "K-held-04"}, "and 4 more"}, // longest first
		{"Stopped", 1, []string{"K-gone-03"}, ""},
		{"Rejected, isolated", 1, []string{"K-isolated-01"}, ""},
		{"Passed", 3, []string{"K-passed-03", "K-passed-02", "K-passed-01"}, "and 1 that lapsed before"},
		{"Left today", 1, []string{"K-gone-01"}, ""},
	} {
		g := got[tt.title]
		var shown []string
		for _, tag := range g.Tags {
			shown = append(shown, tag.Number)
		}
		if g.Count != tt.count || fmt.Sprint(shown) != fmt.Sprint(tt.shown) || g.More.String() != tt.more {
			t.Errorf("%s: %d, %v, %q; want %d, %v, %q", tt.title, g.Count, shown, g.More, tt.count, tt.shown, tt.more)
		}
	}
	bars := map[string]string{}
	for _, tag := range got["Passed"].Tags {
		if tag.Bar != nil {
			bars[tag.Number] = fmt.Sprintf("%d of %d %v", tag.Bar.Left, tag.Bar.Whole, tag.Bar.Short)
		}
	}
	// Five of 72 hours are less than an eighth; what lapsed has no bar.
	if want := "map[K-passed-01:300 of 4320 true K-passed-02:4260 of 4320 false]"; fmt.Sprint(bars) != want {
		t.Errorf("bars %v, want %s", bars, want)
	}
}
