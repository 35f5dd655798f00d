package bundle

import (
	"archive/zip"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"lastlook/internal/consignment"
	"lastlook/internal/exact"
	"lastlook/internal/ledger"
	"lastlook/internal/record"
	"lastlook/internal/record/recordtest"
	"lastlook/internal/say"
)

// judge gives what a reader is told of a file: the refusal, or what does not hold
// or cannot be told, and whether that is another thing than of the good file.
func judge(file []byte, a Against) (told []string, refused bool) {
	b, err := Read(file)
	if err != nil {
		return []string{err.Error()}, true
	}
	return failing(Check(b, a)), false
}

// everyByte is set to try every single byte of the larger bundles as well, which
// takes minutes, and not only some of them, evenly spread.
var everyByte = os.Getenv("LASTLOOK_TRIAL") == "full"

// trial tries the bytes from 0 to size, every stride-th of them, on all processors.
// try says what is wrong, or "". It gives how many were tried.
func trial(t *testing.T, size, stride int, try func(at int) string) int {
	t.Helper()
	if everyByte {
		stride = 1
	}
	var next, tried, wrong atomic.Int64
	var all sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		all.Go(func() {
			for {
				at := int(next.Add(1)-1) * stride
				if at >= size || wrong.Load() > 20 {
					return
				}
				tried.Add(1)
				if said := try(at); said != "" {
					wrong.Add(1)
					t.Error(said)
				}
			}
		})
	}
	all.Wait()
	return int(tried.Load())
}

// guarded tells whether the program says that a file is not as it was written. It goes
// the way of Read and Check, but stops at the first stage that says something: opening
// the file, the digests of its parts, what the steps hold, the bytes of the whole.
func guarded(file []byte) (said string, code say.Code) {
	b, err := open(file)
	if err != nil {
		return err.Error(), say.CodeOf(err)
	}
	k := &checker{b: b, r: &Report{}}
	if k.digests() {
		if err := b.unpack(); err != nil {
			return err.Error(), say.CodeOf(err)
		}
		k.form()
	}
	if told := failing(k.r); len(told) > 0 {
		return told[0], ""
	}
	return "", ""
}

// Every byte of a file counts: whichever is changed, it is said, and where.
func TestEveryByteIsGuarded(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name   string
		bench  *recordtest.Bench
		stride int
	}{
		{"registered", recordtest.New(t, "K-2041", "Eastmoor", consignment.Line{Crop: "Viola", Packages: 3, UnitsPerPackage: 1}), 1},
		{"passed, with a photo", small(t), 5},
		{"rejected, with six photos", recordtest.Cases(t)[4].Bench, 61},
	} {
		file := encode(t, bundleOf(t, c.bench))
		b := read(t, file)
		if said, _ := guarded(file); said != "" {
			t.Fatalf("%s: unchanged, and yet %q", c.name, said)
		}
		var located atomic.Int64
		tried := trial(t, len(file), c.stride, func(at int) string {
			changed := bytes.Clone(file)
			changed[at] ^= 1 << (at % 8)
			told, code := guarded(changed)
			name := b.placeOf(at)
			switch {
			case told == "":
				return fmt.Sprintf("%s: byte %d (%s) was changed, and nothing is said", c.name, at, name)
			case code != "" && code != say.Invalid:
				return fmt.Sprintf("%s, byte %d: %q is no refusal", c.name, at, told)
			case code != "":
			case strings.Contains(told, strings.TrimPrefix(name, "before ")) || strings.Contains(told, manifestName):
				located.Add(1)
			case !strings.Contains(told, "byte"):
				return fmt.Sprintf("%s: byte %d (%s) was changed, but %q does not say where", c.name, at, name, told)
			}
			// Whoever reads the file goes through all stages, in another order.
			if at%997 == 0 {
				if told, _ := judge(changed, Against{}); len(told) == 0 {
					return fmt.Sprintf("%s: byte %d was changed, a stage says it, and the whole check does not", c.name, at)
				}
			}
			return ""
		})
		if int(located.Load())*4 < tried {
			t.Errorf("%s: only %d of %d changes are put in their place", c.name, located.Load(), tried)
		}
		t.Logf("%s: %d of %d bytes changed one at a time, each is said", c.name, tried, len(file))
	}
}

