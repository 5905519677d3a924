// Package sheets turns a spreadsheet workbook (.xlsx) into delimited text, so
// that one set of column rules reads both. It is the one place that knows the
// workbook library.
//
// Call Tables; it fits recording.Options.Workbook. Cells keep their types:
// dates and times are written as ISO 8601 stamps, a number formatted as a
// percentage as its percent, other numbers with the digits that tell them
// apart. What it does not do: it computes no formula (the stored result is
// taken), and does not say which column is which.
package sheets

import (
	"archive/zip"
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"math/big"
	"path"
	"strconv"
	"strings"
	"time"

	"github.com/xuri/excelize/v2"
)

// Limits of one sheet, our choice: a table of readings has few columns and
// hardly an empty row.
const (
	maxColumns = 500
	freeRows   = 10_000
	maxSheets  = 200
	// maxMarkup bounds the tags of a part that the library turns into a tree
	// at once; 200 000 texts that all differ take 800 000.
	maxMarkup = 1_000_000
)

// ErrWorkbook: the bytes are not a workbook that can be read.
var ErrWorkbook = errors.New("unreadable workbook")

// Tables returns the sheets of the workbook data as text, cells divided by
// tabs and rows by line feeds, line n being row n. names and texts are in the
// order of the book; a sheet without cells, or one that is laid out wider or
// sparser than a table, has an empty text. The workbook must not unpack to
// more than limit bytes. The error wraps ErrWorkbook.
func Tables(data []byte, limit int64) (names []string, texts [][]byte, err error) {
	defer func() {
		// The library is not written for hostile files; a fault of its own
		// must not end the program.
		if p := recover(); p != nil {
			names, texts, err = nil, nil, fmt.Errorf("%w: its parts do not fit each other", ErrWorkbook)
		}
	}()
	archive, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		return nil, nil, fmt.Errorf("%w: %w", ErrWorkbook, err)
	}
	parts := &parts{archive, limit}
	list, err := parts.sheets()
	if err != nil {
		return nil, nil, err
	}
	if err := parts.bounded(); err != nil {
		return nil, nil, err
	}
	// Equal limits keep the library from writing parts to a temporary folder.
	book, err := excelize.OpenReader(bytes.NewReader(data), excelize.Options{UnzipSizeLimit: limit, UnzipXMLSizeLimit: limit, RawCellValue: true})
	if err != nil {
		return nil, nil, fmt.Errorf("%w: %w", ErrWorkbook, err)
	}
	defer book.Close()
	props, err := book.GetWorkbookProps()
	if err != nil {
		return nil, nil, fmt.Errorf("%w: %w", ErrWorkbook, err)
	}
	w := &writer{book: book, formats: map[int]format{}, from1904: props.Date1904 != nil && *props.Date1904}
	for _, s := range list {
		text, err := w.sheet(parts, s)
		if err != nil {
			return nil, nil, fmt.Errorf("%w: %w", ErrWorkbook, err)
		}
		names = append(names, s.Name)
		texts = append(texts, text)
	}
	return names, texts, nil
}

// parts reads single files of a workbook.
type parts struct {
	archive *zip.Reader
	limit   int64
}

