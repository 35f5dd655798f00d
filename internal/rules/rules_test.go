package rules

import (
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"lastlook/internal/consignment"
	"lastlook/internal/sampling"
	"lastlook/internal/say"
)

var (
	start = time.Date(2026, time.March, 11, 12, 20, 0, 0, time.UTC)
	ida   = consignment.Actor{ID: "ida", Name: "Ida Fenn", Roles: []string{"supervisor"}}
	wilo  = consignment.Actor{ID: "wilo", Name: "Wilo Pasch", Roles: []string{"supervisor"}}
	tam   = consignment.Actor{ID: "tam", Name: "Tam Orrin", Roles: []string{"inspector"}}
	both  = []string{"ida", "wilo"}
)

// with gives the shipped rules with a change.
func with(f func(*consignment.RuleSet)) *consignment.RuleSet {
	r := consignment.DefaultRules()
	if f != nil {
		f(&r)
	}
	return &r
}

func rate(n int) *consignment.RuleSet {
	return with(func(r *consignment.RuleSet) { r.Rate = sampling.Rate(n) * sampling.Percent })
}

// step is somebody's command so long after start.
type step struct {
	by    consignment.Actor
	after time.Duration
	c     Command
}

// history does steps, each event by way of its stored form.
func history(t testing.TB, supervisors []string, steps ...step) *History {
	t.Helper()
	h := &History{}
	for _, s := range steps {
		m := Meta{Actor: s.by, At: start.Add(s.after), Supervisors: supervisors}
		events, err := Decide(h, m, s.c)
		if err != nil {
			t.Fatalf("Decide(%+v): %v", s.c, err)
		}
		for _, e := range events {
			b, err := Encode(e)
			if err != nil {
				t.Fatal(err)
			}
			back, err := Decode(e.Kind(), b)
			if err != nil {
				t.Fatal(err)
			}
			if err := h.Apply(back, s.by, m.At); err != nil {
				t.Fatal(err)
			}
		}
	}
	return h
}

