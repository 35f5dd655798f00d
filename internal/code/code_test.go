package code

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"lastlook/internal/say"
	"pgregory.net/rapid"
)

// scanOf gives the scanned form of an identifier, well formed or not.
func scanOf(kind Kind, payload string) string { return Code{kind, payload}.String() }

func TestParseOwn(t *testing.T) {
	pkg := scanOf(KindPackage, "7F3K017")
	tests := []struct {
		name, scan string
		want       Code
	}{
		{"package", pkg, Code{KindPackage, "7F3K017"}},
		{"line end from the scanner", pkg + "\r\n", Code{KindPackage, "7F3K017"}},
		{"tab from the scanner", pkg + "\t", Code{KindPackage, "7F3K017"}},
		{"lower case", strings.ToLower(pkg), Code{KindPackage, "7F3K017"}},
		{"typed in groups", Code{KindPackage, "7F3K017"}.Human(), Code{KindPackage, "7F3K017"}},
		{"typed with dashes", "p-7f3k–017 - " + pkg[len(pkg)-2:], Code{KindPackage, "7F3K017"}},
		{"Code 128 identifier", "]C0" + pkg, Code{KindPackage, "7F3K017"}},
		{"QR identifier", "]Q1" + pkg, Code{KindPackage, "7F3K017"}},
		{"six digits", scanOf(KindPackage, "7F3K123456"), Code{KindPackage, "7F3K123456"}},
		{"seven digits", scanOf(KindPackage, "7F3K9999999"), Code{KindPackage, "7F3K9999999"}},
		{"consignment", scanOf(KindConsignment, "7F3K"), Code{KindConsignment, "7F3K"}},
		{"badge", scanOf(KindBadge, "2ABC"), Code{KindBadge, "2ABC"}},
		{"sample", scanOf(KindSample, "ZZZZ"), Code{KindSample, "ZZZZ"}},
		{"location", scanOf(KindLocation, "W9X8"), Code{KindLocation, "W9X8"}},
		{"reference card", scanOf(KindReference, "APH2D"), Code{KindReference, "APH2D"}},
		{"reference card, shortest", scanOf(KindReference, "A"), Code{KindReference, "A"}},
		{"reference card, longest", scanOf(KindReference, "ABCDEFGHJK"), Code{KindReference, "ABCDEFGHJK"}},
		{"action card", scanOf(KindAction, "CLEAN"), Code{KindAction, "CLEAN"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := Parse(tt.scan)
			if err != nil || got != tt.want {
				t.Errorf("Parse(%q) = %v, %v, want %v", tt.scan, got, err, tt.want)
			}
		})
	}
}

func TestParseRefuses(t *testing.T) {
	pkg := scanOf(KindPackage, "7F3K017")
	wrong := pkg[:len(pkg)-1] + string('0'+('9'-pkg[len(pkg)-1]+1)%10)
	tests := []struct {
		name, scan string
		cause      error
		says       string
	}{
		{"empty", "", ErrEmpty, "Nothing was scanned"},
		{"only a line end", "\r\n", ErrEmpty, "Nothing was scanned"},
		{"wrong check digit", wrong, ErrCheck, "a digit or letter is wrong"},
		{"check digits 00 never used", "K7F3K00", ErrCheck, "a digit or letter is wrong"},
		{"unknown kind", "X7F3K98", ErrUnknown, "not a code this bench knows"},
		{"package 0", scanOf(KindPackage, "7F3K000"), ErrUnknown, "not a code"},
		{"package with needless zero", scanOf(KindPackage, "7F3K0017"), ErrUnknown, "not a code"},
		{"package number too short", scanOf(KindPackage, "7F3K17"), ErrUnknown, "not a code"},
		{"package number too long", scanOf(KindPackage, "7F3K12345678"), ErrUnknown, "not a code"},
		{"letter of another alphabet", scanOf(KindConsignment, "7F3O"), ErrUnknown, "not a code"},
		{"unknown action", scanOf(KindAction, "DANCE"), ErrUnknown, "not a code"},
		{"dotless i is not an I", "A FıND 55", ErrUnknown, "not a code"},
		{"a sentence", "hello, is this on?", ErrUnknown, "“hello, is this on?” is not a code"},
		{"control character", "P7F\x003K017", ErrGarbage, "“P7F3K017” has characters"},
		{"invalid UTF-8", "P7F\xff3K", ErrGarbage, "“P7F3K” has characters"},
		{"too long", strings.Repeat("7", 257), ErrGarbage, "That scan has 257 characters, starting “" + strings.Repeat("7", 40) + "…”"},
		{"longest looked at", strings.Repeat("Ж", 256), ErrUnknown, strings.Repeat("Ж", 40) + "…”"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := Parse(tt.scan)
			if !errors.Is(err, tt.cause) || say.CodeOf(err) != say.Invalid || !strings.Contains(err.Error(), tt.says) || !got.IsZero() {
				t.Errorf("Parse(%q) = %v, %v, want a refusal (%v) saying %q", tt.scan, got, err, tt.cause, tt.says)
			}
		})
	}
}

