package store

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"gorm.io/gorm"

	"lastlook/internal/code"
	"lastlook/internal/consignment"
	"lastlook/internal/ledger"
	"lastlook/internal/say"
)

// RestoredFile is a file beside a data file that was restored from a backup. As
// long as it is there, Warnings tells about it.
const RestoredFile = "restored.note"

// restoring ends the name of the folder in which a restore is made ready.
const restoring = ".restoring"

// Restore says what to restore, and what is known of the history before.
type Restore struct {
	From string // the backup
	Data string // the data folder to make: it is not there yet, or empty
	// Keys is a file with the site's secret keys. Without it the one beside the backup
	// is taken, if there is one.
	Keys string
	// Was is the folder that the bench worked on until now, if it can still be read. The
	// head noted in it is compared with the backup.
	Was string
	// Printed is the fingerprint of a head that was printed or written down.
	Printed string
	// LostKeys is why there are no keys any more, if that is so. Then new ones are made
	// and the record says that the old ones did not sign for them.
	LostKeys string
	// By is the name of whoever restores, as on the list of people in the backup. It is on
	// record if new keys are made; without it the record says that nobody was named.
	By string
}

// Restored is what came of a restore.
type Restored struct {
	Verified
	Keys bool // the secret keys are in the folder
	// Noted is the head noted in the folder before, or zero. Back says that it does not
	// stand in the backup: steps are lost.
	Noted ledger.Head
	Back  bool
	// PrintedAt is the step at whose end the record had the printed head; 0 means that
	// it never had it: steps are lost.
	PrintedAt int64
}

// restoredNote is what RestoredFile holds.
type restoredNote struct {
	From      string    `json:"from"`
	At        time.Time `json:"at"`
	Steps     int64     `json:"steps"`
	Newest    time.Time `json:"newest"`
	Printed   string    `json:"printed,omitempty"`
	PrintedAt int64     `json:"printed_at,omitempty"`
}

// RestoreBackup makes a data folder from a backup. Everything is made ready and
// verified in a folder beside it, which gets its name only at the end: the folder is
// there whole, or not at all. The backup is only read. The next [Open] says what
// may have been lost.
func RestoreBackup(ctx context.Context, r Restore, now time.Time) (Restored, error) {
	to, err := filepath.Abs(r.Data)
	if err != nil {
		return Restored{}, err
	}
	printed, err := parseFingerprint(r.Printed)
	if err != nil {
		return Restored{}, err
	}
	if err := r.checkFrom(); err != nil {
		return Restored{}, err
	}
	if err := mustBeFree(to); err != nil {
		return Restored{}, err
	}
	work := to + restoring
	if err := clearRestoring(work); err != nil {
		return Restored{}, err
	}
	if err := os.MkdirAll(filepath.Dir(to), 0o700); err != nil {
		return Restored{}, explainRestore(err, to)
	}
	if err := os.Mkdir(work, 0o700); err != nil {
		return Restored{}, explainRestore(err, to)
	}
	done, err := r.make(ctx, work, printed, now)
	if err == nil {
		err = explainRestore(moveIn(work, to), to)
	}
	if err != nil {
		return Restored{}, errors.Join(err, clearRestoring(work))
	}
	return done, nil
}

// checkFrom refuses what is no backup before anything is copied.
func (r Restore) checkFrom() error {
	info, err := os.Stat(r.From)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return say.Refuse(say.NotFound, "There is no backup %s.", r.From).Because(err)
	case err != nil:
		return say.Refuse(say.Storage, "%s cannot be read: let this account read it.", r.From).Because(err)
	case info.IsDir():
		if all, err := listBackups(r.From); err == nil && len(all) > 0 {
			return say.Refuse(say.Invalid, "%s is a folder. Name one backup in it; the newest is %s.", r.From, all[0].path)
		}
		return say.Refuse(say.Invalid, "%s is a folder with no backups in it. Name a backup.", r.From)
	}
	if wal, err := os.Stat(r.From + "-wal"); err == nil && wal.Size() > 0 {
		return say.Refuse(say.Invalid, "%s is a data file at work, with steps in the file beside it that ends in -wal: copied by itself it would lack them. Make a backup of its folder with lastlook backup, and restore that.", r.From)
	}
	return nil
}

