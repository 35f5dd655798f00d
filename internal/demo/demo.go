// Package demo makes a data folder in which a morning's work has been done, for
// a look at the bench without a nursery.
//
// [Fill] is all of it. Everything goes in by the same commands as at a bench.
// Quillfern Growers, its people, customers and districts are invented.
package demo

import (
	"context"
	"fmt"
	"time"

	"lastlook/internal/consignment"
	"lastlook/internal/intake"
	"lastlook/internal/order"
	"lastlook/internal/people"
	"lastlook/internal/place"
	"lastlook/internal/store"
)

// Bench is the name of the bench at which the morning's work was done.
const Bench = "bench 1"

// The people of the demo. All of them are invented.
const (
	Ida  = "Ida Fenn"   // supervisor and inspector
	Tam  = "Tam Orrin"  // inspector
	Wilo = "Wilo Pasch" // inspector
	Bea  = "Bea Lund"   // trainee
)

// The consignments that are not untouched, and the one to begin with.
const (
	Fresh    = "K-2041" // 240 packages, nothing done yet
	Drawn    = "K-2043" // labelled, bench checked, sealed; three packages to fetch
	AtWork   = "K-2036" // three of three fetched, one examined
	Passed   = "K-2045"
	Rejected = "K-2029" // soil in one package
	Held     = "K-2044" // mites nobody could name; the sample is in the fridge
)

// lead is how long before now the morning began.
const lead = 3 * time.Hour

// Made is what Fill made, for the words that go with it.
type Made struct {
	People map[string]people.Person      // by name
	Places map[string]place.Place        // by name
	Codes  map[string]string             // code of each consignment, by number
	States map[string]*consignment.State // of those that are not untouched, by number
}

// Fill fills an empty data folder: four people, five places, the eight consignments of
// order.Demo, and the work on five of them, done in the hours before now. It sets
// the store's clock while it works and gives it back as it was.
func Fill(ctx context.Context, st *store.Store, now time.Time) (*Made, error) {
	clock := &stepping{at: now.Add(-lead)}
	was := st.Now
	st.Now = clock.now
	defer func() { st.Now = was }()

	f := &filler{ctx: ctx, st: st, clock: clock, made: newMade()}
	f.people()
	f.places()
	f.orders(now)
	for _, c := range []struct {
		number string
		do     func(number string)
	}{{Rejected, f.rejected}, {Held, f.held}, {Passed, f.passed}, {Drawn, f.drawn}, {AtWork, f.atWork}} {
		if f.err == nil {
			c.do(c.number)
		}
	}
	if f.err == nil && clock.at.After(now) {
		f.err = fmt.Errorf("the morning's work ends at %s, after now", clock.at)
	}
	if f.err != nil {
		return nil, fmt.Errorf("demo: %w", f.err)
	}
	return f.made, nil
}

func newMade() *Made {
	return &Made{
		People: map[string]people.Person{}, Places: map[string]place.Place{}, Codes: map[string]string{}, States: map[string]*consignment.State{},
	}
}

// stepping is a clock that moves a little at each look, so that no two steps
// are at one moment.
type stepping struct{ at time.Time }

func (c *stepping) now() time.Time {
	c.at = c.at.Add(7 * time.Second)
	return c.at
}

// filler takes steps until one fails; err keeps the first failure.
type filler struct {
	ctx   context.Context
	st    *store.Store
	clock *stepping
	made  *Made
	err   error
}

func (f *filler) people() {
	for _, p := range []people.Join{
		{Name: Ida, Roles: []string{people.Supervisor, people.Inspector}},
		{Name: Tam, Roles: []string{people.Inspector}},
		{Name: Wilo, Roles: []string{people.Inspector}},
		{Name: Bea, Roles: []string{people.Trainee}},
	} {
		if f.err != nil {
			return
		}
		r, err := f.st.DoPeople(f.ctx, consignment.Actor{ID: "demo", Name: "demo"}, "office", "", p)
		if err != nil {
			f.err = err
			return
		}
		f.made.People[p.Name] = r.People[len(r.People)-1]
	}
}

// places are the invented places of Quillfern Growers.
func (f *filler) places() {
	for _, p := range []place.Make{
		{Kind: place.QuarantineBay, Name: "Bay Q", Where: "behind the potting shed"},
		{Kind: place.PassedStore, Name: "Passed store"},
		{Kind: place.Bench, Name: "Bench 1"},
		{Kind: place.Gate, Name: "Gate"},
		{Kind: place.SampleStore, Name: "Sample fridge", Where: "in the office"},
	} {
		if f.err != nil {
			return
		}
		l, err := f.st.DoPlaces(f.ctx, f.actor(Ida), "office", "", p)
		if err != nil {
			f.err = err
			return
		}
		f.made.Places[p.Name] = l.Places[len(l.Places)-1]
	}
}

func (f *filler) orders(now time.Time) {
	if f.err != nil {
		return
	}
	rep, err := intake.Take(f.ctx, f.st, order.Demo(now), intake.Options{
		Now: f.clock.now(), Loc: now.Location(), Source: "demo-orders.csv", Actor: f.actor(Ida), Bench: "office",
	})
	switch {
	case err != nil:
		f.err = err
		return
	case !rep.Clean():
		f.err = fmt.Errorf("the demo's orders are not clean: %v", rep.Refused)
		return
	}
	for _, t := range append(rep.Taken, rep.Here...) {
		f.made.Codes[t.Number] = t.Code
	}
}

func (f *filler) actor(name string) consignment.Actor {
	p := f.made.People[name]
	return consignment.Actor{ID: p.ID, Name: p.Name, Roles: p.Roles}
}

