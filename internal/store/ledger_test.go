package store

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"gorm.io/gorm"

	"lastlook/internal/consignment"
	"lastlook/internal/ledger"
	"lastlook/internal/people"
	"lastlook/internal/say"
)

// sound checks the whole ledger of a store against its events, written apart
// from the code that makes it.
func sound(t testing.TB, s *Store) ledger.Head {
	t.Helper()
	var rows []eventRow
	if err := s.db.Order("seq").Find(&rows).Error; err != nil {
		t.Fatal(err)
	}
	var edge ledger.Edge
	var want []ledger.Hash
	for i, row := range rows {
		if row.Seq != int64(i)+1 {
			t.Fatalf("event %d has seq %d", i+1, row.Seq)
		}
		want = append(want, edge.Append(row.entry().Hash())...)
	}
	var hashes []hashRow
	if err := s.db.Order("id").Find(&hashes).Error; err != nil {
		t.Fatal(err)
	}
	if len(hashes) != len(want) {
		t.Fatalf("%d hashes are kept for %d events, want %d", len(hashes), len(rows), len(want))
	}
	for i, h := range hashes {
		if h.ID != int64(i) || ledger.Hash(h.Hash) != want[i] {
			t.Fatalf("hash %d is %x under id %d, want %v", i, h.Hash, h.ID, want[i])
		}
	}
	site, err := s.Site(ctx)
	if err != nil {
		t.Fatal(err)
	}
	now, _ := site.Now()
	head, err := s.Head(ctx)
	if err != nil {
		t.Fatal(err)
	}
	got, err := ledger.OpenHead([]byte(head.Note), now)
	if want := (ledger.Head{Site: site.Name, Size: edge.Size, Root: edge.Root()}); err != nil || got != want || head.Head != want {
		t.Fatalf("newest head %+v (%+v), %v, want %+v", got, head.Head, err, want)
	}
	return got
}

func TestEveryEventIsInTheLedger(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	if h := sound(t, s); h.Size != 1 {
		t.Errorf("a new data file has %d events, want the site's keys alone", h.Size)
	}
	inspect(t, s, register(t, s, order("K-1", 2)))
	for i := range 3 {
		if _, err := s.DoPeople(ctx, tam, "office", fmt.Sprint(i), people.Join{Name: fmt.Sprint("Person ", i), Roles: []string{people.Inspector}}); err != nil {
			t.Fatal(err)
		}
	}
	many := make([]consignment.Registered, 250) // more than one transaction, more than one insert
	for i := range many {
		many[i] = order(fmt.Sprintf("M-%d", i), 2)
	}
	if _, err := s.Register(ctx, tam, "office", many, nil); err != nil {
		t.Fatal(err)
	}
	head := sound(t, s)
	for _, seq := range []int64{1, 2, 17, head.Size} {
		p, err := s.Proof(ctx, seq)
		if err != nil {
			t.Fatal(err)
		}
		if p.Entry.Seq != seq || ledger.Check(p.Proof, head, p.Entry) != nil {
			t.Errorf("proof of event %d does not hold", seq)
		}
		p.Entry.Actor = strings.Replace(p.Entry.Actor, "a", "b", 1)
		if ledger.Check(p.Proof, head, p.Entry) == nil {
			t.Errorf("proof of event %d holds for another actor", seq)
		}
	}
	for _, seq := range []int64{0, head.Size + 1} {
		if _, err := s.Proof(ctx, seq); say.CodeOf(err) != say.NotFound {
			t.Errorf("Proof(%d): %v, want not found", seq, err)
		}
		if _, _, err := s.Growth(ctx, seq); say.CodeOf(err) != say.NotFound {
			t.Errorf("Growth(%d): %v, want not found", seq, err)
		}
	}
	s.Close()
	if b, err := os.ReadFile(filepath.Join(dir, NoteFile)); err != nil {
		t.Error(err)
	} else if noted, err := ledger.PeekHead(b); err != nil || noted != head {
		t.Errorf("noted head %+v, %v, want %+v", noted, err, head)
	}
}

