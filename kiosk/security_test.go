package kiosk

import (
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/gin-gonic/gin"
)

func TestHeaders(t *testing.T) {
	s := newTestScreens(t)
	e := s.newEngine()
	for _, path := range []string{"/design", "/nowhere", s.static.url("static/lastlook.css")} {
		h := get(t, e, path).Header()
		for name, want := range map[string]string{
			"Content-Security-Policy": contentPolicy,
			"X-Content-Type-Options":  "nosniff",
			"Referrer-Policy":         "same-origin",
		} {
			if got := h.Get(name); got != want {
				t.Errorf("GET %s: %s = %q, want %q", path, name, got, want)
			}
		}
	}
	if strings.Contains(contentPolicy, "unsafe") || strings.Contains(contentPolicy, "http") {
		t.Errorf("the content policy has a hole: %s", contentPolicy)
	}
	if got := get(t, e, "/design").Header().Get("Cache-Control"); got != "no-store" {
		t.Errorf("Cache-Control of a page = %q, want no-store", got)
	}
}

func TestHosts(t *testing.T) {
	s := newTestScreens(t)
	s.Hosts = []string{"bench.nursery.example"}
	e := s.newEngine()
	for host, want := range map[string]int{
		"localhost": 200, "localhost:8080": 200, "127.0.0.1:8080": 200, "[::1]:8080": 200, "127.1.2.3": 200,
		"bench.nursery.example": 200, "BENCH.nursery.example:80": 200,
		"evil.example": 421, "localhost.evil.example": 421, "10.0.0.7": 421, "": 421, "127.0.0.1.evil.example": 421,
	} {
		r := httptest.NewRequest("GET", "/design", nil)
		r.Host = host
		w := httptest.NewRecorder()
		e.ServeHTTP(w, r)
		if w.Code != want {
			t.Errorf("GET /design with host %q = %d, want %d", host, w.Code, want)
		}
	}
}

func TestForeignPostsAreRefused(t *testing.T) {
	s := newTestScreens(t)
	e := s.newEngine()
	var reached int
	e.POST("/x", s.handle(func(c *gin.Context) error { reached++; c.Status(204); return nil }))
	for _, tt := range []struct {
		name, header, value string
		status              int
	}{
		{"own page", "Sec-Fetch-Site", "same-origin", 204},
		{"another site", "Sec-Fetch-Site", "cross-site", 403},
		{"another origin", "Origin", "http://evil.example", 403},
		{"own origin", "Origin", "http://localhost", 204},
		{"no browser", "User-Agent", "tool", 204},
	} {
		r := httptest.NewRequest("POST", "http://localhost/x", nil)
		r.Header.Set(tt.header, tt.value)
		w := httptest.NewRecorder()
		e.ServeHTTP(w, r)
		if w.Code != tt.status {
			t.Errorf("%s: POST = %d, want %d", tt.name, w.Code, tt.status)
		}
	}
	if reached != 3 {
		t.Errorf("handler reached %d times, want 3", reached)
	}
}

func TestBodyLimit(t *testing.T) {
	s := newTestScreens(t)
	e := s.newEngine()
	read := s.handle(func(c *gin.Context) error {
		if _, err := io.ReadAll(c.Request.Body); err != nil {
			return err
		}
		c.Status(204)
		return nil
	})
	e.POST("/small", read)
	e.POST("/large", largerBody(3<<20), read)
	for _, tt := range []struct {
		path   string
		size   int
		status int
	}{
		{"/small", maxBody, 204}, {"/small", maxBody + 1, 413},
		{"/large", maxBody + 1, 204}, {"/large", 3<<20 + 1, 413},
	} {
		w := httptest.NewRecorder()
		e.ServeHTTP(w, httptest.NewRequest("POST", "http://localhost"+tt.path, strings.NewReader(strings.Repeat("x", tt.size))))
		if w.Code != tt.status {
			t.Errorf("POST %s with %d bytes = %d, want %d", tt.path, tt.size, w.Code, tt.status)
		}
	}
}

