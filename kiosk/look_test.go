package kiosk

import (
	"io/fs"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"lastlook/assets"
)

// luminance is the relative luminance of WCAG 2.2.
func luminance(hex string) float64 {
	n, err := strconv.ParseUint(strings.TrimPrefix(hex, "#"), 16, 32)
	if err != nil {
		return math.NaN()
	}
	lin := func(shift uint) float64 {
		c := float64(n>>shift&0xff) / 255
		if c <= 0.04045 {
			return c / 12.92
		}
		return math.Pow((c+0.055)/1.055, 2.4)
	}
	return 0.2126*lin(16) + 0.7152*lin(8) + 0.0722*lin(0)
}

// contrast is the contrast ratio of WCAG 2.2.
func contrast(a, b string) float64 {
	x, y := luminance(a), luminance(b)
	return (max(x, y) + 0.05) / (min(x, y) + 0.05)
}

// Known values: black on white is 21 by definition; #767676 on white is the well-known 4.54.
func TestContrastFormula(t *testing.T) {
	for _, tt := range []struct {
		a, b string
		want float64
	}{{"#000000", "#ffffff", 21}, {"#767676", "#ffffff", 4.54}, {"#ff0000", "#ffffff", 4.00}} {
		if got := contrast(tt.a, tt.b); math.Abs(got-tt.want) > 0.005 {
			t.Errorf("contrast(%s, %s) = %.3f, want %.2f", tt.a, tt.b, got, tt.want)
		}
	}
}

var property = regexp.MustCompile(`--([a-z-]+):\s*([^;]+);`)

// properties reads the custom properties of one block of the style sheet.
func properties(t *testing.T, css, selector string) map[string]string {
	t.Helper()
	_, rest, ok := strings.Cut(css, "\n"+selector+" {")
	if !ok {
		t.Fatalf("no block %q in lastlook.css", selector)
	}
	block, _, _ := strings.Cut(rest, "\n}")
	out := map[string]string{}
	for _, m := range property.FindAllStringSubmatch(block, -1) {
		out[m[1]] = m[2]
	}
	return out
}

func styleSheet(t *testing.T) string {
	t.Helper()
	b, err := fs.ReadFile(assets.FS, "static/lastlook.css")
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// Text stands only on a ground that has a text colour, and each pair has a
// contrast of 7:1 or more, in each look.
func TestTextContrast(t *testing.T) {
	css := styleSheet(t)
	day := properties(t, css, ":root")
	over := func(base map[string]string, selector string) map[string]string {
		out := map[string]string{}
		for k, v := range base {
			out[k] = v
		}
		for k, v := range properties(t, css, selector) {
			out[k] = v
		}
		return out
	}
	glare := over(day, `[data-theme="contrast"]`)
	for name, look := range map[string]map[string]string{
		"day": day, "contrast": glare,
		"stop by day": over(day, ".ground-stop"), "stop in contrast": over(glare, ".ground-stop"),
	} {
		pairs := 0
		for k, fg := range look {
			ground, ok := strings.CutPrefix(k, "on-")
			if !ok {
				continue
			}
			pairs++
			bg := look[ground]
			if got := contrast(fg, bg); !(got >= 7) {
				t.Errorf("%s: text %s on --%s %s has contrast %.2f, want 7 or more", name, fg, ground, bg, got)
			}
		}
		if pairs < 12 {
			t.Errorf("%s: found only %d pairs", name, pairs)
		}
		// The lines that make shapes need 3:1 (WCAG 2.2, 1.4.11).
		for _, pair := range [][2]string{{"line", "ground"}, {"line", "paper"}, {"focus", "ground"}, {"tag-edge", "tag"}} {
			if got := contrast(look[pair[0]], look[pair[1]]); !(got >= 3) {
				t.Errorf("%s: --%s on --%s has contrast %.2f, want 3 or more", name, pair[0], pair[1], got)
			}
		}
	}
}

// The colours of states are those published by Okabe and Ito, Color Universal
// Design (2008): RGB values copied from memory of the table there.
func TestOkabeIto(t *testing.T) {
	day := properties(t, styleSheet(t), ":root")
	for name, want := range map[string][3]int{
		"orange": {230, 159, 0}, "sky": {86, 180, 233}, "green": {0, 158, 115}, "yellow": {240, 228, 66},
		"blue": {0, 114, 178}, "vermilion": {213, 94, 0}, "purple": {204, 121, 167},
	} {
		n, err := strconv.ParseUint(strings.TrimPrefix(day["okabe-"+name], "#"), 16, 32)
		got := [3]int{int(n >> 16), int(n >> 8 & 0xff), int(n & 0xff)}
		if err != nil || got != want {
			t.Errorf("--okabe-%s = %v (%v), want %v", name, got, err, want)
		}
	}
}

var symbolUse = regexp.MustCompile(`symbol "([a-z-]+)"`)

// Each symbol named in a template or by a state, rung or panel is in the sprite.
func TestSymbolsExist(t *testing.T) {
	b, err := fs.ReadFile(assets.FS, "static/symbols.svg")
	if err != nil {
		t.Fatal(err)
	}
	sprite := string(b)
	want := map[string]bool{}
	for _, s := range []state{stateDue, stateWork, statePassed, stateRejected, stateIsolated, stateHeld, stateStopped, stateGone, stateLate} {
		want["state-"+string(s)] = true
		if s.Word().IsZero() {
			t.Errorf("state %q has no word", s)
		}
		if !strings.Contains(styleSheet(t), ".fill-"+string(s)) {
			t.Errorf("state %q has no fill", s)
		}
	}
	for _, k := range []panelKind{panelEmpty, panelLoading, panelWrong, panelLocked, panelOffline} {
		want["panel-"+string(k)] = true
	}
	for _, r := range []string{"note", "reject", "sample", "stop"} {
		want["rung-"+r] = true
		if !strings.Contains(styleSheet(t), ".rung-"+r+" .fill") {
			t.Errorf("rung %q has no fill", r)
		}
	}
	_ = fs.WalkDir(assets.FS, "templates", func(name string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			b, _ := fs.ReadFile(assets.FS, name)
			for _, m := range symbolUse.FindAllStringSubmatch(string(b), -1) {
				want[m[1]] = true
			}
		}
		return err
	})
	for name := range want {
		if !strings.Contains(sprite, `<symbol id="`+name+`"`) {
			t.Errorf("symbol %q is not in the sprite", name)
		}
	}
}

// Each place of the plant is drawn and has a spot to touch.
func TestPlantHasEveryRegion(t *testing.T) {
	b, err := fs.ReadFile(assets.FS, "drawings/plant.svg")
	if err != nil {
		t.Fatal(err)
	}
	if len(regions) != 11 {
		t.Errorf("%d regions, want 11", len(regions))
	}
	for _, r := range regions {
		if !strings.Contains(string(b), `class="r-`+r.Value+`"`) {
			t.Errorf("region %q is not drawn", r.Value)
		}
		if !strings.Contains(styleSheet(t), ".part-"+r.Value+" .spot {") {
			t.Errorf("region %q has no spot", r.Value)
		}
	}
}
