package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"time"

	"lastlook/internal/say"
	"lastlook/internal/store"
)

// errNoAudit marks an audit that could not be done: exit status 2, so that it is
// never taken for one that found something, or nothing.
type errNoAudit struct{ err error }

func (e errNoAudit) Error() string { return e.err.Error() }

// Is makes it count as unusable arguments, which is what its exit status says.
func (e errNoAudit) Is(target error) bool { return target == errUsage }

func (e errNoAudit) Unwrap() error { return e.err }

// files is a flag that may be given more than once.
type files []string

func (f *files) String() string     { return fmt.Sprint([]string(*f)) }
func (f *files) Set(s string) error { *f = append(*f, s); return nil }

const auditHelp = `audit [--data DIR] [--json] [--head FILE]... [--resume FILE]

Walks everything that is kept and lists whatever does not agree: each step
against its hash and the signed heads, each history and draw against the rules,
each list against the history it is made from, each picture and text against
its mark. Changes nothing; the bench may go on working meanwhile.

Exit status: 0 everything agrees, 1 something does not, 2 it could not be done.`

func auditCommand() command {
	return command{
		name:    "audit",
		summary: "check that the record is whole and unchanged",
		run:     runAudit,
	}
}

func runAudit(ctx context.Context, t terminal, args []string) error {
	fs := newFlags(t, "audit", auditHelp)
	data := dataFlag(fs)
	asJSON := fs.Bool("json", false, "write the report as JSON")
	resume := fs.String("resume", "", "keep how far it has come in `file`, and go on from there")
	var heads files
	fs.Var(&heads, "head", "check that the signed head in `file`, kept elsewhere, still stands; may be given again")
	if rest, err := parse(fs, args); err != nil {
		return err
	} else if len(rest) > 0 {
		return usagef("audit takes only flags, got %q", rest[0])
	}
	var o store.AuditOptions
	for _, name := range heads {
		b, err := os.ReadFile(name)
		if err != nil {
			return errNoAudit{fmt.Errorf("the head %s cannot be read: %s", name, fileTrouble(err))}
		}
		o.Heads = append(o.Heads, store.OutsideHead{Name: name, Note: b})
	}
	var mark *resumption
	if *resume != "" {
		mark = &resumption{name: *resume}
		var err error
		if o.From, err = mark.read(); err != nil {
			return errNoAudit{err}
		}
	}
	dir, err := dataFolder(*data)
	if err != nil {
		return err
	}
	st, err := store.OpenReading(ctx, dir)
	if err != nil {
		return errNoAudit{err}
	}
	defer st.Close()
	bar := newProgress(t.err)
	o.Progress = func(m *store.AuditMark, done, total int64) {
		if m.Stream == "" {
			bar.say("step %d of %d", done, total)
		} else {
			bar.say("history %d of %d", done, total)
		}
		mark.keep(m)
	}
	report, err := st.Audit(ctx, o)
	bar.done()
	if err != nil {
		if errors.Is(err, context.Canceled) {
			if mark != nil && mark.kept {
				err = errors.New("stopped; the same command goes on from where it was")
			} else {
				err = errors.New("stopped before the end; with --resume FILE it could go on from there")
			}
		}
		return errNoAudit{err}
	}
	if err := mark.done(); err != nil {
		return errNoAudit{err}
	}
	if *asJSON {
		err = writeAuditJSON(t, report)
	} else {
		writeAudit(t, report)
	}
	if err == nil && !report.Agrees() {
		return errQuiet
	}
	return err
}

// resumption keeps how far an audit has come in a file. A nil one keeps nothing.
type resumption struct {
	name string
	last time.Time
	kept bool
}

func (r *resumption) read() (*store.AuditMark, error) {
	b, err := os.ReadFile(r.name)
	if errors.Is(err, os.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("%s cannot be read: %s", r.name, fileTrouble(err))
	}
	var m store.AuditMark
	if err := json.Unmarshal(b, &m); err != nil {
		return nil, fmt.Errorf("%s does not hold how far an audit has come: name another file for --resume", r.name)
	}
	return &m, nil
}

