package export_test

import (
	"bytes"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"image"
	"image/jpeg"
	"io"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"lastlook/internal/bundle"
	"lastlook/internal/consignment"
	"lastlook/internal/demo"
	"lastlook/internal/export"
	"lastlook/internal/ledger"
	"lastlook/internal/record"
	"lastlook/internal/say"
	"lastlook/internal/store"
)

// morning is a data folder with the invented morning in it, and one more find with
// a photo and an entry of the reference. The entry is kept nowhere but in entryText.
type morning struct {
	*store.Store
	*demo.Made
	photo, entry string // hashes
}

var entryText = []byte(`{"id":"invented-scale","revision":3}`)

func hashOf(b []byte) string {
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:])
}

func newMorning(t testing.TB) morning {
	t.Helper()
	ctx := t.Context()
	st, err := store.Open(ctx, t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { st.Close() })
	made, err := demo.Fill(ctx, st, st.Now())
	if err != nil {
		t.Fatal(err)
	}
	m := morning{Store: st, Made: made, entry: hashOf(entryText)}
	var picture bytes.Buffer
	if err := jpeg.Encode(&picture, image.NewGray(image.Rect(0, 0, 8, 8)), nil); err != nil {
		t.Fatal(err)
	}
	if m.photo, err = st.PutBlob(ctx, "image/jpeg", picture.Bytes()); err != nil {
		t.Fatal(err)
	}
	state := made.States[demo.AtWork]
	pkg := consignment.Next(state, demo.Bench).Package
	for _, c := range []consignment.Command{
		consignment.Open{Package: pkg}, consignment.LookPackage{Package: pkg}, consignment.CountUnits{Package: pkg, Units: 2},
		consignment.RecordFind{Facts: consignment.FindFacts{Package: pkg, Unit: 1, Part: consignment.PartStem, What: consignment.Damage, Units: 1,
			Alive: consignment.AliveNo, Method: consignment.ByEye, Photos: []string{m.photo},
			Entry: &consignment.EntryPin{ID: "invented-scale", Name: "Invented scale", Revision: 3, Hash: m.entry, Kind: "disorder", Rung: 1}}},
	} {
		if _, err := st.Do(ctx, store.Step{Code: state.Code, Actor: consignment.Actor{ID: "x", Name: demo.Tam, Roles: []string{"inspector"}}, Bench: demo.Bench, Command: c}); err != nil {
			t.Fatalf("%T: %v", c, err)
		}
	}
	return m
}

func options() export.Options {
	return export.Options{Program: "Lastlook test", Invented: true, Entry: func(hash string) []byte {
		if hash == hashOf(entryText) {
			return entryText
		}
		return nil
	}}
}

func encoded(t testing.TB, st *store.Store, code string, o export.Options) []byte {
	t.Helper()
	b, err := export.Bundle(t.Context(), st, code, o)
	if err != nil {
		t.Fatal(err)
	}
	file, err := b.Encode()
	if err != nil {
		t.Fatal(err)
	}
	return file
}

// The same data give the same bytes: again, read only, and from a copy of the folder.
func TestSameDataSameBytes(t *testing.T) {
	m := newMorning(t)
	elsewhere := t.TempDir()
	if _, err := store.WriteBackup(t.Context(), m.Dir(), store.Target{Path: filepath.Join(elsewhere, "b.db")}, time.Now()); err != nil {
		t.Fatal(err)
	}
	data := filepath.Join(elsewhere, "data")
	if _, err := store.RestoreBackup(t.Context(), store.Restore{From: filepath.Join(elsewhere, "b.db"), Data: data, Was: m.Dir()}, time.Now()); err != nil {
		t.Fatal(err)
	}
	var readers []*store.Store
	for _, dir := range []string{m.Dir(), data} {
		st, err := store.OpenReading(t.Context(), dir)
		if err != nil {
			t.Fatal(err)
		}
		defer st.Close()
		readers = append(readers, st)
	}
	archived := func(st *store.Store) []byte {
		t.Helper()
		var b bytes.Buffer
		if _, _, err := export.Archive(t.Context(), st, time.Now().Add(time.Hour).Truncate(time.Hour), options(), &b); err != nil {
			t.Fatal(err)
		}
		return b.Bytes()
	}
	for number, code := range m.Codes {
		want := encoded(t, m.Store, code, options())
		for i, st := range append(readers, m.Store) {
			if got := encoded(t, st, code, options()); !bytes.Equal(got, want) {
				t.Errorf("%s by reader %d: %d bytes, not the same as before (%d)", number, i, len(got), len(want))
			}
		}
	}
	want := archived(m.Store)
	for i, st := range append(readers, m.Store) {
		if got := archived(st); !bytes.Equal(got, want) {
			t.Errorf("archive by reader %d is another", i)
		}
	}
}

