package sampling

import (
	"math"
	"math/big"

	"lastlook/internal/say"
)

// Rule names the way in which a [Plan] was made.
type Rule string

// The rules.
const (
	RuleRate           Rule = "rate"            // ByRate
	RuleHypergeometric Rule = "hypergeometric"  // Hypergeometric
	RuleEffectiveLevel Rule = "effective-level" // EffectiveLevel
	RuleBinomial       Rule = "binomial"        // Binomial
	RulePoisson        Rule = "poisson"         // Poisson
)

// Plan says how many packages to examine and why. Rate and Minimum belong to
// the rate rule, Confidence, Detect, Efficacy and Assumed to the statistical ones.
type Plan struct {
	Packages int  `json:"packages"`
	Examine  int  `json:"examine"` // from 1 to Packages
	Rule     Rule `json:"rule"`

	Rate    Rate `json:"rate,omitzero"`
	Minimum int  `json:"minimum,omitzero"`

	Confidence Rate `json:"confidence,omitzero"`
	Detect     Rate `json:"detect,omitzero"`   // level of detection: the infested share to be seen
	Efficacy   Rate `json:"efficacy,omitzero"` // chance of recognising an infested package that is examined
	Assumed    int  `json:"assumed,omitzero"`  // infested packages the sample was computed for
}

// ByRate plans by the rate rule (common practice): rate of the packages, rounded
// up, at least minimum, at most all. 240 packages at 2 % with a minimum of 3
// give 5.
func ByRate(packages int, rate Rate, minimum int) (Plan, error) {
	if err := checkPackages(packages); err != nil {
		return Plan{}, err
	}
	switch {
	case rate <= 0:
		return Plan{}, say.Refuse(say.Invalid, "A rate of %v %% examines nothing. Use a rate above 0 %%, for instance 2 %%.", rate.Percent()).For("rate")
	case rate > Whole:
		return Plan{}, say.Refuse(say.Invalid, "A rate of %v %% is more than all packages. Use at most 100 %%.", rate.Percent()).For("rate")
	case minimum < 1:
		return Plan{}, say.Refuse(say.Invalid, "A minimum of %d would allow a consignment to go unexamined. Use at least 1.", minimum).For("minimum")
	}
	return Plan{
		Packages: packages,
		Examine:  min(max(rate.Up(packages), minimum), packages),
		Rule:     RuleRate,
		Rate:     rate,
		Minimum:  minimum,
	}, nil
}

// Demand is what a statistical sample must achieve: an infestation of the share
// Detect or more is seen with the probability Confidence, when an infested
// package that is examined is recognised with the probability Efficacy. None of
// them has a default; [Whole] is the efficacy of an examination that misses nothing.
type Demand struct {
	Confidence Rate
	Detect     Rate
	Efficacy   Rate
}

func (d Demand) check() error {
	if err := checkConfidence(d.Confidence); err != nil {
		return err
	}
	if err := checkShare(d.Detect); err != nil {
		return err
	}
	return checkEfficacy(d.Efficacy)
}

// assumed gives the infested packages that a share of a lot stands for, rounded
// down as in ISPM 31, Appendix 2: a fraction of a package cannot be infested.
func assumed(packages int, share Rate) (int, error) {
	if err := checkPackages(packages); err != nil {
		return 0, err
	}
	if err := checkShare(share); err != nil {
		return 0, err
	}
	infested := share.Down(packages)
	if infested == 0 {
		least := Rate((int64(Whole) + int64(packages) - 1) / int64(packages))
		return 0, say.Refuse(say.Invalid, "%v %% of %d packages is less than one package: there is no such infestation to look for. Use a level of detection of %v %% or more.",
			share.Percent(), packages, least.Percent()).For("detect")
	}
	return infested, nil
}

