// Package casework holds a case, its events and the Store interface.
//
// The event is the write: a case is a chain of events, and "put event k of
// case N if it is absent" is the only write there is. Each event holds its
// change, the hash of the event before it and the hash of the state after it.
// That one conditional put is optimistic concurrency, audit trail and
// atomicity at once, on any store that can refuse an overwrite. Personal
// values lie beside the chain under a key of the case, so that retention can
// destroy them and the chain still verifies.
//
// Call Open to read a case, Case.Append to change it. What this package does
// not do: it evaluates nothing and knows no database.
package casework
