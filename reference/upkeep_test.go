package reference_test

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"pgregory.net/rapid"

	"lastlook/internal/ladder"
	"lastlook/internal/say"
	"lastlook/reference"
)

// shipped is the shipped reference, read once.
var shipped = sync.OnceValue(func() *reference.Book {
	b, err := reference.Load(shippedFS())
	if err != nil {
		panic(err)
	}
	return b
})

// genText gives text that needs escaping but that a field may hold.
func genText(label string) *rapid.Generator[string] {
	return rapid.Map(rapid.StringOfN(rapid.SampledFrom([]rune("ab Zé\"\\<>&花🌱’—.\n")), 0, 12, -1), func(s string) string {
		return strings.TrimSpace(label + " " + strings.TrimSpace(s))
	})
}

func genTexts(label string, least, most int) *rapid.Generator[[]string] {
	return rapid.Custom(func(t *rapid.T) []string {
		out := []string{}
		for i := range rapid.IntRange(least, most).Draw(t, label+"s") {
			out = append(out, genText(fmt.Sprintf("%s %d", label, i)).Draw(t, label))
		}
		return out
	})
}

func genWords[T ~string](all []T, least int) *rapid.Generator[[]T] {
	return rapid.SliceOfNDistinct(rapid.SampledFrom(all), least, min(4, len(all)), func(x T) T { return x })
}

// genEntry gives entries that are in order by themselves.
func genEntry(id string, others []string) *rapid.Generator[*reference.Entry] {
	return rapid.Custom(func(t *rapid.T) *reference.Entry {
		e := &reference.Entry{
			ID: id, Name: genText("name").Draw(t, "name"), OtherNames: genTexts("other", 0, 3).Draw(t, "other_names"),
			Scientific: genText("Res").Draw(t, "scientific"), Synonyms: genTexts("syn", 0, 2).Draw(t, "synonyms"),
			Kind: rapid.SampledFrom(reference.Kinds()).Draw(t, "kind"), Hosts: genTexts("host", 1, 3).Draw(t, "hosts"), HostWords: genTexts("word", 0, 3).Draw(t, "host_words"),
			Parts: genWords(reference.Parts(), 1).Draw(t, "parts"), Looks: genText("looks").Draw(t, "looks"), Does: genText("does").Draw(t, "does"),
			CloserLook: genTexts("step", 1, 4).Draw(t, "closer_look"), Exam: genWords(reference.Exams(), 1).Draw(t, "exam"),
			Action: rapid.SampledFrom(ladder.Rungs).Draw(t, "action"), ActionWhy: genText("because").Draw(t, "action_why"), Cautions: genTexts("caution", 0, 2).Draw(t, "cautions"),
			Regulated: rapid.Bool().Draw(t, "regulated"), RegulatedNote: genText("note").Draw(t, "note"), Sources: genTexts("source", 1, 2).Draw(t, "sources"),
			Revision: rapid.IntRange(1, 9).Draw(t, "revision"), ReviewBy: fmt.Sprintf("2027-%02d-11", rapid.IntRange(1, 12).Draw(t, "month")),
			Signs: []reference.Sign{}, Stages: []reference.Stage{}, LookAlikes: []reference.LookAlike{},
		}
		if rapid.Bool().Draw(t, "has a code") {
			e.EPPO, e.EPPOSource = rapid.StringMatching(`[A-Z]{6}`).Draw(t, "eppo"), "memory"
		}
		for range rapid.IntRange(3, 6).Draw(t, "signs") {
			e.Signs = append(e.Signs, reference.Sign{
				Part: rapid.SampledFrom(reference.Parts()).Draw(t, "part"), Seen: rapid.SampledFrom(reference.Seens()).Draw(t, "seen"),
				Colour: genWords(reference.Colours(), 0).Draw(t, "colour"), Size: rapid.SampledFrom(append(reference.Sizes(), "")).Draw(t, "size"),
				Moving: rapid.SampledFrom(append(reference.Movings(), "")).Draw(t, "moving"), Often: reference.Usual, Text: genText("sign").Draw(t, "text"),
			})
		}
		for range rapid.IntRange(0, 3).Draw(t, "stages") {
			e.Stages = append(e.Stages, reference.Stage{Stage: genText("stage").Draw(t, "stage"), Looks: genText("so").Draw(t, "so")})
		}
		for _, o := range others {
			if rapid.Bool().Draw(t, "like "+o) {
				e.LookAlikes = append(e.LookAlikes, reference.LookAlike{ID: o, TellApart: genText("tell").Draw(t, "tell"), By: reference.ByLab})
			}
		}
		return e
	})
}

func TestPatchOfDiffIsTheOther(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := genEntry("a", []string{"x", "y"}).Draw(t, "a")
		b := genEntry("a", []string{"x", "y"}).Draw(t, "b")
		// Often only little differs.
		if rapid.Bool().Draw(t, "near") {
			x := *a
			x.Looks, x.Signs, x.Regulated = b.Looks, b.Signs, b.Regulated
			b = &x
		}
		changes := reference.Diff(a, b)
		got, err := reference.Patch(a, changes)
		if err != nil {
			t.Fatal(err)
		}
		if got.Hash() != b.Hash() {
			t.Fatalf("Patch(a, Diff(a, b)) = %s, want %s", got.Canonical(), b.Canonical())
		}
		back, err := reference.Patch(b, reference.Diff(b, a))
		if err != nil || back.Hash() != a.Hash() {
			t.Fatalf("and back: %v", err)
		}
		if n := len(reference.Diff(a, a)); n != 0 {
			t.Fatalf("Diff(a, a) has %d changes", n)
		}
		if (len(changes) == 0) != (a.Hash() == b.Hash()) {
			t.Fatalf("%d changes, hashes %s and %s", len(changes), a.Hash(), b.Hash())
		}
		for _, c := range changes {
			if c.Label().IsZero() {
				t.Fatalf("field %q has no name for people", c.Field)
			}
			// What the lines keep and lose is the old field, what they keep and gain the new.
			var old, now []string
			for _, l := range c.Lines() {
				if l.Mark != reference.LineNew {
					old = append(old, l.Text.String())
				}
				if l.Mark != reference.LineGone {
					now = append(now, l.Text.String())
				}
			}
			if !slices.Equal(old, texts(reference.FieldLines(c.Field, c.Old))) || !slices.Equal(now, texts(reference.FieldLines(c.Field, c.New))) {
				t.Fatalf("lines of %s: %v", c.Field, c.Lines())
			}
		}
	})
}

