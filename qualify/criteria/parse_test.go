package criteria

import (
	"encoding/json"
	"errors"
	"reflect"
	"strings"
	"testing"

	"airwarrant/rules"
)

const sha = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"

// TestParseFacts reads every form of design section 7.5.
func TestParseFacts(t *testing.T) {
	file := `---
# a case
test_date: 2030-03-13
test_state: asleep
test_oxygen: room_air
symptoms: true
sleep_apnea: unknown
awake_spo2: 93
reported_minutes: 5.0
rest_pao2: {value: 7.3, unit: kPa}
hematocrit: {located: 56.1, document: Laboratory report, date: 2030-03-01, page: 2, by: front desk}
written_order: {located: true, document: Order}
recordings:
  - {sha256: ` + sha + `, role: air}
`
	got, err := ParseFacts([]byte(file), "f.yaml")
	if err != nil {
		t.Fatal(err)
	}
	number := func(x, unit string, places int) Value { return Value{Num: rat(t, x), Unit: unit, Places: places} }
	want := map[string]Fact{
		"test_date":        {State: Stated, Value: Value{Date: rules.Date{Year: 2030, Month: 3, Day: 13}}},
		"test_state":       {State: Stated, Value: Value{Word: "asleep"}},
		"test_oxygen":      {State: Stated, Value: Value{Word: "room_air"}},
		"symptoms":         {State: Stated, Value: Value{Bool: true}},
		"sleep_apnea":      {State: Unknown},
		"awake_spo2":       {State: Stated, Value: number("93", "%", 0)},
		"reported_minutes": {State: Stated, Value: number("5", "min", 1)},
		"rest_pao2":        {State: Stated, Value: number("7.3", "kPa", 1)},
		"hematocrit": {State: Located, Value: number("56.1", "%", 1),
			Place: &Place{Document: "Laboratory report", Date: rules.Date{Year: 2030, Month: 3, Day: 1}, Page: "2", By: "front desk"}},
		"written_order": {State: Located, Value: Value{Bool: true}, Place: &Place{Document: "Order"}},
		"recordings":    {State: Stated, Value: Value{List: []RecordingRole{{SHA256: sha, Role: "air"}}}},
	}
	for name, w := range want {
		w.Name = name
		if !reflect.DeepEqual(got[name], w) {
			t.Errorf("%s: expected %+v, found %+v", name, w, got[name])
		}
	}
	if len(got) != len(want) {
		t.Errorf("expected %d facts, found %d", len(want), len(got))
	}
	for _, form := range []string{"test_oxygen: {flow: 2.5, unit: L/min}", "test_oxygen: {value: 2.5, unit: L/min}", "test_oxygen: {flow: 2.5}", "test_oxygen: 2.5"} {
		f, err := ParseFacts([]byte(form), "f.yaml")
		v := f["test_oxygen"].Value
		if err != nil || v.Word != "oxygen" || v.Num.RatString() != "5/2" || v.Unit != "L/min" {
			t.Errorf("%s: %v, %+v", form, err, v)
		}
	}
	for _, empty := range []string{"", "\n", "# nothing\n", "---\n", "{}"} {
		if f, err := ParseFacts([]byte(empty), "f.yaml"); err != nil || len(f) != 0 || f == nil {
			t.Errorf("%q: expected no facts, found %v, %v", empty, f, err)
		}
	}
}

