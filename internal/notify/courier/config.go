package courier

import (
	"bytes"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/mail"
	"net/url"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"time"

	"github.com/goccy/go-yaml/ast"

	"lastlook/internal/notify"
	"lastlook/internal/say"
)

// File is the name of the configuration in the data folder.
const File = "notify.yaml"

// most bounds what is read of a file.
const most = 1 << 20

// Secret is something that is never shown.
type Secret string

// String hides the secret, so that it gets into no log by mistake.
func (Secret) String() string { return "(secret)" }

// GoString hides the secret.
func (Secret) GoString() string { return "(secret)" }

// MarshalText hides the secret.
func (Secret) MarshalText() ([]byte, error) { return []byte("(secret)"), nil }

// The ways of a mail connection to be safe.
const (
	StartTLS = "starttls" // begins open and must turn to TLS before anything is said
	TLS      = "tls"      // is TLS from the first byte
	Open     = "none"     // is not encrypted: to this machine only
)

// SMTP is the server that takes mail.
type SMTP struct {
	Host     string
	Port     int
	Security string // StartTLS, TLS or Open
	User     string
	Password Secret
	From     string // address
}

// Hook is a receiver of webhooks.
type Hook struct {
	Name   string
	URL    string
	Secret Secret
}

// Contact is somebody who can be told, and where.
type Contact struct {
	Name  string
	Email string // or ""
	Hook  string // name of a webhook, or ""
}

// Config says how messages leave the site. The zero Config is that of a site
// without notify.yaml: nobody outside is told.
type Config struct {
	Path     string // of the file
	Found    bool   // it is there
	SMTP     *SMTP  // nil if there is no mail
	Hooks    []Hook
	Contacts []Contact
	Plan     notify.Plan
	Roots    *x509.CertPool // nil means those of the system
}

// Contact finds a contact by name.
func (c *Config) Contact(name string) (Contact, bool) {
	i := slices.IndexFunc(c.Contacts, func(x Contact) bool { return x.Name == name })
	if i < 0 {
		return Contact{}, false
	}
	return c.Contacts[i], true
}

func (c *Config) hook(name string) (Hook, bool) {
	i := slices.IndexFunc(c.Hooks, func(h Hook) bool { return h.Name == name })
	if i < 0 {
		return Hook{}, false
	}
	return c.Hooks[i], true
}

// Load reads notify.yaml of a data folder. Without the file it gives a Config that
// was not Found. Mistakes are [Problems], all of them at once. A file that others
// than its owner may read is refused, because it holds secrets.
func Load(dir string) (*Config, error) {
	path := filepath.Join(dir, File)
	src, err := readPrivate(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return &Config{Path: path}, nil
	case err != nil:
		return nil, err
	}
	l := &loader{document: document{file: path}, dir: dir, cfg: &Config{Path: path, Found: true}}
	if top := l.open(src); top != nil {
		l.top(top)
	}
	if len(l.problems) > 0 {
		slices.SortStableFunc(l.problems, func(a, b Problem) int { return a.Line - b.Line })
		return nil, l.problems
	}
	return l.cfg, nil
}

