package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"lastlook/internal/consignment"
	"lastlook/internal/ledger"
	"lastlook/internal/people"
	"lastlook/internal/say"
)

// lived makes a data folder with a history: people, pictures, a passed round, a
// fresh consignment.
func lived(t testing.TB) (*Store, string) {
	t.Helper()
	s := open(t, t.TempDir())
	for i := range 2 {
		if _, err := s.DoPeople(ctx, tam, "office", fmt.Sprint(i), people.Join{Name: fmt.Sprint("Person ", i), Roles: []string{people.Inspector}}); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := s.PutBlob(ctx, "image/png", []byte("a picture")); err != nil {
		t.Fatal(err)
	}
	code := register(t, s, order("K-1", 2))
	inspect(t, s, code)
	register(t, s, order("K-2", 2))
	return s, code
}

func backup(t testing.TB, s *Store, to Target) Backup {
	t.Helper()
	b, err := WriteBackup(ctx, s.dir, to, t0)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// names lists a folder; one that is not there has nothing in it.
func names(t testing.TB, dir string) []string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		t.Fatal(err)
	}
	out := []string{}
	for _, e := range entries {
		out = append(out, e.Name())
	}
	return out
}

// alter changes a data file that nobody has open, as somebody from outside could.
func alter(t testing.TB, path, query string) {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+path)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	if _, err := db.Exec(query); err != nil {
		t.Fatal(err)
	}
}

func TestBackup(t *testing.T) {
	s, _ := lived(t)
	head := sound(t, s)
	dir := t.TempDir()
	file := filepath.Join(dir, "mine.db")
	b := backup(t, s, Target{Path: file})
	if b.Path != file || b.Head != head || b.Steps != head.Size || b.Site != head.Site || b.Consignments != 2 || b.People != 2 || b.Pictures != 1 || b.Newest.Before(t0) || b.Keys != "" {
		t.Errorf("backup %+v of head %+v", b, head)
	}
	info, err := os.Stat(file)
	if err != nil || info.Mode().Perm() != 0o600 || info.Size() != b.Bytes {
		t.Errorf("file %v, %v, want mode 0600 and %d bytes", info, err, b.Bytes)
	}
	text, err := os.ReadFile(file)
	if err != nil || strings.Contains(string(text), "PRIVATE") {
		t.Errorf("the backup holds a secret key (%v)", err)
	}
	if got := names(t, dir); len(got) != 1 {
		t.Errorf("the folder holds %q, want the backup alone", got)
	}
	if v, err := Verify(ctx, file); err != nil || v != b.Verified {
		t.Errorf("Verify = %+v, %v, want %+v", v, err, b.Verified)
	}
	// The bench goes on.
	register(t, s, order("K-3", 2))
	sound(t, s)
}

