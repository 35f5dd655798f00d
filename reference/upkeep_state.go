package reference

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"
)

// Revision is one text that an entry has or had.
type Revision struct {
	Number  int
	Hash    string
	Shipped bool   // came with the program
	Base    string // hash of the shipped text that a text of this site was made from
	At      time.Time
	By      string
	Why     string
	Pack    *PackName
	Entry   *Entry // nil for a shipped text: it is kept under its hash
}

// Note is that something was done, by whom and why.
type Note struct {
	Why string
	By  string
	At  time.Time
}

// Keeping is what a site did with one entry. The caller must not change it.
type Keeping struct {
	ID      string
	Version int // of its stream: the number of steps
	// Own are the texts published here, oldest first.
	Own []Revision
	// inForce counts the text in force in Own from 1; 0 when the shipped one is.
	inForce int
	// base is the hash of the shipped text that the text in force has last been
	// compared with by somebody.
	base    string
	Retired *Note // nil unless retired
	Local   Local
	Photos  []Photo
	Log     []UpkeepRecord
}

// OwnText gives the text of this site that is in force, nil if none is.
func (x *Keeping) OwnText() *Entry {
	if x == nil || x.inForce == 0 {
		return nil
	}
	return x.Own[x.inForce-1].Entry
}

// Base is the hash of the shipped text that the site's text in force was made
// from or last compared with.
func (x *Keeping) Base() string {
	if x == nil {
		return ""
	}
	return x.base
}

func (x *Keeping) clone() *Keeping {
	c := *x
	c.Own, c.Photos, c.Log = slices.Clone(x.Own), slices.Clone(x.Photos), slices.Clone(x.Log)
	return &c
}

// ListKeeping is what a site did with one destination list.
type ListKeeping struct {
	ID      string
	Version int
	Own     *List // published here, nil if the shipped one is in force
	Base    string
	Retired *Note
	On      []string // destinations for which an optional list is switched on
	Log     []UpkeepRecord
}

func (x *ListKeeping) clone() *ListKeeping {
	c := *x
	c.On, c.Log = slices.Clone(x.On), slices.Clone(x.Log)
	return &c
}

// Upkeep is what a site made of the reference. It does not change once made:
// With gives another. The zero Upkeep is that of a site that has done nothing yet.
type Upkeep struct {
	Seq     int64 // place of the last event in the site's whole history
	entries map[string]*Keeping
	lists   map[string]*ListKeeping
	shipped map[string][]Revision // texts the program brought, oldest first
	ships   map[string]Ship       // those it brought last
	shipsL  map[string]Ship
}

// With gives the upkeep after more events, which must follow those it has.
func (u *Upkeep) With(recs []UpkeepRecord) (*Upkeep, error) {
	if len(recs) == 0 {
		return u, nil
	}
	next := &Upkeep{
		Seq: u.Seq, entries: maps.Clone(u.entries), lists: maps.Clone(u.lists),
		shipped: maps.Clone(u.shipped), ships: maps.Clone(u.ships), shipsL: maps.Clone(u.shipsL),
	}
	if next.entries == nil {
		next.entries, next.lists, next.shipped = map[string]*Keeping{}, map[string]*ListKeeping{}, map[string][]Revision{}
		next.ships, next.shipsL = map[string]Ship{}, map[string]Ship{}
	}
	fresh := map[string]bool{} // streams whose part of the state has been copied
	for _, r := range recs {
		if r.Seq <= next.Seq {
			return nil, fmt.Errorf("reference: step %d comes after step %d", r.Seq, next.Seq)
		}
		next.Seq = r.Seq
		var err error
		switch {
		case r.Stream == shippedStream:
			err = next.applyShipped(r)
		case strings.HasPrefix(r.Stream, entryStream):
			id := strings.TrimPrefix(r.Stream, entryStream)
			x := next.entries[id]
			switch {
			case x == nil:
				x = &Keeping{ID: id}
			case !fresh[r.Stream]:
				x = x.clone()
			}
			next.entries[id] = x
			err = x.apply(r)
		case strings.HasPrefix(r.Stream, listStream):
			id := strings.TrimPrefix(r.Stream, listStream)
			x := next.lists[id]
			switch {
			case x == nil:
				x = &ListKeeping{ID: id}
			case !fresh[r.Stream]:
				x = x.clone()
			}
			next.lists[id] = x
			err = x.apply(r)
		default:
			err = fmt.Errorf("unknown stream %q", r.Stream)
		}
		if err != nil {
			return nil, fmt.Errorf("reference: step %d: %w", r.Seq, err)
		}
		fresh[r.Stream] = true
	}
	return next, nil
}

