package reference

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"sync/atomic"

	"github.com/blevesearch/bleve/v2"
	"github.com/blevesearch/bleve/v2/analysis"
	"github.com/blevesearch/bleve/v2/index/scorch"
	"github.com/blevesearch/bleve/v2/mapping"
	indexapi "github.com/blevesearch/bleve_index_api"
)

// field is one part of an entry that is searched.
type field uint8

const (
	inName field = iota
	inScientific
	inHost
	inSign
	inSeen // plain words of the structured signs and of the kind
	inProse
	inSteps
	fieldCount
)

// fieldNames are the names in the bleve index.
var fieldNames = [fieldCount]string{"name", "scientific", "host", "sign", "seen", "prose", "steps"}

// wholeWords is the unstemmed field that feeds the dictionary.
const wholeWords = "words"

// Index answers searches in one book at a time. Replacing the book never makes a
// search wait: the new one is built beside the old and swapped in whole. An Index
// must be made by [NewIndex]; it may be used by many at once.
type Index struct {
	now atomic.Pointer[snapshot]
}

// NewIndex builds the index of a book.
func NewIndex(b *Book) (*Index, error) {
	ix := &Index{}
	return ix, ix.Replace(b)
}

// Replace builds the index of another book and swaps it in. Searches that have
// begun end in the old one. On error the old one stays.
func (ix *Index) Replace(b *Book) error {
	s, err := build(b)
	if err != nil {
		return fmt.Errorf("reference: building the search index: %w", err)
	}
	ix.now.Store(s)
	return nil
}

// Book gives the book that is searched now.
func (ix *Index) Book() *Book { return ix.now.Load().book }

// snapshot is one built index. Nothing in it changes after build.
//
// bleve analyses the text and keeps the dictionary and the postings with their
// places. Its own searcher is not used: at this size nearly all its time went into
// setting up hundreds of small per-field, per-variant searchers, and its per-field
// scores let a word that is rare in names but common in the text outrank
// everything. The postings are therefore read out once, weighted over all fields,
// and scored here.
type snapshot struct {
	book     *Book
	analyzer analysis.Analyzer
	plain    analysis.Analyzer
	docs     []*Entry
	elems    [][fieldCount][]string // searched text, by document, field and element
	terms    map[string]*posting
	lex      *lexicon
	synonyms map[string][]string // stem → stems used for it
	phrases  map[string]string   // two stems with a space → key into synonyms
	genera   map[string][]int    // "p ramorum" → documents
	passages []passage
	words    []int       // number of words of each passage
	near     [][]nearDoc // look-alikes of each document, as Book.Alike lists them
}

// nearDoc is a look-alike of a document.
type nearDoc struct {
	doc      int
	likeness float64
}

// posting is all that is known of one term.
type posting struct {
	idf  float64
	docs []hitDoc
	// passages that hold the term, sorted: names, signs and sentences.
	passages []int32
}

// hitDoc is one document that holds a term.
type hitDoc struct {
	doc    int
	weight float64 // frequency over all fields, weighted and saturated: 0 to 1
	fields uint8   // set of fields
	places []place
}

type place struct {
	field      field
	elem       uint16
	start, end uint32
}

// passage is one name, sign or piece of prose: words that stand together in one
// mean more than words scattered over an entry.
type passage struct {
	doc   int
	field field
	elem  uint16
}

// isName reports whether the passage is a name of its entry.
func (p passage) isName() bool { return p.field == inName || p.field == inScientific }

// Weights of the fields and the constants of the score (BM25F: Robertson and
// Zaragoza, The Probabilistic Relevance Framework, 2009, section 3.6; the formula
// from memory). For how the values were chosen see tuning.
var (
	fieldWeight = [fieldCount]float64{inName: 4, inScientific: 4, inHost: 2.2, inSign: 2.2, inSeen: 0.8, inProse: 1.2, inSteps: 0.3}
	fieldLength = [fieldCount]float64{inName: 0.3, inScientific: 0.3, inHost: 0.4, inSign: 0.5, inSeen: 0.5, inProse: 0.5, inSteps: 0.5}
)

