package rules

import "math/big"

// LegLevel is the level in percent that the criteria ask of a leg of exertion
// on room air, the first one in their order; nil if they ask none.
func (p *Pack) LegLevel() *big.Rat {
	if p == nil {
		return nil
	}
	var find func(n *Node) *big.Rat
	find = func(n *Node) *big.Rat {
		if n == nil {
			return nil
		}
		for _, qs := range []Quantities{n.AtOrBelow, n.Below} {
			if n.Fact == "exertion_spo2_air" && len(qs) > 0 && qs[0].Unit == "%" {
				return qs[0].Rat
			}
		}
		for _, c := range n.Children() {
			if r := find(c); r != nil {
				return r
			}
		}
		return nil
	}
	return find(p.Criteria)
}

// LegHoldSeconds is how long a value has to hold in a leg on exertion, in
// seconds; nil if any reading is one.
func (p *Pack) LegHoldSeconds() *big.Rat {
	if p == nil || p.Reading.LegHold == nil {
		return nil
	}
	return new(big.Rat).Mul(p.Reading.LegHold.Rat, units[p.Reading.LegHold.Unit].factor)
}
