package recording

import (
	"fmt"
	"math/big"
	"math/bits"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"airwarrant/rules/wording"
)

// FHIR R4 (4.0.1): Observation, https://hl7.org/fhir/R4/observation.html, and
// SampledData, https://hl7.org/fhir/R4/datatypes.html#SampledData. What is
// read of them, and what is refused, is section 2.2 of the measurement
// reference.

// Codes of the warnings that the reader of FHIR gives.
const (
	WarnCensored  = "beyond_limits"         // readings that the file only says to lie below or above a limit
	WarnMorePages = "bundle_has_more_pages" // the Bundle is one page of a longer answer
	WarnResources = "resources_not_read"    // resources without saturation or pulse
	WarnNoPulseAt = "pulse_not_at_instants" // no pulse stands at the instants of the saturation
)

const (
	loinc = "http://loinc.org"
	ucum  = "http://unitsofmeasure.org"
)

var fhirMend = wording.Said("export the resource again as FHIR R4 in JSON")

// LOINC codes (measurement reference, section 2.2). 51733-4 is calculated
// from a partial pressure and never a measured saturation.
var (
	fhirSat        = []string{"59408-5", "59417-6", "2708-6"}
	fhirPulse      = []string{"8867-4", "8889-8"}
	fhirCalculated = "51733-4"
)

// looksLikeFHIR reports whether data begins as a JSON object.
func looksLikeFHIR(data []byte) bool {
	head := strings.TrimLeft(string(data[:min(len(data), 512)]), "\ufeff \t\r\n")
	rest, ok := strings.CutPrefix(head, "{")
	rest = strings.TrimLeft(rest, " \t\r\n")
	return ok && (rest == "" || rest[0] == '"' || rest[0] == '}')
}

// fhirPoint is one value at one instant, in nanoseconds since the Unix epoch.
type fhirPoint struct {
	ns   int64
	mant int32 // NoReading for none
	off  int32 // seconds east of UTC
	dec  uint8
}

// fhirColumn is what is read of saturation or pulse.
type fhirColumn struct {
	readings
	points         []fhirPoint
	origin, factor *big.Rat // of all points; nil until the first
	period         int64    // nanoseconds between samples, 0 for single readings
	max            uint8    // most decimals
	below, above   int      // readings beyond a limit
	limit          string   // the lower one
	series, single bool
}

// fhirStart is what an Observation says about when it was.
type fhirStart struct {
	known   bool
	instant bool // a dateTime or instant, not a Period
	ns      int64
	end     int64 // of a Period, 0 if not stated
	off     int32
}

type fhirReader struct {
	rec        *Recording
	cols       Columns
	sat, pulse fhirColumn
	faults     faults
	subject    string
	hasSubject bool
	patients   int
	others     int
	calculated bool
	used       int // Observations
	unknown    int // of them without a start
	declared   map[string]bool
}

// readFHIR reads an Observation, or a Bundle of them. Of opt it honours
// Columns: unit says what a saturation of unclear unit is, pulse=none leaves
// the pulse out, and spo2 and pulse number the dimensions of SampledData that
// has several.
func readFHIR(data []byte, opt Options) (*Recording, error) {
	cols, err := signalColumns("FHIR", opt.Columns)
	if err != nil {
		return nil, err
	}
	f := &fhirReader{rec: &Recording{Format: FormatFHIR}, cols: cols, declared: map[string]bool{}}
	f.sat.sat = true
	skip := int64(0)
	if strings.HasPrefix(string(data[:min(len(data), 3)]), "\ufeff") {
		skip = 3
	}
	data = data[skip:]
	if !utf8.Valid(data) {
		return nil, &FormatError{Format: "FHIR", Offset: skip, Err: ErrFormat, Expected: wording.Said("JSON in UTF-8"), Found: wording.Said("bytes that are not UTF-8"), Mend: fhirMend}
	}
	var entries []jsonSpan
	p := &jsonParser{data: data, base: skip, entries: &entries}
	top, err := p.parse()
	if err != nil {
		return nil, err
	}
	switch kind := top.get("resourceType").str(); kind {
	case "Observation":
		f.resource(top, "Observation")
	case "Bundle":
		if top.get("entry") == nil {
			return nil, f.refusal(top, "Bundle.entry", ErrFormat, wording.Said("entries with Observations"), wording.Said("none"))
		}
		f.modifiers(top, "Bundle")
		for _, l := range top.get("link").list() {
			if l.get("relation").str() == "next" {
				f.warn(WarnMorePages, "The Bundle is one page of a longer answer; the readings of the other pages are not in it.")
			}
		}
		for i, e := range entries {
			path := fmt.Sprintf("Bundle.entry[%d]", i)
			p := &jsonParser{data: data[e.from:e.to], base: skip + e.from, path: path}
			entry, err := p.parse()
			if err != nil {
				return nil, err
			}
			f.modifiers(entry, path)
			f.resource(entry.get("resource"), path+".resource")
		}
	default:
		found := wording.Said("none")
		if kind != "" {
			found = wording.Verbatim(strconv.Quote(shorten(kind, 40)))
		}
		return nil, f.refusal(top, "resourceType", ErrFormat, wording.Said("Observation or Bundle"), found)
	}
	if opt.Zone != "" {
		f.warn(WarnZoneNotUsed, "A zone was given and not used: the times of FHIR carry offsets already.")
	}
	return f.finish(top)
}

