package worksheet

import (
	"regexp"

	"airwarrant/qualify/criteria"
	"airwarrant/rules"
)

// reported lists the figures that the signed report prints, each as it is
// printed and with its place.
func reported(in Input) Section {
	l := in.Language
	if len(in.Determination.Reconciliation) > 0 {
		return reconciled(in)
	}
	s := Section{ID: "report", Title: l.Say("Figures of the signed report"),
		Table: &Table{Columns: []Column{{l.Say("Figure"), .4, false}, {l.Say("As printed"), .18, true}, {l.Say("Where it stands"), .42, false}}}}
	fact, ok := criteria.Facts{Named: in.Facts}.Known("report")
	if !ok {
		return s
	}
	if in.Analysis == nil && len(in.Legs) == 0 {
		s.Lead = l.Say("Recording not seen.")
	}
	for _, r := range fact.Value.Report {
		s.Table.Rows = append(s.Table.Rows, Row{Cells: []Cell{{Text: upper(r.WhatIn(l))}, {Text: r.PrintedIn(l)}, {Text: reportedPlace(l, r)}}})
	}
	return s
}

// reconciled lays each figure of the signed report beside the recording.
func reconciled(in Input) Section {
	l := in.Language
	s := Section{ID: "report", Title: l.Say("Report and recording"), Lead: l.Say("Both figures count. What explains a difference is a hint and changes no verdict."),
		Table: &Table{Columns: []Column{{l.Say("Figure"), .24, false}, {l.Say("Report prints"), .14, true}, {l.Say("Recording gives"), .18, true}, {l.Say("Side of each limit"), .14, false}, {l.Say("Why they may differ"), .30, false}}}}
	fact, _ := criteria.Facts{Named: in.Facts}.Known("report")
	places := map[string]string{}
	for _, r := range fact.Value.Report {
		places[r.WhatIn(l)+r.PrintedIn(l)] = reportedPlace(l, r)
	}
	apart := false
	for _, r := range in.Determination.Reconciliation {
		what := criteria.Reported{Measure: r.Measure, SpO2: r.SpO2}.WhatIn(l)
		given := Cell{Text: l.Say("not told")}
		if r.Value != nil {
			given.Text = number(l, r.Value) + " " + l.Say(r.Unit)
			if r.Low.Cmp(r.High) != 0 {
				given.Sub = l.Say("%s to %s", number(l, r.Low), number(l, r.High))
			}
		}
		side := Cell{Text: l.Say("no limit here")}
		if r.SameSide != nil {
			m := markSame
			if !*r.SameSide {
				m, apart = markDifferent, true
			}
			side = Cell{Mark: m.in(l)}
		}
		row := Row{Strong: r.SameSide != nil && !*r.SameSide, Cells: []Cell{{Text: upper(what), Sub: places[what+r.Printed]}, {Text: r.Printed}, given, side, {Text: r.Note}}}
		s.Table.Rows = append(s.Table.Rows, row)
	}
	if apart {
		s.After = l.Say("Where report and recording, or the bounds of the recording, fall on different sides of a limit, ask the tester for a corrected report, or for a judgement of the doubtful readings.")
	}
	return s
}

// paperForm is how the chart names a paper: its kind, and how its hash begins.
var paperForm = regexp.MustCompile(`^(report|order|note|other) ([0-9a-f]{12})$`)

var pointForm = regexp.MustCompile(`^([0-9.]+)%, ?([0-9.]+)%$`)

// reportedPlace says document, page and place; a point is told from the left
// and the top of the page.
func reportedPlace(l rules.Language, r criteria.Reported) string {
	t := r.Document
	if m := paperForm.FindStringSubmatch(t); m != nil {
		t = l.Say(m[1]) + " " + m[2]
	}
	add := func(more string) {
		if t != "" {
			t += ", "
		}
		t += more
	}
	if r.Page != "" {
		add(l.Say("page %s", r.Page))
	}
	if m := pointForm.FindStringSubmatch(r.At); m != nil {
		add(l.Say("%s %% from the left, %s %% from the top", l.Number(m[1]), l.Number(m[2])))
	} else if r.At != "" {
		add(r.At)
	}
	if t == "" {
		return l.Say("not stated")
	}
	return t
}
