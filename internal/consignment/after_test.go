package consignment

import (
	"slices"
	"strings"
	"testing"
	"time"

	"lastlook/internal/ladder"
	"lastlook/internal/say"
)

var (
	bayQ  = Place{Code: "Q2Q2", Name: "Bay Q", Kind: QuarantineBay}
	store = Place{Code: "P2P2", Name: "Passed store", Kind: PassedStore}
	shelf = Place{Code: "B2B2", Name: "Bench 1", Kind: AtBench}
)

// as lets somebody else take the next steps.
func (in *inspection) as(a Actor) *inspection {
	in.actor = a
	return in
}

func (in *inspection) later(d time.Duration) *inspection {
	in.now = in.now.Add(d)
	return in
}

func (in *inspection) standing(want Standing) *inspection {
	in.t.Helper()
	if got := in.s.Standing(); got != want {
		in.t.Fatalf("it stands as %s, want %s", got, want)
	}
	return in
}

// ended brings a consignment to the outcome that one find of the kind makes.
func ended(t testing.TB, what What, alive Alive, lines ...Line) *inspection {
	in, pkg := opened(t, lines...)
	in.do(RecordFind{Facts: facts(pkg, 1, what, alive)})
	if in.s.Running() != nil {
		in.do(EndRound{})
	}
	return in
}

func passed(t testing.TB, lines ...Line) *inspection {
	in := sealed(t, lines...)
	return in.examineAll().do(benchCheck(DefaultRules(), true), EndRound{}).standing(StandPassed)
}

// pin is what an identification as an organism says at the destination.
func pin(name, kind string, rung ladder.Rung) *EntryPin {
	return &EntryPin{ID: strings.ToLower(name), Name: name, Revision: 1, Hash: "00", Kind: kind, Rung: rung, Reasons: []say.Text{say.T("The reference says so.")}}
}

func sampled(t testing.TB) *inspection {
	in := ended(t, NotIdentified, NotTold, lavender(30)).standing(StandHeld)
	return in.do(
		TakeSample{Code: "S2S2", Round: 1, Find: 1, What: TakenSpecimen, Kept: KeptAlcohol, Asked: "Which mite?"},
		MoveSample{Sample: "S2S2", Step: Stored, Place: "Sample fridge"},
		MoveSample{Sample: "S2S2", Step: HandedOver, By: "Marl courier"},
		MoveSample{Sample: "S2S2", Step: Received, By: "Eastmoor laboratory"})
}

func storeAnswers(no ...string) CheckStore {
	c := CheckStore{Place: store, No: no}
	for _, it := range DefaultRules().StoreItems() {
		if !slices.Contains(no, it.ID) {
			c.Yes = append(c.Yes, it.ID)
		}
	}
	return c
}

func spray(in *inspection, reentry time.Duration) Treat {
	return Treat{Treated: Treated{
		Way: TreatProduct, Product: "Morvane 20 (invented)", Active: "morvanol", Registration: "X-1234", Rate: "2,5 L/ha", Volume: "20 L",
		Target: "thrips", Method: "knapsack sprayer", Operator: "Tam Orrin", Licence: "L-77", Start: in.now.Add(-20 * time.Minute), End: in.now,
	}, ReEntryAfter: reentry}
}

func TestHoldEndsByTheDecision(t *testing.T) {
	for _, tt := range []struct {
		name   string
		answer AnswerSample
		want   Standing // after the hold is ended
		rung   ladder.Rung
		why    string // of the new outcome
	}{
		{"harmless", AnswerSample{Result: Identified, Entry: pin("Springtail", "beneficial", ladder.Note)}, StandWork, ladder.Note, ""},
		{"a common pest, alive", AnswerSample{Result: Identified, Entry: pin("Thrips", "insect", ladder.Reject), Alive: AliveYes}, StandRejected, ladder.Reject, "The reference says so."},
		{"nothing found", AnswerSample{Result: NotFound}, StandWork, ladder.Note, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			in := sampled(t)
			in.refused(EndHold{}, say.Forbidden, "Only a supervisor")
			in.as(ida).refused(EndHold{}, say.Illegal, "stays held")
			tt.answer.Sample, tt.answer.Laboratory = "S2S2", "Eastmoor laboratory"
			in.do(tt.answer).standing(StandHeld) // never by itself
			if got := in.s.Rounds[0].Finds[0].Rung; got != tt.rung {
				t.Errorf("the find stands at %s, want %s", got, tt.rung)
			}
			in.do(EndHold{}).standing(tt.want)
			if e := in.s.Round().Ended; e != nil && !strings.Contains(e.Reasons[0].String(), tt.why) {
				t.Errorf("it ended because %q, want %q", e.Reasons[0], tt.why)
			}
		})
	}
}

