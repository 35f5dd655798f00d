package paper

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"io"
	"os/exec"
	"slices"
	"strings"
	"testing"

	"lastlook/internal/code"
	"lastlook/internal/consignment"
	"lastlook/internal/record"
	"lastlook/internal/say"
)

// inventedPhoto is a picture of no plant: a gradient with a blot.
func inventedPhoto(t testing.TB, seed int) record.Picture {
	t.Helper()
	img := image.NewRGBA(image.Rect(0, 0, 640, 480))
	for y := range 480 {
		for x := range 640 {
			c := color.RGBA{uint8(40 + x/8), uint8(120 + y/6), uint8(30 * seed), 255}
			if (x-200)*(x-200)+(y-200)*(y-200) < 900*(seed+1) {
				c = color.RGBA{90, 60, 20, 255}
			}
			img.Set(x, y, c)
		}
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, img, nil); err != nil {
		t.Fatal(err)
	}
	sum := sha256.Sum256(b.Bytes())
	return record.Picture{Photo: record.Photo{Hash: hex.EncodeToString(sum[:]), JPEG: b.Bytes(), Width: 640, Height: 480},
		Caption: say.T("find %d, package 063", seed+1)}
}

func inventedHead(o consignment.Outcome) FormHead {
	h := FormHead{
		Site: "Quillfern Growers", Contact: "plant health: Ida Fenn",
		Tag: record.Tag{Code: "7F3K", Number: "K-2041", Customer: "Saltwick Garden Rooms", Destination: "Eastmoor",
			Packages: say.T("%d packages", 240), LeaveBy: say.T("leave by %s", "Thu 12 March, 14:10"), Outcome: o},
		Zone: say.T("Times are those of the site."), Program: "Lastlook 0", Invented: true, Created: created,
	}
	switch o {
	case consignment.Passed:
		h.Tag.Word, h.Tag.At, h.Tag.Until = say.T("passed"), say.T("Wed 11 March, 11:40"), say.T("valid until %s", "Sat 14 March, 09:05")
	case consignment.Held:
		h.Tag.Word, h.Tag.At = say.T("held"), say.T("Wed 11 March, 11:40")
	case consignment.Stopped:
		h.Tag.Word, h.Tag.At = say.T("stopped"), say.T("Wed 11 March, 10:52")
	}
	return h
}

func inventedSubmission(t testing.TB) Submission {
	f := Submission{
		FormHead: inventedHead(consignment.Held), Sample: code.Code{Kind: code.KindSample, Payload: "7F3K"},
		Crop: "Lavandula, 12 in a tray", Batch: "B-0611-07", Bay: "House 4, bay 12", Package: 63, Unit: 4,
		Taken: say.T("Leaf"), Kept: say.T("Cool, not frozen"), By: "Tam Orrin", At: say.T("Wed 11 March, 10:12"),
		Signs: []Sign{
			{Part: say.T("Leaf, below"), What: say.T("Live insect"), Units: 3, Alive: say.T("moving"), Method: say.T("by lens"), Note: "white, scale-like, some with legs"},
			{Part: say.T("Stem"), What: say.T("Damage"), Units: 1, Method: say.T("by eye"), Note: "sunken spots with a dark rim"},
		},
		Urgency: say.T("The window ends on %s: an answer after that is too late for this dispatch.", "Sat 14 March, 09:05"),
		Asked:   "Which species? Is it regulated in Eastmoor?", Suspect: true,
		Custody: []Custody{
			{Step: say.T("Taken"), Who: "Tam Orrin", At: say.T("Wed 11 March, 10:12")},
			{Step: say.T("Stored"), Who: "Tam Orrin", At: say.T("Wed 11 March, 10:20"), Note: "Sample fridge"},
		},
	}
	for i := range MaxFormPhotos {
		f.Photos = append(f.Photos, inventedPhoto(t, i))
	}
	return f
}

