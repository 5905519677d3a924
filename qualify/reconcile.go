package qualify

import (
	"math/big"
	"slices"

	"airwarrant/qualify/analysis"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/recording"
	"airwarrant/rules"
)

// reconcile lays every figure of the signed report beside the recording that
// the determination rests on, and looks for what explains a difference. An
// explanation is a hint for people and changes no verdict: both figures count.
func (res *Result) reconcile(pack *rules.Pack, f criteria.Facts) []criteria.Reconciled {
	if res.Analysis == nil || res.kept {
		return nil
	}
	var out []criteria.Reconciled
	for _, r := range criteria.Figures(pack, f) {
		out = append(out, res.reconciled(pack, r))
	}
	return out
}

func (res *Result) reconciled(pack *rules.Pack, r criteria.Reported) criteria.Reconciled {
	out := criteria.Reconciled{Measure: r.Measure, SpO2: r.SpO2, Unit: r.Unit, Printed: r.PrintedIn(res.language), Reported: r.Value}
	c := comparison{pack: pack, r: r}
	low, v, high, ok := criteria.Measured(pack, res.Analysis, r.Measure, r.SpO2)
	if !ok {
		out.Note = res.language.Say("The recording does not tell it.")
		return out
	}
	out.Low, out.Value, out.High = c.unit(low), c.unit(v), c.unit(high)
	_, printed, _ := r.Bounds()
	out.SameSide = criteria.SameSide(pack, r.Measure, r.SpO2, printed, low, v, high)
	out.Explained, out.Note = res.explain(&c, low, v, high)
	return out
}

// comparison is one figure that is compared with others in the unit of the
// vocabulary.
type comparison struct {
	pack *rules.Pack
	r    criteria.Reported
}

// unit brings a value of the vocabulary's unit into that of the report.
func (c *comparison) unit(x *big.Rat) *big.Rat {
	if x == nil {
		return nil
	}
	_, v, _ := criteria.Reported{Measure: c.r.Measure, SpO2: c.r.SpO2, Value: big.NewRat(1, 1), Unit: c.r.Unit}.Bounds()
	return new(big.Rat).Quo(x, v)
}

// fits reports whether the figure may be x, rounded half either way.
func (c *comparison) fits(x *big.Rat) bool {
	low, _, high := c.r.Bounds()
	return x != nil && x.Cmp(low) >= 0 && x.Cmp(high) <= 0
}

// cut reports whether the figure may be x with its further decimals cut off or
// rounded up.
func (c *comparison) cut(x *big.Rat) bool {
	low, v, high := c.r.Bounds()
	step := new(big.Rat).Sub(high, low)
	off := new(big.Rat).Sub(x, v)
	return off.Abs(off).Cmp(step) < 0
}

// at is the value of the figure's measure, or another, on an analysis.
func (c *comparison) at(a *analysis.Analysis, measure string, level *big.Rat) *big.Rat {
	_, v, _, ok := criteria.Measured(c.pack, a, measure, level)
	if !ok {
		return nil
	}
	return v
}

// neighbours are the measures that a report may have printed under the name of
// another one (common practice, no source).
var neighbours = map[string]string{"time_at_or_below": "time_below", "time_below": "time_at_or_below", "share_at_or_below": "share_below", "share_below": "share_at_or_below"}

