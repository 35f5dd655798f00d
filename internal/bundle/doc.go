// Package bundle makes and checks the portable record of one consignment: one
// file that can be checked without the nursery's computer, without its database
// and without a network.
//
// [New] collects a [Bundle] from what the ledger holds, [Bundle.Encode] writes it
// and [Read] reads it. [Check] works everything out again with the same core that
// decided it at the bench (the sample size, the draw and its proof, the decision
// on each find, the outcome, the digests, the place of every step in the signed
// head) and gives a [Report]: what holds, what does not, and what no file can
// tell. The file format is in FORMAT.md beside this file; its parts are open
// standards: ZIP, JSON, C2SP signed notes and checkpoints, RFC 6962, RFC 9381.
//
// Equal contents give equal bytes, and there is only one way to write them: a
// file that says the same in other bytes was not written by Lastlook. That is why
// the package writes its ZIP itself and reads it with the standard library.
//
// A bundle comes from a stranger. Sizes, names and nesting are limited, nothing
// is unpacked to a disk, and what cannot be read is refused in words. The package
// opens no files, knows no clock and asks nobody.
package bundle
