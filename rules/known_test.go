package rules_test

import (
	"errors"
	"strings"
	"testing"
	"testing/fstest"

	"airwarrant/rules"
)

// TestAsKnownOn has two versions, of which the second became known some weeks
// after the day from which it is in force: asked as of a day between, the first
// one still applies and is open; asked without a day, the second does.
func TestAsKnownOn(t *testing.T) {
	pack := func(from, known string) *fstest.MapFile {
		return &fstest.MapFile{Data: []byte("effective_from: " + from + "\nknown_since: " + known + `
title: Notice
cites:
  notice: {document: Notice, section: "1", edition: first, read_on: 2020-01-01}
criteria:
  id: rest
  label: At rest
  fact: rest_spo2
  at_or_below: 88 %
  cite: [notice]
  status: verified
`)}
	}
	cases := &fstest.MapFile{Data: []byte("cases: []\n")}
	lib, err := rules.Load(fstest.MapFS{
		"xx-known/region.yaml":           {Data: []byte("region: xx-known\nname: K\npayer: P\nselect_by: test_date\nhome: https://example.org/k\nscope: Invented.\n")},
		"xx-known/2020-01-01.yaml":       pack("2020-01-01", "2020-02-01"),
		"xx-known/2020-01-01.cases.yaml": cases,
		"xx-known/2025-01-01.yaml":       pack("2025-01-01", "2025-02-20"),
		"xx-known/2025-01-01.cases.yaml": cases,
	})
	if err != nil {
		t.Fatal(err)
	}
	day := func(s string) rules.Date {
		d, err := rules.ParseDate(s)
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	test := day("2025-01-15")
	for _, c := range []struct{ known, want string }{
		{"2025-02-19", "2020-01-01"}, {"2025-02-20", "2025-01-01"}, {"2030-01-01", "2025-01-01"}, {"2020-02-01", "2020-01-01"},
	} {
		then := lib.AsKnownOn(day(c.known))
		p, err := then.InForce("xx-known", test)
		if err != nil || p.EffectiveFrom.String() != c.want || p.Until != nil {
			t.Errorf("as known on %s: %v, %v; expected the version of %s, open", c.known, p, err, c.want)
		}
	}
	if _, err := lib.AsKnownOn(day("2020-01-31")).InForce("xx-known", test); !errors.Is(err, rules.ErrNoPackInForce) || !strings.Contains(err.Error(), "2020-01-31") {
		t.Errorf("before anything was known: %v", err)
	}
	if _, err := lib.AsKnownOn(day("2020-01-31")).InForce("xx-other", test); !errors.Is(err, rules.ErrUnknownRegion) {
		t.Errorf("another region: %v", err)
	}
	if first := lib.History("xx-known")[0]; first.Until == nil || first.Until.String() != "2024-12-31" {
		t.Errorf("the library itself was changed: until %v", first.Until)
	}
}
