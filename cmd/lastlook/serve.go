package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"time"

	"lastlook/internal/paper"
	"lastlook/internal/store"
	"lastlook/kiosk"
)

const (
	// defaultListen is where the bench is served: this machine only.
	defaultListen = "localhost:8480"
	// defaultBench names the bench where nobody gives it a name.
	defaultBench = "bench 1"
	// shutdownLimit is how long requests under way may still take after a signal.
	shutdownLimit = 10 * time.Second
)

func serveCommand() command {
	return command{
		name:    "serve",
		summary: "serve the bench to the browser on this machine",
		run:     serve,
	}
}

func serve(ctx context.Context, t terminal, args []string) error {
	fs := newFlags(t, "serve", "serve [--data DIR] [--listen ADDR] [--bench NAME] [--paper a4|letter]\n                      [--backup DIR [--backup-every 24h] [--backup-keep 14]]\n\nServes the bench until it is interrupted. Only a browser on this machine can\nreach it. With --backup it makes a checked backup when the newest one is older\nthan --backup-every; the office page and /health tell how backups stand.")
	data := dataFlag(fs)
	listen := fs.String("listen", defaultListen, "`address` and port on this machine; port 0 takes a free one")
	bench := fs.String("bench", defaultBench, "`name` of this bench, on every screen and every step")
	sheet := paperFlag(fs)
	plan := backupFlags(fs)
	rest, err := parse(fs, args)
	switch {
	case err != nil:
		return err
	case len(rest) > 0:
		return usagef("serve takes only flags, got %q", rest[0])
	case strings.TrimSpace(*bench) == "":
		return usagef("the bench needs a name: --bench \"bench 1\"")
	}
	if err := checkPaper(*sheet); err != nil {
		return err
	}
	if err := plan.check(fs); err != nil {
		return err
	}
	// The address is taken before the data is opened: of two servers started by
	// mistake the second then touches nothing.
	ln, err := listenHere(ctx, *listen)
	if err != nil {
		return err
	}
	defer ln.Close()
	// A mistake in who is told must not be found out at the first stop.
	who, err := loadNotify(*data)
	if err != nil {
		return err
	}
	st, err := openData(ctx, t, *data, false)
	if err != nil {
		return err
	}
	defer st.Close()
	warn(t, st.Warnings())
	roster, err := st.Roster(ctx)
	if err != nil {
		return err
	}
	cfg := kiosk.Config{Store: st, Bench: strings.TrimSpace(*bench), Paper: *sheet, Version: version}
	if cfg.Now, err = clock(); err != nil {
		return err
	}
	if cfg.Now != nil {
		st.Now = cfg.Now
	}
	stop, err := plan.start(ctx, t, &cfg)
	if err != nil {
		return err
	}
	defer stop() // before the data is closed
	quit, err := startNotices(ctx, t, &cfg, who)
	if err != nil {
		return err
	}
	defer quit()
	words, _ := cfg.Notices()
	return serveOn(ctx, t, ln, cfg, func(url string) {
		fmt.Fprintf(t.out, "The bench is at %s\nData: %s\n%s\nStop it with Ctrl+C.\n", url, st.Dir(), words)
		if len(roster.Working()) == 0 {
			fmt.Fprintf(t.out, "\nNobody is on the list of people yet. Open %s/people: the first person to\ndo so puts themselves on it as supervisor, then the others.\n", url)
		}
	})
}

// backupPlan is when serve backs up, and where to.
type backupPlan struct {
	dir   *string
	every *time.Duration
	keep  *int
}

func backupFlags(fs *flag.FlagSet) backupPlan {
	return backupPlan{
		dir:   fs.String("backup", "", "`folder` to back up to while serving; best on another disk"),
		every: fs.Duration("backup-every", 24*time.Hour, "how old the newest backup may become, like 24h or 90m"),
		keep:  fs.Int("backup-keep", 14, "how many backups stay, the `N` newest sound ones"),
	}
}

// shortestPlan is how often backups may be asked for. Each of them is checked
// step by step, beside the bench at work.
const shortestPlan = time.Minute

func (p backupPlan) check(fs *flag.FlagSet) error {
	switch {
	case *p.dir == "" && (given(fs, "backup-every") || given(fs, "backup-keep")):
		return usagef("say where backups go: --backup FOLDER")
	case *p.every < shortestPlan:
		return usagef("--backup-every is at least 1m; a usual one is 24h")
	case *p.keep < 1:
		return usagef("--backup-keep is at least 1; a usual one is 14")
	}
	return nil
}