func inventedStop() StopNotice {
	return StopNotice{
		FormHead: inventedHead(consignment.Stopped), Place: "Bench 1, and the trolleys beside it", At: say.T("Wed 11 March, 10:52"), By: "Tam Orrin",
		Why: []say.Text{say.T("A quarantine pest is suspected in package %03d.", 63)},
		Steps: []say.Text{
			say.T("Leave everything where it is. Move nothing, open nothing."),
			say.T("Keep people away."),
			say.T("Wash your hands, change gloves, clean tools. Carry nothing away."),
			say.T("Wait for the supervisor. Ask the authority before anything is moved or posted."),
		},
		Told: []Told{
			{Who: "Ida Fenn", How: say.T("on screen and by message"), At: say.T("10:52"), Answer: say.T("on the way, 10:55")},
			{Who: "Wilo Pasch", How: say.T("by message"), At: say.T("10:57"), Answer: say.T("no answer yet")},
		},
	}
}

// inventedMark has the form of the real one.
const inventedMark = "LASTLOOK1:7F3K:PASSED:0123456789ABCDEF42:00112233445566778899AABBCCDDEEFF00112233445566778899AABBCCDDEEFF"

func inventedLoading() Loading {
	return Loading{
		FormHead: inventedHead(consignment.Passed), Packages: "001–120, 122–239", Loaded: 238, Of: 240,
		Short: []Shortfall{{"121", "crushed by the fork lift, put aside"}, {"240", "no room on the vehicle"}},
		Lines: []LoadedLine{{"Lavandula angustifolia", "B-0611-07", "001–120, 122–140", 139, 140, 1668}, {"Viola cornuta", "B-0612-01", "141–239", 99, 100, 594}},
		Out:   say.T("Thu 12 March, 13:40"), By: "Wilo Pasch", Vehicle: "van 3, QF-3 (invented)", Driver: "Bea Lund", Seal: "0047112", Mark: inventedMark,
	}
}

// form is a form with what must be on it.
type form struct {
	name  string
	print func(w io.Writer, o RecordOptions) error
	says  []string
	codes []string // that zbarimg finds, sorted
	pages int      // most
}

func forms(t testing.TB) []form {
	sub, stop, load := inventedSubmission(t), inventedStop(), inventedLoading()
	tag := "QR-Code:" + code.Consignment("7F3K").String()
	f := []form{
		{"submission", func(w io.Writer, o RecordOptions) error { return Submit(w, sub, o) },
			[]string{"Sample for the laboratory", "Quillfern Growers", "S 7F3K 32", "K-2041", "Eastmoor", "Lavandula, 12 in a tray", "B-0611-07", "House 4, bay 12", "package 63, unit 4",
				"Leaf", "Cool, not frozen", "Tam Orrin", "Wed 11 March, 10:12", "Leaf, below", "Live insect", "by lens", "white, scale-like", "The window ends on Sat 14 March, 09:05",
				"Which species?", "Ask the plant protection authority before this sample is moved or posted", "Keep it closed", "Chain of custody", "Signature, remarks", "Sample fridge", "INVENTED DATA"},
			[]string{"CODE-128:" + sub.Sample.String(), tag, "QR-Code:" + sub.Sample.String()}, 2},
		{"stop", func(w io.Writer, o RecordOptions) error { return Stop(w, stop, o) },
			[]string{"STOP", "K-2041", "Bench 1, and the trolleys beside it", "Wed 11 March, 10:52", "suspected in package 063", "1.", "Leave everything where it is", "4.", "Ask the authority before anything",
				"Ida Fenn", "on the way, 10:55", "no answer yet", "INVENTED DATA"},
			[]string{tag}, 1},
		{"loading", func(w io.Writer, o RecordOptions) error { return Load(w, load, o) },
			[]string{"Loading document", "K-2041", "Eastmoor", "PASSED", "Wed 11 March, 11:40", "valid until Sat 14 March, 09:05", "Short: 238 of 240 packages are loaded.", "001–120, 122–239", "121", "crushed by the fork lift",
				"240", "no room on the vehicle", "Lavandula angustifolia", "B-0611-07", "139 of 140", "1668", "Thu 12 March, 13:40", "Wilo Pasch", "van 3", "0047112", "It is no official certificate", "Ask for the portable record of K-2041", "received", "INVENTED DATA"},
			[]string{tag, "QR-Code:" + inventedMark}, 2},
	}
	for _, p := range sub.Photos {
		f[0].says = append(f[0].says, p.Hash)
	}
	return f
}

