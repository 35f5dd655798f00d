package kiosk

import (
	"html/template"
	"time"

	"github.com/gin-gonic/gin"

	"lastlook/internal/ladder"
	"lastlook/internal/say"
)

// designPage shows all parts as living components with sample data, in demo
// mode only. Look at it in both themes before and after changing a part.
var designPage = declarePage("design")

type designView struct {
	Base
	Tags     []Tag
	Head     Tag
	Stamped  []Tag
	Question Question
	Ladder   Ladder
	Unlit    Ladder
	Big      Act
	Acts     []Act
	Dots     Dots
	Fetch    []FetchTile
	Notices  []Notice
	Fields   []Field
	Choices  Choices
	Many     Choices
	Checks   []Check
	Plant    Plant
	Steps    Steps
	Panels   []Panel
	Facts    []Fact
	Table    Table
	NoRows   Table
	Barcode  Barcode
	Undo     Undo
	NoUndo   Undo
}

// design answers GET /design. ?show=right|wrong|note shows that answer over the
// page, ?ground=stop turns the screen over.
func (s *screens) design(c *gin.Context) error {
	b := s.page(c, say.T("Design"))
	b.Person = "Tam Orrin"
	switch tone(c.Query("show")) {
	case toneRight:
		b.Flash = Flash{toneRight, say.T("Package %s: put it on the bench.", "063"), say.T("2 of 5 fetched")}
	case toneWrong:
		b.Flash = Flash{toneWrong, say.T("Not in the draw: put %s back.", "064"), say.T("Fetch %s instead.", "063")}
	case toneNote:
		b.Flash = Flash{toneNote, say.T("Package %s is here already.", "063"), say.T("Nothing was changed.")}
	}
	if c.Query("ground") == "stop" {
		b.Ground = "stop"
	}
	return s.render(c, 200, designPage, sample(b))
}

