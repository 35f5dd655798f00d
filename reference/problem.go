package reference

import (
	"fmt"
	"sort"
	"strings"

	"lastlook/internal/say"
)

// Problem is one thing wrong with a reference file or an entry.
type Problem struct {
	File  string // "" for an entry that came from no file
	Line  int    // from 1; 0 if not known
	Field string // as "signs[2].colour"; "" for the file as a whole
	Text  say.Text
	// Missing is the id of the entry that a look-alike or a list names but
	// that does not exist; "" for every other problem.
	Missing string
}

// String gives file:line: field: sentence.
func (p Problem) String() string {
	var b strings.Builder
	if p.File != "" {
		b.WriteString(p.File)
		if p.Line > 0 {
			fmt.Fprintf(&b, ":%d", p.Line)
		}
		b.WriteString(": ")
	}
	if p.Field != "" {
		b.WriteString(p.Field + ": ")
	}
	return b.String() + p.Text.String()
}

// Problems is everything found wrong, as one error.
type Problems []Problem

// Error lists the problems, one a line.
func (ps Problems) Error() string {
	lines := make([]string, len(ps))
	for i, p := range ps {
		lines[i] = p.String()
	}
	return strings.Join(lines, "\n")
}

// sorted orders by file and line so that reports do not jump between runs.
func (ps Problems) sorted() Problems {
	sort.SliceStable(ps, func(i, j int) bool {
		if ps[i].File != ps[j].File {
			return ps[i].File < ps[j].File
		}
		return ps[i].Line < ps[j].Line
	})
	return ps
}
