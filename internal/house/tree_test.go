package house

import (
	"bytes"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"unicode/utf8"
)

// tree is the checkout as the tests see it: what .gitignore leaves, without dot
// folders. Names are relative to the root, with slashes.
type tree struct {
	root    string
	ignored ignore
	files   []string
	source  []*source
}

// source is one Go file.
type source struct {
	name string // from the root
	dir  string // its package's folder, from the root
	test bool
	fset *token.FileSet
	ast  *ast.File
}

// at gives file and line, for messages.
func (s *source) at(n ast.Node) string {
	p := s.fset.Position(n.Pos())
	return s.name + ":" + strconv.Itoa(p.Line)
}

// imports gives the paths the file imports, with the name each is used by.
func (s *source) imports() map[string]string {
	out := map[string]string{}
	for _, imp := range s.ast.Imports {
		p := strings.Trim(imp.Path.Value, `"`)
		name := path.Base(p)
		if name == "v2" || name == "v3" {
			name = path.Base(path.Dir(p))
		}
		if imp.Name != nil {
			name = imp.Name.Name
		}
		out[p] = name
	}
	return out
}

// module is the module's path, and so the start of each own import.
const module = "lastlook"

// local gives the folder of an own package, or "" for a package of others.
func local(imported string) string {
	if rest, ok := strings.CutPrefix(imported, module+"/"); ok {
		return rest
	}
	return ""
}

// readTree reads the checkout. It fails if what it finds is too little to be one,
// so that no rule is kept only because nothing was looked at.
func readTree(t *testing.T) *tree {
	t.Helper()
	root, err := filepath.Abs(filepath.Join("..", ".."))
	if err != nil {
		t.Fatal(err)
	}
	rules, err := os.ReadFile(filepath.Join(root, ".gitignore"))
	if err != nil {
		t.Fatalf("the tests of the house need a checkout: %v", err)
	}
	tr := &tree{root: root, ignored: parseIgnore(string(rules))}
	err = filepath.WalkDir(root, func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(root, p)
		if err != nil {
			return err
		}
		name := filepath.ToSlash(rel)
		switch {
		case name == ".":
			return nil
		case d.IsDir() && (name == ".git" || tr.ignored.match(name, true)):
			return fs.SkipDir
		case d.IsDir() || tr.ignored.match(name, false):
			return nil
		}
		tr.files = append(tr.files, name)
		if strings.HasSuffix(name, ".go") && !strings.Contains("/"+name, "/testdata/") {
			fset := token.NewFileSet()
			f, err := parseFile(fset, p, nil)
			if err != nil {
				return err
			}
			tr.source = append(tr.source, &source{
				name: name, dir: path.Dir(name), test: strings.HasSuffix(name, "_test.go"), fset: fset, ast: f,
			})
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(tr.files) < 200 || len(tr.source) < 100 {
		t.Fatalf("found %d files, %d of them Go, in %s: that is not the whole checkout", len(tr.files), len(tr.source), root)
	}
	return tr
}

// parseFile parses a Go file; src nil means that it is read from disk.
func parseFile(fset *token.FileSet, name string, src any) (*ast.File, error) {
	return parser.ParseFile(fset, name, src, parser.ParseComments|parser.SkipObjectResolution)
}

// text gives the content of a file, and false for one that is not text.
func (tr *tree) text(t *testing.T, name string) (string, bool) {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(tr.root, filepath.FromSlash(name)))
	if err != nil {
		t.Fatal(err)
	}
	return string(b), utf8.Valid(b) && !bytes.ContainsRune(b, 0)
}

// packages gives the folders that hold Go files, in order.
func (tr *tree) packages() []string {
	var out []string
	for _, s := range tr.source {
		out = append(out, s.dir)
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// ignore is what .gitignore says, as far as ours uses it: a pattern with a slash
// in front counts from the root, one without counts at any depth, a slash behind
// means a folder, "**/" means any depth. Git's "!" is not understood.
type ignore []ignoreRule

type ignoreRule struct {
	pattern string
	rooted  bool
	folder  bool
}

func parseIgnore(text string) ignore {
	var out ignore
	for line := range strings.Lines(text) {
		line = strings.TrimSpace(line)
		if line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		r := ignoreRule{pattern: line}
		r.pattern, r.folder = strings.CutSuffix(r.pattern, "/")
		r.pattern, r.rooted = strings.CutPrefix(r.pattern, "/")
		r.pattern = strings.TrimPrefix(r.pattern, "**/")
		out = append(out, r)
	}
	return out
}

// match reports whether the file or folder itself is ignored; a walk that skips
// ignored folders needs no more.
func (ig ignore) match(name string, folder bool) bool {
	for _, r := range ig {
		if r.folder && !folder {
			continue
		}
		tail := name
		if !r.rooted {
			// As many last parts of the name as the pattern has.
			parts := strings.Split(name, "/")
			if n := strings.Count(r.pattern, "/") + 1; n < len(parts) {
				tail = strings.Join(parts[len(parts)-n:], "/")
			}
		}
		if ok, err := path.Match(r.pattern, tail); err == nil && ok {
			return true
		}
	}
	return false
}

// covers reports whether a file is ignored, itself or through a folder it is in.
func (ig ignore) covers(name string) bool {
	for i, r := range name {
		if r == '/' && ig.match(name[:i], true) {
			return true
		}
	}
	return ig.match(name, false)
}
