package recording

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"math/big"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"airwarrant/rules/wording"
)

// WFDB after header(5) and signal(5) of the WFDB Applications Guide,
// https://physionet.org/physiotools/wag/header-5.htm.

// Codes of the warnings that the reader of WFDB gives beside those of EDF.
const (
	WarnSamplesCut   = "samples_cut"        // a signal file ends before the last sample that the header promises
	WarnSampleCount  = "sample_count"       // the number of samples is not stated, or does not fit the stated time
	WarnChecksum     = "checksum_mismatch"  // the samples do not add up to the checksum of the header
	WarnUncalibrated = "pulse_uncalibrated" // a pulse signal without a gain was not read
	WarnNoStart      = "no_start"           // the file does not say when the recording began
)

const (
	maxWFDBSignals = 256 // our choice, as in EDF
)

var (
	wfdbMend     = wording.Said("export the record again, or as delimited text")
	wfdbTogether = wording.Said("give the header and its signal files together, side by side or in one zip")
)

// wfdbSignal is a signal line of a header.
type wfdbSignal struct {
	line        int
	file        string
	format      string
	perFrame    int64
	skew        int64 // frames before sample 0
	offset      int64 // bytes before the first sample
	gain        *big.Rat
	baseline    int64
	units       string
	checksum    *int64
	description string

	group int   // number of the signal file within the record
	first int64 // of its samples within a frame
}

// wfdbSegment is a segment line of a header.
type wfdbSegment struct {
	line   int
	name   string // "~" for a stretch without samples
	frames int64
}

// wfdbHeader is what one .hea file says.
type wfdbHeader struct {
	name     string
	period   *big.Rat // seconds between frames
	rounded  bool     // period is a whole second that the frequency only nears
	freq     string
	frames   int64 // 0: not stated
	start    int64 // nanoseconds since midnight
	timed    bool
	day      time.Time // zero if not stated
	signals  []wfdbSignal
	segments []wfdbSegment
	info     []string
	frame    []int64 // samples in a frame, by signal file
}

// wfdbName tells whether s can be the name of a record.
func wfdbName(s string) bool {
	return s != "" && len(s) <= 255 && strings.Trim(strings.ToLower(s), "abcdefghijklmnopqrstuvwxyz0123456789_-") == ""
}

// wfdbLines are the lines of a header that hold more than a comment, with
// their numbers from 1, and the comments below the first of them.
func wfdbLines(data []byte) (lines []string, numbers []int, info []string) {
	text := bytes.TrimPrefix(data, []byte("\ufeff"))
	for n := 1; len(text) > 0; n++ {
		line, rest, _ := bytes.Cut(text, []byte("\n"))
		text = rest
		s := strings.TrimSpace(string(line))
		switch {
		case s == "":
		case s[0] == '#':
			if len(lines) > 0 && len(info) < maxDeclared {
				info = append(info, strings.TrimSpace(s[1:]))
			}
		default:
			lines = append(lines, s)
			numbers = append(numbers, n)
		}
	}
	return lines, numbers, info
}

// looksLikeWFDB reports whether data begins as a header does: a record line,
// and below it a signal line that names a file with a suffix, or segments.
func looksLikeWFDB(data []byte) bool {
	const enough = 1 << 13
	head := data[:min(len(data), enough)]
	if !utf8.Valid(head) && len(head) < enough || bytes.IndexByte(head, 0) >= 0 {
		return false
	}
	lines, _, _ := wfdbLines(head)
	if len(lines) < 2 {
		return false
	}
	f := strings.Fields(lines[0])
	if len(f) < 2 || len(f) > 6 || strings.Trim(f[1], "0123456789") != "" {
		return false
	}
	name, segments, several := strings.Cut(f[0], "/")
	if !wfdbName(name) {
		return false
	}
	if several {
		return segments != "" && strings.Trim(segments, "0123456789") == ""
	}
	s := strings.Fields(lines[1])
	if len(s) < 2 || strings.Trim(s[1], "0123456789x:+") != "" || s[1][0] < '0' || s[1][0] > '9' {
		return false
	}
	dot := strings.LastIndexByte(s[0], '.')
	return s[0] == "-" || s[0] == "~" || dot >= 0 && dot+1 < len(s[0]) && strings.Trim(s[0], "0123456789.,") != ""
}

// wfdbParser reads one header.
type wfdbParser struct {
	h       *wfdbHeader
	segment int // in a header that another one names, 0 for none
}

func (p wfdbParser) fail(line int, field, expected, found, mend wording.Text) error {
	return &FormatError{Format: "WFDB header", Line: line, Offset: -1, Field: p.field(field), Expected: expected, Found: found, Mend: mend, Err: ErrFormat}
}

