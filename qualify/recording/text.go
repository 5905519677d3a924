package recording

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"airwarrant/rules/wording"
)

// Limits of the reader of delimited text, all our choice.
const (
	headLines    = 400 // lines in which the table must begin
	headBytes    = 1 << 18
	sampleRows   = 200 // rows by which columns are recognised
	maxFoot      = 20  // lines below the table
	maxDeclared  = 100
	maxMarks     = 1000
	maxValueLen  = 200
	maxDecimals  = 6
	maxPulse     = 999
	maxWidth     = 500
	maxPersons   = 20
	maxBadTokens = 20
)

// numericMark are the bits of Flag that hold, while rows are read, that a
// quality column had a number in this row; they never leave this file.
const numericMark Flag = 1 << (16 - maxQuality)

// textLine is a physical line of the head of the file.
type textLine struct {
	text   string
	offset int
}

// table is where the rows of a file stand.
type table struct {
	delim  rune
	header int // index of its line, -1 if there is none
	first  int // index of the header's line or of the first row's
	cells  []string
	width  int
	score  int // rows in the head that fit the table
	rows   [][]string
}

// textReader reads one file of delimited text.
type textReader struct {
	opt   Options
	cols  Columns
	zone  *time.Location
	rec   *Recording
	lines []textLine
	table table
	roles roles
	// columns are the names of those that are read.
	columns map[int]wording.Text

	dates    dateBook
	dateAt   []int32
	ns       []int64
	off      []int32
	hasOff   []bool // nil until a stamp has an offset
	sat      number
	pulse    number
	flags    []Flag
	line     []int32
	headed   map[int]bool
	style    clock // of the first stamp, to which all must keep
	styled   bool
	cut      bool // a stamp was finer than a nanosecond
	mark     byte // decimal mark met
	marks    []textMark
	unknown  map[string]int
	words    map[string]Flag
	persons  map[string]bool
	severals map[int]int
	faults   faults
	pending  []oddRow
	blank    int
	aligned  bool           // the columns were aligned by blanks
	units    []string       // of the row below the header
	full     bool           // maxMarks are kept
	lastMark map[int]string // last cell of an event or alarm column
	rounded  bool           // a stamp of a spreadsheet was rounded to a second
	began    bool           // the first row counts from a start that is known
	grouped  byte           // thousands mark met in elapsed time
	lastNS   int64          // elapsed time of the row before
}

type textMark struct {
	row  int
	text string
}

// oddRow is a row that is none of the table's. What it is shows only later.
type oddRow struct {
	cells []string
	fault *FormatError
	timed bool // it has a stamp and may be a damaged row
	short bool
}

// readText reads delimited text.
func readText(data []byte, opt Options, zone *time.Location) (*Recording, error) {
	cols, err := ParseColumns(opt.Columns)
	if err != nil {
		return nil, err
	}
	if err := refuseKnown(data); err != nil {
		return nil, err
	}
	body, encoding, cut, err := decodeText(data)
	if err != nil {
		return nil, err
	}
	t := newTextReader(opt, cols, zone)
	if err := t.read(body, encoding, cut); err != nil {
		return nil, err
	}
	return t.rec, nil
}

func newTextReader(opt Options, cols Columns, zone *time.Location) *textReader {
	return &textReader{
		opt: opt, cols: cols, zone: zone,
		rec:      &Recording{Format: FormatText},
		columns:  map[int]wording.Text{},
		headed:   map[int]bool{},
		unknown:  map[string]int{},
		words:    map[string]Flag{},
		persons:  map[string]bool{},
		severals: map[int]int{},
		lastMark: map[int]string{},
	}
}

// read reads body into t.rec.
func (t *textReader) read(body []byte, encoding string, cut bool) error {
	// A spreadsheet writes ="88" to keep a cell as it is.
	if bytes.Contains(body, []byte(`="`)) {
		body = bytes.ReplaceAll(body, []byte(`="`), []byte(`"`))
	}
	if cut {
		t.warn(WarnCutFile, "The file ends in zero bytes, as a write that was cut off leaves them.")
	}
	body, err := t.place(body)
	if err != nil {
		return err
	}
	by := t.table.delim
	if t.aligned {
		by = byBlanks
	}
	t.layout("Delimited text in %s, columns divided by %s.", encoding, wording.Said(delimiterName(by)))
	if err := t.findRoles(); err != nil {
		return err
	}
	for i := 0; i < t.table.first; i++ {
		t.declare(t.lines[i].text, nil, i+1)
	}
	t.readRows(body)
	if err := t.faults.err(); err != nil {
		return err
	}
	return t.finish()
}

// place locates the table, if need be in a text whose columns are aligned by
// blanks, and returns the text to read it from.
func (t *textReader) place(body []byte) ([]byte, error) {
	t.lines = splitHead(body)
	if t.cols.Delimiter != byBlanks {
		err := t.locate(len(body))
		if err == nil && t.table.header >= 0 || errors.Is(err, ErrOptions) {
			return body, err
		}
		plain, lines := t.table, t.lines
		if aligned := t.placeAligned(body, plain.score); aligned != nil && (err != nil || t.table.header >= 0) {
			return aligned, nil
		}
		t.table, t.lines, t.aligned = plain, lines, false
		return body, err
	}
	if aligned := t.placeAligned(body, 0); aligned != nil {
		return aligned, nil
	}
	return nil, t.fail(0, ErrFormat, wording.Said("columns aligned by blanks, as given"), wording.Said("no two rows that are alike"), wording.Said("correct the mark that divides columns%s", columnsFlag("delimiter=")))
}

// placeAligned locates a table of columns aligned by blanks with at least
// score rows, or returns nil.
func (t *textReader) placeAligned(body []byte, score int) []byte {
	given := t.cols.Delimiter
	defer func() { t.cols.Delimiter = given }()
	t.cols.Delimiter = '\t'
	var best table
	var bestLines []textLine
	var out []byte
	for _, least := range []int{2, 1} {
		aligned := tabsForBlanks(body, least)
		if aligned == nil {
			continue
		}
		t.lines = splitHead(aligned)
		if t.locate(len(aligned)) == nil && t.table.width > 1 && t.table.score >= max(score, best.score+1) {
			best, bestLines, out = t.table, t.lines, aligned
		}
	}
	t.table, t.lines, t.aligned = best, bestLines, out != nil
	return out
}

