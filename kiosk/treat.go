package kiosk

import (
	"math/big"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/gin-gonic/gin"

	"lastlook/internal/consignment"
	"lastlook/internal/dose"
	"lastlook/internal/people"
	"lastlook/internal/record"
	"lastlook/internal/say"
)

// treatRoutes lists the routes of treatments and disposals.
func (k *kiosk) treatRoutes(e *gin.Engine) {
	e.GET("/c/:code/treat", k.as(atBench, k.treatPage))
	e.POST("/c/:code/treat", k.as(atBench, k.treat))
	e.GET("/c/:code/treat/:n", k.as(atBench, k.treatmentPage))
	e.POST("/c/:code/treat/:n", k.as(atBench, k.takeTreatmentBack))
	e.GET("/c/:code/dispose", k.as(atBench, k.disposePage))
	e.POST("/c/:code/dispose", k.as(atBench, k.dispose))
}

// treatPage records a treatment: its kind, then what that kind needs, then
// everything once more as it will be kept.
var treatPage = declarePage("treat")

type treatView struct {
	Base
	Tag      Tag
	Stage    string // kind, fields or sure
	Question Question
	Notice   Notice
	Ways     []Act
	Action   string
	Fields   []Hidden
	Parts    []treatPart
	Outdoors *Choices
	Facts    []Fact
	Do       Act
	Edit     Act
	Cautions []say.Text
	Past     Table
	Live     string // where the list is asked for anew
	Links    []Act
}

// treatPart is a group of fields with its heading.
type treatPart struct {
	Head   say.Text
	Fields []Field
}

// treatNeeds says what a record of each kind asks for beyond what all do.
var treatNeeds = map[consignment.Treating][]string{
	consignment.TreatProduct: {"product", "active", "registration", "batch", "rate", "volume", "licence", "outdoors", "weather", "re_entry", "withholding"},
	consignment.TreatWash:    {"volume", "temperature"},
	consignment.TreatPrune:   {},
	consignment.TreatDiscard: {},
	consignment.TreatHeat:    {"temperature"},
	consignment.TreatRepot:   {},
	consignment.TreatOther:   {"product", "rate", "volume", "temperature", "licence", "outdoors", "weather", "re_entry", "withholding"},
}

// treatMethods are examples of how each kind is done, as hints.
var treatMethods = map[consignment.Treating]say.Text{
	consignment.TreatProduct: say.T("for instance sprayed, drenched, dipped"),
	consignment.TreatWash:    say.T("for instance rinsed from below with clean water"),
	consignment.TreatPrune:   say.T("for instance affected shoots cut off, blades wiped between plants"),
	consignment.TreatDiscard: say.T("for instance affected plants taken out and bagged"),
	consignment.TreatHeat:    say.T("for instance hot water, with the way the temperature was measured"),
	consignment.TreatRepot:   say.T("for instance medium washed off, new medium and pots"),
	consignment.TreatOther:   say.T("what was done, step by step"),
}

// treatCautions are said with every treatment. Nothing here advises a product: what may
// be used, and how, is on its label and in local law.
var treatCautions = []say.Text{
	say.T("Treat only as the product label and local law allow, by a licensed person."),
	say.T("Wear the protective equipment that the label names. Keep others away."),
	say.T("Nobody handles the plants before re-entry has ended. They do not leave before the withholding period is over."),
	say.T("Lastlook keeps what was done. It advises no product and no rate."),
}

func (k *kiosk) treatPage(c *gin.Context) error {
	return k.showTreat(c, consignment.Treating(c.Query("kind")), nil)
}

