package store

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	"gorm.io/gorm"

	"lastlook/internal/code"
	"lastlook/internal/consignment"
	"lastlook/internal/ledger"
	"lastlook/internal/say"
)

// Files beside the data file.
const (
	KeyFile  = "site.key"      // the site's secret keys, mode 0600
	nextKeys = "site.key.next" // new keys, until their event is on record
	NoteFile = "head.note"     // the newest signed head
)

type hashRow struct {
	ID   int64 `gorm:"primaryKey;autoIncrement:false"`
	Hash []byte
}

func (hashRow) TableName() string { return "hashes" }

type headRow struct {
	Size int64 `gorm:"primaryKey;autoIncrement:false"`
	At   string
	Note string
}

func (headRow) TableName() string { return "heads" }

// itself acts where nobody does: the program, for the site.
var itself = consignment.Actor{ID: "lastlook", Name: "Lastlook"}

// books is what an open store knows of the site's ledger.
type books struct {
	mu   sync.Mutex
	site ledger.Site // as of its version
	keys *ledger.Keys
	// edge is that of the tree after the newest transaction that was kept. If the
	// next event comes right after it, nobody else has added anything since, and
	// the keys are those in force as well.
	edge     ledger.Edge
	warnings []say.Text
}

func (row eventRow) entry() ledger.Entry {
	return ledger.Entry{
		Seq: row.Seq, Stream: row.Stream, Version: row.Version, Kind: row.Kind,
		At: row.At, Actor: row.Actor, Bench: row.Bench, Data: row.Data,
	}
}

// batchOf is the events of one transaction, to be hashed at its end.
type batchOf struct {
	leaves    []ledger.Hash
	first     int64 // seq of the first
	at        string
	aboutKeys bool // one of them is the site's own
	queued    bool // messages were queued with them

	edge   ledger.Edge
	head   ledger.Head
	signed []byte
	site   *ledger.Site // if it was read for this transaction, with its keys
	keys   *ledger.Keys
}

type batchKey struct{}

func batchIn(tx *gorm.DB) (*batchOf, error) {
	b, ok := tx.Statement.Context.Value(batchKey{}).(*batchOf)
	if !ok {
		return nil, errors.New("events are appended outside a transaction of the store: they would not be hashed")
	}
	return b, nil
}

func (b *batchOf) add(rows []eventRow) {
	for _, row := range rows {
		if len(b.leaves) == 0 {
			b.first = row.Seq
		}
		b.leaves = append(b.leaves, row.entry().Hash())
		b.at = row.At
		b.aboutKeys = b.aboutKeys || row.Stream == ledger.Stream
	}
}

// hashesIn reads stored hashes.
func hashesIn(tx *gorm.DB) ledger.Hashes {
	return ledger.HashesFunc(func(indexes []int64) ([]ledger.Hash, error) {
		at := make(map[int64]int, len(indexes))
		for i, x := range indexes {
			at[x] = i
		}
		out := make([]ledger.Hash, len(indexes))
		var rows []hashRow
		if err := tx.Session(&gorm.Session{NewDB: true}).Where("id IN ?", indexes).Find(&rows).Error; err != nil {
			return nil, err
		}
		if len(rows) != len(at) {
			return nil, errHashesMissing
		}
		for _, row := range rows {
			if len(row.Hash) != len(ledger.Hash{}) {
				return nil, errHashesMissing
			}
			out[at[row.ID]] = ledger.Hash(row.Hash)
		}
		return out, nil
	})
}

var errHashesMissing = say.Refuse(say.Storage, "The data file was changed outside Lastlook: hashes of the record are missing. Run lastlook audit, and restore a backup.")

// hash puts the events of a transaction into the tree and signs its new head.
func (s *Store) hash(tx *gorm.DB, b *batchOf) error {
	if len(b.leaves) == 0 {
		return nil
	}
	edge, keys, err := s.from(tx, b)
	if err != nil {
		return err
	}
	if err := putHashes(tx, &edge, b.leaves); err != nil {
		return err
	}
	b.edge, b.head = edge, ledger.Head{Site: keys.Site, Size: edge.Size, Root: edge.Root()}
	if b.signed, err = keys.Sign(b.head); err != nil {
		return err
	}
	// One head a day is kept: the new one takes the place of the one before if
	// that is of the same day.
	res := tx.Exec("UPDATE heads SET size = ?, at = ?, note = ? WHERE size = ? AND substr(at, 1, 10) = ?",
		b.head.Size, b.at, string(b.signed), b.first-1, day(b.at))
	if res.Error == nil && res.RowsAffected == 0 {
		res = tx.Exec("INSERT INTO heads (size, at, note) VALUES (?, ?, ?)", b.head.Size, b.at, string(b.signed))
	}
	if res.Error != nil {
		return fmt.Errorf("keeping the head: %w", res.Error)
	}
	return nil
}

