package rules

import (
	"fmt"
	"maps"
	"math/big"
	"reflect"
	"slices"
	"strings"

	"github.com/goccy/go-yaml/ast"

	"airwarrant/rules/wording"
)

func sortedKeys[V any](m map[string]V) []string { return slices.Sorted(maps.Keys(m)) }

// check runs what neither YAML nor the validator's tags can say: how keys of a
// clause go together, the vocabulary, and what refers to what.
func (d *document) check(p *Pack, effective Date) {
	var top *step
	if !p.EffectiveFrom.IsZero() && p.EffectiveFrom != effective {
		d.fault(top.in("effective_from"), said("the date of the file's name, %s", effective.String()), literal(p.EffectiveFrom.String()), said("make the two equal"))
	}
	if p.Withdrawn && p.Criteria != nil {
		d.fault(top.in("criteria"), said("no criteria in a withdrawn version"), literal("criteria"), said("delete them, or delete withdrawn: true"))
	}
	if q := p.Reading.ReportLevel; q != nil {
		d.level(top.in("reading").in("report_level"), q)
	}
	d.time(top.in("reading").in("short_below"), p.Reading.ShortBelow, "120 min")
	d.time(top.in("reading").in("leg_hold"), p.Reading.LegHold, "10 s")
	if p.Choose != nil {
		d.cited(p, top.in("choose").in("cite"), p.Choose.Cite)
		for i, w := range p.Choose.Order {
			d.once(top.in("choose").in("order").at(i), w, p.Choose.Order[:i])
		}
	}
	ids := map[string]*step{}
	if p.Custody != nil {
		at := top.in("custody").in("accepts")
		for i, w := range p.Custody.Accepts {
			d.word(at.at(i), w, custodyWords)
			d.once(at.at(i), w, p.Custody.Accepts[:i])
		}
		d.cited(p, top.in("custody").in("cite"), p.Custody.Cite)
	}
	clauses := map[string]bool{}
	p.visit(func(n *Node, at *step, gate bool) {
		d.id(ids, at.in("id"), n.ID)
		if !gate && n.ID != "" {
			clauses[n.ID] = true
		}
		d.cited(p, at.in("cite"), n.Cite)
		if !d.bad[at.String()] {
			d.node(n, at, gate)
		}
	})
	for i, item := range p.OnFile {
		at := top.in("on_file").at(i)
		d.id(ids, at.in("id"), item.ID)
		d.cited(p, at.in("cite"), item.Cite)
		if def, ok := d.fact(at.in("fact"), item.Fact); ok && def.Type != TypePaper {
			d.fault(at.in("fact"), said("a fact of type paper"), said("%s, a fact of type %s", item.Fact, string(def.Type)), said("use one of: %s", strings.Join(papers(), ", ")))
		}
	}
	d.scope(p, ids, clauses)
	d.consequences(p, top.in("allows"), p.Allows, clauses)
	d.consequences(p, top.in("follow_up"), p.FollowUp, clauses)
	for i, x := range p.Prompts {
		d.cited(p, top.in("prompts").at(i).in("cite"), x.Cite)
	}
	d.unused(p)
}

// time checks a parameter of reading that is a time.
func (d *document) time(at *step, q *Quantity, such string) {
	if q == nil || d.bad[at.String()] {
		return
	}
	if expected := complete(q, FactDef{Type: TypeDuration, Unit: "s"}); !expected.IsZero() {
		d.fault(at, expected, verbatim(q.Text), said("write a time, such as %s", such))
	}
}