func (f *fhirReader) warn(code, format string, args ...any) {
	f.rec.Warnings = append(f.rec.Warnings, warning(code, format, args...))
}

func (f *fhirReader) refusal(n *jsonNode, path string, err error, expected, found wording.Text) *FormatError {
	return &FormatError{Format: "FHIR", Offset: n.at, Field: wording.Verbatim(path), Err: err, Expected: expected, Found: found, Mend: fhirMend}
}

func (f *fhirReader) fault(n *jsonNode, path string, expected, found wording.Text) {
	f.faults.add(f.refusal(n, path, ErrFormat, expected, found))
}

// modifiers refuses what changes the meaning of an element in a way that this
// reader does not know.
func (f *fhirReader) modifiers(n *jsonNode, path string) {
	for _, key := range []string{"modifierExtension", "implicitRules"} {
		if m := n.get(key); m != nil {
			f.fault(m, path+"."+key, wording.Said("no modifier"), wording.Said("one, which may change what the element means"))
		}
	}
}

func (f *fhirReader) declare(kind, value, where string) {
	value = shorten(strings.TrimSpace(value), maxValueLen)
	if value == "" || len(f.rec.Declared) >= maxDeclared || f.declared[kind+value] {
		return
	}
	f.declared[kind+value] = true
	f.rec.Declared = append(f.rec.Declared, Declaration{Kind: kind, Value: value, Where: wording.Literal(where).Text()})
}

func (f *fhirReader) resource(n *jsonNode, path string) {
	for i, c := range n.get("contained").list() {
		f.person(c, fmt.Sprintf("%s.contained[%d]", path, i))
	}
	switch {
	case n.get("resourceType").str() == "Observation" && f.observation(n, path):
	case f.person(n, path):
	default:
		f.others++
	}
}

// person declares what a Patient or Device says.
func (f *fhirReader) person(n *jsonNode, path string) bool {
	switch n.get("resourceType").str() {
	case "Patient":
		f.patients++
		for i, name := range n.get("name").list() {
			text := name.get("text").str()
			if text == "" {
				var parts []string
				for _, g := range name.get("given").list() {
					parts = append(parts, g.str())
				}
				text = strings.Join(append(parts, name.get("family").str()), " ")
			}
			f.declare("name", text, fmt.Sprintf("%s.name[%d]", path, i))
		}
		for i, id := range n.get("identifier").list() {
			f.declare("identifier", id.get("value").str(), fmt.Sprintf("%s.identifier[%d]", path, i))
		}
		f.declare("birth_date", n.get("birthDate").str(), path+".birthDate")
		f.declare("sex", n.get("gender").str(), path+".gender")
		return true
	case "Device":
		for i, name := range n.get("deviceName").list() {
			f.declare("equipment", name.get("name").str(), fmt.Sprintf("%s.deviceName[%d]", path, i))
		}
		return true
	}
	return false
}

