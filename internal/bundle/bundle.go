package bundle

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"image/jpeg"
	"maps"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"lastlook/internal/consignment"
	"lastlook/internal/exact"
	"lastlook/internal/ledger"
	"lastlook/internal/record"
	"lastlook/internal/say"
)

// Version is the version of the format that this package writes. It reads this
// one and those before it.
const Version = 1

// PageVersion counts the ways in which the readable page was ever laid out and
// worded. A page can be compared only with one of the same version.
const PageVersion = 1

// Stream is what the stream of a consignment is called in the ledger, before its code.
const Stream = "consignment/"

// formatName is the first thing in the manifest.
const formatName = "lastlook bundle"

// Step is one event of the ledger with the proof that it is under the head.
type Step struct {
	ledger.Entry
	Proof []ledger.Hash // RFC 6962, section 2.1.1
}

// Mark is the head of the ledger at an earlier size, with the proof that the
// history under it is the beginning of the one under the bundle's head.
type Mark struct {
	Size  int64         `json:"size"`
	Root  ledger.Hash   `json:"root"`
	Proof []ledger.Hash `json:"proof"` // RFC 6962, section 2.1.2
}

// Bundle is the portable record of one consignment.
type Bundle struct {
	Code     string // of the consignment
	Program  string // that wrote it
	Invented bool   // demonstration: the page says so
	Head     []byte // signed head of the ledger
	Site     []Step // the site's own steps: its keys
	Steps    []Step // the consignment's steps
	Marks    []Mark // in order of size
	Entries  map[string][]byte
	Photos   map[string][]byte
	Page     []byte // to be read by people

	file  []byte // as read
	parts []part // as read
	said  manifest
}

// Source is what a bundle is made from: what the ledger holds at one moment.
type Source struct {
	Code  string
	Head  []byte // signed head
	Site  []Step
	Steps []Step
	Marks []Mark
	// Photo and Entry find bytes by their SHA-256 in hex. A say.Refusal leaves the
	// photo or entry out, which the file then says; any other error ends New.
	Photo func(hash string) ([]byte, error)
	Entry func(hash string) ([]byte, error)

	Program  string
	Invented bool
}

// New collects a bundle. What the bundle says about itself is not checked here: see
// [Check].
func New(src Source) (*Bundle, error) {
	b := &Bundle{
		Code: src.Code, Program: src.Program, Invented: src.Invented, Head: src.Head, Site: src.Site, Steps: src.Steps, Marks: src.Marks,
		Entries: map[string][]byte{}, Photos: map[string][]byte{},
	}
	history, err := b.history()
	if err != nil {
		return nil, err
	}
	refs := referred(history)
	for _, get := range []struct {
		hashes []string
		find   func(string) ([]byte, error)
		into   map[string][]byte
	}{{refs.photos, src.Photo, b.Photos}, {slices.Collect(maps.Keys(refs.pins)), src.Entry, b.Entries}} {
		for _, hash := range get.hashes {
			data, err := get.find(hash)
			var refusal *say.Refusal
			switch {
			case errors.As(err, &refusal):
			case err != nil:
				return nil, err
			default:
				get.into[hash] = data
			}
		}
	}
	state, err := consignment.Fold(history)
	if err != nil {
		return nil, fmt.Errorf("history of %s: %w", src.Code, err)
	}
	b.Page, err = b.page(state)
	return b, err
}

// references are what the finds, samples and results of a history refer to.
type references struct {
	photos []string                          // in the order in which they come
	pins   map[string][]consignment.EntryPin // by hash
}

func referred(history []consignment.Recorded) references {
	refs := references{pins: map[string][]consignment.EntryPin{}}
	for _, rec := range history {
		e := rec.Event
		if am, ok := e.(consignment.Amended); ok && am.With != nil {
			e = am.With.Event
		}
		var photos []string
		var pin *consignment.EntryPin
		switch e := e.(type) {
		case consignment.FindRecorded:
			photos, pin = e.Facts.Photos, e.Facts.Entry
		case consignment.SampleTaken:
			photos = e.Photos
		case consignment.SampleAnswered:
			pin = e.Entry
		case consignment.DetailLooked:
			pin = e.Entry
		}
		for _, hash := range photos {
			if !slices.Contains(refs.photos, hash) {
				refs.photos = append(refs.photos, hash)
			}
		}
		if pin != nil {
			refs.pins[pin.Hash] = append(refs.pins[pin.Hash], *pin)
		}
	}
	return refs
}

// timeForm is how times stand in the ledger.
const timeForm = "2006-01-02T15:04:05.000000000Z"

