package kiosk

import (
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/gin-gonic/gin"

	"lastlook/internal/consignment"
	"lastlook/internal/people"
	"lastlook/internal/rules"
	"lastlook/internal/say"
)

// The pages of the rules: which are in force, one of them whole, what differs
// between two, and a proposal. The form is in rules_form.go.
var (
	rulesPage     = declarePage("rules")
	ruleSetPage   = declarePage("rules_set")
	ruleDiffPage  = declarePage("rules_diff")
	rulePropPage  = declarePage("rules_proposal")
	ruleEditPage  = declarePage("rules_edit")
	ruleCheckPage = declarePage("rules_preview")
)

func (k *kiosk) rulesRoutes(e *gin.Engine) {
	super := func(h handler) gin.HandlerFunc { return k.as(asSuper, k.signed(h)) }
	e.GET("/rules", k.as(anybody, k.rulesList))
	e.GET("/rules/v/:version", k.as(anybody, k.ruleSet))
	e.GET("/rules/v/:version/file", k.as(anybody, k.ruleFile))
	e.GET("/rules/diff", k.as(anybody, k.ruleDiff))
	e.GET("/rules/p/:id", k.as(anybody, k.proposal))
	e.POST("/rules/p/:id", super(k.endProposal))
	e.GET("/rules/new", super(k.editRules))
	e.POST("/rules/new", super(k.postRules))
	e.POST("/rules/import", largerBody(rules.MaxFile+64<<10), super(k.importRules))
}

// signed lets only somebody in who has a name: on an empty list of people anybody may
// begin it, but nobody may change rules before.
func (k *kiosk) signed(h handler) handler {
	return func(c *gin.Context) error {
		if _, ok := personOf(c); !ok {
			return k.forward(c, "/people")
		}
		return h(c)
	}
}

type rulesView struct {
	Base
	Question Question
	Waiting  []ruleWaiting
	Notice   Notice
	InForce  Table
	Coming   *Table
	History  Table
	For      *Field
	New      Act
	From, To Field
	Compare  Act
	Import   *ruleImport
	Back     Act
}

type ruleWaiting struct {
	Notice Notice
	Act    Act
}

type ruleImport struct {
	Error say.Text
	For   Field
	Send  Act
}

func (k *kiosk) rulesList(c *gin.Context) error { return k.showRules(c, nil) }