func TestForms(t *testing.T) {
	tests := []struct {
		name                string
		code                Code
		scan, human, spoken string
	}{
		// Check digits worked out by hand: P7F3K017 and 00 → 25 7 15 3 20 0 1 7 0 0,
		// 2571532001700 mod 97 = 76, 98 − 76 = 22.
		{"package", Package("7F3K", 17), "P7F3K01722", "P 7F3K 017 22", "P, 7 F 3 K, 0 1 7, 2 2"},
		{"package above 999", Package("7F3K", 12345), "P7F3K1234542", "P 7F3K 12345 42", "P, 7 F 3 K, 1 2 3 4 5, 4 2"},
		{"consignment", Consignment("7F3K"), "K7F3K98", "K 7F3K 98", "K, 7 F 3 K, 9 8"},
		{"action", Card(Clean), "ACLEAN70", "A CLEAN 70", "A, CLEAN, 7 0"},
		{"reference of ten", Code{KindReference, "ABCDEFGHJK"}, "RABCDEFGHJK38", "R ABCD EFGH JK 38", "R, A B C D, E F G H, J K, 3 8"},
		{"reference of five stays whole", Code{KindReference, "ABCDE"}, "RABCDE85", "R ABCDE 85", "R, A B C D E, 8 5"},
		{"nothing", Code{}, "", "", ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if got := tt.code.String(); got != tt.scan {
				t.Errorf("String() = %q, want %q", got, tt.scan)
			}
			if got := tt.code.Human(); got != tt.human {
				t.Errorf("Human() = %q, want %q", got, tt.human)
			}
			if got := tt.code.Spoken(); got != tt.spoken {
				t.Errorf("Spoken() = %q, want %q", got, tt.spoken)
			}
		})
	}
}

func TestParts(t *testing.T) {
	if c := Package("7F3K", 240); c.Consignment() != "7F3K" || c.Number() != 240 || c.Action() != "" {
		t.Errorf("Package: %q, %d, %q", c.Consignment(), c.Number(), c.Action())
	}
	if c := Consignment("7F3K"); c.Consignment() != "7F3K" || c.Number() != 0 {
		t.Errorf("Consignment: %q, %d", c.Consignment(), c.Number())
	}
	for _, a := range Actions() {
		if c := Card(a); c.Action() != a || c.Consignment() != "" {
			t.Errorf("Card(%s): %q, %q", a, c.Action(), c.Consignment())
		}
	}
	for name, c := range map[string]Code{
		"package 0":           Package("7F3K", 0),
		"package below 0":     Package("7F3K", -1),
		"package too large":   Package("7F3K", MaxPackage+1),
		"code too short":      Package("7F3", 1),
		"digits as a code":    Package("7F3K1", 234), // would read as 7F3K and 1234
		"wrong letters":       Consignment("IOU1"),
		"card without a word": Card(""),
	} {
		if !c.IsZero() {
			t.Errorf("%s: %v, want the zero Code", name, c)
		}
	}
	if _, err := New(KindBadge, "nobody"); say.CodeOf(err) != say.Invalid || err.Error() != "“nobody” cannot be the code of a badge." {
		t.Errorf("New = %v", err)
	}
}

