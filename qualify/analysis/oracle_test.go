package analysis

import (
	"math"
	"math/big"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"gonum.org/v1/gonum/stat"

	"airwarrant/qualify/recording"
)

// How a made-up instant counts, by the table of design section 7.3.
type fate int

const (
	plain       fate = iota // s, low, high
	doubted                 // s, high
	implausible             // high
	conflict                // high, if either of two values counts
	absent                  // nothing
)

// made is one instant of a random recording, with the truth about it.
type made struct {
	at    int64
	value int64 // whole percent; the lower one of a conflict
	fate  fate
	brk   bool // the clock stepped back before it
}

// night makes a random recording of n instants with steps around d, gaps and
// now and then a clock break, and the truth that an oracle needs.
func night(r *rand.Rand, n int, d int64, low, high int64, breaks bool) (*recording.Recording, []made) {
	rec := &recording.Recording{PerSecond: 1, SpO2Scale: recording.Scale{Mul: 1, Den: 1}}
	var truth []made
	at := int64(r.IntN(100))
	value := low + r.Int64N(high-low+1)
	for range n {
		m := made{at: at}
		if len(truth) > 0 && breaks && r.IntN(25) == 0 {
			m.brk = true
			at -= r.Int64N(40)
			m.at = at
			rec.Breaks = append(rec.Breaks, len(rec.Time))
		}
		if r.IntN(3) > 0 {
			value = min(high, max(low, value+r.Int64N(7)-3))
		}
		m.value = value
		codes, flag := []int32{int32(value)}, recording.Flag(0)
		switch r.IntN(12) {
		case 0:
			m.fate, codes[0] = absent, recording.NoReading
		case 1:
			m.fate, flag = absent, recording.FlagSensorOff
		case 2:
			m.fate, m.value = implausible, 30+r.Int64N(20)
			codes[0] = int32(m.value)
		case 3:
			m.fate, flag = conflict, recording.FlagConflict
			codes = append(codes, int32(value)+1+r.Int32N(5))
			r.Shuffle(2, func(i, j int) { codes[i], codes[j] = codes[j], codes[i] })
		case 4, 5:
			m.fate = doubted
			flag = []recording.Flag{recording.FlagMotion, recording.FlagWeak, recording.FlagMarginal,
				recording.FlagUnknownMark, recording.FlagOverlap}[r.IntN(5)]
		}
		for _, c := range codes {
			rec.Time = append(rec.Time, m.at)
			rec.SpO2 = append(rec.SpO2, c)
			rec.Flags = append(rec.Flags, flag)
		}
		truth = append(truth, m)
		switch r.IntN(10) {
		case 0:
			at += 1 + r.Int64N(2*d)
		case 1:
			at += 2*d + 1 + r.Int64N(60)
		default:
			at += d
		}
	}
	return rec, truth
}

// noNeighbours are the default rules without those that compare samples.
func noNeighbours() *Rules {
	r := DefaultRules()
	r.RatePctPerS, r.FlatSeconds = 0, 0
	return &r
}

// The oracle's view of one admission: does an instant of a fate count?
var admissions = map[string]map[fate]bool{
	"low":   {plain: true},
	"value": {plain: true, doubted: true},
	"high":  {plain: true, doubted: true, implausible: true, conflict: true},
}

// cells lays the instants out second by second, the plainest reading of the
// definition: at each second stands an instant or nothing (-1). A break is a
// second with nothing of its own (-2).
func cells(truth []made, d, hold int64) []int {
	var out []int
	for i, m := range truth {
		w := d
		if i+1 < len(truth) {
			if step := truth[i+1].at - m.at; !truth[i+1].brk && step <= hold {
				w = step
			}
		}
		for range w {
			out = append(out, i)
		}
		if i+1 < len(truth) {
			if truth[i+1].brk {
				out = append(out, -2)
			} else {
				for range truth[i+1].at - m.at - w {
					out = append(out, -1)
				}
			}
		}
	}
	return out
}

