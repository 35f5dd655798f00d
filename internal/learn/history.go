package learn

import (
	"cmp"
	"slices"
	"time"

	"lastlook/internal/consignment"
	"lastlook/internal/ladder"
	"lastlook/internal/sampling"
	"lastlook/internal/say"
)

// Cause is what decided a round that did not pass: what was found, or one of the
// causes below.
type Cause string

// The causes that are no finds.
const (
	BenchCause  Cause = "bench"  // the bench check after the inspection
	WindowCause Cause = "window" // the window ran out before the inspection was finished
)

// Words names the cause.
func (c Cause) Words() say.Text {
	switch c {
	case BenchCause:
		return say.T("Something on the bench after the inspection")
	case WindowCause:
		return say.T("The window ran out")
	}
	return consignment.What(c).Words()
}

// Exam is one package that was opened.
type Exam struct {
	Package          int
	Crop, Batch, Bay string
	Units            int // looked at
	Opened, Closed   time.Time
}

// Find is one find of a round.
type Find struct {
	ID        int
	Entry     string // of the reference, or ""
	What      consignment.What
	Rung      ladder.Rung
	Crop, Bay string
	Units     int // that show it
	At        time.Time
}

// Round is one finished inspection.
type Round struct {
	Consignment string // code
	Number      string // on the papers
	Destination string
	Round       int
	Opened      time.Time // first package; zero if none was
	Ended       time.Time // when the work at the bench ended: its first outcome
	ValidUntil  time.Time
	Next        time.Time // the next round was sealed, or zero
	Left        time.Time // the goods left under it, or zero
	Outcome     consignment.Outcome
	Causes      []Cause
	Exams       []Exam
	Finds       []Find
}

// Units counts the units that were looked at.
func (r Round) Units() int {
	n := 0
	for _, x := range r.Exams {
		n += x.Units
	}
	return n
}

// Bench is how long the round took at the bench, from the first package opened to its
// first outcome. Zero if no package was opened.
func (r Round) Bench() time.Duration {
	if r.Opened.IsZero() || r.Ended.Before(r.Opened) {
		return 0
	}
	return r.Ended.Sub(r.Opened)
}

// Fell reports whether the round was rejected or stopped.
func (r Round) Fell() bool {
	return r.Outcome == consignment.Rejected || r.Outcome == consignment.Stopped
}

// Lapse says how a window ran out.
type Lapse int

// The lapses.
const (
	NoLapse   Lapse = iota
	AtWork          // before the inspection was finished
	AfterPass       // after it had passed, before the goods left
)

// Lapsed says whether the window of the round ran out, as far as is known at now.
// Goods that passed and were inspected again before the end of the window did not lapse.
func (r Round) Lapsed(now time.Time) Lapse {
	switch {
	case slices.Contains(r.Causes, WindowCause):
		return AtWork
	case r.Outcome != consignment.Passed || r.ValidUntil.IsZero():
		return NoLapse
	}
	end := now
	for _, t := range []time.Time{r.Left, r.Next} {
		if !t.IsZero() && t.Before(end) {
			end = t
		}
	}
	if end.After(r.ValidUntil) {
		return AfterPass
	}
	return NoLapse
}

// Group is what a table is grouped by.
type Group string

// The groups.
const (
	ByOrganism Group = "organism"
	ByCrop     Group = "crop"
	ByBay      Group = "bay"
	ByMonth    Group = "month"
)

// Groups lists the groups.
var Groups = []Group{ByOrganism, ByCrop, ByBay, ByMonth}

// Words names the group, as a heading.
func (g Group) Words() say.Text {
	switch g {
	case ByOrganism:
		return say.T("Organism")
	case ByCrop:
		return say.T("Crop")
	case ByBay:
		return say.T("Bay")
	case ByMonth:
		return say.T("Month")
	}
	return say.Text{}
}

// Key is what the rounds or finds of one line have in common. One field is set, or
// none: where the crop or the bay is not known.
type Key struct {
	Name  string           // of a crop or bay
	Entry string           // of an organism in the reference
	What  consignment.What // of finds without an entry
	Month time.Time        // its first moment
}

// Rate is one line of a table of rates.
type Rate struct {
	Key
	Rounds   int // inspections; by organism, those in which it was found
	Packages int
	Units    int // looked at
	Finds    int
	Affected int // units that show it
	// Per1000 is finds for each 1 000 units looked at. Meaningless if Units is 0.
	Per1000 Interval
	Fell    int // of the rounds, rejected or stopped
}

