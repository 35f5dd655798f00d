package paper

import (
	"bytes"
	"fmt"
	"io"
	"strings"

	"codeberg.org/go-pdf/fpdf"

	"lastlook/internal/code"
	"lastlook/internal/consignment"
	"lastlook/internal/photo"
	"lastlook/internal/record"
	"lastlook/internal/say"
	"lastlook/internal/symbol"
)

// RecordOptions say how a record is printed.
type RecordOptions struct {
	Paper string // a4, letter; "" means a4
	Say   Say    // language
}

// recordPapers are the sheets that a record can be printed on, in millimetres.
var recordPapers = map[string][2]float64{"a4": {210, 297}, "letter": {215.9, 279.4}}

// Record writes a record as a PDF. What stands on it is the document and nothing
// else, but for the running head. Paper that is not known is refused with a
// say.Refusal.
func Record(w io.Writer, d record.Document, opts RecordOptions) error {
	s, err := newSheet(d, opts)
	if err != nil {
		return err
	}
	if err := s.tag(); err != nil {
		return err
	}
	s.paragraph(regular, 8.5, s.print(d.Zone))
	for _, sec := range d.Sections {
		if err := s.section(sec); err != nil {
			return err
		}
	}
	return s.end(w)
}

// newSheet begins a document of which the head and foot of each page and the tag
// follow from d. Paper that is not known is refused.
func newSheet(d record.Document, opts RecordOptions) (*recordSheet, error) {
	name := opts.Paper
	if name == "" {
		name = "a4"
	}
	size, ok := recordPapers[name]
	if !ok {
		return nil, say.Refuse(say.Invalid, "Records are not printed on “%s”. Use a4 or letter.", name).For("paper")
	}
	p, err := newPage(size[0], size[1], properties{opts.Say.text(d.Title), d.Created})
	if err != nil {
		return nil, err
	}
	s := &recordSheet{page: p, d: d, sentence: opts.Say, width: size[0], height: size[1], widths: map[int]bool{}}
	s.newPage()
	return s, nil
}

// end writes what follows from the whole document, and the file.
func (s *recordSheet) end(w io.Writer) error {
	if s.missing {
		s.space(3)
		s.paragraph(regular, 8.5, s.sentence.or("%s stands for a character that the typeface of this print lacks. The page on screen shows it.", string(Missing)))
	}
	s.heads()
	return s.finish(w)
}

// Margins and sizes, in millimetres and points.
const (
	sideMargin = 16
	topMargin  = 21
	footMargin = 17

	bodyType  = 9.5
	tableType = 8.3
	smallType = 7

	labelWidth = 46 // of what names a fact
)

// recordSheet writes a document from the top down: y is where the next thing
// begins.
type recordSheet struct {
	*page
	d             record.Document
	sentence      Say
	width, height float64
	y             float64
	widths        map[int]bool // pixel widths of the photos so far
	missing       bool         // a character was printed as Missing
}

// print says a text in the reader's language.
func (s *recordSheet) print(t say.Text) string { return s.sentence.text(t) }

func (s *recordSheet) inner() float64  { return s.width - 2*sideMargin }
func (s *recordSheet) bottom() float64 { return s.height - footMargin }

func (s *recordSheet) newPage() {
	s.AddPage()
	s.SetDrawColor(0, 0, 0)
	s.y = topMargin
}

// room begins a new page if there are not h millimetres left on this one.
func (s *recordSheet) room(h float64) {
	if s.y+h > s.bottom() && s.y > topMargin {
		s.newPage()
	}
}

func (s *recordSheet) space(h float64) {
	if s.y > topMargin {
		s.y += h
	}
}

// lineHeight is the distance of lines in millimetres.
func lineHeight(points float64) float64 { return points / pointsPerMM * 1.28 }

// cleaned is clean that takes note of characters that cannot be shown.
func (s *recordSheet) cleaned(text string) string {
	c := s.clean(text)
	if strings.ContainsRune(c, Missing) && !strings.ContainsRune(text, Missing) {
		s.missing = true
	}
	return c
}

// wrap is the wrap of page that takes note of characters that cannot be shown.
func (s *recordSheet) wrap(style string, points, width float64, text string) []string {
	s.cleaned(text)
	return s.page.wrap(style, points, width, text)
}

