// Package symbol turns a string into the modules of a barcode and draws them.
//
// [Code128], [QR] and [DataMatrix] make a [Symbol]; [Symbol.SVG] draws it for a
// page, [Symbol.Draw] onto anything that can fill a rectangle, such as a PDF
// page. The encoding is done by github.com/boombuler/barcode. Its scaling is not
// used: it fits a symbol to a width and then modules come out unequal, which
// scanners forgive only so far. Here a module is always the caller's size, and
// [Dots] finds the largest that is whole dots of a printer.
//
// The package does not check what is encoded: that is the work of package code.
package symbol

import (
	"encoding/xml"
	"fmt"
	"image/color"
	"iter"
	"strings"

	"github.com/boombuler/barcode"
	"github.com/boombuler/barcode/code128"
	"github.com/boombuler/barcode/datamatrix"
	"github.com/boombuler/barcode/qr"

	"lastlook/internal/say"
)

// Symbol is a barcode as dark and light modules, without its quiet zone.
type Symbol struct {
	// Width and Height count modules. A linear symbol has a Height of 1: its bars
	// are as tall as the drawing makes them.
	Width, Height int
	// Quiet is the width of the empty margin, in modules, that must stay around
	// the symbol: left and right of a linear one, on all sides of a square one.
	Quiet int
	dark  []bool
}

// The quiet zones. Data Matrix needs 1 (ISO/IEC 16022); two are kept, as
// printers and scissors wander.
const (
	quietCode128    = 10 // ISO/IEC 15417
	quietQR         = 4  // ISO/IEC 18004
	quietDataMatrix = 2
)

// Level is how much of a QR symbol may be lost.
type Level = qr.ErrorCorrectionLevel

// The levels of ISO/IEC 18004, with the share of codewords that can be restored
// (7, 15, 25 and 30 %).
const (
	Low      Level = qr.L
	Medium   Level = qr.M
	Quartile Level = qr.Q
	High     Level = qr.H
)

// Code128 makes a Code 128 symbol (ISO/IEC 15417) of 1 to 80 printable ASCII
// characters. The error is a say.Refusal.
func Code128(text string) (Symbol, error) {
	if !printable(text) {
		return Symbol{}, refuse("Code 128", text, nil)
	}
	b, err := code128.Encode(text)
	if err != nil {
		return Symbol{}, refuse("Code 128", text, err)
	}
	return modules(b, quietCode128), nil
}

// QR makes a QR Code symbol (ISO/IEC 18004) of the smallest size that holds the
// text. The error is a say.Refusal.
func QR(text string, level Level) (Symbol, error) {
	if text == "" {
		return Symbol{}, refuse("QR Code", text, nil)
	}
	b, err := qr.Encode(text, level, qr.Auto)
	if err != nil {
		return Symbol{}, refuse("QR Code", text, err)
	}
	return modules(b, quietQR), nil
}

// DataMatrix makes a Data Matrix ECC 200 symbol (ISO/IEC 16022) of printable
// ASCII characters. The error is a say.Refusal.
func DataMatrix(text string) (Symbol, error) {
	if !printable(text) { // the encoder gets characters above 127 wrong
		return Symbol{}, refuse("Data Matrix", text, nil)
	}
	b, err := datamatrix.Encode(text)
	if err != nil {
		return Symbol{}, refuse("Data Matrix", text, err)
	}
	return modules(b, quietDataMatrix), nil
}

func printable(s string) bool {
	return s != "" && !strings.ContainsFunc(s, func(r rune) bool { return r < ' ' || r > '~' })
}

func refuse(kind, text string, cause error) error {
	return say.Refuse(say.Invalid, "A text of %d characters cannot be put into a %s barcode. Use a shorter one, of plain letters and digits.", len([]rune(text)), kind).Because(cause)
}

func modules(b barcode.Barcode, quiet int) Symbol {
	r := b.Bounds()
	s := Symbol{Width: r.Dx(), Height: r.Dy(), Quiet: quiet, dark: make([]bool, r.Dx()*r.Dy())}
	for y := range s.Height {
		for x := range s.Width {
			g := color.GrayModel.Convert(b.At(r.Min.X+x, r.Min.Y+y)).(color.Gray)
			s.dark[y*s.Width+x] = g.Y < 128
		}
	}
	return s
}

