package criteria

import (
	"encoding/json"
	"fmt"
	"math/big"
	"reflect"
	"slices"
	"strings"
	"testing"

	"airwarrant/rules"
)

// reading is how the packs of these tests read a recording.
var nightReading = rules.Reading{Level: "none", Artifacts: "bounds", Denominator: "valid", Baseline: "mean",
	ReportLevel: &rules.Quantity{Text: "88 %", Rat: big.NewRat(88, 1), Unit: "%"}}

// TestBoundsOfARecording checks the two examples of design section 2: a
// verdict that stands both ways, and one that two spans decide; and what is
// asked where nobody's reading settles it.
func TestBoundsOfARecording(t *testing.T) {
	cases := []struct {
		name, profile, report string
		artifacts             string
		want                  Verdict
		needs                 []string
		found                 string
	}{
		{"met either way", "95 6h, 88 354s, 87? 24s, 40 48s", "", "bounds", Met, []string{},
			"6.3 min (between 5.9 and 7.1 min however the doubtful readings are read)"},
		{"the spans decide", "95 6h, 88 288s, 87? 12s, 40 24s", "", "bounds", Unclear, []string{"span_judgement"},
			"5 min (between 4.8 and 5.4 min however the doubtful readings are read)"},
		{"strict reads undoubted readings", "95 6h, 88 288s, 87? 12s, 40 24s", "", "strict", NotMet, []string{}, "4.8 min"},
		{"as recorded reads every plausible one", "95 6h, 88 288s, 87? 12s, 40 24s", "", "as_recorded", Met, []string{}, "5 min"},
		{"one second short", "95 6h, 88 4m59s", "", "bounds", NotMet, []string{}, "4.98 min"},
		{"a report alone", "", "5.1", "bounds", Met, []string{}, "5.1 min on the signed report (printed, so between 5.05 and 5.15 min); recording not seen"},
		{"a report whose decimals leave it open", "", "5.0", "bounds", Unclear, []string{"recording"}, ""},
		{"a whole number is coarser", "", "5", "bounds", Unclear, []string{"recording"}, ""},
		{"report and recording agree", "95 6h, 88 378s", "7.2", "bounds", Met, []string{}, "6.3 min in the recording, 7.2 min on the signed report"},
		{"report and recording on two sides", "95 6h, 88 4m", "7.2", "bounds", Unclear, []string{"reported_minutes"}, ""},
		{"doubt and a report that disagrees", "95 6h, 88 4m, 87? 2m", "4.0", "bounds", Unclear, []string{"span_judgement"}, ""},
		{"a report whose rounding reaches across the limit and agrees", "95 6h, 88 5m", "5.0", "bounds", Met, []string{}, "5 min in the recording, 5.0 min on the signed report"},
		{"a report that rounds the recording across the limit", "95 6h, 88 298s", "5.0", "bounds", Unclear, []string{"reported_minutes"}, ""},
		{"a coarse report beside a recording that meets", "95 6h, 88 302s", "5", "bounds", Met, []string{}, ""},
		{"neither", "", "", "bounds", Unclear, []string{"reported_minutes"}, "recording not seen"},
		{"a recording without a reading", "- 7h", "", "bounds", Unclear, []string{"recording"}, "the recording does not tell"},
		{"a report beside a recording without a reading", "- 7h", "5.1", "bounds", Met, []string{}, "5.1 min on the signed report (printed, so between 5.05 and 5.15 min); the recording does not tell"},
	}
	for _, c := range cases {
		p := packOf(allOf("root", minutesAt88(t, "minutes", "5 min")))
		p.Reading = nightReading
		p.Reading.Artifacts = c.artifacts
		f := Facts{Named: map[string]Fact{}}
		if c.report != "" {
			f.Named = stated(t, map[string]string{"reported_minutes": c.report})
		}
		if c.profile != "" {
			f.Night = night(t, c.profile)
		}
		d := Determine(p, f, nil)
		got := findingOf(t, d, "minutes")
		if got.Outcome != c.want {
			t.Errorf("%s: expected %s, found %s (%s)", c.name, c.want, got.Outcome, got.Found)
		}
		if asks := asksOf(d); !reflect.DeepEqual(asks, c.needs) {
			t.Errorf("%s: expected to ask %v, found %v", c.name, c.needs, asks)
		}
		if c.found != "" && got.Found != c.found {
			t.Errorf("%s: expected %q, found %q", c.name, c.found, got.Found)
		}
	}
}

// TestReportOfAnotherLevel checks what the minutes of a report at 88 % tell of
// other levels: at least as much lies at or below 89 %, at most as much at or
// below 87 %, and nothing else.
func TestReportOfAnotherLevel(t *testing.T) {
	for _, c := range []struct {
		level, minutes string
		want           Outcome
		asks           []string
	}{
		{"89 %", "30", Qualifies, nil},
		{"89 %", "4.0", Undetermined, []string{"recording"}},
		{"87 %", "30", Undetermined, []string{"recording"}},
		{"87 %", "4.0", DoesNotQualify, nil},
		{"87 %", "5.0", Undetermined, []string{"recording"}},
	} {
		leaf := minutesAt88(t, "minutes", "5 min")
		leaf.SpO2 = quantity(t, c.level)
		p := packOf(allOf("root", leaf))
		p.Reading = nightReading
		d := Determine(p, Facts{Named: stated(t, map[string]string{"reported_minutes": c.minutes})}, nil)
		if d.Outcome != c.want || !slices.Equal(asksOf(d), c.asks) {
			t.Errorf("%s, %s min: expected %s and %v asked, found %s and %v", c.level, c.minutes, c.want, c.asks, d.Outcome, asksOf(d))
		}
	}
}