const saturation = 2.0

func build(b *Book) (*snapshot, error) {
	m := bleve.NewIndexMapping()
	if err := addAnalyzers(m); err != nil {
		return nil, err
	}
	m.ScoringModel = indexapi.BM25Scoring
	m.DefaultAnalyzer = stemmed
	m.DefaultMapping = documentMapping()
	ix, err := bleve.NewUsing("", m, scorch.Name, scorch.Name, nil)
	if err != nil {
		return nil, err
	}
	defer ix.Close()

	s := &snapshot{
		book: b, docs: b.Entries(),
		analyzer: m.AnalyzerNamed(stemmed), plain: m.AnalyzerNamed(plain),
		terms:   make(map[string]*posting),
		phrases: make(map[string]string), genera: make(map[string][]int),
	}
	batch := ix.NewBatch()
	byID := make(map[string]int, len(s.docs))
	for i, e := range s.docs {
		byID[e.ID] = i
		elems := searched(e, b.Synonyms())
		s.elems = append(s.elems, elems)
		doc := make(map[string]any, fieldCount+1)
		var all []string
		for f, text := range elems {
			doc[fieldNames[f]] = text
			all = append(all, text...)
		}
		doc[wholeWords] = strings.Join(all, "\n")
		if err := batch.Index(e.ID, doc); err != nil {
			return nil, err
		}
	}
	if err := ix.Batch(batch); err != nil {
		return nil, err
	}
	low, err := ix.Advanced()
	if err != nil {
		return nil, err
	}
	r, err := low.Reader()
	if err != nil {
		return nil, err
	}
	defer r.Close()
	if err := s.readPostings(r, byID); err != nil {
		return nil, err
	}
	if err := s.readWords(r); err != nil {
		return nil, err
	}
	for _, e := range s.docs {
		var near []nearDoc
		for _, l := range b.Alike(e) {
			near = append(near, nearDoc{byID[l.Other.ID], likeness(e, l.Other)})
		}
		s.near = append(s.near, near)
	}
	s.readSynonyms()
	s.readGenera()
	return s, nil
}

func documentMapping() *mapping.DocumentMapping {
	d := bleve.NewDocumentStaticMapping()
	for _, name := range append(fieldNames[:], wholeWords) {
		f := bleve.NewTextFieldMapping()
		f.Store, f.IncludeInAll, f.DocValues = false, false, false
		f.Analyzer = stemmed
		if name == wholeWords {
			f.Analyzer, f.IncludeTermVectors = plain, false
		}
		d.AddFieldMappingsAt(name, f)
	}
	return d
}

// searched gives the text of an entry that is searched, element by element. The
// texts that tell it from its look-alikes are left out: they describe the
// look-alike as much as the entry.
func searched(e *Entry, syn Synonyms) [fieldCount][]string {
	var t [fieldCount][]string
	t[inName] = append([]string{e.Name}, e.OtherNames...)
	t[inScientific] = append([]string{e.Scientific}, e.Synonyms...)
	if e.EPPO != "" {
		t[inScientific] = append(t[inScientific], e.EPPO)
	}
	t[inHost] = append(slices.Clone(e.Hosts), e.HostWords...)
	for _, s := range e.Signs {
		t[inSign] = append(t[inSign], s.Text)
		lay := []string{s.Seen.Words().String(), s.Part.Words().String()}
		for _, c := range s.Colour {
			lay = append(lay, c.Words().String())
		}
		t[inSeen] = append(t[inSeen], strings.Join(append(lay, syn.Seen[s.Seen]...), "; "))
	}
	t[inSeen] = append(t[inSeen], strings.Join(append([]string{e.Kind.Words().String()}, syn.Kind[e.Kind]...), "; "))
	t[inProse] = append(sentences(e.Looks), sentences(e.Does)...)
	for _, st := range e.Stages {
		t[inProse] = append(t[inProse], st.Stage+": "+st.Looks)
	}
	t[inSteps] = slices.Clone(e.CloserLook)
	return t
}

