package criteria

import (
	"slices"
	"time"

	"airwarrant/rules"
)

// The states of a consequence.
const (
	Holds = "holds"
	Open  = "open" // a condition is not known, or the day that it is counted from
)

// The parts of a pack that consequences stand in.
const (
	PartAllows   = "allows"
	PartFollowUp = "follow_up"
)

// Consequence is what follows from a case that qualifies, and from no other.
type Consequence struct {
	Kind    string       `json:"kind"` // of rules.Consequence
	Text    string       `json:"text"` // as in the pack, without its dates
	State   string       `json:"state"`
	From    *rules.Date  `json:"from"`  // first day, nil for none
	Until   *rules.Date  `json:"until"` // last day, itself included, nil for none
	Cites   []string     `json:"cites"` // document, section, edition, in words
	Status  rules.Status `json:"status"`
	Asks    []Ask        `json:"asks"`     // what would settle it; never nil
	Part    string       `json:"part"`     // allows or follow_up
	DayZero *rules.Date  `json:"day_zero"` // the day from which it is counted, nil for none
}

// Ask is a question that cannot change the outcome.
type Ask struct {
	Fact     string     `json:"fact"`
	Question string     `json:"question"`
	Who      rules.Role `json:"who"`
}

// Sentence is the text with its dates, as the keys allows and follow_up hold
// it: "A new test is due. From 2030-04-03 to 2030-05-02 (day 0 is
// 2030-02-01)."
func (c Consequence) Sentence() string { return c.SentenceIn(rules.Language{}) }

// SentenceIn is Sentence in a language; the text stays the pack's.
func (c Consequence) SentenceIn(l rules.Language) string {
	s := unverified(l, c.Status, c.Text)
	if dates := c.DatesIn(l); dates != "" {
		s += " " + l.Say("%s (day 0 is %s).", dates, *c.DayZero)
	}
	return s
}

// Dates says in words from which day to which, both included, "" where there
// is none: "From 2030-04-03 to 2030-05-02".
func (c Consequence) Dates() string { return c.DatesIn(rules.Language{}) }

// DatesIn is Dates in a language.
func (c Consequence) DatesIn(l rules.Language) string {
	switch {
	case c.From == nil && c.Until == nil:
		return ""
	case c.From == nil:
		return l.Say("By %s", *c.Until)
	case c.Until == nil:
		return l.Say("From %s on", *c.From)
	case *c.From == *c.Until:
		return l.Say("On %s", *c.From)
	}
	return l.Say("From %s to %s", *c.From, *c.Until)
}

func unverified(l rules.Language, s rules.Status, text string) string {
	if s == rules.Draft {
		return l.Say("Unverified: %s", text)
	}
	return text
}

// follow works out what follows from a case that qualifies.
func (e *evaluation) follow(det *Determination) {
	verdicts := map[string]*rules.Node{}
	for _, n := range e.nodes {
		if n.ID != "" {
			verdicts[n.ID] = n
		}
	}
	for _, part := range []struct {
		name  string
		list  []rules.Consequence
		texts *[]string
	}{{PartAllows, e.pack.Allows, &det.Allows}, {PartFollowUp, e.pack.FollowUp, &det.FollowUp}} {
		for i := range part.list {
			c := e.consequence(&part.list[i], verdicts)
			if c == nil {
				continue
			}
			c.Part = part.name
			det.Consequences = append(det.Consequences, *c)
			if c.State == Holds {
				*part.texts = append(*part.texts, c.SentenceIn(e.language()))
			}
		}
	}
}

