package criteria

import (
	"cmp"
	"math/big"
	"slices"

	"airwarrant/rules"
)

// evaluation is one tree of clauses on one set of facts.
type evaluation struct {
	source
	*layout
	conf   Confirmations
	root   *rules.Node
	leaves []*leaf     // in pack order, gates before what they gate
	leafOf []*leaf     // by place in layout.nodes; nil of what has parts
	vars   []*variable // ordered as the vocabulary

	d      *diagram
	result []ref  // value of every node, gates too, by place in layout.nodes
	open   ref    // whether the criteria are for this case: not met where they are not
	away   []bool // clauses inside one that does not apply
	// relevant holds the clauses that apply on the stated facts: no gate around
	// them hangs on an answer.
	relevant []bool
	outcome  ref // of the root, with not applicable read as undetermined
	// approximate says that the diagram grew too large and plain three-valued
	// logic was used: absent facts are undetermined one by one.
	approximate bool
}

// leaf is a clause that compares, with what is known of its fact.
type leaf struct {
	node *rules.Node
	def  *rules.FactDef // nil for an unsettled leaf
	// readings holds what it reads: one reading, or two where each sample of
	// a recording is to be read both without rounding and half up.
	readings []use
	fixed    bool // its value does not hang on a fact
	value    int  // if fixed
}

// use is one reading of a leaf with the value that each cell gives it.
type use struct {
	*reading         // shared by all that read the same, and never changed
	limits   []limit // comparators in the unit of the reading
	mode     string  // rounding when the value is compared
	place    int     // of the leaf among the leaves
	v        *variable
	verdict  int   // where the reading is one point
	table    []ref // value for each cell of v; shared, and never changed
}

// variable is a fact (with its parameter) whose value is not known.
type variable struct {
	index int // in evaluation.vars
	slot  int // in layout.slots
	key   varKey
	*reading
	users []*use
	nodes []*rules.Node // leaf of each user
	cells int
}

type varKey struct {
	order   int // of the vocabulary
	param   string
	rounded bool
}

// cell is a representative of a cell.
type cell struct {
	num  *big.Rat
	word string
}

func newEvaluation(p *rules.Pack, root *rules.Node, f Facts, barred bool, conf Confirmations) *evaluation {
	e := &evaluation{source: source{pack: p, facts: f, barred: barred}, conf: conf, root: root}
	e.layout = e.layoutOf(root, conf)
	e.readLeaves()
	e.run(maxNodes)
	return e
}

// release gives back what the evaluation worked with, which then says nothing
// any more.
func (e *evaluation) release() {
	e.d.release()
	e.d = nil
}

// at is the place of a clause of the tree.
func (e *evaluation) at(n *rules.Node) int {
	i, ok := e.index[n]
	if !ok {
		panic("criteria: a clause of another tree")
	}
	return i
}

// valueOf is the diagram of a clause with its gate.
func (e *evaluation) valueOf(n *rules.Node) ref { return e.result[e.at(n)] }

// leafAt is the leaf that a clause is, nil of one that has parts.
func (e *evaluation) leafAt(n *rules.Node) *leaf { return e.leafOf[e.at(n)] }

// isAway says that a clause stands inside one that does not apply.
func (e *evaluation) isAway(n *rules.Node) bool { return e.away[e.at(n)] }

// isRelevant says that no gate around a clause hangs on an answer.
func (e *evaluation) isRelevant(n *rules.Node) bool { return e.relevant[e.at(n)] }

// run builds the diagram of the root, and falls back to plain three-valued
// logic where it would hold more than limit nodes.
func (e *evaluation) run(limit int) {
	e.d, e.approximate = newDiagram(limit), false
	e.build()
	if e.d.full {
		e.d.release()
		e.d, e.approximate = newDiagram(limit), true
		e.build()
	}
}

func (e *evaluation) build() {
	e.result = make([]ref, len(e.nodes))
	e.open, e.outcome = e.whole(e.d, e.result, nil)
	e.away, e.relevant = make([]bool, len(e.nodes)), make([]bool, len(e.nodes))
	for _, s := range e.scope {
		e.depart(s.when, false, true)
	}
	e.depart(e.root, e.open == value(vNotMet), true)
}

