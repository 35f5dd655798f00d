package store

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"lastlook/internal/say"
)

// Upgrade tells that the data file was of an older version when the folder was opened,
// and was brought up to date.
type Upgrade struct {
	From, To int64  // versions of the tables
	Copy     string // the data file as it was before, checked
	Verified        // what is in it
}

// Upgraded tells whether opening the folder brought the data file up to date.
func (s *Store) Upgraded() (Upgrade, bool) { return s.upgraded, s.upgraded.To > 0 }

// beforeUpgrade copies a data file of older tables, as it is, beside itself, and
// checks the copy, before anything in it is changed. A file without steps has
// nothing to lose.
func (s *Store) beforeUpgrade(ctx context.Context, have, newest int64) error {
	if have < 1 || have >= newest {
		return nil
	}
	var steps int64
	if err := s.sql.QueryRowContext(ctx, "SELECT COUNT(*) FROM events").Scan(&steps); err != nil {
		return fmt.Errorf("counting the steps before the tables change: %w", err)
	}
	if steps == 0 {
		return nil
	}
	u := Upgrade{From: have, To: newest}
	err := s.copyBefore(ctx, &u)
	var r *say.Refusal
	if errors.As(err, &r) {
		return say.Refuse(say.Storage, "The data file is of an older version, and was left as it is: it is brought up to date only after a copy of it was made and checked. %s", r.Text).Because(err)
	}
	if err != nil {
		return err
	}
	s.upgraded = u
	return nil
}

func (s *Store) copyBefore(ctx context.Context, u *Upgrade) error {
	source, err := dataFile(s.dir)
	if err != nil {
		return err
	}
	if err := enoughRoom(source, s.dir); err != nil {
		return err
	}
	half, err := newHalf(s.dir)
	if err != nil {
		return explainTarget(err, s.dir)
	}
	defer os.Remove(half)
	if err := copyOut(ctx, source, half); err != nil {
		return explainTarget(err, s.dir)
	}
	if u.Verified, err = verify(ctx, half, source, true); err != nil {
		return err
	}
	for n := 1; ; n++ {
		name := fmt.Sprintf("before-upgrade-%d.db", u.From)
		if n > 1 {
			name = fmt.Sprintf("before-upgrade-%d-%d.db", u.From, n)
		}
		u.Copy = filepath.Join(s.dir, name)
		// One that is there may be all that is left of another history.
		if err = putUnder(half, u.Copy); !errors.Is(err, fs.ErrExist) {
			break
		}
	}
	if err == nil {
		err = syncFolder(s.dir)
	}
	return explainTarget(err, s.dir)
}
