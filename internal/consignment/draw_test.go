package consignment

import (
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"lastlook/internal/draw"
	"lastlook/internal/vrf"
)

// twoLines is a list with everything that a list can have.
func twoLines() []Line {
	refs := make([]string, 60)
	for i := range refs {
		refs[i] = strings.Repeat("T", i%3) + "ż"
	}
	return []Line{lavender(180), {Crop: "Rosa 'Été'", Bay: "C1", Packages: 60, UnitsPerPackage: 8, Refs: refs}}
}

// drawnAt finds the draw of a round in a history.
func drawnAt(t *testing.T, history []Recorded, round int) (int, Drawn) {
	t.Helper()
	for i, rec := range history {
		if d, ok := rec.Event.(Drawn); ok && d.Round == round {
			return i, d
		}
	}
	t.Fatalf("round %d was not drawn", round)
	return 0, Drawn{}
}

func TestDrawIsProven(t *testing.T) {
	in := sealed(t, twoLines()...)
	_, d := drawnAt(t, in.s.History, 1)
	if d.Evidence == nil {
		t.Fatal("the draw has no evidence")
	}
	want := draw.Input{
		Site: "quillfern-test", Consignment: "7F3K", Number: "K-2041", Round: 1, Rules: 1, Rate: "2%", Minimum: 3, Spread: true,
		Packages: 240, Examine: 5, Quotas: d.Quotas, List: in.s.ListDigest(1),
	}
	if !reflect.DeepEqual(d.Evidence.Input, want) || d.Evidence.Key != prover(1).Key {
		t.Errorf("evidence %+v, want input %+v and the key of the prover", d.Evidence, want)
	}
	if seed, err := d.Evidence.Seed(); err != nil || seed != d.Seed {
		t.Errorf("Seed() = %v, %v, want %v", seed, err, d.Seed)
	}
	r := in.s.Running()
	if r.Proof == nil || !strings.Contains(r.SeedWords().String(), "Nobody chose the seed") {
		t.Errorf("the round says %q", r.SeedWords())
	}
	b, err := Encode(d)
	if err != nil {
		t.Fatal(err)
	}
	if back, err := Decode(d.Kind(), b); err != nil || !reflect.DeepEqual(back, d) {
		t.Errorf("through storage: %+v, %v, want %+v", back, err, d)
	}
	again := sealed(t, twoLines()...)
	if !slices.Equal(again.s.Running().Drawn, r.Drawn) {
		t.Error("the same list, key and round give other packages")
	}
}

// A draw from before draws were proven still folds, and says what it lacks.
func TestSeedWithoutProof(t *testing.T) {
	old := `{"round":1,"seed":"0101010101010101010101010101010101010101010101010101010101010101","examine":[%EX%]}`
	in := sealed(t, lavender(4))
	i, _ := drawnAt(t, in.s.History, 1)
	sel, err := draw.Select(draw.Seed(bytes.Repeat([]byte{1}, 32)), 4, 3)
	if err != nil {
		t.Fatal(err)
	}
	ex, _ := json.Marshal(sel.Examine)
	e, err := Decode("drawn", []byte(strings.Replace(old, "[%EX%]", string(ex), 1)))
	if err != nil {
		t.Fatal(err)
	}
	if b, err := Encode(e); err != nil || strings.Contains(string(b), "evidence") {
		t.Errorf("encodes as %s, %v: the old bytes have changed", b, err)
	}
	history := slices.Clone(in.s.History)
	history[i].Event = e
	s, err := Fold(history)
	if err != nil {
		t.Fatal(err)
	}
	if r := s.Running(); r.Proof != nil || !slices.Equal(r.Drawn, sel.Examine) || !strings.Contains(r.SeedWords().String(), "Seed without proof") {
		t.Errorf("round %+v says %q", r, r.SeedWords())
	}
}

func TestDrawThatWasTamperedWithDoesNotFold(t *testing.T) {
	in := sealed(t, twoLines()...)
	i, d := drawnAt(t, in.s.History, 1)
	change := func(f func(d *Drawn, ev *draw.Evidence)) []Recorded {
		h := slices.Clone(in.s.History)
		e, ev := d, *d.Evidence
		e.Evidence = &ev
		f(&e, &ev)
		h[i].Event = e
		return h
	}
	other := prover(2)
	cases := map[string][]Recorded{
		"proof": change(func(_ *Drawn, ev *draw.Evidence) { ev.Proof[5] ^= 1 }),
		"key":   change(func(_ *Drawn, ev *draw.Evidence) { ev.Key = other.Key }),
		"site":  change(func(_ *Drawn, ev *draw.Evidence) { ev.Input.Site = "elsewhere" }),
		"round": change(func(_ *Drawn, ev *draw.Evidence) { ev.Input.Round = 2 }),
		"list":  change(func(_ *Drawn, ev *draw.Evidence) { ev.Input.List = strings.Repeat("00", 32) }),
		"another list, proven": change(func(d *Drawn, ev *draw.Evidence) {
			in := ev.Input
			in.List = strings.Repeat("00", 32)
			var err error
			if d.Seed, *ev, err = prover(1).Draw(in); err != nil {
				t.Fatal(err)
			}
			sel, _ := draw.SelectSpread(d.Seed, []int{180, 60}, d.Quotas)
			d.Examine = sel.Examine
		}),
		"seed": change(func(d *Drawn, _ *draw.Evidence) {
			d.Seed[0] ^= 1
			sel, _ := draw.SelectSpread(d.Seed, []int{180, 60}, d.Quotas)
			d.Examine = sel.Examine
		}),
		"packages": change(func(d *Drawn, _ *draw.Evidence) { d.Examine = slices.Clone(d.Examine); d.Examine[0]++ }),
		"drawn twice": append(slices.Clone(in.s.History),
			Recorded{Version: in.s.Version + 1, At: in.now, Actor: tam, Event: d}),
	}
	for name, h := range cases {
		if _, err := Fold(h); err == nil {
			t.Errorf("%s changed: the history still folds", name)
		}
	}
	sealedAt := slices.IndexFunc(in.s.History, func(r Recorded) bool { _, ok := r.Event.(Sealed); return ok })
	for name, c := range map[string]struct {
		at int
		f  func(e Event) Event
	}{
		"a crop renamed":      {0, func(e Event) Event { r := e.(Registered); r.Lines = twoLines(); r.Lines[0].Crop = "Salvia"; return r }},
		"the lines reordered": {0, func(e Event) Event { r := e.(Registered); r.Lines = twoLines(); slices.Reverse(r.Lines); return r }},
		"another rule set":    {sealedAt, func(e Event) Event { s := e.(Sealed); s.Rules.Version++; return s }},
	} {
		h := slices.Clone(in.s.History)
		h[c.at].Event = c.f(h[c.at].Event)
		if _, err := Fold(h); err == nil {
			t.Errorf("%s: the history still folds", name)
		}
	}
	if _, err := Fold(in.s.History); err != nil {
		t.Errorf("untouched: %v", err)
	}
}

