package rules

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"
	"sync"
)

// Library holds the packs of all regions, checked. Load or Embedded makes it;
// it is never changed afterwards.
type Library struct {
	regions []Region
	packs   map[string][]*Pack // by region, effective dates ascending
	retired map[string][]*Pack // by region: what no longer counts here, in the order of With
	asOf    Date               // of AsKnownOn, zero: everything that is known
	id      sync.Once
	hash    string
}

// Current returns l: a library that never changes is the one that counts at any
// moment.
func (l *Library) Current(context.Context) (*Library, error) { return l, nil }

// SHA256 names what the library applies: two that give the same version for each
// region and day have the same.
func (l *Library) SHA256() string {
	l.id.Do(func() {
		h := sha256.New()
		for _, r := range l.regions {
			for _, p := range l.packs[r.Region] {
				fmt.Fprintf(h, "%s %s %s %q\n", r.Region, p.EffectiveFrom, p.SHA256, p.Unreadable)
			}
		}
		l.hash = hex.EncodeToString(h.Sum(nil))
	})
	return l.hash
}

// Regions returns all regions by name of their folder, hidden ones last.
func (l *Library) Regions() []Region { return slices.Clone(l.regions) }

// Region returns one region. The error wraps ErrUnknownRegion.
func (l *Library) Region(name string) (Region, error) {
	for _, r := range l.regions {
		if r.Region == name {
			return r, nil
		}
	}
	return Region{}, l.unknown(name)
}

// History returns all versions of a region, effective dates ascending, nil
// for a region that is not known.
func (l *Library) History(region string) []*Pack { return slices.Clone(l.packs[region]) }

// InForce returns the version of a region's criteria in force on a day. The
// error wraps ErrUnknownRegion, or ErrNoPackInForce where the day lies before
// the first version known or after the payer withdrew its criteria.
func (l *Library) InForce(region string, day Date) (*Pack, error) {
	versions := l.packs[region]
	if len(versions) == 0 {
		return nil, l.none(region)
	}
	i := len(versions) - 1
	for i >= 0 && day.Before(versions[i].EffectiveFrom) {
		i--
	}
	switch {
	case i < 0:
		return nil, fmt.Errorf("%w: %s on %s: the first version known is in force from %s; add an earlier pack or check the date", ErrNoPackInForce, region, day, versions[0].EffectiveFrom)
	case versions[i].Unreadable != "":
		return nil, fmt.Errorf("%w: %s on %s: %w: the version in force from %s: %s", ErrNoPackInForce, region, day, ErrUnread, versions[i].EffectiveFrom, versions[i].Unreadable)
	case versions[i].Withdrawn:
		return nil, fmt.Errorf("%w: %s on %s: withdrawn from %s (%s)", ErrNoPackInForce, region, day, versions[i].EffectiveFrom, versions[i].Title)
	}
	return versions[i], nil
}

// At returns the version of a region with exactly that effective date,
// withdrawn or not. The error wraps ErrUnknownRegion or ErrUnknownVersion.
func (l *Library) At(region string, effective Date) (*Pack, error) {
	versions := l.packs[region]
	if len(versions) == 0 {
		return nil, l.none(region)
	}
	dates := make([]string, len(versions))
	for i, p := range versions {
		if p.EffectiveFrom == effective {
			return p, nil
		}
		dates[i] = p.EffectiveFrom.String()
	}
	return nil, fmt.Errorf("%w: %s has none that is effective from %s; its versions: %s", ErrUnknownVersion, region, effective, strings.Join(dates, ", "))
}

// none says why a region has no version.
func (l *Library) none(region string) error {
	if _, err := l.Region(region); err != nil {
		return err
	}
	return fmt.Errorf("%w: %s: no version of it was known here on %s; ask for a later day", ErrNoPackInForce, region, l.asOf)
}

func (l *Library) unknown(region string) error {
	names := make([]string, len(l.regions))
	for i, r := range l.regions {
		names[i] = r.Region
	}
	return fmt.Errorf("%w %s: %s", ErrUnknownRegion, quote(region), didYouMean(region, names))
}

