package analysis

import (
	"iter"
	"math"
	"math/big"
	"math/bits"
	"slices"

	"airwarrant/qualify/recording"
	"airwarrant/rules/wording"
)

// A run of at least this many equal steps of another length is a lasting
// change of the nominal interval (our choice).
const lastingSteps = 10

// thinSeconds is the nominal interval above which runs, nadir and events of a
// recording are unsafe (our choice, measurement reference section 1,
// "Thinning").
const thinSeconds = 10

// Analyze measures session s of rec. It changes nothing in rec, and equal
// arguments give equal results. Warnings of rec are not repeated.
//
// Analysis.PerSecond is rec.PerSecond, or a multiple of it where an interval
// or hold of opt is no whole number of its ticks; Analysis.Stamp prints ticks.
func Analyze(rec *recording.Recording, s recording.Session, opt Options) *Analysis {
	rules := DefaultRules()
	if opt.Rules != nil {
		rules = *opt.Rules
	}
	a := &Analysis{Rules: rules, HasPulse: rec.HasPulse(), PerSecond: rec.PerSecond, Den: rec.SpO2Scale.Den,
		FirstIndex: s.From, Count: s.To - s.From}
	if s.From >= s.To {
		a.Recorded, a.Missing = new(int64), new(int64)
		a.summarise(nil)
		return a
	}
	st := newStretch(rec, s, opt, rules)
	a.PerSecond = st.perSecond
	a.First, a.Last = st.at(s.From), st.at(s.To-1)
	a.Interval, a.Hold = st.interval, st.hold
	if a.Hold == 0 {
		a.Hold = 2 * a.Interval
	}
	st.judge()
	told := st.apply(opt.Judged)
	blocks := st.blocks(told)
	a.summarise(blocks)
	if last := blocks[len(blocks)-1]; !st.broken && st.interval > 0 {
		recorded := last.at + last.weight - a.First
		missing := recorded - a.Valid
		a.Recorded, a.Missing = &recorded, &missing
	}
	a.Warnings = st.warnings(blocks)
	return a
}

// ProfileStep is a stretch of a profile: one saturation held for some time.
type ProfileStep struct {
	Value   *big.Rat // percent; nil for time without a reading
	Seconds *big.Rat // above 0
	Doubted bool     // the reading is plausible but doubted
}

// maxProfileUnit bounds the common denominators of a profile, so that sums of
// ticks stay far from overflow.
const maxProfileUnit = 1_000_000

// FromProfile returns the analysis of a recording that held each value for
// its time, in that order and without a gap, under the default rules. Doubt
// is what the steps state: there is no pulse to check, and no warning about
// its absence. It returns nil if a step lasts no positive time, or if values
// or times have no common unit of at least a millionth.
func FromProfile(p []ProfileStep) *Analysis {
	a := &Analysis{PerSecond: 1, Den: 1, Count: len(p), Rules: DefaultRules(), HasPulse: true}
	for _, s := range p {
		if s.Seconds == nil || s.Seconds.Sign() <= 0 {
			return nil
		}
		if !widen(&a.PerSecond, s.Seconds) || s.Value != nil && !widen(&a.Den, s.Value) {
			return nil
		}
	}
	var at int64
	var blocks []block
	for i, s := range p {
		weight, ok := whole(s.Seconds, a.PerSecond)
		if !ok || at > math.MaxInt64/8-weight {
			return nil
		}
		b := block{at: at, weight: weight, first: i, why: whyNoReading}
		if s.Value != nil {
			if b.num, ok = whole(s.Value, a.Den); !ok {
				return nil
			}
			b.why = a.Rules.ofNumber(b.num, a.Den)
			if s.Doubted {
				b.why |= whyStated
			}
		}
		blocks = append(blocks, b)
		at += weight
		a.Last = b.at
	}
	a.Interval, a.Hold = a.PerSecond, 2*a.PerSecond
	a.summarise(blocks)
	recorded, missing := at, at-a.Valid
	a.Recorded, a.Missing = &recorded, &missing
	return a
}

