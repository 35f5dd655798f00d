package record

import (
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"

	"lastlook/internal/consignment"
	"lastlook/internal/ladder"
	"lastlook/internal/people"
	"lastlook/internal/say"
)

// Document is a record laid out for reading, on screen and on paper alike.
type Document struct {
	Title    say.Text
	Tag      Tag
	Finished bool
	Standing say.Text // why it is not finished
	Zone     say.Text // which times are shown
	Program  string
	Invented bool
	Created  time.Time // of the newest step
	Sections []Section
}

// Tag is the consignment as the tag by which it is known everywhere.
type Tag struct {
	Code        string
	Number      string
	Customer    string
	Destination string
	Packages    say.Text
	LeaveBy     say.Text
	// Outcome is that of the newest round, "" if that is under way or there is none.
	Outcome consignment.Outcome
	Word    say.Text // of the outcome, or for there being none
	At      say.Text // when it ended
	Until   say.Text // how long it holds; only of a pass
}

// Section is a part of the document with a title of its own.
type Section struct {
	ID     string // for links
	Title  say.Text
	Blocks []Block
}

// Block is one piece of a section; exactly one of its fields but Heading is set.
// A heading goes with the piece below it.
type Block struct {
	Heading say.Text
	Notice  say.Text   // stands out
	Text    []say.Text // sentences of one paragraph
	List    []say.Text
	Facts   []Fact
	Answers []Answer
	Table   *Table
	Photos  []Picture
	Sign    []say.Text // lines to sign on
	Symbol  *Symbol
}

// Symbol is a QR Code with what stands beside it.
type Symbol struct {
	Text    string // what it says when scanned
	Caption say.Text
}

// Value is something that people or orders wrote (Data), or a sentence (Text).
type Value struct {
	Data string
	Text say.Text
}

// Fact is a value with its name.
type Fact struct {
	Label say.Text
	Value
}

// Table is a table; every row has a value for each column.
type Table struct {
	Caption say.Text
	Columns []Column
	Rows    [][]Value
}

// Column is a column of a table. Share is its part of the width; the shares
// of a table add up to 100.
type Column struct {
	Label say.Text
	Share float64
}

// Picture is a photo with what stands under it.
type Picture struct {
	Photo
	Caption say.Text
}

const (
	minutes = "2006-01-02 15:04"
	seconds = "2006-01-02 15:04:05"
)

// layout writes a document with the times of one zone.
type layout struct {
	*Record
	zone   *time.Location
	marked bool // each time names its offset, as there are several
}

// Document lays the record out, with times as a clock in the given zone shows
// them. The history at the end has them in UTC.
func (r *Record) Document(zone *time.Location) Document {
	l := &layout{Record: r, zone: zone}
	zoneText := l.zoneText() // first, as it settles how times are written
	d := Document{
		Title: say.T("Record of consignment %s", r.Number), Tag: l.tag(), Finished: r.Finished, Standing: r.Standing,
		Zone: zoneText, Program: r.Program, Invented: r.Invented, Created: r.LastAt,
	}
	d.Sections = append(d.Sections, l.summary(), l.order())
	for _, round := range r.Rounds {
		d.Sections = append(d.Sections, l.round(round))
	}
	if len(r.Ahead) > 0 {
		s := Section{ID: "ahead", Title: say.T("Round %d, not sealed yet", len(r.Rounds)+1)}
		l.checks(&s, r.Ahead, false)
		d.Sections = append(d.Sections, s)
	}
	if r.After != nil {
		d.Sections = append(d.Sections, l.after(r.After))
	}
	if len(r.Amendments) > 0 {
		d.Sections = append(d.Sections, l.amendments())
	}
	d.Sections = append(d.Sections, l.sign(), l.history())
	return d
}

// zoneText names the offset of the times shown, or says that they differ.
func (l *layout) zoneText() say.Text {
	times := []time.Time{l.DispatchAt}
	for _, s := range l.History {
		times = append(times, s.At)
	}
	var names []string
	for _, t := range times {
		if n := offset(t.In(l.zone)); !slices.Contains(names, n) {
			names = append(names, n)
		}
	}
	if len(names) > 1 {
		l.marked = true
		return say.T("Times are those of the clock at the bench, each with its zone: %s. The history is in UTC.", strings.Join(names, "; "))
	}
	return say.T("Times are those of the clock at the bench: %s. The history is in UTC.", names[0])
}