func TestInconclusiveStaysHeld(t *testing.T) {
	in := sampled(t).as(ida).do(AnswerSample{Sample: "S2S2", Result: Inconclusive, Laboratory: "Eastmoor laboratory"})
	in.refused(EndHold{}, say.Illegal, "stays held")
	in.do(TakeSample{Code: "S3S3", Round: 1, Find: 1, What: TakenLeaf, Kept: KeptCool}).standing(StandHeld)
}

func TestIdentifiedQuarantinePestStopsAtOnce(t *testing.T) {
	in := sampled(t).as(ida)
	in.do(AnswerSample{Sample: "S2S2", Result: Identified, Entry: pin("Lewis mite", "mite", ladder.Stop), Laboratory: "Eastmoor laboratory"}).standing(StandStopped)
	in.refused(EndHold{}, say.Illegal, "Nothing is held")
}

// A result that comes when the goods have moved on stops them where they are.
func TestLateResultStops(t *testing.T) {
	in, pkg := opened(t, lavender(30))
	in.do(RecordFind{Facts: facts(pkg, 1, LivePest, AliveYes)}, TakeSample{Code: "S2S2", Round: 1, Find: 1, What: TakenSpecimen, Kept: KeptDry},
		EndRound{}, MoveSample{Sample: "S2S2", Step: HandedOver, By: "courier"}, CleanBench{Bench: "bench 1", How: "sanitiser"})
	in.do(benchCheck(DefaultRules(), false), Seal{Counted: 30, Rules: DefaultRules(), Reason: "treated"}).examineAll()
	in.do(benchCheck(DefaultRules(), true), EndRound{}).standing(StandPassed)
	in.as(ida).do(AnswerSample{Sample: "S2S2", Result: Identified, Entry: pin("Lewis mite", "mite", ladder.Stop), Laboratory: "laboratory"}).standing(StandStopped)
	in.refused(Load{1}, say.Illegal, "stopped")
	in.do(AnswerStop{Hold: 1, Answer: StopReleased, Reason: "the report was mixed up"}).standing(StandPassed).do(Load{1})
}

func TestCustody(t *testing.T) {
	in := ended(t, NotIdentified, NotTold, lavender(30))
	take := TakeSample{Code: "S2S2", Round: 1, Find: 1, What: TakenSpecimen, Kept: KeptDry}
	in.refused(MoveSample{Sample: "S9S9", Step: Stored, Place: "fridge"}, say.NotFound, "another site")
	in.do(take).refused(take, say.Conflict, "already")
	in.refused(MoveSample{Sample: "S2S2", Step: Stored}, say.Invalid, "where")
	in.refused(MoveSample{Sample: "S2S2", Step: HandedOver}, say.Invalid, "who took")
	in.refused(MoveSample{Sample: "S2S2", Step: HandedOver, By: strings.Repeat("x", 121)}, say.Invalid, "longer than 120")
	in.refused(MoveSample{Sample: "S2S2", Step: Received, By: "lab"}, say.Illegal, "never handed over")
	in.as(ida).refused(AnswerSample{Sample: "S2S2", Result: NotFound, Laboratory: "lab"}, say.Illegal, "never handed over")
	in.do(MoveSample{Sample: "S2S2", Step: HandedOver, By: "courier"})
	in.refused(MoveSample{Sample: "S2S2", Step: Stored, Place: "fridge"}, say.Illegal, "not here any more")
	in.refused(MoveSample{Sample: "S2S2", Step: HandedOver, By: "courier"}, say.Illegal, "already")
	in.refused(AnswerSample{Sample: "S2S2", Result: Identified, Laboratory: "lab"}, say.Invalid, "identified as")
	in.as(tam).refused(AnswerSample{Sample: "S2S2", Result: NotFound, Laboratory: "lab"}, say.Forbidden, "supervisor")
	in.as(ida).do(AnswerSample{Sample: "S2S2", Result: NotFound, Laboratory: "lab"})
	in.refused(AnswerSample{Sample: "S2S2", Result: NotFound, Laboratory: "lab"}, say.Illegal, "already")
}

