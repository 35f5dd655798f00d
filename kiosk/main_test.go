package kiosk

import (
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"testing"
	"time"

	"golang.org/x/text/language"
)

// noon is the clock of the tests: a Wednesday.
var noon = time.Date(2026, time.March, 11, 12, 20, 0, 0, time.UTC)

// pseudo is English with each sentence in ⟦ ⟧, so that a test sees which text
// does not come from the catalogue.
var pseudo = tongue{tag: language.MustParse("en-XA"), printer: english.printer, marked: true}

// newTestScreens makes screens in demo mode with a fixed clock.
func newTestScreens(t testing.TB, tongues ...tongue) *screens {
	t.Helper()
	s, err := newScreens(screensConfig{
		Bench: "bench 1", Demo: true, Tongues: tongues,
		Now: func() time.Time { return noon },
		Log: slog.New(slog.NewTextHandler(io.Discard, nil)),
	})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// get asks the handler for a page as a browser on this machine would.
func get(t testing.TB, h http.Handler, path string) *httptest.ResponseRecorder {
	t.Helper()
	r := httptest.NewRequest("GET", "http://localhost"+path, nil)
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}
