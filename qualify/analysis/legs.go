package analysis

import "math/big"

// A leg of an exertional test is a stretch of a recording that is analysed by
// itself, by Analyze with its samples alone: a reading outside it changes
// nothing in it. What is asked of a leg beside the measures of a night stands
// here (measurement reference, section 3.7: first, lowest, last, mean and time
// at or below a level, by leg).

// Held returns the lowest saturation that was held for at least so many
// seconds: the lowest level at or below which readings lie for that long
// without a gap, an unread instant or a higher reading. Low takes every
// number for a reading, Value the plausible ones, High those that nobody
// doubts; a part is nil if no level was held so long. A hold that is nil or 0
// gives the nadir.
func (a *Analysis) Held(hold *big.Rat) Bounded {
	if hold == nil || hold.Sign() <= 0 {
		return Bounded{Low: a.Nadir.Low, Value: a.Nadir.Value, High: a.Nadir.High}
	}
	var out Bounded
	first := func(to **big.Rat, run int64, num int64) {
		if *to == nil && a.Seconds(run).Cmp(hold) >= 0 {
			*to = big.NewRat(num, a.Den)
		}
	}
	for _, l := range a.Levels {
		first(&out.Low, l.Longest.High, l.Num)
		first(&out.Value, l.Longest.Value, l.Num)
		first(&out.High, l.Longest.Low, l.Num)
	}
	return out
}

// ends sets the first and the last plausible reading.
func (a *Analysis) ends(blocks []block) {
	for _, b := range blocks {
		if !b.why.plausible() {
			continue
		}
		a.Final = big.NewRat(b.num, a.Den)
		if a.Initial == nil {
			a.Initial = a.Final
		}
	}
}
