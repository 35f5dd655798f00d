package main

import (
	"context"
	"database/sql"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"lastlook/internal/order"
	"lastlook/internal/store"
)

// stocked makes a data folder with a day's orders.
func stocked(t *testing.T) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "data")
	if status, out, errs := cli("", "import", "--data", dir, file(t, "orders.csv", string(order.Demo(time.Now())))); status != exitDone {
		t.Fatalf("import = %d\n%s%s", status, out, errs)
	}
	return dir
}

var (
	headLine   = regexp.MustCompile(`(?m)^Head: ((?:[0-9A-F]{4} ){4}\d\d) \(\d+ steps of lastlook-`)
	backupLine = regexp.MustCompile(`(?m)^Backup written: (\S+) \(\d+ kB\)$`)
)

func TestBackupAndRestore(t *testing.T) {
	dir := stocked(t)
	to := t.TempDir()
	status, out, errs := cli("", "backup", "--data", dir, "-o", to)
	if status != exitDone || errs != "" || !headLine.MatchString(out) || !strings.Contains(out, "8 consignments, 0 people, 0 pictures") || !strings.Contains(out, "secret keys are not in it") {
		t.Fatalf("backup = %d\n%s%s", status, out, errs)
	}
	name := backupLine.FindStringSubmatch(out)[1]
	early := headLine.FindStringSubmatch(out)[1]
	if status, out, errs := cli("", "backup", "--data", dir, "-o", name); status != exitRefused || !strings.Contains(errs, "left as it is") || out != "" {
		t.Errorf("backup over a backup = %d, %q, %q", status, out, errs)
	}
	// Work goes on after the backup.
	more := file(t, "more.csv", orderHeader+"K-9001,Bracken & Co,Eastmoor,"+tomorrow()+",12,Lavandula,6\n")
	if status, _, errs := cli("", "import", "--data", dir, more); status != exitDone {
		t.Fatal(errs)
	}
	status, out, errs = cli("", "backup", "--data", dir, "-o", to, "--keep", "1", "--with-keys")
	if status != exitDone || !strings.Contains(out, "Taken away: 1 older backup\n") || !strings.Contains(out, "can sign in the site's name") {
		t.Fatalf("backup --keep 1 = %d\n%s%s", status, out, errs)
	}
	late := backupLine.FindStringSubmatch(out)[1]
	lateHead := headLine.FindStringSubmatch(out)[1]
	if _, err := os.Stat(name); !os.IsNotExist(err) {
		t.Errorf("the older backup is still there (%v)", err)
	}
	if early == lateHead {
		t.Fatal("the head did not change")
	}

	// With its keys: everything is there.
	whole := filepath.Join(t.TempDir(), "whole")
	status, out, errs = cli("", "restore", "--from", late, "--data", whole, "--was", dir)
	if status != exitDone || !strings.Contains(out, "Nothing is lost of the") || !strings.Contains(out, lateHead) {
		t.Errorf("restore = %d\n%s%s", status, out, errs)
	}
	if st := look(t, whole); len(st.Warnings()) > 0 {
		t.Errorf("warnings %v", st.Warnings())
	}
	if _, err := look(t, whole).ByNumber(context.Background(), "K-9001"); err != nil {
		t.Error(err)
	}
	status, _, errs = cli("", "restore", "--from", late, "--data", whole)
	if status != exitRefused || !strings.Contains(errs, "is not empty") {
		t.Errorf("restore over data = %d, %q", status, errs)
	}
}

// A backup is taken, work goes on, the backup is restored: the start says what is
// lost, on the console and in the office.
func TestRestoredBenchSaysWhatIsLost(t *testing.T) {
	dir := stocked(t)
	old := filepath.Join(t.TempDir(), "old.db")
	if status, out, errs := cli("", "backup", "--data", dir, "-o", old); status != exitDone {
		t.Fatalf("%s%s", out, errs)
	}
	more := file(t, "more.csv", orderHeader+"K-9001,Bracken & Co,Eastmoor,"+tomorrow()+",12,Lavandula,6\n")
	if status, _, errs := cli("", "import", "--data", dir, more); status != exitDone {
		t.Fatal(errs)
	}
	_, out, _ := cli("", "backup", "--data", dir, "-o", filepath.Join(t.TempDir(), "late.db"))
	printed := headLine.FindStringSubmatch(out)[1]
	key := filepath.Join(dir, store.KeyFile)
	for _, tt := range []struct {
		name string
		args []string
		told string // by restore
		said string // by the bench, at its start
	}{
		{"nothing known", nil, "What was done after step 9 is not in it.", "This data folder was restored"},
		{"printed head", []string{"--head", printed}, "STEPS ARE LOST. The printed head", "the printed head " + printed + " is not in it"},
		{"folder before", []string{"--was", dir}, "STEPS ARE LOST. The folder before had noted the head of 10 steps", "went back: it once had 10 steps"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			data := filepath.Join(t.TempDir(), "data")
			status, out, errs := cli("", append([]string{"restore", "--from", old, "--data", data, "--keys", key}, tt.args...)...)
			if status != exitDone || !strings.Contains(out, tt.told) {
				t.Fatalf("restore = %d\n%s%s", status, out, errs)
			}
			s := start(t, "serve", "--data", data, "--listen", "localhost:0")
			if !strings.Contains(s.errs.String(), tt.said) {
				t.Errorf("the console says %q, without %q", s.errs, tt.said)
			}
			for _, path := range []string{"/office", "/health"} {
				if page := s.page(path); !strings.Contains(page, tt.said) {
					t.Errorf("%s says %.800q, without %q", path, page, tt.said)
				}
			}
			s.stop()
		})
	}
}

