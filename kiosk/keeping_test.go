package kiosk

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"lastlook/internal/say"
	"lastlook/internal/store"
)

// kept serves a kiosk whose backups stand as given, outside demo mode.
func kept(t *testing.T, st *store.Store, backups func() store.Kept) func(path string) string {
	t.Helper()
	h, err := New(Config{Store: st, Bench: "bench 1", Reference: testReference(t), Backups: backups, Log: slog.New(slog.NewTextHandler(io.Discard, nil))})
	if err != nil {
		t.Fatal(err)
	}
	srv := httptest.NewServer(h)
	t.Cleanup(srv.Close)
	return func(path string) string {
		t.Helper()
		resp, err := http.Get(srv.URL + path)
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		b, err := io.ReadAll(resp.Body)
		if err != nil || resp.StatusCode != http.StatusOK {
			t.Fatalf("GET %s = %d, %v", path, resp.StatusCode, err)
		}
		return string(b)
	}
}

func TestBackupsAreShown(t *testing.T) {
	ctx := context.Background()
	st, err := store.Open(ctx, t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { st.Close() })
	at := time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)
	local := at.Local().Format("2006-01-02 15:04")
	good := store.Backup{Path: "D/lastlook-000001-20261125T080000Z.db", Verified: store.Verified{Steps: 412}}
	for _, tt := range []struct {
		name       string
		backups    func() store.Kept
		office     []string
		health     string
		wrongTones int
	}{
		{"none are made", nil, []string{"This bench makes no backups", "lastlook backup"}, "ok\n", 0},
		{"the first is on its way", func() store.Kept { return store.Kept{Dir: "D"} },
			[]string{"The first backup is being made in D."}, "ok\nbackup ok: The first backup is being made in D.\n", 0},
		{"in order", func() store.Kept { return store.Kept{Dir: "D", At: at, Good: good, GoodAt: at} },
			[]string{"Backed up and checked at " + local + ": 412 steps, in D."}, "ok\nbackup ok: Backed up and checked at 2026-11-25 08:00 UTC: 412 steps, in D.\n", 0},
		{"failed", func() store.Kept {
			return store.Kept{Dir: "D", At: at.Add(time.Hour), Err: say.Refuse(say.Storage, "The disk of %s is full.", "D"), Good: good, GoodAt: at, Late: true}
		}, []string{"Backups need looking after", "The disk of D is full.", "The newest good one is of " + local},
			"ok\nbackup WRONG: The backup of 2026-11-25 09:00 UTC failed. The disk of D is full. The newest good one is of 2026-11-25 08:00 UTC, with 412 steps.\n", 1},
		{"failed, not known why", func() store.Kept { return store.Kept{Dir: "D", At: at, Err: errors.New("fd 7")} },
			[]string{"The log says why."}, "ok\nbackup WRONG: The backup of 2026-11-25 08:00 UTC failed. The log says why. There is no good backup yet.\n", 1},
	} {
		t.Run(tt.name, func(t *testing.T) {
			get := kept(t, st, tt.backups)
			page := get("/office")
			words := reply{body: page}.text()
			for _, want := range tt.office {
				if !strings.Contains(words, want) {
					t.Errorf("the office says %.400q, without %q", words, want)
				}
			}
			if n := strings.Count(page, "notice-wrong"); n != tt.wrongTones || strings.Contains(page, "fd 7") {
				t.Errorf("%d notices are of the wrong kind, want %d", n, tt.wrongTones)
			}
			if got := get("/health"); got != tt.health {
				t.Errorf("GET /health = %q, want %q", got, tt.health)
			}
		})
	}
}

// A restored backup lacks steps: the office says so until it is settled.
func TestRestoreIsShown(t *testing.T) {
	ctx := context.Background()
	first := newDesk(t)
	first.staff()
	b, err := store.WriteBackup(ctx, first.store.Dir(), store.Target{Path: t.TempDir(), Keys: true}, noon)
	if err != nil {
		t.Fatal(err)
	}
	first.post("/people", map[string][]string{"name": {"Bea Lund"}, "roles": {"trainee"}})
	head, err := first.store.Head(ctx)
	if err != nil || head.Size <= b.Steps {
		t.Fatalf("nothing was done after the backup: %d steps, %v", head.Size, err)
	}
	data := filepath.Join(t.TempDir(), "data")
	if _, err := store.RestoreBackup(ctx, store.Restore{From: b.Path, Data: data, Printed: head.Fingerprint()}, noon); err != nil {
		t.Fatal(err)
	}
	st, err := store.Open(ctx, data)
	if err != nil {
		t.Fatal(err)
	}
	get := kept(t, st, nil)
	want := "The record went back: the printed head " + head.Fingerprint() + " is not in it, so steps are lost."
	if words := (reply{body: get("/office")}).text(); !strings.Contains(words, "Something is wrong with the record") || !strings.Contains(words, want) {
		t.Errorf("the office says %.600q, without %q", words, want)
	}
	if got := get("/health"); !strings.HasPrefix(got, "ok\nrecord WRONG: ") || !strings.Contains(got, want) {
		t.Errorf("GET /health = %q, want %q", got, want)
	}
	st.Close()
	if err := os.Remove(filepath.Join(data, store.RestoredFile)); err != nil {
		t.Fatal(err)
	}
	if st, err = store.Open(ctx, data); err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	if got := kept(t, st, nil)("/health"); got != "ok\n" {
		t.Errorf("settled, but GET /health = %q", got)
	}
}

// What the office says about keeping comes from the catalogue.
func TestKeepingIsSaidFromTheCatalogue(t *testing.T) {
	s := newDesk(t, pseudo)
	for _, u := range unsaid(s.get("/office").body) {
		t.Errorf("not from the catalogue: %s", u)
	}
}

func TestNoticesAreShown(t *testing.T) {
	st, err := store.Open(context.Background(), t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { st.Close() })
	for _, wrong := range []bool{false, true} {
		h, err := New(Config{Store: st, Bench: "bench 1", Reference: testReference(t), Log: slog.New(slog.NewTextHandler(io.Discard, nil)),
			Notices: func() (say.Text, bool) { return say.T("So it stands."), wrong }})
		if err != nil {
			t.Fatal(err)
		}
		for path, want := range map[string]string{
			"/health": map[bool]string{false: "ok\nnotices ok: So it stands.\n", true: "ok\nnotices WRONG: So it stands.\n"}[wrong],
			"/office": map[bool]string{false: "Telling people outside", true: "Messages do not arrive"}[wrong],
		} {
			rec := httptest.NewRecorder()
			h.ServeHTTP(rec, httptest.NewRequest("GET", "http://localhost"+path, nil))
			if got := rec.Body.String(); !strings.Contains(got, want) || !strings.Contains(got, "So it stands.") {
				t.Errorf("GET %s lacks %q, with wrong %v", path, want, wrong)
			}
			if strings.Contains(rec.Body.String(), "notice-right") {
				t.Errorf("GET %s ticks what may be that nobody is told", path)
			}
		}
	}
}