func TestDecide(t *testing.T) {
	five := Propose{Rules: rate(5), Reason: "scale on lavender", Seen: 1}
	proposed := []step{{ida, 0, five}}
	tests := []struct {
		name        string
		supervisors []string
		before      []step
		by          consignment.Actor
		command     Command
		want        string // kind of the event; "" means refused
		code        say.Code
		words       string
	}{
		{"two supervisors", both, nil, ida, five, "rules_proposed", "", ""},
		{"a single supervisor", both[:1], nil, ida, five, "rules_published", "", ""},
		{"no supervisor", both, nil, tam, five, "", say.Forbidden, "Only a supervisor"},
		{"nobody", both, nil, consignment.Actor{}, five, "", say.Forbidden, "Only a supervisor"},
		{"no reason", both, nil, ida, Propose{Rules: rate(5), Reason: " \n", Seen: 1}, "", say.Invalid, "Say why"},
		{"long reason", both, nil, ida, Propose{Rules: rate(5), Reason: strings.Repeat("é", 501), Seen: 1}, "", say.Invalid, "500 characters"},
		{"long destination", both, nil, ida, Propose{Destination: strings.Repeat("é", 121), Rules: rate(5), Reason: "x", Seen: 1}, "", say.Invalid, "120 characters"},
		{"nothing changed", both, nil, ida, Propose{Rules: rate(2), Reason: "x", Seen: 1}, "", say.Invalid, "Nothing is changed"},
		{"the same, for one destination", both, nil, ida, Propose{Destination: "Eastmoor", Rules: rate(2), Reason: "pinned", Seen: 1}, "rules_proposed", "", ""},
		{"wrong numbers", both, nil, ida, Propose{Rules: rate(0), Reason: "x", Seen: 1}, "", say.Invalid, "examines nothing"},
		{"in the past", both, nil, ida, Propose{Rules: rate(5), Reason: "x", Seen: 1, From: start.Add(-61 * time.Second)}, "", say.Invalid, "in the past"},
		{"this minute", both, nil, ida, Propose{Rules: rate(5), Reason: "x", Seen: 1, From: start.Add(-59 * time.Second)}, "rules_proposed", "", ""},
		{"next year but one", both, nil, ida, Propose{Rules: rate(5), Reason: "x", Seen: 1, From: start.AddDate(1, 0, 3)}, "", say.Invalid, "more than a year"},
		{"made from an old version", both[:1], []step{{ida, 0, five}}, ida, Propose{Rules: rate(6), Reason: "x", Seen: 1}, "", say.Conflict, "Version 2 was published"},
		{"another waits", both, proposed, wilo, Propose{Rules: rate(6), Reason: "x", Seen: 1}, "", say.Conflict, "Ida Fenn waits"},
		{"another waits elsewhere", both, proposed, wilo, Propose{Destination: "Eastmoor", Rules: rate(6), Reason: "x", Seen: 1}, "rules_proposed", "", ""},
		{"give up everywhere", both, nil, ida, Propose{Reason: "x", Seen: 1}, "", say.Invalid, "cannot be given up"},
		{"give up nothing", both, nil, ida, Propose{Destination: "Eastmoor", Reason: "x", Seen: 1}, "", say.Invalid, "no rules of its own"},
		{"give up", both[:1], []step{{ida, 0, Propose{Destination: "Eastmoor", Rules: rate(5), Reason: "x", Seen: 1}}}, ida, Propose{Destination: "eastmoor", Reason: "x", Seen: 2}, "rules_published", "", ""},

		{"approve", both, proposed, wilo, Approve{1, 1}, "rules_approved", "", ""},
		{"approve one's own", both, proposed, ida, Approve{1, 1}, "", say.Forbidden, "another supervisor"},
		{"approve as inspector", both, proposed, tam, Approve{1, 1}, "", say.Forbidden, "Only a supervisor"},
		{"approve against another version", both, proposed, wilo, Approve{1, 2}, "", say.Conflict, "Version 1 was published"},
		{"approve nothing", both, nil, wilo, Approve{1, 1}, "", say.NotFound, "no such proposal"},
		{"approve twice", both, append(slices.Clone(proposed), step{wilo, 0, Approve{1, 1}}), wilo, Approve{1, 2}, "", say.Conflict, "Wilo Pasch approved this already: it is version 2"},
		{"approve what was withdrawn", both, append(slices.Clone(proposed), step{ida, 0, Withdraw{1, ""}}), wilo, Approve{1, 1}, "", say.Conflict, "Ida Fenn withdrew"},
		{"withdraw one's own", both, proposed, ida, Withdraw{1, ""}, "rules_withdrawn", "", ""},
		{"withdraw another's", both, proposed, wilo, Withdraw{1, "too many"}, "rules_withdrawn", "", ""},
		{"withdraw another's silently", both, proposed, wilo, Withdraw{1, " "}, "", say.Invalid, "Say why: Ida Fenn"},
		{"withdraw nothing", both, nil, wilo, Withdraw{7, ""}, "", say.NotFound, "no such proposal"},
		{"no step", both, nil, ida, nil, "", say.Invalid, "do not know this step"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			h := history(t, tt.supervisors, tt.before...)
			events, err := Decide(h, Meta{Actor: tt.by, At: start, Supervisors: tt.supervisors}, tt.command)
			if say.CodeOf(err) != tt.code || (err == nil) != (tt.want != "") {
				t.Fatalf("Decide(%+v) = %v, want code %q", tt.command, err, tt.code)
			}
			if err != nil && !strings.Contains(err.Error(), tt.words) {
				t.Errorf("Decide(%+v) says %q, want it to speak of %q", tt.command, err, tt.words)
			}
			if err == nil && (len(events) != 1 || events[0].Kind() != tt.want) {
				t.Errorf("Decide(%+v) = %+v, want one %s", tt.command, events, tt.want)
			}
		})
	}
}

// Of two who proposed and approve, one left: whoever is alone may go on.
func TestAlone(t *testing.T) {
	h := history(t, both, step{ida, 0, Propose{Rules: rate(5), Reason: "x", Seen: 1}})
	if _, err := Decide(h, Meta{Actor: ida, At: start, Supervisors: both[:1]}, Approve{1, 1}); err != nil {
		t.Errorf("the only supervisor left cannot approve: %v", err)
	}
}

