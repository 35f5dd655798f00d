package kiosk

import (
	"net/http"
	"strings"
	"time"

	"github.com/gin-gonic/gin"

	"lastlook/internal/consignment"
	"lastlook/internal/intake"
	"lastlook/internal/order"
	"lastlook/internal/say"
)

// orderPage types one consignment in, with its crop lines. It works without
// script: the buttons that add and take off lines send the whole form.
var orderPage = declarePage("order")

type orderView struct {
	Base
	Question Question
	Wrong    Notice
	Head     []Field
	Lines    []orderLine
	Add      Act
	Keep     Act
	Upload   Act
}

type orderLine struct {
	Legend say.Text
	Error  say.Text
	Fields []Field
	Off    Act // takes the line off; zero for the only one
}

// maxTyped is how many crop lines can be typed in: a consignment with more comes
// from a program, and that can write an order file.
const maxTyped = 40

// typed is the form as it was sent.
type typed struct {
	number, invoice, customer, destination, dispatch string
	lines                                            []typedLine
}

type typedLine struct{ crop, batch, bay, packages, refs, units string }

func (l typedLine) blank() bool { return l == typedLine{} }

// wrongs are the refusals of a form, by the name of the field. "" is the whole
// form, "line2" the second crop line.
type wrongs map[string]say.Text

func (w wrongs) add(field string, text say.Text) {
	if _, there := w[field]; !there {
		w[field] = text
	}
}

func (w wrongs) refuse(field string, err error) {
	if r := asRefusal(err); r != nil {
		w.add(field, r.Text)
	}
}

func (k *kiosk) newOrder(c *gin.Context) error {
	return k.showOrder(c, http.StatusOK, typed{lines: make([]typedLine, 1)}, nil, "number")
}

// typeOrder answers the form: do=add and do=off-N change its lines, anything else
// keeps the consignment.
func (k *kiosk) typeOrder(c *gin.Context) error {
	t := readTyped(c)
	do := c.PostForm("do")
	switch n, off := strings.CutPrefix(do, "off-"); {
	case do == "add" && len(t.lines) >= maxTyped:
		return k.showOrder(c, http.StatusUnprocessableEntity, t, wrongs{"": say.T("%d crop lines are as many as can be typed in. Bring the consignment in as an order file.", maxTyped)}, "")
	case do == "add":
		t.lines = append(t.lines, typedLine{})
		return k.showOrder(c, http.StatusOK, t, nil, "crop"+itoa(len(t.lines)))
	case off:
		i, err := formNumber(n)
		if err != nil || i < 1 || i > len(t.lines) || len(t.lines) == 1 {
			return say.Refuse(say.Invalid, "There is no such crop line. Go back and press the button again.")
		}
		t.lines = append(t.lines[:i-1:i-1], t.lines[i:]...)
		return k.showOrder(c, http.StatusOK, t, nil, "")
	}
	cons, w := k.readOrder(t)
	if len(w) == 0 {
		return k.keepOrder(c, t, cons)
	}
	return k.showOrder(c, http.StatusUnprocessableEntity, t, w, "")
}

func readTyped(c *gin.Context) typed {
	t := typed{
		number: c.PostForm("number"), invoice: c.PostForm("invoice"), customer: c.PostForm("customer"),
		destination: c.PostForm("destination"), dispatch: c.PostForm("dispatch"),
	}
	for i := 1; i <= min(max(formInt(c, "lines"), 1), maxTyped); i++ {
		n := itoa(i)
		t.lines = append(t.lines, typedLine{
			crop: c.PostForm("crop" + n), batch: c.PostForm("batch" + n), bay: c.PostForm("bay" + n),
			packages: c.PostForm("packages" + n), refs: c.PostForm("refs" + n), units: c.PostForm("units" + n),
		})
	}
	return t
}

