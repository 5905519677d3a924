package web

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math/big"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/recording"
	"airwarrant/rules/wording"
)

// mappingStep is what is shown of a file of delimited text that can be read
// in more than one way: its first rows and a choice above each column. It
// holds cells of the file, so it is shown to whoever sent it and kept nowhere.
type mappingStep struct {
	Key      string       // tells whether the file that comes next is the one shown
	Words    wording.Text // how the file is laid out
	Saved    string       // name of the kept mapping that did not fit, "" if none
	Columns  []mappedColumn
	Rows     []recording.ProposedRow
	Orders   []way        // empty: the order of day and month is not asked
	Dates    wording.Text // how dates are read where it is not asked
	Units    []choice     // empty: not asked
	NoTime   bool
	Interval string
	Start    bool
	StartAt  string
	None     string
	Zone     string
	AskZone  bool
	Keep     bool // the mapping can be kept for files of this shape
	Name     string
}

type mappedColumn struct {
	Number  int
	Header  string
	Reason  wording.Text
	Choices []choice
}

// mappedRoles are the roles that a column can be given, with their words.
var mappedRoles = []choice{
	{Value: "time", Words: "time"}, {Value: "date", Words: "date"}, {Value: "elapsed", Words: "time since the start"},
	{Value: "spo2", Words: "saturation (SpO2)"}, {Value: "pulse", Words: "pulse"}, {Value: "quality", Words: "quality"},
}

const (
	mappingKind  = "mapping" // of notes: a mapping by the shape of its files
	columnsShown = 60        // of a mapping step; a wider table is refused by its reader's words (our choice)
)

// keptMapping is a mapping under a name, for files of one shape.
type keptMapping struct {
	Name       string `json:"name"`
	Columns    string `json:"columns"`
	IntervalMS int64  `json:"interval_ms,omitempty"`
}

// stepKey tells one table from another: by its shape, without a header by
// what else is known.
func stepKey(p *recording.Proposal) string {
	if p.Shape != "" {
		return p.Shape
	}
	return fmt.Sprintf("%s %d", p.Delimiter, len(p.Columns))
}

// readAs reads an upload as its form says: as the mapping step was answered,
// as columns were typed, or, where nobody said anything and the file needs it,
// as the mapping kept for files of its shape has it. With an error, step is
// what has to be answered, nil if no answer would help.
func (s *Site) readAs(ctx context.Context, in *received) (rec *recording.Recording, how reading, step *mappingStep, err error) {
	how = reading{Zone: typed(in.form, "zone"), Columns: typed(in.form, "columns")}
	plain := reading{Zone: how.Zone}.options()
	mapped := in.form.Get("mapped") != ""
	if mapped {
		p, err := recording.Propose(in.data, plain)
		// What was answered of one file says nothing of another.
		if mapped = err == nil && stepKey(p) == in.form.Get("mapped") && newStep(p, nil) != nil; mapped {
			if how.Columns, how.IntervalMS, err = composed(in.form, p); err != nil {
				return nil, how, newStep(p, in.form), err
			}
		}
	}
	if in.form.Get("show") != "" && how.Columns == "" {
		if p, err := recording.Propose(in.data, plain); err == nil && newStep(p, nil) != nil {
			return nil, how, newStep(p, nil), errShowColumns
		}
	}
	rec, err = recording.ReadBytes(in.data, how.options())
	if err == nil || !mendable(err) {
		return rec, how, nil, err
	}
	said := how.Columns != ""
	p, fault := recording.Propose(in.data, plain)
	if fault != nil {
		return nil, how, nil, err
	}
	if !said && p.Shape != "" {
		kept, found, fault := s.keptFor(ctx, p.Shape)
		if fault != nil {
			return nil, how, nil, fault
		}
		if found {
			with := reading{Zone: how.Zone, Columns: kept.Columns, IntervalMS: kept.IntervalMS, Saved: kept.Name}
			if rec, fault := recording.ReadBytes(in.data, with.options()); fault == nil {
				return rec, with, nil, nil
			}
			if step = newStep(p, nil); step != nil {
				step.Saved = kept.Name
			}
			return nil, how, step, err
		}
	}
	if mapped {
		return nil, how, newStep(asksOf(in.data, how, p), in.form), err
	}
	if said {
		return nil, how, nil, err // whoever types columns has them before him
	}
	return nil, how, newStep(p, nil), err
}

