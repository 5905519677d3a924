package worksheet

import (
	"regexp"

	"airwarrant/qualify/criteria"
)

// reported lists the figures that the signed report prints, each as it is
// printed and with its place.
func reported(in Input) Section {
	if len(in.Determination.Reconciliation) > 0 {
		return reconciled(in)
	}
	s := Section{ID: "report", Title: "Figures of the signed report",
		Table: &Table{Columns: []Column{{"Figure", .4, false}, {"As printed", .18, true}, {"Where it stands", .42, false}}}}
	fact, ok := criteria.Facts{Named: in.Facts}.Known("report")
	if !ok {
		return s
	}
	if in.Analysis == nil && len(in.Legs) == 0 {
		s.Lead = "Recording not seen."
	}
	for _, r := range fact.Value.Report {
		s.Table.Rows = append(s.Table.Rows, Row{Cells: []Cell{{Text: upper(r.What())}, {Text: r.Printed()}, {Text: reportedPlace(r)}}})
	}
	return s
}

// reconciled lays each figure of the signed report beside the recording.
func reconciled(in Input) Section {
	s := Section{ID: "report", Title: "Report and recording", Lead: "Both figures count. What explains a difference is a hint and changes no verdict.",
		Table: &Table{Columns: []Column{{"Figure", .24, false}, {"Report prints", .14, true}, {"Recording gives", .18, true}, {"Side of each limit", .14, false}, {"Why they may differ", .30, false}}}}
	fact, _ := criteria.Facts{Named: in.Facts}.Known("report")
	places := map[string]string{}
	for _, r := range fact.Value.Report {
		places[r.What()+r.Printed()] = reportedPlace(r)
	}
	apart := false
	for _, r := range in.Determination.Reconciliation {
		what := criteria.Reported{Measure: r.Measure, SpO2: r.SpO2}.What()
		given := Cell{Text: "not told"}
		if r.Value != nil {
			given.Text = number(r.Value) + " " + r.Unit
			if r.Low.Cmp(r.High) != 0 {
				given.Sub = number(r.Low) + " to " + number(r.High)
			}
		}
		side := Cell{Text: "no limit here"}
		if r.SameSide != nil {
			m := markSame
			if !*r.SameSide {
				m, apart = markDifferent, true
			}
			side = Cell{Mark: &m}
		}
		row := Row{Strong: r.SameSide != nil && !*r.SameSide, Cells: []Cell{{Text: upper(what), Sub: places[what+r.Printed]}, {Text: r.Printed}, given, side, {Text: r.Note}}}
		s.Table.Rows = append(s.Table.Rows, row)
	}
	if apart {
		s.After = "Where report and recording, or the bounds of the recording, fall on different sides of a limit, ask the tester for a corrected report, or for a judgement of the doubtful readings."
	}
	return s
}

var pointForm = regexp.MustCompile(`^([0-9.]+)%, ?([0-9.]+)%$`)

// reportedPlace says document, page and place; a point is told from the left
// and the top of the page.
func reportedPlace(r criteria.Reported) string {
	t := r.Document
	add := func(more string) {
		if t != "" {
			t += ", "
		}
		t += more
	}
	if r.Page != "" {
		add("page " + r.Page)
	}
	if m := pointForm.FindStringSubmatch(r.At); m != nil {
		add(m[1] + " % from the left, " + m[2] + " % from the top")
	} else if r.At != "" {
		add(r.At)
	}
	if t == "" {
		return "not stated"
	}
	return t
}
