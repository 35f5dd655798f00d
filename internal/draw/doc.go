// Package draw puts the packages of a sealed list into a random order that
// anybody can work out again from a 32-byte [Seed].
//
// Use [Select] for a plain draw and [SelectSpread] for one spread over crop
// lines; [NextReserve] names the package that takes the place of one which
// cannot be reached. [Order] is what they all stand on. [Prover.Draw] makes a seed
// that nobody can choose, with [Evidence] that anybody can check. The package does
// not decide how many packages are to be examined, and keeps nothing.
//
// # The order, in words
//
// This is a promise: the order for a seed and a number of packages does not
// change from one version of this program to the next, and the files in
// testdata/draw hold it to that. It can be redone in any language:
//
//  1. The stream. Feed the 32 bytes of the seed to ChaCha8Rand as C2SP
//     specifies it (c2sp.org/chacha8rand) and read its output eight bytes at a
//     time as little-endian unsigned 64-bit numbers x1, x2, x3, …
//  2. A number below m. Take the next x of the stream. If it is not below
//     2^64 − (2^64 mod m), throw it away and take the next one. The number is
//     x mod m. (Throwing away the incomplete last stretch makes all m numbers
//     equally likely.)
//  3. The shuffle (Fisher and Yates, from the front). Write down 1, 2, …, n in
//     places 0 to n − 1. For i = 0, 1, …, n − 2: take a number j below n − i as
//     in step 2 and swap places i and i + j. What stands in places 0, 1, 2, …
//     is the order.
//
// So the first package drawn is 1 + (x1 mod n), unless x1 was thrown away, and
// the first k places are settled after k steps: five packages can be checked
// with a pocket calculator once the stream is known.
package draw
