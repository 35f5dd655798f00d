package kiosk

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"io/fs"
	"mime/multipart"
	"net/http"
	"regexp"
	"slices"
	"strings"

	"github.com/gin-gonic/gin"

	"lastlook/assets"
	"lastlook/internal/photo"
	"lastlook/internal/say"
	"lastlook/internal/store"
	"lastlook/reference"
)

// The pages on which packs come in and lists are switched.
var (
	packsPage       = declarePage("upkeep_packs")
	packPreviewPage = declarePage("upkeep_pack")
	listsPage       = declarePage("upkeep_lists")
)

const (
	// maxPackBody is the largest request with a pack: the pack and the form around it.
	maxPackBody = reference.MaxPack + 1<<20
	// problemsShown is how many problems of a pack the page lists.
	problemsShown = 100
	// packDraft is under what the pack is kept between its preview and its taking.
	packDraft = "pack"
)

// packSchema answers GET /reference/schema.json with the JSON Schema of packs.
func (k *kiosk) packSchema(c *gin.Context) error {
	b, err := fs.ReadFile(assets.FS, "reference/schema.json")
	if err != nil {
		return err
	}
	c.Data(http.StatusOK, "application/schema+json; charset=utf-8", b)
	return nil
}

type packsView struct {
	Base
	Question Question
	Error    say.Text
	Problems Table
	More     say.Text
	Send     Act
	Export   []Act
	Waiting  Act
	Schema   Act
	Back     Act
}

func (k *kiosk) packsPage(c *gin.Context) error {
	return k.showPacks(c, http.StatusOK, say.Text{}, nil)
}

func (k *kiosk) showPacks(c *gin.Context, status int, wrong say.Text, ps reference.Problems) error {
	v := &packsView{
		Base:     k.page(c, say.T("Packs")),
		Question: Question{Text: say.T("Packs"), Help: say.T("A pack carries entries, lists and pictures from site to site. Nothing changes before you have seen what would.")},
		Error:    wrong,
		Send:     Act{Label: say.T("Look into this pack"), Hint: say.T("at most %d MiB, JSON or gzipped JSON", reference.MaxPack>>20), Symbol: "book", Weight: weightBig},
		Export: []Act{
			{Label: say.T("Give out all of it"), Hint: say.T("entries and lists in force"), Href: "/upkeep/pack.json"},
			{Label: say.T("With the pictures"), Hint: say.T("larger"), Href: "/upkeep/pack.json?photos=1"},
			{Label: say.T("Only what was published here"), Href: "/upkeep/pack.json?own=1"},
		},
		Schema: Act{Label: say.T("What a pack looks like (JSON Schema)"), Href: "/reference/schema.json", Weight: weightQuiet},
		Back:   Act{Label: say.T("Back to the list"), Symbol: "back", Href: "/upkeep", Weight: weightQuiet},
	}
	p, _ := personOf(c)
	if d, found, err := k.store.Draft(c.Request.Context(), packDraft, p.ID); err != nil {
		return err
	} else if found && len(ps) == 0 {
		v.Waiting = Act{Label: say.T("The pack looked into %s", v.Clock(d.SavedAt)), Hint: say.T("not taken yet"), Href: "/upkeep/packs/preview"}
	}
	v.Problems = Table{Caption: say.T("What is wrong with the pack"), Columns: []Column{{Label: say.T("Line"), Number: true}, {Label: say.T("Where")}, {Label: say.T("What is wrong")}}}
	for i, x := range ps {
		if i == problemsShown {
			v.More = say.T("%d more. Put these right first.", len(ps)-problemsShown)
			break
		}
		line, where := Cell{Data: itoa(x.Line), Number: true}, Cell{Data: x.Field}
		if x.Line == 0 {
			line = Cell{Text: say.T("–"), Number: true}
		}
		if x.Field == "" {
			where = Cell{Text: say.T("the whole pack")}
		}
		v.Problems.Rows = append(v.Problems.Rows, Row{[]Cell{line, where, {Text: x.Text}}})
	}
	return k.render(c, status, packsPage, v)
}

