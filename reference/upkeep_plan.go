package reference

import (
	"bytes"
	"fmt"
	"slices"

	"lastlook/internal/say"
)

// PackState says how a part of a pack stands to what is here.
type PackState string

// The states.
const (
	PackNew      PackState = "new"
	PackChanged  PackState = "changed"  // here is an older text that nobody here has touched
	PackSame     PackState = "same"     // nothing to do
	PackConflict PackState = "conflict" // changed or retired here as well: a person decides
	PackMissing  PackState = "missing"  // a picture that is neither in the pack nor here: left out
)

// Words names the state.
func (s PackState) Words() say.Text {
	switch s {
	case PackNew:
		return say.T("New")
	case PackChanged:
		return say.T("Changed")
	case PackSame:
		return say.T("Same")
	case PackConflict:
		return say.T("Conflict")
	case PackMissing:
		return say.T("Left out")
	}
	return say.T("%s", string(s))
}

// PackItem is one part of a pack beside what is here.
type PackItem struct {
	Type    string // entry, list or photo
	ID      string
	Name    string
	State   PackState
	Why     say.Text // what a conflict is about
	Changes []Change // of an entry that is here
	entry   *Entry
	list    *List
	photo   *PackPhoto
}

// Key names the item within its pack.
func (i PackItem) Key() string { return i.Type + ":" + i.ID }

// Plan says what taking a pack would change, entries first, and what in it does
// not fit what is here: look-alikes, lists and pictures that name an entry or a code
// that is neither here nor in the pack. A pack with a problem is not taken at all.
// hasPhoto reports whether a picture with a hash is kept here already.
//
// Look-alikes may name one another in a circle: that is the usual case, and nothing
// follows them in chains (see [Escalate]).
func (u *Upkeep) Plan(shipped *Book, p *Pack, hasPhoto func(hash string) bool) ([]PackItem, Problems) {
	var ps Problems
	inPack := map[string]bool{}
	codes := map[string]bool{}
	for _, id := range u.IDs(shipped) {
		codes[u.Text(shipped, id).EPPO] = true
	}
	for _, e := range p.Entries {
		inPack[e.ID], codes[e.EPPO] = true, true
	}
	known := func(id string) bool { return inPack[id] || u.Text(shipped, id) != nil }
	for i, e := range p.Entries {
		for j, l := range e.LookAlikes {
			if !known(l.ID) {
				ps = append(ps, Problem{Field: fmt.Sprintf("entries[%d].look_alikes[%d].id", i, j), Missing: l.ID,
					Text: say.T("%s names the look-alike %q, which is neither in the pack nor here.", e.Name, l.ID)})
			}
		}
	}
	for i, l := range p.Lists {
		for j, r := range l.Raise {
			switch {
			case r.Entry != "" && !known(r.Entry):
				ps = append(ps, Problem{Field: fmt.Sprintf("lists[%d].raise[%d].entry", i, j), Missing: r.Entry,
					Text: say.T("%s names the entry %q, which is neither in the pack nor here.", l.Name, r.Entry)})
			case r.EPPO != "" && !codes[r.EPPO]:
				ps = append(ps, Problem{Field: fmt.Sprintf("lists[%d].raise[%d].eppo", i, j), Missing: r.EPPO,
					Text: say.T("%s names the EPPO code %q, which no entry in the pack or here has.", l.Name, r.EPPO)})
			}
		}
	}
	for i, x := range p.Photos {
		if !known(x.Entry) {
			ps = append(ps, Problem{Field: fmt.Sprintf("photos[%d].entry", i), Missing: x.Entry, Text: say.T("There is no entry %q for this picture, neither in the pack nor here.", x.Entry)})
		}
	}
	if len(ps) > 0 {
		return nil, ps
	}
	var items []PackItem
	for _, e := range p.Entries {
		items = append(items, u.planEntry(shipped, p, e))
	}
	for _, l := range p.Lists {
		items = append(items, u.planList(shipped, p, l))
	}
	for i := range p.Photos {
		x := &p.Photos[i]
		it := PackItem{Type: "photo", ID: x.Entry + "/" + x.Hash, Name: x.Caption, State: PackNew, photo: x}
		k := u.entries[x.Entry]
		switch {
		case k != nil && slices.ContainsFunc(k.Photos, func(q Photo) bool { return q.Hash == x.Hash }):
			it.State = PackSame
		case x.Data == nil && !hasPhoto(x.Hash):
			it.State, it.Why = PackMissing, say.T("the picture is neither in the pack nor here")
		case k != nil && len(k.Photos) >= maxPhotos:
			it.State, it.Why = PackMissing, say.T("the entry has %d pictures already", maxPhotos)
		}
		items = append(items, it)
	}
	return items, nil
}

func (u *Upkeep) planEntry(shipped *Book, p *Pack, e *Entry) PackItem {
	it := PackItem{Type: "entry", ID: e.ID, Name: e.Name, State: PackNew, entry: e}
	here, x := u.Text(shipped, e.ID), u.entries[e.ID]
	if here == nil {
		return it
	}
	it.Changes = DiffText(here, e)
	own := x.OwnText()
	switch old := u.earlier(shipped, e); {
	case len(it.Changes) == 0:
		it.State = PackSame
	case x != nil && x.Retired != nil:
		it.State, it.Why = PackConflict, say.T("retired here: taking it brings it back")
	case old > 0:
		it.State, it.Why = PackConflict, say.T("the pack has an older text, that of revision %d", old)
	case own != nil && !samePack(x.Own[x.inForce-1].Pack, p):
		it.State, it.Why = PackConflict, say.T("changed here as well, in revision %d", own.Revision)
	default:
		it.State = PackChanged
	}
	return it
}