// depart marks the parts of clauses whose gate is shut: whatever they would
// be by themselves, they do not apply. It marks as relevant what no gate
// leaves open.
func (e *evaluation) depart(n *rules.Node, away, relevant bool) {
	i := e.at(n)
	e.away[i] = away
	for _, g := range e.gates[n] {
		e.depart(g, away, relevant)
		away = away || e.shuts(g)
		relevant = relevant && e.valueOf(g).isValue() && !e.shuts(g)
	}
	e.relevant[i] = relevant && e.valueOf(n).isValue()
	for _, c := range n.Children() {
		e.depart(c, away, relevant)
	}
}

// shuts reports whether a gate makes what is behind it not apply.
func (e *evaluation) shuts(g *rules.Node) bool {
	return e.valueOf(g) == value(vNotMet) || e.valueOf(g) == value(vNotApplicable)
}

// readLeaves makes the leaves, and a variable of each fact that they leave open.
func (e *evaluation) readLeaves() {
	leaves := make([]leaf, len(e.layout.leaves))
	e.leaves = make([]*leaf, len(leaves))
	e.leafOf = make([]*leaf, len(e.nodes))
	open := make([]*variable, len(e.slots))
	m := maker{e: e, found: make([]*reading, len(e.slots)), uses: make([]use, 0, e.layout.uses)}
	for i := range e.layout.leaves {
		at, l := &e.layout.leaves[i], &leaves[i]
		e.leaves[i] = l
		e.leafOf[at.at] = l
		m.fill(l, at)
		if l.fixed {
			continue
		}
		n := at.node
		for j := range l.readings {
			u := &l.readings[j]
			u.place = i
			if u.point() {
				u.verdict = u.at(n, cell{u.lo, u.word()})
				continue
			}
			rounded := j == 1 || u.mode == readHalfUp && perSample(l.def)
			if rounded && e.night() == nil {
				// A report is mostly one figure however samples are read, and what is
				// absent is one question.
				plain := m.read(at, false)
				rounded = !sameEnd(plain.lo, u.lo) || !sameEnd(plain.hi, u.hi)
			}
			slot := at.slots[boolRank(rounded)]
			v := open[slot]
			if v == nil {
				v = &variable{slot: slot, key: e.slots[slot], reading: u.reading}
				open[slot] = v
			}
			u.v = v
			v.users, v.nodes = append(v.users, u), append(v.nodes, n)
		}
	}
	for _, v := range open {
		if v == nil {
			continue
		}
		v.index = len(e.vars)
		e.vars = append(e.vars, v)
		t := e.cells(v)
		v.cells = t.cells
		for i, u := range v.users {
			u.table = t.users[i]
		}
	}
}

// sameEnd compares two ends of ranges, nil for an open one.
func sameEnd(a, b *big.Rat) bool {
	return a == b || a != nil && b != nil && a.Cmp(b) == 0
}

func (r *reading) word() string {
	if len(r.words) == 1 {
		return r.words[0]
	}
	return ""
}

// perSample says that rounding applies to the samples of a recording, not to
// the measure itself.
func perSample(d *rules.FactDef) bool { return d.Level && d.Param != "" }

// param returns the level or fall that a leaf names.
func param(n *rules.Node, d *rules.FactDef) *big.Rat {
	switch {
	case d.Param == "spo2" && n.SpO2 != nil:
		return n.SpO2.Rat
	case d.Param == "points" && n.Points != nil:
		return n.Points.Rat
	}
	return nil
}

// maker makes the leaves of an evaluation, and reads each fact once for all
// of them.
type maker struct {
	e     *evaluation
	found []*reading // by place in layout.slots
	uses  []use      // room for the readings of all leaves
}

// read returns the possible values of the fact of a leaf.
func (m *maker) read(at *leafPlace, rounded bool) *reading {
	slot := at.slots[boolRank(rounded)]
	if m.found[slot] == nil {
		r, _ := m.e.read(at.def, at.param, rounded)
		m.found[slot] = &r
	}
	return m.found[slot]
}

