package sampling

import (
	"math"

	"lastlook/internal/say"
)

// Question is what [Weigh] answers: Infested of Examined packages, drawn from
// Packages, were recognised as infested; what does that show about the lot?
type Question struct {
	Packages int `json:"packages"`
	Examined int `json:"examined"`
	Infested int `json:"infested"`

	Confidence Rate `json:"confidence"` // no default, see DefaultConfidence
	Efficacy   Rate `json:"efficacy"`   // no default, Whole when nothing is missed

	// DesignEffect is by how much clustering widens the variance against a random
	// draw of single packages (Kish, Survey Sampling, 1965): 100 % or zero for
	// none. With 200 % ten packages say as much as five, rounded down. It has to
	// come from experience with the pest or with how packages are stacked; none
	// is assumed. It is not applied when every package was examined, because then
	// nothing was left to chance, and refused together with finds.
	DesignEffect Rate `json:"design_effect,omitzero"`
}

func (q Question) check() error {
	if err := checkPackages(q.Packages); err != nil {
		return err
	}
	if err := checkExamined(q.Packages, q.Examined); err != nil {
		return err
	}
	if q.Infested < 0 || q.Infested > q.Examined {
		return say.Refuse(say.Invalid, "%d infested of %d examined cannot be. Use a number from 0 to the number examined.", q.Infested, q.Examined).For("infested")
	}
	if err := checkConfidence(q.Confidence); err != nil {
		return err
	}
	if err := checkEfficacy(q.Efficacy); err != nil {
		return err
	}
	switch {
	case q.DesignEffect != 0 && q.DesignEffect < Whole:
		return say.Refuse(say.Invalid, "A design effect of %v %% would make a sample worth more than it is. Use 100 %% or more.", q.DesignEffect.Percent()).For("design_effect")
	case q.DesignEffect > Whole && q.Infested > 0:
		return say.Refuse(say.Invalid, "A design effect is only known for samples without finds. Leave it out.").For("design_effect")
	}
	return nil
}

// worth gives the number of packages the sample counts as.
func (q Question) worth() int {
	if q.DesignEffect <= Whole || q.Examined == q.Packages {
		return q.Examined
	}
	return int(int64(q.Examined) * int64(Whole) / int64(q.DesignEffect))
}

func (q Question) trial(infested int) trial {
	return trial{q.Packages, infested, q.worth(), q.Efficacy}
}

// Evidence is the answer to a [Question].
type Evidence struct {
	Question

	// SmallestPackages is the smallest number of infested packages in the lot of
	// which at least one would have been recognised with the Confidence. It is 0
	// when no number would, and after finds.
	SmallestPackages int `json:"smallest_packages"`
	// SmallestShare is SmallestPackages as a share of the packages, 0 to 1.
	SmallestShare float64 `json:"smallest_share"`
	// AtMostPackages is the exact one-sided upper limit: with the Confidence, not
	// more packages of the lot are infested, the examined ones included. Without
	// finds it is one less than SmallestPackages.
	AtMostPackages int `json:"at_most_packages"`
	// AtMostShare is AtMostPackages as a share of the packages, 0 to 1.
	AtMostShare float64 `json:"at_most_share"`
}

// Weigh says what a result shows. The limits are those of the hypergeometric
// distribution itself (Buonaccorsi, The American Statistician 41, 1987), with
// the efficacy applied to each infested package examined.
func Weigh(q Question) (Evidence, error) {
	if err := q.check(); err != nil {
		return Evidence{}, err
	}
	limit := Whole - q.Confidence
	beyond := first(q.Infested+1, q.Packages, func(infested int) bool {
		return q.trial(infested).within(q.Infested, limit)
	})
	ev := Evidence{Question: q, AtMostPackages: beyond - 1}
	if q.Infested == 0 && beyond <= q.Packages {
		ev.SmallestPackages = beyond
	}
	ev.SmallestShare = float64(ev.SmallestPackages) / float64(q.Packages)
	ev.AtMostShare = float64(ev.AtMostPackages) / float64(q.Packages)
	return ev, nil
}

