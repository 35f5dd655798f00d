package reference

import (
	"slices"
	"strings"

	"lastlook/internal/ladder"
	"lastlook/internal/say"
)

// Destination is where plants are going, as far as the reference needs it. The
// zero Destination is nowhere in particular: only the entries' own rungs count.
type Destination struct {
	Name string // as in the destination lists; letter case does not matter
	// Lists are the ids of the optional lists that the supervisor has switched
	// on for this destination.
	Lists []string
}

// Applies reports whether the list counts at the destination: an optional list
// where it is switched on, any other where it names the destination.
func (l *List) Applies(to Destination) bool {
	if l.Optional {
		return slices.Contains(to.Lists, l.ID)
	}
	return slices.ContainsFunc(l.Destinations, func(d string) bool {
		return strings.EqualFold(strings.TrimSpace(d), strings.TrimSpace(to.Name))
	})
}

// Advice is what an entry asks for at a destination.
type Advice struct {
	Action  ladder.Rung
	Default ladder.Rung // before lists and look-alikes
	// Reasons say why it is this rung, the strongest kind first: list, look-alike, own.
	Reasons []say.Text
	// Tests are the look-alikes that would change the rung unless they are ruled
	// out with the hand lens.
	Tests []Test
}

// Test is a look-alike to rule out with the hand lens. Until that is done, a find
// stands at To.
type Test struct {
	ID, Name  string // of the look-alike
	TellApart string
	To        ladder.Rung
}

// Untested is the rung for a find that was looked at by eye only: the advice, or
// higher where a look-alike has not been ruled out with the lens.
func (a Advice) Untested() ladder.Rung {
	r := a.Action
	for _, t := range a.Tests {
		r = max(r, t.To)
	}
	return r
}

// Link is a look-alike of an entry, by the entry's own word or by the other's.
type Link struct {
	Other     *Entry
	TellApart string
	By        By // the hardest way that either entry names
}

// Alike lists the look-alikes of an entry, its own first and then the entries
// that name it. A pair that both name counts once, with the harder way of telling
// them apart: if one entry says that only a laboratory can tell, it may be right.
func (b *Book) Alike(e *Entry) []Link {
	var out []Link
	for _, l := range e.LookAlikes {
		if o := b.byID[l.ID]; o != nil {
			out = append(out, Link{Other: o, TellApart: l.TellApart, By: l.By})
		}
	}
	for _, l := range b.named[e.ID] {
		i := slices.IndexFunc(out, func(x Link) bool { return x.Other == l.Other })
		switch {
		case i < 0:
			out = append(out, l)
		case hardness[l.By] > hardness[out[i].By]:
			out[i].By, out[i].TellApart = l.By, l.TellApart
		}
	}
	return out
}

// likeness says how like two entries are, from 0 to 2: the share of hosts they
// have in common (of the shorter list) and the share of signs that are the same
// thing seen on the same part, counted from both sides. A thing that is easily
// taken for it, or the same thing elsewhere, counts half.
func likeness(e, f *Entry) float64 {
	hosts := func(x *Entry) []string {
		return slices.DeleteFunc(plainHosts(x), func(h string) bool { return strings.HasPrefix(h, "any") })
	}
	he, hf := hosts(e), hosts(f)
	common := 0
	for _, h := range he {
		if slices.Contains(hf, h) {
			common++
		}
	}
	like := float64(common) / float64(max(1, min(len(he), len(hf))))
	side := func(x, y *Entry) float64 {
		sum := 0.0
		for _, a := range x.Signs {
			best := 0.0
			for _, b := range y.Signs {
				switch {
				case a.Seen == b.Seen && a.Part == b.Part:
					best = 1
				case a.Seen == b.Seen, a.Part == b.Part && together(seenGroups, a.Seen, b.Seen):
					best = max(best, 0.5)
				}
			}
			sum += best
		}
		return sum / float64(max(1, len(x.Signs)))
	}
	return like + (side(e, f)+side(f, e))/2
}

var hardness = map[By]int{ByEye: 1, ByLens: 2, ByLab: 3}

// own is the rung of an entry by itself at a destination: its default, or the
// highest that an applying list raises it to.
func (b *Book) own(e *Entry, to Destination) ladder.Rung {
	r := e.Action
	for _, l := range b.lists {
		if l.Applies(to) {
			for _, x := range l.Raise {
				if x.names(e) {
					r = max(r, x.To)
				}
			}
		}
	}
	return r
}

