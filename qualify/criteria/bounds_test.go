package criteria

import (
	"math/big"
	"slices"
	"strings"
	"testing"

	"airwarrant/rules"
)

// between is a number that is only known between bounds.
func between(t testing.TB, name string, state State, low, num, high, unit string) Fact {
	t.Helper()
	return Fact{Name: name, State: state, Value: Value{Num: rat(t, num), Low: rat(t, low), High: rat(t, high), Unit: unit}}
}

// TestBoundsOfFigures checks what is computed from figures that are only known
// between bounds: the least and the greatest that any two of them give.
func TestBoundsOfFigures(t *testing.T) {
	for _, c := range []struct {
		fact          string
		parts         []Fact
		lo, value, hi string
	}{
		{"rest_spo2", []Fact{between(t, "rest_spo2", Computed, "88", "89", "91", "%")}, "88", "89", "91"},
		{"exertion_improvement", []Fact{
			between(t, "exertion_spo2_air", Computed, "84", "86", "87", "%"),
			between(t, "exertion_spo2_oxygen", Computed, "86", "90", "92", "%")}, "-1", "4", "8"},
		{"exertion_improvement", []Fact{
			between(t, "exertion_spo2_air", Computed, "84", "86", "87", "%"),
			{Name: "exertion_spo2_oxygen", State: Stated, Value: Value{Num: rat(t, "90"), Unit: "%"}}}, "3", "4", "6"},
		{"exertion_fall", []Fact{
			between(t, "rest_spo2", Computed, "92", "93", "94", "%"),
			between(t, "exertion_spo2_air", Computed, "84", "86", "87", "%")}, "5", "7", "10"},
		{"highest_spot_spo2", []Fact{
			between(t, "first_spot_spo2", Stated, "88", "89", "90", "%"),
			between(t, "second_spot_spo2", Stated, "87", "87", "93", "%"),
			between(t, "third_spot_spo2", Stated, "80", "80", "80", "%")}, "88", "89", "93"},
		{"average_flow", []Fact{
			between(t, "prescribed_flow", Stated, "1.5", "2", "2.5", "L/min"),
			between(t, "prescribed_flow_night", Stated, "4", "4", "5", "L/min")}, "2.75", "3", "3.75"},
		// 200 to 210 m and then 240 to 250 m: at least 240 after 210.
		{"walk_distance_gain", []Fact{
			between(t, "walk_distance_air", Stated, "200", "200", "210", "m"),
			between(t, "walk_distance_oxygen", Stated, "240", "240", "250", "m")}, "100/7", "20", "25"},
	} {
		s := source{pack: packOf(nil), facts: Facts{Named: map[string]Fact{}}}
		for _, f := range c.parts {
			s.facts.Named[f.Name] = f
		}
		d, _ := definition(c.fact)
		r, _ := s.read(d, zero, false)
		if !r.known || r.lo.Cmp(rat(t, c.lo)) != 0 || r.value.Cmp(rat(t, c.value)) != 0 || r.hi.Cmp(rat(t, c.hi)) != 0 {
			t.Errorf("%s: expected %s, %s, %s; found %v, %v, %v", c.fact, c.lo, c.value, c.hi, r.lo, r.value, r.hi)
		}
	}
}

// TestOneBoundAlone: a bound that is not given is the number itself.
func TestOneBoundAlone(t *testing.T) {
	v := Value{Num: big.NewRat(88, 1), Low: big.NewRat(86, 1)}
	if lo, hi := v.Bounds(); lo.Cmp(v.Low) != 0 || hi.Cmp(v.Num) != 0 {
		t.Errorf("expected 86 to 88, found %v to %v", lo, hi)
	}
}

// TestBoundsDecideOrAsk: where both ends of a figure fall on one side of a limit
// the clause is settled; else it is open, the figure itself is asked of who can
// tell, and the finding shows both ends.
func TestBoundsDecideOrAsk(t *testing.T) {
	low := clause("low", "exertion_spo2_air", func(n *rules.Node) { n.AtOrBelow = quantities(t, "88 %") })
	gain := clause("gain", "exertion_improvement", func(n *rules.Node) { n.MoreThan = quantities(t, "0 points") })
	p := packOf(allOf("root", low, gain))
	oxygen := func(low, num, high string) Fact {
		return between(t, "exertion_spo2_oxygen", Computed, low, num, high, "%")
	}
	for _, c := range []struct {
		name        string
		air, oxygen Fact
		want        Outcome
		asks        []string
		found       string
	}{
		{"both ends below", between(t, "exertion_spo2_air", Computed, "86", "87", "88", "%"), oxygen("90", "91", "92"), Qualifies, nil, "87 % (between 86 and 88 %)"},
		{"both ends above", between(t, "exertion_spo2_air", Computed, "89", "89", "90", "%"), oxygen("90", "91", "92"), DoesNotQualify, nil, "89 % (between 89 and 90 %)"},
		{"the limit between them", between(t, "exertion_spo2_air", Computed, "86", "89", "89", "%"), oxygen("90", "91", "92"), Undetermined, []string{"exertion_spo2_air"}, "89 % (between 86 and 89 %)"},
		{"the gain open", between(t, "exertion_spo2_air", Computed, "86", "87", "88", "%"), oxygen("88", "90", "92"), Undetermined, []string{"exertion_spo2_air", "exertion_spo2_oxygen"}, "87 % (between 86 and 88 %)"},
		{"a typed figure outside", between(t, "exertion_spo2_air", Stated, "87", "90", "90", "%"), oxygen("91", "91", "92"), Undetermined, []string{"exertion_spo2_air"}, "90 % (between 87 and 90 %)"},
	} {
		d := Determine(p, Facts{Named: map[string]Fact{"exertion_spo2_air": c.air, "exertion_spo2_oxygen": c.oxygen}}, nil)
		asks := asksOf(d)
		slices.Sort(asks)
		if d.Outcome != c.want || !slices.Equal(asks, c.asks) {
			t.Errorf("%s: expected %s and questions %v, found %s and %v", c.name, c.want, c.asks, d.Outcome, asks)
		}
		if f := findingOf(t, d, "low"); f.Found != c.found {
			t.Errorf("%s: expected %q, found %q", c.name, c.found, f.Found)
		}
		for _, n := range d.Needs {
			if n.Who != rules.Tester || !strings.HasPrefix(n.Why, "It is only known to lie between ") {
				t.Errorf("%s: expected the tester asked for a figure between bounds, found %s: %s", c.name, n.Who, n.Why)
			}
		}
	}
}
