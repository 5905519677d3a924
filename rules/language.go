package rules

import (
	"fmt"
	"strconv"
	"strings"

	"airwarrant/rules/wording"
)

// Language is how the chain words its own texts, and how figures and days are
// written in them. The zero value is English with a decimal point and days as
// 2024-03-13, as files and the command line have them. Whatever stands in a
// pack or was typed is never translated.
type Language struct {
	// Tag is its name for machines (BCP 47); "" is "en".
	Tag string
	// Said gives a text of the program, with its places as package fmt has
	// them, in this language; false where it has no words for it. nil: English.
	Said func(english string) (string, bool)
	// Decimal stands between a whole number and its decimals; "" is a point.
	Decimal string
	// Day writes a day for people, without doubt about its order; nil writes
	// 2024-03-13.
	Day func(Date) string
}

// Name is the tag of the language, "en" where none is set.
func (l Language) Name() string {
	if l.Tag == "" {
		return "en"
	}
	return l.Tag
}

// Tell says a text in the language, its parts too.
func (l Language) Tell(t wording.Text) string {
	args := make([]any, len(t.Args))
	for i, a := range t.Args {
		args[i] = a
		if s, ok := a.(string); ok {
			if day, err := ParseDate(s); err == nil {
				args[i] = day
			}
		}
	}
	return l.Say(t.Format, args...)
}

// Say is a text in the language, its places filled as fmt.Sprintf does; without
// args it is taken as it stands. Days and quantities among args are written as
// the language writes them, texts are told, and what a command line takes is left
// out. A text that is not known is said in English.
func (l Language) Say(english string, args ...any) string {
	text := english
	if l.Said != nil {
		if s, ok := l.Said(english); ok {
			text = s
		}
	}
	if len(args) == 0 {
		return text
	}
	said := make([]any, len(args))
	for i, a := range args {
		switch a := a.(type) {
		case Date:
			said[i] = l.Date(a)
		case Quantity:
			said[i] = l.Quantity(a)
		case *Quantity:
			said[i] = l.Quantity(*a)
		case wording.Typed:
			said[i] = ""
		case wording.Text:
			said[i] = l.Tell(a)
		case interface{ In(Language) string }: // said in the language when it is told
			said[i] = a.In(l)
		default:
			said[i] = a
		}
	}
	return fmt.Sprintf(text, said...)
}

// Count is one or other by n, which is not filled in.
func (l Language) Count(n int, one, other string) string {
	if n == 1 {
		return l.Say(one)
	}
	return l.Say(other)
}

// Number writes a number, given with a decimal point, as the language writes it.
func (l Language) Number(s string) string {
	if l.Decimal == "" || l.Decimal == "." {
		return s
	}
	return strings.Replace(s, ".", l.Decimal, 1)
}

// Measure is a number, given with a decimal point, and its unit: "5.2 min",
// "1 day".
func (l Language) Measure(number, unit string) string {
	switch {
	case unit == "":
		return l.Number(number)
	case number == "1" && (unit == "days" || unit == "years" || unit == "points" || unit == "laps" || unit == "stops"):
		unit = strings.TrimSuffix(unit, "s")
	}
	return l.Number(number) + " " + l.Say(unit)
}

// Quantity is q with its unit.
func (l Language) Quantity(q Quantity) string {
	number, unit, _ := strings.Cut(q.String(), " ")
	if unit == "" {
		return l.Number(number)
	}
	return l.Number(number) + " " + l.Say(unit)
}

// Quantities is the first figure and the same limit in other units in
// brackets: "55 mmHg (7.3 kPa)".
func (l Language) Quantities(qs Quantities) string {
	if len(qs) < 2 {
		if len(qs) == 0 {
			return ""
		}
		return l.Quantity(qs[0])
	}
	others := make([]string, 0, len(qs))
	for _, q := range qs[1:] {
		others = append(others, l.Quantity(q))
	}
	return l.Quantity(qs[0]) + " (" + strings.Join(others, ", ") + ")"
}

// Date is a day as people read it, "" for the zero Date.
func (l Language) Date(d Date) string {
	if d.IsZero() || l.Day == nil {
		return d.String()
	}
	return l.Day(d)
}

// Stamp is a stamp as recordings have them, its day as people read it: the
// time of day and an offset stay. What begins with no day stays as it is.
func (l Language) Stamp(stamp string) string {
	if len(stamp) < len("2006-01-02") {
		return stamp
	}
	d, err := ParseDate(stamp[:10])
	if err != nil {
		return stamp
	}
	rest := stamp[10:]
	if clock, ok := strings.CutPrefix(rest, "T"); ok {
		rest = " " + clock
	}
	return l.Date(d) + rest
}

// Word spells a word of the vocabulary as people say it.
func (l Language) Word(w string) string { return l.Say(PlainWord(w)) }

// Meaning is what a fact is, as its row of the vocabulary says it.
func (l Language) Meaning(d FactDef) string { return l.Say(d.Meaning) }

