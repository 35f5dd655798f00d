package demo

import (
	"context"
	"fmt"
	"math/rand/v2"
	"strings"
	"time"

	"lastlook/internal/consignment"
	"lastlook/internal/ladder"
	"lastlook/internal/store"
)

// PerWeek is how many inspections a week of [Past] has, at least.
const PerWeek = 5

// pastHash stands for the revision of the entry that the finds are put down to. It is
// made up: what is done with a history does not ask for the entry.
const pastHash = "0000000000000000000000000000000000000000000000000000000000000000"

// Past fills an empty data folder with weeks of invented inspections up to now, by the
// same commands as at a bench: most pass; some goods have soil or a weed; over the last
// third spider mites become frequent in one bay. It is what the pages on a site's
// own history are looked at with. The same seed gives the same weeks.
func Past(ctx context.Context, st *store.Store, now time.Time, weeks int, seed uint64) error {
	clock := &stepping{}
	was := st.Now
	st.Now = clock.now
	defer func() { st.Now = was }()
	f := &filler{ctx: ctx, st: st, clock: clock, made: newMade()}
	r := rand.New(rand.NewPCG(seed, 1))

	begin := now.AddDate(0, 0, -7*weeks)
	clock.at = begin
	f.people()
	f.places()
	crops := []struct{ name, bay string }{{"Lavandula", "B2"}, {"Hebe", "B4"}, {"Rosa", "B7"}, {"Buxus", "B4"}}
	districts := []string{"Eastmoor", "Marrow Island", "Northreach", "Saltwick"}
	n := 0
	for w := range weeks {
		for i := range PerWeek + r.IntN(4) {
			if f.err != nil {
				break
			}
			n++
			at := begin.AddDate(0, 0, 7*w).Add(time.Duration(i)*14*time.Hour + 8*time.Hour)
			if !at.Before(now.Add(-4 * time.Hour)) {
				break
			}
			crop := crops[r.IntN(len(crops))]
			clock.at = at
			number := fmt.Sprintf("P-%04d", n)
			f.order(consignment.Registered{
				Number: number, Customer: "Bracken & Co (invented)", Destination: districts[r.IntN(len(districts))], DispatchAt: at.Add(30 * time.Hour),
				Lines:       []consignment.Line{{Crop: crop.name, Batch: fmt.Sprintf("%.1s-%02d", crop.name, w+1), Bay: crop.bay, Packages: 3 + r.IntN(3), UnitsPerPackage: 12}},
				Fingerprint: number,
			})
			late := w >= weeks*2/3
			f.pastRound(number, r, crop.bay == "B4" && late)
		}
	}
	if f.err != nil {
		return fmt.Errorf("demo: %w", f.err)
	}
	return nil
}

func (f *filler) order(o consignment.Registered) {
	if f.err != nil {
		return
	}
	taken, err := f.st.Register(f.ctx, f.actor(Ida), "office", []consignment.Registered{o}, nil)
	switch {
	case err != nil:
		f.err = err
	case taken[0].Refused != nil:
		f.err = taken[0].Refused
	default:
		f.made.Codes[o.Number] = taken[0].Code
	}
}

// pastRound inspects a consignment. Mites says that there may be mites.
func (f *filler) pastRound(number string, r *rand.Rand, mites bool) {
	pkgs := f.sealed(number, Tam)
	if f.err != nil {
		return
	}
	var what consignment.What
	facts := consignment.FindFacts{Unit: 2, Part: consignment.PartStem, Units: 1, Alive: consignment.NotTold, Method: consignment.ByEye, Note: "invented"}
	switch p := r.IntN(100); {
	case mites && p < 90:
		what, facts.Part, facts.Alive, facts.Units = consignment.LivePest, consignment.PartLeafLower, consignment.AliveYes, 2+r.IntN(4)
		facts.Entry = &consignment.EntryPin{ID: "two-spotted-mite", Name: "Two-spotted spider mite", Revision: 1, Hash: pastHash, Kind: "mite", Rung: ladder.Reject}
	case p < 5:
		what, facts.Part = consignment.Soil, consignment.PartContainer
	case p < 9:
		what, facts.Part = consignment.Weed, consignment.PartMedium
	case p < 20:
		what, facts.Alive = consignment.Damage, consignment.AliveNo
	}
	bad := r.IntN(len(pkgs))
	for i, pkg := range pkgs {
		units := f.opened(number, Tam, pkg)
		f.clock.at = f.clock.at.Add(time.Duration(60+r.IntN(240)) * time.Second)
		if what == "" || i != bad {
			f.do(number, Tam, consignment.CleanUnit{Package: pkg}, consignment.CleanRest{Package: pkg, Count: units - 1})
			f.closed(number, Tam, pkg)
			continue
		}
		facts.Package, facts.What = pkg, what
		f.do(number, Tam, consignment.CleanUnit{Package: pkg}, consignment.RecordFind{Facts: facts})
		seen := 2
		if what == consignment.LivePest { // it is on the next one as well
			again := facts
			again.Unit, again.Units, seen = 3, 1, 3
			f.do(number, Tam, consignment.RecordFind{Facts: again})
		}
		f.do(number, Tam, consignment.CleanRest{Package: pkg, Count: units - seen})
		f.closed(number, Tam, pkg)
	}
	f.end(number, Tam)
	if f.err != nil {
		return
	}
	if o := f.made.States[number].Round().Ended.Outcome; o != consignment.Passed {
		f.do(number, Tam, consignment.CleanBench{Bench: Bench, How: "swept and wiped"})
		return
	}
	if r.IntN(8) == 0 || strings.HasSuffix(number, "4") {
		return // nobody came for it: its window will run out
	}
	f.clock.at = f.clock.at.Add(5 * time.Hour)
	st := f.made.States[number]
	for _, p := range st.Numbers() {
		f.do(number, Tam, consignment.Load{Package: p})
	}
	f.do(number, Tam, consignment.Dispatch{Vehicle: "QF 12"})
}