// TestPublishedCheckDigits compares with numbers that others have published.
func TestPublishedCheckDigits(t *testing.T) {
	tests := []struct{ source, before, check string }{
		{"ISO/IEC 7064, example for MOD 97-10 (from memory)", "794", "44"},
		{"ISO 17442 LEI, as published by the Global LEI Foundation for itself", "506700GE1G29325QX3", "63"},
		{"ISO 17442 LEI, encyclopedia example", "5493000IBP32UQZ0KL", "24"},
		// An IBAN carries its check digits behind the country letters; ISO 13616
		// moves country and check digits to the end before counting.
		{"ISO 13616 IBAN registry, example for GB", "NWBK60161331926819GB", "29"},
		{"ISO 13616 IBAN registry, example for DE", "370400440532013000DE", "89"},
		{"ISO 13616 IBAN registry, example for GR", "01101250000000012300695GR", "16"},
		{"ISO 13616 IBAN registry, example for MT", "MALT011000012345MTLCAST001SMT", "84"},
		{"ISO 13616 IBAN registry, example for NO", "86011117947NO", "93"},
	}
	for _, tt := range tests {
		if got := checkDigits(tt.before); got != tt.check {
			t.Errorf("%s: checkDigits(%q) = %s, want %s", tt.source, tt.before, got, tt.check)
		}
	}
}

func TestPublishedGS1CheckDigits(t *testing.T) {
	tests := []struct {
		source, before string
		check          byte
	}{
		{"GS1, how to calculate a check digit by hand (GTIN-13)", "629104150021", '3'},
		{"GS1 General Specifications, section 7.9, SSCC example (from memory)", "37610425002123456", '9'},
		{"GS1 General Specifications, example GTIN 09501101530003", "0950110153000", '3'},
	}
	for _, tt := range tests {
		if got := gs1CheckDigit(tt.before); got != tt.check {
			t.Errorf("%s: gs1CheckDigit(%s) = %c, want %c", tt.source, tt.before, got, tt.check)
		}
	}
}

const everyChar = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"

// slips gives the single wrong characters and neighbour swaps of a scan that
// Parse does not notice.
func slips(scan string) []string {
	var out []string
	try := func(b []byte) {
		if s := string(b); s != scan {
			if _, err := Parse(s); err == nil {
				out = append(out, s)
			}
		}
	}
	for i := range len(scan) {
		for j := range len(everyChar) {
			b := []byte(scan)
			b[i] = everyChar[j]
			try(b)
		}
		if i > 0 {
			b := []byte(scan)
			b[i-1], b[i] = b[i], b[i-1]
			try(b)
		}
	}
	return out
}

// TestEveryMistakeIsFound goes through every single wrong character and every
// swap of neighbours, for identifiers made from new codes.
func TestEveryMistakeIsFound(t *testing.T) {
	for random := range uint64(300) {
		c := NewConsignmentCode(random * 0x9E3779B97F4A7C15)
		for _, code := range []Code{Consignment(c), Package(c, 1), Package(c, 217), Package(c, 99999)} {
			if s := slips(code.String()); len(s) > 0 {
				t.Errorf("%s is taken for %v unnoticed", code, s)
			}
		}
		for _, k := range []Kind{KindBadge, KindSample, KindLocation, KindReference} {
			code, err := New(k, NewToken(k, random))
			if err != nil {
				t.Fatal(err)
			}
			s := slips(code.String())
			if len(s) > 0 {
				t.Errorf("%s is taken for %v unnoticed", code, s)
			}
		}
	}
	for _, a := range Actions() {
		if s := slips(Card(a).String()); len(s) > 0 {
			t.Errorf("%s is taken for %v unnoticed", Card(a), s)
		}
	}
}

// TestProvenMistakes checks the claims that hold for every identifier, whoever chose
// its code: like for like, as the package comment says.
func TestProvenMistakes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		code := rapid.StringOfN(rapid.RuneFrom([]rune(Alphabet)), tokenLen, tokenLen, -1).Draw(t, "code")
		scan := Package(code, rapid.IntRange(1, MaxPackage).Draw(t, "number")).String()
		for _, s := range slips(scan) {
			var differ []int
			for i := range len(s) {
				if s[i] != scan[i] {
					differ = append(differ, i)
				}
			}
			i := differ[0]
			j := i // substitution: compare old with new; swap: compare the two neighbours
			if len(differ) == 2 {
				j = differ[1]
			}
			if isDigit(scan[i]) == isDigit(s[j]) && isDigit(s[i]) == isDigit(scan[i]) {
				t.Fatalf("%s is taken for %s unnoticed, like for like", scan, s)
			}
		}
	})
}

