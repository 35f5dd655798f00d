package reference

import (
	"fmt"
	"path"
	"regexp"
	"strings"
	"time"
	"unicode"

	"github.com/goccy/go-yaml/ast"

	"lastlook/internal/ladder"
	"lastlook/internal/say"
)

var (
	entryKeys = strings.Fields(`id name other_names scientific synonyms eppo eppo_source kind hosts host_words parts signs
		looks does stages look_alikes closer_look exam action action_why cautions regulated regulated_note sources revision review_by`)
	signKeys      = strings.Fields(`part seen colour size moving often season text`)
	stageKeys     = strings.Fields(`stage looks`)
	lookAlikeKeys = strings.Fields(`id tell_apart by`)
)

// Bounds on what an entry may hold. Fewer signs do not tell an entry from its
// neighbours; more are not read by anybody at the bench.
const (
	minSigns      = 3
	maxSigns      = 10
	maxLookAlikes = 8
	maxSteps      = 6
)

// ParseEntry reads one entry file. The entry is returned also when there are
// problems, as far as it could be read; it must not be used then except to show it.
func ParseEntry(file string, src []byte) (*Entry, Problems) {
	d := &document{file: file}
	e := d.checked(src)
	return e, d.problems.sorted()
}

// checked reads and checks an entry, and notes every problem with its line.
func (d *document) checked(src []byte) *Entry {
	e := d.entry(src)
	if e == nil {
		return nil
	}
	// A field of the wrong type is told once, not again as missing.
	told := make(map[string]bool)
	for _, p := range d.problems {
		told[p.Field] = true
	}
	for _, p := range e.Check() {
		if told[p.Field] {
			continue
		}
		p.File, p.Line = d.file, d.line(p.Field)
		d.problems = append(d.problems, p)
	}
	if base := strings.TrimSuffix(path.Base(d.file), ".yaml"); e.ID != "" && base != e.ID {
		d.fail(d.line("id"), "id", "The id is %q but the file is named %q: they must be the same.", e.ID, base)
	}
	return e
}

func (d *document) entry(src []byte) *Entry {
	top := d.open(src)
	if top == nil {
		return nil
	}
	m := d.mapping(top, "", entryKeys)
	if m == nil {
		return nil
	}
	e := &Entry{
		ID:            d.text(m["id"], "id"),
		Name:          d.text(m["name"], "name"),
		OtherNames:    d.texts(m["other_names"], "other_names"),
		Scientific:    d.text(m["scientific"], "scientific"),
		Synonyms:      d.texts(m["synonyms"], "synonyms"),
		EPPO:          d.text(m["eppo"], "eppo"),
		EPPOSource:    d.text(m["eppo_source"], "eppo_source"),
		Kind:          vocab[Kind](d, m["kind"], "kind"),
		Hosts:         d.texts(m["hosts"], "hosts"),
		HostWords:     d.texts(m["host_words"], "host_words"),
		Parts:         vocabs[Part](d, m["parts"], "parts"),
		Signs:         []Sign{},
		Looks:         d.text(m["looks"], "looks"),
		Does:          d.text(m["does"], "does"),
		Stages:        []Stage{},
		LookAlikes:    []LookAlike{},
		CloserLook:    d.texts(m["closer_look"], "closer_look"),
		Exam:          vocabs[Exam](d, m["exam"], "exam"),
		ActionWhy:     d.text(m["action_why"], "action_why"),
		Cautions:      d.texts(m["cautions"], "cautions"),
		Regulated:     d.flag(m["regulated"], "regulated"),
		RegulatedNote: d.text(m["regulated_note"], "regulated_note"),
		Sources:       d.texts(m["sources"], "sources"),
		Revision:      d.number(m["revision"], "revision"),
		ReviewBy:      d.text(m["review_by"], "review_by"),
	}
	e.Action = d.rung(m["action"], "action")
	for i, n := range d.list(m["signs"], "signs") {
		p := fmt.Sprintf("signs[%d]", i)
		s := d.mapping(n, p, signKeys)
		if s == nil {
			continue
		}
		e.Signs = append(e.Signs, Sign{
			Part:   vocab[Part](d, s["part"], p+".part"),
			Seen:   vocab[Seen](d, s["seen"], p+".seen"),
			Colour: vocabs[Colour](d, s["colour"], p+".colour"),
			Size:   vocab[Size](d, s["size"], p+".size"),
			Moving: vocab[Moving](d, s["moving"], p+".moving"),
			Often:  vocab[Often](d, s["often"], p+".often"),
			Season: d.text(s["season"], p+".season"),
			Text:   d.text(s["text"], p+".text"),
		})
	}
	for i, n := range d.list(m["stages"], "stages") {
		p := fmt.Sprintf("stages[%d]", i)
		if s := d.mapping(n, p, stageKeys); s != nil {
			e.Stages = append(e.Stages, Stage{Stage: d.text(s["stage"], p+".stage"), Looks: d.text(s["looks"], p+".looks")})
		}
	}
	for i, n := range d.list(m["look_alikes"], "look_alikes") {
		p := fmt.Sprintf("look_alikes[%d]", i)
		if s := d.mapping(n, p, lookAlikeKeys); s != nil {
			e.LookAlikes = append(e.LookAlikes, LookAlike{
				ID:        d.text(s["id"], p+".id"),
				TellApart: d.text(s["tell_apart"], p+".tell_apart"),
				By:        vocab[By](d, s["by"], p+".by"),
			})
		}
	}
	return e
}

