package sampling

import (
	"bufio"
	"os"
	"strconv"
	"strings"
	"testing"
)

// row is one line of a tab-separated vector file, by column name.
type row struct {
	t    *testing.T
	line int
	cols map[string]string
}

// vectors reads testdata/sampling/name: lines of # are comments, the first other
// line names the columns.
func vectors(t *testing.T, name string) []row {
	t.Helper()
	f, err := os.Open("../../testdata/sampling/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var heads []string
	var rows []row
	sc := bufio.NewScanner(f)
	for line := 1; sc.Scan(); line++ {
		if strings.HasPrefix(sc.Text(), "#") {
			continue
		}
		fields := strings.Split(sc.Text(), "\t")
		if heads == nil {
			heads = fields
			continue
		}
		if len(fields) != len(heads) {
			t.Fatalf("%s:%d: %d fields, want %d", name, line, len(fields), len(heads))
		}
		r := row{t: t, line: line, cols: map[string]string{}}
		for i, h := range heads {
			r.cols[h] = fields[i]
		}
		rows = append(rows, r)
	}
	if err := sc.Err(); err != nil {
		t.Fatal(err)
	}
	if len(rows) == 0 {
		t.Fatalf("%s has no lines", name)
	}
	return rows
}

func (r row) count(col string) int {
	r.t.Helper()
	v, err := strconv.Atoi(r.cols[col])
	if err != nil {
		r.t.Fatalf("line %d, %s: %v", r.line, col, err)
	}
	return v
}

func (r row) rate(col string) Rate {
	r.t.Helper()
	v, err := ParseRate(r.cols[col])
	if err != nil {
		r.t.Fatalf("line %d, %s: %v", r.line, col, err)
	}
	return v
}

func (r row) number(col string) float64 {
	r.t.Helper()
	v, err := strconv.ParseFloat(r.cols[col], 64)
	if err != nil {
		r.t.Fatalf("line %d, %s: %v", r.line, col, err)
	}
	return v
}
