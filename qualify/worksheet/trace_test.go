package worksheet

import (
	"math"
	"math/big"
	"slices"
	"strings"
	"testing"

	"airwarrant/qualify/analysis"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/recording"
)

// rows makes a recording of whole percents at the given seconds.
func rows(clock recording.ClockKind, times []int64, spo2 []int32) *recording.Recording {
	return &recording.Recording{SHA256: strings.Repeat("00", 32), Format: recording.FormatText, Clock: clock, PerSecond: 1,
		Time: times, SpO2: spo2, SpO2Scale: recording.Scale{Mul: 1, Den: 1}, PulseScale: recording.Scale{Mul: 1, Den: 1}}
}

func every(n int, step int64, v func(i int) int32) ([]int64, []int32) {
	var ts []int64
	var vs []int32
	for i := 0; i < n; i++ {
		ts, vs = append(ts, int64(i)*step), append(vs, v(i))
	}
	return ts, vs
}

func draw(rec *recording.Recording, level int64) (*Trace, *analysis.Analysis) {
	a := analysis.Analyze(rec, recording.Session{From: 0, To: len(rec.Time)}, analysis.Options{})
	var l *big.Rat
	if level > 0 {
		l = big.NewRat(level, 1)
	}
	return NewTrace(english, rec, a, l), a
}

func near(a, b float64) bool { return math.Abs(a-b) < 0.51 } // a column is half a unit

// TestGeometry places level, nadir, missing time and time at or below by hand:
// 1000 s at 1 s, so that a second is 0.436 units, and an axis of 80 to 100 %
// over 101 units.
func TestGeometry(t *testing.T) {
	ts, vs := every(1000, 1, func(i int) int32 {
		switch {
		case i >= 250 && i < 500:
			return 88
		case i == 600:
			return 85
		case i >= 750 && i < 1000:
			return recording.NoReading
		}
		return 94
	})
	tr, _ := draw(rows(recording.ClockElapsed, ts, vs), 88)
	sec := (plotRight - plotLeft) / 1000
	if want := plotBottom - (plotBottom-plotTop)*8/20; math.Abs(tr.Threshold.At-want) > 1e-9 || tr.Threshold.Label != "88 %" {
		t.Errorf("level at %v %q, want %v", tr.Threshold.At, tr.Threshold.Label, want)
	}
	if !near(tr.Nadir.X, plotLeft+600*sec) || math.Abs(tr.Nadir.Y-(plotBottom-(plotBottom-plotTop)*5/20)) > 1e-9 || tr.NadirLabel != "nadir 85 %" {
		t.Errorf("nadir at %v %q", *tr.Nadir, tr.NadirLabel)
	}
	below, unread := tr.Lanes[0], tr.Lanes[2]
	if below.Label != "≤ 88 %" || len(below.Bands) != 2 ||
		!near(below.Bands[0].From, plotLeft+250*sec) || !near(below.Bands[0].To, plotLeft+500*sec) || !near(below.Bands[1].From, plotLeft+600*sec) {
		t.Errorf("at or below: %+v", below)
	}
	if len(unread.Bands) != 1 || !near(unread.Bands[0].From, plotLeft+750*sec) || !near(unread.Bands[0].To, plotRight) {
		t.Errorf("not read: %+v", unread)
	}
	if len(tr.Lines) != 1 || !near(tr.Lines[0][len(tr.Lines[0])-1].X, plotLeft+750*sec) {
		t.Errorf("the line does not end where the readings do: %d lines", len(tr.Lines))
	}
	if n := len(tr.Saturation); tr.Saturation[0].Label != "100" || tr.Saturation[n-1].Label != "80" || tr.Saturation[n-1].At != plotBottom {
		t.Errorf("saturation axis %v", tr.Saturation)
	}
}

// TestGapBreaksLine: nothing is drawn across missing rows.
func TestGapBreaksLine(t *testing.T) {
	ts, vs := every(200, 1, func(int) int32 { return 93 })
	for i := 100; i < 200; i++ {
		ts[i] += 300
	}
	tr, _ := draw(rows(recording.ClockElapsed, ts, vs), 0)
	if len(tr.Lines) != 2 || tr.Threshold != nil || len(tr.Lanes) != 2 {
		t.Fatalf("%d lines, %d lanes", len(tr.Lines), len(tr.Lanes))
	}
	sec := (plotRight - plotLeft) / 500
	if b := tr.Lanes[1].Bands; len(b) != 1 || !near(b[0].From, plotLeft+100*sec) || !near(b[0].To, plotLeft+400*sec) {
		t.Errorf("not read: %+v", b)
	}
}