// lines writes lines from the top at y and gives where the next would begin.
func (s *recordSheet) lines(x, y float64, style string, points float64, lines []string) float64 {
	s.font(style, points)
	for _, l := range lines {
		s.Text(x, y+points/pointsPerMM, l)
		y += lineHeight(points)
	}
	return y
}

// paragraph writes text over the whole width, over as many pages as it takes.
func (s *recordSheet) paragraph(style string, points float64, text string) {
	s.indented(0, style, points, text)
}

func (s *recordSheet) indented(x float64, style string, points float64, text string) {
	lines := s.wrap(style, points, s.inner()-x, text)
	if len(lines) <= 3 {
		s.room(float64(len(lines)) * lineHeight(points))
	}
	for _, l := range lines {
		s.room(lineHeight(points))
		s.y = s.lines(sideMargin+x, s.y, style, points, []string{l})
	}
}

func (s *recordSheet) section(sec record.Section) error {
	s.space(5)
	s.room(30)
	s.SetLineWidth(0.7)
	s.Line(sideMargin, s.y, s.width-sideMargin, s.y)
	s.y += 1.2
	title := s.cleaned(s.print(sec.Title))
	s.Bookmark(title, 0, -1)
	s.font(bold, 14)
	s.y = s.lines(sideMargin, s.y, bold, 14, []string{s.fit(title, s.inner())})
	for _, b := range sec.Blocks {
		if err := s.block(b); err != nil {
			return err
		}
	}
	return nil
}

func (s *recordSheet) block(b record.Block) error {
	s.space(1.8)
	if !b.Heading.IsZero() {
		s.space(1.8)
		s.room(22) // keeps the heading with what it heads
		for _, l := range s.wrap(bold, 10.5, s.inner(), s.print(b.Heading)) {
			s.room(lineHeight(10.5))
			s.y = s.lines(sideMargin, s.y, bold, 10.5, []string{l})
		}
		s.y += 0.6
	}
	switch {
	case !b.Notice.IsZero():
		s.notice(s.print(b.Notice))
	case len(b.Text) > 0:
		var parts []string
		for _, t := range b.Text {
			parts = append(parts, s.print(t))
		}
		s.paragraph(regular, bodyType, strings.Join(parts, " "))
	case len(b.List) > 0:
		for _, t := range b.List {
			s.item(s.print(t))
		}
	case len(b.Facts) > 0:
		for _, f := range b.Facts {
			s.fact(f)
		}
	case len(b.Answers) > 0:
		s.answers(b.Answers)
	case b.Table != nil:
		s.table(*b.Table)
	case len(b.Photos) > 0:
		return s.photos(b.Photos)
	case len(b.Sign) > 0:
		s.sign(b.Sign)
	case b.Symbol != nil:
		return s.symbol(*b.Symbol)
	}
	return nil
}

// symbol draws a QR Code with its caption and what it says beside it, so that it
// can be typed where nothing scans.
func (s *recordSheet) symbol(sym record.Symbol) error {
	qr, err := symbol.QR(sym.Text, symbol.Medium)
	if err != nil {
		return err
	}
	const module, gap = 0.6, 5
	side, _ := qr.Size(module, 0)
	s.room(side + 2)
	s.barcode(qr, sideMargin, s.y, module, 0)
	x := sideMargin + side + gap
	w := s.inner() - side - gap
	y := s.lines(x, s.y+3, regular, bodyType, s.wrap(regular, bodyType, w, s.print(sym.Caption)))
	s.lines(x, y+1.5, regular, smallType+0.5, s.wrap(regular, smallType+0.5, w, sym.Text))
	s.y += side + 1
	return nil
}

// notice is a sentence in a heavy box.
func (s *recordSheet) notice(text string) {
	lines := s.wrap(bold, 11, s.inner()-14, text)
	h := float64(len(lines))*lineHeight(11) + 5
	s.room(h)
	s.SetFillColor(250, 245, 180)
	s.SetLineWidth(0.9)
	s.Rect(sideMargin+0.45, s.y, s.inner()-0.9, h, "FD")
	s.cross(sideMargin+5.8, s.y+h/2, 1.7)
	s.lines(sideMargin+11, s.y+2.2, bold, 11, lines)
	s.y += h + 1
}