// reseal writes parts anew as somebody would who knows the format: with a
// manifest that fits them.
func reseal(t testing.TB, b *Bundle, change func(name string, data []byte) []byte) []byte {
	t.Helper()
	m := b.said
	m.Parts = nil
	var parts []part
	for _, p := range b.parts {
		data := bytes.Clone(p.data)
		if p.name != manifestName {
			if data = change(p.name, data); data == nil {
				continue
			}
			sum := sha256.Sum256(data)
			m.Parts = append(m.Parts, manifestPart{p.name, len(data), hex.EncodeToString(sum[:])})
		}
		parts = append(parts, part{p.name, data})
	}
	for i, p := range parts {
		if p.name == manifestName {
			raw, err := exact.JSON(m)
			if err != nil {
				t.Fatal(err)
			}
			var text bytes.Buffer
			if err := json.Indent(&text, raw, "", " "); err != nil {
				t.Fatal(err)
			}
			text.WriteByte('\n')
			parts[i].data = text.Bytes()
		}
	}
	return writeZip(parts)
}

func TestResealedUnchangedHolds(t *testing.T) {
	file := encode(t, bundleOf(t, small(t)))
	if got := reseal(t, read(t, file), func(_ string, d []byte) []byte { return d }); !bytes.Equal(got, file) {
		t.Error("sealed again without a change the file is another: the trials below would prove nothing")
	}
}

// Whoever changes a byte and makes the digests fit is found by what the parts say.
func TestEveryByteIsGuardedBehindNewDigests(t *testing.T) {
	t.Parallel()
	b := read(t, encode(t, bundleOf(t, small(t))))
	all, size := 0, 0
	for _, p := range b.parts {
		if p.name == manifestName {
			continue
		}
		stride := 1
		if len(p.data) > 2000 {
			stride = 89
		}
		size += len(p.data)
		all += trial(t, len(p.data), stride, func(at int) string {
			file := reseal(t, b, func(name string, d []byte) []byte {
				if name == p.name {
					d[at] ^= 1 << (at % 7)
				}
				return d
			})
			if told, _ := judge(file, Against{}); len(told) == 0 {
				return fmt.Sprintf("%s, byte %d was changed, and nothing is said", p.name, at)
			}
			return ""
		})
	}
	t.Logf("%d of %d bytes changed one at a time, with digests that fit: each is said", all, size)
}

// forged makes a bundle whose digests and places fit after a change.
func forged(t testing.TB, b *Bundle, change func(*Bundle)) []byte {
	t.Helper()
	c := *b
	c.Site, c.Steps, c.Marks = slices.Clone(b.Site), slices.Clone(b.Steps), slices.Clone(b.Marks)
	c.Photos, c.Entries = map[string][]byte{}, map[string][]byte{}
	for h, p := range b.Photos {
		c.Photos[h] = p
	}
	change(&c)
	return encode(t, &c)
}

