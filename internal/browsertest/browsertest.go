// Package browsertest drives a headless Chromium for tests: open a page, scan a
// code as a scanner would, look at the result, take a picture, check it with
// axe-core. Start with [New]. It is for tests only and knows nothing of Lastlook's
// pages.
//
// Tests skip with a plain message where there is no Chromium, and fail instead
// when the environment variable LASTLOOK_BROWSER is "required".
package browsertest

import (
	"context"
	_ "embed"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// axe is axe-core 4.14.1 (Deque Systems, MPL-2.0), unchanged; its licence is
// beside it.
//
//go:embed testdata/axe-4.14.1.min.js
var axe string

// limit is how long one test may use its browser, so that a page that never
// gets ready fails the test and does not hang it.
const limit = 2 * time.Minute

// Browser is one browser with one page, closed at the end of the test. Its
// methods fail the test when the browser cannot do what is asked.
type Browser struct {
	// Ctx is for chromedp.Run and chromedp.Do, where the methods are not enough.
	Ctx context.Context
	t   testing.TB
	log *faults
}

// faults is what the page complained about.
type faults struct {
	mu    sync.Mutex
	lines []string
}

// path finds Chromium.
func path() string {
	for _, name := range []string{os.Getenv("LASTLOOK_CHROMIUM"), "chromium", "chromium-browser", "google-chrome"} {
		if name == "" {
			continue
		}
		if p, err := exec.LookPath(name); err == nil {
			return p
		}
	}
	return ""
}

// New starts a browser with a window of 1280 by 800.
func New(t testing.TB) *Browser {
	t.Helper()
	exe := path()
	if exe == "" {
		const why = "no Chromium found: install it, or name it in LASTLOOK_CHROMIUM"
		if os.Getenv("LASTLOOK_BROWSER") == "required" {
			t.Fatal(why)
		}
		t.Skip(why)
	}
	opts := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(exe),
		chromedp.NoSandbox,
		chromedp.Flag("disable-quic", true),
		chromedp.Flag("disable-component-update", true),
		chromedp.Flag("autoplay-policy", "no-user-gesture-required"),
		chromedp.Flag("mute-audio", true),
		chromedp.Flag("hide-scrollbars", true),
		chromedp.WSURLReadTimeout(60*time.Second),
		chromedp.WindowSize(1280, 800),
	)
	ctx, stop := context.WithTimeout(context.Background(), limit)
	actx, cancelAlloc := chromedp.NewExecAllocator(ctx, opts...)
	bctx, cancel := chromedp.NewContext(actx)
	b := &Browser{Ctx: bctx, t: t, log: &faults{}}
	t.Cleanup(func() {
		cancel()
		cancelAlloc()
		stop()
	})
	if err := chromedp.Listen(bctx, b.log.note); err != nil {
		t.Fatalf("start %s: %v", exe, err)
	}
	if _, err := chromedp.Call(bctx, log.Enable, cdp.Empty{}); err != nil {
		t.Fatalf("start %s: %v", exe, err)
	}
	b.Size(1280, 800)
	return b
}

// For gives the same browser for a subtest, which then fails by itself.
func (b *Browser) For(t testing.TB) *Browser {
	c := *b
	c.t = t
	return &c
}

func (f *faults) note(ev any) {
	var s string
	switch e := ev.(type) {
	case *runtime.EventExceptionThrown:
		s = "exception: " + e.ExceptionDetails.Text
		if x := e.ExceptionDetails.Exception; x != nil {
			s += " " + x.Description
		}
	case *log.EventEntryAdded:
		// A refused request is the page's business; a broken policy is ours.
		if e.Entry.Level != log.EntryLevelError || e.Entry.Source == log.EntrySourceNetwork {
			return
		}
		s = string(e.Entry.Source) + ": " + e.Entry.Text
	default:
		return
	}
	f.mu.Lock()
	f.lines = append(f.lines, s)
	f.mu.Unlock()
}

// Faults gives the script errors and broken content policies since the start.
func (b *Browser) Faults() []string {
	b.log.mu.Lock()
	defer b.log.mu.Unlock()
	return append([]string(nil), b.log.lines...)
}

// Do runs steps.
func (b *Browser) Do(steps ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	if err := chromedp.Do(b.Ctx, steps...); err != nil {
		b.t.Fatalf("browser: %v", err)
	}
}

// Size sets the window, in CSS pixels.
func (b *Browser) Size(width, height int64) {
	b.t.Helper()
	b.Do(chromedp.EmulateViewport(width, height))
}

// Open goes to an address and waits until the page has loaded.
func (b *Browser) Open(url string) {
	b.t.Helper()
	b.Do(chromedp.Navigate(url))
}

// Eval evaluates a JavaScript expression, waits for a promise, and gives the value.
func Eval[T any](b *Browser, js string) T {
	b.t.Helper()
	v, err := chromedp.Run(b.Ctx, chromedp.Evaluate[T](js, chromedp.EvalAwaitPromise))
	if err != nil {
		b.t.Fatalf("browser: evaluate %.120s: %v", js, err)
	}
	return v
}