// TestParseFactsRefuses checks one mistake at a time: where it is told to
// stand and the words that say how to mend it.
func TestParseFactsRefuses(t *testing.T) {
	cases := []struct{ name, file, at, words string }{
		{"unknown fact", "awake_sp02: 93", "1:1", `did you mean "awake_spo2"?`},
		{"nothing like a fact", "zzz: 1", "1:1", "use one of: custody, test_date"},
		{"computed fact", "test_date: 2030-01-01\ntime_at_or_below: 7", "2:1", "computed from recording, reported_minutes"},
		{"word", "test_state: sleep", "1:13", `did you mean "asleep"?`},
		{"yes is no boolean", "symptoms: yes", "1:11", "write true or false"},
		{"number for a boolean", "symptoms: 1", "1:11", "true or false"},
		{"date", "test_date: 2030-02-30", "1:12", "a day of the calendar"},
		{"date of another order", "test_date: 13/03/2030", "1:12", "a date as YYYY-MM-DD"},
		{"text for a number", "awake_spo2: high", "1:13", "a number in %"},
		{"decimal comma", "awake_spo2: 88,4", "1:13", "write a point for the comma"},
		{"exponent", "awake_spo2: 1e2", "1:13", "write digits"},
		{"hexadecimal", "awake_spo2: 0x58", "1:13", "write digits"},
		{"leading zero", "awake_spo2: 088", "1:13", "write digits"},
		{"not a number", "awake_spo2: .nan", "1:13", "write digits"},
		{"fraction for percent", "hematocrit: 0.56", "1:13", "it asks percent"},
		{"above 100 %", "awake_spo2: 101", "1:13", "0 to 100 %"},
		{"a digit short", "rest_spo2: 8", "1:12", "30 to 100 %"},
		{"nothing for a saturation", "exertion_spo2_air: 0", "1:20", "30 to 100 %"},
		{"just below what blood holds", "rest_sao2: 29.9", "1:12", "30 to 100 %"},
		{"negative", "p_wave_height: -1", "1:16", "not negative"},
		{"kPa without its unit", "rest_pao2: 7.3", "1:12", "unit: kPa"},
		{"mmHg called kPa", "rest_pao2: {value: 55, unit: kPa}", "1:12", "20 to 150 mmHg"},
		{"unit of another fact", "awake_spo2: {value: 93, unit: mmHg}", "1:13", "the unit %"},
		{"unit of a word", "test_state: {value: asleep, unit: min}", "1:13", "delete the unit"},
		{"flow of nothing", "test_oxygen: 0", "1:14", "write room_air"},
		{"two figures", "test_oxygen: {flow: 2, value: 3}", "1:14", "one of flow and value"},
		{"no figure", "awake_spo2: {unit: '%'}", "1:13", "add value:"},
		{"misspelt part", "awake_spo2: {value: 93, units: '%'}", "1:13", `did you mean "unit"?`},
		{"null", "awake_spo2:", "1:13", "found nothing"},
		{"list for a number", "awake_spo2: [93]", "1:13", "found a list"},
		{"block of text", "test_state: |\n  asleep\n", "1:13", "found a block of text"},
		{"place without a document", "symptoms: {located: true, page: 2}", "1:11", "add document:"},
		{"place with a misspelt key", "symptoms: {located: true, document: Note, pages: 2}", "1:43", `did you mean "page"?`},
		{"place with a wrong date", "symptoms: {located: true, document: Note, date: March}", "1:49", "YYYY-MM-DD"},
		{"located but wrong", "awake_spo2: {located: 120, document: Note}", "1:23", "0 to 100 %"},
		{"duplicate", "symptoms: true\nsymptoms: false", "2:1", "first in line 1"},
		{"alias", "symptoms: &a true\nsleep_apnea: *a", "1:11", "an anchor, alias or merge key"},
		{"tag", "symptoms: !!bool true", "1:11", "plain keys and values"},
		{"second document", "symptoms: true\n---\nsymptoms: false", "2:1", "the beginning of a second one"},
		{"list at the top", "- symptoms", "1:1", "one fact a line"},
		{"bad syntax", "symptoms: [true", "1:11", "YAML that can be read"},
		{"deep", "recordings: " + strings.Repeat("[", 40), "1:29", "levels of nesting"},
		{"no recordings", "recordings: []", "1:13", "for each recording"},
		{"words", "recordings: [" + strings.Repeat("1,", maxTokens) + "]", "1:1", "words and signs"},
		{"hash", "recordings: [{sha256: abc, role: air}]", "1:14", "64 digits"},
		{"role", "recordings: [{sha256: " + sha + ", role: airs}]", "1:14", `did you mean "air"?`},
		{"one recording twice", "recordings: [{sha256: " + sha + ", role: air}, {sha256: " + sha + ", role: oxygen}]", "1:101", "that do not overlap"},
		{"session", "session_choice: 1.5", "1:17", "the number of a session"},
		{"bytes", "symptoms: \xff", "1:1", "UTF-8"},
		{"large", strings.Repeat("#", maxYAML+1), "1:1", "split it"},
	}
	for _, c := range cases {
		facts, err := ParseFacts([]byte(c.file), "f.yaml")
		var ps rules.Problems
		if !errors.As(err, &ps) || facts != nil {
			t.Errorf("%s: expected problems and no facts, found %v, %v", c.name, err, facts)
			continue
		}
		if s := ps[0].String(); len(ps) != 1 || !strings.HasPrefix(s, "f.yaml:"+c.at+": ") || !strings.Contains(s, c.words) {
			t.Errorf("%s: expected one problem at %s with %q, found %v", c.name, c.at, c.words, err)
		}
	}
	_, err := ParseFacts([]byte("hematocrit: 0.5\nsymptoms: maybe\nawake_spo2: {value: 93, unit: kPa}\nnosuch: 1"), "f.yaml")
	var ps rules.Problems
	if !errors.As(err, &ps) || len(ps) != 4 || ps[0].Line != 1 || ps[3].Line != 4 {
		t.Errorf("expected all four problems in the order of the file, found %v", err)
	}
}

