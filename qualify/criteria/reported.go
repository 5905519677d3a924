package criteria

import (
	"cmp"
	"math/big"
	"slices"
	"strings"

	"airwarrant/rules"
)

// What a signed report tells of the measures. A printed figure is known within
// the rounding of its decimals. Of a measure that the report does not print,
// its other figures tell bounds wherever one follows from another for certain:
// a reading at or below 85 % is at or below 88 % too, no time lies at or below
// the level that the lowest reading stays above, the longest run is no longer
// than the total. Nothing else is inferred; in particular, time below 89 % is
// not taken for time at or below 88 %, because readings may have decimals.

// ReportWords are the measures of ReportMeasures in words; a level, where there
// is one, stands behind them.
var ReportWords = map[string]string{
	"time_at_or_below": "time at or below", "time_below": "time below", "longest_at_or_below": "longest time in one run at or below",
	"share_at_or_below": "share of time at or below", "share_below": "share of time below", "nadir": "lowest saturation", "mean_spo2": "mean saturation",
	"recorded_time": "time recorded", "valid_time": "time with a valid reading",
}

// What names a measure with its level: "time at or below 88 %".
func (r Reported) What() string { return r.WhatIn(rules.Language{}) }

// WhatIn is What in a language.
func (r Reported) WhatIn(l rules.Language) string { return measureWords(l, r.Measure, r.SpO2) }

func measureWords(l rules.Language, measure string, level *big.Rat) string {
	if level == nil {
		return l.Say(ReportWords[measure])
	}
	n, _ := level.FloatPrec()
	return l.Say(ReportWords[measure]) + " " + l.Number(level.FloatString(n)) + " %"
}

// Printed is the figure with its unit as the report prints it: "7.20 min".
func (r Reported) Printed() string { return r.PrintedIn(rules.Language{}) }

// PrintedIn is Printed in a language.
func (r Reported) PrintedIn(l rules.Language) string {
	return l.Measure(r.Value.FloatString(r.Places), r.Unit)
}

// Bounds are the least and the greatest that the figure may have been before
// it was printed, with the figure between, in the unit of the measure's
// vocabulary: seconds of a time, a fraction of a share, percent of a
// saturation.
func (r Reported) Bounds() (low, value, high *big.Rat) {
	def, _ := definition(r.Measure)
	lo, hi := printed(r.Value, r.Places)
	if r.Unit == "%" {
		hi = least(hi, hundred)
	}
	return convert(lo, r.Unit, def.Unit), convert(r.Value, r.Unit, def.Unit), convert(hi, r.Unit, def.Unit)
}

// told is what the report tells of one measure. lo or hi is nil where it tells
// no such bound.
type told struct {
	span
	printed string // the figure as it is printed, "" if it follows from others
	from    string // the figures that it follows from
	minutes bool   // the figure was stated as reported_minutes
}

// reportMinutes are the minutes of the report that were stated apart, as a
// figure of it.
func (s *source) reportMinutes() (Reported, bool) {
	f, ok := s.stated("reported_minutes")
	q := s.pack.Reading.ReportLevel
	if !ok || q == nil {
		return Reported{}, false
	}
	return Reported{Measure: "time_at_or_below", SpO2: q.Rat, Value: f.Value.Num, Unit: cmp.Or(f.Value.Unit, "min"), Places: max(f.Value.Places, 0)}, true
}

// figures are all figures of the signed report.
func (s *source) figures() []Reported {
	var out []Reported
	minutes, apart := s.reportMinutes()
	if f, ok := s.stated("report"); ok {
		for _, r := range f.Value.Report {
			if apart && r.Measure == minutes.Measure && r.SpO2.Cmp(minutes.SpO2) == 0 {
				continue // what was stated apart stands before it
			}
			out = append(out, r)
		}
	}
	if apart {
		out = append(out, minutes)
	}
	return out
}

// told returns what the report tells of a measure at a level; nil if nothing.
// rounded asks for readings taken half up: a figure of the measure itself
// stands for both, because its report counts what it displays, while a lowest
// reading with decimals may be read as the level below it.
func (s *source) told(d *rules.FactDef, level *big.Rat, rounded bool) *told {
	if !slices.Contains(ReportMeasures, d.Name) {
		return nil
	}
	all := s.figures()
	if len(all) == 0 {
		return nil
	}
	var out *told
	for _, r := range all {
		if r.Measure != d.Name || r.SpO2 != nil && r.SpO2.Cmp(level) != 0 {
			continue
		}
		lo, v, hi := r.Bounds()
		if out == nil {
			out = &told{span: span{lo, v, hi}, printed: r.PrintedIn(s.language())}
			out.minutes = s.isMinutes(r)
			continue
		}
		// Printed twice and not alike: either may be right.
		out.lo, out.hi = least(out.lo, lo), greatest(out.hi, hi)
	}
	inferred := s.infer(all, d.Name, level, rounded)
	switch {
	case inferred == nil:
		return out
	case out == nil:
		if inferred.lo != nil && inferred.hi != nil && inferred.lo.Cmp(inferred.hi) == 0 {
			inferred.value = inferred.lo
		}
		return inferred
	}
	// A printed figure that the others contradict: either may be right.
	if inferred.lo != nil && out.hi.Cmp(inferred.lo) < 0 {
		out.hi = inferred.lo
	}
	if inferred.hi != nil && out.lo.Cmp(inferred.hi) > 0 {
		out.lo = inferred.hi
	}
	return out
}

func (s *source) isMinutes(r Reported) bool {
	m, ok := s.reportMinutes()
	return ok && r.Measure == m.Measure && r.Document == "" && r.Page == "" && r.SpO2.Cmp(m.SpO2) == 0
}

