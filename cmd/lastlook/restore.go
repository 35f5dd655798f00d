package main

import (
	"context"
	"fmt"
	"path/filepath"
	"strings"
	"time"

	"lastlook/internal/store"
)

const restoreHelp = `restore --from FILE --data DIR [--keys FILE] [--was DIR | --head FINGERPRINT]
       lastlook restore --from FILE --data DIR --lost-keys REASON [--by NAME] [--was DIR | --head FINGERPRINT]

Makes a data folder from a backup. The folder must be new or empty: keep the one
before until all is settled. The backup is checked first and never changed; a
damaged one, or one of a newer version, is refused.

Steps done after the backup are not in it. Say what is known of them: the folder
the bench worked on before (--was), or the fingerprint of a head that was printed
(--head). The bench tells at each start what may be lost, until it is settled.`

func restoreCommand() command {
	return command{
		name:    "restore",
		summary: "make a data folder from a backup",
		run:     runRestore,
	}
}

func runRestore(ctx context.Context, t terminal, args []string) error {
	fs := newFlags(t, "restore", restoreHelp)
	data := dataFlag(fs)
	from := fs.String("from", "", "the backup `file`")
	keys := fs.String("keys", "", "`file` with the site's secret keys; without it the one beside the backup, if there is one")
	was := fs.String("was", "", "data `folder` that the bench worked on before, to tell what is lost")
	head := fs.String("head", "", "`fingerprint` of a printed head, to tell what is lost")
	lost := fs.String("lost-keys", "", "make new keys, because the site's are lost; the `reason` goes on record")
	by := fs.String("by", "", "`name` of the person on the list who restores; with --lost-keys it goes on record")
	rest, err := parse(fs, args)
	switch {
	case err != nil:
		return err
	case len(rest) > 0:
		return usagef("restore takes only flags, got %q", rest[0])
	case *from == "":
		return usagef("name the backup: --from FILE")
	case *was != "" && *head != "":
		return usagef("give --was or --head, not both: the folder before knows more than a print")
	case *keys != "" && *lost != "":
		return usagef("give --keys or --lost-keys, not both")
	case *by != "" && !given(fs, "lost-keys"):
		return usagef("--by goes with --lost-keys: nothing else that restore does is put on record under a name")
	case given(fs, "lost-keys") && strings.TrimSpace(*lost) == "":
		return usagef("say how the keys were lost: --lost-keys \"the computer burnt\"")
	}
	dir, err := dataFolder(*data)
	if err != nil {
		return err
	}
	done, err := store.RestoreBackup(ctx, store.Restore{
		From: *from, Data: dir, Keys: *keys, Was: *was, Printed: *head, LostKeys: *lost,
		By: *by,
	}, time.Now())
	if err != nil {
		return err
	}
	fmt.Fprintf(t.out, "Restored to %s\nChecked: %s\n", dir, contents(done.Verified))
	switch {
	case *lost != "":
		fmt.Fprintf(t.out, "New keys were made, in %s, and the record says that the old ones were lost. Make a copy of that file, and give the public keys to all who check records: lastlook audit prints them.\n", filepath.Join(dir, store.KeyFile))
	case !done.Keys && done.Site != "":
		fmt.Fprintf(t.out, "The site's secret keys are not in the backup. Before the bench starts, put their copy back as %s, mode 0600. If there is no copy any more, restore again to another folder with --lost-keys.\n", filepath.Join(dir, store.KeyFile))
	}
	switch {
	case *was != "" && !done.Back:
		fmt.Fprintf(t.out, "Nothing is lost of the %s whose head the folder before had noted.\n", count(int(done.Noted.Size), "step", "steps"))
	case *was != "" && done.Noted.Size == 0:
		fmt.Fprintln(t.out, "ATTENTION: the head that the folder before had noted cannot be read: it cannot be told whether steps are lost.")
	case *was != "":
		fmt.Fprintf(t.out, "ATTENTION: STEPS ARE LOST. The folder before had noted the head of %s, which is not in the backup. The next start puts that on record.\n", count(int(done.Noted.Size), "step", "steps"))
	case *head != "" && done.PrintedAt > 0:
		fmt.Fprintf(t.out, "The printed head is in the backup, at step %d. Whether steps after step %d are lost, it cannot tell.\n", done.PrintedAt, done.Steps)
	case *head != "":
		fmt.Fprintln(t.out, "ATTENTION: STEPS ARE LOST. The printed head is not in the backup. The bench tells it at each start until it is settled.")
	default:
		fmt.Fprintf(t.out, "What was done after step %d is not in it. The bench says so at each start until it is settled.\n", done.Steps)
	}
	fmt.Fprintf(t.out, "Start the bench: lastlook serve --data %s\n", dir)
	return nil
}
