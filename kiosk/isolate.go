package kiosk

import (
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"github.com/gin-gonic/gin"

	"lastlook/internal/consignment"
	places "lastlook/internal/place"
	"lastlook/internal/record"
	"lastlook/internal/say"
)

// isolateRoutes lists the routes of places, the detailed examination and coming back.
func (k *kiosk) isolateRoutes(e *gin.Engine) {
	step := func(path string, page, post handler) {
		e.GET(path, k.as(atBench, page))
		e.POST(path, k.as(atBench, post))
	}
	step("/c/:code/where", k.wherePage, k.move)
	step("/c/:code/clean", k.cleanPage, k.clean)
	step("/c/:code/list", k.listPage, k.changePackages)
	step("/c/:code/detail/:pkg", k.detailPackage, k.lookDetail)
	e.GET("/c/:code/detail", k.as(anybody, k.detailPage))
	e.POST("/c/:code/detail", k.as(atBench, k.planDetail))
}

// where reports whether the page asks where packages stand.
func (p spot) where() bool {
	return strings.HasPrefix(p.path, "/c/") && p.page() == "where"
}

// page is the part of a consignment's address that names its page: "" for the
// consignment itself.
func (p spot) page() string {
	path, _, _ := strings.Cut(p.path, "?")
	parts := strings.Split(strings.TrimPrefix(path, "/c/"), "/")
	if len(parts) < 2 {
		return ""
	}
	return parts[1]
}

// wholePage reports whether the page is about the consignment as a whole, so that a
// place scanned on it is where all of it stands.
func (p spot) wholePage() bool {
	return slices.Contains([]string{"", "where", "outcome", "store", "marks", "record", "history"}, p.page())
}

// scanBetweenRounds answers a package while no inspection of it is under way: it
// asks where the package stands, or what it showed when examined in detail.
func (k *kiosk) scanBetweenRounds(s scanned, st *consignment.State, n int, p consignment.Package) (answer, error) {
	if !st.Present(n) {
		return wrong(say.T("Package %03d was taken out of %s.", n, st.Number), say.T("Put it aside and ask the supervisor.")), nil
	}
	other := s.spot.consignment != "" && s.spot.consignment != st.Code
	switch {
	case s.spot.where() && other:
		return note(say.T("Another consignment: %s, package %03d", st.Number, n), say.T("Scan the place where it stands."), wherePath(st.Code, n)), nil
	case s.spot.where():
		return right(say.T("Package %03d: scan the place where it stands.", n), wherePath(st.Code, n)), nil
	case s.spot.page() == "detail" && other:
		return wrong(say.T("Another consignment: %s, package %03d.", st.Number, n), say.T("Put it back: another consignment is examined here.")), nil
	case s.spot.page() == "detail" && st.Standing() != consignment.StandStopped:
		if r := st.Round(); r != nil && r.Detail != nil && !slices.Contains(r.Detail.Packages, n) {
			return wrong(say.T("Package %03d is not in the plan: put it back.", n), nextDetail(r)), nil
		} else if r != nil && r.Detail != nil {
			return right(say.T("Package %03d: count and look.", n), detailPath(st.Code, n)), nil
		}
	}
	return right(say.T("%s, package %03d: %s", st.Number, n, p.CropLine.Crop), nextPath(st, benchOf(s.gin))), nil
}

func wherePath(code string, pkg int) string {
	if pkg == 0 {
		return "/c/" + code + "/where"
	}
	return "/c/" + code + "/where?p=" + itoa(pkg)
}

