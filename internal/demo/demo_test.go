package demo

import (
	"context"
	"testing"
	"time"

	"lastlook/internal/consignment"
	"lastlook/internal/people"
	"lastlook/internal/place"
	"lastlook/internal/store"
)

func TestFill(t *testing.T) {
	ctx := context.Background()
	st, err := store.Open(ctx, t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { st.Close() })
	now := time.Date(2026, 3, 11, 12, 20, 0, 0, time.UTC)
	st.Now = func() time.Time { return now }
	made, err := Fill(ctx, st, now)
	if err != nil {
		t.Fatal(err)
	}

	roles := map[string]string{Ida: people.Supervisor, Tam: people.Inspector, Wilo: people.Inspector, Bea: people.Trainee}
	for name, role := range roles {
		if p := made.People[name]; !p.Has(role) || p.ID == "" {
			t.Errorf("%s = %+v, want the role %s and a badge", name, p, role)
		}
	}
	if !made.People[Ida].Has(people.Inspector) {
		t.Error("the supervisor is no inspector")
	}

	for _, kind := range place.Kinds {
		list, err := st.Places(ctx)
		if err != nil || len(list.InUse(kind)) != 1 {
			t.Errorf("%d places of the kind %s, %v; want one", len(list.InUse(kind)), kind, err)
		} else if p := list.InUse(kind)[0]; made.Places[p.Name] != p {
			t.Errorf("made.Places[%q] = %+v, want %+v", p.Name, made.Places[p.Name], p)
		}
	}

	due, over, err := st.Due(ctx, 10)
	if err != nil || len(due) != 5 || len(over) != 3 {
		t.Fatalf("Due = %d due, %d over, %v; want 5 and 3", len(due), len(over), err)
	}
	for _, tt := range []struct {
		number                       string
		stage                        store.Stage
		toExamine, fetched, examined int
	}{
		{Fresh, store.OpenStage, 0, 0, 0},
		{Drawn, store.Inspecting, 3, 0, 0},
		{AtWork, store.Inspecting, 3, 3, 1},
		{Passed, store.Stage(consignment.Passed), 3, 3, 3},
		{Rejected, store.Stage(consignment.Rejected), 3, 3, 3},
		{Held, store.Stage(consignment.Held), 3, 2, 1},
	} {
		s, err := st.ByNumber(ctx, tt.number)
		if err != nil || s.Stage != tt.stage || s.ToExamine != tt.toExamine || s.Fetched != tt.fetched || s.Examined != tt.examined {
			t.Errorf("%s = %s, %d/%d/%d, %v; want %s, %d/%d/%d", tt.number, s.Stage, s.ToExamine, s.Fetched, s.Examined, err,
				tt.stage, tt.toExamine, tt.fetched, tt.examined)
		}
	}

	open, err := st.Samples(ctx, false, 0)
	if err != nil || len(open) != 1 || open[0].Consignment.Number != Held || open[0].Step != consignment.Stored || open[0].HeldBy != "Sample fridge" {
		t.Errorf("samples that wait = %+v, %v; want one of %s in the fridge", open, err, Held)
	}

	// The work lies in the past, so that the first step at the bench is not
	// refused for a clock put back.
	if got := st.Now(); !got.Equal(now) {
		t.Errorf("the clock of the store gives %v after Fill, want %v", got, now)
	}
	for number, code := range made.Codes {
		s, err := st.Consignment(ctx, code)
		if err != nil || s.LastAt.After(now) {
			t.Errorf("%s: newest step at %v, %v; want none after %v", number, s.LastAt, err, now)
		}
	}
	tam := made.People[Tam]
	_, err = st.Do(ctx, store.Step{Code: made.Codes[Fresh], Actor: consignment.Actor{ID: tam.ID, Name: tam.Name}, Bench: Bench,
		Command: consignment.PrintLabels{Sheet: "a4", From: 1, To: 240}})
	if err != nil {
		t.Errorf("first step after Fill: %v", err)
	}
}

// Twice into one folder leaves the first as it is and says so.
func TestFillTwice(t *testing.T) {
	ctx := context.Background()
	st, err := store.Open(ctx, t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { st.Close() })
	now := time.Now()
	if _, err := Fill(ctx, st, now); err != nil {
		t.Fatal(err)
	}
	if _, err := Fill(ctx, st, now.Add(time.Hour)); err == nil {
		t.Error("Fill of a folder that is not empty: no error")
	}
}
