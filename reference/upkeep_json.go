package reference

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"lastlook/internal/say"
)

// jsonKind is the type of a JSON value.
type jsonKind byte

const (
	jsonNull jsonKind = iota
	jsonText
	jsonNumber
	jsonFlag
	jsonList
	jsonObject
)

// jsonValue is a value of a pack with the line where it begins. Like the YAML
// reader, the pack reader walks a tree instead of decoding into structs: a decoder
// stops at the first fault, takes keys twice and ignores what it does not know.
type jsonValue struct {
	kind jsonKind
	line int
	text string // of text and numbers
	flag bool
	list []*jsonValue
	keys []string // of an object, beside list
}

const (
	// maxDepth is how deep a pack may be nested. A pack in order is 6 deep.
	maxDepth = 16
	// maxValues is how many values a pack may hold: each takes memory.
	maxValues = 1_000_000
)

// jsonReader builds the tree. It stops at the first fault of the syntax, and at
// the bounds.
type jsonReader struct {
	dec    *json.Decoder
	src    []byte
	line   int
	read   int64
	values int
}

var errTooDeep = errors.New("nested too deep")
var errTooMany = errors.New("too many values")

// parseJSON reads one JSON text.
func parseJSON(src []byte) (*jsonValue, *Problem) {
	r := &jsonReader{dec: json.NewDecoder(bytes.NewReader(src)), src: src, line: 1}
	r.dec.UseNumber()
	v, err := r.value(0)
	if err == nil {
		if _, more := r.dec.Token(); !errors.Is(more, io.EOF) {
			return nil, &Problem{Line: r.at(), Text: say.T("Something stands behind the end of the pack: remove it.")}
		}
		return v, nil
	}
	p := &Problem{Line: r.at()}
	var syntax *json.SyntaxError
	switch {
	case errors.Is(err, errTooDeep):
		p.Text = say.T("This is nested more than %d deep: it is no pack.", maxDepth)
	case errors.Is(err, errTooMany):
		p.Text = say.T("This holds more than %d values: split it into smaller packs.", maxValues)
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		p.Text = say.T("The pack ends too early: it did not arrive whole. Get it again.")
	case errors.As(err, &syntax):
		p.Line = 1 + bytes.Count(src[:min(int64(len(src)), syntax.Offset)], []byte("\n"))
		p.Text = say.T("This is not valid JSON: %s.", syntax.Error())
	default:
		p.Text = say.T("This is not valid JSON.")
	}
	return nil, p
}

// at gives the line that the decoder has reached.
func (r *jsonReader) at() int {
	off := r.dec.InputOffset()
	r.line += bytes.Count(r.src[r.read:off], []byte("\n"))
	r.read = off
	return r.line
}

func (r *jsonReader) value(depth int) (*jsonValue, error) {
	t, err := r.dec.Token()
	if err != nil {
		return nil, err
	}
	return r.from(t, depth)
}

func (r *jsonReader) from(t json.Token, depth int) (*jsonValue, error) {
	if r.values++; r.values > maxValues {
		return nil, errTooMany
	}
	v := &jsonValue{line: r.at()}
	switch t := t.(type) {
	case string:
		v.kind, v.text = jsonText, t
	case json.Number:
		v.kind, v.text = jsonNumber, t.String()
	case bool:
		v.kind, v.flag = jsonFlag, t
	case json.Delim:
		if depth >= maxDepth {
			return nil, errTooDeep
		}
		v.kind = jsonList
		if t == '{' {
			v.kind = jsonObject
		}
		for r.dec.More() {
			if v.kind == jsonObject {
				key, err := r.dec.Token()
				if err != nil {
					return nil, err
				}
				s, _ := key.(string) // the decoder takes nothing else as a key
				v.keys = append(v.keys, s)
			}
			x, err := r.value(depth + 1)
			if err != nil {
				return nil, err
			}
			v.list = append(v.list, x)
		}
		if _, err := r.dec.Token(); err != nil {
			return nil, err
		}
	}
	return v, nil
}

func (v *jsonValue) String() string {
	switch v.kind {
	case jsonText:
		return fmt.Sprintf("the text %q", clipText(v.text))
	case jsonNumber:
		return "the number " + clipText(v.text)
	case jsonFlag:
		return strconv.FormatBool(v.flag)
	case jsonList:
		return "a list"
	case jsonObject:
		return "an object"
	}
	return "nothing"
}