// scanLocation puts what is on the screen in a place: a sample, a package, or a
// whole consignment. The same place scanned again confirms a move that was doubted.
func (k *kiosk) scanLocation(s scanned, location string) (answer, error) {
	list, err := k.store.Places(s.ctx)
	if err != nil {
		return answer{}, err
	}
	p, ok := list.Place(location)
	switch {
	case !ok:
		return wrong(say.T("No place here has this code."), say.T("Is the card of another site? A supervisor keeps the list of places.")), nil
	case p.Retired:
		return wrong(say.T("%s was given up: nothing is put there any more.", p.Name), say.T("Take its card down, and scan the place where it stands now.")), nil
	}
	if sample, ok := strings.CutPrefix(s.spot.path, "/s/"); ok {
		sample, _, _ = strings.Cut(strings.ReplaceAll(sample, "?", "/"), "/") // its page, or one below it
		in, err := k.store.SampleOf(s.ctx, sample)
		if err != nil {
			return answer{}, err
		}
		if _, err := k.take(s, in, consignment.MoveSample{Sample: sample, Step: consignment.Stored, Place: p.Name}); err != nil {
			return answer{}, err
		}
		return right(say.T("Sample %s is in %s.", sample, p.Name), "/s/"+sample), nil
	}
	if s.spot.consignment == "" {
		return note(say.T("%s (%s)", p.Name, p.Kind.Words()), say.T("Scan a package, a sample or a consignment first, then the place where you put it."), ""), nil
	}
	if p.Kind == places.SampleStore {
		return wrong(say.T("%s is for samples: no package stands there.", p.Name), say.T("Scan the place where it stands.")), nil
	}
	if !s.spot.wholePage() {
		return wrong(say.T("This screen does not ask for a place."), say.T("Open the consignment, or ask where it stands: then scan the place.")), nil
	}
	st, err := k.store.Consignment(s.ctx, s.spot.consignment)
	if err != nil {
		return answer{}, err
	}
	move := consignment.Move{Place: placed(p), Sure: s.spot.query.Get("doubt") == p.ID}
	back := wherePath(st.Code, 0)
	one, _ := strconv.Atoi(s.spot.query.Get("p"))
	if s.spot.where() && one > 0 {
		move.Packages = []int{one}
		back = wherePath(st.Code, one)
	}
	next, err := k.take(s, st.Code, move)
	if say.CodeOf(err) == say.Conflict {
		sep := "?"
		if len(move.Packages) > 0 {
			sep = "&"
		}
		a := wrong(asRefusal(err).Text, say.Text{})
		a.Go = back + sep + "doubt=" + p.ID
		return a, nil
	}
	if err != nil {
		return answer{}, err
	}
	text, to := movedTo(next, move)
	a := right(text, to)
	a.Detail = isolation(next)
	return a, nil
}

// placed is a place of the list as a move keeps it.
func placed(p places.Place) consignment.Place {
	return consignment.Place{Code: p.ID, Name: p.Name, Kind: consignment.PlaceKind(p.Kind)}
}

// movedTo says what was moved, and where to go on.
func movedTo(st *consignment.State, m consignment.Move) (say.Text, string) {
	switch len(m.Packages) {
	case 0:
		if st.Running() != nil {
			return say.T("All of %s is in %s.", st.Number, m.Place.Name), wherePath(st.Code, 0)
		}
		return say.T("All of %s is in %s.", st.Number, m.Place.Name), "/c/" + st.Code + "/outcome"
	case 1:
		return say.T("Package %03d is in %s.", m.Packages[0], m.Place.Name), wherePath(st.Code, 0)
	}
	return say.T("%d packages are in %s.", len(m.Packages), m.Place.Name), wherePath(st.Code, 0)
}

// isolation says how far rejected goods are isolated; nothing of others.
func isolation(st *consignment.State) say.Text {
	switch st.Standing() {
	case consignment.StandIsolated:
		return say.T("All of it stands apart: it is isolated.")
	case consignment.StandRejected:
		apart := 0
		for _, n := range st.Numbers() {
			if p, _, ok := st.PlaceOf(n); ok && p.Kind == consignment.QuarantineBay {
				apart++
			}
		}
		return say.T("%d of %d packages stand in a quarantine bay.", apart, st.Count())
	}
	return say.Text{}
}

// wherePage asks where packages stand, by scan or by hand.
var wherePage = declarePage("where")

