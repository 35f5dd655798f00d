package code

import (
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"lastlook/internal/say"
)

// Alphabet is what consignment codes and tokens are written in.
const Alphabet = "23456789ABCDEFGHJKMNPQRSTVWXYZ"

// MaxScan is the longest scan that is looked at, in characters.
const MaxScan = 256

// MaxPackage is the largest package number that an identifier can carry.
const MaxPackage = 9_999_999

const (
	tokenLen     = 4  // consignment, badge, sample, location
	maxReference = 10 // reference card
	referenceLen = 8  // of the tokens made for reference cards
	minDigits    = 3  // of a package number
	maxDigits    = 7
	shownScan    = 40 // characters of a bad scan that a sentence repeats
)

// Why a scan was refused: causes for errors.Is.
var (
	ErrEmpty   = errors.New("code: nothing scanned")
	ErrGarbage = errors.New("code: too long, or with characters no code has")
	ErrCheck   = errors.New("code: check digits do not fit")
	ErrGS1     = errors.New("code: wrong GS1 element string")
	ErrUnknown = errors.New("code: not a known kind of code")
)

// Kind is what a code stands for; for own identifiers it is their first letter.
type Kind byte

// The kinds.
const (
	KindConsignment Kind = 'K'
	KindPackage     Kind = 'P'
	KindBadge       Kind = 'B'
	KindSample      Kind = 'S'
	KindLocation    Kind = 'L'
	KindReference   Kind = 'R'
	KindAction      Kind = 'A'
	KindGS1         Kind = 'G' // a GS1 element string; never a first letter
)

var kindWords = map[Kind]say.Text{
	KindConsignment: say.T("consignment"),
	KindPackage:     say.T("package"),
	KindBadge:       say.T("badge"),
	KindSample:      say.T("sample"),
	KindLocation:    say.T("location"),
	KindReference:   say.T("reference card"),
	KindAction:      say.T("action card"),
	KindGS1:         say.T("GS1 code"),
}

// Words names the kind.
func (k Kind) Words() say.Text { return kindWords[k] }

// Action is the word on an action card.
type Action string

// The actions. What each does is decided where the scan is used.
const (
	Clean Action = "CLEAN" // this unit is clean
	Find  Action = "FIND"  // something was seen on this unit
	Next  Action = "NEXT"  // go on to what is next
	Undo  Action = "UNDO"  // take the last step back
	Rest  Action = "REST"  // the rest of the package is clean
	Look  Action = "LOOK"  // look it up
	Done  Action = "DONE"  // this is finished
)

// Actions gives all actions, in the order they are printed on the card sheet.
func Actions() []Action { return []Action{Clean, Find, Rest, Next, Done, Undo, Look} }

// Code is what a scan means. Codes are comparable with ==. The zero Code means
// nothing.
type Code struct {
	Kind Kind
	// Payload is what the code carries. Own identifiers: what stands between the
	// kind letter and the check digits. GS1: the element string, with a
	// separator (0x1D) after each variable-length element but the last.
	Payload string
}

// IsZero reports whether c means nothing.
func (c Code) IsZero() bool { return c == Code{} }

// New makes an own identifier from its payload. The error is a say.Refusal.
func New(kind Kind, payload string) (Code, error) {
	c := Code{kind, payload}
	if !c.wellFormed() {
		return Code{}, say.Refuse(say.Invalid, "“%s” cannot be the code of a %s.", shown(payload), kind.Words())
	}
	return c, nil
}

// Consignment gives the identifier of a consignment from its four-character
// code. It gives the zero Code for anything else.
func Consignment(consignment string) Code {
	c, _ := New(KindConsignment, consignment)
	return c
}

// Package gives the identifier of the package with the given number in a
// consignment. It gives the zero Code if the consignment code is not one, or the
// number is below 1 or above [MaxPackage].
func Package(consignment string, number int) Code {
	if len(consignment) != tokenLen || number < 1 || number > MaxPackage {
		return Code{}
	}
	c, _ := New(KindPackage, consignment+fmt.Sprintf("%0*d", minDigits, number))
	return c
}

