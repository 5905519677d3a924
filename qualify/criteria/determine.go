package criteria

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"airwarrant/rules"
)

// Determine applies a pack to facts. conf names draft clauses that a
// maintainer has confirmed; nil confirms none. The pack must have passed the
// checks of rules.Load; a pack without criteria gives undetermined.
func Determine(p *rules.Pack, f Facts, conf Confirmations) Determination {
	return determine(p, f, conf, true)
}

// Outline is Determine without what is only to be read: the same outcome,
// disposition, status, deciding clauses, questions and custody, and no finding,
// sentence, paper or consequence. It is for many cases at once.
func Outline(p *rules.Pack, f Facts, conf Confirmations) Determination {
	return determine(p, f, conf, false)
}

func determine(p *rules.Pack, f Facts, conf Confirmations, whole bool) Determination {
	det := Determination{
		Criteria: p.Region.Region, Version: p.EffectiveFrom.String(), PackSHA256: p.SHA256, Title: p.Title,
		Outcome: Undetermined, Disposition: "not_addressed", Status: rules.Draft,
		DecidedBy: []string{}, Clauses: []Finding{}, Needs: []Need{}, OnFile: []OnFile{},
		Allows: []string{}, FollowUp: []string{}, Cautions: append([]string{}, p.Cautions...), Notes: []string{},
		Consequences: []Consequence{}, Document: []string{}, DocumentAsks: []Ask{},
	}
	if whole {
		det.OnFile = onFile(p, f)
	}
	if p.Criteria == nil {
		det.Because = f.Language.Say("This version holds no criteria.")
		return det
	}
	det.CustodyBarred = Barred(p, f)
	e := newEvaluation(p, p.Criteria, f, det.CustodyBarred, conf)
	defer e.release()

	var by decided
	switch e.outcome {
	case value(vMet):
		by = e.decide(p.Criteria, vMet)
		det.Outcome, det.Disposition = Qualifies, cmp.Or(p.Qualifies, "covered")
	case value(vNotMet):
		by = e.decide(p.Criteria, vNotMet)
		det.Outcome, det.Disposition = DoesNotQualify, cmp.Or(by.disposition, p.Fails, "not_covered")
	default:
		det.Needs = e.needs()
		det.Disposition = e.openDisposition(det.Needs)
		by.status = e.openStatus(det.Needs)
	}
	det.Status = by.status
	deciding := map[*rules.Node]bool{}
	for _, n := range by.leaves {
		if !deciding[n] {
			deciding[n] = true
			det.DecidedBy = append(det.DecidedBy, n.ID)
		}
	}
	if !whole {
		return det
	}
	det.Cautions = append(det.Cautions, e.editionCautions()...)
	parts := p.Criteria.Children()
	if parts == nil || len(e.gates[p.Criteria]) > 0 {
		parts = []*rules.Node{p.Criteria}
	}
	for _, n := range parts {
		det.Clauses = append(det.Clauses, e.finding(n, deciding))
	}
	det.Because = e.because(&det, by.leaves)
	det.Notes = append(append(det.Notes, e.notes(deciding)...), e.overrideNotes()...)
	det.Notes = append(det.Notes, e.reportFaults()...)
	det.NearLimit = e.nearness()
	e.document(&det)
	if det.Outcome == Qualifies {
		e.follow(&det)
	}
	return det
}

// Barred reports whether the pack's custody rule forbids the supplier to hold
// and read the recording on the facts as they stand. A condition that is not
// known to fail holds. Ask it before reading a byte of an upload.
func Barred(p *rules.Pack, f Facts) bool {
	if p.Custody == nil {
		return false
	}
	if c, ok := f.Known("custody"); ok && slices.Contains(p.Custody.Accepts, c.Value.Word) {
		return false
	}
	if p.Custody.When == nil {
		return true
	}
	e := newEvaluation(p, p.Custody.When, f, true, nil)
	defer e.release()
	return e.valueOf(p.Custody.When) != value(vNotMet)
}

// decided is what made a clause met or not met.
type decided struct {
	leaves      []*rules.Node
	status      rules.Status // the weakest among leaves; "" of none
	disposition string       // of the innermost clause around the first leaf that names one
}

func (d *decided) add(x decided) {
	d.leaves = append(d.leaves, x.leaves...)
	d.status = weakest(d.status, x.status)
	d.disposition = cmp.Or(d.disposition, x.disposition)
}

func weakest(a, b rules.Status) rules.Status {
	if a == "" || b != "" && b.Weaker(a) {
		return b
	}
	return a
}

// evidence is the status of a clause, a confirmed draft being verified.
func (e *evaluation) evidence(n *rules.Node) rules.Status {
	return e.weight(n.Status, e.idOf[n])
}

func (e *evaluation) weight(s rules.Status, id string) rules.Status {
	if s == rules.Draft && !e.unread(s, id) {
		return rules.Verified
	}
	return s
}