// item is one line of a list.
func (s *recordSheet) item(text string) {
	s.room(lineHeight(bodyType))
	s.SetFillColor(0, 0, 0)
	s.Rect(sideMargin+1.2, s.y+1.9, 1.2, 1.2, "F")
	s.indented(5, regular, bodyType, text)
	s.y += 0.5
}

// styledLine is one line in one weight.
type styledLine struct{ style, text string }

// valueLines gives a value as lines: what people wrote, then what is said of it.
func (s *recordSheet) valueLines(v record.Value, points, width float64, dataStyle string) []styledLine {
	var out []styledLine
	for _, l := range s.wrap(dataStyle, points, width, v.Data) {
		out = append(out, styledLine{dataStyle, l})
	}
	for _, l := range s.wrap(regular, points, width, s.print(v.Text)) {
		out = append(out, styledLine{regular, l})
	}
	return out
}

func (s *recordSheet) fact(f record.Fact) {
	label := s.wrap(regular, bodyType, labelWidth-3, s.print(f.Label))
	value := s.valueLines(f.Value, bodyType, s.inner()-labelWidth, bold)
	if n := max(len(label), len(value)); n <= 6 {
		s.room(float64(n)*lineHeight(bodyType) + 1.2)
	} else {
		s.room(4 * lineHeight(bodyType))
	}
	s.SetLineWidth(0.1)
	s.Line(sideMargin, s.y, s.width-sideMargin, s.y)
	s.y += 0.6
	for i := range max(len(label), len(value)) {
		s.room(lineHeight(bodyType))
		if i < len(label) {
			s.lines(sideMargin, s.y, regular, bodyType, label[i:i+1])
		}
		if i < len(value) {
			s.lines(sideMargin+labelWidth, s.y, value[i].style, bodyType, []string{value[i].text})
		}
		s.y += lineHeight(bodyType)
	}
	s.y += 0.6
}

// tick and cross are drawn, so that they need no glyph.
func (s *recordSheet) tick(x, y, r float64) {
	s.SetLineWidth(0.6)
	s.Line(x-r, y, x-r/3, y+r*0.8)
	s.Line(x-r/3, y+r*0.8, x+r, y-r*0.8)
}

func (s *recordSheet) cross(x, y, r float64) {
	s.SetLineWidth(0.8)
	s.Line(x-r, y-r, x+r, y+r)
	s.Line(x-r, y+r, x+r, y-r)
}

// answers sets the answers of a check in two columns, row by row.
func (s *recordSheet) answers(as []record.Answer) {
	half := s.inner() / 2
	const words = 16
	for i := 0; i < len(as); i += 2 {
		var cells [][]string
		most := 1
		for _, a := range as[i:min(i+2, len(as))] {
			c := s.wrap(regular, bodyType, half-words-3, s.print(a.Words))
			cells, most = append(cells, c), max(most, len(c))
		}
		h := float64(most)*lineHeight(bodyType) + 0.8
		s.room(h)
		for j, c := range cells {
			x := sideMargin + float64(j)*half
			mark := s.tick
			if !as[i+j].Yes {
				mark = s.cross
			}
			mark(x+2.4, s.y+2.3, 1.4)
			s.lines(x+words, s.y, regular, bodyType, c)
			s.lines(x+6, s.y, bold, bodyType, []string{s.cleaned(s.print(as[i+j].Word()))})
		}
		s.y += h
	}
}

