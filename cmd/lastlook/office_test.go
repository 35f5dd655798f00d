package main

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"lastlook/internal/consignment"
	"lastlook/internal/order"
	"lastlook/internal/people"
	"lastlook/internal/store"
)

// cli runs a command line with the given standard input. A command that should
// have ended and serves is stopped after a while.
func cli(in string, args ...string) (status int, out, errs string) {
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	var o, e bytes.Buffer
	status = run(ctx, terminal{in: strings.NewReader(in), out: &o, err: &e}, args)
	return status, o.String(), e.String()
}

// file writes a file into a folder of the test and gives its name.
func file(t *testing.T, name, content string) string {
	t.Helper()
	p := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(p, []byte(content), 0o600); err != nil {
		t.Fatal(err)
	}
	return p
}

// look opens the data after a command.
func look(t *testing.T, dir string) *store.Store {
	t.Helper()
	st, err := store.Open(context.Background(), dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { st.Close() })
	return st
}

const orderHeader = "consignment,customer,destination,dispatch,packages,crop,units per package\n"

// tomorrow is a dispatch time that is always to come.
func tomorrow() string { return time.Now().Add(26 * time.Hour).Format("2006-01-02T15:04Z07:00") }

func TestImport(t *testing.T) {
	dir := t.TempDir()
	orders := file(t, "orders.csv", string(order.Demo(time.Now())))
	status, out, errs := cli("", "import", "--data", dir, orders)
	if status != exitDone || errs != "" || !strings.Contains(out, "8 taken, 0 already here, 0 not taken") || !strings.Contains(out, "K-2041") {
		t.Fatalf("import = %d\n%s%s", status, out, errs)
	}
	status, out, errs = cli("", "import", "--data", dir, orders)
	if status != exitDone || errs != "" || !strings.Contains(out, "0 taken, 8 already here, 0 not taken") {
		t.Errorf("import again = %d\n%s%s", status, out, errs)
	}
	st := look(t, dir)
	due, _, err := st.Due(context.Background(), 1)
	if err != nil || len(due) != 8 {
		t.Errorf("after two imports %d consignments are due, %v; want 8", len(due), err)
	}
	sum, err := st.ByNumber(context.Background(), "K-2036")
	if err != nil {
		t.Fatal(err)
	}
	state, err := st.Consignment(context.Background(), sum.Code)
	if err != nil || state.Total() != 36 || state.Source != "orders.csv" || state.History[0].Actor.Name != "order import" {
		t.Errorf("K-2036 = %d packages from %q by %q, %v; want 36 from orders.csv by the order import", state.Total(), state.Source, state.History[0].Actor.Name, err)
	}
}

