package qualify

import (
	"fmt"
	"math/big"
	"math/rand/v2"
	"strings"
	"testing"

	"airwarrant/qualify/criteria"
)

// reportedNight is a night of 4 s rows after which a second session follows two
// hours later: minutes at 94 %, then the given ones; a gap of five minutes
// after the first hour, and six doubtful rows on a pulse that is absent.
func reportedNight() []byte {
	var b strings.Builder
	b.WriteString("time_s,spo2,pulse\n")
	row := func(t, spo2 int, pulse string) { fmt.Fprintf(&b, "%d,%d,%s\n", t, spo2, pulse) }
	for i := range 900 { // one hour: 10 min at 87, 2 min at 88, the rest 94
		v := 94
		switch {
		case i < 150:
			v = 87
		case i < 180:
			v = 88
		}
		row(4*i, v, fmt.Sprint(70+i%3))
	}
	for i := range 900 { // a gap of 5 min, then an hour
		t := 3600 + 300 + 4*i
		if i < 6 {
			row(t, 86, "0") // doubted
			continue
		}
		row(t, 95, fmt.Sprint(71+i%3))
	}
	for i := range 450 { // another session: 90 s at 80
		v := 93
		if i < 23 {
			v = 80
		}
		row(20000+4*i, v, fmt.Sprint(72+i%3))
	}
	return []byte(b.String())
}

// TestReconciliation explains differences between a signed report and the
// recording (design section 2.3). Each printed figure is the recording's read
// in another way: the sums are arithmetic of the rows that are written above.
func TestReconciliation(t *testing.T) {
	lib := shippedPacks(t)
	const facts = conditions + "test_date: 2024-03-13\ntest_state: asleep\nawake_spo2: 93\nsession_choice: 1\n"
	for _, c := range []struct {
		figure, by, note string
		side             string
	}{
		// 150 rows of 87, 30 of 88 and 6 doubted of 86, 4 s each: 744 s, 12.4 min.
		{"{measure: time_at_or_below, spo2: 88, value: 12.4, unit: min}", "rounding", "own figure", "same"},
		{"{measure: time_at_or_below, spo2: 88, value: 12, unit: min}", "rounding", "rounded to the decimals", "same"},
		{"{measure: time_at_or_below, spo2: 88, value: 13, unit: min}", "rounding", "cut off, or rounded up", "same"},
		{"{measure: time_at_or_below, spo2: 88, value: 12.0, unit: min}", "artifacts", "doubtful readings left out", "same"},
		{"{measure: time_at_or_below, spo2: 88, value: 10.40, unit: min}", "level", "time below 88 %", "same"},
		{"{measure: time_at_or_below, spo2: 88, value: 744, unit: s}", "rounding", "", "same"},
		{"{measure: time_at_or_below, spo2: 88, value: 92, unit: s}", "session", "session 2", "other"},
		{"{measure: time_at_or_below, spo2: 88, value: 13.93, unit: min}", "session", "all sessions", "same"},
		{"{measure: nadir, value: 86, unit: \"%\"}", "rounding", "", ""},
		{"{measure: nadir, value: 87, unit: \"%\"}", "artifacts", "doubtful readings left out", ""},
		{"{measure: nadir, value: 80, unit: \"%\"}", "session", "session 2", ""},
		{"{measure: share_below, spo2: 90, value: 9.92, unit: \"%\"}", "denominator", "", ""},
		{"{measure: valid_time, value: 125, unit: min}", "interval", "was not read", "same"},
		{"{measure: time_at_or_below, spo2: 88, value: 44, unit: min}", "", "Nothing that was tried", "same"},
		{"{measure: time_at_or_below, spo2: 88, value: 1.2, unit: min}", "", "Nothing that was tried", "other"},
	} {
		res := checkFacts(t, lib, facts+"report:\n  - "+c.figure+"\n", Source{Name: "night", Data: reportedNight()})
		d := res.Determinations[0]
		if len(d.Reconciliation) != 1 {
			t.Fatalf("%s: found %+v", c.figure, d.Reconciliation)
		}
		r := d.Reconciliation[0]
		side := ""
		if r.SameSide != nil {
			side = map[bool]string{true: "same", false: "other"}[*r.SameSide]
		}
		if r.Explained != c.by || !strings.Contains(r.Note, c.note) || side != c.side {
			t.Errorf("%s: expected %q, %q, side %q; found %q, %q, side %q (recording %s)", c.figure, c.by, c.note, c.side, r.Explained, r.Note, side, r.Value.RatString())
		}
		if want := map[string]criteria.Outcome{"other": criteria.Undetermined}[c.side]; want != "" {
			asked := ""
			for _, n := range d.Needs {
				asked += n.Fact + ": " + n.Question + "\n"
			}
			if d.Outcome != want || !strings.Contains(asked, "corrected report") {
				t.Errorf("%s: expected %s and a corrected report asked, found %s: %s\n%s", c.figure, want, d.Outcome, d.Because, asked)
			}
		}
		if w := res.Worksheet(0, Paper{}).Section("report"); w == nil || w.Title != "Report and recording" || len(w.Table.Rows) != 1 {
			t.Errorf("%s: the worksheet lacks it: %+v", c.figure, w)
		}
	}
}

// TestReportPrintedFromTheRecordingIsRounding prints random figures of the
// recording itself with few decimals: each is explained by rounding, and the
// outcome is the one without the report unless a limit lies within the
// rounding.
func TestReportPrintedFromTheRecordingIsRounding(t *testing.T) {
	lib := shippedPacks(t)
	const facts = conditions + "test_date: 2024-03-13\ntest_state: asleep\nawake_spo2: 93\nsession_choice: 1\n"
	night := Source{Name: "night", Data: reportedNight()}
	plain := checkFacts(t, lib, facts, night)
	pack := plain.Packs[0]
	r := rand.New(rand.NewPCG(2, 6))
	for range 60 {
		measure := criteria.ReportMeasures[r.IntN(len(criteria.ReportMeasures))]
		level, at := (*big.Rat)(nil), ""
		if strings.Contains(measure, "below") {
			level = big.NewRat(int64(85+r.IntN(8)), 1)
			at = ", spo2: " + level.RatString()
		}
		_, v, _, ok := criteria.Measured(pack, plain.Analysis, measure, level)
		if !ok {
			t.Fatal(measure)
		}
		unit := "%"
		switch {
		case strings.HasPrefix(measure, "share"):
			v = new(big.Rat).Mul(v, big.NewRat(100, 1))
		case strings.Contains(measure, "time") || strings.Contains(measure, "longest"):
			unit, v = "min", new(big.Rat).Quo(v, big.NewRat(60, 1))
		}
		figure := fmt.Sprintf("{measure: %s%s, value: %s, unit: %q}", measure, at, v.FloatString(r.IntN(3)), unit)
		res := checkFacts(t, lib, facts+"report:\n  - "+figure+"\n", night)
		d := res.Determinations[0]
		if x := d.Reconciliation[0]; x.Explained != "rounding" {
			t.Errorf("%s: %q, %s", figure, x.Explained, x.Note)
		}
		if d.Outcome != plain.Determinations[0].Outcome {
			t.Errorf("%s: %s, without the report %s: %s", figure, d.Outcome, plain.Determinations[0].Outcome, d.Because)
		}
	}
}