// showRules lists the rules; refused is what was wrong with a file that was brought.
func (k *kiosk) showRules(c *gin.Context, refused *say.Refusal) error {
	h, err := k.store.RuleHistory(c.Request.Context())
	if err != nil {
		return err
	}
	b := k.page(c, say.T("Rules"))
	edit := canEdit(c)
	v := &rulesView{
		Base:     b,
		Question: Question{Text: say.T("Rules"), Help: say.T("How many packages are examined, what is checked, how long a pass holds. An inspection keeps the rules it began under.")},
		Back:     Act{Label: say.T("Back to the office"), Symbol: "back", Href: "/office", Weight: weightQuiet},
		Compare:  Act{Label: say.T("See what differs")},
	}
	for _, p := range h.OpenProposals() {
		v.Waiting = append(v.Waiting, ruleWaiting{
			Notice{Tone: toneNote, Text: say.T("A change for %s waits for a second supervisor.", destinationWords(p.Destination)), Detail: say.T("%s, %s: %s", p.By.Name, b.Clock(p.At), p.Reason)},
			Act{Label: say.T("Look at it"), Symbol: "look", Href: proposalPath(p.ID)},
		})
	}
	if !edit {
		v.Notice = Notice{Tone: toneNote, Text: say.T("Only a supervisor can change the rules."), Detail: say.T("Ask one to scan their badge.")}
	}
	v.InForce = Table{Caption: say.T("In force"), Columns: []Column{{Label: say.T("For")}, {Label: say.T("Version"), Number: true}, {Label: say.T("Examine")}, {Label: say.T("Good for")}, {Label: say.T("Since")}}}
	if edit {
		v.InForce.Columns = slices.Insert(v.InForce.Columns, 1, Column{Label: say.T("To do")}) // in sight on a phone
	}
	for _, d := range append([]string{""}, h.Destinations(b.Now)...) {
		s := h.InForce(d, b.Now)
		row := []Cell{forCell(d), versionCell(s.Version), {Text: examineWords(*s.Rules)}, {Text: say.T("%d hours", s.Rules.WindowHours)}, {Text: sinceWords(b, s)}}
		if edit {
			row = slices.Insert(row, 1, Cell{Text: say.T("change"), Href: newRulesPath(d)})
		}
		v.InForce.Rows = append(v.InForce.Rows, Row{row})
	}
	if coming := h.Coming(b.Now); len(coming) > 0 {
		t := Table{Caption: say.T("Coming"), Columns: []Column{{Label: say.T("For")}, {Label: say.T("Version"), Number: true}, {Label: say.T("Examine")}, {Label: say.T("From")}}}
		for _, s := range coming {
			t.Rows = append(t.Rows, Row{[]Cell{forCell(s.Destination), versionCell(s.Version), {Text: setWords(s)}, {Text: b.Clock(s.From)}}})
		}
		v.Coming = &t
	}
	v.History = Table{Caption: say.T("All versions"), Columns: []Column{{Label: say.T("Version"), Number: true}, {Label: say.T("For")}, {Label: say.T("Examine")}, {Label: say.T("From")}, {Label: say.T("By")}, {Label: say.T("Why")}}}
	versions := []Option{}
	for _, s := range slices.Backward(append([]rules.Set{rules.Shipped()}, h.Sets...)) {
		by, why := Cell{Text: whoWords(s)}, Cell{Data: s.Reason}
		if s.PublishedAt.IsZero() {
			by, why = Cell{Text: say.T("shipped")}, Cell{Data: "–"}
		}
		v.History.Rows = append(v.History.Rows, Row{[]Cell{versionCell(s.Version), forCell(s.Destination), {Text: setWords(s)}, {Text: sinceWords(b, s)}, by, why}})
		versions = append(versions, Option{Value: itoa(s.Version), Label: say.T("%d, for %s", s.Version, destinationWords(s.Destination))})
	}
	if len(versions) > 1 {
		choose := func(name string, label say.Text, at int) Field {
			f := Field{Name: name, Label: label, Type: "select", Options: slices.Clone(versions)}
			f.Options[at].Selected = true
			return f
		}
		v.From, v.To = choose("from", say.T("From version"), 1), choose("to", say.T("To version"), 0)
	}
	if edit {
		known, err := k.knownDestinations(c, h)
		if err != nil {
			return err
		}
		hint := say.T("As it stands on the orders.")
		if len(known) > 0 {
			hint = say.T("As it stands on the orders. Known: %s", known)
		}
		v.For = &Field{Name: "for", Label: say.T("Destination"), Hint: hint}
		v.New = Act{Label: say.T("Make rules of its own for it")}
		v.Import = &ruleImport{For: Field{Name: "to", Label: say.T("Destination"), Hint: say.T("Left empty, it is for everywhere."), Value: c.PostForm("to")}, Send: Act{Label: say.T("Bring it in")}}
		if refused != nil {
			v.Import.Error = refused.Text
		}
	}
	return k.render(c, statusOf(refused), rulesPage, v)
}

// knownDestinations lists the destinations of consignments, lists and rules.
func (k *kiosk) knownDestinations(c *gin.Context, h *rules.History) ([]say.Text, error) {
	names, err := k.store.Destinations(c.Request.Context())
	if err != nil {
		return nil, err
	}
	for _, d := range h.Destinations(k.Now()) {
		if !slices.ContainsFunc(names, func(n string) bool { return rules.Same(n, d) }) {
			names = append(names, d)
		}
	}
	var out []say.Text
	for _, n := range names[:min(len(names), 12)] {
		out = append(out, say.T("%s", n))
	}
	return out, nil
}

func destinationWords(d string) say.Text {
	if d == "" {
		return say.T("everywhere")
	}
	return say.T("%s", d)
}

func forCell(d string) Cell {
	if d == "" {
		return Cell{Text: say.T("everywhere")}
	}
	return Cell{Data: d}
}

func versionCell(n int) Cell {
	return Cell{Data: itoa(n), Href: "/rules/v/" + itoa(n), Number: true}
}

func examineWords(r consignment.RuleSet) say.Text {
	return say.T("%v %%, at least %d", r.Rate.Percent(), r.Minimum)
}

func setWords(s rules.Set) say.Text {
	if s.Rules == nil {
		return say.T("as everywhere")
	}
	return examineWords(*s.Rules)
}

func sinceWords(b Base, s rules.Set) say.Text {
	if s.From.IsZero() {
		return say.T("the beginning")
	}
	return b.Clock(s.From)
}

