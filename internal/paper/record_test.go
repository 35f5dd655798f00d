package paper

import (
	"bytes"
	"fmt"
	"io"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"unicode"

	"lastlook/internal/record"
	"lastlook/internal/record/recordtest"
	"lastlook/internal/say"
)

func document(t testing.TB, b *recordtest.Bench, invented bool) record.Document {
	t.Helper()
	r, err := record.Build(b.State, record.Options{Photos: b.Photo, Invented: invented, Program: "Lastlook 0", Mark: b.Mark()})
	if err != nil {
		t.Fatal(err)
	}
	return r.Document(recordtest.Zone)
}

func recordPDF(t testing.TB, d record.Document, paper string) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := Record(&b, d, RecordOptions{Paper: paper}); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func recordText(t testing.TB, pdf []byte, options ...string) string {
	t.Helper()
	out, err := exec.Command(tool(t, "pdftotext"), append(options, "-raw", writeFile(t, "record.pdf", pdf), "-")...).Output()
	if err != nil {
		t.Fatal(err)
	}
	return string(out)
}

// bare gives text without white space and case, as lines are broken and the stamp
// is in capitals.
func bare(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsSpace(r) {
			return -1
		}
		return unicode.ToLower(r)
	}, s)
}

// shown is text as a print has it: what the typeface lacks is marked.
func shown(t testing.TB, s string) string {
	t.Helper()
	covered, err := coverage()
	if err != nil {
		t.Fatal(err)
	}
	return (&page{covered: covered}).clean(s)
}

// Every sentence and value of the record is on the print.
func TestRecordSaysAll(t *testing.T) {
	for _, c := range recordtest.Cases(t) {
		for _, paper := range []string{"a4", "letter"} {
			t.Run(c.Name+" "+paper, func(t *testing.T) {
				d := document(t, c.Bench, false)
				pdf := recordPDF(t, d, paper)
				// Head and foot stand between what goes on over the page: they are cut off
				// here, at 41 points from above and 38 from below.
				height := recordPapers[paper][1] * pointsPerMM
				body := bare(recordText(t, pdf, "-x", "0", "-y", "41", "-W", "700", "-H", fmt.Sprint(int(height)-41-38)))
				for _, line := range d.Lines(nil) {
					want := bare(shown(t, line))
					if !strings.Contains(body, want) && line != d.Title.String() && line != d.Program && line != d.Tag.Number {
						t.Errorf("%q is not on the print", line)
					}
				}
				// The head is cut where it is too long for the line.
				head := d.Title.String()
				head = head[:min(len(head), 28)]
				for _, line := range []string{d.Program, head} {
					if !strings.Contains(bare(recordText(t, pdf)), bare(line)) {
						t.Errorf("%q is not in head or foot", line)
					}
				}
			})
		}
	}
}

// What the QR Code says is read by zbarimg, a program of its own.
func TestRecordCarriesItsMark(t *testing.T) {
	for _, c := range recordtest.Cases(t) {
		if !slices.Contains([]string{"under way", "passed", "second round"}, c.Name) {
			continue
		}
		pages := zbar(t, raster(t, recordPDF(t, document(t, c.Bench, false), "a4"), 200))
		var found []string
		for _, codes := range pages {
			for _, text := range codes {
				if text, ok := strings.CutPrefix(text, "QR-Code:"); ok && strings.HasPrefix(text, record.MarkPrefix) {
					found = append(found, text)
				}
			}
		}
		want := c.Bench.Mark()
		if want == nil {
			if len(found) > 0 {
				t.Errorf("%s: carries %q, with no outcome", c.Name, found)
			}
			continue
		}
		if len(found) != 1 || found[0] != want.String() {
			t.Errorf("%s: zbarimg read %q, want %q", c.Name, found, want)
		} else if m, err := record.ParseMark(found[0]); err != nil || m != *want {
			t.Errorf("%s: ParseMark(%q) = %+v, %v", c.Name, found[0], m, err)
		}
	}
}

func TestRecordIsSound(t *testing.T) {
	qpdf := tool(t, "qpdf")
	for _, c := range recordtest.Cases(t) {
		file := writeFile(t, "record.pdf", recordPDF(t, document(t, c.Bench, true), "a4"))
		if out, err := exec.Command(qpdf, "--check", file).CombinedOutput(); err != nil {
			t.Errorf("%s: %v\n%s", c.Name, err, out)
		}
	}
}