// widen makes unit a multiple of the denominator of r; false if it grows too
// large.
func widen(unit *int64, r *big.Rat) bool {
	if !r.Denom().IsInt64() || r.Denom().Int64() > maxProfileUnit {
		return false
	}
	d := r.Denom().Int64()
	*unit *= d / gcd(*unit, d)
	return *unit <= maxProfileUnit
}

// whole returns r in units of 1/unit, which divides evenly.
func whole(r *big.Rat, unit int64) (int64, bool) {
	n := new(big.Rat).Mul(r, new(big.Rat).SetInt64(unit))
	const limit = math.MaxInt64 / 8
	if !n.IsInt() || !n.Num().IsInt64() || n.Num().Int64() > limit || n.Num().Int64() < -limit {
		return 0, false
	}
	return n.Num().Int64(), true
}

// Stamp formats the tick at of a, near sample i of rec, as Recording.Stamp
// does; the two may count different ticks.
func (a *Analysis) Stamp(rec *recording.Recording, at int64, i int) string {
	r := *rec
	r.PerSecond = a.PerSecond
	return r.Stamp(at, i)
}

// stretch is the session under analysis.
type stretch struct {
	rec       *recording.Recording
	from, to  int
	rules     Rules
	scale     int64 // analysis ticks in one tick of rec
	perSecond int64
	den       int64
	interval  int64    // commonest nominal interval, 0 if none can be found
	hold      int64    // longest continuous step if one was given, else 0
	regimes   []regime // nominal interval by place
	breaks    []int
	broken    bool     // a clock break lies inside
	rounded   bool     // an option had to be rounded to a tick
	why       []reason // by sample, filled at the first sample of an instant

	lastCode int32 // number memo: neighbours mostly repeat
	lastNum  int64
}

// regime says that from sample from on, the nominal interval is d.
type regime struct {
	from int
	d    int64
}

// point is one instant: the samples [from, to) that share a time stamp.
type point struct {
	from, to int
	at       int64
	weight   int64
	cut      bool // a gap or clock break follows, or the session ends
	clock    bool // a clock break follows
}

// block is a row of instants that share number and reasons without a cut
// between them. The cut lies after it.
type block struct {
	at, weight int64
	num        int64 // over the denominator of the analysis; means nothing if missing
	first      int   // first sample
	why        reason
	told       bool // judged, whatever was said
	cut, clock bool
}

func newStretch(rec *recording.Recording, s recording.Session, opt Options, rules Rules) *stretch {
	st := &stretch{rec: rec, from: s.From, to: s.To, rules: rules, den: rec.SpO2Scale.Den,
		why: make([]reason, s.To-s.From), breaks: slices.Sorted(slices.Values(rec.Breaks))}
	st.lastCode = rec.SpO2[s.From]
	st.lastNum = rec.SpO2Scale.Num(st.lastCode)

	st.scale = 1
	for _, ms := range []int64{opt.IntervalMS, opt.HoldMS} {
		if ms > 0 {
			need := 1000 / gcd(ms%1000*(rec.PerSecond%1000), 1000)
			st.scale *= need / gcd(st.scale, need)
		}
	}
	for _, t := range rec.Time[s.From:s.To] {
		if t > math.MaxInt64/2/st.scale || t < -math.MaxInt64/2/st.scale {
			st.scale, st.rounded = 1, true
			break
		}
	}
	st.perSecond = rec.PerSecond * st.scale
	st.hold = st.ticksOf(opt.HoldMS)
	if d := st.ticksOf(opt.IntervalMS); d > 0 {
		st.interval = d
		st.regimes = []regime{{s.From, d}}
	} else {
		st.interval = st.commonest()
		st.regimes = st.findRegimes()
	}
	for i := s.From + 1; i < s.To && !st.broken; i++ {
		st.broken = st.isBreak(i)
	}
	return st
}

