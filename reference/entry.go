package reference

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"unicode/utf8"

	"lastlook/internal/ladder"
)

// Entry is one pest, disease, weed, trouble or harmless thing, at one revision.
// The JSON names are those of the entry files.
type Entry struct {
	ID         string   `json:"id"`          // slug, never reused for something else
	Name       string   `json:"name"`        // preferred common name
	OtherNames []string `json:"other_names"` // of several regions, lay words, acronyms
	Scientific string   `json:"scientific"`
	Synonyms   []string `json:"synonyms"`              // older scientific names, members of a group
	EPPO       string   `json:"eppo"`                  // EPPO code, "" if not known
	EPPOSource string   `json:"eppo_source,omitempty"` // where the code was taken from
	Kind       Kind     `json:"kind"`
	Hosts      []string `json:"hosts"`      // as in trade: genus or family
	HostWords  []string `json:"host_words"` // plain names of those hosts
	Parts      []Part   `json:"parts"`
	Signs      []Sign   `json:"signs"` // most telling first
	Looks      string   `json:"looks"`
	Does       string   `json:"does"`
	Stages     []Stage  `json:"stages"`

	LookAlikes []LookAlike `json:"look_alikes"`
	CloserLook []string    `json:"closer_look"` // steps, in order
	Exam       []Exam      `json:"exam"`

	Action        ladder.Rung `json:"action"` // for a nursery in general; see Escalate for a destination
	ActionWhy     string      `json:"action_why"`
	Cautions      []string    `json:"cautions"`
	Regulated     bool        `json:"regulated"` // somewhere, as quarantine or regulated non-quarantine pest
	RegulatedNote string      `json:"regulated_note"`
	Sources       []string    `json:"sources"`
	Revision      int         `json:"revision"`  // 1, 2, 3 …
	ReviewBy      string      `json:"review_by"` // date, 2006-01-02
}

// Sign is one thing that can be seen, structured so that answers can be compared with it.
type Sign struct {
	Part   Part     `json:"part"`
	Seen   Seen     `json:"seen"`
	Colour []Colour `json:"colour"`           // any of these; none says nothing about colour
	Size   Size     `json:"size,omitempty"`   // "" says nothing about size
	Moving Moving   `json:"moving,omitempty"` // "" says nothing about moving
	Often  Often    `json:"often"`
	Season string   `json:"season,omitempty"`
	Text   string   `json:"text"`
}

// Stage is how one stage of life, or of a disease, looks.
type Stage struct {
	Stage string `json:"stage"`
	Looks string `json:"looks"`
}

// LookAlike is another entry that is easily taken for this one.
type LookAlike struct {
	ID        string `json:"id"`
	TellApart string `json:"tell_apart"`
	By        By     `json:"by"`
}

// AllParts gives the parts of the entry and of its signs, in the order of [Parts].
func (e *Entry) AllParts() []Part {
	var out []Part
	for _, t := range parts {
		if slices.Contains(e.Parts, t.id) || slices.ContainsFunc(e.Signs, func(s Sign) bool { return s.Part == t.id }) {
			out = append(out, t.id)
		}
	}
	return out
}

// Dangerous reports whether taking the entry for something harmless could let a
// quarantine pest go: it is regulated somewhere, or it asks for a stop.
func (e *Entry) Dangerous() bool { return e.Regulated || e.Action == ladder.Stop }

// Canonical writes the entry as JSON in the canonical form of RFC 8785 (JSON
// Canonicalization Scheme): sorted keys, no space, shortest strings. The same
// entry always gives the same bytes, on every machine, so they can be hashed,
// signed and compared. Lists that are nil count as empty.
func (e *Entry) Canonical() []byte { return canonical(e) }

// canonical writes a value in the canonical form. It panics on one that has none:
// only a rung outside the ladder can fail, and nothing that was checked has one.
func canonical(v any) []byte {
	raw, err := json.Marshal(v)
	if err != nil {
		panic(fmt.Sprintf("reference: no JSON form: %v", err))
	}
	dec := json.NewDecoder(bytes.NewReader(raw))
	dec.UseNumber()
	var plain any
	if err := dec.Decode(&plain); err != nil {
		panic(fmt.Sprintf("reference: %v", err))
	}
	return appendCanonical(nil, plain)
}

// Hash is the SHA-256 of the canonical form, in hex: it pins a revision.
func (e *Entry) Hash() string {
	sum := sha256.Sum256(e.Canonical())
	return hex.EncodeToString(sum[:])
}

// appendCanonical writes objects, arrays, strings, booleans, null and whole
// numbers; entries hold nothing else. All keys are ASCII, so byte order is the
// UTF-16 order that RFC 8785 asks for.
func appendCanonical(b []byte, v any) []byte {
	switch v := v.(type) {
	case map[string]any:
		b = append(b, '{')
		for i, k := range slices.Sorted(maps.Keys(v)) {
			if i > 0 {
				b = append(b, ',')
			}
			b = append(appendString(b, k), ':')
			b = appendCanonical(b, v[k])
		}
		return append(b, '}')
	case []any:
		b = append(b, '[')
		for i, x := range v {
			if i > 0 {
				b = append(b, ',')
			}
			b = appendCanonical(b, x)
		}
		return append(b, ']')
	case string:
		return appendString(b, v)
	case json.Number:
		return append(b, v...)
	case bool:
		if v {
			return append(b, "true"...)
		}
		return append(b, "false"...)
	default:
		// A nil list: the canonical form does not tell it from an empty one.
		return append(b, "[]"...)
	}
}

// appendString quotes as RFC 8785, section 3.2.2.2, says: only control
// characters, quote and backslash are escaped.
func appendString(b []byte, s string) []byte {
	const digits = "0123456789abcdef"
	b = append(b, '"')
	for _, r := range s {
		switch {
		case r == '"' || r == '\\':
			b = append(b, '\\', byte(r))
		case r == '\b':
			b = append(b, `\b`...)
		case r == '\t':
			b = append(b, `\t`...)
		case r == '\n':
			b = append(b, `\n`...)
		case r == '\f':
			b = append(b, `\f`...)
		case r == '\r':
			b = append(b, `\r`...)
		case r < 0x20:
			b = append(b, '\\', 'u', '0', '0', digits[r>>4], digits[r&15])
		default:
			b = utf8.AppendRune(b, r)
		}
	}
	return append(b, '"')
}