// from gives the edge that a transaction's events come after, and the keys that
// sign behind them.
func (s *Store) from(tx *gorm.DB, b *batchOf) (ledger.Edge, *ledger.Keys, error) {
	s.books.mu.Lock()
	edge, keys := s.books.edge, s.books.keys
	s.books.mu.Unlock()
	if edge.Size == b.first-1 && keys != nil && !b.aboutKeys {
		edge.Roots = slices.Clone(edge.Roots)
		return edge, keys, nil
	}
	edge, err := ledger.ReadEdge(b.first-1, hashesIn(tx))
	if err != nil {
		return edge, nil, err
	}
	if b.site, b.keys, err = s.keysIn(tx); err != nil {
		return edge, nil, err
	}
	return edge, b.keys, nil
}

func day(at string) string { return at[:min(len(at), len("2006-01-02"))] }

// putHashes appends leaves to the tree and keeps its new hashes.
func putHashes(tx *gorm.DB, edge *ledger.Edge, leaves []ledger.Hash) error {
	const chunk = 400
	id := ledger.Stored(edge.Size)
	var sql strings.Builder
	var args []any
	flush := func() error {
		if len(args) == 0 {
			return nil
		}
		err := tx.Exec(sql.String(), args...).Error
		sql.Reset()
		args = args[:0]
		if err != nil {
			return fmt.Errorf("keeping the hashes: %w", err)
		}
		return nil
	}
	for _, leaf := range leaves {
		for _, h := range edge.Append(leaf) {
			if len(args) == 0 {
				sql.WriteString("INSERT INTO hashes (id, hash) VALUES (?, ?)")
			} else {
				sql.WriteString(", (?, ?)")
			}
			args = append(args, id, h[:])
			if id++; len(args) >= 2*chunk {
				if err := flush(); err != nil {
					return err
				}
			}
		}
	}
	return flush()
}

func loadSite(tx *gorm.DB) (*ledger.Site, error) {
	var rows []eventRow
	if err := tx.Where("stream = ?", ledger.Stream).Order("version").Find(&rows).Error; err != nil {
		return nil, fmt.Errorf("reading the history of the site: %w", err)
	}
	site := &ledger.Site{}
	for _, row := range rows {
		e, err := ledger.Decode(row.Kind, []byte(row.Data))
		if err == nil {
			err = site.Apply(row.Seq, e)
		}
		if err != nil {
			return nil, fmt.Errorf("history of the site, step %d: %w", row.Version, err)
		}
	}
	return site, nil
}

// keysIn gives the keys in force in a transaction, as the ledger names them.
func (s *Store) keysIn(tx *gorm.DB) (*ledger.Site, *ledger.Keys, error) {
	site, err := loadSite(tx)
	if err != nil {
		return nil, nil, err
	}
	now, ok := site.Now()
	if !ok {
		return nil, nil, errors.New("the site has no keys yet")
	}
	keys, err := s.readKeys(now)
	return site, keys, err
}

// readKeys reads the key file that holds the keys the ledger names.
func (s *Store) readKeys(want ledger.Public) (*ledger.Keys, error) {
	keys, err := ledger.ReadKeys(filepath.Join(s.dir, KeyFile))
	if err == nil && keys.Public() == want {
		return keys, nil
	}
	if next, nerr := ledger.ReadKeys(filepath.Join(s.dir, nextKeys)); nerr == nil && next.Public() == want {
		return next, nil
	}
	if err != nil {
		return nil, err
	}
	return nil, say.Refuse(say.Storage, "The key file %s is not the one of this data file: it signs for other keys than the record names. Put the right one back from its copy.", filepath.Join(s.dir, KeyFile))
}

