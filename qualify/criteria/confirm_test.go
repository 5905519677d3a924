package criteria

import (
	"errors"
	"strings"
	"testing"
	"testing/fstest"

	"airwarrant/rules"
)

func draftLibrary(t testing.TB) (*rules.Library, *rules.Pack) {
	t.Helper()
	lib, err := rules.Load(fstest.MapFS{
		"xx-test/region.yaml":           {Data: []byte("region: xx-test\nname: Test\npayer: Example\nselect_by: test_date\nscope: Invented.\n")},
		"xx-test/2030-01-01.yaml":       {Data: []byte(strings.Replace(scopePack, "fact: symptoms, is: true, cite: [notice], status: verified", "fact: symptoms, is: true, cite: [notice], status: draft", 1))},
		"xx-test/2030-01-01.cases.yaml": {Data: []byte("cases: []\n")},
	})
	if err != nil {
		t.Fatal(err)
	}
	return lib, lib.History("xx-test")[0]
}

func confirmationOf(p *rules.Pack, clause string) Confirmation {
	return Confirmation{Region: "xx-test", Version: p.EffectiveFrom, PackSHA256: p.SHA256, Clause: clause, By: "A. Reader: \"chief\"",
		On: rules.Date{Year: 2030, Month: 2, Day: 1}, Edition: "second edition", DocumentSHA256: strings.Repeat("ab", 32)}
}

// A record that was written is read back the same, counts for its pack and
// names who confirmed.
func TestConfirmationsDecide(t *testing.T) {
	lib, p := draftLibrary(t)
	facts := Facts{Named: stated(t, map[string]string{"birth_date": "2000-01-01", "test_date": "2030-01-15", "rest_spo2": "90", "symptoms": "true", "inpatient": "false", "same_sitting": "false"})}
	if d := Determine(p, facts, nil); d.Outcome != Undetermined || asksOf(d)[0] != "confirm:signs" {
		t.Fatalf("an unread draft decides: %s, %v", d.Outcome, asksOf(d))
	}
	first, second := confirmationOf(p, "talk"), confirmationOf(p, "signs")
	first.Seal = SealOf("", first)
	second.Seal = SealOf(first.Seal, second)
	file := first.YAML() + second.YAML()
	list, err := ParseConfirmations([]byte(file), "c.yaml")
	if err != nil || len(list) != 2 || list[1].YAML() != second.YAML() || list[1].By != second.By {
		t.Fatalf("%v, %+v", err, list)
	}
	by, err := Confirmed(list, lib)
	if err != nil || len(by) != 1 || len(by[p.SHA256]) != 2 || !list[0].Holds(lib) {
		t.Fatalf("%v, %+v", err, by)
	}
	d := Determine(p, facts, by[p.SHA256])
	f := findingOf(t, d, "signs")
	if d.Outcome != Qualifies || d.Status != rules.Verified || f.Status != rules.Verified || f.Confirmed != `A. Reader: "chief" on 2030-02-01, in second edition` {
		t.Errorf("%s, %s, %+v", d.Outcome, d.Status, f)
	}
	if f := findingOf(t, d, "low"); f.Confirmed != "" {
		t.Errorf("a clause that is no draft was confirmed by %s", f.Confirmed)
	}
	for _, empty := range []string{"", "# nothing yet\n"} {
		if list, err := ParseConfirmations([]byte(empty), "c.yaml"); err != nil || list != nil {
			t.Errorf("%q: %v, %v", empty, list, err)
		}
	}
}

// Each slip is told at its place, with what was expected and a mend.
func TestConfirmationsRefuse(t *testing.T) {
	lib, p := draftLibrary(t)
	good := confirmationOf(p, "signs")
	sealed, next := good, good
	sealed.Seal = SealOf("", good)
	next.Seal = SealOf(sealed.Seal, next)
	chain := sealed.YAML() + next.YAML()
	change := func(old, with string) string {
		if !strings.Contains(good.YAML(), old) {
			t.Fatalf("%q is not in the record", old)
		}
		return strings.Replace(good.YAML(), old, with, 1)
	}
	cases := []struct{ name, file, want string }{
		{"no list", "region: xx-test\n", "c.yaml:1:1: expected a list of confirmations"},
		{"a word in the list", "- a\n", "c.yaml:1:3: [0]: expected keys region"},
		{"misspelt key", change("clause:", "clauses:"), `did you mean "clause"?`},
		{"no name", change("  by: \"A. Reader: \\\"chief\\\"\"\n", ""), "c.yaml:1:3: [0].by: expected the key by"},
		{"no such day", change("on: \"2030-02-01\"", "on: 2030-02-31"), "c.yaml:6:7: [0].on: expected a day of the calendar"},
		{"hash cut short", change("abab\"", "ab\""), "[0].document_sha256: expected a SHA-256 as 64 digits"},
		{"hash in capitals", change(strings.Repeat("ab", 32), strings.Repeat("AB", 32)), "[0].document_sha256: expected a SHA-256"},
		{"edition empty", change("second edition", " "), "[0].edition: expected one line of text"},
		{"other region", change("xx-test", "xx-tset"), `c.yaml:1:11: [0].region: expected a region of the packs in use; found "xx-tset"`},
		{"other version", change("version: \"2030-01-01\"", "version: 2029-01-01"), "version: expected a version of xx-test; found 2029-01-01"},
		{"other bytes of the pack", change(p.SHA256, strings.Repeat("0", 64)), "pack_sha256: expected the hash of the pack in use, " + p.SHA256},
		{"a clause that is no draft", change("\"signs\"", "low"), `clause: expected a draft of xx-test/2030-01-01.yaml; found "low"`},
		{"misspelt clause", change("\"signs\"", "sign"), `did you mean "signs"?`},
		{"first record taken away", next.YAML(), "[0].seal: expected the seal of this record"},
		{"a name changed", strings.Replace(chain, "chief", "thief", 1), "[0].seal: expected the seal of this record"},
		{"records exchanged", next.YAML() + sealed.YAML(), "[0].seal: expected the seal of this record"},
		{"a record put behind without a seal", sealed.YAML() + good.YAML(), "[1].seal: expected a seal on every record or on none"},
		{"a seal behind a record without", good.YAML() + sealed.YAML(), "[1].seal: expected a seal on every record or on none"},
	}
	for _, c := range cases {
		list, err := ParseConfirmations([]byte(c.file), "c.yaml")
		if err == nil {
			_, err = Confirmed(list, lib)
			if len(list) > 0 && list[0].Holds(lib) {
				t.Errorf("%s: it holds", c.name)
			}
		}
		var ps rules.Problems
		if !errors.As(err, &ps) || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: found %v\nexpected %q", c.name, err, c.want)
		}
	}
}
