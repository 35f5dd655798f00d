package consignment

import (
	"bytes"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"lastlook/internal/draw"
	"lastlook/internal/ladder"
	"lastlook/internal/say"
	"lastlook/internal/vrf"
)

var (
	tam = Actor{ID: "BBBB", Name: "Tam Orrin", Roles: []string{"inspector"}}
	ida = Actor{ID: "AAAA", Name: "Ida Fenn", Roles: []string{"inspector", Supervisor}}
	t0  = time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)
)

// inspection drives one consignment through the core as the bench would.
type inspection struct {
	t     testing.TB
	s     *State
	now   time.Time
	actor Actor
	bench string

	prover draw.Prover
}

func begin(t testing.TB) *inspection {
	s, err := Fold(nil)
	if err != nil {
		t.Fatal(err)
	}
	return &inspection{t: t, s: s, now: t0, actor: tam, bench: "bench 1", prover: prover(1)}
}

// try takes a step a minute after the last one and keeps what follows from it.
func (in *inspection) try(c Command) error {
	in.t.Helper()
	in.now = in.now.Add(time.Minute)
	m := Meta{Actor: in.actor, Bench: in.bench, At: in.now, Prover: in.prover}
	events, err := Decide(in.s, m, c)
	if err != nil {
		return err
	}
	var recs []Recorded
	for i, e := range events {
		recs = append(recs, Recorded{Version: in.s.Version + i + 1, At: m.At, Actor: m.Actor, Bench: m.Bench, Event: e})
	}
	next, err := in.s.After(recs)
	if err != nil {
		in.t.Fatalf("%T was accepted but its events do not fold: %v", c, err)
	}
	in.s = next
	return nil
}

func (in *inspection) do(cs ...Command) *inspection {
	in.t.Helper()
	for _, c := range cs {
		if err := in.try(c); err != nil {
			in.t.Fatalf("%T%+v: %v", c, c, err)
		}
	}
	return in
}

// refused asserts that a step is refused with the code and the words, and that
// nothing changed.
func (in *inspection) refused(c Command, code say.Code, words string) {
	in.t.Helper()
	before := in.s.Version
	err := in.try(c)
	if err == nil {
		in.t.Fatalf("%T%+v was accepted, want it refused (%s)", c, c, code)
	}
	if got := say.CodeOf(err); got != code {
		in.t.Errorf("%T%+v: code %q, want %q (%v)", c, c, got, code, err)
	}
	if !strings.Contains(err.Error(), words) {
		in.t.Errorf("%T%+v says %q, want it to speak of %q", c, c, err, words)
	}
	if in.s.Version != before {
		in.t.Errorf("%T%+v was refused but changed the history", c, c)
	}
}

func order(number string, lines ...Line) Register {
	return Register{Registered{
		Code: "7F3K", Number: number, Customer: "Bracken & Co (invented)", Destination: "Eastmoor",
		DispatchAt: t0.Add(30 * time.Hour), Lines: lines, Source: "test",
	}}
}

func lavender(packages int) Line {
	return Line{Crop: "Lavandula", Batch: "L-26-11", Bay: "B4", Packages: packages, UnitsPerPackage: 4}
}

// prover draws with a key made from b.
func prover(b byte) draw.Prover {
	k, err := vrf.NewKey(bytes.Repeat([]byte{b}, vrf.SeedSize))
	if err != nil {
		panic(err)
	}
	return draw.NewProver("quillfern-test", k)
}

// fitCheck answers yes to everything; no names the items answered no.
func benchCheck(rules RuleSet, after bool, no ...string) CheckBench {
	c := CheckBench{After: after, Rules: rules, No: no}
	items := rules.Before
	if after {
		items = rules.After
	}
	for _, it := range items {
		if !slices.Contains(no, it.ID) {
			c.Yes = append(c.Yes, it.ID)
		}
	}
	return c
}

// sealed brings a consignment as far as the draw.
func sealed(t testing.TB, lines ...Line) *inspection {
	in := begin(t)
	rules := DefaultRules()
	in.do(order("K-2041", lines...))
	return in.do(
		PrintLabels{Sheet: "a4", From: 1, To: in.s.Total()},
		benchCheck(rules, false),
		Seal{Counted: in.s.Total(), Rules: rules})
}

func looks(pkg int) ConfirmLooks {
	return ConfirmLooks{Package: pkg, Made: []Look{LookStems, LookLeafAbove, LookLeafBelow, LookMedium}, None: []Look{LookFlowers}}
}

// opened brings it as far as the first open and counted package, and names it.
func opened(t testing.TB, lines ...Line) (*inspection, int) {
	in := sealed(t, lines...)
	pkg := in.s.Running().ToExamine()[0]
	in.do(Fetch{pkg}, Open{pkg}, LookPackage{pkg}, CountUnits{pkg, 4})
	return in, pkg
}

// examineAll examines every package that is not closed yet, all clean.
func (in *inspection) examineAll() *inspection {
	in.t.Helper()
	for _, pkg := range in.s.Running().ToExamine() {
		x := in.s.Running().Exams[pkg]
		if x.Closed() {
			continue
		}
		if x.FetchedAt.IsZero() {
			in.do(Fetch{pkg})
		}
		if x.OpenedAt.IsZero() {
			in.do(Open{pkg}, LookPackage{pkg}, CountUnits{pkg, 4})
		}
		x = in.s.Running().Exams[pkg]
		if left := x.Units - x.Seen(); left > 0 {
			in.do(CleanRest{pkg, left})
		}
		in.do(looks(pkg), ClosePackage{pkg})
	}
	return in
}

