package courier

import (
	"context"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/hex"
	"errors"
	"net"
	"net/http"
	"strings"
	"time"

	"lastlook/internal/notify"
	"lastlook/internal/say"
)

// Limits are how long the steps of sending may take.
type Limits struct {
	Dial  time.Duration // until the other side answers at all, with TLS
	Step  time.Duration // until the next answer
	Whole time.Duration // all of it
}

// usual are the limits that a bench uses. RFC 5321, section 4.5.3.2, would wait for
// minutes at each step; here one slow server must not keep other messages back, and
// a message whose fate is unknown comes again under the same id.
var usual = Limits{Dial: 15 * time.Second, Step: 30 * time.Second, Whole: 90 * time.Second}

// Sender sends single messages.
type Sender struct {
	cfg    *Config
	site   string
	limits Limits
	http   *http.Client
	now    func() time.Time
}

// NewSender makes a sender for the site of that name.
func NewSender(cfg *Config, site string) *Sender { return newSender(cfg, site, usual) }

func newSender(cfg *Config, site string, limits Limits) *Sender {
	s := &Sender{cfg: cfg, site: site, limits: limits, now: time.Now}
	s.http = &http.Client{
		Timeout: limits.Whole,
		Transport: &http.Transport{
			Proxy:                 http.ProxyFromEnvironment,
			DialContext:           (&net.Dialer{Timeout: limits.Dial}).DialContext,
			TLSClientConfig:       s.tls(""),
			TLSHandshakeTimeout:   limits.Dial,
			ResponseHeaderTimeout: limits.Step,
			IdleConnTimeout:       time.Minute,
			MaxConnsPerHost:       2 * parallel,
			ForceAttemptHTTP2:     true,
		},
		// A message goes where the configuration says, and nowhere else.
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
	return s
}

func (s *Sender) tls(host string) *tls.Config {
	return &tls.Config{ServerName: host, RootCAs: s.cfg.Roots, MinVersion: tls.VersionTLS12}
}

// Send tries to send a message once and tells what came of it.
func (s *Sender) Send(ctx context.Context, job notify.Job) notify.Result {
	ctx, cancel := context.WithTimeout(ctx, s.limits.Whole)
	defer cancel()
	c, ok := s.cfg.Contact(job.To)
	switch {
	case !ok:
		return failed(say.T("There is no contact of this name in the configuration any more."))
	case job.Channel == notify.Mail && c.Email != "" && s.cfg.SMTP != nil:
		return s.mail(ctx, c, job)
	case job.Channel == notify.Webhook && c.Hook != "":
		h, ok := s.cfg.hook(c.Hook)
		if ok {
			return s.webhook(ctx, h, job)
		}
	}
	return failed(say.T("The contact is not reached on this channel any more."))
}

// Tried is what came of a test message.
type Tried struct {
	Contact string
	Channel notify.Channel
	Result  notify.Result
}

// Try sends a test message to a contact on each of its channels.
func (s *Sender) Try(ctx context.Context, c Contact) []Tried {
	var id [12]byte
	rand.Read(id[:]) // never fails since Go 1.24
	now := s.now().UTC()
	var out []Tried
	for _, ch := range channels(c) {
		job := notify.Job{
			Message:  notify.Message{ID: hex.EncodeToString(id[:]), To: c.Name, Channel: ch},
			Occasion: notify.Occasion{Cause: notify.Test, What: []say.Text{say.T("This is a test: somebody at the bench tries whether messages reach %s. Nothing has happened.", c.Name)}},
			RaisedAt: now, QueuedAt: now, Attempts: 1,
		}
		out = append(out, Tried{c.Name, ch, s.Send(ctx, job)})
	}
	return out
}

func channels(c Contact) []notify.Channel {
	var out []notify.Channel
	if c.Email != "" {
		out = append(out, notify.Mail)
	}
	if c.Hook != "" {
		out = append(out, notify.Webhook)
	}
	return out
}

func failed(said say.Text) notify.Result { return notify.Result{Fate: notify.Failed, Said: said} }

func noRoad(said say.Text) notify.Result {
	return notify.Result{Fate: notify.Failed, Said: said, Road: true}
}

// quote shortens what a server said, for lists.
func quote(s string) string {
	const most = 200
	s = oneLine(strings.ToValidUTF8(s, "?"))
	if r := []rune(s); len(r) > most {
		return string(r[:most]) + "…"
	}
	return s
}

// trouble says in words why a server could not be spoken with.
func trouble(host string, err error) say.Text {
	var unknown x509.UnknownAuthorityError
	var wrongName x509.HostnameError
	var invalid x509.CertificateInvalidError
	var verify *tls.CertificateVerificationError
	var record tls.RecordHeaderError
	var dns *net.DNSError
	var timeout net.Error
	switch {
	case errors.As(err, &unknown):
		return say.T("The certificate of %s is signed by somebody this machine does not know: nothing was sent. If it is your own authority, name its certificate with roots_file.", host)
	case errors.As(err, &wrongName):
		return say.T("The certificate of %s is for another name: nothing was sent. See that the name in the configuration is the right one.", host)
	case errors.As(err, &invalid) && invalid.Reason == x509.Expired:
		return say.T("The certificate of %s has expired, or the clock here is wrong: nothing was sent.", host)
	case errors.As(err, &invalid), errors.As(err, &verify):
		return say.T("The certificate of %s is not valid: nothing was sent.", host)
	case errors.As(err, &record):
		return say.T("%s does not answer with TLS: nothing was sent. See that port and security are right.", host)
	case errors.As(err, &dns):
		return say.T("The name %s is not known: see that it is right and that there is a network.", host)
	case errors.Is(err, context.DeadlineExceeded), errors.As(err, &timeout) && timeout.Timeout():
		return say.T("%s did not answer in time.", host)
	case errors.Is(err, context.Canceled):
		return say.T("The bench was stopped meanwhile.")
	}
	return say.T("%s cannot be reached: %s", host, quote(err.Error()))
}
