package recording

import "slices"

// Only returns a recording that holds the samples of session s of r and no
// others: what is made of it cannot tell of another person's night. What the
// file says about itself and how it was read stays; marks, clock breaks and
// offsets are those of the session, and counts of codes, which are of the
// whole file, are left out. The two share no samples.
func (r *Recording) Only(s Session) *Recording {
	out := *r
	out.Time = slices.Clone(r.Time[s.From:s.To])
	out.SpO2 = slices.Clone(r.SpO2[s.From:s.To])
	if r.Pulse != nil {
		out.Pulse = slices.Clone(r.Pulse[s.From:s.To])
	}
	if r.Flags != nil {
		out.Flags = slices.Clone(r.Flags[s.From:s.To])
	}
	out.Breaks, out.Offsets, out.Annotations, out.Codes, out.Warnings = nil, nil, nil, nil, nil
	for _, b := range r.Breaks {
		if b > s.From && b < s.To {
			out.Breaks = append(out.Breaks, b-s.From)
		}
	}
	for _, c := range r.Offsets {
		switch {
		case c.From >= s.To:
		case c.From <= s.From: // the last of these holds at the start
			out.Offsets = []OffsetChange{{0, c.Seconds}}
		default:
			out.Offsets = append(out.Offsets, OffsetChange{c.From - s.From, c.Seconds})
		}
	}
	if len(out.Time) > 0 {
		first, last := slices.Min(out.Time), slices.Max(out.Time)
		for _, a := range r.Annotations {
			if first <= a.At && a.At <= last {
				out.Annotations = append(out.Annotations, a)
			}
		}
	}
	for _, w := range r.Warnings {
		if w.Code != WarnClockDefault { // it may be dated by another session
			out.Warnings = append(out.Warnings, w)
		}
	}
	noteDefaultClock(&out)
	return &out
}
