package sampling

import (
	"encoding/json"
	"math/big"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"lastlook/internal/say"
)

func bigRate(r Rate) *big.Int { return big.NewInt(int64(r)) }

func weigh(t *testing.T, q Question) Evidence {
	t.Helper()
	if q.Confidence == 0 {
		q.Confidence = DefaultConfidence
	}
	if q.Efficacy == 0 {
		q.Efficacy = Whole
	}
	ev, err := Weigh(q)
	if err != nil {
		t.Fatal(err)
	}
	return ev
}

const always = " This assumes that an infested package is recognised whenever it is examined."

func TestEvidenceWords(t *testing.T) {
	tests := []struct {
		name          string
		q             Question
		words, record string
	}{
		{
			"worked example", Question{Packages: 240, Examined: 5},
			"If all 5 are clean: an infestation of 45 % of the packages (108 of 240) or more would have been seen, 19 times in 20. A smaller one may be missed." + always,
			"5 of 240 packages were examined; all were clean. An infestation of 45 % of the packages (108 of 240) or more would have been seen, 19 times in 20. A smaller one may have been missed." + always,
		},
		{
			"99 %", Question{Packages: 240, Examined: 5, Confidence: 99 * Percent},
			"If all 5 are clean: an infestation of 60 % of the packages (144 of 240) or more would have been seen, 99 times in 100. A smaller one may be missed." + always,
			"5 of 240 packages were examined; all were clean. An infestation of 60 % of the packages (144 of 240) or more would have been seen, 99 times in 100. A smaller one may have been missed." + always,
		},
		{
			"one examined", Question{Packages: 20, Examined: 1},
			"If the one examined is clean: an infestation of 95 % of the packages (19 of 20) or more would have been seen, 19 times in 20. A smaller one may be missed." + always,
			"1 of 20 packages was examined; it was clean. An infestation of 95 % of the packages (19 of 20) or more would have been seen, 19 times in 20. A smaller one may have been missed." + always,
		},
		{
			"everything", Question{Packages: 3, Examined: 3},
			"Every package is examined: a single infested one would be seen." + always,
			"3 of 3 packages were examined; all were clean. A single infested one would have been seen." + always,
		},
		{
			"a single one, exact tie", Question{Packages: 100, Examined: 95},
			"If all 95 are clean: a single infested package would have been seen, 19 times in 20." + always,
			"95 of 100 packages were examined; all were clean. A single infested package would have been seen, 19 times in 20." + always,
		},
		{
			"one of one, half chance", Question{Packages: 2, Examined: 1, Confidence: 50 * Percent},
			"If the one examined is clean: a single infested package would have been seen, once in 2." + always,
			"1 of 2 packages was examined; it was clean. A single infested package would have been seen, once in 2." + always,
		},
		{
			"nothing", Question{Packages: 3},
			"Nothing is examined, so nothing can be said about an infestation.",
			"Nothing was examined, so nothing can be said about an infestation.",
		},
		{
			"poor eye", Question{Packages: 10, Examined: 2, Efficacy: 50 * Percent},
			"Even if all 2 are clean, an infestation of every package could be missed more than once in 20. This assumes that an infested package is recognised once in 2 when it is examined.",
			"2 of 10 packages were examined; all were clean. Even an infestation of every package could have been missed more than once in 20. This assumes that an infested package is recognised once in 2 when it is examined.",
		},
		{
			"efficacy", Question{Packages: 240, Examined: 5, Efficacy: 90 * Percent},
			"If all 5 are clean: an infestation of 50 % of the packages (120 of 240) or more would have been seen, 19 times in 20. A smaller one may be missed. This assumes that an infested package is recognised 9 times in 10 when it is examined.",
			"5 of 240 packages were examined; all were clean. An infestation of 50 % of the packages (120 of 240) or more would have been seen, 19 times in 20. A smaller one may have been missed. This assumes that an infested package is recognised 9 times in 10 when it is examined.",
		},
		{
			"clustered", Question{Packages: 240, Examined: 10, DesignEffect: 2 * Whole},
			"If all 10 are clean: an infestation of 45 % of the packages (108 of 240) or more would have been seen, 19 times in 20. A smaller one may be missed." + always + " The 10 count as 5, because infested packages tend to stand together.",
			"10 of 240 packages were examined; all were clean. An infestation of 45 % of the packages (108 of 240) or more would have been seen, 19 times in 20. A smaller one may have been missed." + always + " The 10 count as 5, because infested packages tend to stand together.",
		},
		{
			"clustered, but everything", Question{Packages: 10, Examined: 10, DesignEffect: 2 * Whole},
			"Every package is examined: a single infested one would be seen." + always,
			"10 of 10 packages were examined; all were clean. A single infested one would have been seen." + always,
		},
		{
			"share rounded up", Question{Packages: 114, Examined: 7},
			"If all 7 are clean: an infestation of 34.3 % of the packages (39 of 114) or more would have been seen, 19 times in 20. A smaller one may be missed." + always,
			"7 of 114 packages were examined; all were clean. An infestation of 34.3 % of the packages (39 of 114) or more would have been seen, 19 times in 20. A smaller one may have been missed." + always,
		},
		{
			"finds", Question{Packages: 240, Examined: 5, Infested: 1},
			"1 of 5 packages examined was infested, or suspected to be. Of all 240 packages up to 156 (65 %) may be, with a confidence of 95 %." + always,
			"1 of 5 packages examined was infested, or suspected to be. Of all 240 packages up to 156 (65 %) may be, with a confidence of 95 %." + always,
		},
		{
			"finds, everything", Question{Packages: 5, Examined: 5, Infested: 2},
			"2 of 5 packages examined were infested, or suspected to be. Every package was examined." + always,
			"2 of 5 packages examined were infested, or suspected to be. Every package was examined." + always,
		},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			ev := weigh(t, tt.q)
			if got := joined(ev.Words()); got != tt.words {
				t.Errorf("Words() = %q\nwant      %q", got, tt.words)
			}
			if got := joined(ev.Record()); got != tt.record {
				t.Errorf("Record() = %q\nwant       %q", got, tt.record)
			}
		})
	}
}

