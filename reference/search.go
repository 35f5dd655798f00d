package reference

import (
	"cmp"
	"html/template"
	"math"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"lastlook/internal/ladder"
	"lastlook/internal/say"
)

// Query is what was asked.
type Query struct {
	Text  string
	Limit int // most hits wanted; 0 means 10

	// Part, if not "", keeps entries that show signs there.
	Part Part
	// Host, if not "", keeps entries known from that plant (by trade name or a
	// plain name) and those of any plant. A list of hosts is never complete:
	// screens that use it should say so and offer to drop it.
	Host string
	// To is where the plants go, for the rung each hit asks for.
	To Destination
}

// Outcome is how a search ended. Every one is a designed answer; a search never fails.
type Outcome string

// The outcomes.
const (
	Found       Outcome = "found"        // there are hits
	NothingFits Outcome = "nothing-fits" // the words were understood, but no entry has them
	NotAsked    Outcome = "not-asked"    // no word that says anything: empty, "the", one letter, only signs
	OtherScript Outcome = "other-script" // letters of a script in which the reference has no words
)

// Result is the answer to one query.
type Result struct {
	Outcome Outcome
	Said    say.Text   // the outcome as a sentence, with what to do next
	Notices []say.Text // what was cut, put right or read as absent
	Hits    []Hit
}

// Hit is one entry found.
type Hit struct {
	ID, Name, Scientific string
	Kind                 Kind
	Score                float64 // higher is better; not negative; only to be compared within one result
	Advice               Advice  // what the entry asks for at the destination
	Why                  []say.Text
	// Fragment is the passage that fits best, as HTML with the found words in
	// <mark>. It is escaped and safe to show.
	Fragment template.HTML
	// Confused is set on a hit that is listed because it is easily taken for the
	// hit with this id, not for its words alone.
	Confused string
	// DoNotConfuse names the dangerous entries that are easily taken for this
	// one, whether or not they are among the hits.
	DoNotConfuse []string
}

// Action is the rung the entry asks for at the destination.
func (h Hit) Action() ladder.Rung { return h.Advice.Action }

// Bounds on what is read of a query. Nobody types more at a bench; a scanner or
// a cat may.
const (
	maxRunes     = 300
	maxConcepts  = 24
	defaultLimit = 10
)

// How a variant of a typed word was come by.
type how uint8

const (
	asTyped how = iota
	synonym
	corrected
	completed
	joined
	split
)

// variant is one term that may stand for a typed word.
type variant struct {
	term   string
	p      *posting
	weight float64
	how    how
	word   string // the word to show
}

// concept is one typed word and all that may stand for it.
type concept struct {
	typed    string
	absent   bool // the query says it is not there
	idf      float64
	variants []variant
}

// tuning holds the weights of the score. They are round values set by hand. A
// random search over all weights, fitted on either half of the queries in testdata,
// made the other half no better, save for one: both halves put passage at about a
// tenth. So it stands there, and the rest was left alone.
var tuning = struct {
	synonym, nearOne, nearTwo, completed, absent, passage, name, coverage, genus float64
}{synonym: 0.45, nearOne: 0.85, nearTwo: 0.6, completed: 0.6, absent: 0.3, passage: 0.12, name: 0.5, coverage: 0.5, genus: 0.8}

// Search answers a query. It never fails: what cannot be understood is an
// outcome with a sentence.
func (ix *Index) Search(q Query) Result { return ix.now.Load().search(q) }

