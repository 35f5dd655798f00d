package store

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"

	"gorm.io/gorm"

	"lastlook/internal/consignment"
	"lastlook/internal/ledger"
	"lastlook/internal/rules"
	"lastlook/internal/say"
)

// MaxFindings is how many findings an audit lists; it counts the others.
const MaxFindings = 1000

// Finding is one thing an audit found that does not agree.
type Finding struct {
	Where say.Text `json:"where"`
	What  say.Text `json:"what"`
}

// AuditReport is what an audit came to.
type AuditReport struct {
	Site        ledger.Public `json:"site"`         // the site's keys now, as the record names them
	Head        ledger.Head   `json:"head"`         // the newest signed head
	Steps       int64         `json:"steps"`        // events walked
	Bytes       int64         `json:"bytes"`        // hashed for them
	Hashes      int64         `json:"hashes"`       // stored hashes compared
	Heads       int           `json:"heads"`        // signed heads checked, with those beside the data file
	Histories   int           `json:"histories"`    // streams worked out again
	Draws       int           `json:"draws"`        // checked with their proofs
	Unproven    int           `json:"unproven"`     // draws from before draws were proven
	Attachments int           `json:"attachments"`  // pictures and texts, hashed
	ResumedFrom int64         `json:"resumed_from"` // steps that an earlier run had walked
	Notes       []say.Text    `json:"notes,omitempty"`
	Findings    []Finding     `json:"findings,omitempty"`
	More        int           `json:"more,omitempty"` // findings beyond MaxFindings
}

// Agrees reports whether everything agreed.
func (r AuditReport) Agrees() bool { return len(r.Findings) == 0 }

// AuditMark is how far an audit has come. Kept as JSON, a later audit can go on
// from it; whoever keeps it vouches for the part before it.
type AuditMark struct {
	Kept   ledger.Edge `json:"kept"` // edge of the tree as its hashes are stored
	Real   ledger.Edge `json:"real"` // edge of the tree as the steps are
	Good   int64       `json:"good"` // size of the newest head that agreed
	Bad    int64       `json:"bad"`  // size of the first that did not, or 0
	Later  int         `json:"later"`
	Stream string      `json:"stream"` // the last history that was worked out again
	Report AuditReport `json:"report"`
}

// OutsideHead is a signed head that was kept somewhere else: printed, sent out,
// or in the hands of an auditor.
type OutsideHead struct {
	Name string // of the file, for the words
	Note []byte
}

// AuditOptions says how to audit.
type AuditOptions struct {
	Heads []OutsideHead
	From  *AuditMark // nil to begin at the beginning
	// Progress is told how far it has come, often: steps walked and to walk, then
	// histories. The mark is good until the next call.
	Progress func(m *AuditMark, done, total int64)
}

// Audit walks everything that is kept, in one snapshot, and lists whatever does
// not agree: every step against its hash, every hash against those it is made
// from, every signed head against the steps under it, every history against the
// rules of the core with its draws and their proofs, every list against the
// history it is made from, every picture
// and text against its mark. It changes nothing. An
// error means that the audit could not be done, not that something was found.
func (s *Store) Audit(ctx context.Context, o AuditOptions) (AuditReport, error) {
	var report AuditReport
	err := s.db.WithContext(ctx).Transaction(func(tx *gorm.DB) error {
		var err error
		report, err = s.audit(tx, o)
		return err
	})
	if err != nil && ctx.Err() != nil {
		return report, ctx.Err()
	}
	return report, explain(err, s.dir)
}

type auditor struct {
	*Store
	tx    *gorm.DB
	o     AuditOptions
	m     AuditMark
	site  *ledger.Site
	total int64 // events: the highest seq
	book  *rules.History
}

func (s *Store) audit(tx *gorm.DB, o AuditOptions) (AuditReport, error) {
	a := &auditor{Store: s, tx: tx, o: o}
	for _, do := range []func() error{a.begin, a.events, a.tail, a.beside, a.histories, a.lists, a.noticeLists, a.keys, a.attachments} {
		if err := do(); err != nil {
			return a.m.Report, err
		}
	}
	return a.m.Report, nil
}

func (a *auditor) find(where, what say.Text) {
	if len(a.m.Report.Findings) >= MaxFindings {
		a.m.Report.More++
		return
	}
	a.m.Report.Findings = append(a.m.Report.Findings, Finding{where, what})
}

