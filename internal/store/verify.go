package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"gorm.io/driver/sqlite"
	"gorm.io/gorm"
	"gorm.io/gorm/logger"

	"lastlook/internal/consignment"
	"lastlook/internal/ledger"
	"lastlook/internal/say"
)

// Verified tells what was found in a data file that is in order.
type Verified struct {
	Tables       int64       // version of the tables
	Steps        int64       // events, of all streams
	Newest       time.Time   // time of the newest step
	Head         ledger.Head // recomputed from the steps, and the same as the signed one
	Site         string      // name of the ledger; "" in a file from before the ledger
	Consignments int
	People       int
	Pictures     int
	Bytes        int64 // of the file
	keys         ledger.Public
}

// Verify looks through a data file that nobody writes to, such as a backup, and
// refuses it, in words, if anything is not as Lastlook left it: the database's own
// check, the steps in their order, the hash of every step against the ledger and
// each signed head, the pictures against their marks, every history folded, and
// the lists against what the histories give. It changes nothing, in the file or
// beside it. A file of older tables is looked through as far as those went. It
// stops at the first thing that is wrong; [Store.Audit] lists all of them, and
// looks at more.
func Verify(ctx context.Context, path string) (Verified, error) {
	return verify(ctx, path, path, true)
}

// verify is Verify of a file that is called by another name in what it says.
// Without deep it leaves out folding the histories and comparing the lists, which
// are made from them.
func verify(ctx context.Context, path, name string, deep bool) (Verified, error) {
	v := verifier{path: path, name: name, deep: deep}
	err := v.run(ctx)
	switch {
	case err == nil || ctx.Err() != nil || say.CodeOf(err) != "":
	case isCode(err, codeCorrupt, codeNotADB):
		err = v.wrong(say.T("it is damaged, or no data file of Lastlook")).Because(err)
	case isCode(err, codeIOErr):
		err = v.wrong(say.T("the disk does not answer properly")).Because(err)
	case errors.Is(err, fs.ErrNotExist):
		err = say.Refuse(say.NotFound, "There is no file %s.", name).Because(err)
	case errors.Is(err, fs.ErrPermission), isCode(err, codeCantOpen, codePerm):
		err = say.Refuse(say.Storage, "%s cannot be read: let this account read it.", name).Because(err)
	default:
		err = v.wrong(say.T("what is in it cannot be understood")).Because(err)
	}
	return v.found, err
}

// isCode reports whether the database gave one of the primary codes.
func isCode(err error, codes ...int) bool {
	var coded interface{ Code() int }
	return errors.As(err, &coded) && slices.Contains(codes, coded.Code()&0xff)
}

type verifier struct {
	path  string
	name  string // for the words
	deep  bool
	s     *Store
	found Verified
	hash  bool // the file has a ledger
}

// wrong refuses the file.
func (v *verifier) wrong(what say.Text) *say.Refusal {
	return say.Refuse(say.Storage, "%s does not pass the check: %s.", v.name, what)
}

func (v *verifier) run(ctx context.Context) error {
	info, err := os.Stat(v.path)
	if err != nil {
		return err
	}
	if !info.Mode().IsRegular() {
		return v.wrong(say.T("it is not a file"))
	}
	v.found.Bytes = info.Size()
	if v.s, err = openFixed(v.path); err != nil {
		return err
	}
	defer v.s.sql.Close()
	for _, check := range []func(context.Context) error{v.database, v.version, v.steps, v.pictures} {
		if err := check(ctx); err != nil {
			return err
		}
	}
	return v.histories(ctx)
}

// openFixed opens a file that does not change while it is open: no locks are
// taken and nothing is made beside it, so that it may be on a medium that cannot be
// written.
func openFixed(path string) (*Store, error) {
	path, err := filepath.Abs(path)
	if err != nil {
		return nil, err
	}
	q := url.Values{"mode": {"ro"}, "immutable": {"1"}}
	dsn := (&url.URL{Scheme: "file", Path: path, RawQuery: q.Encode()}).String()
	db, err := gorm.Open(dialector{sqlite.Dialector{DriverName: "sqlite", DSN: dsn}}, &gorm.Config{
		Logger: logger.Discard, TranslateError: true, SkipDefaultTransaction: true, DisableAutomaticPing: true,
	})
	if err != nil {
		return nil, err
	}
	raw, err := db.DB()
	if err != nil {
		return nil, err
	}
	return &Store{db: db, sql: raw, dir: filepath.Dir(path), Now: time.Now}, nil
}

// database asks SQLite whether its own structures are whole.
func (v *verifier) database(ctx context.Context) error {
	var said string
	if err := v.s.sql.QueryRowContext(ctx, "PRAGMA integrity_check(1)").Scan(&said); err != nil {
		return err
	}
	if said != "ok" {
		return v.wrong(say.T("the database in it is damaged (%s)", said))
	}
	return nil
}

