package dose

import (
	"fmt"
	"math/big"
	"regexp"
	"strconv"
	"strings"
	"unicode"

	"golang.org/x/text/unicode/norm"

	"lastlook/internal/say"
)

// Longest inputs that are looked at. No real rate comes near them.
const (
	maxText   = 60
	maxDigits = 15
	maxPer    = 1_000_000
)

var (
	atoms = map[string]atom{}   // by code
	exact = map[string]string{} // code by name, in the case that matters
	loose = map[string]string{} // code by word, in lower case
)

// limits are the most of each dimension that is taken for what somebody meant. The
// numbers are our own: well above what is in use, so that a slipped point or a wrong
// unit is found and nothing real refused. What is not here is not a dimension of
// rates and amounts.
var limits = map[Dimension]Quantity{}

var coldest Quantity

func init() {
	for _, a := range atomList {
		if _, twice := atoms[a.code]; twice {
			panic("dose: two units with the code " + a.code)
		}
		atoms[a.code] = a
		for _, n := range append([]string{a.code, plain(a.human)}, a.names...) {
			if n != "" {
				exact[n] = a.code
			}
		}
		for _, w := range a.words {
			loose[w] = a.code
		}
	}
	for _, most := range []string{
		"100 L/m2", "100 kg/m2", "1 L/L", "2 kg/L", "1 kg/kg", "10 L/kg", "1000000 /m2",
		"100 L/{plant}", "100 kg/{plant}", "1000000 /{plant}", "100 L/{pot}", "100 kg/{pot}", "1000000 /{pot}",
		"100 %", "1000000 L", "1000000 kg", "10000 har", "366 d", "200 Cel", "100000000 {plant}", "100000000 {pot}", "1000000000 1",
	} {
		q := must(most)
		limits[q.Dimension()] = q
	}
	coldest = must("-100 Cel")
}

// must reads a stored quantity that stands in this file.
func must(s string) Quantity {
	value, code, _ := strings.Cut(s, " ")
	u, ok := readUnit(code)
	if !ok {
		panic("dose: no unit " + code)
	}
	return New(rat(value), u)
}

var (
	// twoWays are numbers that one reader takes for thousands and another for
	// a decimal.
	twoWays   = regexp.MustCompile(`^[1-9][0-9]{0,2}[.,][0-9]{3}$`)
	decimal   = regexp.MustCompile(`^[0-9]+(?:[.,][0-9]+)?$`)
	grouped   = regexp.MustCompile(`^[0-9]{1,3}(?: [0-9]{3})+(?:[.,][0-9]+)?$`)
	naked     = regexp.MustCompile(`^[.,][0-9]+$`)
	thousands = regexp.MustCompile(`^[0-9]{1,3}(?:[.,'][0-9]{3})+(?:[.,][0-9]+)?$`)
	group     = regexp.MustCompile(`^ [0-9]{3}(?:[^0-9]|$)`)
	between   = regexp.MustCompile(`(?i)\s*(?:/|\bper\b|\bin\b)\s*`)
	span      = regexp.MustCompile(`^[0-9.,]+\s*(?:-|–|—|to|bis)\s*[0-9]`)
	clock     = regexp.MustCompile(`^([0-9]{1,3})\s*h(?:ours?|rs?)?\s*([0-9]{1,2})\s*(?:m|min|mins|minutes)?$`)
	fraction  = regexp.MustCompile(`^-?[0-9]{1,40}/[1-9][0-9]{0,39}$`)
	stored    = regexp.MustCompile(`^-?(?:0|[1-9][0-9]{0,39})(?:\.[0-9]{0,39}[1-9])?$`)
)

// plain brings what people type into one form: one kind of space, figures for
// superscripts (m² is m2), one kind of minus and of micro sign.
func plain(s string) string {
	s = norm.NFKC.String(s)
	s = strings.Map(func(r rune) rune {
		switch {
		case r == '\u2212':
			return '-'
		case r == '\u03bc': // Greek mu, which the micro sign has become
			return 'u'
		case r == '\u2019':
			return '\''
		case unicode.IsSpace(r):
			return ' '
		}
		return r
	}, s)
	return strings.Join(strings.Fields(s), " ")
}

// shown is the part of what was typed that a sentence may repeat.
func shown(s string) string {
	s = strings.Join(strings.FieldsFunc(s, func(r rune) bool { return unicode.IsSpace(r) || !unicode.IsPrint(r) }), " ")
	if r := []rune(s); len(r) > maxText {
		return string(r[:maxText]) + "…"
	}
	return s
}

