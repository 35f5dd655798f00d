package kiosk

import (
	"html/template"
	"net/http"

	"github.com/gin-gonic/gin"

	"lastlook/internal/code"
	"lastlook/internal/say"
	"lastlook/internal/symbol"
)

// cardsPage shows the cards that are scanned instead of pressed, to be printed and
// kept at the bench.
var cardsPage = declarePage("cards")

type cardsView struct {
	Base
	Question Question
	Cards    []actionCard
}

type actionCard struct {
	Word say.Text
	Hint say.Text
	Bars Barcode
	QR   template.HTML
}

var cardWords = map[code.Action][2]say.Text{
	code.Clean: {say.T("Clean"), say.T("this unit, or the empty package, is clean")},
	code.Find:  {say.T("Find"), say.T("something is there")},
	code.Rest:  {say.T("Rest"), say.T("count the rest as clean")},
	code.Next:  {say.T("Next"), say.T("open the package, go on")},
	code.Done:  {say.T("Done"), say.T("everything is back and the package closed")},
	code.Undo:  {say.T("Undo"), say.T("take the last step back")},
	code.Look:  {say.T("Look closer"), say.T("the closer-look checklist")},
}

func (k *kiosk) cards(c *gin.Context) error {
	v := &cardsView{
		Base:     k.page(c, say.T("Cards to scan")),
		Question: Question{Text: say.T("Cards to scan"), Help: say.T("Print these and keep them at the bench: a scan does what the button does.")},
	}
	for _, a := range code.Actions() {
		card := code.Card(a)
		bars, qr, err := drawCode(card)
		if err != nil {
			return err
		}
		v.Cards = append(v.Cards, actionCard{Word: cardWords[a][0], Hint: cardWords[a][1],
			Bars: Barcode{SVG: bars, Text: card.Human(), Caption: cardWords[a][0]}, QR: qr})
	}
	return k.render(c, http.StatusOK, cardsPage, v)
}

// barHeight is how high bars are drawn on screen, in modules.
const barHeight = 24

// drawCode draws an identifier as Code 128 and as QR.
func drawCode(c code.Code) (bars, qr template.HTML, err error) {
	b, err := symbol.Code128(c.String())
	if err != nil {
		return "", "", err
	}
	q, err := symbol.QR(c.String(), symbol.Medium)
	if err != nil {
		return "", "", err
	}
	return template.HTML(b.SVG(c.Human(), barHeight)), template.HTML(q.SVG(c.Human(), 1)), nil // drawn by us from modules; the title is escaped there
}
