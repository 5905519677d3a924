package worksheet

import "airwarrant/qualify/criteria"

// outcomeMarks are the marks of what a test came to by itself.
var outcomeMarks = map[criteria.Outcome]Mark{
	criteria.Qualifies:      {"Criteria met", markMet.Symbol, markMet.Class},
	criteria.DoesNotQualify: {"Criteria not met", markNotMet.Symbol, markNotMet.Class},
	criteria.Undetermined:   {"Open", markUnclear.Symbol, markUnclear.Class},
}

// allTests lists every test of the patient in order of time, the failed ones
// too, and says which of them counts.
func allTests(d criteria.Determination) Section {
	s := Section{ID: "tests", Title: "All tests of this patient", Lead: "Each is judged by itself under the version in force on its day; nothing is added across tests.",
		Table: &Table{Columns: []Column{{"Test", .28, false}, {"Date", .13, false}, {"State, method", .17, false}, {"By itself", .15, false}, {"Whether it counts", .27, false}}}}
	for _, t := range d.Tests {
		date := Cell{Text: "not stated", Sub: t.Version}
		if t.Date != nil {
			date.Text = *t.Date
		}
		state := t.State
		if state == "rest" {
			state = "at rest"
		}
		if t.Method != "" {
			if state != "" {
				state += ", "
			}
			state += map[string]string{"both": "blood gas and oximetry"}[t.Method]
			if t.Method != "both" {
				state += t.Method
			}
		}
		mark := outcomeMarks[t.Outcome]
		s.Table.Rows = append(s.Table.Rows, Row{Strong: t.Decides, Cells: []Cell{{Text: upper(t.Name)}, date, {Text: orDash(upper(state))}, {Mark: &mark}, {Text: t.Why}}})
	}
	return s
}