// Small says that the line is of small numbers, and why; zero if it is not.
func (r Rate) Small() say.Text {
	switch {
	case r.Units < FewUnits:
		return say.T("Only %d units: too few to say how often.", r.Units)
	case r.Rounds < MinPoint && r.Finds == 0:
		return say.T("Only %d inspections.", r.Rounds)
	}
	return say.Text{}
}

// Rates groups rounds and their finds on rung least or above. By organism, the units
// looked at are all of them, as every organism is looked for on every unit. A round with
// two crops counts in both. Lines stand by finds a unit, the most first; months in
// their order.
func Rates(rounds []Round, by Group, least ladder.Rung, confidence sampling.Rate, loc *time.Location) ([]Rate, error) {
	lines := map[Key]*Rate{}
	line := func(k Key) *Rate {
		if lines[k] == nil {
			lines[k] = &Rate{Key: k}
		}
		return lines[k]
	}
	all, packages := 0, 0
	for _, r := range rounds {
		touched := map[Key]bool{}
		all += r.Units()
		packages += len(r.Exams)
		keyOf := func(crop, bay string) Key {
			switch by {
			case ByCrop:
				return Key{Name: crop}
			case ByBay:
				return Key{Name: bay}
			}
			return Key{Month: StartOf(r.Ended, Monthly, loc)}
		}
		if by == ByMonth {
			touched[keyOf("", "")] = true
		}
		if by != ByOrganism {
			for _, x := range r.Exams {
				k := keyOf(x.Crop, x.Bay)
				l := line(k)
				l.Packages++
				l.Units += x.Units
				touched[k] = true
			}
		}
		for _, f := range r.Finds {
			if f.Rung < least {
				continue
			}
			k := keyOf(f.Crop, f.Bay)
			if by == ByOrganism {
				k = Key{Entry: f.Entry}
				if f.Entry == "" {
					k = Key{What: f.What}
				}
			}
			l := line(k)
			l.Finds++
			l.Affected += f.Units
			touched[k] = true
		}
		for k := range touched {
			line(k).Rounds++
			if r.Fell() {
				line(k).Fell++
			}
		}
	}
	out := make([]Rate, 0, len(lines))
	for _, l := range lines {
		if by == ByOrganism {
			l.Units, l.Packages = all, packages
		}
		if l.Units > 0 {
			c, err := Count(l.Finds, confidence)
			if err != nil {
				return nil, err
			}
			l.Per1000 = c.Times(1000 / float64(l.Units))
		}
		out = append(out, *l)
	}
	slices.SortFunc(out, func(a, b Rate) int {
		return cmp.Or(a.Month.Compare(b.Month), cmp.Compare(b.Per1000.Estimate, a.Per1000.Estimate), cmp.Compare(b.Units, a.Units),
			cmp.Compare(a.Name, b.Name), cmp.Compare(a.Entry, b.Entry), cmp.Compare(a.What, b.What))
	})
	return out, nil
}

// Span is how long one point of a chart is.
type Span string

// The spans.
const (
	Weekly  Span = "week"
	Monthly Span = "month"
)

// StartOf gives the first moment of the span in which t lies: weeks begin on Monday
// (ISO 8601).
func StartOf(t time.Time, s Span, loc *time.Location) time.Time {
	y, m, d := t.In(loc).Date()
	if s == Monthly {
		return time.Date(y, m, 1, 0, 0, 0, 0, loc)
	}
	back := (int(t.In(loc).Weekday()) + 6) % 7
	return time.Date(y, m, d-back, 0, 0, 0, 0, loc)
}

func next(t time.Time, s Span) time.Time {
	if s == Monthly {
		return t.AddDate(0, 1, 0)
	}
	return t.AddDate(0, 0, 7)
}

// Bucket is the rounds that ended in one span.
type Bucket struct {
	Start  time.Time
	Rounds []Round
	Fell   Part // rejected or stopped, of all
	Seen   Seen // finds on the rung asked for or above
}