// field says what a fault is of.
func (p wfdbParser) field(f wording.Text) wording.Text {
	if p.segment == 0 {
		return f
	}
	return wording.Joined("%s, %s", wording.Said("segment %d", p.segment), f)
}

// whole reads a number without a sign.
func (p wfdbParser) whole(line int, field wording.Text, s string) (int64, error) {
	v, err := strconv.ParseInt(s, 10, 64)
	if err != nil || v < 0 {
		return 0, p.fail(line, field, wording.Said("a whole number"), excerpt(s), wfdbMend)
	}
	return v, nil
}

// parseWFDB reads a header. segment is the number of the segment that it is
// of, 0 for the record itself.
func parseWFDB(data []byte, segment int) (*wfdbHeader, error) {
	p := wfdbParser{h: &wfdbHeader{}, segment: segment}
	lines, numbers, info := wfdbLines(data)
	if len(lines) == 0 {
		return nil, p.fail(1, wording.Said("record line"), wording.Said("a name and a number of signals"), wording.Said("nothing"), wfdbMend)
	}
	p.h.info = info
	several, n, err := p.recordLine(numbers[0], strings.Fields(lines[0]))
	if err != nil {
		return nil, err
	}
	if len(lines)-1 != n {
		what := wording.Said("signal lines")
		if several {
			what = wording.Said("segment lines")
		}
		return nil, p.fail(numbers[len(numbers)-1], what, wording.Verbatim(strconv.Itoa(n)), wording.Verbatim(strconv.Itoa(len(lines)-1)), wfdbMend)
	}
	for i, s := range lines[1:] {
		if several {
			err = p.segmentLine(numbers[i+1], strings.Fields(s))
		} else {
			err = p.signalLine(numbers[i+1], s)
		}
		if err != nil {
			return nil, err
		}
	}
	return p.h, nil
}

// recordLine reads name[/segments] nsig [fs[/counter[(base)]] [nsamp [time
// [date]]]].
func (p wfdbParser) recordLine(line int, f []string) (several bool, n int, err error) {
	if len(f) < 2 || len(f) > 6 {
		return false, 0, p.fail(line, wording.Said("record line"), wording.Said("2 to 6 fields"), wording.Verbatim(strconv.Itoa(len(f))), wfdbMend)
	}
	h := p.h
	name, segments, several := strings.Cut(f[0], "/")
	if !wfdbName(name) {
		return false, 0, p.fail(line, wording.Said("record name"), wording.Said("letters, digits, _ and -"), wording.Said("other characters"), wfdbMend)
	}
	h.name = name
	signals, err := p.whole(line, wording.Said("number of signals"), f[1])
	if err != nil {
		return false, 0, err
	}
	if signals < 1 || signals > maxWFDBSignals {
		return false, 0, p.fail(line, wording.Said("number of signals"), wording.Said("1 to %d", maxWFDBSignals), wording.Verbatim(strconv.FormatInt(signals, 10)), wfdbMend)
	}
	n = int(signals)
	if several {
		count, err := p.whole(line, wording.Said("number of segments"), segments)
		if err != nil {
			return false, 0, err
		}
		if count < 1 || count > 1<<20 {
			return false, 0, p.fail(line, wording.Said("number of segments"), wording.Said("1 to 1048576"), wording.Verbatim(strconv.FormatInt(count, 10)), wfdbMend)
		}
		n = int(count)
	}
	h.freq = "250" // header(5): the default
	if len(f) > 2 {
		h.freq, _, _ = strings.Cut(f[2], "/")
	}
	if err := p.frequency(line); err != nil {
		return false, 0, err
	}
	if len(f) > 3 {
		if h.frames, err = p.whole(line, wording.Said("number of samples"), f[3]); err != nil {
			return false, 0, err
		}
	}
	if len(f) > 4 {
		if h.start, h.timed = wfdbClock(f[4]); !h.timed {
			return false, 0, p.fail(line, wording.Said("base time"), wording.Said("a time as HH:MM:SS"), excerpt(f[4]), wfdbMend)
		}
	}
	if len(f) > 5 {
		var d [3]int
		parts := strings.Split(f[5], "/")
		ok := len(parts) == 3 && len(parts[2]) == 4
		for i := 0; ok && i < 3; i++ {
			d[i], err = strconv.Atoi(parts[i])
			ok = err == nil && len(parts[i]) <= 4 && parts[i][0] != '-' && parts[i][0] != '+'
		}
		h.day = time.Date(d[2], time.Month(d[1]), d[0], 0, 0, 0, 0, time.UTC)
		if !ok || h.day.Day() != d[0] || int(h.day.Month()) != d[1] || d[2] < 1800 || d[2] > 2199 {
			return false, 0, p.fail(line, wording.Said("base date"), wording.Said("a date as DD/MM/YYYY"), excerpt(f[5]), wfdbMend)
		}
	}
	return several, n, nil
}

