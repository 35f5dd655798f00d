package courier

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"

	"lastlook/internal/say"
)

// Problem is one mistake in the configuration.
type Problem struct {
	File  string
	Line  int // 0 if it is about the whole file
	Field string
	Text  say.Text
}

// Problems are all mistakes found. They are an error.
type Problems []Problem

// Error gives one line a mistake, with file and line.
func (ps Problems) Error() string {
	var b strings.Builder
	for i, p := range ps {
		if i > 0 {
			b.WriteByte('\n')
		}
		b.WriteString(p.File)
		if p.Line > 0 {
			fmt.Fprintf(&b, ":%d", p.Line)
		}
		if p.Field != "" {
			fmt.Fprintf(&b, ": %s", p.Field)
		}
		fmt.Fprintf(&b, ": %s", p.Text)
	}
	return b.String()
}

// document walks the syntax tree of one file itself, because a decoder stops at
// the first mistake. Every value is looked at by its kind: nothing is guessed.
type document struct {
	file     string
	problems Problems
}

func (d *document) fail(n ast.Node, field, key string, args ...any) {
	d.problems = append(d.problems, Problem{File: d.file, Line: lineOf(n), Field: field, Text: say.T(key, args...)})
}

// asMap and asList look at what a node is, because tags, anchors and aliases have
// the methods of mappings and lists too, whatever they stand for.
func asMap(n ast.Node) (ast.MapNode, bool) {
	switch n := n.(type) {
	case *ast.MappingNode:
		return n, true
	case *ast.MappingValueNode:
		return n, true
	}
	return nil, false
}

func asList(n ast.Node) (ast.ArrayNode, bool) {
	s, ok := n.(*ast.SequenceNode)
	return s, ok
}

func lineOf(n ast.Node) int {
	if n == nil {
		return 0
	}
	if m, ok := asMap(n); ok {
		// The token of a block mapping is its first colon.
		for it := m.MapRange(); it.Next(); {
			return lineOf(it.Key())
		}
	}
	if tk := n.GetToken(); tk != nil && tk.Position != nil {
		return tk.Position.Line
	}
	return 0
}

// open parses the file. It gives nil after noting why not.
func (d *document) open(src []byte) ast.Node {
	if !utf8.Valid(src) {
		d.fail(nil, "", "The file is not UTF-8 text: save it again as UTF-8.")
		return nil
	}
	f, err := parser.ParseBytes(src, 0)
	if err != nil {
		p := Problem{File: d.file, Text: say.T("This is not valid YAML. Check quotes, colons and indents near this line.")}
		var ye yaml.Error
		if errors.As(err, &ye) {
			if tk := ye.GetToken(); tk != nil && tk.Position != nil {
				p.Line = tk.Position.Line
			}
		}
		d.problems = append(d.problems, p)
		return nil
	}
	docs := slices.DeleteFunc(slices.Clone(f.Docs), func(doc *ast.DocumentNode) bool { return doc.Body == nil })
	switch len(docs) {
	case 0:
		d.fail(nil, "", "The file is empty: take it away, or write into it who is to be told.")
		return nil
	case 1:
		return docs[0].Body
	}
	d.fail(nil, "", "The file must hold one document; it holds %d.", len(docs))
	return nil
}

// pair is a key of a mapping with its value.
type pair struct {
	key   string
	value ast.Node
}

// pairs gives a mapping in its order.
func (d *document) pairs(n ast.Node, field string) []pair {
	m, ok := asMap(n)
	if !ok {
		d.fail(n, field, "This must be “key: value” pairs, not %s.", kind(n))
		return nil
	}
	var out []pair
	seen := map[string]bool{}
	for it := m.MapRange(); it.Next(); {
		name := it.Key().String()
		if s, ok := it.Key().(*ast.StringNode); ok {
			name = s.Value
		}
		if seen[name] {
			d.fail(it.Key(), join(field, name), "The key %q stands here twice.", name)
			continue
		}
		seen[name] = true
		out = append(out, pair{name, it.Value()})
	}
	return out
}

// mapping gives the values of a mapping by key. Keys not in known are mistakes.
func (d *document) mapping(n ast.Node, field string, known ...string) map[string]ast.Node {
	out := map[string]ast.Node{}
	for _, p := range d.pairs(n, field) {
		if !slices.Contains(known, p.key) {
			d.fail(p.value, join(field, p.key), "There is no key %q here. Known keys: %s.", p.key, strings.Join(known, ", "))
			continue
		}
		out[p.key] = p.value
	}
	return out
}

func (d *document) list(n ast.Node, field string) []ast.Node {
	if n == nil {
		return nil
	}
	s, ok := asList(n)
	if !ok {
		d.fail(n, field, "This must be a list, as [a, b] or one “- ” a line, not %s.", kind(n))
		return nil
	}
	var out []ast.Node
	for it := s.ArrayRange(); it.Next(); {
		out = append(out, it.Value())
	}
	return out
}

// text gives a string; an absent one is "".
func (d *document) text(n ast.Node, field string) string {
	switch n := n.(type) {
	case nil:
		return ""
	case *ast.StringNode:
		if strings.ContainsFunc(n.Value, func(r rune) bool { return r < ' ' || r == 0x7f }) {
			d.fail(n, field, "This holds a character that cannot be seen: write it again.")
			return ""
		}
		return strings.TrimSpace(n.Value)
	}
	d.fail(n, field, "This must be text on one line, not %s: put it in quotes.", kind(n))
	return ""
}

func (d *document) texts(n ast.Node, field string) []named {
	var out []named
	for i, e := range d.list(n, field) {
		out = append(out, named{d.text(e, fmt.Sprintf("%s[%d]", field, i+1)), e})
	}
	return out
}

// named is a word with its place.
type named struct {
	word string
	node ast.Node
}

// number gives a whole number from low to high.
func (d *document) number(n ast.Node, field string, low, high int) int {
	if i, ok := n.(*ast.IntegerNode); ok {
		if v, ok := i.Value.(uint64); ok && v <= uint64(high) && v >= uint64(low) {
			return int(v)
		}
	}
	d.fail(n, field, "This must be a whole number from %d to %d.", low, high)
	return low
}

func join(field, key string) string {
	if field == "" {
		return key
	}
	return field + "." + key
}

// kind names what stands where something else should. Values are not quoted: they
// may be secret.
func kind(n ast.Node) string {
	switch n.(type) {
	case nil, *ast.NullNode:
		return "nothing"
	case *ast.StringNode:
		return "text"
	case *ast.LiteralNode:
		return "a block of text"
	case *ast.IntegerNode, *ast.FloatNode, *ast.InfinityNode, *ast.NanNode:
		return "a number"
	case *ast.BoolNode:
		return "true or false"
	}
	if _, ok := asMap(n); ok {
		return "“key: value” pairs"
	}
	if _, ok := asList(n); ok {
		return "a list"
	}
	return "an anchor, alias or tag (these are not used here)"
}
