package kiosk

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"net/http"
	"slices"
	"time"

	"github.com/gin-gonic/gin"

	"lastlook/internal/consignment"
	"lastlook/internal/say"
	"lastlook/internal/store"
)

// boardPage is the screen on the wall: where everything stands, to be read from four
// metres. Nothing on it is pressed. It keeps itself up to date, for days, and says
// so when it cannot.
var boardPage = declarePage("board")

// boardRoutes lists the routes of the board.
func (k *kiosk) boardRoutes(e *gin.Engine) {
	e.GET("/board", k.as(anybody, k.board))
	e.GET("/board/events", k.as(anybody, k.boardEvents))
	k.liveRoutes(e)
}

type boardView struct {
	Base
	Program string // that made this page
	Clock   string
	Day     say.Text
	Columns []boardColumn
	Waiting say.Text // for whoever has no script
}

// boardColumn is groups below each other.
type boardColumn struct{ Groups []boardGroup }

// boardGroup is the consignments that stand in one place of the way.
type boardGroup struct {
	State state
	Title say.Text
	Count int
	Tags  []boardTag
	More  say.Text // what there is no room for
	None  say.Text // said if there are none
}

// boardTag is a tag, and for goods that passed the time that is left.
type boardTag struct {
	Tag
	Bar *boardBar
}

// boardBar is the part of the window that is left, in minutes.
type boardBar struct {
	Left, Whole int
	Short       bool // less than an eighth
	Text        say.Text
}

const (
	// aloneRoom is for how many tags a column of one group has room, sharedRoom for
	// how many one of two has, and barRoom the same where tags have bars. Everything
	// on the board grows with the window, so the numbers hold for every screen on a
	// wall.
	aloneRoom, sharedRoom, barRoom = 7, 6, 5
	// leftShown is the most consignments that left of which the board knows.
	leftShown = 500
	// staleAfter is when something that was never carried on with makes room for
	// what is of today. It is counted, not shown.
	staleAfter = 24 * time.Hour
)

// shareRoom divides room for tags among two groups: each gets what it needs, as far
// as there is room, and neither is crowded out by the other.
func shareRoom(room, a, b int) (int, int) {
	half := room / 2
	switch {
	case a+b <= room:
		return a, b
	case a <= half:
		return a, room - a
	case b <= half:
		return room - b, b
	}
	return room - half, half
}

// boardNow arranges what the board shows.
func boardNow(b Base, window func(destination string) time.Duration, here, left []store.Summary) []boardColumn {
	due := boardGroup{State: stateDue, Title: say.T("Due"), None: say.T("nothing is due")}
	work := boardGroup{State: stateWork, Title: say.T("Under inspection"), None: say.T("nothing")}
	held := boardGroup{State: stateHeld, Title: say.T("Held"), None: say.T("nothing")}
	stop := boardGroup{State: stateStopped, Title: say.T("Stopped"), None: say.T("nothing")}
	bad := boardGroup{State: stateRejected, Title: say.T("Rejected, isolated"), None: say.T("nothing")}
	pass := boardGroup{State: statePassed, Title: say.T("Passed"), None: say.T("nothing waits to leave")}
	gone := boardGroup{State: stateGone, Title: say.T("Left today"), None: say.T("nothing yet")}

	var sums [7][]store.Summary
	groups := [7]*boardGroup{&due, &work, &held, &stop, &bad, &pass, &gone}
	const dueAt, workAt, heldAt, stopAt, badAt, passAt, goneAt = 0, 1, 2, 3, 4, 5, 6
	put := func(at int, s store.Summary) { sums[at] = append(sums[at], s) }
	old := map[int]int{}
	for _, s := range here {
		switch consignment.Standing(s.Stage) {
		case consignment.StandWork:
			put(workAt, s)
		case consignment.StandHeld:
			put(heldAt, s)
		case consignment.StandStopped:
			put(stopAt, s)
		case consignment.StandRejected, consignment.StandIsolated:
			put(badAt, s)
		case consignment.StandPassed:
			if b.Now.Sub(s.ValidUntil) > staleAfter {
				old[passAt]++
				continue
			}
			put(passAt, s)
		default:
			if b.Now.Sub(s.DispatchAt) > staleAfter {
				old[dueAt]++
				continue
			}
			put(dueAt, s)
		}
	}
	y, m, d := b.Now.Date()
	for _, s := range left {
		if ly, lm, ld := s.LeftAt.In(b.Now.Location()).Date(); ly == y && lm == m && ld == d {
			put(goneAt, s)
		}
		if s.Held != "" {
			put(stopAt, s) // it left, and should not have: whoever can must know
		}
	}
	by := func(at int, key func(store.Summary) time.Time, newest bool) {
		slices.SortStableFunc(sums[at], func(a, b store.Summary) int {
			c := cmp.Or(key(a).Compare(key(b)), cmp.Compare(a.Number, b.Number))
			if newest {
				return -c
			}
			return c
		})
	}
	by(dueAt, func(s store.Summary) time.Time { return s.LatestStart }, false)
	by(workAt, func(s store.Summary) time.Time { return s.DispatchAt }, false)
	by(heldAt, func(s store.Summary) time.Time { return s.WaitingSince }, false)
	by(stopAt, func(s store.Summary) time.Time { return s.WaitingSince }, true)
	by(badAt, func(s store.Summary) time.Time { return s.EndedAt }, true)
	by(passAt, func(s store.Summary) time.Time { return earlier(s.DispatchAt, s.ValidUntil) }, false)
	by(goneAt, func(s store.Summary) time.Time { return s.LeftAt }, true)

	n := func(at int) int { return len(sums[at]) }
	var room [7]int
	room[dueAt] = aloneRoom
	room[workAt], room[heldAt] = shareRoom(sharedRoom, n(workAt), n(heldAt))
	room[stopAt], room[badAt] = shareRoom(sharedRoom, n(stopAt), n(badAt))
	room[passAt], room[goneAt] = shareRoom(barRoom, n(passAt), n(goneAt))
	for at, g := range groups {
		g.Count = n(at)
		for i, s := range sums[at] {
			if i == room[at] {
				break
			}
			g.Tags = append(g.Tags, boardTagOf(b, window, s))
		}
		more := n(at) - len(g.Tags)
		switch {
		case more > 0 && old[at] > 0:
			g.More = say.T("and %d more; %d from before", more, old[at])
		case more > 0:
			g.More = say.T("and %d more", more)
		case old[at] > 0 && at == passAt:
			g.More = say.T("and %d that lapsed before", old[at])
		case old[at] > 0:
			g.More = say.T("and %d from before", old[at])
		}
	}
	return []boardColumn{{[]boardGroup{due}}, {[]boardGroup{work, held}}, {[]boardGroup{stop, bad}}, {[]boardGroup{pass, gone}}}
}

