package reference_test

import (
	"bytes"
	"encoding/json"
	"testing"

	"lastlook/internal/ladder"
	"lastlook/reference"
)

// TestCanonical compares with text written by hand after RFC 8785: sorted keys,
// no blanks, letters beyond ASCII as they are, only what must be escaped escaped.
func TestCanonical(t *testing.T) {
	e := &reference.Entry{ID: "a", Name: "Żółw \"<&>\" \u2028\x01\n\t\\", Action: ladder.Stop, Revision: 3, Regulated: true}
	want := `{"action":"stop","action_why":"","cautions":[],"closer_look":[],"does":"","eppo":"","exam":[],"host_words":[],"hosts":[],"id":"a","kind":"","look_alikes":[],"looks":"",` +
		`"name":"Żółw \"<&>\" ` + "\u2028" + `\u0001\n\t\\","other_names":[],"parts":[],"regulated":true,"regulated_note":"","review_by":"","revision":3,"scientific":"","signs":[],"sources":[],"stages":[],"synonyms":[]}`
	if got := string(e.Canonical()); got != want {
		t.Errorf("Canonical() =\n%s\nwant\n%s", got, want)
	}
}

// TestCanonicalRoundTrip: the canonical form is JSON that gives the entry back,
// and the same hash again.
func TestCanonicalRoundTrip(t *testing.T) {
	for _, e := range shippedBook(t).Entries() {
		var back reference.Entry
		if err := json.Unmarshal(e.Canonical(), &back); err != nil {
			t.Fatalf("%s: %v", e.ID, err)
		}
		if !bytes.Equal(back.Canonical(), e.Canonical()) || back.Hash() != e.Hash() || len(e.Hash()) != 64 {
			t.Errorf("%s does not come back the same from its canonical form", e.ID)
		}
		if ps := back.Check(); len(ps) > 0 {
			t.Errorf("%s read back: %v", e.ID, ps)
		}
	}
}
