package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"airwarrant/functions/internal/store/local"
	"airwarrant/qualify/casework"
	"airwarrant/qualify/editions"
	"airwarrant/rules"
)

// publish puts a version of the example criteria, from 2030-03-01 on with another
// figure at rest, into the store of a folder: drafted and proposed by one person,
// approved by another.
func publish(t *testing.T, dir string) (sha string) {
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
	old := lib.History("xx-example")[0]
	text := strings.NewReplacer("effective_from: 2030-01-01", "effective_from: 2030-03-01", "          fact: rest_spo2\n          at_or_below: 90 %", "          fact: rest_spo2\n          at_or_below: 88 %",
		"edition:", "edition: second,").Replace(string(old.Text))
	if strings.Count(text, "edition: second") == 0 {
		t.Fatal("the example names no edition")
	}
	cases := "cases:\n  - {name: nothing is known, want: {outcome: undetermined}}\n"
	book := editions.New(store, lib, time.Now)
	ana := editions.Person{Account: "a", Name: "A. Ana", Role: casework.RoleMaintainer}
	d, err := book.NewDraft(t.Context(), ana, editions.Beginning{Region: "xx-example", Texts: editions.Texts{Pack: strings.ReplaceAll(text, "known_since: "+old.KnownSince.String()+"\n", ""), Cases: cases}})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := book.Rehearse(t.Context(), ana, d, nil); err != nil {
		t.Fatal(err)
	}
	p, err := book.Propose(t.Context(), ana, d.ID, d.Rev, editions.Proposing{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := book.Approve(t.Context(), editions.Person{Account: "b", Name: "B. Bo", Role: casework.RoleAdministrator}, p.Approval()); err != nil {
		t.Fatal(err)
	}
	return d.PackSHA256()
}

// What was published in a store counts for every command that is told of it, and
// for none that is not. 89 % at rest meets the example's 90 % and not the 88 % of
// the version that is published here.
func TestPublishedCounts(t *testing.T) {
	dir := t.TempDir()
	sha := publish(t, dir)
	facts := filepath.Join(t.TempDir(), "facts.yaml")
	if err := os.WriteFile(facts, []byte("test_date: 2030-03-10\norder_date: 2030-03-01\ntest_state: rest\ntest_oxygen: room_air\ntest_place: facility\nrest_spo2: 89\nawake_spo2: unknown\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	version := func(words ...string) string {
		t.Helper()
		r := command(t, "", append([]string{"check", "--criteria", "xx-example", "--facts", facts, "--json"}, words...)...)
		var out struct {
			Determinations []struct {
				Version string
				Pack    string `json:"pack_sha256"`
				Outcome string
			}
		}
		if err := json.Unmarshal([]byte(r.out), &out); err != nil || len(out.Determinations) != 1 {
			t.Fatalf("%v %+v", err, r)
		}
		d := out.Determinations[0]
		return d.Version + " " + d.Outcome + map[bool]string{true: " " + d.Pack[:8]}[d.Pack == sha]
	}
	if got := version(); !strings.HasPrefix(got, "2030-01-01 qualifies") {
		t.Errorf("without the store: %s", got)
	}
	if got := version("--data", dir); got == version() || !strings.HasPrefix(got, "2030-03-01 ") || !strings.HasSuffix(got, sha[:8]) || strings.Contains(got, " qualifies") {
		t.Errorf("with the store: %s", got)
	}
	yesterday := time.Now().UTC().AddDate(0, 0, -1).Format(time.DateOnly)
	// The example itself counts as known from 2029-12-01 on: on the day before the
	// publication there is neither.
	if r := command(t, "", "check", "--criteria", "xx-example", "--facts", facts, "--data", dir, "--as-known-on", yesterday); r.code != exitRefused || !strings.Contains(r.err, "known here on "+yesterday) {
		t.Errorf("as known on the day before its publication: %+v", r)
	}
	few := filepath.Join(t.TempDir(), "few")
	if err := os.CopyFS(filepath.Join(few, "xx-example"), os.DirFS("../../rules/packs/xx-example")); err != nil {
		t.Fatal(err)
	}
	for _, words := range [][]string{{"rules", "show", "xx-example"}, {"rules", "compare", "xx-example@2030-01-01", "xx-example@2030-03-01"}, {"rules", "check"}} {
		if r := command(t, "", append(words, "--data", dir, "--packs", few)...); r.code != exitOK || words[1] != "check" && !strings.Contains(r.out, "88 %") {
			t.Errorf("%v: %+v", words, r)
		}
	}
	if r := command(t, "", "rules", "compare", "xx-example@2030-01-01", "xx-example@2030-03-01"); strings.Contains(r.out, "88 %") {
		t.Errorf("without the store: %+v", r)
	}
	if r := command(t, "", "audit", "verify", "--data", dir); r.code != exitOK {
		t.Errorf("%+v", r)
	}
	r := command(t, "", "audit", "criteria", "--data", dir, "--json")
	var events []editions.Event
	if err := json.Unmarshal([]byte(r.out), &events); err != nil || len(events) != 2 || events[0].Kind != editions.KindProposed || events[1].Kind != editions.KindPublished || events[1].By != "B. Bo" || events[1].Proposal != 1 {
		t.Errorf("%v %+v", err, r)
	}
	r = command(t, "", "audit", "criteria", "--data", dir)
	for _, want := range []string{"A. Ana as maintainer  criteria_proposed", "B. Bo as administrator  criteria_published", sha, "rehearsed at ", " on 0 cases beside pack "} {
		if !strings.Contains(r.out, want) {
			t.Errorf("audit criteria lacks %q: %+v", want, r)
		}
	}
	// An altered text takes the region out of force, and shows.
	uploads, err := filepath.Glob(filepath.Join(dir, "uploads", "*", sha+"*"))
	if err != nil || len(uploads) == 0 {
		if uploads, err = filepath.Glob(filepath.Join(dir, "uploads", sha+"*")); err != nil || len(uploads) == 0 {
			t.Fatal(uploads, err)
		}
	}
	data, err := os.ReadFile(uploads[0])
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(uploads[0], 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(uploads[0], bytes.Replace(data, []byte("88 %"), []byte("98 %"), 1), 0o600); err != nil {
		t.Fatal(err)
	}
	if r := command(t, "", "check", "--criteria", "xx-example", "--facts", facts, "--json", "--data", dir); r.code != exitRefused || r.out != "" || !strings.Contains(r.err, "was altered") {
		t.Errorf("judged by an altered text: %+v", r)
	}
	if r := command(t, "", "rules", "check", "--data", dir, "--packs", few); r.code != exitRefused || !strings.Contains(r.out, "was altered") {
		t.Errorf("%+v", r)
	}
	if r := command(t, "", "audit", "verify", "--data", dir); r.code != exitRefused || !strings.Contains(r.out, "criteria xx-example from 2030-03-01: its text") {
		t.Errorf("%+v", r)
	}
	if r := command(t, "", "rules", "export", t.TempDir(), "--data", dir); r.code != exitRefused || r.out != "" {
		t.Errorf("%+v", r)
	}
}

// The folder of an export is one that every command reads, and comes back as it
// was; links in it lead nowhere outside.
func TestExportAndImport(t *testing.T) {
	dir, out := t.TempDir(), filepath.Join(t.TempDir(), "criteria")
	publish(t, dir)
	if r := command(t, "", "rules", "export", out, "--data", dir); r.code != exitOK || !strings.Contains(r.out, "written to "+out) {
		t.Fatalf("%+v", r)
	}
	if r := command(t, "", "rules", "check", out); r.code != exitOK || !strings.HasSuffix(r.out, "no fault\n") {
		t.Errorf("%+v", r)
	}
	if r := command(t, "", "rules", "import", out, "--data", dir); r.code != exitOK || !strings.HasPrefix(r.out, "0 drafts made") {
		t.Errorf("into the same store: %+v", r)
	}
	empty := t.TempDir()
	r := command(t, "", "rules", "import", out, "--data", empty, "--json")
	var got imported
	if err := json.Unmarshal([]byte(r.out), &got); err != nil || len(got.Drafts) != 1 || got.Drafts[0].Region != "xx-example" || len(got.Same) < 20 {
		t.Errorf("%v %+v", err, r)
	}
	if r := command(t, "", "rules", "compare", "xx-example@2030-01-01", "xx-example@2030-03-01", "--data", empty); strings.Contains(r.out, "88 %") {
		t.Errorf("an import counts without a second person: %+v", r)
	}
	// The files of the program come out byte for byte.
	a, err := os.ReadFile(filepath.Join(out, "us-medicare", "2023-04-01.cases.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	if b, err := os.ReadFile("../../rules/packs/us-medicare/2023-04-01.cases.yaml"); err != nil || !bytes.Equal(a, b) {
		t.Error("the cases of a shipped version differ", err)
	}

	// A link in the folder of the export.
	outside, trap := t.TempDir(), t.TempDir()
	if err := os.Symlink(outside, filepath.Join(trap, "us-medicare")); err != nil {
		t.Fatal(err)
	}
	if r := command(t, "", "rules", "export", trap, "--data", dir); r.code == exitOK {
		t.Errorf("%+v", r)
	}
	if left, err := os.ReadDir(outside); err != nil || len(left) != 0 {
		t.Errorf("files were written through a link: %v %v", left, err)
	}
	// A link in the folder of an import.
	leads := filepath.Join(t.TempDir(), "leads")
	if err := os.CopyFS(filepath.Join(leads, "xx-example"), os.DirFS("../../rules/packs/xx-example")); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(filepath.Join(out, "us-medicare"), filepath.Join(leads, "us-medicare")); err != nil {
		t.Fatal(err)
	}
	if r := command(t, "", "rules", "import", leads, "--data", empty); r.code != exitRefused || r.out != "" || !strings.Contains(r.err, "us-medicare: expected files of the folder") {
		t.Errorf("%+v", r)
	}
	if r := command(t, "", "rules", "import", filepath.Join(out, "none"), "--data", empty); r.code != exitUsage || r.out != "" {
		t.Errorf("%+v", r)
	}
	// What is none of the criteria is told and stays.
	foreign := filepath.Join(out, "xx-example", "2031-01-01.yaml")
	if err := os.WriteFile(foreign, []byte("title: old\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if r := command(t, "", "rules", "export", out, "--data", dir); r.code != exitOK || !strings.Contains(r.out, "xx-example/2031-01-01.yaml") {
		t.Errorf("%+v", r)
	}
	if r := command(t, "", "rules", "import", out, "--data", dir); r.code != exitRefused || r.out != "" || !strings.Contains(r.err, "2031-01-01") {
		t.Errorf("a folder with a fault: %+v", r)
	}
}

// rules due lists every document once, and what is due first.
func TestRulesDue(t *testing.T) {
	dir := t.TempDir()
	publish(t, dir)
	for _, words := range [][]string{{"rules", "due", "--json"}, {"rules", "due", "--json", "--data", dir}} {
		r := command(t, "", words...)
		var all []editions.Watched
		if err := json.Unmarshal([]byte(r.out), &all); err != nil || r.code != exitOK || len(all) < 30 {
			t.Fatalf("%v %d %+v", err, len(all), r.err)
		}
		for i := 1; i < len(all); i++ {
			if all[i].Due.Before(all[i-1].Due) {
				t.Errorf("%s stands after %s", all[i].Due, all[i-1].Due)
			}
		}
	}
	r := command(t, "", "rules", "due")
	if r.code != exitOK || !strings.Contains(r.out, "nobody has read it in the document itself") || !strings.Contains(r.out, "last read, on 20") || !strings.Contains(r.out, "https://") {
		t.Errorf("%+v", r)
	}
	if r := command(t, "", "rules", "due", "more"); r.code != exitUsage || r.out != "" {
		t.Errorf("%+v", r)
	}
	few := filepath.Join(t.TempDir(), "few")
	if err := os.CopyFS(filepath.Join(few, "de-dgp"), os.DirFS("../../rules/packs/de-dgp")); err != nil {
		t.Fatal(err)
	}
	if r := command(t, "", "rules", "check", few); r.code != exitOK || !strings.Contains(r.err, "de-dgp/2020-07-23.yaml: its edition was valid until 2025-07-22") || !strings.HasSuffix(r.out, "no fault\n") {
		t.Errorf("%+v", r)
	}
	if r := command(t, "", "rules", "list"); !strings.Contains(r.out, "its edition was valid until 2025-07-22: look for its successor") {
		t.Errorf("rules list says nothing of an edition past its last day: %+v", r)
	}
}

// An approval by the one who proposed, written behind the program's back with
// hashes that fit, is a fault of the audit, and nothing is judged in its store.
func TestAuditVerifiesCriteria(t *testing.T) {
	dir := t.TempDir()
	sha := publish(t, dir)
	store, err := local.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	lib, err := rules.Embedded()
	if err != nil {
		t.Fatal(err)
	}
	at := time.Now().UTC().Truncate(time.Millisecond)
	bo := editions.Signed{Account: "b", Name: "B. Bo", Role: casework.RoleMaintainer, At: at}
	p, err := editions.New(store, lib, func() time.Time { return at }).ProposeWithdrawal(t.Context(), editions.Person{Account: "b", Name: "B. Bo", Role: casework.RoleMaintainer}, sha, "alone")
	if err != nil {
		t.Fatal(err)
	}
	last, err := store.LastEntry(t.Context(), casework.Criteria)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := casework.AppendEntry(t.Context(), store, casework.Criteria, last, casework.Stamp{At: at, By: bo.Name, Role: bo.Role}, editions.KindWithdrawn, map[string]any{
		"proposal": p.Number, "entry": p.Entry, "by": bo, "region": p.Region, "version": p.Version, "pack_sha256": sha, "known": "2030-01-01"}); err != nil {
		t.Fatal(err)
	}
	if err := store.Close(); err != nil {
		t.Fatal(err)
	}
	if r := command(t, "", "audit", "verify", "--data", dir); r.code != exitRefused || !strings.Contains(r.out, "one person did both") {
		t.Errorf("%+v", r)
	}
	if r := command(t, "", "check", "--criteria", "us-medicare", "--data", dir); r.code != exitRefused || r.out != "" || !strings.Contains(r.err, "one person did both") {
		t.Errorf("%+v", r)
	}
}
