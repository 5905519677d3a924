package criteria

import (
	"fmt"
	"maps"
	"math/big"
	"math/rand"
	"slices"
	"strings"
	"testing"

	"airwarrant/rules"
)

// The other implementation: it evaluates a tree on one completion at a time,
// by recursion over plain words, and knows nothing of cells and diagrams.

type completion struct {
	values map[string]string // fact: text
	drafts map[string]string // unconfirmed clause: what is found when it is read
	// overrides of the pack
	overrides []rules.Override
}

// naiveWhole is the verdict on a whole pack, and whether it is for the case.
func naiveWhole(p *rules.Pack, c completion, absent map[string]bool) (verdict, open string) {
	c.overrides = p.Overrides
	open = "met"
	and := func(v string) {
		switch {
		case v == "not met", open == "not met":
			open = "not met"
		case v == "unclear":
			open = "unclear"
		}
	}
	if p.Population != nil {
		and(naive(p.Population, c, absent, p.Reading.Level))
	}
	for _, d := range p.DeferTo {
		v := naive(d.When, c, absent, p.Reading.Level)
		if turned, ok := map[string]string{"met": "not met", "not met": "met"}[v]; ok {
			v = turned
		}
		and(v)
	}
	verdict = naive(p.Criteria, c, absent, p.Reading.Level)
	if open != "met" {
		verdict = "unclear"
	}
	return verdict, open
}

// naiveDated says whether the calendar lets a clause apply.
func naiveDated(n *rules.Node, c completion) bool {
	day := c.values["test_date"] // dates as texts sort as days do
	in := func(from, until rules.Date) bool {
		return from.String() <= day && (until.IsZero() || day <= until.String())
	}
	for _, o := range c.overrides {
		if o.Status != rules.Draft && slices.Contains(o.Waives, n.ID) && in(o.From, o.Until) {
			return false
		}
	}
	return in(n.Since, n.Until)
}

func naive(n *rules.Node, c completion, absent map[string]bool, level string) string {
	if !naiveDated(n, c) {
		return "n/a"
	}
	v := naiveBare(n, c, absent, level)
	if n.Status == rules.Draft || n.Unsettled != "" {
		if v != "n/a" {
			v = "unclear"
			if d, ok := c.drafts[n.ID]; ok {
				v = d
			}
		}
	}
	if n.AppliesWhen == nil {
		return v
	}
	switch g := naive(n.AppliesWhen, c, absent, level); {
	case g == "not met" || g == "n/a" || v == "n/a":
		return "n/a"
	case g == "unclear":
		return "unclear"
	}
	return v
}

func naiveBare(n *rules.Node, c completion, absent map[string]bool, level string) string {
	if parts := n.Children(); parts != nil {
		count := map[string]int{}
		for _, p := range parts {
			count[naive(p, c, absent, level)]++
		}
		applies := len(parts) - count["n/a"]
		switch {
		case applies == 0:
			return "n/a"
		case n.AllOf != nil && count["not met"] > 0, n.NoneOf != nil && count["met"] > 0:
			return "not met"
		case n.AllOf != nil && count["met"] == applies, n.NoneOf != nil && count["not met"] == applies:
			return "met"
		case n.AnyOf != nil && count["met"] > 0, n.NOf != nil && count["met"] >= n.NOf.N:
			return "met"
		case n.AnyOf != nil && count["not met"] == applies:
			return "not met"
		case n.NOf != nil && count["met"]+count["unclear"] < n.NOf.N && count["met"]+count["not met"] > 0:
			return "not met"
		}
		return "unclear"
	}
	switch {
	case n.Unsettled != "":
		return "unclear"
	case absent[n.Fact] && n.IfAbsent != "", absent[n.Fact] && n.UnlessKnown != "" && !absent[n.UnlessKnown]:
		return "n/a"
	}
	text := c.values[n.Fact]
	said := func(ok bool) string {
		switch {
		case ok:
			return "met"
		case n.Otherwise != "":
			return "unclear"
		}
		return "not met"
	}
	if n.Is != "" || n.OneOf != nil {
		return said(n.Is == text || slices.Contains(n.OneOf, text))
	}
	x := triedNumbers[text]
	holds := func(x *big.Rat) bool {
		for _, q := range n.AtOrBelow {
			if x.Cmp(q.Rat) > 0 {
				return false
			}
		}
		for _, q := range n.EqualTo {
			if x.Cmp(q.Rat) != 0 {
				return false
			}
		}
		for _, q := range n.MoreThan {
			if x.Cmp(q.Rat) <= 0 {
				return false
			}
		}
		return true
	}
	whole := big.NewRat(80, 1)
	for whole.Cmp(new(big.Rat).Sub(x, big.NewRat(1, 2))) <= 0 {
		whole.Add(whole, big.NewRat(1, 1))
	}
	mode := n.Rounding
	if mode == "" {
		mode = level
	}
	switch {
	case mode == "none":
		return said(holds(x))
	case mode == "either" && holds(x) != holds(whole):
		return "unclear"
	}
	return said(holds(whole))
}

