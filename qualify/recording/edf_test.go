package recording_test

import (
	"errors"
	"fmt"
	"math/big"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"runtime"
	"strings"
	"testing"
	"time"

	"airwarrant/qualify/analysis"
	"airwarrant/qualify/recording"
	"airwarrant/rules/wording"
)

// read reads f and fails the test if it is refused.
func read(t *testing.T, f edfFile) *recording.Recording {
	t.Helper()
	r, err := recording.ReadBytes(f.bytes(), recording.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// told lists the codes of the warnings.
func told(r *recording.Recording) []string {
	var out []string
	for _, w := range r.Warnings {
		out = append(out, w.Code)
	}
	return out
}

// values prints the samples as "second after the start=percent/pulse", with -
// for no reading.
func values(r *recording.Recording) string {
	var out []string
	one := func(code int32, s recording.Scale) string {
		if code == recording.NoReading {
			return "-"
		}
		return s.Rat(code).RatString()
	}
	for i, at := range r.Time {
		s := big.NewRat(at-r.Time[0], r.PerSecond).RatString() + "=" + one(r.SpO2[i], r.SpO2Scale)
		if r.HasPulse() {
			s += "/" + one(r.Pulse[i], r.PulseScale)
		}
		out = append(out, s)
	}
	return strings.Join(out, " ")
}

// few is a file of one saturation signal with one record per second of two
// samples, in the digital range and dimension given.
func few(dimension, pmin, pmax, dmin, dmax string, codes ...int16) edfFile {
	return edfFile{duration: "2", signals: []edfSignal{{label: "SpO2", dimension: dimension, pmin: pmin, pmax: pmax,
		dmin: dmin, dmax: dmax, perRecord: 2, data: samples(2, codes...)}}}
}

// The variants of the measurement reference, section 5.1, with the results
// that it found right, and further scales.
func TestEDFValues(t *testing.T) {
	thirds := few("%", "0", "100", "0", "100", 95, 94, 93, 92)
	thirds.duration = "0.666666"
	slow := few("%", "0", "100", "0", "100", 95, 94, 93, 92)
	slow.duration = "2.5"
	exponent := few("%", "+0", "1e2", "0", "+100", 95, 94)
	exponent.duration = "2E0"
	twice := edfFile{duration: "2", signals: []edfSignal{
		{label: "SpO2", dimension: "%", pmin: "0", pmax: "100", dmin: "0", dmax: "100", perRecord: 4, data: samples(4, 95, 94, 93, 92)},
		{label: "PR", pmin: "0", pmax: "250", dmin: "0", dmax: "250", perRecord: 2, data: samples(2, 60, 61)}}}
	faster := edfFile{duration: "2", signals: []edfSignal{
		{label: "Pulse", dimension: "bpm", pmin: "0", pmax: "250", dmin: "0", dmax: "250", perRecord: 4, data: samples(4, 60, 61, 62, 63)},
		{label: "SaO2", dimension: "%", pmin: "0", pmax: "100", dmin: "0", dmax: "100", perRecord: 2, data: samples(2, 95, 94)}}}
	for _, c := range []struct {
		name string
		file edfFile
		want string
	}{
		{"tenths", few("%", "0", "100", "0", "1000", 950, 884), "0=95 1=442/5"},
		{"16 bits: within half a step of a whole percent, and of a tenth", few("%", "0", "100", "-32768", "32767", 24903, 25165), "0=88 1=442/5"},
		{"inverted range", few("%", "100", "0", "0", "1000", 50, 120), "0=95 1=88"},
		{"records of 2.5 s", slow, "0=95 5/4=94 5/2=93 15/4=92"},
		{"records of two thirds of a second", thirds, "0=95 333333/1000000=94 333333/500000=93 999999/1000000=92"},
		{"sign and exponent", exponent, "0=95 1=94"},
		{"a fraction is scaled exactly", few("1", "0", "1", "0", "1000", 880, 885), "0=88 1=177/2"},
		{"dimension in words", few("percent", "0", "100", "0", "100", 88, 90), "0=88 1=90"},
		{"blank dimension with a range in percent", few("", "0", "102.3", "0", "1023", 880, 900), "0=88 1=90"},
		{"no-reading codes", few("%", "-32768", "32767", "-32768", "32767", 0, 127, 255, 511, 32767, -1, -32768, 88),
			"0=- 1=- 2=- 3=- 4=- 5=- 6=- 7=88"},
		{"numbers that no saturation can be", few("%", "-200", "200", "-200", "200", -3, 101, 100, 1), "0=- 1=- 2=100 3=1"},
		{"outside the digital range: neither clipped nor scaled", few("%", "0", "100", "0", "1000", -10, 1010, 1000, 10), "0=- 1=- 2=100 3=1"},
		{"a code of the inverted range", few("%", "100", "0", "0", "100", 100, 12), "0=- 1=88"},
		{"a pulse of half the rate holds", twice, "0=95/60 1/2=94/60 1=93/61 3/2=92/61"},
		{"a pulse of twice the rate is sampled", faster, "0=95/60 1=94/62"},
		{"127 is a pulse; 0, 511 and beyond are not", edfFile{duration: "5", signals: []edfSignal{
			{label: "SpO2", dimension: "%", pmin: "0", pmax: "100", dmin: "0", dmax: "100", perRecord: 5, data: samples(5, 95, 95, 95, 95, 95)},
			{label: "Pulse", dimension: "bpm", pmin: "0", pmax: "4000", dmin: "0", dmax: "4000", perRecord: 5, data: samples(5, 127, 0, 511, 999, 1000)}}},
			"0=95/127 1=95/- 2=95/- 3=95/999 4=95/-"},
	} {
		r, err := recording.ReadBytes(c.file.bytes(), recording.Options{})
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		if got := values(r); got != c.want {
			t.Errorf("%s: %s, expected %s", c.name, got, c.want)
		}
	}
}

// What stands in place of a reading is counted by column.
func TestEDFCodes(t *testing.T) {
	f := few("%", "-200", "200", "-200", "200", 0, 127, 127, 101, 300, 88)
	r := read(t, f)
	want := []recording.Count{{"SpO2", "0", 1}, {"SpO2", "127", 2}, {"SpO2", "below 0 or above 100", 1}, {"SpO2", "outside the digital range", 1}}
	if !reflect.DeepEqual(r.Codes, want) {
		t.Errorf("codes %+v, expected %+v", r.Codes, want)
	}
	if got := told(r); !reflect.DeepEqual(got, []string{recording.WarnNotSaturation}) {
		t.Errorf("warnings %v", r.Warnings)
	}
}

func TestEDFStart(t *testing.T) {
	for _, c := range []struct {
		name string
		mend func(*edfFile)
		want string
		told []string
	}{
		{"plain", func(*edfFile) {}, "2026-11-24T23:59:50", nil},
		{"year 84 is 2084", func(f *edfFile) { f.date, f.recording = "24.11.84", "" }, "2084-11-24T23:59:50", nil},
		{"year 85 is 1985", func(f *edfFile) { f.date, f.recording = "24.11.85", "" }, "1985-11-24T23:59:50", nil},
		{"yy: the year of the recording field", func(f *edfFile) { f.date, f.recording = "24.11.yy", "Startdate 24-NOV-2091 X X X" }, "2091-11-24T23:59:50", nil},
		{"one digit, colons", func(f *edfFile) { f.date, f.time, f.recording = "2.8.51", "1:2:3", "" }, "2051-08-02T01:02:03", nil},
		{"two dates", func(f *edfFile) { f.recording = "Startdate 25-NOV-2026 X X X" }, "2026-11-24T23:59:50", []string{recording.WarnStartDates}},
		{"a default date", func(f *edfFile) { f.date, f.recording = "01.01.85", "" }, "1985-01-01T23:59:50", []string{recording.WarnDateDefault}},
		{"sub-second start", func(f *edfFile) { f.signals[2] = annotations(tal("+0.25"), tal("+10.25"), tal("+20.25")) }, "2026-11-24T23:59:50.250", nil},
	} {
		f := plusEDF("EDF+C", tal("+0"), tal("+10"), tal("+20"))
		c.mend(&f)
		r := read(t, f)
		if got := r.Stamp(r.Time[0], 0); got != c.want || r.Clock != recording.ClockWall {
			t.Errorf("%s: starts at %s, expected %s", c.name, got, c.want)
		}
		if got := told(r); !reflect.DeepEqual(got, c.told) {
			t.Errorf("%s: warnings %v, expected %v", c.name, r.Warnings, c.told)
		}
		if n := len(r.Time); n != 30 || r.Time[29]-r.Time[0] != 29*r.PerSecond {
			t.Errorf("%s: %d samples in %d of 1/%d s", c.name, n, r.Time[29]-r.Time[0], r.PerSecond)
		}
	}
}

// Case C42 of the measurement reference: records of 10 s at onsets 0, 10 and
// 90. Readers that flatten EDF+D give 30 s and move the last record.
func TestEDFPlusDCase42(t *testing.T) {
	r := read(t, plusEDF("EDF+D", tal("+0"), tal("+10"), tal("+90")))
	if r.Format != recording.FormatEDFD {
		t.Errorf("format %s", r.Format)
	}
	a := analysis.Analyze(r, recording.Session{To: len(r.Time)}, analysis.Options{})
	at88 := big.NewRat(88, 1)
	got := fmt.Sprint(a.Seconds(*a.Recorded), a.Seconds(a.Valid), a.Seconds(*a.Missing), a.Seconds(a.AtOrBelow(at88).Value),
		a.Seconds(a.LongestAtOrBelow(at88).Value), a.Nadir.Value, a.Mean.Value, a.Events[1].Count, a.Events[1].PerHour)
	if want := "100/1 30/1 70/1 15/1 15/1 87/1 179/2 1 120/1"; got != want {
		t.Errorf("recorded, valid, missing, at or below 88, longest, nadir, mean, events, per hour: %s, expected %s", got, want)
	}
}

func TestEDFOnsets(t *testing.T) {
	single := func(onsets ...string) edfFile { // 2.1.2: duration 0, one sample a record
		f := edfFile{reserved: "EDF+D", patient: "X X X X", recording: "Startdate X X X X", duration: "0", signals: []edfSignal{
			{label: "SpO2", dimension: "%", pmin: "0", pmax: "100", dmin: "0", dmax: "100", perRecord: 1}, annotations()}}
		for i, o := range onsets {
			f.signals[0].data = append(f.signals[0].data, []byte{byte(90 + i), 0})
			f.signals[1].data = append(f.signals[1].data, []byte(tal(o)))
		}
		return f
	}
	two := plusEDF("EDF+C", tal("+0"), tal("+10"), tal("+20"))
	two.signals = append(two.signals, annotations(tal("", "+3", "walk"), "", ""))
	two.signals[3].data[0] = []byte("+3\x14walk\x14\x00")
	for _, c := range []struct {
		name   string
		file   edfFile
		starts string // of samples 0, 10 and 20, or all if fewer
		marks  string
		told   []string
	}{
		{"EDF+C", plusEDF("EDF+C", tal("+0"), tal("+10"), tal("+20")), "0 10 20", "", nil},
		{"EDF+D at its onsets", plusEDF("EDF+D", tal("+0"), tal("+12.5"), tal("+90.125")), "0 25/2 721/8", "", nil},
		{"onsets finer than a nanosecond are cut to it", plusEDF("EDF+D", tal("+0"), tal("+10.0000000004"), tal("+20")), "0 10 20", "", nil},
		{"a negative onset", plusEDF("EDF+D", tal("-5"), tal("+10"), tal("+20")), "0 15 25", "", nil},
		{"one sample a record", single("+0", "+4", "+8.5"), "0 4 17/2", "", nil},
		{"EDF+C that is not continuous", plusEDF("EDF+C", tal("+0"), tal("+10"), tal("+90")), "0 10 90", "", []string{recording.WarnRecordOnsets}},
		{"EDF+C with onsets rounded", plusEDF("EDF+C", tal("+0"), tal("+10.4"), tal("+20")), "0 10 20", "", nil},
		{"EDF+C without an onset", plusEDF("EDF+C", tal("+0"), "", tal("+20")), "0 10 20", "", []string{recording.WarnAnnotations, recording.WarnRecordOnsets}},
		{"EDF+C without annotations", edfFile{reserved: "EDF+C", patient: "X X X X", signals: plainEDF().signals}, "0 10 20", "", []string{recording.WarnNoAnnotations}},
		{"events, durations, negative and fractional onsets", plusEDF("EDF+C", tal("+0", "-30.5\x151.5", "lights off"), tal("+10", "+12.25", "änd"), tal("+20", "+20", "a\x14b")),
			"0 10 20", "-61/2 lights off; 49/4 änd; 20 a; 20 b", nil},
		{"text beside the time-keeping", plusEDF("EDF+C", "+0\x14\x14lights off\x14\x00", tal("+10"), tal("+20")), "0 10 20", "0 lights off", nil},
		{"bytes that are no UTF-8", plusEDF("EDF+C", tal("+0", "+1", "\xff"), tal("+10"), tal("+20")), "0 10 20", "1 \ufffd", nil},
		{"a second signal of annotations", two, "0 10 20", "3 walk", nil},
		{"damaged", plusEDF("EDF+C", tal("+0", "3", "unsigned"), tal("+10", "+4\x15-1", "negative duration"), "+20\x14\x14\x00+3\x14no end"),
			"0 10 20", "", []string{recording.WarnAnnotations}},
	} {
		r, err := recording.ReadBytes(c.file.bytes(), recording.Options{})
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		var starts, marks []string
		step := 1
		if len(r.Time) == 30 {
			step = 10
		}
		for i := 0; i < len(r.Time); i += step {
			starts = append(starts, big.NewRat(r.Time[i]-r.Time[0], r.PerSecond).RatString())
		}
		origin := time.Date(2026, 11, 24, 23, 59, 50, 0, time.UTC).Unix() * r.PerSecond
		for _, m := range r.Annotations {
			marks = append(marks, big.NewRat(m.At-origin, r.PerSecond).RatString()+" "+m.Text)
		}
		if got := strings.Join(starts, " "); got != c.starts {
			t.Errorf("%s: records start at %s, expected %s", c.name, got, c.starts)
		}
		if got := strings.Join(marks, "; "); got != c.marks {
			t.Errorf("%s: annotations %q, expected %q", c.name, got, c.marks)
		}
		if got := told(r); !reflect.DeepEqual(got, c.told) {
			t.Errorf("%s: warnings %v, expected %v", c.name, r.Warnings, c.told)
		}
	}
}

func TestEDFRecordCount(t *testing.T) {
	for _, c := range []struct {
		name    string
		records string
		cut     int
		want    int
		told    []string
	}{
		{"stated", "3", 0, 30, nil},
		{"unknown", "-1", 0, 30, []string{recording.WarnRecordCount}},
		{"unknown and cut", "-1", 1, 20, []string{recording.WarnRecordCount, recording.WarnBytesAfter}},
		{"last record cut short", "3", 1, 20, []string{recording.WarnRecordsCut, recording.WarnBytesAfter}},
		{"two records missing", "3", 80, 10, []string{recording.WarnRecordsCut}},
		{"fewer stated than there are", "2", 0, 20, []string{recording.WarnBytesAfter}},
	} {
		f := plainEDF()
		f.records, f.cut = c.records, c.cut
		r := read(t, f)
		if len(r.Time) != c.want || !reflect.DeepEqual(told(r), c.told) {
			t.Errorf("%s: %d samples and %v, expected %d and %v", c.name, len(r.Time), r.Warnings, c.want, c.told)
		}
	}
}

func TestEDFDeclared(t *testing.T) {
	p, rec := wording.Said("EDF header, patient field"), wording.Said("EDF header, recording field")
	for _, c := range []struct {
		name, reserved, patient, recording, transducer string
		want                                           []recording.Declaration
		told                                           []string
	}{
		{"EDF+", "EDF+C", "A-1042 F 02-MAY-1951 Quill_Marlow", "Startdate 24-NOV-2026 ORD-77 Tech_One Box_4", "finger, averaging 3 s", []recording.Declaration{
			{Kind: "identifier", Value: "A-1042", Where: p}, {Kind: "sex", Value: "F", Where: p},
			{Kind: "birth_date", Value: "1951-05-02", Where: p}, {Kind: "name", Value: "Quill Marlow", Where: p},
			{Kind: "start_date", Value: "2026-11-24", Where: rec}, {Kind: "identifier", Value: "ORD-77", Where: rec},
			{Kind: "technician", Value: "Tech One", Where: rec}, {Kind: "equipment", Value: "Box 4", Where: rec},
			{Kind: "averaging", Value: "finger, averaging 3 s", Where: wording.Said("EDF header, %s of signal %d", wording.Said("transducer"), 1)}}, nil},
		{"X is unknown", "EDF+C", "X X X X", "Startdate X X X X", "", nil, nil},
		{"parts missing", "EDF+C", "Quill", "Box 4", "", []recording.Declaration{
			{Kind: "name", Value: "Quill", Where: p}, {Kind: "equipment", Value: "Box 4", Where: rec}}, []string{recording.WarnPersonFields}},
		{"plain EDF, free text", "", "Quill, Marlow", "Box 4", "", []recording.Declaration{
			{Kind: "name", Value: "Quill, Marlow", Where: p}, {Kind: "equipment", Value: "Box 4", Where: rec}}, nil},
		{"no such date", "", "7 F 31-FEB-1951 Quill", "Startdate 31-FEB-2026 X X X", "", []recording.Declaration{
			{Kind: "name", Value: "7 F 31-FEB-1951 Quill", Where: p}}, nil},
	} {
		f := plusEDF(c.reserved, tal("+0"), tal("+10"), tal("+20"))
		f.patient, f.recording, f.signals[0].transducer = c.patient, c.recording, c.transducer
		r := read(t, f)
		if !reflect.DeepEqual(r.Declared, c.want) {
			t.Errorf("%s: declared %+v, expected %+v", c.name, r.Declared, c.want)
		}
		if !reflect.DeepEqual(told(r), c.told) {
			t.Errorf("%s: warnings %v, expected %v", c.name, r.Warnings, c.told)
		}
	}
}

// labelled is a file of signals of one constant value each: label|dimension.
func labelled(labels ...string) edfFile {
	f := edfFile{duration: "2"}
	for i, l := range labels {
		label, dim, _ := strings.Cut(l, "|")
		f.signals = append(f.signals, edfSignal{label: label, dimension: dim, pmin: "0", pmax: "100", dmin: "0", dmax: "100",
			perRecord: 2, data: samples(2, times(2, int16(51+i))...)})
	}
	return f
}

func TestEDFLabels(t *testing.T) {
	for _, c := range []struct {
		labels  []string
		columns string
		want    string // values of the first sample
	}{
		{[]string{"SpO2|%"}, "", "0=51"},
		{[]string{"Flow|L/min", "SAO2|%", "Pulse|bpm"}, "", "0=52/53"},
		{[]string{"sat|%", "PR|1/min"}, "", "0=51/52"},
		{[]string{"OxySat|%", "HRate|bpm"}, "", "0=51/52"},
		{[]string{"SaO2 finger|%", "HR|BPM"}, "", "0=51/52"},
		{[]string{"O2Sat|", "Puls|"}, "", "0=51/52"},
		{[]string{"SpO2 status|", "SpO2|%"}, "", "0=52"},
		{[]string{"SpO2|mV", "SpO2|%"}, "", "0=52"},
		{[]string{"SpO2|%", "Pulse|mV"}, "", "0=51"}, // a wave, not a rate
		{[]string{"HR|bpm", "SpO2|%", "Pulse|bpm"}, "", "0=52/53"},
		{[]string{"SpO2|%", "SpO2|%"}, "spo2=2", "0=52"},
		{[]string{"SpO2|%", "SaO2|%"}, "spo2=sao2", "0=52"},
		{[]string{"Signal A|%", "Signal B|"}, "spo2=1,pulse=Signal B", "0=51/52"},
		{[]string{"SpO2|%", "PR|bpm"}, "pulse=none", "0=51"},
		{[]string{"SpO2|mV"}, "spo2=1,unit=percent", "0=51"},
		{[]string{"SpO2|mV"}, "unit=percent", "0=51"},
		{[]string{"OSat|%"}, "", "0=51"},
	} {
		r, err := recording.ReadBytes(labelled(c.labels...).bytes(), recording.Options{Columns: c.columns})
		if err != nil {
			t.Errorf("%v %s: %v", c.labels, c.columns, err)
			continue
		}
		if got, _, _ := strings.Cut(values(r), " "); got != c.want {
			t.Errorf("%v %s: %s, expected %s", c.labels, c.columns, got, c.want)
		}
	}
}

// Every refusal names the class, the field and the byte, and gives nothing.
func TestEDFRefusals(t *testing.T) {
	plain := func(mend func(*edfFile)) []byte {
		f := plainEDF()
		mend(&f)
		return f.bytes()
	}
	one := func(mend func(*edfSignal)) []byte {
		f := few("%", "0", "100", "0", "1000", 950, 950)
		mend(&f.signals[0])
		return f.bytes()
	}
	gaps := func(onsets ...string) []byte { return plusEDF("EDF+D", onsets...).bytes() }
	grown := plainEDF().bytes()
	copy(grown[236:], "\x003      ")
	for _, c := range []struct {
		name    string
		data    []byte
		columns string
		class   error
		field   string
		offset  int64
	}{
		{"BDF", append([]byte("\xffBIOSEMI"), make([]byte, 600)...), "", recording.ErrFormat, "version", 0},
		{"shorter than a header", plainEDF().bytes()[:255], "", recording.ErrFormat, "", 255},
		{"shorter than the headers of its signals", plainEDF().bytes()[:700], "", recording.ErrFormat, "", 700},
		{"header alone", plainEDF().bytes()[:768], "", recording.ErrFormat, "data records", 768},
		{"EDF+ of neither kind", plain(func(f *edfFile) { f.reserved = "EDF+X" }), "", recording.ErrFormat, "reserved", 192},
		{"header bytes", plain(func(f *edfFile) { f.headerBytes = "512" }), "", recording.ErrFormat, "number of header bytes", 184},
		{"no signals", plain(func(f *edfFile) { f.ns = "0" }), "", recording.ErrFormat, "number of signals", 252},
		{"too many signals", plain(func(f *edfFile) { f.ns = "257" }), "", recording.ErrFormat, "number of signals", 252},
		{"no number of signals", plain(func(f *edfFile) { f.ns = "two" }), "", recording.ErrFormat, "number of signals", 252},
		{"no records", plain(func(f *edfFile) { f.records = "0" }), "", recording.ErrFormat, "number of data records", 236},
		{"minus two records", plain(func(f *edfFile) { f.records = "-2" }), "", recording.ErrFormat, "number of data records", 236},
		{"a zero byte in a number", grown, "", recording.ErrFormat, "number of data records", 236},
		{"decimal comma", plain(func(f *edfFile) { f.duration = "2,5" }), "", recording.ErrFormat, "duration of a data record", 244},
		{"negative duration", plain(func(f *edfFile) { f.duration = "-1" }), "", recording.ErrFormat, "duration of a data record", 244},
		{"an exponent of thousands", plain(func(f *edfFile) { f.duration = "1e9999" }), "", recording.ErrFormat, "duration of a data record", 244},
		{"centuries", plain(func(f *edfFile) { f.duration = "3e8" }), "", recording.ErrFormat, "number of data records", 236},
		{"finer than a nanosecond", plain(func(f *edfFile) { f.duration = "1e-10" }), "", recording.ErrFormat, "duration of a data record", 244},
		{"steps finer than a nanosecond", plain(func(f *edfFile) { f.duration = "1e-9" }), "", recording.ErrFormat, "duration of a data record", 244},
		{"duration 0", plain(func(f *edfFile) { f.duration = "0" }), "", recording.ErrFormat, "duration of a data record", 244},
		{"no date", plain(func(f *edfFile) { f.date = "31.02.26" }), "", recording.ErrFormat, "start date", 168},
		{"month first", plain(func(f *edfFile) { f.date = "11.24.26" }), "", recording.ErrFormat, "start date", 168},
		{"a year that stands nowhere", plain(func(f *edfFile) { f.date = "24.11.yy" }), "", recording.ErrFormat, "start date", 168},
		{"no time", plain(func(f *edfFile) { f.time = "24.00.00" }), "", recording.ErrFormat, "start time", 176},
		{"digital limits equal", one(func(s *edfSignal) { s.dmax = "0" }), "", recording.ErrFormat, "digital maximum, signal 1", 384},
		{"digital limits inverted", one(func(s *edfSignal) { s.dmin = "2000" }), "", recording.ErrFormat, "digital maximum, signal 1", 384},
		{"digital limit of more than 16 bits", one(func(s *edfSignal) { s.dmax = "32768" }), "", recording.ErrFormat, "digital maximum, signal 1", 384},
		{"digital limit with a point", one(func(s *edfSignal) { s.dmin = "0.0" }), "", recording.ErrFormat, "digital minimum, signal 1", 376},
		{"physical limits equal", one(func(s *edfSignal) { s.pmin = "100.0" }), "", recording.ErrFormat, "physical maximum, signal 1", 368},
		{"two points", one(func(s *edfSignal) { s.pmin = "0..1" }), "", recording.ErrFormat, "physical minimum, signal 1", 360},
		{"two signs", one(func(s *edfSignal) { s.pmin = "--1" }), "", recording.ErrFormat, "physical minimum, signal 1", 360},
		{"a hexadecimal number", one(func(s *edfSignal) { s.pmin = "0x1" }), "", recording.ErrFormat, "physical minimum, signal 1", 360},
		{"a scale of too many digits", one(func(s *edfSignal) { s.pmin, s.dmax = "1.1e-15", "32749" }), "", recording.ErrFormat, "physical range, signal 1", 360},
		{"samples per record", one(func(s *edfSignal) { s.samples = "-2" }), "", recording.ErrFormat, "samples in a data record, signal 1", 472},
		{"no samples", one(func(s *edfSignal) { s.samples = "0" }), "", recording.ErrNoSpO2, "labels", 256},
		{"only annotations", edfFile{signals: []edfSignal{annotations(tal("+0"))}}.bytes(), "", recording.ErrNoSpO2, "labels", 256},
		{"another dimension", labelled("SpO2|mV").bytes(), "", recording.ErrNoSpO2, "labels", 256},
		{"two saturations", labelled("SpO2|%", "SaO2|%").bytes(), "", recording.ErrAmbiguous, "labels", 256},
		{"two pulses", labelled("SpO2|%", "Pulse|bpm", "PR|bpm").bytes(), "", recording.ErrAmbiguous, "labels", 256},
		{"percent of 0 to 1", few("%", "0", "1", "0", "1000", 950, 950).bytes(), "", recording.ErrAmbiguous, "dimension, signal 1", 352},
		{"1 of 0 to 100", few("1", "0", "100", "0", "1000", 950, 950).bytes(), "", recording.ErrAmbiguous, "dimension, signal 1", 352},
		{"blank of 0 to 1", few("", "0", "1", "0", "1000", 950, 950).bytes(), "", recording.ErrAmbiguous, "dimension, signal 1", 352},
		{"blank of 0 to 4095", few("", "0", "4095", "0", "4095", 950, 950).bytes(), "", recording.ErrAmbiguous, "dimension, signal 1", 352},
		{"no such signal", labelled("SpO2|%").bytes(), "spo2=2", recording.ErrOptions, "columns spo2", 256},
		{"a label that stands twice", labelled("SpO2|%", "SpO2|%").bytes(), "spo2=SpO2", recording.ErrOptions, "columns spo2", 256},
		{"a mapping that cannot be read", labelled("SpO2|%").bytes(), "spo2", recording.ErrOptions, `columns "spo2"`, -1},
		{"more signals than a message lists", labelled(strings.Fields(strings.Repeat("Flow|L/min ", 30))...).bytes(), "", recording.ErrNoSpO2, "labels", 256},
		{"a key for text", labelled("SpO2|%").bytes(), "time=1", recording.ErrOptions, "columns", -1},
		{"EDF+D without annotations", edfFile{reserved: "EDF+D", signals: plainEDF().signals}.bytes(), "", recording.ErrFormat, "labels", 256},
		{"EDF+D with a record without an onset", gaps(tal("+0"), "", tal("+20")), "", recording.ErrFormat, "onset of data record 2", 1164},
		{"an onset without a sign", gaps(tal("+0"), tal("10"), tal("+20")), "", recording.ErrFormat, "onset of data record 2", 1164},
		{"records out of order", gaps(tal("+0"), tal("+20"), tal("+10")), "", recording.ErrFormat, "onset of data record 3", 1224},
		{"a record inside another", gaps(tal("+0"), tal("+9"), tal("+20")), "", recording.ErrFormat, "onset of data record 2", 1124},
		{"an onset with two points", gaps(tal("+0"), tal("+1.0.0"), tal("+20")), "", recording.ErrFormat, "onset of data record 2", 1164},
		{"an onset beyond reason", gaps(tal("+0"), tal("+500000001"), tal("+20")), "", recording.ErrFormat, "onset of data record 2", 1164},
	} {
		r, err := recording.ReadBytes(c.data, recording.Options{Columns: c.columns})
		var f *recording.FormatError
		if r != nil || !errors.Is(err, c.class) || !errors.As(err, &f) {
			t.Errorf("%s: recording %v, error %v", c.name, r != nil, err)
			continue
		}
		if f.Field.String() != c.field || f.Offset != c.offset || f.Expected.String() == "" || f.Found.String() == "" || f.Mend.String() == "" {
			t.Errorf("%s: field %q at byte %d, expected %q at %d (%v)", c.name, f.Field, f.Offset, c.field, c.offset, err)
		}
	}
}

// A range of 0 to 1 without a unit is scaled when the caller says so.
func TestEDFFractionStated(t *testing.T) {
	data := few("", "0", "1", "0", "1000", 950, 884).bytes()
	r, err := recording.ReadBytes(data, recording.Options{Columns: "unit=fraction"})
	if err != nil {
		t.Fatal(err)
	}
	if got := values(r); got != "0=95 1=442/5" {
		t.Errorf("values %s", got)
	}
	if !strings.Contains(r.Layout[1].String(), "a fraction taken times 100") {
		t.Errorf("layout %q does not tell the scale", r.Layout[1])
	}
}

// Bytes of the header that are not printable are not acted on (EDF+ item 1).
func TestEDFHeaderBytes(t *testing.T) {
	f := plainEDF()
	f.patient = "Qu\x01ll"
	r := read(t, f)
	if !reflect.DeepEqual(told(r), []string{recording.WarnHeaderBytes}) || r.Declared[0].Value != "Qu ll" {
		t.Errorf("declared %+v, warnings %v", r.Declared, r.Warnings)
	}
}

func TestEDFLayout(t *testing.T) {
	f := plainEDF()
	f.signals[1].perRecord = 5
	f.signals[1].data = samples(5, times(15, 60)...)
	f.signals = append(f.signals, edfSignal{label: "Quality", pmin: "0", pmax: "1", dmin: "0", dmax: "1", perRecord: 1, data: samples(1, 1, 1, 1)})
	want := []string{
		"EDF: 3 data records of 10 s.",
		`Saturation: signal 1 "SpO2" in "%", 10 samples a record, codes 0 to 1000 stand for 0 to 100.`,
		`Pulse: signal 2 "Pulse" in "bpm", 5 samples a record, codes 0 to 255 stand for 0 to 255.`,
		"Saturation and pulse have different rates: beside each saturation stands the pulse sample that held at its instant.",
		`Signals not read, quality and status among them: 3 "Quality".`,
	}
	if got := wording.Sentences(read(t, f).Layout); !reflect.DeepEqual(got, want) {
		t.Errorf("layout %q, expected %q", got, want)
	}
}

// One night as text, as EDF in tenths and in 16 bits, stored ten times a
// second by repetition, and as EDF+D gives one answer.
func TestEDFSameNight(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 5))
	const n = 1200
	var text strings.Builder
	text.WriteString("time,spo2,pulse\n")
	var percent, beats []int16
	at, v, p := time.Date(2026, 11, 24, 23, 50, 0, 0, time.UTC), int16(92), int16(60)
	for i := range n {
		v = min(99, max(80, v+int16(r.IntN(3))-1))
		p = min(120, max(40, p+int16(r.IntN(3))-1))
		percent, beats = append(percent, v), append(beats, p)
		fmt.Fprintf(&text, "%s,%d,%d\n", at.Add(time.Duration(i)*time.Second).Format("2006-01-02 15:04:05"), v, p)
	}
	file := func(kind, dmin, dmax string, repeat int, code func(int16) int16) edfFile {
		var codes []int16
		for _, v := range percent {
			codes = append(codes, times(repeat, code(v))...)
		}
		f := edfFile{reserved: kind, patient: "X X X X", recording: "Startdate X X X X", time: "23.50.00", signals: []edfSignal{
			{label: "SpO2", dimension: "%", pmin: "0", pmax: "100", dmin: dmin, dmax: dmax, perRecord: 10 * repeat, data: samples(10*repeat, codes...)},
			{label: "Pulse", dimension: "bpm", pmin: "0", pmax: "255", dmin: "0", dmax: "255", perRecord: 10, data: samples(10, beats...)}}}
		if kind != "" {
			s := annotations()
			for k := range n / 10 {
				s.data = append(s.data, []byte(tal(fmt.Sprintf("+%d", 10*k))))
			}
			f.signals = append(f.signals, s)
		}
		return f
	}
	same := func(v int16) int16 { return 10 * v }
	// 16 bits over 0 to 100 %: the nearest code.
	wide := func(v int16) int16 { return int16((int64(v)*65535+50)/100 - 32768) }
	summary := func(data []byte) string {
		rec, err := recording.ReadBytes(data, recording.Options{})
		if err != nil {
			t.Fatal(err)
		}
		rules := analysis.DefaultRules()
		rules.RatePctPerS = 0 // single rows are not single when they are repeated
		a := analysis.Analyze(rec, recording.Session{To: len(rec.Time)}, analysis.Options{Rules: &rules})
		var out []string
		part := func(x analysis.Triple) string {
			return fmt.Sprint(a.Seconds(x.Low), a.Seconds(x.Value), a.Seconds(x.High))
		}
		for pct := int64(70); pct <= 100; pct++ {
			out = append(out, part(a.AtOrBelow(big.NewRat(pct, 1))), part(a.LongestBelow(big.NewRat(pct, 1))))
		}
		out = append(out, fmt.Sprint(a.Seconds(*a.Recorded), a.Seconds(a.Valid), a.Nadir.Value, a.Mean.Value, a.Peak))
		for _, e := range a.Events {
			out = append(out, fmt.Sprint(e.Count, e.Low, e.High))
		}
		return rec.Stamp(rec.Time[0], 0) + " " + strings.Join(out, ", ")
	}
	want := summary([]byte(text.String()))
	for name, f := range map[string]edfFile{
		"EDF in tenths":         file("", "0", "1000", 1, same),
		"EDF in 16 bits":        file("", "-32768", "32767", 1, wide),
		"EDF ten times as fast": file("", "0", "1000", 10, same),
		"EDF+C":                 file("EDF+C", "0", "1000", 1, same),
		"EDF+D":                 file("EDF+D", "-32768", "32767", 1, wide),
	} {
		if got := summary(f.bytes()); got != want {
			t.Errorf("%s: %s\ntext: %s", name, got, want)
		}
	}
}

