package practice

import "lastlook/internal/ladder"

// Unknown is the name answered by "I don't know".
const Unknown = ""

// Answer is what a person said about a case.
type Answer struct {
	Name  string      // id of the entry it may be, or Unknown
	Act   ladder.Rung // what to do
	Shown int         // signs seen by then
}

// Verdict is what an answer came to.
type Verdict string

// The verdicts, by what would have happened.
const (
	Right   Verdict = "right"   // what the case asks for
	Careful Verdict = "careful" // more than it asks for: nothing gets through, but something good is kept waiting
	Held    Verdict = "held"    // a sample where a stop is asked for: nothing leaves, but nobody is told
	Early   Verdict = "early"   // right by luck: a look-alike had not been ruled out
	Passed  Verdict = "passed"  // below what is asked for: it would have got through
)

// Named is what the name was worth.
type Named string

// What names are worth.
const (
	NameRight   Named = "right"   // that is what it was
	NameAlike   Named = "alike"   // what only a laboratory can tell from it: as good as can be told here
	NameWrong   Named = "wrong"   // something else
	NameUnknown Named = "unknown" // "I don't know"
)

// Outcome is the judgement on one answer.
type Outcome struct {
	Verdict Verdict     `json:"verdict"`
	Named   Named       `json:"named"`
	Asked   ladder.Rung `json:"asked"` // the least rung that was right at that moment
	Points  int         `json:"points"`
}

// Judge says what an answer to a case is worth. The action counts first, the name
// second, the number of looks last:
//
//   - Right is what the case asks for, and also what it asks for while a look-alike
//     has not been ruled out. Before all signs have been looked at, only the latter
//     is: a harmless answer may not be guessed (Early).
//   - Below what is asked for, the answer would have let it pass (Passed), whatever
//     the name. Nothing that passes ever has as many points as anything that does not.
//   - A sample where a stop is asked for is Held: nothing leaves. It is not right,
//     since nobody is told, but it is not a mistake that passes anything.
//   - Above is Careful: worth less than right and more than anything too low. A
//     sample costs least, then a reject, then a stop, which strands a truck.
//
// So "I don't know" with a sample is right wherever a sample is right, is Held
// for a stop, is Careful for something harmless, and is never worth less than a
// lower rung that is not itself right.
//
// A right name adds to an answer that is safe, and few looks add to one whose
// action and name are both right; neither lifts an answer over one with a better
// action.
func Judge(c Case, a Answer) Outcome {
	o := Outcome{Named: c.named(a.Name), Asked: c.Right}
	top := max(c.Right, c.Untested)
	if a.Shown < len(c.Signs) {
		o.Asked = top
	}
	switch {
	case a.Act < c.Right && c.Right == ladder.Stop && a.Act == ladder.Sample:
		o.Verdict, o.Points = Held, 25
	case a.Act < c.Right:
		o.Verdict = Passed
		if a.Act > ladder.Note {
			o.Points = 5 // at least it does not leave today
		}
		return o
	case a.Act < o.Asked:
		o.Verdict, o.Points = Early, 10*int(a.Act)
		return o
	case a.Act == o.Asked, a.Act == top:
		o.Verdict, o.Points = Right, 80
	default:
		o.Verdict = Careful
		switch a.Act {
		case ladder.Sample:
			o.Points = 65
		case ladder.Reject:
			o.Points = 50
		default:
			o.Points = 35
		}
	}
	if o.Named == NameRight || o.Named == NameAlike {
		o.Points += 10
		if n := len(c.Signs); o.Verdict == Right && n > 1 {
			o.Points += 10 * (n - min(max(a.Shown, 1), n)) / (n - 1)
		}
	}
	return o
}

func (c Case) named(id string) Named {
	if id == Unknown {
		return NameUnknown
	}
	if id == c.Entry {
		return NameRight
	}
	if l, ok := c.Like(id); ok && l.By == ByLab {
		return NameAlike
	}
	return NameWrong
}