// family is one of the things that are asked for, with its sentences.
type family struct {
	fits            func(Dimension) bool
	missing, sample say.Text
}

var rates = family{
	fits:    func(d Dimension) bool { return d.Per != Nothing || d.Of == Share },
	missing: say.T("The rate is missing: write it like 2.5 L/ha, 10 mL/L, 30 g/m² or 0.5 %% v/v."),
	sample:  say.T("2.5 L/ha, 10 mL/L, 30 g/m² or 0.5 %% v/v"),
}

var amounts = family{
	fits: func(d Dimension) bool {
		switch d.Of {
		case Volume, Mass, Area, Count, Plant, Pot:
			return d.Per == Nothing
		}
		return false
	},
	missing: say.T("The amount is missing: write it like 20 L, 500 g or 400 m²."),
	sample:  say.T("20 L, 500 g or 400 m²"),
}

var temperatures = family{
	fits:    func(d Dimension) bool { return d == Dimension{Of: Temperature} },
	missing: say.T("The temperature is missing: write it like 48 °C."),
	sample:  say.T("48 °C"),
}

var durations = family{
	fits:    func(d Dimension) bool { return d == Dimension{Of: Duration} },
	missing: say.T("The duration is missing: write it like 30 min, 12 h or 2 d."),
	sample:  say.T("30 min, 12 h or 2 d"),
}

// ParseRate reads a rate as people type it: "2,5 L/ha", "50 g per 100 L", "0.5 %".
// Point and comma both separate decimals; a number such as "1,500", which is
// one and a half to one reader and fifteen hundred to another, is refused. So is
// what is not more than nothing, more than anybody can mean, or without a unit. The
// error is a say.Refusal that says what to write.
func ParseRate(text string) (Quantity, error) { return parse(text, rates) }

// ParseAmount reads a volume, mass, area, or number of plants, pots or pieces, in the
// same way: "20 L", "1 500 g", "400 m²", "240 plants".
func ParseAmount(text string) (Quantity, error) { return parse(text, amounts) }

// ParseTemperature reads a temperature from −100 to 200 °C: "48 °C", "118 °F".
func ParseTemperature(text string) (Quantity, error) { return parse(text, temperatures) }

// ParseDuration reads a duration of up to 366 days: "30 min", "12 h", "1 h 30 min".
func ParseDuration(text string) (Quantity, error) {
	if m := clock.FindStringSubmatch(strings.ToLower(plain(text))); m != nil {
		h, _ := strconv.ParseInt(m[1], 10, 64) // at most three figures
		min, _ := strconv.ParseInt(m[2], 10, 64)
		if min < 60 {
			text = fmt.Sprintf("%d min", 60*h+min)
		}
	}
	return parse(text, durations)
}

// ParseUnit reads a unit as people type it: "mL/L", "g per 100 L". The error is a
// say.Refusal.
func ParseUnit(text string) (Unit, error) {
	s := plain(text)
	if s == "" {
		return Unit{}, say.Refuse(say.Invalid, "The unit is missing: write it like L/ha, mL/L or g/m².")
	}
	u, err := unitOf(s)
	if err != nil {
		return Unit{}, err
	}
	if _, known := limits[u.Dimension()]; !known {
		return Unit{}, say.Refuse(say.Invalid, "“%s” is not a unit that is used here.", shown(text))
	}
	return u, nil
}