func TestOlderHeadsAreProvenToStand(t *testing.T) {
	s := open(t, t.TempDir())
	code := register(t, s, order("K-1", 2))
	older := sound(t, s)
	inspect(t, s, code)
	newer, proof, err := s.Growth(ctx, older.Size)
	if err != nil {
		t.Fatal(err)
	}
	if err := ledger.CheckGrowth(proof, older, newer.Head); err != nil {
		t.Errorf("CheckGrowth: %v", err)
	}
	older.Root[3] ^= 1
	if ledger.CheckGrowth(proof, older, newer.Head) == nil {
		t.Error("the growth holds for a head that never was")
	}
	seqs, err := s.Seqs(ctx, code)
	if err != nil || len(seqs) < 5 || seqs[0] != 2 || !slices.IsSorted(seqs) {
		t.Errorf("Seqs = %v, %v", seqs, err)
	}
}

func TestUndoneTransactionLeavesNoHash(t *testing.T) {
	s := open(t, t.TempDir())
	code := register(t, s, order("K-1", 2))
	before := sound(t, s)
	boom := errors.New("boom")
	err := s.inTx(ctx, func(tx *gorm.DB) error {
		if _, err := s.do(tx, Step{Code: code, Actor: tam, Bench: "b", Command: check(false)}); err != nil {
			return err
		}
		return boom
	})
	if !errors.Is(err, boom) {
		t.Fatal(err)
	}
	if after := sound(t, s); after != before {
		t.Errorf("head %+v, want %+v", after, before)
	}
	if err := appendEvents(s.db, "people", 0, consignment.Meta{}, "", []encoded{{kind: "x"}}); err == nil {
		t.Error("events can be appended without being hashed")
	}
}

func TestManyAtOnceAreAllHashed(t *testing.T) {
	dir := t.TempDir()
	a, b := open(t, dir), open(t, dir) // two programs on one data folder
	var wg sync.WaitGroup
	errs := make([]error, 8)
	for i := range errs {
		wg.Go(func() {
			s := []*Store{a, b}[i%2]
			for j := range 5 {
				_, err := s.Register(ctx, tam, "office", []consignment.Registered{order(fmt.Sprintf("K-%d-%d", i, j), 2)}, nil)
				errs[i] = errors.Join(errs[i], err)
			}
		})
	}
	wg.Wait()
	if err := errors.Join(errs...); err != nil {
		t.Fatal(err)
	}
	if h := sound(t, a); h.Size != 41 {
		t.Errorf("%d events, want 41", h.Size)
	}
}

// older makes the folder's data file one from before the ledger, with only the
// first hashes there, as if filling them in had been stopped.
func older(t *testing.T, dir string, hashes int) {
	t.Helper()
	s := open(t, dir)
	p, err := s.migrator()
	if err != nil {
		t.Fatal(err)
	}
	var kept []hashRow
	if err := s.db.Order("id").Limit(hashes).Find(&kept).Error; err != nil {
		t.Fatal(err)
	}
	if _, err := p.DownTo(ctx, 2); err != nil {
		t.Fatal(err)
	}
	for _, q := range []string{
		"DELETE FROM events WHERE stream = 'site'",
		"UPDATE events SET seq = -seq", "UPDATE events SET seq = -seq - 1",
	} {
		if _, err := s.sql.Exec(q); err != nil {
			t.Fatal(err)
		}
	}
	if hashes > 0 {
		if _, err := p.Up(ctx); err != nil {
			t.Fatal(err)
		}
		var rows []eventRow
		if err := s.db.Order("seq").Find(&rows).Error; err != nil {
			t.Fatal(err)
		}
		var edge ledger.Edge
		for _, row := range rows[:hashes] {
			for _, h := range edge.Append(row.entry().Hash()) {
				var n int64
				s.db.Model(&hashRow{}).Count(&n)
				if err := s.db.Create(&hashRow{ID: n, Hash: h[:]}).Error; err != nil {
					t.Fatal(err)
				}
			}
		}
	}
	s.Close()
	for _, name := range []string{KeyFile, NoteFile} {
		if err := os.Remove(filepath.Join(dir, name)); err != nil {
			t.Fatal(err)
		}
	}
}

