package kiosk

import (
	"net/http"

	"github.com/gin-gonic/gin"

	"lastlook/internal/consignment"
	"lastlook/internal/ladder"
	"lastlook/internal/say"
)

// examinePage walks through one package: open it, look at the empty package, count
// the units, look at each, confirm the looks, put everything back. Which of these
// it asks follows from the events alone.
var examinePage = declarePage("examine")

// examineStage is the question that the examining screen asks.
type examineStage string

const (
	stageFetch examineStage = "fetch" // drawn, but not here yet
	stageOpen  examineStage = "open"
	stageEmpty examineStage = "empty"
	stageCount examineStage = "count"
	stageUnits examineStage = "units"
	stageLooks examineStage = "looks"
	stageClose examineStage = "close"
	stageDone  examineStage = "done"
)

type examineView struct {
	Base
	Tag      Tag
	Stage    examineStage
	Where    say.Text // "package 063 · 2 of 5"
	Crop     string
	Question Question
	Action   string
	Main     Act
	More     []Act
	Units    Field // the count
	Rest     *restForm
	Dots     *Dots
	Looks    []say.Text // the looks to make at each unit
	Checks   []Check    // the looks to confirm
	All      Act        // fills them all in
	Finds    []findLine
	Ladder   Ladder
	LookUp   string // the reference, from this unit
	Undo     Undo
	Notice   Notice
}

// restForm confirms all units that are left as clean, by counting them.
type restForm struct {
	Count Field
	Do    Act
}

type findLine struct {
	Words say.Text
	Rung  ladder.Rung
	Href  string
}

// stageOf says which question comes next in a package.
func stageOf(r *consignment.Round, x *consignment.Exam) examineStage {
	switch {
	case x.Closed():
		return stageDone
	case x.FetchedAt.IsZero():
		return stageFetch
	case x.OpenedAt.IsZero():
		return stageOpen
	case x.LookedAt.IsZero():
		return stageEmpty
	case x.Units == 0:
		return stageCount
	case x.Seen() < x.Units:
		return stageUnits
	case x.Looks == nil:
		return stageLooks
	}
	return stageClose
}

// packageOf reads the consignment, its round under way and the package of the path.
func (k *kiosk) packageOf(c *gin.Context) (*consignment.State, *consignment.Round, *consignment.Exam, error) {
	st, r, err := k.running(c)
	if err != nil {
		return nil, nil, nil, err
	}
	n, err := pathInt(c, "pkg")
	if err != nil {
		return nil, nil, nil, err
	}
	x := r.Exams[n]
	if x == nil {
		return nil, nil, nil, say.Refuse(say.Illegal, "Package %03d is not in the draw: put it back.", n)
	}
	return st, r, x, nil
}

func (k *kiosk) examine(c *gin.Context) error { return k.showExamine(c, nil) }

func (k *kiosk) showExamine(c *gin.Context, refused *say.Refusal) error {
	st, r, x, err := k.packageOf(c)
	if err != nil {
		if st0, e := k.state(c); e == nil && st0.Running() == nil && refused == nil {
			return k.onward(c, st0) // the round is over: another bench may have ended it
		}
		return err
	}
	b := k.page(c, say.T("Package %03d", x.Package))
	b.Version = st.Version
	p, _ := st.Package(x.Package)
	place := 0
	for i, n := range r.ToExamine() {
		if n == x.Package {
			place = i + 1
		}
	}
	v := &examineView{
		Base: b, Tag: k.stateTag(b, st), Stage: stageOf(r, x), Action: packagePath(st.Code, x.Package),
		Where: say.T("package %03d · %d of %d", x.Package, place, len(r.Exams)), Crop: p.CropLine.Crop,
	}
	if refused != nil {
		v.Notice = Notice{Tone: toneWrong, Text: refused.Text}
	}
	for _, l := range r.Rules.Looks {
		v.Looks = append(v.Looks, l.Words())
	}
	for _, f := range r.FindsIn(x.Package) {
		v.Finds = append(v.Finds, findLine{Words: findWords(f), Rung: f.Rung, Href: "/c/" + st.Code + "/f/" + itoa(f.ID)})
	}
	v.Ladder = k.ladderFor(b, st, r, x)
	unit := 0
	if !x.LookedAt.IsZero() {
		unit = x.NextUnseen()
	}
	v.LookUp = errand{state: st, round: r, exam: x, answers: answers{unit: unit}}.link("/lookup")
	v.Undo = undoFor(b, st)
	k.ask(c, v, st, r, x, p, refused)
	if v.Stage == stageOpen {
		// The core refuses to open it here: the way to clean comes first.
		u, err := k.store.Unclean(c.Request.Context(), b.Bench)
		if err != nil {
			return err
		}
		if u != nil {
			v.Notice, v.Main = uncleanNotice(u, v.Action)
		}
	}
	status := http.StatusOK
	if refused != nil {
		status = statuses[refused.Code]
	}
	return k.render(c, status, examinePage, v)
}