// The PDF writer orders images of one width at random: six photos of one size
// would show it within a few runs.
func TestRecordSame(t *testing.T) {
	for _, c := range recordtest.Cases(t) {
		if c.Name != "rejected" {
			continue
		}
		d := document(t, c.Bench, true)
		photos := 0
		for _, s := range d.Sections {
			for _, b := range s.Blocks {
				photos += len(b.Photos)
			}
		}
		if photos < 6 {
			t.Fatalf("%d photos, want at least 6", photos)
		}
		first := recordPDF(t, d, "a4")
		for range 10 {
			if !bytes.Equal(first, recordPDF(t, d, "a4")) {
				t.Fatal("the same record gave another file")
			}
		}
		return
	}
	t.Fatal("there is no case with photos")
}

// Each photo is an image of its own, with a width of its own.
func TestRecordPhotosDiffer(t *testing.T) {
	for _, c := range recordtest.Cases(t) {
		if c.Name != "rejected" {
			continue
		}
		out, err := exec.Command(tool(t, "pdfimages"), "-list", writeFile(t, "record.pdf", recordPDF(t, document(t, c.Bench, false), "a4"))).Output()
		if err != nil {
			t.Fatal(err)
		}
		widths := map[string]bool{}
		for _, line := range strings.Split(string(out), "\n") {
			if f := strings.Fields(line); len(f) > 4 && f[2] == "image" {
				widths[f[3]] = true
			}
		}
		if len(widths) != 6 {
			t.Errorf("images of %d widths, want 6:\n%s", len(widths), out)
		}
	}
}

func TestRecordMarks(t *testing.T) {
	tests := []struct {
		name     string
		invented bool
		want     []string
		not      []string
	}{
		{"passed", true, []string{"INVENTED DATA", "page 1 of ", "PASSED", "valid until"}, []string{"NOT FINISHED", "◊"}},
		{"passed", false, []string{"name, date, signature"}, []string{"INVENTED DATA", "NOT FINISHED"}},
		{"under way", true, []string{"INVENTED DATA · NOT FINISHED"}, []string{"name, date, signature"}},
		{"hostile", false, []string{"◊", "stands for a character"}, nil},
	}
	for _, tt := range tests {
		for _, c := range recordtest.Cases(t) {
			if c.Name != tt.name {
				continue
			}
			got := recordText(t, recordPDF(t, document(t, c.Bench, tt.invented), "a4"))
			pages := strings.Split(strings.TrimRight(got, "\f"), "\f")
			for i, p := range pages {
				if want := fmt.Sprintf("page %d of %d", i+1, len(pages)); !strings.Contains(p, want) {
					t.Errorf("%s: page %d does not say %q", tt.name, i+1, want)
				}
			}
			for _, w := range tt.want {
				if !strings.Contains(got, w) {
					t.Errorf("%s: %q is missing", tt.name, w)
				}
			}
			for _, w := range tt.not {
				if strings.Contains(got, w) {
					t.Errorf("%s: %q is there", tt.name, w)
				}
			}
		}
	}
}

func TestRecordRefusesPaper(t *testing.T) {
	for _, c := range recordtest.Cases(t)[:1] {
		if err := Record(io.Discard, document(t, c.Bench, false), RecordOptions{Paper: "a3"}); say.CodeOf(err) != say.Invalid {
			t.Errorf("a3: %v, want a refusal", err)
		}
	}
}

func TestWrap(t *testing.T) {
	p, err := newPage(210, 297, properties{})
	if err != nil {
		t.Fatal(err)
	}
	s := &recordSheet{page: p}
	s.newPage()
	for _, text := range []string{"", "one", "two words", strings.Repeat("x", 500), recordtest.Nasty, strings.Repeat("word ", 200), "line\nline\r\n\nline", strings.Repeat("W", 3) + " " + strings.Repeat("é", 90)} {
		for _, width := range []float64{1, 12, 40, 180} {
			lines := s.wrap(regular, 9, width, text)
			for _, l := range lines {
				if w := s.GetStringWidth(l); w > width+0.01 && len([]rune(l)) > 1 {
					t.Errorf("wrap(%.20q, %v): %q is %v wide", text, width, l, w)
				}
			}
			if got, want := bare(strings.Join(lines, "")), bare(shown(t, text)); got != want {
				t.Errorf("wrap(%.20q, %v) loses text:\n%q\n%q", text, width, got, want)
			}
		}
	}
}
