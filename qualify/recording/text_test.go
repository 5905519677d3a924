package recording

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"testing"
	"testing/iotest"
	"unicode/utf16"
)

// read reads text and fails the test on an error.
func read(t *testing.T, text string, opt Options) *Recording {
	t.Helper()
	r, err := ReadBytes([]byte(text), opt)
	if err != nil {
		t.Fatalf("%v\nin:\n%s", err, text)
	}
	checkShape(t, r)
	return r
}

// checkShape checks what every Recording promises.
func checkShape(t *testing.T, r *Recording) {
	t.Helper()
	n := len(r.Time)
	if len(r.SpO2) != n || r.Pulse != nil && len(r.Pulse) != n || r.Flags != nil && len(r.Flags) != n {
		t.Fatalf("columns differ in length: %d stamps, %d saturations, %d pulses, %d flags", n, len(r.SpO2), len(r.Pulse), len(r.Flags))
	}
	if r.PerSecond <= 0 || r.SpO2Scale.Den <= 0 || r.PulseScale.Den <= 0 {
		t.Fatalf("scales are not positive: %+v", r)
	}
	for i := 1; i < n; i++ {
		if r.Time[i] < r.Time[i-1] && !slices.Contains(r.Breaks, i) {
			t.Fatalf("time falls at sample %d and no break is listed there", i)
		}
	}
	if len(r.SHA256) != 64 || r.Format == "" || r.Container != "none" {
		t.Fatalf("provenance is incomplete: %q %q %q", r.SHA256, r.Format, r.Container)
	}
}

// print shows a recording on one line: seconds from the first sample, the
// saturation and letters for flags; | stands before a break.
func print(r *Recording) string {
	var b strings.Builder
	for i := range r.Time {
		if i > 0 {
			b.WriteByte(' ')
		}
		if slices.Contains(r.Breaks, i) {
			b.WriteString("| ")
		}
		fmt.Fprintf(&b, "%g=", float64(r.Time[i]-r.Time[0])/float64(r.PerSecond))
		if r.SpO2[i] == NoReading {
			b.WriteString("NA")
		} else {
			v, _ := r.SpO2Scale.Rat(r.SpO2[i]).Float64()
			fmt.Fprintf(&b, "%g", v)
		}
		// o off, m motion, w weak, a marginal, u unknown mark, c conflict, l overlap
		for k, c := range "omwaucl" {
			if r.Flag(i)&(FlagSensorOff<<k) != 0 {
				b.WriteRune(c)
			}
		}
	}
	return b.String()
}

func warned(r *Recording) string {
	var out []string
	for _, w := range r.Warnings {
		out = append(out, w.Code)
	}
	slices.Sort(out)
	return strings.Join(slices.Compact(out), " ")
}

// rows writes a table of stamps hh:mm:ss and saturations.
func rows(stamps, sats string) string {
	var b strings.Builder
	b.WriteString("time,spo2\n")
	v := strings.Fields(sats)
	for i, s := range strings.Split(stamps, " / ") {
		b.WriteString(s + "," + v[i] + "\n")
	}
	return b.String()
}

