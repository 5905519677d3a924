package worksheet

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"airwarrant/qualify/analysis"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/recording"
)

// TestViewPlaces places a part of a session by hand: 200 s of 1000 s, so that
// a second is 2.18 units.
func TestViewPlaces(t *testing.T) {
	ts, vs := every(1000, 1, func(i int) int32 {
		switch {
		case i >= 250 && i < 300:
			return 88
		case i == 600:
			return 85
		case i >= 350 && i < 380:
			return recording.NoReading
		}
		return 94
	})
	whole, _ := draw(rows(recording.ClockElapsed, ts, vs), 88)
	whole.ID = "t"
	tr := whole.View(View{From: 200_000, To: 400_000})
	sec := (plotRight - plotLeft) / 200
	place := func(second float64) float64 { return plotLeft + (second-200)*sec }
	if from, to, all, _ := tr.Shown(); from != 200_000 || to != 400_000 || all != 1_000_000 {
		t.Errorf("shown %d to %d of %d", from, to, all)
	}
	if b := tr.Lanes[0].Bands; len(b) != 1 || !near(b[0].From, place(250)) || !near(b[0].To, place(300)) {
		t.Errorf("at or below: %+v", b)
	}
	if b := tr.Lanes[2].Bands; len(b) != 1 || !near(b[0].From, place(350)) || !near(b[0].To, place(380)) {
		t.Errorf("not read: %+v", b)
	}
	if len(tr.Lines) != 2 || math.Abs(tr.Lines[1][0].X-place(380)) > .01 {
		t.Errorf("%d lines", len(tr.Lines))
	}
	if tr.Nadir != nil {
		t.Error("a nadir outside the part is drawn")
	}
	if tr.Threshold.At != whole.Threshold.At || len(tr.Saturation) != len(whole.Saturation) {
		t.Error("the axis of saturation moved")
	}
	var labels []string
	for _, k := range tr.Clock {
		labels = append(labels, fmt.Sprintf("%s@%.0f", k.Label, (k.At-plotLeft)/sec+200))
	}
	if got := strings.Join(labels, " "); got != "+0:03:30@210 +0:04:00@240 +0:04:30@270 +0:05:00@300 +0:05:30@330 +0:06:00@360 +0:06:30@390" {
		t.Errorf("clock: %s", got)
	}
	if !strings.Contains(tr.Title, "from +0:03:20 to +0:06:40, a part of the session") || !strings.Contains(tr.Desc, "Figures are those of the whole session") {
		t.Errorf("%q %q", tr.Title, tr.Desc)
	}
	fine := rows(recording.ClockElapsed, nil, vs)
	fine.PerSecond = 1000
	for _, s := range ts {
		fine.Time = append(fine.Time, s*1000)
	}
	coarse, _ := draw(fine, 88)
	if part := coarse.View(View{From: 200_387, To: 399_613}); !strings.Contains(part.Title, "from +0:03:20 to +0:06:40, a part of the session") {
		t.Errorf("between two readings: %q", part.Title)
	}
	if tr.ID != "t" {
		t.Errorf("id %q", tr.ID)
	}
	if whole.View(View{}).SVG() != whole.SVG() || tr.View(View{}).SVG() != whole.SVG() {
		t.Error("the whole is drawn otherwise than before")
	}
}

