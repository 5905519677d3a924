package recording_test

import (
	"encoding/json"
	"fmt"
	"math/big"
	"strings"
	"testing"

	"airwarrant/qualify/analysis"
	"airwarrant/qualify/recording"
)

// sampledData is SampledData of saturations; more overrides its members, nil
// removes one.
func sampledData(data string, more object) object {
	o := object{"origin": quantity(0, "%", "%"), "period": 4000, "dimensions": 1, "data": data}
	for k, v := range more {
		if o[k] = v; v == nil {
			delete(o, k)
		}
	}
	return o
}

const start = "2026-03-01T22:14:00-05:00"

// sampledObservation is an Observation of such a series; more overrides.
func sampledObservation(data string, sampled, more object) object {
	o := observation(coding("59408-5", "2708-6"), object{"effectiveDateTime": start, "valueSampledData": sampledData(data, sampled)})
	for k, v := range more {
		if o[k] = v; v == nil {
			delete(o, k)
		}
	}
	return o
}

// single is one reading at second s after the start.
func single(s int, value any, more object) object {
	o := observation(coding("59408-5"), object{"effectiveInstant": fmt.Sprintf("2026-03-01T22:14:%02d-05:00", s), "valueQuantity": quantity(value, "%", "%")})
	for k, v := range more {
		if o[k] = v; v == nil {
			delete(o, k)
		}
	}
	return o
}