// frequency turns the sampling frequency into a period. 0.0166666666667 is
// one a minute: below 1 Hz the one whole second whose inverse, at the printed
// digits, is the frequency is taken, unless the printed frequency has a period
// of whole microseconds.
func (p wfdbParser) frequency(line int) error {
	h := p.h
	r, ok := decimalNumber(h.freq)
	if !ok || r.Sign() <= 0 {
		return p.fail(line, wording.Said("sampling frequency"), wording.Said("a number above 0"), excerpt(h.freq), wfdbMend)
	}
	h.period = new(big.Rat).Inv(r)
	micro := new(big.Rat).Mul(h.period, big.NewRat(1e6, 1))
	if !micro.IsInt() && r.Cmp(big.NewRat(1, 1)) < 0 {
		mantissa, exponent, _ := strings.Cut(strings.ToLower(h.freq), "e")
		x, _ := strconv.Atoi(exponent) // decimalNumber read it; "" is 0
		_, frac, _ := strings.Cut(mantissa, ".")
		half, _ := new(big.Rat).SetString(fmt.Sprintf("5e%d", x-len(frac)-1))
		if low := new(big.Rat).Sub(r, half); low.Sign() > 0 {
			longest := new(big.Rat).Inv(low)
			most := new(big.Int).Quo(longest.Num(), longest.Denom())
			second := new(big.Rat).SetInt(most)
			below := new(big.Rat).Sub(second, big.NewRat(1, 1))
			shortest := new(big.Rat).Inv(new(big.Rat).Add(r, half))
			if second.Cmp(shortest) >= 0 && below.Cmp(shortest) < 0 {
				h.period, h.rounded = second, true
			}
		}
	}
	if h.period.Cmp(big.NewRat(maxEDFSeconds, 1)) > 0 || h.period.Denom().Cmp(big.NewInt(maxPerSecond)) > 0 {
		return p.fail(line, wording.Said("sampling frequency"), wording.Said("a period of at most 500000000 s in whole parts of a second down to a nanosecond"), excerpt(h.freq), wfdbMend)
	}
	return nil
}

// wfdbClock reads hours, minutes and seconds of one or two digits, the last
// with decimals, as nanoseconds.
func wfdbClock(s string) (int64, bool) {
	parts := strings.Split(s, ":")
	if len(parts) != 3 {
		return 0, false
	}
	whole, frac, dot := strings.Cut(parts[2], ".")
	parts[2] = whole
	if dot && frac == "" || len(frac) > 9 || strings.Trim(frac, "0123456789") != "" {
		return 0, false
	}
	var t [3]int64
	for i, s := range parts {
		if len(s) < 1 || len(s) > 2 || strings.Trim(s, "0123456789") != "" {
			return 0, false
		}
		t[i], _ = strconv.ParseInt(s, 10, 64)
	}
	if t[0] > 23 || t[1] > 59 || t[2] > 59 {
		return 0, false
	}
	ns, _ := strconv.ParseInt((frac + "000000000")[:9], 10, 64)
	return (t[0]*3600+t[1]*60+t[2])*nanos + ns, true
}

func (p wfdbParser) segmentLine(line int, f []string) error {
	if len(f) != 2 || f[0] != "~" && !wfdbName(f[0]) {
		return p.fail(line, wording.Said("segment line"), wording.Said("a record name, or ~, and a number of samples"), wording.Said("%d fields", len(f)), wfdbMend)
	}
	n, err := p.whole(line, wording.Said("number of samples"), f[1])
	if err != nil {
		return err
	}
	p.h.segments = append(p.h.segments, wfdbSegment{line, f[0], n})
	return nil
}