// TestCellsDecide checks the example of design section 2 on a lowest value
// known to lie from 88 to 89: "at or below 88, or equal to 89" holds however the
// doubtful reading is read once levels are whole numbers, although neither part
// does alone; without rounding 88.5 would meet neither.
func TestCellsDecide(t *testing.T) {
	tree := func() *rules.Node {
		return anyOf("either",
			clause("low", "nadir", func(n *rules.Node) { n.AtOrBelow = quantities(t, "88 %") }),
			clause("just-above", "nadir", func(n *rules.Node) { n.EqualTo = quantities(t, "89 %"); n.Status = rules.Secondary }))
	}
	for _, c := range []struct {
		level   string
		outcome Outcome
	}{{"half_up", Qualifies}, {"none", Undetermined}} {
		p := packOf(tree())
		p.Reading = nightReading
		p.Reading.Level = c.level
		d := Determine(p, Facts{Night: night(t, "95 6h, 89 10m, 88? 1m")}, nil)
		if d.Outcome != c.outcome {
			t.Errorf("level %s: expected %s, found %s", c.level, c.outcome, d.Outcome)
		}
		for _, id := range []string{"low", "just-above"} {
			if v := findingOf(t, d, id).Outcome; v != Unclear {
				t.Errorf("level %s: %s alone: expected undetermined, found %s", c.level, id, v)
			}
		}
		if c.outcome == Qualifies && (!reflect.DeepEqual(d.DecidedBy, []string{"low", "just-above"}) || d.Status != rules.Secondary) {
			t.Errorf("decided by %v with status %s; expected both parts and the weaker status", d.DecidedBy, d.Status)
		}
	}
}

// TestDraftNeverDecides checks design section 7.6: a draft decides neither way
// until it is confirmed, a met route stands beside one, and a maintainer is
// asked only where confirming can change the outcome.
func TestDraftNeverDecides(t *testing.T) {
	draft := func(id, fact string) *rules.Node {
		n := yes(id, fact)
		n.Status = rules.Draft
		return n
	}
	facts := func(symptoms, apnea string) map[string]string {
		return map[string]string{"symptoms": symptoms, "sleep_apnea": apnea}
	}
	cases := []struct {
		name        string
		tree        *rules.Node
		facts       map[string]string
		conf        Confirmations
		outcome     Outcome
		disposition string
		needs       []string
		status      rules.Status
		decided     []string
	}{
		{"met draft alone", allOf("r", draft("a", "symptoms")), facts("true", "true"), nil, Undetermined, "manual_review", []string{"confirm:a"}, rules.Draft, []string{}},
		{"failed draft alone", allOf("r", draft("a", "symptoms")), facts("false", "true"), nil, Undetermined, "manual_review", []string{"confirm:a"}, rules.Draft, []string{}},
		{"confirmed and met", allOf("r", draft("a", "symptoms")), facts("true", "true"), Confirmations{"a": {}}, Qualifies, "covered", []string{}, rules.Verified, []string{"a"}},
		{"confirmed and failed", allOf("r", draft("a", "symptoms")), facts("false", "true"), Confirmations{"a": {}}, DoesNotQualify, "not_covered", []string{}, rules.Verified, []string{"a"}},
		{"met route stands", anyOf("r", draft("a", "symptoms"), yes("b", "sleep_apnea")), facts("false", "true"), nil, Qualifies, "covered", []string{}, rules.Verified, []string{"b"}},
		{"failed condition stands", allOf("r", draft("a", "symptoms"), yes("b", "sleep_apnea")), facts("true", "false"), nil, DoesNotQualify, "not_covered", []string{}, rules.Verified, []string{"b"}},
		{"fact beside a draft is asked first", allOf("r", draft("a", "symptoms"), yes("b", "sleep_apnea")), map[string]string{"symptoms": "true"}, nil, Undetermined, "incomplete", []string{"sleep_apnea", "confirm:a"}, rules.Draft, []string{}},
		{"asked and not known", allOf("r", yes("b", "sleep_apnea")), map[string]string{"sleep_apnea": "unknown"}, nil, Undetermined, "manual_review", []string{}, rules.Verified, []string{}},
	}
	for _, c := range cases {
		d := Determine(packOf(c.tree), Facts{Named: stated(t, c.facts)}, c.conf)
		got := fmt.Sprint(d.Outcome, d.Disposition, asksOf(d), d.Status, d.DecidedBy)
		want := fmt.Sprint(c.outcome, c.disposition, c.needs, c.status, c.decided)
		if got != want {
			t.Errorf("%s:\nexpected %s\nfound    %s", c.name, want, got)
		}
	}
}

// TestBecauseNamesWhatWasMeasured checks the sentence of a determination: the
// measure before other numbers and conditions, whatever their order in the
// pack, and once that no recording was seen.
func TestBecauseNamesWhatWasMeasured(t *testing.T) {
	days := clause("days", "days_order_to_test", func(n *rules.Node) { n.AtLeast = quantities(t, "0 days") })
	p := packOf(allOf("r", yes("symptoms", "symptoms"), days, minutesAt88(t, "minutes", "5 min"), minutesAt88(t, "again", "4 min")))
	p.Reading = nightReading
	f := map[string]string{"symptoms": "true", "order_date": "2030-01-02", "test_date": "2030-01-05", "reported_minutes": "6.0"}
	want := "Criteria met: label of minutes: 6.0 min on the signed report (printed, so between 5.95 and 6.05 min); recording not seen; label of again: 6.0 min"
	d := Determine(p, Facts{Named: stated(t, f)}, nil)
	if !strings.HasPrefix(d.Because, want) || strings.Count(d.Because, "recording not seen") != 1 {
		t.Errorf("expected %q and once that no recording was seen, found %q", want, d.Because)
	}
	d = Determine(p, Facts{Named: stated(t, f), Night: night(t, "95 6h, 88 4m59s")}, nil)
	if !strings.Contains(strings.Join(d.Notes, " "), "prints 6.0 min, 1.01 min more") {
		t.Errorf("expected the report as printed and a difference above a minute in minutes, found %q", d.Notes)
	}
}