// openLedger brings the hashes up to date, makes the site's keys if it has none,
// and looks whether the history went back.
func (s *Store) openLedger(ctx context.Context) error {
	noted, err := os.ReadFile(filepath.Join(s.dir, NoteFile)) // before the events are counted: they only grow
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("reading the noted head: %w", err)
	}
	s.noter = startNoter(filepath.Join(s.dir, NoteFile))
	if err := s.fillHashes(ctx); err != nil {
		return err
	}
	site, err := loadSite(s.db.WithContext(ctx))
	if err != nil {
		return err
	}
	if _, ok := site.Now(); !ok {
		if site, err = s.firstKeys(ctx); err != nil {
			return err
		}
	}
	now, _ := site.Now()
	keys, err := s.readKeys(now)
	if err != nil {
		return err
	}
	s.books.site, s.books.keys = *site, keys
	if err := s.settleKeyFiles(now); err != nil {
		return err
	}
	if err := s.lookBack(ctx, noted); err != nil {
		return err
	}
	s.lookRestored()
	return nil
}

// fillHashes hashes events that have no hashes: those that were there before the
// ledger. It goes on where it was stopped.
func (s *Store) fillHashes(ctx context.Context) error {
	const chunk = 2000
	for {
		done := true
		err := s.db.WithContext(ctx).Transaction(func(tx *gorm.DB) error {
			var events, hashes int64
			if err := tx.Model(&eventRow{}).Select("COALESCE(MAX(seq), 0)").Scan(&events).Error; err != nil {
				return err
			}
			if err := tx.Model(&hashRow{}).Select("COALESCE(MAX(id) + 1, 0)").Scan(&hashes).Error; err != nil {
				return err
			}
			size := leavesUnder(hashes)
			if size >= events {
				return nil
			}
			edge, err := ledger.ReadEdge(size, hashesIn(tx))
			if err != nil {
				return err
			}
			var rows []eventRow
			if err := tx.Where("seq > ?", size).Order("seq").Limit(chunk).Find(&rows).Error; err != nil {
				return err
			}
			leaves := make([]ledger.Hash, len(rows))
			for i, row := range rows {
				if row.Seq != size+int64(i)+1 {
					return say.Refuse(say.Storage, "The data file was changed outside Lastlook: step %d of the record is missing. Restore a backup; do not use it further.", size+int64(i)+1)
				}
				leaves[i] = row.entry().Hash()
			}
			done = false
			return putHashes(tx, &edge, leaves)
		})
		if err != nil {
			return fmt.Errorf("hashing the record: %w", err)
		}
		if done {
			return nil
		}
	}
}

// leavesUnder tells how many events the given number of stored hashes is for.
func leavesUnder(hashes int64) int64 {
	// Stored(n) is 2n minus the number of ones of n, so n is close above half.
	n := hashes / 2
	for ledger.Stored(n+1) <= hashes {
		n++
	}
	return n
}

// firstKeys makes the site's keys and puts them on record. A key file that is
// there already is taken: the program was stopped between the two.
func (s *Store) firstKeys(ctx context.Context) (*ledger.Site, error) {
	var site *ledger.Site
	err := s.inTx(ctx, func(tx *gorm.DB) error {
		var err error
		if site, err = loadSite(tx); err != nil {
			return err
		}
		if _, ok := site.Now(); ok {
			return nil // another program was quicker
		}
		path := filepath.Join(s.dir, KeyFile)
		keys, err := ledger.ReadKeys(path)
		if errors.Is(err, os.ErrNotExist) {
			token := code.NewConsignmentCode(s.random64()) + code.NewConsignmentCode(s.random64())
			if keys, err = ledger.NewKeys("lastlook-"+strings.ToLower(token), rand.Reader); err != nil {
				return err
			}
			err = keys.Write(path)
		}
		if err != nil {
			return err
		}
		e, err := ledger.SetKeys(keys)
		if err != nil {
			return err
		}
		return s.appendSite(tx, site, itself, "", "", e)
	})
	return site, err
}

// appendSite appends an event to the site's own stream and applies it.
func (s *Store) appendSite(tx *gorm.DB, site *ledger.Site, actor consignment.Actor, bench, key string, e ledger.Event) error {
	data, err := ledger.Encode(e)
	if err != nil {
		return err
	}
	m := consignment.Meta{Actor: actor, Bench: bench, At: s.Now().UTC()}
	after := site.Version
	if err := appendEvents(tx, ledger.Stream, after, m, key, []encoded{{kind: e.Kind(), data: data}}); err != nil {
		return err
	}
	b, err := batchIn(tx)
	if err != nil {
		return err
	}
	return site.Apply(b.first+int64(len(b.leaves))-1, e)
}

// maxReason is how long, in characters, the reason of a change of keys may be.
const maxReason = 400