// TestReferenceCases checks how the cases of the measurement reference that
// are about reading are read (testdata/reference/measurement-cases.csv, same
// identifiers). The figures of the cases are tested in package analysis.
func TestReferenceCases(t *testing.T) {
	twice := "time,spo2\n"
	for i := 0; i < 10; i++ {
		row := fmt.Sprintf("22:00:%02d,%d\n", 4*i, 90-2*(i/5))
		twice += row + row
	}
	half := "time,spo2\n"
	for i := 0; i < 10; i++ {
		half += fmt.Sprintf("22:00:%02d,88\n22:00:%02d,90\n", i, i)
	}
	cases := []struct {
		id, text string
		opt      Options
		want     string // as print shows it
		clock    ClockKind
		start    string
		warned   string
	}{
		{"C09", rows("23:59:52 / 23:59:56 / 00:00:00 / 00:00:04", "91 88 88 91"), Options{},
			"0=91 4=88 8=88 12=91", ClockTimeOfDay, "23:59:52", ""},
		{"C10", rows("2026-11-01 01:59:56 / 2026-11-01 01:00:00 / 2026-11-01 01:00:04 / 2026-11-01 01:00:08", "90 88 88 90"), Options{Zone: "America/New_York"},
			"0=90 4=88 8=88 12=90", ClockInstant, "2026-11-01T01:59:56-04:00", WarnRepeatedHour},
		{"C11", rows("2027-03-14 01:59:56 / 2027-03-14 03:00:00 / 2027-03-14 03:00:04", "90 88 88"), Options{Zone: "America/New_York"},
			"0=90 4=88 8=88", ClockInstant, "2027-03-14T01:59:56-05:00", ""},
		{"C12 time alone", rows("22:00:00 / 22:00:04 / 21:30:00 / 21:30:04", "94 94 88 88"), Options{},
			"0=94 4=94 | -1800=88 -1796=88", ClockTimeOfDay, "22:00:00", WarnSteppedBack},
		{"C12 with dates", rows("2026-03-01 22:00:00 / 2026-03-01 22:00:04 / 2026-03-01 21:30:00 / 2026-03-01 21:30:04", "94 94 88 88"), Options{},
			"0=94 4=94 | -1800=88 -1796=88", ClockWall, "2026-03-01T22:00:00", WarnSteppedBack},
		{"C13", rows("11:59:56 PM / 12:00:00 AM / 12:00:04 AM", "89 88 87"), Options{},
			"0=89 4=88 8=87", ClockTimeOfDay, "23:59:56", ""},
		{"C15", rows("24/11/2026 23:59:56 / 25/11/2026 00:00:00", "88 88"), Options{},
			"0=88 4=88", ClockWall, "2026-11-24T23:59:56", ""},
		{"C18", rows("10:00:00 / 10:00:04 / 10:00:08 / 10:00:12 / 10:00:16 / 10:00:20 / 10:00:24", "94 -- \"\" 255 511 32767 94"), Options{},
			"0=94 4=NA 8=NA 12=NA 16=NA 20=NA 24=94", ClockTimeOfDay, "10:00:00", ""},
		{"C25", twice, Options{},
			"0=90 4=90 8=90 12=90 16=90 20=88 24=88 28=88 32=88 36=88", ClockTimeOfDay, "22:00:00", WarnCopies},
		{"C26", half, Options{},
			"0=88 0.5=90 1=88 1.5=90 2=88 2.5=90 3=88 3.5=90 4=88 4.5=90 5=88 5.5=90 6=88 6.5=90 7=88 7.5=90 8=88 8.5=90 9=88 9.5=90", ClockTimeOfDay, "22:00:00", WarnSpread},
		{"C27", rows("22:00:00 / 22:00:04 / 22:00:04 / 22:00:08", "92 92 86 92"), Options{},
			"0=92 4=92c 4=86c 8=92", ClockTimeOfDay, "22:00:00", WarnConflict},
		{"C28", rows("22:00:00 / 22:00:08 / 22:00:04 / 22:00:12", "92 88 90 92"), Options{},
			"0=92 4=90 8=88 12=92", ClockTimeOfDay, "22:00:00", WarnTransposed},
		{"C37", rows("22:00:00 / 22:00:04", "88.4 88.0"), Options{},
			"0=88.4 4=88", ClockTimeOfDay, "22:00:00", ""},
		{"C41", rows("22:00:00", "85"), Options{}, "0=85", ClockTimeOfDay, "22:00:00", ""},
	}
	for _, c := range cases {
		t.Run(c.id, func(t *testing.T) {
			r := read(t, c.text, c.opt)
			if got := print(r); got != c.want {
				t.Errorf("read as %s, want %s", got, c.want)
			}
			if r.Clock != c.clock {
				t.Errorf("clock %d, want %d", r.Clock, c.clock)
			}
			if got := r.Stamp(r.Time[0], 0); got != c.start {
				t.Errorf("begins at %s, want %s", got, c.start)
			}
			if got := warned(r); got != c.warned {
				t.Errorf("warnings %q, want %q", got, c.warned)
			}
		})
	}
}

// TestDateOrderAsked is case C14: 03/04/2026 alone is never guessed, and the
// caller's word settles it.
func TestDateOrderAsked(t *testing.T) {
	text := rows("03/04/2026 22:00:00 / 03/04/2026 22:00:04", "94 94")
	r, err := ReadBytes([]byte(text), Options{})
	if !errors.Is(err, ErrAmbiguous) || r != nil {
		t.Fatalf("got %v, %v; want an ambiguous recording", r, err)
	}
	for _, want := range []string{"line 2", "3 April 2026", "4 March 2026", "--columns order=dmy"} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("%q does not say %q", err, want)
		}
	}
	for order, start := range map[string]string{"dmy": "2026-04-03T22:00:00", "mdy": "2026-03-04T22:00:00"} {
		r := read(t, text, Options{Columns: "order=" + order})
		if got := r.Stamp(r.Time[0], 0); got != start {
			t.Errorf("order %s begins at %s, want %s", order, got, start)
		}
	}
}