// scope checks for whom, how long and under what exceptions a pack holds.
func (d *document) scope(p *Pack, ids map[string]*step, clauses map[string]bool) {
	var top *step
	if p.Population != nil && p.OtherwiseSee == "" && !d.bad["otherwise_see"] {
		d.fault(top.in("otherwise_see"), said("the key %s beside %s", "otherwise_see", "population"), said("none"), hint(reflect.TypeFor[Pack](), "otherwise_see"))
	}
	d.forbid(top, "otherwise_see", p.Population == nil && p.OtherwiseSee != "", said("without a population"))
	switch {
	case p.Expires.IsZero():
		d.forbid(top, "expires_cite", p.ExpiresCite != nil, said("without the day expires"))
	case p.Expires.Before(p.EffectiveFrom):
		d.fault(top.in("expires"), said("a day from effective_from on"), literal(p.Expires.String()), said("mend one of the two"))
	case p.ExpiresCite == nil && !d.bad["expires_cite"]:
		d.fault(top.in("expires_cite"), said("the key %s beside %s", "expires_cite", "expires"), said("none"), hint(reflect.TypeFor[Pack](), "expires_cite"))
	}
	d.cited(p, top.in("expires_cite"), p.ExpiresCite)
	for i, f := range p.DeferTo {
		at := top.in("defer_to").at(i)
		d.id(ids, at.in("id"), f.ID)
		d.cited(p, at.in("cite"), f.Cite)
	}
	names := sortedKeys(clauses)
	for i, o := range p.Overrides {
		at := top.in("overrides").at(i)
		d.id(ids, at.in("id"), o.ID)
		d.cited(p, at.in("cite"), o.Cite)
		d.period(at, "from", o.From, o.Until)
		for j, id := range o.Waives {
			if id != "" && !clauses[id] && len(names) > 0 {
				d.fault(at.in("waives").at(j), said("the id of a clause outside gates"), verbatim(id), didYouMean(id, names))
			}
			d.once(at.in("waives").at(j), id, o.Waives[:j])
		}
	}
}

// period refuses a time that ends before it begins.
func (d *document) period(at *step, first string, from, until Date) {
	if !from.IsZero() && !until.IsZero() && until.Before(from) {
		d.fault(at.in("until"), said("a day on or after %s, %s", first, from.String()), literal(until.String()), said("mend one of the two"))
	}
}

func papers() []string {
	var names []string
	for _, def := range vocabulary {
		if def.Type == TypePaper {
			names = append(names, def.Name)
		}
	}
	return names
}

// id refuses an id that cannot be told in a list, or stands twice.
func (d *document) id(ids map[string]*step, at *step, id string) {
	if id == "" {
		return
	}
	if !namePattern.MatchString(id) {
		d.fault(at, said("an id of letters, digits, - and _"), verbatim(id), said("rename it, such as low-at-rest"))
	}
	if first := ids[id]; first != nil {
		line, _ := position(d.locate(first))
		d.fault(at, said("each id once in a pack"), said("%q, which stands in line %d too", id, line), said("rename one of the two"))
		return
	}
	ids[id] = at
}

func (d *document) cited(p *Pack, at *step, cites []string) {
	names := sortedKeys(p.Cites)
	for i, c := range cites {
		if _, ok := p.Cites[c]; !ok && c != "" && !d.bad["cites"] {
			d.fault(at.at(i), said("a name that stands under cites"), verbatim(c), didYouMean(c, names))
		}
		d.once(at.at(i), c, cites[:i])
	}
}

func (d *document) once(at *step, s string, before []string) {
	if s != "" && slices.Contains(before, s) {
		d.fault(at, said("each entry once"), said("%s a second time", quote(s)), said("delete one of the two"))
	}
}