// add takes a region with its versions in any order, sorts them and derives
// the last day of each.
func (l *Library) add(r Region, versions []*Pack) {
	slices.SortFunc(versions, func(a, b *Pack) int {
		return cmp.Compare(a.EffectiveFrom.Days(), b.EffectiveFrom.Days())
	})
	for i, p := range versions {
		p.Region = r
		if i+1 < len(versions) {
			until := versions[i+1].EffectiveFrom.AddDays(-1)
			p.Until = &until
		}
	}
	l.regions = append(l.regions, r)
	l.packs[r.Region] = versions
	slices.SortFunc(l.regions, func(a, b Region) int {
		if a.Hidden != b.Hidden {
			if a.Hidden {
				return 1
			}
			return -1
		}
		return cmp.Compare(a.Region, b.Region)
	})
}

// Walk calls f for every node of the pack, parents before their parts: first
// the condition of custody, the population and the conditions of deferral,
// then the criteria, then the conditions of what follows and of prompts. gate
// is true for a node of a condition or of applies_when and for all that lies
// below one.
func (p *Pack) Walk(f func(n *Node, gate bool)) {
	p.visit(func(n *Node, _ *step, gate bool) { f(n, gate) })
}

// FindClause returns the node of the criteria or of a gate with that id, nil
// if there is none.
func (p *Pack) FindClause(id string) *Node {
	var clause *Node
	p.Walk(func(n *Node, _ bool) {
		if n.ID == id && id != "" && clause == nil {
			clause = n
		}
	})
	return clause
}

// DraftText is a part of a pack that is from memory: it decides nothing until
// a maintainer has confirmed it in the document.
type DraftText struct {
	ID   string // of the clause, deferral or override; a gate has that of its clause
	Text string // what the pack says, in words
	Cite []string
}

// Drafts lists what a maintainer may confirm, in the order of the pack, each id
// once. A clause that is unsettled is not among them: it says nothing.
func (p *Pack) Drafts() []DraftText {
	var out []DraftText
	seen := map[string]bool{}
	add := func(status Status, id, text string, cite []string) {
		if status == Draft && id != "" && !seen[id] {
			seen[id] = true
			out = append(out, DraftText{id, text, cite})
		}
	}
	var walk func(n *Node, owner string)
	walk = func(n *Node, owner string) {
		if n == nil {
			return
		}
		id := cmp.Or(n.ID, owner)
		walk(n.AppliesWhen, id)
		if n.Unsettled == "" {
			add(n.Status, id, strings.TrimPrefix(n.Label+": "+Describe(n), ": "), n.Cite)
		}
		for _, c := range n.Children() {
			walk(c, id)
		}
	}
	walk(p.Population, "population")
	for _, d := range p.DeferTo {
		add(d.Status, d.ID, d.Text, d.Cite)
		walk(d.When, d.ID)
	}
	for _, o := range p.Overrides {
		add(o.Status, o.ID, o.Text, o.Cite)
	}
	walk(p.Criteria, "")
	return out
}

// visit is Walk with the path of each node in its file.
func (p *Pack) visit(f func(n *Node, at *step, gate bool)) {
	var top *step
	if p.Custody != nil {
		p.Custody.When.visit(top.in("custody").in("when"), true, f)
	}
	p.Population.visit(top.in("population"), true, f)
	for i := range p.DeferTo {
		p.DeferTo[i].When.visit(top.in("defer_to").at(i).in("when"), true, f)
	}
	p.Criteria.visit(top.in("criteria"), false, f)
	for i := range p.Allows {
		p.Allows[i].If.visit(top.in("allows").at(i).in("if"), true, f)
	}
	for i := range p.FollowUp {
		p.FollowUp[i].If.visit(top.in("follow_up").at(i).in("if"), true, f)
	}
	for i := range p.Prompts {
		p.Prompts[i].If.visit(top.in("prompts").at(i).in("if"), true, f)
	}
}

func (n *Node) visit(at *step, gate bool, f func(*Node, *step, bool)) {
	if n == nil {
		return
	}
	f(n, at, gate)
	n.AppliesWhen.visit(at.in("applies_when"), true, f)
	list := func(parts []*Node, at *step) {
		for i, part := range parts {
			part.visit(at.at(i), gate, f)
		}
	}
	list(n.AllOf, at.in("all_of"))
	list(n.AnyOf, at.in("any_of"))
	list(n.NoneOf, at.in("none_of"))
	if n.NOf != nil {
		list(n.NOf.Of, at.in("n_of").in("of"))
	}
}
