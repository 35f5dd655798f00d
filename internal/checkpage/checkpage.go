// Package checkpage makes the page that checks portable records in a browser: one
// HTML file that works from a disk, without a server and without a network.
//
// [Page] gives it. The checking is done by package bundle, compiled to WebAssembly
// from the folder wasm below; the compiled program is kept in assets/verify, so
// that building Lastlook takes Go and nothing else. After a change to what the check
// does, make it again with "go test ./internal/checkpage -update"; a test says when
// that is due. The package checks nothing itself.
package checkpage

import (
	"crypto/sha256"
	"encoding/base64"
	"fmt"
	"io/fs"
	"strings"

	"lastlook/assets"
)

// Names of the files in assets/verify.
const (
	programFile = "verify/check.wasm.gz"
	runtimeFile = "verify/wasm_exec.js"
	builtFile   = "verify/built.txt" // Go version and SHA-256 of the program, unpacked
)

// Page gives the page. program names the version of Lastlook that it comes from.
func Page(program string) ([]byte, error) {
	read := func(name string) (string, error) {
		b, err := fs.ReadFile(assets.FS, name)
		return string(b), err
	}
	var parts [5]string
	for i, name := range []string{"verify/page.html", "verify/page.css", "verify/page.js", runtimeFile, programFile} {
		var err error
		if parts[i], err = read(name); err != nil {
			return nil, fmt.Errorf("making the page: %w", err)
		}
	}
	page, style, script, runtime := parts[0], parts[1], parts[2], parts[3]
	// Only the two scripts that are in the page may run, and it may fetch nothing.
	policy := fmt.Sprintf("default-src 'none'; script-src '%s' '%s' 'wasm-unsafe-eval'; style-src 'unsafe-inline'; img-src data:; form-action 'none'; base-uri 'none'",
		scriptHash(runtime), scriptHash(script))
	return []byte(strings.NewReplacer(
		"POLICY", policy, "STYLE", style, "SCRIPT", script, "RUNTIME", runtime, "VERSION", program,
		"PROGRAM", base64.StdEncoding.EncodeToString([]byte(parts[4])),
	).Replace(page)), nil
}

// scriptHash names a script for a content security policy.
func scriptHash(script string) string {
	sum := sha256.Sum256([]byte(script))
	return "sha256-" + base64.StdEncoding.EncodeToString(sum[:])
}
