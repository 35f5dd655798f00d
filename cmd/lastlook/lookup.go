package main

import (
	"bufio"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"slices"
	"strings"
	"sync"

	"lastlook/assets"
	"lastlook/internal/say"
	"lastlook/reference"
)

const lookupSynopsis = `lookup [--json] [--limit N] [--part PART] [--host PLANT] [--destination NAME] WORDS…

Looks up what is seen, or a name, in the shipped reference. With - instead of
words it reads one query a line from standard input. Exit status: 0 something was
found, 1 nothing was, 2 unusable arguments.`

func lookupCommand() command {
	return command{
		name:    "lookup",
		summary: "look up a sign or a name in the pest reference",
		run:     lookup,
	}
}

func lookup(ctx context.Context, t terminal, args []string) error {
	flags := newFlags(t, "lookup", lookupSynopsis)
	asJSON := flags.Bool("json", false, "print one JSON object a query")
	limit := flags.Int("limit", 10, "most hits a query, 1 to 50")
	part := flags.String("part", "", "only entries with signs there: "+joinParts())
	host := flags.String("host", "", "only entries known from this plant, or from any")
	destination := flags.String("destination", "", "where the plants go, for the advice")
	words, err := parse(flags, args)
	if err != nil {
		return err
	}
	switch {
	case len(words) == 0:
		return usagef("lookup needs words to look up, or - to read them from standard input")
	case *limit < 1 || *limit > 50:
		return usagef("--limit is %d; it must be from 1 to 50", *limit)
	case *part != "" && !slices.Contains(reference.Parts(), reference.Part(*part)):
		return usagef("--part %q is not a part; use one of %s", *part, joinParts())
	}
	ix, err := shippedReference()
	if err != nil {
		return err
	}
	q := reference.Query{Limit: *limit, Part: reference.Part(*part), Host: *host, To: reference.Destination{Name: *destination}}
	if *destination != "" && !slices.ContainsFunc(ix.Book().Lists(), func(l *reference.List) bool { return l.Applies(q.To) }) {
		fmt.Fprintf(t.err, "lastlook: no list names the destination %q; the advice is that for anywhere\n", *destination)
	}
	show := showHits
	if *asJSON {
		show = showJSON
	}
	found := false
	answer := func(text string) error {
		q.Text = text
		r := ix.Search(q)
		found = found || len(r.Hits) > 0
		return show(t.out, text, r)
	}
	if len(words) == 1 && words[0] == "-" {
		err = eachLine(ctx, t.in, answer)
	} else {
		err = answer(strings.Join(words, " "))
	}
	if err == nil && !found {
		return errQuiet
	}
	return err
}

func joinParts() string {
	var names []string
	for _, p := range reference.Parts() {
		names = append(names, string(p))
	}
	return strings.Join(names, " ")
}

// shippedReference indexes the reference that is built in, once.
var shippedReference = sync.OnceValues(func() (*reference.Index, error) {
	files, err := fs.Sub(assets.FS, "reference")
	if err != nil {
		return nil, err
	}
	book, err := reference.Load(files)
	if err != nil {
		return nil, fmt.Errorf("the built-in reference is faulty:\n%w", err)
	}
	return reference.NewIndex(book)
})

// eachLine calls f for each line, however long, without its end.
func eachLine(ctx context.Context, in io.Reader, f func(string) error) error {
	r := bufio.NewReader(in)
	for {
		line, err := r.ReadString('\n')
		if line == "" && errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil && !errors.Is(err, io.EOF) {
			return fmt.Errorf("reading queries: %w", err)
		}
		if err := cmp.Or(ctx.Err(), f(strings.TrimRight(line, "\r\n"))); err != nil {
			return err
		}
	}
}

func showHits(w io.Writer, query string, r reference.Result) error {
	var b strings.Builder
	fmt.Fprintf(&b, "%s: %v\n", query, r.Said)
	for _, n := range r.Notices {
		fmt.Fprintf(&b, "  (%v)\n", n)
	}
	for i, h := range r.Hits {
		fmt.Fprintf(&b, "%3d  %-7s %s (%s), %s\n", i+1, h.Action(), h.Name, h.Scientific, h.ID)
		fmt.Fprintf(&b, "             why: %s\n", h.WhyIn(say.Text.String))
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func showJSON(w io.Writer, query string, r reference.Result) error {
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	return enc.Encode(r.Reply(query, say.Text.String))
}
