package house

import (
	"go/ast"
	"go/token"
	"io/fs"
	"path"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"lastlook/assets"
)

// topLevel is all that stands at the top level, besides names that start with a dot.
var topLevel = []string{
	"DEVELOPERS.md", "README.md", "assets", "cmd", "go.mod", "go.sum", "internal", "kiosk", "reference", "testdata",
}

// pure are the packages that compute and nothing else: what they give follows
// from what they are given.
var pure = []string{
	"internal/code",
	"internal/consignment",
	"internal/dose",
	"internal/draw",
	"internal/ladder",
	"internal/learn",
	"internal/notify",
	"internal/trace",
	"internal/order",
	"internal/people",
	"internal/place",
	"internal/practice",
	"internal/photo",
	"internal/record",
	"internal/rules",
	"internal/sampling",
	"internal/exact",
	"internal/say",
	"internal/symbol",
	"internal/vrf",
}

// keptOut is what pure packages do not import, with the reason. A path stands
// for everything below it as well.
var keptOut = []struct{ path, why string }{
	{"github.com/gin-gonic/gin", "a decision must not depend on having been asked over HTTP"},
	{"net", "a pure package talks to nobody; package kiosk meets the network"},
	{"gorm.io", "events come in as values; package store keeps them"},
	{"github.com/pressly/goose", "events come in as values; package store keeps them"},
	{"modernc.org/sqlite", "events come in as values; package store keeps them"},
	{"database/sql", "events come in as values; package store keeps them"},
	{"github.com/blevesearch", "searching belongs to package reference"},
	{"os", "files, variables and arguments are read outside and handed in"},
	{"syscall", "files, variables and arguments are read outside and handed in"},
	{"golang.org/x/sys", "files, variables and arguments are read outside and handed in"},
	{"log", "what went wrong is returned to whoever knows what to do about it"},
	{"crypto/rand", "chance comes as an argument: what was drawn once must come out again"},
}

// netAllowed are parts of net that only take text apart.
var netAllowed = []string{"net/url", "net/netip"}

// uncalled are functions that pure packages do not use, although they may import
// the package: they read the clock, the machine or chance.
var uncalled = []struct {
	path  string
	names string // space between; * is every function but those in except
	but   string
	why   string
}{
	{path: "time", names: "Now Since Until Sleep After AfterFunc Tick NewTimer NewTicker", why: "time comes as an argument"},
	{path: "time", names: "Local LoadLocation", why: "the place whose time it is comes as an argument"},
	{path: "math/rand", names: "*", but: "New NewSource NewZipf Rand Source Source64 Zipf", why: "chance comes as an argument"},
	{path: "math/rand/v2", names: "*", but: "New NewPCG NewChaCha8 NewZipf Rand Source PCG ChaCha8 Zipf", why: "chance comes as an argument"},
	{path: "fmt", names: "Print Printf Println Scan Scanf Scanln", why: "a pure package has no terminal"},
}

// owners are libraries that one part of the house uses, so that the rest could
// be kept if the library had to go. In tests the same holds.
var owners = []struct {
	path   string
	owners []string
	why    string
}{
	{"github.com/gin-gonic/gin", []string{"kiosk"}, "only package kiosk reads requests"},
	{"gorm.io", []string{"internal/store"}, "rows and SQL stay inside package store"},
	{"github.com/pressly/goose", []string{"internal/store"}, "migrations are package store's"},
	{"github.com/blevesearch", []string{"reference"}, "the index stays inside package reference"},
	{"codeberg.org/go-pdf", []string{"internal/paper"}, "PDF is made in package paper"},
	{"github.com/wneessen/go-mail", []string{"internal/notify/courier"}, "mail is sent by package courier"},
	{"github.com/boombuler/barcode", []string{"internal/symbol"}, "barcodes are made in package symbol"},
	{"github.com/chromedp", []string{"internal/browsertest", "internal/handtest", "kiosk"}, "the browser is driven through package browsertest, in tests only"},
	{"html/template", []string{"kiosk", "reference"}, "pages are rendered by package kiosk"},
}

