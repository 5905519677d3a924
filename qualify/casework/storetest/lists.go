package storetest

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	"airwarrant/qualify/casework"
)

// lists holds every selection and order against what its words say, over
// cases that differ in all that lists are selected and sorted by.
func lists(t *testing.T, s casework.Store) {
	ctx := t.Context()
	if hs, next, err := s.List(ctx, casework.Selection{}, "", 5); len(hs) > 0 || next != "" || err != nil {
		t.Errorf("an empty store lists %v, %q, %v", hs, next, err)
	}
	var all []casework.Head
	for i := range 40 {
		h := casework.Head{Form: casework.HeadForm, Case: fmt.Sprintf("case-%02d", i*7%40), K: 1, Criteria: []string{fmt.Sprintf("xx-%d", i%3)},
			OpenedAt: start.Add(time.Duration(i*13%17) * time.Hour), State: casework.States()[i%6], Owner: []string{"", "account-1", "account-2"}[i/2%3]}
		if i%4 > 0 {
			h.Due = fmt.Sprintf("2026-%02d-11", 1+i%12)
		}
		if i%5 > 0 {
			h.Until = fmt.Sprintf("2026-%02d-%02d", 1+i*5%12, 1+i%28)
		}
		must(t, s.PutHead(ctx, h))
		all = append(all, h)
	}
	key := func(h casework.Head) string { return h.Case }
	orders := map[casework.Order]func(a, b casework.Head) int{
		casework.ByOpened: func(a, b casework.Head) int { return b.OpenedAt.Compare(a.OpenedAt) },
		casework.ByDue:    func(a, b casework.Head) int { return compareDays(a.Due, b.Due) },
		casework.ByUntil:  func(a, b casework.Head) int { return compareDays(a.Until, b.Until) },
	}
	many := []string{"account-1"} // more than one condition of a table holds
	for i := range 250 {
		many = append(many, fmt.Sprintf("left-%d", i))
	}
	for _, sel := range []casework.Selection{
		{}, {State: casework.StateOpen}, {Criteria: "xx-1"}, {Owner: "account-2"}, {Unowned: true},
		{State: casework.StateClosed, Owner: "account-1"}, {State: casework.StateDraft, Criteria: "xx-0", Unowned: true}, {Criteria: "xx-9"},
		{Till: "2026-05-11"}, {Till: "2026-01-10"}, {Till: "2025-12-31"}, {Till: "2026-12-31", State: casework.StateOpen}, {Till: "2026-07-20", Owner: "account-1"},
		{State: casework.StateClosed, Criteria: "xx-2"}, {Criteria: "xx-1", Owner: "account-1"}, {Till: "2026-07-20", Criteria: "xx-0"},
		{NotCriteria: []string{"xx-0", "xx-2"}}, {NotOwners: []string{"", "account-2"}}, {NotCriteria: []string{"xx-1"}, NotOwners: []string{""}, State: casework.StateOpen},
		{NotCriteria: []string{"xx-0", "xx-1", "xx-2"}}, {NotOwners: many, Criteria: "xx-1"}, {NotCriteria: []string{"xx-0"}, Owner: "account-1"},
	} {
		for _, sel.Order = range append(casework.Orders(), "") {
			var want []casework.Head
			for _, h := range all {
				if sel.Holds(h) {
					want = append(want, h)
				}
			}
			if day := map[casework.Order]func(casework.Head) string{
				casework.ByDue: func(h casework.Head) string { return h.Due }, casework.ByUntil: func(h casework.Head) string { return h.Until },
			}[sel.Order]; sel.Till != "" && slices.ContainsFunc(all, func(h casework.Head) bool {
				return sel.Holds(h) && day != nil && (day(h) == "" || day(h) > sel.Till)
			}) {
				t.Errorf("%+v holds a case of a later day, or of none", sel)
			}
			slices.SortFunc(want, func(a, b casework.Head) int {
				if c := orders[sel.Sorted()](a, b); c != 0 {
					return c
				}
				if a.Case < b.Case {
					return -1
				}
				return 1
			})
			var got []string
			page := func(ctx context.Context, after string, limit int) ([]casework.Head, string, error) {
				return s.List(ctx, sel, after, min(limit, 3))
			}
			for h, err := range casework.All(ctx, page) {
				must(t, err)
				got = append(got, key(h))
			}
			var numbers []string
			for _, h := range want {
				numbers = append(numbers, key(h))
			}
			if !slices.Equal(got, numbers) {
				t.Errorf("%+v lists\n%q, want\n%q", sel, got, numbers)
			}
		}
	}

	// What comes in while somebody turns pages neither repeats nor hides.
	first, next, err := s.List(ctx, casework.Selection{Order: casework.ByDue}, "", 10)
	must(t, err)
	early := casework.Head{Case: "case-new", K: 1, Criteria: []string{"xx-0"}, OpenedAt: start, State: casework.StateOpen, Due: "2026-01-01"}
	must(t, s.PutHead(ctx, early))
	rest, end, err := s.List(ctx, casework.Selection{Order: casework.ByDue}, next, 100)
	must(t, err)
	if len(first)+len(rest) != len(all) || end != "" {
		t.Errorf("%d and %d cases listed, want %d; next %q", len(first), len(rest), len(all), end)
	}
	for _, token := range []string{"foreign", next + "0", next[1:]} {
		if _, _, err := s.List(ctx, casework.Selection{Order: casework.ByDue}, token, 5); !errors.Is(err, casework.ErrToken) {
			t.Errorf("token %q: %v", token, err)
		}
	}
	if _, _, err := s.List(ctx, casework.Selection{Order: casework.ByOpened}, next, 5); !errors.Is(err, casework.ErrToken) {
		t.Errorf("the token of another order: %v", err)
	}

	// A case that changes moves from one list to another.
	moved := all[3]
	moved.K, moved.State, moved.Owner = 2, casework.StateClosed, "account-7"
	must(t, s.PutHead(ctx, moved))
	hs, _, err := s.List(ctx, casework.Selection{Owner: "account-7"}, "", 5)
	must(t, err)
	if len(hs) != 1 || hs[0].Case != moved.Case || hs[0].K != 2 {
		t.Errorf("after the change: %+v", hs)
	}
	for h, err := range casework.All(ctx, func(ctx context.Context, after string, limit int) ([]casework.Head, string, error) {
		return s.List(ctx, casework.Selection{State: all[3].State}, after, limit)
	}) {
		must(t, err)
		if h.Case == moved.Case {
			t.Error("the case is still in the list that it left")
		}
	}
}

