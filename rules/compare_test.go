package rules

import (
	"math/big"
	"reflect"
	"slices"
	"strings"
	"testing"
)

const comparedPack = `effective_from: 2030-01-01
title: Example notice
population: {fact: age, at_least: 18 years}
otherwise_see: another set
expires: 2040-01-01
expires_cite: [notice]
defer_to:
  - {id: other, when: {fact: inpatient, is: true}, region: xx-hospital, text: The hospital decides., cite: [notice], status: verified}
overrides:
  - {id: flood, from: 2030-03-01, waives: [signs], text: Waived., cite: [notice], status: verified}
cites:
  notice: {document: Example Notice, section: "4", edition: first, address: https://example.org/notice, read_on: 2029-12-01}
reading: {level: none, report_level: 88 %}
custody: {accepts: [sent_by_tester], who: the tester, cite: [notice]}
criteria:
  id: all
  label: Oxygen at home
  all_of:
    - {id: rest, label: Low at rest, fact: rest_spo2, at_or_below: 88 %, cite: [notice], status: verified}
    - {id: signs, label: Signs, applies_when: {fact: test_state, is: rest}, fact: symptoms, is: true, cite: [notice], status: draft}
on_file:
  - {id: order, item: the order, fact: written_order, cite: [notice]}
allows:
  - {when: rest, unless: signs, text: One unit., cite: [notice], status: verified}
follow_up:
  - {when: rest, kind: retest, if: {fact: mobile_in_home, is: true}, due: {from: start_date, at_least: 61 days, at_or_below: 90 days}, text: Test again., cite: [notice], status: verified}
prompts:
  - {if: {fact: altitude, more_than: 1500 m}, text: Note the altitude., cite: [notice], status: verified}
choose: {order: [most_recent, gas_over_oximetry], cite: [notice], status: verified, reading: ours, note: Read so.}
cautions: [Be careful.]
`

func comparedOf(t *testing.T, text string) *Pack {
	t.Helper()
	l, err := Load(folder(map[string]string{"xx-bad/2030-01-01.yaml": text}))
	if err != nil {
		t.Fatal(err)
	}
	return l.History("xx-bad")[0]
}