func TestWhatIsInABundle(t *testing.T) {
	m := newMorning(t)
	first, err := m.Head(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for number, code := range m.Codes {
		o := options()
		o.Since = [][]byte{[]byte(first.Note)}
		b, err := bundle.Read(encoded(t, m.Store, code, o))
		if err != nil {
			t.Fatal(err)
		}
		st, err := m.Consignment(t.Context(), code)
		if err != nil {
			t.Fatal(err)
		}
		seqs, err := m.Seqs(t.Context(), code)
		if err != nil {
			t.Fatal(err)
		}
		if b.Code != code || b.Program != "Lastlook test" || !b.Invented || string(b.Head) != first.Note || len(b.Site) != 1 || len(b.Steps) != len(st.History) {
			t.Errorf("%s: bundle of %s by %s, %d and %d steps", number, b.Code, b.Program, len(b.Site), len(b.Steps))
		}
		for i, s := range b.Steps {
			if s.Seq != seqs[i] {
				t.Errorf("%s: step %d is number %d of the history, want %d", number, i+1, s.Seq, seqs[i])
			}
		}
		// Who reads the file cannot print a badge from it.
		for _, s := range b.Steps {
			var who consignment.Actor
			if err := json.Unmarshal([]byte(s.Actor), &who); err != nil {
				t.Fatal(err)
			}
			for _, p := range m.People {
				if who.ID == p.Badge || who.Name == p.Name && who.ID != p.ID && who.ID != "x" {
					t.Errorf("%s, step %d: by %s with the ID %s, their badge or not theirs", number, s.Version, who.Name, who.ID)
				}
			}
		}
		r := bundle.Check(b, bundle.Against{Anchors: o.Since})
		if !r.Holds() || r.Number != number {
			t.Errorf("%s does not hold: %s", number, r.Verdict())
		}
		// Where it was at each outcome, and at the head the receiver has.
		sizes := map[int64]bool{first.Size: true}
		if st.Round() != nil && st.Round().Ended != nil {
			for i, rec := range st.History {
				if _, ok := rec.Event.(consignment.RoundEnded); ok {
					sizes[seqs[i]] = true
				}
			}
		}
		if len(b.Marks) != len(sizes) {
			t.Errorf("%s: %d marks, want %d", number, len(b.Marks), len(sizes))
		}
		for _, mark := range b.Marks {
			if !sizes[mark.Size] {
				t.Errorf("%s: a mark at %d steps, want at %v", number, mark.Size, sizes)
			}
		}
		photos, entries := 0, 0
		if number == demo.AtWork {
			photos, entries = 1, 1
		}
		if len(b.Photos) != photos || len(b.Entries) != entries {
			t.Errorf("%s: %d photos and %d entries, want %d and %d", number, len(b.Photos), len(b.Entries), photos, entries)
		}
	}
	// What the program does not bring and the folder does not hold is left out, and said.
	b, err := export.Bundle(t.Context(), m.Store, m.Codes[demo.AtWork], export.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if len(b.Entries) != 0 || len(b.Photos) != 1 {
		t.Errorf("without a reference: %d entries, %d photos", len(b.Entries), len(b.Photos))
	}
	// The page is what is read; it must not fetch anything.
	if !bytes.Contains(b.Page, []byte("<html")) || bytes.Contains(b.Page, []byte("http://")) || bytes.Contains(b.Page, []byte("https://")) {
		t.Error("the page is none, or points elsewhere")
	}
}

func TestBundleRefuses(t *testing.T) {
	m := newMorning(t)
	head, err := m.Head(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	other, err := ledger.NewKeys(head.Site, rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	sign := func(h ledger.Head) [][]byte {
		t.Helper()
		n, err := other.Sign(h)
		if err != nil {
			t.Fatal(err)
		}
		return [][]byte{n}
	}
	fork, future, none := head.Head, head.Head, head.Head
	fork.Root[0] ^= 1
	future.Size++
	none.Size = 0
	over, cancel := context.WithCancel(t.Context())
	cancel()
	for _, tt := range []struct {
		name  string
		ctx   context.Context
		code  string
		since [][]byte
		code2 say.Code
		want  string
	}{
		{"a consignment that is not there", t.Context(), "ZZZZ", nil, say.NotFound, "no consignment with the code ZZZZ"},
		{"no code", t.Context(), "", nil, say.NotFound, "no consignment"},
		{"what is no head", t.Context(), m.Codes[demo.Passed], [][]byte{[]byte("hello")}, say.Invalid, "not the head of a ledger"},
		{"a head of another history", t.Context(), m.Codes[demo.Passed], sign(fork), say.Conflict, "is not of this history"},
		{"a head of more steps", t.Context(), m.Codes[demo.Passed], sign(future), say.NotFound, "never had"},
		{"a head of no steps", t.Context(), m.Codes[demo.Passed], sign(none), say.NotFound, "never had 0 steps"},
		{"interrupted", over, m.Codes[demo.Passed], nil, "", "canceled"},
	} {
		o := options()
		o.Since = tt.since
		_, err := export.Bundle(tt.ctx, m.Store, tt.code, o)
		if err == nil || say.CodeOf(err) != tt.code2 || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: %v, want %q", tt.name, err, tt.want)
		}
	}
}

func TestMark(t *testing.T) {
	m := newMorning(t)
	for number, code := range m.Codes {
		st, err := m.Consignment(t.Context(), code)
		if err != nil {
			t.Fatal(err)
		}
		mark, err := export.Mark(t.Context(), m.Store, st)
		if err != nil {
			t.Fatal(err)
		}
		ended := number == demo.Passed || number == demo.Rejected || number == demo.Held
		if (mark != nil) != ended {
			t.Errorf("%s: mark %v, want one: %v", number, mark, ended)
		}
		if !ended {
			continue
		}
		if mark.Code != code || mark.Outcome != st.Round().Ended.Outcome {
			t.Errorf("%s: mark %+v", number, mark)
		}
		// Paper and portable record fit together, now and after more work.
		b, err := bundle.Read(encoded(t, m.Store, code, options()))
		if err != nil {
			t.Fatal(err)
		}
		if r := bundle.Check(b, bundle.Against{Paper: mark}); !r.Holds() {
			t.Errorf("%s: %s", number, r.Verdict())
		}
		if again, err := record.ParseMark(mark.String()); err != nil || again != *mark {
			t.Errorf("%s: read back as %+v, %v", number, again, err)
		}
	}
}

func TestArchiveHolds(t *testing.T) {
	m := newMorning(t)
	head, err := m.Head(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	ended := map[string]time.Time{}
	for _, number := range []string{demo.Passed, demo.Rejected} {
		ended[number] = m.States[number].Round().Ended.At
	}
	first, last := ended[demo.Passed], ended[demo.Rejected]
	if first.After(last) {
		first, last = last, first
	}
	for _, tt := range []struct {
		name   string
		before time.Time
		want   int
	}{
		{"before everything", first, 0},
		{"between the two", last, 1},
		{"after everything", last.Add(time.Nanosecond), 2},
	} {
		var b bytes.Buffer
		ix, waiting, err := export.Archive(t.Context(), m.Store, tt.before, options(), &b)
		held := 0 // one is held: it is told, and not archived
		if m.States[demo.Held].Round().Ended.At.Before(tt.before) {
			held = 1
		}
		if err != nil || waiting != held || len(ix.Items) != tt.want {
			t.Fatalf("%s: %d consignments, %d waiting, %v; want %d", tt.name, len(ix.Items), waiting, err, tt.want)
		}
		if !slices.IsSortedFunc(ix.Items, func(a, b export.Archived) int { return a.Ended.Compare(b.Ended) }) {
			t.Errorf("%s: not the oldest first", tt.name)
		}
		seen := 0
		r, err := export.CheckArchive(t.Context(), bytes.NewReader(b.Bytes()), int64(b.Len()), bundle.Against{Anchors: [][]byte{[]byte(head.Note)}}, func(done, total int) {
			if done != seen || total != tt.want {
				t.Errorf("%s: progress %d of %d", tt.name, done, total)
			}
			seen++
		})
		if err != nil || !r.Holds() || r.Sound != tt.want || seen != tt.want || r.Fingerprint != head.Fingerprint() {
			t.Errorf("%s: sound %d, wrong %v, %v", tt.name, r.Sound, r.Wrong, err)
		}
		for _, item := range ix.Items {
			if item.Ended != ended[item.Number].UTC() || item.Code != m.Codes[item.Number] {
				t.Errorf("%s: %+v", tt.name, item)
			}
		}
	}
	over, cancel := context.WithCancel(t.Context())
	cancel()
	if _, _, err := export.Archive(over, m.Store, last.Add(1), options(), io.Discard); !errors.Is(err, context.Canceled) {
		t.Errorf("interrupted: %v", err)
	}
}

// fullDisk takes so many bytes and no more.
type fullDisk struct{ left int }

var errFull = errors.New("no space left on device")

func (d *fullDisk) Write(b []byte) (int, error) {
	if len(b) > d.left {
		n := d.left
		d.left = 0
		return n, errFull
	}
	d.left -= len(b)
	return len(b), nil
}

// Wherever the disk gets full, it is told: no archive is taken for a whole one.
func TestArchiveOnAFullDisk(t *testing.T) {
	m := newMorning(t)
	before := time.Now().Add(time.Hour)
	var whole bytes.Buffer
	if _, _, err := export.Archive(t.Context(), m.Store, before, options(), &whole); err != nil {
		t.Fatal(err)
	}
	for room := 0; room < whole.Len(); room += whole.Len()/40 + 1 {
		if _, _, err := export.Archive(t.Context(), m.Store, before, options(), &fullDisk{room}); !errors.Is(err, errFull) {
			t.Errorf("room for %d of %d bytes: %v, want that the disk is full", room, whole.Len(), err)
		}
	}
	if _, _, err := export.Archive(t.Context(), m.Store, before, options(), &fullDisk{whole.Len() - 1}); !errors.Is(err, errFull) {
		t.Errorf("one byte too few: %v", err)
	}
	if _, _, err := export.Archive(t.Context(), m.Store, before, options(), &fullDisk{whole.Len()}); err != nil {
		t.Errorf("just enough room: %v", err)
	}
}

// Every byte of an archive counts but for those of ZIP that say nothing, such as a
// date. None may pass that changes what is read.
func TestChangedArchive(t *testing.T) {
	m := newMorning(t)
	var whole bytes.Buffer
	if _, _, err := export.Archive(t.Context(), m.Store, time.Now().Add(time.Hour), options(), &whole); err != nil {
		t.Fatal(err)
	}
	good := whole.Bytes()
	want, err := export.CheckArchive(t.Context(), bytes.NewReader(good), int64(len(good)), bundle.Against{}, nil)
	if err != nil {
		t.Fatal(err)
	}
	same := func(r *export.ArchiveReport) bool {
		a, aerr := json.Marshal(r.Index)
		b, berr := json.Marshal(want.Index)
		return aerr == nil && berr == nil && bytes.Equal(a, b) && r.Fingerprint == want.Fingerprint && r.Sound == want.Sound
	}
	told := 0
	for at := 0; at < len(good); at += 257 {
		changed := bytes.Clone(good)
		changed[at] ^= 1 << (at % 8)
		r, err := export.CheckArchive(t.Context(), bytes.NewReader(changed), int64(len(changed)), bundle.Against{}, nil)
		switch {
		case err != nil && say.CodeOf(err) != say.Invalid:
			t.Errorf("byte %d: %v is no refusal", at, err)
		case err != nil || !r.Holds():
			told++
		case !same(r):
			t.Errorf("byte %d was changed, the archive says something else, and that is not told", at)
		}
	}
	if tried := len(good)/257 + 1; told*100 < tried*90 {
		t.Errorf("only %d of %d changes are told", told, tried)
	}
	for _, cut := range []int{0, 1, len(good) / 3, len(good) - 1} {
		if _, err := export.CheckArchive(t.Context(), bytes.NewReader(good[:cut]), int64(cut), bundle.Against{}, nil); say.CodeOf(err) != say.Invalid {
			t.Errorf("cut to %d bytes: %v", cut, err)
		}
	}
}
