package store

import (
	"reflect"
	"strings"
	"testing"

	"lastlook/internal/code"
	"lastlook/internal/people"
	"lastlook/internal/place"
	"lastlook/internal/say"
)

// withPlaces makes two places, renames the first and gives the second up.
func withPlaces(t testing.TB, s *Store) *place.List {
	t.Helper()
	if _, err := s.DoPlaces(ctx, tam, "office", "bay", place.Make{Kind: place.QuarantineBay, Name: "Bay Q"}); err != nil {
		t.Fatal(err)
	}
	l, err := s.DoPlaces(ctx, tam, "office", "gate", place.Make{Kind: place.Gate, Name: "Gate"})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []place.Command{place.Change{ID: l.Places[0].ID, Name: "Bay R", Where: "left"}, place.Retire{ID: l.Places[1].ID}} {
		if l, err = s.DoPlaces(ctx, tam, "office", "", c); err != nil {
			t.Fatal(err)
		}
	}
	return l
}

func TestPlaces(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	if l, err := s.Places(ctx); err != nil || l.Version != 0 || len(l.Places) != 0 {
		t.Fatalf("Places of an empty folder = %+v, %v", l, err)
	}
	made := withPlaces(t, s)
	if id, err := code.New(code.KindLocation, made.Places[0].ID); err != nil || made.Places[0].ID == made.Places[1].ID {
		t.Errorf("places have the codes %q and %q, %v %v", made.Places[0].ID, made.Places[1].ID, id, err)
	}
	// The same key again adds nothing and gives the list as it is.
	if again, err := s.DoPlaces(ctx, tam, "office", "bay", place.Make{Kind: place.QuarantineBay, Name: "Bay Q"}); err != nil || !reflect.DeepEqual(again, made) {
		t.Errorf("the same key again = %+v, %v; want %+v", again, err, made)
	}
	// A key that was used elsewhere is not taken for this step.
	if _, err := s.DoPeople(ctx, tam, "office", "ida", people.Join{Name: "Ida Fenn", Roles: []string{people.Supervisor}}); err != nil {
		t.Fatal(err)
	}
	if _, err := s.DoPlaces(ctx, tam, "office", "ida", place.Make{Kind: place.Gate, Name: "Gate 2"}); say.CodeOf(err) != say.Invalid {
		t.Errorf("the key of another list: %v", err)
	}
	if _, err := s.DoPlaces(ctx, tam, "office", "", place.Make{Kind: place.Gate, Name: "bay r"}); say.CodeOf(err) != say.Conflict {
		t.Errorf("a name twice: %v", err)
	}

	if r := audit(t, s, AuditOptions{}); !r.Agrees() {
		t.Errorf("findings:\n%s", words(r))
	}
	if _, err := s.Rebuild(ctx, nil); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = open(t, dir)
	if back, err := s.Places(ctx); err != nil || !reflect.DeepEqual(back, made) {
		t.Errorf("opened again, Places = %+v, %v; want %+v", back, err, made)
	}
}

// The audit folds the list: a step that cannot follow is named.
func TestAuditOfPlaces(t *testing.T) {
	s := open(t, t.TempDir())
	withPlaces(t, s)
	for _, c := range []struct{ name, says, sql string }{
		{"changed before it was made", "history places: Its steps do not follow from each other", `UPDATE events SET data = replace(data, '"id":"', '"id":"Z') WHERE kind = 'place_retired'`},
		{"a kind that is not known", "of a kind this version does not know (place_painted)", `UPDATE events SET kind = 'place_painted' WHERE kind = 'place_changed'`},
	} {
		t.Run(c.name, func(t *testing.T) {
			if got := words(trial(t, s, AuditOptions{}, sqlChange(c.sql))); !strings.Contains(got, c.says) {
				t.Errorf("found\n%swant it to speak of %q", got, c.says)
			}
		})
	}
}
