package main

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"time"

	"lastlook/internal/people"
	"lastlook/internal/store"
)

const keysHelp = `keys [--data DIR]
       lastlook keys change --reason WHY --yes [--by NAME] [--data DIR]

Shows the site's public keys, their fingerprint, and every change of them.
"keys change" makes new secret keys: the old ones sign for them, and the reason
goes on record. The bench may go on working meanwhile. If the old keys are lost,
they cannot sign: restore a backup with --lost-keys instead.`

func keysCommand() command {
	return command{
		name:    "keys",
		summary: "show the site's public keys, or change the keys",
		run:     runKeys,
	}
}

func runKeys(ctx context.Context, t terminal, args []string) error {
	fs := newFlags(t, "keys", keysHelp)
	data := dataFlag(fs)
	reason := fs.String("reason", "", "why the keys change, in a few `words`; with change")
	by := fs.String("by", "", "`name` of the supervisor who changes them; with change")
	yes := fs.Bool("yes", false, "do it; with change")
	rest, err := parse(fs, args)
	change := len(rest) == 1 && rest[0] == "change"
	switch {
	case err != nil:
		return err
	case len(rest) > 0 && !change:
		return usagef("keys takes \"change\" or nothing, got %q", strings.Join(rest, " "))
	case !change && (given(fs, "reason") || given(fs, "by") || *yes):
		return usagef("--reason, --by and --yes belong to lastlook keys change")
	case change && strings.TrimSpace(*reason) == "":
		return usagef("say why the keys change: --reason \"somebody may have read the key file\"")
	}
	dir, err := dataFolder(*data)
	if err != nil {
		return err
	}
	if change {
		if !*yes {
			return errors.New("nothing was changed. New keys are for good: from then on the site signs with them only, everybody who checks records needs the new public keys, and the new key file needs a copy in a safe place. To do it, give the same command with --yes")
		}
		return changeKeys(ctx, t, dir, *by, *reason)
	}
	st, err := store.OpenReading(ctx, dir)
	if err != nil {
		return err
	}
	defer st.Close()
	return showKeys(ctx, t, st)
}

func changeKeys(ctx context.Context, t terminal, dir, by, reason string) error {
	st, err := openData(ctx, t, dir, true)
	if err != nil {
		return err
	}
	defer st.Close()
	actor, err := byActor(ctx, st, by, "change of keys on the console")
	if err != nil {
		return err
	}
	if by != "" {
		roster, err := st.Roster(ctx)
		if err != nil {
			return err
		}
		if p, _ := roster.Person(actor.ID); !p.Has(people.Supervisor) {
			return fmt.Errorf("%s is no supervisor: nothing was changed. Only a supervisor changes the keys", oneLine(actor.Name))
		}
	}
	if _, err := st.ChangeKeys(ctx, actor, "console", "", reason); err != nil {
		return err
	}
	fmt.Fprintf(t.out, "New keys are in force, in %s.\n\n", filepath.Join(dir, store.KeyFile))
	if err := showKeys(ctx, t, st); err != nil {
		return err
	}
	fmt.Fprintf(t.out, `
Now:
 - make a backup, and copy %s to where only the supervisor gets at it;
 - tell everybody who checks records the public keys above, and their fingerprint,
   by another way than the one by which records come;
 - keep the copy of the old key file as long as backups from before are kept: they
   are restored with it. If it may have been stolen, destroy it, and restore such
   a backup with --lost-keys.
`, filepath.Join(dir, store.KeyFile))
	return nil
}

// showKeys prints the public keys and how the site came to them.
func showKeys(ctx context.Context, t terminal, st *store.Store) error {
	terms, err := st.KeyTerms(ctx)
	if err != nil {
		return err
	}
	if len(terms) == 0 {
		return errors.New("the site has no keys yet: they are made when the bench is started for the first time")
	}
	now := terms[len(terms)-1]
	fmt.Fprintf(t.out, "%sfingerprint %s\n\nThe keys of the site, oldest first:\n", now.Public, now.Fingerprint())
	for i, k := range terms {
		fmt.Fprintf(t.out, " %d. %s  from step %d on, %s, %s", i+1, k.Fingerprint(), k.From, k.At.In(time.Local).Format("2 January 2006 15:04"), oneLine(k.By.Name))
		switch {
		case i == 0:
			fmt.Fprint(t.out, ": the first ones")
		case k.Lost:
			fmt.Fprintf(t.out, ": %s (LOST: the ones before did not sign for them)", oneLine(k.Reason))
		default:
			fmt.Fprintf(t.out, ": %s", oneLine(k.Reason))
		}
		fmt.Fprintln(t.out)
	}
	return nil
}
