package export

import (
	"archive/zip"
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"lastlook/internal/bundle"
	"lastlook/internal/consignment"
	"lastlook/internal/ledger"
	"lastlook/internal/say"
	"lastlook/internal/store"
)

// An archive is a ZIP file, stored and not packed, that holds README.txt, index.json,
// head.txt with the signed head that all of it is under, and bundles/CODE.bundle.zip
// for each consignment: each of them is a portable record by itself.
const (
	archiveFormat  = "lastlook archive"
	archiveVersion = 1

	archiveReadMe = "README.txt"
	archiveIndex  = "index.json"
	archiveHead   = "head.txt"

	maxIndex    = 64 << 20
	maxSmall    = 64 << 10 // head.txt, README.txt
	maxArchived = 1_000_000
)

const archiveText = `An archive of inspected consignments, written by Lastlook.

index.json lists them, each with the SHA-256 of its file. head.txt is the signed
head of the site's ledger that all of them are under. Each file in bundles is the
portable record of one consignment and can be handed on by itself.

To check all of it, without the nursery's computer and without a network:

  lastlook archive --check FILE

To check or read one consignment, take its file out and use lastlook verify.
`

// Index is what an archive says of itself.
type Index struct {
	Format  string     `json:"format"`
	Version int        `json:"version"`
	Program string     `json:"program"`
	Site    string     `json:"site"`   // name of the ledger
	Steps   int64      `json:"steps"`  // under the head
	Before  time.Time  `json:"before"` // all were closed before this moment
	Items   []Archived `json:"consignments"`
}

// Archived is one consignment in an archive.
type Archived struct {
	Code    string    `json:"code"`
	Number  string    `json:"number"`
	Outcome string    `json:"outcome"`
	Ended   time.Time `json:"ended"`
	File    string    `json:"file"`
	Size    int64     `json:"size"`
	SHA256  string    `json:"sha256"`
}

// Archive writes the portable records of all consignments that were closed before a
// moment into one file: those that left, and those whose newest round passed or was
// rejected. It tells how many that are older are not closed, because they are held or stopped. Nothing is
// taken out of the data folder. The data folder must not change meanwhile: all
// records are under one head. The same data gives the same file.
func Archive(ctx context.Context, st *store.Store, before time.Time, o Options, w io.Writer) (ix Index, waiting int, err error) {
	head, err := st.Head(ctx)
	if err != nil {
		return ix, 0, err
	}
	_, over, err := st.Due(ctx, -1)
	if err != nil {
		return ix, 0, err
	}
	ix = Index{Format: archiveFormat, Version: archiveVersion, Program: o.Program, Site: head.Site, Steps: head.Size, Before: before.UTC(), Items: []Archived{}}
	z := zip.NewWriter(w)
	put := func(name string, b []byte) error {
		f, err := z.CreateHeader(&zip.FileHeader{Name: name, Method: zip.Store})
		if err == nil {
			_, err = f.Write(b)
		}
		return err
	}
	if err := put(archiveReadMe, []byte(archiveText)); err != nil {
		return ix, 0, err
	}
	if err := put(archiveHead, []byte(head.Note)); err != nil {
		return ix, 0, err
	}
	slices.SortStableFunc(over, func(a, b store.Summary) int {
		return cmp.Or(a.EndedAt.Compare(b.EndedAt), cmp.Compare(a.Number, b.Number))
	})
	for _, c := range over {
		outcome, closed := closedAs[consignment.Standing(c.Stage)]
		switch {
		case !c.EndedAt.Before(before) || !c.LeftAt.Before(before):
			continue
		case !closed:
			if !c.EndedAt.IsZero() {
				waiting++
			}
			continue
		}
		b, err := Bundle(ctx, st, c.Code, o)
		if err != nil {
			return ix, 0, fmt.Errorf("consignment %s: %w", c.Number, err)
		}
		if string(b.Head) != head.Note {
			return ix, 0, errors.New("the data changed while they were archived")
		}
		file, err := b.Encode()
		if err != nil {
			return ix, 0, fmt.Errorf("consignment %s: %w", c.Number, err)
		}
		sum := sha256.Sum256(file)
		item := Archived{
			Code: c.Code, Number: c.Number, Outcome: string(outcome), Ended: c.EndedAt.UTC(),
			File: bundleName(c.Code), Size: int64(len(file)), SHA256: hex.EncodeToString(sum[:]),
		}
		if err := put(item.File, file); err != nil {
			return ix, 0, err
		}
		ix.Items = append(ix.Items, item)
	}
	text, err := json.MarshalIndent(ix, "", " ")
	if err != nil {
		return ix, 0, err
	}
	if err := put(archiveIndex, append(text, '\n')); err != nil {
		return ix, 0, err
	}
	return ix, waiting, z.Close()
}

// closedAs gives the outcome of the newest round of a consignment that is closed, by
// where it stands.
var closedAs = map[consignment.Standing]consignment.Outcome{
	consignment.StandPassed:   consignment.Passed,
	consignment.StandGone:     consignment.Passed,
	consignment.StandRejected: consignment.Rejected,
	consignment.StandIsolated: consignment.Rejected,
}

func bundleName(code string) string { return "bundles/" + code + ".bundle.zip" }

// ArchiveReport is what came of checking an archive.
type ArchiveReport struct {
	Index
	Fingerprint string           // of the head
	Sound       int              // consignments of which everything holds
	Wrong       []say.Text       // what does not hold
	Reports     []*bundle.Report // of consignments of which something does not hold
}

// Holds reports whether nothing that was checked fails.
func (r *ArchiveReport) Holds() bool { return len(r.Wrong) == 0 }

