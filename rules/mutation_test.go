package rules_test

import (
	"fmt"
	"hash/fnv"
	"math/big"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/goccy/go-yaml"

	"airwarrant/qualify/criteria"
	"airwarrant/rules"
)

// mutant is one slip of the pen in one version.
type mutant struct {
	pack     *rules.Pack
	name     string   // where and what: "rest: at_or_below 89 %"
	ids      []string // clauses whose cases are tried first; nil: those that look at what follows
	do, undo func()
}

// place is what equivalent-mutants.yaml calls a mutant.
func (m mutant) place() string { return m.pack.File + ": " + m.name }

// mutants lists every slip of a version: each figure moved by its smallest
// step up and down, each limit that it includes left out or the other way
// round, each "all of" read as "any of" or the other way round, each unit
// exchanged for another of the same fact, each date moved by a day, and each
// end of a due date by one of its unit.
func mutants(p *rules.Pack) []mutant {
	var out []mutant
	if p.Withdrawn {
		return nil
	}
	date := func(name string, ids []string, d *rules.Date) {
		if d.IsZero() {
			return
		}
		old := *d
		for _, n := range []int{-1, 1} {
			out = append(out, mutant{p, fmt.Sprintf("%s %s", name, old.AddDays(n)), ids, func() { *d = old.AddDays(n) }, func() { *d = old }})
		}
	}
	var walk func(n *rules.Node, at string, ids []string)
	walk = func(n *rules.Node, at string, ids []string) {
		if n == nil {
			return
		}
		if n.ID != "" {
			at, ids = n.ID, append(slices.Clone(ids), n.ID)
		}
		add := func(name string, do, undo func()) { out = append(out, mutant{p, at + ": " + name, ids, do, undo}) }
		for _, c := range changes(n) {
			add(c.name, c.do, c.undo)
		}
		for _, c := range unitChanges(n) {
			add(c.name, c.do, c.undo)
		}
		date(at+": since", ids, &n.Since)
		date(at+": until", ids, &n.Until)
		if (n.AllOf != nil || n.AnyOf != nil) && len(n.Children()) > 1 {
			turn := func() { n.AllOf, n.AnyOf = n.AnyOf, n.AllOf }
			add("all_of and any_of exchanged", turn, turn)
		}
		walk(n.AppliesWhen, at+"/applies_when", ids)
		for i, c := range n.Children() {
			walk(c, fmt.Sprintf("%s/%d", at, i), ids)
		}
	}
	if p.Custody != nil {
		walk(p.Custody.When, "custody", nil)
	}
	walk(p.Population, "population", nil)
	for i := range p.DeferTo {
		walk(p.DeferTo[i].When, p.DeferTo[i].ID, nil)
	}
	date("expires", nil, &p.Expires)
	for i := range p.Overrides {
		date(p.Overrides[i].ID+": from", p.Overrides[i].Waives, &p.Overrides[i].From)
		date(p.Overrides[i].ID+": until", p.Overrides[i].Waives, &p.Overrides[i].Until)
	}
	if c := p.Choose; c != nil {
		add := func(name string, do, undo func()) { out = append(out, mutant{p, "choose: " + name, nil, do, undo}) }
		old := c.Order
		add("dropped", func() { p.Choose = nil }, func() { p.Choose = c })
		for i := range old {
			if len(old) > 1 {
				add("without "+old[i], func() { c.Order = slices.Delete(slices.Clone(old), i, i+1) }, func() { c.Order = old })
			}
			if i > 0 {
				add(old[i]+" before "+old[i-1], func() {
					c.Order = slices.Clone(old)
					c.Order[i-1], c.Order[i] = c.Order[i], c.Order[i-1]
				}, func() { c.Order = old })
			}
		}
	}
	walk(p.Criteria, "criteria", nil)
	for _, part := range []struct {
		name string
		list []rules.Consequence
	}{{"allows", p.Allows}, {"follow_up", p.FollowUp}} {
		for i, c := range part.list {
			at := fmt.Sprintf("%s/%d", part.name, i)
			walk(c.If, at+"/if", nil)
			for _, x := range dueChanges(c.Due) {
				out = append(out, mutant{p, at + "/due: " + x.name, nil, x.do, x.undo})
			}
		}
	}
	for i, x := range p.Prompts {
		walk(x.If, fmt.Sprintf("prompts/%d/if", i), nil)
	}
	return out
}

// dueChanges moves each end of a due date by one of its unit.
func dueChanges(due *rules.Due) []change {
	var out []change
	if due == nil {
		return nil
	}
	for _, end := range []struct {
		key string
		q   *rules.Quantity
	}{{"at_least", due.AtLeast}, {"at_or_below", due.AtOrBelow}} {
		if end.q == nil {
			continue
		}
		q, old := end.q, end.q.Rat
		for _, sign := range []int64{-1, 1} {
			moved := new(big.Rat).Add(old, big.NewRat(sign, 1))
			out = append(out, change{end.key + " " + moved.RatString() + " " + q.Unit, func() { q.Rat = moved }, func() { q.Rat = old }})
		}
	}
	return out
}

