package ledger

import (
	"bytes"
	"encoding/hex"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"github.com/transparency-dev/merkle/compact"
	"github.com/transparency-dev/merkle/proof"
	"github.com/transparency-dev/merkle/rfc6962"
	"golang.org/x/mod/sumdb/tlog"
	"pgregory.net/rapid"

	"lastlook/internal/say"
)

// chance is a source of bytes that is the same in each run.
type chance struct{ *rand.ChaCha8 }

func random(b byte) chance { return chance{rand.NewChaCha8([32]byte{b})} }

func newKeys(t testing.TB, b byte) *Keys {
	t.Helper()
	k, err := NewKeys("quillfern-test", random(b))
	if err != nil {
		t.Fatal(err)
	}
	return k
}

func entry(seq int64) Entry {
	return Entry{
		Seq: seq, Stream: "consignment/7F3K", Version: int(seq), Kind: "fetched", At: "2026-11-25T08:00:00.000000000Z",
		Actor: `{"id":"BBBB","name":"Tam Orrin"}`, Bench: "bench 1", Data: fmt.Sprintf(`{"round":1,"package":%d}`, seq),
	}
}

// grown is a tree in memory.
type grown struct {
	Edge
	stored []Hash
}

func (g *grown) ReadHashes(indexes []int64) ([]Hash, error) {
	out := make([]Hash, len(indexes))
	for i, x := range indexes {
		out[i] = g.stored[x]
	}
	return out, nil
}

func grow(n int64) *grown {
	g := &grown{}
	for seq := int64(1); seq <= n; seq++ {
		g.stored = append(g.stored, g.Append(entry(seq).Hash())...)
	}
	return g
}

func TestLeafBytes(t *testing.T) {
	e := Entry{Seq: 12, Stream: "people", Version: 3, Kind: "joined", At: "t", Actor: "{}", Bench: "", Data: `{"a":"ż"}`}
	want := "0000000000000010" + hex.EncodeToString([]byte("lastlook event 1")) +
		"0000000000000002" + "3132" + "0000000000000006" + hex.EncodeToString([]byte("people")) +
		"0000000000000001" + "33" + "0000000000000006" + hex.EncodeToString([]byte("joined")) +
		"0000000000000001" + "74" + "0000000000000002" + "7b7d" + "0000000000000000" +
		"000000000000000a" + hex.EncodeToString([]byte(`{"a":"ż"}`))
	if got := hex.EncodeToString(e.Leaf()); got != want {
		t.Errorf("Leaf() = %s, want %s", got, want)
	}
}

// The hash of a leaf and the tree are those of an independent implementation of
// RFC 6962, github.com/transparency-dev/merkle, for all sizes.
func TestTreeAgreesWithOthers(t *testing.T) {
	const max = 260
	factory := compact.RangeFactory{Hash: rfc6962.DefaultHasher.HashChildren}
	theirs := factory.NewEmptyRange(0)
	ours := &grown{}
	if want, _ := tlog.TreeHash(0, nil); ours.Root() != want || !bytes.Equal(want[:], rfc6962.DefaultHasher.EmptyRoot()) {
		t.Errorf("root of nothing = %v, want %v", ours.Root(), want)
	}
	for seq := int64(1); seq <= max; seq++ {
		e := entry(seq)
		h := e.Hash()
		if want := rfc6962.DefaultHasher.HashLeaf(e.Leaf()); !bytes.Equal(h[:], want) {
			t.Fatalf("hash of leaf %d = %v, want %x", seq, h, want)
		}
		want, err := tlog.StoredHashesForRecordHash(seq-1, h, ours)
		if err != nil {
			t.Fatal(err)
		}
		got := ours.Append(h)
		if !reflect.DeepEqual(got, want) {
			t.Fatalf("hashes to store for leaf %d = %v, want %v", seq, got, want)
		}
		ours.stored = append(ours.stored, got...)
		if err := theirs.Append(h[:], nil); err != nil {
			t.Fatal(err)
		}
		root, err := theirs.GetRootHash(nil)
		if err != nil {
			t.Fatal(err)
		}
		if r := ours.Root(); !bytes.Equal(r[:], root) {
			t.Fatalf("root of %d = %v, want %x", seq, r, root)
		}
		again, err := ReadEdge(seq, ours)
		if err != nil || !reflect.DeepEqual(again, ours.Edge) {
			t.Fatalf("ReadEdge(%d) = %+v, %v, want %+v", seq, again, err, ours.Edge)
		}
		if n := Stored(seq); n != int64(len(ours.stored)) {
			t.Fatalf("Stored(%d) = %d, want %d", seq, n, len(ours.stored))
		}
	}
}

