package kiosk

import (
	"crypto/rand"
	"strconv"
	"time"

	"github.com/gin-gonic/gin"

	"lastlook/internal/say"
)

// themes are the two looks. day is the ordinary one; contrast is for glare: black
// on white, heavier strokes, no tints.
const (
	themeDay      = "day"
	themeContrast = "contrast"
	themeCookie   = "lastlook-theme"
)

// tone is how an answer sounds and looks.
type tone string

// The tones. Right and wrong answer a scan or a tap; note tells something
// that is neither.
const (
	toneRight tone = "right"
	toneWrong tone = "wrong"
	toneNote  tone = "note"
)

// Flash is what has just happened, said once at the top of the next page. The
// zero Flash says nothing.
type Flash struct {
	Tone   tone
	Text   say.Text
	Detail say.Text // a second sentence, smaller; may be empty
}

// Base is what every page knows. Each page's struct embeds it; handlers get a
// filled one from screens.page.
type Base struct {
	Title   say.Text
	Lang    string
	Theme   string // day or contrast
	Bench   string
	Person  string // name of the person at the bench; empty means nobody yet
	Demo    bool
	Now     time.Time
	Flash   Flash
	Here    string // path of this page: where the theme switch and a dismissed verdict lead
	Version int    // version of the consignment shown; 0 means the page shows none
	// Ground turns the whole screen over: "" for the ordinary ground, "stop" for
	// the stop screen.
	Ground string
	// Quiet leaves out the foot that says that anything may be scanned, for
	// pages that are printed or read by strangers.
	Quiet bool
	// Stops are the stops that nobody answered yet: they stand on every screen.
	Stops []stopBar
	// Wall is a screen that nobody touches: no bar, no foot, no scanner.
	Wall bool

	tongue tongue
}

func (b *Base) base() *Base { return b }

// T says the sentence with the given English key.
func (b Base) T(key string, args ...any) string { return b.tongue.print(key, args...) }

// Watched is the code of the consignment that the page is about, whose stop shows the
// page anew; "*" is a page about none.
func (b Base) Watched() string {
	if m := placePattern.FindStringSubmatch(b.Here); m != nil {
		return m[1]
	}
	return "*"
}

// Say says a Text.
func (b Base) Say(t say.Text) string { return t.With(b.tongue.print) }

// Time says a time of day, with the day if it is not today.
func (b Base) Time(t time.Time) string { return b.Say(clock(t, b.Now)) }

// StartBy says by when to start and how far off that is:
// "start by 14:10 (in 1 h 50)".
func (b Base) StartBy(t time.Time) say.Text {
	return say.T("start by %s (%s)", clock(t, b.Now), left(t, b.Now))
}

// LeaveBy says by when to leave: "leave by 14:10 (in 1 h 50)".
func (b Base) LeaveBy(t time.Time) say.Text {
	return say.T("leave by %s (%s)", clock(t, b.Now), left(t, b.Now))
}

// Clock says a time of day as a Text, for parts.
func (b Base) Clock(t time.Time) say.Text { return clock(t, b.Now) }

// When is StartBy as a string, for use in a page.
func (b Base) When(t time.Time) string { return b.Say(b.StartBy(t)) }

// NewKey makes the idempotency key of one form: 26 letters and digits, 130 bits
// of chance. The same key sent twice is one event.
func (b Base) NewKey() string { return rand.Text() }

// Once gives the hidden fields that every form carries: the idempotency key and
// the version the page was made from. Use {{template "hidden" .Once}}.
func (b Base) Once() []Hidden {
	h := []Hidden{{Name: "key", Value: b.NewKey()}}
	if b.Version > 0 {
		h = append(h, Hidden{Name: "version", Value: strconv.Itoa(b.Version)})
	}
	return h
}

// OtherTheme is the theme that the switch leads to.
func (b Base) OtherTheme() string {
	if b.Theme == themeContrast {
		return themeDay
	}
	return themeContrast
}

// page makes the Base of a page with the given title.
func (s *screens) page(c *gin.Context, title say.Text) Base {
	b := Base{
		Title:  title,
		Theme:  themeDay,
		Bench:  s.Bench,
		Demo:   s.Demo,
		Now:    s.Now(),
		Here:   c.Request.URL.Path,
		tongue: pick(s.Tongues, c.GetHeader("Accept-Language")),
	}
	b.Lang = b.tongue.lang()
	if got, err := c.Cookie(themeCookie); err == nil && got == themeContrast {
		b.Theme = themeContrast
	}
	if s.Fill != nil {
		s.Fill(c, &b)
	}
	return b
}

// switchTheme answers the theme switch: POST /theme with theme and back. It
// works as a plain form.
func (s *screens) switchTheme(c *gin.Context) error {
	theme := c.PostForm("theme")
	if theme != themeDay && theme != themeContrast {
		return say.Refuse(say.Invalid, "There is no such look. Use day or contrast.")
	}
	setCookie(c, themeCookie, theme)
	c.Redirect(303, localPath(c.PostForm("back")))
	return nil
}
