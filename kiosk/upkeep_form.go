package kiosk

import (
	"fmt"
	"maps"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"lastlook/internal/ladder"
	"lastlook/internal/say"
	"lastlook/reference"
)

// The form of an entry has one field for each field of the entry, under the name
// by which Entry.Check reports it: "looks", "signs[2].text". Lists of words are
// one line each in one field.

// listFields are the fields of an entry that hold one item a line.
var listFields = []string{"other_names", "synonyms", "hosts", "host_words", "closer_look", "cautions", "sources"}

// textFields are those that hold one text.
var textFields = []string{"name", "scientific", "eppo", "eppo_source", "kind", "looks", "does", "action", "action_why", "regulated", "regulated_note", "review_by"}

// rowFields are the parts of the rows of an entry. The first is the one that a row
// is nothing without.
var rowFields = map[string][]string{
	"signs":       {"text", "part", "seen", "colour", "size", "moving", "often", "season"},
	"stages":      {"stage", "looks"},
	"look_alikes": {"id", "tell_apart", "by"},
}

// rowsMost is how many rows a form can have; an entry may have fewer.
const rowsMost = 24

func rowName(list string, i int, part string) string { return fmt.Sprintf("%s[%d].%s", list, i, part) }

// entryValues writes an entry as the values of its form.
func entryValues(e *reference.Entry) url.Values {
	v := url.Values{}
	for field, s := range map[string]string{
		"name": e.Name, "scientific": e.Scientific, "eppo": e.EPPO, "eppo_source": e.EPPOSource, "kind": string(e.Kind), "looks": e.Looks, "does": e.Does,
		"action_why": e.ActionWhy, "regulated_note": e.RegulatedNote, "review_by": e.ReviewBy,
	} {
		v.Set(field, s)
	}
	if e.Action.Valid() {
		v.Set("action", e.Action.String())
	}
	v.Set("regulated", "no")
	if e.Regulated {
		v.Set("regulated", "yes")
	}
	for field, ss := range map[string][]string{
		"other_names": e.OtherNames, "synonyms": e.Synonyms, "hosts": e.Hosts, "host_words": e.HostWords,
		"closer_look": e.CloserLook, "cautions": e.Cautions, "sources": e.Sources,
	} {
		v.Set(field, strings.Join(ss, "\n"))
	}
	v["parts"], v["exam"] = plainWords(e.Parts), plainWords(e.Exam)
	for i, s := range e.Signs {
		for part, x := range map[string]string{"part": string(s.Part), "seen": string(s.Seen), "size": string(s.Size), "moving": string(s.Moving), "often": string(s.Often), "season": s.Season, "text": s.Text} {
			v.Set(rowName("signs", i, part), x)
		}
		v[rowName("signs", i, "colour")] = plainWords(s.Colour)
	}
	for i, s := range e.Stages {
		v.Set(rowName("stages", i, "stage"), s.Stage)
		v.Set(rowName("stages", i, "looks"), s.Looks)
	}
	for i, l := range e.LookAlikes {
		v.Set(rowName("look_alikes", i, "id"), l.ID)
		v.Set(rowName("look_alikes", i, "tell_apart"), l.TellApart)
		v.Set(rowName("look_alikes", i, "by"), string(l.By))
	}
	return v
}

func plainWords[T ~string](ids []T) []string {
	out := make([]string, len(ids))
	for i, id := range ids {
		out[i] = string(id)
	}
	return out
}

func asWords[T ~string](ss []string) []T {
	out := make([]T, len(ss))
	for i, s := range ss {
		out[i] = T(s)
	}
	return out
}

