// Package kiosk is what a browser or a scanner meets: routes, screens, scans.
//
// [New] gives the whole kiosk as one http.Handler. A handler reads the request,
// calls the domain and renders; it decides nothing about inspections. Each
// screen has a file of its own, named after it, with its page, its view and its
// handlers; the parts that screens are built from are in parts.go and can be seen
// together at /design. What a scan means is decided in scan.go, in one place.
package kiosk

import (
	"context"
	"io/fs"
	"log/slog"
	"net/http"
	"time"

	"github.com/gin-gonic/gin"

	"lastlook/assets"
	"lastlook/internal/consignment"
	"lastlook/internal/say"
	"lastlook/internal/store"
	"lastlook/reference"
)

// Config is what the kiosk needs to know before the first request.
type Config struct {
	Store *store.Store
	Bench string           // name of a bench whose browser has not been given another
	Demo  bool             // demo mode: pages say so, and /design is served
	Hosts []string         // host names served besides localhost, without port
	Log   *slog.Logger     // nil means slog.Default
	Now   func() time.Time // the clock of the pages; nil means time.Now
	// Paper is the sheet that records and label sheets are printed on: a4 or letter.
	Paper string
	// Version is the program's version, shown on records.
	Version string
	// Reference answers look-ups; nil means the shipped reference.
	Reference *reference.Index
	// Backups tells how the backups of this bench stand; nil if it makes none.
	Backups func() store.Kept
	// Notices tells in words how telling people outside stands, and whether somebody
	// has to see to it; nil if that is not this bench's to do.
	Notices func() (words say.Text, wrong bool)
}

// kiosk holds what handlers share.
type kiosk struct {
	*screens
	store   *store.Store
	paper   string
	version string
	ref     *reference.Index
	backups func() store.Kept // nil if none are made
	telling func() (words say.Text, wrong bool)
	upkeep  upkeep  // what the site makes of the reference
	uploads uploads // order files on their way in
	live    *live   // streams to pages that are left alone
}

// New builds the kiosk. It fails if a page or part is missing or broken.
func New(cfg Config) (http.Handler, error) {
	k := &kiosk{store: cfg.Store, paper: cfg.Paper, version: cfg.Version, backups: cfg.Backups, telling: cfg.Notices, live: newLive()}
	if k.paper == "" {
		k.paper = "a4"
	}
	var err error
	if k.ref = cfg.Reference; k.ref == nil {
		if k.ref, err = shippedReference(); err != nil {
			return nil, err
		}
	}
	k.screens, err = newScreens(screensConfig{
		Bench: cfg.Bench, Demo: cfg.Demo, Hosts: cfg.Hosts, Log: cfg.Log, Now: cfg.Now, Fill: k.fill,
	})
	if err != nil {
		return nil, err
	}
	if err := k.startUpkeep(context.Background()); err != nil {
		return nil, err
	}
	e := k.newEngine(streams...)
	k.routes(e)
	return served{e, k.live}, nil
}

// served is the kiosk as a handler, with what a server must end before it can stop.
type served struct {
	http.Handler
	live *live
}

// shippedReference indexes the embedded reference.
func shippedReference() (*reference.Index, error) {
	files, err := fs.Sub(assets.FS, "reference")
	if err != nil {
		return nil, err
	}
	book, err := reference.Load(files)
	if err != nil {
		return nil, err
	}
	return reference.NewIndex(book)
}

// Harden sets the time limits of the server around the kiosk, which must be its
// handler already, and ends open streams when the server shuts down.
func Harden(srv *http.Server) {
	harden(srv)
	if h, ok := srv.Handler.(served); ok {
		srv.RegisterOnShutdown(h.live.stop)
	}
}