// mustBeFree refuses a folder with anything in it.
func mustBeFree(to string) error {
	entries, err := os.ReadDir(to)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case errors.Is(err, syscall.ENOTDIR):
		return say.Refuse(say.Invalid, "%s is a file: name a new folder to restore to.", to).Because(err)
	case err != nil:
		return explainRestore(err, to)
	case len(entries) > 0:
		return say.Refuse(say.Conflict, "%s is not empty: nothing was changed. Restore to a new folder, and keep the old one until all is settled.", to)
	}
	return nil
}

// clearRestoring takes away what a restore left that was cut off: only files
// that a restore makes.
func clearRestoring(work string) error {
	entries, err := os.ReadDir(work)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return explainRestore(err, work)
	}
	for _, e := range entries {
		n := e.Name()
		ours := strings.HasPrefix(n, File) || n == KeyFile || n == nextKeys || n == RestoredFile || strings.HasPrefix(n, ".key-") ||
			strings.HasPrefix(n, "head") && (strings.HasSuffix(n, ".note") || strings.HasSuffix(n, ".note.tmp"))
		if !ours || !e.Type().IsRegular() {
			return say.Refuse(say.Conflict, "%s is in the way, and holds more than an earlier restore left (%s). Move it away, then try again.", work, n)
		}
	}
	for _, e := range entries {
		if err := os.Remove(filepath.Join(work, e.Name())); err != nil {
			return explainRestore(err, work)
		}
	}
	if err := os.Remove(work); err != nil {
		return explainRestore(err, work)
	}
	return nil
}

// make fills the folder.
func (r Restore) make(ctx context.Context, work, printed string, now time.Time) (Restored, error) {
	var done Restored
	file := filepath.Join(work, File)
	if err := copyFileTo(ctx, r.From, file); err != nil {
		return done, explainRestore(err, work)
	}
	var err error
	if done.Verified, err = verify(ctx, file, r.From, true); err != nil {
		if ref := (*say.Refusal)(nil); errors.As(err, &ref) {
			err = say.Refuse(ref.Code, "Nothing was restored or changed. %s", ref.Text).Because(err)
		}
		return done, err
	}
	if err := r.bringKeys(ctx, work, &done); err != nil {
		return done, err
	}
	if r.Was != "" {
		if err := r.bringNotes(work, file, &done); err != nil {
			return done, err
		}
	} else {
		n := restoredNote{From: filepath.Base(r.From), At: now.UTC(), Steps: done.Steps, Newest: done.Newest, Printed: printed}
		if printed != "" {
			if n.PrintedAt, err = headAt(ctx, file, printed); err != nil {
				return done, err
			}
			done.PrintedAt = n.PrintedAt
		}
		b, err := json.MarshalIndent(n, "", "  ")
		if err != nil {
			return done, err
		}
		if err := writeSynced(filepath.Join(work, RestoredFile), append(b, '\n')); err != nil {
			return done, explainRestore(err, work)
		}
	}
	return done, explainRestore(syncFolder(work), work)
}

// bringKeys puts the site's secret keys into the folder, if they are there.
func (r Restore) bringKeys(ctx context.Context, work string, done *Restored) error {
	if r.LostKeys != "" {
		if done.Site == "" {
			return say.Refuse(say.Invalid, "The backup is from before there were keys: none can be lost. Restore it without that.")
		}
		done.Keys = true
		return replaceLostKeys(ctx, work, r.By, strings.TrimSpace(r.LostKeys))
	}
	from := r.Keys
	if from == "" {
		beside := strings.TrimSuffix(r.From, filepath.Ext(r.From)) + keySuffix
		if _, err := os.Stat(beside); err != nil {
			return nil
		}
		from = beside
	}
	path := filepath.Join(work, KeyFile)
	// Copied first: on a memory stick the file has no mode that keeps others out.
	if err := copyFileTo(ctx, from, path); errors.Is(err, fs.ErrNotExist) {
		return say.Refuse(say.NotFound, "There is no key file %s.", from).Because(err)
	} else if err != nil {
		return explainRestore(err, work)
	}
	keys, err := ledger.ReadKeys(path)
	if err != nil {
		return say.Refuse(say.Storage, "%s is no key file of a site, or was changed or cut short. Name the right one.", from).Because(err)
	}
	if keys.Public() != done.keys {
		return say.Refuse(say.Storage, "The key file %s is not the one of this backup: it signs for other keys than the record names. Name the one that was in use when the backup was made.", from)
	}
	done.Keys = true
	return nil
}

