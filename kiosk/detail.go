package kiosk

import (
	"net/http"
	"slices"
	"strings"

	"github.com/gin-gonic/gin"

	"lastlook/internal/consignment"
	"lastlook/internal/people"
	"lastlook/internal/record"
	"lastlook/internal/sampling"
	"lastlook/internal/say"
)

// detailPage is the detailed examination of rejected goods: its plan, how far it
// is, and what it showed.
var detailPage = declarePage("detail")

type detailView struct {
	Base
	Tag      Tag
	Question Question
	Notice   Notice
	Why      []say.Text
	Dots     *Dots // where few enough to be counted
	Action   string
	Plan     Act // takes the plan as it is worked out
	Next     Act // the next package, or what comes after
	Left     say.Text
	Change   *detailChange
	Results  Table
	Looks    Table
	Cautions []say.Text
	Links    []Act
}

// detailChange is the supervisor's form for another plan.
type detailChange struct {
	Open     bool
	Packages Field
	Reason   Field
	Do       Act
}

// manyDots is how many dots are still counted at a glance.
const manyDots = 48

func detailPath(code string, pkg int) string { return "/c/" + code + "/detail/" + itoa(pkg) }

// rejectedRound gives the round whose goods are examined in detail: the one of the
// address, else the newest.
func rejectedRound(c *gin.Context, st *consignment.State) (*consignment.Round, error) {
	r := st.Round()
	if n, err := formNumber(c.Query("round")); err == nil {
		if n < 1 || n > len(st.Rounds) {
			return nil, say.Refuse(say.NotFound, "There is no round %d of %s.", n, st.Number)
		}
		r = st.Rounds[n-1]
	}
	if r == nil || r.Detail == nil && (r.Ended == nil || r.Ended.Outcome != consignment.Rejected) {
		return nil, say.Refuse(say.Illegal, "Only rejected goods are examined in detail: %s is %s.", st.Number, st.Standing().Words())
	}
	return r, nil
}

// nextDetail says which package to examine next, or that there is none.
func nextDetail(r *consignment.Round) say.Text {
	if left := r.Detail.Left(); len(left) > 0 {
		return say.T("Examine %s next.", pad(left[0]))
	}
	return say.T("All packages of the plan are examined.")
}

func (k *kiosk) detailPage(c *gin.Context) error { return k.showDetail(c, nil) }

func (k *kiosk) showDetail(c *gin.Context, refused *say.Refusal) error {
	st, err := k.state(c)
	if err != nil {
		return err
	}
	r, err := rejectedRound(c, st)
	if err != nil {
		return err
	}
	b := k.page(c, say.T("Detailed examination of %s", st.Number))
	b.Version = st.Version
	base := "/c/" + st.Code
	person, _ := personOf(c)
	// A round that is not the newest, or goods that moved on, are only read.
	now := r == st.Round() && r.Ended != nil && r.Ended.Outcome == consignment.Rejected && st.Dispatched == nil
	v := &detailView{Base: b, Tag: k.stateTag(b, st), Action: base + "/detail", Results: detailResults(st, r),
		Cautions: []say.Text{
			say.T("Examine it where it stands apart. Nothing of it goes back to other goods."),
			say.T("Clean gloves, lens and tray after each package."),
			say.T("A suspected quarantine pest stops it: leave it in place and tell the supervisor."),
		}}
	plan, err := st.PlanOf(r)
	if err != nil {
		return err
	}
	switch d := r.Detail; {
	case d == nil:
		v.Question = Question{Text: say.T("Examine these %d packages", len(plan.Packages)), Help: say.T("All of what is affected, and a sample of the rest: %s", record.Numbers(plan.Packages))}
		v.Why = planWords(st, plan)
		v.Plan = Act{Label: say.T("Take this plan"), Weight: weightBig, Symbol: "right", Name: "do", Value: "plan"}
	default:
		left := d.Left()
		done := len(d.Packages) - len(left)
		v.Question = Question{Text: say.T("%d of %d packages examined", done, len(d.Packages)), Help: say.T("Scan the next package, or press it here.")}
		if len(d.Packages) <= manyDots {
			dots := newDots(say.T("%d of %d", done, len(d.Packages)), 0, len(d.Packages))
			for i, n := range d.Packages {
				dots.Dots[i].State = ""
				if l, ok := d.Looks[n]; ok && l.Affected > 0 {
					dots.Dots[i].State = "find"
				} else if ok {
					dots.Dots[i].State = "done"
				}
			}
			v.Dots = &dots
		}
		if len(left) > 0 {
			v.Next = Act{Label: say.T("Examine package %03d", left[0]), Symbol: "look", Href: detailPath(st.Code, left[0]), Weight: weightBig}
			v.Left = say.T("Still to examine: %s", record.Numbers(left))
		} else {
			v.Question = Question{Text: say.T("The detailed examination is finished"), Help: say.T("%d of %d packages examined are infested.", affectedOf(d), len(d.Packages))}
			v.Next = Act{Label: say.T("What comes next"), Symbol: "next", Href: base + "/outcome", Weight: weightBig}
		}
		if d.Reason != "" {
			v.Why = []say.Text{say.T("The plan was changed by %s: %s", d.By.Name, d.Reason)}
		} else {
			v.Why = planWords(plannedFrom(st, d), d.DetailPlanned)
		}
		v.Looks = detailLooks(b, st, r, now)
	}
	if now && person.Has(people.Supervisor) {
		v.Change = &detailChange{
			Packages: Field{Name: "packages", Label: say.T("Packages to examine"), Hint: say.T("like 1-20, 35; left empty, the plan as it is worked out"), Value: c.PostForm("packages")},
			Reason:   Field{Name: "reason", Label: say.T("Why?"), Hint: say.T("It stays on the record."), Value: c.PostForm("reason")},
			Do:       Act{Label: say.T("Change the plan"), Name: "do", Value: "change"},
		}
	}
	if !now {
		v.Plan, v.Next = Act{}, Act{}
		v.Notice = Notice{Tone: toneNote, Text: say.T("This was after round %d. It is only read now.", r.Number)}
	}
	v.Links = []Act{{Label: say.T("Back to the outcome"), Symbol: "back", Href: base + "/outcome", Weight: weightQuiet}}
	status := http.StatusOK
	if refused != nil {
		status = statuses[refused.Code]
		v.Notice = Notice{Tone: toneWrong, Text: refused.Text}
		if v.Change != nil && (refused.Field == "packages" || refused.Field == "reason") {
			v.Notice, v.Change.Open = Notice{}, true
			if refused.Field == "packages" {
				v.Change.Packages.Error = refused.Text
			} else {
				v.Change.Reason.Error = refused.Text
			}
		}
	}
	return k.render(c, status, detailPage, v)
}

