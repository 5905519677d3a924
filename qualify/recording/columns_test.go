package recording

import (
	"errors"
	"reflect"
	"slices"
	"strings"
	"testing"

	"airwarrant/rules/wording"
)

func TestParseColumns(t *testing.T) {
	cases := []struct {
		in   string
		want Columns
	}{
		{"", Columns{Header: -1}},
		{"time=1,spo2=3,pulse=4", Columns{Time: "1", SpO2: "3", Pulse: "4", Header: -1}},
		{" date = Date , time=\"Time, local\" ,spo2=SpO2", Columns{Date: "Date", Time: "Time, local", SpO2: "SpO2", Header: -1}},
		{"decimal=,,delimiter=;", Columns{Decimal: ',', Delimiter: ';', Header: -1}},
		{"delimiter=;,decimal=,", Columns{Decimal: ',', Delimiter: ';', Header: -1}},
		{"delimiter=,,order=DMY", Columns{Delimiter: ',', Order: "dmy", Header: -1}},
		{"delimiter=tab,decimal=comma", Columns{Delimiter: '\t', Decimal: ',', Header: -1}},
		{"delimiter=\t,decimal=point", Columns{Delimiter: '\t', Decimal: '.', Header: -1}},
		{"delimiter=|,header=0", Columns{Delimiter: '|', Header: 0}},
		{"header=7,unit=fraction", Columns{Header: 7, Unit: "fraction"}},
		{"none=9999|ERR", Columns{NoReading: map[string]bool{"9999": true, "err": true}, Header: -1}},
		{"elapsed=2,quality=Status", Columns{Elapsed: "2", Quality: "Status", Header: -1}},
		{"quality=none,pulse=none", Columns{Quality: "none", Pulse: "none", Header: -1}},
	}
	for _, c := range cases {
		t.Run(c.in, func(t *testing.T) {
			got, err := ParseColumns(c.in)
			if err != nil || !reflect.DeepEqual(got, c.want) {
				t.Errorf("got %+v, %v; want %+v", got, err, c.want)
			}
		})
	}
}

func TestParseColumnsRefuses(t *testing.T) {
	for _, in := range []string{
		"spo2", "spo2=", "spo2=0", "spo2=-1", "spo2=1,spo2=2", "colour=1", "order=ydm", "unit=mmHg",
		"delimiter=:", "decimal=;", "header=-1", "header=two", "time=\"1", "time=\"1\"2", "=3", ",", "time=1,,spo2=2",
	} {
		t.Run(in, func(t *testing.T) {
			c, err := ParseColumns(in)
			if !errors.Is(err, ErrOptions) || !reflect.DeepEqual(c, Columns{}) {
				t.Errorf("got %+v, %v; want ErrOptions", c, err)
			}
			var fe *FormatError
			if errors.As(err, &fe) && (fe.Expected.String() == "" || fe.Found.String() == "" || fe.Mend.String() == "") {
				t.Errorf("%v lacks what was expected, found or the mend", err)
			}
			if r, err := ReadBytes([]byte(rows("22:00:00", "94")), Options{Columns: in}); !errors.Is(err, ErrOptions) || r != nil {
				t.Errorf("Read gave %v, %v; want ErrOptions", r, err)
			}
		})
	}
}

