package main

import (
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"lastlook/internal/demo"
	"lastlook/internal/store"
)

// morning is a data folder with a morning's work.
func morning(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	st, err := store.Open(context.Background(), dir)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := demo.Fill(context.Background(), st, time.Now()); err != nil {
		t.Fatal(err)
	}
	if err := st.Close(); err != nil {
		t.Fatal(err)
	}
	return dir
}

func TestAudit(t *testing.T) {
	dir := morning(t)
	note := filepath.Join(dir, store.NoteFile)
	status, out, errs := cli("", "audit", "--data", dir, "--head", note)
	if status != exitDone || errs != "" {
		t.Fatalf("audit = %d\n%s%s", status, out, errs)
	}
	for _, want := range []string{"site lastlook-", "newest signed head: ", "5 draws", "Everything agrees"} {
		if !strings.Contains(out, want) {
			t.Errorf("audit says\n%swant it to speak of %q", out, want)
		}
	}
	status, out, errs = cli("", "audit", "--data", dir, "--json")
	var report struct {
		Agrees      bool
		Fingerprint string
		Steps       int
		Draws       int
		Head        struct{ Size int }
		Notes       []string
		Findings    []struct{ Where, What string }
	}
	if err := json.Unmarshal([]byte(out), &report); err != nil || status != exitDone {
		t.Fatalf("audit --json = %d, %v\n%s%s", status, err, out, errs)
	}
	if !report.Agrees || report.Steps < 20 || report.Steps != report.Head.Size || report.Draws != 5 || len(report.Fingerprint) < 20 || report.Findings == nil || report.Notes == nil {
		t.Errorf("report %+v", report)
	}

	// A head of a history that this is not.
	other := morning(t)
	status, out, _ = cli("", "audit", "--data", dir, "--head", filepath.Join(other, store.NoteFile))
	if status != exitRefused || !strings.Contains(out, "WRONG  head in ") || strings.Contains(out, "Everything agrees") {
		t.Errorf("audit with another site's head = %d\n%s", status, out)
	}
	status, out, _ = cli("", "audit", "--data", dir, "--json", "--head", filepath.Join(other, store.NoteFile))
	if err := json.Unmarshal([]byte(out), &report); err != nil || status != exitRefused || report.Agrees || len(report.Findings) != 1 || !strings.Contains(report.Findings[0].What, "cannot be checked") {
		t.Errorf("audit --json with another site's head = %d, %v\n%s", status, err, out)
	}
}

func TestAuditThatCannotBeDone(t *testing.T) {
	dir := morning(t)
	rubbish := file(t, "rubbish", "this is no mark")
	damaged := t.TempDir()
	if err := os.WriteFile(filepath.Join(damaged, store.File), []byte(strings.Repeat("no pages here ", 500)), 0o600); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		args []string
		says string
	}{
		"no data":        {[]string{"--data", filepath.Join(dir, "nowhere")}, "There is no data in"},
		"damaged data":   {[]string{"--data", damaged}, "damaged"},
		"no head file":   {[]string{"--data", dir, "--head", filepath.Join(dir, "nothing")}, "cannot be read"},
		"a mark is none": {[]string{"--data", dir, "--resume", rubbish}, "name another file for --resume"},
		"a plain word":   {[]string{"--data", dir, "please"}, "audit takes only flags"},
		"unknown flag":   {[]string{"--data", dir, "--quick"}, "quick"},
	} {
		status, out, errs := cli("", append([]string{"audit"}, c.args...)...)
		if status != exitUsage || !strings.Contains(errs, c.says) || strings.Contains(out, "agrees") {
			t.Errorf("%s: audit = %d, want 2 and %q\n%s%s", name, status, c.says, out, errs)
		}
	}
}

func TestAuditResumed(t *testing.T) {
	dir := morning(t)
	mark := filepath.Join(t.TempDir(), "mark")
	st, err := store.OpenReading(context.Background(), dir)
	if err != nil {
		t.Fatal(err)
	}
	var b []byte
	_, err = st.Audit(context.Background(), store.AuditOptions{Progress: func(m *store.AuditMark, done, total int64) {
		if b == nil {
			b, _ = json.Marshal(m)
		}
	}})
	st.Close()
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(mark, b, 0o600); err != nil {
		t.Fatal(err)
	}
	status, out, errs := cli("", "audit", "--data", dir, "--resume", mark)
	if status != exitDone || !strings.Contains(out, "of them in an earlier run") {
		t.Errorf("audit --resume = %d\n%s%s", status, out, errs)
	}
	if _, err := os.Stat(mark); !os.IsNotExist(err) {
		t.Errorf("the mark is still there after the audit was done: %v", err)
	}
	if status, out, _ := cli("", "audit", "--data", dir, "--resume", mark); status != exitDone || strings.Contains(out, "earlier run") {
		t.Errorf("audit from the beginning = %d\n%s", status, out)
	}
}

func TestAuditWritesNothing(t *testing.T) {
	dir := morning(t)
	names := func() (list []string) {
		es, err := os.ReadDir(dir)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range es {
			if info, err := e.Info(); err == nil && !strings.HasSuffix(e.Name(), "-shm") && !strings.HasSuffix(e.Name(), "-wal") {
				list = append(list, e.Name()+info.ModTime().String())
			}
		}
		return list
	}
	before := strings.Join(names(), "\n")
	if status, out, errs := cli("", "audit", "--data", dir); status != exitDone {
		t.Fatalf("audit = %d\n%s%s", status, out, errs)
	}
	if after := strings.Join(names(), "\n"); after != before {
		t.Errorf("the folder holds\n%s\nwant\n%s", after, before)
	}
}