// ask puts the question of the stage on the screen.
func (k *kiosk) ask(c *gin.Context, v *examineView, st *consignment.State, r *consignment.Round, x *consignment.Exam, p consignment.Package, refused *say.Refusal) {
	find := Act{Label: say.T("Find"), Hint: say.T("something is there"), Key: "f", Symbol: "look", Href: v.Action + "/find"}
	closer := Act{Label: say.T("Closer look"), Key: "k", Symbol: "look", Href: v.Action + "/closer", Weight: weightQuiet}
	switch v.Stage {
	case stageFetch:
		v.Question = Question{Text: say.T("Package %03d is not here yet", x.Package), Help: say.T("Fetch it, and scan it at the bench.")}
		v.Main = Act{Label: say.T("To the fetch list"), Href: "/c/" + st.Code + "/fetch", Weight: weightBig}
	case stageOpen:
		v.Question = Question{Text: say.T("Open package %03d", x.Package), Help: say.T("Lift with care: packages are heavy, and ants, spiders or snakes may sit in them.")}
		if r.FirstOpened.IsZero() {
			v.Question.Help = say.T("With the first package opened, the %d hours until dispatch begin to run.", r.Rules.WindowHours)
		}
		v.Main = Act{Label: say.T("It is open"), Name: "act", Value: "open", Key: "o", Weight: weightBig, Symbol: "leaf"}
		v.More = []Act{{Label: say.T("Another one first"), Href: "/c/" + st.Code + "/fetch", Weight: weightQuiet}}
	case stageEmpty:
		v.Question = Question{Text: say.T("Take everything out. Is the empty package clean?"), Help: say.T("Look into corners, under liners and labels, and at the underside.")}
		v.Main = Act{Label: say.T("The package is clean"), Name: "act", Value: "look", Key: "c", Weight: weightBig, Symbol: "leaf"}
		find.Href += "?unit=0&part=package"
		v.More = []Act{find, closer}
	case stageCount:
		v.Question = Question{Text: say.T("How many units are in it?"), Help: say.T("The order says %d. Count all of them.", p.CropLine.UnitsPerPackage)}
		v.Units = Field{Name: "units", Label: say.T("Units counted"), Mode: "numeric", Value: itoa(p.CropLine.UnitsPerPackage), Required: true}
		if refused != nil && refused.Field == "units" {
			v.Units.Error, v.Notice = refused.Text, Notice{}
		}
		v.Main = Act{Label: say.T("That many"), Name: "act", Value: "count", Key: "n", Weight: weightBig}
		v.More = []Act{closer}
	case stageUnits:
		u := x.NextUnseen()
		v.Question = Question{Text: say.T("Is unit %d clean?", u), Help: say.T("Turn it in your hands. Make every look.")}
		d := newDots(say.T("unit %d of %d", u, x.Units), 0, x.Units)
		if x.Units <= 200 {
			for n := 1; n <= x.Units; n++ {
				switch {
				case x.Unit(n) == consignment.WithFind:
					d.Dots[n-1].State = "find"
				case x.Unit(n) == consignment.Clean:
					d.Dots[n-1].State = "done"
				case n == u:
					d.Dots[n-1].State = "now"
				default:
					d.Dots[n-1].State = ""
				}
			}
		} else {
			d.Dots = nil
		}
		v.Dots = &d
		v.Main = Act{Label: say.T("Clean"), Hint: say.T("unit %d of %d", u, x.Units), Name: "act", Value: "clean", Key: "c", Weight: weightBig, Symbol: "leaf"}
		find.Href += "?unit=" + itoa(u)
		v.More = []Act{find, closer}
		if left := x.Units - x.Seen(); left > 1 {
			v.Rest = &restForm{
				Count: Field{Name: "count", Label: say.T("The rest is clean: how many did you look at?"), Hint: say.T("Look at each, count them, then write the number."), Mode: "numeric", Unit: say.T("units")},
				Do:    Act{Label: say.T("All these are clean"), Name: "act", Value: "rest", Weight: weightPlain},
			}
			if refused != nil && refused.Field == "count" {
				v.Rest.Count.Error, v.Notice = refused.Text, Notice{}
			}
		}
	case stageLooks:
		v.Question = Question{Text: say.T("Did you make every look, at all %d units?", x.Units), Help: say.T("Say no such part where the plants have none. If a look was left out, make it now.")}
		for _, l := range r.Rules.Looks {
			ch := Check{Name: "look_" + string(l), Question: l.Words(), Value: c.PostForm("look_" + string(l)), Yes: say.T("Looked"), No: say.T("No such part")}
			if c.PostForm("all") != "" && ch.Value == "" {
				ch.Value = "yes"
			}
			if refused != nil && refused.Field == string(l) {
				ch.Error = refused.Text
			}
			v.Checks = append(v.Checks, ch)
		}
		v.Main = Act{Label: say.T("The looks are made"), Name: "act", Value: "looks", Key: "n", Weight: weightBig, Symbol: "right"}
		find.Href += "?unit=1"
		find.Hint = say.T("something after all")
		v.All = Act{Label: say.T("Looked, every one"), Hint: say.T("fills them in; then go on below"), Name: "all", Value: "yes"}
		v.More = []Act{find, closer}
	case stageClose:
		v.Question = Question{Text: say.T("Put all %d units back and close package %03d", x.Units, x.Package), Help: say.T("Change or clean gloves before the next one if anything was found.")}
		for _, f := range r.FindsIn(x.Package) {
			if f.Rung > ladder.Note {
				v.Question = Question{Text: say.T("Put the clean units back and close package %03d", x.Package),
					Help: say.T("Units with a find stay apart, in a closed bag with package and unit written on it. Then change your gloves and clean the tools.")}
			}
		}
		v.Main = Act{Label: say.T("It is closed"), Name: "act", Value: "close", Key: "n", Weight: weightBig, Symbol: "right"}
	case stageDone:
		step := consignment.Next(st, benchOf(c))
		v.Question = Question{Text: say.T("Package %03d is examined", x.Package)}
		v.Main = Act{Label: stepWords(step), Href: stepPath(st.Code, step), Weight: weightBig}
	}
	if r.Highest() > ladder.Note && v.Stage != stageFetch {
		v.More = append(v.More, Act{Label: say.T("End the round now"), Hint: r.Highest().Act(), Href: "/c/" + st.Code + "/conclude"})
	}
}

