package kiosk

import (
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"lastlook/internal/say"
)

var (
	numberSpan  = regexp.MustCompile(`(?i)([0-9])\s*(?:-|–|—|−|\bto\b)\s*([0-9])`)
	numberToken = regexp.MustCompile(`^([0-9]+)(?:-([0-9]+))?$`)
)

// maxNumbers is the longest list of numbers that is read, in characters.
const maxNumbers = 4000

// readNumbers reads package numbers as people write them: "1-20, 35". Nothing written
// gives none. The refusal is for the field with the given name.
func readNumbers(text, field string, most int) ([]int, *say.Refusal) {
	if len(text) > maxNumbers {
		return nil, say.Refuse(say.Invalid, "That list is too long: write ranges, like 1-20, 35.").For(field)
	}
	for range 2 { // a number between two spans belongs to both
		text = numberSpan.ReplaceAllString(text, "$1-$2")
	}
	var ns []int
	for _, tok := range strings.FieldsFunc(text, func(r rune) bool { return unicode.IsSpace(r) || r == ',' || r == ';' }) {
		m := numberToken.FindStringSubmatch(tok)
		if m == nil {
			return nil, say.Refuse(say.Invalid, "“%s” is not a package number: write numbers and ranges, like 1-20, 35.", asTyped(tok)).For(field)
		}
		var ends [2]int
		for i, digits := range []string{m[1], or(m[2], m[1])} {
			n, err := strconv.Atoi(digits)
			if err != nil || n < 1 || n > most {
				return nil, say.Refuse(say.Invalid, "There is no package %s: they are numbered 1 to %d.", asTyped(digits), most).For(field)
			}
			ends[i] = n
		}
		if ends[1] < ends[0] {
			return nil, say.Refuse(say.Invalid, "“%s” runs backwards: write the smaller number first.", asTyped(tok)).For(field)
		}
		for n := ends[0]; n <= ends[1]; n++ {
			ns = append(ns, n)
		}
		if len(ns) > 2*most {
			return nil, say.Refuse(say.Invalid, "That list names packages again and again: write each once, like 1-20, 35.").For(field)
		}
	}
	slices.Sort(ns)
	return slices.Compact(ns), nil
}

// asTyped is the part of what was typed that a sentence repeats.
func asTyped(s string) string {
	s = strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return -1
		}
		return r
	}, s)
	if r := []rune(s); len(r) > 24 {
		return string(r[:24]) + "…"
	}
	return s
}
