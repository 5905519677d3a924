package rules

import (
	"math/big"
	"strings"
)

// Describe is Language.Describe in English.
func Describe(n *Node) string { return Language{}.Describe(n) }

// DescribeWhole is Language.DescribeWhole in English.
func DescribeWhole(n *Node) string { return Language{}.DescribeWhole(n) }

// Condition is Language.Condition in English.
func (c Consequence) Condition() string { return Language{}.Condition(c) }

// Describe is Language.Due in English.
func (d *Due) Describe() string { return Language{}.Due(d) }

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

// Describe is Language.Choose in English.
func (c *Choose) Describe() string { return Language{}.Choose(c) }

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

// decimal prints a number without exponent: its decimals if they end, else
// the fraction.
func decimal(r *big.Rat) string {
	if n, exact := r.FloatPrec(); exact {
		return r.FloatString(n)
	}
	return r.RatString()
}