// plannedFrom gives the consignment as it was when the plan was made: packages may
// have left or come since.
func plannedFrom(st *consignment.State, d *consignment.Detail) *consignment.State {
	for i, rec := range st.History {
		if p, ok := rec.Event.(consignment.DetailPlanned); ok && p.Round == d.Round && rec.At.Equal(d.At) {
			if then, err := consignment.Fold(st.History[:i]); err == nil {
				return then
			}
		}
	}
	return st
}

func affectedOf(d *consignment.Detail) int {
	n := 0
	for _, l := range d.Looks {
		if l.Affected > 0 {
			n++
		}
	}
	return n
}

// planWords says what is examined and why so much.
func planWords(st *consignment.State, p consignment.DetailPlanned) []say.Text {
	var out []say.Text
	whole := 0
	for _, i := range p.Lines {
		l := st.Lines[i]
		n := 0
		for _, pkg := range p.Packages {
			if q, ok := st.Package(pkg); ok && q.Line == i {
				n++
			}
		}
		whole += n
		out = append(out, say.T("%s is affected: all %d packages of it are examined.", l.Crop, n))
	}
	others := 0
	for _, n := range st.Numbers() {
		if q, ok := st.Package(n); ok && !slices.Contains(p.Lines, q.Line) {
			others++
		}
	}
	switch {
	case others > 0 && p.Rest >= others:
		out = append(out, say.T("All %d packages of the other crop lines are examined: they are too few for a smaller sample to show %s infested with %s confidence.", others, percent(p.Detect), percent(p.Confidence)))
	case others > 0:
		out = append(out, say.T("Of the other %d packages %d are examined: if %s of them or more are infested, at least one is found with %s confidence (hypergeometric, ISPM 31).", others, p.Rest, percent(p.Detect), percent(p.Confidence)),
			say.T("Which ones follows from the order of the draw: nobody chooses them."))
	}
	if len(p.Lines) == 0 {
		out = append([]say.Text{say.T("No crop line by itself is affected.")}, out...)
	}
	return out
}

// percent writes a share as sentences have it: "5 %".
func percent(r sampling.Rate) string { return strings.TrimSuffix(r.String(), "%") + " %" }