// tidyForm keeps what belongs to an entry, as it was typed, and closes the gaps
// that empty rows leave.
func tidyForm(in url.Values) url.Values {
	out := url.Values{}
	for _, f := range append(textFields, listFields...) {
		out.Set(f, strings.ReplaceAll(in.Get(f), "\r\n", "\n"))
	}
	for _, f := range []string{"parts", "exam"} {
		out[f] = slices.Clone(in[f])
	}
	for list, parts := range rowFields {
		n := 0
		for i := range rowsMost {
			if rowEmpty(in, list, i) {
				continue
			}
			for _, p := range parts {
				if x := in[rowName(list, i, p)]; x != nil {
					out[rowName(list, n, p)] = slices.Clone(x)
				}
			}
			n++
		}
	}
	return out
}

// keepOrder puts the ticked boxes of a form in the order that they had in the
// draft before: a browser sends them in that of the page, which would look like a
// change.
func keepOrder(now, before url.Values) {
	for name, ticked := range now {
		if name != "parts" && name != "exam" && !strings.HasSuffix(name, "].colour") {
			continue
		}
		old := before[name]
		slices.SortStableFunc(ticked, func(a, b string) int {
			i, j := slices.Index(old, a), slices.Index(old, b)
			switch {
			case i < 0 && j < 0:
				return 0
			case i < 0:
				return 1
			case j < 0:
				return -1
			}
			return i - j
		})
	}
}

// rowEmpty reports whether a row has nothing in it. What the selects of a fresh
// row show by themselves does not count.
func rowEmpty(v url.Values, list string, i int) bool {
	for _, p := range rowFields[list] {
		for _, x := range v[rowName(list, i, p)] {
			if strings.TrimSpace(x) != "" {
				return false
			}
		}
	}
	return true
}

// rowsOf counts the rows of a tidy form.
func rowsOf(v url.Values, list string) int {
	n := 0
	for n < rowsMost && !rowEmpty(v, list, n) {
		n++
	}
	return n
}

// moveRow takes a row out of a tidy form, or puts it before the one above.
func moveRow(v url.Values, list string, i int, up bool) url.Values {
	if up && i > 0 {
		for _, p := range rowFields[list] {
			a, b := rowName(list, i, p), rowName(list, i-1, p)
			v[a], v[b] = v[b], v[a]
		}
		return v
	}
	if !up {
		for _, p := range rowFields[list] {
			delete(v, rowName(list, i, p))
		}
	}
	return tidyForm(v)
}

var rowAct = regexp.MustCompile(`^(drop|up) (signs|stages|look_alikes) (\d{1,2})$`)

// entryFrom reads an entry from a tidy form. It is checked elsewhere.
func entryFrom(id string, v url.Values) *reference.Entry {
	text := func(f string) string { return strings.Join(strings.Fields(v.Get(f)), " ") }
	list := func(f string) []string {
		out := []string{}
		for line := range strings.Lines(v.Get(f)) {
			if line = strings.Join(strings.Fields(line), " "); line != "" {
				out = append(out, line)
			}
		}
		return out
	}
	e := &reference.Entry{
		ID: id, Name: text("name"), OtherNames: list("other_names"), Scientific: text("scientific"), Synonyms: list("synonyms"),
		EPPO: text("eppo"), EPPOSource: text("eppo_source"), Kind: reference.Kind(v.Get("kind")), Hosts: list("hosts"), HostWords: list("host_words"),
		Parts: asWords[reference.Part](v["parts"]), Looks: text("looks"), Does: text("does"), CloserLook: list("closer_look"), Exam: asWords[reference.Exam](v["exam"]),
		ActionWhy: text("action_why"), Cautions: list("cautions"), Regulated: v.Get("regulated") == "yes", RegulatedNote: text("regulated_note"),
		Sources: list("sources"), ReviewBy: text("review_by"), Revision: 1,
		Signs: []reference.Sign{}, Stages: []reference.Stage{}, LookAlikes: []reference.LookAlike{},
	}
	if r, err := ladder.Parse(v.Get("action")); err == nil {
		e.Action = r
	}
	for i := range rowsOf(v, "signs") {
		f := func(p string) string { return text(rowName("signs", i, p)) }
		e.Signs = append(e.Signs, reference.Sign{
			Part: reference.Part(f("part")), Seen: reference.Seen(f("seen")), Colour: asWords[reference.Colour](v[rowName("signs", i, "colour")]),
			Size: reference.Size(f("size")), Moving: reference.Moving(f("moving")), Often: reference.Often(f("often")), Season: f("season"), Text: f("text"),
		})
	}
	for i := range rowsOf(v, "stages") {
		e.Stages = append(e.Stages, reference.Stage{Stage: text(rowName("stages", i, "stage")), Looks: text(rowName("stages", i, "looks"))})
	}
	for i := range rowsOf(v, "look_alikes") {
		e.LookAlikes = append(e.LookAlikes, reference.LookAlike{
			ID: text(rowName("look_alikes", i, "id")), TellApart: text(rowName("look_alikes", i, "tell_apart")), By: reference.By(text(rowName("look_alikes", i, "by"))),
		})
	}
	return e
}

