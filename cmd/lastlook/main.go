// Command lastlook is the inspection bench at a nursery's dispatch door: one
// binary that serves the bench screens and does the office work around them.
//
// Each subcommand has a file of its own with a constructor that returns a
// [command]; this file only finds the right one. Exit status: 0 done, 1 refused
// or not found, 2 unusable arguments.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"
)

// Exit statuses, for scripts.
const (
	exitDone    = 0
	exitRefused = 1
	exitUsage   = 2
)

// terminal is what a subcommand may read and write. Tests pass buffers.
type terminal struct {
	in  io.Reader
	out io.Writer
	err io.Writer
}

// command is one subcommand. run gets the arguments after its name and reports
// errUsage (or an error wrapping it) for unusable arguments.
type command struct {
	name    string
	summary string
	run     func(ctx context.Context, t terminal, args []string) error
}

// errUsage marks an error as unusable arguments: exit status 2.
var errUsage = errors.New("unusable arguments")

// errQuiet marks a refusal that has already been explained: exit status 1, nothing more printed.
var errQuiet = errors.New("refused")

// usagef makes an error about unusable arguments that says what to do next.
func usagef(format string, args ...any) error {
	return fmt.Errorf("%w: %s", errUsage, fmt.Sprintf(format, args...))
}

// newFlags makes the flag set of a subcommand: synopsis is printed first by -h.
func newFlags(t terminal, name, synopsis string) *flag.FlagSet {
	fs := flag.NewFlagSet(name, flag.ContinueOnError)
	fs.SetOutput(t.err)
	fs.Usage = func() {
		fmt.Fprintf(t.err, "usage: lastlook %s\n\n", synopsis)
		fs.PrintDefaults()
	}
	return fs
}

// given reports whether a flag was on the command line.
func given(fs *flag.FlagSet, name string) bool {
	there := false
	fs.Visit(func(f *flag.Flag) { there = there || f.Name == name })
	return there
}

// parse reads flags and takes plain arguments before, between and after them.
// It returns the plain arguments.
func parse(fs *flag.FlagSet, args []string) ([]string, error) {
	var plain []string
	for {
		if err := fs.Parse(args); err != nil {
			if errors.Is(err, flag.ErrHelp) {
				return nil, err
			}
			return nil, fmt.Errorf("%w: %w (lastlook %s -h shows what it takes)", errUsage, err, fs.Name())
		}
		rest := fs.Args()
		if len(rest) == 0 {
			return plain, nil
		}
		if used := len(args) - len(rest); used > 0 && args[used-1] == "--" {
			return append(plain, rest...), nil
		}
		plain = append(plain, rest[0])
		args = rest[1:]
	}
}

// commands lists the subcommands in the order in which help shows them.
func commands() []command {
	return []command{
		demoCommand(),
		serveCommand(),
		importCommand(),
		labelsCommand(),
		recordCommand(),
		exportCommand(),
		verifyCommand(),
		verifyPageCommand(),
		rebuildCommand(),
		auditCommand(),
		backupCommand(),
		restoreCommand(),
		archiveCommand(),
		keysCommand(),
		notifyCommand(),
		lookupCommand(),
		referenceCommand(),
		sampleSizeCommand(),
		versionCommand(),
	}
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	os.Exit(run(ctx, terminal{in: os.Stdin, out: os.Stdout, err: os.Stderr}, os.Args[1:]))
}

// run finds the subcommand, runs it, prints what went wrong and gives the exit status.
func run(ctx context.Context, t terminal, args []string) int {
	if len(args) == 0 {
		usage(t.err)
		return exitUsage
	}
	switch args[0] {
	case "-h", "-help", "--help", "help":
		usage(t.out)
		return exitDone
	}
	for _, c := range commands() {
		if c.name != args[0] {
			continue
		}
		return status(t, c.run(ctx, t, args[1:]))
	}
	fmt.Fprintf(t.err, "lastlook: there is no command %q. These exist:\n\n", args[0])
	usage(t.err)
	return exitUsage
}

func status(t terminal, err error) int {
	switch {
	case err == nil, errors.Is(err, flag.ErrHelp):
		return exitDone
	case errors.Is(err, errQuiet):
		return exitRefused
	}
	fmt.Fprintf(t.err, "lastlook: %v\n", err)
	if errors.Is(err, errUsage) {
		return exitUsage
	}
	return exitRefused
}

func usage(w io.Writer) {
	fmt.Fprint(w, "lastlook: the inspection bench at a plant nursery's dispatch door\n\nusage: lastlook COMMAND [flags]\n\n")
	for _, c := range commands() {
		fmt.Fprintf(w, "  %-12s %s\n", c.name, c.summary)
	}
	fmt.Fprint(w, "\nlastlook COMMAND -h says more. Start with: lastlook demo\n")
}
