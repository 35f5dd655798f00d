package kiosk

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"github.com/gin-gonic/gin"

	"lastlook/internal/consignment"
	"lastlook/internal/people"
	"lastlook/internal/say"
	"lastlook/internal/store"
	"lastlook/reference"
)

// upkeep follows what a site makes of the shipped reference: the state of the
// supervisor's upkeep, and with it the index that look-ups ask. The zero value
// follows nothing until start.
type upkeep struct {
	turn sync.Mutex // one at a time reads on and builds the index
	now  atomic.Pointer[upkept]
	// texts are the hashes known to be kept in the store. Guarded by turn.
	texts map[string]bool
}

// upkept is one state of the upkeep over the shipped reference. It does not change.
type upkept struct {
	*reference.Upkeep
	shipped *reference.Book
}

// text gives the text in force, nil if there is none.
func (s *upkept) text(id string) *reference.Entry { return s.Text(s.shipped, id) }

// startUpkeep lays what the store knows over the book that look-ups begin with,
// and notes which shipped texts this program brought.
func (k *kiosk) startUpkeep(ctx context.Context) error {
	k.upkeep.now.Store(&upkept{&reference.Upkeep{}, k.ref.Book()})
	k.upkeep.texts = map[string]bool{}
	itself := consignment.Actor{ID: "lastlook", Name: "Lastlook"}
	return k.doUpkeep(ctx, itself, k.Bench, "", reference.TakeShipped{})
}

// upkeepNow gives the state of the upkeep; nil in a kiosk without a reference.
func (k *kiosk) upkeepNow() *upkept { return k.upkeep.now.Load() }

// followUpkeep lets each request see what other programs on the same data did with
// the reference. Whoever finds something new reads it in; others meanwhile are
// answered from the index before.
func (k *kiosk) followUpkeep(c *gin.Context) {
	if now := k.upkeepNow(); now != nil {
		seq, err := k.store.ReferenceSeq(c.Request.Context())
		if err == nil && seq > now.Seq && k.upkeep.turn.TryLock() {
			err = k.readOn(c.Request.Context())
			k.upkeep.turn.Unlock()
		}
		if err != nil && !errors.Is(err, context.Canceled) {
			k.Log.Error("following the reference failed: look-ups use the one before", "err", err)
		}
	}
	c.Next()
}

// catchUp reads on until everything that is in the store now is in the index.
func (k *kiosk) catchUp(ctx context.Context) error {
	k.upkeep.turn.Lock()
	defer k.upkeep.turn.Unlock()
	return k.readOn(ctx)
}

// readOn reads the steps since the last time, and builds the index if they change
// what is looked up. Each text that can be pinned by a find is kept before it can be
// found.
func (k *kiosk) readOn(ctx context.Context) error {
	// A half-built index helps nobody: the work goes on if the browser goes away.
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), time.Minute)
	defer cancel()
	now := k.upkeepNow()
	events, err := k.store.ReferenceEvents(ctx, now.Seq)
	if err != nil {
		return err
	}
	next, err := with(now, events)
	if err != nil {
		return err
	}
	book := next.Book(now.shipped)
	if err := k.keepTexts(ctx, next, book); err != nil {
		return err
	}
	if !sameBook(book, k.ref.Book()) {
		if err := k.ref.Replace(book); err != nil {
			return err
		}
	}
	k.upkeep.now.Store(next)
	return nil
}

// sameBook reports whether two books hold the same entries and lists. Texts are
// shared between books, so most entries are known to be the same without a look.
func sameBook(a, b *reference.Book) bool {
	same := func(x, y *reference.Entry) bool { return x == y || x.Hash() == y.Hash() }
	return slices.EqualFunc(a.Entries(), b.Entries(), same) &&
		slices.EqualFunc(a.Lists(), b.Lists(), func(x, y *reference.List) bool { return x == y || x.Hash() == y.Hash() })
}

// keepTexts keeps the text of each entry as it is shipped, in force and used here.
func (k *kiosk) keepTexts(ctx context.Context, s *upkept, book *reference.Book) error {
	var texts [][]byte
	var hashes []string
	add := func(e *reference.Entry) {
		if e == nil {
			return
		}
		if h := e.Hash(); !k.upkeep.texts[h] && !slices.Contains(hashes, h) {
			texts, hashes = append(texts, e.Canonical()), append(hashes, h)
		}
	}
	for _, e := range s.shipped.Entries() {
		add(e)
	}
	for _, id := range s.IDs(s.shipped) {
		if e := s.text(id); e != s.shipped.Entry(id) {
			add(e)
		}
		if e := book.Entry(id); e != s.shipped.Entry(id) {
			add(e)
		}
	}
	if len(texts) == 0 {
		return nil
	}
	if err := k.store.PutTexts(ctx, texts); err != nil {
		return err
	}
	for _, h := range hashes {
		k.upkeep.texts[h] = true
	}
	return nil
}

