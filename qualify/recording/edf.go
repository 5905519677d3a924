package recording

import (
	"bytes"
	"encoding/binary"
	"math"
	"math/big"
	"strconv"
	"strings"
	"time"

	"airwarrant/rules/wording"
)

// EDF after Kemp et al., Electroencephalogr Clin Neurophysiol 1992;82:391-393,
// and EDF+ after Kemp & Olivan, Clin Neurophysiol 2003;114:1755-1761,
// https://www.edfplus.info/specs/edfplus.html. "EDF+ 2.x" and "item n" (of
// section 2.1.3) below mean places in the latter. Nothing else of EDF+ is
// relied on in a file that does not say that it is EDF+.

// Codes of the warnings that the reader of EDF gives.
const (
	WarnRecordCount   = "record_count_unknown"   // the header does not know the number of data records
	WarnRecordsCut    = "records_cut"            // the file ends before the last data record that the header promises
	WarnBytesAfter    = "bytes_after_records"    // bytes after the last data record were not read
	WarnHeaderBytes   = "header_bytes"           // the header holds bytes other than printable ASCII
	WarnStartDates    = "start_dates_differ"     // the two start dates of the header differ
	WarnDateDefault   = "date_may_be_default"    // the start date is one that recorders and anonymisers fill in
	WarnRecordOnsets  = "record_onsets"          // a file that says it has no gaps tells onsets that do not follow each other
	WarnAnnotations   = "annotations_damaged"    // annotations could not be read, or were too many
	WarnPersonFields  = "person_fields"          // the patient field of EDF+ lacks its parts
	WarnNoAnnotations = "annotations_signal_off" // an EDF+ file without the annotations signal that it must have
)

const (
	edfHead       = 256 // bytes of the header before and again for each signal
	maxEDFSignals = 256 // our choice, measurement reference section 2.1, edge case 13
	// maxPerSecond bounds the ticks of an EDF recording, so that stamps up
	// to the year 2200 fit 63 bits.
	maxPerSecond = 1_000_000_000
	nanos        = 1_000_000_000
	// maxEDFSeconds bounds onsets and the length of a file: over 15 years.
	maxEDFSeconds  = 500_000_000
	maxAnnotations = 10_000 // our choice: more are noise, and would take memory
)

// looksLikeEDF reports whether data begins as EDF does: version 0 in eight
// bytes and no line break in the header, or the 0xFF that marks the 24-bit
// relative BDF, which readEDF refuses by name.
func looksLikeEDF(data []byte) bool {
	if bytes.HasPrefix(data, []byte("\xffBIOSEMI")) {
		return true
	}
	return bytes.HasPrefix(data, []byte("0       ")) && !bytes.ContainsAny(data[:min(len(data), edfHead)], "\r\n")
}

// edfSignal is what the header says about one signal.
type edfSignal struct {
	number    int // from 1
	label     string
	dimension string
	perRecord int64 // samples in a data record
	offset    int64 // of its first byte within a data record
}

// edfChannel is a signal that is read.
type edfChannel struct {
	edfSignal
	dmin, dmax int32
	pmin, pmax *big.Rat
	factor     int64 // 100 for a fraction, else 1
	readings
}

type edfReader struct {
	data       []byte
	rec        *Recording
	signals    []edfSignal
	header     int64 // bytes
	recordSize int64
	choice     signalChoice
	records    int64
	duration   int64   // of a data record, nanoseconds
	start      int64   // header time, seconds since 1970 of the wall clock
	onsets     []int64 // of each data record after start, nanoseconds; nil: they follow each other from 0
	marks      []edfMark
	oddBytes   bool
	sat        *edfChannel
	pulse      *edfChannel // nil if there is none
}

// readEDF reads an EDF, EDF+C or EDF+D file. Of opt it honours Columns, in
// which spo2 and pulse name a signal by number or label and unit says what a
// signal of unclear dimension holds. Times are of the recorder's wall clock.
// SHA256, Size, Container and Zone are left to the caller.
func readEDF(data []byte, opt Options) (*Recording, error) {
	cols, err := signalColumns("EDF", opt.Columns)
	if err != nil {
		return nil, err
	}
	e := &edfReader{data: data, rec: &Recording{Format: FormatEDF, Clock: ClockWall}, choice: signalChoice{format: "EDF", at: edfHead}}
	for _, step := range []func() error{
		e.readHeader,
		e.readSignals,
		func() error { return e.choose(cols) },
		e.countRecords,
		e.readStart,
		e.readOnsets,
		e.readSamples,
	} {
		if err := step(); err != nil {
			return nil, err
		}
	}
	e.describe()
	return e.rec, nil
}

