package ledger

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"

	"lastlook/internal/code"
)

// Head says what a site's whole history was at one moment.
type Head struct {
	Site string `json:"site"` // the ledger's name, which never changes
	Size int64  `json:"size"` // events
	Root Hash   `json:"root"` // in JSON base64
}

// Text gives the three lines that are signed: site, size in decimal, root in base64.
func (h Head) Text() string {
	return fmt.Sprintf("%s\n%d\n%s\n", h.Site, h.Size, h.Root)
}

// parseHead reads what Text wrote, and nothing else: one head has one text.
func parseHead(text string) (Head, error) {
	bad := errors.New("this is not the head of a ledger")
	lines := strings.Split(text, "\n")
	if len(lines) != 4 {
		return Head{}, bad
	}
	size, err := strconv.ParseInt(lines[1], 10, 64)
	if err != nil {
		return Head{}, bad
	}
	root, err := tlog.ParseHash(lines[2])
	if err != nil {
		return Head{}, bad
	}
	h := Head{Site: lines[0], Size: size, Root: root}
	if h.Site == "" || size < 0 || h.Text() != text {
		return Head{}, bad
	}
	return h, nil
}

// Fingerprint gives a short form of the head to print, read aloud and compare:
// the first 16 hexadecimal digits of the SHA-256 of Text in groups of four,
// and two check digits (ISO/IEC 7064, MOD 97-10). It finds mistakes and
// changes made after it was printed. It does not stand in for the signed head:
// whoever holds the key could, with much work beforehand, make two histories with
// one fingerprint.
func (h Head) Fingerprint() string { return fingerprint(h.Text()) }

func fingerprint(text string) string {
	sum := sha256.Sum256([]byte(text))
	digits := strings.ToUpper(hex.EncodeToString(sum[:8]))
	return fmt.Sprintf("%s %s %s %s %s", digits[:4], digits[4:8], digits[8:12], digits[12:], code.CheckDigits(digits))
}

// OpenHead reads a signed head and checks its signature with one of the public
// keys. The error says whether it is no head, or not signed with any of the keys.
func OpenHead(signed []byte, keys ...Public) (Head, error) {
	n, err := openNote(signed, keys...)
	if err != nil {
		return Head{}, err
	}
	h, err := parseHead(n.Text)
	if err != nil {
		return Head{}, err
	}
	if h.Site != n.Sigs[0].Name {
		return Head{}, fmt.Errorf("the head of %s is signed by %s", h.Site, n.Sigs[0].Name)
	}
	return h, nil
}

// errUnsigned is for notes that none of the given keys signed.
var errUnsigned = errors.New("it is not signed with the site's key")

func openNote(signed []byte, keys ...Public) (*note.Note, error) {
	var verifiers []note.Verifier
	for _, k := range keys {
		v, err := note.NewVerifier(k.Head)
		if err != nil {
			return nil, fmt.Errorf("public key %q: %w", k.Head, err)
		}
		verifiers = append(verifiers, v)
	}
	n, err := note.Open(signed, note.VerifierList(verifiers...))
	var unverified *note.UnverifiedNoteError
	var invalid *note.InvalidSignatureError
	switch {
	case errors.As(err, &unverified), errors.As(err, &invalid):
		return nil, fmt.Errorf("%w (%w)", errUnsigned, err)
	case err != nil:
		return nil, fmt.Errorf("it is no signed note: %w", err)
	}
	return n, nil
}

// PeekHead reads a head without checking who signed it: to compare with, never
// to believe.
func PeekHead(signed []byte) (Head, error) {
	text, _, ok := strings.Cut(string(signed), "\n\n")
	if !ok {
		return Head{}, errors.New("this is not the head of a ledger")
	}
	return parseHead(text + "\n")
}