// unitChanges reads each figure in every other unit in which a limit of its
// fact may stand.
func unitChanges(n *rules.Node) []change {
	var out []change
	def, ok := rules.Lookup(n.Fact)
	if !ok {
		return nil
	}
	units := append([]string{def.Unit}, def.Units...)
	if def.Type == rules.TypeDuration {
		units = []string{"s", "min", "h"}
	}
	for _, l := range []struct {
		key string
		qs  rules.Quantities
	}{{"at_or_below", n.AtOrBelow}, {"below", n.Below}, {"at_least", n.AtLeast}, {"more_than", n.MoreThan}, {"equal_to", n.EqualTo}} {
		for i := range l.qs {
			q, old := &l.qs[i], l.qs[i]
			if old.Rat.Sign() == 0 {
				continue // zero is the same in every unit
			}
			for _, u := range units {
				if u == old.Unit || slices.ContainsFunc(l.qs, func(q rules.Quantity) bool { return q.Unit == u }) {
					continue
				}
				number, _, _ := strings.Cut(old.Text, " ")
				to := rules.Quantity{Text: number + " " + u, Rat: old.Rat, Unit: u}
				out = append(out, change{l.key + " read in " + u, func() { *q = to }, func() { *q = old }})
			}
		}
		if len(l.qs) == 2 && l.qs[0].Unit != l.qs[1].Unit {
			qs := l.qs
			turn := func() { qs[0].Rat, qs[1].Rat = qs[1].Rat, qs[0].Rat }
			out = append(out, change{l.key + " units exchanged", turn, turn})
		}
		// A share in percent that is read as the fraction, and the other way round.
		for i := range l.qs {
			if q := &l.qs[i]; def.Unit == "" && def.Param == "spo2" && q.Rat.Sign() != 0 {
				old := q.Rat
				out = append(out, change{l.key + " read as percent", func() { q.Rat = new(big.Rat).Quo(old, big.NewRat(100, 1)) }, func() { q.Rat = old }})
			}
		}
	}
	return out
}

// equivalents are the mutants that no case can tell, each with its reason.
func equivalents(t *testing.T) map[string]string {
	t.Helper()
	data, err := os.ReadFile("testdata/equivalent-mutants.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var list []struct{ Mutant, Reason string }
	if err := yaml.Unmarshal(data, &list); err != nil {
		t.Fatal(err)
	}
	out := map[string]string{}
	for _, e := range list {
		if e.Mutant == "" || len(e.Reason) < 20 || out[e.Mutant] != "" {
			t.Errorf("equivalent-mutants.yaml: %q: expected each mutant once, with the reason why no case can tell it", e.Mutant)
		}
		out[e.Mutant] = e.Reason
	}
	return out
}

// mutate tries the mutants that choose keeps, prints the score and fails for
// each survivor that is not listed as equivalent, and for each that is listed
// and does not survive.
func mutate(t *testing.T, choose func(m mutant) bool) {
	lib, err := rules.Load(os.DirFS("packs")) // a library of our own, because it is changed
	if err != nil {
		t.Fatal(err)
	}
	equal := equivalents(t)
	var mu sync.Mutex
	tried, killed, excused := 0, 0, 0
	known := map[string]bool{}
	var work sync.WaitGroup
	slots := make(chan bool, 2)
	for _, r := range lib.Regions() {
		for _, p := range lib.History(r.Region) {
			work.Go(func() {
				slots <- true
				defer func() { <-slots }()
				cases := criteria.ReadCases(p, p.Cases, p.CasesFile)
				if cases.Fails(p) {
					t.Errorf("%s: a case fails before anything is changed", p.CasesFile)
					return
				}
				for _, m := range mutants(p) {
					mu.Lock()
					known[m.place()] = true
					chosen := choose(m)
					mu.Unlock()
					if !chosen {
						continue
					}
					naming, rest := cases.Split(m.ids...)
					if m.ids == nil {
						naming, rest = cases.Following()
					}
					m.do()
					changed := *p // an engine may keep what it has worked out of a pack
					dead := naming.Fails(&changed) || rest.Fails(&changed)
					m.undo()
					mu.Lock()
					tried++
					reason := equal[m.place()]
					switch {
					case dead && reason != "":
						t.Errorf("%s: listed as equivalent (%s), and a case fails; delete it from equivalent-mutants.yaml", m.place(), reason)
					case dead:
						killed++
					case reason != "":
						excused++
					default:
						t.Errorf("survivor: %s: expected a case that fails, found none; add one that tells the two apart", m.place())
					}
					mu.Unlock()
				}
			})
		}
	}
	work.Wait()
	for place := range equal {
		if !known[place] {
			t.Errorf("equivalent-mutants.yaml: %s: no such mutant; delete it", place)
		}
	}
	if tried == 0 {
		t.Error("no mutant was tried")
	}
	t.Logf("mutation score: %d of %d mutants killed, %d equivalent, %d survive (%d mutants in all)", killed, tried, excused, tried-killed-excused, len(known))
}

// A sample of the mutants, the same each time; TestLongMutation tries all.
func TestMutationSample(t *testing.T) {
	one := uint32(10) // of so many
	if raced {
		one = 80
	}
	mutate(t, func(m mutant) bool {
		h := fnv.New32a()
		h.Write([]byte(m.place()))
		return h.Sum32()%one == 0
	})
}