// TestShortRecordingIsTold checks the note on a short recording at its limit;
// the verdict is the same on both sides.
func TestShortRecordingIsTold(t *testing.T) {
	p := packOf(minutesAt88(t, "minutes", "5 min"))
	p.Reading = nightReading
	p.Reading.ShortBelow = quantity(t, "120 min")
	for _, c := range []struct{ profile, state, want string }{
		{"95 1h53m59s, 88 6m", "asleep", "The recording is short: it holds 119.98 min of readings, and some documents ask for at least 120 min. The verdict does not change."},
		{"95 1h53m59s, - 1h, 88 6m", "", "The recording is short: it holds 119.98 min"},
		{"95 1h54m, 88 6m", "asleep", ""},
		{"95 4m, 88 6m", "exertion", ""},
	} {
		f := Facts{Night: night(t, c.profile)}
		if c.state != "" {
			f.Named = stated(t, map[string]string{"test_state": c.state})
		}
		d := Determine(p, f, nil)
		got := ""
		for _, s := range d.Notes {
			if strings.Contains(s, "recording is short") {
				got = s
			}
		}
		if d.Outcome != Qualifies || !strings.HasPrefix(got, c.want) || (got == "") != (c.want == "") {
			t.Errorf("%s %s: expected %q, found %s with %q", c.profile, c.state, c.want, d.Outcome, got)
		}
	}
}

// TestUnreadValuesAreTold checks that a measured value which changed nothing
// is told: one that no clause reads, or only a clause that does not apply.
func TestUnreadValuesAreTold(t *testing.T) {
	low := func(id, fact, figure, state string) *rules.Node {
		return clause(id, fact, func(n *rules.Node) {
			n.AtOrBelow, n.IfAbsent = quantities(t, figure), "not_applicable"
			if state != "" {
				n.AppliesWhen = &rules.Node{Fact: "test_state", Is: state}
			}
		})
	}
	p := packOf(anyOf("r", low("rest", "rest_spo2", "88 %", "rest"), low("awake", "awake_spo2", "88 %", "asleep"), low("gas", "rest_pao2", "55 mmHg", "")))
	cases := []struct {
		name  string
		facts map[string]string
		want  []string
	}{
		{"only behind a shut gate", map[string]string{"test_state": "asleep", "awake_spo2": "93", "rest_spo2": "88.0"}, []string{"Saturation at rest, awake, on room air, 88.0 %, is stated"}},
		{"the gate is open", map[string]string{"rest_spo2": "88", "rest_pao2": "60"}, nil},
		{"the gate is met", map[string]string{"test_state": "rest", "rest_spo2": "88", "rest_pao2": "60"}, nil},
		{"in no clause", map[string]string{"test_state": "rest", "rest_spo2": "90", "hematocrit": "57"}, []string{"57 %, is stated"}},
		{"no measured value", map[string]string{"test_state": "rest", "rest_spo2": "90", "p_wave_height": "4"}, nil},
	}
	for _, c := range cases {
		var got []string
		for _, s := range Determine(p, Facts{Named: stated(t, c.facts)}, nil).Notes {
			if strings.Contains(s, "read by no clause that applies") {
				got = append(got, s)
			}
		}
		if len(got) != len(c.want) || len(got) == 1 && !strings.Contains(got[0], c.want[0]) {
			t.Errorf("%s: expected %q, found %q", c.name, c.want, got)
		}
	}
}

// TestUnsettledAsks checks when a clause that no fact settles is put to
// somebody: not while answers can make it irrelevant or decide either way
// without it, and with ask to whoever answers that fact.
func TestUnsettledAsks(t *testing.T) {
	judged := func(ask string) *rules.Node {
		return &rules.Node{ID: "judged", Label: "Judged", Unsettled: "Which test counts?", Ask: ask, Status: rules.Verified}
	}
	gated := func(ask string) *rules.Node {
		n := judged(ask)
		n.AppliesWhen = yes("", "sleep_apnea")
		return n
	}
	a := yes("a", "symptoms")
	cases := []struct {
		name   string
		tree   *rules.Node
		facts  map[string]string
		needs  []string
		who    rules.Role
		status rules.Status
	}{
		{"gate open", anyOf("r", a, gated("")), map[string]string{"symptoms": "false"}, []string{"sleep_apnea"}, rules.Office, rules.Verified},
		{"gate open, asking", anyOf("r", a, gated("sleep_apnea")), map[string]string{"symptoms": "false"}, []string{"sleep_apnea"}, rules.Office, rules.Verified},
		{"gate met", anyOf("r", a, gated("")), map[string]string{"symptoms": "false", "sleep_apnea": "true"}, []string{"confirm:judged"}, rules.Maintainer, rules.Draft},
		{"gate met, asking", anyOf("r", a, gated("sleep_apnea")), map[string]string{"symptoms": "false", "sleep_apnea": "true"}, []string{"sleep_apnea"}, rules.Office, rules.Verified},
		{"answers decide either way", anyOf("r", a, allOf("g", yes("b", "sleep_apnea"), judged("")), yes("c", "same_sitting")), map[string]string{"symptoms": "false"}, []string{"same_sitting", "sleep_apnea"}, "", rules.Verified},
		{"answers decide one way", allOf("r", a, judged("")), nil, []string{"symptoms", "confirm:judged"}, "", rules.Draft},
		{"gate asked and not known", anyOf("r", a, gated("")), map[string]string{"symptoms": "false", "sleep_apnea": "unknown"}, []string{"confirm:judged"}, rules.Maintainer, rules.Draft},
	}
	for _, c := range cases {
		d := Determine(packOf(c.tree), Facts{Named: stated(t, c.facts)}, nil)
		if got := asksOf(d); fmt.Sprint(got) != fmt.Sprint(c.needs) || d.Status != c.status || d.Outcome != Undetermined {
			t.Errorf("%s: expected needs %v, status %s, found %v, %s, %s", c.name, c.needs, c.status, got, d.Status, d.Outcome)
			continue
		}
		if c.who != "" && d.Needs[0].Who != c.who {
			t.Errorf("%s: expected %s to be asked, found %+v", c.name, c.who, d.Needs[0])
		}
	}
	if d := Determine(packOf(gated("sleep_apnea")), Facts{Named: stated(t, map[string]string{"sleep_apnea": "true"})}, nil); d.Disposition != "incomplete" || d.Needs[0].Question != "Which test counts?" {
		t.Errorf("expected an incomplete case and the text of the clause as question, found %s %+v", d.Disposition, d.Needs)
	}
}