// asksOf is p with what is left to ask once the columns are as answered.
func asksOf(data []byte, how reading, p *recording.Proposal) *recording.Proposal {
	sheet := strings.TrimSuffix("sheet="+p.Sheet+",", "sheet=,")
	m, err := recording.ParseColumns(strings.TrimPrefix(how.Columns, sheet))
	if err != nil {
		return p
	}
	m.Order, m.Unit, m.Start = "", "", "" // asked again, with the answers put back
	how.Columns = sheet + m.String()
	q, err := recording.Propose(data, how.options())
	if err != nil {
		return p
	}
	q.Columns = p.Columns // as they were found
	return q
}

// mendable reports whether naming columns or a zone could mend err.
func mendable(err error) bool {
	return errors.Is(err, recording.ErrAmbiguous) || errors.Is(err, recording.ErrNoSpO2) || errors.Is(err, recording.ErrOptions)
}

var errShowColumns = errors.New("columns are to be shown before the file is read")

// mappingError is an answer of the mapping step that cannot be used, in a sentence
// for the person who gave it.
type mappingError struct{ wording.Text }

// Error is the sentence in English.
func (e mappingError) Error() string { return e.String() }

func mappingFault(format string, args ...any) error {
	return mappingError{wording.Fault(format, args...)}
}

// sayMapping words why the mapping step is shown. The reader's own mend
// speaks of the command line and is left out.
func sayMapping(step *mappingStep, err error) (say string, told wording.Text) {
	const stored, next = " Nothing was stored.", " Say below what each column holds, and send the file again."
	var bad mappingError
	var f *recording.FormatError
	switch {
	case errors.Is(err, errShowColumns):
		return "These are the columns of the file, as they would be taken." + stored + " Correct them if need be, and send the file again.", told
	case errors.As(err, &bad):
		told = wording.Joined("%s%s", bad.Text, wording.Said(stored))
		return told.String(), told
	case !errors.As(err, &f):
		return "The file cannot be read as stated." + stored + next, told
	}
	t := "The file can be read in more than one way"
	switch {
	case errors.Is(err, recording.ErrNoSpO2):
		t = "Which column holds the saturation cannot be told"
	case errors.Is(err, recording.ErrOptions):
		t = "The file cannot be read as stated"
	}
	told = wording.Said("%s: expected %s; found %s.", wording.Said(t), f.Expected, f.Found)
	if step.Saved != "" {
		told = wording.Joined("%s%s", told, wording.Said(" The mapping kept as “%s” for files of this shape does not fit this one.", step.Saved))
	}
	told = wording.Joined("%s%s%s", told, wording.Said(stored), wording.Said(next))
	return told.String(), told
}

