package kiosk

import (
	"fmt"
	"html/template"
	"math"
	"strings"

	"lastlook/internal/learn"
	"lastlook/internal/say"
)

// learnChart is a picture over time, what it says in words, and its figures.
type learnChart struct {
	Name    string
	Heading say.Text
	About   say.Text
	Said    []Notice
	Picture template.HTML
	Key     []chartKey
	Table   Table
	CSV     Act
}

// chartKey explains one kind of line or point.
type chartKey struct {
	Sign template.HTML
	Text say.Text
}

func sign(inside string) template.HTML {
	return template.HTML(`<svg class="chart-sign" viewBox="0 0 32 16" aria-hidden="true">` + inside + `</svg>`)
}

var (
	signMean   = sign(`<line class="chart-mean" x1="0" x2="32" y1="8" y2="8"/>`)
	signLimit  = sign(`<line class="chart-limit" x1="0" x2="32" y1="8" y2="8"/>`)
	signPoint  = sign(`<circle class="chart-point" cx="16" cy="8" r="5"/>`)
	signSignal = sign(`<rect class="chart-signal" x="9" y="1" width="14" height="14"/>`)
)

// Sizes of a chart, in its own units.
const (
	chartWide  = 900
	chartHigh  = 320
	chartLeft  = 64
	chartRight = 16
	chartTop   = 16
	chartFoot  = 44
)

// dot is one point of a chart, with its limits if it has any.
type dot struct {
	at        int // index of the span
	y         float64
	limits    bool
	low, high float64
	signal    bool
	title     say.Text
}

// drawing draws lines of dots over the spans. The table beside it says the same.
type drawing struct {
	b       Base
	label   say.Text
	n       int // spans
	lo, hi  float64
	ticks   []float64
	tick    func(float64) string
	foot    func(i int) string
	mean    float64
	hasMean bool
	levels  []float64 // limits that are the same everywhere
	lines   [][]dot
}

func (d drawing) draw() template.HTML {
	var s strings.Builder
	esc := template.HTMLEscapeString
	step := float64(chartWide-chartLeft-chartRight) / float64(max(d.n, 1))
	x := func(i int) float64 { return chartLeft + step*(float64(i)+.5) }
	y := func(v float64) float64 {
		return chartTop + (d.hi-v)/(d.hi-d.lo)*(chartHigh-chartTop-chartFoot)
	}
	fmt.Fprintf(&s, `<svg class="chart" viewBox="0 0 %d %d" role="img" aria-label="%s">`, chartWide, chartHigh, esc(d.b.Say(d.label)))
	for _, v := range d.ticks {
		fmt.Fprintf(&s, `<line class="chart-grid" x1="%d" x2="%d" y1="%.1f" y2="%.1f"/><text class="chart-text" x="%d" y="%.1f" text-anchor="end">%s</text>`,
			chartLeft, chartWide-chartRight, y(v), y(v), chartLeft-8, y(v)+6, esc(d.tick(v)))
	}
	across := func(v float64, class string) {
		fmt.Fprintf(&s, `<line class="%s" x1="%d" x2="%d" y1="%.1f" y2="%.1f"/>`, class, chartLeft, chartWide-chartRight, y(v), y(v))
	}
	if d.hasMean {
		across(d.mean, "chart-mean")
	}
	for _, v := range d.levels {
		across(v, "chart-limit")
	}
	every := max(1, int(math.Ceil(86/step)))
	for i := 0; i < d.n; i += every {
		fmt.Fprintf(&s, `<line class="chart-grid" x1="%.1f" x2="%.1f" y1="%d" y2="%d"/><text class="chart-text" x="%.1f" y="%d" text-anchor="middle">%s</text>`,
			x(i), x(i), chartHigh-chartFoot, chartHigh-chartFoot+8, x(i), chartHigh-14, esc(d.foot(i)))
	}
	for _, line := range d.lines {
		var path strings.Builder
		for i, p := range line {
			op := "L"
			if i == 0 {
				op = "M"
			}
			fmt.Fprintf(&path, "%s%.1f %.1f", op, x(p.at), y(p.y))
			if p.limits {
				for _, v := range []float64{p.low, p.high} {
					fmt.Fprintf(&s, `<line class="chart-limit" x1="%.1f" x2="%.1f" y1="%.1f" y2="%.1f"/>`, x(p.at)-step/2, x(p.at)+step/2, y(v), y(v))
				}
			}
		}
		fmt.Fprintf(&s, `<path class="chart-line" d="%s"/>`, path.String())
	}
	for _, line := range d.lines {
		for _, p := range line {
			title := "<title>" + esc(d.b.Say(p.title)) + "</title>"
			if p.signal {
				fmt.Fprintf(&s, `<rect class="chart-signal" x="%.1f" y="%.1f" width="18" height="18">%s</rect>`, x(p.at)-9, y(p.y)-9, title)
			} else {
				fmt.Fprintf(&s, `<circle class="chart-point" cx="%.1f" cy="%.1f" r="5">%s</circle>`, x(p.at), y(p.y), title)
			}
		}
	}
	s.WriteString(`</svg>`)
	return template.HTML(s.String())
}

