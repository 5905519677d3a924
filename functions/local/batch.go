package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/csv"
	"encoding/hex"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"sort"
	"strconv"
	"strings"

	"airwarrant/qualify"
	"airwarrant/qualify/analysis"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/recording"
	"airwarrant/rules"
)

// line is what batch prints for one session of one file, or for a file that
// could not be read.
type line struct {
	File        string   `json:"file"`
	SHA256      string   `json:"sha256"`
	Session     int      `json:"session"`
	Outcome     string   `json:"outcome"`
	Disposition string   `json:"disposition"`
	DecidedBy   []string `json:"decided_by"`
	Missing     []string `json:"missing"`
	Problem     string   `json:"problem"`
	// Critical tells readings at or below the critical limit, with the test's
	// age; once for each test, in the first line that has it.
	Critical string   `json:"critical"`
	prints   []string // of the session, by which a test is told again
}

func batch(args []string, e env) error {
	fs := flag.NewFlagSet("batch", flag.ContinueOnError)
	var rf readFlags
	rf.add(fs)
	var cf criticalFlags
	cf.add(fs, true)
	region := fs.String("criteria", "", "region")
	on := fs.String("on", "", "day whose criteria are applied")
	table := fs.String("facts", "", "table of facts by file or hash")
	csvFile := fs.String("csv", "", "write the table here")
	packs := fs.String("packs", "", "folder of criteria")
	confirmed := fs.String("confirmed", "", "file of confirmations")
	asJSON := fs.Bool("json", false, "print JSON")
	words, err := parse(fs, args)
	if err != nil {
		return err
	}
	if len(words) != 1 {
		return fmt.Errorf("batch: expected one FOLDER, found %d; see airwarrant --help", len(words))
	}
	ro, ao, err := rf.options()
	if err != nil {
		return err
	}
	lib, err := library(*packs)
	if err != nil {
		return err
	}
	regions, err := regionList(*region, lib)
	if err != nil {
		return err
	}
	if len(regions) != 1 {
		return fmt.Errorf("batch: --criteria: expected one region, found %d", len(regions))
	}
	conf, err := readConfirmations(*confirmed, lib)
	if err != nil {
		return err
	}
	date, err := day(*on)
	if err != nil {
		return err
	}
	critical, err := cf.setting()
	if err != nil {
		return err
	}
	facts := &factTable{}
	if *table != "" {
		if facts, err = factsTable(*table); err != nil {
			return err
		}
	}
	folder, err := filepath.EvalSymlinks(words[0]) // the folder may be named by a link, what is in it not
	if err != nil {
		return fmt.Errorf("batch: %w; check the name", err)
	}
	files, err := sortedFiles(folder)
	if err != nil {
		return fmt.Errorf("batch: %w; check the name", err)
	}
	lines, used := []line{}, map[string]bool{}
	for i, f := range files {
		name, err := filepath.Rel(folder, f.path)
		if err != nil {
			return err
		}
		fmt.Fprintf(e.err, "%d of %d: %s\n", i+1, len(files), name)
		src, err := qualify.Source{}, f.err
		if err == nil {
			src, err = load(f.path, e, ro)
		}
		if err != nil {
			lines = append(lines, line{File: name, DecidedBy: []string{}, Missing: []string{}, Problem: err.Error()})
			continue
		}
		src.Name = name
		src.Read.Sibling = noting(used, folder, filepath.Dir(f.path), src.Read.Sibling)
		for _, one := range unpacked(src) {
			lines = append(lines, batchFile(one, facts, qualify.Query{Criteria: regions, On: date, Analysis: ao, Confirmed: conf, Critical: critical}, lib, ao)...)
		}
	}
	for _, key := range facts.untaken() {
		lines = append(lines, line{File: key, DecidedBy: []string{}, Missing: []string{}, Problem: "the table of facts has a line for it, and the folder holds no file of that name or hash; correct the table"})
	}
	onceCritical(lines, e.err)
	// A signal file that was read with its header has no line of its own.
	lines = slices.DeleteFunc(lines, func(l line) bool { return l.Problem != "" && used[l.File] })
	if *csvFile != "" {
		var b bytes.Buffer
		if err := writeLines(&b, lines); err != nil {
			return err
		}
		if err := os.WriteFile(*csvFile, b.Bytes(), 0o600); err != nil {
			return fmt.Errorf("--csv: %w; choose a place that can be written", err)
		}
	}
	if *asJSON {
		return writeJSON(e.out, lines)
	}
	if *csvFile == "" {
		return writeLines(e.out, lines)
	}
	return nil
}

