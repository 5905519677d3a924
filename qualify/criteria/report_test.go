package criteria

import (
	"encoding/json"
	"errors"
	"fmt"
	"reflect"
	"strings"
	"testing"

	"airwarrant/rules"
)

const reportFile = `report:
  - {measure: time_at_or_below, spo2: 88, value: 7.20, unit: min, document: "report 0a1b", page: 2, at: "47.5%,31%"}
  - {measure: share_below, spo2: 90.5, value: 0, unit: "%"}
  - {measure: nadir, value: 81, unit: "%", page: "2", at: "the line: lowest"}
  - {measure: recorded_time, value: 7.5, unit: h}
`

// Figures of a report are read from a facts file, from the text of one value
// and from what was stored, each to the same value, decimals and all.
func TestReportRead(t *testing.T) {
	facts, err := ParseFacts([]byte(reportFile), "f.yaml")
	if err != nil {
		t.Fatal(err)
	}
	want := []Reported{
		{Measure: "time_at_or_below", SpO2: rat(t, "88"), Value: rat(t, "7.2"), Unit: "min", Places: 2, Document: "report 0a1b", Page: "2", At: "47.5%,31%"},
		{Measure: "share_below", SpO2: rat(t, "90.5"), Value: rat(t, "0"), Unit: "%"},
		{Measure: "nadir", Value: rat(t, "81"), Unit: "%", Page: "2", At: "the line: lowest"},
		{Measure: "recorded_time", Value: rat(t, "7.5"), Unit: "h", Places: 1},
	}
	got := facts["report"]
	if !reflect.DeepEqual(got.Value.Report, want) {
		t.Errorf("found %+v", got.Value.Report)
	}
	text := strings.ReplaceAll(strings.TrimPrefix(reportFile, "report:\n"), "\n  - ", "\n- ")
	typed, err := ParseValue("report", strings.TrimPrefix(text, "  "))
	if err != nil || !reflect.DeepEqual(typed, got) {
		t.Errorf("from text %+v, %v", typed, err)
	}
	raw, err := json.Marshal(got)
	if err != nil {
		t.Fatal(err)
	}
	var stored Fact
	if err := json.Unmarshal(raw, &stored); err != nil || !reflect.DeepEqual(stored, got) {
		t.Errorf("from %s: %+v, %v", raw, stored, err)
	}
}

func TestReportRefused(t *testing.T) {
	const good = `{measure: time_at_or_below, spo2: 88, value: 7.2, unit: min}`
	if _, err := ParseValue("report", "- "+good); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct{ text, key, want string }{
		{"", "", "nothing"},
		{"7.2", "", "a list of {measure"},
		{"[]", "", "a list of {measure"},
		{"- 7.2", "[0]", "{measure, spo2, value"},
		{strings.Repeat("- "+good+"\n", MaxReported+1), "", "at most 50 figures"},
		{"- {measure: lowest, value: 81, unit: \"%\"}", "[0].measure", "nadir"},
		{"- {measure: largest_fall, value: 8, unit: points}", "[0].measure", "reports print"},
		{"- {measure: time_below, value: 8, unit: min}", "[0].spo2", "none"},
		{"- {measure: nadir, spo2: 88, value: 81, unit: \"%\"}", "[0].spo2", "no level for nadir"},
		{"- {measure: time_below, spo2: 49.9, value: 8, unit: min}", "[0].spo2", "from 50 to 100 %"},
		{"- {measure: time_below, spo2: 100.1, value: 8, unit: min}", "[0].spo2", "from 50 to 100 %"},
		{"- {measure: time_below, spo2: 88%, value: 8, unit: min}", "[0].spo2", "a level in percent"},
		{"- {measure: time_below, spo2: 88, value: 8, unit: \"%\"}", "[0].unit", "min, s, h"},
		{"- {measure: share_below, spo2: 88, value: 8, unit: min}", "[0].unit", "the unit %"},
		{"- {measure: time_below, spo2: 88, value: 8}", "[0].unit", "the unit min"},
		{"- {measure: time_below, spo2: 88, unit: min}", "[0].value", "as it is printed"},
		{"- {measure: time_below, spo2: 88, value: \"7,2\", unit: min}", "[0].value", "a point for the comma"},
		{"- {measure: time_below, spo2: 88, value: -1, unit: min}", "[0].value", "not negative"},
		{"- {measure: time_below, spo2: 88, value: 168.1, unit: h}", "[0].value", "at most a week"},
		{"- {measure: nadir, value: 100.1, unit: \"%\"}", "[0].value", "from 0 to 100 %"},
		{"- {measure: nadir, value: 81, unit: \"%\", at: \"" + strings.Repeat("x", placeLimit+1) + "\"}", "[0].at", "at most 200 letters"},
		{"- {measure: nadir, value: 81, unit: \"%\", place: here}", "[0].place", "measure, spo2, value"},
		{"- {measure: nadir, value: 81, unit: \"%\", page: [1]}", "[0].page", "one line of text"},
	} {
		fact, err := ParseValue("report", tt.text)
		var problems rules.Problems
		switch {
		case err == nil:
			t.Errorf("%.60s: read as %+v", tt.text, fact.Value.Report)
		case !strings.Contains(err.Error(), tt.want):
			t.Errorf("%.60s: %v; want %q", tt.text, err, tt.want)
		case tt.key != "" && (!errors.As(err, &problems) || problems[0].Key != tt.key):
			t.Errorf("%.60s: %v; want it told of %s", tt.text, err, tt.key)
		}
	}
	for _, raw := range []string{`{"measure":"nadir","value":"x","unit":"%"}`, `{"measure":"nadir"}`, `[]`} {
		var r Reported
		if err := json.Unmarshal([]byte(raw), &r); err == nil || !reflect.DeepEqual(r, Reported{}) {
			t.Errorf("%s: %+v, %v", raw, r, err)
		}
	}
	empty := fmt.Sprintf(`{"name":"report","state":%q}`, Stated)
	if err := json.Unmarshal([]byte(empty), new(Fact)); err == nil {
		t.Error("a stored report without figures was read")
	}
}
