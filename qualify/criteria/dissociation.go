package criteria

import (
	"fmt"
	"math/big"

	"airwarrant/rules"
)

// storyPoints is how far a saturation may lie from the one that goes with a
// pressure at standard conditions before the pair is told as odd. Our choice:
// it is the accuracy that oximeters are commonly held to over 70 to 100 %
// (ISO 80601-2-61 from memory: root mean square of at most 4 points).
const storyPoints = 4

// SaturationAt returns the saturation in percent that goes with an oxygen
// pressure in mmHg at 37 °C and pH 7.40, by equation 1 of Severinghaus JW,
// J Appl Physiol 1979;46:599-602 (doi 10.1152/jappl.1979.46.3.599), which the
// paper fits to its table within 0.55 points. It is a caution's yardstick and
// never turns one measurement into the other for a verdict: shifts of the
// curve and the oximeter's error are larger than 55 is from 59 mmHg.
func SaturationAt(mmHg float64) float64 {
	if mmHg <= 0 {
		return 0
	}
	return 100 / (23400/(mmHg*mmHg*mmHg+150*mmHg) + 1)
}

// GasNotes tells which stated blood gas and saturation of one state do not
// tell one story. The sentences are cautions; no verdict depends on them.
func GasNotes(f Facts) []string {
	var out []string
	for _, pair := range [][2]string{{"rest_pao2", "rest_spo2"}, {"awake_pao2", "awake_spo2"}} {
		gas, ok1 := f.Known(pair[0])
		sat, ok2 := f.Known(pair[1])
		if !ok1 || !ok2 {
			continue
		}
		p := new(big.Rat).Set(gas.Value.Num)
		if gas.Value.Unit == "kPa" {
			p.Mul(p, mmHgPerKPa)
		}
		mmHg, _ := p.Float64()
		s, _ := sat.Value.Num.Float64()
		want := SaturationAt(mmHg)
		if d := s - want; d > storyPoints || d < -storyPoints {
			gd, _ := rules.Lookup(pair[0])
			out = append(out, fmt.Sprintf("The %s of %s goes with a saturation of about %.0f %% at standard conditions, and %s %% was stated: check both figures, and what shifts the curve (pH, temperature, carbon monoxide).",
				gd.Meaning, gas.Value.Num.FloatString(gas.Value.Places)+" "+unitOf(gas, gd), want, sat.Value.Num.FloatString(sat.Value.Places)))
		}
	}
	return out
}

func unitOf(f Fact, d rules.FactDef) string {
	if f.Value.Unit != "" {
		return f.Value.Unit
	}
	return d.Unit
}