// recorded reads a step as the core takes it.
func (s Step) recorded() (consignment.Recorded, error) {
	at, err := time.Parse(timeForm, s.At)
	if err != nil || at.Format(timeForm) != s.At {
		return consignment.Recorded{}, say.Refuse(say.Invalid, "The time “%s” is not written as times are.", clip(s.At))
	}
	rec := consignment.Recorded{Version: s.Version, At: at, Bench: s.Bench}
	if err := decode("the person", []byte(s.Actor), &rec.Actor); err != nil {
		return rec, err
	}
	if err := wellFormed("the step", []byte(s.Data)); err != nil {
		return rec, err
	}
	rec.Event, err = consignment.Decode(s.Kind, []byte(s.Data))
	var refusal *say.Refusal
	if err != nil && !errors.As(err, &refusal) {
		err = say.Refuse(say.Invalid, "The step does not hold what a step of its kind (%s) holds.", clip(s.Kind)).Because(err)
	}
	return rec, err
}

// history reads all steps of the consignment.
func (b *Bundle) history() ([]consignment.Recorded, error) {
	history := make([]consignment.Recorded, len(b.Steps))
	for i, s := range b.Steps {
		rec, err := s.recorded()
		if err != nil {
			return nil, fmt.Errorf("step %d: %w", s.Version, err)
		}
		history[i] = rec
	}
	return history, nil
}

// manifest is bundle.json.
type manifest struct {
	Format      string         `json:"format"`
	Version     int            `json:"version"`
	Consignment string         `json:"consignment"`
	Program     string         `json:"program"`
	Invented    bool           `json:"invented,omitempty"`
	Page        int            `json:"page"`
	Parts       []manifestPart `json:"parts"`
}

type manifestPart struct {
	Name   string `json:"name"`
	Size   int    `json:"size"`
	SHA256 string `json:"sha256"`
}

// wireStep is a step in events.json and site.json.
type wireStep struct {
	Seq     int64         `json:"seq"`
	Stream  string        `json:"stream"`
	Version int           `json:"version"`
	Kind    string        `json:"kind"`
	At      string        `json:"at"`
	Actor   string        `json:"actor"`
	Bench   string        `json:"bench"`
	Data    string        `json:"data"`
	Proof   []ledger.Hash `json:"proof"`
}

// lines writes values as a JSON array with one value on each line.
func lines[T any](values []T) ([]byte, error) {
	var b bytes.Buffer
	b.WriteByte('[')
	for i, v := range values {
		if i > 0 {
			b.WriteByte(',')
		}
		b.WriteByte('\n')
		one, err := exact.JSON(v)
		if err != nil {
			return nil, err
		}
		b.Write(one)
	}
	b.WriteString("\n]\n")
	return b.Bytes(), nil
}

func stepLines(steps []Step) ([]byte, error) {
	wire := make([]wireStep, len(steps))
	for i, s := range steps {
		for _, text := range []string{s.Stream, s.Kind, s.At, s.Actor, s.Bench, s.Data} {
			if !utf8.ValidString(text) {
				return nil, say.Refuse(say.Storage, "Step %d of the record holds bytes that are no text: it cannot be written into a bundle.", s.Seq)
			}
		}
		wire[i] = wireStep{s.Seq, s.Stream, s.Version, s.Kind, s.At, s.Actor, s.Bench, s.Data, hashes(s.Proof)}
	}
	return lines(wire)
}

// hashes is a list that is written as [] where it is empty.
func hashes(p []ledger.Hash) []ledger.Hash {
	if p == nil {
		return []ledger.Hash{}
	}
	return p
}

const readMe = `The portable record of one inspected consignment, written by Lastlook.

page.html is the record to read. The rest is there to check it:

  bundle.json   what is in this file, with the SHA-256 of each part
  head.txt      the signed head of the site's ledger (C2SP signed note, checkpoint)
  keys.txt      the keys that signed it and that proved the draw
  site.json     the steps that named those keys, with their proofs (RFC 6962)
  events.json   every step of the consignment, with its proof (RFC 6962)
  marks.json    earlier heads, with proofs that this one goes on from them
  entries/      what the reference said about what was found, by SHA-256
  photos/       the photos, by SHA-256

To check all of it, without the nursery's computer and without a network:

  lastlook verify FILE

or open the page that "lastlook verify-page -o check.html" writes, in a browser.
Keep this file as it is: packed again, it is no longer the file that was written.
`

// keysText names the keys that the site's steps put in force.
func (b *Bundle) keysText() []byte {
	site, err := b.site()
	if err != nil {
		return nil
	}
	now, _ := site.Now()
	return []byte(now.String())
}

