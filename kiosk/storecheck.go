package kiosk

import (
	"net/http"
	"net/url"
	"strings"

	"github.com/gin-gonic/gin"

	"lastlook/internal/consignment"
	places "lastlook/internal/place"
	"lastlook/internal/say"
)

// storePage is the check of the store in which goods that passed wait.
var storePage = declarePage("store")

func (k *kiosk) storeRoutes(e *gin.Engine) {
	e.GET("/c/:code/store", k.as(atBench, k.storePage))
	e.POST("/c/:code/store", k.as(atBench, k.checkStore))
}

type storeView struct {
	Base
	Tag      Tag
	Question Question
	Notice   Notice
	Left     *boardBar
	Action   string
	Where    Choices
	None     *Notice // no passed store is on the list
	Places   Act
	Checks   []Check
	All      Act
	Note     Field
	Done     Act
	Back     Act
}

// store reports whether the page is the check of a store.
func (p spot) store() bool {
	return p.consignment != "" && strings.HasPrefix(p.path, "/c/"+p.consignment+"/store")
}

// scanStore chooses the store that is checked.
func (k *kiosk) scanStore(s scanned, location string) (answer, error) {
	list, err := k.store.Places(s.ctx)
	if err != nil {
		return answer{}, err
	}
	p, ok := list.Place(location)
	switch {
	case !ok || p.Retired:
		return wrong(say.T("No place here has this code."), say.T("A supervisor keeps the list of places.")), nil
	case p.Kind != places.PassedStore:
		return wrong(say.T("%s is no store for goods that passed (%s).", p.Name, p.Kind.Words()), say.T("Goods that passed wait in a passed store: scan its card.")), nil
	}
	return right(say.T("Is %s as it must be?", p.Name), "/c/"+s.spot.consignment+"/store?place="+url.QueryEscape(p.ID)), nil
}

func (k *kiosk) storePage(c *gin.Context) error { return k.showStore(c, nil) }

func (k *kiosk) showStore(c *gin.Context, refused *say.Refusal) error {
	st, err := k.state(c)
	if err != nil {
		return err
	}
	if r := st.Round(); refused == nil && (r == nil || r.Ended == nil || r.Ended.Outcome != consignment.Passed || st.Dispatched != nil) {
		return say.Refuse(say.Illegal, "The store is checked of goods that passed: %s is %s.", st.Number, st.Standing().Words())
	}
	list, err := k.store.Places(c.Request.Context())
	if err != nil {
		return err
	}
	b := k.page(c, say.T("Check the store"))
	b.Version = st.Version
	v := &storeView{
		Base: b, Tag: k.stateTag(b, st), Action: "/c/" + st.Code + "/store", Left: windowBar(b, st),
		Question: Question{Text: say.T("Is the store as it must be?"), Help: say.T("Choose where it stands, or scan the card that hangs there. Then answer each line.")},
		Where:    Choices{Name: "place", Legend: say.T("Where does it stand?")},
		Places:   Act{Label: say.T("Places"), Hint: say.T("a supervisor adds to the list"), Symbol: "to", Href: "/places"},
		All:      Act{Label: say.T("Yes to every line"), Hint: say.T("fills them in; look at each before you go on"), Name: "all", Value: "yes"},
		Note:     Field{Name: "note", Label: say.T("Note"), Hint: say.T("only if there is something to say"), Value: c.PostForm("note")},
		Done:     Act{Label: say.T("The store is checked"), Weight: weightBig, Symbol: "right"},
		Back:     Act{Label: say.T("Back to the outcome"), Symbol: "back", Href: "/c/" + st.Code + "/outcome", Weight: weightQuiet},
	}
	chosen := or(c.PostForm("place"), c.Query("place"))
	in := list.InUse(places.PassedStore)
	if chosen == "" && len(in) == 1 {
		chosen = in[0].ID
	} else if chosen == "" && st.StoreCheck != nil {
		chosen = st.StoreCheck.Place.Code
	}
	for _, p := range in {
		v.Where.Tiles = append(v.Where.Tiles, Choice{Value: p.ID, Data: p.Name, Chosen: p.ID == chosen})
	}
	if len(in) == 0 {
		v.None = &Notice{Tone: toneNote, Text: say.T("No passed store is on the list of places."), Detail: say.T("Until a supervisor puts one there, the check cannot say where it was.")}
	}
	if len(st.Rounds) > 0 {
		v.Checks = checkLines(c, st.Round().Rules.StoreItems(), refused)
	}
	status := http.StatusOK
	if refused != nil {
		status = statuses[refused.Code]
		v.Notice = Notice{Tone: toneWrong, Text: refused.Text}
		switch refused.Field {
		case "place":
			v.Where.Error = refused.Text
		case "note":
			v.Note.Error = refused.Text
		}
	} else if last := st.StoreCheck; last != nil && last.Round == st.Round().Number {
		v.Notice = Notice{Tone: toneNote, Text: say.T("Checked %s by %s, in %s: all as it must be.", b.Clock(last.At), last.By.Name, last.Place.Name)}
		if n := len(last.No); n > 0 {
			v.Notice = Notice{Tone: toneWrong, Text: say.T("The last check said no to %d lines.", n), Detail: say.T("It does not leave before they are put right and checked again.")}
		}
	}
	return k.render(c, status, storePage, v)
}

func (k *kiosk) checkStore(c *gin.Context) error {
	if c.PostForm("all") != "" {
		return k.showStore(c, nil) // filled in, not yet kept
	}
	st, err := k.state(c)
	if err != nil {
		return err
	}
	list, err := k.store.Places(c.Request.Context())
	if err != nil {
		return err
	}
	cmd := consignment.CheckStore{Note: c.PostForm("note")}
	if p, ok := list.Place(c.PostForm("place")); ok && !p.Retired && p.Kind == places.PassedStore {
		cmd.Place = consignment.Place{Code: p.ID, Name: p.Name, Kind: consignment.PassedStore}
	}
	if r := st.Round(); r != nil {
		cmd.Yes, cmd.No = checkAnswers(c, r.Rules.StoreItems())
	}
	done, err := k.do(c, cmd)
	if r := asRefusal(err); r != nil {
		return k.showStore(c, r)
	}
	if err != nil {
		return err
	}
	if len(cmd.No) > 0 {
		tell(c, Flash{Tone: toneNote, Text: say.T("Not as it must be: put it right, then check again."), Detail: say.T("Until then nothing of it goes through the gate.")})
		return k.forward(c, "/c/"+done.State.Code+"/store")
	}
	tell(c, Flash{Tone: toneRight, Text: say.T("The store is as it must be.")})
	return k.forward(c, "/c/"+done.State.Code+"/outcome")
}