func (v *verifier) version(ctx context.Context) error {
	has := func(table string) (bool, error) {
		var n int
		err := v.s.sql.QueryRowContext(ctx, "SELECT COUNT(*) FROM sqlite_master WHERE type = 'table' AND name = ?", table).Scan(&n)
		return n > 0, err
	}
	for _, table := range []string{"goose_db_version", "events"} {
		if ok, err := has(table); err != nil {
			return err
		} else if !ok {
			return v.wrong(say.T("it is no data file of Lastlook"))
		}
	}
	if err := v.s.sql.QueryRowContext(ctx, "SELECT COALESCE(MAX(version_id), 0) FROM goose_db_version WHERE is_applied").Scan(&v.found.Tables); err != nil {
		return err
	}
	newest, err := v.s.newestTables()
	if err != nil {
		return err
	}
	if v.found.Tables > newest {
		return say.Refuse(say.Storage, "%s is of a newer version of Lastlook (tables %d, this version knows %d). Use the newer version.", v.name, v.found.Tables, newest)
	}
	v.deep = v.deep && v.found.Tables == newest // older lists are made again when the file is brought up to date
	v.hash, err = has("hashes")
	return err
}

// newestTables is the version of the tables that this program makes.
func (s *Store) newestTables() (int64, error) {
	provider, err := s.migrator()
	if err != nil {
		return 0, err
	}
	sources := provider.ListSources()
	return sources[len(sources)-1].Version, nil
}

// steps reads the whole history in its order and hashes it again. What is kept of
// the ledger has to be the same, hash by hash and head by head.
func (v *verifier) steps(ctx context.Context) error {
	var heads []headRow
	if v.hash {
		site, err := loadSite(v.s.db.WithContext(ctx))
		if err != nil {
			return err
		}
		now, ok := site.Now()
		if !ok {
			return v.wrong(say.T("the site's keys are not on record. Start the bench once, then make a backup"))
		}
		v.found.Site, v.found.keys = site.Name, now
		if err := v.s.db.WithContext(ctx).Order("size").Find(&heads).Error; err != nil {
			return err
		}
		return v.hashed(ctx, site, heads)
	}
	return v.hashed(ctx, nil, nil)
}

func (v *verifier) hashed(ctx context.Context, site *ledger.Site, heads []headRow) error {
	changed := func(format string, args ...any) error {
		return v.wrong(say.T("it was changed outside Lastlook: %s", say.T(format, args...)))
	}
	var kept *sql.Rows
	if v.hash {
		var err error
		if kept, err = v.s.sql.QueryContext(ctx, "SELECT id, hash FROM hashes ORDER BY id"); err != nil {
			return err
		}
		defer kept.Close()
	}
	rows, err := v.s.sql.QueryContext(ctx, "SELECT seq, stream, version, kind, at, actor, bench, data FROM events ORDER BY seq")
	if err != nil {
		return err
	}
	defer rows.Close()
	var edge ledger.Edge
	var at string
	last := map[string]int{} // newest version of each stream
	for rows.Next() {
		var row eventRow
		if err := rows.Scan(&row.Seq, &row.Stream, &row.Version, &row.Kind, &row.At, &row.Actor, &row.Bench, &row.Data); err != nil {
			return err
		}
		at = row.At
		if row.Seq != v.found.Steps+1 {
			return changed("step %d is missing", v.found.Steps+1)
		}
		v.found.Steps++
		if last[row.Stream]++; row.Version != last[row.Stream] {
			return changed("the history of %s has no step %d", row.Stream, last[row.Stream])
		}
		first := ledger.Stored(edge.Size)
		for i, want := range edge.Append(row.entry().Hash()) {
			if kept == nil {
				break
			}
			var id int64
			var hash []byte
			if !kept.Next() {
				return errors.Join(kept.Err(), changed("the ledger ends before step %d", row.Seq))
			}
			if err := kept.Scan(&id, &hash); err != nil {
				return err
			}
			if id != first+int64(i) || string(hash) != string(want[:]) {
				return changed("step %d is not the one that was hashed into the ledger", row.Seq)
			}
		}
		if len(heads) > 0 && heads[0].Size == edge.Size {
			if err := v.head(site, edge, heads[0]); err != nil {
				return err
			}
			heads = heads[1:]
		}
	}
	if err := rows.Err(); err != nil {
		return err
	}
	if v.found.Steps > 0 {
		if v.found.Newest, err = parseTime(at); err != nil {
			return err
		}
	}
	for stream := range last {
		if strings.HasPrefix(stream, consignmentStream) {
			v.found.Consignments++
		}
	}
	if kept == nil {
		return nil
	}
	switch {
	case kept.Next():
		return changed("the ledger knows of more steps than there are")
	case kept.Err() != nil:
		return kept.Err()
	case len(heads) > 0:
		return changed("a signed head is of %d steps, but there are only %d", heads[0].Size, v.found.Steps)
	case v.found.Head.Size != v.found.Steps:
		return changed("the newest signed head is of %d steps, but there are %d", v.found.Head.Size, v.found.Steps)
	}
	return nil
}