// TestEvidenceOfWhatDecided checks which leaves decide and the status line: a
// met any_of rests on its strongest met part, the first on a tie; a failed
// all_of or none_of on every part that fails it, whatever its evidence; a failed
// any_of and a met all_of on all parts.
func TestEvidenceOfWhatDecided(t *testing.T) {
	with := func(n *rules.Node, s rules.Status) *rules.Node { n.Status = s; return n }
	a := func(s rules.Status) *rules.Node { return with(yes("a", "symptoms"), s) }
	b := func(s rules.Status) *rules.Node { return with(yes("b", "sleep_apnea"), s) }
	const v, w = rules.Verified, rules.Secondary
	none := group("r")
	none.NoneOf = []*rules.Node{a(w), b(v)}
	two := group("r")
	two.NOf = &rules.NOf{N: 1, Of: []*rules.Node{a(w), b(v)}}
	cases := []struct {
		name    string
		tree    *rules.Node
		a, b    string
		decided string
		status  rules.Status
	}{
		{"any_of, stronger second", anyOf("r", a(w), b(v)), "true", "true", "[b]", v},
		{"any_of, tie", anyOf("r", a(w), b(w)), "true", "true", "[a]", w},
		{"any_of failed", anyOf("r", a(w), b(v)), "false", "false", "[a b]", w},
		{"all_of met", allOf("r", a(w), b(v)), "true", "true", "[a b]", w},
		{"all_of failed twice", allOf("r", a(w), b(v)), "false", "false", "[a b]", w},
		{"all_of failed twice alike", allOf("r", a(v), b(v)), "false", "false", "[a b]", v},
		{"all_of failed once", allOf("r", a(w), b(v)), "false", "true", "[a]", w},
		{"none_of failed", none, "true", "true", "[a b]", w},
		{"none_of met", none, "false", "false", "[a b]", w},
		{"n_of met", two, "true", "true", "[b]", v},
		{"n_of failed", two, "false", "false", "[a b]", w},
	}
	for _, c := range cases {
		d := Determine(packOf(c.tree), Facts{Named: stated(t, map[string]string{"symptoms": c.a, "sleep_apnea": c.b})}, nil)
		if got := fmt.Sprint(d.DecidedBy); got != c.decided || d.Status != c.status {
			t.Errorf("%s: expected %s with %s, found %s with %s", c.name, c.decided, c.status, got, d.Status)
		}
		for _, id := range d.DecidedBy {
			if !findingOf(t, d, id).Decided {
				t.Errorf("%s: finding %s does not say that it decided", c.name, id)
			}
		}
	}
}

func TestDispositions(t *testing.T) {
	leaf := yes("a", "symptoms")
	leaf.Disposition = "invalid_test"
	around := allOf("g", yes("a", "symptoms"))
	around.Disposition = "refer"
	gated := yes("a", "symptoms")
	gated.AppliesWhen = yes("", "sleep_apnea")
	open := &rules.Node{ID: "a", Label: "deferred to another text", Unsettled: "ask the payer", Status: rules.Verified}
	f := Determine(packOf(allOf("r", open)), Facts{}, nil).Clauses[0]
	if !strings.Contains(f.Asked, "ask the payer") || strings.Contains(f.Because, "ask the payer") {
		t.Errorf("what is unsettled is said once: %q, %q", f.Asked, f.Because)
	}
	cases := []struct {
		name             string
		tree             *rules.Node
		qualifies, fails string
		facts            map[string]string
		want             string
	}{
		{"default met", allOf("r", yes("a", "symptoms")), "", "", map[string]string{"symptoms": "true"}, "covered"},
		{"pack's word for met", allOf("r", yes("a", "symptoms")), "refer", "", map[string]string{"symptoms": "true"}, "refer"},
		{"default failed", allOf("r", yes("a", "symptoms")), "", "", map[string]string{"symptoms": "false"}, "not_covered"},
		{"pack's word for failed", allOf("r", yes("a", "symptoms")), "", "recommended_against", map[string]string{"symptoms": "false"}, "recommended_against"},
		{"leaf's word for failed", allOf("r", leaf), "", "recommended_against", map[string]string{"symptoms": "false"}, "invalid_test"},
		{"group's word for failed", allOf("r", around), "", "", map[string]string{"symptoms": "false"}, "refer"},
		{"nothing applies", allOf("r", gated), "", "", map[string]string{"sleep_apnea": "false"}, "not_addressed"},
		{"only unsettled", allOf("r", open), "", "", nil, "deferred"},
		{"open", allOf("r", yes("a", "symptoms")), "", "", nil, "incomplete"},
	}
	for _, c := range cases {
		p := packOf(c.tree)
		p.Qualifies, p.Fails = c.qualifies, c.fails
		if d := Determine(p, Facts{Named: stated(t, c.facts)}, nil); d.Disposition != c.want {
			t.Errorf("%s: expected %s, found %s", c.name, c.want, d.Disposition)
		}
	}
	if d := Determine(packOf(nil), Facts{}, nil); d.Outcome != Undetermined || d.Disposition != "not_addressed" {
		t.Errorf("no criteria: expected undetermined, not_addressed, found %s, %s", d.Outcome, d.Disposition)
	}
}

