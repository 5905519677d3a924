package rules

import (
	"math/big"
	"strconv"
	"strings"
)

// Describe says in plain words what a clause asks for, figures with their
// units: "total time at or below 88 % is at least 5 min". A group says how
// many of its parts have to be met.
func Describe(n *Node) string {
	switch {
	case n.AllOf != nil:
		return "all of its parts are met"
	case n.AnyOf != nil:
		return "at least one of its parts is met"
	case n.NoneOf != nil:
		return "none of its parts is met"
	case n.NOf != nil:
		return "at least " + strconv.Itoa(n.NOf.N) + " of its parts are met"
	case n.Unsettled != "":
		return "not settled: " + n.Unsettled
	}
	def, _ := Lookup(n.Fact)
	what := phrase(def, n)
	switch {
	case n.Known:
		return "it is stated: " + what
	case def.Type == TypeBool && n.Is == "true":
		return what
	case def.Type == TypeBool:
		return "it is not so that " + what
	case n.Is != "":
		return what + ": " + PlainWord(n.Is)
	case n.OneOf != nil:
		words := make([]string, len(n.OneOf))
		for i, w := range n.OneOf {
			words[i] = PlainWord(w)
		}
		return what + ": " + strings.Join(words, " or ")
	}
	var limits []string
	for _, l := range n.limits() {
		if l.qs != nil {
			limits = append(limits, comparatorWords[l.key]+" "+l.qs.String())
		}
	}
	return what + " is " + strings.Join(limits, " and ")
}

// DescribeWhole is Describe with the parts of a group in one sentence, for
// conditions: "age is at least 18 years and diagnosis: copd".
func DescribeWhole(n *Node) string {
	if n.Label != "" && n.Children() != nil {
		return n.Label
	}
	parts := make([]string, len(n.Children()))
	for i, c := range n.Children() {
		parts[i] = DescribeWhole(c)
		if c.Children() != nil && c.Label == "" {
			parts[i] = "(" + parts[i] + ")"
		}
	}
	switch {
	case n.AllOf != nil:
		return strings.Join(parts, " and ")
	case n.AnyOf != nil:
		return strings.Join(parts, " or ")
	case n.NoneOf != nil:
		return "none of these is so: " + strings.Join(parts, "; ")
	case n.NOf != nil:
		return "at least " + strconv.Itoa(n.NOf.N) + " of these are so: " + strings.Join(parts, "; ")
	}
	return Describe(n)
}

// Condition says in words when the consequence holds, in a case that
// qualifies: "low-oxygen is met and asleep is not, and the order names
// portable equipment; 61 to 90 days after the day on which oxygen began".
func (c Consequence) Condition() string {
	s := c.When + " is met"
	if c.Unless != "" {
		s += " and " + c.Unless + " is not"
	}
	if c.If != nil {
		s += ", and " + DescribeWhole(c.If)
	}
	if c.Due != nil {
		s += "; due " + c.Due.Describe()
	}
	return s
}

// Describe says in words when a thing falls due: "61 days to 90 days after
// the day on which oxygen began".
func (d *Due) Describe() string {
	def, _ := Lookup(d.From)
	after := " after " + phrase(def, &Node{Fact: d.From})
	switch {
	case d.AtLeast == nil:
		return "by " + d.AtOrBelow.String() + after
	case d.AtOrBelow == nil:
		return "from " + d.AtLeast.String() + after + " on"
	case d.AtLeast.Rat.Cmp(d.AtOrBelow.Rat) == 0:
		return d.AtLeast.String() + after
	}
	return d.AtLeast.String() + " to " + d.AtOrBelow.String() + after
}

// chooseWords are the rules by which one of several tests is chosen, and
// chooseTexts says them in words.
var (
	chooseWords = []string{"nearest_discharge", "most_recent", "gas_over_oximetry"}
	chooseTexts = map[string]string{
		"nearest_discharge": "the test nearest to the discharge from hospital",
		"most_recent":       "the most recent test",
		"gas_over_oximetry": "a blood gas before oximetry",
	}
)

// Describe says in words which of several tests of one state decides: "the
// most recent test, then a blood gas before oximetry".
func (c *Choose) Describe() string {
	texts := make([]string, len(c.Order))
	for i, w := range c.Order {
		texts[i] = chooseTexts[w]
	}
	return strings.Join(texts, ", then ")
}

// Period says in words from which day to which, both included; a zero Date is
// no bound: "from 2030-01-01 on".
func Period(from, until Date) string {
	switch {
	case from.IsZero():
		return "up to " + until.String()
	case until.IsZero():
		return "from " + from.String() + " on"
	}
	return "from " + from.String() + " to " + until.String()
}

var comparatorWords = map[string]string{
	"at_least":    "at least",
	"more_than":   "more than",
	"at_or_below": "at or below",
	"below":       "below",
	"equal_to":    "exactly",
}

// PlainWord spells a word of the vocabulary as people say it.
func PlainWord(w string) string {
	if w == "idtf" {
		return "independent diagnostic testing facility"
	}
	return strings.ReplaceAll(w, "_", " ")
}

// phrase is the meaning of a fact without what its row adds for maintainers,
// the parameters of the clause in their place.
func phrase(def FactDef, n *Node) string {
	if def.Type == TypeOxygen && n.Is == "" && n.OneOf == nil && !n.Known {
		return "flow of oxygen during the test"
	}
	s, _, _ := strings.Cut(def.Meaning, ";")
	s, _, _ = strings.Cut(s, ":")
	for _, aside := range []string{", negative", ", never rounded", ", unrounded", " in percent"} {
		s, _, _ = strings.Cut(s, aside)
	}
	s = strings.Replace(s, " (0 to 1)", "", 1)
	switch {
	case n.SpO2 != nil:
		s = strings.Replace(s, "a saturation", n.SpO2.String(), 1)
	case n.Points != nil:
		s = strings.Replace(s, "so many points", n.Points.String(), 1)
	}
	return s
}

// decimal prints a number without exponent: its decimals if they end, else
// the fraction.
func decimal(r *big.Rat) string {
	if n, exact := r.FloatPrec(); exact {
		return r.FloatString(n)
	}
	return r.RatString()
}