// newStep lays out a proposal, with what a form held put back.
func newStep(p *recording.Proposal, form url.Values) *mappingStep {
	if len(p.Columns) > columnsShown {
		return nil
	}
	st := &mappingStep{Key: stepKey(p), NoTime: p.NoTime, Start: p.FromStart, Keep: p.Shape != "", AskZone: !p.Offsets,
		Interval: typed(form, "interval"), StartAt: typed(form, "start"), None: typed(form, "none"), Name: typed(form, "keep"), Zone: typed(form, "zone")}
	st.NoTime = st.NoTime || st.Interval != ""
	st.Start = st.Start || st.StartAt != ""
	header := wording.Said("no header.")
	if p.Header > 0 {
		header = wording.Said("header in line %d.", p.Header)
	}
	st.Words = wording.Said("Text in %s, columns divided by %s, %s", p.Encoding, wording.Said(p.Delimiter), header)
	if p.Sheet != "" {
		st.Words = wording.Said("Sheet %s of a workbook. %s", p.Sheet, st.Words)
	}
	for _, r := range p.Rows {
		// A row may be shorter than the table, and no longer.
		r.Cells = append(slices.Clone(r.Cells), make([]string, max(len(p.Columns)-len(r.Cells), 0))...)[:len(p.Columns)]
		st.Rows = append(st.Rows, r)
	}
	for _, c := range p.Columns {
		m := mappedColumn{Number: c.Number, Header: c.Header, Reason: c.Reason}
		role, name := c.Role, "c."+strconv.Itoa(c.Number)
		if form.Has(name) {
			role = form.Get(name)
		}
		rest := choice{Words: "not read", On: true}
		if w, ok := restWords[c.Role]; ok {
			rest.Words = w
		}
		for _, r := range mappedRoles {
			r.On = r.Value == role
			if r.On {
				rest.On = false
			}
			if slices.Contains(c.Could, r.Value) && role != r.Value {
				r.Words = r.Words + ", its numbers fit"
			}
			m.Choices = append(m.Choices, r)
		}
		m.Choices = append(m.Choices, rest)
		st.Columns = append(st.Columns, m)
	}
	order := typed(form, "order")
	for _, a := range p.Dates.Answers {
		st.Orders = append(st.Orders, way{a.Order, wording.Said("%s: the first date is %s", wording.Said(orderWords[a.Order]), a.Reading), order == a.Order})
	}
	if len(st.Orders) == 0 {
		st.Dates = p.Dates.Why
	}
	if unit := typed(form, "unit"); p.Fractions || unit != "" {
		st.Units = []choice{{Value: "fraction", Words: "fractions: 0.94 is 94 %", On: unit == "fraction"}, {Value: "percent", Words: "percent: 0.94 is 0.94 %", On: unit == "percent"}}
	}
	return st
}

// restWords say what becomes of a column that has none of the roles that can
// be chosen.
var restWords = map[string]string{
	"marker": "AM or PM", "event": "marks", "alarm": "alarms", "name": "a name", "identifier": "an identifier",
}

var orderWords = map[string]string{"dmy": "day, month, year", "mdy": "month, day, year", "ymd": "year, month, day"}

