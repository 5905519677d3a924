package qualify_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math/big"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"airwarrant/qualify"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/recording"
	"airwarrant/rules"
)

// hold is a saturation held for so many seconds; 0 is no reading, a negative
// one is a reading without a pulse, which is doubted.
type hold struct{ spo2, seconds int }

// A walk is drawn second by second; mark i is the second at which part i
// begins.
type walk struct {
	text  string
	marks []int
}

const walkDay = "2026-03-25"

func walkStart() time.Time { return time.Date(2026, 3, 25, 10, 0, 0, 0, time.UTC) }

// parts writes a recording of parts one after the other, from 10:00:00 on.
func parts(ps ...[]hold) walk {
	var b strings.Builder
	b.WriteString("Time,SpO2,Pulse\n")
	var w walk
	i := 0
	for _, p := range ps {
		w.marks = append(w.marks, i)
		for _, h := range p {
			for range h.seconds {
				spo2, pulse := fmt.Sprint(max(h.spo2, -h.spo2)), fmt.Sprint(80+i/5%4)
				if h.spo2 == 0 {
					spo2 = "--"
				}
				if h.spo2 < 0 {
					pulse = "--"
				}
				fmt.Fprintf(&b, "%s,%s,%s\n", walkStart().Add(time.Duration(i)*time.Second).Format("2006-01-02 15:04:05"), spo2, pulse)
				i++
			}
		}
	}
	w.marks = append(w.marks, i)
	w.text = b.String()
	return w
}

// stamp is second i of a walk as measure prints it.
func stamp(i int) string {
	return walkStart().Add(time.Duration(i) * time.Second).Format("2006-01-02T15:04:05")
}

// stretches names parts of a recording, "" for one that is none.
func (w walk) stretches(sha string, roles ...string) string {
	var b strings.Builder
	for i, role := range roles {
		if role != "" {
			fmt.Fprintf(&b, "- {sha256: %s, role: %s, from: '%s', until: '%s'}\n", sha, role, stamp(w.marks[i]), stamp(w.marks[i+1]))
		}
	}
	return b.String()
}

var threeLegs = []string{criteria.RoleRestAir, criteria.RoleExertionAir, criteria.RoleRecovery, criteria.RoleExertionOxygen}

func library(t testing.TB) *rules.Library {
	t.Helper()
	lib, err := rules.Embedded()
	if err != nil {
		t.Fatal(err)
	}
	return lib
}

// exertion are the conditions of a walk under Medicare, all met, with more.
func exertion(t testing.TB, more map[string]string) map[string]criteria.Fact {
	t.Helper()
	facts := map[string]string{"test_date": walkDay, "test_state": "exertion", "test_place": "facility", "test_performed_by": "hospital", "supplier_part": "none",
		"custody": "sent_by_practitioner", "ordered_by_treating_practitioner": "true", "evaluated_by_treating_practitioner": "true", "expected_benefit": "true",
		"inpatient": "false", "exertion_in_person": "true",
		"dependent_edema": "false", "pulmonary_hypertension": "none", "hematocrit": "45", "p_wave_height": "2"} // Group II, at 89 %
	for k, v := range more {
		facts[k] = v
	}
	out := map[string]criteria.Fact{}
	for name, text := range facts {
		if text == "" {
			continue
		}
		f, err := criteria.ParseValue(name, text)
		if err != nil {
			t.Fatal(err)
		}
		out[name] = f
	}
	return out
}

func shaOf(t testing.TB, text string) string {
	t.Helper()
	res, err := qualify.Measure(qualify.Source{Name: "walk", Data: []byte(text)}, 0, qualify.Query{}.Analysis)
	if err != nil {
		t.Fatal(err)
	}
	return res.Readings[0].SHA256
}

