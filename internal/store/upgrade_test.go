package store

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"lastlook/internal/say"
)

// wentDown makes the tables of a folder those of an older version.
func wentDown(t *testing.T, s *Store, to int64) {
	t.Helper()
	p, err := s.migrator()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := p.DownTo(ctx, to); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}

func tablesOf(t *testing.T, dir string) int64 {
	t.Helper()
	s, err := connect(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	p, err := s.migrator()
	if err != nil {
		t.Fatal(err)
	}
	v, err := p.GetDBVersion(ctx)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func TestUpgradeKeepsACheckedCopy(t *testing.T) {
	s, dir := worked(t)
	newest, err := s.newestTables()
	if err != nil {
		t.Fatal(err)
	}
	if _, ok := s.Upgraded(); ok {
		t.Error("a new folder says that it was brought up to date")
	}
	head, err := s.Head(ctx)
	if err != nil {
		t.Fatal(err)
	}
	wentDown(t, s, 3)
	taken := filepath.Join(dir, "before-upgrade-3.db")
	if err := os.WriteFile(taken, []byte("somebody's"), 0o600); err != nil {
		t.Fatal(err)
	}
	s = open(t, dir)
	u, ok := s.Upgraded()
	if !ok || u.From != 3 || u.To != newest || u.Steps != head.Size || u.Copy != filepath.Join(dir, "before-upgrade-3-2.db") {
		t.Fatalf("Upgraded = %+v, %v", u, ok)
	}
	if b, err := os.ReadFile(taken); err != nil || string(b) != "somebody's" {
		t.Errorf("a file of that name was written over: %q, %v", b, err)
	}
	if v, err := Verify(ctx, u.Copy); err != nil || v.Tables != 3 || v.Steps != head.Size {
		t.Errorf("the copy: %+v, %v; want tables 3 and %d steps", v, err, head.Size)
	}
	if info, err := os.Stat(u.Copy); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the copy: %v, %v; want that only this account reads it", info.Mode(), err)
	}
	if got := sound(t, s); got.Size != head.Size {
		t.Errorf("after it %d steps, before %d", got.Size, head.Size)
	}
	s.Close()
	// It is done once, and can be gone back to.
	s = open(t, dir)
	if _, ok := s.Upgraded(); ok {
		t.Error("it is brought up to date a second time")
	}
	s.Close()
	if left, _ := filepath.Glob(filepath.Join(dir, halfName+"*")); len(left) > 0 {
		t.Errorf("left over: %v", left)
	}
	back := filepath.Join(t.TempDir(), "data")
	if _, err := RestoreBackup(ctx, Restore{From: u.Copy, Data: back, Keys: filepath.Join(dir, KeyFile), Was: dir}, t0); err != nil {
		t.Errorf("restoring the copy: %v", err)
	} else if got := sound(t, open(t, back)); got != head.Head {
		t.Errorf("restored: %+v, want %+v", got, head.Head)
	}
}

// A file from before the ledger has nothing to hash by, and is copied all the same.
func TestUpgradeFromBeforeTheLedger(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	inspect(t, s, register(t, s, order("K-1", 2)))
	s.Close()
	older(t, dir, 0)
	s = open(t, dir)
	u, ok := s.Upgraded()
	if !ok || u.From != 2 || filepath.Base(u.Copy) != "before-upgrade-2.db" {
		t.Fatalf("Upgraded = %+v, %v", u, ok)
	}
	if v, err := Verify(ctx, u.Copy); err != nil || v.Tables != 2 || v.Site != "" || v.Steps == 0 || v.Steps != sound(t, s).Size-1 {
		t.Errorf("the copy: %+v, %v", v, err)
	}
}

func TestUpgradeRefuses(t *testing.T) {
	for _, tt := range []struct {
		name string
		do   func(t *testing.T, dir string)
		want string
	}{
		{"no room", func(t *testing.T, dir string) {
			was := roomIn
			roomIn = func(string) (uint64, bool) { return 1 << 20, true }
			t.Cleanup(func() { roomIn = was })
		}, "not enough room"},
		{"changed from outside", func(t *testing.T, dir string) {
			s, err := connect(dir)
			if err != nil {
				t.Fatal(err)
			}
			defer s.Close()
			if _, err := s.sql.Exec("UPDATE events SET data = replace(data, 'Ida', 'Eda') WHERE stream = 'people'"); err != nil {
				t.Fatal(err)
			}
		}, "does not pass the check"},
		{"a folder that cannot be written", func(t *testing.T, dir string) {
			if os.Getuid() == 0 {
				t.Skip("root writes everywhere")
			}
			if err := os.Chmod(dir, 0o500); err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() { os.Chmod(dir, 0o700) })
		}, "cannot be written"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s, dir := worked(t)
			wentDown(t, s, 3)
			tt.do(t, dir)
			before, err := os.ReadFile(filepath.Join(dir, File))
			if err != nil {
				t.Fatal(err)
			}
			_, err = Open(ctx, dir)
			var r *say.Refusal
			if !errors.As(err, &r) || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("Open: %v, want %q", err, tt.want)
			}
			if after, err := os.ReadFile(filepath.Join(dir, File)); err != nil || !bytes.Equal(before, after) {
				t.Errorf("the data file was changed (%v)", err)
			}
			if v := tablesOf(t, dir); v != 3 {
				t.Errorf("tables %d, want 3", v)
			}
			if left, _ := filepath.Glob(filepath.Join(dir, "*before-upgrade*")); len(left) > 0 {
				t.Errorf("left over: %v", left)
			}
		})
	}
}
