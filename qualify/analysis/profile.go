package analysis

import (
	"encoding/json"
	"fmt"
	"math/big"
)

// Profile holds the measures of a session that any criteria can ask for,
// whatever their figures, and no sample: what stands at or below each recorded
// value, its longest runs, nadir, mean, peak and the times. Its JSON is compact
// and is what a case keeps of a recording.
type Profile struct {
	PerSecond int64  `json:"per_second"` // ticks in a second
	Den       int64  `json:"den"`        // of Levels
	Recorded  *int64 `json:"recorded"`   // ticks; null as in Analysis
	Missing   *int64 `json:"missing"`    // ticks; null as in Analysis
	Valid     int64  `json:"valid"`      // ticks
	Unjudged  int64  `json:"unjudged"`   // ticks
	// Levels are those of Analysis in seven numbers each: Num, then low, value
	// and high of AtOrBelow and of Longest.
	Levels [][7]int64 `json:"levels"`
	// Nadir, Mean and Peak are in percent, low, value and high; null is unknown.
	Nadir [3]*big.Rat `json:"nadir"`
	Mean  [3]*big.Rat `json:"mean"`
	Peak  *big.Rat    `json:"peak"`
}

// Profile returns what criteria can ask of a.
func (a *Analysis) Profile() *Profile {
	p := &Profile{PerSecond: a.PerSecond, Den: a.Den, Recorded: a.Recorded, Missing: a.Missing, Valid: a.Valid, Unjudged: a.Unjudged, Levels: make([][7]int64, len(a.Levels)),
		Nadir: [3]*big.Rat{a.Nadir.Low, a.Nadir.Value, a.Nadir.High}, Mean: [3]*big.Rat{a.Mean.Low, a.Mean.Value, a.Mean.High}, Peak: a.Peak}
	for i, l := range a.Levels {
		p.Levels[i] = [7]int64{l.Num, l.AtOrBelow.Low, l.AtOrBelow.Value, l.AtOrBelow.High, l.Longest.Low, l.Longest.Value, l.Longest.High}
	}
	return p
}

// Analysis returns an analysis that answers every question about measures as
// the one did that the profile is of. What names a sample or an instant is not
// in it: spans, events, stamps.
func (p *Profile) Analysis() *Analysis {
	a := &Analysis{PerSecond: p.PerSecond, Den: p.Den, Recorded: p.Recorded, Missing: p.Missing, Valid: p.Valid, Unjudged: p.Unjudged, Levels: make([]Level, len(p.Levels)),
		Nadir: Bounded{Low: p.Nadir[0], Value: p.Nadir[1], High: p.Nadir[2]}, Mean: Bounded{Low: p.Mean[0], Value: p.Mean[1], High: p.Mean[2]}, Peak: p.Peak}
	for i, l := range p.Levels {
		a.Levels[i] = Level{Num: l[0], AtOrBelow: Triple{l[1], l[2], l[3]}, Longest: Triple{l[4], l[5], l[6]}}
	}
	return a
}

// UnmarshalJSON reads what a case kept and refuses what no analysis gives:
// levels that don't ascend, or bounds the wrong way round.
func (p *Profile) UnmarshalJSON(b []byte) error {
	type plain Profile
	var in plain
	if err := json.Unmarshal(b, &in); err != nil {
		return err
	}
	if in.PerSecond < 1 || in.Den < 1 || in.Valid < 0 {
		return fmt.Errorf("measures of a session: expected a scale of time and of saturation, found %d and %d; restore the store from a backup", in.PerSecond, in.Den)
	}
	for i, l := range in.Levels {
		if i > 0 && l[0] <= in.Levels[i-1][0] {
			return fmt.Errorf("measures of a session: expected levels that ascend, found %d after %d; restore the store from a backup", l[0], in.Levels[i-1][0])
		}
		if l[1] < 0 || l[2] < l[1] || l[3] < l[2] || l[4] < 0 || l[5] < l[4] || l[6] < l[5] {
			return fmt.Errorf("measures of a session: expected low, value and high in order, found %v; restore the store from a backup", l)
		}
	}
	*p = Profile(in)
	return nil
}