func TestOlderDataFileIsHashed(t *testing.T) {
	for _, hashes := range []int{0, 1, 7, 16} {
		t.Run(fmt.Sprint("begun at ", hashes), func(t *testing.T) {
			dir := t.TempDir()
			s := open(t, dir)
			code := register(t, s, order("K-1", 2))
			want := inspect(t, s, code)
			s.Close()
			older(t, dir, hashes)
			s = open(t, dir)
			if h := sound(t, s); h.Size != int64(want.Version)+1 {
				t.Errorf("%d events under the head, want %d and the site's keys", h.Size, want.Version)
			}
			if w := s.Warnings(); len(w) > 0 {
				t.Errorf("warnings: %v", w)
			}
			register(t, s, order("K-2", 2))
			sound(t, s)
		})
	}
}

// copyFile copies a file; a data file must be closed.
func copyFile(t testing.TB, from, to string) {
	t.Helper()
	in, err := os.Open(from)
	if err != nil {
		t.Fatal(err)
	}
	defer in.Close()
	out, err := os.OpenFile(to, os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := io.Copy(out, in); err != nil {
		t.Fatal(err)
	}
	if err := out.Close(); err != nil {
		t.Fatal(err)
	}
}

func TestRestoredBackupIsNoticed(t *testing.T) {
	dir, backup := t.TempDir(), filepath.Join(t.TempDir(), "backup.db")
	s := open(t, dir)
	code := register(t, s, order("K-1", 2))
	s.Close()
	copyFile(t, filepath.Join(dir, File), backup)
	s = open(t, dir)
	inspect(t, s, code)
	was := sound(t, s)
	s.Close()
	copyFile(t, backup, filepath.Join(dir, File))

	s = open(t, dir)
	w := s.Warnings()
	if len(w) != 1 || !strings.Contains(w[0].String(), fmt.Sprintf("went back: it once had %d steps", was.Size)) {
		t.Fatalf("warnings %v, want one that says the record went back from %d steps", w, was.Size)
	}
	site, err := s.Site(ctx)
	if err != nil || len(site.Backs) != 1 {
		t.Fatalf("the record does not say that it went back: %+v, %v", site, err)
	}
	if noted, err := ledger.OpenHead([]byte(site.Backs[0].Noted), site.Keys()...); err != nil || noted != was {
		t.Errorf("the head on record is %+v, %v, want %+v", noted, err, was)
	}
	// The bench works on, past the size it once had, and the warning stays.
	inspect(t, s, code)
	inspect(t, s, register(t, s, order("K-2", 2)))
	if now := sound(t, s); now.Size <= was.Size {
		t.Fatalf("only %d events", now.Size)
	}
	s.Close()
	s = open(t, dir)
	if len(s.Warnings()) != 1 {
		t.Errorf("after another start the warnings are %v, want the one", s.Warnings())
	}
	if site, err := s.Site(ctx); err != nil || len(site.Backs) != 1 {
		t.Errorf("it is put on record again at each start: %+v, %v", site, err)
	}
	s.Close()
	if err := os.Remove(filepath.Join(dir, fmt.Sprintf("head-%d.note", was.Size))); err != nil {
		t.Fatal(err)
	}
	if s = open(t, dir); len(s.Warnings()) > 0 {
		t.Errorf("settled, but still: %v", s.Warnings())
	}
}

func TestOlderNoteSaysNothing(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	code := register(t, s, order("K-1", 2))
	s.Close()
	copyFile(t, filepath.Join(dir, NoteFile), filepath.Join(dir, "kept"))
	s = open(t, dir)
	inspect(t, s, code)
	s.Close()
	if err := os.Rename(filepath.Join(dir, "kept"), filepath.Join(dir, NoteFile)); err != nil {
		t.Fatal(err)
	}
	if s = open(t, dir); len(s.Warnings()) > 0 {
		t.Errorf("a note from before the last steps: %v, want no warning", s.Warnings())
	}
	s.Close()
	if err := os.Remove(filepath.Join(dir, NoteFile)); err != nil {
		t.Fatal(err)
	}
	if s = open(t, dir); len(s.Warnings()) > 0 {
		t.Errorf("no note: %v, want no warning", s.Warnings())
	}
	s.Close()
	if err := os.WriteFile(filepath.Join(dir, NoteFile), []byte("cut sho"), 0o600); err != nil {
		t.Fatal(err)
	}
	if s = open(t, dir); len(s.Warnings()) != 1 || !strings.Contains(s.Warnings()[0].String(), "damaged") {
		t.Errorf("a damaged note: %v, want one warning that says so", s.Warnings())
	}
}

func TestChangeFromOutsideIsNoticedAtStart(t *testing.T) {
	for name, q := range map[string]string{
		"last event gone":     "DELETE FROM events WHERE seq = (SELECT MAX(seq) FROM events)",
		"heads gone":          "DELETE FROM heads",
		"newest head gone":    "DELETE FROM heads WHERE size = (SELECT MAX(size) FROM heads)",
		"edge changed":        "UPDATE hashes SET hash = zeroblob(32)",
		"a hash cut short":    "UPDATE hashes SET hash = x'00'",
		"head of another":     "UPDATE heads SET note = replace(note, 'lastlook-', 'Lastlook-')",
		"event added":         "INSERT INTO events SELECT seq + 1, stream, version + 1, kind, at, actor, bench, data FROM events ORDER BY seq DESC LIMIT 1",
		"hash added for more": "INSERT INTO hashes SELECT MAX(id) + 1, hash FROM hashes",
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			s := open(t, dir)
			register(t, s, order("K-1", 2))
			if _, err := s.sql.Exec(q); err != nil {
				t.Fatal(err)
			}
			s.Close()
			s, err := Open(ctx, dir)
			if err != nil {
				if say.CodeOf(err) != say.Storage {
					t.Errorf("Open: %v, want it to open or refuse in words", err)
				}
				return
			}
			defer s.Close()
			if len(s.Warnings()) == 0 {
				t.Error("no warning")
			}
		})
	}
}

