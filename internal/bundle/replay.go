package bundle

import (
	"bytes"
	"fmt"
	"slices"

	"lastlook/internal/consignment"
	"lastlook/internal/draw"
	"lastlook/internal/sampling"
	"lastlook/internal/say"
	"lastlook/internal/vrf"
)

// replay gives every step to the core again, as the command it came from, and
// compares what the core decides with what is on record. So a step that the
// bench would have refused is found, and one that says something else.
func (c *checker) replay() {
	state, err := consignment.Fold(nil)
	if err != nil {
		c.r.fails("history", "The steps do not work out: %s.", inWords(err))
		return
	}
	bad, worded := 0, 0
	tell := func(key string, args ...any) {
		if bad++; bad <= maxTold {
			c.r.fails("history", key, args...)
		}
	}
	for i := 0; i < len(c.recs); {
		rec := c.recs[i]
		n := 1
		events, err := c.decide(state, i)
		switch {
		case err != nil:
			tell("Step %d (%s) is one that the bench refuses: %s.", rec.Version, consignment.Describe(rec.Event), inWords(err))
		case len(events) > len(c.recs)-i:
			tell("Step %d (%s) is never recorded alone: what belongs to it is missing.", rec.Version, consignment.Describe(rec.Event))
		default:
			n = len(events)
			for j, e := range events {
				switch got := c.recs[i+j]; {
				case got.Actor.ID != rec.Actor.ID || !got.At.Equal(rec.At) || got.Bench != rec.Bench:
					tell("Step %d (%s) belongs to the step before it, but has another person, bench or time.", got.Version, consignment.Describe(got.Event))
				case same(got.Event, e):
				case same(unreasoned(got.Event), unreasoned(e)):
					worded++
				default:
					tell("Step %d says: %s. Worked out again it is: %s.", got.Version, consignment.Describe(got.Event), consignment.Describe(e))
				}
			}
		}
		if state, err = state.After(c.recs[i : i+n]); err != nil {
			tell("Step %d (%s) does not follow from those before it: %s.", rec.Version, consignment.Describe(rec.Event), inWords(err))
			break
		}
		i += n
	}
	switch {
	case bad > maxTold:
		c.r.fails("history", "%d more steps do not follow.", bad-maxTold)
	case bad == 0:
		c.r.holds("history", "Every step is one that the bench allows after those before it, and says what the bench works out: advice on finds and outcomes included.")
	}
	if worded > 0 {
		c.r.unknown("history", "The reasons given in %d steps are worded otherwise than this version of Lastlook words them; what was decided is the same.", worded)
	}
}

// same compares events by the bytes they are kept as.
func same(a, b consignment.Event) bool {
	x, err := consignment.Encode(a)
	if err != nil {
		return false
	}
	y, err := consignment.Encode(b)
	return err == nil && bytes.Equal(x, y)
}

// unreasoned takes the worded reasons out of an event.
func unreasoned(e consignment.Event) consignment.Event {
	switch e := e.(type) {
	case consignment.FindRecorded:
		e.Advice.Reasons = nil
		return e
	case consignment.RoundEnded:
		e.Reasons = nil
		return e
	case consignment.RoundRevised:
		e.Reasons = nil
		return e
	case consignment.FindAnswered:
		e.Advice.Reasons = nil
		return e
	case consignment.Amended:
		if e.With != nil {
			e.With = &consignment.Replaces{Event: unreasoned(e.With.Event)}
		}
		return e
	}
	return e
}

// decide lets the core decide the command that step i came from.
func (c *checker) decide(s *consignment.State, i int) ([]consignment.Event, error) {
	rec := c.recs[i]
	m := consignment.Meta{Actor: rec.Actor, Bench: rec.Bench, At: rec.At}
	cmd, err := c.command(i)
	if err != nil {
		return nil, err
	}
	if _, ok := cmd.(consignment.Seal); ok {
		drawn, ok := c.recs[i+1].Event.(consignment.Drawn)
		if !ok || drawn.Evidence == nil {
			// From before draws were proven: the seed is taken as it stands.
			return []consignment.Event{rec.Event, c.recs[i+1].Event}, nil
		}
		ev := drawn.Evidence
		m.Prover = draw.Prover{Site: ev.Input.Site, Key: ev.Key, Prove: func([]byte) vrf.Proof { return ev.Proof }}
	}
	return consignment.Decide(s, m, cmd)
}