// offset names the zone of t: "CET (UTC+01:00)", "UTC+05:30", "UTC".
func offset(t time.Time) string {
	name, sec := t.Zone()
	if sec == 0 && (name == "UTC" || name == "") {
		return "UTC"
	}
	of := "UTC" + t.Format("-07:00")
	if name == "" || name[0] == '+' || name[0] == '-' {
		return of
	}
	return name + " (" + of + ")"
}

func (l *layout) time(t time.Time) string {
	if t.IsZero() {
		return "–"
	}
	t = t.In(l.zone)
	if !l.marked {
		return t.Format(minutes)
	}
	name, _ := t.Zone()
	return t.Format(minutes) + " " + name
}

func (l *layout) tag() Tag {
	t := Tag{
		Code: l.Code, Number: l.Number, Customer: l.Customer, Destination: l.Destination,
		Packages: packages(l.Packages), LeaveBy: say.T("leave by %s", l.time(l.DispatchAt)),
		Word: say.T("Not inspected"),
	}
	if r := l.newest(); r != nil {
		t.Word = say.T("Under way")
		if o := r.Outcome; o != nil {
			t.Outcome, t.Word, t.At = o.Outcome, o.Outcome.Words(), say.T("%s", l.time(o.At))
			if len(l.Kept) > 0 && o.Outcome == consignment.Passed { // a hold takes the pass away
				t.Outcome, t.Word = consignment.Held, say.T("Kept back")
			} else if !o.ValidUntil.IsZero() {
				t.Until = say.T("valid until %s", l.time(o.ValidUntil))
			}
		}
	}
	return t
}

func packages(n int) say.Text {
	if n == 1 {
		return say.T("1 package")
	}
	return say.T("%d packages", n)
}

func (l *layout) newest() *Round {
	if len(l.Rounds) == 0 {
		return nil
	}
	return &l.Rounds[len(l.Rounds)-1]
}

func data(label say.Text, s string) Fact        { return Fact{label, Value{Data: s}} }
func text(label say.Text, t say.Text) Fact      { return Fact{label, Value{Text: t}} }
func said(key string, args ...any) Value        { return Value{Text: say.T(key, args...)} }
func written(s string) Value                    { return Value{Data: s} }
func column(share float64, label string) Column { return Column{say.T(label), share} }
func paragraph(texts ...say.Text) Block         { return Block{Text: texts} }
func (b Block) under(heading string, a ...any) Block {
	b.Heading = say.T(heading, a...)
	return b
}

// who says who did something, when and where: "2026-11-25 08:12 · Tam Orrin · bench 1".
func (l *layout) who(m Moment) Value {
	if !m.Done() {
		return said("not done")
	}
	parts := []string{l.time(m.At)}
	for _, p := range []string{m.By, m.Bench} {
		if p != "" {
			parts = append(parts, apart(p))
		}
	}
	return written(strings.Join(parts, " · "))
}

// apart keeps text that runs from right to left, or that says so, from turning
// round what stands beside it on a line: it is put between FIRST STRONG ISOLATE
// and POP DIRECTIONAL ISOLATE (Unicode Standard Annex 9). Other text stays as it is.
func apart(s string) string {
	turns := func(r rune) bool {
		return unicode.Is(unicode.Cf, r) || r >= 0x0590 && r < 0x0900 || r >= 0xFB1D && r < 0xFF00 || r >= 0x10800 && r < 0x11000 || r >= 0x1E800 && r < 0x1F000
	}
	if !strings.ContainsFunc(s, turns) {
		return s
	}
	return "\u2068" + s + "\u2069"
}

func (l *layout) whoFact(label string, m Moment) Fact { return Fact{say.T(label), l.who(m)} }

// step is a moment in a narrow column.
func (l *layout) step(m Moment) Value {
	if !m.Done() {
		return written("–")
	}
	return written(l.time(m.At) + "\n" + apart(m.By))
}

