package place

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"lastlook/internal/say"
)

// list does the commands, each event by way of its stored form.
func list(t *testing.T, commands ...Command) *List {
	t.Helper()
	l := &List{}
	for i, c := range commands {
		events, err := Decide(l, c)
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
			if err := l.Apply(back, time.Unix(int64(i), 0)); err != nil {
				t.Fatal(err)
			}
		}
	}
	return l
}

var (
	bay   = Make{ID: "AAAA", Kind: QuarantineBay, Name: "Bay Q", Where: "behind the potting shed"}
	store = Make{ID: "BBBB", Kind: PassedStore, Name: "Passed store"}
)

func TestDecide(t *testing.T) {
	tests := []struct {
		name    string
		before  []Command
		command Command
		want    say.Code // "" means accepted
		words   string
	}{
		{"make", nil, bay, "", ""},
		{"no name", nil, Make{ID: "CCCC", Kind: Bench, Name: " \t\n"}, say.Invalid, "name is missing"},
		{"long name", nil, Make{ID: "CCCC", Kind: Bench, Name: strings.Repeat("é", 41)}, say.Invalid, "40 characters"},
		{"longest name", nil, Make{ID: "CCCC", Kind: Bench, Name: strings.Repeat("é", 40)}, "", ""},
		{"long way", nil, Make{ID: "CCCC", Kind: Bench, Name: "x", Where: strings.Repeat("é", 121)}, say.Invalid, "120 characters"},
		{"no kind", nil, Make{ID: "CCCC", Name: "Bench 1"}, say.Invalid, "what the place is for"},
		{"unknown kind", nil, Make{ID: "CCCC", Kind: "cellar", Name: "Bench 1"}, say.Invalid, "what the place is for"},
		{"no code", nil, Make{Kind: Bench, Name: "Bench 1"}, say.Conflict, "try again"},
		{"same name", []Command{bay}, Make{ID: "CCCC", Kind: Gate, Name: "bay  q"}, say.Conflict, "tells the two apart"},
		{"same code", []Command{bay}, Make{ID: "AAAA", Kind: Gate, Name: "Gate"}, say.Conflict, "another place"},
		{"rename", []Command{bay}, Change{ID: "AAAA", Name: "Bay R"}, "", ""},
		{"same name in other letters", []Command{bay}, Change{ID: "AAAA", Name: "BAY Q", Where: "behind the potting shed"}, "", ""},
		{"rename to nothing", []Command{bay}, Change{ID: "AAAA"}, say.Invalid, "name is missing"},
		{"rename to another's", []Command{bay, store}, Change{ID: "BBBB", Name: "Bay Q"}, say.Conflict, "tells the two apart"},
		{"nothing changed", []Command{bay}, Change{ID: "AAAA", Name: "Bay Q", Where: " behind  the potting shed"}, say.Invalid, "Nothing is changed"},
		{"rename what is not there", []Command{bay}, Change{ID: "ZZZZ", Name: "x"}, say.NotFound, "no place with that code"},
		{"rename what was given up", []Command{bay, Retire{ID: "AAAA"}}, Change{ID: "AAAA", Name: "x"}, say.NotFound, "Bay Q was given up: take its card down"},
		{"retire", []Command{bay}, Retire{ID: "AAAA"}, "", ""},
		{"retire twice", []Command{bay, Retire{ID: "AAAA"}}, Retire{ID: "AAAA"}, say.NotFound, "given up"},
		{"a name is free again", []Command{bay, Retire{ID: "AAAA"}}, Make{ID: "CCCC", Kind: QuarantineBay, Name: "Bay Q"}, "", ""},
		{"a code is never free again", []Command{bay, Retire{ID: "AAAA"}}, Make{ID: "AAAA", Kind: QuarantineBay, Name: "Bay R"}, say.Conflict, "another place"},
		{"no step", nil, nil, say.Invalid, "does not know this step"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := Decide(list(t, tt.before...), tt.command)
			if got := say.CodeOf(err); got != tt.want || (err == nil) != (tt.want == "") {
				t.Fatalf("Decide(%+v) = %v (code %q), want code %q", tt.command, err, got, tt.want)
			}
			if err != nil && !strings.Contains(err.Error(), tt.words) {
				t.Errorf("Decide(%+v) says %q, want it to speak of %q", tt.command, err, tt.words)
			}
		})
	}
}