// column says what a code means: the column that its values belong to, nil if
// neither.
func (f *fhirReader) column(holder *jsonNode, path string) *fhirColumn {
	sat, pulse, calculated := false, false, false
	code := holder.get("code")
	for _, c := range code.get("coding").list() {
		if c.get("system").str() != loinc {
			continue
		}
		s := c.get("code").str()
		sat = sat || slices.Contains(fhirSat, s)
		pulse = pulse || slices.Contains(fhirPulse, s)
		calculated = calculated || s == fhirCalculated
	}
	f.calculated = f.calculated || calculated
	switch {
	case sat && (pulse || calculated):
		f.fault(code, path+".code", wording.Said("codes of one quantity"), wording.Said("codes that contradict each other"))
		return nil
	case sat:
		return &f.sat
	case pulse && f.cols.Pulse != "none":
		return &f.pulse
	}
	return nil
}

// observation reads what an Observation says of saturation and pulse, and
// reports false if that is nothing.
func (f *fhirReader) observation(n *jsonNode, path string) bool {
	type held struct {
		col  *fhirColumn
		node *jsonNode
		path string
	}
	var all []held
	inner := map[*fhirColumn]bool{}
	for i, c := range n.get("component").list() {
		p := fmt.Sprintf("%s.component[%d]", path, i)
		if col := f.column(c, p); col != nil {
			all = append(all, held{col, c, p})
			inner[col] = true
		}
	}
	if col := f.column(n, path); col != nil {
		// A panel may repeat its code on the component that has the value.
		if !inner[col] || len(valueKeys(n)) > 0 {
			all = append(all, held{col, n, path})
		}
	}
	if len(all) == 0 {
		return false
	}
	f.used++
	switch status := n.get("status").str(); status {
	case "final", "amended", "corrected":
	case "":
		f.fault(n, path+".status", wording.Said("final, amended or corrected"), wording.Said("none"))
	default:
		f.fault(n.get("status"), path+".status", wording.Said("final, amended or corrected"), wording.Verbatim(strconv.Quote(shorten(status, 40))))
	}
	f.modifiers(n, path)
	f.who(n, path)
	start, ok := f.start(n, path)
	if !ok {
		return true
	}
	if !start.known {
		f.unknown++
	}
	for _, h := range all {
		if h.node != n {
			f.modifiers(h.node, h.path)
		}
		f.value(h.col, h.node, start, h.path)
	}
	return true
}

// who keeps to one subject and declares it.
func (f *fhirReader) who(n *jsonNode, path string) {
	s := n.get("subject")
	key := s.get("reference").str() + "\x00" + s.get("identifier").get("value").str()
	if s != nil {
		if f.hasSubject && key != f.subject {
			e := f.refusal(s, path+".subject", ErrAmbiguous, wording.Said("Observations of one person"), wording.Said("another person than in the first"))
			e.Mend = wording.Said("give the readings of one person")
			f.faults.add(e)
		}
		f.subject, f.hasSubject = key, true
	}
	f.declare("identifier", s.get("reference").str(), path+".subject.reference")
	f.declare("identifier", s.get("identifier").get("value").str(), path+".subject.identifier")
	f.declare("name", s.get("display").str(), path+".subject.display")
	f.declare("equipment", n.get("device").get("display").str(), path+".device.display")
	for i, p := range n.get("performer").list() {
		f.declare("technician", p.get("display").str(), fmt.Sprintf("%s.performer[%d].display", path, i))
	}
	if m := n.get("method").get("text").str(); strings.Contains(strings.ToLower(m), "averag") {
		f.declare("averaging", m, path+".method.text")
	}
}

var (
	fhirInstant = regexp.MustCompile(`^\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}(\.\d+)?(Z|[+-]\d{2}:\d{2})$`)
	fhirNoZone  = regexp.MustCompile(`^\d{4}-\d{2}-\d{2}T\d{2}:\d{2}(:\d{2}(\.\d+)?)?$`)
	fhirDate    = regexp.MustCompile(`^\d{4}(-\d{2}(-\d{2})?)?$`)
)

// instant reads a dateTime. known is false for one without a time of day.
func (f *fhirReader) instant(n *jsonNode, path string) (t time.Time, known, ok bool) {
	s := n.str()
	switch {
	case fhirDate.MatchString(s):
		f.declare("start_date", s, path)
		return t, false, true
	case fhirNoZone.MatchString(s):
		f.fault(n, path, wording.Said("a time with its offset, as FHIR asks for"), wording.Said("a time without one"))
		return t, false, false
	}
	t, err := time.Parse(time.RFC3339, s)
	if _, off := t.Zone(); !fhirInstant.MatchString(s) || err != nil || off > 14*3600 || off < -14*3600 || t.Year() < 1800 || t.Year() > 2199 {
		f.fault(n, path, wording.Said("a time such as 2026-03-01T22:14:00-05:00"), excerpt(s))
		return t, false, false
	}
	return t, true, true
}

