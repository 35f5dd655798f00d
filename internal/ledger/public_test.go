package ledger

import (
	"strings"
	"testing"

	"lastlook/internal/say"
)

func TestParsePublic(t *testing.T) {
	p := newKeys(t, 1).Public()
	for _, text := range []string{p.String(), "# the site's keys\n\n" + strings.ReplaceAll(p.String(), "\n", "\r\n")} {
		if got, err := ParsePublic(text); err != nil || got != p {
			t.Errorf("ParsePublic(%q) = %+v, %v", text, got, err)
		}
	}
	lines := strings.SplitAfter(p.String(), "\n")
	for name, text := range map[string]string{
		"nothing":            "",
		"no site":            lines[1] + lines[2],
		"no draw key":        lines[0] + lines[1],
		"a line twice":       p.String() + lines[0],
		"a line more":        p.String() + "hold on\n",
		"another site":       strings.Replace(p.String(), "site quillfern-test", "site quillfern-tess", 1),
		"a damaged head key": strings.Replace(p.String(), "+A", "+B", 1),
		"a short draw key":   strings.TrimSpace(p.String())[:len(p.String())-3],
		"a secret key":       lines[0] + "head PRIVATE+KEY+x+0+y\n" + lines[2],
	} {
		if _, err := ParsePublic(text); say.CodeOf(err) != say.Invalid {
			t.Errorf("%s: ParsePublic: %v, want a refusal", name, err)
		}
	}
}
