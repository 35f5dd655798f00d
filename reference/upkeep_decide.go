package reference

import (
	"encoding/hex"
	"fmt"
	"maps"
	"slices"
	"strings"
	"unicode/utf8"

	"lastlook/internal/ladder"
	"lastlook/internal/say"
)

// UpkeepCommand is a change that a supervisor wants to make to the reference. Seen
// in a command is the version of the entry's or list's stream that the page was
// made from: 0 for something that did not exist.
type UpkeepCommand interface{ isUpkeep() }

// The commands.
type (
	// TakeShipped notes the shipped texts, where they differ from those noted before.
	TakeShipped struct{}
	// Publish puts a text in force, as the next revision. The revision number in
	// Entry does not matter.
	Publish struct {
		Entry *Entry
		Seen  int
		Why   string
	}
	// Keep leaves this site's text in force beside a newer shipped one.
	Keep struct {
		ID   string
		Seen int
		Why  string
	}
	// Follow puts the shipped text in force again.
	Follow struct {
		ID   string
		Seen int
		Why  string
	}
	// Retire takes an entry out of search; Restore brings it back.
	Retire struct {
		ID   string
		Seen int
		Why  string
	}
	// Restore brings a retired entry back.
	Restore struct {
		ID   string
		Seen int
		Why  string
	}
	// Localise replaces what the site adds to an entry.
	Localise struct {
		ID    string
		Seen  int
		Local Local
		Why   string
	}
	// AddPhoto adds a picture to an entry.
	AddPhoto struct {
		ID    string
		Photo Photo
	}
	// RemovePhoto takes a picture off an entry.
	RemovePhoto struct {
		ID   string
		Hash string
		Why  string
	}
	// SwitchList switches an optional list on or off for a destination.
	SwitchList struct {
		ID          string
		Destination string
		On          bool
		Why         string
	}
	// RetireList puts a list out of force everywhere; RestoreList puts it back.
	RetireList struct {
		ID  string
		Why string
	}
	// RestoreList puts a retired list in force again.
	RestoreList struct {
		ID  string
		Why string
	}
	// TakePack publishes what is new or changed in a pack, and of what was also
	// changed here only what Over names.
	TakePack struct {
		Pack *Pack
		Over []string // PackItem.Key of conflicts that the pack decides
		Seen int64    // Upkeep.Seq that the preview was made from
		Why  string
	}
)

func (TakeShipped) isUpkeep() {}
func (Publish) isUpkeep()     {}
func (Keep) isUpkeep()        {}
func (Follow) isUpkeep()      {}
func (Retire) isUpkeep()      {}
func (Restore) isUpkeep()     {}
func (Localise) isUpkeep()    {}
func (AddPhoto) isUpkeep()    {}
func (RemovePhoto) isUpkeep() {}
func (SwitchList) isUpkeep()  {}
func (RetireList) isUpkeep()  {}
func (RestoreList) isUpkeep() {}
func (TakePack) isUpkeep()    {}

// Bounds on what a supervisor or a pack may write, in characters and items. They
// are far above what the shipped entries hold, and keep a page readable.
const (
	maxWhy      = 500
	maxShort    = 300
	maxProse    = 4000
	maxItems    = 100
	maxStages   = 20
	maxPhotos   = 12
	maxListRows = 2000
)

// Decide says what follows from a command, or refuses it in words. Who may give
// it is asked elsewhere.
func (u *Upkeep) Decide(shipped *Book, c UpkeepCommand) ([]UpkeepWrite, error) {
	switch c := c.(type) {
	case TakeShipped:
		return u.takeShipped(shipped), nil
	case Publish:
		return u.publish(shipped, c)
	case Keep:
		return u.settle(shipped, c.ID, c.Seen, c.Why, func(hash, why string) UpkeepEvent { return EntryKept{Shipped: hash, Why: why} })
	case Follow:
		return u.settle(shipped, c.ID, c.Seen, c.Why, func(hash, why string) UpkeepEvent { return EntryFollowed{Shipped: hash, Why: why} })
	case Retire:
		return u.retire(shipped, c.ID, c.Seen, c.Why, false)
	case Restore:
		return u.retire(shipped, c.ID, c.Seen, c.Why, true)
	case Localise:
		return u.localise(shipped, c)
	case AddPhoto:
		return u.addPhoto(shipped, c)
	case RemovePhoto:
		x := u.entries[c.ID]
		if x == nil || !slices.ContainsFunc(x.Photos, func(p Photo) bool { return p.Hash == c.Hash }) {
			return nil, say.Refuse(say.NotFound, "The entry does not have that picture.")
		}
		why, err := reason(c.Why)
		return one(entryStream+c.ID, PhotoRemoved{Hash: c.Hash, Why: why}, err)
	case SwitchList:
		return u.switchList(shipped, c)
	case RetireList:
		return u.retireList(shipped, c.ID, c.Why, false)
	case RestoreList:
		return u.retireList(shipped, c.ID, c.Why, true)
	case TakePack:
		return u.takePack(shipped, c)
	}
	return nil, say.Refuse(say.Invalid, "The reference does not know this step.")
}

