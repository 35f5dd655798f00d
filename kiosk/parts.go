package kiosk

import (
	"html/template"

	"lastlook/internal/ladder"
	"lastlook/internal/say"
)

// This file holds the data of the parts: the pieces that all screens are built
// from. Each part is a template in assets/templates/parts, called with its
// struct: {{template "tag" .Tag}}. Sentences are say.Text, values that come from
// people or orders are strings; the templates mark the latter with data-v. All
// parts can be seen together at /design.

// Hidden is one hidden form field. Part "hidden" takes a list of them.
type Hidden struct{ Name, Value string }

// weight says how loud an act is.
type weight string

// The weights. At most one act a screen is big.
const (
	weightBig   weight = "big"   // the next act: the largest thing on the screen
	weightPlain weight = "plain" // another way on
	weightQuiet weight = "quiet" // rarely needed
)

// Act is something to press. With an Href it is a link; without, it submits the
// form around it, sending Name=Value if Name is set. Part "act".
type Act struct {
	Label  say.Text
	Hint   say.Text // a second, smaller line
	Key    string   // one letter that presses it from the keyboard; shown as a keycap
	Symbol string   // a symbol of the sprite, by name
	Weight weight   // "" is plain
	Href   string
	Name   string
	Value  string
	Action string // where to submit, if not where the form says
	Off    bool   // shown, but cannot be pressed
	Rung   ladder.Rung
}

// state is where a consignment, round or package stands. Each has a word, a
// shape and a fill of its own.
type state string

// The states.
const (
	stateDue      state = "due"      // nothing done yet
	stateWork     state = "work"     // somebody is at it
	statePassed   state = "passed"   // examined, nothing against it
	stateRejected state = "rejected" // does not go
	stateIsolated state = "isolated" // rejected, and all of it kept apart
	stateHeld     state = "held"     // waiting for an identification
	stateStopped  state = "stopped"  // suspected quarantine pest
	stateGone     state = "gone"     // dispatched
	stateLate     state = "late"     // out of time
)

// Word is the word of the state.
func (s state) Word() say.Text {
	switch s {
	case stateDue:
		return say.T("due")
	case stateWork:
		return say.T("in work")
	case statePassed:
		return say.T("passed")
	case stateRejected:
		return say.T("rejected")
	case stateIsolated:
		return say.T("isolated")
	case stateHeld:
		return say.T("held")
	case stateStopped:
		return say.T("stopped")
	case stateGone:
		return say.T("dispatched")
	case stateLate:
		return say.T("out of time")
	}
	return say.Text{}
}

// Mark is a state as word, shape and fill. Part "mark". Text replaces the
// state's own word where more is known ("2 of 5 examined").
type Mark struct {
	State state
	Text  say.Text
}

// Word is what the mark says.
func (m Mark) Word() say.Text {
	if !m.Text.IsZero() {
		return m.Text
	}
	return m.State.Word()
}

// Tag is a consignment as the paper tag by which it is known everywhere.
// Part "tag".
type Tag struct {
	Number      string
	Customer    string
	Destination string
	Packages    say.Text // "240 packages"
	By          say.Text // leave by or start by, with the time left; see Base.LeaveBy
	Mark        Mark
	Href        string // where a tap leads; "" for a tag that is only shown
	Note        say.Text
	Stamp       *Stamp // pressed over the tag once the round has an outcome
	Small       bool   // one line high, at the head of other screens
}

// Stamp is an outcome: word, time, how long it holds. Part "stamp".
type Stamp struct {
	State state
	At    say.Text
	Until say.Text
}

// LadderRung is one rung as this screen offers it.
type LadderRung struct {
	Rung   ladder.Rung
	Lit    bool
	Locked say.Text // why it cannot be pressed and who can unlock it; empty means it can
	Key    string
}

// Ladder is the four rungs at the edge of every examining screen. It is a form:
// pressing a rung posts rung=NAME to Action. Part "ladder". Make it with
// newLadder.
type Ladder struct {
	Action string
	Fields []Hidden
	Rungs  []LadderRung // from the top down, as drawn
	Why    say.Text     // one sentence: why the lit rung is lit
}

