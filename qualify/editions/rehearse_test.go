package editions_test

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"reflect"
	"strings"
	"sync"
	"testing"
	"time"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/editions"
	"airwarrant/qualify/rehearsal"
)

// many stores n cases whose resting saturations are 84 to 95 % by turns.
func (h *house) many(n int) {
	h.t.Helper()
	var tests []string
	for i := range n {
		tests = append(tests, fmt.Sprintf("%d 2030-07-%02d", 84+i%12, 1+i%28))
	}
	h.stored(tests...)
}

func (h *house) lines(d editions.Draft) (out []rehearsal.Line) {
	h.t.Helper()
	for l, err := range h.Lines(h.t.Context(), d) {
		if err != nil {
			h.t.Fatal(err)
		}
		out = append(out, l)
	}
	return out
}

// A rehearsal that is broken off after any page, and gone on with by another
// process, comes to what one in a single run comes to. Of 1200 cases with 84 to
// 95 % by turns the hundred with 88 % lose the criteria.
func TestRehearsalInPieces(t *testing.T) {
	h := newHouse(t)
	h.many(1200)
	d := h.rehearsed(h.draft(second, cases87))
	whole, begun, err := h.Rehearsed(t.Context(), d)
	if err != nil || !begun {
		t.Fatal(err)
	}
	lines := h.lines(d)
	if s := whole.Progress.Summary; s.Cases != 1200 || s.Changed != 100 || s.InTime != 100 || s.Same != 1100 || len(lines) != 100 || lines[0].InForce.Outcome != "qualifies" || lines[0].Draft.Outcome != "does_not_qualify" {
		t.Fatalf("%+v, %d lines", whole.Progress.Summary, len(lines))
	}
	r := rand.New(rand.NewPCG(8, 2030))
	for round := range 4 {
		if err := h.Again(t.Context(), d); err != nil {
			t.Fatal(err)
		}
		if _, begun, err := h.Rehearsed(t.Context(), d); err != nil || begun {
			t.Fatal("it was not forgotten", err)
		}
		if left := h.lines(d); left != nil {
			t.Fatalf("%d lines stay of what was forgotten", len(left))
		}
		pieces := 0
		for done := false; !done; pieces++ {
			ctx, stop := context.WithCancel(t.Context())
			pages := 1 + r.IntN(2)
			got, err := h.another().Rehearse(ctx, bo, d, func(editions.Rehearsal) {
				if pages--; pages == 0 {
					stop()
				}
			})
			stop()
			if done = got.Progress.Done; !done && !errors.Is(err, context.Canceled) {
				t.Fatalf("round %d: %v", round, err)
			}
		}
		got, _, err := h.Rehearsed(t.Context(), d)
		if err != nil || !reflect.DeepEqual(got.Progress.Summary, whole.Progress.Summary) || !reflect.DeepEqual(h.lines(d), lines) {
			t.Errorf("in %d pieces it comes to %+v, in one to %+v", pieces, got.Progress.Summary, whole.Progress.Summary)
		}
		if pieces < 2 {
			t.Errorf("round %d was not broken off", round)
		}
	}
}

// kept counts the rehearsals that the store keeps.
func (h *house) kept() (n int) {
	h.t.Helper()
	for _, err := range casework.All(h.t.Context(), func(ctx context.Context, after string, limit int) ([]casework.Note, string, error) {
		return h.store.Notes(ctx, "criteria-rehearsal", after, limit)
	}) {
		if err != nil {
			h.t.Fatal(err)
		}
		n++
	}
	return n
}

// What nobody will read again does not pile up: one rehearsal stays for a draft,
// and none when it is published.
func TestRehearsalsAreTidied(t *testing.T) {
	h := newHouse(t)
	h.many(20)
	d := h.rehearsed(h.draft(second, cases87))
	for i, edition := range []string{"third", "fourth"} {
		var err error
		if d, err = h.Save(t.Context(), ana, d.ID, d.Rev, editions.Texts{Pack: strings.ReplaceAll(second, "edition: second", "edition: "+edition), Cases: cases87}); err != nil {
			t.Fatal(err)
		}
		h.rehearsed(d)
		if n := h.kept(); n != 1 {
			t.Errorf("after %d changes %d rehearsals are kept, expected one", i+1, n)
		}
	}
	// One of a plan that is no draft is kept for a while, to be gone on with.
	other := d
	other.Pack = strings.ReplaceAll(second, "87 %", "86 %")
	p, err := h.Plan(t.Context(), other)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := h.RehearsePlan(t.Context(), cli, p, nil); err != nil || h.kept() != 2 {
		t.Fatal(h.kept(), err)
	}
	h.approve(h.propose(d, editions.Proposing{}))
	if n := h.kept(); n != 1 {
		t.Errorf("after the publication %d rehearsals are kept, expected that of the plan", n)
	}
	h.clock = h.clock.Add(31 * 24 * time.Hour)
	h.rehearsed(h.draft(strings.NewReplacer("2030-07-01", "2031-07-01", "edition: second", "edition: last", "87 %", "85 %").Replace(second), cases87))
	if n := h.kept(); n != 1 {
		t.Errorf("a month later %d rehearsals are kept, expected the new one", n)
	}
}

