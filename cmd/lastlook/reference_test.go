package main

import (
	"context"
	"path/filepath"
	"strings"
	"testing"

	"lastlook/internal/store"
)

func TestReferencePacks(t *testing.T) {
	dir := t.TempDir()
	st, err := store.Open(context.Background(), dir)
	if err != nil {
		t.Fatal(err)
	}
	st.Close()
	status, all, errs := cli("", "reference", "export")
	if status != exitDone || errs != "" || !strings.HasPrefix(all, `{"format":"lastlook-reference","schema":1`) {
		t.Fatalf("export = %d %.200s%s", status, all, errs)
	}
	if _, again, _ := cli("", "reference", "export"); again != all {
		t.Error("the same reference gives other bytes")
	}
	status, out, errs := cli(all, "reference", "check", "-")
	if status != exitDone || !strings.Contains(out, "0 new, 0 changed, 0 in conflict") {
		t.Errorf("check of it = %d %s%s", status, out, errs)
	}
	_, one, _ := cli("", "reference", "export", "--entry", "plum-pox")
	changed := strings.Replace(one, "Faint, washed-out rings", "Faint zebra rings", 1)
	if changed == one {
		t.Fatal("the entry does not hold the words that are changed")
	}
	pack := file(t, "pack.json", changed)
	for _, c := range []struct {
		name   string
		in     string
		args   []string
		status int
		out    string
		errs   string
	}{
		{"check", "", []string{"check", "--data", dir, pack}, exitDone, "changed  entry:plum-pox  Plum pox (sharka)  How it looks", ""},
		{"import without a reason", "", []string{"import", "--data", dir, pack}, exitUsage, "", "say why"},
		{"import by nobody", "", []string{"import", "--data", dir, "--why", "x", "--by", "Nobody", pack}, exitUsage, "", "--by"},
		{"import", "", []string{"import", "--data", dir, "--why", "clearer", pack}, exitDone, "The pack is taken.", ""},
		{"import again", "", []string{"import", "--data", dir, "--why", "clearer", pack}, exitRefused, "1 the same", "Nothing of the pack is to be taken"},
		{"older text is a conflict", one, []string{"check", "--data", dir, "-"}, exitDone, "conflict  entry:plum-pox", ""},
		{"left alone", one, []string{"import", "--data", dir, "--why", "x", "-"}, exitRefused, "1 in conflict", "Nothing of the pack is to be taken"},
		{"taken over", one, []string{"import", "--data", dir, "--why", "back", "--over", "entry:plum-pox", "-"}, exitDone, "The pack is taken.", ""},
		{"broken", changed[:len(changed)-20], []string{"check", "-"}, exitRefused, "", "refused whole"},
		{"unknown word", strings.Replace(changed, `"kind":"virus"`, `"kind":"ghost"`, 1), []string{"check", "-"}, exitRefused, "", `entries[0].kind: "ghost" is not a word`},
		{"no such file", "", []string{"check", filepath.Join(dir, "no.json")}, exitRefused, "", "cannot be read"},
		{"no data there", "", []string{"import", "--data", filepath.Join(dir, "no"), "--why", "x", pack}, exitRefused, "", "there is no data in"},
		{"no such entry", "", []string{"export", "--entry", "no-such"}, exitRefused, "", `no entry "no-such"`},
		{"no task", "", nil, exitUsage, "", "say what to do"},
		{"unknown task", "", []string{"burn"}, exitUsage, "", `no task "burn"`},
		{"two packs", "", []string{"check", "a", "b"}, exitUsage, "", "one pack"},
	} {
		t.Run(c.name, func(t *testing.T) {
			status, out, errs := cli(c.in, append([]string{"reference"}, c.args...)...)
			if status != c.status || !strings.Contains(out, c.out) || !strings.Contains(errs, c.errs) {
				t.Errorf("reference %q = %d\n%s%s\nwant %d with %q and %q", c.args, status, out, errs, c.status, c.out, c.errs)
			}
		})
	}
	// What was taken is given out again.
	if _, out, _ := cli("", "reference", "export", "--data", dir, "--entry", "plum-pox"); !strings.Contains(out, `"revision":3`) {
		t.Errorf("export from the data folder: %.300s", out)
	}
}
