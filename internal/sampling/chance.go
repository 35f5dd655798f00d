package sampling

import (
	"math"
	"math/big"

	"gonum.org/v1/gonum/mathext"

	"lastlook/internal/say"
)

// trial is one sample: n of N packages drawn without replacement, A of the N
// infested, an infested one recognised with the probability e.
type trial struct {
	N, A, n int
	e       Rate
}

// span gives the smallest and largest possible number of infested packages
// among the drawn ones.
func (t trial) span() (lo, hi int) { return max(0, t.n+t.A-t.N), min(t.n, t.A) }

// negligible is the weight, relative to the sum so far, below which the rest of
// a hypergeometric tail cannot matter.
const negligible = 1e-25

// atMost gives P(X <= k), X being the number of packages recognised as infested.
//
// The weights of the hypergeometric distribution are built up from its mode by
// their ratios, in both directions until they are negligible, and divided by
// their own sum: no factorial, no logarithm, no cancellation. What is left out
// is below 1e-24 in all, so results above 1e-9 have a relative error of some
// 1e-12, and smaller results may come out as smaller still.
func (t trial) atMost(k int) float64 {
	lo, hi := t.span()
	if k >= hi {
		return 1
	}
	mode := int(int64(t.n+1) * int64(t.A+1) / int64(t.N+2))
	mode = min(max(mode, lo), hi)
	all, seen := 1.0, t.seesAtMost(k, mode)
	w := 1.0
	for j := mode; j < hi; j++ {
		w *= float64(t.A-j) * float64(t.n-j) / (float64(j+1) * float64(t.N-t.A-t.n+j+1))
		all += w
		seen += w * t.seesAtMost(k, j+1)
		if w < negligible*all {
			break
		}
	}
	w = 1.0
	for j := mode; j > lo; j-- {
		w *= float64(j) * float64(t.N-t.A-t.n+j) / (float64(t.A-j+1) * float64(t.n-j+1))
		all += w
		seen += w * t.seesAtMost(k, j-1)
		if w < negligible*all {
			break
		}
	}
	return min(seen/all, 1)
}

// seesAtMost gives the probability of recognising at most k of j infested packages.
func (t trial) seesAtMost(k, j int) float64 {
	switch {
	case j <= k:
		return 1
	case t.e == Whole:
		return 0
	case k == 0:
		return math.Pow((Whole - t.e).Share(), float64(j))
	}
	return mathext.RegIncBeta(float64(j-k), float64(k+1), (Whole - t.e).Share())
}

// near is the relative distance from a limit within which double precision is
// not trusted. It is a thousand times the error of atMost.
const near = 1e-9

// bound gives a logarithm that P(X = 0) does not exceed: drawing without
// replacement misses no more than drawing with (Hoeffding, Probability
// inequalities for sums of bounded random variables, 1963), and n and A may
// change places. It spares the sums for most of a search in a large lot.
func (t trial) bound() float64 {
	e, N := t.e.Share(), float64(t.N)
	return min(float64(t.n)*math.Log1p(-e*float64(t.A)/N), float64(t.A)*math.Log1p(-e*float64(t.n)/N))
}

// within reports whether P(X <= k) <= limit, exactly. limit is at least one millionth.
func (t trial) within(k int, limit Rate) bool {
	if k == 0 && t.bound() < math.Log(limit.Share())-1e-6 {
		return true
	}
	p, l := t.atMost(k), limit.Share()
	if math.Abs(p-l) > near*l {
		return p < l
	}
	num, den := t.exact(k)
	num.Mul(num, big.NewInt(int64(Whole)))
	den.Mul(den, big.NewInt(int64(limit)))
	return num.Cmp(den) <= 0
}

// exact gives P(X <= k) as a fraction of whole numbers.
//
// With e = E/M in lowest terms the sum over j of C(A,j) C(N-A,n-j) times the
// number of favourable outcomes of j looks, over C(N,n) M^hi, is gathered by
// Horner's rule. n and A may change places, which keeps the numbers short.
func (t trial) exact(k int) (num, den *big.Int) {
	if t.n > t.A {
		t.n, t.A = t.A, t.n
	}
	lo, hi := t.span()
	g := gcd(int64(t.e), int64(Whole))
	E, M := int64(t.e)/g, int64(Whole)/g
	bigM := big.NewInt(M)

	num = new(big.Int)
	term := new(big.Int).Mul(binomial(t.A, lo), binomial(t.N-t.A, t.n-lo))
	missed := new(big.Int).Exp(big.NewInt(M-E), big.NewInt(int64(lo)), nil) // (M-E)^j
	f := new(big.Int)
	for j := lo; ; j++ {
		switch {
		case k == 0:
			f.Set(missed)
		case j <= k:
			f.Exp(bigM, big.NewInt(int64(j)), nil)
		default:
			looks(f, j, k, E, M-E)
		}
		num.Mul(num, bigM)
		num.Add(num, f.Mul(f, term))
		if j == hi {
			break
		}
		term.Mul(term, big.NewInt(int64(t.A-j)))
		term.Mul(term, big.NewInt(int64(t.n-j)))
		term.Quo(term, big.NewInt(int64(j+1)))
		term.Quo(term, big.NewInt(int64(t.N-t.A-t.n+j+1)))
		missed.Mul(missed, big.NewInt(M-E))
	}
	den = new(big.Int).Exp(bigM, big.NewInt(int64(hi)), nil)
	den.Mul(den, binomial(t.N, t.n))
	return num, den
}

