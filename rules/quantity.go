package rules

import (
	"fmt"
	"maps"
	"math/big"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"airwarrant/rules/wording"
)

// Quantity is a figure with its unit, exact: "5 min", "88 %". A share of time
// is written as a fraction or in percent ("1/3", "30 %") and held as the
// fraction, with unit "".
type Quantity struct {
	Text string   // as written in the pack
	Rat  *big.Rat // in Unit
	Unit string   // a key of units, such as "%", "points", "min", "mmHg", "L/min", "days", or ""
}

// Quantities is one quantity or a list of the same limit in several units.
type Quantities []Quantity

// units of quantities: what they measure and how many of the dimension's base
// unit (%, s, Pa, …) they are.
var units = map[string]struct {
	dimension string
	factor    *big.Rat
}{
	"%":      {"percent", big.NewRat(1, 1)},
	"points": {"points", big.NewRat(1, 1)},
	"s":      {"time", big.NewRat(1, 1)},
	"min":    {"time", big.NewRat(60, 1)},
	"h":      {"time", big.NewRat(3600, 1)},
	// The conventional millimetre of mercury is 13595.1 kg/m³ × 9.80665 m/s²
	// × 1 mm = 133.322387415 Pa (NIST Special Publication 811 rounds it to
	// 133.3224; value from memory).
	"mmHg":     {"pressure", big.NewRat(133322387415, 1e9)},
	"kPa":      {"pressure", big.NewRat(1000, 1)},
	"L/min":    {"flow", big.NewRat(1, 1)},
	"days":     {"days", big.NewRat(1, 1)},
	"weeks":    {"weeks", big.NewRat(1, 1)},
	"months":   {"months", big.NewRat(1, 1)},
	"years":    {"years", big.NewRat(1, 1)},
	"mm":       {"length", big.NewRat(1, 1)},
	"cm":       {"length", big.NewRat(10, 1)},
	"m":        {"length", big.NewRat(1000, 1)},
	"in":       {"length", big.NewRat(254, 10)}, // exact by definition, 1959
	"ft":       {"length", big.NewRat(3048, 10)},
	"g/L":      {"mass concentration", big.NewRat(1, 1)},
	"g/dL":     {"mass concentration", big.NewRat(10, 1)},
	"kg":       {"mass", big.NewRat(1, 1)},
	"lb":       {"mass", big.NewRat(45359237, 1e8)}, // exact by definition, 1959
	"L/L":      {"percent", big.NewRat(100, 1)},     // a volume fraction
	"°C":       {"temperature", big.NewRat(1, 1)},
	"laps":     {"laps", big.NewRat(1, 1)},
	"stops":    {"stops", big.NewRat(1, 1)},
	"events/h": {"rate", big.NewRat(1, 1)},
	"":         {"", big.NewRat(1, 1)},
}

func unitNames() []string {
	names := slices.Sorted(maps.Keys(units))
	return names[1:] // without ""
}

// quantityForm is a decimal number or a fraction, then a blank and a unit.
var quantityForm = regexp.MustCompile(`^(-?[0-9]+(?:\.[0-9]+)?|[0-9]+/[0-9]+)(?: (\S+))?$`)

const maxDigits = 12

// ParseQuantity reads "5 min", "88", "7.3 kPa" or "1/3" exactly, through the
// decimal text and never through a float. It refuses exponents, more than 12
// digits and units that no fact has. Without a unit, Unit is "".
func ParseQuantity(s string) (Quantity, error) {
	q, wrong := parseQuantity(s)
	if wrong != nil {
		return Quantity{}, fmt.Errorf("expected %s, found %s", wrong.expected, wrong.found)
	}
	return q, nil
}

// misfit is what was expected of a figure and what was found.
type misfit struct{ expected, found wording.Text }

func parseQuantity(s string) (Quantity, *misfit) {
	m := quantityForm.FindStringSubmatch(s)
	if m == nil {
		return Quantity{}, &misfit{said("a number, or a number, one blank and a unit, such as \"5 min\" or \"1/3\""), verbatim(s)}
	}
	if digits := len(strings.Trim(m[1], "-")) - strings.Count(m[1], ".") - strings.Count(m[1], "/"); digits > maxDigits {
		return Quantity{}, &misfit{said("at most %d digits", maxDigits), literal(strconv.Itoa(digits))}
	}
	if _, known := units[m[2]]; !known {
		return Quantity{}, &misfit{said("a unit out of %s", strings.Join(unitNames(), ", ")), verbatim(m[2])}
	}
	r, ok := new(big.Rat).SetString(m[1])
	if !ok { // a denominator of 0 is all that is left
		return Quantity{}, &misfit{said("a fraction with a denominator above 0"), verbatim(m[1])}
	}
	return Quantity{Text: s, Rat: r, Unit: m[2]}, nil
}

// String prints the figure with its unit, as written if it was read from a
// pack: "5 min", "88 %", "1/3".
func (q Quantity) String() string {
	switch {
	case strings.Contains(q.Text, " "): // with its unit
		return q.Text
	case q.Text != "":
		return strings.TrimSpace(q.Text + " " + q.Unit)
	case q.Rat == nil:
		return ""
	}
	return strings.TrimSpace(decimal(q.Rat) + " " + q.Unit)
}

// String prints the first figure and the same limit in other units in
// brackets: "55 mmHg (7.3 kPa)".
func (qs Quantities) String() string {
	if len(qs) == 0 {
		return ""
	}
	others := make([]string, 0, len(qs))
	for _, q := range qs[1:] {
		others = append(others, q.String())
	}
	if len(others) == 0 {
		return qs[0].String()
	}
	return qs[0].String() + " (" + strings.Join(others, ", ") + ")"
}

// base is the figure in its dimension's base unit.
func (q Quantity) base() *big.Rat { return new(big.Rat).Mul(q.Rat, units[q.Unit].factor) }

// slack is half a unit of the last printed digit, in the base unit.
func (q Quantity) slack() *big.Rat {
	number, _, _ := strings.Cut(q.Text, " ")
	half := big.NewRat(1, 2)
	if _, decimals, ok := strings.Cut(number, "."); ok {
		for range decimals {
			half.Quo(half, big.NewRat(10, 1))
		}
	}
	return half.Mul(half, units[q.Unit].factor)
}
