package store

import (
	"reflect"
	"strings"
	"sync"
	"testing"
	"time"

	"lastlook/internal/consignment"
	"lastlook/internal/people"
	"lastlook/internal/rules"
	"lastlook/internal/sampling"
	"lastlook/internal/say"
)

// supervisors puts them on the list.
func supervisors(t testing.TB, s *Store, names ...string) []consignment.Actor {
	t.Helper()
	var out []consignment.Actor
	for _, n := range names {
		r, err := s.DoPeople(ctx, tam, "office", "", people.Join{Name: n, Roles: []string{people.Supervisor}})
		if err != nil {
			t.Fatal(err)
		}
		p := r.People[len(r.People)-1]
		out = append(out, consignment.Actor{ID: p.ID, Name: p.Name, Roles: p.Roles})
	}
	return out
}

// ruleOf gives the shipped rules with another rate.
func ruleOf(percent int) *consignment.RuleSet {
	r := consignment.DefaultRules()
	r.Rate = sampling.Rate(percent) * sampling.Percent
	return &r
}

func mustRule(t testing.TB, s *Store, by consignment.Actor, key string, c rules.Command) *rules.History {
	t.Helper()
	h, err := s.DoRules(ctx, by, "office", key, c)
	if err != nil {
		t.Fatalf("%+v: %v", c, err)
	}
	return h
}