func (s *snapshot) search(q Query) Result {
	var res Result
	text, cut := clip(q.Text)
	if cut {
		res.Notices = append(res.Notices, say.T("Only the first %d letters were read.", maxRunes))
	}
	concepts, letters, unknown := s.understand(text)
	present := 0
	for _, c := range concepts {
		if c.absent {
			res.Notices = append(res.Notices, say.T("Read as not there: %s.", c.typed))
		} else {
			present++
		}
		if len(c.variants) > 0 && c.variants[0].how == corrected {
			res.Notices = append(res.Notices, say.T("No entry has “%s”; the nearest word is “%s”.", c.typed, c.variants[0].word))
		}
	}
	if len(unknown) > 0 && present > 0 {
		res.Notices = append(res.Notices, say.T("No entry has “%s”.", strings.Join(unknown, "”, “")))
	}
	if present == 0 || present == 1 && len(concepts) == 1 && len(concepts[0].typed) == 1 {
		res.Outcome, res.Said = notAsked(text, unknown)
		return res
	}
	scores := s.score(concepts, letters)
	order := s.rank(scores, q)
	if len(order) == 0 {
		res.Outcome, res.Said = nothingFits(q)
		return res
	}
	limit := q.Limit
	if limit <= 0 {
		limit = defaultLimit
	}
	placed := s.guard(order, scores, max(limit, guarded), q)
	if len(placed) > limit {
		placed = placed[:limit]
	}
	res.Outcome, res.Said = Found, say.T("%d entries fit best.", len(placed))
	if len(placed) == 1 {
		res.Said = say.T("One entry fits.")
	}
	for _, p := range placed {
		res.Hits = append(res.Hits, s.hit(p, concepts, scores, q))
	}
	return res
}

// clip cuts over-long text at a letter and cleans what is no text at all.
func clip(text string) (string, bool) {
	text = strings.ToValidUTF8(text, " ")
	n := 0
	for i := range text {
		if n == maxRunes {
			return text[:i], true
		}
		n++
	}
	return text, false
}

// understand makes concepts of the query. letters holds the single letters that
// stand before a word, by the word's concept: an abbreviated genus. unknown holds
// the words for which nothing could be found.
func (s *snapshot) understand(text string) (kept []concept, letters map[int]byte, unknown []string) {
	tokens := s.analyzer.Analyze([]byte(text))
	if len(tokens) > maxConcepts {
		tokens = tokens[:maxConcepts]
	}
	before := make(map[int]byte)
	var cs []concept
	type typed struct {
		word       string
		start, end int
	}
	var words []typed
	var pending byte
	last := strings.TrimRightFunc(text, unicode.IsPunct)
	for i, t := range tokens {
		term := string(t.Term)
		c := concept{typed: text[t.Start:t.End]}
		if bare, ok := strings.CutPrefix(term, negated); ok {
			c.absent, term = true, bare
		}
		word := foldWord(strings.ToLower(c.typed))
		word = strings.TrimSuffix(word, "'s")
		if len(word) == 1 && word[0] >= 'a' && word[0] <= 'z' {
			pending = word[0]
			if s.terms[term] == nil || i+1 < len(tokens) && s.abbreviates(pending, text[tokens[i+1].Start:tokens[i+1].End]) {
				continue
			}
		} else if pending != 0 {
			before[len(cs)] = pending
			pending = 0
		}
		isLast := t.End == len(last) && len(last) == len(text)
		c.variants = s.variants(word, term, isLast && !c.absent)
		if c.absent {
			s.deny(&c)
		}
		cs = append(cs, c)
		words = append(words, typed{word, t.Start, t.End})
	}
	for i := 0; i+1 < len(cs); i++ {
		if cs[i].absent || cs[i+1].absent || words[i+1].start-words[i].end != 1 {
			continue
		}
		s.join(&cs[i], &cs[i+1], words[i].word, words[i+1].word)
	}
	letters = make(map[int]byte)
	for i, c := range cs {
		if len(c.variants) == 0 {
			unknown = append(unknown, c.typed)
			continue
		}
		slices.SortStableFunc(c.variants, func(a, b variant) int { return cmp.Compare(b.weight, a.weight) })
		c.idf = c.variants[0].p.idf
		if l, ok := before[i]; ok {
			letters[len(kept)] = l
		}
		kept = append(kept, c)
	}
	return kept, letters, unknown
}

// abbreviates reports whether a letter and a word are an abbreviated binomial.
func (s *snapshot) abbreviates(letter byte, word string) bool {
	return len(s.genera[string(letter)+" "+foldWord(strings.ToLower(word))]) > 0
}

