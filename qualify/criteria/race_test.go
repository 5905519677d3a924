//go:build race

package criteria

// raced says that the race detector watches: it looks at what goroutines
// share, for which fewer random cases do.
const raced = true