// Hypergeometric plans for a lot of known size (ISPM 31, Appendix 2): the
// smallest sample in which at least one of the assumed infested packages is
// recognised with the demanded confidence. The efficacy applies to each infested
// package examined, see the package comment. A demand that even examining
// everything cannot meet is refused.
func Hypergeometric(packages int, d Demand) (Plan, error) {
	infested, err := assumed(packages, d.Detect)
	if err != nil {
		return Plan{}, err
	}
	if err := d.check(); err != nil {
		return Plan{}, err
	}
	limit := Whole - d.Confidence
	n := first(1, packages, func(n int) bool { return trial{packages, infested, n, d.Efficacy}.within(0, limit) })
	if n > packages {
		best := 1 - trial{packages, infested, packages, d.Efficacy}.atMost(0)
		return Plan{}, say.Refuse(say.Invalid, "Even examining all %d packages would see an infestation of %d of them with a chance of only %s, at an efficacy of %v %%. Accept a confidence below that, or a higher level of detection.",
			packages, infested, chanceText(best), d.Efficacy.Percent()).For("confidence")
	}
	return d.plan(packages, n, infested, RuleHypergeometric), nil
}

// EffectiveLevel plans as the tables of ISPM 31, Appendix 2, do when the
// efficacy is below 100 %: level of detection × efficacy × packages, rounded
// down, is the number of infested packages that could be detected, and each of
// those counts as certain to be recognised.
func EffectiveLevel(packages int, d Demand) (Plan, error) {
	if _, err := assumed(packages, d.Detect); err != nil {
		return Plan{}, err
	}
	if err := d.check(); err != nil {
		return Plan{}, err
	}
	// The product of three numbers passes 64 bits; whole numbers of any length do not mind.
	product := new(big.Int).Mul(big.NewInt(d.Detect.times(d.Efficacy)), big.NewInt(int64(packages)))
	detectable := int(product.Quo(product, big.NewInt(Whole.times(Whole))).Int64())
	if detectable == 0 {
		return Plan{}, say.Refuse(say.Invalid, "%v %% of %d packages at an efficacy of %v %% is less than one package that could be detected. Use a higher level of detection.",
			d.Detect.Percent(), packages, d.Efficacy.Percent()).For("detect")
	}
	limit := Whole - d.Confidence
	// Examining everything always sees them, so there is always an answer.
	n := first(1, packages, func(n int) bool { return trial{packages, detectable, n, Whole}.within(0, limit) })
	return d.plan(packages, n, detectable, RuleEffectiveLevel), nil
}

// Binomial plans for a large, well mixed lot (ISPM 31, Appendix 3): the smallest
// n with (1 - efficacy × detect)^n at most 1 - confidence. A sample larger than
// the lot is refused; [Hypergeometric] knows the size of the lot.
func Binomial(packages int, d Demand) (Plan, error) {
	if _, err := assumed(packages, d.Detect); err != nil {
		return Plan{}, err
	}
	if err := d.check(); err != nil {
		return Plan{}, err
	}
	miss := big.NewRat(Whole.times(Whole)-d.Detect.times(d.Efficacy), Whole.times(Whole))
	estimate := math.Log1p(-d.Confidence.Share()) / math.Log1p(-d.Detect.Share()*d.Efficacy.Share())
	n := max(int(math.Ceil(estimate)), 1)
	// The estimate is at most one off; no demand takes more than 1.4e13.
	for !powerWithin(miss, n, Whole-d.Confidence) {
		n++
	}
	for n > 1 && powerWithin(miss, n-1, Whole-d.Confidence) {
		n--
	}
	if n > packages {
		return Plan{}, tooLarge(packages, float64(n))
	}
	return d.plan(packages, n, d.Detect.Down(packages), RuleBinomial), nil
}

// powerWithin reports whether x^n <= limit. Equality needs n <= 6, since x and
// limit are fractions whose denominators divide powers of ten and limit has only
// six places; up to there it is computed exactly, above with 320 bits.
func powerWithin(x *big.Rat, n int, limit Rate) bool {
	if n <= 6 {
		p := big.NewRat(1, 1)
		for range n {
			p.Mul(p, x)
		}
		return p.Cmp(big.NewRat(int64(limit), int64(Whole))) <= 0
	}
	const bits = 320
	p := new(big.Float).SetPrec(bits).SetInt64(1)
	base := new(big.Float).SetPrec(bits).SetRat(x)
	for ; n > 0; n >>= 1 {
		if n&1 == 1 {
			p.Mul(p, base)
		}
		base.Mul(base, base)
	}
	l := new(big.Float).SetPrec(bits).SetRat(big.NewRat(int64(limit), int64(Whole)))
	return p.Cmp(l) <= 0
}

