package kiosk

import (
	"bytes"
	"net/http"
	"slices"
	"strings"

	"github.com/gin-gonic/gin"

	"lastlook/internal/code"
	"lastlook/internal/paper"
	places "lastlook/internal/place" // place is the page of a scan here
	"lastlook/internal/say"
)

// placesPage lists the places that have a code. A supervisor adds to it there.
var placesPage = declarePage("places")

type placesView struct {
	Base
	Question Question
	Table    Table
	Cards    Act
	Form     *placeForm // nil for those who may only look
	Locked   Notice
	Back     Act
}

// placeForm is the form for a place, new or changed.
type placeForm struct {
	Action string
	Head   say.Text
	Why    say.Text
	Kind   *Choices // nil for a place that is there: its kind never changes
	Name   Field
	Where  Field
	Keep   Act
}

func (k *kiosk) placesRoutes(e *gin.Engine) {
	e.GET("/places", k.as(anybody, k.placesList))
	e.POST("/places", k.as(asSuper, k.addPlace))
	e.GET("/places.pdf", k.as(inOffice, k.placesPDF))
	e.GET("/places/:id", k.as(asSuper, k.placePage))
	e.POST("/places/:id", k.as(asSuper, k.changePlace))
}

func (k *kiosk) placesList(c *gin.Context) error { return k.showPlaces(c, nil) }

// showPlaces shows the list, with what was typed and why it was refused.
func (k *kiosk) showPlaces(c *gin.Context, refused *say.Refusal) error {
	list, err := k.store.Places(c.Request.Context())
	if err != nil {
		return err
	}
	edit := canEdit(c)
	v := &placesView{
		Base:     k.page(c, say.T("Places")),
		Question: Question{Text: say.T("Places"), Help: say.T("Bays, stores, benches and the gate. Each has a code on a card that hangs there, to be scanned.")},
		Table:    placesTable(list, edit),
		Cards:    Act{Label: say.T("Cards to hang up (PDF)"), Hint: say.T("one for each place"), Symbol: "print", Href: "/places.pdf"},
		Locked:   Notice{Tone: toneNote, Text: say.T("Only a supervisor can change the list."), Detail: say.T("Ask one to scan their badge.")},
		Back:     Act{Label: say.T("Back to the office"), Symbol: "back", Href: "/office", Weight: weightQuiet},
	}
	if len(list.InUse()) == 0 {
		v.Cards = Act{}
	}
	status := http.StatusOK
	if edit {
		kinds := kindChoices("")
		v.Form = &placeForm{
			Action: "/places", Head: say.T("Put a place on the list"), Kind: &kinds, Name: placeName(""), Where: placeWhere(""),
			Keep: Act{Label: say.T("Put on the list"), Symbol: "to", Weight: weightBig},
		}
		if refused != nil {
			status = statuses[refused.Code]
			v.Form.refill(c, refused)
		}
	}
	return k.render(c, status, placesPage, v)
}

func placeName(value string) Field {
	return Field{Name: "name", Label: say.T("Name"), Hint: say.T("As everybody calls it. It stands large on the card."), Value: value, Required: true}
}

func placeWhere(value string) Field {
	return Field{Name: "where", Label: say.T("Where it is"), Hint: say.T("For somebody new. May be left empty."), Value: value}
}

func kindChoices(chosen string) Choices {
	ch := Choices{Name: "kind", Legend: say.T("What is it for?"), Hint: say.T("This cannot be changed later.")}
	for _, kind := range places.Kinds {
		ch.Tiles = append(ch.Tiles, Choice{Value: string(kind), Label: kind.Words(), Hint: kind.Rule(), Chosen: string(kind) == chosen})
	}
	return ch
}