type whereView struct {
	Base
	Tag      Tag
	Question Question
	Notice   Notice
	Next     Act // when there is nothing to do here any more
	Action   string
	Fields   []Hidden
	Packages *Field // nil if one package was scanned
	Places   Choices
	Do       Act
	None     Panel // no places on the list
	Table    Table
	Links    []Act
}

func (k *kiosk) wherePage(c *gin.Context) error { return k.showWhere(c, nil) }

// formOr reads a value of the form that was sent, or of the address.
func formOr(c *gin.Context, name string) string {
	if c.Request.Method == http.MethodPost {
		return c.PostForm(name)
	}
	return c.Query(name)
}

func (k *kiosk) showWhere(c *gin.Context, refused *say.Refusal) error {
	st, err := k.state(c)
	if err != nil {
		return err
	}
	list, err := k.store.Places(c.Request.Context())
	if err != nil {
		return err
	}
	b := k.page(c, say.T("Where %s stands", st.Number))
	b.Version = st.Version
	base := "/c/" + st.Code
	doubt := formOr(c, "doubt")
	v := &whereView{
		Base: b, Tag: k.stateTag(b, st), Action: base + "/where",
		Question: Question{Text: say.T("Where does it stand?"), Help: say.T("Scan a package, then the place. Or scan the place alone: then all packages stand there.")},
		Places:   Choices{Name: "place", Legend: say.T("Or choose the place by hand")},
		Do:       Act{Label: say.T("It stands there"), Weight: weightBig, Symbol: "to"},
		None: Panel{Kind: panelEmpty, Text: say.T("No place is on the list yet"), Detail: say.T("A supervisor puts bays and stores on it, and prints their cards."),
			Act: Act{Label: say.T("Places"), Href: "/places", Weight: weightBig}},
		Table: placesTaken(st, list),
	}
	one, _ := strconv.Atoi(formOr(c, "p"))
	if one > 0 && st.Present(one) {
		v.Question = Question{Text: say.T("Where does package %03d stand?", one), Help: say.T("Scan the place, or choose it.")}
		v.Fields = append(v.Fields, Hidden{"p", itoa(one)})
		v.Links = append(v.Links, Act{Label: say.T("Not this package alone"), Symbol: "back", Href: base + "/where", Weight: weightQuiet})
	} else {
		v.Packages = &Field{Name: "packages", Label: say.T("Which packages"), Hint: say.T("like 1-20, 35; left empty, all of them"), Value: c.PostForm("packages")}
	}
	chosen := formOr(c, "place")
	if chosen == "" {
		chosen = doubt
	}
	for _, p := range offered(st, list) {
		v.Places.Tiles = append(v.Places.Tiles, Choice{Value: p.ID, Data: p.Name, Label: say.Text{}, Hint: p.Kind.Words(), Chosen: p.ID == chosen})
	}
	if text := isolation(st); st.Standing() == consignment.StandIsolated {
		v.Notice = Notice{Tone: toneRight, Text: text}
		v.Next = Act{Label: say.T("What comes next"), Symbol: "next", Href: base + "/outcome", Weight: weightBig}
		v.Do.Weight = weightPlain
	} else if !text.IsZero() {
		v.Notice = Notice{Tone: toneNote, Text: text}
	}
	if p, ok := list.Place(doubt); ok && refused == nil {
		v.Notice = Notice{Tone: toneNote, Text: say.T("Less than a minute ago it was put in another place."), Detail: say.T("Look where it stands. Is it %s? Scan that place again, or press the button.", p.Name)}
		v.Fields = append(v.Fields, Hidden{"doubt", p.ID})
		v.Next, v.Do.Weight = Act{}, weightBig
	}
	if st.Round() != nil && st.Running() == nil {
		v.Links = append(v.Links, Act{Label: say.T("Print marks"), Symbol: "print", Href: base + "/marks"}, Act{Label: say.T("Back to the outcome"), Symbol: "back", Href: base + "/outcome", Weight: weightQuiet})
	} else {
		v.Links = append(v.Links, Act{Label: say.T("Back to the consignment"), Symbol: "back", Href: base, Weight: weightQuiet})
	}
	status := http.StatusOK
	if refused != nil {
		status = statuses[refused.Code]
		switch {
		case refused.Field == "packages" && v.Packages != nil:
			v.Packages.Error = refused.Text
		case refused.Code == say.Conflict && refused.Field == "place":
			v.Notice = Notice{Tone: toneWrong, Text: refused.Text, Detail: say.T("If it stands there, press the button once more.")}
			v.Fields = append(v.Fields, Hidden{"doubt", chosen})
			v.Next, v.Do.Weight = Act{}, weightBig
		case refused.Field == "place":
			v.Places.Error = refused.Text
		default:
			v.Notice = Notice{Tone: toneWrong, Text: refused.Text}
		}
	}
	return k.render(c, status, wherePage, v)
}