// C44 of the measurement reference.
func TestFHIRCase44(t *testing.T) {
	r, err := recording.ReadBytes(marshal(t, sampledObservation("95 88 E 87 90", nil, nil)), recording.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if got, want := timeline(r), "0=95 4=88 8=NA 12=87 16=90"; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
	if got := r.Stamp(r.Time[0], 0); got != start {
		t.Errorf("starts at %s", got)
	}
	a := analysis.Analyze(r, recording.Session{To: len(r.Time)}, analysis.Options{})
	if got := fourDecimals(a.Seconds(a.AtOrBelow(big.NewRat(88, 1)).Value)); got != "8" {
		t.Errorf("%s s at or below 88, want 8", got)
	}
	if fmt.Sprint(r.Codes) != "[{saturation E 1}]" || fmt.Sprint(r.Declared) != "[{identifier Patient/7 Observation.subject.reference}]" {
		t.Errorf("codes %v, declared %v", r.Codes, r.Declared)
	}
}

func TestFHIR(t *testing.T) {
	pulse := func(code string, s object) object {
		return observation(coding(code), object{"effectiveDateTime": start, "valueSampledData": s})
	}
	beats := object{"origin": quantity(0, "/min", "/min")}
	for _, c := range []struct {
		name     string
		resource any
		columns  string
		want     string
		pulse    string
		warns    string
	}{
		{"59417-6 alone", sampledObservation("95 88", nil, object{"code": coding("59417-6")}), "", "0=95 4=88", "", ""},
		{"origin and factor", sampledObservation("300 -50", object{"origin": quantity(80, "%", "%"), "factor": json.Number("0.05")}, nil), "", "0=95 4=77.5", "", ""},
		{"tenths", sampledObservation("88.4 88.0 87.95", nil, nil), "", "0=88.4 4=88 8=87.95", "", ""},
		{"several blanks and lines", sampledObservation("  95\n 88\t87 ", nil, nil), "", "0=95 4=88 8=87", "", ""},
		{"a period of decimals", sampledObservation("95 88", object{"period": json.Number("333.333333")}, nil), "", "0=95 0.3333=88", "", ""},
		{"no-reading codes", sampledObservation("95 0 127 255 -1 101 88", nil, nil), "", "0=95 4=NA 8=NA 12=NA 16=NA 20=NA 24=88", "", "not_a_saturation"},
		{"below and above the limits", sampledObservation("95 L L U 88", object{"lowerLimit": 70, "upperLimit": 100}, nil), "", "0=95 4=NA 8=NA 12=NA 16=88", "", "beyond_limits beyond_limits"},
		{"a period of time that fits", sampledObservation("95 88 87", nil, object{"effectiveDateTime": nil, "effectivePeriod": object{"start": start, "end": "2026-03-01T22:14:08-05:00"}}), "", "0=95 4=88 8=87", "", ""},
		{"one that does not", sampledObservation("95 88 87", nil, object{"effectiveDateTime": nil, "effectivePeriod": object{"start": start, "end": "2026-03-01T23:14:08-05:00"}}), "", "0=95 4=88 8=87", "", "sample_count"},
		{"a date alone", sampledObservation("95 88", nil, object{"effectiveDateTime": "2026-03-01"}), "", "0=95 4=88", "", "no_start"},
		{"no time at all", sampledObservation("95 88", nil, object{"effectiveDateTime": nil}), "", "0=95 4=88", "", "no_start"},
		{"unit without code", sampledObservation("95 88", object{"origin": object{"value": 0, "unit": "percent"}}, nil), "", "0=95 4=88", "", ""},
		{"a fraction, said so", sampledObservation("0.95 0.88", object{"origin": quantity(0, "1", "1")}, nil), "unit=fraction", "0=95 4=88", "", ""},
		{"the pulse in a component", sampledObservation("95 88", nil, object{"component": []object{{"code": coding("8889-8"), "valueSampledData": sampledData("61 E", beats)}}}), "", "0=95 4=88", "61 NA", ""},
		{"saturation and pulse in components of a panel", observation(coding("85353-1"), object{"effectiveDateTime": start, "component": []object{
			{"code": coding("2708-6"), "valueSampledData": sampledData("95 88", nil)}, {"code": coding("8867-4"), "valueSampledData": sampledData("61 62", beats)}}}), "", "0=95 4=88", "61 62", ""},
		{"a pulse at half the rate in an Observation of its own", bundle(sampledObservation("95 88 87", nil, nil), pulse("8867-4", sampledData("61 62", object{"origin": quantity(0, "/min", "/min"), "period": 8000}))), "", "0=95 4=88 8=87", "61 61 62", ""},
		{"a pulse of another night", bundle(sampledObservation("95 88", nil, nil), observation(coding("8867-4"), object{"effectiveDateTime": "2026-02-01T22:14:00-05:00", "valueSampledData": sampledData("61 62", beats)})), "", "0=95 4=88", "NA NA", "pulse_not_at_instants"},
		{"a pulse left out", sampledObservation("95 88", nil, object{"component": []object{{"code": coding("8889-8"), "valueSampledData": sampledData("61 E", beats)}}}), "pulse=none", "0=95 4=88", "", ""},
		{"interlaced values", sampledObservation("95 61 7 88 62 7", object{"dimensions": 3}, nil), "spo2=1,pulse=2", "0=95 4=88", "61 62", ""},
		{"single readings out of order", bundle(single(8, 87, nil), single(0, 95, nil), single(4, json.Number("88.0"), nil)), "", "0=95 4=88 8=87", "", ""},
		{"one reading", single(0, 85, nil), "", "0=85", "", ""},
		{"a reading that is absent", bundle(single(0, 95, nil), single(4, 0, object{"valueQuantity": nil, "dataAbsentReason": object{"text": "off"}})), "", "0=95 4=NA", "", ""},
		{"a comparator", bundle(single(0, 95, nil), single(4, 70, object{"valueQuantity": object{"value": 70, "comparator": "<", "unit": "%"}})), "", "0=95 4=NA", "", "beyond_limits"},
		{"a copy", bundle(single(0, 95, nil), single(0, 95, nil), single(4, 88, nil)), "", "0=95 4=88", "", "copies_dropped"},
		{"two values at one instant", bundle(single(0, 95, nil), single(0, 93, nil), single(4, 88, nil)), "", "0=95 0=93 4=88", "", "conflicting_rows"},
		{"other resources", object{"resourceType": "Bundle", "type": "searchset", "link": []object{{"relation": "next", "url": "x"}}, "entry": []object{
			{"resource": object{"resourceType": "Patient", "name": []object{{"given": []string{"Ann"}, "family": "Example"}}, "birthDate": "1950-02-03", "gender": "female", "identifier": []object{{"value": "A1"}}}},
			{"resource": observation(coding("51733-4"), object{"valueQuantity": quantity(70, "%", "%")})},
			{"resource": single(0, 95, nil)}}}, "", "0=95", "", "bundle_has_more_pages resources_not_read"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r, err := recording.ReadBytes(marshal(t, c.resource), recording.Options{Columns: c.columns})
			if err != nil {
				t.Fatal(err)
			}
			inRange(t, r)
			if got := timeline(r); got != c.want {
				t.Errorf("got %s, want %s", got, c.want)
			}
			if got := pulses(r); got != c.pulse {
				t.Errorf("pulses %s, want %s", got, c.pulse)
			}
			if got := warned(r); got != c.warns {
				t.Errorf("warnings %q, want %q", got, c.warns)
			}
			if c.name == "other resources" {
				if got := fmt.Sprint(r.Declared); !strings.Contains(got, "{name Ann Example ") || !strings.Contains(got, "{birth_date 1950-02-03 ") || !strings.Contains(got, "{sex female ") || !strings.Contains(got, "{identifier A1 ") {
					t.Errorf("declared %s", got)
				}
			}
			if c.name == "two values at one instant" && (r.Flag(0) != recording.FlagConflict || r.Flag(1) != recording.FlagConflict || r.Flag(2) != 0) {
				t.Errorf("flags %v", r.Flags)
			}
		})
	}
}

