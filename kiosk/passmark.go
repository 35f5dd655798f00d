package kiosk

import (
	"bytes"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"github.com/gin-gonic/gin"

	"lastlook/internal/code"
	"lastlook/internal/consignment"
	"lastlook/internal/label"
	"lastlook/internal/order"
	"lastlook/internal/paper"
	"lastlook/internal/say"
)

// marksPage prints the outcome of an inspection, to be put over the labels of the
// packages or on the whole consignment.
var marksPage = declarePage("marks")

func (k *kiosk) markRoutes(e *gin.Engine) {
	e.GET("/c/:code/marks", k.as(atBench, k.marksPage))
	e.POST("/c/:code/marks", k.as(atBench, k.printMarks))
	e.GET("/c/:code/marks.pdf", k.as(atBench, k.marksPDF))
}

type marksView struct {
	Base
	Tag      Tag
	Question Question
	Done     bool
	Open     Act
	Next     Act
	Barred   Notice // no mark can be printed
	Action   string
	What     Choices
	Sheets   Choices
	From, To Field
	Skip     Field
	Print    Act
	Past     Table
	Back     Act
}

// What marks are for.
const (
	markWhole = "whole" // one for the consignment
	markEach  = "each"  // one for each package
)

// markRun is which marks are asked for, as read.
type markRun struct {
	What     string
	Sheet    paper.Sheet
	Packages []int // for markEach
	From, To int
	Skip     int
}

func (r markRun) marks() int {
	if r.What == markWhole {
		return 1
	}
	return len(r.Packages)
}

// query gives the run as the end of an address.
func (r markRun) query() string {
	return url.Values{"what": {r.What}, "sheet": {r.Sheet.Name}, "from": {itoa(r.From)}, "to": {itoa(r.To)}, "skip": {itoa(r.Skip)}}.Encode()
}

// readMarks reads which marks are asked for. What is left empty is the usual.
func (k *kiosk) readMarks(st *consignment.State, get func(string) string) (markRun, wrongs) {
	w := wrongs{}
	r := markRun{What: or(get("what"), markEach), From: 1, To: st.Total()}
	if r.What != markWhole && r.What != markEach {
		w.add("what", say.T("Choose what the marks are for."))
		r.What = markEach
	}
	name := or(get("sheet"), k.paper)
	at := slices.IndexFunc(paper.MarkSheets(), func(s paper.Sheet) bool { return s.Name == name })
	if at < 0 {
		w.add("sheet", say.T("Choose what the marks are printed on."))
		at = 0
	}
	r.Sheet = paper.MarkSheets()[at]
	for _, f := range []struct {
		name string
		to   *int
	}{{"from", &r.From}, {"to", &r.To}} {
		if strings.TrimSpace(get(f.name)) == "" || r.What == markWhole {
			continue
		}
		n, err := order.ParseCount(get(f.name), st.Total())
		if err != nil {
			w.refuse(f.name, err)
			continue
		}
		*f.to = n
	}
	if s := strings.TrimSpace(get("skip")); s != "" && strings.Trim(s, "0") != "" {
		n, err := order.ParseCount(s, max(r.Sheet.PerPage()-1, 1))
		if err != nil || n >= r.Sheet.PerPage() {
			w.add("skip", say.T("This sheet has %d labels, so 0 to %d of them can be gone.", r.Sheet.PerPage(), r.Sheet.PerPage()-1))
		} else {
			r.Skip = n
		}
	}
	if len(w) > 0 || r.What == markWhole {
		return r, w
	}
	for _, n := range st.Numbers() {
		if n >= r.From && n <= r.To {
			r.Packages = append(r.Packages, n)
		}
	}
	switch {
	case r.To < r.From:
		w.add("to", say.T("The last label must be from %s to %s.", itoa(r.From), itoa(st.Total())))
	case len(r.Packages) == 0:
		w.add("from", say.T("None of these packages is there any more: they were taken out."))
	case len(r.Packages) > paper.MaxLabels:
		w.add("to", say.T("%s labels are more than one file holds (%s). Print %s to %s first, then the rest.",
			itoa(len(r.Packages)), itoa(paper.MaxLabels), itoa(r.From), itoa(r.Packages[paper.MaxLabels-1])))
	}
	return r, w
}

