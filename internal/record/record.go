// Package record makes the record of a consignment's inspections: what an auditor
// reads, and should believe.
//
// [Build] collects everything that is on record into a [Record], the form for
// programs. [Record.Document] lays it out as sections of sentences, facts,
// tables and photos; the page on screen and the print are both made from that and
// from nothing else, so they cannot say different things.
//
// Nothing is left out because it was put right later: a find that was amended or
// taken back stands beside what amended it, with who, when and why. The package
// decides nothing, does no I/O and knows no clock; the same history gives the
// same record. Its sentences are say.Text and can be translated; what people and
// orders wrote is kept as it is.
package record

import (
	"bytes"
	"encoding/hex"
	"errors"
	"image/jpeg"
	"slices"
	"time"

	"lastlook/internal/consignment"
	"lastlook/internal/draw"
	"lastlook/internal/ladder"
	"lastlook/internal/sampling"
	"lastlook/internal/say"
)

// Record is everything on record about a consignment. Times are in UTC.
type Record struct {
	Code        string             `json:"code"`
	Number      string             `json:"number"`
	Invoice     string             `json:"invoice,omitempty"`
	Customer    string             `json:"customer"`
	Destination string             `json:"destination"`
	DispatchAt  time.Time          `json:"dispatch_at"`
	Lines       []consignment.Line `json:"lines"` // as they stand now
	Packages    int                `json:"packages"`
	Source      string             `json:"source,omitempty"`
	TakenIn     Moment             `json:"taken_in"`
	Changes     []Change           `json:"changes,omitempty"` // of dispatch time and counts
	Labels      []Labels           `json:"labels,omitempty"`
	// Finished reports that the newest round has an outcome. Standing says, if it
	// has none, how far things are.
	Finished bool     `json:"finished"`
	Standing say.Text `json:"standing,omitzero"`
	Rounds   []Round  `json:"rounds"`
	// Ahead are bench checks for a round that is not sealed yet.
	Ahead []Check `json:"ahead,omitempty"`
	// After is what followed the decisions; nil if nothing has.
	After *After `json:"after,omitempty"`
	// Kept is what keeps it back although its newest round may have passed.
	Kept       []Kept      `json:"kept,omitempty"`
	Amendments []Amendment `json:"amendments,omitempty"`
	History    []Step      `json:"history"`
	Version    int         `json:"version"` // the step that the record goes up to
	LastAt     time.Time   `json:"last_at"` // when that step was taken
	Invented   bool        `json:"invented,omitempty"`
	Program    string      `json:"program,omitempty"` // that wrote it
	// Mark ties a print to the site's ledger; nil unless the newest round has ended.
	Mark *Mark `json:"mark,omitempty"`
}

// Moment is when something was done, by whom, at which bench, and which step of
// the history it is. What stands on a person's badge is left out: whoever reads
// the record could print the badge from it.
type Moment struct {
	Step  int       `json:"step,omitempty"`
	At    time.Time `json:"at,omitzero"`
	By    string    `json:"by,omitempty"`    // name
	Roles []string  `json:"roles,omitempty"` // that the person had then
	Bench string    `json:"bench,omitempty"`
}

// Done reports whether it happened at all.
func (m Moment) Done() bool { return !m.At.IsZero() }

// Change is a change of the order after it was taken in: of the dispatch time or
// of the packages of a crop line.
type Change struct {
	Moment
	DispatchAt time.Time `json:"dispatch_at,omitzero"`
	Line       int       `json:"line,omitempty"` // from 1
	Was        int       `json:"was,omitempty"`  // packages
	Now        int       `json:"now,omitempty"`
	Reason     string    `json:"reason"`
}

// Labels is one run of labels.
type Labels struct {
	Moment
	From   int    `json:"from"`
	To     int    `json:"to"`
	Sheet  string `json:"sheet"`
	Reason string `json:"reason,omitempty"`
}

