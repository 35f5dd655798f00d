package kiosk

import (
	"net/http"

	"github.com/gin-gonic/gin"

	"lastlook/internal/consignment"
	"lastlook/internal/say"
)

// undoPage asks why the newest step is taken back: nothing is ever deleted, so
// the reason stands beside it for good.
var undoPage = declarePage("undo")

type undoView struct {
	Base
	Tag      Tag
	Question Question
	Why      Choices
	Other    Field
	Action   string
	Do       Act
	Back     Act
}

var undoReasons = reasons{
	{"slip", say.T("Pressed or scanned by mistake")},
	{"unit", say.T("Wrong unit or wrong package")},
	{"count", say.T("Counted wrong")},
	{"again", say.T("I want to look again")},
}

func (k *kiosk) undoPage(c *gin.Context) error { return k.showUndo(c, nil) }

func (k *kiosk) showUndo(c *gin.Context, refused *say.Refusal) error {
	st, err := k.state(c)
	if err != nil {
		return err
	}
	rec, ok := st.LastUndoable()
	if !ok {
		return say.Refuse(say.Illegal, "There is nothing to undo here.")
	}
	b := k.page(c, say.T("Undo"))
	b.Version = st.Version
	v := &undoView{
		Base: b, Tag: k.stateTag(b, st), Action: "/c/" + st.Code + "/undo",
		Question: Question{Text: say.T("Take this back?"), Help: consignment.Describe(rec.Event)},
		Why:      undoReasons.choices(c, say.T("Why?")),
		Other:    Field{Name: "reason", Label: say.T("Another reason, or more about it"), Value: c.PostForm("reason")},
		Do:       Act{Label: say.T("Take it back"), Weight: weightBig, Symbol: "undo"},
		Back:     Act{Label: say.T("Back: leave it"), Href: nextPath(st, benchOf(c))},
	}
	v.Why.Hint = say.T("Both stay on the record.")
	status := http.StatusOK
	if refused == nil {
		v.Why.Tiles[0].Chosen = true // a slip, mostly
	} else {
		status = statuses[refused.Code]
		v.Why.Error = refused.Text
	}
	return k.render(c, status, undoPage, v)
}

// undo answers the undo button (without a reason: it asks) and the undo page.
func (k *kiosk) undo(c *gin.Context) error {
	why := undoReasons.chosen(c)
	if why == "" && c.PostForm("why") == "" && c.PostForm("reason") == "" {
		return k.forward(c, "/c/"+c.Param("code")+"/undo")
	}
	done, err := k.do(c, consignment.Undo{Reason: why})
	if r := asRefusal(err); r != nil {
		return k.showUndo(c, r)
	}
	if err != nil {
		return err
	}
	tell(c, Flash{Tone: toneNote, Text: say.T("Taken back. It stays on the record as taken back.")})
	return k.onward(c, done.State)
}