// invented facts of the random packs, with every value worth trying.
var tried = map[string][]string{
	"symptoms": {"true", "false"}, "sleep_apnea": {"true", "false"}, "same_sitting": {"true", "false"},
	"test_state": {"rest", "asleep", "exertion"},
	"awake_spo2": {"87.25", "88", "88.25", "88.5", "88.75", "89", "89.25", "89.5"},
	"rest_spo2":  {"87.25", "88", "88.25", "88.5", "88.75", "89", "89.25", "89.5"},
	"test_date":  {"2030-02-28", "2030-03-01", "2030-03-02", "2030-06-01", "2030-06-02"},
}

var triedNumbers = func() map[string]*big.Rat {
	m := map[string]*big.Rat{}
	for _, text := range tried["rest_spo2"] {
		m[text], _ = new(big.Rat).SetString(text)
	}
	return m
}()

var triedNames = []string{"test_date", "test_state", "awake_spo2", "rest_spo2", "same_sitting", "symptoms", "sleep_apnea"}

// randomTree grows a small tree; ids number its nodes.
func randomTree(t *testing.T, r *rand.Rand, depth int, next *int, gate bool) *rules.Node {
	*next++
	n := group(fmt.Sprintf("c%d", *next))
	if !gate && r.Intn(5) == 0 {
		n.AppliesWhen = randomTree(t, r, 1, next, true)
	}
	switch r.Intn(16) {
	case 0:
		n.Since = rules.Date{Year: 2030, Month: 3, Day: 1}
	case 1:
		n.Until = rules.Date{Year: 2030, Month: 6, Day: 1}
	case 2:
		n.Since, n.Until = rules.Date{Year: 2030, Month: 3, Day: 2}, rules.Date{Year: 2030, Month: 6, Day: 1}
	}
	if depth > 0 && r.Intn(4) > 0 {
		var parts []*rules.Node
		for range 2 + r.Intn(2) {
			parts = append(parts, randomTree(t, r, depth-1, next, gate))
		}
		switch r.Intn(5) {
		case 0, 1:
			n.AllOf = parts
		case 2:
			n.AnyOf = parts
		case 3:
			n.NoneOf = parts
		case 4:
			n.NOf = &rules.NOf{N: 1 + r.Intn(len(parts)), Of: parts}
		}
		return n
	}
	n.Status = rules.Verified
	if r.Intn(14) == 0 {
		n.Unsettled = "who decides it"
		return n
	}
	if r.Intn(10) == 0 {
		n.Status = rules.Draft
	}
	n.Fact = triedNames[1+r.Intn(len(triedNames)-1)]
	switch r.Intn(8) {
	case 0:
		n.IfAbsent = "not_applicable"
	case 1:
		n.UnlessKnown = triedNames[r.Intn(len(triedNames))]
	case 2:
		n.Otherwise = "undetermined"
	}
	switch {
	case n.Fact == "test_state" && r.Intn(2) == 0:
		n.OneOf = []string{"rest", "exertion"}
	case n.Fact == "test_state":
		n.Is = "asleep"
	case strings.HasSuffix(n.Fact, "spo2"):
		q := quantities(t, []string{"88 %", "89 %", "88.5 %"}[r.Intn(3)])
		switch r.Intn(3) {
		case 0:
			n.AtOrBelow = q
		case 1:
			n.MoreThan = q
		case 2:
			n.EqualTo = q
		}
		n.Rounding = []string{"", "none", "half_up", "either"}[r.Intn(4)]
	default:
		n.Is = []string{"true", "false"}[r.Intn(2)]
	}
	return n
}