// oracleEvents counts events on single instants, with a plain search for the
// baseline.
func oracleEvents(truth []made, d, hold, depth int64, admits map[fate]bool) int {
	type held struct{ at, end, value int64 }
	var stretches [][]held
	var rows []held
	for i, m := range truth {
		if m.brk {
			stretches, rows = append(stretches, rows), nil
		}
		w := d
		if i+1 < len(truth) && !truth[i+1].brk && truth[i+1].at-m.at <= hold {
			w = truth[i+1].at - m.at
		}
		if admits[m.fate] {
			rows = append(rows, held{m.at, m.at + w, m.value})
		}
	}
	n := 0
	for _, rows := range append(stretches, rows) {
		since := 0 // first row after the last event
		for i := 0; i < len(rows); i++ {
			base := int64(-1)
			for _, b := range rows[since:i] {
				if b.end > rows[i].at-120 {
					base = max(base, b.value)
				}
			}
			if base < 0 || rows[i].value > base-depth {
				continue
			}
			lowest, k := rows[i].value, i+1
			end, rose := rows[len(rows)-1].end, false
			for ; k < len(rows); k++ {
				if rows[k].at-rows[k-1].end > 30 {
					end = rows[k-1].end
					break
				}
				if rows[k].value >= base-1 || rows[k].value >= lowest+3 {
					end, rose = rows[k].at, true
					break
				}
				lowest = min(lowest, rows[k].value)
			}
			if end-rows[i].at >= 10 {
				n++
			}
			since, i = k, k-1
			if rose {
				i = k // the closing row cannot open the next event
			}
		}
	}
	return n
}

func TestOracle(t *testing.T) {
	for seed := range uint64(1500) {
		r := rand.New(rand.NewPCG(seed, 7))
		d := 1 + r.Int64N(8)
		rec, truth := night(r, 1+r.IntN(80), d, 80, 97, seed%3 == 0)
		hold := 2 * d
		a := Analyze(rec, recording.Session{To: len(rec.Time)}, Options{IntervalMS: 1000 * d, Rules: noNeighbours()})
		grid := cells(truth, d, hold)

		part := func(f func(admits map[fate]bool) int64) Triple {
			return Triple{f(admissions["low"]), f(admissions["value"]), f(admissions["high"])}
		}
		for T := int64(28); T <= 101; T++ {
			in := func(c int, admits map[fate]bool, T int64) bool {
				return c >= 0 && admits[truth[c].fate] && truth[c].value <= T
			}
			sum := part(func(admits map[fate]bool) (n int64) {
				for _, c := range grid {
					if in(c, admits, T) {
						n++
					}
				}
				return n
			})
			run := part(func(admits map[fate]bool) (best int64) {
				n := int64(0)
				for _, c := range grid {
					if n++; !in(c, admits, T) {
						n = 0
					}
					best = max(best, n)
				}
				return best
			})
			if got := a.AtOrBelow(big.NewRat(T, 1)); got != sum {
				t.Fatalf("seed %d: at or below %d is %v, expected %v", seed, T, got, sum)
			}
			if got := a.LongestAtOrBelow(big.NewRat(T, 1)); got != run {
				t.Fatalf("seed %d: longest at or below %d is %v, expected %v", seed, T, got, run)
			}
			if got := a.Below(big.NewRat(T+1, 1)); got != sum {
				t.Fatalf("seed %d: below %d is %v, expected %v", seed, T+1, got, sum)
			}
			if got := a.LongestBelow(big.NewRat(2*T+1, 2)); got != run {
				t.Fatalf("seed %d: longest below %d.5 is %v, expected %v", seed, T, got, run)
			}
		}

		var valid, suspect int64
		nadir := Triple{math.MaxInt64, math.MaxInt64, math.MaxInt64}
		peak := int64(-1)
		for _, c := range grid {
			if c >= 0 && admissions["value"][truth[c].fate] {
				valid++
				if truth[c].fate == doubted {
					suspect++
				}
			}
		}
		broken := false
		for i, m := range truth {
			broken = broken || m.brk && i > 0
			if admissions["high"][m.fate] {
				nadir.Low = min(nadir.Low, m.value)
			}
			if admissions["value"][m.fate] {
				nadir.Value, peak = min(nadir.Value, m.value), max(peak, m.value)
			}
			if admissions["low"][m.fate] {
				nadir.High = min(nadir.High, m.value)
			}
		}
		if a.Valid != valid || a.Suspect != suspect {
			t.Fatalf("seed %d: valid %d, suspect %d; expected %d, %d", seed, a.Valid, a.Suspect, valid, suspect)
		}
		same := func(got *big.Rat, want int64, none int64) bool {
			return got == nil && want == none || got != nil && want != none && got.Cmp(big.NewRat(want, 1)) == 0
		}
		if !same(a.Nadir.Low, nadir.Low, math.MaxInt64) || !same(a.Nadir.Value, nadir.Value, math.MaxInt64) ||
			!same(a.Nadir.High, nadir.High, math.MaxInt64) || !same(a.Peak, peak, -1) {
			t.Fatalf("seed %d: nadir %v, peak %v; expected %v, %d", seed, a.Nadir, a.Peak, nadir, peak)
		}
		if broken != (a.Recorded == nil) || broken != (a.Missing == nil) {
			t.Fatalf("seed %d: recorded %v with a break: %v", seed, a.Recorded, broken)
		}
		if !broken {
			recorded := truth[len(truth)-1].at - truth[0].at + d
			if *a.Recorded != recorded || *a.Missing != recorded-valid || int64(len(grid)) != recorded {
				t.Fatalf("seed %d: recorded %d, missing %d; expected %d, %d", seed, *a.Recorded, *a.Missing, recorded, recorded-valid)
			}
		}
		for i, depth := range []int64{3, 4} {
			v := oracleEvents(truth, d, hold, depth, admissions["value"])
			s := oracleEvents(truth, d, hold, depth, admissions["low"])
			l := oracleEvents(truth, d, hold, depth, admissions["high"])
			if e := a.Events[i]; e.Depth != depth || e.Count != v || e.Low != min(v, s, l) || e.High != max(v, s, l) {
				t.Fatalf("seed %d: events %+v, expected %d of %d, %d, %d", seed, e, v, s, v, l)
			}
			if e := a.Events[i]; valid > 0 && e.PerHour.Cmp(big.NewRat(int64(v)*3600, valid)) != 0 {
				t.Fatalf("seed %d: %v events per hour, expected %d in %d s", seed, e.PerHour, v, valid)
			}
		}
	}
}