// TestHeaders says what a header is taken for.
func TestHeaders(t *testing.T) {
	cases := map[role]string{
		roleSat:        "SpO2|SPO2 (%)|Oximeter SpO2|SpO₂ [%]|SaO2|O2 Sat|Oxygen Saturation|Sat%|Saturation|Sauerstoffsättigung|Sättigung (%)|Saturation en oxygène|Saturación de oxígeno|sp02",
		rolePulse:      "Pulse|Pulse Rate|PR (bpm)|HR|Heart Rate|bpm|Puls|Herzfrequenz|Pouls|Fréquence cardiaque|Frecuencia cardiaca|Puls (1/min)",
		roleTime:       "Time|time stamp|Timestamp|Date/Time|Date and Time|Clock|Uhrzeit|Datum/Uhrzeit|Heure|Hora|Time (hh:mm:ss)|Fecha y hora",
		roleDate:       "Date|Datum|Fecha|Date (DD/MM/YYYY)",
		roleElapsed:    "Elapsed|Elapsed time|Time (s)|Time [sec]|Time (ms)|Seconds|Zeit (s)",
		roleQuality:    "Quality|Status|Signal|SpO2 Status|Signal Quality|Motion|Artifact|Pulse quality|Qualität|Bewegung|État|Movimiento",
		roleMarker:     "AM/PM|am pm",
		roleEvent:      "Event|Marker|Comment|Note|Bemerkung",
		roleAlarm:      "Low SpO2 Alarm|Alarm|Error code|Fehlercode|Alarme|Fallo",
		roleIdentifier: "Patient ID|MRN|Subject No.",
		roleName:       "Patient|Name|Last Name|Vorname|Patient's name",
		roleOther:      "SpO2 alarm limit|SpO2 low limit|Saturation threshold|Oxygen flow (L/min)|O2 Flow|Perfusion Index|PI|Pulse amplitude|Alarmgrenze SpO2|SpO2 change|Date of birth|Seuil SpO2|Index|Device name",
		roleUnknown:    "|Row|#|Position|Resp|ID|Session ID|Channel name",
	}
	for want, headers := range cases {
		for _, h := range strings.Split(headers, "|") {
			if got := headerRole(h); got != want {
				t.Errorf("%q is taken for %d, want %d", h, got, want)
			}
		}
	}
}