func (b *Bundle) site() (*ledger.Site, error) {
	site := &ledger.Site{}
	for _, s := range b.Site {
		if err := wellFormed(siteName, []byte(s.Data)); err != nil {
			return nil, err
		}
		e, err := ledger.Decode(s.Kind, []byte(s.Data))
		if err == nil {
			err = site.Apply(s.Seq, e)
		}
		if err != nil {
			return nil, fmt.Errorf("step %d of the site: %w", s.Version, err)
		}
	}
	return site, nil
}

// content gives the parts but for the manifest, in the order of the file.
func (b *Bundle) content() ([]part, error) {
	site, err := stepLines(b.Site)
	if err != nil {
		return nil, err
	}
	events, err := stepLines(b.Steps)
	if err != nil {
		return nil, err
	}
	wire := make([]Mark, len(b.Marks))
	for i, m := range b.Marks {
		wire[i] = Mark{m.Size, m.Root, hashes(m.Proof)}
	}
	marks, err := lines(wire)
	if err != nil {
		return nil, err
	}
	parts := []part{
		{readMeName, []byte(readMe)}, {headName, b.Head}, {keysName, b.keysText()},
		{siteName, site}, {eventsName, events}, {marksName, marks},
	}
	for _, h := range slices.Sorted(maps.Keys(b.Entries)) {
		parts = append(parts, part{"entries/" + h + ".json", b.Entries[h]})
	}
	for _, h := range slices.Sorted(maps.Keys(b.Photos)) {
		parts = append(parts, part{"photos/" + h + ".jpg", b.Photos[h]})
	}
	return append(parts, part{pageName, b.Page}), nil
}

// Encode writes the bundle: equal bundles give equal bytes.
func (b *Bundle) Encode() ([]byte, error) {
	page := b.said.Page
	if page == 0 {
		page = PageVersion
	}
	return b.encode(page)
}

func (b *Bundle) encode(page int) ([]byte, error) {
	parts, err := b.content()
	if err != nil {
		return nil, err
	}
	m := manifest{Format: formatName, Version: Version, Consignment: b.Code, Program: b.Program, Invented: b.Invented, Page: page}
	total := 0
	for _, p := range parts {
		if !allowedName(p.name) {
			return nil, fmt.Errorf("a bundle has no part %q", p.name)
		}
		sum := sha256.Sum256(p.data)
		m.Parts = append(m.Parts, manifestPart{p.name, len(p.data), hex.EncodeToString(sum[:])})
		total += len(p.data)
	}
	if len(parts) > maxParts || total > MaxSize/8*7 {
		return nil, say.Refuse(say.Invalid, "The bundle would have %d parts and %d MB: more than a bundle may have.", len(parts), total>>20)
	}
	var text bytes.Buffer
	raw, err := exact.JSON(m)
	if err != nil {
		return nil, err
	}
	if err := json.Indent(&text, raw, "", " "); err != nil {
		return nil, err
	}
	text.WriteByte('\n')
	return writeZip(slices.Insert(parts, 1, part{manifestName, text.Bytes()})), nil
}

// Read reads a bundle. The error is a say.Refusal that says what is wrong with the
// file; whether what it says is true only [Check] can tell.
func Read(file []byte) (*Bundle, error) {
	switch {
	case len(file) == 0:
		return nil, say.Refuse(say.Invalid, "The file is empty. Ask for it again.")
	case len(file) > MaxSize:
		return nil, say.Refuse(say.Invalid, "The file has %d MB: a bundle has at most %d. It was not written by Lastlook.", len(file)>>20, MaxSize>>20)
	case !bytes.HasPrefix(file, []byte("PK\x03\x04")):
		return nil, say.Refuse(say.Invalid, "The file is no bundle: it does not begin as a ZIP file does. Was it saved whole, and is it the right one?")
	}
	b, err := open(file)
	if err != nil {
		return nil, err
	}
	if err := b.unpack(); err != nil {
		return nil, err
	}
	return b, nil
}

// open is the first, cheap stage of reading: it takes the file apart, and reads
// what it says it holds. What the parts hold is not looked at.
func open(file []byte) (*Bundle, error) {
	parts, err := readZip(file)
	if err != nil {
		return nil, err
	}
	b := &Bundle{Entries: map[string][]byte{}, Photos: map[string][]byte{}, file: file, parts: parts}
	at := map[string][]byte{}
	for _, p := range parts {
		at[p.name] = p.data
		name, _, _ := strings.Cut(p.name[strings.IndexByte(p.name, '/')+1:], ".")
		switch {
		case strings.HasPrefix(p.name, "entries/"):
			b.Entries[name] = p.data
		case strings.HasPrefix(p.name, "photos/"):
			b.Photos[name] = p.data
		}
	}
	if _, ok := at[manifestName]; !ok {
		return nil, say.Refuse(say.Invalid, "The file is a ZIP file, but no bundle: it has no “%s”.", manifestName)
	}
	if err := b.readManifest(at[manifestName]); err != nil {
		return nil, err
	}
	for _, name := range fixedNames {
		if _, ok := at[name]; !ok {
			return nil, say.Refuse(say.Invalid, "“%s” is missing from the file: it is not whole. Ask for it again.", name)
		}
	}
	b.Head, b.Page = at[headName], at[pageName]
	return b, nil
}

