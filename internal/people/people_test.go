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
		{"another badge", []Command{ida}, GiveBadge{ID: "AAAA", Badge: "DDDD"}, "", ""},
		{"a badge for nobody", []Command{ida}, GiveBadge{ID: "ZZZZ", Badge: "DDDD"}, say.NotFound, "nobody"},
		{"a badge for one who left", []Command{ida, tam, Leave{ID: "BBBB"}}, GiveBadge{ID: "BBBB", Badge: "DDDD"}, say.NotFound, "nobody"},
		{"no badge", []Command{ida}, GiveBadge{ID: "AAAA"}, say.Conflict, "badge"},
		{"the badge of another", []Command{ida, tam}, GiveBadge{ID: "AAAA", Badge: "BBBB"}, say.Conflict, "belongs to somebody"},
		{"a badge that was void", []Command{ida, GiveBadge{ID: "AAAA", Badge: "DDDD"}}, GiveBadge{ID: "AAAA", Badge: "AAAA"}, say.Conflict, "belongs to somebody"},
		{"joins with a void badge", []Command{ida, GiveBadge{ID: "AAAA", Badge: "DDDD"}, GiveBadge{ID: "AAAA", Badge: "EEEE"}}, Join{ID: "p-1", Badge: "DDDD", Name: "Bea Lund", Roles: []string{Trainee}}, say.Conflict, "belongs to somebody"},
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

// A person who joined before badges were apart has the ID as badge, until another is
// given; whoever joins now has both from the start.
func TestBadges(t *testing.T) {
	r := &Roster{}
	do := func(c Command) {
		t.Helper()
		events, err := Decide(r, c)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range events {
			b, err := Encode(e)
			if err != nil {
				t.Fatal(err)
			}
			again, err := Decode(e.Kind(), b)
			if err != nil {
				t.Fatal(err)
			}
			if err := r.Apply(again, time.Time{}); err != nil {
				t.Fatal(err)
			}
		}
	}
	do(Join{ID: "AAAA", Name: "Ida Fenn", Roles: []string{Supervisor}})
	do(Join{ID: "p-1", Badge: "BBBB", Name: "Tam Orrin", Roles: []string{Inspector}})
	do(Join{ID: "p-2", Badge: "CCCC", Name: "Bea Lund", Roles: []string{Trainee}})
	check := func(badge, holder, had string) {
		t.Helper()
		now, _ := r.ByBadge(badge)
		once, _ := r.HadBadge(badge)
		if now.Name != holder || once.Name != had {
			t.Errorf("%q is of %q and was of %q, want %q and %q", badge, now.Name, once.Name, holder, had)
		}
	}
	check("AAAA", "Ida Fenn", "")
	check("BBBB", "Tam Orrin", "")
	check("", "", "")
	do(GiveBadge{ID: "AAAA", Badge: "DDDD"})
	do(GiveBadge{ID: "p-1", Badge: "EEEE"})
	do(GiveBadge{ID: "p-1", Badge: "FFFF"})
	do(Leave{ID: "p-2"})
	check("AAAA", "", "Ida Fenn")
	check("DDDD", "Ida Fenn", "")
	check("BBBB", "", "Tam Orrin")
	check("EEEE", "", "Tam Orrin")
	check("FFFF", "Tam Orrin", "")
	check("CCCC", "", "Bea Lund")
	for _, used := range []string{"AAAA", "BBBB", "CCCC", "EEEE", "p-1"} {
		if !r.Used(used) {
			t.Errorf("%s may be used again", used)
		}
	}
	if p, _ := r.Person("AAAA"); p.Badge != "DDDD" || p.Name != "Ida Fenn" {
		t.Errorf("the person is %+v", p)
	}
}