func TestTampering(t *testing.T) {
	rejected := recordtest.Cases(t)[4].Bench // six photos, a replacement, finds
	good := read(t, encode(t, bundleOf(t, rejected)))
	other := bundleOf(t, small(t))
	if told, _ := judge(encode(t, good), Against{}); len(told) > 0 {
		t.Fatalf("the good bundle: %q", told)
	}
	hashes := referred(mustHistory(t, good)).photos
	for _, tt := range []struct {
		name   string
		change func(*Bundle)
		want   string
	}{
		{"two photos changed round", func(b *Bundle) {
			b.Photos[hashes[0]], b.Photos[hashes[1]] = b.Photos[hashes[1]], b.Photos[hashes[0]]
		}, "is not the one that was taken"},
		{"a photo taken out", func(b *Bundle) { delete(b.Photos, hashes[2]) }, "is not in the file"},
		{"a photo put in", func(b *Bundle) { b.Photos[strings.Repeat("ab", 32)] = []byte("x") }, "no find names it"},
		{"a step taken out", func(b *Bundle) { b.Steps = slices.Delete(b.Steps, 5, 6) }, "Step 7 stands where step 6 belongs"},
		{"the last steps taken out", func(b *Bundle) { b.Steps = b.Steps[:len(b.Steps)-1] }, "page: The readable page does not say"},
		{"two steps changed round", func(b *Bundle) { b.Steps[5], b.Steps[6] = b.Steps[6], b.Steps[5] }, "Step 7 stands where step 6 belongs"},
		{"two steps changed round, with their numbers", func(b *Bundle) {
			b.Steps[5], b.Steps[6] = b.Steps[6], b.Steps[5]
			b.Steps[5].Version, b.Steps[6].Version = 6, 7
		}, "is not under the head"},
		{"a step doubled", func(b *Bundle) { b.Steps = slices.Insert(b.Steps, 6, b.Steps[5]) }, "Step 6 stands where step 7 belongs"},
		{"a step doubled as the next", func(b *Bundle) {
			s := b.Steps[len(b.Steps)-1]
			s.Version++
			b.Steps = append(b.Steps, s)
		}, "is not under the head"},
		{"a step of another consignment", func(b *Bundle) { b.Steps[4] = other.Steps[4] }, "is not under the head"},
		{"another dispatch time", func(b *Bundle) {
			b.Steps[0].Data = strings.Replace(b.Steps[0].Data, "Eastmoor", "Northreach", 1)
		}, "Step 1 of the consignment (registered) is not under the head"},
		{"another person", func(b *Bundle) { b.Steps[3].Actor = strings.Replace(b.Steps[3].Actor, "Tam", "Tim", 1) }, "Step 4 of the consignment"},
		{"another outcome", func(b *Bundle) {
			b.Steps[len(b.Steps)-1].Data = strings.Replace(b.Steps[len(b.Steps)-1].Data, `"rejected"`, `"passed"`, 1)
		}, "The outcome on record (passed) does not follow"},
		{"a smaller sample", func(b *Bundle) {
			i := kindAt(b, "sealed")
			b.Steps[i].Data = strings.Replace(b.Steps[i].Data, `"minimum":3`, `"minimum":9`, 1)
		}, "The steps do not work out"},
		{"another package drawn", func(b *Bundle) {
			i := kindAt(b, "drawn")
			b.Steps[i].Data = strings.Replace(b.Steps[i].Data, `"examine":[`, `"examine":[2,`, 1)
		}, "The steps do not work out"},
		{"another page", func(b *Bundle) { b.Page = bytes.Replace(b.Page, []byte("Rejected"), []byte("Passed"), -1) }, "does not say what the steps say"},
		{"another program", func(b *Bundle) { b.Program = "Lastlook 0" }, "does not say what the steps say"},
		{"another consignment", func(b *Bundle) { b.Code = "7F3M" }, "is of another record"},
		{"the mark of invented data", func(b *Bundle) { b.Invented = true }, "does not say what the steps say"},
		{"an earlier head", func(b *Bundle) { b.Marks[0].Root[0] ^= 1 }, "does not begin with"},
		{"an earlier head doubled", func(b *Bundle) { b.Marks = append(b.Marks, b.Marks[0]) }, "does not begin with"},
		{"a head signed with another key", func(b *Bundle) {
			k := keysFor(t, 9)
			h, _ := ledger.PeekHead(b.Head)
			b.Head, _ = k.Sign(h)
		}, "signed by somebody else"},
		{"the site's keys of another", func(b *Bundle) {
			e, _ := ledger.SetKeys(keysFor(t, 9))
			data, _ := ledger.Encode(e)
			b.Site[0].Data = string(data)
		}, "is not under the head"},
		{"the site's steps doubled", func(b *Bundle) { b.Site = append(b.Site, b.Site[0]) }, "The site's steps do not work out"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			told, refused := judge(forged(t, good, tt.change), Against{})
			if refused || !slices.ContainsFunc(told, func(s string) bool { return strings.Contains(s, tt.want) }) {
				t.Errorf("told %q, refused %v; want %q", told, refused, tt.want)
			}
		})
	}
}

func mustHistory(t testing.TB, b *Bundle) []consignment.Recorded {
	t.Helper()
	h, err := b.history()
	if err != nil {
		t.Fatal(err)
	}
	return h
}

func kindAt(b *Bundle, kind string) int {
	return slices.IndexFunc(b.Steps, func(s Step) bool { return s.Kind == kind })
}

