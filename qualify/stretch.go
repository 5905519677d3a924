package qualify

import (
	"errors"
	"fmt"

	"airwarrant/qualify/criteria"
	"airwarrant/qualify/recording"
)

const dayMS = 86_400_000

// errSessions: a stretch fits several sessions.
var errSessions = errors.New("a session has to be chosen")

// Stretch finds the samples of a marked stretch: those at or after its from
// and before its until, in session only (from 1; 0: the one that holds them).
// It returns the session's number too. Errors wrap ErrQuery: a stamp of
// another form than the recording's, no sample, samples of several sessions,
// or samples on both sides of a step back of the clock.
func (rd *Reading) Stretch(r criteria.RecordingRole, only int) (recording.Session, int, error) {
	part, session, err := rd.stretch(r, only)
	if errors.Is(err, errSessions) {
		err = fmt.Errorf("%s: expected a stretch of one session; found samples of several; choose the session: %w", name(r), ErrQuery)
	}
	return part, session, err
}

func (rd *Reading) stretch(r criteria.RecordingRole, only int) (recording.Session, int, error) {
	var found recording.Session
	session := 0
	for i, s := range rd.Sessions {
		if only > 0 && rd.Numbers[i] != only {
			continue
		}
		part, err := within(rd.Recording, s, r)
		if err != nil {
			return recording.Session{}, 0, err
		}
		if part.From == part.To {
			continue
		}
		if session > 0 {
			return recording.Session{}, 0, errSessions
		}
		found, session = part, rd.Numbers[i]
	}
	if session == 0 {
		return recording.Session{}, 0, fmt.Errorf("%s: expected a part of the recording; found no sample in it; copy the stamps from what measure prints: %w", name(r), ErrQuery)
	}
	return found, session, nil
}

// name calls a stretch by its place among the facts.
func name(r criteria.RecordingRole) string {
	return fmt.Sprintf("recordings: the stretch %s from %q to %q", r.Role, r.From, r.Until)
}

// within finds the samples of a session that lie in a stretch; an empty
// session if there are none.
func within(rec *recording.Recording, s recording.Session, r criteria.RecordingRole) (recording.Session, error) {
	c := clockOf{rec, s}
	from, err := c.bound(r, r.From)
	if err != nil {
		return recording.Session{}, err
	}
	until, err := c.bound(r, r.Until)
	if err != nil {
		return recording.Session{}, err
	}
	zoned := from != nil && from.Zoned || until != nil && until.Zoned
	if from != nil && until != nil && from.Kind == criteria.StampOfDay && until.MS <= from.MS {
		until.MS += dayMS // the stretch passes midnight, if the recording does
		midnight := (floorDiv(from.MS, dayMS) + 1) * dayMS
		if last := c.at(s.To-1, false); from.MS <= last && last < midnight && until.MS != midnight {
			return recording.Session{}, fmt.Errorf("%s: expected from before until; found a recording that does not pass midnight between the two; exchange the two: %w", name(r), ErrQuery)
		}
	}
	part := recording.Session{From: s.To, To: s.To}
	breaks := map[int]bool{}
	for _, b := range rec.Breaks {
		breaks[b] = true
	}
	runs, inside := 0, false
	for i := s.From; i < s.To; i++ {
		at := c.at(i, zoned)
		in := (from == nil || at >= from.MS) && (until == nil || at < until.MS)
		if in && (!inside || breaks[i]) {
			runs++
		}
		if in {
			part.From, part.To = min(part.From, i), i+1
		}
		inside = in
	}
	if runs > 1 && (r.From != "" || r.Until != "") {
		return recording.Session{}, fmt.Errorf("%s: expected a stretch in one run of the clock; found that the recorder's clock tells this time twice; state the stamps with their offset, or another stretch: %w", name(r), ErrQuery)
	}
	return part, nil
}

// clockOf reads the clock of a session as its stamps print it.
type clockOf struct {
	rec *recording.Recording
	s   recording.Session
}

// at is the time of sample i in milliseconds, cut as stamps are: on the wall
// clock, or if zoned since 1970 in UTC.
func (c clockOf) at(i int, zoned bool) int64 {
	sec := floorDiv(c.rec.Time[i], c.rec.PerSecond)
	ms := sec*1000 + (c.rec.Time[i]-sec*c.rec.PerSecond)*1000/c.rec.PerSecond
	if c.rec.Clock != recording.ClockInstant || zoned {
		return ms
	}
	offset := 0
	for _, o := range c.rec.Offsets {
		if o.From > i {
			break
		}
		offset = o.Seconds
	}
	return ms + int64(offset)*1000
}

// bound puts a stamp on the clock of the session; nil for "".
func (c clockOf) bound(r criteria.RecordingRole, text string) (*criteria.Stamp, error) {
	if text == "" {
		return nil, nil
	}
	st, ok := criteria.ParseStamp(text)
	clock := c.rec.Clock
	dated := clock == recording.ClockWall || clock == recording.ClockInstant
	switch {
	case !ok, st.Kind == criteria.StampDated && !dated, st.Kind == criteria.StampElapsed && clock != recording.ClockElapsed,
		st.Kind == criteria.StampOfDay && clock == recording.ClockElapsed, st.Zoned && clock != recording.ClockInstant:
		return nil, fmt.Errorf("%s: expected stamps as this recording has them, such as %s; found %q; copy them from what measure prints: %w",
			name(r), c.rec.Stamp(c.rec.Time[c.s.From], c.s.From), text, ErrQuery)
	case st.Zoned:
		st.MS -= int64(st.Offset) * 1000
	case st.Kind == criteria.StampOfDay:
		// The first such time of day that the session reaches, or that of its
		// first day.
		first, last := c.at(c.s.From, false), c.at(c.s.To-1, false)
		st.MS += floorDiv(first, dayMS) * dayMS
		if st.MS < first && st.MS+dayMS <= last {
			st.MS += dayMS
		}
		if st.MS >= first && st.MS+dayMS <= last {
			return nil, fmt.Errorf("%s: expected a time of day that the session reaches once; found %q on two days; state the date with it: %w", name(r), text, ErrQuery)
		}
	}
	return &st, nil
}

func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b != 0 && (a < 0) != (b < 0) {
		q--
	}
	return q
}
