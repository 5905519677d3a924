package analysis

import (
	"fmt"
	"slices"
	"strings"

	"airwarrant/qualify/recording"
	"airwarrant/rules/wording"
)

// Rule is one condition under which a reading is set aside or doubted, in
// words for the worksheet. No rule removes anything from the recording.
type Rule struct {
	Name      string
	Kind      SpanKind
	Condition wording.Text // when it applies
	Reason    wording.Text // the text of the spans that it makes
	Source    string       // where it comes from; "our choice" if nowhere
}

// DefaultRules returns the rules that hold unless the caller states others.
// Each figure's source stands in Rules.List.
func DefaultRules() Rules {
	return Rules{FloorPct: 50, CeilingPct: 100, RatePctPerS: 4, FlatSeconds: 600, PulseLow: 30, PulseHigh: 240}
}

// reason is a set of rules that apply to one instant. The order of the bits
// is the order in which reasons are printed.
type reason uint16

const (
	whySensorOff reason = 1 << iota
	whyNoReading
	whyOffScale
	whyConflict
	whyRange
	whyRate
	whyFlat
	whyMotion
	whyWeak
	whyMarginal
	whyUnknownMark
	whyPulseAbsent
	whyPulseRange
	whyOverlap
	whyStated
	whyArtifact // judged to be none
)

const (
	whyMissing     = whySensorOff | whyNoReading | whyOffScale | whyArtifact
	whyImplausible = whyConflict | whyRange
)

func (w reason) missing() bool   { return w&whyMissing != 0 }
func (w reason) number() bool    { return w&whyMissing == 0 }
func (w reason) plausible() bool { return w&(whyMissing|whyImplausible) == 0 }
func (w reason) undoubted() bool { return w == 0 }

// kind returns what w does to the measures; only for w != 0.
func (w reason) kind() SpanKind {
	switch {
	case w.missing():
		return SpanMissing
	case !w.plausible():
		return SpanImplausible
	}
	return SpanSuspect
}

// rule pairs a bit with its words.
type rule struct {
	why reason
	on  bool
	Rule
}

// list holds every rule, in the order of the bits.
func (r Rules) list() []rule {
	flat := fmt.Sprintf("%d s", r.FlatSeconds)
	if r.FlatSeconds%60 == 0 {
		flat = fmt.Sprintf("%d min", r.FlatSeconds/60)
	}
	said := wording.Said
	const our = "our choice"
	return []rule{
		{whySensorOff, true, Rule{"sensor off", SpanMissing,
			said("the file says that the sensor was off"), said("sensor off"), our}},
		{whyNoReading, true, Rule{"no reading", SpanMissing,
			said("a no-reading code, an empty field or the number 0"), said("no reading"), our}},
		{whyOffScale, true, Rule{"off scale", SpanMissing,
			said("a number below 0 or above 100"), said("number outside 0 to 100 %"), our}},
		{whyConflict, true, Rule{"two values", SpanImplausible,
			said("two values at one instant"), said("two values at one instant"), our}},
		{whyRange, true, Rule{"plausible range", SpanImplausible,
			said("a number outside %d to %d %%", r.FloorPct, r.CeilingPct),
			said("saturation outside %d to %d %%", r.FloorPct, r.CeilingPct),
			"range used in methods of several oximetry papers (from memory, not opened)"}},
		{whyRate, r.RatePctPerS > 0, Rule{"rate of change", SpanSuspect,
			said("a single reading with changes in opposite directions of more than %d points per second on both sides", r.RatePctPerS),
			said("single reading changing faster than %d points per second on both sides", r.RatePctPerS),
			"rate after Taha et al., Sleep 1997;20:991-1001 and Magalang et al., Chest 2003;124:1694-1701 (from memory, not opened); looking at both sides is our choice"}},
		{whyFlat, r.FlatSeconds > 0, Rule{"flat line", SpanSuspect,
			said("saturation and pulse both unchanged for at least %s", flat),
			said("saturation and pulse unchanged for at least %s", flat), our}},
		{whyMotion, true, Rule{"motion", SpanSuspect,
			said("the file marks motion"), said("marked as motion"), our}},
		{whyWeak, true, Rule{"weak signal", SpanSuspect,
			said("the file marks a weak signal or low perfusion"), said("marked as weak signal"), our}},
		{whyMarginal, true, Rule{"marginal signal", SpanSuspect,
			said("the file marks the reading as marginal, bad or artifact"), said("marked as marginal or artifact"), our}},
		{whyUnknownMark, true, Rule{"unknown mark", SpanSuspect,
			said("a quality mark that is not known"), said("unknown quality mark"), our}},
		{whyPulseAbsent, true, Rule{"no pulse", SpanSuspect,
			said("no pulse reading although the file has a pulse column"), said("no pulse reading"), our}},
		{whyPulseRange, true, Rule{"pulse range", SpanSuspect,
			said("a pulse outside %d to %d beats per minute", r.PulseLow, r.PulseHigh), said("pulse outside %d to %d beats per minute", r.PulseLow, r.PulseHigh), our}},
		{whyOverlap, true, Rule{"overlap", SpanSuspect,
			said("the clock stepped back and the instant lies inside another stretch"),
			said("the file may tell this time twice"), our}},
		{whyStated, true, Rule{"stated", SpanSuspect,
			said("whoever wrote the profile says so"), said("stated as doubtful"), our}},
		{whyArtifact, true, Rule{"judged", SpanMissing,
			said("the tester or the practitioner judged it an artifact"), said("judged to be an artifact"), our}},
	}
}

