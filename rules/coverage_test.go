package rules_test

import (
	"errors"
	"math/big"
	"os"
	"slices"
	"strings"
	"testing"

	"airwarrant/qualify/criteria"
	"airwarrant/rules"
)

// Each version holds from its own day on, and the one before it, or none, on
// the day before.
func TestVersionsByDay(t *testing.T) {
	lib := embedded(t)
	for _, r := range lib.Regions() {
		var before *rules.Pack
		for _, p := range lib.History(r.Region) {
			t.Run(p.File, func(t *testing.T) {
				got, err := lib.InForce(r.Region, p.EffectiveFrom)
				if p.Withdrawn {
					if !errors.Is(err, rules.ErrNoPackInForce) {
						t.Errorf("on %s: expected none in force, found %v, %v", p.EffectiveFrom, got, err)
					}
				} else if err != nil || got != p {
					t.Errorf("on %s: expected %s, found %v, %v", p.EffectiveFrom, p.File, got, err)
				}
				eve := p.EffectiveFrom.AddDays(-1)
				got, err = lib.InForce(r.Region, eve)
				switch {
				case before == nil || before.Withdrawn:
					if !errors.Is(err, rules.ErrNoPackInForce) {
						t.Errorf("on %s: expected none in force, found %v, %v", eve, got, err)
					}
				case err != nil || got != before:
					t.Errorf("on %s: expected %s, found %v, %v", eve, before.File, got, err)
				case before.Until == nil || *before.Until != eve:
					t.Errorf("%s: expected until %s, found %v", before.File, eve, before.Until)
				}
			})
			before = p
		}
	}
}

// A set to which a pack defers by the name of its folder is there.
func TestDeferralsLeadSomewhere(t *testing.T) {
	lib := embedded(t)
	deferrals := 0
	for _, p := range packs(t) {
		for _, d := range p.DeferTo {
			deferrals++
			if _, err := lib.Region(d.Region); err != nil && !strings.Contains(d.Region, " ") {
				t.Errorf("%s: %s defers to %s: %v", p.File, d.ID, d.Region, err)
			}
		}
	}
	if deferrals == 0 {
		t.Error("no pack defers to another")
	}
}

// Every clause that reads a fact is met in one case, fails in another, and
// stands open, or does not apply, in a third.
func TestCasesReachEveryVerdict(t *testing.T) {
	for _, p := range packs(t) {
		t.Run(p.File, func(t *testing.T) {
			seen := map[string]map[criteria.Verdict]bool{}
			var note func([]criteria.Finding)
			note = func(fs []criteria.Finding) {
				for _, f := range fs {
					if seen[f.ID] == nil {
						seen[f.ID] = map[criteria.Verdict]bool{}
					}
					seen[f.ID][f.Outcome] = true
					note(f.Parts)
				}
			}
			for _, r := range criteria.RunCases(p, p.Cases, p.CasesFile) {
				note(r.Determination.Clauses)
			}
			onlyIfStated := map[string]bool{} // facts without which their group does not apply
			p.Walk(func(n *rules.Node, _ bool) {
				if n.AppliesWhen != nil && n.AppliesWhen.Known {
					onlyIfStated[n.AppliesWhen.Fact] = true
				}
			})
			p.Walk(func(n *rules.Node, gate bool) {
				if gate || n.Fact == "" || n.Known {
					return
				}
				want := []criteria.Verdict{criteria.Met, criteria.NotMet, criteria.Unclear}
				if n.Otherwise == "undetermined" {
					want = slices.DeleteFunc(want, func(v criteria.Verdict) bool { return v == criteria.NotMet })
				}
				if n.IfAbsent == "not_applicable" || onlyIfStated[n.Fact] {
					want[len(want)-1] = criteria.NotApplicable
				}
				for _, v := range want {
					if !seen[n.ID][v] {
						t.Errorf("%s: no case in which the clause %s (line %d) is %s", p.CasesFile, n.ID, n.Line, v)
					}
				}
			})
		})
	}
}