// checkWalk runs the chain for a walk whose parts have roles.
func checkWalk(t testing.TB, w walk, roles []string, more map[string]string) *qualify.Result {
	t.Helper()
	facts := exertion(t, more)
	f, err := criteria.ParseValue("recordings", w.stretches(shaOf(t, w.text), roles...))
	if err != nil {
		t.Fatal(err)
	}
	facts["recordings"] = f
	res, err := qualify.Check(qualify.Query{Sources: []qualify.Source{{Name: "walk", Data: []byte(w.text)}}, Criteria: []string{"us-medicare"}, Facts: facts}, library(t))
	if err != nil {
		t.Fatal(err)
	}
	return res
}

// asked lists the facts that people are asked for.
func asked(res *qualify.Result) []string {
	out := []string{}
	for _, n := range res.Determinations[0].Needs {
		if n.Who != rules.Maintainer {
			out = append(out, n.Fact)
		}
	}
	slices.Sort(out)
	return out
}

// TestWorkedLegs checks the figures of three legs that were summed by hand.
//
// Exertion on room air: 92 for 30 s, 90 for 60 s, 87 for 60 s, 86 for 4 s, 87
// for 26 s, 180 s in all. The sum is 2760 + 5400 + 5220 + 344 + 2262 = 15986, so
// the mean is 15986/180; at or below 88 % lie 60 + 4 + 26 = 90 s, at or below
// 86 % 4 s. The level held for 10 s is 87, for 4 s 86.
func TestWorkedLegs(t *testing.T) {
	w := parts([]hold{{93, 60}, {94, 60}}, []hold{{92, 30}, {90, 60}, {87, 60}, {86, 4}, {87, 26}}, []hold{{85, 60}}, []hold{{89, 20}, {91, 160}})
	res := checkWalk(t, w, threeLegs, nil)
	if len(res.Legs) != 4 {
		t.Fatalf("expected four stretches, found %d", len(res.Legs))
	}
	l := res.Legs[1]
	hold := func(s int64) *big.Rat { return l.Held(big.NewRat(s, 1)).Value }
	for what, c := range map[string]struct{ got, want *big.Rat }{
		"first": {l.Initial, big.NewRat(92, 1)}, "last": {l.Final, big.NewRat(87, 1)}, "lowest": {l.Nadir.Value, big.NewRat(86, 1)},
		"mean": {l.Mean.Value, big.NewRat(15986, 180)}, "valid": {l.Seconds(l.Valid), big.NewRat(180, 1)}, "recorded": {l.Seconds(*l.Recorded), big.NewRat(180, 1)},
		"at or below 88": {l.Seconds(l.AtOrBelow(big.NewRat(88, 1)).Value), big.NewRat(90, 1)},
		"at or below 86": {l.Seconds(l.AtOrBelow(big.NewRat(86, 1)).Value), big.NewRat(4, 1)},
		"held 10 s":      {hold(10), big.NewRat(87, 1)}, "held 4 s": {hold(4), big.NewRat(86, 1)}, "held 5 s": {hold(5), big.NewRat(87, 1)},
		// 87 and below: 60 + 4 + 26 s in a row; 90 and below: 150 s.
		"held 90 s": {hold(90), big.NewRat(87, 1)}, "held 91 s": {hold(91), big.NewRat(90, 1)}, "held 180 s": {hold(180), big.NewRat(92, 1)},
	} {
		if c.got == nil || c.got.Cmp(c.want) != 0 {
			t.Errorf("%s: expected %v, found %v", what, c.want, c.got)
		}
	}
	if got := hold(181); got != nil {
		t.Errorf("no level was held for 181 s, found %v", got)
	}
	facts := res.Applied[0]
	for name, want := range map[string][3]int64{
		"exertion_spo2_air":    {86, 87, 87}, // 86 did not hold
		"exertion_spo2_oxygen": {89, 89, 89},
	} {
		low, high := facts[name].Value.Bounds()
		if v := facts[name]; v.State != criteria.Computed || low.Cmp(big.NewRat(want[0], 1)) != 0 || v.Value.Num.Cmp(big.NewRat(want[1], 1)) != 0 || high.Cmp(big.NewRat(want[2], 1)) != 0 {
			t.Errorf("%s: expected %v, found %v, %v, %v", name, want, low, v.Value.Num, high)
		}
	}
	// At rest: the lowest held is 93, the mean (93 + 94) / 2.
	low, high := facts["rest_spo2"].Value.Bounds()
	if low.Cmp(big.NewRat(93, 1)) != 0 || high.Cmp(big.NewRat(187, 2)) != 0 {
		t.Errorf("rest: expected 93 to 93.5, found %v to %v", low, high)
	}
	if d := res.Determinations[0]; d.Outcome != criteria.Qualifies || len(asked(res)) > 0 {
		t.Errorf("expected qualifies, found %s (%s), asks %v", d.Outcome, d.Because, asked(res))
	}
	if res.Analysis != nil || res.Walk == nil {
		t.Error("a walk in legs was measured as one night")
	}
}