// whoWords says who published a rule set.
func whoWords(s rules.Set) say.Text {
	if s.ProposedBy.ID != s.PublishedBy.ID {
		return say.T("%s, approved by %s", s.ProposedBy.Name, s.PublishedBy.Name)
	}
	return say.T("%s alone", s.PublishedBy.Name)
}

func proposalPath(id int) string { return "/rules/p/" + itoa(id) }

// setOf finds the rule set of the path or query.
func (k *kiosk) setOf(h *rules.History, text string) (rules.Set, error) {
	n, err := strconv.Atoi(text)
	s, ok := h.Set(n)
	if err != nil || !ok {
		return s, say.Refuse(say.NotFound, "There is no such version of the rules. Choose one from the list.")
	}
	return s, nil
}

type ruleSetView struct {
	Base
	Question Question
	Facts    []Fact
	Rows     []rules.Row
	File     Act
	Back     Act
}

func (k *kiosk) ruleSet(c *gin.Context) error {
	h, err := k.store.RuleHistory(c.Request.Context())
	if err != nil {
		return err
	}
	s, err := k.setOf(h, c.Param("version"))
	if err != nil {
		return err
	}
	b := k.page(c, say.T("Rules, version %d", s.Version))
	v := &ruleSetView{Base: b, Question: Question{Text: say.T("Rules, version %d", s.Version), Help: say.T("For %s.", destinationWords(s.Destination))},
		Back: Act{Label: say.T("Back to the rules"), Symbol: "back", Href: "/rules", Weight: weightQuiet}}
	v.Facts = []Fact{{Label: say.T("In force from"), Text: sinceWords(b, s)}}
	if s.PublishedAt.IsZero() {
		v.Facts = append(v.Facts, Fact{Label: say.T("By"), Text: say.T("shipped with the program: the numbers are common practice")})
	} else {
		v.Facts = append(v.Facts, Fact{Label: say.T("By"), Text: whoWords(s)}, Fact{Label: say.T("Published"), Text: b.Clock(s.PublishedAt)}, Fact{Label: say.T("Why"), Data: s.Reason})
	}
	if s.Rules == nil {
		v.Question.Help = say.T("%s has no rules of its own from then on: those for everywhere count.", s.Destination)
	} else {
		v.Rows = rules.Rows(*s.Rules)
		v.File = Act{Label: say.T("As a file (JSON)"), Hint: say.T("for another site"), Href: "/rules/v/" + itoa(s.Version) + "/file"}
	}
	return k.render(c, http.StatusOK, ruleSetPage, v)
}

// ruleFile gives a rule set out as a file.
func (k *kiosk) ruleFile(c *gin.Context) error {
	h, err := k.store.RuleHistory(c.Request.Context())
	if err != nil {
		return err
	}
	s, err := k.setOf(h, c.Param("version"))
	if err != nil {
		return err
	}
	if s.Rules == nil {
		return say.Refuse(say.NotFound, "This version only says that those for everywhere count: give one of those out.")
	}
	file, err := rules.Write(*s.Rules)
	if err != nil {
		return err
	}
	c.Header("Content-Disposition", `attachment; filename="rules-`+itoa(s.Version)+`.json"`)
	c.Data(http.StatusOK, "application/json; charset=utf-8", file)
	return nil
}

type ruleDiffView struct {
	Base
	Question Question
	Changes  []rules.Change
	Same     say.Text
	Back     Act
}

func (k *kiosk) ruleDiff(c *gin.Context) error {
	h, err := k.store.RuleHistory(c.Request.Context())
	if err != nil {
		return err
	}
	v := &ruleDiffView{Same: say.T("The two say the same."), Back: Act{Label: say.T("Back to the rules"), Symbol: "back", Href: "/rules", Weight: weightQuiet}}
	var ends [2]rules.Set
	for i, name := range []string{"from", "to"} {
		if ends[i], err = k.setOf(h, c.Query(name)); err != nil {
			return err
		}
		if ends[i].Rules == nil { // what counted for everywhere when it began
			r := *h.InForce("", ends[i].From).Rules
			ends[i].Rules = &r
		}
	}
	v.Changes = rules.Diff(*ends[0].Rules, *ends[1].Rules)
	v.Base = k.page(c, say.T("From version %d to version %d", ends[0].Version, ends[1].Version))
	v.Question = Question{Text: v.Title, Help: say.T("From the rules for %s to those for %s.", destinationWords(ends[0].Destination), destinationWords(ends[1].Destination))}
	return k.render(c, http.StatusOK, ruleDiffPage, v)
}

