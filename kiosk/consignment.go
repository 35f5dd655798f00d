package kiosk

import (
	"net/http"
	"slices"
	"time"

	"github.com/gin-gonic/gin"

	"lastlook/internal/consignment"
	"lastlook/internal/order"
	"lastlook/internal/record"
	"lastlook/internal/say"
)

// consignmentPage shows one consignment as it stands.
var consignmentPage = declarePage("consignment")

type consignmentView struct {
	Base
	Tag   Tag
	Next  Act
	Facts []Fact
	Lines Table
	// Rounds are the inspections so far, the newest first.
	Rounds Table
	Links  []Act
}

// stepPath is the screen for a step of a consignment.
func stepPath(code string, s consignment.Step) string {
	base := "/c/" + code
	switch s.Kind {
	case consignment.StepLabels:
		return base + "/labels"
	case consignment.StepBefore:
		return base + "/check/before"
	case consignment.StepSeal:
		return base + "/seal"
	case consignment.StepFetch:
		return base + "/fetch"
	case consignment.StepOpen, consignment.StepExamine:
		return packagePath(code, s.Package)
	case consignment.StepAfter:
		return base + "/check/after"
	case consignment.StepConclude:
		return base + "/conclude"
	}
	return base + "/outcome"
}

func nextPath(st *consignment.State, bench string) string {
	if len(st.OpenHolds()) > 0 && st.Dispatched == nil && (st.Round() == nil || st.Running() != nil) {
		return "/c/" + st.Code + "/holds"
	}
	return stepPath(st.Code, consignment.Next(st, bench))
}

// stepWords says what comes next, as the label of the act that leads there.
func stepWords(s consignment.Step) say.Text {
	switch s.Kind {
	case consignment.StepLabels:
		return say.T("Print the labels")
	case consignment.StepBefore:
		return say.T("Check the bench")
	case consignment.StepSeal:
		return say.T("Count, seal and draw")
	case consignment.StepFetch:
		return say.T("Fetch the drawn packages")
	case consignment.StepOpen:
		return say.T("Open package %03d", s.Package)
	case consignment.StepExamine:
		return say.T("Go on with package %03d", s.Package)
	case consignment.StepAfter:
		return say.T("Check the bench again")
	case consignment.StepConclude:
		return say.T("Decide the outcome")
	}
	return say.T("See the outcome")
}

// next answers a tap on a tag: the screen for what comes next, no menu.
func (k *kiosk) next(c *gin.Context) error {
	st, err := k.state(c)
	if err != nil {
		return err
	}
	return k.onward(c, st)
}

func (k *kiosk) consignment(c *gin.Context) error {
	st, err := k.state(c)
	if err != nil {
		return err
	}
	b := k.page(c, say.T("Consignment %s", st.Number))
	b.Version = st.Version
	tag := k.stateTag(b, st)
	tag.Small = false
	rules := k.store.Rules(st.Destination)
	step := consignment.Next(st, benchOf(c))
	v := &consignmentView{
		Base: b, Tag: tag,
		Next: Act{Label: stepWords(step), Href: stepPath(st.Code, step), Weight: weightBig, Symbol: "leaf"},
		Facts: []Fact{
			{Label: say.T("Code on the labels"), Data: st.Code},
			{Label: say.T("Invoice"), Data: orDash(st.Invoice)},
			{Label: say.T("Leaves"), Text: b.LeaveBy(st.DispatchAt)},
			{Label: say.T("Inspect from"), Text: inspectFrom(b, st.EarliestStart(rules))},
			{Label: say.T("Start by"), Text: say.T("%s (about %d min at the bench, our estimate)", b.Clock(st.LatestStart(rules)), int(st.ExpectedWork(rules).Minutes()))},
			{Label: say.T("Rounds so far"), Data: itoa(len(st.Rounds))},
		},
		Lines:  linesTable(st),
		Rounds: roundsTable(b, st),
		Links: []Act{
			{Label: say.T("Labels"), Symbol: "print", Href: "/c/" + st.Code + "/labels"},
			{Label: say.T("Change time or count"), Symbol: "keys", Href: "/c/" + st.Code + "/change"},
			{Label: say.T("Where it stands"), Symbol: "to", Href: "/c/" + st.Code + "/where"},
			{Label: say.T("History"), Symbol: "look", Href: "/c/" + st.Code + "/history"},
			{Label: say.T("Record"), Symbol: "book", Href: "/c/" + st.Code + "/record"},
			{Label: say.T("Hold it, or stop it"), Symbol: "keys", Href: "/c/" + st.Code + "/back"},
		},
	}
	if st.Round() != nil {
		v.Links[1].Label = say.T("Change the time")
		v.Links = append(v.Links, Act{Label: say.T("Packages taken out or added"), Symbol: "keys", Href: "/c/" + st.Code + "/list"})
	}
	if len(st.Treatments) > 0 {
		v.Links = append(v.Links, Act{Label: say.T("Treatments"), Symbol: "book", Href: "/c/" + st.Code + "/treat"})
	}
	return k.render(c, http.StatusOK, consignmentPage, v)
}

