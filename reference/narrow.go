package reference

import (
	"cmp"
	"math"
	"slices"
	"strings"

	"lastlook/internal/ladder"
	"lastlook/internal/say"
)

// Character is a question about what is seen.
type Character string

// The characters. AskSeen may be answered several times, once for each thing
// seen or looked for and not found; the others count their first different answers
// each as well, so that "white and yellow" can be said.
const (
	AskHost     Character = "host"     // which plant: a trade name or a plain name
	AskPart     Character = "part"     // a Part
	AskSeen     Character = "seen"     // a Seen
	AskColour   Character = "colour"   // a Colour
	AskSize     Character = "size"     // a Size
	AskMoving   Character = "moving"   // a Moving
	AskAffected Character = "affected" // an Affected
)

// Affected is how the trouble is spread over the plants looked at.
type Affected string

// The spreads.
const (
	OnePlant  Affected = "one"   // a single plant
	FewPlants Affected = "few"   // a few, here and there
	OnePatch  Affected = "patch" // neighbours, in a patch
	AllAlike  Affected = "all"   // all or nearly all, in the same way
)

var affecteds = vocabulary[Affected]{
	{OnePlant, say.T("One plant")},
	{FewPlants, say.T("A few, here and there")},
	{OnePatch, say.T("Several beside one another")},
	{AllAlike, say.T("All, in the same way")},
}

// Affecteds lists the spreads.
func Affecteds() []Affected { return affecteds.ids() }

// Words names the spread.
func (a Affected) Words() say.Text { return affecteds.words(a) }

// Answer is one thing said about what is seen. An answer with an empty Value, or
// with a value outside its vocabulary, means "I don't know" and changes nothing.
type Answer struct {
	Ask   Character `json:"ask"`
	Value string    `json:"value"`
	// No says that it was looked for and is not there. It counts for AskSeen
	// only: nobody looks for a colour that is not there.
	No bool `json:"no,omitempty"`
}

// Words says the answer.
func (a Answer) Words() say.Text {
	var w say.Text
	switch a.Ask {
	case AskPart:
		w = Part(a.Value).Words()
	case AskSeen:
		w = Seen(a.Value).Words()
	case AskColour:
		w = Colour(a.Value).Words()
	case AskSize:
		w = Size(a.Value).Words()
	case AskMoving:
		w = Moving(a.Value).Words()
	case AskAffected:
		w = Affected(a.Value).Words()
	default:
		w = say.T("%s", a.Value)
	}
	if a.No {
		return say.T("No %s", w)
	}
	return w
}

// Answers is all that has been said.
type Answers struct {
	Given []Answer
	// Text holds the scores of a search for what was said in words, by entry id.
	// Nil means that nothing was said in words.
	Text map[string]float64
}

// Priors is what is known before anything is looked at.
type Priors struct {
	Finds map[string]int // own finds so far, by entry id
	To    Destination    // decides which entries are dangerous
}

// Ranked is one entry with how likely it is.
type Ranked struct {
	Entry *Entry
	P     float64 // posterior, 0 to 1; all entries together make 1
	Why   []Contribution
}

// Contribution is what one answer did to one entry.
type Contribution struct {
	Answer Answer
	// Factor is how many times likelier (over 1) or unlikelier (under 1) the
	// answer is under this entry than over all entries as they stand beforehand.
	Factor float64
	Text   say.Text
}

// Question is something to look at next.
type Question struct {
	Ask   Character
	Value string  // for AskSeen the thing to look for, a yes-or-no question; else ""
	Bits  float64 // expected gain, in bits
	Text  say.Text
}

// Ranking is the state of a search by looking.
type Ranking struct {
	Entries []Ranked   // all entries, likeliest first
	Bits    float64    // uncertainty left: entropy of the posterior
	Next    []Question // most telling first, at most three
	// Band holds every dangerous entry that no answer rules out, likeliest
	// first. It is not about likelihood: an unlikely quarantine pest stays in it
	// until something that was seen speaks against it.
	Band []Ranked
}

