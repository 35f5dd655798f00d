package kiosk

import (
	"encoding/csv"
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/gin-gonic/gin"

	"lastlook/internal/consignment"
	"lastlook/internal/ladder"
	"lastlook/internal/say"
	"lastlook/internal/store"
)

// traceRoutes lists the routes of tracing.
func (k *kiosk) traceRoutes(e *gin.Engine) {
	e.GET("/c/:code/trace", k.as(anybody, k.trace))
	e.GET("/c/:code/trace.csv", k.as(anybody, k.traceCSV))
	e.POST("/c/:code/trace", k.as(atBench, k.holdTraced))
}

// tracePage shows what else may share what was found, and lets it be held in one act.
var tracePage = declarePage("trace")

type traceView struct {
	Base
	Tag      Tag
	Question Question
	Fields   []Hidden // where the trace begins
	Days     Field
	Again    string
	Picture  template.HTML
	Rows     []traceRow
	Before   Table
	Empty    Panel
	Action   string
	Why      Field
	Rungs    Choices
	Do       Act
	Links    []Act
	Notice   Notice
}

// traceRow is one consignment that shares something.
type traceRow struct {
	Code   string
	Tag    Tag
	Shared []say.Text
	May    bool // it can be put on hold
	Chosen bool
	Held   say.Text
}

// traceFrom reads where a trace begins, from the address or the form.
func (k *kiosk) traceFrom(c *gin.Context, q url.Values, now time.Time) (store.TraceFrom, int, error) {
	num := func(name string) (int, error) {
		if q.Get(name) == "" {
			return 0, nil
		}
		n, err := strconv.Atoi(strings.TrimSpace(q.Get(name)))
		if err != nil || n < 0 {
			return 0, notNumber(name)
		}
		return n, nil
	}
	from := store.TraceFrom{Code: c.Param("code"), Sample: q.Get("sample")}
	days := daysBack
	var err1, err2, err3 error
	from.Round, err1 = num("round")
	from.Find, err2 = num("find")
	if q.Get("days") != "" {
		days, err3 = num("days")
		if err3 == nil && (days < 1 || days > 3660) {
			err3 = say.Refuse(say.Invalid, "Look back between 1 and 3660 days.").For("days")
		}
	}
	if err3 != nil {
		days = daysBack
	}
	from.Since = now.Add(-time.Duration(days) * 24 * time.Hour)
	return from, days, errors.Join(err1, err2, err3)
}

func (k *kiosk) trace(c *gin.Context) error {
	return k.showTrace(c, c.Request.URL.Query(), nil)
}