// TestGates checks gates that no fact settles, shut gates and stand-ins.
func TestGates(t *testing.T) {
	tree := func() *rules.Node {
		inner := allOf("inner", yes("a", "symptoms"))
		inner.AppliesWhen = clause("", "test_state", func(n *rules.Node) { n.Is = "asleep" })
		standIn := clause("gas", "rest_pao2", func(n *rules.Node) {
			n.AtOrBelow, n.UnlessKnown = quantities(t, "55 mmHg"), "rest_spo2"
		})
		return allOf("r", inner, standIn, yes("b", "same_sitting"))
	}
	p := packOf(tree())
	p.Allows = []rules.Consequence{{When: "a", Text: "asleep", Status: rules.Verified}}
	cases := []struct {
		facts   map[string]string
		outcome Outcome
		inner   Verdict
		a       Verdict
		gas     Verdict
		needs   []string
	}{
		{map[string]string{"test_state": "rest", "symptoms": "true", "same_sitting": "true", "rest_spo2": "88"}, Qualifies, NotApplicable, NotApplicable, NotApplicable, []string{}},
		{map[string]string{"symptoms": "true", "same_sitting": "true", "rest_spo2": "88"}, Qualifies, Unclear, Met, NotApplicable, []string{}},
		{map[string]string{"symptoms": "false", "same_sitting": "true", "rest_spo2": "88"}, Undetermined, Unclear, NotMet, NotApplicable, []string{"test_state"}},
		{map[string]string{"test_state": "asleep", "symptoms": "true", "same_sitting": "true"}, Undetermined, Met, Met, Unclear, []string{"rest_pao2"}},
		{map[string]string{"test_state": "asleep", "symptoms": "true", "same_sitting": "true", "rest_spo2": "88", "rest_pao2": "56"}, DoesNotQualify, Met, Met, NotMet, []string{}},
	}
	for _, c := range cases {
		d := Determine(p, Facts{Named: stated(t, c.facts)}, nil)
		got := fmt.Sprint(d.Outcome, findingOf(t, d, "inner").Outcome, findingOf(t, d, "a").Outcome, findingOf(t, d, "gas").Outcome, asksOf(d))
		want := fmt.Sprint(c.outcome, c.inner, c.a, c.gas, c.needs)
		if got != want {
			t.Errorf("%v:\nexpected %s\nfound    %s", c.facts, want, got)
		}
		if d.Outcome == Qualifies && c.a == NotApplicable && len(d.Allows) > 0 {
			t.Errorf("%v: a clause whose gate is shut allows %v", c.facts, d.Allows)
		}
	}
}

// TestMostDecisiveFirst checks the order of the questions.
func TestMostDecisiveFirst(t *testing.T) {
	// Who performed the test and the order can each fail the case alone, in the
	// order of the vocabulary; the last two are only decisive together.
	tree := allOf("r",
		clause("who", "test_performed_by", func(n *rules.Node) {
			n.OneOf = []string{"practitioner", "hospital", "laboratory", "idtf"}
		}),
		yes("ordered", "ordered_by_treating_practitioner"),
		anyOf("finding", yes("symptoms", "symptoms"), yes("edema", "dependent_edema")))
	d := Determine(packOf(tree), Facts{}, nil)
	want := []string{"test_performed_by", "ordered_by_treating_practitioner", "symptoms", "dependent_edema"}
	if got := asksOf(d); !reflect.DeepEqual(got, want) {
		t.Errorf("expected %v, found %v", want, got)
	}
	if n := d.Needs[1]; n.Who != rules.Office || n.Question == "" || !reflect.DeepEqual(n.Decides, []string{"ordered"}) {
		t.Errorf("the question is not that of the vocabulary: %+v", n)
	}
}

// TestDerivedFactsAreAskedByTheirParts checks that questions about a computed
// fact are questions about what it is computed from, and that nothing is asked
// where one part is not known to anybody.
func TestDerivedFactsAreAskedByTheirParts(t *testing.T) {
	p := packOf(allOf("r", clause("recent", "days_order_to_test", func(n *rules.Node) { n.AtLeast = quantities(t, "0 days") })))
	cases := []struct {
		facts map[string]string
		needs []string
	}{
		{nil, []string{"test_date", "order_date"}},
		{map[string]string{"test_date": "2030-02-01"}, []string{"order_date"}},
		{map[string]string{"test_date": "2030-02-01", "order_date": "unknown"}, []string{}},
		{map[string]string{"order_date": "unknown"}, []string{}},
		{map[string]string{"test_date": "2030-02-01", "order_date": "2030-02-02"}, []string{}},
	}
	for _, c := range cases {
		d := Determine(p, Facts{Named: stated(t, c.facts)}, nil)
		if got := asksOf(d); !reflect.DeepEqual(got, c.needs) {
			t.Errorf("%v: expected to ask %v, found %v", c.facts, c.needs, got)
		}
	}
}