func (t *textReader) warn(code, format string, args ...any) {
	t.rec.Warnings = append(t.rec.Warnings, warning(code, format, args...))
}

func (t *textReader) layout(format string, args ...any) {
	t.rec.Layout = append(t.rec.Layout, wording.Said(format, args...))
}

// splitHead returns the first physical lines of body.
func splitHead(body []byte) []textLine {
	var out []textLine
	for at := 0; at < min(len(body), headBytes) && len(out) < headLines; {
		end := bytes.IndexByte(body[at:], '\n')
		next := at + end + 1
		if end < 0 {
			next, end = len(body), len(body)-at
		}
		if end > headBytes {
			break
		}
		out = append(out, textLine{strings.TrimRight(string(body[at:at+end]), "\r"), at})
		at = next
	}
	return out
}

// splitLine divides one physical line into cells and drops blank ones at its
// end, but for the second cell: a stamp with nothing behind it is a row.
func splitLine(s string, delim rune) []string {
	var cells []string
	if strings.Contains(s, `"`) {
		r := csv.NewReader(strings.NewReader(s))
		r.Comma, r.LazyQuotes, r.FieldsPerRecord = delim, true, -1
		cells, _ = r.Read() // a line that is no row has no cells
	} else if s != "" {
		cells = strings.Split(s, string(delim))
	}
	for i := range cells {
		cells[i] = trimCell(cells[i])
	}
	for n := len(cells); n > 0 && cells[n-1] == "" && (n != 2 || cells[0] == ""); n-- {
		cells = cells[:n-1]
	}
	return cells
}

// trimCell drops blanks, no-break blanks and the quotes and equals sign that
// a spreadsheet wraps around a cell.
func trimCell(s string) string {
	if s == "" || s[0] > '"' && s[0] != '=' && s[0] < utf8.RuneSelf && s[len(s)-1] > '"' && s[len(s)-1] < utf8.RuneSelf {
		return s
	}
	s = strings.TrimFunc(s, unicode.IsSpace)
	s = strings.TrimPrefix(s, "=")
	if len(s) > 1 && s[0] == '"' && s[len(s)-1] == '"' {
		s = strings.TrimFunc(s[1:len(s)-1], unicode.IsSpace)
	}
	return s
}

// locate finds the table: the delimiter under which most lines of the head
// are rows of one width. size is that of the whole text.
func (t *textReader) locate(size int) error {
	filled := 0
	for _, l := range t.lines {
		if strings.TrimSpace(l.text) != "" {
			filled++
		}
	}
	if len(t.lines) == 0 && size > headBytes {
		return t.fail(1, ErrFormat, wording.Said("lines of at most %d bytes", headBytes), wording.Said("a longer one"), exportMend)
	}
	if filled == 0 {
		return t.fail(0, ErrFormat, wording.Said("a table of stamps and saturations"), wording.Said("an empty file"), wording.Said("export the recording again"))
	}
	if t.cols.Header > len(t.lines) {
		return t.fail(0, ErrOptions, wording.Said("a header in line %d", t.cols.Header), wording.Said("%d lines", len(t.lines)), wording.Said("correct the line of the header%s", columnsFlag("header=")))
	}
	var best, hopeful table
	for _, d := range t.delimiters() {
		x := t.locateBy(d)
		if x.score > best.score || x.score == best.score && x.width > best.width {
			best = x
		}
		if x.header >= 0 && hopeful.cells == nil {
			hopeful = x
		}
	}
	if best.score > 0 {
		t.table = best
		return nil
	}
	if hopeful.cells != nil {
		return t.fail(hopeful.header+1, ErrFormat, wording.Said("rows of readings below the header"), wording.Said("none"), wording.Said("export the recording again"))
	}
	return t.fail(0, ErrFormat, wording.Said("a table of stamps and saturations in the first lines"), wording.Said("none that can be recognised"), wording.Said("export the recording as delimited text with a header, or say how to read it%s", columnsFlag("time=N,spo2=N")))
}

func (t *textReader) fail(line int, err error, expected, found, mend wording.Text) error {
	return &FormatError{Format: FormatText, Line: line, Offset: -1, Expected: expected, Found: found, Mend: mend, Err: err}
}

func (t *textReader) delimiters() []rune {
	if t.cols.Delimiter != 0 {
		return []rune{t.cols.Delimiter}
	}
	// A spreadsheet's own first line: sep=;
	if s, ok := strings.CutPrefix(strings.ToLower(strings.TrimSpace(t.lines[0].text)), "sep="); ok && len(s) == 1 {
		for _, d := range delimiters {
			if s == string(d.char) {
				return []rune{d.char}
			}
		}
	}
	var out []rune
	for _, d := range delimiters {
		out = append(out, d.char)
	}
	return out
}

