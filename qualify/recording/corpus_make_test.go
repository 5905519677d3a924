package recording_test

import (
	"encoding/binary"
	"flag"
	"fmt"
	"strings"
	"time"
	"unicode/utf16"
)

// update writes testdata/recordings anew: go test ./qualify/recording -run
// TestCorpusFiles -update. Whoever runs it answers for the difference.
var update = flag.Bool("update", false, "write testdata/recordings anew")

// sample is a file of the corpus: what it is, how it is read, and what is
// right. The figures are written down by hand from the rows of the scenario
// and never computed by this program.
type sample struct {
	name    string
	what    string // for the README
	zone    string
	columns string
	step    string // seconds between rows, if the file has no time
	data    string
	want    want
}

// want is a line of expected.csv. Amounts are in seconds and percent, as text.
type want struct {
	result   string // read, asked (ErrAmbiguous), refused (ErrFormat), no_spo2 (ErrNoSpO2)
	words    string // of the error, divided by |
	sessions string
	start    string // of the first session
	recorded string // of all sessions, divided by blanks; - is unknown
	valid    string
	suspect  string
	low      string // at or below 88 %
	le88     string
	high     string
	longest  string
	nadir    string
	mean     string // at most two decimals, of the first session
	warnings string
	marks    string // how many
}

// The night of the scenario: an invented sleeper, one row every 4 s. 20 rows of
// 94, 16 of 91, 12 of 88, 3 of 86 and 9 of 93 are 60 rows: 240 s, of which
// (12+3) x 4 = 60 s at or below 88 %, in one run. The mean is
// (94x20 + 91x16 + 88x12 + 86x3 + 93x9)/60 = 5487/60 = 91.45.
const night = "94*20 91*16 88*12 86*3 93*9"

var plainNight = want{result: "read", sessions: "1", start: "2026-03-24T22:00:00", recorded: "240", valid: "240", suspect: "0",
	low: "60", le88: "60", high: "60", longest: "60", nadir: "86", mean: "91.45", marks: "0"}

// with changes some columns of w: pairs of name and text.
func (w want) with(pairs ...string) want {
	for i := 0; i < len(pairs); i += 2 {
		v := pairs[i+1]
		switch pairs[i] {
		case "start":
			w.start = v
		case "sessions":
			w.sessions = v
		case "recorded":
			w.recorded = v
		case "valid":
			w.valid = v
		case "suspect":
			w.suspect = v
		case "low":
			w.low = v
		case "le88":
			w.low, w.le88, w.high = v, v, v
		case "s":
			w.le88 = v
		case "high":
			w.high = v
		case "longest":
			w.longest = v
		case "nadir":
			w.nadir = v
		case "mean":
			w.mean = v
		case "warnings":
			w.warnings = v
		case "marks":
			w.marks = v
		default:
			panic("no column " + pairs[i])
		}
	}
	return w
}

// warns is the plain night with warnings.
func warns(codes string) want { return plainNight.with("warnings", codes) }

// asked and refused are refusals whose text holds words.
func asked(words string) want   { return want{result: "asked", words: words} }
func refused(words string) want { return want{result: "refused", words: words} }

// rec is one row of a made recording.
type rec struct {
	at    time.Time
	spo2  string
	pulse string
}

var bedtime = time.Date(2026, 3, 24, 22, 0, 0, 0, time.UTC)

// series expands V*N at a step from a start. The pulse wavers, so that no
// flat line arises.
func series(start time.Time, step time.Duration, values string) []rec {
	var out []rec
	for _, f := range strings.Fields(values) {
		v, times, found := strings.Cut(f, "*")
		n := 1
		if found {
			fmt.Sscan(times, &n)
		}
		for range n {
			i := len(out)
			out = append(out, rec{start.Add(time.Duration(i) * step), v, fmt.Sprint(60 + i%7)})
		}
	}
	return out
}

func plain() []rec { return series(bedtime, 4*time.Second, night) }

// lines prints rows by a format function.
func lines(head string, rows []rec, line func(i int, r rec) string) string {
	var b strings.Builder
	b.WriteString(head)
	for i, r := range rows {
		b.WriteString(line(i, r))
		b.WriteByte('\n')
	}
	return b.String()
}

// stamped prints rows with a stamp of layout, a delimiter and the pulse.
func stamped(head, layout, delim string, rows []rec) string {
	return lines(head, rows, func(_ int, r rec) string {
		return r.at.Format(layout) + delim + r.spo2 + delim + r.pulse
	})
}

const iso = "2006-01-02 15:04:05"

func table(rows []rec) string { return stamped("Time,SpO2,Pulse\n", iso, ",", rows) }

// extra prints rows with one more column.
func extra(header string, rows []rec, cell func(i int) string) string {
	return lines("Time,SpO2,Pulse,"+header+"\n", rows, func(i int, r rec) string {
		return r.at.Format(iso) + "," + r.spo2 + "," + r.pulse + "," + cell(i)
	})
}

