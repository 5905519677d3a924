package worksheet

import (
	"fmt"
	"math/big"
	"strings"
	"unicode/utf8"

	"airwarrant/qualify/analysis"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/recording"
	"airwarrant/rules"
)

// Leg is one marked stretch of an exertional test, with the session in which
// it lies.
type Leg struct {
	criteria.RecordingRole
	Begin, End     string               // stamps of its first sample and of the instant after its last
	Upload         int                  // of Uploads, from 1
	Of             *recording.Recording // that holds it
	Session        *analysis.Analysis   // the whole session, which is drawn
	No, SessionsOf int                  // of the session among those of the recording
	*analysis.Analysis
	Unjudged *analysis.Analysis // Analysis without judgements; nil where none changed it
}

// legOrder is the order in which legs are listed, recovery behind and apart.
var legOrder = []string{criteria.RoleRestAir, criteria.RoleExertionAir, criteria.RoleExertionOxygen, criteria.RoleRecovery}

// legNumber is the number under which a leg is listed and marked on the trace;
// R for recovery.
func legNumber(role string) string {
	for i, r := range legOrder {
		if r == role && role != criteria.RoleRecovery {
			return fmt.Sprint(i + 1)
		}
	}
	return "R"
}

// legs lays out the legs: one section for each session that holds some, the
// first with the legs that are only stated.
func legs(in Input, ev *evidenceList) []Section {
	l := in.Language
	type place struct{ upload, session int }
	var order []place
	byPlace := map[place][]Leg{}
	for _, leg := range in.Legs {
		p := place{leg.Upload, leg.No}
		if byPlace[p] == nil {
			order = append(order, p)
		}
		byPlace[p] = append(byPlace[p], leg)
	}
	var out []Section
	for i, p := range order {
		marked := byPlace[p]
		s := Section{ID: "legs", Title: l.Say("The exertional test in legs"), Trace: legTrace(in, marked)}
		if first := marked[0]; first.Of != nil {
			s.Ref = ev.letter(first.Of.SHA256)
		}
		if i == 0 {
			s.Lead = legLead(in)
		}
		if len(order) > 1 {
			s.Title = l.Say("%s, recording %d, session %d", s.Title, p.upload, p.session)
		}
		s.Table = legTable(in, marked, i == 0)
		if i == len(order)-1 {
			s.After = legConditions(in)
		}
		out = append(out, s)
	}
	return out
}

func legLead(in Input) string {
	l := in.Language
	s := l.Say("Each leg is read by its own samples; no reading outside it counts.")
	if in.Pack != nil && in.Pack.Reading.LegHold != nil {
		s += " " + l.Say("On exertion a value is that of the leg once it has held for %s; where a lower one did not, the tester is asked for the value recorded.", in.Pack.Reading.LegHold)
	}
	return s + " " + l.Say("At rest it is the mean. Recovery is none of the legs.")
}

func legTable(in Input, marked []Leg, first bool) *Table {
	l, level := in.Language, in.Pack.LegLevel()
	below := "–"
	if level != nil {
		below = l.Say("At or below %s %%", number(l, level))
	}
	held := l.Say("Held")
	if in.Pack != nil && in.Pack.Reading.LegHold != nil {
		held = l.Say("Held %s", in.Pack.Reading.LegHold)
	}
	t := &Table{Columns: []Column{{l.Say("Leg"), .2, false}, {l.Say("From"), .085, false}, {l.Say("Until"), .085, false}, {l.Say("Breathed"), .15, false},
		{l.Say("First"), .07, true}, {l.Say("Lowest"), .075, true}, {held, .085, true}, {l.Say("Last"), .065, true}, {l.Say("Mean"), .075, true}, {below, .11, true}}}
	pct := func(r *big.Rat) string {
		if r == nil {
			return "–"
		}
		return number(l, r)
	}
	bounds := func(b analysis.Bounded) Cell {
		c := Cell{Text: pct(b.Value)}
		if b.Low != nil && (b.High == nil || b.Low.Cmp(b.High) != 0) {
			c.Sub = l.Say("%s to %s", pct(b.Low), pct(b.High))
		}
		return c
	}
	for _, role := range legOrder {
		found := false
		for _, leg := range marked {
			if leg.Role != role {
				continue
			}
			found = true
			a := leg.Analysis
			c := Cell{Text: legNumber(role) + " " + l.Say(criteria.RoleText(role))}
			if a.Recorded != nil {
				c.Sub = duration(l, a, *a.Recorded)
			}
			if a.Suspect > 0 {
				c.Sub += ", " + l.Say("doubted %s", duration(l, a, a.Suspect))
			}
			if a.Missing != nil && *a.Missing > 0 {
				c.Sub += ", " + l.Say("not read %s", duration(l, a, *a.Missing))
			}
			time := Cell{Text: "–"}
			if level != nil {
				tr := a.AtOrBelow(level)
				time.Text = duration(l, a, tr.Value)
				if tr.Low != tr.High {
					time.Sub = l.Say("%s to %s", duration(l, a, tr.Low), duration(l, a, tr.High))
				}
			}
			t.Rows = append(t.Rows, Row{Cells: []Cell{c, {Text: timeOf(leg.Begin)}, {Text: timeOf(leg.End)}, {Text: breathed(l, leg.RecordingRole)},
				{Text: pct(a.Initial)}, bounds(a.Nadir), bounds(a.Held(in.Pack.LegHoldSeconds())), {Text: pct(a.Final)}, bounds(a.Mean), time}})
		}
		fact := criteria.LegFact(role)
		if f, known := in.Facts[fact]; first && !found && known && f.State == criteria.Stated && f.Value.Num != nil && !markedElsewhere(in, role) {
			def, _ := rules.Lookup(fact)
			t.Rows = append(t.Rows, Row{Cells: []Cell{{Text: legNumber(role) + " " + l.Say(criteria.RoleText(role)), Sub: l.Say("as typed: %s", valueText(l, def, f.Value))},
				{}, {}, {}, {}, {}, {}, {}, {}, {}}})
		}
	}
	return t
}

