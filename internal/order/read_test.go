package order

import (
	"archive/zip"
	"bytes"
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"lastlook/internal/say"
)

var update = flag.Bool("update", false, "write the golden files anew")

const orders = "../../testdata/orders"

var now = time.Date(2026, 11, 25, 6, 0, 0, 0, time.UTC)

func fixture(t testing.TB, name string) []byte {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(orders, name))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// golden compares got with a file, or writes it with -update.
func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	if *update {
		if err := os.WriteFile(filepath.Join(orders, name), got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if want := fixture(t, name); !bytes.Equal(got, want) {
		t.Errorf("%s differs\ngot:\n%s\nwant:\n%s", name, got, want)
	}
}

func read(t testing.TB, src string) *Result {
	t.Helper()
	r, err := Read([]byte(src), Options{Now: now})
	if err != nil {
		t.Fatalf("Read(%q): %v", src, err)
	}
	return r
}

func report(r *Result) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%d lines\n", r.Lines)
	for _, n := range r.Notices {
		fmt.Fprintf(&b, "notice: %s\n", n)
	}
	for _, c := range r.Consignments {
		fmt.Fprintf(&b, "taken: %s, line %d, %d packages in %d lines, leaves %s\n", c.Number, c.FirstLine, c.Packages(), len(c.Lines), moment(c.Dispatch))
	}
	for _, n := range r.NotTaken {
		fmt.Fprintf(&b, "left out: %s %v: %s\n", n.Number, n.Lines, n.Text)
	}
	for _, p := range r.Problems {
		fmt.Fprintf(&b, "line %d, %s, %s: %s [%s]\n", p.Line, p.Number, p.Field, p.Text, p.Value)
	}
	return b.String()
}

// The golden report was read line by line against the file when it was written.
func TestReadWrong(t *testing.T) {
	r, err := Read(fixture(t, "wrong.csv"), Options{Now: now})
	if err != nil {
		t.Fatal(err)
	}
	golden(t, "wrong.report.txt", []byte(report(r)))
	var b bytes.Buffer
	if err := r.WriteRejected(&b, nil); err != nil {
		t.Fatal(err)
	}
	golden(t, "wrong.rejected.csv", b.Bytes())
	if got, want := len(r.Consignments), 2; got != want {
		t.Errorf("%d consignments, want %d: K-1 and K-10", got, want)
	}
	for _, p := range r.Problems {
		if p.Text.IsZero() || strings.Contains(p.Text.String(), "%!") {
			t.Errorf("line %d: bad sentence %q", p.Line, p.Text)
		}
	}
}

