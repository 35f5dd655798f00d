// Package practice is the trainee's practice: prepared cases out of the
// reference, answered sign by sign, judged, and kept.
//
// [Prepare] draws a session of cases from a bank of subjects, [Judge] says what
// an answer was worth, [Decide] and [Fold] keep what a person did as a history of
// events, and [Weigh] sums it up for the person and the supervisor. Start with
// [Prepare].
//
// The package knows no reference entry and no consignment: whoever calls it hands
// in what an entry asks for ([Subject]), and a case carries all that it was made
// from, so that a session goes on as it was begun when the reference is edited
// meanwhile. Chance comes as a seed. It certifies nobody: a few cases say little
// about a person, and the report says how little.
package practice

import (
	"cmp"
	"math/rand/v2"
	"slices"
	"strings"

	"lastlook/internal/ladder"
	"lastlook/internal/say"
)

// DefaultSize is how many cases a session has: about a quarter of an hour.
const DefaultSize = 8

// MaxSize is the largest session.
const MaxSize = 40

// maxOptions is how many names a case offers.
const maxOptions = 6

// Subject is one reference entry as far as practice needs it, at one revision and
// for one destination.
type Subject struct {
	ID, Name string
	Kind     string // groups subjects, so that a session is not all weeds
	Revision int
	Hash     string // of the entry, pins the revision
	Hosts    []string
	Parts    []say.Text // where on the plant
	Signs    []Sign     // most telling first
	Right    ladder.Rung
	// Untested is the rung as long as a look-alike is not ruled out with the
	// hand lens: Right, or Sample where that is higher.
	Untested ladder.Rung
	Danger   bool // a regulated pest, or one that asks for a stop
	Reasons  []say.Text
	Alike    []Alike
}

// Sign is one thing to be seen.
type Sign struct {
	Part say.Text `json:"part"`
	Text string   `json:"text"`
}

// Alike is a subject that is easily taken for another.
type Alike struct {
	ID        string      `json:"id"`
	Name      string      `json:"name"`
	TellApart string      `json:"tell_apart"`
	By        string      `json:"by"`               // eye, lens or lab
	Right     ladder.Rung `json:"right"`            // what the look-alike itself asks for
	Danger    bool        `json:"danger,omitempty"` // as in Subject
}

// ByLab is the value of Alike.By for what neither eye nor lens can tell.
const ByLab = "lab"

// Name is an entry that may be answered.
type Name struct {
	ID   string `json:"id"`
	Name string `json:"name"`
}

// Case is one prepared case: everything that is shown and judged, as it stood
// when the session was drawn.
type Case struct {
	Entry    string      `json:"entry"`
	Name     string      `json:"name"`
	Kind     string      `json:"kind"`
	Revision int         `json:"revision"`
	Hash     string      `json:"hash"`
	Host     string      `json:"host"`
	Parts    []say.Text  `json:"parts"`
	Signs    []Sign      `json:"signs"` // vaguest first, the telling one last
	Right    ladder.Rung `json:"right"`
	Untested ladder.Rung `json:"untested"`
	Danger   bool        `json:"danger,omitempty"`
	Reasons  []say.Text  `json:"reasons"`
	Alike    []Alike     `json:"alike"`
	Options  []Name      `json:"options"` // names offered, in the order shown; the right one among them
}

// Telling is the sign that tells most.
func (c Case) Telling() string { return c.Signs[len(c.Signs)-1].Text }

// Like finds a look-alike of the case by its id.
func (c Case) Like(id string) (Alike, bool) {
	for _, a := range c.Alike {
		if a.ID == id {
			return a, true
		}
	}
	return Alike{}, false
}

// fit reports whether a case can be made of a subject.
func (s Subject) fit() bool {
	return s.ID != "" && s.Name != "" && len(s.Signs) > 0 && s.Right.Valid() &&
		(s.Untested == s.Right || s.Untested == ladder.Sample && s.Right < ladder.Sample)
}

// Prepare draws a session of up to n cases from the bank. The same bank, record
// and seed give the same cases.
//
// Each rung that the bank has is asked for, none more than once above its share,
// so that the rungs cannot be counted off. Within a rung chance decides, with
// weights: a subject that this person got wrong comes back soonest, above all one
// that would have passed; then those with a look-alike that asks for another rung,
// where a mistake costs most; a kind that has been taken already comes up less. What
// was answered rightly last time rests. Names offered are the right one, its
// look-alikes, dangerous ones first, and others of the same kind.
func Prepare(bank []Subject, past *State, seed [32]byte, n int) ([]Case, error) {
	switch {
	case n < 1 || n > MaxSize:
		return nil, say.Refuse(say.Invalid, "A session has 1 to %d cases.", MaxSize).For("size")
	}
	bank = slices.DeleteFunc(slices.Clone(bank), func(s Subject) bool { return !s.fit() })
	if len(bank) == 0 {
		return nil, say.Refuse(say.Illegal, "There is nothing to practise with: the reference holds no entry with signs. Ask the supervisor to bring the reference back.")
	}
	slices.SortFunc(bank, func(a, b Subject) int { return strings.Compare(a.ID, b.ID) })
	bank = slices.CompactFunc(bank, func(a, b Subject) bool { return a.ID == b.ID })
	d := &drawing{rng: rand.New(rand.NewChaCha8(seed)), bank: bank, past: past.byEntry(), taken: map[string]bool{}, kinds: map[string]int{}}

	var drawn []Subject
	for _, r := range d.rungs(n) {
		drawn = append(drawn, d.one(r))
	}
	d.rng.Shuffle(len(drawn), func(i, j int) { drawn[i], drawn[j] = drawn[j], drawn[i] })
	cases := make([]Case, len(drawn))
	for i, s := range drawn {
		cases[i] = d.prepare(s)
	}
	return cases, nil
}

