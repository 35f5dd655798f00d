package paper

import (
	"io"
	"strconv"

	"lastlook/internal/consignment"
	"lastlook/internal/record"
	"lastlook/internal/say"
)

// StopNotice is what is hung up where a consignment was stopped, to be read from
// where somebody would come near.
type StopNotice struct {
	FormHead
	Place string   // where everything stays
	At    say.Text // when it was stopped
	By    string
	Why   []say.Text
	Steps []say.Text // what to do, in this order
	Told  []Told
}

// Told is somebody who was told of a stop.
type Told struct {
	Who    string
	How    say.Text
	At     say.Text
	Answer say.Text // what they said, or that they have not answered
}

// Stop writes the notice as a PDF. It refuses, with a say.Refusal, a notice without
// steps, and paper that is not known.
func Stop(w io.Writer, n StopNotice, opts RecordOptions) error {
	if len(n.Steps) == 0 {
		return say.Refuse(say.Invalid, "A notice of a stop must say what to do, and there are no steps.")
	}
	n.Tag.Outcome = consignment.Stopped
	s, err := newSheet(n.document(say.T("Stop notice for %s", n.Tag.Number)), opts)
	if err != nil {
		return err
	}
	s.stopHead()
	s.y += 3
	s.big(28, n.Place)
	if err := s.tag(); err != nil {
		return err
	}
	s.facts([]record.Fact{fact(say.T("stopped"), n.By, n.At)})
	for _, t := range n.Why {
		s.item(s.print(t))
	}
	s.title(say.T("What to do now"))
	for i, t := range n.Steps {
		s.step(i+1, s.print(t))
	}
	if len(n.Told) > 0 {
		s.title(say.T("Who was told"))
		t := record.Table{Columns: []record.Column{
			{Label: say.T("Who"), Share: 28}, {Label: say.T("How"), Share: 22}, {Label: say.T("When"), Share: 20}, {Label: say.T("Answer"), Share: 30},
		}}
		for _, o := range n.Told {
			t.Rows = append(t.Rows, []record.Value{{Data: o.Who}, {Text: o.How}, {Text: o.At}, {Text: o.Answer}})
		}
		s.table(t)
	}
	return s.end(w)
}

// stopHead is the word over the whole width, with the shape of a stop, white on black.
func (s *recordSheet) stopHead() {
	const h = 54
	s.SetFillColor(0, 0, 0)
	s.Rect(sideMargin, s.y, s.inner(), h, "F")
	word := s.sentence.or("STOP")
	const side = 42
	x := float64(sideMargin + 10)
	// The octagon in white, with a black bar: the shape turned over, as the ground is.
	s.whiteOctagon(x+side/2, s.y+h/2, side/2)
	s.SetFillColor(0, 0, 0)
	s.Rect(x+side*0.27, s.y+h/2-side*0.085, side*0.46, side*0.17, "F")
	s.SetTextColor(255, 255, 255)
	s.shrunk(x+side+12, s.y+h/2+17, s.inner()-side-30, bold, 140, word)
	s.SetTextColor(0, 0, 0)
	s.y += h
}

// big sets a text large over the whole width, on two lines at most.
func (s *recordSheet) big(points float64, text string) {
	s.cleaned(text)
	s.y = s.lines(sideMargin, s.y, bold, points, s.broken(bold, points, s.inner(), text, 2)) + 3
}

// step is one numbered line, large.
func (s *recordSheet) step(n int, text string) {
	const points, indent = 15, 11
	lines := s.wrap(bold, points, s.inner()-indent, text)
	s.room(float64(len(lines))*lineHeight(points) + 1.5)
	s.font(bold, points)
	s.Text(sideMargin, s.y+points/pointsPerMM, strconv.Itoa(n)+".")
	s.y = s.lines(sideMargin+indent, s.y, bold, points, lines) + 1.8
}