// readOrder makes an order of what was typed, with the readers of the order file,
// or says what is wrong field by field.
func (k *kiosk) readOrder(t typed) (order.Consignment, wrongs) {
	w := wrongs{}
	var o order.Consignment
	for _, f := range []struct {
		name, value string
		to          *string
		missing     say.Text
	}{
		{"number", t.number, &o.Number, say.T("The consignment number is missing. It is what people call it by, like K-2041.")},
		{"invoice", t.invoice, &o.Invoice, say.Text{}},
		{"customer", t.customer, &o.Customer, say.T("The customer is missing. Say who the plants are for.")},
		{"destination", t.destination, &o.Destination, say.T("The destination is missing. Say where the plants go.")},
	} {
		text(w, f.name, f.value, f.to, f.missing)
	}
	if strings.TrimSpace(t.dispatch) == "" {
		w.add("dispatch", say.T("The dispatch time is missing. Say when it leaves."))
	} else if at, err := order.ParseDispatch(t.dispatch, k.Now().Location()); err != nil {
		w.refuse("dispatch", err)
	} else if err := order.Upcoming(at, k.Now()); err != nil {
		w.refuse("dispatch", err)
	} else {
		o.Dispatch = at
	}
	claimed := map[string]int{}
	for i, tl := range t.lines {
		n := itoa(i + 1)
		if tl.blank() && len(t.lines) > 1 {
			w.add("line"+n, say.T("This crop line is empty. Fill it in, or take it off."))
			continue
		}
		l := readLine(w, n, tl)
		for _, ref := range l.Refs {
			if first := claimed[ref]; first > 0 {
				w.add("refs"+n, say.T("Package %s is in crop line %d as well. Each package has a mark of its own: correct one of the two.", ref, first))
				break
			}
		}
		for _, ref := range l.Refs {
			claimed[ref] = i + 1
		}
		o.Lines = append(o.Lines, l)
	}
	if n := o.Packages(); n > order.MaxPackages {
		w.add("", say.T("%d packages are more than one consignment may have (%d). Split it.", n, order.MaxPackages))
	}
	return o, w
}

func readLine(w wrongs, n string, tl typedLine) order.Line {
	var l order.Line
	text(w, "crop"+n, tl.crop, &l.Crop, say.T("The crop is missing. Say what the plants are."))
	text(w, "batch"+n, tl.batch, &l.Batch, say.Text{})
	text(w, "bay"+n, tl.bay, &l.Bay, say.Text{})
	if strings.TrimSpace(tl.refs) != "" {
		refs, err := order.ParseRefs(tl.refs)
		w.refuse("refs"+n, err)
		l.Refs, l.Packages = refs, len(refs)
	}
	switch counted := strings.TrimSpace(tl.packages); {
	case counted != "":
		count, err := order.ParseCount(counted, order.MaxPackages)
		w.refuse("packages"+n, err)
		if err == nil && len(l.Refs) > 0 && count != len(l.Refs) {
			w.add("packages"+n, say.T("The count says %d and the marks are %d. Correct one of them.", count, len(l.Refs)))
		}
		l.Packages = count
	case strings.TrimSpace(tl.refs) == "":
		w.add("packages"+n, say.T("The number of packages is missing. Count them."))
	}
	if strings.TrimSpace(tl.units) == "" {
		w.add("units"+n, say.T("The units in a package are missing. Say how many plants it holds."))
	} else {
		units, err := order.ParseCount(tl.units, order.MaxUnits)
		w.refuse("units"+n, err)
		l.UnitsPerPackage = units
	}
	return l
}

// text reads one text field; missing is said when it is empty, if it may not be.
func text(w wrongs, name, value string, to *string, missing say.Text) {
	v, err := order.CleanText(value)
	if err != nil {
		w.refuse(name, err)
		return
	}
	if v == "" && !missing.IsZero() {
		w.add(name, missing)
	}
	*to = v
}

// keepOrder registers the consignment. The same form sent twice gives the same
// consignment, as it is known by what it says.
func (k *kiosk) keepOrder(c *gin.Context, t typed, o order.Consignment) error {
	taken, err := k.store.Register(c.Request.Context(), actorOf(c), benchOf(c),
		[]consignment.Registered{intake.Registered(o, "bench")}, nil)
	if err != nil {
		return err
	}
	got := taken[0]
	if got.Refused != nil {
		field := got.Refused.Field
		if field != "number" && field != "customer" && field != "destination" && field != "dispatch" {
			field = ""
		}
		return k.showOrder(c, statuses[got.Refused.Code], t, wrongs{field: got.Refused.Text}, "")
	}
	f := Flash{Tone: toneRight, Text: say.T("%s is here. Print its labels next.", got.Number)}
	if !got.New {
		f = Flash{Tone: toneNote, Text: say.T("%s was here already.", got.Number), Detail: say.T("Nothing was changed.")}
	}
	tell(c, f)
	return k.forward(c, "/c/"+got.Code+"/labels")
}