// The encoded files were made with iconv and Python's csv module, independent of
// the libraries used here.
func TestReadEncodings(t *testing.T) {
	loc := zone(t, "Europe/Paris")
	want := []Consignment{
		{Number: "K-3001", Invoice: "R-1", Customer: "Jardins de l’Écluse (invented)", Destination: "Saltwick",
			Dispatch: time.Date(2026, 11, 26, 6, 15, 0, 0, time.UTC), FirstLine: 2, Lines: []Line{
				{Crop: `Dianthus "Rosée"`, Batch: "D-1", Bay: "Baie 3", Packages: 4, UnitsPerPackage: 6, FileLine: 2},
				{Crop: "Violette blanche; petite", Batch: "D-2", Packages: 4, Refs: []string{"T1", "T2", "T3", "T7"}, UnitsPerPackage: 8, FileLine: 3},
			}},
		{Number: "K-3002", Invoice: "R-2", Customer: "Gärtnerei Fährmann (invented)", Destination: "Northreach",
			Dispatch: time.Date(2026, 11, 26, 8, 0, 30, 0, time.UTC), FirstLine: 5, Lines: []Line{
				{Crop: "Ölbaum – groß", Bay: "Haus 2", Packages: 12, UnitsPerPackage: 1, FileLine: 5},
			}},
		{Number: "K-3003", Customer: "Señora Ñandú (invented)", Destination: "Marrow Island",
			Dispatch: time.Date(2026, 11, 27, 9, 0, 0, 0, time.UTC), FirstLine: 6, Lines: []Line{
				{Crop: "Níspero", Batch: "N-9", Packages: 1, UnitsPerPackage: 10000, FileLine: 6},
			}},
	}
	files, err := filepath.Glob(filepath.Join(orders, "accents-*.csv"))
	if err != nil || len(files) != 8 {
		t.Fatalf("found %d encoded files (%v), want 8", len(files), err)
	}
	for _, f := range files {
		name := filepath.Base(f)
		t.Run(name, func(t *testing.T) {
			src := fixture(t, name)
			before := bytes.Clone(src)
			r, err := Read(src, Options{Now: now, Loc: loc})
			if err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(src, before) {
				t.Error("Read changed its input")
			}
			shift := 0
			if strings.Contains(name, "sepline") {
				shift = 1
			}
			wantNotices := 1 // the unknown column
			if strings.Contains(name, "1252") {
				wantNotices = 2
				if got, want := r.Notices[0].String(), "The file is not UTF-8 and was read as Windows-1252. Check the letters with accents, first on line 2."; got != want {
					t.Errorf("notice %q, want %q", got, want)
				}
			}
			if len(r.Notices) != wantNotices || len(r.Problems) != 0 {
				t.Errorf("notices %v, problems %v", r.Notices, r.Problems)
			}
			if len(r.Consignments) != len(want) {
				t.Fatalf("%d consignments, want %d", len(r.Consignments), len(want))
			}
			for i, w := range want {
				got := r.Consignments[i]
				if got.Dispatch.Location() != loc {
					t.Errorf("%s: dispatch in %v", got.Number, got.Dispatch.Location())
				}
				if a, b := got.Fingerprint(), w.Fingerprint(); a != b {
					t.Errorf("got %+v, want %+v", got, w)
				}
				if got.FirstLine != w.FirstLine+shift {
					t.Errorf("%s begins on line %d, want %d", got.Number, got.FirstLine, w.FirstLine+shift)
				}
				for j, l := range w.Lines {
					if got.Lines[j].FileLine != l.FileLine+shift {
						t.Errorf("%s, crop %d is on line %d, want %d", got.Number, j, got.Lines[j].FileLine, l.FileLine+shift)
					}
				}
			}
		})
	}
}

func TestDemo(t *testing.T) {
	src := Demo(now)
	golden(t, "quillfern.csv", src)
	r, err := Read(src, Options{Now: now, Loc: zone(t, "Europe/Paris")})
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Problems) != 0 || len(r.Notices) != 0 {
		t.Fatalf("problems %v, notices %v", r.Problems, r.Notices)
	}
	if len(r.Consignments) != 8 {
		t.Fatalf("%d consignments, want 8", len(r.Consignments))
	}
	for _, want := range []struct {
		number, destination, crop    string
		packages, lines, units, refs int
	}{
		{"K-2041", "Eastmoor", "Lavandula", 240, 1, 12, 0},
		{"K-2038", "Marrow Island", "Rosmarinus", 2, 1, 8, 0},
		{"K-2036", "Eastmoor", "Viola", 36, 3, 18, 12},
	} {
		i := slices.IndexFunc(r.Consignments, func(c Consignment) bool { return c.Number == want.number })
		if i < 0 {
			t.Errorf("%s is missing", want.number)
			continue
		}
		c := r.Consignments[i]
		if c.Destination != want.destination || c.Lines[0].Crop != want.crop || c.Packages() != want.packages ||
			len(c.Lines) != want.lines || c.Lines[0].UnitsPerPackage != want.units || len(c.Lines[0].Refs) != want.refs {
			t.Errorf("got %+v, want %+v", c, want)
		}
	}
	places := map[string]bool{}
	for _, c := range r.Consignments {
		places[c.Destination] = true
		if !strings.Contains(c.Customer, "(invented)") {
			t.Errorf("%s: customer %q is not marked as invented", c.Number, c.Customer)
		}
	}
	if len(places) != 4 {
		t.Errorf("destinations %v, want four", places)
	}
	// At any moment, in any zone, all of it lies ahead.
	for _, at := range []time.Time{now.Add(7*time.Minute + 3*time.Second), time.Date(2027, 3, 28, 1, 59, 59, 0, zone(t, "Europe/Paris")), time.Date(2028, 2, 29, 23, 59, 0, 0, zone(t, "Australia/Lord_Howe"))} {
		r, err := Read(Demo(at), Options{Now: at, Loc: at.Location()})
		if err != nil || len(r.Consignments) != 8 {
			t.Errorf("Demo(%v): %v, %v", at, err, r)
		}
	}
}

