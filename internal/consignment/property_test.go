package consignment

import (
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"lastlook/internal/ladder"
)

// genCommand draws a command that may or may not be legal: numbers reach past
// the list, units past the package, and every kind of step is tried in every state.
func genCommand(rt *rapid.T, in *inspection) Command {
	rules := DefaultRules()
	pkg := rapid.IntRange(0, in.s.Total()+1).Draw(rt, "package")
	if r := in.s.Running(); r != nil && rapid.Float64().Draw(rt, "aim") < 0.9 {
		if open := r.OpenAt(in.bench); open != nil && rapid.Bool().Draw(rt, "stay") {
			pkg = open.Package
		} else if ns := r.ToExamine(); len(ns) > 0 {
			pkg = rapid.SampledFrom(ns).Draw(rt, "drawn")
		}
	}
	unit := rapid.IntRange(0, 5).Draw(rt, "unit")
	genFacts := func() FindFacts {
		return FindFacts{
			Package: pkg, Unit: unit, Part: rapid.SampledFrom(Parts).Draw(rt, "part"),
			What: rapid.SampledFrom(Whats).Draw(rt, "what"), Units: rapid.IntRange(1, 2).Draw(rt, "units"),
			Alive: rapid.SampledFrom(Alives).Draw(rt, "alive"), Method: ByEye,
		}
	}
	rung := rapid.SampledFrom([]ladder.Rung{0, ladder.Note, ladder.Reject, ladder.Sample, ladder.Stop}).Draw(rt, "rung")
	find := rapid.IntRange(1, 3).Draw(rt, "find")
	check := func(after bool) CheckBench {
		var no []string
		if rapid.Float64().Draw(rt, "unfit") < 0.2 {
			items := rules.Before
			if after {
				items = rules.After
			}
			no = append(no, rapid.SampledFrom(items).Draw(rt, "item").ID)
		}
		return benchCheck(rules, after, no...)
	}
	if _, ok := in.s.History[in.s.Version-1].Event.(FindRecorded); ok && rapid.Bool().Draw(rt, "regret") {
		return Undo{"mistake"}
	}
	if in.s.Round() != nil && rapid.IntRange(0, 3).Draw(rt, "after") == 0 {
		return genAfter(rt, in, pkg, find, rung)
	}
	switch rapid.IntRange(0, 27).Draw(rt, "step") {
	case 25, 26, 27:
		return RecordFind{Facts: genFacts(), Rung: rung}
	case 0:
		return order("K-1", lavender(rapid.IntRange(1, 6).Draw(rt, "packages")))
	case 1:
		return check(false)
	case 2:
		return check(true)
	case 3:
		in.prover = prover(rapid.Byte().Draw(rt, "key"))
		return Seal{Counted: in.s.Total(), Rules: rules, Reason: "again"}
	case 4, 5:
		return Fetch{pkg}
	case 6:
		return Replace{pkg, "lost"}
	case 7, 8:
		return Open{pkg}
	case 9, 10:
		return LookPackage{pkg}
	case 11, 12:
		return CountUnits{pkg, rapid.IntRange(0, 4).Draw(rt, "count")}
	case 13:
		return CleanUnit{pkg, unit}
	case 14, 15:
		left := 0
		if r := in.s.Running(); r != nil && r.Exams[pkg] != nil {
			left = r.Exams[pkg].Units - r.Exams[pkg].Seen()
		}
		return CleanRest{pkg, left}
	case 16, 17:
		return looks(pkg)
	case 18:
		return RecordFind{Facts: genFacts(), Rung: rung}
	case 19:
		return RaiseFind{find, rung, ""}
	case 20:
		return LowerFind{find, rung, "looked again"}
	case 21:
		return AmendFind{find, genFacts(), "looked again"}
	case 22, 23:
		return ClosePackage{pkg}
	}
	if rapid.Bool().Draw(rt, "end") {
		return EndRound{}
	}
	return Undo{"mistake"}
}