func (e *edfReader) warn(code, format string, args ...any) {
	e.rec.Warnings = append(e.rec.Warnings, warning(code, format, args...))
}

func (e *edfReader) fail(offset int64, field, expected, found, mend wording.Text) error {
	return &FormatError{Format: "EDF", Offset: offset, Field: field, Expected: expected, Found: found, Mend: mend, Err: ErrFormat}
}

var edfMend = wording.Said("export the recording again, or as delimited text")

// text returns a field without the spaces around it. Bytes other than 32 to
// 126 are not acted on (item 1; FAQ Q1): they read as spaces.
func (e *edfReader) text(offset, n int64) string {
	b := bytes.Clone(e.data[offset : offset+n])
	for i, c := range b {
		if c < 32 || c > 126 {
			b[i] = ' '
			e.oddBytes = true
		}
	}
	return strings.TrimSpace(string(b))
}

// integer reads a whole number, strictly: anything else in the field, and so
// a damaged byte, is an error and not a number.
func (e *edfReader) integer(offset, n int64, field wording.Text) (int64, error) {
	s := strings.Trim(string(e.data[offset:offset+n]), " ")
	v, err := strconv.ParseInt(s, 10, 64)
	if err != nil {
		return 0, e.fail(offset, field, wording.Said("a whole number"), wording.Verbatim(strconv.Quote(s)), edfMend)
	}
	return v, nil
}

// decimal reads a number with a point (comma and digit grouping are illegal,
// item 6), a sign and an exponent.
func (e *edfReader) decimal(offset int64, field wording.Text) (*big.Rat, error) {
	s := strings.Trim(string(e.data[offset:offset+8]), " ")
	if r, ok := decimalNumber(s); ok {
		return r, nil
	}
	return nil, e.fail(offset, field, wording.Said("a number with a decimal point"), wording.Verbatim(strconv.Quote(s)), edfMend)
}

// readHeader reads the fields before those of the signals. The version is
// what looksLikeEDF saw.
func (e *edfReader) readHeader() error {
	if len(e.data) > 0 && e.data[0] == 0xff {
		return e.fail(0, wording.Said("version"), wording.Said("EDF, with 16 bits a sample"), wording.Said("BDF, with 24 bits a sample"), wording.Said("export the recording as EDF"))
	}
	size := int64(len(e.data))
	if size < edfHead {
		return e.fail(size, wording.Text{}, wording.Said("a header of at least 256 bytes"), wording.Said("%d bytes", size), edfMend)
	}
	switch reserved := e.text(192, 44); {
	case strings.HasPrefix(reserved, "EDF+C"):
		e.rec.Format = FormatEDFC
	case strings.HasPrefix(reserved, "EDF+D"):
		e.rec.Format = FormatEDFD
	case strings.HasPrefix(reserved, "EDF+"):
		return e.fail(192, wording.Said("reserved"), wording.Said("EDF+C or EDF+D"), wording.Said("EDF+ without either"), edfMend)
	}
	ns, err := e.integer(252, 4, wording.Said("number of signals"))
	if err != nil {
		return err
	}
	if ns < 1 || ns > maxEDFSignals {
		return e.fail(252, wording.Said("number of signals"), wording.Said("1 to %d", maxEDFSignals), wording.Verbatim(strconv.FormatInt(ns, 10)), edfMend)
	}
	e.header = edfHead * (1 + ns)
	n, err := e.integer(184, 8, wording.Said("number of header bytes"))
	if err != nil {
		return err
	}
	if n != e.header {
		return e.fail(184, wording.Said("number of header bytes"), wording.Said("%d for %d signals", e.header, ns), wording.Verbatim(strconv.FormatInt(n, 10)), edfMend)
	}
	if size < e.header {
		return e.fail(size, wording.Text{}, wording.Said("a header of %d bytes", e.header), wording.Said("%d bytes", size), edfMend)
	}
	e.signals = make([]edfSignal, ns)

	d, err := e.decimal(244, wording.Said("duration of a data record"))
	if err != nil {
		return err
	}
	d.Mul(d, big.NewRat(nanos, 1))
	if d.Sign() < 0 || !d.IsInt() || !d.Num().IsInt64() || d.Num().Int64() > maxEDFSeconds*nanos {
		return e.fail(244, wording.Said("duration of a data record"), wording.Said("0 to 500000000 s in whole nanoseconds"), wording.Verbatim(strconv.Quote(e.text(244, 8))), edfMend)
	}
	e.duration = d.Num().Int64()
	return nil
}