func TestCustody(t *testing.T) {
	p := packOf(allOf("r", minutesAt88(t, "minutes", "5 min"), yes("b", "same_sitting")))
	p.Reading = nightReading
	p.Custody = &rules.Custody{Accepts: []string{"sent_by_tester"}, Who: "The tester may send it.",
		When: clause("", "test_place", func(n *rules.Node) { n.Is = "home" })}
	cases := []struct {
		name    string
		facts   map[string]string
		barred  bool
		outcome Outcome
		needs   []string
	}{
		{"nothing stated", nil, true, Undetermined, []string{"custody", "same_sitting"}},
		{"accepted", map[string]string{"custody": "sent_by_tester", "same_sitting": "true"}, false, Qualifies, []string{}},
		{"elsewhere", map[string]string{"test_place": "facility", "same_sitting": "true"}, false, Qualifies, []string{}},
		{"not accepted", map[string]string{"custody": "none", "same_sitting": "true"}, true, Undetermined, []string{"recording"}},
		{"not known", map[string]string{"custody": "unknown", "same_sitting": "true"}, true, Undetermined, []string{"recording"}},
		{"a report is barred too", map[string]string{"custody": "none", "same_sitting": "true", "reported_minutes": "9.5"}, true, Undetermined, []string{"recording"}},
		{"what fails without the recording stands", map[string]string{"custody": "none", "same_sitting": "false"}, true, DoesNotQualify, []string{}},
	}
	for _, c := range cases {
		f := Facts{Named: stated(t, c.facts), Night: night(t, "95 6h, 88 10m")}
		d := Determine(p, f, nil)
		if d.CustodyBarred != c.barred || Barred(p, f) != c.barred {
			t.Errorf("%s: expected barred %v, found %v", c.name, c.barred, d.CustodyBarred)
		}
		if d.Outcome != c.outcome || !reflect.DeepEqual(asksOf(d), c.needs) {
			t.Errorf("%s: expected %s asking %v, found %s asking %v", c.name, c.outcome, c.needs, d.Outcome, asksOf(d))
		}
		if c.barred && c.outcome == Undetermined && !strings.Contains(d.Because, p.Custody.Who) {
			t.Errorf("%s: it is not said who may send the file: %s", c.name, d.Because)
		}
		if c.barred && strings.Contains(findingOf(t, d, "minutes").Found, "10") {
			t.Errorf("%s: the barred result is shown: %s", c.name, findingOf(t, d, "minutes").Found)
		}
	}
}

// TestMargins checks that a clause says by how much it is missed or cleared.
func TestMargins(t *testing.T) {
	band := clause("leaf", "days_test_to_discharge", func(n *rules.Node) {
		n.AtLeast, n.AtOrBelow = quantities(t, "0 days"), quantities(t, "2 days")
	})
	strict := clause("leaf", "hematocrit", func(n *rules.Node) { n.MoreThan = quantities(t, "56 %") })
	share := clause("leaf", "share_below", func(n *rules.Node) { n.SpO2, n.AtLeast = quantity(t, "90 %"), quantities(t, "1/3") })
	level := clause("leaf", "rest_spo2", func(n *rules.Node) { n.AtOrBelow = quantities(t, "88 %") })
	cases := []struct {
		leaf           *rules.Node
		facts          map[string]string
		profile        string
		found, because string
	}{
		{minutesAt88(t, "leaf", "5 min"), nil, "95 6h, 88 4m30s", "4.5 min", "Below 5 min by 30 s."},
		{minutesAt88(t, "leaf", "5 min"), nil, "95 6h, 88 6m", "6 min", "Above 5 min by 1 min."},
		{minutesAt88(t, "leaf", "300 s"), nil, "95 6h, 88 299.99s", "299.99 s", "Below 300 s by 0.01 s."},
		{band, map[string]string{"test_date": "2030-01-10", "discharge_date": "2030-01-13"}, "", "3 days", "Above 2 days by 1 day."},
		{strict, map[string]string{"hematocrit": "56.0"}, "", "56.0 %", "Exactly the limit, which is not included."},
		{level, map[string]string{"rest_spo2": "88"}, "", "88 %", "Exactly the limit, which is included."},
		{share, nil, "95 3h, 89 1h", "25 %", "Below 33.333333 % by 8.33 points."},
		{level, map[string]string{"rest_spo2": "89.5"}, "", "89.5 %, read as 90 %", "Above 88 % by 2 points."},
	}
	for _, c := range cases {
		p := packOf(allOf("r", c.leaf))
		p.Reading = nightReading
		p.Reading.Level = "half_up"
		f := Facts{Named: stated(t, c.facts)}
		if c.profile != "" {
			f.Night = night(t, c.profile)
		}
		got := findingOf(t, Determine(p, f, nil), "leaf")
		if got.Found != c.found || got.Because != c.because {
			t.Errorf("%s: expected %q, %q; found %q, %q", got.Asked, c.found, c.because, got.Found, got.Because)
		}
	}
}

