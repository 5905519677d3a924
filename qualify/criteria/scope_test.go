package criteria

import (
	"strings"
	"testing"
	"testing/fstest"

	"airwarrant/rules"
)

// scopePack is a version of an invented payer with everything that says for
// whom, how long and under what exceptions criteria hold.
const scopePack = `effective_from: 2030-01-01
title: Example notice
population: {fact: age, at_least: 18 years}
otherwise_see: the example criteria for children
expires: 2030-12-31
expires_cite: [notice]
defer_to:
  - {id: other, when: {fact: inpatient, is: true}, region: xx-hospital, text: The hospital decides during a stay., cite: [notice], status: verified}
  - {id: hearsay, when: {fact: same_sitting, is: true}, region: xx-rumour, text: Somebody else decides., cite: [notice], status: draft}
overrides:
  - {id: flood, from: 2030-03-01, until: 2030-03-31, waives: [signs], text: Signs are not asked for during the flood., cite: [notice], status: verified}
  - {id: talk, from: 2030-05-01, waives: [low], text: No value is asked for., cite: [notice], status: draft}
cites:
  notice: {document: Example Notice}
criteria:
  id: all
  label: Oxygen at home
  all_of:
    - {id: low, label: Low at rest, fact: rest_spo2, at_or_below: 90 %, cite: [notice], status: verified, strength: strong, grade: moderate}
    - {id: signs, label: Signs, fact: symptoms, is: true, cite: [notice], status: verified}
    - {id: edema, label: Edema, since: 2030-02-01, until: 2030-02-28, fact: dependent_edema, is: true, cite: [notice], status: verified}
`

const scopeCases = `base:
  adult: {birth_date: 2000-01-01, test_date: 2030-01-15, rest_spo2: 90, symptoms: true, inpatient: false, same_sitting: false}
cases:
  - {name: an adult, base: adult, want: {outcome: qualifies, not_applicable: [edema]}}
  - {name: eighteen on the day, base: adult, facts: {birth_date: 2012-01-15}, want: {outcome: qualifies}}
  - {name: a day too young is never a refusal, base: adult, facts: {birth_date: 2012-01-16}, want: {outcome: undetermined, disposition: not_addressed, not_applicable: [low], needs: []}}
  - {name: a child that fails is never a refusal, base: adult, facts: {birth_date: 2020-01-01, rest_spo2: 97}, want: {outcome: undetermined, disposition: not_addressed}}
  - {name: age not known, base: adult, facts: {birth_date: unknown, rest_spo2: 97}, want: {outcome: undetermined}}
  - {name: a stay, base: adult, facts: {inpatient: true, rest_spo2: 97}, want: {outcome: undetermined, disposition: deferred, not_applicable: [low]}}
  - {name: hearsay names nobody for sure, base: adult, facts: {same_sitting: true}, want: {outcome: undetermined, disposition: deferred}}
  - {name: the day before the dates of a clause, base: adult, facts: {test_date: 2030-01-31, dependent_edema: false}, want: {outcome: qualifies, not_applicable: [edema]}}
  - {name: the first day, base: adult, facts: {test_date: 2030-02-01, dependent_edema: false}, want: {outcome: does_not_qualify, not_met: [edema]}}
  - {name: the last day, base: adult, facts: {test_date: 2030-02-28, dependent_edema: false}, want: {outcome: does_not_qualify, not_met: [edema]}}
  - {name: the day after, base: adult, facts: {test_date: 2030-03-01, dependent_edema: false}, want: {outcome: qualifies, not_applicable: [edema]}}
  - {name: the day before an override, base: adult, facts: {test_date: 2030-02-28, dependent_edema: true, symptoms: false}, want: {outcome: does_not_qualify, not_met: [signs]}}
  - {name: the first day of an override, base: adult, facts: {test_date: 2030-03-01, symptoms: false}, want: {outcome: qualifies, not_applicable: [signs]}}
  - {name: the last day of an override, base: adult, facts: {test_date: 2030-03-31, symptoms: false}, want: {outcome: qualifies, not_applicable: [signs]}}
  - {name: the day after an override, base: adult, facts: {test_date: 2030-04-01, symptoms: false}, want: {outcome: does_not_qualify, not_met: [signs]}}
  - {name: a draft override never acts, base: adult, facts: {test_date: 2030-05-01, rest_spo2: 97}, want: {outcome: does_not_qualify, not_met: [low]}}
  - {name: the last day of the edition, base: adult, facts: {test_date: 2030-12-31}, want: {outcome: qualifies, cautions: []}}
  - {name: the day after it, base: adult, facts: {test_date: 2031-01-01}, want: {outcome: qualifies, cautions: [look for a newer one]}}
  - {name: a confirmed one does, base: adult, facts: {test_date: 2030-05-01, rest_spo2: 97}, confirmed: [talk], want: {outcome: qualifies, not_applicable: [low]}}
`