// with gives the state after more events of the store.
func with(s *upkept, events []store.ReferenceEvent) (*upkept, error) {
	recs := make([]reference.UpkeepRecord, len(events))
	for i, e := range events {
		ev, err := reference.DecodeUpkeep(e.Kind, e.Data)
		if err != nil {
			return nil, err
		}
		recs[i] = reference.UpkeepRecord{Seq: e.Seq, Stream: e.Stream, Version: e.Version, At: e.At, By: e.Actor.Name, ByID: e.Actor.ID, Event: ev}
	}
	next, err := s.With(recs)
	if err != nil {
		return nil, err
	}
	return &upkept{next, s.shipped}, nil
}

// doUpkeep takes a step on the reference. When it returns without an error, the
// step is durable and the next look-up sees it.
func (k *kiosk) doUpkeep(ctx context.Context, actor consignment.Actor, bench, key string, cmd reference.UpkeepCommand) error {
	if err := takeStep(ctx, k.store, k.upkeepNow(), actor, bench, key, cmd); err != nil {
		return err
	}
	return k.catchUp(ctx)
}

// takeStep decides a command on what is in the store by then, and keeps what follows.
func takeStep(ctx context.Context, st *store.Store, now *upkept, actor consignment.Actor, bench, key string, cmd reference.UpkeepCommand) error {
	_, err := st.DoReference(ctx, store.ReferenceStep{
		Key: key, Actor: actor, Bench: bench, Seen: now.Seq,
		Decide: func(since []store.ReferenceEvent) ([]store.ReferenceWrite, error) {
			s, err := with(now, since)
			if err != nil {
				return nil, err
			}
			writes, err := s.Decide(s.shipped, cmd)
			if err != nil {
				return nil, err
			}
			out := make([]store.ReferenceWrite, len(writes))
			for i, w := range writes {
				data, err := reference.EncodeUpkeep(w.Event)
				if err != nil {
					return nil, err
				}
				out[i] = store.ReferenceWrite{Stream: w.Stream, Kind: w.Event.Kind(), Data: data}
			}
			return out, nil
		},
	})
	return err
}

// ReadUpkeep reads what a site made of the shipped reference, for programs
// without screens.
func ReadUpkeep(ctx context.Context, st *store.Store, shipped *reference.Book) (*reference.Upkeep, error) {
	events, err := st.ReferenceEvents(ctx, 0)
	if err != nil {
		return nil, err
	}
	s, err := with(&upkept{&reference.Upkeep{}, shipped}, events)
	if err != nil {
		return nil, err
	}
	return s.Upkeep, nil
}

// DoUpkeep takes a step on the reference of a site, from the state that ReadUpkeep
// gave. Benches on the same data see it at their next request.
func DoUpkeep(ctx context.Context, st *store.Store, shipped *reference.Book, u *reference.Upkeep, actor consignment.Actor, cmd reference.UpkeepCommand) error {
	return takeStep(ctx, st, &upkept{u, shipped}, actor, "office", "", cmd)
}

// stepUpkeep takes a step on the reference for the person at the bench.
func (k *kiosk) stepUpkeep(c *gin.Context, cmd reference.UpkeepCommand) error {
	return k.doUpkeep(c.Request.Context(), actorOf(c), benchOf(c), c.PostForm("key"), cmd)
}

// destinationOf gives a destination with the optional lists that the supervisor
// switched on for it.
func (k *kiosk) destinationOf(name string) reference.Destination {
	if s := k.upkeepNow(); s != nil {
		return s.Destination(name)
	}
	return reference.Destination{Name: name}
}

// photosOf lists the pictures of an entry. Each is served at /photo/HASH.
func (k *kiosk) photosOf(id string) []reference.Photo {
	if s := k.upkeepNow(); s != nil && s.Entry(id) != nil {
		return s.Entry(id).Photos
	}
	return nil
}

// localOf gives what the site adds to an entry: its names, hosts and rung are in
// the book that look-ups use, the note is only here.
func (k *kiosk) localOf(id string) reference.Local {
	if s := k.upkeepNow(); s != nil && s.Entry(id) != nil {
		return s.Entry(id).Local
	}
	return reference.Local{}
}