// TestMedicareWalks runs the cases 26 to 34 of the Medicare dossier, section 5,
// on recordings: each part holds its level, the last of four is the leg on
// oxygen.
func TestMedicareWalks(t *testing.T) {
	for _, c := range []struct {
		name                     string
		rest, air, after, oxygen int
		more                     map[string]string
		want                     criteria.Outcome
		asks                     []string
		note                     string
	}{
		{"26: 90, 86, 92 in one sitting", 90, 86, 88, 92, nil, criteria.Qualifies, nil, "of one sitting"},
		{"28: with oxygen not in the papers", 90, 86, 88, 0, nil, criteria.Undetermined, []string{"exertion_spo2_oxygen"}, ""},
		{"29: no improvement", 90, 86, 88, 86, nil, criteria.DoesNotQualify, nil, "differs by 0 points"},
		{"30: improved but still at or below", 90, 84, 88, 87, nil, criteria.Qualifies, nil, "from 84 to 87 %, and it is still at or below 88 %"},
		{"30: improved by one point", 90, 84, 88, 85, nil, criteria.Qualifies, nil, "differs by 1 point:"},
		{"31: legs on two days", 90, 86, 88, 92, map[string]string{"same_sitting": "false"}, criteria.DoesNotQualify, nil, "what is stated holds"},
		{"32: exertion 89, recovery 87", 93, 89, 87, 92, nil, criteria.DoesNotQualify, nil, "change nothing: recovery, 2026-03-25 10:04:00 to 10:05:00, lowest 87 %"},
		{"33: supervised by video", 90, 86, 88, 92, map[string]string{"exertion_in_person": "false"}, criteria.DoesNotQualify, nil, ""},
		{"34: rest 88 qualifies by itself", 88, 84, 88, 92, nil, criteria.Qualifies, nil, ""},
	} {
		roles := slices.Clone(threeLegs)
		if c.oxygen == 0 {
			roles[3] = ""
			c.oxygen = 95
		}
		w := parts([]hold{{c.rest, 120}}, []hold{{c.air, 120}}, []hold{{c.after, 60}}, []hold{{c.oxygen, 120}})
		res := checkWalk(t, w, roles, c.more)
		d := res.Determinations[0]
		if got := asked(res); d.Outcome != c.want || !slices.Equal(got, append([]string{}, c.asks...)) {
			t.Errorf("%s: expected %s and questions %v, found %s (%s) and %v", c.name, c.want, c.asks, d.Outcome, d.Because, got)
		}
		if c.note != "" && !strings.Contains(strings.Join(d.Notes, "\n"), c.note) {
			t.Errorf("%s: expected a note with %q, found %q", c.name, c.note, d.Notes)
		}
	}
}

