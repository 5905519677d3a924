package web

import (
	"context"
	"fmt"
	"net/url"
	"strings"
	"testing"

	"airwarrant/qualify/casework/storetest"
	"airwarrant/rules"
)

// TestFewQuestionsOfTheVocabulary counts what is asked on each case of the
// demonstration, and on each again with nothing stated but how the test came
// to us and that the patient is at home, against the number of facts that the vocabulary could ask for.
// `go test -v -run FewQuestions ./web` prints the table.
func TestFewQuestionsOfTheVocabulary(t *testing.T) {
	if raced {
		return // one goroutine
	}
	size := 0
	for _, d := range rules.Vocabulary() {
		if d.Question != "" {
			size++
		}
	}
	b := newBench(t, &storetest.Memory{}, false)
	var table strings.Builder
	for _, d := range demoCases() {
		asked := map[bool]int{}
		for _, all := range []bool{true, false} {
			c := d
			if !all {
				c.Facts, c.Located, c.Patient.Name = map[string]string{"test_date": d.Facts["test_date"], "test_state": d.Facts["test_state"], "custody": d.Facts["custody"],
					"test_performed_by": d.Facts["test_performed_by"], "supplier_part": d.Facts["supplier_part"], "test_place": d.Facts["test_place"]},
					map[string]string{"inpatient": "false"}, d.Patient.Name+" again"
			}
			var data []byte
			for _, r := range DemoRecordings() {
				if r.Name == d.Recording {
					data = r.Data
				}
			}
			if err := b.buildDemoCase(context.Background(), c, data); err != nil {
				t.Fatal(err)
			}
			f, err := b.Site.open(t.Context(), b.numberOf(c.Patient.Name))
			if err != nil {
				t.Fatal(err)
			}
			ev, err := b.evaluate(context.Background(), f)
			if err != nil {
				t.Fatal(err)
			}
			n := 0
			if ev.Result != nil && len(ev.Determinations) > 0 {
				n = len(ev.Determinations[0].Needs)
			}
			asked[all] = n
			if n*3 > size {
				t.Errorf("%s: %d of %d questions are asked", d.Shows, n, size)
			}
		}
		fmt.Fprintf(&table, "%-50s %2d as stated, %2d with the custody step and one answer alone\n", d.Shows, asked[true], asked[false])
	}
	t.Logf("questions asked, of %d that the vocabulary holds:\n%s", size, table.String())
}

// TestBirthAfterTheTestIsAskedAgain: what is stated and cannot hold is asked
// with the reason, so that nobody wonders why a stated date is a question.
func TestBirthAfterTheTestIsAskedAgain(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	child := merrin
	child.Birth = rules.Date{Year: 2026, Month: 5, Day: 4}
	address := v.open("us-ats-paed", child)
	v.send(address, address+"/custody", url.Values{"v.test_date": {"2026-02-10"}, "v.test_state": {"rest"}, "v.test_place": {"facility"},
		"v.test_performed_by": {"hospital"}, "v.supplier_part": {"none"}, "v.custody": {"sent_by_tester"}})
	page := v.send(address, address+"/facts", url.Values{"part": {"questions"}, "v.diagnosis": {"bronchopulmonary_dysplasia"}, "v.test_oxygen": {"room_air"},
		"v.chronic_hypoxemia": {"true"}, "v.first_spot_spo2": {"92"}, "v.second_spot_spo2": {"92"}, "v.third_spot_spo2": {"92"}})
	b.wants(page, "(May 4, 2026) and the calendar day on which the test was taken", "(Feb 10, 2026) do not go together. Check them. Waits for it: ")
}