func parse(text string, f family) (Quantity, error) {
	s := plain(text)
	if s == "" {
		return Quantity{}, &say.Refusal{Code: say.Invalid, Text: f.missing}
	}
	if len([]rune(s)) > maxText {
		return Quantity{}, say.Refuse(say.Invalid, "“%s” is too long: write a number and a unit, like %s.", shown(text), f.sample)
	}
	if span.MatchString(s) {
		return Quantity{}, say.Refuse(say.Invalid, "“%s” is a range: write the one number that was used.", shown(text))
	}
	if strings.ContainsRune(s, '\u2044') { // what NFKC makes of ½
		return Quantity{}, say.Refuse(say.Invalid, "“%s” has a fraction in it: write it as a decimal, like 0.5.", shown(text))
	}
	negative := strings.HasPrefix(s, "-")
	s = strings.TrimLeft(s, "- ")
	figures := front(s)
	if figures == "" {
		return Quantity{}, say.Refuse(say.Invalid, "“%s” does not begin with a number: write it like %s.", shown(text), f.sample)
	}
	v, err := parseNumber(figures)
	if err != nil {
		return Quantity{}, err
	}
	rest := strings.TrimSpace(s[len(figures):])
	if rest == "" {
		return Quantity{}, say.Refuse(say.Invalid, "“%s” has no unit: write it like %s.", shown(text), f.sample)
	}
	u, err := unitOf(rest)
	if err != nil {
		return Quantity{}, err
	}
	d := u.Dimension()
	most, known := limits[d]
	if !known || !f.fits(d) {
		return Quantity{}, say.Refuse(say.Invalid, "“%s” does not fit here: write it like %s.", shown(text), f.sample)
	}
	if negative {
		v.Neg(v)
	}
	q := New(v, u)
	switch {
	case d.Of == Temperature && q.base().Cmp(coldest.base()) < 0:
		return Quantity{}, say.Refuse(say.Invalid, "“%s” is colder than any treatment: check the number and the unit.", shown(text))
	case d.Of == Temperature:
	case negative:
		return Quantity{}, say.Refuse(say.Invalid, "“%s” is less than nothing: write it without the minus.", shown(text))
	case v.Sign() == 0:
		return Quantity{}, say.Refuse(say.Invalid, "“%s” is nothing: write how much it was.", shown(text))
	}
	if q.base().Cmp(most.base()) > 0 {
		return Quantity{}, say.Refuse(say.Invalid, "“%s” cannot be right, it is more than %s: check the number and the unit.", shown(text), most.Human())
	}
	return q, nil
}

// front gives what a text begins with that is meant as a number: figures and what
// may stand between them, and further groups of three behind a space.
func front(s string) string {
	n := 0
	for n < len(s) && (s[n] >= '0' && s[n] <= '9' || strings.ContainsRune(".,'", rune(s[n]))) {
		n++
	}
	for n > 0 && group.MatchString(s[n:]) {
		n += len(" 000")
	}
	for n > 0 && n < len(s) && strings.ContainsRune(".,0123456789", rune(s[n])) {
		n++
	}
	return s[:n]
}

func parseNumber(s string) (*big.Rat, error) {
	if twoWays.MatchString(s) {
		// What to write for the one meaning and for the other.
		big := strings.NewReplacer(".", "", ",", "").Replace(s)
		small := strings.TrimRight(strings.TrimRight(strings.Replace(s, ",", ".", 1), "0"), ".")
		if twoWays.MatchString(small) {
			small += "0"
		}
		return nil, say.Refuse(say.Invalid, "“%s” can be read in two ways: write %s or %s.", s, big, small)
	}
	switch {
	case decimal.MatchString(s), grouped.MatchString(s):
	case naked.MatchString(s):
		return nil, say.Refuse(say.Invalid, "“%s” has no figure in front of the point: write 0%s.", s, strings.Replace(s, ",", ".", 1))
	case thousands.MatchString(s):
		return nil, say.Refuse(say.Invalid, "“%s” has more than one separator: write it without a sign for thousands, like 1500 or 1.5.", s)
	default:
		return nil, say.Refuse(say.Invalid, "“%s” is not a number: write it like 1500 or 1.5.", s)
	}
	s = strings.NewReplacer(" ", "", ",", ".").Replace(s)
	if len(s) > maxDigits {
		return nil, say.Refuse(say.Invalid, "“%s” has too many figures: write at most %d.", s, maxDigits)
	}
	return rat(s), nil
}

// unitOf reads a unit from plain text.
func unitOf(s string) (Unit, error) {
	if code, ok := atomOf(s); ok {
		return Unit{num: code}, nil
	}
	parts := between.Split(s, -1)
	switch {
	case len(parts) > 2:
		return Unit{}, say.Refuse(say.Invalid, "“%s” has more than one stroke: write it like 10 mL/L or 50 g per 100 L.", shown(s))
	case len(parts) < 2:
		return Unit{}, noUnit(s)
	}
	u := Unit{num: pieces, per: 1}
	if parts[0] != "" {
		var ok bool
		if u.num, ok = atomOf(parts[0]); !ok {
			return Unit{}, noUnit(parts[0])
		}
	}
	den := parts[1]
	if figures := front(den); figures != "" {
		n, err := parseNumber(figures)
		if err != nil {
			return Unit{}, err
		}
		if !n.IsInt() || n.Sign() == 0 || n.Cmp(rat(strconv.Itoa(maxPer))) > 0 {
			return Unit{}, say.Refuse(say.Invalid, "“%s” cannot stand below the stroke: write a whole number, like 50 g per 100 L.", shown(figures))
		}
		u.per = n.Num().Int64()
		den = strings.TrimSpace(den[len(figures):])
	}
	var ok bool
	if u.den, ok = atomOf(den); !ok {
		return Unit{}, noUnit(den)
	}
	if u.den == "[sft_i]" && u.per == 43560 {
		u.den, u.per = "43560.[sft_i]", 1 // an acre is an acre, however it is written
	}
	if atoms[u.num].per != Nothing || atoms[u.den].per != Nothing {
		return Unit{}, noUnit(s)
	}
	return u, nil
}

