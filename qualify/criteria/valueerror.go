package criteria

import (
	"strings"

	"airwarrant/rules"
)

// ValueError says why a typed text is no value of a fact: what was expected and
// found, and the mend.
type ValueError struct {
	Fact  string
	def   *rules.FactDef
	fault *fault
}

// Error names the fact and says the fault in English.
func (e *ValueError) Error() string { return e.Fact + ": " + e.fault.Error() }

// Unwrap returns the fault without the name of the fact.
func (e *ValueError) Unwrap() error { return e.fault }

// In is the fault in a language, without the name of the fact. What was typed
// is quoted as it is, and words of the vocabulary and units stay.
func (e *ValueError) In(l rules.Language) string {
	expected := l.Say(e.fault.expected)
	if e.fault.expected == form(e.def) {
		expected = formIn(l, e.def)
	} else if known := append([]string{e.def.Unit}, e.def.Units...); e.fault.expected == unitForm(rules.Language{}, known) {
		expected = unitForm(l, known)
	}
	return l.Say("expected %s; found %s; %s", expected, e.fault.found, l.Say(e.fault.mend))
}

// form says what a fact of this type looks like.
func form(d *rules.FactDef) string { return formIn(rules.Language{}, d) }

func formIn(l rules.Language, d *rules.FactDef) string {
	switch d.Type {
	case rules.TypeBool, rules.TypePaper:
		return l.Say("true or false")
	case rules.TypeDate:
		return l.Say("a date as YYYY-MM-DD")
	case rules.TypeWord:
		return l.Say("one of %s", strings.Join(d.Words, ", "))
	case rules.TypeOxygen:
		return l.Say("room_air, or a flow in L/min")
	case rules.TypeList:
		return "a list of " + listForm(d.Name) // of a facts file, which is English
	}
	if d.Unit == "" {
		return l.Say("a number")
	}
	return l.Say("a number in %s", l.Say(d.Unit))
}

// unitForm names the units of a fact.
func unitForm(l rules.Language, units []string) string {
	return l.Say("the unit %s", strings.Join(units, l.Say(" or ")))
}