func (u *Upkeep) applyShipped(r UpkeepRecord) error {
	e, ok := r.Event.(ShippedTaken)
	if !ok {
		return fmt.Errorf("%s in the stream of the shipped reference", r.Event.Kind())
	}
	for id, s := range e.Entries {
		u.shipped[id] = append(slices.Clip(u.shipped[id]), Revision{Number: s.Revision, Hash: s.Hash, Shipped: true, At: r.At, By: r.By})
		u.ships[id] = s
	}
	maps.Copy(u.shipsL, e.Lists)
	for _, id := range e.Gone {
		delete(u.ships, id)
	}
	return nil
}

func (x *Keeping) apply(r UpkeepRecord) error {
	if r.Version != x.Version+1 {
		return fmt.Errorf("%s: step %d follows step %d", x.ID, r.Version, x.Version)
	}
	x.Version = r.Version
	x.Log = append(x.Log, r)
	note := &Note{Why: r.Why(), By: r.By, At: r.At}
	switch e := r.Event.(type) {
	case EntryPublished:
		if e.Entry == nil {
			return fmt.Errorf("%s: a revision without text", x.ID)
		}
		x.Own = append(x.Own, Revision{
			Number: e.Entry.Revision, Hash: e.Entry.Hash(), Base: e.Base, At: r.At, By: r.By, Why: e.Why, Pack: e.Pack, Entry: e.Entry,
		})
		x.inForce, x.base = len(x.Own), e.Base
	case EntryKept:
		x.base = e.Shipped
	case EntryFollowed:
		x.inForce, x.base = 0, e.Shipped
	case EntryRetired:
		x.Retired = note
	case EntryRestored:
		x.Retired = nil
	case EntryLocalised:
		x.Local = e.Local
	case PhotoAdded:
		x.Photos = append(x.Photos, e.Photo)
	case PhotoRemoved:
		x.Photos = slices.DeleteFunc(x.Photos, func(p Photo) bool { return p.Hash == e.Hash })
	default:
		return fmt.Errorf("%s: %s is no step of an entry", x.ID, r.Event.Kind())
	}
	return nil
}

func (x *ListKeeping) apply(r UpkeepRecord) error {
	if r.Version != x.Version+1 {
		return fmt.Errorf("%s: step %d follows step %d", x.ID, r.Version, x.Version)
	}
	x.Version = r.Version
	x.Log = append(x.Log, r)
	switch e := r.Event.(type) {
	case ListPublished:
		if e.List == nil {
			return fmt.Errorf("%s: a list without text", x.ID)
		}
		x.Own, x.Base = e.List, e.Base
	case ListSwitched:
		x.On = slices.DeleteFunc(x.On, func(d string) bool { return sameDestination(d, e.Destination) })
		if e.On {
			x.On = append(x.On, e.Destination)
		}
	case ListRetired:
		x.Retired = &Note{Why: e.Why, By: r.By, At: r.At}
	case ListRestored:
		x.Retired = nil
	default:
		return fmt.Errorf("%s: %s is no step of a list", x.ID, r.Event.Kind())
	}
	return nil
}

func sameDestination(a, b string) bool {
	return strings.EqualFold(strings.TrimSpace(a), strings.TrimSpace(b))
}

// Entry gives what was done with an entry; nil if nothing was.
func (u *Upkeep) Entry(id string) *Keeping { return u.entries[id] }

// List gives what was done with a list; nil if nothing was.
func (u *Upkeep) List(id string) *ListKeeping { return u.lists[id] }

// IDs lists the entries that are shipped or were published here, retired ones
// as well.
func (u *Upkeep) IDs(shipped *Book) []string {
	var ids []string
	for _, e := range shipped.Entries() {
		ids = append(ids, e.ID)
	}
	for id := range u.entries {
		if shipped.Entry(id) == nil && u.Text(shipped, id) != nil {
			ids = append(ids, id)
		}
	}
	slices.Sort(ids)
	return ids
}