// ChangeKeys makes new keys for the site, to be used from now on, with an
// idempotency key. The old key signs for the new ones, and the event stays on
// record. Benches may be at work on the folder meanwhile.
func (s *Store) ChangeKeys(ctx context.Context, actor consignment.Actor, bench, key, reason string) (ledger.Public, error) {
	reason = strings.Join(strings.Fields(reason), " ")
	switch {
	case reason == "":
		return ledger.Public{}, say.Refuse(say.Invalid, "Say why the keys change.").For("reason")
	case utf8.RuneCountInString(reason) > maxReason:
		return ledger.Public{}, say.Refuse(say.Invalid, "The reason is longer than %d characters: shorten it.", maxReason).For("reason")
	}
	var site *ledger.Site
	err := s.inTx(ctx, func(tx *gorm.DB) error {
		var old *ledger.Keys
		var err error
		if site, old, err = s.keysIn(tx); err != nil {
			return err
		}
		if _, repeated, err := seen(tx, key); err != nil || repeated {
			return err
		}
		next, err := ledger.NewKeys(old.Site, rand.Reader)
		if err != nil {
			return err
		}
		path := filepath.Join(s.dir, nextKeys)
		if err := os.Remove(path); err != nil && !errors.Is(err, os.ErrNotExist) {
			return err
		}
		if err := next.Write(path); err != nil {
			return err
		}
		e, err := ledger.ChangeKeys(site, old, next, reason)
		if err != nil {
			return err
		}
		return s.appendSite(tx, site, actor, bench, key, e)
	})
	if err != nil {
		return ledger.Public{}, err
	}
	now, _ := site.Now()
	if err := s.settleKeyFiles(now); err != nil {
		return now, explain(err, s.dir)
	}
	return now, nil
}

// settleKeyFiles puts new keys whose event is on record in the place of the old
// ones, and takes away new keys whose event never was.
func (s *Store) settleKeyFiles(now ledger.Public) error {
	path, next := filepath.Join(s.dir, KeyFile), filepath.Join(s.dir, nextKeys)
	keys, err := ledger.ReadKeys(next)
	switch {
	case errors.Is(err, os.ErrNotExist):
		return nil
	case err == nil && keys.Public() == now:
		return os.Rename(next, path)
	}
	return os.Remove(next)
}

// lookBack compares the history with the head noted beside the data file and
// with the newest head in it. If the history went back, the noted head is kept
// aside, an event says so on the record, and Warnings tells it until somebody
// takes the kept head away: the bench goes on working, as a site that restored
// a backup must, but nobody can say afterwards that nothing was known.
func (s *Store) lookBack(ctx context.Context, noted []byte) error {
	db := s.db.WithContext(ctx)
	newest, err := newestHead(db)
	if err != nil {
		return err
	}
	site := s.books.site
	ok, err := stands(db, &site, []byte(newest.Note))
	if err != nil {
		return err
	}
	var events int64
	if err := db.Model(&eventRow{}).Select("COALESCE(MAX(seq), 0)").Scan(&events).Error; err != nil {
		return err
	}
	var hashes int64
	if err := db.Model(&hashRow{}).Select("COALESCE(MAX(id) + 1, 0)").Scan(&hashes).Error; err != nil {
		return err
	}
	if !ok || newest.Size != events || hashes != ledger.Stored(events) {
		s.books.warnings = append(s.books.warnings, say.T("The data file was changed outside Lastlook: the record does not agree with its signed head. Run lastlook audit, which says where."))
	}
	if len(noted) > 0 {
		ok, err := stands(db, &site, noted)
		if err != nil {
			return err
		}
		if !ok {
			if err := s.recordBack(ctx, noted, newest); err != nil {
				return err
			}
		}
	}
	kept, err := filepath.Glob(filepath.Join(s.dir, "head-*.note"))
	if err != nil {
		return err
	}
	for _, name := range kept {
		b, err := os.ReadFile(name)
		if err != nil {
			return err
		}
		if ok, err := stands(db, &site, b); err != nil {
			return err
		} else if ok {
			continue
		}
		if h, err := ledger.PeekHead(b); err == nil {
			s.books.warnings = append(s.books.warnings, say.T("The record went back: it once had %d steps that are not all in it now, as after restoring a backup. What was done in between is lost. Tell the auditor; when that is settled, move %s away.", h.Size, name))
		} else {
			s.books.warnings = append(s.books.warnings, say.T("The note of the newest head was damaged, so it cannot be told whether the record went back. When that is settled, move %s away.", name))
		}
	}
	return nil
}