// TestTwoNights is case C39: one file, two sessions.
func TestTwoNights(t *testing.T) {
	var b strings.Builder
	b.WriteString("time,spo2\n")
	for i := 0; i < 100; i++ {
		fmt.Fprintf(&b, "2026-03-01 22:%02d:%02d,90\n", i*4/60, i*4%60)
	}
	b.WriteString("time,spo2\n")
	for i := 0; i < 100; i++ {
		fmt.Fprintf(&b, "2026-03-02 12:%02d:%02d,88\n", i*4/60, i*4%60)
	}
	r := read(t, b.String(), Options{})
	got := r.Sessions(0)
	if want := []Session{{0, 100}, {100, 200}}; !slices.Equal(got, want) {
		t.Errorf("sessions %v, want %v", got, want)
	}
	if w := warned(r); w != "" {
		t.Errorf("unexpected warnings %s", w)
	}
}

// utf16Bytes encodes s in UTF-16 with a byte order mark.
func utf16Bytes(s string, order binary.ByteOrder) string {
	var b bytes.Buffer
	for _, u := range utf16.Encode([]rune("\ufeff" + s)) {
		if err := binary.Write(&b, order, u); err != nil {
			panic(err)
		}
	}
	return b.String()
}

// TestOneNightManyFiles reads one table in many spellings of delimited text:
// the same samples every time. Quoting is that of RFC 4180 section 2, rules 5
// to 7; line ends beside CRLF, other delimiters and encodings are common
// practice, no source.
func TestOneNightManyFiles(t *testing.T) {
	const plain = "Time,SpO2,Pulse\n2026-03-24 22:00:00,94,61\n2026-03-24 22:00:04,88.5,62\n2026-03-24 22:00:08,,63\n"
	sub := func(pairs ...string) string { return strings.NewReplacer(pairs...).Replace(plain) }
	cases := []struct{ name, text string }{
		{"plain", plain},
		{"CRLF", sub("\n", "\r\n")},
		{"lone CR", sub("\n", "\r")},
		{"CR CR LF", sub("\n", "\r\r\n")},
		{"no last line end", strings.TrimSuffix(plain, "\n")},
		{"byte order mark", "\ufeff" + plain},
		{"UTF-16 little end first", utf16Bytes(plain, binary.LittleEndian)},
		{"UTF-16 big end first", utf16Bytes(plain, binary.BigEndian)},
		{"UTF-16 beyond the first plane", utf16Bytes("Note: 😀\n"+plain, binary.LittleEndian)},
		{"Windows-1252", "Ger\xe4t: A \x80\n" + plain},
		{"semicolon", sub(",", ";")},
		{"tab", sub(",", "\t")},
		{"pipe", sub(",", "|")},
		{"semicolon and decimal comma", sub(",", ";", ".", ",")},
		{"tab and decimal comma", sub(",", "\t", ".", ",")},
		{"a hint of the delimiter", "sep=;\r\n" + sub(",", ";", "\n", "\r\n")},
		{"quotes around all", "\"" + strings.TrimSuffix(sub(",", "\",\"", "\n", "\"\n\""), "\"")},
		{"a spreadsheet's guard", sub("94", "=\"94\"", "88.5", "=\"88.5\"")},
		{"the guard in quotes", sub("94", "\"=\"\"94\"\"\"")},
		{"quoted line end in the header", sub("Pulse", "\"Pulse\nrate\"")},
		{"doubled quote", sub("Pulse", "\"Pulse \"\"PR\"\"\"")},
		{"blanks", sub(",", " , ")},
		{"no-break blanks", sub(",", "\u00a0,\u202f")},
		{"percent signs", sub("94", "94%", "88.5", "88.5 %")},
		{"a row of units", sub("Pulse\n", "Pulse\nhh:mm:ss,%,1/min\n")},
		{"delimiter at the end of each row", sub("\n", ",\n")},
		{"blank lines", sub("\n", "\n\n")},
		{"a repeated header", sub("22:00:04", "22:00:04", "\n2026-03-24 22:00:04", "\nTime,SpO2,Pulse\n2026-03-24 22:00:04")},
		{"lines above", "Recording of a night\n\nDevice: Oximeter\nAlarm limit: 85\nSpO2 mean,90\n" + plain},
		{"an end-of-file mark", plain + "\x1a"},
		{"zero bytes at the end", plain + "\x00\x00\x00"},
		{"lines below", plain + "\nMean,91.2,62\nRows: 3\n"},
		{"rows of delimiters", plain + ",,\n,,\n"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			r := read(t, c.text, Options{})
			if got := print(r); got != "0=94 4=88.5 8=NA" {
				t.Errorf("read as %s", got)
			}
			if !slices.Equal(r.Pulse, []int32{61, 62, 63}) {
				t.Errorf("pulse %v", r.Pulse)
			}
			if got := r.Stamp(r.Time[0], 0); got != "2026-03-24T22:00:00" {
				t.Errorf("begins at %s", got)
			}
			if r.SpO2Scale != (Scale{1, 0, 10}) || r.PulseScale != (Scale{1, 0, 1}) {
				t.Errorf("scales %v, %v", r.SpO2Scale, r.PulseScale)
			}
			if want := []Count{{"spo2", "", 1}}; !slices.Equal(r.Codes, want) {
				t.Errorf("codes %v, want %v", r.Codes, want)
			}
		})
	}
}

