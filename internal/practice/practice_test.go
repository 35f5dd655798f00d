package practice

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"lastlook/internal/ladder"
	"lastlook/internal/say"
)

var (
	kinds = []string{"insect", "fungus", "weed", "abiotic"}
	bys   = []string{"eye", "lens", ByLab}
)

// anySubject draws a subject; most of what it draws is fit for a case.
func anySubject(t *rapid.T, id int) Subject {
	s := Subject{
		ID: fmt.Sprintf("s%02d", id), Name: fmt.Sprintf("Subject %d", id), Kind: rapid.SampledFrom(kinds).Draw(t, "kind"),
		Revision: rapid.IntRange(1, 9).Draw(t, "revision"), Hash: "h", Hosts: []string{"Buxus", "Rosa"}[:rapid.IntRange(0, 2).Draw(t, "hosts")],
		Right: rapid.SampledFrom(ladder.Rungs).Draw(t, "right"), Danger: rapid.Bool().Draw(t, "danger"),
		Parts: []say.Text{say.T("Stem")}, Reasons: []say.Text{say.T("because")},
	}
	s.Untested = s.Right
	if rapid.Bool().Draw(t, "untested") {
		s.Untested = max(s.Right, ladder.Sample)
	}
	if s.Right == ladder.Stop {
		s.Danger = true
	}
	for i := range rapid.IntRange(0, 6).Draw(t, "signs") {
		s.Signs = append(s.Signs, Sign{Part: say.T("Stem"), Text: fmt.Sprintf("sign %d of %d", i, id)})
	}
	for i := range rapid.IntRange(0, 8).Draw(t, "alike") {
		s.Alike = append(s.Alike, Alike{ID: fmt.Sprintf("a%02d", i), Name: "x", TellApart: "y", By: rapid.SampledFrom(bys).Draw(t, "by"),
			Right: rapid.SampledFrom(ladder.Rungs).Draw(t, "their"), Danger: rapid.Bool().Draw(t, "their danger")})
	}
	return s
}

func anyBank(t *rapid.T) []Subject {
	var bank []Subject
	for i := range rapid.IntRange(0, 40).Draw(t, "bank") {
		bank = append(bank, anySubject(t, i))
	}
	return bank
}

func seedOf(t *rapid.T) (seed [32]byte) {
	copy(seed[:], rapid.SliceOfN(rapid.Byte(), 32, 32).Draw(t, "seed"))
	return seed
}

// Every case of every session is whole, answerable and asked once, the same seed
// gives the same session, and each rung that the bank has is in it.
func TestEverySessionIsValid(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		bank, seed, n := anyBank(t), seedOf(t), rapid.IntRange(1, MaxSize).Draw(t, "n")
		fit := map[ladder.Rung]int{}
		all := 0
		for _, s := range bank {
			if s.fit() {
				fit[s.Right]++
				all++
			}
		}
		cases, err := Prepare(bank, nil, seed, n)
		if all == 0 {
			if say.CodeOf(err) != say.Illegal {
				t.Fatalf("Prepare(nothing) = %v, want a refusal", err)
			}
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		if len(cases) != min(n, all) {
			t.Fatalf("%d cases of %d subjects, want %d", len(cases), all, min(n, all))
		}
		got, entries := map[ladder.Rung]int{}, map[string]bool{}
		for _, c := range cases {
			got[c.Right]++
			if entries[c.Entry] {
				t.Errorf("%s is asked twice", c.Entry)
			}
			entries[c.Entry] = true
			if !slices.Contains(c.Options, Name{c.Entry, c.Name}) || len(c.Options) > maxOptions {
				t.Errorf("options %v of %s: the right one is missing, or there are too many", c.Options, c.Entry)
			}
			seen := map[string]bool{}
			for _, o := range c.Options {
				if seen[o.ID] || o.Name == "" {
					t.Errorf("options %v of %s", c.Options, c.Entry)
				}
				seen[o.ID] = true
			}
			i := slices.IndexFunc(bank, func(s Subject) bool { return s.ID == c.Entry })
			s := bank[i]
			if len(c.Signs) != len(s.Signs) || c.Telling() != s.Signs[0].Text || c.Signs[0].Text != s.Signs[len(s.Signs)-1].Text {
				t.Errorf("signs of %s run %v, want the telling one last", c.Entry, c.Signs)
			}
			if c.Right != s.Right || c.Untested != s.Untested || c.Revision != s.Revision || c.Hash != s.Hash || c.Danger != s.Danger {
				t.Errorf("case %+v is not that of %+v", c, s)
			}
		}
		for r, k := range fit {
			if len(cases) >= 4 && got[r] == 0 {
				t.Errorf("no case asks for %v, of which the bank has %d", r, k)
			}
		}
		most := (n+len(fit)-1)/len(fit) + 1
		for r := range fit {
			short := slices.ContainsFunc(ladder.Rungs, func(o ladder.Rung) bool { return o != r && fit[o] > 0 && got[o] == fit[o] })
			if got[r] > most && !short {
				t.Errorf("%d of %d cases ask for %v, want at most %d", got[r], n, r, most)
			}
		}
		again, err := Prepare(bank, nil, seed, n)
		if err != nil || !reflect.DeepEqual(cases, again) {
			t.Error("the same seed gave another session")
		}
		slices.Reverse(bank)
		again, err = Prepare(bank, nil, seed, n)
		if err != nil || !reflect.DeepEqual(cases, again) {
			t.Error("the order of the bank changed the session")
		}
	})
}

