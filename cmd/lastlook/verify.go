package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"strings"

	"lastlook/internal/bundle"
	"lastlook/internal/ledger"
	"lastlook/internal/record"
)

const verifyHelp = `verify FILE [CODE] [--key FILE] [--anchor HEAD]... [--page FILE] [--json]

Checks the portable record of a consignment, as lastlook export writes it, with
nothing but the file: no data folder, no network. Works out again the sample, the
draw with its proof, the advice on each find and the outcome, and checks digests,
photos, the place of each step in the signed head, and the signature. Says line
by line what holds, what does not, and what no file can tell.

CODE is what the code on a printed record says (it begins with LASTLOOK1:): paper
and file are compared.

Exit status: 0 all that was checked holds, 1 something does not, 2 it cannot be read.`

func verifyCommand() command {
	return command{
		name:    "verify",
		summary: "check a portable record, without the data and without a network",
		run:     verify,
	}
}

func verify(_ context.Context, t terminal, args []string) error {
	fs := newFlags(t, "verify", verifyHelp)
	asJSON := fs.Bool("json", false, "write one JSON object")
	key := fs.String("key", "", "`file` with the site's public keys, as the site made them known")
	pageTo := fs.String("page", "", "make the readable page again from the steps, and write it to `file`")
	var against bundle.Against
	var anchors []string
	fs.Func("anchor", "compare with the signed head in `file`, got at another time; may be given again", func(s string) error {
		anchors = append(anchors, s)
		return nil
	})
	rest, err := parse(fs, args)
	if err != nil {
		return err
	}
	var names []string
	for _, a := range rest {
		if !strings.HasPrefix(strings.ToUpper(strings.TrimSpace(a)), record.MarkPrefix) {
			names = append(names, a)
			continue
		}
		if against.Paper != nil {
			return usagef("give the code of one printed record, not of two")
		}
		m, err := record.ParseMark(a)
		if err != nil {
			return usagef("%v", err)
		}
		against.Paper = &m
	}
	switch {
	case len(names) == 0 && against.Paper != nil:
		return usagef("the code of a printed record is compared with a file: name the file as well")
	case len(names) == 0:
		return usagef("name the file to check: lastlook verify K-2041.bundle.zip")
	case len(names) > 1:
		return usagef("check one file at a time, not %d", len(names))
	}
	if *key != "" {
		text, err := os.ReadFile(*key)
		if err != nil {
			return usagef("the key %s cannot be read: %s", *key, fileTrouble(err))
		}
		p, err := ledger.ParsePublic(string(text))
		if err != nil {
			return usagef("%s: %v", *key, err)
		}
		against.Key = &p
	}
	if against.Anchors, err = readHeads(anchors); err != nil {
		return err
	}
	b, err := readBundle(t.in, names[0])
	if err != nil {
		if *asJSON {
			fmt.Fprintf(t.out, "%s\n", bundle.Unreadable(err))
		}
		return fmt.Errorf("%w: %s: %w", errUsage, names[0], err)
	}
	r := bundle.Check(b, against)
	if *pageTo != "" {
		page, err := b.MakePage()
		if err == nil {
			err = writeWhole(*pageTo, page)
		}
		if err != nil {
			return err
		}
	}
	if *asJSON {
		enc := json.NewEncoder(t.out)
		enc.SetEscapeHTML(false)
		enc.SetIndent("", "  ")
		err = enc.Encode(r)
	} else {
		err = printFindings(t.out, names[0], r)
	}
	if err == nil && !r.Holds() {
		err = errQuiet
	}
	return err
}

// readBundle reads a bundle from a file, or from standard input if it is called -.
func readBundle(in io.Reader, name string) (*bundle.Bundle, error) {
	if name != "-" {
		f, err := os.Open(name)
		if err != nil {
			return nil, fmt.Errorf("it cannot be read: %s", fileTrouble(err))
		}
		defer f.Close()
		in = f
	}
	file, err := io.ReadAll(io.LimitReader(in, bundle.MaxSize+1))
	if err != nil {
		return nil, fmt.Errorf("it cannot be read: %s", fileTrouble(err))
	}
	return bundle.Read(file)
}

// printFindings writes a report for people: what does not hold comes first.
func printFindings(w io.Writer, name string, r *bundle.Report) error {
	var b strings.Builder
	line := func(format string, args ...any) {
		b.WriteString(oneLine(fmt.Sprintf(format, args...)))
		b.WriteByte('\n')
	}
	line("%s: consignment %s (%s)", name, r.Number, r.Consignment)
	if r.Invented {
		line("INVENTED DATA, by the file's own account.")
	}
	for _, s := range []bundle.Status{bundle.Fails, bundle.Holds, bundle.Unknown} {
		if r.Count(s) > 0 {
			b.WriteByte('\n')
		}
		for _, f := range r.Findings {
			if f.Status == s {
				line("%-13s  %-10s  %s", s.Words(), f.About, f.Text)
			}
		}
	}
	b.WriteByte('\n')
	if r.Outcome != "" {
		line("Outcome by the file: %s. Head: %s", r.Outcome, r.Fingerprint)
	}
	line("%s", r.Verdict())
	_, err := io.WriteString(w, b.String())
	return err
}
