package kiosk

import (
	"fmt"
	"image"
	"image/png"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"golang.org/x/net/html"

	"lastlook/internal/browsertest"
)

// needsScript lists what a page could not do with script switched off: buttons
// that neither submit nor open a popover, forms without method or action, links
// without address, and anything inline that the content policy would refuse.
// Dialogs are left out: what opens them is a link as well.
func needsScript(page string) []string {
	root, err := html.Parse(strings.NewReader(page))
	if err != nil {
		return []string{err.Error()}
	}
	var out []string
	var walk func(n *html.Node, inForm bool)
	walk = func(n *html.Node, inForm bool) {
		attr := map[string]string{}
		for _, a := range n.Attr {
			attr[a.Key] = a.Val
			if strings.HasPrefix(a.Key, "on") || a.Key == "style" || strings.HasPrefix(strings.ToLower(a.Val), "javascript:") {
				out = append(out, fmt.Sprintf("%s has inline %s", n.Data, a.Key))
			}
		}
		_, hidden := attr["hidden"]
		switch {
		case n.Type != html.ElementNode:
		case n.Data == "dialog" || hidden:
			return
		case n.Data == "script" && attr["src"] == "", n.Data == "style":
			out = append(out, "inline "+n.Data)
		case n.Data == "form":
			if attr["action"] == "" || attr["method"] == "" {
				out = append(out, fmt.Sprintf("form %v lacks method or action", attr))
			}
			inForm = true
		case n.Data == "a" && attr["href"] == "":
			out = append(out, "link without address")
		case n.Data == "button" && attr["type"] == "button" && attr["popovertarget"] == "":
			out = append(out, fmt.Sprintf("button %v only works with script", attr))
		case n.Data == "button" && attr["type"] != "button" && !inForm && attr["form"] == "":
			out = append(out, fmt.Sprintf("button %v stands in no form", attr))
		}
		for c := n.FirstChild; c != nil; c = c.NextSibling {
			walk(c, inForm)
		}
	}
	walk(root, false)
	return out
}

func TestNeedsScript(t *testing.T) {
	for _, tt := range []struct {
		name, html string
		want       int
	}{
		{"plain form", `<form method="post" action="/x"><button type="submit">a</button></form>`, 0},
		{"popover", `<button type="button" popovertarget="p">a</button>`, 0},
		{"dead button", `<button type="button">a</button>`, 1},
		{"stray button", `<button type="submit">a</button>`, 1},
		{"form without action", `<form method="post"></form>`, 1},
		{"handler and style", `<p onclick="x()" style="color:red"></p>`, 2},
		{"inline script", `<script>x()</script>`, 1},
	} {
		if got := needsScript(tt.html); len(got) != tt.want {
			t.Errorf("%s: needsScript = %q, want %d", tt.name, got, tt.want)
		}
	}
}

func TestDesignWorksWithoutScript(t *testing.T) {
	e := newTestScreens(t).newEngine()
	for _, path := range []string{"/design", "/design?show=wrong", "/no-such-page"} {
		for _, s := range needsScript(get(t, e, path).Body.String()) {
			t.Errorf("GET %s: %s", path, s)
		}
	}
}

func TestPhotoIsMadeSmaller(t *testing.T) {
	b := browsertest.New(t)
	_, addr := newEcho(t)
	file := filepath.Join(t.TempDir(), "leaf.png")
	f, err := os.Create(file)
	if err != nil {
		t.Fatal(err)
	}
	img := image.NewRGBA(image.Rect(0, 0, 2400, 1800))
	for i := range img.Pix {
		img.Pix[i] = byte(i * i >> 7) // busy enough to be larger as PNG
	}
	if err := png.Encode(f, img); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	b.Open(addr + "/design")
	b.Do(chromedp.SetUploadFiles("#photo", []string{file}))
	b.Wait(`document.getElementById("photo").files[0]?.type === "image/jpeg"`)
	got := browsertest.Eval[[]int](b, `createImageBitmap(document.getElementById("photo").files[0]).then((i) => [i.width, i.height])`)
	if !slices.Equal(got, []int{1600, 1200}) {
		t.Errorf("photo is sent as %v, want 1600 by 1200", got)
	}
}

// The plant is a group of radio buttons: arrows move through it.
func TestPlantByKeyboardAndTouch(t *testing.T) {
	b := browsertest.New(t)
	_, addr := newEcho(t)
	b.Open(addr + "/design")
	chosen := func() string {
		return browsertest.Eval[string](b, `document.querySelector("input[name=where]:checked").value`)
	}
	b.Click(".part-bark .spot")
	if got := chosen(); got != "bark" {
		t.Errorf("a touch on the bark chose %q", got)
	}
	b.Keys("\u0301") // arrow down
	if got := chosen(); got != "growing_medium" {
		t.Errorf("arrow down from bark chose %q, want growing_medium", got)
	}
	for _, r := range regions {
		b.Click(".part-" + r.Value + " .spot")
		if got := chosen(); got != r.Value {
			t.Errorf("a touch on %s chose %q", r.Value, got)
		}
	}
}