func markedElsewhere(in Input, role string) bool {
	for _, l := range in.Legs {
		if l.Role == role {
			return true
		}
	}
	return false
}

// timeOf is a stamp without its day, which the trace tells.
func timeOf(stamp string) string {
	if _, t, ok := strings.Cut(stamp, "T"); ok {
		return t
	}
	return stamp
}

// breathed is what was breathed in a stretch, as far as it is stated.
func breathed(l rules.Language, r criteria.RecordingRole) string {
	switch {
	case strings.HasSuffix(r.Role, criteria.RoleAir):
		return l.Say("room air")
	case r.Role == criteria.RoleRecovery && r.Flow == "":
		return l.Say("not stated")
	}
	s := l.Say("oxygen")
	if r.Flow != "" {
		s += ", " + l.Number(r.Flow) + " L/min"
	}
	if r.Device != "" {
		s += ", " + l.Word(r.Device)
	}
	return s
}

// legConditions tells in one line how the legs were taken.
func legConditions(in Input) string {
	l := in.Language
	var parts []string
	for _, c := range []struct{ fact, words string }{{"same_sitting", "One sitting"}, {"exertion_in_person", "Supervised in person"}, {"exertion_supervised_by", "Supervised by"}, {"exertion_device", "Oxygen given by"}} {
		f, ok := in.Facts[c.fact]
		if !ok {
			continue
		}
		def, _ := rules.Lookup(c.fact)
		answer := l.Say("not known")
		if f.State != criteria.Unknown {
			answer = valueText(l, def, f.Value)
		}
		parts = append(parts, l.Say(c.words)+": "+answer)
	}
	if len(parts) == 0 {
		return ""
	}
	return strings.Join(parts, "; ") + "."
}

// legTrace draws the session of legs with each leg marked on it.
func legTrace(in Input, marked []Leg) *Trace {
	l := marked[0]
	t := NewLegTrace(in.Language, l.Of, l.Session, in.Pack.LegLevel(), marked)
	t.ID = traceID(in.Determination.Criteria, l.Of.SHA256, l.No) + "-legs"
	return t
}

// NewLegTrace draws the session of rec that a describes, with the legs that
// are marked in it. level is the saturation in percent whose line is drawn, nil
// for none, in the language l. Lowest reading and total time of the whole would mix legs, so only
// that of exertion on room air is marked.
func NewLegTrace(l rules.Language, rec *recording.Recording, a *analysis.Analysis, level *big.Rat, marked []Leg) *Trace {
	return drawing{in: l, rec: rec, a: a, level: level, legs: true, marked: marked}.trace()
}