// readPrivate reads a file that nobody but its owner may read.
func readPrivate(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		if errors.Is(err, fs.ErrNotExist) {
			return nil, err
		}
		return nil, say.Refuse(say.Storage, "%s cannot be read: let this account read it.", path).Because(err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() {
		return nil, say.Refuse(say.Invalid, "%s is not a file: put the configuration there, or take it away.", path)
	}
	if mode := info.Mode().Perm(); runtime.GOOS != "windows" && mode&0o077 != 0 {
		return nil, say.Refuse(say.Invalid, "%s may be read by other accounts (mode %04o), but it holds secrets: nothing was read. Make it 0600, with chmod 600, and change the secrets if somebody may have seen them.", path, int(mode))
	}
	b, err := io.ReadAll(io.LimitReader(f, most+1))
	if err != nil {
		return nil, say.Refuse(say.Storage, "%s cannot be read: let this account read it.", path).Because(err)
	}
	if len(b) > most {
		return nil, say.Refuse(say.Invalid, "%s is longer than 1 MB: that is no configuration of notices.", path)
	}
	return b, nil
}

type loader struct {
	document
	dir string
	cfg *Config
}

func (l *loader) top(n ast.Node) {
	m := l.mapping(n, "", "smtp", "webhooks", "contacts", "levels", "heads", "roots_file")
	if v := m["roots_file"]; v != nil {
		l.roots(v)
	}
	if v := m["smtp"]; v != nil {
		l.smtp(v)
	}
	if v := m["webhooks"]; v != nil {
		for _, p := range l.pairs(v, "webhooks") {
			l.webhook(p)
		}
	}
	for i, v := range l.list(m["contacts"], "contacts") {
		l.contact(v, fmt.Sprintf("contacts[%d]", i+1))
	}
	for i, v := range l.list(m["levels"], "levels") {
		l.level(v, fmt.Sprintf("levels[%d]", i+1))
	}
	if len(l.cfg.Plan.Levels) == 0 {
		l.fail(n, "levels", "There are no levels: nobody would be told of a stop. Name at least one, with its contacts.")
	}
	if v := m["heads"]; v != nil {
		l.heads(v)
	}
}

func (l *loader) file(name string) string {
	if filepath.IsAbs(name) {
		return name
	}
	return filepath.Join(l.dir, name)
}

func (l *loader) roots(n ast.Node) {
	name := l.text(n, "roots_file")
	if name == "" {
		l.fail(n, "roots_file", "Name the file with the certificates, or take the key away.")
		return
	}
	b, err := os.ReadFile(l.file(name))
	if err != nil {
		l.fail(n, "roots_file", "The file %s cannot be read: see that it is there and that this account may read it.", l.file(name))
		return
	}
	pool, err := x509.SystemCertPool()
	if err != nil {
		pool = x509.NewCertPool()
	}
	if !pool.AppendCertsFromPEM(b) {
		l.fail(n, "roots_file", "There is no certificate in %s: it must be in PEM form.", l.file(name))
		return
	}
	l.cfg.Roots = pool
}

// secret reads a secret that stands in the file or in one of its own.
func (l *loader) secret(n ast.Node, m map[string]ast.Node, field, key string) Secret {
	direct, file := m[key], m[key+"_file"]
	switch {
	case direct != nil && file != nil:
		l.fail(file, join(field, key+"_file"), "There is a %s as well: keep one of the two.", key)
	case direct != nil:
		return Secret(l.text(direct, join(field, key)))
	case file != nil:
		name := l.text(file, join(field, key+"_file"))
		b, err := readPrivate(l.file(name))
		var refused *say.Refusal
		switch {
		case errors.As(err, &refused):
			l.fail(file, join(field, key+"_file"), "%s", refused.Text)
		case err != nil:
			l.fail(file, join(field, key+"_file"), "The file %s is not there: see that the name is right.", l.file(name))
		case len(bytes.TrimSpace(b)) == 0:
			l.fail(file, join(field, key+"_file"), "The file %s is empty.", l.file(name))
		}
		return Secret(strings.TrimRight(string(b), "\r\n"))
	}
	return ""
}

// local reports whether a host is this machine, whatever a name server says.
func local(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

func (l *loader) address(n ast.Node, field string) string {
	s := l.text(n, field)
	a, err := mail.ParseAddress(s)
	if s == "" || err != nil || a.Address != s || a.Name != "" {
		l.fail(n, field, "This is not a plain mail address, like ida@quillfern.example.")
		return ""
	}
	return s
}

func (l *loader) smtp(n ast.Node) {
	m := l.mapping(n, "smtp", "host", "port", "security", "user", "password", "password_file", "from")
	s := &SMTP{Host: l.text(m["host"], "smtp.host"), Security: l.text(m["security"], "smtp.security"), User: l.text(m["user"], "smtp.user")}
	if s.Host == "" || strings.ContainsAny(s.Host, " /@") || strings.Contains(s.Host, ":") && net.ParseIP(s.Host) == nil {
		l.fail(orNode(m["host"], n), "smtp.host", "Name the host of the mail server, like mail.quillfern.example, without a port.")
	}
	switch s.Security {
	case "", StartTLS:
		s.Security, s.Port = StartTLS, 587
	case TLS:
		s.Port = 465
	case Open:
		s.Port = 25
		if !local(s.Host) {
			l.fail(m["security"], "smtp.security", "Without encryption mail may go to this machine only (localhost): use starttls or tls.")
		}
	default:
		l.fail(m["security"], "smtp.security", "This can be starttls, tls or none.")
	}
	if v := m["port"]; v != nil {
		s.Port = l.number(v, "smtp.port", 1, 65535)
	}
	s.Password = l.secret(n, m, "smtp", "password")
	switch {
	case s.User != "" && s.Password == "" && m["password_file"] == nil:
		l.fail(m["user"], "smtp.user", "The password is missing: add password or password_file.")
	case s.User == "" && s.Password != "":
		l.fail(n, "smtp.user", "There is a password but no user: add the user.")
	case s.User != "" && s.Security == Open:
		l.fail(m["user"], "smtp.user", "A password is said over TLS only: use starttls or tls, or take user and password away.")
	}
	if m["from"] == nil {
		l.fail(n, "smtp.from", "Say from which address mail is sent.")
	} else {
		s.From = l.address(m["from"], "smtp.from")
	}
	l.cfg.SMTP = s
}

func orNode(n, other ast.Node) ast.Node {
	if n != nil {
		return n
	}
	return other
}

// shortestSecret is how many characters the key of a webhook has at least: as many
// as HMAC-SHA-256 gives bytes (RFC 2104, section 3).
const shortestSecret = 32

func (l *loader) webhook(p pair) {
	field := join("webhooks", p.key)
	if strings.Trim(p.key, "abcdefghijklmnopqrstuvwxyz0123456789-") != "" || p.key == "" {
		l.fail(p.value, field, "The name of a webhook has small letters, digits and hyphens only: it is sent as the id of the key.")
	}
	m := l.mapping(p.value, field, "url", "secret", "secret_file")
	h := Hook{Name: p.key, URL: l.text(m["url"], join(field, "url"))}
	at := orNode(m["url"], p.value)
	u, err := url.Parse(h.URL)
	switch {
	case h.URL == "" || err != nil || u.Host == "" || u.Opaque != "":
		l.fail(at, join(field, "url"), "This is not an address like https://pager.quillfern.example/lastlook.")
	case u.User != nil || u.Fragment != "":
		l.fail(at, join(field, "url"), "The address may hold no user, password or fragment (#): the signature says who sends.")
	case u.Scheme == "http" && local(u.Hostname()), u.Scheme == "https":
	default:
		l.fail(at, join(field, "url"), "The address must begin with https://; http:// may be used to this machine only (localhost).")
	}
	if h.Secret = l.secret(p.value, m, field, "secret"); len(h.Secret) < shortestSecret {
		l.fail(orNode(m["secret"], p.value), join(field, "secret"), "The secret must have at least %d characters: make one with openssl rand -hex 32, and give it to the receiver.", shortestSecret)
	}
	l.cfg.Hooks = append(l.cfg.Hooks, h)
}

// contactsMost bounds the list: more people than this are reached through a list
// of addresses at the mail server.
const contactsMost = 200

func (l *loader) contact(n ast.Node, field string) {
	m := l.mapping(n, field, "name", "email", "webhook")
	c := Contact{Name: l.text(m["name"], join(field, "name"))}
	switch {
	case c.Name == "":
		l.fail(orNode(m["name"], n), join(field, "name"), "The contact needs a name. It stands in the history of the site; the addresses do not.")
	case len([]rune(c.Name)) > 80:
		l.fail(m["name"], join(field, "name"), "The name is longer than 80 characters: shorten it.")
	case slices.ContainsFunc(l.cfg.Contacts, func(x Contact) bool { return strings.EqualFold(x.Name, c.Name) }):
		l.fail(m["name"], join(field, "name"), "There is a contact %q already: add something that tells the two apart.", c.Name)
	}
	if v := m["email"]; v != nil {
		c.Email = l.address(v, join(field, "email"))
		if l.cfg.SMTP == nil {
			l.fail(v, join(field, "email"), "There is no mail server to send this with: add smtp.")
		}
	}
	if v := m["webhook"]; v != nil {
		c.Hook = l.text(v, join(field, "webhook"))
		if _, ok := l.cfg.hook(c.Hook); !ok {
			l.fail(v, join(field, "webhook"), "There is no webhook %q: add it under webhooks.", c.Hook)
		}
	}
	if m["email"] == nil && m["webhook"] == nil {
		l.fail(n, field, "This contact cannot be reached: add email or webhook.")
	}
	if len(l.cfg.Contacts) == contactsMost {
		l.fail(n, field, "There are more than %d contacts: use an address that reaches several people.", contactsMost)
	}
	l.cfg.Contacts = append(l.cfg.Contacts, c)
}

// told gives contacts as the plan knows them.
func (l *loader) told(n, at ast.Node, field string) []notify.Contact {
	var out []notify.Contact
	for _, w := range l.texts(n, field) {
		c, ok := l.cfg.Contact(w.word)
		if !ok {
			l.fail(w.node, field, "There is no contact %q: add it under contacts.", w.word)
			continue
		}
		if slices.ContainsFunc(out, func(x notify.Contact) bool { return x.Name == c.Name }) {
			l.fail(w.node, field, "%s stands here twice.", c.Name)
			continue
		}
		x := notify.Contact{Name: c.Name}
		if c.Email != "" {
			x.Channels = append(x.Channels, notify.Mail)
		}
		if c.Hook != "" {
			x.Channels = append(x.Channels, notify.Webhook)
		}
		out = append(out, x)
	}
	if len(out) == 0 && (n == nil || len(l.problems) == 0) {
		l.fail(at, field, "Name at least one contact here.")
	}
	return out
}

func (l *loader) level(n ast.Node, field string) {
	m := l.mapping(n, field, "after_minutes", "contacts")
	lev := notify.Level{Contacts: l.told(m["contacts"], n, join(field, "contacts"))}
	if m["after_minutes"] == nil {
		l.fail(n, join(field, "after_minutes"), "Say after how many minutes without an answer the next level is told, like after_minutes: 15.")
	} else {
		lev.After = time.Duration(l.number(m["after_minutes"], join(field, "after_minutes"), 1, 7*24*60)) * time.Minute
	}
	l.cfg.Plan.Levels = append(l.cfg.Plan.Levels, lev)
}

func (l *loader) heads(n ast.Node) {
	m := l.mapping(n, "heads", "every_hours", "to")
	l.cfg.Plan.HeadsTo = l.told(m["to"], n, "heads.to")
	if m["every_hours"] == nil {
		l.fail(n, "heads.every_hours", "Say every how many hours the signed head is sent out, like every_hours: 24.")
		return
	}
	l.cfg.Plan.HeadsEvery = time.Duration(l.number(m["every_hours"], "heads.every_hours", 1, 24*366)) * time.Hour
}
