// Package rules keeps the rule sets of a site: which one is in force where and
// when, which one is coming, and who said so.
//
// A rule set applies everywhere or to one destination, from a moment on. It is
// never changed: another one follows it, with the next version number. The list of
// them is a history like everything else: [Decide] turns a command into events,
// [History.Apply] makes the history from them, [History.InForce] says what counts.
// Version 1 is the shipped rule set and is in no history. Where the rule set in
// force asks for two people, one supervisor proposes a change and another approves
// it. [Check] says what is wrong with a rule set, [Diff] what differs between two,
// [Preview] what one comes to, [Write] and [Read] carry one in a file.
//
// The package draws nothing and plans no sample: a round keeps the rule set it ran
// under, and package consignment follows that.
package rules

import (
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"lastlook/internal/consignment"
	"lastlook/internal/exact"
	"lastlook/internal/say"
)

// Set is a published rule set. A nil Rules ends the destination's own rules: from
// then on it follows those for everywhere.
type Set struct {
	Version     int
	Destination string // "" is everywhere
	Rules       *consignment.RuleSet
	From        time.Time
	Reason      string
	Proposal    int // the proposal that was approved; 0 if one person published it
	ProposedBy  consignment.Actor
	PublishedBy consignment.Actor
	PublishedAt time.Time
}

// Standing is where a proposal stands.
type Standing string

// The standings.
const (
	Open      Standing = "open"
	Approved  Standing = "approved"
	Withdrawn Standing = "withdrawn"
)

// Proposal is a rule set that waits for a second person, or did.
type Proposal struct {
	ID          int // counted from 1
	Destination string
	Rules       *consignment.RuleSet
	From        time.Time
	Reason      string
	By          consignment.Actor
	At          time.Time
	Standing    Standing
	EndedBy     consignment.Actor
	EndedAt     time.Time
	Why         string // why it was withdrawn
	Version     int    // what it became
}

// Event is something that happened to the rules.
type Event interface{ Kind() string }

// The events.
type (
	// Proposed waits for another supervisor.
	Proposed struct {
		ID          int                  `json:"id"`
		Destination string               `json:"destination,omitempty"`
		Rules       *consignment.RuleSet `json:"rules,omitempty"`
		From        time.Time            `json:"from"`
		Reason      string               `json:"reason"`
	}
	// WasApproved publishes a proposal. From is later than proposed if the proposed
	// start had passed by then.
	WasApproved struct {
		ID      int       `json:"id"`
		Version int       `json:"version"`
		From    time.Time `json:"from"`
	}
	// WasWithdrawn ends a proposal.
	WasWithdrawn struct {
		ID     int    `json:"id"`
		Reason string `json:"reason,omitempty"`
	}
	// Published is a rule set that one supervisor published.
	Published struct {
		Version     int                  `json:"version"`
		Destination string               `json:"destination,omitempty"`
		Rules       *consignment.RuleSet `json:"rules,omitempty"`
		From        time.Time            `json:"from"`
		Reason      string               `json:"reason"`
	}
)

// Kind names the event in storage.
func (Proposed) Kind() string { return "rules_proposed" }

// Kind names the event in storage.
func (WasApproved) Kind() string { return "rules_approved" }

// Kind names the event in storage.
func (WasWithdrawn) Kind() string { return "rules_withdrawn" }

// Kind names the event in storage.
func (Published) Kind() string { return "rules_published" }

// Encode gives the stored bytes of an event.
func Encode(e Event) ([]byte, error) { return exact.JSON(e) }

// Decode reads what Encode wrote.
func Decode(kind string, b []byte) (Event, error) {
	switch kind {
	case "rules_proposed":
		return exact.Read[Proposed](b)
	case "rules_approved":
		return exact.Read[WasApproved](b)
	case "rules_withdrawn":
		return exact.Read[WasWithdrawn](b)
	case "rules_published":
		return exact.Read[Published](b)
	}
	return nil, say.Refuse(say.Storage, "The history of the rules holds a step of a kind this version does not know (%s). Start a newer version of Lastlook.", kind)
}

// History is the rules of a site as its events make them.
type History struct {
	Sets      []Set // published, in the order of their versions; the shipped one is not among them
	Proposals []Proposal
	Version   int // of the history, counted in events
	LastAt    time.Time
}