// sample fills the page. The data is invented.
func sample(b Base) *designView {
	at := func(d time.Duration) time.Time { return b.Now.Add(d) }
	tags := []Tag{
		{Number: "K-2041", Customer: "Harl & Daughter Gardens", Destination: "Eastmoor", Packages: say.T("%d packages", 240),
			By: b.StartBy(at(110 * time.Minute)), Mark: Mark{State: stateDue}, Href: "#k-2041"},
		{Number: "K-2036", Customer: "Two Wells Nursery", Destination: "Eastmoor", Packages: say.T("%d packages", 36),
			By: b.StartBy(at(25 * time.Minute)), Mark: Mark{stateWork, say.T("%d of %d examined", 1, 3)}, Href: "#k-2036",
			Note: say.T("%d of %d fetched", 3, 3)},
		{Number: "K-2029", Customer: "Tolver Parks", Destination: "Northreach", Packages: say.T("%d packages", 12),
			By: say.T("sample %s at the laboratory for %s", "S-77", say.T("%d d", 2)), Mark: Mark{State: stateHeld}, Href: "#k-2029"},
		{Number: "K-2027", Customer: "Island Green", Destination: "Marrow Island", Packages: say.T("%d packages", 2),
			By: b.LeaveBy(at(-25 * time.Minute)), Mark: Mark{State: stateLate}, Href: "#k-2027"},
		{Number: "K-2024", Customer: "Salt Lane Market", Destination: "Saltwick", Packages: say.T("%d packages", 80),
			By: say.T("supervisor told at %s", b.Clock(at(-9*time.Minute))), Mark: Mark{State: stateStopped}, Href: "#k-2024"},
	}
	stamped := []Tag{
		{Number: "K-2020", Customer: "Two Wells Nursery", Destination: "Eastmoor", Packages: say.T("%d packages", 60),
			By: b.LeaveBy(at(71 * time.Hour)), Mark: Mark{State: statePassed},
			Stamp: &Stamp{statePassed, b.Clock(at(-time.Hour)), say.T("until %s", b.Clock(at(71*time.Hour)))}},
		{Number: "K-2019", Customer: "Tolver Parks", Destination: "Northreach", Packages: say.T("%d packages", 18),
			By: say.T("soil on %d packages", 2), Mark: Mark{State: stateRejected},
			Stamp: &Stamp{stateRejected, b.Clock(at(-2 * time.Hour)), say.Text{}}},
	}
	head := tags[1]
	head.Small, head.Href, head.Note = true, "", say.Text{}
	return &designView{
		Base:    b,
		Tags:    tags,
		Head:    head,
		Stamped: stamped,
		Question: Question{say.T("Is this unit clean?"),
			say.T("Look at stems, both sides of the leaves, flowers and the growing medium.")},
		Ladder: newLadder("/design", b.Once(), ladder.Reject, say.T("Soil on the container: the consignment does not go.")),
		Unlit:  newLadder("/design", b.Once(), 0, say.Text{}),
		Big:    Act{Label: say.T("Clean"), Hint: say.T("unit %d of %d, one tap", 7, 12), Key: "c", Symbol: "leaf", Weight: weightBig},
		Acts: []Act{
			{Label: say.T("Find"), Hint: say.T("something is there"), Key: "f", Symbol: "look"},
			{Label: say.T("Look it up"), Key: "l", Symbol: "book", Href: "#lookup"},
			{Label: say.T("Print the list"), Symbol: "print", Weight: weightQuiet},
			{Label: say.T("Carry on"), Off: true},
		},
		Dots: newDots(say.T("unit %d of %d", 7, 12), 6, 12, 3),
		Fetch: []FetchTile{
			{"017", "Lavandula", "bay A 3", fetchHere, say.T("here")},
			{"063", "Lavandula", "bay A 7", fetchWanted, say.T("fetch")},
			{"104", "Salvia", "bay B 2", fetchReplaced, say.T("replaced by %s", "199")},
			{"171", "Salvia", "bay B 9", fetchWanted, say.T("fetch")},
			{"238", "Rosmarinus", "bay C 1", fetchWanted, say.T("fetch")},
		},
		Notices: []Notice{
			{toneNote, say.T("If all %d are clean, an infestation of %d %% of packages or more would have been seen.", 5, 45), say.T("19 times in 20. A smaller one may be missed.")},
			{toneRight, say.T("The list is sealed: %d packages.", 240), say.Text{}},
			{toneWrong, say.T("Package %s is on the list twice.", "063"), say.T("Take one of them off, then seal again.")},
		},
		Fields: []Field{
			{Name: "units", Label: say.T("How many units have it?"), Hint: say.T("of %d in this package", 12), Value: "3", Mode: "numeric", Unit: say.T("units")},
			{Name: "customer", Label: say.T("Customer"), Value: "K", Error: say.T("A customer has a name of two letters or more. Write it out."), Required: true},
			{Name: "reason", Label: say.T("Why?"), Type: "area", Hint: say.T("It stays on the record.")},
			{Name: "destination", Label: say.T("Destination"), Type: "select", Options: []Option{{"eastmoor", say.T("%s", "Eastmoor"), false}, {"saltwick", say.T("%s", "Saltwick"), true}}},
			{Name: "photo", Label: say.T("Photo of the sign"), Type: "photo"},
		},
		Choices: Choices{Name: "moving", Legend: say.T("Does it move?"), Tiles: []Choice{
			{Value: "yes", Label: say.T("It moves"), Hint: say.T("alive"), Symbol: "right", Key: "m", Chosen: true},
			{Value: "no", Label: say.T("It does not move"), Hint: say.T("also when breathed on"), Symbol: "wrong"},
			{Value: "unknown", Label: say.T("I don't know"), Hint: say.T("never means harmless"), Symbol: "unknown"},
		}},
		Many: Choices{Name: "seen", Legend: say.T("What is there besides?"), Many: true, Error: say.T("Choose at least one."), Tiles: []Choice{
			{Value: "webbing", Label: say.T("webbing")}, {Value: "honeydew", Label: say.T("honeydew")}, {Value: "frass", Label: say.T("frass")},
		}},
		Checks: []Check{
			{Name: "clear", Question: say.T("The bench is clear and wiped."), Value: "yes"},
			{Name: "light", Question: say.T("The light is on and bright enough to read small print."), Hint: say.T("hold this screen's label at arm's length")},
			{Name: "apart", Question: say.T("Uninspected goods stand at least 1 m away."), Error: say.T("Answer yes or no."), Value: ""},
		},
		Plant: Plant{Name: "where", Legend: say.T("Where is the sign? Touch the plant."), Chosen: "leaf_lower"},
		Steps: Steps{Action: "/design", Fields: b.Once(), Steps: []Step{
			{Text: say.T("Put the package down where it is."), Done: true, At: b.Clock(at(-4 * time.Minute))},
			{Text: say.T("Keep everyone away from the bench."), Value: "away"},
			{Text: say.T("Wash hands, change gloves, clean tools."), Detail: say.T("Used gloves stay in the bag at the bench."), Value: "wash"},
			{Text: say.T("Wait. The supervisor has been told."), Value: "wait"},
		}},
		Panels: []Panel{
			{Kind: panelEmpty, Text: say.T("Nothing is due"), Detail: say.T("Scan a consignment, or bring in an order."), Act: Act{Label: say.T("Bring in an order"), Href: "#order"}},
			{Kind: panelLoading, Text: say.T("Working it out"), Detail: say.T("This takes a moment. Nothing is lost if you leave.")},
			{Kind: panelWrong, Text: say.T("That cannot be right"), Detail: say.T("There is no package 900 in this consignment. Scan its label again.")},
			{Kind: panelLocked, Text: say.T("Locked"), Detail: say.T("Only a supervisor can change the rules. Ask them to scan their badge.")},
			{Kind: panelOffline, Text: say.T("The bench cannot be reached"), Detail: say.T("What you scan is kept here and sent when it is back.")},
		},
		Facts: []Fact{
			{Label: say.T("Sealed by"), Data: "Wilo Pasch", Text: say.T("at %s", b.Clock(at(-time.Hour)))},
			{Label: say.T("Rule set"), Data: "7"},
			{Label: say.T("Sample"), Text: say.T("%d of %d packages", 5, 240)},
		},
		Table: Table{Caption: say.T("Rounds of this week"), Columns: []Column{
			{Label: say.T("Consignment"), Href: "?sort=number", Sorted: "ascending"}, {Label: say.T("Destination"), Href: "?sort=destination"},
			{Label: say.T("Packages"), Number: true, Href: "?sort=packages"}, {Label: say.T("Outcome")},
		}, Rows: []Row{
			{[]Cell{{Data: "K-2019", Href: "#k-2019"}, {Data: "Northreach"}, {Data: "18", Number: true}, {Mark: &Mark{State: stateRejected}}}},
			{[]Cell{{Data: "K-2020", Href: "#k-2020"}, {Data: "Eastmoor"}, {Data: "60", Number: true}, {Mark: &Mark{State: statePassed}}}},
			{[]Cell{{Data: "K-2024", Href: "#k-2024"}, {Data: "Saltwick"}, {Data: "80", Number: true}, {Mark: &Mark{State: stateStopped}}}},
		}},
		NoRows:  Table{Caption: say.T("Open samples"), Columns: []Column{{Label: say.T("Sample")}, {Label: say.T("Since")}}, Empty: say.T("No sample is open.")},
		Barcode: Barcode{SVG: sampleBars, Text: "L K-2041 063", Caption: say.T("label of package %s", "063")},
		Undo:    Undo{Text: say.T("unit %d: clean", 6), Action: "/design", Fields: b.Once()},
		NoUndo:  Undo{Action: "/design"},
	}
}

// sampleBars only looks like a code: real ones come from the symbol package.
const sampleBars template.HTML = `<svg viewBox="0 0 60 20" preserveAspectRatio="none"><path d="M0 0h2v20H0zM3 0h1v20H3zM6 0h1v20H6zM11 0h2v20h-2zM14 0h1v20h-1zM18 0h3v20h-3zM22 0h1v20h-1zM25 0h2v20h-2zM29 0h1v20h-1zM33 0h3v20h-3zM37 0h1v20h-1zM41 0h2v20h-2zM44 0h3v20h-3zM49 0h1v20h-1zM51 0h3v20h-3zM56 0h1v20h-1zM58 0h2v20h-2z"/></svg>`
