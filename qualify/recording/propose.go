package recording

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"airwarrant/rules/wording"
)

// Proposal is how Read would take a file of delimited text or a sheet, or as far as it
// comes: what a mapping step shows. It holds cells of the file, which can be
// personal data: they are shown to whoever sent the file and never logged.
type Proposal struct {
	Sheet     string // number of the sheet of a workbook, "" for text
	Encoding  string
	Delimiter string // comma, semicolon, tab, pipe or blanks
	// Shape is the same for files that divide their columns alike and head
	// them with the same texts, in hex; "" without a header, because then
	// nothing tells one such file from another.
	Shape   string
	Header  int // line of the header, 0 if there is none
	Rows    []ProposedRow
	Columns []ProposedColumn
	Dates   DateEvidence
	// Offsets tells that stamps carry their offset from UTC, so that no zone
	// is asked for.
	Offsets bool
	Codes   []Count // no-reading codes met
	// NoTime tells that no column holds a time, so that the step between rows
	// has to be given; Fractions that no saturation is above 1, so that the
	// unit has to be answered; FromStart that rows count time from a start
	// that the file does not say.
	NoTime, Fractions, FromStart bool
	// Mapping is the proposal as --columns takes it. With the answers to
	// Question added it can be stored for the next file of that shape.
	Mapping string
	// Question is what Read says: nil if it reads the file so, else an error
	// that wraps ErrAmbiguous where an answer is all that lacks.
	Question error
}

// ProposedRow is one row of the table as its cells stand in the file.
type ProposedRow struct {
	Line  int
	Cells []string
}

// ProposedColumn is what one column is taken for.
type ProposedColumn struct {
	Number int // from 1
	Header string
	// Role is time, date, elapsed, marker (AM and PM), spo2, pulse, quality,
	// event, alarm, name, identifier, or not read.
	Role string
	// Reason says why in a few words.
	Reason wording.Text
	// Could lists spo2 or pulse where the numbers allow it, for the choice
	// that a mapping step offers.
	Could []string
}

// DateEvidence says in which order day, month and year are read, and why.
type DateEvidence struct {
	// Order is dmy, mdy or ymd; "" if the dates need none, there are none, or
	// the order has to be answered.
	Order string
	// Why is the evidence in one sentence, empty without dates.
	Why wording.Text
	// Answers lists the orders that fit where one has to be answered.
	Answers []DateAnswer
}

// DateAnswer is one reading of the first doubtful date.
type DateAnswer struct {
	Order   string       // as --columns order= takes it
	Reading wording.Text // such as "3 April 2026"
}

// proposedRows is how many rows a proposal shows (our choice).
const proposedRows = 10

// notRead is the role of a column that is passed over.
const notRead = "not read"

// Propose says how the columns of a file of delimited text, or of one sheet of
// a workbook, are taken, for a step in which people confirm or correct it. The
// file may be packed as for Read. The error is that of Read where there is no
// such text, no table can be found in it, or opt cannot be used; the Proposal
// is nil then.
func Propose(data []byte, opt Options) (*Proposal, error) {
	if err := opt.admit(data); err != nil {
		return nil, err
	}
	zone, err := loadZone(opt.Zone)
	if err != nil {
		return nil, err
	}
	all, err := unpack(data, opt)
	if err != nil {
		return nil, err
	}
	if len(all) > 1 {
		_, err := ReadBytes(data, opt)
		return nil, err
	}
	c := all[0]
	switch recognise(c.data) {
	case FormatText:
		return proposeText(c.data, opt, zone)
	case FormatXLSX:
		return proposeSheet(c.data, opt, zone)
	}
	return nil, &FormatError{Offset: 0, Err: ErrFormat, Expected: wording.Said("delimited text or a workbook"),
		Found: wording.Said("a format whose signals need no mapping"), Mend: wording.Said("give the file to be read as it is")}
}

// proposeSheet proposes for the first sheet in which a table can be found.
func proposeSheet(data []byte, opt Options, zone *time.Location) (*Proposal, error) {
	sheet, columns, err := cutSheet(opt.Columns)
	if err != nil {
		return nil, err
	}
	if opt.Workbook == nil {
		return nil, unreadable(0, wording.Said("a workbook"), wording.Said("save the sheet as delimited text and give that file"))
	}
	names, texts, err := opt.Workbook(data, opt.limit())
	if err != nil {
		return nil, fmt.Errorf("%w: %w", unreadable(0, wording.Said("a workbook that cannot be read"), wording.Said("save the sheet as delimited text and give that file")), err)
	}
	_, first := readWorkbook(data, opt, zone)
	opt.Columns = columns
	for i, name := range names {
		number := strconv.Itoa(i + 1)
		if len(texts[i]) == 0 || sheet != "" && !strings.EqualFold(sheet, name) && sheet != number {
			continue
		}
		p, err := proposeText(texts[i], opt, zone)
		if err != nil {
			continue
		}
		p.Sheet, p.Mapping, p.Question = number, "sheet="+number+","+p.Mapping, first
		return p, nil
	}
	if first == nil {
		first = unreadable(0, wording.Said("sheets without a table"), wording.Said("save the sheet as delimited text and give that file"))
	}
	return nil, first
}

