package bundle

import (
	"bytes"
	"encoding/json"
	"flag"
	"os"
	"strings"
	"testing"

	"lastlook/internal/consignment"
	"lastlook/internal/ledger"
	"lastlook/internal/record"
	"lastlook/internal/record/recordtest"
	"lastlook/internal/say"
)

// tree is a ledger in memory.
type tree struct {
	ledger.Edge
	stored  []ledger.Hash
	entries []ledger.Entry
}

func (g *tree) ReadHashes(indexes []int64) ([]ledger.Hash, error) {
	out := make([]ledger.Hash, len(indexes))
	for i, x := range indexes {
		out[i] = g.stored[x]
	}
	return out, nil
}

func (g *tree) add(e ledger.Entry) {
	e.Seq = g.Size + 1
	g.stored = append(g.stored, g.Append(e.Hash())...)
	g.entries = append(g.entries, e)
}

// keysFor makes the site's keys. The draw key is that of package recordtest.
func keysFor(t testing.TB, head byte) *ledger.Keys {
	t.Helper()
	k, err := ledger.NewKeys("quillfern-test", strings.NewReader(strings.Repeat(string(rune('a'+head)), 32)+"a key that is nobody's: for tests"))
	if err != nil {
		t.Fatal(err)
	}
	return k
}

// site begins a ledger with its keys.
func site(t testing.TB, k *ledger.Keys) *tree {
	t.Helper()
	e, err := ledger.SetKeys(k)
	if err != nil {
		t.Fatal(err)
	}
	data, err := ledger.Encode(e)
	if err != nil {
		t.Fatal(err)
	}
	g := &tree{}
	g.add(ledger.Entry{Stream: ledger.Stream, Version: 1, Kind: e.Kind(), At: recordtest.Start.Format(timeForm), Actor: `{"id":"lastlook","name":"Lastlook"}`, Data: string(data)})
	return g
}

// put appends an inspection to a ledger, with steps of others between.
func (g *tree) put(t testing.TB, s *consignment.State) {
	t.Helper()
	for _, rec := range s.History {
		data, err := consignment.Encode(rec.Event)
		if err != nil {
			t.Fatal(err)
		}
		actor, err := json.Marshal(rec.Actor)
		if err != nil {
			t.Fatal(err)
		}
		g.add(ledger.Entry{Stream: Stream + s.Code, Version: rec.Version, Kind: rec.Event.Kind(), At: rec.At.UTC().Format(timeForm), Actor: string(actor), Bench: rec.Bench, Data: string(data)})
		if rec.Version%3 == 1 {
			g.add(ledger.Entry{Stream: "people", Version: rec.Version, Kind: "joined", At: "t", Actor: "{}", Data: "{}"})
		}
	}
}

// source gives what a store would give for a bundle.
func (g *tree) source(t testing.TB, k *ledger.Keys, code string, b *recordtest.Bench) Source {
	t.Helper()
	src := Source{Code: code, Program: "Lastlook test", Photo: b.Photo, Entry: entry}
	var err error
	if src.Head, err = k.Sign(ledger.Head{Site: k.Site, Size: g.Size, Root: g.Root()}); err != nil {
		t.Fatal(err)
	}
	for _, e := range g.entries {
		p, err := ledger.Prove(g.Size, e.Seq, g)
		if err != nil {
			t.Fatal(err)
		}
		switch e.Stream {
		case ledger.Stream:
			src.Site = append(src.Site, Step{e, p})
		case Stream + code:
			src.Steps = append(src.Steps, Step{e, p})
			if e.Kind == "round_ended" {
				src.Marks = append(src.Marks, g.mark(t, e.Seq))
			}
		}
	}
	return src
}

func (g *tree) mark(t testing.TB, size int64) Mark {
	t.Helper()
	p, err := ledger.ProveGrowth(size, g.Size, g)
	if err != nil {
		t.Fatal(err)
	}
	edge, err := ledger.ReadEdge(size, g)
	if err != nil {
		t.Fatal(err)
	}
	return Mark{Size: size, Root: edge.Root(), Proof: p}
}

// entry is a reference in which nothing is found.
func entry(string) ([]byte, error) { return nil, say.Refuse(say.NotFound, "no such entry") }

