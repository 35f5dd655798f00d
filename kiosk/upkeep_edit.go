package kiosk

import (
	"errors"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/gin-gonic/gin"

	"lastlook/internal/say"
	"lastlook/internal/store"
	"lastlook/reference"
)

// The pages on which an entry is written.
var (
	newEntryPage = declarePage("upkeep_new")
	editPage     = declarePage("upkeep_edit")
	previewPage  = declarePage("upkeep_preview")
	mergePage    = declarePage("upkeep_merge")
)

func draftAbout(id string) string { return "entry/" + id }

// draft is what the person at the bench has begun to write about an entry.
type draft struct {
	values url.Values
	seen   int // version of the entry's stream that it was begun from
	saved  time.Time
	found  bool // kept before, not made from the text in force
	base   *reference.Entry
}

// draftOf gives the person's draft, or one made from the text in force. A draft
// about an id that has no text yet is one of a new entry.
func (k *kiosk) draftOf(c *gin.Context, s *upkept, id string) (draft, error) {
	p, _ := personOf(c)
	d := draft{seen: versionOf(s, id)}
	stored, found, err := k.store.Draft(c.Request.Context(), draftAbout(id), p.ID)
	if err != nil {
		return d, err
	}
	if found {
		values, err := url.ParseQuery(string(stored.Data))
		if err != nil {
			return d, err
		}
		d.values, d.seen, d.saved, d.found = values, int(stored.Seen), stored.SavedAt, true
		d.base = textAt(s, id, d.seen)
		return d, nil
	}
	d.base = s.text(id)
	if d.base == nil {
		return d, noEntry(id)
	}
	d.values = entryValues(d.base)
	return d, nil
}

func versionOf(s *upkept, id string) int {
	if x := s.Entry(id); x != nil {
		return x.Version
	}
	return 0
}

// textAt gives the text that was in force at a version of the entry's stream; nil
// for an entry that did not exist then. For the time before the first text of this
// site it is the text that is shipped now.
func textAt(s *upkept, id string, version int) *reference.Entry {
	e := s.shipped.Entry(id)
	if x := s.Entry(id); x != nil {
		for _, r := range x.Log {
			if r.Version > version {
				break
			}
			switch ev := r.Event.(type) {
			case reference.EntryPublished:
				e = ev.Entry
			case reference.EntryFollowed:
				e = s.shipped.Entry(id)
			}
		}
	}
	return e
}

func (k *kiosk) putDraft(c *gin.Context, id string, values url.Values, seen int) error {
	p, _ := personOf(c)
	return k.store.PutDraft(c.Request.Context(), store.Draft{About: draftAbout(id), Person: p.ID, Name: p.Name, Seen: int64(seen), Data: []byte(values.Encode())})
}

func (k *kiosk) dropDraft(c *gin.Context, id string) error {
	p, _ := personOf(c)
	return k.store.DropDraft(c.Request.Context(), draftAbout(id), p.ID)
}

type newEntryView struct {
	Base
	Question Question
	ID, Name Field
	Do, Back Act
}

func (k *kiosk) newEntryPage(c *gin.Context) error { return k.showNewEntry(c, nil) }

func (k *kiosk) showNewEntry(c *gin.Context, refused *say.Refusal) error {
	v := &newEntryView{
		Base:     k.page(c, say.T("A new entry")),
		Question: Question{Text: say.T("A new entry"), Help: say.T("For something the reference does not have yet. Nobody at the bench sees it before it is published.")},
		ID: Field{Name: "id", Label: reference.FieldLabel("id"), Value: c.PostForm("id"), Required: true, Focus: true,
			Hint: say.T("Small letters and digits with single hyphens between, like grey-mould. It never changes.")},
		Name: Field{Name: "name", Label: reference.FieldLabel("name"), Value: c.PostForm("name"), Required: true},
		Do:   Act{Label: say.T("Begin a draft"), Weight: weightBig},
		Back: Act{Label: say.T("Back to the list"), Symbol: "back", Href: "/upkeep", Weight: weightQuiet},
	}
	if refused != nil {
		if refused.Field == "name" {
			v.Name.Error = refused.Text
		} else {
			v.ID.Error = refused.Text
		}
	}
	return k.render(c, statusOf(refused), newEntryPage, v)
}

