package criteria

import (
	"encoding/binary"
	"math"
	"slices"
	"sync"
)

// The values of a clause inside a diagram.
const (
	vNotMet = iota
	vMet
	vUnclear // draft, unsettled, or the document does not say: no fact can settle it
	vNotApplicable
)

// ref points at a node of a diagram, or is a value: the complement of a
// number from 0.
type ref int32

func value(v int) ref       { return ref(^v) }
func (r ref) isValue() bool { return r < 0 }
func (r ref) value() int    { return int(^r) }

// decision is a node: it asks one variable and has a child for each cell.
type decision struct {
	variable int
	kids     []ref
}

// diagram holds reduced ordered decision diagrams over shared nodes. Two
// functions are equal iff their refs are, and a variable occurs below a ref
// iff it can change the value.
type diagram struct {
	nodes  []decision
	unique map[string]ref
	memo   map[memoKey]ref
	limit  int
	full   bool // the limit was hit: results are worthless
	key    []byte
}

type memoKey struct {
	op   operation
	a, b ref
}

// maxNodes bounds a diagram. Packs of the size of a coverage document stay
// far below it, because each fact is read in few places.
const maxNodes = 200_000

// pooled is the size up to which the room of a diagram is used again.
const pooled = 10_000

var diagrams = sync.Pool{New: func() any {
	return &diagram{unique: map[string]ref{}, memo: map[memoKey]ref{}}
}}

func newDiagram(limit int) *diagram {
	d := diagrams.Get().(*diagram)
	d.limit = limit
	return d
}

// release gives the room of a diagram back. None of its refs is valid any more.
func (d *diagram) release() {
	if len(d.nodes) > pooled || len(d.memo) > pooled {
		return
	}
	clear(d.nodes)
	clear(d.unique)
	clear(d.memo)
	d.nodes, d.full = d.nodes[:0], false
	diagrams.Put(d)
}

// decide returns the node that asks variable, or the child if all are equal.
func (d *diagram) decide(variable int, kids []ref) ref {
	same := true
	for _, k := range kids[1:] {
		same = same && k == kids[0]
	}
	if same {
		return kids[0]
	}
	d.key = binary.AppendUvarint(d.key[:0], uint64(variable))
	for _, k := range kids {
		d.key = binary.AppendVarint(d.key, int64(k))
	}
	if r, ok := d.unique[string(d.key)]; ok {
		return r
	}
	if len(d.nodes) >= d.limit {
		d.full = true
		return value(vUnclear)
	}
	r := ref(len(d.nodes))
	d.nodes = append(d.nodes, decision{variable, kids})
	d.unique[string(d.key)] = r
	return r
}

// operation combines two values into one.
type operation uint8

const (
	opAnd       operation = iota // all_of: parts that do not apply drop out
	opOr                         // any_of
	opNone                       // a, then "not b": none_of is all_of of these
	opCount                      // adds b to the tally a
	opAtLeast                    // tally a, needed b
	opGate                       // applies_when a, clause b
	opDraft                      // clause a, what a maintainer may confirm b
	opEither                     // two readings of one leaf
	opOtherwise                  // not met becomes undetermined
	opOutcome                    // not applicable becomes undetermined
)

// A tally packs three counts of parts: met, undetermined, not met.
const (
	tallyUnclear = 1 << 10
	tallyNotMet  = 1 << 20
	tallyMask    = 1<<10 - 1
)

var andRank = [4]int{vNotMet: 0, vUnclear: 1, vMet: 2, vNotApplicable: 3}