// variants finds what may stand for one word.
func (s *snapshot) variants(word, term string, typing bool) []variant {
	var vs []variant
	add := func(t string, w float64, h how, shown string) {
		if p := s.terms[t]; p != nil && !slices.ContainsFunc(vs, func(v variant) bool { return v.term == t }) {
			vs = append(vs, variant{term: t, p: p, weight: w, how: h, word: shown})
		}
	}
	widen := func(t string, w float64) {
		for _, syn := range s.synonyms[t] {
			add(syn, w*tuning.synonym, synonym, syn)
		}
	}
	add(term, 1, asTyped, word)
	widen(term, 1)
	if s.terms[term] != nil || len(vs) > 0 {
		if _, whole := s.lex.find(word); typing && !whole && len(word) >= 3 {
			for _, x := range s.lex.completions(word, 12) {
				add(x.term, tuning.completed/2, completed, x.word)
			}
		}
		return vs
	}
	if typing && len(word) >= 2 {
		for _, x := range s.lex.completions(word, 12) {
			w := tuning.completed
			if x.name {
				w *= 1.2
			}
			add(x.term, w, completed, x.word)
		}
	}
	// A shorter form of words that are there: "drain" for "drainage".
	if len(vs) == 0 && len(term) >= 5 {
		for _, x := range s.lex.completions(term, 6) {
			if len(x.word)-len(term) <= 4 {
				add(x.term, 0.7, completed, x.word)
			}
		}
		if len(vs) > 0 {
			return vs
		}
	}
	// Two words run together.
	for i := 3; i <= len(word)-3; i++ {
		a, okA := s.lex.find(word[:i])
		b, okB := s.lex.find(word[i:])
		if okA && okB {
			add(a.term, 0.8, split, a.word)
			add(b.term, 0.8, split, b.word)
		}
	}
	if len(vs) > 0 && vs[0].how == split {
		return vs
	}
	for i, c := range s.lex.near(word, 5) {
		w := tuning.nearOne
		if c.distance == 2 {
			w = tuning.nearTwo
		}
		w *= 1 - 0.06*float64(i)
		add(c.term, w, corrected, c.word)
		if i == 0 {
			widen(c.term, w)
		}
	}
	return vs
}

// deny turns the variants of a word that is said to be absent into those of
// texts that say the same.
func (s *snapshot) deny(c *concept) {
	var vs []variant
	for _, v := range c.variants {
		if p := s.terms[negated+v.term]; p != nil {
			vs = append(vs, variant{term: negated + v.term, p: p, weight: v.weight, how: v.how, word: v.word})
		}
		if v.how == asTyped || v.weight >= tuning.synonym {
			vs = append(vs, variant{term: v.term, p: v.p, weight: -tuning.absent * v.weight, how: v.how, word: v.word})
		}
	}
	c.variants = vs
}

// known reports whether the word stands in any entry.
func (s *snapshot) known(word string) bool {
	_, ok := s.lex.find(word)
	return ok
}

// join tries two neighbouring words as one word ("mealy bug") and as a phrase
// with synonyms ("busy lizzie").
func (s *snapshot) join(a, b *concept, wa, wb string) {
	both := func(v variant) {
		for _, c := range []*concept{a, b} {
			if !slices.ContainsFunc(c.variants, func(x variant) bool { return x.term == v.term && x.weight >= v.weight }) {
				c.variants = append(c.variants, v)
			}
		}
	}
	if len(wa) >= 3 || len(wb) >= 3 {
		if t := s.stem(wa + wb); t != "" && s.terms[t] != nil {
			both(variant{term: t, p: s.terms[t], weight: 1, how: joined, word: wa + wb})
		} else if len(wa)+len(wb) >= 8 && !(s.known(wa) && s.known(wb)) {
			for _, c := range s.lex.near(wa+wb, 1) {
				if c.name {
					both(variant{term: c.term, p: s.terms[c.term], weight: tuning.nearTwo, how: corrected, word: c.word})
				}
			}
		}
	}
	if key, ok := s.phrases[s.stem(wa)+" "+s.stem(wb)]; ok {
		for _, t := range s.synonyms[key] {
			both(variant{term: t, p: s.terms[t], weight: 0.9, how: synonym, word: t})
		}
	}
}

// scored is what one search knows of each document.
type scored struct {
	total   []float64
	covered []float64 // rarity of the concepts that the document answers
	passage []int32   // best passage of each document, -1 if none
}

