package qualify_test

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"airwarrant/qualify"
	"airwarrant/qualify/criteria"
	"airwarrant/rules"
)

// again packs what a result rests on, unpacks it, determines each region anew
// and compares all that decides with what the recording itself gave: the chain
// is the measure of the shorter way.
func again(t *testing.T, what string, q qualify.Query, lib *rules.Library) *qualify.Result {
	t.Helper()
	res, err := qualify.Check(q, lib)
	if err != nil {
		return nil // refused: nothing is determined, so nothing is kept
	}
	packed, err := q.Keep(res).Encode()
	if err != nil {
		t.Fatalf("%s: %v", what, err)
	}
	k, err := qualify.DecodeKept(packed)
	if err != nil {
		t.Fatalf("%s: %v", what, err)
	}
	for i, region := range q.Criteria {
		got, err := k.Determine(region, lib, q.Confirmed)
		if err != nil {
			t.Fatalf("%s: %s: %v", what, region, err)
		}
		want := res.Determinations[i]
		got.Notes, want.Notes = nil, nil // some name samples
		got.Reconciliation, want.Reconciliation = nil, nil
		if !reflect.DeepEqual(got, want) {
			t.Fatalf("%s: %s: from what is kept\n%+v\nfrom the recording\n%+v", what, region, got, want)
		}
		short, err := k.Outline(region, lib, q.Confirmed)
		if err != nil || short.Outcome != want.Outcome || short.Disposition != want.Disposition || short.Status != want.Status || short.CustodyBarred != want.CustodyBarred ||
			!reflect.DeepEqual(short.DecidedBy, want.DecidedBy) || !reflect.DeepEqual(short.Needs, want.Needs) {
			t.Fatalf("%s: %s: the outline\n%+v\nfrom the recording\n%+v, %v", what, region, short, want, err)
		}
	}
	return res
}

