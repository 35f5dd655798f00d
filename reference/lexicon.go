package reference

import (
	"cmp"
	"math/bits"
	"slices"
	"strings"
)

// lexicon holds the whole words of the indexed text, to put misspellings right
// and to complete the word being typed.
type lexicon struct {
	words []lexeme // sorted by word
	at    map[string]int
}

type lexeme struct {
	word    string
	letters uint32 // set of its letters
	term    string // its stem
	count   int    // entries that hold it
	name    bool   // stands in a name
}

func newLexicon(words []lexeme) *lexicon {
	slices.SortFunc(words, func(a, b lexeme) int { return strings.Compare(a.word, b.word) })
	l := &lexicon{words: words, at: make(map[string]int, len(words))}
	for i := range words {
		words[i].letters = letterSet(words[i].word)
		l.at[words[i].word] = i
	}
	return l
}

func (l *lexicon) find(word string) (lexeme, bool) {
	i, ok := l.at[word]
	if !ok {
		return lexeme{}, false
	}
	return l.words[i], true
}

func letterSet(s string) uint32 {
	var set uint32
	for i := range len(s) {
		if c := s[i]; c >= 'a' && c <= 'z' {
			set |= 1 << (c - 'a')
		}
	}
	return set
}

// candidate is a word near the one that was typed.
type candidate struct {
	lexeme
	distance int
}

// near finds the words closest to the typed one: at most one edit away for four
// to five letters, two from six. Words of a name go before others at the same
// distance, since names are what people misspell, and a word with the same first
// letter before one without.
func (l *lexicon) near(word string, limit int) []candidate {
	n := len(word)
	if n < 4 {
		return nil
	}
	most := 1
	if n >= 6 {
		most = 2
	}
	set := letterSet(word)
	var out []candidate
	for _, x := range l.words {
		d := len(x.word) - n
		if d < -most || d > most || len(x.word) < 3 || bits.OnesCount32(x.letters^set) > 2*most {
			continue
		}
		if dist := editDistance(word, x.word, most); dist <= most {
			if dist == 2 && x.word[0] != word[0] {
				continue
			}
			out = append(out, candidate{x, dist})
		}
	}
	key := func(c candidate) int {
		k := c.distance * 4
		if !c.name {
			k++
		}
		if c.word[0] != word[0] {
			k += 2
		}
		return k
	}
	slices.SortStableFunc(out, func(a, b candidate) int {
		return cmp.Or(cmp.Compare(key(a), key(b)), cmp.Compare(b.count, a.count), strings.Compare(a.word, b.word))
	})
	if len(out) > limit {
		out = out[:limit]
	}
	return out
}

// completions finds up to limit words that begin with prefix, those in names first.
func (l *lexicon) completions(prefix string, limit int) []lexeme {
	i, _ := slices.BinarySearchFunc(l.words, prefix, func(x lexeme, p string) int { return strings.Compare(x.word, p) })
	var out []lexeme
	for ; i < len(l.words) && strings.HasPrefix(l.words[i].word, prefix); i++ {
		out = append(out, l.words[i])
	}
	slices.SortStableFunc(out, func(a, b lexeme) int {
		if a.name != b.name {
			if a.name {
				return -1
			}
			return 1
		}
		return cmp.Compare(b.count, a.count)
	})
	if len(out) > limit {
		out = out[:limit]
	}
	return out
}

// editDistance counts insertions, deletions, changes and swaps of neighbours
// (optimal string alignment) between two words of at most 40 letters. It gives
// most+1 as soon as the distance must be greater than most.
func editDistance(a, b string, most int) int {
	const longest = 40
	if len(a) > longest || len(b) > longest {
		return most + 1
	}
	var rows [3][longest + 1]int
	for j := range len(b) + 1 {
		rows[0][j] = j
	}
	for i := 1; i <= len(a); i++ {
		row, prev, prev2 := &rows[i%3], &rows[(i+2)%3], &rows[(i+1)%3]
		row[0] = i
		best := i
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			d := min(prev[j]+1, row[j-1]+1, prev[j-1]+cost)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				d = min(d, prev2[j-2]+1)
			}
			row[j] = d
			best = min(best, d)
		}
		if best > most {
			return most + 1
		}
	}
	return min(rows[len(a)%3][len(b)], most+1)
}