// A nursery that holds the key can sign whatever it likes, but not steps that its
// own bench would have refused, and not a draw it chose.
func TestForgingWithTheKey(t *testing.T) {
	for _, tt := range []struct {
		name   string
		change func([]consignment.Recorded) []consignment.Recorded
		want   string
	}{
		{"nothing changed", func(h []consignment.Recorded) []consignment.Recorded { return h }, ""},
		{"a package never opened", without[consignment.Opened], "is one that the bench refuses"},
		{"no bench check before", without[consignment.BenchChecked], "is one that the bench refuses"},
		{"looks not confirmed", without[consignment.LooksConfirmed], "is one that the bench refuses"},
		{"the find left out", without[consignment.FindRecorded], "is one that the bench refuses"},
		{"the end left out of a round of two", func(h []consignment.Recorded) []consignment.Recorded {
			return append(h, consignment.Recorded{Version: len(h) + 1, At: h[len(h)-1].At, Actor: recordtest.Tam, Bench: "bench 1",
				Event: consignment.RoundEnded{Round: 1, Outcome: consignment.Rejected}})
		}, "is one that the bench refuses"},
		{"no proof of the draw", edit(func(e *consignment.Drawn) { e.Evidence = nil }), "The draw has no proof"},
		{"a lower advice", edit(func(e *consignment.FindRecorded) { e.Facts.What = consignment.Soil }), "is one that the bench refuses"},
		{"a longer window", edit(func(e *consignment.RoundEnded) { e.ValidUntil = e.ValidUntil.Add(24 * time.Hour) }), "does not follow from the steps"},
		{"other reasons", edit(func(e *consignment.RoundEnded) { e.Outcome = consignment.Held }), "does not follow from the steps"},
		{"another list", edit(func(e *consignment.Sealed) { e.Digest = strings.Repeat("0", 64) }), "is not that of the list"},
		{"a clock that goes back", func(h []consignment.Recorded) []consignment.Recorded {
			h[4].At = h[4].At.Add(-time.Hour)
			return h
		}, "the last step was at|has another person, bench or time"},
		{"too many packages", edit(func(e *consignment.Registered) { e.Lines[0].Packages = 1 << 40 }), "says what no bench records"},
		{"too many units", edit(func(e *consignment.UnitsCounted) { e.Units = 1 << 40 }), "says what no bench records"},
		{"fewer units than none", edit(func(e *consignment.UnitsCounted) { e.Units = -1 }), "says what no bench records"},
		{"a draw taken back", func(h []consignment.Recorded) []consignment.Recorded {
			i := slices.IndexFunc(h, func(r consignment.Recorded) bool { _, ok := r.Event.(consignment.Sealed); return ok })
			return append(h[:i+2], consignment.Recorded{Version: i + 3, At: h[i+1].At, Actor: recordtest.Tam, Bench: "bench 1",
				Event: consignment.Amended{Of: i + 2, Reason: "I did not like it"}})
		}, "sealed without a draw|is one that the bench refuses"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			bench := small(t)
			history := tt.change(slices.Clone(bench.State.History))
			for i := range history {
				history[i].Version = i + 1
			}
			k := keysFor(t, 0)
			g := site(t, k)
			g.put(t, &consignment.State{Code: bench.State.Code, History: history})
			src := g.source(t, k, bench.State.Code, bench)
			b := &Bundle{Code: src.Code, Program: src.Program, Head: src.Head, Site: src.Site, Steps: src.Steps, Marks: src.Marks, Photos: bench.Photos}
			page, err := b.MakePage()
			if err != nil && tt.want == "" {
				t.Fatal(err)
			}
			b.Page = page
			told, refused := judge(encode(t, b), Against{})
			if tt.want == "" {
				if len(told) > 0 {
					t.Errorf("told %q, want nothing", told)
				}
				return
			}
			if refused || !slices.ContainsFunc(told, regexp.MustCompile(tt.want).MatchString) {
				t.Errorf("told %q, refused %v; want %q", told, refused, tt.want)
			}
		})
	}
}

