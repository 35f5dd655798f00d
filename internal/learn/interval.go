package learn

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mathext"

	"lastlook/internal/sampling"
	"lastlook/internal/say"
)

// Interval is an estimate with the limits between which the truth lies with the
// confidence asked for, or more.
type Interval struct{ Estimate, Low, High float64 }

// Times gives the interval of a multiple: per 1 000 units is Times(1000).
func (i Interval) Times(f float64) Interval {
	return Interval{i.Estimate * f, i.Low * f, i.High * f}
}

// tail is the chance left out on each side.
func tail(confidence sampling.Rate) (float64, error) {
	if confidence <= 0 || confidence >= sampling.Whole {
		return 0, say.Refuse(say.Invalid, "A confidence of %s is none: use one between 0%% and 100%%, like 95%%.", confidence.String())
	}
	return (sampling.Whole - confidence).Share() / 2, nil
}

// Proportion gives x of n as a share, with the exact interval of Clopper and
// Pearson (The use of confidence or fiducial limits illustrated in the case of the
// binomial, Biometrika 26, 1934), written with the beta distribution:
//
//	low  = B⁻¹(α/2; x, n−x+1)      high = B⁻¹(1−α/2; x+1, n−x)
//
// with 0 and 1 at the ends. It refuses n below 1 and x outside 0 to n.
func Proportion(x, n int, confidence sampling.Rate) (Interval, error) {
	a, err := tail(confidence)
	if err != nil {
		return Interval{}, err
	}
	if n < 1 || x < 0 || x > n {
		return Interval{}, say.Refuse(say.Invalid, "%d of %d is no share: count again.", x, n)
	}
	out := Interval{Estimate: float64(x) / float64(n), Low: 0, High: 1}
	if x > 0 {
		out.Low = mathext.InvRegIncBeta(float64(x), float64(n-x+1), a)
	}
	if x < n {
		// From the other side, so that a small tail is not lost in 1 − α/2.
		out.High = 1 - mathext.InvRegIncBeta(float64(n-x), float64(x+1), a)
	}
	return out, nil
}

// Count gives x things counted as a mean, with the exact interval of Garwood
// (Fiducial limits for the Poisson distribution, Biometrika 28, 1936), written with
// the gamma distribution:
//
//	low = G⁻¹(α/2; x)      high = G⁻¹(1−α/2; x+1)
//
// with 0 below for x = 0. Divide by what was looked at for a rate.
func Count(x int, confidence sampling.Rate) (Interval, error) {
	a, err := tail(confidence)
	if err != nil {
		return Interval{}, err
	}
	if x < 0 {
		return Interval{}, say.Refuse(say.Invalid, "%d things cannot be counted: count again.", x)
	}
	out := Interval{Estimate: float64(x)}
	if x > 0 {
		out.Low = mathext.GammaIncRegInv(float64(x), a)
	}
	out.High = mathext.GammaIncRegCompInv(float64(x+1), a)
	return out, nil
}

// atLeast gives P(X ≥ x) for X binomial with n and p.
func atLeast(x, n int, p float64) float64 {
	switch {
	case x <= 0:
		return 1
	case x > n || p <= 0:
		return 0
	case p >= 1:
		return 1
	}
	return mathext.RegIncBeta(float64(x), float64(n-x+1), p)
}

// Quartiles are the median and the quarters on both sides of it, with how many
// values they are of.
type Quartiles struct {
	N                int
	Low, Median, Top float64
}

// QuartilesOf computes quartiles by linear interpolation: definition 7 of Hyndman
// and Fan (Sample quantiles in statistical packages, The American Statistician 50,
// 1996), the one that R uses unless told otherwise. Of nothing they are 0 with N 0.
func QuartilesOf(values []float64) Quartiles {
	v := slices.Sorted(slices.Values(values))
	at := func(p float64) float64 {
		if len(v) == 0 {
			return 0
		}
		h := p * float64(len(v)-1)
		i := int(math.Floor(h))
		if i+1 >= len(v) {
			return v[len(v)-1]
		}
		return v[i] + (h-float64(i))*(v[i+1]-v[i])
	}
	return Quartiles{N: len(v), Low: at(.25), Median: at(.5), Top: at(.75)}
}