// summary puts what most readers come for first.
func (l *layout) summary() Section {
	s := Section{ID: "result", Title: say.T("Result")}
	if !l.Finished {
		s.Blocks = append(s.Blocks, Block{Notice: l.Standing})
	}
	r := l.newest()
	if r == nil {
		return s
	}
	if len(l.Rounds) > 1 {
		s.Blocks = append(s.Blocks, paragraph(say.T("This consignment was inspected %d times. The result is that of round %d, the newest; the rounds before it are on record below.", len(l.Rounds), r.Number)))
	}
	if len(l.Kept) > 0 {
		s.Blocks = append(s.Blocks, Block{Notice: say.T("It is kept back, whatever its inspection says: %s", sentences(l.kept()))})
	}
	if o := r.Outcome; o != nil {
		facts := []Fact{text(say.T("Outcome"), o.Outcome.Words()), l.whoFact("Decided", o.Moment)}
		if a := l.After; a != nil && a.Dispatched != nil {
			facts = append(facts, l.whoFact("Left", a.Dispatched.Moment))
		}
		if !o.ValidUntil.IsZero() {
			facts = append(facts, text(say.T("Valid until"), say.T("%s (%d hours after the first package was opened)", l.time(o.ValidUntil), r.Rules.WindowHours)))
		}
		s.Blocks = append(s.Blocks, Block{Facts: facts}, Block{List: o.Reasons}.under("Reasons"))
	} else if len(r.Missing) > 0 {
		s.Blocks = append(s.Blocks, Block{List: r.Missing}.under("Still to be done"))
	}
	s.Blocks = append(s.Blocks, paragraph(r.Shows...).under("What it can and cannot show"))
	if len(r.Cautions) > 0 {
		s.Blocks = append(s.Blocks, Block{List: r.Cautions}.under("Take care"))
	}
	return s
}

// order is the consignment itself.
func (l *layout) order() Section {
	s := Section{ID: "consignment", Title: say.T("Consignment")}
	facts := []Fact{
		data(say.T("Number"), l.Number),
		data(say.T("Code on the labels"), l.Code),
	}
	if l.Invoice != "" {
		facts = append(facts, data(say.T("Invoice"), l.Invoice))
	}
	facts = append(facts,
		data(say.T("Customer"), l.Customer),
		data(say.T("Destination"), l.Destination),
		data(say.T("Leaves"), l.time(l.DispatchAt)),
		text(say.T("Packages"), packages(l.Packages)),
		l.whoFact("Taken in", l.TakenIn))
	if l.Source != "" {
		facts = append(facts, data(say.T("From"), l.Source))
	}
	s.Blocks = append(s.Blocks, Block{Facts: facts}, lines(say.T("Crop lines"), l.Lines, nil))
	if len(l.Changes) > 0 {
		t := &Table{Caption: say.T("Changes to the order"), Columns: []Column{column(30, "When and who"), column(40, "What"), column(30, "Why")}}
		for _, c := range l.Changes {
			what := say.T("Crop line %d: %d packages instead of %d", c.Line, c.Now, c.Was)
			if !c.DispatchAt.IsZero() {
				what = say.T("Leaves at %s", l.time(c.DispatchAt))
			}
			t.Rows = append(t.Rows, []Value{l.who(c.Moment), {Text: what}, written(c.Reason)})
		}
		s.Blocks = append(s.Blocks, Block{Table: t})
	}
	if len(l.Labels) > 0 {
		t := &Table{Caption: say.T("Labels printed"), Columns: []Column{column(40, "When and who"), column(25, "Packages"), column(35, "Why again")}}
		for _, p := range l.Labels {
			t.Rows = append(t.Rows, []Value{l.who(p.Moment), said("%d to %d", p.From, p.To), written(p.Reason)})
		}
		s.Blocks = append(s.Blocks, Block{Table: t})
	}
	return s
}

// Numbers writes package numbers as people do: ranges where they follow on.
func Numbers(ns []int) string {
	var b strings.Builder
	for i := 0; i < len(ns); {
		j := i
		for j+1 < len(ns) && ns[j+1] == ns[j]+1 {
			j++
		}
		if b.Len() > 0 {
			b.WriteString(", ")
		}
		fmt.Fprintf(&b, "%03d", ns[i])
		switch {
		case j == i+1:
			fmt.Fprintf(&b, ", %03d", ns[j])
		case j > i:
			fmt.Fprintf(&b, "–%03d", ns[j])
		}
		i = j + 1
	}
	return b.String()
}

