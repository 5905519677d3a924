package casework

import (
	"maps"
	"slices"
	"time"
)

// What an office can say to a question.
const (
	SaysLocated    = "located"      // in the chart, with its place; states the fact
	SaysNotInChart = "not_in_chart" // looked for, not there
	SaysDisagrees  = "disagrees"    // a dispute, until somebody settles it
	SaysNotOurs    = "not_ours"     // not ours to say
)

// Answer is what an office says to one question.
type Answer struct {
	Says   string `json:"says"`            // one of the Says words
	Stated Stated `json:"stated,omitzero"` // where it stands, if located
	Note   Ref    `json:"note,omitzero"`   // free words
	By     Ref    `json:"by,omitzero"`     // name and credential of who answers
}

// Given is an office's answer with who gave it when, and how far a dispute
// that it opened has come.
type Given struct {
	Answer
	K    int       `json:"k"`
	At   time.Time `json:"at"`
	By   string    `json:"by"`
	Role Role      `json:"role"`

	Owner     string    `json:"owner,omitzero"` // who took the dispute; "" nobody yet
	OwnedAt   time.Time `json:"owned_at,omitzero"`
	Settled   Ref       `json:"settled,omitzero"` // words that settled it; "" open
	SettledBy string    `json:"settled_by,omitzero"`
	SettledAt time.Time `json:"settled_at,omitzero"`
}

// disputed reports whether the office disagrees about a fact, and nobody has
// settled that or stated the fact anew.
func (c *Case) disputed(name string) bool {
	g, ok := c.Answers[name]
	return ok && g.Says == SaysDisagrees && g.Settled == "" && c.Facts[name].K < g.K
}

// Disputed lists the facts in open dispute, by name.
func (c *Case) Disputed() []string {
	var out []string
	for _, name := range slices.Sorted(maps.Keys(c.Answers)) {
		if c.disputed(name) {
			out = append(out, name)
		}
	}
	return out
}

// Answered holds all answers that an office sent at once. A located one
// states its fact.
type Answered struct {
	Answers map[string]Answer `json:"answers"` // by name of the fact
}

// Kind returns KindAnswered.
func (Answered) Kind() Kind { return KindAnswered }
func (v Answered) refs() []Ref {
	var out []Ref
	for _, a := range v.Answers {
		out = append(out, a.Stated.Personal, a.Note, a.By)
	}
	return out
}
func (v Answered) apply(c *Case, e Event) error {
	if len(v.Answers) == 0 {
		return refused("no question is answered")
	}
	if e.Role == RoleOffice {
		c.heard = e.K
	}
	c.Answers, c.Facts = maps.Clone(c.Answers), maps.Clone(c.Facts)
	if c.Answers == nil {
		c.Answers = map[string]Given{}
	}
	if c.Facts == nil {
		c.Facts = map[string]Statement{}
	}
	for name, a := range v.Answers {
		switch a.Says {
		case SaysLocated:
			if err := a.Stated.check(name); err != nil {
				return err
			}
			c.Facts[name] = Statement{Stated: a.Stated, K: e.K, At: e.At, By: e.By, Role: e.Role}
		case SaysNotInChart, SaysDisagrees, SaysNotOurs:
			if len(a.Stated.Fact) > 0 || a.Stated.Personal != "" {
				return refused("the answer to %q says %s and still states a value", name, a.Says)
			}
		default:
			return refused("an answer is located, not_in_chart, disagrees or not_ours, found %q for %q", a.Says, name)
		}
		c.Answers[name] = Given{Answer: a, K: e.K, At: e.At, By: e.By, Role: e.Role}
	}
	return nil
}

// dispute changes the open dispute about a fact.
func (c *Case) dispute(name string, change func(*Given)) error {
	if !c.disputed(name) {
		return refused("no dispute about %q is open", name)
	}
	g := c.Answers[name]
	change(&g)
	c.Answers = maps.Clone(c.Answers)
	c.Answers[name] = g
	return nil
}

// DisputeTaken makes whoever writes the event the owner of a dispute.
type DisputeTaken struct {
	Fact string `json:"fact"`
}

// Kind returns KindDisputeTaken.
func (DisputeTaken) Kind() Kind  { return KindDisputeTaken }
func (DisputeTaken) refs() []Ref { return nil }
func (v DisputeTaken) apply(c *Case, e Event) error {
	return c.dispute(v.Fact, func(g *Given) { g.Owner, g.OwnedAt = e.By, e.At })
}

// DisputeSettled ends a dispute by words: what was found, and who looked.
type DisputeSettled struct {
	Fact  string `json:"fact"`
	Words Ref    `json:"words"`
}

// Kind returns KindDisputeSettled.
func (DisputeSettled) Kind() Kind    { return KindDisputeSettled }
func (v DisputeSettled) refs() []Ref { return []Ref{v.Words} }
func (v DisputeSettled) apply(c *Case, e Event) error {
	if v.Words == "" {
		return refused("say in words how the dispute was settled")
	}
	return c.dispute(v.Fact, func(g *Given) {
		if g.Owner == "" {
			g.Owner, g.OwnedAt = e.By, e.At
		}
		g.Settled, g.SettledBy, g.SettledAt = v.Words, e.By, e.At
	})
}