// unpack is the second stage of reading: the steps and their proofs.
func (b *Bundle) unpack() error {
	at := map[string][]byte{}
	for _, p := range b.parts {
		at[p.name] = p.data
	}
	for _, x := range []struct {
		name string
		into *[]Step
	}{{siteName, &b.Site}, {eventsName, &b.Steps}} {
		var wire []wireStep
		if err := decode(x.name, at[x.name], &wire); err != nil {
			return err
		}
		if len(wire) == 0 || len(wire) > maxSteps {
			return say.Refuse(say.Invalid, "“%s” holds %d steps: there must be from 1 to %d.", x.name, len(wire), maxSteps)
		}
		for _, w := range wire {
			*x.into = append(*x.into, Step{
				Entry: ledger.Entry{Seq: w.Seq, Stream: w.Stream, Version: w.Version, Kind: w.Kind, At: w.At, Actor: w.Actor, Bench: w.Bench, Data: w.Data},
				Proof: w.Proof,
			})
		}
	}
	if err := decode(marksName, at[marksName], &b.Marks); err != nil {
		return err
	}
	return nil
}

func (b *Bundle) readManifest(raw []byte) error {
	if err := wellFormed(manifestName, raw); err != nil {
		return err
	}
	var first struct {
		Format  string `json:"format"`
		Version int    `json:"version"`
	}
	if err := json.Unmarshal(raw, &first); err != nil || first.Format != formatName {
		return say.Refuse(say.Invalid, "The file is a ZIP file, but no bundle: “%s” does not say that it is one.", manifestName)
	}
	if first.Version > Version {
		return say.Refuse(say.Invalid, "The file is a bundle of version %d, and this program reads versions up to %d: check it with a newer version of Lastlook.", first.Version, Version)
	}
	if first.Version < 1 {
		return say.Refuse(say.Invalid, "There is no bundle of version %d: the file was damaged.", first.Version)
	}
	if err := decode(manifestName, raw, &b.said); err != nil {
		return err
	}
	b.Code, b.Program, b.Invented = b.said.Consignment, b.said.Program, b.said.Invented
	if len(b.Code) > 40 || len(b.Program) > 200 || b.said.Page < 1 {
		return say.Refuse(say.Invalid, "“%s” cannot be read: it does not hold what it should. It was damaged, or not written by Lastlook.", manifestName)
	}
	return nil
}

// Digest is the SHA-256 of the file as it was read, in hex.
func (b *Bundle) Digest() string {
	sum := sha256.Sum256(b.file)
	return hex.EncodeToString(sum[:])
}

// page makes the readable page from a state.
func (b *Bundle) page(state *consignment.State) ([]byte, error) {
	r, err := record.Build(state, record.Options{Photos: b.photo, Invented: b.Invented, Program: b.Program, Mark: b.mark(state)})
	if err != nil {
		return nil, err
	}
	return writePage(r.Document(time.UTC)), nil
}

// mark gives what a print of the record carries, from the head that the bundle
// gives for the end of the newest round.
func (b *Bundle) mark(state *consignment.State) *record.Mark {
	r := state.Round()
	head, err := ledger.PeekHead(b.Head)
	if r == nil || r.Ended == nil || err != nil {
		return nil
	}
	for i, rec := range slices.Backward(state.History) {
		if end, ok := rec.Event.(consignment.RoundEnded); !ok || end.Round != r.Number {
			continue
		}
		step := b.Steps[i]
		for _, m := range b.Marks {
			if m.Size == step.Seq {
				leaf, then := step.Hash(), ledger.Head{Site: head.Site, Size: m.Size, Root: m.Root}
				return &record.Mark{Code: b.Code, Outcome: r.Ended.Outcome, Head: record.Compact(then.Fingerprint()), Leaf: hex.EncodeToString(leaf[:])}
			}
		}
		return nil
	}
	return nil
}

// photo gives a photo for the page.
func (b *Bundle) photo(hash string) ([]byte, error) {
	p, ok := b.Photos[hash]
	if !ok {
		return nil, say.Refuse(say.NotFound, "This photo is not in the file.")
	}
	if _, err := jpeg.DecodeConfig(bytes.NewReader(p)); err != nil {
		return nil, say.Refuse(say.Invalid, "This photo cannot be read.")
	}
	return p, nil
}