// A rule set that asks for nobody else lets one supervisor publish; the step to it
// takes two.
func TestTwoPeopleCanBeGivenUp(t *testing.T) {
	free := with(func(r *consignment.RuleSet) { r.TwoPeople = nil })
	h := history(t, both, step{ida, 0, Propose{Rules: free, Reason: "x", Seen: 1}})
	if len(h.Sets) != 0 || len(h.OpenProposals()) != 1 {
		t.Fatalf("one supervisor gave up the second: %+v", h)
	}
	h = history(t, both, step{ida, 0, Propose{Rules: free, Reason: "x", Seen: 1}}, step{wilo, time.Hour, Approve{1, 1}})
	if h.NeedsTwo("", start, 2) != true || h.NeedsTwo("", start.Add(2*time.Hour), 2) != false {
		t.Error("two people are asked for by the rules of another time")
	}
	h = history(t, both, step{ida, 0, Propose{Rules: free, Reason: "x", Seen: 1}}, step{wilo, 0, Approve{1, 1}}, step{wilo, time.Minute, Propose{Rules: rate(5), Reason: "x", Seen: 2}})
	if len(h.Sets) != 2 {
		t.Errorf("sets = %+v, want the third version published by one", h.Sets)
	}
}

func TestInForce(t *testing.T) {
	hour := time.Hour
	h := history(t, both[:1],
		step{ida, 0, Propose{Rules: rate(3), Reason: "a", Seen: 1}},                                                                        // 2
		step{ida, 0, Propose{Destination: " East  moor", Rules: rate(4), Reason: "b", Seen: 2, From: start.Add(2 * hour)}},                 // 3
		step{ida, hour, Propose{Rules: rate(5), Reason: "c", Seen: 3, From: start.Add(10 * hour)}},                                         // 4
		step{ida, 2 * hour, Propose{Rules: rate(6), Reason: "d", Seen: 4, From: start.Add(5 * hour)}},                                      // 5, starts before 4
		step{ida, 3 * hour, Propose{Destination: "EAST MOOR", Reason: "as everywhere", Seen: 5, From: start.Add(20 * hour)}},               // 6
		step{ida, 4 * hour, Propose{Destination: "Saltwick", Rules: rate(7), Reason: "e", Seen: 6, From: start.Add(10 * hour)}},            // 7
		step{ida, 4 * hour, Propose{Destination: "Saltwick", Rules: rate(8), Reason: "instead", Seen: 7, From: start.Add(10 * time.Hour)}}, // 8, same start
	)
	for _, tt := range []struct {
		name, to string
		after    time.Duration
		want     int
	}{
		{"before anything", "", -hour, 1},
		{"before anything, somewhere", "Eastmoor", -hour, 1},
		{"at its start", "", 0, 2},
		{"a destination without its own", "Northreach", 0, 2},
		{"own rules not begun", "East moor", 2*hour - 1, 2},
		{"own rules begun", "east  MOOR ", 2 * hour, 3},
		{"the next start", "", 5 * hour, 5},
		{"published before, starts after", "", 10 * hour, 4},
		{"own rules stay meanwhile", "East moor", 10 * hour, 3},
		{"own rules given up", "East moor", 20 * hour, 4},
		{"of one start the newer", "Saltwick", 10 * hour, 8},
	} {
		t.Run(tt.name, func(t *testing.T) {
			got := h.InForce(tt.to, start.Add(tt.after))
			if got.Version != tt.want || got.Rules == nil || got.Rules.Version != tt.want {
				t.Errorf("InForce(%q, +%v) = version %d (%+v), want %d", tt.to, tt.after, got.Version, got.Rules, tt.want)
			}
		})
	}
	if got := h.Destinations(start.Add(11 * hour)); !slices.Equal(got, []string{"East moor", "Saltwick"}) {
		t.Errorf("Destinations = %q", got)
	}
	if got := h.Destinations(start.Add(21 * hour)); !slices.Equal(got, []string{"Saltwick"}) {
		t.Errorf("Destinations later = %q", got)
	}
	var coming []int
	for _, s := range h.Coming(start.Add(5 * hour)) {
		coming = append(coming, s.Version)
	}
	if !slices.Equal(coming, []int{4, 7, 8, 6}) {
		t.Errorf("Coming = %v, want 4 7 8 6", coming)
	}
	if _, ok := h.Set(9); ok {
		t.Error("Set(9) was never published")
	}
}

