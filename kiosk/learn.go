package kiosk

import (
	"encoding/csv"
	"errors"
	"net/http"
	"net/url"
	"time"

	"github.com/gin-gonic/gin"

	"lastlook/internal/ladder"
	"lastlook/internal/learn"
	"lastlook/internal/sampling"
	"lastlook/internal/say"
)

// learnRoutes lists the routes of what the site's own history says.
func (k *kiosk) learnRoutes(e *gin.Engine) {
	e.GET("/learn", k.as(anybody, k.learn))
	e.GET("/learn.csv", k.as(anybody, k.learnCSV))
}

// learnPage says what the site's own history shows: how often what is found, why
// goods were rejected, how long packages take, and whether any of it changes.
var learnPage = declarePage("learn")

type learnView struct {
	Base
	Question Question
	Notice   Notice
	Fields   []Field
	Empty    *Panel
	Facts    []Fact
	Small    Notice
	Sections []learnSection
	Charts   []learnChart
	Back     Act
}

// learnSection is a table with what is to be said of it.
type learnSection struct {
	Said  []say.Text
	Table Table
	CSV   Act
}

// inquiry is what the form of the page asks for.
type inquiry struct {
	from, to time.Time // first and last day
	by       learn.Group
	least    ladder.Rung
	span     learn.Span
}

const (
	dayFormat  = "2006-01-02"
	learnDays  = 182 // half a year, unless told otherwise
	learnMost  = 3660
	confidence = sampling.DefaultConfidence
)

// inquiryFor reads the form. What cannot be read is left as it is usually.
func inquiryFor(q url.Values, now time.Time) (inquiry, error) {
	y, m, d := now.Date()
	today := time.Date(y, m, d, 0, 0, 0, 0, now.Location())
	a := inquiry{from: today.AddDate(0, 0, -learnDays+1), to: today, by: learn.ByOrganism, least: ladder.Reject, span: learn.Weekly}
	usual := a
	var errs []error
	for _, f := range []struct {
		name string
		to   *time.Time
	}{{"from", &a.from}, {"to", &a.to}} {
		if q.Get(f.name) == "" {
			continue
		}
		t, err := time.ParseInLocation(dayFormat, q.Get(f.name), now.Location())
		if err != nil || t.Year() < 2000 || t.Year() > 9000 {
			errs = append(errs, say.Refuse(say.Invalid, "This is not a day: write it like 2026-03-31.").For(f.name))
			continue
		}
		*f.to = t
	}
	switch {
	case len(errs) > 0:
		a.from, a.to = usual.from, usual.to
	case a.to.Before(a.from):
		errs = append(errs, say.Refuse(say.Invalid, "The last day is before the first: change one of them.").For("to"))
		a.from, a.to = usual.from, usual.to
	case a.to.Sub(a.from) > learnMost*24*time.Hour:
		errs = append(errs, say.Refuse(say.Invalid, "That is more than %d days: ask for a shorter time.", learnMost).For("from"))
		a.from, a.to = usual.from, usual.to
	}
	for _, g := range learn.Groups {
		if q.Get("by") == string(g) {
			a.by = g
		}
	}
	if q.Get("least") != "" {
		if r, err := ladder.Parse(q.Get("least")); err == nil {
			a.least = r
		}
	}
	if q.Get("span") == string(learn.Monthly) {
		a.span = learn.Monthly
	}
	return a, errors.Join(errs...)
}

func (a inquiry) query() url.Values {
	return url.Values{"from": {a.from.Format(dayFormat)}, "to": {a.to.Format(dayFormat)}, "by": {string(a.by)}, "least": {a.least.String()}, "span": {string(a.span)}}
}

