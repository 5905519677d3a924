package editions_test

import (
	"context"
	"encoding/json"
	"errors"
	"strings"
	"sync"
	"testing"
	"time"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/editions"
	"airwarrant/rules"
)

// Of many who approve, turn down and save at once, one decides.
func TestApprovalsAtOnce(t *testing.T) {
	for range 8 {
		h := newHouse(t)
		d := h.rehearsed(h.draft(second, cases87))
		p := h.propose(d, editions.Proposing{})
		var mu sync.Mutex
		var wg sync.WaitGroup
		won := 0
		decided := func(err error) {
			mu.Lock()
			defer mu.Unlock()
			var r *editions.Refused
			switch {
			case err == nil:
				won++
			case !errors.As(err, &r) && !errors.Is(err, editions.ErrNotFound):
				t.Errorf("expected to be told, found %v", err)
			}
		}
		for _, who := range []editions.Person{bo, chief} {
			wg.Go(func() { _, err := h.another().Approve(t.Context(), who, p.Approval()); decided(err) })
			wg.Go(func() { decided(h.another().TurnDown(t.Context(), who, p.Number, "too early")) })
		}
		wg.Wait()
		if won != 1 || h.entries() != 2 {
			t.Fatalf("%d decided, %d entries", won, h.entries())
		}
	}
}

// The same proposal of two people at once stands once.
func TestProposalsAtOnce(t *testing.T) {
	h := newHouse(t)
	var drafts []editions.Draft
	for _, edition := range []string{"second", "third", "fourth"} {
		drafts = append(drafts, h.rehearsed(h.draft(strings.ReplaceAll(second, "edition: second", "edition: "+edition), cases87)))
	}
	var wg sync.WaitGroup
	errs := make([]error, len(drafts))
	for i, d := range drafts {
		wg.Go(func() {
			_, errs[i] = h.another().Propose(t.Context(), ana, d.ID, d.Rev, editions.Proposing{})
		})
	}
	wg.Wait()
	stored := 0
	for _, err := range errs {
		if err == nil {
			stored++
			continue
		}
		refusedBy(t, err, editions.RulePending, "waits for a second person")
	}
	if stored != 1 || h.entries() != 1 {
		t.Errorf("%d proposals for one day", stored)
	}
}

// changed is a store whose ledgers read otherwise than they were written.
type changed struct {
	casework.Store
	entries func([]casework.Entry) []casework.Entry
}

func (c changed) Entries(ctx context.Context, ledger string, from, limit int) ([]casework.Entry, error) {
	list, err := c.Store.Entries(ctx, ledger, 1, 1000)
	if err == nil && ledger == casework.Criteria {
		list = c.entries(list)
	}
	return list[min(from-1, len(list)):], err
}

func (c changed) LastEntry(ctx context.Context, ledger string) (casework.Entry, error) {
	list, err := c.Entries(ctx, ledger, 1, 1000)
	if err == nil && len(list) == 0 {
		err = casework.ErrNotFound
	}
	if err != nil {
		return casework.Entry{}, err
	}
	return list[len(list)-1], nil
}

// rehash makes the chain fit again after it was changed.
func rehash(t *testing.T, list []casework.Entry) []casework.Entry {
	t.Helper()
	prev := ""
	for i := range list {
		list[i].Prev = prev
		var err error
		if list[i].Hash, err = list[i].Sum(); err != nil {
			t.Fatal(err)
		}
		prev = list[i].Hash
	}
	return list
}

