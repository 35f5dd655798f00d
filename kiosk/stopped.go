package kiosk

import (
	"bytes"
	"context"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/gin-gonic/gin"

	"lastlook/internal/consignment"
	"lastlook/internal/ladder"
	"lastlook/internal/notify"
	"lastlook/internal/order"
	"lastlook/internal/paper"
	"lastlook/internal/people"
	"lastlook/internal/say"
	"lastlook/internal/store"
)

// stoppedRoutes lists the routes of stops and holds.
func (k *kiosk) stoppedRoutes(e *gin.Engine) {
	e.POST("/c/:code/steps", k.as(atBench, k.stopStep))
	e.GET("/c/:code/answer", k.as(atBench, k.answerPage))
	e.POST("/c/:code/answer", k.as(atBench, k.answerStop))
	e.GET("/c/:code/told", k.as(anybody, k.told))
	e.GET("/c/:code/notice.pdf", k.as(anybody, k.noticePDF))
	e.GET("/c/:code/holds", k.as(anybody, k.holds))
	e.POST("/c/:code/holds", k.as(atBench, k.liftHold))
	e.GET("/c/:code/back", k.as(atBench, k.backPage))
	e.POST("/c/:code/back", k.as(atBench, k.holdBack))
	e.GET("/c/:code/history/:step", k.as(atBench, k.takeBackPage))
	e.POST("/c/:code/history/:step", k.as(atBench, k.takeBack))
	e.GET("/notices", k.as(anybody, k.notices))
	e.POST("/notices/:id/seen", k.as(asSuper, k.seen))
}

// stopBar is a stop that nobody answered yet, as it stands on every screen.
type stopBar struct {
	ID     string
	Number string
	Href   string
	Since  say.Text
	Super  bool
}

// stopBars are the stops that nobody answered yet.
func (k *kiosk) stopBars(c *gin.Context, b Base) []stopBar {
	open, err := k.store.OpenStops(c.Request.Context())
	if err != nil {
		if c.Request.Context().Err() == nil { // somebody who went away needs no page
			k.Log.Error("reading the open notices", "error", err)
		}
		return nil
	}
	p, _ := personOf(c)
	var bars []stopBar
	for _, n := range open {
		if !strings.HasPrefix(b.Here, "/c/"+n.Code+"/") {
			bars = append(bars, stopBar{ID: n.ID, Number: n.Number, Href: "/c/" + n.Code + "/outcome", Since: b.Clock(n.RaisedAt), Super: p.Has(people.Supervisor)})
		}
	}
	return bars
}

// stopOf finds which stop of a consignment stands: that of the round (0) or of a
// hold; ok is false if none does.
func stopOf(st *consignment.State) (hold int, ok bool) {
	if r := st.Round(); r != nil && r.Ended != nil && r.Ended.Outcome == consignment.Stopped {
		return 0, true
	}
	for _, h := range st.OpenHolds() {
		if h.Rung == ladder.Stop {
			return h.HeldBack.Hold, true
		}
	}
	return 0, false
}

// stopSteps are the things to do at a stop, with what was ticked.
func stopSteps(b Base, st *consignment.State, hold int) *Steps {
	s := &Steps{Action: "/c/" + st.Code + "/steps", Fields: append(b.Once(), Hidden{Name: "hold", Value: itoa(hold)})}
	for _, step := range consignment.StopSteps {
		x := Step{Text: step.Words(), Value: string(step)}
		for _, d := range st.StopSteps {
			if d.Step == step && d.Hold == hold && d.Round == len(st.Rounds) {
				x.Done, x.At, x.Value = true, say.T("%s, %s", b.Clock(d.At), d.By.Name), ""
			}
		}
		s.Steps = append(s.Steps, x)
	}
	return s
}