// Shipped gives the rule set that is in force before any other.
func Shipped() Set {
	r := consignment.DefaultRules()
	return Set{Version: r.Version, Rules: &r}
}

// Newest gives the newest version number.
func (h *History) Newest() int {
	if len(h.Sets) == 0 {
		return Shipped().Version
	}
	return h.Sets[len(h.Sets)-1].Version
}

// Set finds a rule set by its version, the shipped one included.
func (h *History) Set(version int) (Set, bool) {
	if s := Shipped(); version == s.Version {
		return s, true
	}
	i := slices.IndexFunc(h.Sets, func(s Set) bool { return s.Version == version })
	if i < 0 {
		return Set{}, false
	}
	return h.Sets[i], true
}

// Proposal finds a proposal.
func (h *History) Proposal(id int) (Proposal, bool) {
	if id < 1 || id > len(h.Proposals) {
		return Proposal{}, false
	}
	return h.Proposals[id-1], true
}

// OpenProposals gives those that wait, the oldest first.
func (h *History) OpenProposals() []Proposal {
	return slices.DeleteFunc(slices.Clone(h.Proposals), func(p Proposal) bool { return p.Standing != Open })
}

// Same reports whether two destinations are one, however they are written.
func Same(a, b string) bool { return strings.EqualFold(oneLine(a), oneLine(b)) }

// started gives the rule set with the latest start that has come, among those
// published for exactly this destination. Of two with one start the newer counts.
func (h *History) started(destination string, at time.Time) (Set, bool) {
	var found Set
	ok := false
	for _, s := range h.Sets {
		if Same(s.Destination, destination) && !s.From.After(at) && (!ok || !s.From.Before(found.From)) {
			found, ok = s, true
		}
	}
	return found, ok
}

// InForce gives what counts for a destination at a moment: its own rule set before
// the one for everywhere. "" asks for the latter. Rules is never nil.
func (h *History) InForce(destination string, at time.Time) Set {
	if oneLine(destination) != "" {
		if s, ok := h.started(destination, at); ok && s.Rules != nil {
			return s
		}
	}
	if s, ok := h.started("", at); ok {
		return s
	}
	return Shipped()
}

// Coming gives the rule sets whose start has not come, the next one first.
func (h *History) Coming(at time.Time) []Set {
	out := slices.DeleteFunc(slices.Clone(h.Sets), func(s Set) bool { return !s.From.After(at) })
	slices.SortStableFunc(out, func(a, b Set) int { return a.From.Compare(b.From) })
	return out
}

// Destinations gives the destinations that have rules of their own at a moment, in
// the order in which they first had them.
func (h *History) Destinations(at time.Time) []string {
	var out []string
	for _, s := range h.Sets {
		if s.Destination == "" || slices.ContainsFunc(out, func(d string) bool { return Same(d, s.Destination) }) {
			continue
		}
		if own := h.InForce(s.Destination, at); own.Destination != "" {
			out = append(out, own.Destination)
		}
	}
	return out
}

// NeedsTwo reports whether a change for a destination takes two people: the rule
// set in force there says so, and there are two.
func (h *History) NeedsTwo(destination string, at time.Time, supervisors int) bool {
	return supervisors >= 2 && slices.Contains(h.InForce(destination, at).Rules.TwoPeople, consignment.DutyRules)
}

// Meta is who takes a step and when. Supervisors lists the IDs of those who may.
type Meta struct {
	Actor       consignment.Actor
	At          time.Time
	Supervisors []string
}

// Apply adds one event to the history.
func (h *History) Apply(e Event, by consignment.Actor, at time.Time) error {
	switch e := e.(type) {
	case Proposed:
		if e.ID != len(h.Proposals)+1 {
			return fmt.Errorf("rules: proposal %d follows %d", e.ID, len(h.Proposals))
		}
		h.Proposals = append(h.Proposals, Proposal{ID: e.ID, Destination: e.Destination, Rules: e.Rules, From: e.From, Reason: e.Reason, By: by, At: at, Standing: Open})
	case WasApproved:
		p, err := h.open(e.ID)
		if err != nil {
			return err
		}
		p.Standing, p.EndedBy, p.EndedAt, p.Version = Approved, by, at, e.Version
		return h.publish(Set{Version: e.Version, Destination: p.Destination, Rules: p.Rules, From: e.From, Reason: p.Reason,
			Proposal: p.ID, ProposedBy: p.By, PublishedBy: by, PublishedAt: at})
	case WasWithdrawn:
		p, err := h.open(e.ID)
		if err != nil {
			return err
		}
		p.Standing, p.EndedBy, p.EndedAt, p.Why = Withdrawn, by, at, e.Reason
	case Published:
		return h.publish(Set{Version: e.Version, Destination: e.Destination, Rules: e.Rules, From: e.From, Reason: e.Reason,
			ProposedBy: by, PublishedBy: by, PublishedAt: at})
	}
	h.Version++
	h.LastAt = at
	return nil
}

