package main

import (
	"archive/zip"
	"bytes"
	"crypto/sha256"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"airwarrant/qualify/batch"
)

// The tests of this file run the command line as the contract of design
// section 7 has it: exit statuses, what stands on which output, and the JSON.

type ran struct {
	code     int
	out, err string
}

func command(t *testing.T, in string, args ...string) ran {
	t.Helper()
	var out, errs bytes.Buffer
	code := run(args, env{strings.NewReader(in), &out, &errs})
	return ran{code, out.String(), errs.String()}
}

// night writes a recording at one row in four seconds, in the notation of the
// measurement reference: "93*1725 88*75".
func night(series string) string {
	var b strings.Builder
	b.WriteString("Time,SpO2,Pulse\n")
	at := time.Date(2024, 3, 1, 22, 0, 0, 0, time.UTC)
	pulse := 0
	for _, part := range strings.Fields(series) {
		v, n, _ := strings.Cut(part, "*")
		count := 1
		fmt.Sscan(n, &count)
		for range count {
			pulse++
			fmt.Fprintf(&b, "%s,%s,%d\n", at.Format("2006-01-02 15:04:05"), v, 60+pulse%3)
			at = at.Add(4 * time.Second)
		}
	}
	return b.String()
}

// conditions states everything that a Medicare test asleep at home asks.
const conditions = `
custody: order_on_file
test_date: 2024-03-01
test_state: asleep
test_oxygen: room_air
test_place: home
test_performed_by: idtf
supplier_part: delivered_unit
order_date: 2024-02-20
ordered_by_treating_practitioner: true
evaluated_by_treating_practitioner: true
expected_benefit: true
inpatient: false
sleep_apnea: false
symptoms: false
awake_spo2: 93
`