// TestTransient checks that two seconds below the limit leave the clause open
// and ask the tester for the value recorded, that a typed value inside what the
// leg may have had settles it either way, and that one outside does not.
func TestTransient(t *testing.T) {
	w := parts([]hold{{93, 120}}, []hold{{91, 30}, {90, 60}, {87, 2}, {90, 88}}, []hold{{85, 60}}, []hold{{94, 120}})
	for _, c := range []struct {
		typed string
		want  criteria.Outcome
		asks  []string
	}{
		{"", criteria.Undetermined, []string{"exertion_spo2_air"}},
		{"90", criteria.DoesNotQualify, nil},
		{"88", criteria.Qualifies, nil},
		{"87", criteria.Qualifies, nil},
		{"86.8", criteria.Undetermined, []string{"exertion_spo2_air"}},
		{"84", criteria.Undetermined, []string{"exertion_spo2_air"}},
		{"91", criteria.Undetermined, []string{"exertion_spo2_air"}},
		{"unknown", criteria.Undetermined, nil},
	} {
		res := checkWalk(t, w, threeLegs, map[string]string{"exertion_spo2_air": c.typed})
		d := res.Determinations[0]
		if got := asked(res); d.Outcome != c.want || !slices.Equal(got, append([]string{}, c.asks...)) {
			t.Errorf("typed %q: expected %s and questions %v, found %s (%s) and %v", c.typed, c.want, c.asks, d.Outcome, d.Because, got)
		}
		for _, n := range d.Needs {
			if n.Fact == "exertion_spo2_air" && (n.Who != rules.Tester || !strings.Contains(n.Why, "exertion on room air, 2026-03-25 10:02:00 to 10:05:00")) {
				t.Errorf("typed %q: expected the tester asked with the place of the leg, found %s: %s", c.typed, n.Who, n.Why)
			}
		}
	}
}

// TestDoubtedLeg: readings without a pulse are doubted, so they are in the low
// bound of the leg and not in the high one; where nothing else was read, the
// leg may have had any value above.
func TestDoubtedLeg(t *testing.T) {
	for _, c := range []struct {
		name      string
		air       []hold
		low, high int64
		want      criteria.Outcome
	}{
		{"doubted below the limit", []hold{{90, 60}, {-86, 60}}, 86, 90, criteria.Undetermined},
		{"doubted, and undoubted below the limit", []hold{{88, 60}, {-86, 60}}, 86, 88, criteria.Qualifies},
		{"doubted above the limit", []hold{{91, 60}, {-90, 60}}, 90, 91, criteria.DoesNotQualify},
		{"all doubted", []hold{{-86, 60}}, 86, 100, criteria.Undetermined},
		{"broken by a gap before ten seconds", []hold{{90, 60}, {87, 9}, {0, 2}, {87, 9}, {90, 60}}, 87, 90, criteria.Undetermined},
		{"numbers that are no saturation", []hold{{91, 60}, {42, 2}, {91, 30}}, 42, 91, criteria.Undetermined},
		{"ten seconds", []hold{{90, 60}, {87, 10}, {90, 60}}, 87, 87, criteria.Qualifies},
	} {
		w := parts([]hold{{93, 60}}, c.air, []hold{{90, 10}}, []hold{{94, 60}})
		res := checkWalk(t, w, threeLegs, nil)
		low, high := res.Applied[0]["exertion_spo2_air"].Value.Bounds()
		if d := res.Determinations[0]; low.Cmp(big.NewRat(c.low, 1)) != 0 || high.Cmp(big.NewRat(c.high, 1)) != 0 || d.Outcome != c.want {
			t.Errorf("%s: expected %d to %d and %s, found %v to %v and %s (%s)", c.name, c.low, c.high, c.want, low, high, d.Outcome, d.Because)
		}
	}
}

// TestShortLeg: a leg that holds no value for ten seconds tells nothing, and
// its value is asked.
func TestShortLeg(t *testing.T) {
	w := parts([]hold{{93, 60}}, []hold{{85, 9}}, []hold{{90, 10}}, []hold{{94, 60}})
	res := checkWalk(t, w, threeLegs, nil)
	if _, known := res.Applied[0]["exertion_spo2_air"]; known || !slices.Equal(asked(res), []string{"exertion_spo2_air"}) {
		t.Errorf("expected the value asked, found %v, known %v", asked(res), known)
	}
	if notes := strings.Join(res.Determinations[0].Notes, "\n"); !strings.Contains(notes, "holds no value for 10 s") {
		t.Errorf("the leg that tells nothing is not told: %s", notes)
	}
}