func bytesOf(hs []Hash) [][]byte {
	out := make([][]byte, len(hs))
	for i := range hs {
		out[i] = hs[i][:]
	}
	return out
}

func TestProofsAgreeWithOthers(t *testing.T) {
	g := grow(200)
	rapid.Check(t, func(rt *rapid.T) {
		size := rapid.Int64Range(1, 200).Draw(rt, "size")
		seq := rapid.Int64Range(1, size).Draw(rt, "seq")
		head := Head{Site: "s", Size: size, Root: grow(size).Root()}
		p, err := Prove(size, seq, g)
		if err != nil {
			rt.Fatal(err)
		}
		if err := Check(p, head, entry(seq)); err != nil {
			rt.Fatalf("Check of event %d in %d: %v", seq, size, err)
		}
		h := entry(seq).Hash()
		if err := proof.VerifyInclusion(rfc6962.DefaultHasher, uint64(seq-1), uint64(size), h[:], bytesOf(p), head.Root[:]); err != nil {
			rt.Fatalf("the other program does not take the proof of event %d in %d: %v", seq, size, err)
		}
		changed := entry(seq)
		changed.Bench = "bench 2"
		if Check(p, head, changed) == nil {
			rt.Fatal("the proof holds for a changed event")
		}
		older := Head{Site: "s", Size: seq, Root: grow(seq).Root()}
		gp, err := ProveGrowth(seq, size, g)
		if err != nil {
			rt.Fatal(err)
		}
		if err := CheckGrowth(gp, older, head); err != nil {
			rt.Fatalf("CheckGrowth from %d to %d: %v", seq, size, err)
		}
		if err := proof.VerifyConsistency(rfc6962.DefaultHasher, uint64(seq), uint64(size), bytesOf(gp), older.Root[:], head.Root[:]); err != nil {
			rt.Fatalf("the other program does not take the growth from %d to %d: %v", seq, size, err)
		}
		older.Root[0] ^= 1
		if CheckGrowth(gp, older, head) == nil {
			rt.Fatal("the growth holds for another older head")
		}
	})
}

func TestNothingToProve(t *testing.T) {
	g := grow(3)
	head := Head{Site: "s", Size: 3, Root: g.Root()}
	for _, seq := range []int64{-1, 0, 4} {
		if _, err := Prove(3, seq, g); err == nil {
			t.Errorf("Prove(3, %d) gives no error", seq)
		}
		if err := Check(nil, head, entry(seq)); err == nil {
			t.Errorf("Check of event %d in 3 gives no error", seq)
		}
		if _, err := ProveGrowth(seq, 3, g); err == nil && seq != 3 {
			t.Errorf("ProveGrowth(%d, 3) gives no error", seq)
		}
		if err := CheckGrowth(nil, Head{Site: "s", Size: seq}, head); err == nil {
			t.Errorf("CheckGrowth from %d to 3 gives no error", seq)
		}
	}
	if err := CheckGrowth(nil, Head{Site: "other", Size: 3, Root: head.Root}, head); err == nil {
		t.Error("a head of another site grows into this one")
	}
}

func TestPlace(t *testing.T) {
	g := grow(0)
	for seq := int64(1); seq <= 40; seq++ {
		at := int64(len(g.stored))
		for i, h := range g.Append(entry(seq).Hash()) {
			level, first := Place(at + int64(i))
			if level != i || first+1<<level-1 != seq {
				t.Errorf("Place(%d) = level %d from %d, want level %d that ends at %d", at+int64(i), level, first, i, seq)
			}
			g.stored = append(g.stored, h)
		}
	}
}