// start begins with the backups, if there are to be any. The function it gives
// ends them, and returns when the last one is over.
func (p backupPlan) start(ctx context.Context, t terminal, cfg *kiosk.Config) (stop func(), err error) {
	if *p.dir == "" {
		return func() {}, nil
	}
	dir, err := filepath.Abs(*p.dir)
	if err != nil {
		return nil, err
	}
	log := slog.New(slog.NewTextHandler(t.err, nil))
	keeper := store.NewKeeper(cfg.Store, dir, *p.every, *p.keep)
	keeper.Report = func(k store.Kept) {
		words, wrong := k.Words()
		switch {
		case k.Err != nil:
			log.Error("backup failed", "words", words.String(), "err", errors.Unwrap(k.Err))
		case wrong:
			log.Warn("backup", "words", words.String(), "file", k.Good.Path)
		default:
			log.Info("backup", "file", k.Good.Path, "steps", k.Good.Steps, "bytes", k.Good.Bytes, "head", k.Good.Head.Fingerprint(), "removed", len(k.Good.Removed))
		}
	}
	cfg.Backups = keeper.Last
	ctx, cancel := context.WithCancel(ctx)
	var running sync.WaitGroup
	running.Go(func() { keeper.Run(ctx) })
	return func() { cancel(); running.Wait() }, nil
}

// papers are the sheets that can be loaded; the first is the usual one.
var papers = []string{"a4", "letter"}

func paperFlag(fs interface {
	String(name, value, usage string) *string
}) *string {
	return fs.String("paper", papers[0], "`sheet` that records and labels are printed on: "+strings.Join(papers, " or "))
}

func checkPaper(name string) error {
	for _, p := range papers {
		if p == name {
			if _, err := paper.SheetNamed(name); err != nil {
				return err
			}
			return nil
		}
	}
	return usagef("there is no paper %q: use --paper %s", name, strings.Join(papers, " or --paper "))
}

// listenHere takes an address of this machine. It refuses any other, because
// what is said on a network must be encrypted, which this version does not do.
func listenHere(ctx context.Context, addr string) (net.Listener, error) {
	host, port, err := net.SplitHostPort(addr)
	if err != nil {
		return nil, usagef("%q is not an address with a port: write it like --listen %s", addr, defaultListen)
	}
	if host != "localhost" {
		ip := net.ParseIP(host)
		if !ip.IsLoopback() {
			return nil, usagef("%q would be reachable from the network, and this version does not encrypt what is sent there: use --listen %s and a browser on this machine",
				addr, net.JoinHostPort("localhost", port))
		}
	}
	var lc net.ListenConfig
	ln, err := lc.Listen(ctx, "tcp", addr)
	switch {
	case err == nil:
		return ln, nil
	case errors.Is(err, syscall.EADDRINUSE):
		return nil, &inUse{addr}
	case errors.Is(err, syscall.EACCES):
		return nil, fmt.Errorf("port %s may not be used by this account: choose one above 1023, like --listen %s", port, defaultListen)
	}
	var bad *net.AddrError
	var dns *net.DNSError
	if errors.As(err, &bad) || errors.As(err, &dns) {
		return nil, usagef("%q is not an address with a port from 0 to 65535: write it like --listen %s", addr, defaultListen)
	}
	return nil, fmt.Errorf("%s cannot be listened on: %v", addr, err)
}

// inUse is the refusal of an address that somebody else has.
type inUse struct{ addr string }

func (e *inUse) Error() string {
	return fmt.Sprintf("%s is in use by another program, perhaps another lastlook: stop that one, or choose another port with --listen", e.addr)
}

// serveOn serves the kiosk until ctx ends, then lets requests under way finish.
// ready is called with the address once the browser may come.
func serveOn(ctx context.Context, t terminal, ln net.Listener, cfg kiosk.Config, ready func(url string)) error {
	log := slog.New(slog.NewTextHandler(t.err, nil))
	cfg.Log = log
	h, err := kiosk.New(cfg)
	if err != nil {
		return err
	}
	srv := &http.Server{Handler: h, ErrorLog: slog.NewLogLogger(log.Handler(), slog.LevelWarn)}
	kiosk.Harden(srv)
	ended := make(chan error, 1)
	go func() { ended <- srv.Serve(ln) }()
	url := address(ln)
	log.Info("serving", "address", url, "bench", cfg.Bench, "data", cfg.Store.Dir(), "version", version+revision())
	ready(url)
	select {
	case err := <-ended:
		return fmt.Errorf("the bench stopped answering: %w", err)
	case <-ctx.Done():
	}
	log.Info("stopping", "wait", shutdownLimit)
	stop, cancel := context.WithTimeout(context.WithoutCancel(ctx), shutdownLimit)
	defer cancel()
	if err := srv.Shutdown(stop); err != nil {
		log.Warn("requests were cut off", "err", err)
		srv.Close()
	}
	log.Info("stopped")
	return nil
}

// address gives what to type into a browser.
func address(ln net.Listener) string {
	a, ok := ln.Addr().(*net.TCPAddr)
	if !ok {
		return "http://" + ln.Addr().String()
	}
	host := a.IP.String()
	if a.IP.Equal(net.IPv4(127, 0, 0, 1)) || a.IP.Equal(net.IPv6loopback) {
		host = "localhost"
	}
	return "http://" + net.JoinHostPort(host, fmt.Sprint(a.Port))
}