func wide(s string, order binary.ByteOrder, mark bool) string {
	if mark {
		s = "\ufeff" + s
	}
	var b []byte
	for _, u := range utf16.Encode([]rune(s)) {
		if order == binary.LittleEndian {
			b = binary.LittleEndian.AppendUint16(b, u)
		} else {
			b = binary.BigEndian.AppendUint16(b, u)
		}
	}
	return string(b)
}

func swap(s string, pairs ...string) string { return strings.NewReplacer(pairs...).Replace(s) }

// monthIn prints a date with a month of another language.
func monthIn(r rec, name string) string {
	return fmt.Sprintf("%d %s %d %s", r.at.Day(), name, r.at.Year(), r.at.Format("15:04:05"))
}

// corpus lists the files. It is a function because most are made from one
// another.
func corpus() []sample {
	p := plain()
	iso0 := table(p)
	comma := stamped("Time;SpO2;Pulse\n", iso, ";", p)
	timeOnly := func(layout, delim, head string) string { return stamped(head, layout, delim, p) }
	clock := plainNight.with("start", "22:00:00")
	late := series(time.Date(2026, 3, 24, 23, 58, 0, 0, time.UTC), 4*time.Second, night)
	dated := func(layout string) string { return stamped("Time;SpO2;Pulse\n", layout, ";", p) }
	amb := series(time.Date(2026, 4, 3, 22, 0, 0, 0, time.UTC), 4*time.Second, night)
	ambLate := series(time.Date(2026, 4, 3, 23, 58, 0, 0, time.UTC), 4*time.Second, night)
	marked := func(from, to int, word, other string) func(int) string {
		return func(i int) string {
			if from <= i && i < to {
				return word
			}
			return other
		}
	}
	at := func(s string) time.Time {
		t, err := time.Parse(iso, s)
		if err != nil {
			panic(err)
		}
		return t
	}
	wall := func(stamps []string, rows []rec) string { // rows under stamps of our own
		return lines("Time,SpO2,Pulse\n", rows, func(i int, r rec) string { return stamps[i] + "," + r.spo2 + "," + r.pulse })
	}
	// Around the changes of 2026 and 2027 in New York (IANA rules, as the
	// measurement reference's C10 and C11 use them): 30 rows before, 30 after.
	var autumn, spring []string
	for i := range 60 {
		a, s := at("2026-11-01 01:58:00").Add(time.Duration(i)*4*time.Second), at("2027-03-14 01:58:00").Add(time.Duration(i)*4*time.Second)
		if i >= 30 {
			a, s = a.Add(-time.Hour), s.Add(time.Hour)
		}
		autumn, spring = append(autumn, a.Format(iso)), append(spring, s.Format(iso))
	}
	second := series(bedtime.Add(24*time.Hour), 4*time.Second, "93*50 88*10")
	reversed := make([]rec, len(p))
	for i, r := range p {
		reversed[len(p)-1-i] = r
	}
	oneHz := series(bedtime, time.Second, night)
	jitter := lines("Time,SpO2,Pulse\n", oneHz, func(i int, r rec) string {
		at := r.at
		if i == 10 || i == 30 || i == 41 { // a true time just before the second
			at = at.Add(-time.Second)
		}
		return at.Format(iso) + "," + r.spo2 + "," + r.pulse
	})
	half := lines("Time,SpO2,Pulse\n", oneHz, func(i int, r rec) string {
		return bedtime.Add(time.Duration(i/2)*time.Second).Format(iso) + "," + r.spo2 + "," + r.pulse
	})
	uneven := []int{0, 1, 4, 6, 10, 11} // case C23: hold 10 s is not given here, 4 s steps are within 2 d of none
	fractions := lines("Time,SpO2,Pulse\n", p, func(_ int, r rec) string {
		return r.at.Format(iso) + ",0." + r.spo2 + "," + r.pulse
	})
	elapsed := lines("Seconds;SpO2;Pulse\n", p, func(i int, r rec) string { return fmt.Sprintf("%d;%s;%s", 4*i, r.spo2, r.pulse) })
	thousands := lines("Start: 24.03.2026 22:00:00\nSekunden;SpO2;Puls\n", p, func(i int, r rec) string {
		s := 880 + 4*i
		if s >= 1000 {
			return fmt.Sprintf("%d.%03d;%s;%s", s/1000, s%1000, r.spo2, r.pulse)
		}
		return fmt.Sprintf("%d;%s;%s", s, r.spo2, r.pulse)
	})
	aligned := lines("Date         Time       SpO2   Pulse\n", p, func(i int, r rec) string {
		spo2 := r.spo2
		if i < 5 {
			spo2 = ""
		}
		return fmt.Sprintf("%s   %s   %4s   %5s", r.at.Format("2006-01-02"), r.at.Format("15:04:05"), spo2, r.pulse)
	})
	bad := lines("Time,SpO2,Pulse\n", p, func(i int, r rec) string {
		if i%2 == 1 {
			return r.at.Format(iso) + ",8a," + r.pulse
		}
		return r.at.Format(iso) + "," + r.spo2 + "," + r.pulse
	})
	lineAt := func(n int) int { // byte offset of line n of iso0, from 1
		o := 0
		for range n - 1 {
			o += strings.IndexByte(iso0[o:], '\n') + 1
		}
		return o
	}
	codes := strings.Fields("0 127 255 511 32767 -1 -32768 -- --- NaN ? *")
	coded := lines("Time,SpO2,Pulse\n", series(bedtime, 4*time.Second, "94*20 91*16 0*12 88*3 93*9"), func(i int, r rec) string {
		if r.spo2 == "0" {
			r.spo2 = codes[i-36]
		}
		return r.at.Format(iso) + "," + r.spo2 + "," + r.pulse
	})
	pulses := func(from, to int, pulse string) string {
		return lines("Time,SpO2,Pulse\n", p, func(i int, r rec) string {
			if from <= i && i < to {
				r.pulse = pulse
			}
			return r.at.Format(iso) + "," + r.spo2 + "," + r.pulse
		})
	}
	flat := lines("Time,SpO2,Pulse\n", series(bedtime, 4*time.Second, "94*10 88*150 93*10"), func(i int, r rec) string {
		if r.spo2 == "88" {
			r.pulse = "60"
		}
		return r.at.Format(iso) + "," + r.spo2 + "," + r.pulse
	})
	persons := lines("Time,SpO2,Pulse,Patient ID\n", append(append([]rec{}, p...), second...), func(i int, r rec) string {
		id := "X-17"
		if i >= 60 {
			id = "X-18"
		}
		return r.at.Format(iso) + "," + r.spo2 + "," + r.pulse + "," + id
	})

	out := []sample{
		{name: "comma.csv", what: "plain commas, ISO stamps: the night that most files spell anew", data: iso0, want: plainNight},
		{name: "semicolon-decimal-comma.csv", what: "semicolons and decimal commas", data: lines("Time;SpO2;Pulse\n", p, func(_ int, r rec) string { return r.at.Format(iso) + ";" + r.spo2 + ",0;" + r.pulse }), want: plainNight},
		{name: "tab.txt", what: "tabs", data: swap(comma, ";", "\t"), want: plainNight},
		{name: "pipe.txt", what: "upright strokes", data: swap(comma, ";", "|"), want: plainNight},
		{name: "crlf.csv", what: "lines ended by CR LF", data: swap(iso0, "\n", "\r\n"), want: plainNight},
		{name: "cr.csv", what: "lines ended by CR alone", data: swap(iso0, "\n", "\r"), want: plainNight},
		{name: "utf8-mark.csv", what: "UTF-8 with a byte order mark", data: "\ufeff" + iso0, want: plainNight},
		{name: "utf16-little.txt", what: "UTF-16, little end first, tabs", data: wide(swap(comma, ";", "\t"), binary.LittleEndian, true), want: plainNight},
		{name: "utf16-big.txt", what: "UTF-16, big end first", data: wide(iso0, binary.BigEndian, true), want: plainNight},
		{name: "utf16-no-mark.txt", what: "UTF-16 without a byte order mark", data: wide(iso0, binary.LittleEndian, false), want: plainNight},
		{name: "windows-1252.csv", what: "Windows-1252: umlauts in header and preamble", data: "Ger\xe4t: Oximeter\nUhrzeit;S\xe4ttigung;Puls\n" + strings.TrimPrefix(comma, "Time;SpO2;Pulse\n"), want: plainNight},
		{name: "aligned-blanks.txt", what: "columns aligned by blanks; the first five rows have an empty saturation", data: aligned,
			want: plainNight.with("valid", "220", "mean", "91.22")},
		{name: "single-blanks.txt", what: "columns divided by single blanks", data: lines("Date Time SpO2 Pulse\n", p, func(_ int, r rec) string { return r.at.Format(iso) + " " + r.spo2 + " " + r.pulse }), want: plainNight},
		{name: "quoted.csv", what: "every cell in quotes, the delimiter named in the first line", data: "sep=,\r\n" + lines("\"Time\",\"SpO2\",\"Pulse\"\n", p, func(_ int, r rec) string {
			return fmt.Sprintf("%q,%q,%q", r.at.Format(iso), r.spo2, r.pulse)
		}), want: plainNight},
		{name: "guarded-cells.csv", what: "cells guarded as =\"88\", as spreadsheets do", data: lines("Time,SpO2,Pulse\n", p, func(_ int, r rec) string { return r.at.Format(iso) + ",=\"" + r.spo2 + "\"," + r.pulse }), want: plainNight},
		{name: "no-break-blanks.csv", what: "no-break blanks around cells", data: lines("Time;SpO2;Pulse\n", p, func(_ int, r rec) string { return r.at.Format(iso) + "\u00a0;\u00a0" + r.spo2 + "\u202f;" + r.pulse }), want: plainNight},
		{name: "percent-signs.csv", what: "88 % and 88% in cells", data: lines("Time,SpO2,Pulse\n", p, func(i int, r rec) string {
			return r.at.Format(iso) + "," + r.spo2 + []string{"%", " %"}[i%2] + "," + r.pulse
		}), want: plainNight},
		{name: "tenths.csv", what: "20 rows of 88.4 are above 88 %, 20 rows of 88.0 are not (C37)", data: table(series(bedtime, 4*time.Second, "88.4*20 88.0*20")),
			want: plainNight.with("recorded", "160", "valid", "160", "le88", "80", "longest", "80", "nadir", "88", "mean", "88.2")},
		{name: "unit-row.csv", what: "a row of units below the header", data: strings.Replace(iso0, "\n", "\nyyyy-mm-dd hh:mm:ss,%,bpm\n", 1), want: plainNight},
		{name: "preamble-and-trailer.csv", what: "lines above and totals below the table", data: "Overnight recording\nDevice: Oximeter 7\nAlarm limit: 85\n\n" + iso0 + "\nMean,91.2,63\nRows: 60\n", want: warns("foot_not_read")},
		{name: "repeated-header.csv", what: "the header stands again in the middle", data: iso0[:lineAt(31)] + "Time,SpO2,Pulse\n" + iso0[lineAt(31):], want: plainNight},
		{name: "extra-columns.csv", what: "alarm limits and a perfusion index beside the readings", data: lines("Time,SpO2 low limit,SpO2,Pulse,PI\n", p, func(_ int, r rec) string { return r.at.Format(iso) + ",85," + r.spo2 + "," + r.pulse + ",1.4" }), want: plainNight},

		{name: "german.csv", what: "German headers, dates and times apart", data: stamped("Datum;Uhrzeit;Sauerstoffsättigung (%);Herzfrequenz (1/min)\n", "02.01.2006;15:04:05", ";", p), want: plainNight},
		{name: "french.csv", what: "French headers", data: stamped("Date;Heure;Saturation en oxygène;Pouls\n", "02/01/2006;15:04:05", ";", p), want: plainNight},
		{name: "spanish.csv", what: "Spanish headers", data: stamped("Fecha;Hora;Saturación de oxígeno;Pulso\n", "02/01/2006;15:04:05", ";", p), want: plainNight},
		{name: "unknown-language.csv", what: "headers in a language that is not known: asked", data: stamped("Tijd,Zuurstof,Hartslag\n", iso, ",", p), want: want{result: "no_spo2", words: "Zuurstof|--columns spo2=N"}},
		{name: "unknown-language-mapped.csv", what: "the same with a mapping", columns: "spo2=Zuurstof,pulse=Hartslag", data: stamped("Tijd,Zuurstof,Hartslag\n", iso, ",", p), want: plainNight},
		{name: "no-header.csv", what: "no header and two columns that could be saturations: asked", data: stamped("", iso, ",", p), want: asked("--columns spo2=2 or spo2=3")},
		{name: "no-header-mapped.csv", what: "the same with a mapping", columns: "spo2=2,pulse=3", data: stamped("", iso, ",", p), want: plainNight},
		{name: "two-saturations.csv", what: "two columns of saturation: asked", data: lines("Time,SpO2,SaO2\n", p, func(_ int, r rec) string { return r.at.Format(iso) + "," + r.spo2 + "," + r.spo2 }), want: asked("--columns spo2=2 or spo2=3")},
		{name: "fraction.csv", what: "0.88 for 88 %: asked", data: fractions, want: asked("unit=fraction")},
		{name: "fraction-given.csv", what: "the same, said to be fractions", columns: "unit=fraction", data: fractions, want: plainNight},
		{name: "no-pulse.csv", what: "no pulse column", data: lines("Time,SpO2\n", p, func(_ int, r rec) string { return r.at.Format(iso) + "," + r.spo2 }), want: plainNight},

		{name: "day-first.csv", what: "24/03/2026 is day first, for 24 is no month (C15)", data: dated("02/01/2006 15:04:05"), want: plainNight},
		{name: "month-first.csv", what: "03/24/2026 is month first", data: dated("01/02/2006 15:04:05"), want: plainNight},
		{name: "order-asked.csv", what: "03/04/2026 can be two dates: asked (C14)", data: stamped("Time;SpO2;Pulse\n", "02/01/2006 15:04:05", ";", amb), want: asked("3 April 2026|4 March 2026|order=dmy")},
		{name: "order-by-midnight.csv", what: "03/04 and 04/04 are consecutive only day first", data: stamped("Time;SpO2;Pulse\n", "02/01/2006 15:04:05", ";", ambLate), want: plainNight.with("start", "2026-04-03T23:58:00")},
		{name: "order-by-header.csv", what: "the header prints MM/DD/YYYY", data: stamped("Time (MM/DD/YYYY hh:mm:ss);SpO2;Pulse\n", "01/02/2006 15:04:05", ";", amb), want: plainNight.with("start", "2026-04-03T22:00:00")},
		{name: "two-digit-year.csv", what: "24.03.26, the order given", columns: "order=dmy", data: dated("02.01.06 15:04:05"), want: warns("two_digit_year")},
		{name: "month-english.csv", what: "24 Mar 2026", data: dated("2 Jan 2006 15:04:05"), want: plainNight},
		{name: "month-german.csv", what: "24 März 2026", data: lines("Zeit;SpO2;Puls\n", p, func(_ int, r rec) string { return monthIn(r, "März") + ";" + r.spo2 + ";" + r.pulse }), want: plainNight},
		{name: "month-french.csv", what: "24 mars 2026", data: lines("Heure;SpO2;Pouls\n", p, func(_ int, r rec) string { return monthIn(r, "mars") + ";" + r.spo2 + ";" + r.pulse }), want: plainNight},
		{name: "month-spanish.csv", what: "24 marzo 2026", data: lines("Hora;SpO2;Pulso\n", p, func(_ int, r rec) string { return monthIn(r, "marzo") + ";" + r.spo2 + ";" + r.pulse }), want: plainNight},
		{name: "twelve-hours.csv", what: "AM and PM across midnight (C13)", data: stamped("Time,SpO2,Pulse\n", "3:04:05 PM", ",", late), want: plainNight.with("start", "23:58:00")},
		{name: "twelve-hours-apart.csv", what: "AM and PM in a column of their own", data: stamped("Time,AM/PM,SpO2,Pulse\n", "3:04:05,PM", ",", p), want: clock},
		{name: "twelve-hours-spanish.csv", what: "p. m. with a no-break blank", data: swap(timeOnly("3:04:05 PM", ";", "Hora;SpO2;Pulso\n"), "PM", "p.\u00a0m."), want: clock},
		{name: "twelve-hours-german.csv", what: "nachm.", data: swap(timeOnly("3:04:05 PM", ";", "Uhrzeit;SpO2;Puls\n"), "PM", "nachm."), want: clock},
		{name: "points-in-times.csv", what: "22.00.00 beside 24.03.2026", data: stamped("Datum;Zeit;SpO2;Puls\n", "02.01.2006;15.04.05", ";", p), want: plainNight},
		{name: "offsets.csv", what: "stamps that carry their offset", data: lines("Time,SpO2,Pulse\n", p, func(_ int, r rec) string {
			return r.at.Format("2006-01-02T15:04:05") + "-04:00," + r.spo2 + "," + r.pulse
		}), want: plainNight.with("start", "2026-03-24T22:00:00-04:00")},
		{name: "epoch.csv", what: "seconds since 1970, in UTC", data: lines("Epoch,SpO2,Pulse\n", p, func(_ int, r rec) string { return fmt.Sprintf("%d,%s,%s", r.at.Unix(), r.spo2, r.pulse) }), want: plainNight.with("start", "2026-03-24T22:00:00Z", "warnings", "epoch_stamps")},
		{name: "epoch-milliseconds-zone.csv", what: "milliseconds since 1970, with the zone", zone: "America/New_York", data: lines("Timestamp,SpO2,Pulse\n", p, func(_ int, r rec) string { return fmt.Sprintf("%d,%s,%s", r.at.UnixMilli(), r.spo2, r.pulse) }), want: plainNight.with("start", "2026-03-24T18:00:00-04:00")},
		{name: "day-numbers.csv", what: "a spreadsheet's day numbers: 46105 is 24 March 2026", data: lines("Time,SpO2,Pulse\n", p, func(i int, r rec) string {
			// 22:00:00 is 79200 s of the day; ten decimals, rounded.
			return fmt.Sprintf("46105.%010d,%s,%s", ((79200+4*int64(i))*1e10+43200)/86400, r.spo2, r.pulse)
		}), want: warns("serial_stamps")},
		{name: "elapsed.csv", what: "seconds from an unknown start", data: elapsed, want: plainNight.with("start", "+0:00:00", "warnings", "start_unknown")},
		{name: "elapsed-start-above.csv", what: "seconds from a start above the table", data: "Start date: 2026-03-24\nStart time: 22:00:00\n" + elapsed, want: warns("start_from_preamble")},
		{name: "elapsed-start-given.csv", what: "seconds from a start that the tester states", columns: "start=2026-03-24T22:00:00", data: elapsed, want: plainNight},
		{name: "elapsed-thousands.csv", what: "996 s is followed by 1.000 s: a thousands mark", data: thousands, want: plainNight.with("start", "2026-03-24T22:14:40", "warnings", "start_from_preamble")},
		{name: "no-time.csv", what: "no time column: asked", data: lines("SpO2,Pulse\n", p, func(_ int, r rec) string { return r.spo2 + "," + r.pulse }), want: asked("--interval")},
		{name: "no-time-step-given.csv", what: "no time column, the step given", step: "4", data: lines("SpO2,Pulse\n", p, func(_ int, r rec) string { return r.spo2 + "," + r.pulse }), want: plainNight.with("start", "+0:00:00", "warnings", "start_unknown")},
		{name: "midnight.csv", what: "times of day across midnight (C09)", data: stamped("Time,SpO2,Pulse\n", "15:04:05", ",", late), want: plainNight.with("start", "23:58:00")},
		{name: "date-above.csv", what: "times of day, the date above the table", data: "Date: 2026-03-24\n" + stamped("Time,SpO2,Pulse\n", "15:04:05", ",", late), want: plainNight.with("start", "2026-03-24T23:58:00", "warnings", "date_from_preamble")},

		{name: "autumn-zone.csv", what: "the repeated hour of New York, 1 November 2026, zone known (C10)", zone: "America/New_York", data: wall(autumn, p), want: plainNight.with("start", "2026-11-01T01:58:00-04:00", "warnings", "repeated_hour")},
		{name: "autumn-no-zone.csv", what: "the same without a zone: 30 rows, a step back of an hour, 30 rows", data: wall(autumn, p),
			want: plainNight.with("start", "2026-11-01T01:58:00", "recorded", "-", "warnings", "clock_stepped_back whole_hour_jump")},
		{name: "spring-zone.csv", what: "the skipped hour of New York, 14 March 2027, zone known (C11)", zone: "America/New_York", data: wall(spring, p), want: plainNight.with("start", "2027-03-14T01:58:00-05:00")},
		{name: "spring-no-zone.csv", what: "the same without a zone: two sessions, for the wall clock shows more than an hour between them", data: wall(spring, p),
			want: want{result: "read", sessions: "2", start: "2027-03-14T01:58:00", recorded: "120 120", valid: "120 120", suspect: "0 0", low: "0 60", le88: "0 60", high: "0 60", longest: "0 60", nadir: "91 86", mean: "93", warnings: "whole_hour_jump", marks: "0"}},
		{name: "skipped-hour.csv", what: "02:30 on 14 March 2027 does not exist in New York: refused", zone: "America/New_York", data: table(series(at("2027-03-14 02:30:00"), 4*time.Second, night)), want: refused("line 2|skips")},
		{name: "clock-set-back.csv", what: "the clock is set back by half an hour in the middle: recorded time is unknown (C12)", data: table(append(append([]rec{}, p[:30]...), series(bedtime.Add(-30*time.Minute), 4*time.Second, "91*6 88*12 86*3 93*9")...)),
			want: plainNight.with("recorded", "-", "warnings", "clock_stepped_back")},
		{name: "clock-set-forward.csv", what: "the clock is set forward by ten minutes: a gap, whose time is missing", data: table(append(append([]rec{}, p[:30]...), series(bedtime.Add(12*time.Minute), 4*time.Second, "91*6 88*12 86*3 93*9")...)),
			want: plainNight.with("recorded", "840")},
		{name: "unset-clock.csv", what: "1 January 2000: a clock that nobody set", data: table(series(at("2000-01-01 00:03:00"), 4*time.Second, night)), want: plainNight.with("start", "2000-01-01T00:03:00", "warnings", "clock_default")},
		{name: "stored-twice.csv", what: "the last 20 rows stand a second time", data: iso0 + iso0[lineAt(42):], want: warns("copies_dropped")},
		{name: "rows-twice.csv", what: "every row stands twice (C25)", data: lines("Time,SpO2,Pulse\n", p, func(_ int, r rec) string {
			row := r.at.Format(iso) + "," + r.spo2 + "," + r.pulse
			return row + "\n" + row
		}), want: warns("copies_dropped")},
		{name: "newest-first.csv", what: "rows newest first", data: table(reversed), want: warns("newest_first")},
		{name: "blocks-newest-first.csv", what: "two nights under headers of their own, the newer one first", data: table(second) + iso0,
			want: want{result: "read", sessions: "2", start: "2026-03-24T22:00:00", recorded: "240 240", valid: "240 240", suspect: "0 0", low: "60 40", le88: "60 40", high: "60 40", longest: "60 40", nadir: "86 88", mean: "91.45", warnings: "newest_first", marks: "0"}},
		{name: "transposed.csv", what: "two neighbouring rows change places (C28)", data: iso0[:lineAt(11)] + iso0[lineAt(12):lineAt(13)] + iso0[lineAt(11):lineAt(12)] + iso0[lineAt(13):], want: warns("rows_put_in_order")},
		{name: "conflict.csv", what: "two values at one instant: neither is used, the lower one could count (C27)", data: iso0[:lineAt(11)] + strings.Replace(iso0[lineAt(10):lineAt(11)], ",94,", ",70,", 1) + iso0[lineAt(11):],
			want: plainNight.with("valid", "236", "high", "64", "mean", "91.41", "warnings", "conflicting_rows")},
		{name: "jitter.csv", what: "one row a second whose cut stamps waver: steps of 0 and 2 s, and no conflict", data: jitter,
			want: plainNight.with("recorded", "60", "valid", "60", "le88", "15", "longest", "15", "warnings", "stamps_jitter")},
		{name: "half-seconds.csv", what: "two rows a second under stamps cut to the second (C26)", data: half,
			want: plainNight.with("recorded", "30", "valid", "30", "le88", "7.5", "longest", "7.5", "warnings", "stamps_spread")},
		{name: "uneven.csv", what: "steps of 1, 3, 2, 4 and 1 s, d is 1 s: a reading before a step above 2 s weighs 1 s", data: lines("Time,SpO2,Pulse\n", series(bedtime, time.Second, "95 88 88 92 85 95"), func(i int, r rec) string {
			return bedtime.Add(time.Duration(uneven[i])*time.Second).Format(iso) + "," + r.spo2 + "," + r.pulse
		}), want: plainNight.with("recorded", "12", "valid", "7", "le88", "4", "longest", "2", "nadir", "85", "mean", "90.14")},
		{name: "step-changes.csv", what: "60 rows at 1 s, then 60 at 4 s (C24)", data: table(append(series(bedtime, time.Second, "88*60"), series(bedtime.Add(time.Minute), 4*time.Second, "92*60")...)),
			want: plainNight.with("recorded", "300", "valid", "300", "le88", "60", "longest", "60", "nadir", "88", "mean", "91.2")},
		{name: "thin.csv", what: "one row a minute", data: stamped("Time,SpO2,Pulse\n", "2006-01-02 15:04", ",", series(bedtime, time.Minute, night)),
			want: plainNight.with("recorded", "3600", "valid", "3600", "le88", "900", "longest", "900")},
		{name: "start-overwritten.csv", what: "a full memory has overwritten the beginning: a piece of a row first, and the stated start is an hour before", data: "Start: 2026-03-24 21:00:00\nTime,SpO2,Pulse\n:59:56,94,61\n" + strings.TrimPrefix(iso0, "Time,SpO2,Pulse\n"), want: warns("first_row_cut starts_late")},
		{name: "start-overwritten-no-header.csv", what: "the same without a header: a piece of a row stands first", columns: "spo2=2,pulse=3", data: "4,61\n" + strings.TrimPrefix(iso0, "Time,SpO2,Pulse\n"), want: warns("first_row_cut")},

		{name: "two-nights.csv", what: "two nights, 24 h apart (C39)", data: iso0 + strings.TrimPrefix(table(second), "Time,SpO2,Pulse\n"),
			want: want{result: "read", sessions: "2", start: "2026-03-24T22:00:00", recorded: "240 240", valid: "240 240", suspect: "0 0", low: "60 40", le88: "60 40", high: "60 40", longest: "60 40", nadir: "86 88", mean: "91.45", marks: "0"}},
		{name: "two-persons.csv", what: "two nights under two identifiers", data: persons,
			want: want{result: "read", sessions: "2", start: "2026-03-24T22:00:00", recorded: "240 240", valid: "240 240", suspect: "0 0", low: "60 40", le88: "60 40", high: "60 40", longest: "60 40", nadir: "86 88", mean: "91.45", warnings: "several_persons", marks: "0"}},

		{name: "no-reading-codes.csv", what: "twelve rows of twelve codes for no reading", data: coded,
			want: plainNight.with("valid", "192", "le88", "12", "longest", "12", "nadir", "88", "mean", "92.44")},
		{name: "own-codes.csv", what: "an oximeter's own code, named by the mapping: 12 rows of ERR", columns: "none_spo2=ERR", data: strings.ReplaceAll(iso0, ",88,", ",ERR,"),
			want: plainNight.with("valid", "192", "le88", "12", "longest", "12", "mean", "92.31")},
		{name: "own-codes-asked.csv", what: "the same without the mapping: refused, with the mend", data: strings.ReplaceAll(iso0, ",88,", ",ERR,"), want: refused("line 38, column 2|none=CODE")},
		{name: "off-scale.csv", what: "12 rows of 140: no saturation, no reading", data: strings.ReplaceAll(iso0, ",88,", ",140,"),
			want: plainNight.with("valid", "192", "le88", "12", "longest", "12", "mean", "92.31", "warnings", "not_a_saturation")},
		{name: "implausible.csv", what: "12 rows of 40: below 50, in the high bound alone", data: strings.ReplaceAll(iso0, ",88,", ",40,"),
			want: plainNight.with("valid", "192", "low", "12", "s", "12", "high", "60", "longest", "12", "mean", "92.31")},
		{name: "motion.csv", what: "5 rows of 88 marked as motion: doubted", data: extra("Status", p, marked(40, 45, "motion", "ok")), want: plainNight.with("suspect", "20", "low", "40")},
		{name: "weak-signal.csv", what: "5 rows of 88 marked as low perfusion: doubted", data: extra("Signal quality", p, marked(40, 45, "low perfusion", "good")), want: plainNight.with("suspect", "20", "low", "40")},
		{name: "sensor-off.csv", what: "the first 10 rows marked as sensor off: no reading, whatever stands there", data: extra("Status", p, marked(0, 10, "sensor off", "")), want: plainNight.with("valid", "200", "mean", "90.94")},
		{name: "sensor-late.csv", what: "the first 10 rows have an empty saturation, and there is no other column: they are recorded time", data: lines("Time,SpO2\n", p, func(i int, r rec) string {
			if i < 10 {
				r.spo2 = ""
			}
			return r.at.Format(iso) + "," + r.spo2
		}), want: plainNight.with("valid", "200", "mean", "90.94")},
		{name: "unknown-mark.csv", what: "5 rows of 88 with a word that is not known: doubted and told", data: extra("Quality", p, marked(40, 45, "wobbly", "ok")), want: plainNight.with("suspect", "20", "low", "40", "warnings", "unknown_quality_mark")},
		{name: "quality-numbers.csv", what: "a quality column of numbers that nobody explains: not read", data: extra("Quality", p, marked(40, 45, "3", "9")), want: warns("column_not_read")},
		{name: "alarm-marks.csv", what: "a column of alarms: two marks, no readings", data: extra("SpO2 alarm", p, func(i int) string { return []string{"", "low", "low", "", "", "high"}[i/10] }), want: plainNight.with("marks", "2")},
		{name: "error-codes.csv", what: "a column of error codes, 85 among them: two marks, no readings", data: extra("Error code", p, func(i int) string { return []string{"0", "85", "85", "0", "12", "0"}[i/10] }), want: plainNight.with("marks", "2")},
		{name: "oxygen-remark.csv", what: "a remark that oxygen begins: a mark to show", data: extra("Remark", p, marked(30, 31, "oxygen 2 L/min", "")), want: plainNight.with("marks", "1")},
		{name: "walk-legs.csv", what: "a walk in three legs: rest to second 120, exertion to 300, recovery to 360, exertion on oxygen", data: table(series(bedtime, time.Second, "93*60 94*60 92*30 90*60 87*60 86*4 87*26 85*60 89*20 91*160")),
			want: plainNight.with("recorded", "540", "valid", "540", "low", "150", "s", "150", "high", "150", "longest", "150", "nadir", "85", "mean", "90.09")},
		{name: "spike.csv", what: "one row of 70 between rows of 94: 24 points in 4 s both ways, doubted (C30)", data: table(series(bedtime, 4*time.Second, "94*50 70 94*50")),
			want: plainNight.with("recorded", "404", "valid", "404", "suspect", "4", "low", "0", "s", "4", "high", "4", "longest", "4", "nadir", "70", "mean", "93.76")},
		{name: "flat-line.csv", what: "saturation and pulse both unchanged for 10 min: doubted", data: flat,
			want: plainNight.with("recorded", "680", "valid", "680", "suspect", "600", "low", "0", "s", "600", "high", "600", "longest", "600", "nadir", "88", "mean", "88.65")},
		{name: "weak-pulse.csv", what: "5 rows of 88 beside a pulse of 12: doubted", data: pulses(40, 45, "12"), want: plainNight.with("suspect", "20", "low", "40")},
		{name: "pulse-absent.csv", what: "5 rows of 88 without a pulse: doubted", data: pulses(40, 45, "--"), want: plainNight.with("suspect", "20", "low", "40")},

		{name: "last-row-cut.csv", what: "the write ended inside the last row, of 93 %", data: iso0[:len(iso0)-8], want: plainNight.with("recorded", "236", "valid", "236", "mean", "91.42", "warnings", "last_row_cut")},
		{name: "zero-bytes-at-end.csv", what: "zero bytes behind the last row", data: iso0 + "\x00\x00\x00\x00\x00\x00\x00\x00", want: warns("zero_bytes_at_end")},
		{name: "zero-bytes-between.csv", what: "zero bytes between rows: refused with the byte", data: iso0[:lineAt(31)] + strings.Repeat("\x00", 64) + iso0[lineAt(31):], want: refused("byte 770|0x00")},
		{name: "bad-stamp.csv", what: "a stamp with a letter in line 31: refused with line and column", data: iso0[:lineAt(31)] + strings.Replace(iso0[lineAt(31):], ":", "x", 1), want: refused("line 31, column 1|22x01:56")},
		{name: "bad-readings.csv", what: "30 broken readings: 20 listed, 10 counted", data: bad, want: refused(`line 3, column 2|"8a"|and 10 more`)},
		{name: "field-missing.csv", what: "a row of two fields in line 31: refused", data: iso0[:lineAt(31)] + strings.Replace(iso0[lineAt(31):], ",91,", ",", 1), want: refused("line 31|3 columns")},
		{name: "open-quote.csv", what: "a quote that never closes, from line 31: refused", data: iso0[:lineAt(31)] + "\"" + iso0[lineAt(31):], want: refused("begun in line 31")},
		{name: "mixed-orders.csv", what: "24/03/2026 and 03/25/2026 in one file: refused", data: dated("02/01/2006 15:04:05") + "03/25/2026 22:10:00;93;60\n", want: refused("line 62|03/25/2026")},
		{name: "header-only.csv", what: "a header and no rows: refused", data: "Time,SpO2,Pulse\n", want: refused("rows of readings")},
		{name: "empty.csv", what: "nothing: refused", data: "", want: refused("empty file")},
		{name: "letter.txt", what: "a letter, no recording: refused", data: "Dear colleague,\nplease find the result of the night enclosed.\n", want: refused("none that can be recognised")},
		{name: "summary.csv", what: "a summary instead of readings: asked, with the column", data: "Night,SpO2 mean,SpO2 min\n2026-03-24,92,84\n2026-03-25,93,86\n", want: asked("--columns")},
	}
	return out
}