// drawing is one call of Prepare.
type drawing struct {
	rng   *rand.Rand
	bank  []Subject
	past  map[string]tally
	taken map[string]bool
	kinds map[string]int
}

// rungs says which rung each of n cases asks for: first one of each that the bank
// has, then by chance, none more than one above its share while others last.
func (d *drawing) rungs(n int) []ladder.Rung {
	left := map[ladder.Rung]int{}
	for _, s := range d.bank {
		left[s.Right]++
	}
	most := (n+len(left)-1)/len(left) + 1
	var out []ladder.Rung
	got := map[ladder.Rung]int{}
	take := func(r ladder.Rung) { out, got[r], left[r] = append(out, r), got[r]+1, left[r]-1 }
	// The highest rungs first: in a very short session they are what matters.
	for i := len(ladder.Rungs) - 1; i >= 0; i-- {
		if r := ladder.Rungs[i]; left[r] > 0 && len(out) < n {
			take(r)
		}
	}
	for len(out) < n {
		var open, any []ladder.Rung
		for _, r := range ladder.Rungs {
			if left[r] == 0 {
				continue
			}
			any = append(any, r)
			if got[r] < most {
				open = append(open, r)
			}
		}
		if len(open) == 0 {
			open = any
		}
		if len(open) == 0 {
			break // the bank is used up
		}
		take(open[d.rng.IntN(len(open))])
	}
	return out
}

// one draws a subject of the rung that has not been taken.
func (d *drawing) one(r ladder.Rung) Subject {
	var of []Subject
	var weights []float64
	sum := 0.0
	for _, s := range d.bank {
		if s.Right == r && !d.taken[s.ID] {
			w := d.weight(s)
			of, weights, sum = append(of, s), append(weights, w), sum+w
		}
	}
	at := d.rng.Float64() * sum
	i := 0
	for ; i < len(of)-1 && at >= weights[i]; i++ {
		at -= weights[i]
	}
	s := of[i]
	d.taken[s.ID] = true
	d.kinds[s.Kind]++
	return s
}

// weight is how much a subject is worth asking now. The numbers are set by hand:
// an entry that would have passed comes up about nine times as often as one never
// asked, and one known well about a third as often.
func (d *drawing) weight(s Subject) float64 {
	w := 1.0
	p := d.past[s.ID]
	w += 8*float64(min(p.passed, 2)) + 3*float64(min(p.missed, 3))
	if p.asked > 0 && p.lastRight {
		w *= 0.35
	}
	for _, a := range s.Alike {
		if a.Right != s.Right && (a.Danger || s.Danger) {
			w += 1.5
			break
		}
	}
	k := 1 + float64(d.kinds[s.Kind])
	return w / (k * k)
}

// prepare makes the case.
func (d *drawing) prepare(s Subject) Case {
	c := Case{
		Entry: s.ID, Name: s.Name, Kind: s.Kind, Revision: s.Revision, Hash: s.Hash, Parts: s.Parts,
		Right: s.Right, Untested: s.Untested, Danger: s.Danger, Reasons: s.Reasons, Alike: s.Alike,
		Signs: slices.Clone(s.Signs),
	}
	slices.Reverse(c.Signs)
	if len(s.Hosts) > 0 {
		c.Host = s.Hosts[d.rng.IntN(len(s.Hosts))]
	}
	c.Options = []Name{{s.ID, s.Name}}
	offer := func(id, name string) {
		if len(c.Options) < maxOptions && !slices.ContainsFunc(c.Options, func(o Name) bool { return o.ID == id }) {
			c.Options = append(c.Options, Name{id, name})
		}
	}
	alike := slices.Clone(s.Alike)
	d.rng.Shuffle(len(alike), func(i, j int) { alike[i], alike[j] = alike[j], alike[i] })
	slices.SortStableFunc(alike, func(a, b Alike) int {
		worth := func(x Alike) int {
			n := 0
			if d.past[s.ID].taken[x.ID] > 0 {
				n += 4 // confused before
			}
			if x.Danger || s.Danger && x.Right < s.Right {
				n += 2
			}
			if x.Right != s.Right {
				n++
			}
			return n
		}
		return cmp.Compare(worth(b), worth(a))
	})
	for _, a := range alike[:min(len(alike), maxOptions-2)] {
		offer(a.ID, a.Name)
	}
	others := slices.Clone(d.bank)
	d.rng.Shuffle(len(others), func(i, j int) { others[i], others[j] = others[j], others[i] })
	slices.SortStableFunc(others, func(a, b Subject) int { return cmp.Compare(s.near(b), s.near(a)) })
	for _, o := range others {
		offer(o.ID, o.Name)
	}
	d.rng.Shuffle(len(c.Options), func(i, j int) { c.Options[i], c.Options[j] = c.Options[j], c.Options[i] })
	return c
}

// near says how well another subject serves as a false name: the same kind, and
// known from the same plant.
func (s Subject) near(o Subject) int {
	n := 0
	if o.Kind == s.Kind {
		n += 2
	}
	if slices.ContainsFunc(o.Hosts, func(h string) bool { return slices.Contains(s.Hosts, h) }) {
		n++
	}
	return n
}
