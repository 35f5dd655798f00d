package kiosk

import (
	"net/http"

	"github.com/gin-gonic/gin"

	"lastlook/internal/consignment"
	"lastlook/internal/people"
	"lastlook/internal/say"
)

// concludePage shows what the outcome is and why, before it is kept.
var concludePage = declarePage("conclude")

type concludeView struct {
	Base
	Tag      Tag
	Question Question
	State    state
	Word     say.Text
	Reasons  []say.Text
	Missing  []say.Text
	Action   string
	Do       Act
	Back     Act
	Can      bool
	Notice   Notice
}

func (k *kiosk) concludePage(c *gin.Context) error { return k.showConclude(c, nil) }

func (k *kiosk) showConclude(c *gin.Context, refused *say.Refusal) error {
	st, err := k.state(c)
	if err != nil {
		return err
	}
	r := st.Running()
	if r == nil {
		return k.onward(c, st)
	}
	b := k.page(c, say.T("Outcome"))
	b.Version = st.Version
	con := r.Conclude(b.Now)
	v := &concludeView{
		Base: b, Tag: k.stateTag(b, st), Action: "/c/" + st.Code + "/conclude",
		Reasons: con.Reasons, Missing: con.Missing, Can: con.Outcome != "",
		Back: Act{Label: say.T("Carry on examining"), Href: "/c/" + st.Code + "/fetch"},
	}
	if v.Can {
		v.State, v.Word = state(con.Outcome), con.Outcome.Words()
		v.Question = Question{Text: say.T("The outcome is: %s", v.Word), Help: say.T("With this the round is over. Nothing more can be recorded in it.")}
		v.Do = Act{Label: say.T("End the round: %s", v.Word), Weight: weightBig, Symbol: "state-" + string(v.State)}
	} else {
		v.Question = Question{Text: say.T("It cannot end yet"), Help: say.T("This is still to be done:")}
		v.Back = Act{Label: stepWords(consignment.Next(st, benchOf(c))), Href: nextPath(st, benchOf(c)), Weight: weightBig}
	}
	status := http.StatusOK
	if refused != nil {
		status = statuses[refused.Code]
		v.Notice = Notice{Tone: toneWrong, Text: refused.Text}
	}
	return k.render(c, status, concludePage, v)
}

func (k *kiosk) conclude(c *gin.Context) error {
	done, err := k.do(c, consignment.EndRound{})
	if r := asRefusal(err); r != nil {
		return k.showConclude(c, r)
	}
	if err != nil {
		return err
	}
	return k.forward(c, "/c/"+done.State.Code+"/outcome")
}

// outcomePage is the tag, stamped, with what it rests on and what to do now. For
// a stop the screen turns over entirely.
var outcomePage = declarePage("outcome")

type outcomeView struct {
	Base
	Tag      Tag
	Question Question
	Reasons  []say.Text
	Cautions []string // of what was named; shown unless it passed
	Evidence []say.Text
	Steps    []say.Text // what to do now, in order
	Ticks    *Steps     // the same at a stop, to be ticked
	Risk     []Tag      // neighbours at risk
	RiskMore int
	Told     []noticePart // of a stop
	Facts    []Fact
	Acts     []Act
	Running  bool
}

// nowDo says what to do after each outcome, in order. Stop and hold follow the
// ordinary rules of handling a suspect (ISPM 23; common practice) and defer to
// the authority, the label and local law.
var nowDo = map[consignment.Standing][]say.Text{
	consignment.StandPassed: {
		say.T("Store it at least 1 m from goods not inspected, off soil and run-off water, in an area free of pests."),
		say.T("Load it before the time on the tag. After that it must be inspected again."),
	},
	consignment.StandRejected: {
		say.T("Move the whole consignment away from other goods, and keep it apart."),
		say.T("Clean the bench, the tools and your gloves before the next consignment."),
		say.T("Have it examined in detail. Treat only as the product label and local law allow, by a licensed person with protective equipment."),
		say.T("When it comes back it gets a new round, with a new draw."),
	},
	consignment.StandHeld: {
		say.T("Collect a sample: what you saw, on the part it sits on, into a vial or bag. Close it, and stick its label on."),
		say.T("Nothing of this consignment moves until it is identified."),
		say.T("Ask the authority before a suspect is moved or posted: rules for that are set by local law."),
		say.T("The dispatch window keeps running: tell whoever planned the truck."),
	},
	consignment.StandStopped: {
		say.T("Leave everything where it is. Do not shake, move or carry anything."),
		say.T("Keep people away from the bench and the consignment."),
		say.T("Tell the supervisor now, by voice."),
		say.T("Take off your gloves here, into a bag that stays here. Wash your hands, clean your tools."),
		say.T("Ask the authority before anything is moved or posted. Duties to report, and their time limits, are set by local law."),
	},
}

// keptNow says what to do when a doubt keeps back what its own inspection does not.
var keptNow = []say.Text{
	say.T("Nothing of this consignment moves until a supervisor has answered."),
	say.T("The dispatch window keeps running: tell whoever planned the truck."),
}

// freed names the stops and holds that were answered so that the goods go on, with
// who did it: whoever sees "passed" should know of them.
func freed(b Base, st *consignment.State) []Fact {
	var facts []Fact
	if r := st.Round(); r != nil {
		for _, a := range r.Answers {
			if a.Answer == consignment.StopReleased {
				facts = append(facts, Fact{Label: say.T("Stop released"), Data: a.By.Name, Text: say.T("at %s: %s", b.Clock(a.At), a.Reason)})
			}
		}
	}
	for _, h := range st.Holds {
		if l := h.Lifted; l != nil {
			facts = append(facts, Fact{Label: say.T("Hold lifted"), Data: l.By.Name, Text: say.T("at %s: %s", b.Clock(l.At), l.Reason)})
		}
	}
	return facts
}

