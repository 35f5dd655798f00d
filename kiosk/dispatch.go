package kiosk

import (
	"bytes"
	"net/http"
	"strings"

	"github.com/gin-gonic/gin"

	"lastlook/internal/consignment"
	"lastlook/internal/export"
	"lastlook/internal/paper"
	"lastlook/internal/record"
	"lastlook/internal/say"
)

// dispatchPage closes a consignment: it leaves, with a vehicle. Packages may still be
// scanned aboard on it.
var dispatchPage = declarePage("dispatch")

func (k *kiosk) dispatchRoutes(e *gin.Engine) {
	e.GET("/c/:code/dispatch", k.as(atBench, k.dispatchPage))
	e.POST("/c/:code/dispatch", k.as(atBench, k.dispatch))
	e.GET("/c/:code/driver", k.as(anybody, k.driver))
	e.GET("/c/:code/driver.pdf", k.as(anybody, k.driverPDF))
}

type dispatchView struct {
	Base
	Tag      Tag
	Watch    string
	Question Question
	Notice   Notice
	Barred   bool
	Ways     []Act
	Left     *boardBar
	Short    Notice // which packages stay
	Action   string
	Vehicle  Field
	Seal     Field
	Why      Choices
	Other    Field
	Do       Act
	Back     Act
}

// shortReasons are the usual reasons why packages stay behind.
var shortReasons = reasons{
	{"room", say.T("No room on the vehicle")},
	{"damaged", say.T("Damaged in loading")},
	{"missing", say.T("Not found in the store")},
	{"customer", say.T("The customer takes fewer")},
	{"later", say.T("Goes with another vehicle")},
}

func (k *kiosk) dispatchPage(c *gin.Context) error { return k.showDispatch(c, nil) }

func (k *kiosk) showDispatch(c *gin.Context, refused *say.Refusal) error {
	st, err := k.state(c)
	if err != nil {
		return err
	}
	if st.Dispatched != nil && refused == nil {
		return k.forward(c, "/c/"+st.Code+"/driver")
	}
	b := k.page(c, say.T("%s leaves", st.Number))
	b.Version = st.Version
	aboard, ashore := st.Aboard(), st.Ashore()
	v := &dispatchView{
		Base: b, Tag: k.stateTag(b, st), Watch: st.Code, Action: "/c/" + st.Code + "/dispatch", Left: windowBar(b, st),
		Question: Question{Text: say.T("All %d packages leave: with which vehicle?", len(aboard)), Help: say.T("With this the consignment is closed. Nothing more can be loaded.")},
		Vehicle:  Field{Name: "vehicle", Label: say.T("Vehicle"), Hint: say.T("its number plate, or what everybody calls it"), Value: c.PostForm("vehicle"), Required: true, Focus: true},
		Seal:     Field{Name: "seal", Label: say.T("Number of the seal"), Hint: say.T("only if the vehicle is sealed"), Value: c.PostForm("seal")},
		Why:      shortReasons.choices(c, say.T("Why do they stay?")),
		Other:    Field{Name: "reason", Label: say.T("Another reason, or more about it"), Value: c.PostForm("reason")},
		Do:       Act{Label: say.T("It leaves"), Hint: say.T("%d of %d packages", len(aboard), st.Count()), Weight: weightBig, Symbol: "to"},
		Back:     Act{Label: say.T("Back to loading"), Symbol: "back", Href: gatePath(st.Code), Weight: weightQuiet},
	}
	if n := len(ashore); n > 0 {
		v.Question.Text = say.T("%d of %d packages leave: with which vehicle?", len(aboard), st.Count())
		v.Short = Notice{Tone: toneNote, Text: say.T("%d packages stay here.", n), Detail: say.T("Not aboard: %s", clipList(record.Numbers(ashore)))}
		if n == 1 {
			v.Short.Text = say.T("1 package stays here.")
		}
	}
	status := http.StatusOK
	if refused != nil {
		status = statuses[refused.Code]
	}
	why := st.MayLeave(b.Now)
	if why == nil && len(aboard) == 0 {
		why = say.Refuse(say.Illegal, "Nothing is loaded yet: scan the packages as they go aboard.")
	}
	switch {
	case why != nil:
		text, detail := k.barred(b, st, why)
		v.Barred, v.Notice, v.Ways = true, Notice{Tone: toneWrong, Text: text, Detail: detail}, barredWays(b, st)
		v.Question, v.Left = Question{Text: say.T("It does not leave")}, nil
		if status == http.StatusOK {
			status = http.StatusConflict
		}
		if len(aboard) == 0 && st.MayLeave(b.Now) == nil {
			v.Notice.Detail, v.Ways = say.Text{}, nil
			v.Back.Weight = weightBig
		}
	case refused == nil:
	case refused.Field == "vehicle":
		v.Vehicle.Error = refused.Text
	case refused.Field == "reason":
		v.Why.Error, v.Vehicle.Focus = refused.Text, false
	default:
		v.Notice = Notice{Tone: toneWrong, Text: refused.Text}
	}
	return k.render(c, status, dispatchPage, v)
}