func file(t *testing.T, name, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

type checked struct {
	Recordings []struct {
		SHA256, Format string
		Sessions       []struct {
			Start, End string
			RecordedS  float64 `json:"recorded_s"`
		}
		Withheld *string
	}
	Analysis *struct {
		AtOrBelow map[string]struct {
			Low  float64 `json:"low_s"`
			S    float64
			High float64 `json:"high_s"`
		} `json:"at_or_below"`
	}
	Determinations []struct {
		Criteria, Version, Outcome, Disposition, Status string
		DecidedBy                                       []string `json:"decided_by"`
		Needs                                           []struct{ Fact, Who, Why string }
		Notes                                           []string
	}
}

func decode(t *testing.T, r ran) checked {
	t.Helper()
	var c checked
	if err := json.Unmarshal([]byte(r.out), &c); err != nil {
		t.Fatalf("%v in %s\n%s", err, r.out, r.err)
	}
	return c
}

func TestCheckReachesDeterminations(t *testing.T) {
	for _, c := range []struct {
		name, series, facts string
		code                int
		outcome, disp       string
		need                string // a fact that has to be among the questions
	}{
		{"exactly five minutes", "93*5400 88*75", conditions, 0, "qualifies", "covered", ""},
		{"one sample short", "93*5400 88*74", conditions, 3, "undetermined", "manual_review", ""},
		{"one sample short in 2019", "93*5400 88*74", strings.ReplaceAll(conditions, "2024", "2019") +
			"chronic_stable_state: true\nlung_disease_or_symptoms: true\nalternatives_tried: true\nstart_date: 2019-03-10\n", 0, "does_not_qualify", "not_covered", ""},
		{"never low", "93*5400 91*75", conditions, 0, "does_not_qualify", "not_covered", ""},
		{"awake value missing", "93*5400 88*90", strings.ReplaceAll(conditions, "awake_spo2: 93\n", ""), 3, "undetermined", "incomplete", "awake_spo2"},
		{"awake value low", "93*5400 91*90", strings.ReplaceAll(conditions, "awake_spo2: 93", "awake_spo2: 88"), 0, "qualifies", "covered", ""},
		{"run by the supplier", "93*5400 88*90", strings.ReplaceAll(conditions, "idtf", "supplier"), 0, "does_not_qualify", "invalid_test", ""},
		{"ordered after the test", "93*5400 88*90", strings.ReplaceAll(conditions, "2024-02-20", "2024-03-02"), 0, "does_not_qualify", "", ""},
		{"no evaluation asked yet", "93*5400 88*90", strings.ReplaceAll(conditions, "evaluated_by_treating_practitioner: true\n", ""), 3, "undetermined", "incomplete", "evaluated_by_treating_practitioner"},
		{"no footing", "93*5400 88*90", strings.ReplaceAll(conditions, "order_on_file", "none"), 3, "undetermined", "", ""},
		{"footing not asked", "93*5400 88*90", strings.ReplaceAll(conditions, "custody: order_on_file\n", ""), 3, "undetermined", "", "custody"},
		{"date not asked", "93*5400 88*90", strings.ReplaceAll(conditions, "test_date: 2024-03-01\n", ""), 3, "undetermined", "", "test_date"},
		{"stated date under another version", "93*5400 88*90", strings.ReplaceAll(conditions, "test_date: 2024-03-01", "test_date: 2019-03-01"), 3, "undetermined", "", "test_date"},
	} {
		t.Run(c.name, func(t *testing.T) {
			rec := night(c.series)
			if strings.Contains(c.name, "2019") {
				rec = strings.ReplaceAll(rec, "2024-", "2019-")
			}
			r := command(t, "", "check", file(t, "night.csv", rec), "--criteria", "us-medicare", "--facts", file(t, "facts.yaml", c.facts), "--json")
			got := decode(t, r)
			d := got.Determinations[0]
			if r.code != c.code || d.Outcome != c.outcome || c.disp != "" && d.Disposition != c.disp {
				t.Errorf("exit %d, %s, %s; want %d, %s, %s\nneeds %v\ndecided by %v", r.code, d.Outcome, d.Disposition, c.code, c.outcome, c.disp, d.Needs, d.DecidedBy)
			}
			found := c.need == ""
			for _, n := range d.Needs {
				found = found || n.Fact == c.need
			}
			if !found {
				t.Errorf("%s is not asked: %v", c.need, d.Needs)
			}
			if d.Outcome != "undetermined" && len(d.DecidedBy) == 0 {
				t.Error("a determination that nothing decided")
			}
		})
	}
}

// TestCheckAsksNothingTwice checks that what was asked and is not known is
// not asked again (design section 7.5), the date and the session included.
func TestCheckAsksNothingTwice(t *testing.T) {
	dateless := strings.ReplaceAll(conditions, "test_date: 2024-03-01", "test_date: unknown")
	two := night("93*5400 88*90") + strings.SplitAfterN(strings.ReplaceAll(night("93*5400 88*90"), "2024-03-0", "2024-03-1"), "\n", 2)[1]
	for _, c := range []struct{ name, rec, facts, fact string }{
		{"date", night("93*5400 88*90"), dateless, "test_date"},
		{"session", two, conditions + "session_choice: unknown\ndependent_edema: false\npulmonary_hypertension: none\np_wave_height: 0\nhematocrit: 45\n", "session_choice"},
		{"awake value", night("93*5400 88*90"), strings.ReplaceAll(conditions, "awake_spo2: 93", "awake_spo2: unknown"), "awake_spo2"},
	} {
		r := command(t, "", "check", file(t, "n.csv", c.rec), "--criteria", "us-medicare", "--facts", file(t, "f.yaml", c.facts), "--json")
		d := decode(t, r).Determinations[0]
		if r.code != exitUndetermined || d.Disposition != "manual_review" {
			t.Errorf("%s: exit %d, %s, %s", c.name, r.code, d.Outcome, d.Disposition)
		}
		for _, n := range d.Needs {
			if n.Fact == c.fact {
				t.Errorf("%s: asked again: %v", c.name, d.Needs)
			}
		}
	}
}

// TestCheckMeasuresTheNightOnAir checks that a recording named as one on
// oxygen, or as a leg, is never measured as the night (design section 7.4).
func TestCheckMeasuresTheNightOnAir(t *testing.T) {
	low, high := night("93*5400 88*90"), night("93*5400 91*90")
	sha := func(s string) string { return fmt.Sprintf("%x", sha256.Sum256([]byte(s))) }
	named := func(list ...string) string {
		s := "recordings:\n"
		for i := 0; i < len(list); i += 2 {
			s += "  - {sha256: " + sha(list[i]) + ", role: " + list[i+1] + "}\n"
		}
		return s
	}
	walk := "test_date: 2024-03-01\ntest_state: exertion\ntest_place: facility\ntest_performed_by: hospital\nordered_by_treating_practitioner: true\n" +
		"evaluated_by_treating_practitioner: true\nexpected_benefit: true\ninpatient: false\nrest_spo2: 90\nexertion_spo2_air: 86\n" +
		"exertion_spo2_oxygen: 92\nsame_sitting: true\nexertion_in_person: true\n"
	for _, c := range []struct {
		name  string
		recs  []string
		facts string
		code  int
		need  string
	}{
		{"one, not named", []string{low}, conditions, 0, ""},
		{"one on oxygen", []string{low}, conditions + named(low, "oxygen"), 3, "reported_minutes"},
		{"one given twice", []string{low, low}, conditions, 0, ""},
		{"two, none named", []string{low, high}, conditions, 3, "recordings"},
		{"two on air", []string{low, high}, conditions + named(low, "air", high, "air"), 3, "recordings"},
		{"air and oxygen", []string{high, low}, conditions + named(low, "air", high, "oxygen"), 0, ""},
		{"two legs, typed", []string{low, high}, walk + named(low, "exertion_air", high, "exertion_oxygen"), 0, ""},
	} {
		args := []string{"check", "--criteria", "us-medicare", "--json", "--facts", file(t, "f.yaml", c.facts)}
		for i, rec := range c.recs {
			args = append(args, file(t, fmt.Sprintf("n%d.csv", i), rec))
		}
		r := command(t, "", args...)
		d := decode(t, r).Determinations[0]
		found := c.need == ""
		for _, n := range d.Needs {
			found = found || n.Fact == c.need
		}
		if r.code != c.code || !found {
			t.Errorf("%s: exit %d, %s, needs %v; want exit %d, need %q", c.name, r.code, d.Outcome, d.Needs, c.code, c.need)
		}
	}
}

func TestCheckDoesNotReadABarredFile(t *testing.T) {
	facts := strings.ReplaceAll(conditions, "order_on_file", "none")
	// Not even a file that could not be read is refused: no byte of it is looked at.
	r := command(t, "", "check", file(t, "night.csv", "nothing readable"), "--criteria", "us-medicare", "--facts", file(t, "f.yaml", facts), "--json")
	got := decode(t, r)
	if r.code != exitUndetermined || got.Analysis != nil || got.Recordings[0].Sessions != nil || got.Recordings[0].Withheld == nil || len(got.Recordings[0].SHA256) != 64 {
		t.Errorf("exit %d: %s", r.code, r.out)
	}
}

func TestCheckBoundsThatStraddle(t *testing.T) {
	// 74 sure rows at 88 and 3 under a lost pulse: 4.93 to 5.13 minutes.
	rec := strings.Replace(night("93*5400 88*74 88*3 93*900"), "", "", 1)
	lines := strings.Split(rec, "\n")
	for i := 1 + 5400 + 74; i < 1+5400+77; i++ {
		lines[i] = lines[i][:strings.LastIndex(lines[i], ",")] + ",0"
	}
	r := command(t, "", "check", file(t, "night.csv", strings.Join(lines, "\n")), "--criteria", "us-medicare", "--facts", file(t, "f.yaml", conditions), "--json")
	got := decode(t, r)
	l := got.Analysis.AtOrBelow["88"]
	if l.Low != 296 || l.S != 308 || l.High != 308 {
		t.Errorf("at or below 88: %+v, want 296, 308, 308", l)
	}
	if r.code != exitUndetermined || len(got.Determinations[0].Needs) == 0 || got.Determinations[0].Needs[0].Who != "tester" {
		t.Errorf("exit %d, needs %v; want the tester asked first", r.code, got.Determinations[0].Needs)
	}
}

func TestCheckWithoutARecording(t *testing.T) {
	for _, c := range []struct {
		minutes string
		code    int
		outcome string
	}{
		{"5.0", 3, "undetermined"}, // 4.95 to 5.05 (design section 2)
		{"5.1", 0, "qualifies"},
		{"5", 3, "undetermined"},
		{"6", 0, "qualifies"},
	} {
		r := command(t, "", "check", "--criteria", "us-medicare", "--facts", file(t, "f.yaml", conditions+"reported_minutes: "+c.minutes+"\n"), "--json")
		got := decode(t, r)
		if r.code != c.code || got.Determinations[0].Outcome != c.outcome || got.Analysis != nil || len(got.Recordings) != 0 {
			t.Errorf("%s min: exit %d, %s; needs %v", c.minutes, r.code, got.Determinations[0].Outcome, got.Determinations[0].Needs)
		}
	}
}

func TestCheckReportBesideRecording(t *testing.T) {
	for _, c := range []struct {
		minutes string
		code    int
	}{{"6.1", 0}, {"7.2", 0}, {"4.2", 3}} { // the recording has 6.0
		r := command(t, "", "check", file(t, "n.csv", night("93*5400 88*90")), "--criteria", "us-medicare", "--facts", file(t, "f.yaml", conditions+"reported_minutes: "+c.minutes+"\n"), "--json")
		got := decode(t, r)
		if r.code != c.code {
			t.Errorf("%s min reported, 6.0 recorded: exit %d, %+v", c.minutes, r.code, got.Determinations[0])
		}
		if c.code == 3 && (len(got.Determinations[0].Needs) == 0 || got.Determinations[0].Needs[0].Fact != "reported_minutes") {
			t.Errorf("%s min: the corrected report is not asked: %v", c.minutes, got.Determinations[0].Needs)
		}
	}
}

func TestExitStatuses(t *testing.T) {
	good := file(t, "n.csv", night("93*100"))
	facts := file(t, "f.yaml", conditions)
	for _, c := range []struct {
		args []string
		code int
	}{
		{[]string{"measure", good}, 0},
		{[]string{"measure", good, "--json", "--zone", "America/New_York"}, 0},
		{[]string{"measure", file(t, "x.csv", "no recording at all")}, 2},
		{[]string{"measure", file(t, "a.csv", "date,time,spo2\n03/04/2026,22:00:00,94\n03/04/2026,22:00:04,94\n")}, 2},
		{[]string{"measure", "/nowhere/at/all.csv"}, 2},
		{[]string{"measure", good, "--zone", "Atlantis/Harbour"}, 1},
		{[]string{"measure", good, "--columns", "nonsense"}, 1},
		{[]string{"measure", good, "--interval", "-3"}, 1},
		{[]string{"measure", good, "--session", "7"}, 1},
		{[]string{"measure", good, "--loud"}, 1},
		{[]string{"measure"}, 1},
		{[]string{"frobnicate"}, 1},
		{[]string{"check", good}, 1},
		{[]string{"check", good, "--criteria", "us-medicaire"}, 1},
		{[]string{"check", good, "--criteria", "us-medicare", "--facts", file(t, "g.yaml", "colour: red\n")}, 1},
		{[]string{"check", good, "--criteria", "us-medicare", "--on", "1990-01-01", "--facts", facts}, 2},
		{[]string{"check", good, "--criteria", "us-medicare", "--on", "2024-02-30"}, 1},
		{[]string{"check", file(t, "y.csv", "no recording"), "--criteria", "us-medicare", "--facts", facts}, 2},
		{[]string{"rules", "list"}, 0},
		{[]string{"rules", "facts", "--json"}, 0},
		{[]string{"rules", "show", "us-medicare"}, 0},
		{[]string{"rules", "show", "us-medicare", "--on", "2019-05-05"}, 0},
		{[]string{"rules", "show", "nowhere"}, 1},
		{[]string{"rules", "check"}, 0},
		{[]string{"rules", "check", "/nowhere/at/all"}, 1},
		{[]string{"rules", "frobnicate"}, 1},
		{[]string{"serve", "--addr", "0.0.0.0:8080"}, 1},
		{[]string{"serve", "--addr", "nonsense"}, 1},
		{[]string{"--help"}, 0},
		{[]string{"check", "--help"}, 0},
		{[]string{"check", good, "--criteria", "us-medicare,us-medicare", "--facts", facts}, 1},
		{[]string{"check", good, "--criteria", "us-medicare", "--facts", facts, "--pdf", "-"}, 1},
	} {
		r := command(t, "", c.args...)
		if r.code != c.code {
			t.Errorf("%v: exit %d, want %d: %s", c.args, r.code, c.code, r.err)
		}
		if c.code == exitUsage && r.out != "" {
			t.Errorf("%v: exit 1 and something on standard output: %s", c.args, r.out)
		}
		if c.code != 0 && r.err == "" && c.code != exitUndetermined {
			t.Errorf("%v: exit %d without a word", c.args, r.code)
		}
	}
}

func TestMeasureReadsStandardInput(t *testing.T) {
	r := command(t, night("92*1725 88*75"), "measure", "-", "--json")
	got := decode(t, r)
	if r.code != 0 || got.Analysis.AtOrBelow["88"].S != 300 || got.Analysis.AtOrBelow["87"].S != 0 {
		t.Errorf("exit %d: %s", r.code, r.out)
	}
	if len(got.Analysis.AtOrBelow) != 31 {
		t.Errorf("%d levels, want every whole percent from 70 to 100", len(got.Analysis.AtOrBelow))
	}
	if got.Recordings[0].Sessions[0].Start != "2024-03-01T22:00:00" || got.Recordings[0].Sessions[0].RecordedS != 7200 {
		t.Errorf("session %+v", got.Recordings[0].Sessions[0])
	}
	// keys in the order of design 7.2
	last := -1
	for _, k := range []string{`"recordings"`, `"sha256"`, `"format"`, `"container"`, `"zone"`, `"sessions"`, `"start"`, `"end"`, `"interval_s"`, `"recorded_s"`, `"valid_s"`, `"missing_s"`, `"suspect_s"`, `"analysis"`, `"at_or_below"`, `"70"`, `"100"`, `"below"`, `"nadir"`, `"mean"`, `"events"`, `"spans"`, `"warnings"`} {
		i := strings.Index(r.out, k)
		if i <= last {
			t.Errorf("%s is missing or out of order", k)
		}
		last = i
	}
}

func TestSeveralSessions(t *testing.T) {
	two := night("93*900") + strings.ReplaceAll(strings.SplitN(night("93*5400 88*90"), "\n", 2)[1], "2024-03-0", "2024-03-1")
	path := file(t, "two.csv", two)
	facts := file(t, "f.yaml", strings.ReplaceAll(strings.ReplaceAll(conditions, "2024-03-01", "2024-03-11"), "awake_spo2: 93\n", "awake_spo2: 93\n"))
	r := command(t, "", "check", path, "--criteria", "us-medicare", "--facts", facts, "--json")
	got := decode(t, r)
	if r.code != 3 || got.Analysis != nil || got.Determinations[0].Needs[0].Fact != "session_choice" || len(got.Recordings[0].Sessions) != 2 {
		t.Errorf("exit %d, needs %v", r.code, got.Determinations[0].Needs)
	}
	r = command(t, "", "check", path, "--criteria", "us-medicare", "--facts", facts, "--session", "1:2", "--json")
	if got := decode(t, r); r.code != 0 || got.Determinations[0].Outcome != "qualifies" {
		t.Errorf("session 2: exit %d, %+v", r.code, got.Determinations[0])
	}
	r = command(t, "", "measure", path, "--json")
	if r.code != 0 || !strings.Contains(r.out, "2 sessions") {
		t.Errorf("measure does not warn of the choice: %s", r.out)
	}
	if r = command(t, "", "check", path, "--criteria", "us-medicare", "--facts", facts, "--session", "1:3"); r.code != 1 {
		t.Errorf("a session that is not there: exit %d", r.code)
	}
}

func TestSameInputsGiveTheSameBytes(t *testing.T) {
	dir := t.TempDir()
	n, f := file(t, "n.csv", night("93*5400 88*90")), file(t, "f.yaml", conditions)
	var outs, pdfs []string
	for i := range 2 {
		pdf := filepath.Join(dir, fmt.Sprintf("%d.pdf", i))
		r := command(t, "", "check", n, "--criteria", "us-medicare", "--facts", f, "--json", "--pdf", pdf)
		b, err := os.ReadFile(pdf)
		if err != nil {
			t.Fatal(err)
		}
		outs, pdfs = append(outs, r.out), append(pdfs, string(b))
	}
	if outs[0] != outs[1] || pdfs[0] != pdfs[1] || !strings.HasPrefix(pdfs[0], "%PDF-") {
		t.Error("two runs differ")
	}
}

func TestBatchGoesOnAfterABadFile(t *testing.T) {
	dir := t.TempDir()
	for name, text := range map[string]string{
		"a.csv": night("93*5400 88*90"), "b.csv": "not a recording", "c.csv": night("93*5400 91*90"),
		"=d.csv": night("93*900") + strings.ReplaceAll(strings.SplitN(night("93*5400"), "\n", 2)[1], "2024-03-0", "2024-03-1"),
	} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	table := "file,custody,test_date,test_state,test_oxygen,test_place,test_performed_by,supplier_part,order_date,ordered_by_treating_practitioner,evaluated_by_treating_practitioner,expected_benefit,inpatient,sleep_apnea,symptoms,awake_spo2\n"
	for _, f := range []string{"a.csv", "b.csv", "c.csv", "=d.csv"} {
		table += f + ",order_on_file,2024-03-01,asleep,room_air,home,idtf,none,2024-02-20,true,true,true,false,false,false,93\n"
	}
	out := filepath.Join(t.TempDir(), "out.csv")
	r := command(t, "", "batch", dir, "--criteria", "us-medicare", "--facts", file(t, "t.csv", table), "--csv", out)
	if r.code != 0 {
		t.Fatalf("exit %d: %s", r.code, r.err)
	}
	f, err := os.Open(out)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]string{"'=d.csv 1": "", "'=d.csv 2": "", "a.csv 1": "qualifies", "b.csv ": "", "c.csv 1": "does_not_qualify"}
	if len(rows) != len(want)+1 {
		t.Fatalf("%d lines, want %d: %v", len(rows)-1, len(want), rows)
	}
	for _, row := range rows[1:] {
		w, ok := want[row[0]+" "+row[2]]
		if !ok || w != "" && row[3] != w {
			t.Errorf("line %v", row)
		}
		if row[0] == "b.csv" && row[7] == "" {
			t.Error("the bad file's line does not say what is wrong")
		}
	}
	if strings.Count(r.err, " of 4: ") != 4 {
		t.Errorf("progress: %s", r.err)
	}
}