// unused tells citations that no clause names. What cites could not be read
// whole in a file with other faults, and a withdrawn version cites the
// withdrawal itself.
func (d *document) unused(p *Pack) {
	if len(d.problems) > 0 || p.Withdrawn {
		return
	}
	used := map[string]bool{}
	use := func(cites []string) {
		for _, c := range cites {
			used[c] = true
		}
	}
	p.Walk(func(n *Node, _ bool) { use(n.Cite) })
	if p.Custody != nil {
		use(p.Custody.Cite)
	}
	for _, item := range p.OnFile {
		use(item.Cite)
	}
	for _, c := range slices.Concat(p.Allows, p.FollowUp) {
		use(c.Cite)
	}
	for _, x := range p.Prompts {
		use(x.Cite)
	}
	if p.Choose != nil {
		use(p.Choose.Cite)
	}
	use(p.ExpiresCite)
	for _, f := range p.DeferTo {
		use(f.Cite)
	}
	for _, o := range p.Overrides {
		use(o.Cite)
	}
	for _, name := range sortedKeys(p.Cites) {
		if !used[name] {
			var top *step
			at := top.in("cites").in(name)
			line, column := position(d.keyOf(at))
			d.add(line, column, at.String(), said("a citation that a clause names"), said("%s, which none names", quote(name)), said("cite it where it belongs, or delete it"))
		}
	}
}

func (d *document) consequences(p *Pack, at *step, cs []Consequence, clauses map[string]bool) {
	ids := sortedKeys(clauses)
	for i, c := range cs {
		at := at.at(i)
		d.cited(p, at.in("cite"), c.Cite)
		for _, ref := range []struct{ key, id string }{{"when", c.When}, {"unless", c.Unless}} {
			if ref.id != "" && !clauses[ref.id] && !d.bad[at.String()] && len(ids) > 0 {
				d.fault(at.in(ref.key), said("the id of a clause outside gates"), verbatim(ref.id), didYouMean(ref.id, ids))
			}
		}
		if c.Due != nil && !d.bad[at.in("due").String()] {
			d.due(c.Due, at.in("due"))
		}
	}
}

// longestDue is the largest figure of a due date in each unit: a hundred
// years, so that every date that is computed has a year of four digits.
var longestDue = map[string]*big.Rat{"days": big.NewRat(36525, 1), "weeks": big.NewRat(5217, 1), "months": big.NewRat(1200, 1), "years": big.NewRat(100, 1)}

// dueUnits are the units in which a due date is counted by the calendar.
var dueUnits = []string{"days", "weeks", "months", "years"}

// due checks when a thing falls due.
func (d *document) due(due *Due, at *step) {
	if def, ok := d.fact(at.in("from"), due.From); ok && def.Type != TypeDate {
		d.fault(at.in("from"), said("a fact that is a date"), said("%s, a fact of type %s", due.From, string(def.Type)), said("use one of: %s", strings.Join(dates(), ", ")))
	}
	for _, end := range []struct {
		key string
		q   *Quantity
	}{{"at_least", due.AtLeast}, {"at_or_below", due.AtOrBelow}} {
		at := at.in(end.key)
		switch q := end.q; {
		case q == nil || d.bad[at.String()]:
		case longestDue[q.Unit] == nil:
			d.fault(at, said("a figure in %s", wording.Either(dueUnits)), verbatim(q.Text), said("write it with its unit, such as 90 days"))
		case !q.Rat.IsInt() || q.Rat.Sign() < 0 || q.Rat.Cmp(longestDue[q.Unit]) > 0:
			d.fault(at, said("a whole number from 0 to %s %s", longestDue[q.Unit].RatString(), q.Unit), verbatim(q.Text), said("mend the figure"))
		}
	}
	switch low, high := due.AtLeast, due.AtOrBelow; {
	case low == nil && high == nil:
		d.fault(at, said("at_least, at_or_below or both"), said("neither"), said("say from when, or until when"))
	case low == nil || high == nil || low.Rat == nil || high.Rat == nil:
	case low.Unit != high.Unit:
		d.fault(at.in("at_or_below"), said("both ends in the same unit"), said("%s and %s", low.String(), high.String()), said("write both in one unit"))
	case low.Rat.Cmp(high.Rat) > 0:
		d.fault(at.in("at_or_below"), said("a last day that is not before the first"), said("%s and %s", low.String(), high.String()), said("mend one of the two"))
	}
}