// locateBy looks for the table as delim divides it.
func (t *textReader) locateBy(delim rune) table {
	cells := make([][]string, len(t.lines))
	for i, l := range t.lines {
		cells[i] = splitLine(l.text, delim)
		if len(cells[i]) > maxWidth {
			return table{header: -1}
		}
	}
	x := table{delim: delim, header: -1, first: -1}
	switch {
	case t.cols.Header > 0:
		x.header = t.cols.Header - 1
	case t.cols.Header < 0:
		x.header = findHeader(cells)
	}
	if x.header >= 0 {
		x.first = x.header
		x.cells = cells[x.header]
		x.width = len(x.cells)
	} else {
		for i, c := range cells {
			if dataLike(c) && (i+1 >= len(cells) || len(cells[i+1]) == 0 || dataLike(cells[i+1]) && len(cells[i+1]) == len(c) || i+2 < len(cells) && dataLike(cells[i+2])) {
				x.first = i
				break
			}
		}
		if x.first < 0 {
			return table{header: -1}
		}
		x.width = len(cells[x.first])
		for _, c := range cells[x.first:min(len(cells), x.first+sampleRows)] {
			if dataLike(c) && len(c) > x.width {
				x.width = len(c)
			}
		}
		if i := x.first - 1; t.cols.Header < 0 && i >= 0 && len(cells[i]) == x.width && headerLike(cells[i]) {
			x.header, x.first, x.cells = i, i, cells[i]
		}
	}
	start := x.first
	if x.header >= 0 {
		start++
	}
	for _, c := range cells[start:] {
		if len(c) > 0 && len(c) <= x.width && dataLike(c) && (len(c) == x.width || x.width > 1 && len(c) > 1) {
			if len(x.rows) < sampleRows {
				x.rows = append(x.rows, c)
			}
			x.score++
		}
	}
	return x
}

// findHeader returns the first line that names a saturation column over a row
// with a reading in it, or the first that names one at all; -1 if none does.
func findHeader(cells [][]string) int {
	for i, c := range cells {
		col := slices.IndexFunc(c, func(s string) bool { return headerRole(s) == roleSat })
		if col < 0 || !headerLike(c) || (len(c) == 1 || len(c) == 2 && c[1] == "") && strings.Contains(c[0], ":") {
			continue
		}
		looked := 0
		for _, r := range cells[i+1:] {
			if len(r) == 0 {
				continue
			}
			if len(r) <= len(c) && dataLike(r) && (col >= len(r) || isReading(r[col])) {
				return i
			}
			if looked++; looked == 3 {
				break
			}
		}
	}
	// None has rows: a header at the very end of the file.
	for i, c := range cells {
		if len(c) > 1 && headerLike(c) && slices.ContainsFunc(c, func(s string) bool { return headerRole(s) == roleSat }) &&
			!slices.ContainsFunc(cells[i+1:], func(r []string) bool { return len(r) > 0 }) {
			return i
		}
	}
	return -1
}

// headerLike tells whether no cell of a line is a number or a stamp.
func headerLike(cells []string) bool {
	for _, s := range cells {
		if sh := cellShape(s); sh != shapeOther && sh != shapeBlank {
			return false
		}
	}
	return len(cells) > 0
}

// dataLike tells whether a line can be a row: a stamp or number in it.
func dataLike(cells []string) bool {
	numbers, times := 0, 0
	for _, s := range cells {
		switch cellShape(s) {
		case shapeNumber:
			numbers++
		case shapeClock, shapeDate, shapeStamp:
			times++
		case shapeOther:
			if noReadingWord(s) {
				numbers++
			}
		}
	}
	return times > 0 && (numbers > 0 || len(cells) > 1) || numbers == len(cells) && numbers > 0 || numbers > 1
}

func isReading(s string) bool {
	_, _, _, ok := parseDecimal(stripPercent(s))
	return ok || noReadingWord(s)
}

// findRoles settles which column is which.
func (t *textReader) findRoles() error {
	f := &finder{cols: t.cols, header: t.table.cells, width: t.table.width, rows: t.table.rows, opt: t.opt, line: t.table.first + 1}
	if t.table.header >= 0 {
		t.layout("Header in line %d.", t.table.header+1)
	} else {
		t.layout("No header.")
	}
	r, err := f.find()
	t.roles = r
	if err != nil {
		return err
	}
	t.rec.Layout = append(t.rec.Layout, f.layout...)
	for c := 0; c < t.table.width; c++ {
		t.columns[c] = f.column(c)
	}
	if f.byNumbers {
		t.warn(WarnByNumbers, "The file has no header: the column of saturation was recognised by its numbers alone.")
	}
	t.sat = number{name: "spo2", codes: map[string]int{}}
	t.pulse = number{name: "pulse", codes: map[string]int{}}
	return nil
}

// readRows reads the table from its header to the end of the file.
func (t *textReader) readRows(body []byte) {
	start := t.lines[t.table.first]
	base := t.table.first
	cr := csv.NewReader(bytes.NewReader(body[start.offset:]))
	cr.Comma, cr.FieldsPerRecord, cr.ReuseRecord = t.table.delim, -1, true
	wholeEnd := len(body) > 0 && body[len(body)-1] == '\n'
	header := t.table.header >= 0
	afterHeader := false
	for {
		cells, err := cr.Read()
		if err == io.EOF {
			break
		}
		if err != nil {
			var pe *csv.ParseError
			line, col := 0, 0
			if errors.As(err, &pe) {
				line, col = pe.Line+base, pe.Column
			}
			if pe != nil && errors.Is(pe.Err, csv.ErrBareQuote) {
				t.odd(oddRow{fault: t.fault(line, -1, wording.Said("a quote only around a whole field"), wording.Said("a quote at byte %d of the line", col), wording.Said("put the field in quotes and double the quote inside"))})
				continue
			}
			start := line
			if pe != nil {
				start = pe.StartLine + base
			}
			t.faults.add(t.fault(line, -1, wording.Said("a quote that closes the field begun in line %d", start), wording.Said("none, or text behind it"), wording.Said("close the quote, or double it inside the field")))
			continue
		}
		line, _ := cr.FieldPos(0)
		line += base
		if header { // the header itself
			header, afterHeader = false, true
			continue
		}
		n := len(cells)
		for n > t.table.width && trimCell(cells[n-1]) == "" {
			n--
		}
		t.row(cells[:n], line, &afterHeader)
	}
	t.foot(wholeEnd)
}

func (t *textReader) fault(line, col int, expected, found, mend wording.Text) *FormatError {
	e := &FormatError{Format: FormatText, Line: line, Offset: -1, Expected: expected, Found: found, Mend: mend, Err: ErrFormat}
	if col >= 0 {
		e.Column = col + 1
		if t.table.header >= 0 && col < len(t.table.cells) {
			e.Field = wording.Verbatim(shorten(t.table.cells[col], 40))
		}
	}
	return e
}