// ruleComes is what a change comes to: parts of the preview and of a proposal.
type ruleComes struct {
	Facts    []Fact
	Notices  []Notice
	Effects  []ruleEffect
	Assumes  say.Text
	Against  say.Text
	Changes  []rules.Change
	NoChange say.Text
}

type ruleEffect struct {
	Head  say.Text
	Shows []say.Text
}

// comes works out what a change for a destination comes to from a moment on. Nil rules
// end the destination's own.
func (k *kiosk) comes(c *gin.Context, b Base, h *rules.History, to string, r *consignment.RuleSet, from time.Time, reason string) (ruleComes, error) {
	start := say.T("at once")
	if from.After(b.Now) {
		start = b.Clock(from)
	} else {
		from = b.Now
	}
	out := ruleComes{Facts: []Fact{{Label: say.T("For"), Text: destinationWords(to)}, {Label: say.T("From"), Text: start}, {Label: say.T("Why"), Data: reason}}}
	now := h.InForce(to, from)
	will := r
	if r == nil {
		will = h.InForce("", from).Rules
		out.Notices = append(out.Notices, Notice{Tone: toneNote, Text: say.T("%s gives up its own rules.", to), Detail: say.T("From then on those for everywhere count, and follow them when they change.")})
	}
	effects, err := rules.Preview(*will)
	if err != nil {
		return out, err
	}
	before, err := rules.Preview(*now.Rules)
	if err != nil {
		return out, err
	}
	for i, e := range effects {
		head := say.T("With these numbers, %d packages need %d.", e.Packages, e.Examine)
		if was := before[i].Examine; was != e.Examine {
			head = say.T("With these numbers, %d packages need %d (now %d).", e.Packages, e.Examine, was)
		}
		last := len(e.Shows) - 1
		out.Effects = append(out.Effects, ruleEffect{head, e.Shows[:last]})
		out.Assumes = e.Shows[last]
	}
	out.Changes = rules.Diff(*now.Rules, *will)
	out.Against = say.T("What changes against version %d, for %s", now.Version, destinationWords(now.Destination))
	out.NoChange = say.T("Nothing: it is what counts there already.")
	for _, s := range h.Coming(from) {
		if rules.Same(s.Destination, to) {
			out.Notices = append(out.Notices, Notice{Tone: toneNote, Text: say.T("Version %d takes over on %s.", s.Version, b.Clock(s.From)), Detail: say.T("It is published already. To call it off, publish another one for the same moment.")})
		}
	}
	if to == "" {
		for _, d := range h.Destinations(from) {
			out.Notices = append(out.Notices, Notice{Tone: toneNote, Text: say.T("%s has rules of its own, and keeps them.", d)})
		}
		return out, nil
	}
	names, err := k.store.Destinations(c.Request.Context())
	if err != nil {
		return out, err
	}
	if !slices.ContainsFunc(names, func(n string) bool { return rules.Same(n, to) }) {
		out.Notices = append(out.Notices, Notice{Tone: toneNote, Text: say.T("No consignment here goes to %s.", to), Detail: say.T("Is it spelled as on the orders? Otherwise these rules never count.")})
	}
	return out, nil
}

// supervisorsNow counts who may change the rules.
func (k *kiosk) supervisorsNow(c *gin.Context) (int, error) {
	roster, err := k.store.Roster(c.Request.Context())
	if err != nil {
		return 0, err
	}
	n := 0
	for _, p := range roster.Working() {
		if p.Has(people.Supervisor) {
			n++
		}
	}
	return n, nil
}

type proposalView struct {
	Base
	Question Question
	Notices  []Notice
	Comes    ruleComes
	Action   string
	Seen     int
	Approve  Act
	Why      *Field
	Withdraw Act
	Rows     []rules.Row
	Back     Act
}

func (k *kiosk) proposal(c *gin.Context) error { return k.showProposal(c, nil) }

