package consignment

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"slices"
	"time"

	"lastlook/internal/draw"
	"lastlook/internal/ladder"
	"lastlook/internal/sampling"
	"lastlook/internal/say"
)

// MaxPackages is the largest number of packages one consignment may have.
const MaxPackages = 100_000

// MaxUnits is the largest number of units one package may hold.
const MaxUnits = 10_000

// Line is a crop line: the units of one crop and batch inside a consignment.
// Packages are numbered through all lines, from 1.
type Line struct {
	Crop            string   `json:"crop"`
	Batch           string   `json:"batch,omitempty"`
	Bay             string   `json:"bay,omitempty"` // growing bay
	Packages        int      `json:"packages"`
	UnitsPerPackage int      `json:"units_per_package"`
	Refs            []string `json:"refs,omitempty"` // the nursery's own marks on the packages, if listed
	// Removed are the numbers of packages that were taken out since, in order. Their
	// numbers are not used again.
	Removed []int `json:"removed,omitempty"`
}

// Outcome is how a round ends.
type Outcome string

// The outcomes.
const (
	Passed   Outcome = "passed"
	Rejected Outcome = "rejected"
	Held     Outcome = "held"
	Stopped  Outcome = "stopped"
)

var outcomeWords = map[Outcome]say.Text{
	Passed:   say.T("Passed"),
	Rejected: say.T("Rejected"),
	Held:     say.T("Held"),
	Stopped:  say.T("Stopped"),
}

// Words names the outcome.
func (o Outcome) Words() say.Text { return outcomeWords[o] }

// State is a consignment as its events make it. The zero State is one that has
// not been registered. Callers read it and never change it.
type State struct {
	Code        string
	Number      string
	Invoice     string
	Customer    string
	Destination string
	DispatchAt  time.Time
	Lines       []Line
	Source      string
	Fingerprint string
	Registered  time.Time
	Labels      []Printing
	Rounds      []*Round
	Samples     []*Sample
	Holds       []*Hold
	StopSteps   []StopTick
	Treatments  []Treatment
	Disposals   []Disposal
	Lists       []Listing // changes of the packages after the first round
	Marks       []Marking
	StoreCheck  *StoreCheck // newest
	Cleanings   []Cleaning
	Dispatched  *Leaving

	Version int       // of the newest event
	LastAt  time.Time // of the newest event
	History []Recorded

	checks     map[int]roundChecks // bench checks by round, as they may precede the seal
	proven     map[int]bool        // draws whose proofs were checked, by version of the event
	amendments map[int]Amendment
	places     map[int]standing  // by package
	aboard     map[int]time.Time // packages on the vehicle
}

type roundChecks struct{ before, after *BenchCheck }

// Printing is one run of labels.
type Printing struct {
	LabelsPrinted
	At time.Time
	By Actor
}

// Amendment says what stands in the place of an earlier event, and why.
type Amendment struct {
	Version int   // of the amending event
	With    Event // nil: taken back
	Reason  string
	By      Actor
	At      time.Time
}

// BenchCheck is a bench check as recorded.
type BenchCheck struct {
	BenchChecked
	At    time.Time
	By    Actor
	Bench string
}

// Round is one inspection of the consignment, from seal to outcome.
type Round struct {
	Number   int
	Rules    RuleSet
	Packages int
	Digest   string
	Reason   string
	SealedAt time.Time
	SealedBy Actor

	Seed     draw.Seed
	Proof    *draw.Evidence // of the seed, checked; nil in histories from before draws were proven
	Quotas   []int
	Drawn    []int // package numbers first drawn, in draw order
	Reserves []int // the packages behind them, in draw order
	DrawnAt  time.Time

	Before, After *BenchCheck // the newest of each
	Replacements  []Replacement
	Exams         map[int]*Exam // one a package to examine; replaced ones are gone
	Finds         []*Find
	FirstOpened   time.Time

	Ended   *Ending
	Endings []Ending // all outcomes the round has had, the newest last
	Answers []Answering
	Detail  *Detail

	benches []string // on which packages were opened
	last    int      // highest package number at the seal
}

// Replacement is a drawn package that could not be reached and its reserve.
type Replacement struct {
	Package, By int
	Reason      string
	At          time.Time
	Actor       Actor
}

// Ending is the outcome of a round with its reasons.
type Ending struct {
	Outcome    Outcome
	Reasons    []say.Text
	ValidUntil time.Time
	At         time.Time
	By         Actor
}

// Exam is the examination of one package.
type Exam struct {
	Package   int
	FetchedAt time.Time
	FetchedBy Actor
	OpenedAt  time.Time
	Bench     string // where it was opened
	LookedAt  time.Time
	Units     int // counted; 0 until counted
	Looks     *LooksConfirmed
	ClosedAt  time.Time
	unit      []UnitState // index 0 is unit 1
}

// UnitState is what is known of one unit.
type UnitState byte

// The states of a unit.
const (
	Unseen UnitState = iota
	Clean
	WithFind
)

