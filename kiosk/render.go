package kiosk

import (
	"bytes"
	"fmt"
	"html/template"
	"io/fs"
	"log/slog"
	"path"
	"slices"
	"strings"
	"time"

	"github.com/gin-gonic/gin"

	"lastlook/assets"
	"lastlook/internal/say"
	"lastlook/reference"
)

// page names one template in assets/templates/pages, without ".html". Pages are
// declared with declarePage, never spelt out where they are shown, so that a
// misspelt page does not compile.
type page string

// pages lists the declared pages. newScreens compares it with the files.
var pages []page

// declarePage declares a page. The Go file that owns the page calls it once:
//
//	var duePage = declarePage("due")
//
//	type dueView struct {
//		Base
//		Tags []Tag
//	}
func declarePage(name string) page {
	if slices.Contains(pages, page(name)) {
		panic("kiosk: page declared twice: " + name)
	}
	pages = append(pages, page(name))
	return page(name)
}

// view is what a page shows: a struct that embeds Base. A struct, not a map,
// because a misspelt field then fails instead of printing nothing.
type view interface{ base() *Base }

// screensConfig is what the screens need to know before the first request. The
// zero value serves English, from localhost only, outside demo mode.
type screensConfig struct {
	Bench   string           // the bench's name, shown at the top of each screen
	Demo    bool             // demo mode: /design is served and pages say "demo"
	Hosts   []string         // host names served besides localhost, without port
	Tongues []tongue         // languages, the first is the default; none means English
	Now     func() time.Time // the clock; nil means time.Now
	Log     *slog.Logger     // nil means slog.Default
	// Fill completes the Base of a page with what the handlers know: the person,
	// what just happened. It may be nil.
	Fill func(*gin.Context, *Base)
}

// screens renders pages. One is made at start and shared by all handlers.
type screens struct {
	screensConfig
	static *static
	// sets holds one parsed template set a page, for each language.
	sets map[string]map[page]*template.Template
}

// newScreens parses all templates and checks that the declared pages and the
// files in assets/templates/pages are the same, so that a missing or a
// forgotten page stops the program and not a shift.
func newScreens(cfg screensConfig) (*screens, error) {
	return parseScreens(cfg, assets.FS, pages)
}

func parseScreens(cfg screensConfig, files fs.FS, declared []page) (*screens, error) {
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	if cfg.Log == nil {
		cfg.Log = slog.Default()
	}
	if len(cfg.Tongues) == 0 {
		cfg.Tongues = []tongue{english}
	}
	st, err := newStatic(files)
	if err != nil {
		return nil, err
	}
	s := &screens{screensConfig: cfg, static: st, sets: map[string]map[page]*template.Template{}}
	if err := checkPages(files, declared); err != nil {
		return nil, err
	}
	for _, t := range cfg.Tongues {
		set := map[page]*template.Template{}
		shared, err := template.New("layout.html").Funcs(s.funcs(t)).
			ParseFS(files, "templates/layout.html", "templates/parts/*.html", "drawings/plant.svg")
		if err != nil {
			return nil, fmt.Errorf("kiosk: parse layout and parts: %w", err)
		}
		for _, p := range declared {
			c, err := shared.Clone()
			if err != nil {
				return nil, fmt.Errorf("kiosk: page %q: %w", p, err)
			}
			if set[p], err = c.ParseFS(files, "templates/pages/"+string(p)+".html"); err != nil {
				return nil, fmt.Errorf("kiosk: page %q: %w", p, err)
			}
			if set[p].Lookup("main") == nil {
				return nil, fmt.Errorf("kiosk: page %q defines no template %q", p, "main")
			}
		}
		s.sets[t.lang()] = set
	}
	return s, nil
}

// checkPages compares the declared pages with the files, both ways.
func checkPages(files fs.FS, declared []page) error {
	found, err := fs.Glob(files, "templates/pages/*.html")
	if err != nil {
		return err
	}
	var there []page
	for _, f := range found {
		there = append(there, page(strings.TrimSuffix(path.Base(f), ".html")))
	}
	for _, p := range declared {
		if !slices.Contains(there, p) {
			return fmt.Errorf("kiosk: page %q is declared, but templates/pages/%s.html is missing", p, p)
		}
	}
	for _, p := range there {
		if !slices.Contains(declared, p) {
			return fmt.Errorf("kiosk: templates/pages/%s.html is there, but no page %q is declared", p, p)
		}
	}
	return nil
}

// funcs is what templates may call besides the methods of Base. Parts get plain
// structs and use t and say; pages may write {{.T "…"}} as well.
func (s *screens) funcs(t tongue) template.FuncMap {
	return template.FuncMap{
		"t":      t.print,
		"say":    func(x say.Text) string { return x.With(t.print) },
		"asset":  s.static.url,
		"symbol": s.symbol,
		"sign":   s.sign,
		"list":   func(acts ...Act) []Act { return acts },
	}
}

// symbol draws one symbol of the sprite. It says nothing to a screen reader:
// there is always a word beside it.
func (s *screens) symbol(name string) template.HTML {
	return template.HTML(`<svg class="sym" aria-hidden="true" focusable="false"><use href="` +
		template.HTMLEscapeString(s.static.url("static/symbols.svg")+"#"+name) + `"></use></svg>`)
}

// sign draws what can be seen on a plant, by its name in the reference. The word
// stands beside it.
func (s *screens) sign(name reference.Seen) template.HTML {
	return template.HTML(`<svg class="sign" aria-hidden="true" focusable="false"><use href="` +
		template.HTMLEscapeString(s.static.url("drawings/signs.svg")+"#"+string(name)) + `"></use></svg>`)
}

// render writes a page. It renders to a buffer first, so that a failing
// template leaves no half page behind.
func (s *screens) render(c *gin.Context, status int, p page, v view) error {
	b := v.base()
	set, ok := s.sets[b.tongue.lang()]
	if !ok {
		return fmt.Errorf("kiosk: render %q: no language %q", p, b.tongue.lang())
	}
	t, ok := set[p]
	if !ok {
		return fmt.Errorf("kiosk: render: page %q is not declared", p)
	}
	var buf bytes.Buffer
	if err := t.ExecuteTemplate(&buf, "layout.html", v); err != nil {
		return fmt.Errorf("kiosk: render %q: %w", p, err)
	}
	if status >= 400 {
		// The address of a refused post is no place to come back to.
		c.Header("HX-Push-Url", "false")
	}
	c.Data(status, "text/html; charset=utf-8", buf.Bytes())
	return nil
}
