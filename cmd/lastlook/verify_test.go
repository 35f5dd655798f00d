package main

import (
	"bytes"
	"encoding/hex"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"lastlook/internal/bundle"
	"lastlook/internal/demo"
	"lastlook/internal/export"
	"lastlook/internal/ledger"
	"lastlook/internal/store"
)

// demonstration is a data folder with the invented consignments, and what is open
// there is closed again.
func demonstration(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	st, err := store.Open(t.Context(), dir)
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	if _, err := demo.Fill(t.Context(), st, st.Now()); err != nil {
		t.Fatal(err)
	}
	return dir
}

func TestExportAndVerify(t *testing.T) {
	dir := demonstration(t)
	st, err := store.OpenReading(t.Context(), dir)
	if err != nil {
		t.Fatal(err)
	}
	due, over, err := st.Due(t.Context(), 100)
	st.Close()
	if err != nil || len(over) == 0 {
		t.Fatalf("%d due, %d over, %v", len(due), len(over), err)
	}
	for _, c := range append(due, over...) {
		out := filepath.Join(t.TempDir(), "b.zip")
		status, said, errs := cli("", "export", "--data", dir, "--consignment", c.Number, "-o", out, "--invented")
		if status != exitDone || errs != "" || !strings.Contains(said, "The portable record of "+c.Number) {
			t.Fatalf("export %s = %d\n%s%s", c.Number, status, said, errs)
		}
		if status, again, _ := cli("", "export", "--data", dir, "--consignment", strings.ToLower(c.Code), "-o", "-", "--invented"); status != exitDone || again != read(t, out) {
			t.Errorf("%s exported again is another file (%d)", c.Number, status)
		}
		status, said, errs = cli("", "verify", out)
		if status != exitDone || errs != "" || !strings.Contains(said, "Everything that can be checked holds") || strings.Contains(said, "DOES NOT HOLD") {
			t.Errorf("verify %s = %d\n%s%s", c.Number, status, said, errs)
		}
	}
}

