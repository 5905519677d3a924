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
	conf   Confirmations
	root   *rules.Node
	leaves []*leaf // in pack order, gates before what they gate
	leafOf map[*rules.Node]*leaf
	idOf   map[*rules.Node]string // id of a clause; of a gate without one, that of its clause
	gates  map[*rules.Node][]*rules.Node
	// calendar holds, for each gate that dates make, why a clause behind it
	// does not apply.
	calendar map[*rules.Node]string
	scope    []scoped    // conditions of the pack as a whole; none where root is not its criteria
	vars     []*variable // ordered as the vocabulary

	d      *diagram
	result map[*rules.Node]ref  // value of every node, gates too
	open   ref                  // whether the criteria are for this case: not met where they are not
	away   map[*rules.Node]bool // clauses inside one that does not apply
	// relevant holds the clauses that apply on the stated facts: no gate around
	// them hangs on an answer.
	relevant map[*rules.Node]bool
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
	reading
	limits  []limit // comparators in the unit of the reading
	mode    string  // rounding when the value is compared
	v       *variable
	verdict int   // where the reading is one point
	table   []int // value for each cell of v
}

// variable is a fact (with its parameter) whose value is not known.
type variable struct {
	index int
	key   varKey
	reading
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
	e := &evaluation{
		source: source{pack: p, facts: f, barred: barred},
		conf:   conf, root: root,
		leafOf: map[*rules.Node]*leaf{}, idOf: map[*rules.Node]string{}, gates: map[*rules.Node][]*rules.Node{}, calendar: map[*rules.Node]string{},
	}
	byKey := map[varKey]*variable{}
	if root == p.Criteria {
		e.scopes()
		for _, s := range e.scope {
			e.collect(s.when, s.id, byKey)
		}
	}
	e.collect(root, root.ID, byKey)
	e.arrange(byKey)
	e.run(maxNodes)
	return e
}

// run builds the diagram of the root, and falls back to plain three-valued
// logic where it would hold more than limit nodes.
func (e *evaluation) run(limit int) {
	e.d, e.approximate = newDiagram(limit), false
	e.build()
	if e.d.full {
		e.d, e.approximate = newDiagram(limit), true
		e.build()
	}
}

func (e *evaluation) build() {
	e.result = map[*rules.Node]ref{}
	e.open, e.outcome = e.whole(e.d, e.result, nil)
	e.away, e.relevant = map[*rules.Node]bool{}, map[*rules.Node]bool{}
	for _, s := range e.scope {
		e.depart(s.when, false, true)
	}
	e.depart(e.root, e.open == value(vNotMet), true)
}

// depart marks the parts of clauses whose gate is shut: whatever they would
// be by themselves, they do not apply. It marks as relevant what no gate
// leaves open.
func (e *evaluation) depart(n *rules.Node, away, relevant bool) {
	e.away[n] = away
	for _, g := range e.gates[n] {
		e.depart(g, away, relevant)
		away = away || e.shuts(g)
		relevant = relevant && e.result[g].isValue() && !e.shuts(g)
	}
	e.relevant[n] = relevant && e.result[n].isValue()
	for _, c := range n.Children() {
		e.depart(c, away, relevant)
	}
}

// shuts reports whether a gate makes what is behind it not apply.
func (e *evaluation) shuts(g *rules.Node) bool {
	return e.result[g] == value(vNotMet) || e.result[g] == value(vNotApplicable)
}

