package reference_test

import (
	"fmt"
	"regexp"
	"strings"
	"sync"
	"testing"
	"unicode/utf8"

	"pgregory.net/rapid"

	"lastlook/internal/ladder"
	"lastlook/reference"
)

func TestSearchOutcomes(t *testing.T) {
	ix := shippedIndex(t)
	for _, c := range []struct {
		name, text string
		want       reference.Outcome
		said       string // in the sentence or a notice
	}{
		{"empty", "", reference.NotAsked, "Type what you see"},
		{"blanks", " \t\n ", reference.NotAsked, "Type what you see"},
		{"only stop words", "what is this thing on my", reference.NotAsked, "Type what you see"},
		{"one letter", "x", reference.NotAsked, "Type what you see"},
		{"only signs", `?!*~^"():+-/\[]{}`, reference.NotAsked, "Type what you see"},
		{"nonsense", "qqqqqqqqqq wwwwwwwwww", reference.NothingFits, "No entry has these words"},
		{"another script", "белокрылка", reference.OtherScript, "in Latin letters"},
		{"a script without spaces", "白粉虱", reference.OtherScript, "in Latin letters"},
		{"another script with a name", "тля Myzus persicae", reference.Found, ""},
		{"query syntax", `+name:aphid* AND NOT "rose" ~2 ^4 /x.*/`, reference.Found, ""},
		{"HTML", `<script>alert("aphid")</script>`, reference.Found, ""},
		{"null bytes", "aphid\x00\x00", reference.Found, ""},
		{"broken UTF-8", "aphid \xff\xfe", reference.Found, ""},
		{"ten thousand letters", strings.Repeat("a", 10_000), reference.NothingFits, "Only the first 300 letters were read."},
		{"ten thousand letters in words", strings.Repeat("sticky leaves ", 700), reference.Found, "Only the first 300 letters were read."},
		{"a word beyond the cut", strings.Repeat("q", 400) + " aphid", reference.NothingFits, "Only the first 300 letters were read."},
		{"only what is absent", "no webbing", reference.NotAsked, "Read as not there: webbing."},
		{"a misspelling is told", "botrytus", reference.Found, "No entry has “botrytus”; the nearest word is “botrytis”."},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := ix.Search(reference.Query{Text: c.text})
			if r.Outcome != c.want || (len(r.Hits) > 0) != (c.want == reference.Found) || r.Said.IsZero() {
				t.Errorf("Search(%.40q) = %s with %d hits, %q; want %s", c.text, r.Outcome, len(r.Hits), r.Said, c.want)
			}
			if text := fmt.Sprint(r.Said, r.Notices); !strings.Contains(text, c.said) {
				t.Errorf("Search(%.40q) says %s, want %q", c.text, text, c.said)
			}
		})
	}
}

// TestSearchWords checks the ways in which words are understood, one by one.
func TestSearchWords(t *testing.T) {
	ix := shippedIndex(t)
	for _, c := range []struct{ name, text, want string }{
		{"code", "LAPHFR", "fall-armyworm"},
		{"code in small letters", "myzupe", "green-peach-aphid"},
		{"acronym", "RIFA", "red-imported-fire-ant"},
		{"genus", "popillia", "japanese-beetle"},
		{"epithet", "ramorum", "phytophthora-ramorum"},
		{"abbreviated genus", "P. ramorum", "phytophthora-ramorum"},
		{"abbreviated genus decides", "s dorsalis", "chilli-thrips"},
		{"the other of that epithet", "b dorsalis", "fruit-fly-oriental"},
		{"two words for one", "chick weed", "common-chickweed"},
		{"one word for two", "lilybeetle", "lily-beetle"},
		{"plural", "box tree moths", "box-tree-moth"},
		{"being typed", "spotted lanternf", "spotted-lanternfly"},
		{"the other spelling", "gray mold", "grey-mould"},
		{"accents", "bótrytis", "grey-mould"},
		{"capitals", "CITRUS CANKER", "citrus-canker"},
		{"one wrong letter", "citrus cankre", "citrus-canker"},
		{"another region's word", "ladybug larvae", "ladybird-larvae"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := ix.Search(reference.Query{Text: c.text})
			if len(r.Hits) == 0 || r.Hits[0].ID != c.want {
				t.Errorf("Search(%q) begins with %v, want %s", c.text, first(r, 3), c.want)
			}
			if len(r.Hits) > 0 && len(r.Hits[0].Why) == 0 {
				t.Errorf("Search(%q) does not say why", c.text)
			}
		})
	}
}

func first(r reference.Result, n int) []string {
	var ids []string
	for _, h := range r.Hits[:min(n, len(r.Hits))] {
		ids = append(ids, h.ID)
	}
	return ids
}