// fill reads what a leaf names and settles what no fact can change.
func (m *maker) fill(l *leaf, at *leafPlace) {
	n, def := at.node, at.def
	l.node, l.def = n, def
	fix := func(v int) { l.fixed, l.value = true, v }
	if def == nil {
		fix(vUnclear) // its text is unsettled; of a fact that is not in the vocabulary the loader refuses the pack
		return
	}
	mode := cmp.Or(n.Rounding, readNone)
	if def.Level {
		mode = cmp.Or(n.Rounding, m.e.pack.Reading.Level, readNone)
	}
	first := m.read(at, perSample(def) && mode == readHalfUp)
	from := len(m.uses)
	m.uses = append(m.uses, use{reading: first, mode: mode})
	if perSample(def) && mode == readEither {
		m.uses = append(m.uses, use{reading: m.read(at, true), mode: readHalfUp})
	}
	l.readings = m.uses[from:len(m.uses):len(m.uses)]
	switch {
	case n.Known && first.known:
		fix(vMet)
		return
	case n.Known:
		fix(vNotMet)
		return
	case !first.known && n.IfAbsent == "not_applicable",
		!first.known && n.UnlessKnown != "" && m.e.isKnown(n.UnlessKnown):
		fix(vNotApplicable)
		return
	case first.words == nil && !isNumber(def):
		fix(vUnclear) // lists are only known or not
		return
	}
	if !isNumber(def) {
		return
	}
	for i := range l.readings {
		u := &l.readings[i]
		u.reading = u.express(n)
		u.limits = at.limits
		if u.unit != def.Unit {
			u.limits = limits(n, u.unit)
		}
	}
}

func isNumber(d *rules.FactDef) bool {
	switch d.Type {
	case rules.TypeNumber, rules.TypeOxygen, rules.TypeDuration, rules.TypeDate:
		return true
	}
	return false
}

// at compares one possible value.
func (u *use) at(n *rules.Node, c cell) int {
	verdict := func(met bool) int {
		if met {
			return vMet
		}
		return vNotMet
	}
	switch {
	case u.words != nil:
		return verdict(matches(n, c.word))
	case u.def.Type == rules.TypeOxygen && (n.Is != "" || n.OneOf != nil):
		word := "oxygen"
		if c.num.Sign() == 0 {
			word = "room_air"
		}
		return verdict(matches(n, word))
	}
	plain := verdict(meets(u.limits, c.num))
	if u.mode == readNone || perSample(u.def) || !roundable(u.unit) {
		return plain
	}
	if c.num.IsInt() {
		return plain // and rounds to itself
	}
	rounded := verdict(meets(u.limits, halfUp(c.num)))
	if u.mode == readEither {
		return opEither.of(plain, rounded)
	}
	return rounded
}

func boolRank(b bool) int {
	if b {
		return 1
	}
	return 0
}

// signature is what the users make of a value; values with one signature
// share a cell.
func (v *variable) signature(c cell) string {
	sig := make([]byte, len(v.users))
	for i, u := range v.users {
		sig[i] = byte(u.at(v.nodes[i], c))
	}
	return string(sig)
}

func (v *variable) span() (lo, hi *big.Rat) { return v.lo, v.hi }

// signatures lists the cells that a part of the variable's range touches.
func (v *variable) signatures(lo, hi *big.Rat) map[string]bool {
	out := map[string]bool{}
	for _, c := range v.representatives(lo, hi) {
		out[v.signature(c)] = true
	}
	return out
}

