package recording_test

import (
	"bytes"
	"testing"

	"airwarrant/qualify/recording"
	"airwarrant/qualify/recording/sheets"
)

// fuzzed states what holds for any bytes: no panic, nil with an error,
// otherwise a Recording in range that reads the same twice.
func fuzzed(t *testing.T, data []byte, opt recording.Options) {
	opt.MaxBytes = 1 << 20
	r, err := recording.ReadBytes(data, opt)
	if (r == nil) == (err == nil) {
		t.Fatalf("recording %v with error %v", r, err)
	}
	if err != nil {
		if err.Error() == "" {
			t.Fatal("an error without words")
		}
		return
	}
	inRange(t, r)
	again, err := recording.ReadBytes(data, opt)
	if err != nil || again.SHA256 != r.SHA256 || timeline(again) != timeline(r) {
		t.Fatalf("read differently the second time: %v", err)
	}
}

// FuzzWFDB varies a header and its signal file.
func FuzzWFDB(f *testing.F) {
	f.Add([]byte(c43["n.hea"]), []byte(c43["n.dat"]), "", "")
	f.Add([]byte("n 2 0.0166666666667/125(7) 3 1:2:3.5 31/12/2026\r\nn.dat 212x2:1+2 10(-3)/% 12 0 0 0 0 SpO2\r\nn.dat 212 1/bpm 12 0 0 0 0 Pulse\r\n# <age>: 71 <sex>: F\r\n"), []byte("\xb6\x33\xb5\x00\x38\x70\x66\x33\x5c\x00\x38\x70\x66\x33\x5c"), "America/New_York", "pulse=none")
	f.Add([]byte("n/3 1 1 4\nn 1\n~ 2\nm 1\n"), []byte("n 1 1 1\nn.dat 80 1/% 8 0 0 0 0 SpO2\n"), "", "spo2=1,unit=percent")
	for _, format := range []string{"24", "32", "61", "160", "310", "311"} {
		f.Add([]byte("n 1 1 2\nn.dat "+format+" 1/% 0 0 0 0 0 SpO2\n"), []byte("\x5f\x60\x81\x05\x00\x00\x00\x00"), "", "")
	}
	f.Fuzz(func(t *testing.T, header, signals []byte, zone, columns string) {
		fuzzed(t, header, recording.Options{Zone: zone, Columns: columns, Sibling: func(string) ([]byte, error) { return signals, nil }})
	})
}

// FuzzFHIR varies a resource.
func FuzzFHIR(f *testing.F) {
	f.Add(marshal(f, sampledObservation("95 88 E L U 87.5", object{"lowerLimit": 70, "factor": 1}, object{"component": []object{{"code": coding("8889-8"), "valueSampledData": sampledData("61 E", object{"origin": quantity(0, "/min", "/min")})}}})), "")
	f.Add(marshal(f, sampledObservation("95 61 88 62", object{"dimensions": 2}, object{"effectiveDateTime": nil, "effectivePeriod": object{"start": start, "end": start}})), "spo2=1,pulse=2")
	f.Add(marshal(f, bundle(single(0, 95, nil), single(4, 88, nil), single(4, 87, nil), single(8, 0, object{"valueQuantity": nil, "dataAbsentReason": object{"text": "off"}}))), "")
	f.Fuzz(func(t *testing.T, data []byte, columns string) {
		fuzzed(t, data, recording.Options{Columns: columns})
	})
}

// FuzzContainer varies packed uploads, and packs what it is given.
func FuzzContainer(f *testing.F) {
	f.Add(packZip(f, "a/n.hea", c43["n.hea"], "a/n.dat", c43["n.dat"], "__MACOSX/x", "x", "r.pdf", "%PDF"), false)
	f.Add(packZip(f, "a.csv", small, "b.csv", small), false)
	f.Add(packZip(f, "inner.zip", string(packZip(f, "a.csv", small))), true)
	f.Add([]byte(small), true)
	f.Fuzz(func(t *testing.T, data []byte, pack bool) {
		if pack {
			data = packGzip(t, data)
		}
		opt := recording.Options{Workbook: sheets.Tables}
		fuzzed(t, data, opt)
		opt.MaxBytes = 1 << 20
		files, err := recording.Split(data, opt)
		if (files == nil) == (err == nil) {
			t.Fatalf("%d files with error %v", len(files), err)
		}
		total := 0
		for _, x := range files {
			total += len(x.Data)
		}
		if total > 2<<20 || len(files) == 1 && !bytes.Equal(files[0].Data, data) {
			t.Fatalf("%d files of %d bytes from %d", len(files), total, len(data))
		}
	})
}