func TestParseValue(t *testing.T) {
	good := map[[2]string]Fact{
		{"awake_spo2", "88.40"}:                              {State: Stated, Value: Value{Num: rat(t, "88.4"), Unit: "%", Places: 2}},
		{"rest_pao2", "7.3 kPa"}:                             {State: Stated, Value: Value{Num: rat(t, "7.3"), Unit: "kPa", Places: 1}},
		{"test_oxygen", "2 L/min"}:                           {State: Stated, Value: Value{Word: "oxygen", Num: rat(t, "2"), Unit: "L/min"}},
		{"symptoms", "unknown"}:                              {State: Unknown},
		{"written_order", "true"}:                            {State: Stated, Value: Value{Bool: true}},
		{"recordings", "- {sha256: " + sha + ", role: air}"}: {State: Stated, Value: Value{List: []RecordingRole{{SHA256: sha, Role: "air"}}}},
		{"tests", "unknown"}:                                 {State: Unknown},
	}
	for in, want := range good {
		want.Name = in[0]
		if got, err := ParseValue(in[0], in[1]); err != nil || !reflect.DeepEqual(got, want) {
			t.Errorf("%v: expected %+v, found %+v, %v", in, want, got, err)
		}
	}
	for _, in := range [][3]string{
		{"awake_spo", "88", "did you mean"}, {"awake_spo2", "", "a number in %"}, {"awake_spo2", "0.88", "percent"},
		{"rest_pao2", "7.3 bar", "mmHg or kPa"}, {"age", "70", "computed from birth_date, test_date"}, {"recordings", sha, "a list of {sha256, role, from, until, flow, device}"},
		{"tests", "", "found nothing"}, {"tests", "- name: a\n  test_state: sleep", "tests:2:15: [0].test_state"},
	} {
		f, err := ParseValue(in[0], in[1])
		if err == nil || !strings.Contains(err.Error(), in[2]) || !reflect.DeepEqual(f, Fact{}) {
			t.Errorf("%v: expected an error with %q, found %v, %+v", in[:2], in[2], err, f)
		}
	}
}

