package reference_test

import (
	"os"
	"slices"
	"strings"
	"testing"

	"lastlook/internal/ladder"
	"lastlook/reference"
)

// TestPriorityPests compares the shipped list with the names of the regulation:
// each is raised to stop, by exactly one entry, and nothing else is.
func TestPriorityPests(t *testing.T) {
	book := shippedBook(t)
	i := slices.IndexFunc(book.Lists(), func(l *reference.List) bool { return l.ID == "eu-priority-pests" })
	if i < 0 {
		t.Fatal("the list of EU priority pests is not shipped")
	}
	list := book.Lists()[i]
	if !list.Optional || list.Standing != reference.Published {
		t.Errorf("the list is optional: %v, %s; want an optional, published list", list.Optional, list.Standing)
	}
	b, err := os.ReadFile("testdata/eu-priority-pests.tsv")
	if err != nil {
		t.Fatal(err)
	}
	rows := 0
	for _, line := range strings.Split(strings.TrimSpace(string(b)), "\n") {
		if strings.HasPrefix(line, "#") || strings.HasPrefix(line, "scientific_name") {
			continue
		}
		rows++
		name, code, _ := strings.Cut(line, "\t")
		name = strings.TrimSuffix(name, " spp.")
		n := 0
		for _, r := range list.Raise {
			e := book.Entry(r.Entry)
			names := strings.Join(append([]string{e.Scientific}, e.Synonyms...), "; ")
			if strings.Contains(names, name) || e.EPPO == code {
				n++
				if r.To != ladder.Stop {
					t.Errorf("%s is raised to %v, want stop", name, r.To)
				}
			}
		}
		if n != 1 {
			t.Errorf("%s (%s) is raised by %d entries, want 1", name, code, n)
		}
	}
	if rows != 20 || len(list.Raise) != rows {
		t.Errorf("%d names in the regulation, %d entries raised, want 20 of each", rows, len(list.Raise))
	}
	// Off unless switched on.
	e := book.Entry("apple-maggot")
	if got := reference.Escalate(book, e, reference.Destination{Name: "Eastmoor", Lists: []string{"eu-priority-pests"}}); got.Action != ladder.Stop {
		t.Errorf("with the list on, apple maggot is %v", got.Action)
	}
}

func TestListProblems(t *testing.T) {
	const good = "id: east\nname: East\nsource: Ours\ndate: 2026-09-01\nstanding: invented\noptional: false\ndestinations: [East]\nraise:\n  - {entry: a, to: stop, why: Because.}\n"
	if _, ps := reference.ParseList("lists/east.yaml", []byte(good)); len(ps) > 0 {
		t.Fatalf("a good list has problems: %v", ps)
	}
	for _, c := range []struct{ name, old, new, want string }{
		{"no destination", "destinations: [East]", "destinations: []", "lists/east.yaml:7: destinations: Name the destinations, or make the list optional."},
		{"optional with destinations", "optional: false", "optional: true", "lists/east.yaml:7: destinations: An optional list applies"},
		{"unknown standing", "invented", "rumoured", `lists/east.yaml:5: standing: "rumoured" is not a word of the vocabulary.`},
		{"no such date", "2026-09-01", "soon", `lists/east.yaml:4: date: "soon" is not a date`},
		{"raised to note", "to: stop", "to: note", "lists/east.yaml:9: raise[0].to: A list raises to reject, sample or stop."},
		{"neither entry nor code", "entry: a, ", "", "lists/east.yaml:9: raise[0]: Name either an entry or an EPPO code"},
		{"both", "entry: a, ", "entry: a, eppo: ABCDEF, ", "lists/east.yaml:9: raise[0]: Name either an entry or an EPPO code"},
		{"no reason", "why: Because.", `why: ""`, "lists/east.yaml:9: raise[0].why: This must not be empty."},
		{"nothing raised", "\n  - {entry: a, to: stop, why: Because.}", " []", "raise: A list raises at least one entry."},
		{"not the file name", "id: east", "id: west", `lists/east.yaml:1: id: The id is "west" but the file is named "east"`},
	} {
		t.Run(c.name, func(t *testing.T) {
			if !strings.Contains(good, c.old) {
				t.Fatalf("the good list does not hold %q", c.old)
			}
			_, ps := reference.ParseList("lists/east.yaml", []byte(strings.Replace(good, c.old, c.new, 1)))
			if !strings.Contains(ps.Error(), c.want) {
				t.Errorf("ParseList gave\n%v\nwant a line with\n%s", ps, c.want)
			}
		})
	}
}

func TestListOfMissingEntry(t *testing.T) {
	_, err := reference.Load(folder("entries/dusty-thing.yaml", goodEntry, "entries/other-thing.yaml", otherEntry(),
		"lists/east.yaml", "id: east\nname: East\nsource: Ours\ndate: 2026-09-01\nstanding: invented\ndestinations: [East]\nraise:\n  - {entry: ghost, to: stop, why: Because.}\n"))
	if err == nil || !strings.Contains(err.Error(), `lists/east.yaml:8: raise[0].entry: There is no entry "ghost".`) {
		t.Errorf("Load gave %v", err)
	}
}

func TestSynonymProblems(t *testing.T) {
	load := func(src string) error {
		_, err := reference.Load(folder("entries/dusty-thing.yaml", goodEntry, "entries/other-thing.yaml", otherEntry(), "synonyms.yaml", src))
		return err
	}
	if err := load("groups:\n  - [bug, insect, creepy-crawly]\nseen:\n  ants: [ant]\n"); err != nil {
		t.Errorf("good synonyms gave %v", err)
	}
	for src, want := range map[string]string{
		"groups:\n  - [Bug, insect]\n":        `synonyms.yaml:2: groups[0][0]: "Bug" must be one to three words in small letters.`,
		"groups:\n  - []\n":                   "A group needs at least one word.",
		"seen:\n  goblins: [gob]\n":           `synonyms.yaml:2: seen.goblins: There is no key "goblins" here.`,
		"groups:\n  - [one two three four]\n": "must be one to three words",
		"groups: many\n":                      "This must be a list",
	} {
		if err := load(src); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("Load with synonyms %q gave %v, want %q", src, err, want)
		}
	}
}