// showTreat shows the kinds, or what one kind needs, with what was typed and why it
// was refused.
func (k *kiosk) showTreat(c *gin.Context, way consignment.Treating, refused *say.Refusal) error {
	st, err := k.state(c)
	if err != nil {
		return err
	}
	v := k.treatView(c, st)
	base := "/c/" + st.Code
	if slices.Contains(consignment.Treatings, way) {
		v.Stage = "fields"
		v.Question = Question{Text: way.Words(), Help: say.T("Write it as it was done. It is shown once more before it is kept.")}
		v.Fields = []Hidden{{"kind", string(way)}}
		v.Parts, v.Outdoors = k.treatFields(c, st, way, refused)
		v.Do = Act{Label: say.T("Look at it once more"), Weight: weightBig, Symbol: "next", Name: "do", Value: "check"}
		v.Edit = Act{Label: say.T("Another kind"), Symbol: "back", Href: base + "/treat", Weight: weightQuiet}
	} else {
		v.Stage = "kind"
		v.Question = Question{Text: say.T("What kind of treatment was it?"), Help: say.T("Record it when it is over.")}
		for _, w := range consignment.Treatings {
			v.Ways = append(v.Ways, Act{Label: w.Words(), Href: base + "/treat?kind=" + string(w)})
		}
		if r := st.Round(); r == nil || r.Ended == nil || st.Dispatched != nil {
			v.Ways = nil
			v.Question = Question{Text: say.T("Treatments of %s", st.Number), Help: say.T("A treatment is recorded between inspections: none has ended, or one is under way.")}
		}
		if refused != nil && refused.Field == "kind" {
			v.Notice = Notice{Tone: toneWrong, Text: refused.Text}
		}
	}
	status := http.StatusOK
	if refused != nil {
		status = statuses[refused.Code]
		if !v.shows(refused.Field) {
			v.Notice = Notice{Tone: toneWrong, Text: refused.Text}
		}
	}
	return k.render(c, status, treatPage, v)
}

// shows reports whether a field with an error is on the page.
func (v *treatView) shows(field string) bool {
	if v.Outdoors != nil && !v.Outdoors.Error.IsZero() {
		return true
	}
	return slices.ContainsFunc(v.Parts, func(p treatPart) bool {
		return slices.ContainsFunc(p.Fields, func(f Field) bool { return f.Name == field })
	})
}

// treatView is what all stages have in common.
func (k *kiosk) treatView(c *gin.Context, st *consignment.State) *treatView {
	b := k.page(c, say.T("Treatments of %s", st.Number))
	b.Version = st.Version
	base := "/c/" + st.Code
	v := &treatView{Base: b, Tag: k.stateTag(b, st), Action: base + "/treat", Cautions: treatCautions, Past: treatmentsTable(b, st),
		Links: []Act{{Label: say.T("Back to the consignment"), Symbol: "back", Href: base, Weight: weightQuiet}}}
	if r := st.Round(); r != nil && r.Ended != nil {
		v.Links = []Act{{Label: say.T("Record a disposal"), Symbol: "book", Href: base + "/dispose"}, {Label: say.T("Back to the outcome"), Symbol: "back", Href: base + "/outcome", Weight: weightQuiet}}
	}
	if until := st.ReEntryEnds(b.Now); !until.IsZero() {
		v.Notice = reEntryNotice(b, until)
	}
	v.Live = base + "/treat"
	return v
}

