package store

import (
	"context"
	"crypto/rand"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"

	"lastlook/internal/ledger"
	"lastlook/internal/say"
)

// Target says where a backup goes and what goes with it.
type Target struct {
	// Path is the file to write, which must not be there yet, or a folder, which must
	// be. In a folder the backup gets a name of its own, with the next free number.
	Path string
	// Keys has the site's secret keys written beside the backup, mode 0600.
	Keys bool
	// Keep is how many backups of this site stay in the folder. 0 keeps all.
	Keep int
}

// Backup is a backup that was written and verified.
type Backup struct {
	Path string
	Verified
	Keys     string   // key file beside it, or ""
	Exposed  bool     // the medium lets other accounts read the key file
	Removed  []string // older backups taken away
	Doubtful []string // backups that no longer pass the check and did not count
}

// backupName is what a backup in a folder is called: a number that only grows, so
// that the order does not hang on the clock, and the time in UTC.
var backupName = regexp.MustCompile(`^lastlook-(\d{6,})-(\d{8}T\d{6}Z)\.db$`)

const (
	backupTime = "20060102T150405Z"
	// halfName begins the name of a backup that is being written.
	halfName = ".lastlook-backup-"
	// keySuffix takes the place of .db in the name of the key file beside a backup.
	keySuffix = ".key"
	// staleHalf is how old a half-written backup must be before it is cleared away:
	// a younger one may be another program's.
	staleHalf = 24 * time.Hour
	// spareRoom is what must be free on the medium besides the backup itself. The
	// bench may share the disk, and must be able to go on.
	spareRoom = 32 << 20
)

// WriteBackup copies the data file of a folder as it is at one moment, while
// benches work on it. The copy is written under another name, forced to the disk,
// verified as [Verify] does, and only then gets its name: a file with the name of
// a backup is a whole one. If it fails, nothing that was there before has changed.
func WriteBackup(ctx context.Context, data string, to Target, now time.Time) (Backup, error) {
	source, err := dataFile(data)
	if err != nil {
		return Backup{}, err
	}
	final, dir, err := to.resolve(data, now)
	if err != nil {
		return Backup{}, err
	}
	clearHalves(dir, now)
	if err := enoughRoom(source, dir); err != nil {
		return Backup{}, err
	}
	half, err := newHalf(dir)
	if err != nil {
		return Backup{}, explainTarget(err, dir)
	}
	defer os.Remove(half)
	if err := copyOut(ctx, source, half); err != nil {
		if isCode(err, codeCorrupt, codeNotADB) {
			return Backup{}, say.Refuse(say.Storage, "The data file in %s is damaged: no backup was made of it, and older backups were left as they are. Restore one of those.", data).Because(err)
		}
		return Backup{}, explainTarget(err, dir)
	}
	b := Backup{Path: final}
	if b.Verified, err = verify(ctx, half, source, true); err != nil {
		if r := (*say.Refusal)(nil); errors.As(err, &r) {
			err = say.Refuse(say.Storage, "No backup was made. %s Older backups were left as they are.", r.Text).Because(err)
		}
		return Backup{}, err
	}
	if to.Keys {
		b.Keys = strings.TrimSuffix(final, filepath.Ext(final)) + keySuffix
		if err := writeKeys(data, b.Keys, b.keys); err != nil {
			return Backup{}, err
		}
		info, err := os.Stat(b.Keys)
		b.Exposed = err == nil && info.Mode().Perm()&0o077 != 0 && runtime.GOOS != "windows"
	}
	if err := putUnder(half, final); err != nil {
		if b.Keys != "" {
			os.Remove(b.Keys)
		}
		return Backup{}, explainTarget(err, dir)
	}
	if err := syncFolder(dir); err != nil {
		return b, explainTarget(err, dir)
	}
	if to.Keep > 0 {
		b.Removed, b.Doubtful, err = prune(ctx, dir, to.Keep, b.Site)
	}
	return b, err
}

// dataFile gives the data file of a folder, which must be there.
func dataFile(dir string) (string, error) {
	path, err := filepath.Abs(filepath.Join(dir, File))
	if err != nil {
		return "", err
	}
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		return "", say.Refuse(say.NotFound, "There is no data in %s. Name the folder that the bench works on.", dir).Because(err)
	} else if err != nil {
		return "", explain(err, dir)
	}
	return path, nil
}