// Round is one inspection, from seal to outcome.
type Round struct {
	Number int                 `json:"number"`
	Reason string              `json:"reason,omitempty"` // why it was inspected again
	Rules  consignment.RuleSet `json:"rules"`

	Lines    []consignment.Line `json:"lines"` // as they were sealed
	Packages int                `json:"packages"`
	Digest   string             `json:"digest"` // of the sealed list, SHA-256, hex
	// DigestAgrees reports that the digest, computed again from the list, is the same.
	DigestAgrees bool   `json:"digest_agrees"`
	Sealed       Moment `json:"sealed"`

	Examine int        `json:"examine"`
	Why     []say.Text `json:"why"` // that number
	Seed    string     `json:"seed"`
	// Proof shows where the seed came from; nil if the draw is from before draws were proven.
	Proof   *draw.Evidence `json:"proof,omitempty"`
	SeedWhy say.Text       `json:"seed_why"`         // what the proof shows, or that there is none
	Quotas  []int          `json:"quotas,omitempty"` // packages a crop line, where the draw is spread
	Draw    []int          `json:"draw"`             // packages first drawn, in draw order
	Drawn   Moment         `json:"drawn"`

	Checks       []Check       `json:"checks"`
	Replacements []Replacement `json:"replacements,omitempty"`
	Exams        []Exam        `json:"exams"` // in draw order
	Finds        []Find        `json:"finds,omitempty"`
	FirstOpened  time.Time     `json:"first_opened,omitzero"`

	Outcome  *Outcome           `json:"outcome,omitempty"`         // nil while the round is under way
	Before   []Outcome          `json:"outcomes_before,omitempty"` // what it was before it was decided again
	Missing  []say.Text         `json:"missing,omitempty"`         // what is left undone then
	Evidence *sampling.Evidence `json:"evidence,omitempty"`
	Shows    []say.Text         `json:"shows"` // what the evidence can and cannot show
	Cautions []say.Text         `json:"cautions,omitempty"`
}

// Outcome is how the round ended.
type Outcome struct {
	Moment
	Outcome    consignment.Outcome `json:"outcome"`
	Reasons    []say.Text          `json:"reasons"`
	ValidUntil time.Time           `json:"valid_until,omitzero"` // only of a pass
}

// Check is one bench check with the answer to each item.
type Check struct {
	Moment
	After bool     `json:"after"`
	Items []Answer `json:"items"`
	Note  string   `json:"note,omitempty"`
}

// Fit reports whether every answer was yes.
func (c Check) Fit() bool {
	return !slices.ContainsFunc(c.Items, func(a Answer) bool { return !a.Yes })
}

// Answer is one item of a bench check.
type Answer struct {
	Words say.Text `json:"words"`
	Yes   bool     `json:"yes"`
}

// Replacement is a drawn package that could not be reached and its reserve.
type Replacement struct {
	Moment
	Package     int    `json:"package"`
	Replacement int    `json:"replacement"`
	Reason      string `json:"reason"`
}

// Exam is the examination of one package.
type Exam struct {
	Place     int    `json:"place"` // in the draw, from 1
	Package   int    `json:"package"`
	InPlaceOf int    `json:"in_place_of,omitempty"` // the package first drawn at this place
	Crop      string `json:"crop"`
	Batch     string `json:"batch,omitempty"`
	Ref       string `json:"ref,omitempty"`

	Fetched  Moment `json:"fetched,omitzero"`
	Opened   Moment `json:"opened,omitzero"`
	Looked   Moment `json:"looked,omitzero"` // at the emptied package
	Closed   Moment `json:"closed,omitzero"`
	Counted  int    `json:"counted"` // units; 0 until counted
	Expected int    `json:"expected"`
	Seen     int    `json:"seen"` // units looked at

	Looks []consignment.Look `json:"looks,omitempty"`    // made at every unit
	None  []consignment.Look `json:"no_part,omitempty"`  // there is no such part
	Finds []int              `json:"in_finds,omitempty"` // numbers of the finds in it
}