func one(stream string, e UpkeepEvent, err error) ([]UpkeepWrite, error) {
	if err != nil {
		return nil, err
	}
	return []UpkeepWrite{{Stream: stream, Event: e}}, nil
}

// reason cleans a reason and refuses none.
func reason(why string) (string, error) {
	why = oneLine(why)
	switch {
	case why == "":
		return "", say.Refuse(say.Invalid, "Say why: the reason stands in the history.").For("why")
	case utf8.RuneCountInString(why) > maxWhy:
		return "", say.Refuse(say.Invalid, "The reason is longer than %d characters: shorten it.", maxWhy).For("why")
	}
	c := &checker{}
	if c.clean("why", why); len(c.problems) > 0 {
		return "", refuseProblem(c.problems[0])
	}
	return why, nil
}

func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }

func refuseProblem(p Problem) *say.Refusal {
	return (&say.Refusal{Code: say.Invalid, Text: p.Text}).For(p.Field)
}

func (u *Upkeep) takeShipped(shipped *Book) []UpkeepWrite {
	ev := ShippedTaken{Entries: map[string]Ship{}, Lists: map[string]Ship{}}
	for _, e := range shipped.Entries() {
		if s := (Ship{Revision: e.Revision, Hash: e.Hash()}); u.ships[e.ID] != s {
			ev.Entries[e.ID] = s
		}
	}
	for _, l := range shipped.Lists() {
		if s := (Ship{Revision: 1, Hash: l.Hash()}); u.shipsL[l.ID] != s {
			ev.Lists[l.ID] = s
		}
	}
	for _, id := range slices.Sorted(maps.Keys(u.ships)) {
		if shipped.Entry(id) == nil {
			ev.Gone = append(ev.Gone, id)
		}
	}
	if len(ev.Entries)+len(ev.Lists)+len(ev.Gone) == 0 {
		return nil
	}
	return []UpkeepWrite{{Stream: shippedStream, Event: ev}}
}

// textSteps are the steps that a new text must have been written in sight of.
func textSteps(e UpkeepEvent) bool {
	switch e.(type) {
	case EntryPublished, EntryKept, EntryFollowed, EntryRetired, EntryRestored:
		return true
	}
	return false
}

// stale refuses a page that has not seen steps that matter to it, and says what
// they changed.
func (x *Keeping) stale(seen int, matters func(UpkeepEvent) bool) error {
	if x == nil {
		return nil
	}
	if seen > x.Version {
		return say.Refuse(say.Conflict, "This page is of an entry with more steps than are on record: was a backup restored? Open it again.")
	}
	var what []say.Text
	for i, r := range x.Log {
		if r.Version <= seen || !matters(r.Event) {
			continue
		}
		t := r.Said()
		if p, ok := r.Event.(EntryPublished); ok {
			if before := x.before(i); before != nil {
				var names []say.Text
				for _, c := range DiffText(before, p.Entry) {
					names = append(names, c.Label())
				}
				if len(names) > 0 {
					t = say.T("%s; changed: %s", t, names)
				}
			}
		}
		what = append(what, t)
	}
	if len(what) == 0 {
		return nil
	}
	return say.Refuse(say.Conflict, "Not done: somebody was quicker. Meanwhile: %s. What you wrote is kept: compare, then decide again.", what)
}

// before gives the text published last before step i of the log.
func (x *Keeping) before(i int) *Entry {
	for i--; i >= 0; i-- {
		if p, ok := x.Log[i].Event.(EntryPublished); ok {
			return p.Entry
		}
	}
	return nil
}

// CheckOne reports everything wrong with an entry that a site or a pack wrote: by
// itself, by its size, and look-alikes that known does not know.
func CheckOne(e *Entry, known func(id string) bool) Problems {
	ps := append(e.Check(), checkBounds(e)...)
	for i, l := range e.LookAlikes {
		if l.ID != "" && l.ID != e.ID && !known(l.ID) {
			ps = append(ps, Problem{Field: fmt.Sprintf("look_alikes[%d].id", i), Missing: l.ID, Text: say.T("There is no entry %q.", l.ID)})
		}
	}
	return ps
}

