package reference

import (
	"fmt"
	"io/fs"
	"path"
	"strings"
	"time"

	"lastlook/internal/ladder"
	"lastlook/internal/say"
)

// Standing says what a destination list rests on.
type Standing string

// The standings.
const (
	Invented  Standing = "invented"  // made up, for demonstration and practice
	Published Standing = "published" // taken from a published text, named in Source
	Site      Standing = "site"      // set by the supervisor of this site
)

var standings = vocabulary[Standing]{
	{Invented, say.T("Invented")},
	{Published, say.T("Published")},
	{Site, say.T("Of this site")},
}

// Words names the standing.
func (s Standing) Words() say.Text { return standings.words(s) }

// List raises entries to a higher rung at some destinations: a pest that is
// ordinary in general may be a quarantine pest where the plants are going.
type List struct {
	ID       string   `json:"id"`
	Name     string   `json:"name"`
	Source   string   `json:"source"`
	Date     string   `json:"date"` // of the source, 2006-01-02
	Standing Standing `json:"standing"`
	// Optional lists apply only to destinations for which the supervisor has
	// switched them on; they name no destinations themselves.
	Optional     bool     `json:"optional"`
	Destinations []string `json:"destinations"`
	Raise        []Raise  `json:"raise"`
}

// Raise lifts one entry, named by id or by EPPO code.
type Raise struct {
	Entry string      `json:"entry,omitempty"`
	EPPO  string      `json:"eppo,omitempty"` // raises every entry with this code
	To    ladder.Rung `json:"to"`
	Why   string      `json:"why"` // one short sentence
}

var (
	listKeys  = strings.Fields(`id name source date standing optional destinations raise`)
	raiseKeys = strings.Fields(`entry eppo to why`)
)

// readLists reads lists/*.yaml. Having none is no problem.
func readLists(fsys fs.FS) ([]*List, map[string]*document, Problems) {
	var (
		lists []*List
		ps    Problems
	)
	docs := make(map[string]*document)
	files, _ := fs.Glob(fsys, "lists/*.yaml")
	for _, f := range files {
		src, err := fs.ReadFile(fsys, f)
		if err != nil {
			ps = append(ps, Problem{File: f, Text: say.T("The file cannot be read.")})
			continue
		}
		d := &document{file: f}
		l := d.listPack(src)
		ps = append(ps, d.problems...)
		if l != nil && l.ID != "" {
			lists = append(lists, l)
			docs[l.ID] = d
		}
	}
	return lists, docs, ps
}

// ParseList reads one destination list.
func ParseList(file string, src []byte) (*List, Problems) {
	d := &document{file: file}
	l := d.listPack(src)
	return l, d.problems.sorted()
}

func (d *document) listPack(src []byte) *List {
	top := d.open(src)
	if top == nil {
		return nil
	}
	m := d.mapping(top, "", listKeys)
	if m == nil {
		return nil
	}
	l := &List{
		ID:           d.text(m["id"], "id"),
		Name:         d.text(m["name"], "name"),
		Source:       d.text(m["source"], "source"),
		Date:         d.text(m["date"], "date"),
		Standing:     vocab[Standing](d, m["standing"], "standing"),
		Optional:     d.flag(m["optional"], "optional"),
		Destinations: d.texts(m["destinations"], "destinations"),
		Raise:        []Raise{},
	}
	for i, n := range d.list(m["raise"], "raise") {
		p := fmt.Sprintf("raise[%d]", i)
		if r := d.mapping(n, p, raiseKeys); r != nil {
			l.Raise = append(l.Raise, Raise{
				Entry: d.text(r["entry"], p+".entry"), EPPO: d.text(r["eppo"], p+".eppo"),
				To: d.rung(r["to"], p+".to"), Why: d.text(r["why"], p+".why"),
			})
		}
	}
	told := make(map[string]bool)
	for _, p := range d.problems {
		told[p.Field] = true
	}
	for _, p := range l.Check() {
		if !told[p.Field] {
			p.File, p.Line = d.file, d.line(p.Field)
			d.problems = append(d.problems, p)
		}
	}
	if base := strings.TrimSuffix(path.Base(d.file), ".yaml"); l.ID != "" && base != l.ID {
		d.fail(d.line("id"), "id", "The id is %q but the file is named %q: they must be the same.", l.ID, base)
	}
	return l
}

// Check reports everything wrong with a list by itself.
func (l *List) Check() Problems {
	c := &checker{}
	c.needed("id", l.ID)
	if l.ID != "" && !slugForm.MatchString(l.ID) {
		c.fail("id", "%q is not an id: use small letters and digits with single hyphens between.", l.ID)
	}
	c.needed("name", l.Name)
	c.needed("source", l.Source)
	if _, err := time.Parse(time.DateOnly, l.Date); err != nil {
		c.fail("date", "%q is not a date: write it as 2027-11-30.", l.Date)
	}
	word(c, "standing", standings, l.Standing, false)
	c.list("destinations", l.Destinations, 0)
	switch {
	case !l.Optional && len(l.Destinations) == 0:
		c.fail("destinations", "Name the destinations, or make the list optional.")
	case l.Optional && len(l.Destinations) > 0:
		c.fail("destinations", "An optional list applies where the supervisor switches it on: it names no destinations.")
	}
	if len(l.Raise) == 0 {
		c.fail("raise", "A list raises at least one entry.")
	}
	for i, r := range l.Raise {
		at := fmt.Sprintf("raise[%d]", i)
		if (r.Entry == "") == (r.EPPO == "") {
			c.fail(at, "Name either an entry or an EPPO code, not both and not neither.")
		}
		if r.EPPO != "" && !eppoForm.MatchString(r.EPPO) {
			c.fail(at+".eppo", "%q cannot be an EPPO code: five to seven capital letters and digits.", r.EPPO)
		}
		if r.To != ladder.Sample && r.To != ladder.Stop && r.To != ladder.Reject {
			c.fail(at+".to", "A list raises to reject, sample or stop.")
		}
		c.needed(at+".why", r.Why)
	}
	return c.problems
}