// Wait waits until the JavaScript expression is true. It survives page changes,
// and fails the test after 20 seconds.
func (b *Browser) Wait(js string) {
	b.t.Helper()
	var err error
	for range 400 {
		var ok bool
		ok, err = chromedp.Run(b.Ctx, chromedp.Evaluate[bool]("!!("+js+")"))
		if err == nil && ok {
			return
		}
		if b.Ctx.Err() != nil {
			break
		}
		time.Sleep(50 * time.Millisecond)
	}
	b.t.Fatalf("browser: waited in vain for %s (last error: %v; page says %.300q)", js, err, b.Text("body"))
}

// Text gives the visible text of the first element that the selector finds, ""
// if there is none.
func (b *Browser) Text(selector string) string {
	b.t.Helper()
	q, _ := json.Marshal(selector)
	v, err := chromedp.Run(b.Ctx, chromedp.Evaluate[string](fmt.Sprintf(`document.querySelector(%s)?.innerText ?? ""`, q)))
	if err != nil {
		return ""
	}
	return v
}

// Click clicks the first element that the selector finds.
func (b *Browser) Click(selector string) {
	b.t.Helper()
	b.Do(chromedp.Click(selector))
}

// Keys presses keys one by one, as fast as the browser takes them.
func (b *Browser) Keys(keys string) {
	b.t.Helper()
	for _, k := range keys {
		b.press(k, func(*input.DispatchKeyEventParams) {})
	}
}

// press presses one key. The text goes with the key-down event, as from a real
// keyboard, so that a page that refuses the key also refuses its text; chromedp's
// own KeyEvent sends the text as an event by itself, which no page can refuse.
func (b *Browser) press(key rune, set func(*input.DispatchKeyEventParams)) {
	b.t.Helper()
	var events []*input.DispatchKeyEventParams
	for _, e := range kb.Encode(key) {
		if e.Type == kb.KeyChar {
			events[0].Text, events[0].UnmodifiedText = e.Text, e.UnmodifiedText
			continue
		}
		events = append(events, e)
	}
	b.Do(chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		for _, e := range events {
			set(e)
			if _, err := cdp.Call(ctx, t, input.DispatchKeyEvent, *e); err != nil {
				return err
			}
		}
		return nil
	}))
}

// Type presses keys with a pause of 100 ms before each, as a person does.
func (b *Browser) Type(keys string) {
	b.t.Helper()
	for _, k := range keys {
		time.Sleep(100 * time.Millisecond)
		b.Keys(string(k))
	}
}

// Scan sends the code and Enter as a scanner does. The group separator goes as
// Ctrl+], as scanners send it.
func (b *Browser) Scan(code string) { b.t.Helper(); b.ScanEnd(code, "\r") }

// ScanEnd is Scan with another end than Enter: "\t", or "" for none. The keys
// carry moments 5 ms apart, whatever the load of the machine.
func (b *Browser) ScanEnd(code, end string) {
	b.t.Helper()
	at := float64(time.Now().UnixMilli())/1000 + 0.005*float64(len(code))
	stamp := func(e *input.DispatchKeyEventParams) {
		if e.Type != kb.KeyUp {
			at += 0.005
		}
		e.Timestamp = input.TimeSinceEpoch(at)
	}
	for _, k := range code + end {
		if k == '\x1d' {
			b.press(']', func(e *input.DispatchKeyEventParams) {
				stamp(e)
				e.Modifiers, e.Text, e.UnmodifiedText = int64(chromedp.ModifierCtrl), "", ""
			})
			continue
		}
		b.press(k, stamp)
	}
}

// Shot writes a picture of the window, as PNG.
func (b *Browser) Shot(file string) {
	b.t.Helper()
	png, err := chromedp.Run(b.Ctx, chromedp.CaptureScreenshot())
	b.save(file, png, err)
}

// FullShot writes a picture of the whole page, as PNG.
func (b *Browser) FullShot(file string) {
	b.t.Helper()
	png, err := chromedp.Run(b.Ctx, chromedp.FullScreenshot(100))
	b.save(file, png, err)
}

func (b *Browser) save(file string, png []byte, err error) {
	b.t.Helper()
	if err == nil {
		err = os.WriteFile(file, png, 0o600)
	}
	if err != nil {
		b.t.Fatalf("browser: picture: %v", err)
	}
}

// Axe checks the page with axe-core and gives one line for each violation, with
// the rule, how bad it is, and the elements.
func (b *Browser) Axe() []string {
	b.t.Helper()
	Eval[bool](b, "(() => { "+axe+"\n; window.axe = axe; return true; })()")
	raw := Eval[string](b, `axe.run(document, {resultTypes: ["violations"]}).then((r) => JSON.stringify(r.violations))`)
	var found []struct {
		ID, Impact, Help string
		Nodes            []struct {
			Target         []any
			HTML           string
			FailureSummary string
		}
	}
	if err := json.Unmarshal([]byte(raw), &found); err != nil {
		b.t.Fatalf("browser: read what axe found: %v", err)
	}
	var out []string
	for _, v := range found {
		line := fmt.Sprintf("%s (%s): %s", v.ID, v.Impact, v.Help)
		for _, n := range v.Nodes {
			line += fmt.Sprintf("\n  %v %.160s | %.200s", n.Target, n.HTML, n.FailureSummary)
		}
		out = append(out, line)
	}
	return out
}
