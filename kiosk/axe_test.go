package kiosk

import (
	"context"
	"testing"

	"lastlook/internal/browsertest"
	"lastlook/internal/code"
	"lastlook/internal/consignment"
	"lastlook/internal/store"
)

// TestBenchScreensAreAccessible checks the bench screens with axe-core (WCAG 2.2
// rules among others), and that nothing is wider than the window.
func TestBenchScreensAreAccessible(t *testing.T) {
	tb := newTestBench(t)
	h := newHand(t, tb)
	h.badge("Ida Fenn")
	do := func(number string, cs ...consignment.Command) {
		t.Helper()
		for _, c := range cs {
			if _, err := tb.store.Do(context.Background(), store.Step{Code: tb.codes[number], Actor: consignment.Actor{ID: "x", Name: "office"}, Bench: "bench 1", Command: c}); err != nil {
				t.Fatalf("%T: %v", c, err)
			}
		}
	}
	rules := tb.store.Rules("")
	fit := consignment.CheckBench{Rules: rules}
	for _, it := range rules.Before {
		fit.Yes = append(fit.Yes, it.ID)
	}
	for number, n := range map[string]int{"K-2038": 2, "K-2041": 240} {
		do(number, consignment.PrintLabels{Sheet: "a4", From: 1, To: n}, fit, consignment.Seal{Counted: n, Rules: rules})
	}
	do("K-2038", consignment.Fetch{Package: 1}, consignment.Fetch{Package: 2}, consignment.Open{Package: 1}, consignment.LookPackage{Package: 1}, consignment.CountUnits{Package: 1, Units: 3})
	do("K-2038", consignment.RecordFind{Facts: consignment.FindFacts{Package: 1, Unit: 1, Part: consignment.PartStem, What: consignment.Soil, Units: 1, Alive: consignment.NotTold, Method: consignment.ByEye}})
	c, p := tb.codes["K-2038"], packagePath(tb.codes["K-2038"], 1)
	paths := []string{"/", "/who", "/cards", "/c/" + c, "/c/" + c + "/history", "/c/" + c + "/change", "/c/" + c + "/check/before",
		"/c/" + tb.codes["K-2041"] + "/fetch", p, p + "/closer", p + "/find?unit=2", p + "/find?unit=2&part=stem", p + "/find?unit=2&part=stem&what=soil",
		p + "/find?unit=2&part=stem&what=soil&alive=no&method=eye", p + "/stop?unit=2", "/c/" + c + "/f/1", "/c/" + c + "/undo", "/c/" + c + "/conclude",
		"/c/" + tb.codes["K-2036"] + "/seal"}
	for _, path := range paths {
		h.Open(tb.url + path)
		for _, v := range h.Axe() {
			t.Errorf("%s: %s", path, v)
		}
		for _, width := range []int64{1024, 390} {
			h.Size(width, 800)
			if wide := browsertest.Eval[float64](h.Browser, `document.documentElement.scrollWidth - innerWidth`); wide > 0 {
				t.Errorf("%s: %v px wider than a window of %d", path, wide, width)
			}
		}
		h.Size(1280, 800)
	}
	// The colours of the other look are computed in TestTextContrast; here it is
	// seen that the switch works and the examining screen holds up.
	h.Open(tb.url + p)
	h.Click(".tools form button") // against glare
	h.Wait(`document.documentElement.dataset.theme === "contrast"`)
	for _, v := range h.Axe() {
		t.Errorf("against glare: %s", v)
	}
	h.Answered(code.Consignment(c).String(), "right", "K-2038")
	h.NoFaults()
}