func facts(pkg, unit int, what What, alive Alive) FindFacts {
	return FindFacts{Package: pkg, Unit: unit, Part: PartLeafLower, What: what, Units: 1, Alive: alive, Method: ByHandLens}
}

func TestPassed(t *testing.T) {
	in := sealed(t, lavender(240))
	r := in.s.Running()
	if len(r.Drawn) != 5 || len(r.Reserves) != 235 {
		t.Fatalf("drew %d with %d reserves, want 5 with 235 (2 %% of 240 rounded up)", len(r.Drawn), len(r.Reserves))
	}
	in.examineAll()
	in.do(benchCheck(r.Rules, true), EndRound{})
	end := in.s.Round().Ended
	if end == nil || end.Outcome != Passed {
		t.Fatalf("ended %+v, want passed", end)
	}
	if want := in.s.Round().FirstOpened.Add(72 * time.Hour); !end.ValidUntil.Equal(want) {
		t.Errorf("valid until %v, want %v: 72 h after the first package was opened", end.ValidUntil, want)
	}
	ev, err := in.s.Round().Evidence()
	if err != nil {
		t.Fatal(err)
	}
	if ev.Examined != 5 || ev.Infested != 0 || ev.SmallestPackages == 0 {
		t.Errorf("evidence %+v, want 5 examined, none infested", ev)
	}
	if got := Next(in.s, "bench 1").Kind; got != StepDone {
		t.Errorf("Next = %v, want %v", got, StepDone)
	}
}

func TestNextWalksTheRound(t *testing.T) {
	in := begin(t)
	rules := DefaultRules()
	step := func(want Step) {
		t.Helper()
		if got := Next(in.s, "bench 1"); got != want {
			t.Fatalf("after version %d Next = %+v, want %+v", in.s.Version, got, want)
		}
	}
	in.do(order("K-2038", lavender(2)))
	step(Step{Kind: StepLabels})
	in.do(PrintLabels{Sheet: "a4", From: 1, To: 2})
	step(Step{Kind: StepBefore})
	in.do(benchCheck(rules, false, "torch"))
	step(Step{Kind: StepBefore})
	in.do(benchCheck(rules, false))
	step(Step{Kind: StepSeal})
	in.do(Seal{Counted: 2, Rules: rules})
	step(Step{Kind: StepFetch})
	in.do(Fetch{2})
	step(Step{Kind: StepFetch})
	in.do(Fetch{1})
	step(Step{Kind: StepOpen, Package: 1})
	in.do(Open{2})
	step(Step{Kind: StepExamine, Package: 2})
	if got := Next(in.s, "bench 2"); got != (Step{Kind: StepOpen, Package: 1}) {
		t.Errorf("on another bench Next = %+v, want to open package 1", got)
	}
	in.do(LookPackage{2}, CountUnits{2, 4}, CleanRest{2, 4}, looks(2), ClosePackage{2})
	step(Step{Kind: StepOpen, Package: 1})
	in.examineAll()
	step(Step{Kind: StepAfter})
	in.do(benchCheck(rules, true))
	step(Step{Kind: StepConclude})
	in.do(EndRound{})
	step(Step{Kind: StepDone})
}

