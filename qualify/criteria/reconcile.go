package criteria

import (
	"encoding/json"
	"math/big"
	"slices"

	"airwarrant/qualify/analysis"
	"airwarrant/rules"
)

// Reconciled lays one figure of the signed report beside what the recording
// gives for it. Numbers are in Unit, the unit in which it is printed.
type Reconciled struct {
	Measure   string
	SpO2      *big.Rat // level in percent, nil of a measure without one
	Unit      string
	Printed   string // as it is printed: "7.2 min"
	Reported  *big.Rat
	Low       *big.Rat // what the recording gives, with its bounds; nil where it tells nothing
	Value     *big.Rat
	High      *big.Rat
	Explained string // rounding, artifacts, session, interval, level or denominator; "" if nothing explains it
	Note      string // one sentence
	// SameSide says whether report and recording fall on one side of each
	// limit that the criteria set for the measure; nil where there is none.
	SameSide *bool
}

// MarshalJSON writes numbers unrounded up to six decimals, and null for what
// is not known.
func (r Reconciled) MarshalJSON() ([]byte, error) {
	number := func(x *big.Rat) json.RawMessage {
		if x == nil {
			return json.RawMessage("null")
		}
		return json.RawMessage(decimal(x, 6))
	}
	var by *string
	if r.Explained != "" {
		by = &r.Explained
	}
	type bounds struct {
		Low   json.RawMessage `json:"low"`
		Value json.RawMessage `json:"value"`
		High  json.RawMessage `json:"high"`
	}
	return json.Marshal(struct {
		Measure   string          `json:"measure"`
		SpO2      json.RawMessage `json:"spo2"`
		Reported  json.RawMessage `json:"reported"`
		Printed   string          `json:"printed"`
		Unit      string          `json:"unit"`
		Recording bounds          `json:"recording"`
		Explained *string         `json:"explained_by"`
		Note      string          `json:"note"`
		SameSide  *bool           `json:"same_side"`
	}{r.Measure, number(r.SpO2), number(r.Reported), r.Printed, r.Unit, bounds{number(r.Low), number(r.Value), number(r.High)}, by, r.Note, r.SameSide})
}

// Figures are the figures of the signed report that the pack may read: those
// of the fact report and the minutes stated apart. None while custody bars
// them.
func Figures(p *rules.Pack, f Facts) []Reported {
	s := &source{pack: p, facts: f, barred: Barred(p, f)}
	return s.figures()
}

// Measured is what a recording gives for a measure of ReportMeasures at a
// level, in the unit of its vocabulary, read as the pack reads it; false if it
// tells nothing.
func Measured(p *rules.Pack, night *analysis.Analysis, measure string, level *big.Rat) (low, value, high *big.Rat, ok bool) {
	d, known := definition(measure)
	if !known || !slices.Contains(ReportMeasures, measure) || night == nil {
		return nil, nil, nil, false
	}
	if level == nil {
		level = zero
	}
	s := &source{pack: p, facts: Facts{Night: night}}
	r, _ := s.read(d, level, perSample(d) && p.Reading.Level == readHalfUp)
	if !r.known || r.value == nil {
		return nil, nil, nil, false
	}
	return r.lo, r.value, r.hi, true
}

// SameSide reports whether all values, in the unit of the vocabulary, fall on
// one side of each limit that the pack sets for a measure at a level; nil if
// it sets none.
func SameSide(p *rules.Pack, measure string, level *big.Rat, values ...*big.Rat) *bool {
	if p.Criteria == nil {
		return nil
	}
	// The measure is made known, so that no leaf drops out for want of it.
	e := newEvaluation(p, p.Criteria, Facts{}, false, nil)
	var out *bool
	for _, l := range e.leaves {
		if l.def == nil || l.def.Name != measure || len(l.readings) == 0 || l.readings[0].limits == nil {
			continue
		}
		if at := param(l.node, l.def); level != nil && (at == nil || at.Cmp(level) != 0) {
			continue
		}
		same := true
		for _, x := range values {
			same = same && l.readings[0].at(l.node, cell{num: x}) == l.readings[0].at(l.node, cell{num: values[0]})
		}
		if out != nil {
			same = same && *out
		}
		out = &same
	}
	return out
}
