package editions_test

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/casework/storetest"
	"airwarrant/qualify/editions"
	"airwarrant/rules"
)

// The criteria of the tests: an invented payer with one version of one figure.
const (
	region     = "xx-house"
	regionText = "region: xx-house\nname: House Mutual\npayer: House Mutual (invented)\nselect_by: test_date\nhome: https://example.org/h\nscope: Invented, for tests.\n"
	first      = `effective_from: 2020-01-01
title: Notice 1
cites:
  notice: {document: House Notice, section: "1", edition: first, read_on: 2020-01-01}
criteria:
  id: oxygen
  label: Oxygen at home
  all_of:
    - {id: rest, label: Low at rest, fact: rest_spo2, at_or_below: 88 %, cite: [notice], status: verified}
`
	cases = `cases:
  - {name: at, facts: {rest_spo2: 88}, want: {outcome: qualifies}}
  - {name: above, facts: {rest_spo2: 89}, want: {outcome: does_not_qualify}}
  - {name: absent, want: {outcome: undetermined}}
`
	cases87 = `cases:
  - {name: at, facts: {rest_spo2: 87}, want: {outcome: qualifies}}
  - {name: above, facts: {rest_spo2: 88}, want: {outcome: does_not_qualify}}
  - {name: absent, want: {outcome: undetermined}}
`
)

// second is the version of 2030 that asks for 87 %, by a new edition.
var second = strings.NewReplacer("2020-01-01\ntitle", "2030-07-01\ntitle", "Notice 1", "Notice 2", "edition: first", "edition: second", "88 %", "87 %").Replace(first)

func base(t testing.TB) *rules.Library {
	t.Helper()
	lib, err := rules.Load(fstest.MapFS{
		region + "/region.yaml":           {Data: []byte(regionText)},
		region + "/2020-01-01.yaml":       {Data: []byte(first)},
		region + "/2020-01-01.cases.yaml": {Data: []byte(cases)},
	})
	if err != nil {
		t.Fatal(err)
	}
	return lib
}

// house is a book with a clock that the test moves.
type house struct {
	*editions.Book
	t     testing.TB
	store casework.Store
	clock time.Time
}

func newHouse(t testing.TB) *house {
	t.Helper()
	h := &house{t: t, store: &storetest.Memory{}, clock: time.Date(2030, 6, 1, 9, 0, 0, 0, time.UTC)}
	h.Book = h.another()
	return h
}

// another is the book of another process over the same store.
func (h *house) another() *editions.Book {
	return editions.New(h.store, base(h.t), func() time.Time { return h.clock })
}

var (
	ana   = editions.Person{Account: "a1", Name: "A. Ana", Role: casework.RoleMaintainer}
	bo    = editions.Person{Account: "b2", Name: "B. Bo", Role: casework.RoleMaintainer}
	chief = editions.Person{Account: "c3", Name: "C. Chief", Role: casework.RoleAdministrator}
	desk  = editions.Person{Account: "d4", Name: "D. Desk", Role: casework.RoleIntake}
)

func (h *house) draft(text, cases string) editions.Draft {
	h.t.Helper()
	d, err := h.NewDraft(h.t.Context(), ana, editions.Beginning{Region: region, Texts: editions.Texts{Pack: text, Cases: cases}})
	if err != nil {
		h.t.Fatal(err)
	}
	return d
}

func (h *house) rehearsed(d editions.Draft) editions.Draft {
	h.t.Helper()
	if r, err := h.Rehearse(h.t.Context(), ana, d, nil); err != nil || !r.Progress.Done {
		h.t.Fatal(r, err)
	}
	return d
}

func (h *house) propose(d editions.Draft, in editions.Proposing) *editions.Proposal {
	h.t.Helper()
	p, err := h.Propose(h.t.Context(), ana, d.ID, d.Rev, in)
	if err != nil {
		h.t.Fatal(err)
	}
	return p
}

func (h *house) approve(p *editions.Proposal) *editions.Proposal {
	h.t.Helper()
	p, err := h.Approve(h.t.Context(), bo, p.Approval())
	if err != nil {
		h.t.Fatal(err)
	}
	return p
}