func (a *auditor) note(t say.Text) { a.m.Report.Notes = append(a.m.Report.Notes, t) }

func atStep(row eventRow) say.Text {
	return say.T("step %d (%s, %d)", row.Seq, clip(row.Stream), row.Version)
}

// begin reads the site's own history, and takes up an earlier audit if its mark
// is of this record.
func (a *auditor) begin() error {
	if err := a.tx.Model(&eventRow{}).Select("COALESCE(MAX(seq), 0)").Scan(&a.total).Error; err != nil {
		return err
	}
	if from := a.o.From; from != nil {
		edge, err := ledger.ReadEdge(from.Kept.Size, hashesIn(a.tx))
		if err == nil && reflect.DeepEqual(edge, from.Kept) && from.Kept.Size == from.Real.Size {
			a.m = *from
			a.m.Report.ResumedFrom = from.Kept.Size
		} else {
			a.note(say.T("The earlier audit was of another record, or the record was changed since: this one began at the beginning."))
		}
	}
	var rows []eventRow
	if err := a.tx.Where("stream = ?", ledger.Stream).Order("version").Find(&rows).Error; err != nil {
		return err
	}
	a.site = &ledger.Site{}
	for _, row := range rows {
		e, err := ledger.Decode(row.Kind, []byte(row.Data))
		if err == nil {
			err = a.site.Apply(row.Seq, e)
		}
		if err != nil {
			a.find(atStep(row), say.T("The site's keys do not follow from each other: %s.", err.Error()))
			break
		}
		switch e := e.(type) {
		case ledger.WentBack:
			a.note(say.T("At step %d the record says that it had gone back: a head from before was not of it any more, as after restoring a backup.", row.Seq))
		case ledger.KeysChanged:
			if e.Lost {
				a.note(say.T("At step %d the keys were changed without the old ones, because they were lost (%s). Ask the site whether that is so.", row.Seq, clip(e.Reason)))
			} else {
				a.note(say.T("At step %d the keys were changed, and the old ones signed for the new ones (%s).", row.Seq, clip(e.Reason)))
			}
		}
	}
	now, ok := a.site.Now()
	if !ok {
		a.find(say.T("the site"), say.T("The record names no keys: no head can be checked."))
	}
	a.m.Report.Site = now
	return nil
}

func (a *auditor) progress(done, total int64) error {
	if a.o.Progress != nil {
		a.o.Progress(&a.m, done, total)
	}
	return a.tx.Statement.Context.Err()
}

// events walks the steps in their order, with their hashes and heads.
func (a *auditor) events() error {
	const page = 1000
	var heads []headRow
	if err := a.tx.Where("size > ?", a.m.Real.Size).Order("size").Find(&heads).Error; err != nil {
		return err
	}
	for a.m.Real.Size < a.total {
		first := a.m.Real.Size + 1
		last := min(first+page-1, a.total)
		var rows []eventRow
		if err := a.tx.Where("seq BETWEEN ? AND ?", first, last).Order("seq").Find(&rows).Error; err != nil {
			return err
		}
		stored, err := a.stored(ledger.Stored(first-1), ledger.Stored(last))
		if err != nil {
			return err
		}
		for seq := first; seq <= last; seq++ {
			if len(rows) > 0 && rows[0].Seq == seq {
				a.event(seq, &rows[0], stored)
				rows = rows[1:]
			} else {
				a.event(seq, nil, stored)
			}
			for len(heads) > 0 && heads[0].Size <= seq {
				a.head(heads[0])
				heads = heads[1:]
			}
		}
		if err := a.progress(last, a.total); err != nil {
			return err
		}
	}
	for _, row := range heads {
		a.m.Report.Heads++
		a.find(say.T("signed head of %d steps", row.Size), say.T("Only %d steps are there: the later ones were taken away.", a.total))
	}
	return nil
}

// stored reads the stored hashes from index from to index to, which is not included.
func (a *auditor) stored(from, to int64) (map[int64]ledger.Hash, error) {
	var rows []hashRow
	if err := a.tx.Where("id >= ? AND id < ?", from, to).Find(&rows).Error; err != nil {
		return nil, err
	}
	m := make(map[int64]ledger.Hash, len(rows))
	for _, row := range rows {
		if len(row.Hash) == len(ledger.Hash{}) {
			m[row.ID] = ledger.Hash(row.Hash)
		}
	}
	return m, nil
}