func texts(ts []say.Text) []string {
	var out []string
	for _, t := range ts {
		out = append(out, t.String())
	}
	return out
}

func TestPatchRefuses(t *testing.T) {
	e := shipped().Entry("plum-pox")
	for _, c := range []reference.Change{
		{Field: "no_such_field", New: json.RawMessage(`1`)},
		{Field: "name", New: json.RawMessage(`[1]`)},
		{Field: "action", New: json.RawMessage(`"burn"`)},
	} {
		if _, err := reference.Patch(e, []reference.Change{c}); err == nil {
			t.Errorf("Patch with %s = %s was taken", c.Field, c.New)
		}
	}
}

func TestThreeWay(t *testing.T) {
	base := shipped().Entry("plum-pox")
	ours, theirs := *base, *base
	ours.Looks, theirs.Looks = "Ours.", "Theirs."
	ours.Does, theirs.Does = "Both the same.", "Both the same."
	ours.Name = "Ours alone"
	theirs.Sources = []string{"theirs alone"}
	theirs.Revision = 2
	got := map[string]string{}
	for _, f := range reference.ThreeWay(base, &ours, &theirs) {
		got[f.Field] = fmt.Sprintf("ours %v theirs %v clash %v", f.OursNew, f.TheirsNew, f.Clash())
	}
	want := map[string]string{
		"looks": "ours true theirs true clash true", "does": "ours true theirs true clash false",
		"name": "ours true theirs false clash false", "sources": "ours false theirs true clash false",
	}
	if fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("ThreeWay = %v, want %v", got, want)
	}
	merged, err := reference.TakeFields(&ours, &theirs, []string{"sources", "looks"})
	if err != nil || merged.Looks != "Theirs." || merged.Sources[0] != "theirs alone" || merged.Name != "Ours alone" || merged.Revision != 1 {
		t.Errorf("TakeFields = %+v, %v", merged, err)
	}
	for _, f := range []string{"id", "revision", "nothing"} {
		if _, err := reference.TakeFields(&ours, &theirs, []string{f}); err == nil {
			t.Errorf("TakeFields took %q", f)
		}
	}
}

// site is a small site: it decides commands and applies what follows.
type site struct {
	t    testing.TB
	book *reference.Book
	u    *reference.Upkeep
	seq  int64
	vers map[string]int
	now  time.Time
}

func newSite(t testing.TB) *site {
	s := &site{t: t, book: shipped(), u: &reference.Upkeep{}, vers: map[string]int{}, now: time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)}
	s.do("Lastlook", reference.TakeShipped{})
	return s
}

func (s *site) try(by string, c reference.UpkeepCommand) error {
	s.t.Helper()
	writes, err := s.u.Decide(s.book, c)
	if err != nil {
		return err
	}
	var recs []reference.UpkeepRecord
	for _, w := range writes {
		b, err := reference.EncodeUpkeep(w.Event)
		if err != nil {
			s.t.Fatal(err)
		}
		e, err := reference.DecodeUpkeep(w.Event.Kind(), b)
		if err != nil {
			s.t.Fatal(err)
		}
		s.seq++
		s.vers[w.Stream]++
		s.now = s.now.Add(time.Minute)
		recs = append(recs, reference.UpkeepRecord{Seq: s.seq, Stream: w.Stream, Version: s.vers[w.Stream], At: s.now, By: by, Event: e})
	}
	next, err := s.u.With(recs)
	if err != nil {
		s.t.Fatal(err)
	}
	s.u = next
	return nil
}

func (s *site) do(by string, c reference.UpkeepCommand) {
	s.t.Helper()
	if err := s.try(by, c); err != nil {
		s.t.Fatalf("%T: %v", c, err)
	}
}

func (s *site) refused(c reference.UpkeepCommand, code say.Code, words string) {
	s.t.Helper()
	err := s.try("x", c)
	if say.CodeOf(err) != code || !strings.Contains(err.Error(), words) {
		s.t.Errorf("%T: %v, want %s with %q", c, err, code, words)
	}
}

// edited gives a text in force with one thing changed.
func (s *site) edited(id string, change func(*reference.Entry)) *reference.Entry {
	e := *s.u.Text(s.book, id)
	change(&e)
	return &e
}