// start reads effective[x]. Without a time of day the start is unknown.
func (f *fhirReader) start(n *jsonNode, path string) (s fhirStart, ok bool) {
	var kinds []string
	for _, k := range n.keys {
		if strings.HasPrefix(k, "effective") {
			kinds = append(kinds, k)
		}
	}
	if len(kinds) > 1 {
		f.fault(n, path+".effective", wording.Said("one effective[x]"), wording.Said("several"))
		return s, false
	}
	if len(kinds) == 0 {
		return s, true
	}
	path += "." + kinds[0]
	at := n.get(kinds[0])
	var t time.Time
	switch kinds[0] {
	case "effectiveDateTime", "effectiveInstant":
		s.instant = true
		if t, s.known, ok = f.instant(at, path); !ok {
			return s, false
		}
	case "effectivePeriod":
		if begin := at.get("start"); begin != nil {
			if t, s.known, ok = f.instant(begin, path+".start"); !ok {
				return s, false
			}
		}
		if end := at.get("end"); end != nil {
			t, known, ok := f.instant(end, path+".end")
			if !ok {
				return s, false
			}
			if known {
				s.end = t.UnixNano()
			}
		}
	default:
		f.fault(at, path, wording.Said("effectiveDateTime, effectiveInstant or effectivePeriod"), wording.Said("another kind of time"))
		return s, false
	}
	if s.known {
		s.ns = t.UnixNano()
		_, off := t.Zone()
		s.off = int32(off)
	}
	return s, true
}

func valueKeys(n *jsonNode) []string {
	var out []string
	for _, k := range n.keys {
		if strings.HasPrefix(k, "value") {
			out = append(out, k)
		}
	}
	return out
}

// value reads the value of an Observation or component.
func (f *fhirReader) value(c *fhirColumn, n *jsonNode, start fhirStart, path string) {
	keys := valueKeys(n)
	absent := n.get("dataAbsentReason")
	switch {
	case len(keys) > 1:
		f.fault(n, path+".value", wording.Said("one value[x]"), wording.Said("several"))
	case len(keys) == 1 && absent != nil:
		f.fault(absent, path+".dataAbsentReason", wording.Said("a value or the reason why there is none"), wording.Said("both"))
	case len(keys) == 1 && keys[0] == "valueSampledData":
		f.sampled(c, n.get(keys[0]), start, path+".valueSampledData")
	case len(keys) == 1 && keys[0] != "valueQuantity":
		f.fault(n.get(keys[0]), path+"."+keys[0], wording.Said("valueQuantity or valueSampledData"), wording.Said("another kind of value"))
	case len(keys) == 0 && absent == nil:
		f.fault(n, path+".value", wording.Said("valueQuantity, valueSampledData or dataAbsentReason"), wording.Said("none"))
	case !start.known || !start.instant:
		f.fault(n, path, wording.Said("a single reading at an instant: effectiveDateTime with a time"), wording.Said("a period, a date, or no time"))
	case absent != nil:
		c.count("dataAbsentReason")
		c.point(fhirPoint{ns: start.ns, off: start.off, mant: NoReading})
		c.single = true
	default:
		f.quantity(c, n.get("valueQuantity"), start, path+".valueQuantity")
	}
}

func (f *fhirReader) quantity(c *fhirColumn, q *jsonNode, start fhirStart, path string) {
	c.single = true
	factor, ok := f.unit(c, q, path)
	if !ok || !f.calibrate(c, new(big.Rat), factor, q, path) {
		return
	}
	v := q.get("value")
	mant, dec, ok := fhirDecimal(v)
	if !ok {
		at := q
		if v != nil {
			at = v
		}
		f.fault(at, path+".value", wording.Said("a number of at most six decimals"), wording.Said("none"))
		return
	}
	p := fhirPoint{ns: start.ns, off: start.off, mant: mant, dec: dec}
	if cmp := q.get("comparator"); cmp != nil {
		switch s := cmp.str(); s {
		case "<", "<=":
			c.below++
			c.limit = v.text
		case ">", ">=":
			c.above++
		default:
			f.fault(cmp, path+".comparator", wording.Said("<, <=, >= or >"), excerpt(s))
			return
		}
		c.count(cmp.str())
		p.mant, p.dec = NoReading, 0
	}
	c.point(p)
}

