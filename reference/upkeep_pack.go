package reference

import (
	"bytes"
	"cmp"
	"compress/gzip"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"unicode/utf8"

	"lastlook/internal/ladder"
	"lastlook/internal/say"
)

const (
	// PackFormat is the first thing a pack says of itself.
	PackFormat = "lastlook-reference"
	// PackSchema is the newest form of packs that this version reads, and the one
	// it writes. The JSON Schema in assets/reference/schema.json describes it.
	PackSchema = 1
	// MaxPack is the largest pack in bytes, unpacked or not.
	MaxPack = 32 << 20

	maxPackEntries = 5000
	maxPackLists   = 500
	maxPackPhotos  = 500
)

// Pack is a part of a reference on its way from site to site: JSON in UTF-8,
// plain or compressed with gzip.
//
//	{"format":"lastlook-reference", "schema":1, "name":"…", "source":"…",
//	 "entries":[…], "lists":[…], "photos":[…]}
//
// An entry has the fields of [Entry] under their JSON names, a list those of
// [List]. All but format and schema may be left out. Nothing else may be in it.
type Pack struct {
	Name    string
	Source  string // who made it, or from what
	Entries []*Entry
	Lists   []*List
	Photos  []PackPhoto
	// Hash is the SHA-256 of the file as read, in hex; "" for a pack to be written.
	Hash string
}

// PackPhoto is a picture of an entry in a pack. Without Data it only says which
// picture it is; a site that has it already can use it.
type PackPhoto struct {
	Entry string
	Photo
	Data []byte // a JPEG file, whose SHA-256 is Hash
}

var (
	packKeys      = strings.Fields(`format schema name source entries lists photos`)
	packPhotoKeys = strings.Fields(`entry hash caption credit data`)
)

// WritePack writes a pack. The same content gives the same bytes: entries, lists
// and pictures are sorted, each stands on a line of its own in the canonical form
// of RFC 8785.
func WritePack(w io.Writer, p *Pack) error {
	entries := slices.SortedFunc(slices.Values(p.Entries), func(a, b *Entry) int { return strings.Compare(a.ID, b.ID) })
	lists := slices.SortedFunc(slices.Values(p.Lists), func(a, b *List) int { return strings.Compare(a.ID, b.ID) })
	photos := slices.SortedFunc(slices.Values(p.Photos), func(a, b PackPhoto) int {
		return strings.Compare(a.Entry+" "+a.Hash, b.Entry+" "+b.Hash)
	})
	var b bytes.Buffer
	fmt.Fprintf(&b, "{\"format\":%s,\"schema\":%d", appendString(nil, PackFormat), PackSchema)
	if p.Name != "" {
		fmt.Fprintf(&b, ",\n\"name\":%s", appendString(nil, p.Name))
	}
	if p.Source != "" {
		fmt.Fprintf(&b, ",\n\"source\":%s", appendString(nil, p.Source))
	}
	writePart(&b, "entries", len(entries), func(i int) []byte { return entries[i].Canonical() })
	writePart(&b, "lists", len(lists), func(i int) []byte { return lists[i].Canonical() })
	writePart(&b, "photos", len(photos), func(i int) []byte {
		x := photos[i]
		v := map[string]any{"entry": x.Entry, "hash": x.Hash, "caption": x.Caption, "credit": x.Credit}
		if x.Data != nil {
			v["data"] = base64.StdEncoding.EncodeToString(x.Data)
		}
		return appendCanonical(nil, v)
	})
	b.WriteString("}\n")
	_, err := w.Write(b.Bytes())
	return err
}

func writePart(b *bytes.Buffer, name string, n int, item func(int) []byte) {
	if n == 0 {
		return
	}
	fmt.Fprintf(b, ",\n\"%s\":[", name)
	for i := range n {
		if i > 0 {
			b.WriteByte(',')
		}
		b.WriteByte('\n')
		b.Write(item(i))
	}
	b.WriteString("\n]")
}

