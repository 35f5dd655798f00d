package main

import (
	"context"
	"fmt"
	"io/fs"
	"strings"
	"sync"

	"lastlook/assets"
	"lastlook/internal/export"
	"lastlook/reference"
)

const exportHelp = `export --consignment C [--since HEAD]... [--data DIR] -o FILE

Writes the portable record of a consignment: one file that anybody can check with
lastlook verify, without this computer and without a network. It only reads: the
bench may work on meanwhile. The same data give the same file.

It holds every step as it is kept, with the marks of the people who took them.`

func exportCommand() command {
	return command{
		name:    "export",
		summary: "write the portable record of a consignment, to be checked elsewhere",
		run:     writeBundle,
	}
}

func writeBundle(ctx context.Context, t terminal, args []string) error {
	fs := newFlags(t, "export", exportHelp)
	data := dataFlag(fs)
	which := fs.String("consignment", "", "`number` or code of the consignment")
	invented := fs.Bool("invented", false, "mark the record as invented data, as in the demo")
	out := fs.String("o", "", "`file` to write; - is standard output")
	var since files
	fs.Var(&since, "since", "prove that the record goes on from the signed head in `file`; may be given again")
	rest, err := parse(fs, args)
	switch {
	case err != nil:
		return err
	case len(rest) > 0:
		return usagef("export takes only flags, got %q", rest[0])
	case strings.TrimSpace(*which) == "":
		return usagef("name the consignment: --consignment K-2041")
	case *out == "":
		return usagef("say where to write the bundle: -o K-2041.bundle.zip, or -o - for standard output")
	case *out == "-" && isTerminal(t.out):
		return usagef("a bundle does not belong on a terminal: name a file with -o K-2041.bundle.zip")
	}
	o := export.Options{Invented: *invented, Program: "Lastlook " + version, Entry: shippedText}
	if o.Since, err = readHeads(since); err != nil {
		return err
	}
	st, state, err := openConsignment(ctx, *data, *which)
	if err != nil {
		return err
	}
	defer st.Close()
	b, err := export.Bundle(ctx, st, state.Code, o)
	if err != nil {
		return err
	}
	file, err := b.Encode()
	if err != nil {
		return err
	}
	if *out == "-" {
		_, err := t.out.Write(file)
		return err
	}
	if err := writeWhole(*out, file); err != nil {
		return err
	}
	note := ""
	if r := state.Round(); r == nil || r.Ended == nil {
		note = " It is not finished."
	}
	fmt.Fprintf(t.out, "The portable record of %s was written to %s.%s Check it with lastlook verify.\n", oneLine(state.Number), *out, note)
	return nil
}

// shippedTexts are the entries of the reference that is built in, in canonical
// form, by their hashes.
var shippedTexts = sync.OnceValue(func() map[string][]byte {
	texts := map[string][]byte{}
	files, err := fs.Sub(assets.FS, "reference")
	if err != nil {
		return texts
	}
	book, err := reference.Load(files)
	if err != nil {
		return texts // the bench says so when it starts
	}
	for _, e := range book.Entries() {
		texts[e.Hash()] = e.Canonical()
	}
	return texts
})

func shippedText(hash string) []byte { return shippedTexts()[hash] }