// newLadder draws the ladder with one rung lit and those below it locked. The
// zero Rung lights none.
func newLadder(action string, fields []Hidden, lit ladder.Rung, why say.Text) Ladder {
	l := Ladder{Action: action, Fields: fields, Why: why}
	for i := len(ladder.Rungs) - 1; i >= 0; i-- {
		r := LadderRung{Rung: ladder.Rungs[i], Lit: ladder.Rungs[i] == lit}
		if r.Rung < lit {
			r.Locked = say.T("The advice is %s. Only a supervisor can go down to %s, with a reason on the record.", lit.Word(), r.Rung.Word())
		}
		l.Rungs = append(l.Rungs, r)
	}
	return l
}

// Question heads a screen: one question, and one sentence of help. Part "question".
type Question struct {
	Text say.Text
	Help say.Text
}

// Dots is progress that can be counted. Part "dots".
type Dots struct {
	Dots  []Dot
	Label say.Text // "unit 7 of 12"
}

// Dot is one step of Dots: "done", "find", "now" or "" for not yet.
type Dot struct{ State string }

// newDots draws total dots of which the first done are done; finds lists the
// numbers (from 1) that had one.
func newDots(label say.Text, done, total int, finds ...int) Dots {
	d := Dots{Label: label, Dots: make([]Dot, total)}
	for i := range d.Dots {
		switch {
		case i < done:
			d.Dots[i].State = "done"
		case i == done:
			d.Dots[i].State = "now"
		}
	}
	for _, n := range finds {
		if n >= 1 && n <= total {
			d.Dots[n-1].State = "find"
		}
	}
	return d
}

// fetchState is where a drawn package is.
type fetchState string

// The fetch states.
const (
	fetchWanted   fetchState = "wanted"   // still in the stack
	fetchHere     fetchState = "here"     // scanned at the bench
	fetchReplaced fetchState = "replaced" // could not be reached
)

// FetchTile is one drawn package. Part "fetch".
type FetchTile struct {
	Number string
	Crop   string
	Bay    string
	State  fetchState
	Mark   say.Text // the word for the state
}

// panelKind is a designed state of a whole screen or a part of one.
type panelKind string

// The panel kinds.
const (
	panelEmpty   panelKind = "empty"
	panelLoading panelKind = "loading"
	panelWrong   panelKind = "wrong"
	panelLocked  panelKind = "locked"
	panelOffline panelKind = "offline"
)

// Panel stands where content would be: what is so, what to do. Part "panel".
// Act may be left zero.
type Panel struct {
	Kind   panelKind
	Text   say.Text
	Detail say.Text
	Act    Act
}

// Notice is a sentence beside the content. Part "notice".
type Notice struct {
	Tone   tone
	Text   say.Text
	Detail say.Text
}

// Verdict is an answer that takes the whole screen. Part "verdict". Back is
// where dismissing it leads without script.
type Verdict struct {
	Tone   tone
	Text   say.Text
	Detail say.Text
	Back   string
}

// Word is the verdict in one word.
func (v Verdict) Word() say.Text {
	switch v.Tone {
	case toneRight:
		return say.T("Right")
	case toneWrong:
		return say.T("Wrong")
	}
	return say.T("Note")
}

// Verdict is the Flash as a whole-screen answer.
func (b Base) Verdict() Verdict {
	return Verdict{Tone: b.Flash.Tone, Text: b.Flash.Text, Detail: b.Flash.Detail, Back: b.Here}
}

// Field is one form field with its label, hint and error. Part "field". What
// was typed is kept in Value. Type is an HTML input type, or "area" for several
// lines, "select" for Options, "photo" for a picture that is made smaller before it
// is sent, "" for text.
type Field struct {
	Name     string
	Label    say.Text
	Hint     say.Text
	Error    say.Text
	Value    string
	Type     string
	Unit     say.Text // behind the field: "units", "%"
	Mode     string   // inputmode, "numeric" for numbers
	Auto     string   // autocomplete; "" means off
	Min, Max string
	Options  []Option
	Required bool
	Focus    bool
}