// field returns where a field of signal i lies: fields are stored one after
// the other, each for all signals.
func (e *edfReader) field(before, width int64, i int) int64 {
	return edfHead + before*int64(len(e.signals)) + width*int64(i)
}

const edfAnnotations = "EDF Annotations"

func (e *edfReader) readSignals() error {
	for i := range e.signals {
		s := &e.signals[i]
		s.number = i + 1
		s.label = e.text(e.field(0, 16, i), 16)
		s.dimension = e.text(e.field(96, 8, i), 8)
		at := e.field(216, 8, i)
		var err error
		if s.perRecord, err = e.integer(at, 8, wording.Said("samples in a data record, signal %d", i+1)); err != nil {
			return err
		}
		if s.perRecord < 0 {
			return e.fail(at, wording.Said("samples in a data record, signal %d", i+1), wording.Said("a number from 0"), wording.Verbatim(strconv.FormatInt(s.perRecord, 10)), edfMend)
		}
		s.offset = e.recordSize
		e.recordSize += 2 * s.perRecord
		e.choice.all = append(e.choice.all, signal{s.number, s.label, s.dimension, s.perRecord > 0 && s.label != edfAnnotations})
	}
	for _, s := range []struct {
		at, n int64
	}{{8, 80}, {88, 80}, {e.field(16, 80, 0), 80 * int64(len(e.signals))}, {e.field(136, 80, 0), 80 * int64(len(e.signals))}} {
		e.text(s.at, s.n) // only to see odd bytes
	}
	if e.oddBytes {
		e.warn(WarnHeaderBytes, "The header holds bytes that are not printable ASCII; they were read as spaces.")
	}
	return nil
}

// countRecords compares the header with the bytes that are there. Whole
// records are kept; nothing is made up for a part of one.
func (e *edfReader) countRecords() error {
	n, err := e.integer(236, 8, wording.Said("number of data records"))
	if err != nil {
		return err
	}
	rest := int64(len(e.data)) - e.header
	whole := rest / e.recordSize // the chosen signal has samples, so this is not 0
	switch {
	case n == -1: // item 10: while recording
		e.warn(WarnRecordCount, "The header does not state the number of data records; it was taken from the length of the file: %d.", whole)
		n = whole
	case n < 1:
		return e.fail(236, wording.Said("number of data records"), wording.Said("at least 1, or -1 for unknown"), wording.Verbatim(strconv.FormatInt(n, 10)), edfMend)
	case n > whole:
		e.warn(WarnRecordsCut, "The file is cut short: %d of %d data records are whole and were read.", whole, n)
		n = whole
	}
	if n == 0 {
		return e.fail(e.header, wording.Said("data records"), wording.Said("at least one of %d bytes", e.recordSize), wording.Said("%d bytes", rest), edfMend)
	}
	if left := rest - n*e.recordSize; left > 0 {
		e.warn(WarnBytesAfter, "%d bytes after the last whole data record were not read.", left)
	}
	if e.duration > 0 && n > maxEDFSeconds*nanos/e.duration {
		return e.fail(236, wording.Said("number of data records"), wording.Said("a recording of at most 500000000 s"), wording.Said("%d data records", n), edfMend)
	}
	e.records = n
	return nil
}

// choose finds the signals of saturation and pulse.
func (e *edfReader) choose(cols Columns) error {
	sat, err := e.choice.saturation(cols)
	if err != nil {
		return err
	}
	if e.sat, err = e.channel(&e.signals[sat-1]); err != nil {
		return err
	}
	if e.sat.factor, err = e.percent(e.sat, cols.Unit); err != nil {
		return err
	}
	if err = e.setScale(e.sat); err != nil {
		return err
	}
	e.sat.sat = true
	pulse, err := e.choice.pulse(cols, sat)
	if err != nil || pulse == 0 {
		return err
	}
	if e.pulse, err = e.channel(&e.signals[pulse-1]); err != nil {
		return err
	}
	return e.setScale(e.pulse)
}

