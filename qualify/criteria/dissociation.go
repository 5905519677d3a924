package criteria

import (
	"math"
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

// ShiftedPressure is the pressure at 37 °C, pH 7.40 and a carbon dioxide
// pressure of 40 mmHg that goes with the same saturation as a pressure in mmHg
// measured under other conditions, by the correction that Kelman gives (J Appl
// Physiol 1966;21:1375-1376, from memory): times ten to the power of 0.024 (37
// - temperature) + 0.40 (pH - 7.40) + 0.06 (log 40 - log PaCO2). A condition
// that is not known is 0 and leaves its term out.
func ShiftedPressure(mmHg, ph, celsius, paco2 float64) float64 {
	shift := 0.0
	if celsius > 0 {
		shift += 0.024 * (37 - celsius)
	}
	if ph > 0 {
		shift += 0.40 * (ph - 7.40)
	}
	if paco2 > 0 {
		shift += 0.06 * (math.Log10(40) - math.Log10(paco2))
	}
	return mmHg * math.Pow(10, shift)
}

// GasNotes tells which stated blood gas and saturation of one state do not
// tell one story, by the dissociation curve with what is stated of pH,
// temperature and carbon dioxide. The sentences are cautions; no verdict
// depends on them.
func GasNotes(f Facts) []string {
	var out []string
	for _, pair := range [][2]string{{"rest_pao2", "rest_spo2"}, {"rest_pao2", "rest_sao2"}, {"awake_pao2", "awake_spo2"}} {
		gas, ok1 := f.Known(pair[0])
		sat, ok2 := f.Known(pair[1])
		if !ok1 || !ok2 {
			continue
		}
		mmHg := pressure(gas)
		at := f.Language.Say("standard conditions")
		if pair[0] == "rest_pao2" { // the other values of the sample are of that one
			ph, t, co2 := plainNumber(f, "gas_ph"), plainNumber(f, "gas_temperature"), 0.0
			if c, ok := f.Known("rest_paco2"); ok {
				co2 = pressure(c)
			}
			if ph > 0 || t > 0 || co2 > 0 {
				mmHg, at = ShiftedPressure(mmHg, ph, t, co2), f.Language.Say("the pH, temperature and carbon dioxide that are stated")
			}
		}
		s, _ := sat.Value.Num.Float64()
		want := SaturationAt(mmHg)
		if d := s - want; d > storyPoints || d < -storyPoints {
			gd, _ := rules.Lookup(pair[0])
			sd, _ := rules.Lookup(pair[1])
			out = append(out, f.Language.Say("The %s of %s goes with a saturation of about %.0f %% at %s, and the %s is stated as %s %%: check both figures, and what shifts the curve or misleads an oximeter (pH, temperature, carbon monoxide).",
				f.Language.Say(gd.Meaning), f.Language.Measure(gas.Value.Num.FloatString(gas.Value.Places), unitOf(gas, gd)), want, at, f.Language.Say(sd.Meaning), f.Language.Number(sat.Value.Num.FloatString(sat.Value.Places))))
		}
	}
	if kind, ok := f.Known("gas_kind"); ok && kind.Value.Word == "capillary" && len(out) > 0 {
		out = append(out, f.Language.Say("The blood gas is of a capillary sample, whose oxygen pressure may lie below the arterial one."))
	}
	return out
}

// pressure is a stated pressure in mmHg.
func pressure(f Fact) float64 {
	p := new(big.Rat).Set(f.Value.Num)
	if f.Value.Unit == "kPa" {
		p.Mul(p, mmHgPerKPa)
	}
	x, _ := p.Float64()
	return x
}

// plainNumber is a stated number, 0 if it is not known.
func plainNumber(f Facts, name string) float64 {
	v, ok := f.Known(name)
	if !ok {
		return 0
	}
	x, _ := v.Value.Num.Float64()
	return x
}

func unitOf(f Fact, d rules.FactDef) string {
	if f.Value.Unit != "" {
		return f.Value.Unit
	}
	return d.Unit
}
