package main

import (
	"context"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
)

var (
	documented  = regexp.MustCompile("`lastlook ([a-z][a-z-]*)([^`]*)`")
	someFlag    = regexp.MustCompile(`(?:^|[\s` + "`" + `])--?([a-z][a-z-]*)`)
	tableOfFlag = regexp.MustCompile(`(?m)^  -([a-z][a-z-]*)`)
)

// TestReadmeNamesTheCommands compares the front page with the commands there
// are: every command is in it, and every command and flag in it is there.
func TestReadmeNamesTheCommands(t *testing.T) {
	b, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	readme := string(b)
	flags := map[string][]string{}
	for _, c := range commands() {
		if !strings.Contains(readme, "| `lastlook "+c.name) {
			t.Errorf("README.md: the table of commands lacks %s", c.name)
		}
		var help strings.Builder
		run(context.Background(), terminal{in: strings.NewReader(""), out: &help, err: &help}, []string{c.name, "-h"})
		flags[c.name] = []string{"h"}
		for _, m := range tableOfFlag.FindAllStringSubmatch(help.String(), -1) {
			flags[c.name] = append(flags[c.name], m[1])
		}
	}
	found := 0
	for line := range strings.Lines(readme) {
		for _, m := range documented.FindAllStringSubmatch(line, -1) {
			known, ok := flags[m[1]]
			if !ok {
				t.Errorf("README.md speaks of lastlook %s, which there is not", m[1])
				continue
			}
			found++
			in := m[2]
			if strings.HasPrefix(line, "| ") {
				in = line // the rest of the row is about this command
			}
			for _, f := range someFlag.FindAllStringSubmatch(in, -1) {
				if !slices.Contains(known, f[1]) {
					t.Errorf("README.md gives lastlook %s the flag --%s, which it does not take", m[1], f[1])
				}
			}
		}
	}
	if found < len(flags) {
		t.Errorf("README.md: found %d commands to compare, want at least %d", found, len(flags))
	}
}