// arrows say which way dependencies point: from may not import to.
var arrows = []struct {
	from *regexp.Regexp
	to   *regexp.Regexp
	why  string
}{
	{regexp.MustCompile(`.`), regexp.MustCompile(`^cmd/`), "a command is wiring, there is nothing in it to share"},
	{regexp.MustCompile(`^(internal|reference|assets)(/|$)`), regexp.MustCompile(`^kiosk(/|$)`), "dependencies point inwards: cmd, kiosk, the rest, the core"},
	{regexp.MustCompile(`^assets(/|$)`), regexp.MustCompile(`.`), "assets are files, they know nobody"},
	{regexp.MustCompile(`^internal/say$`), regexp.MustCompile(`.`), "everybody says sentences, so package say knows nobody"},
	{regexp.MustCompile(`^internal/`), regexp.MustCompile(`^reference(/|$)`), "the core decides on what the reference says, handed in as values"},
	{regexp.MustCompile(`^reference(/|$)`), regexp.MustCompile(`^internal/(store|paper|record|intake|label|demo)$`), "the reference can be used without a data folder"},
	{regexp.MustCompile(`^internal/store$`), regexp.MustCompile(`^internal/(paper|record|label|symbol)$`), "what is kept does not depend on how it is shown"},
}

// unmentioned is what no file in the tree says: somebody who reads it later
// could not follow it. The patterns are written so as not to find themselves.
var unmentioned = []struct {
	what    string
	pattern *regexp.Regexp
}{
	{"a path of one machine", regexp.MustCompile(`(^|[^A-Za-z0-9.\])}/_-])/([w]ork|[r]oot|[h]ome)/[A-Za-z.]`)},
	{"a scratch path of one machine", regexp.MustCompile(`(^|[^A-Za-z0-9.\])}_-])/[t]mp/[A-Za-z]`)},
	{"a number in a tracker", regexp.MustCompile(`(?i)(^|[^-\w])([i]ssue|[t]icket|[p]ull request|[m]erge request|[c]loses|[f]ixes)\s+#?\d`)},
	{"a number in a tracker", regexp.MustCompile(`(^|[^:\s]\s|\()[#]\d{1,5}([\s),.:]|$)`)},
	{"where an idea came from", regexp.MustCompile(`(?i)\b[t]h(e|is) (talk|video|transcript|seed document|keynote|webinar)\b`)},
	{"how the text was written", regexp.MustCompile(`(?i)\b([p]rompt engineering|[s]ystem prompt|[u]ser prompt|[t]he prompt|[l]anguage model|[c]hat ?bot|[c]opilot|[a]i[ -](agent|assistant|generated|tool)s?|[a]gent session|[s]ub-?agent|[c]ontext window|[a]s an ai)\b|\b[L]LMs?\b`)},
	{"a note that is not in the tree", regexp.MustCompile(`\b([d]esign|[c]raft|[l]ibraries|[s]creens|[b]rief)\.md\b|(?i)\b[s]hared (folder|picture|note)s?\b`)},
	{"a host that serves modules or packages", regexp.MustCompile(`(?i)\b([p]roxy|[s]um)\.golang\.org|\b[g]oproxy\.|\b[r]egistry\.npmjs|\b[p]ypi\.org|\b[d]eb\.debian\.org`)},
	{"work left undone", regexp.MustCompile(`\b([T]ODO|[F]IXME|[X]XX)\b`)},
}

// unread are files that others wrote, taken in as they are.
var unread = regexp.MustCompile(`^go\.sum$|\.min\.js$|(^|/)(OFL|[a-z]+-LICENSE[A-Z0-9-]*)\.txt$`)

// colours are files in which a number sign stands before a colour or a part of
// an address.
var colours = regexp.MustCompile(`\.(css|svg|html|js)$`)

func TestTopLevelHoldsWhatTheGuideNames(t *testing.T) {
	tr := readTree(t)
	var found []string
	for _, f := range tr.files {
		first, _, _ := strings.Cut(f, "/")
		if !strings.HasPrefix(first, ".") && !slices.Contains(found, first) {
			found = append(found, first)
		}
	}
	slices.Sort(found)
	for _, name := range found {
		if !slices.Contains(topLevel, name) {
			t.Errorf("%s stands at the top level, which holds only %s", name, strings.Join(topLevel, ", "))
		}
	}
	for _, name := range topLevel {
		if !slices.Contains(found, name) {
			t.Errorf("%s is missing from the top level", name)
		}
	}
}

func TestPurePackages(t *testing.T) {
	tr := readTree(t)
	seen := map[string]int{}
	for _, s := range tr.source {
		if s.test || !slices.Contains(pure, s.dir) {
			continue
		}
		seen[s.dir]++
		for _, v := range impurities(s) {
			t.Error(v)
		}
	}
	for _, dir := range pure {
		if seen[dir] == 0 {
			t.Errorf("%s is called pure, but has no Go files", dir)
		}
	}
}

