package kiosk

import (
	"net/http"

	"github.com/gin-gonic/gin"

	"lastlook/internal/consignment"
	"lastlook/internal/say"
)

// takeBackPage takes back a step that followed a decision and was recorded by
// mistake. It is reached from the history.
var takeBackPage = declarePage("takeback")

type takeBackView struct {
	Base
	Tag      Tag
	Question Question
	What     say.Text
	Facts    []Fact
	Action   string
	Why      Field
	Notice   Notice
	Do, Back Act
}

// takeBackPath is the page that takes back a step.
func takeBackPath(code string, step int) string { return "/c/" + code + "/history/" + itoa(step) }

func (k *kiosk) takeBackPage(c *gin.Context) error { return k.showTakeBack(c, nil) }

func (k *kiosk) showTakeBack(c *gin.Context, refused *say.Refusal) error {
	st, err := k.state(c)
	if err != nil {
		return err
	}
	step, err := pathInt(c, "step")
	if err != nil {
		return err
	}
	if step < 1 || step > len(st.History) {
		return say.Refuse(say.NotFound, "There is no step %d here.", step)
	}
	rec := st.History[step-1]
	b := k.page(c, say.T("Take a step back"))
	b.Version = st.Version
	v := &takeBackView{
		Base: b, Tag: k.stateTag(b, st), Action: takeBackPath(st.Code, step), What: consignment.Describe(rec.Event),
		Question: Question{Text: say.T("Take this step back?"), Help: say.T("It stays in the history, with who took it back and why. Only a supervisor can.")},
		Facts: []Fact{
			{Label: say.T("Step"), Data: itoa(step)},
			{Label: say.T("Taken by"), Data: rec.Actor.Name, Text: say.T("at %s", b.Clock(rec.At))},
		},
		Why:  Field{Name: "reason", Label: say.T("Why?"), Hint: say.T("It stays on the record."), Value: c.PostForm("reason"), Required: true, Focus: true},
		Do:   Act{Label: say.T("Take it back"), Weight: weightBig},
		Back: Act{Label: say.T("Back to the history"), Href: "/c/" + st.Code + "/history"},
	}
	status := http.StatusOK
	if refused != nil {
		status = statuses[refused.Code]
		if !errorAt(refused, map[string]*say.Text{"reason": &v.Why.Error}) {
			v.Notice = Notice{Tone: toneWrong, Text: refused.Text}
		}
	}
	return k.render(c, status, takeBackPage, v)
}

func (k *kiosk) takeBack(c *gin.Context) error {
	step, err := pathInt(c, "step")
	if err != nil {
		return err
	}
	done, err := k.do(c, consignment.TakeBack{Of: step, Reason: c.PostForm("reason")})
	if r := asRefusal(err); r != nil {
		return k.showTakeBack(c, r)
	}
	if err != nil {
		return err
	}
	tell(c, Flash{Tone: toneRight, Text: say.T("The step is taken back. It stays in the history.")})
	return k.forward(c, "/c/"+done.State.Code+"/history")
}
