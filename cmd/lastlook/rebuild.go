package main

import (
	"context"
	"fmt"
)

func rebuildCommand() command {
	return command{
		name:    "rebuild",
		summary: "make the lists again from the record",
		run: func(ctx context.Context, t terminal, args []string) error {
			fs := newFlags(t, "rebuild", "rebuild [--data DIR]\n\nThe record of steps is what counts; the lists on screen are made from it. This\nmakes them again, all at once or not at all.")
			data := dataFlag(fs)
			if rest, err := parse(fs, args); err != nil {
				return err
			} else if len(rest) > 0 {
				return usagef("rebuild takes only flags, got %q", rest[0])
			}
			st, err := openData(ctx, t, *data, true)
			if err != nil {
				return err
			}
			defer st.Close()
			bar := newProgress(t.err)
			n, err := st.Rebuild(ctx, func(done, total int) { bar.say("consignment %d of %d", done, total) })
			bar.done()
			if err != nil {
				return err
			}
			fmt.Fprintf(t.out, "The lists of %s and of the people were made again from the record.\n", count(n, "consignment", "consignments"))
			return nil
		},
	}
}
