package worksheet

import (
	"strings"

	"airwarrant/qualify/criteria"
)

// walked is the six-minute walk with the distance that a reference equation
// predicts: information, on which no clause rests.
func walked(in Input) Section {
	s := Section{ID: "walk", Title: "Six-minute walk", Small: true, Table: &Table{Columns: []Column{{"What", .5, false}, {"Value", .5, false}}}}
	w := criteria.Walked(criteria.Facts{Named: in.Facts})
	if w == nil || w.Predicted == nil && w.Laps == nil && w.Stops == nil {
		return s // a distance alone stands among the conditions
	}
	add := func(what, value string) {
		s.Table.Rows = append(s.Table.Rows, Row{Cells: []Cell{{Text: what}, {Text: value}}})
	}
	how := ""
	if w.FromLaps {
		how = ", laps times their length"
	}
	add("Distance on room air", number(w.Distance)+" m"+how)
	if w.Laps != nil {
		add("Laps", number(w.Laps))
	}
	if w.Stops != nil {
		add("Stops", number(w.Stops))
	}
	if w.Dyspnea != nil {
		add("Dyspnea at the end, 0 to 10", number(w.Dyspnea))
	}
	if w.Predicted != nil {
		add("Predicted distance, and its lower limit", number(w.Predicted)+" m, "+number(w.Lower)+" m")
		add("Distance in percent of predicted", cut(w.Percent, 1)+" %")
	}
	s.Lead = "For information: no clause rests on it."
	s.After = strings.Join(append(w.Notes, "Equation: "+criteria.WalkSource+"."), " ")
	return s
}
