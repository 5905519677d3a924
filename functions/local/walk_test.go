package main

import (
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"os"
	"strings"
	"testing"
)

// walkConditions states everything that a Medicare walk in a hospital asks,
// save its values.
const walkConditions = `
custody: sent_by_practitioner
test_date: 2026-03-24
test_state: exertion
test_place: facility
test_performed_by: hospital
supplier_part: none
ordered_by_treating_practitioner: true
evaluated_by_treating_practitioner: true
expected_benefit: true
inpatient: false
exertion_in_person: true
dependent_edema: false
pulmonary_hypertension: none
p_wave_height: 0
hematocrit: 45
`

// TestCheckReadsLegs checks `check` on the walk of testdata with its legs as
// marked stretches, typed, and as a recording each.
func TestCheckReadsLegs(t *testing.T) {
	const path = "../../testdata/recordings/walk-legs.csv"
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	leg := func(role, from, until, more string) string {
		return fmt.Sprintf("  - {sha256: %x, role: %s, from: 2026-03-24T22:%s, until: 2026-03-24T22:%s%s}\n", sha256.Sum256(data), role, from, until, more)
	}
	rest, air, recovery := leg("rest_air", "00:00", "02:00", ""), leg("exertion_air", "02:00", "05:00", ""), leg("recovery", "05:00", "06:00", "")
	oxygen := leg("exertion_oxygen", "06:00", "09:00", ", flow: 2, device: continuous_flow")
	all := "recordings:\n" + rest + air + recovery + oxygen
	for _, c := range []struct {
		name, facts string
		code        int
		outcome     string
		legs        int
		err         string
	}{
		{"all legs marked", walkConditions + all, 0, "qualifies", 4, ""},
		{"the order of the list does not matter", walkConditions + "recordings:\n" + oxygen + recovery + air + rest, 0, "qualifies", 4, ""},
		{"no recovery named", walkConditions + "recordings:\n" + rest + air + oxygen, 0, "qualifies", 3, ""},
		{"one leg typed, so the sitting is asked", walkConditions + "exertion_spo2_oxygen: 92\nrecordings:\n" + rest + air, exitUndetermined, "undetermined", 2, ""},
		{"one leg typed", walkConditions + "same_sitting: true\nexertion_spo2_oxygen: 92\nrecordings:\n" + rest + air, 0, "qualifies", 2, ""},
		{"the leg ends before the fall", walkConditions + "recordings:\n" + rest + leg("exertion_air", "02:00", "03:30", "") + oxygen, 0, "does_not_qualify", 3, ""},
		{"overlap", walkConditions + "recordings:\n" + rest + leg("exertion_air", "01:59", "05:00", ""), exitUsage, "", 0, "recordings[1]: expected stretches of one recording that do not overlap"},
		{"outside the recording", walkConditions + "recordings:\n" + leg("rest_air", "30:00", "31:00", ""), exitUsage, "", 0, "found no sample in it"},
	} {
		r := command(t, "", "check", path, "--criteria", "us-medicare", "--facts", file(t, "facts.yaml", c.facts), "--json")
		if r.code != c.code || c.err != "" && (r.out != "" || !strings.Contains(r.err, c.err)) {
			t.Errorf("%s: exit %d, want %d; %s", c.name, r.code, c.code, r.err)
		}
		if c.err != "" {
			continue
		}
		var got struct {
			Analysis       any
			Determinations []struct{ Outcome string }
			Legs           []map[string]any
		}
		if err := json.Unmarshal([]byte(r.out), &got); err != nil {
			t.Fatal(err)
		}
		if got.Determinations[0].Outcome != c.outcome || len(got.Legs) != c.legs || got.Analysis != nil {
			t.Errorf("%s: expected %s and %d legs, found %s and %d", c.name, c.outcome, c.legs, got.Determinations[0].Outcome, len(got.Legs))
		}
	}
	r := command(t, "", "check", path, "--criteria", "us-medicare", "--facts", file(t, "facts.yaml", walkConditions+all))
	for _, want := range []string{"The exertional test in legs", "2 exertion on room", "88.81", "1 min", "of one sitting"} {
		if !strings.Contains(r.out, want) {
			t.Errorf("the worksheet lacks %q:\n%s", want, r.out)
		}
	}
}

// TestCheckReadsALegOfEachRecording: legs that were recorded one by one need
// no marks; whether they are of one sitting is then asked.
func TestCheckReadsALegOfEachRecording(t *testing.T) {
	facts := walkConditions + "recordings:\n"
	args := []string{"check"}
	for i, leg := range []struct{ role, series string }{{"rest_air", "93*30"}, {"exertion_air", "90*20 86*30"}, {"exertion_oxygen", "91*50"}} {
		text := strings.ReplaceAll(night(leg.series), "2024-03-01 22", fmt.Sprintf("2026-03-24 %d", 10+i))
		facts += fmt.Sprintf("  - {sha256: %x, role: %s}\n", sha256.Sum256([]byte(text)), leg.role)
		args = append(args, file(t, leg.role+".csv", text))
	}
	for _, c := range []struct {
		more string
		code int
		want string
	}{{"", exitUndetermined, "undetermined"}, {"same_sitting: true\n", 0, "qualifies"}, {"same_sitting: false\n", 0, "does_not_qualify"}} {
		r := command(t, "", append(args, "--criteria", "us-medicare", "--facts", file(t, "facts.yaml", facts+c.more), "--json")...)
		d := decode(t, r).Determinations[0]
		if r.code != c.code || d.Outcome != c.want || c.code != 0 && (len(d.Needs) != 1 || d.Needs[0].Fact != "same_sitting") {
			t.Errorf("%q: exit %d, %s, needs %v", c.more, r.code, d.Outcome, d.Needs)
		}
	}
}
