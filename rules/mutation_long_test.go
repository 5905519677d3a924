//go:build long

package rules_test

import "testing"

// Every mutant of every version is told by a case, or is listed with the
// reason why none can.
func TestLongMutation(t *testing.T) {
	mutate(t, func(mutant) bool { return true })
}
