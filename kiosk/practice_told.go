package kiosk

import (
	"net/http"
	"slices"

	"github.com/gin-gonic/gin"

	"lastlook/internal/ladder"
	"lastlook/internal/practice"
	"lastlook/internal/say"
	"lastlook/reference"
)

// practiceToldPage says what a case was, what it asks for and what the answer
// would have done.
var practiceToldPage = declarePage("practice_told")

type practiceToldView struct {
	Base
	Head    PracticeHead
	Verdict say.Text
	Notice  Notice // what would have happened, if not all was well
	Rung    ladder.Rung
	Reasons []say.Text
	Facts   []Fact
	Signs   []practice.Sign
	Alike   []Fact
	Links   []Act
	Next    Act
}

// verdictText says a verdict over the page of a case.
func verdictText(a *practice.Answered) say.Text {
	switch a.Outcome.Verdict {
	case practice.Right:
		return say.T("Right: %s", a.Act.Word())
	case practice.Careful:
		return say.T("Careful: more than was asked for")
	case practice.Held:
		return say.T("Held, but not stopped")
	case practice.Early:
		return say.T("Too early: not all was looked at")
	}
	return say.T("Not enough")
}

// verdictWords names a verdict in tables.
func verdictWords(v practice.Verdict) say.Text {
	switch v {
	case practice.Right:
		return say.T("right")
	case practice.Careful:
		return say.T("more than asked for")
	case practice.Held:
		return say.T("held, not stopped")
	case practice.Early:
		return say.T("too early")
	case practice.Passed:
		return say.T("would have passed")
	}
	return say.T("left out")
}

// consequence says what an answer would have done, where it was not right.
func consequence(p *practice.Played) Notice {
	a := p.Answer
	switch a.Outcome.Verdict {
	case practice.Passed:
		n := Notice{Tone: toneWrong, Text: say.T("This would have let %s pass.", p.Name), Detail: say.T("The plants would have gone out with it.")}
		if a.Act == ladder.Reject {
			n.Detail = say.T("Rejected plants are moved and treated, and nobody would have been told what it is.")
		}
		return n
	case practice.Early:
		var like []say.Text
		for _, l := range p.Alike {
			if l.By == string(reference.ByLens) && l.Right == ladder.Stop {
				like = append(like, say.T("%s", l.Name))
			}
		}
		return Notice{Tone: toneWrong, Text: say.T("This would have let pass what looks like it: %s.", like),
			Detail: say.T("It takes the hand lens to rule that out. Look closer first, or collect a sample.")}
	case practice.Held:
		return Notice{Tone: toneNote, Text: say.T("Safe: nothing would have left."),
			Detail: say.T("For this one, stop at once: until the supervisor knows, it can be carried on by hands and tools.")}
	case practice.Careful:
		n := Notice{Tone: toneNote, Text: say.T("Safe: nothing would have got through.")}
		switch a.Act {
		case ladder.Stop:
			n.Detail = say.T("But a stop strands a truck and calls the supervisor. In doubt, a sample holds the plants as safely.")
		case ladder.Sample:
			n.Detail = say.T("The plants would have waited for the laboratory. When you don't know, that is the thing to do.")
		default:
			n.Detail = say.T("Good plants would have stayed behind. In doubt, a sample is better than a reject.")
		}
		return n
	}
	return Notice{}
}

func (k *kiosk) showPracticeTold(c *gin.Context, x *practice.Session, n int, p *practice.Played) error {
	a, book := p.Answer, k.ref.Book()
	v := &practiceToldView{
		Base: k.page(c, say.T("Practice")), Head: practiceHead(x, n), Verdict: verdictText(a), Notice: consequence(p),
		Rung: p.Right, Reasons: p.Reasons, Signs: p.Signs,
		Next: Act{Label: say.T("Next case"), Weight: weightBig, Key: "n", Symbol: "next", Href: "/practice/" + itoa(x.Number)},
	}
	if x.Now() == 0 {
		v.Next.Label = say.T("To the end")
	}
	was := Fact{Label: say.T("It was"), Data: p.Name, Text: say.T("(%s, revision %d)", reference.Kind(p.Kind).Words(), p.Revision)}
	took := Fact{Label: say.T("You took it for"), Data: a.Called}
	switch a.Outcome.Named {
	case practice.NameRight:
		took.Text = say.T("– right")
	case practice.NameAlike:
		took.Text = say.T("– only a laboratory can tell the two apart, so that is as good")
	case practice.NameUnknown:
		took.Text = say.T("you did not know")
	default:
		took.Text = say.T("– no")
	}
	v.Facts = []Fact{
		was,
		{Label: say.T("The telling sign"), Data: p.Telling()},
		took,
		{Label: say.T("You said"), Text: say.T("%s, after %d of %d signs", a.Act.Word(), a.Shown, len(p.Signs))},
		{Label: say.T("Points"), Text: say.T("%d of 100", a.Outcome.Points)},
	}
	if _, like := p.Like(a.Name); a.Outcome.Named == practice.NameWrong && !like {
		if e := book.Entry(a.Name); e != nil && len(e.Signs) > 0 {
			v.Facts = append(v.Facts, Fact{Label: say.T("%s shows instead", e.Name), Data: e.Signs[0].Text})
		}
	}
	for _, l := range likeFirst(p) {
		v.Alike = append(v.Alike, Fact{Label: say.T("%s asks for %s (%s)", l.Name, l.Right.Word(), reference.By(l.By).Words()), Data: l.TellApart})
	}
	if e := book.Entry(p.Entry); e != nil {
		v.Links = append(v.Links, Act{Label: say.T("Read about it"), Hint: say.T("%s", p.Name), Symbol: "book", Href: "/e/" + p.Entry})
		if e.Hash() != p.Hash {
			v.Links[0].Hint = say.T("changed since, now revision %d", e.Revision)
		}
		if _, like := p.Like(a.Name); like && book.Entry(a.Name) != nil {
			v.Links = append(v.Links, Act{Label: say.T("Side by side"), Hint: say.T("with %s", a.Called), Symbol: "look", Href: "/e/" + p.Entry + "/with/" + a.Name})
		}
	} else {
		v.Facts = append(v.Facts, Fact{Label: say.T("In the reference"), Text: say.T("not any more")})
	}
	return k.render(c, http.StatusOK, practiceToldPage, v)
}