// Card gives the identifier of an action card, or the zero Code for an unknown
// action.
func Card(a Action) Code {
	c, _ := New(KindAction, string(a))
	return c
}

// NewConsignmentCode makes a consignment code from a random number. Not every
// number gives a code of its own, so whoever keeps the codes must see that none
// is given twice.
func NewConsignmentCode(random uint64) string {
	return token(random, KindConsignment, KindPackage)
}

// NewToken makes the payload of a badge, sample, location or reference card
// from a random number, with four characters of the alphabet, under the same
// condition as [NewConsignmentCode].
func NewToken(kind Kind, random uint64) string { return token(random, kind) }

// ReferenceToken makes the payload of a reference card from the entry's id. The
// same id gives the same token on every machine, so that a printed card stays
// good. Two ids with one token are all but impossible: there are 30⁸ tokens.
func ReferenceToken(id string) string {
	sum := sha256.Sum256([]byte(id))
	return tokenOf(binary.BigEndian.Uint64(sum[:]), referenceLen, KindReference)
}

// token picks a code that is sturdy behind each of the kind letters.
func token(random uint64, kinds ...Kind) string { return tokenOf(random, tokenLen, kinds...) }

func tokenOf(random uint64, length int, kinds ...Kind) string {
	for {
		b := make([]byte, length)
		x := random
		for i := range b {
			b[i] = Alphabet[x%uint64(len(Alphabet))]
			x /= uint64(len(Alphabet))
		}
		t := string(b[:])
		// Without a letter, a kind letter mistaken for a digit could leave a
		// number that passes for a GTIN.
		bad := only(t, "0123456789") || slices.ContainsFunc(kinds, func(k Kind) bool { return !sturdy(k, t) })
		if !bad {
			return t
		}
		// A full-period step (multiplier and increment of Knuth's MMIX), so that
		// the search reaches every number and must end.
		random = random*6364136223846793005 + 1442695040888963407
	}
}

// Consignment gives the consignment code that a consignment or package
// identifier carries, or "".
func (c Code) Consignment() string {
	if (c.Kind == KindConsignment || c.Kind == KindPackage) && c.wellFormed() {
		return c.Payload[:tokenLen]
	}
	return ""
}

// Number gives the package number that a package identifier carries, or 0.
func (c Code) Number() int {
	if c.Kind != KindPackage || !c.wellFormed() {
		return 0
	}
	n, _ := strconv.Atoi(c.Payload[tokenLen:])
	return n
}

// Action gives the word of an action card, or "".
func (c Code) Action() Action {
	if c.Kind != KindAction || !c.wellFormed() {
		return ""
	}
	return Action(c.Payload)
}

// String gives the form that stands in the barcode. For GS1 that is the element
// string without the FNC1 in front, which the symbology adds.
func (c Code) String() string {
	if c.IsZero() || c.Kind == KindGS1 {
		return c.Payload
	}
	return string(c.Kind) + c.Payload + checkDigits(string(c.Kind)+c.Payload)
}

// Human gives the form that people read: own identifiers in groups, GS1 element
// strings with their AIs in parentheses. Parse accepts it.
func (c Code) Human() string {
	if c.Kind == KindGS1 {
		return humanGS1(c.Elements())
	}
	return strings.Join(c.groups(), " ")
}

// Spoken gives the form for reading aloud: character after character, with a
// pause after each group. Action words stay words.
func (c Code) Spoken() string {
	groups := c.groups()
	if c.Kind == KindGS1 {
		groups = nil
		for _, e := range c.Elements() {
			groups = append(groups, e.AI, e.Value)
		}
	}
	for i, g := range groups {
		if c.Kind == KindAction && i == 1 {
			continue
		}
		groups[i] = strings.Join(strings.Split(g, ""), " ")
	}
	return strings.Join(groups, ", ")
}

func (c Code) groups() []string {
	if c.IsZero() {
		return nil
	}
	groups := []string{string(c.Kind)}
	rest := c.Payload
	switch c.Kind {
	case KindPackage:
		if len(rest) > tokenLen {
			groups = append(groups, rest[:tokenLen])
			rest = rest[tokenLen:]
		}
	case KindReference:
		for len(rest) > tokenLen+1 {
			groups = append(groups, rest[:tokenLen])
			rest = rest[tokenLen:]
		}
	}
	full := c.String()
	return append(groups, rest, full[len(full)-2:])
}

