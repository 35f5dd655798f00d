package courier

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"runtime"
	"strings"
	"testing"
	"time"

	"lastlook/internal/notify"
)

const wholeConfig = `# Who is told of a stop.
smtp:
  host: mail.quillfern.example
  user: bench
  password_file: smtp.password
  from: bench@quillfern.example
webhooks:
  pager:
    url: https://pager.quillfern.example/lastlook
    secret: 0123456789abcdef0123456789abcdef
contacts:
  - name: Ida Fenn
    email: ida@quillfern.example
    webhook: pager
  - name: Wilo Pasch
    webhook: pager
  - name: the auditor
    email: heads@auditor.example
levels:
  - after_minutes: 15
    contacts: [Ida Fenn]
  - after_minutes: 30
    contacts: [Ida Fenn, Wilo Pasch]
heads:
  every_hours: 24
  to: [the auditor]
`

func write(t testing.TB, dir, name, content string, mode os.FileMode) {
	t.Helper()
	if err := os.WriteFile(filepath.Join(dir, name), []byte(content), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(filepath.Join(dir, name), mode); err != nil {
		t.Fatal(err)
	}
}

func TestLoad(t *testing.T) {
	dir := t.TempDir()
	cfg, err := Load(dir)
	if err != nil || cfg.Found || len(cfg.Plan.Levels) != 0 {
		t.Fatalf("Load without a file = %+v, %v", cfg, err)
	}
	write(t, dir, "smtp.password", "open sesame\n", 0o600)
	write(t, dir, File, wholeConfig, 0o600)
	if cfg, err = Load(dir); err != nil {
		t.Fatal(err)
	}
	both, hook, mail := []notify.Channel{notify.Mail, notify.Webhook}, []notify.Channel{notify.Webhook}, []notify.Channel{notify.Mail}
	want := notify.Plan{
		Levels: []notify.Level{
			{After: 15 * time.Minute, Contacts: []notify.Contact{{Name: "Ida Fenn", Channels: both}}},
			{After: 30 * time.Minute, Contacts: []notify.Contact{{Name: "Ida Fenn", Channels: both}, {Name: "Wilo Pasch", Channels: hook}}},
		},
		HeadsEvery: 24 * time.Hour, HeadsTo: []notify.Contact{{Name: "the auditor", Channels: mail}},
	}
	if !reflect.DeepEqual(cfg.Plan, want) {
		t.Errorf("plan %+v\nwant %+v", cfg.Plan, want)
	}
	smtp := SMTP{Host: "mail.quillfern.example", Port: 587, Security: StartTLS, User: "bench", Password: "open sesame", From: "bench@quillfern.example"}
	if *cfg.SMTP != smtp {
		t.Errorf("smtp %+v, want %+v", *cfg.SMTP, smtp)
	}
	js, err := json.Marshal(cfg.SMTP)
	shown := fmt.Sprintf("%v %+v %#v %s %v", *cfg.SMTP, cfg, cfg.Hooks, js, err)
	if strings.Contains(shown, "sesame") || strings.Contains(shown, "0123456789abcdef") {
		t.Errorf("a secret is shown: %s", shown)
	}
}

func TestLoadRefusesWhatOthersMayRead(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("there are no such modes here")
	}
	dir := t.TempDir()
	write(t, dir, "smtp.password", "open sesame\n", 0o640)
	write(t, dir, File, wholeConfig, 0o644)
	if _, err := Load(dir); err == nil || !strings.Contains(err.Error(), "mode 0644") || !strings.Contains(err.Error(), "chmod 600") {
		t.Errorf("Load = %v, want a refusal of the mode", err)
	}
	write(t, dir, File, wholeConfig, 0o600)
	var ps Problems
	if _, err := Load(dir); !errors.As(err, &ps) || !strings.Contains(err.Error(), File+":5: smtp.password_file") || !strings.Contains(err.Error(), "mode 0640") {
		t.Errorf("Load = %v, want a refusal of the password's mode in line 5", err)
	}
	os.Remove(filepath.Join(dir, File))
	if err := os.Mkdir(filepath.Join(dir, File), 0o700); err != nil {
		t.Fatal(err)
	}
	if _, err := Load(dir); err == nil || !strings.Contains(err.Error(), "not a file") {
		t.Errorf("Load of a folder = %v", err)
	}
}