// refusePack shows a pack that is refused whole.
func (k *kiosk) refusePack(c *gin.Context, ps reference.Problems) error {
	return k.showPacks(c, http.StatusUnprocessableEntity, say.T("Nothing of the pack was taken: it is refused whole."), ps)
}

// uploadPack reads a pack, keeps it for the person and shows what would change.
func (k *kiosk) uploadPack(c *gin.Context) error {
	src, err := packFile(c)
	drain(c)
	if refused := asRefusal(err); refused != nil {
		return k.showPacks(c, statuses[refused.Code], refused.Text, nil)
	}
	if err != nil {
		return err
	}
	pack, err := reference.ReadPack(src)
	var ps reference.Problems
	if errors.As(err, &ps) {
		return k.refusePack(c, ps)
	}
	if err != nil {
		return err
	}
	if ps := k.cleanPhotos(c.Request.Context(), pack); len(ps) > 0 {
		return k.refusePack(c, ps)
	}
	s := k.upkeepNow()
	if _, ps := s.Plan(s.shipped, pack, k.hasPhoto(c)); len(ps) > 0 {
		return k.refusePack(c, ps)
	}
	hash := pack.Hash // of the file that came, also after its pictures were cleaned
	for i := range pack.Photos {
		pack.Photos[i].Data = nil // they are in the store now
	}
	var b bytes.Buffer
	if err := reference.WritePack(&b, pack); err != nil {
		return err
	}
	waiting, err := json.Marshal(waitingPack{Hash: hash, Pack: b.Bytes()})
	if err != nil {
		return err
	}
	p, _ := personOf(c)
	if err := k.store.PutDraft(c.Request.Context(), store.Draft{About: packDraft, Person: p.ID, Name: p.Name, Seen: s.Seq, Data: waiting}); err != nil {
		return err
	}
	return k.forward(c, "/upkeep/packs/preview")
}

// waitingPack is a pack between its preview and its taking.
type waitingPack struct {
	Hash string `json:"hash"` // of the file as it came
	Pack []byte `json:"pack"`
}

// packFile reads the file of the form, and no more of it than a pack may have.
func packFile(c *gin.Context) ([]byte, error) {
	none := say.Refuse(say.Invalid, "No file was chosen. Choose the pack, then send it.").For("file")
	mr, err := c.Request.MultipartReader()
	if err != nil {
		return nil, none.Because(err)
	}
	for {
		part, err := mr.NextPart()
		if errors.Is(err, io.EOF) {
			return nil, none
		}
		if err != nil {
			return nil, packTrouble(err)
		}
		if part.FormName() != "file" {
			continue
		}
		return readPackPart(part, none)
	}
}

func readPackPart(part *multipart.Part, none *say.Refusal) ([]byte, error) {
	if part.FileName() == "" {
		return nil, none
	}
	src, err := io.ReadAll(io.LimitReader(part, reference.MaxPack+1))
	if err != nil {
		return nil, packTrouble(err)
	}
	if len(src) > reference.MaxPack {
		return nil, packTrouble(&http.MaxBytesError{Limit: reference.MaxPack})
	}
	return src, nil
}

func packTrouble(err error) error {
	var tooBig *http.MaxBytesError
	if errors.As(err, &tooBig) {
		return say.Refuse(say.Invalid, "The pack is larger than %d MiB. Nothing was taken; split it into smaller ones.", reference.MaxPack>>20).For("file").Because(err)
	}
	return say.Refuse(say.Invalid, "The pack did not arrive whole. Nothing was taken; send it again.").For("file").Because(err)
}

