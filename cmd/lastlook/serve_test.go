package main

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"lastlook/internal/demo"
	"lastlook/internal/store"
)

// shared is a buffer that may be read while it is written to.
type shared struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (s *shared) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(p)
}

func (s *shared) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.String()
}

// server is a command that serves until it is stopped.
type server struct {
	t         testing.TB
	url       string
	out, errs *shared
	stop      func() int // ends it and gives the exit status
}

var urlPattern = regexp.MustCompile(`http://localhost:\d+`)

// start runs a serving command and waits until it prints its address.
func start(t testing.TB, args ...string) *server {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	s := &server{t: t, out: &shared{}, errs: &shared{}}
	ended := make(chan int, 1)
	go func() { ended <- run(ctx, terminal{in: strings.NewReader(""), out: s.out, err: s.errs}, args) }()
	s.stop = sync.OnceValue(func() int {
		cancel()
		return <-ended
	})
	t.Cleanup(func() { s.stop() })
	for range 600 {
		if s.url = urlPattern.FindString(s.out.String()); s.url != "" {
			return s
		}
		select {
		case status := <-ended:
			ended <- status
			t.Fatalf("%v ended with %d: %s%s", args, status, s.out, s.errs)
		case <-time.After(50 * time.Millisecond):
		}
	}
	t.Fatalf("%v prints no address: %s%s", args, s.out, s.errs)
	return nil
}

func TestServe(t *testing.T) {
	dir := t.TempDir()
	s := start(t, "serve", "--data", dir, "--listen", "localhost:0", "--bench", " bench 7 ")
	for _, want := range []string{"Nobody is on the list of people yet", s.url + "/people", dir} {
		if !strings.Contains(s.out.String(), want) {
			t.Errorf("serve says %q, without %q", s.out, want)
		}
	}
	resp, err := http.Get(s.url + "/people")
	if err != nil {
		t.Fatal(err)
	}
	page, _ := io.ReadAll(resp.Body)
	resp.Body.Close()
	if resp.StatusCode != 200 || !bytes.Contains(page, []byte("bench 7")) || bytes.Contains(page, []byte("all invented")) {
		t.Errorf("GET /people = %d, %.300q", resp.StatusCode, page)
	}
	if status := s.stop(); status != exitDone {
		t.Errorf("serve ends with %d: %s", status, s.errs)
	}
	for _, want := range []string{"level=INFO msg=serving", "bench=\"bench 7\"", "msg=stopped"} {
		if !strings.Contains(s.errs.String(), want) {
			t.Errorf("the log %q lacks %q", s.errs, want)
		}
	}
	if _, err := http.Get(s.url + "/health"); err == nil {
		t.Error("it still answers after the end")
	}
}

func TestServeRefuses(t *testing.T) {
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer taken.Close()
	dir := filepath.Join(t.TempDir(), "data")
	tests := []struct {
		name   string
		args   []string
		status int
		want   string
	}{
		{"all addresses", []string{"--listen", ":8480"}, exitUsage, "does not encrypt"},
		{"all addresses, written out", []string{"--listen", "0.0.0.0:8480"}, exitUsage, "--listen localhost:8480"},
		{"all addresses, IPv6", []string{"--listen", "[::]:8480"}, exitUsage, "does not encrypt"},
		{"the network", []string{"--listen", "192.168.1.5:80"}, exitUsage, "does not encrypt"},
		{"a name", []string{"--listen", "bench.example:8480"}, exitUsage, "does not encrypt"},
		{"no port", []string{"--listen", "localhost"}, exitUsage, "not an address with a port"},
		{"no such port", []string{"--listen", "localhost:99999"}, exitUsage, "from 0 to 65535"},
		{"in use", []string{"--listen", taken.Addr().String()}, exitRefused, "is in use by another program"},
		{"no such paper", []string{"--listen", "localhost:0", "--paper", "a3"}, exitUsage, "--paper a4 or --paper letter"},
		{"no bench", []string{"--listen", "localhost:0", "--bench", " "}, exitUsage, "needs a name"},
		{"argument", []string{"now"}, exitUsage, "only flags"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			status, out, errs := cli("", append([]string{"serve", "--data", dir}, tt.args...)...)
			if status != tt.status || !strings.Contains(errs, tt.want) || out != "" {
				t.Errorf("serve %q = %d, %q, %q; want %d and %q", tt.args, status, out, errs, tt.status, tt.want)
			}
		})
	}
	if _, err := os.Stat(dir); err == nil {
		t.Error("a refused start made a data folder")
	}
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if status, _, errs := cli("", "serve", "--listen", "localhost:0", "--data", file); status != exitRefused || strings.Contains(errs, "goroutine") || errs == "" {
		t.Errorf("serve with a file for a folder = %d, %q", status, errs)
	}
}

