package worksheet

import (
	"bytes"
	"strings"
	"testing"

	"airwarrant/qualify/criteria"
	"airwarrant/rules"
)

// Figures of a report stand with their decimals, their document, page and
// place, on the page and on paper alike.
func TestFiguresOfTheReport(t *testing.T) {
	in := sample("met")
	if in.Analysis == nil {
		t.Fatal("the sample has a recording")
	}
	if s := New(in).Section("report"); s != nil {
		t.Errorf("a section without figures: %+v", s)
	}
	fact, err := criteria.ParseValue("report", `
- {measure: time_at_or_below, spo2: 88, value: 7.20, unit: min, document: report 0a1b, page: 2, at: "47.5%,31%"}
- {measure: share_below, spo2: 90.5, value: 1.7, unit: "%", page: 2, at: fifth line}
- {measure: nadir, value: 81, unit: "%"}
`)
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range criteria.ReportMeasures {
		if criteria.ReportWords[m] == "" {
			t.Errorf("%s has no words", m)
		}
	}
	in.Facts["report"] = fact
	w := New(in)
	s := w.Section("report")
	if s == nil || s.Lead != "" || len(s.Table.Rows) != 3 {
		t.Fatalf("section %+v", s)
	}
	for i, want := range [][3]string{
		{"Time at or below 88 %", "7.20 min", "report 0a1b, page 2, 47.5 % from the left, 31 % from the top"},
		{"Share of time below 90.5 %", "1.7 %", "page 2, fifth line"},
		{"Lowest saturation", "81 %", "not stated"},
	} {
		for k, c := range s.Table.Rows[i].Cells {
			if c.Text != want[k] {
				t.Errorf("row %d: %q, want %q", i+1, c.Text, want[k])
			}
		}
	}
	var paper bytes.Buffer
	if err := w.WriteText(&paper); err != nil || !strings.Contains(paper.String(), "47.5 % from the left") {
		t.Errorf("on paper: %v", err)
	}
	in.Analysis, in.Recording = nil, nil
	if s := New(in).Section("report"); s == nil || s.Lead != "Recording not seen." {
		t.Errorf("without a recording: %+v", s)
	}
}

// A paper that the chart named is named in the language; a document as somebody
// typed it stays.
func TestPaperOfAFigureIsNamedInTheLanguage(t *testing.T) {
	l := rules.Language{Said: func(english string) (string, bool) {
		said, ok := map[string]string{"report": "informe", "page %s": "página %s"}[english]
		return said, ok
	}}
	for document, want := range map[string]string{
		"report 733108c1b5c6":  "informe 733108c1b5c6, página 2",
		"report 7 of the ward": "report 7 of the ward, página 2",
		"report":               "report, página 2",
	} {
		if got := reportedPlace(l, criteria.Reported{Document: document, Page: "2"}); got != want {
			t.Errorf("%q stands as %q, want %q", document, got, want)
		}
	}
}