// Describe says in plain words what a clause asks for, figures with their
// units: "total time at or below 88 % is at least 5 min". A group says how
// many of its parts have to be met.
func (l Language) Describe(n *Node) string {
	switch {
	case n.AllOf != nil:
		return l.Say("all of its parts are met")
	case n.AnyOf != nil:
		return l.Say("at least one of its parts is met")
	case n.NoneOf != nil:
		return l.Say("none of its parts is met")
	case n.NOf != nil:
		return l.Say("at least %s of its parts are met", strconv.Itoa(n.NOf.N))
	case n.Unsettled != "":
		return l.Say("not settled: %s", n.Unsettled)
	}
	def, _ := Lookup(n.Fact)
	what := l.phrase(def, n)
	switch {
	case n.Known:
		return l.Say("it is stated: %s", what)
	case def.Type == TypeBool && n.Is == "true":
		return what
	case def.Type == TypeBool:
		return l.Say("it is not so that %s", what)
	case n.Is != "":
		return what + ": " + l.Word(n.Is)
	case n.OneOf != nil:
		words := make([]string, len(n.OneOf))
		for i, w := range n.OneOf {
			words[i] = l.Word(w)
		}
		return what + ": " + strings.Join(words, l.Say(" or "))
	}
	return l.Say("%s is %s", what, l.Limits(n))
}

// Limits says what a clause compares its measure with: "at least 5 min"; ""
// where it compares no number.
func (l Language) Limits(n *Node) string {
	var limits []string
	for _, lim := range n.limits() {
		if lim.qs != nil {
			limits = append(limits, l.Say(comparatorWords[lim.key])+" "+l.Quantities(lim.qs))
		}
	}
	return strings.Join(limits, l.Say(" and "))
}

// Measured says what a clause measures: "total time at or below 88 %".
func (l Language) Measured(n *Node) string {
	def, _ := Lookup(n.Fact)
	return l.phrase(def, n)
}

// DescribeWhole is Describe with the parts of a group in one sentence, for
// conditions: "age is at least 18 years and diagnosis: copd".
func (l Language) DescribeWhole(n *Node) string {
	if n.Label != "" && n.Children() != nil {
		return n.Label
	}
	parts := make([]string, len(n.Children()))
	for i, c := range n.Children() {
		parts[i] = l.DescribeWhole(c)
		if c.Children() != nil && c.Label == "" {
			parts[i] = "(" + parts[i] + ")"
		}
	}
	switch {
	case n.AllOf != nil:
		return strings.Join(parts, l.Say(" and "))
	case n.AnyOf != nil:
		return strings.Join(parts, l.Say(" or "))
	case n.NoneOf != nil:
		return l.Say("none of these is so: %s", strings.Join(parts, "; "))
	case n.NOf != nil:
		return l.Say("at least %s of these are so: %s", strconv.Itoa(n.NOf.N), strings.Join(parts, "; "))
	}
	return l.Describe(n)
}

// Condition says in words when the consequence holds, in a case that
// qualifies: "low-oxygen is met and asleep is not, and the order names
// portable equipment; 61 to 90 days after the day on which oxygen began".
func (l Language) Condition(c Consequence) string {
	s := l.Say("%s is met", c.When)
	if c.Unless != "" {
		s = l.Say("%s is met and %s is not", c.When, c.Unless)
	}
	if c.If != nil {
		s = l.Say("%s, and %s", s, l.DescribeWhole(c.If))
	}
	if c.Due != nil {
		s = l.Say("%s; due %s", s, l.Due(c.Due))
	}
	return s
}

// Due says in words when a thing falls due: "61 days to 90 days after the day
// on which oxygen began".
func (l Language) Due(d *Due) string {
	def, _ := Lookup(d.From)
	after := l.phrase(def, &Node{Fact: d.From})
	switch {
	case d.AtLeast == nil:
		return l.Say("by %s after %s", d.AtOrBelow, after)
	case d.AtOrBelow == nil:
		return l.Say("from %s after %s on", d.AtLeast, after)
	case d.AtLeast.Rat.Cmp(d.AtOrBelow.Rat) == 0:
		return l.Say("%s after %s", d.AtLeast, after)
	}
	return l.Say("%s to %s after %s", d.AtLeast, d.AtOrBelow, after)
}

// Choose says in words which of several tests of one state decides: "the
// most recent test, then a blood gas before oximetry".
func (l Language) Choose(c *Choose) string {
	texts := make([]string, len(c.Order))
	for i, w := range c.Order {
		texts[i] = l.Say(chooseTexts[w])
	}
	return strings.Join(texts, l.Say(", then "))
}

// Period says in words from which day to which, both included; a zero Date is
// no bound: "from 2030-01-01 on".
func (l Language) Period(from, until Date) string {
	switch {
	case from.IsZero():
		return l.Say("up to %s", until)
	case until.IsZero():
		return l.Say("from %s on", from)
	}
	return l.Say("from %s to %s", from, until)
}

// phrase is the meaning of a fact without what its row adds for maintainers,
// the parameters of the clause in their place.
func (l Language) phrase(def FactDef, n *Node) string {
	if def.Type == TypeOxygen && n.Is == "" && n.OneOf == nil && !n.Known {
		return l.Say("flow of oxygen during the test")
	}
	s := Phrase(def)
	switch {
	case n.SpO2 != nil:
		return l.parameter(s, "a saturation", *n.SpO2)
	case n.Points != nil:
		return l.parameter(s, "so many points", *n.Points)
	}
	return l.Say(s)
}

func (l Language) parameter(s, place string, q Quantity) string {
	if !strings.Contains(s, place) {
		return l.Say(s)
	}
	return l.Say(strings.Replace(s, place, "%s", 1), q)
}

// Phrase is the meaning of a fact without what its row adds for maintainers, in
// English.
func Phrase(def FactDef) string {
	s, _, _ := strings.Cut(def.Meaning, ";")
	s, _, _ = strings.Cut(s, ":")
	for _, aside := range []string{", negative", ", never rounded", ", unrounded", " in percent"} {
		s, _, _ = strings.Cut(s, aside)
	}
	return strings.Replace(s, " (0 to 1)", "", 1)
}
