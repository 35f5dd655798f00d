package kiosk

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"runtime/debug"
	"strings"

	"github.com/gin-gonic/gin"

	"lastlook/internal/say"
)

// handler answers one request or reports why not. The adapter logs and renders
// the error, so that no handler forgets to return after one.
type handler func(*gin.Context) error

// handle adapts a handler to gin.
func (s *screens) handle(h handler) gin.HandlerFunc {
	return func(c *gin.Context) {
		if err := h(c); err != nil {
			s.fail(c, err)
		}
	}
}

// statuses is the one table from refusal codes to HTTP statuses.
var statuses = map[say.Code]int{
	say.Invalid:   http.StatusUnprocessableEntity,
	say.Illegal:   http.StatusConflict,
	say.NotFound:  http.StatusNotFound,
	say.Conflict:  http.StatusConflict,
	say.Forbidden: http.StatusForbidden,
	say.Clock:     http.StatusServiceUnavailable,
	say.Storage:   http.StatusInsufficientStorage,
}

// headings say in a few words what kind of trouble it is, and kinds how the
// panel looks.
var headings = map[say.Code]struct {
	text say.Text
	kind panelKind
}{
	say.Invalid:   {say.T("That cannot be right"), panelWrong},
	say.Illegal:   {say.T("Not now"), panelLocked},
	say.NotFound:  {say.T("Not here"), panelEmpty},
	say.Conflict:  {say.T("Somebody was quicker"), panelWrong},
	say.Forbidden: {say.T("Locked"), panelLocked},
	say.Clock:     {say.T("The clock is wrong"), panelWrong},
	say.Storage:   {say.T("Nothing can be saved"), panelWrong},
}

// errorPage is shown for whatever a handler could not do.
var errorPage = declarePage("error")

type errorView struct {
	Base
	Panel Panel
	ID    string // names this one error on screen and in the log
}

// fault is an error as three readers need it: status and code for programs,
// sentence for the person, id to find the detail in the log.
type fault struct {
	status  int
	code    say.Code // "" for what we did not foresee
	heading say.Text
	kind    panelKind
	text    say.Text
	field   string
	known   bool // foreseen: logged as information, not as an error
}

// faultOf decides how an error is shown. Only the text of a say.Refusal reaches
// the screen; everything else gets a neutral sentence.
func faultOf(err error) fault {
	var r *say.Refusal
	var tooBig *http.MaxBytesError
	switch {
	case errors.As(err, &r) && statuses[r.Code] != 0:
		h := headings[r.Code]
		return fault{status: statuses[r.Code], code: r.Code, heading: h.text, kind: h.kind,
			text: r.Text, field: r.Field, known: r.Code != say.Storage && r.Code != say.Clock}
	case errors.Is(err, errMethod):
		return fault{status: http.StatusMethodNotAllowed, heading: say.T("Not this way"), kind: panelWrong, known: true,
			text: say.T("This address cannot be used like that. Go back and press the button again.")}
	case errors.Is(err, errHost):
		return fault{status: http.StatusMisdirectedRequest, heading: say.T("Another address"), kind: panelLocked, known: true,
			text: say.T("The bench does not answer under this address. Open it with the address the supervisor gave.")}
	case errors.Is(err, errCrossOrigin):
		return fault{status: http.StatusForbidden, heading: say.T("Not from here"), kind: panelLocked, known: true,
			text: say.T("This came from another site, so nothing was done. Open the bench itself and try again.")}
	case errors.As(err, &tooBig):
		return fault{status: http.StatusRequestEntityTooLarge, heading: say.T("Too large"), kind: panelWrong, known: true,
			text: say.T("That is larger than the bench takes (%d KiB). Send a smaller file.", tooBig.Limit/1024)}
	case errors.Is(err, context.DeadlineExceeded):
		return fault{status: http.StatusServiceUnavailable, heading: say.T("That took too long"), kind: panelWrong,
			text: say.T("The bench was too busy to answer. Try again; a step already taken is not taken twice.")}
	}
	return fault{status: http.StatusInternalServerError, heading: say.T("Something went wrong"), kind: panelWrong,
		text: say.T("It is not your doing. Go back and try again; if it comes again, tell the supervisor the code below.")}
}

// fail logs err and answers with a page, or with problem details (RFC 9457)
// where the request asks for JSON.
func (s *screens) fail(c *gin.Context, err error) {
	f := faultOf(err)
	id := rand.Text()[:8]
	attrs := []any{"id", id, "method", c.Request.Method, "path", c.Request.URL.Path, "status", f.status, "err", err}
	var r *say.Refusal
	if errors.As(err, &r) && r.Detail != nil {
		attrs = append(attrs, "detail", r.Detail)
	}
	if f.known {
		s.Log.Info("request refused", attrs...)
	} else {
		s.Log.Error("request failed", attrs...)
	}
	c.Abort()
	if c.Writer.Written() {
		return // too late to say anything else
	}
	b := s.page(c, f.heading)
	if wantsJSON(c) {
		s.problem(c, b, f, id)
		return
	}
	v := &errorView{Base: b, ID: id, Panel: Panel{
		Kind: f.kind, Text: f.heading, Detail: f.text,
		Act: Act{Label: say.T("To what is due"), Href: "/", Weight: weightBig},
	}}
	if f.known {
		v.ID = ""
	}
	v.Flash = Flash{}
	if err := s.render(c, f.status, errorPage, v); err != nil {
		s.Log.Error("error page failed", "id", id, "err", err)
		c.String(http.StatusInternalServerError, "%s", b.Say(f.text))
	}
}

// problem is RFC 9457 problem details, with code, field and id as extensions.
type problem struct {
	Type     string   `json:"type"`
	Title    string   `json:"title"`
	Status   int      `json:"status"`
	Detail   string   `json:"detail"`
	Instance string   `json:"instance"`
	Code     say.Code `json:"code,omitempty"`
	Field    string   `json:"field,omitempty"`
	ID       string   `json:"id"`
}

func (s *screens) problem(c *gin.Context, b Base, f fault, id string) {
	body, err := json.Marshal(problem{
		Type: "about:blank", Title: http.StatusText(f.status), Status: f.status,
		Detail: b.Say(f.text), Instance: c.Request.URL.Path, Code: f.code, Field: f.field, ID: id,
	})
	if err != nil {
		s.Log.Error("problem details failed", "id", id, "err", err)
	}
	c.Data(f.status, "application/problem+json", body)
}

// wantsJSON reports whether the request asks for JSON rather than a page. Under
// /api/ there are no pages.
func wantsJSON(c *gin.Context) bool {
	if strings.HasPrefix(c.Request.URL.Path, "/api/") {
		return true
	}
	accept := c.GetHeader("Accept")
	return strings.Contains(accept, "json") && !strings.Contains(accept, "text/html")
}

// recovery turns a panic into an ordinary failure with the stack in the log.
func (s *screens) recovery(c *gin.Context) {
	defer func() {
		v := recover()
		if v == nil {
			return
		}
		if v == http.ErrAbortHandler {
			panic(v)
		}
		s.fail(c, fmt.Errorf("panic: %v\n%s", v, debug.Stack()))
	}()
	c.Next()
}

var errMethod = errors.New("method not allowed")

// noRoute answers for addresses that do not exist.
func (s *screens) noRoute(*gin.Context) error {
	return say.Refuse(say.NotFound, "There is nothing at this address. Go to what is due, or scan what you are looking for.")
}

// noMethod answers for known addresses used the wrong way.
func (s *screens) noMethod(*gin.Context) error { return errMethod }
