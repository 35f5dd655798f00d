package paper

import (
	"lastlook/internal/consignment"
	"lastlook/internal/say"
)

// outcomeWord is the word of an outcome as it stands on marks. The words, shapes and
// fills of the outcomes are the same on screen and on paper.
func outcomeWord(o consignment.Outcome) (say.Text, bool) {
	switch o {
	case consignment.Passed:
		return say.T("PASSED"), true
	case consignment.Rejected:
		return say.T("REJECTED"), true
	case consignment.Held:
		return say.T("HELD"), true
	case consignment.Stopped:
		return say.T("STOPPED"), true
	}
	return say.Text{}, false
}

// pattern fills a rectangle, in black, as the outcome is filled: dots, bricks,
// hatching, or, for a stop, solid. The caller clips. Scale is 1 for the edge of a tag.
func (p *page) pattern(o consignment.Outcome, x, y, w, h, scale float64) {
	p.SetLineWidth(0.35 * scale)
	p.SetFillColor(0, 0, 0)
	p.SetDrawColor(0, 0, 0)
	switch o {
	case consignment.Passed:
		for j := 0.0; j < h; j += 2.4 * scale {
			for i := 0.0; i < w; i += 2.4 * scale {
				p.Circle(x+i+1.2*scale, y+j+1.2*scale, 0.5*scale, "F")
			}
		}
	case consignment.Rejected:
		for j := 0; float64(j)*2.6*scale < h; j++ {
			yy := y + float64(j)*2.6*scale
			p.Line(x, yy, x+w, yy)
			for i := float64(j%2) * 2.2 * scale; i < w+2*scale; i += 4.4 * scale {
				p.Line(x+i, yy, x+i, yy+2.6*scale)
			}
		}
	case consignment.Held:
		for i := -h; i < w; i += 2.2 * scale {
			p.Line(x+i, y+h, x+i+h, y)
		}
	}
}

// strip is the edge of a label, filled as the outcome is. It is drawn in black
// only, because label printers have nothing else.
func (p *page) strip(o consignment.Outcome, x, y, w, h, scale float64) {
	p.ClipRect(x, y, w, h, false)
	if o == consignment.Stopped {
		p.SetFillColor(0, 0, 0)
		p.Rect(x, y, w, h, "F")
	}
	p.pattern(o, x, y, w, h, scale)
	p.ClipEnd()
	p.SetLineWidth(0.25 * scale)
	p.Rect(x, y, w, h, "D")
}

// shape draws the shape of an outcome into a square of the given side: a disc with
// a tick, a brick with a cross, a hatched diamond, an octagon with a bar. The points
// are those of the drawings on screen, on a grid of 24.
func (p *page) shape(o consignment.Outcome, x, y, side float64) {
	g := side / 24
	at := func(gx, gy float64) (float64, float64) { return x + gx*g, y + gy*g }
	line := func(width float64, points ...float64) {
		p.SetLineWidth(width * g)
		for i := 0; i+3 < len(points); i += 2 {
			x1, y1 := at(points[i], points[i+1])
			x2, y2 := at(points[i+2], points[i+3])
			p.Line(x1, y1, x2, y2)
		}
	}
	p.SetDrawColor(0, 0, 0)
	p.SetFillColor(0, 0, 0)
	p.SetLineCapStyle("round")
	switch o {
	case consignment.Passed:
		p.Circle(x+12*g, y+12*g, 11*g, "F")
		p.SetDrawColor(255, 255, 255)
		line(3, 6.5, 12.5, 10.3, 16.3, 17.5, 8.3)
	case consignment.Rejected:
		line(2.6, 2.5, 4.5, 21.5, 4.5, 21.5, 19.5, 2.5, 19.5, 2.5, 4.5)
		line(2.6, 7, 8, 17, 16)
		line(2.6, 17, 8, 7, 16)
	case consignment.Held:
		line(2.5, 12, 1.5, 22.5, 12, 12, 22.5, 1.5, 12, 12, 1.5)
		line(2.2, 6.5, 12, 12, 6.5)
		line(2.2, 8.8, 15.2, 15.2, 8.8)
		line(2.2, 12, 17.5, 17.5, 12)
	case consignment.Stopped:
		p.octagon(x+12*g, y+12*g, 10.5*g)
		p.SetDrawColor(255, 255, 255)
		p.SetLineCapStyle("butt")
		line(4, 7, 12, 17, 12)
	}
	p.SetLineCapStyle("butt")
	p.SetDrawColor(0, 0, 0)
}

// octagon fills an octagon around a point; half is half its width.
func (p *page) octagon(cx, cy, half float64) { p.octagonIn("0 g", cx, cy, half) }

// whiteOctagon is the same on a black ground.
func (p *page) whiteOctagon(cx, cy, half float64) { p.octagonIn("1 g", cx, cy, half) }

func (p *page) octagonIn(ink string, cx, cy, half float64) {
	const corner = 4.4 / 10.5
	k := half * corner
	_, height := p.GetPageSize()
	b := &outline{height: height}
	for _, c := range [][2]float64{{-k, -half}, {k, -half}, {half, -k}, {half, k}, {k, half}, {-k, half}, {-half, k}, {-half, -k}} {
		b.to(cx+c[0], cy+c[1])
	}
	p.RawWriteStr("q " + ink + "\n" + b.String() + "f Q")
}
