package store

import (
	"crypto/sha256"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"lastlook/internal/people"
	"lastlook/internal/say"
)

// restore restores a backup into a new folder.
func restore(t testing.TB, r Restore) (Restored, string) {
	t.Helper()
	if r.Data == "" {
		r.Data = filepath.Join(t.TempDir(), "data")
	}
	done, err := RestoreBackup(ctx, r, t0.Add(time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	return done, r.Data
}

func mark(t testing.TB, path string) [sha256.Size]byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return sha256.Sum256(b)
}

func TestRestore(t *testing.T) {
	s, code := lived(t)
	want, err := s.Consignment(ctx, code)
	if err != nil {
		t.Fatal(err)
	}
	head := sound(t, s)
	b := backup(t, s, Target{Path: filepath.Join(t.TempDir(), "b.db"), Keys: true})
	before := mark(t, b.Path)

	data := filepath.Join(t.TempDir(), "not", "there", "yet")
	done, _ := restore(t, Restore{From: b.Path, Data: data})
	if done.Head != head || !done.Keys || done.Back {
		t.Errorf("restored %+v, want the head %+v and the keys", done, head)
	}
	if mark(t, b.Path) != before {
		t.Error("the backup was changed")
	}
	for _, name := range []string{File, KeyFile, RestoredFile} {
		if info, err := os.Stat(filepath.Join(data, name)); err != nil || info.Mode().Perm() != 0o600 {
			t.Errorf("%s: %v, %v, want mode 0600", name, info, err)
		}
	}
	if got := names(t, filepath.Dir(data)); len(got) != 1 {
		t.Errorf("beside the folder there is %q", got)
	}
	r := open(t, data)
	if got, err := r.Consignment(ctx, code); err != nil || !reflect.DeepEqual(got.History, want.History) {
		t.Errorf("the history is another one (%v)", err)
	}
	if sound(t, r) != head {
		t.Error("the head is another one")
	}
	inspect(t, r, register(t, r, order("K-9", 2)))
	sound(t, r)
}

func TestRestoreIntoAnEmptyFolder(t *testing.T) {
	s, _ := lived(t)
	b := backup(t, s, Target{Path: t.TempDir(), Keys: true})
	data := t.TempDir()
	restore(t, Restore{From: b.Path, Data: data})
	open(t, data)
}

func TestRestoreWithoutKeys(t *testing.T) {
	s, _ := lived(t)
	b := backup(t, s, Target{Path: t.TempDir()})
	done, data := restore(t, Restore{From: b.Path})
	if done.Keys {
		t.Error("it says that there are keys")
	}
	if _, err := Open(ctx, data); say.CodeOf(err) != say.Storage || !strings.Contains(err.Error(), "site.key is missing") {
		t.Errorf("Open without keys: %v", err)
	}
	copyFile(t, filepath.Join(s.dir, KeyFile), filepath.Join(data, KeyFile))
	open(t, data)

	// A key file from a memory stick is readable by everybody there, not here.
	loose := filepath.Join(t.TempDir(), "stick.key")
	copyFile(t, filepath.Join(s.dir, KeyFile), loose)
	if err := os.Chmod(loose, 0o644); err != nil {
		t.Fatal(err)
	}
	_, data = restore(t, Restore{From: b.Path, Keys: loose})
	open(t, data)
}

func TestRestoreWhenKeysAreLost(t *testing.T) {
	s, code := lived(t)
	if _, err := s.DoPeople(ctx, tam, "office", "", people.Join{Name: "Ida Fenn", Roles: []string{people.Supervisor}}); err != nil {
		t.Fatal(err)
	}
	b := backup(t, s, Target{Path: t.TempDir()})
	was, _ := s.Site(ctx)
	done, data := restore(t, Restore{From: b.Path, LostKeys: "the computer burnt", By: "Ida Fenn"})
	if !done.Keys {
		t.Error("it says that there are no keys")
	}
	r := open(t, data)
	site, err := r.Site(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if len(site.Terms) != 2 || !site.Terms[1].Lost || site.Name != was.Name || site.Terms[1].Public == was.Terms[0].Public {
		t.Errorf("the record has the keys %+v, want new ones that the lost ones did not sign for", site.Terms)
	}
	if h := sound(t, r); h.Size != b.Steps+1 {
		t.Errorf("%d steps, want %d", h.Size, b.Steps+1)
	}
	p, err := r.Proof(ctx, b.Steps+1)
	if err != nil || !strings.Contains(p.Entry.Actor, "Ida Fenn") || !strings.Contains(p.Entry.Data, "the computer burnt") {
		t.Errorf("step %d is %+v, %v, want who and why", b.Steps+1, p.Entry, err)
	}
	inspect(t, r, register(t, r, order("K-9", 2)))
	if _, err := r.Consignment(ctx, code); err != nil {
		t.Error(err)
	}
	// Backups go on under the new keys.
	backup(t, r, Target{Path: t.TempDir(), Keys: true})
}

func TestRestoreRefuses(t *testing.T) {
	s, _ := lived(t)
	dir := t.TempDir()
	good := backup(t, s, Target{Path: dir}).Path
	stranger, _ := lived(t)
	variant := func(name, query string) string {
		p := filepath.Join(dir, name)
		copyFile(t, good, p)
		alter(t, p, query)
		return p
	}
	cut := filepath.Join(dir, "cut.db")
	copyFile(t, good, cut)
	if err := os.Truncate(cut, 40000); err != nil {
		t.Fatal(err)
	}
	full := t.TempDir()
	if err := os.WriteFile(filepath.Join(full, "photo.jpg"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		name string
		r    Restore
		code say.Code
		want string
	}{
		{"no backup", Restore{From: filepath.Join(dir, "none.db")}, say.NotFound, "There is no backup"},
		{"a folder", Restore{From: dir}, say.Invalid, "the newest is " + good},
		{"a folder without any", Restore{From: full}, say.Invalid, "no backups in it"},
		{"a data file at work", Restore{From: filepath.Join(s.dir, File)}, say.Invalid, "at work"},
		{"cut short", Restore{From: cut}, say.Storage, "cut.db does not pass the check"},
		{"a step changed", Restore{From: variant("changed.db", "UPDATE events SET bench = 'bench 9' WHERE seq = 5")}, say.Storage, "step 5 is not the one"},
		{"newer", Restore{From: variant("newer.db", "INSERT INTO goose_db_version (version_id, is_applied) VALUES (9999, 1)")}, say.Storage, "newer.db is of a newer version"},
		{"something else", Restore{From: filepath.Join(s.dir, KeyFile)}, say.Storage, "no data file of Lastlook"},
		{"not empty", Restore{From: good, Data: full}, say.Conflict, "is not empty"},
		{"over the data", Restore{From: good, Data: s.dir}, say.Conflict, "is not empty"},
		{"a file", Restore{From: good, Data: good}, say.Invalid, "is a file"},
		{"no key file", Restore{From: good, Keys: filepath.Join(dir, "none.key")}, say.NotFound, "no key file"},
		{"keys of another site", Restore{From: good, Keys: filepath.Join(stranger.dir, KeyFile)}, say.Storage, "not the one of this backup"},
		{"no keys", Restore{From: good, Keys: good}, say.Storage, "is no key file"},
		{"no note in the folder before", Restore{From: good, Was: full}, say.NotFound, "cannot be told"},
		{"no fingerprint", Restore{From: good, Printed: "1234"}, say.Invalid, "not the fingerprint"},
		{"mistyped fingerprint", Restore{From: good, Printed: "AAAA BBBB CCCC DDDD 11"}, say.Invalid, "Look at the print again"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			fresh := tt.r.Data == ""
			if fresh {
				tt.r.Data = filepath.Join(t.TempDir(), "data")
			}
			_, err := RestoreBackup(ctx, tt.r, t0)
			if say.CodeOf(err) != tt.code || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("RestoreBackup: %v, want %s and %q", err, tt.code, tt.want)
			}
			if fresh {
				if got := names(t, filepath.Dir(tt.r.Data)); len(got) > 0 {
					t.Errorf("it left %q", got)
				}
			}
		})
	}
	sound(t, s)
}

func TestRestoreFromBeforeTheLedger(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	code := register(t, s, order("K-1", 2))
	inspect(t, s, code)
	older(t, dir, 0)
	b, err := WriteBackup(ctx, dir, Target{Path: t.TempDir()}, t0)
	if err != nil || b.Site != "" || b.Head.Size != 0 || b.Steps == 0 {
		t.Fatalf("backup of older tables: %+v, %v", b, err)
	}
	if _, err := RestoreBackup(ctx, Restore{From: b.Path, Data: filepath.Join(t.TempDir(), "d"), LostKeys: "x"}, t0); say.CodeOf(err) != say.Invalid {
		t.Errorf("lost keys where there were none: %v", err)
	}
	_, data := restore(t, Restore{From: b.Path})
	r := open(t, data)
	sound(t, r)
	if _, err := r.Consignment(ctx, code); err != nil {
		t.Error(err)
	}
}

// warned opens a data folder and gives what it warns of.
func warned(t *testing.T, dir string) []string {
	t.Helper()
	s := open(t, dir)
	defer s.Close()
	out := []string{}
	for _, w := range s.Warnings() {
		out = append(out, w.String())
	}
	return out
}

// A backup is taken, work goes on, the backup is restored: the next start says
// what is known of the loss.
func TestLossIsSaid(t *testing.T) {
	s, _ := lived(t)
	dir := t.TempDir()
	early := sound(t, s)
	b := backup(t, s, Target{Path: dir, Keys: true})
	code := register(t, s, order("K-5", 2))
	inspect(t, s, code)
	late := sound(t, s)
	complete := backup(t, s, Target{Path: dir, Keys: true})
	s.Close() // the newest head is noted

	t.Run("nothing known", func(t *testing.T) {
		_, data := restore(t, Restore{From: b.Path})
		for range 2 { // it is said again at each start
			w := warned(t, data)
			if len(w) != 1 || !strings.Contains(w[0], fmt.Sprintf("was restored on 2026-11-25 09:00 UTC from the backup %s, which ends with step %d", filepath.Base(b.Path), early.Size)) ||
				!strings.Contains(w[0], "Compare with the newest head that was printed.") {
				t.Fatalf("warnings %q", w)
			}
		}
		if err := os.Remove(filepath.Join(data, RestoredFile)); err != nil {
			t.Fatal(err)
		}
		if w := warned(t, data); len(w) > 0 {
			t.Errorf("settled, but still %q", w)
		}
	})
	t.Run("printed head that is lost", func(t *testing.T) {
		typed := strings.ToLower(strings.ReplaceAll(late.Fingerprint(), " ", ""))
		done, data := restore(t, Restore{From: b.Path, Printed: typed})
		if done.PrintedAt != 0 {
			t.Errorf("the lost head is at step %d", done.PrintedAt)
		}
		if w := warned(t, data); len(w) != 1 || !strings.Contains(w[0], "The record went back: the printed head "+late.Fingerprint()+" is not in it") {
			t.Errorf("warnings %q", w)
		}
	})
	t.Run("printed head that stands", func(t *testing.T) {
		done, data := restore(t, Restore{From: complete.Path, Printed: early.Fingerprint()})
		if done.PrintedAt != early.Size {
			t.Errorf("the printed head is at step %d, want %d", done.PrintedAt, early.Size)
		}
		if w := warned(t, data); len(w) != 1 || !strings.Contains(w[0], fmt.Sprintf("is in it, at step %d", early.Size)) || strings.Contains(w[0], "went back") {
			t.Errorf("warnings %q", w)
		}
	})
	t.Run("folder before, steps lost", func(t *testing.T) {
		done, data := restore(t, Restore{From: b.Path, Was: s.dir})
		if !done.Back || done.Noted != late {
			t.Errorf("restored %+v, want that it went back from %+v", done, late)
		}
		if w := warned(t, data); len(w) != 1 || !strings.Contains(w[0], fmt.Sprintf("went back: it once had %d steps", late.Size)) {
			t.Errorf("warnings %q", w)
		}
		r := open(t, data)
		if site, err := r.Site(ctx); err != nil || len(site.Backs) != 1 {
			t.Errorf("the record does not say that it went back: %+v, %v", site, err)
		}
	})
	t.Run("folder before, nothing lost", func(t *testing.T) {
		done, data := restore(t, Restore{From: complete.Path, Was: s.dir})
		if done.Back {
			t.Error("it says that steps are lost")
		}
		if w := warned(t, data); len(w) > 0 {
			t.Errorf("warnings %q, want none", w)
		}
	})
	t.Run("folder before, keys lost as well", func(t *testing.T) {
		done, data := restore(t, Restore{From: b.Path, Was: s.dir, LostKeys: "stolen with the computer"})
		if !done.Back {
			t.Error("it does not say that steps are lost")
		}
		if w := warned(t, data); len(w) != 1 || !strings.Contains(w[0], "went back") {
			t.Errorf("warnings %q", w)
		}
		sound(t, open(t, data))
	})
}

func TestCutOffRestoreIsClearedAway(t *testing.T) {
	s, _ := lived(t)
	b := backup(t, s, Target{Path: t.TempDir(), Keys: true})
	data := filepath.Join(t.TempDir(), "data")
	work := data + restoring
	if err := os.Mkdir(work, 0o700); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{File, KeyFile, "photo.jpg"} {
		if err := os.WriteFile(filepath.Join(work, name), []byte("half"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := RestoreBackup(ctx, Restore{From: b.Path, Data: data}, t0); say.CodeOf(err) != say.Conflict || !strings.Contains(err.Error(), "photo.jpg") {
		t.Errorf("RestoreBackup with a foreign file in the way: %v", err)
	}
	if got := names(t, work); len(got) != 3 {
		t.Errorf("files were taken away: %q are left", got)
	}
	if err := os.Remove(filepath.Join(work, "photo.jpg")); err != nil {
		t.Fatal(err)
	}
	restore(t, Restore{From: b.Path, Data: data})
	open(t, data)
}
