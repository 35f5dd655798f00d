// Package paper puts things on paper: labels, marks, cards and documents, as PDF.
//
// Start with [Labels] and [Sheets] for what is stuck on packages; [Marks],
// [Samples] and [PlaceCards] are made in the same way. [Record], [Submit], [Stop] and
// [Load] are documents. Each takes plain values: nothing is looked up here. Everything is drawn as text and filled
// shapes, in the embedded typeface, and the same input gives the same bytes, so
// that a reprint can be compared with the print. The package asks no clock and
// writes no files: the caller passes a writer and the time to put into the file's
// properties. It does not talk to printers.
//
// # What can be printed
//
// The typeface covers the Latin letters of European languages. A character it
// lacks, such as an emoji, a Han character, or a Cyrillic, Hebrew or Arabic
// letter, is printed as ◊, one for one, so that nobody takes a name with a gap in
// it for the whole name. As no right-to-left letter is covered, text is never
// reordered: it stands in the order it was written in.
package paper

import (
	"fmt"
	"io"
	"strings"
	"sync"
	"time"
	"unicode"

	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/text/unicode/norm"

	"lastlook/assets"
	"lastlook/internal/say"
	"lastlook/internal/symbol"
)

// Missing is printed in place of each character that the typeface lacks.
const Missing = '◊'

// Say prints a sentence in the reader's language: its key is the English
// sentence with fmt verbs. A nil Say prints English.
type Say func(key string, args ...any) string

func (s Say) or(key string, args ...any) string {
	if s == nil {
		return fmt.Sprintf(key, args...)
	}
	return s(key, args...)
}

// text says a text in the reader's language.
func (s Say) text(t say.Text) string {
	if s == nil {
		return t.String()
	}
	return t.With(s)
}

const (
	family  = "Atkinson"
	regular = ""
	bold    = "B"
)

// typefaces are the font files, read once.
var typefaces = sync.OnceValues(func() (map[string][]byte, error) {
	files := map[string]string{regular: "fonts/atkinson-hyperlegible-regular.ttf", bold: "fonts/atkinson-hyperlegible-bold.ttf"}
	faces := map[string][]byte{}
	for style, path := range files {
		b, err := assets.FS.ReadFile(path)
		if err != nil {
			return nil, fmt.Errorf("paper: typeface: %w", err)
		}
		faces[style] = b
	}
	return faces, nil
})

// coverage is the set of characters that both weights have.
var coverage = sync.OnceValues(func() (map[rune]bool, error) {
	faces, err := typefaces()
	if err != nil {
		return nil, err
	}
	count := map[rune]int{}
	for _, b := range faces {
		f, err := sfnt.Parse(b)
		if err != nil {
			return nil, fmt.Errorf("paper: typeface: %w", err)
		}
		var buf sfnt.Buffer
		for r := rune(' '); r <= 0xFFFF; r++ {
			if g, err := f.GlyphIndex(&buf, r); err == nil && g != 0 {
				count[r]++
			}
		}
	}
	covered := map[rune]bool{}
	for r, n := range count {
		if n == len(faces) {
			covered[r] = true
		}
	}
	return covered, nil
})

// properties go into the file, not onto the page.
type properties struct {
	title   string
	created time.Time
}

// page draws on the pages of one PDF. Lengths are millimetres from the top left
// corner, y growing downwards; type sizes are points. Errors are kept by the PDF
// writer and come out of finish.
type page struct {
	*fpdf.Fpdf
	covered map[rune]bool
}

// newPage starts a PDF whose pages have the given size in millimetres; the first
// page is still to be added.
func newPage(width, height float64, p properties) (*page, error) {
	faces, err := typefaces()
	if err != nil {
		return nil, err
	}
	covered, err := coverage()
	if err != nil {
		return nil, err
	}
	pdf := fpdf.NewCustom(&fpdf.InitType{UnitStr: "mm", Size: fpdf.SizeType{Wd: width, Ht: height}})
	pdf.SetMargins(0, 0, 0)
	pdf.SetAutoPageBreak(false, 0)
	pdf.AddUTF8FontFromBytes(family, regular, faces[regular])
	pdf.AddUTF8FontFromBytes(family, bold, faces[bold])
	// Without these three the bytes differ from run to run.
	pdf.SetCreationDate(p.created.UTC())
	pdf.SetModificationDate(p.created.UTC())
	pdf.SetCatalogSort(true)
	pdf.SetProducer("Lastlook", true)
	pg := &page{pdf, covered}
	pdf.SetTitle(pg.clean(p.title), true)
	return pg, nil
}

func (p *page) finish(w io.Writer) error {
	if err := p.Output(w); err != nil {
		return fmt.Errorf("paper: %w", err)
	}
	return nil
}

// clean gives s as it can be printed on one line: accents joined to their
// letters, white space and line ends as single spaces, control and invisible
// characters dropped, and each character the typeface lacks as [Missing].
func (p *page) clean(s string) string {
	var b strings.Builder
	space := false
	for _, r := range norm.NFC.String(s) {
		switch {
		case unicode.IsSpace(r):
			space = b.Len() > 0
			continue
		case unicode.IsControl(r), unicode.Is(unicode.Cf, r), unicode.Is(unicode.Variation_Selector, r):
			continue
		case r == '\u2010', r == '\u2011':
			r = '-' // hyphens that only say where a line may break
		}
		if space {
			b.WriteByte(' ')
			space = false
		}
		if !p.covered[r] {
			r = Missing
		}
		b.WriteRune(r)
	}
	return b.String()
}

