package kiosk

import (
	"net/http"
	"slices"
	"strings"

	"github.com/gin-gonic/gin"

	"lastlook/internal/consignment"
	"lastlook/internal/label"
	"lastlook/internal/record"
	"lastlook/internal/say"
)

// listPage changes the packages of a consignment between two inspections.
var listPage = declarePage("list")

type listView struct {
	Base
	Tag      Tag
	Question Question
	Notices  []Notice
	Labels   Act // of packages that have none yet
	Action   string
	Removed  Field
	Repacked Field
	Line     Field
	Count    Field
	Units    Field
	Reason   Field
	Do       Act
	Off      bool
	Lines    Table
	Past     Table
	Links    []Act
}

func (k *kiosk) listPage(c *gin.Context) error { return k.showList(c, nil) }

func (k *kiosk) showList(c *gin.Context, refused *say.Refusal) error {
	st, err := k.state(c)
	if err != nil {
		return err
	}
	b := k.page(c, say.T("Packages of %s", st.Number))
	b.Version = st.Version
	base := "/c/" + st.Code
	v := &listView{
		Base: b, Tag: k.stateTag(b, st), Action: base + "/list", Lines: linesTable(st), Past: listsTable(b, st),
		Question: Question{Text: say.T("Which packages changed?"), Help: say.T("Numbers stay what they are: one that left leaves a gap, new ones are numbered on from %s.", pad(st.Total()+1))},
		Removed:  Field{Name: "removed", Label: say.T("Taken out"), Hint: say.T("package numbers, like 1-20, 35"), Value: c.PostForm("removed")},
		Repacked: Field{Name: "repacked", Label: say.T("Repacked"), Hint: say.T("plants put into these packages anew"), Value: c.PostForm("repacked")},
		Line:     Field{Name: "line", Label: say.T("Added: like which crop line?"), Type: "select", Options: []Option{{Value: "", Label: say.T("none added")}}},
		Count:    Field{Name: "count", Label: say.T("How many packages"), Value: c.PostForm("count"), Mode: "numeric"},
		Units:    Field{Name: "units", Label: say.T("Units in each"), Value: c.PostForm("units"), Mode: "numeric"},
		Reason:   Field{Name: "reason", Label: say.T("Why?"), Hint: say.T("It stays on the record."), Value: c.PostForm("reason"), Required: true},
		Do:       Act{Label: say.T("Change the list"), Weight: weightBig, Symbol: "right"},
	}
	named := map[string]bool{}
	for i, l := range st.Lines {
		text := say.T("%s", l.Crop)
		if l.Batch != "" {
			text = say.T("%s, batch %s", l.Crop, l.Batch)
		}
		if key := text.String(); named[key] {
			continue // a line added before is like the one it was made like
		} else {
			named[key] = true
		}
		v.Line.Options = append(v.Line.Options, Option{Value: itoa(i), Label: text, Selected: c.PostForm("line") == itoa(i)})
	}
	if r := st.Round(); r != nil && r.Ended != nil && r.Ended.Outcome == consignment.Rejected {
		rule := Notice{Tone: toneNote, Text: say.T("Infested packages may be taken out %s.", r.Rules.RemoveInfested.Words())}
		if r.Rules.RemoveInfested == consignment.RemoveNever {
			rule.Text = say.T("Infested packages are never taken out so that the rest is inspected again: treat it all, or dispose of it.")
		}
		if ns := r.Infested(); len(ns) > 0 {
			rule.Detail = say.T("Infested: %s", record.Numbers(ns))
		} else {
			rule.Detail = say.T("No package is known to be infested.")
		}
		v.Notices = append(v.Notices, rule)
	}
	if ns := label.Left(st); len(ns) > 0 && st.Round() != nil {
		v.Notices = append([]Notice{{Tone: toneRight, Text: say.T("Packages without a label: %s", record.Numbers(ns)), Detail: say.T("Print theirs and stick them on before the next inspection.")}}, v.Notices...)
		v.Labels = Act{Label: say.T("Print the labels of %s", record.Numbers(ns)), Symbol: "print", Href: base + "/labels?from=" + itoa(ns[0]) + "&to=" + itoa(ns[len(ns)-1]), Weight: weightBig}
		v.Do.Weight = weightPlain
	}
	if st.Running() != nil || st.Round() == nil {
		v.Off = true
		if st.Round() == nil {
			v.Notices = []Notice{{Tone: toneNote, Text: say.T("It was not inspected yet: change the number of packages instead.")}}
			v.Links = append(v.Links, Act{Label: say.T("Change time or count"), Symbol: "keys", Href: base + "/change"})
		} else {
			v.Notices = []Notice{{Tone: toneNote, Text: say.T("The package list is sealed: it cannot change until round %d is over.", len(st.Rounds))}}
		}
	} else {
		v.Links = append(v.Links, Act{Label: say.T("Record a disposal"), Symbol: "book", Href: base + "/dispose"},
			Act{Label: say.T("Back to the outcome"), Symbol: "back", Href: base + "/outcome", Weight: weightQuiet})
	}
	status := http.StatusOK
	if refused != nil {
		status = statuses[refused.Code]
		fields := map[string]*Field{"removed": &v.Removed, "repacked": &v.Repacked, "line": &v.Line, "added": &v.Count, "packages": &v.Count, "count": &v.Count, "units": &v.Units, "reason": &v.Reason}
		if f := fields[refused.Field]; f != nil && !v.Off {
			f.Error, f.Focus = refused.Text, true
		} else {
			v.Notices = append([]Notice{{Tone: toneWrong, Text: refused.Text}}, v.Notices...)
		}
	}
	return k.render(c, status, listPage, v)
}

