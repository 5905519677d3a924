package worksheet

import (
	"cmp"

	"airwarrant/qualify/criteria"
	"airwarrant/rules"
)

// outcomeMarks are the marks of what a test came to by itself.
var outcomeMarks = map[criteria.Outcome]Mark{
	criteria.Qualifies:      {"Criteria met", markMet.Symbol, markMet.Class},
	criteria.DoesNotQualify: {"Criteria not met", markNotMet.Symbol, markNotMet.Class},
	criteria.Undetermined:   {"Open", markUnclear.Symbol, markUnclear.Class},
}

// allTests lists every test of the patient in order of time, the failed ones
// too, and says which of them counts.
func allTests(l rules.Language, d criteria.Determination) Section {
	s := Section{ID: "tests", Title: l.Say("All tests of this patient"), Lead: l.Say("Each is judged by itself under the version in force on its day; nothing is added across tests."),
		Table: &Table{Columns: []Column{{l.Say("Test"), .28, false}, {l.Say("Date"), .13, false}, {l.Say("State, method"), .17, false}, {l.Say("By itself"), .15, false}, {l.Say("Whether it counts"), .27, false}}}}
	for _, t := range d.Tests {
		date := Cell{Text: l.Say("not stated"), Sub: t.Version}
		if t.Date != nil {
			date.Text = l.Stamp(*t.Date)
		}
		state := t.State
		if state == "rest" {
			state = "at rest"
		}
		state = l.Say(state)
		if method := cmp.Or(map[string]string{"both": "blood gas and oximetry"}[t.Method], t.Method); method != "" {
			if state != "" {
				state += ", "
			}
			state += l.Say(method)
		}
		name := t.Name
		if name == criteria.OwnTest {
			name = l.Say(name)
		}
		s.Table.Rows = append(s.Table.Rows, Row{Strong: t.Decides, Cells: []Cell{{Text: upper(name)}, date, {Text: orDash(upper(state))}, {Mark: outcomeMarks[t.Outcome].in(l)}, {Text: t.Why}}})
	}
	return s
}
