package kiosk

import (
	"html/template"
	"net/http"
	"slices"
	"strings"

	"github.com/gin-gonic/gin"

	"lastlook/internal/code"
	"lastlook/internal/consignment"
	"lastlook/internal/people"
	"lastlook/internal/say"
)

// peoplePage lists who works at the bench. A supervisor adds to it there; while it
// is empty anybody may put themselves on it, as the first supervisor.
var peoplePage = declarePage("people")

type peopleView struct {
	Base
	Question Question
	Table    Table
	Form     *personForm // nil for those who may only look
	Locked   Notice
	Badges   Act
}

// personForm is the form for a person, new or changed.
type personForm struct {
	Action string
	Head   say.Text
	Why    say.Text
	Name   Field
	Roles  *Choices // nil for the first supervisor, who has no choice
	Keep   Act
}

func (k *kiosk) peopleList(c *gin.Context) error { return k.showPeople(c, nil) }

// showPeople shows the list, with what was typed and why it was refused.
func (k *kiosk) showPeople(c *gin.Context, refused *say.Refusal) error {
	roster, err := k.store.Roster(c.Request.Context())
	if err != nil {
		return err
	}
	edit := canEdit(c)
	v := &peopleView{
		Base:     k.page(c, say.T("People")),
		Question: Question{Text: say.T("People"), Help: say.T("Who may work at the bench, and as what. Their names stand on every step.")},
		Table:    peopleTable(roster, edit),
		Badges:   Act{Label: say.T("Badges to print"), Symbol: "print", Href: "/badges"},
		Locked:   Notice{Tone: toneNote, Text: say.T("Only a supervisor can change the list."), Detail: say.T("Ask one to scan their badge.")},
	}
	switch {
	case len(roster.Working()) == 0:
		v.Question = Question{Text: say.T("Who is the first supervisor?"),
			Help: say.T("Nobody is on the list yet. Whoever is put on it first is the supervisor, and puts the others on.")}
		v.Form = &personForm{
			Action: "/people", Name: nameField(""),
			Keep: Act{Label: say.T("Put me on the list"), Hint: say.T("as supervisor and inspector"), Symbol: "person", Weight: weightBig},
		}
	case edit:
		roles := rolesChoices([]string{people.Inspector})
		v.Form = &personForm{
			Action: "/people", Head: say.T("Put somebody on the list"), Name: nameField(""), Roles: &roles,
			Keep: Act{Label: say.T("Put on the list"), Symbol: "person", Weight: weightBig},
		}
	}
	status := http.StatusOK
	if refused != nil && v.Form != nil {
		status = statuses[refused.Code]
		v.Form.refill(c, refused)
	}
	return k.render(c, status, peoplePage, v)
}

func nameField(value string) Field {
	return Field{Name: "name", Label: say.T("Name"), Hint: say.T("As it should stand on records."), Value: value, Required: true}
}

func rolesChoices(chosen []string) Choices {
	hints := map[string]say.Text{
		people.Inspector:  say.T("examines and decides finds"),
		people.Trainee:    say.T("learns, works under an inspector"),
		people.Supervisor: say.T("sets rules, answers stops, keeps this list"),
	}
	ch := Choices{Name: "roles", Legend: say.T("Roles"), Hint: say.T("One or more."), Many: true}
	for _, r := range people.Roles {
		ch.Tiles = append(ch.Tiles, Choice{Value: r, Label: people.RoleWords(r), Hint: hints[r], Chosen: slices.Contains(chosen, r)})
	}
	return ch
}

// refill puts back what was typed and says what is wrong with it.
func (f *personForm) refill(c *gin.Context, refused *say.Refusal) {
	f.Name.Value, f.Name.Focus = c.PostForm("name"), true
	if f.Roles != nil {
		*f.Roles = rolesChoices(c.PostFormArray("roles"))
	}
	switch {
	case refused.Field == "roles" && f.Roles != nil:
		f.Roles.Error = refused.Text
	case refused.Field == "name":
		f.Name.Error = refused.Text
	default:
		f.Why = refused.Text
	}
}