// listsTable is what changed so far.
func listsTable(b Base, st *consignment.State) Table {
	t := Table{Caption: say.T("Changes so far"), Columns: []Column{
		{Label: say.T("When")}, {Label: say.T("Who")}, {Label: say.T("Taken out")}, {Label: say.T("Added")}, {Label: say.T("Repacked")}, {Label: say.T("Why")},
	}}
	for _, l := range slices.Backward(st.Lists) {
		added := 0
		for _, a := range l.Added {
			added += a.Packages
		}
		t.Rows = append(t.Rows, Row{[]Cell{{Text: b.Clock(l.At)}, {Data: l.By.Name}, {Data: orDash(record.Numbers(l.Removed))}, {Data: orDash(strings.TrimPrefix(itoa(added), "0"))}, {Data: orDash(record.Numbers(l.Repacked))}, {Data: l.Reason}}})
	}
	return t
}

func (k *kiosk) changePackages(c *gin.Context) error {
	st, err := k.state(c)
	if err != nil {
		return err
	}
	cmd := consignment.ChangeList{Reason: c.PostForm("reason")}
	for _, f := range []struct {
		name string
		to   *[]int
	}{{"removed", &cmd.Removed}, {"repacked", &cmd.Repacked}} {
		var refused *say.Refusal
		if *f.to, refused = readNumbers(c.PostForm(f.name), f.name, st.Total()); refused != nil {
			return k.showList(c, refused)
		}
	}
	line, count, units := strings.TrimSpace(c.PostForm("line")), strings.TrimSpace(c.PostForm("count")), strings.TrimSpace(c.PostForm("units"))
	switch {
	case line == "" && (count != "" || units != ""):
		return k.showList(c, say.Refuse(say.Invalid, "Say which crop line the added packages are like.").For("line"))
	case line != "":
		i, err := formNumber(line)
		if err != nil || i < 0 || i >= len(st.Lines) {
			return k.showList(c, say.Refuse(say.Invalid, "Say which crop line the added packages are like.").For("line"))
		}
		l := st.Lines[i]
		added := consignment.Line{Crop: l.Crop, Batch: l.Batch, Bay: l.Bay, UnitsPerPackage: l.UnitsPerPackage}
		if added.Packages, err = formNumber(count); err != nil {
			return k.showList(c, notNumber("count"))
		}
		if added.Packages < 1 {
			return k.showList(c, say.Refuse(say.Invalid, "%d packages cannot be added: write how many there are.", added.Packages).For("count"))
		}
		if units != "" {
			if added.UnitsPerPackage, err = formNumber(units); err != nil {
				return k.showList(c, notNumber("units"))
			}
		}
		if added.UnitsPerPackage < 1 || added.UnitsPerPackage > consignment.MaxUnits {
			return k.showList(c, say.Refuse(say.Invalid, "%d units cannot be: give a number from 1 to %d.", added.UnitsPerPackage, consignment.MaxUnits).For("units"))
		}
		cmd.Added = []consignment.Line{added}
	}
	done, err := k.do(c, cmd)
	if r := numberRefusal(err, "removed"); r != nil {
		return k.showList(c, r)
	}
	if err != nil {
		return err
	}
	f := Flash{Tone: toneRight, Text: say.T("Changed: %s has %d packages now.", done.State.Number, done.State.Count())}
	if first, last := st.Total()+1, done.State.Total(); last > first {
		f.Detail = say.T("New: %s to %s.", pad(first), pad(last))
	} else if last == first {
		f.Detail = say.T("New: %s.", pad(first))
	}
	tell(c, f)
	return k.forward(c, "/c/"+st.Code+"/list")
}