// A start that passed while the proposal waited is that of the approval: nothing
// counts for the time before anybody agreed to it.
func TestApprovedLate(t *testing.T) {
	h := history(t, both, step{ida, 0, Propose{Rules: rate(5), Reason: "x", Seen: 1, From: start.Add(time.Hour)}}, step{wilo, 3 * time.Hour, Approve{1, 1}})
	if got := h.InForce("", start.Add(2*time.Hour)).Version; got != 1 {
		t.Errorf("before it was approved version %d counts, want 1", got)
	}
	s := h.Sets[0]
	if !s.From.Equal(start.Add(3*time.Hour)) || s.ProposedBy.ID != "ida" || s.PublishedBy.ID != "wilo" || s.Proposal != 1 {
		t.Errorf("published %+v", s)
	}
}

func TestCheck(t *testing.T) {
	if wrong := Check(consignment.DefaultRules()); len(wrong) > 0 {
		t.Fatalf("the shipped rules: %v", wrong)
	}
	item := func(id, words string) consignment.CheckItem {
		return consignment.CheckItem{ID: id, Words: say.T("%s", words)}
	}
	type set = *consignment.RuleSet
	for _, tt := range []struct {
		name, field, words string
		change             func(set)
	}{
		{"rate 0", "rate", "examines nothing", func(r set) { r.Rate = 0 }},
		{"rate below 0", "rate", "examines nothing", func(r set) { r.Rate = -1 }},
		{"rate over all", "rate", "more than all packages", func(r set) { r.Rate = sampling.Whole + 1 }},
		{"minimum 0", "minimum", "unexamined", func(r set) { r.Minimum = 0 }},
		{"minimum of millions", "minimum", "more than a consignment", func(r set) { r.Minimum = consignment.MaxPackages + 1 }},
		{"window 0", "window_hours", "no time", func(r set) { r.WindowHours = 0 }},
		{"window below 0", "window_hours", "no time", func(r set) { r.WindowHours = -72 }},
		{"window over 31 days", "window_hours", "31 days", func(r set) { r.WindowHours = 31*24 + 1 }},
		{"no looks", "looks", "No look", func(r set) { r.Looks = nil }},
		{"unknown look", "looks", "no look that", func(r set) { r.Looks = []consignment.Look{"roots"} }},
		{"look twice", "looks", "twice", func(r set) { r.Looks = []consignment.Look{consignment.LookStems, consignment.LookStems} }},
		{"no items", "before", "empty", func(r set) { r.Before = nil }},
		{"no words", "before", "Line 2: there are no words", func(r set) { r.Before = []consignment.CheckItem{item("a", "x"), {ID: "b"}} }},
		{"blank words", "store", "Line 1: there are no words", func(r set) { r.Store = []consignment.CheckItem{item("a", " ")} }},
		{"long words", "after", "200 characters", func(r set) { r.After = []consignment.CheckItem{item("a", strings.Repeat("é", 201))} }},
		{"id twice", "after", "Line 3: the id a stands on line 1", func(r set) { r.After = []consignment.CheckItem{item("a", "x"), item("b", "y"), item("a", "z")} }},
		{"bad id", "before", "is no id", func(r set) { r.Before = []consignment.CheckItem{item("No Soil", "x")} }},
		{"no id", "before", "is no id", func(r set) { r.Before = []consignment.CheckItem{item("", "x")} }},
		{"rejects before", "before", "can reject", func(r set) { r.Before = []consignment.CheckItem{{ID: "a", Words: say.T("x"), Rejects: true}} }},
		{"41 items", "after", "at most 40", func(r set) { r.After = make([]consignment.CheckItem, 41) }},
		{"confidence 0", "detail_confidence", "promises nothing", func(r set) { r.DetailConfidence = 0 }},
		{"confidence 100 %", "detail_confidence", "out of reach", func(r set) { r.DetailConfidence = sampling.Whole }},
		{"level 0", "detail_detect", "nothing to detect", func(r set) { r.DetailDetect = 0 }},
		{"level over all", "detail_detect", "more than all", func(r set) { r.DetailDetect = sampling.Whole + 1 }},
		{"removal unknown", "remove_infested", "Choose", func(r set) { r.RemoveInfested = "sometimes" }},
		{"minutes below 0", "minutes_per_round", "less than nothing", func(r set) { r.MinutesPerRound = -1 }},
		{"seconds below 0", "seconds_per_package", "less than nothing", func(r set) { r.SecondsPerPackage = -1 }},
		{"seconds of a unit below 0", "seconds_per_unit", "less than nothing", func(r set) { r.SecondsPerUnit = -1 }},
		{"seconds over a day", "seconds_per_unit", "longer than a day", func(r set) { r.SecondsPerUnit = 86401 }},
		{"retention below 0", "retention_years", "keep no record", func(r set) { r.RetentionYears = -1 }},
		{"retention 0", "retention_years", "keep no record", func(r set) { r.RetentionYears = 0 }},
		{"retention for ever", "retention_years", "promised", func(r set) { r.RetentionYears = 101 }},
		{"unknown duty", "two_people", "nothing that two people", func(r set) { r.TwoPeople = []consignment.Duty{"sweeping"} }},
	} {
		t.Run(tt.name, func(t *testing.T) {
			wrong := Check(*with(tt.change))
			if len(wrong) != 1 || wrong[0].Field != tt.field || !strings.Contains(wrong[0].Error(), tt.words) {
				t.Errorf("Check = %v, want one about %s that speaks of %q", wrong, tt.field, tt.words)
			}
		})
	}
	// All that is wrong is told at once.
	if wrong := Check(consignment.RuleSet{}); len(wrong) < 9 {
		t.Errorf("Check of nothing finds %d things", len(wrong))
	}
}

