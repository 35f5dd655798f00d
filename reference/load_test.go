package reference_test

import (
	"errors"
	"os"
	"strings"
	"testing"
	"testing/fstest"

	"lastlook/reference"
)

const goodEntry = `id: dusty-thing
name: Dusty thing
other_names: []
scientific: Res pulverulenta
synonyms: []
eppo: ""
kind: fungus
hosts: [Rosa]
host_words: [rose]
parts: [leaf_upper]
signs:
  - {part: leaf_upper, seen: powder_coating, colour: [white], often: usual, text: white dust}
  - {part: leaf_upper, seen: curled_distorted, often: sometimes, text: curled leaves}
  - part: shoot_tip
    seen: stunted
    often: rare
    text: short tips
looks: >-
  White dust
  on leaves.
does: Grows.
stages: []
look_alikes:
  - {id: other-thing, tell_apart: "Other is green.", by: eye}
closer_look: [Look.]
exam: [visual]
action: reject
action_why: Active disease.
cautions: []
regulated: false
regulated_note: ""
sources: [from memory]
revision: 1
review_by: 2027-11-30
`

func otherEntry() string {
	return strings.NewReplacer("id: dusty-thing", "id: other-thing", "id: other-thing", "id: dusty-thing").Replace(goodEntry)
}

func folder(files ...string) fstest.MapFS {
	fsys := fstest.MapFS{}
	for i := 0; i < len(files); i += 2 {
		fsys[files[i]] = &fstest.MapFile{Data: []byte(files[i+1])}
	}
	return fsys
}

func TestLoad(t *testing.T) {
	book, err := reference.Load(folder("entries/dusty-thing.yaml", goodEntry, "entries/other-thing.yaml", otherEntry()))
	if err != nil {
		t.Fatal(err)
	}
	e := book.Entry("dusty-thing")
	if e == nil || e.Looks != "White dust on leaves." || len(e.Signs) != 3 || e.Signs[2].Part != reference.ShootTip {
		t.Errorf("Entry(dusty-thing) = %+v", e)
	}
	if got := len(book.Entries()); got != 2 {
		t.Errorf("len(Entries()) = %d, want 2", got)
	}
}

