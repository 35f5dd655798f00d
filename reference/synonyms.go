package reference

import (
	"fmt"
	"io/fs"
	"maps"
	"regexp"
	"slices"

	"github.com/goccy/go-yaml/ast"
)

// Synonyms are the lay words the search knows besides those in the entries.
type Synonyms struct {
	// Groups of words and short phrases that people use for one another.
	Groups [][]string
	// Seen and Kind give plain words for structured ones; they are indexed with
	// every entry that has such a sign or kind.
	Seen map[Seen][]string
	Kind map[Kind][]string
}

// A word, or up to three of them: small letters and digits, hyphens and apostrophes inside.
var synonymForm = regexp.MustCompile(`^[\p{Ll}\p{Nd}]+(['-][\p{Ll}\p{Nd}]+)*( [\p{Ll}\p{Nd}]+(['-][\p{Ll}\p{Nd}]+)*){0,2}$`)

// readSynonyms reads synonyms.yaml. Having none is no problem.
func readSynonyms(fsys fs.FS) (Synonyms, Problems) {
	var s Synonyms
	src, err := fs.ReadFile(fsys, "synonyms.yaml")
	if err != nil {
		return s, nil
	}
	d := &document{file: "synonyms.yaml"}
	top := d.open(src)
	if top == nil {
		return s, d.problems
	}
	m := d.mapping(top, "", []string{"groups", "seen", "kind"})
	for i, n := range d.list(m["groups"], "groups") {
		at := fmt.Sprintf("groups[%d]", i)
		group := d.texts(n, at)
		if len(group) == 0 {
			d.fail(d.line(at), at, "A group needs at least one word.")
		}
		d.synonymWords(at, group)
		s.Groups = append(s.Groups, group)
	}
	s.Seen = layWords(d, m["seen"], "seen", seens)
	s.Kind = layWords(d, m["kind"], "kind", kinds)
	return s, d.problems
}

func layWords[T ~string](d *document, n ast.Node, path string, v vocabulary[T]) map[T][]string {
	if n == nil {
		return nil
	}
	known := make([]string, len(v))
	for i, t := range v {
		known[i] = string(t.id)
	}
	out := make(map[T][]string)
	m := d.mapping(n, path, known)
	for _, k := range slices.Sorted(maps.Keys(m)) {
		ws := d.texts(m[k], join(path, k))
		d.synonymWords(join(path, k), ws)
		out[T(k)] = ws
	}
	return out
}

func (d *document) synonymWords(at string, words []string) {
	for j, w := range words {
		if !synonymForm.MatchString(w) {
			path := fmt.Sprintf("%s[%d]", at, j)
			d.fail(d.line(path), path, "%q must be one to three words in small letters.", w)
		}
	}
}
