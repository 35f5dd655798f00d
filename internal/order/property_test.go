package order

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode"
	"pgregory.net/rapid"
)

// text draws a text that CleanText leaves as it is.
func text(t *rapid.T, name string, min int) string {
	g := rapid.OneOf(
		rapid.StringMatching(`[A-Za-z0-9 ."';,\t|<>&é€ß-]{1,20}`),
		rapid.SampledFrom([]string{`"`, `""`, `5" pot`, "ورد", "🌸 👩🏽\u200d🌾", "a;b,c", "<script>", "sep=;", "=1+1", "'", `\.`, "#", "x\ny", "\r\n1", " a  b "}),
		rapid.StringN(0, 60, -1),
	)
	s, err := CleanText(g.Draw(t, name))
	if err != nil || len([]rune(s)) < min {
		return "x"
	}
	return s
}

// drawn makes consignments that are wholly good.
func drawn(t *rapid.T) []Consignment {
	n := rapid.IntRange(1, 6).Draw(t, "consignments")
	cs := make([]Consignment, n)
	for i := range cs {
		c := &cs[i]
		c.Number = fmt.Sprintf("K-%d%s", i, text(t, "number", 0))
		if s, err := CleanText(c.Number); err != nil || s != c.Number {
			c.Number = fmt.Sprintf("K-%d", i)
		}
		c.Invoice = text(t, "invoice", 0)
		c.Customer = text(t, "customer", 1)
		c.Destination = text(t, "destination", 1)
		c.Dispatch = now.Add(time.Duration(rapid.IntRange(1, 300*24*3600).Draw(t, "seconds")) * time.Second)
		for j := range rapid.IntRange(1, 4).Draw(t, "lines") {
			l := Line{Crop: text(t, "crop", 1), Batch: fmt.Sprint("b", j), Bay: text(t, "bay", 0),
				Packages: rapid.IntRange(1, 20000).Draw(t, "packages"), UnitsPerPackage: rapid.IntRange(1, MaxUnits).Draw(t, "units")}
			if rapid.Bool().Draw(t, "listed") {
				l.Packages = rapid.IntRange(1, 30).Draw(t, "refs")
				for k := range l.Packages {
					l.Refs = append(l.Refs, fmt.Sprintf("T%d.%03d", j, k+1))
				}
			}
			c.Lines = append(c.Lines, l)
		}
	}
	return cs
}

