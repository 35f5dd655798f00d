package symbol

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/makiuchi-d/gozxing"
	zxdm "github.com/makiuchi-d/gozxing/datamatrix"
	"github.com/makiuchi-d/gozxing/oned"
	"github.com/makiuchi-d/gozxing/qrcode"
	"pgregory.net/rapid"

	"lastlook/internal/say"
)

// raster is a Pen over an image; lengths are pixels.
type raster struct{ *image.Gray }

func (r raster) FillRect(x, y, w, h float64) {
	for py := int(y); py < int(y+h); py++ {
		for px := int(x); px < int(x+w); px++ {
			r.SetGray(px, py, color.Gray{})
		}
	}
}

// paint draws s with a margin of nothing but its own quiet zone.
func paint(s Symbol, module, barHeight int) *image.Gray {
	w, h := s.Size(float64(module), float64(barHeight))
	img := image.NewGray(image.Rect(0, 0, int(w), int(h)))
	for i := range img.Pix {
		img.Pix[i] = 255
	}
	s.Draw(raster{img}, 0, 0, float64(module), float64(barHeight))
	return img
}

func decode(t *testing.T, reader gozxing.Reader, img image.Image) string {
	t.Helper()
	bmp, err := gozxing.NewBinaryBitmapFromImage(img)
	if err != nil {
		t.Fatal(err)
	}
	res, err := reader.Decode(bmp, nil)
	if err != nil {
		t.Fatalf("not readable: %v", err)
	}
	return res.GetText()
}

var samples = []string{"P7F3K01722", "K7F3K98", "ACLEAN70", "RABCDEFGHJK38", "P7F3K1234542", "B2ABC07", "hello world", "0123456789"}

func makers() map[string]struct {
	make   func(string) (Symbol, error)
	reader gozxing.Reader
} {
	type m = struct {
		make   func(string) (Symbol, error)
		reader gozxing.Reader
	}
	withLevel := func(l Level) func(string) (Symbol, error) {
		return func(s string) (Symbol, error) { return QR(s, l) }
	}
	return map[string]m{
		"Code 128":    {Code128, oned.NewCode128Reader()},
		"QR medium":   {withLevel(Medium), qrcode.NewQRCodeReader()},
		"QR high":     {withLevel(High), qrcode.NewQRCodeReader()},
		"Data Matrix": {DataMatrix, zxdm.NewDataMatrixReader()},
	}
}

// TestReadable reads every symbol with an independent reader, at two and three
// dots a module, or four and six for Data Matrix: with fewer this reader counts
// the modules wrong, where dmtxread does not.
func TestReadable(t *testing.T) {
	for name, m := range makers() {
		for _, text := range samples {
			for _, dots := range []int{2, 3} {
				if name == "Data Matrix" {
					dots *= 2
				}
				t.Run(fmt.Sprintf("%s/%s/%d dots", name, text, dots), func(t *testing.T) {
					s, err := m.make(text)
					if err != nil {
						t.Fatal(err)
					}
					if got := decode(t, m.reader, paint(s, dots, 40)); got != text {
						t.Errorf("read %q, want %q", got, text)
					}
				})
			}
		}
	}
}

// tool finds an outside program, or skips the test, or fails it where the
// programs are promised to be there.
func tool(t *testing.T, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		if os.Getenv("LASTLOOK_TOOLS") == "required" {
			t.Fatalf("%s is required and not installed", name)
		}
		t.Skipf("%s is not installed", name)
	}
	return path
}

// TestReadableByOtherPrograms asks second, unrelated readers.
func TestReadableByOtherPrograms(t *testing.T) {
	dir := t.TempDir()
	for name, m := range makers() {
		command := []string{tool(t, "zbarimg"), "--quiet", "--raw"}
		if name == "Data Matrix" {
			command = []string{tool(t, "dmtxread"), "--stop-after=1"}
		}
		for i, text := range samples {
			s, err := m.make(text)
			if err != nil {
				t.Fatal(err)
			}
			var b bytes.Buffer
			if err := png.Encode(&b, paint(s, 3, 60)); err != nil {
				t.Fatal(err)
			}
			path := filepath.Join(dir, fmt.Sprintf("%d.png", i))
			if err := os.WriteFile(path, b.Bytes(), 0o600); err != nil {
				t.Fatal(err)
			}
			out, err := exec.Command(command[0], append(command[1:], path)...).Output()
			if got := strings.TrimSuffix(string(out), "\n"); err != nil || got != text {
				t.Errorf("%s: %s read %q, %v, want %q", name, command[0], got, err, text)
			}
		}
	}
}

func TestRefuses(t *testing.T) {
	for name, call := range map[string]func() (Symbol, error){
		"Code 128, nothing":          func() (Symbol, error) { return Code128("") },
		"Code 128, too long":         func() (Symbol, error) { return Code128(strings.Repeat("A", 81)) },
		"Code 128, other letters":    func() (Symbol, error) { return Code128("käfer") },
		"Code 128, FNC1 stand-in":    func() (Symbol, error) { return Code128("ñ") },
		"Code 128, line end":         func() (Symbol, error) { return Code128("A\r\n") },
		"QR, nothing":                func() (Symbol, error) { return QR("", Medium) },
		"QR, too long":               func() (Symbol, error) { return QR(strings.Repeat("a", 3000), High) },
		"Data Matrix, nothing":       func() (Symbol, error) { return DataMatrix("") },
		"Data Matrix, other letters": func() (Symbol, error) { return DataMatrix("ä") },
		"Data Matrix, too long":      func() (Symbol, error) { return DataMatrix(strings.Repeat("a", 3000)) },
	} {
		t.Run(name, func(t *testing.T) {
			s, err := call()
			if say.CodeOf(err) != say.Invalid || s.Width != 0 {
				t.Errorf("= %v modules wide, %v, want a refusal", s.Width, err)
			}
		})
	}
}

