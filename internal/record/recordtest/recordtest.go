// Package recordtest makes inspections for tests of what a record says: on
// screen, on paper, and for programs. Each is driven through the core step by
// step, as the bench would. All in them is invented. Start with [Cases].
package recordtest

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"image"
	"image/color"
	"image/jpeg"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"lastlook/internal/code"
	"lastlook/internal/consignment"
	"lastlook/internal/draw"
	"lastlook/internal/ladder"
	"lastlook/internal/record"
	"lastlook/internal/say"
	"lastlook/internal/vrf"
)

// The people at the bench.
var (
	Tam = consignment.Actor{ID: "T4MP", Name: "Tam Orrin", Roles: []string{"inspector"}}
	Ida = consignment.Actor{ID: "D4FN", Name: "Ida Fenn", Roles: []string{"inspector", consignment.Supervisor}}
)

// Start is when the first step of every inspection is taken.
var Start = time.Date(2026, 11, 25, 7, 0, 0, 0, time.UTC)

// Zone is that of the bench in the tests: one hour ahead of UTC.
var Zone = time.FixedZone("CET", 3600)

// Bench drives one consignment through the core.
type Bench struct {
	State  *consignment.State
	Actor  consignment.Actor
	Name   string
	Photos map[string][]byte // by hash

	t   testing.TB
	now time.Time
}

// Case is one inspection.
type Case struct {
	Name string
	*Bench
}

// Photo looks a photo up, as record.Photos.
func (b *Bench) Photo(hash string) ([]byte, error) {
	if p, ok := b.Photos[hash]; ok {
		return p, nil
	}
	return nil, say.Refuse(say.NotFound, "There is no picture with that mark here.")
}

// New registers a consignment.
func New(t testing.TB, number, customer string, lines ...consignment.Line) *Bench {
	t.Helper()
	s, err := consignment.Fold(nil)
	if err != nil {
		t.Fatal(err)
	}
	b := &Bench{State: s, Actor: Tam, Name: "bench 1", Photos: map[string][]byte{}, t: t, now: Start}
	b.Do(consignment.Register{Registered: consignment.Registered{
		Code: "7F3K", Number: number, Invoice: "QF-7741", Customer: customer, Destination: "Eastmoor",
		DispatchAt: Start.Add(30 * time.Hour), Lines: lines, Source: "orders.csv",
	}})
	return b
}

// prover draws with a key that is the same in every run.
var prover = func() draw.Prover {
	k, err := vrf.NewKey([]byte("a key that is nobody's: for tests"[:vrf.SeedSize]))
	if err != nil {
		panic(err)
	}
	return draw.NewProver("quillfern-test", k)
}()

// Do takes steps, a minute apart.
func (b *Bench) Do(cs ...consignment.Command) *Bench {
	b.t.Helper()
	for _, c := range cs {
		b.now = b.now.Add(time.Minute)
		m := consignment.Meta{Actor: b.Actor, Bench: b.Name, At: b.now, Prover: prover}
		events, err := consignment.Decide(b.State, m, c)
		if err != nil {
			b.t.Fatalf("%T%+v: %v", c, c, err)
		}
		var recs []consignment.Recorded
		for i, e := range events {
			// Through storage, so that a record is made of what would be read back.
			raw, err := consignment.Encode(e)
			if err != nil {
				b.t.Fatal(err)
			}
			if e, err = consignment.Decode(e.Kind(), raw); err != nil {
				b.t.Fatal(err)
			}
			recs = append(recs, consignment.Recorded{Version: b.State.Version + i + 1, At: m.At, Actor: m.Actor, Bench: m.Bench, Event: e})
		}
		if b.State, err = b.State.After(recs); err != nil {
			b.t.Fatal(err)
		}
	}
	return b
}

// As lets somebody else take the next steps.
func (b *Bench) As(a consignment.Actor) *Bench { b.Actor = a; return b }

// Wait lets time pass.
func (b *Bench) Wait(d time.Duration) *Bench { b.now = b.now.Add(d); return b }