// written writes consignments as somebody's program might: names, order of
// columns, separator, quoting, line ends and encoding are drawn. It is written
// by hand so that encoding/csv is not checked against itself.
func written(t *rapid.T, cs []Consignment) []byte {
	sep := rapid.SampledFrom([]string{";", ",", "\t"}).Draw(t, "separator")
	nl := rapid.SampledFrom([]string{"\n", "\r\n", "\r"}).Draw(t, "line end")
	cols := rapid.Permutation([]column{colNumber, colInvoice, colCustomer, colDestination, colDispatch, colCount, colList, colCrop, colBatch, colBay, colUnits}).Draw(t, "columns")
	quote := func(s string) string {
		if strings.ContainsAny(s, "\"\r\n"+sep) || s != strings.TrimSpace(s) || rapid.IntRange(0, 3).Draw(t, "quoted") == 0 {
			return `"` + strings.ReplaceAll(s, `"`, `""`) + `"`
		}
		return s
	}
	var b strings.Builder
	line := func(vals map[column]string) {
		for i, c := range cols {
			if i > 0 {
				b.WriteString(sep)
			}
			b.WriteString(quote(vals[c]))
		}
		b.WriteString(nl)
		if rapid.IntRange(0, 9).Draw(t, "blank line") == 0 {
			b.WriteString(nl)
		}
	}
	names := map[column]string{}
	for _, c := range cols {
		n := rapid.SampledFrom(known[c].aliases).Draw(t, "name")
		if rapid.Bool().Draw(t, "upper") {
			n = strings.ToUpper(n)
		}
		k := rapid.IntRange(0, len(n)).Draw(t, "gap at")
		names[c] = n[:k] + rapid.SampledFrom([]string{"", " ", "_", "-", "\n"}).Draw(t, "gap") + n[k:]
	}
	line(names)
	type next struct{ c, l int }
	var todo []next
	for i, c := range cs {
		for j := range c.Lines {
			todo = append(todo, next{i, j})
		}
	}
	for _, td := range todo {
		c, l := cs[td.c], cs[td.c].Lines[td.l]
		v := map[column]string{colNumber: c.Number, colCrop: l.Crop, colBatch: l.Batch, colBay: l.Bay, colUnits: fmt.Sprint(l.UnitsPerPackage)}
		if td.l == 0 || rapid.Bool().Draw(t, "header again") {
			v[colInvoice], v[colCustomer], v[colDestination] = c.Invoice, c.Customer, c.Destination
			v[colDispatch] = c.Dispatch.Format(rapid.SampledFrom([]string{"2006-01-02 15:04:05", "2006-01-02T15:04:05Z"}).Draw(t, "time"))
		}
		if l.Refs != nil {
			v[colList] = strings.Join(l.Refs, rapid.SampledFrom([]string{" ", "|", " + ", "\n"}).Draw(t, "between"))
			if n := len(l.Refs); n > 1 && rapid.Bool().Draw(t, "range") {
				v[colList] = l.Refs[0] + "-" + l.Refs[n-1]
			}
		}
		if l.Refs == nil || rapid.Bool().Draw(t, "counted") {
			v[colCount] = fmt.Sprint(l.Packages)
		}
		line(v)
	}
	s := b.String()
	switch rapid.IntRange(0, 4).Draw(t, "encoding") {
	case 1:
		s = "\ufeff" + s
	case 2:
		s, _ = unicode.UTF16(unicode.LittleEndian, unicode.UseBOM).NewEncoder().String(s)
	case 3:
		s, _ = unicode.UTF16(unicode.BigEndian, unicode.UseBOM).NewEncoder().String(s)
	case 4:
		w, err := charmap.Windows1252.NewEncoder().String(s)
		if err == nil && (invalidAt([]byte(w)) >= 0 || w == s) {
			s = w
		}
	}
	return []byte(s)
}

func TestReadRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := drawn(t)
		src := written(t, want)
		r, err := Read(src, Options{Now: now})
		if err != nil {
			t.Fatalf("%v\n%s", err, src)
		}
		if len(r.Problems) != 0 || len(r.Consignments) != len(want) {
			t.Fatalf("%s\n%s", report(r), src)
		}
		for i, c := range r.Consignments {
			if c.Fingerprint() != want[i].Fingerprint() {
				t.Fatalf("got  %+v\nwant %+v\n%s", c, want[i], src)
			}
		}
	})
}

// whole checks what holds for every file that can be read.
func whole(t testing.TB, r *Result) {
	t.Helper()
	lines := 0
	taken := map[string]bool{}
	for _, c := range r.Consignments {
		key := strings.ToLower(c.Number)
		if taken[key] || c.Number == "" || c.Customer == "" || c.Destination == "" || len(c.Lines) == 0 || !c.Dispatch.After(now) {
			t.Fatalf("taken: %+v", c)
		}
		taken[key] = true
		lines += len(c.Lines)
		if n := c.Packages(); n < 1 || n > MaxPackages {
			t.Fatalf("%s has %d packages", c.Number, n)
		}
		refs := map[string]bool{}
		for _, l := range c.Lines {
			if l.Crop == "" || l.Packages < 1 || l.UnitsPerPackage < 1 || l.UnitsPerPackage > MaxUnits || l.Refs != nil && len(l.Refs) != l.Packages {
				t.Fatalf("taken: %+v", l)
			}
			for _, ref := range l.Refs {
				if refs[ref] {
					t.Fatalf("%s: %s twice", c.Number, ref)
				}
				refs[ref] = true
			}
		}
	}
	if lines+r.Rejected() != r.Lines {
		t.Fatalf("%d lines taken and %d given back of %d", lines, r.Rejected(), r.Lines)
	}
	if !slices.IsSortedFunc(r.Problems, func(a, b Problem) int { return a.Line - b.Line }) {
		t.Fatal("problems are out of order")
	}
	if (len(r.Problems) == 0) != (r.Rejected() == 0) {
		t.Fatalf("%d problems, %d lines given back", len(r.Problems), r.Rejected())
	}
	for _, p := range r.Problems {
		if taken[strings.ToLower(p.Number)] || p.Line < 2 || strings.Contains(p.Text.Key, "%!") {
			t.Fatalf("problem %+v", p)
		}
	}
	for _, n := range r.NotTaken {
		if taken[strings.ToLower(n.Number)] || len(n.Because) == 0 || !slices.IsSorted(n.Because) || len(n.Lines) == 0 {
			t.Fatalf("not taken %+v", n)
		}
	}
}