// ticks is a group of small boxes of which any number is ticked. Part "ticks".
type ticks struct {
	Name   string
	Legend say.Text
	Error  say.Text
	Items  []Option
}

// formRow is one row of signs, stages or look-alikes.
type formRow struct {
	Legend say.Text
	Error  say.Text
	Fields []Field
	Known  string // the field that offers the ids of entries, by name
	Ticks  *ticks
	Wide   []Field
	Up     Act
	Drop   Act
}

// formPart is one part of the form, with a heading of its own.
type formPart struct {
	ID     string
	Head   say.Text
	Help   say.Text
	Error  say.Text
	Fields []Field
	Ticks  []ticks
	Wide   []Field
	Rows   []formRow
	Add    Act
}

// formProblem is one thing to put right, with the place on the page.
type formProblem struct {
	Where say.Text
	Href  string
	Text  say.Text
}

// entryForm is the form of an entry on its page.
type entryForm struct {
	Parts    []formPart
	Problems []formProblem
	Known    []knownEntry
}

type knownEntry struct{ ID, Name string }

var itemPath = regexp.MustCompile(`^([a-z_]+(?:\[\d+\]\.[a-z_]+)?)\[(\d+)\]$`)

// faults sorts problems by the field of the form that they are about. Those of
// items of a list name the line.
type faults map[string][]say.Text

func faultsOf(ps reference.Problems) faults {
	out := faults{}
	for _, p := range ps {
		field, text := p.Field, p.Text
		if m := itemPath.FindStringSubmatch(field); m != nil {
			n, _ := strconv.Atoi(m[2]) // digits only
			if field = m[1]; slices.Contains(listFields, field) {
				text = say.T("Line %d: %s", n+1, text)
			}
		}
		out[field] = append(out[field], text)
	}
	return out
}

func (f faults) of(field string) say.Text {
	switch ts := f[field]; len(ts) {
	case 0:
		return say.Text{}
	case 1:
		return ts[0]
	default:
		return say.T("%s", ts)
	}
}

