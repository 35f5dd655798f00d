package label

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"lastlook/internal/consignment"
	"lastlook/internal/paper"
	"lastlook/internal/say"
)

// state is a consignment of 3 Viola and 2 Ajuga packages, or of as many as given.
func state(t *testing.T, printed ...[2]int) *consignment.State {
	t.Helper()
	return folded(t, 3, 2, printed...)
}

func folded(t *testing.T, viola, ajuga int, printed ...[2]int) *consignment.State {
	t.Helper()
	at := time.Date(2026, 3, 11, 8, 0, 0, 0, time.UTC)
	events := []consignment.Event{consignment.Registered{
		Code: "7F3K", Number: "K-2041", Customer: "Hall", Destination: "Eastmoor", DispatchAt: time.Date(2026, 3, 12, 23, 30, 0, 0, time.UTC),
		Lines: []consignment.Line{{Crop: "Viola", Batch: "V1", Packages: viola, UnitsPerPackage: 6}, {Crop: "Ajuga", Packages: ajuga, UnitsPerPackage: 6}},
	}}
	for _, p := range printed {
		events = append(events, consignment.LabelsPrinted{Sheet: "a4", From: p[0], To: p[1]})
	}
	var recs []consignment.Recorded
	for i, e := range events {
		recs = append(recs, consignment.Recorded{Version: i + 1, At: at, Event: e, Actor: consignment.Actor{ID: "x", Name: "x"}})
	}
	s, err := consignment.Fold(recs)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestFor(t *testing.T) {
	// One hour east of UTC the consignment leaves half an hour after midnight.
	ls, err := For(state(t), 3, 5, time.FixedZone("", 3600), nil)
	if err != nil || len(ls) != 3 {
		t.Fatalf("For = %d labels, %v", len(ls), err)
	}
	for i, want := range []string{
		"P7F3K003 3/5 Viola V1", "P7F3K004 4/5 Ajuga ", "P7F3K005 5/5 Ajuga ",
	} {
		l := ls[i]
		id := l.Code.String()
		if got := fmt.Sprintf("%s %d/%d %s %s", id[:len(id)-2], l.Package, l.Packages, l.Crop, l.Batch); got != want {
			t.Errorf("label %d = %q, want %q", i, got, want)
		}
		if l.LeaveBy != "Fri 13 March, 00:30" || l.Destination != "Eastmoor" || l.Customer != "Hall" || l.Consignment != "K-2041" {
			t.Errorf("label %d = %+v", i, l)
		}
	}
}

func TestForRefuses(t *testing.T) {
	large := folded(t, paper.MaxLabels, 2)
	tests := []struct {
		name     string
		st       *consignment.State
		from, to int
		field    string
	}{
		{"zero", state(t), 0, 3, "from"},
		{"beyond", state(t), 6, 6, "from"},
		{"end beyond", state(t), 1, 6, "to"},
		{"backwards", state(t), 4, 3, "to"},
		{"too many", large, 1, paper.MaxLabels + 1, "to"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			ls, err := For(tt.st, tt.from, tt.to, time.UTC, nil)
			r, ok := err.(*say.Refusal)
			if !ok || r.Field != tt.field || ls != nil {
				t.Errorf("For(%d, %d) = %d labels, %v; want a refusal of %s", tt.from, tt.to, len(ls), err, tt.field)
			}
		})
	}
	if ls, err := For(large, 3, paper.MaxLabels+2, time.UTC, nil); err != nil || len(ls) != paper.MaxLabels {
		t.Errorf("For of as many as a file holds = %d, %v", len(ls), err)
	}
}

func TestReprint(t *testing.T) {
	tests := []struct {
		printed  [][2]int
		from, to int
		want     bool
	}{
		{nil, 1, 5, false},
		{[][2]int{{1, 5}}, 1, 5, true},
		{[][2]int{{1, 5}}, 2, 2, true},
		{[][2]int{{1, 2}, {4, 5}}, 1, 5, false},
		{[][2]int{{1, 3}, {3, 5}}, 2, 5, true},
		{[][2]int{{1, 5}}, 3, 2, false},
	}
	for _, tt := range tests {
		if got := Reprint(state(t, tt.printed...), tt.from, tt.to); got != tt.want {
			t.Errorf("with %v printed, Reprint(%d, %d) = %v, want %v", tt.printed, tt.from, tt.to, got, tt.want)
		}
	}
}

// Packages that were taken out have no label, and numbers beyond the count are not
// said to be of it.
func TestLabelsWithGaps(t *testing.T) {
	st := state(t)
	st.Lines = consignment.Without(st.Lines, []int{2, 4})
	ls, err := For(st, 1, 5, time.UTC, nil)
	if err != nil {
		t.Fatal(err)
	}
	var got []int
	for _, l := range ls {
		got = append(got, l.Package)
		if l.Packages != 3 || !l.Gaps {
			t.Errorf("label %d: %d packages, gaps %v; want 3, true", l.Package, l.Packages, l.Gaps)
		}
	}
	if !slices.Equal(got, []int{1, 3, 5}) {
		t.Errorf("labels of %v, want 1, 3, 5", got)
	}
	if _, err := For(st, 4, 4, time.UTC, nil); err == nil || !strings.Contains(err.Error(), "taken out") {
		t.Errorf("the label of a package taken out: %v", err)
	}
	if got := Left(st); !slices.Equal(got, []int{1, 3, 5}) {
		t.Errorf("Left = %v, want 1, 3, 5", got)
	}
	if Reprint(st, 1, 5) {
		t.Error("labels never printed are a reprint")
	}
}
