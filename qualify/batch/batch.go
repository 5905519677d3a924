// Package batch runs the chain over many recordings: one line for each
// session, or for each file that could not be read.
//
// Call Split for what one file holds, File for its lines, and WriteCSV or Rows
// for the table. ReadFacts reads a table that states facts by file or hash.
// What this package does not do: it opens no file and no folder, and gives no
// figure of a measure, so that a list of many tests shows no margins.
package batch

import (
	"bytes"
	"crypto/sha256"
	"encoding/csv"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"maps"
	"math/big"
	"path"
	"slices"
	"strconv"
	"strings"

	"airwarrant/qualify"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/recording"
	"airwarrant/qualify/worksheet"
	"airwarrant/rules"
	"airwarrant/rules/wording"
)

// Line is what one session of one file came to, or why a file has no session
// that can be judged.
type Line struct {
	File        string   `json:"file"`
	SHA256      string   `json:"sha256"`  // of the upload, "" if its bytes are not at hand
	Session     int      `json:"session"` // from 1, 0 where none was judged
	Outcome     string   `json:"outcome"`
	Disposition string   `json:"disposition"`
	DecidedBy   []string `json:"decided_by"` // ids of clauses, never nil
	Missing     []string `json:"missing"`    // names of facts, never nil
	Problem     string   `json:"problem"`    // "" for none
	// Told is Problem in its parts, without the name of the file, where a reader
	// refused it; a table has Problem alone.
	Told wording.Text `json:"-"`
	// Critical tells readings at or below the critical limit, with the test's
	// age; once for each test, in the first line that has it.
	Critical string `json:"critical"`
	// Low is Critical in its parts, with its limit, for a page in any language.
	Low Low `json:"-"`

	prints []string // of the session, by which a test is told again
}

// Low are the critical readings of a line, and the percent at or below which
// they are.
type Low struct {
	Limit *big.Rat                    `json:"limit"`
	Found []worksheet.CriticalReading `json:"found"`
}

// Refused is the line of a file that could not be read; why says where, what
// was expected and found, and what to do.
func Refused(file, sha, why string) Line {
	return Line{File: file, SHA256: sha, DecidedBy: []string{}, Missing: []string{}, Problem: why}
}

// Split returns src, or the recordings of an archive that holds several. One
// that cannot be taken apart is left for its reader to refuse.
func Split(src qualify.Source) []qualify.Source {
	files, err := recording.Split(src.Data, src.Read)
	if err != nil || len(files) < 2 {
		return []qualify.Source{src}
	}
	var out []qualify.Source
	for _, f := range files {
		one := qualify.Source{Name: src.Name + "/" + f.Name, Data: f.Data, Read: src.Read}
		one.Read.Sibling = f.Sibling
		out = append(out, one)
	}
	return out
}