// refill puts back what was typed and says what is wrong with it.
func (f *placeForm) refill(c *gin.Context, refused *say.Refusal) {
	f.Name.Value, f.Where.Value = c.PostForm("name"), c.PostForm("where")
	if f.Kind != nil {
		*f.Kind = kindChoices(c.PostForm("kind"))
	}
	switch {
	case refused.Field == "kind" && f.Kind != nil:
		f.Kind.Error = refused.Text
	case refused.Field == "name":
		f.Name.Error, f.Name.Focus = refused.Text, true
	case refused.Field == "where":
		f.Where.Error, f.Where.Focus = refused.Text, true
	default:
		f.Why = refused.Text
	}
}

func placesTable(list *places.List, edit bool) Table {
	t := Table{Caption: say.T("On the list"), Columns: []Column{
		{Label: say.T("Name")}, {Label: say.T("What it is for")}, {Label: say.T("Where it is")}, {Label: say.T("Code")}, {Label: say.T("To print")},
	}, Empty: say.T("No place is on the list yet.")}
	gone := func(p places.Place) int {
		if p.Retired {
			return 1
		}
		return 0
	}
	all := slices.Clone(list.Places)
	slices.SortStableFunc(all, func(a, b places.Place) int { return gone(a) - gone(b) })
	for _, p := range all {
		name := Cell{Data: p.Name}
		if p.Retired {
			t.Rows = append(t.Rows, Row{[]Cell{name, {Text: p.Kind.Words()}, {Text: say.T("given up")}, {Text: say.T("no longer valid")}, {Data: "–"}}})
			continue
		}
		if edit {
			name.Href = "/places/" + p.ID
		}
		t.Rows = append(t.Rows, Row{[]Cell{name, {Text: p.Kind.Words()}, {Data: orDash(p.Where)}, {Data: unbroken(placeCode(p).Human())},
			{Text: say.T("card"), Href: "/places.pdf?place=" + p.ID}}})
	}
	return t
}

// placeCode is the identifier on a place's card.
func placeCode(p places.Place) code.Code { return code.Code{Kind: code.KindLocation, Payload: p.ID} }

func (k *kiosk) addPlace(c *gin.Context) error {
	after, err := k.store.DoPlaces(c.Request.Context(), actorOf(c), benchOf(c), c.PostForm("key"),
		places.Make{Kind: places.Kind(c.PostForm("kind")), Name: c.PostForm("name"), Where: c.PostForm("where")})
	if refused := asRefusal(err); refused != nil {
		return k.showPlaces(c, refused)
	}
	if err != nil {
		return err
	}
	name := strings.Join(strings.Fields(c.PostForm("name")), " ")
	for _, p := range after.InUse() {
		if strings.EqualFold(p.Name, name) {
			tell(c, Flash{Tone: toneRight, Text: say.T("%s is on the list.", p.Name), Detail: say.T("Print its card and hang it up, and it can be scanned.")})
		}
	}
	return k.forward(c, "/places")
}

// placePage changes one place, or gives it up.
var placePage = declarePage("place")

type placeView struct {
	Base
	Heading Question
	Form    placeForm
	Left    Notice
	Leave   Act
	Card    Act
	Back    Act
}

// onPlaces finds the place named in the path among those in use.
func (k *kiosk) onPlaces(c *gin.Context, id string) (places.Place, error) {
	list, err := k.store.Places(c.Request.Context())
	if err != nil {
		return places.Place{}, err
	}
	p, ok := list.Place(id)
	if !ok || p.Retired {
		return p, say.Refuse(say.NotFound, "There is no place with that code on the list.")
	}
	return p, nil
}

func (k *kiosk) placePage(c *gin.Context) error { return k.showPlace(c, nil) }

