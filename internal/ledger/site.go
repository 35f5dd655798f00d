package ledger

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"slices"

	"golang.org/x/mod/sumdb/note"

	"lastlook/internal/exact"
	"lastlook/internal/say"
	"lastlook/internal/vrf"
)

// Stream is the name of the stream that holds the site's own events.
const Stream = "site"

// Event is something that happened to the site itself.
type Event interface{ Kind() string }

type (
	// KeysSet names the first keys. Note is the declaration of the keys, signed
	// with the new head key, which shows that the site has it.
	KeysSet struct {
		Public
		Note string `json:"note"`
	}

	// KeysChanged names new keys. Note is their declaration, signed with the old
	// head key and with the new one. Lost says that the old key was not there to sign:
	// then Note has only the new key's signature, and whoever checks the ledger has
	// to ask the site whether that is so.
	KeysChanged struct {
		Public
		Reason string `json:"reason"`
		Lost   bool   `json:"lost,omitempty"`
		Note   string `json:"note"`
	}

	// WentBack records that the data file held fewer or other events than a head
	// kept beside it: a backup was restored, or somebody changed the file.
	WentBack struct {
		Noted string `json:"noted"` // the signed head beside the data file
		Size  int64  `json:"size"`  // events found
		Root  Hash   `json:"root"`  // root found
	}
)

// Kinds in storage. They never change once written.
func (KeysSet) Kind() string     { return "keys_set" }
func (KeysChanged) Kind() string { return "keys_changed" }
func (WentBack) Kind() string    { return "went_back" }

// Encode gives the stored bytes of an event.
func Encode(e Event) ([]byte, error) {
	b, err := exact.JSON(e)
	if err != nil {
		return nil, fmt.Errorf("encoding %s: %w", e.Kind(), err)
	}
	return b, nil
}

// Decode reads what Encode wrote.
func Decode(kind string, b []byte) (Event, error) {
	var e Event
	var err error
	dec := json.NewDecoder(bytes.NewReader(b))
	dec.DisallowUnknownFields()
	switch kind {
	case "keys_set":
		var v KeysSet
		err = dec.Decode(&v)
		e = v
	case "keys_changed":
		var v KeysChanged
		err = dec.Decode(&v)
		e = v
	case "went_back":
		var v WentBack
		err = dec.Decode(&v)
		e = v
	default:
		return nil, say.Refuse(say.Storage, "The history of the site holds a step of a kind this version does not know (%s). Start a newer version of Lastlook.", kind)
	}
	if err != nil {
		return nil, fmt.Errorf("decoding %s: %w", kind, err)
	}
	return e, nil
}

// declaration is what is signed when keys are set or changed: number counts
// the site's keys, so that no declaration fits twice.
func declaration(p Public, number int) string {
	return fmt.Sprintf("lastlook keys 1\n%d\n%s", number, p)
}

// SetKeys makes the first event of a site.
func SetKeys(k *Keys) (KeysSet, error) {
	n, err := note.Sign(&note.Note{Text: declaration(k.public, 1)}, k.signer)
	return KeysSet{Public: k.public, Note: string(n)}, err
}

// ChangeKeys makes the event that puts new keys in the place of the site's. Without
// the old keys (nil) it says that they were lost.
func ChangeKeys(s *Site, old, new *Keys, reason string) (KeysChanged, error) {
	e := KeysChanged{Public: new.public, Reason: reason, Lost: old == nil}
	signers := []note.Signer{new.signer}
	if old != nil {
		signers = append(signers, old.signer)
	}
	n, err := note.Sign(&note.Note{Text: declaration(new.public, len(s.Terms)+1)}, signers...)
	e.Note = string(n)
	return e, err
}

// Term is how long one set of keys was in force: from event From on.
type Term struct {
	Public
	From int64 // seq of the event that named them
	Lost bool  // the keys before them did not sign for them
}

// Site is what the ledger says about the site itself. The zero Site has no keys.
type Site struct {
	Name    string
	Version int // of the newest event
	Terms   []Term
	Backs   []WentBack
}

// ErrKeys is for key events whose signatures do not hold.
var ErrKeys = errors.New("the keys are not signed for")

// Apply adds the site's next event, the seq-th of the whole ledger.
func (s *Site) Apply(seq int64, e Event) error {
	switch e := e.(type) {
	case KeysSet:
		if len(s.Terms) > 0 {
			return fmt.Errorf("%w: the site's first keys are set a second time", ErrKeys)
		}
		if err := checkDeclaration(e.Public, 1, e.Note, e.Public); err != nil {
			return err
		}
		s.Name = e.Site
		s.Terms = append(s.Terms, Term{Public: e.Public, From: seq})
	case KeysChanged:
		now, ok := s.Now()
		if !ok {
			return fmt.Errorf("%w: keys are changed before any were set", ErrKeys)
		}
		if e.Site != s.Name {
			return fmt.Errorf("%w: the keys of %s are changed in the ledger of %s", ErrKeys, e.Site, s.Name)
		}
		by := []Public{e.Public}
		if !e.Lost {
			by = append(by, now)
		}
		if err := checkDeclaration(e.Public, len(s.Terms)+1, e.Note, by...); err != nil {
			return err
		}
		s.Terms = append(s.Terms, Term{Public: e.Public, From: seq, Lost: e.Lost})
	case WentBack:
		s.Backs = append(s.Backs, e)
	default:
		return fmt.Errorf("no rule for %s", e.Kind())
	}
	s.Version++
	return nil
}

// checkDeclaration checks that all of the given keys signed for the new ones.
func checkDeclaration(p Public, number int, signed string, by ...Public) error {
	if err := p.Draw.Validate(); err != nil {
		return fmt.Errorf("%w: %w", ErrKeys, err)
	}
	for _, k := range by {
		n, err := openNote([]byte(signed), k)
		if err != nil {
			return fmt.Errorf("%w: %w", ErrKeys, err)
		}
		if n.Text != declaration(p, number) {
			return fmt.Errorf("%w: other keys are signed for", ErrKeys)
		}
	}
	return nil
}

// Now gives the keys in force.
func (s *Site) Now() (Public, bool) {
	if len(s.Terms) == 0 {
		return Public{}, false
	}
	return s.Terms[len(s.Terms)-1].Public, true
}

// At gives the keys that were in force once event seq was on record: those that
// sign the head of that size.
func (s *Site) At(seq int64) (Public, bool) {
	for _, t := range slices.Backward(s.Terms) {
		if t.From <= seq {
			return t.Public, true
		}
	}
	return Public{}, false
}

// GivenUp tells of a signed head that was signed with keys of the site which by then
// had been replaced, and at which event they were: whoever had the old key file
// made it, or a record that went back since.
func (s *Site) GivenUp(signed []byte) (h Head, from int64, ok bool) {
	for i, t := range s.Terms[:max(len(s.Terms)-1, 0)] {
		next := s.Terms[i+1].From
		if h, err := OpenHead(signed, t.Public); err == nil && h.Size >= next {
			return h, next, true
		}
	}
	return Head{}, 0, false
}

// DrewWith reports whether the key was the site's draw key at event seq.
func (s *Site) DrewWith(key vrf.PublicKey, seq int64) bool {
	now, ok := s.At(seq)
	return ok && now.Draw == key
}

// Keys gives all keys the site ever had, newest first.
func (s *Site) Keys() []Public {
	var all []Public
	for _, t := range slices.Backward(s.Terms) {
		all = append(all, t.Public)
	}
	return all
}