func peopleTable(roster *people.Roster, edit bool) Table {
	t := Table{Caption: say.T("On the list"), Columns: []Column{
		{Label: say.T("Name")}, {Label: say.T("Roles")}, {Label: say.T("Badge")}, {Label: say.T("To print")},
	}, Empty: say.T("Nobody is on the list yet.")}
	gone := func(p people.Person) int {
		if p.Retired {
			return 1
		}
		return 0
	}
	all := slices.Clone(roster.People)
	slices.SortStableFunc(all, func(a, b people.Person) int { return gone(a) - gone(b) })
	for _, p := range all {
		name := Cell{Data: p.Name}
		if edit && !p.Retired {
			name.Href = "/people/" + p.ID
		}
		if p.Retired {
			t.Rows = append(t.Rows, Row{[]Cell{name, {Text: say.T("has left")}, {Text: say.T("no longer valid")}, {Data: "–"}}})
			continue
		}
		t.Rows = append(t.Rows, Row{[]Cell{name, {Text: rolesText(p)}, {Data: unbroken(badgeCode(p).Human())},
			{Text: say.T("badge"), Href: "/people/" + p.ID + "/badge"}}})
	}
	return t
}

// unbroken keeps a code on one line of a narrow table.
func unbroken(code string) string { return strings.ReplaceAll(code, " ", "\u00a0") }

// badgeCode is the identifier on a person's badge.
func badgeCode(p people.Person) code.Code { return code.Code{Kind: code.KindBadge, Payload: p.Badge} }

// addPerson puts somebody on the list. The first one is signed in at once.
func (k *kiosk) addPerson(c *gin.Context) error {
	ctx := c.Request.Context()
	roster, err := k.store.Roster(ctx)
	if err != nil {
		return err
	}
	join := people.Join{Name: c.PostForm("name"), Roles: rolesOf(c)}
	actor := actorOf(c)
	first := len(roster.Working()) == 0
	if first {
		join.Roles = []string{people.Supervisor, people.Inspector}
		actor = consignment.Actor{ID: "office", Name: "first supervisor"}
	}
	after, err := k.store.DoPeople(ctx, actor, benchOf(c), c.PostForm("key"), join)
	if refused := asRefusal(err); refused != nil {
		return k.showPeople(c, refused)
	}
	if err != nil {
		return err
	}
	// Found by name, as the same form sent twice adds nobody: no two people who
	// work here have the same name.
	name := strings.Join(strings.Fields(join.Name), " ")
	i := slices.IndexFunc(after.People, func(p people.Person) bool { return !p.Retired && strings.EqualFold(p.Name, name) })
	switch {
	case i < 0:
		return k.forward(c, "/people")
	case first:
		signIn(c, after.People[i])
		return k.forward(c, "/people")
	}
	tell(c, Flash{Tone: toneRight, Text: say.T("%s is on the list.", after.People[i].Name), Detail: say.T("Print the badge, and it can be scanned.")})
	return k.forward(c, "/people/"+after.People[i].ID+"/badge")
}

// rolesOf gives the roles ticked in the form, in the order of the list.
func rolesOf(c *gin.Context) []string {
	ticked := c.PostFormArray("roles")
	var known, rest []string
	for _, r := range people.Roles {
		if slices.Contains(ticked, r) {
			known = append(known, r)
		}
	}
	for _, r := range ticked {
		if !slices.Contains(known, r) {
			rest = append(rest, r) // refused by the list, in words
		}
	}
	return append(known, rest...)
}

// personPage changes one person, or takes them off the list.
var personPage = declarePage("person")

type personView struct {
	Base
	Heading Question
	Form    personForm
	Leave   Act
	Left    Notice
	Badge   Act
	New     Act    // gives a new badge
	Known   Notice // the badge can be read in records
	Back    Act
}

// onList finds the person named in the path among those who have not left.
func (k *kiosk) onList(c *gin.Context) (people.Person, error) {
	roster, err := k.store.Roster(c.Request.Context())
	if err != nil {
		return people.Person{}, err
	}
	p, ok := roster.Person(c.Param("id"))
	if !ok || p.Retired {
		return p, say.Refuse(say.NotFound, "There is nobody with that badge on the list.")
	}
	return p, nil
}

func (k *kiosk) personPage(c *gin.Context) error { return k.showPerson(c, nil) }