// sensible gives the step a careful inspector would take next, so that random
// sequences come far enough to end rounds.
func sensible(in *inspection) Command {
	rules := DefaultRules()
	step := Next(in.s, in.bench)
	r := in.s.Running()
	switch step.Kind {
	case StepLabels:
		return PrintLabels{Sheet: "a4", From: 1, To: in.s.Total()}
	case StepBefore:
		return benchCheck(rules, false)
	case StepFetch:
		for _, n := range r.ToExamine() {
			if r.Exams[n].FetchedAt.IsZero() {
				return Fetch{n}
			}
		}
		return EndRound{}
	case StepOpen:
		return Open{step.Package}
	case StepExamine:
		x := r.Exams[step.Package]
		switch {
		case x.LookedAt.IsZero():
			return LookPackage{x.Package}
		case x.Units == 0:
			return CountUnits{x.Package, 2}
		case x.Seen() < x.Units:
			return CleanUnit{x.Package, 0}
		case x.Looks == nil:
			return looks(x.Package)
		}
		return ClosePackage{x.Package}
	case StepAfter:
		return benchCheck(rules, true)
	case StepConclude:
		return EndRound{}
	}
	return Seal{Counted: in.s.Total(), Rules: rules, Reason: "again"}
}

// genAfter draws a step that follows a decision, legal or not.
func genAfter(rt *rapid.T, in *inspection, pkg, find int, rung ladder.Rung) Command {
	samples := []string{"S2S2", "S3S3", "S4S4"}
	sample := rapid.SampledFrom(samples).Draw(rt, "sample")
	hold := rapid.IntRange(0, 2).Draw(rt, "hold")
	p := rapid.SampledFrom([]Place{bayQ, store, shelf}).Draw(rt, "place")
	switch rapid.IntRange(0, 22).Draw(rt, "follow") {
	case 0:
		return TakeSample{Code: sample, Round: len(in.s.Rounds), Find: find, What: TakenLeaf, Kept: KeptCool}
	case 1:
		return MoveSample{Sample: sample, Step: HandedOver, By: "courier"}
	case 2:
		return MoveSample{Sample: sample, Step: Received, By: "lab"}
	case 3, 4:
		c := AnswerSample{Sample: sample, Result: rapid.SampledFrom(Results).Draw(rt, "result"), Laboratory: "lab"}
		if c.Result == Identified {
			c.Entry = pin("Thing", rapid.SampledFrom([]string{"insect", "beneficial", "weed"}).Draw(rt, "kind"), rapid.SampledFrom(ladder.Rungs).Draw(rt, "asks"))
		}
		return c
	case 5, 6:
		return EndHold{}
	case 7, 8:
		return AnswerStop{Hold: hold, Answer: rapid.SampledFrom(StopAnswers).Draw(rt, "answer"), Reason: "so", Rung: rung, Office: "desk", ToldAt: in.now}
	case 9:
		return HoldBack{Rung: rung, Reason: "traced"}
	case 10, 11:
		return LiftHold{max(hold, 1), "harmless"}
	case 12:
		return Move{Place: p, Sure: true}
	case 13:
		return storeAnswers()
	case 14:
		return CleanBench{Bench: in.bench, How: "swept"}
	case 15:
		return PlanDetail{}
	case 16:
		return LookDetail{Package: pkg, Units: 4}
	case 17:
		return ChangeList{Removed: []int{pkg}, Reason: "gone"}
	case 18:
		return spray(in, time.Duration(rapid.IntRange(0, 3).Draw(rt, "reentry"))*time.Minute)
	case 19, 20:
		return Load{pkg}
	case 21:
		return Unload{0, "not today"}
	}
	return Dispatch{Vehicle: "QF 12", Reason: "no room"}
}

// gate looks at the bare history, not at the state, and says why something should
// not have gone through the gate, or "".
func gate(history []Recorded) string {
	var passedUntil time.Time
	held := map[int]bool{}
	gone := map[int]bool{}
	taken := map[int]bool{}
	for _, rec := range history {
		if a, ok := rec.Event.(Amended); ok && a.With == nil {
			taken[a.Of] = true
		}
	}
	for _, rec := range history {
		if taken[rec.Version] {
			continue
		}
		may := func() string {
			switch {
			case passedUntil.IsZero():
				return "the newest round did not pass"
			case rec.At.After(passedUntil):
				return "the window was over"
			case len(held) > 0:
				return "a hold stood"
			}
			return ""
		}
		switch e := rec.Event.(type) {
		case Sealed:
			passedUntil = time.Time{}
		case RoundEnded:
			passedUntil = e.ValidUntil
		case RoundRevised:
			passedUntil = e.ValidUntil
		case HeldBack:
			held[e.Hold] = true
		case HoldLifted:
			delete(held, e.Hold)
		case StopAnswered:
			if e.Answer == StopReleased || e.Answer == StopRejected {
				delete(held, e.Hold)
			}
		case ListChanged:
			for _, n := range e.Removed {
				gone[n] = true
			}
		case Loaded:
			if gone[e.Package] {
				return "the package had been taken out"
			}
			if why := may(); why != "" {
				return why
			}
		case Dispatched:
			if why := may(); why != "" {
				return why
			}
		}
	}
	return ""
}

