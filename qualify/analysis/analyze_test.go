package analysis

import (
	"fmt"
	"math"
	"math/big"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"

	"airwarrant/qualify/recording"
	"airwarrant/rules/wording"
)

// sampled makes a recording in whole percent at one row a second; 0 is no
// reading, and pulses nil is no pulse column.
func sampled(spo2, pulses []int32, flags []recording.Flag) *recording.Recording {
	r := &recording.Recording{PerSecond: 1, SpO2Scale: recording.Scale{Mul: 1, Den: 1},
		PulseScale: recording.Scale{Mul: 1, Den: 1}, Pulse: pulses, Flags: flags}
	for i, v := range spo2 {
		if v == 0 {
			v = recording.NoReading
		}
		r.Time, r.SpO2 = append(r.Time, int64(i)), append(r.SpO2, v)
	}
	return r
}

func all(r *recording.Recording) recording.Session { return recording.Session{To: len(r.Time)} }

func repeat(v int32, n int) []int32 {
	out := make([]int32, n)
	for i := range out {
		out[i] = v
	}
	return out
}

func join(parts ...[]int32) []int32 {
	var out []int32
	for _, p := range parts {
		out = append(out, p...)
	}
	return out
}

// spanText prints spans as "from-to kind: reason" in samples.
func spanText(a *Analysis) []string {
	var out []string
	for _, s := range a.Spans {
		out = append(out, fmt.Sprintf("%d-%d %s: %s", s.From, s.To, s.Kind, s.Reason))
	}
	return out
}