// lines is the table of crop lines; with quotas also what was drawn from each.
func lines(caption say.Text, ls []consignment.Line, quotas []int) Block {
	t := &Table{Caption: caption, Columns: []Column{
		column(28, "Crop"), column(18, "Batch"), column(16, "Bay"), column(20, "Packages"), column(18, "Units in each"),
	}}
	if quotas != nil {
		t.Columns = []Column{column(28, "Crop"), column(18, "Batch"), column(16, "Packages"), column(18, "Units in each"), column(20, "To examine")}
	}
	first := 1
	for i, c := range ls {
		numbers := said("%d (%03d to %03d)", c.Packages, first, first+c.Packages-1)
		if n := len(c.Removed); n > 0 {
			numbers = said("%d (%03d to %03d, without %s)", c.Present(), first, first+c.Packages-1, Numbers(c.Removed))
		}
		switch c.Packages {
		case 0:
			numbers = said("none")
		case 1:
			numbers = said("1 (%03d)", first)
		}
		first += c.Packages
		row := []Value{written(c.Crop), written(c.Batch), written(c.Bay), numbers, said("%d", c.UnitsPerPackage)}
		if quotas != nil {
			q := 0
			if i < len(quotas) {
				q = quotas[i]
			}
			row = []Value{row[0], row[1], row[3], row[4], said("%d", q)}
		}
		t.Rows = append(t.Rows, row)
	}
	return Block{Table: t}
}

// round is one inspection from beginning to end.
func (l *layout) round(r Round) Section {
	s := Section{ID: fmt.Sprintf("round-%d", r.Number), Title: say.T("Round %d", r.Number)}
	add := func(bs ...Block) { s.Blocks = append(s.Blocks, bs...) }
	if r.Reason != "" {
		add(Block{Facts: []Fact{data(say.T("Inspected again because"), r.Reason)}})
	}
	add(rules(r.Rules))
	l.checks(&s, r.Checks, false)
	add(l.seal(r), lines(say.T("The sealed list of round %d", r.Number), r.Lines, r.quotas()))
	add(l.draw(r))
	if len(r.Replacements) > 0 {
		t := &Table{Caption: say.T("Packages that could not be reached in round %d", r.Number), Columns: []Column{
			column(12, "Package"), column(18, "Replaced by"), column(28, "When and who"), column(42, "Why")}}
		for _, rep := range r.Replacements {
			t.Rows = append(t.Rows, []Value{said("%03d", rep.Package), said("%03d", rep.Replacement), l.step(rep.Moment), written(rep.Reason)})
		}
		add(Block{Table: t})
	}
	add(l.exams(r))
	if len(r.Finds) == 0 {
		add(paragraph(say.T("No find was recorded.")).under("Finds"))
	}
	for _, f := range r.Finds {
		l.find(&s, f)
	}
	l.checks(&s, r.Checks, true)
	if len(r.Before) > 0 {
		t := &Table{Caption: say.T("Decided before, and decided again since"), Columns: []Column{column(30, "When and who"), column(20, "Outcome"), column(50, "Reasons")}}
		for _, o := range r.Before {
			t.Rows = append(t.Rows, []Value{l.step(o.Moment), {Text: o.Outcome.Words()}, {Text: sentences(o.Reasons)}})
		}
		add(Block{Table: t})
	}
	if o := r.Outcome; o != nil {
		facts := []Fact{text(say.T("Outcome"), o.Outcome.Words()), l.whoFact("Decided", o.Moment)}
		if !r.FirstOpened.IsZero() {
			facts = append(facts, data(say.T("First package opened"), l.time(r.FirstOpened)))
		}
		if !o.ValidUntil.IsZero() {
			facts = append(facts, data(say.T("Valid until"), l.time(o.ValidUntil)))
		}
		add(Block{Facts: facts}.under("Outcome of round %d", r.Number), Block{List: o.Reasons}.under("Reasons"))
		if r.Number < len(l.Rounds) { // that of the newest is in the result
			add(paragraph(r.Shows...).under("What it can and cannot show"))
		}
	} else {
		add(Block{Notice: say.T("Round %d is not finished: it has no outcome.", r.Number)})
	}
	return s
}

// quotas gives what was drawn from each line, or nil if the draw was not spread.
func (r Round) quotas() []int {
	if len(r.Quotas) == 0 {
		return nil
	}
	return r.Quotas
}

