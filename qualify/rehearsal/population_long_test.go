//go:build long

package rehearsal_test

import "testing"

// TestKnownAnswerLong is TestKnownAnswer on as many cases as a large house has.
func TestKnownAnswerLong(t *testing.T) { knownAnswer(t, 100_000) }
