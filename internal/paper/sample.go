package paper

import (
	"io"

	"lastlook/internal/code"
	"lastlook/internal/say"
	"lastlook/internal/symbol"
)

// SampleLabel is what stands on the vial or bag of a sample. Empty texts are left
// out.
type SampleLabel struct {
	Code        code.Code // of the sample
	Consignment string    // number that people know the consignment by
	Package     int
	Unit        int    // in the package; 0 if it is of no one unit
	Part        string // of the plant
	Taken       string // what was taken
	Kept        string // how it is kept
	By          string // who took it
	At          string // when, as people of the site read it
}

// SampleSheets gives the formats for labels of samples: for vials and for bags.
func SampleSheets() []Sheet {
	return []Sheet{
		{"vial", say.T("single label for a vial, %d × %d mm", 50, 25), 50, 25, 1, 1, 0, 0, 0},
		{"bag", say.T("single label for a bag, %d × %d mm", 100, 60), 100, 60, 1, 1, 0, 0, 0},
		{"a4-vial", say.T("A4 sheet, %d labels for vials", 27), 210, 297, 3, 9, 8, 11, 4},
		{"a4-bag", say.T("A4 sheet, %d labels for bags", 8), 210, 297, 2, 4, 8, 11, 6},
		{"letter-vial", say.T("US Letter sheet, %d labels for vials", 24), 215.9, 279.4, 3, 8, 9, 9, 4},
		{"letter-bag", say.T("US Letter sheet, %d labels for bags", 8), 215.9, 279.4, 2, 4, 9, 9, 4},
	}
}

// Samples writes labels of samples as a PDF, in the order given. It refuses, with a
// say.Refusal, what Labels refuses, and a label without the code of a sample.
func Samples(w io.Writer, sheet Sheet, labels []SampleLabel, opts LabelOptions) error {
	faces := make([]sampleFace, len(labels))
	return onSheets(w, sheet, len(labels), opts,
		func(i int) (err error) { faces[i], err = newSampleFace(labels[i]); return err },
		func(p *page, i int, b box) { faces[i].draw(p, b, opts) })
}

// sampleFace is a label of a sample with its barcodes made.
type sampleFace struct {
	SampleLabel
	bars, square symbol.Symbol
}

func newSampleFace(l SampleLabel) (sampleFace, error) {
	f := sampleFace{SampleLabel: l}
	if l.Code.Kind != code.KindSample || l.Code.Payload == "" {
		return f, say.Refuse(say.Invalid, "The sample has no code that can be printed. Take the sample first, then print its label.")
	}
	var err error
	if f.bars, err = symbol.Code128(l.Code.String()); err != nil {
		return f, err
	}
	f.square, err = symbol.QR(l.Code.String(), symbol.Quartile)
	return f, err
}

func (f sampleFace) draw(p *page, b box, opts LabelOptions) {
	if b.h < 40 {
		f.vial(p, b, opts)
		return
	}
	f.bag(p, b, opts)
}

// where says from where the sample is, and which part.
func (f sampleFace) where(sentence Say) string {
	switch {
	case f.Package > 0 && f.Unit > 0:
		return sentence.or("package %d, unit %d", f.Package, f.Unit)
	case f.Package > 0:
		return sentence.or("package %d", f.Package)
	}
	return ""
}

// vial is a label that goes round a vial: the square symbol alone, as bars that run
// round a thin glass cannot be scanned.
func (f sampleFace) vial(p *page, b box, opts LabelOptions) {
	const frame, square, band = 0.4, 14.8, 3.6
	p.SetLineWidth(0.2)
	p.RoundedRect(b.x+frame, b.y+frame, b.w-2*frame, b.h-2*frame, 1.2, "1234", "D")
	m := module(f.square, square)
	w, h := f.square.Size(m, 0)
	p.barcode(f.square, b.x+frame, b.y+frame, m, 0)
	p.centre(b.x+frame+w/2, b.y+frame+h+2.6, w-1.6, bold, 8.4, f.Code.Human())
	if opts.Invented {
		p.centre(b.x+frame+w/2, b.y+frame+h+5.4, w-1.6, bold, 5.6, opts.Say.or("INVENTED DATA"))
	}
	x, right := b.x+frame+w+0.6, b.x+b.w-frame-1
	p.shrunk(x, b.y+4.2, right-x, bold, 10, f.Consignment)
	y := b.y + 7.4
	for _, r := range []row{
		{value: f.where(opts.Say), style: bold},
		{value: f.Taken, second: f.Part, style: regular},
		{value: f.Kept, style: regular},
		{value: f.By, second: f.At, style: regular},
	} {
		if r.value+r.second == "" {
			continue
		}
		p.joined(x, y, right-x, r.style, 6.6, r.value, r.second)
		y += 2.9
	}
	p.band(x, b.y+b.h-frame-0.8-band, right-x, band, 7.6, opts.Say.or("DO NOT OPEN"))
}

