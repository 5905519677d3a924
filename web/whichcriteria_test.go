package web

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"airwarrant/qualify/casework/storetest"
)

// The page says which criteria apply and why, chooses nothing where none or
// several do, and lets a person choose others with a word why, which the trail
// tells. Codes are those of ISO 3166-2.
func TestWhichCriteria(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	ask := func(place string, plans ...string) (page, chosen string) {
		t.Helper()
		v.page("/cases/new")
		r := v.post("/cases/new", url.Values{"which": {"1"}, "birth": {"1951-05-04"}, "place": {place}, "plan": plans, "name": {merrin.Name}, "payer": {"ca-on-hop"}})
		if r.Code != http.StatusOK {
			t.Fatalf("%s: status %d: %s", place, r.Code, text(v.last))
		}
		for _, part := range strings.Split(v.last, `name="payer" value="`)[1:] {
			if value, rest, _ := strings.Cut(part, `"`); strings.HasPrefix(rest, " checked") {
				chosen += value
			}
		}
		b.wants(v.last, `value="Ada Merrin"`, `value="1951-05-04"`)
		return v.last, chosen
	}
	page, chosen := ask("US-NC", "medicare")
	b.wants(page, "One set of a payer's criteria applies.", "enrolled in Original Medicare", "Criteria that do not apply", "not stated as the patient's")
	if chosen != medicare {
		t.Errorf("chosen %q, want Medicare", chosen)
	}
	for place, say := range map[string]string{"US-NY": "No payer's criteria that are held here apply", "elsewhere": "lives in another country", "": "What is stated does not say"} {
		page, chosen = ask(place, "medicaid")
		if b.wants(page, say); chosen != "" {
			t.Errorf("%s: %q is chosen although none applies", place, chosen)
		}
	}
	page, chosen = ask("US-OR", "medicaid", "medicare")
	b.wants(page, "ask which plan pays first", "Medicare's decision on payment is followed")
	if chosen != "" {
		t.Errorf("%q is chosen between two", chosen)
	}

	form := url.Values{"place": {"US-NC"}, "plan": {"medicaid"}, "payer": {medicare}, "name": {merrin.Name}, "birth": {"1951-05-04"}, "once": {"x"}}
	v.page("/cases/new")
	if r := v.post("/cases/new", form); r.Code != http.StatusUnprocessableEntity {
		t.Fatalf("criteria that do not apply, without a word: status %d", r.Code)
	}
	b.wants(v.last, "Expected a word on why these criteria are chosen", `value="US-NC" lang="en" selected`, "<details open>")
	form.Set("why", "Medicare was granted last week")
	r := v.post("/cases/new", form)
	if r.Code != http.StatusSeeOther {
		t.Fatalf("with a word: status %d: %s", r.Code, text(v.last))
	}
	address := r.Header().Get("Location")
	b.wants(v.page(address+"/trail"), "us-medicare does not apply by what is stated", "lives in North Carolina (US-NC)", "Medicare was granted last week")
	// A corrected name keeps on what the criteria were chosen, and who they
	// are is nowhere in the clear.
	v.page(address)
	v.post(address+"/patient", url.Values{"name": {"Ada Merrin-Hale"}, "birth": {"1951-05-04"}})
	f, err := b.Site.open(t.Context(), address[len("/cases/"):])
	if err != nil || f.Patient.Name != "Ada Merrin-Hale" || f.Case.Patient.Chosen == "" {
		t.Errorf("after the correction: %v, %+v", err, f.Case.Patient)
	}
	events, err := b.store.Events(t.Context(), address[len("/cases/"):], 1)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range events {
		if s := string(e.Change); strings.Contains(s, "US-NC") || strings.Contains(s, "granted") {
			t.Errorf("event %d holds it in the clear: %s", e.K, s)
		}
	}

	for field, bad := range map[string]url.Values{"place": {"place": {"US-XX"}}, "plan": {"plan": {"everything"}}} {
		v.page("/cases/new")
		bad.Set("which", "1")
		if r := v.post("/cases/new", bad); r.Code != http.StatusUnprocessableEntity {
			t.Errorf("%s: status %d", field, r.Code)
		}
		b.wants(v.last, `class="q wrong"`)
	}
}