// Each rule at its edge. The figures are the defaults; the rules are our
// choice except where artifact.go names a source.
func TestDoubt(t *testing.T) {
	const n = recording.NoReading
	pulse := func(v ...int32) []int32 { return v }
	flag := func(f ...recording.Flag) []recording.Flag { return f }
	for _, c := range []struct {
		name   string
		spo2   []int32
		pulse  []int32
		flags  []recording.Flag
		step   int64 // seconds, 1 if 0
		spans  []string
		breaks []int
	}{
		{name: "4 points in 1 s are not faster than 4 points per second", spo2: []int32{94, 90, 94}},
		{name: "5 points in 1 s are", spo2: []int32{94, 89, 94},
			spans: []string{"1-2 suspect: single reading changing faster than 4 points per second on both sides"}},
		{name: "a rise is doubted like a fall", spo2: []int32{88, 93, 88},
			spans: []string{"1-2 suspect: single reading changing faster than 4 points per second on both sides"}},
		{name: "16 points in 4 s are not", spo2: []int32{94, 78, 94}, step: 4},
		{name: "17 points in 4 s are", spo2: []int32{94, 77, 94}, step: 4,
			spans: []string{"1-2 suspect: single reading changing faster than 4 points per second on both sides"}},
		{name: "fast on one side only", spo2: []int32{94, 88, 90}},
		{name: "fast on both sides in one direction", spo2: []int32{95, 90, 85}},
		{name: "two rows are no single reading", spo2: []int32{94, 80, 80, 94}},
		{name: "no neighbour on one side", spo2: []int32{94, 80, 0, 94}, spans: []string{"2-3 missing: no reading"}},
		{name: "a break is no neighbour", spo2: []int32{94, 80, 94}, breaks: []int{2}},
		{name: "an implausible neighbour is none", spo2: []int32{94, 60, 49, 94},
			spans: []string{"2-3 implausible: saturation outside 50 to 100 %"}},
		{name: "flat for 599 s", spo2: repeat(88, 599), pulse: repeat(70, 599)},
		{name: "flat for 600 s", spo2: join(repeat(89, 1), repeat(88, 600), repeat(89, 1)), pulse: repeat(70, 602),
			spans: []string{"1-601 suspect: saturation and pulse unchanged for at least 10 min"}},
		{name: "a pulse that changes ends the flat line", spo2: repeat(88, 900), pulse: join(repeat(70, 450), repeat(71, 450))},
		{name: "so does a missing reading", spo2: join(repeat(88, 450), repeat(0, 1), repeat(88, 449)), pulse: repeat(70, 900),
			spans: []string{"450-451 missing: no reading"}},
		{name: "no flat line without a pulse column", spo2: repeat(88, 900)},
		{name: "pulse at the edges", spo2: []int32{88, 88, 88, 88}, pulse: pulse(30, 29, 240, 241),
			spans: []string{"1-2 suspect: pulse outside 30 to 240 beats per minute", "3-4 suspect: pulse outside 30 to 240 beats per minute"}},
		{name: "no pulse beside a reading", spo2: []int32{88, 88}, pulse: pulse(60, n), spans: []string{"1-2 suspect: no pulse reading"}},
		{name: "every mark", spo2: []int32{88, 88, 88, 88, 88, 88, 88}, spans: []string{
			"1-2 missing: sensor off", "2-3 suspect: marked as motion", "3-4 suspect: marked as weak signal",
			"4-5 suspect: marked as marginal or artifact", "5-6 suspect: unknown quality mark", "6-7 suspect: the file may tell this time twice"},
			flags: flag(0, recording.FlagSensorOff, recording.FlagMotion, recording.FlagWeak, recording.FlagMarginal,
				recording.FlagUnknownMark, recording.FlagOverlap)},
		{name: "neighbours of one reason are one span, reasons combine", spo2: []int32{88, 90, 87, 87}, pulse: pulse(60, 60, 60, n),
			flags: flag(0, recording.FlagMotion, recording.FlagMotion, recording.FlagMotion),
			spans: []string{"1-3 suspect: marked as motion", "3-4 suspect: marked as motion; no pulse reading"}},
		{name: "a missing reading is not also doubted", spo2: []int32{88, 0}, pulse: pulse(60, n),
			flags: flag(0, recording.FlagMotion), spans: []string{"1-2 missing: no reading"}},
		{name: "numbers that no saturation can be", spo2: []int32{88, -5, 101, 100, 50, 49}, spans: []string{
			"1-3 missing: number outside 0 to 100 %", "5-6 implausible: saturation outside 50 to 100 %"}},
	} {
		rec := sampled(c.spo2, c.pulse, c.flags)
		for i := range rec.Time {
			rec.Time[i] *= max(1, c.step)
		}
		rec.Breaks = c.breaks
		a := Analyze(rec, all(rec), Options{IntervalMS: 1000 * max(1, c.step)})
		if got := spanText(a); !reflect.DeepEqual(got, c.spans) {
			t.Errorf("%s: spans %q, expected %q", c.name, got, c.spans)
		}
	}
}

// A rule set to 0 is off.
func TestRulesOff(t *testing.T) {
	rec := sampled(join([]int32{94, 60, 94}, repeat(91, 700)), repeat(70, 703), nil)
	if a := Analyze(rec, all(rec), Options{}); len(a.Spans) != 2 || a.Suspect != 701 {
		t.Fatalf("with the default rules %d s are doubted in %q, expected 701", a.Suspect, spanText(a))
	}
	rules := DefaultRules()
	rules.RatePctPerS, rules.FlatSeconds = 0, 0
	if a := Analyze(rec, all(rec), Options{Rules: &rules}); len(a.Spans) != 0 || a.Rules != rules {
		t.Errorf("with both rules off there are spans %q", spanText(a))
	}
	if on, off := len(DefaultRules().List()), len(rules.List()); on != off+2 {
		t.Errorf("%d rules listed with two off, %d with all on", off, on)
	}
	for _, r := range DefaultRules().List() {
		if r.Name == "" || r.Condition.Format == "" || r.Reason.Format == "" || r.Source == "" || r.Kind == "" {
			t.Errorf("rule %+v says too little", r)
		}
	}
}

