// Package handtest is a hand at the bench, for tests: it scans, presses and reads
// Lastlook's screens in a real browser, by the words that a person reads. Start
// with [New]. It is built on browsertest, which knows nothing of our pages.
package handtest

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"lastlook/internal/browsertest"
)

// Hand is somebody at the bench. Its methods fail the test when the screen does
// not do what a person would expect.
type Hand struct {
	*browsertest.Browser
	t    testing.TB
	shot int
}

// New opens the bench at the address.
func New(t testing.TB, url string) *Hand {
	t.Helper()
	h := &Hand{Browser: browsertest.New(t), t: t}
	h.Open(url)
	// The keys of a scan reach the browser one message at a time, which a loaded
	// machine delays far beyond what a scanner does.
	browsertest.Eval[bool](h.Browser, `(localStorage.setItem("lastlook.gap", "1500"), true)`)
	h.Open(url)
	return h
}

// See takes pictures of the screen, at the three sizes that are looked at, when
// LASTLOOK_SHOTS names a folder.
func (h *Hand) See(name string) {
	h.t.Helper()
	dir := os.Getenv("LASTLOOK_SHOTS")
	if dir == "" {
		return
	}
	h.shot++
	for _, size := range [][2]int64{{1280, 800}, {1024, 768}, {390, 844}} {
		h.Size(size[0], size[1])
		h.Shot(filepath.Join(dir, fmt.Sprintf("%s-%02d-%s-%d.png", h.t.Name(), h.shot, name, size[0])))
	}
	h.Size(1280, 800)
}

// Answered scans a code and waits until the bench has answered with the tone
// (right, wrong or note) and the words.
func (h *Hand) Answered(code, tone, words string) {
	h.t.Helper()
	browsertest.Eval[bool](h.Browser, `(document.getElementById("answer").hidden = true)`)
	h.Scan(code)
	h.Wait(fmt.Sprintf(`document.getElementById("answer").hidden === false && document.getElementById("answer").classList.contains("answer-%s") && document.getElementById("answer").innerText.includes(%q)`, tone, words))
	h.Wait(`document.getElementById("scans").dataset.state === "idle"`)
}

// On waits until a heading of the page holds the words.
func (h *Hand) On(words string) {
	h.t.Helper()
	h.Wait(fmt.Sprintf(`[...document.querySelectorAll("#page h1, #page h2")].some((e) => e.innerText.includes(%q))`, words))
}

// Outcome waits for the stamped tag with the word.
func (h *Hand) Outcome(word string) {
	h.t.Helper()
	h.Wait(fmt.Sprintf(`document.querySelector("#page .outcome-word")?.innerText === %q`, word))
}

// Press presses the act whose label begins with the words.
func (h *Hand) Press(label string) {
	h.t.Helper()
	js := fmt.Sprintf(`(() => { const e = [...document.querySelectorAll("#page .act, #page summary")].find((e) => (e.querySelector(".act-label") ?? e).innerText.trim().startsWith(%q)); if (!e) return false; e.click(); return true; })()`, label)
	if !browsertest.Eval[bool](h.Browser, js) {
		h.t.Fatalf("there is nothing to press called %q on this screen: %.400q", label, h.Text("#main"))
	}
}

// Fill writes into a field at once, as a paste would.
func (h *Hand) Fill(name, value string) {
	h.t.Helper()
	if !browsertest.Eval[bool](h.Browser, fmt.Sprintf(`(() => { const e = document.querySelector('#page [name=%q]'); if (!e) return false; e.value = %q; return true; })()`, name, value)) {
		h.t.Fatalf("there is no field %q on this screen: %.300q", name, h.Text("#main"))
	}
}

// Choose takes one answer of several.
func (h *Hand) Choose(name, value string) {
	h.t.Helper()
	if !browsertest.Eval[bool](h.Browser, fmt.Sprintf(`(() => { const e = document.querySelector('#page input[name=%q][value=%q]'); if (!e) return false; e.click(); return true; })()`, name, value)) {
		h.t.Fatalf("there is no choice %s=%s on this screen: %.300q", name, value, h.Text("#main"))
	}
}

// AllYes answers every line of a bench check with yes, but for those named.
func (h *Hand) AllYes(no ...string) {
	h.t.Helper()
	browsertest.Eval[bool](h.Browser, `(document.querySelectorAll('#page input[value="yes"]').forEach((e) => e.click()), true)`)
	for _, id := range no {
		h.Choose("item_"+id, "no")
	}
}

// NoFaults fails the test if a page met a script error or broke the content policy.
func (h *Hand) NoFaults() {
	h.t.Helper()
	if faults := h.Faults(); len(faults) > 0 {
		h.t.Errorf("the pages complained: %v", faults)
	}
}
