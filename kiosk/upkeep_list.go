package kiosk

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/gin-gonic/gin"

	"lastlook/internal/ladder"
	"lastlook/internal/say"
	"lastlook/reference"
)

// The supervisor's list of entries, and the page of one.
var (
	upkeepListPage  = declarePage("upkeep")
	upkeepEntryPage = declarePage("upkeep_entry")
	diffPage        = declarePage("upkeep_diff")
	localPage       = declarePage("upkeep_local")
	retirePage      = declarePage("upkeep_retire")
)

// The choices of what the list shows.
var upkeepShows = []struct {
	id    string
	label say.Text
}{
	{"", say.T("All")},
	{"review", say.T("To review")},
	{"behind", say.T("Shipped text changed")},
	{"drafts", say.T("Drafts")},
	{"own", say.T("Published here")},
	{"local", say.T("Own words")},
	{"retired", say.T("Retired")},
}

// reviewAhead is how long before its date an entry counts as to be reviewed.
const reviewAhead = 60 * 24 * time.Hour

type upkeepListView struct {
	Base
	Question Question
	Query    Field
	Show     string
	Shows    []showLink
	Table    Table
	Acts     []Act
	Find     Act
}

type showLink struct {
	Label say.Text
	Count int
	Href  string
	Here  bool
}

// upkeepRow is one entry of the list with all that it is sorted and chosen by.
type upkeepRow struct {
	id      string
	entry   *reference.Entry
	review  time.Time
	draft   string // names of those who have one
	own     bool
	local   bool
	retired bool
	behind  bool
}

func (r upkeepRow) shown(show string, now time.Time) bool {
	switch show {
	case "":
		return !r.retired
	case "review":
		return !r.retired && r.review.Before(now.Add(reviewAhead))
	case "behind":
		return r.behind
	case "drafts":
		return r.draft != ""
	case "own":
		return r.own
	case "local":
		return r.local
	case "retired":
		return r.retired
	}
	return false
}

func (k *kiosk) upkeepList(c *gin.Context) error {
	s := k.upkeepNow()
	drafts, err := k.store.Drafts(c.Request.Context())
	if err != nil {
		return err
	}
	writing := map[string][]string{}
	for _, d := range drafts {
		if id, ok := strings.CutPrefix(d.About, draftAbout("")); ok {
			writing[id] = append(writing[id], d.Name)
		}
	}
	ids := s.IDs(s.shipped)
	for id := range writing {
		if !slices.Contains(ids, id) {
			ids = append(ids, id) // a new entry that is not published yet
		}
	}
	now := k.Now()
	var rows []upkeepRow
	for _, id := range ids {
		r := upkeepRow{id: id, entry: s.text(id), draft: strings.Join(writing[id], ", "), behind: s.Behind(s.shipped, id)}
		if r.entry == nil {
			r.entry = &reference.Entry{ID: id, Name: id}
		}
		r.review, _ = time.ParseInLocation(time.DateOnly, r.entry.ReviewBy, now.Location()) // checked when it was published; a new draft has none
		if x := s.Entry(id); x != nil {
			r.own, r.local, r.retired = x.OwnText() != nil, !x.Local.IsZero(), x.Retired != nil
		}
		rows = append(rows, r)
	}
	show, query := c.Query("show"), strings.TrimSpace(c.Query("q"))
	v := &upkeepListView{
		Base:     k.page(c, say.T("Upkeep of the reference")),
		Question: Question{Text: say.T("Upkeep of the reference"), Help: say.T("What is published here is found at the bench at once. Nothing is ever deleted.")},
		Query:    Field{Name: "q", Label: say.T("Name or id"), Value: query}, Show: show,
		Find: Act{Label: say.T("Show"), Symbol: "look"},
		Acts: []Act{
			{Label: say.T("A new entry"), Href: "/upkeep/new"},
			{Label: say.T("Packs"), Hint: say.T("bring in, give out"), Href: "/upkeep/packs"},
			{Label: say.T("Destination lists"), Hint: say.T("switch on and off"), Href: "/upkeep/lists"},
		},
		Table: Table{Columns: []Column{{Label: say.T("Entry")}, {Label: say.T("Asks for")}, {Label: say.T("Revision"), Number: true}, {Label: say.T("Review by")}, {Label: say.T("State")}},
			Empty: say.T("Nothing here.")},
	}
	for _, sh := range upkeepShows {
		n := 0
		for _, r := range rows {
			if r.shown(sh.id, now) {
				n++
			}
		}
		q := url.Values{}
		if sh.id != "" {
			q.Set("show", sh.id)
		}
		if query != "" {
			q.Set("q", query)
		}
		v.Shows = append(v.Shows, showLink{Label: sh.label, Count: n, Href: strings.TrimSuffix("/upkeep?"+q.Encode(), "?"), Here: sh.id == show})
	}
	rows = slices.DeleteFunc(rows, func(r upkeepRow) bool { return !r.shown(show, now) || !r.matches(query) })
	if show == "review" { // overdue first
		slices.SortStableFunc(rows, func(a, b upkeepRow) int { return a.review.Compare(b.review) })
	} else {
		slices.SortStableFunc(rows, func(a, b upkeepRow) int {
			return strings.Compare(strings.ToLower(a.entry.Name), strings.ToLower(b.entry.Name))
		})
	}
	v.Table.Caption = say.T("%d entries", len(rows))
	if len(rows) == 1 {
		v.Table.Caption = say.T("1 entry")
	}
	for _, r := range rows {
		v.Table.Rows = append(v.Table.Rows, r.row(s, now))
	}
	return k.render(c, http.StatusOK, upkeepListPage, v)
}

