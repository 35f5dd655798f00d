// Package notify says who has to be told of what, until somebody has answered.
//
// An [Occasion] is something that somebody must hear of: a stop, or a signed head
// that is to be kept elsewhere. [For] finds the occasions in the steps of a
// consignment, [Decide] turns a [Command] on one of them into events, [Fold] makes
// its [State] from them, and [Plan.Due] tells when the next people are told because
// nobody answered. Each message has an id that follows from its occasion, so that
// a receiver knows it again however often it comes.
//
// Start with For and Decide. The package sends nothing and keeps nothing: package
// courier carries messages, package store keeps them. It knows no addresses, only
// the names of contacts, because its events stay in the site's history for ever.
package notify