// TestDeclared reads what the lines above a table say. Names and numbers are
// invented.
func TestDeclared(t *testing.T) {
	const body = "\n\nTime,SpO2\n22:00:00,94\n22:00:04,88\n"
	cases := []struct {
		name, text string
		want       string // kind=value, ...
	}{
		{"colons", "Patient name: Ann Example\nDate of birth: 1950-02-03\nPatient ID: X-17\nSex: F\nDevice: Bedside oximeter 2\nTechnician: B. Sample\nAveraging: 4 s\nStart: 2026-03-01 22:00" + body,
			"name=Ann Example, birth_date=1950-02-03, identifier=X-17, sex=F, equipment=Bedside oximeter 2, technician=B. Sample, averaging=4 s, start_date=2026-03-01 22:00"},
		{"cells", "Name,Ann Example\nDOB,1950-02-03\nMRN,17" + body, "name=Ann Example, birth_date=1950-02-03, identifier=17"},
		{"a value with a comma", "Name: Example, Ann" + body, "name=Example, Ann"},
		{"two in a line", "Name: Ann Example,ID: 17" + body, "name=Ann Example, identifier=17"},
		{"comment signs", "# Name: Ann Example\n# ID = 17" + body, "name=Ann Example, identifier=17"},
		{"German", "Name: Ann Example\nGeburtsdatum: 3.2.1950\nPatientennummer: 17\nGerät: Oximeter\nDatum: 1.3.2026" + body,
			"name=Ann Example, birth_date=3.2.1950, identifier=17, equipment=Oximeter, start_date=1.3.2026"},
		{"French", "Nom: Exemple\nDate de naissance: 3/2/1950\nAppareil: oxymètre" + body, "name=Exemple, birth_date=3/2/1950, equipment=oxymètre"},
		{"Spanish", "Nombre: Ejemplo\nFecha de nacimiento: 3/2/1950\nSexo: F" + body, "name=Ejemplo, birth_date=3/2/1950, sex=F"},
		{"what only looks like it", "Test name: overnight\nSession ID: 4\nStart SpO2: high\nDevice name: Oximeter" + body, "equipment=Oximeter"},
		{"what is not kept", "File name: night.csv\nPrinted: 2026-03-02\nReport date: 2026-03-02\nFree words" + body, ""},
		{"a column of identifiers", "Time,SpO2,Patient ID\n22:00:00,94,17\n22:00:04,88,18\n", "identifier=17, identifier=18"},
		{"above a repeated header", "Name: Ann Example" + body + "Name: Bob Example" + strings.ReplaceAll(body, "22:", "23:"), "name=Ann Example, name=Bob Example"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			r := read(t, c.text, Options{})
			var got []string
			for _, d := range r.Declared {
				got = append(got, d.Kind+"="+d.Value)
				if !strings.HasPrefix(d.Where.String(), "line ") {
					t.Errorf("%v does not say where", d)
				}
				for _, w := range r.Warnings {
					if strings.Contains(w.Text, d.Value) && len(d.Value) > 3 {
						t.Errorf("warning %q holds personal data", w.Text)
					}
				}
			}
			if g := strings.Join(got, ", "); g != c.want {
				t.Errorf("declared %s\nwant %s", g, c.want)
			}
		})
	}
}

// TestDateFromPreamble gives times of day the date above the table, if there
// is one that can be read in one way.
func TestDateFromPreamble(t *testing.T) {
	const body = "\nTime,SpO2\n23:59:56,94\n00:00:00,88\n"
	cases := []struct{ above, columns, end, warned string }{
		{"Date: 2026-03-01", "", "2026-03-02T00:00:00", WarnDatePreamble},
		{"Recording date: 24/03/2026 21:00", "", "2026-03-25T00:00:00", WarnDatePreamble + " " + WarnStartLate},
		{"Start date: 1 March 2026", "", "2026-03-02T00:00:00", WarnDatePreamble},
		{"Date: 03/04/2026", "", "00:00:00", WarnDateNotRead},
		{"Date: 03/04/2026", "order=dmy", "2026-04-04T00:00:00", WarnDatePreamble},
		{"Date: 2026-03-01\nTest date: 2026-03-02", "", "00:00:00", WarnDateNotRead},
		{"Date: 2026-03-01\nTest date: 01.03.2026", "order=dmy", "2026-03-02T00:00:00", WarnDatePreamble},
		{"Date of birth: 1950-02-03", "", "00:00:00", ""},
		{"Report date: 2026-03-01", "", "00:00:00", ""},
	}
	for _, c := range cases {
		t.Run(c.above, func(t *testing.T) {
			r := read(t, c.above+body, Options{Columns: c.columns})
			if got := r.Stamp(r.Time[1], 1); got != c.end {
				t.Errorf("ends at %s, want %s", got, c.end)
			}
			if got := warned(r); got != c.warned {
				t.Errorf("warnings %q, want %q", got, c.warned)
			}
		})
	}
}

