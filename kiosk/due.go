package kiosk

import (
	"net/http"
	"time"

	"github.com/gin-gonic/gin"

	"lastlook/internal/consignment"
	"lastlook/internal/people"
	"lastlook/internal/say"
	"lastlook/internal/store"
)

// duePage is where the bench begins: what is due, soonest latest moment first.
var duePage = declarePage("due")

type dueView struct {
	Base
	Question Question
	Due      []Tag
	Waiting  []Tag // decided, and not gone: the most pressing first
	More     int   // waiting, but not shown
	Over     []Tag
	Empty    Panel
	Links    []Act
}

// overShown is how many consignments that left are shown, waitingShown how many
// that wait for something.
const (
	overShown    = 6
	waitingShown = 24
)

// pressing is the order in which what waits is shown.
var pressing = []consignment.Standing{
	consignment.StandStopped, consignment.StandHeld, consignment.StandRejected, consignment.StandIsolated, consignment.StandPassed,
}

func (k *kiosk) due(c *gin.Context) error {
	due, _, err := k.store.Due(c.Request.Context(), 0)
	if err != nil {
		return err
	}
	here, over, err := k.store.Board(c.Request.Context(), overShown)
	if err != nil {
		return err
	}
	b := k.page(c, say.T("Due"))
	v := &dueView{
		Base:     b,
		Question: Question{Text: say.T("What is due"), Help: say.T("Tap one, or scan one of its packages: the next thing to do opens.")},
		Empty: Panel{Kind: panelEmpty, Text: say.T("Nothing is due"), Detail: say.T("Bring in an order file, or type a consignment in."),
			Act: Act{Label: say.T("Bring in orders"), Href: "/orders/upload", Weight: weightBig}},
		Links: []Act{
			{Label: say.T("Look something up"), Symbol: "look", Key: "l", Href: "/lookup"},
			{Label: say.T("Type a consignment in"), Symbol: "keys", Href: "/orders/new"},
			{Label: say.T("Bring in orders"), Symbol: "book", Href: "/orders/upload"},
			{Label: say.T("Samples"), Symbol: "vial", Href: "/samples"},
			{Label: say.T("People"), Symbol: "person", Href: "/people"},
			{Label: say.T("Cards to scan"), Symbol: "scan", Href: "/cards"},
		},
	}
	v.Links = append(v.Links, Act{Label: say.T("Gate: load what passed"), Symbol: "state-gone", Href: "/gate"}, Act{Label: say.T("Board for the wall"), Symbol: "state-due", Href: "/board"}, Act{Label: say.T("Office"), Hint: say.T("places, notices, badges, upkeep"), Symbol: "book", Href: "/office"})
	if p, ok := personOf(c); ok && p.Has(people.Trainee) {
		v.Links = append(v.Links, Act{Label: say.T("Practice"), Symbol: "look", Href: "/practice"})
	}
	for _, s := range due {
		t := summaryTag(b, s)
		t.Href = "/c/" + s.Code + "/next"
		v.Due = append(v.Due, t)
	}
	for _, stands := range pressing {
		for _, s := range here {
			if consignment.Standing(s.Stage) != stands {
				continue
			}
			if len(v.Waiting) == waitingShown {
				v.More++
				continue
			}
			t := summaryTag(b, s)
			t.Href = "/c/" + s.Code + "/next"
			v.Waiting = append(v.Waiting, t)
		}
	}
	for _, s := range over {
		t := summaryTag(b, s)
		t.Href = "/c/" + s.Code + "/outcome"
		v.Over = append(v.Over, t)
	}
	return k.render(c, http.StatusOK, duePage, v)
}

// stateOf gives the look of a stage.
func stateOf(stage store.Stage, dispatch, now time.Time) state {
	s := standState(consignment.Standing(stage))
	if (s == stateDue || s == stateWork) && dispatch.Before(now) {
		return stateLate
	}
	return s
}