// signalLine reads file format[xN][:skew][+offset] [gain[(baseline)][/units]
// [adcres [adczero [initial [checksum [blocksize [description]]]]]]].
func (p wfdbParser) signalLine(line int, s string) error {
	var f []string
	for len(f) < 8 && s != "" {
		end := strings.IndexAny(s, " \t")
		if end < 0 {
			end = len(s)
		}
		f = append(f, s[:end])
		s = strings.TrimLeft(s[end:], " \t")
	}
	if len(f) < 2 {
		return p.fail(line, wording.Said("signal line"), wording.Said("a file and a format"), wording.Said("one field"), wfdbMend)
	}
	sig := wfdbSignal{line: line, file: f[0], perFrame: 1, description: s}
	if sig.file == "-" || sig.file == ".." || strings.ContainsAny(sig.file, `/\:`) {
		return p.fail(line, wording.Said("file name"), wording.Said("the name of a file beside the header"), wording.Said("standard input, a folder or a place elsewhere"), wording.Said("correct the header: %s", wfdbTogether))
	}
	rest := f[1]
	for _, part := range []struct {
		mark string
		into *int64
		name wording.Text
	}{{"+", &sig.offset, wording.Said("byte offset")}, {":", &sig.skew, wording.Said("skew")}, {"x", &sig.perFrame, wording.Said("samples per frame")}} {
		if i := strings.Index(rest, part.mark); i >= 0 {
			v, err := p.whole(line, part.name, rest[i+1:])
			if err != nil {
				return err
			}
			if v > 1<<40 || part.mark == "x" && (v < 1 || v > 1<<20) {
				return p.fail(line, part.name, wording.Said("a number that fits a recording"), wording.Verbatim(strconv.FormatInt(v, 10)), wfdbMend)
			}
			*part.into = v
			rest = rest[:i]
		}
	}
	sig.format = rest
	if _, ok := wfdbFormats[rest]; !ok && rest != "0" {
		return p.fail(line, wording.Said("format"), wording.Said("16, 24, 32, 61, 80, 160, 212, 310 or 311"), excerpt(rest), wording.Said("convert the record to format 16"))
	}
	if len(f) > 2 {
		gain, units, _ := strings.Cut(f[2], "/")
		sig.units = units
		gain, base, based := strings.Cut(gain, "(")
		r, ok := decimalNumber(gain)
		if !ok {
			return p.fail(line, wording.Said("gain"), wording.Said("a number"), excerpt(gain), wfdbMend)
		}
		if r.Sign() != 0 {
			sig.gain = r
		}
		if based {
			v, err := strconv.ParseInt(strings.TrimSuffix(base, ")"), 10, 64)
			if err != nil || !strings.HasSuffix(base, ")") || abs(v) > 1<<31 {
				return p.fail(line, wording.Said("baseline"), wording.Said("a whole number in brackets"), excerpt(base), wfdbMend)
			}
			sig.baseline = v
		}
		var numbers [5]int64 // adcres, adczero, initial, checksum, blocksize
		for i, s := range f[3:] {
			v, err := strconv.ParseInt(s, 10, 64)
			if err != nil || abs(v) > 1<<32 {
				return p.fail(line, []wording.Text{wording.Said("ADC resolution"), wording.Said("ADC zero"), wording.Said("initial value"), wording.Said("checksum"), wording.Said("block size")}[i], wording.Said("a whole number"), excerpt(s), wfdbMend)
			}
			numbers[i] = v
		}
		if !based {
			sig.baseline = numbers[1]
		}
		if len(f) > 6 {
			sig.checksum = &numbers[3]
		}
	}
	return p.place(sig)
}

// place says where in its signal file a signal lies. Signals of one file
// stand together, in one format.
func (p wfdbParser) place(sig wfdbSignal) error {
	h := p.h
	last := len(h.signals) - 1
	if last >= 0 && h.signals[last].file == sig.file && sig.format != "0" {
		before := h.signals[last]
		if before.format != sig.format {
			return p.fail(sig.line, wording.Said("format"), wording.Said("the format of the other signals of its file, %s", before.format), wording.Verbatim(sig.format), wfdbMend)
		}
		if sig.offset == 0 {
			sig.offset = before.offset
		}
		if before.offset != sig.offset {
			return p.fail(sig.line, wording.Said("byte offset"), wording.Said("that of the other signals of its file"), wording.Verbatim(strconv.FormatInt(sig.offset, 10)), wfdbMend)
		}
		sig.group = before.group
	} else {
		for _, s := range h.signals {
			if s.file == sig.file && sig.format != "0" && s.format != "0" {
				return p.fail(sig.line, wording.Said("file name"), wording.Said("the signals of one file one after the other"), wording.Said("one among those of other files"), wfdbMend)
			}
		}
		sig.group = len(h.frame)
		h.frame = append(h.frame, 0)
	}
	sig.first = h.frame[sig.group]
	h.frame[sig.group] += sig.perFrame
	h.signals = append(h.signals, sig)
	return nil
}

// wfdbReader reads one record.
type wfdbReader struct {
	rec   *Recording
	cols  Columns
	open  func(name string) ([]byte, error) // nil: nothing lies beside the header
	limit int64
	sum   hash.Hash
	size  int64
	used  map[string]bool

	top        *wfdbHeader // of the record, which tells start and frequency
	sat, pulse readings
	hasSat     bool
	hasPulse   bool
	perFrame   int64 // samples of saturation in a frame
	per        int64 // ticks a second
	start      int64 // ticks of frame 0
	told       bool
}