// row reads one record of the table.
func (t *textReader) row(cells []string, line int, afterHeader *bool) {
	after := *afterHeader
	*afterHeader = false
	filled := false
	for _, c := range cells {
		if trimCell(c) != "" {
			filled = true
			break
		}
	}
	if !filled {
		t.blank++
		*afterHeader = after
		return
	}
	if after && t.unitRow(cells) {
		return
	}
	fault, timed := t.reading(cells, line)
	if fault == nil {
		if len(t.pending) == 1 && len(t.line) == 1 && !t.pending[0].timed {
			t.warn(WarnCutStart, "Line %d, the first row, is cut short and was not read: the recorder may have overwritten what stood before it.", t.pending[0].fault.Line)
			t.pending = t.pending[:0]
		}
		if len(t.pending) > 0 {
			t.refusePending()
		}
		if after && len(t.line) > 1 {
			t.headed[len(t.line)-1] = true
		}
		return
	}
	if t.repeatsHeader(cells) {
		// What stands before a repeated header belongs to the next block.
		if slices.ContainsFunc(t.pending, func(o oddRow) bool { return o.timed }) {
			t.refusePending()
		}
		for _, o := range t.pending {
			t.declare("", o.cells, o.fault.Line)
		}
		t.pending = t.pending[:0]
		*afterHeader = true
		return
	}
	t.odd(oddRow{cells: slices.Clone(cells), fault: fault, timed: timed, short: len(cells) < t.table.width})
}

func (t *textReader) odd(o oddRow) {
	t.pending = append(t.pending, o)
	if len(t.pending) > 50*maxFoot {
		t.refusePending()
	}
}

func (t *textReader) refusePending() {
	for _, o := range t.pending {
		t.faults.add(o.fault)
	}
	t.pending = t.pending[:0]
}

// foot settles what stands below the last row of the table: totals and notes
// are passed over, a last row that is cut short too, anything that has a
// stamp is a damaged row.
func (t *textReader) foot(wholeEnd bool) {
	if n := len(t.pending); n > 0 && !wholeEnd && (t.pending[n-1].short || t.pending[n-1].timed) && len(t.line) > 0 {
		t.warn(WarnCutRow, "Line %d, the last one, is cut short and was not read.", t.pending[n-1].fault.Line)
		t.pending = t.pending[:n-1]
	}
	if len(t.pending) == 0 {
		return
	}
	if len(t.pending) > maxFoot || len(t.line) == 0 || slices.ContainsFunc(t.pending, func(o oddRow) bool { return o.timed }) {
		t.refusePending()
		return
	}
	t.warn(WarnFoot, "%d %s below the table, from line %d, were not read.", len(t.pending), plural(len(t.pending), "line", "lines"), t.pending[0].fault.Line)
}

func (t *textReader) repeatsHeader(cells []string) bool {
	if t.table.header < 0 {
		return false
	}
	for i, h := range t.table.cells {
		if i >= len(cells) || trimCell(cells[i]) != h {
			return false
		}
	}
	return true
}

// unitWords are what stands in a row of units below the header, beside
// patterns of dates and times.
var unitWords = wordSet("% percent pct prozent bpm 1/min /min min-1 s sec min ms hh:mm:ss h:mm:ss hh:mm yyyy-mm-dd dd.mm.yyyy dd/mm/yyyy mm/dd/yyyy tt.mm.jjjj jj/mm/aaaa dd/mm/aaaa schläge/min lpm ppm beats/min pulse/min")

// unitRow tells whether a row right below the header names units: all its
// filled cells do.
func (t *textReader) unitRow(cells []string) bool {
	filled := 0
	for _, c := range cells {
		c = strings.ToLower(strings.Trim(trimCell(c), "[]()"))
		if c == "" {
			continue
		}
		for _, w := range strings.Fields(c) {
			if !unitWords[w] {
				return false
			}
		}
		filled++
	}
	if filled == 0 {
		return false
	}
	t.units = slices.Clone(cells)
	return true
}

// reading takes one row of the table, or says what keeps it from being one.
// timed tells whether it has a stamp all the same.
func (t *textReader) reading(cells []string, line int) (fault *FormatError, timed bool) {
	cell := func(c int) string {
		if c < 0 || c >= len(cells) {
			return ""
		}
		return trimCell(cells[c])
	}
	date, ns, off, hasOff, fault := t.stamp(cell, line)
	timed = fault == nil && t.roles.mode != timeNone
	if len(cells) != t.table.width {
		return t.fault(line, -1, wording.Said("%d columns", t.table.width), wording.Joined("%d", len(cells)), wording.Said("correct the row at its source")), timed && len(cells) > 1
	}
	if fault != nil {
		return fault, false
	}
	sat, satDec, satToken, fault := t.number(&t.sat, cell(t.roles.sat), true, line, t.roles.sat)
	if fault != nil {
		return fault, timed
	}
	pulse, pulseDec, pulseToken := int32(NoReading), uint8(0), ""
	if t.roles.pulse >= 0 {
		if pulse, pulseDec, pulseToken, fault = t.number(&t.pulse, cell(t.roles.pulse), false, line, t.roles.pulse); fault != nil {
			return fault, timed
		}
		t.pulse.keep(pulse, pulseDec, pulseToken)
	}
	var flags Flag
	for i := range t.roles.quality {
		flags |= t.quality(i, cell(t.roles.quality[i].col))
	}
	if flags&FlagSensorOff != 0 && sat != NoReading {
		sat, satDec, satToken = NoReading, 0, "sensor off"
	}
	t.sat.keep(sat, satDec, satToken)
	for _, c := range t.roles.events {
		t.note(c, cell(c), false)
	}
	for _, c := range t.roles.alarms {
		t.note(c, cell(c), true)
	}
	for _, c := range t.roles.persons {
		t.person(c, cell(c), line)
	}
	if hasOff && t.hasOff == nil {
		t.hasOff = make([]bool, len(t.line), max(len(t.line)*2, 64))
	}
	if t.hasOff != nil {
		t.hasOff = append(t.hasOff, hasOff)
	}
	t.off = append(t.off, off)
	t.dateAt = append(t.dateAt, date)
	t.ns = append(t.ns, ns)
	t.flags = append(t.flags, flags)
	t.line = append(t.line, int32(min(line, math.MaxInt32)))
	return nil, true
}

