package order

import (
	"bytes"
	"errors"
	"fmt"
	"hash/maphash"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"lastlook/internal/say"
)

// Consignment is an order that can be registered as it stands.
type Consignment struct {
	Number      string
	Invoice     string // may be empty
	Customer    string
	Destination string
	Dispatch    time.Time // in the location of the Options, whole seconds
	Lines       []Line    // at least one, in the order of the file
	FirstLine   int       // line of the file where it begins, from 1
}

// Packages is the number of packages of all lines.
func (c Consignment) Packages() int {
	n := 0
	for _, l := range c.Lines {
		n += l.Packages
	}
	return n
}

// Line is a crop line: the packages of one crop and batch.
type Line struct {
	Crop            string
	Batch           string   // may be empty
	Bay             string   // growing bay; may be empty
	Packages        int      // 1 … MaxPackages
	Refs            []string // the nursery's own marks, one a package; nil if only counted
	UnitsPerPackage int      // 1 … MaxUnits
	FileLine        int      // line of the file where it begins, from 1
}

// Problem is one thing that is wrong in a line.
type Problem struct {
	Line   int      // line of the file where the record begins, from 1
	Number string   // consignment number, "" if the line has none
	Field  string   // one of the Field constants, or "" for the line as a whole
	Text   say.Text // what is wrong and what to do next
	Value  string   // what was read, cut short if long
}

// NotTaken is a consignment that was left out because of a wrong line.
type NotTaken struct {
	Number  string
	Lines   []int // all its lines in the file
	Because []int // the wrong ones, or a wrong one beside them
	Text    say.Text
}

// Result is what was found in an order file.
type Result struct {
	Consignments []Consignment // wholly good, in the order of the file
	NotTaken     []NotTaken    // in the order of the file
	Problems     []Problem     // by line
	Notices      []say.Text    // about the file as a whole; nothing was left out for them
	Lines        int           // lines below the header, blank ones not counted

	sep      rune
	header   []string
	rejected []rejectedRow
}

// Options are what the reader must know besides the file.
type Options struct {
	// Now is the moment before which a dispatch time is in the past.
	Now time.Time
	// Loc is where a dispatch time without a zone is meant; nil means UTC.
	Loc *time.Location
	// Progress, if set, is called now and then with lines read and lines in
	// all, both physical, and last with both equal.
	Progress func(done, total int)
}

// ReadFrom is Read for a reader. It stops reading beyond MaxBytes.
func ReadFrom(src io.Reader, opt Options) (*Result, error) {
	b, err := io.ReadAll(io.LimitReader(src, MaxBytes+1))
	if err != nil {
		return nil, say.Refuse(say.Invalid, "The file could not be read to its end. Nothing was taken; choose the file again.").Because(err)
	}
	return Read(b, opt)
}

// Read reads an order file. The error is a *say.Refusal and means that the file
// as a whole cannot be read; wrong lines are Problems of the Result. Read does
// not change src and keeps no part of it.
func Read(src []byte, opt Options) (*Result, error) {
	if opt.Loc == nil {
		opt.Loc = time.UTC
	}
	text, notices, err := decode(src)
	if err != nil {
		return nil, err
	}
	tab, err := openTable(text)
	if err != nil {
		return nil, err
	}
	p := &parser{
		opt:    opt,
		tab:    tab,
		groups: map[string]*group{},
		seed:   maphash.MakeSeed(),
		res: &Result{
			Notices: append(notices, tab.notices...),
			sep:     tab.sep,
			header:  tab.header,
		},
	}
	if err := p.all(); err != nil {
		return nil, err
	}
	p.finish()
	return p.res, nil
}

// group gathers the lines of one consignment.
type group struct {
	Consignment
	hasHead    bool // a line gave the fields of the consignment
	headLine   int  // that line
	dispatched bool // its dispatch time could be read
	packages   int
	rows       []*row
	because    []int // lines for which it is not taken
	refs       map[string]int
	seen       map[uint64][]int // hash of a crop line → indices into Lines
	notTaken   say.Text
}

func (g *group) blame(line int) {
	if n := len(g.because); n == 0 || g.because[n-1] != line {
		g.because = append(g.because, line)
	}
}

type suspect struct {
	key  string
	line int
}

