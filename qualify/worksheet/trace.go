package worksheet

import (
	"fmt"
	"html"
	"maps"
	"math"
	"math/big"
	"slices"
	"sort"
	"strings"

	"airwarrant/qualify/analysis"
	"airwarrant/qualify/recording"
	"airwarrant/rules"
)

// The sheet that every trace is drawn on, in units; page and paper scale it.
// One unit is about a point, so that a size of traceText stays readable.
const (
	traceWidth  = 540.0
	traceHeight = 180.0
	traceText   = 8.6

	plotLeft   = 58.0
	plotRight  = 494.0
	plotTop    = 21.0
	plotBottom = 122.0
	laneTop    = 126.0 // first lane under the plot
	laneHeight = 8.0
	laneStep   = 11.0
	timeLabels = 171.0 // baseline of the clock labels

	traceColumns = 872 // two a unit: what 0.2 mm of paper can show
)

// Point is a place on the sheet; Y grows downwards.
type Point struct{ X, Y float64 }

// Tick is a mark on an axis with its label.
type Tick struct {
	At       float64
	Label    string
	Midnight bool
}

// Band is a stretch [From, To] of the time axis on the sheet.
type Band struct{ From, To float64 }

// Lane is a row of bands under the plot. Pattern is solid, hatch or cross, so
// that lanes differ in grey.
type Lane struct {
	Label   string
	Pattern string
	Y       float64 // upper edge
	Bands   []Band
}

// Trace is one session drawn: the saturation over time, thinned to the least
// and greatest reading of each of traceColumns columns. The thinning is for
// the eye alone; no figure of the worksheet comes from it. Its size is bounded
// whatever the length of the session. View draws a part of it closer, by the
// same geometry.
type Trace struct {
	ID          string // prefix of the ids in the SVG
	Title, Desc string // for those who cannot see it
	Lines       [][]Point
	Saturation  []Tick // At is Y
	Clock       []Tick // At is X
	Threshold   *Tick  // At is Y; nil if no level is asked
	Breaks      []float64
	Lanes       []Lane // at or below the threshold, doubted, not read
	Nadir       *Point
	NadirLabel  string
	Legs        []LegBand // marked legs of an exertional test

	low      float64 // foot of the saturation axis, percent
	straight bool    // the time axis is one run of the clock
	of       drawing
	ax       axis
}

// drawing is what a trace is drawn of.
type drawing struct {
	in     rules.Language
	rec    *recording.Recording
	a      *analysis.Analysis
	level  *big.Rat
	legs   bool // a walk: marked are its legs, and no total of the whole is told
	marked []Leg
	view   View
}

// y places a saturation in percent on the sheet.
func (t *Trace) y(pct float64) float64 {
	f := (pct - t.low) / (100 - t.low)
	return plotBottom - math.Min(1, math.Max(0, f))*(plotBottom-plotTop)
}

// traceOf draws the session of in, or says why there is none to draw.
func traceOf(in Input) (*Trace, string) {
	if in.Recording == nil || in.Analysis == nil || in.Analysis.Count == 0 {
		return nil, in.Language.Say("%s: there is no trace to draw.", upper(orDash(in.Language.Say(standsOn(in)))))
	}
	t := NewTrace(in.Language, in.Recording, in.Analysis, drawnLevel(in))
	t.ID = traceID(in.Determination.Criteria, in.Recording.SHA256, in.SessionNo)
	return t, ""
}

func traceID(criteria, sha string, session int) string {
	var b strings.Builder
	b.WriteString("trace-")
	for _, r := range criteria {
		if r >= 'a' && r <= 'z' || r >= '0' && r <= '9' || r == '-' {
			b.WriteRune(r)
		}
	}
	if len(sha) > 8 {
		sha = sha[:8]
	}
	fmt.Fprintf(&b, "-%s-%d", sha, session)
	return b.String()
}