// Two values at one instant: neither is used, the lower one is in the high
// bound (design section 7.3).
func TestConflict(t *testing.T) {
	const n, c = recording.NoReading, recording.FlagConflict
	rec := &recording.Recording{PerSecond: 1, SpO2Scale: recording.Scale{Mul: 1, Den: 1},
		Time:  []int64{0, 1, 1, 1, 2, 2, 3, 3, 4, 5, 5},
		SpO2:  []int32{90, 90, 85, 88, n, n, 91, 91, 92, n, 80},
		Flags: []recording.Flag{0, c, c, c, c, c, 0, 0, 0, c, c | recording.FlagSensorOff}}
	a := Analyze(rec, all(rec), Options{})
	want := []string{"1-4 implausible: two values at one instant", "4-6 missing: no reading", "9-11 missing: sensor off; no reading"}
	if got := spanText(a); !reflect.DeepEqual(got, want) {
		t.Errorf("spans %q, expected %q", got, want)
	}
	// Copies that the reader left (at 3 s) count once.
	if a.Valid != 3 || *a.Recorded != 6 || *a.Missing != 3 {
		t.Errorf("valid %d, recorded %d, missing %d; expected 3, 6, 3", a.Valid, *a.Recorded, *a.Missing)
	}
	if got, want := a.AtOrBelow(big.NewRat(88, 1)), (Triple{0, 0, 1}); got != want {
		t.Errorf("at or below 88 is %v, expected %v", got, want)
	}
	if got := a.Nadir.Low.RatString(); got != "85" || a.Spans[0].LowestNum != 85 || a.Spans[1].LowestNum != math.MaxInt64 {
		t.Errorf("lowest number is %s, spans %+v", got, a.Spans)
	}
}

// steps makes a recording of 90 % whose samples lie the given seconds apart.
func steps(seconds ...int64) *recording.Recording {
	r := &recording.Recording{PerSecond: 1, SpO2Scale: recording.Scale{Mul: 1, Den: 1}, Time: []int64{0}, SpO2: []int32{90}}
	for _, s := range seconds {
		r.Time, r.SpO2 = append(r.Time, r.Time[len(r.Time)-1]+s), append(r.SpO2, 90)
	}
	return r
}

func many(parts ...int64) []int64 { // pairs of count and value
	var out []int64
	for i := 0; i < len(parts); i += 2 {
		for range parts[i] {
			out = append(out, parts[i+1])
		}
	}
	return out
}

func TestInterval(t *testing.T) {
	const changes = "interval between samples changes"
	for _, c := range []struct {
		name                      string
		steps                     []int64
		opt                       Options
		interval, hold, valid, of int64
		warns                     bool
	}{
		{"the commonest step", []int64{4, 4, 2}, Options{}, 4, 8, 14, 14, false},
		{"the smaller one on a tie", []int64{4, 2, 4, 2}, Options{}, 2, 4, 14, 14, false},
		{"a hold of exactly two intervals", []int64{4, 4, 8}, Options{}, 4, 8, 20, 20, false},
		{"a gap beyond it", []int64{4, 4, 9}, Options{}, 4, 8, 16, 21, false},
		{"nine steps are no lasting change", many(20, 1, 9, 4), Options{}, 1, 2, 30, 57, false},
		{"ten are", many(20, 1, 10, 4), Options{}, 1, 2, 64, 64, true},
		{"a row lost after a change", many(20, 1, 10, 4, 1, 8, 9, 4), Options{}, 1, 2, 108, 108, true},
		{"a change and back", many(20, 1, 10, 4, 10, 1, 1, 3), Options{}, 1, 2, 72, 74, true},
		{"back for fewer than ten steps", many(20, 1, 10, 4, 5, 1, 1, 3), Options{}, 1, 2, 67, 69, true},
		{"one short step inside a change", many(20, 1, 10, 4, 1, 1, 1, 7, 1, 4), Options{}, 1, 2, 76, 76, true},
		{"two changes", many(20, 1, 10, 4, 10, 6, 1, 12), Options{}, 1, 2, 138, 138, true},
		{"back, then another change", many(20, 1, 10, 4, 3, 1, 1, 3, 10, 6), Options{}, 1, 2, 130, 132, true},
		{"stated interval holds throughout", many(20, 1, 10, 4), Options{IntervalMS: 2000}, 2, 4, 62, 62, false},
		{"stated hold", many(20, 1, 5, 4), Options{HoldMS: 3000}, 1, 3, 26, 41, false},
		{"a gap weighs no more than itself", []int64{4, 4}, Options{IntervalMS: 60000, HoldMS: 1000}, 60, 1, 68, 68, false},
	} {
		rec := steps(c.steps...)
		a := Analyze(rec, all(rec), c.opt)
		if a.Interval != c.interval || a.Hold != c.hold || a.Valid != c.valid || *a.Recorded != c.of || *a.Missing != c.of-c.valid {
			t.Errorf("%s: interval %d, hold %d, valid %d of %d; expected %d, %d, %d of %d", c.name,
				a.Interval, a.Hold, a.Valid, *a.Recorded, c.interval, c.hold, c.valid, c.of)
		}
		if got := strings.Contains(strings.Join(wording.Sentences(a.Warnings), " "), changes); got != c.warns {
			t.Errorf("%s: warnings %q", c.name, a.Warnings)
		}
	}
}