type parser struct {
	opt      Options
	tab      *table
	res      *Result
	groups   map[string]*group
	order    []*group
	rows     []*row
	last     *group // of the line above
	suspects []suspect
	seed     maphash.Seed
	listed   int // references made so far
}

// progressEvery is how many lines are read between two reports.
const progressEvery = 500

func (p *parser) all() error {
	total := p.tab.lines()
	report := p.opt.Progress
	if report == nil {
		report = func(int, int) {}
	}
	rr := p.tab.rows()
	headAgain := false
	for {
		rw, ok := rr.next()
		if !ok {
			break
		}
		if rw.blank() {
			continue
		}
		if p.tab.repeats(rw.rec) {
			if !headAgain {
				p.res.Notices = append(p.res.Notices, say.T("Line %d repeats the header row and was passed over.", rw.line))
			}
			headAgain = true
			continue
		}
		p.res.Lines++
		if p.res.Lines > MaxLines {
			return say.Refuse(say.Invalid, "This file has more than %d lines. Nothing was taken; split it into smaller files.", MaxLines)
		}
		p.row(rw)
		if p.listed > MaxListed {
			return say.Refuse(say.Invalid, "The package lists of this file name more than %d packages, up to line %d. Nothing was taken; split it into smaller files.", MaxListed, rw.line)
		}
		if p.res.Lines%progressEvery == 0 {
			report(min(rw.line, total), total)
		}
	}
	if p.res.Lines == 0 {
		return say.Refuse(say.Invalid, "The file has a header row and nothing below it. Write one line for each crop of a consignment.")
	}
	report(total, total)
	return nil
}

// wrong notes a problem of a line; its consignment is then not taken.
func (p *parser) wrong(rw *row, field, value string, text say.Text) {
	pr := Problem{Line: rw.line, Field: field, Text: text, Value: shown(value)}
	if rw.group != nil {
		pr.Number = rw.group.Number
		rw.group.blame(rw.line)
	}
	rw.problems = append(rw.problems, text)
	p.res.Problems = append(p.res.Problems, pr)
}

// row takes one line in.
func (p *parser) row(rw *row) {
	p.rows = append(p.rows, rw)
	number, err := CleanText(rw.at(p.tab, colNumber))
	if err == nil && number != "" {
		rw.group = p.group(number, rw.line)
		rw.group.rows = append(rw.group.rows, rw)
		p.last = rw.group
	} else if p.last != nil {
		// The line may be a crop line of the consignment above. Taking that one
		// without it could let packages leave unseen.
		p.last.blame(rw.line)
	}
	p.check(rw, number, err)
	if len(rw.problems) > 0 {
		p.suspect(rw)
	}
}

// check reads the fields of a line and files it with its consignment.
func (p *parser) check(rw *row, number string, numberErr error) {
	g := rw.group
	if rw.broken != nil {
		p.wrong(rw, "", string(rw.raw), brokenText(rw.broken))
		return
	}
	if v, extra := rw.extra(p.tab); extra {
		p.wrong(rw, "", v, say.T("“%s” stands under no column name. A %s inside a field must be within quotation marks; otherwise remove the value or name its column.", shown(v), p.tab.sepWord()))
		return
	}
	if short := rw.short(p.tab); len(short) > 0 {
		p.wrong(rw, "", string(rw.raw), say.T("This line ends before its fields are complete (%d of %d): it lacks the %s. Write the missing fields.", len(rw.rec), len(p.tab.header), short))
		return
	}

	switch {
	case numberErr != nil:
		p.refused(rw, colNumber, numberErr)
	case g == nil && p.last != nil:
		p.wrong(rw, FieldNumber, "", say.T("The consignment number is missing. Write it on every line; %s above is held back in case this line belongs to it.", p.last.Number))
	case g == nil:
		p.wrong(rw, FieldNumber, "", say.T("The consignment number is missing. Write it on every line."))
	case g.Number != number:
		p.wrong(rw, FieldNumber, number, say.T("The consignment number is written %s here and %s on line %d. Write it in one way.", number, g.Number, g.FirstLine))
	}

	p.head(rw)
	p.line(rw)
}

