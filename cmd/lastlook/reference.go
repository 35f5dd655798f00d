package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"text/tabwriter"

	"lastlook/internal/photo"
	"lastlook/internal/say"
	"lastlook/internal/store"
	"lastlook/kiosk"
	"lastlook/reference"
)

const referenceSynopsis = `reference export [--data DIR] [--entry ID]… [--photos] [-o FILE]
       lastlook reference check [--data DIR] PACK
       lastlook reference import [--data DIR] [--by NAME] [--over KEY]… --why REASON PACK

export writes the entries and lists in force as a pack. check says what a pack
would change and what is wrong with it, and changes nothing; without --data it
compares with the shipped reference. import takes it: what is in conflict stays
as it is here unless --over names it. PACK is JSON, plain or gzipped; - reads
standard input.`

func referenceCommand() command {
	return command{
		name:    "reference",
		summary: "give out and take in packs of the reference",
		run:     referencePacks,
	}
}

func referencePacks(ctx context.Context, t terminal, args []string) error {
	var task string
	if len(args) > 0 && !strings.HasPrefix(args[0], "-") {
		task, args = args[0], args[1:]
	}
	flags := newFlags(t, "reference", referenceSynopsis)
	data := dataFlag(flags)
	by := flags.String("by", "", "`name` of the person on the list who takes it in")
	why := flags.String("why", "", "`reason` that stands in the history of each entry")
	photos := flags.Bool("photos", false, "put the pictures in")
	out := flags.String("o", "", "`file` to write to; without it standard output")
	var ids, over []string
	flags.Func("entry", "`id` of an entry to give out; as often as wanted", func(s string) error { ids = append(ids, s); return nil })
	flags.Func("over", "`key` of a conflict that the pack decides, as check prints it", func(s string) error { over = append(over, s); return nil })
	rest, err := parse(flags, args)
	if err != nil {
		return err
	}
	switch task {
	case "export":
		if len(rest) > 0 {
			return usagef("reference export takes no file name; say where to write with -o")
		}
		return exportReference(ctx, t, *data, ids, *photos, *out)
	case "check", "import":
		if len(rest) != 1 {
			return usagef("reference %s takes one pack, or - for standard input", task)
		}
		if task == "check" {
			return checkReference(ctx, t, *data, rest[0])
		}
		if strings.TrimSpace(*why) == "" {
			return usagef("say why the pack is taken, with --why: the reason stands in the history")
		}
		return importReference(ctx, t, *data, *by, *why, over, rest[0])
	case "":
		return usagef("say what to do: lastlook reference export, check or import")
	}
	return usagef("there is no task %q: use export, check or import", task)
}

// siteReference is the reference of a site, or the shipped one where st is nil.
type siteReference struct {
	st      *store.Store
	shipped *reference.Book
	*reference.Upkeep
}

// openReference opens the reference of a data folder. Without a folder given it
// is the shipped one if need is false.
func openReference(ctx context.Context, t terminal, data string, need bool) (*siteReference, error) {
	ix, err := shippedReference()
	if err != nil {
		return nil, err
	}
	s := &siteReference{shipped: ix.Book(), Upkeep: &reference.Upkeep{}}
	if data == "" && !need && os.Getenv(dataVariable) == "" {
		return s, nil
	}
	if s.st, err = openData(ctx, t, data, true); err != nil {
		return nil, err
	}
	if s.Upkeep, err = kiosk.ReadUpkeep(ctx, s.st, s.shipped); err != nil {
		s.st.Close()
		return nil, err
	}
	return s, nil
}

func (s *siteReference) close() {
	if s.st != nil {
		s.st.Close()
	}
}

func exportReference(ctx context.Context, t terminal, data string, ids []string, photos bool, out string) error {
	s, err := openReference(ctx, t, data, false)
	if err != nil {
		return err
	}
	defer s.close()
	for _, id := range ids {
		if s.Text(s.shipped, id) == nil {
			return fmt.Errorf("there is no entry %q: look it up with lastlook lookup", id)
		}
	}
	pack := s.Pack(s.shipped, ids)
	pack.Name = "Reference"
	if len(ids) == 1 {
		pack.Name = s.Text(s.shipped, ids[0]).Name
	} else if len(ids) > 1 {
		pack.Name = "Part of a reference"
	}
	for i := range pack.Photos {
		if !photos || s.st == nil {
			break
		}
		if _, pack.Photos[i].Data, err = s.st.Blob(ctx, pack.Photos[i].Hash); err != nil {
			return err
		}
	}
	var b bytes.Buffer
	if err := reference.WritePack(&b, pack); err != nil {
		return err
	}
	if b.Len() > reference.MaxPack {
		return fmt.Errorf("the pack would have %d MiB, more than %d: give entries out one by one, or without --photos", b.Len()>>20, reference.MaxPack>>20)
	}
	if out != "" {
		return writeWhole(out, b.Bytes())
	}
	_, err = t.out.Write(b.Bytes())
	return err
}

