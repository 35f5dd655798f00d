package order

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"hash"
	"time"
)

// Fingerprint is a digest of what the consignment says, by which an order read
// before is known again: SHA-256 in hex over all fields in a fixed order, each
// text preceded by its length so that no two orders share the same bytes. Where
// in the file a line stood does not count; the order of the lines does, because
// packages are numbered in it. The dispatch time counts as a moment, in whatever
// zone it was written.
func (c Consignment) Fingerprint() string {
	h := sha256.New()
	text := func(s string) {
		length(h, len(s))
		h.Write([]byte(s))
	}
	text("lastlook order 1") // to be changed with the fields
	text(c.Number)
	text(c.Invoice)
	text(c.Customer)
	text(c.Destination)
	text(c.Dispatch.UTC().Format(time.RFC3339Nano))
	length(h, len(c.Lines))
	for _, l := range c.Lines {
		text(l.Crop)
		text(l.Batch)
		text(l.Bay)
		length(h, l.Packages)
		length(h, l.UnitsPerPackage)
		length(h, len(l.Refs))
		for _, r := range l.Refs {
			text(r)
		}
	}
	return hex.EncodeToString(h.Sum(nil))
}

func length(h hash.Hash, n int) {
	var b [8]byte
	binary.BigEndian.PutUint64(b[:], uint64(n))
	h.Write(b[:])
}