func TestPublishAndReadOldRevisions(t *testing.T) {
	s := newSite(t)
	first := s.book.Entry("plum-pox")
	s.do("Ida Fenn", reference.Publish{Entry: s.edited("plum-pox", func(e *reference.Entry) { e.Looks = "Rings like watermarks." }), Why: "clearer"})
	x := s.u.Entry("plum-pox")
	if got := s.u.Book(s.book).Entry("plum-pox"); got.Looks != "Rings like watermarks." || got.Revision != first.Revision+1 {
		t.Errorf("in force is revision %d: %q", got.Revision, got.Looks)
	}
	if x.Base() != first.Hash() || x.Own[0].Why != "clearer" || x.Own[0].By != "Ida Fenn" {
		t.Errorf("published: %+v", x.Own[0])
	}
	revs := s.u.Revisions("plum-pox")
	if len(revs) != 2 || revs[0].Number != 2 || revs[1].Number != 1 || !revs[1].Shipped || revs[1].Hash != first.Hash() {
		t.Errorf("Revisions = %+v", revs)
	}
	s.refused(reference.Publish{Entry: s.edited("plum-pox", func(e *reference.Entry) {}), Seen: 1, Why: "x"}, say.Illegal, "Nothing is changed")
	s.refused(reference.Publish{Entry: s.edited("plum-pox", func(e *reference.Entry) { e.Does = "Y." }), Seen: 1, Why: "  "}, say.Invalid, "Say why")
	s.refused(reference.Publish{Entry: s.edited("plum-pox", func(e *reference.Entry) { e.Kind = "mushroom" }), Seen: 1, Why: "x"}, say.Invalid, "not a word of the vocabulary")
	s.refused(reference.Publish{Entry: s.edited("plum-pox", func(e *reference.Entry) { e.LookAlikes[0].ID = "nothing" }), Seen: 1, Why: "x"}, say.Invalid, `There is no entry "nothing"`)
	s.refused(reference.Publish{Entry: s.edited("plum-pox", func(e *reference.Entry) { e.Looks = strings.Repeat("x", 4001) }), Seen: 1, Why: "x"}, say.Invalid, "4001 characters")
}

func TestSecondPublisherIsToldWhatChanged(t *testing.T) {
	s := newSite(t)
	e1 := s.edited("plum-pox", func(e *reference.Entry) { e.Looks = "First." })
	e2 := s.edited("plum-pox", func(e *reference.Entry) { e.Does = "Second." })
	s.do("Ida Fenn", reference.Publish{Entry: e1, Why: "first"})
	s.refused(reference.Publish{Entry: e2, Why: "second"}, say.Conflict, "Ida Fenn: revision 2 published")
	// Other steps are no obstacle: they change no text.
	s.do("Ida Fenn", reference.Localise{ID: "plum-pox", Seen: 1, Local: reference.Local{Note: "seen in 2025"}, Why: "for the record"})
	e3 := s.edited("plum-pox", func(e *reference.Entry) { e.Does = "Third." })
	s.do("Bea Lund", reference.Publish{Entry: e3, Seen: 1, Why: "third"})
	s.refused(reference.Publish{Entry: e2, Seen: 1, Why: "second"}, say.Conflict, "changed: What it does")
	s.refused(reference.Publish{Entry: e2, Seen: 99, Why: "second"}, say.Conflict, "was a backup restored")
}

func TestLocalWordsStayApart(t *testing.T) {
	s := newSite(t)
	l := reference.Local{Names: []string{" plum  blight ", "sharka"}, Hosts: []string{"bullace"}, Note: "Ask Ida.", Action: ladder.Stop, ActionWhy: "The orchard next door is free of it."}
	s.do("Ida Fenn", reference.Localise{ID: "plum-pox", Local: l, Why: "our district"})
	text, here := s.u.Text(s.book, "plum-pox"), s.u.Book(s.book).Entry("plum-pox")
	if text != s.book.Entry("plum-pox") {
		t.Error("the shipped text was changed")
	}
	if here.Action != ladder.Stop || here.ActionWhy != l.ActionWhy || !slices.Contains(here.OtherNames, "plum blight") || !slices.Contains(here.HostWords, "bullace") {
		t.Errorf("here it is %v %q %v %v", here.Action, here.ActionWhy, here.OtherNames, here.HostWords)
	}
	if n := len(here.OtherNames); n != len(text.OtherNames)+1 { // sharka stands there already
		t.Errorf("%d other names, want %d", n, len(text.OtherNames)+1)
	}
	// A newer program ships another text: the site's own words stay over it.
	s.newer("plum-pox", func(e *reference.Entry) { e.Looks = "Newer."; e.Revision = 2 })
	if here = s.u.Book(s.book).Entry("plum-pox"); here.Looks != "Newer." || here.Action != ladder.Stop {
		t.Errorf("after the update: %q %v", here.Looks, here.Action)
	}
	s.refused(reference.Localise{ID: "plum-pox", Seen: 1, Local: reference.Local{Action: ladder.Note}, Why: "x"}, say.Invalid, "Say why the entry asks for something else")
	s.refused(reference.Localise{ID: "plum-pox", Seen: 0, Local: reference.Local{Note: "y"}, Why: "x"}, say.Conflict, "somebody was quicker")
	s.refused(reference.Localise{ID: "plum-pox", Seen: 1, Local: reference.Local{Names: []string{"a", "a"}}, Why: "x"}, say.Invalid, "stands here twice")
}

// newer replaces the shipped text of an entry, as a newer program does.
func (s *site) newer(id string, change func(*reference.Entry)) {
	s.t.Helper()
	var entries []*reference.Entry
	for _, e := range s.book.Entries() {
		if e.ID == id {
			x := *e
			change(&x)
			e = &x
		}
		entries = append(entries, e)
	}
	book, ps := reference.NewBook(entries, s.book.Lists(), s.book.Synonyms())
	if len(ps) > 0 {
		s.t.Fatal(ps)
	}
	s.book = book
	s.do("Lastlook", reference.TakeShipped{})
}

