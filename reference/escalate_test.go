package reference_test

import (
	"fmt"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"lastlook/internal/ladder"
	"lastlook/reference"
)

func entry(id string, action ladder.Rung, regulated bool, alike ...reference.LookAlike) *reference.Entry {
	return &reference.Entry{ID: id, Name: strings.ToUpper(id), EPPO: strings.ToUpper(id), Action: action, ActionWhy: "By itself.", Regulated: regulated, LookAlikes: alike}
}

func like(id string, by reference.By) reference.LookAlike {
	return reference.LookAlike{ID: id, By: by, TellApart: "So."}
}

func TestEscalate(t *testing.T) {
	raise := func(id string, to ladder.Rung) *reference.List {
		return &reference.List{ID: "east", Name: "East", Destinations: []string{"East"}, Raise: []reference.Raise{{Entry: id, To: to, Why: "Raised."}}}
	}
	optional := &reference.List{ID: "far", Name: "Far", Optional: true, Raise: []reference.Raise{{EPPO: "A", To: ladder.Stop, Why: "Raised."}}}
	east := reference.Destination{Name: "East"}
	for _, c := range []struct {
		name    string
		entries []*reference.Entry // the first is asked about
		lists   []*reference.List
		to      reference.Destination
		want    ladder.Rung
		tests   int
		because string
	}{
		{"by itself", []*reference.Entry{entry("a", ladder.Reject, false)}, nil, east, ladder.Reject, 0, "By itself."},
		{"raised by a list", []*reference.Entry{entry("a", ladder.Reject, false)}, []*reference.List{raise("a", ladder.Stop)}, east, ladder.Stop, 0, "Raised. (East)"},
		{"letter case of the destination", []*reference.Entry{entry("a", ladder.Reject, false)}, []*reference.List{raise("a", ladder.Stop)}, reference.Destination{Name: " eaST"}, ladder.Stop, 0, "Raised."},
		{"list of another destination", []*reference.Entry{entry("a", ladder.Reject, false)}, []*reference.List{raise("a", ladder.Stop)}, reference.Destination{Name: "West"}, ladder.Reject, 0, "By itself."},
		{"nowhere in particular", []*reference.Entry{entry("a", ladder.Reject, false)}, []*reference.List{raise("a", ladder.Stop)}, reference.Destination{}, ladder.Reject, 0, "By itself."},
		{"a list never lowers", []*reference.Entry{entry("a", ladder.Stop, true)}, []*reference.List{raise("a", ladder.Reject)}, east, ladder.Stop, 0, "By itself."},
		{"optional list off", []*reference.Entry{entry("a", ladder.Reject, false)}, []*reference.List{optional}, east, ladder.Reject, 0, "By itself."},
		{"optional list on, by EPPO code", []*reference.Entry{entry("a", ladder.Reject, false)}, []*reference.List{optional}, reference.Destination{Name: "East", Lists: []string{"far"}}, ladder.Stop, 0, "Raised. (Far)"},
		{"look-alike by eye", []*reference.Entry{entry("a", ladder.Reject, false, like("b", reference.ByEye)), entry("b", ladder.Stop, true)}, nil, east, ladder.Reject, 0, "By itself."},
		{"look-alike by lens", []*reference.Entry{entry("a", ladder.Reject, false, like("b", reference.ByLens)), entry("b", ladder.Stop, true)}, nil, east, ladder.Reject, 1, "By itself."},
		{"look-alike by lens, only a sample", []*reference.Entry{entry("a", ladder.Reject, false, like("b", reference.ByLens)), entry("b", ladder.Sample, true)}, nil, east, ladder.Reject, 0, "By itself."},
		{"look-alike by laboratory", []*reference.Entry{entry("a", ladder.Note, false, like("b", reference.ByLab)), entry("b", ladder.Stop, true)}, nil, east, ladder.Sample, 0, "Only a laboratory can tell it from B, which asks for stop"},
		{"look-alike by laboratory that is sampled", []*reference.Entry{entry("a", ladder.Reject, false, like("b", reference.ByLab)), entry("b", ladder.Sample, false)}, nil, east, ladder.Sample, 0, "which asks for sample"},
		{"look-alike by laboratory that is rejected", []*reference.Entry{entry("a", ladder.Note, false, like("b", reference.ByLab)), entry("b", ladder.Reject, false)}, nil, east, ladder.Note, 0, "By itself."},
		{"named by the other only", []*reference.Entry{entry("a", ladder.Reject, false), entry("b", ladder.Stop, true, like("a", reference.ByLab))}, nil, east, ladder.Sample, 0, "Only a laboratory"},
		{"the harder way of two counts", []*reference.Entry{entry("a", ladder.Reject, false, like("b", reference.ByEye)), entry("b", ladder.Stop, true, like("a", reference.ByLab))}, nil, east, ladder.Sample, 0, "Only a laboratory"},
		{"look-alike raised by a list", []*reference.Entry{entry("a", ladder.Reject, false, like("b", reference.ByLab)), entry("b", ladder.Reject, false)}, []*reference.List{raise("b", ladder.Stop)}, east, ladder.Sample, 0, "Only a laboratory"},
		{"both regulated", []*reference.Entry{entry("a", ladder.Sample, true, like("b", reference.ByLab)), entry("b", ladder.Stop, true)}, nil, east, ladder.Stop, 0, "both are regulated"},
		{"sampled but not regulated", []*reference.Entry{entry("a", ladder.Sample, false, like("b", reference.ByLab)), entry("b", ladder.Stop, true)}, nil, east, ladder.Sample, 0, "By itself."},
		{"no chains", []*reference.Entry{
			entry("a", ladder.Note, false, like("b", reference.ByLab)), entry("b", ladder.Reject, false, like("c", reference.ByLab)), entry("c", ladder.Stop, true),
		}, nil, east, ladder.Note, 0, "By itself."},
	} {
		t.Run(c.name, func(t *testing.T) {
			b, _ := reference.NewBook(c.entries, c.lists, reference.Synonyms{})
			got := reference.Escalate(b, c.entries[0], c.to)
			if got.Action != c.want || len(got.Tests) != c.tests {
				t.Errorf("Escalate = %v with %d tests, want %v with %d", got.Action, len(got.Tests), c.want, c.tests)
			}
			if text := fmt.Sprint(got.Reasons); !strings.Contains(text, c.because) {
				t.Errorf("Escalate gives the reasons %s, want %q among them", text, c.because)
			}
			if want := max(c.want, ladder.Sample); c.tests > 0 && got.Untested() != want {
				t.Errorf("Untested() = %v, want %v", got.Untested(), want)
			}
		})
	}
}