// Clean weighs a clean result at [DefaultConfidence] and full efficacy.
func Clean(packages, examined int) (Evidence, error) {
	return Weigh(Question{Packages: packages, Examined: examined, Confidence: DefaultConfidence, Efficacy: Whole})
}

// Words says, before the examination, what it would show if it found nothing.
// After finds it says what Record says. The last sentence states the assumption
// about efficacy.
func (ev Evidence) Words() []say.Text {
	if ev.Infested > 0 {
		return ev.Record()
	}
	var s []say.Text
	switch {
	case ev.Examined == 0:
		return []say.Text{say.T("Nothing is examined, so nothing can be said about an infestation.")}
	case ev.SmallestPackages == 0:
		return append(s, say.T("Even if all %d are clean, an infestation of every package could be missed more than %s.", ev.Examined, often(Whole-ev.Confidence)), ev.assumption())
	case ev.Examined == ev.Packages && ev.Efficacy == Whole:
		s = append(s, say.T("Every package is examined: a single infested one would be seen."))
	case ev.SmallestPackages == 1 && ev.Examined == 1:
		s = append(s, say.T("If the one examined is clean: a single infested package would have been seen, %s.", often(ev.Confidence)))
	case ev.SmallestPackages == 1:
		s = append(s, say.T("If all %d are clean: a single infested package would have been seen, %s.", ev.Examined, often(ev.Confidence)))
	case ev.Examined == 1:
		s = append(s,
			say.T("If the one examined is clean: an infestation of %v %% of the packages (%d of %d) or more would have been seen, %s.", ev.smallest(), ev.SmallestPackages, ev.Packages, often(ev.Confidence)),
			say.T("A smaller one may be missed."))
	default:
		s = append(s,
			say.T("If all %d are clean: an infestation of %v %% of the packages (%d of %d) or more would have been seen, %s.", ev.Examined, ev.smallest(), ev.SmallestPackages, ev.Packages, often(ev.Confidence)),
			say.T("A smaller one may be missed."))
	}
	return append(s, ev.assumption())
}

// Record says, after the examination, what it has shown.
func (ev Evidence) Record() []say.Text {
	var s []say.Text
	switch {
	case ev.Examined == 0:
		return []say.Text{say.T("Nothing was examined, so nothing can be said about an infestation.")}
	case ev.Infested > 0:
		if ev.Infested == 1 {
			s = append(s, say.T("1 of %d packages examined was infested, or suspected to be.", ev.Examined))
		} else {
			s = append(s, say.T("%d of %d packages examined were infested, or suspected to be.", ev.Infested, ev.Examined))
		}
		if ev.Examined == ev.Packages && ev.Efficacy == Whole {
			s = append(s, say.T("Every package was examined."))
		} else {
			s = append(s, say.T("Of all %d packages up to %d (%v %%) may be, with a confidence of %v %%.", ev.Packages, ev.AtMostPackages, percentUp(ev.AtMostPackages, ev.Packages), ev.Confidence.Percent()))
		}
		return append(s, ev.assumption())
	}
	if ev.Examined == 1 {
		s = append(s, say.T("1 of %d packages was examined; it was clean.", ev.Packages))
	} else {
		s = append(s, say.T("%d of %d packages were examined; all were clean.", ev.Examined, ev.Packages))
	}
	switch {
	case ev.SmallestPackages == 0:
		s = append(s, say.T("Even an infestation of every package could have been missed more than %s.", often(Whole-ev.Confidence)))
	case ev.Examined == ev.Packages && ev.Efficacy == Whole:
		s = append(s, say.T("A single infested one would have been seen."))
	case ev.SmallestPackages == 1:
		s = append(s, say.T("A single infested package would have been seen, %s.", often(ev.Confidence)))
	default:
		s = append(s,
			say.T("An infestation of %v %% of the packages (%d of %d) or more would have been seen, %s.", ev.smallest(), ev.SmallestPackages, ev.Packages, often(ev.Confidence)),
			say.T("A smaller one may have been missed."))
	}
	return append(s, ev.assumption())
}