// Lines given back and read again unchanged are wrong in the same way, and
// taking the good ones out has not made them right.
func TestWriteRejectedAgain(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		cs := drawn(t)
		var b bytes.Buffer
		b.WriteString(strings.TrimSpace(head) + ",remark\n")
		for _, c := range cs {
			for j, l := range c.Lines {
				v := []string{c.Number, c.Invoice, c.Customer, c.Destination, c.Dispatch.Format("2006-01-02 15:04:05"), fmt.Sprint(l.Packages), strings.Join(l.Refs, " "), l.Crop, l.Batch, l.Bay, fmt.Sprint(l.UnitsPerPackage), "as said"}
				if j > 0 {
					v[1], v[2], v[3], v[4] = "", "", "", ""
				}
				if rapid.IntRange(0, 3).Draw(t, "spoil") == 0 {
					v[rapid.SampledFrom([]int{0, 4, 5, 6, 7, 10}).Draw(t, "which")] = rapid.SampledFrom([]string{"", "0", "1,5", "T1 T1", "01/02/2027 10:00"}).Draw(t, "with")
				}
				if rapid.IntRange(0, 9).Draw(t, "lengthen") == 0 {
					v = append(v, "more")
				}
				for i := range v {
					v[i] = `"` + strings.ReplaceAll(v[i], `"`, `""`) + `"`
				}
				b.WriteString(strings.Join(v, ",") + "\n")
			}
		}
		r, err := Read(b.Bytes(), Options{Now: now})
		if err != nil {
			t.Fatal(err)
		}
		var back bytes.Buffer
		if err := r.WriteRejected(&back, nil); err != nil {
			t.Fatal(err)
		}
		if r.Rejected() == 0 {
			if _, err := Read(back.Bytes(), Options{Now: now}); err == nil {
				t.Fatal("nothing was given back and is read all the same")
			}
			return
		}
		again, err := Read(back.Bytes(), Options{Now: now})
		if err != nil {
			t.Fatalf("%v\n%s", err, back.Bytes())
		}
		if len(again.Consignments) != 0 || len(again.Problems) != len(r.Problems) || again.Lines != r.Rejected() {
			t.Fatalf("first:\n%s\nagain:\n%s\n%s", report(r), report(again), back.Bytes())
		}
		for i, p := range again.Problems {
			if p.Field != r.Problems[i].Field || p.Value != r.Problems[i].Value {
				t.Fatalf("problem %+v became %+v", r.Problems[i], p)
			}
		}
		var third bytes.Buffer
		if err := again.WriteRejected(&third, nil); err != nil {
			t.Fatal(err)
		}
		a, _, _ := bytes.Cut(back.Bytes(), []byte("\r\n"))
		c, _, _ := bytes.Cut(third.Bytes(), []byte("\r\n"))
		if !bytes.Equal(a, c) {
			t.Fatalf("the header grew from %s to %s", a, c)
		}
	})
}

func TestWriteRejectedSaid(t *testing.T) {
	r := read(t, head+lineOf(map[string]string{"packages": "0"}))
	var b bytes.Buffer
	if err := r.WriteRejected(&b, func(key string, _ ...any) string { return "<" + key[:2] + ">" }); err != nil {
		t.Fatal(err)
	}
	if !strings.HasSuffix(b.String(), ",<%s>\r\n") {
		t.Errorf("the printer was not used: %s", b.String())
	}
}