func checkBounds(e *Entry) Problems {
	c := &checker{}
	short := func(field, s string) { c.longest(field, s, maxShort) }
	prose := func(field, s string) { c.longest(field, s, maxProse) }
	for field, s := range map[string]string{"id": e.ID, "name": e.Name, "scientific": e.Scientific, "eppo": e.EPPO, "eppo_source": e.EPPOSource} {
		short(field, s)
	}
	for field, s := range map[string]string{"looks": e.Looks, "does": e.Does, "action_why": e.ActionWhy, "regulated_note": e.RegulatedNote} {
		prose(field, s)
		c.clean(field, s)
	}
	for field, ss := range map[string][]string{"other_names": e.OtherNames, "synonyms": e.Synonyms, "hosts": e.Hosts, "host_words": e.HostWords} {
		c.most(field, len(ss), maxItems)
		for i, s := range ss {
			short(fmt.Sprintf("%s[%d]", field, i), s)
		}
	}
	for field, ss := range map[string][]string{"closer_look": e.CloserLook, "cautions": e.Cautions, "sources": e.Sources} {
		c.most(field, len(ss), maxItems)
		for i, s := range ss {
			prose(fmt.Sprintf("%s[%d]", field, i), s)
		}
	}
	for i, s := range e.Signs {
		short(fmt.Sprintf("signs[%d].season", i), s.Season)
		prose(fmt.Sprintf("signs[%d].text", i), s.Text)
	}
	c.most("stages", len(e.Stages), maxStages)
	for i, s := range e.Stages {
		short(fmt.Sprintf("stages[%d].stage", i), s.Stage)
		prose(fmt.Sprintf("stages[%d].looks", i), s.Looks)
	}
	for i, l := range e.LookAlikes {
		prose(fmt.Sprintf("look_alikes[%d].tell_apart", i), l.TellApart)
	}
	slices.SortFunc(c.problems, func(a, b Problem) int { return strings.Compare(a.Field, b.Field) }) // maps were walked
	return c.problems
}

func (c *checker) longest(field, s string, most int) {
	if n := utf8.RuneCountInString(s); n > most {
		c.fail(field, "This has %d characters, more than %d: shorten it.", n, most)
	}
}

func (c *checker) most(field string, n, most int) {
	if n > most {
		c.fail(field, "This has %d lines, more than %d: leave some out.", n, most)
	}
}

// known reports whether an entry has a text here, retired or not.
func (u *Upkeep) known(shipped *Book) func(string) bool {
	return func(id string) bool { return u.Text(shipped, id) != nil }
}

func (u *Upkeep) publish(shipped *Book, c Publish) ([]UpkeepWrite, error) {
	if c.Entry == nil {
		return nil, say.Refuse(say.Invalid, "There is nothing to publish.")
	}
	e := *c.Entry
	e.Revision = u.nextRevision(shipped, e.ID)
	if ps := CheckOne(&e, u.known(shipped)); len(ps) > 0 {
		return nil, refuseProblem(ps[0])
	}
	why, err := reason(c.Why)
	if err != nil {
		return nil, err
	}
	x, now := u.entries[e.ID], u.Text(shipped, e.ID)
	if err := x.stale(c.Seen, textSteps); err != nil {
		return nil, err
	}
	if now != nil && SameText(now, &e) {
		return nil, say.Refuse(say.Illegal, "Nothing is changed: the text in force says the same.")
	}
	ev := EntryPublished{Entry: &e, Why: why}
	if s := shipped.Entry(e.ID); s != nil {
		ev.Base = s.Hash()
	}
	return one(entryStream+e.ID, ev, nil)
}

// settle decides between this site's text and the shipped one.
func (u *Upkeep) settle(shipped *Book, id string, seen int, why string, event func(hash, why string) UpkeepEvent) ([]UpkeepWrite, error) {
	x, now := u.entries[id], shipped.Entry(id)
	switch {
	case x.OwnText() == nil:
		return nil, say.Refuse(say.Illegal, "The shipped text is in force: there is nothing to decide.")
	case now == nil:
		return nil, say.Refuse(say.Illegal, "The program ships no text for this entry: there is nothing to decide.")
	}
	if err := x.stale(seen, textSteps); err != nil {
		return nil, err
	}
	why, err := reason(why)
	return one(entryStream+id, event(now.Hash(), why), err)
}

