package criteria

import (
	"fmt"
	"math/big"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"airwarrant/rules"
)

// TestToldByTheReport holds what a report tells of each measure: within the
// rounding of its decimals (design section 2.3), and by what follows from its
// other figures for certain. Every row is arithmetic of sets of readings.
func TestToldByTheReport(t *testing.T) {
	for _, c := range []struct {
		report, measure, level string
		want                   string // lo..hi in the unit of the measure, - for none; "" for nothing told
	}{
		{"time_at_or_below 88 7.2 min", "time_at_or_below", "88", "429..435"},
		{"time_at_or_below 88 7.2 min", "time_at_or_below", "89", "429..-"},
		{"time_at_or_below 88 7.2 min", "time_at_or_below", "87", "-..435"},
		{"time_below 89 7.2 min", "time_at_or_below", "88", "-..435"},
		{"time_below 88 7.2 min", "time_at_or_below", "88", "429..-"},
		{"time_at_or_below 88 7.2 min", "time_below", "88", "-..435"},
		{"time_at_or_below 87 7.2 min", "time_below", "88", "429..-"},
		{"nadir 89 %", "time_at_or_below", "88", "-..0"},
		{"nadir 88 %", "time_at_or_below", "88", ""},
		{"nadir 88.0 %", "time_below", "87.95", "-..0"},
		{"nadir 84 %", "longest_at_or_below", "83", "-..0"},
		{"longest_at_or_below 88 3 min", "time_at_or_below", "88", "150..-"},
		{"time_at_or_below 88 3 min", "longest_at_or_below", "88", "-..210"},
		{"time_at_or_below 85 3 min", "longest_at_or_below", "88", ""},
		{"share_below 90 12.0 %", "share_at_or_below", "89", "-..241/2000"},
		{"share_below 90 12.0 %", "time_at_or_below", "89", ""},
		{"time_at_or_below 88 0 min", "nadir", "", ""},
		{"time_at_or_below 88 1 min", "nadir", "", "-..88"},
		{"share_below 90 0.1 %", "nadir", "", "-..90"},
		{"mean_spo2 93.4 %", "mean_spo2", "", "1867/20..1869/20"},
		{"recorded_time 6.0 h", "valid_time", "", "-..21780"},
		{"recorded_time 6.0 h", "time_at_or_below", "88", "-..21780"},
		{"valid_time 5.0 h", "recorded_time", "", "17820..-"},
		{"nadir 100 %", "nadir", "", "199/2..100"},
		// Printed twice, or contradicted: either may be right.
		{"nadir 84 %; nadir 80 %", "nadir", "", "159/2..169/2"},
		{"nadir 92 %; time_at_or_below 88 10 min", "time_at_or_below", "88", "0..630"},
		{"time_at_or_below 88 3 min; time_at_or_below 85 10 min", "time_at_or_below", "88", "150..570"},
	} {
		var list []string
		for _, f := range strings.Split(c.report, "; ") {
			w := strings.Fields(f)
			level := ""
			if len(w) == 4 {
				level = ", spo2: " + w[1]
			}
			list = append(list, fmt.Sprintf("- {measure: %s%s, value: %s, unit: %q}", w[0], level, w[len(w)-2], w[len(w)-1]))
		}
		v, err := ParseValue("report", strings.Join(list, "\n"))
		if err != nil {
			t.Fatalf("%s: %v", c.report, err)
		}
		s := &source{pack: &rules.Pack{}, facts: Facts{Named: map[string]Fact{"report": v}}}
		d, _ := definition(c.measure)
		level := zero
		if c.level != "" {
			level = rat(t, c.level)
		}
		got := ""
		if x := s.told(d, level, false); x != nil {
			end := func(r *big.Rat) string {
				if r == nil {
					return "-"
				}
				return r.RatString()
			}
			got = end(x.lo) + ".." + end(x.hi)
		}
		if got != c.want {
			t.Errorf("%s: of %s %s expected %q, found %q", c.report, c.measure, c.level, c.want, got)
		}
		if faults := s.reportFaults(); (len(faults) > 0) != strings.Contains(c.report, ";") {
			t.Errorf("%s: faults %q", c.report, faults)
		}
	}
}

