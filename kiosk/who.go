package kiosk

import (
	"net/http"
	"net/url"

	"github.com/gin-gonic/gin"

	"lastlook/internal/people"
	"lastlook/internal/say"
)

// whoPage asks who is at the bench.
var whoPage = declarePage("who")

type whoView struct {
	Base
	Question Question
	People   []whoChoice
	Back     string
	Empty    Panel
}

type whoChoice struct {
	ID, Name string
	Roles    say.Text
	Here     bool
}

func (k *kiosk) who(c *gin.Context) error {
	roster, err := k.store.Roster(c.Request.Context())
	if err != nil {
		return err
	}
	v := &whoView{
		Base:     k.page(c, say.T("Who is here?")),
		Question: Question{Text: say.T("Who is at the bench?"), Help: say.T("Tap your name, or scan your badge. Your name stands on every step.")},
		Back:     localPath(c.Query("back")),
		Empty: Panel{Kind: panelEmpty, Text: say.T("Nobody is on the list yet"), Detail: say.T("Put yourself on it, as the supervisor."),
			Act: Act{Label: say.T("Begin the list"), Href: "/people", Weight: weightBig}},
	}
	here, _ := personOf(c)
	for _, p := range roster.Working() {
		v.People = append(v.People, whoChoice{ID: p.ID, Name: p.Name, Roles: rolesText(p), Here: p.ID == here.ID})
	}
	return k.render(c, http.StatusOK, whoPage, v)
}

func rolesText(p people.Person) say.Text {
	var words []say.Text
	for _, r := range p.Roles {
		words = append(words, people.RoleWords(r))
	}
	return say.T("%s", words)
}

func (k *kiosk) chooseWho(c *gin.Context) error {
	roster, err := k.store.Roster(c.Request.Context())
	if err != nil {
		return err
	}
	p, ok := roster.Person(c.PostForm("person"))
	if !ok || p.Retired {
		return say.Refuse(say.NotFound, "There is nobody with that badge on the list. Ask a supervisor to add you.")
	}
	signIn(c, p)
	return k.forward(c, localPath(c.PostForm("back")))
}

// signIn remembers who is at the bench. Nothing secret is in the cookie: it says
// who, and proves nothing.
func signIn(c *gin.Context, p people.Person) {
	setCookie(c, personCookie, p.ID)
	tell(c, Flash{Tone: toneRight, Text: say.T("%s is at the bench.", p.Name)})
}

// benchPage names the bench that this browser stands at.
var benchPage = declarePage("bench")

type benchView struct {
	Base
	Question Question
	Name     Field
	Do       Act
}

func (k *kiosk) benchPage(c *gin.Context) error { return k.showBench(c, nil) }

func (k *kiosk) showBench(c *gin.Context, refused *say.Refusal) error {
	v := &benchView{
		Base:     k.page(c, say.T("Which bench is this?")),
		Question: Question{Text: say.T("Which bench is this?"), Help: say.T("The name stands on every step taken at this screen. Give each bench its own.")},
		Name:     Field{Name: "name", Label: say.T("Name of the bench"), Value: benchOf(c), Required: true},
		Do:       Act{Label: say.T("This is its name"), Weight: weightBig},
	}
	status := http.StatusOK
	if refused != nil {
		v.Name.Error, v.Name.Value, status = refused.Text, c.PostForm("name"), statuses[refused.Code]
	}
	return k.render(c, status, benchPage, v)
}

func (k *kiosk) nameBench(c *gin.Context) error {
	name := cleanBench(c.PostForm("name"))
	if name == "" {
		return k.showBench(c, say.Refuse(say.Invalid, "A bench needs a name of 1 to 40 characters.").For("name"))
	}
	setCookie(c, benchCookie, url.QueryEscape(name))
	return k.forward(c, "/")
}