// The model, in one place.
//
// Narrow is naive Bayes: P(entry | answers) is proportional to P(entry) times the
// product over the answers of P(answer | entry). The answers count as independent
// given the entry, but colour, size, moving and part are compared with those signs
// of the entry that show what was seen, if any does, so that "black" and "root"
// said together do not match a black leaf and a white root.
//
// P(answer | entry) comes from the signs with their Often, and is never 0: people
// misname what they see, and entries do not list everything.
//
// A character that an entry says nothing about has the same, middling likelihood
// for every value: silence is not absence.
const (
	pMisnamed  = 0.12 // said for a sign of the same group of signs
	pUnlisted  = 0.02 // a sign the entry does not have
	pLooked    = 0.8  // a sign that is there is found when looked for
	pPartFar   = 0.03
	pPartNear  = 0.15
	pSilent    = 0.3 // the entry says nothing about this character
	pColour    = 0.8
	pColourBy  = 0.25 // a neighbouring colour
	pColourFar = 0.05
	pSize      = 0.7
	pSizeBy    = 0.25 // one step off
	pSizeFar   = 0.04
	pMoving    = 0.8
	pMovingBy  = 0.3
	pMovingFar = 0.05
	pHost      = 0.6
	pHostAny   = 0.4
	pHostOther = 0.1 // no list of hosts is complete
	textFloor  = 0.05

	// An answer contradicts an entry if it is less than contradicting times as
	// likely under it as under an entry that it fits perfectly. An entry leaves
	// the band when its contradictions multiplied come under excluding: that nothing
	// of what was seen is among its signs is enough; of part, colour, size and
	// moving it takes two, since each is easily mistaken.
	contradicting = 0.1
	excluding     = 0.03
)

var pOften = map[Often]float64{Usual: 0.8, Sometimes: 0.35, Rare: 0.12}

// Signs that are taken for one another, colours that run into one another, parts
// that lie side by side.
var (
	seenGroups = [][]Seen{
		{"insect_winged", "insect_wingless", "ants", "spider"},
		{"caterpillar", "grub", "pupae"},
		{"eggs", "mite_specks", "black_specks", "cast_skins", "frass_sawdust"},
		{"insect_wingless", "mite_specks", "scale_bumps", "waxy_wool", "eggs"},
		{"waxy_wool", "powder_coating", "fuzzy_mould", "fungal_threads", "residue_deposit", "white_crust", "fine_webbing"},
		{"fine_webbing", "silk_shelter", "fungal_threads"},
		{"sticky_film", "sooty_film", "black_specks", "green_film"},
		{"chewed_holes", "notched_edge", "skeletonised"},
		{"bored_holes", "frass_sawdust", "ooze_gum", "stain_under_bark", "sunken_canker"},
		{"leaf_trails", "blotch", "pale_pattern", "ring_pattern"},
		{"stippling", "silvering", "bronzing", "pale_pattern"},
		{"yellowing_overall", "yellowing_between_veins", "yellow_veins", "mosaic_mottle", "pale_pattern", "ring_pattern"},
		{"leaf_spots", "spots_with_halo", "angular_patches", "water_soaked", "blotch", "petal_marks", "scorched_edge"},
		{"rust_pustules", "corky_bumps", "scale_bumps", "leaf_spots", "spots_with_halo"},
		{"wilting", "dieback", "leaf_drop", "soft_rot", "stunted"},
		{"curled_distorted", "stunted", "witches_broom", "bud_damage", "gall_swelling"},
		{"gall_swelling", "root_knots", "root_lumps", "corky_bumps"},
		{"brown_roots", "soft_rot", "stain_under_bark"},
		{"weed_seedling", "weed_plant", "seed_pods", "runners_tubers"},
		{"green_film", "fruiting_bodies", "residue_deposit"},
		{"beads_in_medium", "root_lumps", "eggs", "fruiting_bodies"},
		{"bud_damage", "petal_marks", "fruit_damage"},
		{"nest_soil_mound", "ants"},
	}
	colourGroups = [][]Colour{
		{"white", "cream", "clear", "silver"}, {"white", "grey", "silver"}, {"cream", "yellow", "tan"}, {"yellow", "orange", "green"},
		{"orange", "red", "brown", "bronze"}, {"red", "pink", "purple"}, {"purple", "blue", "black"}, {"brown", "tan", "bronze", "black"}, {"grey", "black", "green"},
	}
	partGroups = [][]Part{
		{LeafUpper, LeafLower, ShootTip}, {ShootTip, Bud, Flower}, {Flower, Fruit, Bud}, {Stem, Bark, ShootTip}, {Stem, Root, GrowingMedium},
		{GrowingMedium, Root, Container},
	}
	movingGroups = [][]Moving{{"no", "slow"}, {"slow", "yes"}, {"yes", "jumps"}, {"jumps", "flies"}, {"yes", "flies"}}

	// How troubles spread over plants, by kind: common practice. What has no life
	// of its own hits all plants that were treated alike.
	spreads = map[Affected]struct{ alive, weed, lifeless float64 }{
		OnePlant:  {0.20, 0.15, 0.08},
		FewPlants: {0.40, 0.45, 0.15},
		OnePatch:  {0.30, 0.25, 0.22},
		AllAlike:  {0.10, 0.15, 0.55},
	}
)