// The bounds of the mean against every way to keep or drop doubted readings.
func TestMeanBounds(t *testing.T) {
	for seed := range uint64(400) {
		r := rand.New(rand.NewPCG(seed, 11))
		d := 1 + r.Int64N(5)
		rec, truth := night(r, 1+r.IntN(14), d, 50, 100, false)
		a := Analyze(rec, recording.Session{To: len(rec.Time)}, Options{IntervalMS: 1000 * d, Rules: noNeighbours()})
		w := map[int]int64{}
		for _, c := range cells(truth, d, 2*d) {
			w[c]++
		}
		var doubt []int
		var num, weight int64
		for i, m := range truth {
			switch m.fate {
			case doubted:
				doubt = append(doubt, i)
			case plain:
				num += w[i] * m.value
				weight += w[i]
			}
		}
		var low, high, all *big.Rat
		for keep := range 1 << len(doubt) {
			n, g := num, weight
			for bit, i := range doubt {
				if keep>>bit&1 == 1 {
					n += w[i] * truth[i].value
					g += w[i]
				}
			}
			if g == 0 {
				continue
			}
			all = big.NewRat(n, g) // the last one keeps all
			if low == nil || all.Cmp(low) < 0 {
				low = all
			}
			if high == nil || all.Cmp(high) > 0 {
				high = all
			}
		}
		if want := (Bounded{Low: low, Value: all, High: high}); !reflect.DeepEqual(ratStrings(a.Mean), ratStrings(want)) {
			t.Fatalf("seed %d: mean %v, expected %v", seed, ratStrings(a.Mean), ratStrings(want))
		}
	}
}

func ratStrings(b Bounded) [3]string {
	var out [3]string
	for i, r := range []*big.Rat{b.Low, b.Value, b.High} {
		if r != nil {
			out[i] = r.RatString()
		}
	}
	return out
}

// The weighted mean against an independent library: gonum.org/v1/gonum/stat
// v0.17.0, stat.Mean with weights (which also gives the 90 that the
// measurement reference, section 5.5, states for its first four readings).
func TestMeanAgainstGonum(t *testing.T) {
	check := func(name string, rec *recording.Recording, truth []made, d int64) {
		a := Analyze(rec, recording.Session{To: len(rec.Time)}, Options{IntervalMS: 1000 * d, Rules: noNeighbours()})
		w := map[int]float64{}
		for _, c := range cells(truth, d, 2*d) {
			w[c]++
		}
		var x, weight []float64
		for i, m := range truth {
			if m.fate == plain || m.fate == doubted {
				x, weight = append(x, float64(m.value)), append(weight, w[i])
			}
		}
		got, _ := a.Mean.Value.Float64()
		if want := stat.Mean(x, weight); math.Abs(got-want) > 1e-9 {
			t.Errorf("%s: mean %v, gonum has %v", name, got, want)
		}
	}
	rec := &recording.Recording{PerSecond: 1, SpO2Scale: recording.Scale{Mul: 1, Den: 1},
		Time: []int64{0, 4, 8, 12, 20}, SpO2: []int32{95, 88, 87, 90, recording.NoReading}}
	truth := []made{{at: 0, value: 95}, {at: 4, value: 88}, {at: 8, value: 87}, {at: 12, value: 90}, {at: 20, fate: absent}}
	check("95 88 87 90", rec, truth, 4)
	if m := Analyze(rec, recording.Session{To: 5}, Options{}).Mean.Value; m.Cmp(big.NewRat(90, 1)) != 0 {
		t.Errorf("mean of 95 88 87 90 with weights 4 4 4 8 is %v, expected 1800/20", m)
	}
	for seed := range uint64(20) {
		r := rand.New(rand.NewPCG(seed, 13))
		rec, truth := night(r, 2000, 3, 70, 100, false)
		check("random", rec, truth, 3)
	}
}