// inForce is the SHA-256 of the version in force on a day, "" for none.
func inForce(t testing.TB, l interface {
	Current(context.Context) (*rules.Library, error)
}, day string) string {
	t.Helper()
	lib, err := l.Current(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return of(t, lib, day)
}

func of(t testing.TB, lib *rules.Library, day string) string {
	t.Helper()
	on, err := rules.ParseDate(day)
	if err != nil {
		t.Fatal(err)
	}
	p, err := lib.InForce(region, on)
	if errors.Is(err, rules.ErrNoPackInForce) {
		return ""
	}
	if err != nil {
		t.Fatal(err)
	}
	return p.SHA256
}

// refusedBy fails unless err refuses by a rule.
func refusedBy(t testing.TB, err error, rule, word string) {
	t.Helper()
	var r *editions.Refused
	if !errors.As(err, &r) || !errors.Is(err, editions.ErrRefused) {
		t.Fatalf("expected a refusal by %q, found %v", rule, err)
	}
	for _, x := range r.Refusals {
		if x.Rule == rule && strings.Contains(x.Reason.String(), word) {
			return
		}
	}
	t.Fatalf("expected a refusal by %q with %q, found %v", rule, word, err)
}

// A change goes from the draft to the second person, and counts from then on, in
// every process.
func TestPublish(t *testing.T) {
	h := newHouse(t)
	other := h.another()
	before := inForce(t, other, "2030-08-01")
	d := h.draft(second, cases87)
	r, err := h.Check(t.Context(), d)
	if err != nil || !r.Ready() || r.Cases != 3 || len(r.Differences) == 0 {
		t.Fatalf("%+v %v", r, err)
	}
	p := h.propose(h.rehearsed(d), editions.Proposing{Received: rules.Date{Year: 2030, Month: 5, Day: 28}})
	if got := inForce(t, other, "2030-08-01"); got != before {
		t.Fatal("a proposal counts before the second person agreed")
	}
	h.clock = h.clock.Add(26 * time.Hour)
	p = h.approve(p)
	if p.State != editions.Approved || p.Second.Account != "b2" {
		t.Fatalf("%+v", p)
	}
	for _, x := range []*editions.Book{h.Book, other, h.another()} {
		if got := inForce(t, x, "2030-08-01"); got != d.PackSHA256() {
			t.Errorf("after publication %s is in force on 2030-08-01, expected %s", got, d.PackSHA256())
		}
		if got := inForce(t, x, "2030-06-30"); got != before {
			t.Error("the version before it changed its days")
		}
	}
	lib, err := h.Current(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if got := of(t, lib.AsKnownOn(rules.Date{Year: 2030, Month: 6, Day: 1}), "2030-08-01"); got != before {
		t.Error("on the day before its publication it was known here")
	}
	if got := of(t, lib.AsKnownOn(rules.Date{Year: 2030, Month: 6, Day: 2}), "2030-08-01"); got != d.PackSHA256() {
		t.Error("on the day of its publication it was not known here")
	}
	if list, err := h.Drafts(t.Context()); err != nil || len(list) != 0 {
		t.Errorf("the draft stays after its publication: %v %v", list, err)
	}
	n, err := h.Notice(t.Context(), p)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"House Mutual: new criteria for tests from 2030-07-01 on", "87 %", "Applied in this house since 2030-06-02, by A. Ana and B. Bo."} {
		if !strings.Contains(n.Text(), want) {
			t.Errorf("the notice lacks %q:\n%s", want, n.Text())
		}
	}
	if strings.Count(n.Text(), "\n") > 25 {
		t.Errorf("the notice takes more than half a page:\n%s", n.Text())
	}
	report, err := casework.Audit(t.Context(), h.store)
	if err != nil || len(report.Faults) > 0 || report.Entries != 2 {
		t.Errorf("%+v %v", report, err)
	}
}

// The second person is another account, in a role that may.
func TestSecondPerson(t *testing.T) {
	h := newHouse(t)
	p := h.propose(h.rehearsed(h.draft(second, cases87)), editions.Proposing{})
	asChief := ana
	asChief.Role = casework.RoleAdministrator
	for _, tt := range []struct {
		who  editions.Person
		rule string
	}{{ana, editions.RuleSecond}, {asChief, editions.RuleSecond}, {desk, editions.RuleRole}, {editions.Person{Account: "cli", Name: "the command line", Role: casework.RoleSystem}, editions.RuleRole}, {editions.Person{Name: "nobody", Role: casework.RoleMaintainer}, editions.RuleRole}} {
		_, err := h.Approve(t.Context(), tt.who, p.Approval())
		refusedBy(t, err, tt.rule, "")
	}
	if p, err := h.Approve(t.Context(), chief, p.Approval()); err != nil || p.State != editions.Approved {
		t.Fatal(p, err)
	}
	_, err := h.Approve(t.Context(), bo, p.Approval())
	refusedBy(t, err, editions.RuleClosed, "C. Chief")
}

// A draft that changes after the proposal voids it, and an approval is of exactly
// what was shown.
func TestStaleApproval(t *testing.T) {
	h := newHouse(t)
	d := h.rehearsed(h.draft(second, cases87))
	p := h.propose(d, editions.Proposing{})
	for name, change := range map[string]func(*editions.Approval){
		"another text":      func(a *editions.Approval) { a.DraftSHA256 = strings.Repeat("0", 64) },
		"another rehearsal": func(a *editions.Approval) { a.RehearsalSHA256 = "" },
		"another entry":     func(a *editions.Approval) { a.Entry = strings.Repeat("0", 64) },
	} {
		in := p.Approval()
		change(&in)
		_, err := h.Approve(t.Context(), bo, in)
		if err == nil {
			t.Fatal(name)
		}
		refusedBy(t, err, editions.RuleHash, "read what it says now")
	}
	if _, err := h.Save(t.Context(), bo, d.ID, d.Rev, editions.Texts{Pack: strings.ReplaceAll(second, "87 %", "86 %"), Cases: cases87}); err != nil {
		t.Fatal(err)
	}
	_, err := h.Approve(t.Context(), chief, p.Approval())
	refusedBy(t, err, editions.RuleVoid, "changed by B. Bo")
	if got, err := h.Proposal(t.Context(), p.Number); err != nil || got.State != editions.Void {
		t.Fatal(got, err)
	}
}

// Nothing that one of two writers typed is lost.
func TestTwoWriters(t *testing.T) {
	h := newHouse(t)
	d := h.draft(second, cases87)
	if _, err := h.Save(t.Context(), bo, d.ID, 1, editions.Texts{Pack: "of bo", Cases: cases87}); err != nil {
		t.Fatal(err)
	}
	_, err := h.Save(t.Context(), ana, d.ID, 1, editions.Texts{Pack: "of ana", Cases: cases87})
	var stale *editions.StaleError
	if !errors.As(err, &stale) || !errors.Is(err, editions.ErrStale) || stale.Draft.Pack != "of bo" || stale.Draft.Rev != 2 {
		t.Fatalf("%v", err)
	}
	if err := h.Discard(t.Context(), ana, d.ID, 1); !errors.Is(err, editions.ErrStale) {
		t.Fatalf("a draft that another saved was discarded: %v", err)
	}
	got, err := h.Save(t.Context(), ana, d.ID, 2, editions.Texts{Pack: "of both", Cases: cases87})
	if err != nil || got.Rev != 3 || len(got.Authors) != 2 {
		t.Fatal(got, err)
	}
	if err := h.Discard(t.Context(), ana, d.ID, 3); err != nil {
		t.Fatal(err)
	}
	if _, err := h.Save(t.Context(), bo, d.ID, 3, editions.Texts{Pack: "late"}); !errors.Is(err, editions.ErrNotFound) {
		t.Fatal(err)
	}
}

// What keeps a draft from being proposed.
func TestRefused(t *testing.T) {
	replaced := func(s string, pairs ...string) string { return strings.NewReplacer(pairs...).Replace(s) }
	for _, tt := range []struct{ name, text, cases, rule, word string }{
		{"a fault", replaced(second, "87 %", "87 miles"), cases87, editions.RuleFaults, "found"},
		{"a failing case", second, cases, editions.RuleCases, "1 of 3"},
		{"no case", second, "cases: []\n", editions.RuleCases, "found none"},
		{"no new document", replaced(second, "edition: second", "edition: first"), cases87, editions.RuleCitation, "Clause rest: expected a new or changed document"},
		{"a past version", replaced(second, "2030-07-01", "2020-01-01"), cases87, editions.RulePast, "never changed"},
		{"known tomorrow", "known_since: 2030-06-02\n" + second, cases87, editions.RuleKnown, "Leave the line out"},
		{"not rehearsed", second, cases87, editions.RuleRehearsal, "Rehearse it first"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			h := newHouse(t)
			d := h.draft(tt.text, tt.cases)
			if tt.rule != editions.RuleFaults && tt.rule != editions.RuleRehearsal {
				h.rehearsed(d)
			}
			_, err := h.Propose(t.Context(), ana, d.ID, d.Rev, editions.Proposing{})
			refusedBy(t, err, tt.rule, tt.word)
			if list, err := h.Proposals(t.Context()); err != nil || len(list) != 0 {
				t.Fatal(list, err)
			}
		})
	}
}