// cleanPhotos keeps the pictures of a pack as the bench keeps all pictures: read,
// and written anew. They have another hash then.
func (k *kiosk) cleanPhotos(ctx context.Context, pack *reference.Pack) reference.Problems {
	var ps reference.Problems
	for i := range pack.Photos {
		x := &pack.Photos[i]
		if x.Data == nil {
			continue
		}
		hash, err := k.keepPhoto(ctx, x.Data)
		if err != nil {
			text := say.T("The picture could not be kept: try again.")
			if r := asRefusal(err); r != nil {
				text = r.Text
			}
			ps = append(ps, reference.Problem{Field: "photos[" + itoa(i) + "].data", Text: text})
			continue
		}
		x.Hash = hash
	}
	seen := map[string]bool{} // two files can be the same picture
	pack.Photos = slices.DeleteFunc(pack.Photos, func(x reference.PackPhoto) bool {
		twice := seen[x.Entry+x.Hash]
		seen[x.Entry+x.Hash] = true
		return twice
	})
	return ps
}

// hasPhoto reports whether a picture is kept here.
func (k *kiosk) hasPhoto(c *gin.Context) func(string) bool {
	return func(hash string) bool {
		kind, _, err := k.store.Blob(c.Request.Context(), hash)
		return err == nil && kind == "image/jpeg"
	}
}

type packPreviewView struct {
	Base
	Question  Question
	Notice    Notice
	Counts    []Fact
	Conflicts []packRow
	Changed   []packRow
	Table     Table
	Seen      int64
	Why       Field
	Take      Act
	Discard   Act
	Back      Act
}

// packRow is one part of a pack with what it changes.
type packRow struct {
	Key     string
	Name    string
	ID      string
	Why     say.Text
	Changes []changeRow
	Take    bool
}

func (k *kiosk) packPreview(c *gin.Context) error { return k.showPack(c, nil) }

// packOf reads the pack that waits for the person.
func (k *kiosk) packOf(c *gin.Context) (*reference.Pack, error) {
	p, _ := personOf(c)
	d, found, err := k.store.Draft(c.Request.Context(), packDraft, p.ID)
	if err != nil || !found {
		return nil, err
	}
	var w waitingPack
	if err := json.Unmarshal(d.Data, &w); err != nil {
		return nil, err
	}
	pack, err := reference.ReadPack(w.Pack)
	if err != nil {
		return nil, err
	}
	pack.Hash = w.Hash
	return pack, nil
}

func (k *kiosk) showPack(c *gin.Context, refused *say.Refusal) error {
	pack, err := k.packOf(c)
	if err != nil {
		return err
	}
	if pack == nil {
		return k.forward(c, "/upkeep/packs")
	}
	s := k.upkeepNow()
	items, ps := s.Plan(s.shipped, pack, k.hasPhoto(c))
	if len(ps) > 0 {
		return k.refusePack(c, ps) // what it names was here when it came
	}
	name := pack.Name
	if name == "" {
		name = pack.Hash[:12]
	}
	v := &packPreviewView{
		Base:     k.page(c, say.T("The pack %s", name)),
		Question: Question{Text: say.T("Take the pack %s?", name), Help: say.T("This is what would change. What is in conflict stays as it is here unless you tick it.")},
		Notice:   k.upkeepNotice(refused), Seen: s.Seq,
		Why:     Field{Name: "why", Label: say.T("Why is it taken?"), Hint: say.T("One sentence. It stands in the history of each entry."), Value: c.PostForm("why"), Required: true},
		Take:    Act{Label: say.T("Take the pack"), Symbol: "right", Weight: weightBig, Name: "do", Value: "take"},
		Discard: Act{Label: say.T("Leave the pack"), Name: "do", Value: "leave", Weight: weightQuiet},
		Back:    Act{Label: say.T("Back to the packs"), Symbol: "back", Href: "/upkeep/packs", Weight: weightQuiet},
		Table:   Table{Caption: say.T("All that is in it"), Columns: []Column{{Label: say.T("What")}, {Label: say.T("Name")}, {Label: say.T("State")}, {Label: say.T("About it")}}},
	}
	if refused != nil && refused.Field == "why" {
		v.Why.Error, v.Notice = refused.Text, Notice{}
	}
	counts := map[reference.PackState]int{}
	types := map[string]say.Text{"entry": say.T("entry"), "list": say.T("list"), "photo": say.T("picture")}
	over := c.PostFormArray("over")
	for _, it := range items {
		counts[it.State]++
		row := packRow{Key: it.Key(), Name: it.Name, ID: it.ID, Why: it.Why, Take: slices.Contains(over, it.Key())}
		switch it.State {
		case reference.PackConflict:
			row.Changes = changeRows(it.Changes)
			v.Conflicts = append(v.Conflicts, row)
		case reference.PackChanged:
			row.Changes = changeRows(it.Changes)
			v.Changed = append(v.Changed, row)
		}
		v.Table.Rows = append(v.Table.Rows, Row{[]Cell{{Text: types[it.Type]}, {Data: it.Name}, {Text: it.State.Words()}, {Text: it.Why}}})
	}
	if pack.Source != "" {
		v.Counts = append(v.Counts, Fact{Label: say.T("From"), Data: pack.Source})
	}
	for _, st := range []reference.PackState{reference.PackNew, reference.PackChanged, reference.PackConflict, reference.PackSame, reference.PackMissing} {
		if n := counts[st]; n > 0 || st != reference.PackMissing {
			v.Counts = append(v.Counts, Fact{Label: st.Words(), Data: itoa(n)})
		}
	}
	if counts[reference.PackNew]+counts[reference.PackChanged]+counts[reference.PackConflict] == 0 {
		v.Question = Question{Text: say.T("All of the pack %s is here already", name)}
		v.Take = Act{}
	}
	return k.render(c, statusOf(refused), packPreviewPage, v)
}

