package kiosk

import (
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"lastlook/internal/browsertest"
)

// sizes are the windows the screens must work in: bench, older bench, phone.
var sizes = []struct {
	name          string
	width, height int64
}{{"1280", 1280, 800}, {"1024", 1024, 768}, {"390", 390, 844}}

// The design page holds every part, so what is checked here holds for the parts
// on all pages: no violation in axe-core, in each look; nothing wider than the
// window; targets of 64 px. With LASTLOOK_SHOTS naming a folder, pictures are
// written there.
func TestDesignInBrowser(t *testing.T) {
	b := browsertest.New(t)
	srv := httptest.NewServer(newTestScreens(t).newEngine())
	t.Cleanup(srv.Close)
	shots := os.Getenv("LASTLOOK_SHOTS")
	for _, theme := range []string{themeDay, themeContrast} {
		for _, view := range []string{"", "?ground=stop", "?show=wrong", "?show=right"} {
			b.Open(srv.URL + "/design" + view)
			browsertest.Eval[bool](b, `(document.cookie = "`+themeCookie+`=`+theme+`; path=/", true)`)
			b.Open(srv.URL + "/design" + view)
			if got := browsertest.Eval[string](b, "document.documentElement.dataset.theme"); got != theme {
				t.Fatalf("theme = %q, want %q", got, theme)
			}
			name := theme + strings.NewReplacer("?", "-", "=", "-").Replace(view)
			for _, v := range b.Axe() {
				t.Errorf("%s: axe: %s", name, v)
			}
			for _, size := range sizes {
				b.Size(size.width, size.height)
				if wide := browsertest.Eval[[]string](b, tooWide); len(wide) > 0 {
					t.Errorf("%s at %s: wider than the window: %q", name, size.name, wide)
				}
				if small := browsertest.Eval[[]string](b, tooSmall); len(small) > 0 {
					t.Errorf("%s at %s: smaller than 64 px: %q", name, size.name, small)
				}
				if shots != "" {
					file := filepath.Join(shots, "design-"+name+"-"+size.name)
					if view == "" {
						b.FullShot(file + "-full.png")
					} else {
						b.Shot(file + ".png")
					}
				}
			}
			b.Size(1280, 800)
		}
	}
	if f := b.Faults(); len(f) > 0 {
		t.Errorf("the page complained: %q", f)
	}
}

// tooWide lists elements that stick out of the window, except in boxes made to scroll.
const tooWide = `[...document.querySelectorAll("#page *")].filter((e) => {
	const r = e.getBoundingClientRect();
	return r.width > 0 && (r.right > innerWidth + 1 || r.left < -1) && !e.closest(".table-box, .unseen, .skip, svg") && getComputedStyle(e).clipPath === "none";
}).map((e) => e.outerHTML.slice(0, 120))`

// tooSmall lists what can be pressed and is less than 64 px high or wide. Links
// in tables are for the desk; inputs stand for the tile around them.
const tooSmall = `[...document.querySelectorAll("button, a[href], .tile, .part-name, .spot, input.input, select, textarea")].filter((e) => {
	if (e.closest(".table, .skip, [hidden], dialog:not([open]), [popover]") || e.matches(".skip") || !e.checkVisibility()) return false;
	const r = e.matches(".tag-number a") ? e.closest(".tag").getBoundingClientRect() : e.getBoundingClientRect();
	return r.height < 63.5 || r.width < 63.5;
}).map((e) => Math.round(e.getBoundingClientRect().width) + "x" + Math.round(e.getBoundingClientRect().height) + " " + e.outerHTML.slice(0, 120))`
