package web

import (
	"html"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"airwarrant/qualify/casework/storetest"
)

// TestOneFormOpensOneCase: the same form sent again leads to the case that it
// opened; the form changed, or a fresh one, opens another.
func TestOneFormOpensOneCase(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	form := func(once, name string) url.Values {
		return url.Values{"once": {once}, "payer": {medicare}, "name": {name}, "birth": {merrin.Birth.String()}, "identifier": {merrin.Identifier}}
	}
	send := func(f url.Values) string {
		t.Helper()
		v.page("/cases/new")
		r := v.post("/cases/new", f)
		if r.Code != http.StatusSeeOther {
			t.Fatalf("status %d: %s", r.Code, text(v.last))
		}
		return r.Header().Get("Location")
	}
	first := send(form("a", merrin.Name))
	if again := send(form("a", merrin.Name)); again != first {
		t.Errorf("sent again the form opens %s beside %s", again, first)
	}
	other, fresh := send(form("a", "Rollo Merrin")), send(form("b", merrin.Name))
	if other == first || fresh == first || other == fresh {
		t.Errorf("a form that was changed, and a fresh one, lead to %s and %s; the first case is %s", other, fresh, first)
	}
	if f, err := b.Site.open(t.Context(), other[len("/cases/"):]); err != nil || f.Patient.Name != "Rollo Merrin" {
		t.Errorf("the second case is of %q, %v", f.Patient.Name, err)
	}
}

// The house's region is what the forms begin with, and one that there is not
// is refused when the site starts.
func TestRegionOfTheHouse(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	conf := b.cfg
	conf.Region = "de"
	if _, err := New(conf); err == nil || !strings.Contains(err.Error(), `found "de"`) {
		t.Errorf("an unknown region: %v", err)
	}
	v := b.at(Intake)
	preset := regexp.MustCompile(`<[^>]*value="` + medicare + `"[^>]*(checked|selected)`)
	for _, region := range []string{"", medicare} {
		b.cfg.Region = region
		for _, page := range []string{"/cases/new", "/batch"} {
			if got := preset.MatchString(v.page(page)); got != (region != "") {
				t.Errorf("%s of a house at %q: %s preset %t", page, region, medicare, got)
			}
		}
	}
}

// Names of one word, of three, and of any script are taken as they are; signs that
// nobody sees, a name without a letter and a birth date of another age are not.
func TestOddNames(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	for name, status := range map[string]int{
		"Cher": 303, "Maria del Pilar": 303, "\u05e2\u05d3\u05d4 \u05de\u05e8\u05d9\u05df": 303, "\u738b\u5c0f\u660e": 303, "Ada \U0001F600": 303, "O'Hara-Lu\u030a": 303, "=cmd|' /C calc'!A0": 303,
		strings.Repeat("\u00e9", 200): 303, strings.Repeat("A", 10000): 422, "": 422, "\u200b\u200b": 422, "\U0001F600": 422, "17": 422,
		"Ada \u202enirreM": 422, "Ada\u2067 Merrin": 422, "Ada\x00Merrin": 422, "Ada\x1b[31m Merrin": 422, "Ada\r\nMerrin": 422, "Ada \xff": 422,
	} {
		v.page("/cases/new")
		w := v.post("/cases/new", url.Values{"payer": {medicare}, "name": {name}, "birth": {"1951-05-04"}})
		if w.Code != status {
			t.Errorf("%.40q: status %d, want %d", name, w.Code, status)
			continue
		}
		if status == 303 {
			if page := v.page(w.Header().Get("Location")); !strings.Contains(html.UnescapeString(page), name) {
				t.Errorf("%.40q does not stand on the page of its case", name)
			}
			v.page("/cases") // once the list itself is fetched
		}
	}
	for birth, status := range map[string]int{"2000-02-29": 303, "1900-02-29": 422, "1897-01-01": 303, "1895-12-31": 422, "0001-01-01": 422, "2026-06-01": 303, "2026-06-03": 422} {
		v.page("/cases/new")
		if w := v.post("/cases/new", url.Values{"payer": {medicare}, "name": {"Ada Merrin"}, "birth": {birth}}); w.Code != status {
			t.Errorf("born %s: status %d, want %d", birth, w.Code, status)
		}
	}
	v.page("/cases/new")
	v.post("/cases/new", url.Values{"payer": {medicare}, "name": {"Ada Merrin"}, "birth": {"1951-05-04"}, "identifier": {"HV\u202e71402"}})
	b.wants(v.last, "found a sign that cannot be")
}
