package store

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// fullEnv makes the test binary back up to, and restore to, a disk that fills.
// It runs in a mount namespace of its own.
const fullEnv = "LASTLOOK_TEST_FULL"

func init() {
	plays[fullEnv] = func(dir string) error {
		disk := filepath.Join(dir, "disk")
		if err := syscall.Mount("none", disk, "tmpfs", 0, "size=64k"); err != nil {
			return fmt.Errorf("no disk: %w", err)
		}
		roomIn = func(string) (uint64, bool) { return 0, false } // it is not looked at beforehand
		_, err := WriteBackup(ctx, filepath.Join(dir, "data"), Target{Path: disk}, t0)
		fmt.Println("backup:", err)
		_, err = RestoreBackup(ctx, Restore{From: filepath.Join(dir, "from.db"), Data: filepath.Join(disk, "data")}, t0)
		fmt.Println("restore:", err)
		entries, err := os.ReadDir(disk)
		fmt.Println("left:", len(entries), err)
		return nil
	}
}

func TestDiskThatFills(t *testing.T) {
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	for _, d := range []string{"data", "disk"} {
		if err := os.Mkdir(filepath.Join(dir, d), 0o700); err != nil {
			t.Fatal(err)
		}
	}
	s := open(t, filepath.Join(dir, "data"))
	inspect(t, s, register(t, s, order("K-1", 2)))
	b := backup(t, s, Target{Path: filepath.Join(dir, "from.db")})
	cmd := exec.Command(exe)
	cmd.Env = append(os.Environ(), fullEnv+"="+dir)
	cmd.SysProcAttr = &syscall.SysProcAttr{
		Cloneflags:  syscall.CLONE_NEWUSER | syscall.CLONE_NEWNS,
		UidMappings: []syscall.SysProcIDMap{{HostID: os.Getuid(), Size: 1}},
		GidMappings: []syscall.SysProcIDMap{{HostID: os.Getgid(), Size: 1}},
	}
	out, err := cmd.CombinedOutput()
	if err != nil && (strings.Contains(err.Error(), "operation not permitted") || strings.Contains(string(out), "no disk")) {
		t.Skipf("this machine lends no small disk to fill: %v %s", err, out)
	}
	for _, want := range []string{
		"backup: The disk of " + filepath.Join(dir, "disk") + " is full: no backup was made",
		"restore: The disk of ", "is full: nothing was restored", "left: 0 <nil>",
	} {
		if !strings.Contains(string(out), want) {
			t.Errorf("on a disk that fills it says %q (%v), without %q", out, err, want)
		}
	}
	sound(t, s)
	if _, err := Verify(ctx, b.Path); err != nil {
		t.Error(err)
	}
}
