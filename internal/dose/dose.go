// Package dose reads and converts the rates and amounts of a treatment: how much
// of a product on how much area, in how much water, at what temperature, for how
// long.
//
// Start with [ParseRate], [ParseAmount], [ParseTemperature] and [ParseDuration],
// which read what people type and refuse what could be read in two ways. A
// [Quantity] keeps the number and the unit as they were given, because a
// treatment record must say what the label said; [Quantity.In] gives the same in
// another unit, exactly. Numbers are fractions of whole numbers throughout: no
// floating point. [Quantity.String] is for storing, with units in the codes of
// UCUM (the Unified Code for Units of Measure), and [Read] reads it;
// [Quantity.Human] is for people.
//
// The package does not know whether a rate is right for a product, a crop or a
// pest: that is on the product's label. A per cent sign by itself is kept but not
// converted, as it does not say of what it is a share.
package dose

import (
	"math/big"
	"strconv"
	"strings"

	"lastlook/internal/say"
)

// Base is what a unit measures.
type Base string

// The bases.
const (
	Nothing     Base = "" // there is no such part
	Volume      Base = "volume"
	Mass        Base = "mass"
	Area        Base = "area"
	Temperature Base = "temperature"
	Duration    Base = "duration"
	Count       Base = "count" // pieces, such as beneficial insects
	Share       Base = "share" // a part of something that is not said
	Plant       Base = "plant"
	Pot         Base = "pot"
)

// Dimension is what a quantity measures: Of, for each Per. Dimensions are
// comparable with ==.
type Dimension struct{ Of, Per Base }

// The dimensions of rates and amounts. More are possible: mass for each pot.
var (
	VolumePerArea   = Dimension{Volume, Area}
	MassPerArea     = Dimension{Mass, Area}
	VolumePerVolume = Dimension{Volume, Volume}
	MassPerVolume   = Dimension{Mass, Volume}
	MassPerMass     = Dimension{Mass, Mass}
	VolumePerMass   = Dimension{Volume, Mass} // of growing medium, of seed
	CountPerArea    = Dimension{Count, Area}
	VolumePerPlant  = Dimension{Volume, Plant}
	MassPerPlant    = Dimension{Mass, Plant}
	ShareOfUnsaid   = Dimension{Share, Nothing}
)

// Unit is a unit of measure, such as mL/L or kg for each 1000 m². Units are
// comparable with ==; the zero Unit measures nothing.
type Unit struct {
	num, den string // codes of the atoms; den may be ""
	per      int64  // how many of den, at least 1 where there is one
}

// Dimension gives what u measures.
func (u Unit) Dimension() Dimension {
	if a := atoms[u.num]; a.per != Nothing {
		return Dimension{a.of, a.per}
	}
	return Dimension{atoms[u.num].of, atoms[u.den].of}
}

// Code gives the UCUM code of u: "L/har", "kg/(1000.m2)". "%{v/v}" and "{plant}"
// are UCUM with its annotations, which are needed to tell shares and pieces apart.
func (u Unit) Code() string {
	den := u.den
	switch {
	case u == Unit{}:
		return ""
	case den == "":
		return u.num
	case u.per > 1:
		den = "(" + strconv.FormatInt(u.per, 10) + "." + den + ")"
	case strings.Contains(den, "."):
		den = "(" + den + ")"
	}
	if u.num == pieces {
		return "/" + den
	}
	return u.num + "/" + den
}

// Human gives u as people read it: "L/ha", "kg/1000 m²", "% v/v".
func (u Unit) Human() string {
	s := atoms[u.num].human
	switch {
	case u.den == "":
		return s
	case u.num == pieces:
		s = ""
	}
	s += "/"
	if u.per > 1 {
		s += strconv.FormatInt(u.per, 10) + " "
	}
	return s + atoms[u.den].human
}

// size gives how many of the basic unit of its dimension u is.
func (u Unit) size() *big.Rat {
	f := new(big.Rat).Set(atoms[u.num].size)
	if u.den != "" {
		f.Quo(f, atoms[u.den].size)
		f.Quo(f, new(big.Rat).SetInt64(u.per))
	}
	return f
}

// zero gives where the scale of u begins, in basic units: 0 but for temperatures.
func (u Unit) zero() *big.Rat {
	if z := atoms[u.num].zero; z != nil {
		return z
	}
	return new(big.Rat)
}

// Quantity is a number with a unit. Quantities are comparable with ==, which asks
// whether the same was written: 1 L/ha and 1000 mL/ha are different. [Quantity.Cmp]
// compares how much they are. The zero Quantity is none.
type Quantity struct {
	value string // as number writes it
	unit  Unit
}

// New makes a quantity.
func New(value *big.Rat, u Unit) Quantity { return Quantity{number(value), u} }