// resolve finds out what the backup will be called, and the folder it is in.
func (to Target) resolve(data string, now time.Time) (final, dir string, err error) {
	path, err := filepath.Abs(to.Path)
	if err != nil {
		return "", "", err
	}
	folder := to.Keep > 0 || strings.HasSuffix(to.Path, "/") || strings.HasSuffix(to.Path, string(filepath.Separator))
	info, err := os.Stat(path)
	switch {
	case err == nil && info.IsDir():
		final, dir = filepath.Join(path, nextName(path, now)), path
	case err == nil && folder:
		return "", "", say.Refuse(say.Storage, "%s is no folder: name the folder that backups go to.", path)
	case err == nil:
		return "", "", say.Refuse(say.Conflict, "There is a file %s already: it was left as it is. Choose another name, or name a folder.", path)
	case !errors.Is(err, fs.ErrNotExist):
		return "", "", explainTarget(err, path)
	case folder:
		return "", "", say.Refuse(say.NotFound, "There is no folder %s for backups. Make it, or see that its disk is there.", path)
	default:
		final, dir = path, filepath.Dir(path)
		if info, err := os.Stat(dir); err != nil || !info.IsDir() {
			return "", "", say.Refuse(say.NotFound, "There is no folder %s for the backup. Make it, or see that its disk is there.", dir)
		}
	}
	a, aerr := os.Stat(data)
	b, berr := os.Stat(dir)
	if aerr == nil && berr == nil && os.SameFile(a, b) {
		return "", "", say.Refuse(say.Invalid, "A backup in the data folder itself is lost with it. Name another folder, best on another disk.")
	}
	return final, dir, nil
}

// named is a backup in a folder, as its name tells.
type named struct {
	path   string
	number int64
	at     time.Time
}

// listBackups gives the files in a folder that are called as backups are, newest first.
func listBackups(dir string) ([]named, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, err
	}
	var out []named
	for _, e := range entries {
		m := backupName.FindStringSubmatch(e.Name())
		if m == nil || !e.Type().IsRegular() {
			continue
		}
		n, nerr := strconv.ParseInt(m[1], 10, 64)
		at, terr := time.Parse(backupTime, m[2])
		if nerr == nil && terr == nil {
			out = append(out, named{filepath.Join(dir, e.Name()), n, at})
		}
	}
	slices.SortFunc(out, func(a, b named) int {
		if a.number != b.number {
			return int(min(max(b.number-a.number, -1), 1))
		}
		return b.at.Compare(a.at)
	})
	return out, nil
}

func nextName(dir string, now time.Time) string {
	n := int64(1)
	if all, err := listBackups(dir); err == nil && len(all) > 0 {
		n = all[0].number + 1
	}
	return fmt.Sprintf("lastlook-%06d-%s.db", n, now.UTC().Format(backupTime))
}

// roomIn is freeRoom; tests set it.
var roomIn = freeRoom

// enoughRoom refuses to begin a backup that would fill the disk, where the
// system tells how much is free. It is a look beforehand: a disk that fills all the
// same is met when it happens.
func enoughRoom(source, dir string) error {
	free, ok := roomIn(dir)
	if !ok {
		return nil
	}
	var need uint64 = spareRoom
	for _, f := range []string{source, source + "-wal"} {
		if info, err := os.Stat(f); err == nil {
			need += uint64(info.Size())
		}
	}
	if free < need {
		return say.Refuse(say.Storage, "There is not enough room in %s for a backup: %d MB are free, and %d MB are needed so that the disk does not fill. Nothing was written. Make room, or name a folder on another disk.", dir, free>>20, need>>20)
	}
	return nil
}

// newHalf makes the empty file that a backup is written to, for this account only.
func newHalf(dir string) (string, error) {
	name := filepath.Join(dir, halfName+rand.Text()+".part")
	f, err := os.OpenFile(name, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return "", err
	}
	return name, f.Close()
}

// clearHalves takes away what backups left that were cut off long ago.
func clearHalves(dir string, now time.Time) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return
	}
	for _, e := range entries {
		if info, err := e.Info(); err == nil && strings.HasPrefix(e.Name(), halfName) && info.Mode().IsRegular() && now.Sub(info.ModTime()) > staleHalf {
			os.Remove(filepath.Join(dir, e.Name()))
		}
	}
}

// copyOut writes the data file as it is at one moment into an empty file, and
// makes sure that it is on the disk. Benches go on writing meanwhile: reading from a
// write-ahead log keeps nobody waiting.
func copyOut(ctx context.Context, source, half string) error {
	q := url.Values{"mode": {"rw"}, "_pragma": {"busy_timeout(5000)"}}
	db, err := sql.Open("sqlite", (&url.URL{Scheme: "file", Path: source, RawQuery: q.Encode()}).String())
	if err != nil {
		return err
	}
	defer db.Close()
	if _, err := db.ExecContext(ctx, "VACUUM INTO ?", half); err != nil {
		os.Remove(half + "-journal")
		if ctx.Err() != nil {
			return ctx.Err()
		}
		return err
	}
	return syncFile(half)
}

