package criteria

import (
	"strings"
	"testing"

	"airwarrant/rules"
)

func casesPack(t testing.TB) *rules.Pack {
	draft := yes("unread", "same_sitting")
	draft.Status = rules.Draft
	p := packOf(allOf("root", anyOf("route", minutesAt88(t, "minutes", "5 min"), draft), yes("signs", "symptoms")))
	p.Reading = nightReading
	p.Allows = []rules.Consequence{{When: "minutes", Text: "One stationary unit.", Status: rules.Verified}}
	p.FollowUp = []rules.Consequence{{When: "minutes", Text: "Test again.", Status: rules.Verified},
		{When: "minutes", If: &rules.Node{Fact: "mobile_in_home", Is: "true"}, Text: "Once more.", Status: rules.Verified}}
	p.Prompts = []rules.Prompt{{Text: "Note it.", Status: rules.Verified}}
	return p
}

func TestRunCases(t *testing.T) {
	const file = `
base:
  plain: {symptoms: true, same_sitting: false}
cases:
  - name: exactly five minutes
    source: stated
    base: plain
    profile: "95 6h, 88 4m30s, 87.5 30s"
    want: {outcome: qualifies, disposition: covered, met: [route, minutes], undetermined: [unread], allows: [stationary], needs: []}
  - name: one second short, the draft unread
    base: plain
    profile: "95 6h, 88 4m59s"
    want: {outcome: undetermined, disposition: manual_review, not_met: [minutes], needs: ["confirm:unread"], allows: []}
  - name: one second short, the draft confirmed
    base: plain
    profile: "95 6h, 88 4m59s"
    confirmed: [unread]
    want: {outcome: does_not_qualify, not_met: [minutes, unread, route]}
  - name: doubt
    base: plain
    facts: {symptoms: unknown}
    profile: "95 6h, 88 4m, 87? 2m, - 10m"
    want: {outcome: undetermined, undetermined: [minutes], needs: [span_judgement]}
`
	p := casesPack(t)
	results := RunCases(p, []byte(file), "xx.cases.yaml")
	if len(results) != 4 {
		t.Fatalf("expected 4 results, found %d: %+v", len(results), results)
	}
	for i, r := range results {
		if !r.Message.IsZero() || r.File != "xx.cases.yaml" || r.Name == "" || r.Determination.Criteria != "xx-test" {
			t.Errorf("case %d: %+v", i, r)
		}
	}
	if results[0].Line != 5 || results[1].Line != 10 {
		t.Errorf("expected lines 5 and 10, found %d and %d", results[0].Line, results[1].Line)
	}
	if got := RunCases(p, []byte("cases: []\n"), "xx.cases.yaml"); len(got) != 0 {
		t.Errorf("no cases: expected no results, found %+v", got)
	}
}

// TestRunCasesTellsTheDifference checks that no case can pass by saying
// nothing or something else.
func TestRunCasesTellsTheDifference(t *testing.T) {
	const head = "cases:\n  - name: c\n    facts: {symptoms: true, same_sitting: false}\n    profile: \"95 6h, 88 5m\"\n    "
	cases := []struct{ name, file, words string }{
		{"outcome", head + "want: {outcome: does_not_qualify}", "outcome: expected does_not_qualify, found qualifies"},
		{"disposition", head + "want: {outcome: qualifies, disposition: refer}", "disposition: expected refer, found covered"},
		{"met", head + "want: {outcome: qualifies, not_met: [minutes]}", "clause minutes: expected not_met, found met"},
		{"root", head + "want: {outcome: qualifies, met: [root]}", "the root's verdict is the outcome"},
		{"needs", head + "want: {outcome: qualifies, needs: [hematocrit]}", "needs: expected hematocrit"},
		{"allows nothing", head + "want: {outcome: qualifies, allows: []}", "allows: expected nothing, found One stationary unit."},
		{"allows another", head + "want: {outcome: qualifies, allows: [portable]}", `allows: expected "portable"`},
		{"follows nothing", head + "want: {outcome: qualifies, follow_up: []}", "follow_up: expected nothing, found Test again."},
		{"follows another", head + "want: {outcome: qualifies, follow_up: [renewal]}", `follow_up: expected "renewal"`},
		{"nothing open", head + "want: {outcome: qualifies, open: []}", "open: expected nothing, found Once more."},
		{"nothing to document", head + "want: {outcome: qualifies, document: []}", "document: expected nothing, found Note it."},
		{"lacks", head + "want: {outcome: qualifies, lacks: [again]}", `lacks: expected no sentence with "again", found "Test again." under follow_up`},
		{"barred", head + "want: {outcome: qualifies, barred: true}", "barred: expected true, found false"},
		{"barred by a word", head + "want: {outcome: qualifies, barred: always}", "one of true, false"},
		{"cautions", head + "want: {outcome: qualifies, cautions: [late]}", `cautions: expected "late"`},
		{"no want", head + "source: ours", "want: with outcome:"},
		{"empty want", head + "want: {met: [minutes]}", "outcome:"},
		{"no such outcome", head + "want: {outcome: qualified}", `did you mean "qualifies"?`},
		{"no such clause", head + "want: {outcome: qualifies, met: [minute]}", `did you mean "minutes"?`},
		{"no such need", head + "want: {outcome: qualifies, needs: [hematocrits]}", `did you mean "hematocrit"?`},
		{"no such confirmed", head + "confirmed: [unred]\n    want: {outcome: qualifies}", `did you mean "unread"?`},
		{"misspelt key", head + "wants: {outcome: qualifies}", `did you mean "want"?`},
		{"unknown fact", "cases: [{name: c, facts: {symptom: true}, want: {outcome: undetermined}}]", `did you mean "symptoms"?`},
		{"wrong fact", "cases: [{name: c, facts: {symptoms: 1}, want: {outcome: undetermined}}]", "true or false"},
		{"no such base", "base: {a: {}}\ncases: [{name: c, base: b, want: {outcome: undetermined}}]", `did you mean "a"?`},
		{"no name", "cases: [{want: {outcome: undetermined}}]", "add name:"},
		{"profile without a time", "cases: [{name: c, profile: 95, want: {outcome: undetermined}}]", "steps of value and time"},
		{"profile with a wrong time", "cases: [{name: c, profile: \"95 6x\", want: {outcome: undetermined}}]", "write the time as"},
		{"doubt about nothing", "cases: [{name: c, profile: \"-? 6h\", want: {outcome: undetermined}}]", "steps of value and time"},
		{"no list", "cases: {name: c}", "begin each case with"},
		{"other key", "casess: []", `did you mean "cases"?`},
		{"no YAML", "cases: [", "YAML that can be read"},
	}
	p := casesPack(t)
	for _, c := range cases {
		var all []string
		line := 0
		for _, r := range RunCases(p, []byte(c.file), "xx.cases.yaml") {
			all = append(all, r.Message.String())
			line = r.Line
		}
		if s := strings.Join(all, "\n"); !strings.Contains(s, c.words) || line == 0 {
			t.Errorf("%s: expected a message with %q and a line, found line %d: %s", c.name, c.words, line, s)
		}
	}
}