// noting wraps a lookup of sibling files so that used holds the names, below
// folder, of those that were found.
func noting(used map[string]bool, folder, dir string, lookup func(string) ([]byte, error)) func(string) ([]byte, error) {
	return func(name string) ([]byte, error) {
		data, err := lookup(name)
		if rel, fault := filepath.Rel(folder, filepath.Join(dir, name)); err == nil && fault == nil {
			used[rel] = true
		}
		return data, err
	}
}

// unpacked is src, or the recordings of a zip that holds several. One that
// cannot be taken apart is left for its reader to refuse.
func unpacked(src qualify.Source) []qualify.Source {
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

// batchFile gives one line for each session of one file. A fault of the file,
// even one that makes the program panic, costs that file's line alone.
func batchFile(src qualify.Source, table *factTable, q qualify.Query, lib *rules.Library, ao analysis.Options) (out []line) {
	sum := sha256.Sum256(src.Data)
	hash := hex.EncodeToString(sum[:])
	refused := func(why string) []line {
		return []line{{File: src.Name, SHA256: hash, DecidedBy: []string{}, Missing: []string{}, Problem: why}}
	}
	defer func() {
		if r := recover(); r != nil {
			out = refused(fmt.Sprintf("a fault of the program, not of this file: %v", r))
		}
	}()
	q.Facts = table.take(hash, src.Name, filepath.Base(src.Name))
	q.Sources = []qualify.Source{src}
	res, err := qualify.Check(q, lib)
	if err != nil {
		return refused(err.Error())
	}
	sessions := len(res.Readings[0].Sessions)
	if res.Session != 0 || sessions == 0 {
		return []line{lineOf(src.Name, hash, res)}
	}
	for s := 1; s <= sessions; s++ {
		q.Session = map[int]int{1: s}
		res, err := qualify.Check(q, lib)
		if err != nil {
			return refused(err.Error())
		}
		out = append(out, lineOf(src.Name, hash, res))
	}
	return out
}

func lineOf(name, hash string, res *qualify.Result) line {
	d := res.Determinations[0]
	l := line{File: name, SHA256: hash, Session: res.Session, Outcome: string(d.Outcome), Disposition: d.Disposition, DecidedBy: d.DecidedBy, Missing: []string{}}
	for _, n := range d.Needs {
		l.Missing = append(l.Missing, n.Fact)
	}
	l.Problem = res.Readings[0].Withheld
	var said []string
	for _, c := range res.CriticalFound {
		said = append(said, c.Words(res.Limit.AtOrBelow, res.Limit.Today))
	}
	l.Critical = strings.Join(said, "; ")
	if rd := res.Readings[0]; rd.Recording != nil && res.Session > 0 {
		l.prints = recording.Fingerprint(rd.Recording, rd.Sessions[slices.Index(rd.Numbers, res.Session)])
	}
	return l
}

// onceCritical leaves the critical readings of a test in the first line that
// has them, since a back-log holds one test in several files, and says at the
// end how many there are.
func onceCritical(lines []line, progress io.Writer) {
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
			l.Critical = "told above: the same test"
			continue
		}
		for _, k := range keys {
			seen[k] = true
		}
		n++
	}
	if n > 0 {
		fmt.Fprintf(progress, "%d tests hold a critically low reading (column critical): tell each treating practitioner now; in an emergency call the emergency number.\n", n)
	}
}