func TestEvidenceAgainst(t *testing.T) {
	tests := []struct {
		name  string
		q     Question
		share Rate
		want  string
	}{
		{"worked example", Question{Packages: 240, Examined: 5}, 2 * Percent,
			"5 of 240 clean says little about an infestation of 2 %: the chance of seeing it is 8.1 %. It takes 126 packages to reach 95 %."},
		{"something", Question{Packages: 240, Examined: 5}, 20 * Percent,
			"5 of 240 clean says something about an infestation of 20 %, but not enough: the chance of seeing it is 67.5 %. It takes 14 packages to reach 95 %."},
		{"enough", Question{Packages: 240, Examined: 126}, 2 * Percent,
			"126 of 240 clean is good evidence against an infestation of 2 %: the chance of seeing it is 95 %."},
		{"nothing examined", Question{Packages: 240}, 2 * Percent,
			"0 of 240 clean says little about an infestation of 2 %: the chance of seeing it is none. It takes 126 packages to reach 95 %."},
		{"tiny", Question{Packages: MaxPackages, Examined: 1}, 1,
			"1 of 10000000 clean says little about an infestation of 0.0001 %: the chance of seeing it is less than 0.1 %. It takes 2588655 packages to reach 95 %."},
		{"out of reach", Question{Packages: 100, Examined: 10, Efficacy: 90 * Percent}, Percent,
			"10 of 100 clean says little about an infestation of 1 %: the chance of seeing it is 9 %. Even examining all 100 would not reach 95 %."},
		{"clustered", Question{Packages: 240, Examined: 5, DesignEffect: 15 * Whole / 10}, 20 * Percent,
			"5 of 240 clean says little about an infestation of 20 %: the chance of seeing it is 48.9 %. It takes 21 packages to reach 95 %."},
		{"clustered, everything", Question{Packages: 240, Examined: 5, DesignEffect: 3 * Whole}, 2 * Percent,
			"5 of 240 clean says little about an infestation of 2 %: the chance of seeing it is 1.6 %. It takes 240 packages to reach 95 %."},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := weigh(t, tt.q).Against(tt.share)
			if err != nil || joined(got) != tt.want {
				t.Errorf("Against(%v) = %q, %v\nwant %q", tt.share, joined(got), err, tt.want)
			}
		})
	}
	if _, err := weigh(t, Question{Packages: 240, Examined: 5, Infested: 1}).Against(Percent); say.CodeOf(err) != say.Invalid {
		t.Errorf("Against after a find: %v, want a refusal", err)
	}
	if _, err := weigh(t, Question{Packages: 40, Examined: 5}).Against(Percent); say.CodeOf(err) != say.Invalid {
		t.Errorf("Against less than one package: %v, want a refusal", err)
	}
}

