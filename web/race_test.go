//go:build race

package web

// raced says that the race detector watches. A test in one goroutine shows it
// nothing, and the slowest of these do their work without it alone.
const raced = true
