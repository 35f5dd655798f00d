package main

import (
	"bytes"
	"context"
	"fmt"
	"strings"
	"time"

	"lastlook/internal/consignment"
	"lastlook/internal/label"
	"lastlook/internal/paper"
	"lastlook/internal/say"
	"lastlook/internal/store"
)

func labelsCommand() command {
	return command{
		name:    "labels",
		summary: "write package labels as PDF",
		run:     labels,
	}
}

func labels(ctx context.Context, t terminal, args []string) error {
	var sheets []string
	for _, s := range paper.Sheets() {
		sheets = append(sheets, s.Name)
	}
	fs := newFlags(t, "labels", "labels --consignment C [--sheet S] [--from N] [--to N] [--skip N] [--reason WHY] [--data DIR] [--by NAME] -o FILE\n\nWrites the labels and records that they were printed.")
	data := dataFlag(fs)
	by := fs.String("by", "", "`name` of the person on the list who prints them")
	which := fs.String("consignment", "", "`number` or code of the consignment")
	sheetName := fs.String("sheet", sheets[0], "label `sheet`: "+strings.Join(sheets, ", "))
	from := fs.Int("from", 1, "`number` of the first package")
	to := fs.Int("to", 0, "`number` of the last package; without it the last there is")
	skip := fs.Int("skip", 0, "`number` of labels already taken off the first sheet")
	reason := fs.String("reason", "", "why labels that were printed before are printed again, in a few `words`")
	out := fs.String("o", "", "`file` to write; - is standard output")
	rest, err := parse(fs, args)
	switch {
	case err != nil:
		return err
	case len(rest) > 0:
		return usagef("labels takes only flags, got %q", rest[0])
	case *which == "":
		return usagef("name the consignment: --consignment K-2041")
	case *out == "":
		return usagef("say where to write the labels: -o labels.pdf, or -o - for standard output")
	case *out == "-" && isTerminal(t.out):
		return usagef("a PDF does not belong on a terminal: name a file with -o labels.pdf")
	}
	sheet, err := paper.SheetNamed(*sheetName)
	if err != nil {
		return fmt.Errorf("%w: --sheet: %w", errUsage, err)
	}
	st, err := openData(ctx, t, *data, true)
	if err != nil {
		return err
	}
	defer st.Close()
	actor, err := byActor(ctx, st, *by, "label printing")
	if err != nil {
		return err
	}
	state, err := find(ctx, st, *which)
	if err != nil {
		return err
	}
	last := *to
	if last == 0 {
		last = state.Total()
	}
	ls, err := label.For(state, *from, last, time.Local, nil)
	if err != nil {
		return err
	}
	if label.Reprint(state, *from, last) && strings.TrimSpace(*reason) == "" {
		return fmt.Errorf("these labels were printed before: say why they are printed again, with --reason \"label torn\"")
	}
	head, err := st.Head(ctx)
	if err != nil {
		return err
	}
	// The paper is made first, so that a step is recorded only for labels that
	// there are; the file is written last, so that there are none without the step.
	var pdf bytes.Buffer
	err = paper.Labels(&pdf, sheet, ls, paper.LabelOptions{Start: *skip + 1, Created: st.Now(), Title: "Labels " + state.Number, Head: head.Fingerprint(), Steps: head.Size})
	if err != nil {
		return err
	}
	_, err = st.Do(ctx, store.Step{Code: state.Code, Actor: actor, Bench: "office",
		Command: consignment.PrintLabels{Sheet: sheet.Name, From: *from, To: last, Reason: *reason}})
	if err != nil {
		return err
	}
	if *out == "-" {
		_, err := t.out.Write(pdf.Bytes())
		return err
	}
	if err := writeWhole(*out, pdf.Bytes()); err != nil {
		return err
	}
	fmt.Fprintf(t.out, "%s of %s written to %s.\n", count(len(ls), "label", "labels"), oneLine(state.Number), *out)
	return nil
}

// find gives a consignment by its number or, failing that, by its own code.
func find(ctx context.Context, st *store.Store, which string) (*consignment.State, error) {
	sum, err := st.ByTyped(ctx, which)
	if say.CodeOf(err) == say.NotFound {
		if c, cerr := st.ByCode(ctx, strings.ToUpper(strings.TrimSpace(which))); cerr == nil {
			sum, err = c, nil
		}
	}
	if err != nil {
		return nil, err
	}
	return st.Consignment(ctx, sum.Code)
}