// audit looks at the bare history, not at the state, and says why a pass is
// wrong, or "". It is written apart from the core on purpose.
func audit(history []Recorded, round int) string {
	withdrawn := map[int]bool{}
	with := map[int]Event{}
	by := map[int]Actor{}
	for _, rec := range history {
		if a, ok := rec.Event.(Amended); ok {
			delete(with, a.Of)
			withdrawn[a.Of] = a.With == nil
			by[a.Of] = rec.Actor
			if a.With != nil {
				with[a.Of] = a.With.Event
			}
		}
	}
	need, closed, clean := map[int]bool{}, map[int]bool{}, map[int]int{}
	units := map[int]int{}
	finds := map[int]ladder.Rung{}
	before, after, onBench := false, false, false
	for _, rec := range history {
		e := rec.Event
		if w, ok := with[rec.Version]; ok {
			if _, find := w.(FindRecorded); !find {
				e = w // a find counts as amended from the amendment on
			}
		}
		if am, ok := e.(Amended); ok && am.With != nil {
			if f, find := am.With.Event.(FindRecorded); find {
				e = f
			}
		}
		if withdrawn[rec.Version] {
			if f, ok := e.(FindRecorded); ok && f.Rung > ladder.Note && !by[rec.Version].Has(Supervisor) {
				// A find that was raised later cannot be undone either, so this is always wrong.
				return "an inspector took back a find above note"
			}
			continue
		}
		switch e := e.(type) {
		case Sealed:
			if e.Round == round {
				need, closed, clean, units, finds = map[int]bool{}, map[int]bool{}, map[int]int{}, map[int]int{}, map[int]ladder.Rung{}
				after, onBench = false, false
			}
		case BenchChecked:
			if e.Round != round {
				continue
			}
			if e.After {
				after = len(e.No) == 0
				onBench = onBench || slices.ContainsFunc(e.No, func(id string) bool { return strings.HasPrefix(id, "no_") })
			} else {
				before = len(e.No) == 0
			}
		case Drawn:
			if e.Round == round {
				for _, n := range e.Examine {
					need[n] = true
				}
			}
		case Replaced:
			if e.Round == round {
				delete(need, e.Package)
				need[e.By] = true
			}
		case UnitsCounted:
			if e.Round == round {
				units[e.Package] = e.Units
			}
		case UnitsClean:
			if e.Round == round {
				for _, sp := range e.Units {
					clean[e.Package] += sp.To - sp.From + 1
				}
			}
		case FindRecorded:
			if slices.Contains([]What{Soil, Weed, NotIdentified, Suspect}, e.Facts.What) && e.Rung == ladder.Note {
				return "soil, a weed or something unknown was only noted"
			}
			if e.Round == round {
				finds[e.Find] = e.Rung
			}
		case FindRaised:
			if e.Round == round {
				finds[e.Find] = e.Rung
			}
		case FindLowered:
			if e.Round == round {
				if !rec.Actor.Has(Supervisor) {
					return "somebody who is no supervisor went down the ladder"
				}
				finds[e.Find] = e.Rung
			}
		case FindAnswered:
			if e.Round == round {
				if finds[e.Find] == ladder.Stop && e.Rung != ladder.Stop {
					return "a result alone took a find down from stop"
				}
				finds[e.Find] = e.Rung
			}
		case StopAnswered:
			if !rec.Actor.Has(Supervisor) {
				return "somebody who is no supervisor answered a stop"
			}
			for id, r := range finds {
				if e.Round == round && e.Hold == 0 && e.Rung != 0 && r == ladder.Stop {
					finds[id] = e.Rung
				}
			}
		case PackageClosed:
			if e.Round == round {
				closed[e.Package] = true
			}
		}
	}
	for n := range need {
		if !closed[n] {
			return "a drawn package was not examined"
		}
		if units[n] == 0 {
			return "the units of a drawn package were not counted"
		}
		if clean[n] == 0 && len(finds) == 0 {
			return "no unit of a drawn package was looked at"
		}
	}
	for _, r := range finds {
		if r > ladder.Note {
			return "a find above note is unresolved"
		}
	}
	switch {
	case len(need) == 0:
		return "nothing was drawn"
	case !before:
		return "the bench was not fit before"
	case !after:
		return "the bench was not clean after"
	case onBench:
		return "soil, a weed or a pest was on the bench after"
	}
	return ""
}

