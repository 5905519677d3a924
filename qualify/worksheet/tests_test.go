package worksheet

import (
	"strings"
	"testing"

	"airwarrant/qualify/criteria"
)

// TestAllTestsListed checks that a worksheet lists the tests as the
// determination has them, the failed ones too, and marks the one that decides.
func TestAllTestsListed(t *testing.T) {
	day := "2024-03-01"
	w := New(Input{Program: "p", Determination: criteria.Determination{Tests: []criteria.TestLine{
		{Name: "Gas", Date: &day, State: "rest", Method: "blood gas", Version: "2023-04-01", Outcome: criteria.DoesNotQualify, Why: "Another test at rest counts."},
		{Name: "both at once", State: "rest", Method: "both", Outcome: criteria.Qualifies, Decides: true, Why: "The most recent."},
		{Name: "nothing", Outcome: criteria.Undetermined, Why: "Open."},
	}}})
	s := w.Section("tests")
	if s == nil || len(s.Table.Rows) != 3 {
		t.Fatalf("found %+v", s)
	}
	for i, want := range []string{"Gas|2024-03-01|2023-04-01|At rest, blood gas|Criteria not met|Another test at rest counts.",
		"Both at once|not stated||At rest, blood gas and oximetry|Criteria met|The most recent.", "Nothing|not stated||–|Open|Open."} {
		c := s.Table.Rows[i].Cells
		if got := strings.Join([]string{c[0].Text, c[1].Text, c[1].Sub, c[2].Text, c[3].Mark.Word, c[4].Text}, "|"); got != want {
			t.Errorf("expected %s, found %s", want, got)
		}
		if s.Table.Rows[i].Strong != (i == 1) {
			t.Errorf("row %d: only the test that decides is strong", i)
		}
	}
	if s := New(Input{Program: "p"}).Section("tests"); s != nil {
		t.Error("a case of one test needs no list")
	}
}