// Seal prints the labels, checks the bench, seals and draws.
func (b *Bench) Seal(reason string) *Bench {
	b.t.Helper()
	if len(b.State.Labels) == 0 {
		b.Do(consignment.PrintLabels{Sheet: "a4", From: 1, To: b.State.Total()})
	}
	return b.Check(false).Do(consignment.Seal{Counted: b.State.Count(), Rules: consignment.DefaultRules(), Reason: reason})
}

// Check checks the bench; no names the items answered no.
func (b *Bench) Check(after bool, no ...string) *Bench {
	b.t.Helper()
	rules := consignment.DefaultRules()
	items := rules.Before
	if after {
		items = rules.After
	}
	c := consignment.CheckBench{After: after, Rules: rules, No: no}
	for _, it := range items {
		if !slices.Contains(no, it.ID) {
			c.Yes = append(c.Yes, it.ID)
		}
	}
	if len(no) > 0 {
		c.Note = "put right, to be checked again"
	}
	return b.Do(c)
}

// Mark is what a print of the record would carry, with made-up hashes; nil unless
// the newest round has ended.
func (b *Bench) Mark() *record.Mark {
	r := b.State.Round()
	if r == nil || r.Ended == nil {
		return nil
	}
	const head = "E6D89EF67C435383"
	return &record.Mark{Code: b.State.Code, Outcome: r.Ended.Outcome, Head: head + code.CheckDigits(head), Leaf: strings.Repeat("0a1b", 16)}
}

// Drawn is the package to examine at a place, from 0, in the order of numbers.
func (b *Bench) Drawn(i int) int { return b.State.Running().ToExamine()[i] }

// Open fetches a package, opens and empties it and counts its units.
func (b *Bench) Open(pkg, units int) *Bench {
	b.t.Helper()
	return b.Do(consignment.Fetch{Package: pkg}, consignment.Open{Package: pkg}, consignment.LookPackage{Package: pkg},
		consignment.CountUnits{Package: pkg, Units: units})
}

// Finish states that the rest of a package is clean, confirms the looks and closes it.
func (b *Bench) Finish(pkg int) *Bench {
	b.t.Helper()
	x := b.State.Running().Exams[pkg]
	if left := x.Units - x.Seen(); left > 0 {
		b.Do(consignment.CleanRest{Package: pkg, Count: left})
	}
	looks := consignment.ConfirmLooks{Package: pkg, None: []consignment.Look{consignment.LookFlowers}}
	for _, l := range consignment.DefaultRules().Looks {
		if l != consignment.LookFlowers {
			looks.Made = append(looks.Made, l)
		}
	}
	return b.Do(looks, consignment.ClosePackage{Package: pkg})
}

// ExamineAll examines whatever is not closed yet, all clean.
func (b *Bench) ExamineAll() *Bench {
	b.t.Helper()
	for _, pkg := range b.State.Running().ToExamine() {
		if b.State.Running().Exams[pkg].Closed() {
			continue
		}
		p, _ := b.State.Package(pkg)
		b.Open(pkg, p.CropLine.UnitsPerPackage).Finish(pkg)
	}
	return b
}

// Find records a find and gives its number.
func (b *Bench) Find(f consignment.FindFacts, rung ladder.Rung) int {
	b.t.Helper()
	b.Do(consignment.RecordFind{Facts: f, Rung: rung})
	fs := b.State.Round().Finds
	return fs[len(fs)-1].ID
}

// Facts are those of a find on the underside of a leaf.
func Facts(pkg, unit int, what consignment.What, alive consignment.Alive) consignment.FindFacts {
	return consignment.FindFacts{Package: pkg, Unit: unit, Part: consignment.PartLeafLower, What: what, Units: 1,
		Alive: alive, Method: consignment.ByHandLens}
}

