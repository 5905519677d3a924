package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"airwarrant/functions/internal/store/local"
	"airwarrant/qualify"
	"airwarrant/qualify/casework"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/rehearsal"
	"airwarrant/rules"
)

// atRest determines a test at rest under the example criteria, and packs what a
// store keeps of it.
func atRest(t testing.TB, lib *rules.Library, spo2 int) (qualify.Query, *qualify.Result, []byte) {
	t.Helper()
	facts, err := criteria.ParseFacts([]byte(fmt.Sprintf("test_date: 2030-02-01\norder_date: 2030-01-29\ntest_state: rest\ntest_oxygen: room_air\ntest_place: facility\nrest_spo2: %d\n", spo2)), "facts")
	if err != nil {
		t.Fatal(err)
	}
	q := qualify.Query{Facts: facts, Criteria: []string{"xx-example"}}
	res, err := qualify.Check(q, lib)
	if err != nil {
		t.Fatal(err)
	}
	packed, err := q.Keep(res).Encode()
	if err != nil {
		t.Fatal(err)
	}
	return q, res, packed
}

// replayStore is a store of cases under the example criteria, one for each
// resting saturation; the last is not determined since it was changed. It
// returns the number of each case.
func replayStore(t *testing.T, dir string, rest ...int) []string {
	t.Helper()
	store, err := local.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	lib, err := rules.Embedded()
	if err != nil {
		t.Fatal(err)
	}
	random := rand.NewChaCha8([32]byte{3})
	at := casework.Stamp{At: time.Date(2030, 3, 1, 9, 0, 0, 0, time.UTC), By: "account-1", Role: casework.RoleSystem}
	var numbers []string
	for _, spo2 := range rest {
		q, res, packed := atRest(t, lib, spo2)
		number, err := casework.NewNumber(at.At, random)
		if err != nil {
			t.Fatal(err)
		}
		c, err := casework.Create(t.Context(), store, number, at, casework.Opened{Criteria: q.Criteria})
		if err != nil {
			t.Fatal(err)
		}
		ref, err := c.Seal(t.Context(), store, random, packed)
		if err != nil {
			t.Fatal(err)
		}
		d := res.Determinations[0]
		if err := c.Append(t.Context(), store, at, casework.Determined{Program: "1", Kept: ref, Results: []casework.Result{
			{Criteria: d.Criteria, Version: d.Version, PackSHA256: d.PackSHA256, Outcome: string(d.Outcome), DecidedBy: d.DecidedBy, Needs: []string{}}}}); err != nil {
			t.Fatal(err)
		}
		numbers = append(numbers, number)
		if len(numbers) == len(rest) {
			if err := c.Append(t.Context(), store, at, casework.FactsStated{Facts: map[string]casework.Stated{"symptoms": {Fact: []byte(`"x"`)}}}); err != nil {
				t.Fatal(err)
			}
		}
	}
	return numbers
}

