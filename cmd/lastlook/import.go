package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"lastlook/internal/intake"
	"lastlook/internal/order"
)

func importCommand() command {
	return command{
		name:    "import",
		summary: "take an order file in",
		run:     importOrders,
	}
}

func importOrders(ctx context.Context, t terminal, args []string) error {
	fs := newFlags(t, "import", "import [--data DIR] [--by NAME] [--fix FILE] ORDERS.csv\n\nORDERS.csv is a table with one line a crop of a consignment; - reads standard\ninput. Good consignments are kept also when others are refused. Taking the\nsame file in twice changes nothing.")
	data := dataFlag(fs)
	by := fs.String("by", "", "`name` of the person on the list who takes it in")
	fix := fs.String("fix", "", "`file` for the refused lines, as CSV with a column that says what is wrong")
	rest, err := parse(fs, args)
	switch {
	case err != nil:
		return err
	case len(rest) == 0:
		return usagef("name the order file: lastlook import orders.csv, or - for standard input")
	case len(rest) > 1:
		return usagef("import takes one order file, got %d: %s", len(rest), strings.Join(rest, " "))
	}
	if *fix != "" {
		// A file there may be the very orders that are being read.
		if _, err := os.Lstat(*fix); err == nil {
			return usagef("%s exists already: give --fix the name of a new file", *fix)
		}
	}
	src, name, err := readOrders(t, rest[0])
	if err != nil {
		return err
	}
	st, err := openData(ctx, t, *data, false)
	if err != nil {
		return err
	}
	defer st.Close()
	actor, err := byActor(ctx, st, *by, "order import")
	if err != nil {
		return err
	}
	bar := newProgress(t.err)
	rep, err := intake.Take(ctx, st, src, intake.Options{
		Now: st.Now(), Loc: time.Local, Source: name, Actor: actor, Bench: "office",
		Progress: func(phase intake.Phase, done, total int) {
			if phase == intake.Reading {
				bar.say("reading line %d of %d", done, total)
			} else {
				bar.say("keeping consignment %d of %d", done, total)
			}
		},
	})
	bar.done()
	if rep == nil {
		return err
	}
	printReport(t.out, rep)
	if err != nil {
		if errors.Is(err, context.Canceled) {
			return errors.New("interrupted: what is listed was kept; import the file again for the rest")
		}
		return err
	}
	if rep.FixLines > 0 {
		if *fix == "" {
			fmt.Fprintf(t.out, "\nTo put the %d refused lines right: import again with --fix FILE, which writes them as CSV.\n", rep.FixLines)
		} else if err := writeWhole(*fix, rep.Fix); err != nil {
			return err
		} else {
			fmt.Fprintf(t.out, "\n%d lines to put right are in %s: correct them, then import that file.\n", rep.FixLines, *fix)
		}
	}
	if !rep.Clean() {
		return errQuiet
	}
	return nil
}

// readOrders reads the file, or standard input for "-", and gives the name under
// which its consignments remember it. It stops where order.Read would refuse.
func readOrders(t terminal, name string) (src []byte, source string, err error) {
	in := t.in
	source = "standard input"
	if name != "-" {
		f, err := os.Open(name)
		if err != nil {
			return nil, "", fmt.Errorf("%s cannot be read: %s", name, fileTrouble(err))
		}
		defer f.Close()
		in, source = f, filepath.Base(name)
	}
	src, err = io.ReadAll(io.LimitReader(in, order.MaxBytes+1))
	if err != nil {
		return nil, "", fmt.Errorf("%s cannot be read: %s", source, fileTrouble(err))
	}
	return src, source, nil
}

// printReport tells what became of each consignment and each bad line.
func printReport(w io.Writer, rep *intake.Report) {
	for _, n := range rep.Notices {
		fmt.Fprintf(w, "note: %s\n", n)
	}
	if len(rep.Refused) > 0 {
		fmt.Fprintln(w, "refused:")
		tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
		for _, r := range rep.Refused {
			field := r.Field
			if field == "" {
				field = "line"
			}
			fmt.Fprintf(tw, "  line %s\t%s\t%s\t%s\n", strconv.Itoa(r.Line), oneLine(r.Number), field, oneLine(r.Text.String()))
		}
		tw.Flush()
	}
	fmt.Fprintf(w, "%s: %d taken, %d already here, %d not taken.\n",
		count(rep.Lines, "line", "lines"), len(rep.Taken), len(rep.Here), len(rep.NotTaken))
	list(w, "taken", numbers(rep.Taken))
	list(w, "already here", numbers(rep.Here))
	list(w, "not taken", rep.NotTaken)
}

func numbers(es []intake.Entry) []string {
	ns := make([]string, len(es))
	for i, e := range es {
		ns[i] = e.Number
	}
	return ns
}

// list prints a line of names, the first dozen if there are more.
func list(w io.Writer, what string, names []string) {
	if len(names) == 0 {
		return
	}
	const most = 12
	more := ""
	if len(names) > most {
		more = fmt.Sprintf(" and %d more", len(names)-most)
		names = names[:most]
	}
	for i, n := range names {
		names[i] = oneLine(n)
	}
	fmt.Fprintf(w, "  %-13s %s%s\n", what+":", strings.Join(names, ", "), more)
}

func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// oneLine keeps what came from outside from moving the cursor of a terminal.
func oneLine(s string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f || r >= 0x80 && r < 0xa0 {
			return ' '
		}
		return r
	}, s)
}
