package criteria

import (
	"cmp"
	"math/big"

	"airwarrant/qualify/analysis"
	"airwarrant/rules"
)

// reading is what is known of one fact of the vocabulary: the set of values
// that it may have. A known fact has one, a measure with bounds a closed range,
// an absent fact all that its type allows.
type reading struct {
	def   *rules.FactDef
	known bool // something is known: a value or a range
	asked bool // somebody was asked and does not know

	// Numbers. nil is unbounded; whole numbers alone if whole.
	lo, hi *big.Rat
	whole  bool
	unit   string
	value  *big.Rat // as measured or stated; nil if it is not known
	places int      // decimals of a stated number, -1 for a computed one
	// A number that was converted, as it was stated, and its unit; "" of any other.
	stated, statedUnit string

	words []string // words and booleans: those that are possible

	// Of a measure that a signed report tells: what it says, and what the
	// recording says if there is one.
	recording *span
	report    *told
	missing   *big.Rat // unread time of the recording in s, of measures of time
}

// span is a closed range with the figure that it belongs to.
type span struct{ lo, value, hi *big.Rat }

// point reports whether only one value is possible.
func (r *reading) point() bool {
	if r.lo != nil {
		return r.hi != nil && r.lo.Cmp(r.hi) == 0
	}
	return len(r.words) == 1
}

// express converts a stated number into the unit of the leaf's first figure
// where the leaf has none in the number's own unit, so that it is rounded as
// the document's figures are: 7.4 kPa beside 55 and 56 mmHg is 55.5 mmHg,
// which reads as 56, and not a pressure between the two.
func (r *reading) express(n *rules.Node) *reading {
	if !r.known || r.def.Settles == "computed" || !r.point() || r.value == nil {
		return r
	}
	to := ""
	for _, qs := range []rules.Quantities{n.AtOrBelow, n.Below, n.AtLeast, n.MoreThan, n.EqualTo} {
		for _, q := range qs {
			if q.Unit == r.unit {
				return r
			}
			to = cmp.Or(to, q.Unit)
		}
	}
	if scales[to].base == "" || scales[to].base != scales[r.unit].base {
		return r
	}
	x, in := convert(r.value, r.unit, to), *r
	in.stated, in.statedUnit = r.value.FloatString(r.places), r.unit
	in.lo, in.value, in.hi, in.unit, in.places = x, x, x, to, -1
	return &in
}

// source reads facts for one pack.
type source struct {
	pack   *rules.Pack
	facts  Facts
	barred bool // the recording and the report of it may not be read
}

// vocabularyIndex finds a row of the vocabulary and its place in it.
var vocabularyIndex = func() map[string]int {
	m := map[string]int{}
	for i, d := range rules.Vocabulary() {
		m[d.Name] = i
	}
	return m
}()

func definition(name string) (*rules.FactDef, bool) {
	i, ok := vocabularyIndex[name]
	if !ok {
		return nil, false
	}
	return &rules.Vocabulary()[i], true
}

// stated returns a base fact if it is known.
func (s *source) stated(name string) (Fact, bool) {
	f, ok := s.facts.Known(name)
	if s.barred && (name == "reported_minutes" || name == "report") {
		return Fact{}, false
	}
	return f, ok
}

// night returns the analysis that may be read.
func (s *source) night() *analysis.Analysis {
	if s.barred {
		return nil
	}
	return s.facts.Night
}

// isKnown reports whether anything is known of the fact that a leaf names.
func (s *source) isKnown(name string) bool {
	d, ok := definition(name)
	if !ok {
		return false
	}
	if d.Settles != "computed" {
		_, known := s.stated(name)
		return known
	}
	r, _ := s.read(d, zero, false)
	return r.known
}