// sane checks what holds for every recording that is read from EDF bytes, and
// that a refusal gives nothing.
func sane(t *testing.T, data []byte) {
	t.Helper()
	r, err := recording.ReadBytes(data, recording.Options{})
	if err != nil {
		if r != nil || err.Error() == "" {
			t.Fatalf("a recording beside the error %q", err)
		}
		return
	}
	if !strings.HasPrefix(r.Format, recording.FormatEDF) {
		return // damaged into text
	}
	n := len(r.Time)
	if n == 0 || len(r.SpO2) != n || r.HasPulse() && len(r.Pulse) != n || 2*n > len(data) || r.PerSecond < 1 {
		t.Fatalf("%d times, %d saturations, %d pulses out of %d bytes", n, len(r.SpO2), len(r.Pulse), len(data))
	}
	for i := range n {
		if i > 0 && r.Time[i] <= r.Time[i-1] {
			t.Fatalf("time falls at sample %d", i)
		}
		if c := r.SpO2[i]; c != recording.NoReading {
			if v := r.SpO2Scale.Rat(c); v.Sign() <= 0 || v.Cmp(big.NewRat(100, 1)) > 0 {
				t.Fatalf("sample %d is %v %%", i, v)
			}
		}
	}
	analysis.Analyze(r, recording.Session{To: n}, analysis.Options{})
}