// collect makes the leaves of a tree; owner is the id of the clause around it.
func (e *evaluation) collect(n *rules.Node, owner string, byKey map[varKey]*variable) {
	id := cmp.Or(n.ID, owner)
	e.idOf[n] = id
	if n.AppliesWhen != nil {
		e.gates[n] = append(e.gates[n], n.AppliesWhen)
	}
	e.gates[n] = append(e.gates[n], e.periods(n)...)
	for _, g := range e.gates[n] {
		e.collect(g, id, byKey)
	}
	if parts := n.Children(); parts != nil {
		for _, c := range parts {
			e.collect(c, id, byKey)
		}
		return
	}
	l := e.leaf(n)
	e.leaves = append(e.leaves, l)
	e.leafOf[n] = l
	if l.fixed {
		return
	}
	for i := range l.readings {
		u := &l.readings[i]
		if u.point() {
			u.verdict = u.at(n, cell{u.lo, u.word()})
			continue
		}
		k := varKey{order: vocabularyIndex[l.def.Name], rounded: i == 1 || u.mode == readHalfUp && perSample(l.def)}
		if p := param(n, l.def); p != nil {
			k.param = p.RatString()
		}
		if k.rounded && e.night() == nil {
			// A report is mostly one figure however samples are read, and what is
			// absent is one question.
			plain, _ := e.read(l.def, param(n, l.def), false)
			k.rounded = !sameEnd(plain.lo, u.lo) || !sameEnd(plain.hi, u.hi)
		}
		v := byKey[k]
		if v == nil {
			v = &variable{key: k, reading: u.reading}
			byKey[k] = v
		}
		u.v = v
		v.users, v.nodes = append(v.users, u), append(v.nodes, n)
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

// leaf reads what a leaf names and settles what no fact can change.
func (e *evaluation) leaf(n *rules.Node) *leaf {
	l := &leaf{node: n}
	settle := func(v int) *leaf { l.fixed, l.value = true, v; return l }
	if n.Unsettled != "" {
		return settle(vUnclear)
	}
	def, ok := definition(n.Fact)
	if !ok {
		return settle(vUnclear) // the loader refuses such a pack
	}
	l.def = def
	p := param(n, def)
	if p == nil {
		p = zero
	}
	mode := cmp.Or(n.Rounding, readNone)
	if def.Level {
		mode = cmp.Or(n.Rounding, e.pack.Reading.Level, readNone)
	}
	first, _ := e.read(def, p, perSample(def) && mode == readHalfUp)
	l.readings = []use{{reading: first, mode: mode}}
	if perSample(def) && mode == readEither {
		second, _ := e.read(def, p, true)
		l.readings = append(l.readings, use{reading: second, mode: readHalfUp})
	}
	switch {
	case n.Known && first.known:
		return settle(vMet)
	case n.Known:
		return settle(vNotMet)
	case !first.known && n.IfAbsent == "not_applicable",
		!first.known && n.UnlessKnown != "" && e.isKnown(n.UnlessKnown):
		return settle(vNotApplicable)
	case first.words == nil && !isNumber(def):
		return settle(vUnclear) // lists are only known or not
	}
	for i := range l.readings {
		u := &l.readings[i]
		if isNumber(def) {
			u.express(n)
			u.limits = limits(n, u.unit)
		}
	}
	return l
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
	rounded := verdict(meets(u.limits, halfUp(c.num)))
	if u.mode == readEither {
		return opEither.of(plain, rounded)
	}
	return rounded
}

// arrange orders the variables and splits each into cells.
func (e *evaluation) arrange(byKey map[varKey]*variable) {
	for _, v := range byKey {
		e.vars = append(e.vars, v)
	}
	slices.SortFunc(e.vars, func(a, b *variable) int {
		return cmp.Or(cmp.Compare(a.key.order, b.key.order), cmp.Compare(a.key.param, b.key.param), boolRank(a.key.rounded)-boolRank(b.key.rounded))
	})
	for i, v := range e.vars {
		v.index = i
		for _, u := range v.users {
			u.table = nil
		}
		seen := map[string]bool{}
		for _, c := range v.representatives(v.span()) {
			sig := v.signature(c)
			if seen[sig] {
				continue
			}
			seen[sig] = true
			v.cells++
			for j, u := range v.users {
				u.table = append(u.table, int(sig[j]))
			}
		}
	}
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
func (e *evaluation) node(n *rules.Node, d *diagram, out map[*rules.Node]ref, drafts map[*rules.Node]int) ref {
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
	out[n] = r
	return r
}

// unconfirmed says that no fact can decide the clause: its figure is from
// memory and not confirmed, or its text is unsettled.
func (e *evaluation) unconfirmed(n *rules.Node) bool {
	return n.Unsettled != "" || e.unread(n.Status, e.idOf[n])
}

func (e *evaluation) bare(n *rules.Node, d *diagram, out map[*rules.Node]ref, drafts map[*rules.Node]int) ref {
	if l := e.leafOf[n]; l != nil {
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
	kids := make([]ref, u.v.cells)
	for i, t := range u.table {
		kids[i] = value(t)
	}
	r := d.decide(u.v.index, kids)
	if e.approximate && !r.isValue() {
		return value(vUnclear)
	}
	return r
}

// verdict is what a clause is over all completions.
func (e *evaluation) verdict(n *rules.Node) Verdict {
	r := e.result[n]
	switch {
	case e.away[n]:
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
