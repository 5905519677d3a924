package recording_test

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"strconv"
)

// edfFile is an EDF file to be written byte by byte as the specification says,
// mistakes included: every header field is the text that goes into it.
type edfFile struct {
	version, patient, recording, date, time string
	headerBytes, reserved, records          string
	duration, ns                            string
	signals                                 []edfSignal
	cut                                     int // bytes left off at the end
}

type edfSignal struct {
	label, transducer, dimension, pmin, pmax, dmin, dmax, prefilter, samples string
	perRecord                                                                int
	data                                                                     [][]byte // by record
}

// bytes writes the file; header fields that are empty get what the signals
// ask for.
func (f edfFile) bytes() []byte {
	var b bytes.Buffer
	put := func(s string, n int) {
		b.WriteString(s)
		for range n - len(s) {
			b.WriteByte(' ')
		}
	}
	or := func(s, other string) string {
		if s == "" {
			return other
		}
		return s
	}
	n := 0
	for _, s := range f.signals {
		n = max(n, len(s.data))
	}
	put(or(f.version, "0"), 8)
	put(f.patient, 80)
	put(f.recording, 80)
	put(or(f.date, "24.11.26"), 8)
	put(or(f.time, "23.59.50"), 8)
	put(or(f.headerBytes, strconv.Itoa(256*(1+len(f.signals)))), 8)
	put(f.reserved, 44)
	put(or(f.records, strconv.Itoa(n)), 8)
	put(or(f.duration, "10"), 8)
	put(or(f.ns, strconv.Itoa(len(f.signals))), 4)
	for _, part := range []struct {
		n    int
		text func(edfSignal) string
	}{
		{16, func(s edfSignal) string { return s.label }},
		{80, func(s edfSignal) string { return s.transducer }},
		{8, func(s edfSignal) string { return s.dimension }},
		{8, func(s edfSignal) string { return s.pmin }},
		{8, func(s edfSignal) string { return s.pmax }},
		{8, func(s edfSignal) string { return s.dmin }},
		{8, func(s edfSignal) string { return s.dmax }},
		{80, func(s edfSignal) string { return s.prefilter }},
		{8, func(s edfSignal) string { return or(s.samples, strconv.Itoa(s.perRecord)) }},
		{32, func(edfSignal) string { return "" }},
	} {
		for _, s := range f.signals {
			put(part.text(s), part.n)
		}
	}
	for r := range n {
		for _, s := range f.signals {
			field := make([]byte, 2*s.perRecord)
			copy(field, s.data[r])
			b.Write(field)
		}
	}
	return b.Bytes()[:b.Len()-f.cut]
}

// samples splits values into records of n.
func samples(n int, values ...int16) [][]byte {
	var out [][]byte
	for i, v := range values {
		if i%n == 0 {
			out = append(out, nil)
		}
		out[len(out)-1] = binary.LittleEndian.AppendUint16(out[len(out)-1], uint16(v))
	}
	return out
}

func times(n int, v int16) []int16 {
	out := make([]int16, n)
	for i := range out {
		out[i] = v
	}
	return out
}

func concat(parts ...[]int16) []int16 {
	var out []int16
	for _, p := range parts {
		out = append(out, p...)
	}
	return out
}

// spo2 is the saturation signal of the reference's test files: 0 to 1000 for
// 0 to 100 %, ten samples a record (measurement reference, section 5).
func spo2(values ...int16) edfSignal {
	return edfSignal{label: "SpO2", dimension: "%", pmin: "0", pmax: "100", dmin: "0", dmax: "1000", perRecord: 10, data: samples(10, values...)}
}

func pulse(n int, v int16) edfSignal {
	return edfSignal{label: "Pulse", dimension: "bpm", pmin: "0", pmax: "255", dmin: "0", dmax: "255", perRecord: 10, data: samples(10, times(n, v)...)}
}

// annotations is an annotations signal; each record holds one string.
func annotations(records ...string) edfSignal {
	s := edfSignal{label: "EDF Annotations", pmin: "-1", pmax: "1", dmin: "-32768", dmax: "32767", perRecord: 30}
	for _, r := range records {
		s.data = append(s.data, []byte(r))
	}
	return s
}

// tal is a time-keeping annotation, and perhaps events: pairs of onset (with
// a duration after byte 21, if any) and text.
func tal(onset string, events ...string) string {
	s := onset + "\x14\x14\x00"
	for i := 0; i+1 < len(events); i += 2 {
		s += fmt.Sprintf("%s\x14%s\x14\x00", events[i], events[i+1])
	}
	return s
}

// thirty are 30 s in three records: 95 for 5 s, 88 for 5 s, 87 for 10 s, 90
// for 10 s (case C42 of the measurement reference).
func thirty() []int16 {
	return concat(times(5, 950), times(5, 880), times(10, 870), times(10, 900))
}

func plainEDF() edfFile { return edfFile{signals: []edfSignal{spo2(thirty()...), pulse(30, 64)}} }

func plusEDF(kind string, onsets ...string) edfFile {
	return edfFile{reserved: kind, patient: "X X X X", recording: "Startdate 24-NOV-2026 X X X",
		signals: []edfSignal{spo2(thirty()...), pulse(30, 64), annotations(onsets...)}}
}