// what of a result may not hang on readings outside the legs: the outcome with
// all clauses and questions, and the legs themselves.
func determined(res *qualify.Result) any {
	d := res.Determinations[0]
	var legs []any
	for _, l := range res.Legs {
		if l.Role != criteria.RoleRecovery {
			held := l.Held(big.NewRat(10, 1))
			legs = append(legs, []any{l.Role, l.Initial.RatString(), l.Final.RatString(), held.Low.RatString(), held.Value.RatString(), l.Mean.Value.RatString(), l.Levels})
		}
	}
	return []any{d.Outcome, d.Because, d.Clauses, d.Needs, legs}
}

// TestLegsNeverMix replaces every reading that lies in no leg, recovery
// included, by others: the determination and the legs stay the same.
func TestLegsNeverMix(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 26))
	legs := [3][]hold{{{93, 40}, {94, 20}}, {{92, 20}, {89, 30}, {87, 2}, {88, 30}}, {{90, 60}}}
	noise := func() []hold {
		var out []hold
		for range 1 + r.IntN(5) {
			spo2 := 50 + r.IntN(51)
			switch r.IntN(6) {
			case 0:
				spo2 = 0
			case 1:
				spo2 = -spo2
			case 2:
				spo2 = 20 + r.IntN(30) // no plausible saturation
			}
			out = append(out, hold{spo2, 1 + r.IntN(20)})
		}
		return append(out, hold{91, 60 - total(out)%60})
	}
	roles := []string{"", criteria.RoleRestAir, "", criteria.RoleExertionAir, criteria.RoleRecovery, criteria.RoleExertionOxygen, criteria.RoleRecovery}
	var want any
	for i := range 40 {
		// Each leg begins at the same second, because its stamps are told.
		pad := func(h []hold) []hold { return append(h, hold{95, 120 - total(h)}) }
		w := parts(pad(noise()), legs[0], pad(noise()), legs[1], pad(noise()), legs[2], pad(noise()))
		got := determined(checkWalk(t, w, roles, nil))
		if i == 0 {
			want = got
		} else if !reflect.DeepEqual(got, want) {
			t.Fatalf("readings outside the legs changed the determination:\n%v\n%v", want, got)
		}
	}
}

func total(hs []hold) int {
	n := 0
	for _, h := range hs {
		n += h.seconds
	}
	return n
}

// TestMovedMark: a mark that moves by one sample inside equal readings changes
// no outcome, no clause and no question.
func TestMovedMark(t *testing.T) {
	w := parts([]hold{{93, 120}}, []hold{{90, 30}, {86, 60}, {90, 30}}, []hold{{90, 60}}, []hold{{94, 120}})
	all := func(res *qualify.Result) any {
		d := res.Determinations[0]
		return []any{d.Outcome, d.Because, d.Clauses, d.Needs}
	}
	want := all(checkWalk(t, w, threeLegs, nil))
	for _, m := range []struct{ mark, by int }{{2, -1}, {2, 1}, {3, 1}, {4, -1}} {
		moved := walk{w.text, slices.Clone(w.marks)}
		moved.marks[m.mark] += m.by
		if got := all(checkWalk(t, moved, threeLegs, nil)); !reflect.DeepEqual(got, want) {
			t.Errorf("mark %d moved by %d:\n%v\n%v", m.mark, m.by, want, got)
		}
	}
}

