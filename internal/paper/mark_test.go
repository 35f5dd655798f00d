package paper

import (
	"bytes"
	"fmt"
	"image"
	"io"
	"os/exec"
	"slices"
	"strings"
	"testing"

	"lastlook/internal/code"
	"lastlook/internal/consignment"
	"lastlook/internal/say"
)

// long is text that has no room anywhere.
var long = strings.Repeat("Pelargonium × hortorum 花 ", 12)

var outcomes = []consignment.Outcome{consignment.Passed, consignment.Rejected, consignment.Held, consignment.Stopped}

// inventedMarks gives a mark of each outcome for a consignment and for packages, with
// texts that have no room among them.
func inventedMarks() []MarkLabel {
	var ms []MarkLabel
	for i, o := range outcomes {
		m := MarkLabel{Code: code.Consignment("7F3K"), Outcome: o, Consignment: "K-2041", Packages: 240, Destination: "Eastmoor",
			At: "Wed 11 March, 11:40", By: "Ida Fenn", Note: "Move nothing. Ask Ida Fenn."}
		if o == consignment.Passed {
			m.Until, m.Note = "Sat 14 March, 09:05", ""
		}
		ms = append(ms, m)
		m.Package, m.Code = 63, code.Package("7F3K", 63)
		if i == 1 {
			m.Package, m.Packages, m.Code = code.MaxPackage, code.MaxPackage, code.Package("7F3K", code.MaxPackage)
			m.Consignment, m.Destination, m.Note, m.By = "K-2041-EXTRA-LONG-NUMBER", long, long, long
		}
		ms = append(ms, m)
	}
	return ms
}

func inventedSamples() []SampleLabel {
	s := SampleLabel{Code: code.Code{Kind: code.KindSample, Payload: "7F3K"}, Consignment: "K-2041", Package: 63, Unit: 4,
		Part: "Leaf, below", Taken: "Specimen", Kept: "In alcohol", By: "Tam Orrin", At: "Wed 11 March, 10:12"}
	full := s
	full.Code.Payload = "WXYZ"
	full.Consignment, full.Part, full.Taken, full.Kept, full.By = "K-2041-EXTRA-LONG-NUMBER", long, long, long, long
	bare := SampleLabel{Code: code.Code{Kind: code.KindSample, Payload: "2345"}}
	return []SampleLabel{s, full, bare}
}

func inventedCards() []PlaceCard {
	return []PlaceCard{
		{Code: code.Code{Kind: code.KindLocation, Payload: "7F3K"}, Name: "Bay Q", Kind: "Quarantine bay", Where: "behind the potting shed", Rule: "Nothing leaves this place.", Closed: true},
		{Code: code.Code{Kind: code.KindLocation, Payload: "8G4M"}, Name: long, Kind: long, Where: long, Rule: long},
		{Code: code.Code{Kind: code.KindLocation, Payload: "9H5N"}, Name: "Gate"},
	}
}

// printed is a kind of printed thing that is made of labels on sheets.
type printed struct {
	name   string
	sheets []Sheet
	codes  []code.Code
	print  func(w io.Writer, s Sheet, o LabelOptions) error
	// symbols says which barcodes are on a label of that size.
	symbols func(b box) []string
}

func allPrinted() []printed {
	both := []string{"CODE-128", "QR-Code"}
	marks, samples, cards := inventedMarks(), inventedSamples(), inventedCards()
	var ofMarks, ofSamples, ofCards []code.Code
	for _, m := range marks {
		ofMarks = append(ofMarks, m.Code)
	}
	for _, s := range samples {
		ofSamples = append(ofSamples, s.Code)
	}
	for _, c := range cards {
		ofCards = append(ofCards, c.Code)
	}
	return []printed{
		{"marks", MarkSheets(), ofMarks, func(w io.Writer, s Sheet, o LabelOptions) error { return Marks(w, s, marks, o) },
			func(b box) []string {
				if markLookFor(b).square > 0 {
					return both
				}
				return both[:1]
			}},
		{"samples", SampleSheets(), ofSamples, func(w io.Writer, s Sheet, o LabelOptions) error { return Samples(w, s, samples, o) },
			func(b box) []string {
				if b.h < 40 {
					return both[1:]
				}
				return both
			}},
		{"cards", CardSheets(), ofCards, func(w io.Writer, s Sheet, o LabelOptions) error { return PlaceCards(w, s, cards, o) },
			func(box) []string { return both }},
	}
}

