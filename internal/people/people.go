// Package people says who works at the bench: names, badges and roles.
//
// The list is kept by the supervisor and is a history like everything else:
// [Decide] turns a command into events, [Fold] makes the [Roster] from them.
// Somebody who leaves is retired, never deleted, so that old records keep their
// names. The package asks for no PIN and grants nothing: where a role is needed
// is said by the core and by the screens.
package people

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

// The roles. One person may have several.
const (
	Inspector  = "inspector"
	Trainee    = "trainee"
	Supervisor = "supervisor"
)

// Roles lists the roles.
var Roles = []string{Inspector, Trainee, Supervisor}

// RoleWords names a role on screen and paper.
func RoleWords(role string) say.Text {
	switch role {
	case Inspector:
		return say.T("inspector")
	case Trainee:
		return say.T("trainee")
	case Supervisor:
		return say.T("supervisor")
	}
	return say.T("%s", role)
}

// Person is somebody on the list. ID stands on every step the person takes, and so
// in every record that leaves the house. Badge is the payload of the badge that is in
// force, which does not: whoever reads a record cannot print a badge from it.
// People who joined before badges were apart have their ID as badge, until they are
// given another.
type Person struct {
	ID      string
	Badge   string
	Name    string
	Roles   []string
	Retired bool
}

// Has reports whether the person has the role.
func (p Person) Has(role string) bool { return slices.Contains(p.Roles, role) }

// Event is something that happened to the list.
type Event interface{ Kind() string }

// The events.
type (
	// Joined puts a person on the list.
	Joined struct {
		ID    string   `json:"id"`
		Name  string   `json:"name"`
		Roles []string `json:"roles"`
	}
	// Changed gives a person another name or other roles.
	Changed struct {
		ID    string   `json:"id"`
		Name  string   `json:"name"`
		Roles []string `json:"roles"`
	}
	// Left retires a person.
	Left struct {
		ID string `json:"id"`
	}
	// BadgeGiven gives a person a badge. The one before is void from then on.
	BadgeGiven struct {
		ID    string `json:"id"`
		Badge string `json:"badge"`
	}
)

// Kinds in storage.
func (Joined) Kind() string  { return "person_joined" }
func (Changed) Kind() string { return "person_changed" }
func (Left) Kind() string    { return "person_left" }

// Kind of BadgeGiven in storage.
func (BadgeGiven) Kind() string { return "badge_given" }

// Encode gives the stored bytes of an event.
func Encode(e Event) ([]byte, error) {
	return exact.JSON(e)
}

// Decode reads what Encode wrote.
func Decode(kind string, b []byte) (Event, error) {
	switch kind {
	case "person_joined":
		return exact.Read[Joined](b)
	case "person_changed":
		return exact.Read[Changed](b)
	case "person_left":
		return exact.Read[Left](b)
	case "badge_given":
		return exact.Read[BadgeGiven](b)
	}
	return nil, say.Refuse(say.Storage, "The list of people holds a step of a kind this version does not know (%s). Start a newer version of Lastlook.", kind)
}

// Roster is the list of people as its events make it.
type Roster struct {
	People  []Person // in the order in which they joined
	Version int
	LastAt  time.Time

	void map[string]string // badges that were in force once, and the ID of who had them
}

// Person finds somebody by ID.
func (r *Roster) Person(id string) (Person, bool) {
	for _, p := range r.People {
		if p.ID == id {
			return p, true
		}
	}
	return Person{}, false
}

// ByBadge finds the person with a badge that is in force.
func (r *Roster) ByBadge(payload string) (Person, bool) {
	for _, p := range r.People {
		if p.Badge == payload && payload != "" && !p.Retired {
			return p, true
		}
	}
	return Person{}, false
}

// HadBadge finds who had a badge that is not in force any more: the person has
// another one now, or has left.
func (r *Roster) HadBadge(payload string) (Person, bool) {
	if id, ok := r.void[payload]; ok {
		return r.Person(id)
	}
	for _, p := range r.People {
		if p.Badge == payload && payload != "" && p.Retired {
			return p, true
		}
	}
	return Person{}, false
}

// Used reports whether an ID or badge was ever used on this list, as either: neither
// is used twice.
func (r *Roster) Used(payload string) bool {
	if _, ok := r.void[payload]; ok {
		return true
	}
	return slices.ContainsFunc(r.People, func(p Person) bool { return p.ID == payload || p.Badge == payload })
}

// Working gives those who have not left.
func (r *Roster) Working() []Person {
	return slices.DeleteFunc(slices.Clone(r.People), func(p Person) bool { return p.Retired })
}