// boardTagOf is a consignment on the board.
func boardTagOf(b Base, window func(string) time.Duration, s store.Summary) boardTag {
	t := boardTag{Tag: summaryTag(b, s)}
	t.Small = true
	switch consignment.Standing(s.Stage) {
	case consignment.StandPassed:
		whole, left := window(s.Destination), s.ValidUntil.Sub(b.Now)
		if left > 0 && whole > 0 {
			t.Bar = &boardBar{Left: min(int(left.Minutes()), int(whole.Minutes())), Whole: int(whole.Minutes()), Short: left < whole/8, Text: say.T("%s left", span(left))}
			t.Note = say.Text{} // the bar says it
			if s.Aboard > 0 {
				t.By = say.T("%d/%d aboard, by %s", s.Aboard, s.Packages, b.Clock(earlier(s.DispatchAt, s.ValidUntil)))
			}
		}
	case consignment.StandWork:
		t.Note = say.Text{} // the mark says how far it is
	case consignment.StandHeld, consignment.StandStopped:
		t.By, t.Note = t.Note, say.Text{}
	case consignment.StandRejected, consignment.StandIsolated:
		t.By, t.Note = t.Note, say.Text{}
		if s.Place != "" {
			t.Note = say.T("in %s", s.Place)
		}
	case consignment.StandGone:
		if s.Held != "" {
			t.Mark = Mark{State: stateStopped, Text: say.T("kept back, but gone")}
		}
		if s.Vehicle != "" {
			t.Note = say.T("%s", s.Vehicle)
		}
	}
	return t
}

// boardOf reads and arranges the board.
func (k *kiosk) boardOf(ctx context.Context, b Base) (*boardView, error) {
	here, left, err := k.store.Board(ctx, leftShown)
	if err != nil {
		return nil, err
	}
	window := func(destination string) time.Duration { return k.store.Rules(destination).Window() }
	return &boardView{
		Base: b, Program: k.serving(), Clock: b.Now.Format("15:04"),
		Day:     say.T("%s %d %s", weekdays[b.Now.Weekday()], b.Now.Day(), months[b.Now.Month()-1]),
		Columns: boardNow(b, window, here, left),
	}, nil
}

func (k *kiosk) board(c *gin.Context) error {
	b := k.page(c, say.T("Board"))
	b.Wall = true
	v, err := k.boardOf(c.Request.Context(), b)
	if err != nil {
		return err
	}
	return k.render(c, http.StatusOK, boardPage, v)
}

// boardEvents answers GET /board/events: the board as it is now, whenever a step
// was kept and every half minute.
func (k *kiosk) boardEvents(c *gin.Context) error {
	b := k.streamBase(c)
	return k.follow(c, func(ctx context.Context, _ bool) (string, error) {
		commits := k.store.Commits() // before anything is read
		return k.live.share("board "+b.Lang, commits, func() (string, error) {
			b := b
			b.Now = k.Now()
			v, err := k.boardOf(ctx, b)
			if err != nil {
				return "", err
			}
			part, err := k.part(boardPage, "board", v)
			return eventText(eventBoard, part), err
		})
	})
}

// streamBase is the Base of what a stream sends. It takes nothing that waits for
// the next page.
func (k *kiosk) streamBase(c *gin.Context) Base {
	t := pick(k.Tongues, c.GetHeader("Accept-Language"))
	return Base{Lang: t.lang(), Now: k.Now(), Demo: k.Demo, tongue: t}
}

// part renders one template of a page.
func (s *screens) part(p page, name string, v view) (string, error) {
	t := s.sets[v.base().tongue.lang()][p]
	if t == nil {
		return "", fmt.Errorf("kiosk: render %q: not declared", p)
	}
	var buf bytes.Buffer
	if err := t.ExecuteTemplate(&buf, name, v); err != nil {
		return "", fmt.Errorf("kiosk: render %q of %q: %w", name, p, err)
	}
	return buf.String(), nil
}
