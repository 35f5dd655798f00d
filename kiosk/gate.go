package kiosk

import (
	"errors"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/gin-gonic/gin"

	"lastlook/internal/code"
	"lastlook/internal/consignment"
	"lastlook/internal/record"
	"lastlook/internal/say"
	"lastlook/internal/store"
)

// This file is the loading: which consignment, which package, what is missing. What
// goes before it is in passmark.go and storecheck.go, leaving is in dispatch.go.

// gateRoutes lists the routes of the gate.
func (k *kiosk) gateRoutes(e *gin.Engine) {
	e.GET("/gate", k.as(anybody, k.gate))
	e.GET("/c/:code/unload", k.as(atBench, k.unloadPage))
	e.POST("/c/:code/unload", k.as(atBench, k.unload))
	k.markRoutes(e)
	k.storeRoutes(e)
	k.dispatchRoutes(e)
}

// gatePath is the gate with a consignment that is being loaded.
func gatePath(code string) string { return "/gate?c=" + code }

// gatePage is the loading screen. A scan on it takes a package through the gate.
var gatePage = declarePage("gate")

type gateView struct {
	Base
	Question Question
	// What can be loaded, when nothing is chosen yet.
	Ready  []Tag
	Lapsed []Tag
	Empty  Panel
	Back   Act

	// What is being loaded.
	Tag     Tag
	Watch   string // code, for the stream that tells of a stop
	Aboard  int
	Of      int
	All     bool
	Left    *boardBar
	Missing string
	Ranges  []string
	More    int // ranges that are not listed
	Last    say.Text
	Done    Act
	Undo    Act
	Other   Act
	Doubt   Act // something is seen on the goods

	// What stands in the way.
	Barred Notice
	Ways   []Act
}

// rangesShown is how many ranges of missing packages the screen lists.
const rangesShown = 40

func (k *kiosk) gate(c *gin.Context) error {
	if chosen := c.Query("c"); chosen != "" {
		return k.loading(c, chosen)
	}
	here, _, err := k.store.Board(c.Request.Context(), 1)
	if err != nil {
		return err
	}
	b := k.page(c, say.T("Gate"))
	v := &gateView{
		Base:     b,
		Question: Question{Text: say.T("What is loaded?"), Help: say.T("Scan one of its packages: it goes aboard, the others follow. Or tap it here, or scan the consignment's label.")},
		Empty: Panel{Kind: panelEmpty, Text: say.T("Nothing can leave now"), Detail: say.T("Only goods that passed go through the gate, as long as their window lasts."),
			Act: Act{Label: say.T("What is due"), Href: "/", Weight: weightBig}},
		Back: Act{Label: say.T("Due"), Symbol: "back", Href: "/", Weight: weightQuiet},
	}
	var ready, lapsed []store.Summary
	for _, s := range here {
		switch {
		case s.Stage != store.Stage(consignment.StandPassed):
		case b.Now.After(s.ValidUntil):
			if s.Aboard > 0 || b.Now.Sub(s.ValidUntil) <= staleAfter {
				lapsed = append(lapsed, s)
			}
		default:
			ready = append(ready, s)
		}
	}
	// What is half loaded comes first, then what must leave soonest.
	slices.SortStableFunc(ready, func(a, b store.Summary) int {
		if (a.Aboard > 0) != (b.Aboard > 0) {
			if a.Aboard > 0 {
				return -1
			}
			return 1
		}
		return earlier(a.DispatchAt, a.ValidUntil).Compare(earlier(b.DispatchAt, b.ValidUntil))
	})
	tags := func(from []store.Summary) (out []Tag) {
		for _, s := range from {
			t := summaryTag(b, s)
			t.Href = gatePath(s.Code)
			out = append(out, t)
		}
		return out
	}
	v.Ready, v.Lapsed = tags(ready), tags(lapsed)
	return k.render(c, http.StatusOK, gatePage, v)
}