// head reads the fields that all lines of a consignment share.
func (p *parser) head(rw *row) {
	g := rw.group
	var h Consignment
	for _, f := range []struct {
		col column
		to  *string
	}{{colInvoice, &h.Invoice}, {colCustomer, &h.Customer}, {colDestination, &h.Destination}} {
		v, err := CleanText(rw.at(p.tab, f.col))
		if err != nil {
			p.refused(rw, f.col, err)
			continue
		}
		*f.to = v
	}
	raw := rw.at(p.tab, colDispatch)
	dispatched := false
	if strings.TrimSpace(raw) != "" {
		t, err := ParseDispatch(raw, p.opt.Loc)
		if err == nil {
			h.Dispatch, dispatched = t, true
			err = Upcoming(t, p.opt.Now)
		}
		if err != nil {
			p.refused(rw, colDispatch, err)
		}
	}
	if g == nil {
		return
	}

	if !g.hasHead {
		if g.rows[0] == rw {
			for _, f := range []struct {
				col   column
				value string
			}{{colCustomer, h.Customer}, {colDestination, h.Destination}, {colDispatch, raw}} {
				if strings.TrimSpace(f.value) == "" && !rw.refused[f.col] {
					p.missing(rw, f.col)
				}
			}
		}
		g.Invoice, g.Customer, g.Destination, g.Dispatch = h.Invoice, h.Customer, h.Destination, h.Dispatch
		g.hasHead, g.headLine, g.dispatched = true, rw.line, dispatched
		return
	}
	for _, f := range []struct {
		col         column
		here, there string
	}{
		{colInvoice, h.Invoice, g.Invoice},
		{colCustomer, h.Customer, g.Customer},
		{colDestination, h.Destination, g.Destination},
	} {
		switch {
		case f.here == "" || f.here == f.there:
		case f.there != "":
			p.wrong(rw, f.col.field(), f.here, say.T("The %s is “%s” here but “%s” on line %d of the same consignment. Make them the same, or leave it empty here.", f.col.words(), shown(f.here), shown(f.there), g.headLine))
		case f.col == colInvoice:
			p.wrong(rw, f.col.field(), f.here, say.T("The %s is “%s” here but empty on line %d, where the consignment begins. Write it there too.", f.col.words(), shown(f.here), g.headLine))
		}
	}
	if dispatched && g.dispatched && !h.Dispatch.Equal(g.Dispatch) {
		p.wrong(rw, FieldDispatch, raw, say.T("The %s is %s here but %s on line %d of the same consignment. Make them the same, or leave it empty here.", colDispatch.words(), moment(h.Dispatch), moment(g.Dispatch), g.headLine))
	}
}

// line reads the fields of the crop line itself.
func (p *parser) line(rw *row) {
	g := rw.group
	l := Line{FileLine: rw.line}
	for _, f := range []struct {
		col column
		to  *string
	}{{colCrop, &l.Crop}, {colBatch, &l.Batch}, {colBay, &l.Bay}} {
		v, err := CleanText(rw.at(p.tab, f.col))
		switch {
		case err != nil:
			p.refused(rw, f.col, err)
		case v == "" && f.col == colCrop:
			p.missing(rw, f.col)
		}
		*f.to = v
	}

	count, list := rw.at(p.tab, colCount), rw.at(p.tab, colList)
	hasCount, hasList := strings.TrimSpace(count) != "", strings.TrimSpace(list) != ""
	if !hasCount && !hasList {
		p.wrong(rw, FieldPackages, "", say.T("Neither a package count nor a package list is given. Write one of them."))
	}
	if hasCount {
		n, err := ParseCount(count, MaxPackages)
		if err != nil {
			p.refused(rw, colCount, err)
		}
		l.Packages = n
	}
	if hasList {
		refs, made, err := parseRefs(list)
		p.listed += made
		switch {
		case err != nil:
			p.refused(rw, colList, err)
		case l.Packages != 0 && l.Packages != len(refs):
			p.wrong(rw, FieldRefs, list, say.T("The package count says %d and the package list has %d references (%s). Correct one of them.", l.Packages, len(refs), ends(refs)))
		default:
			l.Refs, l.Packages = refs, len(refs)
		}
	}

	units := rw.at(p.tab, colUnits)
	if strings.TrimSpace(units) == "" {
		p.missing(rw, colUnits)
	} else if n, err := ParseCount(units, MaxUnits); err != nil {
		p.refused(rw, colUnits, err)
	} else {
		l.UnitsPerPackage = n
	}

	if g == nil || len(rw.problems) > 0 {
		return
	}
	first, sum := p.seen(g, &l)
	if first != 0 {
		p.wrong(rw, "", "", say.T("This line says the same as line %d. Remove one of them, or add up their packages in one line.", first))
		return
	}
	if ref, first := g.claim(l.Refs, rw.line); first != 0 {
		p.wrong(rw, FieldRefs, ref, say.T("Package %s is already in the list of line %d of the same consignment. Correct one of the two lists.", ref, first))
		return
	}
	if g.packages+l.Packages > MaxPackages {
		p.wrong(rw, FieldPackages, count, say.T("With this line the consignment has %d packages; at most %d are possible. Split the consignment.", g.packages+l.Packages, MaxPackages))
		return
	}
	g.packages += l.Packages
	if g.seen == nil {
		g.seen = map[uint64][]int{}
	}
	g.seen[sum] = append(g.seen[sum], len(g.Lines))
	g.Lines = append(g.Lines, l)
}

