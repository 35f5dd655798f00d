package sampling

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"lastlook/internal/say"
)

// Rate is an exact decimal share, counted in millionths: 2 % is 20 000. Rates,
// confidences, levels of detection and efficacies are Rates. Its text is a
// percentage, "2%" or "0.5%", in JSON as everywhere else.
//
// Write one in code as 2*Percent or 5*Permille.
type Rate int64

// Units to write a Rate with.
const (
	Percent  Rate = 10_000
	Permille Rate = 1_000
	Whole    Rate = 1_000_000 // all of it: 100 %
)

var rateText = regexp.MustCompile(`^([0-9]{1,9})(?:[.,]([0-9]{1,30}))?$`)

// ParseRate reads a percentage, "2%", "0.5 %", "2,5%", or a plain share below
// one, "0.02" for 2 %. Point and comma both separate decimals; there is no
// thousands separator. A plain number of 1 or more is refused, because nobody
// can tell whether "2" means 2 % or twice; so is anything finer than a millionth
// of the whole, anything with a sign or an exponent, and an empty text. It does
// not ask whether the rate makes sense: 0 % and 150 % are read.
func ParseRate(text string) (Rate, error) {
	s := strings.TrimSpace(text)
	if s == "" {
		return 0, say.Refuse(say.Invalid, "The rate is missing: write it like 2%% or 0.5%%.")
	}
	number, percent := strings.CutSuffix(s, "%")
	m := rateText.FindStringSubmatch(strings.TrimSpace(number))
	if m == nil {
		return 0, say.Refuse(say.Invalid, "%q is not a rate: write it like 2%% or 0.5%%.", text)
	}
	whole, _ := strconv.ParseInt(m[1], 10, 64) // at most nine digits
	places := 6
	if percent {
		places = 4
	} else if whole >= 1 {
		return 0, say.Refuse(say.Invalid, "%q can be read in two ways: write %s%% if it is a percentage, or a share below 1 such as 0.02.", text, m[1])
	}
	digits := strings.TrimRight(m[2], "0")
	if len(digits) > places {
		return 0, say.Refuse(say.Invalid, "%q is finer than can be counted with: use at most four places, like 0.0125%%.", text)
	}
	scale := int64(1)
	for range places {
		scale *= 10
	}
	part := int64(0)
	if digits != "" {
		part, _ = strconv.ParseInt(digits+strings.Repeat("0", places-len(digits)), 10, 64) // at most six digits
	}
	return Rate(whole*scale + part), nil
}

// String gives the percentage without trailing zeros: "2%", "0.5%".
func (r Rate) String() string { return r.decimal() + "%" }

// decimal gives the number in front of the percent sign.
func (r Rate) decimal() string {
	sign, v := "", int64(r)
	if v < 0 {
		sign, v = "-", -v
	}
	s := sign + strconv.FormatInt(v/int64(Percent), 10)
	if frac := v % int64(Percent); frac != 0 {
		s += "." + strings.TrimRight(fmt.Sprintf("%04d", frac), "0")
	}
	return s
}

// MarshalText writes what String gives.
func (r Rate) MarshalText() ([]byte, error) { return []byte(r.String()), nil }

// UnmarshalText reads what [ParseRate] reads.
func (r *Rate) UnmarshalText(b []byte) error {
	v, err := ParseRate(string(b))
	if err != nil {
		return err
	}
	*r = v
	return nil
}

// Percent gives the percentage as a number to print with %v, which a
// message.Printer writes in the reader's language. Not for computing.
func (r Rate) Percent() float64 { return float64(r) / float64(Percent) }

// Share gives the share as a number between 0 and 1, for estimates only.
func (r Rate) Share() float64 { return float64(r) / float64(Whole) }

// Up gives r of n, rounded up. n is at most [MaxPackages] and not negative, r
// not negative.
func (r Rate) Up(n int) int {
	p := int64(r) * int64(n)
	return int((p + int64(Whole) - 1) / int64(Whole))
}

// Down gives r of n, rounded down, for the same r and n as Up.
func (r Rate) Down(n int) int { return int(int64(r) * int64(n) / int64(Whole)) }

// times multiplies two rates. The exact result is in units of 1/Whole².
func (r Rate) times(s Rate) int64 { return int64(r) * int64(s) }
