package criteria

import (
	"math/big"
	"slices"
	"strings"

	"airwarrant/rules"
)

// scoped is a condition of the pack as a whole: its population, or one under
// which another set of criteria decides.
type scoped struct {
	id   string
	when *rules.Node
	to   *rules.Deferral // nil for the population
}

// scopes lists the conditions of the pack as a whole.
func (lay *layout) scopes(p *rules.Pack) {
	if n := p.Population; n != nil {
		lay.scope = append(lay.scope, scoped{id: "population", when: n})
	}
	for i := range p.DeferTo {
		d := &p.DeferTo[i]
		lay.scope = append(lay.scope, scoped{d.ID, d.When, d})
	}
}

// whole builds the diagram of the outcome, not applicable read as
// undetermined, and that of whether the criteria are for this case: its
// patient belongs to the population, and no other set of criteria decides.
func (e *evaluation) whole(d *diagram, out []ref, drafts map[*rules.Node]int) (open, outcome ref) {
	open = value(vMet)
	for _, s := range e.scope {
		op := opAnd
		if s.to != nil {
			op = opNone
		}
		open = d.apply(op, open, e.node(s.when, d, out, drafts))
	}
	r := d.apply(opGate, open, e.node(e.root, d, out, drafts))
	return open, d.apply(opOutcome, r, value(0))
}

// shut returns the condition by which the criteria are not for this case, nil
// if they are or may be.
func (e *evaluation) shut() *scoped {
	if e.open != value(vNotMet) {
		return nil
	}
	for i := range e.scope {
		s := &e.scope[i]
		if s.to == nil && e.valueOf(s.when) == value(vNotMet) || s.to != nil && e.valueOf(s.when) == value(vMet) {
			return s
		}
	}
	return nil
}

// shutText says why the criteria are not for this case, and which are.
func (e *evaluation) shutText(s *scoped) string {
	if s.to == nil {
		return e.say("This set of criteria is not for this patient, but where %s. Choose another: %s.",
			e.language().DescribeWhole(s.when), strings.TrimSuffix(e.pack.OtherwiseSee, "."))
	}
	text := e.say("Another set of criteria decides, %s: %s", s.to.Region, s.to.Text)
	if e.unread(s.to.Status, s.to.ID) {
		text = e.say("Unverified: %s", text)
	}
	return text
}

// unread reports whether a text of the pack is from memory and not confirmed.
func (e *evaluation) unread(s rules.Status, id string) bool { return unread(e.conf, s, id) }

func unread(conf Confirmations, s rules.Status, id string) bool {
	_, confirmed := conf[id]
	return s == rules.Draft && !confirmed
}

// dayNumber counts days, so that dates compare like numbers.
func dayNumber(d rules.Date) *big.Rat { return big.NewRat(int64(d.Days()), 1) }

// period is met by a test from one day to another, both included; zero is
// unbounded.
func period(from, until rules.Date) *rules.Node {
	n := &rules.Node{Fact: "test_date"}
	if !from.IsZero() {
		n.AtLeast = rules.Quantities{{Rat: dayNumber(from)}}
	}
	if !until.IsZero() {
		n.AtOrBelow = rules.Quantities{{Rat: dayNumber(until)}}
	}
	return n
}

// periods makes the gates that the calendar sets before a clause: its own
// dates, and overrides that waive it. A draft override never acts.
func (lay *layout) periods(p *rules.Pack, n *rules.Node, conf Confirmations) []*rules.Node {
	var out []*rules.Node
	if !n.Since.IsZero() || !n.Until.IsZero() {
		g := period(n.Since, n.Until)
		lay.calendar[g] = func(l rules.Language) string {
			return l.Say("Does not apply to tests on that date: it holds for tests %s.", l.Period(n.Since, n.Until))
		}
		out = append(out, g)
	}
	for _, o := range p.Overrides {
		if n.ID != "" && slices.Contains(o.Waives, n.ID) && !unread(conf, o.Status, o.ID) {
			g := &rules.Node{NoneOf: []*rules.Node{period(o.From, o.Until)}}
			lay.calendar[g] = func(l rules.Language) string {
				return l.Say("Waived for tests %s: %s", l.Period(o.From, o.Until), o.Text)
			}
			out = append(out, g)
		}
	}
	return out
}

// editionCautions warns of a test after the last day of the edition.
func (e *evaluation) editionCautions() []string {
	test, ok := e.stated("test_date")
	if !ok || e.pack.Expires.IsZero() || !e.pack.Expires.Before(test.Value.Date) {
		return nil
	}
	return []string{e.say("This edition counted as current until %s, and the test was taken on %s: look for a newer one. See %s.",
		e.pack.Expires, test.Value.Date, citeTexts(e.pack, e.pack.ExpiresCite))}
}

// overrideNotes tells the overrides in force on the date of the test.
func (e *evaluation) overrideNotes() []string {
	test, ok := e.stated("test_date")
	var out []string
	for _, o := range e.pack.Overrides {
		if !ok || test.Value.Date.Before(o.From) || !o.Until.IsZero() && o.Until.Before(test.Value.Date) {
			continue
		}
		labels := make([]string, len(o.Waives))
		for i, id := range o.Waives {
			labels[i] = id
			if n := e.pack.FindClause(id); n != nil {
				labels[i] = n.Label
			}
		}
		head := "In force for tests %s: %s Clauses that it waives: %s. See %s."
		if e.unread(o.Status, o.ID) {
			head = "From memory, and not applied until a maintainer confirms it, for tests %s: %s Clauses that it waives: %s. See %s."
		}
		out = append(out, e.say(head, e.language().Period(o.From, o.Until), o.Text, strings.Join(labels, "; "), citeTexts(e.pack, o.Cite)))
	}
	return out
}
