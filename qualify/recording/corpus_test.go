package recording_test

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"math/big"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"airwarrant/qualify/analysis"
	"airwarrant/qualify/recording"
)

const corpusDir = "../../testdata/recordings"

var corpusColumns = []string{"file", "zone", "columns", "interval_s", "result", "words", "sessions", "start", "recorded_s", "valid_s", "suspect_s",
	"le88_low_s", "le88_s", "le88_high_s", "longest_le88_s", "nadir", "mean", "warnings", "marks"}

func (s sample) row() []string {
	w := s.want
	return []string{s.name, s.zone, s.columns, s.step, w.result, w.words, w.sessions, w.start, w.recorded, w.valid, w.suspect,
		w.low, w.le88, w.high, w.longest, w.nadir, w.mean, w.warnings, w.marks}
}

// corpusFiles makes the whole folder: each recording, the table of what is
// right, and the README.
func corpusFiles(t *testing.T) map[string][]byte {
	out := map[string][]byte{}
	var list, readme bytes.Buffer
	w := csv.NewWriter(&list)
	rows := [][]string{corpusColumns}
	readme.WriteString(corpusIntro)
	for _, s := range corpus() {
		if out[s.name] != nil {
			t.Fatalf("two files are named %s", s.name)
		}
		out[s.name] = []byte(s.data)
		rows = append(rows, s.row())
		fmt.Fprintf(&readme, "| `%s` | %s | %s |\n", s.name, strings.ReplaceAll(s.what, "|", `\|`), strings.ReplaceAll(s.right(), "|", `\|`))
	}
	if err := w.WriteAll(rows); err != nil {
		t.Fatal(err)
	}
	out["expected.csv"], out["README.md"] = list.Bytes(), readme.Bytes()
	return out
}

const corpusIntro = `# Recordings of our own scenario

Small files in all the forms in which a night of pulse oximetry may be handed over as delimited text, made for
the tests: an invented sleeper, invented identifiers. Nothing here comes from a patient or a device. Most
spell one and the same night: 60 rows 4 s apart from 24 March 2026, 22:00:00, namely 20 of 94 %, 16 of 91,
12 of 88, 3 of 86 and 9 of 93. That is 240 s, of which 60 s at or below 88 %, lowest 86, mean 91.45.

` + "`expected.csv`" + ` holds what is right for each file, worked out by hand from its rows: the options it is read with, whether
it is read, asked about or refused, words of the refusal (divided by |), and the figures by session (divided by
blanks; - is unknown). ` + "`go test ./qualify/recording -run TestCorpus`" + ` holds the program to it. The files are made by
` + "`qualify/recording/corpus_make_test.go`" + `; after a change there run
` + "`go test ./qualify/recording -run TestCorpusFiles -update`" + `.

| file | what it is | what is right |
| --- | --- | --- |
`

// right says in words what expected.csv says in columns.
func (s sample) right() string {
	w := s.want
	var how []string
	if s.zone != "" {
		how = append(how, "zone "+s.zone)
	}
	if s.columns != "" {
		how = append(how, "`--columns "+s.columns+"`")
	}
	if s.step != "" {
		how = append(how, "`--interval "+s.step+"`")
	}
	out := ""
	if len(how) > 0 {
		out = "with " + strings.Join(how, ", ") + ": "
	}
	switch w.result {
	case "read":
		out += fmt.Sprintf("%s s recorded, %s s valid, %s s at or below 88 %% (%s to %s)", w.recorded, w.valid, w.le88, w.low, w.high)
		if w.recorded == "-" {
			out = strings.Replace(out, "- s recorded", "recorded time unknown", 1)
		}
		if w.warnings != "" {
			out += "; told: " + w.warnings
		}
	case "asked":
		out += "asked: " + w.words
	default:
		out += "refused: " + w.words
	}
	return out
}

