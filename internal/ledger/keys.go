package ledger

import (
	"crypto/ed25519"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"

	"golang.org/x/mod/sumdb/note"

	"lastlook/internal/draw"
	"lastlook/internal/say"
	"lastlook/internal/vrf"
)

// Public is what others need to check a site's heads and draws.
type Public struct {
	Site string        `json:"site"`
	Head string        `json:"head"` // for heads: a verifier key of c2sp.org/signed-note, Ed25519
	Draw vrf.PublicKey `json:"draw"` // for draws: RFC 9381
}

// String gives the text form, to print and to publish: three lines.
func (p Public) String() string {
	return fmt.Sprintf("site %s\nhead %s\ndraw %s\n", p.Site, p.Head, p.Draw)
}

// Fingerprint gives a short form of the public keys to print, read aloud and compare,
// made from String as that of a head is from its text.
func (p Public) Fingerprint() string { return fingerprint(p.String()) }

// Keys are a site's secret keys.
type Keys struct {
	Site   string
	public Public
	secret string // of the head key, as package note writes it
	seed   []byte // of the draw key
	signer note.Signer
	drawer *vrf.Key
}

// NewKeys makes keys for a site from a source of chance: crypto/rand.Reader.
func NewKeys(site string, random io.Reader) (*Keys, error) {
	head, seed := make([]byte, ed25519.SeedSize), make([]byte, vrf.SeedSize)
	for _, b := range [][]byte{head, seed} {
		if _, err := io.ReadFull(random, b); err != nil {
			return nil, fmt.Errorf("making the site's keys: %w", err)
		}
	}
	verifier, err := note.NewEd25519VerifierKey(site, ed25519.NewKeyFromSeed(head).Public().(ed25519.PublicKey))
	if err != nil {
		return nil, err
	}
	// A signer key is written as its verifier key is, with the secret in it.
	name, hash, _, err := splitKey(verifier)
	if err != nil {
		return nil, err
	}
	secret := fmt.Sprintf("%s%s+%s+%s", secretPrefix, name, hash, base64.StdEncoding.EncodeToString(append([]byte{1}, head...)))
	return keysOf(site, secret, seed)
}

const secretPrefix = "PRIVATE+KEY+"

// splitKey takes a key of package note apart; the last part may hold plus signs.
func splitKey(key string) (name, hash string, bytes []byte, err error) {
	parts := strings.SplitN(key, "+", 3)
	if len(parts) != 3 {
		return "", "", nil, errors.New("a key has three parts")
	}
	bytes, err = base64.StdEncoding.DecodeString(parts[2])
	if err != nil || len(bytes) != 1+ed25519.SeedSize {
		return "", "", nil, errors.New("a key has 33 bytes in base64")
	}
	return parts[0], parts[1], bytes, nil
}

func keysOf(site, secret string, seed []byte) (*Keys, error) {
	k := &Keys{Site: site, secret: secret, seed: seed}
	var err error
	if k.signer, err = note.NewSigner(secret); err != nil {
		return nil, err
	}
	if k.signer.Name() != site {
		return nil, fmt.Errorf("the head key is of %s, not of %s", k.signer.Name(), site)
	}
	if k.drawer, err = vrf.NewKey(seed); err != nil {
		return nil, err
	}
	_, _, head, err := splitKey(strings.TrimPrefix(secret, secretPrefix))
	if err != nil {
		return nil, err
	}
	verifier, err := note.NewEd25519VerifierKey(site, ed25519.NewKeyFromSeed(head[1:]).Public().(ed25519.PublicKey))
	if err != nil {
		return nil, err
	}
	k.public = Public{Site: site, Head: verifier, Draw: k.drawer.Public()}
	return k, nil
}

// Public gives the public parts.
func (k *Keys) Public() Public { return k.public }

// Prover draws with the site's draw key.
func (k *Keys) Prover() draw.Prover { return draw.NewProver(k.Site, k.drawer) }

// Sign signs a head.
func (k *Keys) Sign(h Head) ([]byte, error) {
	if h.Site != k.Site {
		return nil, fmt.Errorf("a head of %s is not signed by %s", h.Site, k.Site)
	}
	return note.Sign(&note.Note{Text: h.Text()}, k.signer)
}

const keyFileHead = "# Lastlook site keys. Keep this file secret, and keep a copy of it apart from the data.\n"

// Write puts the keys into a new file that only this account can read, and
// makes sure it is on the disk. A file that is there is never written over.
func (k *Keys) Write(path string) error {
	f, err := os.CreateTemp(filepath.Dir(path), ".key-*") // mode 0600
	if err != nil {
		return fmt.Errorf("writing the key file: %w", err)
	}
	defer os.Remove(f.Name())
	_, err = fmt.Fprintf(f, "%ssite %s\nhead %s\ndraw %s\n", keyFileHead, k.Site, k.secret, hex.EncodeToString(k.seed))
	if err == nil {
		err = f.Sync()
	}
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err == nil {
		if _, serr := os.Lstat(path); serr == nil {
			err = fmt.Errorf("%s is there already", path)
		} else {
			err = os.Rename(f.Name(), path)
		}
	}
	if err == nil {
		err = syncDir(filepath.Dir(path))
	}
	if err != nil {
		return fmt.Errorf("writing the key file: %w", err)
	}
	return nil
}

// syncDir makes sure that a new name in a folder is on the disk.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	err = d.Sync()
	if cerr := d.Close(); err == nil {
		err = cerr
	}
	if runtime.GOOS == "windows" {
		return nil // folders cannot be synced there
	}
	return err
}

// ReadKeys reads a key file. It refuses, in words, a file that is not there,
// that other accounts can read, or that is no key file.
func ReadKeys(path string) (*Keys, error) {
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, say.Refuse(say.Storage, "The key file %s is missing: without it nothing can be drawn or signed. Put it back from its copy.", path).Because(err)
	case err != nil:
		return nil, fmt.Errorf("reading the key file: %w", err)
	}
	if mode := info.Mode().Perm(); mode&0o077 != 0 && runtime.GOOS != "windows" {
		return nil, say.Refuse(say.Storage, "Other accounts can read the key file %s (mode %s): anybody could sign for this site. Make it mode 0600; if somebody may have read it, change the keys after that.", path, fmt.Sprintf("%04o", mode))
	}
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("reading the key file: %w", err)
	}
	k, err := parseKeys(string(b))
	if err != nil {
		return nil, say.Refuse(say.Storage, "The key file %s cannot be read: it was changed or cut short. Put it back from its copy.", path).Because(err)
	}
	return k, nil
}

func parseKeys(text string) (*Keys, error) {
	values := map[string]string{}
	for line := range strings.Lines(text) {
		line = strings.TrimSpace(line)
		if line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		name, value, _ := strings.Cut(line, " ")
		values[name] = value
	}
	seed, err := hex.DecodeString(values["draw"])
	if err != nil {
		return nil, errors.New("the draw key is not hexadecimal") // never the value itself
	}
	return keysOf(values["site"], values["head"], seed)
}