var entryID = regexp.MustCompile(`^[a-z0-9]+(-[a-z0-9]+)*$`)

func (k *kiosk) newEntry(c *gin.Context) error {
	s, id, name := k.upkeepNow(), strings.TrimSpace(c.PostForm("id")), strings.TrimSpace(c.PostForm("name"))
	switch {
	case len(id) > 80 || !entryID.MatchString(id):
		return k.showNewEntry(c, say.Refuse(say.Invalid, "That is not an id: use small letters and digits with single hyphens between, at most 80 characters.").For("id"))
	case s.text(id) != nil || s.Entry(id) != nil || len(s.Revisions(id)) > 0:
		return k.showNewEntry(c, say.Refuse(say.Conflict, "There is an entry with the id %q already, or there was: give this one another.", id).For("id"))
	case name == "":
		return k.showNewEntry(c, say.Refuse(say.Invalid, "The name is missing.").For("name"))
	}
	p, _ := personOf(c)
	if _, found, err := k.store.Draft(c.Request.Context(), draftAbout(id), p.ID); err != nil {
		return err
	} else if !found {
		values := tidyForm(url.Values{"name": {name}, "regulated": {"no"}, "review_by": {k.Now().AddDate(1, 0, 0).Format(time.DateOnly)}})
		if err := k.putDraft(c, id, values, 0); err != nil {
			return err
		}
	}
	return k.forward(c, upkeepPath(id)+"/edit")
}

type editView struct {
	Base
	Question Question
	ID       string
	Notices  []Notice
	Form     entryForm
	Action   string
	Draft    string // where the draft is kept while it is written
	Seen     int
	Kept     say.Text
	Preview  Act
	Save     Act
	Discard  Act
	Back     Act
}

func (k *kiosk) editEntry(c *gin.Context) error {
	s, id := k.upkeepNow(), c.Param("id")
	d, err := k.draftOf(c, s, id)
	if err != nil {
		return err
	}
	return k.showEdit(c, s, id, d, c.Query("check") != "", http.StatusOK)
}

// checkDraft reports what keeps a draft from being published.
func checkDraft(s *upkept, e *reference.Entry) reference.Problems {
	return reference.CheckOne(e, func(id string) bool { return s.text(id) != nil })
}

func (k *kiosk) showEdit(c *gin.Context, s *upkept, id string, d draft, check bool, status int) error {
	e := entryFrom(id, d.values)
	var ps reference.Problems
	if check {
		ps = checkDraft(s, e)
	}
	title := e.Name
	if title == "" {
		title = id
	}
	v := &editView{
		Base: k.page(c, say.T("Edit %s", title)), ID: id, Action: upkeepPath(id) + "/edit", Draft: upkeepPath(id) + "/draft", Seen: d.seen,
		Question: Question{Text: say.T("Edit %s", title), Help: say.T("A draft: nobody at the bench sees it before it is published. It is kept while you write.")},
		Preview:  Act{Label: say.T("Check and preview"), Weight: weightBig, Symbol: "look", Name: "do", Value: "preview"},
		Save:     Act{Label: say.T("Save the draft"), Name: "do", Value: "save"},
		Back:     Act{Label: say.T("Back to the entry"), Symbol: "back", Href: upkeepPath(id), Weight: weightQuiet},
	}
	if s.text(id) == nil {
		v.Back = Act{Label: say.T("Back to the list"), Symbol: "back", Href: "/upkeep", Weight: weightQuiet}
	}
	if d.found {
		v.Kept = say.T("Draft kept %s", v.Clock(d.saved))
		v.Discard = Act{Label: say.T("Throw the draft away"), Name: "do", Value: "discard", Weight: weightQuiet, Action: v.Draft}
	}
	if stale(s, id, d) {
		v.Notices = append(v.Notices, Notice{Tone: toneWrong, Text: say.T("The entry was published by somebody else after you began."),
			Detail: say.T("Go on writing if you like. Before publishing you will be shown both, field by field.")})
	}
	others, err := k.othersDrafts(c, id)
	if err != nil {
		return err
	}
	if len(others) > 0 {
		v.Notices = append(v.Notices, Notice{Tone: toneNote, Text: say.T("Also being edited by %s.", others)})
	}
	var known []knownEntry
	for _, x := range s.IDs(s.shipped) {
		known = append(known, knownEntry{x, s.text(x).Name})
	}
	v.Form = newEntryForm(d.values, ps, known)
	if check && len(ps) > 0 {
		status = http.StatusUnprocessableEntity
	}
	return k.render(c, status, editPage, v)
}