// small is a book of three entries that differ in one sign each.
func small(t testing.TB, signs ...string) *reference.Book {
	t.Helper()
	var entries []*reference.Entry
	for i, s := range signs {
		entries = append(entries, &reference.Entry{
			ID: fmt.Sprintf("e%d", i), Name: fmt.Sprintf("Thing %c", 'P'+i), Kind: reference.Insect, Action: ladder.Note, ActionWhy: "x.",
			Hosts: []string{"Rosa"}, Parts: []reference.Part{reference.Stem},
			Signs: []reference.Sign{{Part: reference.Stem, Seen: "eggs", Often: reference.Usual, Text: s}},
		})
	}
	b, ps := reference.NewBook(entries, nil, reference.Synonyms{})
	if len(ps) > 0 {
		t.Fatal(ps)
	}
	return b
}

func TestNegation(t *testing.T) {
	ix, err := reference.NewIndex(small(t, "round discs, sticky all over", "round discs, no sticky film", "round discs on bark"))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ text, best, worst string }{
		{"sticky discs", "e0", ""},
		{"discs without sticky film", "e1", "e0"},
		{"discs, not sticky", "e1", "e0"},
		{"no dust but sticky discs", "e0", ""},
		{"no dust, sticky discs", "e0", ""},
	} {
		r := ix.Search(reference.Query{Text: c.text})
		got := first(r, 3)
		if len(got) == 0 || got[0] != c.best || c.worst != "" && got[len(got)-1] != c.worst {
			t.Errorf("Search(%q) = %v, want %s first and %s last", c.text, got, c.best, c.worst)
		}
	}
}

// TestJoinedWords looks for words that stand in the book in the other way only.
func TestJoinedWords(t *testing.T) {
	ix, err := reference.NewIndex(small(t, "covered in mealybug", "black soot film"))
	if err != nil {
		t.Fatal(err)
	}
	for text, want := range map[string]string{"mealy bug": "e0", "sootfilm": "e1", "mealy-bug": "e0"} {
		if got := first(ix.Search(reference.Query{Text: text}), 1); len(got) != 1 || got[0] != want {
			t.Errorf("Search(%q) = %v, want %s", text, got, want)
		}
	}
}

// TestFragment expects whole words marked, exactly, in text that is escaped.
func TestFragment(t *testing.T) {
	ix, err := reference.NewIndex(small(t, `<b>Żółta & Rosé</b> été, "dusty" leaves`))
	if err != nil {
		t.Fatal(err)
	}
	for text, want := range map[string]string{
		"zolta":      `&lt;b&gt;<mark>Żółta</mark> &amp; Rosé&lt;/b&gt; été, &#34;dusty&#34; leaves`,
		"rose ete":   `&lt;b&gt;Żółta &amp; <mark>Rosé</mark>&lt;/b&gt; <mark>été</mark>, &#34;dusty&#34; leaves`,
		"dusts leaf": `&lt;b&gt;Żółta &amp; Rosé&lt;/b&gt; été, &#34;<mark>dusty</mark>&#34; <mark>leaves</mark>`,
	} {
		r := ix.Search(reference.Query{Text: text})
		if len(r.Hits) != 1 || string(r.Hits[0].Fragment) != want {
			t.Errorf("Search(%q) gives %v, want the fragment %s", text, r.Hits, want)
		}
	}
}

var markup = regexp.MustCompile(`</?mark>|&(lt|gt|amp|#34|#39);`)

// TestSearchNeverFails throws anything at the search: no panic, an outcome with
// a sentence, and fragments that hold no markup but marks.
func TestSearchNeverFails(t *testing.T) {
	ix := shippedIndex(t)
	vocabulary := rapid.SampledFrom(strings.Fields(`no not without sticky webbing aphid <b> "rose" P. s. ramorum white, mealy bug the żółta \ * ~ ants; fuzzy leaf's x 12 &amp;`))
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.OneOf(rapid.String(), rapid.Map(rapid.SliceOfN(vocabulary, 0, 12), func(ws []string) string { return strings.Join(ws, " ") })).Draw(t, "text")
		limit := rapid.IntRange(0, 12).Draw(t, "limit")
		r := ix.Search(reference.Query{Text: text, Limit: limit})
		if r.Said.IsZero() || (r.Outcome == reference.Found) != (len(r.Hits) > 0) {
			t.Fatalf("Search(%q) = %s with %d hits and %q", text, r.Outcome, len(r.Hits), r.Said)
		}
		if limit > 0 && len(r.Hits) > limit {
			t.Fatalf("Search(%q, limit %d) gives %d hits", text, limit, len(r.Hits))
		}
		twice := make(map[string]bool)
		for _, h := range r.Hits {
			if twice[h.ID] {
				t.Fatalf("Search(%q) gives %s twice", text, h.ID)
			}
			twice[h.ID] = true
			f := string(h.Fragment)
			if rest := markup.ReplaceAllString(f, ""); !utf8.ValidString(f) || strings.ContainsAny(rest, "<>") || strings.Count(f, "<mark>") != strings.Count(f, "</mark>") {
				t.Fatalf("Search(%q): fragment %q", text, f)
			}
		}
	})
}

