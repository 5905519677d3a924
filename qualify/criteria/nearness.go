package criteria

import (
	"math/big"
	"slices"
	"strings"
)

// nearPoints is within how many points of a limit a saturation is told to be
// near: our choice (measurement reference, section 3.8).
var nearPoints = big.NewRat(2, 1)

// accuracyText is the accuracy that oximeters are held to. Sources: ISO
// 80601-2-61, at most 4 points (from memory); the FDA's guidance of 2013, at
// most 3 points for a sensor that light passes through and 3.5 for one that
// reflects it (read at second hand). Root mean square over 70 to 100 %.
const accuracyText = "Oximeters are held to a root mean square error of at most 3 to 4 points (ISO 80601-2-61, from memory; FDA guidance of 2013, at second hand), so about a third of readings may lie further off; the accuracy of this device is not stated. " +
	"This is printed on both sides of a limit alike and changes no verdict."

// nearness tells which saturations lie near a limit, whichever side they are
// on: the same words for a patient just above it as for one just below. It
// names figures and advises nothing.
func (e *evaluation) nearness() []string {
	var out []string
	near := map[string][]string{} // limits by what is near them
	var order []string
	for _, l := range e.leaves {
		if l.fixed || l.def == nil || !isNumber(l.def) || e.isAway(l.node) || len(l.readings) == 0 {
			continue
		}
		u := &l.readings[0]
		switch {
		case !u.known || u.value == nil:
		case l.def.Level && l.def.Param == "" && l.def.Unit == "%" && u.unit == "%":
			what := e.say(l.def.Meaning) + ", " + e.language().Measure(readable(u.value, u.limits), "%")
			for _, lim := range u.limits {
				d := minus(u.value, lim.fig)
				if d.Abs(d).Cmp(nearPoints) <= 0 {
					if near[what] == nil {
						order = append(order, what)
					}
					if t := e.language().Measure(decimal(lim.fig, 2), "%"); !slices.Contains(near[what], t) {
						near[what] = append(near[what], t)
					}
				}
			}
		case l.def.Name == "time_at_or_below" && e.night() != nil && u.recording == nil:
			if s := e.nearMinutes(l); s != "" && !slices.Contains(out, s) {
				out = append(out, s)
			}
		}
	}
	for _, what := range order {
		out = append(out, e.say("Near a limit: %s lies within %s points of %s.", what, decimal(nearPoints, 0), strings.Join(near[what], e.say(" and "))))
	}
	if len(out) > 0 {
		out = append(out, e.say(accuracyText))
	}
	return out
}

// nearMinutes lays the times two points below and above a clause's level beside
// its own, where they fall on different sides of its limit.
func (e *evaluation) nearMinutes(l *leaf) string {
	level := param(l.node, l.def)
	if level == nil {
		return ""
	}
	u := &l.readings[0]
	s := u.shown(l.node, e.language())
	verdict := -1
	differ := false
	var said []string
	for _, at := range []*big.Rat{minus(level, nearPoints), level, new(big.Rat).Add(level, nearPoints)} {
		r, _ := e.read(l.def, at, u.mode == readHalfUp)
		if r.value == nil {
			return ""
		}
		v := u.at(l.node, cell{num: r.value})
		differ = differ || verdict >= 0 && v != verdict
		verdict = v
		said = append(said, e.say("%s at or below %s %%", s.text(r.value), e.language().Number(decimal(at, 2))))
	}
	if !differ {
		return ""
	}
	return e.say("Near a limit: %s; %s.", strings.Join(said, ", "), e.language().Describe(l.node))
}