// A measure of a level is a total time, a share of time or a run.
func levelKind(measure string) string {
	switch measure {
	case "time_at_or_below", "time_below":
		return "time"
	case "share_at_or_below", "share_below":
		return "share"
	case "longest_at_or_below":
		return "run"
	}
	return ""
}

// infer returns the bounds of a measure that follow from other figures for
// certain, nil if none do.
func (s *source) infer(all []Reported, measure string, level *big.Rat, rounded bool) *told {
	out := &told{}
	var fromLo, fromHi string
	printed := func(r Reported) string { return r.WhatIn(s.language()) + " " + r.PrintedIn(s.language()) }
	atLeast := func(x *big.Rat, r Reported) {
		if x.Sign() > 0 && (out.lo == nil || x.Cmp(out.lo) > 0) {
			out.lo, fromLo = x, printed(r)
		}
	}
	atMost := func(x *big.Rat, r Reported) {
		if out.hi == nil || x.Cmp(out.hi) < 0 {
			out.hi, fromHi = x, printed(r)
		}
	}
	below := measure == "time_below" || measure == "share_below"
	kind := levelKind(measure)
	for _, r := range all {
		lo, _, hi := r.Bounds()
		of := levelKind(r.Measure)
		switch {
		case kind != "" && r.Measure == "nadir":
			// A whole number may have been rounded up, so its lower bound counts.
			cut, strict := levelCut(level, below, rounded)
			if c := lo.Cmp(cut); c > 0 || strict && c == 0 {
				atMost(zero, r)
			}
		case measure == "nadir" && of != "" && lo.Sign() > 0:
			atMost(r.SpO2, r) // some reading lies there
		case kind != "" && of != "":
			if inside(r, below, level) && (of == kind || kind == "time" && of == "run") {
				atLeast(lo, r)
			}
			if contains(r, below, level) && (of == kind || kind == "run" && of == "time") {
				atMost(hi, r)
			}
		case measure == "valid_time" && r.Measure == "recorded_time",
			(kind == "time" || kind == "run") && (r.Measure == "recorded_time" || r.Measure == "valid_time"):
			atMost(hi, r)
		case measure == "recorded_time" && r.Measure == "valid_time":
			atLeast(lo, r)
		}
	}
	if out.lo == nil && out.hi == nil {
		return nil
	}
	out.from = strings.Join(slices.DeleteFunc(slices.Compact([]string{fromLo, fromHi}), func(s string) bool { return s == "" }), s.say(" and "))
	return out
}

// inside reports whether every reading that the figure counts is counted at
// the level too.
func inside(r Reported, below bool, level *big.Rat) bool {
	strict := r.Measure == "time_below" || r.Measure == "share_below"
	c := r.SpO2.Cmp(level)
	return c < 0 || c == 0 && (strict || !below)
}

// contains reports whether the figure counts every reading that is counted at
// the level.
func contains(r Reported, below bool, level *big.Rat) bool {
	strict := r.Measure == "time_below" || r.Measure == "share_below"
	c := r.SpO2.Cmp(level)
	return c > 0 || c == 0 && (below || !strict)
}

// withReport adds what the signed report tells of a measure: alone it is the
// reading, beside a recording the hull of both is. A printed figure that may
// be the recording's, rounded, agrees with it and is there a single figure.
func (s *source) withReport(r *reading, level *big.Rat, rounded bool) {
	t := s.told(r.def, level, rounded)
	if t == nil {
		return
	}
	if !r.known {
		r.report = t
		r.known = true
		r.lo, r.value, r.hi = t.lo, t.value, t.hi
		return
	}
	r.recording = &span{r.lo, r.value, r.hi}
	under := t.hi != nil && t.hi.Cmp(r.lo) < 0
	over := t.lo != nil && t.lo.Cmp(r.hi) > 0
	switch {
	case !under && !over && t.printed == "":
		return // what follows from other figures agrees with the recording
	case !under && !over:
		v := t.value
		t.span = span{v, v, v}
	case under && t.printed == "":
		t.lo = t.hi // its nearest end: how far it lies off is not known
	case over && t.printed == "":
		t.hi = t.lo
	}
	r.report = t
	r.lo, r.hi = least(r.lo, t.lo), greatest(r.hi, t.hi)
}

// reportFaults tells which figures of a report contradict one another.
func (s *source) reportFaults() []string {
	var out []string
	all := s.figures()
	for i, r := range all {
		others := slices.Concat(all[:i], all[i+1:])
		lo, _, hi := r.Bounds()
		t := s.infer(others, r.Measure, r.SpO2, false)
		for _, o := range others {
			if o.Measure == r.Measure && (o.SpO2 == nil || o.SpO2.Cmp(r.SpO2) == 0) && o.Value.Cmp(r.Value) != 0 {
				if l, _, h := o.Bounds(); l.Cmp(hi) > 0 || h.Cmp(lo) < 0 {
					out = append(out, s.say("The report prints %s twice, as %s and as %s: ask the tester for a corrected report.", r.WhatIn(s.language()), r.PrintedIn(s.language()), o.PrintedIn(s.language())))
				}
			}
		}
		if t != nil && (t.lo != nil && hi.Cmp(t.lo) < 0 || t.hi != nil && lo.Cmp(t.hi) > 0) {
			out = append(out, s.say("The report contradicts itself: it prints %s %s beside %s. Ask the tester for a corrected report.", r.WhatIn(s.language()), r.PrintedIn(s.language()), t.from))
		}
	}
	return slices.Compact(out)
}