// representatives gives a value of every stretch between the edges of the
// comparisons inside [lo, hi], and the edges themselves.
func (v *variable) representatives(lo, hi *big.Rat) []cell {
	var out []cell
	if v.words != nil {
		for _, w := range v.words {
			out = append(out, cell{word: w})
		}
		return out
	}
	points := []*big.Rat{zero}
	for _, u := range v.users {
		points = append(points, edges(u.limits, u.mode != readNone && roundable(u.unit))...)
	}
	points = slices.DeleteFunc(points, func(p *big.Rat) bool {
		return lo != nil && p.Cmp(lo) < 0 || hi != nil && p.Cmp(hi) > 0
	})
	for _, end := range []*big.Rat{lo, hi} {
		if end != nil {
			points = append(points, end)
		}
	}
	slices.SortFunc(points, (*big.Rat).Cmp)
	points = slices.CompactFunc(points, func(a, b *big.Rat) bool { return a.Cmp(b) == 0 })

	add := func(x *big.Rat) { out = append(out, cell{num: x}) }
	next := func(x *big.Rat) *big.Rat { y := floor(x); return y.Add(y, one) }
	before := func(x *big.Rat) *big.Rat { y := ceil(x); return y.Sub(y, one) }
	if lo == nil {
		add(before(points[0]))
	}
	for i, p := range points {
		if !v.whole || p.IsInt() {
			add(p)
		}
		switch {
		case i == len(points)-1:
			if hi == nil {
				add(next(p))
			}
		case v.whole:
			if q := next(p); q.Cmp(points[i+1]) < 0 {
				add(q)
			}
		default:
			m := new(big.Rat).Add(p, points[i+1])
			add(m.Mul(m, half))
		}
	}
	return out
}

// node builds the diagram of a clause with its gate. Where drafts is not nil
// it holds, for each clause whose evidence is not confirmed, the variable that
// stands for what a maintainer may find; otherwise such a clause is undetermined.
func (e *evaluation) node(n *rules.Node, d *diagram, out []ref, drafts map[*rules.Node]int) ref {
	r := e.bare(n, d, out, drafts)
	if e.unconfirmed(n) {
		open := value(vUnclear)
		if i, ok := drafts[n]; ok {
			open = d.decide(i, []ref{value(vNotMet), value(vMet)})
		}
		r = d.apply(opDraft, r, open)
	}
	for _, g := range e.gates[n] {
		r = d.apply(opGate, e.node(g, d, out, drafts), r)
	}
	out[e.at(n)] = r
	return r
}

// unconfirmed says that no fact can decide the clause: its figure is from
// memory and not confirmed, or its text is unsettled.
func (e *evaluation) unconfirmed(n *rules.Node) bool {
	return n.Unsettled != "" || e.unread(n.Status, e.idOf[n])
}

func (e *evaluation) bare(n *rules.Node, d *diagram, out []ref, drafts map[*rules.Node]int) ref {
	if l := e.leafAt(n); l != nil {
		return e.leafRef(l, d)
	}
	op, acc := opAnd, value(vNotApplicable)
	switch {
	case n.AnyOf != nil:
		op = opOr
	case n.NoneOf != nil:
		op = opNone
	case n.NOf != nil:
		op, acc = opCount, value(0)
	}
	for _, c := range n.Children() {
		acc = d.apply(op, acc, e.node(c, d, out, drafts))
	}
	if n.NOf != nil {
		acc = d.apply(opAtLeast, acc, value(n.NOf.N))
	}
	return acc
}

func (e *evaluation) leafRef(l *leaf, d *diagram) ref {
	if l.fixed {
		return value(l.value)
	}
	r := e.useRef(&l.readings[0], d)
	if len(l.readings) == 2 {
		r = d.apply(opEither, r, e.useRef(&l.readings[1], d))
	}
	if l.node.Otherwise == "undetermined" {
		r = d.apply(opOtherwise, r, value(0))
	}
	return r
}

func (e *evaluation) useRef(u *use, d *diagram) ref {
	if u.v == nil {
		return value(u.verdict)
	}
	r := d.decide(u.v.index, u.table)
	if e.approximate && !r.isValue() {
		return value(vUnclear)
	}
	return r
}

// verdict is what a clause is over all completions.
func (e *evaluation) verdict(n *rules.Node) Verdict {
	r := e.valueOf(n)
	switch {
	case e.isAway(n):
		return NotApplicable
	case !r.isValue():
		return Unclear
	}
	return [4]Verdict{vNotMet: NotMet, vMet: Met, vUnclear: Unclear, vNotApplicable: NotApplicable}[r.value()]
}

// variables returns the indexes of the variables that a leaf reads.
func (l *leaf) variables() []int {
	var out []int
	for _, u := range l.readings {
		if u.v != nil {
			out = append(out, u.v.index)
		}
	}
	return out
}