// TestCells reads single cells of the saturation column, in a file whose other
// rows are plain.
func TestCells(t *testing.T) {
	cases := []struct{ cell, columns, want, code string }{
		{"0", "", "NA", "0"}, {"127", "", "NA", "127"}, {"255", "", "NA", "255"}, {"511", "", "NA", "511"},
		{"32767", "", "NA", "32767"}, {"-1", "", "NA", "-1"}, {"-32768", "", "NA", "-32768"}, {"0.0", "", "NA", "0.0"},
		{"--", "", "NA", "--"}, {"---", "", "NA", "---"}, {"", "", "NA", ""}, {"NaN", "", "NA", "NaN"}, {"?", "", "NA", "?"}, {"*", "", "NA", "*"},
		{"9999", "none=9999|ERR", "NA", "9999"}, {"err", "none=9999|ERR", "NA", "err"}, {"99", "none=99", "NA", "99"},
		{"101", "", "NA", "101"}, {"-5", "", "NA", "-5"}, {"6553.5", "", "NA", "6553.5"},
		{"100", "", "100", ""}, {"1", "", "1", ""}, {"49", "", "49", ""}, {"088", "", "88", ""}, {"88.125", "", "88.125", ""}, {"88.1250000", "", "88.125", ""}, {"+88", "", "88", ""}, {"88 %", "", "88", ""},
		{"\"88,5\"", "decimal=,", "88.5", ""},
	}
	for _, c := range cases {
		t.Run(c.cell, func(t *testing.T) {
			r := read(t, "time,spo2\n22:00:00,"+c.cell+"\n22:00:04,94\n", Options{Columns: c.columns})
			if got := strings.Fields(print(r))[0]; got != "0="+c.want {
				t.Errorf("read as %s, want %s", got, c.want)
			}
			if c.want == "NA" {
				if want := []Count{{"spo2", c.code, 1}}; !slices.Equal(r.Codes, want) {
					t.Errorf("codes %v, want %v", r.Codes, want)
				}
			}
			beyond := c.code == "101" || c.code == "-5" || c.code == "6553.5"
			if got := warned(r); beyond != (got == WarnNotSaturation) {
				t.Errorf("warnings %q", got)
			}
		})
	}
}

// TestPulseCells keeps implausible pulses as numbers, because the analysis
// judges them; 127 is a pulse and no code there.
func TestPulseCells(t *testing.T) {
	r := read(t, "time,spo2,pulse\n22:00:00,94,127\n22:00:04,94,0\n22:00:08,94,255\n22:00:12,94,12\n22:00:16,94,998\n22:00:20,94,1200\n22:00:24,94,61.5\n22:00:28,94,--\n", Options{})
	want := []int32{1270, NoReading, NoReading, 120, 9980, NoReading, 615, NoReading}
	if !slices.Equal(r.Pulse, want) || r.PulseScale != (Scale{1, 0, 10}) {
		t.Errorf("pulse %v over %v, want %v", r.Pulse, r.PulseScale, want)
	}
	if got := warned(r); got != WarnNotPulse {
		t.Errorf("warnings %q", got)
	}
	if want := []Count{{"pulse", "--", 1}, {"pulse", "0", 1}, {"pulse", "1200", 1}, {"pulse", "255", 1}}; !slices.Equal(r.Codes, want) {
		t.Errorf("codes %v, want %v", r.Codes, want)
	}
}

