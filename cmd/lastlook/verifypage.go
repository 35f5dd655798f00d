package main

import (
	"context"
	"fmt"

	"lastlook/internal/checkpage"
)

const verifyPageHelp = `verify-page -o FILE

Writes a page that checks portable records in a browser: one HTML file that works
from a disk, without a server and without a network. It does what lastlook verify
does, with the same code.`

func verifyPageCommand() command {
	return command{
		name:    "verify-page",
		summary: "write a page that checks portable records in a browser",
		run:     writeVerifyPage,
	}
}

func writeVerifyPage(_ context.Context, t terminal, args []string) error {
	fs := newFlags(t, "verify-page", verifyPageHelp)
	out := fs.String("o", "", "`file` to write; - is standard output")
	rest, err := parse(fs, args)
	switch {
	case err != nil:
		return err
	case len(rest) > 0:
		return usagef("verify-page takes only flags, got %q", rest[0])
	case *out == "":
		return usagef("say where to write the page: -o check.html, or -o - for standard output")
	case *out == "-" && isTerminal(t.out):
		return usagef("the page does not belong on a terminal: name a file with -o check.html")
	}
	page, err := checkpage.Page("Lastlook " + version)
	if err != nil {
		return err
	}
	if *out == "-" {
		_, err := t.out.Write(page)
		return err
	}
	if err := writeWhole(*out, page); err != nil {
		return err
	}
	fmt.Fprintf(t.out, "The page was written to %s. Open it in a browser.\n", *out)
	return nil
}