// exampleDraft writes a draft of the example criteria with something replaced.
func exampleDraft(t *testing.T, dir string, replaced ...string) string {
	t.Helper()
	data, err := os.ReadFile("../../rules/packs/xx-example/2030-01-01.yaml")
	if err != nil {
		t.Fatal(err)
	}
	text := string(data)
	for i := 0; i < len(replaced); i += 2 {
		if strings.Count(text, replaced[i]) != 1 {
			t.Fatalf("%q stands %d times in the example", replaced[i], strings.Count(text, replaced[i]))
		}
		text = strings.Replace(text, replaced[i], replaced[i+1], 1)
	}
	name := filepath.Join(dir, "xx-example", "next.yaml")
	if err := os.MkdirAll(filepath.Dir(name), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return name
}

// TestReplay replays stored cases under a draft with a lower figure: those
// between the two figures lose the criteria, by the clause that has it. The
// figures are the example's (at or below 90 %) and the draft's (88 %).
func TestReplay(t *testing.T) {
	dir := t.TempDir()
	numbers := replayStore(t, dir, 85, 88, 89, 90, 91, 87)
	draft := exampleDraft(t, t.TempDir(), "effective_from: 2030-01-01", "effective_from: 2030-02-01", "          fact: rest_spo2\n          at_or_below: 90 %", "          fact: rest_spo2\n          at_or_below: 88 %")
	table := filepath.Join(t.TempDir(), "lines.csv")
	r := command(t, "", "replay", "--draft", draft, "--data", dir, "--csv", table)
	if r.code != exitOK {
		t.Fatalf("%+v", r)
	}
	for _, want := range []string{"6 cases, 5 replayed: the outcome of 3 stays, that of 2 changes; 2 of these have a test from 2030-02-01 on",
		"qualifies -> does not qualify: 2", "2  Low saturation at rest (at-rest)", "1  " + rehearsal.Reasons["not_determined"]} {
		if !strings.Contains(r.out, want) {
			t.Errorf("%q is missing in\n%s", want, r.out)
		}
	}
	data, err := os.ReadFile(table)
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(bytes.NewReader(data)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	told := map[string]string{}
	for _, row := range rows[1:] {
		told[row[0]] = strings.Join([]string{row[1], row[2], row[10]}, " ")
	}
	want := map[string]string{numbers[2]: "qualifies does_not_qualify ", numbers[3]: "qualifies does_not_qualify ", numbers[5]: "  not_determined"}
	if fmt.Sprint(told) != fmt.Sprint(want) {
		t.Errorf("found %v, expected %v", told, want)
	}

	r = command(t, "", "replay", "--draft", draft, "--data", dir, "--json")
	var out struct {
		Criteria string
		InForce  version `json:"in_force"`
		Draft    version
		Carried  []string
		Summary  rehearsal.Summary
		Cases    []rehearsal.Line
	}
	dec := json.NewDecoder(strings.NewReader(r.out))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&out); err != nil || r.code != exitOK {
		t.Fatalf("%v: %+v", err, r)
	}
	changed := []string{}
	for _, l := range out.Cases {
		if l.Changed() {
			changed = append(changed, l.Case)
		}
	}
	slices.Sort(changed)
	expected := []string{numbers[2], numbers[3]}
	slices.Sort(expected)
	if out.Criteria != "xx-example" || out.Summary.Changed != 2 || !slices.Equal(changed, expected) || out.Draft.From.String() != "2030-02-01" || out.InForce.From.String() != "2030-01-01" {
		t.Errorf("%+v", out)
	}

	// Other words alone change nothing, and no case has a line but the one that
	// could not be replayed.
	draft = exampleDraft(t, t.TempDir(), "label: Low saturation at rest", "label: A low value at rest")
	r = command(t, "", "replay", "--draft", draft, "--data", dir, "--json")
	if err := json.Unmarshal([]byte(r.out), &out); err != nil || out.Summary.Changed+out.Summary.Moved != 0 || out.Summary.Replayed != 5 || len(out.Cases) != 1 {
		t.Errorf("%v: %+v", err, out)
	}
}

// TestReplayRefuses holds the exit statuses of design 7.1: a wrong call is 1,
// a draft with a fault or without a version beside it 2, and neither prints
// anything on standard output.
func TestReplayRefuses(t *testing.T) {
	dir := t.TempDir()
	replayStore(t, dir, 85)
	drafts := t.TempDir()
	good := exampleDraft(t, drafts, "Low saturation at rest", "Low at rest")
	outside := filepath.Join(t.TempDir(), "next.yaml")
	data, err := os.ReadFile(good)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(outside, data, 0o600); err != nil {
		t.Fatal(err)
	}
	if r := command(t, "", "replay", "--draft", outside, "--criteria", "xx-example", "--data", dir); r.code != exitOK {
		t.Errorf("a draft elsewhere, with its region: %+v", r)
	}
	faulty := exampleDraft(t, t.TempDir(), "fact: rest_spo2", "fact: rest_sp02")
	early := exampleDraft(t, t.TempDir(), "effective_from: 2030-01-01", "effective_from: 2029-01-01")
	for _, c := range []struct {
		code int
		says string
		args []string
	}{
		{exitUsage, "--draft", []string{"--data", dir}},
		{exitUsage, "no further word", []string{"--draft", good, "--data", dir, "more"}},
		{exitUsage, "check the name", []string{"--draft", filepath.Join(drafts, "none.yaml"), "--data", dir}},
		{exitUsage, "--criteria", []string{"--draft", outside, "--data", dir}},
		{exitUsage, "unknown region", []string{"--draft", good, "--criteria", "xx-none", "--data", dir}},
		{exitUsage, "--data", []string{"--draft", good, "--data", filepath.Join(dir, "none")}},
		{exitUsage, "standard output", []string{"--draft", good, "--data", dir, "--csv", "-"}},
		{exitUsage, "flag", []string{"--draft", good, "--fast"}},
		{exitRefused, "rest_sp02", []string{"--draft", faulty, "--data", dir}},
		{exitRefused, "in force", []string{"--draft", early, "--data", dir}},
	} {
		if r := command(t, "", append([]string{"replay"}, c.args...)...); r.code != c.code || r.out != "" || !strings.Contains(r.err, c.says) {
			t.Errorf("%v: expected exit %d and %q: %+v", c.args, c.code, c.says, r)
		}
	}
}
