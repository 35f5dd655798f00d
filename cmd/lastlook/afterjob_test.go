package main

import (
	"bufio"
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/csv"
	"encoding/pem"
	"fmt"
	"io"
	"math/big"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	smtp "github.com/emersion/go-smtp"

	"lastlook/internal/code"
	"lastlook/internal/consignment"
	"lastlook/internal/handtest"
	"lastlook/internal/place"
	"lastlook/internal/store"
)

// postbox is a real mail server that takes everything, over STARTTLS only.
type postbox struct {
	port int
	mu   sync.Mutex
	got  []string
}

func (p *postbox) letters() []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return append([]string(nil), p.got...)
}

type postSession struct {
	box *postbox
	smtp.Session
	conn *smtp.Conn
}

func (s postSession) Mail(string, *smtp.MailOptions) error {
	if _, ok := s.conn.TLSConnectionState(); !ok {
		return smtp.ErrAuthRequired
	}
	return nil
}
func (postSession) Rcpt(string, *smtp.RcptOptions) error { return nil }
func (postSession) Reset()                               {}
func (postSession) Logout() error                        { return nil }
func (s postSession) Data(r io.Reader) error {
	b, err := io.ReadAll(r)
	s.box.mu.Lock()
	defer s.box.mu.Unlock()
	s.box.got = append(s.box.got, string(b))
	return err
}

// newPostbox starts the server and writes the certificate that it is known by.
func newPostbox(t *testing.T, roots string) *postbox {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	tmpl := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "localhost"}, DNSNames: []string{"localhost"},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), IsCA: true, BasicConstraintsValid: true,
		KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
	}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, tmpl, key.Public(), key)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(roots, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600); err != nil {
		t.Fatal(err)
	}
	box := &postbox{}
	srv := smtp.NewServer(smtp.BackendFunc(func(c *smtp.Conn) (smtp.Session, error) { return postSession{box: box, conn: c}, nil }))
	srv.Domain = "localhost"
	srv.TLSConfig = &tls.Config{Certificates: []tls.Certificate{{Certificate: [][]byte{der}, PrivateKey: key}}}
	ln, err := net.Listen("tcp", "localhost:0")
	if err != nil {
		t.Fatal(err)
	}
	box.port = ln.Addr().(*net.TCPAddr).Port
	go srv.Serve(ln)
	t.Cleanup(func() { srv.Close() })
	return box
}

// afterJob drives the built binary through what follows a decision.
type afterJob struct {
	*handtest.Hand
	t         *testing.T
	dir, data string
	url       string
	stop      func()
	codes     map[string]string
}

// link builds the binary, with a clock that runs ahead by so much.
func (j *afterJob) link(name, ahead string) string {
	j.t.Helper()
	bin := filepath.Join(j.dir, name)
	args := []string{"build", "-o", bin}
	if ahead != "" {
		args = append(args, "-ldflags", "-X main.ahead="+ahead)
	}
	build := exec.Command("go", append(args, ".")...)
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := build.CombinedOutput(); err != nil {
		j.t.Fatalf("go build: %v\n%s", err, out)
	}
	return bin
}

// serve starts a binary on the data, on the same address each time.
func (j *afterJob) serve(bin string) {
	j.t.Helper()
	listen := "localhost:0"
	if j.url != "" {
		listen = strings.TrimPrefix(j.url, "http://")
	}
	cmd := exec.Command(bin, "serve", "--data", j.data, "--listen", listen)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		j.t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		j.t.Fatal(err)
	}
	var once sync.Once
	j.stop = func() { once.Do(func() { cmd.Process.Signal(os.Interrupt); cmd.Wait() }) }
	j.t.Cleanup(j.stop)
	found := ""
	address := regexp.MustCompile(`http://localhost:\d+`)
	for lines := bufio.NewScanner(out); found == "" && lines.Scan(); {
		found = address.FindString(lines.Text())
	}
	if found == "" {
		j.t.Fatal("serve printed no address")
	}
	go io.Copy(io.Discard, out)
	j.url = found
}

// state reads a consignment from the data file, beside the server.
func (j *afterJob) state(number string) *consignment.State {
	j.t.Helper()
	st, err := store.Open(context.Background(), j.data)
	if err != nil {
		j.t.Fatal(err)
	}
	defer st.Close()
	s, err := st.Consignment(context.Background(), j.codes[number])
	if err != nil {
		j.t.Fatal(err)
	}
	return s
}