// smallest gives SmallestPackages as a percentage with one place, rounded up:
// "this or more" stays true.
func (ev Evidence) smallest() float64 { return percentUp(ev.SmallestPackages, ev.Packages) }

func (ev Evidence) assumption() say.Text {
	s := say.T("This assumes that an infested package is recognised whenever it is examined.")
	if ev.Efficacy < Whole {
		s = say.T("This assumes that an infested package is recognised %s when it is examined.", often(ev.Efficacy))
	}
	if ev.DesignEffect > Whole && ev.worth() != ev.Examined {
		return say.T("%s The %d count as %d, because infested packages tend to stand together.", s, ev.Examined, ev.worth())
	}
	return s
}

// Against says how much the clean result says about an infestation of the given
// share, rounded down to whole packages, and what sample would settle it at the
// Confidence of ev. It is refused after finds and for less than one package.
func (ev Evidence) Against(share Rate) ([]say.Text, error) {
	if ev.Infested > 0 {
		return nil, say.Refuse(say.Invalid, "%d packages were infested: the question whether an infestation would have been seen is answered.", ev.Infested).For("infested")
	}
	infested, err := assumed(ev.Packages, share)
	if err != nil {
		return nil, err
	}
	t := ev.trial(infested)
	chance := chanceText(1 - t.atMost(0))
	pct := share.Percent()
	var s []say.Text
	switch {
	case t.within(0, Whole-ev.Confidence):
		return append(s, say.T("%d of %d clean is good evidence against an infestation of %v %%: the chance of seeing it is %s.", ev.Examined, ev.Packages, pct, chance)), nil
	case !t.within(0, Whole/2):
		s = append(s, say.T("%d of %d clean says little about an infestation of %v %%: the chance of seeing it is %s.", ev.Examined, ev.Packages, pct, chance))
	default:
		s = append(s, say.T("%d of %d clean says something about an infestation of %v %%, but not enough: the chance of seeing it is %s.", ev.Examined, ev.Packages, pct, chance))
	}
	plan, err := Hypergeometric(ev.Packages, Demand{Confidence: ev.Confidence, Detect: share, Efficacy: ev.Efficacy})
	if err != nil {
		if say.CodeOf(err) == say.Invalid {
			return append(s, say.T("Even examining all %d would not reach %v %%.", ev.Packages, ev.Confidence.Percent())), nil
		}
		return nil, err
	}
	return append(s, say.T("It takes %d packages to reach %v %%.", ev.needed(plan.Examine), ev.Confidence.Percent())), nil
}

// needed gives the packages to examine for a sample that counts as n.
func (ev Evidence) needed(n int) int {
	if ev.DesignEffect > Whole {
		n = int((int64(n)*int64(ev.DesignEffect) + int64(Whole) - 1) / int64(Whole))
	}
	return min(n, ev.Packages)
}

// often says a rate as a frequency: "19 times in 20".
func often(r Rate) say.Text {
	if r == Whole {
		return say.T("every time")
	}
	g := gcd(int64(r), int64(Whole))
	times, in := int64(r)/g, int64(Whole)/g
	switch {
	case in > 1000:
		return say.T("%v %% of the time", r.Percent())
	case times == 1:
		return say.T("once in %d", in)
	}
	return say.T("%d times in %d", times, in)
}

// percentUp gives part of whole as a percentage with one place, rounded up.
func percentUp(part, whole int) float64 {
	return float64((int64(part)*1000+int64(whole)-1)/int64(whole)) / 10
}

// chanceText says a probability as a percentage with one place, rounded down, so
// that a chance is never overstated.
func chanceText(p float64) say.Text {
	const slack = 1e-9 // a chance of exactly 9.6 % that came out as 9.59999999999 is 9.6
	tenths := math.Floor(p*1000 + slack)
	switch {
	case p <= 0:
		return say.T("none")
	case tenths < 1:
		return say.T("less than %v %%", 0.1)
	}
	return say.T("%v %%", tenths/10)
}