// bundleOf makes the bundle of an inspection.
func bundleOf(t testing.TB, b *recordtest.Bench) *Bundle {
	t.Helper()
	k := keysFor(t, 0)
	g := site(t, k)
	g.put(t, b.State)
	made, err := New(g.source(t, k, b.State.Code, b))
	if err != nil {
		t.Fatal(err)
	}
	return made
}

func encode(t testing.TB, b *Bundle) []byte {
	t.Helper()
	file, err := b.Encode()
	if err != nil {
		t.Fatal(err)
	}
	return file
}

func read(t testing.TB, file []byte) *Bundle {
	t.Helper()
	b, err := Read(file)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// small is an inspection of three packages, with a find and a tiny photo.
func small(t testing.TB) *recordtest.Bench {
	t.Helper()
	b := recordtest.New(t, "K-2041", "Eastmoor Plant Hall (invented)", consignment.Line{Crop: "Viola", Packages: 3, UnitsPerPackage: 1}).Seal("")
	pkg := b.Drawn(0)
	b.Open(pkg, 1)
	f := recordtest.Facts(pkg, 1, consignment.Damage, consignment.AliveNo)
	f.Photos = []string{b.Take(1, 8, 8)}
	b.Find(f, 0)
	return b.Finish(pkg).ExamineAll().Check(true).Do(consignment.EndRound{})
}

// failing gives the findings that do not hold, as text.
func failing(r *Report) []string {
	var out []string
	for _, f := range r.Findings {
		if f.Status == Fails {
			out = append(out, f.About+": "+f.Text.String())
		}
	}
	return out
}

func TestWhatTheBenchMadeHolds(t *testing.T) {
	for _, c := range recordtest.Cases(t) {
		t.Run(c.Name, func(t *testing.T) {
			made := bundleOf(t, c.Bench)
			file := encode(t, made)
			if again := encode(t, bundleOf(t, c.Bench)); !bytes.Equal(file, again) {
				t.Error("the same record gives two files")
			}
			b := read(t, file)
			if again := encode(t, b); !bytes.Equal(file, again) {
				t.Error("read and written again, the file is another")
			}
			r := Check(b, Against{})
			got := failing(r)
			if c.Name == "stopped" { // its second photo is lost
				if len(got) != 1 || !strings.Contains(got[0], "is not in the file") {
					t.Errorf("failing: %q, want the lost photo alone", got)
				}
			} else if len(got) > 0 {
				t.Errorf("failing: %q", got)
			}
			if c.State.Round() != nil && c.State.Round().Ended != nil && r.Outcome != string(c.State.Round().Ended.Outcome) {
				t.Errorf("outcome %q", r.Outcome)
			}
			if r.Number != c.State.Number || r.Count(Unknown) < 4 || r.Count(Holds) < 7 {
				t.Errorf("report %+v", r)
			}
		})
	}
}

var update = flag.Bool("update", false, "write the portable record in testdata anew")

// A file that was once written must go on holding, whatever changes here. If its
// page is now laid out or worded otherwise, PageVersion has to be raised.
func TestOneWrittenBeforeHolds(t *testing.T) {
	const name = "testdata/k-2041.bundle.zip"
	if *update {
		if err := os.WriteFile(name, encode(t, bundleOf(t, small(t))), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	file, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	b := read(t, file)
	if b.said.Page > PageVersion {
		t.Fatalf("the page is of version %d, this is %d", b.said.Page, PageVersion)
	}
	if got := failing(Check(b, Against{})); len(got) > 0 {
		t.Errorf("failing: %q", got)
	}
}

func TestMarkText(t *testing.T) {
	m := record.Mark{Code: "7F3K", Outcome: consignment.Passed, Head: record.Compact(ledger.Head{Site: "s", Size: 1}.Fingerprint()), Leaf: strings.Repeat("0a", 32)}
	got, err := record.ParseMark(strings.ToLower(" " + m.String() + "\n"))
	if err != nil || got != m {
		t.Errorf("ParseMark(%s) = %+v, %v", m, got, err)
	}
	for _, bad := range []string{"", "LASTLOOK1:", m.String()[:60], m.String() + ":", strings.Replace(m.String(), "PASSED", "PAST", 1),
		strings.Replace(m.String(), "7F3K", "7F3", 1), strings.Replace(m.String(), m.Head, m.Head[1:]+"0", 1), m.String() + "0"} {
		if _, err := record.ParseMark(bad); say.CodeOf(err) != say.Invalid {
			t.Errorf("ParseMark(%q): %v, want a refusal", bad, err)
		}
	}
}