func TestWeighRefuses(t *testing.T) {
	good := Question{Packages: 240, Examined: 5, Confidence: 95 * Percent, Efficacy: Whole}
	tests := []struct {
		name   string
		change func(*Question)
		field  string
		want   string
	}{
		{"no packages", func(q *Question) { q.Packages = 0 }, "packages", "There is nothing to sample: the number of packages is 0. Count the packages and enter at least 1."},
		{"too many examined", func(q *Question) { q.Examined = 241 }, "examined", "241 of 240 packages cannot be examined. Use a number from 0 to 240."},
		{"more infested than examined", func(q *Question) { q.Infested = 6 }, "infested", "6 infested of 5 examined cannot be. Use a number from 0 to the number examined."},
		{"fewer than none infested", func(q *Question) { q.Infested = -1 }, "infested", "-1 infested of 5 examined cannot be. Use a number from 0 to the number examined."},
		{"confidence missing", func(q *Question) { q.Confidence = 0 }, "confidence", "A confidence of 0 % promises nothing. Use for instance 95 %."},
		{"efficacy missing", func(q *Question) { q.Efficacy = 0 }, "efficacy", "With an efficacy of 0 % nothing is ever seen. Use for instance 90 %, or 100 % if an infested package is always recognised."},
		{"design effect below one", func(q *Question) { q.DesignEffect = 50 * Percent }, "design_effect", "A design effect of 50 % would make a sample worth more than it is. Use 100 % or more."},
		{"design effect with finds", func(q *Question) { q.DesignEffect, q.Infested = 2*Whole, 1 }, "design_effect", "A design effect is only known for samples without finds. Leave it out."},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			q := good
			tt.change(&q)
			_, err := Weigh(q)
			r, ok := err.(*say.Refusal)
			if !ok || r.Code != say.Invalid || r.Field != tt.field || r.Error() != tt.want {
				t.Errorf("Weigh(%+v): %v, want refusal of %s: %q", q, err, tt.field, tt.want)
			}
		})
	}
}

func drawQuestion(t *rapid.T, most int) Question {
	tr := drawTrial(t, most)
	q := Question{Packages: tr.N, Examined: tr.n, Efficacy: tr.e, Confidence: Rate(rapid.IntRange(1, 999).Draw(t, "confidence")) * Permille}
	q.Infested = rapid.OneOf(rapid.Just(0), rapid.IntRange(0, min(tr.n, 5))).Draw(t, "infested")
	return q
}

// The limits by their definition, in whole numbers: at AtMostPackages the result
// is still likelier than one minus the confidence, at one more no longer.
func TestWeighByDefinition(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		q := drawQuestion(t, 150)
		ev, err := Weigh(q)
		if err != nil {
			t.Fatal(err)
		}
		unlikely := func(infested int) bool {
			num, den := trial{q.Packages, infested, q.Examined, q.Efficacy}.exact(q.Infested)
			num.Mul(num, bigRate(Whole))
			return num.Cmp(den.Mul(den, bigRate(Whole-q.Confidence))) <= 0
		}
		if ev.AtMostPackages < q.Infested || ev.AtMostPackages > q.Packages {
			t.Fatalf("%+v is out of bounds", ev)
		}
		if unlikely(ev.AtMostPackages) {
			t.Errorf("%+v: the limit itself is ruled out", ev)
		}
		if ev.AtMostPackages < q.Packages && !unlikely(ev.AtMostPackages+1) {
			t.Errorf("%+v: one more is not ruled out", ev)
		}
		switch {
		case q.Infested > 0, ev.AtMostPackages == q.Packages:
			if ev.SmallestPackages != 0 {
				t.Errorf("%+v: want no smallest number", ev)
			}
		case ev.SmallestPackages != ev.AtMostPackages+1:
			t.Errorf("%+v: smallest and limit do not meet", ev)
		}
		if ev.AtMostShare != float64(ev.AtMostPackages)/float64(q.Packages) || ev.SmallestShare != float64(ev.SmallestPackages)/float64(q.Packages) {
			t.Errorf("%+v: shares", ev)
		}
	})
}