// font chooses weight and size for what is measured or written next.
func (p *page) font(style string, points float64) { p.SetFont(family, style, points) }

// fit gives s if it is no wider than width in the current font, or else its
// beginning and an ellipsis that are not. It expects clean text.
func (p *page) fit(s string, width float64) string {
	if p.GetStringWidth(s) <= width {
		return s
	}
	runes := []rune(s)
	low, high := 0, len(runes) // low runes and the ellipsis fit, if anything does
	for low < high {
		mid := (low + high + 1) / 2
		if p.GetStringWidth(strings.TrimRight(string(runes[:mid]), " ")+"…") <= width {
			low = mid
		} else {
			high = mid - 1
		}
	}
	if low == 0 && p.GetStringWidth("…") > width {
		return ""
	}
	return strings.TrimRight(string(runes[:low]), " ") + "…"
}

// text writes one line, cut to fit into width, with its baseline at y, and gives
// the width it took.
func (p *page) text(x, y, width float64, style string, points float64, s string) float64 {
	p.font(style, points)
	s = p.fit(p.clean(s), width)
	p.Text(x, y, s)
	return p.GetStringWidth(s)
}

// shrunk is text whose type gets smaller, down to 60 %, before it is cut.
func (p *page) shrunk(x, y, width float64, style string, points float64, s string) {
	p.font(style, points)
	if w := p.GetStringWidth(p.clean(s)); w > width {
		points *= max(0.6, width/w*0.999)
	}
	p.text(x, y, width, style, points, s)
}

// joined is text of two parts with a dot between. If there is no room for both,
// the second, the shorter one by nature, keeps up to half of it.
func (p *page) joined(x, y, width float64, style string, points float64, first, second string) {
	p.font(style, points)
	first, second = p.clean(first), p.clean(second)
	const dot = " · "
	if first == "" || second == "" {
		p.text(x, y, width, style, points, first+second)
		return
	}
	if p.GetStringWidth(first+dot+second) > width {
		second = p.fit(second, max(width/2, width-p.GetStringWidth(first+dot)))
		first = p.fit(first, width-p.GetStringWidth(dot+second))
	}
	p.text(x, y, width, style, points, first+dot+second)
}

// textRight is text that ends at x.
func (p *page) textRight(x, y, width float64, style string, points float64, s string) float64 {
	p.font(style, points)
	s = p.fit(p.clean(s), width)
	w := p.GetStringWidth(s)
	p.Text(x-w, y, s)
	return w
}

// wrap breaks text into lines no wider than width in the given type. Line ends in
// the text are kept; a word that is too long by itself is broken anywhere.
func (p *page) wrap(style string, points, width float64, text string) []string {
	p.font(style, points)
	gap := p.GetStringWidth(" ")
	var lines []string
	for _, para := range strings.FieldsFunc(text, func(r rune) bool { return r == '\n' || r == '\r' }) {
		line, taken := "", 0.0
		for _, word := range strings.Fields(p.clean(para)) {
			w := p.GetStringWidth(word)
			if line != "" && taken+gap+w <= width {
				line, taken = line+" "+word, taken+gap+w
				continue
			}
			if line != "" {
				lines = append(lines, line)
			}
			for w > width {
				head := p.head(word, width)
				lines = append(lines, head)
				word = word[len(head):]
				w = p.GetStringWidth(word)
			}
			line, taken = word, w
		}
		if line != "" {
			lines = append(lines, line)
		}
	}
	return lines
}

// head gives as much of a word as fits, at least one character.
func (p *page) head(word string, width float64) string {
	taken := 0.0
	for i, r := range word {
		w := p.GetStringWidth(string(r))
		if i > 0 && taken+w > width {
			return word[:i]
		}
		taken += w
	}
	return word
}

// path collects rectangles to be filled at once: adjoining ones then leave no
// hairline between them, and edges keep a thousandth of a point, where the Rect
// of the PDF writer rounds to a hundredth.
type path struct {
	strings.Builder
	height float64 // of the page, mm
}

// outline collects the corners of a shape to be filled.
type outline struct {
	strings.Builder
	height float64 // of the page, mm
}

// to goes on to a corner.
func (b *outline) to(x, y float64) {
	do := "l"
	if b.Len() == 0 {
		do = "m"
	}
	fmt.Fprintf(b, "%.3f %.3f %s\n", x*pointsPerMM, (b.height-y)*pointsPerMM, do)
}

const pointsPerMM = 72 / 25.4

// FillRect makes path a symbol.Pen.
func (b *path) FillRect(x, y, w, h float64) {
	fmt.Fprintf(b, "%.3f %.3f %.3f %.3f re\n", x*pointsPerMM, (b.height-y-h)*pointsPerMM, w*pointsPerMM, h*pointsPerMM)
}

// barcode draws s, quiet zone included, with its corner at x, y.
func (p *page) barcode(s symbol.Symbol, x, y, module, barHeight float64) {
	_, height := p.GetPageSize()
	b := &path{height: height}
	s.Draw(b, x, y, module, barHeight)
	p.RawWriteStr("q 0 g\n" + b.String() + "f Q")
}

// gridModule is the smallest step of module sizes: 1/100 inch is 3 whole dots of
// a printer with 300 dpi, 6 at 600 dpi, and 2 at 203 dpi but for a fiftieth.
const gridModule = 0.254

// module gives the largest module size for s, quiet zone included, that fits into
// width millimetres and is a whole number of grid modules; 0 if none is.
func module(s symbol.Symbol, width float64) float64 {
	return float64(int(width/gridModule/float64(s.Width+2*s.Quiet)+1e-9)) * gridModule
}
