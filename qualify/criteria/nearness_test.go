package criteria

import (
	"math"
	"strings"
	"testing"

	"airwarrant/rules"
)

// TestNearnessIsToldOnBothSides checks that the caution of nearness is printed
// for a value above and below a limit alike, up to two points (measurement
// reference, section 3.8), and that no verdict hangs on it.
func TestNearnessIsToldOnBothSides(t *testing.T) {
	p := packOf(allOf("root", clause("rest", "rest_spo2", func(n *rules.Node) { n.AtOrBelow = quantities(t, "88 %") })))
	for value, want := range map[string]bool{"85": false, "86": true, "87.4": true, "88": true, "89": true, "90": true, "90.1": false, "91": false} {
		d := Determine(p, Facts{Named: stated(t, map[string]string{"rest_spo2": value})}, nil)
		if got := len(d.NearLimit) == 2 && strings.Contains(d.NearLimit[0], value+" % lies within 2 points of 88 %"); got != want || !want && len(d.NearLimit) > 0 {
			t.Errorf("%s: %q", value, d.NearLimit)
		}
		if (d.Outcome == Qualifies) != (value == "85" || value == "86" || value == "87.4" || value == "88") {
			t.Errorf("%s: %s", value, d.Outcome)
		}
	}
	// A night: the three times are printed where they fall on two sides.
	p = packOf(allOf("root", minutesAt88(t, "minutes", "5 min")))
	p.Reading = nightReading
	for profile, want := range map[string]string{
		"95 6h, 87 4m, 86 2m":  "2 min at or below 86 %, 6 min at or below 88 %, 6 min at or below 90 %",
		"95 6h, 88 4m, 90 2m":  "0 min at or below 86 %, 4 min at or below 88 %, 6 min at or below 90 %",
		"95 6h, 86 6m":         "",
		"95 6h, 91 6m, 88 10s": "",
	} {
		d := Determine(p, Facts{Night: night(t, profile)}, nil)
		if got := strings.Join(d.NearLimit, " "); want == "" && got != "" || !strings.Contains(got, want) {
			t.Errorf("%s: %q", profile, got)
		}
	}
}

// TestShiftedPressure checks the correction against statements of textbooks
// (from memory): a fall of pH by 0.1 lowers the standard pressure by a factor
// of about 0.91, a fever of one degree by about 0.946, and standard conditions
// change nothing.
func TestShiftedPressure(t *testing.T) {
	for _, c := range []struct{ ph, celsius, co2, factor float64 }{
		{7.40, 37, 40, 1}, {0, 0, 0, 1}, {7.30, 0, 0, 0.912}, {7.50, 0, 0, 1.096}, {0, 38, 0, 0.946}, {0, 0, 80, 0.959},
	} {
		if got := ShiftedPressure(60, c.ph, c.celsius, c.co2) / 60; math.Abs(got-c.factor) > 0.001 {
			t.Errorf("%+v: factor %.4f", c, got)
		}
	}
	// Acid blood explains a pair that standard conditions do not.
	odd := map[string]string{"rest_pao2": "60 mmHg", "rest_spo2": "85"}
	if len(GasNotes(Facts{Named: stated(t, odd)})) != 1 {
		t.Error("60 mmHg beside 85 % is odd at pH 7.40")
	}
	odd["gas_ph"] = "7.22"
	if n := GasNotes(Facts{Named: stated(t, odd)}); len(n) != 0 {
		t.Errorf("at pH 7.22 it is not: %q", n)
	}
	odd["rest_sao2"], odd["gas_kind"] = "95", "capillary"
	if n := GasNotes(Facts{Named: stated(t, odd)}); len(n) != 2 || !strings.Contains(n[0], "the pH, temperature and carbon dioxide") || !strings.Contains(n[1], "capillary") {
		t.Errorf("found %q", n)
	}
}