// TestFindColumns reads tables of many layouts, each with saturations 94 and
// 88 at 22:00:00 and 22:00:04.
func TestFindColumns(t *testing.T) {
	cases := []struct {
		name, text string
		opt        Options
		pulse      []int32
		layout     string // a sentence that must stand there
	}{
		{"limits are no readings", "Time,SpO2 low limit,SpO2,SpO2 alarm,Pulse\n22:00:00,85,94,0,61\n22:00:04,85,88,0,62\n", Options{}, []int32{61, 62}, `Saturation: column 3 "SpO2"`},
		{"unused columns are named", "Time,SpO2,PI,Position\n22:00:00,94,1.2,left\n22:00:04,88,1.3,left\n", Options{}, nil, `Not used: column 3 "PI", column 4 "Position".`},
		{"no header", "22:00:00,94,161\n22:00:04,88,162\n", Options{}, []int32{161, 162}, "Saturation: column 2, by its numbers."},
		{"no header, pulse first", "22:00:00,161,94\n22:00:04,162,88\n", Options{}, []int32{161, 162}, "Saturation: column 3, by its numbers."},
		{"no header, given", "22:00:00,61,94\n22:00:04,62,88\n", Options{Columns: "spo2=3,pulse=2"}, []int32{61, 62}, "Saturation: column 3, as given."},
		{"header in a language that is not known", "Tijd,Zuurstof,Hartslag\n22:00:00,94,61\n22:00:04,88,62\n", Options{Columns: "spo2=Zuurstof,pulse=hartslag"}, []int32{61, 62}, "Header in line 1."},
		{"header line given", "a,b,c\nx,y,z\n22:00:00,94,61\n22:00:04,88,62\n", Options{Columns: "header=2,spo2=y,pulse=z"}, []int32{61, 62}, "Header in line 2."},
		{"no header, said so", "22:00:00,94,61\n22:00:04,88,62\n", Options{Columns: "header=0,spo2=2,pulse=3,time=1"}, []int32{61, 62}, "No header."},
		{"date and time apart", "Date,Time,SpO2\n2026-03-01,22:00:00,94\n2026-03-01,22:00:04,88\n", Options{}, nil, `Time: column 1 "Date" and column 2 "Time".`},
		{"date with a time of zero", "Date,Time,SpO2\n3/24/2026 0:00,22:00:00,94\n3/24/2026 0:00,22:00:04,88\n", Options{}, nil, `Time: column 1 "Date" and column 2 "Time".`},
		{"AM and PM apart", "Time,AM/PM,SpO2\n10:00:00,PM,94\n10:00:04,PM,88\n", Options{}, nil, `Time: column 1 "Time", time of day.`},
		{"AM and PM apart, no header", "10:00:00,PM,94\n10:00:04,PM,88\n", Options{}, nil, "No header."},
		{"time column after the reading", "SpO2;Pulse;Uhrzeit\n94;61;22:00:00\n88;62;22:00:04\n", Options{}, []int32{61, 62}, "columns divided by semicolon"},
		{"a header that only its cells explain", "When,SpO2\n2026-03-01 22:00:00,94\n2026-03-01 22:00:04,88\n", Options{}, nil, `Time: column 1 "When"`},
		{"two pulse columns, one named", "Time,SpO2,Pulse,HR\n22:00:00,94,61,71\n22:00:04,88,62,72\n", Options{Columns: "pulse=Pulse"}, []int32{61, 62}, `Not used: column 4 "HR".`},
		{"two pulse columns, none wanted", "Time,SpO2,Pulse,HR\n22:00:00,94,61,71\n22:00:04,88,62,72\n", Options{Columns: "pulse=none"}, nil, "Not used"},
		{"the reading named among two", "Time,SpO2,SaO2\n22:00:00,94,71\n22:00:04,88,72\n", Options{Columns: "spo2=2"}, nil, `Saturation: column 2 "SpO2", as given.`},
		{"time named among two", "Start,Time,SpO2\n21:00:00,22:00:00,94\n21:00:00,22:00:04,88\n", Options{Columns: "time=2"}, nil, "as given"},
		{"date and time named", "a,b,c\n24/03/2026,22:00:00,94\n24/03/2026,22:00:04,88\n", Options{Columns: "date=1,time=2,spo2=3"}, nil, "as given"},
		{"a date named that holds the time too", "a,b\n2026-03-24 22:00:00,94\n2026-03-24 22:00:04,88\n", Options{Columns: "date=1,spo2=2"}, nil, "date and time, as given"},
		{"a date named, the time found", "a,Time,SpO2\n24/03/2026,22:00:00,94\n24/03/2026,22:00:04,88\n", Options{Columns: "date=1"}, nil, `column 1 "a" and column 2 "Time"`},
		{"a time named, the date found", "Date,a,SpO2\n24/03/2026,22:00:00,94\n24/03/2026,22:00:04,88\n", Options{Columns: "time=2"}, nil, `column 1 "Date" and column 2 "a"`},
		{"a stamp named", "a,SpO2\n2026-03-24 22:00:00,94\n2026-03-24 22:00:04,88\n", Options{Columns: "time=a"}, nil, "as given"},
		{"seconds in the header of full stamps", "Time (s),SpO2\n2026-03-24 22:00:00,94\n2026-03-24 22:00:04,88\n", Options{}, nil, "date and time"},
		{"quality named", "Time,SpO2,a\n22:00:00,94,ok\n22:00:04,88,ok\n", Options{Columns: "quality=a"}, nil, `Quality: column 3 "a".`},
		{"quality not wanted", "Time,SpO2,Status\n22:00:00,94,off\n22:00:04,88,off\n", Options{Columns: "quality=none"}, nil, `Not used: column 3 "Status".`},
		{"a row number beside", "#,Time,SpO2\n1,22:00:00,94\n2,22:00:04,88\n", Options{}, nil, `Not used: column 1 "#".`},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			r := read(t, c.text, c.opt)
			if got := print(r); got != "0=94 4=88" {
				t.Errorf("read as %s", got)
			}
			if !slices.Equal(r.Pulse, c.pulse) || (r.Pulse == nil) != (c.pulse == nil) {
				t.Errorf("pulse %v, want %v", r.Pulse, c.pulse)
			}
			if r.Clock == ClockWall || r.Clock == ClockTimeOfDay {
				if got := r.Stamp(r.Time[0], 0); !strings.HasSuffix(got, "22:00:00") {
					t.Errorf("begins at %s", got)
				}
			}
			if by := strings.Contains(c.layout, "by its numbers"); by != strings.Contains(warned(r), WarnByNumbers) && !strings.HasPrefix(c.name, "AM and PM apart") {
				t.Errorf("warnings %q", warned(r))
			}
			if layout := strings.Join(wording.Sentences(r.Layout), " "); !strings.Contains(layout, c.layout) {
				t.Errorf("%q does not say %q", layout, c.layout)
			}
		})
	}
}