func anyCase(t *rapid.T) Case {
	s := anySubject(t, 0)
	if len(s.Signs) == 0 {
		s.Signs = []Sign{{Text: "one"}}
	}
	c, err := Prepare([]Subject{s}, nil, [32]byte{}, 1)
	if err != nil {
		t.Fatal(err)
	}
	return c[0]
}

func anyAnswer(t *rapid.T, c Case, label string) Answer {
	names := []string{Unknown, c.Entry, "nothing-like-it"}
	for _, a := range c.Alike {
		names = append(names, a.ID)
	}
	return Answer{Name: rapid.SampledFrom(names).Draw(t, label+" name"), Act: rapid.SampledFrom(ladder.Rungs).Draw(t, label+" act"), Shown: rapid.IntRange(1, len(c.Signs)).Draw(t, label+" shown")}
}

// The promises of Judge, over any case and any two answers to it.
func TestJudgeKeepsItsPromises(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := anyCase(t)
		a, b := anyAnswer(t, c, "a"), anyAnswer(t, c, "b")
		x, y := Judge(c, a), Judge(c, b)
		if x.Points < 0 || x.Points > 100 {
			t.Fatalf("Judge(%+v) = %+v", a, x)
		}
		if a.Act < c.Right && (x.Verdict == Right || x.Verdict == Careful || x.Verdict == Early) {
			t.Errorf("%v where %v is asked for is judged %s", a.Act, c.Right, x.Verdict)
		}
		if x.Verdict == Passed && y.Verdict != Passed && x.Points >= y.Points {
			t.Errorf("what passes has %d points, %s has %d", x.Points, y.Verdict, y.Points)
		}
		if a.Act == c.Right && a.Shown == len(c.Signs) && x.Verdict != Right {
			t.Errorf("what is asked for, all signs seen, is judged %s", x.Verdict)
		}
		if x.Verdict == Right && y.Verdict != Right && x.Points <= y.Points {
			t.Errorf("right has %d points, %s has %d", x.Points, y.Verdict, y.Points)
		}
		// Monotone up the ladder as far as what is asked for, whatever the names.
		if a.Shown == b.Shown && a.Act < b.Act && b.Act <= x.Asked && x.Points >= y.Points {
			t.Errorf("%v has %d points, the higher %v only %d (asked %v)", a.Act, x.Points, b.Act, y.Points, x.Asked)
		}
		// "I don't know" and a sample is never worse than a lower rung that is not right.
		unsure := Judge(c, Answer{Act: ladder.Sample, Shown: b.Shown})
		if b.Act < ladder.Sample && y.Verdict != Right && unsure.Points < y.Points {
			t.Errorf("I don't know has %d points, %v has %d", unsure.Points, b.Act, y.Points)
		}
		if unsure.Verdict == Passed || unsure.Verdict == Early {
			t.Errorf("I don't know with a sample is judged %s", unsure.Verdict)
		}
		if c.Right == ladder.Sample && unsure.Verdict != Right {
			t.Errorf("a sample where one is asked for is judged %s", unsure.Verdict)
		}
		// A name alone never makes up for a look, nor a look for the act.
		if a.Act == b.Act && a.Name == b.Name && x.Verdict == y.Verdict && a.Shown < b.Shown && x.Points < y.Points {
			t.Errorf("fewer looks have fewer points: %d with %d, %d with %d", x.Points, a.Shown, y.Points, b.Shown)
		}
	})
}

