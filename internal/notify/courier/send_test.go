package courier

import (
	"bufio"
	"context"
	"crypto/tls"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"mime"
	"net"
	"net/http"
	"os"
	"reflect"
	"strings"
	"testing"
	"time"

	smtp "github.com/emersion/go-smtp"

	"lastlook/internal/notify"
	"lastlook/internal/say"
)

// quick are limits for servers that hang.
var quick = Limits{Dial: 2 * time.Second, Step: 300 * time.Millisecond, Whole: 3 * time.Second}

var sentAt = time.Date(2026, 11, 25, 8, 15, 0, 0, time.UTC)

func job(ch notify.Channel, head string) notify.Job {
	o := notify.Occasion{Cause: notify.Stop, Code: "7F3K", Number: "K-2041\r\nBcc: x@quillfern.example", What: []say.Text{say.T("Stopped: %s", "ÿ\r\nsuspect"), say.T("Leave it.")}, Head: head}
	if head != "" {
		o.Cause = notify.Head
	}
	return notify.Job{
		Message: notify.Message{ID: "5d41402abc4b2a76b9719d91", To: "Ida Fenn", Channel: ch},
		Notice:  "ba7816bf8f01cfea414140de", Occasion: o,
		RaisedAt: sentAt.Add(-15 * time.Minute), QueuedAt: sentAt, Telling: 1, Level: 2, Attempts: 1,
	}
}

func mailConfig(t testing.TB, a *authority, port int, security, more string) *Config {
	dir := t.TempDir()
	return configured(t, dir, fmt.Sprintf(`
roots_file: %s
smtp: {host: localhost, port: %d, security: %s, from: bench@quillfern.example%s}
contacts: [{name: Ida Fenn, email: ida@quillfern.example}]
levels: [{after_minutes: 15, contacts: [Ida Fenn]}]
`, a.pem(dir), port, security, more))
}

func hookConfig(t testing.TB, a *authority, url string) *Config {
	dir := t.TempDir()
	return configured(t, dir, fmt.Sprintf(`
roots_file: %s
webhooks: {pager: {url: "%s", secret: %s}}
contacts: [{name: Ida Fenn, webhook: pager}]
levels: [{after_minutes: 15, contacts: [Ida Fenn]}]
`, a.pem(dir), url, testSecret))
}

