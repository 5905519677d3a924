package criteria

import (
	"math/rand"
	"strings"
	"testing"

	"airwarrant/rules"
)

// A test that fails never leads to a further group: Group III and its modifier
// follow from an attested condition alone (the Medicare dossier, section 1.6),
// and one group alone gives the modifier of the group.
func TestFurtherGroupOnlyFromAnAttestedCondition(t *testing.T) {
	lib, err := rules.Embedded()
	if err != nil {
		t.Fatal(err)
	}
	r := rand.New(rand.NewSource(7))
	met, none, held := 0, 0, 0
	for _, p := range lib.History("us-medicare") {
		if p.FindClause("group-3") == nil {
			continue
		}
		for range 700 {
			f := Facts{Named: randomFacts(t, r, p)}
			// Most conditions hold, so that many tests reach the groups.
			for _, name := range []string{"ordered_by_treating_practitioner", "evaluated_by_treating_practitioner", "expected_benefit"} {
				f.Named[name] = Fact{Name: name, State: Stated, Value: Value{Bool: true}}
			}
			for name, word := range map[string]string{"test_performed_by": "hospital", "test_place": "facility", "test_state": "rest", "test_oxygen": "room_air", "request": "initial"} {
				if name == "test_state" && r.Intn(3) == 0 {
					continue
				}
				f.Named[name] = Fact{Name: name, State: Stated, Value: Value{Word: word}}
			}
			for _, name := range []string{"inpatient", "test_paid_by_supplier"} {
				f.Named[name] = Fact{Name: name, State: Stated}
			}
			delete(f.Named, "test_interpreted_by")
			d := Determine(p, f, nil)
			condition, stated := f.Known("distinct_condition")
			attested := stated && condition.Value.Bool
			modifiers := ""
			for _, c := range d.Consequences {
				if c.Kind == "modifier" && strings.Contains(c.Text, "(Group ") {
					modifiers += c.Text
					held++
				}
			}
			if strings.Count(modifiers, "(Group ") > 1 || d.Outcome != Qualifies && modifiers != "" {
				t.Fatalf("%s: %s, with the modifiers %q", p.File, d.Outcome, modifiers)
			}
			if strings.Contains(modifiers, "(Group III)") {
				met++
				if !attested {
					t.Fatalf("%s: Group III without an attested condition: %+v", p.File, f.Named)
				}
			}
			if d.Outcome == DoesNotQualify && !attested {
				none++
			}
		}
	}
	if met < 10 || none < 50 || held < 100 {
		t.Errorf("Group III held %d times, %d tests failed without it, %d modifiers: too few to tell", met, none, held)
	}
}
