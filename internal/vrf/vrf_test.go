package vrf

import (
	"bytes"
	"encoding/hex"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"testing"

	"filippo.io/edwards25519"
	"pgregory.net/rapid"
)

// unhex is bytes written in hexadecimal.
type unhex []byte

func (h *unhex) UnmarshalText(text []byte) (err error) {
	*h, err = hex.DecodeString(string(text))
	return err
}

// vector is an example of RFC 9381, appendix B.3.
type vector struct {
	Name                            string
	SK, Alpha, H, K, U, V, Pi, Beta unhex
	PK                              PublicKey
}

func read(t testing.TB, name string, into any) {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("..", "..", "testdata", "vrf", name))
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(b, into); err != nil {
		t.Fatalf("%s: %v", name, err)
	}
}

func vectors(t testing.TB) []vector {
	var vs []vector
	read(t, "rfc9381-b3.json", &vs)
	if len(vs) != 3 {
		t.Fatalf("%d vectors, want the three of appendix B.3", len(vs))
	}
	return vs
}

func newKey(t testing.TB, seed []byte) *Key {
	t.Helper()
	k, err := NewKey(seed)
	if err != nil {
		t.Fatal(err)
	}
	return k
}

func TestVectors(t *testing.T) {
	for _, v := range vectors(t) {
		t.Run(v.Name, func(t *testing.T) {
			k := newKey(t, v.SK)
			if k.Public() != v.PK {
				t.Errorf("public key %s, want %s", k.Public(), v.PK)
			}
			h := hashToCurve(k.Public(), v.Alpha).Bytes()
			if !bytes.Equal(h, v.H) {
				t.Errorf("H = %x, want %x", h, v.H)
			}
			if n := k.nonce(h).Bytes(); !bytes.Equal(n, v.K) {
				t.Errorf("k = %x, want %x", n, v.K)
			}
			pi := k.Prove(v.Alpha)
			if !bytes.Equal(pi[:], v.Pi) {
				t.Errorf("Prove(%x) = %s, want %x", v.Alpha, pi, v.Pi)
			}
			beta, err := Verify(v.PK, v.Alpha, Proof(v.Pi))
			if err != nil || !bytes.Equal(beta[:], v.Beta) {
				t.Errorf("Verify = %x, %v, want %x", beta, err, v.Beta)
			}
			beta, err = Proof(v.Pi).Output()
			if err != nil || !bytes.Equal(beta[:], v.Beta) {
				t.Errorf("Output = %x, %v, want %x", beta, err, v.Beta)
			}
			// The points U and V are what the challenge in the proof was made from.
			c := challenge(v.PK[:], v.H, v.Pi[:32], v.U, v.V)
			if !bytes.Equal(c[:], v.Pi[32:48]) {
				t.Errorf("challenge of the published points = %x, want %x", c, v.Pi[32:48])
			}
		})
	}
}

func TestEveryBitOfTheProofCounts(t *testing.T) {
	for _, v := range vectors(t) {
		for bit := range 8 * ProofSize {
			p := Proof(v.Pi)
			p[bit/8] ^= 1 << (bit % 8)
			if _, err := Verify(v.PK, v.Alpha, p); err == nil {
				t.Errorf("%s: the proof with bit %d turned is taken", v.Name, bit)
			} else if !errors.Is(err, ErrProof) && !errors.Is(err, ErrMismatch) {
				t.Errorf("%s: bit %d: %v, want ErrProof or ErrMismatch", v.Name, bit, err)
			}
		}
	}
}