// note keeps the mark of an event or alarm column. Cells that repeat the one
// above them tell of the same mark. Numbers and alarms carry the header, and
// nothing in such a column is ever a reading.
func (t *textReader) note(c int, s string, alarm bool) {
	if noReadingWord(s) || s == "0" {
		s = ""
	}
	if s == t.lastMark[c] {
		return
	}
	t.lastMark[c] = strings.Clone(s)
	if s == "" {
		return
	}
	if len(t.marks) == maxMarks {
		if !t.full {
			t.warn(WarnMarksCut, "The file has more than %d marks; the others are not shown.", maxMarks)
		}
		t.full = true
		return
	}
	if alarm || cellShape(s) != shapeOther {
		s = t.heading(c) + ": " + s
	}
	t.marks = append(t.marks, textMark{len(t.line), shorten(s, maxValueLen)})
}

// heading is the header of column c.
func (t *textReader) heading(c int) string {
	if t.table.header >= 0 && c < len(t.table.cells) && t.table.cells[c] != "" {
		return shorten(t.table.cells[c], 40)
	}
	return fmt.Sprintf("column %d", c+1)
}

// stamp reads the time of a row.
func (t *textReader) stamp(cell func(int) string, line int) (date int32, ns int64, off int32, hasOff bool, fault *FormatError) {
	mend := wording.Said("correct the row at its source, or name the column of time%s", columnsFlag("time=N"))
	r := &t.roles
	s := cell(r.stamp)
	switch r.mode {
	case timeNone:
		return -1, int64(len(t.line)) * t.opt.IntervalMS * 1e6, 0, false, nil
	case timeElapsed:
		ns, ok := t.elapsed(s)
		if !ok {
			return 0, 0, 0, false, t.fault(line, r.stamp, wording.Said("a number or h:mm:ss of elapsed time"), excerpt(s), mend)
		}
		return -1, ns, 0, false, nil
	case timeCount:
		ns, decimals, ok := parseCount(s, r.count)
		if !ok {
			return 0, 0, 0, false, t.fault(line, r.stamp, wording.Said("a number that counts %s", r.count.words()), excerpt(s), mend)
		}
		t.rounded = t.rounded || r.count == countSerial && decimals > 0 && decimals < 10
		return -1, ns, 0, r.count != countSerial, nil
	}
	date = -1
	col := r.stamp
	if r.mode == timePair {
		at, rest, ok := t.dates.take(cell(r.date), line)
		if ok && rest != "" { // a spreadsheet's date with a time of zero
			c, why := parseClock(trimStampGap(rest))
			ok = why.Format == "" && c.ns == 0
		}
		if !ok {
			return 0, 0, 0, false, t.fault(line, r.date, wording.Said("a date such as 2026-03-01"), excerpt(cell(r.date)), wording.Said("correct the row at its source, or name the column of dates%s", columnsFlag("date=N")))
		}
		date = at
	}
	if r.mode == timeStamp {
		at, rest, ok := t.dates.take(s, line)
		if ok {
			s = trimStampGap(rest)
		} else if clockPart, datePart, first := cutTimeFirst(s); first {
			if at, _, ok = t.dates.take(datePart, line); ok {
				s = clockPart
			}
		}
		if !ok {
			return 0, 0, 0, false, t.fault(line, col, wording.Said("a date and time such as 2026-03-01 22:14:00"), excerpt(s), mend)
		}
		date = at
	}
	if r.marker >= 0 {
		s += " " + cell(r.marker)
	}
	c, why := parseClock(s)
	switch {
	case why.Format != "":
		return 0, 0, 0, false, t.fault(line, col, wording.Said("a time of day such as 22:14:00"), wording.Joined("%s: %s", why, excerpt(s)), mend)
	case !t.styled:
		t.style, t.styled = c, true
	case c.hasSec != t.style.hasSec:
		return 0, 0, 0, false, t.fault(line, col, wording.Said("hours, minutes and seconds in all rows or in none"), excerpt(s), mend)
	case c.marked != t.style.marked:
		return 0, 0, 0, false, t.fault(line, col, wording.Said("AM or PM in all rows or in none"), excerpt(s), mend)
	}
	t.cut = t.cut || c.cut
	return date, c.ns, c.off, c.hasOff, nil
}

// elapsed reads a cell of elapsed time, in nanoseconds. A number such as 1,234
// is read the way that lies nearer to the row above, unless the decimal mark is
// given.
func (t *textReader) elapsed(s string) (int64, bool) {
	if strings.Contains(s, ":") {
		return parseElapsedClock(s)
	}
	ns, ok := t.elapsedNumber(s)
	if plain, mark, grouped := groupedNumber(s); grouped {
		far, fits := t.elapsedNumber(plain)
		switch {
		case !fits:
		case t.cols.Decimal != 0:
			if mark != t.cols.Decimal {
				ns, ok, t.grouped = far, true, mark
			}
		case !ok || len(t.line) > 0 && abs(far-t.lastNS) < abs(ns-t.lastNS):
			ns, ok, t.grouped = far, true, mark
		}
	}
	t.lastNS = ns
	return ns, ok
}

func (t *textReader) elapsedNumber(s string) (int64, bool) {
	mant, dec, _, ok := parseDecimal(s)
	if !ok || mant < 0 || dec > 9 {
		return 0, false
	}
	scale := t.roles.unit
	for ; dec > 0; dec-- {
		if scale%10 == 0 {
			scale /= 10
			continue
		}
		t.cut = t.cut || mant%10 != 0
		mant /= 10
	}
	// 100 years of nanoseconds stay well inside an int64.
	if mant > 100*365*dayNS/scale {
		return 0, false
	}
	return mant * scale, true
}