func (k *kiosk) showPerson(c *gin.Context, refused *say.Refusal) error {
	p, err := k.onList(c)
	if err != nil {
		return err
	}
	path := "/people/" + p.ID
	roles := rolesChoices(p.Roles)
	v := &personView{
		Base:    k.page(c, say.T("Change %s", p.Name)),
		Heading: Question{Text: say.T("Change a person"), Help: say.T("Records keep the name they were made under.")},
		Form: personForm{
			Action: path, Name: nameField(p.Name), Roles: &roles,
			Keep: Act{Label: say.T("Keep the change"), Symbol: "right", Weight: weightBig, Name: "do", Value: "change"},
		},
		Leave: Act{Label: say.T("Take off the list"), Hint: say.T("the badge is then worth nothing; the name stays on old records"), Name: "do", Value: "leave"},
		Badge: Act{Label: say.T("Badge to print"), Symbol: "print", Href: path + "/badge"},
		New:   Act{Label: say.T("Give a new badge"), Hint: say.T("if the old one is lost; it is then worth nothing"), Name: "do", Value: "badge"},
		Back:  Act{Label: say.T("Back to the list"), Symbol: "back", Href: "/people", Weight: weightQuiet},
	}
	if p.Badge == p.ID {
		v.Known = Notice{Tone: toneNote, Text: say.T("This badge can be read in records that left the house."),
			Detail: say.T("It was made by an older version. Give a new one, and nobody can print it from a record.")}
	}
	status := http.StatusOK
	if refused != nil {
		status = statuses[refused.Code]
		if c.PostForm("do") == "leave" {
			v.Left = Notice{Tone: toneWrong, Text: refused.Text}
		} else {
			v.Form.refill(c, refused)
		}
	}
	return k.render(c, status, personPage, v)
}

func (k *kiosk) changePerson(c *gin.Context) error {
	p, err := k.onList(c)
	if err != nil {
		return err
	}
	var cmd people.Command
	var done Flash
	switch c.PostForm("do") {
	case "leave":
		cmd = people.Leave{ID: p.ID}
		done = Flash{Tone: toneRight, Text: say.T("%s is off the list.", p.Name)}
	case "badge":
		cmd = people.GiveBadge{ID: p.ID}
		done = Flash{Tone: toneRight, Text: say.T("%s has a new badge.", p.Name), Detail: say.T("Print it. The old one is refused from now on.")}
	case "change", "":
		cmd = people.Change{ID: p.ID, Name: c.PostForm("name"), Roles: rolesOf(c)}
		done = Flash{Tone: toneRight, Text: say.T("The change is kept.")}
	default:
		return say.Refuse(say.Invalid, "The list does not know this step.")
	}
	_, err = k.store.DoPeople(c.Request.Context(), actorOf(c), benchOf(c), c.PostForm("key"), cmd)
	if refused := asRefusal(err); refused != nil {
		return k.showPerson(c, refused)
	}
	if err != nil {
		return err
	}
	tell(c, done)
	if _, ok := cmd.(people.GiveBadge); ok {
		return k.forward(c, "/people/"+p.ID+"/badge")
	}
	return k.forward(c, "/people")
}

// badgesPage shows badges to be printed and cut out.
var badgesPage = declarePage("badges")

type badgesView struct {
	Base
	Question Question
	Badges   []badgeCard
	Back     Act
}

type badgeCard struct {
	Name  string
	Roles say.Text
	Bars  Barcode
	QR    template.HTML
}

func newBadge(p people.Person) (badgeCard, error) {
	bars, qr, err := drawCode(badgeCode(p))
	return badgeCard{Name: p.Name, Roles: rolesText(p), QR: qr,
		Bars: Barcode{SVG: bars, Text: badgeCode(p).Human(), Caption: say.T("badge")}}, err
}

// badge shows the badge of one person.
func (k *kiosk) badge(c *gin.Context) error {
	p, err := k.onList(c)
	if err != nil {
		return err
	}
	return k.showBadges(c, say.T("Badge of %s", p.Name), []people.Person{p})
}

// badges shows those of all who work here.
func (k *kiosk) badges(c *gin.Context) error {
	roster, err := k.store.Roster(c.Request.Context())
	if err != nil {
		return err
	}
	return k.showBadges(c, say.T("Badges"), roster.Working())
}

func (k *kiosk) showBadges(c *gin.Context, title say.Text, ps []people.Person) error {
	v := &badgesView{
		Base:     k.page(c, title),
		Question: Question{Text: title, Help: say.T("Print this page and cut along the lines. A badge says who is at the bench: it is no key, and proves nothing.")},
		Back:     Act{Label: say.T("Back to the list"), Symbol: "back", Href: "/people", Weight: weightQuiet},
	}
	for _, p := range ps {
		b, err := newBadge(p)
		if err != nil {
			return err
		}
		v.Badges = append(v.Badges, b)
	}
	return k.render(c, http.StatusOK, badgesPage, v)
}