// stale reports whether somebody published after the draft was begun.
func stale(s *upkept, id string, d draft) bool {
	now := s.text(id)
	return d.found && now != nil && (d.base == nil || d.base.Hash() != now.Hash())
}

// othersDrafts names who else has a draft about an entry.
func (k *kiosk) othersDrafts(c *gin.Context, id string) ([]say.Text, error) {
	p, _ := personOf(c)
	all, err := k.store.Drafts(c.Request.Context())
	if err != nil {
		return nil, err
	}
	var out []say.Text
	for _, d := range all {
		if d.About == draftAbout(id) && d.Person != p.ID {
			out = append(out, say.T("%s", d.Name))
		}
	}
	return out, nil
}

// saveEntry keeps the draft and does what the button says: a step to the preview
// is taken only when nothing is wrong.
func (k *kiosk) saveEntry(c *gin.Context) error {
	s, id := k.upkeepNow(), c.Param("id")
	d, err := k.draftOf(c, s, id)
	if err != nil {
		return err
	}
	if err := c.Request.ParseForm(); err != nil {
		return say.Refuse(say.Invalid, "What was typed did not arrive whole: go back and send it again.").Because(err)
	}
	keepOrder(c.Request.PostForm, d.values)
	d.values, d.found = tidyForm(c.Request.PostForm), true
	do := c.PostForm("do")
	if m := rowAct.FindStringSubmatch(do); m != nil {
		n, _ := strconv.Atoi(m[3]) // digits only
		d.values = moveRow(d.values, m[2], n, m[1] == "up")
	}
	if err := k.putDraft(c, id, d.values, d.seen); err != nil {
		return err
	}
	back := upkeepPath(id) + "/edit"
	switch {
	case do == "preview" && len(checkDraft(s, entryFrom(id, d.values))) > 0:
		return k.showEdit(c, s, id, d, true, http.StatusUnprocessableEntity)
	case do == "preview":
		return k.forward(c, upkeepPath(id)+"/preview")
	case rowAct.MatchString(do):
		return k.forward(c, back+"#"+strings.Fields(do)[1]+"-part")
	case strings.HasPrefix(do, "add "):
		if list := strings.TrimPrefix(do, "add "); rowFields[list] != nil {
			return k.forward(c, back+"#"+list+"-part")
		}
	}
	tell(c, Flash{Tone: toneRight, Text: say.T("The draft is kept.")})
	return k.forward(c, back)
}

// saveDraft keeps the draft while it is written, without an answer, or throws it
// away.
func (k *kiosk) saveDraft(c *gin.Context) error {
	s, id := k.upkeepNow(), c.Param("id")
	if c.PostForm("do") == "discard" {
		if err := k.dropDraft(c, id); err != nil {
			return err
		}
		tell(c, Flash{Tone: toneNote, Text: say.T("The draft is thrown away.")})
		if s.text(id) == nil {
			return k.forward(c, "/upkeep")
		}
		return k.forward(c, upkeepPath(id))
	}
	d, err := k.draftOf(c, s, id)
	if err != nil {
		return err
	}
	if err := c.Request.ParseForm(); err != nil {
		return err
	}
	// A page that is slower than its own publishing must not bring the draft back.
	if seen, err := strconv.Atoi(c.PostForm("seen")); err == nil && !d.found && seen < d.seen {
		c.Status(http.StatusNoContent)
		return nil
	}
	keepOrder(c.Request.PostForm, d.values)
	if err := k.putDraft(c, id, tidyForm(c.Request.PostForm), d.seen); err != nil {
		return err
	}
	c.Status(http.StatusNoContent)
	return nil
}

