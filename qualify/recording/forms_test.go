package recording

import (
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
)

// TestForms reads further forms of delimited text, each with saturations 94
// and 88 at 22:00:00 and 22:00:04 of 24 March 2026, or of an unknown day or
// start where the file has none. Day numbers of spreadsheets were worked out
// by hand from the anchor 25569 = 1970-01-01 (ECMA-376 part 1, 18.17.4, from
// memory): 24 March 2026 is 20536 days later, 22:00:00 is 0.91666… of a day.
// The other forms are common practice, no source.
func TestForms(t *testing.T) {
	const dated, timed, elapsed = "2026-03-24T22:00:00", "22:00:00", "+0:00:00"
	cases := []struct {
		name, text string
		opt        Options
		start      string
		warned     string
	}{
		{"aligned by blanks", "Date        Time       SpO2   Pulse\n2026-03-24  22:00:00     94      61\n2026-03-24  22:00:04     88      62\n", Options{}, dated, ""},
		{"aligned by single blanks", "Date Time SpO2 Pulse\n2026-03-24 22:00:00 94 61\n2026-03-24 22:00:04 88 62\n", Options{}, dated, ""},
		{"aligned by blanks, no header", "22:00:00   94   161\n22:00:04   88   162\n", Options{}, timed, WarnByNumbers},
		{"aligned by blanks, said so", "22:00:00   94   161\n22:00:04   88   162\n", Options{Columns: "delimiter=blanks,time=1,spo2=2"}, timed, ""},
		{"aligned by blanks, decimal comma", "Zeit       Sättigung   Puls\n22:00:00   94,0        61\n22:00:04   88,0        62\n", Options{}, timed, ""},
		{"a 12 h sign in a column of its own by blanks", "Time        SpO2\n10:00:00 PM   94\n10:00:04 PM   88\n", Options{}, timed, ""},
		{"times with points", "Zeit;SpO2\n22.00.00;94\n22.00.04;88\n", Options{}, timed, ""},
		{"times with points beside dates with points", "Datum;Zeit;SpO2\n24.03.26;22.00.00;94\n24.03.26;22.00.04;88\n", Options{Columns: "order=dmy"}, dated, WarnTwoDigitYear},
		{"a stamp with points alone", "Datum/Uhrzeit;SpO2\n24.03.2026 22.00.00;94\n24.03.2026 22.00.04;88\n", Options{}, dated, ""},
		{"times with points in the morning", "Time;SpO2\n10.00.00 PM;94\n10.00.04 PM;88\n", Options{}, timed, ""},
		{"Spanish 12 h signs", "Hora;Saturación\n10:00:00 p. m.;94\n10:00:04 p.\u00a0m.;88\n", Options{}, timed, ""},
		{"German 12 h signs", "Uhrzeit;SpO2\n10:00:00 nachm.;94\n10:00:04 NACHM.;88\n", Options{}, timed, ""},
		{"French 12 h signs", "Heure;SpO2\n10:00:00 de l’après-midi;94\n10:00:04 de l'après-midi;88\n", Options{}, timed, ""},
		{"a letter for a 12 h sign", "Time,SpO2\n10:00:00p,94\n10:00:04P,88\n", Options{}, timed, ""},
		{"German signs apart", "Uhrzeit;AM/PM;SpO2\n10:00:00;nachm.;94\n10:00:04;nachm.;88\n", Options{}, timed, ""},
		{"day numbers", "Time,SpO2\n46105.9166666667,94\n46105.9167129630,88\n", Options{}, dated, WarnSerial},
		{"day numbers of five decimals", "Time;SpO2\n46105,91667;94\n46105,91671;88\n", Options{}, dated, WarnSerial},
		{"day numbers under a strange header, said so", "When,SpO2,x\n46105.9166666667,94,1\n46105.9167129630,88,1\n", Options{Columns: "time=1,stamps=serial,spo2=2"}, dated, WarnSerial},
		{"seconds since 1970", "Unix time,SpO2\n1774389600,94\n1774389604,88\n", Options{}, dated + "Z", WarnEpoch},
		{"milliseconds since 1970", "timestamp;SpO2\n1774389600000;94\n1774389604000;88\n", Options{}, dated + "Z", WarnEpoch},
		{"seconds since 1970, no header", "1774389600,94,161\n1774389604,88,162\n", Options{}, dated + "Z", WarnByNumbers + " " + WarnEpoch},
		{"seconds since 1970 and a zone", "Epoch,SpO2\n1774404000,94\n1774404004,88\n", Options{Zone: "America/New_York"}, dated + "-04:00", ""},
		{"elapsed, start above", "Start: 2026-03-24 22:00:00\nSeconds,SpO2\n0,94\n4,88\n", Options{}, dated, WarnStart},
		{"elapsed, date and time above apart", "Start date;24.03.2026\nStart time;22:00:00\nSeconds;SpO2\n0;94\n4;88\n", Options{}, dated, WarnStart},
		{"elapsed, start given", "Seconds,SpO2\n0,94\n4,88\n", Options{Columns: "start=2026-03-24T22:00:00"}, dated, ""},
		{"elapsed, start given in a zone", "Seconds,SpO2\n0,94\n4,88\n", Options{Columns: "start=2026-03-24 22:00", Zone: "America/New_York"}, dated + "-04:00", ""},
		{"elapsed from another second", "Start: 2026-03-24 21:59:50\nSeconds,SpO2\n10,94\n14,88\n", Options{}, dated, WarnStart},
		{"elapsed, start unknown", "Seconds,SpO2\n0,94\n4,88\n", Options{}, elapsed, WarnStartUnknown},
		{"elapsed, only a date above", "Date: 2026-03-24\nSeconds,SpO2\n0,94\n4,88\n", Options{}, elapsed, WarnStartUnknown},
		{"no time, start above", "Start: 2026-03-24 22:00:00\nSpO2\n94\n88\n", Options{IntervalMS: 4000}, dated, WarnStart},
		{"a row of units", "Time,SpO2,Pulse\n(hh:mm:ss),(%),(bpm)\n22:00:00,94,61\n22:00:04,88,62\n", Options{}, timed, ""},
		{"a row of units that says the order", "Datum;Zeit;SpO2\nTT.MM.JJJJ;hh:mm:ss;%\n03.04.2026;22:00:00;94\n03.04.2026;22:00:04;88\n", Options{}, "2026-04-03T22:00:00", ""},
		{"a first row that is cut", "Time,SpO2,Pulse\n:56,94,61\n22:00:00,94,61\n22:00:04,88,62\n", Options{}, timed, WarnCutStart},
		{"UTF-16 without a mark", utf16Bytes("Time,SpO2\n22:00:00,94\n22:00:04,88\n", binary.LittleEndian)[2:], Options{}, timed, ""},
		{"UTF-16 without a mark, big end first", utf16Bytes("Time,SpO2\n22:00:00,94\n22:00:04,88\n", binary.BigEndian)[2:], Options{}, timed, ""},
		{"zero bytes after UTF-16", utf16Bytes("Time,SpO2\n22:00:00,94\n22:00:04,88\n", binary.LittleEndian) + "\x00\x00\x00\x00", Options{}, timed, WarnCutFile},
		{"a start that the rows miss", "Start: 2026-03-24 20:00:00\nTime,SpO2\n2026-03-24 22:00:00,94\n2026-03-24 22:00:04,88\n", Options{}, dated, WarnStartLate},
		{"a start before midnight, the first row after it", "Start: 2026-03-23 23:59:00\nTime,SpO2\n00:00:00,94\n00:00:04,88\n", Options{}, "2026-03-24T00:00:00", WarnDatePreamble},
		{"an unset clock", "Time,SpO2\n2000-01-01 00:00:00,94\n2000-01-01 00:00:04,88\n", Options{}, "2000-01-01T00:00:00", WarnClockDefault},
		{"an unset clock of a later year", "Time,SpO2\n2026-01-01 00:00:00,94\n2026-01-01 00:00:04,88\n", Options{}, "2026-01-01T00:00:00", WarnClockDefault},
		{"an evening of 1 January", "Time,SpO2\n2026-01-01 22:00:00,94\n2026-01-01 22:00:04,88\n", Options{}, "2026-01-01T22:00:00", ""},
		{"Spanish headers", "Fecha;Hora;Saturación de oxígeno;Pulso;Observaciones\n24/03/2026;22:00:00;94;61;\n24/03/2026;22:00:04;88;62;\n", Options{}, dated, ""},
		{"French headers", "Date;Heure;Saturation;Fréquence cardiaque;Remarque\n24/03/2026;22:00:00;94;61;\n24/03/2026;22:00:04;88;62;\n", Options{}, dated, ""},
		{"German headers and months", "Zeitpunkt;Sauerstoffsättigung;Herzfrequenz\n24. März 2026 22:00:00;94;61\n24. März 2026 22:00:04;88;62\n", Options{}, dated, ""},
		{"codes of one column", "Time,SpO2,Pulse\n22:00:00,94,88\n22:00:04,88,94\n", Options{Columns: "none_pulse=88|94"}, timed, ""},
		{"alarms are no readings", "Time,SpO2,SpO2 alarm,Error code\n22:00:00,94,0,0\n22:00:04,88,85,12\n", Options{}, timed, ""},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			r := read(t, c.text, c.opt)
			if got := print(r); got != "0=94 4=88" {
				t.Errorf("read as %s", got)
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

// TestFormsRefused lists forms that are asked about or refused.
func TestFormsRefused(t *testing.T) {
	cases := []struct {
		name, text, columns string
		err                 error
		says                string
	}{
		{"an empty cell that stands under no column", "Time       SpO2   Pulse\n22:00:00   94     61\n22:00:04 62\n22:00:08   88     62\n", "", ErrFormat, "line 3"},
		{"blanks said and not there", "Time,SpO2\n22:00:00,94\n22:00:04,88\n", "delimiter=blanks", ErrFormat, "delimiter="},
		{"thousands from the first row", "Seconds;SpO2\n1.000;94\n1.004;88\n1.008;88\n", "", ErrAmbiguous, "decimal="},
		{"numbers that count nothing", "Time,SpO2\n5,94\n9,88\n", "", ErrAmbiguous, "elapsed=1"},
		{"a count that breaks off", "Time,SpO2\n1774389600,94\n17743x9604,88\n1774389608,88\n", "time=1,stamps=epoch", ErrFormat, "line 3, column 1"},
		{"a start without a time", "Seconds,SpO2\n0,94\n", "start=2026-03-24", ErrOptions, "date and time"},
		{"a start that needs an order", "Seconds,SpO2\n0,94\n", "start=03/04/2026 22:00", ErrOptions, "date and time"},
		{"a start that the zone skips", "Seconds,SpO2\n0,94\n4,88\n", "start=2027-03-14 02:30", ErrFormat, "skips"},
		{"a damaged first row", "Time,SpO2,Pulse\n22:00:00,9x,61\n22:00:04,88,62\n22:00:08,88,62\n", "", ErrFormat, "line 2, column 2"},
		{"zero bytes between rows", "Time,SpO2\n22:00:00,94\n\x00\x00\x00\x00\n22:00:04,88\n", "", ErrFormat, "0x00"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			r, err := ReadBytes([]byte(c.text), Options{Columns: c.columns, Zone: "America/New_York"})
			if !errors.Is(err, c.err) || r != nil {
				t.Fatalf("got %v, %v; want %v", r, err, c.err)
			}
			if !strings.Contains(err.Error(), c.says) {
				t.Errorf("%q does not say %q", err, c.says)
			}
		})
	}
}

// TestAlignedCells keeps empty cells of aligned columns where they stand.
func TestAlignedCells(t *testing.T) {
	r := read(t, "Time       SpO2   Pulse\n22:00:00   94     61\n22:00:04          62\n22:00:08   88\n22:00:12   88     63\n", Options{})
	if got := print(r); got != "0=94 4=NA 8=88 12=88" {
		t.Errorf("read as %s", got)
	}
	if want := []int32{61, 62, NoReading, 63}; !slices.Equal(r.Pulse, want) {
		t.Errorf("pulse %v, want %v", r.Pulse, want)
	}
}

// TestGrouped reads thousands marks of elapsed time in a night that passes
// them, whatever the mark.
func TestGrouped(t *testing.T) {
	for _, mark := range []string{",", ".", "'", " ", "\u00a0"} {
		var b strings.Builder
		b.WriteString("Seconds;SpO2\n")
		for s := 0; s < 2400; s += 4 {
			text := fmt.Sprint(s)
			if s >= 1000 {
				text = fmt.Sprintf("%d%s%03d", s/1000, mark, s%1000)
			}
			fmt.Fprintf(&b, "%s;9%d\n", text, s%7)
		}
		r := read(t, b.String(), Options{})
		for i, at := range r.Time {
			if at != int64(i)*4*r.PerSecond {
				t.Fatalf("mark %q: row %d stands at %d ticks of 1/%d s", mark, i, at, r.PerSecond)
			}
		}
	}
	for _, c := range []struct{ text, columns, want string }{
		{"Seconds;SpO2\n1.000;94\n1.004;88\n", "decimal=,", "0=94 4=88"},
		{"Seconds;SpO2\n1,000;94\n1,004;88\n", "decimal=.", "0=94 4=88"},
		{"Seconds;SpO2\n1.000,5;94\n1.004,5;88\n", "", "0=94 4=88"},
		{"Seconds;SpO2\n0.250;94\n0.500;88\n", "", "0=94 0.25=88"},
		{"Seconds;SpO2\n996;94\n1,000;88\n1,004;88\n", "", "0=94 4=88 8=88"},
		{"Seconds;SpO2\n1.125;94\n2.125;88\n", "", "0=94 1=88"},
	} {
		if got := print(read(t, c.text, Options{Columns: c.columns})); got != c.want {
			t.Errorf("%q read as %s, want %s", c.text, got, c.want)
		}
	}
}

// TestMarks shows what event and alarm columns say as marks, once for as long
// as they say it.
func TestMarks(t *testing.T) {
	r := read(t, "Time,SpO2,Remark,Alarm,Event\n22:00:00,94,,0,0\n22:00:04,94,oxygen 2 L/min,low,1\n22:00:08,88,oxygen 2 L/min,low,1\n22:00:12,88,,,0\n22:00:16,88,oxygen 2 L/min,low,2\n", Options{})
	var got []string
	for _, a := range r.Annotations {
		got = append(got, fmt.Sprintf("%s %s", r.Stamp(a.At, 0), a.Text))
	}
	want := []string{"22:00:04 oxygen 2 L/min", "22:00:04 Event: 1", "22:00:04 Alarm: low", "22:00:16 oxygen 2 L/min", "22:00:16 Event: 2", "22:00:16 Alarm: low"}
	if !slices.Equal(got, want) {
		t.Errorf("marks %q, want %q", got, want)
	}
	var b strings.Builder
	b.WriteString("Time,SpO2,Event\n")
	for i := range 2 * maxMarks {
		fmt.Fprintf(&b, "%02d:%02d:%02d,94,%s\n", i/3600, i/60%60, i%60, []string{"a", "b"}[i%2])
	}
	r = read(t, b.String(), Options{})
	if len(r.Annotations) != maxMarks || warned(r) != WarnMarksCut {
		t.Errorf("%d marks, warnings %q", len(r.Annotations), warned(r))
	}
}

// TestJitter moves rows whose cut stamps waver and leaves alone what is no
// jitter. The true times of the first cases are 0.99, 2.01, 2.99 and so on, a
// tenth around the second.
func TestJitter(t *testing.T) {
	table := func(seconds string) string {
		var b strings.Builder
		b.WriteString("time,spo2\n")
		for i, s := range strings.Fields(seconds) {
			fmt.Fprintf(&b, "22:00:%s,%d\n", fmt.Sprintf("%02s", s), 80+i)
		}
		return b.String()
	}
	cases := []struct{ name, seconds, want, warned string }{
		{"too many, then too few", "10 11 11 13 14 15", "0=80 1=81 2=82 3=83 4=84 5=85", WarnJitter},
		{"too few, then too many", "10 11 13 13 14 15", "0=80 1=81 2=82 3=83 4=84 5=85", WarnJitter},
		{"some steps between", "10 11 11 12 13 15 16", "0=80 1=81 2=82 3=83 4=84 5=85 6=86", WarnJitter},
		{"twice", "10 10 12 13 13 15 16 17", "0=80 1=81 2=82 3=83 4=84 5=85 6=86 7=87", WarnJitter},
		{"nothing too few: a conflict", "10 11 11 12 13 14", "0=80 1=81c 1=82c 2=83 3=84 4=85", WarnConflict},
		{"too few far away: a conflict", "10 11 11 12 13 14 15 16 17 18 19 20 21 22 23 25 26", "0=80 1=81c 1=82c 2=83 3=84 4=85 5=86 6=87 7=88 8=89 9=90 10=91 11=92 12=93 13=94 15=95 16=96", WarnConflict},
		{"across a gap: a conflict", "10 11 11 12 20 22 23 24", "0=80 1=81c 1=82c 2=83 10=84 12=85 13=86 14=87", WarnConflict},
		{"a missing row alone", "10 11 13 14 15", "0=80 1=81 3=82 4=83 5=84", ""},
		{"4 s steps: a conflict", "00 04 04 12 16 20 24", "0=80 4=81c 4=82c 12=83 16=84 20=85 24=86", WarnConflict},
		{"two a second, wavering", "10 10 11 11 11 12 13 13 14 14", "0=80 0.5=81 1=82 1.5=83 2=84 2.5=85 3=86 3.5=87 4=88 4.5=89", WarnJitter + " " + WarnSpread},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			r := read(t, table(c.seconds), Options{})
			if got := print(r); got != c.want {
				t.Errorf("read as\n%s, want\n%s", got, c.want)
			}
			if got := warned(r); got != c.warned {
				t.Errorf("warnings %q, want %q", got, c.warned)
			}
		})
	}
}
