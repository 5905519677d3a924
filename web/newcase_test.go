package web

import (
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
