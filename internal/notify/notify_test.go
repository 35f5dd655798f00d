package notify

import (
	"crypto/sha256"
	"fmt"
	"reflect"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"lastlook/internal/consignment"
	"lastlook/internal/ladder"
	"lastlook/internal/say"
)

var t0 = time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)

var (
	ida = Contact{Name: "Ida Fenn", Channels: []Channel{Mail, Webhook}}
	tam = Contact{Name: "Tam Orrin", Channels: []Channel{Mail}}
)

func TestFor(t *testing.T) {
	st := &consignment.State{}
	st.Code, st.Number, st.Destination = "7F3K", "K-2041", "Eastmoor"
	rec := func(version int, e consignment.Event) consignment.Recorded {
		return consignment.Recorded{Version: version, At: t0, Bench: "bench 1", Actor: consignment.Actor{ID: "B", Name: "Tam Orrin"}, Event: e}
	}
	steps := []consignment.Recorded{
		rec(7, consignment.Fetched{Round: 1, Package: 3}),
		rec(8, consignment.RoundEnded{Round: 1, Outcome: consignment.Rejected}),
		rec(9, consignment.RoundEnded{Round: 2, Outcome: consignment.Stopped, Reasons: []say.Text{say.T("a suspect")}}),
	}
	got := For("consignment/7F3K", st, steps)
	if len(got) != 1 || got[0].Cause != Stop || got[0].Version != 9 || got[0].Code != "7F3K" || got[0].Stream != "consignment/7F3K" {
		t.Fatalf("For(fetched, rejected, stopped) = %+v, want one stop of step 9", got)
	}
	all := fmt.Sprint(got[0].What)
	for _, want := range []string{"K-2041", "Eastmoor", "round 2", "bench 1", "Tam Orrin", "a suspect", "stays where it is"} {
		if !strings.Contains(all, want) {
			t.Errorf("the words %q lack %q", all, want)
		}
	}
	if _, ok := Answers(steps); ok {
		t.Error("a stop was answered by stopping")
	}
	if by, ok := Answers([]consignment.Recorded{rec(10, consignment.StopAnswered{Round: 2})}); !ok || by.Actor.Name != "Tam Orrin" {
		t.Errorf("Answers(stop answered) = %+v, %v", by, ok)
	}
	if got := For("consignment/7F3K", st, steps[:2]); len(got) != 0 {
		t.Errorf("For(fetched, rejected) = %+v, want nothing", got)
	}
	for _, tt := range []struct {
		name  string
		event consignment.Event
		gone  bool
		words []string // none: nobody is told
	}{
		{"a result that stops", consignment.RoundRevised{Round: 1, Outcome: consignment.Stopped, Reasons: []say.Text{say.T("Lewis mite")}}, false, []string{"result of a sample", "Lewis mite", "stays where it is"}},
		{"a hold decided otherwise", consignment.RoundRevised{Round: 1, Outcome: consignment.Rejected}, false, nil},
		{"passed goods stopped", consignment.HeldBack{Hold: 1, Rung: ladder.Stop, Reason: "a beetle"}, false, []string{"a beetle", "stays where it is"}},
		{"goods that left stopped", consignment.HeldBack{Hold: 1, Rung: ladder.Stop, Reason: "a beetle"}, true, []string{"a beetle", "left already", "QF 12", "destination must be told"}},
		{"passed goods held", consignment.HeldBack{Hold: 1, Rung: ladder.Sample, Reason: "same batch"}, false, nil},
	} {
		t.Run(tt.name, func(t *testing.T) {
			st := *st
			if tt.gone {
				st.Dispatched = &consignment.Leaving{Dispatched: consignment.Dispatched{Vehicle: "QF 12"}, At: t0}
			}
			got := For("consignment/7F3K", &st, []consignment.Recorded{rec(9, tt.event)})
			if len(got) != min(len(tt.words), 1) {
				t.Fatalf("For gives %+v, want it told: %v", got, tt.words != nil)
			}
			for _, w := range tt.words {
				if all := fmt.Sprint(got[0].What); !strings.Contains(all, w) {
					t.Errorf("the words %q lack %q", all, w)
				}
			}
		})
	}
}