func rules(rs consignment.RuleSet) Block {
	facts := []Fact{
		text(say.T("Rule set"), say.T("version %d", rs.Version)),
		text(say.T("Packages to examine"), say.T("%v %% of the packages, rounded up, at least %d, at most all", rs.Rate.Percent(), rs.Minimum)),
		text(say.T("Window"), say.T("at most %d hours from the first package opened to dispatch", rs.WindowHours)),
	}
	if len(rs.Looks) > 0 {
		facts = append(facts, text(say.T("Looks at every unit"), looks(rs.Looks)))
	}
	if rs.RetentionYears > 0 {
		facts = append(facts, text(say.T("Record kept"), say.T("at least %d years (common practice; local law decides)", rs.RetentionYears)))
	}
	if rs.RemoveInfested != "" {
		facts = append(facts, text(say.T("Removal"), say.T("infested packages may be taken out: %s", rs.RemoveInfested.Words())))
	}
	if rs.DetailDetect > 0 {
		facts = append(facts, text(say.T("In detail"), say.T("of crop lines not affected so many that %s infested packages are found with %s confidence (ISPM 31)", rs.DetailDetect, rs.DetailConfidence)))
	}
	return Block{Facts: facts}.under("Rules in force")
}

// checks adds the bench checks of one phase, oldest first.
func (l *layout) checks(s *Section, cs []Check, after bool) {
	heading := "Bench check before"
	if after {
		heading = "Bench check after"
	}
	some := false
	for _, c := range cs {
		if c.After != after {
			continue
		}
		some = true
		fit := say.T("fit: every answer was yes")
		if !c.Fit() {
			fit = say.T("not fit: at least one answer was no")
		}
		facts := []Fact{l.whoFact("Checked", c.Moment), text(say.T("The bench was"), fit)}
		if c.Note != "" {
			facts = append(facts, data(say.T("Note"), c.Note))
		}
		s.Blocks = append(s.Blocks, Block{Facts: facts}.under(heading), Block{Answers: c.Items})
	}
	if !some {
		s.Blocks = append(s.Blocks, paragraph(say.T("Not done.")).under(heading))
	}
}

func (l *layout) seal(r Round) Block {
	agrees := say.T("Computed again from the list for this record: the same.")
	if !r.DigestAgrees {
		agrees = say.T("Computed again from the list for this record: NOT the same. The list was changed; do not rely on this record.")
	}
	return Block{Facts: []Fact{
		l.whoFact("Sealed", r.Sealed),
		text(say.T("Packages counted"), say.T("%d", r.Packages)),
		{say.T("Digest of the list (SHA-256)"), Value{Data: r.Digest, Text: agrees}},
	}}.under("Sealed package list")
}

func (l *layout) draw(r Round) Block {
	facts := []Fact{
		text(say.T("Packages to examine"), say.T("%d of %d", r.Examine, r.Packages)),
		text(say.T("Why that number"), sentences(r.Why)),
		l.whoFact("Drawn", r.Drawn),
		text(say.T("Drawn, in this order"), numbers(r.Draw)),
		{say.T("Seed of the draw"), Value{Data: r.Seed, Text: say.T("The order follows from the seed and the number of packages, by the published ChaCha8 generator and a Fisher–Yates shuffle. It was worked out again for this record: the same.")}},
		text(say.T("Where the seed came from"), r.SeedWhy),
	}
	if p := r.Proof; p != nil {
		facts = append(facts,
			data(say.T("Key of the draw"), p.Key.String()),
			Fact{say.T("Proof of the seed"), Value{Data: p.Proof.String(), Text: say.T("By RFC 9381, ECVRF-EDWARDS25519-SHA512-TAI. Anybody can check it who has the key from elsewhere: compare the key with the one the site made public.")}},
		)
	}
	return Block{Facts: facts}.under("Sample and draw")
}

// sentences joins sentences to a paragraph.
func sentences(ts []say.Text) say.Text { return joined(ts, " ") }

// joined joins texts with what stands between them.
func joined(ts []say.Text, between string) say.Text {
	args := make([]any, len(ts))
	for i, t := range ts {
		args[i] = t
	}
	return say.T(strings.TrimSuffix(strings.Repeat("%s"+between, len(ts)), between), args...)
}

// numbers joins package numbers.
func numbers(ns []int) say.Text {
	ts := make([]say.Text, len(ns))
	for i, n := range ns {
		ts[i] = say.T("%03d", n)
	}
	return say.T("%s", ts)
}

