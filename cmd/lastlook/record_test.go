package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// imported is a data folder with two consignments.
func imported(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	orders := file(t, "orders.csv", orderHeader+"K-1,Ferry (invented),Saltwick,"+tomorrow()+",12,Hebe,4\nK-2,Quay (invented),Saltwick,"+tomorrow()+",3,Ajuga,4\n")
	if status, out, errs := cli("", "import", "--data", dir, orders); status != exitDone {
		t.Fatalf("import = %d\n%s%s", status, out, errs)
	}
	return dir
}

func TestRecord(t *testing.T) {
	dir := imported(t)
	before, err := os.ReadFile(filepath.Join(dir, "lastlook.db"))
	if err != nil {
		t.Fatal(err)
	}
	pdf := filepath.Join(t.TempDir(), "r.pdf")
	status, out, errs := cli("", "record", "--consignment", "K-1", "--data", dir, "-o", pdf)
	if status != exitDone || errs != "" || !strings.Contains(out, "The record of K-1 was written to "+pdf) || !strings.Contains(out, "not finished") {
		t.Fatalf("record = %d\n%s%s", status, out, errs)
	}
	first, err := os.ReadFile(pdf)
	if err != nil || !strings.HasPrefix(string(first), "%PDF-") {
		t.Fatalf("%.20q, %v", first, err)
	}

	status, out, errs = cli("", "record", "--consignment", "K-1", "--data", dir, "--json")
	if status != exitDone || errs != "" {
		t.Fatalf("record --json = %d\n%s", status, errs)
	}
	var r struct {
		Number, Code string
		Finished     bool
		History      []struct{ Kind string }
	}
	if err := json.Unmarshal([]byte(out), &r); err != nil || r.Number != "K-1" || r.Finished || len(r.History) != 1 || r.History[0].Kind != "registered" {
		t.Errorf("%+v, %v", r, err)
	}

	// By code, on standard output, in either case of letters: the same file.
	status, out, _ = cli("", "record", "--consignment", strings.ToLower(r.Code), "--data", dir, "-o", "-")
	if status != exitDone || out != string(first) {
		t.Errorf("by code = %d, another file", status)
	}
	status, out, _ = cli("", "record", "--consignment", "K-1", "--data", dir, "-o", "-", "--paper", "letter", "--invented")
	if status != exitDone || out == string(first) || !strings.HasPrefix(out, "%PDF-") {
		t.Errorf("letter = %d, the same file", status)
	}
	after, err := os.ReadFile(filepath.Join(dir, "lastlook.db"))
	if err != nil || string(before) != string(after) {
		t.Error("reading changed the data file")
	}
}

func TestRecordRefuses(t *testing.T) {
	dir := imported(t)
	nowhere := filepath.Join(t.TempDir(), "nowhere")
	tests := []struct {
		name   string
		args   []string
		status int
		want   string
	}{
		{"no consignment named", []string{"--data", dir, "-o", "-"}, exitUsage, "name the consignment"},
		{"nowhere to write", []string{"--consignment", "K-1", "--data", dir}, exitUsage, "say where to write"},
		{"unknown paper", []string{"--consignment", "K-1", "--data", dir, "-o", "-", "--paper", "a3"}, exitUsage, "no paper"},
		{"stray word", []string{"--consignment", "K-1", "--data", dir, "-o", "-", "please"}, exitUsage, "takes only flags"},
		{"unknown flag", []string{"--consignmet", "K-1"}, exitUsage, "record -h"},
		{"no such consignment", []string{"--consignment", "K-9", "--data", dir, "-o", "-"}, exitRefused, "no consignment K-9"},
		{"no data", []string{"--consignment", "K-1", "--data", nowhere, "-o", "-"}, exitRefused, "no data in"},
		{"no folder to write to", []string{"--consignment", "K-1", "--data", dir, "-o", filepath.Join(nowhere, "r.pdf")}, exitRefused, "cannot be written"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			status, out, errs := cli("", append([]string{"record"}, tt.args...)...)
			if status != tt.status || out != "" || !strings.Contains(errs, tt.want) {
				t.Errorf("record = %d, printed %.60q, said %q; want %d and %q", status, out, errs, tt.status, tt.want)
			}
		})
	}
	if _, err := os.Stat(nowhere); err == nil {
		t.Error("reading made a folder")
	}
}