func TestMail(t *testing.T) {
	a := newAuthority(t)
	good, wrong, old := a.good(), a.server(time.Now().Add(time.Hour), "elsewhere.example"), a.server(time.Now().Add(-time.Hour), "localhost")
	stranger := newAuthority(t).good()
	reply := func(code int, words string) error {
		return &smtp.SMTPError{Code: code, EnhancedCode: smtp.EnhancedCode{code / 100, 1, 1}, Message: words}
	}
	rcpt := func(err error) func(*mailbox) { return func(m *mailbox) { m.rcpt = func(string) error { return err } } }
	data := func(err error) func(*mailbox) { return func(m *mailbox) { m.data = func(int) error { return err } } }
	tests := []struct {
		name     string
		cert     *tls.Certificate
		security string
		login    string
		mood     func(*mailbox)
		fate     notify.Fate
		status   int
		road     bool
		said     string
		arrived  int
	}{
		{"STARTTLS", &good, StartTLS, "", nil, notify.Took, 250, false, "took it", 1},
		{"TLS", &good, TLS, "", nil, notify.Took, 250, false, "took it", 1},
		{"open, on this machine", nil, Open, "", nil, notify.Took, 250, false, "took it", 1},
		{"with a password", &good, StartTLS, "open-sesame", nil, notify.Took, 250, false, "took it", 1},
		{"with a password, TLS", &good, TLS, "open-sesame", nil, notify.Took, 250, false, "took it", 1},
		{"with a wrong password", &good, StartTLS, "wrong", nil, notify.Failed, 0, true, "does not accept user and password (535)", 0},
		{"no STARTTLS offered", nil, StartTLS, "", nil, notify.Failed, 0, true, "does not offer STARTTLS", 0},
		{"open where TLS is asked", nil, TLS, "", nil, notify.Failed, 0, true, "does not answer with TLS", 0},
		{"certificate of another name", &wrong, StartTLS, "", nil, notify.Failed, 0, true, "for another name", 0},
		{"certificate of another name, TLS", &wrong, TLS, "", nil, notify.Failed, 0, true, "for another name", 0},
		{"expired certificate", &old, StartTLS, "", nil, notify.Failed, 0, true, "has expired", 0},
		{"certificate of a stranger", &stranger, StartTLS, "", nil, notify.Failed, 0, true, "does not know", 0},
		{"a wrong certificate gets no password", &stranger, StartTLS, "open-sesame", nil, notify.Failed, 0, true, "does not know", 0},
		{"no such box", &good, StartTLS, "", rcpt(reply(550, "no such box")), notify.Denied, 550, false, "for good (550): 5.1.1 no such box", 0},
		{"box is full", &good, StartTLS, "", rcpt(reply(452, "full")), notify.Failed, 452, false, "not take it now (452)", 0},
		{"content refused", &good, StartTLS, "", data(reply(554, "spam")), notify.Denied, 554, false, "for good (554)", 1},
		{"busy after the content", &good, StartTLS, "", data(reply(451, "later")), notify.Failed, 451, false, "not take it now (451)", 1},
		{"hangs after the content", &good, StartTLS, "", func(m *mailbox) { m.hang = make(chan struct{}) }, notify.Unknown, 0, false, "same Message-ID", 1},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			box := mailServer(t, tt.cert, tt.security == TLS, tt.login != "")
			if tt.mood != nil {
				tt.mood(box)
			}
			if box.hang != nil {
				defer close(box.hang)
			}
			more := ""
			if tt.login != "" {
				more = ", user: bench, password: " + tt.login
			}
			s := newSender(mailConfig(t, a, box.port, tt.security, more), "lastlook-7f3k9d2m", quick)
			r := s.Send(ctx, job(notify.Mail, ""))
			if r.Fate != tt.fate || r.Status != tt.status || r.Road != tt.road || !strings.Contains(r.Said.String(), tt.said) {
				t.Errorf("Send = %+v, %q; want fate %d, status %d, road %v, %q", r, r.Said, tt.fate, tt.status, tt.road, tt.said)
			}
			if strings.Contains(r.Said.String(), "ida@") || strings.Contains(r.Said.String(), "open-sesame") {
				t.Errorf("it says what it should not: %q", r.Said)
			}
			got := box.letters()
			if len(got) != tt.arrived {
				t.Fatalf("%d mails arrived, want %d", len(got), tt.arrived)
			}
			if wantTLS := tt.security != Open; tt.arrived > 0 && got[0].tls != wantTLS && tt.security != TLS {
				t.Errorf("over TLS: %v, want %v", got[0].tls, wantTLS)
			}
			if tt.login == "open-sesame" && tt.fate == notify.Took != (len(box.auth) == 1) {
				t.Errorf("logged in: %v", box.auth)
			}
		})
	}
}