func (l *layout) exams(r Round) Block {
	t := &Table{Caption: say.T("Packages examined in round %d, in draw order", r.Number), Columns: []Column{
		column(6, "Draw"), column(17, "Package"), column(15, "Fetched"), column(15, "Opened"), column(15, "Closed"), column(13, "Units"), column(19, "Looks at every unit"),
	}}
	for _, x := range r.Exams {
		t.Rows = append(t.Rows, []Value{
			said("%d", x.Place), {Text: x.name()}, l.step(x.Fetched), l.step(x.Opened), l.step(x.Closed), {Text: x.units()}, {Text: x.looks()},
		})
	}
	return Block{Table: t}
}

func (x Exam) name() say.Text {
	t := say.T("%03d %s", x.Package, apart(x.Crop))
	if x.Batch != "" {
		t = say.T("%03d %s, %s", x.Package, apart(x.Crop), apart(x.Batch))
	}
	if x.Ref != "" {
		t = say.T("%s (marked %s)", t, apart(x.Ref))
	}
	if x.InPlaceOf != 0 {
		t = say.T("%s, in place of %03d", t, x.InPlaceOf)
	}
	return t
}

func (x Exam) units() say.Text {
	var t say.Text
	switch {
	case x.Counted == 0:
		return say.T("not counted; %d expected", x.Expected)
	case x.Counted == x.Expected:
		t = say.T("%d counted, as expected", x.Counted)
	default:
		t = say.T("%d counted, %d expected", x.Counted, x.Expected)
	}
	if x.Seen < x.Counted {
		t = say.T("%s; %d looked at", t, x.Seen)
	} else {
		t = say.T("%s; all looked at", t)
	}
	return t
}

func (x Exam) looks() say.Text {
	var t say.Text
	switch made, all := len(x.Looks), len(x.Looks)+len(x.None); {
	case all == 0:
		t = say.T("none confirmed")
	case made == all:
		t = say.T("all %d made", all)
	default:
		t = say.T("%d of %d made; no such part: %s", made, all, looks(x.None))
	}
	if x.Looked.Done() {
		return say.T("%s; emptied package looked at", t)
	}
	return say.T("%s; emptied package not looked at", t)
}

// looks joins looks, whose words have commas of their own.
func looks(ks []consignment.Look) say.Text {
	ts := make([]say.Text, len(ks))
	for i, k := range ks {
		ts[i] = k.Words()
	}
	return joined(ts, "; ")
}

// place says where a find is.
func place(f consignment.FindFacts) say.Text {
	if f.Unit == 0 {
		return say.T("package %03d itself", f.Package)
	}
	return say.T("package %03d, unit %d", f.Package, f.Unit)
}

// find adds a find with all that became of it.
func (l *layout) find(s *Section, f Find) {
	heading := say.T("Find %d: %s", f.Number, place(f.Facts))
	if f.TakenBack != nil {
		heading = say.T("Find %d, taken back: %s", f.Number, place(f.Facts))
	}
	facts := []Fact{}
	if b := f.TakenBack; b != nil {
		facts = append(facts, l.whoFact("Taken back", b.Moment), data(say.T("Because"), b.Reason))
	}
	if f.Crop != "" {
		facts = append(facts, data(say.T("Crop"), f.Crop))
	}
	facts = append(facts, l.whoFact("Recorded", f.Recorded))
	for _, a := range findAspects(f.Facts, f.Advice) {
		if a.Data != "" || !a.Text.IsZero() {
			facts = append(facts, a)
		}
	}
	asked := f.Advice.Rung
	if len(f.Earlier) > 0 {
		asked = f.Earlier[0].Advice.Rung
	}
	if f.Chosen != asked || len(f.Moves) > 0 {
		facts = append(facts, text(say.T("Chosen when recorded"), f.Chosen.Word()))
	}
	for _, m := range f.Moves {
		label := "Raised"
		if m.To < m.From {
			label = "Lowered"
		}
		why := say.T("from %s to %s; no reason given", m.From.Word(), m.To.Word())
		if m.Reason != "" {
			why = say.T("from %s to %s: %s", m.From.Word(), m.To.Word(), m.Reason)
		}
		facts = append(facts, Fact{say.T(label), Value{Data: l.who(m.Moment).Data, Text: why}})
	}
	if f.TakenBack == nil {
		facts = append(facts, text(say.T("In force"), f.Rung.Word()))
	}
	s.Blocks = append(s.Blocks, Block{Heading: heading, Facts: facts})
	for i, e := range f.Earlier {
		s.Blocks = append(s.Blocks, l.superseded(f, i, e))
	}
	if len(f.Photos) > 0 {
		s.Blocks = append(s.Blocks, Block{Photos: pictures(f)})
	}
}