// ladderFor draws the ladder with the highest rung in force.
func (k *kiosk) ladderFor(b Base, st *consignment.State, r *consignment.Round, x *consignment.Exam) Ladder {
	fields := append(b.Once(), Hidden{Name: "unit", Value: itoa(x.NextUnseen())})
	why := say.Text{}
	if top := r.Highest(); top.Valid() {
		why = say.T("The highest find so far asks for: %s", top.Act())
	}
	l := newLadder(packagePath(st.Code, x.Package)+"/ladder", fields, r.Highest(), why)
	for i := range l.Rungs {
		// Every rung can be pressed here: pressing begins a new find, which stands by itself.
		l.Rungs[i].Locked = say.Text{}
	}
	return l
}

func undoFor(b Base, st *consignment.State) Undo {
	u := Undo{Action: "/c/" + st.Code + "/undo"}
	if rec, ok := st.LastUndoable(); ok {
		u.Text, u.Fields = consignment.Describe(rec.Event), b.Once()
	}
	return u
}

func findWords(f *consignment.Find) say.Text {
	what := f.Facts.What.Words()
	if f.Facts.Entry != nil {
		what = say.T("%s (%s)", f.Facts.Entry.Name, what)
	}
	if f.Facts.Unit == 0 {
		return say.T("Find %d · the package itself · %s", f.ID, what)
	}
	return say.T("Find %d · unit %d · %s · %s", f.ID, f.Facts.Unit, f.Facts.Part.Words(), what)
}