// mayMark refuses marks that would say what is no longer so. The core refuses the
// step likewise; the file is asked for without one.
func (k *kiosk) mayMark(st *consignment.State) *say.Refusal {
	switch r := st.Round(); {
	case st.ToMark() == "":
		return say.Refuse(say.Illegal, "There is no outcome to mark yet.")
	case st.ToMark() != consignment.Passed:
		return nil
	case k.Now().After(r.Ended.ValidUntil):
		return say.Refuse(say.Illegal, "%s passed, but its window is over since %s: no passed mark is printed. Inspect it again.", st.Number, say.Moment(r.Ended.ValidUntil))
	}
	return nil
}

func (k *kiosk) marksPage(c *gin.Context) error {
	return k.showMarks(c, http.StatusOK, c.Query, nil, nil)
}

func (k *kiosk) showMarks(c *gin.Context, status int, get func(string) string, w wrongs, refused *say.Refusal) error {
	st, err := k.state(c)
	if err != nil {
		return err
	}
	b := k.page(c, say.T("Marks of %s", st.Number))
	b.Version = st.Version
	path := "/c/" + st.Code + "/marks"
	run, bad := k.readMarks(st, get)
	v := &marksView{
		Base: b, Tag: k.stateTag(b, st), Action: path,
		Done:  get("done") != "" && len(bad) == 0 && len(w) == 0 && refused == nil,
		Print: Act{Label: say.T("Make the marks"), Symbol: "print", Weight: weightBig},
		From:  Field{Name: "from", Label: say.T("First package"), Value: or(get("from"), "1"), Mode: "numeric", Error: w["from"]},
		To:    Field{Name: "to", Label: say.T("Last package"), Value: or(get("to"), itoa(st.Total())), Mode: "numeric", Error: w["to"]},
		Skip: Field{Name: "skip", Label: say.T("Labels gone from the first sheet"), Hint: say.T("0 for a whole sheet"), Mode: "numeric",
			Value: or(get("skip"), "0"), Error: w["skip"]},
		Past: marksTable(b, st),
		Back: Act{Label: say.T("Back to the outcome"), Symbol: "back", Href: "/c/" + st.Code + "/outcome", Weight: weightQuiet},
	}
	if refused == nil {
		refused = k.mayMark(st)
	}
	if refused != nil {
		if status == http.StatusOK {
			status = statuses[refused.Code]
		}
		v.Done, v.Barred = false, Notice{Tone: toneWrong, Text: refused.Text}
		v.Question = Question{Text: say.T("No mark can be printed now")}
	}
	if st.ToMark() == "" {
		return k.render(c, status, marksPage, v)
	}
	if v.Barred.Text.IsZero() {
		v.Question = Question{Text: say.T("Print marks: %s", st.ToMark().Words()), Help: say.T("They go over the labels of the packages, or on the whole consignment, and are scanned like the labels.")}
	}
	v.What = Choices{Name: "what", Legend: say.T("What are they for?"), Error: w["what"], Tiles: []Choice{
		{Value: markEach, Label: say.T("Each package"), Hint: say.T("%d packages are there", st.Count()), Chosen: run.What == markEach},
		{Value: markWhole, Label: say.T("The whole consignment"), Hint: say.T("one mark"), Chosen: run.What == markWhole},
	}}
	v.Sheets = Choices{Name: "sheet", Legend: say.T("Printed on"), Error: w["sheet"]}
	for _, s := range paper.MarkSheets() {
		v.Sheets.Tiles = append(v.Sheets.Tiles, Choice{Value: s.Name, Label: s.Title, Chosen: s.Name == run.Sheet.Name})
	}
	if v.Done {
		v.Question = Question{Text: say.T("The marks are made"), Help: say.T("Open them, print them at full size, and stick them on.")}
		hint := say.T("one mark for the whole consignment")
		if run.What == markEach {
			hint = say.T("%d marks, packages %s to %s", run.marks(), itoa(run.From), itoa(run.To))
		}
		v.Open = Act{Label: say.T("Open the marks (PDF)"), Hint: hint, Symbol: "print", Href: path + ".pdf?" + run.query(), Weight: weightBig}
		if st.Standing() == consignment.StandPassed {
			v.Next = Act{Label: say.T("Check the store"), Symbol: "leaf", Href: "/c/" + st.Code + "/store"}
		} else {
			v.Next = Act{Label: say.T("See the outcome"), Symbol: "next", Href: "/c/" + st.Code + "/outcome"}
		}
	}
	return k.render(c, status, marksPage, v)
}