// findAspects are what a find says, one fact each. Those without a value are kept
// empty, so that two versions can be laid side by side.
func findAspects(f consignment.FindFacts, a consignment.Advice) []Fact {
	facts := []Fact{
		text(say.T("Part"), f.Part.Words()),
		text(say.T("What"), f.What.Words()),
		text(say.T("Units that show it"), say.T("%d", f.Units)),
		text(say.T("Alive"), f.Alive.Words()),
		text(say.T("How seen"), f.Method.Words()),
	}
	entry := Fact{Label: say.T("Reference entry")}
	if e := f.Entry; e != nil {
		entry.Data = e.Name
		entry.Text = say.T("(%s, revision %d, %s)", e.ID, e.Revision, short(e.Hash))
	}
	return append(facts, entry,
		data(say.T("Note"), f.Note),
		text(say.T("Advice"), advice(a)))
}

func advice(a consignment.Advice) say.Text {
	if !a.Rung.Valid() {
		return say.T("none")
	}
	return say.T("%s. %s", a.Rung.Word(), sentences(a.Reasons))
}

func short(hash string) string {
	if len(hash) > 16 {
		return hash[:16] + "…"
	}
	return hash
}

// superseded lays a version of a find beside the one that took its place.
func (l *layout) superseded(f Find, i int, e Superseded) Block {
	next, nextAdvice, nextRung := f.Facts, f.Advice, ladder.Rung(0)
	if i+1 < len(f.Earlier) {
		next, nextAdvice, nextRung = f.Earlier[i+1].Facts, f.Earlier[i+1].Advice, f.Earlier[i+1].Rung
	}
	t := &Table{
		Caption: say.T("Amended %s: %s", l.who(e.Amended.Moment).Data, e.Amended.Reason),
		Columns: []Column{column(20, "What"), column(40, "Before, superseded"), column(40, "Amended")},
	}
	was, now := findAspects(e.Facts, e.Advice), findAspects(next, nextAdvice)
	row := func(label say.Text, a, b Value) {
		if same(a, b) {
			return
		}
		t.Rows = append(t.Rows, []Value{{Text: label}, orNothing(a), orNothing(b)})
	}
	for j := range was {
		row(was[j].Label, was[j].Value, now[j].Value)
	}
	row(say.T("Photos"), photoNumbers(f, e.Facts.Photos), photoNumbers(f, next.Photos))
	if nextRung.Valid() {
		row(say.T("Rung"), Value{Text: e.Rung.Word()}, Value{Text: nextRung.Word()})
	}
	if len(t.Rows) == 0 {
		t.Rows = append(t.Rows, []Value{said("Everything"), said("as before"), said("as before")})
	}
	return Block{Table: t}
}

func same(a, b Value) bool { return a.Data == b.Data && a.Text.String() == b.Text.String() }

func orNothing(v Value) Value {
	if v.Data == "" && v.Text.IsZero() {
		return said("nothing")
	}
	return v
}

// photoNumbers names the photos of a version by their numbers within the find.
func photoNumbers(f Find, hashes []string) Value {
	var ts []say.Text
	for i, p := range f.Photos {
		if slices.Contains(hashes, p.Hash) {
			ts = append(ts, say.T("%d.%d", f.Number, i+1))
		}
	}
	if len(ts) == 0 {
		return Value{}
	}
	return said("%s", ts)
}

func pictures(f Find) []Picture {
	ps := make([]Picture, len(f.Photos))
	for i, p := range f.Photos {
		ps[i] = Picture{Photo: p, Caption: say.T("Photo %d.%d", f.Number, i+1)}
		if p.Superseded {
			ps[i].Caption = say.T("Photo %d.%d, of a superseded version", f.Number, i+1)
		}
	}
	return ps
}

func (l *layout) amendments() Section {
	t := &Table{Caption: say.T("Steps that were put right; both stand on record"), Columns: []Column{
		column(9, "Step"), column(22, "When and who"), column(24, "It said"), column(24, "It says now"), column(21, "Why")}}
	for _, a := range l.Amendments {
		now := Value{Text: a.Now}
		if a.Now.IsZero() {
			now = said("nothing: taken back")
		}
		t.Rows = append(t.Rows, []Value{said("%d, by step %d", a.Of, a.Step), l.who(a.Moment), {Text: a.Was}, now, written(a.Reason)})
	}
	return Section{ID: "amendments", Title: say.T("Amendments"), Blocks: []Block{{Table: t}}}
}