// do takes steps on a consignment and gives its state after the last of them.
func (f *filler) do(number, who string, cs ...consignment.Command) *consignment.State {
	for _, c := range cs {
		if f.err != nil {
			break
		}
		done, err := f.st.Do(f.ctx, store.Step{Code: f.made.Codes[number], Actor: f.actor(who), Bench: Bench, Command: c})
		if err != nil {
			f.err = fmt.Errorf("%s, %T: %w", number, c, err)
			break
		}
		f.made.States[number] = done.State
	}
	return f.made.States[number]
}

// sealed takes a consignment as far as the draw and gives the packages to examine.
func (f *filler) sealed(number, who string) []int {
	st, err := f.st.Consignment(f.ctx, f.made.Codes[number])
	if err != nil {
		f.err = err
		return nil
	}
	n := st.Total()
	rules := f.st.Rules(st.Destination)
	st = f.do(number, who,
		consignment.PrintLabels{Sheet: "a4", From: 1, To: n},
		f.check(rules.Before, false, rules),
		consignment.Seal{Counted: n, Rules: rules},
	)
	if f.err != nil {
		return nil
	}
	return st.Round().ToExamine()
}

func (f *filler) check(items []consignment.CheckItem, after bool, rules consignment.RuleSet) consignment.CheckBench {
	c := consignment.CheckBench{After: after, Rules: rules}
	for _, it := range items {
		c.Yes = append(c.Yes, it.ID)
	}
	return c
}

// opened fetches a package if it is not here yet, opens and counts it, and
// gives the number of its units.
func (f *filler) opened(number, who string, pkg int) int {
	st := f.made.States[number]
	if f.err != nil {
		return 0
	}
	p, _ := st.Package(pkg)
	units := p.CropLine.UnitsPerPackage
	if st.Round().Exams[pkg].FetchedAt.IsZero() {
		f.do(number, who, consignment.Fetch{Package: pkg})
	}
	f.do(number, who,
		consignment.Open{Package: pkg},
		consignment.LookPackage{Package: pkg},
		consignment.CountUnits{Package: pkg, Units: units},
	)
	return units
}

// closed confirms the looks and closes the package.
func (f *filler) closed(number, who string, pkg int) {
	if f.err != nil {
		return
	}
	looks := f.made.States[number].Round().Rules.Looks
	f.do(number, who, consignment.ConfirmLooks{Package: pkg, Made: looks}, consignment.ClosePackage{Package: pkg})
}

// clean examines a package in which nothing is found.
func (f *filler) clean(number, who string, pkg int) {
	units := f.opened(number, who, pkg)
	f.do(number, who, consignment.CleanUnit{Package: pkg})
	if units > 1 {
		f.do(number, who, consignment.CleanRest{Package: pkg, Count: units - 1})
	}
	f.closed(number, who, pkg)
}

func (f *filler) passed(number string) {
	for _, pkg := range f.sealed(number, Wilo) {
		f.clean(number, Wilo, pkg)
	}
	f.end(number, Wilo)
}

func (f *filler) rejected(number string) {
	pkgs := f.sealed(number, Tam)
	for i, pkg := range pkgs {
		if i < len(pkgs)-1 {
			f.clean(number, Tam, pkg)
			continue
		}
		units := f.opened(number, Tam, pkg)
		f.do(number, Tam,
			consignment.CleanUnit{Package: pkg},
			consignment.RecordFind{Facts: consignment.FindFacts{
				Package: pkg, Unit: 2, Part: consignment.PartContainer, What: consignment.Soil, Units: 1,
				Alive: consignment.NotTold, Method: consignment.UnderContainer, Note: "clod of soil stuck under the pot",
			}},
			consignment.CleanRest{Package: pkg, Count: units - 2},
		)
		f.closed(number, Tam, pkg)
	}
	f.end(number, Tam)
	f.do(number, Tam, consignment.CleanBench{Bench: Bench, How: "swept and wiped; the soil was bagged and thrown away"})
}

// held finds what nobody could name in the second package, and stores a sample of it.
func (f *filler) held(number string) {
	pkgs := f.sealed(number, Wilo)
	if f.err != nil {
		return
	}
	f.clean(number, Wilo, pkgs[0])
	f.opened(number, Wilo, pkgs[1])
	f.do(number, Wilo,
		consignment.RecordFind{Facts: consignment.FindFacts{
			Package: pkgs[1], Unit: 1, Part: consignment.PartLeafLower, What: consignment.NotIdentified, Units: 2,
			Alive: consignment.AliveYes, Method: consignment.ByHandLens, Note: "tiny pale dots that move, a little silk (invented)",
		}},
		consignment.EndRound{},
	)
	if f.err != nil {
		return
	}
	sample, err := f.st.NewSampleCode(f.ctx)
	if err != nil {
		f.err = err
		return
	}
	f.do(number, Wilo,
		consignment.TakeSample{Code: sample, Round: 1, Find: 1, What: consignment.TakenLeaf, Kept: consignment.KeptCool, Asked: "Which mite is it?"},
		consignment.MoveSample{Sample: sample, Step: consignment.Stored, Place: f.made.Places["Sample fridge"].Name},
	)
}

func (f *filler) end(number, who string) {
	if f.err != nil {
		return
	}
	rules := f.made.States[number].Round().Rules
	f.do(number, who, f.check(rules.After, true, rules), consignment.EndRound{})
}

func (f *filler) drawn(number string) { f.sealed(number, Ida) }

func (f *filler) atWork(number string) {
	pkgs := f.sealed(number, Tam)
	for _, pkg := range pkgs {
		f.do(number, Tam, consignment.Fetch{Package: pkg})
	}
	if f.err == nil {
		f.clean(number, Tam, pkgs[0])
	}
}
