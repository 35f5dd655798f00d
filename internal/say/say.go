// Package say carries sentences that a person will read, from the place that
// knows what is so to the place that knows which language to say it in.
//
// A [Text] is an English sentence with fmt verbs, which is also its key in the
// message catalogue, and the values to put in. Pure packages return Texts; the
// kiosk and the paper print them through a golang.org/x/text/message.Printer.
// Start with [T] for a sentence and [Refuse] for an error whose text is safe to
// show. The package translates nothing and holds no catalogue.
package say

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"
)

// Text is one sentence: Key is the English sentence with fmt verbs, Args its
// values. The zero Text is an empty sentence.
type Text struct {
	Key  string
	Args []any
}

// T makes a Text.
func T(key string, args ...any) Text { return Text{Key: key, Args: args} }

// IsZero reports whether t says nothing.
func (t Text) IsZero() bool { return t.Key == "" }

// String gives the English sentence.
func (t Text) String() string { return t.With(fmt.Sprintf) }

// With prints t with the given function, for instance the Sprintf method of a
// message.Printer wrapped to take a string. Args that are Texts themselves are
// printed first, with the same function.
func (t Text) With(sprintf func(key string, args ...any) string) string {
	if t.Key == "" {
		return ""
	}
	args := make([]any, len(t.Args))
	for i, a := range t.Args {
		switch v := a.(type) {
		case Text:
			args[i] = v.With(sprintf)
		case []Text:
			parts := make([]string, len(v))
			for j, p := range v {
				parts[j] = p.With(sprintf)
			}
			args[i] = strings.Join(parts, ", ")
		default:
			args[i] = a
		}
	}
	return sprintf(t.Key, args...)
}

// Moment is a time as an argument of a Text: whoever prints it knows the zone of
// the reader. Printed without one it says UTC.
type Moment time.Time

// String gives the moment in UTC.
func (m Moment) String() string { return time.Time(m).UTC().Format("2006-01-02 15:04 MST") }

// In gives the moment as read in a zone.
func (m Moment) In(zone *time.Location) string {
	return time.Time(m).In(zone).Format("2006-01-02 15:04")
}

type wireMoment struct {
	Moment time.Time `json:"moment"`
}

// MarshalJSON writes {"moment": …}.
func (m Moment) MarshalJSON() ([]byte, error) {
	return json.Marshal(wireMoment{Moment: time.Time(m).UTC()})
}

type wireText struct {
	Key  string            `json:"key"`
	Args []json.RawMessage `json:"args,omitempty"`
}

// MarshalJSON writes {"key": …, "args": […]}.
func (t Text) MarshalJSON() ([]byte, error) {
	w := wireText{Key: t.Key}
	for _, a := range t.Args {
		raw, err := marshalPlain(a)
		if err != nil {
			return nil, fmt.Errorf("say: argument of %q: %w", t.Key, err)
		}
		w.Args = append(w.Args, raw)
	}
	return marshalPlain(w)
}

// marshalPlain is json.Marshal without HTML escaping, so that stored bytes stay readable.
func marshalPlain(v any) ([]byte, error) {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(v); err != nil {
		return nil, err
	}
	return bytes.TrimRight(b.Bytes(), "\n"), nil
}

// UnmarshalJSON reads what MarshalJSON wrote. Whole numbers come back as int64,
// other numbers as float64, objects with a "key" as Text, so that the verbs of
// the sentence still fit.
func (t *Text) UnmarshalJSON(b []byte) error {
	var w wireText
	if err := json.Unmarshal(b, &w); err != nil {
		return err
	}
	t.Key, t.Args = w.Key, nil
	for _, raw := range w.Args {
		a, err := argument(raw)
		if err != nil {
			return fmt.Errorf("say: argument of %q: %w", w.Key, err)
		}
		t.Args = append(t.Args, a)
	}
	return nil
}

func argument(raw json.RawMessage) (any, error) {
	switch {
	case bytes.HasPrefix(raw, []byte(`{"moment":`)):
		var m wireMoment
		err := json.Unmarshal(raw, &m)
		return Moment(m.Moment), err
	case bytes.HasPrefix(raw, []byte(`{`)):
		var t Text
		err := json.Unmarshal(raw, &t)
		return t, err
	case bytes.HasPrefix(raw, []byte(`[`)):
		var ts []Text
		err := json.Unmarshal(raw, &ts)
		return ts, err
	}
	dec := json.NewDecoder(bytes.NewReader(raw))
	dec.UseNumber()
	var v any
	if err := dec.Decode(&v); err != nil {
		return nil, err
	}
	n, ok := v.(json.Number)
	if !ok {
		return v, nil
	}
	if i, err := n.Int64(); err == nil {
		return i, nil
	}
	return n.Float64()
}

// Code tells a program what kind of refusal it has met. The kiosk maps codes to
// HTTP statuses and the command line to exit statuses, each in one table.
type Code string

// The codes. Anything that is not a Refusal counts as internal and is shown
// with a neutral sentence.
const (
	Invalid   Code = "invalid"   // the input itself is wrong
	Illegal   Code = "illegal"   // the step is not allowed in this state
	NotFound  Code = "not-found" // there is no such thing
	Conflict  Code = "conflict"  // somebody else was quicker
	Forbidden Code = "forbidden" // this person may not do that
	Clock     Code = "clock"     // the clock cannot be right
	Storage   Code = "storage"   // the data folder cannot be written or read
)

// Refusal is an error whose Text is, by promise, safe and useful to show: what
// is wrong, where, and what to do next. Detail is for the log only.
type Refusal struct {
	Code   Code
	Text   Text
	Field  string // the form field or column concerned, if any
	Detail error  // cause, never shown
}

// Error gives the English sentence.
func (r *Refusal) Error() string { return r.Text.String() }

// Unwrap gives the cause.
func (r *Refusal) Unwrap() error { return r.Detail }

// Refuse makes a Refusal.
func Refuse(code Code, key string, args ...any) *Refusal {
	return &Refusal{Code: code, Text: T(key, args...)}
}

// For names the field concerned and returns r.
func (r *Refusal) For(field string) *Refusal {
	r.Field = field
	return r
}

// Because keeps the cause for the log and returns r.
func (r *Refusal) Because(err error) *Refusal {
	r.Detail = err
	return r
}

// CodeOf gives the code of the first Refusal in err's chain, or "" if there is none.
func CodeOf(err error) Code {
	var r *Refusal
	if errors.As(err, &r) {
		return r.Code
	}
	return ""
}