func (u *Upkeep) retire(shipped *Book, id string, seen int, why string, back bool) ([]UpkeepWrite, error) {
	x := u.entries[id]
	gone := x != nil && x.Retired != nil
	switch {
	case u.Text(shipped, id) == nil:
		return nil, say.Refuse(say.NotFound, "There is no entry %q here.", id)
	case back && !gone:
		return nil, say.Refuse(say.Illegal, "The entry is not retired.")
	case !back && gone:
		return nil, say.Refuse(say.Illegal, "The entry is retired already.")
	}
	if err := x.stale(seen, textSteps); err != nil {
		return nil, err
	}
	why, err := reason(why)
	if back {
		return one(entryStream+id, EntryRestored{Why: why}, err)
	}
	return one(entryStream+id, EntryRetired{Why: why}, err)
}

func (u *Upkeep) localise(shipped *Book, c Localise) ([]UpkeepWrite, error) {
	if u.Text(shipped, c.ID) == nil {
		return nil, say.Refuse(say.NotFound, "There is no entry %q here.", c.ID)
	}
	x := u.entries[c.ID]
	err := x.stale(c.Seen, func(e UpkeepEvent) bool { _, ok := e.(EntryLocalised); return ok })
	if err != nil {
		return nil, err
	}
	l, ps := c.Local.cleaned()
	if len(ps) > 0 {
		return nil, refuseProblem(ps[0])
	}
	why, err := reason(c.Why)
	if err != nil {
		return nil, err
	}
	var before Local
	if x != nil {
		before = x.Local
	}
	if l.same(before) {
		return nil, say.Refuse(say.Illegal, "Nothing is changed.")
	}
	return one(entryStream+c.ID, EntryLocalised{Local: l, Why: why}, nil)
}

func (l Local) same(o Local) bool {
	return slices.Equal(l.Names, o.Names) && slices.Equal(l.Hosts, o.Hosts) && l.Note == o.Note && l.Action == o.Action && l.ActionWhy == o.ActionWhy
}

// cleaned takes needless space off and reports what is wrong.
func (l Local) cleaned() (Local, Problems) {
	c := &checker{}
	tidy := func(ss []string) []string {
		var out []string
		for _, s := range ss {
			if s = oneLine(s); s != "" {
				out = append(out, s)
			}
		}
		return out
	}
	out := Local{Names: tidy(l.Names), Hosts: tidy(l.Hosts), Note: strings.TrimSpace(l.Note), Action: l.Action, ActionWhy: oneLine(l.ActionWhy)}
	for field, ss := range map[string][]string{"names": out.Names, "hosts": out.Hosts} {
		c.list(field, ss, 0)
		c.most(field, len(ss), maxItems)
		for i, s := range ss {
			c.longest(fmt.Sprintf("%s[%d]", field, i), s, maxShort)
		}
	}
	c.longest("note", out.Note, maxProse)
	c.clean("note", out.Note)
	c.longest("action_why", out.ActionWhy, maxWhy)
	c.clean("action_why", out.ActionWhy)
	switch {
	case out.Action != 0 && !out.Action.Valid():
		c.fail("action", "This must be note, reject, sample or stop.")
	case out.Action != 0 && out.ActionWhy == "":
		c.fail("action_why", "Say why the entry asks for something else here.")
	case out.Action == 0 && out.ActionWhy != "":
		c.fail("action", "Choose what the entry asks for here, or leave the reason empty.")
	}
	slices.SortFunc(c.problems, func(a, b Problem) int { return strings.Compare(a.Field, b.Field) })
	return out, c.problems
}

func (p Photo) cleaned() (Photo, error) {
	out := Photo{Hash: p.Hash, Caption: oneLine(p.Caption), Credit: oneLine(p.Credit)}
	c := &checker{}
	c.needed("caption", out.Caption)
	c.longest("caption", out.Caption, maxShort)
	c.needed("credit", out.Credit)
	c.longest("credit", out.Credit, maxShort)
	if !isHash(p.Hash) {
		c.fail("photo", "The picture has no proper mark.")
	}
	if len(c.problems) > 0 {
		return out, refuseProblem(c.problems[0])
	}
	return out, nil
}

func isHash(s string) bool {
	b, err := hex.DecodeString(s)
	return err == nil && len(b) == 32 && strings.ToLower(s) == s
}

// CheckPhoto reports what is missing from what is said about a picture, before
// the picture itself is there.
func CheckPhoto(p Photo) error {
	p.Hash = strings.Repeat("0", 64)
	_, err := p.cleaned()
	return err
}

