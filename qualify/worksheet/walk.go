package worksheet

import (
	"strings"

	"airwarrant/qualify/criteria"
)

// walked is the six-minute walk with the distance that a reference equation
// predicts: information, on which no clause rests.
func walked(in Input) Section {
	l := in.Language
	s := Section{ID: "walk", Title: l.Say("Six-minute walk"), Small: true, Table: &Table{Columns: []Column{{l.Say("What"), .5, false}, {l.Say("Value"), .5, false}}}}
	w := criteria.Walked(criteria.Facts{Named: in.Facts, Language: l})
	if w == nil || w.Predicted == nil && w.Laps == nil && w.Stops == nil {
		return s // a distance alone stands among the conditions
	}
	add := func(what, value string) {
		s.Table.Rows = append(s.Table.Rows, Row{Cells: []Cell{{Text: what}, {Text: value}}})
	}
	distance := number(l, w.Distance) + " m"
	if w.FromLaps {
		distance = l.Say("%s, laps times their length", distance)
	}
	add(l.Say("Distance on room air"), distance)
	if w.Laps != nil {
		add(l.Say("Laps"), number(l, w.Laps))
	}
	if w.Stops != nil {
		add(l.Say("Stops"), number(l, w.Stops))
	}
	if w.Dyspnea != nil {
		add(l.Say("Dyspnea at the end, 0 to 10"), number(l, w.Dyspnea))
	}
	if w.Predicted != nil {
		add(l.Say("Predicted distance, and its lower limit"), number(l, w.Predicted)+" m, "+number(l, w.Lower)+" m")
		add(l.Say("Distance in percent of predicted"), cut(l, w.Percent, 1)+" %")
	}
	s.Lead = l.Say("For information: no clause rests on it.")
	s.After = strings.Join(append(w.Notes, l.Say("Equation: %s.", l.Say(criteria.WalkSource))), " ")
	return s
}
