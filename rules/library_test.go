package rules

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"
)

// library holds xx-bad with three versions, the last a withdrawal, and a
// hidden region.
func library(t *testing.T) *Library {
	t.Helper()
	version := func(date string) string { return strings.Replace(goodPack, "2030-01-01", date, 1) }
	files := map[string]string{
		"xx-bad/2032-03-01.yaml": version("2032-03-01"),
		"xx-bad/2035-07-01.yaml": "effective_from: 2035-07-01\ntitle: The office closes\nwithdrawn: true\ncites:\n  notice: {document: Closing Notice}\n",
		"aa-hidden/region.yaml":  strings.Replace(goodRegion, "xx-bad", "aa-hidden", 1) + "hidden: true\n",
		"aa-hidden/2030-01-01.yaml": strings.Replace(goodPack, "criteria:\n  {", `custody: {when: {fact: test_place, is: home}, accepts: [sent_by_tester], who: the tester, cite: [notice]}
criteria:
  {applies_when: {all_of: [{id: asleep, fact: test_state, is: asleep}, {fact: test_place, known: true}]}, `, 1),
	}
	for _, name := range sortedKeys(files) {
		if !strings.HasSuffix(name, "region.yaml") {
			files[strings.TrimSuffix(name, ".yaml")+".cases.yaml"] = "cases of " + name
		}
	}
	l, err := Load(folder(files))
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func TestInForce(t *testing.T) {
	l := library(t)
	cases := []struct {
		region, day string
		want        string // effective date, or words of the error
		err         error
	}{
		{"xx-bad", "2030-01-01", "2030-01-01", nil},
		{"xx-bad", "2032-02-29", "2030-01-01", nil},
		{"xx-bad", "2032-03-01", "2032-03-01", nil},
		{"xx-bad", "2035-06-30", "2032-03-01", nil},
		{"xx-bad", "2029-12-31", "xx-bad on 2029-12-31: the first version known is in force from 2030-01-01", ErrNoPackInForce},
		{"xx-bad", "2035-07-01", "withdrawn from 2035-07-01 (The office closes)", ErrNoPackInForce},
		{"xx-bad", "2099-01-01", "withdrawn from 2035-07-01", ErrNoPackInForce},
		{"xx-bda", "2030-01-01", `unknown region "xx-bda": did you mean "xx-bad"?`, ErrUnknownRegion},
		{"moon", "2030-01-01", "use one of: xx-bad, aa-hidden", ErrUnknownRegion},
	}
	for _, c := range cases {
		day, err := ParseDate(c.day)
		if err != nil {
			t.Fatal(err)
		}
		p, err := l.InForce(c.region, day)
		switch {
		case !errors.Is(err, c.err) || (p == nil) != (c.err != nil):
			t.Errorf("%s on %s: %v, %v; want %v", c.region, c.day, p, err, c.err)
		case c.err != nil && !strings.Contains(err.Error(), c.want):
			t.Errorf("%s on %s: %v; want words %q", c.region, c.day, err, c.want)
		case c.err == nil && p.EffectiveFrom.String() != c.want:
			t.Errorf("%s on %s: version %s, want %s", c.region, c.day, p.EffectiveFrom, c.want)
		}
	}
}

func TestAt(t *testing.T) {
	l := library(t)
	if p, err := l.At("xx-bad", Date{2035, 7, 1}); err != nil || !p.Withdrawn {
		t.Errorf("a withdrawn version can be shown: %v, %v", p, err)
	}
	if p, err := l.At("xx-bad", Date{2032, 3, 2}); p != nil || !errors.Is(err, ErrUnknownVersion) || !strings.Contains(err.Error(), "2030-01-01, 2032-03-01, 2035-07-01") {
		t.Errorf("a day after: %v, %v", p, err)
	}
	if p, err := l.At("xx", Date{2032, 3, 1}); p != nil || !errors.Is(err, ErrUnknownRegion) {
		t.Errorf("another region: %v, %v", p, err)
	}
	if r, err := l.Region("aa-hidden"); err != nil || !r.Hidden {
		t.Errorf("a hidden region: %+v, %v", r, err)
	}
	if _, err := l.Region("aa"); !errors.Is(err, ErrUnknownRegion) {
		t.Errorf("another region: %v", err)
	}
}

// The last day of a version is the day before the next one, by the standard
// library's calendar: 2032 is a leap year.
func TestHistory(t *testing.T) {
	l := library(t)
	var got []string
	versions := l.History("xx-bad")
	for i, p := range versions {
		until := "open"
		if p.Until != nil {
			until = p.Until.String()
			e := versions[i+1].EffectiveFrom
			if want := time.Date(e.Year, time.Month(e.Month), e.Day, 0, 0, 0, 0, time.UTC).AddDate(0, 0, -1).Format(time.DateOnly); until != want {
				t.Errorf("%s: until %s, want %s", p.File, until, want)
			}
		}
		got = append(got, p.EffectiveFrom.String()+" to "+until)
		if want := "xx-bad/" + p.EffectiveFrom.String(); p.File != want+".yaml" || p.CasesFile != want+".cases.yaml" || len(p.Cases) == 0 || len(p.SHA256) != 64 {
			t.Errorf("%s: %q, hash %q, cases %q", p.File, p.CasesFile, p.SHA256, p.Cases)
		}
	}
	want := []string{"2030-01-01 to 2032-02-29", "2032-03-01 to 2035-06-30", "2035-07-01 to open"}
	if !slices.Equal(got, want) {
		t.Errorf("got  %v\nwant %v", got, want)
	}
	if rs := l.Regions(); len(rs) != 2 || rs[0].Region != "xx-bad" || rs[1].Region != "aa-hidden" {
		t.Errorf("hidden regions stand last: %+v", rs)
	}
	if h := l.History("moon"); h != nil {
		t.Errorf("versions of an unknown region: %v", h)
	}
}

// SHA-256 of "abc" in FIPS 180-2, appendix B.1; the pack's hash is made the
// same way from the file's bytes.
func TestHashIsOfTheBytes(t *testing.T) {
	a := library(t).History("xx-bad")[0]
	l, err := Load(folder(map[string]string{"xx-bad/2030-01-01.yaml": goodPack + "# a remark\n"}))
	if err != nil {
		t.Fatal(err)
	}
	if b := l.History("xx-bad")[0]; a.SHA256 == b.SHA256 {
		t.Error("a remark leaves the hash as it was")
	}
	if got := hashOf([]byte("abc")); got != "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad" {
		t.Errorf("hash of abc: %s", got)
	}
}

func TestWalk(t *testing.T) {
	p := library(t).History("aa-hidden")[0]
	var got []string
	p.Walk(func(n *Node, gate bool) {
		word := n.Fact
		if word == "" {
			word = "group"
		}
		if gate {
			word += " (gate)"
		}
		got = append(got, word)
	})
	want := []string{"test_place (gate)", "rest_spo2", "group (gate)", "test_state (gate)", "test_place (gate)"}
	if !slices.Equal(got, want) {
		t.Errorf("got  %v\nwant %v", got, want)
	}
	if n := p.FindClause("asleep"); n == nil || n.Fact != "test_state" {
		t.Errorf("asleep: %+v", n)
	}
	for _, id := range []string{"", "moon"} {
		if n := p.FindClause(id); n != nil {
			t.Errorf("%q: %+v", id, n)
		}
	}
}