// treatFields are the fields of a kind, in the order in which one writes a record.
func (k *kiosk) treatFields(c *gin.Context, st *consignment.State, way consignment.Treating, refused *say.Refusal) ([]treatPart, *Choices) {
	person, _ := personOf(c)
	need := treatNeeds[way]
	product := way == consignment.TreatProduct
	now := k.Now().Format("2006-01-02T15:04")
	field := func(name string, label, hint say.Text) Field {
		f := Field{Name: name, Label: label, Hint: hint, Value: c.PostForm(name)}
		if refused != nil && refused.Field == name {
			f.Error, f.Focus = refused.Text, true
		}
		return f
	}
	timed := func(name string, label, hint say.Text, value string) Field {
		f := field(name, label, hint)
		f.Type = "datetime-local"
		if c.Request.Method != http.MethodPost {
			f.Value = value
		}
		return f
	}
	rateHint := say.T("with its unit, like 2.5 L/ha, 10 mL/L or 30 g/m²")
	what := treatPart{Head: say.T("What was done"), Fields: []Field{
		field("target", say.T("Against what"), say.T("as it was found or identified")),
		field("method", say.T("How"), treatMethods[way]),
		field("packages", say.T("Which packages"), say.T("like 1-20, 35; left empty, all of them")),
	}}
	all := []struct {
		name        string
		label, hint say.Text
	}{
		{"product", say.T("Product"), say.T("its full name, as on the label")},
		{"active", say.T("Active ingredient"), say.T("as on the label")},
		{"registration", say.T("Registration number"), say.T("as on the label")},
		{"batch", say.T("Batch of the product"), say.T("as on the container")},
		{"rate", say.T("Rate"), rateHint},
		{"volume", say.T("Volume used"), say.T("with its unit, like 20 L")},
		{"temperature", say.T("Temperature"), say.T("with its unit, like 48 °C")},
	}
	with := treatPart{Head: say.T("With what")}
	for _, f := range all {
		if slices.Contains(need, f.name) {
			with.Fields = append(with.Fields, field(f.name, f.label, f.hint))
		}
	}
	when := treatPart{Head: say.T("When and by whom"), Fields: []Field{
		timed("start", say.T("It began"), say.Text{}, ""),
		timed("end", say.T("It ended"), say.Text{}, now),
		field("operator", say.T("Who did it"), say.T("name")),
	}}
	if op := &when.Fields[2]; c.Request.Method != http.MethodPost {
		op.Value = person.Name
	}
	if slices.Contains(need, "licence") {
		hint := say.T("number of the licence, if one is needed")
		if product {
			hint = say.T("number of the licence to apply products")
		}
		when.Fields = append(when.Fields, field("licence", say.T("Licence"), hint))
	}
	var outdoors *Choices
	if slices.Contains(need, "outdoors") {
		outdoors = &Choices{Name: "outdoors", Legend: say.T("Where was it done?"), Tiles: []Choice{
			{Value: "no", Label: say.T("Under cover"), Chosen: c.PostForm("outdoors") == "no"},
			{Value: "yes", Label: say.T("Outdoors"), Hint: say.T("write the weather as well"), Chosen: c.PostForm("outdoors") == "yes"},
		}}
		if refused != nil && refused.Field == "outdoors" {
			outdoors.Error = refused.Text
		}
		when.Fields = append(when.Fields, field("weather", say.T("Weather"), say.T("if outdoors: wind, rain, temperature")))
	}
	parts := []treatPart{what}
	if len(with.Fields) > 0 {
		parts = append(parts, with)
	}
	parts = append(parts, when)
	after := treatPart{Head: say.T("What holds afterwards")}
	if slices.Contains(need, "re_entry") {
		after.Fields = append(after.Fields,
			field("re_entry", say.T("Re-entry interval"), say.T("as on the label, like 12 h; empty if it names none")),
			field("withholding", say.T("Withholding period"), say.T("as on the label, like 14 d; empty if it names none")))
	}
	after.Fields = append(after.Fields, field("note", say.T("Note"), say.T("only if there is something to say")))
	return append(parts, after), outdoors
}

// readTreat reads the record that was typed.
func (k *kiosk) readTreat(c *gin.Context, st *consignment.State) (consignment.Treat, *say.Refusal) {
	way := consignment.Treating(c.PostForm("kind"))
	need := treatNeeds[way]
	get := func(name string) string {
		if !slices.Contains(need, name) {
			return "" // left over from another kind
		}
		return strings.TrimSpace(c.PostForm(name))
	}
	t := consignment.Treat{Treated: consignment.Treated{
		Way: way, Product: get("product"), Active: get("active"), Registration: get("registration"), Batch: get("batch"),
		Rate: get("rate"), Volume: get("volume"), Temperature: get("temperature"), Licence: get("licence"),
		Target: c.PostForm("target"), Method: c.PostForm("method"), Operator: c.PostForm("operator"), Note: c.PostForm("note"),
		Outdoors: get("outdoors") == "yes",
	}}
	if t.Outdoors {
		t.Weather = get("weather")
	}
	var refused *say.Refusal
	if t.Packages, refused = readNumbers(c.PostForm("packages"), "packages", st.Total()); refused != nil {
		return t, refused
	}
	if slices.Equal(t.Packages, st.Numbers()) {
		t.Packages = nil
	}
	for _, f := range []struct {
		name string
		to   *time.Time
	}{{"start", &t.Start}, {"end", &t.End}} {
		if *f.to, refused = readMoment(c.PostForm(f.name), k.Now().Location()); refused != nil {
			return t, refused.For(f.name)
		}
	}
	for _, f := range []struct {
		name string
		to   *time.Duration
	}{{"re_entry", &t.ReEntryAfter}, {"withholding", &t.WithholdingAfter}} {
		if get(f.name) == "" {
			continue
		}
		d, err := readInterval(get(f.name))
		if err != nil {
			if r := asRefusal(err); r != nil {
				return t, r.For(f.name)
			}
			return t, say.Refuse(say.Invalid, "Write it like 12 h or 14 d.").For(f.name)
		}
		*f.to = d
	}
	if slices.Contains(need, "outdoors") && get("outdoors") == "" {
		return t, say.Refuse(say.Invalid, "Say whether it was done outdoors or under cover.").For("outdoors")
	}
	return t, nil
}