func scopedPack(t testing.TB) *rules.Pack {
	t.Helper()
	lib, err := rules.Load(fstest.MapFS{
		"xx-test/region.yaml":           {Data: []byte("region: xx-test\nname: Test\npayer: Example\nselect_by: test_date\nscope: Invented.\n")},
		"xx-test/2030-01-01.yaml":       {Data: []byte(scopePack)},
		"xx-test/2030-01-01.cases.yaml": {Data: []byte(scopeCases)},
	})
	if err != nil {
		t.Fatal(err)
	}
	return lib.History("xx-test")[0]
}

func TestScope(t *testing.T) {
	p := scopedPack(t)
	results := RunCases(p, p.Cases, p.CasesFile)
	if len(results) != strings.Count(scopeCases, "- {name:") {
		t.Errorf("%d results", len(results))
	}
	for _, r := range results {
		if !r.Message.IsZero() {
			t.Errorf("%d: %s: %s", r.Line, r.Name, r.Message)
		}
	}
}

func TestScopeWords(t *testing.T) {
	base := map[string]string{"birth_date": "2000-01-01", "test_date": "2030-01-15", "rest_spo2": "90", "symptoms": "true", "inpatient": "false", "same_sitting": "false"}
	cases := []struct {
		name      string
		over      map[string]string // "" takes a fact away
		confirmed Confirmations
		part      string // of the determination
		want      string
	}{
		{"population", map[string]string{"birth_date": "2020-01-01"}, nil, "because", "This set of criteria is not for this patient, but where completed years on the date of the test is at least 18 years. Choose another: the example criteria for children."},
		{"deferral", map[string]string{"inpatient": "true"}, nil, "because", "Another set of criteria decides, xx-hospital: The hospital decides during a stay."},
		{"draft deferral", map[string]string{"same_sitting": "true"}, nil, "because", "Unverified: Another set of criteria decides, xx-rumour: Somebody else decides."},
		{"confirmed deferral", map[string]string{"same_sitting": "true"}, Confirmations{"hearsay": {}}, "because", "Another set of criteria decides, xx-rumour: Somebody else decides."},
		{"last day of the edition", map[string]string{"test_date": "2030-12-31"}, nil, "cautions", ""},
		{"after the edition", map[string]string{"test_date": "2031-01-01"}, nil, "cautions", "This edition counted as current until 2030-12-31, and the test was taken on 2031-01-01: look for a newer one. See Example Notice."},
		{"override", map[string]string{"test_date": "2030-03-10"}, nil, "notes", "In force for tests from 2030-03-01 to 2030-03-31: Signs are not asked for during the flood. Clauses that it waives: Signs. See Example Notice."},
		{"draft override", map[string]string{"test_date": "2030-05-10"}, nil, "notes", "From memory, and not applied until a maintainer confirms it, for tests from 2030-05-01 on: No value is asked for. Clauses that it waives: Low at rest. See Example Notice."},
		{"no override", nil, nil, "notes", ""},
		{"waived clause", map[string]string{"test_date": "2030-03-10"}, nil, "signs", "Waived for tests from 2030-03-01 to 2030-03-31: Signs are not asked for during the flood."},
		{"clause outside its dates", nil, nil, "edema", "Does not apply to tests on that date: it holds for tests from 2030-02-01 to 2030-02-28."},
		{"clause of another's patient", map[string]string{"birth_date": "2020-01-01"}, nil, "low", "Not looked at: these criteria are not for this case."},
		{"strength", nil, nil, "strength", "strong, moderate"},
		// Both dates of age are asked before what else is left, and the date that clauses hang on is.
		{"age not stated", map[string]string{"birth_date": "", "rest_spo2": "", "symptoms": ""}, nil, "needs", "birth_date rest_spo2 symptoms"},
		{"nothing stated", map[string]string{"birth_date": "", "inpatient": "", "rest_spo2": "97"}, nil, "needs", "inpatient birth_date"},
		{"date not stated", map[string]string{"test_date": "", "dependent_edema": "false"}, nil, "needs", "test_date"},
	}
	p := scopedPack(t)
	for _, c := range cases {
		facts := map[string]string{}
		for k, v := range base {
			facts[k] = v
		}
		for k, v := range c.over {
			facts[k] = v
			if v == "" {
				delete(facts, k)
			}
		}
		d := Determine(p, Facts{Named: stated(t, facts)}, c.confirmed)
		var got string
		switch c.part {
		case "because":
			got = d.Because
		case "cautions":
			got = strings.Join(d.Cautions, "\n")
		case "notes":
			got = strings.Join(d.Notes, "\n")
		case "needs":
			got = strings.Join(asksOf(d), " ")
		case "strength":
			f := findingOf(t, d, "low")
			got = f.Strength + ", " + f.Grade
		default:
			got = findingOf(t, d, c.part).Because
		}
		if got != c.want {
			t.Errorf("%s: %s\n found    %q\n expected %q", c.name, c.part, got, c.want)
		}
	}
}
