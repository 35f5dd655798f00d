package kiosk

import (
	"net/http"

	"github.com/gin-gonic/gin"

	"lastlook/internal/consignment"
	"lastlook/internal/say"
)

// fetchPage shows the drawn packages, to be found and scanned.
var fetchPage = declarePage("fetch")

type fetchView struct {
	Base
	Tag      Tag
	Question Question
	Tiles    []fetchTile
	Gone     []FetchTile // replaced ones
	Next     Act
	HasNext  bool
	List     Act
	Evidence []say.Text
}

// fetchTile is a tile with the way to say that the package cannot be reached.
type fetchTile struct {
	FetchTile
	Replace Act
	Can     bool
}

func (k *kiosk) fetchPage(c *gin.Context) error {
	st, r, err := k.running(c)
	if err != nil {
		return err
	}
	b := k.page(c, say.T("Fetch"))
	b.Version = st.Version
	v := &fetchView{Base: b, Tag: k.stateTag(b, st),
		List: Act{Label: say.T("The list on paper or a phone"), Symbol: "print", Href: "/c/" + st.Code + "/fetch/list", Weight: weightQuiet}}
	missing := 0
	for _, n := range r.ToExamine() {
		x := r.Exams[n]
		t := fetchTile{FetchTile: k.tile(st, n)}
		switch {
		case x.Closed():
			t.State, t.Mark = fetchHere, say.T("examined")
		case x.Open():
			t.State, t.Mark = fetchHere, say.T("open")
		case !x.FetchedAt.IsZero():
			t.State, t.Mark = fetchHere, say.T("here")
		default:
			t.State, t.Mark = fetchWanted, say.T("fetch")
			missing++
		}
		if x.FetchedAt.IsZero() && len(r.Reserves) > 0 {
			t.Can = true
			t.Replace = Act{Label: say.T("Cannot reach %03d", n), Href: "/c/" + st.Code + "/replace/" + itoa(n), Weight: weightQuiet}
		}
		v.Tiles = append(v.Tiles, t)
	}
	for _, rep := range r.Replacements {
		t := k.tile(st, rep.Package)
		t.State, t.Mark = fetchReplaced, say.T("replaced by %03d", rep.By)
		v.Gone = append(v.Gone, t)
	}
	v.Question = Question{Text: say.T("Fetch these %d packages", len(r.Exams)), Help: say.T("Scan each as it reaches the bench. %d are still missing.", missing)}
	if missing == 0 {
		v.Question = Question{Text: say.T("All %d are here", len(r.Exams)), Help: say.T("Scan the one you open first, or take the first in line.")}
	}
	if step := consignment.Next(st, benchOf(c)); step.Kind != consignment.StepFetch {
		v.HasNext, v.Next = true, Act{Label: stepWords(step), Href: stepPath(st.Code, step), Weight: weightBig, Symbol: "leaf"}
	}
	ev, err := r.Evidence()
	if err != nil {
		return err
	}
	v.Evidence = ev.Words()
	return k.render(c, http.StatusOK, fetchPage, v)
}

// running reads the consignment of the path and its round under way.
func (k *kiosk) running(c *gin.Context) (*consignment.State, *consignment.Round, error) {
	st, err := k.state(c)
	if err != nil {
		return nil, nil, err
	}
	r := st.Running()
	if r == nil {
		if last := st.Round(); last != nil {
			return nil, nil, say.Refuse(say.Illegal, "Round %d is over (%s): nothing more can be recorded in it.", last.Number, last.Ended.Outcome.Words())
		}
		return nil, nil, say.Refuse(say.Illegal, "Nothing is sealed yet: seal the package list first.")
	}
	return st, r, nil
}

func (k *kiosk) tile(st *consignment.State, n int) FetchTile {
	p, _ := st.Package(n)
	return FetchTile{Number: pad(n), Crop: p.CropLine.Crop, Bay: bayOf(p)}
}

func bayOf(p consignment.Package) string {
	switch {
	case p.CropLine.Bay != "" && p.Ref != "":
		return p.CropLine.Bay + " · " + p.Ref
	case p.Ref != "":
		return p.Ref
	}
	return p.CropLine.Bay
}