// randomScope gives a pack now and then a population, a deferral or an
// override of one of its first clauses.
func randomScope(t *testing.T, r *rand.Rand, p *rules.Pack, next *int) {
	clauses := *next
	if r.Intn(5) == 0 {
		p.Population = randomTree(t, r, 1, next, true)
	}
	if r.Intn(5) == 0 {
		p.DeferTo = []rules.Deferral{{ID: "defer", When: randomTree(t, r, 1, next, true), Status: rules.Verified}}
	}
	if r.Intn(4) == 0 {
		p.Overrides = []rules.Override{{ID: "override", From: rules.Date{Year: 2030, Month: 3, Day: 1}, Waives: []string{fmt.Sprintf("c%d", 1+r.Intn(clauses))},
			Status: []rules.Status{rules.Verified, rules.Draft}[r.Intn(2)]}}
		if r.Intn(2) == 0 {
			p.Overrides[0].Until = rules.Date{Year: 2030, Month: 6, Day: 1}
		}
	}
}

// table holds the outcome of every combination of words of some names, the
// last name turning fastest.
type table struct {
	names []string
	words [][]string
	out   []Outcome
}

func tabulate(names []string, words func(string) []string, outcome func(map[string]string) Outcome) table {
	tb := table{names: names}
	size := 1
	for _, n := range names {
		tb.words = append(tb.words, words(n))
		size *= len(words(n))
	}
	m := map[string]string{}
	for i := range size {
		rest := i
		for k := len(names) - 1; k >= 0; k-- {
			m[names[k]] = tb.words[k][rest%len(tb.words[k])]
			rest /= len(tb.words[k])
		}
		tb.out = append(tb.out, outcome(m))
	}
	return tb
}

// changing returns the names of which two combinations that differ only in
// them have different outcomes.
func (tb table) changing() map[string]bool {
	found := map[string]bool{}
	stride := 1
	for k := len(tb.names) - 1; k >= 0; k-- {
		n := len(tb.words[k])
		for i := range tb.out {
			if i/stride%n > 0 && tb.out[i] != tb.out[i-stride] {
				found[tb.names[k]] = true
			}
		}
		stride *= n
	}
	return found
}

