package courier

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"math/big"
	"net"
	"net/http"
	"net/http/httptest"
	"net/mail"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/dunglas/httpsfv"
	"github.com/emersion/go-sasl"
	smtp "github.com/emersion/go-smtp"
)

// authority is a certificate authority made for one test.
type authority struct {
	t    testing.TB
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
}

func newAuthority(t testing.TB) *authority {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	tmpl := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "test authority"}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign,
	}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, tmpl, key.Public(), key)
	if err != nil {
		t.Fatal(err)
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	return &authority{t, cert, key}
}

// pem writes the authority's certificate into a file.
func (a *authority) pem(dir string) string {
	name := filepath.Join(dir, "roots.pem")
	b := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: a.cert.Raw})
	if err := os.WriteFile(name, b, 0o600); err != nil {
		a.t.Fatal(err)
	}
	return name
}

func (a *authority) server(until time.Time, names ...string) tls.Certificate {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		a.t.Fatal(err)
	}
	tmpl := &x509.Certificate{
		SerialNumber: big.NewInt(2), Subject: pkix.Name{CommonName: names[0]}, NotBefore: time.Now().Add(-2 * time.Hour), NotAfter: until,
		DNSNames: names, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
	}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, a.cert, key.Public(), a.key)
	if err != nil {
		a.t.Fatal(err)
	}
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}
}

func (a *authority) good() tls.Certificate { return a.server(time.Now().Add(time.Hour), "localhost") }

// letter is a mail as it arrived.
type letter struct {
	from string
	to   []string
	tls  bool
	raw  []byte
	head mail.Header
	body string
}

// mailbox is a real SMTP server with moods.
type mailbox struct {
	port int
	mu   sync.Mutex
	got  []letter
	auth []string // who logged in
	// rcpt and data may refuse; hang, if not nil, keeps the answer to DATA back.
	rcpt func(to string) error
	data func(n int) error
	hang chan struct{}
}

func (m *mailbox) letters() []letter {
	m.mu.Lock()
	defer m.mu.Unlock()
	return append([]letter(nil), m.got...)
}

type session struct {
	box  *mailbox
	conn *smtp.Conn
	l    letter
	need bool
	in   bool
}

func (s *session) Reset() { s.l = letter{} }

func (s *session) Logout() error { return nil }

func (s *session) Mail(from string, _ *smtp.MailOptions) error {
	if s.need && !s.in {
		return smtp.ErrAuthRequired
	}
	_, s.l.tls = s.conn.TLSConnectionState()
	s.l.from = from
	return nil
}

func (s *session) Rcpt(to string, _ *smtp.RcptOptions) error {
	if f := s.box.rcpt; f != nil {
		if err := f(to); err != nil {
			return err
		}
	}
	s.l.to = append(s.l.to, to)
	return nil
}

func (s *session) Data(r io.Reader) error {
	b, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	m, err := mail.ReadMessage(bytes.NewReader(b))
	if err != nil {
		return err
	}
	body, _ := io.ReadAll(m.Body)
	s.l.raw, s.l.head, s.l.body = b, m.Header, string(body)
	s.box.mu.Lock()
	s.box.got = append(s.box.got, s.l)
	n, data, hang := len(s.box.got), s.box.data, s.box.hang
	s.box.mu.Unlock()
	if hang != nil {
		<-hang
	}
	if data != nil {
		return data(n)
	}
	return nil
}

// loginSession asks for a password.
type loginSession struct{ *session }

func (s loginSession) AuthMechanisms() []string { return []string{sasl.Plain} }

func (s loginSession) Auth(string) (sasl.Server, error) {
	return sasl.NewPlainServer(func(_, user, password string) error {
		if user != "bench" || password != "open-sesame" {
			return smtp.ErrAuthFailed
		}
		s.in = true
		s.box.mu.Lock()
		s.box.auth = append(s.box.auth, user)
		s.box.mu.Unlock()
		return nil
	}), nil
}

// mailServer starts a server. cert may be nil: then it knows no TLS.
func mailServer(t testing.TB, cert *tls.Certificate, implicit, login bool) *mailbox {
	t.Helper()
	box := &mailbox{}
	srv := smtp.NewServer(smtp.BackendFunc(func(c *smtp.Conn) (smtp.Session, error) {
		s := &session{box: box, conn: c, need: login}
		if login {
			return loginSession{s}, nil
		}
		return s, nil
	}))
	srv.Domain = "localhost"
	srv.ErrorLog = quiet{}
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	box.port = ln.Addr().(*net.TCPAddr).Port
	if cert != nil {
		srv.TLSConfig = &tls.Config{Certificates: []tls.Certificate{*cert}}
		if implicit {
			ln = tls.NewListener(ln, srv.TLSConfig)
		}
	}
	go srv.Serve(ln)
	t.Cleanup(func() { srv.Close() })
	return box
}

type quiet struct{}

func (quiet) Printf(string, ...any) {}
func (quiet) Println(...any)        {}