// read returns the possible values of a fact. param is the level or the fall
// of a measure that takes one; rounded asks for its samples read half up. It
// is false for a row that it does not know, which a test rules out.
func (s *source) read(d *rules.FactDef, param *big.Rat, rounded bool) (reading, bool) {
	r := reading{def: d, unit: d.Unit, places: -1}
	if d.Settles != "computed" {
		s.readStated(&r)
		return r, true
	}
	a := s.night()
	read := a // nil too where no reading is valid: then no time is known, not even 0
	if a != nil && a.Valid == 0 {
		read = nil
	}
	switch d.Name {
	case "recorded_time":
		if a != nil && a.Recorded != nil {
			r.exactly(a.Seconds(*a.Recorded))
		}
	case "valid_time":
		if a != nil {
			r.exactly(a.Seconds(a.Valid))
		}
	case "time_at_or_below":
		if read != nil {
			r.spans(s.seconds(a, timeAt(a, param, false, rounded)))
		}
	case "time_below":
		if read != nil {
			r.spans(s.seconds(a, timeAt(a, param, true, rounded)))
		}
	case "longest_at_or_below":
		if read != nil {
			cut, strict := levelCut(param, false, rounded)
			t := a.LongestAtOrBelow
			if strict {
				t = a.LongestBelow
			}
			r.spans(s.seconds(a, t(cut)))
		}
	case "share_at_or_below":
		s.share(&r, a, param, false, rounded)
	case "share_below":
		s.share(&r, a, param, true, rounded)
	case "nadir":
		if a != nil && a.Nadir.Value != nil {
			// Undoubted readings alone have the High of the nadir as their lowest.
			r.spans(s.pick(a.Nadir.Low, a.Nadir.Value, a.Nadir.High, a.Nadir.High))
		}
	case "mean_spo2":
		if a != nil && a.Mean.Value != nil {
			r.spans(s.mean(a))
		}
	case "largest_fall":
		if a != nil && a.Peak != nil && a.Nadir.Value != nil {
			n := s.pick(a.Nadir.Low, a.Nadir.Value, a.Nadir.High, a.Nadir.High)
			r.spans(span{minus(a.Peak, n.hi), minus(a.Peak, n.value), minus(a.Peak, n.lo)})
		}
	case "time_fall_more_than":
		s.fall(&r, a, param)
	case "days_order_to_test":
		s.days(&r, "order_date", "test_date")
	case "days_test_to_discharge":
		s.days(&r, "test_date", "discharge_date")
	case "days_test_to_start":
		s.days(&r, "test_date", "start_date")
	case "days_test_to_certificate":
		s.days(&r, "test_date", "certificate_date")
	case "days_between_gases":
		s.days(&r, "test_date", "second_test_date")
		if r.known && r.value.Sign() < 0 {
			r.exactly(new(big.Rat).Neg(r.value))
		}
	case "highest_spot_spo2":
		s.highest(&r)
	case "days_since_exacerbation":
		s.days(&r, "last_exacerbation_date", "test_date")
	case "days_since_treatment_change":
		s.days(&r, "last_treatment_change_date", "test_date")
	case "exertion_improvement":
		s.difference(&r, "exertion_spo2_oxygen", "exertion_spo2_air")
	case "exertion_fall":
		s.difference(&r, "rest_spo2", "exertion_spo2_air")
	case "dyspnea_score_gain":
		s.difference(&r, "dyspnea_score_air", "dyspnea_score_oxygen")
	case "paco2_rise":
		s.difference(&r, "oxygen_paco2", "rest_paco2")
	case "walk_distance_gain":
		s.gain(&r, "walk_distance_air", "walk_distance_oxygen")
	case "walk_time_gain":
		s.gain(&r, "walk_time_air", "walk_time_oxygen")
	case "days_start_to_test":
		s.days(&r, "start_date", "test_date")
	case "ahi_reduction":
		s.difference(&r, "ahi_initial", "ahi_titrated")
	case "average_flow":
		s.averageFlow(&r)
	case "age":
		birth, okBirth := s.stated("birth_date")
		test, okTest := s.stated("test_date")
		if okBirth && okTest && !test.Value.Date.Before(birth.Value.Date) {
			r.exactly(big.NewRat(int64(completedYears(birth.Value.Date, test.Value.Date)), 1))
		}
	default:
		return r, false
	}
	s.withReport(&r, param, rounded)
	r.asked = !r.known && s.allAsked(d)
	if d.Type == rules.TypeDuration && a != nil && a.Missing != nil {
		r.missing = a.Seconds(*a.Missing)
	}
	r.complete()
	return r, true
}

// readStated fills the reading of a fact that people state.
func (s *source) readStated(r *reading) {
	f, ok := s.stated(r.def.Name)
	r.known = ok
	r.asked = s.facts.Named[r.def.Name].State == Unknown
	switch r.def.Type {
	case rules.TypeBool, rules.TypePaper:
		r.words = []string{"false", "true"}
		if ok {
			r.words = r.words[:1]
			if f.Value.Bool {
				r.words = []string{"true"}
			}
		}
	case rules.TypeWord:
		r.words = r.def.Words
		if ok {
			r.words = []string{f.Value.Word}
		}
	case rules.TypeDate:
		if ok {
			x := dayNumber(f.Value.Date)
			r.lo, r.value, r.hi = x, x, x
		}
		r.complete()
	case rules.TypeNumber, rules.TypeOxygen:
		if ok {
			v := f.Value
			if r.def.Type == rules.TypeOxygen && v.Word == "room_air" {
				v.Num = zero
			}
			r.value, r.places = v.Num, v.Places
			r.lo, r.hi = v.Bounds()
			if f.State == Computed {
				r.places = -1
			}
			if v.Unit != "" {
				r.unit = v.Unit
			}
			if r.def.Name == "reported_minutes" {
				r.lo, r.hi = printed(v.Num, v.Places)
			}
		}
		r.complete()
	}
}

