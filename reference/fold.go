package reference

import (
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"
)

// Letters that do not decompose into a plain letter and a mark.
var plainLetters = strings.NewReplacer("ł", "l", "ø", "o", "ß", "ss", "đ", "d", "ħ", "h", "ı", "i", "æ", "ae", "œ", "oe", "þ", "th", "ð", "d")

// foldWord takes the accents off letters: "Rosé" becomes "Rose", "żółta" "zolta".
func foldWord(s string) string {
	ascii := true
	for i := range len(s) {
		if s[i] >= utf8.RuneSelf {
			ascii = false
			break
		}
	}
	if ascii {
		return s
	}
	var b strings.Builder
	for _, r := range norm.NFD.String(s) {
		if r == '’' {
			r = '\''
		}
		if !unicode.Is(unicode.Mn, r) {
			b.WriteRune(r)
		}
	}
	return plainLetters.Replace(b.String())
}