// readWFDB reads a record from its header and the files beside it. SHA256 and
// Size are those of the header and the files read, in the order in which the
// header names them, one after the other. Of opt it honours Columns, in which
// spo2, pulse and unit mean what they do for EDF.
func readWFDB(data []byte, open func(string) ([]byte, error), opt Options) (*Recording, error) {
	cols, err := signalColumns("WFDB", opt.Columns)
	if err != nil {
		return nil, err
	}
	w := &wfdbReader{rec: &Recording{Format: FormatWFDB}, cols: cols, open: open, limit: opt.limit(), sum: sha256.New(), used: map[string]bool{}}
	if err := w.add(data); err != nil {
		return nil, err
	}
	h, err := parseWFDB(data, 0)
	if err != nil {
		return nil, err
	}
	w.top = h
	w.clock()
	if h.segments != nil {
		err = w.readSegments(h)
	} else {
		err = w.readSignals(h, 0, h.frames)
	}
	if err == nil {
		w.finish()
		err = w.checkUnit()
	}
	if err != nil {
		return nil, err
	}
	return w.rec, nil
}

// warn tells each kind of doubt once, however many segments have it.
func (w *wfdbReader) warn(code, format string, args ...any) {
	if slices.ContainsFunc(w.rec.Warnings, func(x Warning) bool { return x.Code == code }) {
		return
	}
	w.rec.Warnings = append(w.rec.Warnings, warning(code, format, args...))
}

// add counts a file that was read.
func (w *wfdbReader) add(data []byte) error {
	w.size += int64(len(data))
	if w.size > w.limit {
		return &FormatError{Format: "WFDB", Offset: -1, Err: ErrTooLarge,
			Expected: wording.Said("a record of at most %d bytes", w.limit), Found: wording.Said("more bytes than that"),
			Mend: wording.Said("export one night at a time, or raise the limit")}
	}
	w.sum.Write(data)
	return nil
}

// beside reads a file that a header names.
func (w *wfdbReader) beside(line int, field wording.Text, name string) ([]byte, error) {
	refuse := func(expected, found, mend wording.Text) error {
		return &FormatError{Format: "WFDB header", Line: line, Offset: -1, Field: field, Expected: expected, Found: found, Mend: mend, Err: ErrFormat}
	}
	if w.used[strings.ToLower(name)] {
		return nil, refuse(wording.Said("a file of its own for each segment"), wording.Said("one that is read already"), wfdbMend)
	}
	w.used[strings.ToLower(name)] = true
	if w.open == nil {
		return nil, refuse(wording.Said("the file that this line names"), wording.Said("the header alone"), wfdbTogether)
	}
	data, err := w.open(name)
	if err != nil {
		return nil, refuse(wording.Said("the file that this line names beside the header"), wording.Said("none that can be read"), wfdbTogether)
	}
	return data, w.add(data)
}

// clock says what kind of start the header states.
func (w *wfdbReader) clock() {
	r, h := w.rec, w.top
	switch {
	case !h.timed:
		r.Clock = ClockElapsed
		w.warn(WarnNoStart, "The header does not say when the recording began; a start that is not stated is unknown and not midnight.")
	case h.day.IsZero():
		r.Clock = ClockTimeOfDay
	default:
		r.Clock = ClockWall
		if h.day.YearDay() == 1 && (h.day.Year() == 1970 || h.day.Year() == 2000) {
			w.warn(WarnDateDefault, "The start date is 1 January %d, which recorders fill in after a loss of power; it may be wrong.", h.day.Year())
		}
	}
}

// settle fixes ticks and scales by the first segment that has saturation, or
// compares a later one with it.
func (w *wfdbReader) settle(h *wfdbHeader, sat, pulse *wfdbSignal) error {
	top := w.top
	step := new(big.Rat).Quo(top.period, big.NewRat(sat.perFrame, 1))
	scale, err := w.scale(sat, true)
	if err != nil {
		return err
	}
	var pulseScale Scale
	if pulse != nil {
		if pulseScale, err = w.scale(pulse, false); err != nil {
			return err
		}
	}
	if h.period.Cmp(top.period) != 0 || w.hasSat && (scale != w.sat.scale || sat.perFrame != w.perFrame || pulse != nil && w.hasPulse && pulseScale != w.pulse.scale) {
		return &FormatError{Format: "WFDB header", Line: sat.line, Offset: -1, Field: wording.Said("signal line"), Err: ErrFormat,
			Expected: wording.Said("the frequency of the record, and gain, baseline and samples per frame of the segments before"), Found: wording.Said("others"),
			Mend: wording.Said("give each segment as a recording of its own")}
	}
	if !w.hasSat {
		w.hasSat, w.perFrame = true, sat.perFrame
		w.sat = readings{sat: true, scale: scale}
		den := step.Denom()
		if top.start%nanos != 0 {
			part := big.NewRat(top.start%nanos, nanos).Denom()
			den = new(big.Int).Quo(new(big.Int).Mul(den, part), new(big.Int).GCD(nil, nil, den, part))
		}
		if !den.IsInt64() || den.Int64() > maxPerSecond {
			return &FormatError{Format: "WFDB header", Line: 1, Offset: -1, Field: wording.Said("sampling frequency"), Err: ErrFormat,
				Expected: wording.Said("sample instants in whole parts of a second down to a nanosecond"), Found: excerpt(top.freq), Mend: wording.Said("export the recording as delimited text")}
		}
		w.per = den.Int64()
		if top.timed {
			w.start = nanoTicks(top.start, w.per)
			if !top.day.IsZero() {
				w.start += top.day.Unix() * w.per
			}
		}
	}
	if pulse != nil && !w.hasPulse {
		w.hasPulse = true
		w.pulse = readings{scale: pulseScale}
		// Segments before this one had no pulse.
		w.rec.Pulse = make([]int32, len(w.rec.Time))
		for i := range w.rec.Pulse {
			w.rec.Pulse[i] = NoReading
		}
	}
	return nil
}