func (k *kiosk) stopStep(c *gin.Context) error {
	st, err := k.state(c)
	if err != nil {
		return err
	}
	done, err := k.store.Do(c.Request.Context(), store.Step{
		Code: st.Code, Key: c.PostForm("key"), Actor: actorOf(c), Bench: benchOf(c),
		Command: consignment.DoStopStep{Hold: formInt(c, "hold"), Step: consignment.StopStep(c.PostForm("step"))},
	})
	if r := asRefusal(err); r != nil {
		tell(c, Flash{Tone: toneNote, Text: r.Text})
		return k.forward(c, "/c/"+st.Code+"/outcome")
	}
	if err != nil {
		return err
	}
	return k.forward(c, "/c/"+done.State.Code+"/outcome")
}

// answerPage is where a supervisor answers a stop.
var answerPage = declarePage("answer")

type answerView struct {
	Base
	Tag      Tag
	Question Question
	Answers  []Act // ways to choose from; empty once one is chosen
	Answer   consignment.StopAnswer
	Action   string
	Hidden   []Hidden
	Fields   []Field
	Rungs    Choices
	Notice   Notice
	Cautions []say.Text
	Do, Back Act
	Known    Table // answers so far
}

func (k *kiosk) answerPage(c *gin.Context) error {
	return k.showAnswer(c, c.Request.URL.Query(), nil)
}

var answerHints = map[consignment.StopAnswer]say.Text{
	consignment.StopKept:     say.T("nothing moves; it is being looked into"),
	consignment.StopTold:     say.T("who was told, when, and their reference"),
	consignment.StopReleased: say.T("it is no quarantine pest; with a reason"),
	consignment.StopRejected: say.T("it does not go; with a reason"),
}

func (k *kiosk) showAnswer(c *gin.Context, from url.Values, refused *say.Refusal) error {
	st, err := k.state(c)
	if err != nil {
		return err
	}
	hold, ok := stopOf(st)
	if h, err := strconv.Atoi(from.Get("hold")); err == nil && from.Has("hold") {
		hold = h
	}
	if !ok {
		tell(c, Flash{Tone: toneNote, Text: say.T("Nothing is stopped here any more.")})
		return k.onward(c, st)
	}
	b := k.page(c, say.T("Answer the stop"))
	b.Version = st.Version
	path := "/c/" + st.Code + "/answer"
	v := &answerView{
		Base: b, Tag: k.stateTag(b, st), Action: path, Answer: consignment.StopAnswer(from.Get("answer")),
		Hidden: []Hidden{{Name: "hold", Value: itoa(hold)}, {Name: "answer", Value: from.Get("answer")}},
		Back:   Act{Label: say.T("Back to the stop"), Href: "/c/" + st.Code + "/outcome"},
		Known:  answersTable(b, st, hold),
	}
	reason := func(label, hint say.Text, needed bool) Field {
		return Field{Name: "reason", Label: label, Hint: hint, Value: from.Get("reason"), Type: "area", Required: needed}
	}
	switch v.Answer {
	case consignment.StopTold:
		v.Question = Question{Text: say.T("Who was told?"), Help: say.T("Duties to report, and their time limits, are set by local law.")}
		at := from.Get("told_at")
		if at == "" {
			at = b.Now.Format("2006-01-02T15:04")
		}
		v.Fields = []Field{
			{Name: "office", Label: say.T("Office"), Hint: say.T("the office of the person, not a private name"), Value: from.Get("office"), Required: true, Focus: true},
			{Name: "told_at", Label: say.T("Told at"), Type: "datetime-local", Value: at, Required: true},
			{Name: "reference", Label: say.T("Their reference"), Hint: say.T("a number, if they gave one"), Value: from.Get("reference")},
			reason(say.T("What they said"), say.T("for instance what may be moved, and when somebody comes"), false),
		}
		v.Do = Act{Label: say.T("Record that they were told"), Weight: weightBig}
	case consignment.StopKept:
		v.Question = Question{Text: say.T("Keep the stop?"), Help: say.T("Everything stays where it is. The others are told that you have answered.")}
		v.Fields = []Field{reason(say.T("Note"), say.T("what is being done, or nothing"), false)}
		v.Do = Act{Label: say.T("Keep the stop"), Weight: weightBig}
	case consignment.StopReleased:
		v.Question = Question{Text: say.T("Release the stop?"), Help: say.T("Only if it is certain that it is no quarantine pest. The reason stands on the record.")}
		if hold == 0 {
			v.Rungs = Choices{Name: "rung", Legend: say.T("The find goes down to")}
			for _, r := range []ladder.Rung{ladder.Sample, ladder.Reject, ladder.Note} {
				v.Rungs.Tiles = append(v.Rungs.Tiles, Choice{Value: r.String(), Label: r.Word(), Hint: r.Act(), Chosen: from.Get("rung") == r.String()})
			}
		}
		v.Fields = []Field{reason(say.T("Why?"), say.T("Who identified it, and how."), true)}
		v.Do = Act{Label: say.T("Release the stop"), Weight: weightBig}
	case consignment.StopRejected:
		v.Question = Question{Text: say.T("Reject it?"), Help: say.T("It does not go. Ask the authority before it is moved, treated or destroyed.")}
		v.Fields = []Field{reason(say.T("Why?"), say.T("It stays on the record."), true)}
		v.Do = Act{Label: say.T("Reject it"), Weight: weightBig}
	default:
		v.Answer = ""
		v.Question = Question{Text: say.T("What about the stop?")}
		for _, a := range consignment.StopAnswers {
			q := url.Values{"answer": {string(a)}, "hold": {itoa(hold)}}
			v.Answers = append(v.Answers, Act{Label: a.Words(), Hint: answerHints[a], Href: path + "?" + q.Encode()})
		}
	}
	status := http.StatusOK
	if refused != nil {
		status = statuses[refused.Code]
		at := map[string]*say.Text{}
		for i := range v.Fields {
			at[v.Fields[i].Name] = &v.Fields[i].Error
		}
		if v.Rungs.Name != "" {
			at[v.Rungs.Name] = &v.Rungs.Error
		}
		if !errorAt(refused, at) {
			v.Notice = Notice{Tone: toneWrong, Text: refused.Text}
		}
	}
	return k.render(c, status, answerPage, v)
}