func TestBackupInAFolder(t *testing.T) {
	s, _ := lived(t)
	dir := t.TempDir()
	a := backup(t, s, Target{Path: dir})
	// The number grows even if the clock went back.
	b, err := WriteBackup(ctx, s.dir, Target{Path: dir, Keys: true}, t0.Add(-400*24*time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	if got, want := filepath.Base(a.Path), "lastlook-000001-20261125T080000Z.db"; got != want {
		t.Errorf("first backup is called %s, want %s", got, want)
	}
	if got, want := filepath.Base(b.Path), "lastlook-000002-20251021T080000Z.db"; got != want {
		t.Errorf("second backup is called %s, want %s", got, want)
	}
	if all, err := listBackups(dir); err != nil || len(all) != 2 || all[0].path != b.Path {
		t.Errorf("listBackups = %v, %v, want the second first", all, err)
	}
	info, err := os.Stat(b.Keys)
	if err != nil || info.Mode().Perm() != 0o600 || b.Exposed || filepath.Base(b.Keys) != "lastlook-000002-20251021T080000Z.key" {
		t.Errorf("keys %q: %v, %v, want mode 0600 beside the backup", b.Keys, info, err)
	}
	keys, err := ledger.ReadKeys(b.Keys)
	site, serr := s.Site(ctx)
	if err != nil || serr != nil {
		t.Fatal(err, serr)
	}
	if now, _ := site.Now(); keys.Public() != now {
		t.Error("the keys beside the backup are not the site's")
	}
}

func TestBackupRefuses(t *testing.T) {
	s, _ := lived(t)
	dir := t.TempDir()
	taken := filepath.Join(dir, "taken.db")
	if err := os.WriteFile(taken, []byte("mine"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "other.key"), []byte("mine"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		name string
		data string
		to   Target
		code say.Code
		want string
	}{
		{"no data", filepath.Join(dir, "none"), Target{Path: dir}, say.NotFound, "There is no data in"},
		{"name taken", s.dir, Target{Path: taken}, say.Conflict, "left as it is"},
		{"name of the keys taken", s.dir, Target{Path: filepath.Join(dir, "other.db"), Keys: true}, say.Conflict, "other.key already"},
		{"file for a folder", s.dir, Target{Path: taken, Keep: 3}, say.Storage, "is no folder"},
		{"no such folder", s.dir, Target{Path: filepath.Join(dir, "usb"), Keep: 3}, say.NotFound, "There is no folder"},
		{"no such folder, by its slash", s.dir, Target{Path: filepath.Join(dir, "usb") + "/"}, say.NotFound, "There is no folder"},
		{"no folder for the file", s.dir, Target{Path: filepath.Join(dir, "usb", "x.db")}, say.NotFound, "There is no folder"},
		{"beside the data", s.dir, Target{Path: s.dir}, say.Invalid, "lost with it"},
		{"file beside the data", s.dir, Target{Path: filepath.Join(s.dir, "x.db")}, say.Invalid, "lost with it"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			before, beside := names(t, dir), names(t, s.dir)
			b, err := WriteBackup(ctx, tt.data, tt.to, t0)
			if say.CodeOf(err) != tt.code || !strings.Contains(err.Error(), tt.want) || b.Path != "" {
				t.Errorf("WriteBackup = %+v, %v, want %s and %q", b, err, tt.code, tt.want)
			}
			if got := names(t, dir); fmt.Sprint(got) != fmt.Sprint(before) {
				t.Errorf("the folder holds %q, want %q", got, before)
			}
			if got := names(t, s.dir); fmt.Sprint(got) != fmt.Sprint(beside) {
				t.Errorf("the data folder holds %q, want %q", got, beside)
			}
		})
	}
	if b, _ := os.ReadFile(taken); string(b) != "mine" {
		t.Error("a file was written over")
	}
}

func TestBackupToWhatCannotBeWritten(t *testing.T) {
	dir := t.TempDir()
	if runtime.GOOS == "linux" {
		dir = "/sys" // refuses even the system's own account
	} else if err := os.Chmod(dir, 0o500); err != nil {
		t.Fatal(err)
	}
	s, _ := lived(t)
	if _, err := WriteBackup(ctx, s.dir, Target{Path: dir}, t0); say.CodeOf(err) != say.Storage || !strings.Contains(err.Error(), "cannot be written") {
		t.Errorf("WriteBackup into %s: %v, want a refusal in words", dir, err)
	}
}

func TestBackupLooksForRoom(t *testing.T) {
	s, _ := lived(t)
	dir := t.TempDir()
	defer func() { roomIn = freeRoom }()
	roomIn = func(string) (uint64, bool) { return 20 << 20, true }
	if _, err := WriteBackup(ctx, s.dir, Target{Path: dir}, t0); say.CodeOf(err) != say.Storage || !strings.Contains(err.Error(), "20 MB are free, and 3") {
		t.Errorf("WriteBackup with little room: %v", err)
	}
	if got := names(t, dir); len(got) > 0 {
		t.Errorf("it left %q", got)
	}
	roomIn = func(string) (uint64, bool) { return 0, false }
	backup(t, s, Target{Path: dir})
}

func TestTroublesHaveWords(t *testing.T) {
	for _, tt := range []struct {
		err  error
		want string
	}{
		{&os.PathError{Err: syscall.ENOSPC}, "is full"},
		{&os.PathError{Err: syscall.EDQUOT}, "is full"},
		{&os.PathError{Err: syscall.EROFS}, "cannot be"},
		{&os.PathError{Err: syscall.EACCES}, "cannot be"},
		{&os.PathError{Err: syscall.EIO}, "does not answer properly"},
		{&os.PathError{Err: syscall.EFBIG}, "does not take the whole file"},
	} {
		for _, explained := range []error{explainTarget(tt.err, "D"), explainRestore(tt.err, "D")} {
			if say.CodeOf(explained) != say.Storage || !strings.Contains(explained.Error(), tt.want) || !errors.Is(explained, tt.err) {
				t.Errorf("%v is explained as %q, want %q", tt.err, explained, tt.want)
			}
		}
	}
	odd := errors.New("odd")
	if explainTarget(odd, "D") != odd || explainRestore(odd, "D") != odd || explainTarget(nil, "D") != nil {
		t.Error("what is not known is explained")
	}
}

func TestStoppedBackupLeavesNothing(t *testing.T) {
	s, _ := lived(t)
	dir := t.TempDir()
	stopped, stop := context.WithCancel(ctx)
	stop()
	if _, err := WriteBackup(stopped, s.dir, Target{Path: dir}, t0); !errors.Is(err, context.Canceled) {
		t.Errorf("WriteBackup when stopped: %v", err)
	}
	if got := names(t, dir); len(got) > 0 {
		t.Errorf("it left %q", got)
	}
}

func TestOldHalvesAreClearedAway(t *testing.T) {
	s, _ := lived(t)
	dir := t.TempDir()
	for name, age := range map[string]time.Duration{halfName + "OLD.part": 25 * time.Hour, halfName + "NEW.part": time.Hour, "notes.part": 90 * time.Hour} {
		p := filepath.Join(dir, name)
		if err := os.WriteFile(p, nil, 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.Chtimes(p, time.Time{}, t0.Add(-age)); err != nil {
			t.Fatal(err)
		}
	}
	b := backup(t, s, Target{Path: dir})
	want := []string{halfName + "NEW.part", filepath.Base(b.Path), "notes.part"}
	if got := names(t, dir); fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("the folder holds %q, want %q", got, want)
	}
}

// Each way of changing a data file is found, and the backups before it stay.
func TestVerifyFindsChanges(t *testing.T) {
	s, _ := lived(t)
	dir := t.TempDir()
	good := backup(t, s, Target{Path: dir})
	for _, tt := range []struct{ name, query, want string }{
		{"a step changed", "UPDATE events SET data = replace(data, 'Bracken', 'Brecken') WHERE seq = (SELECT MIN(seq) FROM events WHERE kind = 'registered')", "is not the one"},
		{"who did it changed", "UPDATE events SET actor = replace(actor, 'Tam', 'Tim') WHERE seq = 9", "step 9 is not the one"},
		{"a step gone", "DELETE FROM events WHERE seq = 6", "step 6 is missing"},
		{"the last step gone", "DELETE FROM events WHERE seq = (SELECT MAX(seq) FROM events)", "knows of more steps"},
		{"a step added", "INSERT INTO events SELECT seq + 1, 'people', 5, kind, at, actor, bench, data FROM events ORDER BY seq DESC LIMIT 1", "the ledger ends before"},
		{"a step of another history", "UPDATE events SET version = version + 1 WHERE seq = (SELECT MAX(seq) FROM events)", "has no step"},
		{"a hash changed", "UPDATE hashes SET hash = zeroblob(32) WHERE id = 11", "is not the one"},
		{"a hash gone", "DELETE FROM hashes WHERE id = 11", "is not the one"},
		{"heads gone", "DELETE FROM heads", "the newest signed head is of 0"},
		{"head of fewer steps", "UPDATE heads SET size = size - 1", "signed over another history"},
		{"signature changed", "UPDATE heads SET note = substr(note, 1, length(note) - 6) || 'AAAA=' || char(10)", "is not signed by the site"},
		{"a picture changed", "UPDATE blobs SET bytes = x'00'", "the picture"},
		{"a line of the list changed", "UPDATE consignments SET stage = 'passed' WHERE number = 'K-2'", "the list of consignments"},
		{"a line of the list gone", "DELETE FROM consignments WHERE number = 'K-2'", "the list of consignments"},
		{"a find changed", "UPDATE finds SET units = 77", "the list of finds"},
		{"a find of nobody", "INSERT INTO finds SELECT 'ZZZZ', round, find, package, unit, crop, batch, bay, part, what, entry, units, rung, at FROM finds LIMIT 1", "the list of finds"},
		{"people changed", "UPDATE people SET name = 'Wilo Pasch'", "the list of people"},
		{"newer tables", "INSERT INTO goose_db_version (version_id, is_applied) VALUES (9999, 1)", "is of a newer version of Lastlook"},
		{"no tables", "DROP TABLE events", "no data file of Lastlook"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			data := t.TempDir()
			file := filepath.Join(data, File)
			copyFile(t, good.Path, file)
			alter(t, file, tt.query)
			if _, err := Verify(ctx, file); say.CodeOf(err) != say.Storage || !strings.Contains(err.Error(), tt.want) || !strings.Contains(err.Error(), file) {
				t.Errorf("Verify: %v, want %q of %s", err, tt.want, file)
			}
			b, err := WriteBackup(ctx, data, Target{Path: dir, Keep: 1}, t0)
			if say.CodeOf(err) != say.Storage || !strings.Contains(err.Error(), "No backup was made") || b.Path != "" {
				t.Errorf("WriteBackup = %+v, %v, want a refusal", b, err)
			}
			if got := names(t, dir); len(got) != 1 || got[0] != filepath.Base(good.Path) {
				t.Errorf("the folder holds %q, want the good backup", got)
			}
		})
	}
}

func TestVerifyRefusesWhatIsNoDataFile(t *testing.T) {
	s, _ := lived(t)
	good := backup(t, s, Target{Path: t.TempDir()})
	whole, err := os.ReadFile(good.Path)
	if err != nil {
		t.Fatal(err)
	}
	bent := append([]byte(nil), whole...)
	for i := len(bent) / 3; i < len(bent)/3+5000; i++ {
		bent[i] ^= 0xa5
	}
	dir := t.TempDir()
	for name, b := range map[string][]byte{
		"empty": nil, "text": []byte("this is no database, but it is long enough to look at"),
		"cut short": whole[:len(whole)/2], "cut by a page": whole[:len(whole)-4096], "bent": bent,
	} {
		p := filepath.Join(dir, name)
		if err := os.WriteFile(p, b, 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := Verify(ctx, p); say.CodeOf(err) != say.Storage || !strings.Contains(err.Error(), "does not pass the check") {
			t.Errorf("%s: %v, want a refusal in words", name, err)
		}
	}
	if _, err := Verify(ctx, filepath.Join(dir, "none")); say.CodeOf(err) != say.NotFound {
		t.Errorf("no file: %v", err)
	}
	if _, err := Verify(ctx, dir); say.CodeOf(err) != say.Storage {
		t.Errorf("a folder: %v", err)
	}
	if err := os.Chmod(good.Path, 0o400); err != nil {
		t.Fatal(err)
	}
	if _, err := Verify(ctx, good.Path); err != nil {
		t.Errorf("a file that cannot be written: %v", err)
	}
	if got := names(t, filepath.Dir(good.Path)); len(got) != 1 {
		t.Errorf("looking made files: %q", got)
	}
}

func TestOldBackupsGo(t *testing.T) {
	s, _ := lived(t)
	other, _ := lived(t)
	dir := t.TempDir()
	foreign := []string{"accounts.db", "lastlook-000001.db", "lastlook-1-20200101T000000Z.db", "lastlook-000001-20200101T000000Z.db.bak", "notes.txt"}
	for _, name := range foreign {
		if err := os.WriteFile(filepath.Join(dir, name), []byte("foreign"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	another := backup(t, other, Target{Path: dir})       // 000001 of another site
	first := backup(t, s, Target{Path: dir, Keys: true}) // 000002
	second := backup(t, s, Target{Path: dir})            // 000003
	if err := os.Symlink(first.Path, filepath.Join(dir, "lastlook-000000-20200101T000000Z.db")); err != nil {
		t.Fatal(err)
	}
	third := backup(t, s, Target{Path: dir, Keep: 2})
	if len(third.Removed) != 1 || third.Removed[0] != first.Path || len(third.Doubtful) > 0 {
		t.Errorf("removed %q (doubtful %q), want %q", third.Removed, third.Doubtful, first.Path)
	}
	for _, gone := range []string{first.Path, first.Keys} {
		if _, err := os.Stat(gone); !errors.Is(err, os.ErrNotExist) {
			t.Errorf("%s is still there (%v)", gone, err)
		}
	}
	kept := append([]string{filepath.Base(another.Path), filepath.Base(second.Path), filepath.Base(third.Path), "lastlook-000000-20200101T000000Z.db"}, foreign...)
	for _, name := range kept {
		if _, err := os.Lstat(filepath.Join(dir, name)); err != nil {
			t.Errorf("%s was taken away: %v", name, err)
		}
	}
	// One that no longer passes does not count, is not taken away, and is told.
	alter(t, third.Path, "UPDATE events SET data = '{}' WHERE seq = 4")
	fourth := backup(t, s, Target{Path: dir, Keep: 2})
	if len(fourth.Removed) > 0 || len(fourth.Doubtful) != 1 || fourth.Doubtful[0] != third.Path {
		t.Errorf("removed %q, doubtful %q, want none and %q", fourth.Removed, fourth.Doubtful, third.Path)
	}
	if _, err := Verify(ctx, second.Path); err != nil {
		t.Errorf("the good old one: %v", err)
	}
}

// With everything else damaged, the only good backup stays.
func TestOnlyGoodBackupStays(t *testing.T) {
	s, _ := lived(t)
	dir := t.TempDir()
	good := backup(t, s, Target{Path: dir})
	for range 3 {
		b := backup(t, s, Target{Path: dir})
		if err := os.WriteFile(b.Path, []byte("the disk ate it"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	site, _ := s.Site(ctx)
	removed, doubtful, err := prune(ctx, dir, 1, site.Name)
	if err != nil || len(removed) > 0 || len(doubtful) != 3 {
		t.Errorf("prune = %q, %q, %v, want nothing taken away and three told", removed, doubtful, err)
	}
	if _, err := Verify(ctx, good.Path); err != nil {
		t.Error(err)
	}
}

// Backups while several benches append: each is whole, and is the beginning of
// the history.
func TestBackupUnderLoad(t *testing.T) {
	s, _ := lived(t)
	dir := t.TempDir()
	done := make(chan struct{})
	var wg sync.WaitGroup
	errs := make([]error, 3)
	for i := range errs {
		wg.Go(func() {
			for n := 0; ; n++ {
				select {
				case <-done:
					return
				default:
				}
				_, err := s.Register(ctx, tam, "office", []consignment.Registered{order(fmt.Sprintf("L-%d-%d", i, n), 2)}, nil)
				if err != nil {
					errs[i] = err
					return
				}
			}
		})
	}
	var backups []Backup
	for range 6 {
		backups = append(backups, backup(t, s, Target{Path: dir}))
	}
	close(done)
	wg.Wait()
	if err := errors.Join(errs...); err != nil {
		t.Fatal(err)
	}
	now := sound(t, s)
	grew := 0
	for i, b := range backups {
		if _, err := Verify(ctx, b.Path); err != nil {
			t.Fatal(err)
		}
		head, proof, err := s.Growth(ctx, b.Steps)
		if err != nil {
			t.Fatal(err)
		}
		if err := ledger.CheckGrowth(proof, b.Head, head.Head); err != nil {
			t.Errorf("backup %d, of %d steps, is not the beginning of the history: %v", i, b.Steps, err)
		}
		if i > 0 && b.Steps > backups[i-1].Steps {
			grew++
		}
	}
	if grew == 0 {
		t.Errorf("nothing was appended between the backups: there was no load")
	}
	t.Logf("backups of %d to %d steps, %d at the end", backups[0].Steps, backups[len(backups)-1].Steps, now.Size)
}
