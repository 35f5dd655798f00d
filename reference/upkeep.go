package reference

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"lastlook/internal/exact"
	"lastlook/internal/ladder"
	"lastlook/internal/say"
)

// This file and its neighbours upkeep_*.go are the supervisor's upkeep of the
// reference: what a site changes in the shipped reference, as a history.
//
// [Upkeep] is the state, made from events by [Upkeep.With]; [Upkeep.Decide] turns
// a command into events; [Upkeep.Book] lays the state over the shipped book.
// [Diff] and [ThreeWay] compare revisions, [WritePack] and [ReadPack] carry
// entries and lists from site to site.
//
// Nothing here keeps anything: whoever stores the events hands them in.

// Streams of the events, all of which begin with "reference".
const (
	shippedStream = "reference"
	entryStream   = "reference/"
	listStream    = "reference-list/"
)

// UpkeepEvent is something that happened to the reference of a site.
type UpkeepEvent interface {
	Kind() string
	// Said tells it in a few words, for histories and refusals.
	Said() say.Text
}

// Ship names one shipped text.
type Ship struct {
	Revision int    `json:"revision"`
	Hash     string `json:"hash"` // of the entry or list, hex
}

// PackName says which pack a text came in.
type PackName struct {
	Name string `json:"name"`
	Hash string `json:"hash"` // SHA-256 of the pack as read, hex
}

// Local is what a site adds to an entry without changing its text: words and
// hosts by which it is known here, what it asks for here, and a note. It stays when
// the text is replaced.
type Local struct {
	Names     []string    `json:"names,omitempty"`
	Hosts     []string    `json:"hosts,omitempty"`
	Note      string      `json:"note,omitempty"`
	Action    ladder.Rung `json:"action,omitempty"` // in place of the entry's own; 0 for none
	ActionWhy string      `json:"action_why,omitempty"`
}

// IsZero reports whether the site adds nothing.
func (l Local) IsZero() bool {
	return len(l.Names) == 0 && len(l.Hosts) == 0 && l.Note == "" && l.Action == 0 && l.ActionWhy == ""
}

// Over gives the entry with the site's own words laid over it. The note is no
// part of an entry.
func (l Local) Over(e *Entry) *Entry {
	if len(l.Names) == 0 && len(l.Hosts) == 0 && l.Action == 0 {
		return e
	}
	out := *e
	out.OtherNames = addNew(e.OtherNames, l.Names)
	out.HostWords = addNew(e.HostWords, l.Hosts)
	if l.Action.Valid() {
		out.Action, out.ActionWhy = l.Action, l.ActionWhy
	}
	return &out
}

func addNew(have, more []string) []string {
	out := slices.Clone(have)
	for _, s := range more {
		if !slices.ContainsFunc(out, func(h string) bool { return strings.EqualFold(h, s) }) {
			out = append(out, s)
		}
	}
	return out
}

// Photo is a picture of an entry. The picture itself is kept elsewhere, under
// its hash.
type Photo struct {
	Hash    string `json:"hash"` // SHA-256 of the picture, hex
	Caption string `json:"caption"`
	Credit  string `json:"credit"` // who took it, or where it is from
}

