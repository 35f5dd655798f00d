package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"time"

	"lastlook/internal/code"
	"lastlook/internal/demo"
	"lastlook/internal/label"
	"lastlook/internal/notify/courier"
	"lastlook/internal/paper"
	"lastlook/internal/store"
	"lastlook/kiosk"
)

func demoCommand() command {
	return command{
		name:    "demo",
		summary: "try the bench with invented data",
		run:     runDemo,
	}
}

// demoPorts is how many ports after the usual one are tried for a free one.
const demoPorts = 20

// demoLabels is the file with labels to scan.
const demoLabels = "demo-labels.pdf"

func runDemo(ctx context.Context, t terminal, args []string) error {
	fs := newFlags(t, "demo", "demo [--listen ADDR] [--keep DIR] [--no-open] [--paper a4|letter]\n\nServes a bench with the invented data of Quillfern Growers, in a temporary\nfolder that is removed at the end.")
	listen := fs.String("listen", "", "`address` and port on this machine; without it "+defaultListen+" or the next free port")
	keep := fs.String("keep", "", "`folder` to keep the data in; a new or empty one")
	noOpen := fs.Bool("no-open", false, "do not open the browser")
	sheet := paperFlag(fs)
	rest, err := parse(fs, args)
	switch {
	case err != nil:
		return err
	case len(rest) > 0:
		return usagef("demo takes only flags, got %q", rest[0])
	}
	if err := checkPaper(*sheet); err != nil {
		return err
	}
	ln, err := listenDemo(ctx, *listen)
	if err != nil {
		return err
	}
	defer ln.Close()
	dir, remove, err := demoFolder(*keep)
	if err != nil {
		return err
	}
	defer remove()
	st, err := store.Open(ctx, dir)
	if err != nil {
		return err
	}
	defer st.Close()
	made, err := demo.Fill(ctx, st, time.Now())
	if err != nil {
		return err
	}
	file := filepath.Join(dir, demoLabels)
	if err := writeDemoLabels(ctx, st, made, *sheet, file); err != nil {
		return err
	}
	cfg := kiosk.Config{Store: st, Bench: demo.Bench, Demo: true, Paper: *sheet, Version: version}
	// The demo tells nobody outside: its stops are shown and can be printed.
	quit, err := startNotices(ctx, t, &cfg, &courier.Config{})
	if err != nil {
		return err
	}
	defer quit()
	return serveOn(ctx, t, ln, cfg, func(url string) {
		printDemo(t, url, dir, file, *keep != "", made)
		if !*noOpen {
			openBrowser(context.WithoutCancel(ctx), url)
		}
	})
}

// listenDemo takes the address given or, without one, the first free port from
// the usual one on.
func listenDemo(ctx context.Context, addr string) (net.Listener, error) {
	if addr != "" {
		return listenHere(ctx, addr)
	}
	host, first, err := net.SplitHostPort(defaultListen)
	if err != nil {
		return nil, err
	}
	port, err := strconv.Atoi(first)
	if err != nil {
		return nil, err
	}
	var used *inUse
	for i := range demoPorts {
		ln, err := listenHere(ctx, net.JoinHostPort(host, strconv.Itoa(port+i)))
		if !errors.As(err, &used) {
			return ln, err
		}
	}
	return nil, fmt.Errorf("the ports %d to %d are all in use: name a free one with --listen localhost:PORT", port, port+demoPorts-1)
}

// demoFolder gives the folder of the data and what removes it at the end.
func demoFolder(keep string) (dir string, remove func(), err error) {
	if keep == "" {
		if dir, err = os.MkdirTemp("", "lastlook-demo-"); err != nil {
			return "", nil, fmt.Errorf("no temporary folder could be made: %s", fileTrouble(err))
		}
		return dir, func() { os.RemoveAll(dir) }, nil
	}
	switch entries, err := os.ReadDir(keep); {
	case err == nil && len(entries) > 0:
		return "", nil, usagef("%s is not empty: the demo wants a new folder, so that it never mixes with real data. To go on with it use lastlook serve --data %s", keep, keep)
	case err != nil && !errors.Is(err, os.ErrNotExist):
		return "", nil, fmt.Errorf("%s cannot be used: %s", keep, fileTrouble(err))
	}
	return keep, func() {}, nil
}

