package criteria

import (
	"cmp"
	"maps"
	"math/big"
	"slices"
	"strings"

	"airwarrant/rules"
)

// Facts that are asked for although no facts file states them.
const (
	needRecording = "recording"
	needJudgement = "span_judgement"
	needConfirm   = "confirm:" // and the id of the clause
)

// Confirms returns the clause that a Need.Fact asks to be confirmed; false for
// one that asks for a fact.
func Confirms(fact string) (clause string, ok bool) { return strings.CutPrefix(fact, needConfirm) }

// asked is a need with how decisive it is.
type asked struct {
	Need
	scope     bool    // it says whether the criteria are for this case at all
	share     float64 // of the fact's cells that settle the outcome alone
	reduction float64 // nodes of the diagram that an answer saves on average
	order     int
}

// needs lists what is left and can change the outcome, most decisive first,
// then the clauses that no fact can settle, once the answers cannot decide
// either way without them.
func (e *evaluation) needs() []Need {
	var list []*asked
	byFact := map[string]*asked{}
	scope := e.d.support(e.open)
	for _, i := range e.essential() {
		v := e.vars[i]
		share, reduction := e.weigh(v)
		ids := e.waiting(v)
		for _, n := range e.asks(v) {
			a := byFact[n.Fact]
			if a == nil {
				a = &asked{Need: n, order: v.key.order}
				if o, ok := vocabularyIndex[n.Fact]; ok {
					a.order = o
				}
				a.Decides = []string{}
				byFact[n.Fact] = a
				list = append(list, a)
			}
			a.scope = a.scope || scope[i]
			a.share, a.reduction = max(a.share, share), max(a.reduction, reduction)
			for _, id := range ids {
				if !slices.Contains(a.Decides, id) {
					a.Decides = append(a.Decides, id)
				}
			}
		}
	}
	slices.SortStableFunc(list, func(a, b *asked) int {
		return cmp.Or(
			boolRank(b.Fact == "custody" && e.barred)-boolRank(a.Fact == "custody" && e.barred),
			boolRank(b.scope)-boolRank(a.scope),
			cmp.Compare(b.share, a.share), cmp.Compare(b.reduction, a.reduction), cmp.Compare(a.order, b.order))
	})
	out := []Need{}
	both := len(list) > 0 && e.d.reaches(e.outcome, vMet) && e.d.reaches(e.outcome, vNotMet)
	for _, a := range list {
		if a.Why == "" {
			text := "It can change the outcome: %s wait for it."
			if len(a.Decides) == 1 {
				text = "It can change the outcome: %s waits for it."
			}
			a.Why = e.say(text, quoted(a.Decides))
		}
		out = append(out, a.Need)
	}
	if both {
		return out // the answers may make every unconfirmed clause irrelevant
	}
	confirmations := e.confirmations(len(list) > 0)
	slices.SortStableFunc(confirmations, func(a, b Need) int {
		return boolRank(a.Who == rules.Maintainer) - boolRank(b.Who == rules.Maintainer)
	})
	return append(out, confirmations...)
}

func quoted(ids []string) string { return strings.Join(ids, ", ") }

// essential returns the variables that can change the outcome, or whether the
// criteria are for this case, in order. In
// plain three-valued logic nobody can tell, and every open one is asked.
func (e *evaluation) essential() []int {
	in := e.d.support(e.outcome)
	maps.Copy(in, e.d.support(e.open))
	if e.approximate {
		for _, l := range e.leaves {
			if e.verdict(l.node) == Unclear {
				for _, i := range l.variables() {
					in[i] = true
				}
			}
		}
	}
	var out []int
	for i := range e.vars {
		if in[i] {
			out = append(out, i)
		}
	}
	return out
}

// weigh says how decisive an answer is.
func (e *evaluation) weigh(v *variable) (share, reduction float64) {
	if e.approximate {
		return 0, 0
	}
	before := e.d.size(e.outcome)
	for c := range v.cells {
		r := e.d.restrict(e.outcome, v.index, c)
		if r == value(vMet) || r == value(vNotMet) {
			share++
		}
		reduction += float64(before - e.d.size(r))
	}
	return share / float64(v.cells), reduction / float64(v.cells)
}

// waiting returns the ids of the undetermined clauses that read the variable
// and that it can settle.
func (e *evaluation) waiting(v *variable) []string {
	var ids []string
	for _, n := range v.nodes {
		if id := e.idOf[n]; e.verdict(n) == Unclear && !e.unconfirmed(n) && !slices.Contains(ids, id) {
			ids = append(ids, id)
		}
	}
	return ids
}

