package draw

import (
	"bytes"
	"encoding/hex"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"lastlook/internal/say"
	"lastlook/internal/vrf"
)

func proverOf(t testing.TB, seed byte) Prover {
	t.Helper()
	k, err := vrf.NewKey(bytes.Repeat([]byte{seed}, vrf.SeedSize))
	if err != nil {
		t.Fatal(err)
	}
	return NewProver("quillfern-test", k)
}

func input() Input {
	return Input{
		Consignment: "7F3K", Number: "K-2041", Round: 1, Rules: 1, Rate: "2%", Minimum: 3,
		Spread: true, Packages: 240, Examine: 5, Quotas: []int{4, 1}, List: strings.Repeat("ab", 32),
	}
}

// described is a draw as verify_draw.py takes it.
type described struct {
	Name  string        `json:"name,omitempty"`
	Key   vrf.PublicKey `json:"key"`
	Proof vrf.Proof     `json:"proof"`
	Alpha Input         `json:"alpha"`
	Sizes []int         `json:"sizes,omitempty"`
	Seed  Seed          `json:"seed"`
	Drawn []int         `json:"drawn"`
}

func describe(t testing.TB, p Prover, in Input, sizes []int) described {
	t.Helper()
	seed, ev, err := p.Draw(in)
	if err != nil {
		t.Fatal(err)
	}
	var sel Selection
	if len(in.Quotas) > 0 {
		sel, err = SelectSpread(seed, sizes, in.Quotas)
	} else {
		sel, err = Select(seed, in.Packages, in.Examine)
	}
	if err != nil {
		t.Fatal(err)
	}
	return described{Key: ev.Key, Proof: ev.Proof, Alpha: ev.Input, Sizes: sizes, Seed: seed, Drawn: sel.Examine}
}

// checked is what verify_draw.py puts out.
type checked struct {
	Alpha    string
	Seed     Seed
	Drawn    []int
	Reserves []int
}

// python runs testdata/draw/verify_draw.py on a description.
func python(t *testing.T, d any) (checked, string, error) {
	t.Helper()
	exe, err := exec.LookPath("python3")
	if err != nil {
		if os.Getenv("LASTLOOK_TOOLS") == "required" {
			t.Fatal("python3 is not here, and LASTLOOK_TOOLS=required")
		}
		t.Skip("python3 is not here")
	}
	b, err := json.Marshal(d)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(exe, "-B", filepath.Join("..", "..", "testdata", "draw", "verify_draw.py"))
	var out, errs bytes.Buffer
	cmd.Stdin, cmd.Stdout, cmd.Stderr = bytes.NewReader(b), &out, &errs
	err = cmd.Run()
	var got checked
	if out.Len() > 0 {
		if jerr := json.Unmarshal(out.Bytes(), &got); jerr != nil {
			t.Fatalf("verify_draw.py wrote %q: %v", out.String(), jerr)
		}
	}
	return got, errs.String(), err
}

func TestProofVectors(t *testing.T) {
	var vs []struct {
		described
		AlphaHex string `json:"alpha_hex"`
	}
	readVectors(t, "proof.json", &vs)
	if len(vs) == 0 {
		t.Fatal("no vectors")
	}
	for _, v := range vs {
		if got := hex.EncodeToString(v.Alpha.Alpha()); got != v.AlphaHex {
			t.Errorf("%s: Alpha() = %s, want %s", v.Name, got, v.AlphaHex)
		}
		seed, err := Evidence{Key: v.Key, Proof: v.Proof, Input: v.Alpha}.Seed()
		if err != nil || seed != v.Seed {
			t.Errorf("%s: Seed() = %v, %v, want %v", v.Name, seed, err, v.Seed)
		}
		sel, err := SelectSpread(seed, v.Sizes, v.Alpha.Quotas)
		if len(v.Alpha.Quotas) == 0 {
			sel, err = Select(seed, v.Alpha.Packages, v.Alpha.Examine)
		}
		if err != nil || !slices.Equal(sel.Examine, v.Drawn) {
			t.Errorf("%s: drawn %v, %v, want %v", v.Name, sel.Examine, err, v.Drawn)
		}
	}
}

func TestPythonAgrees(t *testing.T) {
	cases := map[string]struct {
		sizes  []int
		change func(*Input)
	}{
		"spread over two lines":   {[]int{180, 60}, func(*Input) {}},
		"plain":                   {nil, func(in *Input) { in.Quotas, in.Spread = nil, false }},
		"one package":             {nil, func(in *Input) { in.Quotas, in.Packages, in.Examine = nil, 1, 1 }},
		"an empty line":           {[]int{10, 0, 5}, func(in *Input) { in.Packages, in.Examine, in.Quotas = 15, 3, []int{2, 0, 1} }},
		"a number with accents":   {[]int{180, 60}, func(in *Input) { in.Number = "Róża-7 🌿" }},
		"past one block of words": {nil, func(in *Input) { in.Quotas, in.Packages, in.Examine = nil, 1000, 20 }},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			in := input()
			c.change(&in)
			want := describe(t, proverOf(t, 7), in, c.sizes)
			got, errs, err := python(t, want)
			if err != nil {
				t.Fatalf("verify_draw.py: %v\n%s", err, errs)
			}
			if a := hex.EncodeToString(want.Alpha.Alpha()); got.Alpha != a {
				t.Errorf("alpha %s, want %s", got.Alpha, a)
			}
			if got.Seed != want.Seed || !slices.Equal(got.Drawn, want.Drawn) {
				t.Errorf("Python drew %v from %v, want %v from %v", got.Drawn, got.Seed, want.Drawn, want.Seed)
			}
			if n := len(got.Drawn) + len(got.Reserves); n != in.Packages {
				t.Errorf("%d packages in the order, want %d", n, in.Packages)
			}
		})
	}
}

