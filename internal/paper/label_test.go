package paper

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"image"
	"image/draw"
	"image/png"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/makiuchi-d/gozxing"
	"github.com/makiuchi-d/gozxing/oned"
	"github.com/makiuchi-d/gozxing/qrcode"
	"pgregory.net/rapid"

	"lastlook/internal/code"
	"lastlook/internal/say"
)

var created = time.Date(2026, 3, 2, 9, 30, 0, 0, time.UTC)

// invented gives n labels of the invented nursery's consignment, with package
// numbers of every length and texts of every kind among them.
func invented(n int) []Label {
	labels := make([]Label, n)
	for i := range labels {
		l := Label{
			Consignment: "K-2041", Package: i + 1, Packages: 240, Customer: "Saltwick Garden Rooms", Destination: "Eastmoor",
			Crop: "Lavandula, 12 in a tray", Batch: "B-0611-07", LeaveBy: "Tue 3 March, 14:10",
		}
		switch i % 7 {
		case 1:
			l.Consignment, l.Crop, l.Batch = "K-2041-EXTRA-LONG-NUMBER", strings.Repeat("Pelargonium × hortorum ", 9), strings.Repeat("B-0611-07/", 9)
			l.Customer = "Łódź–Señor Büttner 花 😀 " + strings.Repeat("and daughters ", 9)
		case 2:
			l.Package, l.Packages = 100_000, 100_000
		case 3:
			l.Customer, l.Batch, l.LeaveBy = "", "", ""
		case 4:
			l.Package, l.Packages = 12_345+i, 20_000
		case 5:
			l.Package, l.Packages = code.MaxPackage, code.MaxPackage
		}
		l.Code = code.Package("7F3K", l.Package)
		labels[i] = l
	}
	return labels
}