// TestBatchGivesEveryFileItsLine checks that links and what was withheld are
// told, and that a column of facts that stands twice is refused.
func TestBatchGivesEveryFileItsLine(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "night.csv"), []byte(night("93*900 88*90")), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink("/dev/zero", filepath.Join(dir, "zero.csv")); err != nil {
		t.Fatal(err)
	}
	table := file(t, "facts.csv", "file,custody,test_date,test_state,test_place\nnight.csv,none,2024-03-01,asleep,home\n")
	r := command(t, "", "batch", dir, "--criteria", "us-medicare", "--facts", table, "--json")
	var lines []struct{ File, Outcome, Problem string }
	if err := json.Unmarshal([]byte(r.out), &lines); err != nil || r.code != exitOK || len(lines) != 2 {
		t.Fatalf("exit %d, %v: %s%s", r.code, err, r.out, r.err)
	}
	if l := lines[0]; l.Outcome != "undetermined" || !strings.Contains(l.Problem, "Not read") {
		t.Errorf("what was withheld is not told: %+v", l)
	}
	if l := lines[1]; l.File != "zero.csv" || l.Outcome != "" || !strings.Contains(l.Problem, "found a link") {
		t.Errorf("the link has no line of its own: %+v", l)
	}
	byLink := filepath.Join(t.TempDir(), "link")
	if err := os.Symlink(dir, byLink); err != nil {
		t.Fatal(err)
	}
	if l := command(t, "", "batch", byLink, "--criteria", "us-medicare", "--facts", table, "--json"); l.code != exitOK || l.out != r.out {
		t.Errorf("a folder named by a link: exit %d: %s%s", l.code, l.out, l.err)
	}
	if r := command(t, "", "batch", table, "--criteria", "us-medicare"); r.code != exitUsage || r.out != "" || !strings.Contains(r.err, "expected a folder") {
		t.Errorf("a file for a folder: exit %d, %s%s", r.code, r.out, r.err)
	}
	twice := file(t, "twice.csv", "file,custody,custody\nnight.csv,order_on_file,none\n")
	if r := command(t, "", "batch", dir, "--criteria", "us-medicare", "--facts", twice); r.code != exitUsage || r.out != "" || !strings.Contains(r.err, "column 3") {
		t.Errorf("a column twice: exit %d, %s%s", r.code, r.out, r.err)
	}
}

