package qualify

import (
	"bytes"
	"encoding/json"
	"math/big"
	"slices"
	"strconv"

	"airwarrant/qualify/criteria"
)

// jsonLeg is one marked stretch of an exertional test. Behind its fixed keys
// stands at_or_below_N_s for each level N that the criteria ask of a leg, and
// at_or_below with every whole percent as the analysis of a night has it.
type jsonLeg struct {
	Role      string     `json:"role"`
	Recording int        `json:"recording"`
	Session   int        `json:"session"`
	From      string     `json:"from"`  // of the first sample
	Until     string     `json:"until"` // the instant after the last sample
	FlowLMin  number     `json:"flow_l_min"`
	Device    *string    `json:"device"`
	RecordedS number     `json:"recorded_s"`
	ValidS    number     `json:"valid_s"`
	SuspectS  number     `json:"suspect_s"`
	First     number     `json:"first"`
	Lowest    jsonBounds `json:"lowest"`
	Held      jsonHeld   `json:"held"`
	Last      number     `json:"last"`
	Mean      jsonBounds `json:"mean"`
	Fact      *string    `json:"fact"` // that the leg tells, null for recovery
	// more are the keys behind.
	more levels
}

// jsonHeld is the lowest level held for hold_s, which is null where the
// criteria take any reading.
type jsonHeld struct {
	jsonBounds
	HoldS number `json:"hold_s"`
}

// MarshalJSON writes the fixed keys and then more.
func (l jsonLeg) MarshalJSON() ([]byte, error) {
	type fixed jsonLeg // without this method
	head, err := json.Marshal(fixed(l))
	if err != nil {
		return nil, err
	}
	tail, err := json.Marshal(l.more)
	if err != nil {
		return nil, err
	}
	return slices.Concat(bytes.TrimSuffix(head, []byte("}")), []byte(","), tail[1:]), nil
}

func (res *Result) legsJSON() []jsonLeg {
	var hold *big.Rat
	var asked []*big.Rat
	for _, p := range res.Packs {
		if hold == nil {
			hold = p.LegHoldSeconds()
		}
		if q := p.LegLevel(); q != nil && !slices.ContainsFunc(asked, func(r *big.Rat) bool { return r.Cmp(q) == 0 }) {
			asked = append(asked, q)
		}
	}
	text := func(s string) *string {
		if s == "" {
			return nil
		}
		return &s
	}
	var out []jsonLeg
	for _, l := range res.Legs {
		rec := res.Readings[l.Recording-1].Recording
		flow, _ := new(big.Rat).SetString(l.Flow) // nil if none is stated
		from, until := l.Ends(rec)
		j := jsonLeg{Role: l.Role, Recording: l.Recording, Session: l.Session, From: from, Until: until,
			FlowLMin: number{flow}, Device: text(l.Device), Fact: text(criteria.LegFact(l.Role)),
			RecordedS: seconds(l.Analysis, l.Recorded), ValidS: seconds(l.Analysis, &l.Valid), SuspectS: seconds(l.Analysis, &l.Suspect),
			First: number{l.Initial}, Lowest: boundsJSON(l.Nadir), Held: jsonHeld{boundsJSON(l.Analysis.Held(hold)), number{hold}},
			Last: number{l.Final}, Mean: boundsJSON(l.Mean)}
		for _, q := range asked {
			j.more.add("at_or_below_"+Decimal(q)+"_s", number{l.Seconds(l.AtOrBelow(q).Value)})
		}
		var every levels
		for pct := int64(70); pct <= 100; pct++ {
			p := big.NewRat(pct, 1)
			every.add(strconv.FormatInt(pct, 10), levelJSON(l.Analysis, l.AtOrBelow(p), l.LongestAtOrBelow(p)))
		}
		j.more.add("at_or_below", every)
		out = append(out, j)
	}
	return out
}
