package criteria

import (
	"math/big"
	"testing"

	"airwarrant/rules"
)

// TestComparatorsAtTheLimit checks each comparator at its figure and the
// smallest printed step each side.
func TestComparatorsAtTheLimit(t *testing.T) {
	cases := []struct {
		name               string
		set                func(*rules.Node, rules.Quantities)
		below, at, above   Verdict
		figure, low, upper string
	}{
		{"at_or_below", func(n *rules.Node, q rules.Quantities) { n.AtOrBelow = q }, Met, Met, NotMet, "88 %", "87.999", "88.001"},
		{"below", func(n *rules.Node, q rules.Quantities) { n.Below = q }, Met, NotMet, NotMet, "88 %", "87.999", "88.001"},
		{"at_least", func(n *rules.Node, q rules.Quantities) { n.AtLeast = q }, NotMet, Met, Met, "88 %", "87.999", "88.001"},
		{"more_than", func(n *rules.Node, q rules.Quantities) { n.MoreThan = q }, NotMet, NotMet, Met, "88 %", "87.999", "88.001"},
		{"equal_to", func(n *rules.Node, q rules.Quantities) { n.EqualTo = q }, NotMet, Met, NotMet, "88 %", "87.999", "88.001"},
	}
	for _, c := range cases {
		p := packOf(clause("leaf", "hematocrit", func(n *rules.Node) { c.set(n, quantities(t, c.figure)) }))
		for _, v := range []struct {
			text string
			want Verdict
		}{{c.low, c.below}, {"88", c.at}, {c.upper, c.above}} {
			d := Determine(p, Facts{Named: stated(t, map[string]string{"hematocrit": v.text})}, nil)
			if got := findingOf(t, d, "leaf").Outcome; got != v.want {
				t.Errorf("%s %s of %s: expected %s, found %s", c.name, c.figure, v.text, v.want, got)
			}
		}
	}
}

// TestPublishedBoundaries checks comparators and rounding on figures of
// published criteria: NCD 240.2 section B (88 %, 55 and 56 to 59 mmHg, hematocrit
// above 56 %, P wave above 3 mm, fall of pressure above 10 mmHg), read half up as
// the contractors' article "Numerical Rounding Rules for Medicare" (2012-10-26)
// has it for saturation, and the pairs 55 mmHg and 7.3 kPa of the British
// Thoracic Society's guideline on home oxygen (2015, from memory).
func TestPublishedBoundaries(t *testing.T) {
	atOrBelow := func(fact string, figures ...string) *rules.Node {
		return clause("leaf", fact, func(n *rules.Node) { n.AtOrBelow = quantities(t, figures...) })
	}
	moreThan := func(fact, figure string) *rules.Node {
		return clause("leaf", fact, func(n *rules.Node) { n.MoreThan = quantities(t, figure) })
	}
	band := clause("leaf", "rest_pao2", func(n *rules.Node) {
		n.AtLeast, n.AtOrBelow = quantities(t, "56 mmHg"), quantities(t, "59 mmHg")
	})
	is89 := clause("leaf", "rest_spo2", func(n *rules.Node) { n.EqualTo = quantities(t, "89 %") })
	either := func(n *rules.Node) *rules.Node { m := *n; m.Rounding = "either"; return &m }
	cases := []struct {
		node   *rules.Node
		level  string // reading.level of the pack
		value  string
		want   Verdict
		reason string
	}{
		{atOrBelow("rest_spo2", "88 %"), "half_up", "88", Met, "inclusive"},
		{atOrBelow("rest_spo2", "88 %"), "half_up", "88.4", Met, "reads 88"},
		{atOrBelow("rest_spo2", "88 %"), "half_up", "88.5", NotMet, "reads 89"},
		{atOrBelow("rest_spo2", "88 %"), "none", "88.4", NotMet, "not rounded"},
		{either(atOrBelow("rest_spo2", "88 %")), "none", "88.4", Unclear, "the readings differ"},
		{either(atOrBelow("rest_spo2", "88 %")), "none", "88.5", NotMet, "both readings fail"},
		{is89, "half_up", "88.5", Met, "reads 89"},
		{is89, "half_up", "89.5", NotMet, "reads 90"},
		{atOrBelow("rest_pao2", "55 mmHg"), "half_up", "55.4", Met, "reads 55"},
		{atOrBelow("rest_pao2", "55 mmHg"), "half_up", "55.5", NotMet, "reads 56"},
		{band, "half_up", "55.5", Met, "reads 56"},
		{band, "half_up", "59.4", Met, "reads 59"},
		{band, "half_up", "59.5", NotMet, "reads 60"},
		{band, "none", "55.5", NotMet, "between the bands"},
		{moreThan("hematocrit", "56 %"), "half_up", "56.0", NotMet, "strict"},
		{moreThan("hematocrit", "56 %"), "half_up", "56.1", Met, "no level, never rounded"},
		{either(moreThan("hematocrit", "56 %")), "half_up", "56.1", Unclear, "56 if read as a whole number"},
		{either(moreThan("hematocrit", "56 %")), "half_up", "56.5", Met, "57 if read as a whole number"},
		{either(moreThan("p_wave_height", "3 mm")), "none", "3.4", Unclear, "3 if read as a whole number"},
		{moreThan("p_wave_height", "3 mm"), "half_up", "3", NotMet, "strict"},
		{moreThan("p_wave_height", "3 mm"), "half_up", "3.5", Met, "above"},
		{moreThan("asleep_pao2_fall", "10 mmHg"), "half_up", "10", NotMet, "strict"},
		{moreThan("asleep_pao2_fall", "10 mmHg"), "half_up", "10.4", Met, "falls are never rounded"},
		{atOrBelow("rest_pao2", "55 mmHg", "7.3 kPa"), "none", "7.3 kPa", Met, "the figure in its own unit"},
		{atOrBelow("rest_pao2", "55 mmHg", "7.3 kPa"), "none", "7.32 kPa", NotMet, "not the other one converted (54.9 mmHg)"},
		{atOrBelow("rest_pao2", "55 mmHg", "7.3 kPa"), "half_up", "7.32 kPa", NotMet, "kPa are not read as whole numbers"},
		{atOrBelow("rest_pao2", "55 mmHg"), "none", "7.33 kPa", Met, "54.98 mmHg"},
		{atOrBelow("rest_pao2", "55 mmHg"), "none", "7.34 kPa", NotMet, "55.05 mmHg"},
		{atOrBelow("rest_pao2", "55 mmHg"), "half_up", "7.39 kPa", Met, "55.43 mmHg, reads 55"},
		{atOrBelow("rest_pao2", "55 mmHg"), "half_up", "7.4 kPa", NotMet, "55.50 mmHg, reads 56"},
		{band, "half_up", "7.39 kPa", NotMet, "55.43 mmHg, reads 55"},
		{band, "half_up", "7.4 kPa", Met, "55.50 mmHg, reads 56: no pressure lies between the bands"},
		{band, "half_up", "7.93 kPa", Met, "59.48 mmHg, reads 59"},
		{band, "half_up", "8.0 kPa", NotMet, "60.00 mmHg, reads 60"},
		{atOrBelow("rest_pao2", "7.3 kPa"), "half_up", "54 mmHg", Met, "7.20 kPa"},
		{atOrBelow("rest_pao2", "7.3 kPa"), "half_up", "55 mmHg", NotMet, "7.33 kPa; kPa are not read as whole numbers"},
	}
	for _, c := range cases {
		p := packOf(c.node)
		p.Reading.Level = c.level
		d := Determine(p, Facts{Named: stated(t, map[string]string{c.node.Fact: c.value})}, nil)
		if got := d.Clauses[0].Outcome; got != c.want {
			t.Errorf("%s = %s, read %s (%s): expected %s, found %s", c.node.Fact, c.value, c.level, c.reason, c.want, got)
		}
	}
}