// channel reads the ranges of a signal.
func (e *edfReader) channel(s *edfSignal) (*edfChannel, error) {
	c := &edfChannel{edfSignal: *s, factor: 1}
	i := s.number - 1
	name := func(field wording.Text) wording.Text { return wording.Said("%s, signal %d", field, s.number) }
	var err error
	if c.pmin, err = e.decimal(e.field(104, 8, i), name(wording.Said("physical minimum"))); err != nil {
		return nil, err
	}
	if c.pmax, err = e.decimal(e.field(112, 8, i), name(wording.Said("physical maximum"))); err != nil {
		return nil, err
	}
	var d [2]int64
	for k, f := range []struct {
		before int64
		field  wording.Text
	}{{120, wording.Said("digital minimum")}, {128, wording.Said("digital maximum")}} {
		at := e.field(f.before, 8, i)
		if d[k], err = e.integer(at, 8, name(f.field)); err != nil {
			return nil, err
		}
		if d[k] < math.MinInt16 || d[k] > math.MaxInt16 {
			return nil, e.fail(at, name(f.field), wording.Said("-32768 to 32767"), wording.Verbatim(strconv.FormatInt(d[k], 10)), edfMend)
		}
	}
	// Item 5: a physical range may be inverted, a digital one may not.
	if d[0] >= d[1] {
		return nil, e.fail(e.field(128, 8, i), name(wording.Said("digital maximum")), wording.Said("more than the digital minimum, %d", d[0]), wording.Verbatim(strconv.FormatInt(d[1], 10)), edfMend)
	}
	if c.pmin.Cmp(c.pmax) == 0 {
		return nil, e.fail(e.field(112, 8, i), name(wording.Said("physical maximum")), wording.Said("another value than the physical minimum"), wording.Verbatim(sixDecimals(c.pmax)), edfMend)
	}
	c.dmin, c.dmax = int32(d[0]), int32(d[1])
	return c, nil
}

// percent returns by how much the values of c have to be multiplied to be
// percent: 1, or 100 for a fraction. A file that leaves it open is asked
// about and never scaled silently. A blank dimension means uncalibrated (item
// 5); it is taken as percent where the range is that of a percentage.
func (e *edfReader) percent(c *edfChannel, unit string) (int64, error) {
	within := func(low, high float64) bool {
		a, _ := c.pmin.Float64()
		b, _ := c.pmax.Float64()
		return min(a, b) >= low && max(a, b) <= high
	}
	fraction := within(-1, 1.5)
	switch dim := satDimension(c.dimension); {
	case unit == "percent":
		return 1, nil
	case unit == "fraction":
		return 100, nil
	case dim == unitPercent && !fraction:
		return 1, nil
	case dim == unitOne && within(0, 1):
		return 100, nil
	case dim == unitBlank && within(-1, 110) && !fraction:
		return 1, nil
	}
	return 0, &FormatError{Format: "EDF", Offset: e.field(96, 8, c.number-1), Field: wording.Said("dimension, signal %d", c.number), Err: ErrAmbiguous,
		Expected: wording.Said("% with a range in percent, or 1 with a range of 0 to 1"),
		Found:    wording.Said("%q with a range of %s to %s", c.dimension, sixDecimals(c.pmin), sixDecimals(c.pmax)),
		Mend:     wording.Said("say whether they are percent or fractions%s", columnsFlag("unit=percent or unit=fraction"))}
}

// setScale finds the whole numbers of the scale, with the factor in it:
// physical = pmin + (digital - dmin) * (pmax - pmin) / (dmax - dmin).
func (e *edfReader) setScale(c *edfChannel) error {
	f := big.NewRat(c.factor, 1)
	mul := new(big.Rat).Sub(c.pmax, c.pmin)
	mul.Quo(mul, big.NewRat(int64(c.dmax)-int64(c.dmin), 1))
	add := new(big.Rat).Sub(c.pmin, new(big.Rat).Mul(mul, big.NewRat(int64(c.dmin), 1)))
	mul.Mul(mul, f)
	add.Mul(add, f)
	var ok bool
	if c.scale, ok = newScale(mul, add, 15); !ok {
		return e.fail(e.field(104, 8, c.number-1), wording.Said("physical range, signal %d", c.number), wording.Said("a range of fewer digits"),
			wording.Said("%s to %s", sixDecimals(c.pmin), sixDecimals(c.pmax)), edfMend)
	}
	return nil
}

