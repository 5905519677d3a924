package editions_test

import (
	"bytes"
	"errors"
	"io"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/editions"
	"airwarrant/rules"
)

func day(t testing.TB, s string) rules.Date {
	t.Helper()
	d, err := rules.ParseDate(s)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// watched is the only document that the book watches.
func (h *house) watched() editions.Watched {
	h.t.Helper()
	all, err := h.Watch(h.t.Context())
	if err != nil || len(all) != 1 {
		h.t.Fatal(all, err)
	}
	return all[0]
}

// A document is due a year after it was read, whoever read it and wherever that
// is written down; what was found changed stays due.
func TestWatch(t *testing.T) {
	h := newHouse(t)
	w := h.watched()
	if w.Read != day(t, "2020-01-01") || w.Due != day(t, "2020-12-31") || !w.Late || w.Why != editions.DueReview || w.Document != "House Notice" || len(w.Sections) != 1 {
		t.Fatalf("%+v", w)
	}
	look := editions.Looked{Region: w.Region, Document: w.ID, Found: editions.FoundSame, Copy: []byte("%PDF-1.7 the notice")}
	r, err := h.LookedUp(t.Context(), ana, look)
	if err != nil {
		t.Fatal(err)
	}
	w = h.watched()
	if w.Read != day(t, "2030-06-01") || w.Due != day(t, "2031-06-01") || w.Late || w.By != "A. Ana" || w.SHA256 != r.SHA256 || w.Size != int64(len(look.Copy)) {
		t.Fatalf("%+v", w)
	}
	h.clock = h.clock.Add(365 * 24 * time.Hour)
	if w = h.watched(); !w.Late {
		t.Error("a year later it is not due")
	}
	if _, err := h.LookedUp(t.Context(), bo, editions.Looked{Region: w.Region, Document: w.ID, Found: editions.FoundChanged, Words: "a second edition"}); err != nil {
		t.Fatal(err)
	}
	if w = h.watched(); !w.Late || w.Why != editions.DueChanged || w.Words != "a second edition" || w.SHA256 != r.SHA256 {
		t.Errorf("%+v", w)
	}
	list, err := h.Readings(t.Context(), w.Region, w.ID)
	if err != nil || len(list) != 2 || list[0].Found != editions.FoundChanged {
		t.Error(list, err)
	}
	// The version that follows the new edition rests on another document.
	h.approve(h.propose(h.rehearsed(h.draft(second, cases87)), editions.Proposing{}))
	all, err := h.Watch(t.Context())
	if err != nil || len(all) != 1 || all[0].Edition != "second" || all[0].ID == w.ID {
		// The first version ended on 2030-06-30, a year before.
		t.Errorf("%+v %v", all, err)
	}
}

// What is stated of a look has to fit.
func TestLookedUpRefused(t *testing.T) {
	h := newHouse(t)
	w := h.watched()
	for _, tt := range []struct {
		change func(*editions.Looked)
		rule   string
	}{
		{func(l *editions.Looked) { l.Found = "" }, editions.RuleFound},
		{func(l *editions.Looked) { l.Found = editions.FoundGone }, editions.RuleReason},
		{func(l *editions.Looked) { l.Next = day(t, "2030-06-01") }, editions.RuleKnown},
		{func(l *editions.Looked) { l.Next = day(t, "2040-06-01") }, editions.RuleKnown},
		{func(l *editions.Looked) { l.Copy = make([]byte, editions.CopyLimit+1) }, editions.RuleCopy},
	} {
		in := editions.Looked{Region: w.Region, Document: w.ID, Found: editions.FoundSame}
		tt.change(&in)
		_, err := h.LookedUp(t.Context(), ana, in)
		refusedBy(t, err, tt.rule, "Expected")
	}
	_, err := h.LookedUp(t.Context(), desk, editions.Looked{Region: w.Region, Document: w.ID, Found: editions.FoundSame})
	refusedBy(t, err, editions.RuleRole, "")
	if _, err := h.LookedUp(t.Context(), ana, editions.Looked{Region: "xx-other", Document: w.ID, Found: editions.FoundSame}); !errors.Is(err, editions.ErrNotFound) {
		t.Error(err)
	}
	if n := h.entries(); n != 0 {
		t.Errorf("%d entries were written", n)
	}
}

func (h *house) entries() int {
	h.t.Helper()
	list, err := h.Events(h.t.Context())
	if err != nil {
		h.t.Fatal(err)
	}
	return len(list)
}

// A copy of a document outlasts every sweep, and opens no other upload: under its
// own hash a recording of a patient is not there.
func TestCopies(t *testing.T) {
	h := newHouse(t)
	w := h.watched()
	r, err := h.LookedUp(t.Context(), ana, editions.Looked{Region: w.Region, Document: w.ID, Found: editions.FoundSame, Copy: []byte("the notice")})
	if err != nil {
		t.Fatal(err)
	}
	h.approve(h.propose(h.rehearsed(h.draft(second, cases87)), editions.Proposing{}))
	const recording = "5891b5b522d5df086d0ff0b110fbd9d21bb4fc7163af34d08286a2e846f6be03" // of "hello\n"
	if err := h.store.PutUpload(t.Context(), recording, strings.NewReader("hello\n")); err != nil {
		t.Fatal(err)
	}
	if _, err := h.Copy(t.Context(), recording); !errors.Is(err, editions.ErrNotFound) {
		t.Errorf("an upload that is no copy is opened: %v", err)
	}
	if _, err := h.Copy(t.Context(), ""); !errors.Is(err, editions.ErrNotFound) {
		t.Error(err)
	}
	// The store's clock is its own: everything is older than this.
	n, err := casework.SweepUploads(t.Context(), h.store, time.Date(2100, 1, 1, 0, 0, 0, 0, time.UTC))
	if err != nil || n != 1 {
		t.Errorf("the sweep took %d uploads, expected the recording alone: %v", n, err)
	}
	c, err := h.Copy(t.Context(), r.SHA256)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if data, err := io.ReadAll(c); err != nil || !bytes.Equal(data, []byte("the notice")) {
		t.Error(string(data), err)
	}
	if got := inForce(t, h.another(), "2030-08-01"); got == "" {
		t.Error("the texts of what was published are gone")
	}
}

// The confirmation of a clause resets its documents, and an edition past its last
// day is due from then on until somebody looks for its successor.
func TestWatchConfirmedAndExpired(t *testing.T) {
	text := strings.NewReplacer("status: verified", "status: draft", "read_on: 2020-01-01", "address: https://example.org/n", "cites:\n", "expires: 2030-05-01\nexpires_cite: [notice]\ncites:\n").Replace(first)
	lib, err := rules.Load(fstest.MapFS{
		region + "/region.yaml":           {Data: []byte(regionText)},
		region + "/2020-01-01.yaml":       {Data: []byte(text)},
		region + "/2020-01-01.cases.yaml": {Data: []byte(cases)},
	})
	if err != nil {
		t.Fatal(err)
	}
	h := newHouse(t)
	h.Book = editions.New(h.store, lib, func() time.Time { return h.clock })
	if w := h.watched(); w.Why != editions.DueExpired || w.Due != day(t, "2030-05-02") || !w.Read.IsZero() {
		t.Errorf("%+v", w)
	}
	if e := editions.Expired(lib, day(t, "2030-05-02")); len(e) != 1 {
		t.Errorf("%v", e)
	}
	if e := editions.Expired(lib, day(t, "2030-05-01")); len(e) != 0 {
		t.Errorf("on its last day it is past: %v", e)
	}
	c := criteria.Confirmation{Region: region, Version: day(t, "2020-01-01"), PackSHA256: lib.History(region)[0].SHA256, Clause: "rest", By: "R. Reader",
		On: day(t, "2030-05-20"), Edition: "first", DocumentSHA256: strings.Repeat("0", 64)}
	c.Seal = criteria.SealOf("", c)
	if err := h.store.PutNote(t.Context(), editions.ConfirmationNotes, "00000001", []byte(c.YAML())); err != nil {
		t.Fatal(err)
	}
	if w := h.watched(); w.Why != editions.DueReview || w.Due != day(t, "2031-05-20") || w.By != "R. Reader" {
		t.Errorf("%+v", w)
	}
}

// The shipped packs can be watched: each document stands once in its region, and
// has an address or says how it is had.
func TestWatchShipped(t *testing.T) {
	lib, err := rules.Embedded()
	if err != nil {
		t.Fatal(err)
	}
	seen := map[string]bool{}
	for _, w := range editions.WatchLibrary(lib, day(t, "2026-12-01")) {
		if key := w.Region + w.ID; seen[key] || w.Document == "" || len(w.Cites) == 0 || w.Due.IsZero() != (w.Why == editions.DueNever) {
			t.Errorf("%+v", w)
		} else {
			seen[key] = true
		}
	}
	if len(seen) < len(lib.Regions()) {
		t.Errorf("only %d documents are watched", len(seen))
	}
}
