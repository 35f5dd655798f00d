package reference

import (
	"cmp"
	"fmt"
	"io/fs"
	"slices"

	"lastlook/internal/say"
)

// Book is everything the reference knows at one moment: entries, destination
// lists and synonym groups. It does not change once made; an edited entry makes a
// new Book, and the old one stays true for whoever still reads it.
type Book struct {
	entries  []*Entry // by id
	byID     map[string]*Entry
	lists    []*List
	synonyms Synonyms
	named    map[string][]Link // by id, the entries that name it as a look-alike
	// By entry, for Narrow, which is asked at each tap.
	likeSeen []map[Seen]float64
	hosts    [][]string
}

// Entries lists all entries by id. The caller must not change them.
func (b *Book) Entries() []*Entry { return b.entries }

// Entry finds an entry, or gives nil.
func (b *Book) Entry(id string) *Entry { return b.byID[id] }

// Lists gives the destination lists by id.
func (b *Book) Lists() []*List { return b.lists }

// Synonyms gives the lay words the search knows.
func (b *Book) Synonyms() Synonyms { return b.synonyms }

// NewBook makes a book and reports what does not fit together: ids that stand
// twice, and look-alikes or lists that name an entry that is not there. The book
// is made all the same, without the doubles.
func NewBook(entries []*Entry, lists []*List, synonyms Synonyms) (*Book, Problems) {
	b := &Book{byID: make(map[string]*Entry, len(entries)), lists: slices.Clone(lists), synonyms: synonyms, named: make(map[string][]Link)}
	var ps Problems
	for _, e := range entries {
		if b.byID[e.ID] != nil {
			ps = append(ps, Problem{Field: "id", Text: say.T("There are two entries with the id %q.", e.ID)})
			continue
		}
		b.byID[e.ID] = e
		b.entries = append(b.entries, e)
	}
	slices.SortFunc(b.entries, func(x, y *Entry) int { return cmp.Compare(x.ID, y.ID) })
	slices.SortFunc(b.lists, func(x, y *List) int { return cmp.Compare(x.ID, y.ID) })
	for _, e := range b.entries {
		b.likeSeen, b.hosts = append(b.likeSeen, likeSeens(e)), append(b.hosts, plainHosts(e))
		for _, l := range e.LookAlikes {
			b.named[l.ID] = append(b.named[l.ID], Link{Other: e, TellApart: l.TellApart, By: l.By})
		}
	}
	return b, ps
}

// With makes a book in which the given entry takes the place of the one with
// its id, or is added.
func (b *Book) With(e *Entry) (*Book, Problems) {
	entries := slices.DeleteFunc(slices.Clone(b.entries), func(x *Entry) bool { return x.ID == e.ID })
	next, ps := NewBook(append(entries, e), b.lists, b.synonyms)
	for i, l := range e.LookAlikes {
		if next.byID[l.ID] == nil {
			ps = append(ps, Problem{
				Field: fmt.Sprintf("look_alikes[%d].id", i), Missing: l.ID,
				Text: say.T("There is no entry %q.", l.ID),
			})
		}
	}
	return next, ps
}

// WithLists makes a book with these destination lists in place of its own.
func (b *Book) WithLists(lists []*List) *Book {
	next, _ := NewBook(b.entries, lists, b.synonyms)
	return next
}

// Load reads a reference folder: entries/*.yaml, lists/*.yaml and
// synonyms.yaml. The error is of type [Problems] and holds every problem of every
// file. A reference with a problem is not loaded at all: a half-read reference
// would look complete.
func Load(fsys fs.FS) (*Book, error) {
	b, ps := Read(fsys)
	if len(ps) > 0 {
		return nil, ps
	}
	return b, nil
}

// Read is Load for those who write entries: it gives the book made of what could
// be read, and the problems beside it.
func Read(fsys fs.FS) (*Book, Problems) {
	var ps Problems
	var entries []*Entry
	where := make(map[string]*document)
	files, err := fs.Glob(fsys, "entries/*.yaml")
	if err != nil || len(files) == 0 {
		ps = append(ps, Problem{File: "entries", Text: say.T("There are no entry files here: expected entries/*.yaml.")})
	}
	for _, f := range files {
		src, err := fs.ReadFile(fsys, f)
		if err != nil {
			ps = append(ps, Problem{File: f, Text: say.T("The file cannot be read.")})
			continue
		}
		d := &document{file: f}
		e := d.checked(src)
		ps = append(ps, d.problems...)
		if e == nil || e.ID == "" || !e.Action.Valid() {
			continue
		}
		if first := where[e.ID]; first != nil {
			ps = append(ps, Problem{File: f, Line: d.line("id"), Field: "id", Text: say.T("The id %q is already that of %s.", e.ID, first.file)})
			continue
		}
		where[e.ID] = d
		entries = append(entries, e)
	}
	lists, listDocs, found := readLists(fsys)
	ps = append(ps, found...)
	synonyms, found := readSynonyms(fsys)
	ps = append(ps, found...)

	b, _ := NewBook(entries, lists, synonyms)
	for _, e := range b.entries {
		d := where[e.ID]
		for i, l := range e.LookAlikes {
			if l.ID != "" && b.byID[l.ID] == nil {
				at := fmt.Sprintf("look_alikes[%d].id", i)
				ps = append(ps, Problem{
					File: d.file, Line: d.line(at), Field: at, Missing: l.ID,
					Text: say.T("There is no entry %q.", l.ID),
				})
			}
		}
	}
	for _, l := range lists {
		d := listDocs[l.ID]
		for i, r := range l.Raise {
			if r.Entry != "" && b.byID[r.Entry] == nil {
				at := fmt.Sprintf("raise[%d].entry", i)
				ps = append(ps, Problem{
					File: d.file, Line: d.line(at), Field: at, Missing: r.Entry,
					Text: say.T("There is no entry %q.", r.Entry),
				})
			}
		}
	}
	return b, ps.sorted()
}