// Option is one line of a select.
type Option struct {
	Value    string
	Label    say.Text
	Selected bool
}

// Choices are big tiles of which one (or, with Many, any number) is chosen.
// Part "choices".
type Choices struct {
	Name   string
	Legend say.Text
	Hint   say.Text
	Error  say.Text
	Many   bool
	Tiles  []Choice
}

// Choice is one tile. Data is what an order or the reference calls it, shown
// before Label if set.
type Choice struct {
	Value  string
	Data   string
	Label  say.Text
	Hint   say.Text
	Symbol string
	Key    string
	Chosen bool
}

// Check is one row of a checklist: a statement and two big answers. Part
// "check". Value is "yes", "no" or "".
type Check struct {
	Name     string
	Question say.Text
	Hint     say.Text
	Error    say.Text
	Value    string
	Yes, No  say.Text // "" means Yes and No
}

// Table is a table for the desk. Part "table".
type Table struct {
	Caption say.Text
	Columns []Column
	Rows    []Row
	Empty   say.Text // said when there are no rows
}

// Column is a heading. With an Href it sorts; Sorted is "ascending",
// "descending" or "".
type Column struct {
	Label  say.Text
	Href   string
	Sorted string
	Number bool // right-aligned figures
}

// Row is one line; its cells follow the columns.
type Row struct{ Cells []Cell }

// Cell is one value: Data as it came, Text as a sentence, or Mark as a state.
// The first of them that is set is shown.
type Cell struct {
	Data   string
	Text   say.Text
	Mark   *Mark
	Href   string
	Number bool
}

// Fact is one line of a key-value list. Part "facts" takes a list of them.
// Data is a value as it came, Text one that is said; both may be set.
type Fact struct {
	Label say.Text
	Data  string
	Text  say.Text
}

// Step is one thing to do now, ticked as done. Part "steps" takes Steps.
type Step struct {
	Text   say.Text
	Detail say.Text
	Done   bool
	At     say.Text // when it was done
	Value  string   // sent as step=VALUE when ticked
}

// Steps is a numbered list of acts, a form that posts step=VALUE to Action.
// Part "steps".
type Steps struct {
	Action string
	Fields []Hidden
	Steps  []Step
}

// Barcode is a drawn code with its text beneath. SVG is drawn by our own code,
// never by people. Part "barcode".
type Barcode struct {
	SVG     template.HTML
	Text    string
	Caption say.Text
}

// Undo offers to take the last step back, at the foot of an examining screen.
// It takes the same room whether or not there is something to undo. Part "undo".
type Undo struct {
	Text   say.Text // what would be undone; empty means nothing
	Action string
	Fields []Hidden
}

// Plant is the drawing that is touched where a sign is. Part "plant". It sends
// Name=REGION.
type Plant struct {
	Name   string
	Legend say.Text
	Chosen string
	Error  say.Text
}

// Region is one place on the plant.
type Region struct {
	Value  string
	Label  say.Text
	Chosen bool
}

// regions lists the places of the drawing in the order in which an eye goes
// down the plant, left column first.
var regions = []Region{
	{Value: "bud", Label: say.T("Bud")},
	{Value: "leaf_upper", Label: say.T("Leaf, above")},
	{Value: "stem", Label: say.T("Stem")},
	{Value: "bark", Label: say.T("Bark")},
	{Value: "growing_medium", Label: say.T("Growing medium")},
	{Value: "container", Label: say.T("Container")},
	{Value: "shoot_tip", Label: say.T("Shoot tip")},
	{Value: "flower", Label: say.T("Flower")},
	{Value: "leaf_lower", Label: say.T("Leaf, below")},
	{Value: "fruit", Label: say.T("Fruit")},
	{Value: "root", Label: say.T("Root")},
}

// Regions gives the places with the chosen one marked.
func (p Plant) Regions() []Region {
	out := make([]Region, len(regions))
	for i, r := range regions {
		r.Chosen = r.Value == p.Chosen
		out[i] = r
	}
	return out
}