// List returns the rules in force, in the order in which reasons are printed.
func (r Rules) List() []Rule {
	var out []Rule
	for _, x := range r.list() {
		if x.on && x.why != whyStated && x.why != whyArtifact {
			out = append(out, x.Rule)
		}
	}
	return out
}

// words joins the reasons in w, the deciding ones alone: a missing reading is
// not also called doubtful, and one judged an artifact is called nothing else.
func (r Rules) words(w reason) string {
	switch {
	case w&whyArtifact != 0:
		w = whyArtifact
	case w.missing():
		w &= whyMissing
	case !w.plausible():
		w &= whyImplausible
	}
	var out []string
	for _, x := range r.list() {
		if w&x.why != 0 {
			out = append(out, x.Reason.String())
		}
	}
	return strings.Join(out, "; ")
}

// Reasons are the parts of a Span's Reason, so that each can be said in another
// language.
func (r Rules) Reasons(reason string) []wording.Text {
	var out []wording.Text
	for _, part := range strings.Split(reason, "; ") {
		said := wording.Said(part)
		for _, x := range r.list() {
			if x.Reason.String() == part {
				said = x.Reason
			}
		}
		out = append(out, said)
	}
	return out
}

// ofNumber judges a number over den by its size alone.
func (r Rules) ofNumber(num, den int64) reason {
	switch {
	case num == 0:
		return whyNoReading
	case num < 0 || num > 100*den:
		return whyOffScale
	case num < r.FloorPct*den || num > r.CeilingPct*den:
		return whyRange
	}
	return 0
}

var flagReasons = []struct {
	flag recording.Flag
	why  reason
}{
	{recording.FlagSensorOff, whySensorOff},
	{recording.FlagMotion, whyMotion},
	{recording.FlagWeak, whyWeak},
	{recording.FlagMarginal, whyMarginal},
	{recording.FlagUnknownMark, whyUnknownMark},
	{recording.FlagConflict, whyConflict},
	{recording.FlagOverlap, whyOverlap},
}

// ofSample judges sample i by what stands beside it, not by its neighbours.
func (s *stretch) ofSample(i int) reason {
	var w reason
	if f := s.rec.Flag(i); f != 0 {
		for _, x := range flagReasons {
			if f&x.flag != 0 {
				w |= x.why
			}
		}
	}
	code := s.rec.SpO2[i]
	if code == recording.NoReading {
		w |= whyNoReading
	} else {
		w |= s.rules.ofNumber(s.number(code), s.den)
	}
	if s.rec.HasPulse() {
		p := s.rec.Pulse[i]
		if p == recording.NoReading {
			w |= whyPulseAbsent
		} else if n, den := s.rec.PulseScale.Num(p), s.rec.PulseScale.Den; n < s.rules.PulseLow*den || n > s.rules.PulseHigh*den {
			w |= whyPulseRange
		}
	}
	return w
}