func TestStopAnswers(t *testing.T) {
	stop := func(t *testing.T) *inspection { return ended(t, Suspect, NotTold, lavender(30)).standing(StandStopped) }
	t.Run("frozen", func(t *testing.T) {
		in := stop(t)
		in.refused(CountUnits{1, 2}, say.Illegal, "over")
		in.refused(benchCheck(DefaultRules(), false), say.Illegal, "cannot begin")
		in.refused(Move{Place: bayQ}, say.Illegal, "stays where it is")
		in.refused(CleanBench{Bench: "bench 1", How: "wiped"}, say.Illegal, "stays where it is")
		in.refused(AnswerStop{Answer: StopKept}, say.Forbidden, "supervisor")
	})
	t.Run("told", func(t *testing.T) {
		in := stop(t).as(ida)
		in.refused(AnswerStop{Answer: StopTold, ToldAt: in.now}, say.Invalid, "office")
		in.refused(AnswerStop{Answer: StopTold, Office: "Plant health desk"}, say.Invalid, "when")
		in.refused(AnswerStop{Answer: StopTold, Office: "Plant health desk", ToldAt: in.now.Add(time.Hour)}, say.Invalid, "still to come")
		in.refused(AnswerStop{Answer: StopTold, Office: "Plant health desk", ToldAt: in.now.Add(-time.Hour)}, say.Invalid, "the stop was at")
		in.do(AnswerStop{Answer: StopTold, Office: "Plant health desk", Reference: "PH-88", ToldAt: in.now}).standing(StandStopped)
		in.do(DoStopStep{Step: StepLeave}).refused(DoStopStep{Step: StepLeave}, say.Illegal, "already")
		in.refused(DoStopStep{Step: "dance"}, say.Invalid, "does not know")
		in.refused(DoStopStep{Hold: 1, Step: StepLeave}, say.NotFound, "no hold")
		in.do(Move{Place: bayQ}) // as the authority said
	})
	t.Run("released", func(t *testing.T) {
		in := stop(t).as(ida)
		in.refused(AnswerStop{Answer: StopReleased, Rung: ladder.Note}, say.Invalid, "why")
		in.refused(AnswerStop{Answer: StopReleased, Rung: ladder.Stop, Reason: "no"}, say.Invalid, "goes down to")
		in.do(AnswerStop{Answer: StopReleased, Rung: ladder.Note, Reason: "old damage, seen with the microscope"}).standing(StandWork)
		in.examineAll().do(benchCheck(DefaultRules(), true), EndRound{}).standing(StandPassed)
	})
	t.Run("rejected", func(t *testing.T) {
		stop(t).as(ida).do(AnswerStop{Answer: StopRejected, Reason: "not worth it"}).standing(StandRejected)
	})
	t.Run("kept", func(t *testing.T) { stop(t).as(ida).do(AnswerStop{Answer: StopKept}).standing(StandStopped) })
}

func TestHeldBack(t *testing.T) {
	from := &Source{Code: "8G8G", Number: "K-9", Round: 1, Find: 2}
	in := sealed(t, lavender(30))
	in.refused(HoldBack{Rung: ladder.Note, Reason: "x"}, say.Invalid, "held or stopped")
	in.do(HoldBack{Rung: ladder.Sample, Reason: "same batch as K-9", Source: from}).standing(StandHeld)
	in.refused(HoldBack{Rung: ladder.Sample, Reason: "again", Source: from}, say.Conflict, "already")
	in.refused(Fetch{in.s.Running().ToExamine()[0]}, say.Illegal, "held since")
	in.refused(LiftHold{1, "fine"}, say.Forbidden, "supervisor")
	in.as(ida).refused(LiftHold{2, "fine"}, say.NotFound, "no hold")
	in.do(LiftHold{1, "K-9 was harmless"}).standing(StandWork)
	in.refused(LiftHold{1, "again"}, say.Illegal, "lifted")

	in = passed(t, lavender(30)).do(HoldBack{Rung: ladder.Stop, Reason: "seen at the gate"}).standing(StandStopped)
	in.refused(Load{1}, say.Illegal, "stopped")
	in.refused(Move{Place: bayQ}, say.Illegal, "stays where it is")
	in.do(PrintMarks{Sheet: "a4", Marks: 1})
	if got := in.s.Marks[0].Outcome; got != Stopped {
		t.Errorf("the marks say %s, want stopped", got)
	}
	in.as(ida).do(AnswerStop{Hold: 1, Answer: StopRejected, Reason: "confirmed"}).standing(StandRejected)
}