// Find is one observation.
type Find struct {
	Number   int                   `json:"number"`
	Facts    consignment.FindFacts `json:"facts"`
	Crop     string                `json:"crop"`
	Advice   consignment.Advice    `json:"advice"`
	Chosen   ladder.Rung           `json:"chosen"` // when it was recorded
	Rung     ladder.Rung           `json:"rung"`   // in force
	Recorded Moment                `json:"recorded"`
	Moves    []Move                `json:"moves,omitempty"`
	Earlier  []Superseded          `json:"earlier,omitempty"` // oldest first
	// TakenBack is set if the find no longer stands.
	TakenBack *Reasoned `json:"taken_back,omitempty"`
	Photos    []Photo   `json:"photos,omitempty"`

	rungs []rungAt // in the order of their steps but for moves, which come last
}

// rungAt is the rung that a step put in force.
type rungAt struct {
	step int
	rung ladder.Rung
}

// Move is a way up or down the ladder.
type Move struct {
	Moment
	From   ladder.Rung `json:"from"`
	To     ladder.Rung `json:"to"`
	Reason string      `json:"reason,omitempty"`
}

// Superseded is what a find said before it was amended.
type Superseded struct {
	Facts   consignment.FindFacts `json:"facts"`
	Advice  consignment.Advice    `json:"advice"`
	Rung    ladder.Rung           `json:"rung"`
	Amended Reasoned              `json:"amended"` // by whom, when and why
}

// Reasoned is a moment with a reason.
type Reasoned struct {
	Moment
	Reason string `json:"reason"`
}

// Photo is one photo of a find.
type Photo struct {
	Hash string `json:"hash"` // SHA-256 of the JPEG, hex
	// Superseded reports that it belongs to a version of the find that was amended.
	Superseded    bool     `json:"superseded,omitempty"`
	Problem       say.Text `json:"problem,omitzero"` // why it cannot be shown
	JPEG          []byte   `json:"-"`
	Width, Height int      `json:"-"`
}

// Amendment is a step that puts an earlier one right.
type Amendment struct {
	Reasoned
	Of  int      `json:"of"` // the step that is put right
	Was say.Text `json:"was"`
	Now say.Text `json:"now,omitzero"` // zero if the earlier step was taken back
}

// Step is one step of the history.
type Step struct {
	Moment
	Kind string   `json:"kind"`
	What say.Text `json:"what"`
	Note say.Text `json:"note,omitzero"` // amended or taken back
}

// Photos finds the bytes of a photo by its hash. A say.Refusal goes onto the
// record as the reason why the photo cannot be shown; any other error ends Build.
type Photos func(hash string) (jpeg []byte, err error)

// Options are what Build cannot know from the history.
type Options struct {
	Photos   Photos
	Invented bool   // demonstration: the record says so
	Program  string // name and version of the program
	Mark     *Mark  // of the newest round, once it has ended
}

// Build collects the record of a consignment.
func Build(s *consignment.State, o Options) (*Record, error) {
	if !s.Exists() {
		return nil, say.Refuse(say.NotFound, "There is no such consignment. Import its order first.")
	}
	b := newBuilder(s, o)
	r := &Record{
		Code: s.Code, Number: s.Number, Invoice: s.Invoice, Customer: s.Customer, Destination: s.Destination,
		DispatchAt: s.DispatchAt, Lines: s.Lines, Packages: s.Count(), Source: s.Source,
		Version: s.Version, LastAt: s.LastAt, Invented: o.Invented, Program: o.Program, Mark: o.Mark,
	}
	var after After
	b.walk(r, &after)
	if !after.empty() {
		r.After = &after
	}
	for _, h := range s.OpenHolds() {
		r.Kept = append(r.Kept, Kept{At: h.At, Rung: h.Rung, Reason: h.Reason})
	}
	for _, round := range s.Rounds {
		got, err := b.round(round)
		if err != nil {
			return nil, err
		}
		r.Rounds = append(r.Rounds, got)
	}
	r.Ahead = b.checks[len(s.Rounds)+1]
	r.Finished, r.Standing = standing(s)
	return r, nil
}