// event checks one step: row is nil if it is missing.
func (a *auditor) event(seq int64, row *eventRow, stored map[int64]ledger.Hash) {
	id := ledger.Stored(seq - 1)
	kept, ok := stored[id]
	where := say.T("step %d", seq)
	real := kept
	if row == nil {
		a.find(where, say.T("It is missing."))
	} else {
		a.m.Report.Steps++
		where = atStep(*row)
		leaf := row.entry().Leaf()
		a.m.Report.Bytes += int64(len(leaf))
		real = row.entry().Hash()
	}
	switch {
	case !ok:
		a.find(where, say.T("Its hash is missing: it was put in from outside, or the hash was taken away."))
		kept = real
	case real != kept:
		a.find(where, say.T("It is not what was hashed when it was recorded: something in it was changed, or another step was put in its place."))
	}
	a.m.Real.Append(real)
	// What is stored for this step besides its own hash is made from stored hashes.
	for i, want := range a.m.Kept.Append(kept) {
		a.m.Report.Hashes++
		if i == 0 {
			continue
		}
		got, ok := stored[id+int64(i)]
		switch level, from := ledger.Place(id + int64(i)); {
		case !ok:
			a.find(say.T("hash over steps %d to %d", from, from+1<<level-1), say.T("It is missing."))
		case got != want:
			a.find(say.T("hash over steps %d to %d", from, from+1<<level-1), say.T("It is not made from the hashes below it."))
		}
	}
}

// head checks a kept head, whose last step has just been walked.
func (a *auditor) head(row headRow) {
	a.m.Report.Heads++
	where := say.T("signed head of %d steps", row.Size)
	keys, ok := a.site.At(row.Size)
	if !ok {
		a.find(where, say.T("It is from before the site had keys."))
		return
	}
	h, err := ledger.OpenHead([]byte(row.Note), keys)
	switch {
	case err != nil:
		a.find(where, say.T("It is not signed with the key that was in force: %s.", err.Error()))
		return
	case h.Size != row.Size || h.Site != a.site.Name:
		a.find(where, say.T("It is the head of %d steps of %s, put in the place of another.", h.Size, clip(h.Site)))
		return
	}
	if h.Size == a.m.Kept.Size && h.Root == a.m.Kept.Root() {
		// The stored hashes are those that were signed. A step that differs from its
		// stored hash is a finding already.
		if a.m.Real.Root() == h.Root {
			a.m.Good = row.Size
		}
		a.m.Report.Head = h
		return
	}
	if a.m.Bad == 0 {
		a.m.Bad = row.Size
		a.find(where, say.T("The steps under it are not those that were signed. Up to step %d they are: look from step %d to step %d.", a.m.Good, a.m.Good+1, row.Size))
		return
	}
	a.m.Later++
}

// tail checks that nothing is kept beyond the last step and its head.
func (a *auditor) tail() error {
	if a.m.Later > 0 {
		a.find(say.T("signed heads"), say.T("%d heads after that of %d steps do not agree either, for the same reason or for others.", a.m.Later, a.m.Bad))
		a.m.Later = 0
	}
	var extra int64
	if err := a.tx.Model(&hashRow{}).Where("id >= ? OR id < 0", ledger.Stored(a.total)).Count(&extra).Error; err != nil {
		return err
	}
	if extra > 0 {
		a.find(say.T("stored hashes"), say.T("%d more are there than belong to %d steps: steps were taken away at the end.", extra, a.total))
	}
	var odd int64
	if err := a.tx.Model(&eventRow{}).Where("seq < 1").Count(&odd).Error; err != nil {
		return err
	}
	if odd > 0 {
		a.find(say.T("steps before the first"), say.T("%d were put in from outside.", odd))
	}
	newest, err := newestHead(a.tx)
	if err != nil {
		return err
	}
	if newest.Size < a.total {
		a.find(say.T("steps %d to %d", newest.Size+1, a.total), say.T("They are under no signed head: they were put in from outside, or the head was taken away."))
	}
	return nil
}