func TestShippedTextChangesUnderOurs(t *testing.T) {
	s := newSite(t)
	s.do("Ida Fenn", reference.Publish{Entry: s.edited("plum-pox", func(e *reference.Entry) { e.Looks = "Ours." }), Why: "ours"})
	if s.u.Behind(s.book, "plum-pox") {
		t.Error("behind before anything changed")
	}
	s.newer("plum-pox", func(e *reference.Entry) { e.Does = "Theirs."; e.Revision = 2 })
	if !s.u.Behind(s.book, "plum-pox") || s.u.Book(s.book).Entry("plum-pox").Looks != "Ours." {
		t.Error("ours must stay in force, and be behind")
	}
	if n := len(s.u.Revisions("plum-pox")); n != 3 {
		t.Errorf("%d revisions, want shipped 1, ours 2, shipped 2", n)
	}
	s.do("Ida Fenn", reference.Keep{ID: "plum-pox", Seen: 1, Why: "ours is better"})
	if s.u.Behind(s.book, "plum-pox") {
		t.Error("still behind after a decision")
	}
	s.newer("plum-pox", func(e *reference.Entry) { e.Does = "Theirs again."; e.Revision = 3 })
	if !s.u.Behind(s.book, "plum-pox") {
		t.Error("not behind after the next change")
	}
	s.do("Ida Fenn", reference.Follow{ID: "plum-pox", Seen: 2, Why: "theirs is better now"})
	if got := s.u.Book(s.book).Entry("plum-pox"); got.Does != "Theirs again." || s.u.Behind(s.book, "plum-pox") {
		t.Errorf("followed: %q", got.Does)
	}
	s.refused(reference.Follow{ID: "plum-pox", Seen: 3, Why: "x"}, say.Illegal, "nothing to decide")
	// The next own revision has a number that no text had.
	s.do("Ida Fenn", reference.Publish{Entry: s.edited("plum-pox", func(e *reference.Entry) { e.Looks = "Ours again." }), Seen: 3, Why: "once more"})
	if got := s.u.Text(s.book, "plum-pox").Revision; got != 4 {
		t.Errorf("revision %d, want 4", got)
	}
}

func TestRetireHidesAndKeeps(t *testing.T) {
	s := newSite(t)
	s.refused(reference.Retire{ID: "plum-pox"}, say.Invalid, "Say why")
	s.do("Ida Fenn", reference.Retire{ID: "plum-pox", Why: "no Prunus here any more"})
	if s.u.Book(s.book).Entry("plum-pox") != nil || s.u.Text(s.book, "plum-pox") == nil {
		t.Error("a retired entry must be out of the book and still have its text")
	}
	s.refused(reference.Retire{ID: "plum-pox", Seen: 1, Why: "x"}, say.Illegal, "retired already")
	s.do("Ida Fenn", reference.Restore{ID: "plum-pox", Seen: 1, Why: "Prunus is back"})
	if s.u.Book(s.book).Entry("plum-pox") == nil {
		t.Error("not brought back")
	}
	s.refused(reference.Retire{ID: "no-such-entry", Why: "x"}, say.NotFound, "no entry")
}

func TestSwitchLists(t *testing.T) {
	s := newSite(t)
	// All entries of the list ask for a stop by themselves: one is lowered here, so
	// that the list has something to raise.
	s.do("Ida Fenn", reference.Localise{ID: "japanese-beetle", Local: reference.Local{Action: ladder.Reject, ActionWhy: "A rule of this site."}, Why: "x"})
	rung := func(dest string) ladder.Rung {
		b := s.u.Book(s.book)
		return reference.Escalate(b, b.Entry("japanese-beetle"), s.u.Destination(dest)).Action
	}
	if got := rung("Eastmoor"); got != ladder.Reject {
		t.Errorf("without the list it asks for %v", got)
	}
	s.do("Ida Fenn", reference.SwitchList{ID: "eu-priority-pests", Destination: " eastmoor ", On: true, Why: "goes on to a member state"})
	if got := s.u.Destination("EASTMOOR").Lists; !slices.Equal(got, []string{"eu-priority-pests"}) {
		t.Errorf("lists for Eastmoor: %v", got)
	}
	if got := rung("Eastmoor"); got != ladder.Stop {
		t.Errorf("with the list it asks for %v", got)
	}
	if got := s.u.Destination("Saltwick").Lists; len(got) != 0 {
		t.Errorf("lists for Saltwick: %v", got)
	}
	s.refused(reference.SwitchList{ID: "eu-priority-pests", Destination: "Eastmoor", On: true, Why: "x"}, say.Illegal, "already")
	s.refused(reference.SwitchList{ID: "eastmoor", Destination: "Saltwick", On: true, Why: "x"}, say.Illegal, "names its destinations itself")
	s.refused(reference.SwitchList{ID: "nothing", Destination: "Saltwick", On: true, Why: "x"}, say.NotFound, "no list")
	s.refused(reference.SwitchList{ID: "eu-priority-pests", Destination: " ", On: true, Why: "x"}, say.Invalid, "Name the destination")
	s.do("Ida Fenn", reference.SwitchList{ID: "eu-priority-pests", Destination: "Eastmoor", On: false, Why: "no longer"})
	if got := s.u.Destination("Eastmoor").Lists; len(got) != 0 {
		t.Errorf("switched off: %v", got)
	}
	s.do("Ida Fenn", reference.RetireList{ID: "saltwick", Why: "the scheme ended"})
	if got := reference.Escalate(s.u.Book(s.book), s.book.Entry("western-flower-thrips"), s.u.Destination("Saltwick")).Action; got == ladder.Stop {
		t.Error("a retired list still raises")
	}
}

func TestPackRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := &reference.Pack{Name: genText("pack").Draw(t, "name"), Source: "invented"}
		ids := []string{"aa", "bb", "cc"}
		for i, id := range ids {
			others := slices.Delete(slices.Clone(ids), i, i+1)
			p.Entries = append(p.Entries, genEntry(id, others).Draw(t, id))
		}
		p.Lists = []*reference.List{{ID: "ll", Name: "List", Source: "invented", Date: "2026-01-02", Standing: reference.Invented, Optional: true, Destinations: []string{},
			Raise: []reference.Raise{{Entry: "aa", To: ladder.Stop, Why: genText("why").Draw(t, "why")}}}}
		var a, b bytes.Buffer
		if err := reference.WritePack(&a, p); err != nil {
			t.Fatal(err)
		}
		slices.Reverse(p.Entries)
		if err := reference.WritePack(&b, p); err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(a.Bytes(), b.Bytes()) {
			t.Fatal("the same pack in another order gives other bytes")
		}
		got, err := reference.ReadPack(a.Bytes())
		if err != nil {
			t.Fatalf("ReadPack: %v\n%s", err, a.Bytes())
		}
		var again bytes.Buffer
		if err := reference.WritePack(&again, got); err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(a.Bytes(), again.Bytes()) {
			t.Fatalf("read and written again:\n%s\nwas\n%s", again.Bytes(), a.Bytes())
		}
	})
}

func shippedPack(t testing.TB) []byte {
	t.Helper()
	var b bytes.Buffer
	p := (&reference.Upkeep{}).Pack(shipped(), nil)
	p.Name = "Shipped reference"
	if err := reference.WritePack(&b, p); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func TestShippedReferenceAsAPack(t *testing.T) {
	src := shippedPack(t)
	p, err := reference.ReadPack(src)
	if err != nil {
		t.Fatal(err)
	}
	if len(p.Entries) != len(shipped().Entries()) || len(p.Lists) != len(shipped().Lists()) {
		t.Errorf("%d entries and %d lists came back", len(p.Entries), len(p.Lists))
	}
	items, ps := (&reference.Upkeep{}).Plan(shipped(), p, func(string) bool { return false })
	if len(ps) > 0 {
		t.Fatal(ps)
	}
	for _, it := range items {
		if it.State != reference.PackSame {
			t.Errorf("%s is %s", it.Key(), it.State)
		}
	}
	var z bytes.Buffer
	w := gzip.NewWriter(&z)
	w.Write(src)
	w.Close()
	if _, err := reference.ReadPack(z.Bytes()); err != nil {
		t.Errorf("gzipped: %v", err)
	}
	t.Logf("%d bytes, %d gzipped", len(src), z.Len())
}

// TestPacksAgreeWithTheSchema lets python's jsonschema, which is independent of
// this code, check packs against the published schema: that a good one passes, and
// that the schema is not so loose as to pass bad ones.
func TestPacksAgreeWithTheSchema(t *testing.T) {
	py, err := exec.LookPath("python3")
	if err == nil {
		err = exec.Command(py, "-c", "import jsonschema").Run()
	}
	if err != nil {
		if os.Getenv("LASTLOOK_TOOLS") == "required" {
			t.Fatal("python3 with jsonschema is needed")
		}
		t.Skip("python3 with jsonschema is not here")
	}
	const script = `import json, sys, jsonschema
schema = json.load(open(sys.argv[1]))
jsonschema.Draft202012Validator.check_schema(schema)
v = jsonschema.Draft202012Validator(schema)
print(json.dumps([next((e.message for e in v.iter_errors(json.loads(p))), "") for p in json.load(sys.stdin)]))`
	names, packs := []string{"the shipped reference", "the small pack"}, []string{string(shippedPack(t)), smallPack}
	for _, c := range badPacks {
		if c.schema {
			names, packs = append(names, c.name), append(packs, c.pack())
		}
	}
	in, err := json.Marshal(packs)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(py, "-c", script, "../assets/reference/schema.json")
	cmd.Stdin = bytes.NewReader(in)
	out, err := cmd.Output()
	var faults []string
	if err == nil {
		err = json.Unmarshal(out, &faults)
	}
	if err != nil || len(faults) != len(packs) {
		t.Fatalf("%v: %s", err, out)
	}
	for i, fault := range faults {
		if good := i < 2; good != (fault == "") {
			t.Errorf("%s: the schema says %q", names[i], fault)
		}
	}
}

// TestSchemaHasTheVocabulary compares the words of the schema with those of the code.
func TestSchemaHasTheVocabulary(t *testing.T) {
	raw, err := os.ReadFile("../assets/reference/schema.json")
	if err != nil {
		t.Fatal(err)
	}
	var s struct {
		Defs map[string]struct {
			Enum []string `json:"enum"`
		} `json:"$defs"`
	}
	if err := json.Unmarshal(raw, &s); err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string][]string{
		"part": plain(reference.Parts()), "kind": plain(reference.Kinds()), "seen": plain(reference.Seens()), "colour": plain(reference.Colours()),
		"size": plain(reference.Sizes()), "moving": plain(reference.Movings()), "exam": plain(reference.Exams()), "often": plain(reference.Oftens()), "by": plain(reference.Bys()),
	} {
		if got := s.Defs[name].Enum; !slices.Equal(got, want) {
			t.Errorf("%s in the schema is %q, want %q", name, got, want)
		}
	}
}

func plain[T ~string](ids []T) []string {
	var out []string
	for _, id := range ids {
		out = append(out, string(id))
	}
	return out
}