// looks sets f to the sum over x <= k of C(j,x) E^x Q^(j-x).
func looks(f *big.Int, j, k int, E, Q int64) {
	f.SetInt64(0)
	for x := 0; x <= min(j, k); x++ {
		v := binomial(j, x)
		v.Mul(v, new(big.Int).Exp(big.NewInt(E), big.NewInt(int64(x)), nil))
		v.Mul(v, new(big.Int).Exp(big.NewInt(Q), big.NewInt(int64(j-x)), nil))
		f.Add(f, v)
	}
}

func binomial(n, k int) *big.Int { return new(big.Int).Binomial(int64(n), int64(k)) }

func gcd(a, b int64) int64 {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}

// first gives the smallest x in lo..hi for which ok holds, given that ok stays
// true once it is; hi+1 if there is none.
func first(lo, hi int, ok func(int) bool) int {
	for lo <= hi {
		mid := lo + (hi-lo)/2
		if ok(mid) {
			hi = mid - 1
		} else {
			lo = mid + 1
		}
	}
	return lo
}

// Chance gives the probability that at least one infested package is recognised
// when examined of the packages are drawn and infested of them are infested,
// each recognised with the given efficacy when it is examined.
func Chance(packages, examined, infested int, efficacy Rate) (float64, error) {
	if err := checkPackages(packages); err != nil {
		return 0, err
	}
	if err := checkExamined(packages, examined); err != nil {
		return 0, err
	}
	if infested < 0 || infested > packages {
		return 0, say.Refuse(say.Invalid, "%d infested of %d packages cannot be. Use a number from 0 to %d.", infested, packages, packages).For("infested")
	}
	if err := checkEfficacy(efficacy); err != nil {
		return 0, err
	}
	return 1 - trial{packages, infested, examined, efficacy}.atMost(0), nil
}

// ChanceOfShare is [Chance] for a share of the packages, rounded down to whole
// packages. A share of less than one package is refused.
func ChanceOfShare(packages, examined int, share, efficacy Rate) (float64, error) {
	infested, err := assumed(packages, share)
	if err != nil {
		return 0, err
	}
	return Chance(packages, examined, infested, efficacy)
}

// LargeLotChance gives the probability that at least one infested package is
// recognised among examined ones out of a lot without end (ISPM 31, Appendix 1,
// binomial form): 1 - (1 - efficacy × share)^examined.
func LargeLotChance(examined int, share, efficacy Rate) (float64, error) {
	if err := checkShare(share); err != nil {
		return 0, err
	}
	if err := checkEfficacy(efficacy); err != nil {
		return 0, err
	}
	if examined < 0 {
		return 0, say.Refuse(say.Invalid, "%d packages cannot be examined. Use 0 or more.", examined).For("examined")
	}
	if examined == 0 {
		return 0, nil
	}
	return -math.Expm1(float64(examined) * math.Log1p(-share.Share()*efficacy.Share())), nil
}

// LargeLotLimit gives the share of infested packages that a lot without end has
// at most, with the given confidence, after infested of the examined packages
// were recognised as infested: the one-sided upper limit of Clopper and Pearson
// (1934), divided by the efficacy. It is 1 when nothing was examined.
func LargeLotLimit(examined, infested int, confidence, efficacy Rate) (float64, error) {
	if examined < 0 || infested < 0 || infested > examined {
		return 0, say.Refuse(say.Invalid, "%d infested of %d examined cannot be. Use a number from 0 to the number examined.", infested, examined).For("infested")
	}
	if err := checkConfidence(confidence); err != nil {
		return 0, err
	}
	if err := checkEfficacy(efficacy); err != nil {
		return 0, err
	}
	if infested == examined {
		return 1, nil
	}
	p := mathext.InvRegIncBeta(float64(infested+1), float64(examined-infested), confidence.Share())
	return min(p/efficacy.Share(), 1), nil
}

func checkExamined(packages, examined int) error {
	if examined < 0 || examined > packages {
		return say.Refuse(say.Invalid, "%d of %d packages cannot be examined. Use a number from 0 to %d.", examined, packages, packages).For("examined")
	}
	return nil
}