func (k *kiosk) takePack(c *gin.Context) error {
	pack, err := k.packOf(c)
	if err != nil {
		return err
	}
	p, _ := personOf(c)
	drop := func() error { return k.store.DropDraft(c.Request.Context(), packDraft, p.ID) }
	switch {
	case pack == nil:
		return k.forward(c, "/upkeep/packs")
	case c.PostForm("do") == "leave":
		if err := drop(); err != nil {
			return err
		}
		tell(c, Flash{Tone: toneNote, Text: say.T("The pack was left. Nothing was changed.")})
		return k.forward(c, "/upkeep/packs")
	}
	pack.Photos = slices.DeleteFunc(pack.Photos, func(x reference.PackPhoto) bool { return !k.hasPhoto(c)(x.Hash) })
	err = k.stepUpkeep(c, reference.TakePack{Pack: pack, Over: c.PostFormArray("over"), Seen: int64(formInt(c, "seen")), Why: c.PostForm("why")})
	if refused := asRefusal(err); refused != nil {
		if err := k.catchUp(c.Request.Context()); err != nil {
			return err
		}
		return k.showPack(c, refused)
	}
	if err != nil {
		return err
	}
	if err := drop(); err != nil {
		return err
	}
	tell(c, Flash{Tone: toneRight, Text: say.T("The pack is taken."), Detail: say.T("The next look-up finds what is new.")})
	return k.forward(c, "/upkeep?show=own")
}

var fileWord = regexp.MustCompile(`[^a-z0-9-]+`)