// TestStretchesOfOtherClocks checks marks in recordings whose stamps carry no
// date, or an offset.
func TestStretchesOfOtherClocks(t *testing.T) {
	csv := func(head string, next func(i int) string) string {
		var b strings.Builder
		b.WriteString(head + ",SpO2,Pulse\n")
		for i := range 120 {
			fmt.Fprintf(&b, "%s,%d,%d\n", next(i), 90+i/60, 70+i/5%4)
		}
		return b.String()
	}
	at := time.Date(2026, 3, 25, 23, 59, 0, 0, time.UTC)
	elapsed := csv("Elapsed (s)", func(i int) string { return fmt.Sprint(i) })
	ofDay := csv("Time", func(i int) string { return at.Add(time.Duration(i) * time.Second).Format("15:04:05") })
	zoned := csv("Time", func(i int) string {
		return at.Add(time.Duration(i)*time.Second).Format("2006-01-02T15:04:05") + "-05:00"
	})
	for _, c := range []struct {
		name, text, from, until string
		n                       int // samples; -1: refused
	}{
		{"elapsed", elapsed, "+0:00:10", "+0:01:00", 50},
		{"elapsed to its end", elapsed, "+0:01:00", "", 60},
		{"elapsed in a recording of days", ofDay, "+0:00:10", "", -1},
		{"a date in a recording without", elapsed, "2026-03-25T23:59:00", "", -1},
		{"time of day", ofDay, "23:59:10", "23:59:30", 20},
		{"over midnight", ofDay, "23:59:50", "00:00:10", 20},
		{"after midnight", ofDay, "00:00:10", "00:00:20", 10},
		{"from before the start", ofDay, "23:58:00", "23:59:05", 5},
		{"no sample", ofDay, "22:00:00", "22:10:00", -1},
		{"time of day in a dated recording", zoned, "00:00:10", "00:00:20", 10},
		{"with its offset", zoned, "2026-03-25T23:59:50-05:00", "2026-03-26T00:00:10-05:00", 20},
		{"the same instant in another offset", zoned, "2026-03-26T04:59:50Z", "2026-03-26T05:00:10Z", 20},
		{"as the clock showed it", zoned, "2026-03-25T23:59:50", "2026-03-26T00:00:10", 20},
		{"an offset that the recording has not", ofDay, "2026-03-25T23:59:50-05:00", "", -1},
	} {
		res, err := qualify.Measure(qualify.Source{Name: "walk", Data: []byte(c.text)}, 0, qualify.Query{}.Analysis)
		if err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		part, session, err := res.Readings[0].Stretch(criteria.RecordingRole{Role: criteria.RoleRestAir, From: c.from, Until: c.until}, 0)
		switch {
		case c.n < 0:
			if !errors.Is(err, qualify.ErrQuery) || part != (recording.Session{}) {
				t.Errorf("%s: expected a refusal, found %v, %v", c.name, part, err)
			}
		case err != nil || part.To-part.From != c.n || session != 1:
			t.Errorf("%s: expected %d samples of session 1, found %v of %d, %v", c.name, c.n, part, session, err)
		}
	}
}

// TestLegsAsJSON checks the key legs of the contract on the leg that
// TestWorkedLegs sums by hand.
func TestLegsAsJSON(t *testing.T) {
	w := parts([]hold{{93, 60}, {94, 60}}, []hold{{92, 30}, {90, 60}, {87, 60}, {86, 4}, {87, 26}}, []hold{{85, 60}}, []hold{{89, 20}, {91, 160}})
	var out struct {
		Analysis any
		Legs     []map[string]any
	}
	var b bytes.Buffer
	if err := checkWalk(t, w, threeLegs, nil).WriteJSON(&b); err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(b.Bytes(), &out); err != nil {
		t.Fatal(err)
	}
	if out.Analysis != nil || len(out.Legs) != 4 {
		t.Fatalf("expected no analysis of a night and four stretches, found %v and %d", out.Analysis, len(out.Legs))
	}
	for key, want := range map[string]any{"role": "exertion_air", "recording": 1., "session": 1., "from": "2026-03-25T10:02:00", "until": "2026-03-25T10:05:00",
		"recorded_s": 180., "valid_s": 180., "first": 92., "last": 87., "at_or_below_88_s": 90., "fact": "exertion_spo2_air", "flow_l_min": nil,
		"held": map[string]any{"low": 87., "value": 87., "high": 87., "hold_s": 10.}, "lowest": map[string]any{"low": 86., "value": 86., "high": 86.},
		"mean": map[string]any{"low": 88.811111, "value": 88.811111, "high": 88.811111}} {
		if got := out.Legs[1][key]; !reflect.DeepEqual(got, want) {
			t.Errorf("%s: expected %v, found %v", key, want, got)
		}
	}
	if out.Legs[2]["fact"] != nil || out.Legs[2]["role"] != "recovery" {
		t.Errorf("the recovery tells a fact: %v", out.Legs[2])
	}
}