// finish turns the rows into a Recording.
func (t *textReader) finish() error {
	n := len(t.line)
	if n == 0 {
		return t.fail(t.table.first+1, ErrFormat, wording.Said("rows of readings"), wording.Said("none"), wording.Said("export the recording again"))
	}
	if err := t.settleSat(); err != nil {
		return err
	}
	t.settleMarks()
	s := series{per: 1000, header: t.headed, sat: t.sat.mant, flags: t.flags}
	if t.roles.pulse >= 0 {
		s.pulse = t.pulse.mant
	}
	if err := t.settleTime(&s); err != nil {
		return err
	}
	s.whole = t.wholeStep(&s)
	s.order(t.began || t.rec.Clock != ClockWall && t.rec.Clock != ClockTimeOfDay)
	t.gather(&s)
	t.lateStart()
	if t.began && t.zone != nil {
		if err := placeInZone(t.rec, t.zone); err != nil {
			return err
		}
	}
	noteDefaultClock(t.rec)
	return nil
}

// wholeStep is the unit to which all stamps are cut, in ticks: a second or, if
// they show no seconds, a minute; 0 if some are finer.
func (t *textReader) wholeStep(s *series) int64 {
	if t.roles.mode == timeNone || t.roles.mode == timeElapsed {
		return 0
	}
	unit := s.per
	if t.styled && !t.style.hasSec {
		unit = 60 * s.per
	}
	for _, v := range s.t {
		if v%unit != 0 {
			return 0
		}
	}
	return unit
}

// settleSat fixes the scales and refuses a column that is no saturation.
func (t *textReader) settleSat() error {
	col := t.roles.sat
	if t.sat.fit == 0 && t.sat.odd > 0 {
		return t.fail(t.table.first+1, ErrNoSpO2, wording.Said("saturations between 0 and 100 in %s", t.columns[col]), wording.Said("%d numbers, all outside", t.sat.odd), wording.Said("name the column of saturation%s", columnsFlag("spo2=N")))
	}
	t.rec.SpO2 = t.sat.codesInto()
	scale := Scale{1, 0, pow10(int(t.sat.max))}
	switch {
	case t.cols.Unit == "fraction":
		scale.Mul = 100
		for scale.Mul > 1 && scale.Den > 1 {
			scale.Mul /= 10
			scale.Den /= 10
		}
		t.layout("Saturation is a fraction of 1, as given.")
	case t.sat.fit > 0 && !t.sat.above && t.cols.Unit == "":
		return t.fail(t.table.first+1, ErrAmbiguous, wording.Said("saturations in percent in %s", t.columns[col]), wording.Said("no number above 1"), wording.Said("say whether they are percent or fractions%s", columnsFlag("unit=fraction or unit=percent")))
	}
	t.rec.SpO2Scale = scale
	t.layout("Saturation has %d decimals.", t.sat.max)
	if t.sat.odd > 0 {
		t.warn(WarnNotSaturation, "%d numbers of the saturation column lie below 0 or above 100 and are no known code: they count as no reading.", t.sat.odd)
	}
	t.rec.PulseScale = Scale{1, 0, 1}
	if t.roles.pulse >= 0 {
		t.rec.Pulse = t.pulse.codesInto()
		t.rec.PulseScale.Den = pow10(int(t.pulse.max))
		if t.pulse.odd > 0 {
			t.warn(WarnNotPulse, "%d numbers of the pulse column lie below 0 or above %d: they count as no reading.", t.pulse.odd, maxPulse)
		}
	}
	t.rec.Codes = t.codesMet()
	return nil
}

// codesMet lists the no-reading codes met so far, by column.
func (t *textReader) codesMet() []Count {
	var out []Count
	for _, n := range []*number{&t.sat, &t.pulse} {
		tokens := make([]string, 0, len(n.codes))
		for tok := range n.codes {
			tokens = append(tokens, tok)
		}
		slices.Sort(tokens)
		for _, tok := range tokens {
			out = append(out, Count{n.name, shorten(tok, 40), n.codes[tok]})
		}
	}
	return out
}

// settleMarks decides what the numbers in quality columns are: unread where
// the column holds nothing else, unknown marks where it holds words too.
func (t *textReader) settleMarks() {
	var drop, unknown Flag
	for i, q := range t.roles.quality {
		switch {
		case q.digits > 0 && q.words == 0:
			drop |= numericMark << i
			t.warn(WarnColumnNotRead, "Quality: %s holds numbers alone, whose meaning the file does not say; it is not read.", t.columns[q.col])
			t.layout("Quality: %s, not read.", t.columns[q.col])
		default:
			unknown |= numericMark << i
			if q.digits > 0 {
				t.unknown["a number"] += q.digits
			}
			t.layout("Quality: %s.", t.columns[q.col])
		}
	}
	if drop|unknown != 0 {
		for i, f := range t.flags {
			if f&unknown != 0 {
				f |= FlagUnknownMark
			}
			t.flags[i] = f &^ (drop | unknown)
		}
	}
	if len(t.unknown) > 0 {
		words := make([]string, 0, len(t.unknown))
		for w, n := range t.unknown {
			words = append(words, fmt.Sprintf("%q (%d)", w, n))
		}
		slices.Sort(words)
		t.warn(WarnUnknownMark, "Quality marks that are not known, whose samples are doubted: %s.", strings.Join(words, ", "))
	}
	for _, n := range t.severals {
		if n > 1 {
			t.warn(WarnSeveralPersons, "A column of names or identifiers holds %d values or more: the file may hold several persons.", n)
			break
		}
	}
	if t.blank > 0 {
		t.warn(WarnBlankRows, "%d %s without any value %s passed over.", t.blank, plural(t.blank, "row", "rows"), plural(t.blank, "was", "were"))
	}
}

