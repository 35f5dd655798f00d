package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"lastlook/internal/export"
	"lastlook/internal/paper"
	"lastlook/internal/record"
)

func recordCommand() command {
	return command{
		name:    "record",
		summary: "write the record of a consignment as PDF or JSON",
		run:     writeRecord,
	}
}

func writeRecord(ctx context.Context, t terminal, args []string) error {
	fs := newFlags(t, "record", "record --consignment C [--paper a4|letter] [--data DIR] -o FILE\n       lastlook record --consignment C --json [--data DIR] [-o FILE]\n\nWrites all that is on record about a consignment, finished or not. It only reads:\nthe bench may work on meanwhile. The same history gives the same file.")
	data := dataFlag(fs)
	which := fs.String("consignment", "", "`number` or code of the consignment")
	sheet := paperFlag(fs)
	asJSON := fs.Bool("json", false, "write one JSON object instead of a PDF, with times in UTC")
	invented := fs.Bool("invented", false, "mark the record as invented data, as in the demo")
	out := fs.String("o", "", "`file` to write; - is standard output")
	rest, err := parse(fs, args)
	switch {
	case err != nil:
		return err
	case len(rest) > 0:
		return usagef("record takes only flags, got %q", rest[0])
	case strings.TrimSpace(*which) == "":
		return usagef("name the consignment: --consignment K-2041")
	case *out == "" && !*asJSON:
		return usagef("say where to write the record: -o record.pdf, or -o - for standard output")
	case *out == "-" && !*asJSON && isTerminal(t.out):
		return usagef("a PDF does not belong on a terminal: name a file with -o record.pdf")
	}
	if err := checkPaper(*sheet); err != nil {
		return err
	}
	st, state, err := openConsignment(ctx, *data, *which)
	if err != nil {
		return err
	}
	defer st.Close()
	mark, err := export.Mark(ctx, st, state)
	if err != nil {
		return err
	}
	r, err := record.Build(state, record.Options{
		Mark: mark,
		Photos: func(hash string) ([]byte, error) {
			_, b, err := st.Blob(ctx, hash)
			return b, err
		},
		Invented: *invented, Program: "Lastlook " + version,
	})
	if err != nil {
		return err
	}
	var b bytes.Buffer
	if *asJSON {
		enc := json.NewEncoder(&b)
		enc.SetEscapeHTML(false)
		enc.SetIndent("", "  ")
		err = enc.Encode(r)
	} else {
		err = paper.Record(&b, r.Document(time.Local), paper.RecordOptions{Paper: *sheet})
	}
	if err != nil {
		return err
	}
	if *out == "" || *out == "-" {
		_, err := t.out.Write(b.Bytes())
		return err
	}
	if err := writeWhole(*out, b.Bytes()); err != nil {
		return err
	}
	note := ""
	if !r.Finished {
		note = " It is marked as not finished."
	}
	fmt.Fprintf(t.out, "The record of %s was written to %s.%s\n", oneLine(r.Number), *out, note)
	return nil
}