func TestEachRoundIsDrawnAnew(t *testing.T) {
	in := sealed(t, lavender(300))
	first := in.s.Running()
	rules := DefaultRules()
	for _, pkg := range first.ToExamine() {
		in.do(Fetch{pkg}, Open{pkg}, LookPackage{pkg}, CountUnits{pkg, 4},
			RecordFind{Facts: facts(pkg, 1, Soil, NotTold)}, CleanRest{pkg, 3}, looks(pkg), ClosePackage{pkg})
	}
	in.do(benchCheck(rules, true), EndRound{}, benchCheck(rules, false), Seal{Counted: 300, Rules: rules, Reason: "washed"})
	second := in.s.Running()
	if second.Seed == first.Seed || second.Proof.Input.Round != 2 {
		t.Errorf("round 2 has seed %v of round %d, round 1 had %v", second.Seed, second.Proof.Input.Round, first.Seed)
	}
}

// The draw as the record has it, checked by testdata/draw/verify_draw.py from the
// list itself.
func TestPythonDrawsTheSame(t *testing.T) {
	exe, err := exec.LookPath("python3")
	if err != nil {
		if os.Getenv("LASTLOOK_TOOLS") == "required" {
			t.Fatal("python3 is not here, and LASTLOOK_TOOLS=required")
		}
		t.Skip("python3 is not here")
	}
	in := sealed(t, twoLines()...)
	_, d := drawnAt(t, in.s.History, 1)
	type description struct {
		Key   vrf.PublicKey `json:"key"`
		Proof vrf.Proof     `json:"proof"`
		Alpha draw.Input    `json:"alpha"`
		Lines []Line        `json:"lines"`
		Seed  draw.Seed     `json:"seed"`
		Drawn []int         `json:"drawn"`
	}
	run := func(desc description) (string, error) {
		b, err := json.Marshal(desc)
		if err != nil {
			t.Fatal(err)
		}
		cmd := exec.Command(exe, "-B", filepath.Join("..", "..", "testdata", "draw", "verify_draw.py"))
		cmd.Stdin = bytes.NewReader(b)
		out, err := cmd.CombinedOutput()
		return string(out), err
	}
	desc := description{d.Evidence.Key, d.Evidence.Proof, d.Evidence.Input, in.s.Lines, d.Seed, d.Examine}
	if out, err := run(desc); err != nil {
		t.Errorf("verify_draw.py: %v\n%s", err, out)
	}
	desc.Lines = twoLines()
	desc.Lines[1].Refs[7] += "x"
	if out, err := run(desc); err == nil || !strings.Contains(out, "not the one that was sealed") {
		t.Errorf("with another mark on one package: %v\n%s", err, out)
	}

	// The second round of goods from which packages were taken out.
	pkg := in.s.Running().ToExamine()[0]
	in.do(Fetch{pkg}, Open{pkg}, LookPackage{pkg}, CountUnits{pkg, 4}, RecordFind{Facts: facts(pkg, 1, Soil, NotTold)}, EndRound{})
	clean := in.s.Numbers()
	clean = slices.DeleteFunc(clean, func(n int) bool { return n == pkg || n%3 == 0 })
	in.do(ChangeList{Removed: clean[:9], Reason: "sold elsewhere"}, CleanBench{Bench: "bench 1", How: "swept"}, benchCheck(DefaultRules(), false))
	in.do(Seal{Counted: in.s.Count(), Rules: DefaultRules(), Reason: "washed"})
	_, d = drawnAt(t, in.s.History, 2)
	desc = description{d.Evidence.Key, d.Evidence.Proof, d.Evidence.Input, in.s.Lines, d.Seed, d.Examine}
	if out, err := run(desc); err != nil {
		t.Errorf("with packages taken out: verify_draw.py: %v\n%s", err, out)
	}
	desc.Lines = slices.Clone(desc.Lines)
	desc.Lines[0].Removed = nil
	if out, err := run(desc); err == nil || !strings.Contains(out, "not the one that was sealed") {
		t.Errorf("with the packages back in the list: %v\n%s", err, out)
	}
}
