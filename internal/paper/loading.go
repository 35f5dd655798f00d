package paper

import (
	"io"
	"strconv"

	"lastlook/internal/consignment"
	"lastlook/internal/record"
	"lastlook/internal/say"
)

// Loading is the document that goes with a consignment that was loaded: for the
// driver, and for whoever receives it. Empty values are left out.
type Loading struct {
	FormHead        // its tag says the outcome, when it was and how long it holds
	Packages string // the numbers that were loaded: "001–120, 122–240"
	Loaded   int
	Of       int // packages that passed
	Short    []Shortfall
	Lines    []LoadedLine
	Out      say.Text // when it was dispatched
	By       string   // who loaded it
	Vehicle  string
	Driver   string
	Seal     string   // number of the seal on the vehicle
	Mark     string   // text of the QR Code that ties paper and portable record together; "" if there is none
	Verify   say.Text // how to check it; zero means the usual
}

// Shortfall is packages that passed and were not loaded.
type Shortfall struct {
	Packages string
	Reason   string
}

// LoadedLine is what was loaded of a crop line.
type LoadedLine struct {
	Crop     string
	Batch    string
	Packages string // their numbers
	Loaded   int
	Of       int
	Units    int // in all loaded packages
}

// Load writes the loading document as a PDF. It refuses, with a say.Refusal, a
// consignment that did not pass, a count that does not fit with the shortfall, and
// paper that is not known.
func Load(w io.Writer, l Loading, opts RecordOptions) error {
	switch {
	case l.Tag.Outcome != consignment.Passed:
		return say.Refuse(say.Illegal, "Only what passed is loaded: there is no loading document for %s.", l.Tag.Number)
	case l.Loaded < 1 || l.Of < l.Loaded:
		return say.Refuse(say.Invalid, "%d of %d packages cannot be loaded: scan what is on the vehicle.", l.Loaded, l.Of)
	case l.Loaded < l.Of && len(l.Short) == 0:
		return say.Refuse(say.Invalid, "%d packages are missing on the vehicle: say which, and why.", l.Of-l.Loaded)
	}
	s, err := newSheet(l.document(say.T("Loading document of %s", l.Tag.Number)), opts)
	if err != nil {
		return err
	}
	y := s.lines(sideMargin, s.y, bold, 19, []string{s.fitted(bold, 19, s.inner(), s.print(say.T("Loading document")))})
	y = s.lines(sideMargin, y, bold, 11, s.wrap(bold, 11, s.inner(), l.Site))
	s.y = s.lines(sideMargin, y, regular, bodyType, s.wrap(regular, bodyType, s.inner(), l.Contact)) + 2
	if err := s.tag(); err != nil {
		return err
	}
	if l.Loaded < l.Of {
		s.notice(s.print(say.T("Short: %d of %d packages are loaded.", l.Loaded, l.Of)))
	}
	s.title(say.T("What is on the vehicle"))
	s.facts([]record.Fact{
		fact(say.T("loaded"), "", say.T("%d of %d packages", l.Loaded, l.Of)),
		fact(say.T("packages"), l.Packages, say.Text{}),
		fact(say.T("dispatched"), l.By, l.Out),
		fact(say.T("vehicle"), l.Vehicle, say.Text{}), fact(say.T("driver"), l.Driver, say.Text{}), fact(say.T("seal number"), l.Seal, say.Text{}),
	})
	for i, f := range l.Short {
		label := say.T("not loaded")
		if i > 0 {
			label = say.Text{}
		}
		s.fact(record.Fact{Label: label, Value: record.Value{Data: f.Packages, Text: say.T("%s", f.Reason)}})
	}
	t := record.Table{Caption: say.T("Crops"), Columns: []record.Column{
		{Label: say.T("Crop"), Share: 30}, {Label: say.T("Batch"), Share: 17}, {Label: say.T("Packages"), Share: 27},
		{Label: say.T("Loaded"), Share: 14}, {Label: say.T("Units"), Share: 12},
	}}
	for _, c := range l.Lines {
		t.Rows = append(t.Rows, []record.Value{{Data: c.Crop}, {Data: c.Batch}, {Data: c.Packages}, {Text: say.T("%d of %d", c.Loaded, c.Of)}, {Data: strconv.Itoa(c.Units)}})
	}
	if len(t.Rows) > 0 {
		s.space(1.5)
		s.table(t)
	}

	s.title(say.T("What this can and cannot show"))
	s.paragraph(regular, bodyType, s.sentence.or("The outcome above is that of an inspection of some of the packages before dispatch. It is no official certificate, and says nothing of what happens to the goods on the way."))
	if l.Mark != "" {
		verify := l.Verify
		if verify.IsZero() {
			verify = say.T("This code ties the paper to the site's record. Ask for the portable record of %s: it is one file, checks itself in a browser without our computer, and shows the same code.", l.Tag.Number)
		}
		s.space(2)
		if err := s.symbol(record.Symbol{Text: l.Mark, Caption: verify}); err != nil {
			return err
		}
	}
	s.sign([]say.Text{say.T("dispatched"), say.T("driver"), say.T("received")})
	return s.end(w)
}
