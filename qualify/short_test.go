package qualify_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"airwarrant/qualify"
	"airwarrant/qualify/criteria"
	"airwarrant/rules"
)

// TestShortRecordingQualifiesWithAWarning is case 23 of our list of boundary
// cases (our reading): twelve minutes at or below 88 % meet the criteria in a
// recording under two hours, which is told.
func TestShortRecordingQualifiesWithAWarning(t *testing.T) {
	lib, err := rules.Embedded()
	if err != nil {
		t.Fatal(err)
	}
	facts, err := criteria.ParseFacts([]byte("{test_date: 2024-03-13, test_state: asleep, test_place: home, test_performed_by: idtf, supplier_part: none, custody: sent_by_tester, "+
		"order_date: 2024-03-10, ordered_by_treating_practitioner: true, evaluated_by_treating_practitioner: true, expected_benefit: true, inpatient: false, "+
		"test_oxygen: room_air, sleep_apnea: false, awake_spo2: 92}\n"), "facts.yaml")
	if err != nil {
		t.Fatal(err)
	}
	for seconds, want := range map[int]bool{7199: true, 7200: false} {
		var b strings.Builder
		b.WriteString("Time,SpO2,Pulse\n")
		for i := range seconds {
			spo2 := 94 + i/7%3
			if i >= 3000 && i < 3720 {
				spo2 = 87 + i/11%2
			}
			fmt.Fprintf(&b, "%s,%d,%d\n", time.Date(2024, 3, 13, 1, 0, i, 0, time.UTC).Format("2006-01-02 15:04:05"), spo2, 60+i/5%4)
		}
		res, err := qualify.Check(qualify.Query{Criteria: []string{"us-medicare"}, Facts: facts, Sources: []qualify.Source{{Name: "night", Data: []byte(b.String())}}}, lib)
		if err != nil {
			t.Fatal(err)
		}
		d := res.Determinations[0]
		told := slices.ContainsFunc(d.Notes, func(s string) bool { return strings.Contains(s, "119.98 min of readings") })
		if d.Outcome != criteria.Qualifies || told != want {
			t.Errorf("%d s: expected qualifies, short %v; found %s, because %s, notes %q, needs %v", seconds, want, d.Outcome, d.Because, d.Notes, d.Needs)
		}
	}
}