// File gives one line for each session of one file. A fault of the file, even
// one that makes the program panic, costs that file's line alone. q states
// everything but the source; the facts of the table for this file stand before
// those of q. With q.Private a file of several sessions has one line, that asks
// for the choice: which night is whose is not known. A file that was not read
// because its chain was given up (q impossible) is a line too.
func File(src qualify.Source, table *Facts, q qualify.Query, lib *rules.Library) (out []Line) {
	sum := sha256.Sum256(src.Data)
	hash := hex.EncodeToString(sum[:])
	refused := func(why string) []Line { return []Line{Refused(src.Name, hash, why)} }
	defer func() {
		if r := recover(); r != nil {
			out = refused(fmt.Sprintf("a fault of the program, not of this file: %v", r))
		}
	}()
	facts := maps.Clone(q.Facts)
	if own := table.take(hash, src.Name, path.Base(strings.ReplaceAll(src.Name, `\`, "/"))); len(own) > 0 {
		if facts == nil {
			facts = map[string]criteria.Fact{}
		}
		maps.Copy(facts, own)
	}
	q.Facts = facts
	q.Sources = []qualify.Source{src}
	res, err := qualify.Check(q, lib)
	if err != nil {
		l := Refused(src.Name, hash, err.Error())
		l.Told = recording.Refusal(err)
		return []Line{l}
	}
	rd := res.Readings[0]
	if res.Session != 0 || rd.Of == 0 {
		return []Line{lineOf(src.Name, hash, res)}
	}
	if q.Private {
		l := lineOf(src.Name, hash, res)
		l.Problem = fmt.Sprintf("it holds %d sessions; open a case for each patient and choose the session there", rd.Of)
		return []Line{l}
	}
	for s := 1; s <= rd.Of; s++ {
		q.Session = map[int]int{1: s}
		res, err := qualify.Check(q, lib)
		if err != nil {
			return refused(err.Error())
		}
		out = append(out, lineOf(src.Name, hash, res))
	}
	return out
}

func lineOf(name, hash string, res *qualify.Result) Line {
	d := res.Determinations[0]
	l := Line{File: name, SHA256: hash, Session: res.Session, Outcome: string(d.Outcome), Disposition: d.Disposition, DecidedBy: d.DecidedBy, Missing: []string{}}
	for _, n := range d.Needs {
		l.Missing = append(l.Missing, n.Fact)
	}
	l.Problem = res.Readings[0].Withheld
	var said []string
	for _, c := range res.CriticalFound {
		said = append(said, c.Words(res.Limit.AtOrBelow, res.Limit.Today))
	}
	l.Critical = strings.Join(said, "; ")
	if len(said) > 0 {
		l.Low = Low{res.Limit.AtOrBelow, res.CriticalFound}
	}
	if rd := res.Readings[0]; rd.Recording != nil && res.Session > 0 {
		l.prints = recording.Fingerprint(rd.Recording, rd.Sessions[slices.Index(rd.Numbers, res.Session)])
	}
	return l
}

// OnceCritical leaves the critical readings of a test in the first line that
// has them, since a back-log holds one test in several files, and returns how
// many tests have any.
func OnceCritical(lines []Line) int {
	seen, n := map[string]bool{}, 0
	for i := range lines {
		l := &lines[i]
		if l.Critical == "" {
			continue
		}
		keys := l.prints
		if len(keys) == 0 {
			keys = []string{l.SHA256 + " " + strconv.Itoa(l.Session)}
		}
		if slices.ContainsFunc(keys, func(k string) bool { return seen[k] }) {
			l.Critical, l.Low = "told above: the same test", Low{}
			continue
		}
		for _, k := range keys {
			seen[k] = true
		}
		n++
	}
	return n
}

// Rows is the table of lines with its head, its cells Guarded.
func Rows(lines []Line) [][]string {
	rows := [][]string{{"file", "sha256", "session", "outcome", "disposition", "decided_by", "missing", "problem", "critical"}}
	for _, l := range lines {
		session := ""
		if l.Session > 0 {
			session = strconv.Itoa(l.Session)
		}
		rows = append(rows, []string{Guarded(l.File), l.SHA256, session, l.Outcome, l.Disposition, strings.Join(l.DecidedBy, " "), strings.Join(l.Missing, " "), Guarded(l.Problem), Guarded(l.Critical)})
	}
	return rows
}

// WriteCSV writes Rows as delimited text. The error is that of w.
func WriteCSV(w io.Writer, lines []Line) error {
	return WriteRows(w, Rows(lines))
}

// WriteRows writes a table as delimited text. The error is that of w.
func WriteRows(w io.Writer, rows [][]string) error { return csv.NewWriter(w).WriteAll(rows) }

// Guarded keeps a spreadsheet from reading text as a formula: an apostrophe
// stands before a first letter that begins one (measurement reference section
// 2.4).
func Guarded(s string) string {
	if s != "" && strings.ContainsRune("=+-@\t\r", rune(s[0])) {
		return "'" + s
	}
	return s
}

// Facts holds what a table states by the name or hash of a file, and which of
// its lines a file has taken. A nil *Facts states nothing.
type Facts struct {
	lines map[string]map[string]criteria.Fact
	taken map[string]bool
}

// take returns the facts of the first key that has a line.
func (t *Facts) take(keys ...string) map[string]criteria.Fact {
	if t == nil {
		return nil
	}
	for _, k := range keys {
		if f, ok := t.lines[k]; ok {
			t.taken[k] = true
			return f
		}
	}
	return nil
}

// Untaken lists the lines that no file has taken, sorted.
func (t *Facts) Untaken() []string {
	if t == nil {
		return nil
	}
	var out []string
	for k := range t.lines {
		if !t.taken[k] {
			out = append(out, k)
		}
	}
	slices.Sort(out)
	return out
}

// NotThere is the problem of a line of the table that no file has taken.
const NotThere = "the table of facts has a line for it, and the folder holds no file of that name or hash; correct the table"

// ReadFacts reads a delimited table whose first column is file or sha256 and
// whose other columns are facts; an empty cell leaves the fact absent. name is
// what errors call it; they are told in parts.
func ReadFacts(name wording.Text, data []byte) (*Facts, error) {
	r := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(data, []byte("\xef\xbb\xbf"))))
	head, err := r.Read()
	if err != nil {
		return nil, tableFault("%s: %s", name, wording.Said("expected a header line with file or sha256 and names of facts: %s", csvFault(err)))
	}
	key := -1
	for i, h := range head {
		head[i] = strings.TrimSpace(h)
		if slices.Contains(head[:i], head[i]) {
			return nil, tableFault("%s:1: %s", name, wording.Fault("column %d: %s", i+1, expected(wording.Said("each column once"), wording.Fault("%q a second time", head[i]), wording.Said("delete one of the two"))))
		}
		switch {
		case head[i] == "file" || head[i] == "sha256":
			if key < 0 {
				key = i
			}
		default:
			if _, ok := rules.Lookup(head[i]); !ok {
				return nil, tableFault("%s:1: %s", name, wording.Fault("column %d: %s", i+1, expected(wording.Said("the name of a fact, file or sha256"), wording.Literal(head[i]).Quoted(), wording.Said("see airwarrant rules facts"))))
			}
		}
	}
	if key < 0 {
		return nil, tableFault("%s:1: %s", name, expected(wording.Said("a column file or sha256"), wording.Literal(strings.Join(head, ", ")).Text(), wording.Said("add one")))
	}
	out := map[string]map[string]criteria.Fact{}
	for {
		row, err := r.Read()
		if err == io.EOF {
			return &Facts{lines: out, taken: map[string]bool{}}, nil
		}
		if err != nil {
			return nil, tableFault("%s: %s", name, csvFault(err))
		}
		at, _ := r.FieldPos(0)
		facts := map[string]criteria.Fact{}
		for i, v := range row {
			if head[i] == "file" || head[i] == "sha256" || strings.TrimSpace(v) == "" {
				continue
			}
			f, err := criteria.ParseValue(head[i], strings.TrimSpace(v))
			if err != nil {
				told := wording.Of(err)
				if wrong, ok := errors.AsType[*criteria.ValueError](err); ok {
					told = wording.Joined("%s: %s", wording.Literal(wrong.Fact), told)
				}
				return nil, tableFault("%s:%d: %s", name, at, told)
			}
			facts[head[i]] = f
		}
		if _, twice := out[row[key]]; twice {
			return nil, tableFault("%s:%d: %s", name, at, wording.Fault("%s has two lines; keep one", row[key]))
		}
		out[row[key]] = facts
	}
}

// tableFault is a fault of the table of facts at its place; format has marks
// alone.
func tableFault(format string, parts ...any) error {
	return wording.Error{Text: wording.Joined(format, parts...)}
}

func expected(what, found, mend wording.Text) wording.Text {
	return wording.Said("expected %s; found %s; %s", what, found, mend)
}

// csvFault says what the reader of tables found, in English as it says it.
func csvFault(err error) wording.Text {
	wrong, ok := errors.AsType[*csv.ParseError](err)
	switch {
	case !ok:
		return wording.Literal(err.Error()).Text() // of an empty table
	case wrong.Err == csv.ErrFieldCount:
		return wording.Said("record on line %d: wrong number of fields", wrong.Line)
	}
	why := wording.Said(`extraneous or missing " in quoted-field`)
	if wrong.Err == csv.ErrBareQuote {
		why = wording.Said(`bare " in non-quoted-field`)
	}
	if wrong.StartLine != wrong.Line {
		return wording.Said("record on line %d; parse error on line %d, column %d: %s", wrong.StartLine, wrong.Line, wrong.Column, why)
	}
	return wording.Said("parse error on line %d, column %d: %s", wrong.Line, wrong.Column, why)
}