// axis maps the time of samples to the sheet. Where the clock steps back the
// stretches are drawn one after the other, in the order of the file.
type axis struct {
	rec       *recording.Recording
	per       int64   // ticks of the analysis in one of the recording
	v0, span  float64 // first instant drawn and the length drawn, in ticks
	all       float64 // length of the session
	part      bool    // less than the session is drawn
	stretches []stretch
}

// at is the time of sample i in ticks of the analysis.
func (ax axis) at(i int) int64 { return ax.rec.Time[i] * ax.per }

// stretch is samples [from, to) on one run of the clock: shift is taken off
// their ticks, offset is what the wall clock stands east of UTC.
type stretch struct {
	from, to int
	shift    int64
	offset   int64
	breaks   bool // the clock stepped back at its start
}

func newAxis(rec *recording.Recording, a *analysis.Analysis) axis {
	first, end := a.FirstIndex, a.FirstIndex+a.Count
	cuts := map[int]bool{} // true: break, false: change of offset
	offset := int64(0)
	for _, o := range rec.Offsets {
		if o.From <= first {
			offset = int64(o.Seconds)
		} else if o.From < end {
			cuts[o.From] = false
		}
	}
	for _, b := range rec.Breaks {
		if b > first && b < end {
			cuts[b] = true
		}
	}
	offsets := map[int]int64{}
	for _, o := range rec.Offsets {
		offsets[o.From] = int64(o.Seconds)
	}
	ax := axis{rec: rec, per: max(a.PerSecond/rec.PerSecond, 1)}
	cur := stretch{from: first, offset: offset}
	for _, i := range slices.Sorted(maps.Keys(cuts)) {
		if i <= first || i >= end {
			continue
		}
		back := cuts[i]
		cur.to = i
		ax.stretches = append(ax.stretches, cur)
		next := stretch{from: i, shift: cur.shift, offset: cur.offset, breaks: back}
		if o, changed := offsets[i]; changed {
			next.offset = o
		}
		if back {
			next.shift += ax.at(i) - ax.at(i-1) - step(a)
		}
		cur = next
	}
	cur.to = end
	ax.stretches = append(ax.stretches, cur)
	ax.v0 = float64(ax.at(first))
	ax.span = float64(ax.at(end-1)-cur.shift+step(a)) - ax.v0
	if ax.span <= 0 {
		ax.span = 1
	}
	ax.all = ax.span
	return ax
}

// step is the interval of the session, at least one tick.
func step(a *analysis.Analysis) int64 { return max(a.Interval, 1) }

// of finds the stretch of sample i.
func (ax axis) of(i int) stretch {
	lo, hi := 0, len(ax.stretches)-1
	for lo < hi {
		m := (lo + hi + 1) / 2
		if ax.stretches[m].from <= i {
			lo = m
		} else {
			hi = m - 1
		}
	}
	return ax.stretches[lo]
}

// x places a tick of stretch s on the sheet. Where a part of the session is
// drawn, what lies outside it comes to lie outside the plot.
func (ax axis) x(tick int64, s stretch) float64 {
	f := (float64(tick-s.shift) - ax.v0) / ax.span
	if !ax.part {
		f = math.Min(1, math.Max(0, f))
	}
	return plotLeft + f*(plotRight-plotLeft)
}

// samples are those of stretch s that are drawn: [from, to), with the one
// before that holds into the part and the one after that its line leads to.
func (ax axis) samples(s stretch) (from, to int) {
	if !ax.part {
		return s.from, s.to
	}
	n := s.to - s.from
	at := func(i int) float64 { return float64(ax.at(s.from+i) - s.shift) }
	from = s.from + sort.Search(n, func(i int) bool { return at(i) >= ax.v0 })
	to = s.from + sort.Search(n, func(i int) bool { return at(i) >= ax.v0+ax.span })
	return max(from-1, s.from), min(to+1, s.to)
}

