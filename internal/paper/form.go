package paper

import (
	"io"
	"time"

	"lastlook/internal/code"
	"lastlook/internal/record"
	"lastlook/internal/say"
	"lastlook/internal/symbol"
)

// FormHead is what every form says of the site and of the consignment that it goes with.
type FormHead struct {
	Site     string // the nursery, as the reader of the form knows it
	Contact  string // how to reach it
	Tag      record.Tag
	Zone     say.Text // which times are shown
	Program  string
	Invented bool
	Created  time.Time // goes into the file's properties
}

// document gives the head as the record's machinery wants it.
func (h FormHead) document(title say.Text) record.Document {
	return record.Document{Title: title, Tag: h.Tag, Finished: true, Zone: h.Zone, Program: h.Program, Invented: h.Invented, Created: h.Created}
}

// MaxFormPhotos is how many photos go on the form for the laboratory. More belong into
// the record.
const MaxFormPhotos = 4

// Submission is the form that goes to the laboratory with a sample. Empty values are
// left out.
type Submission struct {
	FormHead
	Sample  code.Code
	Crop    string
	Batch   string
	Bay     string
	Package int
	Unit    int // in the package; 0 if it is of no one unit
	Taken   say.Text
	Kept    say.Text
	By      string
	At      say.Text
	Signs   []Sign
	Photos  []record.Picture // up to MaxFormPhotos
	Urgency say.Text         // by when an answer is needed, and why
	Asked   string           // what the laboratory is asked
	Suspect bool             // of a quarantine pest: what is to be asked of the authority stands out
	Custody []Custody        // so far
}

// Sign is what was seen.
type Sign struct {
	Part   say.Text
	What   say.Text
	Units  int
	Alive  say.Text
	Method say.Text
	Note   string
}

// Custody is a step in the chain of custody of a sample.
type Custody struct {
	Step say.Text
	Who  string
	At   say.Text
	Note string
}

// custodyLines is how many lines are left empty to be written on.
const custodyLines = 5

// Submit writes the form for the laboratory as a PDF. It refuses, with a say.Refusal,
// a sample without a code, too many photos, and paper that is not known.
func Submit(w io.Writer, f Submission, opts RecordOptions) error {
	if f.Sample.Kind != code.KindSample || f.Sample.Payload == "" {
		return say.Refuse(say.Invalid, "The sample has no code that can be printed. Take the sample first, then print its form.")
	}
	if len(f.Photos) > MaxFormPhotos {
		return say.Refuse(say.Invalid, "The form has room for %d photos, and there are %d: choose the clearest.", MaxFormPhotos, len(f.Photos)).For("photos")
	}
	s, err := newSheet(f.document(say.T("Sample %s for the laboratory", f.Sample.Human())), opts)
	if err != nil {
		return err
	}
	if err := s.codeHead(f.Sample, say.T("Sample for the laboratory"), f.FormHead); err != nil {
		return err
	}
	if !f.Urgency.IsZero() {
		s.notice(s.print(f.Urgency))
	}
	if f.Suspect {
		s.space(1)
		s.notice(s.print(say.T("A quarantine pest is suspected. Ask the plant protection authority before this sample is moved or posted: it may need a permit, or may have to stay.")))
	}
	s.space(1.5)
	if err := s.tag(); err != nil {
		return err
	}

	s.title(say.T("What it is"))
	s.facts([]record.Fact{
		fact(say.T("taken"), "", f.Taken), fact(say.T("kept"), "", f.Kept),
		fact(say.T("taken by"), f.By, f.At),
		fact(say.T("host"), f.Crop, say.Text{}), fact(say.T("batch"), f.Batch, say.Text{}), fact(say.T("bay"), f.Bay, say.Text{}),
		fact(say.T("from"), "", f.from()),
		fact(say.T("what is asked"), f.Asked, say.Text{}),
	})
	if len(f.Signs) > 0 {
		s.title(say.T("What was seen"))
		t := record.Table{Columns: []record.Column{
			{Label: say.T("Part"), Share: 15}, {Label: say.T("What"), Share: 19}, {Label: say.T("Units"), Share: 8},
			{Label: say.T("Alive"), Share: 12}, {Label: say.T("How seen"), Share: 18}, {Label: say.T("Note"), Share: 28},
		}}
		for _, g := range f.Signs {
			t.Rows = append(t.Rows, []record.Value{{Text: g.Part}, {Text: g.What}, {Data: count(g.Units)}, {Text: g.Alive}, {Text: g.Method}, {Data: g.Note}})
		}
		s.table(t)
	}
	if len(f.Photos) > 0 {
		columns := max(2, len(f.Photos))
		const most = 52
		s.room(20 + min(most, 0.75*s.inner()/float64(columns))) // with the title; most photos are 4:3
		s.title(say.T("Photos"))
		if err := s.photosIn(f.Photos, columns, most); err != nil {
			return err
		}
	}
	s.room(float64(len(cautions))*(lineHeight(bodyType)+0.5) + 12) // stay together
	s.title(say.T("With care"))
	for _, t := range cautions {
		s.item(s.print(t))
	}
	s.custody(f.Custody)
	return s.end(w)
}