// TestCorpusFiles holds the folder to what makes it.
func TestCorpusFiles(t *testing.T) {
	files := corpusFiles(t)
	if *update {
		for name, data := range files {
			if err := os.WriteFile(filepath.Join(corpusDir, name), data, 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
	for name, data := range files {
		if len(data) > 20_000 && name != "README.md" && name != "expected.csv" {
			t.Errorf("%s has %d bytes, more than 20000", name, len(data))
		}
		got, err := os.ReadFile(filepath.Join(corpusDir, name))
		if err != nil {
			t.Error(err)
		} else if !bytes.Equal(got, data) {
			t.Errorf("%s differs from what corpus_make_test.go makes; run with -update", name)
		}
	}
	if n := len(files) - 2; n < 60 {
		t.Errorf("the corpus has %d recordings, fewer than 60", n)
	}
}

var classes = map[string]error{"asked": recording.ErrAmbiguous, "refused": recording.ErrFormat, "no_spo2": recording.ErrNoSpO2}

// corpusRead reads a file as its line says.
func corpusRead(t *testing.T, c map[string]string, data []byte) (*recording.Recording, error) {
	t.Helper()
	opt := recording.Options{Zone: c["zone"], Columns: c["columns"]}
	if s := c["interval_s"]; s != "" {
		n, err := strconv.ParseInt(s, 10, 64)
		if err != nil {
			t.Fatal(err)
		}
		opt.IntervalMS = 1000 * n
	}
	return recording.ReadBytes(data, opt)
}

// corpusLines reads expected.csv.
func corpusLines(t *testing.T) []map[string]string {
	t.Helper()
	f, err := os.Open(filepath.Join(corpusDir, "expected.csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	all, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []map[string]string
	for _, line := range all[1:] {
		c := map[string]string{}
		for i, name := range all[0] {
			c[name] = line[i]
		}
		out = append(out, c)
	}
	return out
}

// decimal prints r with at most two decimals, cut zeros.
func decimal(r *big.Rat) string {
	if r == nil {
		return "-"
	}
	s := r.FloatString(2)
	return strings.TrimSuffix(strings.TrimRight(s, "0"), ".")
}

// figuresOf prints the columns of expected.csv for what was read.
func figuresOf(rec *recording.Recording) map[string]string {
	out := map[string]string{}
	add := func(name, v string) { out[name] = strings.TrimSpace(out[name] + " " + v) }
	sessions := rec.Sessions(0)
	out["sessions"] = strconv.Itoa(len(sessions))
	out["start"] = rec.Stamp(rec.Time[0], 0)
	for k, s := range sessions {
		a := analysis.Analyze(rec, s, analysis.Options{})
		le := a.AtOrBelow(big.NewRat(88, 1))
		sec := func(ticks int64) string { return decimal(a.Seconds(ticks)) }
		if a.Recorded == nil {
			add("recorded_s", "-")
		} else {
			add("recorded_s", sec(*a.Recorded))
		}
		add("valid_s", sec(a.Valid))
		add("suspect_s", sec(a.Suspect))
		add("le88_low_s", sec(le.Low))
		add("le88_s", sec(le.Value))
		add("le88_high_s", sec(le.High))
		add("longest_le88_s", sec(a.LongestAtOrBelow(big.NewRat(88, 1)).Value))
		add("nadir", decimal(a.Nadir.Value))
		if k == 0 {
			add("mean", decimal(a.Mean.Value))
		}
	}
	var codes []string
	for _, w := range rec.Warnings {
		codes = append(codes, w.Code)
	}
	slices.Sort(codes)
	out["warnings"] = strings.Join(slices.Compact(codes), " ")
	out["marks"] = strconv.Itoa(len(rec.Annotations))
	return out
}

// TestCorpus reads every file of testdata/recordings and compares with
// expected.csv, whose figures were worked out by hand from the rows.
func TestCorpus(t *testing.T) {
	for _, c := range corpusLines(t) {
		t.Run(c["file"], func(t *testing.T) {
			data, err := os.ReadFile(filepath.Join(corpusDir, c["file"]))
			if err != nil {
				t.Fatal(err)
			}
			rec, err := corpusRead(t, c, data)
			if c["result"] != "read" {
				if !errors.Is(err, classes[c["result"]]) || rec != nil {
					t.Fatalf("got %v, %v; want %s", rec, err, c["result"])
				}
				for _, w := range strings.Split(c["words"], "|") {
					if !strings.Contains(err.Error(), w) {
						t.Errorf("%q does not say %q", err, w)
					}
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			got := figuresOf(rec)
			for _, name := range corpusColumns[6:] {
				if got[name] != c[name] {
					t.Errorf("%s is %q, expected %q", name, got[name], c[name])
				}
			}
		})
	}
}

// TestCorpusFlipped flips bytes of every file (check (g) of the measurement
// reference, section 6): a clean error or some recording, never a crash, and
// nothing beside an error.
func TestCorpusFlipped(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 11))
	for _, c := range corpusLines(t) {
		data, err := os.ReadFile(filepath.Join(corpusDir, c["file"]))
		if err != nil {
			t.Fatal(err)
		}
		for range 12 {
			if len(data) == 0 {
				break
			}
			bad := slices.Clone(data)
			at := rng.IntN(len(bad))
			bad[at] ^= 1 << rng.IntN(8)
			rec, err := corpusRead(t, c, bad)
			if err != nil {
				if rec != nil {
					t.Errorf("%s, byte %d: a recording beside the error %v", c["file"], at, err)
				}
				continue
			}
			for i := 1; i < len(rec.Time); i++ {
				if rec.Time[i] < rec.Time[i-1] && !slices.Contains(rec.Breaks, i) {
					t.Errorf("%s, byte %d: time falls at sample %d without a break", c["file"], at, i)
				}
			}
			figuresOf(rec)
		}
	}
}
