package recording

import (
	"encoding/binary"
	"strings"
	"testing"
)

// FuzzText states what holds for any bytes: no panic, nil with an error,
// otherwise a Recording that keeps its promises and reads the same twice.
func FuzzText(f *testing.F) {
	plain := "Name: Ann Example\nDate;Time;SpO2;Pulse;Status\n24/03/2026;23:59:56;94,5;61;ok\n24/03/2026;23:59:58;94,0;62;motion\n25/03/2026;00:00:00;88,0;63;\"ok\"\n25/03/2026;00:00:02;--;64;off\nTotal;4\n"
	seeds := []string{
		plain,
		utf16Bytes(plain, binary.LittleEndian),
		rows("23:59:52 / 23:59:56 / 00:00:00 / 00:00:04", "91 88 88 91"),
		rows("2026-11-01 01:59:56 / 2026-11-01 01:00:00 / 2026-11-01 01:00:04", "90 88 88"),
		rows("11:59:56 PM / 12:00:00 AM / 12:00:04 AM", "89 88 87"),
		rows("22:00:00 / 22:00:08 / 22:00:04 / 22:00:12", "92 88 90 92"),
		"time,spo2\n" + strings.Repeat("22:00:00,88\n22:00:00,90\n22:00:01,88\n22:00:01,90\n22:00:02,88\n22:00:02,90\n", 2),
		nightTable(night(5000, 12), night(4980, 12)),
		nightTable(night(6000, 12), []string{"time,spo2,pulse"}, night(500, 12)),
		"Elapsed (s)\tSpO2\tPR\n0\t94\t61\n0.25\t=\"94\"\t62\n",
		"94\n88\n",
		"sep=|\r\nTime|SpO2|Event\r\nMar 24, 2026 10:14:08 PM|94 %|lights off\r\n",
		"22:00:00,94,161\n22:00:04,88,162\n",
		"Time       SpO2   Pulse\n22:00:00   94     61\n22:00:04          62\n22:00:08   88     63\n",
		"Datum;Zeit;SpO2;Alarm;Bemerkung\nTT.MM.JJJJ;hh:mm:ss;%;;\n03.04.2026;22.00.00;94;0;\n03.04.2026;22.00.04;88;3;O2 2 l\n",
		"Start: 2026-03-24 22:00\nSeconds;SpO2\n992;94\n996;94\n1.000;88\n1.004;88\n",
		"Time,SpO2\n46105.9166666667,94\n46105.9167129630,88\n",
		"Epoch,SpO2\n1774404000,94\n1774404004,88\n",
		"Hora;Saturación\n:59:56 p. m.;94\n10:00:00 p. m.;94\n10:00:04 p.\u00a0m.;88\n",
		"time,spo2\n22:00:10,94\n22:00:11,93\n22:00:11,92\n22:00:13,91\n22:00:14,90\n",
	}
	for _, s := range seeds {
		f.Add([]byte(s), "", "")
		f.Add([]byte(s), "America/New_York", "order=dmy")
	}
	f.Add([]byte(plain), "", "date=1,time=Time,spo2=3,decimal=,,delimiter=;,none=9999|ERR,header=2")
	f.Fuzz(func(t *testing.T, data []byte, zone, columns string) {
		if recognise(data) != FormatText || isGzip(data) {
			return
		}
		opt := Options{Zone: zone, Columns: columns, IntervalMS: 4000, MaxBytes: 1 << 20}
		p, err := Propose(data, opt)
		if (p == nil) != (err != nil) {
			t.Fatalf("a proposal %v with the error %v", p, err)
		}
		if p != nil {
			if again, err := ParseColumns(p.Mapping); err != nil || again.String() != p.Mapping {
				t.Fatalf("the mapping %q is read back as %q, %v", p.Mapping, again.String(), err)
			}
		}
		r, err := ReadBytes(data, opt)
		if err != nil {
			if r != nil {
				t.Fatalf("a recording with the error %v", err)
			}
			return
		}
		checkShape(t, r)
		if len(r.Time) == 0 || len(r.Time) > len(data) {
			t.Fatalf("%d samples from %d bytes", len(r.Time), len(data))
		}
		for i, v := range r.SpO2 {
			if v != NoReading && (v < 0 || int64(v)*r.SpO2Scale.Mul > 100*r.SpO2Scale.Den) {
				t.Fatalf("sample %d is %d over %v", i, v, r.SpO2Scale)
			}
			r.Stamp(r.Time[i], i)
		}
		again, err := ReadBytes(data, opt)
		if err != nil || print(again) != print(r) {
			t.Fatalf("read differently the second time: %v", err)
		}
	})
}