// TestFactJSON checks that a stored fact is read back as it was, decimals and
// places included.
func TestFactJSON(t *testing.T) {
	place := &Place{Document: "Progress note", Page: "3"}
	dated := &Place{Document: "Report", Date: rules.Date{Year: 2030, Month: 1, Day: 2}, By: "records"}
	facts := []Fact{
		{Name: "reported_minutes", State: Stated, Value: Value{Num: rat(t, "5"), Unit: "min", Places: 1}},
		{Name: "rest_pao2", State: Located, Value: Value{Num: rat(t, "7.3"), Unit: "kPa", Places: 1}, Place: place},
		{Name: "symptoms", State: Located, Value: Value{Bool: false}, Place: dated},
		{Name: "hematocrit", State: Located, Value: Value{Num: rat(t, "56"), Unit: "%"}, Place: &Place{Document: "Blood count", Page: "1", Copy: "note 0123456789ab"}},
		{Name: "written_order", State: Stated, Value: Value{Bool: true}},
		{Name: "test_state", State: Stated, Value: Value{Word: "exertion"}},
		{Name: "test_oxygen", State: Stated, Value: Value{Word: "room_air"}},
		{Name: "test_oxygen", State: Stated, Value: Value{Word: "oxygen", Num: rat(t, "1/2"), Unit: "L/min", Places: 1}},
		{Name: "test_date", State: Computed, Value: Value{Date: rules.Date{Year: 2030, Month: 3, Day: 9}}},
		{Name: "hematocrit", State: Unknown},
		{Name: "recordings", State: Stated, Value: Value{List: []RecordingRole{{SHA256: sha, Role: "air"}}}},
	}
	for _, f := range facts {
		b, err := json.Marshal(f)
		if err != nil {
			t.Fatal(err)
		}
		var back Fact
		if err := json.Unmarshal(b, &back); err != nil || !reflect.DeepEqual(back, f) {
			t.Errorf("%s: expected %+v, found %+v, %v", b, f, back, err)
		}
		again, _ := json.Marshal(back)
		if string(again) != string(b) {
			t.Errorf("expected the same bytes, found %s and %s", b, again)
		}
	}
	if b, _ := json.Marshal(facts[0]); string(b) != `{"name":"reported_minutes","state":"stated","value":"5.0","unit":"min"}` {
		t.Errorf("the stored form changed: %s", b)
	}
	for _, bad := range []string{`{"name":"nosuch","state":"stated","value":"1"}`, `{"name":"awake_spo2","state":"stated","value":"1e9"}`,
		`{"name":"awake_spo2","state":"guessed","value":"90"}`, `{"name":"symptoms","state":"located","value":"true","place":{"date":"x"}}`,
		`{"name":"recordings","state":"stated","list":[{"sha256":"","role":"air"}]}`, `[]`} {
		var f Fact
		if err := json.Unmarshal([]byte(bad), &f); err == nil || !reflect.DeepEqual(f, Fact{}) {
			t.Errorf("%s: expected an error and no fact, found %+v", bad, f)
		}
	}
	for _, bad := range []Fact{{Name: "awake_spo2", State: Stated}, {Name: "awake_spo2", State: Stated, Value: Value{Num: rat(t, "1/3"), Places: 2}},
		{Name: "awake_spo2", State: Stated, Value: Value{Num: rat(t, "88.4")}}, {Name: "nosuch", State: Stated}} {
		if b, err := json.Marshal(bad); err == nil {
			t.Errorf("%+v: expected an error, found %s", bad, b)
		}
	}
}

// FuzzParseFacts: no panic; on an error there are no facts and each problem
// says where; otherwise every fact survives being stored.
func FuzzParseFacts(f *testing.F) {
	for _, s := range []string{"test_date: 2030-03-13\n", "awake_spo2: {value: 93, unit: '%'}", "symptoms: {located: true, document: Note, date: 2030-01-01, page: 2, by: x}",
		"recordings: [{sha256: " + sha + ", role: air}]", "test_oxygen: {flow: 2, unit: L/min}", "tests:\n- {name: a, session: 2, sha256: " + sha + ", test_time: '09:30', test_state: rest, rest_spo2: 88.0}", "a: &b [*b]", "? x\n: y", "- - - -", "{a: {b: {c: d}}}", "\"\\u0000\": 1"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		facts, err := ParseFacts(data, "f.yaml")
		if err != nil {
			var ps rules.Problems
			if facts != nil || !errors.As(err, &ps) || ps[0].Line < 1 || ps[0].Column < 1 || ps[0].Mend.IsZero() {
				t.Fatalf("expected problems with a place and a mend, and no facts: %v, %v", err, facts)
			}
			return
		}
		for name, fact := range facts {
			b, err := json.Marshal(fact)
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			var back Fact
			if err := json.Unmarshal(b, &back); err != nil || !reflect.DeepEqual(back, fact) {
				t.Fatalf("%s: expected %+v, found %+v, %v", b, fact, back, err)
			}
		}
	})
}