// readMoment reads what a field for a date and time sends, or what somebody types
// into it where the browser has none. Nothing gives the zero time.
func readMoment(text string, loc *time.Location) (time.Time, *say.Refusal) {
	text = strings.TrimSpace(text)
	if text == "" {
		return time.Time{}, nil
	}
	for _, layout := range []string{"2006-01-02T15:04", "2006-01-02T15:04:05", "2006-01-02 15:04"} {
		if t, err := time.ParseInLocation(layout, text, loc); err == nil {
			return t, nil
		}
	}
	return time.Time{}, say.Refuse(say.Invalid, "“%s” is not a date and time: write it like 2026-03-11 14:30.", asTyped(text))
}

// readInterval reads a length of time as typed.
func readInterval(text string) (time.Duration, error) {
	q, err := dose.ParseDuration(text)
	if err != nil {
		return 0, err
	}
	second, err := dose.ParseUnit("s")
	if err != nil {
		return 0, err
	}
	if q, err = q.In(second); err != nil {
		return 0, err
	}
	v := q.Value()
	v.Mul(v, new(big.Rat).SetInt64(int64(time.Second)))
	return time.Duration(new(big.Int).Quo(v.Num(), v.Denom()).Int64()), nil
}

// usualUnits are what quantities are also given in, by what they measure.
var usualUnits = map[dose.Dimension][]string{
	dose.VolumePerArea:     {"mL/m2", "L/ha"},
	dose.MassPerArea:       {"g/m2", "kg/ha"},
	dose.VolumePerVolume:   {"mL/L", "% v/v"},
	dose.MassPerVolume:     {"g/L", "% w/v"},
	dose.MassPerMass:       {"g/kg", "% w/w"},
	dose.VolumePerMass:     {"mL/kg", "L/kg"},
	{Of: dose.Temperature}: {"°C", "°F"},
}

// doseWords gives a kept quantity as people read it, and in a usual unit.
func doseWords(kept string) say.Text {
	q, err := dose.Read(kept)
	if err != nil {
		return say.T("%s", kept)
	}
	usual := usualUnits[q.Dimension()]
	if name := map[string]string{"[gal_us]": "L", "[foz_us]": "mL", "[lb_av]": "kg", "[oz_av]": "g", "[sft_i]": "m2", "43560.[sft_i]": "ha"}[q.Unit().Code()]; name != "" {
		usual = []string{name} // 20 L need not be said in another unit, 5 US gal should
	}
	for _, name := range usual {
		u, err := dose.ParseUnit(name)
		if err != nil {
			continue
		}
		if u.Code() == q.Unit().Code() {
			continue
		}
		other, err := q.In(u)
		if err != nil {
			continue
		}
		if h := other.Human(); strings.HasPrefix(h, "≈") {
			return say.T("%s %s", q.Human(), h)
		}
		return say.T("%s = %s", q.Human(), other.Human())
	}
	return say.T("%s", q.Human())
}

// treatFacts are a record as it is or will be kept.
func treatFacts(b Base, t consignment.Treated) []Fact {
	facts := []Fact{{Label: say.T("Kind"), Text: t.Way.Words()}, {Label: say.T("Against what"), Data: t.Target}, {Label: say.T("How"), Data: t.Method}}
	which := Fact{Label: say.T("Packages"), Text: say.T("all")}
	if len(t.Packages) > 0 {
		which = Fact{Label: say.T("Packages"), Data: record.Numbers(t.Packages)}
	}
	facts = append(facts, which)
	for _, f := range []struct {
		label say.Text
		value string
	}{{say.T("Product"), t.Product}, {say.T("Active ingredient"), t.Active}, {say.T("Registration number"), t.Registration}, {say.T("Batch of the product"), t.Batch}} {
		if f.value != "" {
			facts = append(facts, Fact{Label: f.label, Data: f.value})
		}
	}
	for _, f := range []struct {
		label say.Text
		value string
	}{{say.T("Rate"), t.Rate}, {say.T("Volume used"), t.Volume}, {say.T("Temperature"), t.Temperature}} {
		if f.value != "" {
			facts = append(facts, Fact{Label: f.label, Text: doseWords(f.value)})
		}
	}
	facts = append(facts, Fact{Label: say.T("From – to"), Text: say.T("%s to %s (%s)", b.Clock(t.Start), b.Clock(t.End), span(t.End.Sub(t.Start)))}, Fact{Label: say.T("Who did it"), Data: t.Operator})
	if t.Licence != "" {
		facts = append(facts, Fact{Label: say.T("Licence"), Data: t.Licence})
	}
	if slices.Contains(treatNeeds[t.Way], "outdoors") {
		where := Fact{Label: say.T("Where"), Text: say.T("under cover")}
		if t.Outdoors {
			where = Fact{Label: say.T("Outdoors, weather"), Data: t.Weather}
		}
		facts = append(facts, where)
	}
	facts = append(facts, Fact{Label: say.T("Re-entry"), Text: untilWords(b, t.ReEntry)}, Fact{Label: say.T("Withheld"), Text: untilWords(b, t.Withholding)})
	if t.Note != "" {
		facts = append(facts, Fact{Label: say.T("Note"), Data: t.Note})
	}
	return facts
}

