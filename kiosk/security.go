package kiosk

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/gin-gonic/gin"
)

const (
	// maxBody is the largest request body taken, in bytes, unless a route allows
	// more with largerBody.
	maxBody = 1 << 20
	// maxTime is how long a handler may work on one request. Routes that stream
	// are named to newEngine.
	maxTime = 20 * time.Second
)

// contentPolicy lets the page load from the bench itself and nothing else: no
// inline script or style, no framing, no form that leads away. blob: and data:
// are for photos just taken.
const contentPolicy = "default-src 'self'; script-src 'self'; style-src 'self'; " +
	"img-src 'self' data: blob:; media-src 'self'; font-src 'self'; connect-src 'self'; " +
	"object-src 'none'; base-uri 'none'; frame-ancestors 'none'; form-action 'self'"

var (
	errHost        = errors.New("host name not served")
	errCrossOrigin = errors.New("cross-origin request")
)

// newEngine builds the gin engine from its bare form with our choice of
// middleware, in order: recovery, headers, host, origin, size, time. stream names the routes
// that stay open (server-sent events) and have no time limit.
func (s *screens) newEngine(stream ...string) *gin.Engine {
	gin.SetMode(gin.ReleaseMode)
	e := gin.New()
	e.HandleMethodNotAllowed = true
	e.RedirectTrailingSlash = false
	e.MaxMultipartMemory = 4 << 20
	_ = e.SetTrustedProxies(nil) // nil is always valid: forwarded addresses are not believed
	e.Use(s.recovery, headers, s.checkHost, s.checkOrigin(), limitBody, limitTime(maxTime, stream))
	e.NoRoute(s.handle(s.noRoute))
	e.NoMethod(s.handle(s.noMethod))
	e.GET("/assets/:hash/*path", s.handle(s.static.serve))
	e.POST("/theme", s.handle(s.switchTheme))
	if s.Demo {
		e.GET("/design", s.handle(s.design))
	}
	return e
}

// harden sets the time limits of the server around the engine. The write limit
// is left open because server-sent events last; limitTime bounds the rest.
func harden(srv *http.Server) {
	srv.ReadHeaderTimeout = 10 * time.Second
	srv.ReadTimeout = 60 * time.Second
	srv.IdleTimeout = 2 * time.Minute
	srv.MaxHeaderBytes = 64 << 10
}

// headers sets what every answer carries. Pages are not stored, because they
// show the state of a moment; static files override that.
func headers(c *gin.Context) {
	h := c.Writer.Header()
	h.Set("Content-Security-Policy", contentPolicy)
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Referrer-Policy", "same-origin")
	h.Set("Permissions-Policy", "camera=(self), microphone=(), geolocation=(), payment=(), usb=()")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Cache-Control", "no-store")
	c.Next()
}

// checkHost refuses host names that are not ours, so that a foreign page cannot
// reach the bench by pointing its own name at this machine (DNS rebinding).
func (s *screens) checkHost(c *gin.Context) {
	host := c.Request.Host
	if h, _, err := net.SplitHostPort(host); err == nil {
		host = h
	}
	host = strings.ToLower(strings.Trim(host, "[]"))
	ip := net.ParseIP(host)
	if host == "localhost" || ip.IsLoopback() || slices.ContainsFunc(s.Hosts, func(h string) bool { return strings.EqualFold(h, host) }) {
		c.Next()
		return
	}
	s.fail(c, fmt.Errorf("%w: %q", errHost, c.Request.Host))
}

// checkOrigin refuses posts from other sites with the standard library's rules
// (Sec-Fetch-Site and Origin).
func (s *screens) checkOrigin() gin.HandlerFunc {
	guard := http.NewCrossOriginProtection()
	return func(c *gin.Context) {
		if err := guard.Check(c.Request); err != nil {
			s.fail(c, fmt.Errorf("%w: %w", errCrossOrigin, err))
			return
		}
		c.Next()
	}
}

const bodyKey = "lastlook.body"

// limitBody bounds the request body.
func limitBody(c *gin.Context) {
	if c.Request.Body != nil {
		c.Set(bodyKey, c.Request.Body)
		c.Request.Body = http.MaxBytesReader(c.Writer, c.Request.Body, maxBody)
	}
	c.Next()
}

// largerBody lets one route take more than maxBody, for uploads.
func largerBody(max int64) gin.HandlerFunc {
	return func(c *gin.Context) {
		if body, ok := c.Get(bodyKey); ok {
			c.Request.Body = http.MaxBytesReader(c.Writer, body.(io.ReadCloser), max)
		}
		c.Next()
	}
}

// limitTime puts a deadline on the request's context.
func limitTime(max time.Duration, stream []string) gin.HandlerFunc {
	return func(c *gin.Context) {
		if slices.Contains(stream, c.FullPath()) {
			c.Next()
			return
		}
		ctx, cancel := context.WithTimeout(c.Request.Context(), max)
		defer cancel()
		c.Request = c.Request.WithContext(ctx)
		c.Next()
	}
}

// setCookie sets a cookie that lasts a year and that scripts and other sites do
// not get. The bench is served over plain HTTP on its own machine, so Secure is
// set only where the request came by TLS.
func setCookie(c *gin.Context, name, value string) {
	http.SetCookie(c.Writer, &http.Cookie{
		Name: name, Value: value, Path: "/", MaxAge: 365 * 24 * 3600,
		HttpOnly: true, SameSite: http.SameSiteLaxMode, Secure: c.Request.TLS != nil,
	})
}

// localPath gives path if it leads to a page of the bench, else "/". It keeps a
// redirect from being turned into a way out.
func localPath(path string) string {
	u, err := url.Parse(path)
	if err != nil || u.IsAbs() || u.Host != "" || !strings.HasPrefix(u.Path, "/") || strings.HasPrefix(path, "//") || strings.Contains(path, `\`) {
		return "/"
	}
	return path
}