func TestEveryBitOfTheInputAndKeyCounts(t *testing.T) {
	for _, v := range vectors(t) {
		for bit := range 8 * len(v.Alpha) {
			a := bytes.Clone(v.Alpha)
			a[bit/8] ^= 1 << (bit % 8)
			if _, err := Verify(v.PK, a, Proof(v.Pi)); !errors.Is(err, ErrMismatch) {
				t.Errorf("%s: input with bit %d turned: %v, want ErrMismatch", v.Name, bit, err)
			}
		}
		for _, a := range [][]byte{append(bytes.Clone(v.Alpha), 0), append([]byte{0}, v.Alpha...)} {
			if _, err := Verify(v.PK, a, Proof(v.Pi)); !errors.Is(err, ErrMismatch) {
				t.Errorf("%s: longer input %x: %v, want ErrMismatch", v.Name, a, err)
			}
		}
		for bit := range 8 * PublicKeySize {
			k := v.PK
			k[bit/8] ^= 1 << (bit % 8)
			if _, err := Verify(k, v.Alpha, Proof(v.Pi)); err == nil {
				t.Errorf("%s: the key with bit %d turned is taken", v.Name, bit)
			}
		}
	}
}

func TestBadKeysAreRefused(t *testing.T) {
	var keys []struct {
		Name string
		Key  PublicKey
	}
	read(t, "small-order.json", &keys)
	if len(keys) < 15 {
		t.Fatalf("%d keys to refuse, want 15 or more", len(keys))
	}
	v := vectors(t)[0]
	for _, k := range keys {
		if err := k.Key.Validate(); !errors.Is(err, ErrPublicKey) {
			t.Errorf("Validate(%s) = %v, want ErrPublicKey", k.Name, err)
		}
		if _, err := Verify(k.Key, v.Alpha, Proof(v.Pi)); !errors.Is(err, ErrPublicKey) {
			t.Errorf("Verify with %s: %v, want ErrPublicKey", k.Name, err)
		}
		// The same bytes as the first part of a proof: either not a point, or not the one proved.
		p := Proof(v.Pi)
		copy(p[:32], k.Key[:])
		if _, err := Verify(v.PK, v.Alpha, p); err == nil {
			t.Errorf("a proof that begins with %s is taken", k.Name)
		}
	}
}

// A key of small order proves anything with the proof below unless it is
// refused: this is what section 5.4.5 of the RFC is there for.
func TestSmallOrderKeyWouldProveAnything(t *testing.T) {
	var neutral PublicKey
	copy(neutral[:], edwards25519.NewIdentityPoint().Bytes())
	alpha := []byte("any")
	h := hashToCurve(neutral, alpha)
	nonce := edwards25519.NewScalar()
	u, v := new(edwards25519.Point).ScalarBaseMult(nonce), new(edwards25519.Point).ScalarMult(nonce, h)
	c := challenge(neutral[:], h.Bytes(), neutral[:], u.Bytes(), v.Bytes())
	var p Proof
	copy(p[:], neutral[:])
	copy(p[32:], c[:])
	if _, err := Verify(neutral, alpha, p); !errors.Is(err, ErrPublicKey) {
		t.Errorf("Verify = %v, want ErrPublicKey", err)
	}
}

func TestScalarThatIsNotReducedIsRefused(t *testing.T) {
	order, _ := hex.DecodeString("edd3f55c1a631258d69cf7a2def9de1400000000000000000000000000000010")
	for _, v := range vectors(t) {
		// s and s + q are the same to the group: only one may be taken, or there
		// would be two proofs.
		p, carry := Proof(v.Pi), 0
		for i := range 32 {
			sum := int(p[48+i]) + int(order[i]) + carry
			p[48+i], carry = byte(sum), sum>>8
		}
		if _, err := Verify(v.PK, v.Alpha, p); !errors.Is(err, ErrProof) {
			t.Errorf("%s with s + q: %v, want ErrProof", v.Name, err)
		}
		if _, err := p.Output(); !errors.Is(err, ErrProof) {
			t.Errorf("%s, Output with s + q: %v, want ErrProof", v.Name, err)
		}
	}
}