// Take makes a photo, of n dots on a leaf, and keeps it.
func (b *Bench) Take(n, w, h int) string {
	b.t.Helper()
	img := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			v := 0.5 + 0.5*math.Sin(float64(x)/37)*math.Cos(float64(y)/53)
			img.SetRGBA(x, y, color.RGBA{uint8(70 + 50*v), uint8(120 + 70*v), uint8(60 + 30*v), 255})
		}
	}
	for i := range n {
		cx, cy := w*(2*i+1)/(2*n), h*(i%3+1)/4
		for y := max(0, cy-h/30); y < min(h, cy+h/30); y++ {
			for x := max(0, cx-h/30); x < min(w, cx+h/30); x++ {
				img.SetRGBA(x, y, color.RGBA{140, 30, 30, 255})
			}
		}
	}
	var buf bytes.Buffer
	if err := jpeg.Encode(&buf, img, nil); err != nil {
		b.t.Fatal(err)
	}
	sum := sha256.Sum256(buf.Bytes())
	hash := hex.EncodeToString(sum[:])
	b.Photos[hash] = buf.Bytes()
	return hash
}

// Lavender is a crop line.
func Lavender(packages int) consignment.Line {
	return consignment.Line{Crop: "Lavandula", Batch: "LV-26-31", Bay: "North 4", Packages: packages, UnitsPerPackage: 12}
}

// Aphid is an entry of the reference as a find pins it.
func Aphid() *consignment.EntryPin {
	return &consignment.EntryPin{ID: "melon-aphid", Name: "Melon aphid", Revision: 3, Hash: strings.Repeat("5a", 32), Kind: "insect",
		Rung: ladder.Reject, Reasons: []say.Text{say.T("%s is a live pest in the goods.", "Melon aphid")}}
}

// Cases gives one inspection of each kind.
func Cases(t testing.TB) []Case {
	t.Helper()
	const hall = "Eastmoor Plant Hall (invented)"
	var cs []Case
	add := func(name string, b *Bench) { cs = append(cs, Case{name, b}) }

	add("registered", New(t, "K-2041", hall, Lavender(240)))

	ahead := New(t, "K-2041", hall, Lavender(240)).Check(false, "torch")
	add("bench not fit", ahead)

	b := New(t, "K-2041", hall, Lavender(240)).Seal("")
	b.Open(b.Drawn(0), 12).Finish(b.Drawn(0)).Open(b.Drawn(1), 11)
	add("under way", b)

	b = New(t, "K-2041", hall, Lavender(240)).Check(false, "torch").Seal("")
	b.Do(consignment.Reschedule{DispatchAt: Start.Add(34 * time.Hour), Reason: "the ferry leaves later"})
	b.ExamineAll().Check(true).Do(consignment.EndRound{})
	add("passed", b)

	b = New(t, "K-2036", "Eastmoor School Gardens (invented)",
		consignment.Line{Crop: "Viola", Batch: "VI-26-44", Bay: "House 2", Packages: 3, UnitsPerPackage: 18, Refs: []string{"T001", "T002", "T003"}},
		consignment.Line{Crop: "Petunia", Batch: "PE-26-40", Bay: "House 2", Packages: 90, UnitsPerPackage: 6},
		consignment.Line{Crop: "Primula", Batch: "PR-26-17", Bay: "House 3", Packages: 80, UnitsPerPackage: 5})
	b.Do(consignment.Recount{Line: 1, Packages: 88, Reason: "two trays were left in the house"})
	b.Seal("")
	for range 2 { // the second time the reserve itself cannot be reached
		b.Do(consignment.Replace{Package: b.State.Round().Exams[b.last()].Package, Reason: "at the bottom of a stack that must not be moved"})
	}
	pkg := b.Drawn(0)
	b.Open(pkg, 5)
	photos := []string{b.Take(3, 640, 480), b.Take(5, 640, 480), b.Take(7, 640, 480), b.Take(2, 640, 480), b.Take(4, 480, 640), b.Take(6, 640, 480)}
	f := Facts(pkg, 2, consignment.LivePest, consignment.AliveYes)
	f.Units, f.Entry, f.Photos = 4, Aphid(), photos
	f.Note = "Colonies under the youngest leaves.\nAnts attend them."
	b.Find(f, 0)
	b.Find(Facts(pkg, 4, consignment.Beneficial, consignment.AliveYes), 0)
	b.Finish(pkg).ExamineAll().Check(true).Do(consignment.EndRound{})
	add("rejected", b)

	again := New(t, "K-2036", "Eastmoor School Gardens (invented)", Lavender(12)).Seal("")
	pkg = again.Drawn(1)
	again.Open(again.Drawn(0), 12).Finish(again.Drawn(0)).Open(pkg, 12)
	again.Find(Facts(pkg, 7, consignment.Weed, consignment.AliveYes), 0)
	again.Finish(pkg).ExamineAll().Check(true, "no_weed", "waste_bagged").Do(consignment.EndRound{})
	again.Wait(3 * time.Hour).Do(consignment.ChangeList{Removed: []int{12}, Reason: "one package was weeded out"}).
		Seal("all pots were weeded and topped up").ExamineAll().Check(true).Do(consignment.EndRound{})
	add("second round", again)

	b = New(t, "K-2029", "Northreach Ridge Plants (invented)", Lavender(60)).Seal("")
	pkg = b.Drawn(0)
	b.Open(pkg, 12)
	f = Facts(pkg, 0, consignment.NotIdentified, consignment.NotTold)
	f.Part, f.Method, f.Note = consignment.PartPackage, consignment.ByEye, "brown cases in the corner of the tray"
	b.Find(f, 0)
	b.Finish(pkg).Do(consignment.EndRound{})
	add("held", b)

	b = New(t, "K-2047", "Saltwick Quay Market (invented)", Lavender(75)).Seal("")
	pkg = b.Drawn(0)
	b.Open(pkg, 12)
	f = Facts(pkg, 3, consignment.Suspect, consignment.NotTold)
	f.Photos = []string{b.Take(9, 640, 480), strings.Repeat("ab", 32)} // the second one is lost
	b.Find(f, 0)
	add("stopped", b)

	add("amended", amended(t))
	add("held and gone", heldAndGone(t))
	add("treated and back", treatedAndBack(t))
	add("stopped after", stoppedAfter(t))
	b = New(t, "K-2051", "Northreach Ridge Plants (invented)", Lavender(3)).Seal("").ExamineAll().Check(true).Do(consignment.EndRound{},
		consignment.HoldBack{Rung: ladder.Stop, Reason: "A beetle was seen at the gate."})
	add("kept back", b)
	add("hostile", hostile(t))
	return cs
}