// head compares a kept head with the tree as hashed again.
func (v *verifier) head(site *ledger.Site, edge ledger.Edge, row headRow) error {
	want := ledger.Head{Site: site.Name, Size: edge.Size, Root: edge.Root()}
	keys, _ := site.At(edge.Size)
	got, err := ledger.OpenHead([]byte(row.Note), keys)
	if err != nil {
		return v.wrong(say.T("it was changed outside Lastlook: the head of %d steps is not signed by the site", edge.Size)).Because(err)
	}
	if got != want {
		return v.wrong(say.T("it was changed outside Lastlook: the head of %d steps is signed over another history", edge.Size))
	}
	v.found.Head = got
	return nil
}

func (v *verifier) pictures(ctx context.Context) error {
	rows, err := v.s.sql.QueryContext(ctx, "SELECT hash, bytes FROM blobs")
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var hash string
		var b sql.RawBytes
		if err := rows.Scan(&hash, &b); err != nil {
			return err
		}
		if sum := sha256.Sum256(b); hex.EncodeToString(sum[:]) != hash {
			return v.wrong(say.T("it was changed outside Lastlook: the picture %s is another one", clip(hash)))
		}
		v.found.Pictures++
	}
	return rows.Err()
}

// histories folds every history and compares the lists with what comes out.
func (v *verifier) histories(ctx context.Context) error {
	tx := v.s.db.WithContext(ctx)
	roster, err := loadRoster(tx)
	if err != nil {
		return err
	}
	v.found.People = len(roster.People)
	if _, err := loadPlaces(tx); err != nil {
		return err
	}
	if _, err := loadRules(tx); err != nil {
		return err
	}
	if !v.deep {
		return nil
	}
	differs := func(list say.Text) error {
		return v.wrong(say.T("the list of %s is not what the record gives. Run lastlook rebuild, then make a backup", list))
	}
	var persons []personRow
	if err := tx.Order("place").Find(&persons).Error; err != nil {
		return err
	}
	if want, err := personRows(roster); err != nil {
		return err
	} else if !slices.Equal(persons, want) {
		return differs(say.T("people"))
	}
	var rows []consignmentRow
	if err := tx.Find(&rows).Error; err != nil {
		return err
	}
	if len(rows) != v.found.Consignments {
		return differs(say.T("consignments"))
	}
	finds := 0
	for _, row := range rows {
		state, err := load(tx, row.Code)
		if err != nil {
			return err
		}
		want := summaryRow(state, consignment.DefaultRules())
		want.LatestStart = row.LatestStart // follows the rules in force when it was written
		if row != want {
			return differs(say.T("consignments"))
		}
		have, err := readAside(tx, row.Code)
		if err != nil {
			return err
		}
		if wrong := have.differs(asideOf(state)); len(wrong) > 0 {
			return v.wrong(say.T("the %s is not what the record gives. Run lastlook rebuild, then make a backup", wrong[0]))
		}
		finds += len(have.finds)
	}
	var all int64
	if err := tx.Model(&findRow{}).Count(&all).Error; err != nil {
		return err
	}
	if all != int64(finds) {
		return differs(say.T("finds"))
	}
	return v.notices(tx, differs)
}

// headAt looks for the step at whose end a history had the head with the given
// fingerprint. It gives 0 if it never had it.
func headAt(ctx context.Context, path, fingerprint string) (int64, error) {
	s, err := openFixed(path)
	if err != nil {
		return 0, err
	}
	defer s.sql.Close()
	site, err := loadSite(s.db.WithContext(ctx))
	if err != nil {
		return 0, err
	}
	rows, err := s.sql.QueryContext(ctx, "SELECT seq, stream, version, kind, at, actor, bench, data FROM events ORDER BY seq")
	if err != nil {
		return 0, err
	}
	defer rows.Close()
	var edge ledger.Edge
	for rows.Next() {
		var row eventRow
		if err := rows.Scan(&row.Seq, &row.Stream, &row.Version, &row.Kind, &row.At, &row.Actor, &row.Bench, &row.Data); err != nil {
			return 0, err
		}
		edge.Append(row.entry().Hash())
		if (ledger.Head{Site: site.Name, Size: edge.Size, Root: edge.Root()}).Fingerprint() == fingerprint {
			return edge.Size, nil
		}
	}
	return 0, rows.Err()
}

// siteOf tells whose data file it is, without looking whether it is sound.
func siteOf(ctx context.Context, path string) (string, error) {
	s, err := openFixed(path)
	if err != nil {
		return "", err
	}
	defer s.sql.Close()
	site, err := loadSite(s.db.WithContext(ctx))
	if err != nil {
		return "", fmt.Errorf("%s: %w", path, err)
	}
	return site.Name, nil
}