func TestDue(t *testing.T) {
	two := Plan{Levels: []Level{{After: 15 * time.Minute, Contacts: []Contact{ida}}, {After: 30 * time.Minute, Contacts: []Contact{tam}}}}
	tests := []struct {
		name  string
		plan  Plan
		s     Standing
		after time.Duration
		level int
		ok    bool
	}{
		{"nobody to tell", Plan{}, Standing{ToldAt: t0}, 0, 0, false},
		{"nobody was told yet", two, Standing{ToldAt: t0}, 0, 1, true},
		{"the first has time", two, Standing{Level: 1, ToldAt: t0, Outside: 2}, 15 * time.Minute, 2, true},
		{"one of two was refused", two, Standing{Level: 1, ToldAt: t0, Outside: 2, Refused: 1}, 15 * time.Minute, 2, true},
		{"all were refused", two, Standing{Level: 1, ToldAt: t0, Outside: 2, Refused: 2}, 0, 2, true},
		{"the last again", two, Standing{Level: 2, ToldAt: t0, Outside: 1}, 30 * time.Minute, 2, true},
		{"the last, refused, is not told in a loop", two, Standing{Level: 2, ToldAt: t0, Outside: 1, Refused: 1}, 30 * time.Minute, 2, true},
		{"the last a third time", two, Standing{Level: 2, Repeats: 1, ToldAt: t0, Outside: 1}, time.Hour, 2, true},
		{"the last for ever", two, Standing{Level: 2, Repeats: 100, ToldAt: t0, Outside: 1}, 12 * time.Hour, 2, true},
		{"a shorter plan than before", two, Standing{Level: 5, ToldAt: t0, Outside: 1}, 30 * time.Minute, 2, true},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			at, level, ok := tt.plan.Due(tt.s)
			if ok != tt.ok || level != tt.level || ok && !at.Equal(t0.Add(tt.after)) {
				t.Errorf("Due(%+v) = %v, %d, %v; want after %v, %d, %v", tt.s, at.Sub(t0), level, ok, tt.after, tt.level, tt.ok)
			}
		})
	}
}

func TestRetry(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		n := rapid.IntRange(-3, 1_000_000).Draw(rt, "n")
		chance := rapid.Float64Range(0, 0.999999).Draw(rt, "chance")
		d := Retry(n, chance)
		if d < 2500*time.Millisecond || d > 30*time.Minute {
			rt.Fatalf("Retry(%d, %v) = %v, outside 2.5 s to 30 min", n, chance, d)
		}
		if low, high := Retry(n, 0), Retry(n, 0.999999); d < low || d > high {
			rt.Fatalf("Retry(%d, %v) = %v, outside %v to %v", n, chance, d, low, high)
		}
		if next := Retry(n+1, chance); next < d {
			rt.Fatalf("Retry(%d) = %v, then %v: it must not come back sooner", n, d, next)
		}
	})
	if d := Retry(1, 0); d != 2500*time.Millisecond {
		t.Errorf("Retry(1, 0) = %v, want 2.5s", d)
	}
	if d := Retry(50, 0); d != 15*time.Minute {
		t.Errorf("Retry(50, 0) = %v, want 15m0s", d)
	}
}

// TestAnyOrderOfSteps takes random steps on an occasion and compares what follows
// with what is promised.
func TestAnyOrderOfSteps(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		names := []Contact{ida, tam, {Name: "Wilo Pasch", Channels: []Channel{Webhook}}}
		var plan Plan
		for range rapid.IntRange(0, 3).Draw(rt, "levels") {
			plan.Levels = append(plan.Levels, Level{
				After:    time.Duration(rapid.IntRange(1, 90).Draw(rt, "after")) * time.Minute,
				Contacts: names[:rapid.IntRange(1, 3).Draw(rt, "contacts")],
			})
		}
		id := OccasionID(sha256.Sum256([]byte("leaf")))
		now := t0
		var history []Recorded
		s := &State{}
		do := func(c Command) []Event {
			events, err := Decide(s, c)
			if err != nil {
				rt.Fatalf("%T: %v", c, err)
			}
			for _, e := range events {
				b, err := Encode(e)
				if err != nil {
					rt.Fatal(err)
				}
				back, err := Decode(e.Kind(), b)
				if err != nil || !reflect.DeepEqual(back, e) {
					rt.Fatalf("Decode(Encode(%+v)) = %+v, %v", e, back, err)
				}
				rec := Recorded{At: now, Actor: consignment.Actor{ID: "B"}, Event: e}
				history = append(history, rec)
				if err := s.Apply(rec); err != nil {
					rt.Fatalf("what was decided does not fold: %v", err)
				}
			}
			return events
		}
		do(Raise{ID: id, Occasion: Occasion{Cause: Stop, Stream: "consignment/7F3K", Version: 9, What: []say.Text{say.T("x")}}, Plan: plan})
		for range rapid.IntRange(0, 40).Draw(rt, "steps") {
			now = now.Add(time.Duration(rapid.IntRange(0, 120).Draw(rt, "minutes")) * time.Minute)
			level, telling, answered, messages := s.Level, s.Telling, s.Answer != nil, len(s.Messages)
			m := s.Messages[rapid.IntRange(0, len(s.Messages)-1).Draw(rt, "message")]
			switch rapid.IntRange(0, 9).Draw(rt, "step") {
			case 0:
				do(Deliver{m.ID})
			case 1:
				if m.Channel.Outside() {
					do(Refuse{m.ID, 550})
				}
			case 2:
				do(Acknowledge{By: consignment.Actor{ID: "B"}})
			case 3:
				if n := len(do(Raise{ID: id, Plan: plan})); n != 0 {
					rt.Fatalf("raised twice: %d events", n)
				}
			default:
				at, want, ok := plan.Due(s.Standing())
				events := do(Escalate{Plan: plan, At: now})
				if due := ok && !answered && !at.After(now); due != (len(events) == 1) {
					rt.Fatalf("Escalate gives %d events, due: %v (at %v, now %v, answered %v)", len(events), due, at, now, answered)
				}
				if len(events) == 1 && (s.Level != want || s.Telling != telling+1) {
					rt.Fatalf("level %d telling %d after %d and %d", s.Level, s.Telling, level, telling)
				}
			}
			if s.Level < level || s.Telling < telling || answered && s.Answer == nil || answered && len(s.Messages) != messages {
				rt.Fatalf("it went back, or told somebody after the answer: %+v", s)
			}
			if m.Standing == Taken && s.message(m.ID).Standing != Taken {
				rt.Fatalf("a message that was taken is %s", s.message(m.ID).Standing)
			}
		}
		ids := map[string]bool{}
		for _, m := range s.Messages {
			if ids[m.ID] || !ValidID(m.ID) || m.ID != MessageID(id, m.To, m.Channel, m.Telling) {
				rt.Fatalf("message id %q twice, or not what it follows from", m.ID)
			}
			ids[m.ID] = true
		}
		again, err := Fold(history)
		if err != nil || !reflect.DeepEqual(again, s) {
			rt.Fatalf("Fold = %+v, %v; want %+v", again, err, s)
		}
	})
}