func (r Raise) names(e *Entry) bool {
	return r.Entry == e.ID && r.Entry != "" || r.EPPO != "" && r.EPPO == e.EPPO
}

// Escalate decides which rung an entry asks for at a destination.
//
//  1. Its own rung is its default, or the highest to which an applying list
//     raises it. Nothing lowers it.
//  2. A look-alike that only a laboratory can tell from it, and whose own rung is
//     sample or stop, raises it to sample: what is seen may as well be the other.
//  3. If the entry is regulated and its own rung is sample, and such a look-alike's
//     own rung is stop, it is stop: whichever of the two it is, a quarantine pest
//     is suspected.
//  4. A look-alike whose own rung is stop and that the hand lens can tell from it
//     does not raise it, but is listed in Tests: until the lens has been used the
//     find stands at sample. See [Advice.Untested].
//  5. A look-alike that the eye can tell from it changes nothing.
//
// Only own rungs of look-alikes count, not what their look-alikes would raise
// them to: otherwise a chain of resemblances would end in stopping everything.
// Links count in both directions, see [Book.Alike].
func Escalate(b *Book, e *Entry, to Destination) Advice {
	a := b.alone(e, to)
	own := a.Action
	for _, l := range b.Alike(e) {
		theirs := b.own(l.Other, to)
		switch {
		case l.By == ByLab && theirs == ladder.Stop && own == ladder.Sample && e.Regulated:
			a.raise(ladder.Stop, say.T("Only a laboratory can tell it from %s, and both are regulated: a quarantine pest is suspected.", l.Other.Name))
		case l.By == ByLab && theirs >= ladder.Sample && own < ladder.Sample:
			a.raise(ladder.Sample, say.T("Only a laboratory can tell it from %s, which asks for %s: collect a sample.", l.Other.Name, strings.ToLower(theirs.Word().String())))
		case l.By == ByLens && theirs == ladder.Stop && own < ladder.Sample:
			a.Tests = append(a.Tests, Test{ID: l.Other.ID, Name: l.Other.Name, TellApart: l.TellApart, To: ladder.Sample})
		}
	}
	return a
}

// alone is what an entry asks for by itself, whatever else looks like it.
func (b *Book) alone(e *Entry, to Destination) Advice {
	own := b.own(e, to)
	a := Advice{Action: own, Default: e.Action}
	if own == e.Action {
		a.Reasons = append(a.Reasons, say.T("%s", e.ActionWhy))
		return a
	}
	for _, l := range b.lists {
		if !l.Applies(to) {
			continue
		}
		for _, x := range l.Raise {
			if x.names(e) && x.To == own {
				a.Reasons = append(a.Reasons, say.T("%s (%s)", x.Why, l.Name))
			}
		}
	}
	return a
}

// Identified decides which rung an entry asks for at a destination once a
// laboratory or the authority has said that it is this and nothing else: its
// look-alikes are ruled out, and no sample is asked for again, as the sample is
// what was answered. Where the entry by itself asks for a sample, what is left is
//
//  1. the entry's own default, where only a list asks for the sample: it wanted to
//     know what it is;
//  2. stop, where the entry is regulated: a pest that is regulated somewhere was
//     found, and whether it is here is for the authority to say;
//  3. reject, for anything else: a pest or a disease that is not regulated (common
//     practice).
func Identified(b *Book, e *Entry, to Destination) Advice {
	a := b.alone(e, to)
	switch {
	case a.Action != ladder.Sample:
	case e.Action < ladder.Sample:
		a.Action, a.Reasons = e.Action, []say.Text{say.T("%s", e.ActionWhy)}
	case e.Regulated:
		a.Action, a.Reasons = ladder.Stop, []say.Text{say.T("%s is regulated in places: nothing moves until the authority was asked.", e.Name)}
	default:
		a.Action, a.Reasons = ladder.Reject, []say.Text{say.T("%s is a pest or a disease in the goods.", e.Name)}
	}
	return a
}

// raise lifts the advice and puts the reason first; a reason for the rung already
// reached is added.
func (a *Advice) raise(to ladder.Rung, why say.Text) {
	if to > a.Action {
		a.Action, a.Reasons = to, append([]say.Text{why}, a.Reasons...)
		return
	}
	if to == a.Action {
		a.Reasons = append(a.Reasons, why)
	}
}