func (r *ArchiveReport) wrong(key string, args ...any) {
	r.Wrong = append(r.Wrong, say.T(key, args...))
}

// CheckArchive checks an archive: that it holds what its index lists and nothing
// else, that all of it is under one head, and each consignment as [bundle.Check]
// does. An error means that the file is no archive or cannot be read. progress may
// be nil.
func CheckArchive(ctx context.Context, file io.ReaderAt, size int64, against bundle.Against, progress func(done, total int)) (*ArchiveReport, error) {
	z, err := zip.NewReader(file, size)
	if err != nil {
		return nil, say.Refuse(say.Invalid, "The file is no archive, or it was cut short: it does not end as a ZIP file does. Get it again from where it is kept.").Because(err)
	}
	if len(z.File) > maxArchived {
		return nil, say.Refuse(say.Invalid, "The file holds %d files: it was not written by Lastlook.", len(z.File))
	}
	r := &ArchiveReport{}
	at := map[string]*zip.File{}
	for _, f := range z.File {
		if at[f.Name] != nil {
			r.wrong("“%s” is in it twice: nobody could tell which one counts.", clip(f.Name))
		}
		at[f.Name] = f
	}
	raw, err := take(at, archiveIndex, maxIndex)
	if err != nil {
		return nil, err
	}
	dec := json.NewDecoder(bytes.NewReader(raw))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&r.Index); err != nil || r.Format != archiveFormat {
		return nil, say.Refuse(say.Invalid, "The file is no archive: “%s” does not say that it is one, or was changed.", archiveIndex).Because(err)
	}
	if r.Version != archiveVersion {
		return nil, say.Refuse(say.Invalid, "The file is an archive of version %d, and this program reads version %d: check it with a newer version of Lastlook.", r.Version, archiveVersion)
	}
	note, err := take(at, archiveHead, maxSmall)
	if err != nil {
		return nil, err
	}
	head, err := ledger.PeekHead(note)
	if err != nil {
		r.wrong("“%s” does not hold the head of a ledger.", archiveHead)
	} else {
		r.Fingerprint = head.Fingerprint()
		if head.Site != r.Site || head.Size != r.Steps {
			r.wrong("The head is that of %d steps of %s, but the index says %d steps of %s.", head.Size, clip(head.Site), r.Steps, clip(r.Site))
		}
	}
	for _, name := range []string{archiveReadMe, archiveIndex, archiveHead} {
		delete(at, name)
	}
	for i, item := range r.Items {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		if progress != nil {
			progress(i, len(r.Items))
		}
		r.item(item, at, note, against)
		delete(at, item.File)
	}
	for name := range at {
		r.wrong("“%s” is in it, but the index does not list it: it was added.", clip(name))
	}
	return r, nil
}

// item checks one consignment.
func (r *ArchiveReport) item(item Archived, at map[string]*zip.File, head []byte, against bundle.Against) {
	number := clip(item.Number)
	if item.File != bundleName(item.Code) || at[item.File] == nil {
		r.wrong("%s is listed, but “%s” is not in the file: it was taken out.", number, clip(item.File))
		return
	}
	raw, err := take(at, item.File, bundle.MaxSize)
	if err != nil {
		r.wrong("%s: %s", number, sentence(err))
		return
	}
	if sum := sha256.Sum256(raw); hex.EncodeToString(sum[:]) != item.SHA256 || int64(len(raw)) != item.Size {
		r.wrong("%s: its file is not the one that the index lists: one of them was changed.", number)
	}
	b, err := bundle.Read(raw)
	if err != nil {
		r.wrong("%s: %s", number, sentence(err))
		return
	}
	before := len(r.Wrong)
	if !bytes.Equal(b.Head, head) {
		r.wrong("%s is under another head than the archive.", number)
	}
	report := bundle.Check(b, against)
	if !report.Holds() {
		r.Reports = append(r.Reports, report)
		r.wrong("%s: %s", number, report.Verdict())
	}
	if report.Consignment != item.Code || report.Number != item.Number || report.Outcome != item.Outcome {
		r.wrong("%s: the index says of it what its record does not: number, code or outcome.", number)
	}
	if len(r.Wrong) == before {
		r.Sound++
	}
}

// take reads a file of the archive, as long as it is no larger than may be.
func take(at map[string]*zip.File, name string, limit int64) ([]byte, error) {
	f := at[name]
	if f == nil {
		return nil, say.Refuse(say.Invalid, "The file is no archive: there is no “%s” in it.", name)
	}
	in, err := f.Open()
	if err != nil {
		return nil, say.Refuse(say.Invalid, "“%s” cannot be read: the file was damaged.", clip(name)).Because(err)
	}
	defer in.Close()
	b, err := io.ReadAll(io.LimitReader(in, limit+1))
	switch {
	case err != nil:
		return nil, say.Refuse(say.Invalid, "“%s” cannot be read: the file was damaged.", clip(name)).Because(err)
	case int64(len(b)) > limit:
		return nil, say.Refuse(say.Invalid, "“%s” is larger than it can be: it was not written by Lastlook.", clip(name))
	}
	return b, nil
}

// sentence gives what may be shown of an error.
func sentence(err error) say.Text {
	var r *say.Refusal
	if errors.As(err, &r) {
		return r.Text
	}
	return say.T("Its file cannot be read.")
}

// clip shortens a name that came from outside and leaves out what could move the
// cursor of a terminal.
func clip(s string) string {
	s = strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f || r >= 0x80 && r < 0xa0 || r >= 0x202a && r <= 0x202e || r >= 0x2066 && r <= 0x2069 {
			return ' '
		}
		return r
	}, s)
	if r := []rune(s); len(r) > 60 {
		return string(r[:60]) + "…"
	}
	return s
}
