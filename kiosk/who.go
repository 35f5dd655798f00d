package kiosk

import (
	"net/http"

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
