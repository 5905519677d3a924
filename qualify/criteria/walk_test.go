package criteria

import (
	"encoding/csv"
	"math/big"
	"os"
	"strings"
	"testing"
)

// TestPredictedWalkAgainstTheTable checks the reference equation against
// testdata/reference/measurement-6mwd.csv: ten rows worked by hand from the
// coefficients of Enright and Sherrill (Am J Respir Crit Care Med
// 1998;158:1384-1387); the distances to the lower limits are from memory.
func TestPredictedWalkAgainstTheTable(t *testing.T) {
	f, err := os.Open("../../testdata/reference/measurement-6mwd.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) != 11 {
		t.Fatalf("%d rows, expected ten and a header", len(rows))
	}
	for _, r := range rows[1:] {
		x := func(i int) *big.Rat { return rat(t, r[i]) }
		p, lower := PredictedWalk(r[0] == "M", x(1), x(2), x(3))
		if p.FloatString(2) != r[4] || lower.FloatString(2) != r[5] {
			t.Errorf("%v: %s m, limit %s m", r, p.FloatString(2), lower.FloatString(2))
		}
	}
}

func TestWalked(t *testing.T) {
	const person = "sex: male\nheight: 175\nweight: 80\nbirth_date: 1964-03-13\ntest_date: 2024-03-13\n"
	for _, c := range []struct {
		facts, distance, percent string
		note                     string
	}{
		{person + "walk_distance_air: 459", "459", "80.0", ""},
		{person + "walk_laps: 15\nwalk_lap_length: 30\nwalk_stops: 2", "450", "78.4", "stopped"},
		{person + "walk_distance_air: 459\nwalk_laps: 15\nwalk_lap_length: 30", "459", "80.0", ""},
		{person + "walk_distance_air: 459\nwalk_laps: 12\nwalk_lap_length: 30", "459", "80.0", "check both"},
		{"walk_distance_air: 459", "459", "", "needs sex"},
		{strings.ReplaceAll(person, "1964", "1984") + "walk_distance_air: 459", "459", "68.1", ""},
		{strings.ReplaceAll(person, "1964-03-13", "1984-03-14") + "walk_distance_air: 459", "459", "", "40 to 80 years"},
		{strings.ReplaceAll(person, "1964-03-13", "1943-03-13") + "walk_distance_air: 459", "459", "", "40 to 80 years"},
		{strings.ReplaceAll(strings.ReplaceAll(person, "175", "68.9 in"), "80\n", "176.37 lb\n") + "walk_distance_air: 459", "459", "80.0", ""},
		{person, "", "", ""},
	} {
		facts, err := ParseFacts([]byte(c.facts), "f.yaml")
		if err != nil {
			t.Fatalf("%s: %v", c.facts, err)
		}
		w := Walked(Facts{Named: facts})
		if w == nil {
			if c.distance != "" {
				t.Errorf("%s: no walk", c.facts)
			}
			continue
		}
		percent := ""
		if w.Percent != nil {
			percent = w.Percent.FloatString(1)
		}
		notes := strings.Join(w.Notes, " ")
		if w.Distance.FloatString(0) != c.distance || percent != c.percent || !strings.Contains(notes, c.note) || c.note == "" && notes != "" {
			t.Errorf("%s: %s m, %s %%, %q", c.facts, w.Distance.FloatString(0), percent, notes)
		}
	}
}