// point keeps a value.
func (c *fhirColumn) point(p fhirPoint) {
	c.max = max(c.max, p.dec)
	c.points = append(c.points, p)
}

// calibrate keeps to one origin and factor, so that one Scale serves all.
func (f *fhirReader) calibrate(c *fhirColumn, origin, factor *big.Rat, n *jsonNode, path string) bool {
	if c.origin == nil {
		c.origin, c.factor = origin, factor
	}
	if c.origin.Cmp(origin) != 0 || c.factor.Cmp(factor) != 0 {
		f.fault(n, path, wording.Said("the origin, factor and unit of the readings before"), wording.Said("others"))
		return false
	}
	return true
}

// unit returns by how much a value has to be multiplied to be in the unit of
// its column.
func (f *fhirReader) unit(c *fhirColumn, q *jsonNode, path string) (*big.Rat, bool) {
	one := big.NewRat(1, 1)
	unit := q.get("code").str()
	if unit != "" && q.get("system").str() != ucum {
		f.fault(q, path+".system", wording.Verbatim(strconv.Quote(ucum)), wording.Said("another system, or none"))
		return nil, false
	}
	coded := unit != ""
	if !coded {
		unit = q.get("unit").str()
	}
	switch {
	case !c.sat:
		if u := strings.ToLower(unit); u == "" || strings.Contains(u, "min") || strings.Contains(u, "bpm") {
			return one, true
		}
		e := f.refusal(q, path+".unit", ErrFormat, wording.Verbatim("/min"), excerpt(unit))
		e.Mend = wording.Said("leave the pulse out%s", columnsFlag("pulse=none"))
		f.faults.add(e)
		return nil, false
	case f.cols.Unit == "percent", unit == "%", !coded && satDimension(unit) == unitPercent:
		return one, true
	case f.cols.Unit == "fraction":
		return big.NewRat(100, 1), true
	}
	e := f.refusal(q, path+".unit", ErrAmbiguous, wording.Said("%"), excerpt(unit))
	e.Mend = wording.Said("say whether they are percent or fractions%s", columnsFlag("unit=fraction or unit=percent"))
	f.faults.add(e)
	return nil, false
}

// fhirDecimal reads a decimal, in a JSON number or a token of SampledData.
func fhirDecimal(n *jsonNode) (mant int32, dec uint8, ok bool) {
	if n == nil || n.kind != 'n' {
		return 0, 0, false
	}
	return decimalToken(n.text)
}

func decimalToken(s string) (mant int32, dec uint8, ok bool) {
	m, d, mark, ok := parseDecimal(s)
	if !ok {
		// .5 and 8.8e1 are decimals of FHIR too
		r, isNumber := decimalNumber(s)
		if !isNumber {
			return 0, 0, false
		}
		t := sixDecimals(r)
		if back, _ := new(big.Rat).SetString(t); back.Cmp(r) != 0 {
			return 0, 0, false
		}
		m, d, _, ok = parseDecimal(t)
	}
	if !ok || mark == ',' || d > maxDecimals || m > 1<<30 || m < -1<<30 {
		return 0, 0, false
	}
	return int32(m), uint8(d), true
}

// jsonDecimal reads a JSON number.
func jsonDecimal(n *jsonNode) (*big.Rat, bool) {
	if n != nil && n.kind == 'n' {
		if r, ok := decimalNumber(n.text); ok {
			return r, true
		}
	}
	return nil, false
}