// posted is a webhook call as it arrived, checked.
type posted struct {
	key  string
	body []byte
	err  error // what was wrong with it
}

// receiver is a real HTTPS server that checks what comes as FORMAT.md says.
type receiver struct {
	url    string
	secret string
	mu     sync.Mutex
	got    []posted
	answer func(n int, w http.ResponseWriter, r *http.Request)
}

func (r *receiver) calls() []posted {
	r.mu.Lock()
	defer r.mu.Unlock()
	return append([]posted(nil), r.got...)
}

func (r *receiver) say(f func(n int, w http.ResponseWriter, r *http.Request)) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.answer = f
}

func (r *receiver) ServeHTTP(w http.ResponseWriter, req *http.Request) {
	body, err := io.ReadAll(req.Body)
	p := posted{body: body, err: err}
	if err == nil {
		p.key, p.err = check(r.secret, r.url, req, body)
	}
	r.mu.Lock()
	r.got = append(r.got, p)
	n, answer := len(r.got), r.answer
	r.mu.Unlock()
	if answer != nil {
		answer(n, w, req)
	}
}

// check does what FORMAT.md asks of a receiver, with a library for structured
// fields and none of our own code.
func check(secret, url string, req *http.Request, body []byte) (key string, err error) {
	sum := sha256.Sum256(body)
	digests, err := httpsfv.UnmarshalDictionary(req.Header["Content-Digest"])
	if err != nil {
		return "", err
	}
	if d, ok := digests.Get("sha-256"); !ok || !bytes.Equal(d.(httpsfv.Item).Value.([]byte), sum[:]) {
		return "", errors.New("the digest is not that of the body")
	}
	idem, err := httpsfv.UnmarshalItem(req.Header["Idempotency-Key"])
	if err != nil {
		return "", err
	}
	inputs, err := httpsfv.UnmarshalDictionary(req.Header["Signature-Input"])
	if err != nil {
		return "", err
	}
	input, ok := inputs.Get("lastlook")
	if !ok {
		return "", errors.New("there is no signature of that label")
	}
	list := input.(httpsfv.InnerList)
	var base strings.Builder
	covered := map[string]bool{}
	for _, it := range list.Items {
		name := it.Value.(string)
		covered[name] = true
		var value string
		switch name {
		case "@method":
			value = req.Method
		case "@target-uri":
			value = url
		default:
			value = strings.Join(req.Header.Values(name), ", ")
		}
		fmt.Fprintf(&base, "%q: %s\n", name, value)
	}
	for _, name := range []string{"@method", "@target-uri", "content-type", "content-digest", "idempotency-key"} {
		if !covered[name] {
			return "", fmt.Errorf("%s is not signed", name)
		}
	}
	if tag, _ := list.Params.Get("tag"); tag != "lastlook-notice" {
		return "", fmt.Errorf("the tag is %v", tag)
	}
	created, _ := list.Params.Get("created")
	if at, ok := created.(int64); !ok || time.Since(time.Unix(at, 0)).Abs() > time.Minute {
		return "", fmt.Errorf("created is %v", created)
	}
	params, err := httpsfv.Marshal(httpsfv.List{list})
	if err != nil {
		return "", err
	}
	fmt.Fprintf(&base, "\"@signature-params\": %s", params)
	mac := hmac.New(sha256.New, []byte(secret))
	io.WriteString(mac, base.String())
	sigs, err := httpsfv.UnmarshalDictionary(req.Header["Signature"])
	if err != nil {
		return "", err
	}
	sig, ok := sigs.Get("lastlook")
	if !ok || !hmac.Equal(sig.(httpsfv.Item).Value.([]byte), mac.Sum(nil)) {
		return "", fmt.Errorf("the signature is not that of\n%s", base.String())
	}
	return idem.Value.(string), nil
}

const testSecret = "0123456789abcdef0123456789abcdef"

func hookServer(t testing.TB, cert *tls.Certificate) *receiver {
	t.Helper()
	r := &receiver{secret: testSecret}
	srv := httptest.NewUnstartedServer(r)
	srv.Config.ErrorLog = nil
	if cert == nil {
		srv.Start()
	} else {
		srv.TLS = &tls.Config{Certificates: []tls.Certificate{*cert}}
		srv.StartTLS()
	}
	t.Cleanup(func() {
		srv.CloseClientConnections()
		srv.Close()
	})
	r.url = strings.Replace(srv.URL, "127.0.0.1", "localhost", 1) + "/lastlook?a=b%20c"
	return r
}

// dead gives a port of this machine on which nobody listens.
func dead(t testing.TB) int {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	return ln.Addr().(*net.TCPAddr).Port
}

// configured writes notify.yaml into a folder and loads it.
func configured(t testing.TB, dir, yaml string) *Config {
	t.Helper()
	if err := os.WriteFile(filepath.Join(dir, File), []byte(yaml), 0o600); err != nil {
		t.Fatal(err)
	}
	cfg, err := Load(dir)
	if err != nil {
		t.Fatal(err)
	}
	return cfg
}

var ctx = context.Background()
