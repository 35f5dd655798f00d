package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"sync"
	"testing"
	"time"

	"gorm.io/gorm"

	"lastlook/internal/consignment"
	"lastlook/internal/ladder"
	"lastlook/internal/people"
	"lastlook/internal/say"
)

var (
	ctx = context.Background()
	tam = consignment.Actor{ID: "BBBB", Name: "Tam Orrin", Roles: []string{"inspector"}}
	t0  = time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)
)

// ticking is a clock that moves a second at each look.
type ticking struct {
	mu  sync.Mutex
	now time.Time
}

func (c *ticking) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = c.now.Add(time.Second)
	return c.now
}

func open(t testing.TB, dir string) *Store {
	t.Helper()
	s, err := Open(ctx, dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	s.Now = (&ticking{now: t0}).Now
	return s
}

func order(number string, packages int) consignment.Registered {
	return consignment.Registered{
		Number: number, Customer: "Bracken & Co", Destination: "Eastmoor", DispatchAt: t0.Add(30 * time.Hour),
		Lines: []consignment.Line{{Crop: "Lavandula", Batch: "L1", Packages: packages, UnitsPerPackage: 4}}, Fingerprint: fmt.Sprintf("%s/%d", number, packages),
	}
}

// register takes one order in and gives its code.
func register(t testing.TB, s *Store, o consignment.Registered) string {
	t.Helper()
	taken, err := s.Register(ctx, tam, "office", []consignment.Registered{o}, nil)
	if err != nil || taken[0].Refused != nil {
		t.Fatalf("Register: %v, %+v", err, taken)
	}
	return taken[0].Code
}

func do(t testing.TB, s *Store, code string, cs ...consignment.Command) *consignment.State {
	t.Helper()
	var st *consignment.State
	for _, c := range cs {
		done, err := s.Do(ctx, Step{Code: code, Actor: tam, Bench: "bench 1", Command: c})
		if err != nil {
			t.Fatalf("%T%+v: %v", c, c, err)
		}
		st = done.State
	}
	return st
}

func check(after bool) consignment.CheckBench {
	rules := consignment.DefaultRules()
	items := rules.Before
	if after {
		items = rules.After
	}
	c := consignment.CheckBench{After: after, Rules: rules}
	for _, it := range items {
		c.Yes = append(c.Yes, it.ID)
	}
	return c
}

// scripted gives the next step of a scripted inspection of two packages of four
// units, or nil when it is over. It looks only at the state, as the bench does.
func scripted(s *Store, st *consignment.State) consignment.Command {
	rules := s.Rules(st.Destination)
	r := st.Running()
	step := consignment.Next(st, "bench 1")
	switch step.Kind {
	case consignment.StepLabels:
		return consignment.PrintLabels{Sheet: "a4", From: 1, To: st.Total()}
	case consignment.StepBefore:
		return check(false)
	case consignment.StepSeal:
		return consignment.Seal{Counted: st.Total(), Rules: rules}
	case consignment.StepFetch:
		for _, n := range r.ToExamine() {
			if r.Exams[n].FetchedAt.IsZero() {
				return consignment.Fetch{Package: n}
			}
		}
	case consignment.StepOpen:
		return consignment.Open{Package: step.Package}
	case consignment.StepExamine:
		x := r.Exams[step.Package]
		switch {
		case x.LookedAt.IsZero():
			return consignment.LookPackage{Package: x.Package}
		case x.Units == 0:
			return consignment.CountUnits{Package: x.Package, Units: 4}
		case x.NextUnseen() == 2:
			return consignment.RecordFind{Facts: consignment.FindFacts{
				Package: x.Package, Unit: 2, Part: consignment.PartStem, What: consignment.Damage, Units: 1,
				Alive: consignment.AliveNo, Method: consignment.ByEye, Note: "old graft"}}
		case x.Seen() < x.Units:
			return consignment.CleanUnit{Package: x.Package, Unit: x.NextUnseen()}
		case x.Looks == nil:
			return consignment.ConfirmLooks{Package: x.Package, Made: rules.Looks}
		}
		return consignment.ClosePackage{Package: x.Package}
	case consignment.StepAfter:
		return check(true)
	case consignment.StepConclude:
		return consignment.EndRound{}
	}
	return nil
}

func inspect(t testing.TB, s *Store, code string) *consignment.State {
	t.Helper()
	st, err := s.Consignment(ctx, code)
	if err != nil {
		t.Fatal(err)
	}
	for c := scripted(s, st); c != nil; c = scripted(s, st) {
		st = do(t, s, code, c)
	}
	return st
}

func TestInspectionIsKept(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	code := register(t, s, order("K-2038", 2))
	want := inspect(t, s, code)
	if end := want.Round().Ended; end == nil || end.Outcome != consignment.Passed {
		t.Fatalf("ended %+v, want passed", end)
	}
	s.Close()
	again, err := Open(ctx, dir)
	if err != nil {
		t.Fatal(err)
	}
	defer again.Close()
	got, err := again.Consignment(ctx, code)
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(got.Round().Exams, want.Round().Exams) || got.Version != want.Version {
		t.Error("the consignment reads back differently after the data file was opened again")
	}
	sum, err := again.ByNumber(ctx, "K-2038")
	if err != nil {
		t.Fatal(err)
	}
	if sum.Stage != Stage(consignment.Passed) || sum.Examined != 2 || sum.ToExamine != 2 || sum.Highest != "note" || sum.Version != got.Version {
		t.Errorf("summary %+v, want passed with 2 of 2 examined and one note", sum)
	}
}

func TestPragmas(t *testing.T) {
	s := open(t, t.TempDir())
	for _, p := range pragmas {
		var got string
		if err := s.sql.QueryRow("PRAGMA " + p.name).Scan(&got); err != nil || !strings.EqualFold(got, p.want) {
			t.Errorf("PRAGMA %s = %q, %v; want %q", p.name, got, err, p.want)
		}
	}
}

func TestSameKeyIsOneStep(t *testing.T) {
	s := open(t, t.TempDir())
	code := register(t, s, order("K-2038", 2))
	step := Step{Code: code, Key: "tap-1", Actor: tam, Bench: "bench 1", Command: consignment.PrintLabels{Sheet: "a4", From: 1, To: 2}}
	first, err := s.Do(ctx, step)
	if err != nil {
		t.Fatal(err)
	}
	step.Expect = 1 // as the client sent it, though the version has moved on
	second, err := s.Do(ctx, step)
	if err != nil {
		t.Fatal(err)
	}
	if !second.Repeated || second.State.Version != first.State.Version || len(second.Events) != 1 {
		t.Errorf("the same key again: %+v, want the first answer and nothing added", second)
	}
	other := register(t, s, order("K-2039", 2))
	step.Code = other
	if _, err := s.Do(ctx, step); say.CodeOf(err) != say.Invalid {
		t.Errorf("the key on another consignment: %v, want it refused", err)
	}
}

func TestManyAtOnceWithOneKey(t *testing.T) {
	s := open(t, t.TempDir())
	code := register(t, s, order("K-2038", 2))
	var wg sync.WaitGroup
	errs := make([]error, 8)
	for i := range errs {
		wg.Go(func() {
			_, errs[i] = s.Do(ctx, Step{Code: code, Key: "scan-1", Actor: tam, Bench: "bench 1", Command: consignment.PrintLabels{Sheet: "a4", From: 1, To: 2}})
		})
	}
	wg.Wait()
	if err := errors.Join(errs...); err != nil {
		t.Fatal(err)
	}
	st, err := s.Consignment(ctx, code)
	if err != nil || len(st.Labels) != 1 {
		t.Errorf("%d label runs on record (%v), want 1", len(st.Labels), err)
	}
}

func TestStaleStepIsRefusedWithWhatChanged(t *testing.T) {
	s := open(t, t.TempDir())
	code := register(t, s, order("K-2038", 2))
	do(t, s, code, check(false), consignment.Seal{Counted: 2, Rules: s.Rules("")})
	st, _ := s.Consignment(ctx, code)
	if _, err := s.Do(ctx, Step{Code: code, Expect: st.Version, Actor: tam, Bench: "bench 2", Command: consignment.Fetch{Package: 1}}); err != nil {
		t.Fatal(err)
	}
	_, err := s.Do(ctx, Step{Code: code, Expect: st.Version, Actor: tam, Bench: "bench 1", Command: consignment.Fetch{Package: 2}})
	if say.CodeOf(err) != say.Conflict || !strings.Contains(err.Error(), "Package 001 fetched (Tam Orrin, bench 2)") {
		t.Errorf("stale step: %v, want a conflict that says what changed", err)
	}
	if _, err := s.Do(ctx, Step{Code: code, Expect: st.Version + 9, Actor: tam, Bench: "b", Command: consignment.Fetch{Package: 2}}); say.CodeOf(err) != say.Conflict {
		t.Errorf("a version from the future: %v, want a conflict", err)
	}
}

func TestTwoNumbersAlike(t *testing.T) {
	s := open(t, t.TempDir())
	orders := []consignment.Registered{order("K-1", 3), order("K-1", 3), order("K-1", 4), order("K-2", 0), order("K-3", 3)}
	taken, err := s.Register(ctx, tam, "office", orders, nil)
	if err != nil {
		t.Fatal(err)
	}
	got := make([]string, len(taken))
	for i, tk := range taken {
		switch {
		case tk.Refused != nil:
			got[i] = string(tk.Refused.Code)
		case tk.New:
			got[i] = "new"
		default:
			got[i] = "here"
		}
	}
	if want := []string{"new", "here", "conflict", "invalid", "new"}; !reflect.DeepEqual(got, want) {
		t.Errorf("Register = %v, want %v", got, want)
	}
}

func TestRebuildGivesTheSameTables(t *testing.T) {
	s := open(t, t.TempDir())
	for i := range 6 {
		code := register(t, s, order(fmt.Sprintf("K-%d", i), 3+i))
		if i%2 == 0 {
			inspect(t, s, code)
		}
		if i == 3 {
			do(t, s, code, check(false), consignment.Seal{Counted: 6, Rules: s.Rules("")})
		}
	}
	for _, c := range []people.Command{
		people.Join{Name: "Ida Fenn", Roles: []string{people.Supervisor}},
		people.Join{Name: "Tam Orrin", Roles: []string{people.Inspector}},
	} {
		if _, err := s.DoPeople(ctx, tam, "office", "", c); err != nil {
			t.Fatal(err)
		}
	}
	before := dump(t, s.sql, "consignments", "finds", "people")
	if !strings.Contains(before, "Damage") && !strings.Contains(before, "damage") || !strings.Contains(before, "Ida Fenn") {
		t.Fatalf("the tables hold too little to compare:\n%s", before)
	}
	if _, err := s.sql.Exec("UPDATE consignments SET stage = 'passed'"); err != nil {
		t.Fatal(err)
	}
	if dump(t, s.sql, "consignments", "finds", "people") == before {
		t.Fatal("the comparison does not see a change")
	}
	n, err := s.Rebuild(ctx, nil)
	if err != nil || n != 6 {
		t.Fatalf("Rebuild = %d, %v; want 6", n, err)
	}
	if after := dump(t, s.sql, "consignments", "finds", "people"); after != before {
		t.Errorf("rebuilt tables differ:\n%s\nwant\n%s", after, before)
	}
}

func dump(t *testing.T, db *sql.DB, tables ...string) string {
	t.Helper()
	var b strings.Builder
	for _, table := range tables {
		rows, err := db.Query("SELECT * FROM " + table + " ORDER BY 1, 2, 3")
		if err != nil {
			t.Fatal(err)
		}
		cols, _ := rows.Columns()
		for rows.Next() {
			vals := make([]any, len(cols))
			ptrs := make([]any, len(cols))
			for i := range vals {
				ptrs[i] = &vals[i]
			}
			if err := rows.Scan(ptrs...); err != nil {
				t.Fatal(err)
			}
			line, _ := json.Marshal(vals)
			fmt.Fprintf(&b, "%s %s\n", table, line)
		}
		if err := rows.Err(); err != nil {
			t.Fatal(err)
		}
	}
	return b.String()
}

func TestMigrationsDownAndUp(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	p, err := s.migrator()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := p.DownTo(ctx, 0); err != nil {
		t.Fatalf("down: %v", err)
	}
	var n int
	if err := s.sql.QueryRow("SELECT COUNT(*) FROM sqlite_master WHERE type = 'table' AND name IN ('events', 'consignments', 'people', 'blobs', 'hashes', 'heads')").Scan(&n); err != nil || n != 0 {
		t.Fatalf("%d tables are left after going down (%v), want none", n, err)
	}
	if _, err := p.Up(ctx); err != nil {
		t.Fatalf("up again: %v", err)
	}
	s.Close()
	if err := os.Remove(filepath.Join(dir, NoteFile)); err != nil { // the record it notes is gone on purpose
		t.Fatal(err)
	}
	s = open(t, dir)
	inspect(t, s, register(t, s, order("K-1", 2)))
}

func TestNewerDataFileIsRefused(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	if _, err := s.sql.Exec("INSERT INTO goose_db_version (version_id, is_applied) VALUES (9999, 1)"); err != nil {
		t.Fatal(err)
	}
	s.Close()
	_, err := Open(ctx, dir)
	if say.CodeOf(err) != say.Storage || !strings.Contains(err.Error(), "newer version") {
		t.Errorf("Open = %v, want a refusal that names a newer version", err)
	}
}

func TestDamagedDataFileIsRefused(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, File), []byte(strings.Repeat("these are not the pages you look for ", 200)), 0o600); err != nil {
		t.Fatal(err)
	}
	_, err := Open(ctx, dir)
	if say.CodeOf(err) != say.Storage || !strings.Contains(err.Error(), "damaged") {
		t.Errorf("Open = %v, want a refusal that says it is damaged", err)
	}
}

func TestFolderThatIsAFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "data")
	if err := os.WriteFile(path, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(ctx, path); err == nil {
		t.Error("Open on a file that is no folder gave no error")
	}
}

func TestReadOnlyDataFileIsRefusedInWords(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	code := register(t, s, order("K-1", 2))
	if _, err := s.sql.Exec("PRAGMA query_only = 1"); err != nil { // root may write read-only files, so ask SQLite itself
		t.Fatal(err)
	}
	s.sql.SetMaxOpenConns(1)
	_, err := s.Do(ctx, Step{Code: code, Actor: tam, Bench: "b", Command: consignment.PrintLabels{Sheet: "a4", From: 1, To: 2}})
	if say.CodeOf(err) != say.Storage || !strings.Contains(err.Error(), "cannot be written") {
		t.Errorf("Do = %v, want a refusal that says it cannot be written", err)
	}
}

func TestFullDiskKeepsEverythingBefore(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	code := register(t, s, order("K-1", 2))
	s.sql.SetMaxOpenConns(1)
	var pages int
	if err := s.sql.QueryRow("PRAGMA page_count").Scan(&pages); err != nil {
		t.Fatal(err)
	}
	// SQLite answers a page limit with the same code as a full disk (SQLITE_FULL).
	if _, err := s.sql.Exec(fmt.Sprintf("PRAGMA max_page_count = %d", pages)); err != nil {
		t.Fatal(err)
	}
	var full error
	for i := range 2000 {
		_, full = s.Do(ctx, Step{Code: code, Key: fmt.Sprint(i), Actor: tam, Bench: "b", Command: consignment.PrintLabels{Sheet: "a4", From: 1, To: 2, Reason: strings.Repeat("x", 900)}})
		if full != nil {
			break
		}
	}
	if say.CodeOf(full) != say.Storage || !strings.Contains(full.Error(), "disk is full") {
		t.Fatalf("Do = %v, want a refusal that says the disk is full", full)
	}
	st, err := s.Consignment(ctx, code)
	if err != nil {
		t.Fatal(err)
	}
	sum, err := s.ByCode(ctx, code)
	if err != nil || sum.Version != st.Version {
		t.Errorf("list shows version %d (%v), history has %d: half a step was kept", sum.Version, err, st.Version)
	}
	if _, err := s.sql.Exec("PRAGMA max_page_count = 100000"); err != nil {
		t.Fatal(err)
	}
	do(t, s, code, consignment.PrintLabels{Sheet: "a4", From: 1, To: 2})
}