// beside checks the heads kept outside the data file, and the key file.
func (a *auditor) beside() error {
	heads := slices.Clone(a.o.Heads)
	kept, err := filepath.Glob(filepath.Join(a.dir, "head-*.note"))
	if err != nil {
		return err
	}
	for _, name := range append([]string{filepath.Join(a.dir, NoteFile)}, kept...) {
		b, err := os.ReadFile(name)
		if errors.Is(err, os.ErrNotExist) {
			continue
		}
		if err != nil {
			return err
		}
		heads = append(heads, OutsideHead{Name: name, Note: b})
	}
	for _, o := range heads {
		a.m.Report.Heads++
		where := say.T("head in %s", o.Name)
		h, err := ledger.OpenHead(o.Note, a.site.Keys()...)
		if err != nil {
			a.find(where, say.T("It cannot be checked against this record: %s.", err.Error()))
			continue
		}
		if _, from, ok := a.site.GivenUp(o.Note); ok {
			a.find(where, say.T("It is of %d steps and signed with keys that the site gave up at step %d: it was made with the old key file after that, or by a record that went back when a backup was restored. Do not believe it before that is settled.", h.Size, from))
			continue
		}
		if h.Size > a.total {
			a.find(where, say.T("It is of %d steps, but only %d are on record: the record went back, as after restoring a backup.", h.Size, a.total))
			continue
		}
		edge, err := ledger.ReadEdge(h.Size, hashesIn(a.tx))
		if err != nil && !errors.Is(err, errHashesMissing) {
			return err
		}
		if keys, ok := a.site.At(h.Size); err != nil || !ok || edge.Root() != h.Root {
			a.find(where, say.T("The site signed another history of %d steps than the one on record: there are two.", h.Size))
		} else if _, err := ledger.OpenHead(o.Note, keys); err != nil {
			a.find(where, say.T("It is not signed with the key that was in force: %s.", err.Error()))
		}
	}
	now, ok := a.site.Now()
	if !ok {
		return nil
	}
	switch keys, err := ledger.ReadKeys(filepath.Join(a.dir, KeyFile)); {
	case err != nil:
		a.note(say.T("The key file was not compared with the record: it is not here, or cannot be read."))
	case keys.Public() != now:
		if _, err := a.readKeys(now); err != nil {
			a.find(say.T("key file"), say.T("It holds other keys than the record names: the record, or the file, is of another site or was put together by somebody else."))
		}
	}
	return nil
}

// histories works every history out again.
func (a *auditor) histories() error {
	var streams []string
	if err := a.tx.Model(&eventRow{}).Where("stream > ?", a.m.Stream).Distinct().Order("stream").Pluck("stream", &streams).Error; err != nil {
		return err
	}
	unknown := map[string]bool{}
	done := 0
	for part := range slices.Chunk(streams, 50) {
		p, err := a.readPart(part)
		if err != nil {
			return err
		}
		for _, stream := range part {
			if err := a.history(stream, p, unknown); err != nil {
				return err
			}
			a.m.Report.Histories++
			a.m.Stream = stream
		}
		done += len(part)
		if err := a.progress(int64(done), int64(len(streams))); err != nil {
			return err
		}
	}
	for kind := range unknown {
		a.note(say.T("Histories of the kind %q were checked for their order and their hashes only.", kind))
	}
	return nil
}

// part is what is kept for some histories, read together: one query each would
// take far longer than the checking.
type part struct {
	events map[string][]eventRow     // by stream
	lines  map[string]consignmentRow // by code
}

func (a *auditor) readPart(streams []string) (*part, error) {
	p := &part{events: map[string][]eventRow{}, lines: map[string]consignmentRow{}}
	var rows []eventRow
	if err := a.tx.Where("stream IN ?", streams).Order("stream, version").Find(&rows).Error; err != nil {
		return nil, err
	}
	for _, row := range rows {
		p.events[row.Stream] = append(p.events[row.Stream], row)
	}
	var codes []string
	for _, s := range streams {
		if code, ok := strings.CutPrefix(s, consignmentStream); ok {
			codes = append(codes, code)
		}
	}
	var lines []consignmentRow
	if err := a.tx.Where("code IN ?", codes).Find(&lines).Error; err != nil {
		return nil, err
	}
	for _, l := range lines {
		p.lines[l.Code] = l
	}
	return p, nil
}

