// Package people says who works at the bench: names, badges and roles.
//
// The list is kept by the supervisor and is a history like everything else:
// [Decide] turns a command into events, [Fold] makes the [Roster] from them.
// Somebody who leaves is retired, never deleted, so that old records keep their
// names. The package asks for no PIN and grants nothing: where a role is needed
// is said by the core and by the screens.
package people

import (
	"encoding/json"
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

// Person is somebody on the list. ID is the payload of the person's badge.
type Person struct {
	ID      string
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
)

// Kinds in storage.
func (Joined) Kind() string  { return "person_joined" }
func (Changed) Kind() string { return "person_changed" }
func (Left) Kind() string    { return "person_left" }

// Encode gives the stored bytes of an event.
func Encode(e Event) ([]byte, error) {
	return exact.JSON(e)
}

// Decode reads what Encode wrote.
func Decode(kind string, b []byte) (Event, error) {
	switch kind {
	case "person_joined":
		return decodeAs[Joined](b)
	case "person_changed":
		return decodeAs[Changed](b)
	case "person_left":
		return decodeAs[Left](b)
	}
	return nil, say.Refuse(say.Storage, "The list of people holds a step of a kind this version does not know (%s). Start a newer version of Lastlook.", kind)
}

func decodeAs[E Event](b []byte) (Event, error) {
	var e E
	err := json.Unmarshal(b, &e)
	return e, err
}

// Roster is the list of people as its events make it.
type Roster struct {
	People  []Person // in the order in which they joined
	Version int
	LastAt  time.Time
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

// Working gives those who have not left.
func (r *Roster) Working() []Person {
	return slices.DeleteFunc(slices.Clone(r.People), func(p Person) bool { return p.Retired })
}

// Apply adds one event to the list.
func (r *Roster) Apply(e Event, at time.Time) error {
	switch e := e.(type) {
	case Joined:
		r.People = append(r.People, Person{ID: e.ID, Name: e.Name, Roles: e.Roles})
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
	}
	r.Version++
	r.LastAt = at
	return nil
}

// Command is a change somebody wants to make to the list.
type Command interface{ isCommand() }

// The commands.
type (
	// Join puts a person on the list. ID is made by the caller.
	Join struct {
		ID    string
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
)

func (Join) isCommand()   {}
func (Change) isCommand() {}
func (Leave) isCommand()  {}

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
		if _, here := r.Person(c.ID); here || c.ID == "" {
			return nil, say.Refuse(say.Conflict, "That badge belongs to somebody already: try again.")
		}
		return []Event{Joined{ID: c.ID, Name: name, Roles: c.Roles}}, nil
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