// TestQuality reads quality columns.
func TestQuality(t *testing.T) {
	cases := []struct{ header, cells, want, warned string }{
		{"Status", "ok good OK Valid normal", "94 94 94 94 94", ""},
		{"Status", "ok motion Moving weak low_perfusion", "94 94m 94m 94w 94w", ""},
		{"Quality", "marginal bad artifact invalid questionable", "94a 94a 94a 94a 94a", ""},
		{"Status", "off disconnected no_finger no_sensor searching", "NAo NAo NAo NAo NAo", ""},
		{"Status", "ok motion;weak off;motion", "94 94mw NAom", ""},
		{"Status", "ok wobbly ok", "94 94u 94", WarnUnknownMark},
		{"Signal", "1 2 3", "94 94 94", WarnColumnNotRead},
		{"Signal", "ok 2 ok", "94 94u 94", WarnUnknownMark},
		{"Motion", "no yes X true", "94 94m 94m 94m", ""},
		{"Artifact", "no yes none", "94 94a 94", ""},
		{"Motion", "off on none", "94 94m 94", ""},
		{"Signal", "none", "94u", WarnUnknownMark},
		{"Status", "yes", "94u", WarnUnknownMark},
	}
	for _, c := range cases {
		t.Run(c.header+" "+c.cells, func(t *testing.T) {
			var b strings.Builder
			fmt.Fprintf(&b, "time,spo2,%s\n", c.header)
			for i, s := range strings.Fields(c.cells) {
				fmt.Fprintf(&b, "22:00:%02d,94,%s\n", i, strings.ReplaceAll(s, "_", " "))
			}
			r := read(t, b.String(), Options{})
			var got []string
			for _, s := range strings.Fields(print(r)) {
				_, v, _ := strings.Cut(s, "=")
				got = append(got, v)
			}
			if g := strings.Join(got, " "); g != c.want {
				t.Errorf("read as %s, want %s", g, c.want)
			}
			if g := warned(r); g != c.warned {
				t.Errorf("warnings %q, want %q", g, c.warned)
			}
		})
	}
	two := read(t, "time,spo2,Motion,Status\n22:00:00,94,yes,weak\n22:00:04,94,1,ok\n", Options{})
	if got := print(two); got != "0=94mw 4=94u" {
		t.Errorf("two columns read as %s", got)
	}
}

// TestEvents keeps the words of an event column as marks.
func TestEvents(t *testing.T) {
	r := read(t, "time,spo2,Event\n22:00:00,94,\n22:00:08,94,cuff\n22:00:04,88,lights off\n", Options{})
	if want := []Annotation{{r.Time[2], "cuff"}, {r.Time[1], "lights off"}}; !slices.Equal(r.Annotations, want) {
		t.Errorf("marks %v, want %v", r.Annotations, want)
	}
}