func (u *Upkeep) addPhoto(shipped *Book, c AddPhoto) ([]UpkeepWrite, error) {
	if u.Text(shipped, c.ID) == nil {
		return nil, say.Refuse(say.NotFound, "There is no entry %q here.", c.ID)
	}
	p, err := c.Photo.cleaned()
	if err != nil {
		return nil, err
	}
	if x := u.entries[c.ID]; x != nil {
		if slices.ContainsFunc(x.Photos, func(q Photo) bool { return q.Hash == p.Hash }) {
			return nil, say.Refuse(say.Illegal, "The entry has this picture already.").For("photo")
		}
		if len(x.Photos) >= maxPhotos {
			return nil, say.Refuse(say.Invalid, "An entry can have %d pictures: take one off first.", maxPhotos).For("photo")
		}
	}
	return one(entryStream+c.ID, PhotoAdded{Photo: p}, nil)
}

// checkList reports what is wrong with a list, and codes that nothing has.
func checkList(l *List, has func(Raise) bool) Problems {
	ps := l.Check()
	c := &checker{}
	c.most("raise", len(l.Raise), maxListRows)
	c.most("destinations", len(l.Destinations), maxItems)
	for field, s := range map[string]string{"id": l.ID, "name": l.Name, "source": l.Source} {
		c.longest(field, s, maxShort)
		c.clean(field, s)
	}
	slices.SortFunc(c.problems, func(a, b Problem) int { return strings.Compare(a.Field, b.Field) })
	for i, r := range l.Raise {
		c.longest(fmt.Sprintf("raise[%d].why", i), r.Why, maxWhy)
		switch {
		case r.Entry == "" && r.EPPO == "", has(r):
		case r.Entry != "":
			c.problems = append(c.problems, Problem{Field: fmt.Sprintf("raise[%d].entry", i), Missing: r.Entry, Text: say.T("There is no entry %q.", r.Entry)})
		default:
			c.problems = append(c.problems, Problem{Field: fmt.Sprintf("raise[%d].eppo", i), Missing: r.EPPO, Text: say.T("No entry has the EPPO code %q.", r.EPPO)})
		}
	}
	return append(ps, c.problems...)
}

func (u *Upkeep) switchList(shipped *Book, c SwitchList) ([]UpkeepWrite, error) {
	l, x := u.ListInForce(shipped, c.ID), u.lists[c.ID]
	dest := oneLine(c.Destination)
	switch {
	case l == nil:
		return nil, say.Refuse(say.NotFound, "There is no list %q here.", c.ID)
	case !l.Optional:
		return nil, say.Refuse(say.Illegal, "%s names its destinations itself: it cannot be switched.", l.Name)
	case x != nil && x.Retired != nil:
		return nil, say.Refuse(say.Illegal, "%s is retired: bring it back first.", l.Name)
	case dest == "":
		return nil, say.Refuse(say.Invalid, "Name the destination.").For("destination")
	case utf8.RuneCountInString(dest) > 80:
		return nil, say.Refuse(say.Invalid, "The destination is longer than 80 characters: shorten it.").For("destination")
	}
	k := &checker{}
	if k.clean("destination", dest); len(k.problems) > 0 {
		return nil, refuseProblem(k.problems[0])
	}
	on := x != nil && slices.ContainsFunc(x.On, func(d string) bool { return sameDestination(d, dest) })
	if on == c.On {
		if on {
			return nil, say.Refuse(say.Illegal, "%s is on for %s already.", l.Name, dest)
		}
		return nil, say.Refuse(say.Illegal, "%s is not on for %s.", l.Name, dest)
	}
	why, err := reason(c.Why)
	return one(listStream+c.ID, ListSwitched{Destination: dest, On: c.On, Why: why}, err)
}

func (u *Upkeep) retireList(shipped *Book, id, why string, back bool) ([]UpkeepWrite, error) {
	l, x := u.ListInForce(shipped, id), u.lists[id]
	gone := x != nil && x.Retired != nil
	switch {
	case l == nil:
		return nil, say.Refuse(say.NotFound, "There is no list %q here.", id)
	case back && !gone:
		return nil, say.Refuse(say.Illegal, "The list is not retired.")
	case !back && gone:
		return nil, say.Refuse(say.Illegal, "The list is retired already.")
	}
	why, err := reason(why)
	if back {
		return one(listStream+id, ListRestored{Why: why}, err)
	}
	return one(listStream+id, ListRetired{Why: why}, err)
}

// Lowers reports whether the site asks for less than the text does.
func (l Local) Lowers(e *Entry) bool { return l.Action.Valid() && l.Action < e.Action }

// Asks gives the rung that the entry asks for here before any list: the site's
// own or that of the text.
func (l Local) Asks(e *Entry) ladder.Rung {
	if l.Action.Valid() {
		return l.Action
	}
	return e.Action
}
