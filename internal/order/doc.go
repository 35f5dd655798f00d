// Package order reads a nursery's order file, a table of consignments to be
// inspected, into values that can be registered at the bench.
//
// One line of the file is one crop line of a consignment; lines with the same
// consignment number make a mixed consignment. Use [Read] for bytes already in
// hand and [ReadFrom] for an upload; the single-field readers [ParseDispatch],
// [Upcoming], [ParseCount], [ParseRefs] and [CleanText] serve forms in which
// the same values are typed. Everything that is wrong is said in a sentence
// with its line, and a consignment with a wrong line is never taken in part:
// [Result.WriteRejected] gives its lines back, to be put right and read again.
//
// The package guesses nothing that could be meant in two ways. It opens no
// files, knows no clock, and does not know which consignments are registered
// already: [Consignment.Fingerprint] is there to tell.
package order
