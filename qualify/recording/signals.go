package recording

import (
	"fmt"
	"math/big"
	"slices"
	"strconv"
	"strings"

	"airwarrant/rules/wording"
)

// What the readers of binary formats share: choosing signals, exact scales and
// the rule for what a number is no reading.

// signal is what a file says about one of its signals.
type signal struct {
	number    int // from 1
	label     string
	dimension string
	samples   bool // it has samples of its own
}

// signalChoice finds the signals of saturation and pulse among all of a file.
type signalChoice struct {
	format string
	at     int64 // byte at which messages place the labels
	all    []signal
}

// signalColumns reads a mapping and refuses keys that mean nothing where
// signals are named and timed by the file.
func signalColumns(format, s string) (Columns, error) {
	c, err := ParseColumns(s)
	if err != nil {
		return c, err
	}
	if c.Time+c.Date+c.Elapsed+c.Quality+c.Order != "" || c.Delimiter != 0 || c.Decimal != 0 || c.Header >= 0 || c.NoReading != nil {
		return c, &FormatError{Format: format, Offset: -1, Field: wording.Said("columns"), Err: ErrOptions,
			Expected: wording.Said("the keys spo2, pulse and unit alone"), Found: wording.Said("keys for delimited text"),
			Mend: wording.Said("leave them out: the file states its times itself")}
	}
	return c, nil
}

// signalRole reads a label as the header of a column is read, with some
// abbreviations that occur in such labels alone (common practice, no source).
func signalRole(label string) role {
	switch strings.Join(headerWords(label), " ") {
	case "hrate":
		return rolePulse
	case "osat":
		return roleSat
	}
	return headerRole(label)
}

// named finds the signal that the caller named by number or label.
func (c signalChoice) named(key, name string) (int, error) {
	var found []int
	for _, s := range c.all {
		if !s.samples {
			continue
		}
		if name == strconv.Itoa(s.number) {
			return s.number, nil
		}
		if strings.EqualFold(s.label, strings.TrimSpace(name)) {
			found = append(found, s.number)
		}
	}
	if len(found) == 1 {
		return found[0], nil
	}
	return 0, &FormatError{Format: c.format, Offset: c.at, Field: wording.Said("columns %s", key), Err: ErrOptions,
		Expected: wording.Said("the number or the label of one signal with samples"), Found: wording.Said("%d such signals", len(found)),
		Mend: wording.Said("give the number of one of %s", c.list(func(signal) bool { return true }))}
}

// list names the signals with samples that keep admits, for messages and the
// worksheet.
func (c signalChoice) list(keep func(signal) bool) wording.Text {
	const most = 20
	var out []wording.Text
	more := 0
	for _, s := range c.all {
		switch {
		case !s.samples || !keep(s):
		case len(out) == most:
			more++
		default:
			out = append(out, wording.Joined("%d %q", s.number, s.label))
		}
	}
	if more > 0 {
		out = append(out, wording.Said("and %d more", more))
	}
	return wording.List(", ", out)
}

// saturation returns the number of the signal of saturation.
func (c signalChoice) saturation(cols Columns) (int, error) {
	if cols.SpO2 != "" {
		return c.named("spo2", cols.SpO2)
	}
	var fit []int
	other := wording.Said("none with a label that is known")
	for _, s := range c.all {
		if !s.samples || signalRole(s.label) != roleSat {
			continue
		}
		if satDimension(s.dimension) == unitOther && cols.Unit == "" {
			other = wording.Said("signal %d %q in %q", s.number, s.label, s.dimension)
			continue
		}
		fit = append(fit, s.number)
	}
	switch len(fit) {
	case 0:
		return 0, &FormatError{Format: c.format, Offset: c.at, Field: wording.Said("labels"), Err: ErrNoSpO2,
			Expected: wording.Said("a signal of oxygen saturation, such as SpO2 or SaO2 in %"), Found: other,
			Mend: wording.Said("name one of %s%s", c.list(func(signal) bool { return true }), columnsFlag("spo2=NUMBER (and unit=percent)"))}
	case 1:
		return fit[0], nil
	}
	return 0, c.which("spo2", fit)
}

func (c signalChoice) which(key string, fit []int) error {
	return &FormatError{Format: c.format, Offset: c.at, Field: wording.Said("labels"), Err: ErrAmbiguous,
		Expected: wording.Said("one signal for %s", key), Found: c.list(func(s signal) bool { return slices.Contains(fit, s.number) }),
		Mend: wording.Said("say which one%s", columnsFlag("%s=NUMBER", key))}
}

// pulse returns the number of the signal of pulse, 0 if there is none. Where a
// heart rate, perhaps of another sensor, stands beside a pulse rate, the pulse
// rate is taken (our choice): the oximeter's own.
func (c signalChoice) pulse(cols Columns, sat int) (int, error) {
	switch cols.Pulse {
	case "none":
		return 0, nil
	case "":
	default:
		return c.named("pulse", cols.Pulse)
	}
	var fit, own []int
	for _, s := range c.all {
		dim := strings.ToLower(s.dimension)
		if s.number == sat || !s.samples || signalRole(s.label) != rolePulse ||
			dim != "" && !strings.Contains(dim, "bpm") && !strings.Contains(dim, "min") {
			continue
		}
		fit = append(fit, s.number)
		if hasWord(headerWords(s.label), ownPulseWords) {
			own = append(own, s.number)
		}
	}
	switch {
	case len(fit) == 0:
		return 0, nil
	case len(fit) == 1:
		return fit[0], nil
	case len(own) == 1:
		return own[0], nil
	}
	return 0, c.which("pulse", fit)
}