// consequence is one that holds or is open, nil where it does not follow. A
// clause that has to be met is known to be; one that must not be, and the
// further condition, may be open.
func (e *evaluation) consequence(c *rules.Consequence, clauses map[string]*rules.Node) *Consequence {
	if n := clauses[c.When]; n == nil || e.verdict(n) != Met {
		return nil
	}
	out := &Consequence{Kind: c.Kind, Text: c.Text, State: Holds, Cites: []string{}, Status: c.Status, Asks: []Ask{}}
	if out.Kind == "" {
		out.Kind = "note"
	}
	for _, k := range c.Cite {
		out.Cites = append(out.Cites, CiteText(e.pack, k))
	}
	if n := clauses[c.Unless]; n != nil {
		switch e.verdict(n) {
		case Met:
			return nil
		case Unclear:
			out.State = Open
			e.settle(out, e.settles(n))
		}
	}
	if c.If != nil {
		cond := newEvaluation(e.pack, c.If, e.facts, e.barred, e.conf)
		defer cond.release()
		switch r := cond.valueOf(c.If); {
		case cond.shuts(c.If):
			return nil
		case r != value(vMet):
			out.State = Open
			e.settle(out, cond.needs())
		}
	}
	if c.Due != nil {
		e.due(out, c.Due)
	}
	return out
}

// settles lists the questions whose answers settle one clause.
func (e *evaluation) settles(n *rules.Node) []Need {
	var out []Need
	in := e.d.support(e.valueOf(n))
	for i, v := range e.vars {
		if in[i] {
			out = append(out, e.asks(v)...)
		}
	}
	return out
}

func (e *evaluation) settle(c *Consequence, needs []Need) {
	for _, n := range needs {
		c.ask(Ask{n.Fact, n.Question, n.Who})
	}
}

func (c *Consequence) ask(a Ask) { c.Asks = addAsk(c.Asks, a) }

// addAsk adds a question unless its fact is asked already.
func addAsk(list []Ask, a Ask) []Ask {
	if slices.ContainsFunc(list, func(b Ask) bool { return b.Fact == a.Fact }) {
		return list
	}
	return append(list, a)
}

// due counts the dates from the day that the pack names. Without that day, or
// where the calendar of four digits ends, the consequence is open.
func (e *evaluation) due(c *Consequence, due *rules.Due) {
	day, known := e.facts.Known(due.From)
	if known {
		zero := day.Value.Date
		from, until := dueDate(zero, due.AtLeast), dueDate(zero, due.AtOrBelow)
		if lastDay(from) && lastDay(until) {
			c.From, c.Until, c.DayZero = from, until, &zero
			return
		}
	}
	c.State = Open
	if e.facts.Named[due.From].State != Unknown {
		def, _ := definition(due.From)
		c.ask(Ask{def.Name, e.say(def.Question), def.Who})
	}
}

func lastDay(d *rules.Date) bool { return d == nil || d.Year <= 9999 }

// dueDate is so many days, weeks, months or years after a day, by the
// calendar: the day is day 0. Where the month has no such day it is its last.
func dueDate(day rules.Date, q *rules.Quantity) *rules.Date {
	if q == nil {
		return nil
	}
	n := int(q.Rat.Num().Int64()) // the loader admits whole numbers of a hundred years
	switch q.Unit {
	case "weeks":
		n *= 7
	case "years":
		n *= 12
		fallthrough
	case "months":
		d := monthsAfter(day, n)
		return &d
	}
	d := day.AddDays(n)
	return &d
}

func monthsAfter(day rules.Date, n int) rules.Date {
	month := day.Year*12 + day.Month - 1 + n
	d := rules.Date{Year: month / 12, Month: month%12 + 1, Day: day.Day}
	last := time.Date(d.Year, time.Month(d.Month)+1, 0, 0, 0, 0, 0, time.UTC).Day()
	d.Day = min(d.Day, last)
	return d
}

// document lists what to document whatever the outcome, and what would tell
// whether more is.
func (e *evaluation) document(det *Determination) {
	for i := range e.pack.Prompts {
		p := &e.pack.Prompts[i]
		text := unverified(e.language(), p.Status, p.Text) + " " + e.say("See %s.", citeTexts(e.pack, p.Cite))
		if p.If == nil {
			det.Document = append(det.Document, text)
			continue
		}
		cond := newEvaluation(e.pack, p.If, e.facts, e.barred, e.conf)
		switch {
		case cond.valueOf(p.If) == value(vMet):
			det.Document = append(det.Document, text)
		case cond.shuts(p.If):
		default:
			for _, n := range cond.needs() {
				det.DocumentAsks = addAsk(det.DocumentAsks, Ask{n.Fact, n.Question, n.Who})
			}
		}
		cond.release()
	}
}
