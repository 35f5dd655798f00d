package record

import (
	"encoding/hex"
	"strings"

	"lastlook/internal/code"
	"lastlook/internal/consignment"
	"lastlook/internal/say"
)

// MarkPrefix begins the text of every mark.
const MarkPrefix = "LASTLOOK1:"

// Mark ties a printed record to the site's ledger: with it, paper and the
// portable record can be matched years later.
type Mark struct {
	Code    string              `json:"code"`    // of the consignment
	Outcome consignment.Outcome `json:"outcome"` // of the round that the paper is about
	// Head is the fingerprint of the ledger's head right after the outcome was
	// recorded, without spaces: 16 hexadecimal digits and two check digits.
	Head string `json:"head"`
	Leaf string `json:"leaf"` // hash of the step that recorded the outcome (RFC 6962 leaf), hex
}

// Fingerprint is the fingerprint of the head in groups, to be read and compared.
func (m Mark) Fingerprint() string {
	var groups []string
	for rest := m.Head; rest != ""; {
		n := min(4, len(rest))
		groups, rest = append(groups, rest[:n]), rest[n:]
	}
	return strings.Join(groups, " ")
}

// Compact takes the spaces out of a fingerprint.
func Compact(fingerprint string) string { return strings.ReplaceAll(fingerprint, " ", "") }

// String gives the text for a QR code, all of it in the characters that QR Code
// packs tightest (ISO/IEC 18004, alphanumeric mode):
//
//	LASTLOOK1:7F3K:PASSED:0123456789ABCDEF42:0123…CDEF
//
// consignment, outcome, fingerprint of the head, hash of the leaf.
func (m Mark) String() string {
	return MarkPrefix + strings.Join([]string{m.Code, strings.ToUpper(string(m.Outcome)), m.Head, strings.ToUpper(m.Leaf)}, ":")
}

// ParseMark reads what String wrote, in capitals or not. The error is a say.Refusal.
func ParseMark(text string) (Mark, error) {
	text = strings.ToUpper(strings.TrimSpace(text))
	rest, ok := strings.CutPrefix(text, MarkPrefix)
	fields := strings.Split(rest, ":")
	if !ok || len(fields) != 4 {
		return Mark{}, say.Refuse(say.Invalid, "This is not the code of a printed record: such a code begins with %s and has four more parts. Scan it again.", MarkPrefix)
	}
	m := Mark{Code: fields[0], Outcome: consignment.Outcome(strings.ToLower(fields[1])), Head: fields[2], Leaf: strings.ToLower(fields[3])}
	leaf, err := hex.DecodeString(m.Leaf)
	_, herr := hex.DecodeString(m.Head)
	switch {
	case code.Consignment(m.Code).IsZero():
		return Mark{}, say.Refuse(say.Invalid, "The code of the printed record names no consignment: scan it again.")
	case m.Outcome.Words().IsZero():
		return Mark{}, say.Refuse(say.Invalid, "The code of the printed record names no outcome: scan it again.")
	case len(m.Head) != 18 || herr != nil || code.CheckDigits(m.Head[:16]) != m.Head[16:]:
		return Mark{}, say.Refuse(say.Invalid, "The fingerprint in the code of the printed record does not fit its check digits: scan it again.")
	case err != nil || len(leaf) != 32:
		return Mark{}, say.Refuse(say.Invalid, "The code of the printed record was cut short: scan it again.")
	}
	return m, nil
}
