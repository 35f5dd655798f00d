package kiosk

import (
	"bytes"
	"html/template"
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

// labelsPage makes the labels of a consignment's packages, or of some of them.
var labelsPage = declarePage("labels")

type labelsView struct {
	Base
	Tag      Tag
	Question Question
	Done     bool // they are made: the way to the file comes first
	Open     Act
	Next     Act
	Many     Notice
	Action   string
	Sheets   Choices
	From, To Field
	Skip     Field
	Reason   Field
	Print    Act
	Preview  labelFace
	Past     Table
	Back     Act
}

// labelFace is a label on screen, with what is printed on paper.
type labelFace struct {
	Number      string
	Count       say.Text
	Destination string
	Customer    string
	Crop        string
	Batch       string
	LeaveBy     say.Text
	Bars, QR    template.HTML
	Code        string
	Invented    bool
}

// run is which labels are asked for, as typed and as read.
type labelRun struct {
	Sheet    paper.Sheet
	From, To int
	Skip     int
	Reason   string
}

// query gives the run as the end of an address.
func (r labelRun) query() string {
	return url.Values{"sheet": {r.Sheet.Name}, "from": {itoa(r.From)}, "to": {itoa(r.To)}, "skip": {itoa(r.Skip)}}.Encode()
}

// readRun reads which labels are asked for. get gives what was typed, by name; what
// is left empty is the usual: the site's sheet, all packages, a whole sheet.
func (k *kiosk) readRun(st *consignment.State, get func(string) string) (labelRun, wrongs) {
	w := wrongs{}
	r := labelRun{From: 1, To: st.Total(), Reason: strings.TrimSpace(get("reason"))}
	name := get("sheet")
	if name == "" {
		name = k.paper
	}
	var err error
	if r.Sheet, err = paper.SheetNamed(name); err != nil {
		w.add("sheet", say.T("Choose what the labels are printed on."))
		r.Sheet = paper.Sheets()[0]
	}
	for _, f := range []struct {
		name string
		most int
		to   *int
	}{{"from", st.Total(), &r.From}, {"to", st.Total(), &r.To}} {
		if strings.TrimSpace(get(f.name)) == "" {
			continue
		}
		n, err := order.ParseCount(get(f.name), f.most)
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
	if len(w) > 0 {
		return r, w
	}
	switch {
	case r.To < r.From:
		w.add("to", say.T("The last label must be from %s to %s.", itoa(r.From), itoa(st.Total())))
	case present(st, r.From, r.To) == 0 && st.Total() > 0:
		w.add("from", say.T("Packages %s to %s were taken out: there is no label to print.", itoa(r.From), itoa(r.To)))
	case r.To-r.From+1 > paper.MaxLabels:
		w.add("to", say.T("%s labels are more than one file holds (%s). Print %s to %s first, then the rest.",
			itoa(r.To-r.From+1), itoa(paper.MaxLabels), itoa(r.From), itoa(r.From+paper.MaxLabels-1)))
	}
	return r, w
}

func (k *kiosk) labelsPage(c *gin.Context) error { return k.showLabels(c, http.StatusOK, c.Query, nil) }

// showLabels shows the page with what was typed and what is wrong with it.
func (k *kiosk) showLabels(c *gin.Context, status int, get func(string) string, w wrongs) error {
	st, err := k.state(c)
	if err != nil {
		return err
	}
	b := k.page(c, say.T("Labels of %s", st.Number))
	b.Version = st.Version
	path := "/c/" + st.Code + "/labels"
	run, bad := k.readRun(st, get)
	done := get("done") != "" && len(bad) == 0 && len(w) == 0
	from, to := run.From, run.To
	var many Notice
	if st.Total() > paper.MaxLabels {
		many = Notice{Tone: toneNote, Text: say.T("One file holds %s labels: print these %s in parts.", itoa(paper.MaxLabels), itoa(st.Total())),
			Detail: say.T("%s to %s, then %s to %s, and so on.", itoa(1), itoa(paper.MaxLabels), itoa(paper.MaxLabels+1), itoa(min(2*paper.MaxLabels, st.Total())))}
		if get("to") == "" {
			from, to = nextRun(st)
		}
	}
	v := &labelsView{
		Base: b, Tag: k.stateTag(b, st), Many: many, Action: path, Done: done,
		Question: Question{Text: say.T("Print the labels"), Help: say.T("One for each package. The scan at the bench reads them.")},
		Sheets:   Choices{Name: "sheet", Legend: say.T("Printed on"), Error: w["sheet"]},
		From:     Field{Name: "from", Label: say.T("First package"), Value: or(get("from"), itoa(from)), Mode: "numeric", Error: w["from"]},
		To:       Field{Name: "to", Label: say.T("Last package"), Value: or(get("to"), itoa(to)), Mode: "numeric", Error: w["to"]},
		Skip: Field{Name: "skip", Label: say.T("Labels gone from the first sheet"), Hint: say.T("0 for a whole sheet"), Mode: "numeric",
			Value: or(get("skip"), "0"), Error: w["skip"]},
		Reason: Field{Name: "reason", Label: say.T("Why again?"), Hint: say.T("Only for labels printed before: torn, wet, lost. It stays on the record."), Value: get("reason"), Error: w["reason"]},
		Print:  Act{Label: say.T("Make the labels"), Symbol: "print", Weight: weightBig},
		Past:   pastTable(b, st),
		Back:   Act{Label: say.T("Back to the consignment"), Symbol: "back", Href: "/c/" + st.Code, Weight: weightQuiet},
	}
	for _, s := range paper.Sheets() {
		v.Sheets.Tiles = append(v.Sheets.Tiles, Choice{Value: s.Name, Label: s.Title, Chosen: s.Name == run.Sheet.Name})
	}
	if done {
		v.Question = Question{Text: say.T("The labels are made"), Help: say.T("Open them, print them at full size, and stick one on each package.")}
		v.Open = Act{Label: say.T("Open the labels (PDF)"), Hint: labelsText(st, run.From, run.To), Symbol: "print", Href: "/c/" + st.Code + "/labels.pdf?" + run.query(), Weight: weightBig}
		v.Next = Act{Label: stepWords(consignment.Next(st, benchOf(c))), Href: nextPath(st, benchOf(c)), Symbol: "next"}
	}
	first := min(max(run.From, 1), max(st.Total(), 1))
	for first < st.Total() && !st.Present(first) {
		first++
	}
	if v.Preview, err = k.face(b, st, first); err != nil {
		return err
	}
	return k.render(c, status, labelsPage, v)
}

// labelsText says which labels are in a file.
func labelsText(st *consignment.State, from, to int) say.Text {
	if from == to {
		return say.T("the label of package %s", itoa(from))
	}
	return say.T("%s labels, %s to %s", itoa(present(st, from, to)), itoa(from), itoa(to))
}

// present counts the packages from to to that were not taken out.
func present(st *consignment.State, from, to int) int {
	n := 0
	for i := from; i <= to; i++ {
		if st.Present(i) {
			n++
		}
	}
	return n
}

func or(s, other string) string {
	if s == "" {
		return other
	}
	return s
}

// nextRun proposes the first labels that one file can hold and that were not
// printed yet.
func nextRun(st *consignment.State) (from, to int) {
	from = 1
	for from < st.Total() && (label.Printed(st, from) || !st.Present(from)) {
		from++
	}
	return from, min(from+paper.MaxLabels-1, st.Total())
}

func pastTable(b Base, st *consignment.State) Table {
	t := Table{Caption: say.T("Printed so far"), Columns: []Column{
		{Label: say.T("When")}, {Label: say.T("Who")}, {Label: say.T("Packages"), Number: true}, {Label: say.T("On")}, {Label: say.T("Why again")},
	}}
	for _, p := range slices.Backward(st.Labels) {
		t.Rows = append(t.Rows, Row{[]Cell{{Text: b.Clock(p.At)}, {Data: p.By.Name}, {Data: pad(p.From) + "–" + pad(p.To), Number: true}, {Data: p.Sheet}, {Data: orDash(p.Reason)}}})
	}
	return t
}

// printLabels records that labels were made, then leads to the file.
func (k *kiosk) printLabels(c *gin.Context) error {
	st, err := k.state(c)
	if err != nil {
		return err
	}
	run, w := k.readRun(st, c.PostForm)
	// A page that saw an older version is either this very form pressed twice or
	// stale; the store tells them apart by the key, before a reason is asked for.
	saw := formInt(c, "version")
	if current := saw == 0 || saw == st.Version; len(w) == 0 && current && run.Reason == "" && label.Reprint(st, run.From, run.To) {
		w.add("reason", say.T("These labels were printed before. Say why they are printed again."))
	}
	if len(w) > 0 {
		return k.showLabels(c, http.StatusUnprocessableEntity, c.PostForm, w)
	}
	_, err = k.do(c, consignment.PrintLabels{Sheet: run.Sheet.Name, From: run.From, To: run.To, Reason: run.Reason})
	if refused := asRefusal(err); refused != nil && (refused.Field == "from" || refused.Field == "reason") {
		return k.showLabels(c, statuses[refused.Code], c.PostForm, wrongs{refused.Field: refused.Text})
	}
	if err != nil {
		return err
	}
	return k.forward(c, "/c/"+st.Code+"/labels?done=1&"+run.query())
}

// labelsPDF gives the labels as a file.
func (k *kiosk) labelsPDF(c *gin.Context) error {
	st, err := k.state(c)
	if err != nil {
		return err
	}
	run, w := k.readRun(st, c.Query)
	for _, text := range w {
		return &say.Refusal{Code: say.Invalid, Text: text}
	}
	b := k.page(c, say.T("Labels of %s", st.Number))
	ls, err := label.For(st, run.From, run.To, k.Now().Location(), b.T)
	if err != nil {
		return err
	}
	head, err := k.store.Head(c.Request.Context())
	if err != nil {
		return err
	}
	var pdf bytes.Buffer
	err = paper.Labels(&pdf, run.Sheet, ls, paper.LabelOptions{
		Say: b.T, Invented: k.Demo, Start: run.Skip + 1, Created: k.Now(), Title: b.Say(b.Title),
		Head: head.Fingerprint(), Steps: head.Size,
	})
	if err != nil {
		return err
	}
	c.Header("Content-Disposition", `inline; filename="labels-`+st.Code+`.pdf"`)
	c.Data(http.StatusOK, "application/pdf", pdf.Bytes())
	return nil
}

// onelabelPage shows the label of one package, large enough to be scanned from
// the screen.
var onelabelPage = declarePage("label")

type oneLabelView struct {
	Base
	Tag      Tag
	Question Question
	Face     labelFace
	Again    Act
	Back     Act
}

func (k *kiosk) oneLabel(c *gin.Context) error {
	n, err := pathInt(c, "pkg")
	if err != nil {
		return err
	}
	st, err := k.state(c)
	if err != nil {
		return err
	}
	b := k.page(c, say.T("Label of package %s of %s", pad(n), st.Number))
	if _, ok := st.Package(n); ok && !st.Present(n) {
		return say.Refuse(say.Illegal, "Package %03d was taken out of %s: it has no label any more.", n, st.Number)
	}
	v := &oneLabelView{
		Base: b, Tag: k.stateTag(b, st),
		Question: Question{Text: say.T("Package %s", pad(n)), Help: say.T("It can be scanned from the screen, where the scanner can read screens.")},
		Again:    Act{Label: say.T("Print this one again"), Symbol: "print", Href: "/c/" + st.Code + "/labels?from=" + itoa(n) + "&to=" + itoa(n)},
		Back:     Act{Label: say.T("Back to the consignment"), Symbol: "back", Href: "/c/" + st.Code, Weight: weightQuiet},
	}
	if v.Face, err = k.face(b, st, n); err != nil {
		return err
	}
	return k.render(c, http.StatusOK, onelabelPage, v)
}

// face draws the label of package n.
func (k *kiosk) face(b Base, st *consignment.State, n int) (labelFace, error) {
	p, ok := st.Package(n)
	if !ok {
		return labelFace{}, say.Refuse(say.NotFound, "There is no package %s: they are numbered 1 to %s.", itoa(n), itoa(st.Total()))
	}
	id := code.Package(st.Code, n)
	bars, qr, err := drawCode(id)
	count := say.T("package %s of %s", itoa(n), itoa(st.Count()))
	if label.Gaps(st) {
		count = say.T("package %s (%s in all)", itoa(n), itoa(st.Count()))
	}
	return labelFace{
		Number: st.Number, Count: count, Destination: st.Destination, Customer: st.Customer,
		Crop: p.CropLine.Crop, Batch: p.CropLine.Batch, LeaveBy: label.Leaves(st.DispatchAt.In(b.Now.Location())),
		Bars: bars, QR: qr, Code: id.Human(), Invented: k.Demo,
	}, err
}