// exportPack answers GET /upkeep/pack.json: all that is in force, or ?entry=ID as
// often as wanted, or ?own=1. ?photos=1 puts the pictures in.
func (k *kiosk) exportPack(c *gin.Context) error {
	s := k.upkeepNow()
	ids := c.QueryArray("entry")
	if c.Query("own") != "" {
		for _, id := range s.IDs(s.shipped) {
			if x := s.Entry(id); x != nil && x.OwnText() != nil && x.Retired == nil {
				ids = append(ids, id)
			}
		}
		if len(ids) == 0 {
			return say.Refuse(say.NotFound, "Nothing has been published here yet: there is nothing to give out.")
		}
	}
	for _, id := range ids {
		if s.text(id) == nil {
			return noEntry(id)
		}
	}
	pack, name := s.Pack(s.shipped, ids), "reference"
	switch {
	case len(ids) == 1:
		name = fileWord.ReplaceAllString(ids[0], "")
		pack.Name = s.text(ids[0]).Name
	case len(ids) > 1:
		pack.Name = "Part of a reference"
	default:
		pack.Name = "Reference"
	}
	if len(pack.Entries)+len(pack.Lists) == 0 {
		return say.Refuse(say.NotFound, "There is nothing to give out: what was asked for is retired.")
	}
	if c.Query("photos") != "" {
		size := 0
		for i := range pack.Photos {
			_, b, err := k.store.Blob(c.Request.Context(), pack.Photos[i].Hash)
			if err != nil {
				return err
			}
			if size += len(b)*4/3 + photo.MaxBytes>>10; size > reference.MaxPack*3/4 {
				return say.Refuse(say.Invalid, "With all pictures the pack would be too large to be taken elsewhere: give entries out one by one, or without pictures.")
			}
			pack.Photos[i].Data = b
		}
	}
	var b bytes.Buffer
	if err := reference.WritePack(&b, pack); err != nil {
		return err
	}
	c.Header("Content-Disposition", `attachment; filename="`+name+`.json"`)
	c.Data(http.StatusOK, "application/json; charset=utf-8", b.Bytes())
	return nil
}

type listsView struct {
	Base
	Question Question
	Notice   Notice
	Lists    []listBox
	Back     Act
}

// listBox is one destination list.
type listBox struct {
	Name     string
	Facts    []Fact
	Raises   Table
	On       []string
	Action   string
	ID       string
	Fields   []Field
	SwitchOn *Act
	Offs     []Act
	Retire   Act
	Error    say.Text
	Open     bool // the form is in sight without a press
}

func (k *kiosk) listsPage(c *gin.Context) error { return k.showLists(c, nil) }

func (k *kiosk) showLists(c *gin.Context, refused *say.Refusal) error {
	s := k.upkeepNow()
	v := &listsView{
		Base:     k.page(c, say.T("Destination lists")),
		Question: Question{Text: say.T("Destination lists"), Help: say.T("A list raises entries where plants are going. An optional one counts for the destinations for which it is switched on. New lists come in packs.")},
		Back:     Act{Label: say.T("Back to the list"), Symbol: "back", Href: "/upkeep", Weight: weightQuiet},
	}
	known := k.destinations(s)
	ids := s.ListIDs(s.shipped)
	slices.SortStableFunc(ids, func(a, b string) int { // those that can be switched come first
		switch x, y := s.ListInForce(s.shipped, a).Optional, s.ListInForce(s.shipped, b).Optional; {
		case x == y:
			return 0
		case x:
			return -1
		}
		return 1
	})
	for _, id := range ids {
		l, x := s.ListInForce(s.shipped, id), s.List(id)
		b := listBox{Name: l.Name, ID: id, Action: "/upkeep/lists", Facts: []Fact{
			{Label: say.T("Taken from"), Data: l.Source}, {Label: say.T("Date"), Data: l.Date}, {Label: say.T("Standing"), Text: l.Standing.Words()}}}
		typed := func(name string) string {
			if refused != nil && c.PostForm("list") == id {
				return c.PostForm(name)
			}
			return ""
		}
		retired := x != nil && x.Retired != nil
		switch {
		case retired:
			b.Facts = append(b.Facts, Fact{Label: say.T("Retired"), Data: x.Retired.By, Text: say.T("%s: %s", v.Clock(x.Retired.At), x.Retired.Why)})
		case l.Optional:
			if x != nil {
				b.On = x.On
			}
			on := say.T("for nowhere")
			if len(b.On) > 0 {
				on = say.Text{}
			}
			b.Facts = append(b.Facts, Fact{Label: say.T("Switched on"), Data: strings.Join(b.On, ", "), Text: on})
		default:
			b.Facts = append(b.Facts, Fact{Label: say.T("For"), Data: strings.Join(l.Destinations, ", ")})
		}
		if l.Optional && !retired {
			b.Fields = append(b.Fields, Field{Name: "destination-" + id, Label: say.T("Destination"), Value: typed("destination-" + id), Hint: say.T("Known: %s", known)})
			b.SwitchOn = &Act{Label: say.T("Switch on for it"), Name: "do", Value: "on " + id}
			for _, d := range b.On {
				b.Offs = append(b.Offs, Act{Label: say.T("Switch off for %s", d), Name: "do", Value: "off " + id + " " + d})
			}
		}
		b.Fields = append(b.Fields, Field{Name: "why-" + id, Label: say.T("Why?"), Hint: say.T("Needed for each change."), Value: typed("why-" + id)})
		b.Retire = Act{Label: say.T("Retire this list"), Name: "do", Value: "retire " + id, Weight: weightQuiet}
		if retired {
			b.Retire = Act{Label: say.T("Bring it back"), Name: "do", Value: "restore " + id}
		}
		if refused != nil && c.PostForm("list") == id {
			i := slices.IndexFunc(b.Fields, func(f Field) bool { return f.Name == refused.Field+"-"+id })
			if i < 0 {
				b.Error = refused.Text
			} else {
				b.Fields[i].Error, b.Fields[i].Focus = refused.Text, true
			}
		}
		b.Open = b.SwitchOn != nil || retired || refused != nil && c.PostForm("list") == id
		b.Raises = Table{Caption: say.T("Raises %d", len(l.Raise)), Columns: []Column{{Label: say.T("Entry")}, {Label: say.T("To")}, {Label: say.T("Why")}}}
		for _, r := range l.Raise {
			what := Cell{Data: r.Entry + r.EPPO}
			if e := s.text(r.Entry); e != nil {
				what = Cell{Data: e.Name, Href: upkeepPath(e.ID)}
			}
			b.Raises.Rows = append(b.Raises.Rows, Row{[]Cell{what, {Text: r.To.Word()}, {Data: r.Why}}})
		}
		v.Lists = append(v.Lists, b)
	}
	return k.render(c, statusOf(refused), listsPage, v)
}

