package worksheet

import (
	"slices"
	"strings"

	"airwarrant/qualify/criteria"
	"airwarrant/rules"
)

// kindWords says what a consequence is about.
var kindWords = map[string]string{
	"stationary": "Stationary equipment", "portable": "Portable equipment", "sleep_only": "For use asleep alone", "high_flow": "High flow",
	"modifier": "Claim modifier", "order": "Element of the order", "serves_until": "This test serves",
	"retest": "New test", "renewal": "Renewal", "document": "To be documented", "note": "Note",
}

// KindWords says in words what a consequence is about: "New test".
func KindWords(kind string) string { return kindWords[kind] }

// follows lists the consequences of one part of the pack that hold, with
// their dates.
func follows(in Input, part, id, title string, src *sourceList) Section {
	l := in.Language
	s := Section{ID: id, Title: title, Table: &Table{Columns: []Column{
		{l.Say("About"), .16, false}, {l.Say("What the criteria say"), .52, false}, {l.Say("When"), .18, false}, {l.Say("Source"), .14, false}}, Inline: true}, Cites: true}
	for _, c := range in.Determination.Consequences {
		if c.Part != part || c.State != criteria.Holds {
			continue
		}
		when := Cell{Text: orDash(c.DatesIn(l))}
		if c.DayZero != nil {
			when.Sub = l.Say("day 0 is %s", *c.DayZero)
		}
		// What follows without a date is remembered, what has one is kept.
		spare := SpareNot
		if c.DatesIn(l) == "" {
			spare = SpareAside
		}
		s.Table.Rows = append(s.Table.Rows, Row{Aside: part == criteria.PartFollowUp && c.DatesIn(l) == "", Spare: spare, Cells: []Cell{{Text: l.Say(kindWords[c.Kind])}, {Text: unverified(l, c)}, when,
			{Text: src.numbers(c.Cites, false), Sub: evidence(l, criteria.Finding{Status: c.Status})}}})
	}
	if len(s.Table.Rows) > 0 {
		s.Items = src.take(true)
	}
	return s
}

func unverified(l rules.Language, c criteria.Consequence) string {
	if c.Status == rules.Draft {
		return l.Say("Unverified: %s", c.Text)
	}
	return c.Text
}

// whatWouldChange lists the questions of consequences that are open. They
// stand apart from those about the outcome, which they cannot change.
func whatWouldChange(l rules.Language, d criteria.Determination) Section {
	s := Section{ID: "equipment", Title: l.Say("What would change the equipment or a date"), Lead: l.Say("No answer here changes the outcome."),
		Table: &Table{Columns: []Column{{l.Say("Who"), .18, false}, {l.Say("Question"), .40, false}, {l.Say("Settles"), .42, false}}}}
	row := map[string]int{}
	for _, c := range d.Consequences {
		if c.State != criteria.Open {
			continue
		}
		settles := l.Say(kindWords[c.Kind]) + ": " + unverified(l, c)
		if len(c.Asks) == 0 {
			s.Table.Rows = append(s.Table.Rows, Row{Cells: []Cell{{Text: "–"}, {Text: l.Say("What would settle it was asked and is not known.")}, {Text: settles}}})
			continue
		}
		for _, a := range c.Asks {
			i, ok := row[a.Fact]
			if !ok {
				i = len(s.Table.Rows)
				row[a.Fact] = i
				s.Table.Rows = append(s.Table.Rows, Row{Cells: []Cell{{Text: l.Say(roleName(a.Who))}, {Text: a.Question}, {Text: settles}}})
				continue
			}
			cell := &s.Table.Rows[i].Cells[2]
			if !strings.Contains(cell.Text, settles) {
				cell.Text += " " + settles
			}
		}
	}
	return s
}

// openBeside are the facts that are asked although they cannot change the
// outcome.
func openBeside(d criteria.Determination) map[string]bool {
	out := map[string]bool{}
	for _, c := range d.Consequences {
		if c.State == criteria.Open {
			for _, a := range c.Asks {
				out[a.Fact] = true
			}
		}
	}
	return out
}

// documented are the prompts that hold, each with its sources by number.
func documented(in Input, src *sourceList) []string {
	l := in.Language
	var out []string
	for _, s := range in.Determination.Document {
		see, _, _ := strings.Cut(l.Say("See %s."), "%s")
		text, _, cited := strings.Cut(s, " "+see)
		if i := promptOf(in.Pack, text); cited && i >= 0 {
			if n := sources(in.Pack, src, in.Pack.Prompts[i].Cite); n != "" {
				s = text + " " + l.Say("(source %s)", n)
			}
		}
		out = append(out, s)
	}
	return out
}

// promptOf is the prompt of p that a text ends with, -1 if there is none.
func promptOf(p *rules.Pack, text string) int {
	if p == nil {
		return -1
	}
	return slices.IndexFunc(p.Prompts, func(x rules.Prompt) bool { return x.Text != "" && strings.HasSuffix(text, x.Text) })
}
