package kiosk

import (
	"encoding/json"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"testing"

	"github.com/gin-gonic/gin"

	"lastlook/internal/browsertest"
)

// echo is a bench that only writes down what it is sent.
type echo struct {
	mu    sync.Mutex
	scans []url.Values
	forms []url.Values
	down  bool // answers 503 without a verdict
	// answer replaces the verdict for a code.
	answer map[string]gin.H
}

// newEcho serves /design with a scanner behind it.
func newEcho(t *testing.T) (*echo, string) {
	t.Helper()
	s := newTestScreens(t)
	e := s.newEngine()
	x := &echo{answer: map[string]gin.H{}}
	e.POST("/scan", func(c *gin.Context) {
		_ = c.Request.ParseForm()
		x.mu.Lock()
		defer x.mu.Unlock()
		if x.down {
			c.Status(503)
			return
		}
		x.scans = append(x.scans, c.Request.PostForm)
		code := c.PostForm("code")
		if a, ok := x.answer[code]; ok {
			c.JSON(200, a)
			return
		}
		c.JSON(200, gin.H{"tone": "right", "text": "took " + code, "stay": true})
	})
	e.POST("/design", func(c *gin.Context) {
		_ = c.Request.ParseMultipartForm(1 << 20)
		x.mu.Lock()
		x.forms = append(x.forms, c.Request.PostForm)
		x.mu.Unlock()
		c.Redirect(303, "/design?show=note")
	})
	srv := httptest.NewServer(e)
	t.Cleanup(srv.Close)
	return x, srv.URL
}

func (x *echo) set(f func()) {
	x.mu.Lock()
	defer x.mu.Unlock()
	f()
}

// codes lists what was scanned.
func (x *echo) codes() []string {
	x.mu.Lock()
	defer x.mu.Unlock()
	var out []string
	for _, v := range x.scans {
		out = append(out, v.Get("code"))
	}
	return out
}

func (x *echo) wantCodes(t *testing.T, want ...string) {
	t.Helper()
	got, _ := json.Marshal(x.codes())
	w, _ := json.Marshal(want)
	if string(got) != string(w) {
		t.Errorf("scanned %s, want %s", got, w)
	}
}

const (
	queueEmpty = `!(JSON.parse(sessionStorage.getItem("lastlook.scans") ?? "[]").length) && document.getElementById("scans").dataset.state === "idle"`
	loaded     = `document.readyState === "complete" && document.getElementById("scans").dataset.state === "idle" && window.htmx`
)

// took waits until the answer to a code is on the screen.
func took(b *browsertest.Browser, code string) {
	q, _ := json.Marshal(code)
	b.Wait(`!document.getElementById("answer").hidden && document.querySelector("#answer .answer-text").textContent.includes(` + string(q) + `)`)
}