// detailResults says for each crop line how much of it is infested.
func detailResults(st *consignment.State, r *consignment.Round) Table {
	t := Table{Caption: say.T("Infested, by crop line"), Columns: []Column{
		{Label: say.T("Crop")}, {Label: say.T("Batch")}, {Label: say.T("Infested packages")}, {Label: say.T("Units affected, in detail")}, {Label: say.T("Which packages")},
	}}
	type tally struct {
		looked, infested []int
		units, affected  int
	}
	sums := make([]tally, len(st.Lines))
	line := func(n int) *tally {
		p, ok := st.Package(n)
		if !ok {
			return nil
		}
		return &sums[p.Line]
	}
	infested := r.Infested()
	looked := map[int]bool{}
	for n, x := range r.Exams {
		if x.Closed() {
			looked[n] = true
		}
	}
	if r.Detail != nil {
		for n, l := range r.Detail.Looks {
			looked[n] = true
			if s := line(n); s != nil {
				s.units += l.Units
				s.affected += l.Affected
			}
		}
	}
	for _, n := range infested {
		looked[n] = true
		if s := line(n); s != nil {
			s.infested = append(s.infested, n)
		}
	}
	for n := range looked {
		if s := line(n); s != nil {
			s.looked = append(s.looked, n)
		}
	}
	for i, l := range st.Lines {
		s := sums[i]
		units, looked := Cell{Text: say.T("not counted")}, say.T("none looked at")
		if len(s.looked) > 0 {
			looked = say.T("%d of %d looked at", len(s.infested), len(s.looked))
		}
		if s.units > 0 {
			units = Cell{Text: say.T("%d of %d", s.affected, s.units)}
		}
		t.Rows = append(t.Rows, Row{[]Cell{
			{Data: l.Crop}, {Data: orDash(l.Batch)}, {Text: looked}, units, {Data: orDash(record.Numbers(s.infested))},
		}})
	}
	return t
}

func detailLooks(b Base, st *consignment.State, r *consignment.Round, link bool) Table {
	t := Table{Caption: say.T("Package by package"), Columns: []Column{
		{Label: say.T("Package")}, {Label: say.T("Units affected")}, {Label: say.T("What")}, {Label: say.T("Note")}, {Label: say.T("Who")}, {Label: say.T("When")},
	}, Empty: say.T("No package is examined yet.")}
	ns := make([]int, 0, len(r.Detail.Looks))
	for n := range r.Detail.Looks {
		ns = append(ns, n)
	}
	slices.Sort(ns)
	for _, n := range ns {
		l := r.Detail.Looks[n]
		what := say.T("clean")
		if l.Affected > 0 {
			what = l.What.Words()
		}
		first := Cell{Data: pad(n)}
		if link && st.Present(n) {
			first.Href = detailPath(st.Code, n)
		}
		t.Rows = append(t.Rows, Row{[]Cell{first, {Text: say.T("%d of %d", l.Affected, l.Units)}, {Text: what}, {Data: orDash(l.Note)}, {Data: l.By.Name}, {Text: b.Clock(l.At)}}})
	}
	return t
}

func (k *kiosk) planDetail(c *gin.Context) error {
	st, err := k.state(c)
	if err != nil {
		return err
	}
	var cmd consignment.PlanDetail
	if c.PostForm("do") == "change" {
		ns, refused := readNumbers(c.PostForm("packages"), "packages", st.Total())
		if refused != nil {
			return k.showDetail(c, refused)
		}
		cmd = consignment.PlanDetail{Packages: ns, Reason: c.PostForm("reason")}
	}
	_, err = k.do(c, cmd)
	if r := numberRefusal(err, "packages"); r != nil {
		return k.showDetail(c, r)
	}
	if err != nil {
		return err
	}
	return k.forward(c, "/c/"+st.Code+"/detail")
}

// detailPackagePage asks what one package showed.
var detailPackagePage = declarePage("detail_package")

type detailPackageView struct {
	Base
	Tag      Tag
	Where    say.Text
	Crop     string
	Question Question
	Notice   Notice
	Off      *Panel // not in the plan
	Action   string
	Units    Field
	Affected Field
	What     Choices
	Note     Field
	Do       Act
	Back     Act
}

func (k *kiosk) detailPackage(c *gin.Context) error { return k.showDetailPackage(c, nil) }

