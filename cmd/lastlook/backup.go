package main

import (
	"context"
	"fmt"
	"strings"
	"time"

	"lastlook/internal/store"
)

const backupHelp = `backup -o FILE [--with-keys] [--data DIR]
       lastlook backup -o FOLDER [--keep N] [--with-keys] [--data DIR]

Copies the data file as it is at one moment; the bench may work on meanwhile. The
copy is checked step by step against the signed heads, and only then gets its
name. In a folder it gets a name with the next number; with --keep only the N
newest sound backups of this site stay there, and no other file is touched.

The backup holds everything except the site's secret keys.`

func backupCommand() command {
	return command{
		name:    "backup",
		summary: "copy the data while the bench works, and check the copy",
		run:     runBackup,
	}
}

func runBackup(ctx context.Context, t terminal, args []string) error {
	fs := newFlags(t, "backup", backupHelp)
	data := dataFlag(fs)
	out := fs.String("o", "", "new `file` to write, or folder that is there")
	keep := fs.Int("keep", 0, "in a folder, leave the `N` newest sound backups of this site; without it all stay")
	keys := fs.Bool("with-keys", false, "write the site's secret keys beside the backup as well, readable by this account only")
	rest, err := parse(fs, args)
	switch {
	case err != nil:
		return err
	case len(rest) > 0:
		return usagef("backup takes only flags, got %q", rest[0])
	case *out == "":
		return usagef("say where the backup goes: -o FOLDER, best on another disk")
	case *keep < 0, *keep == 0 && given(fs, "keep"):
		return usagef("--keep is how many backups stay, at least 1; leave it out to keep all")
	}
	dir, err := dataFolder(*data)
	if err != nil {
		return err
	}
	b, err := store.WriteBackup(ctx, dir, store.Target{Path: *out, Keys: *keys, Keep: *keep}, time.Now())
	if b.Path != "" {
		writeBackup(t, b)
	}
	return err
}

func writeBackup(t terminal, b store.Backup) {
	fmt.Fprintf(t.out, "Backup written: %s (%s)\nChecked: %s\n", b.Path, bytesInWords(b.Bytes), contents(b.Verified))
	if b.Keys == "" {
		fmt.Fprintf(t.out, "The site's secret keys are not in it: keep a copy of %s apart from the data and from the backups (or use --with-keys).\n", store.KeyFile)
	} else {
		fmt.Fprintf(t.out, "The site's secret keys are in %s: who has that file can sign in the site's name. Lock it away.\n", b.Keys)
	}
	if b.Exposed {
		fmt.Fprintln(t.out, "ATTENTION: this medium lets everybody read that file. Move it to a place that only the supervisor can open.")
	}
	if n := len(b.Removed); n > 0 {
		fmt.Fprintf(t.out, "Taken away: %s\n", count(n, "older backup", "older backups"))
	}
	for _, name := range b.Doubtful {
		fmt.Fprintf(t.out, "ATTENTION: %s no longer passes the check. It was not counted. Look at its disk.\n", name)
	}
}

// contents tells what is in a data file that was checked.
func contents(v store.Verified) string {
	var s strings.Builder
	fmt.Fprintf(&s, "%s, the newest of %s; %s, %s, %s\n", count(int(v.Steps), "step", "steps"), v.Newest.Local().Format("2006-01-02 15:04"),
		count(v.Consignments, "consignment", "consignments"), count(v.People, "person", "people"), count(v.Pictures, "picture", "pictures"))
	if v.Site == "" {
		s.WriteString("Head: none, the data file is from before the history was signed")
	} else {
		fmt.Fprintf(&s, "Head: %s (%s of %s)", v.Head.Fingerprint(), count(int(v.Head.Size), "step", "steps"), v.Site)
	}
	return s.String()
}

func bytesInWords(n int64) string {
	if n < 1<<20 {
		return fmt.Sprintf("%d kB", (n+1023)>>10)
	}
	return fmt.Sprintf("%.1f MB", float64(n)/(1<<20))
}
