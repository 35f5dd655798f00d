package paper

import (
	"io"
	"time"

	"lastlook/internal/code"
	"lastlook/internal/say"
	"lastlook/internal/symbol"
)

// MaxLabels is the largest number of labels in one file. More would take longer
// to make than anybody waits at a bench, and a jam would spoil the lot.
const MaxLabels = 2000

// Label is what one package label shows. Empty texts are left out.
type Label struct {
	Code        code.Code // of the package
	Consignment string    // number that people know the consignment by
	Package     int       // number of this package
	Packages    int       // in the whole consignment
	Gaps        bool      // numbers have gaps: this one may be higher than Packages
	Customer    string
	Destination string
	Crop        string
	Batch       string
	LeaveBy     string // dispatch time as people of the site read it
}

// LabelOptions are the same for all labels of a file.
type LabelOptions struct {
	Say      Say       // language
	Invented bool      // demonstration: every label says so
	Start    int       // place on the first sheet to begin at, from 1, row by row; 0 means 1
	Created  time.Time // goes into the file's properties
	Title    string    // likewise
	// Head is the fingerprint of the newest signed head of the site's history, at
	// the given number of steps. It is printed in the margin of each sheet, off the
	// labels, so that the head leaves the computer with every print. Single labels have no
	// margin, and their paper goes away with the goods: on them it is left out.
	Head  string
	Steps int64
}

// Labels writes the labels as a PDF, in the order given. It refuses, with a
// say.Refusal, no labels, more than [MaxLabels], a label without a package code
// and a start outside the sheet; nothing is written then.
func Labels(w io.Writer, sheet Sheet, labels []Label, opts LabelOptions) error {
	faces := make([]face, len(labels))
	return onSheets(w, sheet, len(labels), opts,
		func(i int) (err error) { faces[i], err = newFace(labels[i]); return err },
		func(p *page, i int, b box) { faces[i].draw(p, b, opts) })
}

// face is a label with its barcodes made.
type face struct {
	Label
	bars, square symbol.Symbol
}

func newFace(l Label) (face, error) {
	if l.Code.Kind != code.KindPackage || l.Code.Number() == 0 {
		return face{}, say.Refuse(say.Invalid, "Package %d has no code that can be printed. Print the labels of the sealed or counted list only.", l.Package)
	}
	f := face{Label: l}
	var err error
	if f.bars, err = symbol.Code128(l.Code.String()); err != nil {
		return face{}, err
	}
	f.square, err = symbol.QR(l.Code.String(), symbol.Quartile)
	return f, err
}

// box is the place of one label on the page, in millimetres.
type box struct{ x, y, w, h float64 }

// look is how the parts of a label stand, for a size of label. Lengths are in
// millimetres from the corner of the label, type sizes in points.
type look struct {
	frame, corner   float64 // inset and radius of the outline
	pad             float64 // nearest that text comes to the edge
	holeAt, hole    float64 // middle of the punched hole, both ways, and its radius
	square          float64 // room for the square symbol, quiet zone included
	number          float64 // size of the consignment number
	numberY, countY float64 // baselines
	count           float64 // size of the package count
	rowsY           float64 // baseline of the first row
	row, small      float64 // sizes of a row and of what names it
	pitch           float64 // most that rows are apart
	barsH           float64 // height of the bars
	footY, foot     float64 // baseline of the code, from the lower edge, and its size
	named           bool    // rows are named
}

var (
	large = look{
		frame: 0.8, corner: 3, pad: 4, holeAt: 6.6, hole: 2.1,
		square: 22.2, number: 25, numberY: 9.6, countY: 16.9, count: 16,
		rowsY: 22.2, row: 9.2, small: 7, pitch: 4.2, barsH: 7.6, footY: 2.4, foot: 10, named: true,
	}
	small = look{
		frame: 0.5, corner: 2, pad: 2.2, holeAt: 3.7, hole: 1.2,
		square: 14.8, number: 15, numberY: 5.6, countY: 10.4, count: 11,
		rowsY: 13.9, row: 7.5, small: 6.5, pitch: 3.3, barsH: 6.8, footY: 1.5, foot: 7.5,
	}
)

func lookFor(b box) look {
	if b.w >= 80 && b.h >= 44 {
		return large
	}
	return small
}

