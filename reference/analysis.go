package reference

import (
	"strings"

	"github.com/blevesearch/bleve/v2/analysis"
	"github.com/blevesearch/bleve/v2/analysis/analyzer/custom"
	"github.com/blevesearch/bleve/v2/analysis/lang/en"
	"github.com/blevesearch/bleve/v2/analysis/token/lowercase"
	"github.com/blevesearch/bleve/v2/analysis/token/porter"
	unicodetok "github.com/blevesearch/bleve/v2/analysis/tokenizer/unicode"
	"github.com/blevesearch/bleve/v2/mapping"
	"github.com/blevesearch/bleve/v2/registry"
)

// Names of our own token filters and of the two analyzers made with them.
const (
	foldFilter   = "lastlook_fold"
	negateFilter = "lastlook_negate"
	formFilter   = "lastlook_form"
	stemFilter   = "lastlook_stem"

	// stemmed is the analyzer of everything that is searched; plain that of the
	// dictionary of whole words, from which misspellings are put right: stems
	// would be no words to suggest.
	stemmed = "lastlook_stemmed"
	plain   = "lastlook_plain"
)

// negated marks a word that a text says is absent. No letter of a word can be it.
const negated = "¬"

func init() {
	for name, f := range map[string]analysis.TokenFilter{
		foldFilter: fold{}, negateFilter: negate{}, formFilter: form{}, stemFilter: yStem{},
	} {
		err := registry.RegisterTokenFilter(name, func(map[string]any, *registry.Cache) (analysis.TokenFilter, error) { return f, nil })
		if err != nil {
			panic(err) // the name is taken: a fault of the program, met by the first test
		}
	}
}

// addAnalyzers defines both analyzers in m.
func addAnalyzers(m *mapping.IndexMappingImpl) error {
	if err := m.AddCustomAnalyzer(stemmed, map[string]any{
		"type": custom.Name, "tokenizer": unicodetok.Name,
		"token_filters": []string{en.PossessiveName, lowercase.Name, foldFilter, negateFilter, formFilter, porter.Name, stemFilter},
	}); err != nil {
		return err
	}
	return m.AddCustomAnalyzer(plain, map[string]any{
		"type": custom.Name, "tokenizer": unicodetok.Name,
		"token_filters": []string{en.PossessiveName, lowercase.Name, foldFilter},
	})
}

// fold takes the accents off letters. It is a filter of tokens and not of
// characters because a character filter moves the offsets, and highlights would
// then cut through letters.
type fold struct{}

func (fold) Filter(in analysis.TokenStream) analysis.TokenStream {
	for _, t := range in {
		t.Term = []byte(foldWord(string(t.Term)))
	}
	return in
}

// negate drops words that carry no meaning here, and marks the words that a
// denial reaches: after "no", "not", "without" and their like the next two words
// of meaning, up to a comma or a word that turns the sentence. "No stickiness"
// then matches a text that says "no honeydew", and none that says "sticky".
type negate struct{}

// reach is how many words of meaning one denial covers.
const reach = 2

var (
	deniers = wordSet(`no not without never none nor cannot neither hardly lacks lacking isn't aren't wasn't don't doesn't didn't can't won't couldn't haven't hasn't`)
	// A denial ends at these: what follows is said of something else.
	turners = wordSet(`but with and on in from at when while only just though although though however if then yet under below above`)
	// Words without meaning of their own at a bench. Prepositions of place stay: "under" and "above" are where one looks.
	empties = wordSet(`a about after again all also am an and any are as at be because been before being but by can
		could did do does doing down during each either every few for from further get gets getting go goes had has have having he her here
		hers him his how i i'm i've if in into is it it's its just kind looks lot lots made make many may maybe me might more most must my
		myself now of off on once one ones only or other our out over own perhaps please rather really same seem seems seen she should so
		some somebody something sort still such than that that's the their them then there these they they're thing things this
		those though through to too until upon us very was we were what what's when where whether which while who whom why will with would
		yet you your help identify anyone know think think look looking like see seeing sign signs need
		no not without never none nor cannot neither hardly lacks lacking isn't aren't wasn't don't doesn't didn't can't won't couldn't haven't hasn't
		is per etc eg ie`)
)

type set map[string]bool

func wordSet(s string) set {
	m := make(set)
	for _, w := range strings.Fields(s) {
		m[w] = true
	}
	return m
}

func (m set) has(word []byte) bool { return m[string(word)] }