func TestRefusedSteps(t *testing.T) {
	rules := DefaultRules()
	seal := func(in *inspection) Seal { return Seal{Counted: in.s.Total(), Rules: rules} }
	notDrawn := func(in *inspection) int { return in.s.Running().Reserves[len(in.s.Running().Reserves)-1] }
	tests := []struct {
		name string
		run  func(t *testing.T)
	}{
		{"nobody at the bench", func(t *testing.T) {
			in := begin(t)
			in.actor = Actor{}
			in.refused(order("K-1", lavender(3)), say.Forbidden, "who you are")
		}},
		{"clock set back", func(t *testing.T) {
			in := sealed(t, lavender(3))
			in.now = t0
			in.refused(Fetch{1}, say.Clock, "Set the clock right")
		}},
		{"no such consignment", func(t *testing.T) { begin(t).refused(Fetch{1}, say.NotFound, "Import its order") }},
		{"registered twice", func(t *testing.T) {
			in := begin(t).do(order("K-1", lavender(3)))
			in.refused(order("K-1", lavender(3)), say.Conflict, "here already")
		}},
		{"no package", func(t *testing.T) { begin(t).refused(order("K-1", lavender(0)), say.Invalid, "at least one") }},
		{"negative packages", func(t *testing.T) { begin(t).refused(order("K-1", lavender(-4)), say.Invalid, "at least one") }},
		{"no line", func(t *testing.T) { begin(t).refused(order("K-1"), say.Invalid, "no crop line") }},
		{"too many packages", func(t *testing.T) {
			begin(t).refused(order("K-1", lavender(MaxPackages), lavender(1)), say.Invalid, "split it")
		}},
		{"leaves in the past", func(t *testing.T) {
			c := order("K-1", lavender(3))
			c.DispatchAt = t0.Add(-time.Hour)
			begin(t).refused(c, say.Invalid, "has passed")
		}},
		{"list and count disagree", func(t *testing.T) {
			l := lavender(3)
			l.Refs = []string{"T1", "T2"}
			begin(t).refused(order("K-1", l), say.Invalid, "make them agree")
		}},
		{"steps before the seal", func(t *testing.T) {
			in := begin(t).do(order("K-1", lavender(3)))
			for _, c := range []Command{Fetch{1}, Open{1}, EndRound{}, CleanUnit{1, 0}, RecordFind{Facts: facts(1, 0, Soil, NotTold)}} {
				in.refused(c, say.Illegal, "seal the package list first")
			}
		}},
		{"miscounted", func(t *testing.T) {
			in := begin(t).do(order("K-1", lavender(3)))
			in.refused(Seal{Counted: 2, Rules: rules}, say.Invalid, "count again")
		}},
		{"no key to draw with", func(t *testing.T) {
			in := begin(t).do(order("K-1", lavender(3)))
			in.prover = draw.Prover{}
			in.refused(Seal{Counted: 3, Rules: rules}, say.Storage, "no key for drawing")
		}},
		{"drawn twice", func(t *testing.T) {
			in := sealed(t, lavender(30))
			in.refused(seal(in), say.Illegal, "nobody can draw twice")
		}},
		{"list changed after the seal", func(t *testing.T) {
			sealed(t, lavender(30)).refused(Recount{0, 29, "one fell off"}, say.Illegal, "sealed")
		}},
		{"recount to none", func(t *testing.T) {
			begin(t).do(order("K-1", lavender(3))).refused(Recount{0, 0, "gone"}, say.Invalid, "at least one")
		}},
		{"recount without a reason", func(t *testing.T) {
			begin(t).do(order("K-1", lavender(3))).refused(Recount{0, 2, "  "}, say.Invalid, "Say why")
		}},
		{"fetch a package not drawn", func(t *testing.T) {
			in := sealed(t, lavender(240))
			in.refused(Fetch{notDrawn(in)}, say.Illegal, "not in the draw")
		}},
		{"examine a package not drawn", func(t *testing.T) {
			in := sealed(t, lavender(240))
			in.refused(Open{notDrawn(in)}, say.Illegal, "not in the draw")
		}},
		{"fetch no such package", func(t *testing.T) { sealed(t, lavender(240)).refused(Fetch{241}, say.NotFound, "1 to 240") }},
		{"fetch twice", func(t *testing.T) {
			in := sealed(t, lavender(2)).do(Fetch{1})
			in.refused(Fetch{1}, say.Illegal, "here already")
		}},
		{"open before fetching", func(t *testing.T) { sealed(t, lavender(2)).refused(Open{1}, say.Illegal, "fetch it") }},
		{"open a second package on one bench", func(t *testing.T) {
			in := sealed(t, lavender(2)).do(Fetch{1}, Fetch{2}, Open{1})
			in.refused(Open{2}, say.Illegal, "finish it first")
		}},
		{"open on an unfit bench", func(t *testing.T) {
			in := begin(t).do(order("K-1", lavender(2)), benchCheck(rules, false, "lit"))
			in.do(seal(in), Fetch{1})
			in.refused(Open{1}, say.Illegal, "not fit")
		}},
		{"open on an unchecked bench", func(t *testing.T) {
			in := begin(t).do(order("K-1", lavender(2)))
			in.do(seal(in), Fetch{1})
			in.refused(Open{1}, say.Illegal, "not checked")
		}},
		{"open too early", func(t *testing.T) {
			in := begin(t)
			c := order("K-1", lavender(2))
			c.DispatchAt = t0.Add(100 * time.Hour)
			in.do(c, benchCheck(rules, false))
			in.do(seal(in), Fetch{1})
			in.refused(Open{1}, say.Illegal, "Too early")
		}},
		{"reserve when all are drawn", func(t *testing.T) {
			sealed(t, lavender(2)).refused(Replace{1, "behind the trolleys"}, say.Illegal, "no reserve left")
		}},
		{"replace without a reason", func(t *testing.T) {
			in := sealed(t, lavender(30))
			in.refused(Replace{in.s.Running().Drawn[0], ""}, say.Invalid, "Say why")
		}},
		{"replace an opened package", func(t *testing.T) {
			in, pkg := opened(t, lavender(30))
			in.refused(Replace{pkg, "do not like it"}, say.Illegal, "was opened")
		}},
		{"fetch a replaced package", func(t *testing.T) {
			in := sealed(t, lavender(30))
			pkg := in.s.Running().Drawn[0]
			in.do(Replace{pkg, "behind the trolleys"})
			in.refused(Fetch{pkg}, say.Illegal, "was replaced by")
		}},
		{"units before the count", func(t *testing.T) {
			in := sealed(t, lavender(2)).do(Fetch{1}, Open{1})
			in.refused(CleanUnit{1, 0}, say.Illegal, "Count the units")
			in.refused(CleanRest{1, 4}, say.Illegal, "Count the units")
		}},
		{"zero units", func(t *testing.T) {
			in := sealed(t, lavender(2)).do(Fetch{1}, Open{1})
			in.refused(CountUnits{1, 0}, say.Invalid, "cannot be")
			in.refused(CountUnits{1, -1}, say.Invalid, "cannot be")
			in.refused(CountUnits{1, MaxUnits + 1}, say.Invalid, "cannot be")
		}},
		{"recount after looking", func(t *testing.T) {
			in, pkg := opened(t, lavender(2))
			in.do(CleanUnit{pkg, 0}).refused(CountUnits{pkg, 3}, say.Illegal, "undo back")
		}},
		{"a unit twice", func(t *testing.T) {
			in, pkg := opened(t, lavender(2))
			in.do(CleanUnit{pkg, 1}).refused(CleanUnit{pkg, 1}, say.Illegal, "already")
			in.refused(CleanUnit{pkg, 5}, say.Invalid, "no unit 5")
		}},
		{"the rest miscounted", func(t *testing.T) {
			in, pkg := opened(t, lavender(2))
			in.do(CleanUnit{pkg, 1}).refused(CleanRest{pkg, 4}, say.Invalid, "but 3 are left")
		}},
		{"looks before the units", func(t *testing.T) {
			in, pkg := opened(t, lavender(2))
			in.refused(looks(pkg), say.Illegal, "every unit first")
		}},
		{"a look left out", func(t *testing.T) {
			in, pkg := opened(t, lavender(2))
			in.do(CleanRest{pkg, 4})
			in.refused(ConfirmLooks{Package: pkg, Made: []Look{LookStems}}, say.Invalid, "each look")
			in.refused(ConfirmLooks{Package: pkg, None: rules.Looks}, say.Invalid, "No look was made")
		}},
		{"close unfinished", func(t *testing.T) {
			in, pkg := opened(t, lavender(2))
			in.do(CleanUnit{pkg, 1}).refused(ClosePackage{pkg}, say.Illegal, "look at 3 more units, confirm the looks")
		}},
		{"steps on a closed package", func(t *testing.T) {
			in, pkg := opened(t, lavender(2))
			in.do(CleanRest{pkg, 4}, looks(pkg), ClosePackage{pkg})
			in.refused(RecordFind{Facts: facts(pkg, 1, Soil, NotTold)}, say.Illegal, "undo the closing")
			in.refused(ClosePackage{pkg}, say.Illegal, "closed")
			in.refused(Open{pkg}, say.Illegal, "examined already")
		}},
		{"pass with units unseen", func(t *testing.T) {
			in, pkg := opened(t, lavender(2))
			in.do(CleanUnit{pkg, 1}).refused(EndRound{}, say.Illegal, "must be examined")
		}},
		{"bench check after too soon", func(t *testing.T) {
			in, _ := opened(t, lavender(2))
			in.refused(benchCheck(rules, true), say.Illegal, "not examined yet")
		}},
		{"bench check unanswered", func(t *testing.T) {
			in := begin(t).do(order("K-1", lavender(2)))
			c := benchCheck(rules, false)
			c.Yes = c.Yes[1:]
			in.refused(c, say.Invalid, "Answer yes or no")
			c = benchCheck(rules, false)
			c.No = append(c.No, "invented")
			in.refused(c, say.Invalid, "not on the list")
		}},
		{"find below the advice", func(t *testing.T) {
			in, pkg := opened(t, lavender(2))
			in.refused(RecordFind{Facts: facts(pkg, 1, Soil, NotTold), Rung: ladder.Note}, say.Forbidden, "only a supervisor")
		}},
		{"find with nonsense", func(t *testing.T) {
			in, pkg := opened(t, lavender(2))
			good := facts(pkg, 1, Soil, NotTold)
			for _, tt := range []struct {
				spoil func(*FindFacts)
				words string
			}{
				{func(f *FindFacts) { f.What = "ghost" }, "what is seen"},
				{func(f *FindFacts) { f.Part = "wing" }, "part"},
				{func(f *FindFacts) { f.Alive = "" }, "alive"},
				{func(f *FindFacts) { f.Method = "" }, "how it was seen"},
				{func(f *FindFacts) { f.Unit = 5 }, "no unit 5"},
				{func(f *FindFacts) { f.Unit = -1 }, "no unit -1"},
				{func(f *FindFacts) { f.Units = 0 }, "0 units affected"},
				{func(f *FindFacts) { f.Units = 5 }, "5 units affected"},
				{func(f *FindFacts) { f.Note = strings.Repeat("x", 1001) }, "1000 characters"},
				{func(f *FindFacts) { f.Photos = make([]string, 13) }, "12 photos"},
			} {
				f := good
				tt.spoil(&f)
				in.refused(RecordFind{Facts: f}, say.Invalid, tt.words)
			}
		}},
		{"find on a closed round", func(t *testing.T) {
			in, pkg := opened(t, lavender(2))
			in.do(RecordFind{Facts: facts(pkg, 1, Soil, NotTold)}, EndRound{})
			in.refused(RecordFind{Facts: facts(pkg, 2, Soil, NotTold)}, say.Illegal, "round 1 is over"[1:])
		}},
		{"lower as an inspector", func(t *testing.T) {
			in, pkg := opened(t, lavender(2))
			in.do(RecordFind{Facts: facts(pkg, 1, Soil, NotTold)})
			in.refused(LowerFind{1, ladder.Note, "perlite"}, say.Forbidden, "Only a supervisor")
			in.refused(RaiseFind{1, ladder.Note, ""}, say.Forbidden, "only a supervisor")
			in.refused(RaiseFind{1, ladder.Reject, ""}, say.Illegal, "already")
			in.refused(Undo{"mistake"}, say.Forbidden, "only a supervisor")
		}},
		{"undo with nothing to undo", func(t *testing.T) {
			sealed(t, lavender(2)).refused(Undo{"x"}, say.Illegal, "nothing to undo")
		}},
		{"dodge a bench find by checking again", func(t *testing.T) {
			in := sealed(t, lavender(2)).examineAll()
			in.do(benchCheck(rules, true, "no_soil"))
			in.refused(benchCheck(rules, true), say.Illegal, "cleaning up does not undo it")
			in.refused(Undo{"wiped"}, say.Forbidden, "only a supervisor")
		}},
		{"inspect again what passed", func(t *testing.T) {
			in := sealed(t, lavender(2)).examineAll()
			in.do(benchCheck(rules, true), EndRound{})
			c := seal(in)
			c.Reason = "again"
			in.refused(c, say.Illegal, "passed already")
		}},
		{"inspect again without a reason", func(t *testing.T) {
			in, pkg := opened(t, lavender(2))
			in.do(RecordFind{Facts: facts(pkg, 1, Soil, NotTold)}, EndRound{})
			in.refused(seal(in), say.Invalid, "why it is inspected again")
		}},
		{"inspect again what is stopped", func(t *testing.T) {
			in, pkg := opened(t, lavender(2))
			in.do(RecordFind{Facts: facts(pkg, 1, Suspect, NotTold)})
			c := seal(in)
			c.Reason = "again"
			in.refused(c, say.Illegal, "until that is answered")
		}},
	}
	for _, tt := range tests {
		t.Run(tt.name, tt.run)
	}
}