// Stamps in milliseconds jitter around a step of one second: the interval is
// found all the same, each reading weighs the step to the next, and a lost row
// is bridged, two are a gap.
func TestFineJitter(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 8))
	for _, jitter := range []int64{1, 20, 190} {
		r := &recording.Recording{PerSecond: 1000, SpO2Scale: recording.Scale{Mul: 1, Den: 1}}
		for i := range int64(300) {
			if i == 100 || i == 101 { // two rows are lost
				continue
			}
			r.Time, r.SpO2 = append(r.Time, 1000*i+rng.Int64N(jitter+1)-jitter/2), append(r.SpO2, 90)
		}
		a := Analyze(r, all(r), Options{})
		if a.Interval < 950 || a.Interval > 1050 {
			t.Errorf("jitter of %d ms: interval %d ms", jitter, a.Interval)
		}
		gap := r.Time[100] - r.Time[99]
		if want := r.Time[297] - r.Time[0] + a.Interval; *a.Recorded != want || a.Valid != want-gap+a.Interval {
			t.Errorf("jitter of %d ms: %d of %d ms, expected %d of %d", jitter, a.Valid, *a.Recorded, want-gap+a.Interval, want)
		}
	}
	// The middle range is the fullest; the middle of its seven steps is 40.
	count := map[int64]int{5: 2, 38: 2, 39: 1, 40: 1, 45: 2, 56: 1, 90: 3}
	if got := densest(count); got != 40 {
		t.Errorf("the middle of the densest steps is %d, expected 40", got)
	}
}

// Settings that are no whole ticks refine the ticks, so that sums stay exact.
func TestFinerTicks(t *testing.T) {
	for _, c := range []struct {
		perSecond, interval, hold  int64
		wantPerSecond, wantSeconds int64 // recorded, in wantPerSecond
	}{
		{1, 4000, 0, 1, 12},
		{1, 2500, 0, 2, 21},
		{1, 2500, 333, 1000, 10500},
		{3, 1500, 0, 6, 25}, // 8 ticks of a third, and 1.5 s
		{1000, 1, 0, 1000, 9},
	} {
		rec := steps(4, 4)
		rec.PerSecond = c.perSecond
		a := Analyze(rec, all(rec), Options{IntervalMS: c.interval, HoldMS: c.hold})
		if a.PerSecond != c.wantPerSecond || *a.Recorded != c.wantSeconds {
			t.Errorf("%+v: recorded %d of 1/%d s", c, *a.Recorded, a.PerSecond)
		}
	}
	rec := steps(4, 4)
	rec.Clock = recording.ClockElapsed
	a := Analyze(rec, all(rec), Options{IntervalMS: 2500})
	if got := a.Stamp(rec, a.Last, 2) + " " + a.Stamp(rec, a.Last+a.Interval, 2); got != "+0:00:08 +0:00:10.500" {
		t.Errorf("stamps of the end are %s", got)
	}
	// Stamps too far off for finer ticks: told, not overflowed.
	for i := range rec.Time {
		rec.Time[i] += math.MaxInt64 / 4
	}
	a = Analyze(rec, all(rec), Options{IntervalMS: 2500})
	if a.PerSecond != 1 || a.Interval != 3 || !strings.Contains(strings.Join(wording.Sentences(a.Warnings), " "), "rounded") {
		t.Errorf("far stamps: interval %d of 1/%d s, warnings %q", a.Interval, a.PerSecond, a.Warnings)
	}
}