// answersTable lists what was answered so far.
func answersTable(b Base, st *consignment.State, hold int) Table {
	t := Table{Caption: say.T("Answers so far"), Columns: []Column{{Label: say.T("When")}, {Label: say.T("Who")}, {Label: say.T("Answer")}}, Empty: say.T("Nobody has answered yet.")}
	var answers []consignment.Answering
	if hold != 0 && hold <= len(st.Holds) {
		answers = st.Holds[hold-1].Answers
	} else if r := st.Round(); r != nil {
		answers = r.Answers
	}
	for _, a := range answers {
		t.Rows = append(t.Rows, Row{[]Cell{{Text: b.Clock(a.At)}, {Data: a.By.Name}, {Text: consignment.Describe(a.StopAnswered)}}})
	}
	return t
}

func (k *kiosk) answerStop(c *gin.Context) error {
	cmd := consignment.AnswerStop{
		Hold: formInt(c, "hold"), Answer: consignment.StopAnswer(c.PostForm("answer")), Reason: c.PostForm("reason"),
		Office: c.PostForm("office"), Reference: c.PostForm("reference"),
	}
	cmd.Rung, _ = ladder.Parse(c.PostForm("rung")) // none, unless it is released
	if cmd.Answer == consignment.StopTold {
		at, err := order.ParseDispatch(c.PostForm("told_at"), k.Now().Location())
		if r := asRefusal(err); r != nil {
			return k.showAnswer(c, c.Request.PostForm, say.Refuse(say.Invalid, "Say when the authority was told.").For("told_at"))
		}
		cmd.ToldAt = at
	}
	done, err := k.do(c, cmd)
	if r := asRefusal(err); r != nil {
		return k.showAnswer(c, c.Request.PostForm, r)
	}
	if err != nil {
		return err
	}
	tell(c, Flash{Tone: toneRight, Text: say.T("Recorded: %s.", cmd.Answer.Words())})
	return k.onward(c, done.State)
}