func (s *server) page(path string) string {
	s.t.Helper()
	resp, err := http.Get(s.url + path)
	if err != nil {
		s.t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		s.t.Fatal(err)
	}
	return string(b)
}

func TestRestoreWithLostKeys(t *testing.T) {
	dir := stocked(t)
	b := filepath.Join(t.TempDir(), "b.db")
	if status, out, errs := cli("", "backup", "--data", dir, "-o", b); status != exitDone {
		t.Fatalf("%s%s", out, errs)
	}
	data := filepath.Join(t.TempDir(), "without")
	if status, out, errs := cli("", "restore", "--from", b, "--data", data); status != exitDone || !strings.Contains(out, "--lost-keys") {
		t.Fatalf("restore = %d\n%s%s", status, out, errs)
	}
	if status, _, errs := cli("", "serve", "--data", data, "--listen", "localhost:0"); status != exitRefused || !strings.Contains(errs, "site.key is missing") {
		t.Errorf("serve without keys = %d, %q", status, errs)
	}
	data = filepath.Join(t.TempDir(), "new")
	if status, out, errs := cli("", "restore", "--from", b, "--data", data, "--lost-keys", "the computer burnt"); status != exitDone || !strings.Contains(out, "New keys were made") {
		t.Fatalf("restore --lost-keys = %d\n%s%s", status, out, errs)
	}
	start(t, "serve", "--data", data, "--listen", "localhost:0").stop()
	if status, out, errs := cli("", "audit", "--data", data); status != exitDone || !strings.Contains(out, "the computer burnt") {
		t.Errorf("audit = %d\n%s%s", status, out, errs)
	}
}

func TestServeBacksUp(t *testing.T) {
	dir, to := stocked(t), t.TempDir()
	s := start(t, "serve", "--data", dir, "--listen", "localhost:0", "--backup", to)
	made := ""
	for i := 0; i < 600 && made == ""; i++ {
		if page := s.page("/health"); strings.Contains(page, "backup ok: Backed up and checked") {
			made = page
		}
		time.Sleep(50 * time.Millisecond)
	}
	if made == "" {
		t.Fatalf("no backup is made: %s", s.errs)
	}
	if page := s.page("/office"); !strings.Contains(page, "Backed up and checked at") || !strings.Contains(page, to) {
		t.Errorf("the office says %.800q", page)
	}
	if status := s.stop(); status != exitDone {
		t.Errorf("serve ends with %d: %s", status, s.errs)
	}
	if !strings.Contains(s.errs.String(), "level=INFO msg=backup file="+to) {
		t.Errorf("the log is %q", s.errs)
	}
	names, err := filepath.Glob(filepath.Join(to, "*"))
	if err != nil || len(names) != 1 {
		t.Fatalf("the folder holds %q, %v", names, err)
	}
	if _, err := store.Verify(context.Background(), names[0]); err != nil {
		t.Error(err)
	}

	// A folder that is not there keeps nobody from working, but is told.
	s = start(t, "serve", "--data", dir, "--listen", "localhost:0", "--backup", filepath.Join(to, "usb"))
	told := false
	for i := 0; i < 600 && !told; i++ {
		told = strings.Contains(s.page("/health"), "backup WRONG: ")
		time.Sleep(50 * time.Millisecond)
	}
	if page := s.page("/office"); !told || !strings.Contains(page, "There is no folder") {
		t.Errorf("the office says %.800q", page)
	}
	s.stop()
	if !strings.Contains(s.errs.String(), "level=ERROR msg=\"backup failed\"") {
		t.Errorf("the log is %q", s.errs)
	}
}

