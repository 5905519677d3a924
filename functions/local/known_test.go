package main

import (
	"encoding/json"
	"strings"
	"testing"

	"airwarrant/rules"
)

// TestAsKnownOn asks for criteria as of a day before they were known here: check
// refuses as for a day without criteria, and of the list no version is left. On
// the day itself they apply. The day is the pack's own known_since.
func TestAsKnownOn(t *testing.T) {
	lib, err := rules.Embedded()
	if err != nil {
		t.Fatal(err)
	}
	h := lib.History("xx-example")
	since := h[len(h)-1].KnownSince
	before := since.AddDays(-1).String()
	args := []string{"check", "--criteria", "xx-example", "--on", h[len(h)-1].EffectiveFrom.String(), "--json", "--as-known-on"}
	if r := command(t, "", append(args, before)...); r.code != exitRefused || r.out != "" || !strings.Contains(r.err, "known here on "+before) {
		t.Errorf("%+v", r)
	}
	if r := command(t, "", append(args, since.String())...); r.code != exitUndetermined {
		t.Errorf("%+v", r)
	}
	if r := command(t, "", append(args, "soon")...); r.code != exitUsage || r.out != "" || !strings.Contains(r.err, "--as-known-on") {
		t.Errorf("%+v", r)
	}
	versions := func(on string) (n int) {
		r := command(t, "", "rules", "list", "--json", "--as-known-on", on)
		var out []listed
		if err := json.Unmarshal([]byte(r.out), &out); err != nil || r.code != exitOK {
			t.Fatalf("%v: %+v", err, r)
		}
		for _, l := range out {
			n += len(l.Versions)
		}
		return n
	}
	if versions("2000-01-01") != 0 || versions("2100-01-01") < 30 {
		t.Errorf("%d and %d versions, expected none and all", versions("2000-01-01"), versions("2100-01-01"))
	}
	if r := command(t, "", "rules", "facts", "--as-known-on", since.String()); r.code != exitUsage || r.out != "" {
		t.Errorf("%+v", r)
	}
}
