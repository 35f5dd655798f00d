package ledger

import (
	"encoding/binary"
	"fmt"
	"strconv"

	"golang.org/x/mod/sumdb/tlog"
)

// Hash is a hash of the tree: SHA-256.
type Hash = tlog.Hash

// Hashes reads stored hashes by their index, as tlog numbers them.
type Hashes = tlog.HashReader

// HashesFunc is a function that reads hashes.
type HashesFunc = tlog.HashReaderFunc

// Entry is one event exactly as it is kept, every field in its stored bytes.
type Entry struct {
	Seq     int64 // place in the site's whole history, from 1
	Stream  string
	Version int // place in the stream, from 1
	Kind    string
	At      string
	Actor   string
	Bench   string
	Data    string
}

// Leaf gives the bytes that are hashed for an event. This is a promise. Each
// field is written as its length in eight bytes, big-endian, and then its
// bytes; numbers are decimal digits. The fields are "lastlook event 1", seq,
// stream, version, kind, at, actor, bench, data, in this order. Nothing is parsed
// or put into another form: what is hashed is what is stored.
func (e Entry) Leaf() []byte {
	seq, version := strconv.FormatInt(e.Seq, 10), strconv.Itoa(e.Version)
	fields := [...]string{"lastlook event 1", seq, e.Stream, version, e.Kind, e.At, e.Actor, e.Bench, e.Data}
	n := 0
	for _, f := range fields {
		n += 8 + len(f)
	}
	b := make([]byte, 0, n)
	for _, f := range fields {
		b = binary.BigEndian.AppendUint64(b, uint64(len(f)))
		b = append(b, f...)
	}
	return b
}

// Hash gives the hash of the event's leaf: SHA-256 of a zero byte and Leaf.
func (e Entry) Hash() Hash { return tlog.RecordHash(e.Leaf()) }

// Edge is the right edge of a tree: what is needed to add to it and to tell its
// root. The zero Edge is that of the empty tree. Edges can be written as JSON.
type Edge struct {
	Size int64 `json:"size"` // leaves
	// Roots are the roots of the full subtrees the tree is made of, largest first:
	// one a binary one of Size.
	Roots []Hash `json:"roots,omitempty"`
}

// edgeIndexes gives the stored-hash indexes of the roots of an edge.
func edgeIndexes(size int64) []int64 {
	var indexes []int64
	for done, level := int64(0), 62; level >= 0; level-- {
		if size&(1<<level) != 0 {
			indexes = append(indexes, tlog.StoredHashIndex(level, done>>level))
			done += 1 << level
		}
	}
	return indexes
}

// ReadEdge reads the edge of a tree of the given size from stored hashes.
func ReadEdge(size int64, r Hashes) (Edge, error) {
	e := Edge{Size: size}
	if size == 0 {
		return e, nil
	}
	var err error
	if e.Roots, err = r.ReadHashes(edgeIndexes(size)); err != nil {
		return Edge{}, fmt.Errorf("reading the edge of the ledger: %w", err)
	}
	return e, nil
}

// Append adds a leaf and gives the hashes to store for it, in the order of
// their indexes, which go on from those of the leaf before.
func (e *Edge) Append(leaf Hash) []Hash {
	stored := []Hash{leaf}
	for n := e.Size; n&1 == 1; n >>= 1 {
		last := len(e.Roots) - 1
		leaf = tlog.NodeHash(e.Roots[last], leaf)
		e.Roots = e.Roots[:last:last]
		stored = append(stored, leaf)
	}
	e.Roots = append(e.Roots, leaf)
	e.Size++
	return stored
}

// Stored tells how many hashes are stored for a tree of the given size.
func Stored(size int64) int64 { return tlog.StoredHashCount(size) }

// Place tells where a stored hash belongs: it is the root of 2^level leaves, the
// first of which is leaf first, from 1.
func Place(index int64) (level int, first int64) {
	level, n := tlog.SplitStoredHashIndex(index)
	return level, n<<level + 1
}

// Root gives the root of the tree.
func (e Edge) Root() Hash {
	if e.Size == 0 {
		root, _ := tlog.TreeHash(0, nil) // the hash of nothing
		return root
	}
	root := e.Roots[len(e.Roots)-1]
	for i := len(e.Roots) - 2; i >= 0; i-- {
		root = tlog.NodeHash(e.Roots[i], root)
	}
	return root
}

// Prove makes the proof that event seq is in the tree of the given size.
func Prove(size, seq int64, r Hashes) ([]Hash, error) {
	if seq < 1 || seq > size {
		return nil, fmt.Errorf("there is no event %d in a ledger of %d", seq, size)
	}
	return tlog.ProveRecord(size, seq-1, r)
}

// Check checks that an event is in the tree of a head.
func Check(proof []Hash, h Head, e Entry) error {
	if e.Seq < 1 || e.Seq > h.Size {
		return fmt.Errorf("there is no event %d in a ledger of %d", e.Seq, h.Size)
	}
	return tlog.CheckRecord(proof, h.Size, h.Root, e.Seq-1, e.Hash())
}

// ProveGrowth makes the proof that the tree of the older size is the beginning
// of the tree of the newer size.
func ProveGrowth(older, newer int64, r Hashes) ([]Hash, error) {
	if older < 1 || older > newer {
		return nil, fmt.Errorf("a ledger of %d events does not grow to %d", older, newer)
	}
	return tlog.ProveTree(newer, older, r)
}

// CheckGrowth checks that the history behind the older head is the beginning of
// the history behind the newer one.
func CheckGrowth(proof []Hash, older, newer Head) error {
	if older.Site != newer.Site {
		return fmt.Errorf("the heads are of two sites, %s and %s", older.Site, newer.Site)
	}
	if older.Size < 1 || older.Size > newer.Size {
		return fmt.Errorf("a ledger of %d events does not grow to %d", older.Size, newer.Size)
	}
	return tlog.CheckTree(proof, newer.Size, newer.Root, older.Size, older.Root)
}