func (a *auditor) history(stream string, p *part, unknown map[string]bool) error {
	rows := p.events[stream]
	where := say.T("history %s", clip(stream))
	for i, row := range rows {
		switch {
		case row.Version != i+1:
			a.find(atStep(row), say.T("It stands where step %d of its history belongs.", i+1))
			return nil // nothing can be worked out from it
		case i > 0 && row.Seq < rows[i-1].Seq:
			a.find(atStep(row), say.T("It was recorded before the step that it comes after."))
		case i > 0 && row.At < rows[i-1].At && stream != ledger.Stream:
			a.find(atStep(row), say.T("Its time is before that of the step that it comes after."))
		}
		if err := row.readable(); err != nil {
			a.find(atStep(row), say.T("When or by whom it was recorded cannot be read: %s.", err.Error()))
		}
	}
	kind, rest, _ := strings.Cut(stream, "/")
	var err error
	switch {
	case stream == ledger.Stream: // begin has read it
	case stream == peopleStream:
		return a.people(where)
	case stream == placesStream:
		_, err = loadPlaces(a.tx)
	case stream == rulesStream:
		_, err = loadRules(a.tx)
	case kind+"/" == consignmentStream:
		return a.consignment(where, rest, p)
	case kind+"/" == practiceStream:
		_, err = loadPractice(a.tx, rest)
	case kind+"/" == noticeStream:
		return a.notice(where, rest, rows)
	default:
		unknown[kind] = true
	}
	if err != nil {
		a.find(where, say.T("Its steps do not follow from each other: %s.", err.Error()))
	}
	return nil
}

// rulesFor lists the rule sets that a destination had, those of now last. Where the
// history of the rules cannot be followed, which is found there, only the shipped ones
// are left.
func (a *auditor) rulesFor(destination string) []consignment.RuleSet {
	if a.book == nil {
		var err error
		if a.book, err = loadRules(a.tx); err != nil {
			a.book = &rules.History{}
		}
	}
	out := []consignment.RuleSet{*rules.Shipped().Rules}
	for _, s := range a.book.Sets {
		if s.Rules != nil && (s.Destination == "" || rules.Same(s.Destination, destination)) {
			out = append(out, *s.Rules)
		}
	}
	return append(out, *a.book.InForce(destination, a.Now()).Rules)
}

// readable reports what is wrong with a step's time or person.
func (row eventRow) readable() error {
	if _, err := parseTime(row.At); err != nil {
		return err
	}
	var actor consignment.Actor
	return json.Unmarshal([]byte(row.Actor), &actor)
}

func (a *auditor) consignment(where say.Text, code string, p *part) error {
	rows := p.events[consignmentStream+code]
	state, err := foldRows(code, rows)
	if err != nil {
		a.find(where, say.T("Its steps do not follow from each other: %s.", err.Error()))
		return nil
	}
	if state.Code != code {
		a.find(where, say.T("It is that of consignment %s.", clip(state.Code)))
	}
	var pictures []string
	for i, rec := range state.History {
		switch e := rec.Event.(type) {
		case consignment.Drawn:
			a.drawn(rows[i], e)
		case consignment.FindRecorded:
			pictures = append(pictures, e.Facts.Photos...)
		case consignment.SampleTaken:
			pictures = append(pictures, e.Photos...)
		case consignment.Amended:
			if e.With != nil {
				if f, ok := e.With.Event.(consignment.FindRecorded); ok {
					pictures = append(pictures, f.Facts.Photos...)
				}
			}
		}
	}
	for _, p := range pictures {
		var n int64
		if err := a.tx.Model(&blobRow{}).Where("hash = ?", p).Count(&n).Error; err != nil {
			return err
		}
		if n == 0 {
			a.find(where, say.T("Its picture %s is missing.", clip(p)))
		}
	}
	row, want := p.lines[code], consignmentRow{}
	for _, r := range a.rulesFor(state.Destination) { // by when to begin follows the rules of the day it was written
		if want = summaryRow(state, r); row == want {
			break
		}
	}
	if row != want {
		a.find(say.T("list of consignments, %s", clip(code)), say.T("It does not show what the record says%s.", differing(row, want)))
	}
	have, err := readAside(a.tx, code)
	if err != nil {
		return err
	}
	for _, list := range have.differs(asideOf(state)) {
		a.find(say.T("%s, %s", list, clip(code)), say.T("It does not show what the record says."))
	}
	return nil
}

// drawn checks what folding the history cannot know: that the key is the site's.
func (a *auditor) drawn(row eventRow, e consignment.Drawn) {
	a.m.Report.Draws++
	if e.Evidence == nil {
		a.m.Report.Unproven++
		if _, ok := a.site.At(row.Seq); ok {
			a.find(atStep(row), say.T("The draw has a seed without proof, though the site had keys to prove it with: the packages may have been chosen."))
		}
		return
	}
	if e.Evidence.Input.Site != a.site.Name || !a.site.DrewWith(e.Evidence.Key, row.Seq) {
		a.find(atStep(row), say.T("The draw was made with a key that was not this site's then: the packages may have been chosen."))
	}
}