// clipText shortens something from outside before it is shown.
func clipText(s string) string {
	if r := []rune(s); len(r) > 40 {
		return string(r[:40]) + "…"
	}
	return s
}

// packDocument reads the tree of a pack and notes what is wrong, field by field.
type packDocument struct {
	problems Problems
	lines    map[string]int
	told     map[string]bool
}

// maxProblems is how many problems of a pack are told: nobody reads more.
const maxProblems = 200

func (d *packDocument) fail(line int, path, key string, args ...any) {
	if len(d.problems) < maxProblems {
		d.problems = append(d.problems, Problem{Line: line, Field: path, Text: say.T(key, args...)})
	}
	d.told[path] = true
}

// object gives the members of an object. Keys that are not known are problems.
func (d *packDocument) object(v *jsonValue, path string, known []string) map[string]*jsonValue {
	if v == nil {
		return nil
	}
	if v.kind != jsonObject {
		d.fail(v.line, path, "This must be an object in { }, not %s.", v.String())
		return nil
	}
	d.lines[path] = v.line
	out := make(map[string]*jsonValue, len(v.keys))
	for i, k := range v.keys {
		at := join(path, k)
		switch {
		case !slices.Contains(known, k):
			d.fail(v.list[i].line, join(path, clipText(k)), "There is no key %q here. Known keys: %s.", clipText(k), strings.Join(known, ", "))
		case out[k] != nil:
			d.fail(v.list[i].line, at, "The key %q stands here twice.", k)
		default:
			out[k] = v.list[i]
			d.lines[at] = v.list[i].line
		}
	}
	return out
}

func (d *packDocument) items(v *jsonValue, path string) []*jsonValue {
	switch {
	case v == nil:
		return nil
	case v.kind != jsonList:
		d.fail(v.line, path, "This must be a list in [ ], not %s.", v.String())
		return nil
	}
	for i, x := range v.list {
		d.lines[fmt.Sprintf("%s[%d]", path, i)] = x.line
	}
	return v.list
}

func (d *packDocument) text(v *jsonValue, path string) string {
	switch {
	case v == nil:
		return ""
	case v.kind != jsonText:
		d.fail(v.line, path, "This must be text in quotes, not %s.", v.String())
		return ""
	}
	return strings.TrimSpace(v.text)
}

func (d *packDocument) texts(v *jsonValue, path string) []string {
	out := []string{}
	for i, x := range d.items(v, path) {
		out = append(out, d.text(x, fmt.Sprintf("%s[%d]", path, i)))
	}
	return out
}

func (d *packDocument) flag(v *jsonValue, path string) bool {
	switch {
	case v == nil:
		return false
	case v.kind != jsonFlag:
		d.fail(v.line, path, "This must be true or false, not %s.", v.String())
	}
	return v.flag
}

func (d *packDocument) number(v *jsonValue, path string) int {
	if v == nil {
		return 0
	}
	if v.kind == jsonNumber {
		if n, err := strconv.ParseInt(v.text, 10, 32); err == nil {
			return int(n)
		}
	}
	d.fail(v.line, path, "This must be a whole number, not %s.", v.String())
	return 0
}

func packWord[T ~string](d *packDocument, v *jsonValue, path string) T { return T(d.text(v, path)) }

func packWords[T ~string](d *packDocument, v *jsonValue, path string) []T {
	out := []T{}
	for i, x := range d.items(v, path) {
		out = append(out, packWord[T](d, x, fmt.Sprintf("%s[%d]", path, i)))
	}
	return out
}

// line finds the line of a field, or of the nearest field around it.
func (d *packDocument) line(path string) int {
	for {
		if l := d.lines[path]; l > 0 {
			return l
		}
		cut := strings.LastIndexAny(path, ".[")
		if cut < 0 {
			return max(d.lines[""], 1)
		}
		path = path[:cut]
	}
}

// add notes problems found with what was read, where the reading itself found none.
func (d *packDocument) add(path string, ps Problems) {
	for _, p := range ps {
		at := join(path, p.Field)
		if p.Field == "" {
			at = path
		}
		if d.told[at] || len(d.problems) >= maxProblems {
			continue
		}
		p.Line, p.Field = d.line(at), at
		d.problems = append(d.problems, p)
	}
}