func (r upkeepRow) matches(query string) bool {
	query = strings.ToLower(query)
	for _, s := range append([]string{r.id, r.entry.Name, r.entry.Scientific, r.entry.EPPO}, r.entry.OtherNames...) {
		if strings.Contains(strings.ToLower(s), query) {
			return true
		}
	}
	return false
}

func (r upkeepRow) row(s *upkept, now time.Time) Row {
	href := upkeepPath(r.id)
	if s.text(r.id) == nil {
		href += "/edit"
	}
	var state []say.Text
	add := func(is bool, t say.Text) {
		if is {
			state = append(state, t)
		}
	}
	add(r.retired, say.T("retired"))
	add(r.behind, say.T("shipped text changed"))
	add(r.draft != "", say.T("draft (%s)", r.draft))
	add(r.own, say.T("published here"))
	add(r.local, say.T("own words"))
	asks := r.entry.Action.Word()
	if s.text(r.id) == nil {
		asks = say.T("not published yet")
	} else if x := s.Entry(r.id); x != nil && x.Local.Action.Valid() {
		asks = say.T("%s here (else %s)", x.Local.Action.Word(), r.entry.Action.Word())
	}
	review := say.T("%s", r.entry.ReviewBy)
	if !r.review.IsZero() && r.review.Before(now) {
		review = say.T("%s, overdue", r.entry.ReviewBy)
	}
	revision := Cell{Number: true, Text: say.T("–")}
	if r.entry.Revision > 0 {
		revision.Data = itoa(r.entry.Revision)
	}
	return Row{[]Cell{{Data: r.entry.Name, Href: href}, {Text: asks}, revision, {Text: review}, {Text: say.T("%s", state)}}}
}

type upkeepEntryView struct {
	Base
	Question Question
	Notices  []Notice
	Facts    []Fact
	Acts     []Act
	Local    []Fact
	LocalAct Act
	Photos   []entryPhoto
	PhotoTo  string
	PhotoIn  []Field
	PhotoAdd Act
	PhotoBad Notice
	History  []historyRow
	Revs     Table
	Compare  *compareForm
	Back     Act
}

type entryPhoto struct {
	reference.Photo
	Remove  string
	Why     Field
	Act     Act
	Refused bool
}

