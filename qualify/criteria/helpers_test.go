package criteria

import (
	"math/big"
	"testing"

	"airwarrant/qualify/analysis"
	"airwarrant/rules"
)

// quantities reads figures of a pack literal.
func quantities(t testing.TB, texts ...string) rules.Quantities {
	t.Helper()
	var qs rules.Quantities
	for _, s := range texts {
		qs = append(qs, *quantity(t, s))
	}
	return qs
}

func quantity(t testing.TB, s string) *rules.Quantity {
	t.Helper()
	q, err := rules.ParseQuantity(s)
	if err != nil {
		t.Fatal(err)
	}
	return &q
}

func rat(t testing.TB, s string) *big.Rat {
	t.Helper()
	x, ok := new(big.Rat).SetString(s)
	if !ok {
		t.Fatalf("%q is no number", s)
	}
	return x
}

// clause is a verified leaf; change fills in the comparison.
func clause(id, fact string, change func(*rules.Node)) *rules.Node {
	n := &rules.Node{ID: id, Label: "label of " + id, Fact: fact, Status: rules.Verified, Cite: []string{"doc"}}
	if change != nil {
		change(n)
	}
	return n
}

func yes(id, fact string) *rules.Node {
	return clause(id, fact, func(n *rules.Node) { n.Is = "true" })
}

func group(id string) *rules.Node { return &rules.Node{ID: id, Label: "label of " + id} }

func allOf(id string, parts ...*rules.Node) *rules.Node {
	n := group(id)
	n.AllOf = parts
	return n
}

func anyOf(id string, parts ...*rules.Node) *rules.Node {
	n := group(id)
	n.AnyOf = parts
	return n
}

// packOf is a pack of an invented payer around a tree.
func packOf(root *rules.Node) *rules.Pack {
	return &rules.Pack{
		Region: rules.Region{Region: "xx-test", Name: "Test"}, Title: "Invented criteria",
		EffectiveFrom: rules.Date{Year: 2030, Month: 1, Day: 1}, SHA256: "00",
		Cites:    map[string]rules.Citation{"doc": {Document: "Example Coverage Notice", Section: "4.2", Edition: "2030"}},
		Criteria: root,
	}
}

// stated parses facts as a person would type them.
func stated(t testing.TB, facts map[string]string) map[string]Fact {
	t.Helper()
	out := map[string]Fact{}
	for name, text := range facts {
		f, err := ParseValue(name, text)
		if err != nil {
			t.Fatal(err)
		}
		out[name] = f
	}
	return out
}

// night is the analysis of a profile as case files write it.
func night(t testing.TB, s string) *analysis.Analysis {
	t.Helper()
	steps, f := profile(s)
	if f != nil {
		t.Fatal(f)
	}
	a := analysis.FromProfile(steps)
	if a == nil {
		t.Fatalf("profile %q gives no analysis", s)
	}
	return a
}

// minutesAt88 is the clause "at least so much time at or below 88 %".
func minutesAt88(t testing.TB, id, atLeast string) *rules.Node {
	return clause(id, "time_at_or_below", func(n *rules.Node) {
		n.SpO2, n.AtLeast = quantity(t, "88 %"), quantities(t, atLeast)
	})
}

// findingOf looks a clause up in a determination.
func findingOf(t testing.TB, d Determination, id string) Finding {
	t.Helper()
	var found *Finding
	var walk func(fs []Finding)
	walk = func(fs []Finding) {
		for i := range fs {
			if fs[i].ID == id {
				found = &fs[i]
			}
			walk(fs[i].Parts)
		}
	}
	walk(d.Clauses)
	if found == nil {
		t.Fatalf("no finding %s", id)
	}
	return *found
}

// asksOf lists the facts asked, in order.
func asksOf(d Determination) []string {
	out := []string{}
	for _, n := range d.Needs {
		out = append(out, n.Fact)
	}
	return out
}