// TestBarsCoverEachModuleOnce is what both drawings stand on.
func TestBarsCoverEachModuleOnce(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w, h := rapid.IntRange(1, 12).Draw(t, "w"), rapid.IntRange(1, 12).Draw(t, "h")
		s := Symbol{Width: w, Height: h, dark: rapid.SliceOfN(rapid.Bool(), w*h, w*h).Draw(t, "dark")}
		times := make([]int, w*h)
		for b := range s.Bars() {
			for y := b.Y; y < b.Y+b.H; y++ {
				for x := b.X; x < b.X+b.W; x++ {
					times[y*w+x]++
				}
			}
		}
		for i, n := range times {
			if want := s.dark[i]; n > 1 || (n == 1) != want {
				t.Fatalf("module %d, %d of %v is covered %d times; it is dark: %v", i%w, i/w, s, n, want)
			}
		}
	})
}

func TestQuietZones(t *testing.T) {
	for _, tt := range []struct {
		name  string
		make  func(string) (Symbol, error)
		quiet int
	}{
		{"Code 128, ISO/IEC 15417", Code128, 10},
		{"QR Code, ISO/IEC 18004", func(s string) (Symbol, error) { return QR(s, Medium) }, 4},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s, err := tt.make("K7F3K98")
			if err != nil || s.Quiet != tt.quiet {
				t.Fatalf("Quiet = %d, %v, want %d", s.Quiet, err, tt.quiet)
			}
			img := paint(s, 1, 5)
			for y := img.Rect.Min.Y; y < img.Rect.Max.Y; y++ {
				for x := range tt.quiet {
					if img.GrayAt(x, y).Y == 0 || img.GrayAt(img.Rect.Max.X-1-x, y).Y == 0 {
						t.Fatalf("the quiet zone is dark at row %d, %d from the edge", y, x)
					}
				}
			}
			if img.GrayAt(tt.quiet, img.Rect.Max.Y/2).Y != 0 && s.IsLinear() {
				t.Error("no bar begins where the quiet zone ends")
			}
		})
	}
}

// TestSVG parses the element and paints its path again.
func TestSVG(t *testing.T) {
	const title = `Package <017> & "more" of K-2041`
	for name, m := range makers() {
		t.Run(name, func(t *testing.T) {
			s, err := m.make("P7F3K01722")
			if err != nil {
				t.Fatal(err)
			}
			svg := s.SVG(title, 30)
			var doc struct {
				ViewBox string `xml:"viewBox,attr"`
				Role    string `xml:"role,attr"`
				Title   string `xml:"title"`
				Path    []struct {
					Fill string `xml:"fill,attr"`
					D    string `xml:"d,attr"`
				} `xml:"path"`
			}
			dec := xml.NewDecoder(strings.NewReader(svg))
			if err := dec.Decode(&doc); err != nil {
				t.Fatal(err)
			}
			if _, err := dec.Token(); err != io.EOF {
				t.Errorf("there is more behind the element: %v", err)
			}
			if doc.Title != title || doc.Role != "img" || len(doc.Path) != 2 {
				t.Fatalf("title %q, role %q, %d paths", doc.Title, doc.Role, len(doc.Path))
			}
			var w, h int
			if _, err := fmt.Sscanf(doc.ViewBox, "0 0 %d %d", &w, &h); err != nil {
				t.Fatal(err)
			}
			const dots = 3
			img := image.NewGray(image.Rect(0, 0, w*dots, h*dots))
			for i := range img.Pix {
				img.Pix[i] = 255
			}
			for part := range strings.SplitSeq(strings.TrimPrefix(doc.Path[1].D, "M"), "M") {
				var x, y, bw, bh, back int
				if n, err := fmt.Sscanf(part, "%d %dh%dv%dh-%dz", &x, &y, &bw, &bh, &back); n != 5 || err != nil || back != bw {
					t.Fatalf("path part %q: %v", part, err)
				}
				raster{img}.FillRect(float64(x*dots), float64(y*dots), float64(bw*dots), float64(bh*dots))
			}
			if got := decode(t, m.reader, img); got != "P7F3K01722" {
				t.Errorf("read %q", got)
			}
		})
	}
}

func TestDots(t *testing.T) {
	s := Symbol{Width: 80, Height: 1, Quiet: 10} // 100 modules in all
	tests := []struct {
		name string
		mm   float64
		dpi  int
		want int
	}{
		{"one inch at 300 dpi holds three dots a module", 25.4, 300, 3},
		{"a hair less holds two", 25.3, 300, 2},
		{"one inch at 203 dpi holds two", 25.4, 203, 2},
		{"too narrow", 5, 203, 0},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if got := s.Dots(tt.mm, tt.dpi); got != tt.want {
				t.Errorf("Dots(%v, %d) = %d, want %d", tt.mm, tt.dpi, got, tt.want)
			}
		})
	}
	if got := ModuleSize(3, 300); math.Abs(got-0.254) > 1e-12 {
		t.Errorf("ModuleSize(3, 300) = %v mm, want 0.254", got)
	}
}