// Two processes at one rehearsal do not mix what they keep: one goes through, the
// other is told, and nothing is counted twice.
func TestRehearsalTwice(t *testing.T) {
	h := newHouse(t)
	h.many(700)
	d := h.draft(second, cases87)
	var wg sync.WaitGroup
	errs := make([]error, 4)
	for i := range errs {
		wg.Go(func() { _, errs[i] = h.another().Rehearse(t.Context(), ana, d, nil) })
	}
	wg.Wait()
	for _, err := range errs {
		if err != nil && !errors.Is(err, casework.ErrConflict) {
			t.Error(err)
		}
	}
	got, err := h.Rehearse(t.Context(), ana, d, nil)
	seen := map[string]bool{}
	for _, l := range h.lines(d) {
		if seen[l.Case] {
			t.Errorf("case %s has two lines", l.Case)
		}
		seen[l.Case] = true
	}
	if err != nil || got.Progress.Summary.Cases != 700 || len(seen) != got.Progress.Summary.Changed {
		t.Errorf("%+v %v, %d lines", got.Progress.Summary, err, len(seen))
	}
}

// A draft that only renames texts changes nothing, needs no new document, and
// leaves no case with a line.
func TestRenamedTexts(t *testing.T) {
	h := newHouse(t)
	h.many(300)
	text := strings.NewReplacer("2020-01-01\ntitle", "2030-07-01\ntitle", "Notice 1", "The same in other words", "label: Oxygen at home", "label: Home oxygen", "label: Low at rest", "label: A low value at rest",
		"status: verified}", "status: verified, note: Read again., reading: stated}").Replace(first)
	d := h.draft(text, cases)
	r, err := h.Check(t.Context(), d)
	if err != nil || !r.Ready() || len(r.Differences) < 4 || r.Uncited != nil {
		t.Fatalf("%+v %v", r, err)
	}
	got, err := h.Rehearse(t.Context(), ana, d, nil)
	if s := got.Progress.Summary; err != nil || s.Cases != 300 || s.Changed+s.Moved+s.Asking+s.Otherwise != 0 || s.Same != 300 || h.lines(d) != nil {
		t.Errorf("%+v %v", s, err)
	}
	// And so it does once it is published.
	h.approve(h.propose(d, editions.Proposing{}))
	same := h.draft(strings.ReplaceAll(text, "2030-07-01\ntitle", "2030-07-02\ntitle"), cases)
	if got, err := h.Rehearse(t.Context(), ana, same, nil); err != nil || got.Progress.Summary.Changed != 0 {
		t.Errorf("%+v %v", got, err)
	}
}

// A rehearsal is of one text beside one version: when either changes, it has to be
// done anew before anything is proposed.
func TestRehearsalOfAnotherText(t *testing.T) {
	h := newHouse(t)
	h.many(20)
	d := h.rehearsed(h.draft(second, cases87))
	changed, err := h.Save(t.Context(), ana, d.ID, d.Rev, editions.Texts{Pack: strings.ReplaceAll(second, "87 %", "86 %"), Cases: strings.NewReplacer("87", "86", "88", "87").Replace(cases87)})
	if err != nil {
		t.Fatal(err)
	}
	_, err = h.Propose(t.Context(), ana, changed.ID, changed.Rev, editions.Proposing{})
	refusedBy(t, err, editions.RuleRehearsal, "as it stands")
	h.rehearsed(changed)
	// A correction of the version beside it is published meanwhile.
	text := strings.NewReplacer("88 %", "89 %", "read_on: 2020-01-01", "read_on: 2030-05-01").Replace(first)
	c, err := h.NewDraft(t.Context(), bo, editions.Beginning{Region: region, Texts: editions.Texts{Pack: text, Cases: strings.NewReplacer("88", "89", "89", "90").Replace(cases)}, Corrects: inForce(t, h, "2025-01-01")})
	if err != nil {
		t.Fatal(err)
	}
	waiting := h.propose(changed, editions.Proposing{})
	h.approve(h.propose(h.rehearsed(c), editions.Proposing{Reason: "misread"}))
	_, err = h.Approve(t.Context(), bo, waiting.Approval())
	refusedBy(t, err, editions.RuleVoid, "another version is in force beside it")
	_, err = h.Propose(t.Context(), ana, changed.ID, changed.Rev, editions.Proposing{})
	refusedBy(t, err, editions.RuleRehearsal, "")
}