func (l *layout) history() Section {
	t := &Table{Caption: say.T("Every step, as it was taken (times in UTC)"), Columns: []Column{
		column(7, "Step"), column(20, "UTC"), column(22, "Who"), column(14, "Bench"), column(37, "What")}}
	for _, s := range l.History {
		what := s.What
		if !s.Note.IsZero() {
			what = say.T("%s (%s)", s.What, s.Note)
		}
		who := written(s.By)
		if len(s.Roles) > 0 {
			roles := make([]say.Text, len(s.Roles))
			for i, role := range s.Roles {
				roles[i] = people.RoleWords(role)
			}
			who = said("%s (%s)", apart(s.By), roles)
		}
		t.Rows = append(t.Rows, []Value{said("%d", s.Step), written(s.At.UTC().Format(seconds)), who, written(s.Bench), {Text: what}})
	}
	return Section{ID: "history", Title: say.T("Appendix: history"), Blocks: []Block{{Table: t}}}
}

func (l *layout) sign() Section {
	made := say.T("This record goes up to step %d of the history, taken at %s UTC.", l.Version, l.LastAt.UTC().Format(seconds))
	s := Section{ID: "signed", Title: say.T("Signed"), Blocks: []Block{
		paragraph(made, say.T("It is made from the history alone: made again from the same history it is the same.")),
	}}
	if m := l.Mark; m != nil {
		s.Blocks = append(s.Blocks,
			Block{Facts: []Fact{
				{say.T("Head of the site's history"), Value{Data: m.Fingerprint(), Text: say.T("It stands for everything on record at the site up to the outcome: nothing of it can be changed later without changing this.")}},
				data(say.T("Mark of the outcome"), m.Leaf),
			}}.under("To compare with later"),
			Block{Symbol: &Symbol{Text: m.String(), Caption: say.T("Scan this to compare the paper with the portable record: lastlook verify FILE CODE, or the page to check with.")}})
	}
	if l.Finished {
		s.Blocks = append(s.Blocks, Block{Sign: []say.Text{say.T("Inspector"), say.T("Supervisor")}})
	} else {
		s.Blocks = append(s.Blocks, paragraph(say.T("There is nothing to sign yet: the inspection is not finished.")))
	}
	return s
}

// Lines gives every sentence and value of the document in reading order, said
// with the given function; nil says English. It is there to compare a print or a
// page with the record.
func (d Document) Lines(sprintf func(key string, args ...any) string) []string {
	if sprintf == nil {
		sprintf = fmt.Sprintf
	}
	var out []string
	add := func(t say.Text) {
		if !t.IsZero() {
			out = append(out, t.With(sprintf))
		}
	}
	value := func(v Value) {
		if v.Data != "" {
			out = append(out, v.Data)
		}
		add(v.Text)
	}
	add(d.Title)
	out = append(out, d.Tag.Number, d.Tag.Customer, d.Tag.Destination)
	for _, t := range []say.Text{d.Tag.Packages, d.Tag.LeaveBy, d.Tag.Word, d.Tag.At, d.Tag.Until, d.Zone} {
		add(t)
	}
	for _, s := range d.Sections {
		add(s.Title)
		for _, b := range s.Blocks {
			add(b.Heading)
			add(b.Notice)
			for _, t := range slices.Concat(b.Text, b.List, b.Sign) {
				add(t)
			}
			for _, f := range b.Facts {
				add(f.Label)
				value(f.Value)
			}
			for _, a := range b.Answers {
				add(a.Words)
				add(a.Word())
			}
			if t := b.Table; t != nil {
				add(t.Caption)
				for _, c := range t.Columns {
					add(c.Label)
				}
				for _, row := range t.Rows {
					for _, v := range row {
						value(v)
					}
				}
			}
			for _, p := range b.Photos {
				add(p.Caption)
				add(p.Problem)
				out = append(out, p.Hash)
			}
			if b.Symbol != nil {
				add(b.Symbol.Caption)
				out = append(out, b.Symbol.Text)
			}
		}
	}
	if d.Program != "" {
		out = append(out, d.Program)
	}
	return out
}

// Word is the answer as a word.
func (a Answer) Word() say.Text {
	if a.Yes {
		return say.T("yes")
	}
	return say.T("no")
}