// TestAgainstEveryCompletion compares Determine with enumeration on random
// packs: the outcome, the facts asked ("a fact is asked iff two completions that
// differ only in it give different outcomes", design section 2) and the clauses
// that a maintainer is asked to confirm.
func TestAgainstEveryCompletion(t *testing.T) {
	r := rand.New(rand.NewSource(20300101))
	seen := map[Outcome]int{}
	asked, confirmed, held := 0, 0, 0
	for trial := range 600 {
		next := 0
		p := packOf(randomTree(t, r, 3, &next, false))
		randomScope(t, r, p, &next)
		p.Reading.Level = []string{"none", "half_up"}[r.Intn(2)]
		facts, absent, refused := map[string]Fact{}, map[string]bool{}, map[string]bool{}
		fixed := map[string]string{}
		var open, drafts []string
		for _, name := range triedNames {
			switch k := r.Intn(8); {
			case k < 4:
				fixed[name] = tried[name][r.Intn(len(tried[name]))]
				facts[name] = stated(t, map[string]string{name: fixed[name]})[name]
				continue
			case k == 4:
				facts[name] = Fact{Name: name, State: Unknown}
				refused[name] = true
			}
			absent[name] = true
			open = append(open, name)
		}
		var walk func(*rules.Node)
		walk = func(n *rules.Node) {
			if n.Status == rules.Draft || n.Unsettled != "" {
				drafts = append(drafts, n.ID)
			}
			if n.AppliesWhen != nil {
				walk(n.AppliesWhen)
			}
			for _, c := range n.Children() {
				walk(c)
			}
		}
		walk(p.Criteria)
		if p.Population != nil {
			walk(p.Population)
		}
		for _, d := range p.DeferTo {
			walk(d.When)
		}
		if len(drafts) > 2 {
			continue // enumeration doubles with each
		}

		read := map[string]bool{}
		for _, l := range newEvaluation(p, p.Criteria, Facts{}, false, nil).leaves {
			read[l.node.Fact] = true
		}
		open = slices.DeleteFunc(open, func(name string) bool { return !read[name] })
		if slices.Contains(open, "awake_spo2") && slices.Contains(open, "rest_spo2") && len(open)+len(drafts) > 4 || len(open)+len(drafts) > 6 {
			continue // too many completions
		}
		isDraft := func(name string) bool { return slices.Contains(drafts, name) }
		evaluate := func(m map[string]string) (string, string) {
			c := completion{values: map[string]string{}, drafts: map[string]string{}}
			for k, v := range fixed {
				c.values[k] = v
			}
			for k, v := range m {
				if isDraft(k) {
					c.drafts[k] = v
				} else {
					c.values[k] = v
				}
			}
			return naiveWhole(p, c, absent)
		}
		outcomeOf := func(m map[string]string) Outcome {
			switch verdict, _ := evaluate(m); verdict {
			case "met":
				return Qualifies
			case "not met":
				return DoesNotQualify
			}
			return Undetermined
		}
		words := func(name string) []string {
			if isDraft(name) {
				return []string{"met", "not met"}
			}
			return tried[name]
		}
		all := tabulate(open, words, outcomeOf)
		want := all.out[0]
		for _, o := range all.out {
			if o != want {
				want = Undetermined
			}
		}
		wantAsk, wantConfirm := all.changing(), map[string]bool{}
		// What says whether the criteria are for the case at all is asked even
		// where the outcome is undetermined either way.
		maps.Copy(wantAsk, tabulate(open, words, func(m map[string]string) Outcome {
			_, open := evaluate(m)
			return Outcome(open)
		}).changing())
		for name := range wantAsk {
			if refused[name] {
				delete(wantAsk, name)
			}
		}
		// Nothing can change a settled outcome, and while answers can decide it
		// either way no maintainer is asked.
		either := len(wantAsk) > 0 && slices.Contains(all.out, Qualifies) && slices.Contains(all.out, DoesNotQualify)
		if want == Undetermined && !either {
			for name := range tabulate(append(slices.Clone(open), drafts...), words, outcomeOf).changing() {
				if isDraft(name) {
					wantConfirm[name] = true
				}
			}
		}

		d := Determine(p, Facts{Named: facts}, nil)
		seen[d.Outcome]++
		if d.Outcome != want {
			t.Fatalf("trial %d: expected %s, found %s\n%s", trial, want, d.Outcome, sketch(p.Criteria, 0))
		}
		gotAsk, gotConfirm := map[string]bool{}, map[string]bool{}
		for _, n := range d.Needs {
			if id, ok := strings.CutPrefix(n.Fact, "confirm:"); ok {
				gotConfirm[id] = true
				continue
			}
			gotAsk[n.Fact] = true
			if len(n.Decides) == 0 {
				t.Errorf("trial %d: %s is asked and decides no clause\n%s", trial, n.Fact, sketch(p.Criteria, 0))
			}
		}
		asked, confirmed = asked+len(gotAsk), confirmed+len(gotConfirm)
		for id := range wantConfirm {
			// Only a gate that answers can still shut holds a confirmation back.
			if !gotConfirm[id] && behindGate(p, id) && len(wantAsk) > 0 {
				delete(wantConfirm, id)
				held++
			}
		}
		if fmt.Sprint(gotAsk) != fmt.Sprint(wantAsk) || fmt.Sprint(gotConfirm) != fmt.Sprint(wantConfirm) {
			t.Fatalf("trial %d: expected to ask %v and confirm %v, found %v and %v\nfacts %v, level %s\n%s",
				trial, wantAsk, wantConfirm, gotAsk, gotConfirm, fixed, p.Reading.Level, sketch(p.Criteria, 0))
		}
	}
	if min(seen[Qualifies], seen[DoesNotQualify], seen[Undetermined]) < 20 || asked < 100 || confirmed < 30 || held == 0 {
		t.Errorf("the packs are too much alike: outcomes %v, %d facts asked, %d clauses to confirm, %d held back", seen, asked, confirmed, held)
	}
}