const smallPack = `{"format":"lastlook-reference","schema":1,"name":"Small pack","entries":[
{"id":"dusty-thing","name":"Dusty thing","other_names":[],"scientific":"Res pulverulenta","synonyms":[],"eppo":"","kind":"fungus","hosts":["Rosa"],"host_words":["rose"],"parts":["leaf_upper"],"signs":[{"part":"leaf_upper","seen":"powder_coating","colour":["white"],"often":"usual","text":"white dust"},{"part":"leaf_upper","seen":"curled_distorted","colour":[],"often":"sometimes","text":"curled leaves"},{"part":"shoot_tip","seen":"stunted","colour":[],"often":"rare","text":"short tips"}],"looks":"White dust on leaves.","does":"Grows.","stages":[],"look_alikes":[{"id":"other-thing","tell_apart":"Other is green.","by":"eye"}],"closer_look":["Look."],"exam":["visual"],"action":"reject","action_why":"Active disease.","cautions":[],"regulated":false,"regulated_note":"","sources":["from memory"],"revision":1,"review_by":"2027-11-30"},
{"id":"other-thing","name":"Other thing","other_names":[],"scientific":"Res altera","synonyms":[],"eppo":"","kind":"fungus","hosts":["Rosa"],"host_words":["rose"],"parts":["leaf_upper"],"signs":[{"part":"leaf_upper","seen":"powder_coating","colour":["white"],"often":"usual","text":"white dust"},{"part":"leaf_upper","seen":"curled_distorted","colour":[],"often":"sometimes","text":"curled leaves"},{"part":"shoot_tip","seen":"stunted","colour":[],"often":"rare","text":"short tips"}],"looks":"Green dust on leaves.","does":"Grows.","stages":[],"look_alikes":[{"id":"dusty-thing","tell_apart":"Dusty is white.","by":"eye"}],"closer_look":["Look."],"exam":["visual"],"action":"reject","action_why":"Active disease.","cautions":[],"regulated":false,"regulated_note":"","sources":["from memory"],"revision":1,"review_by":"2027-11-30"}
],"lists":[
{"id":"small-list","name":"Small list","source":"Invented","date":"2026-09-01","standing":"invented","optional":true,"destinations":[],"raise":[{"entry":"dusty-thing","to":"stop","why":"Invented."}]}
]}
`

// badPacks are packs that are refused; schema says that the JSON Schema can know it.
var badPacks = []struct {
	name   string
	pack   func() string
	want   string
	schema bool
}{
	{"not JSON", func() string { return "hello" }, "not valid JSON", false},
	{"cut off", func() string { return smallPack[:len(smallPack)/2] }, "ends too early", false},
	{"two texts", func() string { return smallPack + "{}" }, "behind the end", false},
	{"a list at the top", func() string { return "[1]" }, "A pack is an object", true},
	{"no pack", func() string { return `{"hello":1}` }, "not a reference pack", true},
	{"newer schema", func() string { return edit(`"schema":1`, `"schema":2,"new_part":{}`) }, "newer form (2)", true},
	{"schema as text", func() string { return edit(`"schema":1`, `"schema":"1"`) }, "schema: This must be a whole number", true},
	{"no schema", func() string { return edit(`,"schema":1`, ``) }, "does not say of which form", true},
	{"huge schema number", func() string { return edit(`"schema":1`, `"schema":99999999999999999999`) }, "must be a whole number", true},
	{"nothing in it", func() string { return `{"format":"lastlook-reference","schema":1}` }, "nothing in the pack", false},
	{"unknown key", func() string { return edit(`"kind":"fungus"`, `"kind":"fungus","colour":"red"`) }, `2: entries[0].colour: There is no key "colour" here`, true},
	{"key twice", func() string { return edit(`"kind":"fungus"`, `"kind":"fungus","kind":"virus"`) }, "stands here twice", false},
	{"unknown word", func() string { return edit(`"powder_coating"`, `"mauve_dust"`) }, `2: entries[0].signs[0].seen: "mauve_dust" is not a word of the vocabulary`, true},
	{"unknown rung", func() string { return edit(`"action":"reject"`, `"action":"burn"`) }, `"burn" is not a rung`, true},
	{"number for text", func() string { return edit(`"name":"Dusty thing"`, `"name":12`) }, "entries[0].name: This must be text in quotes, not the number 12", true},
	{"text for a list", func() string { return edit(`"hosts":["Rosa"]`, `"hosts":"Rosa"`) }, "entries[0].hosts: This must be a list", true},
	{"null", func() string { return edit(`"does":"Grows."`, `"does":null`) }, "not nothing", true},
	{"object for a list", func() string { return edit(`"signs":[`, `"signs":{},"stages":[`) }, "must be a list", true},
	{"fraction", func() string { return edit(`"revision":1`, `"revision":1.5`) }, "must be a whole number", true},
	{"ids twice", func() string { return edit(`"id":"other-thing","name"`, `"id":"dusty-thing","name"`) }, `3: entries[1].id: The id "dusty-thing" is already that of entries[0]`, false},
	{"not a slug", func() string { return edit(`"id":"small-list"`, `"id":"Small List"`) }, "is not an id", true},
	{"its own look-alike", func() string { return edit(`{"id":"other-thing","tell_apart"`, `{"id":"dusty-thing","tell_apart"`) }, "cannot be its own look-alike", false},
	{"bad date", func() string { return edit(`2027-11-30`, `2027-02-30`) }, "is not a date", false},
	{"control character", func() string { return edit(`White dust on leaves.`, `White\u0007dust`) }, "unprintable", false},
	{"deeply nested", func() string { return edit(`["Rosa"]`, strings.Repeat("[", 100000)+strings.Repeat("]", 100000)) }, "nested more than 16 deep", false},
	{"not UTF-8", func() string { return edit(`White dust`, "White\xff") }, "not UTF-8", false},
	{"list names no destination", func() string { return edit(`"optional":true`, `"optional":false`) }, "Name the destinations", false},
	{"list lowers", func() string { return edit(`"to":"stop"`, `"to":"note"`) }, "raises to reject, sample or stop", true},
	{"long text", func() string { return edit(`White dust on leaves.`, strings.Repeat("x", 5000)) }, "5000 characters", true},
	{"a photo that is not its hash", func() string {
		return edit(`],"lists"`, `],"photos":[{"entry":"dusty-thing","hash":"`+strings.Repeat("ab", 32)+`","caption":"c","credit":"c","data":"aGVsbG8="}],"lists"`)
	}, "not the one that its hash names", false},
	{"a photo without credit", func() string {
		return edit(`],"lists"`, `],"photos":[{"entry":"dusty-thing","hash":"`+strings.Repeat("ab", 32)+`","caption":"c"}],"lists"`)
	}, "photos[0].credit: This must not be empty", true},
}