func TestTimeLimit(t *testing.T) {
	s := newTestScreens(t)
	e := s.newEngine("/events")
	has := func(c *gin.Context) error {
		if _, ok := c.Request.Context().Deadline(); ok {
			c.String(200, "deadline")
		} else {
			c.String(200, "open")
		}
		return nil
	}
	e.GET("/page", s.handle(has))
	e.GET("/events", s.handle(has))
	for path, want := range map[string]string{"/page": "deadline", "/events": "open"} {
		if got := get(t, e, path).Body.String(); got != want {
			t.Errorf("GET %s = %q, want %q", path, got, want)
		}
	}
	var srv http.Server
	harden(&srv)
	if srv.ReadHeaderTimeout <= 0 || srv.ReadHeaderTimeout > time.Minute || srv.ReadTimeout <= 0 || srv.WriteTimeout != 0 {
		t.Errorf("harden gives %v, %v, %v", srv.ReadHeaderTimeout, srv.ReadTimeout, srv.WriteTimeout)
	}
}

func TestLocalPath(t *testing.T) {
	for path, want := range map[string]string{
		"/c/K-2041": "/c/K-2041", "/due?sort=late": "/due?sort=late", "": "/", "due": "/",
		"//evil.example": "/", "http://evil.example/": "/", `/\evil.example`: "/", "javascript:alert(1)": "/", "/%2f/evil": "/%2f/evil",
	} {
		if got := localPath(path); got != want {
			t.Errorf("localPath(%q) = %q, want %q", path, got, want)
		}
	}
}

func TestThemeSwitch(t *testing.T) {
	s := newTestScreens(t)
	e := s.newEngine()
	post := func(body string) *httptest.ResponseRecorder {
		r := httptest.NewRequest("POST", "http://localhost/theme", strings.NewReader(body))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		w := httptest.NewRecorder()
		e.ServeHTTP(w, r)
		return w
	}
	w := post("theme=contrast&back=/design")
	if w.Code != 303 || w.Header().Get("Location") != "/design" || !strings.Contains(w.Header().Get("Set-Cookie"), "HttpOnly; SameSite=Lax") {
		t.Errorf("POST /theme = %d %v", w.Code, w.Header())
	}
	r := httptest.NewRequest("GET", "http://localhost/design", nil)
	r.AddCookie(w.Result().Cookies()[0])
	page := httptest.NewRecorder()
	e.ServeHTTP(page, r)
	if !strings.Contains(page.Body.String(), `<html lang="en" data-theme="contrast">`) {
		t.Error("the page does not follow the cookie")
	}
	if w := post("theme=pink"); w.Code != 422 {
		t.Errorf("POST /theme with an unknown look = %d, want 422", w.Code)
	}
}

func TestStaticFiles(t *testing.T) {
	s := newTestScreens(t)
	e := s.newEngine()
	for _, tt := range []struct{ path, kind, cache string }{
		{s.static.url("static/lastlook.css"), "text/css; charset=utf-8", "public, max-age=31536000, immutable"},
		{s.static.url("static/lastlook.js"), "text/javascript; charset=utf-8", "public, max-age=31536000, immutable"},
		{s.static.url("fonts/atkinson-hyperlegible-bold.woff2"), "font/woff2", "public, max-age=31536000, immutable"},
		{s.static.url("sounds/wrong.wav"), "audio/wav", "public, max-age=31536000, immutable"},
		{"/assets/an-old-hash/static/symbols.svg", "image/svg+xml", "no-cache"},
	} {
		w := get(t, e, tt.path)
		if w.Code != 200 || w.Body.Len() == 0 || w.Header().Get("Content-Type") != tt.kind || w.Header().Get("Cache-Control") != tt.cache {
			t.Errorf("GET %s = %d %q %q, want %q %q", tt.path, w.Code, w.Header().Get("Content-Type"), w.Header().Get("Cache-Control"), tt.kind, tt.cache)
		}
	}
	if w := get(t, e, "/assets/x/templates/layout.html"); w.Code != 404 {
		t.Errorf("templates are served: %d", w.Code)
	}
	other, err := newStatic(overlay(t, map[string][]byte{"static/lastlook.css": []byte("x")}))
	if err != nil || other.hash == s.static.hash {
		t.Errorf("hash of other files = %q, %v, want another than %q", other.hash, err, s.static.hash)
	}
}
