package code

import (
	"strings"

	"lastlook/internal/say"
)

// separator is how FNC1 between two elements arrives from a scanner (GS1 General
// Specifications, section 7.8, "Processing of data from a GS1 symbology using GS1
// Application Identifiers"; section number from memory).
const separator = '\x1d'

const gs = string(separator)

// Element is one element of a GS1 element string: an Application Identifier and
// its data.
type Element struct {
	AI    string // two to four digits
	Value string
}

// Elements gives the elements of a GS1 code in the order they were scanned, or
// nil for other codes.
func (c Code) Elements() []Element {
	if c.Kind != KindGS1 {
		return nil
	}
	elements, err := splitGS1(c.Payload)
	if err != nil {
		return nil
	}
	return elements
}

// Element gives the data of the element with the AI, and whether there is one.
func (c Code) Element(ai string) (string, bool) {
	for _, e := range c.Elements() {
		if e.AI == ai {
			return e.Value, true
		}
	}
	return "", false
}

// Words names what the element is.
func (e Element) Words() say.Text {
	if f := lookupAI(e.AI); f != nil {
		return f.title
	}
	return say.T("GS1 element %s", e.AI)
}

// Date reads a date element (AI 11, 12, 13, 15, 16 or 17) as year, month and day
// of the month. The century follows from the current year by the rule of GS1
// General Specifications section 7.12, "Determination of century in GS1 dates"
// (section number from memory). Day 0 stands for the whole month. It reports
// false for other elements.
func (e Element) Date(currentYear int) (year, month, day int, ok bool) {
	f := lookupAI(e.AI)
	if f == nil || f.check != checkDate || f.bad(e.Value) != nil {
		return 0, 0, 0, false
	}
	two := func(i int) int { return int(e.Value[i]-'0')*10 + int(e.Value[i+1]-'0') }
	year = currentYear - currentYear%100 + two(0)
	switch diff := two(0) - currentYear%100; {
	case diff >= 51:
		year -= 100
	case diff <= -50:
		year += 100
	}
	return year, two(2), two(4), true
}

type dataCheck byte

const (
	checkNone  dataCheck = iota
	checkDigit           // last digit is a check digit
	checkDate            // YYMMDD
)

// format is how the data of an AI is built.
type format struct {
	ai       string // an x stands for any digit
	numeric  bool
	min, max int
	check    dataCheck
	title    say.Text
}