// offered are the places that packages of a consignment can be put in, those it
// should stand in first.
func offered(st *consignment.State, list *places.List) []places.Place {
	kinds := []places.Kind{places.QuarantineBay, places.Bench, places.Gate}
	if st.Standing() == consignment.StandPassed {
		kinds = []places.Kind{places.PassedStore, places.Gate, places.QuarantineBay, places.Bench}
	}
	var ps []places.Place
	for _, kind := range kinds {
		ps = append(ps, list.InUse(kind)...)
	}
	return ps
}

// placesTaken counts the packages by place.
func placesTaken(st *consignment.State, list *places.List) Table {
	t := Table{Caption: say.T("Where the packages were last scanned"), Columns: []Column{
		{Label: say.T("Place")}, {Label: say.T("What it is for")}, {Label: say.T("Packages"), Number: true}, {Label: say.T("Numbers")},
	}, Empty: say.T("There are no packages.")}
	in := map[string][]int{}
	var order []consignment.Place
	for _, n := range st.Numbers() {
		p, _, _ := st.PlaceOf(n)
		if _, seen := in[p.Code]; !seen {
			order = append(order, p)
		}
		in[p.Code] = append(in[p.Code], n)
	}
	for _, p := range order {
		ns := in[p.Code]
		name := Cell{Text: say.T("never scanned to a place")}
		var kind Cell
		if p.Code != "" {
			if now, ok := list.Place(p.Code); ok {
				p.Name = now.Name
			}
			name, kind = Cell{Data: p.Name}, Cell{Text: places.Kind(p.Kind).Words()}
		}
		t.Rows = append(t.Rows, Row{[]Cell{name, kind, {Data: itoa(len(ns)), Number: true}, {Data: record.Numbers(ns)}}})
	}
	return t
}

func (k *kiosk) move(c *gin.Context) error {
	st, err := k.state(c)
	if err != nil {
		return err
	}
	list, err := k.store.Places(c.Request.Context())
	if err != nil {
		return err
	}
	p, ok := list.Place(c.PostForm("place"))
	if c.PostForm("place") != "" && (!ok || p.Retired || p.Kind == places.SampleStore) {
		return k.showWhere(c, say.Refuse(say.Invalid, "Packages cannot be put there: choose a place of the list.").For("place"))
	}
	m := consignment.Move{Sure: ok && c.PostForm("doubt") == p.ID}
	if ok {
		m.Place = placed(p)
	}
	if one := formInt(c, "p"); one > 0 {
		m.Packages = []int{one}
	} else {
		var refused *say.Refusal
		if m.Packages, refused = readNumbers(c.PostForm("packages"), "packages", st.Total()); refused != nil {
			return k.showWhere(c, refused)
		}
		if slices.Equal(m.Packages, st.Numbers()) {
			m.Packages = nil
		}
	}
	done, err := k.do(c, m)
	if r := numberRefusal(err, "packages"); r != nil {
		return k.showWhere(c, r)
	}
	if err != nil {
		return err
	}
	text, to := movedTo(done.State, m)
	tell(c, Flash{Tone: toneRight, Text: text, Detail: isolation(done.State)})
	return k.forward(c, to)
}

