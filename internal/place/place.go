// Package place says which places of a site have a code to scan: bays, stores,
// benches, the gate.
//
// The list is kept by the supervisor and is a history like everything else:
// [Decide] turns a command into events, [List.Apply] makes the list from them. A
// place that is given up is retired, never deleted, so that old records keep its
// name. The kind of a place never changes, because the card that hangs there says it
// and because it decides what may stand there: whoever turns a bench into a store
// retires the one and makes the other. What stands where is not known here.
package place

import (
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"lastlook/internal/exact"
	"lastlook/internal/say"
)

// Kind is what a place is for.
type Kind string

// The kinds, as stored.
const (
	QuarantineBay Kind = "quarantine_bay" // goods that are rejected, held or stopped
	PassedStore   Kind = "passed_store"   // goods that passed, until they are loaded
	Bench         Kind = "bench"          // an inspection station
	Gate          Kind = "gate"           // where goods are loaded
	SampleStore   Kind = "sample_store"   // samples on their way to the laboratory
)

// Kinds lists the kinds, as they are offered.
var Kinds = []Kind{QuarantineBay, PassedStore, Bench, Gate, SampleStore}

// Words names the kind.
func (k Kind) Words() say.Text {
	switch k {
	case QuarantineBay:
		return say.T("Quarantine bay")
	case PassedStore:
		return say.T("Store for passed goods")
	case Bench:
		return say.T("Bench")
	case Gate:
		return say.T("Gate")
	case SampleStore:
		return say.T("Sample store")
	}
	return say.T("%s", string(k))
}

// Rule says what holds in such a place, in one sentence, for the card that hangs
// there.
func (k Kind) Rule() say.Text {
	switch k {
	case QuarantineBay:
		return say.T("Nothing leaves this place unless the supervisor says so.")
	case PassedStore:
		return say.T("Only goods that passed. At least 1 m from goods that were not inspected.")
	case Bench:
		return say.T("Cleaned before and after every inspection.")
	case Gate:
		return say.T("Scan every consignment before it is loaded.")
	case SampleStore:
		return say.T("Samples only. Do not open them.")
	}
	return say.Text{}
}

// Place is a place on the list. ID is the payload of its code.
type Place struct {
	ID      string
	Kind    Kind
	Name    string
	Where   string // how to get there, if somebody wrote it
	Retired bool
}

// Event is something that happened to the list.
type Event interface{ Kind() string }

// The events.
type (
	// Made puts a place on the list.
	Made struct {
		ID    string `json:"id"`
		Sort  Kind   `json:"sort"`
		Name  string `json:"name"`
		Where string `json:"where,omitempty"`
	}
	// Changed gives a place another name, or another way to get there.
	Changed struct {
		ID    string `json:"id"`
		Name  string `json:"name"`
		Where string `json:"where,omitempty"`
	}
	// Retired gives a place up.
	Retired struct {
		ID string `json:"id"`
	}
)

// Kind names the event in storage.
func (Made) Kind() string { return "place_made" }

// Kind names the event in storage.
func (Changed) Kind() string { return "place_changed" }

// Kind names the event in storage.
func (Retired) Kind() string { return "place_retired" }

// Encode gives the stored bytes of an event.
func Encode(e Event) ([]byte, error) { return exact.JSON(e) }

// Decode reads what Encode wrote.
func Decode(kind string, b []byte) (Event, error) {
	switch kind {
	case "place_made":
		return exact.Read[Made](b)
	case "place_changed":
		return exact.Read[Changed](b)
	case "place_retired":
		return exact.Read[Retired](b)
	}
	return nil, say.Refuse(say.Storage, "The list of places holds a step of a kind this version does not know (%s). Start a newer version of Lastlook.", kind)
}

// List is the list of places as its events make it.
type List struct {
	Places  []Place // in the order in which they were made
	Version int
	LastAt  time.Time
}

// Place finds a place by ID, retired or not.
func (l *List) Place(id string) (Place, bool) {
	i := l.index(id)
	if i < 0 {
		return Place{}, false
	}
	return l.Places[i], true
}

func (l *List) index(id string) int {
	return slices.IndexFunc(l.Places, func(p Place) bool { return p.ID == id })
}

// InUse gives the places that were not given up; with kinds, only those of
// these kinds.
func (l *List) InUse(kinds ...Kind) []Place {
	var ps []Place
	for _, p := range l.Places {
		if !p.Retired && (len(kinds) == 0 || slices.Contains(kinds, p.Kind)) {
			ps = append(ps, p)
		}
	}
	return ps
}