func TestLetter(t *testing.T) {
	a := newAuthority(t)
	cert := a.good()
	box := mailServer(t, &cert, false, false)
	s := newSender(mailConfig(t, a, box.port, StartTLS, ""), "lastlook-7f3k9d2m", usual)
	head := "lastlook-7f3k9d2m\n12\n" + base64.StdEncoding.EncodeToString(make([]byte, 32)) + "\n\n— lastlook-7f3k9d2m AAAA\n"
	for _, j := range []notify.Job{job(notify.Mail, ""), job(notify.Mail, ""), job(notify.Mail, head)} {
		if r := s.Send(ctx, j); r.Fate != notify.Took {
			t.Fatalf("Send = %+v, %s", r, r.Said)
		}
	}
	got := box.letters()
	l := got[0]
	if l.from != "bench@quillfern.example" || !reflect.DeepEqual(l.to, []string{"ida@quillfern.example"}) {
		t.Errorf("from %s to %s", l.from, l.to)
	}
	if l.head.Get("Bcc") != "" || strings.Contains(string(l.raw), "\nBcc:") {
		t.Errorf("a number from an order became a field:\n%s", l.raw)
	}
	subject, err := new(mime.WordDecoder).DecodeHeader(l.head.Get("Subject"))
	if err != nil || !strings.HasPrefix(subject, "Lastlook: Stop: K-2041") || !strings.Contains(subject, "not answered, level 2") {
		t.Errorf("subject %q, %v", subject, err)
	}
	for name, want := range map[string]string{
		"Message-Id": "<5d41402abc4b2a76b9719d91@lastlook-7f3k9d2m.invalid>", "Auto-Submitted": "auto-generated", "References": "<ba7816bf8f01cfea414140de@lastlook-7f3k9d2m.invalid>",
	} {
		if l.head.Get(name) != want {
			t.Errorf("%s: %s, want %s", name, l.head.Get(name), want)
		}
	}
	if at, err := l.head.Date(); err != nil || !at.Equal(sentAt) {
		t.Errorf("date %v, %v; want when it was queued, %v", at, err, sentAt)
	}
	if string(got[0].raw) != string(got[1].raw) {
		t.Errorf("the second try differs:\n%s\nfrom\n%s", got[1].raw, got[0].raw)
	}
	if !strings.Contains(string(got[2].raw), "head-12.note") {
		t.Errorf("the head is not attached:\n%s", got[2].raw)
	}
}

func TestWebhook(t *testing.T) {
	a := newAuthority(t)
	good, wrong, stranger := a.good(), a.server(time.Now().Add(time.Hour), "elsewhere.example"), newAuthority(t).good()
	status := func(code int, words string, header ...string) func(int, http.ResponseWriter, *http.Request) {
		return func(_ int, w http.ResponseWriter, _ *http.Request) {
			for i := 0; i+1 < len(header); i += 2 {
				w.Header().Set(header[i], header[i+1])
			}
			w.WriteHeader(code)
			fmt.Fprint(w, words)
		}
	}
	hang := func(_ int, _ http.ResponseWriter, r *http.Request) { <-r.Context().Done() }
	long := strings.Repeat("ü", 5000)
	tests := []struct {
		name    string
		cert    *tls.Certificate
		answer  func(int, http.ResponseWriter, *http.Request)
		fate    notify.Fate
		status  int
		road    bool
		wait    time.Duration
		said    string
		arrived int
	}{
		{"took", &good, nil, notify.Took, 200, false, 0, "took it (200)", 1},
		{"took, open on this machine", nil, status(202, ""), notify.Took, 202, false, 0, "took it (202)", 1},
		{"gone", &good, status(410, "gone\x00\n<b>"), notify.Denied, 410, false, 0, "for good (410): gone <b>", 1},
		{"not now", &good, status(500, "oh"), notify.Failed, 500, false, 0, "not take it now (500): oh", 1},
		{"too many", &good, status(429, "", "Retry-After", "120"), notify.Failed, 429, false, 2 * time.Minute, "(429)", 1},
		{"too early", &good, status(425, ""), notify.Failed, 425, false, 0, "(425)", 1},
		{"too slow", &good, status(408, ""), notify.Failed, 408, false, 0, "(408)", 1},
		{"a long wait", &good, status(503, "", "Retry-After", "99999999"), notify.Failed, 503, false, time.Hour, "(503)", 1},
		{"a wait that is none", &good, status(503, "", "Retry-After", "-5"), notify.Failed, 503, false, 0, "(503)", 1},
		{"elsewhere", &good, status(307, "", "Location", "http://localhost:1/"), notify.Failed, 307, true, 0, "another address (307)", 1},
		{"hangs", &good, hang, notify.Unknown, 0, false, 0, "same Idempotency-Key", 1},
		{"talks for ever", &good, status(400, long), notify.Denied, 400, false, 0, strings.Repeat("ü", 200) + "…", 1},
		{"certificate of another name", &wrong, nil, notify.Failed, 0, true, 0, "for another name", 0},
		{"certificate of a stranger", &stranger, nil, notify.Failed, 0, true, 0, "does not know", 0},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			r := hookServer(t, tt.cert)
			r.say(tt.answer)
			s := newSender(hookConfig(t, a, r.url), "lastlook-7f3k9d2m", quick)
			got := s.Send(ctx, job(notify.Webhook, ""))
			if got.Fate != tt.fate || got.Status != tt.status || got.Road != tt.road || got.Wait != tt.wait || !strings.Contains(got.Said.String(), tt.said) {
				t.Errorf("Send = %+v, %q; want fate %d, status %d, road %v, wait %v, %q", got, got.Said, tt.fate, tt.status, tt.road, tt.wait, tt.said)
			}
			calls := r.calls()
			if len(calls) != tt.arrived {
				t.Fatalf("%d calls, want %d", len(calls), tt.arrived)
			}
			for _, c := range calls {
				if c.err != nil || c.key != "5d41402abc4b2a76b9719d91" {
					t.Errorf("the receiver: %v, key %q", c.err, c.key)
				}
			}
		})
	}
}