// noBlame stands under each signal.
var noBlame = say.T("A signal asks for a look at goods, season and place. It says nothing about who was at the bench: whoever looks well finds more.")

// lookAt says where to look first.
func (k *kiosk) lookAt(b Base, rounds []learn.Round, l learned) say.Text {
	top := learn.LeadingOf(rounds, l.least)
	if top.Finds == 0 {
		return noBlame
	}
	name := func(s string) say.Text {
		if s == "" {
			return say.T("not told")
		}
		return say.T("%s", s)
	}
	return say.T("Look first at: %s (%d of %d finds), crop %s (%d), bay %s (%d). %s",
		k.keyText(b, top.Organism), top.OfOrg, top.Finds, name(top.Crop), top.OfCrop, name(top.Bay), top.OfBay, noBlame)
}

func foots(b Base, l learned) func(int) string {
	return func(i int) string {
		t := l.buckets[i].Start
		if l.span == learn.Monthly {
			return b.Say(monthWords(t))
		}
		return b.Say(say.T("%d %s", t.Day(), months[t.Month()-1]))
	}
}

// rejectedChart is the p-chart of rejected and stopped inspections.
func (k *kiosk) rejectedChart(b Base, l learned) learnChart {
	var parts []learn.Part
	points, all := 0, 0
	for _, u := range l.buckets {
		parts = append(parts, u.Fell)
		all += u.Fell.N
		if u.Fell.N > 0 {
			points++
		}
	}
	p := learn.PChart(parts)
	c := learnChart{
		Name: "rejected", Heading: say.T("Rejected or stopped, over time"), CSV: toCSV(l, "rejected"),
		About: say.T("The share of inspections that were rejected or stopped. Limits show what chance alone gives, nearly always, if nothing changes (p-chart)."),
		Key:   []chartKey{{signPoint, say.T("share")}, {signMean, say.T("mean")}, {signLimit, say.T("limits of chance")}, {signSignal, say.T("outside the limits")}},
		Table: Table{Caption: say.T("Rejected or stopped, in figures"), Empty: say.T("Nothing on record."), Columns: []Column{
			{Label: say.T("When")}, {Label: say.T("Inspections"), Number: true}, {Label: say.T("Rejected or stopped"), Number: true}, {Label: say.T("Share in %%"), Number: true},
			{Label: say.T("Lower limit"), Number: true}, {Label: say.T("Upper limit"), Number: true}, {Label: say.T("Signal")},
		}},
	}
	top := .1
	var line []dot
	for i, pt := range p.Points {
		when := spanWords(l.buckets[i].Start, l.span)
		row := []Cell{{Text: when}, count(pt.N), count(pt.X), decimal(100 * pt.Share)}
		if pt.Limits {
			row = append(row, decimal(100*pt.Low), decimal(100*pt.High))
			top = max(top, pt.High)
		} else {
			row = append(row, Cell{Data: "–", Number: true}, Cell{Data: "–", Number: true})
		}
		sig := Cell{Data: "–"}
		switch pt.Signal {
		case 1:
			sig = Cell{Text: say.T("above")}
			c.Said = append(c.Said, Notice{Tone: toneNote,
				Text:   say.T("%s: %d of %d inspections were rejected or stopped. Chance alone hardly gives more than %d.", when, pt.X, pt.N, int(math.Floor(pt.High*float64(pt.N)+1e-9))),
				Detail: k.lookAt(b, l.buckets[i].Rounds, l)})
		case -1:
			sig = Cell{Text: say.T("below")}
			c.Said = append(c.Said, Notice{Tone: toneNote,
				Text:   say.T("%s: only %d of %d inspections were rejected or stopped. Chance alone hardly gives fewer than %d.", when, pt.X, pt.N, int(math.Ceil(pt.Low*float64(pt.N)-1e-9))),
				Detail: say.T("Worth knowing what was different then. %s", noBlame)})
		}
		c.Table.Rows = append(c.Table.Rows, Row{append(row, sig)})
		if pt.N > 0 {
			top = max(top, pt.Share)
			line = append(line, dot{at: i, y: pt.Share, limits: pt.Limits, low: pt.Low, high: pt.High, signal: pt.Signal != 0,
				title: say.T("%s: %d of %d", when, pt.X, pt.N)})
		}
	}
	switch {
	case !p.Limits:
		c.Said = append(c.Said, Notice{Tone: toneNote, Text: say.T("No limits are drawn: there is too little to base them on."),
			Detail: say.T("They need %d weeks or months with inspections, and %d inspections in all. Here are %d and %d.", learn.MinPoints, learn.MinRounds, points, all)})
	case len(c.Said) == 0:
		c.Said = append(c.Said, Notice{Tone: toneNote, Text: say.T("No signal: chance alone explains what is seen here."),
			Detail: say.T("Points of fewer than %d inspections have no limits.", learn.MinPoint)})
	}
	hi := min(1, math.Ceil(top*5-1e-9)/5) // so that quarters of it are whole per cents
	d := drawing{
		b: b, n: len(l.buckets), hi: hi, mean: p.Center, hasMean: all > 0, lines: [][]dot{line}, foot: foots(b, l),
		label: say.T("Share of inspections rejected or stopped, mean %.0f %%; the same is in the table below", 100*p.Center),
		tick:  func(v float64) string { return b.Say(say.T("%.0f %%", 100*v)) },
	}
	for i := range 5 {
		d.ticks = append(d.ticks, hi*float64(i)/4)
	}
	c.Picture = d.draw()
	return c
}