// inside reports whether a place on the sheet lies in the plot.
func inside(x float64) bool { return x >= plotLeft && x <= plotRight }

func column(x float64) int {
	c := int((x - plotLeft) / (plotRight - plotLeft) * traceColumns)
	return min(max(c, 0), traceColumns-1)
}

// NewTrace draws the session of rec that a describes. level is the saturation
// in percent whose line is drawn, nil for none; l words what is told of it.
func NewTrace(l rules.Language, rec *recording.Recording, a *analysis.Analysis, level *big.Rat) *Trace {
	return drawing{in: l, rec: rec, a: a, level: level}.trace()
}

func (d drawing) trace() *Trace {
	rec, a, level, l := d.rec, d.a, d.level, d.in
	t := &Trace{of: d}
	ax := newAxis(rec, a)
	ax.narrow(d.view, a)
	t.ax = ax
	t.straight = len(ax.stretches) == 1
	low := scaleLow(rec, a, level)
	t.low = low
	y := t.y
	every := 5.0
	if 100-low > 30 {
		every = 10
	}
	for v := 100.0; v >= low; v -= every {
		t.Saturation = append(t.Saturation, Tick{At: y(v), Label: fmt.Sprintf("%.0f", v)})
	}

	below := newLane("", "solid", 0)
	if level != nil {
		f, _ := level.Float64()
		t.Threshold = &Tick{At: y(f), Label: number(l, level) + " %"}
		below.Label = "≤ " + number(l, level) + " %"
	}
	t.draw(rec, a, ax, level, y, below)
	t.clock(rec, a, ax)

	doubted, unread := newLane(l.Say("doubted"), "hatch", 1), newLane(l.Say("not read"), "cross", 2)
	for _, s := range ax.stretches {
		from, to := ax.samples(s)
		for _, sp := range spansFrom(a, from).until(to) {
			if sp.From < s.from || sp.From >= s.to {
				continue // of another stretch
			}
			lane := unread
			if sp.Kind == analysis.SpanSuspect {
				lane = doubted
			}
			lane.mark(ax.x(sp.FromTick, s), ax.x(sp.ToTick, s))
		}
	}
	for _, lane := range []*lane{below, doubted, unread} {
		if lane.Label != "" {
			t.Lanes = append(t.Lanes, lane.finish())
		}
	}
	if a.Nadir.Value != nil && !d.legs {
		t.lowest(ax, a.Nadir.At, a.Nadir.AtIndex, a.Nadir.Value, "nadir %s %%")
	}
	t.describe(rec, a, level)
	if d.legs {
		t.markLegs()
	}
	t.tellPart()
	return t
}

// lowest marks one lowest reading, if it lies in what is drawn.
func (t *Trace) lowest(ax axis, tick int64, sample int, value *big.Rat, word string) {
	f, _ := value.Float64()
	if x := ax.x(tick, ax.of(sample)); inside(x) {
		t.Nadir, t.NadirLabel = &Point{x, t.y(f)}, t.of.in.Say(word, number(t.of.in, value))
	}
}

// scaleLow is the foot of the saturation axis in percent: 80 unless readings
// or the level lie lower, in tens.
func scaleLow(rec *recording.Recording, a *analysis.Analysis, level *big.Rat) float64 {
	low := 80.0
	for _, r := range []*big.Rat{a.Nadir.Value, level} {
		if r != nil {
			f, _ := r.Float64()
			low = math.Min(low, math.Floor((f-1)/10)*10)
		}
	}
	return math.Max(low, 0)
}

// plausible returns the numerator of a reading that is drawn.
func plausible(rec *recording.Recording, a *analysis.Analysis, i int) (int64, bool) {
	code := rec.SpO2[i]
	if code == recording.NoReading || rec.Flag(i)&(recording.FlagSensorOff|recording.FlagConflict) != 0 {
		return 0, false
	}
	n := rec.SpO2Scale.Num(code)
	den := rec.SpO2Scale.Den
	return n, n >= a.Rules.FloorPct*den && n <= a.Rules.CeilingPct*den
}

