package worksheet

import (
	"fmt"
	"strings"

	"airwarrant/qualify/criteria"
	"airwarrant/rules"
)

// fillIn is a line to write on.
const fillIn = "____________________"

// Blank lays out a pack as a worksheet to be filled in by hand, for the day on
// which the program cannot be used: what to ask, every clause with its source
// and boxes to tick, what has to be on file, and what follows. printed is the
// day of printing, zero for none.
func Blank(p *rules.Pack, program string, printed rules.Date) *Worksheet {
	w := &Worksheet{
		Title:    "Home-oxygen qualification worksheet, to be filled in by hand",
		Version:  p.Region.Region + " " + p.EffectiveFrom.String() + ", " + p.Title,
		Printed:  printed,
		Program:  program,
		Case:     CaseInfo{Number: fillIn, PatientName: fillIn, Identifier: fillIn, Payer: p.Region.Payer},
		Verdict:  Mark{"To be decided", "☐", "unclear"},
		Headline: [2]string{"criteria met   ☐ criteria not met   ☐ undetermined", "Born " + fillIn + "   filled in by " + fillIn + "   on " + fillIn},
		Standing: "Neither a test report nor an order, and no guarantee of coverage.",
	}
	if len(p.SHA256) >= 12 {
		w.Version += ", file " + p.SHA256[:12]
	}
	src := newSourceList()
	w.Sections = []Section{blankScope(p, src), blankQuestions(p), blankClauses(p, src),
		{ID: "choice", Title: "Of several tests", Items: blankChoice(p, src)}, blankOnFile(p, src),
		{ID: "allows", Title: "What this allows", Items: blankConsequences(p, p.Allows, src)},
		{ID: "followup", Title: "What follows, and when", Items: blankConsequences(p, p.FollowUp, src)},
		{ID: "document", Title: "What to document", Items: blankPrompts(p, src)},
		{ID: "sources", Title: "Sources", Items: src.take(false), Small: true, Cites: true},
		{ID: "cautions", Title: "Cautions", Items: p.Cautions, Small: true},
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
func blankScope(p *rules.Pack, src *sourceList) Section {
	s := Section{ID: "scope", Title: "Before anything else"}
	add := func(format string, args ...any) { s.Items = append(s.Items, "☐ "+fmt.Sprintf(format, args...)) }
	until := "until a later version"
	if p.Until != nil {
		until = "to " + p.Until.String()
	}
	add("The test was taken from %s %s.", p.EffectiveFrom, until)
	if p.Population != nil {
		add("The patient is one for whom these criteria are: %s. Otherwise choose another set: %s.", rules.DescribeWhole(p.Population), strings.TrimSuffix(p.OtherwiseSee, "."))
	}
	for _, d := range p.DeferTo {
		add("It is not so that %s. Otherwise %s decides: %s (source %s)", rules.DescribeWhole(d.When), d.Region, d.Text, sources(p, src, d.Cite))
	}
	if !p.Expires.IsZero() {
		add("The test was taken by %s; this edition is not current after it. (source %s)", p.Expires, sources(p, src, p.ExpiresCite))
	}
	for _, o := range p.Overrides {
		add("Waived for tests %s: %s, because: %s (%s; source %s)", rules.Period(o.From, o.Until), strings.Join(o.Waives, ", "), o.Text, o.Status, sources(p, src, o.Cite))
	}
	if c := p.Custody; c != nil {
		where := ""
		if c.When != nil {
			where = "Where " + rules.DescribeWhole(c.When) + ": "
		}
		words := make([]string, len(c.Accepts))
		for i, a := range c.Accepts {
			words[i] = rules.PlainWord(a)
		}
		add("%sa supplier sees the result only on one of these footings: %s. Otherwise: %s (source %s)", where, strings.Join(words, ", "), strings.TrimSuffix(c.Who, "."), sources(p, src, c.Cite))
	}
	return s
}

// blankQuestions asks for every fact that a clause reads, in the order of the
// vocabulary.
func blankQuestions(p *rules.Pack) Section {
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
	s := Section{ID: "questions", Title: "What has to be known", Table: &Table{Columns: []Column{{"Question", .55, false}, {"Answer", .22, false}, {"Where it stands", .23, false}}, Fixed: true}}
	for _, def := range rules.Vocabulary() {
		switch {
		case !read[def.Name]:
		case def.Settles == "computed":
			s.Table.Rows = append(s.Table.Rows, Row{Cells: []Cell{{Text: "Measured or counted: " + strings.TrimSuffix(def.Meaning, ".") + "."}, {Text: fillIn}, {Text: fillIn}}})
		default:
			s.Table.Rows = append(s.Table.Rows, Row{Cells: []Cell{{Text: def.Question, Sub: string(def.Who)}, {Text: fillIn}, {Text: fillIn}}})
		}
	}
	return s
}

// blankClauses lists every clause with boxes.
func blankClauses(p *rules.Pack, src *sourceList) Section {
	s := Section{ID: "clauses", Title: "Every clause", Lead: "A clause that does not apply drops out of its group. A draft is from memory and decides nothing.",
		Table: &Table{Columns: []Column{{"Clause", .28, false}, {"Asked", .38, false}, {"Verdict", .2, false}, {"Source", .14, false}}}}
	var walk func(n *rules.Node, depth int)
	walk = func(n *rules.Node, depth int) {
		asked := rules.Describe(n)
		sub := ""
		if n.AppliesWhen != nil {
			sub = "Applies where " + rules.DescribeWhole(n.AppliesWhen) + ". "
		}
		if !n.Since.IsZero() || !n.Until.IsZero() {
			sub += "Holds for tests " + rules.Period(n.Since, n.Until) + ". "
		}
		f := criteria.Finding{Status: n.Status, ReadingOurs: n.Reading == "ours", Strength: n.Strength, Grade: n.Grade}
		s.Table.Rows = append(s.Table.Rows, Row{Depth: depth, Strong: depth == 0, Cells: []Cell{
			{Text: n.Label, Sub: n.ID}, {Text: asked, Sub: strings.TrimSpace(sub + n.Note)},
			{Text: "☐ met ☐ not met", Sub: "☐ open ☐ does not apply"}, {Text: sources(p, src, n.Cite), Sub: evidence(f)},
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

func blankOnFile(p *rules.Pack, src *sourceList) Section {
	s := Section{ID: "onfile", Title: "What has to be on file"}
	for _, it := range p.OnFile {
		s.Items = append(s.Items, "☐ "+it.Item+" (source "+sources(p, src, it.Cite)+")")
	}
	return s
}

func blankConsequences(p *rules.Pack, cs []rules.Consequence, src *sourceList) []string {
	var out []string
	for _, c := range cs {
		s := "☐ Where " + c.Condition() + ": " + c.Text
		if c.Kind != "" {
			s = "☐ " + kindWords[c.Kind] + ", where " + c.Condition() + ": " + c.Text
		}
		if c.Status == rules.Draft {
			s += " (draft)"
		}
		out = append(out, s+" (source "+sources(p, src, c.Cite)+")")
	}
	return out
}

func blankPrompts(p *rules.Pack, src *sourceList) []string {
	var out []string
	for _, x := range p.Prompts {
		s := "☐ "
		if x.If != nil {
			s += "Where " + rules.DescribeWhole(x.If) + ": "
		}
		out = append(out, s+x.Text+" (source "+sources(p, src, x.Cite)+")")
	}
	return out
}

// blankChoice says which of several tests decides.
func blankChoice(p *rules.Pack, src *sourceList) []string {
	c := p.Choose
	if c == nil {
		return nil
	}
	s := "Of several tests taken in one state this decides: " + c.Describe() + ". " + c.Note
	if c.Status == rules.Draft {
		s += " (draft: it never acts)"
	}
	return []string{strings.TrimSpace(s) + " (source " + sources(p, src, c.Cite) + ")"}
}