type historyRow struct {
	At   say.Text
	By   string
	Said say.Text
	Why  string
}

type compareForm struct {
	Action   string
	From, To Field
	Go       Act
}

func (k *kiosk) upkeepEntry(c *gin.Context) error { return k.showUpkeepEntry(c, nil, url.Values{}) }

// showUpkeepEntry shows the page of an entry, with what was typed for a picture and
// why it was refused.
func (k *kiosk) showUpkeepEntry(c *gin.Context, refused *say.Refusal, typed url.Values) error {
	s, e, x, err := k.entryOf(c)
	if err != nil {
		return err
	}
	path := upkeepPath(e.ID)
	d, err := k.draftOf(c, s, e.ID)
	if err != nil {
		return err
	}
	v := &upkeepEntryView{
		Base:     k.page(c, say.T("Upkeep: %s", e.Name)),
		Question: Question{Text: say.T("%s", e.Name), Help: say.T("%s", e.Scientific)},
		Facts: []Fact{
			{Label: say.T("In force"), Text: inForce(e, x)},
			{Label: reference.FieldLabel("action"), Text: e.Action.Word()},
			{Label: reference.FieldLabel("review_by"), Data: e.ReviewBy},
			{Label: reference.FieldLabel("id"), Data: e.ID},
		},
		Back: Act{Label: say.T("Back to the list"), Symbol: "back", Href: "/upkeep", Weight: weightQuiet},
	}
	edit := Act{Label: say.T("Edit"), Href: path + "/edit", Weight: weightBig}
	if d.found {
		edit.Label, edit.Hint = say.T("Go on with the draft"), say.T("kept %s", v.Clock(d.saved))
	}
	v.Acts = []Act{edit}
	if x.Retired == nil {
		v.Acts = append(v.Acts, Act{Label: say.T("See it at the bench"), Href: "/e/" + e.ID})
	} else {
		v.Acts = append(v.Acts, Act{Label: say.T("Read it"), Href: revisionPath(e.ID, e.Revision, e.Hash())})
		v.Notices = append(v.Notices, Notice{Tone: toneNote, Text: say.T("Retired: the bench does not offer it."), Detail: say.T("%s, %s: %s", x.Retired.By, v.Clock(x.Retired.At), x.Retired.Why)})
	}
	v.Acts = append(v.Acts, Act{Label: say.T("Own words of this site"), Href: path + "/local"}, Act{Label: say.T("Give it out as a pack"), Href: "/upkeep/pack.json?entry=" + e.ID})
	if x.Retired == nil {
		v.Acts = append(v.Acts, Act{Label: say.T("Retire"), Href: path + "/retire"})
	} else {
		v.Acts = append(v.Acts, Act{Label: say.T("Bring it back"), Href: path + "/retire"})
	}
	if s.Behind(s.shipped, e.ID) {
		v.Notices = append(v.Notices, Notice{Tone: toneWrong, Text: say.T("The shipped text was changed after ours was made from it."), Detail: say.T("Ours is in force until somebody decides.")})
		v.Acts[0].Weight = weightPlain
		v.Acts = append([]Act{{Label: say.T("Compare and decide"), Href: path + "/merge", Weight: weightBig}}, v.Acts...)
	}
	v.Local = localFacts(x.Local)
	v.LocalAct = Act{Label: say.T("Change the own words"), Href: path + "/local"}
	k.photoForm(v, x, refused, typed)
	for _, r := range slices.Backward(x.Log) {
		v.History = append(v.History, historyRow{At: v.Clock(r.At), By: r.By, Said: r.Event.Said(), Why: r.Why()})
	}
	revs := s.Revisions(e.ID)
	v.Revs = Table{Caption: say.T("Revisions"), Columns: []Column{{Label: say.T("Revision"), Number: true}, {Label: say.T("From")}, {Label: say.T("When")}, {Label: say.T("Why")}}}
	var opts []Option
	for _, r := range revs {
		from, why := say.T("%s", r.By), say.T("%s", r.Why)
		if r.Shipped {
			from, why = say.T("shipped with the program"), say.T("–")
		}
		v.Revs.Rows = append(v.Revs.Rows, Row{[]Cell{{Data: itoa(r.Number), Number: true, Href: revisionPath(e.ID, r.Number, r.Hash)}, {Text: from}, {Text: v.Clock(r.At)}, {Text: why}}})
		opts = append(opts, Option{Value: r.Hash, Label: say.T("%d, %s, %s", r.Number, from, v.Clock(r.At))})
	}
	if len(opts) > 1 {
		to, from := slices.Clone(opts), slices.Clone(opts)
		to[0].Selected, from[1].Selected = true, true
		v.Compare = &compareForm{Action: path + "/diff", From: Field{Name: "from", Label: say.T("From"), Type: "select", Options: from},
			To: Field{Name: "to", Label: say.T("To"), Type: "select", Options: to}, Go: Act{Label: say.T("Show what differs")}}
	}
	return k.render(c, statusOf(refused), upkeepEntryPage, v)
}