func (negate) Filter(in analysis.TokenStream) analysis.TokenStream {
	out := in[:0]
	left, end := 0, 0
	for _, t := range in {
		// More than one byte between two words means a comma, full stop or the like.
		if t.Start-end > 1 {
			left = 0
		}
		end = t.End
		switch {
		case deniers.has(t.Term):
			left = reach
			continue
		case turners.has(t.Term):
			left = 0
		}
		if empties.has(t.Term) {
			continue
		}
		if left > 0 {
			left--
			t.Term = append([]byte(negated), t.Term...)
		}
		out = append(out, t)
	}
	return out
}

// form brings spellings and irregular plurals to one form before stemming.
type form struct{}

var forms = map[string]string{
	"leaves": "leaf", "leafs": "leaf", "larvae": "larva", "larval": "larva", "larvas": "larva", "pupae": "pupa", "pupas": "pupa",
	"nymphal": "nymph", "antennae": "antenna", "fungi": "fungus", "fungal": "fungus", "bacteria": "bacterium", "bacterial": "bacterium",
	"viral": "virus", "viruses": "virus", "mice": "mouse", "lice": "louse", "cacti": "cactus", "cactuses": "cactus", "halves": "half", "wolves": "wolf",
	"teeth": "tooth", "feet": "foot", "hyphae": "hypha", "mycelia": "mycelium", "stomata": "stoma", "spores": "spore", "thrip": "thrips",
	"mold": "mould", "molds": "mould", "moldy": "mould", "mouldy": "mould", "moulds": "mould", "gray": "grey", "grayish": "grey", "greyish": "grey",
	"color": "colour", "colors": "colour", "colored": "colour", "coloured": "colour", "discolored": "discolour", "discoloured": "discolour",
	"fiber": "fibre", "center": "centre", "centers": "centre", "sulfur": "sulphur", "odor": "odour", "tumor": "tumour", "ladybug": "ladybird", "ladybugs": "ladybird",
	"skeletonized": "skeletonised", "fertilizer": "fertiliser", "fertilizers": "fertiliser", "parasitized": "parasitised", "armored": "armoured",
	"edema": "oedema", "wooly": "woolly", "chili": "chilli", "chile": "chilli", "chilies": "chilli", "plow": "plough", "aluminum": "aluminium",
	"whitish": "white", "yellowish": "yellow", "reddish": "red", "pinkish": "pink", "brownish": "brown", "blackish": "black", "greenish": "green",
	"purplish": "purple", "bluish": "blue", "orangey": "orange", "browned": "brown", "browning": "brown", "blackening": "blackened", "shrunken": "shrink",
	"ate": "eat", "eaten": "eat", "bitten": "bite", "bit": "bite", "bites": "bite", "flies": "fly", "flew": "fly", "flown": "fly", "stuck": "stick", "stung": "sting",
	"fallen": "fall", "fell": "fall", "died": "die", "dying": "die", "dead": "die", "rotten": "rot", "rotted": "rot", "bent": "bend", "burnt": "burn", "frozen": "freeze",
	"slimy": "slime", "smelly": "smell", "stinky": "stink", "wavy": "wave", "spiky": "spike", "spiny": "spine", "prickly": "prickle", "shiny": "shine", "greasy": "grease",
	"juicy": "juice", "stripy": "stripe", "stripey": "stripe", "scaly": "scale", "flaky": "flake", "bubbly": "bubble", "wobbly": "wobble", "papery": "paper", "knobbly": "knobble",
}

func (form) Filter(in analysis.TokenStream) analysis.TokenStream {
	for _, t := range in {
		w := string(t.Term)
		bare := strings.TrimPrefix(w, negated)
		if f, ok := forms[bare]; ok {
			t.Term = []byte(w[:len(w)-len(bare)] + f)
		}
	}
	return in
}

// yStem finishes what the Porter stemmer begins. It leaves "dusty" as "dusti"
// and "dust" as "dust"; at a bench they are one word. So do furry and fur, rusty
// and rust, woolly and wool.
type yStem struct{}

func (yStem) Filter(in analysis.TokenStream) analysis.TokenStream {
	for _, t := range in {
		n := len(t.Term)
		if n < 5 || t.Term[n-1] != 'i' {
			continue
		}
		t.Term = t.Term[:n-1]
		n--
		if n > 3 && t.Term[n-1] == t.Term[n-2] && strings.IndexByte("bdgklmnprtz", t.Term[n-1]) >= 0 {
			t.Term = t.Term[:n-1]
		}
	}
	return in
}