// Each change to a version gives exactly its sentences.
func TestCompare(t *testing.T) {
	cases := []struct {
		name, old, with string
		want            []string
	}{
		{"nothing", "Be careful.", "Be careful.", nil},
		{"a figure", "at_or_below: 88 %", "at_or_below: 89 %", []string{"rest changed The question of clause rest is now “saturation at rest, awake, on room air is at or below 89 %”; before “saturation at rest, awake, on room air is at or below 88 %”."}},
		{"a comparator", "at_or_below: 88 %", "below: 88 %", []string{"rest changed The question of clause rest is now “saturation at rest, awake, on room air is below 88 %”; before “saturation at rest, awake, on room air is at or below 88 %”."}},
		{"a connective", "  all_of:", "  any_of:", []string{"all changed The question of clause all is now “at least one of its parts is met”; before “all of its parts are met”."}},
		{"a status", "status: draft", "status: verified", []string{"signs changed The status of clause signs is now “verified”; before “draft”."}},
		{"a clause renamed", "id: rest,", "id: resting,", nil}, // refused: allows names rest
		{"a clause more", "    - {id: signs", "    - {id: edema, label: Edema, fact: dependent_edema, is: true, cite: [notice], status: verified}\n    - {id: signs", []string{"edema added Clause edema is new in the group all: “Edema” asks “dependent edema suggesting congestive heart failure is documented” (verified)."}},
		{"a gate", "applies_when: {fact: test_state, is: rest}, ", "", []string{"signs changed The condition of clause signs is no longer given; it was “the state in which the qualifying test was taken: rest”."}},
		{"dates", "status: draft}", "status: draft, since: 2030-02-01}", []string{"signs changed The first date of clause signs is now “2030-02-01”; it was not given before."}},
		{"title", "title: Example notice", "title: Another notice", []string{"title changed The title is now “Another notice”; before “Example notice”."}},
		{"reading", "level: none", "level: half_up", []string{"reading.level changed The parameter of reading level is now “half_up”; before “none”."}},
		{"report level", "report_level: 88 %", "report_level: 89 %", []string{"reading.report_level changed The parameter of reading report_level is now “89 %”; before “88 %”."}},
		{"population", "at_least: 18 years", "at_least: 21 years", []string{"population changed Its population is now “completed years on the date of the test is at least 21 years”; before “completed years on the date of the test is at least 18 years”."}},
		{"expiry", "expires: 2040-01-01", "expires: 2041-01-01", []string{"expires changed The last day of the edition is now “2041-01-01”; before “2040-01-01”."}},
		{"deferral", "region: xx-hospital", "region: xx-house", []string{
			"defer_to added When another set decides: new is “where the patient was an inpatient of a hospital when tested, xx-house: The hospital decides. (verified)”.",
			"defer_to removed When another set decides: gone is “where the patient was an inpatient of a hospital when tested, xx-hospital: The hospital decides. (verified)”."}},
		{"override", "from: 2030-03-01", "from: 2030-03-01, until: 2030-04-01", []string{
			"overrides added What is waived for a time: new is “signs, for tests from 2030-03-01 to 2030-04-01: Waived. (verified)”.",
			"overrides removed What is waived for a time: gone is “signs, for tests from 2030-03-01 on: Waived. (verified)”."}},
		{"custody", "accepts: [sent_by_tester]", "accepts: [sent_by_tester, release_signed]", []string{"custody changed On what footing the supplier may hold the result is now “sent_by_tester, release_signed”; before “sent_by_tester”."}},
		{"allowed", ", unless: signs, text", ", text", []string{"allows added What it allows: new is “One unit. (note, where rest is met; verified)”.", "allows removed What it allows: gone is “One unit. (note, where rest is met and signs is not; verified)”."}},
		{"kind", "status: verified}\nfollow_up", "status: verified, kind: portable}\nfollow_up", []string{"allows added What it allows: new is “One unit. (portable, where rest is met and signs is not; verified)”.", "allows removed What it allows: gone is “One unit. (note, where rest is met and signs is not; verified)”."}},
		{"due", "at_or_below: 90 days", "at_or_below: 120 days", []string{
			"follow_up added What follows: new is “Test again. (retest, where rest is met, and the patient is mobile within the home; due 61 days to 120 days after the day on which oxygen at home starts or started; verified)”.",
			"follow_up removed What follows: gone is “Test again. (retest, where rest is met, and the patient is mobile within the home; due 61 days to 90 days after the day on which oxygen at home starts or started; verified)”."}},
		{"prompt", "more_than: 1500 m", "more_than: 1000 m", []string{
			"prompts added What to document: new is “Note the altitude. (altitude of the place of the test is more than 1000 m; verified)”.",
			"prompts removed What to document: gone is “Note the altitude. (altitude of the place of the test is more than 1500 m; verified)”."}},
		{"choice", "[most_recent, gas_over_oximetry]", "[nearest_discharge]", []string{"choose changed How one of several tests is chosen is now “the test nearest to the discharge from hospital (verified; notice; ours; Read so.)”; before “the most recent test, then a blood gas before oximetry (verified; notice; ours; Read so.)”."}},
		{"leg hold", "level: none, ", "level: none, leg_hold: 10 s, ", []string{"reading.leg_hold changed The parameter of reading leg_hold is now “10 s”; it was not given before."}},
		{"a document", "edition: first", "edition: second", []string{
			"cites added Documents: new is “notice: Example Notice, section 4, second, https://example.org/notice, read on 2029-12-01”.",
			"cites removed Documents: gone is “notice: Example Notice, section 4, first, https://example.org/notice, read on 2029-12-01”."}},
	}
	a := comparedOf(t, comparedPack)
	for _, c := range cases {
		if !strings.Contains(comparedPack, c.old) {
			t.Fatalf("%s: %q is not in the pack", c.name, c.old)
		}
		text := strings.Replace(comparedPack, c.old, c.with, 1)
		if c.name == "a clause renamed" {
			text = strings.ReplaceAll(text, "when: rest,", "when: resting,")
			c.want = []string{
				"allows added What it allows: new is “One unit. (note, where resting is met and signs is not; verified)”.",
				"allows removed What it allows: gone is “One unit. (note, where rest is met and signs is not; verified)”.",
				"follow_up added What follows: new is “Test again. (retest, where resting is met, and the patient is mobile within the home; due 61 days to 90 days after the day on which oxygen at home starts or started; verified)”.",
				"follow_up removed What follows: gone is “Test again. (retest, where rest is met, and the patient is mobile within the home; due 61 days to 90 days after the day on which oxygen at home starts or started; verified)”.",
				"resting added Clause resting is new in the group all: “Low at rest” asks “saturation at rest, awake, on room air is at or below 88 %” (verified).",
				"rest removed Clause rest is gone from the group all: “Low at rest” asked “saturation at rest, awake, on room air is at or below 88 %”."}
		}
		var got []string
		for _, d := range Compare(a, comparedOf(t, text)) {
			got = append(got, d.Part+" "+d.Kind+" "+d.Text)
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("%s:\n found    %q\n expected %q", c.name, got, c.want)
		}
	}
}

