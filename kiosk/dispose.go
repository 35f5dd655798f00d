package kiosk

import (
	"net/http"
	"slices"

	"github.com/gin-gonic/gin"

	"lastlook/internal/consignment"
	"lastlook/internal/record"
	"lastlook/internal/say"
)

// disposePage records that packages or units were destroyed before a witness.
var disposePage = declarePage("dispose")

type disposeView struct {
	Base
	Tag      Tag
	Question Question
	Notices  []Notice
	Action   string
	Extent   Choices
	Packages Field
	Units    Field
	Ways     Choices
	Method   Field
	Witness  Field
	Note     Field
	Do       Act
	Past     Table
	Links    []Act
}

// disposalWays are common ways. Which are allowed is for local law and the
// authority.
var disposalWays = reasons{
	{"burnt", say.T("Bagged and burnt")},
	{"buried", say.T("Buried deep")},
	{"composted", say.T("Hot composting")},
	{"carrier", say.T("Closed bin, taken by a waste carrier")},
}

func (k *kiosk) disposePage(c *gin.Context) error { return k.showDispose(c, nil) }

func (k *kiosk) showDispose(c *gin.Context, refused *say.Refusal) error {
	st, err := k.state(c)
	if err != nil {
		return err
	}
	b := k.page(c, say.T("Disposal from %s", st.Number))
	b.Version = st.Version
	base := "/c/" + st.Code
	extent := c.PostForm("extent")
	v := &disposeView{
		Base: b, Tag: k.stateTag(b, st), Action: base + "/dispose",
		Question: Question{Text: say.T("What was destroyed?"), Help: say.T("Record it when it is done. Whole packages leave the list; their numbers are not used again.")},
		Notices: []Notice{{Tone: toneNote, Text: say.T("How plants are destroyed, and who must see it, is set by local law and the authority."),
			Detail: say.T("Carry them closed, by the shortest way, past no other goods. Two people lift what is heavy.")}},
		Extent: Choices{Name: "extent", Legend: say.T("How much?"), Tiles: []Choice{
			{Value: "whole", Label: say.T("Whole packages"), Chosen: extent == "whole"},
			{Value: "units", Label: say.T("Units of them"), Hint: say.T("the packages stay"), Chosen: extent == "units"},
		}},
		Packages: Field{Name: "packages", Label: say.T("Which packages"), Hint: say.T("like 1-20, 35"), Value: c.PostForm("packages"), Required: true},
		Units:    Field{Name: "units", Label: say.T("How many units"), Hint: say.T("only if the packages stay"), Value: c.PostForm("units"), Mode: "numeric"},
		Ways:     disposalWays.choices(c, say.T("How?")),
		Method:   Field{Name: "reason", Label: say.T("Another way, or more about it"), Value: c.PostForm("reason")},
		Witness:  Field{Name: "witness", Label: say.T("Who saw it?"), Hint: say.T("somebody besides you"), Value: c.PostForm("witness"), Required: true},
		Note:     Field{Name: "note", Label: say.T("Note"), Hint: say.T("only if there is something to say"), Value: c.PostForm("note")},
		Do:       Act{Label: say.T("Keep this record"), Weight: weightBig, Symbol: "right"},
		Past:     disposalsTable(b, st),
		Links: []Act{
			{Label: say.T("Packages taken out or added"), Symbol: "keys", Href: base + "/list"},
			{Label: say.T("Back to the outcome"), Symbol: "back", Href: base + "/outcome", Weight: weightQuiet},
		},
	}
	if r := st.Round(); r != nil {
		if ns := r.Infested(); len(ns) > 0 {
			v.Notices = append(v.Notices, Notice{Tone: toneNote, Text: say.T("Infested: %s", record.Numbers(ns)), Detail: say.T("Infested packages may be taken out %s.", r.Rules.RemoveInfested.Words())})
		}
	}
	status := http.StatusOK
	if refused != nil {
		status = statuses[refused.Code]
		if !errorAt(refused, map[string]*say.Text{
			"extent": &v.Extent.Error, "packages": &v.Packages.Error, "units": &v.Units.Error,
			"method": &v.Ways.Error, "witness": &v.Witness.Error, "note": &v.Note.Error,
		}) {
			v.Notices = append([]Notice{{Tone: toneWrong, Text: refused.Text}}, v.Notices...)
		}
	}
	return k.render(c, status, disposePage, v)
}

func disposalsTable(b Base, st *consignment.State) Table {
	t := Table{Caption: say.T("Destroyed so far"), Columns: []Column{
		{Label: say.T("When")}, {Label: say.T("Packages")}, {Label: say.T("How much")}, {Label: say.T("How")}, {Label: say.T("Who saw it")}, {Label: say.T("Recorded by")},
	}}
	for _, d := range slices.Backward(st.Disposals) {
		much := say.T("whole")
		if d.Units > 0 {
			much = say.T("%d units", d.Units)
		}
		t.Rows = append(t.Rows, Row{[]Cell{{Text: b.Clock(d.At)}, {Data: record.Numbers(d.Packages)}, {Text: much}, {Data: d.Method}, {Data: d.Witness}, {Data: d.By.Name}}})
	}
	return t
}

func (k *kiosk) dispose(c *gin.Context) error {
	st, err := k.state(c)
	if err != nil {
		return err
	}
	d := consignment.Disposed{Method: disposalWays.chosen(c), Witness: c.PostForm("witness"), Note: c.PostForm("note")}
	var refused *say.Refusal
	if d.Packages, refused = readNumbers(c.PostForm("packages"), "packages", st.Total()); refused != nil {
		return k.showDispose(c, refused)
	}
	switch c.PostForm("extent") {
	case "whole":
		if c.PostForm("units") != "" {
			return k.showDispose(c, say.Refuse(say.Invalid, "Either whole packages or units: leave this empty, or choose units.").For("units"))
		}
	case "units":
		if d.Units, err = formNumber(c.PostForm("units")); err != nil {
			return k.showDispose(c, notNumber("units"))
		}
		if d.Units < 1 {
			return k.showDispose(c, say.Refuse(say.Invalid, "%d units cannot be: write how many were destroyed.", d.Units).For("units"))
		}
	default:
		return k.showDispose(c, say.Refuse(say.Invalid, "Say whether whole packages or units of them were destroyed.").For("extent"))
	}
	done, err := k.do(c, consignment.Dispose{Disposed: d})
	if r := numberRefusal(err, "packages"); r != nil {
		return k.showDispose(c, r)
	}
	if err != nil {
		return err
	}
	tell(c, Flash{Tone: toneRight, Text: say.T("Kept: the disposal is on record."), Detail: say.T("%d packages are left.", done.State.Count())})
	return k.forward(c, "/c/"+st.Code+"/dispose")
}