// changeRow is one changed field as pages show it. Part "changes".
type changeRow struct {
	Label say.Text
	Lines []reference.DiffLine
}

func changeRows(changes []reference.Change) []changeRow {
	var out []changeRow
	for _, ch := range changes {
		out = append(out, changeRow{Label: ch.Label(), Lines: ch.Lines()})
	}
	return out
}

// textRow is one field of an entry as pages show it. Part "text-rows".
type textRow struct {
	Label say.Text
	Lines []say.Text
}

// textRows shows all of an entry that is not empty.
func textRows(e *reference.Entry) []textRow {
	var out []textRow
	for _, ch := range reference.Diff(nil, e) {
		if lines := reference.FieldLines(ch.Field, ch.New); len(lines) > 0 && ch.Field != "id" && ch.Field != "revision" {
			out = append(out, textRow{Label: ch.Label(), Lines: lines})
		}
	}
	return out
}

type previewView struct {
	Base
	Question Question
	Notice   Notice
	Against  say.Text
	Changes  []changeRow
	Text     []textRow
	Action   string
	Why      Field
	Publish  Act
	Merge    Act
	Edit     Act
}

func (k *kiosk) previewEntry(c *gin.Context) error { return k.showPreview(c, nil) }

func (k *kiosk) showPreview(c *gin.Context, refused *say.Refusal) error {
	s, id := k.upkeepNow(), c.Param("id")
	d, err := k.draftOf(c, s, id)
	if err != nil {
		return err
	}
	e := entryFrom(id, d.values)
	if len(checkDraft(s, e)) > 0 {
		return k.forward(c, upkeepPath(id)+"/edit?check=1")
	}
	v := &previewView{
		Base:     k.page(c, say.T("Preview of %s", e.Name)),
		Question: Question{Text: say.T("Publish %s?", e.Name), Help: say.T("From then on the bench finds this text. The one before stays readable, and old finds stay with it.")},
		Notice:   k.upkeepNotice(refused),
		Text:     textRows(e), Action: upkeepPath(id) + "/publish",
		Why:     Field{Name: "why", Label: say.T("Why is it changed?"), Hint: say.T("One sentence. It stands in the history."), Value: c.PostForm("why"), Required: true},
		Publish: Act{Label: say.T("Publish"), Symbol: "right", Weight: weightBig},
		Edit:    Act{Label: say.T("Go on writing"), Symbol: "back", Href: upkeepPath(id) + "/edit"},
	}
	if refused != nil && refused.Field == "why" {
		v.Why.Error, v.Notice = refused.Text, Notice{}
	}
	if stale(s, id, d) {
		v.Merge = Act{Label: say.T("Compare with what was published meanwhile"), Weight: weightBig, Href: upkeepPath(id) + "/merge?with=draft"}
		v.Publish = Act{}
		if v.Notice.Text.IsZero() {
			v.Notice = Notice{Tone: toneWrong, Text: say.T("The entry was published by somebody else after you began."), Detail: say.T("Your draft is kept. Decide field by field what is to stand.")}
		}
	}
	if now := s.text(id); now == nil {
		v.Against = say.T("This is a new entry.")
	} else {
		v.Against = say.T("Against revision %d, which is in force", now.Revision)
		v.Changes = changeRows(reference.DiffText(now, e))
		if len(v.Changes) == 0 {
			v.Against = say.T("Nothing is changed against revision %d, which is in force.", now.Revision)
			v.Publish = Act{}
		}
	}
	return k.render(c, statusOf(refused), previewPage, v)
}