// bringNotes brings the noted heads of the folder before, so that the next start
// compares them and puts on record if the history went back.
func (r Restore) bringNotes(work, file string, done *Restored) error {
	names, err := filepath.Glob(filepath.Join(r.Was, "head-*.note"))
	if err != nil {
		return err
	}
	newest, err := os.ReadFile(filepath.Join(r.Was, NoteFile))
	if err != nil {
		return say.Refuse(say.NotFound, "There is no %s to be read in %s: it cannot be told from there whether steps are lost. Leave that folder out.", NoteFile, r.Was).Because(err)
	}
	for _, name := range names {
		b, err := os.ReadFile(name)
		if err != nil {
			return explainRestore(err, r.Was)
		}
		if err := writeSynced(filepath.Join(work, filepath.Base(name)), b); err != nil {
			return explainRestore(err, work)
		}
	}
	if err := writeSynced(filepath.Join(work, NoteFile), newest); err != nil {
		return explainRestore(err, work)
	}
	if done.Noted, err = ledger.PeekHead(newest); err != nil {
		done.Back = true // it cannot be told that it did not
		return nil
	}
	s, err := openFixed(file)
	if err != nil {
		return err
	}
	defer s.sql.Close()
	site, err := loadSite(s.db)
	if err != nil {
		return err
	}
	if _, ok := site.Now(); !ok {
		done.Back = true
		return nil
	}
	ok, err := stands(s.db, site, newest)
	done.Back = !ok
	return err
}

// replaceLostKeys makes new keys for a site whose keys are lost and puts on record that
// the old ones did not sign for them.
func replaceLostKeys(ctx context.Context, dir, by, reason string) error {
	s, err := connect(dir)
	if err != nil {
		return explainRestore(err, dir)
	}
	s.noter = startNoter(filepath.Join(dir, NoteFile))
	defer s.Close()
	provider, err := s.migrator()
	if err != nil {
		return err
	}
	if _, err := provider.Up(ctx); err != nil {
		return explainRestore(err, dir)
	}
	return s.inTx(ctx, func(tx *gorm.DB) error {
		site, err := loadSite(tx)
		if err != nil {
			return err
		}
		actor, err := onConsole(tx, by)
		if err != nil {
			return err
		}
		next, err := ledger.NewKeys(site.Name, rand.Reader)
		if err != nil {
			return err
		}
		if err := next.Write(filepath.Join(dir, KeyFile)); err != nil {
			return err
		}
		e, err := ledger.ChangeKeys(site, nil, next, reason)
		if err != nil {
			return err
		}
		return s.appendSite(tx, site, actor, "", "", e)
	})
}

// onConsole gives the person with a name on the list, or says that nobody was named.
func onConsole(tx *gorm.DB, by string) (consignment.Actor, error) {
	by = strings.Join(strings.Fields(by), " ")
	if by == "" {
		return consignment.Actor{ID: "console", Name: "somebody on the console, who gave no name"}, nil
	}
	roster, err := loadRoster(tx)
	if err != nil {
		return consignment.Actor{}, err
	}
	var names []string
	for _, p := range roster.Working() {
		if strings.EqualFold(p.Name, by) {
			return consignment.Actor{ID: p.ID, Name: p.Name, Roles: p.Roles}, nil
		}
		names = append(names, p.Name)
	}
	if len(names) == 0 {
		return consignment.Actor{}, say.Refuse(say.Invalid, "Nothing was restored or changed. Nobody is on the list of people in the backup, so nobody can be named: leave the name out.")
	}
	return consignment.Actor{}, say.Refuse(say.Invalid, "Nothing was restored or changed. %q is not on the list of people in the backup: name one of %s, or leave the name out.", by, strings.Join(names, ", "))
}

// moveIn gives the finished folder its name.
func moveIn(work, to string) error {
	if err := os.Remove(to); err != nil && !errors.Is(err, fs.ErrNotExist) { // an empty folder
		return err
	}
	if err := os.Rename(work, to); err != nil {
		return err
	}
	return syncFolder(filepath.Dir(to))
}

