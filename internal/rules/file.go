package rules

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"slices"
	"unicode/utf8"

	"lastlook/internal/consignment"
	"lastlook/internal/say"
)

// Format names the file, and FormatVersion its kind: a file of another one is refused.
const (
	Format        = "lastlook-rules"
	FormatVersion = 1
)

// MaxFile is the largest file that is read, in bytes.
const MaxFile = 256 << 10

// fileItem is a check item in a file: its words are plain, in English.
type fileItem struct {
	ID      string `json:"id"`
	Words   string `json:"words"`
	Rejects bool   `json:"rejects,omitempty"`
}

type file struct {
	format  string
	version int
	r       consignment.RuleSet
	before  []fileItem
	after   []fileItem
	store   []fileItem
}

// field is one name in a file and where its value goes.
type field struct {
	name string
	to   any
}

// fields lists what a file holds, in the order in which it is written.
func (f *file) fields() []field {
	return []field{
		{"format", &f.format}, {"format_version", &f.version},
		{"rate", &f.r.Rate}, {"minimum", &f.r.Minimum}, {"spread", &f.r.Spread}, {"window_hours", &f.r.WindowHours},
		{"looks", &f.r.Looks}, {"before", &f.before}, {"after", &f.after}, {"store", &f.store},
		{"detail_confidence", &f.r.DetailConfidence}, {"detail_detect", &f.r.DetailDetect}, {"remove_infested", &f.r.RemoveInfested},
		{"minutes_per_round", &f.r.MinutesPerRound}, {"seconds_per_package", &f.r.SecondsPerPackage}, {"seconds_per_unit", &f.r.SecondsPerUnit},
		{"retention_years", &f.r.RetentionYears}, {"two_people", &f.r.TwoPeople},
	}
}

// Write gives a rule set as a file, without its number: that belongs to the site.
func Write(r consignment.RuleSet) ([]byte, error) {
	f := file{format: Format, version: FormatVersion, r: r, before: fileItems(r.Before), after: fileItems(r.After), store: fileItems(r.StoreItems())}
	if f.r.TwoPeople == nil {
		f.r.TwoPeople = []consignment.Duty{}
	}
	var b bytes.Buffer
	b.WriteString("{\n")
	for i, x := range f.fields() {
		if i > 0 {
			b.WriteString(",\n")
		}
		var value bytes.Buffer
		enc := json.NewEncoder(&value)
		enc.SetEscapeHTML(false)
		enc.SetIndent("  ", "  ")
		if err := enc.Encode(x.to); err != nil {
			return nil, err
		}
		b.WriteString(`  "` + x.name + `": `)
		b.Write(bytes.TrimSpace(value.Bytes()))
	}
	b.WriteString("\n}\n")
	return b.Bytes(), nil
}

func fileItems(items []consignment.CheckItem) []fileItem {
	out := make([]fileItem, len(items))
	for i, it := range items {
		out[i] = fileItem{it.ID, it.Words.String(), it.Rejects}
	}
	return out
}