func (p printed) pdf(t testing.TB, s Sheet) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := p.print(&b, s, LabelOptions{Invented: true, Created: created, Title: p.name}); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// Every barcode of marks, samples and cards is read by zbarimg, as a label printer
// with 203 or 300 dots per inch would print it, and nothing leaves its label.
func TestMarksAreRead(t *testing.T) {
	tool(t, "zbarimg")
	for _, p := range allPrinted() {
		for i, sheet := range p.sheets {
			dpis := []int{203}
			if sheet.PerPage() == 1 || i == 0 { // the looks are the same on the others
				dpis = []int{203, 300}
			}
			for _, dpi := range dpis {
				t.Run(fmt.Sprintf("%s on %s at %d dpi", p.name, sheet.Name, dpi), func(t *testing.T) {
					pages := raster(t, p.pdf(t, sheet), dpi)
					images := make([]*image.Gray, len(p.codes))
					for i := range p.codes {
						images[i] = cut(pages[i/sheet.PerPage()], sheet.box(i%sheet.PerPage()), dpi)
					}
					w, h := sheet.LabelSize()
					for i, read := range zbar(t, images) {
						var want []string
						for _, s := range p.symbols(box{w: w, h: h}) {
							want = append(want, s+":"+p.codes[i].String())
						}
						if !slices.Equal(read, want) {
							t.Errorf("label %d: zbarimg read %q, want %q", i+1, read, want)
						}
						// 0.25 mm inside the edge nothing is printed yet.
						edge := int(0.25 / 25.4 * float64(dpi))
						inside := images[i].Bounds().Inset(edge)
						for y := range images[i].Rect.Dy() {
							for x := range images[i].Rect.Dx() {
								if !image.Pt(x, y).In(inside) && images[i].GrayAt(x, y).Y < 128 {
									t.Fatalf("label %d: ink outside the outline at dot %d, %d", i+1, x, y)
								}
							}
						}
					}
				})
			}
		}
	}
}

func TestMarksAreSound(t *testing.T) {
	qpdf := tool(t, "qpdf")
	for _, p := range allPrinted() {
		for _, sheet := range p.sheets {
			pdf := p.pdf(t, sheet)
			if out, err := exec.Command(qpdf, "--check", writeFile(t, "x.pdf", pdf)).CombinedOutput(); err != nil {
				t.Errorf("%s on %s: qpdf: %v: %s", p.name, sheet.Name, err, out)
			}
			if !bytes.Equal(pdf, p.pdf(t, sheet)) {
				t.Errorf("%s on %s: the same input gave other bytes", p.name, sheet.Name)
			}
		}
	}
}

func TestWhatIsOnAMark(t *testing.T) {
	for _, sheet := range []string{"57x32", "100x50", "a4-consignment"} {
		s, err := SheetIn(MarkSheets(), sheet)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range inventedMarks() {
			if m.Consignment != "K-2041" {
				continue
			}
			var b bytes.Buffer
			if err := Marks(&b, s, []MarkLabel{m}, LabelOptions{Invented: true}); err != nil {
				t.Fatal(err)
			}
			text := pdfText(t, b.Bytes())[0]
			want := []string{strings.ToUpper(string(m.Outcome)), "K-2041", m.At, m.Code.Human(), "INVENTED DATA"}
			if m.Until != "" {
				want = append(want, "valid until "+m.Until)
			} else {
				want = append(want, m.Note)
			}
			if m.Package > 0 {
				want = append(want, "package 63 of 240")
			} else {
				want = append(want, "all 240 packages")
			}
			if sheet != "57x32" {
				want = append(want, m.Destination, m.By)
			}
			for _, w := range want {
				if !strings.Contains(text, w) {
					t.Errorf("%s on %s does not say %q:\n%s", m.Outcome, sheet, w, text)
				}
			}
			for _, o := range outcomes {
				if o != m.Outcome && strings.Contains(text, strings.ToUpper(string(o))) {
					t.Errorf("the mark of %s says %s", m.Outcome, o)
				}
			}
		}
	}
}

// The four outcomes are told apart without their words: by shape and by edge, in
// black and white.
func TestMarksDiffer(t *testing.T) {
	s, err := SheetIn(MarkSheets(), "57x32")
	if err != nil {
		t.Fatal(err)
	}
	const dpi = 203
	var shapes, edges []*image.Gray
	for _, o := range outcomes {
		var b bytes.Buffer
		if err := Marks(&b, s, []MarkLabel{{Code: code.Consignment("7F3K"), Outcome: o, Until: "x"}}, LabelOptions{}); err != nil {
			t.Fatal(err)
		}
		page := raster(t, b.Bytes(), dpi)[0]
		k := markSmall
		shapes = append(shapes, cut(page, box{k.pad, k.pad, k.shape, k.shape}, dpi))
		edges = append(edges, cut(page, box{57 - k.frame - k.strip, 4, k.strip, 12}, dpi))
	}
	for _, parts := range [][]*image.Gray{shapes, edges} {
		for i := range parts {
			for j := range i {
				differ := 0
				for n := range parts[i].Pix {
					if (parts[i].Pix[n] < 128) != (parts[j].Pix[n] < 128) {
						differ++
					}
				}
				if share := float64(differ) / float64(len(parts[i].Pix)); share < 0.12 {
					t.Errorf("%s and %s differ in %.0f %% of the dots, want at least 12", outcomes[i], outcomes[j], 100*share)
				}
			}
		}
	}
}