// compareDays sorts a day that is not there after every other.
func compareDays(a, b string) int {
	switch {
	case a == b:
		return 0
	case b == "" || a != "" && a < b:
		return -1
	}
	return 1
}

// terms are found without lying in the store in the clear, and go with the
// personal values of the case.
func terms(t *testing.T, s casework.Store) {
	ctx := t.Context()
	c, other := create(t, s, 1), create(t, s, 2)
	find := func(term string) []string {
		t.Helper()
		var out []string
		for n, err := range casework.All(ctx, func(ctx context.Context, after string, limit int) ([]string, string, error) {
			return casework.Find(ctx, s, term, after, 1)
		}) {
			must(t, err)
			out = append(out, n)
		}
		return out
	}
	if got := find("merr"); got != nil {
		t.Errorf("found before anything was put: %q", got)
	}
	must(t, casework.AddTerms(ctx, s, random(7), c.Number, []string{"merr", "me", "merr"}))
	must(t, casework.AddTerms(ctx, s, random(8), other.Number, []string{"me"}))
	must(t, casework.AddTerms(ctx, s, random(9), c.Number, []string{"me", "ash"}))
	both := []string{c.Number, other.Number}
	slices.Sort(both)
	for term, want := range map[string][]string{"merr": {c.Number}, "me": both, "ash": {c.Number}, "m": nil, "ME": nil} {
		if got := find(term); !slices.Equal(got, want) {
			t.Errorf("%q finds %q, want %q", term, got, want)
		}
	}
	if has, err := casework.HasTerms(ctx, s, c.Number); !has || err != nil {
		t.Errorf("HasTerms: %v, %v", has, err)
	}
	must(t, c.Append(ctx, s, stamp("account-1"), casework.Closed{}))
	must(t, casework.Destroy(ctx, s, c.Number, stamp("account-9"), "retention"))
	for term, want := range map[string][]string{"merr": nil, "me": {other.Number}, "ash": nil} {
		if got := find(term); !slices.Equal(got, want) {
			t.Errorf("after the destruction %q finds %q, want %q", term, got, want)
		}
	}
	if has, err := casework.HasTerms(ctx, s, c.Number); has || err != nil {
		t.Errorf("HasTerms after the destruction: %v, %v", has, err)
	}
	sound(t, s)
}