// loading shows a consignment that is being loaded, or what stands in its way.
func (k *kiosk) loading(c *gin.Context, chosen string) error {
	st, err := k.store.Consignment(c.Request.Context(), chosen)
	if err != nil {
		return err
	}
	b := k.page(c, say.T("Loading %s", st.Number))
	b.Version = st.Version
	ashore := st.Ashore()
	v := &gateView{
		Base: b, Tag: k.stateTag(b, st), Watch: st.Code, Aboard: len(st.Aboard()), Of: st.Count(),
		Question: Question{Text: say.T("Loading %s", st.Number), Help: say.T("Scan each package as it goes aboard.")},
		Other:    Act{Label: say.T("Another consignment"), Symbol: "back", Href: "/gate", Weight: weightQuiet},
	}
	v.All = len(ashore) == 0 && v.Of > 0
	v.Missing, v.Ranges, v.More = missing(ashore)
	if n, at := lastAboard(st); n > 0 {
		v.Last = say.T("Last aboard: %03d, at %s", n, b.Clock(at))
		v.Undo = Act{Label: say.T("Take %03d off again", n), Symbol: "undo", Key: "u", Href: "/c/" + st.Code + "/unload?p=" + itoa(n), Weight: weightQuiet}
	}
	if err := st.MayLeave(b.Now); err != nil {
		text, detail := k.barred(b, st, err)
		v.Barred, v.Ways = Notice{Tone: toneWrong, Text: text, Detail: detail}, barredWays(b, st)
		v.Question.Help = say.Text{}
		switch st.Standing() {
		case consignment.StandGone:
			v.Barred.Tone = toneNote
			v.Undo = Act{}
		case consignment.StandStopped: // nothing is moved, not even off the vehicle
			v.Undo = Act{}
		}
		return k.render(c, http.StatusOK, gatePage, v)
	}
	v.Left = windowBar(b, st)
	v.Doubt = Act{Label: say.T("Hold it, or stop it"), Hint: say.T("something is on it, or wrong with it"), Symbol: "rung-stop", Href: "/c/" + st.Code + "/back"}
	v.Done = Act{Label: say.T("Leave with %d of %d", v.Aboard, v.Of), Hint: say.T("what stays behind needs a reason"), Symbol: "to", Href: "/c/" + st.Code + "/dispatch"}
	if v.All {
		v.Done = Act{Label: say.T("All aboard"), Hint: say.T("vehicle, seal, papers"), Symbol: "to", Href: "/c/" + st.Code + "/dispatch", Weight: weightBig}
	}
	return k.render(c, http.StatusOK, gatePage, v)
}

// windowBar is what is left of the window of goods that passed.
func windowBar(b Base, st *consignment.State) *boardBar {
	r := st.Round()
	if r == nil || r.Ended == nil {
		return nil
	}
	whole, left := r.Rules.Window(), r.Ended.ValidUntil.Sub(b.Now)
	if left <= 0 || whole <= 0 {
		return nil
	}
	return &boardBar{Left: min(int(left.Minutes()), int(whole.Minutes())), Whole: int(whole.Minutes()), Short: left < whole/8,
		Text: say.T("%s left, until %s", span(left), b.Clock(r.Ended.ValidUntil))}
}

// missing gives numbers as a sentence part and as ranges, the first of them.
func missing(ns []int) (all string, ranges []string, more int) {
	if len(ns) == 0 {
		return "", nil, 0
	}
	all = record.Numbers(ns)
	ranges = strings.Split(all, ", ")
	if len(ranges) > rangesShown {
		more = len(ranges) - rangesShown
		ranges = ranges[:rangesShown]
	}
	return all, ranges, more
}

// lastAboard gives the package that was loaded last and is still aboard; 0 if none is.
func lastAboard(st *consignment.State) (n int, at time.Time) {
	for _, rec := range slices.Backward(st.History) {
		if e, ok := rec.Event.(consignment.Loaded); ok {
			if at, ok := st.IsAboard(e.Package); ok {
				return e.Package, at
			}
		}
	}
	return 0, time.Time{}
}

// barred says why nothing of a consignment goes through the gate, and what to do.
// why is the refusal of the core.
func (k *kiosk) barred(b Base, st *consignment.State, why error) (text, detail say.Text) {
	if r := asRefusal(why); r != nil {
		text = r.Text
	}
	r := st.Round()
	switch st.Standing() {
	case consignment.StandGone:
		return text, say.T("If this package is here, it was left behind: put it aside and tell the supervisor.")
	case consignment.StandStopped:
		text = say.T("STOPPED: nothing of %s moves.", st.Number)
		return text, say.T("Leave this package where it is. Keep away, and call the supervisor now.")
	case consignment.StandHeld:
		if open := st.OpenHolds(); len(open) > 0 {
			return say.T("%s is held: %s", st.Number, open[0].Reason), say.T("Put it back where it stood. A supervisor decides.")
		}
		return text, say.T("Put it back where it stood. It waits for a laboratory's answer.")
	case consignment.StandRejected, consignment.StandIsolated:
		return text, say.T("Keep it apart from goods that passed.")
	case consignment.StandWork:
		return text, say.T("Put it back: the inspection must end first. %d of %d packages are examined.", examined(r), len(r.Exams))
	case consignment.StandOpen:
		return text, say.T("Put it back, and have it inspected first.")
	case consignment.StandPassed:
		if b.Now.After(r.Ended.ValidUntil) {
			return say.T("%s lapsed: its inspection was good until %s.", st.Number, b.Clock(r.Ended.ValidUntil)), say.T("It does not leave. Inspect it again, or hold it: both are on the screen.")
		}
		return text, say.T("Put it back until that is done.")
	}
	return text, say.Text{}
}