// without leaves out the first event of a type.
func without[E consignment.Event](h []consignment.Recorded) []consignment.Recorded {
	i := slices.IndexFunc(h, func(r consignment.Recorded) bool { _, ok := r.Event.(E); return ok })
	return slices.Delete(h, i, i+1)
}

// edit changes the first event of a type.
func edit[E consignment.Event](change func(*E)) func([]consignment.Recorded) []consignment.Recorded {
	return func(h []consignment.Recorded) []consignment.Recorded {
		for i, r := range h {
			if e, ok := r.Event.(E); ok {
				raw, _ := consignment.Encode(e) // a deep copy
				again, err := consignment.Decode(e.Kind(), raw)
				if err != nil {
					panic(err)
				}
				e = again.(E)
				change(&e)
				h[i].Event = e
				return h
			}
		}
		panic("no such event")
	}
}

func TestAgainstWhatTheReaderHas(t *testing.T) {
	bench := small(t)
	k, stranger := keysFor(t, 0), keysFor(t, 9)
	g := site(t, k)
	before := ledger.Head{Site: k.Site, Size: g.Size, Root: g.Root()}
	g.put(t, bench.State)
	src := g.source(t, k, bench.State.Code, bench)
	src.Marks = slices.Insert(src.Marks, 0, g.mark(t, 1))
	made, err := New(src)
	if err != nil {
		t.Fatal(err)
	}
	b := read(t, encode(t, made))
	now, _ := ledger.PeekHead(b.Head)
	sign := func(k *ledger.Keys, h ledger.Head) [][]byte {
		n, err := k.Sign(h)
		if err != nil {
			t.Fatal(err)
		}
		return [][]byte{n}
	}
	public, foreign := k.Public(), stranger.Public()
	end := b.Steps[len(b.Steps)-1]
	leaf := end.Hash()
	fork := now
	fork.Root[3] ^= 1
	oldFork := before
	oldFork.Root[3] ^= 1
	at := slices.IndexFunc(b.Marks, func(m Mark) bool { return m.Size == end.Seq })
	paper := record.Mark{Code: "7F3K", Outcome: consignment.Passed, Leaf: hex.EncodeToString(leaf[:]),
		Head: record.Compact(ledger.Head{Site: k.Site, Size: end.Seq, Root: b.Marks[at].Root}.Fingerprint())}
	mark := func(change func(*record.Mark)) Against {
		m := paper
		change(&m)
		return Against{Paper: &m}
	}
	for _, tt := range []struct {
		name   string
		a      Against
		status Status
		want   string
	}{
		{"the site's key", Against{Key: &public}, Holds, "one of the site's keys"},
		{"a key of somebody else", Against{Key: &foreign}, Fails, "none of the keys"},
		{"no key", Against{}, Unknown, "really that of the nursery"},
		{"the same head", Against{Anchors: sign(k, now)}, Holds, "the one of the file"},
		{"an older head", Against{Anchors: sign(k, before)}, Holds, "goes on from the head you gave"},
		{"two heads of one size", Against{Anchors: sign(k, fork)}, Fails, "signed two different histories"},
		{"two older heads of one size", Against{Anchors: sign(k, oldFork)}, Fails, "signed two different histories"},
		{"an older head without proof", Against{Anchors: sign(k, ledger.Head{Site: k.Site, Size: 2, Root: now.Root})}, Unknown, "--since"},
		{"a newer head", Against{Anchors: sign(k, ledger.Head{Site: k.Site, Size: now.Size + 1, Root: now.Root})}, Unknown, "newer"},
		{"a head signed by somebody else", Against{Anchors: sign(stranger, now)}, Fails, "not signed with a key"},
		{"no head at all", Against{Anchors: [][]byte{[]byte("hello")}}, Fails, "not the head of a ledger"},
		{"the printed record", mark(func(*record.Mark) {}), Holds, "The paper is of this record"},
		{"the printed record's head", mark(func(*record.Mark) {}), Holds, "fingerprint on the paper is that"},
		{"a paper of another outcome", mark(func(m *record.Mark) { m.Outcome = consignment.Rejected }), Fails, "The paper says Rejected"},
		{"a paper of another consignment", mark(func(m *record.Mark) { m.Code = "7F3M" }), Fails, "The paper is of consignment 7F3M"},
		{"a paper of another step", mark(func(m *record.Mark) { m.Leaf = strings.Repeat("00", 32) }), Fails, "none of the steps"},
		{"a paper of another history", mark(func(m *record.Mark) { m.Head = record.Compact(before.Fingerprint()) }), Fails, "fingerprint on the paper is of another"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r := Check(b, tt.a)
			if !slices.ContainsFunc(r.Findings, func(f Finding) bool { return f.Status == tt.status && strings.Contains(f.Text.String(), tt.want) }) {
				t.Errorf("findings %v, want %s: %s", r.Findings, tt.status, tt.want)
			}
			if r.Holds() != (tt.status != Fails) {
				t.Errorf("holds: %v", r.Holds())
			}
		})
	}
}