func together[T comparable](groups [][]T, a, b T) bool {
	return slices.ContainsFunc(groups, func(g []T) bool { return slices.Contains(g, a) && slices.Contains(g, b) })
}

// Narrow ranks the entries of a book by what has been said, says what each
// answer did, which question tells most, and which dangerous entries are not
// ruled out. The order of the answers does not matter, the same answer twice
// counts once, and "I don't know" changes nothing; nor does a thing said to be
// there and not there.
//
// The prior of an entry is 1 plus the square root of its own finds: what this
// nursery meets often is likelier, but a hundred finds of an aphid do not make a
// new pest a hundred times unlikelier.
func Narrow(b *Book, a Answers, pr Priors) Ranking {
	given := known(a.Given)
	m := newModel(b, given)
	n := len(b.entries)
	prior := make([]float64, n)
	for i, e := range b.entries {
		prior[i] = 1 + math.Sqrt(float64(max(0, pr.Finds[e.ID])))
	}
	normalise(prior)
	post := slices.Clone(prior)
	like := make([][]float64, len(given))
	for k, x := range given {
		like[k] = make([]float64, n)
		for i := range b.entries {
			like[k][i] = m.likelihood(i, x)
			post[i] *= like[k][i]
		}
	}
	if a.Text != nil {
		best := 0.0
		for _, s := range a.Text {
			best = max(best, s)
		}
		for i, e := range b.entries {
			if best > 0 {
				post[i] *= textFloor + (1-textFloor)*max(0, a.Text[e.ID])/best
			}
		}
	}
	normalise(post)

	r := Ranking{Entries: make([]Ranked, n), Bits: entropy(post)}
	for i, e := range b.entries {
		r.Entries[i] = Ranked{Entry: e, P: post[i]}
		for k, x := range given {
			mean := 0.0
			for j := range like[k] {
				mean += prior[j] * like[k][j]
			}
			c := Contribution{Answer: x, Factor: like[k][i] / mean}
			c.Text = m.say(i, c)
			r.Entries[i].Why = append(r.Entries[i].Why, c)
		}
		if (e.Regulated || b.own(e, pr.To) == ladder.Stop) && !m.excluded(i) {
			r.Band = append(r.Band, r.Entries[i])
		}
	}
	byP := func(x, y Ranked) int { return cmp.Or(cmp.Compare(y.P, x.P), strings.Compare(x.Entry.ID, y.Entry.ID)) }
	slices.SortFunc(r.Entries, byP)
	slices.SortFunc(r.Band, byP)
	r.Next = m.next(post, r.Bits)
	return r
}

// known drops answers that say nothing, that take each other back or that were
// said before, and puts the rest into one order.
func known(given []Answer) []Answer {
	var out []Answer
	for _, x := range given {
		ok := false
		switch x.Ask {
		case AskHost:
			x.Value = strings.TrimSpace(x.Value)
			ok = x.Value != ""
		case AskPart:
			ok = parts.has(Part(x.Value))
		case AskSeen:
			ok = seens.has(Seen(x.Value))
		case AskColour:
			ok = colours.has(Colour(x.Value))
		case AskSize:
			ok = sizes.has(Size(x.Value))
		case AskMoving:
			ok = movings.has(Moving(x.Value))
		case AskAffected:
			ok = affecteds.has(Affected(x.Value))
		}
		if x.No && x.Ask != AskSeen {
			ok = false
		}
		if ok && !slices.Contains(out, x) {
			out = append(out, x)
		}
	}
	// Said to be there and not there: that is not knowing.
	agreed := slices.DeleteFunc(slices.Clone(out), func(x Answer) bool {
		x.No = !x.No
		return slices.Contains(out, x)
	})
	slices.SortFunc(agreed, func(a, b Answer) int {
		return cmp.Or(strings.Compare(string(a.Ask), string(b.Ask)), strings.Compare(a.Value, b.Value))
	})
	return agreed
}