func proposeText(data []byte, opt Options, zone *time.Location) (*Proposal, error) {
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
	err = t.read(body, encoding, cut)
	if t.table.width == 0 || errors.Is(err, ErrOptions) {
		return nil, err
	}
	return t.proposal(encoding, err), nil
}

// shapeOf is the hash of what makes two tables alike.
func shapeOf(delimiter string, header []string) string {
	cells := []string{delimiter}
	for _, h := range header {
		cells = append(cells, strings.ToLower(trimCell(h)))
	}
	return digest([]byte(strings.Join(cells, "\x00")))
}

// proposal describes what t found before it ended with question.
func (t *textReader) proposal(encoding string, question error) *Proposal {
	p := &Proposal{Encoding: encoding, Delimiter: delimiterName(t.table.delim), Question: question,
		Header: t.table.header + 1, Offsets: t.hasOff != nil}
	if t.aligned {
		p.Delimiter = delimiterName(byBlanks)
	}
	if t.table.header >= 0 {
		p.Shape = shapeOf(p.Delimiter, t.table.cells)
	}
	for i := t.table.header + 1; i < len(t.lines) && len(p.Rows) < proposedRows; i++ {
		if cells := splitLine(t.lines[i].text, t.table.delim); i >= t.table.first && len(cells) > 0 && dataLike(cells) {
			for k := range cells {
				cells[k] = shorten(cells[k], maxValueLen)
			}
			p.Rows = append(p.Rows, ProposedRow{i + 1, cells})
		}
	}
	if len(t.line) == 0 && t.roles.stamp >= 0 { // the rows were not reached
		for i, row := range t.table.rows {
			cell := func(c int) string {
				if c < 0 || c >= len(row) {
					return ""
				}
				return trimCell(row[c])
			}
			date, ns, _, hasOff, fault := t.stamp(cell, t.table.first+2+i)
			if fault == nil {
				t.dateAt, t.ns = append(t.dateAt, date), append(t.ns, ns)
				p.Offsets = p.Offsets || hasOff
			}
		}
	}
	p.Dates = t.dateEvidence()
	p.Codes = t.codesMet()
	f := &finder{cols: t.cols, header: t.table.cells, width: t.table.width, rows: t.table.rows, taken: map[int]bool{}}
	t.goOn(question)
	p.NoTime = t.roles.stamp < 0
	p.Fractions = t.roles.sat >= 0 && t.sat.fit > 0 && !t.sat.above && t.cols.Unit == ""
	p.FromStart = t.roles.mode == timeElapsed && t.cols.Start == ""
	could := map[int][]string{}
	for _, c := range f.inRange(50, 100) {
		could[c] = append(could[c], "spo2")
	}
	for _, c := range f.inRange(30, 200) {
		could[c] = append(could[c], "pulse")
	}
	for c := range t.table.width {
		col := ProposedColumn{Number: c + 1, Could: could[c]}
		if t.table.header >= 0 && c < len(t.table.cells) {
			col.Header = shorten(trimCell(t.table.cells[c]), maxValueLen)
		}
		col.Role, col.Reason = t.roleOf(c)
		p.Columns = append(p.Columns, col)
	}
	p.Mapping = t.mapping(p.Dates.Order).String()
	return p
}

// goOn looks for the columns of readings where the search for them ended
// before, so that only what is in question has to be answered.
func (t *textReader) goOn(question error) {
	r := &t.roles
	if question == nil {
		return
	}
	f := &finder{cols: t.cols, header: t.table.cells, width: t.table.width, rows: t.table.rows, taken: map[int]bool{r.stamp: true, r.date: true, r.marker: true, r.sat: true, r.pulse: true}}
	for c := range f.width {
		// A column of times holds no readings.
		if s := columnShape(f.rows, c); s == shapeStamp || s == shapeDate || s == shapeClock {
			f.taken[c] = true
		}
	}
	// What cannot be found is not proposed. Without a header the pulse is told
	// by its numbers, which the saturation has to be taken out of first.
	if r.sat < 0 && f.findSat(r) != nil && f.header == nil {
		return
	}
	if r.pulse < 0 {
		_ = f.findPulse(r)
	}
	if len(r.quality) == 0 {
		_ = f.findQuality(r)
	}
	if len(r.events)+len(r.alarms)+len(r.persons) == 0 {
		f.findBeside(r)
	}
}