func (h *History) open(id int) (*Proposal, error) {
	if p, ok := h.Proposal(id); !ok || p.Standing != Open {
		return nil, fmt.Errorf("rules: proposal %d is not open", id)
	}
	return &h.Proposals[id-1], nil
}

func (h *History) publish(s Set) error {
	if s.Version != h.Newest()+1 {
		return fmt.Errorf("rules: version %d follows %d", s.Version, h.Newest())
	}
	if s.Rules == nil && s.Destination == "" {
		return fmt.Errorf("rules: version %d leaves everywhere without rules", s.Version)
	}
	if s.Rules != nil { // its number is that of the set, not the one it was made from
		r := *s.Rules
		r.Version = s.Version
		s.Rules = &r
	}
	h.Sets = append(h.Sets, s)
	h.Version++
	h.LastAt = s.PublishedAt
	return nil
}

// Command is a change that somebody wants to make.
type Command interface{ isCommand() }

// The commands.
type (
	// Propose is a rule set for a destination, or everywhere (""). It is published at
	// once where one person is enough. A nil Rules ends the destination's own. A zero
	// From is now. Seen is the newest version when the rules were written.
	Propose struct {
		Destination string
		Rules       *consignment.RuleSet
		From        time.Time
		Reason      string
		Seen        int
	}
	// Approve publishes a proposal. Seen is the newest version it was compared with.
	Approve struct{ ID, Seen int }
	// Withdraw ends a proposal. Who did not make it gives a reason.
	Withdraw struct {
		ID     int
		Reason string
	}
)

func (Propose) isCommand()  {}
func (Approve) isCommand()  {}
func (Withdraw) isCommand() {}

const (
	maxReason      = 500
	maxDestination = 120
	// late is how much later than its start a rule set may be sent: the minute in which
	// it was written.
	late = time.Minute
	// farthest is how far ahead a start may be; further is a slip of the year.
	farthest = 366 * 24 * time.Hour
)

// Decide says what follows from a command, or refuses it in words.
func Decide(h *History, m Meta, c Command) ([]Event, error) {
	if !slices.Contains(m.Supervisors, m.Actor.ID) {
		return nil, say.Refuse(say.Forbidden, "Only a supervisor can change the rules. Ask one to scan their badge.")
	}
	switch c := c.(type) {
	case Propose:
		return h.propose(m, c)
	case Approve:
		p, err := h.waiting(c.ID)
		switch {
		case err != nil:
			return nil, err
		case c.Seen != h.Newest():
			return nil, say.Refuse(say.Conflict, "Version %d was published since this page was opened: look at what differs now, then approve.", h.Newest())
		case p.By.ID == m.Actor.ID && h.NeedsTwo(p.Destination, m.At, len(m.Supervisors)):
			return nil, say.Refuse(say.Forbidden, "You proposed this yourself: another supervisor has to approve it.")
		}
		from := p.From
		if from.Before(m.At) {
			from = m.At
		}
		return []Event{WasApproved{ID: p.ID, Version: h.Newest() + 1, From: from}}, nil
	case Withdraw:
		p, err := h.waiting(c.ID)
		if err != nil {
			return nil, err
		}
		why, err := reason(c.Reason)
		if err != nil {
			return nil, err
		}
		if why == "" && p.By.ID != m.Actor.ID {
			return nil, say.Refuse(say.Invalid, "Say why: %s made this proposal and will want to know.", p.By.Name).For("reason")
		}
		return []Event{WasWithdrawn{ID: p.ID, Reason: why}}, nil
	}
	return nil, say.Refuse(say.Invalid, "The rules do not know this step.")
}