func TestOutcomes(t *testing.T) {
	rules := DefaultRules()
	tests := []struct {
		name string
		run  func(in *inspection, pkg int)
		want Outcome
		says string
	}{
		{"soil rejects", func(in *inspection, pkg int) {
			in.do(RecordFind{Facts: facts(pkg, 2, Soil, NotTold)}, EndRound{})
		}, Rejected, "Soil is in the goods"},
		{"weed in the package itself rejects", func(in *inspection, pkg int) {
			in.do(RecordFind{Facts: facts(pkg, 0, Weed, AliveNo)}, EndRound{})
		}, Rejected, "itself: A weed"},
		{"not identified holds", func(in *inspection, pkg int) {
			in.do(RecordFind{Facts: facts(pkg, 2, NotIdentified, NotTold)}, EndRound{})
		}, Held, "not identified"},
		{"hold stands above reject", func(in *inspection, pkg int) {
			in.do(RecordFind{Facts: facts(pkg, 2, Soil, NotTold)}, RecordFind{Facts: facts(pkg, 3, NotIdentified, NotTold)}, EndRound{})
		}, Held, "not identified"},
		{"suspect stops at once", func(in *inspection, pkg int) {
			in.do(RecordFind{Facts: facts(pkg, 2, Suspect, NotTold)})
		}, Stopped, "quarantine pest is suspected"},
		{"raised to stop", func(in *inspection, pkg int) {
			in.do(RecordFind{Facts: facts(pkg, 2, LivePest, AliveYes)}, RaiseFind{1, ladder.Stop, "never seen it"})
		}, Stopped, "quarantine pest is suspected"},
		{"recorded above the advice", func(in *inspection, pkg int) {
			in.do(RecordFind{Facts: facts(pkg, 2, Damage, NotTold), Rung: ladder.Sample}, EndRound{})
		}, Held, "went up to Sample"},
		{"dead pest is noted and passes", func(in *inspection, pkg int) {
			in.do(RecordFind{Facts: facts(pkg, 2, LivePest, AliveNo)})
			in.examineAll()
			in.do(benchCheck(rules, true), EndRound{})
		}, Passed, "1 noted"},
		{"supervisor lowers, passes", func(in *inspection, pkg int) {
			in.do(RecordFind{Facts: facts(pkg, 2, Soil, NotTold)})
			in.actor = ida
			in.do(LowerFind{1, ladder.Note, "perlite, checked with the lens"})
			in.actor = tam
			in.examineAll()
			in.do(benchCheck(rules, true), EndRound{})
		}, Passed, "1 noted"},
		{"soil on the bench afterwards", func(in *inspection, pkg int) {
			in.examineAll()
			in.do(benchCheck(rules, true, "no_soil"), EndRound{})
		}, Rejected, "No soil was left"},
		{"window ran out", func(in *inspection, pkg int) {
			in.examineAll()
			in.now = in.now.Add(80 * time.Hour)
			in.do(benchCheck(rules, true), EndRound{})
		}, Rejected, "window of 72 hours ran out"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			in, pkg := opened(t, lavender(30))
			tt.run(in, pkg)
			end := in.s.Round().Ended
			if end == nil || end.Outcome != tt.want {
				t.Fatalf("ended %+v, want %s", end, tt.want)
			}
			var all []string
			for _, r := range end.Reasons {
				all = append(all, r.String())
			}
			if got := strings.Join(all, " "); !strings.Contains(got, tt.says) {
				t.Errorf("reasons %q, want them to say %q", got, tt.says)
			}
		})
	}
}

