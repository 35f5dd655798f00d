package bundle

import (
	"bytes"
	"encoding/json"
	"regexp"
	"strings"
	"unicode/utf8"

	"lastlook/internal/say"
)

// Limits on what is read. They are far above what a bench makes.
const (
	MaxSize  = 512 << 20 // of a whole bundle, bytes
	maxParts = 20_000
	maxSteps = 100_000
	maxDepth = 24 // nesting of JSON; steps need about 9
	maxShown = 60 // characters of foreign text that a sentence repeats
)

// Names of the parts that every bundle has, in the order of the file.
const (
	readMeName   = "read-me.txt"
	manifestName = "bundle.json"
	headName     = "head.txt"
	keysName     = "keys.txt"
	siteName     = "site.json"
	eventsName   = "events.json"
	marksName    = "marks.json"
	pageName     = "page.html"
)

var fixedNames = []string{readMeName, manifestName, headName, keysName, siteName, eventsName, marksName, pageName}

var storedName = regexp.MustCompile(`^(entries/[0-9a-f]{64}\.json|photos/[0-9a-f]{64}\.jpg)$`)

// allowedName tells whether a bundle may hold a part of this name. Nothing with
// a path that leads anywhere can have one.
func allowedName(name string) bool {
	for _, n := range fixedNames {
		if n == name {
			return true
		}
	}
	return storedName.MatchString(name)
}

// clip shortens foreign text and takes out what could change a terminal.
func clip(text string) string {
	text = strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7F || r >= 0x80 && r < 0xA0 || r >= 0x202A && r <= 0x202E || r >= 0x2066 && r <= 0x2069 {
			return '·'
		}
		return r
	}, strings.ToValidUTF8(text, "·"))
	if r := []rune(text); len(r) > maxShown {
		return string(r[:maxShown]) + "…"
	}
	return text
}

// decode reads one JSON value as strictly as it can be read: valid UTF-8, no name
// twice, no name that is not known, not deeply nested, and nothing behind it.
func decode(name string, b []byte, v any) error {
	if err := wellFormed(name, b); err != nil {
		return err
	}
	dec := json.NewDecoder(bytes.NewReader(b))
	dec.DisallowUnknownFields()
	if err := dec.Decode(v); err != nil {
		return say.Refuse(say.Invalid, "“%s” cannot be read: it does not hold what it should. It was damaged, or not written by Lastlook.", name).Because(err)
	}
	return nil
}

// wellFormed checks the form of one JSON value without knowing what it means.
func wellFormed(name string, b []byte) error {
	if !utf8.Valid(b) {
		return say.Refuse(say.Invalid, "“%s” is not text in UTF-8: it was damaged.", name)
	}
	// The nesting is looked at before the library is, which follows any.
	var open []map[string]bool // names seen, for each object and list around; nil for a list
	for i := 0; i < len(b); i++ {
		switch b[i] {
		case '{', '[':
			if len(open) == maxDepth {
				return say.Refuse(say.Invalid, "“%s” is nested more than %d deep, which nothing in a bundle is. It was not written by Lastlook.", name, maxDepth)
			}
			var names map[string]bool
			if b[i] == '{' {
				names = map[string]bool{}
			}
			open = append(open, names)
		case '}', ']':
			if len(open) > 0 {
				open = open[:len(open)-1]
			}
		case '"':
			from := i
			for i++; i < len(b) && b[i] != '"'; i++ {
				if b[i] == '\\' {
					i++
				}
			}
			if i >= len(b) || len(open) == 0 || open[len(open)-1] == nil || !names(b[i+1:]) {
				continue
			}
			var key string
			if json.Unmarshal(b[from:i+1], &key) != nil {
				continue // said below
			}
			// Go takes "Seq" for "seq"; a reader in another language would not.
			seen := open[len(open)-1]
			if fold := strings.ToUpper(strings.ToLower(key)); seen[fold] {
				return say.Refuse(say.Invalid, "“%s” names “%s” twice: nobody could tell which one counts. It was not written by Lastlook.", name, clip(key))
			} else {
				seen[fold] = true
			}
		}
	}
	if !json.Valid(b) {
		return say.Refuse(say.Invalid, "“%s” is not JSON: it was damaged or cut short.", name)
	}
	return nil
}

// names tells whether the string before rest names a value.
func names(rest []byte) bool {
	rest = bytes.TrimLeft(rest, " \t\r\n")
	return len(rest) > 0 && rest[0] == ':'
}