// TestClock: marks at whole steps of the wall clock, midnight told, and an
// offset that changes at night moves the labels, not the trace.
func TestClock(t *testing.T) {
	label := func(tr *Trace) (out []string) {
		for _, k := range tr.Clock {
			s := k.Label
			if k.Midnight {
				s += "*"
			}
			out = append(out, s)
		}
		return out
	}
	ts, vs := every(7*3600/4, 4, func(int) int32 { return 93 })
	const evening = 22*3600 + 1800
	for i := range ts {
		ts[i] += evening
	}
	for _, c := range []struct {
		name    string
		clock   recording.ClockKind
		offsets []recording.OffsetChange
		want    []string
	}{
		{"wall", recording.ClockWall, nil, []string{"23:00", "00:00*", "01:00", "02:00", "03:00", "04:00", "05:00"}},
		{"elapsed", recording.ClockElapsed, nil, []string{"+23:00", "+24:00", "+25:00", "+26:00", "+27:00", "+28:00", "+29:00"}},
		{"instants east", recording.ClockInstant, []recording.OffsetChange{{From: 0, Seconds: 3600}}, []string{"00:00*", "01:00", "02:00", "03:00", "04:00", "05:00", "06:00"}},
		// From 01:00 UTC (sample 2250) the clock stands an hour further west: 01:00 is told twice.
		{"instants, autumn", recording.ClockInstant, []recording.OffsetChange{{From: 0, Seconds: 3600}, {From: 2250, Seconds: 0}}, []string{"00:00*", "01:00", "01:00", "02:00", "03:00", "04:00", "05:00"}},
	} {
		rec := rows(c.clock, ts, vs)
		rec.Offsets = c.offsets
		tr, _ := draw(rec, 0)
		if got := label(tr); !slices.Equal(got, c.want) {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}

// TestClockBreak: stretches of a clock that stepped back stand one after the
// other, in the order of the file.
func TestClockBreak(t *testing.T) {
	ts, vs := every(400, 4, func(int) int32 { return 93 })
	for i := 200; i < 400; i++ {
		ts[i] -= 600
	}
	rec := rows(recording.ClockWall, ts, vs)
	rec.Breaks = []int{200}
	tr, _ := draw(rec, 0)
	middle := (plotLeft + plotRight) / 2
	if len(tr.Breaks) != 1 || !near(tr.Breaks[0], middle) || len(tr.Lines) != 2 {
		t.Fatalf("breaks %v, %d lines", tr.Breaks, len(tr.Lines))
	}
	if !near(tr.Lines[1][0].X, middle) {
		t.Errorf("the second stretch begins at %v", tr.Lines[1][0].X)
	}
}

// TestBounded: a full memory of 414,000 samples (115 h at 1 s) that jumps at
// every sample, and one in which every second reading is missing, draw in
// bounded size, and the least and greatest reading survive the thinning.
func TestBounded(t *testing.T) {
	const n = 414000
	for name, v := range map[string]func(i int) int32{
		"jumps": func(i int) int32 { return 90 + int32(i%7) },
		"holes": func(i int) int32 {
			if i%2 == 1 {
				return recording.NoReading
			}
			return 90 + int32(i%3)
		},
	} {
		ts, vs := every(n, 1, v)
		vs[300000] = 81
		vs[123456] = 99
		tr, _ := draw(rows(recording.ClockWall, ts, vs), 92)
		points, lowest, highest := 0, 0.0, math.Inf(1)
		for _, l := range tr.Lines {
			for _, p := range l {
				points++
				lowest, highest = math.Max(lowest, p.Y), math.Min(highest, p.Y)
			}
		}
		if points > 6*traceColumns {
			t.Errorf("%s: %d points for %d columns", name, points, traceColumns)
		}
		if size := len(tr.SVG()); size > 200_000 {
			t.Errorf("%s: %d bytes of SVG", name, size)
		}
		scale := (plotBottom - plotTop) / 20
		if math.Abs(lowest-(plotBottom-scale)) > 1e-9 || math.Abs(highest-(plotBottom-19*scale)) > 1e-9 {
			t.Errorf("%s: extremes at %v and %v", name, lowest, highest)
		}
	}
}

// TestShort: one sample, and none that can be read, draw without a fault.
func TestShort(t *testing.T) {
	for name, vs := range map[string][]int32{"one": {93}, "none": {recording.NoReading}, "two at one instant": {93, 94}} {
		rec := rows(recording.ClockTimeOfDay, make([]int64, len(vs)), vs)
		tr, _ := draw(rec, 88)
		svg := tr.SVG()
		if strings.Contains(svg, "NaN") || strings.Contains(svg, "Inf") {
			t.Errorf("%s: a place that is no number", name)
		}
		if (len(tr.Lines) > 0) != (name != "none") {
			t.Errorf("%s: %d lines", name, len(tr.Lines))
		}
	}
}

// TestEvidenceUntouched: drawing changes nothing in the recording.
func TestEvidenceUntouched(t *testing.T) {
	rec, same := night(), night()
	draw(rec, 88)
	if !slices.Equal(rec.Time, same.Time) || !slices.Equal(rec.SpO2, same.SpO2) || !slices.Equal(rec.Flags, same.Flags) {
		t.Error("the recording changed")
	}
}

// TestTraceTellsBoundsThatDiffer checks that one figure is not printed as a
// range.
func TestTraceTellsBoundsThatDiffer(t *testing.T) {
	in := sample("met")
	for level, want := range map[int64]string{88: "6 min 20 s at or below it, between 5 min 8 s and 6 min 24 s.", 5: "0 s at or below it."} {
		var tr Trace
		tr.describe(in.Recording, in.Analysis, big.NewRat(level, 1))
		if !strings.Contains(tr.Desc, want) {
			t.Errorf("%d %%: expected %q, found %q", level, want, tr.Desc)
		}
	}
}

// TestNotSeenIsSaidOnce checks the headline of a verdict on a report alone.
func TestNotSeenIsSaidOnce(t *testing.T) {
	in := sample("report")
	var tell func(fs []criteria.Finding)
	tell = func(fs []criteria.Finding) {
		for i := range fs {
			if slices.Contains(in.Determination.DecidedBy, fs[i].ID) {
				fs[i].Found = "6.3 min on the signed report; recording not seen"
			}
			tell(fs[i].Parts)
		}
	}
	tell(in.Determination.Clauses)
	_, lines := headline(in)
	if strings.Count(lines[0], "recording not seen") != 1 || !strings.Contains(lines[0], "6.3 min on the signed report") {
		t.Errorf("expected it once, found %q", lines[0])
	}
}