// TestFHIROffsets keeps the offset of each reading, over a change of it.
func TestFHIROffsets(t *testing.T) {
	at := func(s string, v int) object { return single(0, v, object{"effectiveInstant": s}) }
	r, err := recording.ReadBytes(marshal(t, bundle(at("2026-11-01T01:59:56-04:00", 90), at("2026-11-01T01:00:00-05:00", 88), at("2026-11-01T06:00:04Z", 88))), recording.Options{Zone: "Europe/Berlin"})
	if err != nil {
		t.Fatal(err)
	}
	if got, want := timeline(r), "0=90 4=88 8=88"; got != want {
		t.Errorf("got %s, want %s (case C10 of the measurement reference)", got, want)
	}
	var stamps []string
	for i, at := range r.Time {
		stamps = append(stamps, r.Stamp(at, i))
	}
	if got, want := strings.Join(stamps, " "), "2026-11-01T01:59:56-04:00 2026-11-01T01:00:00-05:00 2026-11-01T06:00:04Z"; got != want {
		t.Errorf("stamps %s, want %s", got, want)
	}
	if warned(r) != "zone_not_used" {
		t.Errorf("warnings %q", warned(r))
	}
}

func TestFHIRRefusals(t *testing.T) {
	ok := func(more object) object { return sampledObservation("95 88", nil, more) }
	sampled := func(more object) object { return sampledObservation("95 88", more, nil) }
	for _, c := range []struct {
		name     string
		resource any
		class    error
		says     string
	}{
		{"entered in error", ok(object{"status": "entered-in-error"}), recording.ErrFormat, "Observation.status"},
		{"cancelled", ok(object{"status": "cancelled"}), recording.ErrFormat, `"cancelled"`},
		{"preliminary", ok(object{"status": "preliminary"}), recording.ErrFormat, `"preliminary"`},
		{"no status", ok(object{"status": nil}), recording.ErrFormat, "final, amended or corrected"},
		{"a modifier", ok(object{"modifierExtension": []object{{"url": "x"}}}), recording.ErrFormat, "Observation.modifierExtension"},
		{"a modifier of an entry", object{"resourceType": "Bundle", "entry": []object{{"modifierExtension": []object{{"url": "x"}}, "resource": ok(nil)}}}, recording.ErrFormat, "Bundle.entry[0].modifierExtension"},
		{"implicit rules", ok(object{"implicitRules": "x"}), recording.ErrFormat, "implicitRules"},
		{"calculated from a partial pressure", ok(object{"code": coding("51733-4")}), recording.ErrNoSpO2, "calculated"},
		{"codes that contradict", ok(object{"code": coding("51733-4", "59408-5")}), recording.ErrFormat, "contradict"},
		{"a code of no system", ok(object{"code": object{"coding": []object{{"code": "59408-5"}}}}), recording.ErrNoSpO2, "59408-5"},
		{"pulse alone", ok(object{"code": coding("8867-4"), "valueSampledData": sampledData("61", object{"origin": quantity(0, "/min", "/min")})}), recording.ErrNoSpO2, "LOINC"},
		{"a time without a zone", ok(object{"effectiveDateTime": "2026-03-01T22:14:00"}), recording.ErrFormat, "a time without one"},
		{"a time without seconds", ok(object{"effectiveDateTime": "2026-03-01T22:14-05:00"}), recording.ErrFormat, "effectiveDateTime"},
		{"a day that is none", ok(object{"effectiveDateTime": "2026-02-30T22:14:00Z"}), recording.ErrFormat, "effectiveDateTime"},
		{"two times", ok(object{"effectiveInstant": start}), recording.ErrFormat, "several"},
		{"a Timing", ok(object{"effectiveDateTime": nil, "effectiveTiming": object{}}), recording.ErrFormat, "effectiveTiming"},
		{"two values", ok(object{"valueQuantity": quantity(95, "%", "%")}), recording.ErrFormat, "several"},
		{"a value and its absence", ok(object{"dataAbsentReason": object{"text": "off"}}), recording.ErrFormat, "both"},
		{"no value", ok(object{"valueSampledData": nil}), recording.ErrFormat, "found none"},
		{"a string", ok(object{"valueSampledData": nil, "valueString": "88"}), recording.ErrFormat, "valueString"},
		{"R5", sampled(object{"period": nil, "interval": 4000, "intervalUnit": "ms"}), recording.ErrFormat, "R5"},
		{"no period", sampled(object{"period": nil}), recording.ErrFormat, "milliseconds"},
		{"period 0", sampled(object{"period": 0}), recording.ErrFormat, "milliseconds"},
		{"a string for a number", sampled(object{"period": "4000"}), recording.ErrFormat, "valueSampledData.period"},
		{"factor 0", sampled(object{"factor": 0}), recording.ErrFormat, "factor"},
		{"no dimensions", sampled(object{"dimensions": nil}), recording.ErrFormat, "dimensions"},
		{"two dimensions", sampled(object{"dimensions": 2}), recording.ErrAmbiguous, "spo2=NUMBER"},
		{"no origin", sampled(object{"origin": nil}), recording.ErrFormat, "origin"},
		{"another unit", sampled(object{"origin": quantity(0, "kPa", "kPa")}), recording.ErrAmbiguous, "kPa"},
		{"the unit 1", sampled(object{"origin": quantity(0, "1", "1")}), recording.ErrAmbiguous, "unit=fraction"},
		{"a code of no unit system", sampled(object{"origin": object{"value": 0, "code": "%"}}), recording.ErrFormat, "unitsofmeasure"},
		{"no data", sampled(object{"data": " "}), recording.ErrFormat, "samples"},
		{"a word among the data", sampledObservation("95 88 x 87", nil, nil), recording.ErrFormat, "data, sample 3"},
		{"an exponent among the data", sampledObservation("95 8.8e1", nil, nil), recording.ErrFormat, "data, sample 2"},
		{"a decimal comma", sampledObservation("95 88,4", nil, nil), recording.ErrFormat, "data, sample 2"},
		{"seven decimals", sampledObservation("95 88.1234567", nil, nil), recording.ErrFormat, "data, sample 2"},
		{"an age between samples", sampledObservation("95 88 88", object{"period": json.Number("400000000000")}, nil), recording.ErrFormat, "500000000 s"},
		{"a single reading on a date", single(0, 95, object{"effectiveInstant": nil, "effectiveDateTime": "2026-03-01"}), recording.ErrFormat, "an instant"},
		{"a comparator that is none", single(0, 95, object{"valueQuantity": object{"value": 70, "comparator": "~", "unit": "%"}}), recording.ErrFormat, "comparator"},
		{"a pulse in another unit", bundle(single(0, 95, object{"component": []object{{"code": coding("8867-4"), "valueQuantity": quantity(1, "Hz", "Hz")}}})), recording.ErrFormat, "pulse=none"},
		{"a series beside single readings", bundle(ok(nil), single(0, 95, nil)), recording.ErrAmbiguous, "both"},
		{"two persons", bundle(single(0, 95, nil), single(4, 88, object{"subject": object{"reference": "Patient/8"}})), recording.ErrAmbiguous, "another person"},
		{"series of two factors", bundle(ok(nil), sampledObservation("95", object{"factor": 2}, object{"effectiveDateTime": "2026-03-02T22:14:00Z"})), recording.ErrFormat, "factor and unit of the readings before"},
		{"two series of no known start", bundle(ok(object{"effectiveDateTime": nil}), ok(nil)), recording.ErrFormat, "a time in every Observation"},
		{"another resource", object{"resourceType": "Patient"}, recording.ErrFormat, `"Patient"`},
		{"no resource", object{}, recording.ErrFormat, "Observation or Bundle"},
		{"an empty Bundle", object{"resourceType": "Bundle"}, recording.ErrFormat, "Bundle.entry"},
		{"a key twice", json.RawMessage(`{"resourceType": "Observation", "status": "final", "status": "final"}`), recording.ErrFormat, "each key once"},
		{"a cut", json.RawMessage(`{"resourceType": "Observation", "status": `), recording.ErrFormat, "byte 42"},
		{"more after it", json.RawMessage(`{"resourceType": "Observation"} {}`), recording.ErrFormat, "nothing after it"},
		{"a number of two points", json.RawMessage(`{"resourceType": "Observation", "x": 1.2.3}`), recording.ErrFormat, "JSON"},
		{"deep nests", json.RawMessage(`{"x": ` + strings.Repeat("[", 5000) + strings.Repeat("]", 5000) + "}"), recording.ErrFormat, "64 levels"},
		{"deep nests in an entry", json.RawMessage(`{"entry": [` + strings.Repeat("[", 5000) + strings.Repeat("]", 5000) + "]}"), recording.ErrFormat, "64 levels"},
		{"bytes that are not UTF-8", json.RawMessage("{\"resourceType\": \"\xff\"}"), recording.ErrFormat, "UTF-8"},
	} {
		t.Run(c.name, func(t *testing.T) {
			data, raw := c.resource.(json.RawMessage)
			if !raw {
				data = marshal(t, c.resource)
			}
			r, err := recording.ReadBytes(data, recording.Options{})
			isRefused(t, r, err, c.class, c.says)
		})
	}
}

// TestFHIRManyFaults lists twenty and counts the rest.
func TestFHIRManyFaults(t *testing.T) {
	var all []object
	for range 25 {
		all = append(all, single(0, 95, object{"status": "preliminary"}))
	}
	_, err := recording.ReadBytes(marshal(t, bundle(all...)), recording.Options{})
	if err == nil || strings.Count(err.Error(), "preliminary") != 20 || !strings.HasSuffix(err.Error(), "and 5 more") {
		t.Errorf("got %v", err)
	}
}
