package criteria

import (
	"encoding/json"
	"math/big"

	"airwarrant/rules"
)

// SixMinuteWalk is what is stated of a six-minute walk, with the distance that
// a reference equation predicts. It is information: no criterion for oxygen is
// known to rest on it, and it moves no threshold.
type SixMinuteWalk struct {
	Distance  *big.Rat // m
	FromLaps  bool     // laps times their length
	Laps      *big.Rat // nil: not stated
	Stops     *big.Rat
	Dyspnea   *big.Rat // on the 0 to 10 scale, at the end
	Predicted *big.Rat // m; nil where sex, height, weight or age is not known
	Lower     *big.Rat // lower limit of the predicted distance, m
	Percent   *big.Rat // distance in percent of the predicted one
	Notes     []string
}

// WalkSource names the equation that PredictedWalk applies.
const WalkSource = "Enright PL, Sherrill DL, Am J Respir Crit Care Med 1998;158:1384-1387, as reprinted in a review; the lower limits are from memory"

// PredictedWalk returns the predicted distance of a six-minute walk in m and
// its lower limit, by WalkSource: men 7.57 height - 5.02 age - 1.76 weight -
// 309, limit 153 m below; women 2.11 height - 2.29 weight - 5.78 age + 667,
// limit 139 m below. Height in cm, age in completed years, weight in kg.
func PredictedWalk(male bool, height, age, weight *big.Rat) (predicted, lower *big.Rat) {
	of := func(h, a, w, c, below int64) (*big.Rat, *big.Rat) {
		sum := big.NewRat(c, 1)
		for _, t := range []struct {
			hundredths int64
			x          *big.Rat
		}{{h, height}, {a, age}, {w, weight}} {
			sum.Add(sum, new(big.Rat).Mul(big.NewRat(t.hundredths, 100), t.x))
		}
		return sum, new(big.Rat).Sub(sum, big.NewRat(below, 1))
	}
	if male {
		return of(757, -502, -176, -309, 153)
	}
	return of(211, -578, -229, 667, 139)
}

// Walked returns the six-minute walk that facts state, nil if they state no
// distance.
func Walked(f Facts) *SixMinuteWalk {
	s := &source{pack: &rules.Pack{}, facts: f}
	num := func(name string) *big.Rat {
		d, _ := definition(name)
		x, ok := s.figure(name, d.Unit)
		if !ok {
			return nil
		}
		return x.value
	}
	w := &SixMinuteWalk{Distance: num("walk_distance_air"), Laps: num("walk_laps"), Stops: num("walk_stops"), Dyspnea: num("dyspnea_score_air")}
	if lap := num("walk_lap_length"); w.Laps != nil && lap != nil {
		laps := new(big.Rat).Mul(w.Laps, lap)
		switch {
		case w.Distance == nil:
			w.Distance, w.FromLaps = laps, true
		case new(big.Rat).Abs(minus(w.Distance, laps)).Cmp(lap) > 0:
			w.Notes = append(w.Notes, f.Language.Say("The distance differs from laps times their length (%s m) by more than one lap: check both.", f.Language.Number(decimal(laps, 1))))
		}
	}
	if w.Distance == nil {
		return nil
	}
	if stops := w.Stops; stops != nil && stops.Sign() > 0 {
		w.Notes = append(w.Notes, f.Language.Say("The patient stopped; the clock runs on while a patient rests."))
	}
	sex, okSex := f.Known("sex")
	age, _ := definition("age")
	years, _ := s.read(age, zero, false)
	height, weight := num("height"), num("weight")
	if !okSex || height == nil || weight == nil || !years.known || years.value == nil {
		w.Notes = append(w.Notes, f.Language.Say("No predicted distance: it needs sex, height, weight, birth date and the date of the test."))
		return w
	}
	if years.value.Cmp(big.NewRat(40, 1)) < 0 || years.value.Cmp(big.NewRat(80, 1)) > 0 {
		w.Notes = append(w.Notes, f.Language.Say("No predicted distance: the equation was made from healthy adults of 40 to 80 years."))
		return w
	}
	w.Predicted, w.Lower = PredictedWalk(sex.Value.Word == "male", height, years.value, weight)
	if w.Predicted.Sign() <= 0 {
		w.Predicted, w.Lower = nil, nil
		w.Notes = append(w.Notes, f.Language.Say("No predicted distance: height or weight lies far outside those the equation was made from."))
		return w
	}
	x := new(big.Rat).Mul(w.Distance, hundred)
	w.Percent = x.Quo(x, w.Predicted)
	return w
}

// MarshalJSON writes numbers unrounded up to six decimals, null for what is
// not known.
func (w *SixMinuteWalk) MarshalJSON() ([]byte, error) {
	n := func(x *big.Rat) json.RawMessage {
		if x == nil {
			return json.RawMessage("null")
		}
		return json.RawMessage(decimal(x, 6))
	}
	notes := w.Notes
	if notes == nil {
		notes = []string{}
	}
	return json.Marshal(struct {
		Distance  json.RawMessage `json:"distance_m"`
		From      string          `json:"from"`
		Laps      json.RawMessage `json:"laps"`
		Stops     json.RawMessage `json:"stops"`
		Dyspnea   json.RawMessage `json:"dyspnea_score"`
		Predicted json.RawMessage `json:"predicted_m"`
		Lower     json.RawMessage `json:"lower_limit_m"`
		Percent   json.RawMessage `json:"percent_of_predicted"`
		Equation  string          `json:"equation"`
		Notes     []string        `json:"notes"`
	}{n(w.Distance), map[bool]string{false: "stated", true: "laps"}[w.FromLaps], n(w.Laps), n(w.Stops), n(w.Dyspnea), n(w.Predicted), n(w.Lower), n(w.Percent),
		WalkSource, notes})
}