// last is the highest package to examine.
func (b *Bench) last() int {
	ns := b.State.Running().ToExamine()
	return ns[len(ns)-1]
}

// amended is an inspection in which much was put right.
func amended(t testing.TB) *Bench {
	b := New(t, "K-2043", "Saltwick Quay Market (invented)", Lavender(24)).Seal("")
	pkg := b.Drawn(0)
	b.Open(pkg, 12)
	// A find that is amended by the inspector, raised, and lowered by the supervisor.
	f := Facts(pkg, 1, consignment.Damage, consignment.AliveNo)
	f.Photos = []string{b.Take(3, 640, 480)}
	n := b.Find(f, 0)
	f.What, f.Units, f.Note = consignment.LivePest, 2, "it moved after all"
	f.Alive = consignment.AliveYes
	f.Photos = []string{b.Take(5, 640, 480)}
	b.Do(consignment.AmendFind{Find: n, Facts: f, Reason: "looked again with the lens"})
	b.Do(consignment.RaiseFind{Find: n, Rung: ladder.Sample})
	b.As(Ida).Do(consignment.LowerFind{Find: n, Rung: ladder.Note, Reason: "a predatory mite, released on purpose"}).As(Tam)
	// A find that is taken back, and a closing that is taken back.
	b.Find(Facts(pkg, 2, consignment.Damage, consignment.AliveNo), 0)
	b.Do(consignment.Undo{Reason: "that was the pot, not the plant"})
	b.Finish(pkg).Do(consignment.Undo{Reason: "one pot still stood on the bench"}, consignment.ClosePackage{Package: pkg})
	b.ExamineAll().Check(true).Do(consignment.EndRound{})
	return b
}

// storeCheck answers the check of the store.
func storeCheck() consignment.CheckStore {
	c := consignment.CheckStore{Place: consignment.Place{Code: "P2P2", Name: "Passed store", Kind: consignment.PassedStore}}
	for _, it := range consignment.DefaultRules().StoreItems() {
		c.Yes = append(c.Yes, it.ID)
	}
	return c
}

