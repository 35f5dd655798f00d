package record_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"lastlook/internal/consignment"
	"lastlook/internal/ladder"
	"lastlook/internal/record"
	"lastlook/internal/record/recordtest"
	"lastlook/internal/say"
)

var update = flag.Bool("update", false, "write the golden files anew")

func build(t testing.TB, c *recordtest.Bench) *record.Record {
	t.Helper()
	r, err := record.Build(c.State, record.Options{Photos: c.Photo, Program: "Lastlook 0"})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// The golden files hold all that a record says. They were read line by line
// against the steps in recordtest before they were kept.
func TestGolden(t *testing.T) {
	for _, c := range recordtest.Cases(t) {
		t.Run(c.Name, func(t *testing.T) {
			got := strings.Join(build(t, c.Bench).Document(recordtest.Zone).Lines(nil), "\n") + "\n"
			if strings.Contains(got, "%!") {
				t.Errorf("a sentence has values that do not fit it: %s", got[strings.Index(got, "%!"):])
			}
			file := filepath.Join("testdata", strings.ReplaceAll(c.Name, " ", "-")+".txt")
			if *update {
				if err := os.MkdirAll("testdata", 0o755); err != nil {
					t.Fatal(err)
				}
				if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if got != string(want) {
				t.Errorf("the record differs from %s:\n%s", file, firstDifference(got, string(want)))
			}
		})
	}
}

func firstDifference(got, want string) string {
	g, w := strings.Split(got, "\n"), strings.Split(want, "\n")
	for i := range min(len(g), len(w)) {
		if g[i] != w[i] {
			return "got  " + g[i] + "\nwant " + w[i]
		}
	}
	return "one is longer than the other"
}

func byName(t testing.TB, name string) *recordtest.Bench {
	t.Helper()
	for _, c := range recordtest.Cases(t) {
		if c.Name == name {
			return c.Bench
		}
	}
	t.Fatalf("there is no case %q", name)
	return nil
}

func TestAmendedBothStand(t *testing.T) {
	r := build(t, byName(t, "amended"))
	f := r.Rounds[0].Finds[0]
	if f.Facts.What != consignment.LivePest || len(f.Earlier) != 1 || f.Earlier[0].Facts.What != consignment.Damage {
		t.Errorf("find 1: %+v, want a pest amended from damage", f)
	}
	if e := f.Earlier[0].Amended; e.By != "Tam Orrin" || e.Reason != "looked again with the lens" || e.Step == 0 {
		t.Errorf("amended by %+v", e)
	}
	if f.Chosen != ladder.Note || f.Rung != ladder.Note || len(f.Moves) != 2 {
		t.Fatalf("chosen %v, in force %v, %d moves; want note, note, 2", f.Chosen, f.Rung, len(f.Moves))
	}
	if m := f.Moves[0]; m.From != ladder.Reject || m.To != ladder.Sample || m.By != "Tam Orrin" {
		t.Errorf("first move %+v, want from reject to sample", m)
	}
	if m := f.Moves[1]; m.From != ladder.Sample || m.To != ladder.Note || m.By != "Ida Fenn" || m.Reason == "" {
		t.Errorf("second move %+v, want from sample to note, with a reason", m)
	}
	if len(f.Photos) != 2 || f.Photos[0].Superseded || !f.Photos[1].Superseded {
		t.Errorf("photos %+v, want that of the amended version and then the superseded one", f.Photos)
	}
	back := r.Rounds[0].Finds[1]
	if back.TakenBack == nil || back.TakenBack.Reason != "that was the pot, not the plant" {
		t.Errorf("find 2 %+v, want it taken back and still on record", back)
	}
	if len(r.Amendments) != 3 {
		t.Errorf("%d amendments, want 3", len(r.Amendments))
	}
}

// What a find stood at before a move is what stood then, also if the find was
// amended later.
func TestMoveBeforeAmendment(t *testing.T) {
	b := recordtest.New(t, "K-1", "Saltwick Quay Market (invented)", recordtest.Lavender(9)).Seal("")
	pkg := b.Drawn(0)
	b.Open(pkg, 12)
	f := recordtest.Facts(pkg, 1, consignment.Damage, consignment.AliveNo)
	n := b.Find(f, 0)
	f.What, f.Alive = consignment.LivePest, consignment.AliveYes
	b.Do(consignment.RaiseFind{Find: n, Rung: ladder.Reject, Reason: "looks fresh"}, consignment.AmendFind{Find: n, Facts: f, Reason: "found it"})
	got := build(t, b).Rounds[0].Finds[0]
	if len(got.Moves) != 1 || got.Moves[0].From != ladder.Note || got.Moves[0].To != ladder.Reject {
		t.Errorf("moves %+v, want one from note to reject", got.Moves)
	}
}

func TestReplacedKeepsItsPlace(t *testing.T) {
	r := build(t, byName(t, "rejected")).Rounds[0]
	if len(r.Replacements) != 2 || len(r.Exams) != len(r.Draw) {
		t.Fatalf("%d replacements, %d exams for %d drawn", len(r.Replacements), len(r.Exams), len(r.Draw))
	}
	gone := map[int]bool{}
	for _, rep := range r.Replacements {
		gone[rep.Package] = true
	}
	for i, x := range r.Exams {
		switch {
		case x.Place != i+1 || gone[x.Package]:
			t.Errorf("place %d: %+v", i+1, x)
		case x.InPlaceOf != 0 && x.InPlaceOf != r.Draw[i], x.InPlaceOf == 0 && x.Package != r.Draw[i]:
			t.Errorf("place %d: %+v, drawn was %d", i+1, x, r.Draw[i])
		case !x.Closed.Done() || x.Closed.By != "Tam Orrin" || x.Closed.Bench != "bench 1":
			t.Errorf("place %d closed %+v", i+1, x.Closed)
		}
	}
}

// A round keeps the list it was sealed with, though packages were taken out
// afterwards.
func TestRoundKeepsItsList(t *testing.T) {
	r := build(t, byName(t, "second round"))
	if got := []int{r.Rounds[0].Lines[0].Present(), r.Rounds[1].Lines[0].Present()}; got[0] != 12 || got[1] != 11 {
		t.Errorf("lists of %v packages, want 12 and 11", got)
	}
	for _, round := range r.Rounds {
		if !round.DigestAgrees {
			t.Errorf("round %d: the digest does not agree", round.Number)
		}
	}
}

func TestDigestTold(t *testing.T) {
	b := byName(t, "passed")
	for i, rec := range b.State.History {
		if e, ok := rec.Event.(consignment.Sealed); ok {
			e.Digest = strings.Repeat("0", 64)
			b.State.History[i].Event = e
		}
	}
	s, err := consignment.Fold(b.State.History)
	if err != nil {
		t.Fatal(err)
	}
	b.State = s
	all := strings.Join(build(t, b).Document(time.UTC).Lines(nil), "\n")
	if !strings.Contains(all, "NOT the same") {
		t.Error("a digest that does not belong to the list is not told")
	}
}

func TestZones(t *testing.T) {
	prague, err := time.LoadLocation("Europe/Prague")
	if err != nil {
		t.Skip("no time zones on this machine")
	}
	// Over the end of summer time, 2026-10-25 01:00 UTC.
	at := func(s string) time.Time {
		v, err := time.Parse(time.RFC3339, s)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	reg := consignment.Registered{Code: "7F3K", Number: "K-1", Customer: "x", Destination: "Saltwick", DispatchAt: at("2026-10-25T01:30:00Z"),
		Lines: []consignment.Line{recordtest.Lavender(3)}}
	s, err := consignment.Fold([]consignment.Recorded{{Version: 1, At: at("2026-10-25T00:30:00Z"), Actor: recordtest.Tam, Event: reg}})
	if err != nil {
		t.Fatal(err)
	}
	r, err := record.Build(s, record.Options{})
	if err != nil {
		t.Fatal(err)
	}
	tests := []struct {
		name string
		zone *time.Location
		want []string
	}{
		{"summer time ends", prague, []string{"2026-10-25 02:30 CEST", "2026-10-25 02:30 CET", "CET (UTC+01:00); CEST (UTC+02:00)"}},
		{"one zone", recordtest.Zone, []string{"2026-10-25 01:30", "CET (UTC+01:00)."}},
		{"without a name", time.FixedZone("", 5*3600+1800), []string{"2026-10-25 06:00", "UTC+05:30."}},
		{"UTC", time.UTC, []string{"2026-10-25 00:30", "at the bench: UTC."}},
	}
	for _, tt := range tests {
		all := strings.Join(r.Document(tt.zone).Lines(nil), "\n")
		for _, w := range tt.want {
			if !strings.Contains(all, w) {
				t.Errorf("%s: %q is missing in\n%s", tt.name, w, all)
			}
		}
	}
}

func TestJSON(t *testing.T) {
	for _, c := range recordtest.Cases(t) {
		r := build(t, c.Bench)
		a, err := json.Marshal(r)
		if err != nil {
			t.Fatal(err)
		}
		b, _ := json.Marshal(build(t, c.Bench))
		if !bytes.Equal(a, b) {
			t.Errorf("%s: the same history gives another record", c.Name)
		}
		var back record.Record
		if err := json.Unmarshal(a, &back); err != nil {
			t.Errorf("%s: %v", c.Name, err)
		}
		if again, _ := json.Marshal(back); !bytes.Equal(a, again) {
			t.Errorf("%s: reading the record back loses something", c.Name)
		}
	}
}

func TestBuildRefuses(t *testing.T) {
	empty, err := consignment.Fold(nil)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := record.Build(empty, record.Options{}); say.CodeOf(err) != say.NotFound {
		t.Errorf("no consignment: %v", err)
	}
	b := byName(t, "stopped")
	if _, err := record.Build(b.State, record.Options{}); err == nil {
		t.Error("photos without a place to look them up were accepted")
	}
	disk := errors.New("disk")
	if _, err := record.Build(b.State, record.Options{Photos: func(string) ([]byte, error) { return nil, disk }}); !errors.Is(err, disk) {
		t.Errorf("a failing disk: %v", err)
	}
	r, err := record.Build(b.State, record.Options{Photos: func(string) ([]byte, error) { return []byte("no picture"), nil }})
	if err != nil || r.Rounds[0].Finds[0].Photos[0].Problem.IsZero() {
		t.Errorf("a photo that is none: %v", err)
	}
}

// Every table has a value for each column, and columns fill the width.
func TestTables(t *testing.T) {
	for _, c := range recordtest.Cases(t) {
		for _, s := range build(t, c.Bench).Document(time.UTC).Sections {
			for _, b := range s.Blocks {
				if b.Table == nil {
					continue
				}
				sum := 0.0
				for _, col := range b.Table.Columns {
					sum += col.Share
				}
				if sum != 100 {
					t.Errorf("%s: columns of %q add up to %v", c.Name, b.Table.Caption, sum)
				}
				for _, row := range b.Table.Rows {
					if len(row) != len(b.Table.Columns) {
						t.Errorf("%s: %q has a row of %d for %d columns", c.Name, b.Table.Caption, len(row), len(b.Table.Columns))
					}
				}
			}
		}
	}
}

// A name that overrides the direction of what follows must not turn it round.
func TestNamesStandApart(t *testing.T) {
	all := strings.Join(build(t, byName(t, "hostile")).Document(time.UTC).Lines(nil), "\n")
	if want := " · \u2068" + recordtest.Nasty + "\u2069 · bench 1"; !strings.Contains(all, want) {
		t.Errorf("%q is missing", want)
	}
	if plain := strings.Join(build(t, byName(t, "passed")).Document(time.UTC).Lines(nil), "\n"); strings.Contains(plain, "\u2068") {
		t.Error("an ordinary name is isolated")
	}
}

// A record goes to strangers: with what is on a badge they could make the badge.
func TestNoBadges(t *testing.T) {
	r := build(t, byName(t, "amended"))
	raw, err := json.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	all := strings.Join(r.Document(time.UTC).Lines(nil), "\n") + string(raw)
	for _, a := range []consignment.Actor{recordtest.Tam, recordtest.Ida} {
		if !strings.Contains(all, a.Name) || strings.Contains(all, a.ID) {
			t.Errorf("%s: the name is missing or the badge is there", a.Name)
		}
	}
}

// Rounds from before there was a rule about keeping say nothing about it.
func TestKeptIsSaidWhereThereIsARule(t *testing.T) {
	var r *record.Record
	for _, c := range recordtest.Cases(t) {
		if c.Name == "passed" {
			r = build(t, c.Bench)
		}
	}
	for years, want := range map[int]string{7: "at least 7 years (common practice; local law decides)", 10: "at least 10 years"} {
		r.Rounds[0].Rules.RetentionYears = years
		if said := strings.Join(r.Document(recordtest.Zone).Lines(nil), "\n"); !strings.Contains(said, "Record kept\n"+want) {
			t.Errorf("with %d years the record does not say %q", years, want)
		}
	}
	r.Rounds[0].Rules.RetentionYears = 0
	if said := strings.Join(r.Document(recordtest.Zone).Lines(nil), "\n"); strings.Contains(said, "Record kept") {
		t.Error("without a rule the record speaks of one")
	}
}
