package kiosk

import (
	"net/http"
	"slices"

	"github.com/gin-gonic/gin"

	"lastlook/internal/people"
	"lastlook/internal/say"
)

// keysPage shows the site's public keys, to be printed and made known, and lets a
// supervisor change the secret ones.
var keysPage = declarePage("keys")

type keysView struct {
	Base
	Question Question
	Facts    []Fact
	Past     Table
	Change   *keysForm // nil for those who may only look
	Locked   Notice
	Back     Act
}

// keysForm is the form that changes the keys.
type keysForm struct {
	Head   say.Text
	Help   Notice
	Reason Field
	Sure   Choices
	Do     Act
}

func (k *kiosk) keysRoutes(e *gin.Engine) {
	e.GET("/keys", k.as(anybody, k.keys))
	e.POST("/keys", k.as(asSuper, k.changeKeys))
}

func (k *kiosk) keys(c *gin.Context) error { return k.showKeys(c, nil) }

func (k *kiosk) showKeys(c *gin.Context, w wrongs) error {
	terms, err := k.store.KeyTerms(c.Request.Context())
	if err != nil {
		return err
	}
	b := k.page(c, say.T("The site's keys"))
	v := &keysView{
		Base: b,
		Question: Question{Text: say.T("The site's keys"),
			Help: say.T("Whoever checks a record needs these, and has to get them by another way than the record. Print this page and hand it out.")},
		Past: Table{Caption: say.T("The keys so far"), Columns: []Column{
			{Label: say.T("Fingerprint")}, {Label: say.T("From step"), Number: true}, {Label: say.T("When")}, {Label: say.T("Who")}, {Label: say.T("Why")},
		}},
		Locked: Notice{Tone: toneNote, Text: say.T("Only a supervisor can change the keys."), Detail: say.T("Ask one to scan their badge.")},
		Back:   Act{Label: say.T("Back to the office"), Symbol: "back", Href: "/office", Weight: weightQuiet},
	}
	for i, t := range slices.Backward(terms) {
		why := Cell{Data: t.Reason}
		switch {
		case i == 0:
			why = Cell{Text: say.T("the first ones")}
		case t.Lost:
			why = Cell{Text: say.T("%s. The keys before were lost and did not sign for these.", t.Reason)}
		}
		v.Past.Rows = append(v.Past.Rows, Row{[]Cell{{Data: unbroken(t.Fingerprint())}, {Data: itoa(int(t.From)), Number: true}, {Text: b.Clock(t.At)}, {Data: t.By.Name}, why}})
	}
	if n := len(terms); n > 0 {
		now := terms[n-1]
		v.Facts = []Fact{
			{Label: say.T("Site"), Data: now.Site},
			{Label: say.T("Fingerprint"), Data: now.Fingerprint()},
			{Label: say.T("Key for signed heads"), Data: now.Head},
			{Label: say.T("Key for draws"), Data: now.Draw.String()},
		}
	}
	if p, ok := personOf(c); ok && p.Has(people.Supervisor) {
		v.Change = &keysForm{
			Head: say.T("Change the keys"),
			Help: Notice{Tone: toneNote, Text: say.T("New keys are for good."),
				Detail: say.T("Change them if somebody may have read the key file, or took a copy along. Everybody who checks records then needs the new public keys, and the new key file needs a copy in a safe place. If the key file is gone, restore a backup on the console and say that the keys are lost.")},
			Reason: Field{Name: "reason", Label: say.T("Why do they change?"), Hint: say.T("It stays on the record."), Value: c.PostForm("reason"), Required: true, Error: w["reason"]},
			Sure: Choices{Name: "sure", Legend: say.T("Is this wanted?"), Many: true, Error: w["sure"], Tiles: []Choice{
				{Value: "yes", Label: say.T("Yes, make new keys"), Hint: say.T("nobody can go back to the old ones"), Chosen: c.PostForm("sure") == "yes"}}},
			Do: Act{Label: say.T("Change the keys"), Symbol: "keys", Weight: weightPlain},
		}
	}
	status := http.StatusOK
	if len(w) > 0 {
		status = http.StatusUnprocessableEntity
	}
	return k.render(c, status, keysPage, v)
}

func (k *kiosk) changeKeys(c *gin.Context) error {
	if _, known := personOf(c); !known {
		return say.Refuse(say.Forbidden, "Say who you are first: choose your name or scan your badge.")
	}
	w := wrongs{}
	if c.PostForm("sure") != "yes" {
		w.add("sure", say.T("Tick this if new keys are wanted: nothing was changed."))
		if c.PostForm("reason") == "" {
			w.add("reason", say.T("Say why the keys change."))
		}
		return k.showKeys(c, w)
	}
	_, err := k.store.ChangeKeys(c.Request.Context(), actorOf(c), benchOf(c), c.PostForm("key"), c.PostForm("reason"))
	if refused := asRefusal(err); refused != nil && refused.Field == "reason" {
		w.add("reason", refused.Text)
		return k.showKeys(c, w)
	}
	if err != nil {
		return err
	}
	tell(c, Flash{Tone: toneRight, Text: say.T("New keys are in force."), Detail: say.T("Print this page, hand it to whoever checks records, and copy the new key file to a safe place.")})
	return k.forward(c, "/keys")
}