// impurities lists what makes a file of a pure package impure.
func impurities(s *source) []string {
	var out []string
	imports := s.imports()
	for imp, name := range imports {
		for _, k := range keptOut {
			if under(imp, k.path) && !slices.Contains(netAllowed, imp) {
				out = append(out, s.name+" imports "+imp+": "+k.why)
			}
		}
		if dir := local(imp); dir != "" && !slices.Contains(pure, dir) {
			out = append(out, s.name+" imports "+imp+", which is not pure: then neither is this package")
		}
		for _, u := range uncalled {
			if u.path == imp && name == "." {
				out = append(out, s.name+" imports "+imp+" into its own names, where it cannot be seen what is used")
			}
		}
	}
	ast.Inspect(s.ast, func(n ast.Node) bool {
		sel, ok := n.(*ast.SelectorExpr)
		if !ok {
			return true
		}
		x, ok := sel.X.(*ast.Ident)
		if !ok {
			return true
		}
		for _, u := range uncalled {
			if name, ok := imports[u.path]; !ok || name != x.Name {
				continue
			}
			hit := slices.Contains(strings.Fields(u.names), sel.Sel.Name)
			if u.names == "*" {
				hit = !slices.Contains(strings.Fields(u.but), sel.Sel.Name)
			}
			if hit {
				out = append(out, s.at(n)+" uses "+u.path+"."+sel.Sel.Name+": "+u.why)
			}
		}
		return true
	})
	return out
}

// under reports whether an import is the path or something below it.
func under(imp, base string) bool { return imp == base || strings.HasPrefix(imp, base+"/") }

func TestLibrariesHaveOneOwner(t *testing.T) {
	tr := readTree(t)
	used := map[string]bool{}
	for _, s := range tr.source {
		for imp := range s.imports() {
			for _, o := range owners {
				if !under(imp, o.path) {
					continue
				}
				used[o.path] = true
				if !slices.Contains(o.owners, s.dir) {
					t.Errorf("%s imports %s: %s", s.name, imp, o.why)
				}
			}
		}
	}
	for _, o := range owners {
		if !used[o.path] {
			t.Errorf("nothing imports %s: the rule about it has no object", o.path)
		}
	}
}

func TestDependenciesPointInwards(t *testing.T) {
	tr := readTree(t)
	own := 0
	for _, s := range tr.source {
		for imp := range s.imports() {
			to := local(imp)
			if to == "" {
				continue
			}
			own++
			for _, a := range arrows {
				if to != s.dir && a.from.MatchString(s.dir) && a.to.MatchString(to) {
					t.Errorf("%s imports %s: %s", s.name, imp, a.why)
				}
			}
			if helper(to) && !s.test && !helper(s.dir) {
				t.Errorf("%s imports %s, which is for tests", s.name, imp)
			}
		}
	}
	if own < 100 {
		t.Errorf("found %d imports of own packages: the tree was not read", own)
	}
}

// helper reports whether a package is there for tests of others. Its name ends in test.
func helper(dir string) bool { return strings.HasSuffix(dir, "test") }

func TestPackagesSayWhatTheyAreFor(t *testing.T) {
	tr := readTree(t)
	docs := map[string][]string{}
	for _, s := range tr.source {
		if s.test {
			continue
		}
		docs[s.dir] = append(docs[s.dir], "")
		if s.ast.Doc != nil {
			docs[s.dir] = append(docs[s.dir], s.ast.Doc.Text())
		}
	}
	for dir, texts := range docs {
		start := "Package " + path.Base(dir) + " "
		if strings.HasPrefix(dir, "cmd/") {
			start = "Command " + path.Base(dir) + " "
		}
		n := 0
		for _, text := range texts {
			if text == "" {
				continue
			}
			n++
			if !strings.HasPrefix(text, start) {
				t.Errorf("the doc comment of %s begins %.40q, want %q", dir, text, start)
			}
			if len(strings.Fields(text)) < 12 {
				t.Errorf("the doc comment of %s is %q: say what it is for, what to use first, what it will not do", dir, text)
			}
		}
		if n != 1 {
			t.Errorf("%s has %d package doc comments, want 1", dir, n)
		}
	}
}