// table sets a table. The head is repeated on each page; a row stays whole
// unless a page is too short for it.
func (s *recordSheet) table(t record.Table) {
	const pad = 2
	widths := make([]float64, len(t.Columns))
	for i, c := range t.Columns {
		widths[i] = s.inner() * c.Share / 100
	}
	head := make([][]styledLine, len(t.Columns))
	headH := 0.0
	for i, c := range t.Columns {
		for _, l := range s.wrap(bold, tableType, widths[i]-pad, s.print(c.Label)) {
			head[i] = append(head[i], styledLine{bold, l})
		}
		headH = max(headH, float64(len(head[i]))*lineHeight(tableType))
	}
	lh := lineHeight(tableType)
	row := func(cells [][]styledLine) {
		x := sideMargin + 0.0
		for i, c := range cells {
			for j, l := range c {
				s.lines(x, s.y+float64(j)*lh, l.style, tableType, []string{l.text})
			}
			x += widths[i]
		}
	}
	drawHead := func() {
		row(head)
		s.y += headH + 0.8
		s.SetLineWidth(0.5)
		s.Line(sideMargin, s.y, s.width-sideMargin, s.y)
		s.y += 0.7
	}
	s.space(1.2)
	caption := s.wrap(bold, bodyType, s.inner(), s.print(t.Caption))
	s.room(float64(len(caption))*lineHeight(bodyType) + headH + 3*lh + 3)
	s.y = s.lines(sideMargin, s.y, bold, bodyType, caption) + 0.8
	drawHead()
	for i, r := range t.Rows {
		cells := make([][]styledLine, len(r))
		most := 1
		for j, v := range r {
			cells[j] = s.valueLines(v, tableType, widths[j]-pad, regular)
			most = max(most, len(cells[j]))
		}
		for most > 0 {
			left := int((s.bottom() - s.y) / lh)
			whole := int((s.bottom() - topMargin - headH - 2) / lh) // of a fresh page
			if left < most && (most <= whole || left < 3) {
				s.newPage()
				drawHead()
				left = whole
			}
			n := min(most, left)
			part := make([][]styledLine, len(cells))
			for j := range cells {
				k := min(n, len(cells[j]))
				part[j], cells[j] = cells[j][:k], cells[j][k:]
			}
			row(part)
			s.y += float64(n) * lh
			most -= n
		}
		s.y += 0.7
		s.SetLineWidth(0.1)
		if i < len(t.Rows)-1 {
			s.Line(sideMargin, s.y, s.width-sideMargin, s.y)
		}
		s.y += 0.5
	}
	s.y += 0.6
}

// photoBox is the most room for a photo, in millimetres.
const (
	photoGap = 4
	photoH   = 66
	photoDPI = 250
)

// photos sets photos two in a row, each with its name and mark below.
func (s *recordSheet) photos(ps []record.Picture) error { return s.photosIn(ps, 2, photoH) }

// photosIn sets photos so many in a row, none higher than most.
func (s *recordSheet) photosIn(ps []record.Picture, columns int, most float64) error {
	boxW := (s.inner() - photoGap*float64(columns-1)) / float64(columns)
	type placed struct {
		w, h    float64
		caption []string
		problem []string
		hash    []string
	}
	for i := 0; i < len(ps); i += columns {
		row := ps[i:min(i+columns, len(ps))]
		cells := make([]placed, len(row))
		tallest, below := 0.0, 0.0
		for j, p := range row {
			c := &cells[j]
			c.caption = s.wrap(bold, tableType, boxW, s.print(p.Caption))
			c.hash = s.wrap(regular, 6, boxW, p.Hash)
			if p.Problem.IsZero() {
				scale := min(boxW/float64(p.Width), most/float64(p.Height))
				c.w, c.h = float64(p.Width)*scale, float64(p.Height)*scale
			} else {
				c.problem = s.wrap(bold, bodyType, boxW-12, s.print(p.Problem))
				c.w, c.h = boxW, float64(len(c.problem))*lineHeight(bodyType)+12
			}
			tallest = max(tallest, c.h)
			below = max(below, float64(len(c.caption))*lineHeight(tableType)+float64(len(c.hash))*lineHeight(6))
		}
		s.room(tallest + below + 3)
		for j, p := range row {
			c, x := cells[j], sideMargin+float64(j)*(boxW+photoGap)
			if p.Problem.IsZero() {
				if err := s.picture(p, x, s.y, c.w, c.h); err != nil {
					return err
				}
			} else {
				s.SetLineWidth(0.4)
				s.SetDashPattern([]float64{1.5, 1.2}, 0)
				s.Rect(x+0.2, s.y, boxW-0.4, c.h, "D")
				s.SetDashPattern([]float64{}, 0)
				s.lines(x+6, s.y+6, bold, bodyType, c.problem)
			}
			y := s.lines(x, s.y+tallest+0.8, bold, tableType, c.caption)
			s.lines(x, y, regular, 6, c.hash)
		}
		s.y += tallest + below + 4
	}
	return nil
}