// dates names the facts that are dates.
func dates() []string {
	var names []string
	for _, def := range vocabulary {
		if def.Type == TypeDate {
			names = append(names, def.Name)
		}
	}
	return names
}

// fact looks a name up in the vocabulary and tells an unknown one.
func (d *document) fact(at *step, name string) (FactDef, bool) {
	def, ok := Lookup(name)
	if !ok && name != "" {
		names := make([]string, len(vocabulary))
		for i, v := range vocabulary {
			names[i] = v.Name
		}
		mend := said(`the command "rules facts" lists them`)
		if near := nearest(name, names); near != "" {
			mend = said("did you mean %q?", near)
		}
		d.fault(at, said("a fact of the vocabulary"), verbatim(name), mend)
	}
	return def, ok
}

func (d *document) word(at *step, w string, words []string) {
	if w != "" && !slices.Contains(words, w) {
		d.fault(at, said("one of %s", strings.Join(words, ", ")), verbatim(w), didYouMean(w, words))
	}
}

// require tells a key that a clause has to have.
func (d *document) require(at *step, key string, given bool) {
	if !given {
		d.fault(at.in(key), said("the key %s", key), said("none"), hint(reflect.TypeFor[Node](), key))
	}
}

// forbid tells a key that a clause may not have.
func (d *document) forbid(at *step, key string, given bool, where wording.Text) {
	if given {
		d.key(at.in(key), said("no %s %s", key, where), literal(key), said("delete the key"))
	}
}

// key is fault at the key itself.
func (d *document) key(at *step, expected, found, mend wording.Text) {
	if d.full() {
		return
	}
	line, column := position(d.keyOf(at))
	d.add(line, column, at.String(), expected, found, mend)
}

// node checks one clause.
func (d *document) node(n *Node, at *step, gate bool) {
	kinds := []struct {
		key   string
		given bool
	}{
		{"all_of", n.AllOf != nil}, {"any_of", n.AnyOf != nil}, {"none_of", n.NoneOf != nil},
		{"n_of", n.NOf != nil}, {"fact", n.Fact != ""}, {"unsettled", n.Unsettled != ""},
	}
	var given []string
	for _, k := range kinds {
		if k.given {
			given = append(given, k.key)
		}
	}
	want := said("exactly one of %s", "all_of, any_of, none_of, n_of, fact, unsettled")
	switch len(given) {
	case 0:
		d.fault(at, want, said("none"), said("say what the clause asks for"))
		return
	case 1:
	default:
		d.key(at.in(given[1]), want, allOf(given), said("make a clause of each, inside a group"))
		return
	}
	if !gate {
		d.require(at, "id", n.ID != "")
		d.require(at, "label", n.Label != "" || n.Known)
	}
	d.period(at, "since", n.Since, n.Until)
	if n.NOf != nil && n.NOf.N > len(n.NOf.Of) && len(n.NOf.Of) > 0 {
		d.fault(at.in("n_of").in("n"), said("at most the number of parts, %d", len(n.NOf.Of)), literal(fmt.Sprint(n.NOf.N)), said("write a smaller number, or add parts"))
	}
	d.forbid(at, "ask", n.Ask != "" && n.Unsettled == "", said("without unsettled in the same clause"))
	if def, ok := d.fact(at.in("ask"), n.Ask); ok && def.Settles == "computed" {
		d.fault(at.in("ask"), said("a fact that people state"), said("%s, which is computed", n.Ask), said("name what is stated: %s", strings.Join(def.From, ", ")))
	}
	if n.Fact == "" {
		for _, k := range n.leafKeys() {
			d.forbid(at, k.key, k.given, said("without a fact in the same clause"))
		}
		return
	}
	if def, ok := d.fact(at.in("fact"), n.Fact); ok {
		d.leaf(n, def, at, gate)
	}
}

