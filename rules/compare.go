package rules

import (
	"cmp"
	"fmt"
	"reflect"
	"slices"
	"strings"
)

// Difference is one thing that two versions of criteria say differently, as a
// sentence.
type Difference struct {
	Part string `json:"part"` // id of the clause, or key of the pack
	Kind string `json:"kind"` // added, removed or changed
	Text string `json:"text"`
}

// Compare tells in sentences what b says otherwise than a: first what holds
// for the version as a whole, then clauses in the order of b, then those of a
// that are gone. Clauses are the same if their id is. Two packs of the same
// words give none.
func Compare(a, b *Pack) []Difference {
	c := &comparison{}
	c.pack(a, b)
	c.clauses(a, b)
	return c.out
}

type comparison struct{ out []Difference }

func (c *comparison) add(part, kind, format string, args ...any) {
	c.out = append(c.out, Difference{part, kind, fmt.Sprintf(format, args...)})
}

// text tells a text that changed; "" is none.
func (c *comparison) text(part, what, before, after string) {
	switch {
	case before == after:
	case before == "":
		c.add(part, "changed", "%s is now “%s”; it was not given before.", what, after)
	case after == "":
		c.add(part, "changed", "%s is no longer given; it was “%s”.", what, before)
	default:
		c.add(part, "changed", "%s is now “%s”; before “%s”.", what, after, before)
	}
}

// list tells entries that came and went.
func (c *comparison) list(part, what string, before, after []string) {
	for _, s := range after {
		if !slices.Contains(before, s) {
			c.add(part, "added", "%s: new is “%s”.", what, s)
		}
	}
	for _, s := range before {
		if !slices.Contains(after, s) {
			c.add(part, "removed", "%s: gone is “%s”.", what, s)
		}
	}
}

func (c *comparison) pack(a, b *Pack) {
	c.text("title", "The title", a.Title, b.Title)
	if a.Withdrawn != b.Withdrawn {
		c.add("withdrawn", "changed", "%s", map[bool]string{true: "The payer withdrew its criteria.", false: "The criteria are in force again."}[b.Withdrawn])
	}
	for i, t := 0, reflect.TypeFor[Reading](); i < t.NumField(); i++ {
		key, _ := yamlKey(t.Field(i))
		word := func(r Reading) string {
			switch v := reflect.ValueOf(r).Field(i).Interface().(type) {
			case string:
				return v
			case *Quantity:
				if v != nil {
					return v.String()
				}
			}
			return ""
		}
		c.text("reading."+key, "The parameter of reading "+key, word(a.Reading), word(b.Reading))
	}
	c.text("qualifies", "The disposition of criteria that are met", cmp.Or(a.Qualifies, "covered"), cmp.Or(b.Qualifies, "covered"))
	c.text("fails", "The disposition of criteria that are not met", cmp.Or(a.Fails, "not_covered"), cmp.Or(b.Fails, "not_covered"))
	c.text("population", "Its population", condition(a.Population), condition(b.Population))
	c.text("otherwise_see", "The set for others", a.OtherwiseSee, b.OtherwiseSee)
	c.text("expires", "The last day of the edition", a.Expires.String(), b.Expires.String())
	custody := func(p *Pack) (when, accepts, who string) {
		if p.Custody == nil {
			return "", "", ""
		}
		return cmp.Or(condition(p.Custody.When), "always"), strings.Join(p.Custody.Accepts, ", "), p.Custody.Who
	}
	whenA, acceptsA, whoA := custody(a)
	whenB, acceptsB, whoB := custody(b)
	c.text("custody", "When the supplier is barred from the result", whenA, whenB)
	c.text("custody", "On what footing the supplier may hold the result", acceptsA, acceptsB)
	c.text("custody", "Who may send the result otherwise", whoA, whoB)
	c.list("defer_to", "When another set decides", deferrals(a), deferrals(b))
	c.list("overrides", "What is waived for a time", overrides(a), overrides(b))
	items := func(p *Pack) []string {
		var out []string
		for _, it := range p.OnFile {
			out = append(out, it.Item)
		}
		return out
	}
	c.list("on_file", "What has to be on file", items(a), items(b))
	c.list("allows", "What it allows", consequences(a.Allows), consequences(b.Allows))
	c.list("follow_up", "What follows", consequences(a.FollowUp), consequences(b.FollowUp))
	c.list("prompts", "What to document", prompts(a), prompts(b))
	c.text("choose", "How one of several tests is chosen", a.Choose.words(), b.Choose.words())
	c.list("cautions", "Cautions", a.Cautions, b.Cautions)
	c.list("cites", "Documents", citations(a), citations(b))
}

func condition(n *Node) string {
	if n == nil {
		return ""
	}
	return DescribeWhole(n)
}

func deferrals(p *Pack) []string {
	var out []string
	for _, d := range p.DeferTo {
		out = append(out, fmt.Sprintf("where %s, %s: %s (%s)", condition(d.When), d.Region, d.Text, d.Status))
	}
	return out
}