// ReadPack reads a pack, plain or gzipped, and checks what can be checked of it
// alone. The error is of type [Problems] and holds up to 200 of them: a pack with a
// problem is refused whole. Whether its look-alikes and codes exist is for
// [Upkeep.Plan] to say.
func ReadPack(src []byte) (*Pack, error) {
	whole := func(key string, args ...any) (*Pack, error) {
		return nil, Problems{{Text: say.T(key, args...)}}
	}
	file := src
	switch {
	case len(src) == 0:
		return whole("The file is empty.")
	case len(src) > MaxPack:
		return whole("The pack is larger than %d MiB: split it into smaller ones.", MaxPack>>20)
	case bytes.HasPrefix(src, []byte("PK\x03\x04")):
		return whole("This is a ZIP file. Unpack it, and bring in the JSON file that is inside.")
	case bytes.HasPrefix(src, []byte{0x1f, 0x8b}):
		var err error
		if src, err = gunzip(src); errors.Is(err, errTooLarge) {
			return whole("Unpacked, the pack is larger than %d MiB: split it into smaller ones.", MaxPack>>20)
		} else if err != nil {
			return whole("The pack is damaged: it cannot be unpacked. Get it again.")
		}
	}
	src = bytes.TrimPrefix(src, []byte("\ufeff"))
	if !utf8.Valid(src) {
		return nil, Problems{{Line: 1 + bytes.Count(src[:validPrefix(src)], []byte("\n")), Text: say.T("The file is not UTF-8 text: save it again as UTF-8.")}}
	}
	top, p := parseJSON(src)
	if p != nil {
		return nil, Problems{*p}
	}
	d := &packDocument{lines: map[string]int{}, told: map[string]bool{}}
	pack := d.pack(top)
	if len(d.problems) > 0 {
		// Each entry stands on one line of a pack that was written here.
		slices.SortStableFunc(d.problems, func(a, b Problem) int { return cmp.Or(cmp.Compare(a.Line, b.Line), strings.Compare(a.Field, b.Field)) })
		return nil, d.problems
	}
	sum := sha256.Sum256(file)
	pack.Hash = hex.EncodeToString(sum[:])
	return pack, nil
}

var errTooLarge = errors.New("too large")

// gunzip unpacks no more than MaxPack bytes: a small file can unpack to far more
// than fits into memory.
func gunzip(src []byte) ([]byte, error) {
	r, err := gzip.NewReader(bytes.NewReader(src))
	if err != nil {
		return nil, err
	}
	out, err := io.ReadAll(io.LimitReader(r, MaxPack+1))
	if err == nil && len(out) > MaxPack {
		return nil, errTooLarge
	}
	return out, err
}

// pack reads the top of a pack. The schema is looked at first: a newer one is
// said to be newer, not full of faults.
func (d *packDocument) pack(top *jsonValue) *Pack {
	if top.kind != jsonObject {
		d.fail(top.line, "", "A pack is an object in { }, not %s.", top.String())
		return nil
	}
	find := func(key string) *jsonValue {
		if i := slices.Index(top.keys, key); i >= 0 {
			return top.list[i]
		}
		return nil
	}
	if f := find("format"); f == nil || f.kind != jsonText || f.text != PackFormat {
		d.fail(top.line, "format", "This is not a reference pack: it must begin with \"format\": %q.", PackFormat)
		return nil
	}
	switch n := d.number(find("schema"), "schema"); {
	case len(d.problems) > 0:
		return nil
	case n > PackSchema:
		d.fail(top.line, "schema", "The pack is of a newer form (%d) than this version reads (%d): start a newer version of Lastlook.", n, PackSchema)
		return nil
	case n < 1:
		d.fail(top.line, "schema", "The pack does not say of which form it is: it needs \"schema\": %d.", PackSchema)
		return nil
	}
	m := d.object(top, "", packKeys)
	p := &Pack{Name: d.text(m["name"], "name"), Source: d.text(m["source"], "source")}
	c := &checker{}
	for field, s := range map[string]string{"name": p.Name, "source": p.Source} {
		c.longest(field, s, maxShort)
		c.clean(field, s)
	}
	d.add("", c.problems)
	if d.few(m["entries"], "entries", maxPackEntries) && d.few(m["lists"], "lists", maxPackLists) && d.few(m["photos"], "photos", maxPackPhotos) {
		d.packEntries(m["entries"], p)
		d.packLists(m["lists"], p)
		d.packPhotos(m["photos"], p)
	}
	if len(p.Entries)+len(p.Lists)+len(p.Photos) == 0 && len(d.problems) == 0 {
		d.fail(top.line, "", "There is nothing in the pack.")
	}
	return p
}