// An interval beyond all reason is cut and told, and sums stay in bounds.
func TestAbsurdInterval(t *testing.T) {
	rec := sampled([]int32{90, 88, 90, 88, 90, 88}, nil, nil)
	rec.Breaks = []int{1, 2, 3, 4, 5}
	for _, ms := range []int64{math.MaxInt64, math.MaxInt64 / 7} {
		rec.PerSecond = 1000
		if ms == math.MaxInt64 {
			rec.PerSecond = 1_000_000 // the product passes 63 bits and the quotient too
		}
		a := Analyze(rec, all(rec), Options{IntervalMS: ms, HoldMS: ms})
		at := a.AtOrBelow(big.NewRat(88, 1))
		if a.Interval <= 0 || a.Valid != 6*a.Interval || at.Value != 3*a.Interval || !strings.Contains(strings.Join(wording.Sentences(a.Warnings), " "), "rounded") {
			t.Errorf("interval of %d ms: %d, valid %d, at or below 88 %d, warnings %q", ms, a.Interval, a.Valid, at.Value, a.Warnings)
		}
	}
}

func TestWarnings(t *testing.T) {
	broken := sampled([]int32{90, 90, 90, 90}, []int32{60, 60, 60, 60}, nil)
	broken.Time = []int64{10, 11, 5, 6} // falls without being listed
	offScale := sampled([]int32{90, 101}, []int32{60, 60}, nil)
	thin := steps(11, 11)
	thin.Pulse, thin.PulseScale = []int32{60, 60, 60}, recording.Scale{Mul: 1, Den: 1}
	ten := steps(10, 10)
	ten.Pulse, ten.PulseScale = thin.Pulse, thin.PulseScale
	for _, c := range []struct {
		name string
		rec  *recording.Recording
		want []string
	}{
		{"nothing to say", ten, nil},
		{"thinned", thin, []string{"longer than 10 s"}},
		{"no pulse", steps(1, 1), []string{"no pulse column"}},
		{"clock", broken, []string{"stepped back"}},
		{"off scale", offScale, []string{"below 0 or above 100"}},
		{"one sample", steps(), []string{"no pulse column", "cannot be found"}},
	} {
		a := Analyze(c.rec, all(c.rec), Options{})
		if len(a.Warnings) != len(c.want) {
			t.Errorf("%s: warnings %q, expected %d", c.name, a.Warnings, len(c.want))
			continue
		}
		for i, w := range c.want {
			if !strings.Contains(a.Warnings[i].String(), w) {
				t.Errorf("%s: warning %q does not say %q", c.name, a.Warnings[i], w)
			}
		}
	}
}

// What cannot be known is nil, not 0.
func TestUnknown(t *testing.T) {
	one := steps()
	a := Analyze(one, all(one), Options{})
	if a.Recorded != nil || a.Missing != nil || a.Mean.Value != nil || a.Valid != 0 || a.Nadir.Value.RatString() != "90" {
		t.Errorf("one sample without an interval: %+v", a)
	}
	broken := sampled([]int32{90, 88, 88, 88}, nil, nil)
	broken.Breaks = []int{2}
	a = Analyze(broken, all(broken), Options{})
	if a.Recorded != nil || a.Missing != nil || a.Valid != 4 || a.LongestAtOrBelow(big.NewRat(88, 1)).Value != 2 {
		t.Errorf("clock break: recorded %v, valid %d", a.Recorded, a.Valid)
	}
	// A break at the first sample of a session is not inside it.
	if a = Analyze(broken, recording.Session{From: 2, To: 4}, Options{}); a.Recorded == nil || *a.Recorded != 2 || a.FirstIndex != 2 {
		t.Errorf("session after a break: %+v", a)
	}
	a = Analyze(broken, recording.Session{From: 2, To: 2}, Options{})
	if *a.Recorded != 0 || a.Nadir.Value != nil || a.Mean.Value != nil || a.Peak != nil || a.Events[1].PerHour != nil || len(a.Levels) != 0 {
		t.Errorf("no samples: %+v", a)
	}
}