func TestDecideRefuses(t *testing.T) {
	id := OccasionID(sha256.Sum256(nil))
	raised := func(c Cause) *State {
		s := &State{}
		events, err := Decide(s, Raise{ID: id, Occasion: Occasion{Cause: c}, Plan: Plan{HeadsTo: []Contact{tam}}})
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Apply(Recorded{At: t0, Event: events[0]}); err != nil {
			t.Fatal(err)
		}
		return s
	}
	tests := []struct {
		name string
		s    *State
		c    Command
		code say.Code
	}{
		{"nothing there", &State{}, Acknowledge{By: consignment.Actor{ID: "B"}}, say.NotFound},
		{"nobody answers", raised(Stop), Acknowledge{}, say.Forbidden},
		{"a head needs no answer", raised(Head), Acknowledge{By: consignment.Actor{ID: "B"}}, say.Illegal},
		{"no such message", raised(Stop), Deliver{"f00"}, say.NotFound},
		{"no such message to refuse", raised(Stop), Refuse{"f00", 550}, say.NotFound},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if events, err := Decide(tt.s, tt.c); say.CodeOf(err) != tt.code || events != nil {
				t.Errorf("Decide(%T) = %v, %v; want a refusal %q", tt.c, events, err, tt.code)
			}
		})
	}
	if s := raised(Head); len(s.Messages) != 1 || s.Messages[0].To != tam.Name || s.Messages[0].Channel != Mail {
		t.Errorf("a head is told to %+v, want Tam Orrin by mail only", s.Messages)
	}
	if _, err := Decide(&State{}, Raise{ID: "../x"}); err == nil {
		t.Error("a made-up id was taken")
	}
	if _, err := Decode("notice_sung", nil); say.CodeOf(err) != say.Storage {
		t.Errorf("Decode of an unknown kind = %v, want a refusal", err)
	}
	if _, err := Decode("notice_delivered", []byte(`{"message":"x","address":"y"}`)); err == nil {
		t.Error("an unknown field was taken")
	}
}

// TestIDsAreFixed: ids are known to receivers, so they never change.
func TestIDsAreFixed(t *testing.T) {
	// sha256sum of the bytes named, first 24 digits.
	if got, want := OccasionID(sha256.Sum256([]byte("abc"))), "ba7816bf8f01cfea414140de"; got != want {
		t.Errorf("OccasionID(SHA-256 of abc) = %s, want %s (FIPS 180-4 example)", got, want)
	}
	a := MessageID("ba7816bf8f01cfea414140de", "Ida Fenn", Mail, 0)
	for _, other := range []string{
		MessageID("ba7816bf8f01cfea414140df", "Ida Fenn", Mail, 0), MessageID("ba7816bf8f01cfea414140de", "Ida Fen", Mail, 0),
		MessageID("ba7816bf8f01cfea414140de", "Ida Fenn", Webhook, 0), MessageID("ba7816bf8f01cfea414140de", "Ida Fenn", Mail, 1),
	} {
		if a == other {
			t.Errorf("two messages have the id %s", a)
		}
	}
}
