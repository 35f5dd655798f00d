package kiosk

import (
	"net/http"
	"time"

	"github.com/gin-gonic/gin"

	"lastlook/internal/consignment"
	"lastlook/internal/say"
)

// becomes says what becomes of a consignment with a result: at once, and when the
// hold is decided again.
func becomes(next *consignment.State, events []consignment.Event, x *consignment.Sample, now func() time.Time) []say.Text {
	for _, e := range events {
		switch e := e.(type) {
		case consignment.HeldBack:
			return []say.Text{say.T("%s has moved on since: it is stopped where it is, at once.", next.Number)}
		case consignment.RoundRevised:
			if e.Outcome == consignment.Stopped {
				return []say.Text{say.T("%s is stopped at once. Nothing moves until the supervisor answers the stop.", next.Number)}
			}
		}
	}
	r := next.Round()
	if x.Round != len(next.Rounds) || r.Ended == nil || r.Ended.Outcome != consignment.Held {
		return nil
	}
	return append([]say.Text{say.T("It stays held until a supervisor ends the hold, which is a step of its own.")}, again(r.Conclude(now()))...)
}

// again says what a hold comes to when it is decided again.
func again(con consignment.Conclusion) []say.Text {
	switch con.Outcome {
	case consignment.Held:
		return []say.Text{say.T("It will stay held: %s", con.Reasons)}
	case "":
		return []say.Text{say.T("Then the inspection goes on where it was left: %s.", con.Missing)}
	}
	return []say.Text{say.T("Then the outcome will be: %s. %s", con.Outcome.Words(), con.Reasons)}
}

// holdPage decides a held round again: it shows what comes of it and why, before it
// is kept.
var holdPage = declarePage("hold")

type holdView struct {
	Base
	Tag      Tag
	Question Question
	State    state
	Word     say.Text
	Reasons  []say.Text
	Missing  []say.Text
	Open     []sampleLine
	Clocks   Notice
	Notice   Notice
	Locked   Notice
	Action   string
	Do       Act
	Can      bool
	Acts     []Act
	Back     Act
}

func (k *kiosk) holdPage(c *gin.Context) error { return k.showHold(c, nil) }

func (k *kiosk) showHold(c *gin.Context, refused *say.Refusal) error {
	st, err := k.state(c)
	if err != nil {
		return err
	}
	r := st.Round()
	if r == nil || r.Ended == nil || r.Ended.Outcome != consignment.Held {
		if refused == nil {
			tell(c, Flash{Tone: toneNote, Text: say.T("Nothing is held for an identification here.")})
		} else {
			tell(c, Flash{Tone: toneWrong, Text: refused.Text})
		}
		return k.onward(c, st)
	}
	b := k.page(c, say.T("Decide %s again", st.Number))
	b.Version = st.Version
	con := r.Conclude(b.Now)
	v := &holdView{
		Base: b, Tag: k.stateTag(b, st), Action: "/c/" + st.Code + "/hold", Reasons: con.Reasons,
		Can:  con.Outcome != consignment.Held,
		Back: Act{Label: say.T("Leave it held"), Symbol: "back", Href: "/c/" + st.Code + "/outcome"},
	}
	if v.Clocks, err = k.clocks(c.Request.Context(), b, st); err != nil {
		return err
	}
	for _, x := range byWaiting(st.Samples) {
		if x.Round == r.Number && x.Answer == nil {
			v.Open = append(v.Open, sampleLineOf(b, x))
		}
	}
	switch con.Outcome {
	case consignment.Held:
		v.Question = Question{Text: say.T("It stays held"), Help: say.T("It cannot be decided yet. What keeps it:")}
		for _, f := range unsampled(st) {
			v.Acts = append(v.Acts, takeAct(st, r.Number, f))
		}
		v.Acts = append(v.Acts, Act{Label: say.T("Samples"), Symbol: "look", Href: "/c/" + st.Code + "/samples"})
		v.Acts[0].Weight = weightBig
	case "":
		v.State, v.Word = stateWork, stateWork.Word()
		v.Question = Question{Text: say.T("The inspection can go on"), Help: say.T("Nothing stands in its way any more. It goes on where it was left, and this is still to be done:")}
		v.Missing = con.Missing
		v.Do = Act{Label: say.T("Let it go on"), Weight: weightBig, Symbol: "state-work"}
	default:
		v.State, v.Word = state(con.Outcome), con.Outcome.Words()
		v.Question = Question{Text: say.T("The outcome will be: %s", v.Word), Help: say.T("It takes the place of the hold. Both stay on record.")}
		v.Do = Act{Label: say.T("Decide: %s", v.Word), Weight: weightBig, Symbol: "state-" + string(v.State)}
	}
	if person, _ := personOf(c); v.Can && !person.Has(consignment.Supervisor) {
		v.Locked = Notice{Tone: toneNote, Text: say.T("Only a supervisor ends a hold."), Detail: say.T("Ask one to scan their badge at this page.")}
		v.Do.Weight, v.Back.Weight = weightPlain, weightBig
	}
	if len(st.OpenHolds()) > 0 {
		v.Locked = Notice{Tone: toneWrong, Text: say.T("It is kept back for another reason as well."), Detail: say.T("That hold has to be lifted first.")}
		v.Acts = append(v.Acts, Act{Label: say.T("Holds"), Symbol: "keys", Href: "/c/" + st.Code + "/holds"})
	}
	status := http.StatusOK
	if refused != nil {
		status = statuses[refused.Code]
		v.Notice = Notice{Tone: toneWrong, Text: refused.Text}
	}
	return k.render(c, status, holdPage, v)
}

func (k *kiosk) endHold(c *gin.Context) error {
	done, err := k.do(c, consignment.EndHold{})
	if r := asRefusal(err); r != nil {
		return k.showHold(c, r)
	}
	if err != nil {
		return err
	}
	if done.State.Running() != nil {
		tell(c, Flash{Tone: toneRight, Text: say.T("The hold is over: the inspection goes on.")})
	}
	return k.onward(c, done.State)
}