// TestElapsed reads time since the start.
func TestElapsed(t *testing.T) {
	cases := []struct {
		name, text string
		opt        Options
		want       string
	}{
		{"seconds", "Time (s),SpO2\n10,94\n14,88\n", Options{}, "0=94 4=88"},
		{"seconds with a fraction", "Elapsed;SpO2\n0,0;94\n0,5;88\n", Options{}, "0=94 0.5=88"},
		{"milliseconds", "Time (ms),SpO2\n0,94\n250,88\n", Options{}, "0=94 0.25=88"},
		{"minutes", "Elapsed (min),SpO2\n0,94\n0.5,88\n", Options{}, "0=94 30=88"},
		{"h:mm:ss", "Elapsed,SpO2\n0:00:00,94\n26:00:00,88\n", Options{}, "0=94 93600=88"},
		{"finer than a millisecond", "Time (ms),SpO2\n0.5,94\n60.75,88\n", Options{}, "0=94 0.06025=88"},
		{"given", "Time,SpO2\n0,94\n4,88\n", Options{Columns: "elapsed=1"}, "0=94 4=88"},
		{"no time, step given", "SpO2,Pulse\n94,61\n88,62\n", Options{IntervalMS: 4000}, "0=94 4=88"},
		{"one column alone", "94\n88\n", Options{IntervalMS: 4000}, "0=94 4=88"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			r := read(t, c.text, c.opt)
			if got := print(r); got != c.want || r.Clock != ClockElapsed || r.Time[0] != 0 {
				t.Errorf("read as %s from %d, clock %d", got, r.Time[0], r.Clock)
			}
		})
	}
}

