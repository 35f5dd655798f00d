package dose

import (
	"math/big"
	"strings"
)

// atom is a unit that is not made of others. Size is how many basic units it is:
// litre, kilogram, square metre, second, kelvin, one.
type atom struct {
	code  string // UCUM
	of    Base
	per   Base // for shares that say of what
	human string
	size  *big.Rat
	zero  *big.Rat // beginning of the scale, in basic units
	names []string // other ways to write it, in the case that matters
	words []string // others still, in any case
}

// pieces is the code that stands for a bare count. UCUM calls it "1", and leaves
// it out in front of a stroke.
const pieces = "1"

// rat reads a number of this package: decimals, one divided by the other.
func rat(s string) *big.Rat {
	above, below, divided := strings.Cut(s, "/")
	r, ok := new(big.Rat).SetString(above)
	if ok && divided {
		var by *big.Rat
		if by, ok = new(big.Rat).SetString(below); ok {
			r.Quo(r, by)
		}
	}
	if !ok {
		panic("dose: " + s + " is not a number")
	}
	return r
}

// atomList is the table of units. Codes are those of UCUM (ucum.org), the metric
// sizes follow from its prefixes; pound, US gallon, foot are the exact
// definitions in NIST Handbook 44, appendix C: 0.453 592 37 kg, 231 cubic inches,
// 0.3048 m. All are compared with GNU Units in the tests. The acre is that of
// international feet, which UCUM has no code for by itself, so it is written as
// what it is.
var atomList = []atom{
	{code: "uL", of: Volume, human: "µL", size: rat("1/1000000"), names: []string{"uL", "ul"}, words: []string{"microliter", "microlitre", "microliters", "microlitres"}},
	{code: "mL", of: Volume, human: "mL", size: rat("1/1000"), names: []string{"ml"}, words: []string{"milliliter", "millilitre", "milliliters", "millilitres", "cm3", "ccm"}},
	{code: "cL", of: Volume, human: "cL", size: rat("1/100"), names: []string{"cl"}},
	{code: "dL", of: Volume, human: "dL", size: rat("1/10"), names: []string{"dl"}},
	{code: "L", of: Volume, human: "L", size: rat("1"), names: []string{"l"}, words: []string{"liter", "litre", "liters", "litres", "ltr", "dm3"}},
	{code: "hL", of: Volume, human: "hL", size: rat("100"), names: []string{"hl"}, words: []string{"hectoliter", "hectolitre", "hectoliters", "hectolitres"}},
	{code: "m3", of: Volume, human: "m³", size: rat("1000"), words: []string{"m^3", "cbm", "cubic meter", "cubic metre", "cubic meters", "cubic metres"}},
	{code: "[foz_us]", of: Volume, human: "US fl oz", size: rat("3.785411784/128"), words: []string{"us fl oz", "us fl. oz.", "fl oz (us)"}},
	{code: "[gal_us]", of: Volume, human: "US gal", size: rat("3.785411784"), words: []string{"us gal", "us gallon", "us gallons", "gal (us)"}},

	{code: "ug", of: Mass, human: "µg", size: rat("1/1000000000"), names: []string{"ug"}, words: []string{"microgram", "micrograms"}},
	{code: "mg", of: Mass, human: "mg", size: rat("1/1000000"), words: []string{"milligram", "milligrams"}},
	{code: "g", of: Mass, human: "g", size: rat("1/1000"), words: []string{"g", "gram", "grams", "gramme", "grammes"}},
	{code: "kg", of: Mass, human: "kg", size: rat("1"), words: []string{"kg", "kilo", "kilos", "kilogram", "kilograms"}},
	{code: "t", of: Mass, human: "t", size: rat("1000"), words: []string{"tonne", "tonnes"}},
	{code: "[oz_av]", of: Mass, human: "oz", size: rat("0.45359237/16"), words: []string{"oz", "ounce", "ounces"}},
	{code: "[lb_av]", of: Mass, human: "lb", size: rat("0.45359237"), words: []string{"lb", "lbs", "pound", "pounds"}},

	{code: "cm2", of: Area, human: "cm²", size: rat("1/10000"), words: []string{"cm^2"}},
	{code: "m2", of: Area, human: "m²", size: rat("1"), words: []string{"m^2", "sqm", "sq m", "qm", "square meter", "square metre", "square meters", "square metres"}},
	{code: "har", of: Area, human: "ha", size: rat("10000"), words: []string{"ha", "hectare", "hectares"}},
	{code: "[sft_i]", of: Area, human: "sq ft", size: rat("0.09290304"), words: []string{"sq ft", "sq. ft.", "ft2", "ft^2", "square foot", "square feet"}},
	{code: "43560.[sft_i]", of: Area, human: "acre", size: rat("4046.8564224"), words: []string{"acre", "acres", "ac"}},

	{code: "Cel", of: Temperature, human: "°C", size: rat("1"), zero: rat("273.15"), names: []string{"C"}, words: []string{"°c", "deg c", "degc", "celsius", "oc", "degrees celsius"}},
	{code: "[degF]", of: Temperature, human: "°F", size: rat("5/9"), zero: rat("45967/180"), names: []string{"F"}, words: []string{"°f", "deg f", "degf", "fahrenheit", "degrees fahrenheit"}},

	{code: "s", of: Duration, human: "s", size: rat("1"), words: []string{"s", "sec", "second", "seconds"}},
	{code: "min", of: Duration, human: "min", size: rat("60"), words: []string{"min", "mins", "minute", "minutes"}},
	{code: "h", of: Duration, human: "h", size: rat("3600"), words: []string{"h", "hr", "hrs", "hour", "hours"}},
	{code: "d", of: Duration, human: "d", size: rat("86400"), words: []string{"d", "day", "days"}},

	{code: pieces, of: Count, human: "pieces", size: rat("1"), words: []string{"pieces", "piece"}},
	{code: "{plant}", of: Plant, human: "plant", size: rat("1"), words: []string{"plant", "plants"}},
	{code: "{pot}", of: Pot, human: "pot", size: rat("1"), words: []string{"pot", "pots"}},

	{code: "%", of: Share, human: "%", size: rat("1/100"), words: []string{"percent", "per cent", "pct"}},
	{code: "[ppm]", of: Share, human: "ppm", size: rat("1/1000000"), words: []string{"ppm"}},
	{code: "%{v/v}", of: Volume, per: Volume, human: "% v/v", size: rat("1/100"), words: []string{"%v/v", "% vol/vol", "% (v/v)", "% vol", "% vol.", "vol%", "vol.-%", "vol-%"}},
	{code: "%{w/w}", of: Mass, per: Mass, human: "% w/w", size: rat("1/100"), words: []string{"%w/w", "% m/m", "%m/m", "% (w/w)", "% (m/m)"}},
	// By convention 1 % w/v is 1 g in 100 mL.
	{code: "%{w/v}", of: Mass, per: Volume, human: "% w/v", size: rat("1/100"), words: []string{"%w/v", "% m/v", "%m/v", "% (w/v)", "% (m/v)"}},
}