// exported is a bundle of a consignment that is over, with the data folder, what
// the paper says and the public keys.
func exported(t *testing.T) (dir, file, paper, keys string, older []byte) {
	t.Helper()
	dir = demonstration(t)
	st, err := store.OpenReading(t.Context(), dir)
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	_, over, err := st.Due(t.Context(), 100)
	if err != nil || len(over) == 0 {
		t.Fatal(len(over), err)
	}
	state, err := st.Consignment(t.Context(), over[0].Code)
	if err != nil {
		t.Fatal(err)
	}
	m, err := export.Mark(t.Context(), st, state)
	if err != nil || m == nil {
		t.Fatal(m, err)
	}
	site, err := st.Site(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	head, err := st.Head(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	now, _ := site.Now()
	file = filepath.Join(t.TempDir(), "b.zip")
	if status, said, errs := cli("", "export", "--data", dir, "--consignment", over[0].Number, "-o", file); status != exitDone {
		t.Fatal(said, errs)
	}
	return dir, file, m.String(), now.String(), []byte(head.Note)
}

func read(t *testing.T, name string) string {
	t.Helper()
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func TestVerifyAgainst(t *testing.T) {
	dir, bundleFile, paper, keys, head := exported(t)
	key, anchor := file(t, "key.txt", keys), file(t, "head.note", string(head))
	page := filepath.Join(t.TempDir(), "page.html")
	status, said, errs := cli("", "verify", bundleFile, paper, "--key", key, "--anchor", anchor, "--page", page)
	if status != exitDone || errs != "" {
		t.Fatalf("verify = %d\n%s%s", status, said, errs)
	}
	for _, want := range []string{"The paper is of this record", "fingerprint on the paper is that", "one of the site's keys", "the one of the file"} {
		if !strings.Contains(said, want) {
			t.Errorf("verify says nothing of %q:\n%s", want, said)
		}
	}
	b, err := bundle.Read([]byte(read(t, bundleFile)))
	if err != nil || read(t, page) != string(b.Page) {
		t.Errorf("the page made again is another, %v", err)
	}
	if status, said, _ := cli(read(t, bundleFile), "verify", "-", strings.ToLower(paper)); status != exitDone || !strings.Contains(said, "The paper is of this record") {
		t.Errorf("from standard input = %d\n%s", status, said)
	}

	status, said, _ = cli("", "verify", bundleFile, "--json")
	var r struct {
		Readable, Holds bool
		Verdict, Number string
		Fingerprint     string
		Findings        []struct{ Status, About, Text string }
	}
	if err := json.Unmarshal([]byte(said), &r); err != nil || status != exitDone || !r.Readable || !r.Holds || len(r.Findings) < 10 || r.Number == "" {
		t.Errorf("--json = %d, %+v, %v", status, r, err)
	}

	// The same after more was done: the file asked for with the old head proves it.
	order := file(t, "more.csv", orderHeader+"K-9,Ferry (invented),Saltwick,"+tomorrow()+",12,Hebe,4\n")
	if status, said, errs := cli("", "import", "--data", dir, order); status != exitDone {
		t.Fatal(said, errs)
	}
	later := filepath.Join(t.TempDir(), "later.zip")
	number := r.Number
	if status, said, errs := cli("", "export", "--data", dir, "--consignment", number, "--since", anchor, "-o", later); status != exitDone {
		t.Fatal(said, errs)
	}
	if status, said, _ := cli("", "verify", later, paper, "--anchor", anchor); status != exitDone || !strings.Contains(said, "goes on from the head you gave") || !strings.Contains(said, "fingerprint on the paper is that") {
		t.Errorf("verify with an older head = %d\n%s", status, said)
	}
	other, err := ledger.PeekHead(head)
	if err != nil {
		t.Fatal(err)
	}
	other.Root[0] ^= 1
	status, said, errs = cli("", "export", "--data", dir, "--consignment", number, "--since", file(t, "x.note", other.Text()+"\n— x y\n"), "-o", later)
	if status != exitRefused || !strings.Contains(errs, "is not of this history") {
		t.Errorf("export since another history = %d\n%s%s", status, said, errs)
	}
}

func TestVerifyRefuses(t *testing.T) {
	_, good, paper, keys, _ := exported(t)
	changed := []byte(read(t, good))
	changed[bytes.LastIndex(changed, []byte(`"seq":`))+7] ^= 1 // the second digit: a number cannot begin with nought
	stranger, err := ledger.NewKeys(strings.Fields(keys)[1], bytes.NewReader(bytes.Repeat([]byte{7}, 64)))
	if err != nil {
		t.Fatal(err)
	}
	leaf := strings.Repeat(strings.ToUpper(hex.EncodeToString([]byte{0})), 32)
	for _, tt := range []struct {
		name   string
		args   []string
		status int
		want   string
	}{
		{"changed", []string{file(t, "x.zip", string(changed))}, exitRefused, "“events.json” was changed"},
		{"somebody else's key", []string{good, "--key", file(t, "k", stranger.Public().String())}, exitRefused, "none of the keys"},
		{"another paper", []string{good, paper[:len(paper)-64] + leaf}, exitRefused, "none of the steps"},
		{"no file", nil, exitUsage, "name the file to check"},
		{"a paper alone", []string{paper}, exitUsage, "name the file as well"},
		{"half a paper", []string{good, paper[:20]}, exitUsage, "not the code of a printed record"},
		{"two papers", []string{good, paper, paper}, exitUsage, "not of two"},
		{"two files", []string{good, good}, exitUsage, "one file at a time"},
		{"not there", []string{"nowhere.zip"}, exitUsage, "it is not there"},
		{"empty", []string{file(t, "e.zip", "")}, exitUsage, "is empty"},
		{"something else", []string{file(t, "e.zip", "hello")}, exitUsage, "no bundle"},
		{"no key", []string{good, "--key", file(t, "k", "hello")}, exitUsage, "not the public keys"},
		{"no such anchor", []string{good, "--anchor", "nowhere.note"}, exitUsage, "it is not there"},
		{"no head", []string{good, "--anchor", file(t, "h", "hello")}, exitRefused, "not the head of a ledger"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			status, said, errs := cli("", append([]string{"verify"}, tt.args...)...)
			if status != tt.status || !strings.Contains(said+errs, tt.want) {
				t.Errorf("verify = %d, want %d with %q\n%s%s", status, tt.status, tt.want, said, errs)
			}
		})
	}
	status, said, _ := cli("", "verify", "--json", file(t, "e.zip", "hello"))
	var r map[string]any
	if err := json.Unmarshal([]byte(said), &r); err != nil || status != exitUsage || r["readable"] != false || r["holds"] != false {
		t.Errorf("--json of no bundle = %d, %s, %v", status, said, err)
	}
	for _, args := range [][]string{{}, {"--consignment", "K-1"}, {"--consignment", "K-1", "-o", "x", "y"}, {"--consignment", "K-1", "-o", "x", "--since", "nowhere"}} {
		if status, _, errs := cli("", append([]string{"export"}, args...)...); status != exitUsage {
			t.Errorf("export %q = %d, %s", args, status, errs)
		}
	}
	if !slices.ContainsFunc(commands(), func(c command) bool { return c.name == "verify" }) {
		t.Error("there is no command verify")
	}
}

func TestVerifyPage(t *testing.T) {
	out := filepath.Join(t.TempDir(), "check.html")
	status, said, errs := cli("", "verify-page", "-o", out)
	if page := read(t, out); status != exitDone || errs != "" || !strings.Contains(said, "Open it in a browser") || !strings.Contains(page, "Lastlook "+version) || len(page) < 1<<20 {
		t.Errorf("verify-page = %d, %d bytes\n%s%s", status, len(page), said, errs)
	}
	if status, page, _ := cli("", "verify-page", "-o", "-"); status != exitDone || page != read(t, out) {
		t.Errorf("to standard output = %d, %d bytes", status, len(page))
	}
	for _, args := range [][]string{{}, {"-o", out, "more"}} {
		if status, _, errs := cli("", append([]string{"verify-page"}, args...)...); status != exitUsage {
			t.Errorf("verify-page %q = %d, %s", args, status, errs)
		}
	}
}