func TestWhatIsOnASample(t *testing.T) {
	l := inventedSamples()[0]
	for _, name := range []string{"vial", "bag"} {
		s, err := SheetIn(SampleSheets(), name)
		if err != nil {
			t.Fatal(err)
		}
		var b bytes.Buffer
		if err := Samples(&b, s, []SampleLabel{l}, LabelOptions{Invented: true}); err != nil {
			t.Fatal(err)
		}
		text := pdfText(t, b.Bytes())[0]
		for _, w := range []string{l.Code.Human(), "K-2041", "package 63, unit 4", "Leaf, below", "Specimen", "In alcohol", "Tam Orrin", "Wed 11 March, 10:12", "DO NOT OPEN", "INVENTED DATA"} {
			if !strings.Contains(text, w) {
				t.Errorf("%s does not say %q:\n%s", name, w, text)
			}
		}
	}
}

func TestWhatIsOnACard(t *testing.T) {
	var b bytes.Buffer
	if err := PlaceCards(&b, CardSheets()[0], inventedCards()[:1], LabelOptions{}); err != nil {
		t.Fatal(err)
	}
	text := pdfText(t, b.Bytes())[0]
	for _, w := range []string{"L 7F3K 17", "Bay Q", "Quarantine bay", "behind the potting shed", "Nothing leaves this place."} {
		if !strings.Contains(text, w) {
			t.Errorf("the card does not say %q:\n%s", w, text)
		}
	}
}

func TestMarksRefuse(t *testing.T) {
	a4 := Sheets()[0]
	good := inventedMarks()[0]
	with := func(change func(*MarkLabel)) []MarkLabel {
		m := good
		change(&m)
		return []MarkLabel{good, m}
	}
	for _, tt := range []struct {
		name, says string
		do         func(w io.Writer) error
	}{
		{"no outcome", "no outcome to mark", func(w io.Writer) error {
			return Marks(w, a4, with(func(m *MarkLabel) { m.Outcome = "" }), LabelOptions{})
		}},
		{"no code", "needs the code", func(w io.Writer) error {
			return Marks(w, a4, with(func(m *MarkLabel) { m.Code = code.Code{} }), LabelOptions{})
		}},
		{"code of a badge", "needs the code", func(w io.Writer) error {
			return Marks(w, a4, with(func(m *MarkLabel) { m.Code = code.Code{Kind: code.KindBadge, Payload: "7F3K"} }), LabelOptions{})
		}},
		{"passed without an end", "how long it is valid", func(w io.Writer) error {
			return Marks(w, a4, with(func(m *MarkLabel) { m.Until = "" }), LabelOptions{})
		}},
		{"no marks", "no labels to print", func(w io.Writer) error { return Marks(w, a4, nil, LabelOptions{}) }},
		{"too many", "too many for one file", func(w io.Writer) error { return Marks(w, a4, make([]MarkLabel, MaxLabels+1), LabelOptions{}) }},
		{"no sheet", "is not a label sheet", func(w io.Writer) error { return Samples(w, Sheet{Name: "napkin"}, inventedSamples(), LabelOptions{}) }},
		{"sample without a code", "has no code that can be printed", func(w io.Writer) error { return Samples(w, a4, []SampleLabel{{}}, LabelOptions{}) }},
		{"sample with the code of a place", "has no code that can be printed", func(w io.Writer) error {
			return Samples(w, a4, []SampleLabel{{Code: code.Code{Kind: code.KindLocation, Payload: "7F3K"}}}, LabelOptions{})
		}},
		{"no places", "no places yet", func(w io.Writer) error { return PlaceCards(w, CardSheets()[0], nil, LabelOptions{}) }},
		{"place without a code", "The place has no code", func(w io.Writer) error {
			return PlaceCards(w, CardSheets()[0], []PlaceCard{{Name: "x"}}, LabelOptions{})
		}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			var b bytes.Buffer
			if err := tt.do(&b); say.CodeOf(err) != say.Invalid || !strings.Contains(err.Error(), tt.says) || b.Len() != 0 {
				t.Errorf("%v with %d bytes, want a refusal saying %q", err, b.Len(), tt.says)
			}
		})
	}
	if _, err := SheetIn(SampleSheets(), "a4"); say.CodeOf(err) != say.NotFound || !strings.Contains(err.Error(), "vial, bag") {
		t.Errorf("SheetIn = %v", err)
	}
}
