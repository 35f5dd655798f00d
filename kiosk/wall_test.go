package kiosk

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"testing"
	"time"

	"lastlook/internal/browsertest"
	"lastlook/internal/consignment"
	"lastlook/internal/ladder"
)

// serveAt serves the desk's data at an address with a kiosk of its own, as a program
// that was started again does. The function it gives stops it as the program does.
func (d *benchDesk) serveAt(addr, version string) (url string, stop func()) {
	d.t.Helper()
	k := &kiosk{store: d.store, paper: "a4", version: version, ref: testReference(d.t), live: newLive()}
	var err error
	k.screens, err = newScreens(screensConfig{Bench: "wall", Demo: true, Fill: k.fill, Now: func() time.Time { return noon }, Log: slog.New(slog.NewTextHandler(io.Discard, nil))})
	if err != nil {
		d.t.Fatal(err)
	}
	e := k.newEngine(streams...)
	k.routes(e)
	srv := &http.Server{Handler: served{e, k.live}}
	Harden(srv)
	ln, err := net.Listen("tcp", addr)
	if err != nil {
		d.t.Fatal(err)
	}
	go srv.Serve(ln)
	d.t.Cleanup(func() { k.live.stop(); srv.Close() })
	return "http://" + ln.Addr().String(), func() {
		ctx, cancel := context.WithTimeout(context.Background(), 15*time.Second)
		defer cancel()
		if err := srv.Shutdown(ctx); err != nil {
			d.t.Fatalf("the server does not stop while a board is open: %v", err)
		}
	}
}

// full puts something into every group of the board, more than it has room for.
func (d *benchDesk) full() {
	d.t.Helper()
	for n := range 9 {
		d.order(fmt.Sprintf("K-21%02d", n), 30+n)
	}
	for n := range 7 {
		number := fmt.Sprintf("K-22%02d", n)
		d.order(number, map[bool]int{true: 12, false: 1}[n < 2])
		d.pass(number)
	}
	d.draw("K-2036")
	d.draw("K-2041")
	for n := range 12 {
		number := fmt.Sprintf("K-23%02d", n)
		d.order(number, 40)
		rung := ladder.Sample
		if n < 7 {
			rung = ladder.Stop
		}
		d.do(number, consignment.HoldBack{Rung: rung, Reason: "the same batch as K-2036"})
	}
	d.load("K-2200", 1, 2, 3)
	d.load("K-2201", 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12)
	d.do("K-2201", consignment.Dispatch{Vehicle: "EM 12 LK"})
	d.load("K-2202", 1)
	d.do("K-2202", consignment.Dispatch{Vehicle: "EM 12 LK"})
}

func TestBoardThroughARestart(t *testing.T) {
	d := newBenchDesk(t)
	d.full()
	url, stop := d.serveAt("127.0.0.1:0", "1")
	addr := url[len("http://"):]
	b := browsertest.New(t)
	shot := func(name string, width, height int64) {
		if dir := os.Getenv("LASTLOOK_SHOTS"); dir != "" {
			b.Size(width, height)
			b.Shot(filepath.Join(dir, fmt.Sprintf("board-%s-%d.png", name, width)))
		}
	}
	b.Size(1920, 1080)
	b.Open(url + "/board")
	b.Wait(`Number(document.getElementById("wall").dataset.drawn) > 0`)
	for _, size := range [][2]int64{{1920, 1080}, {3840, 2160}, {1280, 800}, {1024, 768}, {390, 844}} {
		b.Size(size[0], size[1])
		if wide := browsertest.Eval[float64](b, `document.documentElement.scrollWidth - innerWidth`); wide > 0 {
			t.Errorf("%v px wider than a window of %d", wide, size[0])
		}
		shot("full", size[0], size[1])
	}
	for _, size := range [][2]int64{{1920, 1080}, {3840, 2160}} {
		b.Size(size[0], size[1])
		if over := browsertest.Eval[float64](b, `document.documentElement.scrollHeight - innerHeight`); over > 0 {
			t.Errorf("the board is %v px higher than a wall screen of %v: something is out of sight", over, size)
		}
		// ISO 9241-303 wants letters of 16 minutes of arc and more: 18.6 mm at 4 m. On a
		// screen of 55 inches that are 29 of 1080 lines, and a capital is about 0.67 of
		// the size of its type.
		if got := browsertest.Eval[float64](b, `parseFloat(getComputedStyle(document.querySelector(".wall .tag-number")).fontSize) * 0.67 / innerHeight * 1080`); got < 28.5 {
			t.Errorf("capitals of the numbers are %.1f of 1080 lines high, want 29", got)
		}
	}
	b.Size(1920, 1080)
	for _, v := range b.Axe() {
		t.Errorf("axe: %s", v)
	}

	browsertest.Eval[bool](b, `(window.sameBoard = true)`)
	d.do("K-2100", consignment.HoldBack{Rung: ladder.Stop, Reason: "seen"})
	b.Wait(`document.querySelector(".wall-stopped .wall-count").innerText === "8"`)

	stop()
	b.Wait(`document.getElementById("wall").classList.contains("is-lost") && document.getElementById("wall-lost").innerText.includes("Not connected since")`)
	shot("lost", 1920, 1080)
	d.do("K-2101", consignment.HoldBack{Rung: ladder.Stop, Reason: "seen"}) // meanwhile
	if got := b.Text(".wall-stopped .wall-count"); got != "8" {
		t.Errorf("a board that is not connected shows %q stopped", got)
	}
	_, stop = d.serveAt(addr, "1")
	b.Wait(`!document.getElementById("wall").classList.contains("is-lost") && document.querySelector(".wall-stopped .wall-count").innerText === "9"`)
	if !browsertest.Eval[bool](b, `window.sameBoard === true && document.getElementById("wall-lost").hidden`) {
		t.Error("the board was loaded again although the same program serves, or still says that it is not connected")
	}

	// Another program: the page is loaded again, once.
	stop()
	b.Wait(`document.getElementById("wall").classList.contains("is-lost")`)
	d.serveAt(addr, "2")
	b.Wait(`window.sameBoard === undefined && document.getElementById("wall")?.dataset.program.startsWith("2 ") && Number(document.getElementById("wall").dataset.drawn) > 0`)
	if f := b.Faults(); len(f) > 0 {
		t.Errorf("the board complained: %q", f)
	}

	// What is drawn again and again leaves nothing behind.
	count := `document.getElementsByTagName("*").length`
	before := browsertest.Eval[int](b, count)
	drawn := browsertest.Eval[int](b, `Number(document.getElementById("wall").dataset.drawn)`)
	for n := range 5 {
		d.do("K-2102", consignment.PrintLabels{Sheet: "a4", From: 1, To: 2, Reason: itoa(n)})
		b.Wait(fmt.Sprintf(`Number(document.getElementById("wall").dataset.drawn) > %d`, drawn+n))
	}
	if after := browsertest.Eval[int](b, count); after != before {
		t.Errorf("%d elements after five steps, %d before", after, before)
	}
}
