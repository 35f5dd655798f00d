package code

// remainder continues the remainder of a number modulo 97 with the characters
// of s, which are digits and upper-case letters; a letter counts as the two
// digits of its value, A = 10 to Z = 35 (ISO 13616, ISO 17442).
func remainder(r int, s string) int {
	for i := range len(s) {
		if v := value(s[i]); v < 10 {
			r = (r*10 + v) % 97
		} else {
			r = (r*100 + v) % 97
		}
	}
	return r
}

func value(c byte) int {
	if c >= 'A' {
		return int(c-'A') + 10
	}
	return int(c - '0')
}

// CheckDigits gives the two check digits of s, which are digits and upper-case
// letters: ISO/IEC 7064, MOD 97-10, with letters valued as the package comment says.
func CheckDigits(s string) string { return checkDigits(s) }

// checkDigits gives the two check digits of s: ISO/IEC 7064, MOD 97-10.
func checkDigits(s string) string {
	n := 98 - remainder(0, s+"00")
	return string([]byte{byte('0' + n/10), byte('0' + n%10)})
}

// sturdy reports whether no single mistake of digit for letter, letter for
// digit, or swap of a digit with the letter beside it, within code, leaves the
// check digits right when code stands behind the kind letter. The other single
// mistakes are found in any case, as the package comment says.
func sturdy(kind Kind, code string) bool {
	before := remainder(0, string(kind))
	for i := range len(code) {
		v := value(code[i])
		for _, w := range mistakes {
			if (w < 10) == (v < 10) {
				continue
			}
			d, l := v, w // the digit, the letter
			if d >= 10 {
				d, l = l, d
			}
			// before·10 + d and before·100 + l, the rest of the number being the same
			if (before*90+l-d)%97 == 0 {
				return false
			}
		}
		if i > 0 {
			// d and l beside each other: 100·d + l against 10·l + d
			d, l := value(code[i-1]), v
			if d >= 10 {
				d, l = l, d
			}
			if d < 10 && l >= 10 && (99*d-9*l)%97 == 0 {
				return false
			}
		}
		before = remainder(before, code[i:i+1])
	}
	return true
}

// mistakes are the values of all characters a person may put in place of another.
var mistakes = func() []int {
	all := make([]int, 36)
	for i := range all {
		all[i] = i
	}
	return all
}()

// gs1CheckDigit gives the check digit for the digits of s: GS1 General
// Specifications, section 7.9.1, "Standard check digit calculations for GS1 data
// structures" (section number from memory): weights 3 and 1 from the right.
func gs1CheckDigit(s string) byte {
	sum, weight := 0, 3
	for i := len(s) - 1; i >= 0; i-- {
		sum += int(s[i]-'0') * weight
		weight = 4 - weight
	}
	return byte('0' + (10-sum%10)%10)
}
