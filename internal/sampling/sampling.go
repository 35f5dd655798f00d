// Package sampling says how many packages of a consignment to examine, and what
// the result can and cannot show.
//
// Start with [ByRate], the everyday rule: a rate of the packages, rounded up, at
// least a minimum, at most all. [Hypergeometric] asks the question the other way
// round: how many packages must be examined to see a given infestation with a
// given confidence, as ISPM 31 (Methodologies for sampling of consignments) does.
// [Weigh] turns any result into [Evidence], in numbers and in plain sentences,
// and [Allocate] spreads a sample over crop lines.
//
// # Exactness
//
// Rates, confidences, levels of detection and efficacies are exact decimals of
// the type [Rate]; 7 % of 100 is 7. Probabilities are summed in double precision,
// and whenever one comes so close to a limit that rounding could tip the answer,
// the comparison is made again in whole numbers of any length. A package count
// is therefore never one off because of rounding. The one exception is
// [Poisson], whose limit is transcendental and which is an approximation anyway.
//
// # Model
//
// Of N packages A are infested and n are drawn at random without replacement.
// The number J of infested packages among the drawn ones is hypergeometric:
//
//	P(J = j) = C(A, j) C(N-A, n-j) / C(N, n)
//
// which is formula 1 of ISPM 31, Appendix 1. An infested package that is examined
// is recognised with the probability e, the efficacy, each on its own. So the
// chance of seeing none of them is
//
//	P(miss) = sum over j of P(J = j) (1-e)^j
//
// This is what [Hypergeometric], [Chance] and [Weigh] compute. ISPM 31 itself
// takes a shorter way: it multiplies level of detection and efficacy, takes that
// share of the lot, rounded down, as the number of infested units that could be
// detected, and then counts each of them as certain to be recognised. That is
// [EffectiveLevel]. The two agree at an efficacy of 100 %. Below it, the shorter
// way fixes a number which in truth varies; since the chance of a miss is convex
// in that number, the shorter way promises slightly more than it keeps, except
// where its rounding down outweighs this.
//
// # What it will not do
//
// It draws nothing (see package draw), reads no clock and keeps nothing. It does
// not model pests that cluster: packages count as infested one by one at random.
// A design effect can be given to [Weigh] when one is known, see
// [Question.DesignEffect]; nothing is assumed about one otherwise.
package sampling

import "lastlook/internal/say"

// MaxPackages is the largest lot this package answers for.
const MaxPackages = 10_000_000

// DefaultMinimum is the smallest number of packages to examine unless the rule
// set says otherwise (common practice).
const DefaultMinimum = 3

// DefaultRate is the share of the packages to examine unless the rule set says
// otherwise (common practice).
const DefaultRate = 2 * Percent

// DefaultConfidence is 95 %, "19 times in 20", the level that statements are
// made at unless another is asked for.
const DefaultConfidence = 95 * Percent

// checkPackages refuses a number of packages that is no lot.
func checkPackages(packages int) error {
	switch {
	case packages < 1:
		return say.Refuse(say.Invalid, "There is nothing to sample: the number of packages is %d. Count the packages and enter at least 1.", packages).For("packages")
	case packages > MaxPackages:
		return say.Refuse(say.Invalid, "%d packages are more than can be worked with (%d). Check the number, or split the consignment.", packages, MaxPackages).For("packages")
	}
	return nil
}

// checkConfidence refuses a confidence that is not between 0 and 100 %.
func checkConfidence(c Rate) error {
	switch {
	case c <= 0:
		return say.Refuse(say.Invalid, "A confidence of %v %% promises nothing. Use for instance 95 %%.", c.Percent()).For("confidence")
	case c >= Whole:
		return say.Refuse(say.Invalid, "A confidence of %v %% is out of reach of any sample. Use for instance 95 %% or 99 %%.", c.Percent()).For("confidence")
	}
	return nil
}

// checkShare refuses a level of detection that is not above 0 and at most 100 %.
func checkShare(d Rate) error {
	switch {
	case d <= 0:
		return say.Refuse(say.Invalid, "A level of detection of %v %% leaves nothing to detect. Use for instance 1 %%.", d.Percent()).For("detect")
	case d > Whole:
		return say.Refuse(say.Invalid, "A level of detection of %v %% is more than all packages. Use at most 100 %%.", d.Percent()).For("detect")
	}
	return nil
}

// checkEfficacy refuses an efficacy that is not above 0 and at most 100 %.
func checkEfficacy(e Rate) error {
	switch {
	case e <= 0:
		return say.Refuse(say.Invalid, "With an efficacy of %v %% nothing is ever seen. Use for instance 90 %%, or 100 %% if an infested package is always recognised.", e.Percent()).For("efficacy")
	case e > Whole:
		return say.Refuse(say.Invalid, "An efficacy of %v %% is more than always. Use at most 100 %%.", e.Percent()).For("efficacy")
	}
	return nil
}