func (f form) pdf(t testing.TB, paper string) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := f.print(&b, RecordOptions{Paper: paper}); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// Each form says what it must, on both papers, and its codes are read by zbarimg from
// a print of 203 dots per inch.
func TestForms(t *testing.T) {
	for _, f := range forms(t) {
		for _, paper := range []string{"a4", "letter"} {
			t.Run(f.name+" "+paper, func(t *testing.T) {
				pdf := f.pdf(t, paper)
				text := bare(recordText(t, pdf))
				for _, w := range f.says {
					if !strings.Contains(text, bare(w)) {
						t.Errorf("%q is not on it:\n%s", w, recordText(t, pdf))
					}
				}
				if strings.Contains(text, "%!") {
					t.Errorf("a sentence has lost a value:\n%s", recordText(t, pdf))
				}
				pages := raster(t, pdf, 203)
				if len(pages) > f.pages {
					t.Errorf("%d pages, want at most %d", len(pages), f.pages)
				}
				for i, img := range pages {
					if head := cut(img, box{16, 7, 100, 6}, 203); inkOf(head) == 0 {
						t.Errorf("page %d has no head", i+1)
					}
				}
				var read []string
				for _, codes := range zbar(t, pages) {
					read = append(read, codes...)
				}
				slices.Sort(read)
				if !slices.Equal(read, f.codes) {
					t.Errorf("zbarimg read %q, want %q", read, f.codes)
				}
			})
		}
	}
}

// inkOf counts dark dots.
func inkOf(img *image.Gray) int {
	n := 0
	for _, v := range img.Pix {
		if v < 128 {
			n++
		}
	}
	return n
}

func TestFormsAreSound(t *testing.T) {
	qpdf := tool(t, "qpdf")
	for _, f := range forms(t) {
		pdf := f.pdf(t, "a4")
		if out, err := exec.Command(qpdf, "--check", writeFile(t, "x.pdf", pdf)).CombinedOutput(); err != nil {
			t.Errorf("%s: qpdf: %v: %s", f.name, err, out)
		}
		for range 4 {
			if !bytes.Equal(pdf, f.pdf(t, "a4")) {
				t.Errorf("%s: the same input gave other bytes", f.name)
			}
		}
	}
}

// Texts without end, and none at all: nothing is lost, nothing fails.
func TestFormsAtTheirLimits(t *testing.T) {
	sub, stop, load := inventedSubmission(t), inventedStop(), inventedLoading()
	sub.Asked, sub.Signs[0].Note, sub.Custody[1].Note = long, long, long
	stop.Place = long
	load.Packages, load.Vehicle = strings.Repeat("001–002, ", 300), long
	for i := range 60 {
		stop.Steps = append(stop.Steps, say.T("Step %d of many.", i))
		load.Lines = append(load.Lines, LoadedLine{Crop: fmt.Sprintf("Crop %d", i), Packages: "1", Loaded: 1, Of: 1, Units: 1})
		sub.Signs = append(sub.Signs, Sign{What: say.T("Sign %d", i)})
	}
	for _, f := range []form{
		{"submission", func(w io.Writer, o RecordOptions) error { return Submit(w, sub, o) }, []string{"Sign 59", "stands for a character", "Chain of custody"}, nil, 0},
		{"stop", func(w io.Writer, o RecordOptions) error { return Stop(w, stop, o) }, []string{"Step 59 of many.", "Wilo Pasch"}, nil, 0},
		{"loading", func(w io.Writer, o RecordOptions) error { return Load(w, load, o) }, []string{"Crop 59", "received"}, nil, 0},
		{"empty submission", func(w io.Writer, o RecordOptions) error {
			return Submit(w, Submission{FormHead: FormHead{Tag: record.Tag{Code: "7F3K"}}, Sample: sub.Sample}, o)
		}, []string{"Chain of custody"}, nil, 0},
		{"empty stop", func(w io.Writer, o RecordOptions) error {
			return Stop(w, StopNotice{FormHead: FormHead{Tag: record.Tag{Code: "7F3K"}}, Steps: stop.Steps[:1]}, o)
		}, []string{"STOP"}, nil, 0},
	} {
		text := bare(recordText(t, f.pdf(t, "letter")))
		for _, w := range f.says {
			if !strings.Contains(text, bare(w)) {
				t.Errorf("%s: %q is not on it", f.name, w)
			}
		}
		pages := strings.Count(recordText(t, f.pdf(t, "letter")), "\f")
		for i, img := range raster(t, f.pdf(t, "letter"), 40) {
			// Nothing is printed over the foot, or off the page.
			for y := range img.Rect.Dy() {
				for x := range img.Rect.Dx() {
					if edge := 40 * 10 / 25; (x < edge/2 || x >= img.Rect.Dx()-edge/2) && img.GrayAt(x, y).Y < 128 {
						t.Fatalf("%s: page %d of %d has ink at its edge", f.name, i+1, pages)
					}
				}
			}
		}
	}
}

