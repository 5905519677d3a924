package qualify

import (
	"errors"
	"fmt"

	"airwarrant/qualify/criteria"
	"airwarrant/qualify/recording"
	"airwarrant/rules/wording"
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
		err = stretchFault(r, wording.Said("a stretch of one session"), wording.Said("samples of several"), wording.Said("choose the session"))
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
		return recording.Session{}, 0, stretchFault(r, wording.Said("a part of the recording"), wording.Said("no sample in it"), wording.Said("copy the stamps from the recording%s", wording.Typed(", as measure prints")))
	}
	return found, session, nil
}

// StretchError says why a stretch can't be found in a recording. It wraps
// ErrQuery.
type StretchError struct {
	Stretch criteria.RecordingRole
	why     wording.Text
}

// Said is the fault in its parts, without the stretch.
func (e *StretchError) Said() wording.Text { return e.why }

// Error calls the stretch by its place among the facts.
func (e *StretchError) Error() string {
	r := e.Stretch
	return fmt.Sprintf("recordings: the stretch %s from %q to %q: %s: %v", r.Role, r.From, r.Until, e.why, ErrQuery)
}

// Unwrap returns ErrQuery.
func (e *StretchError) Unwrap() error { return ErrQuery }

func stretchFault(r criteria.RecordingRole, expected, found, mend wording.Text) error {
	return &StretchError{r, wording.Said("expected %s; found %s; %s", expected, found, mend)}
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
			return recording.Session{}, stretchFault(r, wording.Said("from before until"), wording.Said("a recording that does not pass midnight between the two"), wording.Said("exchange the two"))
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
		return recording.Session{}, stretchFault(r, wording.Said("a stretch in one run of the clock"), wording.Said("that the recorder's clock tells this time twice"), wording.Said("state the stamps with their offset, or another stretch"))
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
		return nil, stretchFault(r, wording.Fault("stamps as this recording has them, such as %s", c.rec.Stamp(c.rec.Time[c.s.From], c.s.From)), wording.Literal(text).Quoted(), wording.Said("copy them from the recording%s", wording.Typed(", as measure prints")))
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
			return nil, stretchFault(r, wording.Said("a time of day that the session reaches once"), wording.Fault("%q on two days", text), wording.Said("state the date with it"))
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