// TestViewStaysInside: whatever is asked, a part of the session is drawn, not
// shorter than the least.
func TestViewStaysInside(t *testing.T) {
	ts, vs := every(1000, 1, func(int) int32 { return 94 })
	whole, _ := draw(rows(recording.ClockElapsed, ts, vs), 0)
	for _, c := range []struct{ ask, want [2]int64 }{
		{[2]int64{0, 0}, [2]int64{0, 1_000_000}},
		{[2]int64{-50_000, 50_000}, [2]int64{0, 100_000}},
		{[2]int64{990_000, 1_090_000}, [2]int64{900_000, 1_000_000}},
		{[2]int64{500_000, 500_000}, [2]int64{490_000, 510_000}}, // 20 steps of a second
		{[2]int64{600_000, 500_000}, [2]int64{540_000, 560_000}},
		{[2]int64{-9, 9_000_000}, [2]int64{0, 1_000_000}},
		{[2]int64{math.MinInt64, math.MaxInt64}, [2]int64{0, 1_000_000}},
		{[2]int64{math.MaxInt64, math.MinInt64}, [2]int64{0, 20_000}}, // their middle is 0
	} {
		tr := whole.View(View{From: c.ask[0], To: c.ask[1]})
		from, to, _, shortest := tr.Shown()
		if from != c.want[0] || to != c.want[1] || shortest != 20_000 {
			t.Errorf("%v: %d to %d, shortest %d, want %v", c.ask, from, to, shortest, c.want)
		}
		if svg := tr.SVG(); strings.Contains(svg, "NaN") || strings.Contains(svg, "Inf") {
			t.Errorf("%v: a place that is no number", c.ask)
		}
	}
}

// TestReadingsAgainstCounting: at any closeness, columns hold together what
// the samples of the part hold, counted one by one.
func TestReadingsAgainstCounting(t *testing.T) {
	r := rand.New(rand.NewPCG(6, 1))
	for round := range 60 {
		n := 50 + r.IntN(4000)
		ts, vs := every(n, 1, func(int) int32 {
			if r.IntN(9) == 0 {
				return recording.NoReading
			}
			return 80 + r.Int32N(20)
		})
		rec := rows(recording.ClockElapsed, ts, vs)
		rec.Pulse = make([]int32, n)
		for i := range rec.Pulse {
			rec.Pulse[i] = 50 + r.Int32N(60)
		}
		whole, _ := draw(rec, 88)
		from := r.Int64N(int64(n))
		tr := whole.View(View{From: from * 1000, To: (from + 1 + r.Int64N(int64(n))) * 1000})
		begin, end, _, _ := tr.Shown()
		least, greatest, seen := int32(200), int32(0), false
		for i := range n {
			if at := int64(i) * 1000; at+1000 > begin && at < end && vs[i] != recording.NoReading {
				least, greatest, seen = min(least, vs[i]), max(greatest, vs[i]), true
			}
		}
		low, high, any, last := 200, 0, false, 0.0
		for _, c := range tr.Readings() {
			if c.X < last-1e-6 || c.Until <= c.X || c.Until > plotRight+1e-9 {
				t.Fatalf("round %d: a column from %v to %v after %v", round, c.X, c.Until, last)
			}
			last = c.X
			if c.Least == "" {
				if !strings.HasPrefix(c.Note, "not read: ") {
					t.Errorf("round %d: nothing read, and %q", round, c.Note)
				}
				continue
			}
			var a, b int
			if _, err := fmt.Sscan(c.Least, &a); err != nil {
				t.Fatal(err)
			}
			if _, err := fmt.Sscan(c.Greatest, &b); err != nil {
				t.Fatal(err)
			}
			low, high, any = min(low, a), max(high, b), true
			if c.At == c.Last && a != b || c.Pulse == "" {
				t.Errorf("round %d: %+v", round, c)
			}
		}
		if any != seen || seen && (low != int(least) || high != int(greatest)) {
			t.Errorf("round %d: columns hold %d to %d, the samples %d to %d", round, low, high, least, greatest)
		}
		if len(tr.Readings()) > traceColumns+1 {
			t.Errorf("round %d: %d columns", round, len(tr.Readings()))
		}
	}
}

