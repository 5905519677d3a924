package recording

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"
)

// TestStampForms reads one stamp in many forms. The ISO 8601 forms (T or
// blank, fraction with point or comma, offset, basic form) are those of
// RFC 3339 section 5.6 and ISO 8601, the latter from memory; the others are
// common practice, no source.
func TestStampForms(t *testing.T) {
	const want = "2026-03-24T22:14:08"
	forms := []struct{ stamp, want string }{
		{"2026-03-24 22:14:08", want},
		{"2026-03-24T22:14:08", want},
		{"2026-03-24t22:14:08", want},
		{"2026/03/24 22:14:08", want},
		{"2026.3.24 22:14:08", want},
		{"20260324T22:14:08", want},
		{"24/03/2026 22:14:08", want},
		{"24.3.2026 22:14:08", want},
		{"24-03-2026 22:14:08", want},
		{"03/24/2026 22:14:08", want},
		{"3/24/2026 10:14:08 PM", want},
		{"3/24/2026 10:14:08 p.m.", want},
		{"3/24/2026 10:14:08PM", want},
		{"24 Mar 2026 22:14:08", want},
		{"24-Mar-2026 22:14:08", want},
		{"24-MAR-26 22:14:08", want},
		{"24. März 2026 22:14:08", want},
		{"24 mars 2026 22:14:08", want},
		{"24 marzo 2026 22:14:08", want},
		{"Tue 24 Mar 2026 22:14:08", want},
		{"\"Tuesday, March 24, 2026 22:14:08\"", want},
		{"\"Mar 24, 2026, 22:14:08\"", want},
		{"2026-Mar-24 22:14:08", want},
		{"22:14:08 24.03.2026", want},
		{"10:14:08 PM 24/03/2026", want},
		{"2026-03-24 22:14", "2026-03-24T22:14:00"},
		{"2026-03-24 22:14:08.250", want + ".250"},
		{"2026-03-24 22:14:08.250000000", want + ".250"},
		{"2026-03-24T22:14:08Z", want + "Z"},
		{"2026-03-24T22:14:08.5+05:30", want + ".500+05:30"},
		{"2026-03-24 22:14:08 -0500", want + "-05:00"},
		{"2026-03-24 22:14:08-05", want + "-05:00"},
		{"2026-03-24 22:14:08 UTC", want + "Z"},
	}
	for _, f := range forms {
		t.Run(f.stamp, func(t *testing.T) {
			r := read(t, "when,SpO2,Pulse\n"+f.stamp+",94,61\n", Options{})
			if got := r.Stamp(r.Time[0], 0); got != f.want {
				t.Errorf("read as %s, want %s", got, f.want)
			}
		})
	}
}

// TestFineStamps keeps microseconds and tells when more is cut.
func TestFineStamps(t *testing.T) {
	cases := []struct {
		fraction string
		per, at  int64 // ticks beyond the second
		warned   string
	}{
		{".5", 1000, 500, ""},
		{".123456", 1_000_000, 123456, ""},
		{".1234560", 1_000_000, 123456, ""},
		{".1234567", 1_000_000, 123456, WarnStampsCut},
		{".1230000001", 1000, 123, WarnStampsCut},
	}
	for _, c := range cases {
		r := read(t, "time,SpO2\n22:00:00"+c.fraction+",94\n", Options{})
		if r.PerSecond != c.per || r.Time[0]%c.per != c.at || warned(r) != c.warned {
			t.Errorf("%s: %d of %d ticks, warnings %q", c.fraction, r.Time[0]%r.PerSecond, r.PerSecond, warned(r))
		}
	}
}

