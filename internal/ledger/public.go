package ledger

import (
	"fmt"
	"strings"

	"golang.org/x/mod/sumdb/note"

	"lastlook/internal/say"
)

// ParsePublic reads the text form of public keys, as [Public.String] writes it.
// Empty lines and lines that begin with # are passed over. The error is a
// say.Refusal.
func ParsePublic(text string) (Public, error) {
	var p Public
	seen := map[string]bool{}
	for line := range strings.Lines(text) {
		line = strings.TrimSpace(line)
		if line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		name, value, _ := strings.Cut(line, " ")
		var err error
		switch {
		case seen[name]:
			err = fmt.Errorf("%s comes twice", name)
		case name == "site":
			p.Site = value
		case name == "head":
			p.Head = value
			var v note.Verifier
			if v, err = note.NewVerifier(value); err == nil && seen["site"] && v.Name() != p.Site {
				err = fmt.Errorf("the head key is of %s", v.Name())
			}
		case name == "draw":
			if err = p.Draw.UnmarshalText([]byte(value)); err == nil {
				err = p.Draw.Validate()
			}
		default:
			err = fmt.Errorf("nothing is called %q", name)
		}
		if err != nil {
			return Public{}, notPublic().Because(err)
		}
		seen[name] = true
	}
	if !seen["site"] || !seen["head"] || !seen["draw"] {
		return Public{}, notPublic()
	}
	return p, nil
}

func notPublic() *say.Refusal {
	return say.Refuse(say.Invalid, "These are not the public keys of a site: they have three lines, which begin with site, head and draw.")
}