// recordBack keeps the noted head aside and puts on record that it does not stand.
func (s *Store) recordBack(ctx context.Context, noted []byte, newest headRow) error {
	name := "head-damaged.note"
	if h, err := ledger.PeekHead(noted); err == nil {
		name = "head-" + strconv.FormatInt(h.Size, 10) + ".note"
	}
	if err := os.Rename(filepath.Join(s.dir, NoteFile), filepath.Join(s.dir, name)); err != nil {
		return fmt.Errorf("keeping the noted head: %w", err)
	}
	return s.inTx(ctx, func(tx *gorm.DB) error {
		site, err := loadSite(tx)
		if err != nil {
			return err
		}
		e := ledger.WentBack{Noted: string(noted), Size: newest.Size}
		if h, err := ledger.PeekHead([]byte(newest.Note)); err == nil {
			e.Root = h.Root
		}
		if err := s.appendSite(tx, site, itself, "", "", e); err != nil {
			return err
		}
		return nil
	})
}

// stands reports whether a signed head is one of this history: signed with the
// keys then in force, over what is hashed now.
func stands(db *gorm.DB, site *ledger.Site, signed []byte) (bool, error) {
	h, err := ledger.OpenHead(signed, site.Keys()...)
	if err != nil {
		return false, nil // the reasons do not matter: it is not one of ours
	}
	if now, ok := site.At(h.Size); !ok {
		return false, nil
	} else if _, err := ledger.OpenHead(signed, now); err != nil {
		return false, nil
	}
	edge, err := ledger.ReadEdge(h.Size, hashesIn(db))
	if errors.Is(err, errHashesMissing) {
		return false, nil
	}
	return err == nil && edge.Root() == h.Root, err
}

func newestHead(db *gorm.DB) (headRow, error) {
	var row headRow
	err := db.Order("size DESC").Limit(1).Find(&row).Error
	return row, err
}

// note remembers a transaction that was kept and has its head noted.
func (s *Store) note(b *batchOf) {
	s.books.mu.Lock()
	if b.edge.Size > s.books.edge.Size { // transactions may come here in another order than they were kept
		s.books.edge = b.edge
		if b.site != nil {
			s.books.site, s.books.keys = *b.site, b.keys
		}
	}
	s.books.mu.Unlock()
	s.noter.put(b.head.Size, b.signed)
}

// noteEvery is how often at most the head is noted: an import of thousands of
// orders must not write the file thousands of times.
const noteEvery = 100 * time.Millisecond

// noter writes the newest head beside the data file, behind the steps' backs: a
// step does not wait for it, and of many heads at once only the newest is written.
// The file is not forced to the disk. So it may be older than the data file, which
// says nothing, but never newer.
type noter struct {
	path string
	wake chan struct{}
	quit chan struct{}
	done chan struct{}

	mu     sync.Mutex
	size   int64
	signed []byte // nil when it is written
}

func startNoter(path string) *noter {
	n := &noter{path: path, wake: make(chan struct{}, 1), quit: make(chan struct{}), done: make(chan struct{})}
	go func() {
		defer close(n.done)
		for range n.wake {
			n.write()
			select {
			case <-n.quit:
			case <-time.After(noteEvery):
			}
		}
	}()
	return n
}

func (n *noter) put(size int64, signed []byte) {
	n.mu.Lock()
	defer n.mu.Unlock()
	if size <= n.size {
		return
	}
	n.size, n.signed = size, signed
	select {
	case n.wake <- struct{}{}:
	default: // it is awake, and will take this one
	}
}

func (n *noter) write() {
	n.mu.Lock()
	signed := n.signed
	n.signed = nil
	n.mu.Unlock()
	if signed == nil {
		return
	}
	// A note that cannot be written leaves an older one: the next makes up for it.
	tmp := n.path + ".tmp"
	if err := os.WriteFile(tmp, signed, 0o600); err == nil {
		_ = os.Rename(tmp, n.path)
	}
}

// stop writes what is left to write.
func (n *noter) stop() {
	n.mu.Lock()
	n.size = math.MaxInt64 // nothing is put any more
	n.mu.Unlock()
	close(n.quit)
	close(n.wake)
	<-n.done
	n.write()
}

// Warnings tells what was wrong with the record when the store was opened: that
// the history went back, as after restoring a backup, or that the file was changed from
// outside. The bench works on all the same; a supervisor must see them.
func (s *Store) Warnings() []say.Text { return s.books.warnings }