// At reports whether the module at column x and row y is dark. All modules
// outside the symbol are light.
func (s Symbol) At(x, y int) bool {
	return x >= 0 && x < s.Width && y >= 0 && y < s.Height && s.dark[y*s.Width+x]
}

// IsLinear reports whether s is made of bars.
func (s Symbol) IsLinear() bool { return s.Height == 1 }

// Bar is a rectangle of dark modules.
type Bar struct{ X, Y, W, H int }

// Bars gives rectangles that together cover the dark modules, each once: runs in
// a row, made taller as long as the rows below are dark there too.
func (s Symbol) Bars() iter.Seq[Bar] {
	return func(yield func(Bar) bool) {
		done := make([]bool, len(s.dark))
		for y := range s.Height {
			for x := 0; x < s.Width; x++ {
				if !s.At(x, y) || done[y*s.Width+x] {
					continue
				}
				b := Bar{X: x, Y: y, W: 1, H: 1}
				for s.At(x+b.W, y) && !done[y*s.Width+x+b.W] {
					b.W++
				}
				for s.free(b, y+b.H, done) {
					b.H++
				}
				for dy := range b.H {
					for dx := range b.W {
						done[(y+dy)*s.Width+x+dx] = true
					}
				}
				if !yield(b) {
					return
				}
			}
		}
	}
}

// free reports whether b's columns of row y are dark and none of them done.
func (s Symbol) free(b Bar, y int, done []bool) bool {
	for x := b.X; x < b.X+b.W; x++ {
		if !s.At(x, y) || done[y*s.Width+x] {
			return false
		}
	}
	return true
}

// Pen is what a symbol is drawn with. Lengths are in the pen's own unit, y grows
// downwards.
type Pen interface {
	FillRect(x, y, w, h float64)
}

// Size gives the width and height that s takes, quiet zone included, when a
// module has the given size and the bars of a linear symbol the given height.
// Linear symbols need no quiet zone above and below.
func (s Symbol) Size(module, barHeight float64) (w, h float64) {
	w = float64(s.Width+2*s.Quiet) * module
	if s.IsLinear() {
		return w, barHeight
	}
	return w, float64(s.Height+2*s.Quiet) * module
}

// Draw fills the bars of s. Its corner with the quiet zone is at x, y; see
// [Symbol.Size].
func (s Symbol) Draw(pen Pen, x, y, module, barHeight float64) {
	x += float64(s.Quiet) * module
	row := module
	if s.IsLinear() {
		row = barHeight
	} else {
		y += float64(s.Quiet) * module
	}
	for b := range s.Bars() {
		pen.FillRect(x+float64(b.X)*module, y+float64(b.Y)*row, float64(b.W)*module, float64(b.H)*row)
	}
}

// SVG gives an svg element with the quiet zone, for use in a page. The title is
// what a screen reader says; it may be any text. The viewBox counts modules, so
// the page sets the size, best in whole pixels a module. The bars of a linear
// symbol are barHeight modules tall; it is not looked at for square ones.
func (s Symbol) SVG(title string, barHeight int) string {
	w, h := s.Width+2*s.Quiet, s.Height+2*s.Quiet
	top, row := s.Quiet, 1
	if s.IsLinear() {
		h, top, row = max(1, barHeight), 0, max(1, barHeight)
	}
	var b strings.Builder
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %d %d" role="img" shape-rendering="crispEdges"><title>`, w, h)
	xml.EscapeText(&b, []byte(title)) // a strings.Builder does not fail
	fmt.Fprintf(&b, `</title><path fill="#fff" d="M0 0h%dv%dH0z"/><path fill="#000" d="`, w, h)
	for bar := range s.Bars() {
		fmt.Fprintf(&b, "M%d %dh%dv%dh-%dz", s.Quiet+bar.X, top+bar.Y*row, bar.W, bar.H*row, bar.W)
	}
	b.WriteString(`"/></svg>`)
	return b.String()
}

// Dots gives the largest whole number of printer dots a module can have for s,
// with its quiet zone, to fit into a width of mm millimetres at dpi dots per inch. It is 0
// if not even one dot a module fits.
func (s Symbol) Dots(mm float64, dpi int) int {
	return int(mm/25.4*float64(dpi)+1e-9) / (s.Width + 2*s.Quiet)
}

// ModuleSize gives the size of a module in millimetres that has that many dots.
func ModuleSize(dots, dpi int) float64 { return float64(dots) * 25.4 / float64(dpi) }