// smallest is the smallest step of a figure as documents print it: a second, a
// unit of its last digit, a thousandth of a share.
func smallest(q rules.Quantity) *big.Rat {
	number, _, _ := strings.Cut(q.Text, " ")
	_, decimals, _ := strings.Cut(number, ".")
	switch {
	case strings.Contains(number, "/"):
		return big.NewRat(1, 1000)
	case q.Unit == "min":
		return big.NewRat(1, 60)
	case q.Unit == "h":
		return big.NewRat(1, 3600)
	}
	step := big.NewRat(1, 1)
	for range decimals {
		step.Quo(step, big.NewRat(10, 1))
	}
	return step
}

// Every figure of every version is pinned by cases that name its clause: if it
// moves by its smallest step, up or down, or its comparison includes the limit
// where it excluded it or the other way round, one of them fails. That is
// what cases below, at and above each figure are for.
func TestCasesPinEveryFigure(t *testing.T) {
	// A library of our own, because its figures are moved.
	lib, err := rules.Load(os.DirFS("packs"))
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range lib.Regions() {
		for _, p := range lib.History(r.Region) {
			t.Run(p.File, func(t *testing.T) {
				t.Parallel()
				cases := criteria.ReadCases(p, p.Cases, p.CasesFile)
				p.Walk(func(n *rules.Node, gate bool) {
					list := changes(n)
					if gate || len(list) == 0 {
						return
					}
					naming, _ := cases.Split(n.ID)
					fails := func() bool {
						moved := *p // an engine may keep what it has worked out of a pack
						return naming.Fails(&moved)
					}
					if fails() {
						t.Errorf("%s: the cases that name %s fail before anything is moved", p.CasesFile, n.ID)
						return
					}
					for _, c := range list {
						c.do()
						noticed := fails()
						c.undo()
						if !noticed {
							t.Errorf("%s: clause %s (line %d) with %s: expected a case that fails, found none; add one at the limit or one step beside it that names the clause", p.CasesFile, n.ID, n.Line, c.name)
						}
					}
				})
				// What follows is pinned by any case that looks at it.
				following, _ := cases.Following()
				for _, x := range slices.Concat(p.Allows, p.FollowUp) {
					list := dueChanges(x.Due)
					if x.If != nil {
						list = append(list, changes(x.If)...)
					}
					for _, c := range list {
						c.do()
						moved := *p
						noticed := following.Fails(&moved)
						c.undo()
						if !noticed {
							t.Errorf("%s: %q with %s: expected a case that fails, found none; add one with follow_up, allows or open", p.CasesFile, x.Text, c.name)
						}
					}
				}
			})
		}
	}
}

// change is one slip of the pen in a clause, and its mend.
type change struct {
	name     string
	do, undo func()
}

func changes(n *rules.Node) []change {
	var out []change
	move := func(key string, q *rules.Quantity) {
		old := q.Rat
		for _, sign := range []int64{-1, 1} {
			moved := new(big.Rat).Add(old, new(big.Rat).Mul(smallest(*q), big.NewRat(sign, 1)))
			out = append(out, change{key + " " + moved.RatString() + " " + q.Unit, func() { q.Rat = moved }, func() { q.Rat = old }})
		}
	}
	list := func(key string, qs rules.Quantities) {
		for i := range qs {
			move(key, &qs[i])
		}
	}
	list("at_or_below", n.AtOrBelow)
	list("below", n.Below)
	list("at_least", n.AtLeast)
	list("more_than", n.MoreThan)
	list("equal_to", n.EqualTo)
	if n.SpO2 != nil {
		move("spo2", n.SpO2)
	}
	if n.Points != nil {
		move("points", n.Points)
	}
	swap := func(name string, a, b *rules.Quantities) {
		if *a != nil || *b != nil {
			turn := func() { *a, *b = *b, *a }
			out = append(out, change{name, turn, turn})
		}
	}
	swap("at_or_below and below exchanged", &n.AtOrBelow, &n.Below)
	swap("at_least and more_than exchanged", &n.AtLeast, &n.MoreThan)
	return out
}