// sentences cuts prose at full stops, so that words found together in one
// sentence can count for more.
func sentences(s string) []string {
	var out []string
	for len(s) > 0 {
		i := strings.Index(s, ". ")
		if i < 0 {
			return append(out, s)
		}
		out = append(out, s[:i+1])
		s = s[i+2:]
	}
	return out
}

func (s *snapshot) readPostings(r indexapi.IndexReader, byID map[string]int) error {
	type count struct {
		doc   int
		field field
	}
	var lengths [fieldCount][]float64
	for f := range lengths {
		lengths[f] = make([]float64, len(s.docs))
	}
	raw := make(map[string]map[int]*hitDoc)
	freqs := make(map[string]map[count]float64)
	ids := make(map[string]int)
	docOf := func(id indexapi.IndexInternalID) (int, error) {
		if n, ok := ids[string(id)]; ok {
			return n, nil
		}
		ext, err := r.ExternalID(id)
		if err != nil {
			return 0, err
		}
		ids[string(id)] = byID[ext]
		return byID[ext], nil
	}
	for f := range fieldCount {
		words, err := dictionary(r, fieldNames[f])
		if err != nil {
			return err
		}
		for _, w := range words {
			tfr, err := r.TermFieldReader(context.Background(), []byte(w.Term), fieldNames[f], true, false, true)
			if err != nil {
				return err
			}
			for {
				tfd, err := tfr.Next(nil)
				if err != nil {
					return err
				}
				if tfd == nil {
					break
				}
				doc, err := docOf(tfd.ID)
				if err != nil {
					return err
				}
				if raw[w.Term] == nil {
					raw[w.Term], freqs[w.Term] = make(map[int]*hitDoc), make(map[count]float64)
				}
				h := raw[w.Term][doc]
				if h == nil {
					h = &hitDoc{doc: doc}
					raw[w.Term][doc] = h
				}
				h.fields |= 1 << f
				freqs[w.Term][count{doc, f}] = float64(tfd.Freq)
				lengths[f][doc] += float64(tfd.Freq)
				for _, v := range tfd.Vectors {
					p := place{field: f, start: uint32(v.Start), end: uint32(v.End)}
					if len(v.ArrayPositions) > 0 {
						p.elem = uint16(v.ArrayPositions[0])
					}
					h.places = append(h.places, p)
				}
			}
			if err := tfr.Close(); err != nil {
				return err
			}
		}
	}
	var average [fieldCount]float64
	for f := range lengths {
		for _, n := range lengths[f] {
			average[f] += n / float64(max(1, len(s.docs)))
		}
	}
	passageOf := s.readPassages()
	s.words = make([]int, len(s.passages))
	n := float64(len(s.docs))
	for term, docs := range raw {
		p := &posting{idf: math.Log(1 + (n-float64(len(docs))+0.5)/(float64(len(docs))+0.5))}
		for doc, h := range docs {
			sum := 0.0
			for f := range fieldCount {
				tf := freqs[term][count{doc, f}]
				if tf == 0 {
					continue
				}
				norm := 1 - fieldLength[f] + fieldLength[f]*lengths[f][doc]/average[f]
				sum += fieldWeight[f] * tf / norm
			}
			h.weight = sum / (saturation + sum)
			for _, at := range h.places {
				if i, ok := passageOf[passage{doc, at.field, at.elem}]; ok {
					if at.field != inSeen {
						s.words[i]++
					}
					p.passages = append(p.passages, i)
				}
			}
			p.docs = append(p.docs, *h)
		}
		slices.SortFunc(p.docs, func(a, b hitDoc) int { return cmp.Compare(a.doc, b.doc) })
		slices.Sort(p.passages)
		p.passages = slices.Compact(p.passages)
		s.terms[term] = p
	}
	return nil
}

