package web

import (
	"crypto/sha256"
	"encoding/hex"
	"net/http"
	"strings"
	"sync"
	"testing"
	"testing/fstest"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/casework/storetest"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/editions"
	"airwarrant/rules"
)

// ownLibrary holds one version of an invented payer with two drafts.
func ownLibrary(t *testing.T) *rules.Library {
	t.Helper()
	lib, err := rules.Load(fstest.MapFS{
		"xx-own/region.yaml": {Data: []byte("region: xx-own\nname: Own\npayer: Own office\nselect_by: test_date\nscope: Invented.\n")},
		"xx-own/2030-01-01.yaml": {Data: []byte(`effective_from: 2030-01-01
title: Own notice
cites:
  notice: {document: Own Notice, edition: first}
criteria:
  id: all
  label: Oxygen at home
  all_of:
    - {id: rest, label: Low at rest, fact: rest_spo2, at_or_below: 88 %, cite: [notice], status: draft}
    - {id: signs, label: Signs, fact: symptoms, is: true, cite: [notice], status: draft}
`)},
		"xx-own/2030-01-01.cases.yaml": {Data: []byte("cases: []\n")},
	})
	if err != nil {
		t.Fatal(err)
	}
	return lib
}

func fact(t *testing.T, name, text string) criteria.Fact {
	t.Helper()
	f, err := criteria.ParseValue(name, text)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// A maintainer confirms drafts on the page: they decide from then on, the
// page and the worksheet name who did, and the file holds for the command line.
func TestConfirmDraft(t *testing.T) {
	store := &storetest.Memory{}
	b := newBench(t, store, false)
	b.lib = ownLibrary(t)
	b.cfg.Library = b.lib
	const page = "/rules/xx-own/2030-01-01"
	outcome := func() string {
		t.Helper()
		f := &file{Case: &casework.Case{Criteria: []string{"xx-own"}}, Facts: map[string]criteria.Fact{
			"test_date": fact(t, "test_date", "2030-02-01"), "rest_spo2": fact(t, "rest_spo2", "88"), "symptoms": fact(t, "symptoms", "true")}}
		ev, err := b.evaluate(t.Context(), f)
		if err != nil || ev.Result == nil {
			t.Fatalf("%v, %+v", err, ev)
		}
		return string(ev.Result.Determinations[0].Outcome)
	}
	if got := outcome(); got != "undetermined" {
		t.Errorf("drafts decide before anybody read them: %s", got)
	}
	v := b.at(Maintainer)
	b.wants(v.page(page), "From memory", "Confirm it", `value="M. Reyes"`)
	b.lacks(b.at(Intake).page(page), "Confirm that the document says so")

	copyRead := []byte("Own Notice: 88 % or less.")
	for name, c := range map[string]struct {
		data []byte
		more map[string]string
		say  string
	}{
		"no copy":         {nil, map[string]string{"clause": "rest", "by": "A. Reader", "edition": "first <print>"}, "Expected the copy of the document"},
		"no edition":      {copyRead, map[string]string{"clause": "rest", "by": "A. Reader"}, "one is missing"},
		"an endless name": {copyRead, map[string]string{"clause": "rest", "by": strings.Repeat("a", 81), "edition": "first"}, "at most 80 letters"},
	} {
		if r := v.upload(page, page, c.data, c.more); r.Code != http.StatusUnprocessableEntity {
			t.Errorf("%s: status %d", name, r.Code)
		}
		b.wants(v.last, c.say)
		b.lacks(v.last, "<print>")
	}
	if r := v.upload(page, page, copyRead, map[string]string{"clause": "none", "by": "A. Reader", "edition": "first"}); r.Code != http.StatusNotFound {
		t.Errorf("a clause that is no draft: status %d", r.Code)
	}
	var all sync.WaitGroup // two maintainers at once
	for _, clause := range []string{"rest", "signs"} {
		w := b.at(Maintainer)
		all.Go(func() {
			if r := w.upload(page, page, copyRead, map[string]string{"clause": clause, "by": "A. Reader", "edition": "first <print>"}); r.Code != http.StatusSeeOther {
				t.Errorf("%s: status %d: %s", clause, r.Code, text(w.last))
			}
		})
	}
	all.Wait()
	b.wants(v.page(page), "Confirmed by A. Reader on 2026-06-01, in first &lt;print&gt;.", "Confirm it again")
	if got := outcome(); got != "qualifies" {
		t.Errorf("after the confirmation: %s", got)
	}

	sum := sha256.Sum256(copyRead)
	file := v.page("/rules/confirmations.yaml")
	list, err := criteria.ParseConfirmations([]byte(file), "c.yaml")
	if err != nil || len(list) != 2 || list[0].Seal == "" || list[1].DocumentSHA256 != hex.EncodeToString(sum[:]) || !list[1].Holds(b.lib) {
		t.Fatalf("%v\n%s", err, file)
	}

	// A record that is changed behind the program's back ends all of them.
	changed := strings.Replace(list[0].YAML(), "A. Reader", "B. Reader", 1)
	if err := store.PutNote(t.Context(), editions.ConfirmationNotes, "00000001", []byte(changed)); err != nil {
		t.Fatal(err)
	}
	if got := outcome(); got != "undetermined" {
		t.Errorf("with a changed record: %s", got)
	}
	b.lacks(v.page(page), "Confirmed by")
	if r := v.upload(page, page, copyRead, map[string]string{"clause": "rest", "by": "A. Reader", "edition": "first"}); r.Code != http.StatusConflict {
		t.Errorf("a record behind a changed one: status %d", r.Code)
	}
	if !strings.Contains(b.log.String(), "none counts") {
		t.Error("nobody is told that the records do not fit together")
	}

	// Of another state of the pack they do not hold.
	if err := store.PutNote(t.Context(), editions.ConfirmationNotes, "00000001", []byte(list[0].YAML())); err != nil {
		t.Fatal(err)
	}
	if got := outcome(); got != "qualifies" {
		t.Errorf("with the record put back: %s", got)
	}
	b.lib.History("xx-own")[0].SHA256 = strings.Repeat("0", 64)
	b.lacks(v.page(page), "Confirmed by")
}