func (a inquiry) fields() []Field {
	by := Field{Name: "by", Label: say.T("Rates by"), Type: "select"}
	for _, g := range learn.Groups {
		by.Options = append(by.Options, Option{Value: string(g), Label: g.Words(), Selected: g == a.by})
	}
	least := Field{Name: "least", Label: say.T("Finds that count"), Type: "select", Options: []Option{
		{Value: ladder.Note.String(), Label: say.T("all, notes as well"), Selected: a.least == ladder.Note},
		{Value: ladder.Reject.String(), Label: say.T("reject and above"), Selected: a.least == ladder.Reject},
		{Value: ladder.Sample.String(), Label: say.T("sample and stop"), Selected: a.least == ladder.Sample},
		{Value: ladder.Stop.String(), Label: say.T("stop only"), Selected: a.least == ladder.Stop},
	}}
	span := Field{Name: "span", Label: say.T("Charts by"), Type: "select", Options: []Option{
		{Value: string(learn.Weekly), Label: say.T("week"), Selected: a.span == learn.Weekly},
		{Value: string(learn.Monthly), Label: say.T("month"), Selected: a.span == learn.Monthly},
	}}
	return []Field{
		{Name: "from", Label: say.T("First day"), Type: "date", Value: a.from.Format(dayFormat)},
		{Name: "to", Label: say.T("Last day"), Type: "date", Value: a.to.Format(dayFormat)},
		by, least, span,
	}
}

// learned is the history that was asked for, and as much before it.
type learned struct {
	inquiry
	rounds, before []learn.Round
	buckets        []learn.Bucket
}

func (k *kiosk) learned(c *gin.Context, a inquiry) (learned, error) {
	end := a.to.AddDate(0, 0, 1)
	l := learned{inquiry: a}
	var err error
	if l.rounds, err = k.store.History(c.Request.Context(), a.from, end); err != nil {
		return l, err
	}
	if l.before, err = k.store.History(c.Request.Context(), a.from.Add(-end.Sub(a.from)), a.from); err != nil {
		return l, err
	}
	l.buckets = learn.Buckets(l.rounds, a.span, a.least, a.from.Location())
	return l, nil
}

func (k *kiosk) learn(c *gin.Context) error {
	b := k.page(c, say.T("What our history says"))
	a, refused := inquiryFor(c.Request.URL.Query(), b.Now)
	l, err := k.learned(c, a)
	if err != nil {
		return err
	}
	v := &learnView{
		Base:     b,
		Question: Question{Text: say.T("What our history says"), Help: say.T("How often something is found, why goods were rejected, how long packages take: of inspections that ended in this time.")},
		Fields:   a.fields(),
		Back:     Act{Label: say.T("Back to the office"), Symbol: "back", Href: "/office", Weight: weightQuiet},
	}
	status := http.StatusOK
	if refused != nil {
		status = http.StatusUnprocessableEntity
		q := c.Request.URL.Query()
		v.Fields[0].Value, v.Fields[1].Value = q.Get("from"), q.Get("to")
		for _, r := range refusals(refused) {
			for i := range v.Fields {
				if v.Fields[i].Name == r.Field {
					v.Fields[i].Error = r.Text
				}
			}
		}
		v.Notice = Notice{Tone: toneNote, Text: say.T("Shown is the last half year.")}
	}
	if len(l.rounds) == 0 {
		v.Empty = &Panel{Kind: panelEmpty, Text: say.T("No inspection ended in this time"),
			Detail: say.T("As soon as one has, it is counted here. Ask for another time, or wait.")}
		return k.render(c, status, learnPage, v)
	}
	units, fell := 0, 0
	var bench []float64
	for _, r := range l.rounds {
		units += r.Units()
		if r.Fell() {
			fell++
		}
		if d := r.Bench(); d > 0 {
			bench = append(bench, d.Minutes())
		}
	}
	share, err := learn.Proportion(fell, len(l.rounds), confidence)
	if err != nil {
		return err
	}
	at := learn.QuartilesOf(bench)
	v.Facts = []Fact{
		{Label: say.T("Inspections"), Data: itoa(len(l.rounds))},
		{Label: say.T("Units looked at"), Data: itoa(units)},
		{Label: say.T("Rejected or stopped"), Text: say.T("%d of %d: %.0f %%, with 95 %% confidence between %.0f %% and %.0f %%", fell, len(l.rounds), 100*share.Estimate, 100*share.Low, 100*share.High)},
	}
	if at.N > 0 {
		v.Facts = append(v.Facts, Fact{Label: say.T("At the bench"), Text: say.T("half of the inspections took %.0f minutes or less", at.Median)})
	}
	if len(l.rounds) < learn.MinPoint || units < learn.FewUnits {
		v.Small = Notice{Tone: toneNote, Text: say.T("These are small numbers."), Detail: say.T("%d inspections and %d units: the next one may turn the picture round.", len(l.rounds), units)}
	}
	for _, name := range []string{"rates", "causes", "packages", "lapses"} {
		s, err := k.learnTable(b, l, name)
		if err != nil {
			return err
		}
		v.Sections = append(v.Sections, s)
	}
	v.Charts = []learnChart{k.rejectedChart(b, l), k.findsChart(b, l)}
	return k.render(c, status, learnPage, v)
}