// fetchListPage is the list for paper or a phone.
var fetchListPage = declarePage("fetchlist")

type fetchListView struct {
	Base
	Tag  Tag
	List Table
	Back Act
}

func (k *kiosk) fetchList(c *gin.Context) error {
	st, r, err := k.running(c)
	if err != nil {
		return err
	}
	b := k.page(c, say.T("Fetch list %s", st.Number))
	b.Quiet = true
	v := &fetchListView{Base: b, Tag: k.stateTag(b, st), Back: Act{Label: say.T("Back to fetching"), Href: "/c/" + st.Code + "/fetch"},
		List: Table{Caption: say.T("Fetch these %d packages", len(r.Exams)), Columns: []Column{
			{Label: say.T("Package")}, {Label: say.T("Crop")}, {Label: say.T("Batch")}, {Label: say.T("Bay")}, {Label: say.T("Code")}, {Label: say.T("Here")},
		}}}
	for _, n := range r.ToExamine() {
		p, _ := st.Package(n)
		mark := say.T("☐")
		if !r.Exams[n].FetchedAt.IsZero() {
			mark = say.T("here")
		}
		v.List.Rows = append(v.List.Rows, Row{[]Cell{{Data: pad(n)}, {Data: p.CropLine.Crop}, {Data: orDash(p.CropLine.Batch)}, {Data: orDash(bayOf(p))}, {Data: packageCode(st.Code, n).Human()}, {Text: mark}}})
	}
	return k.render(c, http.StatusOK, fetchListPage, v)
}

// replacePage asks why a drawn package cannot be reached.
var replacePage = declarePage("replace")

type replaceView struct {
	Base
	Tag      Tag
	Question Question
	Why      Choices
	Other    Field
	Action   string
	Do       Act
	Back     Act
}

// unreachable are the usual reasons; a supervisor reads them months later.
var unreachable = reasons{
	{"buried", say.T("Behind or under others, cannot be moved safely")},
	{"loaded", say.T("Loaded already")},
	{"missing", say.T("Not found where it should be")},
	{"damaged", say.T("Too damaged to open safely")},
}

func (k *kiosk) replacePage(c *gin.Context) error { return k.showReplace(c, nil) }

func (k *kiosk) showReplace(c *gin.Context, refused *say.Refusal) error {
	st, _, err := k.running(c)
	if err != nil {
		return err
	}
	pkg, err := pathInt(c, "pkg")
	if err != nil {
		return err
	}
	b := k.page(c, say.T("Cannot reach a package"))
	b.Version = st.Version
	v := &replaceView{
		Base: b, Tag: k.stateTag(b, st), Action: "/c/" + st.Code + "/replace/" + itoa(pkg),
		Question: Question{Text: say.T("Why can package %03d not be reached?", pkg), Help: say.T("The next reserve of the draw takes its place. The reason stands on the record.")},
		Why:      unreachable.choices(c, say.T("Reason")),
		Other:    Field{Name: "reason", Label: say.T("Another reason, or more about it"), Value: c.PostForm("reason")},
		Do:       Act{Label: say.T("Take the next reserve"), Weight: weightBig},
		Back:     Act{Label: say.T("Back: it can be reached"), Href: "/c/" + st.Code + "/fetch"},
	}
	status := http.StatusOK
	if refused != nil {
		status = statuses[refused.Code]
		v.Why.Error = refused.Text
	}
	return k.render(c, status, replacePage, v)
}

func (k *kiosk) replace(c *gin.Context) error {
	pkg, err := pathInt(c, "pkg")
	if err != nil {
		return err
	}
	done, err := k.do(c, consignment.Replace{Package: pkg, Reason: unreachable.chosen(c)})
	if r := asRefusal(err); r != nil {
		return k.showReplace(c, r)
	}
	if err != nil {
		return err
	}
	if r := done.State.Running(); r != nil && len(r.Replacements) > 0 {
		last := r.Replacements[len(r.Replacements)-1]
		tell(c, Flash{Tone: toneNote, Text: say.T("Fetch %03d instead of %03d.", last.By, last.Package)})
	}
	return k.forward(c, "/c/"+c.Param("code")+"/fetch")
}