// Read reads what Write gave, and nothing else: every field is there, once, and no
// other. Items whose id and words are those of a known one keep its translations. What
// is wrong with a rule set that can be read says [Check].
func Read(b []byte, known consignment.RuleSet) (consignment.RuleSet, error) {
	none := consignment.RuleSet{}
	b = bytes.TrimPrefix(b, []byte("\ufeff"))
	switch {
	case len(b) > MaxFile:
		return none, say.Refuse(say.Invalid, "The file is larger than %d kB: this is no rule set.", MaxFile>>10).For("file")
	case len(bytes.TrimSpace(b)) == 0:
		return none, say.Refuse(say.Invalid, "The file is empty. Choose one that Lastlook gave out.").For("file")
	case !utf8.Valid(b):
		return none, say.Refuse(say.Invalid, "The file is no text in UTF-8. Choose one that Lastlook gave out.").For("file")
	}
	found, err := members(b)
	if err != nil {
		return none, err
	}
	f := &file{}
	fields := f.fields()
	for _, m := range found {
		if !slices.ContainsFunc(fields, func(x field) bool { return x.name == m.name }) {
			return none, say.Refuse(say.Invalid, "The file has a field %q, which no rule set has. Take it out, or choose another file.", m.name).For("file")
		}
	}
	for i, x := range fields {
		at := slices.IndexFunc(found, func(m member) bool { return m.name == x.name })
		if at < 0 {
			if i < 2 {
				return none, say.Refuse(say.Invalid, "This is no rule set: the field %q is missing. Choose a file that Lastlook gave out.", x.name).For("file")
			}
			return none, say.Refuse(say.Invalid, "The field %q is missing in the file. Put it in.", x.name).For("file")
		}
		if err := strictly(found[at].value, x.to); err != nil {
			return none, refuseValue(x.name, err)
		}
		switch {
		case i == 0 && f.format != Format:
			return none, say.Refuse(say.Invalid, "This is a file of the format %q, not a rule set (%s).", f.format, Format).For("file")
		case i == 1 && f.version != FormatVersion:
			return none, say.Refuse(say.Invalid, "The file is of version %d of the format, this version of Lastlook reads %d.", f.version, FormatVersion).For("file")
		}
	}
	f.r.Before = f.items(f.before, known.Before)
	f.r.After = f.items(f.after, known.After)
	f.r.Store = f.items(f.store, known.StoreItems())
	if len(f.r.TwoPeople) == 0 {
		f.r.TwoPeople = nil
	}
	return f.r, nil
}

func (f *file) items(in []fileItem, known []consignment.CheckItem) []consignment.CheckItem {
	var out []consignment.CheckItem
	for _, x := range in {
		it := consignment.CheckItem{ID: x.ID, Rejects: x.Rejects}
		if words := oneLine(x.Words); words != "" {
			it.Words = say.T("%s", words)
		}
		for _, k := range known {
			if k.ID == x.ID && k.Words.String() == x.Words {
				it.Words = k.Words
			}
		}
		out = append(out, it)
	}
	return out
}

// member is one field of the file as it stands there.
type member struct {
	name  string
	value json.RawMessage
}

// members reads an object, and refuses a name that is there twice: a reader that took
// one of them would not see what a person saw.
func members(b []byte) ([]member, error) {
	dec := json.NewDecoder(bytes.NewReader(b))
	broken := func(err error) error {
		at := dec.InputOffset()
		if s := (*json.SyntaxError)(nil); errors.As(err, &s) {
			at = s.Offset
		}
		line := 1 + bytes.Count(b[:min(max(at, 0), int64(len(b)))], []byte("\n"))
		return say.Refuse(say.Invalid, "The file cannot be read from line %d on: it is not whole, or no JSON.", line).For("file").Because(err)
	}
	if tok, err := dec.Token(); err != nil {
		return nil, broken(err)
	} else if tok != json.Delim('{') {
		return nil, say.Refuse(say.Invalid, "The file holds no rule set: it must begin with {.").For("file")
	}
	var out []member
	for dec.More() {
		tok, err := dec.Token()
		if err != nil {
			return nil, broken(err)
		}
		name, _ := tok.(string)
		m := member{name: name}
		if err := dec.Decode(&m.value); err != nil {
			return nil, broken(err)
		}
		if slices.ContainsFunc(out, func(o member) bool { return o.name == name }) {
			return nil, say.Refuse(say.Invalid, "The field %q is there twice. Leave one of them.", name).For("file")
		}
		out = append(out, m)
	}
	if _, err := dec.Token(); err != nil {
		return nil, broken(err)
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return nil, say.Refuse(say.Invalid, "Something stands behind the end of the rule set. Take it out.").For("file")
	}
	return out, nil
}

var errNull = errors.New("null")

func strictly(raw json.RawMessage, to any) error {
	if bytes.Equal(bytes.TrimSpace(raw), []byte("null")) {
		return errNull
	}
	dec := json.NewDecoder(bytes.NewReader(raw))
	dec.DisallowUnknownFields()
	return dec.Decode(to)
}

func refuseValue(name string, err error) error {
	var r *say.Refusal
	if errors.As(err, &r) {
		return say.Refuse(say.Invalid, "The field %q: %s", name, r.Text).For("file")
	}
	return say.Refuse(say.Invalid, "The field %q does not hold what belongs there. Compare it with a file that Lastlook gave out.", name).For("file").Because(err)
}