func writeLines(w io.Writer, lines []line) error {
	c := csv.NewWriter(w)
	rows := [][]string{{"file", "sha256", "session", "outcome", "disposition", "decided_by", "missing", "problem", "critical"}}
	for _, l := range lines {
		session := ""
		if l.Session > 0 {
			session = strconv.Itoa(l.Session)
		}
		rows = append(rows, []string{cell(l.File), l.SHA256, session, l.Outcome, l.Disposition, strings.Join(l.DecidedBy, " "), strings.Join(l.Missing, " "), cell(l.Problem), cell(l.Critical)})
	}
	if err := c.WriteAll(rows); err != nil {
		return err
	}
	return c.Error()
}

// cell keeps a spreadsheet from reading text as a formula (measurement
// reference section 2.4).
func cell(s string) string {
	if s != "" && strings.ContainsRune("=+-@\t\r", rune(s[0])) {
		return "'" + s
	}
	return s
}

// factTable holds facts by the name or hash of a file, and which of its lines
// a file has taken.
type factTable struct {
	lines map[string]map[string]criteria.Fact
	taken map[string]bool
}

// take returns the facts of the first key that has a line.
func (t *factTable) take(keys ...string) map[string]criteria.Fact {
	for _, k := range keys {
		if f, ok := t.lines[k]; ok {
			t.taken[k] = true
			return f
		}
	}
	return nil
}

// untaken lists the lines that no file has taken.
func (t *factTable) untaken() []string {
	var out []string
	for k := range t.lines {
		if !t.taken[k] {
			out = append(out, k)
		}
	}
	sort.Strings(out)
	return out
}

// factsTable reads a delimited table whose first column is file or sha256 and
// whose other columns are facts; an empty cell leaves the fact absent.
func factsTable(name string) (*factTable, error) {
	data, err := os.ReadFile(name)
	if err != nil {
		return nil, fmt.Errorf("--facts: %w; check the name", err)
	}
	r := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(data, []byte("\xef\xbb\xbf"))))
	head, err := r.Read()
	if err != nil {
		return nil, fmt.Errorf("--facts: %s: expected a header line with file or sha256 and names of facts: %w", name, err)
	}
	key := -1
	for i, h := range head {
		head[i] = strings.TrimSpace(h)
		if slices.Contains(head[:i], head[i]) {
			return nil, fmt.Errorf("--facts: %s:1: column %d: expected each column once; found %q a second time; delete one of the two", name, i+1, head[i])
		}
		switch {
		case head[i] == "file" || head[i] == "sha256":
			if key < 0 {
				key = i
			}
		default:
			if _, ok := rules.Lookup(head[i]); !ok {
				return nil, fmt.Errorf("--facts: %s:1: column %d: expected the name of a fact, file or sha256; found %q; see airwarrant rules facts", name, i+1, head[i])
			}
		}
	}
	if key < 0 {
		return nil, fmt.Errorf("--facts: %s:1: expected a column file or sha256; found %s; add one", name, strings.Join(head, ", "))
	}
	out := map[string]map[string]criteria.Fact{}
	for {
		row, err := r.Read()
		if err == io.EOF {
			return &factTable{lines: out, taken: map[string]bool{}}, nil
		}
		if err != nil {
			return nil, fmt.Errorf("--facts: %s: %w", name, err)
		}
		at, _ := r.FieldPos(0)
		facts := map[string]criteria.Fact{}
		for i, v := range row {
			if head[i] == "file" || head[i] == "sha256" || strings.TrimSpace(v) == "" {
				continue
			}
			f, err := criteria.ParseValue(head[i], strings.TrimSpace(v))
			if err != nil {
				return nil, fmt.Errorf("--facts: %s:%d: %w", name, at, err)
			}
			facts[head[i]] = f
		}
		if _, twice := out[row[key]]; twice {
			return nil, fmt.Errorf("--facts: %s:%d: %s has two lines; keep one", name, at, row[key])
		}
		out[row[key]] = facts
	}
}
