//go:build long

package criteria

import "testing"

// TestLongQuestions is the proof of questions on many more cases.
func TestLongQuestions(t *testing.T) {
	t.Run("cut", func(t *testing.T) { prove(t, 60, 3000) })
	t.Run("whole", func(t *testing.T) { proveWhole(t, 30, 20) })
}