// clipList keeps a list of ranges short enough for a screen; the whole list is on the
// gate's page and on the papers.
func clipList(s string) string {
	parts := strings.Split(s, ", ")
	if len(parts) <= rangesShown {
		return s
	}
	return strings.Join(parts[:rangesShown], ", ") + ", …"
}

func (k *kiosk) dispatch(c *gin.Context) error {
	st, err := k.state(c)
	if err != nil {
		return err
	}
	cmd := consignment.Dispatch{Vehicle: c.PostForm("vehicle"), Seal: c.PostForm("seal")}
	if len(st.Ashore()) > 0 {
		cmd.Reason = shortReasons.chosen(c)
	}
	done, err := k.do(c, cmd)
	if r := asRefusal(err); r != nil {
		return k.showDispatch(c, r)
	}
	if err != nil {
		return err
	}
	tell(c, Flash{Tone: toneRight, Text: say.T("%s has left: %d packages.", done.State.Number, done.State.Dispatched.Aboard), Detail: say.T("Give the papers to the driver before the vehicle moves.")})
	return k.forward(c, "/c/"+done.State.Code+"/driver")
}

// driverPage is the papers that go with a consignment that has left.
var driverPage = declarePage("driver")

type driverView struct {
	Base
	Tag      Tag
	Question Question
	Kept     []Notice // kept back after it left
	Driver   Act
	Customer []Act
	Facts    []Fact
	Back     Act
}

// leftState reads a consignment that has left.
func (k *kiosk) leftState(c *gin.Context) (*consignment.State, error) {
	st, err := k.state(c)
	if err != nil {
		return nil, err
	}
	if st.Dispatched == nil {
		return nil, say.Refuse(say.Illegal, "%s has not left: its papers are made when everything is aboard.", st.Number)
	}
	return st, nil
}

func (k *kiosk) driver(c *gin.Context) error {
	st, err := k.leftState(c)
	if err != nil {
		return err
	}
	b := k.page(c, say.T("Papers of %s", st.Number))
	base := "/c/" + st.Code
	d := st.Dispatched
	tag := k.stateTag(b, st)
	tag.Small = false
	tag.Stamp = &Stamp{State: stateGone, At: b.Clock(d.At)}
	v := &driverView{
		Base: b, Tag: tag,
		Question: Question{Text: say.T("Papers for the driver and the customer"), Help: say.T("The loading document goes with the vehicle. The record and its file can be sent after.")},
		Driver:   Act{Label: say.T("Loading document (PDF)"), Hint: say.T("for the driver: print it twice, one stays signed"), Symbol: "print", Href: base + "/driver.pdf", Weight: weightBig},
		Customer: []Act{
			{Label: say.T("The record (PDF)"), Hint: say.T("for the customer"), Symbol: "book", Href: base + "/record.pdf"},
			{Label: say.T("Portable record (file)"), Hint: say.T("checks itself in a browser, without this computer"), Symbol: "book", Href: base + "/bundle"},
		},
		Facts: []Fact{
			{Label: say.T("Left"), Text: b.Clock(d.At), Data: ""},
			{Label: say.T("Closed by"), Data: d.By.Name},
			{Label: say.T("Vehicle"), Data: d.Vehicle},
			{Label: say.T("Number of the seal"), Data: orDash(d.Seal)},
			{Label: say.T("Packages"), Text: say.T("%d of %d", d.Aboard, d.Aboard+len(d.Short))},
		},
		Back: Act{Label: say.T("The next one at the gate"), Symbol: "next", Href: "/gate"},
	}
	if len(d.Short) > 0 {
		v.Facts = append(v.Facts, Fact{Label: say.T("Stayed here"), Data: record.Numbers(d.Short), Text: say.T("(%s)", d.Reason)})
	}
	v.Kept = keptAfterLeaving(b, st)
	return k.render(c, http.StatusOK, driverPage, v)
}