// allOf names keys, at least one, that stand together.
func allOf(keys []string) wording.Text {
	out := literal(keys[0])
	for _, k := range keys[1:] {
		out = said("%s and %s", out, k)
	}
	return out
}

type givenKey struct {
	key   string
	given bool
}

// leafKeys lists the keys that need a fact beside them.
func (n *Node) leafKeys() []givenKey {
	ks := []givenKey{{"spo2", n.SpO2 != nil}, {"points", n.Points != nil}}
	for _, c := range n.limits() {
		ks = append(ks, givenKey{c.key, c.qs != nil})
	}
	return append(ks, givenKey{"is", n.Is != ""}, givenKey{"one_of", n.OneOf != nil}, givenKey{"known", n.Known},
		givenKey{"rounding", n.Rounding != ""}, givenKey{"if_absent", n.IfAbsent != ""},
		givenKey{"unless_known", n.UnlessKnown != ""}, givenKey{"otherwise", n.Otherwise != ""})
}

// limit is one of the keys that hold figures.
type limit struct {
	key string
	qs  Quantities
}

func (n *Node) limits() []limit {
	return []limit{{"at_least", n.AtLeast}, {"more_than", n.MoreThan}, {"at_or_below", n.AtOrBelow}, {"below", n.Below}, {"equal_to", n.EqualTo}}
}

// leaf checks a clause that reads a fact.
func (d *document) leaf(n *Node, def FactDef, at *step, gate bool) {
	d.comparison(n, def, at)
	d.parameters(n, def, at)
	if !gate && !n.Known {
		d.require(at, "cite", n.Cite != nil)
		d.require(at, "status", n.Status != "")
	}
	if n.Rounding != "" && !def.roundable() {
		d.key(at.in("rounding"), said("rounding of a level that is read or stated"), said("rounding of %s, which is never rounded", n.Fact), said("delete the key"))
	}
	if n.UnlessKnown != "" {
		if _, ok := d.fact(at.in("unless_known"), n.UnlessKnown); ok && n.UnlessKnown == n.Fact {
			d.fault(at.in("unless_known"), said("another fact than the clause reads"), literal(n.UnlessKnown), said("name the fact that stands in for it, or delete the key"))
		}
	}
	if n.Known {
		d.forbid(at, "otherwise", n.Otherwise != "", said("beside known, which never fails to decide"))
	}
}

// roundable reports whether a clause may round the fact: a level, or a stated
// number. Totals of time, means and falls are never rounded (design section 8).
func (def FactDef) roundable() bool {
	return def.Level || def.Type == TypeNumber && def.From == nil
}

// comparison checks what a fact is compared with: exactly one way, of its
// type.
func (d *document) comparison(n *Node, def FactDef, at *step) {
	var limits []limit
	for _, l := range n.limits() {
		if l.qs != nil {
			limits = append(limits, l)
		}
	}
	var ways []string // ways to compare; the two ends of a band are one
	if len(limits) > 0 {
		ways = append(ways, limits[0].key)
	}
	for _, k := range []givenKey{{"is", n.Is != ""}, {"one_of", n.OneOf != nil}, {"known", n.Known}} {
		if k.given {
			ways = append(ways, k.key)
		}
	}
	allowed := comparators(def)
	switch {
	case len(ways) == 0:
		d.fault(at, said("a comparison of %s: %s", def.Name, strings.Join(allowed, ", ")), said("none"), said("add one of them"))
		return
	case len(ways) > 1:
		d.key(at.in(ways[1]), said("one comparison"), said("%s and %s", ways[0], ways[1]), said("delete one, or make two clauses"))
		return
	}
	for _, l := range limits {
		if !slices.Contains(allowed, l.key) {
			ways[0] = l.key
		}
	}
	if !slices.Contains(allowed, ways[0]) {
		mend := said("use one of: %s", strings.Join(allowed, ", "))
		if def.Type == TypePaper {
			mend = said("list it under on_file, or read a fact that is no paper")
		}
		d.key(at.in(ways[0]), said("a comparison that a fact of type %s allows", string(def.Type)), literal(ways[0]), mend)
		return
	}
	switch {
	case def.Type == TypeBool && n.Is != "":
		d.word(at.in("is"), n.Is, []string{"true", "false"})
	case n.Is != "":
		d.word(at.in("is"), n.Is, def.words())
	}
	for i, w := range n.OneOf {
		d.word(at.in("one_of").at(i), w, def.words())
		d.once(at.in("one_of").at(i), w, n.OneOf[:i])
	}
	for _, l := range limits {
		if !d.figures(l, def, at.in(l.key)) {
			return
		}
	}
	d.band(limits, at)
}

