package kiosk

import (
	"io"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/gin-gonic/gin"

	"lastlook/internal/consignment"
	"lastlook/internal/rules"
	"lastlook/internal/sampling"
	"lastlook/internal/say"
)

// The fields of the form have the names that they have in a file, which are also
// those by which rules.Check says what is wrong.
var (
	ruleRates   = []string{"rate", "detail_confidence", "detail_detect"}
	ruleNumbers = []string{"minimum", "window_hours", "minutes_per_round", "seconds_per_package", "seconds_per_unit", "retention_years"}
	ruleItems   = []string{"before", "after", "store"}
	ruleTicks   = []string{"looks", "spread", "two_people"}
)

// startFormat is how a browser sends a moment, and spaced how a person types one.
const (
	startFormat = "2006-01-02T15:04"
	startSpaced = "2006-01-02 15:04"
)

func newRulesPath(to string) string {
	if to == "" {
		return "/rules/new"
	}
	return "/rules/new?for=" + url.QueryEscape(to)
}

func rateOf(r *consignment.RuleSet, field string) *sampling.Rate {
	switch field {
	case "rate":
		return &r.Rate
	case "detail_confidence":
		return &r.DetailConfidence
	}
	return &r.DetailDetect
}

func numberOf(r *consignment.RuleSet, field string) *int {
	switch field {
	case "minimum":
		return &r.Minimum
	case "window_hours":
		return &r.WindowHours
	case "minutes_per_round":
		return &r.MinutesPerRound
	case "seconds_per_package":
		return &r.SecondsPerPackage
	case "seconds_per_unit":
		return &r.SecondsPerUnit
	}
	return &r.RetentionYears
}

func itemsOf(r *consignment.RuleSet, field string) *[]consignment.CheckItem {
	switch field {
	case "before":
		return &r.Before
	case "after":
		return &r.After
	}
	return &r.Store
}

// ruleValues gives a rule set as the form shows it.
func ruleValues(r consignment.RuleSet) url.Values {
	r.Store = r.StoreItems()
	v := url.Values{"remove_infested": {string(r.RemoveInfested)}}
	if r.RemoveInfested == "" {
		v.Set("remove_infested", string(consignment.RemoveAfterDetail))
	}
	for _, f := range ruleRates {
		v.Set(f, strings.TrimSuffix(rateOf(&r, f).String(), "%"))
	}
	for _, f := range ruleNumbers {
		v.Set(f, itoa(*numberOf(&r, f)))
	}
	for _, f := range ruleItems {
		v.Set(f, rules.ItemText(*itemsOf(&r, f)))
	}
	v["looks"], v["two_people"] = plainWords(r.Looks), plainWords(r.TwoPeople)
	if r.Spread {
		v.Set("spread", "yes")
	}
	return v
}

// readRules makes a rule set of the form, or says what is wrong field by field. known
// are the items that any version had, by list.
func readRules(v url.Values, known map[string][]consignment.CheckItem) (consignment.RuleSet, wrongs) {
	var r consignment.RuleSet
	w := wrongs{}
	for _, f := range ruleRates {
		text := strings.TrimSpace(v.Get(f))
		if text != "" && !strings.HasSuffix(text, "%") {
			text += "%"
		}
		rate, err := sampling.ParseRate(text)
		w.refuse(f, err)
		*rateOf(&r, f) = rate
	}
	for _, f := range ruleNumbers {
		n, err := formNumber(v.Get(f))
		w.refuse(f, err)
		*numberOf(&r, f) = n
	}
	for _, f := range ruleItems {
		*itemsOf(&r, f) = rules.ParseItems(v.Get(f), known[f])
	}
	r.Spread = v.Get("spread") != ""
	r.Looks = asWords[consignment.Look](v["looks"])
	r.RemoveInfested = consignment.Removal(v.Get("remove_infested"))
	if two := asWords[consignment.Duty](v["two_people"]); len(two) > 0 {
		r.TwoPeople = two
	}
	for _, x := range rules.Check(r) {
		w.add(x.Field, x.Text) // after what could not be read at all
	}
	return r, w
}

// knownItems lists the items that any version had.
func knownItems(h *rules.History) map[string][]consignment.CheckItem {
	out := map[string][]consignment.CheckItem{}
	for _, s := range append([]rules.Set{rules.Shipped()}, h.Sets...) {
		if s.Rules == nil {
			continue
		}
		for _, f := range ruleItems {
			out[f] = append(out[f], *itemsOf(s.Rules, f)...)
		}
	}
	return out
}