func (d *document) rung(n ast.Node, path string) ladder.Rung {
	name := d.text(n, path)
	if name == "" {
		return 0
	}
	r, err := ladder.Parse(name)
	if err != nil {
		d.fail(lineOf(n), path, "%q is not a rung of the ladder: use note, reject, sample or stop.", name)
	}
	return r
}

var (
	slugForm = regexp.MustCompile(`^[a-z0-9]+(-[a-z0-9]+)*$`)
	// EPPO codes have five letters or digits for plants and six for pests; codes
	// of groups put a digit in front (EPPO Global Database, notes on codes; from memory).
	eppoForm = regexp.MustCompile(`^[0-9]?[A-Z0-9]{5,6}$`)
)

// checker collects problems of an entry by field.
type checker struct{ problems Problems }

func (c *checker) fail(field, key string, args ...any) {
	c.problems = append(c.problems, Problem{Field: field, Text: say.T(key, args...)})
}

func (c *checker) needed(field, s string) {
	if strings.TrimSpace(s) == "" {
		c.fail(field, "This must not be empty.")
		return
	}
	c.clean(field, s)
}

func (c *checker) clean(field, s string) {
	for _, r := range s {
		if r != '\n' && (unicode.IsControl(r) || r == '\u2028' || r == '\u2029' || r == unicode.ReplacementChar) {
			c.fail(field, "This holds the unprintable character %U: remove it.", r)
			return
		}
	}
}

func (c *checker) list(field string, ss []string, atLeast int) {
	if len(ss) < atLeast {
		c.fail(field, "This needs at least %d; it has %d.", atLeast, len(ss))
	}
	seen := make(map[string]bool)
	for i, s := range ss {
		at := fmt.Sprintf("%s[%d]", field, i)
		c.needed(at, s)
		if seen[s] {
			c.fail(at, "%q stands here twice.", s)
		}
		seen[s] = true
	}
}

func word[T ~string](c *checker, field string, v vocabulary[T], id T, optional bool) {
	switch {
	case id == "" && optional:
	case id == "":
		c.fail(field, "This must not be empty.")
	case !v.has(id):
		var known []string
		for _, t := range v {
			known = append(known, string(t.id))
		}
		c.fail(field, "%q is not a word of the vocabulary. Use one of: %s.", string(id), strings.Join(known, " "))
	}
}

func words[T ~string](c *checker, field string, v vocabulary[T], ids []T, atLeast int) {
	plain := make([]string, len(ids))
	for i, id := range ids {
		plain[i] = string(id)
	}
	c.list(field, plain, atLeast)
	for i, id := range ids {
		if id != "" {
			word(c, fmt.Sprintf("%s[%d]", field, i), v, id, false)
		}
	}
}

