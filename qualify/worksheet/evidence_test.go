package worksheet

import (
	"math/big"
	"slices"
	"strings"
	"testing"

	"airwarrant/qualify/criteria"
	"airwarrant/rules"
)

// TestEvidenceOfClauses: every deciding clause tells the letter of what its
// figure rests on, and the letters are listed with what they stand for.
func TestEvidenceOfClauses(t *testing.T) {
	in := sample("met")
	in.Pack.Criteria.AllOf = append(in.Pack.Criteria.AllOf, &rules.Node{ID: "days", Fact: "days_order_to_test"}, &rules.Node{ID: "ill", Fact: "symptoms"})
	in.Facts["order_date"] = criteria.Fact{Name: "order_date", State: criteria.Located, Place: &criteria.Place{Document: "order sheet", Page: "1"}}
	in.Determination.Clauses = append(in.Determination.Clauses,
		leaf("days", "Order before the test", "at least 0 days", "9 days", criteria.Met, true), leaf("ill", "Symptoms", "yes", "not known", criteria.Unclear, true))
	for i := range in.Determination.Clauses[:2] {
		in.Determination.Clauses[i].Decided = true
	}
	w := New(in)
	letters := map[string]string{}
	for _, r := range w.Section("deciding").Table.Rows {
		letters[r.Cells[0].Sub] = r.Cells[2].Ref
	}
	listed := map[string]string{}
	for _, r := range w.Section("provenance").Table.Rows {
		letter, _, _ := strings.Cut(r.Cells[0].Text, ":")
		listed[letter] = r.Cells[1].Text
	}
	located := "order sheet, 2030-02-20, page 3, by Mira Quell, front desk; copy not on file"
	for id, want := range map[string][]string{
		"asleep-88": {in.Recording.SHA256}, "ordered": {located}, "air": {statedText}, "ill": nil,
		"days": {"order sheet, page 1; copy not on file", statedText}, // the date of the order, and that of the test
	} {
		var got []string
		for _, l := range strings.FieldsFunc(letters[id], func(r rune) bool { return r == ',' || r == ' ' }) {
			text := listed[l]
			if sha, _, ok := strings.Cut(text, " (text, "); ok {
				text = sha
			}
			got = append(got, text)
		}
		if !slices.Equal(got, want) {
			t.Errorf("%s rests on %q, want %q", id, got, want)
		}
	}
	if got := (Cell{Text: "92 %", Ref: letters["ordered"]}).Referred(); !strings.HasPrefix(got, "92 % [") {
		t.Errorf("printed %q", got)
	}
}

// TestEvidenceOfLegs: a figure computed from a leg rests on the recording of
// that leg, one of all legs on all of them.
func TestEvidenceOfLegs(t *testing.T) {
	a, b := night(), night()
	b.SHA256 = strings.Repeat("b0b0", 16)
	in := Input{Uploads: []Upload{{SHA256: a.SHA256}, {SHA256: b.SHA256}}, Legs: []Leg{
		{RecordingRole: criteria.RecordingRole{Role: criteria.RoleExertionAir}, Of: a},
		{RecordingRole: criteria.RecordingRole{Role: criteria.RoleExertionOxygen}, Of: b},
		{RecordingRole: criteria.RecordingRole{Role: criteria.RoleRecovery}},
	}, Facts: map[string]criteria.Fact{}}
	for _, name := range []string{"exertion_spo2_air", "exertion_spo2_oxygen", "same_sitting"} {
		in.Facts[name] = criteria.Fact{Name: name, State: criteria.Computed}
	}
	ev := newEvidenceList(in)
	for name, want := range map[string]string{"exertion_spo2_air": "A", "exertion_spo2_oxygen": "B", "same_sitting": "A, B", "exertion_improvement": "A, B", "rest_spo2": ""} {
		if got := ev.of(name); got != want {
			t.Errorf("%s rests on %q, want %q", name, got, want)
		}
	}
}

// TestEvidenceOfReport: the time that a report prints at the level of the pack
// rests on the place where it stands, other figures do not count.
func TestEvidenceOfReport(t *testing.T) {
	at := func(level int64, page string) criteria.Reported {
		return criteria.Reported{Measure: "time_at_or_below", SpO2: big.NewRat(level, 1), Value: big.NewRat(36, 5), Unit: "min", Places: 1, Document: "fax", Page: page}
	}
	in := sample("report")
	for _, c := range []struct {
		figures []criteria.Reported
		want    string
	}{
		{[]criteria.Reported{at(90, "1"), at(88, "2")}, "signed report, fax, page 2"}, {[]criteria.Reported{at(90, "1")}, statedText}, {nil, statedText},
		{[]criteria.Reported{{Measure: "time_at_or_below", SpO2: big.NewRat(88, 1)}}, statedText},
	} {
		in.Facts["report"] = criteria.Fact{Name: "report", State: criteria.Stated, Value: criteria.Value{Report: c.figures}}
		ev := newEvidenceList(in)
		if got := ev.clause("asleep-88"); got != "A" || ev.texts[0] != c.want {
			t.Errorf("%d figures: rests on %s, %q, want %q", len(c.figures), got, ev.texts, c.want)
		}
	}
}

// TestLetters: letters go on behind Z as columns of a sheet do.
func TestLetters(t *testing.T) {
	ev := newEvidenceList(Input{})
	var got []string
	for i := 0; i < 28; i++ {
		got = append(got, ev.letter(strings.Repeat("x", i+1)))
	}
	if got[0] != "A" || got[25] != "Z" || got[26] != "AA" || got[27] != "AB" || ev.letter("xx") != "B" {
		t.Errorf("letters %v", got)
	}
}