func edit(old, new string) string {
	if !strings.Contains(smallPack, old) {
		panic("the small pack does not hold " + old)
	}
	return strings.Replace(smallPack, old, new, 1)
}

func TestBadPacksAreRefusedWhole(t *testing.T) {
	if _, err := reference.ReadPack([]byte(smallPack)); err != nil {
		t.Fatalf("the small pack: %v", err)
	}
	for _, c := range badPacks {
		t.Run(c.name, func(t *testing.T) {
			p, err := reference.ReadPack([]byte(c.pack()))
			var ps reference.Problems
			errors.As(err, &ps)
			var lines []string
			for _, x := range ps {
				lines = append(lines, fmt.Sprintf("%d: %v", x.Line, x))
			}
			if p != nil || !strings.Contains(strings.Join(lines, "\n"), c.want) {
				t.Errorf("ReadPack gave %q, want a problem with %q", lines, c.want)
			}
		})
	}
	t.Run("too large", func(t *testing.T) {
		if _, err := reference.ReadPack(make([]byte, 100<<20)); err == nil || !strings.Contains(err.Error(), "larger than 32 MiB") {
			t.Errorf("100 MiB: %v", err)
		}
	})
	t.Run("unpacks to too much", func(t *testing.T) {
		var z bytes.Buffer
		w := gzip.NewWriter(&z)
		zero := make([]byte, 1<<20)
		for range 200 {
			w.Write(zero)
		}
		w.Close()
		if _, err := reference.ReadPack(z.Bytes()); err == nil || !strings.Contains(err.Error(), "Unpacked, the pack is larger") {
			t.Errorf("200 MiB in %d bytes: %v", z.Len(), err)
		}
	})
	t.Run("broken gzip", func(t *testing.T) {
		if _, err := reference.ReadPack([]byte("\x1f\x8bnonsense")); err == nil || !strings.Contains(err.Error(), "damaged") {
			t.Error(err)
		}
	})
	t.Run("zip", func(t *testing.T) {
		if _, err := reference.ReadPack([]byte("PK\x03\x04….")); err == nil || !strings.Contains(err.Error(), "ZIP") {
			t.Error(err)
		}
	})
	t.Run("many values", func(t *testing.T) {
		src := `{"format":"lastlook-reference","schema":1,"entries":[` + strings.Repeat("1,", 1_100_000) + "1]}"
		if _, err := reference.ReadPack([]byte(src)); err == nil || !strings.Contains(err.Error(), "more than 1000000 values") {
			t.Error(err)
		}
	})
}

func TestPlan(t *testing.T) {
	none := func(string) bool { return false }
	read := func(src string) *reference.Pack {
		t.Helper()
		p, err := reference.ReadPack([]byte(src))
		if err != nil {
			t.Fatal(err)
		}
		return p
	}
	states := func(s *site, p *reference.Pack) map[string]reference.PackState {
		t.Helper()
		items, ps := s.u.Plan(s.book, p, none)
		if len(ps) > 0 {
			t.Fatal(ps)
		}
		out := map[string]reference.PackState{}
		for _, it := range items {
			out[it.Key()] = it.State
		}
		return out
	}
	s := newSite(t)
	p := read(smallPack)
	if got := states(s, p); got["entry:dusty-thing"] != reference.PackNew || got["list:small-list"] != reference.PackNew {
		t.Errorf("first: %v", got)
	}
	s.do("Ida Fenn", reference.TakePack{Pack: p, Seen: s.u.Seq, Why: "the small pack"})
	if s.u.Book(s.book).Entry("dusty-thing") == nil || s.u.ListInForce(s.book, "small-list") == nil {
		t.Fatal("the pack was not taken")
	}
	if got := states(s, p); got["entry:dusty-thing"] != reference.PackSame || got["list:small-list"] != reference.PackSame {
		t.Errorf("again: %v", got)
	}
	s.refused(reference.TakePack{Pack: p, Seen: s.u.Seq, Why: "x"}, say.Illegal, "Nothing of the pack")
	// The next issue of the same pack changes what came from it.
	next := read(edit("White dust on leaves.", "White dust on old leaves."))
	if got := states(s, next); got["entry:dusty-thing"] != reference.PackChanged {
		t.Errorf("next issue: %v", got)
	}
	// What was changed here is not overwritten unasked.
	s.do("Ida Fenn", reference.Publish{Entry: s.edited("dusty-thing", func(e *reference.Entry) { e.Looks = "Ours." }), Seen: 1, Why: "ours"})
	if got := states(s, next); got["entry:dusty-thing"] != reference.PackConflict {
		t.Errorf("changed on both sides: %v", got)
	}
	s.refused(reference.TakePack{Pack: next, Seen: s.u.Seq, Why: "x"}, say.Illegal, "Nothing of the pack")
	s.refused(reference.TakePack{Pack: next, Seen: s.u.Seq - 1, Over: []string{"entry:dusty-thing"}, Why: "x"}, say.Conflict, "Look at the preview again")
	s.do("Ida Fenn", reference.TakePack{Pack: next, Seen: s.u.Seq, Over: []string{"entry:dusty-thing"}, Why: "theirs is newer"})
	if got := s.u.Text(s.book, "dusty-thing"); got.Looks != "White dust on old leaves." || got.Revision != 3 {
		t.Errorf("taken over: %d %q", got.Revision, got.Looks)
	}
	// An older issue is recognised.
	if got := states(s, p); got["entry:dusty-thing"] != reference.PackConflict {
		t.Errorf("older issue: %v", got)
	}
	s.do("Ida Fenn", reference.Retire{ID: "other-thing", Seen: 1, Why: "not here"})
	changed := read(edit("Green dust", "Greenish dust"))
	if got := states(s, changed); got["entry:other-thing"] != reference.PackConflict {
		t.Errorf("retired here: %v", got)
	}

	for _, c := range []struct{ name, src, want string }{
		{"dangling look-alike", edit(`{"id":"other-thing","tell_apart"`, `{"id":"no-such","tell_apart"`), `look-alike "no-such"`},
		{"list names no entry", edit(`{"entry":"dusty-thing"`, `{"entry":"no-such"`), `the entry "no-such"`},
		{"list names an unknown code", edit(`{"entry":"dusty-thing"`, `{"eppo":"ZZZZZ9"`), `the EPPO code "ZZZZZ9"`},
		{"photo of no entry", edit(`],"lists"`, `],"photos":[{"entry":"no-such","hash":"`+strings.Repeat("ab", 32)+`","caption":"c","credit":"c"}],"lists"`), `no entry "no-such"`},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, ps := newSite(t).u.Plan(shipped(), read(c.src), none)
			if len(ps) == 0 || !strings.Contains(ps.Error(), c.want) {
				t.Errorf("Plan gave %v, want %q", ps, c.want)
			}
		})
	}
	// A code that an entry here has is known.
	if _, ps := newSite(t).u.Plan(shipped(), read(edit(`{"entry":"dusty-thing"`, `{"eppo":"PPV000"`)), none); len(ps) > 0 {
		t.Errorf("a known code: %v", ps)
	}
}

