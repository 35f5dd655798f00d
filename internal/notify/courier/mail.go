package courier

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/textproto"
	"strings"
	"time"

	gomail "github.com/wneessen/go-mail"

	"lastlook/internal/ledger"
	"lastlook/internal/notify"
	"lastlook/internal/say"
)

// pacedConn gives every read and write its own time, within the whole.
type pacedConn struct {
	net.Conn
	step time.Duration
	end  time.Time
}

func (c *pacedConn) pace() error {
	at := time.Now().Add(c.step)
	if at.After(c.end) {
		at = c.end
	}
	return c.Conn.SetDeadline(at)
}

func (c *pacedConn) Read(b []byte) (int, error) {
	if err := c.pace(); err != nil {
		return 0, err
	}
	return c.Conn.Read(b)
}

func (c *pacedConn) Write(b []byte) (int, error) {
	if err := c.pace(); err != nil {
		return 0, err
	}
	return c.Conn.Write(b)
}

// SetDeadline does nothing: the deadlines that the library sets would be for
// the whole session.
func (c *pacedConn) SetDeadline(time.Time) error { return nil }

// mail sends a message over a connection of its own.
func (s *Sender) mail(ctx context.Context, c Contact, job notify.Job) notify.Result {
	cfg := s.cfg.SMTP
	msg, err := s.letter(c, job)
	if err != nil {
		return failed(say.T("The mail cannot be written: %s", quote(err.Error())))
	}
	dial := func(ctx context.Context, network, address string) (net.Conn, error) {
		ctx, cancel := context.WithTimeout(ctx, s.limits.Dial)
		defer cancel()
		raw, err := (&net.Dialer{}).DialContext(ctx, network, address)
		if err != nil {
			return nil, err
		}
		conn := &pacedConn{Conn: raw, step: s.limits.Step, end: time.Now().Add(s.limits.Whole)}
		if cfg.Security != TLS {
			return conn, nil
		}
		secure := tls.Client(conn, s.tls(cfg.Host))
		if err := secure.HandshakeContext(ctx); err != nil {
			raw.Close()
			return nil, err
		}
		return secure, nil
	}
	var conn net.Conn
	options := []gomail.Option{
		gomail.WithPort(cfg.Port), gomail.WithTLSConfig(s.tls(cfg.Host)), gomail.WithTimeout(s.limits.Whole), gomail.WithoutNoop(),
		gomail.WithHELO("lastlook"), // the name of this machine is nobody's business
		gomail.WithDialContextFunc(func(ctx context.Context, network, address string) (net.Conn, error) {
			var err error
			conn, err = dial(ctx, network, address)
			return conn, err
		}),
	}
	switch cfg.Security {
	case StartTLS:
		options = append(options, gomail.WithTLSPolicy(gomail.TLSMandatory))
	case TLS:
		options = append(options, gomail.WithSSL())
	case Open:
		options = append(options, gomail.WithTLSPolicy(gomail.NoTLS))
	}
	if cfg.User != "" {
		options = append(options, gomail.WithSMTPAuth(gomail.SMTPAuthPlain), gomail.WithUsername(cfg.User), gomail.WithPassword(string(cfg.Password)))
	}
	client, err := gomail.NewClient(cfg.Host, options...)
	if err != nil {
		return failed(say.T("The mail server is set up wrongly: %s", quote(err.Error())))
	}
	session, err := client.DialToSMTPClientWithContext(ctx)
	if err != nil {
		if conn != nil {
			conn.Close()
		}
		return s.noSession(ctx, err)
	}
	defer conn.Close() // after the farewell, or instead of it
	stop := context.AfterFunc(ctx, func() { conn.Close() })
	defer stop()
	err = client.SendWithSMTPClient(session, msg)
	if msg.IsDelivered() { // even if something went wrong after that
		// The farewell is a courtesy: what is done is done.
		_ = client.CloseWithSMTPClient(session)
		return notify.Result{Fate: notify.Took, Status: 250, Said: say.T("The mail server took it: %s", quote(msg.ServerResponse()))}
	}
	return s.notTaken(ctx, err)
}