// TestBodyIsAsDocumented compares what is sent with FORMAT.md.
func TestBodyIsAsDocumented(t *testing.T) {
	doc, err := os.ReadFile("FORMAT.md")
	if err != nil {
		t.Fatal(err)
	}
	j := job(notify.Webhook, "a head\n")
	b, err := bodyOf("lastlook-7f3k9d2m", j)
	if err != nil {
		t.Fatal(err)
	}
	var got map[string]any
	if err := json.Unmarshal(b, &got); err != nil {
		t.Fatal(err)
	}
	if len(got) != reflect.TypeFor[body]().NumField() {
		t.Errorf("%d fields are sent of %d: the test must show all", len(got), reflect.TypeFor[body]().NumField())
	}
	for name := range got {
		if !strings.Contains(string(doc), "`"+name+"`") {
			t.Errorf("FORMAT.md does not explain %s", name)
		}
	}
	_, example, ok := strings.Cut(string(doc), "    {\"format\"")
	if !ok {
		t.Fatal("FORMAT.md has no example")
	}
	dec := json.NewDecoder(strings.NewReader("{\"format\"" + example))
	dec.DisallowUnknownFields()
	var e body
	if err := dec.Decode(&e); err != nil || e.Format != format || e.Consignment == nil || e.Consignment.Number != "K-2041" {
		t.Errorf("the example is %+v, %v", e, err)
	}
	if text := got["text"].([]any); text[0] != "Stopped: ÿ suspect" {
		t.Errorf("text %q", text)
	}
}

// TestSignatureVectors are the examples of RFC 9421, appendix B.2.5 (hmac-sha256
// with the shared secret of B.1.5), and of RFC 9530, appendix B.
func TestSignatureVectors(t *testing.T) {
	key, err := base64.StdEncoding.DecodeString("uzvJfB4u3N0Jy4T7NZ75MDVcr8zSTInedJtkgcu46YW4XByzNJjxBdtjUkdJPBtbmHhIDi6pcl8jsasjlTMtDQ==")
	if err != nil {
		t.Fatal(err)
	}
	covered := []component{{"date", "Tue, 20 Apr 2021 02:07:55 GMT"}, {"@authority", "example.com"}, {"content-type", "application/json"}}
	params := signatureParams(covered, `;created=1618884473;keyid="test-shared-secret"`)
	if want := `("date" "@authority" "content-type");created=1618884473;keyid="test-shared-secret"`; params != want {
		t.Errorf("params %s, want %s", params, want)
	}
	if got, want := sign(key, signatureBase(covered, params)), "pxcQw6G3AjtMBQjwo8XzkZf/bws5LelbaMk5rGIGtE8="; got != want {
		t.Errorf("signature %s, want %s", got, want)
	}
	if got, want := contentDigest([]byte(`{"hello": "world"}`)), "sha-256=:X48E9qOokqqrvdts8nOJRJN3OWDUoyWxBf7kbu9DBPE=:"; got != want {
		t.Errorf("digest %s, want %s", got, want)
	}
}

