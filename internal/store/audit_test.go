package store

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"gorm.io/gorm"

	"lastlook/internal/consignment"
	"lastlook/internal/ledger"
	"lastlook/internal/people"
)

// worked is a data folder with a bit of everything in it.
func worked(t testing.TB) (*Store, string) {
	t.Helper()
	dir := t.TempDir()
	s := open(t, dir)
	for _, name := range []string{"Ida Fenn", "Tam Orrin"} {
		if _, err := s.DoPeople(ctx, tam, "office", "join "+name, people.Join{Name: name, Roles: []string{people.Supervisor}}); err != nil {
			t.Fatal(err)
		}
	}
	inspect(t, s, register(t, s, order("K-1", 2)))
	if _, err := s.ChangeKeys(ctx, tam, "office", "", "the old computer was sold"); err != nil {
		t.Fatal(err)
	}
	hash, err := s.PutBlob(ctx, "image/jpeg", []byte("picture"))
	if err != nil {
		t.Fatal(err)
	}
	code := register(t, s, order("K-2", 3))
	st := do(t, s, code, check(false), consignment.Seal{Counted: 3, Rules: s.Rules("")})
	pkg := st.Running().ToExamine()[0]
	do(t, s, code, consignment.Fetch{Package: pkg}, consignment.Open{Package: pkg}, consignment.LookPackage{Package: pkg}, consignment.CountUnits{Package: pkg, Units: 4},
		consignment.RecordFind{Facts: consignment.FindFacts{Package: pkg, Unit: 1, Part: consignment.PartStem, What: consignment.Damage, Units: 1,
			Alive: consignment.AliveNo, Method: consignment.ByEye, Photos: []string{hash}}})
	return s, dir
}