// TestMonthNames reads every month in four languages. The names are those of
// the Unicode CLDR tables, from memory.
func TestMonthNames(t *testing.T) {
	for _, names := range []string{
		"January February March April May June July August September October November December",
		"Jan Feb Mar Apr May Jun Jul Aug Sep Oct Nov Dec",
		"Januar Februar März April Mai Juni Juli August September Oktober November Dezember",
		"janvier février mars avril mai juin juillet août septembre octobre novembre décembre",
		"enero febrero marzo abril mayo junio julio agosto septiembre octubre noviembre diciembre",
	} {
		for i, name := range strings.Fields(names) {
			r := read(t, "time,SpO2\n3 "+name+" 2026 22:00:00,94\n", Options{})
			if got, want := r.Stamp(r.Time[0], 0), fmt.Sprintf("2026-%02d-03T22:00:00", i+1); got != want {
				t.Errorf("%s: read as %s, want %s", name, got, want)
			}
		}
	}
}

// TestDateOrder settles the order of day, month and year by evidence, or asks.
func TestDateOrder(t *testing.T) {
	cases := []struct {
		name, header string
		stamps       []string
		columns      string
		want         string // first date, "" if it must be asked
	}{
		{"a part above 12 in a later row", "time", []string{"03/04/2026 22:00:00", "13/04/2026 22:00:00"}, "", "2026-04-03"},
		{"midnight, day first", "time", []string{"03/04/2026 23:59:56", "04/04/2026 00:00:00"}, "", "2026-04-03"},
		{"midnight, month first", "time", []string{"03/04/2026 23:59:56", "03/05/2026 00:00:00"}, "", "2026-03-04"},
		{"midnight, newest first", "time", []string{"04/04/2026 00:00:04", "04/04/2026 00:00:00", "03/04/2026 23:59:56"}, "", "2026-04-03"},
		{"no midnight between", "time", []string{"03/04/2026 22:00:00", "04/04/2026 22:00:00"}, "", ""},
		{"equal day and month", "time", []string{"04/04/2026 22:00:00"}, "", "2026-04-04"},
		{"the header says it", "Time (DD/MM/YYYY hh:mm:ss)", []string{"03/04/2026 22:00:00"}, "", "2026-04-03"},
		{"the header says the other", "Time [mm/dd/yyyy]", []string{"03/04/2026 22:00:00"}, "", "2026-03-04"},
		{"two digits, above 12 is not enough", "time", []string{"24/11/26 22:00:00"}, "", ""},
		{"two digits, midnight", "time", []string{"24/11/26 23:59:56", "25/11/26 00:00:00"}, "", "2026-11-24"},
		{"two digits, only one way", "time", []string{"24/11/31 22:00:00"}, "", "2031-11-24"},
		{"two digits, given", "time", []string{"24/11/26 22:00:00"}, "order=ymd", "2024-11-26"},
		{"two digits of the last century", "time", []string{"24/11/70 22:00:00"}, "order=dmy", "1970-11-24"},
		{"two digits of this century", "time", []string{"24/11/69 22:00:00"}, "order=dmy", "2069-11-24"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			text := "\"" + c.header + "\",SpO2\n"
			for i, s := range c.stamps {
				text += fmt.Sprintf("%s,9%d\n", s, i)
			}
			if c.want == "" {
				if r, err := ReadBytes([]byte(text), Options{Columns: c.columns}); !errors.Is(err, ErrAmbiguous) || r != nil {
					t.Fatalf("got %v, %v; want ErrAmbiguous", r, err)
				}
				return
			}
			r := read(t, text, Options{Columns: c.columns})
			if got := r.Stamp(r.Time[0], 0); !strings.HasPrefix(got, c.want) {
				t.Errorf("the oldest row is read as %s, want %s", got, c.want)
			}
		})
	}
}