// likeFirst gives the look-alikes of a case: the one it was taken for first, then
// those that ask for another rung.
func likeFirst(p *practice.Played) []practice.Alike {
	out := slices.Clone(p.Alike)
	slices.SortStableFunc(out, func(a, b practice.Alike) int {
		worth := func(l practice.Alike) int {
			n := 0
			if l.ID == p.Answer.Name {
				n += 4
			}
			if l.Right != p.Right {
				n += 2
			}
			if l.Danger {
				n++
			}
			return n
		}
		return worth(b) - worth(a)
	})
	return out[:min(len(out), 5)]
}

// practiceEndPage sums a session up.
var practiceEndPage = declarePage("practice_end")

type practiceEndView struct {
	Base
	Head     PracticeHead
	Question Question
	Facts    []Fact
	Table    Table
	Again    Act
	Results  Act
}

func (k *kiosk) showPracticeEnd(c *gin.Context, x *practice.Session) error {
	n := x.Count()
	p, _ := personOf(c)
	v := &practiceEndView{
		Base:     k.page(c, say.T("Practice")),
		Question: Question{Text: say.T("%d of %d right", n.Right, n.Answered), Help: say.T("Nothing would have passed.")},
		Facts:    countFacts(n),
		Table: Table{Caption: say.T("The cases"), Columns: []Column{{Label: say.T("Case"), Number: true}, {Label: say.T("It was")}, {Label: say.T("Taken for")},
			{Label: say.T("Asked for")}, {Label: say.T("Said")}, {Label: say.T("Came to")}}, Empty: say.T("No cases.")},
		Again:   Act{Label: say.T("Practise again"), Href: "/practice", Weight: weightBig, Key: "n", Symbol: "next"},
		Results: Act{Label: say.T("Your results"), Symbol: "person", Href: "/practice/results/" + p.ID},
	}
	switch {
	case n.Answered == 0:
		v.Question = Question{Text: say.T("No case was answered"), Help: say.T("Begin again when there is time.")}
	case n.Passed > 0:
		v.Question.Help = say.T("%d would have passed. They come up again.", n.Passed)
	case n.Early > 0:
		v.Question.Help = say.T("Nothing would have passed, but %d was right by luck.", n.Early)
	}
	points := 0
	for i := range x.Cases {
		p := &x.Cases[i]
		row := Row{Cells: []Cell{{Data: itoa(i + 1), Number: true}}}
		if p.Answer == nil {
			what := say.T("left out")
			if !p.Aside {
				what = say.T("not answered")
			}
			// What it was stays hidden: the case may come again.
			row.Cells = append(row.Cells, Cell{Text: say.T("–")}, Cell{Text: say.T("–")}, Cell{Text: say.T("–")}, Cell{Text: say.T("–")}, Cell{Text: what})
		} else {
			a := p.Answer
			points += a.Outcome.Points
			row.Cells[0].Href = practiceCasePath(x.Number, i+1)
			row.Cells = append(row.Cells, Cell{Data: p.Name, Href: practiceCasePath(x.Number, i+1)}, takenCell(a.Called),
				Cell{Text: a.Outcome.Asked.Word()}, Cell{Text: a.Act.Word()}, Cell{Text: verdictWords(a.Outcome.Verdict)})
		}
		v.Table.Rows = append(v.Table.Rows, row)
	}
	v.Facts = append(v.Facts, Fact{Label: say.T("Points"), Text: say.T("%d of %d", points, 100*n.Answered)})
	return k.render(c, http.StatusOK, practiceEndPage, v)
}

func takenCell(called string) Cell {
	if called == "" {
		return Cell{Text: say.T("not known")}
	}
	return Cell{Data: called}
}

// countFacts lists what answers came to, the worst first, leaving out what did
// not happen.
func countFacts(n practice.Count) []Fact {
	var out []Fact
	add := func(label say.Text, count int) {
		if count > 0 {
			out = append(out, Fact{Label: label, Data: itoa(count)})
		}
	}
	add(say.T("Would have passed"), n.Passed)
	add(say.T("Too early"), n.Early)
	add(say.T("Held, not stopped"), n.Held)
	add(say.T("More than asked for, but safe"), n.Careful)
	add(say.T("Right"), n.Right)
	add(say.T("Left out"), n.Aside)
	out = append(out, Fact{Label: say.T("Named rightly"), Text: say.T("%d of %d", n.Named, n.Answered)})
	return out
}