// asks maps a variable to what people can answer.
func (e *evaluation) asks(v *variable) []Need {
	d := v.def
	switch {
	case d.Name == "reported_minutes" && (v.known || e.barred):
		return e.askRecording(v) // a printed figure that its own decimals leave open
	case d.Settles != "computed" && v.known:
		return e.askBetween(d.Name)
	case d.Settles != "computed":
		return e.askFact(d.Name)
	case slices.Contains(d.From, needRecording):
		return e.askRecording(v)
	}
	var out []Need
	for _, name := range d.From {
		if f, ok := e.stated(name); ok {
			if low, high := f.Value.Bounds(); low != nil && low.Cmp(high) != 0 {
				out = append(out, e.askBetween(name)...)
			}
			continue
		}
		ask := e.askFact(name)
		if ask == nil {
			return nil // one part is not known to anybody, so the other settles nothing
		}
		out = append(out, ask...)
	}
	if len(out) == 0 && !v.known {
		// Everything is stated and gives no figure, such as a birth after the test.
		first, _ := definition(d.From[0])
		out = append(out, Need{Fact: first.Name, Question: e.say(first.Question), Who: first.Who,
			Why: e.say("What is stated gives no %s: %s do not go together. Check them.", e.say(d.Meaning), e.statedWords(d.From))})
	}
	return out
}

// statedWords tells facts with what is stated of them.
func (e *evaluation) statedWords(names []string) string {
	var said []string
	for _, name := range names {
		f, _ := e.stated(name)
		def, _ := definition(name)
		value := e.language().Date(f.Value.Date)
		if f.Value.Num != nil {
			value = e.language().Measure(f.Value.Num.FloatString(f.Value.Places), cmp.Or(f.Value.Unit, def.Unit))
		}
		said = append(said, e.say(def.Meaning)+" ("+value+")")
	}
	return strings.Join(said, e.say(" and "))
}

func (e *evaluation) askFact(name string) []Need {
	if e.facts.Named[name].State == Unknown {
		return nil
	}
	d, _ := definition(name)
	return []Need{{Fact: d.Name, Question: e.say(d.Question), Who: d.Who}}
}

// askBetween asks the tester for the one figure of a fact that a recording or
// a report leaves between bounds.
func (e *evaluation) askBetween(name string) []Need {
	f, _ := e.stated(name)
	if f.Asked {
		return nil
	}
	d, _ := definition(name)
	need := Need{Fact: d.Name, Question: e.say(d.Question), Who: rules.Tester}
	low, high := f.Value.Bounds()
	need.Why = e.say("It is only known to lie between %s and %s, and the outcome differs between the two.",
		e.language().Number(decimal(low, 2)), e.language().Measure(decimal(high, 2), cmp.Or(f.Value.Unit, d.Unit)))
	if f.Basis != "" {
		need.Why += " " + f.Basis
	}
	return []Need{need}
}

// askRecording asks for what settles a measure of a recording.
func (e *evaluation) askRecording(v *variable) []Need {
	recording := Need{Fact: needRecording, Who: rules.Tester, Question: e.say("Can the tester send the recording of the test?")}
	switch {
	case e.barred:
		if need := e.askFact("custody"); need != nil && e.facts.Named["custody"].State == "" {
			need[0].Why = e.say("Until it is known on what footing the test is held, it is not read.") + " " + e.pack.Custody.Who
			return need
		}
		recording.Question = e.say("Can the recording or the report be sent by somebody who may hold it?")
		recording.Why = e.pack.Custody.Who
		return []Need{recording}
	case e.night() == nil:
		if v.def.Name == "time_at_or_below" && v.report == nil && e.reportLevel(v) {
			if need := e.askFact("reported_minutes"); need != nil {
				return need
			}
		}
		if _, ok := e.stated("report"); ok && (v.report == nil || v.report.printed == "") && slices.Contains(ReportMeasures, v.def.Name) {
			what := measureWords(e.language(), v.def.Name, e.levelOf(v))
			return []Need{{Fact: "report", Who: rules.Tester, Question: e.say("Does the signed report print %s, or can the recording be sent?", what),
				Why: e.say("The figures typed from the report do not tell %s closely enough.", what)}}
		}
		return []Need{recording}
	case !v.known:
		recording.Why = e.say("The recording at hand does not tell %s.", e.say(v.def.Meaning))
		return []Need{recording}
	}
	var out []Need
	open := v.signatures(v.span())
	if v.recording != nil {
		open = v.signatures(v.recording.lo, v.recording.hi)
	}
	if len(open) > 1 && e.night().Unjudged > 0 {
		out = append(out, Need{Fact: needJudgement, Who: rules.Tester,
			Question: e.say("Are the doubtful readings of the recording genuine, artifact, or can it not be told?"),
			Why:      e.say("The outcome differs with how the doubtful readings are read.")})
	}
	if v.report != nil {
		for sig := range v.signatures(v.report.lo, v.report.hi) {
			if !open[sig] {
				need := Need{Fact: "report", Who: rules.Tester,
					Question: e.say("The signed report and the recording fall on different sides of a limit. Can the tester send a corrected report, or say why they differ?"),
					Why:      e.differText(v)}
				if v.report.minutes {
					need.Fact = "reported_minutes"
				}
				return append(out, need)
			}
		}
	}
	return out
}