// ticksOf converts milliseconds, to the nearest tick and at least one where a
// time was given. Times beyond all reason are cut, so that their sum over the
// session stays in bounds.
func (s *stretch) ticksOf(ms int64) int64 {
	if ms <= 0 {
		return 0
	}
	limit := uint64(math.MaxInt64 / 4 / (s.to - s.from))
	hi, lo := bits.Mul64(uint64(ms), uint64(s.perSecond))
	lo, carry := bits.Add64(lo, 500, 0)
	if hi += carry; hi >= 1000 {
		hi, lo = 999, 0
	}
	q, _ := bits.Div64(hi, lo, 1000)
	if q > limit {
		s.rounded = true
	}
	return int64(max(1, min(q, limit)))
}

func (s *stretch) at(i int) int64 { return s.rec.Time[i] * s.scale }

// isBreak reports whether the step into sample i is unknown. A time that
// falls is a break even if the recording does not list it.
func (s *stretch) isBreak(i int) bool {
	if s.rec.Time[i] < s.rec.Time[i-1] {
		return true
	}
	if len(s.breaks) == 0 {
		return false
	}
	_, ok := slices.BinarySearch(s.breaks, i)
	return ok
}

// next returns the first sample after the instant that begins at i.
func (s *stretch) next(i int) int {
	t := s.rec.Time[i]
	for i++; i < s.to && s.rec.Time[i] == t && !s.isBreak(i); i++ {
	}
	return i
}

// commonest returns the commonest positive step, the smaller one on a tie; 0
// if there is none. Where no step is common, because fine stamps jitter around
// the recorder's own step, it is the middle of the densest steps.
func (s *stretch) commonest() int64 {
	count := map[int64]int{}
	var last int64
	n := 0 // steps of length last not yet in count
	for i, j := s.from, 0; ; i = j {
		j = s.next(i)
		if j >= s.to {
			break
		}
		if s.isBreak(j) {
			continue
		}
		if step := s.at(j) - s.at(i); step != last {
			count[last] += n
			last, n = step, 0
		}
		n++
	}
	count[last] += n
	var best int64
	for step, n := range count {
		if n > 0 && (n > count[best] || n == count[best] && step < best) {
			best = step
		}
	}
	all := 0
	for step, n := range count {
		if step > 0 {
			all += n
		}
	}
	if all >= lastingSteps && commonShare*count[best] < all {
		return densest(count)
	}
	return best
}

// commonShare: a step that fewer than one in four steps have is not common
// (our choice).
const commonShare = 4

// densest returns the middle step of those that lie in the fullest range from
// some step to one and a half times as long, the lower range on a tie. A
// jitter of up to a fifth of the step falls in one such range (our choice).
func densest(count map[int64]int) int64 {
	steps := make([]int64, 0, len(count))
	for step := range count {
		if step > 0 {
			steps = append(steps, step)
		}
	}
	slices.Sort(steps)
	var most, from, to int
	for i, j, n := 0, 0, 0; i < len(steps); i++ {
		for ; j < len(steps) && steps[j] <= steps[i]+steps[i]/2; j++ {
			n += count[steps[j]]
		}
		if n > most {
			most, from, to = n, i, j
		}
		n -= count[steps[i]]
	}
	half := 0
	for _, step := range steps[from:to] {
		if half += count[step]; 2*half >= most {
			return step
		}
	}
	return 0
}

// findRegimes returns where which nominal interval holds. A run of at least
// lastingSteps equal steps begins a new one, from its first step on. It ends
// with the next such run, or where the commonest step comes back for good
// before that run.
func (s *stretch) findRegimes() []regime {
	out := []regime{{s.from, s.interval}}
	d := s.interval
	back := -1 // where the commonest step seems to have come back
	runFrom, runStep, run := s.from, int64(0), 0
	for i, j := s.from, 0; ; i = j {
		j = s.next(i)
		if j >= s.to {
			break
		}
		if s.isBreak(j) {
			run = 0
			continue
		}
		step := s.at(j) - s.at(i)
		if run == 0 || step != runStep {
			runFrom, runStep, run = i, step, 0
		}
		run++
		switch {
		case step == d:
			back = -1
		case step == s.interval && back < 0:
			back = i
		}
		if run >= lastingSteps && step != d {
			if back >= 0 && back < runFrom {
				out = append(out, regime{back, s.interval})
			}
			out = append(out, regime{runFrom, step})
			d, back = step, -1
		}
	}
	if back >= 0 {
		out = append(out, regime{back, s.interval})
	}
	return out
}