// refusals takes joined refusals apart.
func refusals(err error) []*say.Refusal {
	var out []*say.Refusal
	if j, ok := err.(interface{ Unwrap() []error }); ok {
		for _, e := range j.Unwrap() {
			out = append(out, refusals(e)...)
		}
		return out
	}
	if r := asRefusal(err); r != nil {
		out = append(out, r)
	}
	return out
}

func toCSV(l learned, name string) Act {
	q := l.query()
	q.Set("table", name)
	return Act{Label: say.T("As a table (CSV)"), Symbol: "print", Href: "/learn.csv?" + q.Encode(), Weight: weightQuiet}
}

// keyCell names what a line is of.
func (k *kiosk) keyCell(b Base, key learn.Key) Cell {
	switch {
	case !key.Month.IsZero():
		return Cell{Text: monthWords(key.Month)}
	case key.Entry != "":
		if e := k.ref.Book().Entry(key.Entry); e != nil {
			return Cell{Data: e.Name, Href: "/e/" + e.ID}
		}
		return Cell{Data: key.Entry}
	case key.What != "":
		return Cell{Text: key.What.Words()}
	case key.Name == "":
		return Cell{Text: say.T("not told")}
	}
	return Cell{Data: key.Name}
}

// keyText is keyCell within a sentence.
func (k *kiosk) keyText(b Base, key learn.Key) say.Text {
	c := k.keyCell(b, key)
	if c.Data != "" {
		return say.T("%s", c.Data)
	}
	return c.Text
}

func monthWords(t time.Time) say.Text {
	return say.T("%s %s", months[t.Month()-1], t.Format("2006"))
}

// spanWords names one point of a chart.
func spanWords(t time.Time, s learn.Span) say.Text {
	if s == learn.Monthly {
		return monthWords(t)
	}
	return say.T("week of %d %s", t.Day(), months[t.Month()-1])
}

func count(n int) Cell { return Cell{Data: itoa(n), Number: true} }

func decimal(v float64) Cell { return Cell{Text: say.T("%.1f", v), Number: true} }

