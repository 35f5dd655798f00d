package main

import (
	"bufio"
	"encoding/csv"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"lastlook/internal/code"
	"lastlook/internal/handtest"
)

// outside finds a program that checks our work; without it the test skips, or
// fails where LASTLOOK_TOOLS is "required".
func outside(t *testing.T, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err == nil {
		return path
	}
	if os.Getenv("LASTLOOK_TOOLS") == "required" {
		t.Fatalf("%s is not installed", name)
	}
	t.Skipf("%s is not installed", name)
	return ""
}

// output runs a program and gives what it printed.
func output(t *testing.T, status int, name string, args ...string) string {
	t.Helper()
	cmd := exec.Command(name, args...)
	var complaints strings.Builder
	cmd.Stderr = &complaints
	out, err := cmd.Output()
	got := 0
	if e, ok := err.(*exec.ExitError); ok {
		got = e.ExitCode()
	} else if err != nil {
		t.Fatalf("%s %s: %v", name, strings.Join(args, " "), err)
	}
	if got != status {
		t.Fatalf("%s %s: exit status %d, want %d\n%s", name, strings.Join(args, " "), got, status, complaints.String())
	}
	return string(out)
}

// mainJobOrders writes an order file with three consignments: one of 240 packages,
// one of 2, one mixed of three crop lines. Everything in it is invented.
func mainJobOrders(t *testing.T, file string) {
	t.Helper()
	at := time.Now().Add(8 * time.Hour).Format("2006-01-02 15:04")
	f, err := os.Create(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	w := csv.NewWriter(f)
	w.WriteAll([][]string{
		{"consignment", "invoice", "customer", "destination", "dispatch", "packages", "crop", "batch", "bay", "units per package"},
		{"K-2041", "R-1", `Two Wells "Nursery"`, "Eastmoor", at, "240", "Lavandula", "L-26-11", "B4", "12"},
		{"K-2038", "R-2", "Tolver Parks", "Marrow Island", at, "2", "Camellia", "C-1", "A1", "3"},
		{"K-2036", "R-3", "Żółw & 庭 <b>", "Saltwick", at, "18", "Salvia", "S-1", "C1", "2"},
		{"K-2036", "", "", "", "", "12", "Hebe", "H-2", "C2", "2"},
		{"K-2036", "", "", "", "", "6", "Rosmarinus", "R-3", "C3", "2"},
	})
	if err := w.Error(); err != nil {
		t.Fatal(err)
	}
}

// decoded prints labels, rasterises them at the resolution and reads them with
// zbarimg. It gives the codes by package number.
func decoded(t *testing.T, pdf, dpi string) map[int]string {
	t.Helper()
	stem := strings.TrimSuffix(pdf, ".pdf")
	output(t, 0, outside(t, "pdftoppm"), "-r", dpi, "-gray", "-png", pdf, stem)
	pages, err := filepath.Glob(stem + "*.png")
	if err != nil || len(pages) == 0 {
		t.Fatalf("%s gave no pages (%v)", pdf, err)
	}
	codes := map[int]string{}
	for _, page := range pages {
		out := output(t, 0, outside(t, "zbarimg"), "-q", "--raw", page)
		for line := range strings.Lines(out) {
			c, err := code.Parse(line)
			if err != nil || c.Kind != code.KindPackage {
				t.Errorf("%s holds %q, which is no package code (%v)", page, line, err)
				continue
			}
			codes[c.Number()] = c.String()
		}
	}
	return codes
}

// TestMainJob is the whole job on the built binary: an order file in, labels
// printed and read back by other software, the bench driven in a browser with the
// codes read from paper, one consignment passed and one rejected, both records
// read back.
func TestMainJob(t *testing.T) {
	if testing.Short() {
		t.Skip("drives the built binary in a browser")
	}
	dir := t.TempDir()
	bin, data := filepath.Join(dir, "lastlook"), filepath.Join(dir, "data")
	build := exec.Command("go", "build", "-o", bin, ".")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("go build: %v\n%s", err, out)
	}
	orders := filepath.Join(dir, "orders.csv")
	mainJobOrders(t, orders)
	output(t, 0, bin, "import", "--data", data, orders)
	if again := output(t, 0, bin, "import", "--data", data, orders); !strings.Contains(again, "already") {
		t.Errorf("the same file again says %q, want it to say that all is here already", again)
	}

	serve := exec.Command(bin, "serve", "--data", data, "--listen", "localhost:0")
	serve.Stderr = os.Stderr
	out, err := serve.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := serve.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { serve.Process.Signal(os.Interrupt); serve.Wait() })
	url := ""
	address := regexp.MustCompile(`http://localhost:\d+`)
	for lines := bufio.NewScanner(out); url == "" && lines.Scan(); {
		url = address.FindString(lines.Text())
	}
	if url == "" {
		t.Fatal("serve printed no address")
	}
	go func() { // keep the pipe empty
		for s := bufio.NewScanner(out); s.Scan(); {
		}
	}()

	h := handtest.New(t, url+"/people")
	h.Fill("name", "Ida Fenn")
	h.Press("Put me on the list")
	h.Wait(`document.querySelector(".who")?.innerText.includes("Ida Fenn")`)

	// Two packages: both drawn, both labels read from paper at both resolutions.
	pdf := filepath.Join(dir, "k2038.pdf")
	output(t, 0, bin, "labels", "--data", data, "--consignment", "K-2038", "--sheet", "100x50", "-o", pdf)
	small := decoded(t, pdf, "203")
	if len(small) != 2 {
		t.Fatalf("read %v from the labels of K-2038, want two codes", small)
	}
	if at300 := decoded(t, pdf, "300"); len(at300) != 2 {
		t.Errorf("read %v at 300 dpi, want two codes", at300)
	}
	h.Answered("K-2038", "right", "K-2038") // its number, as on the papers
	seal(h, 2)
	h.Answered(small[1], "right", "right.")
	h.Answered(small[2], "right", "2 of 2 fetched")
	for _, n := range []int{1, 2} {
		h.Answered(small[n], "right", "is open")
		h.On("Is the empty package clean?")
		h.Answered(code.Card(code.Clean).String(), "right", "empty package is clean")
		h.On("How many units")
		h.Press("That many")
		h.On("Is unit 1 clean?")
		h.Fill("count", "3")
		h.Press("All these are clean")
		h.On("Did you make every look")
		h.AllYes()
		h.Press("The looks are made")
		h.On("Put all 3 units back")
		h.Answered(code.Card(code.Done).String(), "right", "is closed")
	}
	h.On("What is on the bench now?")
	h.AllYes()
	h.Press("The bench is checked")
	h.On("The outcome is: Passed")
	h.Press("End the round")
	h.Outcome("Passed")

	// 240 packages: five drawn; their labels are printed one by one, read, scanned.
	output(t, 0, bin, "labels", "--data", data, "--consignment", "K-2041", "-o", filepath.Join(dir, "all.pdf"))
	h.Answered("K-2041", "right", "K-2041")
	seal(h, 240)
	var drawn []int
	for _, s := range strings.Fields(h.Text("#page .fetches")) {
		if n, err := strconv.Atoi(s); err == nil && len(s) == 3 {
			drawn = append(drawn, n)
		}
	}
	drawn = slices.Compact(drawn)
	if len(drawn) < 5 {
		t.Fatalf("the fetch screen shows %v, want five packages", drawn)
	}
	first := ""
	for i, n := range drawn[:5] {
		pdf := filepath.Join(dir, "one"+strconv.Itoa(i)+".pdf")
		output(t, 0, bin, "labels", "--data", data, "--consignment", "K-2041", "--from", strconv.Itoa(n), "--to", strconv.Itoa(n), "--reason", "label torn", "--sheet", "57x32", "-o", pdf)
		c := decoded(t, pdf, "203")[n]
		if c == "" {
			t.Fatalf("the label of package %d cannot be read", n)
		}
		h.Answered(c, "right", "right.")
		if first == "" {
			first = c
		}
	}
	h.Answered(first, "right", "is open")
	h.Press("The package is clean")
	h.On("How many units")
	h.Press("That many")
	h.On("Is unit 1 clean?")
	h.Press("Find")
	h.On("Where is it?")
	h.Choose("part", "growing_medium")
	h.Press("Go on")
	h.On("What is it?")
	h.Press("Weed")
	h.On("how does it look?")
	h.Choose("alive", "yes")
	h.Press("Go on")
	h.On("Reject the consignment")
	h.Press("Record")
	h.On("Is unit 2 clean?")
	h.Press("End the round now")
	h.On("The outcome is: Rejected")
	h.Press("End the round")
	h.Outcome("Rejected")
	h.NoFaults()

	// Both records, read back from paper.
	for number, words := range map[string][]string{
		"K-2038": {"Passed", "Tolver Parks", "Camellia", "Ida Fenn"},
		"K-2041": {"Rejected", `Two Wells "Nursery"`, "Lavandula", "A weed is in the goods"},
	} {
		pdf := filepath.Join(dir, number+"-record.pdf")
		output(t, 0, bin, "record", "--data", data, "--consignment", number, "-o", pdf)
		text := strings.Join(strings.Fields(output(t, 0, outside(t, "pdftotext"), "-layout", pdf, "-")), " ")
		for _, w := range words {
			if !strings.Contains(text, w) {
				t.Errorf("the record of %s does not say %q", number, w)
			}
		}
		if number == "K-2041" {
			for _, n := range drawn[:5] {
				if !strings.Contains(text, strconv.Itoa(n)) {
					t.Errorf("the record of %s does not name the drawn package %d", number, n)
				}
			}
		}
	}
}

// seal takes the consignment on the screen from the bench check to its draw.
func seal(h *handtest.Hand, count int) {
	h.On("Is the bench fit for use?")
	h.AllYes()
	h.Press("The bench is checked")
	h.On("How many packages stand here?")
	h.Fill("counted", strconv.Itoa(count))
	h.Press("Seal and draw")
	h.On("Fetch these")
}