func (f face) draw(p *page, b box, opts LabelOptions) {
	k := lookFor(b)
	p.SetLineWidth(0.2)
	p.RoundedRect(b.x+k.frame, b.y+k.frame, b.w-2*k.frame, b.h-2*k.frame, k.corner, "1234", "D")
	p.Circle(b.x+k.holeAt, b.y+k.holeAt, k.hole, "D")

	squareModule := module(f.square, k.square)
	squareW, squareH := f.square.Size(squareModule, 0)
	p.barcode(f.square, b.x+b.w-k.frame-squareW, b.y+k.frame, squareModule, 0)
	squareEnd := k.frame + squareH

	barsModule := module(f.bars, b.w-2*k.frame)
	barsW, _ := f.bars.Size(barsModule, k.barsH)
	barsY := b.h - k.footY - k.foot/pointsPerMM - k.barsH
	p.barcode(f.bars, b.x+(b.w-barsW)/2, b.y+barsY, barsModule, k.barsH)

	beside := b.w - k.frame - squareW // where the square symbol begins
	afterHole := k.holeAt + k.hole + 1.6
	p.shrunk(b.x+afterHole, b.y+k.numberY, beside-afterHole, bold, k.number, f.Consignment)
	p.shrunk(b.x+k.pad, b.y+k.countY, beside-k.pad, bold, k.count, f.count(opts.Say, k))

	rows := f.rows(opts.Say, k)
	pitch := k.pitch
	if n := len(rows); n > 1 {
		pitch = min(pitch, (barsY-2.5-k.rowsY)/float64(n-1))
	}
	nameW := 0.0
	if k.named {
		p.font(regular, k.small)
		for _, r := range rows {
			nameW = max(nameW, p.GetStringWidth(p.clean(r.name)))
		}
		nameW = min(nameW, 0.3*b.w) + 2
	}
	for i, r := range rows {
		y := k.rowsY + float64(i)*pitch
		end := b.w - k.pad
		if y-r.points/pointsPerMM < squareEnd {
			end = beside
		}
		if k.named {
			p.text(b.x+k.pad, b.y+y, nameW-2, regular, k.small, r.name)
		}
		p.joined(b.x+k.pad+nameW, b.y+y, end-k.pad-nameW, r.style, r.points, r.value, r.second)
	}

	foot := b.y + b.h - k.footY
	if !opts.Invented {
		p.font(bold, k.foot)
		human := f.Code.Human()
		p.Text(b.x+(b.w-p.GetStringWidth(human))/2, foot, human)
		return
	}
	taken := p.text(b.x+k.pad+k.corner/2, foot, b.w-2*k.pad, bold, k.foot, f.Code.Human())
	p.textRight(b.x+b.w-k.pad-k.corner/2, foot, b.w-2*k.pad-k.corner-taken-2, bold, k.small+0.5, opts.Say.or("INVENTED DATA"))
}

func (f face) count(sentence Say, k look) string {
	switch {
	case k.named && f.Gaps:
		return sentence.or("package %d (%d in all)", f.Package, f.Packages)
	case k.named:
		return sentence.or("package %d of %d", f.Package, f.Packages)
	case f.Gaps:
		return sentence.or("%d (%d in all)", f.Package, f.Packages)
	}
	return sentence.or("%d of %d", f.Package, f.Packages)
}

// row is a line of the label below the count.
type row struct {
	name          string
	value, second string
	style         string
	points        float64
}

// rows gives the lines that have something to say. A small label has no room to
// name them, so what belongs together shares a line.
func (f face) rows(sentence Say, k look) []row {
	var all []row
	if k.named {
		all = []row{
			{sentence.or("to"), f.Destination, f.Customer, bold, k.row},
			{sentence.or("crop"), f.Crop, "", regular, k.row},
			{sentence.or("batch"), f.Batch, "", regular, k.row},
			{sentence.or("leave by"), f.LeaveBy, "", bold, k.row},
		}
	} else {
		leave := ""
		if f.LeaveBy != "" {
			leave = sentence.or("leave by %s", f.LeaveBy)
		}
		all = []row{
			{"", f.Destination, f.Customer, bold, k.row},
			{"", f.Crop, f.Batch, regular, k.small + 0.5},
			{"", leave, "", bold, k.row},
		}
	}
	var rows []row
	for _, r := range all {
		if r.value+r.second != "" {
			rows = append(rows, r)
		}
	}
	return rows
}
