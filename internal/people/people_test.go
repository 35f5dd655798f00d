package people

import (
	"strings"
	"testing"
	"time"

	"lastlook/internal/say"
)

func roster(t *testing.T, commands ...Command) *Roster {
	t.Helper()
	r := &Roster{}
	for _, c := range commands {
		events, err := Decide(r, c)
		if err != nil {
			t.Fatalf("Decide(%+v): %v", c, err)
		}
		for _, e := range events {
			b, err := Encode(e)
			if err != nil {
				t.Fatal(err)
			}
			back, err := Decode(e.Kind(), b)
			if err != nil {
				t.Fatal(err)
			}
			if err := r.Apply(back, time.Unix(0, 0)); err != nil {
				t.Fatal(err)
			}
		}
	}
	return r
}

func TestDecide(t *testing.T) {
	ida := Join{ID: "AAAA", Name: "Ida Fenn", Roles: []string{Supervisor, Inspector}}
	tam := Join{ID: "BBBB", Name: "Tam Orrin", Roles: []string{Inspector}}
	tests := []struct {
		name    string
		before  []Command
		command Command
		want    say.Code // "" means accepted
		words   string
	}{
		{"join", nil, ida, "", ""},
		{"no name", nil, Join{ID: "CCCC", Name: " \t\n", Roles: []string{Inspector}}, say.Invalid, "name is missing"},
		{"long name", nil, Join{ID: "CCCC", Name: strings.Repeat("é", 81), Roles: []string{Inspector}}, say.Invalid, "80 characters"},
		{"no role", nil, Join{ID: "CCCC", Name: "Bea Lund"}, say.Invalid, "role"},
		{"unknown role", nil, Join{ID: "CCCC", Name: "Bea Lund", Roles: []string{"boss"}}, say.Invalid, "boss"},
		{"same name", []Command{ida}, Join{ID: "CCCC", Name: "ida fenn", Roles: []string{Trainee}}, say.Conflict, "tells the two apart"},
		{"same badge", []Command{ida}, Join{ID: "AAAA", Name: "Bea Lund", Roles: []string{Trainee}}, say.Conflict, "badge"},
		{"change", []Command{ida, tam}, Change{ID: "BBBB", Name: "Tam O.", Roles: []string{Trainee}}, "", ""},
		{"change nobody", []Command{ida}, Change{ID: "ZZZZ", Name: "X", Roles: []string{Trainee}}, say.NotFound, "nobody"},
		{"last supervisor steps down", []Command{ida, tam}, Change{ID: "AAAA", Name: "Ida Fenn", Roles: []string{Inspector}}, say.Illegal, "last supervisor"},
		{"last supervisor leaves", []Command{ida, tam}, Leave{ID: "AAAA"}, say.Illegal, "last supervisor"},
		{"inspector leaves", []Command{ida, tam}, Leave{ID: "BBBB"}, "", ""},
		{"leaves twice", []Command{ida, tam, Leave{ID: "BBBB"}}, Leave{ID: "BBBB"}, say.NotFound, "nobody"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := Decide(roster(t, tt.before...), tt.command)
			if got := say.CodeOf(err); got != tt.want || (err == nil) != (tt.want == "") {
				t.Fatalf("Decide(%+v) = %v (code %q), want code %q", tt.command, err, got, tt.want)
			}
			if err != nil && !strings.Contains(err.Error(), tt.words) {
				t.Errorf("Decide(%+v) says %q, want it to speak of %q", tt.command, err, tt.words)
			}
		})
	}
}

func TestRetiredKeepsName(t *testing.T) {
	r := roster(t,
		Join{ID: "AAAA", Name: "Ida Fenn", Roles: []string{Supervisor}},
		Join{ID: "BBBB", Name: "Tam\n Orrin", Roles: []string{Inspector}},
		Leave{ID: "BBBB"})
	p, ok := r.Person("BBBB")
	if !ok || p.Name != "Tam Orrin" || !p.Retired {
		t.Errorf("Person(BBBB) = %+v, %v; want retired Tam Orrin", p, ok)
	}
	if w := r.Working(); len(w) != 1 || w[0].ID != "AAAA" {
		t.Errorf("Working() = %+v, want only AAAA", w)
	}
}