func (j *afterJob) standing(number string, want consignment.Standing) {
	j.t.Helper()
	if got := j.state(number).Standing(); got != want {
		j.t.Fatalf("%s stands as %s, want %s", number, got, want)
	}
}

func (j *afterJob) pkg(number string, n int) string { return code.Package(j.codes[number], n).String() }

func (j *afterJob) path(number, end string) string { return j.url + "/c/" + j.codes[number] + end }

// drawn fetches what was drawn and gives it.
func (j *afterJob) fetch(number string) []int {
	j.t.Helper()
	ns := j.state(number).Running().ToExamine()
	for _, n := range ns {
		j.Answered(j.pkg(number, n), "right", "right.")
	}
	return ns
}

// clean examines a package in which there is nothing, or the rest of one.
func (j *afterJob) clean(number string, n, units int) {
	j.t.Helper()
	j.Answered(j.pkg(number, n), "right", "is open")
	j.On("Is the empty package clean?")
	j.Press("The package is clean")
	j.On("How many units")
	j.Press("That many")
	j.rest(units)
}

func (j *afterJob) rest(units int) {
	j.t.Helper()
	j.Wait(`document.querySelector('#page [name="count"]')`)
	j.Fill("count", strconv.Itoa(units))
	j.Press("All these are clean")
	j.On("Did you make every look")
	j.AllYes()
	j.Press("The looks are made")
	j.On("Put all")
	j.Answered(code.Card(code.Done).String(), "right", "is closed")
}

// pass checks the bench and ends the round.
func (j *afterJob) pass() {
	j.t.Helper()
	j.On("What is on the bench now?")
	j.AllYes()
	j.Press("The bench is checked")
	j.On("The outcome is: Passed")
	j.Press("End the round")
	j.Outcome("Passed")
}

// load takes all packages through the gate and lets them leave.
func (j *afterJob) load(number string, ns ...int) {
	j.t.Helper()
	j.Open(j.url + "/gate")
	j.On("What is loaded?")
	j.Answered(code.Consignment(j.codes[number]).String(), "right", "Loading "+number)
	for _, n := range ns {
		j.Answered(j.pkg(number, n), "right", fmt.Sprintf("%03d goes aboard", n))
	}
	j.Press("All aboard")
	j.Wait(`document.querySelector('#page [name="vehicle"]')`)
	j.Fill("vehicle", "QF 12 (invented)")
	j.Press("It leaves")
	j.On("Papers for the driver")
	j.standing(number, consignment.StandGone)
}

// examineAgain inspects all packages of a consignment that came back.
func (j *afterJob) examineAgain(number, why string, units int) {
	j.t.Helper()
	j.On("Is the bench fit for use?")
	j.AllYes()
	j.Press("The bench is checked")
	j.On("How many packages stand here?")
	j.Fill("counted", strconv.Itoa(j.state(number).Count()))
	j.Fill("reason", why)
	j.Press("Seal and draw")
	j.On("Fetch these")
	for _, n := range j.fetch(number) {
		j.clean(number, n, units)
	}
	j.pass()
}

// codesOf reads all codes of a paper as a scanner would.
func (j *afterJob) codesOf(path string) string {
	j.t.Helper()
	req, err := http.NewRequest(http.MethodGet, j.url+path, nil)
	if err != nil {
		j.t.Fatal(err)
	}
	st, err := store.Open(context.Background(), j.data)
	if err != nil {
		j.t.Fatal(err)
	}
	roster, err := st.Roster(context.Background())
	st.Close()
	if err != nil {
		j.t.Fatal(err)
	}
	req.AddCookie(&http.Cookie{Name: "lastlook-person", Value: roster.People[0].ID})
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		j.t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil || !bytes.HasPrefix(b, []byte("%PDF-")) {
		j.t.Fatalf("%s is no paper (%d, %v)", path, resp.StatusCode, err)
	}
	stem := filepath.Join(j.dir, "paper")
	if err := os.WriteFile(stem+".pdf", b, 0o600); err != nil {
		j.t.Fatal(err)
	}
	output(j.t, 0, outside(j.t, "pdftoppm"), "-r", "300", "-gray", "-png", "-singlefile", stem+".pdf", stem)
	return output(j.t, 0, outside(j.t, "zbarimg"), "-q", "--raw", stem+".png")
}

