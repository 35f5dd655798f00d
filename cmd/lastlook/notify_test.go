package main

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"lastlook/internal/consignment"
	"lastlook/internal/demo"
	"lastlook/internal/ladder"
	"lastlook/internal/notify/courier"
	"lastlook/internal/store"
)

func notifyFile(t *testing.T, dir, content string) {
	t.Helper()
	if err := os.WriteFile(filepath.Join(dir, courier.File), []byte(content), 0o600); err != nil {
		t.Fatal(err)
	}
}

const hookSecret = "0123456789abcdef0123456789abcdef"

func hookFile(url string) string {
	return fmt.Sprintf(`webhooks: {pager: {url: "%s", secret: %s}}
contacts: [{name: Ida Fenn, webhook: pager}, {name: Bea Lund, webhook: pager}]
levels:
  - {after_minutes: 15, contacts: [Ida Fenn]}
heads: {every_hours: 24, to: [Ida Fenn]}
`, url, hookSecret)
}

func TestNotifyCommand(t *testing.T) {
	var answer atomic.Int32
	answer.Store(200)
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(int(answer.Load())) }))
	defer srv.Close()
	dir, none := t.TempDir(), t.TempDir()
	notifyFile(t, dir, hookFile(srv.URL))
	bad := t.TempDir()
	notifyFile(t, bad, "smtp: 1\nlevels: []\n")
	open := t.TempDir()
	notifyFile(t, open, hookFile(srv.URL))
	if err := os.Chmod(filepath.Join(open, courier.File), 0o644); err != nil {
		t.Fatal(err)
	}
	tests := []struct {
		name      string
		answer    int
		args      []string
		status    int
		out, errs string
	}{
		{"check", 200, []string{"check", "--data", dir}, exitDone, "Level 1, at once: Ida Fenn (webhook)", ""},
		{"check, heads", 200, []string{"check", "--data", dir}, exitDone, "Signed head, every 24h0m0s: Ida Fenn", ""},
		{"check, nobody", 200, []string{"check", "--data", dir}, exitDone, "ATTENTION: Bea Lund is in no level", ""},
		{"check without a file", 200, []string{"check", "--data", none}, exitDone, "nobody outside is told", ""},
		{"check of mistakes", 200, []string{"check", "--data", bad}, exitRefused, "", "notify.yaml:1: smtp"},
		{"check, all mistakes", 200, []string{"check", "--data", bad}, exitRefused, "", "levels: There are no levels"},
		{"check of an open file", 200, []string{"check", "--data", open}, exitRefused, "", "chmod 600"},
		{"test", 204, []string{"test", "--data", dir}, exitDone, "taken   Bea Lund, webhook: The receiver took it (204).", ""},
		{"test one", 200, []string{"test", "--to", "Ida Fenn", "--data", dir}, exitDone, "taken   Ida Fenn", ""},
		{"test refused", 403, []string{"test", "--data", dir}, exitRefused, "FAILED  Ida Fenn, webhook: The receiver refused it for good (403)", "2 test messages were not taken"},
		{"test a stranger", 200, []string{"test", "--to", "Tam Orrin", "--data", dir}, exitUsage, "", "one of Ida Fenn, Bea Lund"},
		{"test without a file", 200, []string{"test", "--data", none}, exitRefused, "", "nobody to send to"},
		{"list without data", 200, []string{"list", "--data", none}, exitRefused, "", "There is no data"},
		{"nothing", 200, nil, exitUsage, "", "notify check, notify test or notify list"},
		{"something else", 200, []string{"sing"}, exitUsage, "", `got "sing"`},
		{"flag of another", 200, []string{"check", "--json"}, exitUsage, "", "belong to lastlook notify list"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			answer.Store(int32(tt.answer))
			status, out, errs := cli("", append([]string{"notify"}, tt.args...)...)
			if status != tt.status || !strings.Contains(out, tt.out) || !strings.Contains(errs, tt.errs) {
				t.Errorf("notify %q = %d\n%s%s\nwant %d, %q, %q", tt.args, status, out, errs, tt.status, tt.out, tt.errs)
			}
			if strings.Contains(out+errs, hookSecret) {
				t.Error("it shows the secret")
			}
		})
	}
	status, _, errs := cli("", "serve", "--data", bad, "--listen", "localhost:0")
	if status != exitRefused || !strings.Contains(errs, "notify.yaml:1") {
		t.Errorf("serve with a mistake in notify.yaml = %d, %s", status, errs)
	}
	if _, err := os.Stat(filepath.Join(bad, store.File)); err == nil {
		t.Error("serve made a data file before it looked at notify.yaml")
	}
}

