package paper

import (
	"io"

	"lastlook/internal/code"
	"lastlook/internal/consignment"
	"lastlook/internal/say"
	"lastlook/internal/symbol"
)

// MarkLabel says on goods what an inspection ended with: a mark over the label of one
// package, or a larger one for the whole consignment. Empty texts are left out.
type MarkLabel struct {
	Code        code.Code // of the consignment, or of the package
	Outcome     consignment.Outcome
	Consignment string // number that people know the consignment by
	Package     int    // number of the package; 0 on a mark for all of them
	Packages    int    // in the whole consignment
	Gaps        bool   // numbers have gaps: Package may be higher than Packages
	Destination string
	At          string // when the inspection ended, as people of the site read it
	Until       string // how long it is valid, only of a pass
	Note        string // one sentence: why, or what may not be done
	By          string // who decided
}

// MarkSheets gives the formats for marks: those of package labels, and two
// large ones for a whole consignment.
func MarkSheets() []Sheet {
	return append(Sheets(),
		Sheet{"a4-consignment", say.T("A4 sheet, %d marks for a whole consignment", 2), 210, 297, 1, 2, 8, 11, 8},
		Sheet{"letter-consignment", say.T("US Letter sheet, %d marks for a whole consignment", 2), 215.9, 279.4, 1, 2, 9, 9, 6},
	)
}

// Marks writes marks as a PDF, in the order given. It refuses, with a say.Refusal,
// what Labels refuses, an outcome that is not one, and a passed mark that does
// not say how long it is valid.
func Marks(w io.Writer, sheet Sheet, marks []MarkLabel, opts LabelOptions) error {
	faces := make([]markFace, len(marks))
	return onSheets(w, sheet, len(marks), opts,
		func(i int) (err error) { faces[i], err = newMarkFace(marks[i]); return err },
		func(p *page, i int, b box) { faces[i].draw(p, b, opts) })
}

// markFace is a mark with its barcodes made.
type markFace struct {
	MarkLabel
	word         say.Text
	bars, square symbol.Symbol
}

func newMarkFace(m MarkLabel) (markFace, error) {
	f := markFace{MarkLabel: m}
	var ok bool
	if f.word, ok = outcomeWord(m.Outcome); !ok {
		return f, say.Refuse(say.Invalid, "There is no outcome to mark yet.")
	}
	if m.Code.Consignment() == "" {
		return f, say.Refuse(say.Invalid, "A mark needs the code of its consignment or package, and there is none.")
	}
	if m.Outcome == consignment.Passed && m.Until == "" {
		return f, say.Refuse(say.Invalid, "A passed mark must say how long it is valid.")
	}
	var err error
	if f.bars, err = symbol.Code128(m.Code.String()); err != nil {
		return f, err
	}
	f.square, err = symbol.QR(m.Code.String(), symbol.Quartile)
	return f, err
}

// markLook is how the parts of a mark stand, as look is for labels.
type markLook struct {
	frame, corner float64
	pad           float64
	strip, scale  float64 // width of the filled edge, and size of its pattern
	shape         float64 // side
	word          float64 // size
	wordY         float64 // baseline
	number        float64
	numberY       float64
	row, rowsY    float64 // size, and baseline of the first
	pitch         float64
	barsH, module float64 // height of the bars, and the largest module
	footY, foot   float64
	square        float64 // room for the square symbol; 0 is none
	apart         bool    // the count of packages has a line of its own
}

var (
	markSmall = markLook{
		frame: 0.5, corner: 2, pad: 2, strip: 4.5, scale: 0.8, shape: 9.4, word: 21, wordY: 8.6, number: 10, numberY: 13.7,
		row: 7, rowsY: 16.8, pitch: 3, barsH: 6.6, module: 0.508, footY: 1.5, foot: 7.5,
	}
	markLarge = markLook{
		frame: 0.8, corner: 3, pad: 3.4, strip: 7, scale: 1, shape: 14.6, word: 36, wordY: 13.8, number: 15, numberY: 22.4,
		row: 9.4, rowsY: 26.9, pitch: 4, barsH: 7.6, module: 0.508, footY: 2.4, foot: 10,
	}
	markHuge = markLook{
		frame: 1.2, corner: 5, pad: 8, strip: 15, scale: 2.1, shape: 40, word: 84, wordY: 37, number: 44, numberY: 63,
		row: 18, rowsY: 72.5, pitch: 8.2, barsH: 17, module: 0.762, footY: 4.5, foot: 16, square: 43, apart: true,
	}
)