// explain looks for what makes the recording give the printed figure, the
// likeliest first.
func (res *Result) explain(c *comparison, low, v, high *big.Rat) (by, note string) {
	rd, say := res.Readings[res.Chosen-1], res.language.Say
	_, printed, _ := c.r.Bounds()
	switch {
	case printed.Cmp(v) == 0:
		return "rounding", say("The report prints the recording's own figure.")
	case c.fits(v):
		return "rounding", say("The recording's figure, rounded to the decimals that are printed, is the report's.")
	case c.cut(v):
		return "rounding", say("The recording's figure with its further decimals cut off, or rounded up, is the report's.")
	case c.fits(low) || c.fits(high):
		if c.fits(high) && c.r.Measure != "nadir" {
			return "artifacts", say("The report's figure is the recording's with every number counted that could count: it handles doubtful readings in another way.")
		}
		return "artifacts", say("The report's figure is the recording's with the doubtful readings left out: it handles doubtful readings in another way.")
	}
	if level := c.r.SpO2; level != nil {
		if other := neighbours[c.r.Measure]; c.fits(c.at(res.Analysis, other, level)) {
			return "level", say("It fits the %s: the report may count the level itself otherwise.", criteria.Reported{Measure: other, SpO2: level}.WhatIn(res.language))
		}
		for _, step := range []int64{-1, 1} {
			next := new(big.Rat).Add(level, big.NewRat(step, 1))
			if c.fits(c.at(res.Analysis, c.r.Measure, next)) {
				return "level", say("It fits the %s.", criteria.Reported{Measure: c.r.Measure, SpO2: next}.WhatIn(res.language))
			}
		}
	}
	for i, a := range rd.Analyses {
		if rd.Numbers[i] != res.Session && c.fits(c.at(a, c.r.Measure, c.r.SpO2)) {
			return "session", say("It fits session %d of the recording, which is another.", rd.Numbers[i])
		}
	}
	if len(rd.Analyses) > 1 && additive(c.r.Measure) {
		sum := new(big.Rat)
		for _, a := range rd.Analyses {
			if x := c.at(a, c.r.Measure, c.r.SpO2); x != nil {
				sum.Add(sum, x)
			}
		}
		if c.fits(sum) {
			return "session", say("It fits all sessions of the recording together: the report may add up several nights.")
		}
	}
	if x := c.otherDenominator(res.Analysis); c.fits(x) {
		return "denominator", say("It fits a share of another time: of all recorded time, or of time with a valid reading alone.")
	}
	if at := slices.Index(rd.Numbers, res.Session); at >= 0 && res.narrowed == "" {
		s := rd.Sessions[at]
		if rows := c.rows(res.Analysis, rd, s.From, s.To); c.fits(rows) {
			return "interval", say("It fits the number of readings times the interval between two: the report may count rows, not time.")
		}
		for _, hold := range []int64{60_000, 3_600_000} {
			a := analysis.Analyze(rd.Recording, s, analysis.Options{HoldMS: hold})
			if c.fits(c.at(a, c.r.Measure, c.r.SpO2)) {
				return "interval", say("It fits if a reading holds over a gap until the next one: the report may count time that was not read.")
			}
		}
	}
	return "", say("Nothing that was tried explains the difference (rounding, doubtful readings, level, session, denominator, interval).")
}

// additive reports whether a measure of two sessions is the sum of both.
func additive(measure string) bool {
	switch measure {
	case "time_at_or_below", "time_below", "recorded_time", "valid_time":
		return true
	}
	return false
}

// otherDenominator is a share of the time that the pack does not divide by.
func (c *comparison) otherDenominator(a *analysis.Analysis) *big.Rat {
	if c.r.Measure != "share_at_or_below" && c.r.Measure != "share_below" {
		return nil
	}
	other := *c.pack
	other.Reading.Denominator = "recorded"
	if c.pack.Reading.Denominator == "recorded" {
		other.Reading.Denominator = "valid"
	}
	o := comparison{&other, c.r}
	return o.at(a, c.r.Measure, c.r.SpO2)
}

// rows is the number of readings that the measure counts, times the
// nominal interval.
func (c *comparison) rows(a *analysis.Analysis, rd Reading, from, to int) *big.Rat {
	scale := rd.Recording.SpO2Scale
	var level *big.Rat
	switch c.r.Measure {
	case "time_at_or_below", "time_below":
		level = c.r.SpO2
	case "valid_time":
		level = big.NewRat(100, 1)
	default:
		return nil
	}
	n := int64(0)
	for _, code := range rd.Recording.SpO2[from:to] {
		if code == recording.NoReading {
			continue
		}
		if order := scale.Rat(code).Cmp(level); order < 0 || order == 0 && c.r.Measure != "time_below" {
			n++
		}
	}
	return new(big.Rat).Mul(a.Seconds(a.Interval), big.NewRat(n, 1))
}