// A version that was published by mistake stops to count, and stays to be seen.
func TestWithdraw(t *testing.T) {
	h := newHouse(t)
	before := inForce(t, h, "2030-08-01")
	d := h.draft(second, cases87)
	h.approve(h.propose(h.rehearsed(d), editions.Proposing{}))
	h.clock = h.clock.Add(48 * time.Hour)
	_, err := h.ProposeWithdrawal(t.Context(), bo, d.PackSHA256(), " ")
	refusedBy(t, err, editions.RuleReason, "reason")
	p, err := h.ProposeWithdrawal(t.Context(), bo, d.PackSHA256(), "the notice was of another payer")
	if err != nil {
		t.Fatal(err)
	}
	_, err = h.Approve(t.Context(), bo, p.Approval())
	refusedBy(t, err, editions.RuleSecond, "")
	if _, err := h.Approve(t.Context(), ana, p.Approval()); err != nil {
		t.Fatal(err)
	}
	for _, x := range []*editions.Book{h.Book, h.another()} {
		lib, err := x.Current(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		for day, want := range map[string]string{"2030-05-31": before, "2030-06-01": d.PackSHA256(), "2030-06-02": d.PackSHA256(), "2030-06-03": before} {
			on, _ := rules.ParseDate(day)
			if got := of(t, lib.AsKnownOn(on), "2030-08-01"); got != want {
				t.Errorf("as known on %s: %.12s is in force, expected %.12s", day, got, want)
			}
		}
		if of(t, lib, "2030-08-01") != before || len(lib.Retired(region)) != 1 {
			t.Error("the withdrawn version counts")
		}
	}
	// The same text may be published again: it was withdrawn by mistake.
	again := h.draft(second, cases87)
	h.approve(h.propose(h.rehearsed(again), editions.Proposing{}))
	if inForce(t, h, "2030-08-01") != d.PackSHA256() {
		t.Error("what was withdrawn can't be published again")
	}
}

// A correction is of the day of the version that it puts right, which stays known
// on earlier days.
func TestCorrect(t *testing.T) {
	h := newHouse(t)
	before := inForce(t, h, "2020-05-01")
	text := strings.NewReplacer("88 %", "87 %", "read_on: 2020-01-01", "read_on: 2030-05-01").Replace(first)
	d, err := h.NewDraft(t.Context(), ana, editions.Beginning{Region: region, Texts: editions.Texts{Pack: text, Cases: cases87}, Corrects: before})
	if err != nil {
		t.Fatal(err)
	}
	h.rehearsed(d)
	_, err = h.Propose(t.Context(), ana, d.ID, d.Rev, editions.Proposing{})
	refusedBy(t, err, editions.RuleReason, "what was wrong")
	h.approve(h.propose(d, editions.Proposing{Reason: "a slip of the pen"}))
	if inForce(t, h, "2020-05-01") != d.PackSHA256() {
		t.Error("the correction does not count")
	}
	lib, _ := h.Current(t.Context())
	if got := of(t, lib.AsKnownOn(rules.Date{Year: 2030, Month: 5, Day: 31}), "2020-05-01"); got != before {
		t.Error("the version that was corrected is gone from the days before")
	}
	head := casework.Head{Results: []casework.Result{{Criteria: region, Version: "2020-01-01", PackSHA256: before}}}
	if c := editions.CriteriaChanged(lib, head); len(c) != 1 || c[0].Why != editions.ChangedCorrected || c[0].Since.String() != "2030-06-01" {
		t.Errorf("%+v", c)
	}
	// The one that was corrected can't be corrected again.
	d, err = h.NewDraft(t.Context(), ana, editions.Beginning{Region: region, Texts: editions.Texts{Pack: text + "# again\n", Cases: cases87}, Corrects: before})
	if err != nil {
		t.Fatal(err)
	}
	r, err := h.Check(t.Context(), d)
	if err != nil || r.Ready() || r.Refusals[0].Rule != editions.RuleCorrection {
		t.Fatal(r, err)
	}
}

// Who withdraws a correction takes it back: what it had corrected counts again,
// one step for each withdrawal, and every day shows what counted then.
func TestWithdrawCorrection(t *testing.T) {
	h := newHouse(t)
	shas := []string{inForce(t, h, "2020-05-01")}
	days := []string{"2030-06-01"}
	step := func() { h.clock = h.clock.Add(24 * time.Hour); days = append(days, h.clock.Format(time.DateOnly)) }
	for i, figure := range []string{"87 %", "86 %"} {
		step()
		text := strings.NewReplacer("88 %", figure, "read_on: 2020-01-01", "read_on: 2030-05-0"+string(rune('1'+i))).Replace(first)
		d, err := h.NewDraft(t.Context(), ana, editions.Beginning{Region: region, Texts: editions.Texts{Pack: text, Cases: []string{cases87, strings.NewReplacer("87", "86", "88", "87").Replace(cases87)}[i]}, Corrects: shas[i]})
		if err != nil {
			t.Fatal(err)
		}
		h.approve(h.propose(h.rehearsed(d), editions.Proposing{Reason: "misread"}))
		shas = append(shas, d.PackSHA256())
	}
	want := slices.Clone(shas)
	for i := len(shas) - 1; i > 0; i-- {
		step()
		p, err := h.ProposeWithdrawal(t.Context(), ana, shas[i], "it was right before")
		if err != nil {
			t.Fatal(err)
		}
		h.approve(p)
		want = append(want, shas[i-1])
		if got := inForce(t, h.another(), "2020-05-01"); got != shas[i-1] {
			t.Errorf("after the withdrawal of correction %d %.12s counts, expected what it corrected", i, got)
		}
	}
	lib, err := h.Current(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for i, on := range days {
		if got := of(t, lib.AsKnownOn(day(t, on)), "2020-05-01"); got != want[i] {
			t.Errorf("as known on %s %.12s counts, expected %.12s", on, got, want[i])
		}
		if n := len(lib.AsKnownOn(day(t, on)).History(region)); n != 1 {
			t.Errorf("as known on %s there are %d versions of one day", on, n)
		}
	}
	// The first one can be corrected again, and withdrawn for good.
	p, err := h.ProposeWithdrawal(t.Context(), ana, shas[0], "there never were such criteria")
	if err != nil {
		t.Fatal(err)
	}
	h.approve(p)
	if got := inForce(t, h, "2020-05-01"); got != "" {
		t.Errorf("%.12s counts after all were withdrawn", got)
	}
}

// The notice of a withdrawal lays the withdrawn version beside what holds in its
// place, and one whose version before it is gone says so.
func TestNotices(t *testing.T) {
	h := newHouse(t)
	d := h.rehearsed(h.draft(second, cases87))
	p := h.propose(d, editions.Proposing{})
	n, err := h.Notice(t.Context(), p)
	if err != nil || !strings.Contains(n.Text(), "waits for a second person and counts for no case yet") || n.Past {
		t.Errorf("%v\n%s", err, n.Text())
	}
	h.approve(p)
	w, err := h.ProposeWithdrawal(t.Context(), ana, d.PackSHA256(), "another payer's")
	if err != nil {
		t.Fatal(err)
	}
	for range 2 { // while it is open, and approved
		n, err = h.Notice(t.Context(), w)
		if err != nil || !n.Withdrawn || n.Lost || len(n.Changes) == 0 || !strings.Contains(n.Text(), "at or below 88 %”; before") || !strings.Contains(n.Text(), "Why: another payer's") {
			t.Errorf("%v\n%s", err, n.Text())
		}
		if w.State == editions.Open {
			w = h.approve(w)
		}
	}
	// A program that brings another text for the day of the version before it.
	other, err := rules.Load(fstest.MapFS{
		region + "/region.yaml":           {Data: []byte(regionText)},
		region + "/2020-01-01.yaml":       {Data: []byte(first + "# mended\n")},
		region + "/2020-01-01.cases.yaml": {Data: []byte(cases)},
	})
	if err != nil {
		t.Fatal(err)
	}
	later := editions.New(h.store, other, func() time.Time { return h.clock })
	n, err = later.Notice(t.Context(), h.approved(p.Number))
	if err != nil || !n.Lost || n.First || !strings.Contains(n.Text(), "can't be listed") {
		t.Errorf("%v %+v", err, n)
	}
}

func (h *house) approved(number int) *editions.Proposal {
	h.t.Helper()
	p, err := h.Proposal(h.t.Context(), number)
	if err != nil {
		h.t.Fatal(err)
	}
	return p
}