func (k *kiosk) showPlace(c *gin.Context, refused *say.Refusal) error {
	p, err := k.onPlaces(c, c.Param("id"))
	if err != nil {
		return err
	}
	path := "/places/" + p.ID
	v := &placeView{
		Base:    k.page(c, say.T("Change %s", p.Name)),
		Heading: Question{Text: say.T("Change a place"), Help: say.T("%s. Records keep the name they were made under.", p.Kind.Words())},
		Form: placeForm{
			Action: path, Name: placeName(p.Name), Where: placeWhere(p.Where),
			Keep: Act{Label: say.T("Keep the change"), Hint: say.T("then hang up a new card"), Symbol: "right", Weight: weightBig, Name: "do", Value: "change"},
		},
		Leave: Act{Label: say.T("Give the place up"), Hint: say.T("its card is then worth nothing; the name stays on old records"), Name: "do", Value: "retire"},
		Card:  Act{Label: say.T("Card to hang up (PDF)"), Symbol: "print", Href: "/places.pdf?place=" + p.ID},
		Back:  Act{Label: say.T("Back to the list"), Symbol: "back", Href: "/places", Weight: weightQuiet},
	}
	status := http.StatusOK
	if refused != nil {
		status = statuses[refused.Code]
		if c.PostForm("do") == "retire" {
			v.Left = Notice{Tone: toneWrong, Text: refused.Text}
		} else {
			v.Form.refill(c, refused)
		}
	}
	return k.render(c, status, placePage, v)
}

func (k *kiosk) changePlace(c *gin.Context) error {
	// The same form twice finds the place given up: the store tells it by its key.
	id := c.Param("id")
	list, err := k.store.Places(c.Request.Context())
	if err != nil {
		return err
	}
	p, ok := list.Place(id)
	if !ok {
		return say.Refuse(say.NotFound, "There is no place with that code on the list.")
	}
	var cmd places.Command
	var done Flash
	switch c.PostForm("do") {
	case "retire":
		cmd = places.Retire{ID: id}
		done = Flash{Tone: toneRight, Text: say.T("%s is given up.", p.Name), Detail: say.T("Take its card down.")}
	case "change", "":
		cmd = places.Change{ID: id, Name: c.PostForm("name"), Where: c.PostForm("where")}
		done = Flash{Tone: toneRight, Text: say.T("The change is kept."), Detail: say.T("Print the card again and hang it up.")}
	default:
		return say.Refuse(say.Invalid, "The list does not know this step.")
	}
	_, err = k.store.DoPlaces(c.Request.Context(), actorOf(c), benchOf(c), c.PostForm("key"), cmd)
	if refused := asRefusal(err); refused != nil && !p.Retired {
		return k.showPlace(c, refused)
	}
	if err != nil {
		return err
	}
	tell(c, done)
	return k.forward(c, "/places")
}

// placesPDF gives the cards of all places in use, or of the one asked for.
func (k *kiosk) placesPDF(c *gin.Context) error {
	var ps []places.Place
	name := "places"
	if id := c.Query("place"); id != "" {
		p, err := k.onPlaces(c, id)
		if err != nil {
			return err
		}
		ps, name = []places.Place{p}, "place-"+p.ID
	} else {
		list, err := k.store.Places(c.Request.Context())
		if err != nil {
			return err
		}
		ps = list.InUse()
	}
	sheet := paper.CardSheets()[0]
	for _, s := range paper.CardSheets() {
		if strings.HasPrefix(k.paper, s.Name) {
			sheet = s
		}
	}
	b := k.page(c, say.T("Cards of places"))
	var cards []paper.PlaceCard
	for _, p := range ps {
		cards = append(cards, paper.PlaceCard{
			Code: placeCode(p), Name: p.Name, Kind: b.Say(p.Kind.Words()), Where: p.Where, Rule: b.Say(p.Kind.Rule()),
			Closed: p.Kind == places.QuarantineBay,
		})
	}
	var pdf bytes.Buffer
	if err := paper.PlaceCards(&pdf, sheet, cards, paper.LabelOptions{Say: b.T, Invented: k.Demo, Created: k.Now(), Title: b.Say(b.Title)}); err != nil {
		return err
	}
	c.Header("Content-Disposition", `inline; filename="`+name+`.pdf"`)
	c.Data(http.StatusOK, "application/pdf", pdf.Bytes())
	return nil
}
