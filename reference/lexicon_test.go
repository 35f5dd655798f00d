package reference

import (
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func TestEditDistance(t *testing.T) {
	for _, c := range []struct {
		a, b       string
		most, want int
	}{
		{"mildew", "mildew", 2, 0},
		{"mildew", "mildue", 2, 2},
		{"thrips", "thirps", 2, 1}, // neighbours swapped
		{"thrips", "thrip", 2, 1},
		{"", "ab", 2, 2},
		{"mite", "moth", 1, 2}, // more than most is most+1
		{"kitten", "sitting", 3, 3},
		{strings.Repeat("a", 41), strings.Repeat("a", 41), 2, 3}, // too long to be a word
	} {
		if got := editDistance(c.a, c.b, c.most); got != c.want {
			t.Errorf("editDistance(%q, %q, %d) = %d, want %d", c.a, c.b, c.most, got, c.want)
		}
	}
}

// slowDistance is optimal string alignment straight from its definition.
func slowDistance(a, b string) int {
	if a == "" || b == "" {
		return len(a) + len(b)
	}
	cost := 1
	if a[len(a)-1] == b[len(b)-1] {
		cost = 0
	}
	d := min(slowDistance(a[:len(a)-1], b)+1, slowDistance(a, b[:len(b)-1])+1, slowDistance(a[:len(a)-1], b[:len(b)-1])+cost)
	if len(a) > 1 && len(b) > 1 && a[len(a)-1] == b[len(b)-2] && a[len(a)-2] == b[len(b)-1] {
		d = min(d, slowDistance(a[:len(a)-2], b[:len(b)-2])+1)
	}
	return d
}

func TestEditDistanceDefinition(t *testing.T) {
	word := rapid.StringMatching(`[abc]{0,6}`)
	rapid.Check(t, func(t *rapid.T) {
		a, b, most := word.Draw(t, "a"), word.Draw(t, "b"), rapid.IntRange(0, 3).Draw(t, "most")
		if got, want := editDistance(a, b, most), min(slowDistance(a, b), most+1); got != want {
			t.Fatalf("editDistance(%q, %q, %d) = %d, want %d", a, b, most, got, want)
		}
	})
}
