package recording

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
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
		for f, c := range map[Flag]string{FlagSensorOff: "o", FlagMotion: "m", FlagWeak: "w", FlagMarginal: "a", FlagUnknownMark: "u", FlagConflict: "c", FlagOverlap: "l"} {
			if r.Flag(i)&f != 0 {
				b.WriteString(c)
			}
		}
	}
	return b.String()
}

func warned(r *Recording) string {
	var out []string
	for _, w := range r.Warnings {
		if w.Code != WarnNoPulse {
			out = append(out, w.Code)
		}
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
