//go:build js && wasm

// Package wasm is the checking of portable records for browsers: the same code as
// lastlook verify, compiled to WebAssembly and kept in assets/verify. It gives the
// page one function, lastlookVerify(file, paper, key, heads), which answers with the
// report as JSON; it reads nothing else and asks nobody.
package main

import (
	"encoding/json"
	"strings"
	"syscall/js"

	"lastlook/internal/bundle"
	"lastlook/internal/ledger"
	"lastlook/internal/record"
)

func main() {
	js.Global().Set("lastlookVerify", js.FuncOf(func(_ js.Value, args []js.Value) any {
		if len(args) != 4 {
			return string(bundle.Unreadable(errArguments{}))
		}
		return string(verify(bytesOf(args[0]), args[1].String(), args[2].String(), args[3]))
	}))
	js.Global().Set("lastlookPage", js.FuncOf(func(_ js.Value, args []js.Value) any {
		b, err := bundle.Read(bytesOf(args[0]))
		if err != nil {
			return ""
		}
		page, err := b.MakePage()
		if err != nil {
			return ""
		}
		return string(page)
	}))
	select {} // the functions stay callable
}

type errArguments struct{}

func (errArguments) Error() string {
	return "The page and its program do not fit together: save the page again."
}

func bytesOf(v js.Value) []byte {
	b := make([]byte, v.Get("length").Int())
	js.CopyBytesToGo(b, v)
	return b
}

func verify(file []byte, paper, key string, heads js.Value) []byte {
	var a bundle.Against
	if strings.TrimSpace(paper) != "" {
		m, err := record.ParseMark(paper)
		if err != nil {
			return bundle.Unreadable(err)
		}
		a.Paper = &m
	}
	if strings.TrimSpace(key) != "" {
		p, err := ledger.ParsePublic(key)
		if err != nil {
			return bundle.Unreadable(err)
		}
		a.Key = &p
	}
	for i := range heads.Length() {
		a.Anchors = append(a.Anchors, bytesOf(heads.Index(i)))
	}
	b, err := bundle.Read(file)
	if err != nil {
		return bundle.Unreadable(err)
	}
	out, err := json.Marshal(bundle.Check(b, a))
	if err != nil {
		return bundle.Unreadable(err)
	}
	return out
}