// TestRulesCheckWantsCases checks that a version without a single case is a
// fault.
func TestRulesCheckWantsCases(t *testing.T) {
	dir := t.TempDir()
	if err := os.CopyFS(filepath.Join(dir, "xx-example"), os.DirFS("../../rules/packs/xx-example")); err != nil {
		t.Fatal(err)
	}
	if r := command(t, "", "rules", "check", dir); r.code != exitOK {
		t.Fatalf("exit %d: %s", r.code, r.out)
	}
	if err := os.WriteFile(filepath.Join(dir, "xx-example", "2030-01-01.cases.yaml"), []byte("cases: []\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if r := command(t, "", "rules", "check", dir); r.code != exitRefused || !strings.Contains(r.out, "xx-example/2030-01-01.cases.yaml:1:1: expected boundary cases") {
		t.Errorf("exit %d: %s", r.code, r.out)
	}
}

func TestRulesCheckTellsEveryFault(t *testing.T) {
	dir := t.TempDir()
	if err := os.MkdirAll(filepath.Join(dir, "xx-broken"), 0o700); err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string]string{"region.yaml": "region: xx-other\nname: Broken\n", "2030-01-01.yaml": "effective_from: 2030-01-02\ntitel: x\n"} {
		if err := os.WriteFile(filepath.Join(dir, "xx-broken", name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	r := command(t, "", "rules", "check", dir)
	if r.code != exitRefused || !strings.Contains(r.out, "xx-broken/2030-01-01.yaml:2:1") || !strings.Contains(r.out, "xx-broken/region.yaml") {
		t.Errorf("exit %d:\n%s\n%s", r.code, r.out, r.err)
	}
}

func TestPanicIsOneLineAndExitsOne(t *testing.T) {
	var out, errs bytes.Buffer
	if code := run([]string{"measure", "-"}, env{nil, &out, &errs}); code != exitUsage || out.Len() != 0 || !strings.Contains(errs.String(), "fault of the program") {
		t.Errorf("exit %d, %q, %q", code, out.String(), errs.String())
	}
}

// TestSignalFileBesideItsHeader reads a WFDB record whose header and signal
// file lie side by side (header(5), signal(5) of the WFDB Applications Guide),
// and takes a zip of two recordings as a batch of two.
func TestSignalFileBesideItsHeader(t *testing.T) {
	dir := t.TempDir()
	var signal bytes.Buffer
	for range 20 {
		signal.Write([]byte{88, 0}) // format 16, low byte first
	}
	write := func(name string, data []byte) {
		if err := os.WriteFile(filepath.Join(dir, name), data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write("n.hea", []byte("n 1 0.25 20 22:00:00 01/03/2024\nn.dat 16 1/% 16 0 88 0 0 SpO2\n"))
	write("n.dat", signal.Bytes())
	r := command(t, "", "measure", filepath.Join(dir, "n.hea"), "--json")
	if got := decode(t, r); r.code != 0 || got.Analysis.AtOrBelow["88"].S != 80 || got.Recordings[0].Format != "wfdb" {
		t.Errorf("exit %d: %s %s", r.code, r.out, r.err)
	}
	var packed bytes.Buffer
	z := zip.NewWriter(&packed)
	for _, name := range []string{"one.csv", "two.csv"} {
		w, err := z.Create(name)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := w.Write([]byte(night("93*50"))); err != nil {
			t.Fatal(err)
		}
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	write("nights.zip", packed.Bytes())
	facts := file(t, "t.csv", "file,custody,test_date\nn.hea,order_on_file,2024-03-01\nlost.csv,order_on_file,2024-03-01\n")
	r = command(t, "", "batch", dir, "--criteria", "us-medicare", "--facts", facts, "--json")
	var lines []batch.Line
	if err := json.Unmarshal([]byte(r.out), &lines); err != nil {
		t.Fatalf("%v: %s", err, r.out)
	}
	var names []string
	for _, l := range lines {
		names = append(names, l.File)
	}
	if want := "[n.hea nights.zip/one.csv nights.zip/two.csv lost.csv]"; fmt.Sprint(names) != want {
		t.Errorf("lines of %v, want %s", names, want)
	}
}

// TestStatedClockErrorMovesTheDate: a recorder whose clock ran a day ahead
// dates a night of 31 December 2022, under the version of that day, as one of
// 1 January 2023. What the tester states moves the date and no sample.
func TestStatedClockErrorMovesTheDate(t *testing.T) {
	rec := strings.ReplaceAll(strings.ReplaceAll(night("93*5400 88*90"), "2024-03-01", "2023-01-01"), "2024-03-02", "2023-01-02")
	n := file(t, "n.csv", rec)
	facts := strings.ReplaceAll(strings.ReplaceAll(conditions, "2024-03-01", "2022-12-31"), "2024-02-20", "2022-12-20")
	for _, c := range []struct {
		facts string
		asked bool
	}{
		{facts, true},
		{facts + "clock_ahead: {value: 1, unit: days}\n", false},
		{facts + "clock_ahead: {value: 22.5, unit: h}\n", false},
		{facts + "clock_ahead: 30\n", true},
		{facts + "clock_behind: {value: 1, unit: days}\n", true},
	} {
		got := decode(t, command(t, "", "check", n, "--criteria", "us-medicare", "--facts", file(t, "f.yaml", c.facts), "--json"))
		asked := false
		for _, need := range got.Determinations[0].Needs {
			asked = asked || need.Fact == "test_date"
		}
		if asked != c.asked || got.Recordings[0].Sessions[0].Start != "2023-01-01T22:00:00" {
			t.Errorf("%s: date asked %v, start %s", c.facts[len(facts):], asked, got.Recordings[0].Sessions[0].Start)
		}
	}
}

// TestOnlyTheStretchOnAirQualifies: oxygen begun during the night. A mark
// leads to a question; the stated stretch alone is read.
func TestOnlyTheStretchOnAirQualifies(t *testing.T) {
	lines := strings.Split(strings.TrimSpace(night("93*900 88*70 93*900 88*30 93*100")), "\n")
	lines[0] += ",Event"
	for i := range lines[1:] {
		mark := ""
		if i == 1000 {
			mark = "oxygen 2 L/min"
		}
		lines[i+1] += "," + mark
	}
	n := file(t, "n.csv", strings.Join(lines, "\n")+"\n")
	data, err := os.ReadFile(n)
	if err != nil {
		t.Fatal(err)
	}
	sum := sha256.Sum256(data)
	role := fmt.Sprintf("recordings:\n  - {sha256: %x, role: air", sum)
	for _, c := range []struct {
		facts string
		s     float64 // at or below 88 %
		asked bool
		code  int
	}{
		{conditions, 400, true, exitUndetermined},
		{conditions + role + ", until: 2024-03-01T23:06:40}\n", 280, false, exitUndetermined},
		{conditions + role + ", from: 2024-03-01T23:06:40}\n", 120, false, exitUndetermined},
		{conditions + role + ", from: 2024-03-01T22:30:00, until: 2024-03-02T03:00:00}\n", 400, false, 0},
		{conditions + role + ", from: 2024-03-05T22:30:00}\n", 0, false, exitUsage},
		{conditions + role + ", from: yesterday}\n", 0, false, exitUsage},
	} {
		r := command(t, "", "check", n, "--criteria", "us-medicare", "--facts", file(t, "f.yaml", c.facts), "--json")
		if r.code != c.code {
			t.Errorf("%s: exit %d, want %d: %s", c.facts[len(conditions):], r.code, c.code, r.err)
		}
		if c.code == exitUsage {
			continue
		}
		got := decode(t, r)
		asked := false
		for _, need := range got.Determinations[0].Needs {
			asked = asked || need.Fact == "recordings"
		}
		if got.Analysis.AtOrBelow["88"].S != c.s || asked != c.asked {
			t.Errorf("%s: %v s, asked %v", c.facts[len(conditions):], got.Analysis.AtOrBelow["88"].S, asked)
		}
	}
}

// TestRulesShowTellsForWhom: what bounds a version stands above its clauses.
func TestRulesShowTellsForWhom(t *testing.T) {
	for region, want := range map[string]string{
		"uk-bts-adult":   "for whom:\n  - completed years on the date of the test is at least 18 years",
		"de-dgp":         "this edition is valid until 2025-07-22",
		"us-wa-medicaid": "other criteria decide when",
		"us-ats-adult":   "recommendation: ",
	} {
		if r := command(t, "", "rules", "show", region); r.code != 0 || !strings.Contains(r.out, want) {
			t.Errorf("rules show %s: exit %d, lacks %q:\n%.1500s", region, r.code, want, r.out)
		}
		if r := command(t, "", "rules", "show", region, "--json"); r.code != 0 || !json.Valid([]byte(r.out)) {
			t.Errorf("rules show %s --json: exit %d", region, r.code)
		}
	}
}

// TestDateAfterTheTestCame: no test is of a day after it came to hand, nor of one
// before its patient was born. The day that --today says is the day it came; the
// clock of the machine alone tells, and keeps nothing from being determined.
func TestDateAfterTheTestCame(t *testing.T) {
	n := file(t, "n.csv", night("93*5400 88*90"))
	for _, c := range []struct {
		name, facts string
		args        []string
		code        int
		why         string
	}{
		{"the day itself", conditions, []string{"--today", "2024-03-01"}, 0, ""},
		{"where the test was taken the next day had begun", conditions, []string{"--today", "2024-02-29"}, 0, ""}, // a leap day
		{"two days after", conditions, []string{"--today", "2024-02-28"}, 3, "the stated date of the test, 2024-03-01, lies after the day on which the test came here, 2024-02-28"},
		{"not said when", conditions, nil, 0, ""},
		{"on a leap day before birth", conditions + "birth_date: 2024-03-02\n", nil, 3, "2024-03-01, lies before the stated birth date, 2024-03-02"},
		{"on the day of birth", conditions + "birth_date: 2024-03-01\n", nil, 0, ""},
	} {
		r := command(t, "", append([]string{"check", n, "--criteria", "us-medicare", "--facts", file(t, "f.yaml", c.facts), "--json"}, c.args...)...)
		if r.code != c.code {
			t.Errorf("%s: exit %d, want %d: %s", c.name, r.code, c.code, r.err)
			continue
		}
		d := decode(t, r).Determinations[0]
		asked := slices.ContainsFunc(d.Needs, func(n struct{ Fact, Who, Why string }) bool {
			return n.Fact == "test_date" && strings.Contains(n.Why, c.why)
		})
		if asked != (c.code == 3) || c.code == 3 && (d.Outcome != "undetermined" || len(d.DecidedBy) > 0) {
			t.Errorf("%s: %s by %v, needs %+v", c.name, d.Outcome, d.DecidedBy, d.Needs)
		}
	}
	// Of listed tests each has a day of its own.
	listed := conditions + "tests:\n- {name: Gas, test_state: rest, test_date: 2024-03-09, rest_pao2: 54 mmHg}\n"
	for today, code := range map[string]int{"2024-03-09": 0, "2024-03-07": 3} {
		if r := command(t, "", "check", "--criteria", "us-medicare", "--facts", file(t, "f.yaml", strings.Replace(listed, "test_state: asleep", "test_state: rest", 1)), "--today", today, "--json"); r.code != code {
			t.Errorf("a listed test of 9 March on %s: exit %d, want %d: %s %s", today, r.code, code, r.err, r.out)
		}
	}
	r := command(t, "", "check", n, "--criteria", "us-medicare", "--facts", file(t, "f.yaml", strings.ReplaceAll(conditions, "2024-03-01", "9000-01-01")), "--json")
	if !strings.Contains(r.out, "The stated date of the test, 9000-01-01, is after today") {
		t.Errorf("a date far ahead is not told: exit %d", r.code)
	}
}