// destinations lists those that some list names or is switched on for.
func (k *kiosk) destinations(s *upkept) []say.Text {
	var names []string
	add := func(ds []string) {
		for _, d := range ds {
			if !slices.Contains(names, d) {
				names = append(names, d)
			}
		}
	}
	for _, id := range s.ListIDs(s.shipped) {
		add(s.ListInForce(s.shipped, id).Destinations)
		if x := s.List(id); x != nil {
			add(x.On)
		}
	}
	slices.Sort(names)
	var out []say.Text
	for _, n := range names {
		out = append(out, say.T("%s", n))
	}
	return out
}

var listAct = regexp.MustCompile(`^(on|off|retire|restore) ([a-z0-9-]+)(?: (.+))?$`)

func (k *kiosk) changeList(c *gin.Context) error {
	m := listAct.FindStringSubmatch(c.PostForm("do"))
	if m == nil {
		return say.Refuse(say.Invalid, "The lists do not know this step.")
	}
	id, why := m[2], c.PostForm("why-"+m[2])
	var cmd reference.UpkeepCommand
	switch m[1] {
	case "on":
		cmd = reference.SwitchList{ID: id, Destination: c.PostForm("destination-" + id), On: true, Why: why}
	case "off":
		cmd = reference.SwitchList{ID: id, Destination: m[3], Why: why}
	case "retire":
		cmd = reference.RetireList{ID: id, Why: why}
	default:
		cmd = reference.RestoreList{ID: id, Why: why}
	}
	err := k.stepUpkeep(c, cmd)
	if refused := asRefusal(err); refused != nil {
		if err := k.catchUp(c.Request.Context()); err != nil {
			return err
		}
		return k.showLists(c, refused)
	}
	if err != nil {
		return err
	}
	tell(c, Flash{Tone: toneRight, Text: say.T("Done. It counts from now on.")})
	return k.forward(c, "/upkeep/lists")
}
