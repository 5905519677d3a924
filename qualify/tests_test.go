package qualify

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math/rand/v2"
	"os"
	"strings"
	"testing"

	"airwarrant/qualify/criteria"
	"airwarrant/rules"
)

// conditions are those under which a test of any state is accepted.
const conditions = `test_place: facility
test_oxygen: room_air
test_performed_by: hospital
ordered_by_treating_practitioner: true
evaluated_by_treating_practitioner: true
expected_benefit: true
inpatient: false
order_date: 2022-01-01
sleep_apnea: false
symptoms: false
dependent_edema: false
pulmonary_hypertension: none
p_wave_height: 0
hematocrit: 45
`

func checkFacts(t *testing.T, lib *rules.Library, text string, sources ...Source) *Result {
	t.Helper()
	facts, err := criteria.ParseFacts([]byte(text), "facts.yaml")
	if err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	res, err := Check(Query{Facts: facts, Criteria: []string{"us-medicare"}, Sources: sources}, lib)
	if err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	return res
}

func shippedPacks(t *testing.T) *rules.Library {
	t.Helper()
	lib, err := rules.Load(os.DirFS("../rules/packs"))
	if err != nil {
		t.Fatal(err)
	}
	return lib
}

// TestSeveralTestsDecide holds which of several tests decides: the Medicare
// dossier, section 2.5 (blood gas on the same day, most recent otherwise) and
// section 5, cases 9, 10 and 17; what is marked ours is our reading.
func TestSeveralTestsDecide(t *testing.T) {
	lib := shippedPacks(t)
	for _, c := range []struct {
		name, tests string
		outcome     criteria.Outcome
		decides     string
		asks        string // fact of the first question
		says        string // in a note
		version     string
	}{
		{"case 9", `
- {name: gas, test_state: rest, test_date: 2024-03-01, rest_pao2: 57}
- {name: oximetry, test_state: rest, test_date: 2024-03-01, rest_spo2: 88}`, criteria.DoesNotQualify, "gas", "", "The tests at rest differ", "2023-04-01"},
		{"case 10", `
- {name: gas, test_state: rest, test_date: 2024-03-01, rest_pao2: 57}
- {name: oximetry, test_state: rest, test_date: 2024-03-05, rest_spo2: 88}`, criteria.Qualifies, "oximetry", "", "2024-03-05: qualifies", "2023-04-01"},
		{"rest before exertion before asleep (ours)", `
- {name: night, test_state: asleep, test_date: 2024-03-09, reported_minutes: 12.0, awake_spo2: 93}
- {name: walk, test_state: exertion, test_date: 2024-03-08, rest_spo2: 91, exertion_spo2_air: 85, exertion_spo2_oxygen: 93, same_sitting: true, exertion_in_person: true}
- {name: chair, test_state: rest, test_date: 2024-03-07, rest_spo2: 87}`, criteria.Qualifies, "chair", "", "3 tests are listed", "2023-04-01"},
		{"a qualifying night stands beside a failed value at rest", `
- {name: chair, test_state: rest, test_date: 2024-03-07, rest_spo2: 94}
- {name: night, test_state: asleep, test_date: 2024-03-01, reported_minutes: 12.0, awake_spo2: 93}`, criteria.Qualifies, "night", "", "", "2023-04-01"},
		// Section 2.5: of values at rest the most recent counts, whichever test
		// it was taken beside (ours).
		{"a walk that qualifies by its value at rest, and a later one", `
- {name: walk, test_state: exertion, test_date: 2024-03-05, rest_spo2: 87, exertion_spo2_air: 85, exertion_spo2_oxygen: 93, same_sitting: true, exertion_in_person: true}
- {name: chair, test_state: rest, test_date: 2024-03-08, rest_spo2: 91}`, criteria.DoesNotQualify, "chair", "", "The tests at rest differ", "2023-04-01"},
		{"a walk that qualifies by its value at rest, and an earlier one", `
- {name: walk, test_state: exertion, test_date: 2024-03-08, rest_spo2: 87, exertion_spo2_air: 85, exertion_spo2_oxygen: 93, same_sitting: true, exertion_in_person: true}
- {name: chair, test_state: rest, test_date: 2024-03-05, rest_spo2: 91}`, criteria.Qualifies, "walk", "", "The tests at rest differ", "2023-04-01"},
		{"a walk's resting value by oximetry, and a blood gas of that day", `
- {name: walk, test_state: exertion, test_date: 2024-03-08, rest_spo2: 87, exertion_spo2_air: 85, exertion_spo2_oxygen: 93, same_sitting: true, exertion_in_person: true}
- {name: gas, test_state: rest, test_date: 2024-03-08, rest_pao2: 62}`, criteria.DoesNotQualify, "gas", "", "The tests at rest differ", "2023-04-01"},
		{"a night's value awake by blood gas, and an oximetry of that day", `
- {name: night, test_state: asleep, test_date: 2024-03-05, reported_minutes: 12.0, awake_pao2: 54}
- {name: chair, test_state: rest, test_date: 2024-03-05, rest_spo2: 91}`, criteria.Qualifies, "night", "", "The tests at rest differ", "2023-04-01"},
		{"a night that qualifies by its value awake, and a later one", `
- {name: night, test_state: asleep, test_date: 2024-03-05, reported_minutes: 12.0, awake_spo2: 87}
- {name: chair, test_state: rest, test_date: 2024-03-08, rest_spo2: 91}`, criteria.Undetermined, "", "awake_spo2", "", "2023-04-01"},
		{"a walk that qualifies on exertion as well as by its value at rest", `
- {name: walk, test_state: exertion, test_date: 2024-03-05, dependent_edema: true, rest_spo2: 89, exertion_spo2_air: 85, exertion_spo2_oxygen: 93, same_sitting: true, exertion_in_person: true}
- {name: chair, test_state: rest, test_date: 2024-03-08, rest_spo2: 91}`, criteria.Qualifies, "walk", "", "", "2023-04-01"},
		{"an open test before a failed one", `
- {name: chair, test_state: rest, test_date: 2024-03-07, rest_spo2: 94}
- {name: night, test_state: asleep, test_date: 2024-03-01, reported_minutes: 12.0}`, criteria.Undetermined, "night", "awake_spo2", "", "2023-04-01"},
		{"the most recent failure", `
- {name: chair, test_state: rest, test_date: 2024-03-07, rest_spo2: 94}
- {name: walk, test_state: exertion, test_date: 2024-03-01, rest_spo2: 94, exertion_spo2_air: 91, exertion_spo2_oxygen: 95, same_sitting: true, exertion_in_person: true}`, criteria.DoesNotQualify, "chair", "", "", "2023-04-01"},
		{"each under the version of its own day", `
- {name: old, test_state: rest, test_date: 2023-02-01, rest_spo2: 88}`, criteria.Qualifies, "old", "", "", "2023-01-01"},
		{"a test whose state is not stated may belong to any", `
- {name: chair, test_state: rest, test_date: 2024-03-07, rest_spo2: 88}
- {name: other, test_date: 2024-03-09}`, criteria.Undetermined, "", "test_state", "", "2023-04-01"},
		{"two of one day and one method", `
- {name: a, test_state: rest, test_date: 2024-03-07, rest_spo2: 88}
- {name: b, test_state: rest, test_date: 2024-03-07, rest_spo2: 94}`, criteria.Undetermined, "", "tests", "", "2023-04-01"},
		{"a date that is missing is asked for", `
- {name: a, test_state: rest, test_date: 2024-03-07, rest_spo2: 88}
- {name: b, test_state: rest, rest_spo2: 94}`, criteria.Undetermined, "", "test_date", "", "2023-04-01"},
		{"two nights are never added (open point A18)", `
- {name: a, test_state: asleep, test_date: 2024-03-07, reported_minutes: 3.0, awake_spo2: 93}
- {name: b, test_state: asleep, test_date: 2024-03-08, reported_minutes: 3.0, awake_spo2: 93}`, criteria.Undetermined, "b", "confirm:sleep-88-duration", "No test is added", "2023-04-01"},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := checkFacts(t, lib, conditions+"tests:"+strings.ReplaceAll(c.tests, "\n", "\n  ")+"\n").Determinations[0]
			decides, notes := "", strings.Join(d.Notes, " ")
			for i, l := range d.Tests {
				if l.Decides {
					decides = l.Name
				}
				if i > 0 && l.Date != nil && d.Tests[i-1].Date != nil && *l.Date < *d.Tests[i-1].Date {
					t.Errorf("not in order of time: %+v", d.Tests)
				}
				if l.Why == "" {
					t.Errorf("%s: no word on whether it counts", l.Name)
				}
			}
			if d.Outcome != c.outcome || decides != c.decides || !strings.Contains(notes, c.says) || d.Version != c.version {
				t.Errorf("expected %s by %q under %s, a note with %q; found %s by %q under %s: %s\n%s\nneeds %+v", c.outcome, c.decides, c.version, c.says, d.Outcome, decides, d.Version, d.Because, notes, d.Needs)
			}
			if c.asks != "" && (len(d.Needs) == 0 || d.Needs[0].Fact != c.asks) {
				t.Errorf("expected the question %s first, found %+v", c.asks, d.Needs)
			}
			if c.outcome != criteria.Qualifies && len(d.Allows)+len(d.FollowUp)+len(d.Consequences) > 0 {
				t.Errorf("something follows: %v %v", d.Allows, d.FollowUp)
			}
		})
	}
}

