package paper

import (
	"io"

	"lastlook/internal/say"
)

// Sheet is a format that labels are printed on: a sheet with several, to be cut
// apart, or a single label from a roll. Lengths are millimetres.
type Sheet struct {
	Name          string   // for commands and addresses
	Title         say.Text // for people
	Width, Height float64  // of the paper
	Columns, Rows int
	MarginX       float64 // left and right of the outer labels
	MarginY       float64 // above and below them
	Gap           float64 // between labels, to cut in
}

// Sheets gives all formats, the usual one first.
func Sheets() []Sheet {
	return []Sheet{
		{"a4", say.T("A4 sheet, %d large labels to cut apart", 10), 210, 297, 2, 5, 8, 11, 6},
		{"a4-small", say.T("A4 sheet, %d small labels to cut apart", 21), 210, 297, 3, 7, 10, 11, 5},
		{"letter", say.T("US Letter sheet, %d large labels to cut apart", 10), 215.9, 279.4, 2, 5, 9, 9, 4},
		{"letter-small", say.T("US Letter sheet, %d small labels to cut apart", 21), 215.9, 279.4, 3, 7, 11, 9, 3},
		{"100x50", say.T("single label, %d × %d mm", 100, 50), 100, 50, 1, 1, 0, 0, 0},
		{"57x32", say.T("single label, %d × %d mm", 57, 32), 57, 32, 1, 1, 0, 0, 0},
	}
}

// SheetNamed gives the format of Sheets with that name. The error is a say.Refusal
// that lists the names.
func SheetNamed(name string) (Sheet, error) { return SheetIn(Sheets(), name) }

// SheetIn gives the one of the formats that has that name. The error is a
// say.Refusal that lists the names.
func SheetIn(sheets []Sheet, name string) (Sheet, error) {
	names := ""
	for _, s := range sheets {
		if s.Name == name {
			return s, nil
		}
		if names != "" {
			names += ", "
		}
		names += s.Name
	}
	return Sheet{}, say.Refuse(say.NotFound, "There is no label sheet called “%s”. Choose one of %s.", name, names).For("sheet")
}

// onSheets prints n labels. ready gets each of them ready, and may refuse it, before
// anything is drawn; draw puts it into its place.
func onSheets(w io.Writer, sheet Sheet, n int, opts LabelOptions, ready func(i int) error, draw func(p *page, i int, b box)) error {
	if sheet.PerPage() < 1 {
		return say.Refuse(say.Invalid, "“%s” is not a label sheet. Choose one from the list.", sheet.Name).For("sheet")
	}
	if n == 0 {
		return say.Refuse(say.Invalid, "There are no labels to print. Choose at least one package.").For("labels")
	}
	if n > MaxLabels {
		return say.Refuse(say.Invalid, "%d labels are too many for one file; it holds at most %d. Print a range of packages, then the next.", n, MaxLabels).For("labels")
	}
	start := max(1, opts.Start)
	if opts.Start < 0 || start > sheet.PerPage() {
		return say.Refuse(say.Invalid, "This sheet has the places 1 to %d, so printing cannot start at %d.", sheet.PerPage(), opts.Start).For("start")
	}
	for i := range n {
		if err := ready(i); err != nil {
			return err
		}
	}
	p, err := newPage(sheet.Width, sheet.Height, properties{opts.Title, opts.Created})
	if err != nil {
		return err
	}
	for i := range n {
		place := (start - 1 + i) % sheet.PerPage()
		if i == 0 || place == 0 {
			p.AddPage()
			sheet.cutMarks(p)
			sheet.headLine(p, opts)
		}
		draw(p, i, sheet.box(place))
	}
	return p.finish(w)
}

// PerPage gives how many labels one sheet holds.
func (s Sheet) PerPage() int { return s.Columns * s.Rows }

// LabelSize gives the width and height of one label.
func (s Sheet) LabelSize() (w, h float64) {
	w = (s.Width - 2*s.MarginX - float64(s.Columns-1)*s.Gap) / float64(s.Columns)
	h = (s.Height - 2*s.MarginY - float64(s.Rows-1)*s.Gap) / float64(s.Rows)
	return w, h
}

// box gives the place of the label, from 0, row by row.
func (s Sheet) box(place int) box {
	w, h := s.LabelSize()
	col, row := place%s.Columns, place/s.Columns
	return box{s.MarginX + float64(col)*(w+s.Gap), s.MarginY + float64(row)*(h+s.Gap), w, h}
}

// cutMarks draws short lines in the margins that show where to cut; they are
// grey, and stay off the labels.
func (s Sheet) cutMarks(p *page) {
	if s.PerPage() == 1 {
		return
	}
	const length, off = 4, 1.5
	p.SetDrawColor(110, 110, 110)
	p.SetLineWidth(0.15)
	for i := range s.PerPage() {
		b := s.box(i)
		if i < s.Columns {
			for _, x := range []float64{b.x, b.x + b.w} {
				p.Line(x, s.MarginY-off-length, x, s.MarginY-off)
				p.Line(x, s.Height-s.MarginY+off, x, s.Height-s.MarginY+off+length)
			}
		}
		if i%s.Columns == 0 {
			for _, y := range []float64{b.y, b.y + b.h} {
				p.Line(s.MarginX-off-length, y, s.MarginX-off, y)
				p.Line(s.Width-s.MarginX+off, y, s.Width-s.MarginX+off+length, y)
			}
		}
	}
	p.SetDrawColor(0, 0, 0)
}

// headLine writes the head of the site's history below the first label of the last
// row: between the cut marks there, and off the labels.
func (s Sheet) headLine(p *page, opts LabelOptions) {
	if opts.Head == "" || s.PerPage() == 1 {
		return
	}
	const size, below, beside = 7.5, 4.2, 2
	b := s.box((s.Rows - 1) * s.Columns)
	p.shrunk(b.x+beside, b.y+b.h+below, b.w-2*beside, regular, size,
		opts.Say.or("head at step %d: %s", opts.Steps, opts.Head))
}