func overrides(p *Pack) []string {
	var out []string
	for _, o := range p.Overrides {
		out = append(out, fmt.Sprintf("%s, for tests %s: %s (%s)", strings.Join(o.Waives, ", "), Language{}.Period(o.From, o.Until), o.Text, o.Status))
	}
	return out
}

func consequences(cs []Consequence) []string {
	var out []string
	for _, x := range cs {
		out = append(out, fmt.Sprintf("%s (%s, where %s; %s)", x.Text, PlainWord(cmp.Or(x.Kind, "note")), x.Condition(), x.Status))
	}
	return out
}

func prompts(p *Pack) []string {
	var out []string
	for _, x := range p.Prompts {
		out = append(out, fmt.Sprintf("%s (%s; %s)", x.Text, cmp.Or(condition(x.If), "always"), x.Status))
	}
	return out
}

// words is a choice in one line, "" for none.
func (c *Choose) words() string {
	if c == nil {
		return ""
	}
	s := c.Describe() + " (" + string(c.Status)
	for _, part := range []string{strings.Join(c.Cite, ", "), c.Reading, c.Note} {
		if part != "" {
			s += "; " + part
		}
	}
	return s + ")"
}

func citations(p *Pack) []string {
	var out []string
	for _, name := range sortedKeys(p.Cites) {
		out = append(out, name+": "+p.Cites[name].words())
	}
	return out
}

// words is a citation in one line.
func (c Citation) words() string {
	s := c.Document
	for _, part := range []struct{ before, text string }{{", section ", c.Section}, {", ", c.Edition}, {", ", c.Address}, {", read on ", c.ReadOn.String()}} {
		if part.text != "" {
			s += part.before + part.text
		}
	}
	return s
}

// placed is a clause with the group that it stands in.
type placed struct {
	*Node
	in string // id of the group, "" for the root
}

func placedClauses(p *Pack) (order []string, by map[string]placed) {
	by = map[string]placed{}
	var walk func(n *Node, in string)
	walk = func(n *Node, in string) {
		order = append(order, n.ID)
		by[n.ID] = placed{n, in}
		for _, c := range n.Children() {
			walk(c, n.ID)
		}
	}
	if p.Criteria != nil {
		walk(p.Criteria, "")
	}
	return order, by
}

func (c *comparison) clauses(a, b *Pack) {
	before, old := placedClauses(a)
	after, now := placedClauses(b)
	for _, id := range after {
		n := now[id]
		m, ok := old[id]
		if !ok {
			c.add(id, "added", "Clause %s is new%s: %s asks “%s” (%s).", id, inGroup("in", n.in), n.name(), Describe(n.Node), cmp.Or(string(n.Status), "a group"))
			continue
		}
		c.clause(id, m, n)
	}
	for _, id := range before {
		if _, ok := now[id]; !ok {
			c.add(id, "removed", "Clause %s is gone%s: %s asked “%s”.", id, inGroup("from", old[id].in), old[id].name(), Describe(old[id].Node))
		}
	}
}

func inGroup(word, id string) string {
	if id == "" {
		return ""
	}
	return " " + word + " the group " + id
}

func (n placed) name() string { return "“" + cmp.Or(n.Label, n.ID) + "”" }

// clause tells what one clause says otherwise. Describe tells figures,
// comparators, words and connectives apart.
func (c *comparison) clause(id string, a, b placed) {
	of := func(what string) string { return what + " of clause " + id }
	c.text(id, of("The label"), a.Label, b.Label)
	c.text(id, of("The group"), a.in, b.in)
	c.text(id, of("The question"), Describe(a.Node), Describe(b.Node))
	c.text(id, of("The condition"), condition(a.AppliesWhen), condition(b.AppliesWhen))
	c.text(id, of("The first date"), a.Since.String(), b.Since.String())
	c.text(id, of("The last date"), a.Until.String(), b.Until.String())
	c.text(id, of("The fact asked for the text"), a.Ask, b.Ask)
	c.text(id, of("The rounding"), a.Rounding, b.Rounding)
	c.text(id, of("What absence means, the value if_absent,"), cmp.Or(a.IfAbsent, "ask"), cmp.Or(b.IfAbsent, "ask"))
	c.text(id, of("The fact that stands in for that"), a.UnlessKnown, b.UnlessKnown)
	c.text(id, of("The outcome of a failure"), cmp.Or(a.Otherwise, "not_met"), cmp.Or(b.Otherwise, "not_met"))
	c.text(id, of("The disposition of a failure"), a.Disposition, b.Disposition)
	c.text(id, of("The strength"), a.Strength, b.Strength)
	c.text(id, of("The grade"), a.Grade, b.Grade)
	c.text(id, of("The citations"), strings.Join(a.Cite, ", "), strings.Join(b.Cite, ", "))
	c.text(id, of("The status"), string(a.Status), string(b.Status))
	c.text(id, of("Whose reading it is, the value reading,"), a.Reading, b.Reading)
	c.text(id, of("The note"), a.Note, b.Note)
}
