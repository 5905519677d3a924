package criteria

import (
	"encoding/csv"
	"math"
	"math/big"
	"os"
	"strconv"
	"testing"
)

// TestSaturationAtAgainstTheTable checks the curve against
// testdata/reference/measurement-odc.csv: the table of Severinghaus 1979
// (values quoted from the paper by a course problem where the row says read,
// from memory where it says memory), its equation 1 computed elsewhere, and
// Kelman's equation (J Appl Physiol 1966;21:1375-1376) as an independent fit.
func TestSaturationAtAgainstTheTable(t *testing.T) {
	f, err := os.Open("../../testdata/reference/measurement-odc.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	checked := 0
	for _, r := range rows[1:] {
		p := number(t, r[0])
		got := SaturationAt(p)
		if eq1 := number(t, r[4]); math.Abs(got-eq1) > 0.006 {
			t.Errorf("%s mmHg: %.3f %%, equation 1 in the table says %s", r[0], got, r[4])
		}
		if r[2] != "" {
			checked++
			// the paper states a fit within 0.55 points
			if table := number(t, r[2]); math.Abs(got-table) > 0.56 {
				t.Errorf("%s mmHg: %.2f %%, published table says %s (%s)", r[0], got, r[2], r[3])
			}
		}
		if kelman := number(t, r[5]); p >= 25 && math.Abs(got-kelman) > 1.2 {
			t.Errorf("%s mmHg: %.2f %%, Kelman's equation gives %s", r[0], got, r[5])
		}
	}
	if checked != 22 {
		t.Errorf("%d published values checked, the table has 22", checked)
	}
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func TestGasNotes(t *testing.T) {
	facts := func(gas int64, unit string, sat int64) Facts {
		return Facts{Named: map[string]Fact{
			"rest_pao2": {Name: "rest_pao2", State: Stated, Value: Value{Num: big.NewRat(gas, 10), Unit: unit, Places: 1}},
			"rest_spo2": {Name: "rest_spo2", State: Stated, Value: Value{Num: big.NewRat(sat, 1), Unit: "%"}},
		}}
	}
	// 55 mmHg goes with 88.2 % (equation 1).
	for _, c := range []struct {
		gas  int64
		unit string
		sat  int64
		want int
	}{
		{550, "mmHg", 88, 0},
		{550, "mmHg", 92, 0},
		{550, "mmHg", 93, 1},
		{550, "", 83, 1},
		{73, "kPa", 88, 0},
		{73, "kPa", 95, 1},
	} {
		if got := GasNotes(facts(c.gas, c.unit, c.sat)); len(got) != c.want {
			t.Errorf("%d tenths of %q with %d %%: %q, want %d notes", c.gas, c.unit, c.sat, got, c.want)
		}
	}
	if got := GasNotes(Facts{}); got != nil {
		t.Errorf("no facts: %q", got)
	}
}