// Site gives what the ledger says about the site: its name and its keys.
func (s *Store) Site(ctx context.Context) (*ledger.Site, error) {
	site, err := loadSite(s.db.WithContext(ctx))
	return site, explain(err, s.dir)
}

// KeyTerm is one set of keys that the site had, and how it came to them.
type KeyTerm struct {
	ledger.Term
	At     time.Time
	By     consignment.Actor
	Reason string // "" for the first ones
}

// KeyTerms gives all sets of keys that the site had, the first ones first.
func (s *Store) KeyTerms(ctx context.Context) ([]KeyTerm, error) {
	db := s.db.WithContext(ctx)
	site, err := loadSite(db)
	if err != nil {
		return nil, explain(err, s.dir)
	}
	var terms []KeyTerm
	for _, t := range site.Terms {
		var row eventRow
		if err := db.Where("seq = ?", t.From).Take(&row).Error; err != nil {
			return nil, explain(fmt.Errorf("reading step %d: %w", t.From, err), s.dir)
		}
		kt := KeyTerm{Term: t}
		if kt.At, err = parseTime(row.At); err != nil {
			return nil, err
		}
		if err := json.Unmarshal([]byte(row.Actor), &kt.By); err != nil {
			return nil, fmt.Errorf("step %d: %w", t.From, err)
		}
		e, err := ledger.Decode(row.Kind, []byte(row.Data))
		if err != nil {
			return nil, err
		}
		if c, ok := e.(ledger.KeysChanged); ok {
			kt.Reason = c.Reason
		}
		terms = append(terms, kt)
	}
	return terms, nil
}

// SignedHead is a head with its signed text.
type SignedHead struct {
	ledger.Head
	Note string // the signed head, as a checkpoint
}

// Head gives the newest signed head: it covers every step that is on record.
func (s *Store) Head(ctx context.Context) (SignedHead, error) {
	return s.headIn(s.db.WithContext(ctx))
}

func (s *Store) headIn(db *gorm.DB) (SignedHead, error) {
	row, err := newestHead(db)
	if err != nil {
		return SignedHead{}, explain(err, s.dir)
	}
	h, err := ledger.PeekHead([]byte(row.Note))
	if err != nil {
		return SignedHead{}, say.Refuse(say.Storage, "The data file was changed outside Lastlook: its signed head is gone or damaged. Run lastlook audit, and restore a backup.").Because(err)
	}
	return SignedHead{Head: h, Note: row.Note}, nil
}

// Inclusion proves that an event is on record.
type Inclusion struct {
	Entry ledger.Entry
	Head  SignedHead
	Proof []ledger.Hash
}

// Proof proves that event seq of the whole history is under the newest head.
func (s *Store) Proof(ctx context.Context, seq int64) (Inclusion, error) {
	db := s.db.WithContext(ctx)
	head, err := s.headIn(db)
	if err != nil {
		return Inclusion{}, err
	}
	if seq < 1 || seq > head.Size {
		return Inclusion{}, say.Refuse(say.NotFound, "There is no step %d on record: there are %d.", seq, head.Size)
	}
	var row eventRow
	if err := db.Where("seq = ?", seq).Take(&row).Error; err != nil {
		return Inclusion{}, explain(fmt.Errorf("reading step %d: %w", seq, err), s.dir)
	}
	p, err := ledger.Prove(head.Size, seq, hashesIn(db))
	if err != nil {
		return Inclusion{}, explain(err, s.dir)
	}
	return Inclusion{Entry: row.entry(), Head: head, Proof: p}, nil
}

// Growth proves that the history of the older size is the beginning of the one
// under the newest head.
func (s *Store) Growth(ctx context.Context, older int64) (SignedHead, []ledger.Hash, error) {
	db := s.db.WithContext(ctx)
	head, err := s.headIn(db)
	if err != nil {
		return SignedHead{}, nil, err
	}
	if older < 1 || older > head.Size {
		return SignedHead{}, nil, say.Refuse(say.NotFound, "The record never had %d steps: it has %d.", older, head.Size)
	}
	p, err := ledger.ProveGrowth(older, head.Size, hashesIn(db))
	return head, p, explain(err, s.dir)
}

// Seqs gives the places of a consignment's events in the whole history, in
// their order, for proofs.
func (s *Store) Seqs(ctx context.Context, code string) ([]int64, error) {
	var seqs []int64
	err := s.db.WithContext(ctx).Model(&eventRow{}).Where("stream = ?", consignmentStream+code).Order("version").Pluck("seq", &seqs).Error
	return seqs, explain(err, s.dir)
}