func TestFormsRefuse(t *testing.T) {
	sub, stop, load := inventedSubmission(t), inventedStop(), inventedLoading()
	noCode, photos := sub, sub
	noCode.Sample = code.Consignment("7F3K")
	photos.Photos = append(slices.Clone(sub.Photos), sub.Photos[0])
	noSteps := stop
	noSteps.Steps = nil
	notPassed, nothing, tooMany, unsaid := load, load, load, load
	notPassed.Tag.Outcome = consignment.Held
	nothing.Loaded = 0
	tooMany.Loaded = 241
	unsaid.Short = nil
	for _, tt := range []struct {
		name, says string
		code       say.Code
		do         func(w io.Writer) error
	}{
		{"paper", "a4 or letter", say.Invalid, func(w io.Writer) error { return Submit(w, sub, RecordOptions{Paper: "a3"}) }},
		{"sample without a code", "has no code", say.Invalid, func(w io.Writer) error { return Submit(w, noCode, RecordOptions{}) }},
		{"too many photos", "room for 4 photos, and there are 5", say.Invalid, func(w io.Writer) error { return Submit(w, photos, RecordOptions{}) }},
		{"no steps", "must say what to do", say.Invalid, func(w io.Writer) error { return Stop(w, noSteps, RecordOptions{}) }},
		{"held goods", "Only what passed is loaded", say.Illegal, func(w io.Writer) error { return Load(w, notPassed, RecordOptions{}) }},
		{"nothing loaded", "0 of 240", say.Invalid, func(w io.Writer) error { return Load(w, nothing, RecordOptions{}) }},
		{"more than passed", "241 of 240", say.Invalid, func(w io.Writer) error { return Load(w, tooMany, RecordOptions{}) }},
		{"short without a reason", "2 packages are missing", say.Invalid, func(w io.Writer) error { return Load(w, unsaid, RecordOptions{}) }},
	} {
		t.Run(tt.name, func(t *testing.T) {
			var b bytes.Buffer
			if err := tt.do(&b); say.CodeOf(err) != tt.code || !strings.Contains(err.Error(), tt.says) || b.Len() != 0 {
				t.Errorf("%v with %d bytes, want a refusal saying %q", err, b.Len(), tt.says)
			}
		})
	}
}

// Everything on the forms goes through the reader's language.
func TestFormsAreSaid(t *testing.T) {
	shout := func(key string, args ...any) string { return strings.ToUpper(fmt.Sprintf(key, args...)) }
	sub := inventedSubmission(t)
	sub.Photos = nil
	for name, print := range map[string]func(w io.Writer, o RecordOptions) error{
		"submission": func(w io.Writer, o RecordOptions) error { return Submit(w, sub, o) },
		"stop":       func(w io.Writer, o RecordOptions) error { return Stop(w, inventedStop(), o) },
		"loading":    func(w io.Writer, o RecordOptions) error { return Load(w, inventedLoading(), o) },
	} {
		var b bytes.Buffer
		if err := print(&b, RecordOptions{Say: shout}); err != nil {
			t.Fatal(err)
		}
		text := recordText(t, b.Bytes())
		for _, w := range []string{"Chain of custody", "With care", "what is asked", "What to do now", "Who was told", "Loading document", "not loaded", "seal number", "What this can", "The outcome above", "Ask for the portable", "Keep it closed", "name, date"} {
			if strings.Contains(text, w) {
				t.Errorf("%s: %q is not from the catalogue", name, w)
			}
		}
	}
}
