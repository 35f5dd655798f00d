package reference

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"

	"lastlook/internal/ladder"
	"lastlook/internal/say"
)

// fieldLabels name the fields of an entry for people, in the order of entryKeys.
var fieldLabels = map[string]say.Text{
	"id":             say.T("Id"),
	"name":           say.T("Name"),
	"other_names":    say.T("Other names"),
	"scientific":     say.T("Scientific name"),
	"synonyms":       say.T("Scientific synonyms"),
	"eppo":           say.T("EPPO code"),
	"eppo_source":    say.T("Where the EPPO code is from"),
	"kind":           say.T("Kind"),
	"hosts":          say.T("Hosts, as in trade"),
	"host_words":     say.T("Hosts, in plain words"),
	"parts":          say.T("Parts of the plant"),
	"signs":          say.T("Signs"),
	"looks":          say.T("How it looks"),
	"does":           say.T("What it does"),
	"stages":         say.T("Stages"),
	"look_alikes":    say.T("Look-alikes"),
	"closer_look":    say.T("Closer look, step by step"),
	"exam":           say.T("Ways of examining"),
	"action":         say.T("What it asks for"),
	"action_why":     say.T("Why it asks for that"),
	"cautions":       say.T("Cautions"),
	"regulated":      say.T("Regulated somewhere"),
	"regulated_note": say.T("Where and how it is regulated"),
	"sources":        say.T("Sources"),
	"revision":       say.T("Revision"),
	"review_by":      say.T("Review by"),
}

// EntryFields lists the JSON names of the fields of an entry, in the order in
// which screens show them.
func EntryFields() []string { return slices.Clone(entryKeys) }

// FieldLabel names a field of an entry for people.
func FieldLabel(field string) say.Text { return fieldLabels[field] }

// Change is one field in which an entry differs from another.
type Change struct {
	Field    string // JSON name
	Old, New json.RawMessage
}

// Label names the field for people.
func (c Change) Label() say.Text { return FieldLabel(c.Field) }

// fieldsOf gives the canonical JSON of each field. A nil entry has all fields
// empty; an action that is not chosen yet is "".
func fieldsOf(e *Entry) map[string]json.RawMessage {
	if e == nil {
		e = &Entry{}
	}
	x := *e
	if !x.Action.Valid() {
		x.Action = ladder.Note // has a JSON form; put right below
	}
	var out map[string]json.RawMessage
	if err := json.Unmarshal(x.Canonical(), &out); err != nil {
		panic(fmt.Sprintf("reference: entry %q: %v", e.ID, err)) // Canonical writes valid JSON
	}
	if !e.Action.Valid() {
		out["action"] = json.RawMessage(`""`)
	}
	if out["eppo_source"] == nil {
		out["eppo_source"] = json.RawMessage(`""`)
	}
	return out
}

// Diff lists the fields in which b differs from a, in the order of EntryFields.
// A nil entry counts as one with nothing in it. Lists that are nil count as empty.
func Diff(a, b *Entry) []Change {
	x, y := fieldsOf(a), fieldsOf(b)
	var out []Change
	for _, f := range entryKeys {
		if !bytes.Equal(x[f], y[f]) {
			out = append(out, Change{Field: f, Old: x[f], New: y[f]})
		}
	}
	return out
}

// DiffText is Diff without the revision number.
func DiffText(a, b *Entry) []Change {
	return slices.DeleteFunc(Diff(a, b), func(c Change) bool { return c.Field == "revision" })
}

// SameText reports whether two entries differ in nothing but the revision number.
func SameText(a, b *Entry) bool { return len(DiffText(a, b)) == 0 }

// Patch gives a with the changes made: Patch(a, Diff(a, b)) is b. A change to a
// field that does not exist, or of the wrong type, is an error.
func Patch(a *Entry, changes []Change) (*Entry, error) {
	fields := fieldsOf(a)
	for _, c := range changes {
		if fields[c.Field] == nil {
			return nil, fmt.Errorf("reference: there is no field %q", c.Field)
		}
		fields[c.Field] = c.New
	}
	noAction := string(fields["action"]) == `""`
	if noAction {
		delete(fields, "action")
	}
	raw, err := json.Marshal(fields)
	if err != nil {
		return nil, err
	}
	var out Entry
	if err := json.Unmarshal(raw, &out); err != nil {
		return nil, fmt.Errorf("reference: a change does not fit: %w", err)
	}
	return &out, nil
}

// Mark says what became of a line.
type Mark string

// The marks.
const (
	LineSame Mark = "same"
	LineGone Mark = "gone"
	LineNew  Mark = "new"
)

// DiffLine is one line of a changed field.
type DiffLine struct {
	Mark Mark
	Text say.Text
}