// examineStep answers the acts of the examining screen.
func (k *kiosk) examineStep(c *gin.Context) error {
	n, err := pathInt(c, "pkg")
	if err != nil {
		return err
	}
	if c.PostForm("all") != "" {
		return k.showExamine(c, nil) // filled in, not yet kept
	}
	var cmd consignment.Command
	switch c.PostForm("act") {
	case "open":
		cmd = consignment.Open{Package: n}
	case "look":
		cmd = consignment.LookPackage{Package: n}
	case "count":
		units, err := formNumber(c.PostForm("units"))
		if err != nil {
			return k.showExamine(c, notNumber("units"))
		}
		cmd = consignment.CountUnits{Package: n, Units: units}
	case "clean":
		cmd = consignment.CleanUnit{Package: n, Unit: formInt(c, "unit")}
	case "rest":
		count, err := formNumber(c.PostForm("count"))
		if err != nil {
			return k.showExamine(c, notNumber("count"))
		}
		cmd = consignment.CleanRest{Package: n, Count: count}
	case "looks":
		cmd = looksOf(c, n)
	case "close":
		cmd = consignment.ClosePackage{Package: n}
	default:
		return say.Refuse(say.Invalid, "The bench does not know this step.")
	}
	done, err := k.do(c, cmd)
	if r := asRefusal(err); r != nil {
		return k.showExamine(c, r)
	}
	if err != nil {
		return err
	}
	if count, ok := cmd.(consignment.CountUnits); ok {
		if p, _ := done.State.Package(n); p.CropLine.UnitsPerPackage != count.Units {
			tell(c, Flash{Tone: toneNote, Text: say.T("The order says %d, you counted %d.", p.CropLine.UnitsPerPackage, count.Units), Detail: say.T("Both stand on the record. If you miscounted, undo and count again.")})
		}
	}
	return k.afterExamine(c, done.State, n)
}

func looksOf(c *gin.Context, pkg int) consignment.ConfirmLooks {
	cmd := consignment.ConfirmLooks{Package: pkg}
	for name, vals := range c.Request.PostForm {
		if len(name) < 6 || name[:5] != "look_" || len(vals) == 0 {
			continue
		}
		switch look := consignment.Look(name[5:]); vals[0] {
		case "yes":
			cmd.Made = append(cmd.Made, look)
		case "no":
			cmd.None = append(cmd.None, look)
		}
	}
	return cmd
}

// afterExamine stays with a package until it is closed, then goes to what is next.
func (k *kiosk) afterExamine(c *gin.Context, st *consignment.State, pkg int) error {
	if r := st.Running(); r != nil && r.Exams[pkg] != nil && !r.Exams[pkg].Closed() {
		return k.forward(c, packagePath(st.Code, pkg))
	}
	return k.onward(c, st)
}

// closerPage is the closer-look checklist: what else to do before deciding.
var closerPage = declarePage("closer")

type closerView struct {
	Base
	Tag   Tag
	Steps []closerStep
	Back  Act
	Find  Act
	Doubt Act
}

type closerStep struct {
	Text, Detail say.Text
}

// closerLooks are common practice at a bench.
var closerLooks = []closerStep{
	{say.T("Turn over the leaves, and use the hand lens at the midrib"), say.T("Mites, scales, whitefly young and rust pustules sit below.")},
	{say.T("Beat a shoot three times over the white tray"), say.T("Wait ten seconds: what moves is alive. Thrips run, mites crawl slowly.")},
	{say.T("Part the shoot tips and buds with a fingertip"), say.T("Aphids, thrips, broad mite and bud damage hide there.")},
	{say.T("Shine the torch along the stem and into forks"), say.T("Look for wax, holes with sawdust, gum, sunken bark.")},
	{say.T("Tilt the container and look underneath, at the holes and the rim"), say.T("Slugs, snails, ants and weeds come in from below.")},
	{say.T("Slip the root ball out, if it can be put back whole"), say.T("Look for galls, knots, brown roots, grubs, wax, slime or a bad smell.")},
	{say.T("Look at two neighbours of the same plant"), say.T("One plant may be an accident; a pattern has a cause.")},
}

func (k *kiosk) closer(c *gin.Context) error {
	st, _, x, err := k.packageOf(c)
	if err != nil {
		return err
	}
	b := k.page(c, say.T("Closer look"))
	b.Version = st.Version
	path := packagePath(st.Code, x.Package)
	v := &closerView{
		Base: b, Tag: k.stateTag(b, st), Steps: closerLooks,
		Back:  Act{Label: say.T("Back to the unit"), Href: path, Weight: weightBig},
		Find:  Act{Label: say.T("Find"), Key: "f", Symbol: "look", Href: path + "/find?unit=" + itoa(x.NextUnseen())},
		Doubt: Act{Label: say.T("I don't know what it is"), Symbol: "unknown", Href: path + "/find?what=not_identified&unit=" + itoa(x.NextUnseen())},
	}
	return k.render(c, http.StatusOK, closerPage, v)
}