// seen gives the line of the file on which the consignment has the same crop
// line already, or 0, and the hash under which to remember it.
func (p *parser) seen(g *group, l *Line) (first int, sum uint64) {
	var h maphash.Hash
	h.SetSeed(p.seed)
	var num []byte
	for _, s := range [...]string{l.Crop, l.Batch, l.Bay} {
		h.WriteString(s)
		h.WriteByte(0)
	}
	num = strconv.AppendInt(num, int64(l.Packages), 10)
	num = append(num, ' ')
	num = strconv.AppendInt(num, int64(l.UnitsPerPackage), 10)
	h.Write(num)
	sum = h.Sum64()
	for _, i := range g.seen[sum] {
		o := &g.Lines[i]
		if o.Crop == l.Crop && o.Batch == l.Batch && o.Bay == l.Bay && o.Packages == l.Packages &&
			o.UnitsPerPackage == l.UnitsPerPackage && slices.Equal(o.Refs, l.Refs) {
			return o.FileLine, sum
		}
	}
	return 0, sum
}

// claim notes the references of a line. If one is taken it gives that one and
// the line that has it.
func (g *group) claim(refs []string, line int) (string, int) {
	if len(refs) == 0 {
		return "", 0
	}
	for _, r := range refs {
		if first := g.refs[r]; first != 0 {
			return r, first
		}
	}
	if g.refs == nil {
		g.refs = make(map[string]int, len(refs))
	}
	for _, r := range refs {
		g.refs[r] = line
	}
	return "", 0
}

func (p *parser) missing(rw *row, col column) {
	p.wrong(rw, col.field(), "", say.T("The %s is missing. Write it in column “%s”.", col.words(), shown(p.tab.title(col))))
}

// refused notes what a single-field reader said.
func (p *parser) refused(rw *row, col column, err error) {
	rw.refused[col] = true
	p.wrong(rw, col.field(), rw.at(p.tab, col), say.T("%s: %s", col.label(), textOf(err)))
}

func (p *parser) group(number string, line int) *group {
	key := strings.ToLower(number)
	g := p.groups[key]
	if g == nil {
		g = &group{}
		g.Number, g.FirstLine = number, line
		p.groups[key] = g
		p.order = append(p.order, g)
	}
	return g
}

// suspect looks into a wrong record of several physical lines: a quotation mark
// in the wrong place may have swallowed whole lines, and the consignments they
// belong to must not be taken without them.
func (p *parser) suspect(rw *row) {
	if bytes.IndexByte(rw.raw, '\n') < 0 {
		return
	}
	at := p.tab.at[colNumber]
	least := max(at, p.tab.at[colCrop], p.tab.at[colUnits]) // separators in a line that could be taken
	_, rest, _ := strings.Cut(string(rw.raw), "\n")
	lines := newSplitter(p.tab.sep)
	for s := range strings.SplitSeq(rest, "\n") {
		if strings.Count(s, string(p.tab.sep)) < least {
			continue
		}
		rec := lines.split(s)
		if at >= len(rec) {
			continue
		}
		if number, err := CleanText(rec[at]); err == nil && number != "" {
			p.suspects = append(p.suspects, suspect{strings.ToLower(number), rw.line})
		}
	}
}