func TestRules(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	now := t0
	s.Now = func() time.Time { return now }
	if got := s.Rules("Eastmoor"); !reflect.DeepEqual(got, consignment.DefaultRules()) {
		t.Fatalf("Rules of an empty folder = %+v, want the shipped ones", got)
	}
	by := supervisors(t, s, "Ida Fenn", "Wilo Pasch")
	h := mustRule(t, s, by[0], "five", rules.Propose{Rules: ruleOf(5), Reason: "scale", Seen: 1})
	if s.Rules("").Version != 1 || len(h.OpenProposals()) != 1 {
		t.Fatalf("one of two supervisors changed the rules: %+v", h)
	}
	// The same key again adds nothing.
	if again := mustRule(t, s, by[0], "five", rules.Propose{Rules: ruleOf(5), Reason: "scale", Seen: 1}); !reflect.DeepEqual(again, h) {
		t.Errorf("the same key again = %+v, want %+v", again, h)
	}
	for _, c := range []struct {
		name string
		by   consignment.Actor
		want say.Code
	}{
		{"by who proposed it", by[0], say.Forbidden},
		{"by somebody not on the list who says they are a supervisor", consignment.Actor{ID: "p-1", Name: "x", Roles: []string{people.Supervisor}}, say.Forbidden},
	} {
		if _, err := s.DoRules(ctx, c.by, "office", "", rules.Approve{ID: 1, Seen: 1}); say.CodeOf(err) != c.want {
			t.Errorf("approved %s: %v", c.name, err)
		}
	}
	mustRule(t, s, by[1], "yes", rules.Approve{ID: 1, Seen: 1})
	if got := s.Rules("Eastmoor"); got.Version != 2 || got.Rate != 5*sampling.Percent {
		t.Errorf("after the approval %+v counts", got)
	}
	// A start that comes is followed without anybody doing anything.
	mustRule(t, s, by[0], "", rules.Propose{Destination: "Saltwick", Rules: ruleOf(10), Reason: "asked for", Seen: 2, From: now.Add(time.Hour)})
	mustRule(t, s, by[1], "", rules.Approve{ID: 2, Seen: 2})
	if got := s.Rules("saltwick").Version; got != 2 {
		t.Errorf("before its start version %d counts, want 2", got)
	}
	now = now.Add(time.Hour)
	if got := s.Rules("saltwick").Version; got != 3 {
		t.Errorf("at its start version %d counts, want 3", got)
	}
	if got := s.Rules("Eastmoor").Version; got != 2 {
		t.Errorf("elsewhere version %d counts, want 2", got)
	}

	// A key that was used elsewhere is not taken for this step, and a clock that runs
	// back is not believed.
	if _, err := s.DoPeople(ctx, tam, "office", "tam", people.Join{Name: "Tam Orrin", Roles: []string{people.Inspector}}); err != nil {
		t.Fatal(err)
	}
	if _, err := s.DoRules(ctx, by[0], "office", "tam", rules.Withdraw{ID: 1}); say.CodeOf(err) != say.Invalid {
		t.Errorf("the key of another list: %v", err)
	}
	now = now.Add(-3 * time.Hour)
	if _, err := s.DoRules(ctx, by[0], "office", "", rules.Propose{Rules: ruleOf(6), Reason: "x", Seen: 3}); say.CodeOf(err) != say.Clock {
		t.Errorf("with a clock that runs back: %v", err)
	}
	now = now.Add(3 * time.Hour)

	want, err := s.RuleHistory(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if r := audit(t, s, AuditOptions{}); !r.Agrees() {
		t.Errorf("findings:\n%s", words(r))
	}
	if _, err := s.Rebuild(ctx, nil); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = open(t, dir)
	if back, err := s.RuleHistory(ctx); err != nil || !reflect.DeepEqual(back, want) {
		t.Errorf("opened again, RuleHistory = %+v, %v; want %+v", back, err, want)
	}
	reader, err := OpenReading(ctx, dir)
	if err != nil {
		t.Fatal(err)
	}
	defer reader.Close()
	if got := reader.Rules("").Version; got != 2 {
		t.Errorf("who only reads has version %d, want 2", got)
	}
}

// A single supervisor alone changes the rules; from the second on it takes two.
func TestRulesAlone(t *testing.T) {
	s := open(t, t.TempDir())
	ida := supervisors(t, s, "Ida Fenn")[0]
	mustRule(t, s, ida, "", rules.Propose{Rules: ruleOf(5), Reason: "x", Seen: 1})
	if got := s.Rules("").Version; got != 2 {
		t.Fatalf("version %d counts, want 2", got)
	}
	supervisors(t, s, "Wilo Pasch")
	mustRule(t, s, ida, "", rules.Propose{Rules: ruleOf(6), Reason: "x", Seen: 2})
	if got := s.Rules("").Version; got != 2 {
		t.Errorf("with two supervisors one made version %d", got)
	}
}

// Another program on the same data is followed.
func TestRulesOfAnotherProgram(t *testing.T) {
	dir := t.TempDir()
	a, b := open(t, dir), open(t, dir)
	ida := supervisors(t, a, "Ida Fenn")[0]
	if got := b.Rules("").Version; got != 1 {
		t.Fatal(got)
	}
	mustRule(t, a, ida, "", rules.Propose{Rules: ruleOf(5), Reason: "x", Seen: 1})
	if got := b.Rules("").Version; got != 2 {
		t.Errorf("the other program has version %d, want 2", got)
	}
}

// What is sealed after a change draws by it; what was drawn before keeps its rules. A
// seal under rules that were replaced while somebody counted is refused.
func TestSealFollowsRules(t *testing.T) {
	s := open(t, t.TempDir())
	now := t0
	s.Now = func() time.Time { return now }
	ida := supervisors(t, s, "Ida Fenn")[0]
	begin := func(number string) string {
		o := order(number, 240)
		c := register(t, s, o)
		do(t, s, c, consignment.PrintLabels{Sheet: "a4", From: 1, To: 240}, check(false))
		return c
	}
	first, second := begin("K-1"), begin("K-2")
	register(t, s, order("K-3", 12)) // nothing but registered
	st := do(t, s, first, consignment.Seal{Counted: 240, Rules: s.Rules("Eastmoor")})
	if got := len(st.Round().Drawn); got != 5 {
		t.Fatalf("%d drawn, want 5", got)
	}
	old := s.Rules("Eastmoor")
	slow := ruleOf(5)
	slow.MinutesPerRound = 100
	mustRule(t, s, ida, "", rules.Propose{Rules: slow, Reason: "scale", Seen: 1})
	_, err := s.Do(ctx, Step{Code: second, Actor: tam, Bench: "bench 1", Command: consignment.Seal{Counted: 240, Rules: old}})
	if say.CodeOf(err) != say.Conflict || !strings.Contains(err.Error(), "version 2 is in force") {
		t.Errorf("sealed under the rules of before: %v", err)
	}
	// By when to begin follows at once, where nothing is drawn yet.
	due, _, err := s.Due(ctx, 10)
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range due {
		st, err := s.Consignment(ctx, x.Code)
		if err != nil {
			t.Fatal(err)
		}
		under := *slow
		if x.Code == first {
			under = old
		}
		if want := st.LatestStart(under); !x.LatestStart.Equal(want) {
			t.Errorf("%s: begin by %v, want %v", x.Number, x.LatestStart, want)
		}
	}
	st = do(t, s, second, consignment.Seal{Counted: 240, Rules: s.Rules("Eastmoor")})
	if r := st.Round(); len(r.Drawn) != 12 || r.Rules.Version != 2 {
		t.Errorf("%d drawn under version %d, want 12 under 2", len(r.Drawn), r.Rules.Version)
	}
	if st, err = s.Consignment(ctx, first); err != nil || st.Round().Rules.Version != 1 {
		t.Errorf("what was drawn before is under version %d, %v", st.Round().Rules.Version, err)
	}
	if r := audit(t, s, AuditOptions{}); !r.Agrees() {
		t.Errorf("findings:\n%s", words(r))
	}
}

// Readers and a writer at the same time: everybody always has some published set.
func TestRulesMeanwhile(t *testing.T) {
	s := open(t, t.TempDir())
	ida := supervisors(t, s, "Ida Fenn")[0]
	var wg sync.WaitGroup
	for range 4 {
		wg.Go(func() {
			last := 1
			for range 50 {
				r := s.Rules("Eastmoor")
				if r.Version < last || r.Rate != sampling.Rate(r.Version+1)*sampling.Percent {
					t.Errorf("version %d after %d, rate %v", r.Version, last, r.Rate)
				}
				last = r.Version
			}
		})
	}
	for v := 2; v < 8; v++ {
		mustRule(t, s, ida, "", rules.Propose{Rules: ruleOf(v + 1), Reason: "x", Seen: v - 1})
	}
	wg.Wait()
}

func TestAuditOfRules(t *testing.T) {
	s := open(t, t.TempDir())
	by := supervisors(t, s, "Ida Fenn", "Wilo Pasch")
	mustRule(t, s, by[0], "", rules.Propose{Rules: ruleOf(5), Reason: "x", Seen: 1})
	mustRule(t, s, by[1], "", rules.Approve{ID: 1, Seen: 1})
	for _, c := range []struct{ name, says, sql string }{
		{"approved before it was proposed", "history rules: Its steps do not follow from each other", `UPDATE events SET data = replace(data, '"id":1', '"id":2') WHERE kind = 'rules_approved'`},
		{"a kind that is not known", "of a kind this version does not know (rules_painted)", `UPDATE events SET kind = 'rules_painted' WHERE kind = 'rules_approved'`},
	} {
		t.Run(c.name, func(t *testing.T) {
			if got := words(trial(t, s, AuditOptions{}, sqlChange(c.sql))); !strings.Contains(got, c.says) {
				t.Errorf("found\n%swant it to speak of %q", got, c.says)
			}
		})
	}
}