func TestKeyFileIsNeeded(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	s.Close()
	path := filepath.Join(dir, KeyFile)
	if info, err := os.Stat(path); err != nil || info.Mode().Perm() != 0o600 {
		t.Fatalf("key file: %v, %v, want mode 0600", info, err)
	}
	if err := os.Chmod(path, 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(ctx, dir); say.CodeOf(err) != say.Storage || !strings.Contains(err.Error(), "Other accounts") {
		t.Errorf("Open with a key file that all can read: %v", err)
	}
	if err := os.Rename(path, path+".away"); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(ctx, dir); say.CodeOf(err) != say.Storage || !strings.Contains(err.Error(), "missing") {
		t.Errorf("Open without a key file: %v", err)
	}
	elsewhere := t.TempDir()
	open(t, elsewhere).Close()
	copyFile(t, filepath.Join(elsewhere, KeyFile), path)
	if _, err := Open(ctx, dir); say.CodeOf(err) != say.Storage || !strings.Contains(err.Error(), "not the one of this data file") {
		t.Errorf("Open with the key file of another site: %v", err)
	}
}

func TestKeysChange(t *testing.T) {
	dir := t.TempDir()
	a, b := open(t, dir), open(t, dir) // b is a program that does not know of the change
	register(t, a, order("K-1", 2))
	old, err := a.Site(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := a.ChangeKeys(ctx, tam, "office", "", " "); say.CodeOf(err) != say.Invalid {
		t.Errorf("ChangeKeys without a reason: %v, want a refusal", err)
	}
	before, _ := os.ReadFile(filepath.Join(dir, KeyFile))
	public, err := a.ChangeKeys(ctx, tam, "office", "", "the old computer was sold")
	if err != nil {
		t.Fatal(err)
	}
	if was, _ := old.Now(); public == was || public.Site != was.Site {
		t.Errorf("keys %v after %v, want new ones of the same site", public, was)
	}
	if after, err := os.ReadFile(filepath.Join(dir, KeyFile)); err != nil || string(after) == string(before) {
		t.Errorf("the key file is the old one (%v)", err)
	}
	sound(t, a)
	register(t, b, order("K-2", 2))
	sound(t, b)
	register(t, a, order("K-3", 2))
	sound(t, a)
	a.Close()
	b.Close()
	s := open(t, dir)
	if len(s.Warnings()) > 0 {
		t.Errorf("warnings: %v", s.Warnings())
	}
	sound(t, s)
}

func TestStoppedWhileKeysChange(t *testing.T) {
	dir := t.TempDir()
	path, next := filepath.Join(dir, KeyFile), filepath.Join(dir, nextKeys)
	s := open(t, dir)
	copyFile(t, path, filepath.Join(dir, "old"))
	if _, err := s.ChangeKeys(ctx, tam, "office", "", "test"); err != nil {
		t.Fatal(err)
	}
	s.Close()
	// Stopped after the event was on record and before the file was put in place.
	if err := os.Rename(path, next); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(filepath.Join(dir, "old"), path); err != nil {
		t.Fatal(err)
	}
	s = open(t, dir)
	register(t, s, order("K-1", 2))
	sound(t, s)
	s.Close()
	if _, err := os.Stat(next); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the new keys were not put in place: %v", err)
	}
	// Stopped before the event was on record.
	stray, err := ledger.NewKeys("lastlook-stray", strings.NewReader(strings.Repeat("x", 64)))
	if err != nil {
		t.Fatal(err)
	}
	if err := stray.Write(next); err != nil {
		t.Fatal(err)
	}
	s = open(t, dir)
	sound(t, s)
	if _, err := os.Stat(next); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("keys that were never on record are still there: %v", err)
	}
}