// routes lists every route of the bench. Each goes through [kiosk.as], the one
// place where permission is asked.
func (k *kiosk) routes(e *gin.Engine) {
	e.Use(k.identify)
	look := func(path string, h handler) { e.GET(path, k.as(anybody, h)) }
	step := func(path string, h handler) { e.POST(path, k.as(atBench, h)) }
	e.Use(k.followUpkeep)

	look("/", k.due)
	e.GET("/health", k.handle(k.health))
	look("/type", k.typeCode)
	e.POST("/scan", k.as(anybody, k.scan))

	look("/who", k.who)
	e.POST("/who", k.as(anybody, k.chooseWho))
	look("/bench", k.benchPage)
	e.POST("/bench", k.as(atBench, k.nameBench))

	look("/c/:code", k.consignment)
	look("/c/:code/next", k.next)
	look("/c/:code/history", k.history)
	e.GET("/c/:code/change", k.as(atBench, k.changePage))
	step("/c/:code/change", k.change)

	e.GET("/c/:code/check/:phase", k.as(atBench, k.checkPage))
	step("/c/:code/check/:phase", k.check)
	e.GET("/c/:code/seal", k.as(atBench, k.sealPage))
	step("/c/:code/seal", k.seal)
	look("/c/:code/fetch", k.fetchPage)
	look("/c/:code/fetch/list", k.fetchList)
	e.GET("/c/:code/replace/:pkg", k.as(atBench, k.replacePage))
	step("/c/:code/replace/:pkg", k.replace)

	e.GET("/c/:code/p/:pkg", k.as(atBench, k.examine))
	step("/c/:code/p/:pkg", k.examineStep)
	e.GET("/c/:code/p/:pkg/closer", k.as(atBench, k.closer))
	e.GET("/c/:code/p/:pkg/find", k.as(atBench, k.findPage))
	step("/c/:code/p/:pkg/find", k.recordFind)
	e.POST("/c/:code/p/:pkg/photo", largerBody(maxPhoto), k.as(atBench, k.addPhoto))
	step("/c/:code/p/:pkg/ladder", k.ladder)
	e.GET("/c/:code/p/:pkg/stop", k.as(atBench, k.stopPage))
	step("/c/:code/p/:pkg/stop", k.stop)
	e.GET("/c/:code/f/:find", k.as(atBench, k.findDetail))
	step("/c/:code/f/:find", k.changeFind)
	e.GET("/c/:code/undo", k.as(atBench, k.undoPage))
	step("/c/:code/undo", k.undo)

	e.GET("/c/:code/conclude", k.as(atBench, k.concludePage))
	step("/c/:code/conclude", k.conclude)
	look("/c/:code/outcome", k.outcome)

	look("/photo/:hash", k.photo)
	look("/cards", k.cards)

	k.referenceRoutes(e)
	k.officeRoutes(e)
	k.paperRoutes(e)
	k.afterRoutes(e)
}

// state reads the consignment named in the path.
func (k *kiosk) state(c *gin.Context) (*consignment.State, error) {
	return k.store.Consignment(c.Request.Context(), c.Param("code"))
}

// do takes a step on the consignment named in the path, with the key and the
// version that the form carried.
func (k *kiosk) do(c *gin.Context, cmd consignment.Command) (store.Done, error) {
	return k.store.Do(c.Request.Context(), store.Step{
		Code: c.Param("code"), Key: c.PostForm("key"), Expect: formInt(c, "version"),
		Actor: actorOf(c), Bench: benchOf(c), Command: cmd,
	})
}

// doFor takes a step for a scan: on whatever is so now, with the scan's key.
func (k *kiosk) doFor(s scanned, code string, cmd consignment.Command) (*consignment.State, error) {
	done, err := k.store.Do(s.ctx, store.Step{Code: code, Key: s.key, Actor: actorOf(s.gin), Bench: benchOf(s.gin), Command: cmd})
	return done.State, err
}

// forward redirects after a step, so that reloading a page repeats nothing.
func (k *kiosk) forward(c *gin.Context, to string) error {
	c.Redirect(http.StatusSeeOther, to)
	return nil
}

// onward redirects to whatever comes next for the consignment at this bench.
func (k *kiosk) onward(c *gin.Context, st *consignment.State) error {
	return k.forward(c, nextPath(st, benchOf(c)))
}

// tell keeps a flash for the next page.
func tell(c *gin.Context, f Flash) { keepFlash(c, f) }