// findsChart is the cumulative sum of finds.
func (k *kiosk) findsChart(b Base, l learned) learnChart {
	var weeks, before []learn.Seen
	for _, u := range l.buckets {
		weeks = append(weeks, u.Seen)
	}
	for _, u := range learn.Buckets(l.before, l.span, l.least, b.Now.Location()) {
		before = append(before, u.Seen)
	}
	w := learn.Watch(weeks, before)
	c := learnChart{
		Name: "finds", Heading: say.T("Do finds become more or fewer?"), CSV: toCSV(l, "finds"),
		About: say.T("What is found beyond the usual is summed up from point to point: a small change that lasts shows here long before it shows in single weeks (cumulative sum)."),
		Key:   []chartKey{{signPoint, say.T("more than usual above the middle line, fewer below it")}, {signLimit, say.T("limits of chance")}, {signSignal, say.T("outside the limits")}},
		Table: Table{Caption: say.T("Finds, in figures"), Empty: say.T("Nothing on record."), Columns: []Column{
			{Label: say.T("When")}, {Label: say.T("Units looked at"), Number: true}, {Label: say.T("Finds"), Number: true}, {Label: say.T("Usual"), Number: true},
			{Label: say.T("Sum of more"), Number: true}, {Label: say.T("Sum of fewer"), Number: true}, {Label: say.T("Signal")},
		}},
	}
	at := map[int]learn.Sums{}
	for j, i := range w.Index {
		at[i] = w.Points[j]
	}
	for i, u := range l.buckets {
		row := []Cell{{Text: spanWords(u.Start, l.span)}, count(u.Seen.Units), count(u.Seen.Finds), decimal(w.Rate * float64(u.Seen.Units))}
		sig := Cell{Data: "–"}
		if s, ok := at[i]; ok {
			row = append(row, decimal(s.Up), decimal(s.Down))
			switch s.Signal {
			case 1:
				sig = Cell{Text: say.T("more")}
			case -1:
				sig = Cell{Text: say.T("fewer")}
			}
		} else {
			row = append(row, Cell{Data: "–", Number: true}, Cell{Data: "–", Number: true})
		}
		c.Table.Rows = append(c.Table.Rows, Row{append(row, sig)})
	}
	if !w.Enough {
		c.Said = append(c.Said, Notice{Tone: toneNote, Text: say.T("No sum is drawn: there is too little to base it on."),
			Detail: say.T("It needs %d weeks or months in which units were looked at, and %d finds.", learn.MinPoints, learn.MinFinds)})
		return c
	}
	usual := say.T("Usual is what was found in as much time before: %.1f finds for 1 000 units.", 1000*w.Rate)
	if w.Own {
		usual = say.T("Usual is the mean of this time itself, as there is too little from before: %.1f finds for 1 000 units.", 1000*w.Rate)
	}
	up, down := make([]dot, 0, len(w.Points)), make([]dot, 0, len(w.Points))
	most := float64(learn.CusumH) + 1
	last := learn.Signal(0)
	for j, s := range w.Points {
		i := w.Index[j]
		when := spanWords(l.buckets[i].Start, l.span)
		most = max(most, s.Up, s.Down)
		up = append(up, dot{at: i, y: s.Up, signal: s.Up > learn.CusumH, title: say.T("%s: %.1f more", when, s.Up)})
		down = append(down, dot{at: i, y: -s.Down, signal: s.Down > learn.CusumH, title: say.T("%s: %.1f fewer", when, s.Down)})
		if s.Signal != 0 && s.Signal != last {
			from := w.Index[s.FromUp]
			said := say.T("More is found than usual, since about the %s; by the %s chance alone no longer explained it.", spanWords(l.buckets[from].Start, l.span), when)
			if s.Signal < 0 {
				from = w.Index[s.FromDown]
				said = say.T("Less is found than usual, since about the %s; by the %s chance alone no longer explained it.", spanWords(l.buckets[from].Start, l.span), when)
			}
			var rounds []learn.Round
			for _, u := range l.buckets[from : i+1] {
				rounds = append(rounds, u.Rounds...)
			}
			n := Notice{Tone: toneNote, Text: said, Detail: k.lookAt(b, rounds, l)}
			if s.Signal < 0 {
				n.Detail = say.T("Good, if as much was looked at as before: see whether units and looks are the same. %s", noBlame)
			}
			c.Said = append(c.Said, n)
		}
		last = s.Signal
	}
	if len(c.Said) == 0 {
		c.Said = append(c.Said, Notice{Tone: toneNote, Text: say.T("No signal: finds are about as frequent as usual.")})
	}
	first := &c.Said[0]
	if first.Detail.IsZero() {
		first.Detail = usual
	} else {
		first.Detail = say.T("%s %s", usual, first.Detail)
	}
	if w.Few {
		c.Said = append(c.Said, Notice{Tone: toneNote, Text: say.T("At some points less than one find is usual: take a signal as a hint there.")})
	}
	most = math.Ceil(most/2) * 2
	d := drawing{
		b: b, n: len(l.buckets), lo: -most, hi: most, hasMean: true, levels: []float64{learn.CusumH, -learn.CusumH}, lines: [][]dot{up, down}, foot: foots(b, l),
		label: say.T("Finds beyond the usual, summed up; the same is in the table below"),
		ticks: []float64{-most, -most / 2, most / 2, most},
		tick:  func(v float64) string { return b.Say(say.T("%.0f", math.Abs(v))) },
	}
	c.Picture = d.draw()
	return c
}
