package learn

import "math"

// What a chart needs before limits are drawn on it. Below that a limit says more
// about chance than about the site.
const (
	MinPoints = 6  // points with inspections, for any limits
	MinRounds = 30 // inspections in all, for the limits of a p-chart
	MinPoint  = 5  // inspections behind one point, for limits at it
	MinFinds  = 5  // finds to expect in all, for a cumulative sum
	FewUnits  = 30 // units below which a rate is said to be of small numbers
)

// Signal says on which side of its limits a point lies: 1 above, -1 below, 0 within.
type Signal int

// Part is x of n: rejected of all, in one week.
type Part struct{ X, N int }

// PPoint is one point of a p-chart. Without Limits, Low and High mean nothing, and
// it gives no signal.
type PPoint struct {
	Part
	Share     float64 // 0 if N is 0
	Limits    bool
	Exact     bool // limits of the binomial distribution itself
	Low, High float64
	Signal    Signal
}

// PResult is a p-chart. With Limits false it has too little for any: Center is
// the mean all the same.
type PResult struct {
	Center float64
	Limits bool
	Points []PPoint
}

// ThreeSigma is the chance beyond one of two limits at three standard deviations of a
// normal distribution.
const ThreeSigma = 0.00134989803163009

// PChart gives the control chart for proportions with subgroups of any size:
//
//	p̄ = Σx / Σn      limits p̄ ± 3 √(p̄ (1−p̄) / n)
//
// NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.3.2; with unequal
// sizes each point has limits of its own (Shewhart's practice, as in Montgomery,
// Introduction to Statistical Quality Control, on variable sample size). A limit
// below 0 or above 1 is cut there.
//
// They lean on the normal distribution, which does for n p̄ and n (1−p̄) of 5 or
// more. Below that the limits are the smallest and the largest count whose own tail
// beyond is at most [ThreeSigma] of the binomial distribution, so that a quiet week
// with one rejection does not cry wolf.
func PChart(parts []Part) PResult {
	var r PResult
	x, n, points := 0, 0, 0
	for _, p := range parts {
		x, n = x+p.X, n+p.N
		if p.N > 0 {
			points++
		}
	}
	if n > 0 {
		r.Center = float64(x) / float64(n)
	}
	r.Limits = points >= MinPoints && n >= MinRounds
	for _, p := range parts {
		pt := PPoint{Part: p}
		if p.N > 0 {
			pt.Share = float64(p.X) / float64(p.N)
		}
		if r.Limits && p.N >= MinPoint {
			pt.limit(r.Center)
		}
		r.Points = append(r.Points, pt)
	}
	return r
}

func (p *PPoint) limit(center float64) {
	p.Limits = true
	n := float64(p.N)
	if n*center >= 5 && n*(1-center) >= 5 {
		s := 3 * math.Sqrt(center*(1-center)/n)
		p.Low, p.High = max(0, center-s), min(1, center+s)
	} else {
		p.Exact = true
		hi := 0
		for hi < p.N && atLeast(hi+1, p.N, center) > ThreeSigma {
			hi++
		}
		lo := p.N
		for lo > 0 && 1-atLeast(lo, p.N, center) > ThreeSigma {
			lo--
		}
		p.Low, p.High = float64(lo)/n, float64(hi)/n
	}
	switch {
	case p.Share > p.High:
		p.Signal = 1
	case p.Share < p.Low:
		p.Signal = -1
	}
}

// Sums is one point of a cumulative sum.
type Sums struct {
	Z        float64 // the value that was summed
	Up, Down float64
	// FromUp and FromDown are the index at which the sum last left 0: when a shift,
	// if there is one, is likely to have begun.
	FromUp, FromDown int
	Signal           Signal
}

// Cusum is the tabular cumulative sum of values from which the target is taken off:
//
//	Up(i)   = max(0, Up(i−1)   + z(i) − k)
//	Down(i) = max(0, Down(i−1) − z(i) − k)
//
// and a signal where one of them exceeds h. NIST/SEMATECH e-Handbook of Statistical
// Methods, section 6.3.2.3. The sums begin at 0 and are not set back after a signal.
func Cusum(z []float64, k, h float64) []Sums {
	out := make([]Sums, len(z))
	var last Sums
	for i, v := range z {
		s := Sums{Z: v, Up: max(0, last.Up+v-k), Down: max(0, last.Down-v-k), FromUp: last.FromUp, FromDown: last.FromDown}
		if last.Up == 0 {
			s.FromUp = i
		}
		if last.Down == 0 {
			s.FromDown = i
		}
		switch {
		case s.Up > h:
			s.Signal = 1
		case s.Down > h:
			s.Signal = -1
		}
		out[i], last = s, s
	}
	return out
}

// The usual setting of a cumulative sum of standardised values: it finds a shift of
// one standard deviation within some ten points, and cries wolf about once in 465
// points (Montgomery, Introduction to Statistical Quality Control; from memory).
const (
	CusumK = 0.5
	CusumH = 5
)

// Seen is how much was found in how much that was looked at.
type Seen struct{ Finds, Units int }

// WatchResult is a cumulative sum of finds. Points follow the weeks in which units
// were looked at; Index says which those are.
type WatchResult struct {
	Rate   float64 // finds a unit that are taken as usual
	Own    bool    // the rate is of these weeks themselves, not of the time before
	Enough bool    // there is enough to go by; without it Points is empty
	Few    bool    // less than one find is expected at some points
	Index  []int
	Points []Sums
}

// Watch sums up by how much finds differ from the usual. What is usual is the rate of
// the time before, if that had finds and units enough, and else the mean of the weeks
// themselves. Each value is standardised as a count of a Poisson distribution,
//
//	z = (finds − expected) / √expected      expected = rate × units
//
// since weeks differ in how much is looked at.
func Watch(weeks, before []Seen) WatchResult {
	sum := func(s []Seen) (t Seen, points int) {
		for _, w := range s {
			t.Finds, t.Units = t.Finds+w.Finds, t.Units+w.Units
			if w.Units > 0 {
				points++
			}
		}
		return t, points
	}
	now, points := sum(weeks)
	usual, had := sum(before)
	var r WatchResult
	if usual.Finds < MinFinds || had < MinPoints {
		usual, r.Own = now, true
	}
	if usual.Units == 0 {
		return r
	}
	r.Rate = float64(usual.Finds) / float64(usual.Units)
	if points < MinPoints || r.Rate*float64(now.Units) < MinFinds {
		return r
	}
	r.Enough = true
	var z []float64
	for i, w := range weeks {
		if w.Units == 0 {
			continue
		}
		e := r.Rate * float64(w.Units)
		r.Few = r.Few || e < 1
		r.Index = append(r.Index, i)
		z = append(z, (float64(w.Finds)-e)/math.Sqrt(e))
	}
	r.Points = Cusum(z, CusumK, CusumH)
	return r
}