// TestLegsUnderOtherCriteria checks that regions whose criteria read legs take
// them from the recording and ask no value that it tells. They name no time for
// which a value has to hold, so any reading of the leg is one: 86, which stood
// for 4 s, is the lowest of exertion on room air.
func TestLegsUnderOtherCriteria(t *testing.T) {
	w := parts([]hold{{93, 120}}, []hold{{92, 30}, {90, 60}, {87, 60}, {86, 4}, {87, 26}}, []hold{{85, 60}}, []hold{{89, 20}, {91, 160}})
	recordings, err := criteria.ParseValue("recordings", w.stretches(shaOf(t, w.text), threeLegs...))
	if err != nil {
		t.Fatal(err)
	}
	for _, region := range []string{"ca-sk-sail", "us-ok-medicaid", "us-oh-medicaid", "uk-bts-adult", "es-separ", "fr-lppr", "us-ats-adult", "ch-migel"} {
		facts := exertion(t, nil)
		facts["recordings"] = recordings
		res, err := qualify.Check(qualify.Query{Sources: []qualify.Source{{Name: "walk", Data: []byte(w.text)}}, Criteria: []string{region}, Facts: facts}, library(t))
		if err != nil {
			t.Fatal(err)
		}
		for name, want := range map[string]int64{"rest_spo2": 93, "exertion_spo2_air": 86, "exertion_spo2_oxygen": 89} {
			low, high := res.Applied[0][name].Value.Bounds()
			if w := big.NewRat(want, 1); low.Cmp(w) != 0 || high.Cmp(w) != 0 {
				t.Errorf("%s: %s is %v to %v, want %d", region, name, low, high, want)
			}
		}
		for _, n := range res.Determinations[0].Needs {
			if slices.Contains([]string{"rest_spo2", "exertion_spo2_air", "exertion_spo2_oxygen", "same_sitting", "recordings", "recording"}, n.Fact) {
				t.Errorf("%s asks %s, which the recording tells", region, n.Fact)
			}
		}
	}
}

// TestPrivateLegs: of a download of several sessions only the chosen one is
// read for its legs, and until it is chosen nothing is.
func TestPrivateLegs(t *testing.T) {
	w := parts([]hold{{93, 60}}, []hold{{86, 60}}, []hold{{85, 10}}, []hold{{92, 60}})
	other := strings.ReplaceAll(strings.SplitAfterN(w.text, "\n", 2)[1], walkDay, "2026-03-26")
	text := w.text + other
	facts := exertion(t, nil)
	var err error
	if facts["recordings"], err = criteria.ParseValue("recordings", w.stretches(shaOf(t, text), threeLegs...)); err != nil {
		t.Fatal(err)
	}
	q := qualify.Query{Sources: []qualify.Source{{Name: "walk", Data: []byte(text)}}, Criteria: []string{"us-medicare"}, Facts: facts, Private: true}
	res, err := qualify.Check(q, library(t))
	if err != nil {
		t.Fatal(err)
	}
	if len(res.Legs) > 0 || !slices.Contains(asked(res), "session_choice") {
		t.Errorf("before a session is chosen: %d legs, asks %v", len(res.Legs), asked(res))
	}
	q.Session = map[int]int{1: 1}
	if res, err = qualify.Check(q, library(t)); err != nil {
		t.Fatal(err)
	}
	if d := res.Determinations[0]; d.Outcome != criteria.Qualifies || len(res.Readings[0].Recording.Time) != w.marks[4] || res.Session != 1 {
		t.Errorf("session 1: %s, %d samples kept, asks %v", d.Outcome, len(res.Readings[0].Recording.Time), asked(res))
	}
	var b bytes.Buffer
	if err := res.WriteJSON(&b); err != nil {
		t.Fatal(err)
	}
	if strings.Contains(b.String(), "2026-03-26") {
		t.Error("the session of another day is told")
	}
	q.Session = map[int]int{1: 2} // the marks do not lie in it
	if _, err := qualify.Check(q, library(t)); !errors.Is(err, qualify.ErrQuery) {
		t.Errorf("marks of another session: %v", err)
	}
}