func (k *kiosk) seen(c *gin.Context) error {
	n, err := k.store.Acknowledge(c.Request.Context(), c.Param("id"), actorOf(c), benchOf(c), c.PostForm("key"))
	if err != nil {
		return err
	}
	tell(c, Flash{Tone: toneRight, Text: say.T("You have answered the notice of %s.", n.Number), Detail: say.T("Nobody else is told to. The stop itself stands until you answer it.")})
	if n.Code == "" {
		return k.forward(c, "/notices")
	}
	return k.forward(c, "/c/"+n.Code+"/outcome")
}

// toldPage says who was told of the stop of a consignment, and who has answered.
var toldPage = declarePage("told")

type toldView struct {
	Base
	Tag     Tag
	Notices []noticePart
	Back    Act
	Print   Act
	Empty   Panel
}

// noticePart is one notice with who was told.
type noticePart struct {
	ID     string
	Number string
	Href   string
	What   []say.Text
	State  say.Text
	Open   bool
	Super  bool
	Told   Table
	Once   []Hidden
}

func noticeView(b Base, n store.Notice, super bool) noticePart {
	p := noticePart{
		ID: n.ID, Number: n.Number, What: n.What, Open: n.Answer == nil, Super: super, Once: b.Once(),
		Told: Table{Caption: say.T("Who was told"), Columns: []Column{{Label: say.T("Who")}, {Label: say.T("How")}, {Label: say.T("When")}, {Label: say.T("How it stands")}},
			Empty: say.T("Nobody outside this screen: no contact is set up.")},
	}
	if n.Code != "" {
		p.Href = "/c/" + n.Code + "/outcome"
	}
	p.State = say.T("Nobody has answered yet. Raised at %s.", b.Clock(n.RaisedAt))
	if a := n.Answer; a != nil {
		p.State = say.T("Answered by %s at %s.", a.By.Name, b.Clock(a.At))
	}
	for _, l := range n.Told {
		who := l.Contact
		if who == "" {
			who = "–"
		}
		p.Told.Rows = append(p.Told.Rows, Row{[]Cell{{Data: who}, {Text: channelWords(l.Channel)}, {Text: b.Clock(l.QueuedAt)}, {Text: l.Word(b.Now)}}})
	}
	return p
}

// noticesOf gives the notices of the stops of a consignment that stand.
func (k *kiosk) noticesOf(ctx context.Context, code string) ([]store.Notice, error) {
	all, err := k.store.NoticesOf(ctx, code)
	if err != nil {
		return nil, err
	}
	return slices.DeleteFunc(all, func(n store.Notice) bool { return n.Cause != notify.Stop }), nil
}

func (k *kiosk) told(c *gin.Context) error {
	st, err := k.state(c)
	if err != nil {
		return err
	}
	ns, err := k.noticesOf(c.Request.Context(), st.Code)
	if err != nil {
		return err
	}
	b := k.page(c, say.T("Who was told"))
	p, _ := personOf(c)
	v := &toldView{
		Base: b, Tag: k.stateTag(b, st), Back: Act{Label: say.T("Back to the stop"), Href: "/c/" + st.Code + "/outcome"},
		Print: Act{Label: say.T("Print a notice to hang up"), Symbol: "print", Href: "/c/" + st.Code + "/notice.pdf"},
		Empty: Panel{Kind: panelEmpty, Text: say.T("Nothing was told"), Detail: say.T("No stop of this consignment was ever told to anybody.")},
	}
	for _, n := range ns {
		v.Notices = append(v.Notices, noticeView(b, n, p.Has(people.Supervisor)))
	}
	return k.render(c, http.StatusOK, toldPage, v)
}

// noticesPage lists the notices that nobody answered yet, and how the outbox stands.
var noticesPage = declarePage("notices")

type noticesView struct {
	Base
	Question Question
	Notices  []noticePart
	Facts    []Fact
	Empty    Panel
}