// composed makes the mapping, as the reader takes it, out of an answered
// mapping step. Columns stand by their numbers: a header can hold a name. The
// error is a mappingError.
func composed(form url.Values, p *recording.Proposal) (columns string, intervalMS int64, err error) {
	base, err := recording.ParseColumns(strings.TrimPrefix(strings.TrimPrefix(p.Mapping, "sheet="+p.Sheet), ","))
	if err != nil {
		return "", 0, mappingFault("The columns found cannot be written down; type them instead.")
	}
	m := recording.Columns{Header: -1, Delimiter: base.Delimiter, Decimal: base.Decimal, Order: p.Dates.Order}
	at := map[string]*string{"time": &m.Time, "date": &m.Date, "elapsed": &m.Elapsed, "spo2": &m.SpO2, "pulse": &m.Pulse}
	var quality, proposed []string
	for _, c := range p.Columns {
		number := strconv.Itoa(c.Number)
		role := form.Get("c." + number)
		if c.Role == "quality" {
			proposed = append(proposed, number)
		}
		to := at[role]
		switch {
		case role == "quality":
			quality = append(quality, number)
		case to != nil && *to != "":
			return "", 0, mappingFault("Expected one column of %s; found columns %s and %s. Leave one.", wording.Said(roleWords(role)), *to, number)
		case to != nil:
			*to = number
		}
		if role == "time" && c.Role == "time" {
			m.Stamps = base.Stamps
		}
	}
	switch {
	case m.SpO2 == "":
		return "", 0, mappingFault("Expected one column of saturation; found none. Choose it.")
	case len(quality) == 0:
		m.Quality = "none"
	case len(quality) == 1:
		m.Quality = quality[0]
	case !slices.Equal(quality, proposed): // several are read only as they are found
		return "", 0, mappingFault("Expected one column of quality; found several. Leave one.")
	}
	if m.Pulse == "" {
		m.Pulse = "none"
	}
	if o := typed(form, "order"); o != "" {
		m.Order = o
	}
	m.Unit, m.Start = typed(form, "unit"), typed(form, "start")
	if none := strings.FieldsFunc(typed(form, "none"), func(r rune) bool { return strings.ContainsRune(",;| ", r) }); len(none) > 0 {
		m.NoReading = map[string]bool{}
		for _, code := range none {
			m.NoReading[strings.ToLower(code)] = true
		}
	}
	columns = m.String()
	if len(columns) > textLimit {
		return "", 0, mappingFault("Expected at most %d letters of codes; found more. Leave out those that do not occur.", textLimit)
	}
	if _, err := recording.ParseColumns(columns); err != nil {
		return "", 0, mappingFault("Expected the start as 2026-03-01T22:00:00, and one of the choices offered for each question; found something else. Correct it.")
	}
	if p.Sheet != "" {
		columns = "sheet=" + p.Sheet + "," + columns
	}
	if t := typed(form, "interval"); t != "" {
		sec, ok := new(big.Rat).SetString(strings.Replace(t, ",", ".", 1))
		if !ok || strings.ContainsAny(t, "/eExXpP") {
			return "", 0, mappingFault("Expected the step between rows in seconds, such as 4; found something else. Correct it.")
		}
		ms := sec.Mul(sec, big.NewRat(1000, 1))
		if !ms.IsInt() || ms.Sign() <= 0 || ms.Cmp(big.NewRat(86_400_000, 1)) > 0 {
			return "", 0, mappingFault("Expected a step between rows from 0.001 to 86,400 seconds; found another. Correct it.")
		}
		intervalMS = ms.Num().Int64()
	}
	return columns, intervalMS, nil
}

func roleWords(role string) string {
	for _, r := range mappedRoles {
		if r.Value == role {
			return r.Words
		}
	}
	return role
}

// keptFor returns the mapping kept for files of a shape.
func (s *Site) keptFor(ctx context.Context, shape string) (keptMapping, bool, error) {
	var k keptMapping
	raw, err := s.cfg.Store.Note(ctx, mappingKind, shape)
	if errors.Is(err, casework.ErrNotFound) {
		return k, false, nil
	}
	if err != nil {
		return k, false, err
	}
	if err := json.Unmarshal(raw, &k); err != nil {
		return k, false, errors.New("a kept mapping is not readable")
	}
	return k, true, nil
}

// keepMapping keeps how a file was read for the next one of its shape, in
// place of what was kept before. The start of a night and the zone are not
// kept: they belong to one recording.
func (s *Site) keepMapping(ctx context.Context, in *received, how reading) error {
	name := typed(in.form, "keep")
	if name == "" || in.form.Get("mapped") == "" {
		return nil
	}
	p, err := recording.Propose(in.data, reading{Zone: how.Zone}.options())
	if err != nil || p.Shape == "" || p.Shape != in.form.Get("mapped") {
		return err
	}
	sheet := strings.TrimSuffix("sheet="+p.Sheet+",", "sheet=,")
	m, err := recording.ParseColumns(strings.TrimPrefix(how.Columns, sheet))
	if err != nil {
		return err
	}
	m.Start = ""
	raw, err := json.Marshal(keptMapping{Name: name, Columns: sheet + m.String(), IntervalMS: how.IntervalMS})
	if err != nil {
		return err
	}
	return s.cfg.Store.PutNote(ctx, mappingKind, p.Shape, raw)
}
