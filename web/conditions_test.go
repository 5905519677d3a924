package web

import (
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"

	"airwarrant/qualify/casework/storetest"
	"airwarrant/rules"
)

// conditionsOf cuts the part out of a page of a case.
func conditionsOf(page string) string {
	_, part, _ := strings.Cut(page, `<section class="part" id="conditions">`)
	part, _, _ = strings.Cut(part, "</section>")
	return part
}

// What is known is stated without being asked, in its unit, and bears on the
// outcome only as the criteria say.
func TestConditionsAreStated(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	v := b.at(Intake)
	address := b.demoAddress("Ada Merrin")
	page := v.page(address)
	part := conditionsOf(page)
	b.wants(part, "Who ordered, supervised, interpreted and paid", "the treating practitioner ordered the test", "in the chart: visit note of Feb 13, 2026",
		"At which altitude was the test taken?", "moves no threshold", `name="u.altitude"`, `name="u.hematocrit"`, "Can be answered by the office, from the chart.")
	if n := strings.Count(part, "<details"); n != strings.Count(part, "<summary>") || n < 6 || strings.Contains(part, "<details open") {
		t.Errorf("%d groups, or some stand open", n)
	}
	// Another payer's conditions are not asked for here, and those of the
	// custody part stand once.
	for _, name := range []string{"smoking_stopped_month", "postmenstrual_age", "custody", "test_place", "birth_date"} {
		if strings.Contains(part, `name="v.`+name+`"`) {
			t.Errorf("%s is among the conditions", name)
		}
	}
	b.wants(page, "✓ written criteria met")
	form := url.Values{"part": {"conditions"}, "v.altitude": {"5200"}, "u.altitude": {"ft"}, "v.hematocrit": {"0.58"}, "u.hematocrit": {"L/L"}, "v.skin_pigmentation_noted": {"true"},
		"d.skin_pigmentation_noted": {"visit note"}, "v.carrying_capacity_reduced": {"false"}}
	page = v.send(address, address+"/facts", form)
	b.wants(page, "✓ written criteria met", "5200 ft", "0.58 L/L")
	part = conditionsOf(page)
	b.wants(part, "altitude of the place of the test; it moves no threshold", "5200 ft", "M. Reyes, Jun 1, 2026", "(3 of 3 stated)")
	b.lacks(part, `name="v.altitude"`)
	b.wants(v.page(address+"/trail"), "altitude of the place of the test; it moves no threshold: 5200 ft")

	// A form that cannot be taken comes back with all that was typed, and with
	// its group open.
	address = b.demoAddress("Tobin Ashgrove")
	v.page(address)
	before := b.events(strings.TrimPrefix(address, "/cases/"))
	if w := v.post(address+"/facts", url.Values{"part": {"conditions"}, "v.altitude": {"high"}, "u.altitude": {"ft"}, "d.altitude": {"survey map"}, "v.hematocrit": {"0.58"}, "u.hematocrit": {"%"}}); w.Code != http.StatusUnprocessableEntity {
		t.Fatalf("status %d, want 422", w.Code)
	}
	part = conditionsOf(v.last)
	b.wants(part, `value="high"`, `value="survey map"`, `<option selected>ft</option>`, `value="0.58"`, `id="c-altitude-e"`, "write 56 for a fraction of 0.56", "nothing of this part was stored")
	if n := strings.Count(part, "<details open"); n != 2 {
		t.Errorf("%d groups stand open, want the two with a fault", n)
	}
	if got := b.events(strings.TrimPrefix(address, "/cases/")); got != before {
		t.Errorf("a refusal wrote %d events", got-before)
	}
}

// A field stands once on a page: two of one name would be two answers.
func TestEachConditionStandsOnce(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	v := b.at(Intake)
	ids := regexp.MustCompile(` id="([^"]+)"`)
	for _, d := range demoCases() {
		page := v.page(b.demoAddress(d.Patient.Name))
		seen := map[string]bool{}
		for _, m := range ids.FindAllStringSubmatch(page, -1) {
			if seen[m[1]] {
				t.Errorf("%s: two elements have the id %s", d.Shows, m[1])
			}
			seen[m[1]] = true
		}
		_, questions, _ := strings.Cut(page, `id="questions"`)
		questions, _, _ = strings.Cut(questions, "</section>")
		for _, m := range regexp.MustCompile(`name="([vq]\.[a-z0-9_]+)"`).FindAllStringSubmatch(conditionsOf(page), -1) {
			if strings.Contains(questions, m[0]) {
				t.Errorf("%s: %s is asked, and stands among the conditions", d.Shows, m[1])
			}
		}
	}
}

// Every group names facts of the vocabulary, each once, and together with what
// is left over they hold every fact that people state in a field.
func TestConditionsAreWhole(t *testing.T) {
	var all []string
	for _, g := range conditionGroups {
		for _, name := range g.facts {
			def, ok := rules.Lookup(name)
			if !ok || !statedOnPages(def) || slices.Contains(all, name) {
				t.Errorf("%s: %s is no fact that is stated in a field, or stands twice", g.title, name)
			}
			all = append(all, name)
		}
	}
	all = append(all, ungrouped()...)
	for _, def := range rules.Vocabulary() {
		if statedOnPages(def) != slices.Contains(all, def.Name) {
			t.Errorf("%s: stated in a field %v, among the conditions %v", def.Name, statedOnPages(def), slices.Contains(all, def.Name))
		}
	}
}
