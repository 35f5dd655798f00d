package main

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"lastlook/internal/bundle"
	"lastlook/internal/export"
	"lastlook/internal/ledger"
	"lastlook/internal/say"
	"lastlook/internal/store"
)

const archiveHelp = `archive --before DATE [--since HEAD]... [--data DIR] -o FILE
       lastlook archive --check FILE [--key FILE] [--anchor HEAD]...

Writes the portable records of all consignments that passed or were rejected
before a date into one file, which can be checked by itself in years to come.
Nothing is deleted: the data stay as they are. What is held or stopped is not
closed and not archived. The bench may work on meanwhile.

With --check it checks such a file, with nothing but the file.`

func archiveCommand() command {
	return command{
		name:    "archive",
		summary: "write all consignments closed before a date into one file, or check it",
		run:     runArchive,
	}
}

func runArchive(ctx context.Context, t terminal, args []string) error {
	fs := newFlags(t, "archive", archiveHelp)
	data := dataFlag(fs)
	day := fs.String("before", "", "closed before this `date`, like 2026-01-31, from its midnight here")
	out := fs.String("o", "", "new `file` to write")
	invented := fs.Bool("invented", false, "mark the records as invented data, as in the demo")
	check := fs.String("check", "", "check the archive in `file`")
	key := fs.String("key", "", "with --check: `file` with the site's public keys, as the site made them known")
	var since, anchors files
	fs.Var(&since, "since", "prove that the records go on from the signed head in `file`, such as head.txt of the archive before; may be given again")
	fs.Var(&anchors, "anchor", "with --check: compare with the signed head in `file`; may be given again")
	rest, err := parse(fs, args)
	switch {
	case err != nil:
		return err
	case len(rest) > 0:
		return usagef("archive takes only flags, got %q", rest[0])
	case *check != "" && (*day != "" || *out != "" || given(fs, "data") || len(since) > 0 || *invented):
		return usagef("--check takes the file alone, with --key and --anchor")
	case *check != "":
		return checkArchive(ctx, t, *check, *key, anchors)
	case *key != "" || len(anchors) > 0:
		return usagef("--key and --anchor go with --check")
	case *day == "":
		return usagef("say before which date: --before 2026-01-31")
	case *out == "":
		return usagef("say where to write the archive: -o archive-2026.zip")
	}
	before, err := time.ParseInLocation(time.DateOnly, *day, time.Local)
	if err != nil {
		return usagef("%q is not a date: write year, month and day like 2026-01-31", *day)
	}
	o := export.Options{Invented: *invented, Program: "Lastlook " + version, Entry: shippedText}
	if o.Since, err = readHeads(since); err != nil {
		return err
	}
	dir, err := dataFolder(*data)
	if err != nil {
		return err
	}
	if _, err := os.Lstat(*out); err == nil {
		return fmt.Errorf("there is a file %s already: it was left as it is. Choose another name", *out)
	}
	return writeArchive(ctx, t, dir, *out, before, o)
}

// writeArchive archives from a copy of the data as they are at one moment, which is
// checked like a backup: what is wrong with the data does not get into an archive.
func writeArchive(ctx context.Context, t terminal, dir, out string, before time.Time, o export.Options) error {
	work, err := os.MkdirTemp(filepath.Dir(out), ".lastlook-archive-")
	if err != nil {
		return fmt.Errorf("%s cannot be written: %s", out, fileTrouble(err))
	}
	defer os.RemoveAll(work)
	if _, err := store.WriteBackup(ctx, dir, store.Target{Path: filepath.Join(work, store.File)}, time.Now()); err != nil {
		return err
	}
	st, err := store.OpenReading(ctx, work)
	if err != nil {
		return err
	}
	defer st.Close()
	half := filepath.Join(work, "archive")
	ix, waiting, err := fill(ctx, st, half, before, o)
	if err != nil {
		return err
	}
	if len(ix.Items) == 0 {
		return fmt.Errorf("no consignment was closed before %s: nothing was written", before.Format(time.DateOnly))
	}
	if err := os.Link(half, out); err != nil { // a link never takes the name from another file
		if _, lerr := os.Lstat(out); lerr == nil {
			return fmt.Errorf("there is a file %s already: it was left as it is. Choose another name", out)
		}
		if err := os.Rename(half, out); err != nil {
			return fmt.Errorf("%s cannot be written: %s", out, fileTrouble(err))
		}
	}
	fmt.Fprintf(t.out, "Archived: %s closed before %s, in %s\nNothing was deleted from the data.\n", count(len(ix.Items), "consignment", "consignments"), before.Format(time.DateOnly), out)
	if waiting > 0 {
		fmt.Fprintf(t.out, "Not archived: %s held or stopped before that date and not closed.\n", count(waiting, "consignment", "consignments"))
	}
	fmt.Fprintf(t.out, "Check it with lastlook archive --check %s\n", out)
	return nil
}