// Lines compares the field line by line: an item of a list is a line, and so is
// a sentence of prose.
func (c Change) Lines() []DiffLine {
	old, new := FieldLines(c.Field, c.Old), FieldLines(c.Field, c.New)
	a, b := plainLines(old), plainLines(new)
	// The longest common subsequence, by the usual table; fields are short.
	n, m := len(a), len(b)
	long := make([][]int, n+1)
	for i := range long {
		long[i] = make([]int, m+1)
	}
	for i := n - 1; i >= 0; i-- {
		for j := m - 1; j >= 0; j-- {
			if a[i] == b[j] {
				long[i][j] = long[i+1][j+1] + 1
			} else {
				long[i][j] = max(long[i+1][j], long[i][j+1])
			}
		}
	}
	var out []DiffLine
	i, j := 0, 0
	for i < n || j < m {
		switch {
		case i < n && j < m && a[i] == b[j]:
			out = append(out, DiffLine{LineSame, new[j]})
			i, j = i+1, j+1
		case j == m || i < n && long[i+1][j] >= long[i][j+1]:
			out = append(out, DiffLine{LineGone, old[i]})
			i++
		default:
			out = append(out, DiffLine{LineNew, new[j]})
			j++
		}
	}
	return out
}

func plainLines(ts []say.Text) []string {
	out := make([]string, len(ts))
	for i, t := range ts {
		out[i] = t.String()
	}
	return out
}

// FieldLines gives the content of a field, in JSON, as lines for people. What is
// not of the field's type gives one line as it stands.
func FieldLines(field string, raw json.RawMessage) []say.Text {
	asIs := []say.Text{say.T("%s", string(raw))}
	switch field {
	case "signs":
		return linesOf(raw, asIs, signLine)
	case "stages":
		return linesOf(raw, asIs, func(s Stage) say.Text { return say.T("%s: %s", s.Stage, s.Looks) })
	case "look_alikes":
		return linesOf(raw, asIs, func(l LookAlike) say.Text { return say.T("%s (%s): %s", l.ID, l.By.Words(), l.TellApart) })
	case "parts":
		return linesOf(raw, asIs, Part.Words)
	case "exam":
		return linesOf(raw, asIs, Exam.Words)
	case "other_names", "synonyms", "hosts", "host_words", "closer_look", "cautions", "sources":
		return linesOf(raw, asIs, func(s string) say.Text { return say.T("%s", s) })
	case "regulated":
		if string(raw) == "true" {
			return []say.Text{say.T("Yes")}
		}
		return []say.Text{say.T("No")}
	case "revision":
		return asIs
	}
	var s string
	if json.Unmarshal(raw, &s) != nil {
		return asIs
	}
	switch {
	case s == "":
		return nil
	case field == "kind":
		return []say.Text{Kind(s).Words()}
	case field == "action":
		if r, err := ladder.Parse(s); err == nil {
			return []say.Text{r.Word()}
		}
	case field == "looks" || field == "does" || field == "regulated_note":
		var out []say.Text
		for _, t := range sentences(s) {
			out = append(out, say.T("%s", t))
		}
		return out
	}
	return []say.Text{say.T("%s", s)}
}

func linesOf[T any](raw json.RawMessage, asIs []say.Text, line func(T) say.Text) []say.Text {
	var items []T
	if json.Unmarshal(raw, &items) != nil {
		return asIs
	}
	out := make([]say.Text, len(items))
	for i, x := range items {
		out[i] = line(x)
	}
	return out
}

func signLine(s Sign) say.Text {
	about := []say.Text{s.Part.Words(), s.Seen.Words()}
	for _, c := range s.Colour {
		about = append(about, c.Words())
	}
	if s.Size != "" {
		about = append(about, s.Size.Words())
	}
	if s.Moving != "" {
		about = append(about, s.Moving.Words())
	}
	about = append(about, s.Often.Words())
	if s.Season != "" {
		about = append(about, say.T("%s", s.Season))
	}
	return say.T("%s: %s", about, s.Text)
}

// ThreeField is one field of an entry of which a base was changed on two sides.
type ThreeField struct {
	Field              string
	Base, Ours, Theirs json.RawMessage
	OursNew, TheirsNew bool // changed against the base
	Same               bool // both sides now say the same
}

// Label names the field for people.
func (t ThreeField) Label() say.Text { return FieldLabel(t.Field) }

// Clash reports whether both sides changed the field, to different things: nobody
// but a person can decide then.
func (t ThreeField) Clash() bool { return t.OursNew && t.TheirsNew && !t.Same }

// ThreeWay lists the fields in which one of two entries differs from the base
// that both were made from, but for the revision number.
func ThreeWay(base, ours, theirs *Entry) []ThreeField {
	b, o, t := fieldsOf(base), fieldsOf(ours), fieldsOf(theirs)
	var out []ThreeField
	for _, f := range entryKeys {
		x := ThreeField{Field: f, Base: b[f], Ours: o[f], Theirs: t[f],
			OursNew: !bytes.Equal(b[f], o[f]), TheirsNew: !bytes.Equal(b[f], t[f]), Same: bytes.Equal(o[f], t[f])}
		if f != "revision" && (x.OursNew || x.TheirsNew) {
			out = append(out, x)
		}
	}
	return out
}

// TakeFields gives ours with the named fields as they stand in theirs.
func TakeFields(ours, theirs *Entry, fields []string) (*Entry, error) {
	from := fieldsOf(theirs)
	var changes []Change
	for _, f := range fields {
		if f == "id" || f == "revision" || from[f] == nil {
			return nil, say.Refuse(say.Invalid, "There is no field %q to take over.", f)
		}
		changes = append(changes, Change{Field: f, New: from[f]})
	}
	return Patch(ours, changes)
}