// settleTime turns stamps into ticks and says what kind of clock they show.
func (t *textReader) settleTime(s *series) error {
	fine := t.cut
	for i, ns := range t.ns {
		if ns%1e6 != 0 {
			s.per = 1e6
			if ns%1e3 != 0 {
				fine = true
				t.ns[i] -= ns % 1e3
			}
		}
	}
	if fine {
		t.warn(WarnStampsCut, "Stamps finer than a microsecond were cut to it.")
	}
	tick := 1e9 / s.per
	s.t = make([]int64, len(t.ns))
	var day []int64
	switch t.roles.mode {
	case timeNone, timeElapsed:
		if t.roles.mode == timeElapsed && slices.Max(t.ns)-slices.Min(t.ns) < minStepNS*int64(len(t.ns)-1) {
			return t.fail(int(t.line[0]), ErrAmbiguous, wording.Said("steps of elapsed time of at least 50 ms"), wording.Said("shorter ones"), wording.Said("if a mark divides thousands say that the other is the decimal mark%s; else name the column of time", columnsFlag("decimal= and the other mark")))
		}
		if day, ns, ok := t.startOf(); ok {
			t.rec.Clock = ClockWall
			t.began = true
			for i, v := range t.ns {
				s.t[i] = day*86400*s.per + (ns+v)/tick
			}
			return nil
		}
		t.rec.Clock = ClockElapsed
		least := slices.Min(t.ns)
		for i, ns := range t.ns {
			s.t[i] = (ns - least) / tick
		}
		t.warn(WarnStartUnknown, "Rows count time from a start that the file does not say%s.", wording.Typed("; give it with --columns start=2026-03-01T22:00:00"))
		t.unusedZone()
		return nil
	case timeCount:
		s.dated = true
		for i, ns := range t.ns {
			s.t[i] = floorDiv(ns, tick)
		}
		t.rec.Clock = ClockWall
		if t.roles.count == countSerial {
			how := wording.Said("to the millisecond")
			if t.rounded {
				how = wording.Said("to the second, because they have fewer than ten decimals")
			}
			t.warn(WarnSerial, "Stamps are day numbers of a spreadsheet that counts from 1899-12-30; they were rounded %s.", how)
			return t.settleZone(s)
		}
		t.rec.Clock = ClockInstant
		if t.zone == nil {
			t.warn(WarnEpoch, "Stamps count from 1970-01-01 UTC and times are printed in UTC; give the zone for local dates.")
			return nil
		}
		for i := range t.off {
			_, off := time.Unix(floorDiv(t.ns[i], 1e9), 0).In(t.zone).Zone()
			t.off[i] = int32(off)
		}
		return nil
	case timeOfDay:
		day = make([]int64, len(t.ns))
		now := int64(0)
		for i := range t.ns {
			// A fall of more than 12 h is midnight; a smaller one is a clock
			// that was set back (case C09, C12).
			if i > 0 && t.ns[i-1]-t.ns[i] > dayNS/2 {
				now++
			}
			day[i] = now
		}
		t.rec.Clock = ClockTimeOfDay
		if first, ok := t.preambleDate(); ok {
			// A start late in the evening above a first row early in the
			// morning: midnight lies between.
			if at, ok := t.declaredClock(); ok && at-t.ns[0] > dayNS/2 {
				first++
			}
			for i := range day {
				day[i] += first
			}
			t.rec.Clock = ClockWall
			t.warn(WarnDatePreamble, "Rows carry times of day alone; the date of the first row is taken from above the table.")
		}
	default:
		s.dated = true
		days, layout, short, err := t.dates.settle(t.cols.Order, t.headerOrder(), t.crossings(), &t.faults)
		if err != nil {
			return err
		}
		if err := t.faults.err(); err != nil {
			return err
		}
		t.rec.Layout = append(t.rec.Layout, layout)
		if short {
			t.layout("Years of two digits are 1970 to 2069.")
			t.warn(WarnTwoDigitYear, "Years of two digits were read as 1970 to 2069.")
		}
		day = make([]int64, len(t.ns))
		for i, at := range t.dateAt {
			day[i] = days[at]
		}
		t.rec.Clock = ClockWall
	}
	for i, ns := range t.ns {
		s.t[i] = day[i]*86400*s.per + ns/tick
	}
	return t.settleZone(s)
}

// settleZone turns wall stamps into instants where an offset or a zone is
// known.
func (t *textReader) settleZone(s *series) error {
	own := func(i int) bool { return t.hasOff != nil && t.hasOff[i] }
	bare := -1
	for i := range s.t {
		if !own(i) {
			bare = i
			break
		}
	}
	switch {
	case bare < 0 && t.rec.Clock == ClockTimeOfDay, t.rec.Clock == ClockTimeOfDay:
		t.unusedZone()
		return nil
	case bare < 0:
		t.unusedZone()
	case t.zone == nil && t.hasOff != nil:
		return t.fail(int(t.line[bare]), ErrAmbiguous, wording.Said("an offset in every stamp or in none"), wording.Said("a stamp without one"), wording.Said("give the zone of the stamps without an offset"))
	case t.zone == nil:
		return nil
	default:
		wall := make([]int64, len(s.t))
		for i, v := range s.t {
			wall[i] = floorDiv(v, s.per)
		}
		repeated := placeStamps(t.zone, wall, t.off, own, func(i int) {
			t.faults.add(t.fault(int(t.line[i]), t.roles.stamp, wording.Said("a time that exists in %s", t.zone.String()),
				wording.Said("%s, which that zone skips", time.Unix(wall[i], 0).UTC().Format("2006-01-02 15:04:05")), wording.Said("correct the zone; for a clock that was not put forward give a zone without summer time")))
		})
		if err := t.faults.err(); err != nil {
			return err
		}
		if repeated > 0 {
			t.warn(WarnRepeatedHour, "%d stamps lie in an hour that the zone repeats; each is read as the time nearest to the row before it.", repeated)
		}
	}
	t.rec.Clock = ClockInstant
	for i := range s.t {
		s.t[i] -= int64(t.off[i]) * s.per
	}
	return nil
}

