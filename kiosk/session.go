package kiosk

import (
	"encoding/base64"
	"encoding/json"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/gin-gonic/gin"

	"lastlook/internal/consignment"
	"lastlook/internal/order"
	"lastlook/internal/people"
	"lastlook/internal/say"
)

const (
	personCookie = "lastlook-person"
	flashCookie  = "lastlook-flash"
	personKey    = "lastlook.person"
	benchCookie  = "lastlook-bench"
	benchKey     = "lastlook.bench"
)

// permission is what a route asks of the person at the bench.
type permission int

// The permissions.
const (
	anybody  permission = iota // reading, and saying who one is
	atBench                    // taking a step: somebody on the list must have said who they are
	inOffice                   // keeping lists and orders: the same, for now
	asSuper                    // only a supervisor
)

// as is the one place where permission is asked: it finds the person who said
// who they are, and refuses what the route asks for and the person has not.
func (k *kiosk) as(need permission, h handler) gin.HandlerFunc {
	return k.handle(func(c *gin.Context) error {
		p, known, empty, err := k.personAt(c)
		if err != nil {
			return err
		}
		if known {
			c.Set(personKey, p)
		}
		c.Set(benchKey, k.benchName(c))
		switch {
		case need == anybody:
		case !known && need == asSuper && empty:
			// Nobody is on the list yet: somebody must be able to begin it.
		case !known:
			if c.Request.Method == http.MethodGet && !wantsJSON(c) {
				return k.forward(c, "/who?back="+url.QueryEscape(c.Request.URL.RequestURI()))
			}
			return say.Refuse(say.Forbidden, "Say who you are first: choose your name or scan your badge.")
		case need == asSuper && !p.Has(people.Supervisor):
			return say.Refuse(say.Forbidden, "Only a supervisor can do this. Ask one to scan their badge.")
		}
		return h(c)
	})
}

// personAt finds who is at the bench. empty reports that the list of people has
// nobody on it.
func (k *kiosk) personAt(c *gin.Context) (p people.Person, known, empty bool, err error) {
	roster, err := k.store.Roster(c.Request.Context())
	if err != nil {
		return p, false, false, err
	}
	empty = len(roster.Working()) == 0
	id, err := c.Cookie(personCookie)
	if err != nil {
		return p, false, empty, nil
	}
	p, known = roster.Person(id)
	return p, known && !p.Retired, empty, nil
}

// personOf gives the person that as found.
func personOf(c *gin.Context) (people.Person, bool) {
	v, ok := c.Get(personKey)
	if !ok {
		return people.Person{}, false
	}
	return v.(people.Person), true
}

// benchName gives the name that this browser was given, or that of the process:
// several benches of one site are several browsers on one process.
func (k *kiosk) benchName(c *gin.Context) string {
	if v, err := c.Cookie(benchCookie); err == nil { // unescaped by gin
		if name := cleanBench(v); name != "" {
			return name
		}
	}
	return k.Bench
}

// cleanBench makes a name fit to stand on every step: at most 40 characters, none
// of them invisible. A name of which nothing is left gives "".
func cleanBench(name string) string {
	name, err := order.CleanText(name)
	if err != nil || utf8.RuneCountInString(name) > 40 {
		return ""
	}
	return name
}

// benchOf gives the bench at which a request was made.
func benchOf(c *gin.Context) string { return c.GetString(benchKey) }

// actorOf gives the person as they stand on a step; nobody gives the zero Actor,
// which the core refuses.
func actorOf(c *gin.Context) consignment.Actor {
	p, ok := personOf(c)
	if !ok {
		return consignment.Actor{}
	}
	return consignment.Actor{ID: p.ID, Name: p.Name, Roles: p.Roles}
}

// fill completes the Base of every page: who is here, and what has just happened.
func (k *kiosk) fill(c *gin.Context, b *Base) {
	p, ok := personOf(c)
	if !ok { // a page outside the routes, such as one for an address that is not there
		p, ok, _, _ = k.personAt(c)
	}
	if ok {
		b.Person = p.Name
	}
	b.Bench = k.benchName(c)
	b.Flash = takeFlash(c)
}

type wireFlash struct {
	Tone   tone     `json:"tone"`
	Text   say.Text `json:"text"`
	Detail say.Text `json:"detail"`
}

// keepFlash keeps a flash in a cookie until the next page shows it.
func keepFlash(c *gin.Context, f Flash) {
	b, err := json.Marshal(wireFlash(f))
	if err != nil {
		return
	}
	v := base64.RawURLEncoding.EncodeToString(b)
	if len(v) > 3500 { // a browser drops larger cookies
		return
	}
	http.SetCookie(c.Writer, &http.Cookie{Name: flashCookie, Value: v, Path: "/", MaxAge: 60, HttpOnly: true, SameSite: http.SameSiteStrictMode, Secure: c.Request.TLS != nil})
}

func takeFlash(c *gin.Context) Flash {
	v, err := c.Cookie(flashCookie)
	if err != nil || v == "" {
		return Flash{}
	}
	http.SetCookie(c.Writer, &http.Cookie{Name: flashCookie, Path: "/", MaxAge: -1, HttpOnly: true, SameSite: http.SameSiteStrictMode, Secure: c.Request.TLS != nil})
	b, err := base64.RawURLEncoding.DecodeString(v)
	if err != nil {
		return Flash{}
	}
	var f wireFlash
	if json.Unmarshal(b, &f) != nil || (f.Tone != toneRight && f.Tone != toneWrong && f.Tone != toneNote) {
		return Flash{}
	}
	return Flash(f)
}

// formInt reads a whole number from a form, 0 if there is none.
func formInt(c *gin.Context, name string) int {
	n, _ := formNumber(c.PostForm(name))
	return n
}

// formNumber reads a whole number as people type it.
func formNumber(text string) (int, error) {
	n, err := strconv.Atoi(strings.TrimSpace(text))
	if err != nil {
		return 0, errNotNumber
	}
	return n, nil
}

// pathInt reads a number from the path; anything else is an address that does
// not exist.
func pathInt(c *gin.Context, name string) (int, error) {
	n, err := strconv.Atoi(c.Param(name))
	if err != nil {
		return 0, say.Refuse(say.NotFound, "There is nothing at this address. Go to the board, or scan what you are looking for.")
	}
	return n, nil
}