// heldAndGone is an inspection that was held, sampled, identified, released, passed,
// stored and loaded.
func heldAndGone(t testing.TB) *Bench {
	b := New(t, "K-2048", "Northreach Ridge Plants (invented)", Lavender(4)).Seal("")
	pkg := b.Drawn(0)
	b.Open(pkg, 12)
	f := Facts(pkg, 3, consignment.NotIdentified, consignment.AliveYes)
	f.Note = "small, jumps"
	b.Find(f, 0)
	shot := b.Take(8, 640, 480)
	b.Do(consignment.TakeSample{Code: "5M4X", Round: 1, Find: 1, What: consignment.TakenSpecimen, Kept: consignment.KeptAlcohol, Asked: "Which species?", Photos: []string{shot}},
		consignment.EndRound{},
		consignment.MoveSample{Sample: "5M4X", Step: consignment.Stored, Place: "Sample fridge"},
		consignment.MoveSample{Sample: "5M4X", Step: consignment.HandedOver, By: "Marl courier (invented)", Note: "sealed box"})
	b.Wait(5*time.Hour).As(Ida).Do(
		consignment.MoveSample{Sample: "5M4X", Step: consignment.Received, By: "Eastmoor bench laboratory (invented)"},
		consignment.AnswerSample{Sample: "5M4X", Result: consignment.Identified, Entry: Springtail(), Alive: consignment.AliveYes,
			Laboratory: "Eastmoor bench laboratory (invented)", Reference: "EB-1201"},
		consignment.EndHold{}).As(Tam)
	b.Finish(pkg).ExamineAll().Check(true).Do(consignment.EndRound{}, consignment.PrintMarks{Sheet: "a4", Marks: 4},
		consignment.Move{Place: storeCheck().Place}, storeCheck())
	b.Wait(time.Hour).Do(consignment.Load{Package: 1}, consignment.Load{Package: 2}, consignment.Unload{Package: 2, Reason: "crushed by the lift"},
		consignment.Load{Package: 3}, consignment.Load{Package: 4},
		consignment.Dispatch{Vehicle: "QF 12 (invented)", Seal: "0088", Reason: "package 002 was crushed"})
	return b
}

// treatedAndBack is a consignment that was rejected, isolated, examined in detail,
// treated, came back without the infested package, and passed.
func treatedAndBack(t testing.TB) *Bench {
	b := New(t, "K-2049", "Saltwick Quay Market (invented)", Lavender(12),
		consignment.Line{Crop: "Hebe", Batch: "HE-26-40", Bay: "House 2", Packages: 6, UnitsPerPackage: 6}).Seal("")
	pkg := b.Drawn(0)
	b.Open(pkg, 12)
	f := Facts(pkg, 2, consignment.LivePest, consignment.AliveYes)
	f.Entry = Aphid()
	b.Find(f, 0)
	b.Do(consignment.EndRound{}, consignment.Move{Place: consignment.Place{Code: "Q2Q2", Name: "Bay Q", Kind: consignment.QuarantineBay}},
		consignment.CleanBench{Bench: "bench 1", How: "Waste bagged, swept, wiped with sanitiser, gloves changed."}, consignment.PlanDetail{})
	for i, n := range b.State.Round().Detail.Packages {
		look := consignment.LookDetail{Package: n, Units: 12}
		if n == pkg {
			look.Affected, look.What, look.Entry, look.Note = 3, consignment.LivePest, Aphid(), "young colonies"
		}
		if i > 3 && n != pkg {
			look.Units = 6
		}
		b.Do(look)
	}
	b.Wait(time.Hour).Do(consignment.Treat{Treated: consignment.Treated{
		Way: consignment.TreatProduct, Product: "Morvane 20 (invented)", Active: "morvanol (invented)", Registration: "X-1234", Batch: "77-B", Rate: "2,5 L/ha", Volume: "20 L",
		Target: "aphids", Method: "knapsack sprayer", Operator: "Tam Orrin", Licence: "L-77", Outdoors: true, Weather: "dry, light wind, 9 degrees",
		Start: b.now.Add(-40 * time.Minute), End: b.now.Add(-10 * time.Minute),
	}, ReEntryAfter: 4 * time.Hour, WithholdingAfter: 6 * time.Hour})
	b.Do(consignment.Dispose{Disposed: consignment.Disposed{Packages: []int{pkg}, Units: 3, Method: "bagged and burnt", Witness: "Ida Fenn"}},
		consignment.ChangeList{Removed: []int{pkg}, Added: []consignment.Line{{Crop: "Hebe", Batch: "HE-26-41", Bay: "House 3", Packages: 1, UnitsPerPackage: 6}}, Repacked: []int{17, 18}, Reason: "the infested tray stays here; one more was asked for"})
	b.Wait(5 * time.Hour).Seal("treated").ExamineAll().Check(true).Do(consignment.EndRound{})
	return b
}

