package web

import (
	"net/http"
	"net/url"
	"testing"

	"airwarrant/qualify/casework/storetest"
)

// TestSeveralTestsOnACase adds, corrects and takes back tests of a patient: the
// worksheet lists them all and says which one counts (the Medicare dossier,
// section 5, cases 9 and 10), and nothing typed is lost on an error.
func TestSeveralTestsOnACase(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := v.open(medicare, merrin)
	v.send(address, address+"/custody", url.Values{"v.test_date": {"2026-03-01"}, "v.test_state": {"rest"}, "v.test_place": {"facility"},
		"v.test_performed_by": {"hospital"}, "v.supplier_part": {"none"}, "v.custody": {"sent_by_practitioner"}})
	page := v.send(address, address+"/facts", url.Values{"part": {"questions"}, "v.ordered_by_treating_practitioner": {"true"}, "v.evaluated_by_treating_practitioner": {"true"},
		"v.expected_benefit": {"true"}, "v.inpatient": {"false"}, "v.test_oxygen": {"room_air"}, "v.rest_spo2": {"88"}, "u.rest_spo2": {"%"}})
	b.wants(page, "✓ written criteria met", "Another test was taken")
	b.lacks(page, "All tests of this patient")

	form := func(more map[string]string) url.Values {
		f := url.Values{"name": {"Blood gas"}, "v.test_date": {"2026-03-01"}, "v.test_state": {"rest"}, "v.rest_pao2": {"57"}, "u.rest_pao2": {"mmHg"}}
		for k, x := range more {
			f.Set(k, x)
		}
		return f
	}
	for _, c := range []struct{ key, value, say string }{
		{"name", "", "Expected name: by which the test is told apart"},
		{"time", "9:30", "Expected a time of day as HH:MM"},
		{"v.test_date", "2026-02-30", "Some of it could not be taken"},
		{"v.rest_pao2", "57 or so", "Some of it could not be taken"},
	} {
		v.page(address + "/tests")
		r := v.post(address+"/tests", form(map[string]string{c.key: c.value}))
		b.wants(text(r.Body.String()), c.say)
		if r.Code != http.StatusUnprocessableEntity {
			t.Errorf("%s %q: status %d", c.key, c.value, r.Code)
		}
		if c.value != "" {
			b.wants(r.Body.String(), `value="`+c.value+`"`)
		}
		b.lacks(v.page(address), "All tests of this patient")
	}

	v.send(address+"/tests", address+"/tests", form(nil))
	page = v.page(address)
	b.wants(page, "? undetermined", "All tests of this patient", "The test stated on the case itself", "Blood gas", "Group II")
	page = v.send(address, address+"/facts", url.Values{"part": {"questions"}, "v.dependent_edema": {"false"}, "v.pulmonary_hypertension": {"none"}, "v.p_wave_height": {"0"}, "v.hematocrit": {"45"}, "u.hematocrit": {"%"}})
	b.wants(page, "✗ written criteria not met", "the blood gas of that day")

	// The next day's oximetry is later than both.
	v.send(address+"/tests", address+"/tests", url.Values{"name": {"Office"}, "v.test_date": {"2026-03-05"}, "v.test_state": {"rest"}, "v.rest_spo2": {"87"}, "u.rest_spo2": {"%"}})
	page = v.page(address)
	b.wants(page, "✓ written criteria met", "The most recent of the tests at rest", "3 tests are listed")
	v.send(address+"/tests", address+"/tests", url.Values{"was": {"Office"}, "name": {"Office"}, "v.test_date": {"2026-03-05"}, "v.test_state": {"rest"}, "v.rest_spo2": {"93"}, "u.rest_spo2": {"%"}})
	page = v.page(address)
	b.wants(page, "✗ written criteria not met")
	v.send(address+"/tests", address+"/tests", url.Values{"was": {"Office"}, "withdraw": {"1"}})
	page = v.page(address)
	b.wants(page, "the blood gas of that day", "2 tests are listed")
	v.send(address+"/tests", address+"/tests", url.Values{"was": {"Blood gas"}, "withdraw": {"1"}})
	page = v.page(address)
	b.wants(page, "✓ written criteria met")
	b.lacks(page, "All tests of this patient")
	b.wants(v.page(address+"/trail"), "Blood gas", "57 mmHg")

	// A correction that rests on an older page is refused and kept.
	v.send(address+"/tests", address+"/tests", form(nil))
	stale := form(map[string]string{"was": "Blood gas", "v.rest_pao2": "58", "k": "1"})
	v.page(address + "/tests")
	if r := v.post(address+"/tests", stale); r.Code != http.StatusUnprocessableEntity {
		t.Errorf("status %d", r.Code)
	} else {
		b.wants(r.Body.String(), "Somebody else changed the list of tests", `value="58"`)
	}
}