var ownPulseWords = wordSet("pulse pulserate pr puls pulsrate pulsfrequenz pouls pulso")

// unread is a sentence for the worksheet about all signals but two; none if
// there are no others.
func (c signalChoice) unread(sat, pulse int) []wording.Text {
	rest := c.list(func(s signal) bool { return s.number != sat && s.number != pulse })
	if rest.Format == "" {
		return nil
	}
	return []wording.Text{wording.Said("Signals not read, quality and status among them: %s.", rest)}
}

// What the dimension of a saturation says.
const (
	unitPercent = iota
	unitOne
	unitBlank
	unitOther
)

func satDimension(dim string) int {
	dim = strings.ToLower(dim)
	switch {
	case strings.HasPrefix(dim, "%"), dim == "percent", dim == "pct":
		return unitPercent
	case dim == "1":
		return unitOne
	case dim == "":
		return unitBlank
	}
	return unitOther
}

// newScale finds the whole numbers of a scale that turns a code into code*mul
// + add, for codes of so many bits beside their sign. It reports false if they
// leave no room for Scale.Num.
func newScale(mul, add *big.Rat, codeBits uint) (Scale, bool) {
	den := new(big.Int).Mul(mul.Denom(), add.Denom())
	den.Quo(den, new(big.Int).GCD(nil, nil, mul.Denom(), add.Denom()))
	m := new(big.Int).Mul(mul.Num(), new(big.Int).Quo(den, mul.Denom()))
	a := new(big.Int).Mul(add.Num(), new(big.Int).Quo(den, add.Denom()))
	// Scale.Num snaps to tenths only over a denominator that has them.
	ten := new(big.Int).Quo(big.NewInt(10), new(big.Int).GCD(nil, nil, den, big.NewInt(10)))
	for _, x := range []*big.Int{m, a, den} {
		x.Mul(x, ten)
	}
	// Room for Scale.Num, and for whole percents over den.
	const bits = 56
	largest := new(big.Int).Abs(m)
	largest.Lsh(largest, codeBits).Add(largest, new(big.Int).Abs(a))
	if den.BitLen() > bits-8 || largest.BitLen() > bits {
		return Scale{}, false
	}
	return Scale{Mul: m.Int64(), Add: a.Int64(), Den: den.Int64()}, true
}

// readings judges the codes of one signal and counts what is none.
type readings struct {
	sat      bool
	scale    Scale
	tokens   map[string]int // no-reading codes met
	offScale int            // of them numbers that no code explains
}

func (c *readings) count(token string) {
	if c.tokens == nil {
		c.tokens = map[string]int{}
	}
	c.tokens[token]++
}

// take returns code, or NoReading where the number that it stands for is
// none: a no-reading code after scaling, or impossible.
func (c *readings) take(code int32) int32 {
	num, den := c.scale.Num(code), c.scale.Den
	if num%den == 0 && noReadingNumber(num/den, 0, c.sat) {
		c.count(strconv.FormatInt(num/den, 10))
		return NoReading
	}
	high := int64(100)
	if !c.sat {
		high = maxPulse
	}
	if num < 0 || num > high*den {
		c.count(fmt.Sprintf("below 0 or above %d", high))
		c.offScale++
		return NoReading
	}
	return code
}

// tell adds what was counted to r; column is what the file calls the signal.
func (c *readings) tell(r *Recording, column string) {
	var tokens []string
	for t := range c.tokens {
		tokens = append(tokens, t)
	}
	slices.Sort(tokens)
	for _, t := range tokens {
		r.Codes = append(r.Codes, Count{Column: column, Token: t, N: c.tokens[t]})
	}
	switch {
	case c.offScale == 0:
	case c.sat:
		r.Warnings = append(r.Warnings, warning(WarnNotSaturation, "%d saturation samples below 0 or above 100 were read as no reading.", c.offScale))
	default:
		r.Warnings = append(r.Warnings, warning(WarnNotPulse, "%d pulse samples below 0 or above %d were read as no reading.", c.offScale, maxPulse))
	}
}

// sixDecimals prints r with at most six decimals.
func sixDecimals(r *big.Rat) string {
	s := r.FloatString(6)
	return strings.TrimSuffix(strings.TrimRight(s, "0"), ".")
}

// decimalNumber reads a number with a point, a sign and an exponent.
func decimalNumber(s string) (*big.Rat, bool) {
	mantissa, exponent, found := strings.Cut(strings.ToLower(s), "e")
	if found {
		// big.Rat would honour an exponent of millions.
		if x, err := strconv.Atoi(exponent); err != nil || x < -20 || x > 20 {
			return nil, false
		}
	}
	digits := strings.TrimLeft(mantissa, "+-")
	if len(s) > 60 || len(mantissa)-len(digits) > 1 || strings.Trim(digits, "0123456789.") != "" ||
		strings.Count(digits, ".") > 1 || strings.Trim(digits, ".") == "" {
		return nil, false
	}
	return new(big.Rat).SetString(s)
}