// command gives the command that step i came from.
func (c *checker) command(i int) (consignment.Command, error) {
	switch e := c.recs[i].Event.(type) {
	case consignment.Registered:
		return consignment.Register{Registered: e}, nil
	case consignment.Rescheduled:
		return consignment.Reschedule{DispatchAt: e.DispatchAt, Reason: e.Reason}, nil
	case consignment.Recounted:
		return consignment.Recount{Line: e.Line, Packages: e.Packages, Reason: e.Reason}, nil
	case consignment.LabelsPrinted:
		return consignment.PrintLabels{Sheet: e.Sheet, From: e.From, To: e.To, Reason: e.Reason}, nil
	case consignment.BenchChecked:
		return consignment.CheckBench{After: e.After, Yes: e.Yes, No: e.No, Note: e.Note, Rules: c.rulesFor(i, e)}, nil
	case consignment.Sealed:
		if i+1 < len(c.recs) {
			if d, ok := c.recs[i+1].Event.(consignment.Drawn); ok && d.Round == e.Round {
				return consignment.Seal{Counted: e.Packages, Rules: e.Rules, Reason: e.Reason}, nil
			}
		}
		return nil, say.Refuse(say.Invalid, "it was sealed without a draw")
	case consignment.Fetched:
		return consignment.Fetch{Package: e.Package}, nil
	case consignment.Replaced:
		return consignment.Replace{Package: e.Package, Reason: e.Reason}, nil
	case consignment.Opened:
		return consignment.Open{Package: e.Package}, nil
	case consignment.PackageLooked:
		return consignment.LookPackage{Package: e.Package}, nil
	case consignment.UnitsCounted:
		return consignment.CountUnits{Package: e.Package, Units: e.Units}, nil
	case consignment.UnitsClean:
		n := 0
		for _, sp := range e.Units {
			n += sp.To - sp.From + 1
		}
		if e.Counted {
			return consignment.CleanRest{Package: e.Package, Count: n}, nil
		}
		if n != 1 {
			return nil, say.Refuse(say.Invalid, "several units are stated clean without a count")
		}
		return consignment.CleanUnit{Package: e.Package, Unit: e.Units[0].From}, nil
	case consignment.LooksConfirmed:
		return consignment.ConfirmLooks{Package: e.Package, Made: e.Made, None: e.None}, nil
	case consignment.FindRecorded:
		return consignment.RecordFind{Facts: e.Facts, Rung: e.Rung}, nil
	case consignment.FindRaised:
		return consignment.RaiseFind{Find: e.Find, Rung: e.Rung, Reason: e.Reason}, nil
	case consignment.FindLowered:
		return consignment.LowerFind{Find: e.Find, Rung: e.Rung, Reason: e.Reason}, nil
	case consignment.PackageClosed:
		return consignment.ClosePackage{Package: e.Package}, nil
	case consignment.RoundEnded:
		return consignment.EndRound{}, nil
	case consignment.Amended:
		if e.With == nil && consignment.FollowsDecision(c.recs[e.Of-1].Event) {
			return consignment.TakeBack{Of: e.Of, Reason: e.Reason}, nil
		}
		if e.With == nil {
			return consignment.Undo{Reason: e.Reason}, nil
		}
		if f, ok := e.With.Event.(consignment.FindRecorded); ok {
			return consignment.AmendFind{Find: f.Find, Facts: f.Facts, Reason: e.Reason}, nil
		}
		return nil, say.Refuse(say.Invalid, "only a find is amended by another step in its place")
	}
	if cmd := consignment.CommandOf(c.recs[i].Event); cmd != nil {
		return cmd, nil
	}
	return nil, say.Refuse(say.Invalid, "it stands alone, and comes only with the step before it")
}

// rulesFor gives the rule set that a bench check was made under. It comes on
// record with the seal; until then the items are those that were answered.
func (c *checker) rulesFor(i int, e consignment.BenchChecked) consignment.RuleSet {
	for _, rec := range c.recs[i:] {
		if s, ok := rec.Event.(consignment.Sealed); ok && s.Round == e.Round {
			return s.Rules
		}
	}
	var rules consignment.RuleSet
	for _, id := range slices.Concat(e.Yes, e.No) {
		rules.Before = append(rules.Before, consignment.CheckItem{ID: id, Words: say.T("%s", id)})
	}
	return rules
}

