package store

import (
	"bufio"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"lastlook/internal/ledger"
)

// Variables that make the test binary write backups, or restore one, for ever.
// Their value is a folder that holds what is needed: data, backups, from.db.
const (
	backupEnv  = "LASTLOOK_TEST_BACKUP"
	restoreEnv = "LASTLOOK_TEST_RESTORE"
)

func init() {
	plays[backupEnv] = func(dir string) error {
		for {
			fmt.Println("begin")
			b, err := WriteBackup(ctx, filepath.Join(dir, "data"), Target{Path: filepath.Join(dir, "backups"), Keep: 3}, time.Now())
			if err != nil {
				return err
			}
			fmt.Println("done", b.Path)
		}
	}
	plays[restoreEnv] = func(dir string) error {
		for n := 0; ; n++ {
			to := filepath.Join(dir, "restored", fmt.Sprint(n))
			fmt.Println("begin", to)
			if _, err := RestoreBackup(ctx, Restore{From: filepath.Join(dir, "from.db"), Data: to}, time.Now()); err != nil {
				return err
			}
			fmt.Println("done", to)
		}
	}
}

// strike starts the test binary in a part, waits until it has begun a random number
// of times, and kills it within the given time from then. It gives the last line that
// began with "done", and the last of any kind.
func strike(t *testing.T, env, dir string, random *rand.Rand, within time.Duration) (done, last string) {
	t.Helper()
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(exe)
	cmd.Env = append(os.Environ(), env+"="+dir)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewScanner(out)
	read := func() bool {
		if !lines.Scan() {
			return false
		}
		last = lines.Text()
		if rest, ok := strings.CutPrefix(last, "done "); ok {
			done = rest
		}
		return true
	}
	for begun := 1 + random.IntN(3); begun > 0 && read(); {
		if strings.HasPrefix(last, "begin") {
			begun--
		}
	}
	if last == "" {
		t.Fatal("it never began")
	}
	time.Sleep(time.Duration(random.Int64N(int64(within))))
	if err := cmd.Process.Kill(); err != nil { // SIGKILL
		t.Fatal(err)
	}
	for read() {
	}
	cmd.Wait() // killed: the error is the point
	return done, last
}

// TestBackupKilledAtAnyMoment kills backups without warning: whatever has the
// name of a backup is a whole one, those before it are still there, and the data
// is as it was.
func TestBackupKilledAtAnyMoment(t *testing.T) {
	const kills = 40
	dir := t.TempDir()
	backups := filepath.Join(dir, "backups")
	for _, d := range []string{"data", "backups"} {
		if err := os.Mkdir(filepath.Join(dir, d), 0o700); err != nil {
			t.Fatal(err)
		}
	}
	s := open(t, filepath.Join(dir, "data"))
	inspect(t, s, register(t, s, order("K-1", 2)))
	want := sound(t, s)
	began := time.Now()
	first := backup(t, s, Target{Path: backups})
	took := time.Since(began)
	newest := first.Path
	random := rand.New(rand.NewPCG(7, 40))
	halves := 0
	for i := range kills {
		if done, _ := strike(t, backupEnv, dir, random, took+took/2); done != "" {
			newest = done
		}
		whole := 0
		for _, name := range names(t, backups) {
			path := filepath.Join(backups, name)
			if !backupName.MatchString(name) {
				if !strings.HasPrefix(name, halfName) {
					t.Fatalf("kill %d left %s", i, name)
				}
				if strings.HasSuffix(name, ".part") {
					halves++
				}
				os.Remove(path)
				continue
			}
			if v, err := Verify(ctx, path); err != nil || v.Head != want {
				t.Fatalf("kill %d: %s has the name of a backup, but: %v", i, name, err)
			}
			whole++
		}
		// A backup can be whole and its end not yet told when the blow falls, so
		// three newer ones may rightly have taken the place of the one last told of.
		newer := 0
		for _, name := range names(t, backups) {
			if backupName.MatchString(name) && name > filepath.Base(newest) {
				newer++
			}
		}
		if _, err := os.Stat(newest); err != nil && newer < 3 {
			t.Fatalf("kill %d: the newest finished backup is gone, with %d newer ones: %v", i, newer, err)
		}
		if whole == 0 {
			t.Fatalf("kill %d: no backup is there", i)
		}
	}
	// Blows between writing and taking away let old ones gather; one backup in peace clears them.
	backup(t, s, Target{Path: backups, Keep: 3})
	if left := names(t, backups); len(left) != 3 {
		t.Errorf("after a backup in peace %v are left, want 3", left)
	}
	sound(t, s)
	if halves == 0 {
		t.Error("no blow fell while a backup was written: the test shows nothing")
	}
	t.Logf("%d kills, %d of them in the middle of a backup; one takes %v here", kills, halves, took.Round(time.Millisecond))
}

// TestRestoreKilledAtAnyMoment kills restores without warning: a folder is
// there whole or not at all, the backup is as it was, and the same restore can be
// done again.
func TestRestoreKilledAtAnyMoment(t *testing.T) {
	const kills = 40
	dir := t.TempDir()
	s, _ := lived(t)
	b := backup(t, s, Target{Path: filepath.Join(dir, "from.db"), Keys: true})
	before, keys := mark(t, b.Path), mark(t, b.Keys)
	began := time.Now()
	restore(t, Restore{From: b.Path})
	took := time.Since(began)
	random := rand.New(rand.NewPCG(8, 40))
	cut := 0
	for i := range kills {
		done, last := strike(t, restoreEnv, dir, random, took+took/2)
		restored := filepath.Join(dir, "restored")
		for _, name := range names(t, restored) {
			if strings.HasSuffix(name, restoring) {
				cut++
				continue
			}
			folder := filepath.Join(restored, name)
			if v, err := Verify(ctx, filepath.Join(folder, File)); err != nil || v.Head != b.Head {
				t.Fatalf("kill %d: %s is there, but: %v", i, name, err)
			}
			if k, err := ledger.ReadKeys(filepath.Join(folder, KeyFile)); err != nil || k.Public() != b.keys {
				t.Fatalf("kill %d: %s is there without its keys: %v", i, name, err)
			}
			if _, err := os.Stat(filepath.Join(folder, RestoredFile)); err != nil {
				t.Fatalf("kill %d: %s does not tell that it was restored: %v", i, name, err)
			}
		}
		if done != "" {
			if _, err := os.Stat(done); err != nil {
				t.Fatalf("kill %d: a finished restore is gone: %v", i, err)
			}
		}
		if mark(t, b.Path) != before || mark(t, b.Keys) != keys {
			t.Fatalf("kill %d: the backup was changed", i)
		}
		if at, ok := strings.CutPrefix(last, "begin "); ok {
			if _, err := os.Stat(at); err != nil { // cut off before the end
				if _, err := RestoreBackup(ctx, Restore{From: b.Path, Data: at}, t0); err != nil {
					t.Fatalf("kill %d: the restore that was cut off cannot be done again: %v", i, err)
				}
			}
		}
		if left, err := filepath.Glob(filepath.Join(restored, "*"+restoring)); err != nil || len(left) > 0 {
			t.Fatalf("kill %d: %q are left (%v)", i, left, err)
		}
		if err := os.RemoveAll(restored); err != nil {
			t.Fatal(err)
		}
	}
	if cut == 0 {
		t.Error("no blow fell while a folder was made ready: the test shows nothing")
	}
	t.Logf("%d kills, %d of them in the middle of a restore; one takes %v here", kills, cut, took.Round(time.Millisecond))
}