func TestProofsVerify(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		bytesOf := func(n int, label string) []byte {
			return rapid.SliceOfN(rapid.Byte(), n, n).Draw(rt, label)
		}
		k := newKey(t, bytesOf(SeedSize, "seed"))
		alpha := rapid.SliceOfN(rapid.Byte(), 0, 200).Draw(rt, "alpha")
		p := k.Prove(alpha)
		if p != k.Prove(alpha) {
			rt.Fatal("two proofs of one input differ")
		}
		out, err := Verify(k.Public(), alpha, p)
		if err != nil {
			rt.Fatalf("Verify: %v", err)
		}
		if direct, err := p.Output(); err != nil || direct != out {
			rt.Fatalf("Output = %x, %v, want %x", direct, err, out)
		}
		other := newKey(t, bytesOf(SeedSize, "other"))
		if other.Public() != k.Public() {
			if _, err := Verify(other.Public(), alpha, p); !errors.Is(err, ErrMismatch) {
				rt.Fatalf("another key: %v, want ErrMismatch", err)
			}
		}
	})
}

func TestSeedLength(t *testing.T) {
	for _, n := range []int{0, 31, 33, 64} {
		if _, err := NewKey(make([]byte, n)); !errors.Is(err, ErrSeed) {
			t.Errorf("NewKey of %d bytes: %v, want ErrSeed", n, err)
		}
	}
}

func TestTextForms(t *testing.T) {
	v := vectors(t)[1]
	type pair struct {
		Key   PublicKey
		Proof Proof
	}
	want := pair{v.PK, Proof(v.Pi)}
	b, err := json.Marshal(want)
	if err != nil {
		t.Fatal(err)
	}
	var got pair
	if err := json.Unmarshal(b, &got); err != nil || got != want {
		t.Errorf("through JSON: %+v, %v, want %+v", got, err, want)
	}
	for _, bad := range []string{"", "00", hex.EncodeToString(make([]byte, 33)), "zz" + v.PK.String()[2:]} {
		if err := new(PublicKey).UnmarshalText([]byte(bad)); !errors.Is(err, ErrPublicKey) {
			t.Errorf("UnmarshalText(%q) = %v, want ErrPublicKey", bad, err)
		}
	}
	if err := new(Proof).UnmarshalText([]byte("00")); !errors.Is(err, ErrProof) {
		t.Errorf("a short proof: %v, want ErrProof", err)
	}
	if !(PublicKey{}).IsZero() || v.PK.IsZero() || !(Proof{}).IsZero() || want.Proof.IsZero() {
		t.Error("IsZero is wrong")
	}
}

// FuzzVerify: nothing from outside makes Verify panic, and a proof other than the
// right one is never taken.
func FuzzVerify(f *testing.F) {
	vs := vectors(f)
	for _, v := range vs {
		f.Add(v.PK[:], []byte(v.Alpha), []byte(v.Pi))
	}
	k := newKey(f, vs[0].SK)
	f.Fuzz(func(t *testing.T, key, alpha, proof []byte) {
		var pk PublicKey
		copy(pk[:], key)
		var p Proof
		copy(p[:], proof)
		out, err := Verify(pk, alpha, p)
		if err == nil {
			if again, err := p.Output(); err != nil || again != out {
				t.Errorf("Output = %x, %v, want %x", again, err, out)
			}
		}
		if _, err := Verify(k.Public(), alpha, p); err == nil && p != k.Prove(alpha) {
			t.Errorf("a second proof of %x is taken: %s", alpha, p)
		}
	})
}

func BenchmarkProve(b *testing.B) {
	k := newKey(b, vectors(b)[0].SK)
	for b.Loop() {
		k.Prove([]byte("input"))
	}
}

func BenchmarkVerify(b *testing.B) {
	k := newKey(b, vectors(b)[0].SK)
	p := k.Prove([]byte("input"))
	for b.Loop() {
		if _, err := Verify(k.Public(), []byte("input"), p); err != nil {
			b.Fatal(err)
		}
	}
}
