package criteria

import (
	"testing"
)

// TestThreeValuedTables checks and, or and their drop-out value against the
// strong three-valued tables of Kleene, Introduction to Metamathematics (1952),
// section 64 (from memory); that a part which does not apply drops out is
// design section 7.6.
func TestThreeValuedTables(t *testing.T) {
	const N, M, U, A = vNotMet, vMet, vUnclear, vNotApplicable
	tables := []struct {
		name string
		op   operation
		rows [4][4]int // [a][b] in the order not met, met, unclear, not applicable
	}{
		{"all_of", opAnd, [4][4]int{{N, N, N, N}, {N, M, U, M}, {N, U, U, U}, {N, M, U, A}}},
		{"any_of", opOr, [4][4]int{{N, M, U, N}, {M, M, M, M}, {U, M, U, U}, {N, M, U, A}}},
		{"none_of", opNone, [4][4]int{{N, N, N, N}, {M, N, U, M}, {U, N, U, U}, {M, N, U, A}}},
		{"applies_when", opGate, [4][4]int{{A, A, A, A}, {N, M, U, A}, {U, U, U, A}, {A, A, A, A}}},
		{"two readings", opEither, [4][4]int{{N, U, U, U}, {U, M, U, U}, {U, U, U, U}, {U, U, U, A}}},
	}
	for _, c := range tables {
		d := newDiagram(100)
		for a := range 4 {
			for b := range 4 {
				if got := d.apply(c.op, value(a), value(b)); got != value(c.rows[a][b]) {
					t.Errorf("%s(%d, %d): expected %d, found %d", c.name, a, b, c.rows[a][b], got.value())
				}
			}
		}
	}
}

// TestAtLeastCountsPartsThatApply checks design section 7.6 on tallies.
func TestAtLeastCountsPartsThatApply(t *testing.T) {
	const N, M, U, A = vNotMet, vMet, vUnclear, vNotApplicable
	cases := []struct {
		need  int
		parts []int
		want  int
	}{
		{2, []int{M, M, N}, M}, {2, []int{M, U, N}, U}, {2, []int{M, N, N}, N}, {2, []int{M, A, M}, M},
		{2, []int{M, A, A}, N}, {2, []int{A, A, A}, A}, {1, []int{A, U}, U}, {2, []int{U, A}, U}, {2, []int{U, N}, N},
		{3, []int{M, M, M, U}, M}, {1, nil, A},
	}
	for _, c := range cases {
		acc := 0
		for _, p := range c.parts {
			acc = opCount.of(acc, p)
		}
		if got := opAtLeast.of(acc, c.need); got != c.want {
			t.Errorf("at least %d of %v: expected %d, found %d", c.need, c.parts, c.want, got)
		}
	}
}

// TestDiagramIsReduced checks what makes needs exact: equal functions are one
// node, and a variable that cannot change the value is not below it.
func TestDiagramIsReduced(t *testing.T) {
	d := newDiagram(1000)
	bit := func(i int) ref { return d.decide(i, []ref{value(vNotMet), value(vMet)}) }
	a, b, c := bit(0), bit(1), bit(2)
	left := d.apply(opAnd, a, d.apply(opOr, b, c))
	right := d.apply(opOr, d.apply(opAnd, a, b), d.apply(opAnd, c, a))
	if left != right {
		t.Errorf("and over or: expected one node for both spellings, found %d and %d", left, right)
	}
	none := func(r ref) ref { return d.apply(opNone, value(vNotApplicable), r) }
	if r := d.apply(opOr, b, none(b)); r != value(vMet) {
		t.Errorf("b or not b: expected met, found %v", r)
	}
	absorbed := d.apply(opOr, a, d.apply(opAnd, a, c))
	if s := d.support(absorbed); len(s) != 1 || !s[0] {
		t.Errorf("a or (a and c): expected a alone, found %v", s)
	}
	if r := d.restrict(left, 1, 1); r != a {
		t.Errorf("a and (b or c) where b is met: expected a, found %v", r)
	}
}