// formats are the AIs that are understood: those which a delivery of plants may
// carry. GS1 General Specifications, section 3.2, "GS1 Application Identifiers in
// numerical order" (from memory, and compared with the GS1 Barcode Syntax
// Dictionary).
var formats = []format{
	{"00", true, 18, 18, checkDigit, say.T("SSCC")},
	{"01", true, 14, 14, checkDigit, say.T("GTIN")},
	{"02", true, 14, 14, checkDigit, say.T("GTIN of contained trade items")},
	{"10", false, 1, 20, checkNone, say.T("batch or lot")},
	{"11", true, 6, 6, checkDate, say.T("production date")},
	{"12", true, 6, 6, checkDate, say.T("due date")},
	{"13", true, 6, 6, checkDate, say.T("packaging date")},
	{"15", true, 6, 6, checkDate, say.T("best before date")},
	{"16", true, 6, 6, checkDate, say.T("sell by date")},
	{"17", true, 6, 6, checkDate, say.T("expiration date")},
	{"20", true, 2, 2, checkNone, say.T("internal product variant")},
	{"21", false, 1, 20, checkNone, say.T("serial number")},
	{"240", false, 1, 30, checkNone, say.T("additional product identification")},
	{"241", false, 1, 30, checkNone, say.T("customer part number")},
	{"250", false, 1, 30, checkNone, say.T("secondary serial number")},
	{"30", true, 1, 8, checkNone, say.T("variable count of items")},
	{"310x", true, 6, 6, checkNone, say.T("net weight in kilograms")},
	{"330x", true, 6, 6, checkNone, say.T("gross weight in kilograms")},
	{"37", true, 1, 8, checkNone, say.T("count of contained trade items")},
	{"400", false, 1, 30, checkNone, say.T("customer’s purchase order")},
	{"401", false, 1, 30, checkNone, say.T("consignment number (GINC)")},
	{"402", true, 17, 17, checkDigit, say.T("shipment number (GSIN)")},
	{"403", false, 1, 30, checkNone, say.T("routing code")},
	{"410", true, 13, 13, checkDigit, say.T("ship to, location number")},
	{"412", true, 13, 13, checkDigit, say.T("purchased from, location number")},
	{"413", true, 13, 13, checkDigit, say.T("ship for, location number")},
	{"414", true, 13, 13, checkDigit, say.T("location number")},
	{"420", false, 1, 20, checkNone, say.T("ship to, postal code")},
	{"422", true, 3, 3, checkNone, say.T("country of origin")},
	{"90", false, 1, 30, checkNone, say.T("agreed between trading partners")},
	{"91", false, 1, 90, checkNone, say.T("company internal")},
	{"92", false, 1, 90, checkNone, say.T("company internal")},
	{"93", false, 1, 90, checkNone, say.T("company internal")},
	{"94", false, 1, 90, checkNone, say.T("company internal")},
	{"95", false, 1, 90, checkNone, say.T("company internal")},
	{"96", false, 1, 90, checkNone, say.T("company internal")},
	{"97", false, 1, 90, checkNone, say.T("company internal")},
	{"98", false, 1, 90, checkNone, say.T("company internal")},
	{"99", false, 1, 90, checkNone, say.T("company internal")},
}

// predefined gives the total length, AI and data, of elements that need no
// separator, by the first two digits of the AI (GS1 General Specifications,
// section 7.8, table of element strings with predefined length; from memory).
// A fixed length alone is not enough: AI 402 always has 17 digits and yet needs
// a separator.
var predefined = map[string]int{
	"00": 20, "01": 16, "02": 16, "03": 16, "04": 18,
	"11": 8, "12": 8, "13": 8, "14": 8, "15": 8, "16": 8, "17": 8, "18": 8, "19": 8,
	"20": 4, "31": 10, "32": 10, "33": 10, "34": 10, "35": 10, "36": 10, "41": 16,
}

func lookupAI(ai string) *format {
	for i := range formats {
		if f := &formats[i]; len(ai) == len(f.ai) && f.matches(ai) {
			return f
		}
	}
	return nil
}

// matches reports whether data starts with the AI of f.
func (f *format) matches(data string) bool {
	if len(data) < len(f.ai) {
		return false
	}
	for i := range len(f.ai) {
		if c := data[i]; c != f.ai[i] && (f.ai[i] != 'x' || c < '0' || c > '9') {
			return false
		}
	}
	return true
}

// charset82 is what alphanumeric data may hold (GS1 General Specifications,
// section 7.11, "GS1 AI encodable character set 82"; section number from memory).
const charset82 = `!"%&'()*+,-./0123456789:;<=>?ABCDEFGHIJKLMNOPQRSTUVWXYZ_abcdefghijklmnopqrstuvwxyz`

// bad says what is wrong with the data of an element, or nil.
func (f *format) bad(value string) *say.Refusal {
	set := charset82
	if f.numeric {
		set = "0123456789"
	}
	switch {
	case len(value) < f.min && f.min == f.max, len(value) > f.max && f.min == f.max:
		return refuseAI(f, "%d characters are needed, there are %d", f.max, len(value))
	case len(value) < f.min:
		return refuseAI(f, "there is nothing behind it")
	case len(value) > f.max:
		return refuseAI(f, "%d characters are allowed, there are %d; the scanner may have left out a separator", f.max, len(value))
	case !only(value, set) && f.numeric:
		return refuseAI(f, "“%s” should have digits only", shown(value))
	case !only(value, set):
		return refuseAI(f, "“%s” has a character that GS1 does not allow", shown(value))
	}
	switch f.check {
	case checkDigit:
		if last := len(value) - 1; value[last] != gs1CheckDigit(value[:last]) {
			return refuseAI(f, "the check digit of “%s” does not fit", value)
		}
	case checkDate:
		if !isDate(value) {
			return refuseAI(f, "“%s” is not a date (year, month, day)", value)
		}
	}
	return nil
}