// A gap is a span without samples; the spans at its sides do not join.
func TestGapSpan(t *testing.T) {
	rec := sampled([]int32{90, 0, 0, 90}, nil, nil)
	rec.Time = []int64{0, 1, 100, 101}
	a := Analyze(rec, all(rec), Options{})
	want := []Span{
		{1, 2, 1, 2, SpanMissing, "no reading", math.MaxInt64},
		{2, 2, 2, 100, SpanMissing, "no record", math.MaxInt64},
		{2, 3, 100, 101, SpanMissing, "no reading", math.MaxInt64},
	}
	if !reflect.DeepEqual(a.Spans, want) {
		t.Errorf("spans %+v, expected %+v", a.Spans, want)
	}
}

// Saturations stored as 16-bit codes over 0 to 100 %, as binary files do:
// 57671 is 88.0003 % and counts as 88 (design section 2).
func TestScaledCodes(t *testing.T) {
	rec := &recording.Recording{PerSecond: 1, SpO2Scale: recording.Scale{Mul: 100, Den: 65535},
		Time: []int64{0, 1, 2, 3, 4}, SpO2: []int32{62258, 57671, 57672, 30000, 65535}}
	a := Analyze(rec, all(rec), Options{})
	if got, want := a.AtOrBelow(big.NewRat(88, 1)), (Triple{1, 1, 2}); got != want {
		t.Errorf("at or below 88 is %v, expected %v", got, want)
	}
	if a.Nadir.Value.RatString() != "88" || a.Nadir.At != 1 || a.Nadir.AtIndex != 1 || a.Peak.RatString() != "100" {
		t.Errorf("nadir %v at %d, peak %v", a.Nadir.Value, a.Nadir.At, a.Peak)
	}
	// A fall of over 20 points within a second with so large a denominator
	// must not overflow the rate rule.
	rec.SpO2Scale = recording.Scale{Mul: 1 << 40, Den: 1 << 47}
	rec.PerSecond = 1_000_000
	rec.Time = []int64{0, 1e6, 2e6, 3e6, 4e6}
	rec.SpO2 = []int32{12032, 11520, 12032, 12288, 12032} // 94 90 94 96 94
	if a = Analyze(rec, all(rec), Options{}); a.Suspect != 0 {
		t.Errorf("changes of at most 4 points per second are doubted: %q", spanText(a))
	}
	rec.SpO2[1] = 11392 // 89
	if a = Analyze(rec, all(rec), Options{}); a.Suspect != 1e6 {
		t.Errorf("5 points per second are not doubted: %q", spanText(a))
	}
}

