package criteria

import "airwarrant/rules/wording"

// ValueError says why a typed text is no value of a fact: what was expected and
// found, and the mend.
type ValueError struct {
	Fact string
	*fault
}

// Error names the fact and says the fault in English.
func (e *ValueError) Error() string { return e.Fact + ": " + e.fault.Error() }

// Said is the fault in its parts, without the name of the fact.
func (e *ValueError) Said() wording.Text { return e.fault.Said() }