// Text gives the text in force of an entry, retired or not, without the site's
// own words; nil if there is none.
func (u *Upkeep) Text(shipped *Book, id string) *Entry {
	if own := u.entries[id].OwnText(); own != nil {
		return own
	}
	return shipped.Entry(id)
}

// Here gives the entry as it is used here: the text in force with the site's own
// words over it; nil if there is none.
func (u *Upkeep) Here(shipped *Book, id string) *Entry {
	e := u.Text(shipped, id)
	if x := u.entries[id]; e != nil && x != nil {
		return x.Local.Over(e)
	}
	return e
}

// Behind reports whether the shipped text of an entry has changed under a text of
// this site, so that somebody must decide between the two.
func (u *Upkeep) Behind(shipped *Book, id string) bool {
	x, now := u.entries[id], shipped.Entry(id)
	own := x.OwnText()
	return own != nil && now != nil && x.base != now.Hash() && !SameText(own, now)
}

// Revisions lists all texts an entry has had here, shipped and published, newest
// first.
func (u *Upkeep) Revisions(id string) []Revision {
	out := slices.Clone(u.shipped[id])
	if x := u.entries[id]; x != nil {
		out = append(out, x.Own...)
	}
	slices.SortStableFunc(out, func(a, b Revision) int { return cmp.Or(b.At.Compare(a.At), cmp.Compare(b.Number, a.Number)) })
	return out
}

// nextRevision is a number that no text of the entry has had.
func (u *Upkeep) nextRevision(shipped *Book, id string) int {
	n := 0
	for _, r := range u.Revisions(id) {
		n = max(n, r.Number)
	}
	if e := shipped.Entry(id); e != nil {
		n = max(n, e.Revision)
	}
	return n + 1
}

// ListInForce gives the list with an id as it is used here, retired or not; nil if there is none.
func (u *Upkeep) ListInForce(shipped *Book, id string) *List {
	if x := u.lists[id]; x != nil && x.Own != nil {
		return x.Own
	}
	for _, l := range shipped.Lists() {
		if l.ID == id {
			return l
		}
	}
	return nil
}

// ListIDs lists the lists that are shipped or were published here, retired ones
// as well.
func (u *Upkeep) ListIDs(shipped *Book) []string {
	var ids []string
	for _, l := range shipped.Lists() {
		ids = append(ids, l.ID)
	}
	for id, x := range u.lists {
		if x.Own != nil && !slices.Contains(ids, id) {
			ids = append(ids, id)
		}
	}
	slices.Sort(ids)
	return ids
}

// Book lays what the site did over the shipped book: published texts and the
// site's own words, without what is retired.
func (u *Upkeep) Book(shipped *Book) *Book {
	var entries []*Entry
	for _, id := range u.IDs(shipped) {
		if x := u.entries[id]; x != nil && x.Retired != nil {
			continue
		}
		entries = append(entries, u.Here(shipped, id))
	}
	var lists []*List
	for _, id := range u.ListIDs(shipped) {
		if x := u.lists[id]; x != nil && x.Retired != nil {
			continue
		}
		lists = append(lists, u.ListInForce(shipped, id))
	}
	// Ids are unique here, so nothing can be found wrong.
	b, _ := NewBook(entries, lists, shipped.Synonyms())
	return b
}

// Destination gives a destination with the optional lists that are switched on
// for it, for [Escalate].
func (u *Upkeep) Destination(name string) Destination {
	d := Destination{Name: name}
	for id, x := range u.lists {
		if slices.ContainsFunc(x.On, func(on string) bool { return sameDestination(on, name) }) {
			d.Lists = append(d.Lists, id)
		}
	}
	slices.Sort(d.Lists)
	return d
}

// Canonical writes the list in the canonical form that Entry.Canonical uses.
func (l *List) Canonical() []byte { return canonical(l) }

// Hash is the SHA-256 of the canonical form, in hex.
func (l *List) Hash() string {
	sum := sha256.Sum256(l.Canonical())
	return hex.EncodeToString(sum[:])
}