// measures leaves out what names places in the file, to compare the rest.
func measures(a *Analysis) any {
	type level struct {
		num int64
		Triple
		longest Triple
	}
	var levels []level
	for _, l := range a.Levels {
		levels = append(levels, level{l.Num, l.AtOrBelow, l.Longest})
	}
	var events [][3]int
	for _, e := range a.Events {
		events = append(events, [3]int{e.Count, e.Low, e.High})
	}
	null := func(p *int64) int64 {
		if p == nil {
			return -1
		}
		return *p
	}
	return []any{levels, events, ratStrings(a.Nadir), ratStrings(a.Mean), a.Valid, a.Suspect, null(a.Recorded), null(a.Missing)}
}

// The checks without numbers of the measurement reference, section 6.
func TestProperties(t *testing.T) {
	whole := func(r *recording.Recording) recording.Session { return recording.Session{To: len(r.Time)} }
	for seed := range uint64(300) {
		r := rand.New(rand.NewPCG(seed, 17))
		d := 1 + r.Int64N(6)
		rec, truth := night(r, 20+r.IntN(200), d, 80, 97, false)
		opt := Options{IntervalMS: 1000 * d, Rules: noNeighbours()}
		a := Analyze(rec, whole(rec), opt)

		// (a) A cut changes no total by more than one step.
		cut := 1 + r.IntN(len(rec.Time)-1)
		for rec.Time[cut] == rec.Time[cut-1] { // one instant stays in one part
			if cut++; cut == len(rec.Time) {
				cut = 1
			}
		}
		one := Analyze(rec, recording.Session{To: cut}, opt)
		two := Analyze(rec, recording.Session{From: cut, To: len(rec.Time)}, opt)
		for T := int64(28); T <= 101; T++ {
			at := big.NewRat(T, 1)
			x, y, z := a.AtOrBelow(at), one.AtOrBelow(at), two.AtOrBelow(at)
			for _, diff := range []int64{x.Low - y.Low - z.Low, x.Value - y.Value - z.Value, x.High - y.High - z.High} {
				if diff > d || diff < -d {
					t.Fatalf("seed %d: cut at %d changes the total at %d by %d", seed, cut, T, diff)
				}
			}
		}

		// (b) Every row repeated at half its step changes nothing.
		twice := &recording.Recording{PerSecond: 2, SpO2Scale: rec.SpO2Scale}
		single := &recording.Recording{PerSecond: 2, SpO2Scale: rec.SpO2Scale}
		half := func(i int) int64 { // half of what the instant of sample i stands for
			for k := i + 1; k < len(rec.Time); k++ {
				if step := rec.Time[k] - rec.Time[i]; step > 0 && step <= 2*d {
					return step
				} else if step > 0 {
					break
				}
			}
			return d
		}
		for i, at := range rec.Time {
			single.Time = append(single.Time, 2*at)
			single.SpO2, single.Flags = append(single.SpO2, rec.SpO2[i]), append(single.Flags, rec.Flags[i])
		}
		for i := 0; i < len(rec.Time); {
			j := i + 1
			for j < len(rec.Time) && rec.Time[j] == rec.Time[i] {
				j++
			}
			for copies := range int64(2) {
				for k := i; k < j; k++ {
					twice.Time = append(twice.Time, 2*rec.Time[i]+copies*half(i))
					twice.SpO2, twice.Flags = append(twice.SpO2, rec.SpO2[k]), append(twice.Flags, rec.Flags[k])
				}
			}
			i = j
		}
		halved := Options{IntervalMS: 500 * d, Rules: noNeighbours()}
		if got, want := measures(Analyze(twice, whole(twice), halved)), measures(Analyze(single, whole(single), opt)); !reflect.DeepEqual(got, want) {
			t.Fatalf("seed %d: repeating every row at half the step gives\n%v, expected\n%v", seed, got, want)
		}

		// (c) A shift of all stamps changes nothing.
		shifted := *rec
		shifted.Time = slices.Clone(rec.Time)
		shift := r.Int64N(4e9) - 2e9
		for i := range shifted.Time {
			shifted.Time[i] += shift
		}
		s := Analyze(&shifted, whole(rec), opt)
		if !reflect.DeepEqual(measures(s), measures(a)) || s.Nadir.At != a.Nadir.At+shift && a.Nadir.Value != nil {
			t.Fatalf("seed %d: a shift of the stamps changes the measures", seed)
		}

		// (d) Time and run never fall as the value rises, and low <= value <= high.
		var last Level
		for _, l := range a.Levels {
			if l.Num <= last.Num || !ordered(last.AtOrBelow, l.AtOrBelow) || !ordered(last.Longest, l.Longest) {
				t.Fatalf("seed %d: level %+v after %+v", seed, l, last)
			}
			last = l
		}

		// (e) Removing rows with a reading never raises valid time. (Removing
		// a row without one may: the reading before it then stands longer.)
		fewer := &recording.Recording{PerSecond: 1, SpO2Scale: rec.SpO2Scale}
		for _, m := range truth {
			if (m.fate == plain || m.fate == doubted) && r.IntN(4) == 0 {
				continue
			}
			for i, at := range rec.Time {
				if at == m.at {
					fewer.Time = append(fewer.Time, at)
					fewer.SpO2, fewer.Flags = append(fewer.SpO2, rec.SpO2[i]), append(fewer.Flags, rec.Flags[i])
				}
			}
		}
		if f := Analyze(fewer, whole(fewer), opt); f.Valid > a.Valid {
			t.Fatalf("seed %d: removing rows raises valid time from %d to %d", seed, a.Valid, f.Valid)
		}

		// Spans and undoubted time together cover the record.
		covered := int64(0)
		for i, p := range a.Spans {
			if p.FromTick >= p.ToTick || i > 0 && p.FromTick < a.Spans[i-1].ToTick {
				t.Fatalf("seed %d: span %+v after %+v", seed, p, a.Spans[max(0, i-1)])
			}
			covered += p.ToTick - p.FromTick
		}
		if covered != *a.Recorded-a.Valid+a.Suspect {
			t.Fatalf("seed %d: spans cover %d, expected %d", seed, covered, *a.Recorded-a.Valid+a.Suspect)
		}
	}
}