const head = "consignment,invoice,customer,destination,dispatch,packages,package list,crop,batch,bay,units per package\n"

// Lines that are right but for what a case changes.
func lineOf(edit map[string]string) string {
	cols := strings.Split(strings.TrimSpace(head), ",")
	vals := map[string]string{
		"consignment": "K-1", "customer": "Ida", "destination": "Eastmoor", "dispatch": "2026-11-26 08:00",
		"packages": "10", "crop": "Viola", "units per package": "12",
	}
	for k, v := range edit {
		if !slices.Contains(cols, k) {
			panic("no column " + k)
		}
		vals[k] = v
	}
	out := make([]string, len(cols))
	for i, c := range cols {
		out[i] = `"` + strings.ReplaceAll(vals[c], `"`, `""`) + `"`
	}
	return strings.Join(out, ",") + "\n"
}

func TestReadRules(t *testing.T) {
	type e = map[string]string
	more := func(edit e) string { // a later line of K-1
		l := e{"customer": "", "destination": "", "dispatch": "", "crop": "Rosa"}
		for k, v := range edit {
			l[k] = v
		}
		return lineOf(l)
	}
	ok := lineOf(nil)
	tests := []struct {
		name  string
		src   string
		field string // of the first problem; "-" for none
		line  int
		want  string // part of its sentence
	}{
		{"right", ok, "-", 0, ""},
		{"mixed, empty header fields", ok + more(nil), "-", 0, ""},
		{"mixed, same header fields", ok + lineOf(e{"crop": "Rosa"}), "-", 0, ""},
		{"mixed, same moment written otherwise", ok + more(e{"dispatch": "26/11/2026 08:00"}), "-", 0, ""},
		{"mixed, with another between", ok + lineOf(e{"consignment": "K-2"}) + more(nil), "-", 0, ""},
		{"no number", lineOf(e{"consignment": ""}), FieldNumber, 2, "Write it on every line."},
		{"no number below another", ok + lineOf(e{"consignment": " "}), FieldNumber, 3, "K-1 above is held back"},
		{"number in other capitals", ok + more(e{"consignment": "k-1"}), FieldNumber, 3, "written k-1 here and K-1 on line 2"},
		{"number too long", lineOf(e{"consignment": strings.Repeat("K", 201)}), FieldNumber, 2, "has 201 characters; at most 200 fit"},
		{"no customer", lineOf(e{"customer": ""}), FieldCustomer, 2, "The customer is missing. Write it in column “customer”."},
		{"no destination", lineOf(e{"destination": ""}), FieldDestination, 2, "The destination is missing"},
		{"no dispatch", lineOf(e{"dispatch": ""}), FieldDispatch, 2, "The dispatch time is missing"},
		{"no crop", lineOf(e{"crop": ""}), FieldCrop, 2, "The crop is missing"},
		{"no units", lineOf(e{"units per package": ""}), FieldUnits, 2, "The units per package is missing"},
		{"no packages", lineOf(e{"packages": ""}), FieldPackages, 2, "Neither a package count nor a package list"},
		{"other invoice", lineOf(e{"invoice": "R-1"}) + more(e{"invoice": "R-2"}), FieldInvoice, 3, "The invoice is “R-2” here but “R-1” on line 2"},
		{"invoice only later", ok + more(e{"invoice": "R-2"}), FieldInvoice, 3, "but empty on line 2"},
		{"other customer", ok + more(e{"customer": "Bea"}), FieldCustomer, 3, "The customer is “Bea” here but “Ida” on line 2"},
		{"other destination", ok + more(e{"destination": "Saltwick"}), FieldDestination, 3, "“Saltwick” here but “Eastmoor” on line 2"},
		{"other dispatch", ok + more(e{"dispatch": "2026-11-26 09:00"}), FieldDispatch, 3, "2026-11-26 09:00 here but 2026-11-26 08:00 on line 2"},
		{"past", lineOf(e{"dispatch": "2026-11-25 05:59"}), FieldDispatch, 2, "leaves in the past (2026-11-25 05:59): correct the dispatch time"},
		{"this very moment", lineOf(e{"dispatch": "2026-11-25 06:00"}), FieldDispatch, 2, "leaves in the past"},
		{"next minute", lineOf(e{"dispatch": "2026-11-25 06:01"}), "-", 0, ""},
		{"zero packages", lineOf(e{"packages": "0"}), FieldPackages, 2, "It reads 0."},
		{"most packages", lineOf(e{"packages": "100000"}), "-", 0, ""},
		{"too many packages", lineOf(e{"packages": "100001"}), FieldPackages, 2, "more than 100000"},
		{"too many packages together", lineOf(e{"packages": "60000"}) + more(e{"packages": "40001"}), FieldPackages, 3, "the consignment has 100001 packages"},
		{"just enough packages together", lineOf(e{"packages": "60000"}) + more(e{"packages": "40000"}), "-", 0, ""},
		{"most units", lineOf(e{"units per package": "10000"}), "-", 0, ""},
		{"too many units", lineOf(e{"units per package": "10001"}), FieldUnits, 2, "more than 10000"},
		{"list alone", lineOf(e{"packages": "", "package list": "T1-T3 T7"}), "-", 0, ""},
		{"list and count agree", lineOf(e{"packages": "4", "package list": "T1-T3 T7"}), "-", 0, ""},
		{"list and count disagree", lineOf(e{"packages": "5", "package list": "T1-T3 T7"}), FieldRefs, 2, "says 5 and the package list has 4 references (T1 … T7)"},
		{"list with a double", lineOf(e{"packages": "", "package list": "T1-T3 T2"}), FieldRefs, 2, "T2 is in the list twice"},
		{"list overlapping another line", lineOf(e{"packages": "", "package list": "T1-T3"}) + more(e{"packages": "", "package list": "T3 T4"}), FieldRefs, 3, "Package T3 is already in the list of line 2"},
		{"same references in another consignment", lineOf(e{"packages": "", "package list": "T1"}) + lineOf(e{"consignment": "K-2", "packages": "", "package list": "T1"}), "-", 0, ""},
		{"line twice", ok + ok, "", 3, "says the same as line 2"},
		{"line twice, header fields left empty", ok + more(e{"crop": "Viola"}), "", 3, "says the same as line 2"},
		{"line twice but for the units", ok + more(e{"crop": "Viola", "units per package": "5"}), "-", 0, ""},
		{"line three times", ok + ok + ok, "", 3, "line 2"},
		{"text too long", lineOf(e{"crop": strings.Repeat("é", 201)}), FieldCrop, 2, "Crop: The text has 201 characters"},
		{"text just fits", lineOf(e{"crop": strings.Repeat("é", 200)}), "-", 0, ""},
		{"value without a name", strings.TrimSpace(ok) + ",12\n", "", 2, "“12” stands under no column name. A comma inside"},
		{"empty fields at the end", strings.TrimSpace(ok) + ",, ,\n", "-", 0, ""},
		{"line too short", "K-1,,Ida,Eastmoor,2026-11-26 08:00,10\n", "", 2, "(6 of 11): it lacks the crop, units per package"},
		{"blank lines and empty fields", "\n\n ,,\n" + ok, "-", 0, ""},
		{"quotation mark not closed", `"K-1,,Ida,Eastmoor,2026-11-26 08:00,10,,Viola,,,12` + "\n", "", 2, "opened on this line and not closed"},
		{"quotation mark inside", `K-1,,Ida,Eastmoor,2026-11-26 08:00,10,,Viola 5" pot,,,12` + "\n", "", 2, "in the middle of a field"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			r := read(t, head+tt.src)
			if tt.field == "-" {
				if len(r.Problems) != 0 || len(r.NotTaken) != 0 || r.Rejected() != 0 {
					t.Errorf("refused:\n%s", report(r))
				}
				return
			}
			if len(r.Problems) == 0 {
				t.Fatalf("no problem, want %q", tt.want)
			}
			p := r.Problems[0]
			if p.Field != tt.field || p.Line != tt.line || !strings.Contains(p.Text.String(), tt.want) {
				t.Errorf("problem line %d, field %q: %s\nwant line %d, field %q: …%s…", p.Line, p.Field, p.Text, tt.line, tt.field, tt.want)
			}
			for _, c := range r.Consignments {
				if c.Number == "K-1" {
					t.Error("K-1 was taken all the same")
				}
			}
		})
	}
}