func TestImportRefuses(t *testing.T) {
	dir := t.TempDir()
	fix := filepath.Join(t.TempDir(), "fix.csv")
	src := orderHeader +
		"G-1,Hall,Eastmoor," + tomorrow() + ",4,Salvia,6\n" +
		"B-1,Hall,Eastmoor," + tomorrow() + ",0,Salvia,6\n" +
		"B-2,Hall,Eastmoor,2001-01-01 10:00,3,Viola,6\n"
	status, out, errs := cli(src, "import", "--data", dir, "--fix", fix, "-")
	if status != exitRefused || errs != "" {
		t.Fatalf("import = %d, %q\n%s", status, errs, out)
	}
	for _, want := range []string{"1 taken, 0 already here, 2 not taken", "line 3", "B-1", "packages", "line 4", "B-2", "dispatch", "in the past", fix} {
		if !strings.Contains(out, want) {
			t.Errorf("import says\n%s\nwithout %q", out, want)
		}
	}
	st := look(t, dir)
	if _, err := st.ByNumber(context.Background(), "G-1"); err != nil {
		t.Errorf("the good consignment: %v", err)
	}
	st.Close()

	// The lines given back can be put right and taken in.
	b, err := os.ReadFile(fix)
	if err != nil {
		t.Fatal(err)
	}
	if strings.Contains(string(b), "G-1") || !strings.Contains(string(b), "problem") {
		t.Errorf("lines to put right:\n%s", b)
	}
	mended := strings.NewReplacer(",0,Salvia", ",2,Salvia", "2001-01-01 10:00", tomorrow()).Replace(string(b))
	if status, out, _ := cli(mended, "import", "--data", dir, "-"); status != exitDone || !strings.Contains(out, "2 taken") {
		t.Errorf("import of the mended lines = %d\n%s", status, out)
	}

	// A file that is there is not overwritten: it may be the orders.
	status, _, errs = cli("", "import", "--data", dir, "--fix", fix, fix)
	if status != exitUsage || !strings.Contains(errs, "exists already") {
		t.Errorf("--fix on the file itself = %d, %q", status, errs)
	}
	if after, _ := os.ReadFile(fix); !bytes.Equal(after, b) {
		t.Error("the order file was changed")
	}

	// Another order with the number of one that is here.
	other := orderHeader + "G-1,Hall,Saltwick," + tomorrow() + ",4,Salvia,6\n"
	status, out, _ = cli(other, "import", "--data", dir, "-")
	if status != exitRefused || !strings.Contains(out, "line 2") || !strings.Contains(out, "is here already with other values") {
		t.Errorf("import of a changed order = %d\n%s", status, out)
	}
}

func TestImportUnreadable(t *testing.T) {
	tests := []struct {
		name, in string
		args     []string
		status   int
		want     string
	}{
		{"no file named", "", nil, exitUsage, "name the order file"},
		{"two files", "", []string{"a.csv", "b.csv"}, exitUsage, "one order file"},
		{"no such file", "", []string{"nowhere.csv"}, exitRefused, "nowhere.csv cannot be read: it is not there"},
		{"empty", "", []string{"-"}, exitRefused, "empty"},
		{"binary", "PK\x03\x04\x14\x00\x06\x00\x08\x00\x00\x00", []string{"-"}, exitRefused, "ZIP archive"},
		{"header alone", orderHeader, []string{"-"}, exitRefused, "nothing below it"},
		{"unknown person", orderHeader, []string{"--by", "Nobody", "-"}, exitUsage, "--by"},
		{"unknown flag", "", []string{"--fast"}, exitUsage, "not defined"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			status, out, errs := cli(tt.in, append([]string{"import", "--data", t.TempDir()}, tt.args...)...)
			if status != tt.status || !strings.Contains(errs, tt.want) {
				t.Errorf("import %q = %d, %q, %q; want %d and %q", tt.args, status, out, errs, tt.status, tt.want)
			}
		})
	}
}

// A person on the list can be named; the step is then theirs.
func TestImportBy(t *testing.T) {
	ctx, dir := context.Background(), t.TempDir()
	st := look(t, dir)
	if _, err := st.DoPeople(ctx, consignment.Actor{ID: "x", Name: "x"}, "office", "", people.Join{Name: "Ida Fenn", Roles: []string{people.Supervisor}}); err != nil {
		t.Fatal(err)
	}
	src := orderHeader + "G-1,Hall,Eastmoor," + tomorrow() + ",4,Salvia,6\n"
	if status, out, errs := cli(src, "import", "--data", dir, "--by", "ida fenn", "-"); status != exitDone {
		t.Fatalf("import --by = %d, %s%s", status, out, errs)
	}
	sum, err := st.ByNumber(ctx, "G-1")
	if err != nil {
		t.Fatal(err)
	}
	state, err := st.Consignment(ctx, sum.Code)
	if err != nil || state.History[0].Actor.Name != "Ida Fenn" {
		t.Errorf("the step is by %+v, %v; want Ida Fenn", state.History[0].Actor, err)
	}
	if status, _, errs := cli(src, "import", "--data", dir, "--by", "Wilo", "-"); status != exitUsage || !strings.Contains(errs, "Ida Fenn") {
		t.Errorf("import --by somebody else = %d, %q; want the names", status, errs)
	}
}

