package checkpage

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"flag"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"lastlook/assets"
	"lastlook/internal/browsertest"
	"lastlook/internal/bundle"
	"lastlook/internal/consignment"
	"lastlook/internal/export"
	"lastlook/internal/record"
	"lastlook/internal/store"
)

var update = flag.Bool("update", false, "compile the program of the page anew")

// compile builds the program as it is kept: the same source and the same Go give the
// same bytes, whatever the machine and the folder.
func compile(t *testing.T) []byte {
	t.Helper()
	tool, err := exec.LookPath("go")
	if err != nil {
		t.Skip("the go command is not here")
	}
	out := filepath.Join(t.TempDir(), "check.wasm")
	cmd := exec.Command(tool, "build", "-trimpath", "-buildvcs=false", "-ldflags=-s -w -buildid=", "-o", out, "./wasm")
	cmd.Env = append(os.Environ(), "GOOS=js", "GOARCH=wasm", "GOFLAGS=", "GOWASM=", "GOEXPERIMENT=", "CGO_ENABLED=0")
	if b, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("go build: %v\n%s", err, b)
	}
	b, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func built(program []byte) string {
	sum := sha256.Sum256(program)
	return runtime.Version() + "\n" + hex.EncodeToString(sum[:]) + "\n"
}

func asset(t *testing.T, name string) []byte {
	t.Helper()
	b, err := fs.ReadFile(assets.FS, name)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestProgramIsUpToDate(t *testing.T) {
	kept := string(asset(t, builtFile))
	version, _, _ := strings.Cut(kept, "\n")
	if !*update {
		r, err := gzip.NewReader(bytes.NewReader(asset(t, programFile)))
		if err != nil {
			t.Fatal(err)
		}
		program, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		sum := sha256.Sum256(program)
		if want := version + "\n" + hex.EncodeToString(sum[:]) + "\n"; kept != want {
			t.Errorf("%s says %q, but the program is %q", builtFile, kept, want)
		}
		if version != runtime.Version() {
			t.Skipf("the program was compiled with %s, this is %s: they cannot be compared", version, runtime.Version())
		}
	}
	program := compile(t)
	if *update {
		var b bytes.Buffer
		w, err := gzip.NewWriterLevel(&b, gzip.BestCompression)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := w.Write(program); err != nil {
			t.Fatal(err)
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
		root, err := exec.Command("go", "env", "GOROOT").Output()
		if err != nil {
			t.Fatal(err)
		}
		js, err := os.ReadFile(filepath.Join(strings.TrimSpace(string(root)), "lib", "wasm", "wasm_exec.js"))
		if err != nil {
			t.Fatal(err)
		}
		for name, data := range map[string][]byte{programFile: b.Bytes(), builtFile: []byte(built(program)), runtimeFile: js} {
			if err := os.WriteFile(filepath.Join("..", "..", "assets", name), data, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		return
	}
	if built(program) != kept {
		t.Error("the program of the page is older than the code: make it again with go test ./internal/checkpage -run UpToDate -update")
	}
	if n := len(asset(t, programFile)); n > 3<<20 {
		t.Errorf("the packed program has %d bytes: more than 3 MB", n)
	}
}

// The program is small because little is in it: what serves, stores and searches
// stays out.
func TestProgramHoldsLittle(t *testing.T) {
	tool, err := exec.LookPath("go")
	if err != nil {
		t.Skip("the go command is not here")
	}
	cmd := exec.Command(tool, "list", "-deps", "./wasm")
	cmd.Env = append(os.Environ(), "GOOS=js", "GOARCH=wasm")
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	own := 0
	for _, dep := range strings.Fields(string(out)) {
		for _, heavy := range []string{"github.com/", "gorm.io/", "modernc.org/", "html/template", "net", "net/http", "lastlook/kiosk", "lastlook/reference", "lastlook/internal/store"} {
			if dep == heavy || strings.HasSuffix(heavy, "/") && strings.HasPrefix(dep, heavy) {
				t.Errorf("the program holds %s", dep)
			}
		}
		if strings.HasPrefix(dep, "lastlook/") {
			own++
		}
	}
	if own < 8 {
		t.Errorf("found %d own packages: the list was not read", own)
	}
}

func TestPageIsOneFile(t *testing.T) {
	page, err := Page("Lastlook test")
	if err != nil {
		t.Fatal(err)
	}
	again, err := Page("Lastlook test")
	if err != nil || !bytes.Equal(page, again) {
		t.Error("made again, the page is another")
	}
	text := string(page)
	for _, left := range []string{"POLICY", "STYLE<", "RUNTIME", ">SCRIPT", "VERSION", ">PROGRAM"} {
		if strings.Contains(text, left) {
			t.Errorf("%s was not put in", left)
		}
	}
	for _, outside := range []string{" src=\"http", "href=\"http", "@import", "url("} {
		if strings.Contains(text, outside) {
			t.Errorf("the page refers to something outside: %s", outside)
		}
	}
	if !strings.Contains(text, "default-src 'none'") || strings.Contains(text, "script-src 'unsafe-inline'") {
		t.Error("the policy of the page is gone")
	}
}

// bundled makes a bundle of a small inspection in a data folder, with what the
// paper says.
func bundled(t *testing.T) (file []byte, paper string) {
	t.Helper()
	ctx := t.Context()
	st, err := store.Open(ctx, t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	tam := consignment.Actor{ID: "T4MP", Name: "Tam Orrin", Roles: []string{"inspector"}}
	if _, err := st.Register(ctx, tam, "office", []consignment.Registered{{
		Number: "K-2041", Customer: "Eastmoor Plant Hall (invented)", Destination: "Eastmoor", DispatchAt: st.Now().Add(24 * 3600e9),
		Lines: []consignment.Line{{Crop: "Viola", Packages: 3, UnitsPerPackage: 2}},
	}}, nil); err != nil {
		t.Fatal(err)
	}
	sum, err := st.ByNumber(ctx, "K-2041")
	if err != nil {
		t.Fatal(err)
	}
	rules := st.Rules("Eastmoor")
	do := func(cs ...consignment.Command) *consignment.State {
		var done store.Done
		for _, c := range cs {
			if done, err = st.Do(ctx, store.Step{Code: sum.Code, Actor: tam, Bench: "bench 1", Command: c}); err != nil {
				t.Fatal(err)
			}
		}
		return done.State
	}
	check := consignment.CheckBench{Rules: rules}
	for _, it := range rules.Before {
		check.Yes = append(check.Yes, it.ID)
	}
	state := do(check, consignment.Seal{Counted: 3, Rules: rules})
	pkg := state.Running().ToExamine()[0]
	state = do(consignment.Fetch{Package: pkg}, consignment.Open{Package: pkg}, consignment.LookPackage{Package: pkg}, consignment.CountUnits{Package: pkg, Units: 2},
		consignment.RecordFind{Facts: consignment.FindFacts{Package: pkg, Unit: 1, Part: consignment.PartLeafLower, What: consignment.Suspect, Units: 1, Alive: consignment.NotTold, Method: consignment.ByEye}})
	b, err := export.Bundle(ctx, st, sum.Code, export.Options{Program: "Lastlook test", Invented: true})
	if err != nil {
		t.Fatal(err)
	}
	if file, err = b.Encode(); err != nil {
		t.Fatal(err)
	}
	m, err := export.Mark(ctx, st, state)
	if err != nil || m == nil {
		t.Fatal(m, err)
	}
	return file, m.String()
}

// choose gives the page a file as a person would.
func choose(b *browsertest.Browser, file []byte, paper string) {
	browsertest.Eval[bool](b, fmt.Sprintf(`(() => {
		document.getElementById("result").hidden = true;
		document.getElementById("paper").value = %q;
		const f = new File([Uint8Array.from(atob(%q), (c) => c.charCodeAt(0))], "K-2041.bundle.zip");
		const d = new DataTransfer();
		d.items.add(f);
		const input = document.getElementById("file");
		input.files = d.files;
		input.dispatchEvent(new Event("change", {bubbles: true}));
		return true;
	})()`, paper, base64.StdEncoding.EncodeToString(file)))
	b.Wait(`!document.getElementById("result").hidden && document.getElementById("state").hidden`)
}

func TestPageChecksInABrowser(t *testing.T) {
	b := browsertest.New(t)
	page, err := Page("Lastlook test")
	if err != nil {
		t.Fatal(err)
	}
	name := filepath.Join(t.TempDir(), "check.html")
	if err := os.WriteFile(name, page, 0o600); err != nil {
		t.Fatal(err)
	}
	good, paper := bundled(t)
	changed := bytes.Clone(good)
	changed[bytes.LastIndex(changed, []byte("suspect"))] ^= 1

	b.Open("file://" + name)
	b.Wait(`document.documentElement.dataset.ready === "yes"`)
	for _, v := range b.Axe() {
		t.Errorf("axe: %s", v)
	}
	for _, tt := range []struct {
		name  string
		file  []byte
		paper string
		holds bool
		want  []string
	}{
		{"good", good, paper, true, []string{"Everything that can be checked holds", "K-2041", "stopped", "The paper is of this record", "Whether the key is really that of the nursery"}},
		{"changed", changed, "", false, []string{"do not rely on this file", "was changed after the file was written"}},
		{"cut short", good[:len(good)/2], "", false, []string{"cut short"}},
		{"no bundle", []byte("hello"), "", false, []string{"The file is no bundle"}},
		{"another paper", good, record.Mark{Code: "7F3K", Outcome: consignment.Passed, Head: paper[strings.LastIndex(paper, ":")-18 : strings.LastIndex(paper, ":")], Leaf: strings.Repeat("00", 32)}.String(), false, []string{"The paper is of consignment 7F3K"}},
		{"no paper", good, "hello", false, []string{"not the code of a printed record"}},
	} {
		choose(b, tt.file, tt.paper)
		text := b.Text("#result")
		for _, w := range tt.want {
			if !strings.Contains(text, w) {
				t.Errorf("%s: the page says nothing of %q:\n%s", tt.name, w, text)
			}
		}
		if holds := browsertest.Eval[bool](b, `document.getElementById("verdict").classList.contains("holds")`); holds != tt.holds {
			t.Errorf("%s: holds %v, want %v", tt.name, holds, tt.holds)
		}
		if shots := os.Getenv("LASTLOOK_SHOTS"); shots != "" {
			b.FullShot(filepath.Join(shots, "verify-"+strings.ReplaceAll(tt.name, " ", "-")+".png"))
		}
	}

	// What the page says of a file is what the command says.
	choose(b, good, "")
	read, err := bundle.Read(good)
	if err != nil {
		t.Fatal(err)
	}
	text := b.Text("#lines")
	for _, f := range bundle.Check(read, bundle.Against{}).Findings {
		if !strings.Contains(text, f.Text.String()) {
			t.Errorf("the page says nothing of %q", f.Text)
		}
	}
	for _, v := range b.Axe() {
		t.Errorf("with a result: axe: %s", v)
	}
	b.Click("#read")
	b.Wait(`!document.getElementById("page").hidden && document.getElementById("page").srcdoc.includes("Record of consignment K-2041")`)
	if faults := b.Faults(); len(faults) > 0 {
		t.Errorf("the page complained: %q", faults)
	}
}