// picture places one photo, made smaller to what a printer can show.
//
// The PDF writer puts image objects in the order of their pixel widths, and those
// of one width in the order of a Go map: with two of them the file would differ
// from run to run. So each photo gets a width that no other one has.
func (s *recordSheet) picture(p record.Picture, x, y, w, h float64) error {
	px := max(16, min(p.Width, int(w/25.4*photoDPI)))
	for s.widths[px] {
		px--
		if px < 16 {
			for px = 17; s.widths[px]; {
				px++
			}
		}
	}
	s.widths[px] = true
	small, err := photo.Scale(p.JPEG, px)
	if err != nil {
		return fmt.Errorf("paper: photo %s: %w", p.Hash, err)
	}
	name := fmt.Sprintf("photo-%d", len(s.widths))
	o := fpdf.ImageOptions{ImageType: "JPG"}
	s.RegisterImageOptionsReader(name, o, bytes.NewReader(small.JPEG))
	s.ImageOptions(name, x, y, w, h, false, o, 0, "")
	s.SetLineWidth(0.2)
	s.Rect(x, y, w, h, "D")
	return nil
}

// sign draws lines to write on.
func (s *recordSheet) sign(who []say.Text) {
	s.room(24)
	s.y += 12
	w := s.inner() / float64(len(who))
	for i, t := range who {
		x := sideMargin + float64(i)*w
		s.SetLineWidth(0.3)
		s.Line(x, s.y, x+w-8, s.y)
		s.lines(x, s.y+0.6, bold, bodyType, []string{s.fit(s.cleaned(s.print(t)), w-8)})
		s.lines(x, s.y+0.6+lineHeight(bodyType), regular, smallType, []string{s.sentence.or("name, date, signature")})
	}
	s.y += 10
}

// fills are the colours of the outcomes, from the set of Okabe and Ito (2008);
// each has a pattern too, so that a grey print can be told apart.
var fills = map[consignment.Outcome][3]int{
	consignment.Passed:   {0, 158, 115},
	consignment.Rejected: {230, 159, 0},
	consignment.Held:     {204, 121, 167},
	consignment.Stopped:  {138, 55, 0},
}

// tag draws the consignment as the tag by which it is known everywhere, and over
// it the stamp of the outcome.
func (s *recordSheet) tag() error {
	const h, strip, hole = 38, 7, 17
	x, y, w := sideMargin+0.5, s.y, s.inner()-1
	t := s.d.Tag
	s.SetFillColor(247, 239, 222)
	s.SetLineWidth(0.5)
	s.RoundedRectExt(x, y, w, h, 12, 3, 3, 12, "FD")
	s.SetFillColor(255, 255, 255)
	s.SetLineWidth(1.1)
	s.Circle(x+9, y+h/2, 2.8, "FD")
	s.edge(t.Outcome, x+w-strip, y, strip, h)

	qr, err := symbol.QR(code.Consignment(t.Code).String(), symbol.Medium)
	if err != nil {
		return err
	}
	const module = 0.6
	side, _ := qr.Size(module, 0)
	stub := 56.0
	qx := x + w - strip - stub - side - 2
	s.SetFillColor(255, 255, 255)
	s.Rect(qx, y+(h-side)/2-2, side, side, "F")
	s.barcode(qr, qx, y+(h-side)/2-2, module, 0)
	s.font(bold, smallType)
	human := code.Consignment(t.Code).Human()
	s.Text(qx+(side-s.GetStringWidth(human))/2, y+(h+side)/2+1.6, human)

	body := qx - x - hole - 3
	s.shrunk(x+hole, y+10.5, body, bold, 26, s.cleaned(t.Number))
	s.text(x+hole, y+18, body, bold, 13, s.cleaned(t.Destination))
	s.text(x+hole, y+23.4, body, regular, 10, s.cleaned(t.Customer))
	s.text(x+hole, y+29.4, body, regular, 10, s.cleaned(s.print(t.Packages)))
	s.text(x+hole, y+34.4, body, regular, 10, s.cleaned(s.print(t.LeaveBy)))

	cx, cy := x+w-strip-stub/2, y+h/2
	if t.Outcome == "" {
		s.SetLineWidth(0.6)
		s.SetDashPattern([]float64{0.6, 1.4}, 0)
		s.Line(x+w-strip-stub, y+3, x+w-strip-stub, y+h-3)
		s.SetDashPattern([]float64{}, 0)
		s.centred(cx, cy+2, stub-6, bold, 15, s.print(t.Word))
	} else {
		s.stamp(cx, cy, stub-5)
	}
	s.y += h + 2.5
	return nil
}