// stoppedAfter is a stop that was told, answered and rejected; before that another
// consignment had it kept back.
func stoppedAfter(t testing.TB) *Bench {
	b := New(t, "K-2050", "Eastmoor School Gardens (invented)", Lavender(8)).Seal("")
	b.As(Ida).Do(consignment.HoldBack{Rung: ladder.Sample, Reason: "Same batch as K-2047.", Source: &consignment.Source{
		Code: "8G8G", Number: "K-2047", Round: 1, Find: 1, Shared: []say.Text{say.T("%s: %s", say.T("same batch"), "LV-26-31")}}},
		consignment.LiftHold{Hold: 1, Reason: "K-2047 was harmless"}).As(Tam)
	pkg := b.Drawn(0)
	b.Open(pkg, 12)
	b.Find(Facts(pkg, 5, consignment.Suspect, consignment.NotTold), 0)
	b.Do(consignment.DoStopStep{Step: consignment.StepLeave}, consignment.DoStopStep{Step: consignment.StepTell})
	b.Wait(20*time.Minute).As(Ida).Do(
		consignment.AnswerStop{Answer: consignment.StopKept, Reason: "waiting for the authority"},
		consignment.AnswerStop{Answer: consignment.StopTold, Office: "Plant health desk of Eastmoor (invented)", Reference: "PH-88", ToldAt: b.now, Reason: "bag it, do not open it again"},
		consignment.AnswerStop{Answer: consignment.StopRejected, Reason: "destroyed as the authority asked"})
	b.Do(consignment.CleanBench{Bench: "bench 1", How: "As the authority asked."},
		consignment.Dispose{Disposed: consignment.Disposed{Packages: b.State.Numbers(), Method: "burnt", Witness: "the plant health desk"}})
	return b
}

// Springtail is a reference entry that is noted.
func Springtail() *consignment.EntryPin {
	return &consignment.EntryPin{ID: "springtails", Name: "Springtails", Revision: 1, Hash: strings.Repeat("5a", 32), Kind: "beneficial", Rung: ladder.Note,
		Reasons: []say.Text{say.T("Springtails live in moist growing medium and harm no plant.")}}
}

// Nasty is a name that tries what names can.
const Nasty = "<script>alert('x')</script> 🌱 שלום مرحبا \u202Egnp.exe " + "Łódź"

// hostile is an inspection with names and reasons that try to break a page.
func hostile(t testing.TB) *Bench {
	long := strings.Repeat("verylongwordwithoutaspace", 8) + " " + strings.Repeat("and a long text that goes on ", 25)
	b := New(t, "K-"+strings.Repeat("9", 60), Nasty, consignment.Line{Crop: Nasty, Batch: strings.Repeat("B", 80), Packages: 4, UnitsPerPackage: 3})
	b.Actor.Name = Nasty
	b.Seal("")
	b.Do(consignment.Replace{Package: b.Drawn(0), Reason: long})
	pkg := b.Drawn(0)
	b.Open(pkg, 3)
	f := Facts(pkg, 1, consignment.Soil, consignment.NotTold)
	f.Note = "Seen at the rim: " + long[:800]
	b.Find(f, ladder.Sample)
	b.Finish(pkg).Do(consignment.EndRound{})
	return b
}