// Another program's CSV reader must see the same fields.
func TestWriteRejectedElsewhere(t *testing.T) {
	python, err := exec.LookPath("python3")
	if err != nil {
		if os.Getenv("LASTLOOK_TOOLS") == "required" {
			t.Fatal("python3 is needed for this test and was not found")
		}
		t.Skip("python3 was not found; its csv module would have read what is given back")
	}
	r := read(t, strings.ReplaceAll(head, ",", ";")+strings.Join([]string{
		`K-1;;"Ida; ""the"" first";"East`, `moor";2026-11-26 08:00;0;;ورد 🌸;' ;=1+1;12`}, "\n")+"\n")
	var b bytes.Buffer
	if err := r.WriteRejected(&b, nil); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(python, "-c", `import csv,io,json,sys
rows = list(csv.reader(io.TextIOWrapper(sys.stdin.buffer, "utf-8-sig", newline=""), delimiter=";", strict=True))
json.dump(rows, sys.stdout)`)
	cmd.Stdin = &b
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	var got [][]string
	if err := json.Unmarshal(out, &got); err != nil {
		t.Fatal(err)
	}
	want := [][]string{
		append(strings.Split(strings.TrimSpace(head), ","), "problem"),
		{"K-1", "", `Ida; "the" first`, "East\r\nmoor", "2026-11-26 08:00", "0", "", "ورد 🌸", "' ", "=1+1", "12",
			"Package count: It reads 0. Write a whole number from 1 to 100000, or remove the line."},
	}
	if !slices.EqualFunc(got, want, slices.Equal[[]string]) {
		t.Errorf("python3 reads %q, want %q", got, want)
	}
}

func FuzzRead(f *testing.F) {
	for _, name := range []string{"wrong.csv", "quillfern.csv", "accents-utf8.csv", "accents-utf16le.csv", "accents-windows1252.csv", "accents-tab-cr.csv", "accents-sepline.csv"} {
		f.Add(fixture(f, name))
	}
	f.Add([]byte(head + lineOf(nil) + "\"\n\"\"\n\"x\n"))
	f.Fuzz(func(t *testing.T, src []byte) {
		r, err := Read(src, Options{Now: now})
		if err != nil {
			if r != nil || err.Error() == "" || strings.Contains(err.Error(), "%!") {
				t.Fatalf("Read = %v, %v", r, err)
			}
			return
		}
		whole(t, r)
		same, err := Read(src, Options{Now: now})
		if err != nil || report(same) != report(r) {
			t.Fatalf("read twice: %v\n%s\n%s", err, report(r), report(same))
		}
		var b bytes.Buffer
		if err := r.WriteRejected(&b, nil); err != nil {
			t.Fatal(err)
		}
		if r.Rejected() == 0 {
			return
		}
		again, err := Read(b.Bytes(), Options{Now: now})
		if err != nil {
			t.Fatalf("given back and not readable: %v\n%s", err, b.Bytes())
		}
		whole(t, again)
	})
}

func FuzzParseDispatch(f *testing.F) {
	for _, s := range []string{"2026-11-25T14:30:00+01:00", "25/11/2026 14:30", "46351.6", "3.4.2027 9:00 pm"} {
		f.Add(s)
	}
	paris := zone(f, "Europe/Paris")
	f.Fuzz(func(t *testing.T, s string) {
		at, err := ParseDispatch(s, paris)
		if err != nil {
			if strings.Contains(err.Error(), "%!") {
				t.Fatal(err)
			}
			return
		}
		if y := at.Year(); y < 2000 || y > 2199 {
			return // the zone took it over the border of the years that are read
		}
		again, err := ParseDispatch(at.Format(time.RFC3339), paris)
		if err != nil || !again.Equal(at) {
			t.Fatalf("ParseDispatch(%q) = %v, again %v, %v", s, at, again, err)
		}
	})
}