// Nothing is judged by a ledger that was altered, whether its hashes were made to
// fit or not.
func TestAlteredLedger(t *testing.T) {
	h := newHouse(t)
	p := h.approve(h.propose(h.rehearsed(h.draft(second, cases87)), editions.Proposing{}))
	running := h.another()
	if _, err := running.Current(t.Context()); err != nil {
		t.Fatal(err)
	}
	edit := func(i int, change func(m map[string]any)) func([]casework.Entry) []casework.Entry {
		return func(list []casework.Entry) []casework.Entry {
			var m map[string]any
			if err := json.Unmarshal(list[i].Change, &m); err != nil {
				t.Fatal(err)
			}
			change(m)
			data, err := json.Marshal(m)
			if err != nil {
				t.Fatal(err)
			}
			list[i].Change = data
			return list
		}
	}
	fits := func(f func([]casework.Entry) []casework.Entry) func([]casework.Entry) []casework.Entry {
		return func(list []casework.Entry) []casework.Entry { return rehash(t, f(list)) }
	}
	otherHash := func(m map[string]any) { m["pack_sha256"] = strings.Repeat("0", 64) }
	for _, tt := range []struct {
		name, word string
		entries    func([]casework.Entry) []casework.Entry
	}{
		{"a hash of a text", "hash", edit(0, otherHash)},
		{"a hash of a text, and its own made to fit", "hash of the entry before", func(list []casework.Entry) []casework.Entry {
			list = edit(0, otherHash)(list)
			list[0].Hash, _ = list[0].Sum()
			return list
		}},
		{"all hashes made to fit", "no such open proposal", fits(edit(0, otherHash))},
		{"one person did both", "one person did both", fits(func(list []casework.Entry) []casework.Entry {
			list = rehash(t, edit(1, func(m map[string]any) { m["by"].(map[string]any)["account"] = "a1" })(list))
			return edit(1, func(m map[string]any) { m["entry"] = list[0].Hash })(list)
		})},
		{"another name", "signature", fits(func(list []casework.Entry) []casework.Entry { list[1].By = "D. Desk"; return list })},
		{"another role", "signature", fits(func(list []casework.Entry) []casework.Entry { list[1].Role = casework.RoleIntake; return list })},
		{"a desk that may not", "neither maintainer nor administrator", fits(func(list []casework.Entry) []casework.Entry {
			list[1].Role = casework.RoleIntake
			return edit(1, func(m map[string]any) { m["by"].(map[string]any)["role"] = "intake" })(list)
		})},
		{"a kind of its own", "not known to this version", fits(func(list []casework.Entry) []casework.Entry { list[1].Kind = "criteria_blessed"; return list })},
		{"a member more", "can't be read", fits(edit(1, func(m map[string]any) { m["also"] = true }))},
		{"the approval before the proposal", "expected entry", func(list []casework.Entry) []casework.Entry { return []casework.Entry{list[1], list[0]} }},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := editions.New(changed{h.store, tt.entries}, base(t), func() time.Time { return h.clock })
			lib, err := b.Current(t.Context())
			if err == nil || lib != nil || !strings.Contains(err.Error(), tt.word) {
				t.Fatalf("%v: expected %q", err, tt.word)
			}
			if _, err := casework.SweepUploads(t.Context(), changed{h.store, tt.entries}, time.Now()); err == nil && tt.word == "hash" {
				t.Error("uploads were swept by an altered ledger")
			}
		})
	}
	// A ledger that was cut off is sound by itself; a process that has read it is
	// not deceived, and the anchors show it to the audit.
	var cut casework.Store = changed{h.store, func(list []casework.Entry) []casework.Entry { return list[:1] }}
	b := editions.New(&switching{Store: h.store, then: &cut}, base(t), func() time.Time { return h.clock })
	if _, err := b.Current(t.Context()); err != nil {
		t.Fatal(err)
	}
	b2 := &switching{Store: h.store}
	b = editions.New(b2, base(t), func() time.Time { return h.clock })
	if got := inForce(t, b, "2030-08-01"); got != p.PackSHA256 {
		t.Fatal(got)
	}
	b2.then = &cut
	if _, err := b.Current(t.Context()); err == nil || !strings.Contains(err.Error(), "cut or rewritten") {
		t.Errorf("a ledger that was cut off is believed: %v", err)
	}
}

// switching is a store that becomes another while it is used.
type switching struct {
	casework.Store
	then *casework.Store
}

func (s *switching) now() casework.Store {
	if s.then != nil {
		return *s.then
	}
	return s.Store
}

func (s *switching) Entries(ctx context.Context, ledger string, from, limit int) ([]casework.Entry, error) {
	return s.now().Entries(ctx, ledger, from, limit)
}

func (s *switching) LastEntry(ctx context.Context, ledger string) (casework.Entry, error) {
	return s.now().LastEntry(ctx, ledger)
}