// barredWays are the ways on when a consignment may not leave.
func barredWays(b Base, st *consignment.State) []Act {
	base := "/c/" + st.Code
	switch {
	case st.Standing() == consignment.StandPassed && b.Now.After(st.Round().Ended.ValidUntil):
		again := Act{Label: say.T("Inspect it again"), Symbol: "leaf", Href: base + "/check/before", Weight: weightBig}
		if n := len(st.Aboard()); n > 0 {
			again = Act{Label: say.T("Unload, to inspect again"), Hint: say.T("%d packages come off the vehicle", n), Symbol: "undo", Href: base + "/unload", Weight: weightBig}
		}
		return []Act{again, {Label: say.T("Hold it"), Symbol: "rung-sample", Href: base + "/back"}}
	case st.Standing() == consignment.StandPassed && st.StoreCheck != nil && len(st.StoreCheck.No) > 0:
		return []Act{{Label: say.T("Check the store again"), Symbol: "leaf", Href: base + "/store", Weight: weightBig}}
	case st.Standing() == consignment.StandGone:
		return []Act{{Label: say.T("Papers for the driver"), Symbol: "print", Href: base + "/driver", Weight: weightBig}}
	case st.Round() == nil || st.Running() != nil:
		return []Act{{Label: say.T("What is next for it"), Symbol: "next", Href: base + "/next", Weight: weightBig}}
	}
	return []Act{{Label: say.T("See where it stands"), Symbol: "look", Href: base + "/outcome", Weight: weightBig}}
}

// ---- scans ----

// gatePlace is which consignments a scan at the gate may belong to: the one on the
// page where it was made, and the one on the page that is shown since. Scans in a
// row are made faster than pages change.
func (s scanned) gatePlace() []string {
	var out []string
	if s.spot.loading != "" {
		out = append(out, s.spot.loading)
	}
	if now := spotOf(localPath(s.gin.PostForm("now"))); now.gate && now.loading != "" && !slices.Contains(out, now.loading) {
		out = append(out, now.loading)
	}
	return out
}

// atGate answers a scan at the gate. Whatever is scanned has an answer of its own
// that says what to do with the thing in the hand.
func (k *kiosk) atGate(s scanned, text string) (answer, error) {
	if isMark(text) {
		return note(say.T("This is the code of a printed record."), say.T("Here packages are scanned, as they go aboard."), ""), nil
	}
	cd, err := code.Parse(text)
	if errors.Is(err, code.ErrUnknown) {
		return k.foreignAtGate(s, text)
	}
	if r := asRefusal(err); r != nil {
		return wrong(r.Text, say.T("Scan the label again. If it is torn or wet, print a new one.")), nil
	}
	if err != nil {
		return answer{}, err
	}
	switch cd.Kind {
	case code.KindBadge:
		return k.scanBadge(s, cd)
	case code.KindConsignment:
		return k.chooseAtGate(s, cd.Consignment())
	case code.KindPackage:
		return k.loadAtGate(s, cd.Consignment(), cd.Number())
	case code.KindAction:
		if place := s.gatePlace(); cd.Action() == code.Undo && len(place) > 0 {
			return right(say.T("Take the last one off again?"), "/c/"+place[len(place)-1]+"/unload?p=last"), nil
		}
		return wrong(say.T("That card is for the bench."), say.T("Here packages are scanned, as they go aboard.")), nil
	case code.KindSample:
		return wrong(say.T("A sample does not go aboard."), say.T("Samples are handed over from their own page: keep it for the laboratory.")), nil
	case code.KindLocation:
		return note(say.T("This is the card of a place."), say.T("Here packages are scanned, as they go aboard."), ""), nil
	case code.KindReference:
		return note(say.T("This is a card of the reference."), say.T("Here packages are scanned, as they go aboard."), ""), nil
	}
	return wrong(say.T("Not a label of ours: %s (%s)", cd.Human(), cd.Kind.Words()), say.T("Scan the Lastlook label of the package. Without one it does not go aboard.")), nil
}