// earlier gives the number of an earlier revision with the same text, 0 if there
// is none.
func (u *Upkeep) earlier(shipped *Book, e *Entry) int {
	if s := shipped.Entry(e.ID); s != nil && SameText(s, e) {
		return s.Revision // not noted yet where no bench has been started
	}
	for _, r := range u.Revisions(e.ID) {
		switch {
		case r.Entry != nil && SameText(r.Entry, e):
			return r.Number
		case r.Entry == nil && r.Hash == e.Hash():
			return r.Number
		}
	}
	return 0
}

func samePack(from *PackName, p *Pack) bool {
	return from != nil && p.Name != "" && from.Name == p.Name
}

func (u *Upkeep) planList(shipped *Book, p *Pack, l *List) PackItem {
	it := PackItem{Type: "list", ID: l.ID, Name: l.Name, State: PackNew, list: l}
	here, x := u.ListInForce(shipped, l.ID), u.lists[l.ID]
	switch {
	case here == nil:
	case bytes.Equal(here.Canonical(), l.Canonical()):
		it.State = PackSame
	case x != nil && x.Retired != nil:
		it.State, it.Why = PackConflict, say.T("retired here: taking it brings it back")
	case x != nil && x.Own != nil && !samePack(x.ownPack(), p):
		it.State, it.Why = PackConflict, say.T("changed here as well")
	default:
		it.State = PackChanged
	}
	return it
}

// ownPack gives the pack that the list in force came in, if any.
func (x *ListKeeping) ownPack() *PackName {
	for _, r := range slices.Backward(x.Log) {
		if p, ok := r.Event.(ListPublished); ok {
			return p.Pack
		}
	}
	return nil
}

func (u *Upkeep) takePack(shipped *Book, c TakePack) ([]UpkeepWrite, error) {
	if c.Seen != u.Seq {
		return nil, say.Refuse(say.Conflict, "The reference was changed while you looked at the pack. Look at the preview again, then take the pack.")
	}
	why, err := reason(c.Why)
	if err != nil {
		return nil, err
	}
	items, ps := u.Plan(shipped, c.Pack, func(string) bool { return true })
	if len(ps) > 0 {
		return nil, refuseProblem(ps[0])
	}
	from := &PackName{Name: c.Pack.Name, Hash: c.Pack.Hash}
	var out []UpkeepWrite
	for _, it := range items {
		if it.State == PackSame || it.State == PackMissing || it.State == PackConflict && !slices.Contains(c.Over, it.Key()) {
			continue
		}
		switch {
		case it.entry != nil:
			e := *it.entry
			e.Revision = max(e.Revision, u.nextRevision(shipped, e.ID))
			ev := EntryPublished{Entry: &e, Why: why, Pack: from}
			if s := shipped.Entry(e.ID); s != nil {
				ev.Base = s.Hash()
			}
			out = append(out, UpkeepWrite{entryStream + e.ID, ev})
			if x := u.entries[e.ID]; x != nil && x.Retired != nil {
				out = append(out, UpkeepWrite{entryStream + e.ID, EntryRestored{Why: why}})
			}
		case it.list != nil:
			ev := ListPublished{List: it.list, Why: why, Pack: from}
			for _, l := range shipped.Lists() {
				if l.ID == it.list.ID {
					ev.Base = l.Hash()
				}
			}
			out = append(out, UpkeepWrite{listStream + it.ID, ev})
			if x := u.lists[it.ID]; x != nil && x.Retired != nil {
				out = append(out, UpkeepWrite{listStream + it.ID, ListRestored{Why: why}})
			}
		case it.photo != nil:
			out = append(out, UpkeepWrite{entryStream + it.photo.Entry, PhotoAdded{Photo: it.photo.Photo, Pack: from}})
		}
	}
	if len(out) == 0 {
		return nil, say.Refuse(say.Illegal, "Nothing of the pack is to be taken: all of it is here already, or was left as it is here.")
	}
	return out, nil
}

// Pack gives what is here as a pack: the texts in force without the site's own
// words, the lists in force, and which pictures there are. Of entries, only those
// whose ids are named; of all if none is. What is retired is left out.
func (u *Upkeep) Pack(shipped *Book, ids []string) *Pack {
	p := &Pack{}
	for _, id := range u.IDs(shipped) {
		x := u.entries[id]
		if x != nil && x.Retired != nil || len(ids) > 0 && !slices.Contains(ids, id) {
			continue
		}
		p.Entries = append(p.Entries, u.Text(shipped, id))
		if x != nil {
			for _, ph := range x.Photos {
				p.Photos = append(p.Photos, PackPhoto{Entry: id, Photo: ph})
			}
		}
	}
	if len(ids) > 0 {
		return p
	}
	for _, id := range u.ListIDs(shipped) {
		if x := u.lists[id]; x == nil || x.Retired == nil {
			p.Lists = append(p.Lists, u.ListInForce(shipped, id))
		}
	}
	return p
}
