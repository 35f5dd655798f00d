package practice

import (
	"cmp"
	"math"
	"slices"
	"strings"
	"time"

	"lastlook/internal/ladder"
	"lastlook/internal/sampling"
	"lastlook/internal/say"
)

// Count counts answers by what they came to.
type Count struct {
	Answered int
	Right    int
	Careful  int
	Held     int
	Early    int
	Passed   int // would have got through
	Named    int // names right, or as good as can be told
	Aside    int // cases left out, not among Answered

	Dangerous       int // answered cases of regulated pests and of what asks for a stop
	DangerousPassed int // of these, would have got through
}

func (n *Count) add(p Played) {
	if p.Aside {
		n.Aside++
	}
	if p.Answer == nil {
		return
	}
	n.Answered++
	o := p.Answer.Outcome
	switch o.Verdict {
	case Right:
		n.Right++
	case Careful:
		n.Careful++
	case Held:
		n.Held++
	case Early:
		n.Early++
	case Passed:
		n.Passed++
	}
	if o.Named == NameRight || o.Named == NameAlike {
		n.Named++
	}
	if p.Danger {
		n.Dangerous++
		if o.Verdict == Passed {
			n.DangerousPassed++
		}
	}
}

// Count sums one session up.
func (s *Session) Count() Count {
	var n Count
	for _, p := range s.Cases {
		n.add(p)
	}
	return n
}

// Confusion is a mistake that was made once or more: the same thing, taken for the
// same thing, answered with the same act.
type Confusion struct {
	Entry, Name string
	Taken       string // name given; "" is "I don't know"
	Asked, Act  ladder.Rung
	Verdict     Verdict
	Danger      bool
	Times       int
	Last        time.Time
}

// Report is a person's practice summed up.
type Report struct {
	Total      Count
	Confusions []Confusion // mistakes, those that pass something dangerous first
	Sessions   []*Session  // newest first
	Last       time.Time   // of the last step
	// MissAtMost is the largest share of dangerous cases that would have got
	// through which the answers do not speak against with 95 % confidence: the exact
	// one-sided limit of Clopper and Pearson. 1 when no such case was answered. The
	// cases are drawn to be hard for this person: it says nothing about finds at
	// the bench.
	MissAtMost float64
}

// severity orders verdicts, the worst first.
var severity = map[Verdict]int{Passed: 0, Early: 1, Held: 2, Careful: 3, Right: 4}

// Weigh sums a person's practice up.
func Weigh(s *State) (Report, error) {
	r := Report{Last: s.LastAt}
	for i := len(s.Sessions) - 1; i >= 0; i-- {
		x := s.Sessions[i]
		r.Sessions = append(r.Sessions, x)
		for _, p := range x.Cases {
			r.Total.add(p)
			r.confuse(p)
		}
	}
	slices.SortStableFunc(r.Confusions, func(a, b Confusion) int {
		return cmp.Or(
			cmp.Compare(worst(a), worst(b)),
			cmp.Compare(b.Times, a.Times),
			b.Last.Compare(a.Last),
			strings.Compare(a.Entry, b.Entry),
			strings.Compare(a.Taken, b.Taken),
		)
	})
	var err error
	r.MissAtMost, err = sampling.LargeLotLimit(r.Total.Dangerous, r.Total.DangerousPassed, sampling.DefaultConfidence, sampling.Whole)
	return r, err
}

// worst orders confusions: what passes something dangerous first.
func worst(c Confusion) int {
	n := 2 * severity[c.Verdict]
	if !c.Danger {
		n++
	}
	return n
}

// confuse notes a case that was answered wrongly in act or name.
func (r *Report) confuse(p Played) {
	if p.Answer == nil {
		return
	}
	a := p.Answer
	if a.Outcome.Verdict == Right && a.Outcome.Named != NameWrong {
		return
	}
	c := Confusion{Entry: p.Entry, Name: p.Name, Taken: a.Called, Asked: a.Outcome.Asked, Act: a.Act, Verdict: a.Outcome.Verdict, Danger: p.Danger}
	i := slices.IndexFunc(r.Confusions, func(x Confusion) bool {
		return x.Entry == c.Entry && x.Taken == c.Taken && x.Asked == c.Asked && x.Act == c.Act && x.Verdict == c.Verdict
	})
	if i < 0 {
		r.Confusions = append(r.Confusions, c)
		i = len(r.Confusions) - 1
	}
	x := &r.Confusions[i]
	x.Times++
	if p.At.After(x.Last) {
		x.Last = p.At
	}
}

// few is below how many cases a share is not worth naming by itself.
const few = 30

// Words says what the dangerous cases show, and how little a small number does.
func (r Report) Words() []say.Text {
	n, k := r.Total.Dangerous, r.Total.DangerousPassed
	if n == 0 {
		return []say.Text{say.T("No dangerous case has been answered yet, so nothing can be said about them.")}
	}
	out := []say.Text{say.T("Dangerous cases: %d. Of these would have got through: %d.", n, k)}
	most := r.MissInHundred()
	if n < few {
		out = append(out, say.T("That is a small number, and says little."))
	}
	if most >= 100 {
		return append(out, say.T("In truth it could be all of them."))
	}
	return append(out, say.T("If in truth it were more than %d in 100, so good a result would come less than once in 20 times.", most))
}

// MissInHundred is MissAtMost in whole hundredths, rounded up: what is said may
// be weaker than the number, never stronger.
func (r Report) MissInHundred() int { return int(math.Ceil(r.MissAtMost * 100)) }
