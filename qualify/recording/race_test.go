//go:build race

package recording_test

// allocationSlack: the race detector makes pools forget what they hold, so
// that the same work allocates more.
const allocationSlack = 2