// model holds what the likelihoods need of the answers.
type model struct {
	book     *Book
	given    []Answer
	relevant [][]Sign            // by entry: the signs that show what was seen, or all
	hosts    map[string][]string // by host said: that plant's names in plain form
}

func newModel(b *Book, given []Answer) *model {
	m := &model{book: b, given: given, relevant: make([][]Sign, len(b.entries)), hosts: make(map[string][]string)}
	for i, e := range b.entries {
		for _, s := range e.Signs {
			if slices.Contains(given, Answer{Ask: AskSeen, Value: string(s.Seen)}) {
				m.relevant[i] = append(m.relevant[i], s)
			}
		}
		if m.relevant[i] == nil {
			m.relevant[i] = e.Signs
		}
	}
	for _, a := range given {
		if a.Ask == AskHost {
			m.hosts[a.Value] = b.hostNames(a.Value)
		}
	}
	return m
}

// hostNames gives the plain forms of a plant's names: the one given and, through
// the synonym groups, those of other regions.
func (b *Book) hostNames(host string) []string {
	names := []string{plainName(host)}
	for _, g := range b.synonyms.Groups {
		if slices.ContainsFunc(g, func(w string) bool { return plainName(w) == names[0] }) {
			for _, w := range g {
				names = append(names, plainName(w))
			}
		}
	}
	return names
}

// likelihood is P(answer | entry).
func (m *model) likelihood(i int, a Answer) float64 {
	e := m.book.entries[i]
	switch a.Ask {
	case AskHost:
		return m.host(i, a.Value)
	case AskSeen:
		p, ok := m.book.likeSeen[i][Seen(a.Value)]
		if !ok {
			p = pUnlisted
		}
		if a.No {
			return 1 - pLooked*p
		}
		return p
	case AskAffected:
		s := spreads[Affected(a.Value)]
		switch e.Kind {
		case Abiotic:
			return s.lifeless
		case WeedPlant, MossAlga:
			return s.weed
		}
		return s.alive
	}
	return likeSigns(e, m.relevant[i], a)
}

// likeSigns is the likelihood of what is said of a sign: its part, colour, size or moving.
func likeSigns(e *Entry, signs []Sign, a Answer) float64 {
	switch a.Ask {
	case AskPart:
		return likePart(e, signs, Part(a.Value))
	case AskColour:
		return likeSign(signs, func(s Sign) (float64, bool) {
			switch c := Colour(a.Value); {
			case slices.Contains(s.Colour, c):
				return pColour, true
			case slices.ContainsFunc(s.Colour, func(x Colour) bool { return together(colourGroups, x, c) }):
				return pColourBy, true
			}
			return pColourFar, len(s.Colour) > 0
		})
	case AskSize:
		return likeSign(signs, func(s Sign) (float64, bool) {
			d := slices.Index(Sizes(), s.Size) - slices.Index(Sizes(), Size(a.Value))
			switch {
			case s.Size == "":
				return 0, false
			case d == 0:
				return pSize, true
			case d == 1 || d == -1:
				return pSizeBy, true
			}
			return pSizeFar, true
		})
	case AskMoving:
		return likeSign(signs, func(s Sign) (float64, bool) {
			switch v := Moving(a.Value); {
			case s.Moving == v:
				return pMoving, true
			case together(movingGroups, s.Moving, v):
				return pMovingBy, true
			}
			return pMovingFar, s.Moving != ""
		})
	}
	return 1
}