// Buckets spreads rounds over spans, from the first that has any to the last, with
// the empty ones between.
func Buckets(rounds []Round, s Span, least ladder.Rung, loc *time.Location) []Bucket {
	rounds = slices.Clone(rounds)
	slices.SortStableFunc(rounds, func(a, b Round) int { return a.Ended.Compare(b.Ended) })
	var out []Bucket
	for _, r := range rounds {
		start := StartOf(r.Ended, s, loc)
		for len(out) == 0 || out[len(out)-1].Start.Before(start) {
			at := start
			if len(out) > 0 {
				at = next(out[len(out)-1].Start, s)
			}
			out = append(out, Bucket{Start: at})
		}
		b := &out[len(out)-1]
		b.Rounds = append(b.Rounds, r)
		b.Fell.N++
		if r.Fell() {
			b.Fell.X++
		}
		b.Seen.Units += r.Units()
		for _, f := range r.Finds {
			if f.Rung >= least {
				b.Seen.Finds++
			}
		}
	}
	return out
}

// Tally counts the causes of rounds that did not pass, the most frequent first. A round
// with two causes counts for both.
type Tally struct {
	Cause    Cause
	Rejected int
	Held     int
	Stopped  int
}

// Rounds counts all.
func (t Tally) Rounds() int { return t.Rejected + t.Held + t.Stopped }

// Causes tallies the causes.
func Causes(rounds []Round) []Tally {
	by := map[Cause]*Tally{}
	for _, r := range rounds {
		for _, c := range r.Causes {
			if by[c] == nil {
				by[c] = &Tally{Cause: c}
			}
			switch r.Outcome {
			case consignment.Rejected:
				by[c].Rejected++
			case consignment.Held:
				by[c].Held++
			case consignment.Stopped:
				by[c].Stopped++
			}
		}
	}
	var out []Tally
	for _, t := range by {
		out = append(out, *t)
	}
	slices.SortFunc(out, func(a, b Tally) int {
		return cmp.Or(cmp.Compare(b.Rounds(), a.Rounds()), cmp.Compare(a.Cause, b.Cause))
	})
	return out
}

// Pace is how long packages of a crop took, in minutes from opened to closed.
type Pace struct {
	Crop    string
	Units   int
	Minutes Quartiles
}

// Paces gives the time a package takes, by crop in the order of the alphabet.
// Packages that were not closed, as after a stop, are left out.
func Paces(rounds []Round) []Pace {
	minutes, units := map[string][]float64{}, map[string]int{}
	for _, r := range rounds {
		for _, x := range r.Exams {
			if x.Opened.IsZero() || x.Closed.Before(x.Opened) {
				continue
			}
			minutes[x.Crop] = append(minutes[x.Crop], x.Closed.Sub(x.Opened).Minutes())
			units[x.Crop] += x.Units
		}
	}
	var out []Pace
	for crop, m := range minutes {
		out = append(out, Pace{Crop: crop, Units: units[crop], Minutes: QuartilesOf(m)})
	}
	slices.SortFunc(out, func(a, b Pace) int { return cmp.Compare(a.Crop, b.Crop) })
	return out
}

// Leading names what is most frequent among finds on rung least or above: where to
// look first when a chart gives a signal.
type Leading struct {
	Finds     int
	Organism  Key
	Crop, Bay string
	OfOrg     int // finds of the organism
	OfCrop    int
	OfBay     int
}

// LeadingOf goes through the finds of rounds.
func LeadingOf(rounds []Round, least ladder.Rung) Leading {
	orgs, crops, bays := map[Key]int{}, map[string]int{}, map[string]int{}
	var l Leading
	for _, r := range rounds {
		for _, f := range r.Finds {
			if f.Rung < least {
				continue
			}
			l.Finds++
			k := Key{Entry: f.Entry}
			if f.Entry == "" {
				k = Key{What: f.What}
			}
			orgs[k]++
			crops[f.Crop]++
			bays[f.Bay]++
		}
	}
	for k, n := range orgs {
		if n > l.OfOrg || n == l.OfOrg && cmp.Or(cmp.Compare(k.Entry, l.Organism.Entry), cmp.Compare(k.What, l.Organism.What)) < 0 {
			l.Organism, l.OfOrg = k, n
		}
	}
	top := func(m map[string]int) (name string, most int) {
		for k, n := range m {
			if n > most || n == most && k < name {
				name, most = k, n
			}
		}
		return name, most
	}
	l.Crop, l.OfCrop = top(crops)
	l.Bay, l.OfBay = top(bays)
	return l
}