func TestLoadNamesEveryMistake(t *testing.T) {
	good := func(from, to string) string {
		if !strings.Contains(wholeConfig, from) {
			t.Fatalf("the file has no %q", from)
		}
		return strings.Replace(wholeConfig, from, to, 1)
	}
	tests := []struct {
		name, yaml string
		line       int
		want       string
	}{
		{"empty", "", 0, "The file is empty"},
		{"only a remark", "# nothing\n", 0, "The file is empty"},
		{"no YAML", "a: [", 1, "not valid YAML"},
		{"not UTF-8", "a: \xff", 0, "not UTF-8"},
		{"two documents", wholeConfig + "---\na: b\n", 0, "one document; it holds 2"},
		{"a list", "- a\n", 1, "“key: value” pairs, not a list"},
		{"unknown key", good("contacts:\n", "people: []\ncontacts:\n"), 11, `no key "people"`},
		{"unknown key inside", good("  user: bench\n", "  login: bench\n"), 4, `no key "login"`},
		{"key twice", good("  user: bench\n", "  user: bench\n  user: bench\n"), 5, "not valid YAML"},
		{"number for text", good("host: mail.quillfern.example", "host: 12"), 3, "must be text on one line, not a number"},
		{"host with port", good("mail.quillfern.example", "mail.quillfern.example:25"), 3, "without a port"},
		{"port", good("  user: bench\n", "  port: 99999\n  user: bench\n"), 4, "whole number from 1 to 65535"},
		{"security", good("  user: bench\n", "  security: ssl\n  user: bench\n"), 4, "starttls, tls or none"},
		{"open to elsewhere", good("  user: bench\n", "  security: none\n  user: bench\n"), 4, "to this machine only"},
		{"password in the open", "smtp: {host: localhost, security: none, user: a, password: b, from: a@b.example}\n" + wholeConfig[strings.Index(wholeConfig, "webhooks"):], 1, "over TLS only"},
		{"no password", good("  password_file: smtp.password\n", ""), 4, "password is missing"},
		{"no user", good("  user: bench\n", ""), 3, "a password but no user"},
		{"two passwords", good("  user: bench\n", "  user: bench\n  password: x\n"), 6, "keep one of the two"},
		{"password file is not there", good("smtp.password", "other"), 5, "is not there"},
		{"no sender", good("  from: bench@quillfern.example\n", ""), 3, "from which address"},
		{"sender", good("from: bench@", "from: Bench <bench@"), 6, "not a plain mail address"},
		{"webhook over http", good("https://pager", "http://pager"), 9, "must begin with https://"},
		{"webhook is no address", good("https://pager.quillfern.example/lastlook", "pager"), 9, "not an address"},
		{"webhook with password", good("https://pager", "https://a:b@pager"), 9, "no user, password"},
		{"short secret", good("secret: 0123456789abcdef0123456789abcdef", "secret: hush"), 10, "at least 32 characters"},
		{"name of a webhook", good("  pager:\n", "  Pager:\n"), 9, "small letters, digits and hyphens"},
		{"no such webhook", good("    webhook: pager\n  - name: Wilo", "    webhook: beeper\n  - name: Wilo"), 14, `no webhook "beeper"`},
		{"nameless", good("name: Ida Fenn", `name: ""`), 12, "needs a name"},
		{"name twice", good("name: Wilo Pasch", "name: ida fenn"), 15, "already"},
		{"unreachable", good("    webhook: pager\n  - name: the", "  - name: the"), 15, "cannot be reached"},
		{"address", good("ida@quillfern.example", "ida"), 13, "not a plain mail address"},
		{"mail without server", wholeConfig[strings.Index(wholeConfig, "webhooks"):], 7, "no mail server"},
		{"no levels", wholeConfig[:strings.Index(wholeConfig, "levels")], 2, "no levels"},
		{"level without contacts", good("    contacts: [Ida Fenn]\n", "    contacts: []\n"), 20, "at least one contact"},
		{"stranger in a level", good("[Ida Fenn]", "[Bea Lund]"), 21, `no contact "Bea Lund"`},
		{"twice in a level", good("[Ida Fenn]", "[Ida Fenn, Ida Fenn]"), 21, "twice"},
		{"no time", good("  - after_minutes: 15\n    contacts", "  - contacts"), 20, "after how many minutes"},
		{"time", good("after_minutes: 15", "after_minutes: 0"), 20, "from 1 to 10080"},
		{"negative time", good("after_minutes: 15", "after_minutes: -1"), 20, "from 1 to 10080"},
		{"heads without time", good("  every_hours: 24\n", ""), 25, "every how many hours"},
		{"heads to nobody", good("  to: [the auditor]\n", ""), 25, "at least one contact"},
		{"roots are no file", "roots_file: nowhere.pem\n" + wholeConfig, 1, "cannot be read"},
		{"roots are no certificates", "roots_file: smtp.password\n" + wholeConfig, 1, "no certificate"},
		{"control character", good("name: Ida Fenn", `name: "Ida\u0007Fenn"`), 12, "cannot be seen"},
		{"tag for a list", "levels: !a\ncontacts: []\n", 1, "anchor, alias or tag"},
		{"alias", good("name: Ida Fenn", "name: &a Ida Fenn"), 12, "anchor"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			dir := t.TempDir()
			write(t, dir, "smtp.password", "open sesame\n", 0o600)
			write(t, dir, File, tt.yaml, 0o600)
			cfg, err := Load(dir)
			var ps Problems
			if !errors.As(err, &ps) || cfg != nil {
				t.Fatalf("Load = %v, %v; want problems", cfg, err)
			}
			found := false
			for _, p := range ps {
				found = found || strings.Contains(p.Text.String(), tt.want) && (tt.line == 0 || p.Line == tt.line)
				if p.File != filepath.Join(dir, File) {
					t.Errorf("%+v names no file", p)
				}
			}
			if !found {
				t.Errorf("Load = %v\nwant in line %d %q", err, tt.line, tt.want)
			}
			if strings.Contains(err.Error(), "sesame") || strings.Contains(err.Error(), "0123456789abcdef") {
				t.Errorf("a secret is shown: %v", err)
			}
		})
	}
}

func TestAllMistakesAtOnce(t *testing.T) {
	dir := t.TempDir()
	write(t, dir, File, "smtp: {host: 1, from: x}\ncontacts: [{name: A}]\nnonsense: 1\n", 0o600)
	_, err := Load(dir)
	for _, want := range []string{File + ":1: smtp.host", File + ":1: smtp.from", File + ":2: contacts[1]", File + ":3: nonsense", "levels"} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("Load = %v, without %q", err, want)
		}
	}
}

func FuzzLoad(f *testing.F) {
	f.Add([]byte(wholeConfig))
	f.Add([]byte("smtp: [1, {a: b}]\nlevels: {x: y}\ncontacts: [[], 1, {name: [a]}]\nheads: 4\nwebhooks: {a: 1, 2: {}}"))
	dir := f.TempDir()
	f.Fuzz(func(t *testing.T, b []byte) {
		path := filepath.Join(dir, File)
		if err := os.WriteFile(path, b, 0o600); err != nil {
			t.Skip()
		}
		cfg, err := Load(dir)
		if (cfg == nil) == (err == nil) {
			t.Fatalf("Load = %v, %v", cfg, err)
		}
	})
}