func (k *kiosk) showDetailPackage(c *gin.Context, refused *say.Refusal) error {
	n, err := pathInt(c, "pkg")
	if err != nil {
		return err
	}
	st, err := k.state(c)
	if err != nil {
		return err
	}
	p, ok := st.Package(n)
	if !ok {
		return say.Refuse(say.NotFound, "There is no package %s: they are numbered 1 to %s.", itoa(n), itoa(st.Total()))
	}
	r := st.Round()
	if r == nil || r.Ended == nil || r.Ended.Outcome != consignment.Rejected {
		return say.Refuse(say.Illegal, "Only rejected goods are examined in detail: %s is %s.", st.Number, st.Standing().Words())
	}
	b := k.page(c, say.T("Package %03d in detail", n))
	b.Version = st.Version
	all := "/c/" + st.Code + "/detail"
	v := &detailPackageView{
		Base: b, Tag: k.stateTag(b, st), Action: detailPath(st.Code, n), Crop: p.CropLine.Crop,
		Where:    say.T("package %03d, in detail", n),
		Question: Question{Text: say.T("What does package %03d show?", n), Help: say.T("Empty it, look at every unit, count them all, then count those that show something.")},
		Units:    Field{Name: "units", Label: say.T("Units counted"), Hint: say.T("the list says %d", p.CropLine.UnitsPerPackage), Value: c.PostForm("units"), Mode: "numeric", Required: true, Focus: true},
		Affected: Field{Name: "affected", Label: say.T("Units affected"), Hint: say.T("0 if all are clean"), Value: c.PostForm("affected"), Mode: "numeric", Required: true},
		What:     Choices{Name: "what", Legend: say.T("What do they show?"), Hint: say.T("Leave it if all are clean.")},
		Note:     Field{Name: "note", Label: say.T("Note"), Hint: say.T("only if there is something to say"), Value: c.PostForm("note")},
		Do:       Act{Label: say.T("Keep it"), Weight: weightBig, Symbol: "right"},
		Back:     Act{Label: say.T("Back to the plan"), Symbol: "back", Href: all, Weight: weightQuiet},
	}
	for _, w := range consignment.Whats {
		v.What.Tiles = append(v.What.Tiles, Choice{Value: string(w), Label: w.Words(), Chosen: c.PostForm("what") == string(w)})
	}
	off := Panel{Kind: panelLocked, Act: Act{Label: say.T("Back to the plan"), Href: all, Weight: weightBig}}
	switch {
	case !st.Present(n):
		off.Text = say.T("Package %03d was taken out of %s", n, st.Number)
		off.Detail = say.T("Put it aside and ask the supervisor.")
		v.Off = &off
	case r.Detail == nil:
		off.Text = say.T("There is no plan yet")
		off.Detail = say.T("Make the plan of the detailed examination first.")
		v.Off = &off
	case !slices.Contains(r.Detail.Packages, n):
		off.Text = say.T("Package %03d is not in the plan", n)
		off.Detail = nextDetail(r)
		v.Off = &off
	default:
		if l, ok := r.Detail.Looks[n]; ok {
			v.Notice = Notice{Tone: toneNote, Text: say.T("It was examined already: %d of %d units affected.", l.Affected, l.Units), Detail: say.T("What you keep now counts; the other stays on the record.")}
		}
	}
	status := http.StatusOK
	if refused != nil {
		status = statuses[refused.Code]
		if !errorAt(refused, map[string]*say.Text{
			"units": &v.Units.Error, "affected": &v.Affected.Error, "what": &v.What.Error, "note": &v.Note.Error,
		}) {
			v.Notice = Notice{Tone: toneWrong, Text: refused.Text}
		}
	}
	return k.render(c, status, detailPackagePage, v)
}

func (k *kiosk) lookDetail(c *gin.Context) error {
	n, err := pathInt(c, "pkg")
	if err != nil {
		return err
	}
	units, err := formNumber(c.PostForm("units"))
	if err != nil {
		return k.showDetailPackage(c, notNumber("units"))
	}
	affected, err := formNumber(c.PostForm("affected"))
	if err != nil {
		return k.showDetailPackage(c, notNumber("affected"))
	}
	what := consignment.What(c.PostForm("what"))
	done, err := k.do(c, consignment.LookDetail{Package: n, Units: units, Affected: affected, What: what, Note: strings.TrimSpace(c.PostForm("note"))})
	if r := asRefusal(err); r != nil {
		return k.showDetailPackage(c, r)
	}
	if err != nil {
		return err
	}
	st := done.State
	if st.Standing() == consignment.StandStopped {
		return k.forward(c, "/c/"+st.Code+"/outcome")
	}
	f := Flash{Tone: toneRight, Text: say.T("Package %03d: %d of %d units affected.", n, affected, units)}
	if r := st.Round(); r != nil && r.Detail != nil {
		f.Detail = nextDetail(r)
	}
	tell(c, f)
	return k.forward(c, "/c/"+st.Code+"/detail")
}