// repacked writes parts with the standard library's ZIP writer.
func repacked(t *testing.T, method uint16, names ...string) []byte {
	t.Helper()
	var b bytes.Buffer
	w := zip.NewWriter(&b)
	for _, n := range names {
		f, err := w.CreateHeader(&zip.FileHeader{Name: n, Method: method})
		if err != nil {
			t.Fatal(err)
		}
		if strings.HasSuffix(n, "/") {
			continue
		}
		if _, err := f.Write(bytes.Repeat([]byte("{}"), 50)); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func TestUnreadableFiles(t *testing.T) {
	file := encode(t, bundleOf(t, small(t)))
	b := read(t, file)
	with := func(part, old, new string) []byte {
		return reseal(t, b, func(name string, d []byte) []byte {
			if name != part {
				return d
			}
			if !bytes.Contains(d, []byte(old)) {
				t.Fatalf("%s has no %q", part, old)
			}
			return bytes.Replace(d, []byte(old), []byte(new), 1)
		})
	}
	manifest := func(old, new string) []byte {
		parts := slices.Clone(b.parts)
		for i, p := range parts {
			if p.name == manifestName {
				parts[i].data = bytes.Replace(p.data, []byte(old), []byte(new), 1)
			}
		}
		return writeZip(parts)
	}
	huge := bytes.Clone(file)
	copy(huge[18:], "\xff\xff\xff\x7f\xff\xff\xff\x7f")
	for _, tt := range []struct {
		name string
		file []byte
		want string
	}{
		{"empty", nil, "is empty"},
		{"no ZIP", []byte("K-2041 passed"), "does not begin as a ZIP"},
		{"cut short", file[:len(file)/2], "cut short"},
		{"cut by one byte", file[:len(file)-1], "cut short"},
		{"too large", make([]byte, MaxSize+1), "at most 512"},
		{"another ZIP", repacked(t, zip.Store, "read-me.txt"), "no bundle"},
		{"packed again", repacked(t, zip.Deflate, "bundle.json"), "packed in a way"},
		{"a path upwards", repacked(t, zip.Store, "../bundle.json"), "which no bundle has"},
		{"an absolute path", repacked(t, zip.Store, "/bundle.json"), "which no bundle has"},
		{"a path with backslashes", repacked(t, zip.Store, `photos\..\x.jpg`), "which no bundle has"},
		{"a name for a terminal", repacked(t, zip.Store, "\x1b[2Jx"), "·[2Jx"},
		{"a folder", repacked(t, zip.Store, "photos/"), "which no bundle has"},
		{"a name twice", repacked(t, zip.Store, "bundle.json", "bundle.json"), "twice"},
		{"a newer version", manifest(`"version": 1`, `"version": 2`), "newer version of Lastlook"},
		{"a newer version with more in it", manifest(`"version": 1`, `"version": 7, "more": [[1]]`), "newer version of Lastlook"},
		{"no version", manifest(`"version": 1`, `"version": 0`), "no bundle of version 0"},
		{"another format", manifest(`lastlook bundle`, `other bundle`), "does not say that it is one"},
		{"a name in JSON twice", manifest(`"version": 1`, `"version": 1, "version": 1`), "names “version” twice"},
		{"a name in JSON twice, in capitals", manifest(`"version": 1`, `"version": 1, "VERSION": 1`), "twice"},
		{"an unknown name in JSON", manifest(`"version": 1`, `"version": 1, "sealed": true`), "does not hold what it should"},
		{"deeply nested", with(marksName, "[", strings.Repeat("[", 200_000)), "nested more than"},
		{"no JSON", with(marksName, "]", "}"), "is not JSON"},
		{"more behind it", with(marksName, "]", "] []"), "is not JSON"},
		{"no text", with(eventsName, "seq", "\xff\xff\xff"), "not text"},
		{"no steps", reseal(t, b, func(n string, d []byte) []byte {
			if n == eventsName {
				return []byte("[]")
			}
			return d
		}), "from 1 to"},
		{"a part missing", reseal(t, b, func(n string, d []byte) []byte {
			if n == headName {
				return nil
			}
			return d
		}), "“head.txt” is missing"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, err := Read(tt.file)
			if say.CodeOf(err) != say.Invalid || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("Read: %v, want a refusal with %q", err, tt.want)
			}
		})
	}
	if told, refused := judge(huge, Against{}); !refused && len(told) == 0 {
		t.Error("a part that says it is larger than the file: nothing is said")
	}
}