func TestHeads(t *testing.T) {
	k, other := newKeys(t, 1), newKeys(t, 2)
	h := Head{Site: k.Site, Size: 5, Root: grow(5).Root()}
	signed, err := k.Sign(h)
	if err != nil {
		t.Fatal(err)
	}
	if lines := strings.Split(string(signed), "\n"); len(lines) != 6 || lines[0] != "quillfern-test" || lines[1] != "5" ||
		lines[2] != h.Root.String() || lines[3] != "" || !strings.HasPrefix(lines[4], "— quillfern-test ") {
		t.Errorf("the signed head is not in the form of a checkpoint:\n%s", signed)
	}
	if tree, err := tlog.ParseTree([]byte("go.sum database tree\n" + strings.SplitN(string(signed), "\n", 2)[1])); err != nil || tree.N != 5 || tree.Hash != h.Root {
		t.Errorf("size and root read by package tlog: %+v, %v", tree, err) // same form but for the first line
	}
	if got, err := OpenHead(signed, k.Public()); err != nil || got != h {
		t.Errorf("OpenHead = %+v, %v, want %+v", got, err, h)
	}
	if got, err := OpenHead(signed, other.Public(), k.Public()); err != nil || got != h {
		t.Errorf("OpenHead with both keys = %+v, %v, want %+v", got, err, h)
	}
	if _, err := OpenHead(signed, other.Public()); !errors.Is(err, errUnsigned) {
		t.Errorf("OpenHead with another key: %v, want that it is not signed", err)
	}
	if got, err := PeekHead(signed); err != nil || got != h {
		t.Errorf("PeekHead = %+v, %v", got, err)
	}
	for i := range signed {
		b := bytes.Clone(signed)
		b[i] ^= 1
		if got, err := OpenHead(b, k.Public()); err == nil && got != h {
			t.Errorf("with byte %d changed the head reads %+v", i, got)
		} else if err == nil && i < bytes.Index(signed, []byte("\n\n")) {
			t.Errorf("with byte %d of the text changed the head is still taken", i)
		}
	}
	if _, err := k.Sign(Head{Site: "elsewhere", Size: 1}); err == nil {
		t.Error("a head of another site is signed")
	}
}

func TestHeadsThatAreNone(t *testing.T) {
	root := grow(1).Root().String()
	for _, text := range []string{
		"", "s\n1\n", "s\n1\n" + root, "s\n1\n" + root + "\nmore\n", "\n1\n" + root + "\n", "s\n01\n" + root + "\n",
		"s\n+1\n" + root + "\n", "s\n-1\n" + root + "\n", "s\none\n" + root + "\n", "s\n1\nroot\n", "s\n1\n" + root[:40] + "\n",
	} {
		if h, err := parseHead(text); err == nil {
			t.Errorf("parseHead(%q) = %+v, want an error", text, h)
		}
		if h, err := PeekHead([]byte(text)); err == nil {
			t.Errorf("PeekHead(%q) = %+v, want an error", text, h)
		}
	}
}

func TestFingerprint(t *testing.T) {
	h := Head{Site: "quillfern-test", Size: 5, Root: grow(5).Root()}
	fp := h.Fingerprint()
	if len(fp) != 4*4+2+4 || strings.ToUpper(fp) != fp {
		t.Errorf("Fingerprint() = %q, want four groups of four and two check digits", fp)
	}
	// ISO/IEC 7064, MOD 97-10: the number with its check digits leaves 1.
	rest := 0
	for _, c := range strings.ReplaceAll(fp, " ", "") {
		if c >= 'A' {
			rest = (rest*100 + int(c-'A') + 10) % 97
		} else {
			rest = (rest*10 + int(c-'0')) % 97
		}
	}
	if rest != 1 {
		t.Errorf("check digits of %q leave %d, want 1", fp, rest)
	}
	for _, other := range []Head{{h.Site + "x", h.Size, h.Root}, {h.Site, 6, h.Root}, {h.Site, h.Size, grow(6).Root()}} {
		if other.Fingerprint() == fp {
			t.Errorf("%+v has the fingerprint of %+v", other, h)
		}
	}
}

func TestKeyFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "site.key")
	k := newKeys(t, 1)
	if _, err := ReadKeys(path); say.CodeOf(err) != say.Storage || !strings.Contains(err.Error(), "is missing") {
		t.Errorf("ReadKeys without a file: %v, want a refusal that says it is missing", err)
	}
	if err := k.Write(path); err != nil {
		t.Fatal(err)
	}
	if err := newKeys(t, 2).Write(path); err == nil {
		t.Error("a key file was written over")
	}
	info, err := os.Stat(path)
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("mode %v, %v, want 0600", info.Mode(), err)
	}
	got, err := ReadKeys(path)
	if err != nil {
		t.Fatal(err)
	}
	if got.Public() != k.Public() {
		t.Errorf("public parts %v, want %v", got.Public(), k.Public())
	}
	if got.Prover().Prove([]byte("x")) != k.Prover().Prove([]byte("x")) {
		t.Error("the draw key reads back differently")
	}
	h := Head{Site: k.Site, Size: 0}
	signed, err := got.Sign(h)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := OpenHead(signed, k.Public()); err != nil {
		t.Errorf("the head key reads back differently: %v", err)
	}
	entries, _ := os.ReadDir(filepath.Dir(path))
	if len(entries) != 1 {
		t.Errorf("%d files in the folder, want the key file alone", len(entries))
	}
	for _, mode := range []os.FileMode{0o640, 0o604, 0o660, 0o644, 0o610} {
		if err := os.Chmod(path, mode); err != nil {
			t.Fatal(err)
		}
		if _, err := ReadKeys(path); say.CodeOf(err) != say.Storage || !strings.Contains(err.Error(), "Other accounts") {
			t.Errorf("ReadKeys with mode %04o: %v, want a refusal in words", mode, err)
		}
	}
	os.Chmod(path, 0o600)
	whole, _ := os.ReadFile(path)
	for name, b := range map[string][]byte{
		"empty": nil, "cut short": whole[:len(whole)/2], "one digit less": whole[:len(whole)-2],
		"another site": bytes.Replace(whole, []byte("site quillfern-test"), []byte("site other"), 1), "not text": {0, 1, 2},
	} {
		if err := os.WriteFile(path, b, 0o600); err != nil {
			t.Fatal(err)
		}
		_, err := ReadKeys(path)
		if say.CodeOf(err) != say.Storage || !strings.Contains(err.Error(), "cut short") {
			t.Errorf("ReadKeys of a file that is %s: %v, want a refusal in words", name, err)
		}
	}
}

func TestPublicText(t *testing.T) {
	p := newKeys(t, 1).Public()
	want := fmt.Sprintf("site quillfern-test\nhead %s\ndraw %s\n", p.Head, p.Draw)
	if p.String() != want || !strings.HasPrefix(p.Head, "quillfern-test+") {
		t.Errorf("String() = %q, want %q", p, want)
	}
}

// history applies events and gives the site.
func history(t *testing.T, events ...Event) *Site {
	t.Helper()
	s := &Site{}
	for i, e := range events {
		b, err := Encode(e)
		if err != nil {
			t.Fatal(err)
		}
		back, err := Decode(e.Kind(), b)
		if err != nil || !reflect.DeepEqual(back, e) {
			t.Fatalf("%s through JSON: %+v, %v, want %+v", e.Kind(), back, err, e)
		}
		if err := s.Apply(int64(10*(i+1)), back); err != nil {
			t.Fatalf("event %d: %v", i, err)
		}
	}
	return s
}