func TestJudge(t *testing.T) {
	signs := []Sign{{Text: "a"}, {Text: "b"}, {Text: "c"}}
	alike := []Alike{{ID: "lab", By: ByLab}, {ID: "lens", By: "lens"}}
	tests := []struct {
		name            string
		right, untested ladder.Rung
		a               Answer
		want            Outcome
	}{
		{"stop, named, at once", ladder.Stop, ladder.Stop, Answer{"it", ladder.Stop, 1}, Outcome{Right, NameRight, ladder.Stop, 100}},
		{"stop, named, all looks", ladder.Stop, ladder.Stop, Answer{"it", ladder.Stop, 3}, Outcome{Right, NameRight, ladder.Stop, 90}},
		{"stop, not named", ladder.Stop, ladder.Stop, Answer{"", ladder.Stop, 1}, Outcome{Right, NameUnknown, ladder.Stop, 80}},
		{"stop, sampled instead", ladder.Stop, ladder.Stop, Answer{"", ladder.Sample, 1}, Outcome{Held, NameUnknown, ladder.Stop, 25}},
		{"stop, named and rejected", ladder.Stop, ladder.Stop, Answer{"it", ladder.Reject, 3}, Outcome{Passed, NameRight, ladder.Stop, 5}},
		{"stop, named and noted", ladder.Stop, ladder.Stop, Answer{"it", ladder.Note, 3}, Outcome{Passed, NameRight, ladder.Stop, 0}},
		{"sample, unknown", ladder.Sample, ladder.Sample, Answer{"", ladder.Sample, 2}, Outcome{Right, NameUnknown, ladder.Sample, 80}},
		{"sample, what only a laboratory can tell", ladder.Sample, ladder.Sample, Answer{"lab", ladder.Sample, 3}, Outcome{Right, NameAlike, ladder.Sample, 90}},
		{"sample, what the lens can tell", ladder.Sample, ladder.Sample, Answer{"lens", ladder.Sample, 3}, Outcome{Right, NameWrong, ladder.Sample, 80}},
		{"sample, stopped", ladder.Sample, ladder.Sample, Answer{"", ladder.Stop, 3}, Outcome{Careful, NameUnknown, ladder.Sample, 35}},
		{"reject, noted", ladder.Reject, ladder.Reject, Answer{"it", ladder.Note, 3}, Outcome{Passed, NameRight, ladder.Reject, 0}},
		{"note, I don't know", ladder.Note, ladder.Note, Answer{"", ladder.Sample, 3}, Outcome{Careful, NameUnknown, ladder.Note, 65}},
		{"note, rejected", ladder.Note, ladder.Note, Answer{"it", ladder.Reject, 3}, Outcome{Careful, NameRight, ladder.Note, 60}},
		{"a look-alike to rule out, guessed", ladder.Note, ladder.Sample, Answer{"it", ladder.Note, 2}, Outcome{Early, NameRight, ladder.Sample, 10}},
		{"a look-alike to rule out, looked at", ladder.Note, ladder.Sample, Answer{"it", ladder.Note, 3}, Outcome{Right, NameRight, ladder.Note, 90}},
		{"a look-alike to rule out, sampled", ladder.Note, ladder.Sample, Answer{"", ladder.Sample, 3}, Outcome{Right, NameUnknown, ladder.Note, 80}},
		{"a look-alike to rule out, rejected", ladder.Note, ladder.Sample, Answer{"it", ladder.Reject, 3}, Outcome{Careful, NameRight, ladder.Note, 60}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			c := Case{Entry: "it", Signs: signs, Alike: alike, Right: tt.right, Untested: tt.untested}
			if got := Judge(c, tt.a); got != tt.want {
				t.Errorf("Judge(%+v) = %+v, want %+v", tt.a, got, tt.want)
			}
		})
	}
}