func TestScanner(t *testing.T) {
	all := browsertest.New(t)
	var b *browsertest.Browser

	// quick opens a page with the gaps of a real bench, for what a person types.
	quick := func(t *testing.T) *echo {
		t.Helper()
		b = all.For(t)
		x, addr := newEcho(t)
		b.Open(addr + "/design")
		b.Wait(loaded)
		return x
	}
	// open allows for longer gaps: the keys of a scan reach the browser one message
	// at a time, which a loaded machine delays far beyond what a scanner does.
	open := func(t *testing.T) *echo {
		t.Helper()
		x := quick(t)
		browsertest.Eval[bool](b, `(localStorage.setItem("lastlook.gap", "1500"), setTimeout(() => location.reload(), 0), true)`)
		b.Wait(`performance.getEntriesByType("navigation")[0].type === "reload" && ` + loaded)
		return x
	}
	value := func(id string) string {
		return browsertest.Eval[string](b, `document.getElementById("`+id+`").value`)
	}
	focus := func(id string) {
		browsertest.Eval[bool](b, `(document.getElementById("`+id+`").focus(), document.activeElement.setSelectionRange?.(99, 99), true)`)
	}

	t.Run("no focus", func(t *testing.T) {
		x := open(t)
		b.Scan("PK-2041-063")
		took(b, "PK-2041-063")
		x.wantCodes(t, "PK-2041-063")
		x.set(func() {
			v := x.scans[0]
			if v.Get("at") != "/design" || len(v.Get("key")) < 20 {
				t.Errorf("scan sent %v, want at=/design and a key", v)
			}
		})
	})
	t.Run("focus in a field", func(t *testing.T) {
		x := open(t)
		focus("customer")
		b.Scan("PK-2041-063")
		took(b, "PK-2041-063")
		if got := value("customer"); got != "K" {
			t.Errorf("field holds %q after a scan, want %q", got, "K")
		}
		x.wantCodes(t, "PK-2041-063")
		if n := len(x.forms); n != 0 {
			t.Errorf("%d forms were sent by the Enter of a scan", n)
		}
	})
	t.Run("focus on a button", func(t *testing.T) {
		x := open(t)
		browsertest.Eval[bool](b, `(document.querySelector(".act-big").focus(), true)`)
		b.Scan("c123456")
		took(b, "c123456")
		x.wantCodes(t, "c123456")
		if n := len(x.forms); n != 0 {
			t.Errorf("%d buttons were pressed by a scan", n)
		}
	})
	t.Run("two in quick succession", func(t *testing.T) {
		x := open(t)
		x.set(func() {
			x.answer["FIRST-1"] = gin.H{"tone": "right", "text": "took FIRST-1", "go": "/design?show=note"}
		})
		b.Scan("FIRST-1")
		b.Scan("SECOND-2")
		took(b, "SECOND-2")
		b.Wait(`location.search === "?show=note"`)
		x.wantCodes(t, "FIRST-1", "SECOND-2")
		if k := x.scans; k[0].Get("key") == k[1].Get("key") {
			t.Errorf("two scans share the key %q", k[0].Get("key"))
		}
	})
	t.Run("across a full page load", func(t *testing.T) {
		x := open(t)
		x.set(func() { x.down = true })
		b.Scan("FIRST-1")
		b.Scan("SECOND-2")
		b.Wait(`document.getElementById("scans").dataset.state === "offline"`)
		browsertest.Eval[bool](b, `(setTimeout(() => location.reload(), 0), true)`)
		x.set(func() { x.down = false })
		b.Wait(queueEmpty)
		x.wantCodes(t, "FIRST-1", "SECOND-2")
	})
	t.Run("offline is said and retried", func(t *testing.T) {
		x := open(t)
		x.set(func() { x.down = true })
		b.Scan("KEPT-1")
		b.Wait(`document.querySelector(".scans-word").textContent.includes("kept")`)
		x.set(func() { x.down = false })
		b.Wait(queueEmpty)
		x.wantCodes(t, "KEPT-1")
	})
	t.Run("slow typing stays in the field", func(t *testing.T) {
		x := quick(t)
		focus("customer")
		b.Type("arl 5")
		b.Wait(`document.getElementById("customer").value === "Karl 5"`)
		x.wantCodes(t)
	})
	t.Run("typing at the caret", func(t *testing.T) {
		quick(t)
		focus("customer")
		browsertest.Eval[bool](b, `(window.inputs = 0, document.getElementById("customer").addEventListener("input", () => window.inputs++), document.getElementById("customer").value = "Hrl", document.getElementById("customer").setSelectionRange(1, 1), true)`)
		b.Type("a")
		b.Wait(`document.getElementById("customer").value === "Harl" && window.inputs === 1`)
	})
	t.Run("a quick run without an end stays in the field", func(t *testing.T) {
		x := open(t)
		focus("reason")
		b.ScanEnd("quick hands", "")
		b.Wait(`document.getElementById("reason").value === "quick hands"`)
		x.wantCodes(t)
	})
	t.Run("Enter after typing sends the form", func(t *testing.T) {
		x := quick(t)
		focus("units")
		b.Type("4")
		b.Keys("\r")
		b.Wait(`location.search === "?show=note"`)
		x.set(func() {
			if len(x.forms) != 1 || x.forms[0].Get("units") != "34" {
				t.Errorf("form = %v, want units=34 once", x.forms)
			}
		})
		x.wantCodes(t)
	})
	t.Run("a quick run without an end outside a field", func(t *testing.T) {
		x := open(t)
		b.ScanEnd("NOEND-77", "")
		took(b, "NOEND-77")
		x.wantCodes(t, "NOEND-77")
	})
	t.Run("ended by Tab", func(t *testing.T) {
		x := open(t)
		focus("customer")
		b.ScanEnd("TAB-1", "\t")
		took(b, "TAB-1")
		x.wantCodes(t, "TAB-1")
		if got := browsertest.Eval[string](b, "document.activeElement.id"); got != "customer" {
			t.Errorf("focus went to %q by the Tab of a scan", got)
		}
	})
	t.Run("group separator", func(t *testing.T) {
		x := open(t)
		b.Scan("]C10109501101530003\x1d10ABC")
		took(b, "10ABC")
		x.wantCodes(t, "]C10109501101530003\x1d10ABC")
	})
	t.Run("capitals and signs", func(t *testing.T) {
		x := open(t)
		b.Scan("aB/:%+&=?#<x>")
		took(b, "<x>")
		x.wantCodes(t, "aB/:%+&=?#<x>")
	})
	t.Run("4 000 characters", func(t *testing.T) {
		x := open(t)
		// Dispatched in the page: what is tested is the cut, not the keyboard.
		browsertest.Eval[bool](b, `(() => { for (const key of [..."A".repeat(4000), "Enter"]) document.body.dispatchEvent(new KeyboardEvent("keydown", {key, bubbles: true, cancelable: true})); return true; })()`)
		b.Wait(queueEmpty)
		b.Wait(`document.querySelector("#answer .answer-detail").textContent.includes("too long")`)
		if got := x.codes(); len(got) != 1 || got[0] != strings.Repeat("A", 512) {
			t.Errorf("scanned %.80q, want 512 characters once", got)
		}
		if got := x.scans[0].Get("length"); got != "4000" {
			t.Errorf("length = %q, want 4000", got)
		}
	})
	t.Run("wrong covers the screen until a tap", func(t *testing.T) {
		x := open(t)
		x.set(func() { x.answer["NOT-064"] = gin.H{"tone": "wrong", "text": "put 064 back", "stay": true} })
		b.Scan("NOT-064")
		took(b, "put 064 back")
		if got := browsertest.Eval[string](b, `(() => { const r = document.getElementById("answer").getBoundingClientRect(); return [r.left, r.top, r.width >= innerWidth, r.height >= innerHeight].join(); })()`); got != "0,0,true,true" {
			t.Errorf("the answer covers %s, want the whole window", got)
		}
		b.Keys("c") // a short cut behind the answer does nothing
		b.Click("#answer .answer-text")
		b.Wait(`document.getElementById("answer").hidden`)
		if len(x.forms) != 0 {
			t.Error("a short cut was pressed behind the answer")
		}
	})
	t.Run("the next scan replaces wrong", func(t *testing.T) {
		x := open(t)
		x.set(func() { x.answer["NOT-064"] = gin.H{"tone": "wrong", "text": "put 064 back", "stay": true} })
		b.Scan("NOT-064")
		took(b, "put 064 back")
		b.Scan("YES-063")
		took(b, "YES-063")
	})
	t.Run("a key presses its button", func(t *testing.T) {
		x := quick(t)
		b.Keys("c")
		b.Wait(`location.search === "?show=note"`)
		x.set(func() {
			if len(x.forms) != 1 || x.forms[0].Get("key") == "" {
				t.Errorf("forms = %v, want one with a key", x.forms)
			}
		})
	})
	t.Run("a second press sends nothing", func(t *testing.T) {
		x := open(t)
		// Counted in the page as well: the browser and htmx may drop the second by chance.
		if n := browsertest.Eval[int](b, `(() => { let n = 0; addEventListener("submit", () => n++); const big = document.querySelector(".act-big"); big.click(); big.click(); return n; })()`); n != 1 {
			t.Errorf("two presses made %d submits, want 1", n)
		}
		b.Wait(`location.search === "?show=note"`)
		x.set(func() {
			if len(x.forms) != 1 {
				t.Errorf("%d forms sent by two presses, want 1", len(x.forms))
			}
		})
	})
	t.Run("a code typed by hand", func(t *testing.T) {
		x := quick(t)
		b.Click(`[data-opens="type-a-code"]`)
		b.Wait(`document.activeElement.id === "typed-code"`)
		b.Type("K-7")
		b.Keys("\r")
		took(b, "K-7")
		x.wantCodes(t, "K-7")
	})
	t.Run("a scan while typing a code", func(t *testing.T) {
		x := open(t)
		b.Click(`[data-opens="type-a-code"]`)
		b.Wait(`document.activeElement.id === "typed-code"`)
		b.Scan("PK-2041-063")
		took(b, "PK-2041-063")
		x.wantCodes(t, "PK-2041-063")
		if got := value("typed-code"); got != "" {
			t.Errorf("the scan was typed into the field: %q", got)
		}
	})
	t.Run("a bad answer", func(t *testing.T) {
		x := open(t)
		x.set(func() { x.answer["ODD-1"] = gin.H{"detail": "There is no such package."} })
		b.Scan("ODD-1")
		took(b, "no such package")
		b.Wait(queueEmpty)
	})

	if f := all.Faults(); len(f) > 0 {
		t.Errorf("the page complained: %q", f)
	}
}