func TestPlaces(t *testing.T) {
	in := ended(t, Soil, NotTold, lavender(30)).standing(StandRejected)
	in.refused(Move{}, say.Invalid, "Scan the place")
	in.refused(Move{Place: store}, say.Illegal, "for goods that passed")
	in.refused(Move{Packages: []int{31}, Place: bayQ}, say.NotFound, "1 to 30")
	in.do(Move{Packages: []int{3}, Place: shelf})
	in.refused(Move{Packages: []int{3}, Place: bayQ}, say.Conflict, "cannot be in two places")
	in.do(Move{Packages: []int{3}, Place: bayQ, Sure: true}).standing(StandRejected)
	in.later(time.Hour).do(Move{Place: bayQ}).standing(StandIsolated)
	in.refused(Move{Place: bayQ}, say.Illegal, "already")
	if got := in.s.AllIn(); got != "Bay Q" {
		t.Errorf("all stand in %q, want Bay Q", got)
	}
}

func TestBenchMustBeCleaned(t *testing.T) {
	in := ended(t, LivePest, AliveYes, lavender(30))
	todo := in.s.BenchesToClean()
	if len(todo) != 1 || todo[0].Bench != "bench 1" || todo[0].Outcome != Rejected {
		t.Fatalf("benches to clean: %+v, want bench 1 after a rejection", todo)
	}
	// Another consignment at that bench.
	m := Meta{Actor: tam, Bench: "bench 1", At: in.now, Prover: in.prover, Unclean: &todo[0]}
	other := begin(t).do(order("K-2", lavender(3)), PrintLabels{Sheet: "a4", From: 1, To: 3})
	if _, err := Decide(other.s, m, benchCheck(DefaultRules(), false)); say.CodeOf(err) != say.Illegal || !strings.Contains(err.Error(), "not clean yet") {
		t.Errorf("a bench check at a bench that is not clean: %v", err)
	}
	in.refused(CleanBench{Bench: "bench 1"}, say.Invalid, "how")
	in.refused(CleanBench{Bench: "bench 2", How: "wiped"}, say.Illegal, "does not need")
	in.do(CleanBench{Bench: "bench 1", How: "swept, sanitised, waste bagged"})
	if left := in.s.BenchesToClean(); len(left) != 0 {
		t.Errorf("%+v are still to clean", left)
	}
}

func TestDetail(t *testing.T) {
	lines := []Line{lavender(40), {Crop: "Hebe", Batch: "H-1", Bay: "B5", Packages: 100, UnitsPerPackage: 4}}
	in, pkg := opened(t, lines...)
	in.do(RecordFind{Facts: facts(pkg, 1, LivePest, AliveYes)}, EndRound{})
	hit, _ := in.s.Package(pkg)
	p, err := in.s.PlanOf(in.s.Round())
	if err != nil {
		t.Fatal(err)
	}
	whole, rest := 0, 0
	for _, n := range p.Packages {
		if q, _ := in.s.Package(n); q.Line == hit.Line {
			whole++
		} else {
			rest++
		}
	}
	// ISPM 31, Appendix 2: 5 % of 100 at 95 % confidence takes 45; of 40, 2 infested, 31.
	want := map[int]int{0: 45, 1: 31}[hit.Line]
	if whole != lines[hit.Line].Packages || rest != want || p.Rest != want {
		t.Errorf("the plan has %d of the affected line and %d (%d) of the rest, want %d and %d", whole, rest, p.Rest, lines[hit.Line].Packages, want)
	}
	in.refused(LookDetail{Package: p.Packages[0], Units: 4}, say.Illegal, "no plan")
	in.do(PlanDetail{})
	in.refused(PlanDetail{}, say.Illegal, "already")
	in.refused(PlanDetail{Packages: []int{1, 2}}, say.Forbidden, "supervisor")
	in.refused(LookDetail{Package: p.Packages[0], Units: 4, Affected: 5, What: LivePest}, say.Invalid, "from 0 to 4")
	in.refused(LookDetail{Package: p.Packages[0], Units: 4, Affected: 1}, say.Invalid, "what is seen")
	in.do(LookDetail{Package: p.Packages[0], Units: 4, Affected: 1, What: LivePest, Note: "two adults"}, LookDetail{Package: p.Packages[1], Units: 4})
	in.refused(ChangeList{Removed: []int{pkg}, Reason: "infested"}, say.Illegal, "detailed examination")
	in.as(ida).refused(PlanDetail{Packages: []int{1, 2}}, say.Invalid, "why")
	in.do(PlanDetail{Packages: p.Packages[:2], Reason: "the rest was destroyed"})
	if left := in.s.Round().Detail.Left(); len(left) != 0 {
		t.Errorf("%v are left to examine, want none", left)
	}
	in.do(ChangeList{Removed: []int{pkg}, Reason: "infested"})
}