func TestFromProfile(t *testing.T) {
	step := func(value string, seconds int64) ProfileStep {
		v, _ := new(big.Rat).SetString(value)
		return ProfileStep{Value: v, Seconds: big.NewRat(seconds, 1)}
	}
	// 95 for 6 h, 88.5 for 4 min, doubted 88 for 5 min, nothing for 10 min.
	low := step("88", 300)
	low.Doubted = true
	a := FromProfile([]ProfileStep{step("95", 6*3600), step("88.5", 240), low, {Seconds: big.NewRat(600, 1)}})
	if got, want := a.AtOrBelow(big.NewRat(88, 1)), (Triple{0, 300, 300}); got != want {
		t.Errorf("at or below 88 is %v, expected %v", got, want)
	}
	if got, want := a.LongestAtOrBelow(big.NewRat(177, 2)), (Triple{240, 540, 540}); got != want {
		t.Errorf("longest at or below 88.5 is %v, expected %v", got, want)
	}
	if a.Valid != 6*3600+540 || *a.Missing != 600 || *a.Recorded != 6*3600+1140 || a.Suspect != 300 || a.Events[1].Count != 1 || a.Warnings != nil {
		t.Errorf("profile gives %+v", a)
	}
	if got := spanText(a); !reflect.DeepEqual(got, []string{"2-3 suspect: stated as doubtful", "3-4 missing: no reading"}) {
		t.Errorf("spans %q", got)
	}
	third := FromProfile([]ProfileStep{{Value: big.NewRat(80, 1), Seconds: big.NewRat(1, 3)}, {Value: big.NewRat(90, 1), Seconds: big.NewRat(1, 2)}})
	if third.PerSecond != 6 || third.Mean.Value.RatString() != "86" { // (80 x 2 + 90 x 3) / 5
		t.Errorf("thirds and halves: %+v", third)
	}
	if z := FromProfile([]ProfileStep{step("0", 60), step("49", 60)}); z.Valid != 0 || *z.Missing != 120 || z.Nadir.Low.RatString() != "49" {
		t.Errorf("0 is no reading: %+v", z)
	}
	if e := FromProfile(nil); *e.Recorded != 0 || e.Mean.Value != nil {
		t.Errorf("empty profile: %+v", e)
	}
	huge := new(big.Rat).SetInt(new(big.Int).Lsh(big.NewInt(1), 61))
	tiny := new(big.Rat).Inv(huge)
	for name, p := range map[string][]ProfileStep{
		"no time":         {{Value: big.NewRat(90, 1)}},
		"negative time":   {step("90", -1)},
		"zero time":       {step("90", 0)},
		"endless":         {{Value: big.NewRat(90, 1), Seconds: huge}},
		"endless sum":     {step("90", math.MaxInt64/9), step("91", math.MaxInt64/9)},
		"too fine a time": {{Value: big.NewRat(90, 1), Seconds: tiny}},
		"too fine values": {{Value: big.NewRat(90, 1009), Seconds: big.NewRat(1, 1)}, {Value: big.NewRat(90, 1013), Seconds: big.NewRat(1, 1)}},
		"value too large": {{Value: huge, Seconds: big.NewRat(1, 1)}},
	} {
		if a := FromProfile(p); a != nil {
			t.Errorf("%s: %+v, expected nil", name, a)
		}
	}
}

// nightOf makes n samples at 1 s: a wandering saturation and pulse, dips, and
// some motion. kind "tenths" moves in tenths, "16 bit" uses every code.
func nightOf(kind string, n int) *recording.Recording {
	r := rand.New(rand.NewPCG(1, 2))
	rec := &recording.Recording{PerSecond: 1, SpO2Scale: recording.Scale{Mul: 1, Den: 1}, PulseScale: recording.Scale{Mul: 1, Den: 1},
		Flags: make([]recording.Flag, n)}
	spo2, pulse := int32(95), int32(64)
	switch kind {
	case "tenths":
		rec.SpO2Scale, spo2 = recording.Scale{Mul: 1, Den: 10}, 950
	case "16 bit":
		rec.SpO2Scale = recording.Scale{Mul: 100, Den: 65535}
	}
	for i := range n {
		full := int32(rec.SpO2Scale.Den)
		switch {
		case kind == "16 bit":
			spo2 = full/2 + r.Int32N(full/2)
		case r.IntN(4) == 0:
			spo2 = min(99*full, max(80*full, spo2+r.Int32N(3)-1))
		}
		if r.IntN(3) == 0 {
			pulse = min(110, max(45, pulse+r.Int32N(3)-1))
		}
		if i%5000 < 40 {
			rec.Flags[i] = recording.FlagMotion
		}
		rec.Time, rec.SpO2, rec.Pulse = append(rec.Time, int64(i)), append(rec.SpO2, spo2), append(rec.Pulse, pulse)
	}
	return rec
}

// BenchmarkAnalyze measures 115 hours at one row a second, a full memory.
func BenchmarkAnalyze(b *testing.B) {
	for _, kind := range []string{"whole", "tenths", "16 bit"} {
		rec := nightOf(kind, 414_000)
		b.Run(kind, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				Analyze(rec, all(rec), Options{})
			}
		})
	}
}
