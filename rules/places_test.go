package rules

import (
	"strings"
	"testing"
	"testing/fstest"
)

// Every code is one of ISO 3166-1 or 3166-2 by the validator library, and a country
// has as many subdivisions as ISO 3166-2 lists: the United States 50 states, a
// district and 6 outlying areas, Canada 10 provinces and 3 territories, Australia 6
// states and 2 territories (counted in the Debian package iso-codes 4.15.0), and the
// United Kingdom its 4 countries and province.
func TestPlaces(t *testing.T) {
	for country, n := range map[string]int{"US": 57, "CA": 13, "AU": 8, "GB": 4} {
		all := Subdivisions(country)
		if len(all) != n {
			t.Errorf("%s has %d subdivisions, want %d", country, len(all), n)
		}
		seen := map[string]bool{}
		for _, p := range all {
			if CheckPlace(p.Code) != nil || p.Country() != country || seen[p.Code] || seen[p.Name] || PlaceName(p.Code) != p.Name {
				t.Errorf("%+v is no subdivision of %s, or told twice", p, country)
			}
			seen[p.Code], seen[p.Name] = true, true
		}
	}
	lib, err := Embedded()
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range lib.Countries() {
		if CheckPlace(c) != nil || PlaceName(c) == c {
			t.Errorf("%s is no country with a name", c)
		}
	}
	for _, r := range lib.Regions() {
		if len(r.Applies) == 0 {
			t.Errorf("%s does not say which patients come under it", r.Region)
		}
		for _, a := range r.Applies {
			for _, p := range a.Places {
				if strings.Contains(p, "-") && PlaceName(p) == p {
					t.Errorf("%s: %s has no name", r.Region, p)
				}
			}
			if strings.HasPrefix(r.Payer, "None;") == (a.Payer != "") {
				t.Errorf("%s: the payer is %q, and it applies by the plan %q", r.Region, r.Payer, a.Payer)
			}
		}
	}
}

func TestAppliesFaults(t *testing.T) {
	const head = "region: xx-bad\nname: Example\npayer: Example Coverage Office\nselect_by: test_date\nscope: An invented payer.\napplies:\n"
	for entry, want := range map[string]string{
		"  - {places: [US-XX], text: T., source: s, status: verified}":               `xx-bad/region.yaml:7:15: applies[0].places[0]: expected a code of ISO 3166`,
		"  - {payer: own, text: T., source: s, status: verified}":                    "the key program beside the payer",
		"  - {payer: Own plan, program: Own, text: T., source: s, status: verified}": "a word of small letters",
		"  - {program: Own, text: T., source: s, status: verified}":                  "no program without a payer",
		"  - {places: [US, US-NC], text: T., source: s, status: verified}":           "US-NC beside US",
		"  - {text: T., source: s}":                                                  "the key status",
		"  - {text: T., source: s, status: sure}":                                    "one of verified, verified-secondary, draft",
	} {
		_, err := Load(fstest.MapFS{"xx-bad/region.yaml": {Data: []byte(head + entry + "\n")}})
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s:\n%v\nwant %s", entry, err, want)
		}
	}
}