// TestBroken holds one broken file for each mistake.
func TestBroken(t *testing.T) {
	head := "Time,SpO2,Pulse\n"
	cases := []struct {
		name, text   string
		line, column int
		offset       int64
		says         string
	}{
		{"empty", "", 0, 0, -1, "empty file"},
		{"blank lines alone", "\n\n \n", 0, 0, -1, "empty file"},
		{"header alone", head, 1, 0, -1, "rows of readings"},
		{"words alone", "This is a letter.\nIt has two lines.\n", 0, 0, -1, "no"},
		{"a broken stamp in the middle", head + "22:00:00,94,61\n22:0x:04,88,62\n22:00:08,88,62\n", 3, 1, -1, `"22:0x:04"`},
		{"a stamp that no clock shows", head + "22:00:00,94,61\n25:00:04,88,62\n22:00:08,88,62\n", 3, 1, -1, "no clock"},
		{"broken elapsed time", "Elapsed,SpO2\n0,94\n-4,88\n8,88\n", 3, 1, -1, "elapsed"},
		{"elapsed time beyond a lifetime", "Elapsed,SpO2\n0,94\n99999999999,88\n8,88\n", 3, 1, -1, "elapsed"},
		{"a broken date beside a time", "Date,Time,SpO2\n2026-03-01,22:00:00,94\n2026-03,22:00:04,88\n2026-03-01,22:00:08,88\n", 3, 1, -1, "a date"},
		{"a line too long for a head", strings.Repeat("94,", headBytes), 1, 0, -1, "a longer one"},
		{"minute 60", head + "22:00:00,94,61\n22:60:04,88,62\n22:00:08,88,62\n", 3, 1, -1, "no clock"},
		{"hour 0 with a marker", head + "0:00:00 AM,94,61\n0:00:04 AM,88,62\n1:00:04 AM,88,62\n", 2, 1, -1, "1 to 12"},
		{"hour 13 with a marker", head + "12:59:56 PM,94,61\n13:00:00 PM,88,62\n1:00:04 PM,88,62\n", 3, 1, -1, "1 to 12"},
		{"a marker in some rows", head + "11:00:00 PM,94,61\n11:00:04,88,62\n11:00:08 PM,88,62\n", 3, 1, -1, "in all rows or in none"},
		{"seconds in some rows", head + "22:00:00,94,61\n22:01,88,62\n22:02:00,88,62\n", 3, 1, -1, "in all rows or in none"},
		{"a broken saturation", head + "22:00:00,94,61\n22:00:04,8a,62\n22:00:08,88,62\n", 3, 2, -1, `"8a"`},
		{"a broken saturation in the last row", head + "22:00:00,94,61\n22:00:04,8a,62\n", 3, 2, -1, `"8a"`},
		{"a broken pulse", head + "22:00:00,94,61\n22:00:04,88,6.\n22:00:08,88,62\n", 3, 3, -1, `"6."`},
		{"a decimal comma among commas", head + "22:00:00,94,61\n22:00:04,\"88,5\",62\n22:00:08,88,62\n", 3, 2, -1, "decimal=,"},
		{"two decimal marks", "Time;SpO2\n22:00:00;94,5\n22:00:04;88.5\n22:00:08;88,5\n", 3, 2, -1, "one decimal mark"},
		{"seven decimals", head + "22:00:00,94,61\n22:00:04,88.1234567,62\n22:00:08,88,62\n", 3, 2, -1, "6 decimals"},
		{"a field too many", head + "22:00:00,94,61\n22:00:04,88,62,9\n22:00:08,88,62\n", 3, 0, -1, "found 4"},
		{"a field too few", head + "22:00:00,94,61\n22:00:04,88\n22:00:08,88,62\n", 3, 0, -1, "found 2"},
		{"a quote that never closes", head + "22:00:00,94,61\n22:00:04,\"88,62\n22:00:08,88,62\n", 4, 0, -1, "begun in line 3"},
		{"a quote inside a field", head + "22:00:00,94,61\n22:00:04,8\"8,62\n22:00:08,88,62\n", 3, 0, -1, "quote"},
		{"words between rows", head + "22:00:00,94,61\nJane Example was here\n22:00:04,88,62\n", 3, 0, -1, "3 columns"},
		{"another header between rows", head + "22:00:00,94,61\nTime,Pulse,SpO2\n22:00:04,62,88\n", 3, 1, -1, "time of day"},
		{"29 February of a plain year", head + "2026-02-28 23:59:56,94,61\n2026-02-29 00:00:00,88,62\n", 3, 0, -1, "year 2026, month 2, day 29"},
		{"both orders in one file", head + "24/11/2026 22:00:00,94,61\n11/25/2026 22:00:04,88,62\n", 3, 0, -1, "11/25/2026"},
		{"a year before any recorder", head + "1850-01-01 00:00:00,94,61\n", 2, 0, -1, "between 1900 and 2199"},
		{"a zero byte in the middle", head + "22:00:00,94,6\x001\n22:00:04,88,62\n", 0, 0, 29, "0x00"},
		{"a control byte", head + "22:00:00,94,6\x07\n", 0, 0, 29, "0x07"},
		{"a byte that Windows-1252 lacks", head + "22:00:00,94,6\x81\n", 0, 0, 29, "0x81"},
		{"half a UTF-16 pair", "\xff\xfe\x00\xd8\x41\x00", 0, 0, 2, "UTF-16"},
		{"gzip", "\x1f\x8b\x08\x00rest", 0, 0, 0, "gzip"},
		{"zip", "PK\x03\x04rest", 0, 0, 0, "zip archive"},
		{"a workbook in an old form", "\xd0\xcf\x11\xe0rest", 0, 0, 0, "workbook"},
		{"PDF", "%PDF-1.7\n", 0, 0, 0, "PDF"},
		{"XML", "<?xml version=\"1.0\"?>", 0, 0, 0, "XML"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			r, err := ReadBytes([]byte(c.text), Options{})
			if !errors.Is(err, ErrFormat) || r != nil {
				t.Fatalf("got %v, %v; want ErrFormat", r, err)
			}
			var fe *FormatError
			if !errors.As(err, &fe) {
				t.Fatalf("%v is no FormatError", err)
			}
			if fe.Expected.String() == "" || fe.Found.String() == "" || fe.Mend.String() == "" {
				t.Errorf("%v lacks what was expected, found or the mend", err)
			}
			if fe.Line != c.line || fe.Column != c.column || fe.Offset != c.offset {
				t.Errorf("line %d, column %d, byte %d; want line %d, column %d, byte %d (%v)", fe.Line, fe.Column, fe.Offset, c.line, c.column, c.offset, err)
			}
			if !strings.Contains(err.Error(), c.says) {
				t.Errorf("%q does not say %q", err, c.says)
			}
			if strings.Contains(err.Error(), "Jane") {
				t.Errorf("%q quotes a name", err)
			}
		})
	}
}

// TestManyFaults lists at most 20 faults and counts the rest.
func TestManyFaults(t *testing.T) {
	text := "Time,SpO2\n"
	for i := 0; i < 50; i++ {
		text += fmt.Sprintf("22:00:%02d,%s\n", i, []string{"94", "8a"}[i%2])
	}
	_, err := ReadBytes([]byte(text), Options{})
	var all *FormatErrors
	if !errors.As(err, &all) || len(all.Faults) != 20 || all.More != 5 {
		t.Fatalf("got %v", err)
	}
	if all.Faults[0].Line != 3 || all.Faults[19].Line != 41 || !errors.Is(err, ErrFormat) || !strings.HasSuffix(err.Error(), "and 5 more") {
		t.Errorf("got %v", err)
	}
}