func (k *kiosk) notices(c *gin.Context) error {
	ctx := c.Request.Context()
	open, err := k.store.OpenNotices(ctx)
	if err != nil {
		return err
	}
	count, err := k.store.CountOutbox(ctx)
	if err != nil {
		return err
	}
	b := k.page(c, say.T("Notices"))
	p, _ := personOf(c)
	v := &noticesView{
		Base: b, Question: Question{Text: say.T("Notices that wait for an answer"), Help: say.T("Until somebody answers, the next contact is told.")},
		Empty: Panel{Kind: panelEmpty, Text: say.T("No notice waits"), Detail: say.T("A stop is told here, on every screen, and to the contacts that are set up.")},
		Facts: outboxFacts(count),
	}
	for _, n := range open {
		v.Notices = append(v.Notices, noticeView(b, n, p.Has(people.Supervisor)))
	}
	return k.render(c, http.StatusOK, noticesPage, v)
}

// channelWords says how somebody is told.
func channelWords(c notify.Channel) say.Text {
	switch c {
	case notify.Mail:
		return say.T("by e-mail")
	case notify.Webhook:
		return say.T("by a message to another system")
	case notify.Screen:
		return say.T("on every screen")
	case notify.Print:
		return say.T("by a printed notice")
	}
	return say.T("%s", string(c))
}

func outboxFacts(n store.OutboxCount) []Fact {
	return []Fact{
		{Label: say.T("Messages waiting to be sent"), Data: itoa(n.Waiting)},
		{Label: say.T("Of these failing, and tried again"), Data: itoa(n.Failing)},
		{Label: say.T("Refused by the receiver"), Data: itoa(n.Refused)},
	}
}

// noticePDF is the notice to hang up at a stop. That it was printed is recorded, so
// that a printed notice counts as told.
func (k *kiosk) noticePDF(c *gin.Context) error {
	st, err := k.state(c)
	if err != nil {
		return err
	}
	hold, ok := stopOf(st)
	if !ok {
		return say.Refuse(say.Illegal, "%s is not stopped: there is nothing to hang up.", st.Number)
	}
	ctx := c.Request.Context()
	b := k.page(c, say.T("Stop"))
	onPaper := func(t time.Time) say.Text { return say.T("%s", paperTime(t, b.Now.Location())) }
	n := paper.StopNotice{Place: st.AllIn(), At: onPaper(st.WaitingSince())}
	if hold == 0 {
		e := st.Round().Ended
		n.By, n.Why = e.By.Name, e.Reasons
		for _, x := range st.Round().Exams {
			if n.Place == "" && x.Bench != "" {
				n.Place = x.Bench
			}
		}
	} else {
		h := st.Holds[hold-1]
		n.By, n.Why = h.By.Name, []say.Text{say.T("%s", h.Reason)}
	}
	for _, s := range consignment.StopSteps {
		n.Steps = append(n.Steps, s.Words())
	}
	ns, err := k.noticesOf(ctx, st.Code)
	if err != nil {
		return err
	}
	for _, x := range ns {
		for _, l := range x.Told {
			told := paper.Told{Who: l.Contact, How: channelWords(l.Channel), At: onPaper(l.QueuedAt), Answer: l.Word(b.Now)}
			if a := x.Answer; a != nil && a.By.Name == l.Contact {
				told.Answer = say.T("answered at %s", onPaper(a.At))
			}
			n.Told = append(n.Told, told)
		}
	}
	if n.FormHead, err = k.formHead(ctx, b, st); err != nil {
		return err
	}
	var out bytes.Buffer
	if err := paper.Stop(&out, n, paper.RecordOptions{Paper: k.paper, Say: b.T}); err != nil {
		return err
	}
	if p, ok := personOf(c); ok && p.ID != "" {
		for _, x := range ns {
			if _, err := k.store.MarkPrinted(ctx, x.ID, actorOf(c), benchOf(c), ""); err != nil && say.CodeOf(err) != say.Illegal {
				k.Log.Error("recording that a notice was printed", "notice", x.ID, "error", err)
			}
		}
	}
	c.Header("Content-Disposition", `inline; filename="stop-`+st.Code+`.pdf"`)
	c.Data(http.StatusOK, "application/pdf", out.Bytes())
	return nil
}

