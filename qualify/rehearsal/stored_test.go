package rehearsal_test

import (
	"errors"
	"math/rand/v2"
	"testing"
	"time"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/casework/storetest"
	"airwarrant/qualify/rehearsal"
	"airwarrant/rules"
)

func by(n int) casework.Stamp {
	return casework.Stamp{At: time.Date(2026, 3, 1, 9, n%60, 0, 0, time.UTC), By: "account-1", Role: casework.RoleSystem}
}

// store puts the first n people of a population into a store as cases that are
// determined, and returns it with the number of each.
func store(t *testing.T, o *population, n int) (*storetest.Memory, []string) {
	t.Helper()
	s := &storetest.Memory{}
	lib := synthetic(t, inForce)
	sha := lib.History(region)[0].SHA256
	random := rand.NewChaCha8([32]byte{7})
	var numbers []string
	for i := range n {
		number, err := casework.NewNumber(by(i).At, random)
		if err != nil {
			t.Fatal(err)
		}
		c, err := casework.Create(t.Context(), s, number, by(i), casework.Opened{Criteria: []string{region}})
		if err != nil {
			t.Fatal(err)
		}
		ref, err := c.Seal(t.Context(), s, random, o.packed(t, i))
		if err != nil {
			t.Fatal(err)
		}
		err = c.Append(t.Context(), s, by(i), casework.Determined{Program: "1", Kept: ref,
			Results: []casework.Result{{Criteria: region, PackSHA256: sha, Outcome: o.people[i].before().outcome, Needs: []string{}, DecidedBy: []string{}}}})
		if err != nil {
			t.Fatal(err)
		}
		numbers = append(numbers, number)
	}
	return s, numbers
}

// TestStored replays cases of a store: those that can't be replayed are told
// with the reason and never dropped, and a case that is stored with another
// outcome than the version in force gives is told.
func TestStored(t *testing.T) {
	o := populate(t, 300)
	s, numbers := store(t, o, 300)
	change := func(i int, ch casework.Change) {
		t.Helper()
		c, err := casework.Open(t.Context(), s, numbers[i])
		if err == nil {
			err = c.Append(t.Context(), s, by(i), ch)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	lib := synthetic(t, inForce)
	result := casework.Result{Criteria: region, PackSHA256: lib.History(region)[0].SHA256, Outcome: "qualifies", Needs: []string{}, DecidedBy: []string{}}
	want := map[string]string{}
	// 0: changed since. 1: determined without keeping anything. 2: destroyed.
	change(0, casework.FactsStated{Facts: map[string]casework.Stated{"symptoms": {Fact: []byte("true")}}})
	want[numbers[0]] = "not_determined"
	change(1, casework.Determined{Program: "0", Results: []casework.Result{result}})
	want[numbers[1]] = "not_kept"
	change(2, casework.Closed{})
	if err := casework.Destroy(t.Context(), s, numbers[2], by(2), "retention"); err != nil {
		t.Fatal(err)
	}
	want[numbers[2]] = "destroyed"
	// 3: what is kept is not of this program.
	c, err := casework.Open(t.Context(), s, numbers[3])
	if err != nil {
		t.Fatal(err)
	}
	ref, err := c.Seal(t.Context(), s, rand.NewChaCha8([32]byte{9}), []byte("other"))
	if err != nil {
		t.Fatal(err)
	}
	change(3, casework.Determined{Program: "9", Kept: ref, Results: []casework.Result{result}})
	want[numbers[3]] = "not_readable"
	// 4: stored as what it is not.
	wrong := "qualifies"
	if o.people[4].before().outcome == wrong {
		wrong = "does_not_qualify"
	}
	c, err = casework.Open(t.Context(), s, numbers[4])
	if err != nil {
		t.Fatal(err)
	}
	stored := result
	stored.Outcome = wrong
	change(4, casework.Determined{Program: "1", Kept: c.Determination.Kept, Results: []casework.Result{stored}})
	// Of other criteria alone.
	number, err := casework.NewNumber(by(5).At, rand.NewChaCha8([32]byte{8}))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := casework.Create(t.Context(), s, number, by(5), casework.Opened{Criteria: []string{"xx-other"}}); err != nil {
		t.Fatal(err)
	}

	p := plan(t, lib, region, draft, nil)
	changed := map[string]bool{}
	got, err := p.Run(t.Context(), rehearsal.Stored(s), rehearsal.Progress{}, nil, func(l rehearsal.Line) error {
		if l.Left != want[l.Case] {
			t.Errorf("case %s: left for %q, expected %q", l.Case, l.Left, want[l.Case])
		}
		if _, told := rehearsal.Reasons[l.Left]; l.Left != "" && !told {
			t.Errorf("no sentence for %q", l.Left)
		}
		if (l.Stored != "") != (l.Case == numbers[4]) {
			t.Errorf("case %s: stored %q", l.Case, l.Stored)
		}
		delete(want, l.Case)
		changed[l.Case] = l.Changed()
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(want) > 0 {
		t.Errorf("no line for %v", want)
	}
	if s := got.Summary; s.Cases != 300 || s.Replayed != 296 || s.Otherwise != 1 || len(s.Left) != 4 {
		t.Errorf("%+v", s)
	}
	for i := 4; i < 300; i++ {
		if would := o.people[i].before().outcome != o.people[i].after().outcome; changed[numbers[i]] != would {
			t.Errorf("case %d: changes %v, expected %v", i, changed[numbers[i]], would)
		}
	}
}

// TestLineThatFails ends the run before the page counts, so that it is told
// again.
func TestLineThatFails(t *testing.T) {
	o := populate(t, 200)
	p := plan(t, synthetic(t, inForce), region, draft, nil)
	full := errors.New("no room")
	got, err := p.Run(t.Context(), o.list(t, inOrder(200), 50), rehearsal.Progress{}, nil, func(rehearsal.Line) error { return full })
	if !errors.Is(err, full) || got.Summary.Cases != 0 || got.Done {
		t.Errorf("%+v, %v", got, err)
	}
}

// TestNoVersionBefore refuses a draft of a day on which nothing is in force.
func TestNoVersionBefore(t *testing.T) {
	lib := synthetic(t, inForce)
	r, err := lib.Region(region)
	if err != nil {
		t.Fatal(err)
	}
	early := *lib.History(region)[0]
	early.Region, early.EffectiveFrom.Year = r, 1999
	if _, err := rehearsal.New(&early, lib, nil); !errors.Is(err, rules.ErrNoPackInForce) {
		t.Errorf("expected ErrNoPackInForce, found %v", err)
	}
}
