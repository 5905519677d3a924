package rules

import (
	"strings"
	"testing"
)

// Of each change of one thing in the pack of the comparison: whether it needs a
// new document, and of which part. The pack cites one notice everywhere.
func TestUncitedChanges(t *testing.T) {
	for _, tt := range []struct {
		name, old, with, part string
	}{
		{"a figure", "at_or_below: 88 %", "at_or_below: 89 %", "rest"},
		{"a comparator", "at_or_below: 88 %", "below: 88 %", "rest"},
		{"the spelling of a figure", "at_or_below: 88 %", "at_or_below: 88.0 %", ""},
		{"a unit", "altitude, more_than: 1500 m", "altitude, more_than: 1500 ft", "prompts"},
		{"a connective", "all_of:\n", "any_of:\n", "all"},
		{"a rounding", "at_or_below: 88 %,", "at_or_below: 88 %, rounding: half_up,", "rest"},
		{"what absence means", "at_or_below: 88 %,", "at_or_below: 88 %, if_absent: not_applicable,", "rest"},
		{"what absence means anyway", "at_or_below: 88 %,", "at_or_below: 88 %, if_absent: ask,", ""},
		{"a first day", "at_or_below: 88 %,", "at_or_below: 88 %, since: 2031-01-01,", "rest"},
		{"a condition", "test_state, is: rest", "test_state, is: asleep", "signs"},
		{"a clause under another id", "id: rest, label: Low at rest", "id: low, label: Low at rest", "low"},
		{"a clause that is gone", "    - {id: signs, label: Signs, applies_when: {fact: test_state, is: rest}, fact: symptoms, is: true, cite: [notice], status: draft}\n", "", "all"},
		{"the age", "at_least: 18 years", "at_least: 17 years", "population"},
		{"the last day", "expires: 2040-01-01", "expires: 2041-01-01", "expires"},
		{"a deferral", "inpatient, is: true", "inpatient, is: false", "other"},
		{"the first day of a waiver", "from: 2030-03-01", "from: 2030-03-02", "flood"},
		{"a parameter of reading", "level: none", "level: half_up", "reading.level"},
		{"the level of reports", "report_level: 88 %", "report_level: 89 %", "reading.report_level"},
		{"custody", "sent_by_tester]", "sent_by_practitioner]", "custody"},
		{"what is on file", "fact: written_order", "fact: evaluation_note", "order"},
		{"a day of what follows", "at_least: 61 days", "at_least: 60 days", "follow_up"},
		{"a figure in words", "text: One unit.", "text: One unit for 36 months.", "allows"},
		{"the choice", "[most_recent, gas_over_oximetry]", "[gas_over_oximetry, most_recent]", "choose"},
		{"a label", "label: Low at rest", "label: At rest", ""},
		{"a status", "status: draft}", "status: verified}", ""},
		{"a title", "title: Example notice", "title: Another", ""},
		{"whose reading", "reading: ours", "reading: stated", ""},
		{"a text", "text: Test again.", "text: Test once more.", ""},
		{"a caution", "Be careful.", "Take care.", ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if !strings.Contains(comparedPack, tt.old) {
				t.Fatalf("the pack lacks %q", tt.old)
			}
			text := strings.Replace(comparedPack, tt.old, tt.with, 1)
			if tt.part == "low" { // what refers to it goes with it
				text = strings.ReplaceAll(text, "when: rest", "when: low")
			}
			if !strings.Contains(text, "id: signs") {
				text = strings.NewReplacer("waives: [signs]", "waives: [rest]", "unless: signs, ", "").Replace(text)
			}
			was := comparedOf(t, comparedPack)
			var parts []string
			for _, u := range UncitedChanges(was, comparedOf(t, text), false) {
				parts = append(parts, u.Part)
				if u.Was == u.Is || u.Said().IsZero() {
					t.Errorf("the two figures are told alike: %s", u.Said())
				}
			}
			if got := strings.Join(parts, " "); (tt.part == "") != (got == "") || !strings.Contains(" "+got+" ", " "+tt.part+" ") && tt.part != "" {
				t.Errorf("found uncited [%s], expected [%s]", got, tt.part)
			}
			for _, cite := range []string{"edition: second", "edition: First "} {
				cited := strings.Replace(text, "edition: first", cite, 1)
				n := len(UncitedChanges(was, comparedOf(t, cited), false))
				if want := map[bool]int{true: len(parts), false: 0}[cite == "edition: First "]; n != want {
					t.Errorf("with %s: %d uncited, expected %d", cite, n, want)
				}
			}
			// Read again on a later day: enough for a correction, and for nothing else.
			again := comparedOf(t, strings.Replace(text, "read_on: 2029-12-01", "read_on: 2029-12-02", 1))
			if UncitedChanges(was, again, true) != nil || len(UncitedChanges(was, again, false)) != len(parts) {
				t.Error("a later day of reading counts otherwise than for a correction")
			}
		})
	}
}

// A new document somewhere else in the pack is none of the clause.
func TestUncitedElsewhere(t *testing.T) {
	text := strings.NewReplacer("at_or_below: 88 %", "at_or_below: 89 %", "cites:\n", "cites:\n  letter: {document: Letter}\n", "text: Note the altitude., cite: [notice]", "text: Note the altitude., cite: [letter]").Replace(comparedPack)
	got := UncitedChanges(comparedOf(t, comparedPack), comparedOf(t, text), false)
	if len(got) != 1 || got[0].Part != "rest" || !strings.Contains(got[0].Said().String(), "Clause rest: expected a new or changed document beside a changed figure; found “fact rest_spo2, at_or_below 89 %”, before “fact rest_spo2, at_or_below 88 %”, and it cites Example Notice, section 4, first") {
		t.Errorf("%v", got)
	}
}

// In the shipped packs no figure that stood in the version before changes without
// a new document. What a version adds may stand in one that an earlier version
// cited for something else: such a clause is only counted here.
func TestUncitedShipped(t *testing.T) {
	lib, err := Embedded()
	if err != nil {
		t.Fatal(err)
	}
	pairs := 0
	for _, r := range lib.Regions() {
		h := lib.History(r.Region)
		for i := 1; i < len(h); i++ {
			pairs++
			for _, u := range UncitedChanges(h[i-1], h[i], false) {
				if u.Was != "" {
					t.Errorf("%s %s: %s", r.Region, h[i].EffectiveFrom, u)
				}
			}
			if same := UncitedChanges(h[i], h[i], false); same != nil {
				t.Errorf("%s %s differs from itself: %v", r.Region, h[i].EffectiveFrom, same)
			}
		}
	}
	if pairs < 2 {
		t.Fatalf("only %d versions follow another", pairs)
	}
	// Any two packs can be laid beside each other, and each figure that is told
	// has two sides.
	all := lib.Regions()
	for i, r := range all {
		a, b := lib.History(r.Region)[0], lib.History(all[(i+1)%len(all)].Region)[0]
		for _, u := range UncitedChanges(a, b, false) {
			if u.Was == u.Is || u.Part == "" || u.What == "" {
				t.Errorf("%s beside %s: %+v", a.File, b.File, u)
			}
		}
	}
}