func (f *fhirReader) sampled(c *fhirColumn, d *jsonNode, start fhirStart, path string) {
	c.series = true
	for _, key := range []string{"interval", "intervalUnit"} {
		if n := d.get(key); n != nil {
			f.fault(n, path+"."+key, wording.Said("a period, as in FHIR R4"), wording.Said("an interval, as in R5"))
			return
		}
	}
	require := func(key string, fit func(*big.Rat) bool, expected wording.Text) (*big.Rat, bool) {
		n := d.get(key)
		if r, ok := jsonDecimal(n); ok && fit(r) {
			return r, true
		}
		at := d
		if n != nil {
			at = n
		}
		f.fault(at, path+"."+key, expected, wording.Said("none such"))
		return nil, false
	}
	milli := big.NewRat(1e6, 1)
	period, ok := require("period", func(r *big.Rat) bool {
		ns := new(big.Rat).Mul(r, milli)
		return ns.Sign() > 0 && ns.IsInt() && ns.Num().IsInt64() && ns.Num().Int64() <= maxEDFSeconds*nanos
	}, wording.Said("milliseconds above 0, down to a nanosecond"))
	if !ok {
		return
	}
	step := new(big.Rat).Mul(period, milli).Num().Int64()
	dims, ok := require("dimensions", func(r *big.Rat) bool {
		return r.IsInt() && r.Sign() > 0 && r.Cmp(big.NewRat(100, 1)) <= 0
	}, wording.Said("a whole number from 1"))
	if !ok {
		return
	}
	factor := big.NewRat(1, 1)
	if d.get("factor") != nil {
		if factor, ok = require("factor", func(r *big.Rat) bool { return r.Sign() != 0 }, wording.Said("a number other than 0")); !ok {
			return
		}
	}
	origin := d.get("origin")
	zero, ok := jsonDecimal(origin.get("value"))
	if !ok {
		f.fault(d, path+".origin", wording.Said("a Quantity with the value of zero and the unit"), wording.Said("none such"))
		return
	}
	unit, ok := f.unit(c, origin, path+".origin")
	if !ok || !f.calibrate(c, zero.Mul(zero, unit), factor.Mul(factor, unit), origin, path) {
		return
	}
	if n := d.get("lowerLimit"); n != nil {
		c.limit = n.text
	}
	text := d.get("data").str()
	if strings.TrimSpace(text) == "" {
		f.fault(d, path+".data", wording.Said("samples"), wording.Said("none"))
		return
	}
	n := int(dims.Num().Int64())
	own, other, ok := f.dimension(c, n, d, path)
	if !ok {
		return
	}
	if other >= 0 && !f.calibrate(&f.pulse, c.origin, c.factor, d, path) {
		return
	}
	c.period = step
	if other >= 0 {
		f.pulse.period, f.pulse.series = step, true
	}
	k := 0
	for token := range strings.FieldsSeq(text) {
		into := c
		switch k % n {
		case own:
		case other:
			into = &f.pulse
		default:
			k++
			continue
		}
		p := fhirPoint{ns: start.ns + int64(k/n)*step, off: start.off, mant: NoReading}
		if int64(k/n) > maxEDFSeconds*nanos/step {
			f.fault(d, path+".data", wording.Said("a recording of at most 500000000 s"), wording.Said("a longer one"))
			return
		}
		switch token {
		case "E":
			into.count("E")
		case "L":
			into.count("L")
			into.below++
		case "U":
			into.count("U")
			into.above++
		default:
			if p.mant, p.dec, ok = decimalToken(token); !ok || strings.ContainsAny(token, "eE") {
				f.fault(d.get("data"), fmt.Sprintf("%s.data, sample %d", path, k+1), wording.Said("a decimal, E, L or U"), excerpt(token))
				return
			}
		}
		into.point(p)
		k++
	}
	if k%n != 0 {
		f.fault(d, path+".data", wording.Said("samples in groups of %d", n), wording.Verbatim(strconv.Itoa(k)))
		return
	}
	if start.known && start.end != 0 {
		// An end may be that of the last sample or its instant, cut to seconds.
		if gap := start.end - start.ns - int64(k/n)*step; gap > nanos || gap < -step-nanos {
			f.warn(WarnSampleCount, "%d samples every %s s do not fill the period that the Observation states; each sample is placed from its start.", k/n, sixDecimals(big.NewRat(step, nanos)))
		}
	}
}