// TestServeTells: a stop taken at the bench reaches the receiver, and the list shows
// it.
func TestServeTells(t *testing.T) {
	calls := make(chan string, 10)
	srv := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		var body struct{ Cause, To string }
		if err := json.NewDecoder(r.Body).Decode(&body); err != nil {
			t.Error(err)
		}
		calls <- body.Cause + " to " + body.To
	}))
	defer srv.Close()
	ctx := context.Background()
	dir := t.TempDir()
	st := look(t, dir)
	made, err := demo.Fill(ctx, st, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	notifyFile(t, dir, hookFile(srv.URL))
	who, err := courier.Load(dir)
	if err != nil {
		t.Fatal(err)
	}
	st.SetPlan(who.Plan)
	tam := made.People[demo.Tam]
	step := store.Step{Code: made.Codes[demo.AtWork], Actor: consignment.Actor{ID: tam.ID, Name: tam.Name, Roles: tam.Roles}, Bench: demo.Bench}
	pkgs := made.States[demo.AtWork].Round().ToExamine()
	pkg := pkgs[len(pkgs)-1]
	for _, c := range []consignment.Command{consignment.Open{Package: pkg}, consignment.RecordFind{Rung: ladder.Stop, Facts: consignment.FindFacts{
		Package: pkg, Part: consignment.PartPackage, What: consignment.Suspect, Units: 1, Alive: consignment.AliveYes, Method: consignment.ByEye, Note: "never seen it"}}} {
		step.Command = c
		if _, err := st.Do(ctx, step); err != nil {
			t.Fatal(err)
		}
	}
	status, out, errs := cli("", "notify", "list", "--data", dir)
	for _, want := range []string{"waiting   Stop K-2036  Ida Fenn, webhook", "on every screen", "not printed yet"} {
		if status != exitDone || !strings.Contains(out, want) {
			t.Errorf("notify list = %d\n%s%s\nwithout %q", status, out, errs, want)
		}
	}
	s := start(t, "serve", "--data", dir, "--listen", "localhost:0")
	got := map[string]bool{}
	for range 2 {
		select {
		case c := <-calls:
			got[c] = true
		case <-time.After(time.Minute):
			t.Fatalf("only %v arrived\n%s", got, s.errs)
		}
	}
	if !got["stop to Ida Fenn"] || !got["head to Ida Fenn"] {
		t.Errorf("arrived: %v; want the stop and the signed head", got)
	}
	if status := s.stop(); status != exitDone {
		t.Fatalf("serve ends with %d: %s", status, s.errs)
	}
	status, out, errs = cli("", "notify", "list", "--all", "--json", "--data", dir)
	delivered := 0
	for line := range strings.Lines(out) {
		var l noticeLine
		if err := json.Unmarshal([]byte(line), &l); err != nil {
			t.Fatalf("%q: %v", line, err)
		}
		if l.State == "delivered" {
			delivered++
		}
	}
	if status != exitDone || delivered != 2 {
		t.Errorf("notify list --all --json = %d with %d delivered, want 2\n%s%s", status, delivered, out, errs)
	}
	if strings.Contains(s.errs.String(), hookSecret) || strings.Contains(s.errs.String(), srv.URL) {
		t.Errorf("the log says too much: %s", s.errs)
	}
}