// standing says whether the newest round is over, and if not how far it is.
func standing(s *consignment.State) (bool, say.Text) {
	r := s.Round()
	switch {
	case r == nil:
		return false, say.T("Not finished: no package list is sealed yet, and nothing is examined.")
	case r.Ended != nil:
		return true, say.Text{}
	}
	closed := 0
	for _, x := range r.Exams {
		if x.Closed() {
			closed++
		}
	}
	return false, say.T("Not finished: round %d is under way, %d of %d packages are examined. This is no result.", r.Number, closed, len(r.Exams))
}

// builder goes through the history once and keeps what the state does not:
// who took each step, and what stood before it was amended.
type builder struct {
	*consignment.State
	Options
	amends map[int][]consignment.Recorded // Amended events by the step they amend
	steps  map[packageStep]Moment
	sealed map[int]sealing // by round
	drawn  map[int]Moment
	ended  map[int]Moment
	checks map[int][]Check
	finds  map[int][]*Find
	swaps  map[int][]Replacement
}

type sealing struct {
	Moment
	lines []consignment.Line
}

// packageStep names one step of the examination of one package.
type packageStep struct {
	round, pkg int
	kind       string
}

func newBuilder(s *consignment.State, o Options) *builder {
	b := &builder{
		State: s, Options: o,
		amends: map[int][]consignment.Recorded{}, steps: map[packageStep]Moment{}, sealed: map[int]sealing{},
		drawn: map[int]Moment{}, ended: map[int]Moment{}, checks: map[int][]Check{}, finds: map[int][]*Find{}, swaps: map[int][]Replacement{},
	}
	for _, rec := range s.History {
		if e, ok := rec.Event.(consignment.Amended); ok {
			b.amends[e.Of] = append(b.amends[e.Of], rec)
		}
	}
	return b
}

func momentOf(rec consignment.Recorded) Moment {
	return Moment{Step: rec.Version, At: rec.At, By: rec.Actor.Name, Roles: rec.Actor.Roles, Bench: rec.Bench}
}

func (b *builder) walk(r *Record, after *After) {
	var lines []consignment.Line
	for _, rec := range b.History {
		m := momentOf(rec)
		step := Step{Moment: m, Kind: rec.Event.Kind(), What: consignment.Describe(rec.Event)}
		event := rec.Event
		if am, ok := b.Amendment(rec.Version); ok {
			event = am.With
			if am.With == nil {
				step.Note = say.T("taken back by step %d", am.Version)
			} else {
				step.Note = say.T("amended by step %d", am.Version)
			}
		}
		r.History = append(r.History, step)
		if f, ok := rec.Event.(consignment.FindRecorded); ok {
			b.finds[f.Round] = append(b.finds[f.Round], b.find(rec, f))
		}
		switch e := event.(type) {
		case consignment.Registered:
			r.TakenIn, lines = m, slices.Clone(e.Lines)
		case consignment.Rescheduled:
			r.Changes = append(r.Changes, Change{Moment: m, DispatchAt: e.DispatchAt, Reason: e.Reason})
		case consignment.Recounted:
			r.Changes = append(r.Changes, Change{Moment: m, Line: e.Line + 1, Was: lines[e.Line].Packages, Now: e.Packages, Reason: e.Reason})
			lines = slices.Clone(lines)
			lines[e.Line].Packages = e.Packages
		case consignment.ListChanged:
			b.after(after, m, e)
			lines = append(consignment.Without(lines, e.Removed), e.Added...)
		case consignment.Disposed:
			b.after(after, m, e)
			if e.Units == 0 {
				lines = consignment.Without(lines, e.Packages)
			}
		case consignment.LabelsPrinted:
			r.Labels = append(r.Labels, Labels{m, e.From, e.To, e.Sheet, e.Reason})
		case consignment.BenchChecked:
			b.checks[e.Round] = append(b.checks[e.Round], Check{Moment: m, After: e.After, Items: b.answers(e), Note: e.Note})
		case consignment.Sealed:
			b.sealed[e.Round] = sealing{m, lines}
		case consignment.Drawn:
			b.drawn[e.Round] = m
		case consignment.Fetched:
			b.steps[packageStep{e.Round, e.Package, e.Kind()}] = m
		case consignment.Opened:
			b.steps[packageStep{e.Round, e.Package, e.Kind()}] = m
		case consignment.PackageLooked:
			b.steps[packageStep{e.Round, e.Package, e.Kind()}] = m
		case consignment.PackageClosed:
			b.steps[packageStep{e.Round, e.Package, e.Kind()}] = m
		case consignment.Replaced:
			b.swaps[e.Round] = append(b.swaps[e.Round], Replacement{m, e.Package, e.By, e.Reason})
		case consignment.FindRaised:
			b.move(e.Round, e.Find, Move{Moment: m, To: e.Rung, Reason: e.Reason})
		case consignment.FindLowered:
			b.move(e.Round, e.Find, Move{Moment: m, To: e.Rung, Reason: e.Reason})
		case consignment.RoundEnded:
			b.ended[e.Round] = m
		case consignment.Amended:
			a := Amendment{Reasoned: Reasoned{m, e.Reason}, Of: e.Of, Was: consignment.Describe(b.before(e.Of, rec.Version))}
			if e.With != nil {
				a.Now = consignment.Describe(e.With.Event)
			}
			r.Amendments = append(r.Amendments, a)
		default:
			b.after(after, m, event)
		}
	}
}

