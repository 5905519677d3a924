package qualify

import (
	"os"
	"testing"

	"airwarrant/qualify/criteria"
	"airwarrant/rules"
)

// A list of tests is never passed over: with it the case stays open, and
// without it the same facts decide.
func TestSeveralTestsLeaveTheCaseOpen(t *testing.T) {
	lib, err := rules.Load(os.DirFS("../rules/packs"))
	if err != nil {
		t.Fatal(err)
	}
	const stated = `test_date: 2024-03-13
test_state: rest
test_place: facility
test_oxygen: room_air
test_performed_by: hospital
ordered_by_treating_practitioner: true
evaluated_by_treating_practitioner: true
expected_benefit: true
inpatient: false
rest_spo2: 88
`
	for text, want := range map[string]criteria.Outcome{
		stated: criteria.Qualifies,
		stated + "tests:\n  - {name: later, test_date: 2024-03-20, test_state: rest, rest_spo2: 93}\n": criteria.Undetermined,
	} {
		facts, err := criteria.ParseFacts([]byte(text), "facts.yaml")
		if err != nil {
			t.Fatal(err)
		}
		res, err := Check(Query{Facts: facts, Criteria: []string{"us-medicare"}}, lib)
		if err != nil {
			t.Fatal(err)
		}
		d := res.Determinations[0]
		if d.Outcome != want || want == criteria.Undetermined && (len(d.Needs) == 0 || d.Needs[0].Fact != "tests" || len(d.Allows)+len(d.FollowUp)+len(d.Consequences) > 0) {
			t.Errorf("%s\n%s: %s; asked %+v; allows %v", text, d.Outcome, d.Because, d.Needs, d.Allows)
		}
	}
}