// TestSomeCodesAreNotSturdy makes sure that the choice in token matters: there
// are codes in which a mistake slips through.
func TestSomeCodesAreNotSturdy(t *testing.T) {
	left, bad := 0, 0
	for i := range 2000 {
		code := string([]byte{Alphabet[i%30], Alphabet[i/30%30], Alphabet[i*7%30], Alphabet[i*11%30]})
		has := len(slips(Consignment(code).String())) > 0
		if has {
			bad++
		}
		if sturdy(KindConsignment, code) {
			left++
			if has {
				t.Errorf("%s counts as sturdy and is not", code)
			}
		}
	}
	if bad == 0 || left == 0 {
		t.Errorf("of 2000 codes %d are bad and %d sturdy, want some of both", bad, left)
	}
}

func TestNewConsignmentCodeSpreads(t *testing.T) {
	seen := map[string]bool{}
	for i := range uint64(20_000) {
		c := NewConsignmentCode(i * 0x9E3779B97F4A7C15)
		if len(c) != tokenLen || !only(c, Alphabet) {
			t.Fatalf("NewConsignmentCode = %q", c)
		}
		seen[c] = true
	}
	// Of some 290 000 sturdy codes, 20 000 even choices would hit about 19 300.
	if len(seen) < 18_500 {
		t.Errorf("20 000 numbers gave only %d codes", len(seen))
	}
	if a, b := NewConsignmentCode(5), NewConsignmentCode(5); a != b {
		t.Errorf("the same number gave %s and %s", a, b)
	}
}

func TestParseGS1(t *testing.T) {
	const sscc = "376104250021234569"
	const gtin = "09501101530003"
	tests := []struct {
		name, scan string
		want       []Element
	}{
		{"SSCC in GS1-128", "]C100" + sscc, []Element{{"00", sscc}}},
		{"SSCC without identifier", "00" + sscc, []Element{{"00", sscc}}},
		{"GTIN, date and batch in GS1 DataMatrix", "]d201" + gtin + "1727022810AB-12", []Element{{"01", gtin}, {"17", "270228"}, {"10", "AB-12"}}},
		{"separator after a batch", "]Q310AB12" + gs + "21789", []Element{{"10", "AB12"}, {"21", "789"}}},
		{"needless separator after a date", "]C111270228" + gs + "21789", []Element{{"11", "270228"}, {"21", "789"}}},
		{"separator at the end", "]C110AB12" + gs, []Element{{"10", "AB12"}}},
		{"FNC1 in front sent as separator", gs + "01" + gtin, []Element{{"01", gtin}}},
		{"contents and count", "]C102" + gtin + "3724", []Element{{"02", gtin}, {"37", "24"}}},
		{"dates", "]C11126010113260102152601031726013121X", []Element{{"11", "260101"}, {"13", "260102"}, {"15", "260103"}, {"17", "260131"}, {"21", "X"}}},
		{"day 00 is the month", "]C117260200", []Element{{"17", "260200"}}},
		{"29 February of a leap year", "]C117280229", []Element{{"17", "280229"}}},
		{"variant, which needs no separator", "]C1200121A", []Element{{"20", "01"}, {"21", "A"}}},
		{"net weight", "]C13102001250", []Element{{"3102", "001250"}}},
		{"typed with parentheses", "(01)" + gtin + "(10)AB(7)", []Element{{"01", gtin}, {"10", "AB(7)"}}},
		{"typed with spaces", "(01)" + gtin + " (10)AB12", []Element{{"01", gtin}, {"10", "AB12"}}},
		{"retail code on a pot", "6291041500213", []Element{{"01", "06291041500213"}}},
		{"retail code with identifier", "]E06291041500213\r", []Element{{"01", "06291041500213"}}},
		{"element twice with the same data", "]C110A" + gs + "10A", []Element{{"10", "A"}}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := Parse(tt.scan)
			if err != nil || got.Kind != KindGS1 || !slices.Equal(got.Elements(), tt.want) {
				t.Fatalf("Parse(%q) = %v %v, %v, want %v", tt.scan, got, got.Elements(), err, tt.want)
			}
			if again, err := Parse("]C1" + got.String()); err != nil || again != got {
				t.Errorf("Parse(%q) again = %v, %v, want %v", got.String(), again, err, got)
			}
			if again, err := Parse(got.Human()); err != nil || again != got {
				t.Errorf("Parse(%q) again = %v, %v, want %v", got.Human(), again, err, got)
			}
		})
	}
}