func ordered(before, after Triple) bool {
	return before.Low <= after.Low && before.Value <= after.Value && before.High <= after.High &&
		after.Low <= after.Value && after.Value <= after.High
}

// A profile gives what a recording of it would.
func TestProfileIsRecording(t *testing.T) {
	for seed := range uint64(200) {
		r := rand.New(rand.NewPCG(seed, 19))
		rec := &recording.Recording{PerSecond: 1, SpO2Scale: recording.Scale{Mul: 1, Den: 2}, Flags: []recording.Flag{}}
		var p []ProfileStep
		for range 1 + r.IntN(20) {
			seconds := 1 + r.Int64N(90)
			code := int32(recording.NoReading)
			step := ProfileStep{Seconds: big.NewRat(seconds, 1), Doubted: r.IntN(4) == 0}
			if r.IntN(8) > 0 {
				code = 80 + r.Int32N(120) // 40 to 99.5 %
				step.Value = big.NewRat(int64(code), 2)
			}
			flag := recording.Flag(0)
			if step.Doubted {
				flag = recording.FlagMotion
			}
			for range seconds {
				rec.Time = append(rec.Time, int64(len(rec.Time)))
				rec.SpO2, rec.Flags = append(rec.SpO2, code), append(rec.Flags, flag)
			}
			p = append(p, step)
		}
		rules := DefaultRules()
		rules.RatePctPerS = 0
		want := Analyze(rec, recording.Session{To: len(rec.Time)}, Options{IntervalMS: 1000, Rules: &rules})
		got := FromProfile(p)
		for i := range got.Levels {
			got.Levels[i].Num *= want.Den / got.Den
		}
		if !reflect.DeepEqual(measures(got), measures(want)) {
			t.Fatalf("seed %d: profile gives\n%v, recording\n%v", seed, measures(got), measures(want))
		}
	}
}