// TestKeptDeterminesAsTheRecording reads every recording of testdata under
// some sets of criteria, with and without facts, and determines it again
// without the recording.
func TestKeptDeterminesAsTheRecording(t *testing.T) {
	lib := library(t)
	var regions []string
	for _, r := range lib.Regions() {
		if _, err := lib.InForce(r.Region, rules.Date{Year: 2026, Month: 3, Day: 1}); err == nil {
			regions = append(regions, r.Region)
		}
	}
	stated := map[string]criteria.Fact{}
	for name, text := range map[string]string{"test_state": "asleep", "test_oxygen": "room_air", "test_place": "facility", "custody": "sent_by_practitioner",
		"test_performed_by": "hospital", "symptoms": "false", "birth_date": "1950-02-03", "test_date": "2026-03-01", "reported_minutes": "6.5", "sleep_apnea": "unknown",
		"report": "- {measure: nadir, value: 81, unit: \"%\", page: 2}", "rest_pao2": "57 mmHg"} {
		f, err := criteria.ParseValue(name, text)
		if err != nil {
			t.Fatal(err)
		}
		stated[name] = f
	}
	free := map[string]criteria.Fact{"custody": stated["custody"], "test_date": stated["test_date"]}
	files, read, determined := 0, 0, map[criteria.Outcome]int{}
	err := filepath.WalkDir("../testdata/recordings", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || strings.HasSuffix(path, ".md") {
			return err
		}
		data, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		files++
		var some []string // each file under a fourth of all sets
		for i := files % 4; i < len(regions); i += 4 {
			some = append(some, regions[i])
		}
		for _, facts := range []map[string]criteria.Fact{free, stated} {
			res := again(t, path, qualify.Query{Sources: []qualify.Source{{Name: path, Data: data}}, Criteria: some, Facts: facts, Private: true}, lib)
			if res == nil {
				continue
			}
			read++
			for _, det := range res.Determinations {
				determined[det.Outcome]++
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if read < 50 || len(determined) != 3 {
		t.Fatalf("%d results, outcomes %v: expected at least 50 with every outcome", read, determined)
	}
	// A date that lies after the day on which the test came decides nothing, and
	// goes on deciding nothing once it has come.
	report := map[string]criteria.Fact{}
	for name, f := range stated {
		report[name] = f
	}
	for day, want := range map[int]bool{28: true, 27: false} { // the day before the test, and two before
		res := again(t, "report", qualify.Query{Criteria: []string{"us-medicare"}, Facts: report, Received: rules.Date{Year: 2026, Month: 2, Day: day}, Today: rules.Date{Year: 2026, Month: 6, Day: 1}}, lib)
		asked := slices.ContainsFunc(res.Determinations[0].Needs, func(n criteria.Need) bool { return n.Fact == "test_date" })
		if asked == want {
			t.Errorf("came on February %d: the date of the test is asked: %v", day, asked)
		}
	}
	// Withheld, under every set at once: one of them bars the supplier.
	again(t, "withheld", qualify.Query{Sources: []qualify.Source{{Name: "night", Data: []byte("x")}}, Criteria: regions,
		Facts: map[string]criteria.Fact{"supplier_part": {Name: "supplier_part", State: criteria.Stated, Value: criteria.Value{Word: "delivered_unit"}}}}, lib)
}

// TestKeptWalksAndSeveralTests does the same for marked legs and for lists of
// tests.
func TestKeptWalksAndSeveralTests(t *testing.T) {
	lib := library(t)
	w := parts([]hold{{95, 60}, {94, 60}}, []hold{{92, 30}, {87, 20}, {86, 4}, {-80, 3}, {88, 60}}, []hold{{84, 5}, {93, 60}}, []hold{{93, 20}, {91, 90}})
	sha := shaOf(t, w.text)
	src := []qualify.Source{{Name: "walk", Data: []byte(w.text)}}
	facts := exertion(t, map[string]string{"recordings": w.stretches(sha, threeLegs...)})
	all := []string{"us-medicare", "us-ats-adult", "uk-bts-adult", "anz-tsanz", "ca-on-hop"}
	if res := again(t, "walk", qualify.Query{Sources: src, Criteria: all, Facts: facts}, lib); len(res.Legs) != 4 {
		t.Fatalf("%d legs, expected 4", len(res.Legs))
	}
	facts["exertion_spo2_air"] = criteria.Fact{Name: "exertion_spo2_air", State: criteria.Unknown}
	again(t, "walk, one leg asked and not known", qualify.Query{Sources: src, Criteria: all, Facts: facts}, lib)
	tests, err := criteria.ParseValue("tests", "- name: Gas\n  test_state: rest\n  test_date: 2026-03-24\n  rest_pao2: 54 mmHg\n- name: Other\n  test_state: rest\n  test_date: 2026-03-20\n  rest_spo2: 92\n- name: Walk elsewhere\n  test_state: exertion\n  test_date: 2026-01-02\n  exertion_spo2_air: 86\n")
	if err != nil {
		t.Fatal(err)
	}
	facts["tests"] = tests
	if res := again(t, "several tests", qualify.Query{Sources: src, Criteria: all, Facts: facts}, lib); len(res.Determinations[0].Tests) != 4 {
		t.Fatalf("%d tests, expected 4", len(res.Determinations[0].Tests))
	}
	again(t, "several tests without a recording", qualify.Query{Criteria: all, Facts: facts}, lib)
}

// TestKeptUnread: a recording that was withheld holds nothing to determine by
// where other criteria would have let it be read; one that was read is not used
// where they bar the supplier.
func TestKeptUnread(t *testing.T) {
	lib := library(t)
	medicare := lib.History("us-medicare")
	barring := medicare[len(medicare)-1]
	open := *barring
	open.Custody = nil
	data, err := os.ReadFile("../testdata/recordings/crlf.csv")
	if err != nil {
		t.Fatal(err)
	}
	q := qualify.Query{Sources: []qualify.Source{{Name: "night", Data: data}}, Criteria: []string{"us-medicare"}, Facts: map[string]criteria.Fact{}}
	for name, text := range map[string]string{"test_date": "2026-03-01", "supplier_part": "took_part"} {
		if q.Facts[name], err = criteria.ParseValue(name, text); err != nil {
			t.Fatal(err)
		}
	}
	res, err := qualify.Check(q, lib)
	if err != nil || res.Readings[0].Withheld == "" {
		t.Fatalf("expected a recording that is withheld: %v", err)
	}
	k := q.Keep(res)
	if _, err := k.Determine("us-medicare", qualify.Only(&open, lib), nil); !errors.Is(err, qualify.ErrUnread) {
		t.Errorf("not read, and would be: expected ErrUnread, found %v", err)
	}
	q.Facts["custody"], err = criteria.ParseValue("custody", "sent_by_practitioner")
	if err != nil {
		t.Fatal(err)
	}
	if res, err = qualify.Check(q, lib); err != nil || res.Analysis == nil {
		t.Fatalf("expected a recording that is read: %v", err)
	}
	k = q.Keep(res)
	shut := *barring
	custody := *barring.Custody
	custody.Accepts = nil
	shut.Custody = &custody
	d, err := k.Determine("us-medicare", qualify.Only(&shut, lib), nil)
	without := criteria.Determine(&shut, criteria.Facts{Named: q.Facts}, nil)
	if err != nil || !d.CustodyBarred || !reflect.DeepEqual(d.Clauses, without.Clauses) {
		t.Errorf("read, and would not be: expected a barred case on its facts alone, found %+v, %v", d.Clauses, err)
	}
}

// TestKeptRefuses what it did not write, without a word of it.
func TestKeptRefuses(t *testing.T) {
	for _, data := range []string{"", "Jane Roe", "\x00"} {
		_, err := qualify.DecodeKept([]byte(data))
		if !errors.Is(err, qualify.ErrKept) || strings.Contains(err.Error(), "Jane") {
			t.Errorf("%q: %v", data, err)
		}
	}
}