// comparators lists the keys that compare a fact of that type.
func comparators(def FactDef) []string {
	numbers := []string{"at_or_below", "below", "at_least", "more_than", "equal_to"}
	switch def.Type {
	case TypeBool:
		return []string{"is", "known"}
	case TypeWord:
		return []string{"is", "one_of", "known"}
	case TypeOxygen:
		return append([]string{"is", "one_of", "known"}, numbers...)
	case TypeNumber, TypeDuration:
		return append(numbers, "known")
	case TypePaper:
		return nil
	}
	return []string{"known"} // dates and lists
}

// words lists what a fact's is and one_of may name.
func (def FactDef) words() []string {
	if def.Type == TypeOxygen {
		return []string{"room_air", "oxygen"}
	}
	return def.Words
}

// unitsOf lists the units in which a pack may state a limit of a fact; "" is
// no unit.
func unitsOf(def FactDef) []string {
	switch {
	case def.Type == TypeDuration:
		return []string{"s", "min", "h"}
	case def.Unit == "" && def.Type == TypeNumber && def.Param == "spo2":
		return []string{"", "%"} // a share
	}
	return append([]string{def.Unit}, def.Units...)
}

// figures checks and completes the figures of one key: percent of a share
// become the fraction, and several figures are one limit in several units.
func (d *document) figures(l limit, def FactDef, at *step) bool {
	for i := range l.qs {
		if expected := complete(&l.qs[i], def); !expected.IsZero() {
			d.fault(d.entry(at, i), expected, verbatim(l.qs[i].Text), said("mend the figure or its unit"))
			return false
		}
		for _, other := range l.qs[:i] {
			both := said("%s and %s", quote(other.Text), quote(l.qs[i].Text))
			if other.Unit == l.qs[i].Unit {
				d.fault(d.entry(at, i), said("each unit once in a list, which is one limit in several units"), both, said("delete one of the two"))
				return false
			}
			if !agree(other, l.qs[i]) {
				d.fault(d.entry(at, i), said("the same limit in another unit"), said("%s, which differ by more than their last digits allow", both), said("mend the figure that is wrong"))
				return false
			}
		}
	}
	return true
}

// entry is the path of a figure: a key holds one or a list.
func (d *document) entry(at *step, i int) *step {
	if d.full() {
		return at
	}
	if _, list := d.locate(at).(*ast.SequenceNode); list {
		return at.at(i)
	}
	return at
}

// complete turns percent of a share into the fraction and returns what was
// expected if the figure does not fit the fact. A limit spells its unit, so
// that no reader has to know in which one the fact is stated.
func complete(q *Quantity, def FactDef) (expected wording.Text) {
	allowed := unitsOf(def)
	if q.Unit == "" && !slices.Contains(allowed, "") {
		if def.Type == TypeDuration {
			return said("a time with its unit: s, min or h")
		}
		return said("the figure with its unit: %s %s", q.Text, wording.Either(allowed))
	}
	if !slices.Contains(allowed, q.Unit) {
		return said("a figure in %s", wording.Either(allowed))
	}
	share := slices.Contains(allowed, "") && slices.Contains(allowed, "%")
	if share && q.Unit == "%" {
		q.Rat, q.Unit = new(big.Rat).Quo(q.Rat, big.NewRat(100, 1)), ""
	}
	switch {
	case share && (q.Rat.Sign() < 0 || q.Rat.Cmp(big.NewRat(1, 1)) > 0):
		return said("a share between 0 and 1, or between 0 % and 100 %")
	case q.Unit == "%" && (q.Rat.Sign() < 0 || q.Rat.Cmp(big.NewRat(100, 1)) > 0):
		return said("a figure between 0 % and 100 %")
	case q.Rat.Sign() < 0 && q.Unit != "days":
		return said("a figure that is not below 0")
	}
	return wording.Text{}
}

