package worksheet

import (
	"math"
	"math/big"
	"sort"
	"strings"

	"airwarrant/qualify/analysis"
	"airwarrant/qualify/recording"
	"airwarrant/rules"
)

// View says which part of a session a trace shows. The zero View is the
// whole, with every reading.
type View struct {
	// From and To are milliseconds from the first instant of the session along
	// the time axis, on which stretches of a clock that stepped back stand one
	// after the other. To 0 is the end of the session.
	From, To int64
	// HideDoubted leaves doubted readings out of the line and of the lane of
	// time at or below the level. It changes the drawing and no figure; the
	// lane of doubted time stays.
	HideDoubted bool
}

// shortestMS and shortestSteps bound how closely a trace is drawn (our
// choice): closer there is nothing more to see.
const (
	shortestMS    = 10_000
	shortestSteps = 20
)

// Shown is the part that t shows, in milliseconds as View has them, the
// length of the whole session, and the shortest part that is drawn.
func (t *Trace) Shown() (from, to, whole, shortest int64) {
	per := float64(t.of.a.PerSecond)
	ms := func(ticks float64) int64 { return int64(math.Round(ticks * 1000 / per)) }
	from = ms(t.ax.v0 - float64(t.ax.at(t.ax.stretches[0].from)))
	whole = ms(t.ax.all)
	return from, from + ms(t.ax.span), whole, min(whole, ms(closest(t.of.a)))
}

// closest is the shortest part that is drawn, in ticks.
func closest(a *analysis.Analysis) float64 {
	return math.Max(float64(a.PerSecond)*shortestMS/1000, float64(step(a)*shortestSteps))
}

// View draws v of the session of t: the same axis of saturation, level, legs
// and id. What lies outside the session is not drawn; a part that is too
// short is widened about its middle.
func (t *Trace) View(v View) *Trace {
	d := t.of
	d.view = v
	out := d.trace()
	out.ID = t.ID
	return out
}

// narrow draws the axis over v alone.
func (ax *axis) narrow(v View, a *analysis.Analysis) {
	per := float64(a.PerSecond) / 1000
	from, to := float64(v.From)*per, float64(v.To)*per
	if v.To == 0 {
		to = ax.all
	}
	least := math.Min(ax.all, closest(a))
	if to-from < least {
		middle := (from + to) / 2
		from, to = middle-least/2, middle+least/2
	}
	// A part that reaches beyond an end is moved inside.
	length := math.Min(to-from, ax.all)
	from = math.Min(math.Max(from, 0), ax.all-length)
	if length >= ax.all {
		return
	}
	ax.v0, ax.span, ax.part = ax.v0+from, length, true
}

// stamp is the time of day of a place on the axis, or its elapsed time, as
// the recorder's clock told it: to the second where its readings stand further
// apart, because a part that is drawn ends anywhere.
func (t *Trace) stamp(tick float64) string {
	s := t.ax.stretches[0]
	for _, next := range t.ax.stretches[1:] {
		if float64(t.ax.at(next.from)-next.shift) > tick {
			break
		}
		s = next
	}
	at := int64(math.Round(tick)) + s.shift
	if per := t.of.a.PerSecond; step(t.of.a) >= per {
		at = floorDiv(at+per/2, per) * per
	}
	return timeOf(t.of.a.Stamp(t.of.rec, at, s.from))
}

// tellPart says in words that a part alone is drawn, or that readings are
// hidden.
func (t *Trace) tellPart() {
	if t.ax.part {
		t.Title = t.of.in.Say("Saturation from %s to %s, a part of the session", t.stamp(t.ax.v0), t.stamp(t.ax.v0+t.ax.span))
	}
	if t.of.view.HideDoubted {
		t.Desc += " " + t.of.in.Say("Doubted readings are not drawn; the figures are unchanged.")
	}
}

// spanWalk goes along the spans of an analysis with the samples.
type spanWalk struct {
	list []analysis.Span
	at   int // first span that ends behind the last sample asked for
}

func spansFrom(a *analysis.Analysis, sample int) spanWalk {
	return spanWalk{a.Spans, sort.Search(len(a.Spans), func(i int) bool { return a.Spans[i].To >= sample })}
}

// until are the spans that begin at sample to or before.
func (w spanWalk) until(to int) []analysis.Span {
	n := sort.Search(len(w.list), func(i int) bool { return w.list[i].From > to })
	return w.list[min(w.at, n):n]
}

// of returns the span in which sample i lies, nil if it is read and not
// doubted. i never goes back.
func (w *spanWalk) of(i int) *analysis.Span {
	for w.at < len(w.list) && w.list[w.at].To <= i {
		w.at++
	}
	if w.at < len(w.list) && w.list[w.at].From <= i {
		return &w.list[w.at]
	}
	return nil
}