// foreignAtGate takes the number on a consignment's papers, or a package's own mark
// of the nursery.
func (k *kiosk) foreignAtGate(s scanned, text string) (answer, error) {
	text = strings.TrimSpace(text)
	sum, err := k.store.ByNumber(s.ctx, text)
	if err == nil {
		return k.chooseAtGate(s, sum.Code)
	}
	if say.CodeOf(err) != say.NotFound {
		return answer{}, err
	}
	for _, chosen := range s.gatePlace() {
		st, err := k.store.Consignment(s.ctx, chosen)
		if err != nil {
			return answer{}, err
		}
		if n, ok := st.ByRef(text); ok {
			return k.loadAtGate(s, st.Code, n)
		}
	}
	return wrong(say.T("Nobody here knows this code."), say.T("Scan the Lastlook label of the package. Without one it does not go aboard: put it aside.")), nil
}

// chooseAtGate chooses what is loaded. It loads nothing: a label that stands for all
// packages says nothing of where each of them is.
func (k *kiosk) chooseAtGate(s scanned, chosen string) (answer, error) {
	st, err := k.store.Consignment(s.ctx, chosen)
	if say.CodeOf(err) == say.NotFound {
		return wrong(refusalText(err), say.T("It does not go aboard here. Is it of another site?")), nil
	}
	if err != nil {
		return answer{}, err
	}
	b := k.streamBase(s.gin)
	if why := st.MayLeave(b.Now); why != nil {
		text, detail := k.barred(b, st, why)
		a := wrong(text, detail)
		a.Go = gatePath(st.Code)
		return a, nil
	}
	a := right(say.T("Loading %s: scan each package as it goes aboard.", st.Number), gatePath(st.Code))
	a.Detail = say.T("%d of %d are aboard", len(st.Aboard()), st.Count())
	return a, nil
}

// refusalText gives the sentence of a refusal of any kind.
func refusalText(err error) say.Text {
	var r *say.Refusal
	if errors.As(err, &r) {
		return r.Text
	}
	return say.Text{}
}

// loadAtGate takes a package through the gate, on whatever is so now: only the step
// itself decides.
func (k *kiosk) loadAtGate(s scanned, of string, n int) (answer, error) {
	st, err := k.store.Consignment(s.ctx, of)
	if say.CodeOf(err) == say.NotFound {
		return wrong(refusalText(err), say.T("It does not go aboard here. Is it of another site?")), nil
	}
	if err != nil {
		return answer{}, err
	}
	if place := s.gatePlace(); len(place) > 0 && !slices.Contains(place, of) {
		other, err := k.store.Consignment(s.ctx, place[len(place)-1])
		if err != nil {
			return answer{}, err
		}
		return wrong(say.T("Another consignment: %s, package %03d.", st.Number, n), say.T("Put it back: %s is being loaded.", other.Number)), nil
	}
	if _, ok := st.Package(n); !ok {
		return wrong(say.T("There is no package %03d in %s.", n, st.Number), say.T("It has %d packages. Put this one aside and ask the supervisor.", st.Count())), nil
	}
	if !st.Present(n) {
		return wrong(say.T("Package %03d was taken out of %s.", n, st.Number), say.T("It does not go aboard. Put it aside and ask the supervisor.")), nil
	}
	back := gatePath(st.Code)
	if s.spot.consignment != "" {
		back = s.spot.path // the page for leaving
	}
	next, err := k.take(s, st.Code, consignment.Load{Package: n})
	switch say.CodeOf(err) {
	case say.Conflict:
		at, _ := st.IsAboard(n)
		if now, err := k.store.Consignment(s.ctx, of); err == nil {
			st = now
			at, _ = st.IsAboard(n)
		}
		b := k.streamBase(s.gin)
		return note(say.T("Package %03d is aboard already, since %s.", n, b.Clock(at)), say.T("%d of %d are aboard. Scan the next one.", len(st.Aboard()), st.Count()), back), nil
	case say.Illegal:
		// Why is said on what is so after the refusal, as it may just have changed.
		now, rerr := k.store.Consignment(s.ctx, of)
		if rerr != nil {
			return answer{}, rerr
		}
		text, detail := k.barred(k.streamBase(s.gin), now, err)
		a := wrong(text, detail)
		a.Go = gatePath(st.Code)
		return a, nil
	}
	if err != nil {
		return answer{}, err
	}
	a := right(say.T("%03d goes aboard", n), back)
	a.Whole = true
	a.Detail = say.T("%d of %d", len(next.Aboard()), next.Count())
	if len(next.Ashore()) == 0 {
		a.Text = say.T("%03d goes aboard: that is all of %s", n, next.Number)
	}
	return a, nil
}