func TestDiff(t *testing.T) {
	b := with(func(r *consignment.RuleSet) {
		r.Rate = 5 * sampling.Percent
		r.After = append(slices.Clone(r.After[1:]), consignment.CheckItem{ID: "floor", Words: say.T("%s", "Floor is swept"), Rejects: true})
		r.TwoPeople = nil
	})
	got := Diff(consignment.DefaultRules(), *b)
	var lines []string
	for _, ch := range got {
		for _, l := range ch.Lines {
			if l.Mark != "" {
				lines = append(lines, ch.Field+" "+l.Mark+" "+l.Text.String())
			}
		}
	}
	want := []string{
		"rate gone 2 % of the packages, rounded up", "rate new 5 % of the packages, rounded up",
		"after gone No soil was left on the bench (no_soil): a No rejects", "after new Floor is swept (floor): a No rejects",
		"two_people gone changing the rules", "two_people new nothing",
	}
	if !slices.Equal(lines, want) {
		t.Errorf("Diff = %q\nwant %q", lines, want)
	}
	if !Equal(*b, *b) || Equal(*b, consignment.DefaultRules()) {
		t.Error("Equal and Diff do not agree")
	}
}

// The numbers for 240 packages are those of the common rule, and of one that
// examines 5 %.
func TestPreview(t *testing.T) {
	for _, tt := range []struct {
		rate int
		want []int
	}{{2, []int{3, 3, 5, 24}}, {5, []int{3, 3, 12, 60}}, {100, Sizes}} {
		effects, err := Preview(*rate(tt.rate))
		if err != nil {
			t.Fatal(err)
		}
		for i, e := range effects {
			ev, err := sampling.Clean(e.Packages, tt.want[i])
			if err != nil || e.Packages != Sizes[i] || e.Examine != tt.want[i] || !reflect.DeepEqual(e.Shows, ev.Words()) {
				t.Errorf("at %d %%: %+v, want %d of %d (%v)", tt.rate, e, tt.want[i], Sizes[i], err)
			}
		}
	}
}

func TestParseItems(t *testing.T) {
	known := consignment.DefaultRules().After
	if got := ParseItems(ItemText(known), known); !reflect.DeepEqual(got, known) {
		t.Errorf("read back = %+v, want %+v", got, known)
	}
	text := "no_soil: ! No soil,  nor %d anything\r\n\n  Floor is swept by hand \n! Floor is swept\nno_weed:\nBad Id: words\nnote:a: b\n"
	want := []consignment.CheckItem{
		{ID: "no_soil", Words: say.T("%s", "No soil, nor %d anything"), Rejects: true},
		{ID: "floor_is_swept", Words: say.T("%s", "Floor is swept by hand")},
		{ID: "floor_is_swept_2", Words: say.T("%s", "Floor is swept"), Rejects: true},
		{ID: "no_weed"},
		{ID: "bad_id_words", Words: say.T("%s", "Bad Id: words")},
		{ID: "note", Words: say.T("%s", "a: b")},
	}
	if got := ParseItems(text, known); !reflect.DeepEqual(got, want) {
		t.Errorf("ParseItems = %+v\nwant %+v", got, want)
	}
	if got := want[0].Words.String(); got != "No soil, nor %d anything" {
		t.Errorf("words with a verb are said as %q", got)
	}
	// An id that an older version used is not given to something else.
	if got := ParseItems("Waste bagged", append(slices.Clone(known), consignment.CheckItem{ID: "waste_bagged"})); got[0].ID == "waste_bagged" {
		t.Error("an id that was used before means something else now")
	}
}