func audit(t testing.TB, s *Store, o AuditOptions) AuditReport {
	t.Helper()
	r, err := s.Audit(ctx, o)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func words(r AuditReport) string {
	var b strings.Builder
	for _, f := range r.Findings {
		fmt.Fprintf(&b, "%s: %s\n", f.Where, f.What)
	}
	return b.String()
}

func TestAuditOfSoundData(t *testing.T) {
	s, dir := worked(t)
	head := sound(t, s)
	r := audit(t, s, AuditOptions{})
	if !r.Agrees() {
		t.Fatalf("findings:\n%s", words(r))
	}
	if r.Steps != head.Size || r.Head != head || r.Hashes != ledger.Stored(head.Size) || r.Histories != 4 || r.Draws != 2 || r.Unproven != 0 || r.Attachments != 1 || r.Heads < 1 {
		t.Errorf("report %+v, want all of %d steps, 4 histories, 2 draws, 1 picture", r, head.Size)
	}
	if len(r.Notes) != 1 || !strings.Contains(r.Notes[0].String(), "keys were changed") {
		t.Errorf("notes %v, want one about the keys", r.Notes)
	}
	s.Close()
	reading, err := OpenReading(ctx, dir)
	if err != nil {
		t.Fatal(err)
	}
	defer reading.Close()
	if r := audit(t, reading, AuditOptions{}); !r.Agrees() || r.Steps != head.Size {
		t.Errorf("reading only: %d steps, findings:\n%s", r.Steps, words(r))
	}
}

// trial changes the data in a transaction, audits, and undoes the change.
func trial(t *testing.T, s *Store, o AuditOptions, change func(tx *gorm.DB) error) AuditReport {
	t.Helper()
	var r AuditReport
	undo := errors.New("undo")
	err := s.db.WithContext(ctx).Transaction(func(tx *gorm.DB) error {
		if err := change(tx); err != nil {
			return err
		}
		var err error
		if r, err = s.audit(tx, o); err != nil {
			return err
		}
		return undo
	})
	if !errors.Is(err, undo) {
		t.Fatal(err)
	}
	return r
}

func sqlChange(q string, args ...any) func(tx *gorm.DB) error {
	return func(tx *gorm.DB) error {
		res := tx.Exec(q, args...)
		if res.Error == nil && res.RowsAffected == 0 {
			return fmt.Errorf("%s changes nothing", q)
		}
		return res.Error
	}
}

// Every field of every event, changed one at a time, is found, and the step named.
func TestEveryChangedFieldIsFound(t *testing.T) {
	s, _ := worked(t)
	total := sound(t, s).Size
	if total < 40 {
		t.Fatalf("only %d events to change", total)
	}
	changes := map[string]string{
		"seq": "seq + 1000", "stream": "stream || 'X'", "version": "version + 1000", "kind": "kind || 'x'",
		"at": "substr(at, 1, 28) || CASE substr(at, 29, 1) WHEN '1' THEN '2Z' ELSE '1Z' END", "actor": "replace(actor, 'n', 'm')", "bench": "bench || '2'", "data": "replace(data, '\"', ' \"')",
	}
	trials := 0
	for seq := int64(1); seq <= total; seq++ {
		for field, expr := range changes {
			r := trial(t, s, AuditOptions{}, sqlChange("UPDATE events SET "+field+" = "+expr+" WHERE seq = ?", seq))
			trials++
			named := slices.ContainsFunc(r.Findings, func(f Finding) bool {
				return f.Where.String() == fmt.Sprint("step ", seq) || strings.HasPrefix(f.Where.String(), fmt.Sprintf("step %d (", seq))
			})
			if r.Agrees() || !named {
				t.Errorf("step %d with another %s: found\n%s", seq, field, words(r))
			}
		}
	}
	if r := audit(t, s, AuditOptions{}); !r.Agrees() {
		t.Errorf("a trial was not undone:\n%s", words(r))
	}
	t.Logf("%d trials", trials)
}

// rehash makes all hashes anew, as somebody would who changed an event.
func rehash(tx *gorm.DB) error {
	if err := tx.Exec("DELETE FROM hashes").Error; err != nil {
		return err
	}
	var rows []eventRow
	if err := tx.Order("seq").Find(&rows).Error; err != nil {
		return err
	}
	leaves := make([]ledger.Hash, len(rows))
	for i, row := range rows {
		leaves[i] = row.entry().Hash()
	}
	return putHashes(tx, &ledger.Edge{}, leaves)
}

// steps does one change after the other.
func steps(changes ...func(tx *gorm.DB) error) func(tx *gorm.DB) error {
	return func(tx *gorm.DB) error {
		for _, c := range changes {
			if err := c(tx); err != nil {
				return err
			}
		}
		return nil
	}
}

// resign signs the whole history as it is with the given keys.
func resign(k *ledger.Keys, drop bool) func(tx *gorm.DB) error {
	return func(tx *gorm.DB) error {
		if drop {
			if err := tx.Exec("DELETE FROM heads").Error; err != nil {
				return err
			}
		}
		var rows []eventRow
		if err := tx.Order("seq").Find(&rows).Error; err != nil {
			return err
		}
		var edge ledger.Edge
		for _, row := range rows {
			edge.Append(row.entry().Hash())
		}
		b, err := k.Sign(ledger.Head{Site: k.Site, Size: edge.Size, Root: edge.Root()})
		if err != nil {
			return err
		}
		return tx.Exec("INSERT OR REPLACE INTO heads (size, at, note) VALUES (?, ?, ?)", edge.Size, rows[len(rows)-1].At, string(b)).Error
	}
}

// shift moves the later events of the whole history by one place.
func shift(from int64, by int) func(tx *gorm.DB) error {
	return steps(
		func(tx *gorm.DB) error { return tx.Exec("UPDATE events SET seq = -seq WHERE seq >= ?", from).Error },
		func(tx *gorm.DB) error { return tx.Exec("UPDATE events SET seq = -seq + ? WHERE seq < 0", by).Error },
	)
}

func TestTamperTrials(t *testing.T) {
	s, dir := worked(t)
	head := sound(t, s)
	site, err := s.Site(ctx)
	if err != nil {
		t.Fatal(err)
	}
	real, err := ledger.ReadKeys(filepath.Join(dir, KeyFile))
	if err != nil {
		t.Fatal(err)
	}
	thief, err := ledger.NewKeys(site.Name, strings.NewReader(strings.Repeat("thief", 20)))
	if err != nil {
		t.Fatal(err)
	}
	last := head.Size
	copyEvent := "INSERT INTO events SELECT %d, stream, (SELECT MAX(version) FROM events WHERE stream = e.stream) + 1, kind, at, actor, bench, data FROM events e WHERE seq = %d"
	relabel := sqlChange("UPDATE events SET data = replace(data, 'K-2', 'K-9') WHERE seq = (SELECT MIN(seq) FROM events WHERE data LIKE '%K-2%')")
	for _, c := range []struct {
		name   string
		says   []string // each must be in what was found
		change func(tx *gorm.DB) error
	}{
		{"two events change places", []string{"step 9 (", "step 10 ("}, steps(
			sqlChange("UPDATE events SET seq = -9 WHERE seq = 9"), sqlChange("UPDATE events SET seq = 9 WHERE seq = 10"), sqlChange("UPDATE events SET seq = 10 WHERE seq = -9"))},
		{"places changed, hashed again", []string{"signed head of ", "not those that were signed"}, steps(
			sqlChange("UPDATE events SET seq = -9 WHERE seq = 9"), sqlChange("UPDATE events SET seq = 9 WHERE seq = 10"), sqlChange("UPDATE events SET seq = 10 WHERE seq = -9"), rehash)},
		{"an event dropped", []string{"step 9: It is missing"}, sqlChange("DELETE FROM events WHERE seq = 9")},
		{"dropped, the others moved up", []string{"step 9 (", fmt.Sprintf("signed head of %d steps: Only %d", last, last-1), "more are there"}, steps(sqlChange("DELETE FROM events WHERE seq = 9"), shift(10, -1))},
		{"dropped, moved up, hashed again", []string{fmt.Sprintf("signed head of %d steps: Only %d", last, last-1)}, steps(sqlChange("DELETE FROM events WHERE seq = 9"), shift(10, -1), rehash)},
		{"the last event dropped", []string{fmt.Sprintf("Only %d steps", last-1), "steps were taken away at the end"}, sqlChange("DELETE FROM events WHERE seq = ?", last)},
		{"the last event and its hashes dropped", []string{fmt.Sprintf("Only %d steps", last-1)}, steps(sqlChange("DELETE FROM events WHERE seq = ?", last), sqlChange("DELETE FROM hashes WHERE id >= ?", ledger.Stored(last-1)))},
		{"an event duplicated at the end", []string{fmt.Sprintf("step %d (", last+1), "put in from outside", "under no signed head"}, sqlChange(fmt.Sprintf(copyEvent, last+1, last))},
		{"an old event replayed", []string{fmt.Sprintf("step %d (", last+1)}, sqlChange(fmt.Sprintf(copyEvent, last+1, 8))},
		{"replayed and hashed", []string{"under no signed head"}, steps(sqlChange(fmt.Sprintf(copyEvent, last+1, last)), rehash)},
		{"replayed in the middle", []string{"step 9 (", "step 10 ("}, steps(shift(9, 1), sqlChange(fmt.Sprintf(copyEvent, 9, 8)))},
		{"an event before the first", []string{"steps before the first"}, sqlChange(fmt.Sprintf(copyEvent, -5, 8))},
		{"changed and hashed again", []string{"not those that were signed. Up to step"}, steps(relabel, rehash)},
		{"changed, hashed and signed by a stranger", []string{"not signed with the key that was in force"}, steps(relabel, rehash, resign(thief, true))},
		{"head signed with another key", []string{fmt.Sprintf("signed head of %d steps: It is not signed", last)}, resign(thief, false)},
		{"head of another size", []string{fmt.Sprintf("signed head of %d steps: Only", last+3)}, sqlChange("INSERT INTO heads SELECT size + 3, at, note FROM heads WHERE size = ?", last)},
		{"head of an older size", []string{fmt.Sprintf("signed head of %d steps: It is the head of %d steps", last-1, last)}, sqlChange("INSERT INTO heads SELECT size - 1, at, note FROM heads WHERE size = ?", last)},
		{"heads taken away", []string{"under no signed head"}, sqlChange("DELETE FROM heads")},
		{"a head cut short", []string{"signed head of"}, sqlChange("UPDATE heads SET note = substr(note, 1, 40) WHERE size = ?", last)},
		{"a leaf hash changed", []string{"step 9 ("}, sqlChange("UPDATE hashes SET hash = zeroblob(32) WHERE id = ?", ledger.Stored(8))},
		{"an inner hash changed", []string{"hash over steps 1 to 2: It is not made from"}, sqlChange("UPDATE hashes SET hash = zeroblob(32) WHERE id = 2")},
		{"a hash taken away", []string{"Its hash is missing"}, sqlChange("DELETE FROM hashes WHERE id = ?", ledger.Stored(8))},
		{"a hash too many", []string{"stored hashes: 1 more"}, sqlChange("INSERT INTO hashes SELECT MAX(id) + 1, hash FROM hashes")},
		{"changed and signed again with the real key", []string{"head in ", "another history"}, steps(relabel, rehash, resign(real, true))},
		{"keys put in the place of the site's", []string{"keys do not follow"}, sqlChange("UPDATE events SET data = replace(data, 'draw\":\"', 'draw\":\"00') WHERE stream = 'site' AND version = 1")},
		{"a chosen package", []string{"do not follow from each other"}, sqlChange(`UPDATE events SET data = replace(data, '"examine":[', '"examine":[3,') WHERE kind = 'drawn'`)},
		{"a line of the list changed", []string{"list of consignments, ", "(stage)"}, sqlChange("UPDATE consignments SET stage = 'passed' WHERE stage = 'inspecting'")},
		{"a line of the list taken away", []string{"there is no line"}, sqlChange("DELETE FROM consignments WHERE number = 'K-1'")},
		{"a line put in the list", []string{"list of consignments, ZZZZ: There is no such history"}, sqlChange(strings.Replace(
			"INSERT INTO consignments SELECT 'ZZZZ', 'K-9', invoice, customer, destination, crops, dispatch_at, latest_start, packages, fingerprint, version, round, 'passed', to_examine, fetched, examined, highest, valid_until, ended_at, held, place, waiting_since, re_entry, aboard, vehicle, left_at FROM consignments WHERE number = 'K-1'", "  ", " ", -1))},
		{"a find taken off the list", []string{"list of finds, "}, sqlChange("DELETE FROM finds WHERE find = 1")},
		{"a find put on the list", []string{"list of finds, ZZZZ"}, sqlChange("INSERT INTO finds SELECT 'ZZZZ', round, 9, package, unit, crop, batch, bay, part, what, entry, units, rung, at FROM finds LIMIT 1")},
		{"a person made supervisor", []string{"list of people"}, sqlChange("UPDATE people SET roles = '[]' WHERE place = 1")},
		{"a key that names steps that are not there", []string{"key join Ida Fenn"}, sqlChange("UPDATE commands SET last_version = 99 WHERE key = 'join Ida Fenn'")},
		{"a picture changed", []string{"attachment "}, sqlChange("UPDATE blobs SET bytes = 'another'")},
		{"a picture taken away", []string{"Its picture"}, sqlChange("DELETE FROM blobs")},
	} {
		t.Run(c.name, func(t *testing.T) {
			o := AuditOptions{Heads: []OutsideHead{{"report.txt", signedHead(t, s)}}}
			r := trial(t, s, o, c.change)
			if r.Agrees() {
				t.Fatal("nothing was found")
			}
			got := words(r)
			for _, want := range c.says {
				if !strings.Contains(got, want) {
					t.Errorf("found\n%swant it to speak of %q", got, want)
				}
			}
		})
	}
	if r := audit(t, s, AuditOptions{}); !r.Agrees() {
		t.Errorf("a trial was not undone:\n%s", words(r))
	}
}

func signedHead(t testing.TB, s *Store) []byte {
	t.Helper()
	h, err := s.Head(ctx)
	if err != nil {
		t.Fatal(err)
	}
	return []byte(h.Note)
}

func TestOutsideHeads(t *testing.T) {
	s, dir := worked(t)
	site, _ := s.Site(ctx)
	keys, err := ledger.ReadKeys(filepath.Join(dir, KeyFile))
	if err != nil {
		t.Fatal(err)
	}
	sign := func(k *ledger.Keys, h ledger.Head) []byte {
		b, err := k.Sign(h)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	thief, _ := ledger.NewKeys(site.Name, strings.NewReader(strings.Repeat("thief", 20)))
	head := sound(t, s)
	terms, err := s.KeyTerms(ctx)
	if err != nil || len(terms) != 2 || terms[0].Reason != "" || terms[1].Reason != "the old computer was sold" || terms[1].By.Name != tam.Name || terms[1].At.IsZero() {
		t.Fatalf("KeyTerms = %+v, %v", terms, err)
	}
	fork := head
	fork.Root[0] ^= 1
	longer := head
	longer.Size += 5
	for name, c := range map[string]struct {
		note []byte
		says string
	}{
		"the newest":           {signedHead(t, s), ""},
		"two heads of a size":  {sign(keys, fork), "another history"},
		"one of more steps":    {sign(keys, longer), "went back"},
		"one by a stranger":    {sign(thief, head), "cannot be checked"},
		"one with a later key": {sign(keys, ledger.Head{Site: site.Name, Size: 2, Root: edgeOf(t, s, 2).Root()}), "not signed with the key that was in force"},
		"no head":              {[]byte("hello"), "cannot be checked"},
	} {
		r := audit(t, s, AuditOptions{Heads: []OutsideHead{{"report.txt", c.note}}})
		if got := words(r); c.says == "" && got != "" || !strings.Contains(got, c.says) {
			t.Errorf("%s: found %q, want %q", name, got, c.says)
		}
	}
}

func edgeOf(t testing.TB, s *Store, size int64) ledger.Edge {
	t.Helper()
	e, err := ledger.ReadEdge(size, hashesIn(s.db))
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// A history signed anew from its first event by somebody without the key is
// noticed by the key file, and by any head from before.
func TestForgedFromTheBeginning(t *testing.T) {
	s, _ := worked(t)
	before := signedHead(t, s)
	site, _ := s.Site(ctx)
	thief, _ := ledger.NewKeys(site.Name, strings.NewReader(strings.Repeat("thief", 20)))
	set, err := ledger.SetKeys(thief)
	if err != nil {
		t.Fatal(err)
	}
	data, _ := ledger.Encode(set)
	r := trial(t, s, AuditOptions{Heads: []OutsideHead{{"report.txt", before}}}, steps(
		sqlChange("DELETE FROM events WHERE stream = 'site' AND version > 1"),
		sqlChange("UPDATE events SET data = ? WHERE stream = 'site'", string(data)),
		func(tx *gorm.DB) error { // close the gap
			var rows []eventRow
			if err := tx.Order("seq").Find(&rows).Error; err != nil {
				return err
			}
			for i, row := range rows {
				if err := tx.Exec("UPDATE events SET seq = ? WHERE seq = ?", i+1, row.Seq).Error; err != nil {
					return err
				}
			}
			return nil
		},
		rehash, resign(thief, true)))
	got := words(r)
	for _, want := range []string{"key file", "head in report.txt", "not this site's then"} {
		if !strings.Contains(got, want) {
			t.Errorf("found\n%swant it to speak of %q", got, want)
		}
	}
}

func TestSeedWithoutProofAfterKeysIsFound(t *testing.T) {
	s, _ := worked(t)
	r := trial(t, s, AuditOptions{}, func(tx *gorm.DB) error {
		var row eventRow
		if err := tx.Where("kind = 'drawn'").Order("seq").Limit(1).Find(&row).Error; err != nil {
			return err
		}
		e, err := consignment.Decode(row.Kind, []byte(row.Data))
		if err != nil {
			return err
		}
		d := e.(consignment.Drawn)
		d.Evidence = nil
		b, _ := consignment.Encode(d)
		return tx.Exec("UPDATE events SET data = ? WHERE seq = ?", string(b), row.Seq).Error
	})
	if got := words(r); r.Unproven != 1 || !strings.Contains(got, "seed without proof") {
		t.Errorf("%d unproven, found\n%s", r.Unproven, got)
	}
}

func TestAuditGoesOn(t *testing.T) {
	s, _ := worked(t)
	many := make([]consignment.Registered, 1200)
	for i := range many {
		many[i] = order(fmt.Sprintf("M-%d", i), 2)
	}
	if _, err := s.Register(ctx, tam, "office", many, nil); err != nil {
		t.Fatal(err)
	}
	whole := audit(t, s, AuditOptions{})
	if !whole.Agrees() {
		t.Fatal(words(whole))
	}
	// Stopped at each point it can be stopped at, and gone on with.
	var marks [][]byte
	audit(t, s, AuditOptions{Progress: func(m *AuditMark, done, total int64) {
		b, err := json.Marshal(m)
		if err != nil {
			t.Fatal(err)
		}
		marks = append(marks, b)
	}})
	if len(marks) < 20 {
		t.Fatalf("only %d marks", len(marks))
	}
	for _, i := range []int{0, 1, 5, len(marks) - 1} {
		var m AuditMark
		if err := json.Unmarshal(marks[i], &m); err != nil {
			t.Fatal(err)
		}
		r := audit(t, s, AuditOptions{From: &m})
		if r.ResumedFrom != m.Real.Size || r.ResumedFrom == 0 {
			t.Errorf("mark %d: resumed from %d, want %d", i, r.ResumedFrom, m.Real.Size)
		}
		r.ResumedFrom = 0
		if r.Heads >= whole.Heads { // those beside the file are looked at each time
			r.Heads = whole.Heads
		}
		if r.Notes = r.Notes[:1]; !reflect.DeepEqual(r, whole) {
			t.Errorf("mark %d: report %+v, want %+v", i, r, whole)
		}
	}
	var m AuditMark
	if err := json.Unmarshal(marks[0], &m); err != nil {
		t.Fatal(err)
	}
	m.Kept.Roots[0][0] ^= 1
	if r := audit(t, s, AuditOptions{From: &m}); r.ResumedFrom != 0 || !strings.Contains(fmt.Sprint(r.Notes), "began at the beginning") {
		t.Errorf("a mark of another record: resumed from %d, %v", r.ResumedFrom, r.Notes)
	}
	stop, cancel := context.WithCancel(ctx)
	_, err := s.Audit(stop, AuditOptions{Progress: func(*AuditMark, int64, int64) { cancel() }})
	if !errors.Is(err, context.Canceled) {
		t.Errorf("stopped: %v, want that it was cancelled", err)
	}
}

func TestAuditSaysWhenHistoryWentBack(t *testing.T) {
	s, dir := worked(t)
	note := signedHead(t, s)
	s.Close()
	raw := open(t, dir)
	if _, err := raw.sql.Exec("DELETE FROM events WHERE seq > (SELECT MAX(seq) - 5 FROM events)"); err != nil {
		t.Fatal(err)
	}
	raw.Close()
	if err := os.WriteFile(filepath.Join(dir, "head-7.note"), note, 0o600); err != nil {
		t.Fatal(err)
	}
	reading, err := OpenReading(ctx, dir)
	if err != nil {
		t.Fatal(err)
	}
	defer reading.Close()
	if got := words(audit(t, reading, AuditOptions{})); !strings.Contains(got, "head-7.note: It is of") {
		t.Errorf("found\n%s", got)
	}
}

func TestFindingsAreCapped(t *testing.T) {
	s := open(t, t.TempDir())
	many := make([]consignment.Registered, MaxFindings+100)
	for i := range many {
		many[i] = order(fmt.Sprintf("M-%d", i), 2)
	}
	if _, err := s.Register(ctx, tam, "office", many, nil); err != nil {
		t.Fatal(err)
	}
	r := trial(t, s, AuditOptions{}, sqlChange("UPDATE events SET bench = 'x' WHERE stream <> 'site'"))
	if len(r.Findings) != MaxFindings || r.More < 100 {
		t.Errorf("%d findings and %d more, want %d and the rest", len(r.Findings), r.More, MaxFindings)
	}
}

// BenchmarkAudit gives the time of an audit as a multiple of plain SHA-256 over
// the same bytes.
func BenchmarkAudit(b *testing.B) {
	s := open(b, b.TempDir())
	o := make([]consignment.Registered, 5000)
	for i := range o {
		o[i] = order(fmt.Sprintf("M-%d", i), 2)
	}
	if _, err := s.Register(ctx, tam, "office", o, nil); err != nil {
		b.Fatal(err)
	}
	var rows []eventRow
	if err := s.db.Order("seq").Find(&rows).Error; err != nil {
		b.Fatal(err)
	}
	var leaves [][]byte
	for _, row := range rows {
		leaves = append(leaves, row.entry().Leaf())
	}
	var plain, whole float64
	b.Run("sha256", func(b *testing.B) {
		for b.Loop() {
			for _, l := range leaves {
				sha256.Sum256(l)
			}
		}
		plain = float64(b.Elapsed()) / float64(b.N)
	})
	b.Run("walk", func(b *testing.B) {
		for b.Loop() {
			a := &auditor{Store: s, tx: s.db.WithContext(ctx)}
			if err := errors.Join(a.begin(), a.events(), a.tail()); err != nil || !a.m.Report.Agrees() {
				b.Fatal(err, words(a.m.Report))
			}
		}
		b.ReportMetric(float64(b.Elapsed())/float64(b.N)/plain, "x-sha256")
	})
	b.Run("whole", func(b *testing.B) {
		for b.Loop() {
			if r := audit(b, s, AuditOptions{}); !r.Agrees() {
				b.Fatal(words(r))
			}
		}
		whole = float64(b.Elapsed()) / float64(b.N)
		b.ReportMetric(whole/plain, "x-sha256")
		b.ReportMetric(float64(len(rows))/(whole/1e9), "steps/s")
	})
}
