package store

import (
	"reflect"
	"testing"
	"time"

	"lastlook/internal/consignment"
	"lastlook/internal/ladder"
	"lastlook/internal/practice"
	"lastlook/internal/say"
)

func TestPracticeIsKept(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	bea := consignment.Actor{ID: "CCCC", Name: "Bea Lund", Roles: []string{"trainee"}}
	bank := []practice.Subject{
		{ID: "a", Name: "A", Signs: []practice.Sign{{Text: "telling"}, {Text: "vague"}}, Right: ladder.Stop, Untested: ladder.Stop, Danger: true, Reasons: []say.Text{say.T("Only %d.", 3)}},
		{ID: "b", Name: "B", Signs: []practice.Sign{{Text: "one"}}, Right: ladder.Note, Untested: ladder.Sample},
	}
	if st, err := s.Practice(ctx, bea.ID); err != nil || st.Version != 0 {
		t.Fatalf("before the first step: %+v, %v", st, err)
	}
	step := func(key string, c practice.Command) *practice.State {
		t.Helper()
		st, err := s.DoPractice(ctx, bea, "bench 1", key, c)
		if err != nil {
			t.Fatalf("%T: %v", c, err)
		}
		return st
	}
	step("k1", practice.Start{Bank: bank, Size: 2, Seed: [32]byte{4}})
	// The same key again, with another seed, is the same session.
	if st := step("k1", practice.Start{Bank: bank, Size: 2, Seed: [32]byte{5}}); len(st.Sessions) != 1 || st.Version != 1 {
		t.Errorf("the same key made %d sessions, %d steps", len(st.Sessions), st.Version)
	}
	first := step("k2", practice.Say{Session: 1, Case: 1, Act: ladder.Sample})
	if again := step("k2", practice.Say{Session: 1, Case: 1, Act: ladder.Stop}); !reflect.DeepEqual(again.Sessions[0].Cases[0].Answer, first.Sessions[0].Cases[0].Answer) {
		t.Error("the same key changed the answer")
	}
	if _, err := s.DoPractice(ctx, bea, "bench 1", "k3", practice.Say{Session: 1, Case: 1, Act: ladder.Stop}); say.CodeOf(err) != say.Illegal {
		t.Errorf("answering twice: %v, want a refusal", err)
	}
	if _, err := s.DoPractice(ctx, tam, "bench 1", "k2", practice.Start{Bank: bank, Size: 1}); say.CodeOf(err) != say.Invalid {
		t.Errorf("somebody else's key: %v, want a refusal", err)
	}
	if _, err := s.DoPractice(ctx, tam, "bench 1", "", practice.Say{Session: 1, Case: 2, Act: ladder.Stop}); say.CodeOf(err) != say.NotFound {
		t.Errorf("somebody else's session: %v, want a refusal", err)
	}
	if _, err := s.DoPractice(ctx, consignment.Actor{}, "bench 1", "", practice.Start{Bank: bank, Size: 1}); say.CodeOf(err) != say.Forbidden {
		t.Errorf("nobody's practice: %v, want a refusal", err)
	}
	if ids, err := s.Practised(ctx); err != nil || !reflect.DeepEqual(ids, []string{bea.ID}) {
		t.Errorf("Practised = %v, %v, want only %s", ids, err, bea.ID)
	}
	// The events are the trainee's own, and a consignment's tables know nothing of them.
	var row eventRow
	if err := s.db.Where("stream = ?", practiceStream+bea.ID).Order("version").Take(&row).Error; err != nil {
		t.Fatal(err)
	}
	if want := `{"id":"CCCC","name":"Bea Lund","roles":["trainee"]}`; row.Actor != want || row.Kind != "practice_started" {
		t.Errorf("first step is %s by %s, want practice_started by %s", row.Kind, row.Actor, want)
	}
	if due, over, err := s.Due(ctx, 9); err != nil || len(due)+len(over) != 0 {
		t.Errorf("practice put something on the board: %v %v %v", due, over, err)
	}

	// After a restart the session is where it was; a rebuild leaves it alone.
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = open(t, dir)
	if _, err := s.Rebuild(ctx, nil); err != nil {
		t.Fatal(err)
	}
	st, err := s.Practice(ctx, bea.ID)
	if err != nil || st.Open() == nil || st.Open().Now() != 2 {
		t.Fatalf("after a restart: %+v, %v, want case 2 of session 1", st, err)
	}
	if !reflect.DeepEqual(st.Sessions[0].Cases[0].Case.Signs, first.Sessions[0].Cases[0].Case.Signs) {
		t.Error("the case came back otherwise")
	}
	s.Now = func() time.Time { return t0.Add(-time.Hour) }
	if _, err := s.DoPractice(ctx, bea, "bench 1", "", practice.GiveUp{Session: 1}); say.CodeOf(err) != say.Clock {
		t.Errorf("with the clock put back an hour: %v, want a refusal", err)
	}
}