// holdsPage lists what keeps a consignment back besides its own inspection.
var holdsPage = declarePage("holds")

type holdsView struct {
	Base
	Tag    Tag
	Holds  []holdPart
	Ended  Table
	Back   Act
	Notice Notice
	Empty  Panel
}

type holdPart struct {
	Rung   ladder.Rung
	Word   say.Text
	Reason string
	Since  say.Text
	By     string
	Source []say.Text
	Href   string // of where it was traced from
	Answer Act    // of a stop
	Action string
	Hidden []Hidden
	Why    Field
	Super  bool
}

func (k *kiosk) holds(c *gin.Context) error { return k.showHolds(c, nil) }

func (k *kiosk) showHolds(c *gin.Context, refused *say.Refusal) error {
	st, err := k.state(c)
	if err != nil {
		return err
	}
	b := k.page(c, say.T("Holds of %s", st.Number))
	b.Version = st.Version
	p, _ := personOf(c)
	v := &holdsView{
		Base: b, Tag: k.stateTag(b, st), Back: Act{Label: say.T("Back to the consignment"), Href: "/c/" + st.Code},
		Empty: Panel{Kind: panelEmpty, Text: say.T("Nothing keeps it back"), Detail: say.T("Only its own inspection counts.")},
		Ended: Table{Caption: say.T("Holds that were lifted"), Columns: []Column{{Label: say.T("Since")}, {Label: say.T("Why")}, {Label: say.T("Lifted")}, {Label: say.T("Why")}}, Empty: say.T("None.")},
	}
	for i, h := range st.Holds {
		if h.Lifted != nil {
			v.Ended.Rows = append(v.Ended.Rows, Row{[]Cell{{Text: b.Clock(h.At)}, {Data: h.Reason}, {Text: say.T("%s, %s", b.Clock(h.Lifted.At), h.Lifted.By.Name)}, {Data: h.Lifted.Reason}}})
			continue
		}
		x := holdPart{
			Rung: h.Rung, Word: say.T("Held"), Reason: h.Reason, Since: b.Clock(h.At), By: h.By.Name, Super: p.Has(people.Supervisor),
			Action: "/c/" + st.Code + "/holds", Hidden: append(b.Once(), Hidden{Name: "hold", Value: itoa(i + 1)}),
			Why: Field{Name: "reason", Label: say.T("Why is it lifted?"), Hint: say.T("It stays on the record."), Required: true},
		}
		if refused != nil && formInt(c, "hold") == i+1 {
			x.Why.Value, x.Why.Error = c.PostForm("reason"), refused.Text
		}
		if h.Rung == ladder.Stop {
			x.Word = say.T("Stopped")
			x.Answer = Act{Label: say.T("Answer the stop"), Href: "/c/" + st.Code + "/answer?hold=" + itoa(i+1), Weight: weightBig}
		}
		if s := h.Source; s != nil {
			x.Source, x.Href = s.Shared, "/c/"+s.Code
			x.Source = append([]say.Text{say.T("Traced from %s", s.Number)}, x.Source...)
		}
		v.Holds = append(v.Holds, x)
	}
	status := http.StatusOK
	if refused != nil {
		status = statuses[refused.Code]
		if len(v.Holds) == 0 {
			v.Notice = Notice{Tone: toneWrong, Text: refused.Text}
		}
	}
	return k.render(c, status, holdsPage, v)
}

func (k *kiosk) liftHold(c *gin.Context) error {
	done, err := k.do(c, consignment.LiftHold{Hold: formInt(c, "hold"), Reason: c.PostForm("reason")})
	if r := asRefusal(err); r != nil {
		return k.showHolds(c, r)
	}
	if err != nil {
		return err
	}
	tell(c, Flash{Tone: toneRight, Text: say.T("The hold is lifted.")})
	return k.onward(c, done.State)
}

// backPage holds or stops a consignment whatever stage it is at.
var backPage = declarePage("back")