// score adds up, for each document, the best variant of each concept (weight ×
// rarity × how much the document is about it), the best single passage, a name
// that is matched in full, and how much of the question is answered at all.
func (s *snapshot) score(cs []concept, letters map[int]byte) scored {
	n := len(s.docs)
	out := scored{total: make([]float64, n), covered: make([]float64, n), passage: make([]int32, n)}
	best := make([]float64, n) // of the concept at hand
	inPassage := make([]float64, len(s.passages))
	matched := make([]uint8, len(s.passages))
	pBest := make([]float64, len(s.passages))
	var touched []int32
	asked := 0.0
	for ci, c := range cs {
		clear(best)
		touched = touched[:0]
		if !c.absent {
			asked += c.idf
		}
		for _, v := range c.variants {
			rarity := math.Min(c.idf, v.p.idf)
			if v.how == completed || v.how == corrected {
				rarity = v.p.idf
			}
			w := v.weight * rarity
			for i := range v.p.docs {
				h := &v.p.docs[i]
				if x := w * h.weight; math.Abs(x) > math.Abs(best[h.doc]) {
					best[h.doc] = x
				}
			}
			if v.weight < 0 {
				continue
			}
			for _, p := range v.p.passages {
				if pBest[p] == 0 {
					touched = append(touched, p)
				}
				pBest[p] = max(pBest[p], w)
			}
		}
		for _, p := range touched {
			inPassage[p] += pBest[p]
			matched[p]++
			pBest[p] = 0
		}
		for d, x := range best {
			out.total[d] += x
			if x > 0 && !c.absent {
				out.covered[d] += c.idf
			}
		}
		if l, ok := letters[ci]; ok {
			for _, v := range c.variants {
				for _, d := range s.genera[string(l)+" "+v.word] {
					out.total[d] += tuning.genus * c.idf
				}
			}
		}
	}
	for d := range out.passage {
		out.passage[d] = -1
	}
	top, topName := make([]float64, n), make([]float64, n)
	shown := make([]float64, n)
	for p, x := range inPassage {
		if x == 0 {
			continue
		}
		ps := s.passages[p]
		if !ps.isName() {
			top[ps.doc] = max(top[ps.doc], x)
			// Among equals show a sign rather than prose.
			if ps.field == inSign {
				x *= 1.1
			}
			if x > shown[ps.doc] {
				shown[ps.doc], out.passage[ps.doc] = x, int32(p)
			}
		} else if int(matched[p]) >= s.words[p] {
			topName[ps.doc] = max(topName[ps.doc], x)
		}
	}
	for d := range out.total {
		out.total[d] += tuning.passage*top[d] + tuning.name*topName[d]
		if asked > 0 {
			out.total[d] *= 1 - tuning.coverage + tuning.coverage*out.covered[d]/asked
		}
	}
	return out
}

// rank orders the documents that pass the filters and have something to show.
func (s *snapshot) rank(sc scored, q Query) []int {
	var order []int
	for d, e := range s.docs {
		if sc.covered[d] == 0 || !s.passes(d, e, q) {
			continue
		}
		order = append(order, d)
	}
	// Documents are in order of their ids, and the sort is stable: ties never jump.
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(sc.total[b], sc.total[a]) })
	return order
}

func (s *snapshot) passes(d int, e *Entry, q Query) bool {
	if q.Part != "" && !slices.Contains(e.AllParts(), q.Part) {
		return false
	}
	return q.Host == "" || s.hasHost(d, e, q.Host)
}

// hasHost reports whether the entry is known from the plant or from any plant.
func (s *snapshot) hasHost(d int, e *Entry, host string) bool {
	if anyHost(e) {
		return true
	}
	for _, t := range s.analyzer.Analyze([]byte(host)) {
		for _, term := range append([]string{string(t.Term)}, s.synonyms[string(t.Term)]...) {
			p := s.terms[term]
			if p == nil {
				continue
			}
			i, ok := slices.BinarySearchFunc(p.docs, d, func(h hitDoc, d int) int { return cmp.Compare(h.doc, d) })
			if ok && p.docs[i].fields&(1<<inHost) != 0 {
				return true
			}
		}
	}
	return false
}

// guarded is how many of the first hits the look-alike guard covers.
const guarded = 5

// placedHit is a document in the order shown.
type placedHit struct {
	doc      int
	confused string // id of the hit it is easily taken for, when listed for that
}

