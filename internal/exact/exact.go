// Package exact writes values as the bytes that are stored and hashed, and reads
// them back.
//
// Every history of the site is kept as such bytes, and the ledger hashes them, so
// there is one way to write them: [JSON]. [Read] is the way back for a step of a
// known kind. The package knows no events.
package exact

import (
	"bytes"
	"encoding/json"
)

// JSON gives v as one line of JSON, the fields of a struct in their order and
// without HTML escaping, so that what people wrote stays readable. Equal values
// give equal bytes.
func JSON(v any) ([]byte, error) {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(v); err != nil {
		return nil, err
	}
	return bytes.TrimRight(b.Bytes(), "\n"), nil
}

// Read reads what JSON wrote. Fields that T does not have are passed over.
func Read[T any](b []byte) (T, error) {
	var v T
	err := json.Unmarshal(b, &v)
	return v, err
}