// bag is a label for a bag or box.
func (f sampleFace) bag(p *page, b box, opts LabelOptions) {
	const frame, pad, square, barsH, footY, foot, band = 0.8, 4, 22.2, 8, 2.4, 10, 6.4
	p.SetLineWidth(0.2)
	p.RoundedRect(b.x+frame, b.y+frame, b.w-2*frame, b.h-2*frame, 3, "1234", "D")
	m := module(f.square, square)
	w, h := f.square.Size(m, 0)
	p.barcode(f.square, b.x+b.w-frame-w, b.y+frame, m, 0)
	beside := b.w - frame - w - pad
	p.shrunk(b.x+pad, b.y+9.4, beside, bold, 22, f.Code.Human())
	p.joined(b.x+pad, b.y+15.6, beside, bold, 11.5, f.Consignment, f.where(opts.Say))

	rows := []row{
		{opts.Say.or("part"), f.Part, "", regular, 9.2},
		{opts.Say.or("taken"), f.Taken, "", bold, 9.2},
		{opts.Say.or("kept"), f.Kept, "", bold, 9.2},
		{opts.Say.or("by"), f.By, f.At, regular, 9.2},
	}
	p.font(regular, 7)
	nameW := 0.0
	for _, r := range rows {
		nameW = max(nameW, p.GetStringWidth(p.clean(r.name)))
	}
	nameW = min(nameW, 0.3*b.w) + 2
	y := 20.6
	for _, r := range rows {
		if r.value+r.second == "" {
			continue
		}
		end := b.w - pad
		if y-r.points/pointsPerMM < frame+h {
			end = b.w - frame - w
		}
		p.text(b.x+pad, b.y+y, nameW-2, regular, 7, r.name)
		p.joined(b.x+pad+nameW, b.y+y, end-pad-nameW, r.style, r.points, r.value, r.second)
		y += 4.2
	}
	barsY := b.h - footY - foot/pointsPerMM - barsH
	p.band(b.x+pad, b.y+barsY-1.6-band, b.w-2*pad, band, 12, opts.Say.or("DO NOT OPEN · for the laboratory only"))
	bm := min(module(f.bars, b.w-2*frame), 0.508)
	bw, _ := f.bars.Size(bm, barsH)
	p.barcode(f.bars, b.x+(b.w-bw)/2, b.y+barsY, bm, barsH)
	p.foot(b, pad+1.5, footY, foot, f.Code.Human(), opts)
}

// band is white text on black.
func (p *page) band(x, y, w, h, points float64, s string) {
	p.SetFillColor(0, 0, 0)
	p.RoundedRect(x, y, w, h, 0.8, "1234", "F")
	p.SetTextColor(255, 255, 255)
	p.centre(x+w/2, y+h/2+points/pointsPerMM*0.36, w-2, bold, points, s)
	p.SetTextColor(0, 0, 0)
}

// centre writes one line around cx, smaller where it is too long.
func (p *page) centre(cx, y, width float64, style string, points float64, s string) {
	s = p.clean(s)
	p.font(style, points)
	if w := p.GetStringWidth(s); w > width {
		points *= max(0.55, width/w*0.999)
		p.font(style, points)
		s = p.fit(s, width)
	}
	p.Text(cx-p.GetStringWidth(s)/2, y, s)
}