// newEntryForm lays out the form with what was typed. Problems are those of
// Entry.Check; none are shown if ps is nil.
func newEntryForm(v url.Values, ps reference.Problems, known []knownEntry) entryForm {
	bad := faultsOf(ps)
	used := map[string]bool{}
	field := func(name string, hint say.Text, kind string) Field {
		used[name] = true
		label := reference.FieldLabel(name)
		return Field{Name: name, Label: label, Hint: hint, Type: kind, Value: v.Get(name), Error: bad.of(name)}
	}
	line := say.T("One a line.")
	part := func(id string, head, help say.Text) formPart { return formPart{ID: id, Head: head, Help: help} }

	names := part("names", say.T("Names"), say.Text{})
	names.Fields = []Field{field("name", say.Text{}, ""), field("scientific", say.Text{}, ""), choose(field("kind", say.Text{}, "select"), reference.Kinds(), reference.Kind.Words),
		field("eppo", say.T("Empty if not known."), ""), field("eppo_source", say.Text{}, ""), field("review_by", say.Text{}, "date")}
	names.Wide = []Field{field("other_names", say.T("Of other regions, lay words, acronyms. One a line."), "area"), field("synonyms", line, "area")}

	where := part("where", say.T("Where it is found"), say.Text{})
	where.Wide = []Field{field("hosts", say.T("Genus or family. One a line."), "area"), field("host_words", line, "area")}
	where.Ticks = []ticks{tick("parts", reference.FieldLabel("parts"), v["parts"], reference.Parts(), reference.Part.Words, bad.of("parts"))}
	used["parts"] = true

	asks := part("asks", say.T("What it asks for"), say.Text{})
	action := field("action", say.Text{}, "select")
	action.Options = append(action.Options, Option{Label: say.T("Choose")})
	for _, r := range ladder.Rungs {
		action.Options = append(action.Options, Option{Value: r.String(), Label: say.T("%s: %s", r.Word(), r.Act()), Selected: v.Get("action") == r.String()})
	}
	regulated := field("regulated", say.Text{}, "select")
	regulated.Options = []Option{{Value: "no", Label: say.T("No")}, {Value: "yes", Label: say.T("Yes"), Selected: v.Get("regulated") == "yes"}}
	asks.Fields = []Field{action, regulated}
	asks.Wide = []Field{field("action_why", say.T("One sentence. It stands on the find."), "area"), field("regulated_note", say.Text{}, "area"), field("cautions", line, "area")}

	text := part("text", say.T("How to know it"), say.Text{})
	text.Wide = []Field{field("looks", say.Text{}, "area"), field("does", say.Text{}, "area"), field("closer_look", say.T("One step a line, in order."), "area")}
	text.Ticks = []ticks{tick("exam", reference.FieldLabel("exam"), v["exam"], reference.Exams(), reference.Exam.Words, bad.of("exam"))}
	used["exam"] = true

	sources := part("sources-part", reference.FieldLabel("sources"), say.Text{})
	sources.Wide = []Field{field("sources", line, "area")}

	f := entryForm{Known: known, Parts: []formPart{names, where, asks, rowsPart("signs", v, bad, used), text, rowsPart("stages", v, bad, used), rowsPart("look_alikes", v, bad, used), sources}}
	for _, name := range slices.Sorted(maps.Keys(bad)) {
		p := formProblem{Text: bad.of(name), Where: whereInForm(name)}
		if used[name] {
			p.Href = "#" + name
		}
		f.Problems = append(f.Problems, p)
	}
	return f
}

var rowPath = regexp.MustCompile(`^([a-z_]+)\[(\d+)\](?:\.([a-z_]+))?$`)

// whereInForm names a field for people: "Signs, row 3: Colour".
func whereInForm(name string) say.Text {
	m := rowPath.FindStringSubmatch(name)
	if m == nil {
		if t := reference.FieldLabel(name); !t.IsZero() {
			return t
		}
		return say.T("%s", name)
	}
	n, _ := strconv.Atoi(m[2]) // digits only
	return say.T("%s, row %d: %s", reference.FieldLabel(m[1]), n+1, rowLabels[m[1]+"."+m[3]])
}

// rowLabels name the parts of rows.
var rowLabels = map[string]say.Text{
	"signs.part": say.T("Part"), "signs.seen": say.T("What is seen"), "signs.colour": say.T("Colours, any of these"), "signs.size": say.T("Size"),
	"signs.moving": say.T("Moving"), "signs.often": say.T("How often"), "signs.season": say.T("Season"), "signs.text": say.T("In words"),
	"stages.stage": say.T("Stage"), "stages.looks": say.T("How it looks"),
	"look_alikes.id": say.T("Entry"), "look_alikes.tell_apart": say.T("How to tell them apart"), "look_alikes.by": say.T("What it takes"),
}