// noSession tells why it did not come to sending.
func (s *Sender) noSession(ctx context.Context, err error) notify.Result {
	host := s.cfg.SMTP.Host
	var code *textproto.Error
	switch {
	case ctx.Err() != nil:
		return noRoad(trouble(host, ctx.Err()))
	case errors.As(err, &code) && (code.Code == 535 || code.Code == 534 || code.Code == 530):
		return noRoad(say.T("The mail server does not accept user and password (%d): %s", code.Code, quote(code.Msg)))
	case errors.As(err, &code):
		return noRoad(say.T("The mail server does not talk with us (%d): %s", code.Code, quote(code.Msg)))
	case strings.Contains(err.Error(), "does not support STARTTLS"): // the library has no type for it
		return noRoad(say.T("The mail server does not offer STARTTLS: nothing was sent. Use security: tls, or another port."))
	case errors.Is(err, gomail.ErrPlainAuthNotSupported):
		return noRoad(say.T("The mail server does not take a password in the plain way over TLS: nothing was sent."))
	}
	return noRoad(trouble(host, err))
}

// notTaken tells what became of a message that the server did not say it took.
func (s *Sender) notTaken(ctx context.Context, err error) notify.Result {
	var send *gomail.SendError
	if !errors.As(err, &send) {
		return noRoad(trouble(s.cfg.SMTP.Host, err))
	}
	code := send.ErrorCode()
	switch send.Reason {
	case gomail.ErrSMTPRcptTo, gomail.ErrSMTPData, gomail.ErrSMTPDataClose:
		switch {
		case code >= 500:
			return notify.Result{Fate: notify.Denied, Status: code, Said: say.T("The mail server refused it for good (%d): %s", code, quote(answered(send)))}
		case code >= 400:
			return notify.Result{Fate: notify.Failed, Status: code, Said: say.T("The mail server does not take it now (%d): %s", code, quote(answered(send)))}
		}
	}
	switch send.Reason {
	case gomail.ErrSMTPDataClose:
		// All of it was handed over, and nobody said whether it was taken.
		return notify.Result{Fate: notify.Unknown, Said: say.T("The mail was handed over, but the server did not say whether it took it. It is sent again with the same Message-ID.")}
	case gomail.ErrSMTPMailFrom:
		if code > 0 {
			return notify.Result{Fate: notify.Failed, Status: code, Road: true, Said: say.T("The mail server does not accept the sender (%d): %s", code, quote(answered(send)))}
		}
	}
	if ctx.Err() != nil {
		return noRoad(trouble(s.cfg.SMTP.Host, ctx.Err()))
	}
	return noRoad(say.T("The connection to the mail server broke off before the mail was handed over."))
}

// answered gives the server's own words, without the addresses that the library adds.
func answered(e *gomail.SendError) string {
	msg := e.Error()
	if i := strings.Index(msg, ", affected recipient(s)"); i >= 0 {
		msg = msg[:i]
	}
	if i := strings.Index(msg, fmt.Sprint(e.ErrorCode())); i >= 0 {
		msg = msg[i+3:]
	}
	return strings.Trim(msg, ` "`)
}

// letter writes the mail. Except for MIME boundaries it is the same at every try.
func (s *Sender) letter(c Contact, job notify.Job) (*gomail.Msg, error) {
	m := gomail.NewMsg()
	if err := m.FromFormat("Lastlook", s.cfg.SMTP.From); err != nil {
		return nil, err
	}
	if err := m.AddToFormat(oneLine(c.Name), c.Email); err != nil {
		return nil, err
	}
	m.SetMessageIDWithValue(messageID(s.site, job.ID))
	m.SetDateWithValue(job.QueuedAt)
	m.Subject(subjectOf(job))
	m.SetGenHeader("Auto-Submitted", "auto-generated") // RFC 3834
	if job.Occasion.Cause == notify.Stop {
		m.SetImportance(gomail.ImportanceHigh)
		// Tellings of one occasion stand together.
		m.SetGenHeader("References", "<"+messageID(s.site, job.Notice)+">")
	}
	m.SetBodyString(gomail.TypeTextPlain, mailText(s.site, job))
	if job.Occasion.Head != "" {
		name := "head.note"
		if h, err := ledger.PeekHead([]byte(job.Occasion.Head)); err == nil {
			name = fmt.Sprintf("head-%d.note", h.Size)
		}
		if err := m.AttachReader(name, strings.NewReader(job.Occasion.Head), gomail.WithFileContentType("text/plain")); err != nil {
			return nil, err
		}
	}
	return m, nil
}

// messageID gives the Message-ID of a message: made of its id and the name of the
// site, so that it is the same at every try.
func messageID(site, id string) string { return id + "@" + site + ".invalid" }