// round says line by line what was worked out about one round.
func (c *checker) round(r *consignment.Round) {
	about := roundName(r.Number)
	var sealed, drawn, ended *consignment.Recorded
	for i, rec := range c.recs {
		switch e := rec.Event.(type) {
		case consignment.Sealed:
			if e.Round == r.Number {
				sealed = &c.recs[i]
			}
		case consignment.Drawn:
			if e.Round == r.Number {
				drawn = &c.recs[i]
			}
		case consignment.RoundEnded:
			if e.Round == r.Number {
				ended = &c.recs[i]
			}
		}
	}
	if sealed == nil || drawn == nil {
		c.r.fails(about, "The round was sealed without a draw.")
		return
	}
	at, err := consignment.Fold(c.recs[:sealed.Version])
	if err != nil {
		c.r.fails(about, "The list as it was sealed cannot be worked out.")
		return
	}
	c.r.judge(at.ListDigest(r.Number) == r.Digest && at.Count() == r.Packages, about,
		say.T("The sealed list (%d packages) has the digest on record.", r.Packages),
		say.T("The digest on record is not that of the list that was sealed (%d packages): the list was changed.", at.Count()))

	plan, err := sampling.ByRate(r.Packages, r.Rules.Rate, r.Rules.Minimum)
	quotas := []int(nil)
	sizes := consignment.Sizes(at.Lines)
	if err == nil && r.Rules.Spread && len(sizes) > 1 {
		quotas, err = sampling.Allocate(plan.Examine, sizes)
	}
	c.r.judge(err == nil && plan.Examine == len(r.Drawn) && slices.Equal(quotas, r.Quotas), about,
		say.T("The sample follows from the rules in force: %d of %d packages (%s, at least %d).", plan.Examine, r.Packages, r.Rules.Rate, r.Rules.Minimum),
		say.T("The sample does not follow from the rules in force (%s, at least %d): %d packages were drawn of %d.", r.Rules.Rate, r.Rules.Minimum, len(r.Drawn), r.Packages))
	c.drawOf(about, r, drawn.Version)

	if ended == nil {
		c.r.unknown(about, "The round is not finished: it has no outcome.")
		return
	}
	before, err := consignment.Fold(c.recs[:ended.Version-1])
	if err != nil || before.Running() == nil {
		c.r.fails(about, "The round as it was when it ended cannot be worked out.")
		return
	}
	end := ended.Event.(consignment.RoundEnded)
	again := before.Running().Conclude(ended.At)
	ok := again.Outcome == end.Outcome && (end.Outcome != consignment.Passed && end.ValidUntil.IsZero() || end.ValidUntil.Equal(before.Running().ValidUntil()))
	worked := again.Outcome.Words()
	if again.Outcome == "" {
		worked = say.T("none yet")
	}
	c.r.judge(ok, about,
		say.T("The outcome follows from the steps: %s.", end.Outcome.Words()),
		say.T("The outcome on record (%s) does not follow from the steps. Worked out again it is: %s.", clip(string(end.Outcome)), worked))
}

// drawOf checks the draw of a round. That the order follows from the seed was
// checked when the steps were folded.
func (c *checker) drawOf(about string, r *consignment.Round, version int) {
	seq := c.b.Steps[version-1].Seq
	switch {
	case r.Proof == nil && c.site != nil && len(c.site.Terms) > 0 && seq > c.site.Terms[0].From:
		c.r.fails(about, "The draw has no proof, although the site had a key by then: the packages may have been chosen.")
		return
	case r.Proof == nil:
		c.r.unknown(about, "Whether the seed of the draw was chosen: it has no proof, being from before draws were proven. The packages follow from the seed.")
		return
	case c.site == nil:
		c.r.fails(about, "The key of the draw cannot be compared with the site's, which the file does not name.")
		return
	}
	c.r.judge(r.Proof.Input.Site == c.site.Name && c.site.DrewWith(r.Proof.Key, seq), about,
		say.T("The draw was made with the site's key, in the only way that key allows for that list (RFC 9381): %s.", numbers(r.Drawn)),
		say.T("The draw was made with a key that was not the site's at that time: the packages may have been chosen."))
}

func numbers(ns []int) string {
	const most = 30
	var b bytes.Buffer
	for i, n := range ns {
		if i == most {
			fmt.Fprintf(&b, " … (%d)", len(ns))
			break
		}
		if i > 0 {
			b.WriteByte(' ')
		}
		fmt.Fprintf(&b, "%03d", n)
	}
	return b.String()
}