// perfect is the likelihood of an answer under an entry that it fits perfectly.
func perfect(a Answer) float64 {
	switch a.Ask {
	case AskHost:
		return pHost
	case AskPart, AskSeen:
		if a.No {
			return 1
		}
		return pOften[Usual]
	case AskColour:
		return pColour
	case AskSize:
		return pSize
	case AskMoving:
		return pMoving
	}
	return spreads[Affected(a.Value)].alive
}

// likeSeens is P(seen | entry) for everything that an entry shows or that is
// easily taken for it; all else is pUnlisted.
func likeSeens(e *Entry) map[Seen]float64 {
	p := make(map[Seen]float64)
	for _, s := range e.Signs {
		p[s.Seen] = max(p[s.Seen], pOften[s.Often])
		for _, g := range seenGroups {
			if slices.Contains(g, s.Seen) {
				for _, v := range g {
					p[v] = max(p[v], pUnlisted, pMisnamed*pOften[s.Often]/pOften[Usual])
				}
			}
		}
	}
	return p
}

func likePart(e *Entry, signs []Sign, v Part) float64 {
	p := pPartFar
	if slices.Contains(e.Parts, v) {
		p = pPartNear
	}
	for _, s := range signs {
		switch {
		case s.Part == v:
			p = max(p, pOften[s.Often])
		case s.Part == WholePlant || v == WholePlant:
			p = max(p, pSilent)
		case together(partGroups, s.Part, v):
			p = max(p, pPartNear)
		}
	}
	return p
}

// likeSign is the best of the signs that say something about the character, a
// little less for signs that are seldom seen; pSilent if none says anything.
func likeSign(signs []Sign, like func(Sign) (float64, bool)) float64 {
	p, said := 0.0, false
	for _, s := range signs {
		x, ok := like(s)
		if !ok {
			continue
		}
		said = true
		p = max(p, x*math.Sqrt(pOften[s.Often]/pOften[Usual]))
	}
	if !said {
		return pSilent
	}
	return p
}

// host compares names of plants.
func (m *model) host(i int, host string) float64 {
	for _, h := range m.book.hosts[i] {
		if slices.Contains(m.hosts[host], h) {
			return pHost
		}
	}
	if anyHost(m.book.entries[i]) {
		return pHostAny
	}
	return pHostOther
}

// plainHosts gives the plain forms of an entry's hosts.
func plainHosts(e *Entry) []string {
	var out []string
	for _, h := range append(slices.Clone(e.Hosts), e.HostWords...) {
		out = append(out, plainName(h))
	}
	return out
}

// plainName brings a plant's name to small letters without accents and plural.
func plainName(s string) string {
	s = strings.TrimSpace(foldWord(strings.ToLower(s)))
	switch {
	case strings.HasSuffix(s, "ies") && len(s) > 4:
		return s[:len(s)-3] + "y"
	case strings.HasSuffix(s, "oes") && len(s) > 4, strings.HasSuffix(s, "ches"), strings.HasSuffix(s, "shes"):
		return s[:len(s)-2]
	case strings.HasSuffix(s, "us"), strings.HasSuffix(s, "ss"), strings.HasSuffix(s, "is"):
		return s
	}
	return strings.TrimSuffix(s, "s")
}

// anyHost reports whether the entry is known from any plant, as weeds and most
// beneficials are.
func anyHost(e *Entry) bool {
	return slices.ContainsFunc(e.Hosts, func(h string) bool { return strings.HasPrefix(strings.ToLower(h), "any") })
}

// excluded reports whether the answers rule the entry out. It looks at this entry
// alone, so that no other entry's rise can put one out of the band. Of several
// things seen the one that fits best counts: a plant can have two troubles, and
// the sign of one does not speak against the other.
func (m *model) excluded(i int) bool {
	against, seen := 1.0, 0.0
	told := false
	for _, a := range m.given {
		r := m.likelihood(i, a) / perfect(a)
		switch {
		case a.Ask == AskSeen && !a.No:
			told, seen = true, max(seen, r)
		case r < contradicting:
			against *= r
		}
	}
	if told && seen < contradicting {
		against *= seen
	}
	return against < excluding
}