// roundsTable lists the inspections so far with how each ended, the newest first.
func roundsTable(b Base, st *consignment.State) Table {
	t := Table{Caption: say.T("Inspections"), Columns: []Column{
		{Label: say.T("Round"), Number: true}, {Label: say.T("Outcome")}, {Label: say.T("When")}, {Label: say.T("Opened")}, {Label: say.T("Finds"), Number: true}, {Label: say.T("Who")}, {Label: say.T("Why, and what else")},
	}}
	for _, r := range slices.Backward(st.Rounds) {
		row := []Cell{{Data: itoa(r.Number), Number: true}}
		if e := r.Ended; e != nil {
			row = append(row, Cell{Mark: &Mark{State: state(e.Outcome), Text: e.Outcome.Words()}}, Cell{Text: b.Clock(e.At)})
		} else {
			row = append(row, Cell{Mark: &Mark{State: stateWork}}, Cell{Text: say.T("since %s", b.Clock(r.SealedAt))})
		}
		opened := 0
		for _, x := range r.Exams {
			if !x.OpenedAt.IsZero() {
				opened++
			}
		}
		row = append(row, Cell{Text: say.T("%d of %d", opened, r.Packages)}, Cell{Data: itoa(len(r.Finds)), Number: true})
		who := r.SealedBy.Name
		if r.Ended != nil {
			who = r.Ended.By.Name
		}
		row = append(row, Cell{Data: who})
		switch {
		case r.Detail != nil:
			row = append(row, Cell{Text: say.T("examined in detail"), Href: "/c/" + st.Code + "/detail?round=" + itoa(r.Number)})
		case r.Reason != "":
			row = append(row, Cell{Data: r.Reason})
		case r.Ended != nil && len(r.Ended.Reasons) > 0:
			row = append(row, Cell{Text: r.Ended.Reasons[0]})
		default:
			row = append(row, Cell{Data: "–"})
		}
		t.Rows = append(t.Rows, Row{row})
	}
	return t
}

// inspectFrom says from when on an inspection holds until dispatch.
func inspectFrom(b Base, earliest time.Time) say.Text {
	if earliest.Before(b.Now) {
		return say.T("now")
	}
	return b.Clock(earliest)
}

func orDash(s string) string {
	if s == "" {
		return "–"
	}
	return s
}

func linesTable(st *consignment.State) Table {
	t := Table{Caption: say.T("Crop lines"), Columns: []Column{
		{Label: say.T("Crop")}, {Label: say.T("Batch")}, {Label: say.T("Bay")},
		{Label: say.T("Packages"), Number: true}, {Label: say.T("Numbered"), Number: true}, {Label: say.T("Units a package"), Number: true},
	}}
	first := 1
	for _, l := range st.Lines {
		last := first + l.Packages - 1
		numbered := Cell{Data: pad(first) + "–" + pad(last), Number: true}
		if n := len(l.Removed); n == l.Packages {
			numbered = Cell{Text: say.T("all taken out"), Number: true}
		} else if n > 0 {
			numbered = Cell{Text: say.T("%s–%s without %s", pad(first), pad(last), record.Numbers(l.Removed)), Number: true}
		}
		t.Rows = append(t.Rows, Row{[]Cell{
			{Data: l.Crop}, {Data: orDash(l.Batch)}, {Data: orDash(l.Bay)},
			{Data: itoa(l.Present()), Number: true}, numbered, {Data: itoa(l.UnitsPerPackage), Number: true},
		}})
		first = last + 1
	}
	return t
}

// historyPage lists every step on record.
var historyPage = declarePage("history")

type historyView struct {
	Base
	Tag   Tag
	Steps Table
	Back  Act
}

func (k *kiosk) history(c *gin.Context) error {
	st, err := k.state(c)
	if err != nil {
		return err
	}
	b := k.page(c, say.T("History of %s", st.Number))
	v := &historyView{Base: b, Tag: k.stateTag(b, st), Back: Act{Label: say.T("Back to the consignment"), Href: "/c/" + st.Code},
		Steps: Table{Caption: say.T("Every step, newest first"), Columns: []Column{
			{Label: say.T("Step"), Number: true}, {Label: say.T("When")}, {Label: say.T("Who")}, {Label: say.T("Bench")}, {Label: say.T("What")},
		}}}
	p, _ := personOf(c)
	super := p.Has(consignment.Supervisor)
	for _, rec := range slices.Backward(st.History) {
		what := consignment.Describe(rec.Event)
		if am, ok := st.Amendment(rec.Version); ok {
			if am.With == nil {
				what = say.T("%s — taken back in step %d", what, am.Version)
			} else {
				what = say.T("%s — amended in step %d", what, am.Version)
			}
		}
		told := Cell{Text: what}
		if _, amended := st.Amendment(rec.Version); super && !amended && st.Dispatched == nil && consignment.FollowsDecision(rec.Event) {
			told.Href = takeBackPath(st.Code, rec.Version)
		}
		v.Steps.Rows = append(v.Steps.Rows, Row{[]Cell{
			{Data: itoa(rec.Version), Number: true}, {Text: b.Clock(rec.At)}, {Data: rec.Actor.Name}, {Data: rec.Bench}, told,
		}})
	}
	return k.render(c, http.StatusOK, historyPage, v)
}

