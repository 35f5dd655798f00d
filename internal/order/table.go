package order

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"io"
	"slices"
	"strings"
	"unicode"

	"lastlook/internal/say"
)

// The fields of an order file, as a Problem names them.
const (
	FieldNumber      = "number"
	FieldInvoice     = "invoice"
	FieldCustomer    = "customer"
	FieldDestination = "destination"
	FieldDispatch    = "dispatch"
	FieldPackages    = "packages"
	FieldRefs        = "refs"
	FieldCrop        = "crop"
	FieldBatch       = "batch"
	FieldBay         = "bay"
	FieldUnits       = "units"
)

type column int

const (
	colNumber column = iota
	colInvoice
	colCustomer
	colDestination
	colDispatch
	colCount
	colList
	colCrop
	colBatch
	colBay
	colUnits
	colProblem // what WriteRejected adds; read and ignored
	columns
)

// known lists the columns. A name is compared after folding, so each alias is
// in lower case with letters and digits only. "units" alone is no alias: it could
// as well mean the units of the whole line.
var known = [columns]struct {
	field    string
	words    say.Text // within a sentence
	label    say.Text // before a colon
	title    string   // to be suggested
	required bool
	aliases  []string
}{
	colNumber: {FieldNumber, say.T("consignment number"), say.T("Consignment number"), "consignment", true, []string{
		"consignment", "consignmentnumber", "consignmentno", "consignmentnr", "consignmentid",
		"order", "ordernumber", "orderno", "ordernr", "orderid"}},
	colInvoice: {FieldInvoice, say.T("invoice"), say.T("Invoice"), "invoice", false, []string{
		"invoice", "invoicenumber", "invoiceno", "invoicenr", "invoiceid"}},
	colCustomer: {FieldCustomer, say.T("customer"), say.T("Customer"), "customer", true, []string{
		"customer", "customername", "buyer", "consignee", "client"}},
	colDestination: {FieldDestination, say.T("destination"), say.T("Destination"), "destination", true, []string{
		"destination", "destinationdistrict", "district", "shipto", "deliverto", "goesto"}},
	colDispatch: {FieldDispatch, say.T("dispatch time"), say.T("Dispatch time"), "dispatch", true, []string{
		"dispatch", "dispatchtime", "dispatchat", "dispatchdate", "dispatchdatetime", "dispatchdateandtime",
		"leaves", "leavesat", "leaveby", "leavingtime", "departure", "departuretime", "departs"}},
	colCount: {FieldPackages, say.T("package count"), say.T("Package count"), "packages", false, []string{
		"packages", "packagecount", "numberofpackages", "noofpackages", "nrofpackages", "packagescount"}},
	colList: {FieldRefs, say.T("package list"), say.T("Package list"), "package list", false, []string{
		"packagelist", "listofpackages", "packagereferences", "packagerefs", "packagenumbers", "packageids", "packagelabels"}},
	colCrop: {FieldCrop, say.T("crop"), say.T("Crop"), "crop", true, []string{
		"crop", "cropname", "plant", "plantname", "species", "variety"}},
	colBatch: {FieldBatch, say.T("batch"), say.T("Batch"), "batch", false, []string{
		"batch", "batchnumber", "batchno", "batchnr", "batchid", "lot", "lotnumber", "lotno", "lotnr"}},
	colBay: {FieldBay, say.T("growing bay"), say.T("Growing bay"), "bay", false, []string{
		"bay", "growingbay", "baynumber", "bayno", "baynr"}},
	colUnits: {FieldUnits, say.T("units per package"), say.T("Units per package"), "units per package", true, []string{
		"unitsperpackage", "unitsperpack", "unitsinpackage", "unitsinapackage", "unitspackage",
		"plantsperpackage", "perpackage"}},
	colProblem: {"", say.T("problem"), say.T("Problem"), "problem", false, []string{"problem"}},
}

func (c column) field() string   { return known[c].field }
func (c column) words() say.Text { return known[c].words }
func (c column) label() say.Text { return known[c].label }

// byAlias finds a column by its folded name.
var byAlias = func() map[string]column {
	m := map[string]column{}
	for c := range columns {
		for _, a := range known[c].aliases {
			m[a] = c
		}
	}
	return m
}()

// fold makes names comparable: lower case, letters and digits only.
func fold(name string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsLetter(r) || unicode.IsDigit(r) {
			return unicode.ToLower(r)
		}
		return -1
	}, name)
}

// table is a decoded order file with its header understood.
type table struct {
	text    []byte
	sep     rune
	header  []string
	at      [columns]int // where each column is, -1 if absent
	unnamed []bool       // header fields without a name
	body    int          // offset of the first byte below the header
	above   int          // physical lines above body
	notices []say.Text
}