// TestOwnTestIsListedToo checks that the test which the case itself states is
// one of the list, and that its values are of no other test.
func TestOwnTestIsListedToo(t *testing.T) {
	lib := shippedPacks(t)
	own := conditions + "test_date: 2024-03-13\ntest_state: rest\nrest_spo2: 88\n"
	d := checkFacts(t, lib, own+"tests:\n  - {name: later, test_date: 2024-03-20, rest_spo2: 93}\n").Determinations[0]
	if d.Outcome != criteria.DoesNotQualify || len(d.Tests) != 2 || d.Tests[0].Name != criteria.OwnTest || !d.Tests[1].Decides {
		t.Errorf("found %s, %+v", d.Outcome, d.Tests)
	}
	// A later test without a value does not take over the 88 % of the case.
	d = checkFacts(t, lib, own+"tests:\n  - {name: later, test_date: 2024-03-20}\n").Determinations[0]
	if d.Outcome != criteria.Undetermined || d.Needs[0].Fact != "rest_spo2" {
		t.Errorf("found %s, %+v", d.Outcome, d.Needs)
	}
}

// TestValuesOfTheOwnTestStayThere checks that a listed test takes over no value
// that the case's own test measured, of whatever state the listed one is: a
// resting value that a later one supersedes must not come back as the resting
// value of a walk (Medicare dossier, section 2.5: the most recent counts), and
// the legs of a walk are of one sitting (section 2.4).
func TestValuesOfTheOwnTestStayThere(t *testing.T) {
	lib := shippedPacks(t)
	for _, c := range []struct {
		name, facts string
		outcome     criteria.Outcome
		asks        string
	}{
		{"rest of another day beside a walk", `test_date: 2024-03-01
test_state: rest
rest_spo2: 87
tests:
  - {name: chair, test_date: 2024-03-05, test_state: rest, rest_spo2: 91}
  - {name: walk, test_date: 2024-03-05, test_state: exertion, exertion_spo2_air: 90, exertion_spo2_oxygen: 94, same_sitting: true, exertion_in_person: true}
`, criteria.DoesNotQualify, ""},
		{"resting leg of another walk", `test_date: 2024-03-01
test_state: exertion
rest_spo2: 92
exertion_spo2_air: 90
exertion_spo2_oxygen: 94
same_sitting: true
exertion_in_person: true
tests:
  - {name: walk, test_date: 2024-03-05, exertion_spo2_air: 85, exertion_spo2_oxygen: 94}
`, criteria.Undetermined, "rest_spo2"},
		{"blood gas of another night", `test_date: 2024-03-01
test_state: asleep
awake_spo2: 93
asleep_pao2: 52
tests:
  - {name: night, test_date: 2024-03-05}
`, criteria.Undetermined, "reported_minutes"},
		// What the case states for walks that are listed alone is theirs.
		{"one resting value for the walks of a list", `test_state: exertion
rest_spo2: 92
same_sitting: true
exertion_in_person: true
tests:
  - {name: walk, test_date: 2024-03-05, exertion_spo2_air: 85, exertion_spo2_oxygen: 94}
`, criteria.Qualifies, ""},
	} {
		d := checkFacts(t, lib, conditions+c.facts).Determinations[0]
		asked := ""
		for _, n := range d.Needs {
			asked += n.Fact + " "
		}
		if d.Outcome != c.outcome || !strings.Contains(asked, c.asks) {
			t.Errorf("%s: expected %s and the question %q, found %s: %s; asked %s", c.name, c.outcome, c.asks, d.Outcome, d.Because, asked)
		}
	}
}