// Examining more never says less, finding more never lowers the limit, more
// confidence never lowers it.
func TestWeighIsMonotone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		q := drawQuestion(t, 20_000)
		at := func(q Question) int {
			ev, err := Weigh(q)
			if err != nil {
				t.Fatal(err)
			}
			return ev.AtMostPackages
		}
		limit := at(q)
		if q.Examined < q.Packages {
			more := q
			more.Examined++
			if got := at(more); got > limit {
				t.Errorf("%+v: one more examined raises %d to %d", q, limit, got)
			}
			more.Infested++
			if got := at(more); got < limit {
				t.Errorf("%+v: one more find lowers %d to %d", q, limit, got)
			}
		}
		surer := q
		surer.Confidence += Permille / 2
		if got := at(surer); got < limit {
			t.Errorf("%+v: more confidence lowers %d to %d", q, limit, got)
		}
		if q.Infested == 0 {
			clustered := q
			clustered.DesignEffect = Whole + Rate(rapid.IntRange(0, 5000).Draw(t, "design effect"))*Permille
			if got := at(clustered); got < limit {
				t.Errorf("%+v: clustering lowers %d to %d", q, limit, got)
			}
		}
	})
}

// A plan for a demand shows, when clean, what the demand asked for, and the
// sample for the smallest share shown is no larger than the one that showed it.
func TestPlanAndEvidenceMeet(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		packages := rapid.IntRange(1, 100_000).Draw(t, "packages")
		d := drawDemand(t)
		p, err := Hypergeometric(packages, d)
		if err != nil {
			return
		}
		ev, err := p.Evidence(d.Confidence)
		if err != nil {
			t.Fatal(err)
		}
		if ev.SmallestPackages == 0 || ev.SmallestPackages > p.Assumed {
			t.Errorf("%+v shows %d, planned for %d", p, ev.SmallestPackages, p.Assumed)
		}
		texts, err := ev.Against(d.Detect)
		if err != nil || len(texts) != 1 || !strings.Contains(texts[0].Key, "good evidence") {
			t.Errorf("%+v: Against = %q, %v, want good evidence", p, joined(texts), err)
		}
	})
}

func TestCleanAndPlanEvidence(t *testing.T) {
	p, err := ByRate(240, DefaultRate, DefaultMinimum)
	if err != nil {
		t.Fatal(err)
	}
	got, err := p.Evidence(DefaultConfidence)
	if err != nil {
		t.Fatal(err)
	}
	want, err := Clean(240, 5)
	if err != nil || got != want || want.SmallestPackages != 108 || want.SmallestShare != 0.45 || want.AtMostPackages != 107 {
		t.Errorf("Evidence = %+v, Clean = %+v, %v", got, want, err)
	}
	b, err := json.Marshal(want)
	if s := `{"packages":240,"examined":5,"infested":0,"confidence":"95%","efficacy":"100%","smallest_packages":108,"smallest_share":0.45,"at_most_packages":107,"at_most_share":0.44583333333333336}`; err != nil || string(b) != s {
		t.Errorf("JSON = %s, %v, want %s", b, err, s)
	}
}

// Sentences are stored with a record, so they read the same after JSON, and no
// verb goes without a fitting value.
func TestSentencesSurviveJSON(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ev, err := Weigh(drawQuestion(t, 500))
		if err != nil {
			t.Fatal(err)
		}
		texts := append(ev.Words(), ev.Record()...)
		if against, err := ev.Against(Rate(rapid.IntRange(1, 1000).Draw(t, "share")) * Permille); err == nil {
			texts = append(texts, against...)
		} else {
			texts = append(texts, err.(*say.Refusal).Text)
		}
		b, err := json.Marshal(texts)
		if err != nil {
			t.Fatal(err)
		}
		var back []say.Text
		if err := json.Unmarshal(b, &back); err != nil {
			t.Fatal(err)
		}
		if got, want := joined(back), joined(texts); got != want || strings.Contains(got, "%!") {
			t.Errorf("%q came back as %q", want, got)
		}
	})
}