func (k *kiosk) publishEntry(c *gin.Context) error {
	s, id := k.upkeepNow(), c.Param("id")
	d, err := k.draftOf(c, s, id)
	if err != nil {
		return err
	}
	if !d.found {
		// The same form sent twice, or a draft thrown away on another page.
		return k.forward(c, upkeepPath(id))
	}
	err = k.stepUpkeep(c, reference.Publish{Entry: entryFrom(id, d.values), Seen: d.seen, Why: c.PostForm("why")})
	if refused := asRefusal(err); refused != nil {
		// Somebody was quicker, perhaps in another program: show what they did.
		if err := k.catchUp(c.Request.Context()); err != nil {
			return err
		}
		return k.showPreview(c, refused)
	}
	if err != nil {
		return err
	}
	if err := k.dropDraft(c, id); err != nil {
		return err
	}
	tell(c, Flash{Tone: toneRight, Text: say.T("Published."), Detail: say.T("The next look-up finds it.")})
	return k.forward(c, upkeepPath(id))
}

// mergeRow is one field of which a base was changed on two sides.
type mergeRow struct {
	Field              string
	Label              say.Text
	Base, Ours, Theirs []say.Text
	State              say.Text
	Clash              bool
	Choice             string // ours, theirs or ""
	Error              say.Text
}

type mergeView struct {
	Base
	Question    Question
	Notice      Notice
	Action      string
	With        string
	Seen        int
	Us, Them    say.Text
	Rows        []mergeRow
	Why         *Field // asked where a decision needs no new text
	Go          Act
	Keep        Act
	Follow      Act
	Back        Act
	NoBase      say.Text
	OursAlone   int
	TheirsAlone int
}

// sides are the three texts of a decision between two.
type sides struct {
	base, ours, theirs *reference.Entry
	us, them           say.Text
	seen               int // version that a draft made of them is begun from
}

// sidesOf gives the three texts: this site's and the shipped one, or a draft and
// what somebody else published meanwhile.
func (k *kiosk) sidesOf(c *gin.Context, s *upkept, id, with string) (sides, error) {
	if with == "draft" {
		d, err := k.draftOf(c, s, id)
		if err != nil {
			return sides{}, err
		}
		if now := s.text(id); stale(s, id, d) {
			return sides{base: d.base, ours: entryFrom(id, d.values), theirs: now, us: say.T("Your draft"), them: say.T("Published meanwhile"), seen: versionOf(s, id)}, nil
		}
		return sides{}, say.Refuse(say.Illegal, "Nobody has published anything since you began: there is nothing to compare.")
	}
	x, now := s.Entry(id), s.shipped.Entry(id)
	own := x.OwnText()
	if own == nil || now == nil {
		return sides{}, say.Refuse(say.Illegal, "The shipped text is in force, or there is none: there is nothing to decide.")
	}
	out := sides{ours: own, theirs: now, us: say.T("Ours, revision %d", own.Revision), them: say.T("Shipped, revision %d", now.Revision), seen: versionOf(s, id)}
	if x.Base() == "" {
		return out, nil
	}
	base, err := k.textKept(c, x.Base())
	if err != nil && say.CodeOf(err) != say.NotFound {
		return out, err
	}
	out.base = base
	return out, nil
}

// textKept reads a text by its hash.
func (k *kiosk) textKept(c *gin.Context, hash string) (*reference.Entry, error) {
	b, err := k.store.Text(c.Request.Context(), hash)
	if err != nil {
		return nil, err
	}
	return reference.ParseCanonical(b)
}

func (k *kiosk) mergePage(c *gin.Context) error { return k.showMerge(c, c.Query("with"), nil) }