// formValues keeps what belongs to the form of what was sent.
func formValues(in url.Values) url.Values {
	out := url.Values{}
	for _, f := range slices.Concat(ruleRates, ruleNumbers, ruleItems, ruleTicks, []string{"remove_infested", "for", "from", "reason", "follow"}) {
		for _, s := range in[f] {
			out.Add(f, strings.ReplaceAll(s, "\r\n", "\n"))
		}
	}
	return out
}

type ruleEditView struct {
	Base
	Question Question
	Notices  []Notice
	Seen     int
	For      string
	Parts    []rulePart
	Preview  Act
	Follow   Act
	Back     Act
}

type rulePart struct {
	Head   say.Text
	Help   say.Text
	Fields []Field
	Ticks  []ticks
	Wide   []Field
}

func (k *kiosk) editRules(c *gin.Context) error {
	h, err := k.store.RuleHistory(c.Request.Context())
	if err != nil {
		return err
	}
	to := oneLine(c.Query("for"))
	v := ruleValues(*h.InForce(to, k.Now()).Rules)
	v.Set("for", to)
	return k.showRuleForm(c, h, v, nil, nil)
}

// showRuleForm shows the form with what was typed and what is wrong with it.
func (k *kiosk) showRuleForm(c *gin.Context, h *rules.History, v url.Values, w wrongs, notices []Notice) error {
	to := v.Get("for")
	b := k.page(c, say.T("Change the rules"))
	now := h.InForce(to, b.Now)
	view := &ruleEditView{
		Base: b, Seen: h.Newest(), For: to, Notices: notices,
		Question: Question{Text: say.T("Rules for %s", destinationWords(to)), Help: say.T("Begun from version %d. Nothing counts before you have seen what it comes to.", now.Version)},
		Preview:  Act{Label: say.T("See what it comes to"), Symbol: "look", Weight: weightBig, Name: "do", Value: "preview"},
		Back:     Act{Label: say.T("Back to the rules"), Symbol: "back", Href: "/rules", Weight: weightQuiet},
	}
	for _, p := range h.OpenProposals() {
		if rules.Same(p.Destination, to) {
			view.Notices = append(view.Notices, Notice{Tone: toneNote, Text: say.T("A proposal by %s waits for the same destination.", p.By.Name), Detail: say.T("Approve or withdraw it first: it is on the page of the rules.")})
		}
	}
	if to != "" && rules.Same(now.Destination, to) {
		view.Follow = Act{Label: say.T("Give up its own rules"), Hint: say.T("those for everywhere count then"), Name: "do", Value: "follow"}
	}
	field := func(name string, unit say.Text) Field {
		return Field{Name: name, Label: rules.Label(name), Value: v.Get(name), Unit: unit, Mode: "decimal", Error: w[name]}
	}
	area := func(name string, hint say.Text) Field {
		return Field{Name: name, Label: rules.Label(name), Hint: hint, Value: strings.TrimRight(v.Get(name), "\n"), Type: "area", Error: w[name]}
	}
	group := func(name string, items ...Option) ticks {
		for i := range items {
			items[i].Selected = slices.Contains(v[name], items[i].Value)
		}
		return ticks{Name: name, Legend: rules.Label(name), Items: items, Error: w[name]}
	}
	var looks, duties []Option
	for _, l := range rules.Looks() {
		looks = append(looks, Option{Value: string(l), Label: l.Words()})
	}
	for _, d := range consignment.Duties {
		duties = append(duties, Option{Value: string(d), Label: say.T("%s, where there are two", d.Words())})
	}
	removal := Field{Name: "remove_infested", Label: rules.Label("remove_infested"), Type: "select", Error: w["remove_infested"]}
	for _, r := range rules.Removals {
		removal.Options = append(removal.Options, Option{Value: string(r), Label: r.Words(), Selected: v.Get("remove_infested") == string(r)})
	}
	percent, lines := say.T("%%"), say.T("One a line: a short id, a colon, the words. A line that is new may leave its id out.")
	view.Parts = []rulePart{
		{Head: say.T("How many packages"), Fields: []Field{field("rate", percent), field("minimum", say.T("packages"))},
			Ticks: []ticks{group("spread", Option{Value: "yes", Label: say.T("in proportion to the packages of each line")})}},
		{Head: say.T("How long it holds"), Fields: []Field{field("window_hours", say.T("hours")), field("retention_years", say.T("years"))}},
		{Head: say.T("What is looked at"), Ticks: []ticks{group("looks", looks...)}},
		{Head: say.T("What is checked"), Help: say.T("An id stays with what it means: answers on record name it."), Wide: []Field{
			area("before", lines),
			area("after", say.T("The same. A ! before the words means that a No rejects the consignment.")),
			area("store", lines),
		}},
		{Head: say.T("After a rejection"), Fields: []Field{field("detail_confidence", percent), field("detail_detect", percent), removal}},
		{Head: say.T("How long the work takes"), Help: say.T("An estimate, to say by when to start."), Fields: []Field{
			field("minutes_per_round", say.T("minutes")), field("seconds_per_package", say.T("seconds")), field("seconds_per_unit", say.T("seconds"))}},
		{Head: say.T("Who may change this"), Ticks: []ticks{group("two_people", duties...)}},
		{Head: say.T("When and why"), Fields: []Field{startField(v.Get("from"), w["from"]),
			{Name: "reason", Label: say.T("Why do the rules change?"), Hint: say.T("It stays on the record."), Value: v.Get("reason"), Error: w["reason"], Required: true}}},
	}
	status := http.StatusOK
	if len(w) > 0 {
		status = http.StatusUnprocessableEntity
		view.Notices = append([]Notice{{Tone: toneWrong, Text: say.T("Something below is not right yet."), Detail: say.T("It says there what to do.")}}, view.Notices...)
	}
	if slices.ContainsFunc(notices, func(n Notice) bool { return n.Tone == toneWrong }) {
		status = http.StatusConflict
	}
	if err, there := w["for"]; there {
		view.Notices = append(view.Notices, Notice{Tone: toneWrong, Text: err})
	}
	return k.render(c, status, ruleEditPage, view)
}