// TestTestsWithRecordings checks that each listed night is measured from its
// own recording, whatever the order of the files, and that minutes of two
// recordings are never added.
func TestTestsWithRecordings(t *testing.T) {
	lib := shippedPacks(t)
	night := func(low int) []byte { // two hours at 94 %, low minutes of them at 85 %
		var b strings.Builder
		b.WriteString("time_s,spo2,pulse\n")
		for i := range 7200 / 4 {
			v := 94
			if i*4 < low {
				v = 85
			}
			fmt.Fprintf(&b, "%d,%d,%d\n", i*4, v, 70+i%3)
		}
		return []byte(b.String())
	}
	sha := func(data []byte) string { s := sha256.Sum256(data); return hex.EncodeToString(s[:]) }
	a, b, c := night(180), night(181), night(400)
	for _, k := range []struct {
		files   [][]byte
		outcome criteria.Outcome
		decides string
		minutes string
	}{
		{[][]byte{a, b}, criteria.Undetermined, "second", "184"},
		{[][]byte{b, a}, criteria.Undetermined, "second", "184"},
		{[][]byte{a, c}, criteria.Qualifies, "second", "400"},
		{[][]byte{c, a}, criteria.Qualifies, "second", "400"},
	} {
		text := conditions + "test_state: asleep\nawake_spo2: 93\ntests:\n"
		second := b
		if k.outcome == criteria.Qualifies {
			second = c
		}
		text += fmt.Sprintf("  - {name: first, sha256: %s, test_date: 2024-03-01}\n  - {name: second, sha256: %s, test_date: 2024-03-08}\n", sha(a), sha(second))
		var sources []Source
		for i, f := range k.files {
			sources = append(sources, Source{Name: fmt.Sprint("night ", i), Data: f})
		}
		res := checkFacts(t, lib, text, sources...)
		d := res.Determinations[0]
		var out strings.Builder
		if err := res.WriteJSON(&out); err != nil {
			t.Fatal(err)
		}
		if d.Outcome != k.outcome || res.Readings[res.Chosen-1].SHA256 != sha(second) {
			t.Errorf("found %s by recording %d: %s; %+v", d.Outcome, res.Chosen, d.Because, d.Tests)
		}
		for i, f := range k.files {
			if res.Readings[i].SHA256 != sha(f) {
				t.Errorf("recording %d is not the one that was given", i+1)
			}
		}
		if !strings.Contains(out.String(), `"s": `+k.minutes) {
			t.Errorf("expected %s s at or below 88 %% in the JSON", k.minutes)
		}
	}
}