func TestParseGS1Trade(t *testing.T) {
	gsin := "9501101000000001"
	gsin += string(gs1CheckDigit(gsin))
	scan := "]C1400PO-4711" + gs + "4019501101ABC" + gs + "402" + gsin + gs + "10L7"
	got, err := Parse(scan)
	want := []Element{{"400", "PO-4711"}, {"401", "9501101ABC"}, {"402", gsin}, {"10", "L7"}}
	if err != nil || !slices.Equal(got.Elements(), want) {
		t.Fatalf("Parse(%q) = %v, %v, want %v", scan, got.Elements(), err, want)
	}
	if v, ok := got.Element("400"); !ok || v != "PO-4711" {
		t.Errorf("Element(400) = %q, %v", v, ok)
	}
	if _, ok := got.Element("01"); ok {
		t.Error("Element(01) is there")
	}
	if want := "(400)PO-4711(401)9501101ABC(402)" + gsin + "(10)L7"; got.Human() != want {
		t.Errorf("Human() = %q, want %q", got.Human(), want)
	}
}

func TestParseGS1Refuses(t *testing.T) {
	const gtin = "09501101530003"
	tests := []struct{ name, scan, says string }{
		{"wrong check digit", "]C10109501101530004", "AI 01 (GTIN): the check digit of “09501101530004” does not fit"},
		{"wrong SSCC", "]C100376104250021234568", "AI 00 (SSCC): the check digit"},
		{"GTIN too short", "]C1010950110", "AI 01 (GTIN): 14 characters are needed, there are 7"},
		{"separator inside a GTIN", "]C10109501" + gs + "10A", "AI 01 (GTIN): 14 characters are needed, there are 5"},
		{"letters in a GTIN", "]C1010950110153000A", "AI 01 (GTIN): “0950110153000A” should have digits only"},
		{"month 13", "]C117271301", "AI 17 (expiration date): “271301” is not a date"},
		{"month 0", "]C117270001", "is not a date"},
		{"30 February", "]C111280230", "AI 11 (production date): “280230” is not a date"},
		{"29 February of a common year", "]C111270229", "is not a date"},
		{"batch too long", "]C110" + strings.Repeat("A", 21), "AI 10 (batch or lot): 20 characters are allowed, there are 21; the scanner may have left out a separator"},
		{"batch empty", "]C110" + gs + "21A", "AI 10 (batch or lot): there is nothing behind it"},
		{"batch with a space", "]C110AB 12", "has a character that GS1 does not allow"},
		{"count with letters", "]C1372X", "AI 37 (count of contained trade items): “2X” should have digits only"},
		{"unknown AI", "]C18008260101", "AI that starts “8008” is not one"},
		{"no AI at all", "]d2HELLO", "an AI should stand before “HELLO”"},
		{"empty", "]C1", "The GS1 code is empty"},
		{"twice with different data", "]C110A" + gs + "10B", "it stands there twice, with “A” and “B”"},
		{"typed, unknown AI", "(8008)260101", "AI that starts “8008”"},
		{"typed, not closed", "(01" + gtin, "AI that starts “0109”"},
		{"retail code with a wrong digit", "]E06291041500214", "AI 01 (GTIN): the check digit"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := Parse(tt.scan)
			if !errors.Is(err, ErrGS1) || !strings.Contains(err.Error(), tt.says) || !got.IsZero() {
				t.Errorf("Parse(%q) = %v, %v, want a refusal saying %q", tt.scan, got, err, tt.says)
			}
		})
	}
	// A plain number that is no GTIN is unknown, not a bad GS1 code.
	if _, err := Parse("6291041500214"); !errors.Is(err, ErrUnknown) {
		t.Errorf("plain number: %v, want unknown", err)
	}
}