// What comes from a file cannot move the cursor of the terminal it is shown on.
func TestImportControlCharacters(t *testing.T) {
	src := orderHeader + "\x1b[2JX,Hall,Eastmoor,\x1b]0;x\x07,0,\x9bSalvia,6\n"
	_, out, errs := cli(src, "import", "--data", t.TempDir(), "-")
	if strings.ContainsAny(out+errs, "\x1b\x07\u009b") {
		t.Errorf("import prints control characters: %q", out+errs)
	}
}

func TestLabels(t *testing.T) {
	dir := t.TempDir()
	if status, out, errs := cli(string(order.Demo(time.Now())), "import", "--data", dir, "-"); status != exitDone {
		t.Fatal(status, out, errs)
	}
	pdf := filepath.Join(t.TempDir(), "labels.pdf")
	tests := []struct {
		name   string
		args   []string
		status int
		want   string
	}{
		{"all of it", []string{"--consignment", "K-2036", "-o", pdf}, exitDone, "36 labels of K-2036"},
		{"again without a reason", []string{"--consignment", "K-2036", "--from", "2", "--to", "3", "-o", pdf}, exitRefused, "--reason"},
		{"again with one", []string{"--consignment", "K-2036", "--from", "2", "--to", "3", "--reason", "torn", "--skip", "4", "-o", pdf}, exitDone, "2 labels"},
		{"single labels", []string{"--consignment", "K-2038", "--sheet", "57x32", "-o", pdf}, exitDone, "2 labels"},
		{"no consignment", []string{"-o", pdf}, exitUsage, "--consignment"},
		{"unknown consignment", []string{"--consignment", "K-1", "-o", pdf}, exitRefused, "no consignment K-1"},
		{"no file", []string{"--consignment", "K-2036"}, exitUsage, "-o"},
		{"unknown sheet", []string{"--consignment", "K-2036", "--sheet", "a3", "-o", pdf}, exitUsage, "a4, "},
		{"package that is not there", []string{"--consignment", "K-2038", "--from", "3", "-o", pdf}, exitRefused, "numbered 1 to 2"},
		{"backwards", []string{"--consignment", "K-2041", "--from", "5", "--to", "4", "-o", pdf}, exitRefused, "from 5 to 240"},
		{"more gone than a sheet holds", []string{"--consignment", "K-2041", "--skip", "10", "-o", pdf}, exitRefused, "places 1 to 10"},
		{"folder that is not there", []string{"--consignment", "K-2045", "-o", filepath.Join(dir, "no", "x.pdf")}, exitRefused, "cannot be written"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			status, out, errs := cli("", append([]string{"labels", "--data", dir}, tt.args...)...)
			if status != tt.status || !strings.Contains(out+errs, tt.want) {
				t.Errorf("labels %q = %d, %q; want %d and %q", tt.args, status, out+errs, tt.status, tt.want)
			}
		})
	}
	if b, err := os.ReadFile(pdf); err != nil || !bytes.HasPrefix(b, []byte("%PDF-")) {
		t.Errorf("%s is no PDF: %v", pdf, err)
	}
	status, out, _ := cli("", "labels", "--data", dir, "--consignment", "K-2047", "-o", "-")
	if status != exitDone || !strings.HasPrefix(out, "%PDF-") || !strings.HasSuffix(strings.TrimSpace(out), "%%EOF") {
		t.Errorf("labels -o - = %d and %d bytes beginning %.20q", status, len(out), out)
	}

	// Each run is on record, and none that was refused.
	st := look(t, dir)
	sum, err := st.ByNumber(context.Background(), "K-2036")
	if err != nil {
		t.Fatal(err)
	}
	state, err := st.Consignment(context.Background(), sum.Code)
	if err != nil || len(state.Labels) != 2 || state.Labels[1].Reason != "torn" || state.Labels[1].From != 2 || state.Labels[1].To != 3 {
		t.Errorf("printings on record: %+v, %v", state.Labels, err)
	}
}