func TestSiteKeys(t *testing.T) {
	a, b, c := newKeys(t, 1), newKeys(t, 2), newKeys(t, 3)
	set, err := SetKeys(a)
	if err != nil {
		t.Fatal(err)
	}
	one := history(t, set)
	change, err := ChangeKeys(one, a, b, "the old computer was sold")
	if err != nil {
		t.Fatal(err)
	}
	two := history(t, set, change)
	lost, err := ChangeKeys(two, nil, c, "the disk broke")
	if err != nil {
		t.Fatal(err)
	}
	s := history(t, set, change, lost, WentBack{Noted: "n", Size: 3, Root: grow(3).Root()})
	for _, c := range []struct {
		seq  int64
		want *Keys
	}{{9, nil}, {10, a}, {19, a}, {20, b}, {29, b}, {30, c}, {1000, c}} {
		got, ok := s.At(c.seq)
		if ok != (c.want != nil) || ok && got != c.want.Public() {
			t.Errorf("At(%d) = %v, %v, want %v", c.seq, got, ok, c.want)
		}
	}
	if !s.DrewWith(b.Public().Draw, 25) || s.DrewWith(a.Public().Draw, 25) || s.DrewWith(a.Public().Draw, 5) {
		t.Error("DrewWith does not follow the keys in force")
	}
	for _, x := range []struct {
		by   *Keys
		size int64
		want int64 // where its keys were given up, 0 if they were in force
	}{{a, 19, 0}, {a, 20, 20}, {a, 99, 20}, {b, 19, 0}, {b, 20, 0}, {b, 29, 0}, {b, 30, 30}, {c, 5, 0}, {c, 99, 0}} {
		signed, err := x.by.Sign(Head{Site: s.Name, Size: x.size})
		if err != nil {
			t.Fatal(err)
		}
		if _, from, ok := s.GivenUp(signed); from != x.want || ok != (x.want > 0) {
			t.Errorf("GivenUp(head of %d) = %d, %v, want %d", x.size, from, ok, x.want)
		}
	}
	if len(s.Keys()) != 3 || s.Keys()[0] != c.Public() || !s.Terms[2].Lost || s.Terms[1].Lost || len(s.Backs) != 1 || s.Version != 4 {
		t.Errorf("site = %+v", s)
	}
}

func TestKeysThatNobodySignedFor(t *testing.T) {
	a, b, thief := newKeys(t, 1), newKeys(t, 2), newKeys(t, 9)
	set, _ := SetKeys(a)
	one := history(t, set)
	change, _ := ChangeKeys(one, a, b, "")
	stolen, _ := ChangeKeys(one, thief, thief, "") // signed by its own key only
	hidden, _ := ChangeKeys(one, nil, thief, "")
	hidden.Lost = false // says that the old key signed
	other := change
	other.Public.Draw = thief.Public().Draw
	elsewhere, err := NewKeys("elsewhere", random(4))
	if err != nil {
		t.Fatal(err)
	}
	foreign, _ := ChangeKeys(one, a, elsewhere, "")
	small := set
	small.Draw = [32]byte{1}
	two := history(t, set, change)
	for name, c := range map[string]struct {
		s *Site
		e Event
	}{
		"signed by a stranger":       {one, stolen},
		"unsigned but not said lost": {one, hidden},
		"another draw key":           {one, other},
		"keys of another site":       {one, foreign},
		"the same change twice":      {two, change},
		"set twice":                  {one, set},
		"changed before set":         {&Site{}, change},
		"a draw key of small order":  {&Site{}, small},
		"a first note by another":    {&Site{}, KeysSet{Public: b.Public(), Note: set.Note}},
	} {
		before := *c.s
		if err := c.s.Apply(99, c.e); !errors.Is(err, ErrKeys) {
			t.Errorf("%s: %v, want ErrKeys", name, err)
		}
		if !reflect.DeepEqual(*c.s, before) {
			t.Errorf("%s: the site changed all the same", name)
		}
	}
}

func TestUnknownSiteEvent(t *testing.T) {
	if _, err := Decode("keys_eaten", []byte("{}")); say.CodeOf(err) != say.Storage {
		t.Errorf("an unknown kind: %v, want a refusal in words", err)
	}
	if _, err := Decode("went_back", []byte(`{"sise":1}`)); err == nil {
		t.Error("an unknown field is taken")
	}
}

func FuzzOpenHead(f *testing.F) {
	k := newKeys(f, 1)
	h := Head{Site: k.Site, Size: 3, Root: grow(3).Root()}
	signed, err := k.Sign(h)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(signed)
	f.Fuzz(func(t *testing.T, b []byte) {
		got, err := OpenHead(b, k.Public())
		if err == nil && got != h {
			t.Errorf("a head nobody signed is taken: %+v", got)
		}
		PeekHead(b)
	})
}

func BenchmarkAppend(b *testing.B) {
	var e Edge
	entry := entry(1)
	for b.Loop() {
		e.Append(entry.Hash())
	}
}