// Apply adds one event to the list.
func (r *Roster) Apply(e Event, at time.Time) error {
	switch e := e.(type) {
	case Joined:
		r.People = append(r.People, Person{ID: e.ID, Badge: e.ID, Name: e.Name, Roles: e.Roles})
	case Changed:
		i := slices.IndexFunc(r.People, func(p Person) bool { return p.ID == e.ID })
		if i < 0 {
			return fmt.Errorf("people: %s changed before joining", e.ID)
		}
		r.People[i].Name, r.People[i].Roles = e.Name, e.Roles
	case Left:
		i := slices.IndexFunc(r.People, func(p Person) bool { return p.ID == e.ID })
		if i < 0 {
			return fmt.Errorf("people: %s left before joining", e.ID)
		}
		r.People[i].Retired = true
	case BadgeGiven:
		i := slices.IndexFunc(r.People, func(p Person) bool { return p.ID == e.ID })
		if i < 0 {
			return fmt.Errorf("people: %s has a badge before joining", e.ID)
		}
		if r.void == nil {
			r.void = map[string]string{}
		}
		r.void[r.People[i].Badge] = e.ID
		r.People[i].Badge = e.Badge
	}
	r.Version++
	r.LastAt = at
	return nil
}

// Command is a change somebody wants to make to the list.
type Command interface{ isCommand() }

// The commands.
type (
	// Join puts a person on the list. ID and Badge are made by the caller; without a
	// Badge the ID is the badge.
	Join struct {
		ID    string
		Badge string
		Name  string
		Roles []string
	}
	// Change gives a person another name or other roles.
	Change struct {
		ID    string
		Name  string
		Roles []string
	}
	// Leave retires a person.
	Leave struct{ ID string }
	// GiveBadge gives a person a new badge, because the old one is lost, or can be
	// read in records. Badge is made by the caller.
	GiveBadge struct{ ID, Badge string }
)

func (Join) isCommand()   {}
func (Change) isCommand() {}
func (Leave) isCommand()  {}

func (GiveBadge) isCommand() {}

// Decide says what follows from a command, or refuses it in words. Who may give
// it is asked elsewhere; what it does here is keep the list sound, above all
// that it never loses its last supervisor.
func Decide(r *Roster, c Command) ([]Event, error) {
	switch c := c.(type) {
	case Join:
		name, err := checkPerson(r, c.ID, c.Name, c.Roles)
		if err != nil {
			return nil, err
		}
		if c.ID == "" || r.Used(c.ID) || r.Used(c.Badge) {
			return nil, say.Refuse(say.Conflict, "That badge belongs to somebody already: try again.")
		}
		events := []Event{Joined{ID: c.ID, Name: name, Roles: c.Roles}}
		if c.Badge != "" && c.Badge != c.ID {
			events = append(events, BadgeGiven{ID: c.ID, Badge: c.Badge})
		}
		return events, nil
	case Change:
		p, here := r.Person(c.ID)
		if !here || p.Retired {
			return nil, say.Refuse(say.NotFound, "There is nobody with that badge on the list.")
		}
		name, err := checkPerson(r, c.ID, c.Name, c.Roles)
		if err != nil {
			return nil, err
		}
		if p.Has(Supervisor) && !slices.Contains(c.Roles, Supervisor) && r.supervisors() == 1 {
			return nil, say.Refuse(say.Illegal, "%s is the last supervisor: make somebody else a supervisor first.", p.Name)
		}
		return []Event{Changed{ID: c.ID, Name: name, Roles: c.Roles}}, nil
	case Leave:
		p, here := r.Person(c.ID)
		if !here || p.Retired {
			return nil, say.Refuse(say.NotFound, "There is nobody with that badge on the list.")
		}
		if p.Has(Supervisor) && r.supervisors() == 1 {
			return nil, say.Refuse(say.Illegal, "%s is the last supervisor: make somebody else a supervisor first.", p.Name)
		}
		return []Event{Left{ID: c.ID}}, nil
	case GiveBadge:
		p, here := r.Person(c.ID)
		if !here || p.Retired {
			return nil, say.Refuse(say.NotFound, "There is nobody with that badge on the list.")
		}
		if c.Badge == "" || r.Used(c.Badge) {
			return nil, say.Refuse(say.Conflict, "That badge belongs to somebody already: try again.")
		}
		return []Event{BadgeGiven{ID: c.ID, Badge: c.Badge}}, nil
	}
	return nil, say.Refuse(say.Invalid, "The list does not know this step.")
}

func (r *Roster) supervisors() int {
	n := 0
	for _, p := range r.Working() {
		if p.Has(Supervisor) {
			n++
		}
	}
	return n
}

func checkPerson(r *Roster, id, name string, roles []string) (string, error) {
	name = strings.Join(strings.FieldsFunc(name, func(c rune) bool { return unicode.IsSpace(c) || unicode.IsControl(c) }), " ")
	switch {
	case name == "":
		return "", say.Refuse(say.Invalid, "The name is missing.").For("name")
	case utf8.RuneCountInString(name) > 80:
		return "", say.Refuse(say.Invalid, "The name is longer than 80 characters: shorten it.").For("name")
	case len(roles) == 0:
		return "", say.Refuse(say.Invalid, "Choose at least one role.").For("roles")
	}
	for _, role := range roles {
		if !slices.Contains(Roles, role) {
			return "", say.Refuse(say.Invalid, "%q is not a role: choose inspector, trainee or supervisor.", role).For("roles")
		}
	}
	for _, p := range r.Working() {
		if p.ID != id && strings.EqualFold(p.Name, name) {
			return "", say.Refuse(say.Conflict, "%s is on the list already: add something that tells the two apart.", p.Name).For("name")
		}
	}
	return name, nil
}