func (op operation) of(a, b int) int {
	switch op {
	case opNone:
		switch b {
		case vMet:
			b = vNotMet
		case vNotMet:
			b = vMet
		}
		return opAnd.of(a, b)
	case opAnd:
		if andRank[b] < andRank[a] {
			return b
		}
		return a
	case opOr:
		switch {
		case a == vNotApplicable:
			return b
		case b == vNotApplicable, andRank[a] >= andRank[b]:
			return a
		}
		return b
	case opCount:
		return a + [4]int{vMet: 1, vUnclear: tallyUnclear, vNotMet: tallyNotMet}[b]
	case opAtLeast:
		met, unclear, not := a&tallyMask, a/tallyUnclear&tallyMask, a/tallyNotMet
		switch {
		case met >= b:
			return vMet
		case met+unclear+not == 0:
			return vNotApplicable
		case met+unclear < b && met+not > 0:
			return vNotMet
		}
		return vUnclear
	case opGate:
		switch {
		case a == vNotMet, a == vNotApplicable, b == vNotApplicable:
			return vNotApplicable
		case a == vUnclear:
			return vUnclear
		}
		return b
	case opDraft:
		if a == vNotApplicable {
			return vNotApplicable
		}
		return b
	case opEither:
		if a == b {
			return a
		}
		return vUnclear
	case opOtherwise:
		if a == vNotMet {
			return vUnclear
		}
		return a
	}
	if a == vNotApplicable { // opOutcome
		return vUnclear
	}
	return a
}

// apply combines two diagrams value by value.
func (d *diagram) apply(op operation, a, b ref) ref {
	if a.isValue() && b.isValue() {
		return value(op.of(a.value(), b.value()))
	}
	switch op {
	case opAnd, opOr:
		if a > b {
			a, b = b, a
		}
		dominant := value(vNotMet)
		if op == opOr {
			dominant = value(vMet)
		}
		switch a { // a value, if there is one
		case dominant:
			return a
		case value(vNotApplicable), b:
			return b
		}
	case opGate:
		switch a {
		case value(vNotMet), value(vNotApplicable):
			return value(vNotApplicable)
		case value(vMet):
			return b
		}
	}
	if d.full {
		return value(vUnclear)
	}
	key := memoKey{op, a, b}
	if r, ok := d.memo[key]; ok {
		return r
	}
	top := min(d.variable(a), d.variable(b))
	kids := make([]ref, d.arity(a, b, top))
	for i := range kids {
		kids[i] = d.apply(op, d.kid(a, top, i), d.kid(b, top, i))
	}
	r := d.decide(top, kids)
	d.memo[key] = r
	return r
}

func (d *diagram) variable(r ref) int {
	if r.isValue() {
		return math.MaxInt
	}
	return d.nodes[r].variable
}

func (d *diagram) arity(a, b ref, top int) int {
	if d.variable(a) == top {
		return len(d.nodes[a].kids)
	}
	return len(d.nodes[b].kids)
}

func (d *diagram) kid(r ref, variable, cell int) ref {
	if d.variable(r) == variable {
		return d.nodes[r].kids[cell]
	}
	return r
}

// reach calls visit once for every node below r.
func (d *diagram) reach(r ref, visit func(decision)) {
	seen := make([]bool, len(d.nodes))
	var walk func(ref)
	walk = func(r ref) {
		if r.isValue() || seen[r] {
			return
		}
		seen[r] = true
		visit(d.nodes[r])
		for _, k := range d.nodes[r].kids {
			walk(k)
		}
	}
	walk(r)
}

// reaches reports whether r has the value v in some cell.
func (d *diagram) reaches(r ref, v int) bool {
	found := r == value(v)
	d.reach(r, func(n decision) { found = found || slices.Contains(n.kids, value(v)) })
	return found
}

// support returns the variables that can change the value of r.
func (d *diagram) support(r ref) map[int]bool {
	vars := map[int]bool{}
	d.reach(r, func(n decision) { vars[n.variable] = true })
	return vars
}

func (d *diagram) size(r ref) int {
	n := 0
	d.reach(r, func(decision) { n++ })
	return n
}

// restrict returns r with the variable held in one cell.
func (d *diagram) restrict(r ref, variable, cell int) ref {
	done := make([]ref, len(d.nodes)) // index of the result plus one, or the value
	var walk func(ref) ref
	walk = func(r ref) ref {
		if d.variable(r) > variable {
			return r
		}
		if d.variable(r) == variable {
			return d.nodes[r].kids[cell]
		}
		if s := done[r]; s != 0 {
			return s - boolRef(s > 0)
		}
		kids := make([]ref, len(d.nodes[r].kids))
		for i, k := range d.nodes[r].kids {
			kids[i] = walk(k)
		}
		s := d.decide(d.nodes[r].variable, kids)
		done[r] = s + boolRef(s >= 0)
		return s
	}
	return walk(r)
}

func boolRef(b bool) ref {
	if b {
		return 1
	}
	return 0
}