// readStart reads start date and time: local to the recorder, no zone (item
// 8). Dates are day first; years 85 to 99 are 1985 to 1999 and 00 to 84 are
// 2000 to 2084 (item 2); after that the year stands only in the recording
// field.
func (e *edfReader) readStart() error {
	date, clock := e.text(168, 8), e.text(176, 8)
	declared := e.readPersons()
	d, ok := edfParts(date, ".")
	if !ok && strings.HasSuffix(strings.ToLower(date), ".yy") && !declared.IsZero() {
		d, ok = edfParts(date[:len(date)-2]+"00", ".")
		d[2] = declared.Year()
	} else if d[2] >= 85 {
		d[2] += 1900
	} else {
		d[2] += 2000
	}
	day := time.Date(d[2], time.Month(d[1]), d[0], 0, 0, 0, 0, time.UTC)
	if !ok || day.Day() != d[0] || int(day.Month()) != d[1] || d[2] > 2199 {
		return e.fail(168, wording.Said("start date"), wording.Said("a date as dd.mm.yy"), wording.Verbatim(strconv.Quote(date)), edfMend)
	}
	t, ok := edfParts(strings.ReplaceAll(clock, ":", "."), ".")
	if !ok || t[0] > 23 || t[1] > 59 || t[2] > 59 {
		return e.fail(176, wording.Said("start time"), wording.Said("a time as hh.mm.ss"), wording.Verbatim(strconv.Quote(clock)), edfMend)
	}
	e.start = day.Unix() + int64(t[0])*3600 + int64(t[1])*60 + int64(t[2])
	if !declared.IsZero() && !declared.Equal(day) {
		e.warn(WarnStartDates, "The header gives two start dates: %s in the date field, which was used, and %s in the recording field.",
			day.Format(time.DateOnly), declared.Format(time.DateOnly))
	}
	if day.YearDay() == 1 && (d[2] == 1985 || d[2] == 2000) {
		e.warn(WarnDateDefault, "The start date is 1 January %d, which recorders and anonymisers fill in; it may be wrong.", d[2])
	}
	return nil
}

// edfParts reads three numbers of one or two digits; one digit occurs in the
// wild (FAQ Q2).
func edfParts(s, sep string) (out [3]int, ok bool) {
	parts := strings.Split(s, sep)
	if len(parts) != 3 {
		return out, false
	}
	for i, p := range parts {
		if len(p) < 1 || len(p) > 2 || strings.Trim(p, "0123456789") != "" {
			return out, false
		}
		out[i], _ = strconv.Atoi(p)
	}
	return out, true
}

// ticksPerSecond finds the smallest unit of which every sample's instant is a
// whole number; marks refine it as long as it stays in bounds.
func (e *edfReader) ticksPerSecond() (int64, error) {
	per := int64(1)
	refine := func(num, den int64) bool { // num/den seconds
		den /= gcd(num, den)
		l := den / gcd(per, den)
		if l > maxPerSecond/per {
			return false
		}
		per *= l
		return true
	}
	ok := e.duration == 0 || refine(e.duration, nanos*e.sat.perRecord)
	for _, o := range e.onsets {
		ok = ok && (o == 0 || refine(max(o, -o), nanos))
	}
	if !ok {
		return 0, e.fail(244, wording.Said("duration of a data record"), wording.Said("sample instants in whole parts of a second down to a nanosecond"),
			wording.Said("%d samples in %q s", e.sat.perRecord, e.text(244, 8)), wording.Said("export the recording as delimited text"))
	}
	for _, m := range e.marks {
		if m.onset != 0 {
			refine(max(m.onset, -m.onset), nanos)
		}
	}
	return per, nil
}

// nanoTicks converts nanoseconds to ticks, rounded down.
func nanoTicks(ns, per int64) int64 {
	s := floorDiv(ns, nanos)
	return s*per + (ns-s*nanos)*per/nanos
}