// separators in order of preference, should two fit equally well.
var separators = []struct {
	r    rune
	word say.Text
}{
	{';', say.T("semicolon")},
	{',', say.T("comma")},
	{'\t', say.T("tab")},
}

func (t *table) sepWord() say.Text {
	for _, s := range separators {
		if s.r == t.sep {
			return s.word
		}
	}
	return say.Text{}
}

func (t *table) lines() int { return countLines(t.text) }

// title is the name of a column as the file has it.
func (t *table) title(c column) string {
	if i := t.at[c]; i >= 0 {
		return strings.TrimSpace(t.header[i])
	}
	return known[c].title
}

// openTable finds the separator and reads the header. The separator is the one
// with which the header has most names that are known: a separator inside a
// quoted name then misleads nobody.
func openTable(text []byte) (*table, error) {
	seps := separators
	start := 0
	if r, n := sepLine(text); n > 0 {
		start = n
		for i, s := range separators {
			if s.r == r {
				seps = separators[i : i+1]
			}
		}
	}
	var best *table
	bestKnown := -1
	var firstErr error
	for _, s := range seps {
		t := &table{text: text, sep: s.r}
		if err := t.readHeader(start); err != nil {
			if firstErr == nil {
				firstErr = err
			}
			continue
		}
		n := 0
		for _, h := range t.header {
			if _, ok := byAlias[fold(h)]; ok {
				n++
			}
		}
		if n > bestKnown || n == bestKnown && len(t.header) > len(best.header) {
			best, bestKnown = t, n
		}
	}
	if best == nil {
		return nil, firstErr
	}
	return best, best.understand()
}

// sepLine reads a first line like "sep=;", which some spreadsheet programs
// write to name the separator, and gives its length.
func sepLine(text []byte) (rune, int) {
	end := bytes.IndexByte(text, '\n')
	if end < 0 {
		return 0, 0
	}
	s := strings.ToLower(strings.Trim(string(text[:end]), "\" "))
	if v, ok := strings.CutPrefix(s, "sep="); ok && len(v) == 1 {
		return rune(v[0]), end + 1
	}
	return 0, 0
}

func (t *table) readHeader(start int) error {
	r := csv.NewReader(bytes.NewReader(t.text[start:]))
	r.Comma, r.FieldsPerRecord = t.sep, -1
	for {
		rec, err := r.Read()
		var pe *csv.ParseError
		switch {
		case err == io.EOF:
			return say.Refuse(say.Invalid, "The file holds nothing but blank lines. The first line must name the columns; below it stands one line for each crop of a consignment.")
		case errors.As(err, &pe):
			line := bytes.Count(t.text[:start], []byte{'\n'}) + pe.StartLine
			return say.Refuse(say.Invalid, "The header row (line %d) cannot be read: a quotation mark is out of place. Put each name in quotation marks of its own, or use none.", line).Because(err)
		case err != nil:
			return say.Refuse(say.Invalid, "The header row cannot be read. Save the file again as CSV.").Because(err)
		case blank(rec):
			continue
		}
		t.header = rec
		t.body = start + int(r.InputOffset())
		t.above = bytes.Count(t.text[:t.body], []byte{'\n'})
		return nil
	}
}

// understand finds the columns in the header.
func (t *table) understand() error {
	t.unnamed = make([]bool, len(t.header))
	for c := range t.at {
		t.at[c] = -1
	}
	var found, unused []string
	for i, h := range t.header {
		name := shown(h)
		if name == "" {
			t.unnamed[i] = true
			continue
		}
		found = append(found, name)
		c, ok := byAlias[fold(h)]
		if !ok {
			unused = append(unused, name)
			continue
		}
		if j := t.at[c]; j >= 0 {
			return say.Refuse(say.Invalid, "The columns “%s” and “%s” both give the %s. Keep one of them.", shown(t.header[j]), name, known[c].words)
		}
		t.at[c] = i
	}
	if len(unused) == len(found) {
		return say.Refuse(say.Invalid, "The first line must name the columns, and none of its names is known; it reads: %s. Name them like this: consignment, invoice, customer, destination, dispatch, packages, crop, batch, bay, units per package.", listed(found))
	}
	var missing []say.Text
	for c := range columns {
		if known[c].required && t.at[c] < 0 {
			missing = append(missing, say.T("%s (“%s”)", known[c].words, known[c].title))
		}
		if c == colCount && t.at[colCount] < 0 && t.at[colList] < 0 {
			missing = append(missing, say.T("package count or package list (“packages” or “package list”)"))
		}
	}
	switch len(missing) {
	case 0:
	case 1:
		return say.Refuse(say.Invalid, "The column for the %s is missing; the columns found are: %s. Add it to the header and read the file again.", missing[0], listed(found))
	default:
		return say.Refuse(say.Invalid, "The columns for these are missing: %s; the columns found are: %s. Add them to the header and read the file again.", missing, listed(found))
	}
	if len(unused) > 0 {
		t.notices = append(t.notices, say.T("These columns are not known and were ignored: %s.", listed(unused)))
	}
	var without []say.Text
	for _, c := range []column{colInvoice, colBatch} {
		if t.at[c] < 0 {
			without = append(without, known[c].words)
		}
	}
	if len(without) > 0 {
		t.notices = append(t.notices, say.T("The file has no column for: %s. The records will not show it.", without))
	}
	return nil
}