func TestFile(t *testing.T) {
	shipped := consignment.DefaultRules()
	b, err := Write(shipped)
	if err != nil {
		t.Fatal(err)
	}
	got, err := Read(append([]byte("\ufeff"), b...), shipped)
	shipped.Version = 0
	if err != nil || !reflect.DeepEqual(got, shipped) {
		t.Errorf("Read(Write) = %+v, %v\nwant %+v", got, err, shipped)
	}
	none, _ := Write(*with(func(r *consignment.RuleSet) { r.TwoPeople = nil }))
	if got, err := Read(none, shipped); err != nil || got.TwoPeople != nil {
		t.Errorf("without two people: %v, %v", got.TwoPeople, err)
	}
	text := string(b)
	swap := func(old, new string) string {
		if !strings.Contains(text, old) {
			t.Fatalf("the file does not hold %s", old)
		}
		return strings.Replace(text, old, new, 1)
	}
	for _, tt := range []struct{ name, file, words string }{
		{"empty", " \n", "The file is empty"},
		{"large", strings.Repeat(" ", MaxFile+1), "larger than 256 kB"},
		{"not text", "\xff\xfe{", "no text in UTF-8"},
		{"a list", "[]", "must begin with {"},
		{"another file", "{}", `This is no rule set: the field "format" is missing`},
		{"cut off", text[:len(text)-2], "cannot be read from line"},
		{"broken", swap(`"minimum": 3,`, `"minimum": 3`), "cannot be read from line 6 on"},
		{"two in one", text + text, "behind the end"},
		{"another format", swap(Format, "orders"), `of the format "orders"`},
		{"another version", swap(`"format_version": 1`, `"format_version": 2`), "version 2 of the format"},
		{"unknown field", swap(`"minimum"`, `"maximum"`), `a field "maximum"`},
		{"field twice", swap(`"minimum": 3`, `"minimum": 3, "minimum": 4`), `"minimum" is there twice`},
		{"field missing", swap(`  "spread": true,`, ``), `"spread" is missing in the file`},
		{"null", swap(`"spread": true`, `"spread": null`), `"spread" does not hold`},
		{"word for a number", swap(`"minimum": 3`, `"minimum": "3"`), `"minimum" does not hold`},
		{"fraction", swap(`"minimum": 3`, `"minimum": 3.5`), `"minimum" does not hold`},
		{"rate without sign", swap(`"2%"`, `"2"`), `"rate": "2" can be read in two ways`},
		{"unknown part of an item", swap(`"words"`, `"wards"`), `"before" does not hold`},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, err := Read([]byte(tt.file), shipped)
			if say.CodeOf(err) != say.Invalid || !strings.Contains(err.Error(), tt.words) {
				t.Errorf("Read says %v, want it to speak of %q", err, tt.words)
			}
		})
	}
}