func TestNoSequencePassesWrongly(t *testing.T) {
	passes, others, loads := 0, 0, 0
	check := func(rt *rapid.T) {
		in := begin(t)
		in.do(order("K-1", lavender(rapid.IntRange(1, 6).Draw(rt, "first"))))
		in.do(benchCheck(DefaultRules(), false))
		for range rapid.IntRange(20, 120).Draw(rt, "steps") {
			in.actor = tam
			if rapid.Float64().Draw(rt, "who") < 0.1 {
				in.actor = ida
			}
			in.bench = rapid.SampledFrom([]string{"bench 1", "bench 1", "bench 2"}).Draw(rt, "bench")
			before := in.s
			var c Command
			if rapid.IntRange(0, 9).Draw(rt, "sensible") < 7 {
				c = sensible(in)
			} else {
				c = genCommand(rt, in)
			}
			err := in.try(c)
			if err != nil && in.s != before {
				rt.Fatalf("a refused step changed the state: %v", err)
			}
			if !reflect.DeepEqual(in.s.History[:before.Version], before.History[:before.Version]) {
				rt.Fatal("a step changed what was already on record")
			}
			if in.s != before {
				switch in.s.History[in.s.Version-1].Event.(type) {
				case Loaded, Dispatched:
					loads++
				}
				if why := gate(in.s.History); why != "" {
					rt.Fatalf("something went through the gate although %s", why)
				}
			}
			if r := in.s.Round(); r != nil && r.Ended != nil && before.Round() != nil && before.Version != in.s.Version {
				if r.Ended.Outcome == Passed {
					passes++
					if why := audit(in.s.History, r.Number); why != "" {
						rt.Fatalf("passed although %s", why)
					}
				} else {
					others++
				}
			}
		}
	}
	for range 10 { // rapid's default of 100 sequences is too few for the rare mistakes
		rapid.Check(t, check)
	}
	t.Logf("%d steps stood on passed rounds, %d on others; %d went through the gate", passes, others, loads)
	if passes == 0 || others == 0 || loads == 0 {
		t.Errorf("the sequences reached %d passes, %d other outcomes and %d loads: they try too little", passes, others, loads)
	}
}

func TestFoldIsDeterministic(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		in := begin(t)
		in.do(order("K-1", lavender(4)), benchCheck(DefaultRules(), false))
		for range rapid.IntRange(1, 60).Draw(rt, "steps") {
			in.actor = ida
			if rapid.Bool().Draw(rt, "sensible") {
				_ = in.try(sensible(in)) // refusals are part of the game
			} else {
				_ = in.try(genCommand(rt, in))
			}
		}
		again, err := Fold(slices.Clone(in.s.History))
		if err != nil {
			rt.Fatal(err)
		}
		if !reflect.DeepEqual(again, in.s) {
			rt.Fatal("the same history folded into another state")
		}
		stored := make([]Recorded, len(in.s.History))
		for i, rec := range in.s.History {
			b, err := Encode(rec.Event)
			if err != nil {
				rt.Fatal(err)
			}
			e, err := Decode(rec.Event.Kind(), b)
			if err != nil {
				rt.Fatal(err)
			}
			rec.Event = e
			stored[i] = rec
		}
		back, err := Fold(stored)
		if err != nil {
			rt.Fatal(err)
		}
		if Next(back, "bench 1") != Next(in.s, "bench 1") || back.Version != in.s.Version {
			rt.Fatal("a stored history leads to another next step")
		}
		if a, b := back.Running(), in.s.Running(); (a == nil) != (b == nil) || a != nil && !reflect.DeepEqual(a.Exams, b.Exams) {
			rt.Fatal("a stored history folded into other examinations")
		}
	})
}

func BenchmarkFoldLargest(b *testing.B) {
	in := begin(b)
	rules := DefaultRules()
	in.do(order("K-1", lavender(MaxPackages)), PrintLabels{Sheet: "a4", From: 1, To: 100}, benchCheck(rules, false))
	in.now = t0
	in.s.LastAt = time.Time{}
	in.do(Seal{Counted: MaxPackages, Rules: rules})
	b.ResetTimer()
	for range b.N {
		if _, err := Fold(in.s.History); err != nil {
			b.Fatal(err)
		}
	}
}
