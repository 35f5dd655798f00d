package courier

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"fmt"
	"strings"
	"time"
)

// contentDigest gives the Content-Digest field of a body (RFC 9530).
func contentDigest(body []byte) string {
	sum := sha256.Sum256(body)
	return "sha-256=:" + base64.StdEncoding.EncodeToString(sum[:]) + ":"
}

// component is a part of a request that is signed: its name and its value, as
// RFC 9421 derives them.
type component struct{ name, value string }

// signatureParams gives what is signed and how, as it stands in Signature-Input.
func signatureParams(covered []component, rest string) string {
	names := make([]string, len(covered))
	for i, c := range covered {
		names[i] = `"` + c.name + `"`
	}
	return "(" + strings.Join(names, " ") + ")" + rest
}

// signatureBase gives the text that is signed (RFC 9421, section 2.5).
func signatureBase(covered []component, params string) string {
	var b strings.Builder
	for _, c := range covered {
		fmt.Fprintf(&b, "%q: %s\n", c.name, c.value)
	}
	fmt.Fprintf(&b, "\"@signature-params\": %s", params)
	return b.String()
}

// sign makes a signature with hmac-sha256 (RFC 9421, section 3.3.3), in base64.
func sign(key []byte, base string) string {
	h := hmac.New(sha256.New, key)
	h.Write([]byte(base))
	return base64.StdEncoding.EncodeToString(h.Sum(nil))
}

// The label and the tag of our signatures.
const (
	signatureLabel = "lastlook"
	signatureTag   = "lastlook-notice"
)

// signed gives the fields Signature-Input and Signature of a webhook. Its key is
// named after the webhook, so that a receiver with several senders knows which
// secret to take.
func signed(key Secret, keyID string, covered []component, created time.Time) (input, signature string) {
	params := signatureParams(covered, fmt.Sprintf(`;created=%d;keyid="%s";alg="hmac-sha256";tag="%s"`, created.Unix(), sfEscape(keyID), signatureTag))
	return signatureLabel + "=" + params, signatureLabel + "=:" + sign([]byte(key), signatureBase(covered, params)) + ":"
}

// sfEscape writes text for a string of structured fields (RFC 9651), which holds
// ASCII only.
func sfEscape(s string) string {
	var b strings.Builder
	for _, r := range s {
		switch {
		case r == '"' || r == '\\':
			b.WriteByte('\\')
			b.WriteRune(r)
		case r < ' ' || r > '~':
			b.WriteByte('?')
		default:
			b.WriteRune(r)
		}
	}
	return b.String()
}