// TestOrderOfTestsDoesNotMatter permutes random lists: the outcome, the test
// that decides and the list as printed stay the same, and a list of one test
// comes out as that test alone does.
func TestOrderOfTestsDoesNotMatter(t *testing.T) {
	lib := shippedPacks(t)
	r := rand.New(rand.NewPCG(5, 4))
	for range 150 {
		var items []string
		for i := range 2 + r.IntN(3) {
			day := fmt.Sprintf("2024-03-0%d", 1+r.IntN(3))
			values := []string{
				fmt.Sprintf("test_state: rest, rest_spo2: %d", 86+r.IntN(6)),
				fmt.Sprintf("test_state: rest, rest_pao2: %d", 53+r.IntN(8)),
				fmt.Sprintf("test_state: asleep, awake_spo2: 93, reported_minutes: %d.0", r.IntN(9)),
				fmt.Sprintf("test_state: exertion, rest_spo2: 92, exertion_spo2_air: %d, exertion_spo2_oxygen: 93, same_sitting: true, exertion_in_person: true", 86+r.IntN(6)),
			}[r.IntN(4)]
			clock := ""
			if r.IntN(2) == 0 {
				clock = fmt.Sprintf(", test_time: \"1%d:00\"", i)
			}
			items = append(items, fmt.Sprintf("  - {name: t%d, test_date: %s, %s%s}\n", i, day, values, clock))
		}
		first := checkFacts(t, lib, conditions+"tests:\n"+strings.Join(items, "")).Determinations[0]
		r.Shuffle(len(items), func(i, j int) { items[i], items[j] = items[j], items[i] })
		second := checkFacts(t, lib, conditions+"tests:\n"+strings.Join(items, "")).Determinations[0]
		if a, b := fmt.Sprint(first.Outcome, first.DecidedBy, first.Because, lines(first)), fmt.Sprint(second.Outcome, second.DecidedBy, second.Because, lines(second)); a != b {
			t.Fatalf("%s\nonce %s\nthen %s", strings.Join(items, ""), a, b)
		}
		one := checkFacts(t, lib, conditions+"tests:\n"+items[0]).Determinations[0]
		alone := checkFacts(t, lib, conditions+strings.NewReplacer("  - {", "", "}\n", "\n", ", ", "\n", "name: ", "# ", "test_time", "# test_time").Replace(items[0])).Determinations[0]
		if one.Outcome != alone.Outcome || one.Because != alone.Because {
			t.Fatalf("%s in a list: %s %s; alone: %s %s", items[0], one.Outcome, one.Because, alone.Outcome, alone.Because)
		}
		qualifying, failing := false, 0
		for _, l := range first.Tests {
			qualifying = qualifying || l.Outcome == criteria.Qualifies
			if l.Outcome == criteria.DoesNotQualify {
				failing++
			}
		}
		switch {
		case first.Outcome == criteria.Qualifies && !qualifying:
			t.Fatalf("qualifies although no test by itself does: %s", lines(first))
		case failing == len(first.Tests) && first.Outcome != criteria.DoesNotQualify:
			t.Fatalf("%s although every test fails: %s", first.Outcome, lines(first))
		}
	}
}

func lines(d criteria.Determination) string {
	var b strings.Builder
	for _, l := range d.Tests {
		date := "-"
		if l.Date != nil {
			date = *l.Date
		}
		fmt.Fprintln(&b, l.Name, date, l.State, l.Method, l.Outcome, l.Decides, l.Why)
	}
	return b.String()
}