// differText lays what the report tells beside what the recording gives.
func (e *evaluation) differText(v *variable) string {
	s := v.users[0].shown(v.nodes[0], e.language())
	said := s.toldText(v.report)
	if v.report.printed != "" {
		said = e.say("the report prints %s", v.report.printed)
	}
	recording := s.between(v.recording.lo, v.recording.hi)
	if v.recording.value != nil {
		recording = s.text(v.recording.value)
	}
	return e.say("Of %s, %s, and the recording gives %s.", measureWords(e.language(), v.def.Name, e.levelOf(v)), said, recording)
}

// levelOf is the level of a measure that has one, else nil.
func (e *evaluation) levelOf(v *variable) *big.Rat {
	if v.def.Param != "spo2" {
		return nil
	}
	level, _ := new(big.Rat).SetString(v.key.param)
	return level
}

// reportLevel reports whether a signed report can tell the time.
func (e *evaluation) reportLevel(v *variable) bool {
	q := e.pack.Reading.ReportLevel
	return q != nil && q.Rat.RatString() == v.key.param
}

// confirmations lists the clauses without confirmed evidence that can change
// the outcome: each is made a variable, and those that the outcome then tests
// are asked. While people have answers to give, a clause that they may still
// make irrelevant is left out.
func (e *evaluation) confirmations(answers bool) []Need {
	drafts := map[*rules.Node]int{}
	var order []*rules.Node
	visit := func(n *rules.Node) {
		if e.unconfirmed(n) && (e.isRelevant(n) || !answers) {
			drafts[n] = len(e.vars) + len(order)
			order = append(order, n)
		}
	}
	for _, s := range e.scope {
		e.visit(s.when, visit)
	}
	e.visit(e.root, visit)
	if len(order) == 0 {
		return nil
	}
	var in map[int]bool
	if !e.approximate {
		d := newDiagram(maxNodes)
		defer d.release()
		_, r := e.whole(d, make([]ref, len(e.nodes)), drafts)
		if !d.full {
			in = d.support(r)
		}
	}
	var out []Need
	seen := map[string]bool{}
	for _, n := range order {
		id := e.idOf[n]
		if in != nil && !in[drafts[n]] || in == nil && e.verdict(n) != Unclear || seen[id] {
			continue
		}
		seen[id] = true
		if d, ok := definition(n.Ask); ok {
			out = append(out, Need{Fact: d.Name, Who: d.Who, Decides: []string{id}, Question: n.Unsettled,
				Why: e.say("The answer that is stated leaves %s open.", id)})
			continue
		}
		need := Need{Fact: needConfirm + id, Who: rules.Maintainer, Decides: []string{id}, Question: n.Unsettled}
		if need.Question == "" {
			need.Question = e.say("Does the document say what this clause has from memory: %s?", cmp.Or(n.Label, id))
			if c := citeTexts(e.pack, n.Cite); c != "" {
				need.Question += " " + e.say("See %s.", c)
			}
		}
		need.Why = e.say("A clause that was not read in its document never decides.")
		if n.Unsettled != "" {
			need.Why = e.say("The document leaves it open, or was not seen.")
		}
		out = append(out, need)
	}
	return out
}

// visit walks the tree, each gate before its clause.
func (e *evaluation) visit(n *rules.Node, f func(*rules.Node)) {
	for _, g := range e.gates[n] {
		e.visit(g, f)
	}
	f(n)
	for _, c := range n.Children() {
		e.visit(c, f)
	}
}