// learnTable makes one of the tables, by name: "rates", "causes", "packages", "lapses",
// "rejected", "finds".
func (k *kiosk) learnTable(b Base, l learned, name string) (learnSection, error) {
	s := learnSection{CSV: toCSV(l, name)}
	loc := b.Now.Location()
	switch name {
	case "rates":
		rates, err := learn.Rates(l.rounds, l.by, l.least, confidence, loc)
		if err != nil {
			return s, err
		}
		inspections := say.T("Inspections")
		if l.by == learn.ByOrganism {
			inspections = say.T("Inspections with it")
		}
		s.Said = []say.Text{say.T("The truth lies between the last two figures with 95 %% confidence, and a little less surely than that: what ails one plant often ails its neighbours.")}
		s.Table = Table{Caption: say.T("Finds for 1 000 units looked at"), Empty: say.T("Nothing was found that counts."), Columns: []Column{
			{Label: l.by.Words()}, {Label: inspections, Number: true}, {Label: say.T("Units looked at"), Number: true}, {Label: say.T("Finds"), Number: true},
			{Label: say.T("Units affected"), Number: true}, {Label: say.T("For 1 000 units"), Number: true}, {Label: say.T("at least"), Number: true}, {Label: say.T("at most"), Number: true}, {Label: say.T("Remark")},
		}}
		for _, r := range rates {
			row := []Cell{k.keyCell(b, r.Key), count(r.Rounds), count(r.Units), count(r.Finds), count(r.Affected)}
			if r.Units > 0 {
				row = append(row, decimal(r.Per1000.Estimate), decimal(r.Per1000.Low), decimal(r.Per1000.High))
			} else {
				row = append(row, Cell{Data: "–", Number: true}, Cell{Data: "–", Number: true}, Cell{Data: "–", Number: true})
			}
			s.Table.Rows = append(s.Table.Rows, Row{append(row, Cell{Text: r.Small()})})
		}
	case "causes":
		s.Said = []say.Text{say.T("An inspection with two causes counts for both.")}
		s.Table = Table{Caption: say.T("Why inspections did not pass"), Empty: say.T("All of them passed."), Columns: []Column{
			{Label: say.T("Cause")}, {Label: say.T("Rejected"), Number: true}, {Label: say.T("Held"), Number: true}, {Label: say.T("Stopped"), Number: true},
		}}
		for _, t := range learn.Causes(l.rounds) {
			s.Table.Rows = append(s.Table.Rows, Row{[]Cell{{Text: t.Cause.Words()}, count(t.Rejected), count(t.Held), count(t.Stopped)}})
		}
	case "packages":
		s.Said = []say.Text{say.T("From opened to closed. Half of the packages lie between the two quarters.")}
		s.Table = Table{Caption: say.T("Minutes a package takes"), Empty: say.T("No package was closed."), Columns: []Column{
			{Label: say.T("Crop")}, {Label: say.T("Packages"), Number: true}, {Label: say.T("Units looked at"), Number: true},
			{Label: say.T("Lower quarter"), Number: true}, {Label: say.T("Median"), Number: true}, {Label: say.T("Upper quarter"), Number: true}, {Label: say.T("Remark")},
		}}
		for _, p := range learn.Paces(l.rounds) {
			q := p.Minutes
			remark := Cell{}
			if q.N < learn.MinPoint {
				remark.Text = say.T("Only %d packages.", q.N)
			}
			s.Table.Rows = append(s.Table.Rows, Row{[]Cell{{Data: orDash(p.Crop)}, count(q.N), count(p.Units), decimal(q.Low), decimal(q.Median), decimal(q.Top), remark}})
		}
	case "lapses":
		s.Said = []say.Text{say.T("The goods had to be inspected again, or still have to be.")}
		s.Table = Table{Caption: say.T("Windows that ran out"), Empty: say.T("None ran out."), Columns: []Column{
			{Label: say.T("Consignment")}, {Label: say.T("Destination")}, {Label: say.T("Good until")}, {Label: say.T("How")},
		}}
		for _, r := range l.rounds {
			how := say.T("passed, and did not leave in time")
			switch r.Lapsed(b.Now) {
			case learn.NoLapse:
				continue
			case learn.AtWork:
				how = say.T("the inspection took too long")
			}
			s.Table.Rows = append(s.Table.Rows, Row{[]Cell{{Data: r.Number, Href: "/c/" + r.Consignment + "/record"}, {Data: r.Destination}, {Text: b.Clock(r.ValidUntil)}, {Text: how}}})
		}
	case "rejected":
		s.Table = k.rejectedChart(b, l).Table
	case "finds":
		s.Table = k.findsChart(b, l).Table
	default:
		return s, say.Refuse(say.NotFound, "There is no such table: go back and press one of the buttons.")
	}
	return s, nil
}

func (k *kiosk) learnCSV(c *gin.Context) error {
	b := k.page(c, say.Text{})
	a, err := inquiryFor(c.Request.URL.Query(), b.Now)
	if err != nil {
		return refusals(err)[0]
	}
	l, err := k.learned(c, a)
	if err != nil {
		return err
	}
	name := c.Query("table")
	s, err := k.learnTable(b, l, name)
	if err != nil {
		return err
	}
	c.Header("Content-Type", "text/csv; charset=utf-8")
	c.Header("Content-Disposition", `attachment; filename="history-`+name+`.csv"`)
	w := csv.NewWriter(c.Writer)
	var rows [][]string
	var heads []string
	for _, col := range s.Table.Columns {
		heads = append(heads, b.Say(col.Label))
	}
	rows = append(rows, heads)
	for _, r := range s.Table.Rows {
		var line []string
		for _, cell := range r.Cells {
			text := cell.Data
			if text == "" {
				text = b.Say(cell.Text)
			}
			switch {
			case !cell.Number:
				text = inert(text)
			case cell.Data == "": // plain, without marks between thousands
				text = cell.Text.String()
			}
			line = append(line, text)
		}
		rows = append(rows, line)
	}
	if err := w.WriteAll(rows); err != nil {
		k.Log.Info("sending a table of the history", "error", err)
	}
	return nil
}
