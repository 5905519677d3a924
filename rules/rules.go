// Package rules holds the criteria as data: packs in YAML, one folder for a
// region, one file for a version, with its boundary cases beside it.
//
// Call Load (or Embedded for the packs in the binary) first; it returns a
// Library or every fault of every pack at once, each with file, line, column,
// what was expected, what was found and the mend. Library.InForce then gives
// the pack for a region and a day.
//
// A pack says what is compared, never how: a closed vocabulary of facts and
// comparators, no expression language. What this package does not do: it
// evaluates nothing (package criteria does) and imports no engine.
package rules