type backView struct {
	Base
	Tag      Tag
	Question Question
	Rungs    Choices
	Why      Field
	Action   string
	Notice   Notice
	Do, Back Act
}

func (k *kiosk) backPage(c *gin.Context) error {
	return k.showBack(c, c.Request.URL.Query(), nil)
}

func (k *kiosk) showBack(c *gin.Context, from url.Values, refused *say.Refusal) error {
	st, err := k.state(c)
	if err != nil {
		return err
	}
	b := k.page(c, say.T("Hold or stop %s", st.Number))
	b.Version = st.Version
	v := &backView{
		Base: b, Tag: k.stateTag(b, st), Action: "/c/" + st.Code + "/back",
		Question: Question{Text: say.T("Hold it, or stop it?"), Help: say.T("Anybody may. Only a supervisor can undo it.")},
		Rungs: Choices{Name: "rung", Legend: say.T("What is it?"), Tiles: []Choice{
			{Value: ladder.Sample.String(), Label: say.T("Hold"), Hint: say.T("a doubt: it does not go until that is answered"), Symbol: "rung-sample", Chosen: from.Get("rung") == ladder.Sample.String()},
			{Value: ladder.Stop.String(), Label: say.T("Stop and notify"), Hint: say.T("a quarantine pest is suspected: nothing moves, the supervisor is told"), Symbol: "rung-stop", Chosen: from.Get("rung") == ladder.Stop.String()},
		}},
		Why:  Field{Name: "reason", Label: say.T("Why?"), Hint: say.T("What was seen or heard, and where."), Value: from.Get("reason"), Type: "area", Required: true},
		Do:   Act{Label: say.T("Do it now"), Weight: weightBig},
		Back: Act{Label: say.T("Back: leave it as it is"), Href: "/c/" + st.Code},
	}
	status := http.StatusOK
	if refused != nil {
		status = statuses[refused.Code]
		if !errorAt(refused, map[string]*say.Text{"rung": &v.Rungs.Error, "reason": &v.Why.Error}) {
			v.Notice = Notice{Tone: toneWrong, Text: refused.Text}
		}
	}
	return k.render(c, status, backPage, v)
}

// holdBack does not ask for the version that the page saw: a stop wins over
// whatever happened meanwhile.
func (k *kiosk) holdBack(c *gin.Context) error {
	rung, _ := ladder.Parse(c.PostForm("rung"))
	done, err := k.store.Do(c.Request.Context(), store.Step{
		Code: c.Param("code"), Key: c.PostForm("key"), Actor: actorOf(c), Bench: benchOf(c),
		Command: consignment.HoldBack{Rung: rung, Reason: c.PostForm("reason")},
	})
	if r := asRefusal(err); r != nil {
		return k.showBack(c, c.Request.PostForm, r)
	}
	if err != nil {
		return err
	}
	st := done.State
	if st.Round() != nil && st.Running() == nil {
		return k.forward(c, "/c/"+st.Code+"/outcome")
	}
	return k.forward(c, "/c/"+st.Code+"/holds")
}

// daysBack is how far back a trace looks for goods that left, unless another number
// is asked for: our own.
const daysBack = 30

// riskShown is how many neighbours at risk a stop shows.
const riskShown = 6

// atRisk gives the consignments that share the most with what was found, for the
// screen of a stop. A trace that fails does not hide the stop.
func (k *kiosk) atRisk(c *gin.Context, b Base, st *consignment.State) (tags []Tag, more int) {
	got, err := k.store.Trace(c.Request.Context(), store.TraceFrom{Code: st.Code, Since: b.Now.Add(-daysBack * 24 * time.Hour)})
	if err != nil {
		k.Log.Error("tracing what is at risk", "consignment", st.Number, "error", err)
		return nil, 0
	}
	for i, l := range got.Links {
		if i == riskShown {
			return tags, len(got.Links) - riskShown
		}
		t := summaryTag(b, l.Summary)
		t.Href, t.Small = "/c/"+l.Summary.Code, true
		t.Note = l.Shared[0].Words()
		tags = append(tags, t)
	}
	return tags, 0
}