func inForce(e *reference.Entry, x *reference.Keeping) say.Text {
	if x.OwnText() == nil {
		return say.T("revision %d, as shipped", e.Revision)
	}
	r := x.Own[len(x.Own)-1]
	return say.T("revision %d, published by %s", e.Revision, r.By)
}

func localFacts(l reference.Local) []Fact {
	var out []Fact
	if len(l.Names) > 0 {
		out = append(out, Fact{Label: say.T("Also called here"), Data: strings.Join(l.Names, ", ")})
	}
	if len(l.Hosts) > 0 {
		out = append(out, Fact{Label: say.T("Also found here on"), Data: strings.Join(l.Hosts, ", ")})
	}
	if l.Action.Valid() {
		out = append(out, Fact{Label: say.T("Asks for here"), Text: l.Action.Word()}, Fact{Label: say.T("Why"), Data: l.ActionWhy})
	}
	if l.Note != "" {
		out = append(out, Fact{Label: say.T("Note of this site"), Data: l.Note})
	}
	return out
}

func (k *kiosk) photoForm(v *upkeepEntryView, x *reference.Keeping, refused *say.Refusal, typed url.Values) {
	path := upkeepPath(x.ID)
	v.PhotoTo = path + "/photo"
	v.PhotoAdd = Act{Label: say.T("Add the picture"), Symbol: "right"}
	v.PhotoIn = []Field{
		{Name: "caption", Label: say.T("What it shows"), Value: typed.Get("caption"), Required: true},
		{Name: "credit", Label: say.T("Who took it"), Hint: say.T("Or where it is from, with leave to show it."), Value: typed.Get("credit"), Required: true},
		{Name: "photo", Label: say.T("Picture"), Hint: say.T("JPEG, PNG or WebP. Place, time and camera are taken out of it."), Type: "photo", Required: true},
	}
	for i, ph := range x.Photos {
		p := entryPhoto{Photo: ph, Remove: path + "/photo/remove", Why: Field{Name: fmt.Sprintf("why-%d", i), Label: say.T("Why take it off?")}, Act: Act{Label: say.T("Take it off"), Name: "hash", Value: ph.Hash}}
		if refused != nil && typed.Get("hash") == ph.Hash {
			p.Refused, p.Why.Error, p.Why.Value = true, refused.Text, typed.Get("why")
		}
		v.Photos = append(v.Photos, p)
	}
	if refused == nil || typed.Has("hash") {
		return
	}
	i := slices.IndexFunc(v.PhotoIn, func(f Field) bool { return f.Name == refused.Field })
	if i < 0 {
		v.PhotoBad = k.upkeepNotice(refused)
		return
	}
	v.PhotoIn[i].Error, v.PhotoIn[i].Focus = refused.Text, true
}

