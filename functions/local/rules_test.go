package main

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"airwarrant/rules"
)

// Two versions of an invented payer; the newer holds a draft.
const (
	ownRegion = "region: xx-own\nname: Own\npayer: Own office\nselect_by: test_date\nscope: Invented.\n"
	ownFirst  = `effective_from: 2030-01-01
title: Own notice, first
cites:
  notice: {document: Own Notice, edition: first}
criteria:
  id: all
  label: Oxygen at home
  all_of:
    - {id: rest, label: Low at rest, fact: rest_spo2, at_or_below: 88 %, cite: [notice], status: verified}
`
	ownCases = "cases:\n  - name: nothing known\n    want: {outcome: undetermined}\n"
)

var ownSecond = strings.NewReplacer("2030-01-01", "2031-01-01", ", first\n", ", second\n", "at_or_below: 88 %", "at_or_below: 89 %",
	"status: verified}", "status: draft, strength: strong, grade: low}").Replace(ownFirst)

func ownPacks(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	for name, text := range map[string]string{"region.yaml": ownRegion, "2030-01-01.yaml": ownFirst, "2030-01-01.cases.yaml": ownCases,
		"2031-01-01.yaml": ownSecond, "2031-01-01.cases.yaml": ownCases} {
		name = filepath.Join(dir, "xx-own", name)
		if err := os.MkdirAll(filepath.Dir(name), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// A draft blocks a verdict both ways until somebody has confirmed it in the
// document; then it decides, and everything printed names who did.
func TestConfirmedDraftDecides(t *testing.T) {
	dir := ownPacks(t)
	document := file(t, "document.txt", "Saturation at rest of 89 % or less.")
	sum := sha256.Sum256([]byte("Saturation at rest of 89 % or less."))
	confirmed := filepath.Join(t.TempDir(), "confirmations.yaml")
	low, high := file(t, "low.yaml", "test_date: 2031-02-01\nrest_spo2: 89\n"), file(t, "high.yaml", "test_date: 2031-02-01\nrest_spo2: 90\n")
	check := func(facts string, more ...string) ran {
		return command(t, "", append([]string{"check", "--packs", dir, "--criteria", "xx-own", "--facts", facts}, more...)...)
	}
	for _, facts := range []string{low, high} {
		if r := check(facts); r.code != exitUndetermined || !strings.Contains(r.out, "Low at rest") {
			t.Errorf("%s without a confirmation: %d\n%s", facts, r.code, r.out)
		}
	}
	confirm := func(clause string) ran {
		return command(t, "", "rules", "confirm", "xx-own", clause, "--packs", dir, "--by", "A. Reader", "--edition", "second print", "--document", document,
			"--confirmed", confirmed, "--on", "2031-01-15")
	}
	if r := confirm("rests"); r.code != exitUsage || !strings.Contains(r.err, `did you mean "rest"?`) {
		t.Errorf("a misspelt clause: %+v", r)
	}
	if _, err := os.Stat(confirmed); err == nil {
		t.Error("a refused confirmation was written")
	}
	for range 2 { // a second reader may confirm the same
		if r := confirm("rest"); r.code != exitOK || !strings.Contains(r.out, `document_sha256: "`+hex.EncodeToString(sum[:])+`"`) || !strings.Contains(r.out, "seal: ") {
			t.Fatalf("%+v", r)
		}
	}
	r := check(low, "--confirmed", confirmed, "--json")
	if r.code != exitOK || !strings.Contains(r.out, `"outcome": "qualifies"`) || !strings.Contains(r.out, `"confirmed": "A. Reader on 2031-01-15, in second print"`) {
		t.Errorf("%d\n%s%s", r.code, r.out, r.err)
	}
	if r = check(high, "--confirmed", confirmed, "--json"); r.code != exitOK || !strings.Contains(r.out, `"outcome": "does_not_qualify"`) {
		t.Errorf("%d\n%s%s", r.code, r.out, r.err)
	}
	words := func(s string) string { return strings.Join(strings.Fields(s), " ") }
	if r = check(low, "--confirmed", confirmed); !strings.Contains(words(r.out), "was confirmed by A. Reader on 2031-01-15, in second print.") {
		t.Errorf("the worksheet does not name who confirmed:\n%s", r.out)
	}
	r = command(t, "", "rules", "show", "xx-own", "--packs", dir, "--confirmed", confirmed)
	if r.code != exitOK || !strings.Contains(r.out, "[draft, confirmed by A. Reader on 2031-01-15, in second print] Own Notice (first) (rest)") || !strings.Contains(r.out, "recommendation: strong, low") {
		t.Errorf("%+v", r)
	}
	r = command(t, "", "batch", filepath.Dir(file(t, "night.csv", strings.ReplaceAll(night("93*900"), "2024-03-01", "2031-02-01"))), "--criteria", "xx-own", "--packs", dir, "--confirmed", confirmed,
		"--facts", file(t, "table.csv", "file,test_date,rest_spo2\nnight.csv,2031-02-01,89\n"))
	if !strings.Contains(r.out, "qualifies") || strings.Contains(r.out, "undetermined") {
		t.Errorf("batch: %+v", r)
	}

	// One byte of the pack, and the confirmation does not hold.
	if err := os.WriteFile(filepath.Join(dir, "xx-own", "2031-01-01.yaml"), []byte("# changed\n"+ownSecond), 0o600); err != nil {
		t.Fatal(err)
	}
	if r = check(low, "--confirmed", confirmed); r.code != exitUsage || r.out != "" || !strings.Contains(r.err, confirmed+":3:16: [0].pack_sha256: expected the hash of the pack in use") {
		t.Errorf("after the pack changed: %+v", r)
	}
	if r = check(low, "--confirmed", confirmed+".none"); r.code != exitUsage || !strings.Contains(r.err, "check the name") {
		t.Errorf("no such file: %+v", r)
	}
}

func TestRulesCompare(t *testing.T) {
	dir := ownPacks(t)
	r := command(t, "", "rules", "compare", "xx-own@2030-06-01", "xx-own@2031-01-01", "--packs", dir)
	for _, want := range []string{"is now “saturation at rest, awake, on room air is at or below 89 %”; before “saturation at rest, awake, on room air is at or below 88 %”.",
		"The status of clause rest is now “draft”; before “verified”.", "xx-own from 2030-01-01, then xx-own from 2031-01-01", "Changed ("} {
		if r.code != exitOK || !strings.Contains(r.out, want) {
			t.Errorf("%q is missing: %+v", want, r)
		}
	}
	r = command(t, "", "rules", "compare", "xx-own@2030-06-01", "xx-own", "--packs", dir, "--json")
	var out comparedPacks
	if err := json.Unmarshal([]byte(r.out), &out); err != nil || len(out.Differences) != 5 || out.B.From.String() != "2031-01-01" {
		t.Errorf("%v: %+v", err, out)
	}
	if r = command(t, "", "rules", "compare", "xx-own", "xx-own@2031-05-01", "--packs", dir); r.code != exitOK || !strings.Contains(r.out, "They say the same.") {
		t.Errorf("%+v", r)
	}
	for _, args := range [][]string{{"xx-own"}, {"xx-own", "xx-none"}, {"xx-own@2030", "xx-own"}, {"xx-own@2029-12-31", "xx-own"}} {
		if r := command(t, "", append([]string{"rules", "compare", "--packs", dir}, args...)...); r.code == exitOK || r.out != "" || r.err == "" {
			t.Errorf("%v: %+v", args, r)
		}
	}
}

// The blank worksheet of each region prints every clause of the criteria with
// a box, to the terminal and as a file.
func TestRulesShowBlank(t *testing.T) {
	lib, err := rules.Embedded()
	if err != nil {
		t.Fatal(err)
	}
	r := command(t, "", "rules", "show", "us-medicare@2024-01-01", "--blank")
	p, err := lib.InForce("us-medicare", rules.Date{Year: 2024, Month: 1, Day: 1})
	if err != nil {
		t.Fatal(err)
	}
	clauses := 0
	p.Walk(func(n *rules.Node, gate bool) {
		if !gate {
			clauses++
		}
	})
	if boxes := strings.Count(r.out, "☐ met"); r.code != exitOK || boxes != clauses {
		t.Errorf("%d boxes for %d clauses, %d %s", boxes, clauses, r.code, r.err)
	}
	name := filepath.Join(t.TempDir(), "blank.pdf")
	if r = command(t, "", "rules", "show", "us-medicare", "--blank", "--pdf", name); r.code != exitOK {
		t.Fatalf("%+v", r)
	}
	if b, err := os.ReadFile(name); err != nil || !strings.HasPrefix(string(b), "%PDF-") {
		t.Errorf("no PDF: %v", err)
	}
}