// summaryTag is a consignment of a list as its tag.
func summaryTag(b Base, s store.Summary) Tag {
	t := Tag{
		Number: s.Number, Customer: s.Customer, Destination: s.Destination,
		Packages: packagesText(s.Packages), Mark: Mark{State: stateOf(s.Stage, s.DispatchAt, b.Now)},
	}
	switch s.Stage {
	case store.OpenStage:
		t.By = b.StartBy(s.LatestStart)
		if s.LatestStart.Before(b.Now) {
			t.By = b.LeaveBy(s.DispatchAt)
		}
	case store.Inspecting:
		t.By = b.LeaveBy(s.DispatchAt)
		t.Note = say.T("%d of %d fetched", s.Fetched, s.ToExamine)
		t.Mark.Text = say.T("%d of %d examined", s.Examined, s.ToExamine)
	case store.Stage(consignment.StandPassed):
		t.By = b.LeaveBy(earlier(s.DispatchAt, s.ValidUntil))
		t.Note = windowLeft(b, s.ValidUntil)
		switch {
		case b.Now.After(s.ValidUntil):
			t.Mark = Mark{State: stateLate, Text: say.T("passed, but lapsed")}
			t.By, t.Note = say.T("its window ended %s", b.Clock(s.ValidUntil)), say.Text{}
		case s.Aboard > 0:
			t.Note = say.T("%d of %d loaded; %s", s.Aboard, s.Packages, t.Note)
		}
	case store.Stage(consignment.StandHeld), store.Stage(consignment.StandStopped):
		t.By = b.LeaveBy(s.DispatchAt)
		t.Note = say.T("waits since %s", b.Clock(s.WaitingSince))
	case store.Stage(consignment.StandRejected), store.Stage(consignment.StandIsolated):
		t.By = b.LeaveBy(s.DispatchAt)
		t.Note = say.T("since %s", b.Clock(s.EndedAt))
		if s.ReEntry.After(b.Now) {
			t.Note = say.T("treated: re-entry at %s", b.Clock(s.ReEntry))
		}
	case store.Stage(consignment.StandGone):
		t.By = say.T("left at %s", b.Clock(s.LeftAt))
	}
	return t
}

// windowLeft says how long goods that passed may still leave.
func windowLeft(b Base, until time.Time) say.Text {
	return say.T("window: %s left", span(until.Sub(b.Now)))
}

func earlier(a, b time.Time) time.Time {
	if b.IsZero() || a.Before(b) {
		return a
	}
	return b
}

func packagesText(n int) say.Text {
	if n == 1 {
		return say.T("1 package")
	}
	return say.T("%d packages", n)
}

// stateTag is a consignment as the small tag at the head of its screens.
func (k *kiosk) stateTag(b Base, st *consignment.State) Tag {
	t := Tag{
		Number: st.Number, Customer: st.Customer, Destination: st.Destination,
		Packages: packagesText(st.Count()), By: b.LeaveBy(st.DispatchAt), Small: true,
	}
	standing := st.Standing()
	r := st.Round()
	t.Mark.State = stateOf(store.Stage(standing), st.DispatchAt, b.Now)
	switch {
	case standing == consignment.StandWork:
		t.Mark.Text = say.T("%d of %d examined", examined(r), len(r.Exams))
	case standing == consignment.StandGone:
		t.By = say.T("left at %s", b.Clock(st.Dispatched.At))
	case standing == consignment.StandPassed && b.Now.After(r.Ended.ValidUntil):
		t.Mark = Mark{State: stateLate, Text: say.T("passed, but lapsed")}
		t.By = say.T("its window ended %s", b.Clock(r.Ended.ValidUntil))
	case standing == consignment.StandPassed:
		t.By, t.Note = b.LeaveBy(earlier(st.DispatchAt, r.Ended.ValidUntil)), windowLeft(b, r.Ended.ValidUntil)
	}
	return t
}

func examined(r *consignment.Round) int {
	n := 0
	for _, x := range r.Exams {
		if x.Closed() {
			n++
		}
	}
	return n
}