func FuzzRead(f *testing.F) {
	b, _ := Write(consignment.DefaultRules())
	f.Add(b)
	f.Add([]byte(`{"format":"lastlook-rules","format_version":1}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		r, err := Read(b, consignment.DefaultRules())
		if err != nil {
			if say.CodeOf(err) != say.Invalid {
				t.Fatalf("Read(%q) = %v, which is no refusal", b, err)
			}
			return
		}
		Check(r)
		if len(Check(r)) > 0 {
			return
		}
		again, err := Write(r)
		if err != nil {
			t.Fatal(err)
		}
		back, err := Read(again, consignment.DefaultRules())
		if err != nil || !Equal(back, r) {
			t.Fatalf("read again: %v, %+v\nwant %+v", err, back, r)
		}
	})
}

func TestDecodeRefuses(t *testing.T) {
	if _, err := Decode("rules_painted", []byte("{}")); say.CodeOf(err) != say.Storage {
		t.Errorf("Decode of an unknown kind: %v", err)
	}
	if _, err := Decode("rules_published", []byte("{")); err == nil {
		t.Error("Decode of half an event: no error")
	}
	for _, e := range []Event{Proposed{ID: 2}, WasApproved{ID: 1}, WasWithdrawn{ID: 1}, Published{Version: 3, Rules: rate(2)}, Published{Version: 2}} {
		if err := (&History{}).Apply(e, ida, start); err == nil {
			t.Errorf("Apply(%+v) on an empty history: no error", e)
		}
	}
}

// Whatever is done: versions are counted without gaps, nothing is published that
// Check refuses, nothing starts before it was published, with two supervisors nothing
// that asks for two is published by one, and there are rules everywhere and always.
func TestHistoryStaysSound(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := &History{}
		at := start
		who := rapid.SampledFrom([]consignment.Actor{ida, wilo, tam})
		to := rapid.SampledFrom([]string{"", "Eastmoor", "eastmoor ", "Saltwick"})
		for range rapid.IntRange(1, 25).Draw(t, "steps") {
			at = at.Add(time.Duration(rapid.IntRange(0, 7200).Draw(t, "later")) * time.Second)
			m := Meta{Actor: who.Draw(t, "who"), At: at, Supervisors: both[:rapid.IntRange(1, 2).Draw(t, "supervisors")]}
			var c Command
			switch rapid.IntRange(0, 3).Draw(t, "what") {
			case 0, 1:
				p := Propose{Destination: to.Draw(t, "to"), Reason: rapid.SampledFrom([]string{"", "x"}).Draw(t, "why"), Seen: h.Newest()}
				if rapid.Bool().Draw(t, "later start") {
					p.From = at.Add(time.Duration(rapid.IntRange(-3600, 36000).Draw(t, "from")) * time.Second)
				}
				if rapid.IntRange(0, 4).Draw(t, "give up") > 0 {
					p.Rules = rate(rapid.IntRange(0, 4).Draw(t, "rate"))
					if rapid.Bool().Draw(t, "alone") {
						p.Rules.TwoPeople = nil
					}
				}
				c = p
			case 2:
				c = Approve{rapid.IntRange(0, len(h.Proposals)+1).Draw(t, "id"), h.Newest()}
			case 3:
				c = Withdraw{rapid.IntRange(0, len(h.Proposals)+1).Draw(t, "id"), rapid.SampledFrom([]string{"", "x"}).Draw(t, "why")}
			}
			before := *h
			events, err := Decide(h, m, c)
			if !reflect.DeepEqual(before, *h) {
				t.Fatalf("Decide(%+v) changed the history", c)
			}
			if err != nil && say.CodeOf(err) == "" {
				t.Fatalf("Decide(%+v) = %v, which is no refusal", c, err)
			}
			for _, e := range events {
				to, two := "", false
				switch e := e.(type) {
				case Published:
					to, two = e.Destination, true
				case WasApproved:
					p, _ := h.Proposal(e.ID)
					if to = p.Destination; p.By.ID == m.Actor.ID {
						two = true
					}
				}
				if two && h.NeedsTwo(to, at, len(m.Supervisors)) {
					t.Fatalf("%+v by one person, where two are asked for", e)
				}
				if err := h.Apply(e, m.Actor, at); err != nil {
					t.Fatal(err)
				}
			}
			for i, s := range h.Sets {
				if s.Version != i+2 || s.From.Before(s.PublishedAt) {
					t.Fatalf("version %d of %+v", s.Version, h.Sets)
				}
				if s.Rules != nil && (len(Check(*s.Rules)) > 0 || s.Rules.Version != s.Version) {
					t.Fatalf("published %+v", s)
				}
			}
			open := map[string]bool{}
			for _, p := range h.OpenProposals() {
				if k := strings.ToLower(p.Destination); open[k] {
					t.Fatalf("two proposals wait for %q", k)
				} else {
					open[k] = true
				}
			}
			for _, d := range []string{"", "Eastmoor", "Saltwick", "Northreach"} {
				s := h.InForce(d, at)
				if s.Rules == nil || s.From.After(at) || s.Destination != "" && !Same(s.Destination, d) {
					t.Fatalf("InForce(%q) = %+v", d, s)
				}
			}
		}
	})
}