// TestReportOfARecordingIsConsistent prints reports from invented nights: no
// figure of such a report contradicts another, what it tells of any measure
// holds the night's own figure, and beside the night itself it changes no
// outcome unless its printed decimals do.
func TestReportOfARecordingIsConsistent(t *testing.T) {
	r := rand.New(rand.NewPCG(6, 2))
	for range 300 {
		var steps []string
		for range 1 + r.IntN(5) {
			steps = append(steps, fmt.Sprintf("%d %ds", 80+r.IntN(15), 30+r.IntN(900)))
		}
		night := night(t, strings.Join(steps, ", "))
		p := &rules.Pack{Reading: nightReading}
		own := &source{pack: p, facts: Facts{Night: night}}
		var list []string
		for _, m := range ReportMeasures {
			if r.IntN(2) == 0 {
				continue
			}
			d, _ := definition(m)
			level := big.NewRat(int64(80+r.IntN(15)), 1)
			x, _ := own.read(d, level, false)
			unit, of, places := "%", x.value, r.IntN(3)
			switch {
			case d.Type == rules.TypeDuration:
				unit, of = "min", convert(x.value, "s", "min")
			case x.unit == "":
				of = convert(x.value, "", "%")
			}
			text := "- {measure: " + m
			if d.Param != "" {
				text += ", spo2: " + level.RatString()
			}
			list = append(list, fmt.Sprintf("%s, value: %s, unit: %q}", text, of.FloatString(places), unit))
		}
		if len(list) == 0 {
			continue
		}
		v, err := ParseValue("report", strings.Join(list, "\n"))
		if err != nil {
			t.Fatal(err)
		}
		s := &source{pack: p, facts: Facts{Named: map[string]Fact{"report": v}}}
		if faults := s.reportFaults(); len(faults) > 0 {
			t.Fatalf("%s\n%s\n%q", strings.Join(steps, ", "), strings.Join(list, "\n"), faults)
		}
		for _, m := range ReportMeasures {
			d, _ := definition(m)
			for l := int64(79); l < 96; l++ {
				level := big.NewRat(l, 1)
				x, _ := own.read(d, level, false)
				told := s.told(d, level, false)
				if told == nil {
					continue
				}
				if told.lo != nil && x.value.Cmp(told.lo) < 0 || told.hi != nil && x.value.Cmp(told.hi) > 0 {
					t.Fatalf("%s\n%s\n%s at %d is %s, told %v", strings.Join(steps, ", "), strings.Join(list, "\n"), m, l, x.value.FloatString(4), told)
				}
				both := &source{pack: p, facts: Facts{Named: map[string]Fact{"report": v}, Night: night}}
				y, _ := both.read(d, level, false)
				if told.printed == "" && (y.lo.Cmp(x.lo) != 0 || y.hi.Cmp(x.hi) != 0) {
					t.Fatalf("%s at %d: what follows from the report widens the recording's own figure", m, l)
				}
			}
		}
	}
}

// TestReportBesideARecording checks that both count (design section 2.3): on
// one side of the limit the outcome stands, on two it is undetermined and the
// tester is asked for a corrected report. The custody rule bars both.
func TestReportBesideARecording(t *testing.T) {
	p := packOf(allOf("root",
		clause("low", "nadir", func(n *rules.Node) { n.AtOrBelow = quantities(t, "80 %") }),
		minutesAt88(t, "minutes", "5 min")))
	p.Reading = nightReading
	for _, c := range []struct {
		name, report, profile string
		want                  Outcome
		asks                  []string
		says                  string
	}{
		{"alike", "nadir 79 %; time_at_or_below 88 6.0 min", "95 6h, 79 6m", Qualifies, nil, ""},
		{"other figure, same side", "time_at_or_below 88 7.2 min", "95 6h, 79 6m", Qualifies, nil, "prints 7.2 min, 1.2 min more"},
		{"other side", "time_at_or_below 88 4.2 min", "95 6h, 79 6m", Undetermined, []string{"report"}, "1.8 min less"},
		{"other side of the lowest", "nadir 81 %", "95 6h, 79 6m", Undetermined, []string{"report"}, "prints 81 %, 2 points more"},
		{"by what follows", "nadir 92 %", "95 6h, 79 6m", Undetermined, []string{"report"}, "by the signed report, which prints lowest saturation 92 %"},
		{"alone", "nadir 79 %; time_at_or_below 88 6.0 min", "", Qualifies, nil, ""},
		{"alone, another level", "nadir 79 %; time_at_or_below 85 6.0 min", "", Qualifies, nil, ""},
		{"alone, a level that does not tell", "nadir 79 %; time_at_or_below 90 6.0 min", "", Undetermined, []string{"report"}, ""},
		{"alone, none low", "nadir 90 %", "", DoesNotQualify, nil, ""},
	} {
		var list []string
		for _, f := range strings.Split(c.report, "; ") {
			w := strings.Fields(f)
			level := ""
			if len(w) == 4 {
				level = ", spo2: " + w[1]
			}
			list = append(list, fmt.Sprintf("- {measure: %s%s, value: %s, unit: %q}", w[0], level, w[len(w)-2], w[len(w)-1]))
		}
		v, err := ParseValue("report", strings.Join(list, "\n"))
		if err != nil {
			t.Fatal(err)
		}
		f := Facts{Named: map[string]Fact{"report": v}}
		if c.profile != "" {
			f.Night = night(t, c.profile)
		}
		d := Determine(p, f, nil)
		if d.Outcome != c.want || !slices.Equal(asksOf(d), c.asks) || !strings.Contains(strings.Join(d.Notes, " "), c.says) {
			t.Errorf("%s: expected %s, %v asked and %q; found %s, %v and %q: %s", c.name, c.want, c.asks, c.says, d.Outcome, asksOf(d), d.Notes, d.Because)
		}
		if c.profile == "" && c.want == Qualifies && !strings.Contains(d.Because, notSeen) {
			t.Errorf("%s: %q does not say that the recording was not seen", c.name, d.Because)
		}
		if strings.HasPrefix(c.name, "alone, a level") && !strings.Contains(d.Needs[0].Question, "time at or below 88 %") {
			t.Errorf("the question does not name the level: %q", d.Needs[0].Question)
		}
		p.Custody = &rules.Custody{Accepts: []string{"release_signed"}, Who: "x"}
		if d := Determine(p, f, nil); d.Outcome != Undetermined || !d.CustodyBarred {
			t.Errorf("%s: barred, and yet %s", c.name, d.Outcome)
		}
		p.Custody = nil
	}
}