// guard makes sure that what is easily confused with the first hits stands among
// the first five. The first three hits keep their places, or the first two when
// the first hit is dangerous itself; the places after them go, in this order, to
//
//  1. the dangerous look-alike that the first hit names first: writers put the
//     worst mistake there;
//  2. the other look-alikes of the first hit, likeliest mistake first: dangerous
//     ones, and harmless ones too when the first hit is dangerous, since there the
//     mistake would be to stop for the wrong thing. How likely a mistake is goes by
//     how well the look-alike fits the words and how like the two entries are, see
//     likeness;
//  3. dangerous look-alikes of the hits after it that fit nearly as well as what
//     would stand there by its words;
//  4. what stands there by its words.
//
// The hits name all their dangerous look-alikes besides, see [Hit.DoNotConfuse].
func (s *snapshot) guard(order []int, sc scored, limit int, q Query) []placedHit {
	first := order[0]
	alarm := s.dangerous(first, q.To)
	keep := 3
	if alarm {
		keep = 2
	}
	head := order[:min(keep, len(order))]
	out := make([]placedHit, 0, limit)
	has := func(d int) bool { return slices.ContainsFunc(out, func(p placedHit) bool { return p.doc == d }) }
	for _, d := range head {
		out = append(out, placedHit{doc: d})
	}
	add := func(d, of int) {
		if len(out) >= guarded || has(d) {
			return
		}
		p := placedHit{doc: d}
		// One that would stand here by its words is simply a hit.
		if i := slices.Index(order, d); i < 0 || i >= guarded {
			p.confused = s.docs[of].ID
		}
		out = append(out, p)
	}
	if i := slices.IndexFunc(s.near[first], func(l nearDoc) bool { return s.dangerous(l.doc, q.To) }); i >= 0 {
		add(s.near[first][i].doc, first)
	}
	near := slices.Clone(s.near[first])
	mistake := func(l nearDoc) float64 { return sc.total[l.doc]/sc.total[first] + l.likeness }
	slices.SortStableFunc(near, func(a, b nearDoc) int { return cmp.Compare(mistake(b), mistake(a)) })
	for _, l := range near {
		if alarm || s.dangerous(l.doc, q.To) {
			add(l.doc, first)
		}
	}
	for _, of := range head[1:] {
		for _, l := range s.near[of] {
			if s.dangerous(l.doc, q.To) && (len(order) <= guarded || sc.total[l.doc] >= 0.6*sc.total[order[guarded-1]]) {
				add(l.doc, of)
			}
		}
	}
	for _, d := range order {
		if len(out) < limit && !has(d) {
			out = append(out, placedHit{doc: d})
		}
	}
	return out
}

func (s *snapshot) dangerous(doc int, to Destination) bool {
	e := s.docs[doc]
	return e.Regulated || s.book.own(e, to) == ladder.Stop
}

func (s *snapshot) hit(p placedHit, cs []concept, sc scored, q Query) Hit {
	e := s.docs[p.doc]
	h := Hit{
		ID: e.ID, Name: e.Name, Scientific: e.Scientific, Kind: e.Kind,
		Score:    math.Round(max(0, sc.total[p.doc])*1000) / 1000,
		Advice:   Escalate(s.book, e, q.To),
		Confused: p.confused,
	}
	if p.confused != "" {
		h.Why = append(h.Why, say.T("easily confused with %s", s.book.Entry(p.confused).Name))
	}
	h.Why = append(h.Why, s.why(p.doc, cs)...)
	for _, l := range s.near[p.doc] {
		if s.dangerous(l.doc, q.To) {
			h.DoNotConfuse = append(h.DoNotConfuse, s.docs[l.doc].ID)
		}
	}
	h.Fragment = s.fragment(p.doc, sc.passage[p.doc], cs)
	return h
}

var fieldWords = [fieldCount]say.Text{
	inName: say.T("the name"), inScientific: say.T("the scientific name"), inHost: say.T("the hosts"), inSign: say.T("the signs"),
	inSeen: say.T("what is seen"), inProse: say.T("the description"), inSteps: say.T("the closer look"),
}