// numberRefusal is asRefusal for steps on packages whose numbers were typed: one that
// does not exist is shown at the field, and not as a page that does not exist.
func numberRefusal(err error, field string) *say.Refusal {
	r := asRefusal(err)
	if errors.As(err, &r) && r.Code == say.NotFound {
		return (&say.Refusal{Code: say.Invalid, Text: r.Text}).For(field)
	}
	return asRefusal(err)
}

// cleanPage is the cleaning of a bench on which rejected or stopped goods were open.
var cleanPage = declarePage("clean")

type cleanView struct {
	Base
	Tag      Tag
	Question Question
	Notice   Notice
	None     *Panel // nothing to clean
	Benches  Choices
	Steps    []say.Text
	Action   string
	Fields   []Hidden
	Ways     Choices
	How      Field
	Who      Field
	Do       Act
	Back     Act
}

// cleanSteps are what to do at the bench, in order: common practice of nursery
// hygiene. What is used, and where waste may go, is for the site and local law.
var cleanSteps = []say.Text{
	say.T("Bag plant waste, soil and packing from the bench. Close the bag here, do not shake it."),
	say.T("Sweep bench and floor, edges and corners too. Into the bag with it."),
	say.T("Wipe the bench with sanitiser and let it act as long as its label says."),
	say.T("Wipe tools, hand lens, white tray and torch the same way."),
	say.T("Take off the gloves, wash your hands, put on new gloves."),
	say.T("Look at the area around: goods beside it, floor, shoes, trolley. Clean what needs it."),
}

// cleanWays are the usual ways.
var cleanWays = reasons{
	{"wiped", say.T("Swept, then wiped with sanitiser")},
	{"washed", say.T("Washed with hot water and soap, then dried")},
	{"tools", say.T("Tools, lens and tray wiped, gloves changed")},
	{"waste", say.T("Waste in a closed bag, thrown away")},
	{"kept", say.T("Waste in a closed bag, kept for the supervisor")},
	{"around", say.T("Area around it looked at and cleaned")},
}

func (k *kiosk) cleanPage(c *gin.Context) error { return k.showClean(c, nil) }

func (k *kiosk) showClean(c *gin.Context, refused *say.Refusal) error {
	st, err := k.state(c)
	if err != nil {
		return err
	}
	b := k.page(c, say.T("Clean the bench after %s", st.Number))
	b.Version = st.Version
	base := "/c/" + st.Code
	person, _ := personOf(c)
	v := &cleanView{
		Base: b, Tag: k.stateTag(b, st), Action: base + "/clean", Steps: cleanSteps,
		Ways: Choices{Name: "way", Legend: say.T("How was it done?"), Hint: say.T("Choose all that hold."), Many: true},
		How:  Field{Name: "how", Label: say.T("With what, or anything else"), Hint: say.T("the product used, what was found on the way"), Value: c.PostForm("how")},
		Who:  Field{Name: "who", Label: say.T("Who cleaned it?"), Value: or(c.PostForm("who"), person.Name), Required: true},
		Do:   Act{Label: say.T("The bench is clean"), Weight: weightBig, Symbol: "right"},
		Back: Act{Label: say.T("Not yet"), Symbol: "back", Href: base + "/outcome", Weight: weightQuiet},
	}
	todo := st.BenchesToClean()
	if len(todo) == 0 && refused == nil {
		v.Question = Question{Text: v.Title}
		v.None = &Panel{Kind: panelEmpty, Text: say.T("No bench is to be cleaned after %s", st.Number), Detail: say.T("Either it was done, or no package of it was open on a bench."),
			Act: Act{Label: say.T("Back to the consignment"), Href: base, Weight: weightBig}}
		return k.render(c, http.StatusOK, cleanPage, v)
	}
	chosen := formOr(c, "bench")
	if !slices.ContainsFunc(todo, func(u consignment.Unclean) bool { return u.Bench == chosen }) && len(todo) > 0 {
		chosen = todo[0].Bench
		if slices.ContainsFunc(todo, func(u consignment.Unclean) bool { return u.Bench == b.Bench }) {
			chosen = b.Bench
		}
	}
	names := []string{}
	for _, u := range todo {
		if !slices.Contains(names, u.Bench) {
			names = append(names, u.Bench)
			v.Benches.Tiles = append(v.Benches.Tiles, Choice{Value: u.Bench, Data: u.Bench, Chosen: u.Bench == chosen})
		}
	}
	v.Question = Question{Text: say.T("Clean %s", chosen), Help: say.T("%s was %s there. Until it is clean nothing else is inspected at it.", st.Number, endedThere(todo))}
	if len(names) > 1 {
		v.Question.Text = say.T("Clean %d benches", len(names))
		v.Benches.Name, v.Benches.Legend = "bench", say.T("Which is clean now?")
	} else {
		v.Benches = Choices{}
		v.Fields = []Hidden{{"bench", chosen}}
	}
	if back := localReturn(formOr(c, "back")); back != "" {
		v.Fields = append(v.Fields, Hidden{"back", back})
		v.Back.Href = back
	}
	ticked := c.PostFormArray("way")
	for _, w := range cleanWays {
		v.Ways.Tiles = append(v.Ways.Tiles, Choice{Value: w.value, Label: w.text, Chosen: slices.Contains(ticked, w.value)})
	}
	status := http.StatusOK
	if refused != nil {
		status = statuses[refused.Code]
		switch refused.Field {
		case "reason":
			v.Ways.Error = refused.Text
		case "who":
			v.Who.Error = refused.Text
		default:
			v.Notice = Notice{Tone: toneWrong, Text: refused.Text}
		}
	}
	return k.render(c, status, cleanPage, v)
}