// IsZero reports whether q is none.
func (q Quantity) IsZero() bool { return q == Quantity{} }

// Unit gives the unit in which q was given.
func (q Quantity) Unit() Unit { return q.unit }

// Dimension gives what q measures.
func (q Quantity) Dimension() Dimension { return q.unit.Dimension() }

// Value gives the number in front of the unit, exactly.
func (q Quantity) Value() *big.Rat {
	v := new(big.Rat)
	if q.value != "" {
		v.SetString(q.value) // written by number, or read by Read
	}
	return v
}

// base gives q in the basic unit of its dimension.
func (q Quantity) base() *big.Rat {
	v := q.Value()
	v.Mul(v, q.unit.size())
	return v.Add(v, q.unit.zero())
}

// In gives the same in another unit, exactly. The error is a say.Refusal, where u
// measures something else.
func (q Quantity) In(u Unit) (Quantity, error) {
	from, to := q.Dimension(), u.Dimension()
	switch {
	case from == to && !q.IsZero():
		v := q.base()
		v.Sub(v, u.zero())
		return New(v.Quo(v, u.size()), u), nil
	case from == ShareOfUnsaid || to == ShareOfUnsaid:
		return Quantity{}, say.Refuse(say.Invalid, "%s does not say of what it is a share, so it is not converted between %s and %s. Write it with %% v/v, %% w/v or %% w/w.",
			q.Human(), q.unit.Human(), u.Human())
	}
	return Quantity{}, say.Refuse(say.Invalid, "%s cannot be given in %s: the two measure different things.", q.Human(), u.Human())
}

// Cmp compares two quantities of one dimension: −1 if q is less, 0 if they are the
// same, 1 if q is more. ok is false where they cannot be compared.
func (q Quantity) Cmp(r Quantity) (sign int, ok bool) {
	if q.IsZero() || r.IsZero() || q.Dimension() != r.Dimension() {
		return 0, false
	}
	return q.base().Cmp(r.base()), true
}

// Total gives how much a rate makes on or in all of over: 2.5 L/ha over 400 m² is
// 100 mL. It is given in the unit of the rate's upper half, or for a percentage in
// litres or kilograms. The error is a say.Refusal.
func (q Quantity) Total(over Quantity) (Quantity, error) {
	d := q.Dimension()
	if d.Per == Nothing || over.Dimension() != (Dimension{d.Per, Nothing}) {
		return Quantity{}, say.Refuse(say.Invalid, "%s of %s cannot be worked out: the two do not fit together.", q.Human(), over.Human())
	}
	v := q.base()
	v.Mul(v, over.base())
	u := Unit{num: q.unit.num}
	if q.unit.den == "" {
		u.num = map[Base]string{Volume: "L", Mass: "kg"}[d.Of]
	}
	return New(v.Quo(v, u.size()), u), nil
}

// number writes a value in one way: as a decimal without needless zeros, or
// where there is none, as a fraction in lowest terms.
func number(v *big.Rat) string {
	if n, exact := v.FloatPrec(); exact {
		return v.FloatString(n)
	}
	return v.RatString()
}

// String gives q as it is stored, number and UCUM code: "2.5 L/har". Read reads it.
func (q Quantity) String() string {
	if q.IsZero() {
		return ""
	}
	return q.value + " " + q.unit.Code()
}

// Human gives q as people read it: "2.5 L/ha". A number that has no end as a decimal
// is rounded, with ≈ in front. One that could be taken for thousands has a nought
// more, 1.2340, and can be typed as it stands.
func (q Quantity) Human() string {
	if q.IsZero() {
		return ""
	}
	s, minus := strings.CutPrefix(q.value, "-")
	about := ""
	switch {
	case strings.Contains(s, "/"):
		s, about = rounded(rat(s)), "≈ "
	case twoWays.MatchString(s):
		s += "0"
	}
	if minus {
		s = "\u2212" + s
	}
	gap := "\u00a0"
	if q.unit.num == pieces && q.unit.den != "" {
		gap = ""
	}
	return about + s + gap + q.unit.Human()
}

// rounded gives a positive number to at least four figures.
func rounded(v *big.Rat) string {
	for places := 4; ; places++ {
		s := v.FloatString(places)
		if len(strings.TrimLeft(s, "0.")) >= 4 {
			return strings.TrimRight(strings.TrimRight(s, "0"), ".")
		}
	}
}

// MarshalText writes what String gives.
func (q Quantity) MarshalText() ([]byte, error) { return []byte(q.String()), nil }

// UnmarshalText reads what Read reads, and nothing as the zero Quantity.
func (q *Quantity) UnmarshalText(b []byte) error {
	if len(b) == 0 {
		*q = Quantity{}
		return nil
	}
	v, err := Read(string(b))
	if err == nil {
		*q = v
	}
	return err
}