// writeDemoLabels writes labels for trying out with a scanner: all of the sealed
// consignment and of the one at work, and the first of the fresh one.
func writeDemoLabels(ctx context.Context, st *store.Store, made *demo.Made, sheetName, file string) error {
	sheet, err := paper.SheetNamed(sheetName)
	if err != nil {
		return err
	}
	var all []paper.Label
	for _, number := range []string{demo.Drawn, demo.AtWork, demo.Fresh} {
		state, err := st.Consignment(ctx, made.Codes[number])
		if err != nil {
			return err
		}
		ls, err := label.For(state, 1, state.Total(), time.Local, nil)
		if err != nil {
			return err
		}
		all = append(all, ls...)
	}
	head, err := st.Head(ctx)
	if err != nil {
		return err
	}
	var b bytes.Buffer
	err = paper.Labels(&b, sheet, all, paper.LabelOptions{Invented: true, Created: st.Now(), Title: "Lastlook demo labels", Head: head.Fingerprint(), Steps: head.Size})
	if err != nil {
		return err
	}
	return writeWhole(file, b.Bytes())
}

// printDemo says where the bench is and what to try.
func printDemo(t terminal, url, dir, file string, kept bool, made *demo.Made) {
	badge := func(name string) string {
		return code.Code{Kind: code.KindBadge, Payload: made.People[name].Badge}.Human()
	}
	drawn, work := made.States[demo.Drawn].Round(), made.States[demo.AtWork].Round()
	pkg := func(number string, n int) string { return code.Package(made.Codes[number], n).Human() }

	fmt.Fprintf(t.out, `
The bench is at %s   (Quillfern Growers, its people and districts are invented)

A scan is typed: quickly, with Enter behind it, as a scanner does, or by hand
under "type a code" at the top of each screen.

 1. Say who you are: choose %s, or type the badge  %s
 2. %s is sealed and drawn. Fetch its packages, typing each code:
`, url, demo.Tam, badge(demo.Tam), demo.Drawn)
	for _, n := range drawn.ToExamine() {
		fmt.Fprintf(t.out, "      %s\n", pkg(demo.Drawn, n))
	}
	wrong := 1
	for drawn.Exams[wrong] != nil {
		wrong++
	}
	fmt.Fprintf(t.out, `    and one that is not in the draw, to see the refusal:
      %s
 3. %s has its packages at the bench and one examined. Examine the others:
`, pkg(demo.Drawn, wrong), demo.AtWork)
	for _, n := range work.ToExamine() {
		if !work.Exams[n].Closed() {
			fmt.Fprintf(t.out, "      %s\n", pkg(demo.AtWork, n))
		}
	}
	fmt.Fprintf(t.out, `    Find something, press "I don't know", take a step back.
 4. %s is untouched: labels, bench check, seal, draw, from the beginning.
      %s
 5. %s passed and %s was rejected this morning: read why. %s is held; its
    sample is in the fridge, labelled  %s
 6. Going down the ladder takes a supervisor: %s, badge  %s
    %s is a trainee, badge  %s
 7. %s may leave: load it at the gate  %s/gate
    The screen for the wall  %s/board

To print:  labels  %s
           badges  %s/badges
           cards   %s/cards
           one label on screen  %s/c/%s/labels/1
Office:    %s/office
`, demo.Fresh, code.Consignment(made.Codes[demo.Fresh]).Human(), demo.Passed, demo.Rejected,
		demo.Held, code.Code{Kind: code.KindSample, Payload: made.States[demo.Held].Samples[0].Sample}.Human(),
		demo.Ida, badge(demo.Ida), demo.Bea, badge(demo.Bea),
		demo.Passed, url, url,
		file, url, url, url, made.Codes[demo.Fresh], url)
	if kept {
		fmt.Fprintf(t.out, "\nThe data stays in %s. Stop with Ctrl+C.\n\n", dir)
	} else {
		fmt.Fprintf(t.out, "\nThe data is in %s and goes away at the end. Stop with Ctrl+C.\n\n", dir)
	}
}

// openBrowser asks the system to show the page. That it cannot is no trouble:
// the address has been printed.
func openBrowser(ctx context.Context, url string) {
	var cmd *exec.Cmd
	switch runtime.GOOS {
	case "windows":
		cmd = exec.CommandContext(ctx, "rundll32", "url.dll,FileProtocolHandler", url)
	case "darwin":
		cmd = exec.CommandContext(ctx, "open", url)
	default:
		cmd = exec.CommandContext(ctx, "xdg-open", url)
	}
	if cmd.Start() == nil {
		go func() { _ = cmd.Wait() }() // it may live as long as the browser
	}
}