// Unit gives the state of unit n, from 1.
func (e *Exam) Unit(n int) UnitState {
	if n < 1 || n > len(e.unit) {
		return Unseen
	}
	return e.unit[n-1]
}

// Seen counts the units that are clean or have a find.
func (e *Exam) Seen() int {
	seen := 0
	for _, u := range e.unit {
		if u != Unseen {
			seen++
		}
	}
	return seen
}

// NextUnseen gives the first unit not yet looked at, or 0.
func (e *Exam) NextUnseen() int {
	for i, u := range e.unit {
		if u == Unseen {
			return i + 1
		}
	}
	return 0
}

// Unseens gives the units not yet looked at, as spans.
func (e *Exam) Unseens() []Span {
	var spans []Span
	for i, u := range e.unit {
		if u != Unseen {
			continue
		}
		if n := len(spans); n > 0 && spans[n-1].To == i {
			spans[n-1].To = i + 1
		} else {
			spans = append(spans, Span{From: i + 1, To: i + 1})
		}
	}
	return spans
}

// Closed reports whether the package was put back and closed.
func (e *Exam) Closed() bool { return !e.ClosedAt.IsZero() }

// Open reports whether the package is open on the bench.
func (e *Exam) Open() bool { return !e.OpenedAt.IsZero() && !e.Closed() }

// Exists reports whether the consignment has been registered.
func (s *State) Exists() bool { return s.Version > 0 }

// Total is the highest package number: how many packages there are, with those
// that were taken out.
func (s *State) Total() int { return total(s.Lines) }

func total(lines []Line) int {
	n := 0
	for _, l := range lines {
		n += l.Packages
	}
	return n
}

// numbered gives how many package numbers each crop line has.
func numbered(lines []Line) []int {
	ns := make([]int, len(lines))
	for i, l := range lines {
		ns[i] = l.Packages
	}
	return ns
}

// Sizes gives how many packages of each crop line are there.
func Sizes(lines []Line) []int {
	ns := make([]int, len(lines))
	for i, l := range lines {
		ns[i] = l.Present()
	}
	return ns
}

// Package is one package with the crop line it belongs to.
type Package struct {
	Number   int
	Line     int // index into the lines
	Ref      string
	CropLine Line
}

// Package finds the package with the given number and its crop line; ok is
// false if there is none.
func (s *State) Package(number int) (p Package, ok bool) {
	first := 1
	for i, l := range s.Lines {
		if number >= first && number < first+l.Packages {
			p = Package{Number: number, Line: i, CropLine: l}
			if k := number - first; k < len(l.Refs) {
				p.Ref = l.Refs[k]
			}
			return p, true
		}
		first += l.Packages
	}
	return Package{}, false
}

// ByRef finds the package with the nursery's own mark; ok is false if none has it.
func (s *State) ByRef(ref string) (number int, ok bool) {
	first := 1
	for _, l := range s.Lines {
		if i := slices.Index(l.Refs, ref); i >= 0 {
			return first + i, true
		}
		first += l.Packages
	}
	return 0, false
}

// Round gives the newest round, or nil before the first seal.
func (s *State) Round() *Round {
	if len(s.Rounds) == 0 {
		return nil
	}
	return s.Rounds[len(s.Rounds)-1]
}

// Running gives the round that is under way, or nil.
func (s *State) Running() *Round {
	if r := s.Round(); r != nil && r.Ended == nil {
		return r
	}
	return nil
}

// upcoming is the number of the round under way or, between rounds, the next one.
func (s *State) upcoming() int {
	if s.Running() != nil {
		return len(s.Rounds)
	}
	return len(s.Rounds) + 1
}

// BeforeCheck gives the newest bench check before the round under way or, between
// rounds, the next one; nil if there is none.
func (s *State) BeforeCheck() *BenchCheck { return s.checks[s.upcoming()].before }

// Amendment tells what amended the event of the given version, if anything did.
func (s *State) Amendment(version int) (Amendment, bool) {
	a, ok := s.amendments[version]
	return a, ok
}

// ListDigest is the SHA-256, in hex, of the canonical package list: each field
// as its length in eight bytes, big-endian, and its bytes, in the order code,
// number, round, and for each crop line crop, batch, bay, packages, units a
// package, and the references. Where packages were taken out, the word removed,
// how many, and their numbers follow.
func (s *State) ListDigest(round int) string {
	h := sha256.New()
	field := func(v string) {
		var n [8]byte
		binary.BigEndian.PutUint64(n[:], uint64(len(v)))
		h.Write(n[:])
		h.Write([]byte(v))
	}
	number := func(n int) { field(fmt.Sprint(n)) }
	field("lastlook package list 1")
	field(s.Code)
	field(s.Number)
	number(round)
	number(len(s.Lines))
	var removed []int
	for _, l := range s.Lines {
		removed = append(removed, l.Removed...)
		field(l.Crop)
		field(l.Batch)
		field(l.Bay)
		number(l.Packages)
		number(l.UnitsPerPackage)
		number(len(l.Refs))
		for _, r := range l.Refs {
			field(r)
		}
	}
	if len(removed) > 0 {
		field("removed")
		number(len(removed))
		for _, n := range removed {
			number(n)
		}
	}
	return hex.EncodeToString(h.Sum(nil))
}