func startField(value string, wrong say.Text) Field {
	f := Field{Name: "from", Label: say.T("From when?"), Hint: say.T("Left empty, it is at once."), Type: "datetime-local", Value: value, Error: wrong}
	if _, err := time.Parse(startFormat, value); err != nil && value != "" {
		f.Type = "text" // the browser could not show it
	}
	return f
}

// readStart reads the start: zero for at once.
func readStart(text string, loc *time.Location, w wrongs) time.Time {
	text = oneLine(text)
	if text == "" {
		return time.Time{}
	}
	for _, format := range []string{startFormat, startSpaced} {
		if at, err := time.ParseInLocation(format, text, loc); err == nil {
			return at
		}
	}
	w.add("from", say.T("That is no date and time. Write it like %s, or leave it empty.", "2026-11-25 14:30"))
	return time.Time{}
}

type ruleCheckView struct {
	Base
	Question Question
	Notices  []Notice
	Comes    ruleComes
	Hidden   []Hidden
	Do       Act
	Edit     Act
	Back     Act
}

// postRules answers the form: do=preview shows what it comes to, do=edit goes back to
// the form, do=follow gives the destination's own rules up, do=publish takes the step.
func (k *kiosk) postRules(c *gin.Context) error {
	h, err := k.store.RuleHistory(c.Request.Context())
	if err != nil {
		return err
	}
	if err := c.Request.ParseForm(); err != nil {
		return say.Refuse(say.Invalid, "The form did not arrive whole. Send it again.").Because(err)
	}
	do, v := c.PostForm("do"), formValues(c.Request.PostForm)
	v.Set("for", oneLine(v.Get("for")))
	switch do {
	case "edit":
		v.Del("follow")
		return k.showRuleForm(c, h, v, nil, nil)
	case "follow":
		v.Set("follow", "yes")
	case "preview", "", "publish":
	default:
		return say.Refuse(say.Invalid, "The rules do not know this step.")
	}
	r, w := readRules(v, knownItems(h))
	will := &r
	if v.Get("follow") != "" {
		will, w = nil, wrongs{} // whatever stands in the form counts no more
	}
	step := rules.Propose{Destination: v.Get("for"), Rules: will, From: readStart(v.Get("from"), k.Now().Location(), w), Reason: v.Get("reason"), Seen: formInt(c, "seen")}
	if len(w) > 0 {
		return k.showRuleForm(c, h, v, w, nil)
	}
	if do == "publish" {
		return k.publishRules(c, v, step)
	}
	return k.showRulePreview(c, h, v, step)
}

// refuseRules shows the form again, with what the rules refused.
func (k *kiosk) refuseRules(c *gin.Context, h *rules.History, v url.Values, refused *say.Refusal) error {
	v.Del("follow")
	if refused.Field != "" {
		return k.showRuleForm(c, h, v, wrongs{refused.Field: refused.Text}, nil)
	}
	return k.showRuleForm(c, h, v, nil, []Notice{{Tone: toneWrong, Text: refused.Text}})
}