// addEntryPhoto keeps a picture of an entry. What was typed beside it stays when
// something is wrong with it.
func (k *kiosk) addEntryPhoto(c *gin.Context) error {
	_, e, _, err := k.entryOf(c)
	if err != nil {
		return err
	}
	typed, file, err := readPhotoForm(c.Request)
	drain(c)
	ph := reference.Photo{Caption: typed.Get("caption"), Credit: typed.Get("credit")}
	if err == nil {
		err = reference.CheckPhoto(ph)
	}
	if err == nil {
		ph.Hash, err = k.keepPhoto(c.Request.Context(), file)
	}
	if err == nil {
		err = k.doUpkeep(c.Request.Context(), actorOf(c), benchOf(c), "", reference.AddPhoto{ID: e.ID, Photo: ph})
	}
	if refused := asRefusal(err); refused != nil {
		return k.showUpkeepEntry(c, refused, typed)
	}
	if err != nil {
		return err
	}
	tell(c, Flash{Tone: toneRight, Text: say.T("The picture is on the entry's page.")})
	return k.forward(c, upkeepPath(e.ID)+"#pictures")
}

func (k *kiosk) removeEntryPhoto(c *gin.Context) error {
	_, e, x, err := k.entryOf(c)
	if err != nil {
		return err
	}
	hash := c.PostForm("hash")
	i := slices.IndexFunc(x.Photos, func(p reference.Photo) bool { return p.Hash == hash })
	why := c.PostForm(fmt.Sprintf("why-%d", i))
	err = k.stepUpkeep(c, reference.RemovePhoto{ID: e.ID, Hash: hash, Why: why})
	if refused := asRefusal(err); refused != nil {
		return k.showUpkeepEntry(c, refused, url.Values{"hash": {hash}, "why": {why}})
	}
	if err != nil {
		return err
	}
	tell(c, Flash{Tone: toneNote, Text: say.T("The picture is off the entry's page.")})
	return k.forward(c, upkeepPath(e.ID))
}

type diffView struct {
	Base
	Question Question
	Changes  []changeRow
	Same     say.Text
	Back     Act
}

func (k *kiosk) diffPage(c *gin.Context) error {
	s, id := k.upkeepNow(), c.Param("id")
	pick := func(hash string) (*reference.Entry, reference.Revision, error) {
		for _, r := range s.Revisions(id) {
			if r.Hash == hash {
				if r.Entry != nil {
					return r.Entry, r, nil
				}
				e, err := k.textKept(c, hash)
				return e, r, err
			}
		}
		return nil, reference.Revision{}, say.Refuse(say.NotFound, "The entry has no such revision. Choose two on its page.")
	}
	a, ra, err := pick(c.Query("from"))
	if err != nil {
		return err
	}
	b, rb, err := pick(c.Query("to"))
	if err != nil {
		return err
	}
	v := &diffView{
		Base:     k.page(c, say.T("What differs in %s", b.Name)),
		Question: Question{Text: say.T("What differs in %s", b.Name), Help: say.T("From revision %d to revision %d", ra.Number, rb.Number)},
		Changes:  changeRows(reference.DiffText(a, b)),
		Back:     Act{Label: say.T("Back to the entry"), Symbol: "back", Href: upkeepPath(id), Weight: weightQuiet},
	}
	if len(v.Changes) == 0 {
		v.Same = say.T("The two say the same.")
	}
	return k.render(c, http.StatusOK, diffPage, v)
}

type localView struct {
	Base
	Question Question
	Notice   Notice
	Action   string
	Seen     int
	Fields   []Field
	Keep     Act
	Back     Act
}

func (k *kiosk) localPage(c *gin.Context) error { return k.showLocal(c, nil) }

