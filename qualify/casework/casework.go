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
// Call Create to begin a case, Open to read one, Case.Append to change it, or
// Update to read and change in one go. Case.Seal puts a personal value beside
// the chain and gives the Ref that a change may hold; Case.Reveal reads it
// back. Nothing that a person typed in free words, and nothing that names a
// patient, stands in an event itself: it is a Ref.
//
// What this package does not do: it evaluates nothing, knows no database, and
// takes the time and all randomness from its caller.
package casework