// behindGate reports whether the clause, or one around it, has a condition of
// applying.
func behindGate(p *rules.Pack, id string) bool {
	var walk func(n *rules.Node, gated bool) bool
	walk = func(n *rules.Node, gated bool) bool {
		if n == nil {
			return false
		}
		gated = gated || n.AppliesWhen != nil || !n.Since.IsZero() || !n.Until.IsZero() ||
			slices.ContainsFunc(p.Overrides, func(o rules.Override) bool { return slices.Contains(o.Waives, n.ID) })
		return n.ID == id && gated || walk(n.AppliesWhen, gated) ||
			slices.ContainsFunc(n.Children(), func(c *rules.Node) bool { return walk(c, gated) })
	}
	return walk(p.Criteria, false) || walk(p.Population, false) ||
		slices.ContainsFunc(p.DeferTo, func(d rules.Deferral) bool { return walk(d.When, false) })
}

func sketch(n *rules.Node, depth int) string {
	s := fmt.Sprintf("%*s%s %s %s%s%v %v%v%v rounding=%s absent=%s unless=%s otherwise=%s %s %s\n", depth*2, "", n.ID, rules.Describe(n), n.Fact, n.Is, n.OneOf,
		n.AtOrBelow, n.MoreThan, n.EqualTo, n.Rounding, n.IfAbsent, n.UnlessKnown, n.Otherwise, n.Status, n.Unsettled)
	if n.AppliesWhen != nil {
		s += fmt.Sprintf("%*swhen:\n", depth*2+1, "") + sketch(n.AppliesWhen, depth+2)
	}
	for _, c := range n.Children() {
		s += sketch(c, depth+1)
	}
	return s
}

// TestPlainLogicAgreesWhereItSettles checks the fallback of a diagram that
// grows too large: what plain three-valued logic settles is the outcome of the
// full evaluation too, and it asks at least what that asks.
func TestPlainLogicAgreesWhereItSettles(t *testing.T) {
	r := rand.New(rand.NewSource(7))
	fell := 0
	for range 500 {
		next := 0
		p := packOf(randomTree(t, r, 3, &next, false))
		p.Reading.Level = "half_up"
		full := newEvaluation(p, p.Criteria, Facts{}, false, nil)
		plain := newEvaluation(p, p.Criteria, Facts{}, false, nil)
		plain.run(1)
		if !plain.approximate {
			continue
		}
		fell++
		if plain.outcome != value(vUnclear) && plain.outcome != full.outcome {
			t.Fatalf("expected %v, found %v\n%s", full.outcome, plain.outcome, sketch(p.Criteria, 0))
		}
		if plain.outcome == value(vUnclear) {
			for _, i := range full.essential() {
				if !slices.Contains(plain.essential(), i) {
					t.Fatalf("fact %s can change the outcome and is not asked\n%s", full.vars[i].def.Name, sketch(p.Criteria, 0))
				}
			}
		}
		if notes := plain.notes(nil); len(notes) == 0 || !strings.Contains(notes[0], "each open fact") {
			t.Fatalf("the fallback is not told: %v", notes)
		}
	}
	if fell < 50 {
		t.Errorf("only %d packs fell back", fell)
	}
}