func marksTable(b Base, st *consignment.State) Table {
	t := Table{Caption: say.T("Printed so far"), Columns: []Column{
		{Label: say.T("When")}, {Label: say.T("Who")}, {Label: say.T("Outcome")}, {Label: say.T("Marks"), Number: true}, {Label: say.T("On")},
	}}
	for _, m := range slices.Backward(st.Marks) {
		t.Rows = append(t.Rows, Row{[]Cell{{Text: b.Clock(m.At)}, {Data: m.By.Name}, {Text: m.Outcome.Words()}, {Data: itoa(m.MarksPrinted.Marks), Number: true}, {Data: m.Sheet}}})
	}
	return t
}

func (k *kiosk) printMarks(c *gin.Context) error {
	st, err := k.state(c)
	if err != nil {
		return err
	}
	run, w := k.readMarks(st, c.PostForm)
	if len(w) > 0 {
		return k.showMarks(c, http.StatusUnprocessableEntity, c.PostForm, w, nil)
	}
	refused := k.mayMark(st)
	if refused == nil {
		_, err := k.do(c, consignment.PrintMarks{Sheet: run.Sheet.Name, Marks: run.marks()})
		if refused = asRefusal(err); refused == nil && err != nil {
			return err
		}
	}
	if refused != nil {
		return k.showMarks(c, statuses[refused.Code], c.PostForm, nil, refused)
	}
	return k.forward(c, "/c/"+st.Code+"/marks?done=1&"+run.query())
}

// markNotes is the one sentence that a mark says besides the outcome.
var markNotes = map[consignment.Standing]say.Text{
	consignment.StandPassed:   say.T("Loaded only through the gate."),
	consignment.StandRejected: say.T("Does not leave. Keep apart."),
	consignment.StandIsolated: say.T("Does not leave. Keep apart."),
	consignment.StandHeld:     say.T("Does not move until it is identified."),
	consignment.StandStopped:  say.T("Do not move. Call the supervisor."),
}

// markedSince is since when, and by whom, what the marks say is so.
func markedSince(st *consignment.State) consignment.Ending {
	var e consignment.Ending
	if r := st.Round(); r != nil && r.Ended != nil {
		e = *r.Ended
	}
	if open := st.OpenHolds(); len(open) > 0 && e.Outcome != st.ToMark() {
		e.At, e.By = open[0].At, open[0].By
	}
	return e
}

// marksPDF gives the marks as a file.
func (k *kiosk) marksPDF(c *gin.Context) error {
	st, err := k.state(c)
	if err != nil {
		return err
	}
	if refused := k.mayMark(st); refused != nil {
		return refused
	}
	run, w := k.readMarks(st, c.Query)
	for _, text := range w {
		return &say.Refusal{Code: say.Invalid, Text: text}
	}
	b := k.page(c, say.T("Marks of %s", st.Number))
	at, zone := markedSince(st), b.Now.Location()
	mark := paper.MarkLabel{
		Code: code.Consignment(st.Code), Outcome: st.ToMark(), Consignment: st.Number, Packages: st.Count(), Destination: st.Destination,
		At: b.Say(label.Leaves(at.At.In(zone))), By: at.By.Name, Note: b.Say(markNotes[st.Standing()]),
	}
	if mark.Outcome == consignment.Passed {
		mark.Until = b.Say(label.Leaves(at.ValidUntil.In(zone)))
	}
	marks := []paper.MarkLabel{mark}
	if run.What == markEach {
		marks = nil
		for _, n := range run.Packages {
			one := mark
			one.Code, one.Package, one.Packages = packageCode(st.Code, n), n, st.Total()
			marks = append(marks, one)
		}
	}
	var pdf bytes.Buffer
	if err := paper.Marks(&pdf, run.Sheet, marks, paper.LabelOptions{Say: b.T, Invented: k.Demo, Start: run.Skip + 1, Created: k.Now(), Title: b.Say(b.Title)}); err != nil {
		return err
	}
	c.Header("Content-Disposition", contentDisposition("marks "+st.Number+".pdf"))
	c.Data(http.StatusOK, "application/pdf", pdf.Bytes())
	return nil
}