func TestExportedNamesAreExplained(t *testing.T) {
	tr := readTree(t)
	asked := map[string][]string{}
	for _, s := range tr.source {
		asked[s.dir] = append(asked[s.dir], askedFor(s)...)
	}
	n := 0
	for _, s := range tr.source {
		if s.test {
			continue
		}
		exported, silent := unexplained(s, asked[s.dir])
		n += exported
		for _, u := range silent {
			t.Errorf("%s has no comment", u)
		}
	}
	if n < 200 {
		t.Errorf("found %d exported names: the tree was not read", n)
	}
}

// unexplained counts the exported names of a file and lists those without a
// comment. In a group, a comment on the group or on the line is enough. Left out
// are methods of types that are not exported, which nobody can look up, and those
// that an interface of the package asks for, which is where they are explained.
func unexplained(s *source, asked []string) (exported int, silent []string) {
	say := func(n ast.Node, name string, docs ...*ast.CommentGroup) {
		exported++
		for _, d := range docs {
			if d != nil && strings.TrimSpace(d.Text()) != "" {
				return
			}
		}
		silent = append(silent, s.at(n)+" "+name)
	}
	for _, d := range s.ast.Decls {
		switch d := d.(type) {
		case *ast.FuncDecl:
			if !d.Name.IsExported() {
				continue
			}
			name := d.Name.Name
			if d.Recv != nil && len(d.Recv.List) > 0 {
				recv := receiver(d.Recv.List[0].Type)
				if !ast.IsExported(recv) || slices.Contains(asked, name) {
					continue
				}
				name = recv + "." + name
			}
			say(d, name, d.Doc)
		case *ast.GenDecl:
			for _, spec := range d.Specs {
				switch spec := spec.(type) {
				case *ast.TypeSpec:
					if spec.Name.IsExported() {
						group := d.Doc
						if d.Lparen.IsValid() {
							group = nil // each type of a group is a thing of its own
						}
						say(spec, spec.Name.Name, spec.Doc, spec.Comment, group)
					}
				case *ast.ValueSpec:
					for _, id := range spec.Names {
						if id.IsExported() {
							say(id, id.Name, spec.Doc, spec.Comment, d.Doc)
						}
					}
				}
			}
		}
	}
	return exported, silent
}

// askedFor lists the methods that the interfaces of a file ask for.
func askedFor(s *source) []string {
	var out []string
	ast.Inspect(s.ast, func(n ast.Node) bool {
		it, ok := n.(*ast.InterfaceType)
		if !ok {
			return true
		}
		for _, m := range it.Methods.List {
			for _, id := range m.Names {
				out = append(out, id.Name)
			}
		}
		return true
	})
	return out
}

// receiver gives the name of a method's type.
func receiver(e ast.Expr) string {
	switch e := e.(type) {
	case *ast.StarExpr:
		return receiver(e.X)
	case *ast.IndexExpr:
		return receiver(e.X)
	case *ast.IndexListExpr:
		return receiver(e.X)
	case *ast.Ident:
		return e.Name
	}
	return ""
}

func TestFilesMentionNothingOutsideTheTree(t *testing.T) {
	tr := readTree(t)
	read := 0
	for _, name := range tr.files {
		if unread.MatchString(name) {
			continue
		}
		text, ok := tr.text(t, name)
		if !ok {
			continue
		}
		read++
		for _, m := range mentions(name, text) {
			t.Error(m)
		}
	}
	if read < 200 {
		t.Errorf("read %d files: the tree was not read", read)
	}
}

// mentions lists what a text says that no file should.
func mentions(name, text string) []string {
	var out []string
	n := 0
	for line := range strings.Lines(text) {
		n++
		for _, u := range unmentioned {
			if u.what == "a number in a tracker" && colours.MatchString(name) {
				continue
			}
			if m := u.pattern.FindString(line); m != "" {
				out = append(out, name+":"+strconv.Itoa(n)+" mentions "+u.what+": "+strconv.Quote(m))
			}
		}
	}
	return out
}