// endedThere is how the goods that were on a bench ended.
func endedThere(todo []consignment.Unclean) say.Text {
	for _, u := range todo {
		if u.Outcome == consignment.Stopped {
			return consignment.StandStopped.Words()
		}
	}
	return consignment.StandRejected.Words()
}

func (k *kiosk) clean(c *gin.Context) error {
	var how []string
	for _, w := range cleanWays {
		if slices.Contains(c.PostFormArray("way"), w.value) {
			how = append(how, w.text.String()) // kept in English, as what people write is not translated either
		}
	}
	if typed := strings.TrimSpace(c.PostForm("how")); typed != "" {
		how = append(how, typed)
	}
	person, _ := personOf(c)
	who := strings.TrimSpace(c.PostForm("who"))
	switch {
	case len(how) == 0: // refused by the core, in its words
	case who == "":
		return k.showClean(c, say.Refuse(say.Invalid, "Say who cleaned the bench.").For("who"))
	case who != person.Name:
		how = append(how, say.T("cleaned by %s", who).String())
	}
	bench := c.PostForm("bench")
	done, err := k.do(c, consignment.CleanBench{Bench: bench, How: strings.Join(how, "; ")})
	if r := asRefusal(err); r != nil {
		return k.showClean(c, r)
	}
	if err != nil {
		return err
	}
	tell(c, Flash{Tone: toneRight, Text: say.T("%s is clean.", bench)})
	if len(done.State.BenchesToClean()) > 0 {
		return k.forward(c, "/c/"+done.State.Code+"/clean")
	}
	return k.forward(c, or(localReturn(c.PostForm("back")), "/c/"+done.State.Code+"/outcome"))
}

// localReturn keeps an address of a consignment's page; anything else is "".
func localReturn(path string) string {
	if p := localPath(path); strings.HasPrefix(p, "/c/") {
		return p
	}
	return ""
}

// uncleanNotice says that the bench must be cleaned, and gives the way there.
func uncleanNotice(u *consignment.Unclean, back string) (Notice, Act) {
	to := "/c/" + u.Consignment + "/clean?" + url.Values{"bench": {u.Bench}, "back": {back}}.Encode()
	return Notice{Tone: toneWrong, Text: u.Words()}, Act{Label: say.T("Clean the bench after %s", u.Number), Symbol: "leaf", Href: to, Weight: weightBig}
}
