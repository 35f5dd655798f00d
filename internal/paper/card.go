package paper

import (
	"io"

	"lastlook/internal/code"
	"lastlook/internal/say"
	"lastlook/internal/symbol"
)

// PlaceCard is what hangs at a place, to be read and scanned from a few steps away.
// Empty texts are left out.
type PlaceCard struct {
	Code   code.Code // of the place
	Name   string
	Kind   string // what the place is for
	Where  string // how to get there
	Rule   string // what holds there
	Closed bool   // nothing may be taken out: the head of the card is solid
}

// cardPapers are the sheets that cards are printed on, two on each.
var cardPapers = []Sheet{
	{"a4", say.T("A4 sheet, %d cards to cut apart", 2), 210, 297, 1, 2, 8, 11, 8},
	{"letter", say.T("US Letter sheet, %d cards to cut apart", 2), 215.9, 279.4, 1, 2, 9, 9, 6},
}

// CardSheets gives the formats for cards of places.
func CardSheets() []Sheet { return append([]Sheet(nil), cardPapers...) }

// PlaceCards writes cards of places as a PDF, in the order given. It refuses, with
// a say.Refusal, what Labels refuses, and a card without the code of a place.
func PlaceCards(w io.Writer, sheet Sheet, cards []PlaceCard, opts LabelOptions) error {
	if len(cards) == 0 {
		return say.Refuse(say.Invalid, "There are no places yet, so there are no cards to print. Put a place on the list first.")
	}
	faces := make([]cardFace, len(cards))
	return onSheets(w, sheet, len(cards), opts,
		func(i int) (err error) { faces[i], err = newCardFace(cards[i]); return err },
		func(p *page, i int, b box) { faces[i].draw(p, b, opts) })
}

// cardFace is a card with its barcodes made.
type cardFace struct {
	PlaceCard
	bars, square symbol.Symbol
}

func newCardFace(c PlaceCard) (cardFace, error) {
	f := cardFace{PlaceCard: c}
	if c.Code.Kind != code.KindLocation || c.Code.Payload == "" {
		return f, say.Refuse(say.Invalid, "The place has no code that can be printed.")
	}
	var err error
	if f.bars, err = symbol.Code128(c.Code.String()); err != nil {
		return f, err
	}
	f.square, err = symbol.QR(c.Code.String(), symbol.High) // a card hangs for years, and gets wet
	return f, err
}

func (f cardFace) draw(p *page, b box, opts LabelOptions) {
	const frame, corner, pad, head, square, barsH, footY, foot = 1.2, 6, 8, 20, 62, 16, 5, 16
	p.ClipRoundedRect(b.x+frame, b.y+frame, b.w-2*frame, b.h-2*frame, corner, false)
	p.SetLineWidth(1)
	if f.Closed {
		p.SetFillColor(0, 0, 0)
		p.Rect(b.x, b.y, b.w, frame+head, "F")
		p.SetTextColor(255, 255, 255)
	} else {
		p.Line(b.x, b.y+frame+head, b.x+b.w, b.y+frame+head)
	}
	p.shrunk(b.x+pad, b.y+frame+head-6.4, b.w-2*pad, bold, 30, f.Kind)
	p.SetTextColor(0, 0, 0)
	p.ClipEnd()
	p.SetLineWidth(0.6)
	p.RoundedRect(b.x+frame, b.y+frame, b.w-2*frame, b.h-2*frame, corner, "1234", "D")

	m := module(f.square, square)
	w, _ := f.square.Size(m, 0)
	top := frame + head + 2
	p.barcode(f.square, b.x+b.w-frame-pad/2-w, b.y+top, m, 0)

	end := b.w - frame - pad/2 - w
	y := top + 2.0
	for _, t := range []struct {
		style  string
		points float64
		text   string
		lines  int
	}{{bold, 46, f.Name, 2}, {regular, 17, f.Where, 3}, {bold, 17, f.Rule, 4}} {
		lines := p.broken(t.style, t.points, end-pad, t.text, t.lines)
		for _, l := range lines {
			p.font(t.style, t.points)
			p.Text(b.x+pad, b.y+y+t.points/pointsPerMM, l)
			y += lineHeight(t.points)
		}
		if len(lines) > 0 {
			y += 2.4
		}
	}
	barsY := b.h - footY - foot/pointsPerMM - barsH - 0.6
	bm := min(module(f.bars, b.w-2*frame), 0.762)
	bw, _ := f.bars.Size(bm, barsH)
	p.barcode(f.bars, b.x+(b.w-bw)/2, b.y+barsY, bm, barsH)
	p.foot(b, pad, footY, foot, f.Code.Human(), opts)
}

// broken breaks text into at most n lines no wider than width; the last is cut where
// that is not enough.
func (p *page) broken(style string, points, width float64, text string, n int) []string {
	lines := p.wrap(style, points, width, text)
	if len(lines) > n {
		rest := lines[n-1]
		for _, l := range lines[n:] {
			rest += " " + l
		}
		lines = append(lines[:n-1], p.fit(rest, width))
	}
	return lines
}
