package batch

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"airwarrant/qualify"
	"airwarrant/qualify/criteria"
	"airwarrant/rules"
	"airwarrant/rules/wording"
)

// night is one night of 93 % with 95 samples of 88 %, four seconds apart: 6.3
// minutes at or below 88 %.
func night(start time.Time) string {
	var b strings.Builder
	b.WriteString("Time,SpO2,Pulse\n")
	for i := range 5495 {
		v := 93
		if i >= 2700 && i < 2795 {
			v = 88
		}
		fmt.Fprintf(&b, "%s,%d,%d\n", start.Add(time.Duration(i)*4*time.Second).Format("2006-01-02 15:04:05"), v, 60+i%5)
	}
	return b.String()
}

var evening = time.Date(2024, 3, 1, 22, 0, 0, 0, time.UTC)

func query(t *testing.T) (qualify.Query, *rules.Library) {
	t.Helper()
	lib, err := rules.Embedded()
	if err != nil {
		t.Fatal(err)
	}
	q := qualify.Query{Criteria: []string{"us-medicare"}, Facts: map[string]criteria.Fact{}}
	for name, v := range map[string]string{"test_state": "asleep", "test_place": "home", "test_performed_by": "idtf", "supplier_part": "delivered_unit", "custody": "order_on_file"} {
		f, err := criteria.ParseValue(name, v)
		if err != nil {
			t.Fatal(err)
		}
		q.Facts[name] = f
	}
	return q, lib
}

// What the table states of one file stands before what is stated of all, and
// moves no other file.
func TestFactsOfOneFile(t *testing.T) {
	q, lib := query(t)
	table, err := ReadFacts(wording.Verbatim("t.csv"), []byte("file,test_date,custody\na.csv,2024-03-01,none\nlost.csv,2024-03-01,\n"))
	if err != nil {
		t.Fatal(err)
	}
	a := File(qualify.Source{Name: "folder/a.csv", Data: []byte(night(evening))}, table, q, lib)
	b := File(qualify.Source{Name: "folder/b.csv", Data: []byte(night(evening))}, table, q, lib)
	if len(a) != 1 || !strings.Contains(a[0].Problem, "Not read") || a[0].Session != 0 {
		t.Errorf("a file that the table bars: %+v", a)
	}
	if len(b) != 1 || b[0].Problem != "" || b[0].Session != 1 || !slices.Contains(b[0].Missing, "test_date") {
		t.Errorf("the other file: %+v", b)
	}
	if v := q.Facts["custody"].Value.Word; v != "order_on_file" || len(q.Facts) != 5 {
		t.Errorf("the facts of all files were changed: %q, %d", v, len(q.Facts))
	}
	if got := table.Untaken(); !slices.Equal(got, []string{"lost.csv"}) {
		t.Errorf("untaken %q", got)
	}
}

// A file of two nights has two lines, or one that asks where other people's
// nights may be in it; then nothing of either is told.
func TestSeveralSessions(t *testing.T) {
	q, lib := query(t)
	two := night(evening) + strings.Join(strings.SplitAfter(night(evening.AddDate(0, 0, 1)), "\n")[1:], "")
	src := qualify.Source{Name: "two.csv", Data: []byte(two)}
	if lines := File(src, nil, q, lib); len(lines) != 2 || lines[0].Session != 1 || lines[1].Session != 2 {
		t.Errorf("lines %+v", lines)
	}
	q.Private = true
	lines := File(src, nil, q, lib)
	if len(lines) != 1 || lines[0].Session != 0 || lines[0].Outcome != "undetermined" || !slices.Contains(lines[0].Missing, "session_choice") || !strings.Contains(lines[0].Problem, "2 sessions") {
		t.Errorf("lines %+v", lines)
	}
}

// A file that cannot be read, whatever is in it, costs its own line alone.
func TestRefusedFile(t *testing.T) {
	q, lib := query(t)
	for _, data := range []string{"", "no recording", "\x00\x01\x02", strings.Repeat("9,", 5000)} {
		lines := File(qualify.Source{Name: "x", Data: []byte(data)}, nil, q, lib)
		if len(lines) != 1 || lines[0].Problem == "" || lines[0].Outcome != "" || lines[0].Missing == nil || lines[0].DecidedBy == nil {
			t.Errorf("%.20q: %+v", data, lines)
		}
	}
}

func TestWriteCSV(t *testing.T) {
	lines := []Line{Refused("=cmd.csv", "ab", "-1"), {File: "b", Session: 2, Outcome: "qualifies", DecidedBy: []string{"x", "y"}, Missing: []string{}}}
	var b bytes.Buffer
	if err := WriteCSV(&b, lines); err != nil {
		t.Fatal(err)
	}
	want := "file,sha256,session,outcome,disposition,decided_by,missing,problem,critical\n'=cmd.csv,ab,,,,,,'-1,\nb,,2,qualifies,,x y,,,\n"
	if b.String() != want {
		t.Errorf("%q, want %q", b.String(), want)
	}
}

func TestReadFactsRefuses(t *testing.T) {
	for data, want := range map[string]string{
		"":                                   "expected a header line",
		"test_date\n":                        "expected a column file or sha256",
		"file,nonsense\n":                    "column 2",
		"file,test_date,test_date\n":         "a second time",
		"file,test_date\na,soon\n":           "t.csv:2: test_date: expected a date as YYYY-MM-DD; found \"soon\"; ",
		"file,test_date\na\n":                "t.csv: record on line 2: " + csv.ErrFieldCount.Error(),
		"file,test_date\na,\"b\"c\n":         "t.csv: parse error on line 2, column 5: " + csv.ErrQuote.Error(),
		"file,test_date\na,b\"c\n":           "t.csv: parse error on line 2, column 4: " + csv.ErrBareQuote.Error(),
		"file,test_date\na,\"b\n\nc":         "t.csv: record on line 2; parse error on line 4, column 2: " + csv.ErrQuote.Error(),
		"file,test_date\na,\na,2024-03-01\n": "has two lines",
	} {
		if got, err := ReadFacts(wording.Verbatim("t.csv"), []byte(data)); got != nil || err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", data, err, want)
		}
	}
}