func TestLockedDataFileIsRefusedInWords(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	code := register(t, s, order("K-1", 2))
	other, err := sql.Open("sqlite", filepath.Join(dir, File))
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	other.SetMaxOpenConns(1)
	if _, err := other.Exec("BEGIN IMMEDIATE"); err != nil {
		t.Fatal(err)
	}
	s.sql.SetMaxOpenConns(1)
	if _, err := s.sql.Exec("PRAGMA busy_timeout = 50"); err != nil {
		t.Fatal(err)
	}
	_, err = s.Do(ctx, Step{Code: code, Actor: tam, Bench: "b", Command: consignment.PrintLabels{Sheet: "a4", From: 1, To: 2}})
	if say.CodeOf(err) != say.Storage || !strings.Contains(err.Error(), "in use") {
		t.Errorf("Do = %v, want a refusal that says the file is in use", err)
	}
}

func TestClockSetBack(t *testing.T) {
	s := open(t, t.TempDir())
	code := register(t, s, order("K-1", 2))
	step := Step{Code: code, Actor: tam, Bench: "b", Command: consignment.PrintLabels{Sheet: "a4", From: 1, To: 2}}
	s.Now = func() time.Time { return t0.Add(-time.Minute) }
	done, err := s.Do(ctx, step)
	if err != nil || done.State.LastAt.Before(t0) {
		t.Errorf("a clock one minute behind: %v at %v, want it taken at the time of the step before", err, done.State)
	}
	s.Now = func() time.Time { return t0.Add(-time.Hour) }
	if _, err := s.Do(ctx, step); say.CodeOf(err) != say.Clock {
		t.Errorf("a clock one hour behind: %v, want it refused", err)
	}
}

