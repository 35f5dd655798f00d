package kiosk

import (
	"net/http"

	"github.com/gin-gonic/gin"

	"lastlook/internal/order"
	"lastlook/internal/people"
	"lastlook/internal/say"
)

// maxOrders is the largest upload of orders, in bytes: the largest order file
// and the form around it.
const maxOrders = order.MaxBytes + 1<<20

// officeRoutes lists the routes of the office: people, orders, labels.
func (k *kiosk) officeRoutes(e *gin.Engine) {
	e.GET("/office", k.as(anybody, k.office))
	k.keysRoutes(e)
	k.placesRoutes(e)
	k.learnRoutes(e)
	k.rulesRoutes(e)

	e.GET("/people", k.as(anybody, k.peopleList))
	e.POST("/people", k.as(asSuper, k.addPerson))
	e.GET("/people/:id", k.as(asSuper, k.personPage))
	e.POST("/people/:id", k.as(asSuper, k.changePerson))
	e.GET("/people/:id/badge", k.as(inOffice, k.badge))
	e.GET("/badges", k.as(inOffice, k.badges))

	e.GET("/orders/new", k.as(inOffice, k.newOrder))
	e.POST("/orders/new", k.as(inOffice, k.typeOrder))
	e.GET("/orders/upload", k.as(inOffice, k.uploadPage))
	e.POST("/orders/upload", largerBody(maxOrders), k.as(inOffice, k.upload))
	e.GET("/orders/upload/:job", k.as(inOffice, k.uploadResult))
	e.GET("/orders/upload/:job/fix.csv", k.as(inOffice, k.uploadFix))

	e.GET("/c/:code/labels", k.as(atBench, k.labelsPage))
	e.POST("/c/:code/labels", k.as(atBench, k.printLabels))
	e.GET("/c/:code/labels.pdf", k.as(atBench, k.labelsPDF))
	e.GET("/c/:code/labels/:pkg", k.as(anybody, k.oneLabel))
}

// officePage is the way to what is done at a desk.
var officePage = declarePage("office")

type officeView struct {
	Base
	Question Question
	Notices  []Notice
	Acts     []Act
}

func (k *kiosk) office(c *gin.Context) error {
	return k.render(c, http.StatusOK, officePage, &officeView{
		Base:     k.page(c, say.T("Office")),
		Question: Question{Text: say.T("Office"), Help: say.T("What is done at a desk, before and after the bench.")},
		Notices:  k.keeping(),
		Acts: []Act{
			{Label: say.T("Bring in orders"), Hint: say.T("an order file, with many consignments"), Symbol: "book", Href: "/orders/upload"},
			{Label: say.T("Type a consignment in"), Hint: say.T("one, with its crop lines"), Symbol: "keys", Href: "/orders/new"},
			{Label: say.T("People"), Hint: say.T("who may work at the bench"), Symbol: "person", Href: "/people"},
			{Label: say.T("Notices"), Hint: say.T("who was told of a stop, and who has answered"), Symbol: "person", Href: "/notices"},
			{Label: say.T("Places"), Hint: say.T("bays, stores, benches, the gate; their cards"), Symbol: "to", Href: "/places"},
			{Label: say.T("Rules"), Hint: say.T("how many packages, what is checked, how long it holds"), Symbol: "look", Href: "/rules"},
			{Label: say.T("Badges to print"), Hint: say.T("one for each person"), Symbol: "print", Href: "/badges"},
			{Label: say.T("Samples"), Hint: say.T("those that wait for a result, oldest first"), Symbol: "vial", Href: "/samples"},
			{Label: say.T("What our history says"), Hint: say.T("how often what is found, and whether it changes"), Symbol: "look", Href: "/learn"},
			{Label: say.T("Practice"), Hint: say.T("prepared cases, to learn what a sign means"), Symbol: "look", Href: "/practice"},
			{Label: say.T("Upkeep of the reference"), Hint: say.T("entries, own words, packs, destination lists"), Symbol: "book", Href: "/upkeep"},
			{Label: say.T("The site's keys"), Hint: say.T("public keys to hand out; change of keys"), Symbol: "keys", Href: "/keys"},
			{Label: say.T("Cards to print"), Hint: say.T("to scan instead of pressing"), Symbol: "scan", Href: "/cards"},
			{Label: say.T("What is due"), Hint: say.T("labels are printed from there"), Symbol: "leaf", Href: "/"},
			{Label: say.T("Gate"), Hint: say.T("load what passed; papers for the driver"), Symbol: "state-gone", Href: "/gate"},
			{Label: say.T("Board for the wall"), Hint: say.T("where everything stands, kept up to date"), Symbol: "state-due", Href: "/board"},
		},
	})
}

// canEdit reports whether the person at the bench may change the list of people.
func canEdit(c *gin.Context) bool {
	p, ok := personOf(c)
	return ok && p.Has(people.Supervisor)
}
