package main

import (
	"encoding/json"
	"strings"
	"testing"

	"airwarrant/qualify/criteria"
)

// US-NC is North Carolina in ISO 3166-2, US-XX is not assigned.
func TestRulesFor(t *testing.T) {
	r := command(t, "", "rules", "for", "--country", "US", "--subdivision", "US-NC", "--payer", "medicare", "--birth", "1950-01-01", "--on", "2026-06-01")
	if r.code != 0 || !strings.HasPrefix(r.out, "One set of a payer's criteria applies.\nus-medicare\n") || !strings.Contains(r.out, "us-nc-medicaid: does not apply") {
		t.Errorf("%d: %s %s", r.code, r.out, r.err)
	}
	r = command(t, "", "rules", "for", "--subdivision", "US-OR", "--payer", "medicare,medicaid", "--birth", "1950-01-01", "--on", "2026-06-01", "--json")
	var c criteria.Choice
	if err := json.Unmarshal([]byte(r.out), &c); err != nil || r.code != 0 || c.Region != "" || c.Reason != "several" || len(c.Between) != 1 {
		t.Errorf("%d, %v: %s", r.code, err, r.out)
	}
	for flag, args := range map[string][]string{
		"--subdivision": {"--subdivision", "US-XX"}, "--payer": {"--payer", "everyone"}, "--birth": {"--birth", "1.2.50"}, "further word": {"us-medicare"},
	} {
		r := command(t, "", append([]string{"rules", "for"}, args...)...)
		if r.code != 1 || r.out != "" || !strings.Contains(r.err, flag) {
			t.Errorf("%v: %d, %q, %q", args, r.code, r.out, r.err)
		}
	}
	if r := command(t, "", "rules", "list", "--country", "US"); r.code != 1 || r.out != "" {
		t.Errorf("rules list takes a country: %d, %s", r.code, r.out)
	}
}