func (k *kiosk) showLocal(c *gin.Context, refused *say.Refusal) error {
	_, e, x, err := k.entryOf(c)
	if err != nil {
		return err
	}
	l := x.Local
	v := &localView{
		Base: k.page(c, say.T("Own words for %s", e.Name)), Action: upkeepPath(e.ID) + "/local", Seen: x.Version,
		Question: Question{Text: say.T("Own words for %s", e.Name), Help: say.T("They are laid over the text and stay when the text is replaced by a newer one.")},
		Keep:     Act{Label: say.T("Put in force"), Symbol: "right", Weight: weightBig},
		Back:     Act{Label: say.T("Back to the entry"), Symbol: "back", Href: upkeepPath(e.ID), Weight: weightQuiet},
	}
	action := Field{Name: "action", Label: say.T("Asks for here"), Type: "select", Options: []Option{{Label: say.T("As in the text: %s", e.Action.Word())}}}
	chosen := ""
	if l.Action.Valid() {
		chosen = l.Action.String()
	}
	values := map[string]string{"names": strings.Join(l.Names, "\n"), "hosts": strings.Join(l.Hosts, "\n"), "note": l.Note, "action_why": l.ActionWhy}
	if refused != nil {
		chosen = c.PostForm("action")
		for f := range values {
			values[f] = c.PostForm(f)
		}
		v.Seen = formInt(c, "seen")
	}
	for _, r := range ladder.Rungs {
		action.Options = append(action.Options, Option{Value: r.String(), Label: say.T("%s: %s", r.Word(), r.Act()), Selected: chosen == r.String()})
	}
	v.Fields = []Field{
		{Name: "names", Label: say.T("Also called here"), Hint: say.T("Names that people here use. One a line."), Type: "area", Value: values["names"]},
		{Name: "hosts", Label: say.T("Also found here on"), Hint: say.T("Plain names of plants. One a line."), Type: "area", Value: values["hosts"]},
		action,
		{Name: "action_why", Label: say.T("Why it asks for something else here"), Hint: say.T("It stands on the find. Destination lists can still raise it."), Value: values["action_why"]},
		{Name: "note", Label: say.T("Note of this site"), Hint: say.T("Shown with the entry."), Type: "area", Value: values["note"]},
		{Name: "why", Label: say.T("Why is this changed?"), Hint: say.T("One sentence. It stands in the history."), Value: c.PostForm("why"), Required: true},
	}
	if refused != nil {
		field, _, _ := strings.Cut(refused.Field, "[")
		i := slices.IndexFunc(v.Fields, func(f Field) bool { return f.Name == field })
		if i < 0 {
			v.Notice = k.upkeepNotice(refused)
		} else {
			v.Fields[i].Error, v.Fields[i].Focus = refused.Text, true
		}
		if refused.Code == say.Conflict {
			v.Seen = x.Version // what others wrote has been told: the next time counts
		}
	}
	return k.render(c, statusOf(refused), localPage, v)
}

func (k *kiosk) keepLocal(c *gin.Context) error {
	_, e, _, err := k.entryOf(c)
	if err != nil {
		return err
	}
	l := reference.Local{Names: strings.Split(c.PostForm("names"), "\n"), Hosts: strings.Split(c.PostForm("hosts"), "\n"),
		Note: strings.ReplaceAll(c.PostForm("note"), "\r\n", "\n"), ActionWhy: c.PostForm("action_why")}
	if a := c.PostForm("action"); a != "" {
		if l.Action, err = ladder.Parse(a); err != nil {
			return k.showLocal(c, asRefusal(err).For("action"))
		}
	}
	err = k.stepUpkeep(c, reference.Localise{ID: e.ID, Seen: formInt(c, "seen"), Local: l, Why: c.PostForm("why")})
	if refused := asRefusal(err); refused != nil {
		if err := k.catchUp(c.Request.Context()); err != nil {
			return err
		}
		return k.showLocal(c, refused)
	}
	if err != nil {
		return err
	}
	done := Flash{Tone: toneRight, Text: say.T("In force. The next look-up finds it.")}
	if l.Lowers(e) {
		done.Detail = say.T("The entry now asks for less here than its text does.")
	}
	tell(c, done)
	return k.forward(c, upkeepPath(e.ID))
}