// Each shipped version differs from the one before it, and none from itself.
func TestCompareShipped(t *testing.T) {
	l, err := Embedded()
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range l.Regions() {
		h := l.History(r.Region)
		for i, p := range h {
			if d := Compare(p, p); d != nil {
				t.Errorf("%s differs from itself: %v", p.File, d)
			}
			if i > 0 && len(Compare(h[i-1], p)) == 0 {
				t.Errorf("%s and %s: no difference is told", h[i-1].File, p.File)
			}
		}
	}
	withdrawn := comparedOf(t, "effective_from: 2030-01-01\ntitle: Example notice\nwithdrawn: true\ncites:\n  notice: {document: Example Notice}\n")
	d := Compare(comparedOf(t, comparedPack), withdrawn)
	if !slices.ContainsFunc(d, func(d Difference) bool { return d.Text == "The payer withdrew its criteria." }) {
		t.Errorf("the withdrawal is not told: %v", d)
	}
}

// Whatever key of a clause changes, a sentence says so.
func TestCompareNoticesEveryKey(t *testing.T) {
	date := Date{2030, 5, 1}
	gate := &Node{Fact: "symptoms", Is: "true"}
	figure := Quantities{{Text: "90 %", Rat: big.NewRat(90, 1), Unit: "%"}}
	values := map[string]any{"label": "Other", "applies_when": gate, "since": date, "until": date, "unsettled": "Ask.", "ask": "symptoms",
		"fact": "nadir", "spo2": &figure[0], "points": &Quantity{Text: "5 points", Rat: big.NewRat(5, 1), Unit: "points"},
		"at_or_below": figure, "below": figure, "at_least": figure, "more_than": figure, "equal_to": figure, "is": "rest", "one_of": []string{"rest", "asleep"},
		"known": true, "rounding": "half_up", "if_absent": "not_applicable", "unless_known": "symptoms", "otherwise": "undetermined", "disposition": "refer",
		"strength": "strong", "grade": "low", "cite": []string{"other"}, "status": Secondary, "reading": "ours", "note": "A note.",
		"all_of": []*Node{gate, gate}, "any_of": []*Node{gate, gate}, "none_of": []*Node{gate}, "n_of": &NOf{N: 1, Of: []*Node{gate}}}
	// What a clause has to read before the key says anything.
	facts := map[string]string{"spo2": "time_at_or_below", "points": "time_fall_more_than", "is": "test_state", "one_of": "test_state"}
	typ := reflect.TypeFor[Node]()
	for i := range typ.NumField() {
		key, _ := yamlKey(typ.Field(i))
		if key == "" || key == "id" {
			continue
		}
		v, ok := values[key]
		if !ok {
			t.Errorf("%s: the test has no value for it", key)
			continue
		}
		a, b := Node{ID: "c", Fact: "rest_spo2"}, Node{ID: "c", Fact: "rest_spo2"}
		if f := facts[key]; f != "" {
			a.Fact, b.Fact = f, f
		}
		reflect.ValueOf(&b).Elem().Field(i).Set(reflect.ValueOf(v))
		if len(Compare(&Pack{Criteria: &a}, &Pack{Criteria: &b})) == 0 {
			t.Errorf("%s: the change is not told", key)
		}
	}
}
