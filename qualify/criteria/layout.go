package criteria

import (
	"cmp"
	"encoding/binary"
	"math/big"
	"runtime"
	"slices"
	"sync"
	"weak"

	"airwarrant/rules"
)

// layout is what an evaluation of a tree of clauses has that hangs on no fact:
// it is made once for a tree and read by all evaluations of it.
type layout struct {
	nodes []*rules.Node       // gates before what they gate, conditions of the whole pack first
	index map[*rules.Node]int // place in nodes
	idOf  map[*rules.Node]string
	gates map[*rules.Node][]*rules.Node
	// calendar holds, for each gate that dates make, why a clause behind it
	// does not apply.
	calendar map[*rules.Node]func(rules.Language) string
	scope    []scoped    // conditions of the pack as a whole; none where root is not its criteria
	leaves   []leafPlace // in pack order
	uses     int         // readings of the leaves, at most
	slots    []varKey    // what the leaves may ask, ordered as the vocabulary

	mu    sync.Mutex
	blank map[string]*cellTable // the cells of facts of which nothing is known
}

// leafPlace is a leaf without facts.
type leafPlace struct {
	node   *rules.Node
	at     int            // place in layout.nodes
	def    *rules.FactDef // nil for an unsettled leaf
	param  *big.Rat       // zero where it names none
	slots  [2]int         // in layout.slots: as it is, and read half up
	limits []limit        // in the unit of the vocabulary
}

// cellTable is how a variable falls into cells.
type cellTable struct {
	lo, hi *big.Rat // the range that was cut
	cells  int
	users  [][]ref // value for each cell, by user
}

// layouts holds the layouts of a pack, by tree.
type layouts struct {
	mu   sync.Mutex
	made map[layoutKey]*layout
}

// layoutKey names a tree of a pack and the overrides that act on it.
type layoutKey struct {
	root      *rules.Node
	overrides string
}

// byPack maps a pack to its layouts, for as long as the pack is in use: a
// layout holds the clauses, and never the pack.
var byPack sync.Map // weak.Pointer[rules.Pack] to *layouts

// layoutOf returns the layout of a tree, which belongs to the pack and is not
// changed once it has been evaluated.
func (s *source) layoutOf(root *rules.Node, conf Confirmations) *layout {
	key := weak.Make(s.pack)
	kept, ok := byPack.Load(key)
	if !ok {
		var loaded bool
		if kept, loaded = byPack.LoadOrStore(key, &layouts{made: map[layoutKey]*layout{}}); !loaded {
			runtime.AddCleanup(s.pack, func(key weak.Pointer[rules.Pack]) { byPack.Delete(key) }, key)
		}
	}
	all := kept.(*layouts)
	acting := make([]byte, 0, 8)
	for _, o := range s.pack.Overrides {
		acting = append(acting, byte(boolRank(!unread(conf, o.Status, o.ID))))
	}
	k := layoutKey{root, string(acting)}
	all.mu.Lock()
	defer all.mu.Unlock()
	lay := all.made[k]
	if lay == nil {
		lay = newLayout(s.pack, root, conf)
		all.made[k] = lay
	}
	return lay
}

func newLayout(p *rules.Pack, root *rules.Node, conf Confirmations) *layout {
	lay := &layout{index: map[*rules.Node]int{}, idOf: map[*rules.Node]string{}, gates: map[*rules.Node][]*rules.Node{},
		calendar: map[*rules.Node]func(rules.Language) string{}, blank: map[string]*cellTable{}}
	if root == p.Criteria {
		lay.scopes(p)
		for _, s := range lay.scope {
			lay.collect(p, s.when, s.id, conf)
		}
	}
	lay.collect(p, root, root.ID, conf)
	lay.arrange()
	return lay
}

// collect lists the clauses of a tree; owner is the id of the clause around it.
func (lay *layout) collect(p *rules.Pack, n *rules.Node, owner string, conf Confirmations) {
	id := cmp.Or(n.ID, owner)
	lay.idOf[n] = id
	lay.index[n] = len(lay.nodes)
	lay.nodes = append(lay.nodes, n)
	if n.AppliesWhen != nil {
		lay.gates[n] = append(lay.gates[n], n.AppliesWhen)
	}
	lay.gates[n] = append(lay.gates[n], lay.periods(p, n, conf)...)
	for _, g := range lay.gates[n] {
		lay.collect(p, g, id, conf)
	}
	if parts := n.Children(); parts != nil {
		for _, c := range parts {
			lay.collect(p, c, id, conf)
		}
		return
	}
	l := leafPlace{node: n, at: lay.index[n], param: zero}
	if def, ok := definition(n.Fact); ok && n.Unsettled == "" {
		l.def = def
		if at := param(n, def); at != nil {
			l.param = at
		}
		lay.uses++
		if perSample(def) {
			lay.uses++ // where each sample is to be read both ways
		}
		if isNumber(def) {
			l.limits = limits(n, def.Unit)
		}
	}
	lay.leaves = append(lay.leaves, l)
}

// arrange lists what the leaves may ask.
func (lay *layout) arrange() {
	keyOf := func(l *leafPlace, rounded bool) varKey {
		k := varKey{order: vocabularyIndex[l.def.Name], rounded: rounded}
		if at := param(l.node, l.def); at != nil {
			k.param = at.RatString()
		}
		return k
	}
	known := map[varKey]int{}
	for i := range lay.leaves {
		if l := &lay.leaves[i]; l.def != nil {
			known[keyOf(l, false)], known[keyOf(l, true)] = 0, 0
		}
	}
	for k := range known {
		lay.slots = append(lay.slots, k)
	}
	slices.SortFunc(lay.slots, func(a, b varKey) int {
		return cmp.Or(cmp.Compare(a.order, b.order), cmp.Compare(a.param, b.param), boolRank(a.rounded)-boolRank(b.rounded))
	})
	for i, k := range lay.slots {
		known[k] = i
	}
	for i := range lay.leaves {
		if l := &lay.leaves[i]; l.def != nil {
			l.slots = [2]int{known[keyOf(l, false)], known[keyOf(l, true)]}
		}
	}
}

// cells returns how v falls into cells. Those of a fact of which nothing is
// known are kept: they hang on who reads it, and how.
func (lay *layout) cells(v *variable) *cellTable {
	for _, u := range v.users {
		if u.known {
			return v.cut()
		}
	}
	key := make([]byte, 0, 64)
	key = binary.AppendUvarint(key, uint64(v.slot))
	for _, u := range v.users {
		key = binary.AppendUvarint(key, uint64(u.place))
		key = append(append(key, u.mode...), ' ')
	}
	key = append(key, v.unit...)
	lay.mu.Lock()
	t := lay.blank[string(key)]
	lay.mu.Unlock()
	if t != nil && sameEnd(t.lo, v.lo) && sameEnd(t.hi, v.hi) {
		return t
	}
	found := v.cut()
	if t == nil {
		lay.mu.Lock()
		lay.blank[string(key)] = found
		lay.mu.Unlock()
	}
	return found
}

// cut splits the range of a variable into cells: values that its users read
// alike share one.
func (v *variable) cut() *cellTable {
	t := &cellTable{lo: v.lo, hi: v.hi, users: make([][]ref, len(v.users))}
	seen := map[string]bool{}
	for _, c := range v.representatives(v.span()) {
		sig := v.signature(c)
		if seen[sig] {
			continue
		}
		seen[sig] = true
		t.cells++
		for j := range v.users {
			t.users[j] = append(t.users[j], value(int(sig[j])))
		}
	}
	return t
}
