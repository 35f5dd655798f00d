package kiosk

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"testing"

	"github.com/gin-gonic/gin"

	"lastlook/internal/say"
)

// Each code that the say package knows has a status and a heading here.
func TestEveryCodeHasAStatus(t *testing.T) {
	file, err := parser.ParseFile(token.NewFileSet(), "../internal/say/say.go", nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	var seen int
	ast.Inspect(file, func(n ast.Node) bool {
		v, ok := n.(*ast.ValueSpec)
		if !ok {
			return true
		}
		if id, ok := v.Type.(*ast.Ident); !ok || id.Name != "Code" {
			return true
		}
		seen++
		s, _ := strconv.Unquote(v.Values[0].(*ast.BasicLit).Value)
		if statuses[say.Code(s)] == 0 {
			t.Errorf("code %q has no status", s)
		}
		if headings[say.Code(s)].text.IsZero() {
			t.Errorf("code %q has no heading", s)
		}
		return true
	})
	if seen != len(statuses) || seen != len(headings) {
		t.Errorf("say has %d codes, the tables have %d and %d", seen, len(statuses), len(headings))
	}
}

func TestErrorsOnScreen(t *testing.T) {
	secret := errors.New("disk /var/secret: 0xdead")
	for _, tt := range []struct {
		name   string
		err    error
		status int
		want   string
	}{
		{"invalid", say.Refuse(say.Invalid, "There is no package %d.", 900).Because(secret), 422, "There is no package 900."},
		{"illegal", say.Refuse(say.Illegal, "The list is not sealed yet."), 409, "The list is not sealed yet."},
		{"wrapped refusal", fmt.Errorf("scan: %w", say.Refuse(say.NotFound, "No such consignment.")), 404, "No such consignment."},
		{"forbidden", say.Refuse(say.Forbidden, "Only a supervisor may do that."), 403, "Only a supervisor may do that."},
		{"storage", say.Refuse(say.Storage, "The data folder is full.").Because(secret), 507, "The data folder is full."},
		{"unknown", secret, 500, "It is not your doing."},
		{"unknown code", say.Refuse("strange", "strange text"), 500, "It is not your doing."},
		{"too slow", fmt.Errorf("read: %w", context.DeadlineExceeded), 503, "The bench was too busy to answer."},
	} {
		t.Run(tt.name, func(t *testing.T) {
			var log bytes.Buffer
			s := newTestScreens(t)
			s.Log = slog.New(slog.NewTextHandler(&log, nil))
			e := s.newEngine()
			e.GET("/x", s.handle(func(*gin.Context) error { return tt.err }))

			w := get(t, e, "/x")
			if w.Code != tt.status || !strings.Contains(w.Body.String(), tt.want) {
				t.Errorf("page = %d %.300s, want %d with %q", w.Code, w.Body.String(), tt.status, tt.want)
			}
			if strings.Contains(w.Body.String(), "0xdead") {
				t.Error("the detail reached the screen")
			}
			if errors.Is(tt.err, secret) && !strings.Contains(log.String(), "0xdead") {
				t.Errorf("the detail is not in the log: %s", log.String())
			}

			r := httptest.NewRequest("GET", "http://localhost/x", nil)
			r.Header.Set("Accept", "application/json")
			w = httptest.NewRecorder()
			log.Reset()
			e.ServeHTTP(w, r)
			var p problem
			if err := json.Unmarshal(w.Body.Bytes(), &p); err != nil {
				t.Fatalf("problem details: %v in %s", err, w.Body.String())
			}
			if w.Code != tt.status || p.Status != tt.status || w.Header().Get("Content-Type") != "application/problem+json" ||
				!strings.HasPrefix(p.Detail, tt.want) || p.Instance != "/x" || p.Type != "about:blank" {
				t.Errorf("problem details = %d %+v", w.Code, p)
			}
			if !strings.Contains(log.String(), "id="+p.ID) || len(p.ID) != 8 {
				t.Errorf("id %q is not in the log: %s", p.ID, log.String())
			}
		})
	}
}

func TestPanicsAreFailures(t *testing.T) {
	s := newTestScreens(t)
	e := s.newEngine()
	e.GET("/x", s.handle(func(*gin.Context) error { panic("0xdead") }))
	w := get(t, e, "/x")
	if w.Code != 500 || !strings.Contains(w.Body.String(), "Something went wrong") || strings.Contains(w.Body.String(), "0xdead") {
		t.Errorf("GET = %d %.300s, want a neutral 500 page", w.Code, w.Body.String())
	}
}

func TestNoSuchAddress(t *testing.T) {
	s := newTestScreens(t)
	e := s.newEngine()
	for _, tt := range []struct {
		method, path string
		status       int
		want         string
	}{
		{"GET", "/nowhere", 404, "There is nothing at this address."},
		{"DELETE", "/design", 405, "This address cannot be used like that."},
		{"GET", "/assets/x/none.css", 404, "There is no such file."},
		{"GET", "/assets/x/../../go.mod", 404, "There is no such file."},
	} {
		w := httptest.NewRecorder()
		e.ServeHTTP(w, httptest.NewRequest(tt.method, "http://localhost"+tt.path, nil))
		if w.Code != tt.status || !strings.Contains(w.Body.String(), tt.want) {
			t.Errorf("%s %s = %d, want %d with %q", tt.method, tt.path, w.Code, tt.status, tt.want)
		}
	}
}

func TestWantsJSON(t *testing.T) {
	for accept, want := range map[string]bool{
		"": false, "*/*": false, "text/html,application/xhtml+xml,*/*;q=0.8": false,
		"application/json": true, "application/problem+json": true, "text/html, application/json": false,
	} {
		r := httptest.NewRequest(http.MethodGet, "/", nil)
		r.Header.Set("Accept", accept)
		if got := wantsJSON(&gin.Context{Request: r}); got != want {
			t.Errorf("wantsJSON(%q) = %v, want %v", accept, got, want)
		}
	}
}