func (k *kiosk) showMerge(c *gin.Context, with string, refused *say.Refusal) error {
	s, id := k.upkeepNow(), c.Param("id")
	sd, err := k.sidesOf(c, s, id, with)
	if err != nil {
		return err
	}
	v := &mergeView{
		Base: k.page(c, say.T("Two texts of %s", sd.ours.Name)), With: with, Seen: sd.seen, Us: sd.us, Them: sd.them, Notice: k.upkeepNotice(refused),
		Question: Question{Text: say.T("Two texts of %s", sd.ours.Name), Help: say.T("Choose for each field. What comes of it is a draft, which you can still change.")},
		Action:   upkeepPath(id) + "/merge",
		Go:       Act{Label: say.T("Make a draft of these choices"), Weight: weightBig, Name: "do", Value: "draft"},
		Back:     Act{Label: say.T("Back to the entry"), Symbol: "back", Href: upkeepPath(id), Weight: weightQuiet},
	}
	if sd.base == nil {
		v.NoBase = say.T("The text that both were made from is not kept: what differs is shown as changed on both sides.")
	}
	if with != "draft" {
		v.Question.Help = say.T("The shipped text was changed after ours was made from it. Ours is in force until you decide.")
		v.Why = &Field{Name: "why", Label: say.T("Why?"), Hint: say.T("For the two buttons below, which need no draft."), Value: c.PostForm("why")}
		v.Keep = Act{Label: say.T("Keep ours as it is"), Name: "do", Value: "keep"}
		v.Follow = Act{Label: say.T("Use the shipped text"), Name: "do", Value: "follow"}
		if refused != nil && refused.Field == "why" {
			v.Why.Error, v.Notice = refused.Text, Notice{}
		}
	}
	for _, f := range reference.ThreeWay(sd.base, sd.ours, sd.theirs) {
		if f.Same || f.Field == "id" {
			continue
		}
		r := mergeRow{Field: f.Field, Label: f.Label(), Base: reference.FieldLines(f.Field, f.Base), Ours: reference.FieldLines(f.Field, f.Ours), Theirs: reference.FieldLines(f.Field, f.Theirs), Clash: f.Clash()}
		switch {
		case r.Clash:
			r.State = say.T("changed on both sides: choose")
		case f.OursNew:
			r.State, r.Choice = say.T("changed in the left one only"), "ours"
		default:
			r.State, r.Choice = say.T("changed in the right one only"), "theirs"
		}
		if got := c.PostForm("take." + f.Field); got == "ours" || got == "theirs" {
			r.Choice = got
		} else if refused != nil && refused.Field == "take" && r.Clash {
			r.Error = say.T("Choose one of the two.")
		}
		v.Rows = append(v.Rows, r)
	}
	return k.render(c, statusOf(refused), mergePage, v)
}

func (k *kiosk) merge(c *gin.Context) error {
	s, id, with := k.upkeepNow(), c.Param("id"), c.PostForm("with")
	sd, err := k.sidesOf(c, s, id, with)
	if err != nil {
		return err
	}
	seen := formInt(c, "seen")
	var cmd reference.UpkeepCommand
	switch c.PostForm("do") {
	case "keep":
		cmd = reference.Keep{ID: id, Seen: seen, Why: c.PostForm("why")}
	case "follow":
		cmd = reference.Follow{ID: id, Seen: seen, Why: c.PostForm("why")}
	default:
		if seen != sd.seen {
			return k.showMerge(c, with, say.Refuse(say.Conflict, "Something was published while you looked. Look again: this is how it is now."))
		}
		var take []string
		for _, f := range reference.ThreeWay(sd.base, sd.ours, sd.theirs) {
			got := c.PostForm("take." + f.Field)
			switch {
			case f.Same || f.Field == "id":
			case got == "theirs", got == "" && !f.Clash() && f.TheirsNew:
				take = append(take, f.Field)
			case got == "" && f.Clash():
				return k.showMerge(c, with, say.Refuse(say.Invalid, "Choose for each field that was changed on both sides.").For("take"))
			}
		}
		merged, err := reference.TakeFields(sd.ours, sd.theirs, take)
		if err != nil {
			return err
		}
		if err := k.putDraft(c, id, entryValues(merged), sd.seen); err != nil {
			return err
		}
		return k.forward(c, upkeepPath(id)+"/preview")
	}
	err = k.stepUpkeep(c, cmd)
	if refused := asRefusal(err); refused != nil {
		return k.showMerge(c, with, refused)
	}
	if err != nil {
		return err
	}
	tell(c, Flash{Tone: toneRight, Text: say.T("Decided.")})
	return k.forward(c, upkeepPath(id))
}