func atomOf(s string) (code string, ok bool) {
	if code, ok = exact[s]; ok {
		return code, true
	}
	code, ok = loose[strings.ToLower(s)]
	return code, ok
}

// unclear are units that mean different amounts in different places, or that
// people mistake, with what to write.
var unclear = map[string]say.Text{
	"gal": say.T("write US gal, or litres"), "gallon": say.T("write US gal, or litres"), "gallons": say.T("write US gal, or litres"),
	"fl oz": say.T("write US fl oz, or millilitres"), "floz": say.T("write US fl oz, or millilitres"),
	"pt": say.T("write litres"), "pint": say.T("write litres"), "qt": say.T("write litres"),
	"gr": say.T("write g for grams"), "m": say.T("write m² for an area, min for minutes"),
	"ton": say.T("write t for 1000 kg"), "tons": say.T("write t for 1000 kg"),
	"a": say.T("write m² or ha"), "are": say.T("write m² or ha"),
	"tab": say.T("write how many grams or millilitres they hold"), "tabs": say.T("write how many grams or millilitres they hold"),
	"tablet": say.T("write how many grams or millilitres they hold"), "tablets": say.T("write how many grams or millilitres they hold"),
	"cap": say.T("write millilitres"), "caps": say.T("write millilitres"), "cup": say.T("write millilitres"), "cups": say.T("write millilitres"),
	"spoon": say.T("write millilitres or grams"), "spoons": say.T("write millilitres or grams"),
	"tsp": say.T("write millilitres or grams"), "tbsp": say.T("write millilitres or grams"), "drops": say.T("write millilitres"),
	"°": say.T("write °C or °F"), "deg": say.T("write °C or °F"), "degrees": say.T("write °C or °F"),
	"week": say.T("write days"), "weeks": say.T("write days"),
}

func noUnit(s string) error {
	if what, ok := unclear[strings.ToLower(s)]; ok {
		return say.Refuse(say.Invalid, "“%s” does not say how much it is: %s.", shown(s), what)
	}
	if s == "" {
		return say.Refuse(say.Invalid, "There is nothing behind the stroke: write it like 10 mL/L or 50 g per 100 L.")
	}
	return say.Refuse(say.Invalid, "“%s” is not a unit that is known here: write it like L/ha, mL/L, g/m², g per 100 L or %%.", shown(s))
}

// Read reads what [Quantity.String] writes, and nothing else: one quantity has one
// stored form. It does not ask whether the number makes sense. The error is a
// say.Refusal.
func Read(text string) (Quantity, error) {
	refused := func() (Quantity, error) {
		return Quantity{}, say.Refuse(say.Invalid, "“%s” is not a stored amount.", shown(text))
	}
	value, code, ok := strings.Cut(text, " ")
	if !ok || !stored.MatchString(value) && !fraction.MatchString(value) {
		return refused()
	}
	u, ok := readUnit(code)
	if !ok {
		return refused()
	}
	q := New(rat(value), u)
	if _, known := limits[u.Dimension()]; !known || q.String() != text {
		return refused()
	}
	return q, nil
}

func readUnit(code string) (Unit, bool) {
	if _, ok := atoms[code]; ok {
		return Unit{num: code}, true
	}
	num, den, ok := strings.Cut(code, "/")
	if !ok {
		return Unit{}, false
	}
	u := Unit{num: num, den: den, per: 1}
	if num == "" {
		u.num = pieces
	} else if num == pieces {
		return Unit{}, false
	}
	if inner, found := strings.CutPrefix(den, "("); found {
		inner, _ = strings.CutSuffix(inner, ")")
		u.den = inner
		if _, whole := atoms[inner]; !whole {
			n, rest, _ := strings.Cut(inner, ".")
			var err error
			if u.per, err = strconv.ParseInt(n, 10, 64); err != nil || u.per < 2 || u.per > maxPer {
				return Unit{}, false
			}
			u.den = rest
		}
	}
	_, okNum := atoms[u.num]
	_, okDen := atoms[u.den]
	return u, okNum && okDen && u.Code() == code
}