// What a laboratory has named does not look like anything else any more.
func TestIdentified(t *testing.T) {
	wants := &reference.List{ID: "east", Name: "East", Destinations: []string{"East"}, Raise: []reference.Raise{{Entry: "a", To: ladder.Sample, Why: "Wants it named."}}}
	stops := &reference.List{ID: "east", Name: "East", Destinations: []string{"East"}, Raise: []reference.Raise{{Entry: "a", To: ladder.Stop, Why: "Is free of it."}}}
	for _, c := range []struct {
		name    string
		e       *reference.Entry
		list    *reference.List
		want    ladder.Rung
		because string
	}{
		{"a look-alike by laboratory is ruled out", entry("a", ladder.Reject, false, like("b", reference.ByLab)), nil, ladder.Reject, "By itself."},
		{"a look-alike by lens is ruled out", entry("a", ladder.Note, false, like("b", reference.ByLens)), nil, ladder.Note, "By itself."},
		{"regulated like its look-alike", entry("a", ladder.Sample, true, like("b", reference.ByLab)), nil, ladder.Stop, "regulated in places"},
		{"a sample was asked for to name it", entry("a", ladder.Sample, false), nil, ladder.Reject, "pest or a disease"},
		{"a list wanted to know", entry("a", ladder.Note, false), wants, ladder.Note, "By itself."},
		{"a list wanted to know, of one that is regulated", entry("a", ladder.Reject, true), wants, ladder.Reject, "By itself."},
		{"a list stops it", entry("a", ladder.Sample, false), stops, ladder.Stop, "Is free of it. (East)"},
		{"stopped by itself", entry("a", ladder.Stop, true), nil, ladder.Stop, "By itself."},
	} {
		t.Run(c.name, func(t *testing.T) {
			var lists []*reference.List
			if c.list != nil {
				lists = append(lists, c.list)
			}
			b, _ := reference.NewBook([]*reference.Entry{c.e, entry("b", ladder.Stop, true)}, lists, reference.Synonyms{})
			got := reference.Identified(b, c.e, reference.Destination{Name: "East"})
			if text := fmt.Sprint(got.Reasons); got.Action != c.want || len(got.Tests) != 0 || !strings.Contains(text, c.because) {
				t.Errorf("Identified = %v %s with %d tests, want %v because %q", got.Action, text, len(got.Tests), c.want, c.because)
			}
		})
	}
}

// TestEscalateProperties: nothing ever lowers an entry, one more list never
// lowers it either, and there is always a reason.
func TestEscalateProperties(t *testing.T) {
	rungs := rapid.SampledFrom(ladder.Rungs)
	bys := rapid.SampledFrom([]reference.By{reference.ByEye, reference.ByLens, reference.ByLab})
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 6).Draw(t, "entries")
		var entries []*reference.Entry
		for i := range n {
			e := entry(fmt.Sprint("e", i), rungs.Draw(t, "rung"), rapid.Bool().Draw(t, "regulated"))
			for j := range n {
				if j != i && rapid.IntRange(0, 3).Draw(t, "link") == 0 {
					e.LookAlikes = append(e.LookAlikes, like(fmt.Sprint("e", j), bys.Draw(t, "by")))
				}
			}
			entries = append(entries, e)
		}
		to := reference.Destination{Name: "East"}
		more := &reference.List{ID: "x", Name: "X", Destinations: []string{"East"}, Raise: []reference.Raise{{Entry: fmt.Sprint("e", rapid.IntRange(0, n-1).Draw(t, "raised")), To: rungs.Draw(t, "to"), Why: "W"}}}
		without, _ := reference.NewBook(entries, nil, reference.Synonyms{})
		with := without.WithLists([]*reference.List{more})
		for _, e := range entries {
			a, b := reference.Escalate(without, e, to), reference.Escalate(with, e, to)
			if a.Action < e.Action || b.Action < a.Action || len(a.Reasons) == 0 || len(b.Reasons) == 0 {
				t.Fatalf("%s: own %v, escalated %v, with one more list %v", e.ID, e.Action, a.Action, b.Action)
			}
			if named := reference.Identified(with, e, to); named.Action == ladder.Sample || len(named.Reasons) == 0 || e.Action != ladder.Sample && named.Action > b.Action {
				t.Fatalf("%s: own %v, escalated %v, identified %v for %v", e.ID, e.Action, b.Action, named.Action, named.Reasons)
			}
		}
	})
}