// roleOf says what column c is taken for, and why.
func (t *textReader) roleOf(c int) (name string, reason wording.Text) {
	r := &t.roles
	given := func(text string) wording.Text {
		switch {
		case text != "":
			return wording.Said("as given")
		case t.table.header >= 0:
			return wording.Said("by its header")
		}
		return wording.Said("by its cells")
	}
	switch {
	case c == r.sat:
		return "spo2", given(t.cols.SpO2)
	case c == r.pulse:
		return "pulse", given(t.cols.Pulse)
	case c == r.stamp && r.mode == timeElapsed:
		return "elapsed", given(t.cols.Elapsed)
	case c == r.stamp && r.mode == timeCount:
		return "time", wording.Said("its numbers are %s", r.count.words())
	case c == r.stamp:
		return "time", given(t.cols.Time)
	case c == r.date:
		return "date", given(t.cols.Date)
	case c == r.marker:
		return "marker", wording.Said("its cells are signs of a 12 h clock")
	case slices.ContainsFunc(r.quality, func(q qualityColumn) bool { return q.col == c }):
		return "quality", given(t.cols.Quality)
	case slices.Contains(r.events, c):
		return "event", given("")
	case slices.Contains(r.alarms, c):
		return "alarm", wording.Said("by its header; shown as marks, never read as values")
	case slices.Contains(r.persons, c) && r.personIdentifiers[c]:
		return "identifier", given("")
	case slices.Contains(r.persons, c):
		return "name", given("")
	}
	if t.table.header < 0 || c >= len(t.table.cells) {
		return notRead, wording.Said("nothing says what it holds")
	}
	switch headerRole(t.table.cells[c]) {
	case roleOther:
		return notRead, wording.Said("its header names something that is not read")
	case roleUnknown:
		return notRead, wording.Said("its header is not known")
	}
	return notRead, wording.Said("another column may be meant as well")
}

// dateEvidence says how the dates are read.
func (t *textReader) dateEvidence() DateEvidence {
	if len(t.dates.texts) == 0 {
		return DateEvidence{}
	}
	var bad faults
	_, layout, _, err := t.dates.settle(t.cols.Order, t.headerOrder(), t.crossings(), &bad)
	i := slices.IndexFunc(t.dates.texts, func(d dateText) bool { return !d.fixed })
	switch {
	case bad.err() != nil:
		return DateEvidence{Why: Refusal(bad.err())}
	case err != nil:
		e := DateEvidence{Why: Refusal(err)}
		for _, o := range t.dates.texts[i].orders() {
			if _, ok := t.dates.texts[i].days(o); ok {
				e.Answers = append(e.Answers, DateAnswer{o, t.dates.texts[i].readings([]string{o})})
			}
		}
		return e
	}
	return DateEvidence{Order: t.dates.order, Why: layout}
}

// mapping is what was found, in the form that --columns takes: columns by
// their headers where these are unlike, else by number.
func (t *textReader) mapping(order string) Columns {
	m := t.cols
	name := func(c int) string {
		number := strconv.Itoa(c + 1)
		if t.table.header < 0 || c >= len(t.table.cells) {
			return number
		}
		h := trimCell(t.table.cells[c])
		f := &finder{header: t.table.cells, width: t.table.width}
		if _, err := strconv.Atoi(h); err == nil || h == "" || strings.EqualFold(h, "none") {
			return number
		}
		if at, err := f.byName("", h); err != nil || at != c {
			return number
		}
		return h
	}
	set := func(to *string, c int) {
		if *to == "" && c >= 0 {
			*to = name(c)
		}
	}
	r := &t.roles
	set(&m.SpO2, r.sat)
	set(&m.Pulse, r.pulse)
	set(&m.Date, r.date)
	if r.mode == timeElapsed {
		set(&m.Elapsed, r.stamp)
	} else {
		set(&m.Time, r.stamp)
	}
	if r.mode == timeCount {
		m.Stamps = string(r.count)
	}
	if len(r.quality) == 1 {
		set(&m.Quality, r.quality[0].col)
	}
	if m.Delimiter == 0 {
		m.Delimiter = t.table.delim
		if t.aligned {
			m.Delimiter = byBlanks
		}
	}
	if m.Decimal == 0 && r.mode != timeElapsed {
		m.Decimal = t.mark
	}
	if m.Order == "" {
		m.Order = order
	}
	return m
}
