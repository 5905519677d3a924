package web

import (
	"net/http"
	"net/url"
	"testing"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/casework/storetest"
)

// TestCriticalStaysOpenUntilTold: the alert stands on the case and in the list
// until it is entered who was told, by whom and when; the case cannot be closed
// before, and a lower value opens it again.
func TestCriticalStaysOpenUntilTold(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := v.open(medicare, merrin)
	v.send(address, address+"/custody", url.Values{"v.test_date": {"2026-05-30"}, "v.test_state": {"rest"}, "v.test_place": {"facility"},
		"v.test_performed_by": {"hospital"}, "v.supplier_part": {"none"}, "v.custody": {"sent_by_practitioner"}})
	part := "questions"
	value := func(x string) string {
		defer func() { part = "stated" }()
		return v.send(address, address+"/facts", url.Values{"part": {part}, "v.rest_spo2": {x}, "u.rest_spo2": {"%"}})
	}
	b.lacks(value("88"), "Critically low reading")
	page := value("78")
	b.wants(page, "Critically low reading", "Tell the treating practitioner now, whatever the verdict; in an emergency call the emergency number.", "78 %", "2 days old", "Who was told?", "Nobody is entered as told yet")
	b.wants(v.page("/cases"), "critically low, nobody told yet")

	number := address[len("/cases/"):]
	st := casework.Stamp{At: *b.clock, By: "M. Reyes", Role: casework.RoleIntake}
	closing := func(*casework.Case) (casework.Change, error) { return casework.Closed{}, nil }
	if _, err := casework.Update(t.Context(), b.store, number, st, closing); err == nil {
		t.Error("closed with an alert that nobody was told of")
	}

	form := url.Values{"told": {"Dr. Osei"}, "by": {"M. Reyes"}, "when": {"2026-06-01 08:40"}}
	// A reading of 30 May can have been told to nobody the day before.
	for _, c := range [][2]string{{"told", ""}, {"by", ""}, {"when", "1 June"}, {"when", "2026-06-09 08:40"}, {"when", "2026-05-29 23:59"}} {
		key, bad := c[0], c[1]
		wrong := url.Values{}
		for k, x := range form {
			wrong[k] = x
		}
		wrong.Set(key, bad)
		v.page(address)
		if r := v.post(address+"/critical", wrong); r.Code != http.StatusUnprocessableEntity {
			t.Errorf("%s %q: status %d", key, bad, r.Code)
		} else {
			b.wants(r.Body.String(), "nothing was stored", `aria-describedby="`+key+`-e"`)
		}
	}
	b.wants(v.page(address), "Who was told?")

	page = v.send(address, address+"/critical", form)
	b.wants(page, "Dr. Osei told by M. Reyes on Jun 1, 2026 08:40", "Critically low reading")
	b.lacks(page, "Who was told?", "Nobody is entered as told yet")
	b.lacks(v.page("/cases"), "nobody told yet")
	b.wants(v.page(address+"/trail"), "critically low reading told: Dr. Osei told by M. Reyes")

	b.wants(value("74"), "Who was told?", "74 %", "Dr. Osei")
	b.wants(v.page("/cases"), "critically low, nobody told yet")
	b.lacks(value("90"), "Critically low reading")
	if _, err := casework.Update(t.Context(), b.store, number, st, closing); err != nil {
		t.Errorf("the alert is over, and yet: %v", err)
	}
}