func TestNotes(t *testing.T) {
	p := packOf(allOf("r",
		clause("rest", "rest_spo2", func(n *rules.Node) { n.AtOrBelow = quantities(t, "88 %") })))
	p.Reading.Level = "half_up"
	d := Determine(p, Facts{Named: stated(t, map[string]string{"rest_spo2": "88.4"})}, nil)
	if len(d.Notes) != 1 || !strings.Contains(d.Notes[0], "Rounding decides") || d.Clauses[0].Found != "88.4 %, read as 88 %" {
		t.Errorf("expected the note on rounding and both figures, found %q and %q", d.Notes, d.Clauses[0].Found)
	}
	d = Determine(p, Facts{Named: stated(t, map[string]string{"rest_spo2": "87.4"})}, nil)
	if len(d.Notes) != 0 || d.Clauses[0].Found != "87.4 %, read as 87 %" {
		t.Errorf("rounding does not decide here: %q, %q", d.Notes, d.Clauses[0].Found)
	}

	p = packOf(allOf("r", minutesAt88(t, "minutes", "5 min")))
	p.Reading = nightReading
	for profile, want := range map[string]bool{"95 6h, 88 4m, - 2m, 95 1h": true, "95 6h, 88 4m, - 1m, 95 1h": false, "95 6h, 88 4m, - 61s, 95 1h": true} {
		d := Determine(p, Facts{Night: night(t, profile)}, nil)
		told := slices.ContainsFunc(d.Notes, func(s string) bool { return strings.Contains(s, "falls short by 1 min") })
		if d.Outcome != DoesNotQualify || told != want {
			t.Errorf("%s: expected the note on unread time %v, found %q", profile, want, d.Notes)
		}
	}
	p.Criteria = &rules.Node{ID: "any", Fact: "time_at_or_below", SpO2: quantity(t, "88 %"), MoreThan: quantities(t, "0 s"), Status: rules.Verified}
	if d := Determine(p, Facts{Night: night(t, "95 6h, - 2m, 95 1h")}, nil); d.Outcome != DoesNotQualify || len(d.Notes) != 0 {
		t.Errorf("no time at all falls short by nothing that could be told: %s, %q", d.Outcome, d.Notes)
	}
	p.Criteria = allOf("r", minutesAt88(t, "minutes", "5 min"))
	f := Facts{Night: night(t, "95 6h, 88 378s"), Named: stated(t, map[string]string{"reported_minutes": "7.2"})}
	if d := Determine(p, f, nil); !slices.Contains(d.Notes, "The signed report prints 7.2 min, 54 s more than the recording gives.") {
		t.Errorf("the difference of report and recording is not told: %q", d.Notes)
	}
	f.Named = stated(t, map[string]string{"reported_minutes": "6.3"})
	if d := Determine(p, f, nil); len(d.Notes) != 0 {
		t.Errorf("a report of the recording's minutes, rounded, differs in nothing: %q", d.Notes)
	}
	any := &rules.Node{ID: "any", Fact: "time_at_or_below", SpO2: quantity(t, "88 %"), MoreThan: quantities(t, "0 s"), Status: rules.Verified}
	p.Criteria = anyOf("r", minutesAt88(t, "minutes", "5 min"), any)
	f = Facts{Night: night(t, "95 6h, 88 376s"), Named: stated(t, map[string]string{"reported_minutes": "7.2"})}
	if d := Determine(p, f, nil); len(d.Notes) != 1 {
		t.Errorf("the difference of report and recording is told once, whoever reads it: %q", d.Notes)
	}
	f = Facts{Night: night(t, "95 6h"), Named: stated(t, map[string]string{"reported_minutes": "0.0"})}
	if d := Determine(p, f, nil); d.Outcome != DoesNotQualify {
		t.Errorf("no time in the recording and 0.0 min on the report: expected does_not_qualify, found %s, asking %v", d.Outcome, asksOf(d))
	}
	p.Criteria = allOf("r", minutesAt88(t, "minutes", "5 min"))
	p.Reading.Level = "half_up"
	d = Determine(p, Facts{Night: night(t, "95 6h, 88.4 3m, 88 2m")}, nil)
	if got := findingOf(t, d, "minutes"); got.Outcome != Met || got.Found != "5 min, each sample read as a whole percent; 2 min unrounded" {
		t.Errorf("expected met with both figures, found %s, %q", got.Outcome, got.Found)
	}
	if len(d.Notes) != 1 || !strings.Contains(d.Notes[0], "Rounding decides") {
		t.Errorf("rounding decides and is not told: %q", d.Notes)
	}
}

func TestPapersAndConsequences(t *testing.T) {
	p := packOf(allOf("r", yes("a", "symptoms"), anyOf("g", yes("b", "sleep_apnea"), yes("c", "same_sitting"))))
	p.OnFile = []rules.Item{{ID: "o", Item: "order", Fact: "written_order", Cite: []string{"doc"}}, {ID: "t", Item: "report", Fact: "test_report"},
		{ID: "e", Item: "note", Fact: "evaluation_note"}, {ID: "n", Item: "need", Fact: "continued_need"}}
	p.Allows = []rules.Consequence{{When: "b", Text: "stationary", Status: rules.Verified}, {When: "a", Unless: "c", Text: "portable", Status: rules.Draft},
		{When: "a", Unless: "b", Text: "never", Status: rules.Verified}}
	p.FollowUp = []rules.Consequence{{When: "a", Text: "test again", Status: rules.Verified}}
	p.Cautions = []string{"Read the document."}
	facts := stated(t, map[string]string{"symptoms": "true", "sleep_apnea": "true", "same_sitting": "false", "written_order": "true", "evaluation_note": "false"})
	facts["test_report"] = Fact{Name: "test_report", State: Located, Value: Value{Bool: true},
		Place: &Place{Document: "Sleep laboratory report", Date: rules.Date{Year: 2030, Month: 1, Day: 9}, Page: "2", By: "records"}}
	d := Determine(p, Facts{Named: facts}, nil)
	if !reflect.DeepEqual(d.Allows, []string{"stationary", "Unverified: portable"}) || !reflect.DeepEqual(d.FollowUp, []string{"test again"}) || !reflect.DeepEqual(d.Cautions, p.Cautions) {
		t.Errorf("allows %q, follow-up %q, cautions %q", d.Allows, d.FollowUp, d.Cautions)
	}
	var states []string
	for _, o := range d.OnFile {
		states = append(states, o.State)
	}
	if !reflect.DeepEqual(states, []string{"seen", "located", "missing", "missing"}) || d.OnFile[1].Where != "Sleep laboratory report, 2030-01-09, page 2, told by records" {
		t.Errorf("on file: %+v", d.OnFile)
	}
	// With a copy of that page on file the paper is seen, and its place is kept.
	facts["test_report"].Place.Copy = "other 0123456789ab"
	copied := Determine(p, Facts{Named: facts}, nil).OnFile[1]
	if copied.State != "seen" || copied.Where != "Sleep laboratory report, 2030-01-09, page 2, told by records; copy on file: other 0123456789ab" {
		t.Errorf("with a copy on file: %+v", copied)
	}
	if want := "Example Coverage Notice, section 4.2 (2030)"; d.OnFile[0].Cite != want || findingOf(t, d, "a").Cites[0] != want {
		t.Errorf("expected %q, found %q and %q", want, d.OnFile[0].Cite, findingOf(t, d, "a").Cites)
	}

	// An unknown "unless" holds the text back, and so does any other outcome.
	delete(facts, "same_sitting")
	if d := Determine(p, Facts{Named: facts}, nil); !reflect.DeepEqual(d.Allows, []string{"stationary"}) {
		t.Errorf("unless is not known: expected stationary alone, found %q", d.Allows)
	}
	facts["symptoms"] = Fact{Name: "symptoms", State: Stated}
	if d := Determine(p, Facts{Named: facts}, nil); len(d.Allows)+len(d.FollowUp) != 0 {
		t.Errorf("does not qualify: expected nothing allowed, found %q", d.Allows)
	}
}