func TestBlobs(t *testing.T) {
	s := open(t, t.TempDir())
	hash, err := s.PutBlob(ctx, "image/jpeg", []byte("picture"))
	if err != nil {
		t.Fatal(err)
	}
	if again, err := s.PutBlob(ctx, "image/jpeg", []byte("picture")); err != nil || again != hash {
		t.Errorf("the same bytes again: %q, %v; want %q", again, err, hash)
	}
	if mime, b, err := s.Blob(ctx, hash); err != nil || mime != "image/jpeg" || string(b) != "picture" {
		t.Errorf("Blob = %q, %q, %v", mime, b, err)
	}
	if _, _, err := s.Blob(ctx, strings.Repeat("0", 64)); say.CodeOf(err) != say.NotFound {
		t.Errorf("Blob of an unknown hash: %v, want not found", err)
	}
	if _, err := s.sql.Exec("UPDATE blobs SET bytes = 'other'"); err != nil {
		t.Fatal(err)
	}
	if _, _, err := s.Blob(ctx, hash); say.CodeOf(err) != say.Storage {
		t.Errorf("Blob changed from outside: %v, want it refused", err)
	}
}

func TestDuplicateKeyIsTranslated(t *testing.T) {
	s := open(t, t.TempDir())
	row := personRow{ID: "A", Name: "x", Roles: "[]"}
	if err := s.db.Create(&row).Error; err != nil {
		t.Fatal(err)
	}
	if err := s.db.Create(&row).Error; !errors.Is(err, gorm.ErrDuplicatedKey) {
		t.Errorf("creating a row twice: %v, want gorm.ErrDuplicatedKey", err)
	}
}

