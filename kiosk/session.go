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
	visitorKey   = "lastlook.visitor"
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

// visitor is who and where a request comes from, found once for each.
type visitor struct {
	person people.Person
	known  bool // somebody on the list said who they are
	empty  bool // nobody is on the list
	err    error
}

// identify finds who is at the bench, and which bench it is, for whatever comes
// after it.
func (k *kiosk) identify(c *gin.Context) {
	c.Set(benchKey, k.benchName(c))
	c.Set(visitorKey, k.visitor(c))
	c.Next()
}

func (k *kiosk) visitor(c *gin.Context) visitor {
	roster, err := k.store.Roster(c.Request.Context())
	if err != nil {
		return visitor{err: err}
	}
	v := visitor{empty: len(roster.Working()) == 0}
	if id, err := c.Cookie(personCookie); err == nil {
		v.person, v.known = roster.Person(id)
		v.known = v.known && !v.person.Retired
	}
	return v
}

// visitorOf gives what identify found.
func visitorOf(c *gin.Context) visitor {
	v, _ := c.Get(visitorKey)
	found, _ := v.(visitor)
	return found
}

// as is the one place where permission is asked: it refuses what the route asks
// for and the person at the bench has not.
func (k *kiosk) as(need permission, h handler) gin.HandlerFunc {
	return k.handle(func(c *gin.Context) error {
		v := visitorOf(c)
		switch {
		case v.err != nil:
			return v.err
		case need == anybody:
		case !v.known && need == asSuper && v.empty:
			// Nobody is on the list yet: somebody must be able to begin it.
		case !v.known:
			if c.Request.Method == http.MethodGet && !wantsJSON(c) {
				return k.forward(c, "/who?back="+url.QueryEscape(c.Request.URL.RequestURI()))
			}
			return say.Refuse(say.Forbidden, "Say who you are first: choose your name or scan your badge.")
		case need == asSuper && !v.person.Has(people.Supervisor):
			return say.Refuse(say.Forbidden, "Only a supervisor can do this. Ask one to scan their badge.")
		}
		return h(c)
	})
}

// personOf gives the person at the bench, if somebody said who they are.
func personOf(c *gin.Context) (people.Person, bool) {
	v := visitorOf(c)
	if !v.known {
		return people.Person{}, false
	}
	return v.person, true
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
	if p, ok := personOf(c); ok {
		b.Person = p.Name
	}
	b.Bench = k.benchName(c)
	b.Flash = takeFlash(c)
	b.Stops = k.stopBars(c, *b)
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

// errorAt puts a refusal where its field shows its error; false if none of the
// fields is the one.
func errorAt(r *say.Refusal, fields map[string]*say.Text) bool {
	at, ok := fields[r.Field]
	if ok {
		*at = r.Text
	}
	return ok
}

// notNumber refuses what was typed into a field for a whole number.
func notNumber(field string) *say.Refusal {
	return say.Refuse(say.Invalid, "That is not a whole number: use the digits 0 to 9.").For(field)
}

// formNumber reads a whole number as people type it.
func formNumber(text string) (int, error) {
	n, err := strconv.Atoi(strings.TrimSpace(text))
	if err != nil {
		return 0, notNumber("")
	}
	return n, nil
}

// pathInt reads a number from the path; anything else is an address that does
// not exist.
func pathInt(c *gin.Context, name string) (int, error) {
	n, err := strconv.Atoi(c.Param(name))
	if err != nil {
		return 0, say.Refuse(say.NotFound, "There is nothing at this address. Go to what is due, or scan what you are looking for.")
	}
	return n, nil
}
