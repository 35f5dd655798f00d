package draw

import (
	"encoding/binary"
	"encoding/hex"
	"strconv"

	"lastlook/internal/say"
	"lastlook/internal/vrf"
)

// Input is what the seed of a draw follows from, besides the site's key. It
// holds whatever could otherwise be changed until a draw pleases: another list,
// another order of the list, another round, other rules.
type Input struct {
	Site        string `json:"site"`        // name of the site's ledger
	Consignment string `json:"consignment"` // its own code
	Number      string `json:"number"`      // its number on the papers
	Round       int    `json:"round"`       // from 1
	Rules       int    `json:"rules"`       // version of the rule set
	Rate        string `json:"rate"`        // share to examine, as "2%"
	Minimum     int    `json:"minimum"`     // packages to examine at least
	Spread      bool   `json:"spread"`      // spread over crop lines
	Packages    int    `json:"packages"`    // on the sealed list
	Examine     int    `json:"examine"`     // packages to draw
	Quotas      []int  `json:"quotas,omitempty"`
	List        string `json:"list"` // SHA-256 of the canonical package list, hex
}

// Alpha gives the bytes that go into the verifiable random function. This is a
// promise, like [Order]. Each field is written as its length in eight bytes,
// big-endian, and then its bytes, so that no two inputs give the same bytes.
// Numbers are decimal digits. The fields are, in this order:
//
//	"lastlook draw 1"
//	site, consignment, number, round
//	version of the rule set, rate, minimum, "spread" or "plain"
//	packages, packages to examine
//	number of quotas, then each quota
//	SHA-256 of the package list, 64 hexadecimal digits in lower case
//
// The package list behind that hash is written in the same way: see ListDigest
// of a consignment's state.
func (in Input) Alpha() []byte {
	var b []byte
	field := func(v string) {
		b = binary.BigEndian.AppendUint64(b, uint64(len(v)))
		b = append(b, v...)
	}
	number := func(n int) { field(strconv.Itoa(n)) }
	field("lastlook draw 1")
	field(in.Site)
	field(in.Consignment)
	field(in.Number)
	number(in.Round)
	number(in.Rules)
	field(in.Rate)
	number(in.Minimum)
	if in.Spread {
		field("spread")
	} else {
		field("plain")
	}
	number(in.Packages)
	number(in.Examine)
	number(len(in.Quotas))
	for _, q := range in.Quotas {
		number(q)
	}
	field(in.List)
	return b
}

// check refuses inputs that cannot bind anything.
func (in Input) check() error {
	if in.Site == "" || in.Consignment == "" || in.Round < 1 {
		return say.Refuse(say.Invalid, "The draw is not bound to a site, a consignment and a round: it proves nothing.")
	}
	if sum, err := hex.DecodeString(in.List); err != nil || len(sum) != 32 {
		return say.Refuse(say.Invalid, "The draw is not bound to a package list: it proves nothing.")
	}
	return nil
}

// Prover makes proofs with a site's key. Prove is a pure function: the same
// input gives the same proof. The zero Prover has no key.
type Prover struct {
	Site  string
	Key   vrf.PublicKey
	Prove func(alpha []byte) vrf.Proof
}

// NewProver gives the Prover of a key.
func NewProver(site string, key *vrf.Key) Prover {
	return Prover{Site: site, Key: key.Public(), Prove: key.Prove}
}

// Evidence is a proof of a draw: with it anybody can work the seed out, and see
// that nobody chose it.
type Evidence struct {
	Key   vrf.PublicKey `json:"key"`
	Proof vrf.Proof     `json:"proof"`
	Input Input         `json:"alpha"`
}

// Draw makes the seed for an input, with its evidence. The input's site is set
// to the prover's.
func (p Prover) Draw(in Input) (Seed, Evidence, error) {
	if p.Prove == nil {
		return Seed{}, Evidence{}, say.Refuse(say.Storage, "The site has no key for drawing: nothing can be drawn until the key file is back.")
	}
	in.Site = p.Site
	e := Evidence{Key: p.Key, Proof: p.Prove(in.Alpha()), Input: in}
	seed, err := e.Seed()
	return seed, e, err
}

// Seed checks the proof and gives the seed: the first 32 of the 64 bytes that
// the verifiable random function puts out. Those bytes are the end of a SHA-512
// already, any part of which is as good as random, so hashing them once more
// would only give others more to redo.
func (e Evidence) Seed() (Seed, error) {
	if err := e.Input.check(); err != nil {
		return Seed{}, err
	}
	out, err := vrf.Verify(e.Key, e.Input.Alpha(), e.Proof)
	if err != nil {
		return Seed{}, say.Refuse(say.Invalid, "The proof of the draw does not belong to this list and this key: the packages may have been chosen.").Because(err)
	}
	return Seed(out[:32]), nil
}