func TestUnfinishedBenchCheckAfterIsNoPass(t *testing.T) {
	in := sealed(t, lavender(2)).examineAll()
	in.do(benchCheck(DefaultRules(), true, "waste_bagged"))
	in.refused(EndRound{}, say.Illegal, "bench check after must be all yes")
	in.do(benchCheck(DefaultRules(), true), EndRound{})
	if got := in.s.Round().Ended.Outcome; got != Passed {
		t.Errorf("ended %s, want passed once the waste is bagged", got)
	}
}

func TestSecondRound(t *testing.T) {
	in, pkg := opened(t, lavender(30))
	rules := DefaultRules()
	in.do(RecordFind{Facts: facts(pkg, 1, Soil, NotTold)}, EndRound{})
	in.refused(Recount{0, 28, "two packages discarded"}, say.Illegal, "keep their numbers")
	in.do(ChangeList{Removed: []int{7, 30}, Reason: "two packages discarded"}, CleanBench{Bench: "bench 1", How: "sanitiser"}, benchCheck(rules, false),
		Seal{Counted: 28, Rules: rules, Reason: "washed and repacked"})
	if len(in.s.Rounds) != 2 || in.s.Round().Packages != 28 || in.s.Rounds[0].Packages != 30 {
		t.Fatalf("rounds %d, packages %d then %d; want 2 rounds, 30 then 28", len(in.s.Rounds), in.s.Rounds[0].Packages, in.s.Round().Packages)
	}
	if in.s.Rounds[0].Digest == in.s.Rounds[1].Digest {
		t.Error("both rounds have the same list digest")
	}
	in.examineAll().do(benchCheck(rules, true), EndRound{})
	if got := in.s.Round().Ended.Outcome; got != Passed {
		t.Errorf("second round ended %s, want passed", got)
	}
	if got := in.s.Rounds[0].Ended.Outcome; got != Rejected {
		t.Errorf("first round now reads %s, want rejected", got)
	}
}