// dimension says which of n interlaced values a sample has: that of the
// column itself and, where the caller named it, that of the pulse; -1 is none.
func (f *fhirReader) dimension(c *fhirColumn, n int, d *jsonNode, path string) (own, other int, ok bool) {
	if n == 1 {
		return 0, -1, true
	}
	pick := func(s string) (int, bool) {
		v, err := strconv.Atoi(s)
		return v - 1, err == nil && v >= 1 && v <= n
	}
	own, ok = pick(f.cols.SpO2)
	if !c.sat || !ok {
		e := f.refusal(d.get("dimensions"), path+".dimensions", ErrAmbiguous, wording.Said("1"), wording.Verbatim(strconv.Itoa(n)))
		e.Mend = wording.Said("say which of the interlaced values is the saturation, and which the pulse%s", columnsFlag("spo2=NUMBER,pulse=NUMBER"))
		f.faults.add(e)
		return 0, 0, false
	}
	if other, ok = pick(f.cols.Pulse); !ok || other == own {
		other = -1
	}
	return own, other, true
}

func (f *fhirReader) finish(top *jsonNode) (*Recording, error) {
	r := f.rec
	if err := f.faults.err(); err != nil {
		return nil, err
	}
	refuse := func(err error, field string, expected, found, mend wording.Text) error {
		e := f.refusal(top, field, err, expected, found)
		e.Mend = mend
		return e
	}
	if len(f.sat.points) == 0 {
		found := wording.Said("%d resources of other kinds and codes", f.others)
		if f.calculated {
			found = wording.Said("a saturation calculated from a partial pressure (%s), which is no measurement", fhirCalculated)
		}
		return nil, refuse(ErrNoSpO2, "code", wording.Said("an Observation with LOINC %s", strings.Join(fhirSat, ", ")), found, wording.Said("export the measured saturation"))
	}
	if f.sat.series && f.sat.single {
		return nil, refuse(ErrAmbiguous, "value", wording.Said("a series, or single readings"), wording.Said("both"), wording.Said("give the series alone, or the single readings alone"))
	}
	if f.unknown > 0 && f.used > 1 {
		return nil, refuse(ErrFormat, "effective", wording.Said("a time in every Observation"), wording.Said("%d of %d without one", f.unknown, f.used), fhirMend)
	}
	for _, c := range []*fhirColumn{&f.sat, &f.pulse} {
		slices.SortStableFunc(c.points, func(a, b fhirPoint) int {
			switch {
			case a.ns < b.ns:
				return -1
			case a.ns > b.ns:
				return 1
			}
			return 0
		})
	}
	sat, err := f.codes(&f.sat, top)
	if err != nil {
		return nil, err
	}
	s := &series{t: make([]int64, len(sat)), sat: sat, flags: make([]Flag, len(sat)), dated: true}
	if len(f.pulse.points) > 0 {
		codes, err := f.codes(&f.pulse, top)
		if err != nil {
			return nil, err
		}
		s.pulse = f.beside(codes)
	}
	s.per = f.ticksPerSecond()
	s.idx = make([]int32, len(sat))
	for i, p := range f.sat.points {
		s.t[i] = nanoTicks(p.ns, s.per)
		s.idx[i] = int32(i)
	}
	// The instants are stated, so nothing else is put in order or spread.
	s.dropCopies()
	s.markConflicts()

	r.PerSecond = s.per
	r.SpO2Scale, r.PulseScale = f.sat.scale, f.pulse.scale
	r.Time, r.SpO2 = pickRows(s.t, s.idx), pickRows(s.sat, s.idx)
	if s.pulse != nil {
		r.Pulse = pickRows(s.pulse, s.idx)
	}
	if slices.ContainsFunc(s.flags, func(x Flag) bool { return x != 0 }) {
		r.Flags = pickRows(s.flags, s.idx)
	}
	r.Clock = ClockInstant
	if f.unknown > 0 {
		r.Clock = ClockElapsed
		f.warn(WarnNoStart, "The Observation does not say at what time it began.")
	} else {
		for k, i := range s.idx {
			r.noteOffset(k, int(f.sat.points[i].off))
		}
	}
	r.Warnings = append(r.Warnings, s.warnings...)
	f.tell()
	return r, nil
}