func (t *textReader) unusedZone() {
	if t.zone != nil {
		t.warn(WarnZoneNotUsed, "A zone was given and not used: the stamps carry offsets already, or no date.")
	}
}

// minStepNS is the least mean step of elapsed time that is believed: 50 ms, far
// below any oximeter's (our choice).
const minStepNS = 50e6

// startOf is the day and time at which elapsed time begins: given, or the one
// date and the one time of day that stand above the table.
func (t *textReader) startOf() (day, ns int64, ok bool) {
	if t.cols.Start != "" {
		day, ns, ok = parseStart(t.cols.Start)
		t.layout("Start: %s, as given.", t.cols.Start)
		return day, ns, ok
	}
	at, ok := t.declaredClock()
	if !ok {
		return 0, 0, false
	}
	if day, ok = t.preambleDate(); ok {
		t.warn(WarnStart, "Rows count time; the date and time of the start are taken from above the table.")
	}
	return day, at, ok
}

// declaredClock is the one time of day that stands in a start above the table.
func (t *textReader) declaredClock() (ns int64, ok bool) {
	for _, d := range t.rec.Declared {
		if d.Kind != "start_date" {
			continue
		}
		v := d.Value
		if _, rest, dated := parseDate(v); dated {
			v = trimStampGap(rest)
		} else if first, _, dated := cutTimeFirst(v); dated {
			v = first
		}
		c, why := parseClock(v)
		if why.Format != "" || c.hasOff {
			continue
		}
		if ok && c.ns != ns {
			return 0, false
		}
		ns, ok = c.ns, true
	}
	return ns, ok
}

// lateStart warns if the one start above the table, with date and time, lies
// well before the first row.
func (t *textReader) lateStart() {
	at, ok := t.declaredClock()
	if !ok || t.roles.mode == timeNone || t.roles.mode == timeElapsed || t.rec.Clock != ClockWall {
		return
	}
	before := len(t.rec.Warnings)
	day, ok := t.preambleDate()
	t.rec.Warnings = t.rec.Warnings[:before]
	if !ok {
		return
	}
	const tolerance = 120 // seconds (our choice)
	late := floorDiv(t.rec.Time[0], t.rec.PerSecond) - day*86400 - at/1e9
	if late > tolerance {
		t.warn(WarnStartLate, "The first row is %d min later than the start above the table: the recorder may have overwritten the beginning.", late/60)
	}
}

// headerOrder is the date order that the header of the dates prints.
func (t *textReader) headerOrder() string {
	col := t.roles.stamp
	if t.roles.mode == timePair {
		col = t.roles.date
	}
	if t.table.header >= 0 && col < len(t.table.cells) {
		if o := headerOrder(t.table.cells[col]); o != "" {
			return o
		}
	}
	if col < len(t.units) {
		return headerOrder(t.units[col])
	}
	return ""
}

// crossings finds the midnights between rows that are less than an hour apart
// if the days are consecutive. The file may run either way.
func (t *textReader) crossings() []crossing {
	const hour = int64(3600e9)
	var out []crossing
	for i := 1; i < len(t.ns); i++ {
		a, b := i-1, i
		if t.dateAt[a] == t.dateAt[b] {
			continue
		}
		if t.ns[a] < t.ns[b] {
			a, b = b, a
		}
		if dayNS-t.ns[a]+t.ns[b] <= hour && len(out) < 10000 {
			out = append(out, crossing{t.dateAt[a], t.dateAt[b]})
		}
	}
	return out
}

// preambleDate is the day number of the one date that stands above the table.
func (t *textReader) preambleDate() (int64, bool) {
	var found []int64
	met := false
	for _, d := range t.rec.Declared {
		if d.Kind != "start_date" {
			continue
		}
		text, _, ok := parseDate(d.Value)
		if !ok {
			continue
		}
		met = true
		orders := text.orders()
		if t.cols.Order != "" && !text.fixed {
			orders = []string{t.cols.Order}
		}
		var days []int64
		for _, o := range orders {
			if v, ok := text.days(o); ok && !slices.Contains(days, v) {
				days = append(days, v)
			}
		}
		if len(days) == 1 && !slices.Contains(found, days[0]) {
			found = append(found, days[0])
		} else if len(days) != 1 {
			found = append(found, -1, -2)
		}
	}
	if len(found) == 1 {
		return found[0], true
	}
	if met {
		t.warn(WarnDateNotRead, "The date above the table can be read in two ways, or several are given: the date of the recording is unknown.")
	}
	return 0, false
}

// gather fills the Recording in the order of s.
func (t *textReader) gather(s *series) {
	r := t.rec
	r.PerSecond = s.per
	r.Breaks = s.breaks
	r.Warnings = append(r.Warnings, s.warnings...)
	n := len(s.idx)
	inPlace := n == len(s.t)
	for k := 0; inPlace && k < n; k++ {
		inPlace = int(s.idx[k]) == k
	}
	flagged := slices.ContainsFunc(s.flags, func(f Flag) bool { return f != 0 })
	if inPlace {
		r.Time = s.t
		if flagged {
			r.Flags = s.flags
		}
	} else {
		r.Time = pickRows(s.t, s.idx)
		r.SpO2 = pickRows(r.SpO2, s.idx)
		if r.Pulse != nil {
			r.Pulse = pickRows(r.Pulse, s.idx)
		}
		if flagged {
			r.Flags = pickRows(s.flags, s.idx)
		}
	}
	if r.Clock == ClockInstant {
		for k, i := range s.idx {
			r.noteOffset(k, int(t.off[i]))
		}
	}
	for _, m := range t.marks {
		r.Annotations = append(r.Annotations, Annotation{At: s.t[m.row], Text: m.text})
	}
}

func pickRows[T any](column []T, idx []int32) []T {
	out := make([]T, len(idx))
	for k, i := range idx {
		out[k] = column[i]
	}
	return out
}