// revisionPage shows one text that an entry has or had.
var revisionPage = declarePage("upkeep_revision")

type revisionView struct {
	Base
	Question Question
	Notice   Notice
	Facts    []Fact
	Text     []textRow
	Now      Act
	Upkeep   Act
}

// revision answers GET /reference/:id/r/:rev. Where several texts have had a
// number, ?hash= says which one; without it, it is the one of this site.
func (k *kiosk) revision(c *gin.Context) error {
	s, id := k.upkeepNow(), c.Param("id")
	n, err := pathInt(c, "rev")
	if err != nil {
		return err
	}
	if s == nil {
		return noEntry(id)
	}
	hash := c.Query("hash")
	e, err := k.revisionOf(c, s, id, n, hash)
	if err != nil {
		return err
	}
	v := &revisionView{
		Base:     k.page(c, say.T("%s, revision %d", e.Name, e.Revision)),
		Question: Question{Text: say.T("%s, revision %d", e.Name, e.Revision)}, Text: textRows(e),
	}
	v.Facts = []Fact{{Label: say.T("Mark of this text"), Data: e.Hash()}}
	for _, r := range s.Revisions(id) {
		if r.Hash != e.Hash() {
			continue
		}
		if r.Shipped {
			v.Facts = append(v.Facts, Fact{Label: say.T("Shipped"), Text: say.T("with the program that was started %s", v.Clock(r.At))})
		} else {
			v.Facts = append(v.Facts, Fact{Label: say.T("Published"), Data: r.By, Text: v.Clock(r.At)}, Fact{Label: say.T("Why"), Data: r.Why})
		}
	}
	here, x := s.Here(s.shipped, id), s.Entry(id)
	switch {
	case x != nil && x.Retired != nil:
		v.Notice = Notice{Tone: toneNote, Text: say.T("This entry is retired: the bench does not offer it."), Detail: say.T("%s, %s: %s", x.Retired.By, v.Clock(x.Retired.At), x.Retired.Why)}
	case here == nil:
		v.Notice = Notice{Tone: toneNote, Text: say.T("The reference no longer has this entry.")}
	case here.Hash() != e.Hash():
		v.Notice = Notice{Tone: toneNote, Text: say.T("This is not the text in force."), Detail: say.T("Finds that were decided on it stay with it.")}
		v.Now = Act{Label: say.T("The text in force"), Href: "/e/" + id}
	default:
		v.Notice = Notice{Tone: toneRight, Text: say.T("This is the text in force.")}
		v.Now = Act{Label: say.T("The entry at the bench"), Href: "/e/" + id}
	}
	if canEdit(c) && s.text(id) != nil {
		v.Upkeep = Act{Label: say.T("Upkeep of this entry"), Href: upkeepPath(id)}
	}
	return k.render(c, http.StatusOK, revisionPage, v)
}

func (k *kiosk) revisionOf(c *gin.Context, s *upkept, id string, n int, hash string) (*reference.Entry, error) {
	none := say.Refuse(say.NotFound, "The entry “%s” has no revision %d here.", clipped(id), n)
	if hash == "" {
		revs := s.Revisions(id)
		i := slices.IndexFunc(revs, func(r reference.Revision) bool { return r.Number == n && !r.Shipped })
		if i < 0 {
			i = slices.IndexFunc(revs, func(r reference.Revision) bool { return r.Number == n })
		}
		if i < 0 {
			return nil, none
		}
		if revs[i].Entry != nil {
			return revs[i].Entry, nil
		}
		hash = revs[i].Hash
	}
	if !isHash(hash) {
		return nil, none
	}
	e, err := k.textKept(c, hash)
	var refused *say.Refusal
	if errors.As(err, &refused) {
		return nil, err
	}
	if err != nil || e.ID != id || e.Revision != n {
		return nil, none
	}
	return e, nil
}

// clipped shortens something from an address before it is shown.
func clipped(s string) string {
	s = strings.ToValidUTF8(s, "")
	if r := []rune(s); len(r) > 60 {
		return string(r[:60]) + "…"
	}
	return s
}