// why says for each concept which word of the entry stands for it, and where.
func (s *snapshot) why(doc int, cs []concept) []say.Text {
	var out []say.Text
	for _, c := range cs {
		var v *variant
		var at *hitDoc
		for i := range c.variants {
			x := &c.variants[i]
			if x.weight <= 0 || v != nil && x.weight*x.p.idf <= v.weight*v.p.idf {
				continue
			}
			if j, ok := slices.BinarySearchFunc(x.p.docs, doc, func(h hitDoc, d int) int { return cmp.Compare(h.doc, d) }); ok {
				v, at = x, &x.p.docs[j]
			}
		}
		if v == nil {
			continue
		}
		pl := at.places[0]
		for _, p := range at.places {
			if p.field < pl.field {
				pl = p
			}
		}
		found := s.elems[doc][pl.field][pl.elem][pl.start:pl.end]
		switch {
		case c.absent:
			out = append(out, say.T("no ‘%s’ in %s", found, fieldWords[pl.field]))
		case v.how == asTyped || strings.EqualFold(found, c.typed):
			out = append(out, say.T("‘%s’ in %s", c.typed, fieldWords[pl.field]))
		default:
			out = append(out, say.T("‘%s’ ≈ ‘%s’ in %s", c.typed, found, fieldWords[pl.field]))
		}
	}
	return out
}

// widest is how many bytes of a passage a fragment shows.
const widest = 180

// fragment shows one passage with the found words marked. All text is escaped.
func (s *snapshot) fragment(doc int, passage int32, cs []concept) template.HTML {
	f, elem := inSign, uint16(0)
	if passage >= 0 {
		f, elem = s.passages[passage].field, s.passages[passage].elem
	}
	text := s.elems[doc][f][elem]
	type span struct{ start, end int }
	var spans []span
	for _, c := range cs {
		for _, v := range c.variants {
			if v.weight <= 0 {
				continue
			}
			i, ok := slices.BinarySearchFunc(v.p.docs, doc, func(h hitDoc, d int) int { return cmp.Compare(h.doc, d) })
			if !ok {
				continue
			}
			for _, pl := range v.p.docs[i].places {
				if pl.field == f && pl.elem == elem {
					spans = append(spans, span{int(pl.start), int(pl.end)})
				}
			}
		}
	}
	slices.SortFunc(spans, func(a, b span) int { return cmp.Compare(a.start, b.start) })
	from, to := 0, len(text)
	if to > widest {
		first := 0
		if len(spans) > 0 {
			first = spans[0].start
		}
		from = wordStart(text, max(0, first-30))
		to = wordStart(text, min(len(text), from+widest))
	}
	var b strings.Builder
	if from > 0 {
		b.WriteString("… ")
	}
	at := from
	for _, sp := range spans {
		if sp.start < at || sp.end > to {
			continue
		}
		b.WriteString(template.HTMLEscapeString(text[at:sp.start]))
		b.WriteString("<mark>")
		b.WriteString(template.HTMLEscapeString(text[sp.start:sp.end]))
		b.WriteString("</mark>")
		at = sp.end
	}
	b.WriteString(template.HTMLEscapeString(text[at:to]))
	if to < len(text) {
		b.WriteString(" …")
	}
	return template.HTML(b.String())
}

// wordStart moves i back to the start of a word.
func wordStart(s string, i int) int {
	if i >= len(s) {
		return len(s)
	}
	for i > 0 && (!utf8.RuneStart(s[i]) || s[i-1] != ' ') {
		i--
	}
	return i
}

// notAsked tells a query that says nothing from one that nobody can answer.
func notAsked(text string, unknown []string) (Outcome, say.Text) {
	if len(unknown) > 0 {
		if !strings.ContainsFunc(text, func(r rune) bool { return unicode.Is(unicode.Latin, r) || unicode.IsDigit(r) }) {
			return OtherScript, say.T("The reference has its words in English and its names in Latin letters. Type what you see in English, or a scientific name.")
		}
		return nothingFits(Query{})
	}
	return NotAsked, say.T("Type what you see: where on the plant, what colour, what it looks like. A name or part of one will do too.")
}

func nothingFits(q Query) (Outcome, say.Text) {
	if q.Part != "" || q.Host != "" {
		return NothingFits, say.T("No entry has these words with that part or host. Try again without the filter.")
	}
	return NothingFits, say.T("No entry has these words. Say what you see: where on the plant, what colour, what it looks like.")
}