// TestZones checks instants against the zone rules of the time package, which
// come from the IANA database: every wall time around the two changes of a
// year must format back to itself.
func TestZones(t *testing.T) {
	for _, zone := range []string{"America/New_York", "Europe/Berlin", "Australia/Lord_Howe", "Asia/Kolkata"} {
		loc, err := time.LoadLocation(zone)
		if err != nil {
			t.Fatal(err)
		}
		for day := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC); day.Year() < 2027; day = day.AddDate(0, 0, 1) {
			// Steps of 10 min across the whole local day, as the zone counts it.
			start := time.Date(day.Year(), day.Month(), day.Day(), 0, 0, 0, 0, loc)
			if start.AddDate(0, 0, 1).Sub(start) == 24*time.Hour && day.Day() != 1 {
				continue // a plain day, of which one a month is enough
			}
			var b strings.Builder
			b.WriteString("time,SpO2\n")
			var want []int64
			for at := start; at.Day() == start.Day(); at = at.Add(10 * time.Minute) {
				fmt.Fprintf(&b, "%s,94\n", at.Format("2006-01-02 15:04:05"))
				want = append(want, at.Unix())
			}
			r := read(t, b.String(), Options{Zone: zone})
			for i, at := range want {
				if r.Time[i] != at*r.PerSecond {
					t.Fatalf("%s row %d: read as %s, want %s", zone, i, r.Stamp(r.Time[i], i), time.Unix(at, 0).In(loc))
				}
				if got, want := r.Stamp(r.Time[i], i), time.Unix(at, 0).In(loc).Format("2006-01-02T15:04:05Z07:00"); got != want {
					t.Fatalf("%s row %d: printed as %s, want %s", zone, i, got, want)
				}
			}
		}
	}
}

// TestZoneEdges are the places where a zone has two readings or none.
func TestZoneEdges(t *testing.T) {
	const zone = "America/New_York"
	cases := []struct {
		name, text string
		zone       string
		start      string // "" for a refusal
		warned     string
		err        error
	}{
		{"begins in the repeated hour, first passing", rows("2026-11-01 01:59:56 / 2026-11-01 01:00:00", "90 88"), zone, "2026-11-01T01:59:56-04:00", WarnRepeatedHour, nil},
		{"begins in the repeated hour and leaves it", rows("2026-11-01 01:59:56 / 2026-11-01 02:00:00", "90 88"), zone, "2026-11-01T01:59:56-05:00", WarnRepeatedHour, nil},
		{"a small step back stays in its passing", rows("2026-11-01 00:59:56 / 2026-11-01 01:00:00 / 2026-11-01 01:00:08 / 2026-11-01 01:00:04", "90 88 87 86"), zone, "2026-11-01T00:59:56-04:00", WarnRepeatedHour + " " + WarnTransposed, nil},
		{"a time that the zone skips", rows("2027-03-14 02:30:00", "90"), zone, "", "", ErrFormat},
		{"offsets are kept beside a zone", rows("2026-11-01T01:00:00-05:00 / 2026-11-01T01:00:04-05:00", "90 88"), zone, "2026-11-01T01:00:00-05:00", WarnZoneNotUsed, nil},
		{"offsets in some rows, no zone", rows("2026-11-01T01:00:00-05:00 / 2026-11-01T01:00:04", "90 88"), "", "", "", ErrAmbiguous},
		{"offsets in some rows and a zone", rows("2026-11-01T00:59:56-04:00 / 2026-11-01T01:00:00", "90 88"), zone, "2026-11-01T00:59:56-04:00", WarnRepeatedHour, nil},
		{"mixed offsets", rows("2026-11-01T01:59:56-04:00 / 2026-11-01T01:00:00-05:00", "90 88"), "", "2026-11-01T01:59:56-04:00", "", nil},
		{"time of day and a zone", rows("22:00:00", "90"), zone, "22:00:00", WarnZoneNotUsed, nil},
		{"no such zone", rows("22:00:00", "90"), "Mars/Olympus", "", "", ErrOptions},
		{"the machine's own zone", rows("22:00:00", "90"), "Local", "", "", ErrOptions},
		{"a whole hour back, no zone", rows("2026-11-01 01:59:56 / 2026-11-01 01:00:00", "90 88"), "", "2026-11-01T01:59:56", WarnSteppedBack, nil},
		{"a whole hour back among 4 s steps", rows("2026-11-01 01:59:52 / 2026-11-01 01:59:56 / 2026-11-01 01:00:00", "90 90 88"), "", "2026-11-01T01:59:52", WarnSteppedBack + " " + WarnWholeHour, nil},
		{"a whole hour forward among 4 s steps", rows("2027-03-14 01:59:52 / 2027-03-14 01:59:56 / 2027-03-14 03:00:00", "90 90 88"), "", "2027-03-14T01:59:52", WarnWholeHour, nil},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			if c.err != nil {
				if r, err := ReadBytes([]byte(c.text), Options{Zone: c.zone}); !errors.Is(err, c.err) || r != nil {
					t.Fatalf("got %v, %v; want %v", r, err, c.err)
				}
				return
			}
			r := read(t, c.text, Options{Zone: c.zone})
			if got := r.Stamp(r.Time[0], 0); got != c.start {
				t.Errorf("begins at %s, want %s", got, c.start)
			}
			if got := warned(r); got != c.warned {
				t.Errorf("warnings %q, want %q", got, c.warned)
			}
		})
	}
}