// Apply adds one event to the list.
func (l *List) Apply(e Event, at time.Time) error {
	switch e := e.(type) {
	case Made:
		if l.index(e.ID) >= 0 {
			return fmt.Errorf("place: %s made twice", e.ID)
		}
		l.Places = append(l.Places, Place{ID: e.ID, Kind: e.Sort, Name: e.Name, Where: e.Where})
	case Changed:
		i := l.index(e.ID)
		if i < 0 {
			return fmt.Errorf("place: %s changed before it was made", e.ID)
		}
		l.Places[i].Name, l.Places[i].Where = e.Name, e.Where
	case Retired:
		i := l.index(e.ID)
		if i < 0 {
			return fmt.Errorf("place: %s retired before it was made", e.ID)
		}
		l.Places[i].Retired = true
	}
	l.Version++
	l.LastAt = at
	return nil
}

// Command is a change somebody wants to make to the list.
type Command interface{ isCommand() }

// The commands.
type (
	// Make puts a place on the list. ID is made by the caller.
	Make struct {
		ID    string
		Kind  Kind
		Name  string
		Where string
	}
	// Change gives a place another name, or another way to get there.
	Change struct {
		ID    string
		Name  string
		Where string
	}
	// Retire gives a place up.
	Retire struct{ ID string }
)

func (Make) isCommand()   {}
func (Change) isCommand() {}
func (Retire) isCommand() {}

// The longest name and the longest way there, in characters: what fits on a card.
const (
	MaxName  = 40
	MaxWhere = 120
)

// Decide says what follows from a command, or refuses it in words. Who may give it
// is asked elsewhere.
func Decide(l *List, c Command) ([]Event, error) {
	switch c := c.(type) {
	case Make:
		if !slices.Contains(Kinds, c.Kind) {
			return nil, say.Refuse(say.Invalid, "Choose what the place is for.").For("kind")
		}
		name, where, err := l.check(c.ID, c.Name, c.Where)
		if err != nil {
			return nil, err
		}
		if _, here := l.Place(c.ID); here || c.ID == "" {
			return nil, say.Refuse(say.Conflict, "That code belongs to another place already: try again.")
		}
		return []Event{Made{ID: c.ID, Sort: c.Kind, Name: name, Where: where}}, nil
	case Change:
		p, err := l.used(c.ID)
		if err != nil {
			return nil, err
		}
		name, where, err := l.check(c.ID, c.Name, c.Where)
		if err != nil {
			return nil, err
		}
		if name == p.Name && where == p.Where {
			return nil, say.Refuse(say.Invalid, "Nothing is changed yet: write another name, or how to get there.").For("name")
		}
		return []Event{Changed{ID: c.ID, Name: name, Where: where}}, nil
	case Retire:
		if _, err := l.used(c.ID); err != nil {
			return nil, err
		}
		return []Event{Retired{ID: c.ID}}, nil
	}
	return nil, say.Refuse(say.Invalid, "The list does not know this step.")
}

// used finds a place that was not given up.
func (l *List) used(id string) (Place, error) {
	p, here := l.Place(id)
	switch {
	case !here:
		return p, say.Refuse(say.NotFound, "There is no place with that code on the list.")
	case p.Retired:
		return p, say.Refuse(say.NotFound, "%s was given up: take its card down. Make a new place if there is one again.", p.Name)
	}
	return p, nil
}

func (l *List) check(id, name, where string) (string, string, error) {
	name, where = oneLine(name), oneLine(where)
	switch {
	case name == "":
		return "", "", say.Refuse(say.Invalid, "The name is missing.").For("name")
	case utf8.RuneCountInString(name) > MaxName:
		return "", "", say.Refuse(say.Invalid, "The name is longer than %d characters: shorten it.", MaxName).For("name")
	case utf8.RuneCountInString(where) > MaxWhere:
		return "", "", say.Refuse(say.Invalid, "The way there is longer than %d characters: shorten it.", MaxWhere).For("where")
	}
	for _, p := range l.InUse() {
		if p.ID != id && strings.EqualFold(p.Name, name) {
			return "", "", say.Refuse(say.Conflict, "%s is on the list already: add something that tells the two apart.", p.Name).For("name")
		}
	}
	return name, where, nil
}

func oneLine(s string) string {
	return strings.Join(strings.FieldsFunc(s, func(c rune) bool { return unicode.IsSpace(c) || unicode.IsControl(c) }), " ")
}