// draw fills Lines, Breaks and the lane of time at or below the level.
func (t *Trace) draw(rec *recording.Recording, a *analysis.Analysis, ax axis, level *big.Rat, y func(float64) float64, below *lane) {
	den := rec.SpO2Scale.Den
	limit := int64(math.MinInt64)
	if level != nil {
		l := new(big.Int).Mul(level.Num(), big.NewInt(den))
		limit = l.Div(l, level.Denom()).Int64() // floor
	}
	hide := t.of.view.HideDoubted
	var line []Point
	var pen thinner
	lastCol, lastX := -1, 0.0
	end := func() {
		line = pen.flush(line)
		if len(line) > 0 {
			// A reading holds until the next one: a lone one is a dash.
			line = append(line, Point{lastX, line[len(line)-1].Y})
			t.Lines = append(t.Lines, line)
		}
		line = nil
	}
	for si, s := range ax.stretches {
		if s.breaks {
			x := ax.x(ax.at(s.from), s)
			if n := len(t.Breaks); inside(x) && (n == 0 || column(t.Breaks[n-1]) != column(x)) {
				t.Breaks = append(t.Breaks, x)
			}
		}
		from, to := ax.samples(s)
		told, begun := spansFrom(a, from), false
		for i := from; i < to; i++ {
			until := ax.x(ax.at(i)+ax.hold(a, s, i, &told), s)
			n, ok := plausible(rec, a, i)
			if sp := told.of(i); !ok || hide && sp != nil && sp.Kind == analysis.SpanSuspect {
				continue
			}
			x := ax.x(ax.at(i), s)
			if n <= limit {
				below.mark(x, until)
			}
			c := column(x)
			// A gap too narrow for a column cannot be seen; the lane shows it.
			gap := lastCol >= 0 && x > lastX+1e-9 && column(lastX) != c
			if gap || !begun && s.breaks && si > 0 {
				end()
			}
			begun = true
			if c != pen.col {
				line = pen.flush(line)
				pen.col = c
			}
			pen.add(Point{x, y(float64(n) / float64(den))})
			lastCol, lastX = c, until
		}
	}
	end()
}

// thinner keeps of one column the first, least, greatest and last reading, in
// the order of time.
type thinner struct {
	col, n                int
	first, last, min, max Point
	minOrder, maxOrder    int
}

func (p *thinner) add(q Point) {
	if p.n == 0 {
		p.first, p.min, p.max = q, q, q
		p.minOrder, p.maxOrder = 0, 0
	}
	if q.Y < p.min.Y {
		p.min, p.minOrder = q, p.n
	}
	if q.Y > p.max.Y {
		p.max, p.maxOrder = q, p.n
	}
	p.last = q
	p.n++
}

func (p *thinner) flush(line []Point) []Point {
	if p.n > 0 {
		a, b := p.min, p.max
		if p.minOrder > p.maxOrder {
			a, b = b, a
		}
		for _, q := range []Point{p.first, a, b, p.last} {
			if n := len(line); n == 0 || line[n-1] != q {
				line = append(line, q)
			}
		}
	}
	p.n = 0
	return line
}

// lane collects the columns of a Lane.
type lane struct {
	Lane
	on [traceColumns]bool
}

func newLane(label, pattern string, row int) *lane {
	return &lane{Lane: Lane{Label: label, Pattern: pattern, Y: laneTop + float64(row)*laneStep}}
}

func (l *lane) mark(from, to float64) {
	if from < plotLeft && to <= plotLeft || from >= plotRight && to > plotRight {
		return // outside the part that is drawn
	}
	a, b := column(from), column(to)
	if edge := plotLeft + float64(b)*(plotRight-plotLeft)/traceColumns; to <= edge+1e-9 && b > a {
		b--
	}
	for c := a; c <= b; c++ {
		l.on[c] = true
	}
}

