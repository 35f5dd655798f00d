// Package code says what a scanned or typed string means.
//
// Start with [Parse]: it gives a [Code] or a say.Refusal with the sentence to
// show. A Code is one of the bench's own identifiers or a GS1 element string.
// [Consignment], [Package], [Card] and [New] make own identifiers, and
// [NewConsignmentCode] and [NewToken] make the random part of them. The package
// draws no barcodes, keeps nothing and looks nothing up: it cannot tell whether
// a package exists.
//
// # Own identifiers
//
// An identifier is a letter for its kind, what it carries, and two check digits:
//
//	K 7F3K 98           consignment: 4 characters of the alphabet
//	P 7F3K 017 22       package: its consignment and its number, 3 to 7 digits
//	B, S, L …           badge, sample, location: 4 characters of the alphabet
//	R …                 reference card: 1 to 10 characters of the alphabet
//	A CLEAN 70          action card: one of a few fixed words
//
// The barcode holds no spaces; on paper and on screen the groups stand apart.
// The [Alphabet] leaves out what is mistaken when read aloud or copied by hand:
// 0, 1, I, L, O and U.
//
// # What the check digits find
//
// They are those of ISO/IEC 7064, MOD 97-10, with letters valued 10 to 35 as in
// ISO 13616 (IBAN) and ISO 17442 (LEI). With that valuation it is proven that
// one digit mistaken for another, one letter mistaken for another, and two
// neighbouring digits or two neighbouring letters changed round are always
// found. A digit mistaken for a letter, or changed round with one, changes the
// length of the number behind it and may slip through, about once in 97 times.
// Where the format fixes which is which (kind, package number, check digits)
// Parse finds those too; [NewConsignmentCode] and [NewToken] give only codes in
// which none of them can slip through. So for an identifier made from them every
// single wrong character and every swap of two neighbours is found.
package code