func TestRebuild(t *testing.T) {
	dir := t.TempDir()
	if status, _, errs := cli("", "rebuild", "--data", dir); status != exitRefused || !strings.Contains(errs, "there is no data in") {
		t.Errorf("rebuild of nothing = %d, %q", status, errs)
	}
	if entries, _ := os.ReadDir(dir); len(entries) > 0 {
		t.Errorf("rebuild of nothing made %v", entries)
	}
	if status, out, errs := cli(string(order.Demo(time.Now())), "import", "--data", dir, "-"); status != exitDone {
		t.Fatal(status, out, errs)
	}
	if status, out, errs := cli("", "rebuild", "--data", dir); status != exitDone || !strings.Contains(out, "8 consignments") {
		t.Errorf("rebuild = %d, %q%q", status, out, errs)
	}
	due, _, err := look(t, dir).Due(context.Background(), 1)
	if err != nil || len(due) != 8 {
		t.Errorf("after the rebuild %d are due, %v", len(due), err)
	}
}

// The folder of the data can be given in three ways, the flag first.
func TestDataFolder(t *testing.T) {
	t.Setenv("XDG_CONFIG_HOME", "/config")
	t.Setenv("HOME", "/home")
	t.Setenv(dataVariable, "")
	config, err := os.UserConfigDir()
	if err != nil {
		t.Fatal(err)
	}
	if got, err := dataFolder(""); err != nil || got != filepath.Join(config, "lastlook") {
		t.Errorf("dataFolder() = %q, %v", got, err)
	}
	t.Setenv(dataVariable, "/elsewhere")
	if got, err := dataFolder(""); err != nil || got != "/elsewhere" {
		t.Errorf("dataFolder() with %s = %q, %v", dataVariable, got, err)
	}
	if got, err := dataFolder("here"); err != nil || got != "here" {
		t.Errorf("dataFolder(here) = %q, %v", got, err)
	}
}

// Thousands of consignments are taken in, and not all listed.
func TestImportLarge(t *testing.T) {
	if testing.Short() {
		t.Skip("takes seconds")
	}
	var b strings.Builder
	b.WriteString(orderHeader)
	at := tomorrow()
	const n = 3000
	for i := range n {
		fmt.Fprintf(&b, "N-%d,Hall,Eastmoor,%s,%d,Salvia,6\n", i, at, 1+i%90)
	}
	status, out, errs := cli(b.String(), "import", "--data", t.TempDir(), "-")
	if status != exitDone || errs != "" || !strings.Contains(out, fmt.Sprintf("%d taken", n)) || !strings.Contains(out, "and 2988 more") {
		t.Errorf("import of %d lines = %d\n%.400s%s", n, status, out, errs)
	}
}

// The sheet that labels are on takes the newest head with it: the one that a backup
// of that moment has.
func TestLabelSheetsCarryTheHead(t *testing.T) {
	pdftotext, err := exec.LookPath("pdftotext")
	if err != nil {
		if os.Getenv("LASTLOOK_TOOLS") == "required" {
			t.Fatal("pdftotext is required and not installed")
		}
		t.Skip("pdftotext is not installed")
	}
	dir := stocked(t)
	_, out, _ := cli("", "backup", "--data", dir, "-o", t.TempDir())
	head := headLine.FindStringSubmatch(out)[1]
	pdf := filepath.Join(t.TempDir(), "labels.pdf")
	if status, _, errs := cli("", "labels", "--data", dir, "--consignment", "K-2036", "-o", pdf); status != exitDone {
		t.Fatal(errs)
	}
	text, err := exec.Command(pdftotext, "-layout", pdf, "-").Output()
	if err != nil {
		t.Fatal(err)
	}
	if got := strings.Count(string(text), ": "+head); got != 4 { // 36 labels, 10 a sheet
		t.Errorf("the head %s stands %d times on 4 sheets", head, got)
	}
}