func (l *lane) finish() Lane {
	w := (plotRight - plotLeft) / traceColumns
	for c := 0; c < traceColumns; c++ {
		if !l.on[c] {
			continue
		}
		from := c
		for c < traceColumns && l.on[c] {
			c++
		}
		l.Bands = append(l.Bands, Band{plotLeft + float64(from)*w, plotLeft + float64(c)*w})
	}
	return l.Lane
}

// clock sets the marks of the time axis at whole steps of the wall clock.
func (t *Trace) clock(rec *recording.Recording, a *analysis.Analysis, ax axis) {
	span := ax.span / float64(a.PerSecond)
	every := int64(86400)
	for _, s := range []int64{1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200} {
		if span/float64(s) <= 9 {
			every = s
			break
		}
	}
	for span/float64(every) > 9 {
		every *= 2
	}
	last := math.Inf(-1)
	for i, s := range ax.stretches {
		from := floorDiv(ax.at(s.from), a.PerSecond) + s.offset
		until := ax.at(s.to-1) + step(a)
		if i+1 < len(ax.stretches) && !ax.stretches[i+1].breaks {
			until = ax.at(s.to) - 1 // that instant is told by the next offset
		}
		to := floorDiv(until, a.PerSecond) + s.offset
		if ax.part { // the labels of a long session are many when it is drawn closely
			begin := int64(ax.v0) + s.shift
			from = max(from, floorDiv(begin, a.PerSecond)+s.offset)
			to = min(to, floorDiv(begin+int64(ax.span), a.PerSecond)+s.offset+1)
		}
		for sec := floorDiv(from+every-1, every) * every; sec <= to; sec += every {
			tick := (sec - s.offset) * a.PerSecond
			if tick < ax.at(s.from) || tick > until {
				continue
			}
			x := ax.x(tick, s)
			if x-last < 36 || !inside(x) {
				continue
			}
			last = x
			day := sec - floorDiv(sec, 86400)*86400
			tk := Tick{At: x}
			switch {
			case rec.Clock == recording.ClockElapsed && every < 60:
				tk.Label = fmt.Sprintf("+%d:%02d:%02d", sec/3600, sec/60%60, sec%60)
			case rec.Clock == recording.ClockElapsed:
				tk.Label = fmt.Sprintf("+%d:%02d", sec/3600, sec/60%60)
			case every < 60:
				tk.Label, tk.Midnight = fmt.Sprintf("%02d:%02d:%02d", day/3600, day/60%60, day%60), day == 0
			default:
				tk.Label, tk.Midnight = fmt.Sprintf("%02d:%02d", day/3600, day/60%60), day == 0
			}
			t.Clock = append(t.Clock, tk)
		}
	}
}

func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b != 0 && (a < 0) != (b < 0) {
		q--
	}
	return q
}

func (t *Trace) describe(rec *recording.Recording, a *analysis.Analysis, level *big.Rat) {
	l := t.of.in
	t.Title = l.Say("Saturation from %s to %s", l.Stamp(a.Stamp(rec, a.First, a.FirstIndex)), l.Stamp(a.Stamp(rec, a.Last, a.FirstIndex+a.Count-1)))
	t.Desc = t.overTime()
	if level != nil {
		tr := a.AtOrBelow(level)
		at, value, low, high := number(l, level), duration(l, a, tr.Value), duration(l, a, tr.Low), duration(l, a, tr.High)
		if low != high {
			t.Desc += " " + l.Say("A line stands at %s %%: %s at or below it, between %s and %s.", at, value, low, high)
		} else {
			t.Desc += " " + l.Say("A line stands at %s %%: %s at or below it.", at, value)
		}
	}
	if a.Nadir.Value != nil {
		t.Desc += " " + l.Say("Lowest reading %s %%.", number(l, a.Nadir.Value))
	}
	t.Desc += " " + l.Say("Doubted: %s.", duration(l, a, a.Suspect))
	if a.Missing != nil {
		t.Desc += " " + l.Say("Missing: %s.", duration(l, a, *a.Missing))
	}
}

