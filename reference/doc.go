// Package reference is the local pest reference: what an inspector looks up when
// a plant shows something, and what it asks the inspector to do.
//
// Start with [Load], which reads entries, destination lists and synonym groups
// from files and gives a [Book]. Then
//
//   - [NewIndex] and [Index.Search] answer words typed or spoken at the bench,
//   - [Escalate] says which rung of the ladder an entry asks for at a destination,
//   - [Narrow] ranks entries by the signs seen, and says which question to ask next,
//   - [Upkeep] is what a site makes of the shipped reference: its own revisions, words
//     and switches, as a history; [Diff], [ThreeWay] and [ReadPack] go with it.
//
// Everything but the search index is pure: plain values in, plain values out.
// The package does not identify anything: it helps to decide what to do next, and
// a suspect is confirmed by the authority or a laboratory. It keeps no entries in
// a database and knows no users; whoever edits entries hands it a new Book.
package reference