// ---- taking off again ----

// unloadPage takes a package, or all of them, off the vehicle again.
var unloadPage = declarePage("unload")

type unloadView struct {
	Base
	Tag      Tag
	Question Question
	Action   string
	Which    Hidden
	Why      Choices
	Other    Field
	Do       Act
	Back     Act
}

var unloadReasons = reasons{
	{"slip", say.T("Scanned, but not loaded")},
	{"damaged", say.T("Damaged in loading")},
	{"room", say.T("No room on the vehicle")},
	{"wrong", say.T("Wrong package, or wrong vehicle")},
	{"again", say.T("To be inspected again")},
}

func (k *kiosk) unloadPage(c *gin.Context) error { return k.showUnload(c, nil) }

// offWhich reads which package comes off: its number, the last one, or 0 for all.
func offWhich(text string, st *consignment.State) int {
	if text == "last" {
		n, _ := lastAboard(st)
		return n
	}
	n, _ := formNumber(text) // nothing, and nonsense, mean all: the question says so
	return max(n, 0)
}

func (k *kiosk) showUnload(c *gin.Context, refused *say.Refusal) error {
	st, err := k.state(c)
	if err != nil {
		return err
	}
	n := offWhich(or(c.PostForm("p"), c.Query("p")), st)
	_, aboard := st.IsAboard(n)
	switch {
	case refused != nil:
	case st.Dispatched != nil:
		return st.MayLeave(k.Now())
	case len(st.Aboard()) == 0:
		return say.Refuse(say.Illegal, "Nothing of %s is on the vehicle.", st.Number)
	case n > 0 && !aboard:
		return say.Refuse(say.Illegal, "Package %03d is not on the vehicle.", n)
	}
	b := k.page(c, say.T("Take off the vehicle"))
	b.Version = st.Version
	v := &unloadView{
		Base: b, Tag: k.stateTag(b, st), Action: "/c/" + st.Code + "/unload", Which: Hidden{"p", itoa(n)},
		Question: Question{Text: say.T("Take all %d packages off again?", len(st.Aboard())), Help: say.T("That they were aboard stays on the record.")},
		Why:      unloadReasons.choices(c, say.T("Why?")),
		Other:    Field{Name: "reason", Label: say.T("Another reason, or more about it"), Value: c.PostForm("reason")},
		Do:       Act{Label: say.T("Take them off"), Weight: weightBig, Symbol: "undo"},
		Back:     Act{Label: say.T("Back: leave it"), Href: gatePath(st.Code)},
	}
	if n > 0 {
		v.Question = Question{Text: say.T("Take package %03d off again?", n), Help: say.T("That it was aboard stays on the record.")}
		v.Do.Label = say.T("Take it off")
	}
	status := http.StatusOK
	if refused != nil {
		status = statuses[refused.Code]
		v.Why.Error = refused.Text
	} else if n > 0 {
		v.Why.Tiles[0].Chosen = true // a slip, mostly
	} else if lapsed := st.Round(); lapsed != nil && lapsed.Ended != nil && b.Now.After(lapsed.Ended.ValidUntil) {
		v.Why.Tiles[len(v.Why.Tiles)-1].Chosen = true
	}
	return k.render(c, status, unloadPage, v)
}

func (k *kiosk) unload(c *gin.Context) error {
	st, err := k.state(c)
	if err != nil {
		return err
	}
	n := offWhich(c.PostForm("p"), st)
	done, err := k.do(c, consignment.Unload{Package: n, Reason: unloadReasons.chosen(c)})
	if r := asRefusal(err); r != nil {
		return k.showUnload(c, r)
	}
	if err != nil {
		return err
	}
	text := say.T("All packages are off the vehicle.")
	if n > 0 {
		text = say.T("Package %03d is off the vehicle.", n)
	}
	tell(c, Flash{Tone: toneNote, Text: text, Detail: say.T("%d of %d are aboard", len(done.State.Aboard()), done.State.Count())})
	return k.forward(c, gatePath(done.State.Code))
}