// repeats reports whether a line is the header once more, as in files that were
// joined end to end.
func (t *table) repeats(rec []string) bool {
	return slices.EqualFunc(rec, t.header, func(a, b string) bool { return a == b || clean(a) == clean(b) })
}

// listed joins names, the first twenty of them.
func listed(names []string) string {
	const most = 20
	if len(names) > most {
		return strings.Join(names[:most], ", ") + ", …"
	}
	return strings.Join(names, ", ")
}

// rowReader reads the records below the header. After a quotation mark in the
// wrong place it goes on at the next physical line, so that one slip does not
// cost the rest of the file. Every odd quotation mark is looked at twice at
// most, so the work stays proportional to the file.
type rowReader struct {
	text  []byte
	sep   rune
	start int // offset where r began
	above int // physical lines above start
	src   *bytes.Reader
	buf   *bufio.Reader
	r     *csv.Reader
	lines *splitter
}

func (t *table) rows() *rowReader {
	rr := &rowReader{text: t.text, sep: t.sep, src: bytes.NewReader(nil), lines: newSplitter(t.sep)}
	rr.buf = bufio.NewReader(rr.src)
	rr.restart(t.body, t.above)
	return rr
}

func (rr *rowReader) restart(start, above int) {
	rr.start, rr.above = start, above
	rr.src.Reset(rr.text[start:])
	rr.buf.Reset(rr.src)
	rr.r = csv.NewReader(rr.buf) // takes buf as it is
	rr.r.Comma, rr.r.FieldsPerRecord = rr.sep, -1
}

func (rr *rowReader) next() (*row, bool) {
	from := rr.start + int(rr.r.InputOffset())
	rec, err := rr.r.Read()
	if err == io.EOF {
		return nil, false
	}
	for from < len(rr.text) && rr.text[from] == '\n' {
		from++ // as encoding/csv skips empty lines
	}
	if err == nil {
		line, _ := rr.r.FieldPos(0)
		to := rr.start + int(rr.r.InputOffset())
		return &row{
			line: rr.above + line,
			rec:  rec,
			raw:  bytes.TrimSuffix(rr.text[from:to], []byte{'\n'}),
		}, true
	}
	to := len(rr.text)
	if i := bytes.IndexByte(rr.text[from:], '\n'); i >= 0 {
		to = from + i
	}
	line := rr.above + 1 + bytes.Count(rr.text[rr.start:from], []byte{'\n'})
	raw := rr.text[from:to]
	rr.restart(min(to+1, len(rr.text)), line)
	return &row{line: line, rec: rr.lines.split(string(raw)), raw: raw, broken: err}, true
}

// splitter splits single physical lines. It keeps its buffer, as a spoilt file
// may have a great many of them.
type splitter struct {
	sep rune
	src *strings.Reader
	buf *bufio.Reader
}

func newSplitter(sep rune) *splitter {
	src := strings.NewReader("")
	return &splitter{sep: sep, src: src, buf: bufio.NewReader(src)}
}

// split gives the fields of a line as well as they can be told.
func (s *splitter) split(line string) []string {
	if !strings.Contains(line, `"`) {
		return strings.Split(line, string(s.sep))
	}
	s.src.Reset(line + "\n")
	s.buf.Reset(s.src)
	r := csv.NewReader(s.buf) // takes buf as it is
	r.Comma, r.FieldsPerRecord, r.LazyQuotes = s.sep, -1, true
	rec, err := r.Read()
	if err != nil || strings.HasSuffix(rec[len(rec)-1], "\n") {
		// A field that is never closed would swallow the rest.
		return strings.Split(line, string(s.sep))
	}
	return rec
}

func brokenText(err error) say.Text {
	if errors.Is(err, csv.ErrBareQuote) {
		return say.T("A quotation mark stands in the middle of a field. Put the whole field in quotation marks and write the inner one twice, like this: \"5\"\" pot\".")
	}
	return say.T("A quotation mark is opened on this line and not closed where the field ends. Close it, and write each quotation mark inside a field twice.")
}