func (h *History) waiting(id int) (Proposal, error) {
	p, here := h.Proposal(id)
	switch {
	case !here:
		return p, say.Refuse(say.NotFound, "There is no such proposal.")
	case p.Standing == Approved:
		return p, say.Refuse(say.Conflict, "%s approved this already: it is version %d.", p.EndedBy.Name, p.Version)
	case p.Standing == Withdrawn:
		return p, say.Refuse(say.Conflict, "%s withdrew this proposal. Make a new one if it is still wanted.", p.EndedBy.Name)
	}
	return p, nil
}

func (h *History) propose(m Meta, c Propose) ([]Event, error) {
	to := oneLine(c.Destination)
	if utf8.RuneCountInString(to) > maxDestination {
		return nil, say.Refuse(say.Invalid, "The destination is longer than %d characters: shorten it.", maxDestination).For("for")
	}
	for _, s := range h.Sets { // written once, written so for good
		if s.Destination != "" && Same(s.Destination, to) {
			to = s.Destination
			break
		}
	}
	if c.Seen != h.Newest() {
		return nil, say.Refuse(say.Conflict, "Version %d was published since this page was opened. Look at it, then make your change again.", h.Newest())
	}
	for _, p := range h.OpenProposals() {
		if Same(p.Destination, to) {
			return nil, say.Refuse(say.Conflict, "A proposal by %s waits for the same destination: approve or withdraw that one first.", p.By.Name)
		}
	}
	if c.Rules != nil {
		if wrong := Check(*c.Rules); len(wrong) > 0 {
			return nil, wrong[0]
		}
	}
	from := c.From
	switch {
	case from.IsZero():
		from = m.At
	case from.Before(m.At.Add(-late)):
		return nil, say.Refuse(say.Invalid, "The start is in the past: what was inspected before keeps its rules. Choose a later moment, or leave it empty for now.").For("from")
	case from.After(m.At.Add(farthest)):
		return nil, say.Refuse(say.Invalid, "The start is more than a year away: check the date.").For("from")
	case from.Before(m.At):
		from = m.At
	}
	why, err := reason(c.Reason)
	switch {
	case err != nil:
		return nil, err
	case why == "":
		return nil, say.Refuse(say.Invalid, "Say why the rules change: it stays on the record.").For("reason")
	}
	if err := h.changes(to, c.Rules, from); err != nil {
		return nil, err
	}
	var rules *consignment.RuleSet
	if c.Rules != nil {
		r := *c.Rules
		r.Version = 0 // given when it is published
		rules = &r
	}
	if h.NeedsTwo(to, m.At, len(m.Supervisors)) {
		return []Event{Proposed{ID: len(h.Proposals) + 1, Destination: to, Rules: rules, From: from.UTC(), Reason: why}}, nil
	}
	return []Event{Published{Version: h.Newest() + 1, Destination: to, Rules: rules, From: from.UTC(), Reason: why}}, nil
}

// changes refuses what would change nothing.
func (h *History) changes(to string, rules *consignment.RuleSet, from time.Time) error {
	before := h.InForce(to, from)
	own := Same(before.Destination, to)
	switch {
	case rules == nil && to == "":
		return say.Refuse(say.Invalid, "The rules for everywhere cannot be given up. Change them instead.")
	case rules == nil && !own:
		return say.Refuse(say.Invalid, "%s has no rules of its own at that moment: there is nothing to give up.", to)
	case rules != nil && own && Equal(*before.Rules, *rules):
		return say.Refuse(say.Invalid, "Nothing is changed yet: this is what is in force at that moment.")
	}
	return nil
}

// Equal reports whether two rule sets say the same, whatever their numbers.
func Equal(a, b consignment.RuleSet) bool {
	return len(Diff(a, b)) == 0
}

func reason(s string) (string, error) {
	s = oneLine(s)
	if utf8.RuneCountInString(s) > maxReason {
		return "", say.Refuse(say.Invalid, "The reason is longer than %d characters: shorten it.", maxReason).For("reason")
	}
	return s, nil
}

func oneLine(s string) string {
	return strings.Join(strings.FieldsFunc(s, func(c rune) bool { return unicode.IsSpace(c) || unicode.IsControl(c) }), " ")
}