// A suspected quarantine pest met in the detailed examination stops the goods.
func TestDetailStops(t *testing.T) {
	in := ended(t, LivePest, AliveYes, lavender(30)).do(PlanDetail{})
	pkg := in.s.Round().Detail.Packages[0]
	look := LookDetail{Package: pkg, Units: 12, Affected: 1, What: Suspect}
	in.do(look).standing(StandStopped)
	in.refused(Move{Place: bayQ}, say.Illegal, "stays where it is")
	in.do(look).standing(StandStopped) // looked at again: still the one stop
	if n := len(in.s.Holds); n != 1 || in.s.Holds[0].Rung != ladder.Stop {
		t.Errorf("%d holds, want one stop", n)
	}
}

func TestListKeepsNumbers(t *testing.T) {
	in := ended(t, Soil, NotTold, lavender(30), Line{Crop: "Hebe", Packages: 5, UnitsPerPackage: 4})
	infested := in.s.Round().Infested()[0]
	gone := 35 // of Hebe
	if infested == gone {
		gone = 34
	}
	in.refused(ChangeList{Reason: "x"}, say.Invalid, "which packages")
	in.refused(ChangeList{Removed: []int{36}, Reason: "x"}, say.NotFound, "1 to 35")
	in.do(ChangeList{Removed: []int{gone}, Added: []Line{{Crop: "Hebe", Packages: 2, UnitsPerPackage: 6}}, Reason: "two came new", Repacked: []int{infested}})
	in.refused(ChangeList{Removed: []int{gone}, Reason: "x"}, say.Illegal, "taken out")
	if in.s.Count() != 36 || in.s.Total() != 37 || in.s.Present(gone) || !in.s.Present(37) {
		t.Fatalf("%d packages of %d, %d there: %v", in.s.Count(), in.s.Total(), gone, in.s.Present(gone))
	}
	in.do(CleanBench{Bench: "bench 1", How: "swept"}, benchCheck(DefaultRules(), false))
	in.refused(Seal{Counted: 37, Rules: DefaultRules(), Reason: "washed"}, say.Invalid, "the list has 36")
	in.do(Seal{Counted: 36, Rules: DefaultRules(), Reason: "washed"})
	r := in.s.Running()
	all := slices.Sorted(slices.Values(slices.Concat(r.Drawn, r.Reserves)))
	if !slices.Equal(all, in.s.Numbers()) {
		t.Errorf("drawn and reserves are %v, want the packages that are there", all)
	}
	in.refused(Fetch{gone}, say.Illegal, "not in the draw")
	in.examineAll().do(benchCheck(DefaultRules(), true), EndRound{}).standing(StandPassed)
	in.refused(Load{gone}, say.Illegal, "taken out")
}

func TestTreatment(t *testing.T) {
	in := ended(t, LivePest, AliveYes, lavender(30))
	good := spray(in, 4*time.Hour)
	good.Start, good.End = in.now.Add(time.Minute), in.now.Add(30*time.Minute)
	in.later(time.Hour)
	for _, tt := range []struct {
		name  string
		spoil func(*Treat)
		words string
	}{
		{"ends before it begins", func(c *Treat) { c.Start, c.End = c.End, c.Start }, "before it began"},
		{"still to come", func(c *Treat) { c.End = in.now.Add(time.Hour) }, "still to come"},
		{"before the inspection", func(c *Treat) { c.Start = t0.Add(-time.Hour) }, "before the inspection"},
		{"rate without unit", func(c *Treat) { c.Rate = "2.5" }, "unit"},
		{"an amount for a rate", func(c *Treat) { c.Rate = "20 L" }, "L"},
		{"volume without unit", func(c *Treat) { c.Volume = "20" }, "unit"},
		{"no registration", func(c *Treat) { c.Registration = "" }, "registration"},
		{"no licence", func(c *Treat) { c.Licence = " " }, "licence"},
		{"no active ingredient", func(c *Treat) { c.Active = "" }, "active"},
		{"outdoors without weather", func(c *Treat) { c.Outdoors = true }, "weather"},
		{"no such package", func(c *Treat) { c.Packages = []int{99} }, "1 to 30"},
		{"no kind", func(c *Treat) { c.Way = "magic" }, "kind"},
		{"negative re-entry", func(c *Treat) { c.ReEntryAfter = -time.Hour }, "re-entry"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			bad := good
			tt.spoil(&bad)
			err := in.try(bad)
			if err == nil || !strings.Contains(err.Error(), tt.words) {
				t.Errorf("it says %v, want it to speak of %q", err, tt.words)
			}
		})
	}
	in.do(CleanBench{Bench: "bench 1", How: "swept"}, good)
	in.refused(benchCheck(DefaultRules(), false), say.Illegal, "nobody handles them before")
	in.later(4 * time.Hour).do(benchCheck(DefaultRules(), false))
	in.do(Seal{Counted: 30, Rules: DefaultRules(), Reason: "treated"})
	if got := in.s.Treatments[0].Rate; got != "2.5 L/har" {
		t.Errorf("the rate is kept as %q, want 2.5 L/har (UCUM)", got)
	}
}

func TestWithheld(t *testing.T) {
	in := ended(t, LivePest, AliveYes, lavender(30)).later(time.Hour)
	c := spray(in, 0)
	c.WithholdingAfter = 30 * time.Hour
	in.do(c, CleanBench{Bench: "bench 1", How: "swept"}, benchCheck(DefaultRules(), false), Seal{Counted: 30, Rules: DefaultRules(), Reason: "treated"})
	in.examineAll().do(benchCheck(DefaultRules(), true), EndRound{}).standing(StandPassed)
	in.refused(Load{1}, say.Illegal, "withheld")
	in.later(31 * time.Hour).do(Load{1})
}

func TestDispose(t *testing.T) {
	in := ended(t, Weed, AliveYes, lavender(3))
	in.refused(Dispose{Disposed{Packages: []int{1}, Method: "burnt"}}, say.Invalid, "witness")
	in.refused(Dispose{Disposed{Packages: []int{1}, Witness: "Ida Fenn"}}, say.Invalid, "how")
	in.do(Dispose{Disposed{Packages: []int{1}, Units: 2, Method: "bagged and burnt", Witness: "Ida Fenn"}})
	if in.s.Count() != 3 {
		t.Error("units disposed of took a package with them")
	}
	in.do(Dispose{Disposed{Packages: []int{1, 2, 3}, Method: "bagged and burnt", Witness: "Ida Fenn"}})
	if in.s.Count() != 0 {
		t.Errorf("%d packages are left, want none", in.s.Count())
	}
	in.refused(Seal{Rules: DefaultRules(), Reason: "again"}, say.Illegal, "empty")
}