func TestNamesStayAsTheyAre(t *testing.T) {
	s := open(t, t.TempDir())
	for i, name := range []string{`O'Hara "Bob"; DROP TABLE events`, "<script>alert(1)</script>", "مشتل النخيل", "🌿🪴", "Żółta Róża"} {
		o := order(fmt.Sprintf("K-%d %s", i, name), 2)
		o.Customer = name
		code := register(t, s, o)
		st, err := s.Consignment(ctx, code)
		if err != nil || st.Customer != name || st.Number != o.Number {
			t.Errorf("customer %q reads back as %q (%v)", name, st.Customer, err)
		}
		sum, err := s.ByNumber(ctx, o.Number)
		if err != nil || sum.Customer != name {
			t.Errorf("customer %q is listed as %q (%v)", name, sum.Customer, err)
		}
	}
}

func TestLargestConsignment(t *testing.T) {
	s := open(t, t.TempDir())
	code := register(t, s, order("K-1", consignment.MaxPackages))
	st := do(t, s, code, check(false), consignment.Seal{Counted: consignment.MaxPackages, Rules: s.Rules("")})
	if got := len(st.Running().Drawn); got != 2000 {
		t.Errorf("drew %d of 100 000, want 2 000 (2 %%)", got)
	}
	if st.Running().Highest() != ladder.Rung(0) {
		t.Error("an untouched round has a rung in force")
	}
}

func BenchmarkRegister(b *testing.B) {
	s := open(b, b.TempDir())
	orders := make([]consignment.Registered, 1000)
	n := 0
	for range b.N {
		for i := range orders {
			n++
			orders[i] = order(fmt.Sprintf("K-%d", n), 3)
		}
		if _, err := s.Register(ctx, tam, "office", orders, nil); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Milliseconds())/float64(b.N), "ms/1000-orders")
}

func TestNumberAsTyped(t *testing.T) {
	s := open(t, t.TempDir())
	for _, n := range []string{"K-2041", "K-20 42", "AB-1", "A-B1"} {
		register(t, s, order(n, 2))
	}
	for typed, want := range map[string]string{
		"K-2041": "K-2041", "k2041": "K-2041", "K2041": "K-2041", " k 2041 ": "K-2041", "K-2042": "K-20 42",
		"AB-1": "AB-1", "ab1": "", "K-204": "", "": "", "-": "", "%": "",
	} {
		sum, err := s.ByTyped(ctx, typed)
		if sum.Number != want || (want == "") != (say.CodeOf(err) == say.NotFound) {
			t.Errorf("ByTyped(%q) = %q, %v, want %q", typed, sum.Number, err, want)
		}
	}
}
