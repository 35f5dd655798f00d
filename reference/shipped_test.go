package reference_test

import (
	"io/fs"
	"os"
	"slices"
	"strings"
	"testing"

	"lastlook/assets"
	"lastlook/reference"
)

// shippedFS is the reference that is built into the program.
func shippedFS() fs.FS {
	sub, err := fs.Sub(assets.FS, "reference")
	if err != nil {
		panic(err) // only for a malformed name
	}
	return sub
}

// TestShippedEntries reports every problem of every shipped file. While entries
// are still being written, LASTLOOK_REFERENCE_PARTIAL=1 counts links to planned
// entries apart instead of failing.
func TestShippedEntries(t *testing.T) {
	book, problems := reference.Read(shippedFS())
	planned := lines(t, "testdata/ids.txt")
	partial := os.Getenv("LASTLOOK_REFERENCE_PARTIAL") != ""
	dangling := 0
	for _, p := range problems {
		if partial && p.Missing != "" && slices.Contains(planned, p.Missing) {
			dangling++
			continue
		}
		t.Errorf("%v", p)
	}
	missing := 0
	for _, id := range planned {
		if book.Entry(id) == nil {
			missing++
			if !partial {
				t.Errorf("entry %q is planned but not there", id)
			}
		}
	}
	for _, e := range book.Entries() {
		if !slices.Contains(planned, e.ID) {
			t.Errorf("entries/%s.yaml: %q is not a planned entry: add it to testdata/ids.txt if it is meant to ship", e.ID, e.ID)
		}
	}
	t.Logf("%d entries, %d of %d planned ones not there yet, %d links to those", len(book.Entries()), missing, len(planned), dangling)
}

func lines(t testing.TB, name string) []string {
	t.Helper()
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	out := strings.Fields(string(b))
	if len(out) == 0 {
		t.Fatalf("%s is empty", name)
	}
	return out
}
