package worksheet

import (
	"strings"

	"airwarrant/qualify/criteria"
	"airwarrant/rules"
)

// fillIn is a line to write on.
const fillIn = "____________________"

// Blank lays out a pack as a worksheet to be filled in by hand, for the day on
// which the program cannot be used: what to ask, every clause with its source
// and boxes to tick, what has to be on file, and what follows. printed is the
// day of printing, zero for none; l words what the pack does not hold.
func Blank(l rules.Language, p *rules.Pack, program string, printed rules.Date) *Worksheet {
	w := &Worksheet{
		Language: l,
		Title:    l.Say("Home-oxygen qualification worksheet, to be filled in by hand"),
		Version:  p.Region.Region + " " + p.EffectiveFrom.String() + ", " + p.Title,
		Printed:  printed,
		Program:  program,
		Case:     CaseInfo{Number: fillIn, PatientName: fillIn, Identifier: fillIn, Payer: p.Region.Payer},
		Verdict:  *Mark{"To be decided", "☐", "unclear"}.in(l),
		Headline: [2]string{l.Say("criteria met") + "   ☐ " + l.Say("criteria not met") + "   ☐ " + l.Say("undetermined"),
			l.Say("Born %s", fillIn) + "   " + l.Say("filled in by %s", fillIn) + "   " + l.Say("on %s", fillIn)},
		Standing: l.Say("Neither a test report nor an order, and no guarantee of coverage."),
	}
	if len(p.SHA256) >= 12 {
		w.Version += ", " + l.Say("file %s", p.SHA256[:12])
	}
	src := newSourceList()
	w.Sections = []Section{blankScope(l, p, src), blankQuestions(l, p), blankClauses(l, p, src),
		{ID: "choice", Title: l.Say("Of several tests"), Items: blankChoice(l, p, src)}, blankOnFile(l, p, src),
		{ID: "allows", Title: l.Say("What this allows"), Items: blankConsequences(l, p, p.Allows, src)},
		{ID: "followup", Title: l.Say("What follows, and when"), Items: blankConsequences(l, p, p.FollowUp, src)},
		{ID: "document", Title: l.Say("What to document"), Items: blankPrompts(l, p, src)},
		{ID: "sources", Title: l.Say("Sources"), Items: src.take(false), Small: true, Cites: true},
		{ID: "cautions", Title: l.Say("Cautions"), Items: p.Cautions, Small: true},
	}
	for i := range w.Sections {
		if t := w.Sections[i].Table; t != nil {
			t.in = l
		}
	}
	kept := w.Sections[:0]
	for _, s := range w.Sections {
		if len(s.Items) > 0 || s.Table != nil && len(s.Table.Rows) > 0 {
			kept = append(kept, s)
		}
	}
	w.Sections = kept
	w.clean()
	return w
}

func sources(p *rules.Pack, src *sourceList, keys []string) string {
	texts := make([]string, len(keys))
	for i, k := range keys {
		texts[i] = criteria.CiteText(p, k)
	}
	return src.numbers(texts, false)
}

// blankScope says for whom and until when the pack is, and what bars from it.
func blankScope(l rules.Language, p *rules.Pack, src *sourceList) Section {
	s := Section{ID: "scope", Title: l.Say("Before anything else")}
	add := func(format string, args ...any) { s.Items = append(s.Items, "☐ "+l.Say(format, args...)) }
	if p.Until != nil {
		add("The test was taken from %s to %s.", p.EffectiveFrom, *p.Until)
	} else {
		add("The test was taken from %s until a later version.", p.EffectiveFrom)
	}
	if p.Population != nil {
		add("The patient is one for whom these criteria are: %s. Otherwise choose another set: %s.", l.DescribeWhole(p.Population), strings.TrimSuffix(p.OtherwiseSee, "."))
	}
	for _, d := range p.DeferTo {
		add("It is not so that %s. Otherwise %s decides: %s (source %s)", l.DescribeWhole(d.When), d.Region, d.Text, sources(p, src, d.Cite))
	}
	if !p.Expires.IsZero() {
		add("The test was taken by %s; this edition is not current after it. (source %s)", p.Expires, sources(p, src, p.ExpiresCite))
	}
	for _, o := range p.Overrides {
		add("Waived for tests %s: %s, because: %s (%s; source %s)", l.Period(o.From, o.Until), strings.Join(o.Waives, ", "), o.Text, l.Say(string(o.Status)), sources(p, src, o.Cite))
	}
	if c := p.Custody; c != nil {
		words := make([]string, len(c.Accepts))
		for i, a := range c.Accepts {
			words[i] = l.Word(a)
		}
		text, when := "a supplier sees the result only on one of these footings: %s. Otherwise: %s (source %s)", []any{}
		if c.When != nil {
			text, when = "Where %s: a supplier sees the result only on one of these footings: %s. Otherwise: %s (source %s)", []any{l.DescribeWhole(c.When)}
		}
		add(text, append(when, strings.Join(words, ", "), strings.TrimSuffix(c.Who, "."), sources(p, src, c.Cite))...)
	}
	return s
}