// wellFormed reports whether the payload is one that an own identifier of that
// kind can carry.
func (c Code) wellFormed() bool {
	p := c.Payload
	switch c.Kind {
	case KindConsignment, KindBadge, KindSample, KindLocation:
		return len(p) == tokenLen && only(p, Alphabet)
	case KindReference:
		return len(p) >= 1 && len(p) <= maxReference && only(p, Alphabet)
	case KindPackage:
		if len(p) < tokenLen+minDigits || len(p) > tokenLen+maxDigits || !only(p[:tokenLen], Alphabet) {
			return false
		}
		digits := p[tokenLen:]
		// One number has one form: no zeros in front beyond three digits, and no package 0.
		return only(digits, "0123456789") && digits != "000" && (len(digits) == minDigits || digits[0] != '0')
	case KindAction:
		return slices.Contains(Actions(), Action(p))
	}
	return false
}

func only(s, set string) bool {
	for i := range len(s) {
		if strings.IndexByte(set, s[i]) < 0 {
			return false
		}
	}
	return true
}

// Parse says what a scanned or typed string means. Own identifiers may be typed
// in lower case and with spaces or dashes anywhere; a symbology identifier
// (ISO/IEC 15424: ] and two characters) in front is understood, and line ends
// that a scanner adds are dropped. The error is a say.Refusal whose cause is one
// of the Err values.
func Parse(scan string) (Code, error) {
	if n := utf8.RuneCountInString(scan); n > MaxScan {
		return Code{}, say.Refuse(say.Invalid, "That scan has %d characters, starting “%s”. No code here has more than %d: scan again.", n, shown(scan), MaxScan).Because(ErrGarbage)
	}
	s := strings.Trim(scan, "\r\n\t ")
	if s == "" {
		return Code{}, say.Refuse(say.Invalid, "Nothing was scanned. Scan again.").Because(ErrEmpty)
	}
	if strings.ContainsFunc(s, func(r rune) bool { return r != separator && unicode.IsControl(r) || r == utf8.RuneError }) {
		return Code{}, say.Refuse(say.Invalid, "The scan “%s” has characters in it that no code has. Scan again; if it comes back, check the scanner’s settings.", shown(s)).Because(ErrGarbage)
	}
	symbology, data := cutSymbology(s)
	if elements, isGS1, err := parseGS1(symbology, data); isGS1 {
		if err != nil {
			return Code{}, err
		}
		return Code{KindGS1, joinGS1(elements)}, nil
	}
	own := normal(data)
	if len(own) > 3 {
		c := Code{Kind(own[0]), own[1 : len(own)-2]}
		if check := own[len(own)-2:]; c.wellFormed() && only(check, "0123456789") {
			if check != checkDigits(own[:len(own)-2]) {
				return Code{}, say.Refuse(say.Invalid, "“%s” is not quite right: a digit or letter is wrong. Scan again, or type it again.", shown(data)).Because(ErrCheck)
			}
			return c, nil
		}
	}
	return Code{}, say.Refuse(say.Invalid, "“%s” is not a code this bench knows. Scan the label, badge or card again.", shown(data)).Because(ErrUnknown)
}

// normal drops the spaces and dashes that people type and puts letters in upper
// case. Only ASCII letters are raised: a dotless ı must not turn into an I.
func normal(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case unicode.IsSpace(r), unicode.Is(unicode.Pd, r):
			return -1
		case r >= 'a' && r <= 'z':
			return r - 'a' + 'A'
		}
		return r
	}, s)
}

// shown gives the part of a scan that a sentence may repeat: its first printable
// characters.
func shown(s string) string {
	var b strings.Builder
	n := 0
	for _, r := range s {
		if r == utf8.RuneError || !unicode.IsPrint(r) {
			continue
		}
		if n == shownScan {
			b.WriteRune('…')
			break
		}
		b.WriteRune(r)
		n++
	}
	return b.String()
}
