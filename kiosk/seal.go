package kiosk

import (
	"net/http"

	"github.com/gin-gonic/gin"

	"lastlook/internal/consignment"
	"lastlook/internal/sampling"
	"lastlook/internal/say"
)

// sealPage asks for the count, says how many will be drawn and what that can
// show, and seals.
var sealPage = declarePage("seal")

type sealView struct {
	Base
	Tag      Tag
	Question Question
	Counted  Field
	Reason   Field
	Again    bool
	Plan     []say.Text
	Evidence []say.Text
	Against  []say.Text
	Action   string
	Notice   Notice
	Seal     Act
	Change   Act
}

func (k *kiosk) sealPage(c *gin.Context) error { return k.showSeal(c, nil) }

func (k *kiosk) showSeal(c *gin.Context, refused *say.Refusal) error {
	st, err := k.state(c)
	if err != nil {
		return err
	}
	if st.Running() != nil && refused == nil {
		return k.onward(c, st)
	}
	b := k.page(c, say.T("Seal and draw"))
	b.Version = st.Version
	rules := k.store.Rules(st.Destination)
	n := st.Count()
	plan, err := sampling.ByRate(n, rules.Rate, rules.Minimum)
	if err != nil {
		return err
	}
	ev, err := sampling.Clean(n, plan.Examine)
	if err != nil {
		return err
	}
	v := &sealView{
		Base: b, Tag: k.stateTag(b, st), Action: "/c/" + st.Code + "/seal", Again: st.Round() != nil,
		Question: Question{Text: say.T("How many packages stand here?"), Help: say.T("Count them. The list is then fixed, and %d of %d are drawn by chance: nobody chooses.", plan.Examine, n)},
		Counted:  Field{Name: "counted", Label: say.T("Packages counted"), Hint: say.T("the list says %d", n), Mode: "numeric", Required: true, Focus: true},
		Reason:   Field{Name: "reason", Label: say.T("Why is it inspected again?"), Hint: say.T("It stays on the record."), Required: true},
		Plan:     plan.Why(),
		Evidence: ev.Words(),
		Seal:     Act{Label: say.T("Seal and draw %d", plan.Examine), Weight: weightBig, Symbol: "right"},
		Change:   Act{Label: say.T("The number is another"), Href: "/c/" + st.Code + "/change", Weight: weightQuiet},
	}
	if v.Again {
		v.Change.Href = "/c/" + st.Code + "/list" // packages keep their numbers between inspections
	}
	if until := st.ReEntryEnds(b.Now); !until.IsZero() {
		v.Notice = reEntryNotice(b, until)
	}
	if v.Against, err = ev.Against(2 * sampling.Percent); err != nil {
		v.Against = nil // a lot too small for two per cent to mean a whole package
	}
	status := http.StatusOK
	if refused != nil {
		status = statuses[refused.Code]
		v.Counted.Value, v.Reason.Value = c.PostForm("counted"), c.PostForm("reason")
		switch refused.Field {
		case "counted":
			v.Counted.Error = refused.Text
		case "reason":
			v.Reason.Error = refused.Text
		default:
			v.Notice = Notice{Tone: toneWrong, Text: refused.Text}
		}
	}
	return k.render(c, status, sealPage, v)
}

func (k *kiosk) seal(c *gin.Context) error {
	st, err := k.state(c)
	if err != nil {
		return err
	}
	counted, err := formNumber(c.PostForm("counted"))
	if err != nil {
		return k.showSeal(c, notNumber("counted"))
	}
	done, err := k.do(c, consignment.Seal{
		Counted: counted, Rules: k.store.Rules(st.Destination), Reason: c.PostForm("reason"),
	})
	if r := asRefusal(err); r != nil {
		return k.showSeal(c, r)
	}
	if err != nil {
		return err
	}
	tell(c, Flash{Tone: toneRight, Text: say.T("Sealed. %d of %d are drawn.", len(done.State.Running().Drawn), done.State.Running().Packages)})
	return k.onward(c, done.State)
}
