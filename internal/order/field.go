package order

import (
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"lastlook/internal/say"
)

// Limits of an order file and its fields.
const (
	MaxBytes    = 64 << 20  // size of a file
	MaxLines    = 200_000   // lines below the header
	MaxPackages = 100_000   // packages of one consignment
	MaxUnits    = 10_000    // units of one package
	MaxText     = 200       // characters of one text
	MaxRef      = 64        // characters of one package reference
	MaxListed   = 1_000_000 // packages listed by reference in one file
)

// CleanText makes a text fit to be kept and shown: ends trimmed, line breaks and
// control characters replaced by a space, bidirectional embeddings, overrides
// and isolates removed, as they could make one text look like another. All else
// stays as it is. A text of more than MaxText characters is refused; an empty
// one is not.
func CleanText(text string) (string, error) {
	s := clean(text)
	if len(s) > MaxText {
		if n := utf8.RuneCountInString(s); n > MaxText {
			return "", say.Refuse(say.Invalid, "The text has %d characters; at most %d fit. Shorten it.", n, MaxText)
		}
	}
	return s, nil
}

func clean(s string) string {
	plain := true
	for i := 0; i < len(s); i++ {
		if s[i] < ' ' || s[i] > '~' {
			plain = false
			break
		}
	}
	if !plain {
		s = strings.ReplaceAll(strings.ToValidUTF8(s, string(utf8.RuneError)), "\r\n", "\n")
		s = strings.Map(func(r rune) rune {
			switch {
			case unicode.IsControl(r), r == '\u2028', r == '\u2029':
				return ' '
			case r >= '\u202a' && r <= '\u202e', r >= '\u2066' && r <= '\u2069', r == '\ufeff':
				return -1
			}
			return r
		}, s)
	}
	return strings.TrimSpace(s)
}

// shown is a value as it can stand in a sentence: clean and not too long.
func shown(v string) string {
	const most = 60
	if len(v) > 16*most {
		v = v[:16*most] // no need to clean megabytes; a cut rune is mended by clean
	}
	v = clean(v)
	if len(v) <= most {
		return v
	}
	n := 0
	for i := range v {
		if n == most {
			return v[:i] + "…"
		}
		n++
	}
	return v
}

// ParseCount reads a whole number from 1 to most, written with digits alone.
// Signs, decimals and thousands separators are refused, not interpreted: "1,000"
// is one in some places and a thousand in others.
func ParseCount(text string, most int) (int, error) {
	s := clean(text)
	if s == "" {
		return 0, say.Refuse(say.Invalid, "Nothing is written. Write a whole number from 1 to %d.", most)
	}
	if !digits(s) {
		return 0, notACount(s, most)
	}
	z := strings.TrimLeft(s, "0")
	if z == "" {
		return 0, say.Refuse(say.Invalid, "It reads %s. Write a whole number from 1 to %d, or remove the line.", shown(s), most)
	}
	n, err := strconv.Atoi(z)
	if err != nil || n > most {
		return 0, say.Refuse(say.Invalid, "It reads %s, which is more than %d. Write a whole number from 1 to %d.", shown(s), most, most)
	}
	return n, nil
}

func notACount(s string, most int) error {
	v := shown(s)
	unsigned, negative := strings.CutPrefix(strings.Replace(s, "−", "-", 1), "-")
	switch {
	case negative && strings.ContainsAny(unsigned, "0123456789"):
		return say.Refuse(say.Invalid, "It reads “%s”, a negative number. Write a whole number from 1 to %d.", v, most)
	case grouped(s) && (strings.Count(s, ",")+strings.Count(s, ".") != 1 || strings.ContainsAny(s, "'’ \u00a0\u202f\u2009")):
		return say.Refuse(say.Invalid, "It reads “%s”, with separators between the digits. Write the digits alone, from 1 to %d.", v, most)
	case grouped(s):
		return say.Refuse(say.Invalid, "It reads “%s”, which is one number in some places and another elsewhere. Write the digits alone, from 1 to %d.", v, most)
	case decimal(s):
		return say.Refuse(say.Invalid, "It reads “%s”, which is not a whole number. Write a whole number from 1 to %d.", v, most)
	}
	return say.Refuse(say.Invalid, "It reads “%s”, which is not a number. Write a whole number from 1 to %d with the digits 0 to 9.", v, most)
}

// grouped reports whether s is written with thousands separators.
func grouped(s string) bool {
	parts := strings.FieldsFunc(s, func(r rune) bool { return strings.ContainsRune(",.'’ \u00a0\u202f\u2009", r) })
	if len(parts) < 2 || len(parts[0]) > 3 || !digits(parts[0]) {
		return false
	}
	for _, p := range parts[1:] {
		if len(p) != 3 || !digits(p) {
			return false
		}
	}
	return true
}

func decimal(s string) bool {
	whole, frac, ok := strings.Cut(strings.Replace(s, ",", ".", 1), ".")
	return ok && (whole == "" || digits(whole)) && (frac == "" || digits(frac)) && whole+frac != ""
}

// digits reports whether s is one or more of the digits 0 to 9.
func digits(s string) bool {
	for i := 0; i < len(s); i++ {
		if s[i] < '0' || s[i] > '9' {
			return false
		}
	}
	return s != ""
}