func (d *packDocument) few(v *jsonValue, path string, most int) bool {
	if n := len(d.items(v, path)); n > most {
		d.fail(v.line, path, "There are %d here, more than %d: split the pack.", n, most)
		return false
	}
	return true
}

func (d *packDocument) packEntries(v *jsonValue, p *Pack) {
	first := map[string]string{}
	for i, x := range d.items(v, "entries") {
		at := fmt.Sprintf("entries[%d]", i)
		e := d.entry(x, at)
		if e == nil {
			continue
		}
		ps := append(e.Check(), checkBounds(e)...)
		if ps == nil && e.Revision > 1_000_000 {
			ps = append(ps, Problem{Field: "revision", Text: say.T("No entry has had %d revisions.", e.Revision)})
		}
		d.add(at, ps)
		if prior, twice := first[e.ID]; twice && e.ID != "" {
			d.fail(d.line(at+".id"), at+".id", "The id %q is already that of %s.", e.ID, prior)
			continue
		}
		first[e.ID] = at
		p.Entries = append(p.Entries, e)
	}
}

func (d *packDocument) rung(v *jsonValue, path string) ladder.Rung {
	name := d.text(v, path)
	if name == "" {
		return 0
	}
	r, err := ladder.Parse(name)
	if err != nil {
		d.fail(v.line, path, "%q is not a rung of the ladder: use note, reject, sample or stop.", clipText(name))
	}
	return r
}

func (d *packDocument) entry(v *jsonValue, at string) *Entry {
	m := d.object(v, at, entryKeys)
	if m == nil {
		return nil
	}
	f := func(key string) (*jsonValue, string) { return m[key], at + "." + key }
	e := &Entry{Signs: []Sign{}, Stages: []Stage{}, LookAlikes: []LookAlike{}}
	for key, to := range map[string]*string{
		"id": &e.ID, "name": &e.Name, "scientific": &e.Scientific, "eppo": &e.EPPO, "eppo_source": &e.EPPOSource, "looks": &e.Looks, "does": &e.Does,
		"action_why": &e.ActionWhy, "regulated_note": &e.RegulatedNote, "review_by": &e.ReviewBy,
	} {
		*to = d.text(f(key))
	}
	for key, to := range map[string]*[]string{
		"other_names": &e.OtherNames, "synonyms": &e.Synonyms, "hosts": &e.Hosts, "host_words": &e.HostWords,
		"closer_look": &e.CloserLook, "cautions": &e.Cautions, "sources": &e.Sources,
	} {
		*to = d.texts(f(key))
	}
	kind, kindAt := f("kind")
	e.Kind = packWord[Kind](d, kind, kindAt)
	parts, partsAt := f("parts")
	e.Parts = packWords[Part](d, parts, partsAt)
	exams, examsAt := f("exam")
	e.Exam = packWords[Exam](d, exams, examsAt)
	e.Action = d.rung(f("action"))
	e.Regulated = d.flag(f("regulated"))
	e.Revision = d.number(f("revision"))
	signs, signsAt := f("signs")
	for i, x := range d.items(signs, signsAt) {
		p := fmt.Sprintf("%s[%d]", signsAt, i)
		if s := d.object(x, p, signKeys); s != nil {
			e.Signs = append(e.Signs, Sign{
				Part: packWord[Part](d, s["part"], p+".part"), Seen: packWord[Seen](d, s["seen"], p+".seen"),
				Colour: packWords[Colour](d, s["colour"], p+".colour"), Size: packWord[Size](d, s["size"], p+".size"),
				Moving: packWord[Moving](d, s["moving"], p+".moving"), Often: packWord[Often](d, s["often"], p+".often"),
				Season: d.text(s["season"], p+".season"), Text: d.text(s["text"], p+".text"),
			})
		}
	}
	stages, stagesAt := f("stages")
	for i, x := range d.items(stages, stagesAt) {
		p := fmt.Sprintf("%s[%d]", stagesAt, i)
		if s := d.object(x, p, stageKeys); s != nil {
			e.Stages = append(e.Stages, Stage{Stage: d.text(s["stage"], p+".stage"), Looks: d.text(s["looks"], p+".looks")})
		}
	}
	alikes, alikesAt := f("look_alikes")
	for i, x := range d.items(alikes, alikesAt) {
		p := fmt.Sprintf("%s[%d]", alikesAt, i)
		if s := d.object(x, p, lookAlikeKeys); s != nil {
			e.LookAlikes = append(e.LookAlikes, LookAlike{ID: d.text(s["id"], p+".id"), TellApart: d.text(s["tell_apart"], p+".tell_apart"), By: packWord[By](d, s["by"], p+".by")})
		}
	}
	return e
}