// Poisson plans for a large lot with rare infestation (ISPM 31, Appendix 3):
// the smallest n with exp(-n × efficacy × detect) at most 1 - confidence. It
// approximates [Binomial] from above. A sample larger than the lot is refused.
func Poisson(packages int, d Demand) (Plan, error) {
	if _, err := assumed(packages, d.Detect); err != nil {
		return Plan{}, err
	}
	if err := d.check(); err != nil {
		return Plan{}, err
	}
	n := math.Ceil(-math.Log1p(-d.Confidence.Share()) / (float64(d.Detect.times(d.Efficacy)) / float64(Whole.times(Whole))))
	if n > float64(packages) {
		return Plan{}, tooLarge(packages, n)
	}
	return d.plan(packages, max(int(n), 1), d.Detect.Down(packages), RulePoisson), nil
}

func tooLarge(packages int, n float64) error {
	return say.Refuse(say.Invalid, "This form is for large lots: it would take %d packages, and there are %d. Use the hypergeometric form.", int64(math.Ceil(n)), packages).For("form")
}

func (d Demand) plan(packages, n, infested int, rule Rule) Plan {
	return Plan{
		Packages:   packages,
		Examine:    n,
		Rule:       rule,
		Confidence: d.Confidence,
		Detect:     d.Detect,
		Efficacy:   d.Efficacy,
		Assumed:    infested,
	}
}

// Why gives the reason for the number of packages, as sentences.
func (p Plan) Why() []say.Text {
	if p.Rule == RuleRate {
		return p.whyRate()
	}
	var s []say.Text
	switch p.Rule {
	case RuleEffectiveLevel:
		s = append(s, say.T("ISPM 31: %v %% of %d packages at an efficacy of %v %%, rounded down, is %d that could be detected.", p.Detect.Percent(), p.Packages, p.Efficacy.Percent(), p.Assumed))
	default:
		s = append(s, say.T("ISPM 31: %v %% of %d packages, rounded down, is %d infested.", p.Detect.Percent(), p.Packages, p.Assumed))
	}
	s = append(s, say.T("Examining %d sees at least one of them with a confidence of %v %%.", p.Examine, p.Confidence.Percent()))
	if p.Efficacy < Whole && p.Rule != RuleEffectiveLevel {
		s = append(s, say.T("An infested package that is examined counts as recognised %s.", often(p.Efficacy)))
	}
	// ISPM 31 has the two forms for samples of less than 5 % of the lot.
	if large := p.Rule == RuleBinomial || p.Rule == RulePoisson; large && 20*int64(p.Examine) >= int64(p.Packages) {
		s = append(s, say.T("This form is for samples below 5 %% of the lot; here the hypergeometric form is the right one."))
	}
	return s
}

func (p Plan) whyRate() []say.Text {
	product := int64(p.Rate) * int64(p.Packages)
	var s []say.Text
	switch {
	case product < int64(Whole):
		s = append(s, say.T("%v %% of %d is less than 1.", p.Rate.Percent(), p.Packages))
	case product%int64(Whole) == 0:
		s = append(s, say.T("%v %% of %d is %d.", p.Rate.Percent(), p.Packages, product/int64(Whole)))
	default:
		s = append(s, say.T("%v %% of %d is %v, rounded up.", p.Rate.Percent(), p.Packages, float64(product)/float64(Whole)))
	}
	switch {
	case p.Packages <= p.Minimum:
		return append(s, say.T("Never fewer than %d, at most all.", p.Minimum))
	case p.Minimum > 1:
		return append(s, say.T("Never fewer than %d.", p.Minimum))
	}
	return s
}

// Evidence weighs what the plan will show if every package it asks for is
// examined and found clean, at the given confidence.
func (p Plan) Evidence(confidence Rate) (Evidence, error) {
	e := p.Efficacy
	if e == 0 {
		e = Whole
	}
	return Weigh(Question{Packages: p.Packages, Examined: p.Examine, Confidence: confidence, Efficacy: e})
}