func TestList(t *testing.T) {
	l := list(t, bay, store, Make{ID: "CCCC", Kind: Bench, Name: " Bench\n 1 "}, Change{ID: "AAAA", Name: "Bay R", Where: "left"}, Retire{ID: "BBBB"})
	if l.Version != 5 || !l.LastAt.Equal(time.Unix(4, 0)) {
		t.Errorf("version %d at %v, want 5 at %v", l.Version, l.LastAt, time.Unix(4, 0))
	}
	want := []Place{{"AAAA", QuarantineBay, "Bay R", "left", false}, {"BBBB", PassedStore, "Passed store", "", true}, {"CCCC", Bench, "Bench 1", "", false}}
	if !slices.Equal(l.Places, want) {
		t.Errorf("Places = %+v, want %+v", l.Places, want)
	}
	if got := l.InUse(); !slices.Equal(got, []Place{want[0], want[2]}) {
		t.Errorf("InUse() = %+v", got)
	}
	if got := l.InUse(PassedStore, QuarantineBay); !slices.Equal(got, want[:1]) {
		t.Errorf("InUse(store, bay) = %+v, want the bay", got)
	}
	if p, ok := l.Place("BBBB"); !ok || p.Name != "Passed store" {
		t.Errorf("Place(BBBB) = %+v, %v; want the name of what was given up", p, ok)
	}
}

func TestKinds(t *testing.T) {
	for _, k := range Kinds {
		if k.Words().String() == string(k) || k.Rule().IsZero() {
			t.Errorf("%s has no words or no rule", k)
		}
	}
	if got := Kind("cellar").Words().String(); got != "cellar" {
		t.Errorf("Words of an unknown kind = %q", got)
	}
}

func TestDecodeRefuses(t *testing.T) {
	if _, err := Decode("place_painted", []byte("{}")); say.CodeOf(err) != say.Storage {
		t.Errorf("Decode of an unknown kind: %v", err)
	}
	if _, err := Decode("place_made", []byte("{")); err == nil {
		t.Error("Decode of half an event: no error")
	}
	for _, e := range []Event{Changed{ID: "AAAA"}, Retired{ID: "AAAA"}} {
		if err := (&List{}).Apply(e, time.Time{}); err == nil {
			t.Errorf("Apply(%+v) on an empty list: no error", e)
		}
	}
}

// Whatever is done, no two places in use share a name, no two at all a code, and
// nothing goes from the list.
func TestListStaysSound(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := &List{}
		id := rapid.SampledFrom([]string{"", "AAAA", "BBBB", "CCCC", "DDDD"})
		name := rapid.SampledFrom([]string{"", "Bay Q", "bay q", "Gate", "Bench 1"})
		for range rapid.IntRange(1, 30).Draw(t, "steps") {
			var c Command
			switch rapid.IntRange(0, 2).Draw(t, "what") {
			case 0:
				c = Make{ID: id.Draw(t, "id"), Kind: rapid.SampledFrom(Kinds).Draw(t, "kind"), Name: name.Draw(t, "name")}
			case 1:
				c = Change{ID: id.Draw(t, "id"), Name: name.Draw(t, "name")}
			case 2:
				c = Retire{ID: id.Draw(t, "id")}
			}
			before := fmt.Sprint(l)
			events, err := Decide(l, c)
			if fmt.Sprint(l) != before {
				t.Fatalf("Decide(%+v) changed the list", c)
			}
			if err != nil && say.CodeOf(err) == "" {
				t.Fatalf("Decide(%+v) = %v, which is no refusal", c, err)
			}
			had := len(l.Places)
			for _, e := range events {
				if err := l.Apply(e, time.Time{}); err != nil {
					t.Fatal(err)
				}
			}
			if len(l.Places) < had {
				t.Fatal("a place is gone")
			}
			names, ids := map[string]bool{}, map[string]bool{}
			for _, p := range l.Places {
				if n := strings.ToLower(p.Name); !p.Retired {
					if names[n] || n == "" {
						t.Fatalf("two places are called %q: %+v", n, l.Places)
					}
					names[n] = true
				}
				if ids[p.ID] || p.ID == "" {
					t.Fatalf("two places have the code %q: %+v", p.ID, l.Places)
				}
				ids[p.ID] = true
			}
		}
	})
}
