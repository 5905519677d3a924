package criteria

import (
	"math/big"
	"slices"
	"strings"

	"airwarrant/rules"
)

// How a level is read before it is compared.
const (
	readNone   = "none"
	readHalfUp = "half_up"
	readEither = "either"
)

var (
	one     = big.NewRat(1, 1)
	half    = big.NewRat(1, 2)
	zero    = new(big.Rat)
	hundred = big.NewRat(100, 1)
)

// mmHgPerKPa is the conventional millimetre of mercury (133.322387415 Pa, value
// from memory) to six figures.
var mmHgPerKPa = big.NewRat(750062, 100000)

// scales gives each unit as a multiple of the base unit of its dimension.
var scales = map[string]struct {
	base string
	size *big.Rat
}{
	"s": {"s", one}, "min": {"s", big.NewRat(60, 1)}, "h": {"s", big.NewRat(3600, 1)},
	"mmHg": {"mmHg", one}, "kPa": {"mmHg", mmHgPerKPa},
	"": {"", one}, "%": {"", big.NewRat(1, 100)}, "L/L": {"", one},
	"cm": {"m", big.NewRat(1, 100)}, "m": {"m", one}, "in": {"m", big.NewRat(254, 10000)}, "ft": {"m", big.NewRat(3048, 10000)},
	"kg": {"kg", one}, "lb": {"kg", big.NewRat(45359237, 1e8)},
	"g/L": {"g/L", one}, "g/dL": {"g/L", big.NewRat(10, 1)},
}

// convert expresses x in another unit of the same dimension; units of other
// dimensions are left as they are, because the loader refuses such figures.
func convert(x *big.Rat, from, to string) *big.Rat {
	f, okF := scales[from]
	t, okT := scales[to]
	if from == to || !okF || !okT || f.base != t.base {
		return x
	}
	y := new(big.Rat).Mul(x, f.size)
	return y.Quo(y, t.size)
}

// figure returns the limit in unit: the one printed in it, or, where none is,
// the first one converted.
func figure(qs rules.Quantities, unit string) *big.Rat {
	for _, q := range qs {
		if q.Unit == unit {
			return q.Rat
		}
	}
	return convert(qs[0].Rat, qs[0].Unit, unit)
}

// limit is one comparator of a leaf with its figure in the unit of the value.
type limit struct {
	phrase string // "at or below"
	fig    *big.Rat
	admits func(cmp int) bool // of the sign of value minus figure
}

// limits lists the comparators of a leaf; a value meets the leaf if it meets
// them all. Here alone it is said which end is included.
func limits(n *rules.Node, unit string) []limit {
	var out []limit
	add := func(qs rules.Quantities, phrase string, admits func(int) bool) {
		if len(qs) > 0 {
			out = append(out, limit{phrase, figure(qs, unit), admits})
		}
	}
	add(n.AtOrBelow, "at or below", func(c int) bool { return c <= 0 })
	add(n.Below, "below", func(c int) bool { return c < 0 })
	add(n.AtLeast, "at least", func(c int) bool { return c >= 0 })
	add(n.MoreThan, "more than", func(c int) bool { return c > 0 })
	add(n.EqualTo, "equal to", func(c int) bool { return c == 0 })
	return out
}

func meets(ls []limit, x *big.Rat) bool {
	for _, l := range ls {
		if !l.admits(x.Cmp(l.fig)) {
			return false
		}
	}
	return true
}

func floor(x *big.Rat) *big.Rat {
	return new(big.Rat).SetInt(new(big.Int).Div(x.Num(), x.Denom())) // Div is Euclidean: the denominator is positive
}

func ceil(x *big.Rat) *big.Rat {
	y := floor(new(big.Rat).Neg(x))
	return y.Neg(y)
}

// halfUp reads x as a whole number, a half upwards.
func halfUp(x *big.Rat) *big.Rat { return floor(new(big.Rat).Add(x, half)) }

// roundable says whether half up applies to a figure in this unit: whole
// percent, mmHg, mm and events per hour; a pressure in kPa is compared as it
// was reported.
func roundable(unit string) bool {
	return unit == "%" || unit == "mmHg" || unit == "mm" || unit == "events/h"
}

// edges returns the values at which the verdict of a comparison can change,
// with and without rounding.
func edges(ls []limit, rounds bool) []*big.Rat {
	var out []*big.Rat
	for _, l := range ls {
		out = append(out, l.fig)
		if rounds {
			up, down := floor(l.fig), ceil(l.fig)
			out = append(out, up.Add(up, half), down.Sub(down, half))
		}
	}
	return out
}

// matches compares a word, or a boolean written as a word, with is and one_of.
func matches(n *rules.Node, word string) bool {
	if n.Is != "" {
		return word == n.Is
	}
	return slices.Contains(n.OneOf, word)
}

// levelCut turns "at or below level" or "below level" of rounded readings into
// the same question about unrounded ones: a reading rounds to level or less
// iff it is below floor(level) + 1/2, and to less than level iff it is below
// ceil(level) - 1/2.
func levelCut(level *big.Rat, below, rounded bool) (cut *big.Rat, strict bool) {
	switch {
	case !rounded:
		return level, below
	case below:
		c := ceil(level)
		return c.Sub(c, half), true
	}
	f := floor(level)
	return f.Add(f, half), true
}

// decimal prints x with at most places decimals, without trailing zeros.
func decimal(x *big.Rat, places int) string {
	s := x.FloatString(places)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	if s == "-0" {
		return "0"
	}
	return s
}

// readable prints x cut to two decimals, as the worksheet cuts all its figures,
// or with six where two would put it on the other side of a limit: 4.999 must
// not read as 5, nor 5.001.
func readable(x *big.Rat, ls []limit) string {
	hundredths := new(big.Rat).Mul(x, big.NewRat(100, 1))
	whole := new(big.Int).Quo(hundredths.Num(), hundredths.Denom()) // towards zero
	s := decimal(new(big.Rat).SetFrac(whole, big.NewInt(100)), 2)
	shown, _ := new(big.Rat).SetString(s)
	for _, l := range ls {
		if shown.Cmp(l.fig) != x.Cmp(l.fig) {
			return decimal(x, 6)
		}
	}
	return s
}