func markLookFor(b box) markLook {
	switch {
	case b.w >= 150 && b.h >= 110:
		return markHuge
	case b.w >= 80 && b.h >= 44:
		return markLarge
	}
	return markSmall
}

func (f markFace) draw(p *page, b box, opts LabelOptions) {
	k := markLookFor(b)
	barsY := b.h - k.footY - k.foot/pointsPerMM - k.barsH
	right := b.w - k.frame - k.strip // where the filled edge begins
	p.ClipRoundedRect(b.x+k.frame, b.y+k.frame, b.w-2*k.frame, b.h-2*k.frame, k.corner, false)
	p.strip(f.Outcome, b.x+right, b.y, k.strip+k.frame, barsY-1, k.scale)
	p.ClipEnd()
	p.SetLineWidth(0.25 * k.scale)
	p.RoundedRect(b.x+k.frame, b.y+k.frame, b.w-2*k.frame, b.h-2*k.frame, k.corner, "1234", "D")

	p.shape(f.Outcome, b.x+k.pad, b.y+k.pad, k.shape)
	beside := k.pad + k.shape + k.pad
	p.shrunk(b.x+beside, b.y+k.wordY, right-beside-k.pad/2, bold, k.word, opts.Say.text(f.word))

	end := right - k.pad/2
	if k.square > 0 {
		m := module(f.square, k.square)
		w, _ := f.square.Size(m, 0)
		p.barcode(f.square, b.x+end-w, b.y+k.wordY+6, m, 0)
		end -= w
	}
	if k.apart {
		p.shrunk(b.x+k.pad, b.y+k.numberY, end-k.pad, bold, k.number, f.Consignment)
	} else {
		p.joined(b.x+k.pad, b.y+k.numberY, end-k.pad, bold, k.number, f.Consignment, f.count(opts.Say))
	}
	y := k.rowsY
	for _, r := range f.rows(opts.Say, k) {
		if y > barsY-0.6 {
			break
		}
		p.joined(b.x+k.pad, b.y+y, end-k.pad, r.style, r.points, r.value, r.second)
		y += k.pitch
	}

	m := min(module(f.bars, b.w-2*k.frame), k.module)
	w, _ := f.bars.Size(m, k.barsH)
	p.barcode(f.bars, b.x+(b.w-w)/2, b.y+barsY, m, k.barsH)
	p.foot(b, k.pad+k.corner/2, k.footY, k.foot, f.Code.Human(), opts)
}

// foot writes the code that people read along the lower edge of a label, and beside
// it, where it is so, that the data are invented.
func (p *page) foot(b box, pad, up, points float64, human string, opts LabelOptions) {
	y := b.y + b.h - up
	if !opts.Invented {
		p.font(bold, points)
		p.Text(b.x+(b.w-p.GetStringWidth(human))/2, y, human)
		return
	}
	taken := p.text(b.x+pad, y, b.w-2*pad, bold, points, human)
	p.textRight(b.x+b.w-pad, y, b.w-2*pad-taken-2, bold, points*0.75+0.6, opts.Say.or("INVENTED DATA"))
}

func (f markFace) count(sentence Say) string {
	switch {
	case f.Package > 0 && f.Gaps:
		return sentence.or("package %d (%d in all)", f.Package, f.Packages)
	case f.Package > 0:
		return sentence.or("package %d of %d", f.Package, f.Packages)
	case f.Packages == 1:
		return sentence.or("the only package")
	case f.Packages > 0:
		return sentence.or("all %d packages", f.Packages)
	}
	return ""
}

// rows gives what stands below the number, the most important first: what there is no
// room for is left out from the end.
func (f markFace) rows(sentence Say, k markLook) []row {
	until := ""
	if f.Until != "" {
		until = sentence.or("valid until %s", f.Until)
	}
	count, first, last := "", "", f.Destination
	if k.apart {
		count, first, last = f.count(sentence), f.Destination, ""
	}
	var rows []row
	for _, r := range []row{
		{value: count, second: first, style: bold, points: k.row + 0.8},
		{value: until, style: bold, points: k.row + 0.8},
		{value: f.At, second: f.By, style: regular, points: k.row},
		{value: f.Note, style: bold, points: k.row},
		{value: last, style: regular, points: k.row},
	} {
		if r.value+r.second != "" {
			rows = append(rows, r)
		}
	}
	return rows
}