// readPack reads a pack and prints what is wrong with it.
func readPack(t terminal, name string) (*reference.Pack, error) {
	in := t.in
	if name != "-" {
		f, err := os.Open(name)
		if err != nil {
			return nil, fmt.Errorf("%s cannot be read: %s", name, fileTrouble(err))
		}
		defer f.Close()
		in = f
	}
	src, err := io.ReadAll(io.LimitReader(in, reference.MaxPack+1))
	if err != nil {
		return nil, fmt.Errorf("%s cannot be read: %s", name, fileTrouble(err))
	}
	pack, err := reference.ReadPack(src)
	var ps reference.Problems
	if errors.As(err, &ps) {
		return nil, refusePack(t, name, ps)
	}
	return pack, err
}

func refusePack(t terminal, name string, ps reference.Problems) error {
	for _, p := range ps {
		p.File = name
		fmt.Fprintln(t.err, p)
	}
	fmt.Fprintln(t.err, "Nothing of the pack is taken: it is refused whole.")
	return errQuiet
}

// plan compares a pack with what is here and prints it.
func (s *siteReference) plan(ctx context.Context, t terminal, name string, pack *reference.Pack) error {
	items, ps := s.Plan(s.shipped, pack, s.hasPhoto(ctx))
	if len(ps) > 0 {
		return refusePack(t, name, ps)
	}
	w := tabwriter.NewWriter(t.out, 0, 0, 2, ' ', 0)
	counts := map[reference.PackState]int{}
	for _, it := range items {
		if counts[it.State]++; it.State == reference.PackSame {
			continue
		}
		var fields []string
		for _, c := range it.Changes {
			fields = append(fields, c.Label().String())
		}
		about := it.Why.String()
		if len(fields) > 0 {
			about = strings.Trim(about+"; "+strings.Join(fields, ", "), "; ")
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\n", it.State, it.Key(), it.Name, about)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	fmt.Fprintf(t.out, "%d new, %d changed, %d in conflict, %d the same, %d left out\n",
		counts[reference.PackNew], counts[reference.PackChanged], counts[reference.PackConflict], counts[reference.PackSame], counts[reference.PackMissing])
	return nil
}

func (s *siteReference) hasPhoto(ctx context.Context) func(string) bool {
	return func(hash string) bool {
		if s.st == nil {
			return false
		}
		mime, _, err := s.st.Blob(ctx, hash)
		return err == nil && mime == "image/jpeg"
	}
}

func checkReference(ctx context.Context, t terminal, data, name string) error {
	pack, err := readPack(t, name)
	if err != nil {
		return err
	}
	s, err := openReference(ctx, t, data, false)
	if err != nil {
		return err
	}
	defer s.close()
	return s.plan(ctx, t, name, pack)
}

func importReference(ctx context.Context, t terminal, data, by, why string, over []string, name string) error {
	pack, err := readPack(t, name)
	if err != nil {
		return err
	}
	s, err := openReference(ctx, t, data, true)
	if err != nil {
		return err
	}
	defer s.close()
	actor, err := byActor(ctx, s.st, by, "reference import")
	if err != nil {
		return err
	}
	var ps reference.Problems
	var kept []reference.PackPhoto
	for i, x := range pack.Photos {
		if x.Data != nil {
			p, err := photo.Clean(x.Data)
			var refused *say.Refusal
			if errors.As(err, &refused) {
				ps = append(ps, reference.Problem{Field: fmt.Sprintf("photos[%d].data", i), Text: refused.Text})
				continue
			}
			if x.Hash, err = s.st.PutBlob(ctx, "image/jpeg", p.JPEG); err != nil {
				return err
			}
		} else if !s.hasPhoto(ctx)(x.Hash) {
			continue
		}
		kept = append(kept, x)
	}
	if len(ps) > 0 {
		return refusePack(t, name, ps)
	}
	pack.Photos = kept
	if err := s.plan(ctx, t, name, pack); err != nil {
		return err
	}
	if err := kiosk.DoUpkeep(ctx, s.st, s.shipped, s.Upkeep, actor, reference.TakePack{Pack: pack, Over: over, Seen: s.Seq, Why: why}); err != nil {
		return err
	}
	fmt.Fprintln(t.out, "The pack is taken.")
	return nil
}