func (k *kiosk) showProposal(c *gin.Context, refused *say.Refusal) error {
	h, err := k.store.RuleHistory(c.Request.Context())
	if err != nil {
		return err
	}
	id, err := pathInt(c, "id")
	if err != nil {
		return err
	}
	p, ok := h.Proposal(id)
	if !ok {
		return say.Refuse(say.NotFound, "There is no such proposal.")
	}
	b := k.page(c, say.T("Proposed rules"))
	v := &proposalView{
		Base: b, Action: proposalPath(id), Seen: h.Newest(),
		Question: Question{Text: say.T("Proposed rules for %s", destinationWords(p.Destination)), Help: say.T("%s proposed them, %s.", p.By.Name, b.Clock(p.At))},
		Back:     Act{Label: say.T("Back to the rules"), Symbol: "back", Href: "/rules", Weight: weightQuiet},
	}
	if p.Rules != nil {
		v.Rows = rules.Rows(*p.Rules)
	}
	switch p.Standing {
	case rules.Approved:
		v.Notices = append(v.Notices, Notice{Tone: toneRight, Text: say.T("%s approved it, %s: it is version %d.", p.EndedBy.Name, b.Clock(p.EndedAt), p.Version)})
		v.Comes.Facts = []Fact{{Label: say.T("Why"), Data: p.Reason}}
		return k.render(c, statusOf(refused), rulePropPage, v)
	case rules.Withdrawn:
		n := Notice{Tone: toneNote, Text: say.T("%s withdrew it, %s.", p.EndedBy.Name, b.Clock(p.EndedAt))}
		if p.Why != "" {
			n.Detail = say.T("%s", p.Why)
		}
		v.Notices = append(v.Notices, n)
		v.Comes.Facts = []Fact{{Label: say.T("Why"), Data: p.Reason}}
		return k.render(c, statusOf(refused), rulePropPage, v)
	}
	if v.Comes, err = k.comes(c, b, h, p.Destination, p.Rules, p.From, p.Reason); err != nil {
		return err
	}
	supervisors, err := k.supervisorsNow(c)
	if err != nil {
		return err
	}
	me, _ := personOf(c)
	switch {
	case !canEdit(c):
		v.Notices = append(v.Notices, Notice{Tone: toneNote, Text: say.T("It waits for another supervisor than %s.", p.By.Name), Detail: say.T("Ask one to scan their badge.")})
	case me.ID == p.By.ID && h.NeedsTwo(p.Destination, b.Now, supervisors):
		v.Notices = append(v.Notices, Notice{Tone: toneNote, Text: say.T("You proposed this: another supervisor has to approve it."), Detail: say.T("Ask one to scan their badge here.")})
	default:
		v.Approve = Act{Label: say.T("Approve and publish"), Hint: say.T("your name stands on it as the second"), Symbol: "right", Weight: weightBig, Name: "do", Value: "approve"}
	}
	if canEdit(c) {
		v.Why = &Field{Name: "reason", Label: say.T("Why is it withdrawn?"), Value: c.PostForm("reason")}
		if me.ID == p.By.ID {
			v.Why.Hint = say.T("May be left empty: it is your own.")
		}
		v.Withdraw = Act{Label: say.T("Withdraw it"), Name: "do", Value: "withdraw"}
	}
	if refused != nil {
		if refused.Field == "reason" && v.Why != nil {
			v.Why.Error, v.Why.Focus = refused.Text, true
		} else {
			v.Notices = append(v.Notices, Notice{Tone: toneWrong, Text: refused.Text})
		}
	}
	return k.render(c, statusOf(refused), rulePropPage, v)
}

func (k *kiosk) endProposal(c *gin.Context) error {
	id, err := pathInt(c, "id")
	if err != nil {
		return err
	}
	var cmd rules.Command
	var done Flash
	switch c.PostForm("do") {
	case "approve":
		cmd = rules.Approve{ID: id, Seen: formInt(c, "seen")}
		done = Flash{Tone: toneRight, Text: say.T("The rules are published."), Detail: say.T("What is sealed from their start on is drawn by them.")}
	case "withdraw":
		cmd = rules.Withdraw{ID: id, Reason: c.PostForm("reason")}
		done = Flash{Tone: toneRight, Text: say.T("The proposal is withdrawn."), Detail: say.T("Nothing has changed.")}
	default:
		return say.Refuse(say.Invalid, "The rules do not know this step.")
	}
	_, err = k.store.DoRules(c.Request.Context(), actorOf(c), benchOf(c), c.PostForm("key"), cmd)
	if refused := asRefusal(err); refused != nil && refused.Code != say.NotFound {
		return k.showProposal(c, refused)
	}
	if err != nil {
		return err
	}
	tell(c, done)
	return k.forward(c, "/rules")
}

// oneLine makes one line of a value that belongs on one.
func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }
