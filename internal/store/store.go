package store

import (
	"context"
	"crypto/rand"
	"database/sql"
	"embed"
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"github.com/pressly/goose/v3"
	"gorm.io/driver/sqlite"
	"gorm.io/gorm"
	"gorm.io/gorm/logger"
	sqlitedriver "modernc.org/sqlite" // registers "sqlite"; also for its typed errors

	"lastlook/internal/say"
)

//go:embed migrations
var migrations embed.FS

// File is the name of the data file in the data folder.
const File = "lastlook.db"

// slew is by how much the clock may run behind the newest step before a step is
// refused: time servers put clocks back by seconds, not by minutes.
const slew = 2 * time.Minute

// Store is an open data folder. Its methods may be used by many goroutines.
type Store struct {
	db  *gorm.DB
	sql *sql.DB
	dir string
	// Now is the clock; tests set it. It must be set before the store is used.
	Now func() time.Time
	// Random fills codes; crypto/rand unless a test sets it.
	Random  func([]byte)
	rules   rulebook
	books   books
	noter   *noter // nil if the store only reads
	outbox  outbox
	watch   watch
	closing sync.Once

	upgraded Upgrade
}

// dialector gives gorm's SQLite dialect the driver's own errors: the stock
// Translate reads an exported field that this driver's errors do not have.
type dialector struct{ sqlite.Dialector }

func (d dialector) Translate(err error) error {
	var coded *sqlitedriver.Error
	if errors.As(err, &coded) {
		switch coded.Code() {
		case 1555, 2067: // SQLITE_CONSTRAINT_PRIMARYKEY, SQLITE_CONSTRAINT_UNIQUE
			return fmt.Errorf("%w: %w", gorm.ErrDuplicatedKey, err)
		case 787: // SQLITE_CONSTRAINT_FOREIGNKEY
			return fmt.Errorf("%w: %w", gorm.ErrForeignKeyViolated, err)
		}
	}
	return err
}

// pragmas are set on every connection and read back at start. The busy timeout
// comes first so that switching to the write-ahead log waits its turn.
var pragmas = []struct{ name, set, want string }{
	{"busy_timeout", "5000", "5000"},
	{"journal_mode", "WAL", "wal"},
	{"synchronous", "FULL", "2"},
	{"foreign_keys", "1", "1"},
}

// Open opens the data folder, makes it if it is not there, and brings the tables
// up to date. It refuses, in words, a folder that cannot be written, a file that
// is damaged or of a newer version, and a database that does not promise
// durability.
func Open(ctx context.Context, dir string) (*Store, error) {
	s, err := connect(dir)
	if err != nil {
		return nil, explain(err, dir)
	}
	if err := s.prepare(ctx); err != nil {
		s.Close()
		return nil, explain(err, dir)
	}
	return s, nil
}

func connect(dir string) (*Store, error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("making the data folder: %w", err)
	}
	path, err := filepath.Abs(filepath.Join(dir, File))
	if err != nil {
		return nil, err
	}
	q := url.Values{"_txlock": {"immediate"}}
	for _, p := range pragmas {
		q.Add("_pragma", p.name+"("+p.set+")")
	}
	dsn := (&url.URL{Scheme: "file", Path: path, RawQuery: q.Encode()}).String()
	db, err := gorm.Open(dialector{sqlite.Dialector{DriverName: "sqlite", DSN: dsn}}, &gorm.Config{
		Logger:                 logger.Discard, // errors are returned, and logged by who asked
		TranslateError:         true,
		SkipDefaultTransaction: true,
		NowFunc:                func() time.Time { return time.Now().UTC() },
	})
	if err != nil {
		return nil, fmt.Errorf("opening the data file: %w", err)
	}
	raw, err := db.DB()
	if err != nil {
		return nil, err
	}
	raw.SetMaxOpenConns(4)
	return &Store{
		db: db, sql: raw, dir: dir, Now: time.Now,
		Random: func(b []byte) { rand.Read(b) }, // never fails since Go 1.24
	}, nil
}

func (s *Store) prepare(ctx context.Context) error {
	for _, p := range pragmas {
		var got string
		if err := s.sql.QueryRowContext(ctx, "PRAGMA "+p.name).Scan(&got); err != nil {
			return fmt.Errorf("reading %s back: %w", p.name, err)
		}
		if !strings.EqualFold(got, p.want) {
			return say.Refuse(say.Storage, "The data file does not promise to keep steps safe (%s is %s, not %s). Move the data folder to a local disk.", p.name, got, p.want)
		}
	}
	provider, err := s.migrator()
	if err != nil {
		return err
	}
	have, err := provider.GetDBVersion(ctx)
	if err != nil {
		return fmt.Errorf("reading the version of the tables: %w", err)
	}
	sources := provider.ListSources()
	newest := sources[len(sources)-1].Version
	if have > newest {
		return say.Refuse(say.Storage, "The data file is of a newer version of Lastlook (tables %d, this version knows %d): nothing was changed. Start the newer version.", have, newest)
	}
	if err := s.beforeUpgrade(ctx, have, newest); err != nil {
		return err
	}
	raised, err := provider.Up(ctx)
	if err != nil {
		return fmt.Errorf("bringing the tables up to date: %w", err)
	}
	if err := s.openLedger(ctx); err != nil {
		return err
	}
	if _, err := s.keepRules(ctx); err != nil {
		return err
	}
	if have > 0 && len(raised) > 0 { // lists of an older version lack what newer ones show
		if _, err := s.Rebuild(ctx, nil); err != nil {
			return fmt.Errorf("making the lists again: %w", err)
		}
	}
	return nil
}

func (s *Store) migrator() (*goose.Provider, error) {
	dir, err := fs.Sub(migrations, "migrations/sqlite")
	if err != nil {
		return nil, err
	}
	return goose.NewProvider(goose.DialectSQLite3, s.sql, dir)
}

// Close closes the data file.
func (s *Store) Close() error {
	s.closing.Do(func() {
		s.watch.close()
		if s.noter != nil {
			s.noter.stop()
		}
	})
	return s.sql.Close()
}

// Dir is the data folder.
func (s *Store) Dir() string { return s.dir }

// inTx runs f in one transaction: all of it is kept, or nothing. The events that
// f appends are hashed into the ledger at its end, and the new head is signed.
func (s *Store) inTx(ctx context.Context, f func(tx *gorm.DB) error) error {
	b := &batchOf{}
	err := s.db.WithContext(context.WithValue(ctx, batchKey{}, b)).Transaction(func(tx *gorm.DB) error {
		if err := f(tx); err != nil {
			return err
		}
		return s.hash(tx, b)
	})
	if err != nil {
		return explain(err, s.dir)
	}
	if len(b.leaves) > 0 {
		s.note(b)
		s.watch.tell()
	}
	if b.queued {
		s.ring()
	}
	return nil
}

func (s *Store) random64() uint64 {
	var b [8]byte
	s.Random(b[:])
	return binary.BigEndian.Uint64(b[:])
}