// untilWords says when an interval after a treatment ends, with the time left.
func untilWords(b Base, until time.Time) say.Text {
	switch {
	case until.IsZero():
		return say.T("none stated")
	case until.After(b.Now):
		return say.T("ends %s (%s)", b.Clock(until), left(until, b.Now))
	}
	return say.T("ended %s", b.Clock(until))
}

func treatmentsTable(b Base, st *consignment.State) Table {
	t := Table{Caption: say.T("On record"), Columns: []Column{
		{Label: say.T("Number")}, {Label: say.T("Kind")}, {Label: say.T("Packages")}, {Label: say.T("Ended")}, {Label: say.T("Re-entry")}, {Label: say.T("Withheld")}, {Label: say.T("Who did it")},
	}, Empty: say.T("No treatment is on record.")}
	for _, x := range slices.Backward(st.Treatments) {
		which := Cell{Text: say.T("all")}
		if len(x.Packages) > 0 {
			which = Cell{Data: record.Numbers(x.Packages)}
		}
		reentry := Cell{Text: untilWords(b, x.ReEntry)}
		if x.ReEntry.After(b.Now) {
			reentry.Mark = &Mark{State: stateHeld, Text: reentry.Text}
		}
		t.Rows = append(t.Rows, Row{[]Cell{
			{Data: itoa(x.Treatment), Href: "/c/" + st.Code + "/treat/" + itoa(x.Treatment)}, {Text: x.Way.Words()}, which, {Text: b.Clock(x.End)}, reentry, {Text: untilWords(b, x.Withholding)}, {Data: x.Operator},
		}})
	}
	return t
}

func (k *kiosk) treat(c *gin.Context) error {
	st, err := k.state(c)
	if err != nil {
		return err
	}
	way := consignment.Treating(c.PostForm("kind"))
	if c.PostForm("do") == "edit" {
		return k.showTreat(c, way, nil)
	}
	cmd, refused := k.readTreat(c, st)
	if refused != nil {
		return k.showTreat(c, way, refused)
	}
	if c.PostForm("do") != "keep" {
		return k.sureTreat(c, st, cmd)
	}
	done, err := k.do(c, cmd)
	if r := numberRefusal(err, "packages"); r != nil {
		return k.showTreat(c, way, r)
	}
	if err != nil {
		return err
	}
	f := Flash{Tone: toneRight, Text: say.T("Kept: the treatment is on record.")}
	if until := done.State.ReEntryEnds(k.Now()); !until.IsZero() {
		f.Detail = say.T("Nobody handles the plants before %s.", clock(until, k.Now()))
	}
	tell(c, f)
	return k.forward(c, "/c/"+st.Code+"/treat")
}

// sureTreat shows the record as it will be kept, or why it cannot be.
func (k *kiosk) sureTreat(c *gin.Context, st *consignment.State, cmd consignment.Treat) error {
	events, err := consignment.Decide(st, consignment.Meta{Actor: actorOf(c), Bench: benchOf(c), At: k.Now()}, cmd)
	if r := numberRefusal(err, "packages"); r != nil {
		return k.showTreat(c, cmd.Way, r)
	}
	if err != nil {
		return err
	}
	v := k.treatView(c, st)
	v.Stage, v.Live = "sure", ""
	v.Question = Question{Text: say.T("Is this what was done?"), Help: say.T("It is kept as it stands here. A supervisor can take it back, with a reason.")}
	for _, e := range events {
		if t, ok := e.(consignment.Treated); ok {
			v.Facts = treatFacts(v.Base, t)
		}
	}
	for name, values := range c.Request.PostForm {
		if name != "key" && name != "version" && name != "do" {
			v.Fields = append(v.Fields, Hidden{name, values[0]})
		}
	}
	slices.SortFunc(v.Fields, func(a, b Hidden) int { return strings.Compare(a.Name, b.Name) })
	v.Do = Act{Label: say.T("Keep this record"), Weight: weightBig, Symbol: "right", Name: "do", Value: "keep"}
	v.Edit = Act{Label: say.T("Correct it"), Symbol: "back", Name: "do", Value: "edit"}
	return k.render(c, http.StatusOK, treatPage, v)
}