func (k *kiosk) showTrace(c *gin.Context, q url.Values, refused *say.Refusal) error {
	b := k.page(c, say.T("What else is at risk?"))
	from, days, err := k.traceFrom(c, q, b.Now)
	if r := asRefusal(err); r != nil && refused == nil {
		refused = r
	}
	got, err := k.store.Trace(c.Request.Context(), from)
	if err != nil {
		return err
	}
	st := got.State
	v := &traceView{
		Base: b, Tag: k.stateTag(b, st), Action: "/c/" + st.Code + "/trace", Again: "/c/" + st.Code + "/trace",
		Question: Question{Text: say.T("%d consignments share something with it", len(got.Links)), Help: traceAbout(got)},
		Days:     Field{Name: "days", Label: say.T("Goods that left: look back"), Unit: say.T("days"), Value: itoa(days), Mode: "numeric"},
		Why:      Field{Name: "reason", Label: say.T("Why are they kept back?"), Value: q.Get("reason"), Hint: say.T("It stands on their records, with where it was traced from."), Required: true},
		Rungs: Choices{Name: "rung", Legend: say.T("What happens to them"), Tiles: []Choice{
			{Value: ladder.Sample.String(), Label: say.T("Hold"), Hint: say.T("they do not go until it is answered"), Symbol: "rung-sample", Chosen: q.Get("rung") != ladder.Stop.String()},
			{Value: ladder.Stop.String(), Label: say.T("Stop and notify"), Hint: say.T("nothing moves, the supervisor is told"), Symbol: "rung-stop", Chosen: q.Get("rung") == ladder.Stop.String()},
		}},
		Do: Act{Label: say.T("Keep the chosen ones back"), Weight: weightBig},
		Empty: Panel{Kind: panelEmpty, Text: say.T("Nothing shares a batch, a bench, a bay or a crop with it"),
			Detail: say.T("That is what is on record here. It does not prove that nothing else is affected.")},
		Before: Table{Caption: say.T("Found before, in the same batch, bay or crop"), Empty: say.T("Nothing on record."), Columns: []Column{
			{Label: say.T("When")}, {Label: say.T("Consignment")}, {Label: say.T("What")}, {Label: say.T("In")}, {Label: say.T("Rung")}, {Label: say.T("Shares")},
		}},
		Links: []Act{
			{Label: say.T("As a table (CSV)"), Symbol: "print", Href: "/c/" + st.Code + "/trace.csv?" + traceQuery(from, days)},
			{Label: say.T("Back"), Symbol: "undo", Href: "/c/" + st.Code + "/outcome"},
		},
	}
	switch len(got.Links) {
	case 0:
		v.Question.Text = say.T("What else is at risk?")
	case 1:
		v.Question.Text = say.T("1 consignment shares something with it")
	}
	for _, f := range []Hidden{{"round", itoa(from.Round)}, {"find", itoa(from.Find)}, {"sample", from.Sample}} {
		if f.Value != "" && f.Value != "0" {
			v.Fields = append(v.Fields, f)
		}
	}
	if v.Why.Value == "" {
		v.Why.Value = k.page(c, say.Text{}).Say(say.T("Traced from %s.", st.Number))
	}
	chosen := q["code"]
	for _, l := range got.Links {
		t := summaryTag(b, l.Summary)
		t.Href, t.Small = "/c/"+l.Summary.Code, true
		row := traceRow{Code: l.Summary.Code, Tag: t, May: l.Held == "", Chosen: slices.Contains(chosen, l.Summary.Code)}
		for _, s := range l.Shared {
			row.Shared = append(row.Shared, s.Words())
		}
		if l.Held != "" {
			row.Held = say.T("kept back already: %s", l.Held)
		}
		v.Rows = append(v.Rows, row)
	}
	for _, f := range got.Before {
		what := f.What.Words()
		if e := k.ref.Book().Entry(f.Entry); e != nil {
			what = say.T("%s", e.Name)
		}
		rung, _ := ladder.Parse(f.Rung)
		v.Before.Rows = append(v.Before.Rows, Row{[]Cell{
			{Text: b.Clock(f.At)}, {Data: f.Number, Href: "/c/" + f.Code + "/record"}, {Text: what}, {Data: strings.Join(slices.DeleteFunc([]string{f.Crop, f.Batch, f.Bay}, func(s string) bool { return s == "" }), ", ")},
			{Text: rung.Word()}, {Text: f.Thread.Words()},
		}})
	}
	v.Picture = tracePicture(b, got)
	status := http.StatusOK
	if refused != nil {
		status = statuses[refused.Code]
		if !errorAt(refused, map[string]*say.Text{"days": &v.Days.Error, "rung": &v.Rungs.Error, "reason": &v.Why.Error}) {
			v.Notice = Notice{Tone: toneWrong, Text: refused.Text}
		}
	}
	return k.render(c, status, tracePage, v)
}

// traceAbout says what the trace goes by.
func traceAbout(got store.TraceResult) say.Text {
	var words []string
	for _, u := range got.Origin.Units {
		words = append(words, strings.Join(slices.DeleteFunc([]string{u.Crop, u.Batch, u.Bay}, func(s string) bool { return s == "" }), " "))
	}
	for _, u := range got.Origin.Uses {
		words = append(words, u.Bench)
	}
	return say.T("By batch, bench, bay and crop: %s.", strings.Join(words, "; "))
}