// allAsked reports whether all that is missing of what d is computed from
// was asked and is not known.
func (s *source) allAsked(d *rules.FactDef) bool {
	missing := false
	for _, name := range d.From {
		if _, ok := s.stated(name); ok {
			continue
		}
		if s.facts.Named[name].State != Unknown {
			return false
		}
		missing = true
	}
	return missing
}

// exactly sets a known figure without bounds.
func (r *reading) exactly(x *big.Rat) { r.spans(span{x, x, x}) }

func (r *reading) spans(s span) {
	r.known = true
	r.lo, r.value, r.hi = s.lo, s.value, s.hi
}

// complete gives a number the range that its unit allows where nothing
// narrower is known.
func (r *reading) complete() {
	r.whole = r.unit == "days" || r.unit == "weeks" || r.unit == "years" || r.def.Name == "session_choice" || r.def.Type == rules.TypeDate
	var lo, hi *big.Rat
	switch {
	case r.def.Name == "walk_distance_gain", r.def.Name == "walk_time_gain", r.def.Name == "dyspnea_score_gain", r.def.Name == "paco2_rise", r.def.Name == "ahi_reduction":
		// no bound is known
	case r.unit == "%":
		lo, hi = zero, hundred
	case r.unit == "" && r.def.Param != "": // a share
		lo, hi = zero, one
	case r.unit == "days", r.def.Type == rules.TypeDate:
	case r.def.Name == "exertion_improvement", r.def.Name == "exertion_fall":
		lo, hi = new(big.Rat).Neg(hundred), hundred
	default:
		lo = zero
	}
	if r.lo == nil {
		r.lo = lo
	}
	if r.hi == nil {
		r.hi = hi
	}
}

// pick reads bounds as the pack's artifact policy asks; strict is the figure
// of undoubted readings alone.
func (s *source) pick(lo, v, hi, strict *big.Rat) span {
	switch s.pack.Reading.Artifacts {
	case "strict":
		if strict != nil {
			return span{strict, strict, strict}
		}
	case "as_recorded":
		return span{v, v, v}
	}
	return span{lo, v, hi}
}

func (s *source) seconds(a *analysis.Analysis, t analysis.Triple) span {
	lo := a.Seconds(t.Low)
	return s.pick(lo, a.Seconds(t.Value), a.Seconds(t.High), lo)
}

// mean reads the mean. That of the undoubted readings alone is not kept, but
// lies between the bounds, so strict reads both of them.
func (s *source) mean(a *analysis.Analysis) span {
	return s.pick(a.Mean.Low, a.Mean.Value, a.Mean.High, nil)
}

func timeAt(a *analysis.Analysis, level *big.Rat, below, rounded bool) analysis.Triple {
	cut, strict := levelCut(level, below, rounded)
	if strict {
		return a.Below(cut)
	}
	return a.AtOrBelow(cut)
}

// share divides a time by the pack's denominator. High may hold numbers that
// count in no valid time, so it is cut at the whole.
func (s *source) share(r *reading, a *analysis.Analysis, level *big.Rat, below, rounded bool) {
	if a == nil {
		return
	}
	whole := a.Valid
	if s.pack.Reading.Denominator == "recorded" {
		if a.Recorded == nil {
			return
		}
		whole = *a.Recorded
	}
	if whole <= 0 {
		return
	}
	t := timeAt(a, level, below, rounded)
	of := func(ticks int64) *big.Rat { return big.NewRat(min(ticks, whole), whole) }
	r.spans(s.pick(of(t.Low), of(t.Value), of(t.High), of(t.Low)))
}

// fall is the time more than so many points below the baseline. A lower
// baseline leaves less time below it, so its bounds and those of the readings
// work the same way and are combined.
func (s *source) fall(r *reading, a *analysis.Analysis, points *big.Rat) {
	if a == nil || a.Mean.Value == nil || a.Peak == nil {
		return
	}
	base := s.mean(a)
	if s.pack.Reading.Baseline == "highest" {
		base = span{a.Peak, a.Peak, a.Peak}
	}
	if base.lo == nil || base.hi == nil {
		return
	}
	lo := s.seconds(a, a.Below(minus(base.lo, points)))
	v := s.seconds(a, a.Below(minus(base.value, points)))
	hi := s.seconds(a, a.Below(minus(base.hi, points)))
	r.spans(span{lo.lo, v.value, hi.hi})
}