func TestElementDate(t *testing.T) {
	tests := []struct {
		name             string
		e                Element
		current          int
		year, month, day int
		ok               bool
	}{
		{"this century", Element{"17", "270228"}, 2026, 2027, 2, 28, true},
		{"49 ahead is still this century", Element{"17", "750101"}, 2026, 2075, 1, 1, true},
		{"50 ahead is still this century", Element{"17", "760101"}, 2026, 2076, 1, 1, true},
		{"51 ahead is the last century", Element{"11", "770101"}, 2026, 1977, 1, 1, true},
		{"50 behind is the next century", Element{"17", "300101"}, 2080, 2130, 1, 1, true},
		{"49 behind is this century", Element{"17", "310101"}, 2080, 2031, 1, 1, true},
		{"whole month", Element{"15", "260600"}, 2026, 2026, 6, 0, true},
		{"not a date", Element{"10", "260600"}, 2026, 0, 0, 0, false},
		{"wrong date", Element{"17", "261301"}, 2026, 0, 0, 0, false},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			y, m, d, ok := tt.e.Date(tt.current)
			if y != tt.year || m != tt.month || d != tt.day || ok != tt.ok {
				t.Errorf("%v.Date(%d) = %d, %d, %d, %v, want %d, %d, %d, %v", tt.e, tt.current, y, m, d, ok, tt.year, tt.month, tt.day, tt.ok)
			}
		})
	}
}

func TestVectors(t *testing.T) {
	b, err := os.ReadFile(filepath.Join("..", "..", "testdata", "code", "identifiers.txt"))
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for line := range strings.Lines(string(b)) {
		line = strings.TrimSpace(line)
		if line == "" || line[0] == '#' {
			continue
		}
		n++
		c, err := Parse(line)
		if err != nil || c.Human() != line {
			t.Errorf("Parse(%q) = %v, %v", line, c, err)
		}
	}
	if n < 15 {
		t.Errorf("only %d vectors", n)
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"P7F3K01722", "P 7F3K 017 22", "K7F3K98\r\n", "ACLEAN70", "]C10109501101530003" + "10AB" + gs + "21X",
		"(01)09501101530003(10)AB(12)", "6291041500213", "]E06291041500213", "00376104250021234569", "\x00", "\xff", "]", "](", "("} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		c, err := Parse(s)
		if err != nil {
			var r *say.Refusal
			if !errors.As(err, &r) || !c.IsZero() {
				t.Fatalf("Parse(%q) = %v, %v, want a refusal", s, c, err)
			}
			if text := err.Error(); !utf8.ValidString(text) || strings.ContainsAny(text, "\x00\x1b\r\n") || utf8.RuneCountInString(text) > 250 {
				t.Fatalf("Parse(%q) says %q", s, text)
			}
			return
		}
		scan := c.String()
		if c.Kind == KindGS1 {
			scan = "]C1" + scan
		} else if again, err := Parse(c.Human()); err != nil || again != c {
			t.Fatalf("Parse(%q) = %v, %v, want %v", c.Human(), again, err, c)
		}
		if again, err := Parse(scan); err != nil || again != c {
			t.Fatalf("Parse(%q) = %v, %v, want %v from %q", scan, again, err, c, s)
		}
	})
}

func TestReferenceToken(t *testing.T) {
	// A printed card must stay good: these values may never change. SHA-256 of the
	// id, first eight bytes as a number, its digits to base 30, lowest first
	// (computed by hand for the snail; the moss takes a second number, as its first is
	// not sturdy).
	for id, want := range map[string]string{"garden-snail": "BT5SZX2R", "moss": "SJAEA74T"} {
		if got := ReferenceToken(id); got != want {
			t.Errorf("ReferenceToken(%q) = %q, want %q", id, got, want)
		}
	}
	c, err := New(KindReference, ReferenceToken("garden-snail"))
	if err != nil {
		t.Fatal(err)
	}
	if back, err := Parse(c.Human()); err != nil || back != c {
		t.Errorf("Parse(%q) = %v, %v, want %v", c.Human(), back, err, c)
	}
}
