package main

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"lastlook/internal/consignment"
	"lastlook/internal/store"
)

// dataVariable names the data folder where --data does not.
const dataVariable = "LASTLOOK_DATA"

// dataFlag adds --data. Without it the folder is the one named in LASTLOOK_DATA
// or else "lastlook" in the account's configuration folder.
func dataFlag(fs *flag.FlagSet) *string {
	return fs.String("data", "", "data `folder`; without it $"+dataVariable+", or lastlook in the configuration folder of the account")
}

// dataFolder gives the folder that --data or its defaults name.
func dataFolder(given string) (string, error) {
	if given != "" {
		return given, nil
	}
	if dir := os.Getenv(dataVariable); dir != "" {
		return dir, nil
	}
	dir, err := os.UserConfigDir()
	if err != nil {
		return "", usagef("this account has no configuration folder: say where the data is, with --data DIR or $%s", dataVariable)
	}
	return filepath.Join(dir, "lastlook"), nil
}

// openData opens the data folder. must says that it has to be there already, so
// that a mistyped folder is not made and then found empty. If the data file was of an
// older version, it says that it was brought up to date, and where it is as it was.
func openData(ctx context.Context, t terminal, given string, must bool) (*store.Store, error) {
	dir, err := dataFolder(given)
	if err != nil {
		return nil, err
	}
	if must {
		if _, err := os.Stat(filepath.Join(dir, store.File)); errors.Is(err, os.ErrNotExist) {
			return nil, fmt.Errorf("there is no data in %s: name the folder with --data, or begin one with lastlook serve or lastlook import", dir)
		}
	}
	st, err := store.Open(ctx, dir)
	if err != nil {
		return nil, err
	}
	if u, ok := st.Upgraded(); ok {
		fmt.Fprintf(t.err, "lastlook: the data file was of an older version (tables %d) and was brought up to date (tables %d). As it was before, with %s, it is in %s: copied and checked first. Keep it until the bench has worked for a while.\n",
			u.From, u.To, count(int(u.Steps), "step", "steps"), u.Copy)
	}
	return st, nil
}

// openConsignment opens the data folder for reading only and finds a consignment
// in it by number or code. The caller closes the store.
func openConsignment(ctx context.Context, given, which string) (*store.Store, *consignment.State, error) {
	dir, err := dataFolder(given)
	if err != nil {
		return nil, nil, err
	}
	st, err := store.OpenReading(ctx, dir)
	if err != nil {
		return nil, nil, err
	}
	state, err := find(ctx, st, which)
	if err != nil {
		st.Close()
		return nil, nil, err
	}
	return st, state, nil
}

// readHeads reads signed heads from files.
func readHeads(names []string) ([][]byte, error) {
	var heads [][]byte
	for _, name := range names {
		head, err := os.ReadFile(name)
		if err != nil {
			return nil, usagef("the head %s cannot be read: %s", name, fileTrouble(err))
		}
		heads = append(heads, head)
	}
	return heads, nil
}

// byActor gives the person that --by names, or the program acting for the office
// if it names nobody.
func byActor(ctx context.Context, st *store.Store, by, task string) (consignment.Actor, error) {
	if by == "" {
		return consignment.Actor{ID: "office", Name: task}, nil
	}
	roster, err := st.Roster(ctx)
	if err != nil {
		return consignment.Actor{}, err
	}
	var names []string
	for _, p := range roster.Working() {
		if strings.EqualFold(p.Name, strings.TrimSpace(by)) || strings.EqualFold(p.ID, by) {
			return consignment.Actor{ID: p.ID, Name: p.Name, Roles: p.Roles}, nil
		}
		names = append(names, p.Name)
	}
	if len(names) == 0 {
		return consignment.Actor{}, usagef("nobody is on the list of people yet, so --by can name nobody: leave it out")
	}
	return consignment.Actor{}, usagef("%q is not on the list of people: --by can be one of %s", by, strings.Join(names, ", "))
}

// progress prints one line that changes, on a terminal; to a file or a pipe it
// prints nothing.
type progress struct {
	w    io.Writer
	on   bool
	last string
}

func newProgress(w io.Writer) *progress { return &progress{w: w, on: isTerminal(w)} }

// isTerminal reports whether w is a terminal, as far as the file system tells.
func isTerminal(w any) bool {
	f, ok := w.(*os.File)
	if !ok {
		return false
	}
	info, err := f.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice != 0
}

func (p *progress) say(format string, args ...any) {
	if !p.on {
		return
	}
	line := fmt.Sprintf(format, args...)
	if line == p.last {
		return
	}
	fmt.Fprintf(p.w, "\r%-*s", len(p.last), line)
	p.last = line
}

// done takes the line away.
func (p *progress) done() {
	if p.last == "" {
		return
	}
	fmt.Fprintf(p.w, "\r%-*s\r", len(p.last), "")
	p.last = ""
}

// writeWhole writes a file in one piece: after a failure the file that was
// there before is still there.
func writeWhole(name string, b []byte) error {
	f, err := os.CreateTemp(filepath.Dir(name), ".lastlook-*")
	if err == nil {
		_, err = io.Copy(f, bytes.NewReader(b))
		if cerr := f.Close(); err == nil {
			err = cerr
		}
		if err == nil {
			err = os.Chmod(f.Name(), 0o644)
		}
		if err == nil {
			err = os.Rename(f.Name(), name)
		}
		if err != nil {
			os.Remove(f.Name())
		}
	}
	if err != nil {
		return fmt.Errorf("%s cannot be written: %s", name, fileTrouble(err))
	}
	return nil
}

// fileTrouble says in words what the file system said.
func fileTrouble(err error) string {
	switch {
	case errors.Is(err, os.ErrNotExist):
		return "it is not there; see that the name and the folder are right"
	case errors.Is(err, os.ErrPermission):
		return "this account may not do that; change the permissions or choose another place"
	}
	var p *os.PathError
	if errors.As(err, &p) {
		return p.Err.Error()
	}
	return err.Error()
}