// variants are good files of every kind, for damage.
func variants() map[string][]byte {
	quarter := plusEDF("EDF+C", tal("+0.25", "+3", "lights off"), tal("+10.25"), tal("+20.25"))
	return map[string][]byte{
		"EDF":   plainEDF().bytes(),
		"EDF+C": quarter.bytes(),
		"EDF+D": plusEDF("EDF+D", tal("+0"), tal("+10"), tal("+90")).bytes(),
		"1":     few("1", "0", "1", "0", "1000", 880, 885).bytes(),
	}
}

// A file cut anywhere, or with any bit of any byte turned over, gives a clean
// refusal or a recording that holds together (check (g) of the measurement
// reference).
func TestEDFDamage(t *testing.T) {
	for _, data := range variants() {
		for n := range data {
			sane(t, data[:n])
			for bit := range 8 {
				damaged := append([]byte(nil), data...)
				damaged[n] ^= 1 << bit
				sane(t, damaged)
			}
		}
	}
}

// Sizes that a header claims are not believed before the bytes are there.
func TestEDFClaims(t *testing.T) {
	f := plainEDF()
	f.records = "99999999"
	huge := plainEDF()
	huge.signals[0].samples = "99999999"
	huge.records = "99999999"
	for name, data := range map[string][]byte{"records": f.bytes(), "samples": huge.bytes()} {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		sane(t, data)
		runtime.ReadMemStats(&after)
		if used := after.TotalAlloc - before.TotalAlloc; used > 1<<20 {
			t.Errorf("%s: %d bytes allocated for a file of %d", name, used, len(data))
		}
	}
}