func traceQuery(from store.TraceFrom, days int) string {
	q := url.Values{"days": {itoa(days)}}
	if from.Round > 0 {
		q.Set("round", itoa(from.Round))
	}
	if from.Find > 0 {
		q.Set("find", itoa(from.Find))
	}
	if from.Sample != "" {
		q.Set("sample", from.Sample)
	}
	return q.Encode()
}

// holdTraced keeps the chosen consignments back, each in a step of its own. One
// that is refused does not keep the others from it.
func (k *kiosk) holdTraced(c *gin.Context) error {
	if err := c.Request.ParseForm(); err != nil {
		return say.Refuse(say.Invalid, "The form did not arrive whole: press again.").Because(err)
	}
	form := c.Request.PostForm
	from, _, err := k.traceFrom(c, form, k.Now())
	if err != nil {
		return err
	}
	rung, _ := ladder.Parse(form.Get("rung"))
	codes := form["code"]
	if len(codes) == 0 {
		return k.showTrace(c, form, say.Refuse(say.Invalid, "Choose at least one of them."))
	}
	got, err := k.store.Trace(c.Request.Context(), from)
	if err != nil {
		return err
	}
	held := 0
	var refused []say.Text
	for _, l := range got.Links {
		if !slices.Contains(codes, l.Summary.Code) {
			continue
		}
		src := got.Source
		for _, s := range l.Shared {
			src.Shared = append(src.Shared, s.Words())
		}
		key := c.PostForm("key")
		if key != "" {
			key += "/" + l.Summary.Code
		}
		_, err := k.store.Do(c.Request.Context(), store.Step{
			Code: l.Summary.Code, Key: key, Actor: actorOf(c), Bench: benchOf(c),
			Command: consignment.HoldBack{Rung: rung, Reason: form.Get("reason"), Source: &src},
		})
		r := asRefusal(err)
		switch {
		case r != nil && r.Field != "":
			return k.showTrace(c, form, r)
		case r != nil:
			refused = append(refused, say.T("%s: %s", l.Number, r.Text))
		case err != nil:
			return err
		default:
			held++
		}
	}
	f := Flash{Tone: toneRight, Text: say.T("%d consignments are kept back now.", held)}
	if len(refused) > 0 {
		f.Tone, f.Detail = toneNote, say.T("Not kept back: %s", refused)
	}
	tell(c, f)
	_, days, _ := k.traceFrom(c, form, k.Now())
	return k.forward(c, "/c/"+c.Param("code")+"/trace?"+traceQuery(from, days))
}

func (k *kiosk) traceCSV(c *gin.Context) error {
	b := k.page(c, say.Text{})
	from, _, err := k.traceFrom(c, c.Request.URL.Query(), b.Now)
	if err != nil {
		return err
	}
	got, err := k.store.Trace(c.Request.Context(), from)
	if err != nil {
		return err
	}
	c.Header("Content-Type", "text/csv; charset=utf-8")
	c.Header("Content-Disposition", `attachment; filename="trace-`+got.State.Code+`.csv"`)
	w := csv.NewWriter(c.Writer)
	stamp := func(t time.Time) string {
		if t.IsZero() {
			return ""
		}
		return t.In(b.Now.Location()).Format("2006-01-02 15:04 MST")
	}
	rows := [][]string{{"consignment", "customer", "destination", "packages", "crops", "stands", "shares", "dispatch", "inspection ended", "left"}}
	for _, l := range got.Links {
		var shared []string
		for _, s := range l.Shared {
			shared = append(shared, b.Say(s.Words()))
		}
		rows = append(rows, []string{
			l.Number, l.Customer, l.Destination, itoa(l.Packages), l.Crops, b.Say(consignment.Standing(l.Stage).Words()),
			strings.Join(shared, "; "), stamp(l.DispatchAt), stamp(l.EndedAt), stamp(l.LeftAt),
		})
	}
	for i := range rows {
		for j := range rows[i] {
			rows[i][j] = inert(rows[i][j])
		}
	}
	if err := w.WriteAll(rows); err != nil {
		k.Log.Info("sending a trace", "error", err)
	}
	return nil
}