// points yields the instants of the session in order, each with its weight:
// the step to the next instant, or the nominal interval where that step is
// longer than hold, unknown, or absent because the session ends.
func (s *stretch) points() iter.Seq[point] {
	return func(yield func(point) bool) {
		r := 0
		for i := s.from; i < s.to; {
			j := s.next(i)
			for r+1 < len(s.regimes) && s.regimes[r+1].from <= i {
				r++
			}
			d := s.regimes[r].d
			hold := s.hold
			if hold == 0 {
				hold = 2 * d
			}
			p := point{from: i, to: j, at: s.at(i), weight: d, cut: true}
			if j < s.to {
				if s.isBreak(j) {
					p.clock = true
				} else if step := s.at(j) - p.at; step <= hold {
					p.weight, p.cut = step, false
				} else {
					p.weight = min(d, step)
				}
			}
			if !yield(p) {
				return
			}
			i = j
		}
	}
}

// number returns the numerator of code over s.den.
func (s *stretch) number(code int32) int64 {
	if code != s.lastCode {
		s.lastCode, s.lastNum = code, s.rec.SpO2Scale.Num(code)
	}
	return s.lastNum
}

// numberAt returns the numerator of sample i, 0 if it has no reading.
func (s *stretch) numberAt(i int) int64 {
	if s.rec.SpO2[i] == recording.NoReading {
		return 0
	}
	return s.number(s.rec.SpO2[i])
}

// blocks joins the instants, after judge has run.
func (s *stretch) blocks(told map[int]bool) []block {
	var out []block
	for p := range s.points() {
		w := s.why[p.from-s.from]
		num := s.numberAt(p.from)
		if w&whyConflict != 0 {
			_, num = s.ofPoint(p)
		}
		if w.missing() {
			num = 0
		}
		if n := len(out); n > 0 {
			if l := &out[n-1]; !l.cut && l.why == w && l.num == num && l.told == told[p.from] {
				l.weight += p.weight
				l.cut, l.clock = p.cut, p.clock
				continue
			}
		}
		out = append(out, block{at: p.at, weight: p.weight, num: num, first: p.from, why: w, told: told[p.from], cut: p.cut, clock: p.clock})
	}
	return out
}

// warnings says in sentences what makes the measures unsafe.
func (s *stretch) warnings(blocks []block) []wording.Text {
	var out []wording.Text
	if !s.rec.HasPulse() {
		out = append(out, wording.Said("The file has no pulse column, so no reading could be checked against a pulse."))
	}
	if s.interval == 0 {
		out = append(out, wording.Said("The interval between samples cannot be found in this session, so its last reading stands for no time; state the interval."))
	}
	if s.interval > thinSeconds*s.perSecond {
		out = append(out, wording.Said("The interval between samples is longer than %d s: lowest reading, longest run and events can be missed between samples.", thinSeconds))
	}
	if len(s.regimes) > 1 {
		out = append(out, wording.Said("The interval between samples changes within the session; each stretch is weighed with its own."))
	}
	if s.broken {
		out = append(out, wording.Said("The recorder's clock stepped back within the session: recorded and missing time are unknown, and runs and events end there."))
	}
	if s.rounded {
		out = append(out, wording.Said("The stated interval or hold was rounded to the recorder's time unit."))
	}
	for _, b := range blocks {
		if b.why&whyOffScale != 0 {
			out = append(out, wording.Said("The session holds numbers below 0 or above 100; they were taken as no reading."))
			break
		}
	}
	return out
}

// gcd returns the greatest common divisor; gcd(0, b) is b.
func gcd(a, b int64) int64 {
	for a != 0 {
		a, b = b%a, a
	}
	return b
}

// moreThan reports whether a*b > c*d for numbers that are not negative,
// without overflow.
func moreThan(a, b, c, d int64) bool {
	h1, l1 := bits.Mul64(uint64(a), uint64(b))
	h2, l2 := bits.Mul64(uint64(c), uint64(d))
	return h1 > h2 || h1 == h2 && l1 > l2
}