// TestSameInputSameBytes checks that a determination does not depend on the
// order of maps.
func TestSameInputSameBytes(t *testing.T) {
	p := largePack(t)
	first := ""
	for range 20 {
		b, err := json.Marshal(Determine(p, Facts{Named: stated(t, map[string]string{"symptoms": "true", "hematocrit": "56.1"})}, nil))
		if err != nil {
			t.Fatal(err)
		}
		if first == "" {
			first = string(b)
		}
		if string(b) != first {
			t.Fatalf("two runs differ:\n%s\n%s", first, b)
		}
	}
	if strings.Contains(first, "null") {
		t.Errorf("an empty list is null: %s", first)
	}
}

// largePack is as large as a pack of a coverage document: gates, routes and
// bands over most of the vocabulary.
func largePack(t testing.TB) *rules.Pack {
	level := func(id, fact, figure string) *rules.Node {
		return clause(id, fact, func(n *rules.Node) { n.AtOrBelow = quantities(t, figure) })
	}
	route := func(state string, parts ...*rules.Node) *rules.Node {
		n := allOf("route-"+state, parts...)
		n.AppliesWhen = clause("", "test_state", func(n *rules.Node) { n.Is = state })
		return n
	}
	above := func(id, fact, figure string) *rules.Node {
		return clause(id, fact, func(n *rules.Node) { n.MoreThan = quantities(t, figure) })
	}
	falls := clause("falls", "time_fall_more_than", func(n *rules.Node) {
		n.Points, n.AtLeast = quantity(t, "5 points"), quantities(t, "5 min")
	})
	p := packOf(allOf("r",
		yes("ordered", "ordered_by_treating_practitioner"), yes("evaluated", "evaluated_by_treating_practitioner"), yes("benefit", "expected_benefit"),
		clause("who", "test_performed_by", func(n *rules.Node) { n.OneOf = []string{"practitioner", "hospital", "laboratory", "idtf"} }),
		clause("air", "test_oxygen", func(n *rules.Node) { n.Is = "room_air" }),
		clause("days", "days_test_to_discharge", func(n *rules.Node) {
			n.AtLeast, n.AtOrBelow = quantities(t, "0 days"), quantities(t, "2 days")
			n.AppliesWhen = yes("", "inpatient")
		}),
		anyOf("groups",
			route("rest", anyOf("rest", level("rest-spo2", "rest_spo2", "88 %"), level("rest-pao2", "rest_pao2", "55 mmHg"))),
			route("asleep", anyOf("asleep", minutesAt88(t, "minutes", "5 min"), allOf("fall", falls, yes("signs", "symptoms"))),
				above("awake", "awake_spo2", "88 %"), clause("apnea", "sleep_apnea", func(n *rules.Node) { n.Is = "false" })),
			route("exertion", level("leg-2", "exertion_spo2_air", "88 %"), above("leg-3", "exertion_improvement", "0 points"),
				yes("sitting", "same_sitting"), yes("person", "exertion_in_person")),
			allOf("group-2",
				anyOf("89", clause("89-rest", "rest_spo2", func(n *rules.Node) { n.EqualTo = quantities(t, "89 %") }),
					clause("band", "rest_pao2", func(n *rules.Node) {
						n.AtLeast, n.AtOrBelow = quantities(t, "56 mmHg"), quantities(t, "59 mmHg")
					})),
				anyOf("associated", yes("edema", "dependent_edema"), above("hct", "hematocrit", "56 %"), above("p", "p_wave_height", "3 mm"),
					clause("ph", "pulmonary_hypertension", func(n *rules.Node) {
						n.OneOf = []string{"pressure_measured", "blood_pool_scan", "echocardiogram"}
					}))))))
	p.Reading = nightReading
	p.Reading.Level = "half_up"
	return p
}

func largeFacts(t testing.TB) Facts {
	f := Facts{Named: stated(t, map[string]string{
		"ordered_by_treating_practitioner": "true", "evaluated_by_treating_practitioner": "true", "expected_benefit": "true",
		"test_performed_by": "idtf", "test_oxygen": "room_air", "inpatient": "false", "test_state": "asleep",
		"awake_spo2": "93", "sleep_apnea": "false", "symptoms": "true", "rest_spo2": "93", "rest_pao2": "70",
		"exertion_spo2_air": "90", "exertion_spo2_oxygen": "94", "same_sitting": "true", "exertion_in_person": "true",
		"dependent_edema": "false", "hematocrit": "44", "p_wave_height": "1", "pulmonary_hypertension": "none",
		"test_date": "2030-02-01", "discharge_date": "2030-02-02"})}
	f.Night = night(t, "95 3h, 88 3m, 94 3h, 86 3m")
	return f
}

func BenchmarkDetermineKnown(b *testing.B) {
	p, f := largePack(b), largeFacts(b)
	if d := Determine(p, f, nil); d.Outcome != Qualifies {
		b.Fatalf("expected qualifies, found %s: %s", d.Outcome, d.Because)
	}
	b.ReportAllocs()
	for b.Loop() {
		Determine(p, f, nil)
	}
}

func BenchmarkDetermineNothingKnown(b *testing.B) {
	p := largePack(b)
	b.ReportAllocs()
	for b.Loop() {
		Determine(p, Facts{}, nil)
	}
}
