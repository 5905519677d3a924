package editions_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"airwarrant/qualify"
	"airwarrant/qualify/casework"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/editions"
	"airwarrant/rules"
)

// stored puts cases with a resting saturation and a date of the test into the
// store, each determined by the criteria that count, and returns their numbers.
func (h *house) stored(tests ...string) []string {
	h.t.Helper()
	random := rand.NewChaCha8([32]byte{byte(h.clock.Unix())})
	lib, err := h.Current(h.t.Context())
	if err != nil {
		h.t.Fatal(err)
	}
	var numbers []string
	for _, test := range tests {
		var spo2, day string
		if _, err := fmt.Sscan(test, &spo2, &day); err != nil {
			h.t.Fatal(err)
		}
		facts, err := criteria.ParseFacts([]byte("rest_spo2: "+spo2+"\ntest_date: "+day+"\n"), "facts")
		if err != nil {
			h.t.Fatal(err)
		}
		q := qualify.Query{Facts: facts, Criteria: []string{region}}
		res, err := qualify.Check(q, lib)
		if err != nil {
			h.t.Fatal(err)
		}
		packed, err := q.Keep(res).Encode()
		if err != nil {
			h.t.Fatal(err)
		}
		number, err := casework.NewNumber(h.clock, random)
		if err != nil {
			h.t.Fatal(err)
		}
		at := casework.Stamp{At: h.clock, By: "D. Desk", Role: casework.RoleIntake}
		c, err := casework.Create(h.t.Context(), h.store, number, at, casework.Opened{Criteria: q.Criteria})
		if err != nil {
			h.t.Fatal(err)
		}
		ref, err := c.Seal(h.t.Context(), h.store, random, packed)
		if err != nil {
			h.t.Fatal(err)
		}
		d := res.Determinations[0]
		if err := c.Append(h.t.Context(), h.store, at, casework.Determined{Program: "1", Kept: ref, Results: []casework.Result{
			{Criteria: d.Criteria, Version: d.Version, PackSHA256: d.PackSHA256, Outcome: string(d.Outcome), DecidedBy: d.DecidedBy, Needs: []string{}}}}); err != nil {
			h.t.Fatal(err)
		}
		numbers = append(numbers, number)
	}
	return numbers
}

// reviewed are the numbers of the cases to be reviewed, sorted, with why.
func (h *house) reviewed() (out []string) {
	h.t.Helper()
	lib, err := h.Current(h.t.Context())
	if err != nil {
		h.t.Fatal(err)
	}
	for r, err := range editions.Review(h.t.Context(), h.store, lib, region) {
		if err != nil {
			h.t.Fatal(err)
		}
		out = append(out, r.Head.Case+" "+r.Changed.Why+" "+fmt.Sprint(r.Exact))
	}
	return out
}

// After a publication those cases are reviewed whose test lies in its days, also
// where both happened on one day; after its withdrawal those that it judged. What
// was determined stays as it is.
func TestReview(t *testing.T) {
	h := newHouse(t)
	numbers := h.stored("88 2030-06-30", "88 2030-07-01", "86 2030-08-01")
	if got := h.reviewed(); got != nil {
		t.Fatalf("before anything was published: %v", got)
	}
	h.clock = h.clock.Add(time.Hour)
	d := h.rehearsed(h.draft(second, cases87))
	p := h.approve(h.propose(d, editions.Proposing{}))
	// The two after its first day: one loses the criteria, one keeps them.
	if s := p.Rehearsal.Summary; s.Cases != 3 || s.Changed != 2 || s.InTime != 1 {
		t.Errorf("%+v", s)
	}
	want := []string{numbers[1] + " later true", numbers[2] + " later true"}
	slices.Sort(want)
	if got := h.reviewed(); !slices.Equal(got, want) {
		t.Errorf("after the publication %v are reviewed, expected %v", got, want)
	}
	lib, err := h.Current(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	before, after := lib.AsOf(h.clock.Add(-time.Minute)), lib.AsOf(h.clock)
	if of(t, before, "2030-07-01") == of(t, after, "2030-07-01") || of(t, after, "2030-07-01") != d.PackSHA256() {
		t.Error("the two halves of the day of a publication are not told apart")
	}
	if lib.AsOf(h.clock) != lib {
		t.Error("nothing happened since, and the library is made anew")
	}
	h.clock = h.clock.Add(time.Hour)
	later := h.stored("88 2030-07-02", "88 2030-01-01")
	if got := h.reviewed(); !slices.Equal(got, want) {
		t.Errorf("cases determined since are reviewed: %v", got)
	}
	w, err := h.ProposeWithdrawal(t.Context(), bo, d.PackSHA256(), "another payer's")
	if err != nil {
		t.Fatal(err)
	}
	h.clock = h.clock.Add(time.Hour)
	if _, err := h.Approve(t.Context(), ana, w.Approval()); err != nil {
		t.Fatal(err)
	}
	if got := h.reviewed(); !slices.Equal(got, []string{later[0] + " gone true"}) {
		t.Errorf("after the withdrawal %v are reviewed, expected %s", got, later[0])
	}
	var under []string
	for x, err := range editions.Under(t.Context(), h.store, d.PackSHA256()) {
		if err != nil {
			t.Fatal(err)
		}
		under = append(under, x.Case)
	}
	if !slices.Equal(under, later[:1]) {
		t.Errorf("%v were determined by it, expected %v", under, later[:1])
	}
	c, err := casework.Open(t.Context(), h.store, later[0])
	if err != nil || c.Determination.Results[0].PackSHA256 != d.PackSHA256() {
		t.Error("what was determined was rewritten", err)
	}
	if lib, err = h.Current(t.Context()); err != nil {
		t.Fatal(err)
	}
	if of(t, lib.AsOf(h.clock.Add(-time.Minute)), "2030-07-01") != d.PackSHA256() {
		t.Error("before its withdrawal it did not count")
	}
	// Criteria that the program itself no longer has.
	if c := editions.CriteriaChanged(&rules.Library{}, casework.Head{Results: []casework.Result{{Criteria: region, Version: "2020-01-01", PackSHA256: "x"}}}); len(c) != 1 || c[0].Why != editions.ChangedGone {
		t.Errorf("%+v", c)
	}
}