// A broken line must not cost the lines around it, nor let a consignment through
// without one of its lines.
func TestReadNotInPart(t *testing.T) {
	l := func(number, crop string) string {
		return number + ",,Ida,Eastmoor,2026-11-26 08:00,10,," + crop + ",,,12\n"
	}
	tests := []struct {
		name  string
		src   string
		taken string
	}{
		{"bad line last", l("K-1", "Viola") + l("K-2", "Rosa") + l("K-1", ""), "K-2"},
		{"bad line first", l("K-1", "") + l("K-2", "Rosa") + l("K-1", "Viola"), "K-2"},
		{"mark never closed", l("K-1", "Viola") + l("K-2", `"Rosa`) + l("K-3", "Ajuga") + l("K-2", "Viola"), "K-1 K-3"},
		{"mark never closed, quoted fields below", l("K-1", "Viola") + l("K-2", `"Rosa`) + l("K-3", `"Ajuga"`) + l("K-4", `"Rosa"`), "K-1 K-3 K-4"},
		{"no number below", l("K-1", "Viola") + l("K-2", "Rosa") + l("", "Ajuga") + l("K-3", "Rosa"), "K-1 K-3"},
		{"line swallowed by a quoted field", l("K-1", "Viola") + l("K-2", "Rosa") +
			"K-3,,Ida,Eastmoor,2026-11-26 08:00,10,,\"Viola,,,12\nK-2,,Ida,Eastmoor,2026-11-26 08:00,10,,\",,,x\n" + l("K-4", "Rosa"), "K-1 K-4"},
		{"inner mark", l("K-1", "Viola") + l("K-2", `Rosa 5" pot`) + l("K-2", "Rosa"), "K-1"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			r := read(t, head+tt.src)
			var taken []string
			for _, c := range r.Consignments {
				taken = append(taken, c.Number)
			}
			if got := strings.Join(taken, " "); got != tt.taken {
				t.Errorf("taken %q, want %q\n%s", got, tt.taken, report(r))
			}
		})
	}
}