// TestFoot tells rows below the table from damaged ones.
func TestFoot(t *testing.T) {
	head := "Time,SpO2,Pulse\n22:00:00,94,61\n22:00:04,88,62\n"
	cases := []struct{ name, foot, warned string }{
		{"totals", "Mean,91,61\nRows,2\n", WarnFoot},
		{"words", "end of the recording\n", WarnFoot},
		{"a stray quote", "cuff 5\" wide\n", WarnFoot},
		{"a row cut short", "22:00:08,8", WarnCutRow},
		{"a stamp cut short", "22:00", WarnCutRow},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			r := read(t, head+c.foot, Options{})
			if got := print(r); got != "0=94 4=88" {
				t.Errorf("read as %s", got)
			}
			if got := warned(r); got != c.warned {
				t.Errorf("warnings %q, want %q", got, c.warned)
			}
		})
	}
	for _, foot := range []string{
		"22:00:08,8\n", // a damaged row, for its line is whole
		strings.Repeat("Total,91,61\n", maxFoot+1), // more than a foot
	} {
		if r, err := ReadBytes([]byte(head+foot), Options{}); !errors.Is(err, ErrFormat) || r != nil {
			t.Errorf("%q gave %v, %v; want ErrFormat", foot, r, err)
		}
	}
}

// TestRead checks limit, hash and size of the bytes as they came. The SHA-256
// of "abc" is that of FIPS 180-2 appendix B.1, here to check that the hash is
// the plain one, in lower-case hexadecimal.
func TestRead(t *testing.T) {
	text := "\ufefftime,spo2\r\n22:00:00,94\r\n"
	a := read(t, text, Options{})
	b, err := Read(iotest.OneByteReader(strings.NewReader(text)), Options{MaxBytes: int64(len(text))})
	if err != nil || b.SHA256 != a.SHA256 || b.Size != int64(len(text)) || b.Format != FormatText {
		t.Errorf("Read gave %+v, %v", b, err)
	}
	if r, err := Read(strings.NewReader(text), Options{MaxBytes: int64(len(text)) - 1}); !errors.Is(err, ErrTooLarge) || r != nil {
		t.Errorf("one byte too many gave %v, %v", r, err)
	}
	if r, err := Read(iotest.ErrReader(io.ErrUnexpectedEOF), Options{}); !errors.Is(err, ErrFormat) || !errors.Is(err, io.ErrUnexpectedEOF) || r != nil {
		t.Errorf("a broken upload gave %v, %v", r, err)
	}
	const abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
	if got := digest([]byte("abc")); got != abc {
		t.Errorf("digest of abc is %s, want %s", got, abc)
	}
	if a.SHA256 != digest([]byte(text)) {
		t.Error("the hash is not that of the bytes as they came")
	}
}

// TestTruncated cuts a small file at every byte: an error or fewer samples,
// and no sample that the whole file does not hold, except in the row that is
// cut.
func TestTruncated(t *testing.T) {
	text := "Name: Ann Example\nDate;Time;SpO2;Pulse;Status\n24/03/2026;23:59:56;94,5;61;ok\n24/03/2026;23:59:58;94,0;62;motion\n25/03/2026;00:00:00;88,0;63;\"ok\"\n25/03/2026;00:00:02;--;64;off\nTotal;4\n"
	for _, text := range []string{text, utf16Bytes(text, binary.LittleEndian)} {
		whole := read(t, text, Options{})
		if len(whole.Time) != 4 {
			t.Fatalf("the whole file has %d samples", len(whole.Time))
		}
		for n := 0; n < len(text); n++ {
			r, err := ReadBytes([]byte(text[:n]), Options{})
			if err != nil {
				if r != nil {
					t.Errorf("cut at %d: a recording with the error %v", n, err)
				}
				continue
			}
			checkShape(t, r)
			if len(r.Time) > len(whole.Time) {
				t.Errorf("cut at %d: %d samples", n, len(r.Time))
			}
			for i := 0; i < len(r.Time)-1; i++ {
				v, w := r.SpO2Scale.Rat(r.SpO2[i]), whole.SpO2Scale.Rat(whole.SpO2[i])
				if r.Time[i] != whole.Time[i] || (r.SpO2[i] == NoReading) != (whole.SpO2[i] == NoReading) || r.SpO2[i] != NoReading && v.Cmp(w) != 0 {
					t.Errorf("cut at %d: sample %d changed", n, i)
				}
			}
		}
	}
}