// whatNow says what to do with the consignment as it stands, without what is done:
// what stands apart, what was sampled.
func whatNow(st *consignment.State) []say.Text {
	r := st.Round()
	switch s := st.Standing(); {
	case s == consignment.StandIsolated:
		return nowDo[consignment.StandRejected][1:]
	case s == consignment.StandHeld && r != nil && r.Ended != nil && r.Ended.Outcome != consignment.Held:
		return keptNow
	case s == consignment.StandHeld && len(unsampled(st)) == 0:
		return nowDo[s][1:]
	default:
		return nowDo[s]
	}
}

// standWord is the standing as the heading of a page.
func standWord(s consignment.Standing) say.Text {
	switch s {
	case consignment.StandPassed:
		return say.T("Passed")
	case consignment.StandRejected:
		return say.T("Rejected")
	case consignment.StandIsolated:
		return say.T("Isolated")
	case consignment.StandHeld:
		return say.T("Held")
	case consignment.StandStopped:
		return say.T("Stopped")
	case consignment.StandGone:
		return say.T("Dispatched")
	}
	return s.Words()
}

func (k *kiosk) outcome(c *gin.Context) error {
	st, err := k.state(c)
	if err != nil {
		return err
	}
	r := st.Round()
	if r == nil {
		return k.onward(c, st)
	}
	if r.Ended == nil {
		return k.forward(c, "/c/"+st.Code+"/conclude")
	}
	b := k.page(c, say.T("%s: %s", st.Number, r.Ended.Outcome.Words()))
	b.Version = st.Version
	tag := k.stateTag(b, st)
	tag.Small = false
	standing := st.Standing()
	stamp := &Stamp{State: standState(standing), At: b.Clock(r.Ended.At)}
	if d := st.Dispatched; d != nil {
		stamp.At = b.Clock(d.At)
	} else if since := st.WaitingSince(); !since.IsZero() {
		stamp.At = b.Clock(since)
	} else if standing == consignment.StandPassed {
		stamp.Until = say.T("until %s", b.Clock(r.Ended.ValidUntil))
		tag.Note = say.Text{} // the stamp covers it
		if b.Now.After(r.Ended.ValidUntil) {
			stamp.State = stateLate
		}
	}
	tag.Stamp = stamp
	// What keeps it back comes first: what its inspection said is older news.
	var reasons []say.Text
	for _, h := range st.OpenHolds() {
		reasons = append(reasons, say.T("Kept back since %s: %s", b.Clock(h.At), h.Reason))
	}
	if n := len(st.Aboard()); n > 0 && (standing == consignment.StandStopped || standing == consignment.StandHeld) {
		reasons = append(reasons, say.T("%d of %d packages are on the vehicle already: it does not leave.", n, st.Count()))
	}
	reasons = append(reasons, r.Ended.Reasons...)
	person, _ := personOf(c)
	ev, err := r.Evidence()
	if err != nil {
		return err
	}
	v := &outcomeView{
		Base: b, Tag: tag, Reasons: reasons, Steps: whatNow(st), Evidence: ev.Record(),
		Question: Question{Text: standWord(standing)},
		Facts: []Fact{
			{Label: say.T("Round"), Data: itoa(r.Number)},
			{Label: say.T("Examined"), Text: say.T("%d of %d packages drawn, from %d", examined(r), len(r.Exams), r.Packages)},
			{Label: say.T("Finds"), Data: itoa(len(r.Finds))},
			{Label: say.T("Ended by"), Data: r.Ended.By.Name, Text: say.T("at %s", b.Clock(r.Ended.At))},
		},
		Acts: append(afterActs(b, st, person), []Act{
			{Label: say.T("The record"), Symbol: "book", Href: "/c/" + st.Code + "/record"},
			{Label: say.T("Print the record"), Symbol: "print", Href: "/c/" + st.Code + "/record.pdf"},
			{Label: say.T("Consignment"), Symbol: "look", Href: "/c/" + st.Code},
		}...),
	}
	if standing == consignment.StandPassed && !b.Now.After(r.Ended.ValidUntil) {
		v.Facts = append(v.Facts, Fact{Label: say.T("Window"), Text: say.T("%s left, until %s", span(r.Ended.ValidUntil.Sub(b.Now)), b.Clock(r.Ended.ValidUntil))})
	}
	v.Facts = append(v.Facts, freed(b, st)...)
	for _, n := range keptAfterLeaving(b, st) {
		v.Facts = append(v.Facts, Fact{Label: say.T("After it left"), Text: n.Detail})
	}
	if r.Ended.Outcome != consignment.Passed {
		v.Cautions = k.cautionsOf(r.Finds)
	}
	if hold, ok := stopOf(st); ok {
		v.Ground = "stop"
		v.Steps, v.Ticks = nil, stopSteps(b, st, hold)
		v.Risk, v.RiskMore = k.atRisk(c, b, st)
		ns, err := k.noticesOf(c.Request.Context(), st.Code)
		if err != nil {
			return err
		}
		for _, n := range ns {
			v.Told = append(v.Told, noticeView(b, n, person.Has(people.Supervisor)))
		}
	}
	return k.render(c, http.StatusOK, outcomePage, v)
}