func TestFilters(t *testing.T) {
	ix := shippedIndex(t)
	book := ix.Book()
	r := ix.Search(reference.Query{Text: "white", Part: reference.Root, Limit: 50})
	if len(r.Hits) == 0 {
		t.Fatal("nothing white at the root")
	}
	for _, h := range r.Hits {
		if h.Confused != "" {
			continue // listed for its likeness, whatever the filter
		}
		ok := false
		for _, p := range book.Entry(h.ID).AllParts() {
			ok = ok || p == reference.Root
		}
		if !ok {
			t.Errorf("%s has no signs at the root", h.ID)
		}
	}
	// A plain name stands for the trade name.
	for _, host := range []string{"Buxus", "box", "boxwood"} {
		r := ix.Search(reference.Query{Text: "caterpillar", Host: host, Limit: 50})
		if len(r.Hits) == 0 || r.Hits[0].ID != "box-tree-moth" {
			t.Errorf("caterpillar on %s = %v, want box-tree-moth first", host, first(r, 3))
		}
	}
	if r := ix.Search(reference.Query{Text: "box tree moth", Host: "Cyathea"}); r.Outcome == reference.Found && r.Hits[0].ID == "box-tree-moth" {
		t.Error("the host filter keeps an entry of another host")
	}
}

// TestGuard holds for every entry of the shipped book: asked for by name, its
// likeliest dangerous look-alike is in the first five, and all are named beside it.
func TestGuard(t *testing.T) {
	ix := shippedIndex(t)
	book := ix.Book()
	for _, e := range book.Entries() {
		r := ix.Search(reference.Query{Text: e.Name + " " + e.Scientific, Limit: 5})
		if len(r.Hits) == 0 || r.Hits[0].ID != e.ID {
			t.Errorf("Search(%q) = %v, want %s first", e.Name+" "+e.Scientific, first(r, 5), e.ID)
			continue
		}
		near, shown := 0, 0
		for _, l := range book.Alike(e) {
			if !l.Other.Dangerous() {
				continue
			}
			near++
			for _, h := range r.Hits[1:] {
				if h.ID == l.Other.ID {
					shown++
				}
			}
		}
		if near > 0 && shown == 0 {
			t.Errorf("%s: none of its %d dangerous look-alikes is in %v", e.ID, near, first(r, 5))
		}
		if got := len(r.Hits[0].DoNotConfuse); got != near {
			t.Errorf("%s names %d dangerous look-alikes, want %d", e.ID, got, near)
		}
	}
}

// TestGuardLikeliest: the look-alike that a writer put first is shown even when
// it has none of the words and others have.
func TestGuardLikeliest(t *testing.T) {
	book := small(t, "red dust on stems, red dust on bark", "black holes", "red crust", "red dust", "red flecks", "red spots", "red dust here")
	for _, e := range book.Entries() {
		e.Regulated = true
	}
	for _, id := range []string{"e1", "e2", "e3", "e4", "e5", "e6"} {
		book.Entry("e0").LookAlikes = append(book.Entry("e0").LookAlikes, like(id, reference.ByEye))
	}
	ix, err := reference.NewIndex(book)
	if err != nil {
		t.Fatal(err)
	}
	r := ix.Search(reference.Query{Text: "thing p red dust on stems", Limit: 5})
	for _, h := range r.Hits {
		if h.ID == "e1" && h.Confused == "e0" {
			return
		}
	}
	t.Errorf("the first five are %v, want e0 first and e1 among them", first(r, 5))
}

// TestReplace searches while the book is replaced again and again: there is
// always an answer, from one book or the other.
func TestReplace(t *testing.T) {
	one, two := small(t, "red dust"), small(t, "red dust", "red dust again")
	ix, err := reference.NewIndex(one)
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	var wg sync.WaitGroup
	for range 2 {
		wg.Go(func() {
			for {
				select {
				case <-done:
					return
				default:
				}
				if n := len(ix.Search(reference.Query{Text: "dust"}).Hits); n != 1 && n != 2 {
					t.Errorf("%d hits while the book is replaced", n)
					return
				}
			}
		})
	}
	for range 10 {
		for _, b := range []*reference.Book{two, one} {
			if err := ix.Replace(b); err != nil {
				t.Fatal(err)
			}
			if got := len(ix.Search(reference.Query{Text: "dust"}).Hits); got != len(b.Entries()) || ix.Book() != b {
				t.Fatalf("%d hits after the book was replaced, want %d", got, len(b.Entries()))
			}
		}
	}
	close(done)
	wg.Wait()
}

func TestEmptyBook(t *testing.T) {
	b, _ := reference.NewBook(nil, nil, reference.Synonyms{})
	ix, err := reference.NewIndex(b)
	if err != nil {
		t.Fatal(err)
	}
	if r := ix.Search(reference.Query{Text: "aphid"}); r.Outcome != reference.NothingFits {
		t.Errorf("Search in an empty book = %s, want %s", r.Outcome, reference.NothingFits)
	}
	if r := reference.Narrow(b, reference.Answers{}, reference.Priors{}); len(r.Entries) != 0 {
		t.Errorf("Narrow of an empty book = %v", r.Entries)
	}
}