// scanned posts a code as the bench's script does and gives the answer's tone.
func (s *server) scanned(client *http.Client, code, key string) (tone, text string) {
	s.t.Helper()
	req, err := http.NewRequest("POST", s.url+"/scan", strings.NewReader(url.Values{"code": {code}, "key": {key}, "at": {"/"}}.Encode()))
	if err != nil {
		s.t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	req.Header.Set("Accept", "application/json")
	resp, err := client.Do(req)
	if err != nil {
		s.t.Fatal(err)
	}
	defer resp.Body.Close()
	var answer struct{ Tone, Text, Detail string }
	if err := json.NewDecoder(resp.Body).Decode(&answer); err != nil {
		s.t.Fatalf("scan of %s = %d, %v", code, resp.StatusCode, err)
	}
	return answer.Tone, answer.Text + answer.Detail
}

// What the demo says can be tried works when it is tried.
func TestDemo(t *testing.T) {
	s := start(t, "demo", "--no-open", "--listen", "localhost:0")
	out := s.out.String()
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	client := &http.Client{Jar: jar}

	badges := regexp.MustCompile(`B [0-9A-Z]{4} \d\d`).FindAllString(out, -1)
	packages := regexp.MustCompile(`P [0-9A-Z]{4} \d{3} \d\d`).FindAllString(out, -1)
	if len(badges) != 3 || len(packages) != 6 {
		t.Fatalf("the demo names %q and %q:\n%s", badges, packages, out)
	}
	if tone, text := s.scanned(client, badges[0], "a"); tone != "right" || !strings.Contains(text, demo.Tam) {
		t.Errorf("badge: %s %q", tone, text)
	}
	for i, p := range packages[:3] {
		if tone, text := s.scanned(client, p, "p"+p); tone != "right" {
			t.Errorf("package %d to fetch, %s: %s %q", i+1, p, tone, text)
		}
	}
	if tone, text := s.scanned(client, packages[3], "w"); tone != "wrong" {
		t.Errorf("package that is not in the draw: %s %q", tone, text)
	}
	// The second one waits until the first is closed.
	if tone, text := s.scanned(client, packages[4], "e"); tone != "right" {
		t.Errorf("package to examine, %s: %s %q", packages[4], tone, text)
	}
	for _, link := range regexp.MustCompile(`http://localhost:\d+/\S+`).FindAllString(out, -1) {
		resp, err := client.Get(link)
		if err != nil {
			t.Fatal(err)
		}
		body, _ := io.ReadAll(resp.Body)
		resp.Body.Close()
		if resp.StatusCode != 200 || !bytes.Contains(body, []byte("all invented")) {
			t.Errorf("GET %s = %d", link, resp.StatusCode)
		}
	}
	pdf := regexp.MustCompile(`\S+demo-labels\.pdf`).FindString(out)
	if b, err := os.ReadFile(pdf); err != nil || !bytes.HasPrefix(b, []byte("%PDF-")) {
		t.Errorf("labels %q: %v", pdf, err)
	}
	if status := s.stop(); status != exitDone {
		t.Errorf("demo ends with %d: %s", status, s.errs)
	}
	if _, err := os.Stat(filepath.Dir(pdf)); !os.IsNotExist(err) {
		t.Errorf("the folder %s is still there: %v", filepath.Dir(pdf), err)
	}
}

func TestDemoKeeps(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "kept")
	s := start(t, "demo", "--no-open", "--listen", "localhost:0", "--keep", dir)
	if status := s.stop(); status != exitDone {
		t.Fatalf("demo ends with %d: %s", status, s.errs)
	}
	for _, f := range []string{store.File, demoLabels} {
		if _, err := os.Stat(filepath.Join(dir, f)); err != nil {
			t.Error(err)
		}
	}
	if status, _, errs := cli("", "demo", "--no-open", "--keep", dir); status != exitUsage || !strings.Contains(errs, "is not empty") {
		t.Errorf("demo on a folder in use = %d, %q", status, errs)
	}
	// A kept demo can be gone on with.
	s = start(t, "serve", "--data", dir, "--listen", "localhost:0")
	if strings.Contains(s.out.String(), "Nobody is on the list") {
		t.Error("the people of the demo are gone")
	}
}

// Without an address the demo takes the next free port.
func TestDemoFindsAPort(t *testing.T) {
	ctx := context.Background()
	first, err := listenDemo(ctx, "")
	if err != nil {
		t.Fatal(err)
	}
	defer first.Close()
	second, err := listenDemo(ctx, "")
	if err != nil {
		t.Fatal(err)
	}
	defer second.Close()
	if first.Addr().String() == second.Addr().String() {
		t.Errorf("both listen on %s", first.Addr())
	}
	if _, err := listenDemo(ctx, first.Addr().String()); err == nil {
		t.Error("a port that was named and is taken was replaced")
	}
}