// keptAfterLeaving says what keeps goods back that have left already: nobody may
// take them for free, and somebody must reach the vehicle.
func keptAfterLeaving(b Base, st *consignment.State) []Notice {
	var out []Notice
	if st.Dispatched == nil {
		return nil
	}
	for _, h := range st.OpenHolds() {
		out = append(out, Notice{Tone: toneWrong, Text: say.T("Kept back at %s, after it left: %s", b.Clock(h.At), h.Reason),
			Detail: say.T("It left at %s with %s. Reach the driver and the customer now: it is not unloaded before a supervisor says so.", b.Clock(st.Dispatched.At), st.Dispatched.Vehicle)})
	}
	return out
}

// driverPDF gives the loading document.
func (k *kiosk) driverPDF(c *gin.Context) error {
	st, err := k.leftState(c)
	if err != nil {
		return err
	}
	ctx := c.Request.Context()
	b := k.page(c, say.T("Loading document of %s", st.Number))
	head, err := k.formHead(ctx, b, st)
	if err != nil {
		return err
	}
	mark, err := export.Mark(ctx, k.store, st)
	if err != nil {
		return err
	}
	var round *consignment.Round
	for _, r := range st.Rounds {
		if r.Number == st.Dispatched.Round {
			round = r
		}
	}
	if round != nil && round.Ended != nil { // the outcome it left with, whatever came after
		head.Tag.Until = say.T("valid until %s", paperTime(round.Ended.ValidUntil, b.Now.Location()))
	}
	l := loadingOf(st)
	l.FormHead = head
	l.Out = say.T("%s", paperTime(st.Dispatched.At, b.Now.Location()))
	if mark != nil {
		l.Mark = mark.String()
	}
	var pdf bytes.Buffer
	if err := paper.Load(&pdf, l, paper.RecordOptions{Paper: or(c.Query("paper"), k.paper), Say: b.T}); err != nil {
		return err
	}
	c.Header("Content-Disposition", contentDisposition("loading "+st.Number+".pdf"))
	c.Data(http.StatusOK, "application/pdf", pdf.Bytes())
	return nil
}

// loadingOf is what left, for the loading document.
func loadingOf(st *consignment.State) paper.Loading {
	d := st.Dispatched
	aboard := st.Aboard()
	l := paper.Loading{
		Packages: record.Numbers(aboard), Loaded: d.Aboard, Of: d.Aboard + len(d.Short),
		By: d.By.Name, Vehicle: d.Vehicle, Seal: d.Seal,
	}
	if len(d.Short) > 0 {
		l.Short = []paper.Shortfall{{Packages: record.Numbers(d.Short), Reason: d.Reason}}
	}
	for i, line := range st.Lines {
		var ns []int
		for _, n := range aboard {
			if p, ok := st.Package(n); ok && p.Line == i {
				ns = append(ns, n)
			}
		}
		if line.Present() == 0 {
			continue
		}
		l.Lines = append(l.Lines, paper.LoadedLine{
			Crop: line.Crop, Batch: line.Batch, Packages: orDash(record.Numbers(ns)), Loaded: len(ns), Of: line.Present(), Units: len(ns) * line.UnitsPerPackage,
		})
	}
	return l
}
