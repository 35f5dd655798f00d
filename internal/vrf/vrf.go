// Package vrf is a verifiable random function: the holder of a key turns an
// input into 64 bytes that look random, together with a proof that anybody with
// the public key can check. There is exactly one output for a key and an input,
// so not even the holder can choose among several, which an ordinary signature
// would allow.
//
// It is ECVRF-EDWARDS25519-SHA512-TAI of RFC 9381 (suite string 0x03), with the
// key validation of section 5.4.5. Make a key with [NewKey]; [Key.Prove] makes
// the proof, [Verify] checks it and gives the output. The encodings are the RFC's
// and are a promise: a proof made today verifies in every later version. The
// group is that of filippo.io/edwards25519, which is kept by the people who keep
// the one in Go's standard library; nothing else of the suite exists there.
//
// Inputs are taken to be public: how long hashing one to the curve takes depends
// on it (section 7.8 of the RFC). The package makes no keys by itself and keeps
// none.
package vrf

import (
	"bytes"
	"crypto/sha512"
	"crypto/subtle"
	"encoding/hex"
	"errors"
	"fmt"

	"filippo.io/edwards25519"
)

// Sizes in bytes.
const (
	SeedSize      = 32
	PublicKeySize = 32
	ProofSize     = 80 // a point (32), the challenge (16), a scalar (32)
	OutputSize    = 64
)

const (
	suite         = 0x03
	challengeSize = 16
)

// What can be wrong with what came from outside.
var (
	ErrSeed      = errors.New("a VRF seed has 32 bytes")
	ErrPublicKey = errors.New("not a VRF public key")
	ErrProof     = errors.New("not a VRF proof")
	ErrMismatch  = errors.New("the VRF proof is not for this key and input")
)

// PublicKey is the key that checks proofs: a point as RFC 8032 encodes it. Its
// text form, also in JSON, is 64 hexadecimal digits.
type PublicKey [PublicKeySize]byte

// Proof is what Prove makes. Its text form, also in JSON, is 160 hexadecimal digits.
type Proof [ProofSize]byte

// Output is the random output, "beta" in the RFC.
type Output [OutputSize]byte

// Key is a key that can prove.
type Key struct {
	x      *edwards25519.Scalar
	prefix [32]byte // second half of the hashed seed, for nonces
	public PublicKey
}

// NewKey makes the key that a 32-byte seed stands for, as RFC 8032 section 5.1.5
// does. The seed must come from a generator nobody can guess.
func NewKey(seed []byte) (*Key, error) {
	if len(seed) != SeedSize {
		return nil, ErrSeed
	}
	h := sha512.Sum512(seed)
	x, err := edwards25519.NewScalar().SetBytesWithClamping(h[:32])
	if err != nil {
		return nil, err
	}
	k := &Key{x: x}
	copy(k.prefix[:], h[32:])
	copy(k.public[:], new(edwards25519.Point).ScalarBaseMult(x).Bytes())
	return k, nil
}

// Public gives the key that checks proofs.
func (k *Key) Public() PublicKey { return k.public }

// Prove makes the proof for an input (section 5.1). The same key and input
// always give the same proof.
func (k *Key) Prove(alpha []byte) Proof {
	h := hashToCurve(k.public, alpha)
	hBytes := h.Bytes()
	gamma := new(edwards25519.Point).ScalarMult(k.x, h)
	nonce := k.nonce(hBytes)
	u := new(edwards25519.Point).ScalarBaseMult(nonce)
	v := new(edwards25519.Point).ScalarMult(nonce, h)
	c := challenge(k.public[:], hBytes, gamma.Bytes(), u.Bytes(), v.Bytes())
	s := edwards25519.NewScalar().MultiplyAdd(scalarOf(c), k.x, nonce)
	var p Proof
	copy(p[:32], gamma.Bytes())
	copy(p[32:48], c[:])
	copy(p[48:], s.Bytes())
	return p
}

// nonce is section 5.4.2.2: as RFC 8032 makes its nonces.
func (k *Key) nonce(h []byte) *edwards25519.Scalar {
	d := sha512.New()
	d.Write(k.prefix[:])
	d.Write(h)
	n, err := edwards25519.NewScalar().SetUniformBytes(d.Sum(nil))
	if err != nil {
		panic(err) // only for a length that is not 64
	}
	return n
}

// Verify checks a proof (section 5.3, with validate_key) and gives the output it
// proves. The error is ErrPublicKey, ErrProof or ErrMismatch.
func Verify(key PublicKey, alpha []byte, proof Proof) (Output, error) {
	y, err := key.point()
	if err != nil {
		return Output{}, err
	}
	gamma, c, s, err := proof.decode()
	if err != nil {
		return Output{}, err
	}
	h := hashToCurve(key, alpha)
	minusC := edwards25519.NewScalar().Negate(scalarOf(c))
	u := new(edwards25519.Point).VarTimeDoubleScalarBaseMult(minusC, y, s)
	v := new(edwards25519.Point).VarTimeMultiScalarMult(
		[]*edwards25519.Scalar{s, minusC}, []*edwards25519.Point{h, gamma})
	want := challenge(key[:], h.Bytes(), gamma.Bytes(), u.Bytes(), v.Bytes())
	if subtle.ConstantTimeCompare(c[:], want[:]) != 1 {
		return Output{}, ErrMismatch
	}
	return outputOf(gamma), nil
}