// person takes steps and sends each event through storage and back.
type person struct {
	t *testing.T
	s *State
}

func (p *person) do(c Command) error {
	p.t.Helper()
	events, err := Decide(p.s, c)
	for _, e := range events {
		b, err := Encode(e)
		if err != nil {
			p.t.Fatal(err)
		}
		back, err := Decode(e.Kind(), b)
		if err != nil {
			p.t.Fatal(err)
		}
		if again, err := Encode(back); err != nil || !bytes.Equal(b, again) {
			p.t.Fatalf("stored %s comes back as %s", b, again)
		}
		if err := p.s.Apply(back, time.Unix(int64(p.s.Version), 0)); err != nil {
			p.t.Fatal(err)
		}
	}
	return err
}

func (p *person) must(c Command) {
	p.t.Helper()
	if err := p.do(c); err != nil {
		p.t.Fatalf("%T: %v", c, err)
	}
}

func bank() []Subject {
	var out []Subject
	for i := range 24 {
		r := ladder.Rungs[i%4]
		out = append(out, Subject{ID: fmt.Sprintf("e%02d", i), Name: fmt.Sprintf("Entry %d", i), Kind: kinds[i%3], Revision: 1, Hash: "h", Hosts: []string{"Buxus"},
			Signs: []Sign{{Text: "telling"}, {Text: "middling"}, {Text: "vague"}}, Right: r, Untested: r, Danger: r == ladder.Stop})
	}
	return out
}

func TestSessionToItsEnd(t *testing.T) {
	p := &person{t, &State{}}
	p.must(Start{Bank: bank(), Seed: [32]byte{1}, Size: 4, To: "Eastmoor"})
	refused := func(c Command, code say.Code, words string) {
		t.Helper()
		v := p.s.Version
		err := p.do(c)
		if say.CodeOf(err) != code || !strings.Contains(err.Error(), words) || p.s.Version != v {
			t.Errorf("%+v: %v, want a refusal (%s) with %q", c, err, code, words)
		}
	}
	refused(Start{Bank: bank(), Size: 4}, say.Illegal, "still under way")
	refused(Say{Session: 2, Case: 1, Act: ladder.Stop}, say.NotFound, "no such session")
	refused(Say{Session: 0, Case: 1, Act: ladder.Stop}, say.NotFound, "no such session")
	refused(Say{Session: 1, Case: 5, Act: ladder.Stop}, say.NotFound, "cases 1 to 4")
	refused(Say{Session: 1, Case: 2, Act: ladder.Stop}, say.Illegal, "Case 1 comes first")
	refused(Say{Session: 1, Case: 1}, say.Invalid, "Choose what to do")
	refused(Say{Session: 1, Case: 1, Name: "made-up", Act: ladder.Stop}, say.Invalid, "not in the reference")
	p.must(LookCloser{1, 1, 1})
	if v := p.s.Version; p.do(LookCloser{1, 1, 1}) != nil || p.s.Version != v {
		t.Error("the same look again left something behind")
	}
	p.must(LookCloser{1, 1, 2})
	if v := p.s.Version; p.do(LookCloser{1, 1, 3}) != nil || p.s.Version != v {
		t.Error("a look when all is seen left something behind")
	}
	p.must(Say{Session: 1, Case: 1, Act: ladder.Sample})
	if a := p.s.Sessions[0].Cases[0].Answer; a == nil || a.Shown != 3 || a.Called != "" {
		t.Errorf("answer %+v, want one with all signs seen", a)
	}
	refused(Say{Session: 1, Case: 1, Act: ladder.Stop}, say.Illegal, "answered already")
	refused(LookCloser{1, 1, 2}, say.Illegal, "answered already")
	p.must(PutAside{1, 2})
	refused(Say{Session: 1, Case: 2, Act: ladder.Stop}, say.Illegal, "left out")
	if p.s.Open() == nil || p.s.Open().Now() != 3 {
		t.Fatal("the session does not go on at case 3")
	}
	p.must(Say{Session: 1, Case: 3, Name: p.s.Sessions[0].Cases[2].Entry, Act: p.s.Sessions[0].Cases[2].Right})
	p.must(GiveUp{1})
	refused(GiveUp{1}, say.Illegal, "over already")
	refused(Say{Session: 1, Case: 4, Act: ladder.Stop}, say.Illegal, "given up")
	n := p.s.Sessions[0].Count()
	if n.Answered != 2 || n.Aside != 1 || n.Named != 1 || n.Right < 1 {
		t.Errorf("count %+v, want two answers, one set aside, one named", n)
	}
	p.must(Start{Bank: bank(), Size: 1})
	if p.s.Open().Number != 2 {
		t.Error("the second session is not number 2")
	}
	for _, size := range []int{0, -1, MaxSize + 1} {
		if _, err := Prepare(bank(), nil, [32]byte{}, size); say.CodeOf(err) != say.Invalid {
			t.Errorf("a session of %d cases: %v, want a refusal", size, err)
		}
	}
	if _, err := Decode("practice_danced", nil); say.CodeOf(err) != say.Storage {
		t.Errorf("a kind nobody knows: %v, want a refusal", err)
	}
}