// showOrder shows the form with what was typed. focus names the field to begin
// at; without it that is the first one that is wrong.
func (k *kiosk) showOrder(c *gin.Context, status int, t typed, w wrongs, focus string) error {
	b := k.page(c, say.T("Type a consignment in"))
	v := &orderView{
		Base:     b,
		Question: Question{Text: say.T("Type a consignment in"), Help: say.T("As the order says. A mixed consignment has a crop line for each crop and batch.")},
		Head: []Field{
			{Name: "number", Label: say.T("Consignment number"), Value: t.number, Required: true},
			{Name: "invoice", Label: say.T("Invoice"), Hint: say.T("if there is one"), Value: t.invoice},
			{Name: "customer", Label: say.T("Customer"), Value: t.customer, Required: true},
			{Name: "destination", Label: say.T("Destination"), Value: t.destination, Required: true},
			dispatchField(t.dispatch),
		},
		Add:    Act{Label: say.T("Add a crop line"), Name: "do", Value: "add"},
		Keep:   Act{Label: say.T("Keep the consignment"), Hint: say.T("its labels are printed next"), Symbol: "right", Weight: weightBig, Name: "do", Value: "keep"},
		Upload: Act{Label: say.T("Bring in an order file instead"), Symbol: "book", Href: "/orders/upload", Weight: weightQuiet},
	}
	for i, l := range t.lines {
		n := itoa(i + 1)
		ol := orderLine{
			Legend: say.T("Crop line %d", i+1), Error: w["line"+n],
			Fields: []Field{
				{Name: "crop" + n, Label: say.T("Crop"), Value: l.crop, Required: true},
				{Name: "batch" + n, Label: say.T("Batch"), Hint: say.T("if there is one"), Value: l.batch},
				{Name: "bay" + n, Label: say.T("Growing bay"), Hint: say.T("if known"), Value: l.bay},
				{Name: "packages" + n, Label: say.T("Packages"), Value: l.packages, Mode: "numeric"},
				{Name: "units" + n, Label: say.T("Units in a package"), Value: l.units, Mode: "numeric", Required: true},
				{Name: "refs" + n, Label: say.T("Marks already on the packages"), Hint: say.T("if they have any: T001-T012, or one by one"), Value: l.refs},
			},
		}
		if len(t.lines) > 1 {
			ol.Off = Act{Label: say.T("Take this line off"), Name: "do", Value: "off-" + n, Weight: weightQuiet}
		}
		v.Lines = append(v.Lines, ol)
	}
	if len(w) > 0 {
		v.Wrong = Notice{Tone: toneWrong, Text: say.T("Nothing was kept yet: something is not right below."), Detail: w[""]}
	}
	place := func(fs []Field) {
		for i := range fs {
			fs[i].Error = w[fs[i].Name]
			if focus == "" && !fs[i].Error.IsZero() {
				focus = fs[i].Name
			}
			fs[i].Focus = fs[i].Name == focus
		}
	}
	place(v.Head)
	for i := range v.Lines {
		place(v.Lines[i].Fields)
	}
	return k.render(c, status, orderPage, v)
}

// dispatchField offers the browser's own way to choose a time, unless something
// was typed that it could not show.
func dispatchField(value string) Field {
	f := Field{Name: "dispatch", Label: say.T("It leaves at"), Type: "datetime-local", Value: value, Required: true}
	if value == "" {
		return f
	}
	if _, err := time.Parse("2006-01-02T15:04", value); err != nil {
		f.Type, f.Hint = "text", say.T("Write it like %s.", "2026-11-25 14:30")
	}
	return f
}