func TestPythonRefuses(t *testing.T) {
	cases := map[string]struct {
		change func(*described)
		says   string
	}{
		"another key":      {func(d *described) { d.Key = proverOf(t, 8).Key }, "does not belong"},
		"another proof":    {func(d *described) { d.Proof[3] ^= 1 }, "does not belong"},
		"another round":    {func(d *described) { d.Alpha.Round++ }, "does not belong"},
		"another list":     {func(d *described) { d.Alpha.List = strings.Repeat("ac", 32) }, "does not belong"},
		"another seed":     {func(d *described) { d.Seed[0] ^= 1 }, "the seed is another"},
		"a chosen package": {func(d *described) { d.Drawn[0]++ }, "other packages were drawn"},
		"a key of order 1": {func(d *described) { d.Key = vrf.PublicKey{1} }, "does not belong"},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			d := describe(t, proverOf(t, 7), input(), []int{180, 60})
			c.change(&d)
			if _, errs, err := python(t, d); err == nil || !strings.Contains(errs, c.says) {
				t.Errorf("verify_draw.py: %v, %q, want a refusal with %q", err, errs, c.says)
			}
		})
	}
}

// Every field is bound: a proof for one input is no proof for another.
func TestEvidenceIsForOneInput(t *testing.T) {
	p := proverOf(t, 7)
	_, ev, err := p.Draw(input())
	if err != nil {
		t.Fatal(err)
	}
	changes := map[string]func(*Input){
		"site":        func(in *Input) { in.Site += "x" },
		"consignment": func(in *Input) { in.Consignment = "7F3M" },
		"number":      func(in *Input) { in.Number = "K-2042" },
		"round":       func(in *Input) { in.Round++ },
		"rules":       func(in *Input) { in.Rules++ },
		"rate":        func(in *Input) { in.Rate = "3%" },
		"minimum":     func(in *Input) { in.Minimum++ },
		"spread":      func(in *Input) { in.Spread = false },
		"packages":    func(in *Input) { in.Packages++ },
		"examine":     func(in *Input) { in.Examine++ },
		"quotas":      func(in *Input) { in.Quotas = []int{3, 2} },
		"no quotas":   func(in *Input) { in.Quotas = nil },
		"list":        func(in *Input) { in.List = strings.Repeat("ac", 32) },
		"moved":       func(in *Input) { in.Consignment, in.Number = "7F3KK", "-2041" },
	}
	for name, change := range changes {
		e := ev
		change(&e.Input)
		if _, err := e.Seed(); say.CodeOf(err) != say.Invalid {
			t.Errorf("%s changed: %v, want a refusal", name, err)
		}
	}
	if _, err := ev.Seed(); err != nil {
		t.Errorf("nothing changed: %v", err)
	}
	for name, change := range map[string]func(*Input){
		"no site":  func(in *Input) { in.Site = "" },
		"no list":  func(in *Input) { in.List = "" },
		"no round": func(in *Input) { in.Round = 0 },
	} {
		in := input()
		in.Site = "quillfern-test"
		change(&in)
		key, _ := vrf.NewKey(make([]byte, vrf.SeedSize))
		e := Evidence{Key: key.Public(), Proof: key.Prove(in.Alpha()), Input: in} // proved, but bound to nothing
		if _, err := e.Seed(); say.CodeOf(err) != say.Invalid {
			t.Errorf("%s: %v, want a refusal", name, err)
		}
	}
	if _, _, err := (Prover{}).Draw(input()); say.CodeOf(err) != say.Storage {
		t.Errorf("without a key: %v, want a refusal", err)
	}
}

func TestAlphaTellsInputsApart(t *testing.T) {
	gen := rapid.Custom(func(rt *rapid.T) Input {
		word := rapid.StringMatching(`[a1]{0,3}`)
		small := rapid.IntRange(0, 12)
		return Input{
			Site: word.Draw(rt, "site"), Consignment: word.Draw(rt, "code"), Number: word.Draw(rt, "number"), Round: small.Draw(rt, "round"),
			Rules: small.Draw(rt, "rules"), Rate: word.Draw(rt, "rate"), Minimum: small.Draw(rt, "minimum"), Spread: rapid.Bool().Draw(rt, "spread"),
			Packages: small.Draw(rt, "packages"), Examine: small.Draw(rt, "examine"),
			Quotas: rapid.SliceOfN(small, 0, 3).Draw(rt, "quotas"), List: word.Draw(rt, "list"),
		}
	})
	rapid.Check(t, func(rt *rapid.T) {
		a, b := gen.Draw(rt, "a"), gen.Draw(rt, "b")
		same := a.Site == b.Site && a.Consignment == b.Consignment && a.Number == b.Number && a.Round == b.Round && a.Rules == b.Rules &&
			a.Rate == b.Rate && a.Minimum == b.Minimum && a.Spread == b.Spread && a.Packages == b.Packages && a.Examine == b.Examine &&
			slices.Equal(a.Quotas, b.Quotas) && a.List == b.List
		if bytes.Equal(a.Alpha(), b.Alpha()) != same {
			rt.Fatalf("%+v and %+v", a, b)
		}
	})
}