// agree reports whether two figures can be one limit, each printed to its last
// digit: 55 mmHg and 7.3 kPa.
func agree(a, b Quantity) bool {
	if units[a.Unit].dimension != units[b.Unit].dimension {
		return false
	}
	gap := new(big.Rat).Sub(a.base(), b.base())
	return gap.Abs(gap).Cmp(new(big.Rat).Add(a.slack(), b.slack())) <= 0
}

// band checks that the figures of several keys are the two ends of a band with
// something in it.
func (d *document) band(limits []limit, at *step) {
	var lower, upper *limit
	for i := range limits {
		l := &limits[i]
		end := &upper
		switch l.key {
		case "equal_to":
			if len(limits) > 1 {
				d.key(at.in(l.key), said("equal_to alone"), said("%s and equal_to", limits[0].key), said("delete one, or make two clauses"))
				return
			}
			return
		case "at_least", "more_than":
			end = &lower
		}
		if *end != nil {
			d.key(at.in(l.key), said("one limit on each side"), said("%s and %s", (*end).key, l.key), said("delete one, or make two clauses"))
			return
		}
		*end = l
	}
	if lower == nil || upper == nil {
		return
	}
	for _, low := range lower.qs {
		for _, high := range upper.qs {
			if low.Unit != high.Unit {
				continue
			}
			c := low.Rat.Cmp(high.Rat)
			if c > 0 || c == 0 && (lower.key == "more_than" || upper.key == "below") {
				d.fault(at.in(upper.key), said("a band with a value in it"), said("%s %s and %s %s", lower.key, low.String(), upper.key, high.String()), said("make the lower limit smaller than the upper one"))
				return
			}
		}
	}
	if len(lower.qs) != len(upper.qs) || !slices.EqualFunc(lower.qs, upper.qs, func(a, b Quantity) bool { return a.Unit == b.Unit }) {
		d.fault(at.in(upper.key), said("both ends of the band in the same units, in the same order"), said("%s and %s", lower.qs.String(), upper.qs.String()), said("write both ends in the same units"))
	}
}

// parameters checks spo2 and points, which stand exactly where the fact has
// that parameter.
func (d *document) parameters(n *Node, def FactDef, at *step) {
	for _, p := range []struct {
		key string
		q   *Quantity
	}{{"spo2", n.SpO2}, {"points", n.Points}} {
		if def.Param != p.key {
			d.forbid(at, p.key, p.q != nil, said("beside %s", def.Name))
			continue
		}
		d.require(at, p.key, p.q != nil)
		switch {
		case p.q == nil:
		case p.key == "spo2":
			d.level(at.in(p.key), p.q)
		default:
			if expected := complete(p.q, FactDef{Type: TypeNumber, Unit: "points"}); !expected.IsZero() {
				d.fault(at.in(p.key), expected, verbatim(p.q.Text), said("write a fall in points, such as 5 points"))
			}
		}
	}
}

// level checks a saturation that time is counted at or below.
func (d *document) level(at *step, q *Quantity) {
	if d.bad[at.String()] {
		return
	}
	if expected := complete(q, FactDef{Type: TypeNumber, Unit: "%"}); !expected.IsZero() {
		d.fault(at, expected, verbatim(q.Text), said("write a saturation, such as 88 %"))
	}
}