func TestTry(t *testing.T) {
	a := newAuthority(t)
	cert := a.good()
	box, hook := mailServer(t, &cert, false, false), hookServer(t, &cert)
	dir := t.TempDir()
	cfg := configured(t, dir, fmt.Sprintf(`
roots_file: %s
smtp: {host: localhost, port: %d, from: bench@quillfern.example}
webhooks: {pager: {url: "%s", secret: %s}}
contacts: [{name: Ida Fenn, email: ida@quillfern.example, webhook: pager}]
levels: [{after_minutes: 15, contacts: [Ida Fenn]}]
`, a.pem(dir), box.port, hook.url, testSecret))
	s := NewSender(cfg, "lastlook-7f3k9d2m")
	for range 2 {
		for _, tried := range s.Try(ctx, cfg.Contacts[0]) {
			if tried.Result.Fate != notify.Took {
				t.Errorf("%s: %+v", tried.Channel, tried.Result)
			}
		}
	}
	calls, letters := hook.calls(), box.letters()
	if len(calls) != 2 || len(letters) != 2 || calls[0].key == calls[1].key || calls[0].err != nil {
		t.Errorf("%d calls and %d mails, %+v; want 2 of each with keys of their own", len(calls), len(letters), calls)
	}
	if !strings.Contains(letters[0].body, "This is a test") {
		t.Errorf("the mail says %q", letters[0].body)
	}
}

// TestLineDropsAfterTaking: the server takes the mail and hangs up. That is taken.
func TestLineDropsAfterTaking(t *testing.T) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	go func() {
		conn, err := ln.Accept()
		if err != nil {
			return
		}
		defer conn.Close()
		fmt.Fprint(conn, "220 localhost\r\n")
		in := bufio.NewScanner(conn)
		for data := false; in.Scan(); {
			switch line := in.Text(); {
			case data && line == ".":
				fmt.Fprint(conn, "250 2.0.0 queued\r\n")
				return
			case data:
			case line == "DATA":
				data = true
				fmt.Fprint(conn, "354 go on\r\n")
			default:
				fmt.Fprint(conn, "250 localhost\r\n")
			}
		}
	}()
	s := newSender(mailConfig(t, newAuthority(t), ln.Addr().(*net.TCPAddr).Port, Open, ""), "lastlook-7f3k9d2m", quick)
	if r := s.Send(ctx, job(notify.Mail, "")); r.Fate != notify.Took || !strings.Contains(r.Said.String(), "queued") {
		t.Errorf("Send = %+v, %s; want it taken", r, r.Said)
	}
}

func TestStoppedWhileSending(t *testing.T) {
	a := newAuthority(t)
	cert := a.good()
	box := mailServer(t, &cert, false, false)
	box.hang = make(chan struct{})
	defer close(box.hang)
	s := newSender(mailConfig(t, a, box.port, StartTLS, ""), "lastlook-7f3k9d2m", Limits{Dial: time.Minute, Step: time.Hour, Whole: time.Hour})
	ctx, cancel := context.WithCancel(ctx)
	got := make(chan notify.Result)
	go func() { got <- s.Send(ctx, job(notify.Mail, "")) }()
	for len(box.letters()) == 0 {
		time.Sleep(time.Millisecond)
	}
	cancel()
	if r := <-got; r.Fate != notify.Unknown {
		t.Errorf("Send = %+v, want that it may have arrived", r)
	}
}
