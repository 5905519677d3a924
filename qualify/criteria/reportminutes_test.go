package criteria

import (
	"os"
	"strings"
	"testing"

	"airwarrant/rules"
)

// A time typed beside the page of the signed report counts as the minutes of
// that report: with its printed decimals as bounds (design section 2.3: 5.0 min
// is 4.95 to 5.05), at the pack's level alone, and not where the supplier is
// barred.
func TestReportCountsAsReportedMinutes(t *testing.T) {
	lib, err := rules.Load(os.DirFS("../../rules/packs"))
	if err != nil {
		t.Fatal(err)
	}
	p, err := lib.InForce("us-medicare", rules.Date{Year: 2024, Month: 3, Day: 13})
	if err != nil {
		t.Fatal(err)
	}
	const conditions = `test_date: 2024-03-13
test_state: asleep
test_place: home
test_oxygen: room_air
test_performed_by: idtf
supplier_part: delivered_unit
order_date: 2024-03-01
ordered_by_treating_practitioner: true
evaluated_by_treating_practitioner: true
expected_benefit: true
inpatient: false
sleep_apnea: false
symptoms: false
awake_spo2: 93
`
	for _, c := range []struct {
		name, facts string
		want        Outcome
		asks        string // a fact that is asked, "" for none
	}{
		{"above the five minutes", "custody: order_on_file\nreport: [{measure: time_at_or_below, spo2: 88, value: 7.2, unit: min}]\n", Qualifies, ""},
		{"printed bounds straddle", "custody: order_on_file\nreport: [{measure: time_at_or_below, spo2: 88, value: 5.0, unit: min}]\n", Undetermined, ""},
		{"another level", "custody: order_on_file\nreport: [{measure: time_at_or_below, spo2: 90, value: 7.2, unit: min}]\n", Undetermined, "report "},
		// Readings are taken half up: 88.4 % is one of 88 %, 88.45 to 88.55 % may
		// be, and 89.6 % is above every level of these criteria.
		{"lowest reading that rounds to the level", "custody: order_on_file\nreport: [{measure: nadir, value: 88.4, unit: \"%\"}]\n", Undetermined, "reported_minutes"},
		{"lowest reading that may round to the level", "custody: order_on_file\nreport: [{measure: nadir, value: 88.5, unit: \"%\"}]\n", Undetermined, "reported_minutes"},
		{"lowest reading above every level", "custody: order_on_file\nreport: [{measure: nadir, value: 89.6, unit: \"%\"}]\n", DoesNotQualify, ""},
		{"barred", "custody: none\nreport: [{measure: time_at_or_below, spo2: 88, value: 7.2, unit: min}]\n", Undetermined, "recording"}, // whose result may not be read
	} {
		facts, err := ParseFacts([]byte(conditions+c.facts), "facts.yaml")
		if err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		d := Determine(p, Facts{Named: facts}, nil)
		asked := ""
		for _, n := range d.Needs {
			asked += n.Fact + " "
		}
		if d.Outcome != c.want || c.asks == "" && strings.Contains(asked, "reported_minutes") && c.want == Qualifies || !strings.Contains(asked, c.asks) {
			t.Errorf("%s: %s: %s; asked %s", c.name, d.Outcome, d.Because, asked)
		}
		if c.want == Qualifies && !strings.Contains(d.Because, "7.2") {
			t.Errorf("%s: the figure of the report does not stand in %q", c.name, d.Because)
		}
	}
}

// Two stated facts that cannot both hold leave what is computed from them
// unknown: the first of the two is asked again, with the reason, and no outcome
// hangs in the air without a question.
func TestStatedFactsThatDoNotGoTogether(t *testing.T) {
	lib, err := rules.Load(os.DirFS("../../rules/packs"))
	if err != nil {
		t.Fatal(err)
	}
	p, err := lib.InForce("us-ats-paed", rules.Date{Year: 2024, Month: 3, Day: 1})
	if err != nil {
		t.Fatal(err)
	}
	const child = `test_date: 2024-03-01
test_oxygen: room_air
test_state: asleep
chronic_hypoxemia: true
diagnosis: bronchopulmonary_dysplasia
first_spot_spo2: 93
second_spot_spo2: 93
third_spot_spo2: 93
`
	for birth, want := range map[string]bool{"2025-03-02": true, "2020-03-02": false} {
		facts, err := ParseFacts([]byte(child+"birth_date: "+birth+"\n"), "facts.yaml")
		if err != nil {
			t.Fatal(err)
		}
		d := Determine(p, Facts{Named: facts}, nil)
		asked := false
		for _, n := range d.Needs {
			asked = asked || n.Fact == "birth_date" && strings.Contains(n.Why, "do not go together")
		}
		if asked != want || (d.Outcome == Undetermined) != want {
			t.Errorf("born %s: %s, needs %+v", birth, d.Outcome, d.Needs)
		}
	}
}