func syncFile(name string) error {
	f, err := os.OpenFile(name, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	err = f.Sync()
	return errors.Join(err, f.Close())
}

// syncFolder makes sure that the names in a folder are on the disk.
func syncFolder(dir string) error {
	if runtime.GOOS == "windows" {
		return nil // folders cannot be synced there
	}
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	err = d.Sync()
	if errors.Is(err, syscall.EINVAL) || errors.Is(err, syscall.ENOTSUP) {
		err = nil // some media have no such thing
	}
	return errors.Join(err, d.Close())
}

// putUnder gives a file its name, and never takes the name from another.
func putUnder(half, final string) error {
	err := os.Link(half, final)
	switch {
	case err == nil:
		os.Remove(half) // it is there under its name; this one is cleared away sooner or later
		return nil
	case errors.Is(err, fs.ErrExist):
		return err
	}
	// The medium has no second names, as memory sticks have not.
	if _, err := os.Lstat(final); err == nil {
		return fs.ErrExist
	}
	return os.Rename(half, final)
}

// writeKeys copies the site's secret keys.
func writeKeys(data, to string, want ledger.Public) error {
	path := filepath.Join(data, KeyFile)
	keys, err := ledger.ReadKeys(path)
	if err != nil {
		return err
	}
	if keys.Public() != want {
		return say.Refuse(say.Storage, "The key file %s is not that of the copy: the keys are being changed, or the file is another site's. No backup was made. Try again.", path)
	}
	if _, err := os.Lstat(to); err == nil {
		return say.Refuse(say.Conflict, "There is a file %s already: it was left as it is, and no backup was made. Choose another name.", to)
	}
	if err := keys.Write(to); err != nil {
		return explainTarget(err, filepath.Dir(to))
	}
	return nil
}

// prune takes the oldest backups of a site away until keep sound ones are left.
// Only a backup that is older than keep others that pass the check now is taken
// away. One among the newest that no longer passes is told and does not count.
// Files of other names, backups of other sites and what cannot be read are left
// alone.
func prune(ctx context.Context, dir string, keep int, site string) (removed, doubtful []string, err error) {
	all, err := listBackups(dir)
	if err != nil {
		return nil, nil, explainTarget(err, dir)
	}
	if len(all) <= keep {
		return nil, nil, nil
	}
	sound := 0
	for _, b := range all {
		if sound < keep {
			v, err := verify(ctx, b.path, b.path, false)
			switch {
			case ctx.Err() != nil:
				return removed, doubtful, ctx.Err()
			case err != nil:
				doubtful = append(doubtful, b.path)
			case v.Site == site:
				sound++
			}
			continue
		}
		if whose, err := siteOf(ctx, b.path); err != nil || whose != site {
			continue
		}
		if err := os.Remove(b.path); err != nil {
			return removed, doubtful, explainTarget(err, dir)
		}
		removed = append(removed, b.path)
		os.Remove(strings.TrimSuffix(b.path, ".db") + keySuffix)
	}
	return removed, doubtful, syncFolder(dir)
}

// explainTarget says in words why something could not be written where a backup goes.
func explainTarget(err error, dir string) error {
	if err == nil || say.CodeOf(err) != "" || errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return err
	}
	switch {
	case isCode(err, codeFull), errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EDQUOT):
		return say.Refuse(say.Storage, "The disk of %s is full: no backup was made, and what was written of it was taken away again. Make room, or name a folder on another disk.", dir).Because(err)
	case errors.Is(err, syscall.EROFS), errors.Is(err, fs.ErrPermission), isCode(err, codeReadOnly, codePerm):
		return say.Refuse(say.Storage, "%s cannot be written: nothing was changed. Let this account write there, or name another folder.", dir).Because(err)
	case errors.Is(err, fs.ErrExist):
		return say.Refuse(say.Conflict, "There is a file of that name in %s already: it was left as it is. Choose another name.", dir).Because(err)
	case errors.Is(err, fs.ErrNotExist), isCode(err, codeCantOpen):
		return say.Refuse(say.Storage, "%s is not there any more: see that its disk is connected, then try again.", dir).Because(err)
	case isCode(err, codeBusy, codeLocked):
		return say.Refuse(say.Storage, "The data file is in use by another program: no backup was made. Close that program, then try again.").Because(err)
	case isCode(err, codeIOErr), errors.Is(err, syscall.EIO), errors.Is(err, syscall.EFBIG):
		return say.Refuse(say.Storage, "The disk of %s does not take the whole file, or does not answer properly: no backup was made. Check the disk, or name a folder on another one.", dir).Because(err)
	}
	return err
}