// Output gives the output a proof stands for (section 5.2) without checking
// the proof: only for proofs one has made or verified. The error is ErrProof.
func (p Proof) Output() (Output, error) {
	gamma, _, _, err := p.decode()
	if err != nil {
		return Output{}, err
	}
	return outputOf(gamma), nil
}

func outputOf(gamma *edwards25519.Point) (out Output) {
	d := sha512.New()
	d.Write([]byte{suite, 0x03})
	d.Write(new(edwards25519.Point).MultByCofactor(gamma).Bytes())
	d.Write([]byte{0x00})
	d.Sum(out[:0])
	return out
}

// decode is section 5.4.4.
func (p Proof) decode() (gamma *edwards25519.Point, c [challengeSize]byte, s *edwards25519.Scalar, err error) {
	gamma, ok := pointOf(p[:32])
	if !ok {
		return nil, c, nil, fmt.Errorf("%w: its first part is no point of the curve", ErrProof)
	}
	copy(c[:], p[32:48])
	s, err = edwards25519.NewScalar().SetCanonicalBytes(p[48:])
	if err != nil {
		return nil, c, nil, fmt.Errorf("%w: its last part is not below the order of the group", ErrProof)
	}
	return gamma, c, s, nil
}

// point is section 5.4.5: a key of small order would give the same output for
// every input, so it is refused.
func (k PublicKey) point() (*edwards25519.Point, error) {
	y, ok := pointOf(k[:])
	if !ok {
		return nil, fmt.Errorf("%w: it is no point of the curve", ErrPublicKey)
	}
	if isIdentity(new(edwards25519.Point).MultByCofactor(y)) {
		return nil, fmt.Errorf("%w: it is a point of small order", ErrPublicKey)
	}
	return y, nil
}

// Validate reports what is wrong with a public key, or nil.
func (k PublicKey) Validate() error {
	_, err := k.point()
	return err
}

// hashToCurve is ECVRF_encode_to_curve_try_and_increment, section 5.4.1.1, with
// the public key as salt.
func hashToCurve(key PublicKey, alpha []byte) *edwards25519.Point {
	front := append([]byte{suite, 0x01}, key[:]...)
	for ctr := 0; ctr < 256; ctr++ {
		d := sha512.New()
		d.Write(front)
		d.Write(alpha)
		d.Write([]byte{byte(ctr), 0x00})
		p, ok := pointOf(d.Sum(nil)[:32])
		if !ok {
			continue
		}
		if p.MultByCofactor(p); !isIdentity(p) {
			return p
		}
	}
	panic("vrf: an input that hashes to no point") // each try fails with one half: 2^-256
}

// pointOf decodes as RFC 8032 section 5.1.3 says, which the group's own decoder
// does not in full: it also takes encodings that are not the shortest ones.
func pointOf(b []byte) (*edwards25519.Point, bool) {
	p, err := new(edwards25519.Point).SetBytes(b)
	if err != nil || !bytes.Equal(p.Bytes(), b) {
		return nil, false
	}
	return p, true
}

func isIdentity(p *edwards25519.Point) bool { return p.Equal(edwards25519.NewIdentityPoint()) == 1 }

// challenge is section 5.4.3.
func challenge(points ...[]byte) (c [challengeSize]byte) {
	d := sha512.New()
	d.Write([]byte{suite, 0x02})
	for _, p := range points {
		d.Write(p)
	}
	d.Write([]byte{0x00})
	copy(c[:], d.Sum(nil))
	return c
}

func scalarOf(c [challengeSize]byte) *edwards25519.Scalar {
	var wide [32]byte
	copy(wide[:], c[:])
	s, err := edwards25519.NewScalar().SetCanonicalBytes(wide[:])
	if err != nil {
		panic(err) // 128 bits are always below the order
	}
	return s
}

// String gives the text form.
func (k PublicKey) String() string { return hex.EncodeToString(k[:]) }

// String gives the text form.
func (p Proof) String() string { return hex.EncodeToString(p[:]) }

// IsZero reports whether k is all zeros, as a key that was never set is.
func (k PublicKey) IsZero() bool { return k == PublicKey{} }

// IsZero reports whether p is all zeros, as a proof that was never made is.
func (p Proof) IsZero() bool { return p == Proof{} }

// MarshalText gives the text form.
func (k PublicKey) MarshalText() ([]byte, error) { return hex.AppendEncode(nil, k[:]), nil }

// MarshalText gives the text form.
func (p Proof) MarshalText() ([]byte, error) { return hex.AppendEncode(nil, p[:]), nil }

// UnmarshalText reads the text form. It does not say whether the key is valid.
func (k *PublicKey) UnmarshalText(text []byte) error {
	if err := decodeHex(k[:], text); err != nil {
		return fmt.Errorf("%w: %w", ErrPublicKey, err)
	}
	return nil
}

// UnmarshalText reads the text form. It does not say whether the proof is valid.
func (p *Proof) UnmarshalText(text []byte) error {
	if err := decodeHex(p[:], text); err != nil {
		return fmt.Errorf("%w: %w", ErrProof, err)
	}
	return nil
}

func decodeHex(into, text []byte) error {
	if len(text) != 2*len(into) {
		return fmt.Errorf("it has %d characters instead of %d", len(text), 2*len(into))
	}
	_, err := hex.Decode(into, text)
	return err
}