// A version whose text is lost takes its region out of force from its day on, and
// no other day and no other region; a correction or a withdrawal mends it.
func TestUnreadableAfterRestart(t *testing.T) {
	for _, how := range []string{"correction", "withdrawal"} {
		t.Run(how, func(t *testing.T) {
			h := newHouse(t)
			before := inForce(t, h, "2030-06-30")
			d := h.rehearsed(h.draft(second, cases87))
			h.approve(h.propose(d, editions.Proposing{}))
			if err := h.store.DeleteUpload(t.Context(), d.PackSHA256(), time.Date(2100, 1, 1, 0, 0, 0, 0, time.UTC)); err != nil {
				t.Fatal(err)
			}
			h.Book = h.another() // a restart
			lib, err := h.Current(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			if _, err := lib.InForce(region, day(t, "2030-07-01")); !errors.Is(err, rules.ErrNoPackInForce) || !errors.Is(err, rules.ErrUnread) || !strings.Contains(err.Error(), "missing") {
				t.Errorf("a version that is lost has criteria in force: %v", err)
			}
			if of(t, lib, "2030-06-30") != before {
				t.Error("the version before it is gone too")
			}
			if _, err := editions.Export(lib); err == nil {
				t.Error("it is exported as if nothing was missing")
			}
			report, err := casework.Audit(t.Context(), h.store)
			if err != nil || len(report.Faults) != 1 {
				t.Errorf("the audit finds %v %v", report.Faults, err)
			}
			if how == "withdrawal" {
				p, err := h.ProposeWithdrawal(t.Context(), ana, d.PackSHA256(), "its text is lost")
				if err != nil {
					t.Fatal(err)
				}
				h.approve(p)
				if inForce(t, h, "2030-07-01") != before {
					t.Error("the withdrawal did not mend it")
				}
				return
			}
			c, err := h.NewDraft(t.Context(), ana, editions.Beginning{Region: region, Texts: editions.Texts{Pack: second + "# restored\n", Cases: cases87}, Corrects: d.PackSHA256()})
			if err != nil {
				t.Fatal(err)
			}
			h.approve(h.propose(c, editions.Proposing{Reason: "its text was lost"}))
			if inForce(t, h, "2030-07-01") != c.PackSHA256() {
				t.Error("the correction did not mend it")
			}
		})
	}
}

// The program brings a version of its own for a day of which the house has
// published one: the house's counts, in every later program.
func TestProgramBringsTheSameDay(t *testing.T) {
	h := newHouse(t)
	d := h.rehearsed(h.draft(second, cases87))
	h.approve(h.propose(d, editions.Proposing{}))
	bigger := base(t).With(nil, nil, nil)
	pack, err := rules.ReadDraft([]byte(strings.ReplaceAll(second, "87 %", "85 %")), "x.yaml", bigger.Regions()[0])
	if err != nil {
		t.Fatal(err)
	}
	bigger = bigger.With(nil, []*rules.Pack{pack}, nil)
	h.Book = editions.New(h.store, bigger, func() time.Time { return h.clock })
	if got := inForce(t, h, "2030-08-01"); got != d.PackSHA256() {
		t.Errorf("%.12s counts, expected what the house published", got)
	}
	lib, _ := h.Current(t.Context())
	if r := lib.Retired(region); len(r) != 1 || r[0].SHA256 != pack.SHA256 {
		t.Errorf("%v", r)
	}
}

// A payer that stops is a version without criteria, which needs a document and has
// nothing to rehearse.
func TestPayerStops(t *testing.T) {
	h := newHouse(t)
	h.many(10)
	stops := "effective_from: 2031-01-01\ntitle: The payer stopped\nwithdrawn: true\ncites:\n  letter: {document: Letter of House Mutual, edition: 2030-05-01}\n"
	d := h.draft(stops, "cases:\n  - {name: nothing, want: {outcome: undetermined}}\n")
	r, err := h.Check(t.Context(), d)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range r.Failures {
		t.Errorf("%s", f.Message)
	}
	if _, err := h.Plan(t.Context(), d); !errors.Is(err, editions.ErrNothingBeside) {
		t.Errorf("%v", err)
	}
	h.approve(h.propose(d, editions.Proposing{}))
	if inForce(t, h, "2031-01-01") != "" || inForce(t, h, "2030-12-31") == "" {
		t.Error("the days are wrong")
	}
}

// Nobody who may not proposes, drafts, withdraws or looks up.
func TestRoles(t *testing.T) {
	h := newHouse(t)
	d := h.rehearsed(h.draft(second, cases87))
	nobody := editions.Person{Account: "x", Name: "X", Role: casework.RoleOffice}
	for _, who := range []editions.Person{desk, chief, nobody, {}, {Account: "x", Name: "X", Role: "maintainer "}} {
		_, err := h.NewDraft(t.Context(), who, editions.Beginning{Region: region})
		refusedBy(t, err, editions.RuleRole, "")
		_, err = h.Save(t.Context(), who, d.ID, d.Rev, editions.Texts{})
		refusedBy(t, err, editions.RuleRole, "")
		refusedBy(t, h.Discard(t.Context(), who, d.ID, d.Rev), editions.RuleRole, "")
		_, err = h.Rehearse(t.Context(), who, d, nil)
		refusedBy(t, err, editions.RuleRole, "")
		_, err = h.Propose(t.Context(), who, d.ID, d.Rev, editions.Proposing{})
		refusedBy(t, err, editions.RuleRole, "")
		_, err = h.ProposeWithdrawal(t.Context(), who, inForce(t, h, "2025-01-01"), "because")
		refusedBy(t, err, editions.RuleRole, "")
	}
	if h.entries() != 0 {
		t.Error("something was written")
	}
}