// scale turns gain and baseline into a Scale: (digital - baseline) / gain.
func (w *wfdbReader) scale(s *wfdbSignal, sat bool) (Scale, error) {
	refuse := func(err error, field, expected, found, mend wording.Text) (Scale, error) {
		return Scale{}, &FormatError{Format: "WFDB header", Line: s.line, Offset: -1, Field: field, Expected: expected, Found: found, Mend: mend, Err: err}
	}
	if s.gain == nil {
		return refuse(ErrFormat, wording.Said("gain"), wording.Said("a gain above or below 0"), wording.Said("none, or 0: the signal is not calibrated"), wording.Said("export the record with its calibration, or as delimited text"))
	}
	factor := int64(1)
	if sat {
		switch dim := satDimension(s.units); {
		case w.cols.Unit == "fraction":
			factor = 100
		case w.cols.Unit == "" && dim != unitPercent:
			return refuse(ErrAmbiguous, wording.Said("units"), wording.Said("%"), wording.Joined("%q", shorten(s.units, 20)), wording.Said("say whether they are percent or fractions%s", columnsFlag("unit=percent or unit=fraction")))
		}
	}
	mul := new(big.Rat).Quo(big.NewRat(factor, 1), s.gain)
	add := new(big.Rat).Mul(mul, big.NewRat(-s.baseline, 1))
	scale, ok := newScale(mul, add, wfdbFormats[s.format].bits)
	if !ok {
		return refuse(ErrFormat, wording.Said("gain"), wording.Said("a gain and baseline of fewer digits"), wording.Said("more"), wfdbMend)
	}
	return scale, nil
}

// readSegments reads the segments of a record in their places. A segment
// that is null or without saturation is a gap.
func (w *wfdbReader) readSegments(h *wfdbHeader) error {
	var noSat int
	frame := int64(0)
	most := new(big.Int).Quo(new(big.Int).Mul(big.NewInt(maxEDFSeconds), h.period.Denom()), h.period.Num())
	gaps, read := 0, 0
	var first error
	for i, s := range h.segments {
		if s.frames > most.Int64()-frame {
			return wfdbParser{}.fail(s.line, wording.Said("number of samples"), wording.Said("a record of at most 500000000 s"), wording.Verbatim(strconv.FormatInt(s.frames, 10)), wfdbMend)
		}
		switch {
		case s.name == "~":
			gaps++
		case s.frames > 0: // 0: the layout segment, which has no samples
			data, err := w.beside(s.line, wording.Said("segment"), s.name+".hea")
			if err != nil {
				return err
			}
			part, err := parseWFDB(data, i+1)
			if err != nil {
				return err
			}
			if part.segments != nil {
				return wfdbParser{}.fail(s.line, wording.Said("segment"), wording.Said("a segment of signals"), wording.Said("one of further segments"), wfdbMend)
			}
			err = w.readSignals(part, frame, s.frames)
			if errors.Is(err, ErrNoSpO2) {
				noSat++
				if first == nil {
					first = err
				}
			} else if err != nil {
				return err
			} else {
				read++
			}
		}
		frame += s.frames
	}
	if read == 0 {
		if first == nil {
			first = &FormatError{Format: "WFDB header", Line: 1, Offset: -1, Field: wording.Said("segments"), Err: ErrNoSpO2,
				Expected: wording.Said("a segment with samples"), Found: wording.Said("none"), Mend: wfdbTogether}
		}
		return first
	}
	w.rec.Layout = append(w.rec.Layout, wording.Said("WFDB record of %d segments: %d read, %d gaps, %d without saturation, which are gaps too.", len(h.segments), read, gaps, noSat))
	return nil
}