// What was wrong comes back: over many seeds, an entry that would have passed is
// drawn far more often than its peers, and one answered rightly less.
func TestMistakesComeBack(t *testing.T) {
	p := &person{t, &State{}}
	p.must(Start{Bank: bank(), Seed: [32]byte{7}, Size: 8})
	var wrong, known string
	for i, c := range p.s.Sessions[0].Cases {
		act := c.Right
		if c.Right == ladder.Stop && wrong == "" {
			wrong, act = c.Entry, ladder.Note
		} else if c.Right == ladder.Reject && known == "" {
			known = c.Entry
		}
		p.must(Say{Session: 1, Case: i + 1, Name: c.Entry, Act: act})
	}
	times := map[string]int{}
	for i := range 400 {
		cases, err := Prepare(bank(), p.s, [32]byte{byte(i), byte(i >> 8), 9}, 8)
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range cases {
			times[c.Entry]++
		}
	}
	sum, n := 0, 0
	for _, s := range bank() {
		if s.Right == ladder.Stop && s.ID != wrong {
			sum, n = sum+times[s.ID], n+1
		}
	}
	if mean := sum / n; times[wrong] < 2*mean {
		t.Errorf("what would have passed came up %d times of 400, its peers %d", times[wrong], mean)
	}
	sum, n = 0, 0
	for _, s := range bank() {
		if s.Right == ladder.Reject && s.ID != known {
			sum, n = sum+times[s.ID], n+1
		}
	}
	if mean := sum / n; times[known] >= mean {
		t.Errorf("what is known came up %d times, its peers %d", times[known], mean)
	}
}