// copyFileTo copies a file into a new one that only this account can read, and
// makes sure that it is on the disk.
func copyFileTo(ctx context.Context, from, to string) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := os.OpenFile(to, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	_, err = io.Copy(out, cancellable{ctx, in})
	if err == nil {
		err = out.Sync()
	}
	return errors.Join(err, out.Close())
}

// cancellable stops reading when its context ends.
type cancellable struct {
	ctx context.Context
	r   io.Reader
}

func (c cancellable) Read(b []byte) (int, error) {
	if err := c.ctx.Err(); err != nil {
		return 0, err
	}
	return c.r.Read(b)
}

func writeSynced(name string, b []byte) error {
	if err := os.WriteFile(name, b, 0o600); err != nil {
		return err
	}
	return syncFile(name)
}

// explainRestore says in words why a data folder could not be made.
func explainRestore(err error, dir string) error {
	if err == nil || say.CodeOf(err) != "" || errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return err
	}
	switch {
	case isCode(err, codeFull), errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EDQUOT):
		return say.Refuse(say.Storage, "The disk of %s is full: nothing was restored, and what was written was taken away again. Make room, or name a folder on another disk.", dir).Because(err)
	case errors.Is(err, syscall.EBUSY):
		return say.Refuse(say.Storage, "%s is where a disk is put in place, and cannot be exchanged: name a new folder in it.", dir).Because(err)
	case errors.Is(err, syscall.EROFS), errors.Is(err, fs.ErrPermission), isCode(err, codeReadOnly, codePerm, codeCantOpen):
		return say.Refuse(say.Storage, "%s cannot be made or read: nothing was restored. Let this account write there, or name another folder.", dir).Because(err)
	case errors.Is(err, syscall.ENOTEMPTY), errors.Is(err, fs.ErrExist):
		return say.Refuse(say.Conflict, "Something was put into %s meanwhile: nothing was restored. Name another folder.", dir).Because(err)
	case isCode(err, codeIOErr), errors.Is(err, syscall.EIO), errors.Is(err, syscall.EFBIG):
		return say.Refuse(say.Storage, "The disk of %s does not take the whole file, or does not answer properly: nothing was restored. Check the disk, or name a folder on another one.", dir).Because(err)
	}
	return err
}

// parseFingerprint reads a fingerprint as it was printed, whatever spaces and
// letters it was typed with, and gives it as [ledger.Head.Fingerprint] writes it.
func parseFingerprint(typed string) (string, error) {
	s := strings.ToUpper(strings.Join(strings.Fields(strings.ReplaceAll(typed, "-", " ")), ""))
	if s == "" {
		return "", nil
	}
	hexadecimal := len(s) == 18 && strings.Trim(s[:16], "0123456789ABCDEF") == ""
	if !hexadecimal || code.CheckDigits(s[:16]) != s[16:] {
		return "", say.Refuse(say.Invalid, "%q is not the fingerprint of a head: it has four groups of four digits and letters A to F, and two check digits. Look at the print again.", typed)
	}
	return fmt.Sprintf("%s %s %s %s %s", s[:4], s[4:8], s[8:12], s[12:16], s[16:]), nil
}

// lookRestored tells that the data file was restored, for as long as nobody has
// settled what that means.
func (s *Store) lookRestored() {
	name := filepath.Join(s.dir, RestoredFile)
	b, err := os.ReadFile(name)
	if err != nil {
		return
	}
	var n restoredNote
	if json.Unmarshal(b, &n) != nil {
		s.books.warnings = append(s.books.warnings, say.T("This data folder was restored from a backup, but the note about it was damaged. When it is settled what was lost, move %s away.", name))
		return
	}
	what := say.T("This data folder was restored on %s from the backup %s, which ends with step %d, of %s. What was done after that is not in it.",
		say.Moment(n.At), n.From, n.Steps, say.Moment(n.Newest))
	var compared say.Text
	switch {
	case n.Printed == "":
		compared = say.T("Compare with the newest head that was printed.")
	case n.PrintedAt > 0:
		compared = say.T("The printed head %s is in it, at step %d.", n.Printed, n.PrintedAt)
	default:
		compared = say.T("The record went back: the printed head %s is not in it, so steps are lost. Tell the auditor.", n.Printed)
	}
	s.books.warnings = append(s.books.warnings, say.T("%s %s When that is settled, move %s away.", what, compared, name))
}