func (d *packDocument) packLists(v *jsonValue, p *Pack) {
	first := map[string]string{}
	for i, x := range d.items(v, "lists") {
		at := fmt.Sprintf("lists[%d]", i)
		m := d.object(x, at, listKeys)
		if m == nil {
			continue
		}
		l := &List{
			ID: d.text(m["id"], at+".id"), Name: d.text(m["name"], at+".name"), Source: d.text(m["source"], at+".source"), Date: d.text(m["date"], at+".date"),
			Standing: packWord[Standing](d, m["standing"], at+".standing"), Optional: d.flag(m["optional"], at+".optional"),
			Destinations: d.texts(m["destinations"], at+".destinations"), Raise: []Raise{},
		}
		for j, y := range d.items(m["raise"], at+".raise") {
			q := fmt.Sprintf("%s.raise[%d]", at, j)
			if r := d.object(y, q, raiseKeys); r != nil {
				l.Raise = append(l.Raise, Raise{Entry: d.text(r["entry"], q+".entry"), EPPO: d.text(r["eppo"], q+".eppo"), To: d.rung(r["to"], q+".to"), Why: d.text(r["why"], q+".why")})
			}
		}
		d.add(at, checkList(l, func(Raise) bool { return true }))
		if prior, twice := first[l.ID]; twice && l.ID != "" {
			d.fail(d.line(at+".id"), at+".id", "The id %q is already that of %s.", l.ID, prior)
			continue
		}
		first[l.ID] = at
		p.Lists = append(p.Lists, l)
	}
}

func (d *packDocument) packPhotos(v *jsonValue, p *Pack) {
	first := map[string]string{}
	for i, x := range d.items(v, "photos") {
		at := fmt.Sprintf("photos[%d]", i)
		m := d.object(x, at, packPhotoKeys)
		if m == nil {
			continue
		}
		ph := PackPhoto{Entry: d.text(m["entry"], at+".entry"),
			Photo: Photo{Hash: d.text(m["hash"], at+".hash"), Caption: d.text(m["caption"], at+".caption"), Credit: d.text(m["credit"], at+".credit")}}
		c := &checker{}
		c.needed("entry", ph.Entry)
		d.add(at, c.problems)
		if _, err := ph.cleaned(); err != nil {
			if r, ok := err.(*say.Refusal); ok {
				field := r.Field
				if field == "photo" {
					field = "hash"
				}
				d.add(at, Problems{{Field: field, Text: r.Text}})
			}
		}
		if data := d.text(m["data"], at+".data"); data != "" {
			b, err := base64.StdEncoding.Strict().DecodeString(data)
			sum := sha256.Sum256(b)
			switch {
			case err != nil:
				d.fail(d.line(at+".data"), at+".data", "The picture is not in base64.")
			case hex.EncodeToString(sum[:]) != ph.Hash:
				d.fail(d.line(at+".data"), at+".data", "The picture is not the one that its hash names.")
			}
			ph.Data = b
		}
		key := ph.Entry + " " + ph.Hash
		if prior, twice := first[key]; twice {
			d.fail(d.line(at), at, "This is the same picture as %s.", prior)
			continue
		}
		first[key] = at
		p.Photos = append(p.Photos, ph)
	}
}