// differing names the columns in which two rows differ.
func differing(got, want consignmentRow) string {
	if got.Code == "" {
		return " (there is no line)"
	}
	var names []string
	g, w := reflect.ValueOf(got), reflect.ValueOf(want)
	for i := range g.NumField() {
		if g.Field(i).Interface() != w.Field(i).Interface() {
			names = append(names, strings.ToLower(g.Type().Field(i).Name))
		}
	}
	return " (" + strings.Join(names, ", ") + ")"
}

func (a *auditor) people(where say.Text) error {
	roster, err := loadRoster(a.tx)
	if err != nil {
		a.find(where, say.T("Its steps do not follow from each other: %s.", err.Error()))
		return nil
	}
	want, err := personRows(roster)
	if err != nil {
		return err
	}
	var rows []personRow
	if err := a.tx.Order("place").Find(&rows).Error; err != nil {
		return err
	}
	if !slices.Equal(rows, want) {
		a.find(say.T("list of people"), say.T("It does not show what the record says."))
	}
	return nil
}

// lists looks for lines that belong to no history.
func (a *auditor) lists() error {
	for _, q := range []struct {
		table, column string
		where         func(string) say.Text
	}{
		{"consignments", "code", func(c string) say.Text { return say.T("list of consignments, %s", c) }},
		{"finds", "consignment", func(c string) say.Text { return say.T("list of finds, %s", c) }},
		{"samples", "consignment", func(c string) say.Text { return say.T("list of samples, %s", c) }},
		{"unclean_benches", "consignment", func(c string) say.Text { return say.T("list of benches to clean, %s", c) }},
		{"crop_lines", "consignment", func(c string) say.Text { return say.T("list of crop lines, %s", c) }},
		{"bench_uses", "consignment", func(c string) say.Text { return say.T("list of bench uses, %s", c) }},
		{"rounds", "consignment", func(c string) say.Text { return say.T("list of finished inspections, %s", c) }},
		{"exams", "consignment", func(c string) say.Text { return say.T("list of packages opened, %s", c) }},
	} {
		var codes []string
		err := a.tx.Table(q.table).Where("NOT EXISTS (SELECT 1 FROM events WHERE stream = ? || "+q.column+")", consignmentStream).
			Distinct().Order(q.column).Pluck(q.column, &codes).Error
		if err != nil {
			return err
		}
		for _, c := range codes {
			a.find(q.where(clip(c)), say.T("There is no such history."))
		}
	}
	var n int64
	if err := a.tx.Model(&eventRow{}).Where("stream = ?", peopleStream).Count(&n).Error; err != nil || n > 0 {
		return err
	}
	if err := a.tx.Model(&personRow{}).Count(&n).Error; err != nil {
		return err
	}
	if n > 0 {
		a.find(say.T("list of people"), say.T("There is no such history."))
	}
	return nil
}

// keys checks the idempotency keys. They are not hashed, as they say nothing
// about an inspection; but one that names steps that are not there would hide a step.
func (a *auditor) keys() error {
	var rows []commandRow
	err := a.tx.Table("commands AS c").Where("first_version < 1 OR first_version > last_version OR last_version > (SELECT COALESCE(MAX(version), 0) FROM events WHERE events.stream = c.stream)").
		Find(&rows).Error
	if err != nil {
		return err
	}
	for _, row := range rows {
		a.find(say.T("key %s", clip(row.Key)), say.T("It names steps %d to %d of %s, which are not there.", row.FirstVersion, row.LastVersion, clip(row.Stream)))
	}
	return nil
}

// attachments hashes pictures and texts.
func (a *auditor) attachments() error {
	const page = 20
	for last := ""; ; {
		var rows []blobRow
		if err := a.tx.Where("hash > ?", last).Order("hash").Limit(page).Find(&rows).Error; err != nil {
			return err
		}
		for _, row := range rows {
			a.m.Report.Attachments++
			if sum := sha256.Sum256(row.Bytes); hex.EncodeToString(sum[:]) != row.Hash || row.Size != len(row.Bytes) {
				a.find(say.T("attachment %s", clip(row.Hash)), say.T("It is not the one that was kept under this mark."))
			}
			last = row.Hash
		}
		if err := a.tx.Statement.Context.Err(); err != nil {
			return err
		}
		if len(rows) < page {
			return nil
		}
	}
}
