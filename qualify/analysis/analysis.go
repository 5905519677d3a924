// Package analysis computes what a session of a recording holds: time at or
// below every recorded value with its bounds, longest runs, nadir, mean,
// desaturation events and the spans that are doubted.
//
// Call Analyze first. Every measure carries a value and bounds: low counts
// only what nobody can doubt, high everything that might count. The table of
// design section 7.3 decides which reading counts where. Nothing is rounded,
// nothing is interpolated over missing time, and no threshold of any payer is
// known here: Level totals are kept for every recorded value, so that any
// threshold can be asked later without the samples.
package analysis

import (
	"math/big"

	"airwarrant/rules/wording"
)

// Options are the settings of the analysis. The zero value means: interval
// and hold found in the session, the default rules.
type Options struct {
	// IntervalMS and HoldMS override the nominal interval d and the longest
	// step that is still continuous, in milliseconds; 0 finds d in the
	// session and takes 2 d.
	IntervalMS, HoldMS int64
	// Rules are the doubt rules; nil means DefaultRules().
	Rules *Rules
	// Judged are stretches that somebody fit to judge has looked at.
	Judged []Judged
}

// Judged is what was said of the doubted and unusable readings among the
// samples [From, To) of the recording. It never touches a reading that nobody
// doubts. The readings are the evidence: none is altered.
type Judged struct {
	From, To int
	As       Judgement
}

// Judgement is what can be said of doubtful readings.
type Judgement string

// The judgements. A number that cannot be a saturation is never made genuine.
const (
	Genuine    Judgement = "genuine"     // a doubted reading counts like any other
	Artifact   Judgement = "artifact"    // a doubted or unusable reading is none: in no value and no bound
	CannotTell Judgement = "cannot_tell" // the doubt stays, and need not be asked again
)

// Rules are the conditions under which a plausible reading is doubted. Each
// is named on the worksheet with its source. None removes a reading.
type Rules struct {
	// FloorPct and CeilingPct bound a plausible saturation, inclusive.
	FloorPct, CeilingPct int64
	// RatePctPerS doubts a single reading that both rises into and falls out
	// of its place faster than this, in points per second; 0 turns it off.
	RatePctPerS int64
	// FlatSeconds doubts a stretch in which saturation and pulse both hold
	// one value at least this long; 0 turns it off.
	FlatSeconds int64
	// PulseLow and PulseHigh bound a plausible pulse, beats per minute,
	// inclusive.
	PulseLow, PulseHigh int64
}

// Triple is a measured amount with its bounds, Low <= Value <= High, in ticks
// of 1/PerSecond s.
type Triple struct {
	Low, Value, High int64
}

// Level is what one recorded value holds. Time and Longest are cumulative:
// of all readings at or below Value.
type Level struct {
	// Num over Analysis.Den is the recorded value in percent.
	Num int64
	// AtOrBelow is the time at or below the value, Longest the longest
	// unbroken run at or below it, both in ticks.
	AtOrBelow, Longest Triple
}

// Bounded is a saturation with its bounds in percent; nil parts are unknown.
type Bounded struct {
	Low, Value, High *big.Rat
	// At is the tick of the first reading that has Value, AtIndex its sample;
	// only a nadir has them.
	At      int64
	AtIndex int
}

// Events counts the desaturation events of a depth in points.
type Events struct {
	Depth            int64
	Count, Low, High int
	PerHour          *big.Rat // per hour of valid time; nil without any
}

// SpanKind tells what a span does to the measures.
type SpanKind string

// The kinds of span.
const (
	SpanSuspect     SpanKind = "suspect"     // plausible but doubted: in the value and the high bound
	SpanImplausible SpanKind = "implausible" // a number that cannot be a saturation reading, or a conflict: in the high bound
	SpanMissing     SpanKind = "missing"     // no reading: in no bound
)

// Span is a stretch of samples [From, To) that share a kind and a reason.
// FromTick and ToTick are its ends in ticks; ToTick is exclusive.
type Span struct {
	From, To         int
	FromTick, ToTick int64
	Kind             SpanKind
	Reason           string // the rule or rules, in words
	LowestNum        int64  // lowest number in it over Den; math.MaxInt64 if none
}

// Analysis is what one session holds. Times are ticks of 1/PerSecond s,
// saturations numerators over Den. PerSecond is that of the recording or a
// multiple of it; Stamp prints ticks.
type Analysis struct {
	PerSecond int64
	Den       int64

	First, Last       int64 // ticks of the first and last sample
	FirstIndex, Count int   // samples [FirstIndex, FirstIndex+Count) of the recording
	Interval          int64 // commonest nominal interval, ticks
	Hold              int64 // longest continuous step at that interval, ticks

	Recorded *int64 // nil if a clock break makes it unknown, or no interval can be found
	Valid    int64
	Missing  *int64 // nil if Recorded is
	Suspect  int64
	// Unjudged is the time of doubted and unusable readings of which nobody
	// has said anything.
	Unjudged int64

	// Levels ascend by Num and hold every number of the session that could
	// count under a threshold, implausible ones too (they move only High).
	Levels []Level

	Nadir  Bounded
	Mean   Bounded
	Peak   *big.Rat // highest plausible reading, nil if none
	Events []Events // depths 3 and 4

	Initial, Final *big.Rat // first and last plausible reading, percent; nil if none

	Spans    []Span
	Rules    Rules
	HasPulse bool
	Warnings []wording.Text
}

// AtOrBelow returns the time at or below the saturation pct, in ticks.
func (a *Analysis) AtOrBelow(pct *big.Rat) Triple { l, _ := a.level(pct, false); return l }

// Below returns the time below the saturation pct, in ticks.
func (a *Analysis) Below(pct *big.Rat) Triple { l, _ := a.level(pct, true); return l }

// LongestAtOrBelow returns the longest unbroken run at or below pct, in ticks.
func (a *Analysis) LongestAtOrBelow(pct *big.Rat) Triple { _, l := a.level(pct, false); return l }

// LongestBelow returns the longest unbroken run below pct, in ticks.
func (a *Analysis) LongestBelow(pct *big.Rat) Triple { _, l := a.level(pct, true); return l }

// level finds the highest recorded level that pct admits.
func (a *Analysis) level(pct *big.Rat, strict bool) (time, longest Triple) {
	lo, hi := 0, len(a.Levels)
	for lo < hi {
		m := (lo + hi) / 2
		c := big.NewRat(a.Levels[m].Num, a.Den).Cmp(pct)
		if c < 0 || c == 0 && !strict {
			lo = m + 1
		} else {
			hi = m
		}
	}
	if lo == 0 {
		return Triple{}, Triple{}
	}
	return a.Levels[lo-1].AtOrBelow, a.Levels[lo-1].Longest
}

// Seconds converts ticks of a to seconds, exactly.
func (a *Analysis) Seconds(ticks int64) *big.Rat { return big.NewRat(ticks, a.PerSecond) }