// Look-alikes in a circle that only a laboratory can tell apart raise one another
// once and no further.
func TestLookAlikesInACircle(t *testing.T) {
	var src bytes.Buffer
	p, err := reference.ReadPack([]byte(strings.ReplaceAll(smallPack, `"by":"eye"`, `"by":"lab"`)))
	if err != nil {
		t.Fatal(err)
	}
	p.Entries[0].Action = ladder.Stop
	if err := reference.WritePack(&src, p); err != nil {
		t.Fatal(err)
	}
	s := newSite(t)
	s.do("Ida Fenn", reference.TakePack{Pack: p, Seen: s.u.Seq, Why: "x"})
	b := s.u.Book(s.book)
	if got := reference.Escalate(b, b.Entry("other-thing"), reference.Destination{}).Action; got != ladder.Sample {
		t.Errorf("other-thing asks for %v, want sample", got)
	}
	if got := reference.Escalate(b, b.Entry("dusty-thing"), reference.Destination{}).Action; got != ladder.Stop {
		t.Errorf("dusty-thing asks for %v, want stop", got)
	}
}

func TestHistoryThatDoesNotFit(t *testing.T) {
	at := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		name string
		rec  reference.UpkeepRecord
	}{
		{"unknown stream", reference.UpkeepRecord{Seq: 1, Stream: "people", Version: 1, At: at, Event: reference.EntryRetired{}}},
		{"step left out", reference.UpkeepRecord{Seq: 1, Stream: "reference/x", Version: 2, At: at, Event: reference.EntryRetired{}}},
		{"step of a list", reference.UpkeepRecord{Seq: 1, Stream: "reference/x", Version: 1, At: at, Event: reference.ListRetired{}}},
		{"step of an entry", reference.UpkeepRecord{Seq: 1, Stream: "reference-list/x", Version: 1, At: at, Event: reference.EntryRetired{}}},
		{"no text", reference.UpkeepRecord{Seq: 1, Stream: "reference/x", Version: 1, At: at, Event: reference.EntryPublished{}}},
	} {
		if _, err := (&reference.Upkeep{}).With([]reference.UpkeepRecord{c.rec}); err == nil {
			t.Errorf("%s was taken", c.name)
		}
	}
	if _, err := reference.DecodeUpkeep("from_the_future", []byte("{}")); say.CodeOf(err) != say.Storage {
		t.Errorf("a kind from the future: %v", err)
	}
}

func FuzzReadPack(f *testing.F) {
	f.Add([]byte(smallPack))
	for _, c := range badPacks {
		if s := c.pack(); len(s) < 1<<16 {
			f.Add([]byte(s))
		}
	}
	f.Fuzz(func(t *testing.T, src []byte) {
		p, err := reference.ReadPack(src)
		if (p == nil) == (err == nil) {
			t.Fatalf("ReadPack = %v, %v", p, err)
		}
		if p == nil {
			return
		}
		var a bytes.Buffer
		if err := reference.WritePack(&a, p); err != nil {
			t.Fatal(err)
		}
		q, err := reference.ReadPack(a.Bytes())
		if err != nil {
			t.Fatalf("what was read cannot be read again: %v", err)
		}
		var b bytes.Buffer
		if err := reference.WritePack(&b, q); err != nil || !bytes.Equal(a.Bytes(), b.Bytes()) {
			t.Fatalf("written twice: %v", err)
		}
	})
}