// markLegs puts the legs on a trace that is drawn.
func (t *Trace) markLegs() {
	ax, a, level, l := t.ax, t.of.a, t.of.level, t.of.in
	t.Desc = t.overTime()
	if level != nil {
		t.Desc += " " + l.Say("A line stands at %s %%.", number(l, level))
	}
	var told []string
	for _, m := range t.of.marked {
		if m.Role == criteria.RoleExertionAir && m.Nadir.Value != nil {
			t.lowest(ax, m.Nadir.At*(a.PerSecond/m.PerSecond), m.Nadir.AtIndex, m.Nadir.Value, "lowest %s %%")
		}
		told = append(told, l.Say("%s from %s to %s", l.Say(criteria.RoleText(m.Role)), l.Stamp(m.Begin), l.Stamp(m.End)))
		from, last := m.FirstIndex, m.FirstIndex+m.Count-1
		x := ax.x(ax.at(from), ax.of(from))
		until := ax.x(ax.at(last)+step(a), ax.of(last))
		b := LegBand{From: max(x, plotLeft), To: min(until, plotRight), Recovery: m.Role == criteria.RoleRecovery, cutFrom: x < plotLeft, cutTo: until > plotRight}
		if b.From >= b.To {
			continue // outside the part that is drawn
		}
		short, long := legNumber(m.Role), ""
		switch m.Role {
		case criteria.RoleRestAir:
			long = "1 rest, air"
		case criteria.RoleExertionAir:
			long = "2 exertion, air"
		case criteria.RoleExertionOxygen:
			long = "3 exertion, oxygen"
		case criteria.RoleRecovery:
			long = "R recovery"
		}
		long = l.Say(long)
		if b.Label = short; b.To-b.From > float64(utf8.RuneCountInString(long)+1)*labelUnit {
			b.Label = long
		}
		t.Legs = append(t.Legs, b)
	}
	if len(told) > 0 {
		t.Desc += " " + l.Say("Marked: %s.", strings.Join(told, "; "))
	}
}

// TimeAxis says where on the drawn sheet, as shares of its width, the first
// instant of the session and its end lie, for a page that turns a place on the
// trace into a time. It is false where the axis is no single run of the clock.
func (t *Trace) TimeAxis() (left, right float64, ok bool) {
	return plotLeft / traceWidth, plotRight / traceWidth, t.straight
}

// labelUnit is about the width of a letter of the trace, in units of the sheet.
const labelUnit = 5.2

// LegBand is a stretch of the time axis that is marked as a leg.
type LegBand struct {
	From, To float64
	Label    string
	Recovery bool // told apart from the legs by its pattern

	cutFrom, cutTo bool // the leg goes on beyond the part that is drawn
}

// ends are where the leg begins and ends, as far as that is drawn.
func (l LegBand) ends() []float64 {
	var out []float64
	if !l.cutFrom {
		out = append(out, l.From)
	}
	if !l.cutTo {
		out = append(out, l.To)
	}
	return out
}

// bar is where the bar over a leg begins, and how wide it is: a little inside
// the leg, so that two that follow each other stay apart.
func (l LegBand) bar() (from, width float64) {
	const gap = 1.2
	return l.From + gap, max(l.To-l.From-2*gap, gap)
}

// Places of the marks of legs on the sheet.
const (
	legText   = plotTop - 7 // baseline of the labels
	legTop    = plotTop - 4.5
	legHeight = 3.5
)

// shadeSVG shades the legs, behind everything.
func (t *Trace) shadeSVG(p func(format string, args ...any)) {
	for _, l := range t.Legs {
		if !l.Recovery {
			p(`<rect x="%.2f" y="%g" width="%.2f" height="%g" fill="#eee"/>`, l.From, plotTop, l.To-l.From, plotBottom-plotTop)
		}
	}
}

// legsSVG draws the marks of legs, over the grid.
func (t *Trace) legsSVG(p func(format string, args ...any), id string) {
	for _, l := range t.Legs {
		fill := "#111"
		if l.Recovery {
			fill = "url(#" + id + `-hatch)" stroke="#111" stroke-width="0.4`
		}
		from, width := l.bar()
		p(`<rect x="%.2f" y="%g" width="%.2f" height="%g" fill="%s"/>`, from, legTop, width, legHeight, fill)
		for _, x := range l.ends() {
			p(`<path d="M%.2f %gV%g" stroke="#111" stroke-width="0.8"/>`, x, legTop, plotBottom)
		}
	}
}

// legs draws the marks of legs on paper, over the grid. They are not shaded
// there: a fax turns grey into dots that hide a line.
func (p *paper) legs(t *Trace, x, y func(float64) float64, k float64, text func(x, y float64, anchor, s string, bold bool)) {
	d := p.doc
	for _, l := range t.Legs {
		pattern := "solid"
		if l.Recovery {
			pattern = "hatch"
		}
		from, width := l.bar()
		p.band(x(from), y(legTop), width*k, legHeight*k, pattern)
		d.SetLineWidth(.25)
		for _, at := range l.ends() {
			d.Line(x(at), y(legTop), x(at), y(plotBottom))
		}
		text(x((l.From+l.To)/2), y(legText), "middle", l.Label, false)
	}
}