// before gives what stood at step of until the step amending changed it.
func (b *builder) before(of, amending int) consignment.Event {
	e := b.History[of-1].Event
	for _, rec := range b.amends[of] {
		if am := rec.Event.(consignment.Amended); rec.Version < amending && am.With != nil {
			e = am.With.Event
		}
	}
	return e
}

// answers gives the items of a check with their words, in the order of the rule
// set of its round. The rule set comes on record with the seal; until then the
// shipped one lends its words, and an item that it does not have stands as named.
func (b *builder) answers(e consignment.BenchChecked) []Answer {
	rules := consignment.DefaultRules()
	if e.Round >= 1 && e.Round <= len(b.Rounds) {
		rules = b.Rounds[e.Round-1].Rules
	}
	items := rules.Before
	if e.After {
		items = rules.After
	}
	var as []Answer
	known := map[string]bool{}
	for _, it := range items {
		yes, no := slices.Contains(e.Yes, it.ID), slices.Contains(e.No, it.ID)
		if known[it.ID] = true; yes || no {
			as = append(as, Answer{it.Words, yes})
		}
	}
	for i, ids := range [][]string{e.Yes, e.No} {
		for _, id := range ids {
			if !known[id] {
				as = append(as, Answer{say.T("%s", id), i == 0})
			}
		}
	}
	return as
}

// find makes a find from the event that recorded it and all that amended it.
func (b *builder) find(rec consignment.Recorded, e consignment.FindRecorded) *Find {
	f := &Find{Number: e.Find, Facts: e.Facts, Advice: e.Advice, Chosen: e.Rung, Rung: e.Rung, Recorded: momentOf(rec)}
	f.rungs = []rungAt{{rec.Version, e.Rung}}
	for _, by := range b.amends[rec.Version] {
		am := by.Event.(consignment.Amended)
		why := Reasoned{momentOf(by), am.Reason}
		if am.With == nil {
			f.TakenBack = &why
			continue
		}
		if with, ok := am.With.Event.(consignment.FindRecorded); ok {
			f.Earlier = append(f.Earlier, Superseded{f.Facts, f.Advice, f.Rung, why})
			f.Facts, f.Advice, f.Rung = with.Facts, with.Advice, with.Rung
			f.rungs = append(f.rungs, rungAt{by.Version, with.Rung})
		}
	}
	return f
}