// TestZonePeriods walks the whole range of dates that are read: the periods
// join, and each offset is that of the time package. It once stood still on
// the last day of 2040.
func TestZonePeriods(t *testing.T) {
	for _, zone := range []string{"America/New_York", "Europe/London", "Australia/Lord_Howe", "Asia/Kolkata", "UTC"} {
		loc, err := time.LoadLocation(zone)
		if err != nil {
			t.Fatal(err)
		}
		from := time.Date(1900, 1, 1, 0, 0, 0, 0, time.UTC)
		to := time.Date(2199, 12, 31, 0, 0, 0, 0, time.UTC)
		periods := zonePeriods(loc, from.Unix(), to.Unix())
		for i := 1; i < len(periods); i++ {
			if periods[i].start != periods[i-1].end || periods[i].off == periods[i-1].off {
				t.Fatalf("%s: %v does not follow %v", zone, periods[i], periods[i-1])
			}
		}
		k := 0
		for at := from; at.Before(to); at = at.Add(13 * time.Hour) {
			for at.Unix() >= periods[k].end {
				k++
			}
			if _, off := at.In(loc).Zone(); int64(off) != periods[k].off {
				t.Fatalf("%s at %s: offset %d, want %d", zone, at, periods[k].off, off)
			}
		}
	}
}

// TestPlaceInZone checks a recording that counts from one wall-clock start,
// as EDF does: its length is what it was although the wall clock shifts.
func TestPlaceInZone(t *testing.T) {
	loc, err := time.LoadLocation("America/New_York")
	if err != nil {
		t.Fatal(err)
	}
	wall := func(s string) int64 {
		at, err := time.Parse("2006-01-02 15:04:05", s)
		if err != nil {
			t.Fatal(err)
		}
		return at.Unix()
	}
	start := wall("2026-11-01 00:30:00")
	r := &Recording{Clock: ClockWall, PerSecond: 2, Time: []int64{2 * start, 2*start + 3600, 2*start + 2*7200}}
	if err := placeInZone(r, loc); err != nil {
		t.Fatal(err)
	}
	for i, want := range []string{"2026-11-01T00:30:00-04:00", "2026-11-01T01:00:00-04:00", "2026-11-01T01:30:00-05:00"} {
		if got := r.Stamp(r.Time[i], i); got != want {
			t.Errorf("sample %d at %s, want %s", i, got, want)
		}
	}
	skipped := &Recording{Clock: ClockWall, PerSecond: 1, Time: []int64{wall("2027-03-14 02:30:00")}}
	if err := placeInZone(skipped, loc); !errors.Is(err, ErrFormat) {
		t.Errorf("a start that the zone skips gave %v", err)
	}
	again := &Recording{Clock: ClockWall, PerSecond: 1, Time: []int64{wall("2026-11-01 01:30:00")}}
	if err := placeInZone(again, loc); err != nil || len(again.Warnings) != 1 || again.Warnings[0].Code != WarnRepeatedHour {
		t.Errorf("a start in a repeated hour gave %v, %v", err, again.Warnings)
	}
}
