package worksheet

import (
	"math/big"
	"strings"
	"testing"

	"airwarrant/qualify/criteria"
	"airwarrant/qualify/recording"
	"airwarrant/rules"
)

// TestValueText: values of every type of the vocabulary in print.
func TestValueText(t *testing.T) {
	for _, c := range []struct {
		fact string
		v    criteria.Value
		want string
	}{
		{"inpatient", criteria.Value{Bool: true}, "yes"},
		{"written_order", criteria.Value{}, "no"},
		{"test_date", criteria.Value{Date: rules.Date{Year: 2030, Month: 3, Day: 1}}, "2030-03-01"},
		{"test_date", criteria.Value{}, "–"},
		{"custody", criteria.Value{Word: "sent_by_tester"}, "sent by tester"},
		{"test_performed_by", criteria.Value{Word: "idtf"}, "independent diagnostic testing facility"},
		{"test_oxygen", criteria.Value{Word: "room_air"}, "room air"},
		{"test_oxygen", criteria.Value{Word: "oxygen", Num: big.NewRat(5, 2), Unit: "L/min", Places: 1}, "oxygen at 2.5 L/min"},
		{"reported_minutes", criteria.Value{Num: big.NewRat(5, 1), Unit: "min", Places: 1}, "5.0 min"},
		{"rest_pao2", criteria.Value{Num: big.NewRat(73, 10), Unit: "kPa", Places: 1}, "7.3 kPa"},
		{"rest_spo2", criteria.Value{Num: big.NewRat(88, 1)}, "88 %"},
		{"rest_spo2", criteria.Value{}, "–"},
		{"recordings", criteria.Value{List: []criteria.RecordingRole{{SHA256: "0123456789abcdef", Role: "rest_air"}}}, "rest air 0123456789ab"},
	} {
		def, ok := rules.Lookup(c.fact)
		if !ok {
			t.Fatalf("no fact %s", c.fact)
		}
		if got := valueText(english, def, c.v); got != c.want {
			t.Errorf("%s: got %q, want %q", c.fact, got, c.want)
		}
	}
}

// TestEvidence: status and whose reading stand beside a source.
func TestEvidence(t *testing.T) {
	for _, c := range []struct {
		status rules.Status
		ours   bool
		want   string
	}{
		{rules.Verified, false, "verified"}, {rules.Verified, true, "verified, our reading"},
		{rules.Secondary, false, "second-hand"}, {rules.Draft, true, "draft, our reading"}, {"", true, "our reading"},
	} {
		if got := evidence(english, criteria.Finding{Status: c.status, ReadingOurs: c.ours}); got != c.want {
			t.Errorf("%q %v: got %q, want %q", c.status, c.ours, got, c.want)
		}
	}
	f := criteria.Finding{Status: rules.Verified, Strength: "strong", Grade: "moderate", Confirmed: "A. Reader on 2030-02-01, in second edition"}
	if got, want := evidence(english, f), "verified, strong recommendation, evidence moderate, confirmed by A. Reader on 2030-02-01, in second edition"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
	in := sample("met")
	in.Determination.Status = rules.Secondary
	if got := New(in).Section("deciding").After; !strings.HasPrefix(got, "Weakest evidence that decided: second-hand. Verified is ") {
		t.Errorf("status line %q", got)
	}
}

// TestClauseText: how the parts of a group join is told from the pack.
func TestClauseText(t *testing.T) {
	leaf := []*rules.Node{{ID: "x"}}
	p := &rules.Pack{Criteria: &rules.Node{ID: "root", AllOf: []*rules.Node{
		{ID: "all", AllOf: leaf}, {ID: "any", AnyOf: leaf}, {ID: "none", NoneOf: leaf}, {ID: "two", NOf: &rules.NOf{N: 2, Of: leaf}}}}}
	for id, want := range map[string]string{"all": "L (all of)", "any": "L (any of)", "none": "L (none of)", "two": "L (at least 2 of)", "other": "L: asked"} {
		f := criteria.Finding{ID: id, Label: "L", Asked: "asked", Parts: []criteria.Finding{{ID: "x"}}}
		if got := clauseText(english, f, p); got != want {
			t.Errorf("%s: got %q, want %q", id, got, want)
		}
	}
	if got := clauseText(english, criteria.Finding{Label: "L"}, nil); got != "L" {
		t.Errorf("a leaf without words: %q", got)
	}
}

// TestClockText: what the stamps of a recording are is told.
func TestClockText(t *testing.T) {
	for _, c := range []struct {
		kind recording.ClockKind
		zone string
		want string
	}{
		{recording.ClockWall, "", "no zone given: times as the recorder's clock showed them"},
		{recording.ClockInstant, "", "stamps carry their own offset"},
		{recording.ClockInstant, "Europe/Vienna", "zone Europe/Vienna"},
		{recording.ClockElapsed, "", "time since the start only, neither date nor time of day is in the file"},
		{recording.ClockTimeOfDay, "Europe/Vienna", "time of day only, the date is not in the file; zone Europe/Vienna"},
	} {
		if got := clockText(english, &recording.Recording{Clock: c.kind, Zone: c.zone}); got != c.want {
			t.Errorf("%v %s: got %q, want %q", c.kind, c.zone, got, c.want)
		}
	}
}

// TestRoles: every person of the contract has a name.
func TestRoles(t *testing.T) {
	seen := map[string]bool{}
	for _, r := range []rules.Role{rules.Intake, rules.Office, rules.Tester, rules.Maintainer, rules.Patient} {
		n := roleName(r)
		if n == string(r) || seen[n] {
			t.Errorf("role %s is called %q", r, n)
		}
		seen[n] = true
	}
}