// gap reports whether time without a record lies between samples i and i+1.
func (w *spanWalk) gap(i int) bool {
	for j := w.at; j < len(w.list) && w.list[j].From <= i+1; j++ {
		if w.list[j].From == i+1 && w.list[j].To == i+1 {
			return true
		}
	}
	return false
}

// hold is how long sample i of stretch s stands, in ticks: until the next one,
// or for one step where none follows it.
func (ax axis) hold(a *analysis.Analysis, s stretch, i int, told *spanWalk) int64 {
	told.of(i)
	if i+1 < s.to && !told.gap(i) {
		return ax.at(i+1) - ax.at(i)
	}
	return step(a)
}

// Reading is what the recording holds in one column of a trace.
type Reading struct {
	X, Until        float64 // place on the sheet; it stands until the next one
	At, Last        string  // stamps of its first and last sample, without the day
	Least, Greatest string  // saturation in percent, "" if none is plausible
	Pulse           string  // beats per minute, least to greatest; "" if there is none
	Note            string  // what is doubted or not read in it, and why
}

// Readings are what is drawn, column by column: a reading under the pointer.
// Where a column holds one sample it is that sample.
func (t *Trace) Readings() []Reading {
	rec, a, ax := t.of.rec, t.of.a, t.ax
	var out []Reading
	for _, s := range ax.stretches {
		c := collected{}
		from, to := ax.samples(s)
		told := spansFrom(a, from)
		for i := from; i < to; i++ {
			x, until := ax.x(ax.at(i), s), ax.x(ax.at(i)+ax.hold(a, s, i, &told), s)
			if until <= plotLeft || x >= plotRight {
				continue
			}
			if col := column(x); c.n == 0 || col != c.col {
				out = c.flush(t, out)
				c = collected{col: col, first: i, x: math.Max(x, plotLeft)}
			}
			c.n, c.last, c.until = c.n+1, i, math.Min(until, plotRight)
			if sp := told.of(i); sp != nil {
				c.addSpan(sp)
			}
			if n, ok := plausible(rec, a, i); ok {
				c.spo2.add(n)
			}
			if rec.HasPulse() && rec.Pulse[i] != recording.NoReading {
				c.pulse.add(rec.PulseScale.Num(rec.Pulse[i]))
			}
		}
		out = c.flush(t, out)
	}
	return out
}

// extent is the least and the greatest of some numbers.
type extent struct {
	n               int
	least, greatest int64
}

func (e *extent) add(v int64) {
	if e.n == 0 || v < e.least {
		e.least = v
	}
	if e.n == 0 || v > e.greatest {
		e.greatest = v
	}
	e.n++
}

// collected is what a column holds.
type collected struct {
	n, col, first, last int
	x, until            float64
	spo2, pulse         extent
	spans               []*analysis.Span
}

func (c *collected) flush(t *Trace, out []Reading) []Reading {
	if c.n == 0 {
		return out
	}
	rec, a, l := t.of.rec, t.of.a, t.of.in
	stamp := func(i int) string { return timeOf(rec.Stamp(rec.Time[i], i)) }
	r := Reading{X: c.x, Until: c.until, At: stamp(c.first), Last: stamp(c.last), Note: c.note(l, a)}
	if c.spo2.n > 0 {
		r.Least = number(l, big.NewRat(c.spo2.least, a.Den))
		r.Greatest = number(l, big.NewRat(c.spo2.greatest, a.Den))
	}
	if c.pulse.n > 0 {
		den := rec.PulseScale.Den
		r.Pulse = number(l, big.NewRat(c.pulse.least, den))
		if c.pulse.greatest != c.pulse.least {
			r.Pulse = l.Say("%s to %s", r.Pulse, number(l, big.NewRat(c.pulse.greatest, den)))
		}
	}
	return append(out, r)
}

// addSpan keeps one span of each kind and reason.
func (c *collected) addSpan(sp *analysis.Span) {
	for _, k := range c.spans {
		if k == sp || k.Kind == sp.Kind && k.Reason == sp.Reason {
			return
		}
	}
	c.spans = append(c.spans, sp)
}

// note says what the spans of a column are.
func (c *collected) note(l rules.Language, a *analysis.Analysis) string {
	var told []string
	for _, sp := range c.spans {
		s := l.Say("not read: %s", reasons(l, a, *sp))
		if sp.Kind == analysis.SpanSuspect {
			s = l.Say("doubted: %s", reasons(l, a, *sp))
		}
		told = append(told, s)
	}
	return strings.Join(told, "; ")
}