// readSignals reads the signals of a record or segment that begins with frame
// at. stated is the number of frames, 0 if it is not known.
func (w *wfdbReader) readSignals(h *wfdbHeader, at, stated int64) error {
	choice := signalChoice{format: "WFDB header", at: -1}
	for i, s := range h.signals {
		label := shorten(strings.ToValidUTF8(s.description, "\ufffd"), 60)
		choice.all = append(choice.all, signal{i + 1, label, s.units, s.format != "0" && s.file != "~"})
	}
	n, err := choice.saturation(w.cols)
	if err != nil {
		return err
	}
	sat := &h.signals[n-1]
	pulseN, err := choice.pulse(w.cols, n)
	if err != nil {
		return err
	}
	var pulse *wfdbSignal
	if pulseN > 0 {
		pulse = &h.signals[pulseN-1]
		if pulse.gain == nil && w.cols.Pulse == "" {
			w.warn(WarnUncalibrated, "The pulse signal has no gain and was not read.")
			pulse = nil
		}
	}
	if err := w.settle(h, sat, pulse); err != nil {
		return err
	}
	files := map[int][]byte{}
	for _, s := range []*wfdbSignal{sat, pulse} {
		if s == nil {
			continue
		}
		if _, ok := files[s.group]; ok {
			continue
		}
		data, err := w.beside(s.line, wording.Said("signal file"), s.file)
		if err != nil {
			return err
		}
		files[s.group] = data[min(int64(len(data)), s.offset):]
	}
	count := func(s *wfdbSignal) int64 {
		return max(0, wfdbFormats[s.format].count(int64(len(files[s.group])))/h.frame[s.group]-s.skew)
	}
	frames := count(sat)
	switch {
	case stated == 0:
		w.warn(WarnSampleCount, "The header does not state the number of samples; it was taken from the length of the signal file: %d.", frames*sat.perFrame)
	case stated > frames:
		w.warn(WarnSamplesCut, "The signal file is cut short: %d of %d frames are there and were read.", frames, stated)
	default:
		f := wfdbFormats[sat.format]
		skew := int64(0)
		for _, s := range h.signals {
			if s.group == sat.group {
				skew = max(skew, s.skew)
			}
		}
		if extra := f.count(int64(len(files[sat.group]))) - (stated+skew)*h.frame[sat.group]; extra > f.spare {
			w.warn(WarnBytesAfter, "The signal file holds more samples than the header states; the rest was not read.")
		}
		frames = stated
	}
	if frames == 0 {
		return &FormatError{Format: "WFDB header", Line: sat.line, Offset: -1, Field: wording.Said("signal file"), Err: ErrFormat,
			Expected: wording.Said("at least one frame of samples"), Found: wording.Said("%d bytes", len(files[sat.group])), Mend: wfdbMend}
	}
	if limit := new(big.Rat).Mul(h.period, big.NewRat(frames, 1)); limit.Cmp(big.NewRat(maxEDFSeconds, 1)) > 0 {
		return &FormatError{Format: "WFDB header", Line: 1, Offset: -1, Field: wording.Said("sampling frequency"), Err: ErrFormat,
			Expected: wording.Said("a recording of at most 500000000 s"), Found: wording.Said("%d samples", frames), Mend: wfdbMend}
	}
	pulseFrames := int64(0)
	if pulse != nil {
		pulseFrames = min(frames, count(pulse))
		if pulseFrames < frames {
			w.warn(WarnSamplesCut, "The signal file of the pulse is shorter than that of the saturation; the rest of the pulse counts as missing.")
		}
	}
	w.samples(h, files, sat, pulse, at, frames, pulseFrames)
	for _, s := range []*wfdbSignal{sat, pulse} {
		if s != nil && stated > 0 {
			w.verify(h, s, files[s.group], min(frames, count(s)))
		}
	}
	w.describe(h, choice, sat, pulse)
	return nil
}

// samples appends the samples of frames that begin with frame at.
func (w *wfdbReader) samples(h *wfdbHeader, files map[int][]byte, sat, pulse *wfdbSignal, at, frames, pulseFrames int64) {
	r := w.rec
	n := frames * sat.perFrame // at most the bits of the signal file
	r.Time = slices.Grow(r.Time, int(n))
	r.SpO2 = slices.Grow(r.SpO2, int(n))
	code := func(s *wfdbSignal, into *readings, frame, j int64) int32 {
		f := wfdbFormats[s.format]
		c := f.sample(files[s.group], (frame+s.skew)*h.frame[s.group]+s.first+j)
		if c == f.none {
			into.count("no sample")
			return NoReading
		}
		return into.take(c)
	}
	// settle made the step a whole number of ticks.
	step := new(big.Rat).Mul(h.period, big.NewRat(w.per, sat.perFrame)).Num().Int64()
	for k := range frames {
		for j := range sat.perFrame {
			r.Time = append(r.Time, w.start+((at+k)*sat.perFrame+j)*step)
			r.SpO2 = append(r.SpO2, code(sat, &w.sat, k, j))
			switch {
			case !w.hasPulse:
			case pulse == nil || k >= pulseFrames:
				r.Pulse = append(r.Pulse, NoReading)
			default:
				r.Pulse = append(r.Pulse, code(pulse, &w.pulse, k, j*pulse.perFrame/sat.perFrame))
			}
		}
	}
}