// inert keeps a spreadsheet from taking what people wrote for a formula: common
// practice (OWASP, CSV injection).
func inert(cell string) string {
	if cell != "" && strings.ContainsRune("=+-@\t\r", rune(cell[0])) {
		return "'" + cell
	}
	return cell
}

// Sizes of the picture of a trace, in its own units.
const (
	pictureWide  = 900
	pictureLeft  = 150
	pictureRight = 20
	pictureRow   = 30
	pictureTop   = 46
	mostInside   = 14 // consignments the picture shows; the list has all
)

// tracePicture draws when each consignment was inspected and leaves, beside the
// moment of the find. The list beside it says the same in words.
func tracePicture(b Base, got store.TraceResult) template.HTML {
	links := got.Links[:min(len(got.Links), mostInside)]
	if len(links) == 0 {
		return ""
	}
	lo, hi := got.Origin.At, b.Now
	reach := func(t time.Time) {
		if t.IsZero() {
			return
		}
		if t.Before(lo) {
			lo = t
		}
		if t.After(hi) {
			hi = t
		}
	}
	for _, l := range links {
		reach(l.EndedAt)
		reach(l.DispatchAt)
		reach(l.LeftAt)
	}
	span := hi.Sub(lo)
	if span <= 0 {
		span = time.Hour
	}
	x := func(t time.Time) float64 {
		return pictureLeft + float64(t.Sub(lo))/float64(span)*(pictureWide-pictureLeft-pictureRight)
	}
	var s strings.Builder
	high := pictureTop + len(links)*pictureRow + 10
	esc := template.HTMLEscapeString
	fmt.Fprintf(&s, `<svg class="trace-picture" viewBox="0 0 %d %d" role="img" aria-label="%s">`, pictureWide, high,
		esc(b.Say(say.T("When each consignment was inspected and leaves; the same is in the list"))))
	line := func(t time.Time, word say.Text, class string) {
		at := x(t)
		anchor := "middle"
		if at > pictureWide-90 {
			anchor = "end"
		} else if at < pictureLeft+60 {
			anchor = "start"
		}
		fmt.Fprintf(&s, `<line class="%s" x1="%.1f" x2="%.1f" y1="%d" y2="%d"/><text class="trace-when" x="%.1f" y="%d" text-anchor="%s">%s</text>`,
			class, at, at, pictureTop-8, high-4, at, map[bool]int{true: 16, false: 32}[class == "trace-find"], anchor, esc(b.Say(word)))
	}
	line(got.Origin.At, say.T("found %s", b.Clock(got.Origin.At)), "trace-find")
	line(b.Now, say.T("now"), "trace-now")
	if hi.Sub(b.Now) > span/5 {
		fmt.Fprintf(&s, `<text class="trace-when" x="%d" y="16" text-anchor="end">%s</text>`, pictureWide-8, esc(b.Say(b.Clock(hi))))
	}
	for i, l := range links {
		y := pictureTop + i*pictureRow + pictureRow/2
		fmt.Fprintf(&s, `<text class="trace-name" data-v x="%d" y="%d" text-anchor="end">%s</text>`, pictureLeft-12, y+6, esc(l.Number))
		end := l.DispatchAt
		if !l.LeftAt.IsZero() {
			end = l.LeftAt
		}
		if !l.EndedAt.IsZero() {
			fmt.Fprintf(&s, `<line class="trace-stay" x1="%.1f" x2="%.1f" y1="%d" y2="%d"/><circle class="trace-seen" cx="%.1f" cy="%d" r="7"/>`,
				x(l.EndedAt), x(end), y, y, x(l.EndedAt), y)
		}
		class := "trace-leaves"
		if !l.LeftAt.IsZero() {
			class = "trace-left"
		}
		at := x(end)
		fmt.Fprintf(&s, `<path class="%s" d="M%.1f %dl12 8l-12 8z"/>`, class, at-6, y-8)
	}
	s.WriteString(`</svg>`)
	return template.HTML(s.String())
}