func TestSpreadOverCropLines(t *testing.T) {
	in := sealed(t, lavender(100), Line{Crop: "Salvia", Packages: 60, UnitsPerPackage: 4}, Line{Crop: "Hebe", Packages: 40, UnitsPerPackage: 4})
	r := in.s.Running()
	got := map[int]int{}
	for _, n := range r.Drawn {
		p, ok := in.s.Package(n)
		if !ok {
			t.Fatalf("drew package %d, which does not exist", n)
		}
		got[p.Line]++
	}
	// 2 % of 200 is 4: largest remainder gives 2, 1.2 and 0.8, so 2, 1 and 1.
	if want := map[int]int{0: 2, 1: 1, 2: 1}; !reflect.DeepEqual(got, want) {
		t.Errorf("drew %v by line, want %v", got, want)
	}
	first := r.Drawn[0]
	line, _ := in.s.Package(first)
	in.do(Replace{first, "behind the trolleys"})
	by := in.s.Running().Replacements[0].By
	if p, _ := in.s.Package(by); p.Line != line.Line {
		t.Errorf("package of line %d was replaced by one of line %d", line.Line, p.Line)
	}
}

func TestUndoWalksBack(t *testing.T) {
	in, pkg := opened(t, lavender(2))
	in.do(CleanUnit{pkg, 0}, CleanUnit{pkg, 0})
	history := len(in.s.History)
	in.do(Undo{"took the wrong tray"})
	if got := in.s.Running().Exams[pkg].Seen(); got != 1 {
		t.Errorf("after one undo %d units are seen, want 1", got)
	}
	in.do(Undo{"all wrong"}, Undo{"count too"}, Undo{"look too"}, Undo{"not opened"})
	x := in.s.Running().Exams[pkg]
	if x.Units != 0 || !x.LookedAt.IsZero() || x.Open() || !in.s.Running().FirstOpened.IsZero() {
		t.Errorf("after undoing all: %+v, first opened %v; want an untouched package", x, in.s.Running().FirstOpened)
	}
	if got := len(in.s.History); got != history+5 {
		t.Errorf("history has %d steps, want %d: nothing is ever removed", got, history+5)
	}
}

func TestAmendFind(t *testing.T) {
	in, pkg := opened(t, lavender(2))
	in.do(RecordFind{Facts: facts(pkg, 1, Damage, AliveNo)})
	in.do(AmendFind{1, facts(pkg, 1, LivePest, AliveYes), "it moved"})
	f := in.s.Running().Find(1)
	if f.Rung != ladder.Reject || !f.Amended || f.Facts.What != LivePest {
		t.Errorf("amended find %+v, want a live pest, rejecting", f)
	}
	in.do(AmendFind{1, facts(pkg, 1, LivePest, AliveNo), "dead after all"})
	if f := in.s.Running().Find(1); f.Rung != ladder.Reject {
		t.Errorf("an inspector's amendment went down to %v", f.Rung)
	}
	in.actor = ida
	in.do(AmendFind{1, facts(pkg, 1, LivePest, AliveNo), "dead, seen with the lens"})
	if f := in.s.Running().Find(1); f.Rung != ladder.Note {
		t.Errorf("a supervisor's amendment stands at %v, want note", f.Rung)
	}
	in.refused(AmendFind{1, facts(pkg, 2, LivePest, AliveNo), "other unit"}, say.Illegal, "stays with its package and unit")
	am, ok := in.s.Amendment(f.Event)
	if !ok || am.By.ID != ida.ID || am.Reason != "dead, seen with the lens" {
		t.Errorf("amendment on record %+v, want Ida's", am)
	}
}

