package qualify_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"airwarrant/qualify"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/worksheet"
	"airwarrant/rules"
)

// pulseless is a night at one row in 4 s whose 15 rows at 87 % lack a pulse:
// 400 s at 88 % that nobody doubts, then 60 s that are doubted. The 7 min of
// the example payer lie between the two.
func pulseless() []byte {
	var b strings.Builder
	b.WriteString("Date and time;SpO2;Pulse\n")
	at := time.Date(2030, 2, 10, 22, 0, 0, 0, time.UTC)
	rows := func(n, spo2 int, pulse string) {
		for i := range n {
			p := pulse
			if p == "" && i%2 == 0 {
				p = "61"
			} else if p == "" {
				p = "62"
			}
			fmt.Fprintf(&b, "%s;%d;%s\n", at.Format("2006-01-02 15:04:05"), spo2, p)
			at = at.Add(4 * time.Second)
		}
	}
	rows(2000, 93, "")
	rows(100, 88, "")
	rows(15, 87, "--")
	rows(3000, 93, "")
	return []byte(b.String())
}

// pulselessFrom and To are the doubted stretch: 2,100 rows after 22:00.
const (
	pulselessFrom = "2030-02-11T00:20:00"
	pulselessTo   = "2030-02-11T00:21:00"
)

func judgedFacts(t *testing.T, spans string) map[string]criteria.Fact {
	t.Helper()
	f, err := criteria.ParseFacts([]byte(`
test_date: 2030-02-10
test_state: asleep
test_oxygen: room_air
test_place: facility
order_date: 2030-02-01
rest_spo2: 95
`+spans), "facts.yaml")
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func TestJudgedSpansDecide(t *testing.T) {
	lib, err := rules.Embedded()
	if err != nil {
		t.Fatal(err)
	}
	span := func(judged string) string {
		return fmt.Sprintf("spans:\n  - {from: %s, to: %s, judged: %s, by: \"L. Frost, RRT\"}\n", pulselessFrom, pulselessTo, judged)
	}
	check := func(spans string) *qualify.Result {
		t.Helper()
		res, err := qualify.Check(qualify.Query{Sources: []qualify.Source{{Name: "night", Data: pulseless()}}, Facts: judgedFacts(t, spans), Criteria: []string{"xx-example"}}, lib)
		if err != nil {
			t.Fatal(err)
		}
		return res
	}
	for _, tt := range []struct {
		name, spans string
		outcome     criteria.Outcome
		needs       int
		low, s      int64
	}{
		{"nobody judged", "", criteria.Undetermined, 1, 400, 460},
		{"genuine", span("genuine"), criteria.Qualifies, 0, 460, 460},
		{"artifact", span("artifact"), criteria.DoesNotQualify, 0, 400, 400},
		{"cannot be told: not asked again", span("cannot_tell"), criteria.Undetermined, 0, 400, 460},
		{"another stretch", strings.NewReplacer("00:20", "03:20", "00:21", "03:21").Replace(span("genuine")), criteria.Undetermined, 1, 400, 460},
	} {
		res := check(tt.spans)
		d := res.Determinations[0]
		if d.Outcome != tt.outcome || len(d.Needs) != tt.needs {
			t.Errorf("%s: %s, needs %v; want %s and %d", tt.name, d.Outcome, d.Needs, tt.outcome, tt.needs)
		}
		if tt.needs == 1 && d.Needs[0].Fact != "span_judgement" {
			t.Errorf("%s: asked is %s", tt.name, d.Needs[0].Fact)
		}
		var b bytes.Buffer
		if err := res.WriteJSON(&b); err != nil {
			t.Fatal(err)
		}
		type at struct {
			AtOrBelow map[string]map[string]float64 `json:"at_or_below"`
		}
		var out struct {
			Analysis at
			Unjudged *at
			Judged   []struct{ From, To, Judged, By string }
		}
		if err := json.Unmarshal(b.Bytes(), &out); err != nil {
			t.Fatal(err)
		}
		if got := out.Analysis.AtOrBelow["88"]; got["low_s"] != float64(tt.low) || got["s"] != float64(tt.s) || got["high_s"] != float64(tt.s) {
			t.Errorf("%s: at or below 88 %%: %v, want %d and %d s", tt.name, got, tt.low, tt.s)
		}
		if fits := strings.Contains(tt.spans, pulselessFrom); fits != (out.Unjudged != nil) || fits != (len(out.Judged) == 1) {
			t.Errorf("%s: unjudged %v, judged %v", tt.name, out.Unjudged, out.Judged)
		} else if fits && out.Unjudged.AtOrBelow["88"]["low_s"] != 400 {
			t.Errorf("%s: without the judgement: %v", tt.name, out.Unjudged.AtOrBelow["88"])
		}
	}
	if res := check(strings.Replace(span("genuine"), pulselessFrom, "2030-02-11T03:20:00", 1)); res.Unjudged != nil || !strings.Contains(strings.Join(res.Warnings, " "), "fits no doubted reading of this test, and is left out") {
		t.Errorf("a stretch that ends before it begins is judged: %v", res.Warnings)
	}

	// Both readings stand on the worksheet, with who judged.
	w := check(span("genuine")).Worksheet(0, qualify.Paper{})
	var b bytes.Buffer
	if err := w.WriteText(&b); err != nil {
		t.Fatal(err)
	}
	text := strings.Join(strings.Fields(b.String()), " ")
	for _, want := range []string{"Doubtful stretches that were judged", "as judged 7 min 40 s 7 min 40 s 7 min 40 s", "without the judgement 6 min 40 s 7 min 40 s 7 min 40 s",
		"Genuine, by L. Frost, RRT: 2030-02-11 00:20:00 to 00:21:00", "Without the judgement the outcome is: undetermined.", "judged: genuine, by L. Frost, RRT", "no pulse reading"} {
		if !strings.Contains(text, want) {
			t.Errorf("the worksheet lacks %q:\n%s", want, text)
		}
	}
	if s := check("").Worksheet(0, qualify.Paper{}).Section("judged"); s != nil {
		t.Errorf("nobody judged, and the worksheet has %+v", s)
	}
}

// A critically low reading is alerted of, whoever says that it is none.
func TestJudgementSilencesNoAlert(t *testing.T) {
	lib, err := rules.Embedded()
	if err != nil {
		t.Fatal(err)
	}
	data := bytes.ReplaceAll(pulseless(), []byte(";87;"), []byte(";70;"))
	for _, spans := range []string{"", fmt.Sprintf("spans: [{from: %s, to: %s, judged: artifact, by: \"L. Frost, RRT\"}]\n", pulselessFrom, pulselessTo)} {
		res, err := qualify.Check(qualify.Query{Sources: []qualify.Source{{Name: "night", Data: data}}, Facts: judgedFacts(t, spans), Criteria: []string{"xx-example"}}, lib)
		if err != nil {
			t.Fatal(err)
		}
		if len(res.CriticalFound) != 1 || res.CriticalFound[0].Lowest.RatString() != "70" {
			t.Errorf("with %q: found %+v", spans, res.CriticalFound)
		}
		if w := res.Worksheet(0, qualify.Paper{}); len(w.Alerts) != 1 || !strings.Contains(w.Alerts[0], "70 %") {
			t.Errorf("with %q: alerts %v", spans, w.Alerts)
		}
	}
}

// A judgement belongs to the recording that it names, and to the leg in which
// it lies.
func TestJudgedOfItsRecording(t *testing.T) {
	lib, err := rules.Embedded()
	if err != nil {
		t.Fatal(err)
	}
	one := qualify.Source{Name: "one", Data: pulseless()}
	first, err := qualify.Measure(one, 0, qualify.Query{}.Analysis)
	if err != nil {
		t.Fatal(err)
	}
	sha := first.Readings[0].SHA256
	for _, tt := range []struct {
		name, sha string
		fits      bool
	}{{"its own", sha, true}, {"no name, and only one recording", "", true}, {"another", strings.Repeat("ab", 32), false}} {
		key := ""
		if tt.sha != "" {
			key = "sha256: " + tt.sha + ", "
		}
		facts := judgedFacts(t, fmt.Sprintf("recordings: [{sha256: %s, role: air}]\nspans: [{%sfrom: %s, to: %s, judged: genuine, by: \"L. Frost, RRT\"}]\n", sha, key, pulselessFrom, pulselessTo))
		res, err := qualify.Check(qualify.Query{Sources: []qualify.Source{one}, Facts: facts, Criteria: []string{"xx-example"}}, lib)
		if err != nil {
			t.Fatal(err)
		}
		if (len(res.Judged) == 1) != tt.fits {
			t.Errorf("%s: judged %v", tt.name, res.Judged)
		}
	}
	// The doubted row of a leg, in a recording of a walk.
	facts := judgedFacts(t, fmt.Sprintf(`recordings:
  - {sha256: %[1]s, role: rest_air, from: "2030-02-10T22:00:00", until: "2030-02-10T23:00:00"}
  - {sha256: %[1]s, role: exertion_air, from: "2030-02-11T00:10:00", until: "2030-02-11T00:30:00"}
spans: [{from: %[2]s, to: %[3]s, judged: artifact, by: "L. Frost, RRT"}]
`, sha, pulselessFrom, pulselessTo))
	facts["test_state"] = criteria.Fact{Name: "test_state", State: criteria.Stated, Value: criteria.Value{Word: "exertion"}}
	res, err := qualify.Check(qualify.Query{Sources: []qualify.Source{one}, Facts: facts, Criteria: []string{"xx-example"}}, lib)
	if err != nil {
		t.Fatal(err)
	}
	if len(res.Legs) != 2 || res.Legs[1].Unjudged == nil || res.Legs[1].Nadir.Value.RatString() != "88" || res.Legs[1].Unjudged.Nadir.Value.RatString() != "87" {
		t.Fatalf("legs %+v", res.Legs)
	}
	var b bytes.Buffer
	if err := res.Worksheet(0, qualify.Paper{}).WritePDF(&b, worksheet.PDFOptions{}); err != nil {
		t.Fatal(err)
	}
	var text bytes.Buffer
	if err := res.Worksheet(0, qualify.Paper{}).WriteText(&text); err != nil {
		t.Fatal(err)
	}
	if got := strings.Join(strings.Fields(text.String()), " "); !strings.Contains(got, "On exertion, room air, nadir as judged 88 %") && !strings.Contains(got, "nadir as judged 88 % 88 % 88 %") {
		t.Errorf("the worksheet does not tell both readings of the leg:\n%s", got)
	}
}