// TestReadingIsTheSample: drawn closely, each sample stands for itself.
func TestReadingIsTheSample(t *testing.T) {
	ts, vs := every(1000, 4, func(i int) int32 { return 90 + int32(i%7) })
	vs[101] = recording.NoReading
	rec := rows(recording.ClockWall, ts, vs)
	for i := range rec.Time {
		rec.Time[i] += 22 * 3600
	}
	rec.Pulse = make([]int32, len(ts))
	for i := range rec.Pulse {
		rec.Pulse[i] = 60 + int32(i%5)
	}
	rec.Flags = make([]recording.Flag, len(ts))
	rec.Flags[102] = recording.FlagMotion
	whole, _ := draw(rec, 88)
	list := whole.View(View{From: 400_000, To: 480_000}).Readings()
	if len(list) != 20 {
		t.Fatalf("%d columns for 20 samples", len(list))
	}
	if c := list[0]; c.At != "22:06:40" || c.Last != c.At || c.Least != "92" || c.Greatest != "92" || c.Pulse != "60" || c.Note != "" || !near(c.X, plotLeft) {
		t.Errorf("the first: %+v", c)
	}
	if c := list[1]; c.Least != "" || !strings.HasPrefix(c.Note, "not read: ") {
		t.Errorf("no reading: %+v", c)
	}
	if c := list[2]; c.Least != "94" || !strings.HasPrefix(c.Note, "doubted: ") || !strings.Contains(c.Note, "motion") {
		t.Errorf("doubted: %+v", c)
	}
}

// TestHideDoubted: what is doubted goes from the line and the lane of the
// level, and stays in its own lane; the figures stay.
func TestHideDoubted(t *testing.T) {
	ts, vs := every(1000, 1, func(i int) int32 { return 94 - int32(i%2) })
	flags := make([]recording.Flag, 1000)
	for i := 400; i < 500; i++ {
		vs[i], flags[i] = 84, recording.FlagMotion
	}
	rec := rows(recording.ClockElapsed, ts, vs)
	rec.Flags = flags
	all, _ := draw(rec, 88)
	hidden := all.View(View{HideDoubted: true})
	if len(all.Lanes[0].Bands) != 1 || len(hidden.Lanes[0].Bands) != 0 {
		t.Errorf("at or below: %v, hidden %v", all.Lanes[0].Bands, hidden.Lanes[0].Bands)
	}
	if len(hidden.Lanes[1].Bands) != 1 || hidden.Lanes[1].Bands[0] != all.Lanes[1].Bands[0] {
		t.Errorf("doubted: %v, hidden %v", all.Lanes[1].Bands, hidden.Lanes[1].Bands)
	}
	sec := (plotRight - plotLeft) / 1000
	for _, l := range hidden.Lines {
		for _, p := range l {
			if p.X > plotLeft+401*sec && p.X < plotLeft+499*sec {
				t.Fatalf("a doubted reading is drawn at %v", p)
			}
		}
	}
	if len(hidden.Lines) != 2 || len(all.Lines) != 1 {
		t.Errorf("%d lines, hidden %d", len(all.Lines), len(hidden.Lines))
	}
	if !strings.HasPrefix(hidden.Desc, all.Desc) || !strings.Contains(hidden.Desc, "Doubted readings are not drawn; the figures are unchanged.") {
		t.Errorf("%q", hidden.Desc)
	}
}

// TestViewOverClockBreak: the part on both sides of a step back holds both,
// each with its own stamps.
func TestViewOverClockBreak(t *testing.T) {
	ts, vs := every(400, 4, func(int) int32 { return 93 })
	for i := 200; i < 400; i++ {
		ts[i] -= 600
	}
	rec := rows(recording.ClockWall, ts, vs)
	rec.Breaks = []int{200}
	whole, _ := draw(rec, 0)
	tr := whole.View(View{From: 750_000, To: 850_000}) // the clock steps back at 800 s
	middle := (plotLeft + plotRight) / 2
	if len(tr.Breaks) != 1 || !near(tr.Breaks[0], middle) {
		t.Fatalf("breaks %v", tr.Breaks)
	}
	list := tr.Readings()
	var before, after string
	for _, c := range list {
		if c.X < middle-1 {
			before = c.At
		} else if after == "" {
			after = c.At
		}
	}
	if before != "00:13:16" || after != "00:03:20" {
		t.Errorf("stamps around the step: %s and %s", before, after)
	}
	if !strings.Contains(tr.Title, "from 00:12:30 to 00:04:10") {
		t.Errorf("%q", tr.Title)
	}
	if tr := whole.View(View{From: 100_000, To: 200_000}); len(tr.Breaks) != 0 {
		t.Errorf("a step back outside the part is drawn: %v", tr.Breaks)
	}
}