// cautions are common practice in handling samples of pests and diseases.
var cautions = []say.Text{
	say.T("Keep it closed, inside a second closed container. Open it only in the laboratory, where nothing can get away."),
	say.T("Where a quarantine pest is possible, ask the plant protection authority before moving or posting it."),
	say.T("Keep it as it is kept now: do not freeze it, and do not put what is dry into alcohol."),
	say.T("Write down every hand it goes through, in the table below. Tell us at once if it arrives open, wet or late."),
	say.T("What is left over is destroyed by the laboratory, or kept as evidence if the authority asks."),
}

func (f Submission) from() say.Text {
	switch {
	case f.Package > 0 && f.Unit > 0:
		return say.T("package %d, unit %d", f.Package, f.Unit)
	case f.Package > 0:
		return say.T("package %d", f.Package)
	}
	return say.Text{}
}

// custody sets the chain of custody: what is known, then empty lines to sign.
func (s *recordSheet) custody(known []Custody) {
	const rowH = 9
	s.room(14 + rowH*float64(len(known)+custodyLines) + 8)
	s.title(say.T("Chain of custody"))
	shares := []float64{22, 27, 22, 29}
	heads := []say.Text{say.T("Step"), say.T("Name"), say.T("Date and time"), say.T("Signature, remarks")}
	x := make([]float64, len(shares)+1)
	x[0] = sideMargin
	for i, p := range shares {
		x[i+1] = x[i] + s.inner()*p/100
	}
	s.space(1.2)
	for i, h := range heads {
		s.text(x[i]+1.2, s.y+3.6, x[i+1]-x[i]-2, bold, tableType, s.cleaned(s.print(h)))
	}
	s.y += 5
	s.SetLineWidth(0.5)
	s.Line(sideMargin, s.y, s.width-sideMargin, s.y)
	top := s.y
	s.SetLineWidth(0.2)
	for i := range len(known) + custodyLines {
		if i < len(known) {
			k := known[i]
			for j, v := range []string{s.print(k.Step), k.Who, s.print(k.At), k.Note} {
				s.text(x[j]+1.2, s.y+5.8, x[j+1]-x[j]-2, regular, tableType, s.cleaned(v))
			}
		}
		s.y += rowH
		s.Line(sideMargin, s.y, s.width-sideMargin, s.y)
	}
	for _, at := range x {
		s.Line(at, top, at, s.y)
	}
	s.y += 2
}

// codeHead is the head of a form that goes with a thing that has a code: what it is,
// whose it is, and the code as bars and as square.
func (s *recordSheet) codeHead(c code.Code, title say.Text, h FormHead) error {
	bars, err := symbol.Code128(c.String())
	if err != nil {
		return err
	}
	qr, err := symbol.QR(c.String(), symbol.Quartile)
	if err != nil {
		return err
	}
	const module, barModule, barsH, gap = 0.762, 0.381, 13, 2
	side, _ := qr.Size(module, 0)
	barsW, _ := bars.Size(barModule, barsH)
	right := s.width - sideMargin
	s.barcode(qr, right-side, s.y, module, 0)
	s.barcode(bars, right-side-gap-barsW, s.y+3, barModule, barsH)
	s.page.centre(right-side-gap-barsW/2, s.y+3+barsH+5, barsW, bold, 13, c.Human())
	w := s.inner() - side - gap - barsW - 2
	y := s.lines(sideMargin, s.y, bold, 19, s.wrap(bold, 19, w, s.print(title)))
	y = s.lines(sideMargin, y+1, bold, 11, s.wrap(bold, 11, w, h.Site))
	y = s.lines(sideMargin, y, regular, bodyType, s.wrap(regular, bodyType, w, h.Contact))
	s.y = max(y, s.y+side) + 1.5
	return nil
}

// title begins a part of a form.
func (s *recordSheet) title(t say.Text) {
	s.space(2.5)
	s.room(18)
	s.SetLineWidth(0.5)
	s.Line(sideMargin, s.y, s.width-sideMargin, s.y)
	s.y = s.lines(sideMargin, s.y+0.8, bold, 12, []string{s.fitted(bold, 12, s.inner(), s.print(t))}) + 0.4
}

func (s *recordSheet) fitted(style string, points, width float64, text string) string {
	s.font(style, points)
	return s.fit(s.cleaned(text), width)
}

// facts sets those that say something.
func (s *recordSheet) facts(fs []record.Fact) {
	for _, f := range fs {
		if f.Data != "" || !f.Text.IsZero() {
			s.fact(f)
		}
	}
}

func fact(label say.Text, data string, text say.Text) record.Fact {
	return record.Fact{Label: label, Value: record.Value{Data: data, Text: text}}
}

func count(n int) string {
	if n == 0 {
		return ""
	}
	return say.T("%d", n).String()
}
