package kiosk

import (
	"io/fs"
	"net/http/httptest"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/gin-gonic/gin"

	"lastlook/assets"
	"lastlook/internal/say"
)

func TestDesignRenders(t *testing.T) {
	s := newTestScreens(t)
	w := get(t, s.newEngine(), "/design")
	if w.Code != 200 || !strings.Contains(w.Body.String(), "K-2041") {
		t.Fatalf("GET /design = %d, %.400s", w.Code, w.Body.String())
	}
}

// overlay is the embedded files with some changed, added or (nil) taken away.
func overlay(t *testing.T, change map[string][]byte) fs.FS {
	t.Helper()
	m := fstest.MapFS{}
	err := fs.WalkDir(assets.FS, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := fs.ReadFile(assets.FS, name)
		m[name] = &fstest.MapFile{Data: b}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	for name, b := range change {
		if b == nil {
			delete(m, name)
		} else {
			m[name] = &fstest.MapFile{Data: b}
		}
	}
	return m
}

func TestStartFailsOnBrokenPages(t *testing.T) {
	for _, tt := range []struct {
		name   string
		change map[string][]byte
		want   string
	}{
		{"declared but missing", map[string][]byte{"templates/pages/design.html": nil}, `page "design" is declared`},
		{"there but undeclared", map[string][]byte{"templates/pages/stray.html": []byte(`{{define "main"}}{{end}}`)}, "stray.html is there"},
		{"does not parse", map[string][]byte{"templates/pages/design.html": []byte(`{{define "main"}}{{`)}, `page "design"`},
		{"defines no main", map[string][]byte{"templates/pages/design.html": []byte(`nothing`)}, `no template "main"`},
		{"layout missing", map[string][]byte{"templates/layout.html": nil}, "layout"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, err := parseScreens(screensConfig{}, overlay(t, tt.change), pages)
			if err == nil || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("parseScreens() = %v, want an error with %q", err, tt.want)
			}
		})
	}
}

// A page that fails half way must not show its first half.
func TestRenderFailureLeavesNoHalfPage(t *testing.T) {
	s, err := parseScreens(screensConfig{Demo: true, Log: newTestScreens(t).Log},
		overlay(t, map[string][]byte{"templates/pages/design.html": []byte(`{{define "main"}}FIRST HALF{{.NoSuchField}}{{end}}`)}), pages)
	if err != nil {
		t.Fatal(err)
	}
	w := get(t, s.newEngine(), "/design")
	body := w.Body.String()
	if w.Code != 500 || strings.Contains(body, "FIRST HALF") || strings.Contains(body, "NoSuchField") || !strings.Contains(body, "Something went wrong") {
		t.Errorf("GET /design with a misspelt field = %d %.300s, want a neutral 500 page", w.Code, body)
	}
}

func TestRefusedPagesKeepTheAddress(t *testing.T) {
	s := newTestScreens(t)
	w := httptest.NewRecorder()
	c, _ := gin.CreateTestContext(w)
	c.Request = httptest.NewRequest("POST", "/x", nil)
	if err := s.render(c, 422, errorPage, &errorView{Base: s.page(c, say.T("Not here"))}); err != nil {
		t.Fatal(err)
	}
	if got := w.Header().Get("HX-Push-Url"); got != "false" {
		t.Errorf("HX-Push-Url of a 422 page = %q, want false", got)
	}
}