// keep writes the mark, at most once a second.
func (r *resumption) keep(m *store.AuditMark) {
	if r == nil || time.Since(r.last) < time.Second {
		return
	}
	b, err := json.Marshal(m)
	if err == nil {
		err = writeWhole(r.name, b)
	}
	// A mark that cannot be written only costs time later.
	r.kept = r.kept || err == nil
	r.last = time.Now()
}

// done takes the file away: the next audit begins at the beginning.
func (r *resumption) done() error {
	if r == nil {
		return nil
	}
	if err := os.Remove(r.name); err != nil && !errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("%s cannot be taken away: %s", r.name, fileTrouble(err))
	}
	return nil
}

func writeAudit(t terminal, r store.AuditReport) {
	fmt.Fprintf(t.out, "%s", r.Site)
	if r.Head.Size > 0 {
		fmt.Fprintf(t.out, "\nnewest signed head: %s\n%s", r.Head.Fingerprint(), r.Head.Text())
	}
	fmt.Fprintf(t.out, "\nlooked at: %s, %s, %s, %s, %s, %s\n",
		count(int(r.Steps), "step", "steps"), count(int(r.Hashes), "hash", "hashes"), count(r.Heads, "signed head", "signed heads"),
		count(r.Histories, "history", "histories"), count(r.Draws, "draw", "draws"), count(r.Attachments, "attachment", "attachments"))
	if r.ResumedFrom > 0 {
		fmt.Fprintf(t.out, "the first %s of them in an earlier run\n", count(int(r.ResumedFrom), "step", "steps"))
	}
	for _, n := range r.Notes {
		fmt.Fprintf(t.out, "note: %s\n", n)
	}
	if r.Unproven > 0 {
		fmt.Fprintf(t.out, "note: %s made before draws were proven: nobody can show that their seeds were not chosen\n", count(r.Unproven, "draw was", "draws were"))
	}
	for _, f := range r.Findings {
		fmt.Fprintf(t.out, "WRONG  %s: %s\n", f.Where, f.What)
	}
	if r.More > 0 {
		fmt.Fprintf(t.out, "WRONG  and %d more\n", r.More)
	}
	if r.Agrees() {
		fmt.Fprintln(t.out, "\nEverything agrees. Compare the site's keys above with those it made public, and the head with one from an earlier report (--head).")
	} else {
		fmt.Fprintf(t.out, "\n%s found. Keep this data folder as it is, restore a backup beside it, and compare.\n", count(len(r.Findings)+r.More, "thing that does not agree was", "things that do not agree were"))
	}
}

func writeAuditJSON(t terminal, r store.AuditReport) error {
	type finding struct {
		Where string `json:"where"`
		What  string `json:"what"`
	}
	out := struct {
		Agrees      bool   `json:"agrees"`
		Fingerprint string `json:"fingerprint,omitempty"`
		store.AuditReport
		Notes    []string  `json:"notes"`
		Findings []finding `json:"findings"`
	}{Agrees: r.Agrees(), AuditReport: r, Notes: []string{}, Findings: []finding{}}
	if r.Head.Size > 0 {
		out.Fingerprint = r.Head.Fingerprint()
	}
	for _, n := range r.Notes {
		out.Notes = append(out.Notes, n.String())
	}
	for _, f := range r.Findings {
		out.Findings = append(out.Findings, finding{f.Where.String(), f.What.String()})
	}
	enc := json.NewEncoder(t.out)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	return enc.Encode(out)
}

// warn prints what was wrong with the record when it was opened.
func warn(t terminal, warnings []say.Text) {
	for _, w := range warnings {
		fmt.Fprintf(t.err, "lastlook: WARNING: %s\n", w)
	}
}