func TestReportPutsTheWorstFirst(t *testing.T) {
	p := &person{t, &State{}}
	p.must(Start{Bank: bank(), Seed: [32]byte{3}, Size: 16})
	for i := range p.s.Sessions[0].Cases {
		act := ladder.Note // passes everything but what asks for a note
		if i%2 == 0 {
			act = ladder.Stop // careful at worst
		}
		p.must(Say{Session: 1, Case: i + 1, Act: act})
	}
	r, err := Weigh(p.s)
	if err != nil {
		t.Fatal(err)
	}
	n := r.Total
	if n.Answered != 16 || n.Right+n.Careful+n.Held+n.Early+n.Passed != 16 || n.Dangerous < 1 || n.DangerousPassed > n.Dangerous {
		t.Errorf("total %+v", n)
	}
	dangerous := 0
	for _, c := range p.s.Sessions[0].Cases {
		if c.Right == ladder.Stop { // as in the bank
			dangerous++
		}
	}
	if n.Dangerous != dangerous {
		t.Errorf("%d dangerous cases, want %d", n.Dangerous, dangerous)
	}
	var order []string
	for _, c := range r.Confusions {
		word := string(c.Verdict)
		if c.Danger {
			word = "dangerous " + word
		}
		order = append(order, word)
	}
	if got := slices.Compact(order); !slices.Equal(got, []string{"dangerous passed", "passed", "careful"}) {
		t.Errorf("mistakes come in the order %v", got)
	}
	if c := r.Confusions[0]; n.DangerousPassed > 0 && (!c.Danger || c.Verdict != Passed) {
		t.Errorf("first comes %+v, want what would have passed something dangerous", c)
	}
	for _, c := range r.Confusions {
		if c.Verdict == Right {
			t.Errorf("%+v is no mistake", c)
		}
	}
}

// The limits are those of Clopper and Pearson (1934): after n without a miss,
// 1 - 0.05^(1/n); after 1 of 10 the tables give 0.394 (computed, and from memory).
func TestReportSaysHowLittleItShows(t *testing.T) {
	report := func(n, k int) Report {
		s := &State{Sessions: []*Session{{Number: 1}}}
		for i := range n {
			v := Right
			if i < k {
				v = Passed
			}
			s.Sessions[0].Cases = append(s.Sessions[0].Cases, Played{Case: Case{Danger: true}, Answer: &Answered{Outcome: Outcome{Verdict: v}}})
		}
		r, err := Weigh(s)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	for _, tt := range []struct {
		n, k  int
		limit float64
		words []string
	}{
		{0, 0, 1, []string{"No dangerous case"}},
		{1, 1, 1, []string{"Dangerous cases: 1. Of these would have got through: 1.", "small number", "all of them"}},
		{10, 0, 1 - math.Pow(0.05, 0.1), []string{"small number", "more than 26 in 100"}},
		{10, 1, 0.394, []string{"more than 40 in 100"}},
		{60, 0, 1 - math.Pow(0.05, 1./60), []string{"more than 5 in 100"}},
	} {
		r := report(tt.n, tt.k)
		if math.Abs(r.MissAtMost-tt.limit) > 0.0005 {
			t.Errorf("%d of %d: at most %.4f, want %.4f", tt.k, tt.n, r.MissAtMost, tt.limit)
		}
		said := fmt.Sprint(r.Words())
		for _, w := range tt.words {
			if !strings.Contains(said, w) {
				t.Errorf("%d of %d says %s, without %q", tt.k, tt.n, said, w)
			}
		}
		if small := strings.Contains(said, "small number"); small != (tt.n > 0 && tt.n < few) {
			t.Errorf("%d of %d says %s", tt.k, tt.n, said)
		}
	}
}

func TestStoredNamesStay(t *testing.T) {
	b, err := Encode(Answered{Session: 1, Case: 2, Name: "x", Called: "X", Act: ladder.Stop, Shown: 3, Outcome: Outcome{Right, NameRight, ladder.Stop, 100}})
	if err != nil {
		t.Fatal(err)
	}
	want := `{"session":1,"case":2,"name":"x","called":"X","act":"stop","shown":3,"outcome":{"verdict":"right","named":"right","asked":"stop","points":100}}`
	if string(b) != want {
		t.Errorf("stored %s, want %s", b, want)
	}
	var c Case
	if err := json.Unmarshal([]byte(`{"entry":"e","right":"note","untested":"sample","signs":[{"part":{"key":"Stem"},"text":"t"}]}`), &c); err != nil || c.Telling() != "t" || c.Untested != ladder.Sample {
		t.Errorf("read %+v, %v", c, err)
	}
}
