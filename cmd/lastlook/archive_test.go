package main

import (
	"archive/zip"
	"bytes"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"lastlook/internal/demo"
	"lastlook/internal/export"
	"lastlook/internal/store"
)

// inside reads the files of an archive, in their order.
func inside(t *testing.T, name string) (names []string, files map[string][]byte) {
	t.Helper()
	z, err := zip.OpenReader(name)
	if err != nil {
		t.Fatal(err)
	}
	defer z.Close()
	files = map[string][]byte{}
	for _, f := range z.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		b, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		names = append(names, f.Name)
		files[f.Name] = b
	}
	return names, files
}

// packed writes files as a ZIP file.
func packed(t *testing.T, names []string, files map[string][]byte) string {
	t.Helper()
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	for _, n := range names {
		w, err := z.CreateHeader(&zip.FileHeader{Name: n, Method: zip.Store})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := w.Write(files[n]); err != nil {
			t.Fatal(err)
		}
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return file(t, "changed.zip", b.String())
}

func TestArchive(t *testing.T) {
	dir := demonstration(t)
	out := filepath.Join(t.TempDir(), "archive.zip")
	before := time.Now().AddDate(0, 0, 1).Format(time.DateOnly)
	args := []string{"archive", "--data", dir, "--before", before, "--invented", "-o"}
	status, said, errs := cli("", append(args, out)...)
	if status != exitDone || errs != "" || !strings.Contains(said, "Archived: 2 consignments closed before "+before) || !strings.Contains(said, "Nothing was deleted") {
		t.Fatalf("archive = %d\n%s%s", status, said, errs)
	}
	if info, err := os.Stat(out); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("archive: %v, %v, want mode 0600", info, err)
	}
	if left, _ := filepath.Glob(filepath.Join(filepath.Dir(out), "*")); len(left) != 1 {
		t.Errorf("beside the archive there is %q", left)
	}
	again := filepath.Join(t.TempDir(), "again.zip")
	if status, _, errs := cli("", append(args, again)...); status != exitDone || read(t, again) != read(t, out) {
		t.Errorf("archived again it is another file (%d, %q)", status, errs)
	}
	if status, _, errs := cli("", append(args, out)...); status != exitRefused || !strings.Contains(errs, "left as it is") {
		t.Errorf("archive over an archive = %d, %q", status, errs)
	}
	if st := look(t, dir); len(st.Warnings()) > 0 {
		t.Error(st.Warnings())
	} else {
		for _, number := range []string{demo.Passed, demo.Rejected} {
			if _, err := st.ByNumber(t.Context(), number); err != nil {
				t.Errorf("%s is gone from the data: %v", number, err)
			}
		}
	}

	status, said, errs = cli("", "archive", "--check", out)
	if status != exitDone || errs != "" || !strings.Contains(said, "Everything that can be checked holds") {
		t.Errorf("archive --check = %d\n%s%s", status, said, errs)
	}
	names, files := inside(t, out)
	bundles := 0
	for _, n := range names {
		if strings.HasPrefix(n, "bundles/") {
			bundles++
			// Taken out, each is a portable record by itself.
			if status, said, errs := cli("", "verify", file(t, "one.zip", string(files[n]))); status != exitDone {
				t.Errorf("verify %s = %d\n%s%s", n, status, said, errs)
			}
		}
	}
	if bundles != 2 {
		t.Fatalf("it holds %q", names)
	}
	// The next archive proves that it goes on from the head of this one.
	head := file(t, "head.txt", string(files["head.txt"]))
	next := filepath.Join(t.TempDir(), "next.zip")
	if status, _, errs := cli("", append(args, next, "--since", head)...); status != exitDone {
		t.Fatal(errs)
	}
	if status, said, errs := cli("", "archive", "--check", next, "--anchor", head); status != exitDone {
		t.Errorf("archive --check --anchor = %d\n%s%s", status, said, errs)
	}
}