func TestAssetsAreEmbedded(t *testing.T) {
	tr := readTree(t)
	onDisk := 0
	for _, name := range tr.files {
		rest, ok := strings.CutPrefix(name, "assets/")
		if !ok || strings.HasSuffix(rest, ".go") || strings.HasPrefix(rest, "testdata/") {
			continue
		}
		onDisk++
		if _, err := fs.Stat(assets.FS, rest); err != nil {
			t.Errorf("%s is not embedded: add its folder to the pattern in assets/assets.go (%v)", name, err)
		}
	}
	err := fs.WalkDir(assets.FS, ".", func(name string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() && !slices.Contains(tr.files, "assets/"+name) {
			t.Errorf("%s is embedded, but no file of the tree: a leftover would be shipped", name)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if onDisk < 50 {
		t.Errorf("found %d assets: the tree was not read", onDisk)
	}
}

func TestIgnored(t *testing.T) {
	tr := readTree(t)
	for _, tt := range []struct {
		name string
		want bool
		why  string
	}{
		{"lastlook", true, "what go build ./cmd/lastlook leaves"},
		{"kiosk.test", true, "what go test -c leaves"},
		{"internal/code/code.test", true, "what go test -c leaves"},
		{"cover.out", true, "what go test -coverprofile leaves"},
		{"internal/draw/testdata/rapid/TestOrder/TestOrder-1.fail", true, "what a failing property leaves"},
		{"reference/testdata/rapid/TestSearch/TestSearch-1.fail", true, "what a failing property leaves"},
		{"lastlook.db", true, "a data folder used where it should not be"},
		{"lastlook.db-wal", true, "a data folder used where it should not be"},
		{"cmd/lastlook/main.go", false, "the command"},
		{"cmd/lastlook/testdata/record.json", false, "what tests compare with"},
		{"internal/draw/testdata/fuzz/FuzzOrder/corpus", false, "an input that once failed"},
		{".ci/run", false, "the checks"},
		{"README.md", false, "the front page"},
	} {
		if got := tr.ignored.covers(tt.name); got != tt.want {
			t.Errorf("ignored %s: %v, want %v (%s)", tt.name, got, tt.want, tt.why)
		}
	}
}

// The guide has a map of the house; a package that is not on it is not found.
func TestGuideNamesEveryPackage(t *testing.T) {
	tr := readTree(t)
	guide, ok := tr.text(t, "DEVELOPERS.md")
	if !ok {
		t.Fatal("DEVELOPERS.md is not text")
	}
	dirs := tr.packages()
	for _, dir := range dirs {
		if !strings.Contains(guide, "`"+dir+"`") {
			t.Errorf("DEVELOPERS.md does not name `%s`", dir)
		}
	}
	for _, doc := range []string{"README.md", "DEVELOPERS.md"} {
		text, ok := tr.text(t, doc)
		if !ok {
			t.Fatalf("%s is not text", doc)
		}
		for _, p := range paths(text) {
			if !tr.exists(p) {
				t.Errorf("%s speaks of %s, which is not there", doc, p)
			}
		}
	}
}

var hole = regexp.MustCompile(`[*…]|\b(NAME|ID)\b`)

var quoted = regexp.MustCompile("`((?:cmd|kiosk|reference|internal|assets|testdata|\\.ci)/[^` ]*)`")

// paths gives what a document puts in backquotes and means as a place in the tree.
// Places with a hole in them (NAME, ID, *, …) are left out.
func paths(text string) []string {
	var out []string
	for _, m := range quoted.FindAllStringSubmatch(text, -1) {
		if !hole.MatchString(m[1]) {
			out = append(out, strings.TrimSuffix(m[1], "/"))
		}
	}
	return out
}

// exists reports whether a file or a folder stands in the tree.
func (tr *tree) exists(name string) bool {
	return slices.ContainsFunc(tr.files, func(f string) bool { return f == name || strings.HasPrefix(f, name+"/") })
}

// Rules that never fail guard nothing: each finder is shown something to find.
func TestFindersFind(t *testing.T) {
	parse := func(src string) *source { return parseSource(t, "internal/draw/x.go", src) }
	for _, tt := range []struct {
		name string
		src  string
		want string // part of one complaint; "" means none
	}{
		{"gin", `package draw; import "github.com/gin-gonic/gin"; var _ = gin.New`, "over HTTP"},
		{"net/http", `package draw; import "net/http"; var _ = http.Get`, "talks to nobody"},
		{"net/url", `package draw; import "net/url"; var _ = url.Parse`, ""},
		{"gorm driver", `package draw; import _ "gorm.io/driver/sqlite"`, "package store"},
		{"bleve", `package draw; import "github.com/blevesearch/bleve/v2"; var _ = bleve.New`, "package reference"},
		{"os/exec", `package draw; import "os/exec"; var _ = exec.Command`, "handed in"},
		{"the store", `package draw; import "lastlook/internal/store"; var _ = store.Open`, "not pure"},
		{"the clock", `package draw; import "time"; func f() { _ = time.Now() }`, "x.go:1 uses time.Now"},
		{"the clock, kept", `package draw; import "time"; var now = time.Now`, "time.Now"},
		{"the clock, renamed", `package draw; import clock "time"; var now = clock.Since`, "time.Since"},
		{"the clock, poured in", `package draw; import . "time"; var now = Now`, "own names"},
		{"the zone", `package draw; import "time"; var z = time.Local`, "the place"},
		{"a time", `package draw; import "time"; func f(now time.Time) { _ = time.UTC }`, ""},
		{"chance", `package draw; import "math/rand/v2"; var n = rand.IntN(3)`, "chance"},
		{"chance, old", `package draw; import "math/rand"; var n = rand.Intn(3)`, "chance"},
		{"chance by argument", `package draw; import "math/rand/v2"; func f(s [32]byte) { rand.New(rand.NewChaCha8(s)).IntN(3) }`, ""},
		{"chance of the system", `package draw; import "crypto/rand"; var n = rand.Text`, "chance"},
		{"printing", `package draw; import "fmt"; func f() { fmt.Println() }`, "terminal"},
	} {
		got := impurities(parse(tt.src))
		if tt.want == "" && len(got) > 0 || tt.want != "" && !slices.ContainsFunc(got, func(g string) bool { return strings.Contains(g, tt.want) }) {
			t.Errorf("%s: impurities = %q, want %q", tt.name, got, tt.want)
		}
	}
	for _, tt := range []struct {
		name, src string
		want      int
	}{
		{"function", "package draw\nfunc Order() {}", 1},
		{"function, explained", "package draw\n// Order orders.\nfunc Order() {}", 0},
		{"method", "package draw\n// T is.\ntype T struct{}\nfunc (t *T) Do() {}", 1},
		{"method of a hidden type", "package draw\ntype t struct{}\nfunc (t) Do() {}", 0},
		{"method that an interface asks for", "package draw\n// I does.\ntype I interface{ Do() }\n// T is.\ntype T struct{}\nfunc (T) Do() {}", 0},
		{"group of types", "package draw\n// All.\ntype (\n\tA int\n\tB int // b\n)", 1},
		{"group of constants", "package draw\n// All.\nconst (\n\tA = 1\n\tB = 2\n)", 0},
		{"constant", "package draw\nconst A = 1", 1},
	} {
		s := parse(tt.src)
		if _, got := unexplained(s, askedFor(s)); len(got) != tt.want {
			t.Errorf("%s: unexplained = %q, want %d", tt.name, got, tt.want)
		}
	}
	for _, tt := range []struct {
		line string
		want bool
	}{
		{"see /w" + "ork/main/go.mod", true},
		{`open("/ro` + `ot/x")`, true},
		{"in /t" + "mp/shots", true},
		{"/work/ alone", false},
		{"a/work/b.html and https://example.org/home/x", false},
		{"iss" + "ue 12 is closed", true},
		{"fix" + "es #7", true},
		{"as in (#" + "41)", true},
		{"border: 1px solid #" + "888;", false},
		{"color: #" + "111", false},
		{"K-2041 # 12 packages", false},
		{"this issue is wet", false},
		{"as in the t" + "alk", true},
		{"the AI ag" + "ent wrote", true},
		{"the causal agent of the disease", false},
		{"answers promptly, at the session's end", false},
		{"see des" + "ign.md", true},
		{"from pro" + "xy.golang.org", true},
		{"TO" + "DO: more", true},
		{"to do: more", false},
	} {
		if got := mentions("x.go", tt.line); (len(got) > 0) != tt.want {
			t.Errorf("mentions(%q) = %q, want any: %v", tt.line, got, tt.want)
		}
	}
	if got := mentions("x.css", "color: #"+"112;"); len(got) > 0 {
		t.Errorf("a colour was taken for a number: %q", got)
	}
}

func parseSource(t *testing.T, name, src string) *source {
	t.Helper()
	s := &source{name: name, dir: path.Dir(name), fset: token.NewFileSet()}
	var err error
	if s.ast, err = parseFile(s.fset, name, src); err != nil {
		t.Fatal(err)
	}
	return s
}