// Annotations without end are cut off and told.
func TestEDFManyAnnotations(t *testing.T) {
	s := annotations(tal("+0") + "+1" + strings.Repeat("\x14a", 10_005) + "\x14\x00")
	s.perRecord = 11_000
	f := few("%", "0", "100", "0", "1000", 950, 950)
	f.reserved, f.patient, f.signals = "EDF+C", "X X X X", append(f.signals, s)
	r := read(t, f)
	if len(r.Annotations) != 10_000 || !reflect.DeepEqual(told(r), []string{recording.WarnAnnotations}) {
		t.Errorf("%d annotations, warnings %v", len(r.Annotations), r.Warnings)
	}
}

func FuzzEDF(f *testing.F) {
	for _, data := range variants() {
		f.Add(data)
	}
	files, err := filepath.Glob("../../testdata/recordings/*.edf")
	if err != nil {
		f.Fatal(err)
	}
	for _, name := range files {
		data, err := os.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Fuzz(func(t *testing.T, data []byte) { sane(t, data) })
}

// BenchmarkEDF reads 115 hours at one sample a second, a full memory.
func BenchmarkEDF(b *testing.B) {
	f := edfFile{signals: []edfSignal{spo2(times(414_000, 950)...), pulse(414_000, 60)}}
	data := f.bytes()
	b.SetBytes(int64(len(data)))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := recording.ReadBytes(data, recording.Options{}); err != nil {
			b.Fatal(err)
		}
	}
}
