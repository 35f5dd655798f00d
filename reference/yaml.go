package reference

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"

	"lastlook/internal/say"
)

// document reads one YAML file. It walks the syntax tree itself rather than
// decode into structs, because a decoder stops at the first fault, and the person
// who writes entries wants all of them, each with its line.
type document struct {
	file     string
	problems Problems
	lines    map[string]int // line of each field, by path
}

func (d *document) fail(line int, path, key string, args ...any) {
	d.problems = append(d.problems, Problem{File: d.file, Line: line, Field: path, Text: say.T(key, args...)})
}

// open parses the file and gives its top mapping, or nil after noting why not.
func (d *document) open(src []byte) ast.Node {
	d.lines = make(map[string]int)
	if !utf8.Valid(src) {
		line := 1 + strings.Count(string(src[:validPrefix(src)]), "\n")
		d.fail(line, "", "The file is not UTF-8 text: save it again as UTF-8.")
		return nil
	}
	f, err := parser.ParseBytes(src, 0)
	if err != nil {
		line, msg := 0, err.Error()
		var ye yaml.Error
		if errors.As(err, &ye) {
			msg = ye.GetMessage()
			if tk := ye.GetToken(); tk != nil && tk.Position != nil {
				line = tk.Position.Line
			}
		}
		d.fail(line, "", "This is not valid YAML: %s. Check quotes, colons and indents near this line.", msg)
		return nil
	}
	docs := slices.DeleteFunc(slices.Clone(f.Docs), func(doc *ast.DocumentNode) bool { return doc.Body == nil })
	if len(docs) != 1 {
		d.fail(1, "", "The file must hold one document; it holds %d.", len(docs))
		return nil
	}
	return docs[0].Body
}

func validPrefix(src []byte) int {
	for i := 0; i < len(src); {
		r, n := utf8.DecodeRune(src[i:])
		if r == utf8.RuneError && n <= 1 {
			return i
		}
		i += n
	}
	return len(src)
}

func lineOf(n ast.Node) int {
	if n == nil {
		return 0
	}
	if tk := n.GetToken(); tk != nil && tk.Position != nil {
		return tk.Position.Line
	}
	return 0
}

// asMap takes a mapping for one. A tag or an anchor looks like one to the library
// as well, and trips over what it stands before when that is nothing.
func asMap(n ast.Node) (ast.MapNode, bool) {
	switch n := n.(type) {
	case *ast.MappingNode:
		return n, true
	case *ast.MappingValueNode:
		return n, true
	}
	return nil, false
}

// mapping gives the values of a mapping by key. Keys not in known are problems.
func (d *document) mapping(n ast.Node, path string, known []string) map[string]ast.Node {
	m, ok := asMap(n)
	if !ok {
		d.fail(lineOf(n), path, "This must be a list of “key: value” pairs, not %s.", kindOfNode(n))
		return nil
	}
	out := make(map[string]ast.Node)
	for it := m.MapRange(); it.Next(); {
		key := it.Key()
		name := key.String()
		line := lineOf(key)
		if s, ok := key.(*ast.StringNode); ok {
			name = s.Value
		}
		if !slices.Contains(known, name) {
			d.fail(line, join(path, name), "There is no key %q here. Known keys: %s.", name, strings.Join(known, ", "))
			continue
		}
		if _, twice := out[name]; twice {
			d.fail(line, join(path, name), "The key %q stands here twice.", name)
			continue
		}
		out[name] = it.Value()
		d.lines[join(path, name)] = line
	}
	d.lines[path] = lineOf(n)
	if len(out) > 0 && path != "" {
		// The token of a block mapping is its first colon; the first key reads better.
		for _, v := range out {
			d.lines[path] = min(d.lines[path], lineOf(v))
		}
	}
	return out
}

// list gives the elements of a sequence.
func (d *document) list(n ast.Node, path string) []ast.Node {
	if n == nil {
		return nil
	}
	s, ok := n.(*ast.SequenceNode)
	if !ok {
		d.fail(lineOf(n), path, "This must be a list, as [a, b] or one “- ” a line, not %s.", kindOfNode(n))
		return nil
	}
	var out []ast.Node
	for it := s.ArrayRange(); it.Next(); {
		d.lines[fmt.Sprintf("%s[%d]", path, len(out))] = lineOf(it.Value())
		out = append(out, it.Value())
	}
	return out
}

// text gives a string. An absent node gives "".
func (d *document) text(n ast.Node, path string) string {
	switch n := n.(type) {
	case nil:
		return ""
	case *ast.StringNode:
		return strings.TrimSpace(n.Value)
	case *ast.LiteralNode:
		return strings.TrimSpace(n.Value.Value)
	}
	d.fail(lineOf(n), path, "This must be text, not %s: put it in quotes.", kindOfNode(n))
	return ""
}

func (d *document) texts(n ast.Node, path string) []string {
	out := []string{}
	for i, e := range d.list(n, path) {
		out = append(out, d.text(e, fmt.Sprintf("%s[%d]", path, i)))
	}
	return out
}

func (d *document) flag(n ast.Node, path string) bool {
	if n == nil {
		return false
	}
	b, ok := n.(*ast.BoolNode)
	if !ok {
		d.fail(lineOf(n), path, "This must be true or false, not %s.", kindOfNode(n))
		return false
	}
	return b.Value
}

func (d *document) number(n ast.Node, path string) int {
	if n == nil {
		return 0
	}
	if i, ok := n.(*ast.IntegerNode); ok {
		switch v := i.Value.(type) {
		case uint64:
			if v <= math.MaxInt32 {
				return int(v)
			}
		case int64:
			if v >= math.MinInt32 {
				return int(v)
			}
		}
	}
	d.fail(lineOf(n), path, "This must be a whole number, not %s.", kindOfNode(n))
	return 0
}

// vocab gives a word of a vocabulary. Whether it is one is checked with the entry.
func vocab[T ~string](d *document, n ast.Node, path string) T { return T(d.text(n, path)) }

func vocabs[T ~string](d *document, n ast.Node, path string) []T {
	out := []T{}
	for i, e := range d.list(n, path) {
		out = append(out, vocab[T](d, e, fmt.Sprintf("%s[%d]", path, i)))
	}
	return out
}

// line finds the line of a field, or of the nearest field around it.
func (d *document) line(path string) int {
	for {
		if l, ok := d.lines[path]; ok && l > 0 {
			return l
		}
		cut := strings.LastIndexAny(path, ".[")
		if cut < 0 {
			return max(d.lines[""], 1)
		}
		path = path[:cut]
	}
}

func join(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}

func kindOfNode(n ast.Node) string {
	switch n := n.(type) {
	case nil, *ast.NullNode:
		return "nothing"
	case *ast.StringNode:
		return fmt.Sprintf("the text %q", n.Value)
	case *ast.LiteralNode:
		return "a block of text"
	case *ast.IntegerNode, *ast.FloatNode, *ast.InfinityNode, *ast.NanNode:
		return "the number " + n.String()
	case *ast.BoolNode:
		return n.String()
	case *ast.AliasNode, *ast.AnchorNode, *ast.TagNode, *ast.MergeKeyNode:
		return "an anchor, alias or tag (these are not used here)"
	}
	if _, ok := asMap(n); ok {
		return "“key: value” pairs"
	}
	if _, ok := n.(*ast.SequenceNode); ok {
		return "a list"
	}
	return string(n.Type().YAMLName())
}