func TestGate(t *testing.T) {
	in := sealed(t, lavender(30))
	in.refused(Load{1}, say.Illegal, "under inspection")
	for what, words := range map[What]string{NotIdentified: "held", Suspect: "stopped", Soil: "rejected"} {
		ended(t, what, NotTold, lavender(30)).refused(Load{1}, say.Illegal, words)
	}
	begin(t).do(order("K-1", lavender(2))).refused(Load{1}, say.Illegal, "not inspected")

	in = passed(t, lavender(3))
	in.refused(Load{4}, say.NotFound, "1 to 3")
	in.do(Load{1})
	in.refused(Load{1}, say.Conflict, "loaded already")
	in.refused(Dispatch{}, say.Invalid, "vehicle")
	in.refused(Dispatch{Vehicle: "QF 12"}, say.Invalid, "why the others stay")
	in.refused(benchCheck(DefaultRules(), false), say.Illegal, "on the vehicle")
	in.do(Unload{1, "wrong door"}, Load{1}, Load{2})
	in.refused(Unload{3, "x"}, say.Illegal, "not on the vehicle")
	in.do(Dispatch{Vehicle: "QF 12", Seal: "0088", Reason: "crushed"}).standing(StandGone)
	if d := in.s.Dispatched; d.Aboard != 2 || !slices.Equal(d.Short, []int{3}) {
		t.Errorf("it left with %d, short of %v, want 2 and package 3", d.Aboard, d.Short)
	}
	in.refused(Load{3}, say.Illegal, "left at")
	in.refused(Move{Place: bayQ}, say.Illegal, "left at")
	in.refused(PrintMarks{Sheet: "a4", Marks: 1}, say.Illegal, "left at")
	in.do(HoldBack{Rung: ladder.Sample, Reason: "traced"}).standing(StandGone) // it is said, but nothing comes back
}

func TestLapsedAtTheGate(t *testing.T) {
	in := passed(t, lavender(3)).do(Load{1}).later(72 * time.Hour)
	in.refused(Load{2}, say.Illegal, "lapsed")
	in.refused(PrintMarks{Sheet: "a4", Marks: 3}, say.Illegal, "lapsed")
	in.refused(Dispatch{Vehicle: "QF 12"}, say.Illegal, "lapsed")
	in.refused(benchCheck(DefaultRules(), false), say.Illegal, "unload")
	in.do(Unload{0, "lapsed"}, Reschedule{in.now.Add(20 * time.Hour), "missed the truck"})
	in.do(benchCheck(DefaultRules(), false))
	if got := Next(in.s, "bench 1").Kind; got != StepSeal {
		t.Errorf("Next = %v, want %v", got, StepSeal)
	}
	in.do(Seal{Counted: 3, Rules: DefaultRules(), Reason: "the window was over"})
	in.examineAll().do(benchCheck(DefaultRules(), true), EndRound{}, Load{1}, Load{2}, Load{3}, Dispatch{Vehicle: "QF 12"}).standing(StandGone)
}

func TestStoreCheck(t *testing.T) {
	ended(t, Soil, NotTold, lavender(3)).refused(storeAnswers(), say.Illegal, "passed")
	in := passed(t, lavender(3))
	bad := storeAnswers()
	bad.Yes = bad.Yes[1:]
	in.refused(bad, say.Invalid, "yes or no")
	in.do(storeAnswers("apart")).refused(Load{1}, say.Illegal, "was not as it must be")
	in.do(Move{Place: store}, storeAnswers(), PrintMarks{Sheet: "a4", Marks: 3}, Load{1})
}

func TestTakeBack(t *testing.T) {
	in := ended(t, LivePest, AliveYes, lavender(30)).later(time.Hour).do(spray(in0(t), 4*time.Hour))
	v := in.s.Version
	in.refused(TakeBack{v, "typo"}, say.Forbidden, "supervisor")
	in.as(ida).refused(TakeBack{v, ""}, say.Invalid, "why")
	in.refused(TakeBack{1, "no"}, say.Illegal, "cannot be taken back")
	in.do(TakeBack{v, "wrong consignment"})
	if len(in.s.Treatments) != 0 {
		t.Error("the treatment still stands")
	}
	in.refused(TakeBack{v, "again"}, say.Illegal, "already")
	in = ended(t, NotIdentified, NotTold, lavender(30)).do(TakeSample{Code: "S2S2", Round: 1, Find: 1, What: TakenLeaf, Kept: KeptDry})
	v = in.s.Version
	in.do(MoveSample{Sample: "S2S2", Step: Stored, Place: "fridge"}).as(ida).refused(TakeBack{v, "wrong"}, say.Illegal, "later steps rest on it")
}

// in0 gives the moment at which a rejected inspection of 30 packages stands an
// hour later, for a treatment of it.
func in0(t testing.TB) *inspection {
	return ended(t, LivePest, AliveYes, lavender(30)).later(50 * time.Minute)
}