// decide names the leaves that give a clause its value want, vMet or vNotMet.
func (e *evaluation) decide(n *rules.Node, want int) decided {
	if e.leafAt(n) != nil {
		return decided{[]*rules.Node{n}, e.evidence(n), n.Disposition}
	}
	inner := want
	if n.NoneOf != nil {
		inner = vMet + vNotMet - want
	}
	// A met any_of needs one part. A failed all_of or none_of has as many
	// reasons as parts that fail it, and hides none. All parts together make
	// the opposite of either.
	enough, alone := 0, false
	switch {
	case n.AnyOf != nil && want == vMet:
		enough = 1
	case n.NOf != nil && want == vMet:
		enough = n.NOf.N
	case (n.AllOf != nil || n.NoneOf != nil) && want == vNotMet:
		alone = true
	}
	var settled []decided
	var open decided
	for _, c := range n.Children() {
		switch r := e.valueOf(c); {
		case r == value(inner):
			settled = append(settled, e.decide(c, inner))
		case !r.isValue():
			open.add(e.openLeaves(c))
		}
	}
	var out decided
	switch {
	case enough == 0 || len(settled) < enough:
		for _, s := range settled {
			out.add(s)
		}
		if !alone || len(settled) == 0 {
			out.add(open)
		}
	default:
		ranked := slices.Clone(settled)
		slices.SortStableFunc(ranked, func(a, b decided) int {
			return boolRank(a.status.Weaker(b.status)) - boolRank(b.status.Weaker(a.status))
		})
		for _, s := range ranked[:enough] {
			out.add(s)
		}
	}
	out.disposition = cmp.Or(out.disposition, n.Disposition)
	return out
}

// openLeaves names the leaves below a clause whose value hangs on facts: it
// is needed where parts decide together although none does alone.
func (e *evaluation) openLeaves(n *rules.Node) decided {
	if e.leafAt(n) != nil {
		if e.valueOf(n).isValue() {
			return decided{}
		}
		return decided{[]*rules.Node{n}, e.evidence(n), n.Disposition}
	}
	var out decided
	for _, c := range n.Children() {
		out.add(e.openLeaves(c))
	}
	out.disposition = cmp.Or(out.disposition, n.Disposition)
	return out
}

// openDisposition says who has to move an undetermined case.
func (e *evaluation) openDisposition(needs []Need) string {
	switch s := e.shut(); {
	case s != nil && s.to != nil:
		return "deferred"
	case s != nil, e.valueOf(e.root) == value(vNotApplicable):
		return "not_addressed"
	}
	for _, n := range needs {
		if n.Who != rules.Maintainer {
			return "incomplete"
		}
	}
	for _, l := range e.leaves {
		if l.node.Unsettled == "" {
			return "manual_review"
		}
	}
	return "deferred" // the pack compares nothing itself: another text decides
}

// openStatus is the weakest status of the clauses that wait, or if none does
// of all that matter.
func (e *evaluation) openStatus(needs []Need) rules.Status {
	if s := e.shut(); s != nil && s.to != nil {
		return e.weight(s.to.Status, s.to.ID)
	}
	waits, confirm := map[string]bool{}, map[string]bool{}
	for _, n := range needs {
		confirm[n.Fact] = true
		for _, id := range n.Decides {
			waits[id] = true
		}
	}
	var some, all rules.Status
	for _, l := range e.leaves {
		if e.unconfirmed(l.node) && !e.isRelevant(l.node) && !confirm[needConfirm+e.idOf[l.node]] {
			continue // no stated fact has made it matter
		}
		s := e.evidence(l.node)
		if l.node.Unsettled != "" && l.node.Ask == "" {
			s = rules.Draft
		}
		all = weakest(all, s)
		if waits[e.idOf[l.node]] {
			some = weakest(some, s)
		}
	}
	return cmp.Or(some, all, rules.Draft)
}

func onFile(p *rules.Pack, f Facts) []OnFile {
	out := []OnFile{}
	for _, it := range p.OnFile {
		o := OnFile{Item: it.Item, State: "missing", Cite: citeTexts(p, it.Cite), Fact: it.Fact}
		if fact, ok := f.Known(it.Fact); ok && fact.Value.Bool {
			o.State = "seen"
			if fact.State == Located {
				o.State, o.Where = "located", fact.Place.In(f.Language)
				if fact.Place != nil && fact.Place.Copy != "" {
					o.State, o.Where = "seen", o.Where+"; "+f.Language.Say("copy on file: %s", fact.Place.Copy)
				}
			}
		}
		out = append(out, o)
	}
	return out
}

// String tells where a thing stands: "Progress note, 2024-03-13, page 2, told
// by front desk".
func (p *Place) String() string { return p.In(rules.Language{}) }

// In is String in a language; the document and who told are as they were typed.
func (p *Place) In(l rules.Language) string {
	if p == nil {
		return ""
	}
	var parts []string
	for _, s := range []struct{ text, said string }{{p.Document, p.Document}, {p.Date.String(), l.Date(p.Date)},
		{p.Page, l.Say("page %s", p.Page)}, {p.By, l.Say("told by %s", p.By)}} {
		if s.text != "" {
			parts = append(parts, s.said)
		}
	}
	return strings.Join(parts, ", ")
}

// CiteText puts a citation of the pack in words: document, section, edition.
// A key that the pack lacks is returned as it is.
func CiteText(p *rules.Pack, key string) string {
	c, ok := p.Cites[key]
	if !ok {
		return key
	}
	s := c.Document
	if c.Section != "" {
		s += ", section " + c.Section
	}
	if c.Edition != "" {
		s += fmt.Sprintf(" (%s)", c.Edition)
	}
	return s
}

func citeTexts(p *rules.Pack, keys []string) string {
	out := make([]string, len(keys))
	for i, k := range keys {
		out[i] = CiteText(p, k)
	}
	return strings.Join(out, "; ")
}