type retireView struct {
	Base
	Question Question
	Notice   Notice
	Warnings []Notice
	Action   string
	Seen     int
	Why      Field
	Do       Act
	Back     Act
}

func (k *kiosk) retirePage(c *gin.Context) error { return k.showRetire(c, nil) }

func (k *kiosk) showRetire(c *gin.Context, refused *say.Refusal) error {
	s, e, x, err := k.entryOf(c)
	if err != nil {
		return err
	}
	v := &retireView{
		Base: k.page(c, say.T("Retire %s", e.Name)), Action: upkeepPath(e.ID) + "/retire", Seen: x.Version, Notice: k.upkeepNotice(refused),
		Question: Question{Text: say.T("Retire %s?", e.Name), Help: say.T("The bench no longer offers it. It stays readable, and old finds keep it. It can be brought back.")},
		Why:      Field{Name: "why", Label: say.T("Why?"), Hint: say.T("One sentence. It stands in the history."), Value: c.PostForm("why"), Required: true},
		Do:       Act{Label: say.T("Retire"), Weight: weightBig, Name: "do", Value: "retire"},
		Back:     Act{Label: say.T("Back to the entry"), Symbol: "back", Href: upkeepPath(e.ID), Weight: weightQuiet},
	}
	if x.Retired != nil {
		v.Title = say.T("Bring back %s", e.Name)
		v.Question = Question{Text: say.T("Bring back %s?", e.Name), Help: say.T("The bench offers it again.")}
		v.Do = Act{Label: say.T("Bring it back"), Weight: weightBig, Name: "do", Value: "restore"}
	} else {
		v.Warnings = retireWarnings(s, e)
	}
	if refused != nil && refused.Field == "why" {
		v.Why.Error, v.Notice = refused.Text, Notice{}
	}
	return k.render(c, statusOf(refused), retirePage, v)
}

// retireWarnings says what else changes when an entry is retired: it no longer
// raises what is taken for it, and lists no longer find it.
func retireWarnings(s *upkept, e *reference.Entry) []Notice {
	book := s.Book(s.shipped)
	var names, lists []say.Text
	for _, l := range book.Alike(e) {
		names = append(names, say.T("%s", l.Other.Name))
	}
	for _, l := range book.Lists() {
		for _, r := range l.Raise {
			if r.Entry == e.ID || r.EPPO != "" && r.EPPO == e.EPPO {
				lists = append(lists, say.T("%s", l.Name))
				break
			}
		}
	}
	var out []Notice
	if len(lists) > 0 {
		out = append(out, Notice{Tone: toneWrong, Text: say.T("Lists name it: %s.", lists), Detail: say.T("A find of it would have to be put down as not identified.")})
	}
	if e.Dangerous() && len(names) > 0 {
		out = append(out, Notice{Tone: toneWrong, Text: say.T("It is taken for: %s.", names), Detail: say.T("They would no longer be raised because it looks like them.")})
	}
	return out
}

func (k *kiosk) retireEntry(c *gin.Context) error {
	_, e, _, err := k.entryOf(c)
	if err != nil {
		return err
	}
	seen, why := formInt(c, "seen"), c.PostForm("why")
	done := Flash{Tone: toneRight, Text: say.T("%s is retired.", e.Name)}
	var cmd reference.UpkeepCommand = reference.Retire{ID: e.ID, Seen: seen, Why: why}
	if c.PostForm("do") == "restore" {
		cmd, done = reference.Restore{ID: e.ID, Seen: seen, Why: why}, Flash{Tone: toneRight, Text: say.T("%s is back.", e.Name)}
	}
	err = k.stepUpkeep(c, cmd)
	if refused := asRefusal(err); refused != nil {
		if err := k.catchUp(c.Request.Context()); err != nil {
			return err
		}
		return k.showRetire(c, refused)
	}
	if err != nil {
		return err
	}
	tell(c, done)
	return k.forward(c, upkeepPath(e.ID))
}
