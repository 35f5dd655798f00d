// Package ledger makes a site's history tamper-evident: it hashes every event
// into one tree, signs the head of the tree, and proves that an event is in it
// and that nothing behind an older head was changed.
//
// An event's bytes are [Entry.Leaf]; [Edge] grows the tree, [Head] is its signed
// head, [Prove] and [ProveGrowth] make proofs, [Check] and [CheckGrowth] check
// them. [Keys] are the site's secret keys, [Public] what others need, and [Site]
// the history of keys as the ledger itself tells it. Storage is the caller's: hashes are
// read through [Hashes].
//
// The tree is that of RFC 6962, section 2.1, as golang.org/x/mod/sumdb/tlog has
// it, and heads have the form of C2SP's tlog-checkpoint (c2sp.org/tlog-checkpoint)
// in a signed note (c2sp.org/signed-note), so that other programs can check them.
// Both libraries are small and kept up by the Go team, who run the checksum
// database with them.
//
// # What it shows, and what not
//
// Whoever has an older head can tell whether the history behind it is still
// there, unchanged. A head that never left the machine proves little against
// somebody who has both the data file and the key file: print heads on reports,
// or send them out. The ledger does not keep anybody from writing what is not
// so; it keeps them from writing it afterwards.
package ledger