// ofPoint judges the samples of one instant. Samples that share an instant
// and differ, or that the reader flagged, are two values at one instant: the
// lowest number among them is what might count. It returns that number.
func (s *stretch) ofPoint(p point) (reason, int64) {
	w := s.ofSample(p.from)
	num := s.numberAt(p.from)
	if p.to == p.from+1 && w&whyConflict == 0 {
		return w, num
	}
	// The reasons of a group matter only as far as no number is left.
	found := w.number()
	conflict := w&whyConflict != 0
	for i := p.from + 1; i < p.to; i++ {
		v := s.ofSample(i)
		n := s.numberAt(i)
		conflict = conflict || v&whyConflict != 0 || n != num || v.number() != w.number()
		if v.number() && (!found || n < num) {
			found, num = true, n
		}
		w |= v
	}
	switch {
	case !conflict:
		return w, num
	case !found:
		return w & whyMissing, num
	}
	return whyConflict, num
}

// judge fills s.why: for each instant, at its first sample, the rules that
// apply.
func (s *stretch) judge() {
	var a, b judged // the two instants before p
	var flat struct {
		from   int // first sample of the stretch
		length int64
		pulse  int32
	}
	endFlat := func(to int) {
		if s.rules.FlatSeconds > 0 && flat.length >= s.rules.FlatSeconds*s.perSecond {
			for i := flat.from; i < to; i++ {
				s.why[i-s.from] |= whyFlat
			}
		}
		flat.length = 0
	}
	for p := range s.points() {
		w, num := s.ofPoint(p)
		s.why[p.from-s.from] = w
		c := judged{point: p, num: num, usable: w.plausible()}
		if s.spike(a, b, c) {
			s.why[b.from-s.from] |= whyRate
		}
		if s.rec.HasPulse() {
			pulse := s.rec.Pulse[p.from]
			if flat.length > 0 && (!c.usable || b.cut || num != b.num || pulse != flat.pulse) {
				endFlat(p.from)
			}
			if c.usable && pulse != recording.NoReading {
				if flat.length == 0 {
					flat.from, flat.pulse = p.from, pulse
				}
				flat.length += p.weight
			}
		}
		a, b = b, c
	}
	endFlat(s.to)
}

// apply lets the judgements stand over the rules of doubt, the later ones over
// the earlier. told reports whether anything was said of the instant that begins
// at a sample.
func (s *stretch) apply(said []Judged) (told map[int]bool) {
	told = map[int]bool{}
	doubts := slices.Clone(s.why)
	for _, j := range said {
		for i := max(j.From, s.from); i < min(j.To, s.to); i++ {
			w := doubts[i-s.from]
			if w == 0 || w.missing() {
				continue // nobody doubts it, or there is no reading
			}
			switch {
			case j.As == Artifact:
				w |= whyArtifact
			case j.As == Genuine && w.plausible():
				w = 0
			case j.As == Genuine:
				continue
			}
			s.why[i-s.from], told[i] = w, true
		}
	}
	return told
}

// judged is an instant with its number, for the rules that compare
// neighbours. The zero value is no instant: it is not usable.
type judged struct {
	point
	num    int64
	usable bool
}

// spike reports whether b changes faster than the rate rule allows against
// both a and c, in opposite directions. A true steep fall does so on one side
// only and is kept.
func (s *stretch) spike(a, b, c judged) bool {
	if s.rules.RatePctPerS <= 0 || !a.usable || !b.usable || !c.usable || a.cut || b.cut {
		return false
	}
	in, out := b.num-a.num, c.num-b.num
	if (in < 0) == (out < 0) {
		return false
	}
	return s.fast(in, b.at-a.at) && s.fast(out, c.at-b.at)
}

// fast reports whether a change of num over s.den within ticks exceeds the
// rate rule: |num|/den > rate * ticks/perSecond, without a division.
func (s *stretch) fast(num, ticks int64) bool {
	if num < 0 {
		num = -num
	}
	return moreThan(num, s.perSecond, s.rules.RatePctPerS*s.den, ticks)
}
