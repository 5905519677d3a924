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

// testsFile is a list with every key of a test and every form of a fact.
const testsFile = `tests:
  - name: Night at home
    sha256: ` + sha + `
    session: 2
    test_date: 2030-03-13
    test_state: asleep
    test_oxygen: room_air
    sleep_apnea: unknown
  - {name: "Gas: \"clinic\", day 1 – ä", test_time: "09:30", test_date: 2030-03-14, test_state: rest, rest_pao2: {value: 7.30, unit: kPa}, inpatient: false}
  - name: Walk
    test_oxygen: {flow: 2.0}
    rest_spo2: {located: 91.0, document: "Note: page #2", date: 2030-03-01, page: 2, by: front desk}
    rest_pao2: {located: {value: 7.3, unit: kPa}, document: Gas}
    exertion_spo2_air: 86
`

// TestTestsRead checks that a list of tests is read from a facts file, from
// the text of one value and from what was stored, each to the same value.
func TestTestsRead(t *testing.T) {
	facts, err := ParseFacts([]byte(testsFile), "f.yaml")
	if err != nil {
		t.Fatal(err)
	}
	got := facts["tests"]
	tests := got.Value.Tests
	if len(tests) != 3 || tests[0].Session != 2 || tests[0].SHA256 != sha || tests[1].Time != "09:30" || tests[1].Name != `Gas: "clinic", day 1 – ä` {
		t.Fatalf("found %+v", tests)
	}
	want := map[string]Fact{
		"test_oxygen": {Name: "test_oxygen", State: Stated, Value: Value{Word: "oxygen", Num: rat(t, "2"), Unit: "L/min", Places: 1}},
		"rest_spo2": {Name: "rest_spo2", State: Located, Value: Value{Num: rat(t, "91"), Unit: "%", Places: 1},
			Place: &Place{Document: "Note: page #2", Date: rules.Date{Year: 2030, Month: 3, Day: 1}, Page: "2", By: "front desk"}},
		"rest_pao2":         {Name: "rest_pao2", State: Located, Value: Value{Num: rat(t, "7.3"), Unit: "kPa", Places: 1}, Place: &Place{Document: "Gas"}},
		"exertion_spo2_air": {Name: "exertion_spo2_air", State: Stated, Value: Value{Num: rat(t, "86"), Unit: "%"}},
	}
	if !reflect.DeepEqual(tests[2].Facts, want) {
		t.Errorf("expected %+v, found %+v", want, tests[2].Facts)
	}
	if tests[0].Facts["sleep_apnea"].State != Unknown || tests[1].Facts["rest_pao2"].Value.Places != 2 {
		t.Errorf("found %+v", tests[:2])
	}

	text, err := TestsText(tests)
	if err != nil {
		t.Fatal(err)
	}
	if back, err := ParseValue("tests", text); err != nil || !reflect.DeepEqual(back, got) {
		t.Errorf("%s\n%v: expected %+v, found %+v", text, err, got, back)
	}
	stored, err := json.Marshal(got)
	if err != nil {
		t.Fatal(err)
	}
	var back Fact
	if err := json.Unmarshal(stored, &back); err != nil || !reflect.DeepEqual(back, got) {
		t.Errorf("%s\n%v: expected %+v, found %+v", stored, err, got, back)
	}
	if _, err := TestsText([]Test{{Name: "a", Facts: map[string]Fact{"rest_spo2": {Name: "rest_spo2", State: Stated}}}}); err == nil {
		t.Error("a number without a figure was written")
	}
}

// TestTestsRefused checks where each mistake in a list of tests is told and
// the words that mend it, in the file and in what was stored.
func TestTestsRefused(t *testing.T) {
	many := strings.Builder{}
	for i := range MaxTests + 1 {
		fmt.Fprintf(&many, "- name: t%d\n", i)
	}
	for _, c := range []struct{ name, text, at, words string }{
		{"no list", "a: 1", "1:1", "for each test"},
		{"no test", "- name: a\n- b", "2:3", "write - {name:"},
		{"no name", "- test_state: rest", "1:3", "name: by which"},
		{"blank name", "- name: ' '", "1:3", "without blanks around it"},
		{"two lines", "- name: \"a\\nb\"", "1:3", "one line"},
		{"long name", "- name: " + strings.Repeat("ä", 101), "1:3", "at most 100 letters"},
		{"name of keys", "- name: {a: 1}", "1:9", "one line of text"},
		{"name twice", "- name: a\n- name: a", "2:3", "a name of its own"},
		{"hash", "- {name: a, sha256: abc}", "1:3", "64 digits"},
		{"session", "- {name: a, sha256: " + sha + ", session: 0}", "1:96", "from 1"},
		{"session in another spelling", "- {name: a, sha256: " + sha + ", session: 01}", "1:96", "from 1"},
		{"session of nothing", "- {name: a, session: 1}", "1:3", "which recording"},
		{"session twice", "- {name: a, sha256: " + sha + "}\n- {name: b, sha256: " + sha + "}", "2:3", "delete one"},
		{"hour", "- {name: a, test_time: '24:00'}", "1:3", "00 to 23"},
		{"fact", "- {name: a, rest_sp02: 88}", "1:13", `did you mean "rest_spo2"?`},
		{"key of a test", "- {name: a, test_tim: '10:00'}", "1:13", `did you mean "test_time"?`},
		{"value", "- {name: a, rest_spo2: 188}", "1:24", "0 to 100 %"},
		{"list in a list", "- {name: a, tests: []}", "1:13", "for the case"},
		{"whose birth", "- {name: a, birth_date: 1950-01-01}", "1:13", "for the case"},
		{"choice", "- {name: a, session_choice: 1}", "1:13", "write session:"},
		{"computed", "- {name: a, nadir: 80}", "1:13", "computed from recording"},
		{"many", many.String(), "1:1", "of one time of need"},
	} {
		f, err := ParseValue("tests", c.text)
		var ps rules.Problems
		if !errors.As(err, &ps) || !reflect.DeepEqual(f, Fact{}) {
			t.Errorf("%s: expected problems and no fact, found %v, %+v", c.name, err, f)
			continue
		}
		if s := ps[0].String(); len(ps) != 1 || !strings.HasPrefix(s, "tests:"+c.at+": ") || !strings.Contains(s, c.words) {
			t.Errorf("%s: expected one problem at %s with %q, found %v", c.name, c.at, c.words, err)
		}
	}
	for _, stored := range []string{
		`{"name":"tests","state":"stated"}`,
		`{"name":"tests","state":"stated","list":[{"sha256":"` + sha + `","role":"air"}]}`,
		`{"name":"recordings","state":"stated","tests":[{"name":"a"}]}`,
		`{"name":"tests","state":"stated","tests":[{"name":"a"},{"name":"a"}]}`,
		`{"name":"tests","state":"stated","tests":[{"name":"a","session":-1}]}`,
		`{"name":"tests","state":"stated","tests":[{"name":"a","facts":[{"name":"birth_date","state":"unknown"}]}]}`,
		`{"name":"tests","state":"stated","tests":[{"name":"a","facts":[{"name":"nadir","state":"unknown"}]}]}`,
		`{"name":"tests","state":"stated","tests":[` + strings.TrimSuffix(strings.Repeat(`{"name":"a"},`, MaxTests+1), ",") + `]}`,
	} {
		var f Fact
		if err := json.Unmarshal([]byte(stored), &f); err == nil || !reflect.DeepEqual(f, Fact{}) {
			t.Errorf("%s: expected an error and no fact, found %+v", stored, f)
		}
	}
}