// retired gives the text of an entry that is retired, nil for any other.
func (k *kiosk) retired(id string) *reference.Entry {
	s := k.upkeepNow()
	if s == nil || s.Entry(id) == nil || s.Entry(id).Retired == nil {
		return nil
	}
	return s.text(id)
}

// revisionPath is where the text is shown that a find was decided on, for as long
// as the find is kept.
func revisionPath(id string, revision int, hash string) string {
	path := "/reference/" + id + "/r/" + itoa(revision)
	if hash != "" {
		path += "?hash=" + hash
	}
	return path
}

// upkeepRoutes lists the routes of the upkeep. All but the old revisions and the
// schema are for supervisors.
func (k *kiosk) upkeepRoutes(e *gin.Engine) {
	e.GET("/reference/:id/r/:rev", k.as(anybody, k.revision))
	e.GET("/reference/schema.json", k.handle(k.packSchema))

	super := func(h handler) gin.HandlerFunc { return k.as(asSuper, k.named(h)) }
	e.GET("/upkeep", super(k.upkeepList))
	e.GET("/upkeep/new", super(k.newEntryPage))
	e.POST("/upkeep/new", super(k.newEntry))
	e.GET("/upkeep/e/:id", super(k.upkeepEntry))
	e.GET("/upkeep/e/:id/edit", super(k.editEntry))
	e.POST("/upkeep/e/:id/edit", super(k.saveEntry))
	e.POST("/upkeep/e/:id/draft", super(k.saveDraft))
	e.GET("/upkeep/e/:id/preview", super(k.previewEntry))
	e.POST("/upkeep/e/:id/publish", super(k.publishEntry))
	e.GET("/upkeep/e/:id/merge", super(k.mergePage))
	e.POST("/upkeep/e/:id/merge", super(k.merge))
	e.GET("/upkeep/e/:id/diff", super(k.diffPage))
	e.GET("/upkeep/e/:id/local", super(k.localPage))
	e.POST("/upkeep/e/:id/local", super(k.keepLocal))
	e.GET("/upkeep/e/:id/retire", super(k.retirePage))
	e.POST("/upkeep/e/:id/retire", super(k.retireEntry))
	e.POST("/upkeep/e/:id/photo", largerBody(maxPhoto), super(k.addEntryPhoto))
	e.POST("/upkeep/e/:id/photo/remove", super(k.removeEntryPhoto))

	e.GET("/upkeep/packs", super(k.packsPage))
	e.POST("/upkeep/packs", largerBody(maxPackBody), super(k.uploadPack))
	e.GET("/upkeep/packs/preview", super(k.packPreview))
	e.POST("/upkeep/packs/take", super(k.takePack))
	e.GET("/upkeep/pack.json", super(k.exportPack))

	e.GET("/upkeep/lists", super(k.listsPage))
	e.POST("/upkeep/lists", super(k.changeList))
}

// named lets only somebody in who has a name: on an empty list of people anybody
// may begin it, but nobody may publish before.
func (k *kiosk) named(h handler) handler {
	return func(c *gin.Context) error {
		if p, ok := personOf(c); !ok || !p.Has(people.Supervisor) {
			return k.forward(c, "/people")
		}
		if k.upkeepNow() == nil {
			return say.Refuse(say.Illegal, "This bench has no reference to keep.")
		}
		return h(c)
	}
}

// entryOf finds the entry of the path, retired or not.
func (k *kiosk) entryOf(c *gin.Context) (*upkept, *reference.Entry, *reference.Keeping, error) {
	s, id := k.upkeepNow(), c.Param("id")
	e := s.text(id)
	if e == nil {
		return s, nil, nil, noEntry(id)
	}
	x := s.Entry(id)
	if x == nil {
		x = &reference.Keeping{ID: id}
	}
	return s, e, x, nil
}

// upkeepPath is the supervisor's page of an entry.
func upkeepPath(id string) string { return "/upkeep/e/" + id }

// statusOf gives the HTTP status of a page that shows a refusal.
func statusOf(refused *say.Refusal) int {
	if refused == nil {
		return http.StatusOK
	}
	return statuses[refused.Code]
}

func (k *kiosk) upkeepNotice(refused *say.Refusal) Notice {
	if refused == nil {
		return Notice{}
	}
	return Notice{Tone: toneWrong, Text: refused.Text}
}