// The events.
type (
	// ShippedTaken notes which shipped texts the program brought, so that it stays
	// known which text was in force when. Only what differs from before is named.
	ShippedTaken struct {
		Entries map[string]Ship `json:"entries,omitempty"`
		Lists   map[string]Ship `json:"lists,omitempty"`
		Gone    []string        `json:"gone,omitempty"` // ids of entries no longer shipped
	}
	// EntryPublished puts a text in force. Base is the hash of the shipped text it
	// was made from, "" if none is shipped.
	EntryPublished struct {
		Entry *Entry    `json:"entry"`
		Base  string    `json:"base,omitempty"`
		Why   string    `json:"why"`
		Pack  *PackName `json:"pack,omitempty"`
	}
	// EntryKept leaves the site's text in force beside a newer shipped one.
	EntryKept struct {
		Shipped string `json:"shipped"`
		Why     string `json:"why"`
	}
	// EntryFollowed puts the shipped text in force again.
	EntryFollowed struct {
		Shipped string `json:"shipped"`
		Why     string `json:"why"`
	}
	// EntryRetired takes an entry out of search. It stays readable.
	EntryRetired struct {
		Why string `json:"why"`
	}
	// EntryRestored brings a retired entry back.
	EntryRestored struct {
		Why string `json:"why"`
	}
	// EntryLocalised replaces what the site adds to an entry.
	EntryLocalised struct {
		Local
		Why string `json:"why"`
	}
	// PhotoAdded adds a picture to an entry.
	PhotoAdded struct {
		Photo
		Pack *PackName `json:"pack,omitempty"`
	}
	// PhotoRemoved takes a picture off an entry. The picture stays in the data file.
	PhotoRemoved struct {
		Hash string `json:"hash"`
		Why  string `json:"why"`
	}
	// ListPublished puts a destination list in force.
	ListPublished struct {
		List *List     `json:"list"`
		Base string    `json:"base,omitempty"`
		Why  string    `json:"why"`
		Pack *PackName `json:"pack,omitempty"`
	}
	// ListSwitched switches an optional list on or off for a destination.
	ListSwitched struct {
		Destination string `json:"destination"`
		On          bool   `json:"on"`
		Why         string `json:"why"`
	}
	// ListRetired puts a list out of force everywhere.
	ListRetired struct {
		Why string `json:"why"`
	}
	// ListRestored puts a retired list in force again.
	ListRestored struct {
		Why string `json:"why"`
	}
)

// Kinds in storage.
func (ShippedTaken) Kind() string   { return "reference_taken" }
func (EntryPublished) Kind() string { return "entry_published" }
func (EntryKept) Kind() string      { return "entry_kept" }
func (EntryFollowed) Kind() string  { return "entry_followed" }
func (EntryRetired) Kind() string   { return "entry_retired" }
func (EntryRestored) Kind() string  { return "entry_restored" }
func (EntryLocalised) Kind() string { return "entry_localised" }
func (PhotoAdded) Kind() string     { return "entry_photo_added" }
func (PhotoRemoved) Kind() string   { return "entry_photo_removed" }
func (ListPublished) Kind() string  { return "list_published" }
func (ListSwitched) Kind() string   { return "list_switched" }
func (ListRetired) Kind() string    { return "list_retired" }
func (ListRestored) Kind() string   { return "list_restored" }

// Said tells the event in a few words.
func (e ShippedTaken) Said() say.Text {
	return say.T("the program brought %d changed texts", len(e.Entries)+len(e.Lists))
}

// Said tells the event in a few words.
func (e EntryPublished) Said() say.Text {
	if e.Pack != nil {
		return say.T("revision %d published from the pack %s", e.Entry.Revision, e.Pack.Name)
	}
	return say.T("revision %d published", e.Entry.Revision)
}

// Said tells the event in a few words.
func (EntryKept) Said() say.Text { return say.T("our text kept beside the newer shipped one") }

// Said tells the event in a few words.
func (EntryFollowed) Said() say.Text { return say.T("the shipped text put in force again") }

// Said tells the event in a few words.
func (EntryRetired) Said() say.Text { return say.T("retired") }

// Said tells the event in a few words.
func (EntryRestored) Said() say.Text { return say.T("brought back") }

// Said tells the event in a few words.
func (EntryLocalised) Said() say.Text { return say.T("own words of this site changed") }

// Said tells the event in a few words.
func (e PhotoAdded) Said() say.Text { return say.T("picture added: %s", e.Caption) }

// Said tells the event in a few words.
func (PhotoRemoved) Said() say.Text { return say.T("picture taken off") }

// Said tells the event in a few words.
func (e ListPublished) Said() say.Text {
	if e.Pack != nil {
		return say.T("published from the pack %s", e.Pack.Name)
	}
	return say.T("published")
}

