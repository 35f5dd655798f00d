package order

import (
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"lastlook/internal/say"
)

// ParseRefs reads a package list: references separated by spaces, "|" or "+",
// with ranges like T001-T036. Both ends of a range carry the same mark before
// the number, and the same number of digits if there are leading zeros. The
// result is in the order written, without duplicates, at most MaxPackages long.
func ParseRefs(text string) ([]string, error) {
	refs, _, err := parseRefs(text)
	return refs, err
}

// parseRefs also gives how many references were made, even if they are refused:
// a few letters can name a great many.
func parseRefs(text string) (refs []string, made int, err error) {
	tokens := strings.FieldsFunc(clean(text), func(r rune) bool { return r == '|' || r == '+' || unicode.IsSpace(r) })
	if len(tokens) == 0 {
		return nil, 0, say.Refuse(say.Invalid, "The list names no package. Write the references with spaces between them, like T001 T002, or a range like T001-T036.")
	}
	for _, tok := range tokens {
		more, err := expand(tok)
		if err != nil {
			return nil, len(refs), err
		}
		if len(refs)+len(more) > MaxPackages {
			return nil, len(refs) + len(more), tooMany()
		}
		refs = append(refs, more...)
	}
	seen := make(map[string]bool, len(refs))
	var twice []string
	for _, r := range refs {
		if seen[r] {
			twice = append(twice, r)
		}
		seen[r] = true
	}
	switch len(twice) {
	case 0:
		return refs, len(refs), nil
	case 1:
		return nil, len(refs), say.Refuse(say.Invalid, "%s is in the list twice. Each package has a reference of its own: remove or correct one.", twice[0])
	default:
		return nil, len(refs), say.Refuse(say.Invalid, "%d references are in the list more than once, first %s. Each package has a reference of its own: remove or correct them.", len(twice), twice[0])
	}
}

func tooMany() error {
	return say.Refuse(say.Invalid, "The list names more than %d packages. Split the consignment.", MaxPackages)
}

// expand gives the references of one word of a list.
func expand(tok string) ([]string, error) {
	v := shown(tok)
	// Word processors turn a hyphen between numbers into a dash.
	tok = strings.NewReplacer("–", "-", "‐", "-", "‑", "-", "—", "-").Replace(tok)
	switch {
	case utf8.RuneCountInString(tok) > 2*MaxRef+1:
		return nil, say.Refuse(say.Invalid, "“%s” is too long for a reference; at most %d characters fit.", v, MaxRef)
	case strings.HasPrefix(tok, "-"), strings.HasSuffix(tok, "-"), strings.EqualFold(tok, "to"), strings.Contains(tok, ".."), strings.Contains(tok, "…"):
		return nil, say.Refuse(say.Invalid, "“%s” does not name a package. Write a range without spaces and with one hyphen, like T001-T036.", v)
	case strings.ContainsAny(tok, ",;"):
		return nil, say.Refuse(say.Invalid, "“%s” holds a comma or semicolon. Separate references by spaces, “|” or “+”.", v)
	}
	for i := 1; i < len(tok)-1; i++ {
		if tok[i] != '-' {
			continue
		}
		mark, from := cutNumber(tok[:i])
		mark2, to := cutNumber(tok[i+1:])
		if from == "" || to == "" {
			continue
		}
		switch {
		case mark == mark2:
			return span(v, mark, from, to)
		case mark2 == "" && len(from) == len(to) && from < to:
			return nil, say.Refuse(say.Invalid, "“%s” may be one reference or a range. For a range write %s-%s%s; for one reference leave out the hyphen.", v, shown(tok[:i]), shown(mark), shown(to))
		}
	}
	if utf8.RuneCountInString(tok) > MaxRef {
		return nil, say.Refuse(say.Invalid, "“%s” is too long for a reference; at most %d characters fit.", v, MaxRef)
	}
	return []string{tok}, nil
}

// cutNumber splits off the digits at the end of s.
func cutNumber(s string) (mark, number string) {
	i := len(s)
	for i > 0 && s[i-1] >= '0' && s[i-1] <= '9' {
		i--
	}
	return s[:i], s[i:]
}

func span(v, mark, from, to string) ([]string, error) {
	a, err1 := strconv.ParseUint(from, 10, 62)
	b, err2 := strconv.ParseUint(to, 10, 62)
	switch {
	case err1 != nil || err2 != nil:
		return nil, say.Refuse(say.Invalid, "The range “%s” has numbers that are too long. List its references one by one.", v)
	case a > b:
		return nil, say.Refuse(say.Invalid, "The range “%s” runs backwards. Write the lower number first.", v)
	case len(from) != len(to) && (from[0] == '0' || to[0] == '0'):
		return nil, say.Refuse(say.Invalid, "The ends of the range “%s” have different numbers of digits. Write both with the same number of digits.", v)
	case b-a >= MaxPackages:
		return nil, tooMany()
	case utf8.RuneCountInString(mark)+len(to) > MaxRef:
		return nil, say.Refuse(say.Invalid, "“%s” is too long for a reference; at most %d characters fit.", v, MaxRef)
	}
	width := 0
	if from[0] == '0' {
		width = len(from)
	}
	refs := make([]string, 0, b-a+1)
	for n := a; n <= b; n++ {
		s := strconv.FormatUint(n, 10)
		if pad := width - len(s); pad > 0 {
			s = strings.Repeat("0", pad) + s
		}
		refs = append(refs, mark+s)
	}
	return refs, nil
}

// ends shows a list by its first and last reference.
func ends(refs []string) string {
	if len(refs) == 1 {
		return shown(refs[0])
	}
	return shown(refs[0]) + " … " + shown(refs[len(refs)-1])
}
