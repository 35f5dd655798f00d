// Package consignment is the core of the bench: what a consignment is, which
// steps its inspection may take, and how each find and each round is decided.
//
// Commands go in, events come out: [Decide] looks at a [State] and a command
// and gives the events that follow, or a refusal in words. [Fold] makes the
// state from the events; events are the truth and are never edited. A mistake is
// put right by an [Amended] event that names the event it amends; the state
// then shows the amended value and the history keeps both.
//
// Use Fold and Decide first; [Advise] is the decision on one find, [Next] the
// step that comes next, [Round.Conclude] the decision on a round. The package does no
// I/O, knows no clock and draws no chance: time, seed and person are arguments.
// Words follow ISPM 5, Glossary of phytosanitary terms, where it has one.
package consignment