// TestViewOfLegs: a leg that reaches beyond the part ends at its edge without
// the stroke of an end, and one outside is not drawn.
func TestViewOfLegs(t *testing.T) {
	ts, vs := every(1200, 1, func(int) int32 { return 93 })
	rec := rows(recording.ClockElapsed, ts, vs)
	_, a := draw(rec, 88)
	leg := func(role string, from, to int) Leg {
		return Leg{RecordingRole: criteria.RecordingRole{Role: role}, Analysis: analysis.Analyze(rec, recording.Session{From: from, To: to}, analysis.Options{})}
	}
	whole := NewLegTrace(english, rec, a, nil, []Leg{leg(criteria.RoleRestAir, 0, 300), leg(criteria.RoleExertionAir, 300, 600), leg(criteria.RoleRecovery, 600, 900)})
	tr := whole.View(View{From: 200_000, To: 500_000})
	if len(whole.Legs) != 3 || len(tr.Legs) != 2 {
		t.Fatalf("%d legs, %d in the part", len(whole.Legs), len(tr.Legs))
	}
	middle := plotLeft + (plotRight-plotLeft)/3
	if e := tr.Legs[0].ends(); len(e) != 1 || !near(e[0], middle) || tr.Legs[0].From != plotLeft {
		t.Errorf("the first leg: %+v", tr.Legs[0])
	}
	if e := tr.Legs[1].ends(); len(e) != 1 || !near(e[0], middle) || tr.Legs[1].To != plotRight {
		t.Errorf("the second leg: %+v", tr.Legs[1])
	}
	if tr.Nadir == nil || tr.NadirLabel != "lowest 93 %" {
		t.Errorf("lowest: %q", tr.NadirLabel)
	}
}

// memory is a full memory of 414,000 samples, every tenth of which is doubted
// and every twentieth not read.
func memory() *recording.Recording {
	const n = 414_000
	ts, vs := every(n, 1, func(i int) int32 { return 86 + int32(i*7919%13) })
	rec := rows(recording.ClockWall, ts, vs)
	rec.Flags = make([]recording.Flag, n)
	rec.Pulse = make([]int32, n)
	for i := range ts {
		rec.Pulse[i] = 60 + int32(i%9)
		switch {
		case i%20 == 3:
			rec.SpO2[i] = recording.NoReading
		case i%10 == 7:
			rec.Flags[i] = recording.FlagMotion
		}
	}
	return rec
}

// TestViewBounded: however long the session and however closely it is drawn,
// what leaves is bounded.
func TestViewBounded(t *testing.T) {
	whole, _ := draw(memory(), 88)
	for _, length := range []int64{414_000, 100_000, 3600, 60, 1} {
		for _, hide := range []bool{false, true} {
			tr := whole.View(View{From: 7_000_000, To: 7_000_000 + length*1000, HideDoubted: hide})
			points := 0
			for _, l := range tr.Lines {
				points += len(l)
			}
			if points > 6*traceColumns || len(tr.SVG()) > 200_000 || len(tr.Readings()) > traceColumns+1 || len(tr.Clock) > 10 {
				t.Errorf("%d s: %d points, %d bytes, %d columns, %d labels", length, points, len(tr.SVG()), len(tr.Readings()), len(tr.Clock))
			}
		}
	}
}

// BenchmarkView draws parts of a full memory with the readings of each column,
// as the page asks for them while it is moved.
func BenchmarkView(b *testing.B) {
	whole, _ := draw(memory(), 88)
	for _, c := range []struct {
		name   string
		length int64
	}{{"whole", 0}, {"night", 8 * 3600}, {"hour", 3600}, {"minute", 60}} {
		b.Run(c.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				v := View{}
				if c.length > 0 {
					v = View{From: 200_000_000, To: 200_000_000 + c.length*1000}
				}
				tr := whole.View(v)
				if len(tr.SVG()) == 0 || len(tr.Readings()) == 0 {
					b.Fatal("nothing is drawn")
				}
			}
		})
	}
}
