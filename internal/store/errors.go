package store

import (
	"errors"
	"io/fs"
	"os"

	"lastlook/internal/say"
)

// SQLite result codes, https://www.sqlite.org/rescode.html. The low byte is the
// primary code.
const (
	codePerm     = 3
	codeBusy     = 5
	codeLocked   = 6
	codeReadOnly = 8
	codeIOErr    = 10
	codeCorrupt  = 11
	codeFull     = 13
	codeCantOpen = 14
	codeNotADB   = 26
)

// explain turns what the database or the file system says into a refusal with a
// sentence that says what to do. Refusals and unknown errors pass unchanged.
func explain(err error, dir string) error {
	if err == nil || say.CodeOf(err) != "" {
		return err
	}
	var coded interface{ Code() int }
	if errors.As(err, &coded) {
		switch coded.Code() & 0xff {
		case codeFull:
			return say.Refuse(say.Storage, "The disk is full: this step was not saved, everything before it was. Free some space, then do the step again.").Because(err)
		case codeReadOnly, codePerm:
			return say.Refuse(say.Storage, "The data folder %s cannot be written: nothing was changed. Let this account write there, then try again.", dir).Because(err)
		case codeBusy, codeLocked:
			return say.Refuse(say.Storage, "The data file is in use by another program: this step was not saved. Close that program, then do the step again.").Because(err)
		case codeCantOpen:
			return say.Refuse(say.Storage, "The data file in %s cannot be opened. See that the folder exists and that this account may use it.", dir).Because(err)
		case codeIOErr:
			return say.Refuse(say.Storage, "The disk does not answer properly: this step was not saved. Check the disk, and restore a backup if it stays so.").Because(err)
		case codeCorrupt, codeNotADB:
			return say.Refuse(say.Storage, "The data file in %s is damaged or is not one of Lastlook's. Restore a backup; do not use it further.", dir).Because(err)
		}
	}
	switch {
	case errors.Is(err, fs.ErrPermission):
		return say.Refuse(say.Storage, "The data folder %s cannot be written: nothing was changed. Let this account write there, then try again.", dir).Because(err)
	case errors.Is(err, os.ErrNotExist):
		return say.Refuse(say.Storage, "The data folder %s is not there.", dir).Because(err)
	}
	return err
}