func (p *parts) read(name string) ([]byte, error) {
	for _, f := range p.archive.File {
		if strings.EqualFold(strings.ReplaceAll(f.Name, `\`, "/"), name) {
			r, err := f.Open()
			if err != nil {
				return nil, fmt.Errorf("%w: %w", ErrWorkbook, err)
			}
			defer r.Close()
			data, err := io.ReadAll(io.LimitReader(r, p.limit))
			if err != nil {
				return nil, fmt.Errorf("%w: %w", ErrWorkbook, err)
			}
			return data, nil
		}
	}
	return nil, fmt.Errorf("%w: the part %s is missing", ErrWorkbook, path.Base(name))
}

// bounded refuses parts, other than sheets, whose tree would take far more
// memory than their bytes.
func (p *parts) bounded() error {
	for _, f := range p.archive.File {
		if strings.Contains(strings.ToLower(f.Name), "worksheets") || !strings.HasSuffix(strings.ToLower(f.Name), ".xml") {
			continue
		}
		r, err := f.Open()
		if err != nil {
			return fmt.Errorf("%w: %w", ErrWorkbook, err)
		}
		data, err := io.ReadAll(io.LimitReader(r, p.limit))
		r.Close()
		if err != nil {
			return fmt.Errorf("%w: %w", ErrWorkbook, err)
		}
		if n := bytes.Count(data, []byte("<")); n > maxMarkup {
			return fmt.Errorf("%w: a part of %d tags, at most %d are read", ErrWorkbook, n, maxMarkup)
		}
	}
	return nil
}

// sheet is a sheet by name and part.
type sheet struct {
	Name string `xml:"name,attr"`
	// ID is the relationship id; its name space differs between the two
	// kinds of the standard, so only the local name is matched.
	ID   string `xml:"id,attr"`
	part string
}

// sheets lists the worksheets of the book in their order (ECMA-376 part 1,
// 18.2.20).
func (p *parts) sheets() ([]sheet, error) {
	data, err := p.read("xl/workbook.xml")
	if err != nil {
		return nil, err
	}
	var book struct {
		Sheets []sheet `xml:"sheets>sheet"`
	}
	if err := xml.Unmarshal(data, &book); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrWorkbook, err)
	}
	if data, err = p.read("xl/_rels/workbook.xml.rels"); err != nil {
		return nil, err
	}
	var rels struct {
		List []struct {
			ID     string `xml:"Id,attr"`
			Target string `xml:"Target,attr"`
			Type   string `xml:"Type,attr"`
		} `xml:"Relationship"`
	}
	if err := xml.Unmarshal(data, &rels); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrWorkbook, err)
	}
	if len(book.Sheets) > maxSheets {
		return nil, fmt.Errorf("%w: %d sheets, at most %d are read", ErrWorkbook, len(book.Sheets), maxSheets)
	}
	var out []sheet
	for _, s := range book.Sheets {
		for _, r := range rels.List {
			if r.ID == s.ID && strings.HasSuffix(r.Type, "/worksheet") { // no chart sheets
				s.part = path.Join("xl", r.Target)
				if strings.HasPrefix(r.Target, "/") {
					s.part = strings.TrimPrefix(r.Target, "/")
				}
				out = append(out, s)
				break
			}
		}
	}
	return out, nil
}

// cell is what the library does not tell row by row: format and type.
type cell struct {
	row    int32
	column int16
	style  int16
	kind   byte // first letter of the type, 0 for a number
}

// scan reads the attributes of the cells of a sheet. It reports false for a
// sheet that is not laid out as a table.
func scan(data []byte) (cells []cell, ok bool, err error) {
	dec := xml.NewDecoder(bytes.NewReader(data))
	row, column, rows := 0, 0, 0
	for {
		t, err := dec.RawToken()
		if err == io.EOF {
			return cells, true, nil
		}
		if err != nil {
			return nil, false, err
		}
		start, is := t.(xml.StartElement)
		if !is {
			continue
		}
		attr := func(name string) string {
			for _, a := range start.Attr {
				if a.Name.Local == name && a.Name.Space == "" {
					return a.Value
				}
			}
			return ""
		}
		switch start.Name.Local {
		case "row":
			row, column = row+1, 0
			if s := attr("r"); s != "" {
				if row, err = strconv.Atoi(s); err != nil {
					return nil, false, err
				}
			}
			if rows++; row < 1 || row > freeRows+100*rows {
				return nil, false, nil
			}
		case "c":
			column++
			if s := attr("r"); s != "" {
				if column, _, err = excelize.CellNameToCoordinates(s); err != nil {
					return nil, false, err
				}
			}
			if column < 1 || column > maxColumns {
				return nil, false, nil
			}
			c := cell{row: int32(row), column: int16(column)}
			if s := attr("s"); s != "" {
				v, err := strconv.Atoi(s)
				if err != nil || v < 0 || v > math.MaxInt16 {
					return nil, false, errors.New("a cell names a format that no workbook can have")
				}
				c.style = int16(v)
			}
			if s := attr("t"); s != "" && s != "n" {
				c.kind = s[0]
			}
			cells = append(cells, c)
		}
	}
}

// writer writes the sheets of one book.
type writer struct {
	book     *excelize.File
	formats  map[int]format // by style
	from1904 bool
}

func (w *writer) sheet(p *parts, s sheet) ([]byte, error) {
	data, err := p.read(s.part)
	if err != nil {
		return nil, err
	}
	cells, ok, err := scan(data)
	if err != nil || !ok || len(cells) == 0 {
		return nil, err
	}
	rows, err := w.book.Rows(s.Name)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out bytes.Buffer
	next, filled := 0, false
	for n := 1; rows.Next(); n++ {
		values, err := rows.Columns(excelize.Options{RawCellValue: true})
		if err != nil {
			return nil, err
		}
		for next < len(cells) && int(cells[next].row) < n {
			next++
		}
		for i, v := range values {
			if i > 0 {
				out.WriteByte('\t')
			}
			var c cell
			for next < len(cells) && int(cells[next].row) == n && int(cells[next].column) <= i+1 {
				if int(cells[next].column) == i+1 {
					c = cells[next]
				}
				next++
			}
			text := w.text(v, c)
			filled = filled || text != ""
			out.WriteString(text)
		}
		out.WriteByte('\n')
	}
	if err := rows.Error(); err != nil || !filled {
		return nil, err
	}
	return out.Bytes(), nil
}

// text writes one cell.
func (w *writer) text(value string, c cell) string {
	switch {
	case value == "":
		return ""
	case c.kind == 'b':
		if value == "1" || strings.EqualFold(value, "true") {
			return "TRUE"
		}
		return "FALSE"
	case c.kind == 'e': // a formula that failed has no value
		return "N/A"
	case c.kind != 0:
		value = strings.NewReplacer("\t", " ", "\n", " ", "\r", " ").Replace(value)
		if strings.Contains(value, `"`) {
			value = `"` + strings.ReplaceAll(value, `"`, `""`) + `"`
		}
		return value
	}
	number, err := strconv.ParseFloat(value, 64)
	if err != nil || math.IsInf(number, 0) || math.IsNaN(number) {
		return "N/A"
	}
	switch f := w.format(int(c.style)); {
	case f.elapsed && number >= 0 && number < 3660:
		return clock(milliseconds(number))
	case (f.date || f.time) && number >= 0 && number < 2958466: // to the year 9999
		return w.stamp(number, f)
	case f.percent:
		r, ok := new(big.Rat).SetString(strconv.FormatFloat(number, 'g', -1, 64))
		if !ok || math.Abs(number) > 1e9 {
			return plain(number)
		}
		s := r.Mul(r, big.NewRat(100, 1)).FloatString(15)
		return strings.TrimSuffix(strings.TrimRight(s, "0"), ".")
	}
	return plain(number)
}

// plain writes a number with the fewest digits that tell it apart: 94.9 is
// stored as 94.900000000000006 by some programs.
func plain(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// milliseconds rounds a number of days: what is finer is noise of the
// floating point.
func milliseconds(days float64) int64 { return int64(math.Round(days * 86_400_000)) }

// clock writes milliseconds as hours, minutes and seconds.
func clock(ms int64) string {
	s := fmt.Sprintf("%02d:%02d:%02d", ms/3_600_000, ms/60_000%60, ms/1000%60)
	if f := ms % 1000; f != 0 {
		s += fmt.Sprintf(".%03d", f)
	}
	return s
}

// stamp writes a serial date: days since 1899-12-30, which is right from 1
// March 1900 on, or since 1904-01-01 (ECMA-376 part 1, 18.17.4.1).
func (w *writer) stamp(days float64, f format) string {
	const day = 86_400_000
	ms := milliseconds(days)
	// A time of day on no date, or one that ran over midnight on no date.
	if days < 1 && f.time || !f.date && days < 366 {
		return clock(ms % day)
	}
	epoch := time.Date(1899, 12, 30, 0, 0, 0, 0, time.UTC)
	if w.from1904 {
		epoch = time.Date(1904, 1, 1, 0, 0, 0, 0, time.UTC)
	}
	date := epoch.AddDate(0, 0, int(ms/day)).Format(time.DateOnly)
	if !f.time && ms%day == 0 {
		return date
	}
	return date + "T" + clock(ms%day)
}

// format is what a number format says about a number.
type format struct{ date, time, elapsed, percent bool }

// builtIn are the number formats without a code of their own (ECMA-376 part
// 1, 18.8.30).
func builtIn(id int) format {
	switch {
	case id == 9 || id == 10:
		return format{percent: true}
	case id >= 14 && id <= 17, id >= 27 && id <= 31, id == 36, id >= 50 && id <= 54, id == 57, id == 58:
		return format{date: true}
	case id >= 18 && id <= 21, id >= 32 && id <= 35, id == 45, id == 47, id == 55, id == 56:
		return format{time: true}
	case id == 22:
		return format{date: true, time: true}
	case id == 46:
		return format{elapsed: true}
	}
	return format{}
}

func (w *writer) format(style int) format {
	f, ok := w.formats[style]
	if ok {
		return f
	}
	if s, err := w.book.GetStyle(style); err == nil {
		if f = builtIn(s.NumFmt); s.CustomNumFmt != nil {
			f = custom(*s.CustomNumFmt)
		}
	}
	w.formats[style] = f
	return f
}

// custom reads a format code: letters outside quotes and brackets. y and d
// are parts of a date, h and s of a time; m is either.
func custom(code string) format {
	var f format
	month := false
	code = strings.ToLower(code)
	if code == "general" {
		return f
	}
	for i := 0; i < len(code); i++ {
		switch code[i] {
		case '"':
			end := strings.IndexByte(code[i+1:], '"')
			if end < 0 {
				return f
			}
			i += end + 1
		case '\\', '_', '*':
			i++
		case '[':
			end := strings.IndexByte(code[i:], ']')
			if end < 0 {
				return f
			}
			if in := strings.Trim(code[i+1:i+end], "hms"); in == "" && end > 1 {
				f.elapsed = true
			}
			i += end
		case ';': // what follows is for other signs
			i = len(code)
		case 'y', 'd':
			f.date = true
		case 'h', 's':
			f.time = true
		case 'm':
			month = true
		case '%':
			f.percent = true
		}
	}
	if month && !f.time && !f.elapsed {
		f.date = true
	}
	return f
}