// isDate reports whether s, six digits, is YYMMDD of some century; day 00 stands
// for the whole month.
func isDate(s string) bool {
	two := func(i int) int { return int(s[i]-'0')*10 + int(s[i+1]-'0') }
	days := [...]int{0, 31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31}
	month, day := two(2), two(4)
	if month < 1 || month > 12 {
		return false
	}
	if month == 2 && two(0)%4 == 0 {
		days[2] = 29
	}
	return day <= days[month]
}

func refuseAI(f *format, key string, args ...any) *say.Refusal {
	return say.Refuse(say.Invalid, "GS1 code, AI %s (%s): %s. Scan again; if it comes back, the label is wrong.", f.ai, f.title, say.T(key, args...)).Because(ErrGS1)
}

// cutSymbology takes off the symbology identifier that a scanner may send in
// front (ISO/IEC 15424).
func cutSymbology(s string) (identifier, data string) {
	if len(s) >= 3 && s[0] == ']' && isLetter(s[1]) && (isLetter(s[2]) || isDigit(s[2])) {
		return s[:3], s[3:]
	}
	return "", s
}

func isLetter(c byte) bool { return c >= 'A' && c <= 'Z' || c >= 'a' && c <= 'z' }
func isDigit(c byte) bool  { return c >= '0' && c <= '9' }

// parseGS1 decides whether the scan is a GS1 one and reads it if so. It is when
// the symbology identifier says so (]C1 GS1-128, ]e0 GS1 DataBar, ]d2 GS1
// DataMatrix, ]Q3 GS1 QR Code, ]J1 GS1 DotCode, ]E0 and ]E4 EAN/UPC), when it
// holds a separator, when it is typed with AIs in parentheses, or when it is all
// digits and makes sense as an SSCC, an element string that starts with a GTIN,
// or a bare GTIN.
func parseGS1(symbology, data string) ([]Element, bool, error) {
	// FNC1 in first position may arrive as a separator too.
	body := strings.TrimPrefix(data, gs)
	switch symbology {
	case "]C1", "]e0", "]d2", "]Q3", "]J1":
		elements, err := splitGS1(body)
		return elements, true, err
	case "]E0", "]E4":
		e := Element{"01", pad14(data)}
		if err := lookupAI("01").bad(e.Value); err != nil {
			return nil, true, err
		}
		return []Element{e}, true, nil
	}
	if strings.Contains(data, gs) {
		elements, err := splitGS1(body)
		return elements, true, err
	}
	if strings.HasPrefix(data, "(") {
		elements, err := splitHuman(data)
		return elements, true, err
	}
	switch n := len(data); {
	case n >= 16 && (data[:2] == "00" || data[:2] == "01"):
		// Without an identifier this is a guess, so it must be right altogether.
		if elements, err := splitGS1(data); err == nil {
			return elements, true, nil
		}
	case (n == 8 || n == 12 || n == 13 || n == 14) && only(data, "0123456789"):
		if e := (Element{"01", pad14(data)}); lookupAI("01").bad(e.Value) == nil {
			return []Element{e}, true, nil
		}
	}
	return nil, false, nil
}

// pad14 fills a GTIN up to 14 digits, as section 3.3.2 asks (from memory).
func pad14(s string) string {
	return strings.Repeat("0", max(0, 14-len(s))) + s
}