// verify compares the checksum: the sum of all samples as a signed number of
// 16 bits. A cut of a record keeps the checksum of the whole (measurement
// reference, section 2.3), so a difference is told and not refused. Writers
// differ in what a no-sample code of a narrow format adds; either passes.
func (w *wfdbReader) verify(h *wfdbHeader, s *wfdbSignal, data []byte, frames int64) {
	if s.checksum == nil {
		return
	}
	f := wfdbFormats[s.format]
	var raw, wide int64
	for k := range frames + s.skew {
		for j := range s.perFrame {
			c := int64(f.sample(data, k*h.frame[s.group]+s.first+j))
			raw += c
			if int32(c) == f.none {
				c = -1 << 15
			}
			wide += c
		}
	}
	if d := raw - *s.checksum; d&0xffff != 0 {
		if d = wide - *s.checksum; d&0xffff != 0 {
			w.warn(WarnChecksum, "The samples of a signal do not add up to the checksum of the header: the file may be a cut of a longer one, or damaged.")
		}
	}
}

// describe says once for the worksheet how the signals were read.
func (w *wfdbReader) describe(h *wfdbHeader, choice signalChoice, sat, pulse *wfdbSignal) {
	r := w.rec
	if w.told {
		return
	}
	w.told = true
	how := wording.Said("WFDB: one frame every %s s.", sixDecimals(h.period))
	if h.rounded {
		how = wording.Said("WFDB: one frame every %s s, as the frequency of %s Hz means.", sixDecimals(h.period), h.freq)
	}
	r.Layout = append(r.Layout, how)
	pulseN := 0
	for _, c := range []struct {
		s    *wfdbSignal
		what string
	}{{sat, "Saturation"}, {pulse, "Pulse"}} {
		if c.s == nil {
			continue
		}
		n := slices.IndexFunc(h.signals, func(s wfdbSignal) bool { return s.line == c.s.line }) + 1
		if c.s == pulse {
			pulseN = n
		}
		text := "%s: signal %d %q in %q, format %s, baseline %d, gain %s."
		if c.s == sat && w.cols.Unit == "fraction" {
			text = "%s: signal %d %q in %q, format %s, baseline %d, gain %s, a fraction taken times 100."
		}
		r.Layout = append(r.Layout, wording.Said(text, wording.Said(c.what), n, choice.all[n-1].label, shorten(c.s.units, 20), c.s.format, c.s.baseline, sixDecimals(c.s.gain)))
	}
	r.Layout = append(r.Layout, choice.unread(slices.IndexFunc(h.signals, func(s wfdbSignal) bool { return s.line == sat.line })+1, pulseN)...)
}

// finish fills what all segments share.
func (w *wfdbReader) finish() {
	r := w.rec
	r.PerSecond = w.per
	r.SpO2Scale, r.PulseScale = w.sat.scale, w.pulse.scale
	if r.Clock == ClockElapsed { // time counts from the first sample
		first := r.Time[0]
		for i := range r.Time {
			r.Time[i] -= first
		}
	}
	w.sat.tell(r, "saturation")
	if w.hasPulse {
		w.pulse.tell(r, "pulse")
	}
	for i, s := range w.top.info {
		for _, part := range strings.Split(s, "<") {
			k, v, ok := cutKey(strings.ReplaceAll(part, ">", ""))
			if kind := declaredKind(k); ok && kind != "" && v != "" && len(r.Declared) < maxDeclared {
				r.Declared = append(r.Declared, Declaration{Kind: kind, Value: shorten(strings.ToValidUTF8(v, "\ufffd"), maxValueLen), Where: wording.Said("WFDB header, info string %d", i+1)})
			}
		}
	}
	r.SHA256, r.Size = hex.EncodeToString(w.sum.Sum(nil)), w.size
}

// checkUnit asks where a signal in percent holds nothing above 1: it may be a
// fraction, and is never scaled silently.
func (w *wfdbReader) checkUnit() error {
	if w.cols.Unit != "" {
		return nil
	}
	any := false
	for _, c := range w.rec.SpO2 {
		if c == NoReading {
			continue
		}
		if any = true; w.sat.scale.Num(c) > w.sat.scale.Den {
			return nil
		}
	}
	if !any {
		return nil
	}
	return &FormatError{Format: "WFDB header", Line: 1, Offset: -1, Field: wording.Said("units"), Err: ErrAmbiguous,
		Expected: wording.Said("saturations in percent"), Found: wording.Said("no value above 1"), Mend: wording.Said("say whether they are percent or fractions%s", columnsFlag("unit=percent or unit=fraction"))}
}
