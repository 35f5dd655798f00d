package store

import (
	"context"
	"errors"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"time"

	"gorm.io/driver/sqlite"
	"gorm.io/gorm"
	"gorm.io/gorm/logger"

	"lastlook/internal/say"
)

// OpenReading opens a data folder to read what is there: it makes no folder,
// brings no tables up to date, and the database refuses whatever would write. A
// bench may work on the same folder meanwhile. Tables of another version are
// refused.
func OpenReading(ctx context.Context, dir string) (*Store, error) {
	path, err := filepath.Abs(filepath.Join(dir, File))
	if err != nil {
		return nil, err
	}
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		return nil, say.Refuse(say.NotFound, "There is no data in %s. Name the folder that the bench works on.", dir).Because(err)
	} else if err != nil {
		return nil, explain(err, dir)
	}
	q := url.Values{"_pragma": {"busy_timeout(5000)", "query_only(1)"}}
	dsn := (&url.URL{Scheme: "file", Path: path, RawQuery: q.Encode()}).String()
	db, err := gorm.Open(dialector{sqlite.Dialector{DriverName: "sqlite", DSN: dsn}}, &gorm.Config{
		Logger: logger.Discard, TranslateError: true, SkipDefaultTransaction: true,
	})
	if err != nil {
		return nil, explain(err, dir)
	}
	raw, err := db.DB()
	if err != nil {
		return nil, err
	}
	s := &Store{db: db, sql: raw, dir: dir, Now: time.Now}
	if err := s.sameVersion(ctx); err != nil {
		raw.Close()
		return nil, explain(err, dir)
	}
	if _, err := s.keepRules(ctx); err != nil {
		raw.Close()
		return nil, explain(err, dir)
	}
	return s, nil
}

// sameVersion refuses tables that are older or newer than those this version knows.
func (s *Store) sameVersion(ctx context.Context) error {
	provider, err := s.migrator()
	if err != nil {
		return err
	}
	have, err := provider.GetDBVersion(ctx)
	if err != nil {
		return err
	}
	sources := provider.ListSources()
	switch newest := sources[len(sources)-1].Version; {
	case have > newest:
		return say.Refuse(say.Storage, "The data file is of a newer version of Lastlook (tables %d, this version knows %d): nothing was changed. Start the newer version.", have, newest)
	case have < newest:
		return say.Refuse(say.Storage, "The data file is of an older version of Lastlook (tables %d, this version has %d): nothing was changed. Start the bench once, which brings it up to date.", have, newest)
	}
	return nil
}