func splitGS1(data string) ([]Element, error) {
	if data == "" {
		return nil, say.Refuse(say.Invalid, "The GS1 code is empty. Scan again.").Because(ErrGS1)
	}
	var elements []Element
	for data != "" {
		f := findAI(data)
		if f == nil {
			return nil, unknownAI(data)
		}
		ai, rest := data[:len(f.ai)], data[len(f.ai):]
		var value string
		if total, ok := predefined[ai[:2]]; ok {
			n := min(total-len(ai), len(rest))
			if i := strings.IndexByte(rest[:n], separator); i >= 0 {
				n = i // too short: bad says so
			}
			value, rest = rest[:n], rest[n:]
		} else {
			n := strings.IndexByte(rest, separator)
			if n < 0 {
				n = len(rest)
			}
			value, rest = rest[:n], rest[n:]
		}
		// A separator after an element of predefined length is not needed and not wrong.
		data = strings.TrimPrefix(rest, gs)
		if err := f.bad(value); err != nil {
			return nil, err
		}
		var err error
		if elements, err = add(elements, f, Element{ai, value}); err != nil {
			return nil, err
		}
	}
	return elements, nil
}

// splitHuman reads the form with AIs in parentheses. A parenthesis may also be
// data, so an AI is only looked for where "(" digits ")" is one that is known.
func splitHuman(s string) ([]Element, error) {
	var elements []Element
	for s != "" {
		ai, rest, ok := strings.Cut(strings.TrimPrefix(s, "("), ")")
		f := lookupAI(ai)
		if !ok || s[0] != '(' || f == nil {
			return nil, unknownAI(strings.TrimPrefix(s, "("))
		}
		end := len(rest)
		for i := range len(rest) {
			if rest[i] == '(' {
				if next, _, ok := strings.Cut(rest[i+1:], ")"); ok && i >= f.min && lookupAI(next) != nil {
					end = i
					break
				}
			}
		}
		value := strings.TrimRight(rest[:end], " ")
		s = rest[end:]
		if err := f.bad(value); err != nil {
			return nil, err
		}
		var err error
		if elements, err = add(elements, f, Element{ai, value}); err != nil {
			return nil, err
		}
	}
	return elements, nil
}

// add refuses an AI that stands twice with different data (section 4.14.1, from
// memory) and drops one that stands twice with the same.
func add(elements []Element, f *format, e Element) ([]Element, error) {
	for _, had := range elements {
		if had.AI == e.AI {
			if had.Value != e.Value {
				return nil, refuseAI(f, "it stands there twice, with “%s” and “%s”", had.Value, e.Value)
			}
			return elements, nil
		}
	}
	return append(elements, e), nil
}

func findAI(data string) *format {
	for i := range formats {
		if formats[i].matches(data) {
			return &formats[i]
		}
	}
	return nil
}

func unknownAI(data string) *say.Refusal {
	end := 0
	for end < len(data) && end < 4 && isDigit(data[end]) {
		end++
	}
	if end < 2 {
		return say.Refuse(say.Invalid, "GS1 code: an AI should stand before “%s”. Scan again; if it comes back, the label is wrong.", shown(data)).Because(ErrGS1)
	}
	return say.Refuse(say.Invalid, "GS1 code: the AI that starts “%s” is not one this bench reads. Scan the bench’s own label instead.", data[:end]).Because(ErrGS1)
}

func joinGS1(elements []Element) string {
	var b strings.Builder
	for i, e := range elements {
		b.WriteString(e.AI)
		b.WriteString(e.Value)
		if _, ok := predefined[e.AI[:2]]; !ok && i < len(elements)-1 {
			b.WriteByte(separator)
		}
	}
	return b.String()
}

func humanGS1(elements []Element) string {
	var b strings.Builder
	for _, e := range elements {
		b.WriteString("(" + e.AI + ")" + e.Value)
	}
	return b.String()
}