// Said tells the event in a few words.
func (e ListSwitched) Said() say.Text {
	if e.On {
		return say.T("switched on for %s", e.Destination)
	}
	return say.T("switched off for %s", e.Destination)
}

// Said tells the event in a few words.
func (ListRetired) Said() say.Text { return say.T("retired") }

// Said tells the event in a few words.
func (ListRestored) Said() say.Text { return say.T("brought back") }

// reasonOf gives the reason that was given with an event, if any.
func reasonOf(e UpkeepEvent) string {
	switch e := e.(type) {
	case EntryPublished:
		return e.Why
	case EntryKept:
		return e.Why
	case EntryFollowed:
		return e.Why
	case EntryRetired:
		return e.Why
	case EntryRestored:
		return e.Why
	case EntryLocalised:
		return e.Why
	case PhotoRemoved:
		return e.Why
	case ListPublished:
		return e.Why
	case ListSwitched:
		return e.Why
	case ListRetired:
		return e.Why
	case ListRestored:
		return e.Why
	}
	return ""
}

// EncodeUpkeep gives the stored bytes of an event.
func EncodeUpkeep(e UpkeepEvent) ([]byte, error) {
	return exact.JSON(e)
}

var upkeepDecoders = map[string]func([]byte) (UpkeepEvent, error){
	"reference_taken":     upkeepAs[ShippedTaken],
	"entry_published":     upkeepAs[EntryPublished],
	"entry_kept":          upkeepAs[EntryKept],
	"entry_followed":      upkeepAs[EntryFollowed],
	"entry_retired":       upkeepAs[EntryRetired],
	"entry_restored":      upkeepAs[EntryRestored],
	"entry_localised":     upkeepAs[EntryLocalised],
	"entry_photo_added":   upkeepAs[PhotoAdded],
	"entry_photo_removed": upkeepAs[PhotoRemoved],
	"list_published":      upkeepAs[ListPublished],
	"list_switched":       upkeepAs[ListSwitched],
	"list_retired":        upkeepAs[ListRetired],
	"list_restored":       upkeepAs[ListRestored],
}

// DecodeUpkeep reads what EncodeUpkeep wrote.
func DecodeUpkeep(kind string, b []byte) (UpkeepEvent, error) {
	f := upkeepDecoders[kind]
	if f == nil {
		return nil, say.Refuse(say.Storage, "The history of the reference holds a step of a kind this version does not know (%s). Start a newer version of Lastlook.", kind)
	}
	return f(b)
}

func upkeepAs[E UpkeepEvent](b []byte) (UpkeepEvent, error) {
	var e E
	err := json.Unmarshal(b, &e)
	return e, err
}

// UpkeepRecord is an event as it stands in the history.
type UpkeepRecord struct {
	Seq     int64 // place in the site's whole history
	Stream  string
	Version int // place in the stream, from 1
	At      time.Time
	By      string // name of whoever did it
	ByID    string
	Event   UpkeepEvent
}

// Why gives the reason that was given, "" if none was asked for.
func (r UpkeepRecord) Why() string { return reasonOf(r.Event) }

// Said tells who did what, when and why.
func (r UpkeepRecord) Said() say.Text {
	if why := r.Why(); why != "" {
		return say.T("%s: %s (%s, “%s”)", r.By, r.Event.Said(), say.Moment(r.At), why)
	}
	return say.T("%s: %s (%s)", r.By, r.Event.Said(), say.Moment(r.At))
}

// UpkeepWrite is an event on its way into a stream.
type UpkeepWrite struct {
	Stream string
	Event  UpkeepEvent
}

// ParseCanonical reads an entry from its canonical form, as kept under its hash.
func ParseCanonical(b []byte) (*Entry, error) {
	var e Entry
	dec := json.NewDecoder(bytes.NewReader(b))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&e); err != nil {
		return nil, fmt.Errorf("reference: kept text: %w", err)
	}
	return &e, nil
}