// treatmentPage is one treatment as it is on record. A supervisor takes it back there.
var treatmentPage = declarePage("treatment")

type treatmentView struct {
	Base
	Tag      Tag
	Question Question
	Notice   Notice
	Facts    []Fact
	Action   string
	Reason   *Field // nil for those who cannot take it back
	Do       Act
	Back     Act
}

// treatmentStep finds a treatment on record, and the version of its step.
func treatmentStep(st *consignment.State, n int) (consignment.Recorded, consignment.Treated, error) {
	for _, rec := range st.History {
		if t, ok := rec.Event.(consignment.Treated); ok && t.Treatment == n {
			return rec, t, nil
		}
	}
	return consignment.Recorded{}, consignment.Treated{}, say.Refuse(say.NotFound, "There is no treatment %d of %s.", n, st.Number)
}

func (k *kiosk) treatmentPage(c *gin.Context) error { return k.showTreatment(c, nil) }

func (k *kiosk) showTreatment(c *gin.Context, refused *say.Refusal) error {
	n, err := pathInt(c, "n")
	if err != nil {
		return err
	}
	st, err := k.state(c)
	if err != nil {
		return err
	}
	rec, t, err := treatmentStep(st, n)
	if err != nil {
		return err
	}
	b := k.page(c, say.T("Treatment %d of %s", n, st.Number))
	b.Version = st.Version
	person, _ := personOf(c)
	v := &treatmentView{
		Base: b, Tag: k.stateTag(b, st), Facts: treatFacts(b, t), Action: "/c/" + st.Code + "/treat/" + itoa(n),
		Question: Question{Text: say.T("Treatment %d", n), Help: say.T("Recorded by %s at %s.", rec.Actor.Name, b.Clock(rec.At))},
		Do:       Act{Label: say.T("Take this record back"), Symbol: "undo"},
		Back:     Act{Label: say.T("Back to the treatments"), Symbol: "back", Href: "/c/" + st.Code + "/treat", Weight: weightQuiet},
	}
	if am, gone := st.Amendment(rec.Version); gone {
		v.Notice = Notice{Tone: toneNote, Text: say.T("It was taken back by %s: %s", am.By.Name, am.Reason), Detail: say.T("It counts no more, and stays on the record.")}
	} else if person.Has(people.Supervisor) {
		v.Reason = &Field{Name: "reason", Label: say.T("Why is it taken back?"), Hint: say.T("It stays on the record."), Value: c.PostForm("reason"), Required: true}
	} else {
		v.Notice = Notice{Tone: toneNote, Text: say.T("Only a supervisor takes a record back."), Detail: say.T("Ask one to scan their badge.")}
	}
	status := http.StatusOK
	if refused != nil {
		status = statuses[refused.Code]
		if refused.Field == "reason" && v.Reason != nil {
			v.Reason.Error = refused.Text
		} else {
			v.Notice = Notice{Tone: toneWrong, Text: refused.Text}
		}
	}
	return k.render(c, status, treatmentPage, v)
}

func (k *kiosk) takeTreatmentBack(c *gin.Context) error {
	n, err := pathInt(c, "n")
	if err != nil {
		return err
	}
	st, err := k.state(c)
	if err != nil {
		return err
	}
	rec, _, err := treatmentStep(st, n)
	if err != nil {
		return err
	}
	_, err = k.do(c, consignment.TakeBack{Of: rec.Version, Reason: c.PostForm("reason")})
	if r := asRefusal(err); r != nil {
		return k.showTreatment(c, r)
	}
	if err != nil {
		return err
	}
	tell(c, Flash{Tone: toneRight, Text: say.T("Treatment %d is taken back. It stays on the record.", n)})
	return k.forward(c, "/c/"+st.Code+"/treat")
}