// drawInput is what the seed of a round's draw follows from; the site is missing.
func (s *State) drawInput(round int, rules RuleSet, packages, examine int, quotas []int) draw.Input {
	return draw.Input{
		Consignment: s.Code, Number: s.Number, Round: round,
		Rules: rules.Version, Rate: rules.Rate.String(), Minimum: rules.Minimum, Spread: rules.Spread,
		Packages: packages, Examine: examine, Quotas: quotas, List: s.ListDigest(round),
	}
}

// SeedWords says where the seed of the draw came from.
func (r *Round) SeedWords() say.Text {
	if r.Proof == nil {
		return say.T("Seed without proof: this draw is from before draws were proven. The order follows from the seed, but nobody can show any more that the seed was not chosen.")
	}
	return say.T("Nobody chose the seed: it follows from the sealed list and the key of site %s, in one way only. The proof was checked.", r.Proof.Input.Site)
}

// ToExamine gives the packages to examine, replacements applied, in the order
// of their numbers, which is the order in which they stand.
func (r *Round) ToExamine() []int {
	ns := make([]int, 0, len(r.Exams))
	for n := range r.Exams {
		ns = append(ns, n)
	}
	slices.Sort(ns)
	return ns
}

// Find gives the find with the given number in the round, or nil.
func (r *Round) Find(id int) *Find {
	for _, f := range r.Finds {
		if f.ID == id {
			return f
		}
	}
	return nil
}

// FindsIn gives the finds in one package.
func (r *Round) FindsIn(pkg int) []*Find {
	var fs []*Find
	for _, f := range r.Finds {
		if f.Facts.Package == pkg {
			fs = append(fs, f)
		}
	}
	return fs
}

// Highest is the highest rung in force among the finds, or 0 without finds.
func (r *Round) Highest() ladder.Rung {
	var top ladder.Rung
	for _, f := range r.Finds {
		top = max(top, f.Rung)
	}
	return top
}

// OpenAt gives the package that is open on the given bench, or nil.
func (r *Round) OpenAt(bench string) *Exam {
	for _, n := range r.ToExamine() {
		if e := r.Exams[n]; e.Open() && e.Bench == bench {
			return e
		}
	}
	return nil
}

// Evidence says what the round's sample can and cannot show, at 95 % confidence:
// packages with a find that rejects, holds or stops count as infested. Before the
// first package is examined it is what the whole draw will show if it is clean.
func (r *Round) Evidence() (sampling.Evidence, error) {
	examined, infested := 0, 0
	for n, e := range r.Exams {
		bad := slices.ContainsFunc(r.FindsIn(n), func(f *Find) bool { return f.Rung > ladder.Note })
		if e.Closed() || bad {
			examined++
		}
		if bad {
			infested++
		}
	}
	if examined == 0 {
		examined = len(r.Exams)
	}
	return sampling.Weigh(sampling.Question{
		Packages: r.Packages, Examined: examined, Infested: infested,
		Confidence: sampling.DefaultConfidence, Efficacy: sampling.Whole,
	})
}

// ValidUntil is the end of the window: a consignment must leave before it.
// Zero until the first package was opened.
func (r *Round) ValidUntil() time.Time {
	if r.FirstOpened.IsZero() {
		return time.Time{}
	}
	return r.FirstOpened.Add(r.Rules.Window())
}

// EarliestStart is the moment before which an inspection would lapse before dispatch.
func (s *State) EarliestStart(rules RuleSet) time.Time {
	return s.DispatchAt.Add(-rules.Window())
}

// ExpectedWork estimates the bench time for one round under the rules.
func (s *State) ExpectedWork(rules RuleSet) time.Duration {
	n := s.Count()
	if n == 0 {
		return 0
	}
	plan, err := sampling.ByRate(n, rules.Rate, rules.Minimum)
	if err != nil {
		return 0
	}
	units := 0
	for _, l := range s.Lines {
		units += l.Present() * l.UnitsPerPackage
	}
	perPackage := time.Duration(rules.SecondsPerPackage)*time.Second +
		time.Duration(rules.SecondsPerUnit)*time.Second*time.Duration(units)/time.Duration(n)
	return (time.Duration(rules.MinutesPerRound)*time.Minute + perPackage*time.Duration(plan.Examine)).Round(time.Minute)
}

// LatestStart is the latest moment at which an inspection can begin and still
// be over, by the estimate, when the consignment is to leave.
func (s *State) LatestStart(rules RuleSet) time.Time {
	return s.DispatchAt.Add(-s.ExpectedWork(rules))
}
