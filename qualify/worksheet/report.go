package worksheet

import (
	"regexp"

	"airwarrant/qualify/criteria"
)

// reported lists the figures that the signed report prints, each as it is
// printed and with its place.
func reported(in Input) Section {
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