// A history that cannot have happened is refused, whatever numbers stand in it.
func TestImpossibleStepsDoNotFold(t *testing.T) {
	for _, e := range []Event{
		StopAnswered{Round: 1, Hold: -1, Answer: StopReleased}, StopAnswered{Round: 1, Hold: 9, Answer: StopKept}, StopAnswered{Round: -1, Answer: StopKept},
		HoldLifted{Hold: -1}, HoldLifted{Hold: 1}, HeldBack{Hold: -1}, HeldBack{Hold: 2},
		SampleTaken{Sample: "S2S2", Round: -1}, SampleMoved{Sample: "S9S9"}, SampleAnswered{Sample: "S9S9"},
		FindAnswered{Round: 0}, FindAnswered{Round: 1, Find: 9}, RoundRevised{Round: 7}, DetailPlanned{Round: 7}, DetailLooked{Round: 1},
		ListChanged{Removed: []int{-1}}, ListChanged{Added: []Line{{Packages: MaxPackages}}}, ListChanged{Added: []Line{{Packages: 1, Removed: []int{1}}}},
		Dispatched{Aboard: 5},
	} {
		in := ended(t, Soil, NotTold, lavender(3))
		if _, err := in.s.After([]Recorded{{Version: in.s.Version + 1, At: in.now, Actor: ida, Event: e}}); err == nil {
			t.Errorf("%#v folds", e)
		}
	}
}

// everyFollowing takes every step that can follow a decision at least once.
func everyFollowing(t testing.TB) []*inspection {
	a := sampled(t).as(ida)
	a.do(AnswerSample{Sample: "S2S2", Result: NotFound, Laboratory: "lab"}, EndHold{})
	b := ended(t, Suspect, NotTold, lavender(30)).as(ida)
	b.do(DoStopStep{Step: StepGloves}, AnswerStop{Answer: StopTold, Office: "desk", Reference: "PH-1", ToldAt: b.now}, AnswerStop{Answer: StopRejected, Reason: "confirmed"})
	b.do(Move{Place: bayQ}, PlanDetail{}, LookDetail{Package: b.s.Round().Infested()[0], Units: 4, Affected: 1, What: LivePest}, CleanBench{Bench: "bench 1", How: "swept"})
	b.later(time.Hour).do(spray(b, time.Hour), Dispose{Disposed{Packages: []int{b.s.Round().Infested()[0]}, Units: 1, Method: "burnt", Witness: "Tam Orrin"}})
	b.later(2 * time.Hour).do(ChangeList{Added: []Line{lavender(1)}, Reason: "one more"})
	b.do(benchCheck(DefaultRules(), false), Seal{Counted: 31, Rules: DefaultRules(), Reason: "treated"}).examineAll()
	b.do(benchCheck(DefaultRules(), true), EndRound{}, storeAnswers(), PrintMarks{Sheet: "a4", Marks: 31})
	b.do(HoldBack{Rung: ladder.Sample, Reason: "traced", Source: &Source{Code: "8G8G", Number: "K-9"}}, LiftHold{1, "harmless"})
	b.do(Load{2}, Unload{2, "door"}, Load{3}, Dispatch{Vehicle: "QF 12", Reason: "no room"})
	c := begin(t).do(order("K-1", lavender(3)), Recount{0, 2, "one dropped"})
	return []*inspection{a, b, c}
}

// What is stored says everything: the commands made from the steps lead to the
// same steps again.
func TestFollowingStepsReplay(t *testing.T) {
	for _, in := range everyFollowing(t) {
		state, err := Fold(nil)
		if err != nil {
			t.Fatal(err)
		}
		for i := 0; i < len(in.s.History); {
			rec := in.s.History[i]
			n := 1
			if cmd := CommandOf(rec.Event); cmd != nil {
				events, err := Decide(state, Meta{Actor: rec.Actor, Bench: rec.Bench, At: rec.At}, cmd)
				if err != nil {
					t.Fatalf("step %d (%s) is refused again: %v", rec.Version, Describe(rec.Event), err)
				}
				n = len(events)
				for j, e := range events {
					got, _ := Encode(e)
					want, _ := Encode(in.s.History[i+j].Event)
					if string(got) != string(want) {
						t.Errorf("step %d: decided again it is %s, was %s", rec.Version+j, got, want)
					}
				}
			}
			if state, err = state.After(in.s.History[i : i+n]); err != nil {
				t.Fatal(err)
			}
			i += n
		}
	}
}