// overTime says what the trace shows: of a part, that figures are those of the
// whole.
func (t *Trace) overTime() string {
	if t.ax.part {
		return t.of.in.Say("Oxygen saturation in percent over time. Figures are those of the whole session.")
	}
	return t.of.in.Say("Oxygen saturation in percent over time.")
}

// SVG returns the trace as one self-contained element with a title and a
// description. It carries presentation attributes and classes, no style and no
// script, so that it stands under a strict content security policy.
//
// What a page needs to move it stands in it too: data-plot is the left and the
// right edge of the plot on the sheet, data-ms the length of the session in
// milliseconds, .ws-run is what stretches with the time
// axis, and .ws-at what stands at the place data-x of it.
func (t *Trace) SVG() string {
	var b strings.Builder
	p := func(format string, args ...any) { fmt.Fprintf(&b, format, args...) }
	id := html.EscapeString(t.ID)
	_, _, whole, _ := t.Shown()
	run := `<g clip-path="url(#` + id + `-plot)"><g class="ws-run">`
	p(`<svg class="ws-svg" xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %g %g" data-plot="%g %g" data-ms="%d" role="img" aria-labelledby="%s-t %s-d" font-family="DejaVu Sans, Verdana, sans-serif" font-size="%g" fill="#111">`,
		traceWidth, traceHeight, plotLeft, plotRight, whole, id, id, traceText)
	p(`<title id="%s-t">%s</title><desc id="%s-d">%s</desc>`, id, html.EscapeString(t.Title), id, html.EscapeString(t.Desc))
	p(`<defs><pattern id="%s-hatch" width="4" height="4" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><path d="M0 0V4" stroke="#111" stroke-width="1.6"/></pattern>`, id)
	p(`<pattern id="%s-cross" width="4" height="4" patternUnits="userSpaceOnUse"><path d="M0 2H4M2 0V4" stroke="#111" stroke-width="0.7"/></pattern>`, id)
	p(`<clipPath id="%s-plot"><rect x="%g" y="0" width="%g" height="%g"/></clipPath></defs>`, id, plotLeft-.5, plotRight-plotLeft+1, traceHeight)
	b.WriteString(run)
	t.shadeSVG(p)
	b.WriteString(`</g></g>`)
	for _, k := range t.Saturation {
		p(`<path d="M%g %.2fH%g" stroke="#ccc" stroke-width="0.4"/><text x="%g" y="%.2f" text-anchor="end">%s</text>`, plotLeft, k.At, plotRight, plotLeft-4, k.At+3, k.Label)
	}
	for _, k := range t.Clock {
		p(`<g class="ws-at" data-x="%.2f"><path d="M%.2f %gV%g" stroke="%s" stroke-width="%s"/><text x="%.2f" y="%g" text-anchor="middle"%s>%s</text>`,
			k.At, k.At, plotTop, timeLabels-10, pick(k.Midnight, "#111", "#ccc"), pick(k.Midnight, "0.7", "0.4"), k.At, timeLabels, pick(k.Midnight, ` font-weight="bold"`, ""), k.Label)
		if k.Midnight {
			p(`<text x="%.2f" y="%g" text-anchor="middle">%s</text>`, k.At, t.midnightText(), html.EscapeString(t.of.in.Say("midnight")))
		}
		b.WriteString(`</g>`)
	}
	p(`<path d="M%g %gV%gH%g" fill="none" stroke="#111" stroke-width="0.7"/><text x="%g" y="%g" text-anchor="end">%% SpO₂</text>`, plotLeft, plotTop, plotBottom, plotRight, plotLeft-4, plotTop-8)
	b.WriteString(run)
	t.legsSVG(p, id)
	b.WriteString(`</g></g>`)
	for _, l := range t.Legs {
		p(`<text class="ws-at" data-x="%.2f" x="%.2f" y="%g" text-anchor="middle">%s</text>`, (l.From+l.To)/2, (l.From+l.To)/2, legText, l.Label)
	}
	for _, x := range t.Breaks {
		p(`<g class="ws-at" data-x="%.2f"><path d="M%.2f %gV%g" stroke="#111" stroke-width="1.2" stroke-dasharray="1 2"/><text x="%.2f" y="%g">%s</text></g>`, x, x, plotTop, plotBottom, x+2, plotBottom-3, html.EscapeString(t.of.in.Say("clock set back")))
	}
	for _, l := range t.Lanes {
		p(`<text x="%g" y="%.2f" text-anchor="end">%s</text><path d="M%g %.2fH%g" stroke="#999" stroke-width="0.4"/>`, plotLeft-4, l.Y+laneHeight-1, html.EscapeString(l.Label), plotLeft, l.Y+laneHeight, plotRight)
	}
	b.WriteString(run)
	for _, l := range t.Lanes {
		fill := "#111"
		if l.Pattern != "solid" {
			fill = "url(#" + id + "-" + l.Pattern + `)" stroke="#111" stroke-width="0.4`
		}
		for _, d := range l.Bands {
			p(`<rect x="%.2f" y="%.2f" width="%.2f" height="%g" fill="%s"/>`, d.From, l.Y, d.To-d.From, laneHeight, fill)
		}
	}
	for _, line := range t.Lines {
		b.WriteString(`<path fill="none" stroke="#111" stroke-width="0.8" stroke-linejoin="round" d="M`)
		for i, q := range line {
			if i > 0 {
				b.WriteByte('L')
			}
			p("%.2f %.2f", q.X, q.Y)
		}
		b.WriteString(`"/>`)
	}
	b.WriteString(`</g></g>`)
	if k := t.Threshold; k != nil {
		p(`<path class="ws-threshold" d="M%g %.2fH%g" stroke="%s" stroke-width="1.4" stroke-dasharray="7 3"/><text class="ws-threshold-label" x="%g" y="%.2f" font-weight="bold" fill="%s">%s</text>`,
			plotLeft, k.At, plotRight, accent, plotRight+4, k.At+3, accent, k.Label)
	}
	if n := t.Nadir; n != nil {
		x, y, anchor := t.nadirText()
		p(`<g class="ws-at" data-x="%.2f"><circle cx="%.2f" cy="%.2f" r="2.6" fill="#fff" stroke="#111" stroke-width="1.1"/><text x="%.2f" y="%.2f" text-anchor="%s" font-weight="bold" stroke="#fff" stroke-width="2.4" paint-order="stroke">%s</text></g>`,
			n.X, n.X, n.Y, x, y, anchor, html.EscapeString(t.NadirLabel))
	}
	b.WriteString(`</svg>`)
	return b.String()
}

// midnightText is the baseline of the word over a midnight, above the labels of
// legs where there are some.
func (t *Trace) midnightText() float64 {
	if len(t.Legs) > 0 {
		return legText - 7
	}
	return plotTop - 5
}

// nadirText places the label of the nadir beside it, inside the plot.
func (t *Trace) nadirText() (x, y float64, anchor string) {
	y = math.Min(t.Nadir.Y+8, plotBottom-3)
	// The lowest reading of a walk comes towards its end: the label stands before it.
	late := .7
	if len(t.Legs) > 0 {
		late = .2
	}
	if t.Nadir.X > plotLeft+(plotRight-plotLeft)*late {
		return t.Nadir.X - 6, y, "end"
	}
	return t.Nadir.X + 6, y, "start"
}

func pick(cond bool, yes, no string) string {
	if cond {
		return yes
	}
	return no
}
