// Package store keeps the events, and the tables made from them, in one SQLite
// file.
//
// [Open] it on a data folder; [Store.Do] takes a command on a consignment
// through the core and keeps what follows from it in one transaction: the
// events, the idempotency key, and the read tables. When Do returns, the step is
// durable (write-ahead log, synchronous=FULL; both are read back at start).
// [Store.Rebuild] makes the read tables again from the events. Every event is
// hashed into the site's ledger in the transaction that adds it: [Store.Head] is
// its signed head, [Store.Proof] and [Store.Growth] prove what is under it.
//
// [WriteBackup] copies a data folder's file while benches work, [RestoreBackup]
// makes a data folder from such a copy, and [Verify] tells whether a file is whole.
// A [Keeper] backs up on a schedule.
//
// Rows and SQL stay inside this package; it gives out domain types and its own
// plain row types. It decides nothing about inspections, and it is not meant for
// network file systems.
package store
