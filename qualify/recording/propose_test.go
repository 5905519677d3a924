package recording

import (
	"archive/zip"
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"
)

// TestColumnsString writes mappings and reads them back: the text is how a
// mapping is stored under a name.
func TestColumnsString(t *testing.T) {
	for in, want := range map[string]string{
		"":                                    "",
		"spo2=3,time=1,pulse=4,order=DMY":     "time=1,spo2=3,pulse=4,order=dmy",
		`time="Time, local",spo2="a ""b"" c"`: `time="Time, local",spo2="a ""b"" c"`,
		"delimiter=\t,decimal=,,none=ERR|9999,header=0":  "delimiter=tab,decimal=comma,header=0,none=9999|err",
		"delimiter=,,decimal=.,unit=fraction":            "delimiter=comma,decimal=point,unit=fraction",
		"delimiter=blanks,stamps=epoch,none_spo2=1|2":    "stamps=epoch,delimiter=blanks,none_spo2=1|2",
		"elapsed=1,start=2026-03-01 22:00,none_pulse=99": "elapsed=1,start=2026-03-01 22:00,none_pulse=99",
		"date=1,quality=none,header=12":                  "date=1,quality=none,header=12",
	} {
		c, err := ParseColumns(in)
		if err != nil {
			t.Errorf("%s: %v", in, err)
			continue
		}
		if got := c.String(); got != want {
			t.Errorf("%s is written as %s, want %s", in, got, want)
		}
		again, err := ParseColumns(c.String())
		if err != nil || !reflect.DeepEqual(again, c) {
			t.Errorf("%s is read back as %+v, %v; want %+v", in, again, err, c)
		}
	}
}

// proposed prints roles by column.
func proposed(p *Proposal) string {
	var out []string
	for _, c := range p.Columns {
		out = append(out, c.Role)
	}
	return strings.Join(out, "|")
}

// TestPropose shows what a mapping step is given, with and without a question.
func TestPropose(t *testing.T) {
	cases := []struct {
		name, text, columns string
		roles               string
		delimiter           string
		header, rows        int
		mapping             string
		question            error
	}{
		{"nothing to ask", "Name: A. Example\nTime;SpO2;Pulse;Status;Event;Alarm;PI\n2026-03-24 22:00:00;94,5;61;ok;;0;1,2\n2026-03-24 22:00:04;88,0;62;ok;cuff;1;1,2\n", "",
			"time|spo2|pulse|quality|event|alarm|not read", "semicolon", 2, 2,
			"time=Time,spo2=SpO2,pulse=Pulse,quality=Status,delimiter=semicolon,decimal=comma", nil},
		{"a date order", "Time,SpO2\n03/04/2026 22:00:00,94\n03/04/2026 22:00:04,88\n", "", "time|spo2", "comma", 1, 2,
			"time=Time,spo2=SpO2,delimiter=comma", ErrAmbiguous},
		{"a date order, answered", "Time,SpO2\n03/04/2026 22:00:00,94\n03/04/2026 22:00:04,88\n", "order=mdy", "time|spo2", "comma", 1, 2,
			"time=Time,spo2=SpO2,order=mdy,delimiter=comma", nil},
		{"a date order by evidence", "Time,SpO2\n24/03/2026 22:00:00,94\n24/03/2026 22:00:04,88\n", "", "time|spo2", "comma", 1, 2,
			"time=Time,spo2=SpO2,order=dmy,delimiter=comma", nil},
		{"two saturations and a date order", "Time,SpO2,SaO2\n03/04/2026 22:00:00,94,95\n03/04/2026 22:00:04,88,89\n", "", "time|not read|not read", "comma", 1, 2,
			"time=Time,delimiter=comma", ErrAmbiguous},
		{"no header, two columns that fit", "22:00:00,94,61\n22:00:04,88,62\n", "", "time|not read|not read", "comma", 0, 2,
			"time=1,delimiter=comma", ErrAmbiguous},
		{"elapsed time", "Time (s)\tSpO2\n0\t94\n4\t88\n", "", "elapsed|spo2", "tab", 1, 2, `elapsed=Time (s),spo2=SpO2,delimiter=tab`, nil},
		{"aligned by blanks", "Time       SpO2   Pulse\n22:00:00   94     61\n22:00:04   88     62\n", "", "time|spo2|pulse", "blanks", 1, 2,
			"time=Time,spo2=SpO2,pulse=Pulse,delimiter=blanks", nil},
		{"no saturation", "Time,Zuurstof\n22:00:00,94\n22:00:04,88\n", "", "time|not read", "comma", 1, 2, "time=Time,delimiter=comma", ErrNoSpO2},
		{"a count of seconds", "Time,SpO2\n1774389600,94\n1774389604,88\n", "", "time|spo2", "comma", 1, 2, "time=Time,spo2=SpO2,stamps=epoch,delimiter=comma", nil},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			opt := Options{Columns: c.columns}
			p, err := Propose([]byte(c.text), opt)
			if err != nil {
				t.Fatal(err)
			}
			if got := proposed(p); got != c.roles {
				t.Errorf("roles %s, want %s", got, c.roles)
			}
			if p.Delimiter != c.delimiter || p.Header != c.header || len(p.Rows) != c.rows || p.Mapping != c.mapping || p.Encoding != "UTF-8" {
				t.Errorf("got %+v", p)
			}
			if !errors.Is(p.Question, c.question) || (p.Question == nil) != (c.question == nil) {
				t.Errorf("question %v, want %v", p.Question, c.question)
			}
			for _, col := range p.Columns {
				if col.Reason.IsZero() {
					t.Errorf("column %d has a role without a reason", col.Number)
				}
			}
			if c.question != nil {
				return
			}
			a, errA := ReadBytes([]byte(c.text), opt)
			b, errB := ReadBytes([]byte(c.text), Options{Columns: p.Mapping})
			if errA != nil || errB != nil || print(a) != print(b) || a.Time[0] != b.Time[0] || !slices.Equal(a.Pulse, b.Pulse) {
				t.Errorf("the mapping reads another recording: %v, %v", errA, errB)
			}
		})
	}
}