// TestAfterTheDecision is what follows a decision, on the built binary, by scan: one
// consignment held, sampled, identified, released and loaded; one stopped, told by
// mail and webhook, answered, and traced to two others; one rejected, isolated,
// treated, refused before re-entry, inspected again, lapsed at the gate, inspected
// once more and loaded. The three records and bundles are read back and verified.
func TestAfterTheDecision(t *testing.T) {
	if testing.Short() {
		t.Skip("drives the built binary in a browser")
	}
	ctx := context.Background()
	j := &afterJob{t: t, dir: t.TempDir(), codes: map[string]string{}}
	j.data = filepath.Join(j.dir, "data")
	bin := j.link("lastlook", "")

	at := time.Now().Add(8 * time.Hour).Format("2006-01-02 15:04")
	var orders bytes.Buffer
	w := csv.NewWriter(&orders)
	w.Write([]string{"consignment", "customer", "destination", "dispatch", "packages", "crop", "batch", "bay", "units per package"})
	for _, o := range [][]string{
		{"K-2061", "2", "Camellia", "C-1", "A1", "3"}, {"K-2062", "4", "Lavandula", "L-1", "B4", "3"},
		{"K-2063", "3", "Lavandula", "L-1", "B4", "3"}, {"K-2064", "3", "Lavandula", "L-1", "B5", "3"}, {"K-2065", "3", "Hebe", "HE-1", "C1", "2"},
	} {
		w.Write(append([]string{o[0], "Tolver Parks (invented)", "Eastmoor", at}, o[1:]...))
	}
	w.Flush()
	file := filepath.Join(j.dir, "orders.csv")
	if err := os.WriteFile(file, orders.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	output(t, 0, bin, "import", "--data", j.data, file)
	st := look(t, j.data)
	here, _, err := st.Board(ctx, 0)
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range here {
		j.codes[s.Number] = s.Code
		output(t, 0, bin, "labels", "--data", j.data, "--consignment", s.Number, "-o", filepath.Join(j.dir, s.Number+".pdf"))
	}
	places := map[place.Kind]string{}
	for kind, name := range map[place.Kind]string{place.QuarantineBay: "Bay Q", place.PassedStore: "Passed store", place.SampleStore: "Sample fridge"} {
		list, err := st.DoPlaces(ctx, consignment.Actor{ID: "x", Name: "Ida Fenn", Roles: []string{consignment.Supervisor}}, "office", "", place.Make{Kind: kind, Name: name})
		if err != nil {
			t.Fatal(err)
		}
		places[kind] = code.Code{Kind: code.KindLocation, Payload: list.Places[len(list.Places)-1].ID}.String()
	}
	st.Close()

	roots := filepath.Join(j.data, "roots.pem")
	box := newPostbox(t, roots)
	hooks := make(chan string, 20)
	hook := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		b, _ := io.ReadAll(r.Body)
		hooks <- r.Header.Get("Idempotency-Key") + " " + string(b)
	}))
	defer hook.Close()
	notifyFile(t, j.data, fmt.Sprintf(`roots_file: roots.pem
smtp: {host: localhost, port: %d, from: bench@quillfern.example}
webhooks: {pager: {url: "%s", secret: %s}}
contacts: [{name: Ida Fenn, email: ida@quillfern.example, webhook: pager}]
levels: [{after_minutes: 15, contacts: [Ida Fenn]}]
`, box.port, hook.URL, hookSecret))

	j.serve(bin)
	j.Hand = handtest.New(t, j.url+"/people")
	j.Fill("name", "Ida Fenn")
	j.Press("Put me on the list")
	j.Wait(`document.querySelector(".who")?.innerText.includes("Ida Fenn")`)

	t.Log("held, sampled, identified, released, loaded")
	j.Answered("K-2061", "right", "K-2061")
	seal(j.Hand, 2)
	j.fetch("K-2061")
	j.Answered(j.pkg("K-2061", 1), "right", "is open")
	j.Press("The package is clean")
	j.On("How many units")
	j.Press("That many")
	j.On("Is unit 1 clean?")
	j.Press("Find")
	j.On("Where is it?")
	j.Choose("part", "leaf_lower")
	j.Press("Go on")
	j.On("What is it?")
	j.Press("I don't know")
	j.On("I don't know: how does it look?")
	j.Choose("alive", "yes")
	j.Press("Go on")
	j.On("Collect a sample and hold")
	j.Press("Record: Sample")
	j.On("Take a sample")
	j.Press("The sample is taken")
	j.On("Sample S")
	sample := j.state("K-2061").Samples[0].Sample
	label := strings.Fields(j.codesOf("/s/" + sample + "/label.pdf"))
	if len(label) == 0 {
		t.Fatal("the label of the sample cannot be read")
	}
	j.Open(j.url + "/c/" + j.codes["K-2061"] + "/p/1")
	j.Press("End the round now")
	j.On("The outcome is: Held")
	j.Press("End the round")
	j.Outcome("Held")
	j.Answered(label[0], "right", "Sample "+sample)
	j.On("Sample S")
	j.Answered(places[place.SampleStore], "right", "is in Sample fridge")
	j.On("Hand it over")
	j.Fill("by", "Marl courier (invented)")
	j.Press("It is handed over")
	j.On("Did it arrive?")
	j.Fill("by", "Eastmoor laboratory (invented)")
	j.Press("It is received")
	j.Wait(`document.querySelector("#main").innerText.includes("received by Eastmoor laboratory")`)
	j.Press("Enter its result")
	j.On("What is the result?")
	j.Press("Identified")
	j.On("What was it identified as?")
	j.Fill("q", "springtails")
	j.Press("Look it up")
	j.Wait(`document.querySelector(".named")?.innerText.includes("Springtails")`)
	j.Press("This")
	j.On("Identified as Springtails")
	j.Choose("alive", "yes")
	j.Press("See what it decides")
	j.On("This decides")
	j.Press("Keep this result")
	j.On("The inspection can go on")
	j.standing("K-2061", consignment.StandHeld) // never by itself
	j.Press("Let it go on")
	j.On("Is unit 2 clean?")
	j.rest(2)
	j.clean("K-2061", 2, 3)
	j.pass()
	j.Press("Print passed marks")
	j.On("Print marks: Passed")
	j.Press("Make the marks")
	j.On("The marks are made")
	j.Open(j.path("K-2061", "/outcome"))
	j.Answered(places[place.PassedStore], "right", "Passed store")
	if marks := j.codesOf("/c/" + j.codes["K-2061"] + "/marks.pdf"); !strings.Contains(marks, j.pkg("K-2061", 1)) {
		t.Errorf("the passed marks read %q, want the code of package 1", marks)
	}
	j.load("K-2061", 1, 2)

	t.Log("stopped, told, answered, traced")
	j.Open(j.url + "/")
	j.Answered("K-2062", "right", "K-2062")
	seal(j.Hand, 4)
	first := j.fetch("K-2062")[0]
	j.Answered(j.pkg("K-2062", first), "right", "is open")
	j.Press("The package is clean")
	j.On("How many units")
	j.Press("That many")
	j.On("Is unit 1 clean?")
	j.Click("#page .rung-stop button")
	j.On("Stop the inspection?")
	j.Press("Stop now")
	j.Outcome("Stopped")
	mailed, called := false, ""
	for deadline := time.Now().Add(30 * time.Second); time.Now().Before(deadline) && (!mailed || called == ""); time.Sleep(100 * time.Millisecond) {
		for _, l := range box.letters() {
			mailed = mailed || strings.Contains(l, "K-2062") && strings.Contains(l, "ida@quillfern.example")
		}
		select {
		case called = <-hooks:
		default:
		}
	}
	if !mailed || !strings.Contains(called, "K-2062") {
		t.Fatalf("the stop was not told: mail %v, webhook %.200q; the mailbox holds %d letters", mailed, called, len(box.letters()))
	}
	j.Open(j.url + "/")
	j.Wait(`document.querySelector(".stop-bar")`)
	j.Press("I know, and see to it")
	j.Outcome("Stopped")
	j.Press("What else is at risk?")
	j.On("2 consignments share something with it")
	for _, n := range []string{"K-2063", "K-2064"} {
		j.Choose("code", j.codes[n])
	}
	j.See("traced")
	j.Press("Keep the chosen ones back")
	j.Wait(`document.querySelector("#page").innerText.includes("2 consignments are kept back now")`)
	j.standing("K-2063", consignment.StandHeld)
	j.standing("K-2064", consignment.StandHeld)
	j.Open(j.path("K-2062", "/answer"))
	j.Press("The authority was told")
	j.On("Who was told?")
	j.Fill("office", "Plant health desk of Eastmoor (invented)")
	j.Fill("reference", "PH-88")
	j.Press("Record that they were told")
	j.Outcome("Stopped")
	j.Press("Answer the stop")
	j.On("What about the stop?")
	j.Press("Reject it")
	j.On("Reject it?")
	j.Fill("reason", "destroyed as the authority asked")
	j.Press("Reject it")
	j.Outcome("Rejected")
	j.Open(j.path("K-2062", "/clean"))
	j.Choose("way", "wiped")
	j.Press("The bench is clean")

	t.Log("rejected, isolated, treated, refused, inspected, lapsed, inspected, loaded")
	j.Open(j.url + "/")
	j.Answered("K-2065", "right", "K-2065")
	seal(j.Hand, 3)
	first = j.fetch("K-2065")[0]
	j.Answered(j.pkg("K-2065", first), "right", "is open")
	j.Press("The package is clean")
	j.On("How many units")
	j.Press("That many")
	j.On("Is unit 1 clean?")
	j.Press("Find")
	j.On("Where is it?")
	j.Choose("part", "growing_medium")
	j.Press("Go on")
	j.On("What is it?")
	j.Press("Weed")
	j.On("how does it look?")
	j.Choose("alive", "yes")
	j.Press("Go on")
	j.On("Reject the consignment")
	j.Press("Record")
	j.On("Is unit 2 clean?")
	j.Press("End the round now")
	j.On("The outcome is: Rejected")
	j.Press("End the round")
	j.Outcome("Rejected")
	j.Answered(places[place.QuarantineBay], "right", "Bay Q")
	j.Outcome("Isolated")
	j.Open(j.path("K-2065", "/clean"))
	j.Choose("way", "wiped")
	j.Press("The bench is clean")
	j.Outcome("Isolated")
	now := time.Now().Format("2006-01-02T15:04")
	j.Open(j.path("K-2065", "/treat?kind=product"))
	for name, value := range map[string]string{
		"target": "bittercress", "method": "directed spray", "product": "Morvane 20 (invented)", "active": "morvanol (invented)", "registration": "X-1234",
		"rate": "2.5 L/ha", "volume": "20 L", "operator": "Tam Orrin", "licence": "L-77", "start": now, "end": now, "re_entry": "1 h",
	} {
		j.Fill(name, value)
	}
	j.Choose("outdoors", "no")
	j.Press("Look at it once more")
	j.On("Is this what was done?")
	j.Press("Keep this record")
	j.On("What kind of treatment was it?")
	j.Press("Back to the outcome")
	j.Outcome("Isolated")
	j.Press("It comes back")
	j.On("Not before")
	j.See("before-re-entry")

	j.stop()
	j.serve(j.link("later", "2h"))
	j.Open(j.path("K-2065", "/check/before"))
	j.examineAgain("K-2065", "treated", 2)
	j.stop()
	j.serve(j.link("much-later", "80h"))
	j.Open(j.url + "/gate")
	j.Answered(j.pkg("K-2065", 1), "wrong", "lapsed")
	j.standing("K-2065", consignment.StandPassed)
	j.Open(j.path("K-2065", "/change"))
	j.Fill("dispatch", time.Now().Add(100*time.Hour).Format("2006-01-02T15:04"))
	j.Fill("reason", "the truck came a day late")
	j.Press("Change the time")
	j.On("Consignment K-2065")
	j.Open(j.path("K-2065", "/outcome"))
	j.Press("The window is over")
	j.examineAgain("K-2065", "the window was over", 2)
	j.load("K-2065", 1, 2, 3)
	j.NoFaults()
	j.stop()

	for number, words := range map[string][]string{
		"K-2061": {"Sample " + sample, "Springtails", "Eastmoor laboratory", "QF 12", "Passed"},
		"K-2062": {"Rejected", "Plant health desk of Eastmoor", "PH-88", "destroyed as the authority asked"},
		"K-2065": {"Bay Q", "Morvane 20", "2.5 L/ha", "Re-entry", "inspected 3 times", "the window was over", "QF 12"},
		"K-2063": {"Kept back", "K-2062"},
	} {
		bundle := filepath.Join(j.dir, number+".zip")
		if number != "K-2063" {
			output(t, 0, bin, "export", "--data", j.data, "--consignment", number, "-o", bundle)
			if out := output(t, 0, bin, "verify", bundle); !strings.Contains(out, "Every step is one that the bench allows") {
				t.Errorf("verify of %s says %s", number, out)
			}
		}
		pdf := filepath.Join(j.dir, number+"-record.pdf")
		output(t, 0, bin, "record", "--data", j.data, "--consignment", number, "-o", pdf)
		text := strings.Join(strings.Fields(output(t, 0, outside(t, "pdftotext"), "-layout", pdf, "-")), " ")
		for _, w := range words {
			if !strings.Contains(text, w) {
				t.Errorf("the record of %s does not say %q", number, w)
			}
		}
	}
	output(t, 0, bin, "audit", "--data", j.data)
	if n := len(box.letters()); n != 1 {
		t.Errorf("%d letters arrived, want the stop told once", n)
	}
}