func rowsPart(list string, v url.Values, bad faults, used map[string]bool) formPart {
	p := formPart{ID: list + "-part", Head: reference.FieldLabel(list), Error: bad.of(list),
		Add: Act{Label: say.T("Save, and add a row"), Name: "do", Value: "add " + list, Weight: weightPlain}}
	switch list {
	case "signs":
		p.Help = say.T("Most telling first. 3 to 10 of them.")
	case "look_alikes":
		p.Help = say.T("Other entries that are easily taken for this one.")
	}
	n := rowsOf(v, list)
	for i := range min(n+1, rowsMost) {
		name := func(part string) string { return rowName(list, i, part) }
		field := func(part, kind string) Field {
			used[name(part)] = true
			return Field{Name: name(part), Label: rowLabels[list+"."+part], Type: kind, Value: v.Get(name(part)), Error: bad.of(name(part))}
		}
		r := formRow{Legend: say.T("Row %d", i+1)}
		if i == n {
			r.Legend = say.T("Another row")
		} else {
			r.Drop = Act{Label: say.T("Take row %d out", i+1), Name: "do", Value: fmt.Sprintf("drop %s %d", list, i), Weight: weightQuiet}
			if i > 0 && list != "look_alikes" {
				r.Up = Act{Label: say.T("Row %d up", i+1), Name: "do", Value: fmt.Sprintf("up %s %d", list, i), Weight: weightQuiet}
			}
		}
		switch list {
		case "signs":
			r.Fields = []Field{
				choose(field("part", "select"), reference.Parts(), reference.Part.Words), choose(field("seen", "select"), reference.Seens(), reference.Seen.Words),
				choose(field("often", "select"), reference.Oftens(), reference.Often.Words), choose(field("size", "select"), reference.Sizes(), reference.Size.Words),
				choose(field("moving", "select"), reference.Movings(), reference.Moving.Words), field("season", ""),
			}
			t := tick(name("colour"), rowLabels["signs.colour"], v[name("colour")], reference.Colours(), reference.Colour.Words, bad.of(name("colour")))
			used[name("colour")] = true
			r.Ticks = &t
			r.Wide = []Field{field("text", "")}
		case "stages":
			r.Fields = []Field{field("stage", "")}
			r.Wide = []Field{field("looks", "area")}
		case "look_alikes":
			id := field("id", "")
			r.Known = id.Name
			r.Fields = []Field{id, choose(field("by", "select"), reference.Bys(), reference.By.Words)}
			r.Wide = []Field{field("tell_apart", "area")}
		}
		p.Rows = append(p.Rows, r)
	}
	return p
}

// choose fills a select with the words of a vocabulary. What was sent and is no
// word of it stands there too, so that the page shows what is wrong.
func choose[T ~string](f Field, all []T, words func(T) say.Text) Field {
	f.Options = []Option{{Label: say.T("Choose")}}
	found := f.Value == ""
	for _, x := range all {
		f.Options = append(f.Options, Option{Value: string(x), Label: words(x), Selected: string(x) == f.Value})
		found = found || string(x) == f.Value
	}
	if !found {
		f.Options = append(f.Options, Option{Value: f.Value, Label: say.T("%s", f.Value), Selected: true})
	}
	return f
}

func tick[T ~string](name string, legend say.Text, on []string, all []T, words func(T) say.Text, wrong say.Text) ticks {
	t := ticks{Name: name, Legend: legend, Error: wrong}
	for _, x := range all {
		t.Items = append(t.Items, Option{Value: string(x), Label: words(x), Selected: slices.Contains(on, string(x))})
	}
	for _, x := range on {
		if !slices.Contains(all, T(x)) {
			t.Items = append(t.Items, Option{Value: x, Label: say.T("%s", x), Selected: true})
		}
	}
	return t
}