// changePage changes the dispatch time or the number of packages, with a reason.
var changePage = declarePage("change")

type changeView struct {
	Base
	Tag      Tag
	Dispatch Field
	Why      Field
	Lines    []Field
	LineWhy  Field
	Sealed   bool
	Again    bool // between inspections: packages keep their numbers
	List     Act
	Action   string
	Back     Act
	Focus    string // which of the two forms was refused
}

func (k *kiosk) changePage(c *gin.Context) error { return k.showChange(c, nil) }

// showChange shows the page, with what was typed and one sentence if a step was refused.
func (k *kiosk) showChange(c *gin.Context, refused *say.Refusal) error {
	st, err := k.state(c)
	if err != nil {
		return err
	}
	b := k.page(c, say.T("Change %s", st.Number))
	b.Version = st.Version
	v := &changeView{
		Base: b, Tag: k.stateTag(b, st), Action: "/c/" + st.Code + "/change", Sealed: st.Running() != nil, Again: st.Round() != nil && st.Running() == nil,
		Dispatch: Field{Name: "dispatch", Label: say.T("It leaves at"), Type: "datetime-local", Value: st.DispatchAt.In(b.Now.Location()).Format("2006-01-02T15:04"), Required: true},
		Why:      Field{Name: "reason", Label: say.T("Why?"), Hint: say.T("It stays on the record."), Required: true},
		LineWhy:  Field{Name: "reason_count", Label: say.T("Why?"), Hint: say.T("It stays on the record."), Required: true},
		List:     Act{Label: say.T("Packages taken out or added"), Symbol: "keys", Href: "/c/" + st.Code + "/list"},
		Back:     Act{Label: say.T("Back to the consignment"), Href: "/c/" + st.Code},
	}
	for i, l := range st.Lines {
		v.Lines = append(v.Lines, Field{Name: "packages_" + itoa(i), Label: say.T("%s: packages", l.Crop), Value: itoa(l.Packages), Mode: "numeric"})
	}
	status := http.StatusOK
	if refused != nil {
		status = statuses[refused.Code]
		v.Focus = c.PostForm("what")
		v.Dispatch.Value, v.Why.Value, v.LineWhy.Value = c.DefaultPostForm("dispatch", v.Dispatch.Value), c.PostForm("reason"), c.PostForm("reason_count")
		for i := range v.Lines {
			v.Lines[i].Value = c.DefaultPostForm(v.Lines[i].Name, v.Lines[i].Value)
		}
		switch {
		case refused.Field == "reason" && v.Focus == "count":
			v.LineWhy.Error = refused.Text
		case refused.Field == "reason":
			v.Why.Error = refused.Text
		case refused.Field == "packages" && len(v.Lines) > 0:
			v.Lines[min(max(formInt(c, "line"), 0), len(v.Lines)-1)].Error = refused.Text
		case v.Focus == "time":
			v.Dispatch.Error = refused.Text
		default:
			v.Flash = Flash{Tone: toneWrong, Text: refused.Text}
		}
	}
	return k.render(c, status, changePage, v)
}

func (k *kiosk) change(c *gin.Context) error {
	st, err := k.state(c)
	if err != nil {
		return err
	}
	if c.PostForm("what") == "time" {
		at, err := order.ParseDispatch(c.PostForm("dispatch"), k.Now().Location())
		if err == nil {
			_, err = k.do(c, consignment.Reschedule{DispatchAt: at, Reason: c.PostForm("reason")})
		}
		return k.changed(c, st, err)
	}
	for i, l := range st.Lines {
		n, err := formNumber(c.DefaultPostForm("packages_"+itoa(i), itoa(l.Packages)))
		if err != nil {
			c.Request.PostForm.Set("line", itoa(i))
			return k.changed(c, st, notNumber("packages"))
		}
		if n == l.Packages {
			continue
		}
		c.Request.PostForm.Set("line", itoa(i))
		_, err = k.do(c, consignment.Recount{Line: i, Packages: n, Reason: c.PostForm("reason_count")})
		return k.changed(c, st, err)
	}
	return k.changed(c, st, say.Refuse(say.Invalid, "No number was changed.").For("packages"))
}

func (k *kiosk) changed(c *gin.Context, st *consignment.State, err error) error {
	if r := asRefusal(err); r != nil {
		return k.showChange(c, r)
	}
	if err != nil {
		return err
	}
	tell(c, Flash{Tone: toneRight, Text: say.T("Changed. The old value stays on record.")})
	return k.forward(c, "/c/"+st.Code)
}