func (e *edfReader) readSamples() error {
	if e.duration == 0 && (e.sat.perRecord != 1 || e.rec.Format != FormatEDFD) {
		// EDF+ 2.1.2: 0 is for annotations alone, or one sample a record.
		return e.fail(244, wording.Said("duration of a data record"), wording.Said("more than 0, or one sample a record in EDF+D"),
			wording.Said("0 with %d samples", e.sat.perRecord), edfMend)
	}
	per, err := e.ticksPerSecond()
	if err != nil {
		return err
	}
	n := e.records * e.sat.perRecord // at most half of len(e.data)
	r := e.rec
	r.PerSecond = per
	r.Time = make([]int64, 0, n)
	r.SpO2 = make([]int32, 0, n)
	r.SpO2Scale = e.sat.scale
	if e.pulse != nil {
		r.Pulse = make([]int32, 0, n)
		r.PulseScale = e.pulse.scale
	}
	// ticksPerSecond made the step whole; the product may pass 63 bits.
	step := new(big.Int).Mul(big.NewInt(e.duration), big.NewInt(per))
	step.Quo(step, big.NewInt(nanos)).Quo(step, big.NewInt(e.sat.perRecord))
	d := step.Int64()
	start := e.start * per
	for k := range e.records {
		at := start + k*d*e.sat.perRecord
		if e.onsets != nil {
			at = start + nanoTicks(e.onsets[k], per)
		}
		base := e.header + k*e.recordSize
		if i := len(r.Time); i > 0 && at <= r.Time[i-1] {
			return e.fail(base, wording.Said("onset of data record %d", k+1), wording.Said("data records in order of time, none inside another (EDF+ 2.1.2)"),
				wording.Said("one that starts before the last sample of the record before"), edfMend)
		}
		sat := e.data[base+e.sat.offset:]
		for j := range e.sat.perRecord {
			r.Time = append(r.Time, at+j*d)
			r.SpO2 = append(r.SpO2, e.sat.read(sat[2*j:]))
			if e.pulse != nil {
				p := e.pulse.offset + 2*(j*e.pulse.perRecord/e.sat.perRecord)
				r.Pulse = append(r.Pulse, e.pulse.read(e.data[base+p:]))
			}
		}
	}
	for _, m := range e.marks {
		r.Annotations = append(r.Annotations, Annotation{start + nanoTicks(m.onset, per), m.text})
	}
	return nil
}

// read returns the code at the front of b, or NoReading where the number that
// it stands for is none: outside the digital range (edge case 2), a no-reading
// code after scaling, or impossible.
func (c *edfChannel) read(b []byte) int32 {
	code := int32(int16(binary.LittleEndian.Uint16(b)))
	if code < c.dmin || code > c.dmax {
		c.count("outside the digital range")
		return NoReading
	}
	return c.take(code)
}

// describe fills what the worksheet says about the reading of the file.
func (e *edfReader) describe() {
	r := e.rec
	seconds := func(num, den int64) string { return sixDecimals(big.NewRat(num, den)) }
	how := "%s: %d data records of %s s."
	if r.Format == FormatEDFD {
		how = "%s: %d data records of %s s. Each record is placed at its own onset."
	}
	r.Layout = append(r.Layout, wording.Said(how, strings.ToUpper(r.Format), e.records, seconds(e.duration, nanos)))
	describe := func(c *edfChannel, what string) {
		s := wording.Said("%s: signal %d %q", wording.Said(what), c.number, c.label)
		if c.dimension != "" {
			s = wording.Said("%s: signal %d %q in %q", wording.Said(what), c.number, c.label, c.dimension)
		}
		held := "%s, %d samples a record, codes %d to %d stand for %s to %s."
		switch {
		case e.sat == c && c.dimension == "" && c.factor == 1:
			held = "%s, %d samples a record, codes %d to %d stand for %s to %s, taken as percent."
		case c.factor != 1:
			held = "%s, %d samples a record, codes %d to %d stand for %s to %s, a fraction taken times 100."
		}
		r.Layout = append(r.Layout, wording.Said(held, s, c.perRecord, c.dmin, c.dmax, sixDecimals(c.pmin), sixDecimals(c.pmax)))
	}
	describe(e.sat, "Saturation")
	if e.pulse != nil {
		describe(e.pulse, "Pulse")
		if e.pulse.perRecord != e.sat.perRecord {
			r.Layout = append(r.Layout, wording.Said("Saturation and pulse have different rates: beside each saturation stands the pulse sample that held at its instant."))
		}
	}
	pulse := 0
	if e.pulse != nil {
		pulse = e.pulse.number
	}
	r.Layout = append(r.Layout, e.choice.unread(e.sat.number, pulse)...)
	e.sat.tell(r, e.sat.label)
	if e.pulse != nil {
		e.pulse.tell(r, e.pulse.label)
	}
}
