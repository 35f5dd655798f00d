package main

import (
	"bytes"
	"context"
	"encoding/json"
	"strings"
	"testing"
)

// runLookup runs the subcommand and gives its exit status, output and messages.
func runLookup(in string, args ...string) (status int, out, errs string) {
	var o, e bytes.Buffer
	status = run(context.Background(), terminal{in: strings.NewReader(in), out: &o, err: &e}, append([]string{"lookup"}, args...))
	return status, o.String(), e.String()
}

func TestLookup(t *testing.T) {
	for _, c := range []struct {
		name   string
		in     string
		args   []string
		status int
		out    string // in the output
		errs   string // in the messages
	}{
		{"a sign", "", []string{"spit", "on", "lavender"}, exitDone, "spittlebug", ""},
		{"a name", "", []string{"Popillia"}, exitDone, "Japanese beetle (Popillia japonica), japanese-beetle", ""},
		{"a misspelt name", "", []string{"xilella"}, exitDone, "No entry has “xilella”; the nearest word is “xylella”.", ""},
		{"flags after words", "", []string{"aphid", "--limit", "1"}, exitDone, "One entry fits.", ""},
		{"raised at a destination", "", []string{"--destination", "Saltwick", "--limit", "1", "western flower thrips"}, exitDone, "  1  stop    Western flower thrips", ""},
		{"unknown destination", "", []string{"--destination", "Nowhere", "aphid"}, exitDone, "aphid", `no list names the destination "Nowhere"`},
		{"nothing found", "", []string{"qqqqqqqq"}, exitRefused, "No entry has these words.", ""},
		{"only stop words", "", []string{"the", "and"}, exitRefused, "", ""},
		{"nothing asked", "", nil, exitUsage, "", "lookup needs words"},
		{"no such part", "", []string{"--part", "elbow", "aphid"}, exitUsage, "", `"elbow" is not a part; use one of shoot_tip`},
		{"limit out of bounds", "", []string{"--limit", "0", "aphid"}, exitUsage, "", "from 1 to 50"},
		{"from standard input", "greenfly\n\nred lily beetle", []string{"--limit", "1", "-"}, exitDone, "lily-beetle", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			status, out, errs := runLookup(c.in, c.args...)
			if status != c.status || !strings.Contains(out, c.out) || !strings.Contains(errs, c.errs) {
				t.Errorf("lookup %q = %d\nout: %s\nerr: %s\nwant %d with %q and %q", c.args, status, out, errs, c.status, c.out, c.errs)
			}
		})
	}
}

func TestLookupJSON(t *testing.T) {
	status, out, _ := runLookup("spotted <lanternfly>\n\nzzzzzzzzz\n", "--json", "--limit", "3", "-")
	if status != exitDone {
		t.Errorf("lookup --json = %d, want %d", status, exitDone)
	}
	lines := strings.Split(strings.TrimSpace(out), "\n")
	if len(lines) != 3 {
		t.Fatalf("lookup --json of three lines gave %d objects:\n%s", len(lines), out)
	}
	var first, third map[string]any
	if err := json.Unmarshal([]byte(lines[0]), &first); err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal([]byte(lines[2]), &third); err != nil {
		t.Fatal(err)
	}
	hits := first["hits"].([]any)
	hit := hits[0].(map[string]any)
	if first["query"] != "spotted <lanternfly>" || hit["id"] != "spotted-lanternfly" || len(hits) != 3 {
		t.Errorf("first object = %v", first)
	}
	for _, key := range []string{"id", "name", "kind", "score", "action", "why"} {
		if hit[key] == nil || hit[key] == "" {
			t.Errorf("hit has no %q: %v", key, hit)
		}
	}
	if got := third["hits"].([]any); len(got) != 0 {
		t.Errorf("hits for nonsense = %v, want an empty list", got)
	}
}