// move adds a way up or down the ladder to a find, from what was in force at that
// moment.
func (b *builder) move(round, number int, m Move) {
	for _, f := range b.finds[round] {
		if f.Number != number {
			continue
		}
		m.From = f.rungAt(m.Step)
		f.rungs = append(f.rungs, rungAt{m.Step, m.To})
		f.Moves = append(f.Moves, m)
	}
}

func (b *builder) round(r *consignment.Round) (Round, error) {
	seal := b.sealed[r.Number]
	out := Round{
		Number: r.Number, Reason: r.Reason, Rules: r.Rules, Lines: seal.lines, Packages: r.Packages,
		Digest: r.Digest, Sealed: seal.Moment, Examine: len(r.Drawn), Seed: hex.EncodeToString(r.Seed[:]), Proof: r.Proof, SeedWhy: r.SeedWords(),
		Quotas: r.Quotas, Draw: r.Drawn, Drawn: b.drawn[r.Number], Checks: b.checks[r.Number], Replacements: b.swaps[r.Number], FirstOpened: r.FirstOpened,
	}
	sealed := &consignment.State{Code: b.Code, Number: b.Number, Lines: seal.lines}
	out.DigestAgrees = sealed.ListDigest(r.Number) == r.Digest
	plan, err := sampling.ByRate(r.Packages, r.Rules.Rate, r.Rules.Minimum)
	if err != nil {
		return out, err
	}
	out.Why = plan.Why()
	for i, n := range r.Drawn {
		out.Exams = append(out.Exams, b.exam(r, sealed, i+1, n))
	}
	for _, f := range b.finds[r.Number] {
		if p, ok := sealed.Package(f.Facts.Package); ok {
			f.Crop = p.CropLine.Crop
		}
		if now := r.Find(f.Number); now != nil {
			f.Facts, f.Advice, f.Rung = now.Facts, now.Advice, now.Rung
		}
		if err := b.photos(f); err != nil {
			return out, err
		}
		out.Finds = append(out.Finds, *f)
	}
	for i, e := range r.Endings {
		if e.Outcome != "" && (r.Ended == nil || i < len(r.Endings)-1) {
			out.Before = append(out.Before, Outcome{Moment{At: e.At, By: e.By.Name, Roles: e.By.Roles}, e.Outcome, e.Reasons, e.ValidUntil})
		}
	}
	if end := r.Ended; end != nil {
		out.Outcome = &Outcome{b.ended[r.Number], end.Outcome, end.Reasons, end.ValidUntil}
	} else {
		out.Missing = r.Conclude(b.LastAt).Missing
	}
	if err := weigh(r, &out); err != nil {
		return out, err
	}
	out.Cautions = cautions(out)
	return out, nil
}

func (b *builder) exam(r *consignment.Round, sealed *consignment.State, place, first int) Exam {
	pkg := first
	for _, rep := range r.Replacements { // in order, so a replaced reserve is followed too
		if rep.Package == pkg {
			pkg = rep.By
		}
	}
	x := Exam{Place: place, Package: pkg}
	if pkg != first {
		x.InPlaceOf = first
	}
	if p, ok := sealed.Package(pkg); ok {
		x.Crop, x.Batch, x.Ref, x.Expected = p.CropLine.Crop, p.CropLine.Batch, p.Ref, p.CropLine.UnitsPerPackage
	}
	step := func(e consignment.Event) Moment { return b.steps[packageStep{r.Number, pkg, e.Kind()}] }
	x.Fetched, x.Opened = step(consignment.Fetched{}), step(consignment.Opened{})
	x.Looked, x.Closed = step(consignment.PackageLooked{}), step(consignment.PackageClosed{})
	if e := r.Exams[pkg]; e != nil {
		x.Counted, x.Seen = e.Units, e.Seen()
		if e.Looks != nil {
			x.Looks, x.None = e.Looks.Made, e.Looks.None
		}
	}
	for _, f := range r.FindsIn(pkg) {
		x.Finds = append(x.Finds, f.ID)
	}
	return x
}