// TestStretchOfAbsentRecording: a leg of a recording that is not given is told
// and not read, and its value is asked.
func TestStretchOfAbsentRecording(t *testing.T) {
	w := parts([]hold{{93, 60}}, []hold{{86, 60}}, []hold{{85, 10}}, []hold{{92, 60}})
	text := w.stretches(shaOf(t, w.text), criteria.RoleRestAir, criteria.RoleExertionAir) + "- {sha256: " + strings.Repeat("ab", 32) + ", role: exertion_oxygen}\n"
	facts := exertion(t, map[string]string{"recordings": text})
	res, err := qualify.Check(qualify.Query{Sources: []qualify.Source{{Name: "walk", Data: []byte(w.text)}}, Criteria: []string{"us-medicare"}, Facts: facts}, library(t))
	if err != nil {
		t.Fatal(err)
	}
	if notes := strings.Join(res.Determinations[0].Notes, "\n"); len(res.Legs) != 2 || !slices.Equal(asked(res), []string{"exertion_spo2_oxygen"}) || !strings.Contains(notes, `"exertion on oxygen" is of a recording that is not at hand (SHA-256 abababababab)`) {
		t.Errorf("%d legs, asks %v, notes %s", len(res.Legs), asked(res), notes)
	}
}

// TestLegsOfTwoSessions: legs that lie in two sessions of one recording are
// read, and whether they are of one sitting is asked.
func TestLegsOfTwoSessions(t *testing.T) {
	w := parts([]hold{{93, 60}}, []hold{{86, 60}}, []hold{{92, 60}})
	rows := strings.SplitAfter(w.text, "\n")
	for i := 121; i < len(rows); i++ {
		rows[i] = strings.Replace(rows[i], walkDay, "2026-03-26", 1)
	}
	text := strings.Join(rows, "")
	marks := strings.ReplaceAll(w.stretches(shaOf(t, text), criteria.RoleRestAir, criteria.RoleExertionAir, criteria.RoleExertionOxygen), "'2026-03-25T10:02:00', until: '2026-03-25", "'2026-03-26T10:02:00', until: '2026-03-26")
	facts := exertion(t, map[string]string{"recordings": marks})
	res, err := qualify.Check(qualify.Query{Sources: []qualify.Source{{Name: "walk", Data: []byte(text)}}, Criteria: []string{"us-medicare"}, Facts: facts}, library(t))
	if err != nil {
		t.Fatal(err)
	}
	if len(res.Legs) != 3 || res.Legs[2].Session != 2 || !slices.Equal(asked(res), []string{"same_sitting"}) {
		t.Errorf("%d legs, asks %v", len(res.Legs), asked(res))
	}
	if s := res.Worksheet(0, qualify.Paper{}).Section("legs"); s == nil || s.Title != "The exertional test in legs, recording 1, session 1" {
		t.Errorf("the legs of two sessions are not told apart: %+v", s)
	}
}