// TestProposeDetails checks the parts of a proposal that help to answer.
func TestProposeDetails(t *testing.T) {
	p, err := Propose([]byte("Time,SpO2,SaO2,Pulse\n03/04/2026 22:00:00+01:00,94,--,61\n03/04/2026 22:00:04+01:00,88,90,62\n"), Options{})
	if err != nil {
		t.Fatal(err)
	}
	if got := fmt.Sprint(p.Dates.Answers); got != "[{dmy 3 April 2026} {mdy 4 March 2026}]" || p.Dates.Order != "" {
		t.Errorf("dates %+v", p.Dates)
	}
	if !p.Offsets {
		t.Error("offsets in the stamps are not told")
	}
	if got := fmt.Sprint(p.Columns[1].Could, p.Columns[2].Could, p.Columns[3].Could); got != "[spo2 pulse] [spo2 pulse] [spo2 pulse]" {
		t.Errorf("choices %s", got)
	}
	if want := (ProposedRow{2, []string{"03/04/2026 22:00:00+01:00", "94", "--", "61"}}); !reflect.DeepEqual(p.Rows[0], want) {
		t.Errorf("first row %v, want %v", p.Rows[0], want)
	}
	p, err = Propose([]byte("Time,SpO2\n03/04/2026 23:59:56,94\n04/04/2026 00:00:00,127\n"), Options{})
	if err != nil {
		t.Fatal(err)
	}
	if p.Dates.Order != "dmy" || !strings.Contains(p.Dates.Why.String(), "midnight") || p.Dates.Answers != nil {
		t.Errorf("dates %+v", p.Dates)
	}
	if want := []Count{{"spo2", "127", 1}}; !slices.Equal(p.Codes, want) {
		t.Errorf("codes %v, want %v", p.Codes, want)
	}
	workbook := func([]byte, int64) ([]string, [][]byte, error) {
		return []string{"Notes", "Night"}, [][]byte{[]byte("a letter\n"), []byte("Time,SpO2,SaO2\n22:00:00,94,95\n")}, nil
	}
	var packed bytes.Buffer
	z := zip.NewWriter(&packed)
	for _, part := range []string{"[Content_Types].xml", "xl/workbook.xml"} {
		if _, err := z.Create(part); err != nil {
			t.Fatal(err)
		}
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	p, err = Propose(packed.Bytes(), Options{Workbook: workbook})
	if err != nil || p.Sheet != "2" || p.Mapping != "sheet=2,time=Time,delimiter=comma" || !errors.Is(p.Question, ErrAmbiguous) {
		t.Errorf("a workbook gives %+v, %v", p, err)
	}
	p, err = Propose(packed.Bytes(), Options{Workbook: workbook, Columns: p.Mapping + ",spo2=2"})
	if err != nil || p.Question != nil {
		t.Errorf("a workbook with the answer gives %+v, %v", p, err)
	}
	for name, c := range map[string]struct {
		text string
		opt  Options
		err  error
	}{
		"a workbook that nobody opens": {packed.String(), Options{}, ErrFormat},
		"signals":                      {"{\"resourceType\": \"Observation\"}", Options{}, ErrFormat},
		"no table":                     {"a letter\n", Options{}, ErrFormat},
		"a document":                   {"%PDF-1.7", Options{}, ErrFormat},
		"no such zone":                 {"Time,SpO2\n22:00:00,94\n", Options{Zone: "Mars/Olympus"}, ErrOptions},
		"no such key":                  {"Time,SpO2\n22:00:00,94\n", Options{Columns: "colour=1"}, ErrOptions},
		"no such place":                {"Time,SpO2\n22:00:00,94\n", Options{Columns: "spo2=7"}, ErrOptions},
		"too long":                     {"Time,SpO2\n22:00:00,94\n", Options{MaxBytes: 3}, ErrTooLarge},
	} {
		if p, err := Propose([]byte(c.text), c.opt); !errors.Is(err, c.err) || p != nil {
			t.Errorf("%s: got %v, %v; want %v", name, p, err, c.err)
		}
	}
}

// TestProposeAsks shows what has to be answered beside the columns.
func TestProposeAsks(t *testing.T) {
	gz := func(text string) string {
		var b bytes.Buffer
		w := gzip.NewWriter(&b)
		if _, err := w.Write([]byte(text)); err != nil {
			t.Fatal(err)
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
		return b.String()
	}
	for _, c := range []struct {
		name, text, columns string
		roles               string
		asks                [3]bool // no time, fractions, from a start
	}{
		{"two times beside plain readings", "Start,End,SpO2,Pulse,Status\n2026-03-01 22:00:00,2026-03-01 22:00:04,94,61,ok\n2026-03-01 22:00:04,2026-03-01 22:00:08,94,61,ok\n", "",
			"not read|not read|spo2|pulse|quality", [3]bool{true, false, false}},
		{"two saturations beside marks and a person", "Time,SpO2,SaO2,Event,Alarm,Patient ID,Name\n22:00:00,94,95,,,7,A\n22:00:04,88,89,cuff,1,7,A\n", "",
			"time|not read|not read|event|alarm|identifier|name", [3]bool{}},
		{"two pulses", "Time,SpO2,Pulse,HR,Status\n22:00:00,94,61,62,ok\n22:00:04,88,62,61,ok\n", "",
			"time|spo2|not read|not read|quality", [3]bool{}},
		{"no time", "SpO2,Pulse\n94,61\n88,62\n", "", "spo2|pulse", [3]bool{true, false, false}},
		{"fractions", "Time,SpO2\n22:00:00,0.94\n22:00:04,0.88\n", "", "time|spo2", [3]bool{false, true, false}},
		{"fractions, answered", "Time,SpO2\n22:00:00,0.94\n22:00:04,0.88\n", "unit=fraction", "time|spo2", [3]bool{}},
		{"a start", "Time (s),SpO2\n0,94\n4,88\n", "", "elapsed|spo2", [3]bool{false, false, true}},
		{"a start, answered", "Time (s),SpO2\n0,94\n4,88\n", "start=2026-03-01T22:00:00", "elapsed|spo2", [3]bool{}},
		{"packed", gz("Time,SpO2,SaO2\n22:00:00,94,95\n22:00:04,88,89\n"), "", "time|not read|not read", [3]bool{}},
	} {
		p, err := Propose([]byte(c.text), Options{Columns: c.columns})
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		if got := proposed(p); got != c.roles {
			t.Errorf("%s: roles %s, want %s", c.name, got, c.roles)
		}
		if got := [3]bool{p.NoTime, p.Fractions, p.FromStart}; got != c.asks {
			t.Errorf("%s: asks %v, want %v", c.name, got, c.asks)
		}
	}
}

// TestProposeShape holds files of one shape against those of another.
func TestProposeShape(t *testing.T) {
	shape := func(text string) string {
		p, err := Propose([]byte(text), Options{})
		if err != nil {
			t.Fatal(err)
		}
		return p.Shape
	}
	one := shape("Time,SpO2,SaO2\n22:00:00,94,95\n22:00:04,88,89\n")
	for text, same := range map[string]bool{
		"Time,SpO2,SaO2\n01:00:00,90,91\n01:00:02,90,91\n01:00:04,90,91\n":                     true,
		"Device: 7\nnight of 2 March 2026\n time ,spo2,SaO2\n22:00:00,94,95\n22:00:04,88,89\n": true,
		"Time;SpO2;SaO2\n22:00:00;94;95\n22:00:04;88;89\n":                                     false,
		"Time,SaO2,SpO2\n22:00:00,94,95\n22:00:04,88,89\n":                                     false,
		"Time,SpO2,SaO2,Pulse\n22:00:00,94,95,60\n22:00:04,88,89,60\n":                         false,
	} {
		if got := shape(text) == one; got != same {
			t.Errorf("%q has the same shape: %v, want %v", text, got, same)
		}
	}
	if got := shape("22:00:00,94,61\n22:00:04,88,62\n"); got != "" {
		t.Errorf("a file without a header has the shape %s, want none", got)
	}
}
