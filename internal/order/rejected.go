package order

import (
	"encoding/csv"
	"fmt"
	"io"
	"strings"

	"lastlook/internal/say"
)

type rejectedRow struct {
	rec  []string
	text []say.Text
}

// Rejected is the number of lines that WriteRejected gives back.
func (r *Result) Rejected() int { return len(r.rejected) }

// WriteRejected gives back the lines of all consignments that were not taken,
// and the lines without a consignment, as CSV with the header and separator of
// the file and a last column "problem", to be put right and read again. It is
// UTF-8 with a byte order mark, by which spreadsheet programs know the encoding.
// A line whose quotation marks were out of place is split as well as it can be.
//
// Values are given back as they came: they are the nursery's own. sprintf says
// the problems, as in say.Text.With; nil means English.
func (r *Result) WriteRejected(w io.Writer, sprintf func(key string, args ...any) string) error {
	if sprintf == nil {
		sprintf = fmt.Sprintf
	}
	// A file given back before has a column of problems already.
	old := -1
	for i, h := range r.header {
		if byAlias[fold(h)] == colProblem && fold(h) != "" {
			old = i
			break
		}
	}
	width := len(r.header)
	for _, row := range r.rejected {
		n := len(row.rec)
		for n > width && strings.TrimSpace(row.rec[n-1]) == "" {
			n--
		}
		width = max(width, n)
	}
	// Values beyond the header keep a column without a name, so that they are
	// refused again until somebody has looked at them.
	widen := func(rec []string, last string) []string {
		out := make([]string, 0, width+1)
		for i := range width {
			switch {
			case i == old:
			case i < len(rec):
				out = append(out, rec[i])
			default:
				out = append(out, "")
			}
		}
		return append(out, last)
	}
	if _, err := io.WriteString(w, "\ufeff"); err != nil {
		return fmt.Errorf("order: writing rejected lines: %w", err)
	}
	cw := csv.NewWriter(w)
	cw.Comma, cw.UseCRLF = r.sep, true // RFC 4180, section 2
	out := [][]string{widen(r.header, known[colProblem].title)}
	for _, row := range r.rejected {
		texts := make([]string, len(row.text))
		for i, t := range row.text {
			texts[i] = t.With(sprintf)
		}
		out = append(out, widen(row.rec, strings.Join(texts, " ")))
	}
	if err := cw.WriteAll(out); err != nil {
		return fmt.Errorf("order: writing rejected lines: %w", err)
	}
	return nil
}