// TestAsks lists what is never guessed, with the question asked.
func TestAsks(t *testing.T) {
	cases := []struct {
		name, text string
		opt        Options
		err        error
		says       string
	}{
		{"two saturations", "Time,SpO2,SaO2\n22:00:00,94,95\n", Options{}, ErrAmbiguous, "--columns spo2=2 or spo2=3"},
		{"two pulses", "Time,SpO2,Pulse,HR\n22:00:00,94,61,62\n", Options{}, ErrAmbiguous, "--columns pulse=3 or pulse=4"},
		{"two times", "Start,End,SpO2\n2026-03-01 22:00:00,2026-03-01 22:00:04,94\n", Options{}, ErrAmbiguous, "--columns time=1 or time=2"},
		{"no header and two columns of that size", "22:00:00,94,61\n22:00:04,88,62\n", Options{}, ErrAmbiguous, "--columns spo2=2 or spo2=3"},
		{"a summary", "Time,SpO2 min\n22:00:00,94\n", Options{}, ErrAmbiguous, "--columns spo2=2"},
		{"no time", "SpO2,Pulse\n94,61\n", Options{}, ErrAmbiguous, "--interval"},
		{"no time, no header", "94,61\n88,62\n", Options{IntervalMS: 4000}, ErrAmbiguous, "--columns spo2=N"},
		{"numbers for time", "Time,SpO2\n0,94\n4,88\n", Options{}, ErrAmbiguous, "--columns elapsed=1"},
		{"a date without a time", "Date,SpO2\n2026-03-01,94\n", Options{}, ErrAmbiguous, "--columns time=N"},
		{"fractions", "Time,SpO2\n22:00:00,0.94\n22:00:04,0.88\n", Options{}, ErrAmbiguous, "--columns unit=fraction"},
		{"no saturation", "Time,Pulse\n22:00:00,61\n", Options{}, ErrNoSpO2, "--columns spo2=N"},
		{"limits alone", "Time,SpO2 alarm limit,Pulse\n22:00:00,85,61\n", Options{}, ErrNoSpO2, "--columns spo2=N"},
		{"numbers above 100 alone", "Time,SpO2\n22:00:00,940\n22:00:04,880\n", Options{}, ErrNoSpO2, "between 0 and 100"},
		{"a column that is not there", rows("22:00:00", "94"), Options{Columns: "spo2=5"}, ErrOptions, "1 to 2"},
		{"a header that is not there", rows("22:00:00", "94"), Options{Columns: "spo2=Sats"}, ErrOptions, "no such header"},
		{"a header that is there twice", "Time,a,a\n22:00:00,94,95\n", Options{Columns: "spo2=a"}, ErrOptions, "column 2"},
		{"one column for two things", rows("22:00:00", "94"), Options{Columns: "time=1,spo2=1"}, ErrOptions, "two things"},
		{"two dates", "Date,Datum,Time,SpO2\n2026-03-01,2026-03-02,22:00:00,94\n", Options{}, ErrAmbiguous, "--columns date=1 or date=2"},
		{"two elapsed times", "Elapsed,Seconds,SpO2\n0,0,94\n", Options{}, ErrAmbiguous, "--columns elapsed=1 or elapsed=2"},
		{"two columns of AM and PM", "Time,AM/PM,am pm,SpO2\n10:00:00,PM,PM,94\n", Options{}, ErrAmbiguous, "AM and PM"},
		{"time and elapsed given", "Time,s,SpO2\n22:00:00,0,94\n", Options{Columns: "time=1,elapsed=2"}, ErrOptions, "elapsed alone"},
		{"an elapsed column that is not there", "Time,s,SpO2\n22:00:00,0,94\n", Options{Columns: "elapsed=7"}, ErrOptions, "1 to 3"},
		{"a named time that is a number", "a,SpO2\n0,94\n", Options{Columns: "time=1"}, ErrAmbiguous, "--columns elapsed=1"},
		{"a named time that is words", "a,SpO2,Pulse\nleft,94,61\n", Options{Columns: "time=1"}, ErrFormat, "--columns time=N"},
		{"a named date and no time", "a,SpO2\n2026-03-01,94\n", Options{Columns: "date=1"}, ErrAmbiguous, "--columns time=N"},
		{"words for time", "Time,SpO2,Pulse\nlate,94,61\n", Options{}, ErrFormat, "--columns time=N"},
		{"a quality column that is not there", rows("22:00:00", "94"), Options{Columns: "quality=9"}, ErrOptions, "1 to 2"},
		{"quality that is the reading", rows("22:00:00", "94"), Options{Columns: "quality=2"}, ErrOptions, "two things"},
		{"a header line beyond the file", rows("22:00:00", "94"), Options{Columns: "header=9"}, ErrOptions, "2 lines"},
		{"five quality columns", "Time,SpO2,Status,Quality,Signal,Motion,Artifact\n22:00:00,94,ok,ok,ok,ok,ok\n", Options{}, ErrAmbiguous, "--columns quality=3"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			r, err := ReadBytes([]byte(c.text), c.opt)
			if !errors.Is(err, c.err) || r != nil {
				t.Fatalf("got %v, %v; want %v", r, err, c.err)
			}
			if !strings.Contains(err.Error(), c.says) {
				t.Errorf("%q does not say %q", err, c.says)
			}
		})
	}
}

// TestUnit reads fractions once they are named.
func TestUnit(t *testing.T) {
	for text, want := range map[string]string{
		"Time,SpO2\n22:00:00,0.94\n22:00:04,0.885\n": "0=94 4=88.5",
		"Time,SpO2\n22:00:00,0.9\n22:00:04,1\n":      "0=90 4=100",
		"Time,SpO2\n22:00:00,1\n22:00:04,0\n":        "0=100 4=NA",
	} {
		r := read(t, text, Options{Columns: "unit=fraction"})
		if got := print(r); got != want {
			t.Errorf("read as %s, want %s", got, want)
		}
	}
	r := read(t, "Time,SpO2\n22:00:00,1\n22:00:04,0.5\n", Options{Columns: "unit=percent"})
	if got := print(r); got != "0=1 4=0.5" {
		t.Errorf("read as %s", got)
	}
}