// Check reports everything wrong with an entry by itself. Whether its look-alikes
// exist is for the book to say.
func (e *Entry) Check() Problems {
	c := &checker{}
	c.needed("id", e.ID)
	if e.ID != "" && !slugForm.MatchString(e.ID) {
		c.fail("id", "%q is not an id: use small letters and digits with single hyphens between.", e.ID)
	}
	c.needed("name", e.Name)
	c.needed("scientific", e.Scientific)
	c.list("other_names", e.OtherNames, 0)
	c.list("synonyms", e.Synonyms, 0)
	if e.EPPO != "" {
		if !eppoForm.MatchString(e.EPPO) {
			c.fail("eppo", "%q cannot be an EPPO code: five to seven capital letters and digits. Leave it \"\" if not known.", e.EPPO)
		}
		if e.EPPOSource == "" {
			c.fail("eppo_source", "Say where the EPPO code was taken from.")
		}
	}
	word(c, "kind", kinds, e.Kind, false)
	c.list("hosts", e.Hosts, 1)
	c.list("host_words", e.HostWords, 0)
	words(c, "parts", parts, e.Parts, 1)
	if n := len(e.Signs); n < minSigns || n > maxSigns {
		c.fail("signs", "An entry has %d to %d signs; this has %d.", minSigns, maxSigns, n)
	}
	for i, s := range e.Signs {
		at := fmt.Sprintf("signs[%d]", i)
		word(c, at+".part", parts, s.Part, false)
		word(c, at+".seen", seens, s.Seen, false)
		words(c, at+".colour", colours, s.Colour, 0)
		word(c, at+".size", sizes, s.Size, true)
		word(c, at+".moving", movings, s.Moving, true)
		word(c, at+".often", oftens, s.Often, false)
		c.clean(at+".season", s.Season)
		c.needed(at+".text", s.Text)
	}
	c.needed("looks", e.Looks)
	c.needed("does", e.Does)
	for i, s := range e.Stages {
		at := fmt.Sprintf("stages[%d]", i)
		c.needed(at+".stage", s.Stage)
		c.needed(at+".looks", s.Looks)
	}
	if n := len(e.LookAlikes); n > maxLookAlikes {
		c.fail("look_alikes", "An entry has at most %d look-alikes; this has %d.", maxLookAlikes, n)
	}
	alike := make(map[string]bool)
	for i, l := range e.LookAlikes {
		at := fmt.Sprintf("look_alikes[%d]", i)
		c.needed(at+".id", l.ID)
		if l.ID == e.ID && l.ID != "" {
			c.fail(at+".id", "An entry cannot be its own look-alike.")
		}
		if alike[l.ID] {
			c.fail(at+".id", "%q stands here twice.", l.ID)
		}
		alike[l.ID] = true
		c.needed(at+".tell_apart", l.TellApart)
		word(c, at+".by", bys, l.By, false)
	}
	c.list("closer_look", e.CloserLook, 1)
	if n := len(e.CloserLook); n > maxSteps {
		c.fail("closer_look", "At most %d steps; this has %d.", maxSteps, n)
	}
	words(c, "exam", exams, e.Exam, 1)
	if !e.Action.Valid() {
		c.fail("action", "This must be note, reject, sample or stop.")
	}
	c.needed("action_why", e.ActionWhy)
	c.list("cautions", e.Cautions, 0)
	if e.Regulated {
		c.needed("regulated_note", e.RegulatedNote)
	}
	c.list("sources", e.Sources, 1)
	if e.Revision < 1 {
		c.fail("revision", "Revisions count from 1; this is %d.", e.Revision)
	}
	if _, err := time.Parse(time.DateOnly, e.ReviewBy); err != nil {
		c.fail("review_by", "%q is not a date: write it as 2027-11-30.", e.ReviewBy)
	}
	return c.problems
}