func TestArchiveThatWasChanged(t *testing.T) {
	dir := demonstration(t)
	out := filepath.Join(t.TempDir(), "archive.zip")
	if status, _, errs := cli("", "archive", "--data", dir, "--before", "2099-01-01", "-o", out); status != exitDone {
		t.Fatal(errs)
	}
	// The same consignments of another site.
	stranger := filepath.Join(t.TempDir(), "stranger.zip")
	if status, _, errs := cli("", "archive", "--data", demonstration(t), "--before", "2099-01-01", "-o", stranger); status != exitDone {
		t.Fatal(errs)
	}
	_, theirs := inside(t, stranger)
	for _, tt := range []struct {
		name   string
		change func(names []string, files map[string][]byte) []string
		status int
		want   string
	}{
		{"nothing", func(n []string, _ map[string][]byte) []string { return n }, exitDone, "Everything"},
		{"a consignment taken out", func(n []string, _ map[string][]byte) []string { return append(n[:2:2], n[3:]...) }, exitRefused, "it was taken out"},
		{"a file added", func(n []string, f map[string][]byte) []string { f["bundles/x"] = nil; return append(n, "bundles/x") }, exitRefused, "it was added"},
		{"a file twice", func(n []string, _ map[string][]byte) []string { return append(n, n[2]) }, exitRefused, "is in it twice"},
		{"outcome in the index", func(n []string, f map[string][]byte) []string {
			f["index.json"] = bytes.Replace(f["index.json"], []byte(`"rejected"`), []byte(`"passed"`), 1)
			return n
		}, exitRefused, "what its record does not"},
		{"a byte of a step", func(n []string, f map[string][]byte) []string {
			b := bytes.Clone(f[n[2]])
			i := bytes.Index(b, []byte(demo.Tam))
			b[i] ^= 1
			f[n[2]] = b
			return n
		}, exitRefused, "one of them was changed"},
		{"the head of another site", func(n []string, f map[string][]byte) []string { f["head.txt"] = theirs["head.txt"]; return n }, exitRefused, "is under another head"},
		{"no head", func(n []string, f map[string][]byte) []string { f["head.txt"] = []byte("x"); return n }, exitRefused, "does not hold the head"},
		{"no index", func(n []string, _ map[string][]byte) []string { return n[:len(n)-1] }, exitUsage, "no “index.json”"},
		{"another format", func(n []string, f map[string][]byte) []string {
			f["index.json"] = []byte(`{"format":"x"}`)
			return n
		}, exitUsage, "no archive"},
		{"newer", func(n []string, f map[string][]byte) []string {
			f["index.json"] = bytes.Replace(f["index.json"], []byte(`"version": 1`), []byte(`"version": 2`), 1)
			return n
		}, exitUsage, "newer version"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			names, files := inside(t, out)
			names = tt.change(names, files)
			status, said, errs := cli("", "archive", "--check", packed(t, names, files))
			if status != tt.status || !strings.Contains(said+errs, tt.want) {
				t.Errorf("archive --check = %d\n%s%s\nwant %d and %q", status, said, errs, tt.status, tt.want)
			}
		})
	}
	whole := read(t, out)
	if status, _, errs := cli("", "archive", "--check", file(t, "cut.zip", whole[:len(whole)/2])); status != exitUsage || !strings.Contains(errs, "cut short") {
		t.Errorf("archive --check of half a file = %d, %q", status, errs)
	}
	if status, said, _ := cli("", "archive", "--check", out, "--anchor", file(t, "head", string(theirs["head.txt"]))); status != exitRefused || !strings.Contains(said, "DOES NOT HOLD") {
		t.Errorf("archive --check against the head of another site = %d\n%s", status, said)
	}
}

// What waits for an identification or an authority is not closed.
func TestArchiveLeavesWhatIsNotClosed(t *testing.T) {
	dir := demonstration(t)
	st, err := store.OpenReading(t.Context(), dir)
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	_, over, err := st.Due(t.Context(), -1)
	if err != nil {
		t.Fatal(err)
	}
	closed := map[string]bool{}
	waits := 0
	for _, c := range over {
		if c.Stage == "passed" || c.Stage == "rejected" {
			closed[c.Number] = true
		} else {
			waits++
		}
	}
	ix, waiting, err := export.Archive(t.Context(), st, time.Now().Add(time.Hour), export.Options{}, io.Discard)
	if err != nil || waiting != waits || len(ix.Items) != len(closed) {
		t.Errorf("Archive = %d items, %d waiting, %v, want %d and %d", len(ix.Items), waiting, err, len(closed), waits)
	}
	for _, item := range ix.Items {
		if !closed[item.Number] {
			t.Errorf("%s is archived, but not closed", item.Number)
		}
	}
	// The moment itself is not before.
	first := ix.Items[0].Ended
	if ix, _, err := export.Archive(t.Context(), st, first, export.Options{}, io.Discard); err != nil || len(ix.Items) != 0 {
		t.Errorf("before the first end: %d items, %v, want none", len(ix.Items), err)
	}
}

func TestArchiveArguments(t *testing.T) {
	dir := demonstration(t)
	for _, tt := range []struct {
		args   []string
		status int
		want   string
	}{
		{nil, exitUsage, "--before"},
		{[]string{"--before", "2026-01-31"}, exitUsage, "-o archive"},
		{[]string{"--before", "31.1.2026", "-o", "x.zip"}, exitUsage, "is not a date"},
		{[]string{"--before", "2026-02-30", "-o", "x.zip"}, exitUsage, "is not a date"},
		{[]string{"--before", "2026-01-31", "-o", "x.zip", "--key", "k"}, exitUsage, "go with --check"},
		{[]string{"--check", "a", "-o", "x.zip"}, exitUsage, "the file alone"},
		{[]string{"--check", filepath.Join(dir, "none")}, exitUsage, "cannot be read"},
		{[]string{"--before", "2001-01-31", "--data", dir, "-o", filepath.Join(dir, "x.zip")}, exitRefused, "nothing was written"},
		{[]string{"--before", "2026-01-31", "--data", filepath.Join(dir, "none"), "-o", filepath.Join(dir, "x.zip")}, exitRefused, "no data in"},
		{[]string{"--before", "2026-01-31", "--data", dir, "-o", filepath.Join(dir, "none", "x.zip")}, exitRefused, "cannot be written"},
		{[]string{"x"}, exitUsage, "only flags"},
	} {
		if status, out, errs := cli("", append([]string{"archive"}, tt.args...)...); status != tt.status || !strings.Contains(errs, tt.want) || out != "" {
			t.Errorf("archive %q = %d, %q, %q, want %d and %q", tt.args, status, out, errs, tt.status, tt.want)
		}
	}
	if left, _ := filepath.Glob(filepath.Join(dir, "*")); strings.Contains(fmt.Sprint(left), "x.zip") {
		t.Errorf("files were left: %q", left)
	}
}