func TestOneHeadADayIsKept(t *testing.T) {
	s := open(t, t.TempDir())
	now := t0
	s.Now = func() time.Time { return now }
	var last []int64
	for day := range 3 {
		for i := range 4 {
			o := order(fmt.Sprintf("K-%d-%d", day, i), 2)
			o.DispatchAt = now.Add(200 * time.Hour)
			register(t, s, o)
			now = now.Add(time.Minute)
		}
		last = append(last, sound(t, s).Size)
		now = now.Add(24 * time.Hour)
	}
	var sizes []int64
	if err := s.db.Model(&headRow{}).Where("at >= ?", "2026-11-25T08:00").Order("size").Pluck("size", &sizes).Error; err != nil {
		t.Fatal(err)
	}
	for _, want := range last {
		if !slices.Contains(sizes, want) {
			t.Errorf("heads of %v are kept, want the last of each day: %v", sizes, last)
		}
	}
	if len(sizes) > 4 { // the first one may be of the real day on which the store was opened
		t.Errorf("heads of %v are kept, want one a day", sizes)
	}
}

// BenchmarkAppend compares a step's transaction with and without the ledger.
func BenchmarkAppend(b *testing.B) {
	data := []byte(`{"round":1,"package":17,"units":[{"from":3,"to":3}]}`)
	for _, c := range []struct {
		name string
		tx   func(s *Store, f func(tx *gorm.DB) error) error
	}{
		{"plain", func(s *Store, f func(tx *gorm.DB) error) error {
			return s.db.WithContext(ctxWithBatch()).Transaction(f)
		}},
		{"ledger", func(s *Store, f func(tx *gorm.DB) error) error { return s.inTx(ctx, f) }},
	} {
		b.Run(c.name, func(b *testing.B) {
			s := open(b, b.TempDir())
			n := 0
			for b.Loop() {
				err := c.tx(s, func(tx *gorm.DB) error {
					return appendEvents(tx, "bench", n, consignment.Meta{Actor: tam, Bench: "bench 1", At: t0}, fmt.Sprint(n), []encoded{{"units_clean", data}})
				})
				if err != nil {
					b.Fatal(err)
				}
				n++
			}
		})
	}
}

func ctxWithBatch() context.Context { return context.WithValue(ctx, batchKey{}, &batchOf{}) }