// printed returns the bounds of a figure printed with so many decimals: half
// a unit of the last one either way, and never below zero.
func printed(x *big.Rat, places int) (lo, hi *big.Rat) {
	step := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(places)), nil)
	h := new(big.Rat).SetFrac(big.NewInt(1), step.Mul(step, big.NewInt(2)))
	return greatest(zero, minus(x, h)), new(big.Rat).Add(x, h)
}

// highest is the highest of the facts that r is computed from, known once all
// of them are.
func (s *source) highest(r *reading) {
	high := span{zero, zero, zero}
	for _, name := range r.def.From {
		f, ok := s.figure(name, r.unit)
		if !ok {
			return
		}
		high = span{greatest(high.lo, f.lo), greatest(high.value, f.value), greatest(high.hi, f.hi)}
	}
	r.spans(high)
}

// figure returns a stated number in unit, with its bounds.
func (s *source) figure(name, unit string) (span, bool) {
	f, ok := s.stated(name)
	if !ok {
		return span{}, false
	}
	d, _ := definition(name)
	from := cmp.Or(f.Value.Unit, d.Unit)
	lo, hi := f.Value.Bounds()
	return span{convert(lo, from, unit), convert(f.Value.Num, from, unit), convert(hi, from, unit)}, true
}

// difference is one stated number less another, in the unit of r.
func (s *source) difference(r *reading, from, less string) {
	a, okA := s.figure(from, r.unit)
	b, okB := s.figure(less, r.unit)
	if okA && okB {
		r.spans(span{minus(a.lo, b.hi), minus(a.value, b.value), minus(a.hi, b.lo)})
		return
	}
	if d, _ := definition(from); d.Unit != "%" {
		return
	}
	// Of two saturations, one leaves the other between 0 and 100 %, so that a
	// gain that it rules out is not asked for.
	switch {
	case okA:
		r.lo, r.hi = minus(a.lo, hundred), a.hi
	case okB:
		r.lo, r.hi = new(big.Rat).Neg(b.hi), minus(hundred, b.lo)
	}
}

// averageFlow is the mean of the flows ordered by day and at night, or the
// single flow where nothing is stated of the night.
func (s *source) averageFlow(r *reading) {
	day, ok := s.figure("prescribed_flow", r.unit)
	if !ok {
		return
	}
	night, ok := s.figure("prescribed_flow_night", r.unit)
	if !ok {
		r.spans(day)
		return
	}
	mean := func(a, b *big.Rat) *big.Rat {
		x := new(big.Rat).Add(a, b)
		return x.Mul(x, half)
	}
	r.spans(span{mean(day.lo, night.lo), mean(day.value, night.value), mean(day.hi, night.hi)})
}

// gain is by how many percent of before the number after lies above it. Of
// nothing there is no percentage.
func (s *source) gain(r *reading, before, after string) {
	d, _ := definition(before)
	a, okA := s.figure(before, d.Unit)
	b, okB := s.figure(after, d.Unit)
	if !okA || !okB || a.lo.Sign() <= 0 {
		return
	}
	percent := func(b, a *big.Rat) *big.Rat {
		x := minus(b, a)
		return x.Quo(x.Mul(x, hundred), a)
	}
	r.spans(span{percent(b.lo, a.hi), percent(b.value, a.value), percent(b.hi, a.lo)})
}

func (s *source) days(r *reading, from, to string) {
	a, okA := s.stated(from)
	b, okB := s.stated(to)
	if okA && okB {
		r.exactly(big.NewRat(int64(b.Value.Date.Days()-a.Value.Date.Days()), 1))
	}
}

// completedYears counts birthdays: somebody born on 29 February completes a
// year on 1 March where the year has no such day.
func completedYears(birth, on rules.Date) int {
	years := on.Year - birth.Year
	if on.Month < birth.Month || on.Month == birth.Month && on.Day < birth.Day {
		years--
	}
	return years
}

// minus keeps an unknown end unknown.
func minus(a, b *big.Rat) *big.Rat {
	if a == nil || b == nil {
		return nil
	}
	return new(big.Rat).Sub(a, b)
}

func least(a, b *big.Rat) *big.Rat {
	if a.Cmp(b) <= 0 {
		return a
	}
	return b
}

func greatest(a, b *big.Rat) *big.Rat {
	if a.Cmp(b) >= 0 {
		return a
	}
	return b
}