func TestNestedSteps(t *testing.T) {
	b := read(t, encode(t, bundleOf(t, small(t))))
	data := strings.Repeat(`{"of":1,"reason":"x","with":{"kind":"amended","data":`, 60) + "{}" + strings.Repeat("}}", 60)
	told, _ := judge(forged(t, b, func(b *Bundle) { b.Steps[2].Kind, b.Steps[2].Data = "amended", data }), Against{})
	if !slices.ContainsFunc(told, func(s string) bool { return strings.Contains(s, "nested more than") }) {
		t.Errorf("told %q, want that it is nested too deep", told)
	}
}

// Info-ZIP's unzip and Python's zipfile are programs that have nothing to do with
// this one.
func TestOthersReadTheFile(t *testing.T) {
	file := encode(t, bundleOf(t, small(t)))
	r, err := zip.NewReader(bytes.NewReader(file), int64(len(file)))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range r.File {
		rc, err := f.Open()
		if err == nil {
			_, err = io.Copy(io.Discard, rc) // checks the check sum
		}
		if err != nil {
			t.Errorf("%s: %v", f.Name, err)
		}
	}
	python, err := exec.LookPath("python3")
	if err != nil {
		if os.Getenv("LASTLOOK_TOOLS") == "required" {
			t.Fatal("python3 is not here, and LASTLOOK_TOOLS=required")
		}
		t.Skip("python3 is not here")
	}
	name := filepath.Join(t.TempDir(), "b.zip")
	if err := os.WriteFile(name, file, 0o600); err != nil {
		t.Fatal(err)
	}
	const script = `
import sys, zipfile, json, hashlib
z = zipfile.ZipFile(sys.argv[1])
assert z.testzip() is None
m = json.loads(z.read("bundle.json"))
assert [p["name"] for p in m["parts"]] == [n for n in z.namelist() if n != "bundle.json"]
for p in m["parts"]:
    assert hashlib.sha256(z.read(p["name"])).hexdigest() == p["sha256"], p
print(len(m["parts"]))`
	out, err := exec.Command(python, "-c", script, name).CombinedOutput()
	if err != nil || strings.TrimSpace(string(out)) != "8" {
		t.Errorf("Python: %s, %v", out, err)
	}
}

// A draw whose proof holds, but with a key that the site never named, is a draw
// that somebody chose: whoever makes keys can try until one pleases.
func TestDrawWithAnotherKey(t *testing.T) {
	bench := small(t)
	for _, tt := range []struct{ name, site, draw string }{
		{"another key", "quillfern-test", "another key that is nobody's: for tests"},
		{"another site", "quillfern-tess", "a key that is nobody's: for tests"},
	} {
		k, err := ledger.NewKeys(tt.site, strings.NewReader(strings.Repeat("a", 32)+tt.draw))
		if err != nil {
			t.Fatal(err)
		}
		g := site(t, k)
		g.put(t, bench.State)
		made, err := New(g.source(t, k, bench.State.Code, bench))
		if err != nil {
			t.Fatal(err)
		}
		told, _ := judge(encode(t, made), Against{})
		if len(told) != 1 || !strings.Contains(told[0], "a key that was not the site's") {
			t.Errorf("%s: told %q", tt.name, told)
		}
	}
}