// readPassages numbers the passages. A sign and the plain words of the same sign are one.
func (s *snapshot) readPassages() map[passage]int32 {
	at := make(map[passage]int32)
	for doc := range s.docs {
		for _, f := range []field{inName, inScientific, inSign, inProse} {
			for i := range s.elems[doc][f] {
				p := passage{doc, f, uint16(i)}
				at[p] = int32(len(s.passages))
				if f == inSign {
					at[passage{doc, inSeen, uint16(i)}] = int32(len(s.passages))
				}
				s.passages = append(s.passages, p)
			}
		}
	}
	return at
}

// dictionary lists the terms of a field. A dictionary left open would make the
// index hang when closed.
func dictionary(r indexapi.IndexReader, name string) (_ []indexapi.DictEntry, err error) {
	d, err := r.FieldDict(name)
	if err != nil {
		return nil, err
	}
	defer func() { err = cmp.Or(err, d.Close()) }()
	var out []indexapi.DictEntry
	for {
		e, err := d.Next()
		if err != nil {
			return nil, err
		}
		if e == nil {
			return out, nil
		}
		out = append(out, *e)
	}
}

func (s *snapshot) readWords(r indexapi.IndexReader) error {
	words, err := dictionary(r, wholeWords)
	if err != nil {
		return err
	}
	var lexemes []lexeme
	for _, w := range words {
		term := s.stem(w.Term)
		p := s.terms[term]
		if term == "" || p == nil {
			continue
		}
		x := lexeme{word: w.Term, term: term, count: int(w.Count)}
		for _, h := range p.docs {
			x.name = x.name || h.fields&(1<<inName|1<<inScientific|1<<inHost) != 0
		}
		lexemes = append(lexemes, x)
	}
	s.lex = newLexicon(lexemes)
	return nil
}

// stem gives the term of one word, "" for a word without meaning.
func (s *snapshot) stem(word string) string {
	ts := s.analyzer.Analyze([]byte(word))
	if len(ts) != 1 {
		return ""
	}
	return string(ts[0].Term)
}

func (s *snapshot) readSynonyms() {
	sets := make(map[string]map[string]bool)
	for _, g := range s.book.Synonyms().Groups {
		var stems []string
		for _, w := range g {
			var ts []string
			for _, t := range s.analyzer.Analyze([]byte(w)) {
				ts = append(ts, string(t.Term))
			}
			switch len(ts) {
			case 1:
				stems = append(stems, ts[0])
			case 2:
				// A phrase widens to the words of its group, and no word to it.
				key := ts[0] + " " + ts[1]
				s.phrases[key] = key
				stems = append(stems, key)
			}
		}
		for _, a := range stems {
			for _, b := range stems {
				if a != b && s.terms[b] != nil {
					if sets[a] == nil {
						sets[a] = make(map[string]bool)
					}
					sets[a][b] = true
				}
			}
		}
	}
	s.synonyms = make(map[string][]string, len(sets))
	for a, set := range sets {
		for b := range set {
			s.synonyms[a] = append(s.synonyms[a], b)
		}
		slices.Sort(s.synonyms[a])
	}
}

// readGenera notes each binomial by the first letter of its genus, so that
// "P ramorum" and "s. dorsalis" find theirs and not another with that epithet.
func (s *snapshot) readGenera() {
	for doc, e := range s.docs {
		for _, name := range append([]string{e.Scientific}, e.Synonyms...) {
			ws := strings.FieldsFunc(strings.ToLower(foldWord(name)), func(r rune) bool { return r == ' ' || r == '(' || r == ')' || r == ',' || r == ';' })
			for i := 0; i+1 < len(ws); i++ {
				key := ws[i][:1] + " " + ws[i+1]
				if !slices.Contains(s.genera[key], doc) {
					s.genera[key] = append(s.genera[key], doc)
				}
			}
		}
	}
}
