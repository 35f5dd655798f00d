package main

import (
	"context"
	"fmt"
	"runtime"
	"runtime/debug"
)

// version is the release; a build made from a checkout adds its revision.
const version = "0.1.0"

func versionCommand() command {
	return command{
		name:    "version",
		summary: "print the version",
		run: func(_ context.Context, t terminal, args []string) error {
			fs := newFlags(t, "version", "version")
			if rest, err := parse(fs, args); err != nil {
				return err
			} else if len(rest) > 0 {
				return usagef("version takes no arguments, got %q", rest[0])
			}
			fmt.Fprintf(t.out, "lastlook %s%s (%s %s/%s)\n", version, revision(), runtime.Version(), runtime.GOOS, runtime.GOARCH)
			return nil
		},
	}
}

// revision gives "+" and the short revision the binary was built from, if the build recorded one.
func revision() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return ""
	}
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" && len(s.Value) >= 12 {
			return "+" + s.Value[:12]
		}
	}
	return ""
}
