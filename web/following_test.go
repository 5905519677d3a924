package web

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/casework/storetest"
)

// What follows from a case that qualifies is asked apart from what decides, of
// intake and by link of the office, and its dates go to a calendar without
// the patient.
func TestFollowing(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	*b.clock = b.clock.AddDate(4, 0, 0) // the invented criteria begin in 2030
	c, err := b.newFile(t.Context(), b.stamp("M. Reyes", casework.RoleIntake), chosenBy{Region: "xx-example"}, merrin, b.cfg.Random)
	if err != nil {
		t.Fatal(err)
	}
	address := "/cases/" + c.Number
	v := b.at(Intake)
	v.send(address, address+"/custody", url.Values{"v.test_date": {"2030-02-01"}, "v.test_state": {"rest"}, "v.test_place": {"facility"},
		"v.test_performed_by": {"hospital"}, "v.supplier_part": {"none"}, "v.custody": {"sent_by_practitioner"}})
	const apart = "What would change the equipment or a date"
	page := v.send(address, address+"/facts", url.Values{"part": {"questions"}, "v.test_oxygen": {"room_air"}, "v.rest_spo2": {"91"}})
	b.lacks(page, apart, "dates.ics", `id="dates"`) // a question that decides is left
	if r := v.get(address + "/dates.ics"); r.Code != http.StatusNotFound || strings.Contains(v.last, merrin.Name) {
		t.Errorf("dates before any follow: status %d", r.Code)
	}
	page = v.send(address, address+"/facts", url.Values{"part": {"stated"}, "v.rest_spo2": {"90"}, "v.order_date": {"2030-01-25"}})
	b.wants(page, "✓ written criteria met", apart, "No answer here changes the outcome.", "Settles: Portable equipment: A portable unit too.",
		"Settles: High flow: Equipment for a high flow.", "Settles: Renewal: The order has to be renewed.", "By Mar 18, 2030")
	questions, _, _ := strings.Cut(page[strings.Index(page, `id="questions"`):], "</section>")
	for _, name := range []string{"mobile_in_home", "prescribed_flow", "start_date", "altitude"} {
		if n := strings.Count(questions, `name="v.`+name+`"`); n == 0 || strings.Count(page, `id="f-`+name+`"`) > 1 {
			t.Errorf("%s: %d fields", name, n)
		}
	}
	if strings.Index(questions, apart) > strings.Index(questions, "mobile_in_home") {
		t.Error("a question of what follows stands among those about the outcome")
	}

	// The office is asked what its chart can tell, and nothing of clauses.
	link := b.links(address)[Office]
	o := b.guest(link)
	b.wants(o.page(link), "mobile within the home", "Which flow does the order name at rest")
	b.lacks(o.last, "A portable unit")

	// A fault in one answer keeps what was typed in the others.
	v.page(address)
	if r := v.post(address+"/facts", url.Values{"part": {"questions"}, "v.prescribed_flow": {"6"}, "v.start_date": {"soon"}}); r.Code != http.StatusUnprocessableEntity {
		t.Errorf("a date that is none: status %d, want 422", r.Code)
	}
	b.wants(v.last, `value="soon"`, `value="6"`)
	page = v.send(address, address+"/facts", url.Values{"part": {"questions"}, "v.mobile_in_home": {"false"}, "v.prescribed_flow": {"5"}, "v.start_date": {"2030-03-31"}, "v.altitude": {"1201"}})
	b.lacks(page, apart, "For the record")
	b.wants(page, "From Feb 28, 2031 to Mar 31, 2031", "Note the altitude at which the test was taken.", address+"/dates.ics")

	r := v.get(address + "/dates.ics")
	if r.Code != http.StatusOK || r.Header().Get("Content-Type") != "text/calendar; charset=utf-8" || !strings.Contains(r.Header().Get("Content-Disposition"), c.Number+".ics") {
		t.Errorf("calendar: status %d, %v", r.Code, r.Header())
	}
	for _, want := range []string{"DTSTART;VALUE=DATE:20310228", "DTEND;VALUE=DATE:20310401", "Case " + c.Number, "DTSTART;VALUE=DATE:20300318"} {
		if !strings.Contains(v.last, want) {
			t.Errorf("calendar lacks %q:\n%s", want, v.last)
		}
	}
	for _, private := range []string{merrin.Name, merrin.Identifier, "1951", "Merrin"} {
		if strings.Contains(v.last, private) {
			t.Errorf("the calendar tells %q", private)
		}
	}
}
