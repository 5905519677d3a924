package qualify

import (
	"math/big"
	"strings"
	"testing"

	"airwarrant/qualify/criteria"
	"airwarrant/qualify/worksheet"
	"airwarrant/rules"
)

// TestCriticalStandsWhateverTheVerdict: recordings, typed values and reports
// are judged on every plausible reading, with how long, how doubtful and how
// old; the limit is the house's own (80 %, our choice) and can be set or
// turned off.
func TestCriticalStandsWhateverTheVerdict(t *testing.T) {
	lib := shippedPacks(t)
	today := rules.Date{Year: 2024, Month: 3, Day: 20}
	low := Source{Name: "night", Data: reportedNight()} // session 2 holds 80 % for 92 s
	for _, c := range []struct {
		name, facts string
		limit       *worksheet.CriticalLimit
		sources     []Source
		want        []string // of the alert; none: no alert
	}{
		{"typed, criteria met", "test_date: 2024-03-13\ntest_state: rest\nrest_spo2: 79\n", nil, nil, []string{"79 %", "7 days old", "80 %, our choice"}},
		{"typed, above", "test_date: 2024-03-13\ntest_state: rest\nrest_spo2: 81\n", nil, nil, nil},
		{"typed, another limit", "test_date: 2024-03-13\ntest_state: rest\nrest_spo2: 81\n", &worksheet.CriticalLimit{AtOrBelow: big.NewRat(82, 1), Source: "house"}, nil, []string{"81 %", "82 %, house"}},
		{"off", "test_date: 2024-03-13\ntest_state: rest\nrest_spo2: 60\n", &worksheet.CriticalLimit{}, nil, nil},
		{"report alone", "test_date: 2024-03-20\ntest_state: asleep\nreport: [{measure: nadir, value: 74, unit: \"%\"}]\n", nil, nil, []string{"signed report: 74 %", "test of today"}},
		{"report, time", "test_state: asleep\nreport: [{measure: time_below, spo2: 80, value: 1.5, unit: min}]\n", nil, nil, []string{"1 min 30 s at or below 80 %", "day of the test is not known"}},
		{"report, mean alone", "test_state: asleep\nreport: [{measure: mean_spo2, value: 79.5, unit: \"%\"}]\n", nil, nil, []string{"signed report: 79.5 %"}},
		{"report, mean above", "test_state: asleep\nreport: [{measure: mean_spo2, value: 80.5, unit: \"%\"}]\n", nil, nil, nil},
		{"report, one run", "test_state: asleep\nreport: [{measure: longest_at_or_below, spo2: 80, value: 0.5, unit: min}]\n", nil, nil, []string{"30 s at or below 80 %"}},
		{"report, share", "test_state: asleep\nreport: [{measure: share_at_or_below, spo2: 78, value: 0.4, unit: \"%\"}]\n", nil, nil, []string{"hare of time at or below 78 % printed as 0.4 % on the signed report, lowest reading at most: 78 %"}},
		{"report, share of nothing", "test_state: asleep\nreport: [{measure: share_below, spo2: 78, value: 0.0, unit: \"%\"}]\n", nil, nil, nil},
		{"report, share of another level", "test_state: asleep\nreport: [{measure: share_below, spo2: 81, value: 2.0, unit: \"%\"}]\n", nil, nil, nil},
		{"session 1", "test_date: 2024-03-13\ntest_state: asleep\nsession_choice: 1\n", nil, []Source{low}, nil},
		{"session 2", "test_date: 2024-03-13\ntest_state: asleep\nsession_choice: 2\n", nil, []Source{low}, []string{"owest reading 80 %, 1 min 32 s at or below 80 %, none of it doubted"}},
		{"session not chosen", "test_date: 2024-03-13\ntest_state: asleep\n", nil, []Source{low}, []string{"ession 2 of recording 1, of which nobody has said yet whose it is"}},
		{"another test of a list", "tests:\n  - {name: walk, test_state: exertion, test_date: 2024-03-01, exertion_spo2_air: 77}\n  - {name: chair, test_state: rest, test_date: 2024-03-02, rest_spo2: 87}\n", nil, nil, []string{"nother test: ", "77 %", "19 days old"}},
	} {
		facts, err := criteria.ParseFacts([]byte(conditions+c.facts), "f.yaml")
		if err != nil {
			t.Fatal(err)
		}
		res, err := Check(Query{Facts: facts, Criteria: []string{"us-medicare"}, Sources: c.sources, Today: today, Critical: c.limit}, lib)
		if err != nil {
			t.Fatal(err)
		}
		alerts := strings.Join(res.Worksheet(0, Paper{}).Alerts, " ")
		var out strings.Builder
		if err := res.WriteJSON(&out); err != nil {
			t.Fatal(err)
		}
		if got := strings.Contains(out.String(), `"critical": {`); got != (len(c.want) > 0) || (alerts == "") != (len(c.want) == 0) {
			t.Errorf("%s: in JSON %v, alert %q", c.name, got, alerts)
		}
		for _, w := range c.want {
			if !strings.Contains(alerts, w) {
				t.Errorf("%s: %q lacks %q", c.name, alerts, w)
			}
		}
		if len(c.want) > 0 && (!strings.Contains(alerts, "tell the treating practitioner now, whatever the verdict; in an emergency call the emergency number") || !strings.Contains(alerts, "Nobody is entered as told yet")) {
			t.Errorf("%s: %q", c.name, alerts)
		}
	}
}

// TestCriticalKeepsOthersFiguresBack: of a download of several people's nights
// the alert shows no figure before somebody has said whose night it is.
func TestCriticalKeepsOthersFiguresBack(t *testing.T) {
	lib := shippedPacks(t)
	facts, err := criteria.ParseFacts([]byte("custody: sent_by_tester\n"), "f.yaml")
	if err != nil {
		t.Fatal(err)
	}
	res, err := Check(Query{Facts: facts, Criteria: []string{"us-medicare"}, Sources: []Source{{Name: "night", Data: reportedNight()}}, Private: true}, lib)
	if err != nil {
		t.Fatal(err)
	}
	if len(res.CriticalFound) != 1 || res.CriticalFound[0].Lowest != nil || !strings.Contains(res.CriticalFound[0].From, "nobody has said yet") {
		t.Errorf("found %+v", res.CriticalFound)
	}
}