// codes brings the values of c to one number of decimals, makes its scale and
// judges each.
func (f *fhirReader) codes(c *fhirColumn, top *jsonNode) ([]int32, error) {
	if c.origin == nil { // every reading is absent
		c.origin, c.factor = new(big.Rat), big.NewRat(1, 1)
	}
	refuse := func(expected, found wording.Text) error {
		return f.refusal(top, "values", ErrFormat, expected, found)
	}
	out := make([]int32, len(c.points))
	most := int64(1)
	for i, p := range c.points {
		if out[i] = p.mant; p.mant == NoReading {
			continue
		}
		v := int64(p.mant) * pow10(int(c.max-p.dec))
		if abs(v) > 1<<30 {
			return nil, refuse(wording.Said("values of fewer digits"), wording.Said("a number that large beside others of so many decimals"))
		}
		out[i] = int32(v)
		most = max(most, abs(v))
	}
	mul := new(big.Rat).Quo(c.factor, big.NewRat(pow10(int(c.max)), 1))
	var ok bool
	if c.scale, ok = newScale(mul, c.origin, uint(bits.Len64(uint64(most)))); !ok {
		return nil, refuse(wording.Said("an origin and factor of fewer digits"), wording.Said("more"))
	}
	for i, v := range out {
		if v != NoReading {
			out[i] = c.take(v)
		}
	}
	return out, nil
}

// beside finds for each saturation the pulse that holds at its instant: the
// last one before it that is not older than its period, or than the common
// step between saturations where pulses are single readings. Two pulses at
// one instant are none.
func (f *fhirReader) beside(codes []int32) []int32 {
	pulse := f.pulse.points
	hold := f.pulse.period
	if hold == 0 {
		s := &series{t: make([]int64, len(f.sat.points)), idx: make([]int32, len(f.sat.points))}
		for i, p := range f.sat.points {
			s.t[i], s.idx[i] = p.ns, int32(i)
		}
		hold = max(1, s.commonStep())
	}
	out := make([]int32, len(f.sat.points))
	next, met := 0, 0
	for i, p := range f.sat.points {
		for next < len(pulse) && pulse[next].ns <= p.ns {
			next++
		}
		out[i] = NoReading
		if next == 0 || p.ns-pulse[next-1].ns >= hold {
			continue
		}
		met++
		if next > 1 && pulse[next-2].ns == pulse[next-1].ns && codes[next-2] != codes[next-1] {
			f.pulse.count("two values at one instant")
			continue
		}
		out[i] = codes[next-1]
	}
	if met == 0 {
		f.warn(WarnNoPulseAt, "The file has pulse readings, and none at the instants of the saturation.")
	}
	return out
}

// ticksPerSecond is the coarsest of 1 s, 1 ms, 1 us and 1 ns of which every
// instant is a whole number.
func (f *fhirReader) ticksPerSecond() int64 {
	per := int64(1)
	for _, p := range f.sat.points {
		for p.ns%(nanos/per) != 0 {
			per *= 1000
		}
	}
	return per
}

// tell fills what the worksheet says about the reading of the file.
func (f *fhirReader) tell() {
	r := f.rec
	how := wording.Said("FHIR R4: single readings, %d Observations.", f.used)
	if f.sat.series {
		how = wording.Said("FHIR R4: SampledData, one sample every %s s, placed from the start that the Observation states.", sixDecimals(big.NewRat(f.sat.period, nanos)))
	}
	r.Layout = append(r.Layout, how)
	f.sat.tell(r, "saturation")
	if len(f.pulse.points) > 0 {
		f.pulse.tell(r, "pulse")
	}
	if n := f.sat.below; n > 0 {
		limit := wording.Said("a lower limit that the file does not state")
		if f.sat.limit != "" {
			limit = wording.Said("the lower limit, %s in the units of the file", shorten(f.sat.limit, 20))
		}
		span := ""
		if f.sat.period > 0 {
			span = fmt.Sprintf(" (%s s)", sixDecimals(new(big.Rat).Mul(big.NewRat(int64(n), 1), big.NewRat(f.sat.period, nanos))))
		}
		f.warn(WarnCensored, "%d %s%s below %s: how low is unknown. They count as missing, although they may lie at or below a threshold from that limit up.",
			n, plural(n, "reading lies", "readings lie"), span, limit)
	}
	if n := f.sat.above; n > 0 {
		f.warn(WarnCensored, "%d %s above the upper limit and %s as missing.", n, plural(n, "reading lies", "readings lie"), plural(n, "counts", "count"))
	}
	if f.others > 0 {
		f.warn(WarnResources, "%d %s neither saturation nor pulse and %s not read.", f.others, plural(f.others, "resource holds", "resources hold"), plural(f.others, "was", "were"))
	}
	if f.patients > 1 {
		f.warn(WarnSeveralPersons, "The Bundle holds %d Patient resources.", f.patients)
	}
}