func TestBackupArguments(t *testing.T) {
	dir := t.TempDir()
	for _, tt := range []struct {
		args   []string
		status int
		want   string
	}{
		{[]string{"backup", "--data", dir}, exitUsage, "-o FOLDER"},
		{[]string{"backup", "--data", dir, "-o", "x", "y"}, exitUsage, "only flags"},
		{[]string{"backup", "--data", dir, "-o", dir, "--keep", "0"}, exitUsage, "at least 1"},
		{[]string{"backup", "--data", dir, "-o", dir, "--keep", "-1"}, exitUsage, "at least 1"},
		{[]string{"backup", "--data", dir, "-o", dir}, exitRefused, "There is no data in"},
		{[]string{"restore", "--data", dir}, exitUsage, "--from FILE"},
		{[]string{"restore", "--data", dir, "--from", "x", "y"}, exitUsage, "only flags"},
		{[]string{"restore", "--data", dir, "--from", "x", "--was", "a", "--head", "b"}, exitUsage, "not both"},
		{[]string{"restore", "--data", dir, "--from", "x", "--keys", "a", "--lost-keys", "b"}, exitUsage, "not both"},
		{[]string{"restore", "--data", dir, "--from", "x", "--lost-keys", " "}, exitUsage, "how the keys were lost"},
		{[]string{"restore", "--data", dir, "--from", filepath.Join(dir, "x")}, exitRefused, "There is no backup"},
		{[]string{"serve", "--data", dir, "--backup-every", "24h"}, exitUsage, "--backup FOLDER"},
		{[]string{"serve", "--data", dir, "--backup", dir, "--backup-every", "5s"}, exitUsage, "at least 1m"},
		{[]string{"serve", "--data", dir, "--backup", dir, "--backup-keep", "0"}, exitUsage, "at least 1"},
	} {
		if status, out, errs := cli("", tt.args...); status != tt.status || !strings.Contains(errs, tt.want) || out != "" {
			t.Errorf("%q = %d, %q, %q, want %d and %q", tt.args, status, out, errs, tt.status, tt.want)
		}
	}
}

// A bench of an older version is brought up to date: the console says where the data
// are as they were.
func TestUpgradeIsSaid(t *testing.T) {
	dir := stocked(t)
	// One step back, by what the newest migration says about it.
	migrations, err := filepath.Glob("../../internal/store/migrations/sqlite/*.sql")
	if err != nil || len(migrations) == 0 {
		t.Fatal(migrations, err)
	}
	newest, err := os.ReadFile(migrations[len(migrations)-1])
	if err != nil {
		t.Fatal(err)
	}
	_, down, _ := strings.Cut(string(newest), "-- +goose Down")
	db, err := sql.Open("sqlite", filepath.Join(dir, store.File))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := db.Exec(down + fmt.Sprintf("; DELETE FROM goose_db_version WHERE version_id = %d", len(migrations))); err != nil {
		t.Fatal(err)
	}
	db.Close()
	s := start(t, "serve", "--data", dir, "--listen", "localhost:0")
	s.stop()
	old := len(migrations) - 1
	copied := filepath.Join(dir, fmt.Sprintf("before-upgrade-%d.db", old))
	if !strings.Contains(s.errs.String(), fmt.Sprintf("of an older version (tables %d)", old)) || !strings.Contains(s.errs.String(), copied) {
		t.Errorf("the console says %q", s.errs)
	}
	if v, err := store.Verify(t.Context(), copied); err != nil || v.Tables != int64(old) {
		t.Errorf("the copy: %+v, %v", v, err)
	}
}

// Who replaces lost keys stands on record, or it does that nobody was named.
func TestLostKeysByWhom(t *testing.T) {
	dir := demonstration(t)
	b := filepath.Join(t.TempDir(), "b.db")
	if status, out, errs := cli("", "backup", "--data", dir, "-o", b); status != exitDone {
		t.Fatalf("%s%s", out, errs)
	}
	for _, tt := range []struct {
		name   string
		args   []string
		status int
		want   string
	}{
		{"nobody", []string{"--lost-keys", "the computer burnt"}, exitDone, "somebody on the console, who gave no name: the computer burnt (LOST"},
		{"somebody", []string{"--lost-keys", "the computer burnt", "--by", "ida fenn"}, exitDone, "Ida Fenn: the computer burnt (LOST"},
		{"a stranger", []string{"--lost-keys", "the computer burnt", "--by", "Eve"}, exitRefused, `"Eve" is not on the list of people in the backup: name one of Ida Fenn`},
		{"a name for nothing", []string{"--by", "Ida Fenn"}, exitUsage, "--by goes with --lost-keys"},
	} {
		data := filepath.Join(t.TempDir(), "data")
		status, out, errs := cli("", append([]string{"restore", "--from", b, "--data", data}, tt.args...)...)
		if status != tt.status {
			t.Errorf("%s: restore = %d\n%s%s", tt.name, status, out, errs)
		}
		if status == exitDone {
			_, out, errs = cli("", "keys", "--data", data)
		} else if _, err := os.Stat(data); !os.IsNotExist(err) {
			t.Errorf("%s: a folder is there all the same (%v)", tt.name, err)
		}
		if !strings.Contains(out+errs, tt.want) {
			t.Errorf("%s: %s%s\nwant %q", tt.name, out, errs, tt.want)
		}
	}
}