// TestConvertedPressureInWords checks that a pressure in a unit that the
// document does not use is shown as it was stated, converted and read.
func TestConvertedPressureInWords(t *testing.T) {
	leaf := clause("gas", "rest_pao2", func(n *rules.Node) { n.AtOrBelow = quantities(t, "55 mmHg") })
	p := packOf(leaf)
	p.Reading.Level = "half_up"
	d := Determine(p, Facts{Named: stated(t, map[string]string{"rest_pao2": "7.4 kPa"})}, nil)
	if got := d.Clauses[0].Found; got != "7.4 kPa, which is 55.5 mmHg, read as 56 mmHg" {
		t.Errorf("found %q", got)
	}
}

// TestLevelCutCountsRoundedSamples checks that time below the cut is the time
// of the samples that, read half up, are at or below, or below, the level.
func TestLevelCutCountsRoundedSamples(t *testing.T) {
	for _, level := range []string{"87", "88", "87.5", "88.3"} {
		l := rat(t, level)
		for _, below := range []bool{false, true} {
			cut, strict := levelCut(l, below, true)
			for k := int64(8500); k <= 9000; k++ {
				x := big.NewRat(k, 100)
				c := halfUp(x).Cmp(l)
				want := c < 0 || c == 0 && !below
				got := x.Cmp(cut) < 0 || x.Cmp(cut) == 0 && !strict
				if got != want {
					t.Fatalf("level %s, below %v, sample %s: expected %v, found %v", level, below, x.FloatString(2), want, got)
				}
			}
		}
	}
}

// TestNumbersInWords checks that a printed figure never crosses a limit.
func TestNumbersInWords(t *testing.T) {
	five := []limit{{fig: big.NewRat(5, 1)}}
	cases := []struct{ num, want string }{{"5", "5"}, {"6.3", "6.3"}, {"4.999", "4.99"}, {"298/60", "4.96"}, {"5.001", "5.001"}, {"-0.001", "0"}, {"0", "0"}}
	for _, c := range cases {
		if got := readable(rat(t, c.num), five); got != c.want {
			t.Errorf("%s: expected %q, found %q", c.num, c.want, got)
		}
	}
}