// showRulePreview says what a change comes to. It is decided on already, so that nothing
// is refused only after it was looked at.
func (k *kiosk) showRulePreview(c *gin.Context, h *rules.History, v url.Values, step rules.Propose) error {
	supervisors, err := k.supervisorsNow(c)
	if err != nil {
		return err
	}
	actor := actorOf(c)
	ids := make([]string, max(supervisors, 1))
	ids[0] = actor.ID // the step has been asked for by one; the store counts them again
	if _, err := rules.Decide(h, rules.Meta{Actor: actor, At: k.Now(), Supervisors: ids}, step); err != nil {
		refused := asRefusal(err)
		if refused == nil {
			return err
		}
		return k.refuseRules(c, h, v, refused)
	}
	b := k.page(c, say.T("What it comes to"))
	view := &ruleCheckView{
		Base:     b,
		Question: Question{Text: say.T("What it comes to"), Help: say.T("Nothing counts yet.")},
		Hidden:   append(b.Once(), Hidden{"seen", itoa(step.Seen)}),
		Edit:     Act{Label: say.T("Change it again"), Symbol: "back", Name: "do", Value: "edit"},
		Back:     Act{Label: say.T("Leave everything as it is"), Href: "/rules", Weight: weightQuiet},
	}
	for _, name := range slices.Sorted(maps.Keys(v)) {
		for _, s := range v[name] {
			view.Hidden = append(view.Hidden, Hidden{name, s})
		}
	}
	if h.NeedsTwo(step.Destination, b.Now, supervisors) {
		view.Notices = []Notice{{Tone: toneNote, Text: say.T("It takes two: another supervisor has to approve it."), Detail: say.T("The rules in force ask for that. Nothing changes until then.")}}
		view.Do = Act{Label: say.T("Propose it"), Hint: say.T("another supervisor then sees this page"), Symbol: "right", Weight: weightBig, Name: "do", Value: "publish"}
	} else {
		alone := say.T("The rules in force ask for nobody else.")
		if supervisors < 2 {
			alone = say.T("You are the only supervisor on the list: nobody else has to approve it. From the second on it takes two, if the rules say so.")
		}
		view.Notices = []Notice{{Tone: toneNote, Text: say.T("You publish it alone."), Detail: alone}}
		view.Do = Act{Label: say.T("Publish it"), Symbol: "right", Weight: weightBig, Name: "do", Value: "publish"}
	}
	if view.Comes, err = k.comes(c, b, h, step.Destination, step.Rules, step.From, step.Reason); err != nil {
		return err
	}
	return k.render(c, http.StatusOK, ruleCheckPage, view)
}

func (k *kiosk) publishRules(c *gin.Context, v url.Values, step rules.Propose) error {
	after, err := k.store.DoRules(c.Request.Context(), actorOf(c), benchOf(c), c.PostForm("key"), step)
	if refused := asRefusal(err); refused != nil {
		h, err := k.store.RuleHistory(c.Request.Context())
		if err != nil {
			return err
		}
		return k.refuseRules(c, h, v, refused)
	}
	if err != nil {
		return err
	}
	for _, p := range slices.Backward(after.OpenProposals()) {
		if rules.Same(p.Destination, step.Destination) {
			tell(c, Flash{Tone: toneRight, Text: say.T("It is proposed."), Detail: say.T("Another supervisor has to approve it here.")})
			return k.forward(c, proposalPath(p.ID))
		}
	}
	tell(c, Flash{Tone: toneRight, Text: say.T("The rules are published."), Detail: say.T("What is sealed from their start on is drawn by them.")})
	return k.forward(c, "/rules")
}

// importRules fills the form from a file; what comes of it is previewed like anything
// that was typed.
func (k *kiosk) importRules(c *gin.Context) error {
	h, err := k.store.RuleHistory(c.Request.Context())
	if err != nil {
		return err
	}
	to := oneLine(c.PostForm("to"))
	known := *h.InForce(to, k.Now()).Rules
	head, err := c.FormFile("file")
	if err != nil {
		return k.showRules(c, say.Refuse(say.Invalid, "No file came. Choose one, then send it.").Because(err))
	}
	f, err := head.Open()
	if err != nil {
		return err
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, rules.MaxFile+1))
	if err != nil {
		return err
	}
	r, err := rules.Read(b, known)
	if refused := asRefusal(err); refused != nil {
		return k.showRules(c, refused)
	}
	if err != nil {
		return err
	}
	v := ruleValues(r)
	v.Set("for", to)
	_, w := readRules(v, knownItems(h))
	return k.showRuleForm(c, h, v, w, []Notice{{Tone: toneNote, Text: say.T("This is what stands in the file."), Detail: say.T("Nothing counts yet. Say when and why, then see what it comes to.")}})
}