// A customer that is refused is not reported as missing as well.
func TestReadOneProblem(t *testing.T) {
	for _, f := range []string{"customer", "destination", "crop"} {
		r := read(t, head+lineOf(map[string]string{f: strings.Repeat("x", 201)}))
		if len(r.Problems) != 1 {
			t.Errorf("%s too long:\n%s", f, report(r))
		}
	}
}

func TestNotTakenText(t *testing.T) {
	tests := []struct {
		lines []int
		want  string
	}{
		{[]int{7}, "K-1 was not taken because line 7 is wrong."},
		{[]int{7, 9}, "K-1 was not taken because lines 7, 9 are wrong."},
		{[]int{1, 2, 3, 4, 5, 6, 7}, "K-1 was not taken because lines 1, 2, 3, 4, 5 and 2 more are wrong."},
	}
	for _, tt := range tests {
		if got := because("K-1", tt.lines).String(); got != tt.want {
			t.Errorf("because(%v) = %q, want %q", tt.lines, got, tt.want)
		}
	}
}

func TestReadHeader(t *testing.T) {
	row := "K-1,Ida,Eastmoor,2026-11-26 08:00,10,Viola,12\n"
	tests := []struct {
		name, src string
		err       string // the whole sentence; "" if it is read
		notices   string
	}{
		{"names folded", "CONSIGNMENT_NO,customer-name, Destination ,Leaves At,Package Count,CROP,Units/Package,invoice,batch\n" + row, "", ""},
		{"other names", "Order,Buyer,District,Departure,Number of packages,Plant,units_per_pack,invoice,lot no.\n" + row, "", ""},
		{"one missing", "order,customer,destination,dispatch,packages,units per package\n" + row,
			"The column for the crop (“crop”) is missing; the columns found are: order, customer, destination, dispatch, packages, units per package. Add it to the header and read the file again.", ""},
		{"count and list missing", "order,customer,destination,dispatch,crop,units per package\n" + row,
			"The column for the package count or package list (“packages” or “package list”) is missing; the columns found are: order, customer, destination, dispatch, crop, units per package. Add it to the header and read the file again.", ""},
		{"units alone are not units per package", "order,customer,destination,dispatch,packages,crop,units\n" + row,
			"The column for the units per package (“units per package”) is missing; the columns found are: order, customer, destination, dispatch, packages, crop, units. Add it to the header and read the file again.", ""},
		{"two missing", "order,customer,destination,dispatch,packages\n" + row,
			"The columns for these are missing: crop (“crop”), units per package (“units per package”); the columns found are: order, customer, destination, dispatch, packages. Add them to the header and read the file again.", ""},
		{"none known", row + row,
			"The first line must name the columns, and none of its names is known; it reads: K-1, Ida, Eastmoor, 2026-11-26 08:00, 10, Viola, 12. Name them like this: consignment, invoice, customer, destination, dispatch, packages, crop, batch, bay, units per package.", ""},
		{"one twice", "order,customer,destination,dispatch,packages,crop,units per package,Consignment\n" + row,
			"The columns “order” and “Consignment” both give the consignment number. Keep one of them.", ""},
		{"unknown ones", "order,customer,destination,dispatch,packages,crop,units per package,price,Remark,invoice,batch\n" + row, "", "These columns are not known and were ignored: price, Remark."},
		{"without invoice and batch", "order,customer,destination,dispatch,packages,crop,units per package\n" + row, "", "The file has no column for: invoice, batch. The records will not show it."},
		{"own problem column is no surprise", "order,customer,destination,dispatch,packages,crop,units per package,invoice,batch,problem\n" + row, "", ""},
		{"quotation mark out of place", "\"order,customer\n" + row, "The header row (line 1) cannot be read: a quotation mark is out of place. Put each name in quotation marks of its own, or use none.", ""},
		{"blank lines above", "\n \n,,\norder,customer,destination,dispatch,packages,crop,units per package,invoice,batch\n" + row, "", ""},
		{"line break in a name", "\"order\nno\",customer,destination,dispatch,packages,crop,units per package,invoice,batch\n" + row, "", ""},
		{"separators inside quoted names", "\"order;;;;;;;;;;;;\",customer,destination,dispatch,packages,crop,units per package,invoice,batch\n" + row, "", ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			r, err := Read([]byte(tt.src), Options{Now: now})
			if tt.err != "" {
				if err == nil || err.Error() != tt.err || say.CodeOf(err) != say.Invalid {
					t.Errorf("error %v\nwant  %s", err, tt.err)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			if len(r.Consignments) != 1 {
				t.Errorf("not taken:\n%s", report(r))
			}
			var ns []string
			for _, n := range r.Notices {
				ns = append(ns, n.String())
			}
			if got := strings.Join(ns, " "); got != tt.notices {
				t.Errorf("notices %q, want %q", got, tt.notices)
			}
		})
	}
}

func TestAliases(t *testing.T) {
	seen := map[string]column{}
	for c, k := range known {
		for _, a := range append([]string{fold(k.title)}, k.aliases...) {
			if fold(a) != a {
				t.Errorf("alias %q is not folded", a)
			}
			if o, ok := seen[a]; ok && o != column(c) {
				t.Errorf("alias %q means two columns", a)
			}
			seen[a] = column(c)
			if byAlias[a] != column(c) {
				t.Errorf("%q is not found as %q", a, k.title)
			}
		}
		if k.words.IsZero() || k.label.IsZero() {
			t.Errorf("column %d has no words", c)
		}
	}
}

func zipped(t *testing.T, names ...string) string {
	t.Helper()
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	for _, n := range names {
		w, err := z.Create(n)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := w.Write([]byte("<x/>")); err != nil {
			t.Fatal(err)
		}
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestReadRefusesFile(t *testing.T) {
	wide := head + lineOf(nil)
	tests := []struct{ name, src, want string }{
		{"empty", "", "The file is empty."},
		{"blank", " \r\n\r\n", "nothing but blank lines"},
		{"byte order mark alone", "\xef\xbb\xbf", "nothing but blank lines"},
		{"header only", head, "a header row and nothing below it"},
		{"header and blank lines", head + "\n,,,\n", "a header row and nothing below it"},
		{"NUL bytes", head + "K-1,\x00\n", "holds NUL bytes, first on line 2"},
		{"NUL bytes and no UTF-8", "\xe9\n\x00", "holds NUL bytes, first on line 2"},
		{"NUL in UTF-16", "\xff\xfea\x00\x00\x00", "holds NUL bytes, first on line 1"},
		{"UTF-16 without mark", "o\x00r\x00d\x00", "holds NUL bytes"},
		{"UTF-16 cut short", "\xff\xfea\x00b", "cut short"},
		{"UTF-32", "\xff\xfe\x00\x00a\x00\x00\x00", "UTF-32"},
		{"marked UTF-8 and is not", "\xef\xbb\xbf" + head + "K-1,\xe9\n", "says that it is UTF-8, but line 2"},
		{"workbook", zipped(t, "[Content_Types].xml", "xl/workbook.xml"), "This is a spreadsheet workbook. Open it, save it as CSV"},
		{"workbook, open document", zipped(t, "mimetype")[:38] + "application/vnd.oasis.opendocument.spreadsheet", "This is a spreadsheet workbook."},
		{"workbook, old", "\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1\x00", "This is a spreadsheet workbook."},
		{"archive", zipped(t, "orders.csv"), "This is a ZIP archive."},
		{"PDF", "%PDF-1.7\n", "This is a PDF document."},
		{"PNG", "\x89PNG\r\n\x1a\n\x00", "This is a picture."},
		{"JPEG", "\xff\xd8\xff\xe0", "This is a picture."},
		{"gzip", "\x1f\x8b\x08\x00", "This is a compressed file."},
		{"too large", strings.Repeat(" ", MaxBytes+1), "larger than 64 MiB"},
		{"line too long", head + strings.Repeat(",", maxLine) + "\n", "Line 2 is longer than 8 MiB."},
		{"last line too long", head + strings.Repeat(",", maxLine+1), "Line 2 is longer than 8 MiB."},
		{"too many packages listed", head + strings.Repeat("K,,,,,,1-100000,,,,\n", 11), "more than 1000000 packages, up to line 12"},
		{"too many packages listed, refused lists", head + strings.Repeat("K,,,,,,1-99999 1,,,,\n", 11), "up to line 12"},
		{"too many lines", head + strings.Repeat("K\n", MaxLines+1), "more than 200000 lines"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			r, err := Read([]byte(tt.src), Options{Now: now})
			if err == nil || r != nil || !strings.Contains(err.Error(), tt.want) || say.CodeOf(err) != say.Invalid {
				t.Errorf("Read = %v, %v; want an error with %q", r, err, tt.want)
			}
		})
	}
	if r := read(t, wide); len(r.Consignments) != 1 {
		t.Error("the right file is refused")
	}
	if r := read(t, head+strings.Repeat("K\n", MaxLines)); r.Lines != MaxLines {
		t.Errorf("%d lines, want %d", r.Lines, MaxLines)
	}
}

type failing struct{}

func (failing) Read([]byte) (int, error) { return 0, errors.New("wire cut") }

func TestReadFrom(t *testing.T) {
	r, err := ReadFrom(strings.NewReader(head+lineOf(nil)), Options{Now: now})
	if err != nil || len(r.Consignments) != 1 {
		t.Errorf("ReadFrom = %v, %v", r, err)
	}
	if _, err := ReadFrom(bytes.NewReader(make([]byte, MaxBytes+5)), Options{}); err == nil || !strings.Contains(err.Error(), "64 MiB") {
		t.Errorf("too large: %v", err)
	}
	if _, err := ReadFrom(failing{}, Options{}); err == nil || strings.Contains(err.Error(), "wire") {
		t.Errorf("failing reader: %v", err)
	}
}

func TestReadProgress(t *testing.T) {
	src := head
	for i := range 3 * progressEvery {
		src += lineOf(map[string]string{"consignment": fmt.Sprint("K-", i)})
	}
	last, calls, end := 0, 0, 0
	_, err := Read([]byte(src), Options{Now: now, Progress: func(done, total int) {
		if done < last || done > total {
			t.Errorf("progress %d after %d of %d", done, last, total)
		}
		last, end = done, total
		calls++
	}})
	if err != nil || calls < 3 || last != end || end != 3*progressEvery+1 {
		t.Errorf("%d calls, last %d of %d, %v", calls, last, end, err)
	}
}

func TestReadNotices(t *testing.T) {
	r := read(t, head+lineOf(map[string]string{"dispatch": "2027-11-26 08:00"}))
	if len(r.Notices) != 1 || !strings.Contains(r.Notices[0].String(), "K-1 (line 2) leaves more than a year from now") {
		t.Errorf("far ahead: %v", r.Notices)
	}
	r = read(t, head+lineOf(nil)+"\ufeff"+head+lineOf(map[string]string{"consignment": "K-2"})+head)
	if len(r.Notices) != 1 || r.Notices[0].String() != "Line 3 repeats the header row and was passed over." || len(r.Consignments) != 2 || r.Lines != 2 {
		t.Errorf("header again:\n%s", report(r))
	}
	r = read(t, head+lineOf(map[string]string{"crop": "Ros\ufffde"}))
	if len(r.Notices) != 1 || !strings.Contains(r.Notices[0].String(), "first on line 2") {
		t.Errorf("lost letters: %v", r.Notices)
	}
}

func TestFingerprint(t *testing.T) {
	base := func() Consignment {
		return Consignment{Number: "K-1", Invoice: "R", Customer: "Ida", Destination: "Eastmoor", Dispatch: now, FirstLine: 2, Lines: []Line{
			{Crop: "Viola", Batch: "V", Bay: "B", Packages: 2, Refs: []string{"T1", "T2"}, UnitsPerPackage: 3, FileLine: 2},
			{Crop: "Rosa", Packages: 2, UnitsPerPackage: 3, FileLine: 3},
		}}
	}
	want := base().Fingerprint()
	// Kept for ever: it is stored with what was imported.
	if kept := "b906c943cb8b4d9fa1120c83fcd2a37799e472603c3a553aac6558f5cfeee340"; want != kept {
		t.Errorf("Fingerprint = %s, want %s", want, kept)
	}
	differ := map[string]func(c *Consignment){
		"number":      func(c *Consignment) { c.Number = "K-2" },
		"invoice":     func(c *Consignment) { c.Invoice = "" },
		"shifted":     func(c *Consignment) { c.Number, c.Invoice = "K-", "1R" },
		"customer":    func(c *Consignment) { c.Customer = "ida" },
		"destination": func(c *Consignment) { c.Destination = "Saltwick" },
		"dispatch":    func(c *Consignment) { c.Dispatch = now.Add(time.Second) },
		"crop":        func(c *Consignment) { c.Lines[1].Crop = "Rose" },
		"batch":       func(c *Consignment) { c.Lines[1].Batch = "B" },
		"bay":         func(c *Consignment) { c.Lines[1].Bay = "B" },
		"packages":    func(c *Consignment) { c.Lines[1].Packages = 3 },
		"units":       func(c *Consignment) { c.Lines[1].UnitsPerPackage = 2 },
		"refs":        func(c *Consignment) { c.Lines[0].Refs = []string{"T1", "T3"} },
		"no refs":     func(c *Consignment) { c.Lines[0].Refs = nil },
		"line order":  func(c *Consignment) { slices.Reverse(c.Lines) },
		"fewer lines": func(c *Consignment) { c.Lines = c.Lines[:1] },
	}
	for name, change := range differ {
		c := base()
		change(&c)
		if c.Fingerprint() == want {
			t.Errorf("%s does not count", name)
		}
	}
	c := base()
	c.FirstLine, c.Lines[0].FileLine, c.Dispatch = 9, 9, c.Dispatch.In(time.FixedZone("", 3600))
	if c.Fingerprint() != want {
		t.Error("the place in the file or the zone counts")
	}
}
