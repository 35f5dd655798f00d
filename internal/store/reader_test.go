package store

import (
	"context"
	"os"
	"path/filepath"
	"testing"

	"lastlook/internal/say"
)

func TestOpenReading(t *testing.T) {
	ctx := context.Background()
	dir := t.TempDir()
	if _, err := OpenReading(ctx, filepath.Join(dir, "nowhere")); say.CodeOf(err) != say.NotFound {
		t.Errorf("no folder: %v, want it not found", err)
	}
	if _, err := os.Stat(filepath.Join(dir, "nowhere")); err == nil {
		t.Error("reading made a folder")
	}
	w, err := Open(ctx, dir)
	if err != nil {
		t.Fatal(err)
	}
	hash, err := w.PutBlob(ctx, "text/plain", []byte("kept"))
	if err != nil {
		t.Fatal(err)
	}
	// While the bench has the folder open.
	r, err := OpenReading(ctx, dir)
	if err != nil {
		t.Fatal(err)
	}
	if _, b, err := r.Blob(ctx, hash); err != nil || string(b) != "kept" {
		t.Errorf("Blob = %q, %v", b, err)
	}
	if _, err := r.PutBlob(ctx, "text/plain", []byte("new")); err == nil {
		t.Error("a store opened for reading could be written")
	}
	r.Close()
	w.Close()
	// After it.
	before, err := os.ReadFile(filepath.Join(dir, File))
	if err != nil {
		t.Fatal(err)
	}
	if r, err = OpenReading(ctx, dir); err != nil {
		t.Fatal(err)
	}
	if _, b, err := r.Blob(ctx, hash); err != nil || string(b) != "kept" {
		t.Errorf("Blob = %q, %v", b, err)
	}
	r.Close()
	after, err := os.ReadFile(filepath.Join(dir, File))
	if err != nil || string(before) != string(after) {
		t.Errorf("reading changed the data file (%v)", err)
	}

	if err := os.WriteFile(filepath.Join(dir, File), []byte("this is no database, but it is long enough to look at"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := OpenReading(ctx, dir); say.CodeOf(err) != say.Storage {
		t.Errorf("not a data file: %v, want a refusal", err)
	}
}

func TestOpenReadingOtherVersion(t *testing.T) {
	ctx := context.Background()
	for name, sql := range map[string]string{
		"newer": "INSERT INTO goose_db_version (version_id, is_applied) VALUES (9999, 1)",
		"older": "DELETE FROM goose_db_version WHERE version_id > 0",
	} {
		dir := t.TempDir()
		w, err := Open(ctx, dir)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := w.sql.Exec(sql); err != nil {
			t.Fatal(err)
		}
		w.Close()
		if _, err := OpenReading(ctx, dir); say.CodeOf(err) != say.Storage {
			t.Errorf("%s: %v, want a refusal", name, err)
		}
	}
}
