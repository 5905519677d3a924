package web

import (
	"net/http"
	"regexp"
	"strings"
	"testing"

	"airwarrant/qualify/casework/storetest"
)

// A case stands under other sets of criteria beside its own, without a word
// stored but that somebody looked; a set that is for other patients says so.
func TestCompareCase(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	address := b.demoAddress("Cassius Penhallow")
	number := strings.TrimPrefix(address, "/cases/")
	v := b.at(Intake)
	b.wants(v.page(address), address+"/compare")
	before, looks := b.events(number), b.looks(number)
	page := v.page(address + "/compare?with=us-ats-paed&with=anz-tsanz&with=xx-example&with=none")
	b.wants(page, "This set of criteria is not for this patient", `href="/rules/us-ats-paed/2019-02-01"`, `href="/rules/anz-tsanz/2024-07-15"`, `value="us-ats-paed" checked`)
	if rows := strings.Count(page, "<tr><td>"); rows != 3 {
		t.Errorf("%d rows, expected the case's own set and two more", rows)
	}
	// The address itself, to come back to in another language, is nothing that is shown.
	b.lacks(regexp.MustCompile(`<input type="hidden" name="to"[^>]*>`).ReplaceAllString(page, ""), "xx-example", "/rules/xx-example")
	page = v.page(address + "/compare?with=uk-nice-ng115&with=uk-bts-adult&with=uk-bts-paed&with=us-ats-adult&with=us-ats-paed&with=anz-tsanz&with=de-dgp")
	b.wants(page, "Expected at most 6 sets; found 7.")
	if rows := strings.Count(page, "<tr><td>"); rows != 7 {
		t.Errorf("%d rows, expected the case's own set and six more", rows)
	}
	if got := b.events(number); got != before+1 || b.looks(number) != looks+1 {
		t.Errorf("comparing wrote %d events, want that somebody looked and nothing else", got-before)
	}
	if r := v.get("/cases/AW-0000-0000/compare"); r.Code != http.StatusNotFound {
		t.Errorf("a case that is not there: status %d", r.Code)
	}
}