// say tells in a sentence what an answer did to an entry.
func (m *model) say(i int, c Contribution) say.Text {
	e := m.book.entries[i]
	fits := c.Factor >= 1
	w := c.Answer.Words()
	switch c.Answer.Ask {
	case AskHost:
		switch {
		case m.host(i, c.Answer.Value) == pHost:
			return say.T("%s: known from this plant.", w)
		case anyHost(e):
			return say.T("%s: comes with any plant.", w)
		}
		return say.T("%s: not known from this plant, which rules nothing out.", w)
	case AskAffected:
		if fits {
			return say.T("%s: usual for this kind of trouble.", w)
		}
		return say.T("%s: less usual for this kind of trouble.", w)
	}
	if c.Answer.No {
		if fits {
			return say.T("%s: it seldom shows that.", w)
		}
		return say.T("%s: it usually shows that.", w)
	}
	best, at := 0.0, -1
	for k, s := range e.Signs {
		p := 0.0
		if c.Answer.Ask != AskSeen {
			p = likeSigns(e, e.Signs[k:k+1], c.Answer)
		} else if s.Seen == Seen(c.Answer.Value) {
			p = pOften[s.Often]
		}
		if p > best {
			best, at = p, k
		}
	}
	switch {
	case fits && at >= 0:
		return say.T("%s fits: %s.", w, strings.TrimSuffix(e.Signs[at].Text, "."))
	case fits:
		return say.T("%s fits.", w)
	}
	return say.T("%s does not fit well.", w)
}

// next finds the questions whose answers are expected to tell most: the fall in
// entropy of the posterior, over the answers as likely as they are now.
func (m *model) next(post []float64, before float64) []Question {
	var qs []Question
	weigh := func(q Question, values []Answer) {
		n := len(post)
		table := make([][]float64, len(values)) // P(value | entry)
		for v, a := range values {
			table[v] = make([]float64, n)
			for i := range post {
				table[v][i] = m.likelihood(i, a)
			}
		}
		after := 0.0
		sums := make([]float64, n)
		for i := range post {
			for v := range values {
				sums[i] += table[v][i]
			}
		}
		joint := make([]float64, n)
		for v := range values {
			total := 0.0
			for i := range post {
				joint[i] = post[i] * table[v][i] / sums[i]
				total += joint[i]
			}
			if total > 0 {
				for i := range joint {
					joint[i] /= total
				}
				after += total * entropy(joint)
			}
		}
		q.Bits = before - after
		qs = append(qs, q)
	}
	asked := func(c Character) bool {
		return slices.ContainsFunc(m.given, func(a Answer) bool { return a.Ask == c })
	}
	ask := func(c Character, text say.Text, values []Answer) {
		if !asked(c) {
			weigh(Question{Ask: c, Text: text}, values)
		}
	}
	ask(AskPart, say.T("Where on the plant is it?"), answersOf(AskPart, parts))
	ask(AskColour, say.T("What colour is it?"), answersOf(AskColour, colours))
	ask(AskSize, say.T("How big is it?"), answersOf(AskSize, sizes))
	ask(AskMoving, say.T("Does it move?"), answersOf(AskMoving, movings))
	ask(AskAffected, say.T("How many plants show it?"), answersOf(AskAffected, affecteds))
	for _, t := range seens {
		yes := Answer{Ask: AskSeen, Value: string(t.id)}
		no := Answer{Ask: AskSeen, Value: string(t.id), No: true}
		if slices.Contains(m.given, yes) || slices.Contains(m.given, no) {
			continue
		}
		weigh(Question{Ask: AskSeen, Value: string(t.id), Text: say.T("Look for: %s. Is it there?", t.words)}, []Answer{yes, no})
	}
	slices.SortStableFunc(qs, func(a, b Question) int { return cmp.Compare(b.Bits, a.Bits) })
	return qs[:min(3, len(qs))]
}

func answersOf[T ~string](c Character, v vocabulary[T]) []Answer {
	out := make([]Answer, len(v))
	for i, t := range v {
		out[i] = Answer{Ask: c, Value: string(t.id)}
	}
	return out
}

func normalise(p []float64) {
	sum := 0.0
	for _, x := range p {
		sum += x
	}
	for i := range p {
		p[i] /= sum
	}
}

// entropy in bits.
func entropy(p []float64) float64 {
	h := 0.0
	for _, x := range p {
		if x > 0 {
			h -= x * math.Log2(x)
		}
	}
	return h
}