func labelsPDF(t testing.TB, sheet Sheet, labels []Label, opts LabelOptions) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := Labels(&b, sheet, labels, opts); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// tool finds an outside program, or skips the test, or fails it where the
// programs are promised to be there.
func tool(t testing.TB, name string) string {
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

func writeFile(t testing.TB, name string, b []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// raster gives the pages of a PDF as images.
func raster(t testing.TB, pdf []byte, dpi int) []*image.Gray {
	t.Helper()
	program := tool(t, "pdftoppm")
	path := writeFile(t, "labels.pdf", pdf)
	prefix := filepath.Join(filepath.Dir(path), "page")
	if out, err := exec.Command(program, "-r", fmt.Sprint(dpi), "-gray", "-png", path, prefix).CombinedOutput(); err != nil {
		t.Fatalf("pdftoppm: %v: %s", err, out)
	}
	names, err := filepath.Glob(prefix + "*.png")
	if err != nil || len(names) == 0 {
		t.Fatalf("pdftoppm made no pages: %v", err)
	}
	slices.Sort(names)
	pages := make([]*image.Gray, len(names))
	for i, name := range names {
		b, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		img, err := png.Decode(bytes.NewReader(b))
		if err != nil {
			t.Fatal(err)
		}
		pages[i] = image.NewGray(img.Bounds())
		draw.Draw(pages[i], img.Bounds(), img, img.Bounds().Min, draw.Src)
	}
	return pages
}

// cut gives the part of a page inside b.
func cut(img *image.Gray, b box, dpi int) *image.Gray {
	px := func(mm float64) int { return int(math.Round(mm / 25.4 * float64(dpi))) }
	r := image.Rect(px(b.x), px(b.y), px(b.x+b.w), px(b.y+b.h))
	part := image.NewGray(image.Rect(0, 0, r.Dx(), r.Dy()))
	draw.Draw(part, part.Bounds(), img, r.Min, draw.Src)
	return part
}

// zbar gives what zbarimg reads in each image, sorted. One run for all saves
// most of the time.
func zbar(t testing.TB, images []*image.Gray) [][]string {
	t.Helper()
	dir := t.TempDir()
	args := []string{"--quiet", "--nodbus", "--xml"}
	for i, img := range images {
		var b bytes.Buffer
		if err := png.Encode(&b, img); err != nil {
			t.Fatal(err)
		}
		path := filepath.Join(dir, fmt.Sprint(i))
		if err := os.WriteFile(path, b.Bytes(), 0o600); err != nil {
			t.Fatal(err)
		}
		args = append(args, path)
	}
	// It fails if one image has no code, but reports the others all the same.
	out, _ := exec.Command(tool(t, "zbarimg"), args...).Output()
	var report struct {
		Source []struct {
			Href   string `xml:"href,attr"`
			Symbol []struct {
				Type string `xml:"type,attr"`
				Data string `xml:"data"`
			} `xml:"index>symbol"`
		} `xml:"source"`
	}
	if err := xml.Unmarshal(out, &report); err != nil {
		t.Fatalf("zbarimg: %v: %s", err, out)
	}
	read := make([][]string, len(images))
	for _, src := range report.Source {
		i, err := strconv.Atoi(filepath.Base(src.Href))
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range src.Symbol {
			read[i] = append(read[i], s.Type+":"+s.Data)
		}
		slices.Sort(read[i])
	}
	return read
}

func zxing(t testing.TB, reader gozxing.Reader, img image.Image) string {
	t.Helper()
	bmp, err := gozxing.NewBinaryBitmapFromImage(img)
	if err != nil {
		t.Fatal(err)
	}
	res, err := reader.Decode(bmp, nil)
	if err != nil {
		return err.Error()
	}
	return res.GetText()
}

// TestEveryCodeIsRead prints each format, rasterises it as a label printer with
// 203 or 300 dots per inch would, cuts the labels apart, and reads both codes of
// every label with two unrelated readers.
func TestEveryCodeIsRead(t *testing.T) {
	tool(t, "zbarimg")
	for _, sheet := range Sheets() {
		labels := invented(max(7, sheet.PerPage()))
		pdf := labelsPDF(t, sheet, labels, LabelOptions{Invented: true})
		for _, dpi := range []int{203, 300} {
			t.Run(fmt.Sprintf("%s at %d dpi", sheet.Name, dpi), func(t *testing.T) {
				pages := raster(t, pdf, dpi)
				images := make([]*image.Gray, len(labels))
				for i := range labels {
					images[i] = cut(pages[i/sheet.PerPage()], sheet.box(i%sheet.PerPage()), dpi)
				}
				read := zbar(t, images)
				_, h := sheet.LabelSize()
				for i, l := range labels {
					want := l.Code.String()
					if want := []string{"CODE-128:" + want, "QR-Code:" + want}; !slices.Equal(read[i], want) {
						t.Errorf("label %d: zbarimg read %q, want %q", i+1, read[i], want)
					}
					w := float64(images[i].Rect.Dx()) * 25.4 / float64(dpi)
					lower := cut(images[i], box{0, h / 2, w, h / 2}, dpi)
					if got := zxing(t, oned.NewCode128Reader(), lower); got != want {
						t.Errorf("label %d: gozxing read the bars as %q, want %q", i+1, got, want)
					}
					corner := cut(images[i], box{w - 0.5*h, 0, 0.5 * h, 0.52 * h}, dpi)
					if got := zxing(t, qrcode.NewQRCodeReader(), corner); got != want {
						t.Errorf("label %d: gozxing read the square as %q, want %q", i+1, got, want)
					}
				}
			})
		}
	}
}

// TestNothingLeavesTheLabel looks for ink outside the outlines, where only cut
// marks may be, and in the quiet zones.
func TestNothingLeavesTheLabel(t *testing.T) {
	const dpi = 203
	for _, sheet := range Sheets() {
		t.Run(sheet.Name, func(t *testing.T) {
			labels := invented(7)
			pages := raster(t, labelsPDF(t, sheet, labels, LabelOptions{Invented: true}), dpi)
			for i := range labels {
				b := sheet.box(i % sheet.PerPage())
				k := lookFor(b)
				img := cut(pages[i/sheet.PerPage()], b, dpi)
				edge := int((k.frame - 0.25) / 25.4 * dpi)
				inside := img.Bounds().Inset(edge)
				for y := range img.Rect.Dy() {
					for x := range img.Rect.Dx() {
						if !image.Pt(x, y).In(inside) && img.GrayAt(x, y).Y < 128 {
							t.Fatalf("label %d: ink outside the outline at dot %d, %d", i+1, x, y)
						}
					}
				}
				// Left and right of the bars, ten modules are empty.
				f, err := newFace(labels[i])
				if err != nil {
					t.Fatal(err)
				}
				m := module(f.bars, b.w-2*k.frame)
				w, _ := f.bars.Size(m, k.barsH)
				bars := cut(img, box{(b.w - w) / 2, b.h - k.footY - k.foot/pointsPerMM - k.barsH + 0.3, w, k.barsH - 0.6}, dpi)
				quiet := int(9.5 * m / 25.4 * dpi)
				for y := range bars.Rect.Dy() {
					for x := range quiet {
						if bars.GrayAt(x, y).Y < 128 || bars.GrayAt(bars.Rect.Dx()-1-x, y).Y < 128 {
							t.Fatalf("label %d: ink in the quiet zone of the bars, %d dots from the end", i+1, x)
						}
					}
				}
			}
		})
	}
}

func TestModulesAreNeverTooSmall(t *testing.T) {
	for _, sheet := range Sheets() {
		w, h := sheet.LabelSize()
		b := box{0, 0, w, h}
		for _, l := range invented(7) {
			f, err := newFace(l)
			if err != nil {
				t.Fatal(err)
			}
			k := lookFor(b)
			// 0.25 mm is two dots of a 203 dpi printer.
			if m := module(f.bars, b.w-2*k.frame); m < 0.25 {
				t.Errorf("%s: a module of the bars of package %d is %v mm, want at least 0.25", sheet.Name, l.Package, m)
			}
			// Four dots of a 203 dpi printer, for the square symbol.
			if m := module(f.square, k.square); m < 0.5 {
				t.Errorf("%s: a module of the square of package %d is %v mm, want at least 0.5", sheet.Name, l.Package, m)
			}
		}
	}
}

func TestSameInputSameBytes(t *testing.T) {
	for _, sheet := range Sheets() {
		first := labelsPDF(t, sheet, invented(12), LabelOptions{Invented: true, Created: created, Title: "K-2041"})
		for i := range 9 {
			if again := labelsPDF(t, sheet, invented(12), LabelOptions{Invented: true, Created: created, Title: "K-2041"}); !bytes.Equal(first, again) {
				t.Fatalf("%s: run %d gave other bytes", sheet.Name, i+2)
			}
		}
	}
}

func TestPDFIsSound(t *testing.T) {
	qpdf := tool(t, "qpdf")
	for _, sheet := range Sheets() {
		path := writeFile(t, "labels.pdf", labelsPDF(t, sheet, invented(24), LabelOptions{Created: created}))
		if out, err := exec.Command(qpdf, "--check", path).CombinedOutput(); err != nil {
			t.Errorf("%s: qpdf: %v: %s", sheet.Name, err, out)
		}
	}
}

// pdfText gives the text of each page.
func pdfText(t testing.TB, pdf []byte) []string {
	t.Helper()
	out, err := exec.Command(tool(t, "pdftotext"), "-layout", writeFile(t, "labels.pdf", pdf), "-").Output()
	if err != nil {
		t.Fatal(err)
	}
	return strings.Split(strings.TrimSuffix(string(out), "\f"), "\f")
}

func TestWhatIsOnALabel(t *testing.T) {
	l := invented(1)[0]
	l.Package, l.Code = 17, code.Package("7F3K", 17)
	german := func(key string, args ...any) string {
		return fmt.Sprintf(map[string]string{"package %d of %d": "Kolli %d von %d", "leave by": "spätestens"}[key], args...)
	}
	tests := []struct {
		name  string
		sheet string
		opts  LabelOptions
		want  []string
		not   []string
	}{
		{"large", "100x50", LabelOptions{},
			[]string{"K-2041", "package 17 of 240", "Eastmoor · Saltwick", "Lavandula, 12 in a tray", "B-0611-07", "leave by", "Tue 3 March, 14:10", "P 7F3K 017 22"}, []string{"INVENTED"}},
		{"small", "57x32", LabelOptions{Invented: true},
			[]string{"K-2041", "17 of 240", "Eastmoor · Saltwick", "Lavandula", "B-0611-07", "leave by Tue 3 March, 14:10", "P 7F3K 017 22", "INVENTED DATA"}, []string{"package"}},
		{"another language", "100x50", LabelOptions{Say: german}, []string{"Kolli 17 von 240", "spätestens"}, []string{"leave by"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			sheet, err := SheetNamed(tt.sheet)
			if err != nil {
				t.Fatal(err)
			}
			text := pdfText(t, labelsPDF(t, sheet, []Label{l}, tt.opts))[0]
			for _, want := range tt.want {
				if !strings.Contains(text, want) {
					t.Errorf("the label does not say %q:\n%s", want, text)
				}
			}
			for _, not := range tt.not {
				if strings.Contains(text, not) {
					t.Errorf("the label says %q:\n%s", not, text)
				}
			}
		})
	}
}

// The head of the history stands once on every sheet, whole and off the labels; a
// single label has no room beside it.
func TestHeadInTheMargin(t *testing.T) {
	const head = "0F1E 2D3C 4B5A 6978 42"
	for _, sheet := range Sheets() {
		pdf := labelsPDF(t, sheet, invented(sheet.PerPage()+1), LabelOptions{Head: head, Steps: 1234567, Created: created})
		for i, text := range pdfText(t, pdf) {
			want := 1
			if sheet.PerPage() == 1 {
				want = 0
			}
			if got := strings.Count(text, "head at step 1234567: "+head); got != want {
				t.Errorf("%s, sheet %d: the head stands there %d times, want %d:\n%s", sheet.Name, i+1, got, want, text)
			}
		}
		if sheet.PerPage() == 1 {
			continue
		}
		// With and without the head, the labels are the same.
		const dpi = 100
		with := raster(t, pdf, dpi)
		without := raster(t, labelsPDF(t, sheet, invented(sheet.PerPage()+1), LabelOptions{Created: created}), dpi)
		for place := range sheet.PerPage() {
			if b := sheet.box(place); !bytes.Equal(cut(with[0], b, dpi).Pix, cut(without[0], b, dpi).Pix) {
				t.Errorf("%s: the head is on label %d", sheet.Name, place+1)
			}
		}
		if bytes.Equal(with[0].Pix, without[0].Pix) {
			t.Errorf("%s: no head is to be seen", sheet.Name)
		}
	}
}

func TestStart(t *testing.T) {
	sheet, err := SheetNamed("a4")
	if err != nil {
		t.Fatal(err)
	}
	labels := invented(3)
	pages := pdfText(t, labelsPDF(t, sheet, labels, LabelOptions{Start: 9}))
	if len(pages) != 2 {
		t.Fatalf("%d pages, want 2", len(pages))
	}
	for i, want := range []int{0, 0, 1} {
		for p, text := range pages {
			if has := strings.Contains(text, labels[i].Code.Human()); has != (p == want) {
				t.Errorf("label %d on page %d: %v", i+1, p+1, has)
			}
		}
	}
	// Places 1 to 8 stay empty.
	img := raster(t, labelsPDF(t, sheet, labels, LabelOptions{Start: 9}), 50)[0]
	for place := range 8 {
		for _, v := range cut(img, sheet.box(place), 50).Pix {
			if v < 128 {
				t.Fatalf("place %d is not empty", place+1)
			}
		}
	}
}

func TestLabelsRefuse(t *testing.T) {
	a4 := Sheets()[0]
	noCode := invented(2)
	noCode[1].Code = code.Code{}
	wrongKind := invented(1)
	wrongKind[0].Code = code.Consignment("7F3K")
	tests := []struct {
		name   string
		sheet  Sheet
		labels []Label
		opts   LabelOptions
		says   string
	}{
		{"nothing", a4, nil, LabelOptions{}, "no labels to print"},
		{"too many", a4, make([]Label, MaxLabels+1), LabelOptions{}, "2001 labels are too many for one file; it holds at most 2000. Print a range"},
		{"no code", a4, noCode, LabelOptions{}, "Package 2 has no code"},
		{"code of something else", a4, wrongKind, LabelOptions{}, "Package 1 has no code"},
		{"start beyond the sheet", a4, invented(1), LabelOptions{Start: 11}, "the places 1 to 10, so printing cannot start at 11"},
		{"start before the sheet", a4, invented(1), LabelOptions{Start: -1}, "cannot start at -1"},
		{"no sheet", Sheet{Name: "napkin"}, invented(1), LabelOptions{}, "“napkin” is not a label sheet"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var b bytes.Buffer
			err := Labels(&b, tt.sheet, tt.labels, tt.opts)
			if say.CodeOf(err) != say.Invalid || !strings.Contains(err.Error(), tt.says) || b.Len() != 0 {
				t.Errorf("Labels = %v with %d bytes, want a refusal saying %q", err, b.Len(), tt.says)
			}
		})
	}
	if _, err := SheetNamed("napkin"); say.CodeOf(err) != say.NotFound || !strings.Contains(err.Error(), "a4, a4-small, letter") {
		t.Errorf("SheetNamed = %v", err)
	}
}

type brokenWriter struct{}

var errBroken = errors.New("the disk is full")

func (brokenWriter) Write([]byte) (int, error) { return 0, errBroken }

func TestLabelsReportWriteErrors(t *testing.T) {
	if err := Labels(brokenWriter{}, Sheets()[0], invented(1), LabelOptions{}); !errors.Is(err, errBroken) {
		t.Errorf("Labels = %v, want %v", err, errBroken)
	}
}

func TestMostLabels(t *testing.T) {
	if pdf := labelsPDF(t, Sheets()[0], invented(MaxLabels), LabelOptions{}); len(pdf) > 16<<20 {
		t.Errorf("%d labels take %d bytes", MaxLabels, len(pdf))
	}
}

func TestSheets(t *testing.T) {
	seen := map[string]bool{}
	for _, s := range Sheets() {
		if seen[s.Name] {
			t.Errorf("two sheets are called %s", s.Name)
		}
		seen[s.Name] = true
		if got, err := SheetNamed(s.Name); err != nil || got.PerPage() != s.PerPage() {
			t.Errorf("SheetNamed(%s) = %v, %v", s.Name, got, err)
		}
		w, h := s.LabelSize()
		if w < 57 || h < 32 {
			t.Errorf("%s: labels of %v × %v mm are too small for the codes", s.Name, w, h)
		}
		for i := range s.PerPage() {
			b := s.box(i)
			if b.x < 0 || b.y < 0 || b.x+b.w > s.Width+1e-9 || b.y+b.h > s.Height+1e-9 {
				t.Errorf("%s: place %d is not on the sheet: %+v", s.Name, i+1, b)
			}
			for j := range i {
				c := s.box(j)
				if b.x < c.x+c.w && c.x < b.x+b.w && b.y < c.y+c.h && c.y < b.y+b.h {
					t.Errorf("%s: places %d and %d overlap", s.Name, i+1, j+1)
				}
			}
		}
	}
}

func newTestPage(t *testing.T) *page {
	t.Helper()
	p, err := newPage(100, 50, properties{})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestClean(t *testing.T) {
	p := newTestPage(t)
	tests := []struct{ name, in, want string }{
		{"plain", "Quillfern Growers", "Quillfern Growers"},
		{"line ends and tabs", " one\r\ntwo\t three \n", "one two three"},
		{"control characters", "a\x00b\x1bc\u0085d", "abc d"}, // U+0085 ends a line
		{"accents apart from their letter", "Bu\u0308ttner", "Büttner"},
		{"European Latin", "Łódź, Győr, Şişli, Škoda, Ærø, Țara", "Łódź, Győr, Şişli, Škoda, Ærø, Țara"},
		{"Han", "花 garden", "◊ garden"},
		{"emoji", "😀!", "◊!"},
		{"emoji joined from three, with a variation selector", "👩\u200d🌾\ufe0f", "◊◊"},
		{"Hebrew", "שלום", "◊◊◊◊"},
		{"Cyrillic", "Жук", "◊◊◊"},
		{"direction marks", "a\u202eb\u200f", "ab"},
		{"invalid UTF-8", "a\xffb", "a◊b"},
		{"no-break space and hyphen", "1\u00a0m, B\u20117", "1 m, B-7"},
		{"nothing", "", ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if got := p.clean(tt.in); got != tt.want {
				t.Errorf("clean(%q) = %q, want %q", tt.in, got, tt.want)
			}
		})
	}
	for _, r := range string(Missing) + "…·×“”’–" + "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ" {
		if !p.covered[r] {
			t.Errorf("the typeface lacks %q", r)
		}
	}
}

func TestFit(t *testing.T) {
	p := newTestPage(t)
	rapid.Check(t, func(rt *rapid.T) {
		p.font(rapid.SampledFrom([]string{regular, bold}).Draw(rt, "style"), 9)
		s := p.clean(rapid.StringOfN(rapid.RuneFrom([]rune("iMm .Wéł◊")), 1, 60, -1).Draw(rt, "s"))
		width := rapid.Float64Range(0, 1.1).Draw(rt, "share") * p.GetStringWidth(s)
		got := p.fit(s, width)
		if w := p.GetStringWidth(got); w > width+1e-9 && got != "" {
			rt.Fatalf("fit(%q, %v) = %q, which is %v wide", s, width, got, w)
		}
		if got == s || got == "" {
			return
		}
		kept, ok := strings.CutSuffix(got, "…")
		if !ok || !strings.HasPrefix(s, kept) {
			rt.Fatalf("fit(%q, %v) = %q", s, width, got)
		}
		// One character more would not have fitted.
		if rest := []rune(s[len(kept):]); len(rest) > 1 && rest[0] != ' ' {
			if more := kept + string(rest[0]) + "…"; p.GetStringWidth(more) <= width {
				rt.Fatalf("fit(%q, %v) = %q, but %q fits", s, width, got, more)
			}
		}
	})
}

// TestAnyTextIsPrinted puts every kind of text into every field.
func TestAnyTextIsPrinted(t *testing.T) {
	sheet, err := SheetNamed("57x32")
	if err != nil {
		t.Fatal(err)
	}
	rapid.Check(t, func(rt *rapid.T) {
		text := func(name string) string {
			return rapid.OneOf(rapid.String(), rapid.SampledFrom([]string{"", "(\\)", "😀", strings.Repeat("W", 500), "%d %s"})).Draw(rt, name)
		}
		l := Label{code.Package("7F3K", 17), text("number"), 17, 240, rapid.Bool().Draw(rt, "gaps"), text("customer"), text("destination"), text("crop"), text("batch"), text("leave by")}
		var b bytes.Buffer
		if err := Labels(&b, sheet, []Label{l}, LabelOptions{Title: text("title")}); err != nil {
			rt.Fatal(err)
		}
	})
}

// A number above the count is not said to be of it.
func TestCountWithGaps(t *testing.T) {
	for _, tt := range []struct {
		name  string
		named bool
		gaps  bool
		want  string
	}{
		{"large", true, false, "package 37 of 37"}, {"small", false, false, "37 of 37"},
		{"large, with gaps", true, true, "package 37 (36 in all)"}, {"small, with gaps", false, true, "37 (36 in all)"},
	} {
		l := Label{Package: 37, Packages: 37, Gaps: tt.gaps}
		if tt.gaps {
			l.Packages = 36
		}
		if got := (face{Label: l}).count(nil, look{named: tt.named}); got != tt.want {
			t.Errorf("%s: count = %q, want %q", tt.name, got, tt.want)
		}
	}
}