// fill writes the archive and makes sure that it is on the disk.
func fill(ctx context.Context, st *store.Store, name string, before time.Time, o export.Options) (export.Index, int, error) {
	f, err := os.OpenFile(name, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return export.Index{}, 0, fmt.Errorf("the archive cannot be written: %s", fileTrouble(err))
	}
	defer f.Close()
	w := bufio.NewWriterSize(f, 1<<20)
	ix, waiting, err := export.Archive(ctx, st, before, o, w)
	if err != nil {
		if say.CodeOf(err) == "" && ctx.Err() == nil {
			err = fmt.Errorf("the archive cannot be written: %s", fileTrouble(err))
		}
		return ix, 0, err
	}
	if err := w.Flush(); err != nil {
		return ix, 0, fmt.Errorf("the archive cannot be written: %s", fileTrouble(err))
	}
	if err := f.Sync(); err != nil {
		return ix, 0, fmt.Errorf("the archive cannot be written: %s", fileTrouble(err))
	}
	return ix, waiting, nil
}

func checkArchive(ctx context.Context, t terminal, name, key string, anchors []string) error {
	var against bundle.Against
	if key != "" {
		text, err := os.ReadFile(key)
		if err != nil {
			return usagef("the key %s cannot be read: %s", key, fileTrouble(err))
		}
		p, err := ledger.ParsePublic(string(text))
		if err != nil {
			return usagef("%s: %v", key, err)
		}
		against.Key = &p
	}
	for _, anchor := range anchors {
		head, err := os.ReadFile(anchor)
		if err != nil {
			return usagef("the head %s cannot be read: %s", anchor, fileTrouble(err))
		}
		against.Anchors = append(against.Anchors, head)
	}
	f, err := os.Open(name)
	if err != nil {
		return usagef("%s cannot be read: %s", name, fileTrouble(err))
	}
	defer f.Close()
	size, err := f.Seek(0, io.SeekEnd)
	if err != nil {
		return usagef("%s cannot be read: %s", name, fileTrouble(err))
	}
	bar := newProgress(t.err)
	r, err := export.CheckArchive(ctx, f, size, against, func(done, total int) { bar.say("consignment %d of %d", done+1, total) })
	bar.done()
	if err != nil {
		return fmt.Errorf("%w: %s: %w", errUsage, name, err)
	}
	fmt.Fprintf(t.out, "%s: %s closed before %s\nsite %s, head of %s: %s\n", name, count(len(r.Items), "consignment", "consignments"),
		r.Before.Local().Format(time.DateOnly), oneLine(r.Site), count(int(r.Steps), "step", "steps"), r.Fingerprint)
	for _, w := range r.Wrong {
		fmt.Fprintf(t.out, "DOES NOT HOLD  %s\n", oneLine(w.String()))
	}
	for _, b := range r.Reports {
		for _, f := range b.Findings {
			if f.Status == bundle.Fails {
				fmt.Fprintf(t.out, "  %s, %s: %s\n", oneLine(b.Number), f.About, oneLine(f.Text.String()))
			}
		}
	}
	if !r.Holds() {
		fmt.Fprintf(t.out, "\n%d of %d consignments hold. Do not rely on this file before the rest is explained.\n", r.Sound, len(r.Items))
		return errQuiet
	}
	fmt.Fprintln(t.out, "\nEverything that can be checked holds. What no file can tell, lastlook verify says for each consignment.")
	return nil
}
