package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"lastlook/internal/ledger"
	"lastlook/internal/store"
)

func TestKeysRefuse(t *testing.T) {
	dir := stocked(t)
	for _, tt := range []struct {
		name   string
		args   []string
		status int
		want   string
	}{
		{"no data", []string{"--data", filepath.Join(t.TempDir(), "none")}, exitRefused, "There is no data in"},
		{"another word", []string{"turn", "--data", dir}, exitUsage, `"change" or nothing`},
		{"a reason without change", []string{"--reason", "x", "--data", dir}, exitUsage, "belong to lastlook keys change"},
		{"no reason", []string{"change", "--yes", "--data", dir}, exitUsage, "--reason"},
		{"not confirmed", []string{"change", "--reason", "sold", "--data", dir}, exitRefused, "nothing was changed"},
		{"nobody to name", []string{"change", "--reason", "sold", "--yes", "--by", "Ida Fenn", "--data", dir}, exitUsage, "nobody is on the list"},
	} {
		status, out, errs := cli("", append([]string{"keys"}, tt.args...)...)
		if status != tt.status || !strings.Contains(errs, tt.want) {
			t.Errorf("%s: keys = %d\n%s%s", tt.name, status, out, errs)
		}
	}
	if _, out, _ := cli("", "keys", "--data", dir); strings.Count(out, "from step") != 1 || !strings.Contains(out, "the first ones") {
		t.Errorf("keys: %s", out)
	}
}

// The keys are stolen and changed, while the bench works. What was written before
// still holds, what is written after holds by the new keys, and what a thief makes
// with the old ones is told.
func TestStolenKeys(t *testing.T) {
	dir, before, paper, oldKeys, oldHead := exported(t)
	write := func(name, text string) string { return file(t, name, text) }
	stolen := filepath.Join(t.TempDir(), "stolen")
	if err := os.CopyFS(stolen, os.DirFS(dir)); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(filepath.Join(stolen, store.KeyFile), 0o600); err != nil {
		t.Fatal(err)
	}
	thief, err := ledger.ReadKeys(filepath.Join(stolen, store.KeyFile))
	if err != nil {
		t.Fatal(err)
	}

	bench := start(t, "serve", "--data", dir, "--listen", "localhost:0")
	status, out, errs := cli("", "keys", "change", "--data", dir, "--reason", "a stick with the key file is missing", "--by", "Ida Fenn", "--yes")
	if status != exitDone || !strings.Contains(out, "New keys are in force") || !strings.Contains(out, "Ida Fenn: a stick with the key file is missing") {
		t.Fatalf("keys change = %d\n%s%s", status, out, errs)
	}
	if status, _, errs := cli("", "keys", "change", "--data", dir, "--reason", "x", "--by", "Tam Orrin", "--yes"); status != exitRefused || !strings.Contains(errs, "no supervisor") {
		t.Errorf("keys change by an inspector = %d, %s", status, errs)
	}
	if page := bench.page("/keys"); !strings.Contains(page, "a stick with the key file is missing") {
		t.Error("the bench at work does not show the change")
	}
	bench.stop()
	more := file(t, "more.csv", orderHeader+"K-9001,Bracken & Co,Eastmoor,"+tomorrow()+",12,Lavandula,6\n")
	if status, _, errs := cli("", "import", "--data", dir, more); status != exitDone {
		t.Fatal(errs)
	}

	st, err := store.OpenReading(t.Context(), dir)
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	site, err := st.Site(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	now, _ := site.Now()
	newKeys := write("new.txt", now.String())
	if now.String() == oldKeys || !strings.Contains(out, now.Fingerprint()) {
		t.Fatalf("the keys did not change, or are not shown:\n%s", out)
	}
	number := strings.Split(paper, ":")[1] // the code does as well
	after := filepath.Join(t.TempDir(), "after.zip")
	if status, _, errs := cli("", "export", "--data", dir, "--consignment", number, "-o", after, "--since", write("old.head", string(oldHead))); status != exitDone {
		t.Fatal(errs)
	}
	head, err := st.Head(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	forged := head.Head
	forged.Root[0] ^= 1
	sign := func(h ledger.Head) string {
		n, err := thief.Sign(h)
		if err != nil {
			t.Fatal(err)
		}
		return write("thief.head", string(n))
	}
	newer := forged
	newer.Size += 100
	thiefs := filepath.Join(t.TempDir(), "thief.zip")
	if status, _, errs := cli("", "import", "--data", stolen, more); status != exitDone {
		t.Fatal(errs)
	}
	if status, _, errs := cli("", "export", "--data", stolen, "--consignment", number, "-o", thiefs); status != exitDone {
		t.Fatal(errs)
	}
	for _, tt := range []struct {
		name   string
		args   []string
		status int
		want   string
	}{
		{"a record from before", []string{"verify", before, "--key", write("o.txt", oldKeys), paper}, exitDone, "one of the site's keys"},
		{"a record from after", []string{"verify", after, "--key", newKeys, paper}, exitDone, "one of the site's keys"},
		{"one from after, by the keys from before", []string{"verify", after, "--key", write("o.txt", oldKeys)}, exitDone, "one of the site's keys"},
		{"one from after, by a head from before", []string{"verify", after, "--anchor", write("o.head", string(oldHead))}, exitDone, "goes on from the head you gave"},
		{"a head from before", []string{"audit", "--data", dir, "--head", write("o.head", string(oldHead))}, exitDone, "Everything agrees"},
		{"a thief's head", []string{"verify", after, "--anchor", sign(forged)}, exitRefused, "keys that the site gave up at step"},
		{"a thief's head that is newer", []string{"verify", after, "--anchor", sign(newer)}, exitRefused, "keys that the site gave up at step"},
		{"a thief's head, at home", []string{"audit", "--data", dir, "--head", sign(forged)}, exitRefused, "keys that the site gave up at step"},
		{"a thief's newer head, at home", []string{"audit", "--data", dir, "--head", sign(newer)}, exitRefused, "keys that the site gave up at step"},
		{"a thief's record, by the new keys", []string{"verify", thiefs, "--key", newKeys}, exitRefused, "none of the keys"},
	} {
		status, out, errs := cli("", tt.args...)
		if status != tt.status || !strings.Contains(strings.Join(strings.Fields(out), " "), tt.want) {
			t.Errorf("%s: %s = %d, want %d and %q\n%s%s", tt.name, tt.args[0], status, tt.status, tt.want, out, errs)
		}
	}
}