// stamp is the outcome in a double frame, a little askew.
func (s *recordSheet) stamp(cx, cy, w float64) {
	const h = 25
	t := s.d.Tag
	s.TransformBegin()
	s.TransformRotate(5, cx, cy)
	s.SetFillColor(247, 239, 222)
	s.SetLineWidth(0.9)
	s.RoundedRect(cx-w/2, cy-h/2, w, h, 2, "1234", "FD")
	s.SetLineWidth(0.3)
	s.RoundedRect(cx-w/2+1.2, cy-h/2+1.2, w-2.4, h-2.4, 1.4, "1234", "D")
	y := cy - 1.2
	if t.Until.IsZero() {
		y = cy + 1
	}
	s.centred(cx, y, w-6, bold, 21, strings.ToUpper(s.print(t.Word)))
	s.centred(cx, y+5.2, w-6, regular, 9.5, s.print(t.At))
	s.centred(cx, y+9.8, w-6, bold, 9, s.print(t.Until))
	s.TransformEnd()
}

// centred is centre that takes note of characters that cannot be shown.
func (s *recordSheet) centred(cx, y, width float64, style string, points float64, text string) {
	s.centre(cx, y, width, style, points, s.cleaned(text))
}

// edge is the edge of the tag, filled as the outcome is: dots, bricks, hatching,
// or solid.
func (s *recordSheet) edge(o consignment.Outcome, x, y, w, h float64) {
	c, ok := fills[o]
	if !ok {
		return
	}
	s.ClipRoundedRectExt(x, y, w, h, 0, 3, 3, 0, false)
	s.SetFillColor(c[0], c[1], c[2])
	s.Rect(x, y, w, h, "F")
	s.pattern(o, x, y, w, h, 1)
	s.ClipEnd()
	s.SetLineWidth(0.5)
	s.Line(x, y, x, y+h)
	s.RoundedRectExt(x, y, w, h, 0, 3, 3, 0, "D")
}

// heads writes the running head and foot on every page, now that their number is
// known. Head and foot use two types by turns, so that each page sets its own.
func (s *recordSheet) heads() {
	n := s.PageCount()
	right := s.width - sideMargin
	for i := 1; i <= n; i++ {
		s.SetPage(i)
		// The page goes on with the colour it ended with, of which the PDF writer, that
		// knows the last page only, would not know: a head could come out white.
		s.SetFillColor(0, 0, 0)
		s.SetDrawColor(0, 0, 0)
		s.font(regular, 1) // whatever the page before ended with, the next is set anew
		of := s.textRight(right, 11.5, 40, regular, 9, s.sentence.or("page %d of %d", i, n))
		marks := ""
		if s.d.Invented {
			marks = s.sentence.or("INVENTED DATA")
		}
		if !s.d.Finished {
			if marks != "" {
				marks += " · "
			}
			marks += s.sentence.or("NOT FINISHED")
		}
		taken := 0.0
		if marks != "" {
			taken = s.textRight(right-of-6, 11.5, 75, bold, 10, marks)
		}
		s.text(sideMargin, 11.5, s.inner()-of-taken-14, bold, 9, s.cleaned(s.print(s.d.Title)))
		s.SetLineWidth(0.3)
		s.Line(sideMargin, 14, right, 14)

		foot := s.height - 9
		s.Line(sideMargin, foot-4, right, foot-4)
		w := s.textRight(right, foot, 60, regular, smallType, s.cleaned(s.d.Program))
		s.text(sideMargin, foot, s.inner()-w-6, regular, smallType+0.5, s.cleaned(s.print(s.d.Zone)))
	}
	s.SetPage(n)
}