// TestLoadProblems breaks one thing at a time and expects exactly the named
// problem, at the line where it stands.
func TestLoadProblems(t *testing.T) {
	edit := func(old, new string) string {
		if !strings.Contains(goodEntry, old) {
			t.Fatalf("the good entry does not hold %q", old)
		}
		return strings.Replace(goodEntry, old, new, 1)
	}
	for _, c := range []struct{ name, src, want string }{
		{"unknown key", edit("does: Grows.", "does: Grows.\nfoo: bar"), `entries/dusty-thing.yaml:22: foo: There is no key "foo" here.`},
		{"unknown key of a sign", edit("often: usual", "oftn: usual"), `entries/dusty-thing.yaml:12: signs[0].oftn: There is no key "oftn" here.`},
		{"unknown word", edit("seen: stunted", "seen: shrunken"), `entries/dusty-thing.yaml:15: signs[2].seen: "shrunken" is not a word of the vocabulary.`},
		{"unknown colour", edit("colour: [white]", "colour: [mauve]"), `entries/dusty-thing.yaml:12: signs[0].colour[0]: "mauve" is not a word`},
		{"unknown kind", edit("kind: fungus", "kind: mushroom"), `entries/dusty-thing.yaml:7: kind: "mushroom" is not a word`},
		{"unknown rung", edit("action: reject", "action: burn"), `entries/dusty-thing.yaml:27: action: "burn" is not a rung`},
		{"number for text", edit("name: Dusty thing", "name: 12"), `entries/dusty-thing.yaml:2: name: This must be text, not the number 12`},
		{"text for a list", edit("hosts: [Rosa]", "hosts: Rosa"), `entries/dusty-thing.yaml:8: hosts: This must be a list`},
		{"text for true or false", edit("regulated: false", "regulated: maybe"), `entries/dusty-thing.yaml:30: regulated: This must be true or false, not the text "maybe".`},
		{"text for a number", edit("revision: 1", "revision: one"), `entries/dusty-thing.yaml:33: revision: This must be a whole number`},
		{"revision nought", edit("revision: 1", "revision: 0"), `entries/dusty-thing.yaml:33: revision: Revisions count from 1`},
		{"no such date", edit("2027-11-30", "2027-02-30"), `entries/dusty-thing.yaml:34: review_by: "2027-02-30" is not a date`},
		{"empty name", edit("name: Dusty thing", `name: " "`), `entries/dusty-thing.yaml:2: name: This must not be empty.`},
		{"missing name", edit("name: Dusty thing\n", ""), `entries/dusty-thing.yaml:1: name: This must not be empty.`},
		{"null name", edit("name: Dusty thing", `name:`), `entries/dusty-thing.yaml:2: name: This must be text, not nothing`},
		{"eppo with small letters", edit(`eppo: ""`, "eppo: abcdef\neppo_source: memory"), `entries/dusty-thing.yaml:6: eppo: "abcdef" cannot be an EPPO code`},
		{"eppo too long", edit(`eppo: ""`, "eppo: ABCDEFGH\neppo_source: memory"), `"ABCDEFGH" cannot be an EPPO code`},
		{"eppo without source", edit(`eppo: ""`, "eppo: ABCDEF"), `eppo_source: Say where the EPPO code was taken from.`},
		{"id not the file name", edit("id: dusty-thing", "id: dusty"), `entries/dusty-thing.yaml:1: id: The id is "dusty" but the file is named "dusty-thing"`},
		{"dangling look-alike", edit("id: other-thing", "id: no-such-thing"), `entries/dusty-thing.yaml:24: look_alikes[0].id: There is no entry "no-such-thing".`},
		{"its own look-alike", edit("id: other-thing", "id: dusty-thing"), `entries/dusty-thing.yaml:24: look_alikes[0].id: An entry cannot be its own look-alike.`},
		{"too few signs", edit("  - {part: leaf_upper, seen: powder_coating, colour: [white], often: usual, text: white dust}\n", ""), `entries/dusty-thing.yaml:11: signs: An entry has 3 to 10 signs; this has 2.`},
		{"regulated without a note", edit("regulated: false", "regulated: true"), `regulated_note: This must not be empty.`},
		{"key twice", edit("name: Dusty thing", "name: Dusty thing\nname: Again"), `entries/dusty-thing.yaml:3: `},
		{"broken YAML", edit("hosts: [Rosa]", "hosts: [Rosa"), `This is not valid YAML`},
		{"alias", edit("hosts: [Rosa]", "hosts: &h [Rosa]"), `entries/dusty-thing.yaml:8: hosts: This must be a list`},
		{"two documents", goodEntry + "---\na: b\n", `The file must hold one document; it holds 2.`},
		{"empty file", "", `The file must hold one document; it holds 0.`},
		{"not UTF-8", edit("Dusty thing", "Dust\xff"), `entries/dusty-thing.yaml:2: The file is not UTF-8 text`},
		{"a list at the top", "- a\n- b\n", `This must be a list of “key: value” pairs, not a list.`},
		{"control character", edit("name: Dusty thing", `name: "Dusty\x07"`), `name: This holds the unprintable character U+0007`},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := reference.Load(folder("entries/dusty-thing.yaml", c.src, "entries/other-thing.yaml", otherEntry()))
			var ps reference.Problems
			if !errors.As(err, &ps) {
				t.Fatalf("Load gave %v, want problems", err)
			}
			if !strings.Contains(err.Error(), c.want) {
				t.Errorf("Load gave\n%v\nwant a line with\n%s", err, c.want)
			}
		})
	}
}

func TestLoadReportsAll(t *testing.T) {
	src := strings.NewReplacer("kind: fungus", "kind: x", "exam: [visual]", "exam: [smell]", "action: reject", "action: x").Replace(goodEntry)
	_, err := reference.Load(folder("entries/dusty-thing.yaml", src, "entries/other-thing.yaml", strings.Replace(otherEntry(), "often: rare", "often: never", 1)))
	for _, want := range []string{"kind:", "exam[0]:", "action:", "other-thing.yaml:16: signs[2].often"} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("Load gave\n%v\nwithout %q", err, want)
		}
	}
}

func TestLoadNothing(t *testing.T) {
	if _, err := reference.Load(folder()); err == nil || !strings.Contains(err.Error(), "There are no entry files here") {
		t.Errorf("Load of an empty folder gave %v", err)
	}
}

func FuzzParseEntry(f *testing.F) {
	f.Add([]byte("id: x\nsigns: !0\nlook_alikes: !!map\nstages: &a\n"))
	f.Add([]byte(goodEntry))
	f.Add([]byte("a: &x [*x]"))
	if b, err := os.ReadFile("../assets/reference/entries/green-peach-aphid.yaml"); err == nil {
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, src []byte) {
		e, ps := reference.ParseEntry("x.yaml", src)
		if e == nil && len(ps) == 0 {
			t.Errorf("ParseEntry(%q) = nil without a problem", src)
		}
		if e != nil && len(ps) == 0 && len(e.Canonical()) == 0 {
			t.Errorf("no canonical form for %q", src)
		}
	})
}
