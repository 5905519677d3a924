package worksheet

import (
	"regexp"

	"airwarrant/qualify/criteria"
)

// ReportWords are the measures of criteria.ReportMeasures in the words of
// worksheets and pages; a level, where there is one, stands behind them.
var ReportWords = map[string]string{
	"time_at_or_below": "time at or below", "time_below": "time below", "longest_at_or_below": "longest time in one run at or below",
	"share_at_or_below": "share of time at or below", "share_below": "share of time below", "nadir": "lowest saturation", "mean_spo2": "mean saturation",
	"recorded_time": "time recorded", "valid_time": "time with a valid reading",
}

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
		what := upper(ReportWords[r.Measure])
		if r.SpO2 != nil {
			n, _ := r.SpO2.FloatPrec()
			what += " " + r.SpO2.FloatString(n) + " %"
		}
		s.Table.Rows = append(s.Table.Rows, Row{Cells: []Cell{{Text: what}, {Text: r.Value.FloatString(r.Places) + " " + r.Unit}, {Text: reportedPlace(r)}}})
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