// blankQuestions asks for every fact that a clause reads, in the order of the
// vocabulary.
func blankQuestions(l rules.Language, p *rules.Pack) Section {
	read := map[string]bool{}
	var need func(name string)
	need = func(name string) {
		def, ok := rules.Lookup(name)
		read[name] = ok
		for _, from := range def.From {
			need(from)
		}
	}
	p.Walk(func(n *rules.Node, _ bool) {
		if n.Fact != "" {
			need(n.Fact)
		}
	})
	if p.Custody != nil {
		need("custody")
	}
	s := Section{ID: "questions", Title: l.Say("What has to be known"), Table: &Table{Columns: []Column{{l.Say("Question"), .55, false}, {l.Say("Answer"), .22, false}, {l.Say("Where it stands"), .23, false}}, Fixed: true}}
	for _, def := range rules.Vocabulary() {
		switch {
		case !read[def.Name]:
		case def.Settles == "computed":
			s.Table.Rows = append(s.Table.Rows, Row{Cells: []Cell{{Text: l.Say("Measured or counted: %s.", strings.TrimSuffix(l.Meaning(def), "."))}, {Text: fillIn}, {Text: fillIn}}})
		default:
			s.Table.Rows = append(s.Table.Rows, Row{Cells: []Cell{{Text: l.Say(def.Question), Sub: l.Say(string(def.Who))}, {Text: fillIn}, {Text: fillIn}}})
		}
	}
	return s
}

// blankClauses lists every clause with boxes.
func blankClauses(l rules.Language, p *rules.Pack, src *sourceList) Section {
	s := Section{ID: "clauses", Title: l.Say("Every clause"), Lead: l.Say("A clause that does not apply drops out of its group. A draft is from memory and decides nothing."),
		Table: &Table{Columns: []Column{{l.Say("Clause"), .28, false}, {l.Say("Asked"), .38, false}, {l.Say("Verdict"), .2, false}, {l.Say("Source"), .14, false}}}}
	var walk func(n *rules.Node, depth int)
	walk = func(n *rules.Node, depth int) {
		asked := l.Describe(n)
		sub := ""
		if n.AppliesWhen != nil {
			sub = l.Say("Applies where %s.", l.DescribeWhole(n.AppliesWhen)) + " "
		}
		if !n.Since.IsZero() || !n.Until.IsZero() {
			sub += l.Say("Holds for tests %s.", l.Period(n.Since, n.Until)) + " "
		}
		f := criteria.Finding{Status: n.Status, ReadingOurs: n.Reading == "ours", Strength: n.Strength, Grade: n.Grade}
		s.Table.Rows = append(s.Table.Rows, Row{Depth: depth, Strong: depth == 0, Cells: []Cell{
			{Text: n.Label, Sub: n.ID}, {Text: asked, Sub: strings.TrimSpace(sub + n.Note)},
			{Text: l.Say("☐ met ☐ not met"), Sub: l.Say("☐ open ☐ does not apply")}, {Text: sources(p, src, n.Cite), Sub: evidence(l, f)},
		}})
		for _, c := range n.Children() {
			walk(c, depth+1)
		}
	}
	if p.Criteria != nil {
		walk(p.Criteria, 0)
	}
	return s
}

func blankOnFile(l rules.Language, p *rules.Pack, src *sourceList) Section {
	s := Section{ID: "onfile", Title: l.Say("What has to be on file")}
	for _, it := range p.OnFile {
		s.Items = append(s.Items, "☐ "+it.Item+" "+l.Say("(source %s)", sources(p, src, it.Cite)))
	}
	return s
}

func blankConsequences(l rules.Language, p *rules.Pack, cs []rules.Consequence, src *sourceList) []string {
	var out []string
	for _, c := range cs {
		s := "☐ " + l.Say("Where %s: %s", l.Condition(c), c.Text)
		if c.Kind != "" {
			s = "☐ " + l.Say("%s, where %s: %s", l.Say(kindWords[c.Kind]), l.Condition(c), c.Text)
		}
		if c.Status == rules.Draft {
			s += " (" + l.Say("draft") + ")"
		}
		out = append(out, s+" "+l.Say("(source %s)", sources(p, src, c.Cite)))
	}
	return out
}

func blankPrompts(l rules.Language, p *rules.Pack, src *sourceList) []string {
	var out []string
	for _, x := range p.Prompts {
		s := x.Text
		if x.If != nil {
			s = l.Say("Where %s: %s", l.DescribeWhole(x.If), x.Text)
		}
		out = append(out, "☐ "+s+" "+l.Say("(source %s)", sources(p, src, x.Cite)))
	}
	return out
}

// blankChoice says which of several tests decides.
func blankChoice(l rules.Language, p *rules.Pack, src *sourceList) []string {
	c := p.Choose
	if c == nil {
		return nil
	}
	s := l.Say("Of several tests taken in one state this decides: %s.", l.Choose(c)) + " " + c.Note
	if c.Status == rules.Draft {
		s += " (" + l.Say("draft: it never acts") + ")"
	}
	return []string{strings.TrimSpace(s) + " " + l.Say("(source %s)", sources(p, src, c.Cite))}
}