// What a find stands at follows from its newest step, whether that was a move on
// the ladder or an amendment.
func TestAmendingAfterAMoveOnTheLadder(t *testing.T) {
	t.Run("raised, then amended to something higher", func(t *testing.T) {
		in, pkg := opened(t, lavender(2))
		in.do(RecordFind{Facts: facts(pkg, 1, Damage, AliveNo)}, RaiseFind{1, ladder.Reject, "fresh"},
			AmendFind{1, facts(pkg, 1, NotIdentified, NotTold), "never seen it"})
		if f := in.s.Running().Find(1); f.Rung != ladder.Sample {
			t.Errorf("stands at %v, want sample", f.Rung)
		}
	})
	t.Run("lowered, then found to be alive after all", func(t *testing.T) {
		in, pkg := opened(t, lavender(2))
		in.do(RecordFind{Facts: facts(pkg, 1, LivePest, NotTold)})
		in.actor = ida
		in.do(LowerFind{1, ladder.Note, "dead"})
		in.actor = tam
		in.do(AmendFind{1, facts(pkg, 1, LivePest, AliveYes), "it moved"})
		if f := in.s.Running().Find(1); f.Rung != ladder.Reject || f.Lowered != nil {
			t.Errorf("stands at %v (lowered %+v), want reject", f.Rung, f.Lowered)
		}
		in.do(EndRound{})
		if got := in.s.Round().Ended.Outcome; got != Rejected {
			t.Errorf("ended %s, want rejected", got)
		}
	})
	t.Run("amended, then lowered", func(t *testing.T) {
		in, pkg := opened(t, lavender(2))
		in.do(RecordFind{Facts: facts(pkg, 1, Damage, AliveNo)}, AmendFind{1, facts(pkg, 1, LivePest, AliveYes), "it moved"})
		in.actor = ida
		in.do(LowerFind{1, ladder.Note, "a lacewing, let go"})
		if f := in.s.Running().Find(1); f.Rung != ladder.Note {
			t.Errorf("stands at %v, want note", f.Rung)
		}
	})
}

func TestAmendToStopStops(t *testing.T) {
	in, pkg := opened(t, lavender(2))
	in.do(RecordFind{Facts: facts(pkg, 1, Damage, AliveNo)}, AmendFind{1, facts(pkg, 1, Suspect, NotTold), "exit holes"})
	if end := in.s.Round().Ended; end == nil || end.Outcome != Stopped {
		t.Errorf("ended %+v, want stopped", end)
	}
}

func TestFoldRefusesForgedHistory(t *testing.T) {
	in := sealed(t, lavender(240))
	good := in.s.History
	tests := []struct {
		name  string
		spoil func(h []Recorded) []Recorded
	}{
		{"a step left out", func(h []Recorded) []Recorded { return slices.Delete(h, 1, 2) }},
		{"a draw changed", func(h []Recorded) []Recorded {
			d := h[4].Event.(Drawn)
			d.Examine = slices.Clone(d.Examine)
			d.Examine[0], d.Examine[1] = d.Examine[1], d.Examine[0]
			h[4].Event = d
			return h
		}},
		{"a step on a package not drawn", func(h []Recorded) []Recorded {
			return append(h, Recorded{Version: 6, At: in.now, Event: Fetched{Round: 1, Package: in.s.Running().Reserves[0]}})
		}},
		{"amends the future", func(h []Recorded) []Recorded {
			return append(h, Recorded{Version: 6, At: in.now, Event: Amended{Of: 6}})
		}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if _, err := Fold(tt.spoil(slices.Clone(good))); err == nil {
				t.Error("Fold accepted it")
			}
		})
	}
	if _, err := Fold(good); err != nil {
		t.Errorf("Fold refused the true history: %v", err)
	}
}

func TestAdvise(t *testing.T) {
	entry := func(r ladder.Rung, kind string) *EntryPin {
		return &EntryPin{ID: "x", Name: "X", Rung: r, Kind: kind, Revision: 1, Reasons: []say.Text{say.T("listed")}}
	}
	tests := []struct {
		name  string
		what  What
		alive Alive
		entry *EntryPin
		want  ladder.Rung
	}{
		{"soil", Soil, NotTold, nil, ladder.Reject},
		{"soil, said to be dead", Soil, AliveNo, nil, ladder.Reject},
		{"weed alive", Weed, AliveYes, nil, ladder.Reject},
		{"weed dead still carries seed", Weed, AliveNo, nil, ladder.Reject},
		{"pest alive", LivePest, AliveYes, nil, ladder.Reject},
		{"pest, cannot tell", LivePest, NotTold, nil, ladder.Reject},
		{"pest dead", LivePest, AliveNo, nil, ladder.Note},
		{"disease active", Disease, AliveYes, nil, ladder.Reject},
		{"disease, cannot tell", Disease, NotTold, nil, ladder.Reject},
		{"disease old", Disease, AliveNo, nil, ladder.Note},
		{"damage old", Damage, AliveNo, nil, ladder.Note},
		{"damage, cannot tell", Damage, NotTold, nil, ladder.Note},
		{"damage with something alive", Damage, AliveYes, nil, ladder.Reject},
		{"beneficial", Beneficial, AliveYes, nil, ladder.Note},
		{"not identified", NotIdentified, AliveNo, nil, ladder.Sample},
		{"suspect", Suspect, AliveNo, nil, ladder.Stop},
		{"entry stops, even dead", LivePest, AliveNo, entry(ladder.Stop, "insect"), ladder.Stop},
		{"entry samples, even dead", LivePest, AliveNo, entry(ladder.Sample, "insect"), ladder.Sample},
		{"entry rejects, dead", LivePest, AliveNo, entry(ladder.Reject, "insect"), ladder.Note},
		{"weed entry rejects, dead", Weed, AliveNo, entry(ladder.Reject, "weed"), ladder.Reject},
		{"entry notes, but called a live pest", LivePest, AliveYes, entry(ladder.Note, "abiotic"), ladder.Reject},
		{"entry notes", Damage, AliveNo, entry(ladder.Note, "abiotic"), ladder.Note},
		{"named after all", NotIdentified, NotTold, entry(ladder.Reject, "insect"), ladder.Reject},
		{"entry notes a living insect", LivePest, AliveYes, entry(ladder.Note, "insect"), ladder.Note},
		{"entry notes an active mould", Disease, NotTold, entry(ladder.Note, "fungus"), ladder.Note},
		{"entry notes a moss", Weed, AliveYes, entry(ladder.Note, "bryophyte_alga"), ladder.Note},
		{"entry notes a beneficial", Beneficial, AliveYes, entry(ladder.Note, "beneficial"), ladder.Note},
		{"entry notes, but it is in soil", Soil, AliveNo, entry(ladder.Note, "abiotic"), ladder.Reject},
		{"entry notes damage, but something lives there", Damage, AliveYes, entry(ladder.Note, "abiotic"), ladder.Reject},
		{"entry notes a beneficial, but called a live pest", LivePest, NotTold, entry(ladder.Note, "beneficial"), ladder.Reject},
		{"entry notes, but suspected", Suspect, AliveNo, entry(ladder.Note, "insect"), ladder.Stop},
		{"entry samples a beneficial", Beneficial, AliveYes, entry(ladder.Sample, "beneficial"), ladder.Sample},
		{"entry stops damage", Damage, AliveNo, entry(ladder.Stop, "abiotic"), ladder.Stop},
		{"entry rejects a mite, cannot tell", LivePest, NotTold, entry(ladder.Reject, "mite"), ladder.Reject},
		{"entry rejects old disease", Disease, AliveNo, entry(ladder.Reject, "oomycete"), ladder.Note},
		{"entry of an unknown kind notes a live pest", LivePest, AliveYes, entry(ladder.Note, "new kind"), ladder.Reject},
		{"entry without an action", Damage, AliveNo, entry(0, "insect"), ladder.Sample},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			f := facts(1, 1, tt.what, tt.alive)
			f.Entry = tt.entry
			a := Advise(f, DefaultRules())
			if a.Rung != tt.want {
				t.Errorf("Advise(%s, alive %s) = %v, want %v", tt.what, tt.alive, a.Rung, tt.want)
			}
			if len(a.Reasons) == 0 {
				t.Error("no reason given")
			}
		})
	}
}

