// Package label makes the labels of a consignment's packages ready for paper
// and screen.
//
// [For] gives the labels of a range of packages; [Reprint] tells whether they
// were all printed before, in which case a reason is asked for. The package draws
// nothing: package paper does, and the screens do.
package label

import (
	"strconv"
	"time"

	"lastlook/internal/code"
	"lastlook/internal/consignment"
	"lastlook/internal/paper"
	"lastlook/internal/say"
)

// For gives the labels of packages from to to, both included, but for those that
// were taken out. Dispatch times are
// shown as clocks in loc show them, sentences said with sprintf; nil means
// English. It refuses, with a say.Refusal, numbers that do not exist and more
// than paper.MaxLabels.
func For(st *consignment.State, from, to int, loc *time.Location, sprintf func(string, ...any) string) ([]paper.Label, error) {
	n := st.Total()
	switch {
	case from < 1 || from > n:
		return nil, say.Refuse(say.Invalid, "There is no package %s: they are numbered 1 to %s.", itoa(from), itoa(n)).For("from")
	case to < from || to > n:
		return nil, say.Refuse(say.Invalid, "The last label must be from %s to %s.", itoa(from), itoa(n)).For("to")
	case to-from+1 > paper.MaxLabels:
		return nil, say.Refuse(say.Invalid, "%s labels are more than one file holds (%s). Print %s to %s first, then the rest.",
			itoa(to-from+1), itoa(paper.MaxLabels), itoa(from), itoa(from+paper.MaxLabels-1)).For("to")
	}
	leave := Leaves(st.DispatchAt.In(loc)).String()
	if sprintf != nil {
		leave = Leaves(st.DispatchAt.In(loc)).With(sprintf)
	}
	labels := make([]paper.Label, 0, to-from+1)
	for i := from; i <= to; i++ {
		p, ok := st.Package(i)
		if !ok {
			return nil, say.Refuse(say.NotFound, "There is no package %s: they are numbered 1 to %s.", itoa(i), itoa(n)).For("from")
		}
		if !st.Present(i) {
			continue
		}
		labels = append(labels, paper.Label{
			Code: code.Package(st.Code, i), Consignment: st.Number, Package: i, Packages: st.Count(), Gaps: Gaps(st),
			Customer: st.Customer, Destination: st.Destination,
			Crop: p.CropLine.Crop, Batch: p.CropLine.Batch, LeaveBy: leave,
		})
	}
	if len(labels) == 0 {
		return nil, say.Refuse(say.Invalid, "Packages %s to %s were taken out: there is no label to print.", itoa(from), itoa(to)).For("from")
	}
	return labels, nil
}

// Gaps reports whether packages were taken out, so that numbers go higher than the
// count.
func Gaps(st *consignment.State) bool { return st.Count() != st.Total() }

// Left lists the packages whose label was never printed.
func Left(st *consignment.State) []int {
	var ns []int
	for _, n := range st.Numbers() {
		if !Printed(st, n) {
			ns = append(ns, n)
		}
	}
	return ns
}

// itoa writes a number of packages as it stands on labels: without separators,
// which a language would put in, as it is a name as much as a number.
func itoa(n int) string { return strconv.Itoa(n) }

// Reprint reports whether all labels from to to were printed before; packages that
// were taken out do not count.
func Reprint(st *consignment.State, from, to int) bool {
	for i := from; i <= to; i++ {
		if st.Present(i) && !Printed(st, i) {
			return false
		}
	}
	return from <= to
}

// Printed reports whether the label of package n was printed before.
func Printed(st *consignment.State, n int) bool {
	for _, p := range st.Labels {
		if n >= p.From && n <= p.To {
			return true
		}
	}
	return false
}

// Leaves says a dispatch time as it stands on a label: weekday, day and time, so
// that it is right whenever it is read. It is said in the location of t.
func Leaves(t time.Time) say.Text {
	return say.T("%s %d %s, %s", weekdays[t.Weekday()], t.Day(), months[t.Month()-1], t.Format("15:04"))
}

var weekdays = [...]say.Text{
	say.T("Sun"), say.T("Mon"), say.T("Tue"), say.T("Wed"), say.T("Thu"), say.T("Fri"), say.T("Sat"),
}

var months = [...]say.Text{
	say.T("January"), say.T("February"), say.T("March"), say.T("April"), say.T("May"), say.T("June"),
	say.T("July"), say.T("August"), say.T("September"), say.T("October"), say.T("November"), say.T("December"),
}
