package browsertest

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
)

// serve answers with one page.
func serve(t *testing.T, body string) string {
	t.Helper()
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		w.Header().Set("Content-Security-Policy", "default-src 'self'; script-src 'self' 'unsafe-inline'")
		_, _ = w.Write([]byte(`<!doctype html><html lang="en"><title>page</title><main><h1>page</h1>` + body + `</main></html>`))
	}))
	t.Cleanup(srv.Close)
	return srv.URL
}

func TestAxeFindsAPlantedFault(t *testing.T) {
	b := New(t)
	b.Open(serve(t, `<img src="data:,">`))
	if got := strings.Join(b.Axe(), "\n"); !strings.Contains(got, "image-alt") {
		t.Errorf("Axe() on an image without text = %q, want image-alt", got)
	}
}

func TestScanSendsKeysInOrder(t *testing.T) {
	b := New(t)
	b.Open(serve(t, `<p id="p"></p><script>
		let last = 0, widest = 0;
		addEventListener("keydown", (e) => {
			if (["Shift", "Control"].includes(e.key)) return;
			if (last) widest = Math.max(widest, e.timeStamp - last);
			last = e.timeStamp;
			window.widest = widest;
			document.getElementById("p").textContent += (e.ctrlKey ? "^" : "") + e.key;
		});</script>`))
	b.Scan("L-a\x1d9")
	b.Wait(`document.getElementById("p").textContent.endsWith("Enter")`)
	if got, want := b.Text("#p"), "L-a^]9Enter"; got != want {
		t.Errorf("Scan sent %q, want %q", got, want)
	}
	if got := Eval[float64](b, "window.widest"); got > 20 {
		t.Errorf("widest gap between two keys of a scan = %v ms, want about 5", got)
	}
	if f := b.Faults(); len(f) > 0 {
		t.Errorf("Faults() = %q", f)
	}
}