func TestAdviseCoversEverything(t *testing.T) {
	for _, w := range Whats {
		for _, al := range Alives {
			if a := Advise(facts(1, 1, w, al), DefaultRules()); !a.Rung.Valid() || len(a.Reasons) == 0 {
				t.Errorf("Advise(%s, alive %s) = %+v, want a rung with reasons", w, al, a)
			}
			if w == NotIdentified {
				if a := Advise(facts(1, 1, w, al), DefaultRules()); a.Rung == ladder.Note {
					t.Error(`"I don't know" became a note`)
				}
			}
		}
		if w.Words().IsZero() {
			t.Errorf("%s has no words", w)
		}
	}
	for _, p := range Parts {
		if p.Words().IsZero() {
			t.Errorf("part %s has no words", p)
		}
	}
}

func TestEveryEventReadsBack(t *testing.T) {
	in, pkg := opened(t, lavender(30))
	in.do(CleanUnit{pkg, 0}, RecordFind{Facts: facts(pkg, 2, Damage, NotTold)}, RaiseFind{1, ladder.Reject, "not sure"})
	in.actor = ida
	in.do(LowerFind{1, ladder.Note, "old"}, AmendFind{1, facts(pkg, 2, Damage, AliveNo), "old"}, Reschedule{t0.Add(40 * time.Hour), "truck late"})
	in.do(CleanRest{pkg, 2}, looks(pkg), ClosePackage{pkg}, Replace{in.s.Running().ToExamine()[1], "lost"})
	in.examineAll().do(benchCheck(DefaultRules(), true, "no_weed"), EndRound{})
	history := in.s.History
	for _, in := range everyFollowing(t) {
		history = append(slices.Clip(history), in.s.History...)
	}
	seen := map[string]bool{}
	for _, rec := range history {
		b, err := Encode(rec.Event)
		if err != nil {
			t.Fatal(err)
		}
		back, err := Decode(rec.Event.Kind(), b)
		if err != nil {
			t.Fatalf("%s: %v", rec.Event.Kind(), err)
		}
		again, err := Encode(back)
		if err != nil || string(again) != string(b) {
			t.Errorf("%s reads back as %s, want %s (%v)", rec.Event.Kind(), again, b, err)
		}
		seen[rec.Event.Kind()] = true
	}
	for kind := range decoders {
		if !seen[kind] {
			t.Errorf("these histories hold no %s: make one", kind)
		}
	}
}

func TestDecodeNewerVersion(t *testing.T) {
	_, err := Decode("teleported", []byte(`{}`))
	if say.CodeOf(err) != say.Storage || !strings.Contains(err.Error(), "newer version") {
		t.Errorf("Decode of an unknown kind: %v, want a refusal that names a newer version", err)
	}
	if _, err := Decode("fetched", []byte(`{"round":1,"package":2,"colour":"red"}`)); err == nil {
		t.Error("Decode dropped a field it does not know")
	}
}

func TestDescribeEveryEvent(t *testing.T) {
	other := Describe(nil).String()
	for kind, decode := range decoders {
		e, _ := decode([]byte(`{}`)) // a zero event is enough to see that there are words
		if uc, ok := e.(UnitsClean); ok {
			uc.Units = []Span{{1, 1}}
			e = uc
		}
		if got := Describe(e).String(); got == other || got == "" || strings.Contains(got, "%!") {
			t.Errorf("Describe(%s) = %q, want words of its own", kind, got)
		}
	}
}