// photos looks up the photos of a find, those of superseded versions last.
func (b *builder) photos(f *Find) error {
	add := func(hashes []string, superseded bool) error {
		for _, h := range hashes {
			if slices.ContainsFunc(f.Photos, func(p Photo) bool { return p.Hash == h }) {
				continue
			}
			p := Photo{Hash: h, Superseded: superseded}
			if err := b.lookUp(&p); err != nil {
				return err
			}
			f.Photos = append(f.Photos, p)
		}
		return nil
	}
	if err := add(f.Facts.Photos, false); err != nil {
		return err
	}
	for _, e := range f.Earlier {
		if err := add(e.Facts.Photos, true); err != nil {
			return err
		}
	}
	return nil
}

func (b *builder) lookUp(p *Photo) error {
	if b.Photos == nil {
		return errors.New("record: there are photos, but nothing to look them up with")
	}
	file, err := b.Photos(p.Hash)
	var refused *say.Refusal
	switch {
	case errors.As(err, &refused):
		p.Problem = refused.Text
		return nil
	case err != nil:
		return err
	}
	cfg, err := jpeg.DecodeConfig(bytes.NewReader(file))
	if err != nil || cfg.Width < 1 || cfg.Height < 1 {
		p.Problem = say.T("This photo cannot be read.")
		return nil
	}
	p.JPEG, p.Width, p.Height = file, cfg.Width, cfg.Height
	return nil
}

// weigh says what the round can and cannot show.
func weigh(r *consignment.Round, out *Round) error {
	ev, err := r.Evidence()
	if err != nil {
		return err
	}
	out.Evidence = &ev
	begun := false
	for _, x := range r.Exams {
		begun = begun || x.Closed()
	}
	switch {
	case r.Ended == nil && !begun && r.Highest() <= ladder.Note:
		out.Shows = ev.Words() // what it will show
	case r.Ended == nil:
		out.Shows = append([]say.Text{say.T("So far:")}, ev.Record()...)
	default:
		out.Shows = ev.Record()
	}
	switch n := len(r.Replacements); {
	case n == 1:
		out.Shows = append(out.Shows, say.T("One drawn package could not be reached: nothing is known about that one."))
	case n > 1:
		out.Shows = append(out.Shows, say.T("%d drawn packages could not be reached: nothing is known about those.", n))
	}
	return nil
}

// cautions says what to keep in mind about the outcome. They defer to the
// authority, the label and the law, and are common practice.
func cautions(r Round) []say.Text {
	var cs []say.Text
	if slices.ContainsFunc(r.Finds, func(f Find) bool { return f.TakenBack == nil }) {
		cs = append(cs, say.T("The bench's reference helps to decide what to do next; it does not identify. A suspect is confirmed by the authority or by a laboratory."))
	}
	if r.Outcome == nil {
		return cs
	}
	switch r.Outcome.Outcome {
	case consignment.Stopped:
		return append(cs,
			say.T("Leave everything in place and keep people out. Wash hands, change gloves, clean tools, and carry no material away."),
			say.T("Ask the authority before a suspect is moved or posted."),
			say.T("Local law says what must be reported, to whom and how soon."))
	case consignment.Held:
		return append(cs,
			say.T("Nothing of this consignment moves until the sample is identified."),
			say.T("Ask the authority before a suspect is moved or posted."),
			say.T("Local law says what must be reported, to whom and how soon."))
	case consignment.Rejected:
		return append(cs,
			say.T("Isolate the goods, examine them in detail, and inspect them again in a new round before they go."),
			say.T("Treat only as the product label and local law allow, by a licensed person: protective equipment, re-entry interval, withholding period, records."))
	case consignment.Passed:
		return append(cs,
			say.T("Until it leaves: keep it at least 1 m from goods not inspected, off soil, out of run-off water, and in an area free of pests."),
			say.T("A sample can miss what is rare: tell the supervisor if anything is seen afterwards."))
	}
	return cs
}