func (p *parser) finish() {
	for _, s := range p.suspects {
		if g := p.groups[s.key]; g != nil {
			g.blame(s.line)
		}
	}
	for _, g := range p.order {
		if len(g.because) == 0 {
			p.res.Consignments = append(p.res.Consignments, g.Consignment)
			continue
		}
		slices.Sort(g.because)
		g.because = slices.Compact(g.because)
		g.notTaken = because(g.Number, g.because)
		nt := NotTaken{Number: g.Number, Because: g.because, Text: g.notTaken}
		for _, rw := range g.rows {
			nt.Lines = append(nt.Lines, rw.line)
		}
		p.res.NotTaken = append(p.res.NotTaken, nt)
	}
	for _, rw := range p.rows {
		switch {
		case len(rw.problems) > 0:
			p.res.rejected = append(p.res.rejected, rejectedRow{rw.rec, rw.problems})
		case len(rw.group.because) > 0:
			p.res.rejected = append(p.res.rejected, rejectedRow{rw.rec, []say.Text{rw.group.notTaken}})
		}
	}
	far := p.opt.Now.AddDate(1, 0, 0)
	for _, c := range p.res.Consignments {
		if !p.opt.Now.IsZero() && c.Dispatch.After(far) {
			p.res.Notices = append(p.res.Notices, say.T("%s (line %d) leaves more than a year from now, on %s. Check the dispatch time.", c.Number, c.FirstLine, moment(c.Dispatch)))
		}
	}
}

// because says why a consignment was not taken.
func because(number string, lines []int) say.Text {
	if len(lines) == 1 {
		return say.T("%s was not taken because line %d is wrong.", number, lines[0])
	}
	const most = 5
	var b strings.Builder
	for i, l := range lines[:min(len(lines), most)] {
		if i > 0 {
			b.WriteString(", ")
		}
		fmt.Fprint(&b, l)
	}
	if more := len(lines) - most; more > 0 {
		return say.T("%s was not taken because lines %s and %d more are wrong.", number, b.String(), more)
	}
	return say.T("%s was not taken because lines %s are wrong.", number, b.String())
}

// textOf is the sentence of a refusal by one of this package's readers.
func textOf(err error) say.Text {
	var r *say.Refusal
	if errors.As(err, &r) {
		return r.Text
	}
	return say.T("It cannot be read. Write it again.")
}

// row is one record of the file.
type row struct {
	line     int
	rec      []string
	raw      []byte // the record as it stands in the file, without blank lines before it
	broken   error  // encoding/csv could not read it; rec is then a best guess
	group    *group // nil if the line has no consignment number
	problems []say.Text
	refused  [columns]bool
}

func (rw *row) blank() bool { return rw.broken == nil && blank(rw.rec) }

func (rw *row) at(t *table, c column) string {
	if i := t.at[c]; i >= 0 && i < len(rw.rec) {
		return rw.rec[i]
	}
	return ""
}

// extra gives a value that stands under no column name.
func (rw *row) extra(t *table) (string, bool) {
	for i, v := range rw.rec {
		if (i >= len(t.header) || t.unnamed[i]) && strings.TrimSpace(v) != "" {
			return v, true
		}
	}
	return "", false
}

// short lists what a line that ends too early lacks. Programs that write
// tables leave out empty fields at the end, so only what every line must have counts.
func (rw *row) short(t *table) []say.Text {
	if len(rw.rec) >= len(t.header) {
		return nil
	}
	var ws []say.Text
	for _, c := range []column{colNumber, colCrop, colUnits} {
		if t.at[c] >= len(rw.rec) {
			ws = append(ws, c.words())
		}
	}
	return ws
}

func blank(rec []string) bool {
	for _, v := range rec {
		if strings.TrimSpace(v) != "" {
			return false
		}
	}
	return true
}

// countLines counts the physical lines of text.
func countLines(text []byte) int {
	n := bytes.Count(text, []byte{'\n'})
	if len(text) > 0 && text[len(text)-1] != '\n' {
		n++
	}
	return n
}
