package recording_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"math/big"
	"strings"
	"testing"

	"airwarrant/qualify/analysis"
	"airwarrant/qualify/recording"
)

// files are a record side by side: the header first, then its other files.
type files map[string]string

func (f files) sibling(name string) ([]byte, error) {
	if s, ok := f[name]; ok {
		return []byte(s), nil
	}
	return nil, errors.New("no such file")
}

// readRecord reads the header n.hea of f with the rest beside it.
func readRecord(f files, opt recording.Options) (*recording.Recording, error) {
	opt.Sibling = f.sibling
	return recording.ReadBytes([]byte(f["n.hea"]), opt)
}

// timeline prints times in seconds from the first sample and saturations.
func timeline(r *recording.Recording) string {
	var out []string
	for i, c := range r.SpO2 {
		v := "NA"
		if c != recording.NoReading {
			v = fourDecimals(r.SpO2Scale.Rat(c))
		}
		out = append(out, fourDecimals(big.NewRat(r.Time[i]-r.Time[0], r.PerSecond))+"="+v)
	}
	return strings.Join(out, " ")
}

func pulses(r *recording.Recording) string {
	var out []string
	for _, c := range r.Pulse {
		v := "NA"
		if c != recording.NoReading {
			v = fourDecimals(r.PulseScale.Rat(c))
		}
		out = append(out, v)
	}
	return strings.Join(out, " ")
}

func warned(r *recording.Recording) string {
	var out []string
	for _, w := range r.Warnings {
		out = append(out, w.Code)
	}
	return strings.Join(out, " ")
}

func sixteen(v ...int32) string { return string(packSamples("16", v)) }

// C43 of the measurement reference, its samples as digital values at a gain
// of 10.
var c43 = files{
	"n.hea": "n 1 0.25 6 22:14:00 1/3/2026\nn.dat 16 10/% 16 0 950 -28171 0 SpO2\n",
	"n.dat": sixteen(950, 949, 948, 880, -32768, 870),
}

func TestWFDBCase43(t *testing.T) {
	r, err := readRecord(c43, recording.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if got, want := timeline(r), "0=95 4=94.9 8=94.8 12=88 16=NA 20=87"; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
	a := analysis.Analyze(r, recording.Session{To: len(r.Time)}, analysis.Options{})
	if got := fourDecimals(a.Seconds(a.AtOrBelow(big.NewRat(88, 1)).Value)); got != "8" {
		t.Errorf("%s s at or below 88, want 8", got)
	}
	if got := r.Stamp(r.Time[0], 0); got != "2026-03-01T22:14:00" {
		t.Errorf("starts at %s; the date is day first", got)
	}
	if warned(r) != "" {
		t.Errorf("warnings %s, want none", warned(r))
	}
	sum := sha256.Sum256([]byte(c43["n.hea"] + c43["n.dat"]))
	if r.SHA256 != hex.EncodeToString(sum[:]) || r.Size != int64(len(c43["n.hea"])+12) || r.Container != "none" {
		t.Errorf("SHA-256 %s of %d bytes in %s; want that of header and signal file", r.SHA256, r.Size, r.Container)
	}
	packed, err := recording.ReadBytes(packZip(t, "n.hea", c43["n.hea"], "n.dat", c43["n.dat"], "n.atr", "\x00\x01"), recording.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if timeline(packed) != timeline(r) {
		t.Errorf("in a zip: %s", timeline(packed))
	}
}

// TestWFDBBytes reads bytes that were laid out by hand: those of format 212
// in the measurement reference, section 2.3, and for the others the layout
// that signal(5) describes.
func TestWFDBBytes(t *testing.T) {
	for _, c := range []struct{ format, gain, bytes, want string }{
		{"212", "10", "b633b500387066335c", "95 94.9 NA 88 87 86"},
		{"212", "10", "b633b5", "95 94.9"},
		{"212", "10", "b603", "95"},               // the last pair half used
		{"16", "10", "b6030080", "95 NA"},         // low byte first
		{"61", "10", "03b68000", "95 NA"},         // high byte first
		{"160", "10", "b6830000", "95 NA"},        // 0x83b6 - 0x8000
		{"80", "1", "df00d8", "95 NA 88"},         // 0xdf - 0x80
		{"24", "10", "b60300000080", "95 NA"},     // -2^23
		{"32", "10", "b603000000000080", "95 NA"}, // -2^31
		{"310", "1", "bec0b010", "95 88 88"},      // 95<<1 | 24<<11, 88<<1 | 2<<11: 88 = 24 + 2*32
		{"310", "1", "0004be00", "NA 95"},         // the third is 0, a no-reading code
		{"311", "1", "5f608105", "95 88 88"},      // 95 | 88<<10 | 88<<20
		{"311", "1", "5f608125", "95 88 NA"},      // 600 - 1024 is below 0
	} {
		data := unhex(t, c.bytes)
		n := len(strings.Fields(c.want))
		r, err := readRecord(files{"n.hea": fmt.Sprintf("n 1 1 %d\nn.dat %s %s/%% 0 0 0 0 0 SpO2\n", n, c.format, c.gain), "n.dat": data}, recording.Options{})
		if err != nil {
			t.Errorf("format %s, %s: %v", c.format, c.bytes, err)
			continue
		}
		var got []string
		for _, v := range strings.Fields(timeline(r)) {
			_, v, _ = strings.Cut(v, "=")
			got = append(got, v)
		}
		if s := strings.Join(got, " "); s != c.want {
			t.Errorf("format %s, %s: %s, want %s", c.format, c.bytes, s, c.want)
		}
	}
}

func unhex(t *testing.T, s string) string {
	t.Helper()
	b, err := hex.DecodeString(s)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func TestWFDB(t *testing.T) {
	const sat, pulse = "n.dat 16 10(0)/% 16 0 0 0 0 SpO2\n", "n.dat 16 1/bpm 16 0 0 0 0 Pulse rate\n"
	two := sixteen(950, 61, 880, 62, 870, 63)
	for _, c := range []struct {
		name  string
		files files
		opt   recording.Options
		want  string
		pulse string
		start string
		warns string
	}{
		{"two signals interleaved", files{"n.hea": "n 2 1 3 1:2:3 31/12/2026\n" + sat + pulse, "n.dat": two}, recording.Options{}, "0=95 1=88 2=87", "61 62 63", "2026-12-31T01:02:03", "checksum_mismatch"},
		{"a checksum that fits", files{"n.hea": "n 2 1 3 1:2:3 31/12/2026\nn.dat 16 10/% 16 0 950 2700 0 SpO2\nn.dat 16 1/bpm 16 0 61 186 0 Pulse\n", "n.dat": two}, recording.Options{}, "0=95 1=88 2=87", "61 62 63", "2026-12-31T01:02:03", ""},
		{"CRLF and comments", files{"n.hea": "# made by hand\r\nn 1 1 3\r\nn.dat 16 10/%\r\n# <age>: 71 <sex>: F\r\n# Name: Ann Example\r\n", "n.dat": sixteen(950, 880, 870)}, recording.Options{Columns: "spo2=1"}, "0=95 1=88 2=87", "", "+0:00:00", "no_start"},
		{"three samples a frame beside one", files{"n.hea": "n 2 0.5 2 22:00:00\nn.dat 16x4 10/% 0 0 0 3630 0 SpO2\nn.dat 16 1/bpm 0 0 0 124 0 PR\n", "n.dat": sixteen(950, 940, 880, 870, 61, -32768, 0, 60, -50, 63)}, recording.Options{}, "0=95 0.5=94 1=88 1.5=87 2=NA 2.5=NA 3=6 3.5=NA", "61 61 61 61 63 63 63 63", "22:00:00", "checksum_mismatch not_a_saturation"},
		{"skew", files{"n.hea": "n 2 1 2 22:00:00\nn.dat 16:1 10/% 0 0 0 0 0 SpO2\nn.dat 16 1/bpm 0 0 0 123 0 PR\n", "n.dat": two}, recording.Options{}, "0=88 1=87", "61 62", "22:00:00", "checksum_mismatch"},
		{"a byte offset", files{"n.hea": "n 1 1 2 22:00:00\nn.dat 16+4 10/% 0 0 0 1830 0 SpO2\n", "n.dat": "head" + sixteen(950, 880)}, recording.Options{}, "0=95 1=88", "", "22:00:00", ""},
		{"baseline from the ADC zero", files{"n.hea": "n 1 1 2 22:00:00\nn.dat 16 10/% 12 -50 0 1730 0 SpO2\n", "n.dat": sixteen(900, 830)}, recording.Options{}, "0=95 1=88", "", "22:00:00", ""},
		{"an inverted gain and a scientific one", files{"n.hea": "n 1 1 2 22:00:00\nn.dat 16 -1e1(1000)/% 12 0 0 170 0 SpO2\n", "n.dat": sixteen(50, 120)}, recording.Options{}, "0=95 1=88", "", "22:00:00", ""},
		{"one a minute", files{"n.hea": "n 1 0.0166666666667/125(7) 2 2:3:4.250\nn.dat 16 10/% 16 0 950 1830 0 %SpO2\n", "n.dat": sixteen(950, 880)}, recording.Options{}, "0=95 60=88", "", "02:03:04.250", ""},
		{"a frequency of exact microseconds", files{"n.hea": "n 1 0.9765625 2 22:00:00\nn.dat 16 10/% 16 0 950 1830 0 SpO2\n", "n.dat": sixteen(950, 880)}, recording.Options{}, "0=95 1.024=88", "", "22:00:00", ""},
		{"no frequency: 250 Hz", files{"n.hea": "n 1\nn.dat 16 10/% 16 0 950 1830 0 SpO2\n", "n.dat": sixteen(950, 880)}, recording.Options{}, "0=95 0.004=88", "", "+0:00:00", "no_start sample_count"},
		{"3.6e2 Hz", files{"n.hea": "n 1 3.6e2 2 22:00:00\nn.dat 16 10/% 16 0 950 1830 0 SpO2\n", "n.dat": sixteen(950, 880)}, recording.Options{}, "0=95 0.0028=88", "", "22:00:00", ""},
		{"the header promises 76172 samples", files{"n.hea": "n 1 1 76172 22:00:00\nn.dat 16 10/% 16 0 950 1830 0 SpO2\n", "n.dat": sixteen(950, 880)}, recording.Options{}, "0=95 1=88", "", "22:00:00", "samples_cut"},
		{"samples after the last", files{"n.hea": "n 1 1 1 22:00:00\nn.dat 16 10/% 16 0 950 950 0 SpO2\n", "n.dat": sixteen(950, 880)}, recording.Options{}, "0=95", "", "22:00:00", "bytes_after_records"},
		{"an uncalibrated pulse", files{"n.hea": "n 2 1 3 22:00:00\nn.dat 16 10/% 16 0 950 2700 0 SpO2\nn.dat 16 0/bpm 16 0 61 186 0 Pulse\n", "n.dat": two}, recording.Options{}, "0=95 1=88 2=87", "", "22:00:00", "pulse_uncalibrated"},
		{"a pulse left out", files{"n.hea": "n 2 1 3 22:00:00\nn.dat 16 10/% 16 0 950 2700 0 SpO2\nn.dat 16 1/bpm 16 0 61 186 0 Pulse\n", "n.dat": two}, recording.Options{Columns: "pulse=none"}, "0=95 1=88 2=87", "", "22:00:00", ""},
		{"a fraction, said so", files{"n.hea": "n 1 1 2 22:00:00\nn.dat 16 1000/1 16 0 950 1830 0 SpO2\n", "n.dat": sixteen(950, 880)}, recording.Options{Columns: "unit=fraction"}, "0=95 1=88", "", "22:00:00", ""},
		{"a default date", files{"n.hea": "n 1 1 2 22:00:00 1/1/2000\nn.dat 16 10/% 16 0 950 1830 0 SpO2\n", "n.dat": sixteen(950, 880)}, recording.Options{}, "0=95 1=88", "", "2000-01-01T22:00:00", "date_may_be_default"},
		{"a zone", files{"n.hea": "n 1 1 2 22:00:00 1/3/2026\nn.dat 16 10/% 16 0 950 1830 0 SpO2\n", "n.dat": sixteen(950, 880)}, recording.Options{Zone: "America/New_York"}, "0=95 1=88", "", "2026-03-01T22:00:00-05:00", ""},
		{"segments, a gap, and one without saturation", files{
			"n.hea":      "n/5 2 1 9 22:00:00 1/3/2026\nlayout 0\na 2\n~ 3\nb 2\nc 2\n",
			"layout.hea": "layout 2 1 0\n~ 0 10/% 0 0 0 0 0 SpO2\n~ 0 1/bpm 0 0 0 0 0 PR\n",
			"a.hea":      "a 1 1 2\na.dat 16 10/% 0 0 0 1830 0 SpO2\n", "a.dat": sixteen(950, 880),
			"b.hea": "b 1 1 2\nb.dat 16 1/bpm 0 0 0 123 0 PR\n", "b.dat": sixteen(61, 62),
			"c.hea": "c 2 1 2\nc.dat 16 1/bpm 0 0 0 123 0 PR\nc.dat 16 10/% 0 0 0 1740 0 SpO2\n", "c.dat": sixteen(61, 870, 62, 870),
		}, recording.Options{}, "0=95 1=88 7=87 8=87", "NA NA 61 62", "2026-03-01T22:00:00", ""},
		{"a record that begins with a gap and knows no start", files{"n.hea": "n/2 1 1 4\n~ 3\na 1\n", "a.hea": "a 1 1 1\na.dat 16 10/% 0 0 0 950 0 SpO2\n", "a.dat": sixteen(950)}, recording.Options{}, "0=95", "", "+0:00:00", "no_start"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r, err := readRecord(c.files, c.opt)
			if err != nil {
				t.Fatal(err)
			}
			if got := timeline(r); got != c.want {
				t.Errorf("got %s, want %s", got, c.want)
			}
			if got := pulses(r); got != c.pulse {
				t.Errorf("pulses %s, want %s", got, c.pulse)
			}
			if got := r.Stamp(r.Time[0], 0); got != c.start {
				t.Errorf("starts at %s, want %s", got, c.start)
			}
			if got := warned(r); got != c.warns {
				t.Errorf("warnings %q, want %q", got, c.warns)
			}
		})
	}
	r, err := readRecord(files{"n.hea": "n 1 1 2\nn.dat 16 10/% 0 0 0 1830 0 SpO2\n# <age>: 71 <sex>: F\n# Name: Ann Example\n", "n.dat": sixteen(950, 880)}, recording.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if got := fmt.Sprint(r.Declared); got != "[{sex F WFDB header, info string 1} {name Ann Example WFDB header, info string 2}]" {
		t.Errorf("declared %s", got)
	}
}

func TestWFDBRefusals(t *testing.T) {
	data := sixteen(950, 880)
	one := func(line string) files { return files{"n.hea": "n 1 1 2\n" + line + "\n", "n.dat": data} }
	for _, c := range []struct {
		name  string
		files files
		opt   recording.Options
		class error
		says  string
	}{
		{"no signal file", files{"n.hea": "n 1 1 2\nn.dat 16 10/% 0 0 0 0 0 SpO2\n"}, recording.Options{}, recording.ErrFormat, "side by side or in one zip"},
		{"no gain", one("n.dat 16"), recording.Options{Columns: "spo2=1,unit=percent"}, recording.ErrFormat, "not calibrated"},
		{"gain 0", one("n.dat 16 0/% 0 0 0 0 0 SpO2"), recording.Options{}, recording.ErrFormat, "not calibrated"},
		{"no units: millivolt by default", one("n.dat 16 10 0 0 0 0 0 SpO2"), recording.Options{}, recording.ErrAmbiguous, "unit=percent"},
		{"a fraction", one("n.dat 16 1000/1 0 0 0 0 0 SpO2"), recording.Options{}, recording.ErrAmbiguous, "unit=fraction"},
		{"percent that never pass 1", one("n.dat 16 1000/% 0 0 0 0 0 SpO2"), recording.Options{}, recording.ErrAmbiguous, "no value above 1"},
		{"millivolt", one("n.dat 16 10/mV 0 0 0 0 0 SpO2"), recording.Options{}, recording.ErrNoSpO2, `in "mV"`},
		{"no saturation", one("n.dat 16 10/mV 0 0 0 0 0 ECG"), recording.Options{}, recording.ErrNoSpO2, "ECG"},
		{"two saturations", files{"n.hea": "n 2 1 1\nn.dat 16 10/% 0 0 0 0 0 SpO2 left\nn.dat 16 10/% 0 0 0 0 0 SpO2 right\n", "n.dat": data}, recording.Options{}, recording.ErrAmbiguous, "spo2=NUMBER"},
		{"standard input", one("- 16 10/% 0 0 0 0 0 SpO2"), recording.Options{}, recording.ErrFormat, "beside the header"},
		{"an absolute name", one("/etc/n.dat 16 10/% 0 0 0 0 0 SpO2"), recording.Options{}, recording.ErrFormat, "beside the header"},
		{"a name that leaves the folder", one("../n.dat 16 10/% 0 0 0 0 0 SpO2"), recording.Options{}, recording.ErrFormat, "beside the header"},
		{"a drive", one(`c:\n.dat 16 10/% 0 0 0 0 0 SpO2`), recording.Options{}, recording.ErrFormat, "beside the header"},
		{"format 8", one("n.dat 8 10/% 0 0 0 0 0 SpO2"), recording.Options{}, recording.ErrFormat, `found "8"`},
		{"format 516", one("n.dat 516 10/% 0 0 0 0 0 SpO2"), recording.Options{}, recording.ErrFormat, "convert the record"},
		{"no samples a frame", one("n.dat 16x0 10/% 0 0 0 0 0 SpO2"), recording.Options{}, recording.ErrFormat, "samples per frame"},
		{"a gain of words", one("n.dat 16 ten/% 0 0 0 0 0 SpO2"), recording.Options{}, recording.ErrFormat, "gain"},
		{"a baseline left open", one("n.dat 16 10(3/% 0 0 0 0 0 SpO2"), recording.Options{}, recording.ErrFormat, "baseline"},
		{"frequency 0", files{"n.hea": "n 1 0 2\nn.dat 16 10/% 0 0 0 0 0 SpO2\n", "n.dat": data}, recording.Options{}, recording.ErrFormat, "sampling frequency"},
		{"a month first", files{"n.hea": "n 1 1 2 22:00:00 11/24/2026\nn.dat 16 10/% 0 0 0 0 0 SpO2\n", "n.dat": data}, recording.Options{}, recording.ErrFormat, "DD/MM/YYYY"},
		{"hour 24", files{"n.hea": "n 1 1 2 24:00:00\nn.dat 16 10/% 0 0 0 0 0 SpO2\n", "n.dat": data}, recording.Options{}, recording.ErrFormat, "base time"},
		{"a signal line less", files{"n.hea": "n 2 1 2\nn.dat 16 10/% 0 0 0 0 0 SpO2\n", "n.dat": data}, recording.Options{}, recording.ErrFormat, "expected 2; found 1"},
		{"an empty signal file", files{"n.hea": "n 1 1 2\nn.dat 16 10/% 0 0 0 0 0 SpO2\n", "n.dat": ""}, recording.Options{}, recording.ErrFormat, "at least one frame"},
		{"two formats in one file", files{"n.hea": "n 2 1 1\nn.dat 16 10/% 0 0 0 0 0 SpO2\nn.dat 80 1/bpm 0 0 0 0 0 PR\n", "n.dat": data}, recording.Options{}, recording.ErrFormat, "the format of the other signals"},
		{"keys for text", one("n.dat 16 10/% 0 0 0 0 0 SpO2"), recording.Options{Columns: "time=1"}, recording.ErrOptions, "spo2, pulse and unit"},
		{"segments that share a signal file", files{"n.hea": "n/2 1 1 4\na 2\nb 2\n", "a.hea": "a 1 1 2\nn.dat 16 10/% 0 0 0 0 0 SpO2\n", "b.hea": "b 1 1 2\nn.dat 16 10/% 0 0 0 0 0 SpO2\n", "n.dat": data}, recording.Options{}, recording.ErrFormat, "a file of its own"},
		{"segments of two gains", files{"n.hea": "n/2 1 1 4\na 2\nb 2\n", "a.hea": "a 1 1 2\na.dat 16 10/% 0 0 0 0 0 SpO2\n", "b.hea": "b 1 1 2\nb.dat 16 5/% 0 0 0 0 0 SpO2\n", "a.dat": data, "b.dat": data}, recording.Options{}, recording.ErrFormat, "segments before"},
		{"segments within segments", files{"n.hea": "n/1 1 1 4\na 2\n", "a.hea": "a/1 1 1 2\nb 2\n"}, recording.Options{}, recording.ErrFormat, "one of further segments"},
		{"gaps alone", files{"n.hea": "n/1 1 1 4\n~ 4\n"}, recording.Options{}, recording.ErrNoSpO2, "a segment with samples"},
		{"a gap of ages", files{"n.hea": "n/2 1 1 4\n~ 999999999999999\na 1\n"}, recording.Options{}, recording.ErrFormat, "500000000 s"},
		{"a million signals", files{"n.hea": "n 1000000 1 2\nn.dat 16 10/% 0 0 0 0 0 SpO2\n", "n.dat": data}, recording.Options{}, recording.ErrFormat, "1 to 256"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r, err := readRecord(c.files, c.opt)
			isRefused(t, r, err, c.class, c.says)
		})
	}
	// A signal file alone is bytes of no known kind.
	r, err := recording.ReadBytes([]byte(data), recording.Options{})
	isRefused(t, r, err, recording.ErrFormat, "its header is needed")
}

// isRefused holds what every refusal keeps: nil, a class, and all its parts.
func isRefused(t *testing.T, r *recording.Recording, err error, class error, says string) {
	t.Helper()
	if r != nil || !errors.Is(err, class) {
		t.Fatalf("got %v, %v; want an error of class %v", r, err, class)
	}
	if !strings.Contains(err.Error(), says) {
		t.Errorf("%q does not say %q", err, says)
	}
	var f *recording.FormatError
	if !errors.As(err, &f) || f.Expected.String() == "" || f.Found.String() == "" || f.Mend.String() == "" {
		t.Errorf("%v lacks what was expected, found, or the mend", err)
	}
}

// TestDamage cuts each kind of file at every byte and flips a bit of every
// byte: the answer is a clean refusal, or a recording whose figures are in
// range. The fuzz targets go on from there.
func TestDamage(t *testing.T) {
	rows := expand(t, "95 NA 88 +8 90", 8)
	for _, w := range writers {
		if !w.carries(rows) || w.name == "xlsx" || w.name == "text" || w.name == "EDF+D" {
			continue // a workbook takes long; the others have tests of their own
		}
		whole := w.write(t, rows)
		probe := func(data []byte) {
			r, err := recording.ReadBytes(data, recording.Options{})
			if (r == nil) == (err == nil) {
				t.Fatalf("%s: recording %v with error %v", w.name, r, err)
			}
			if r != nil {
				inRange(t, r)
			}
		}
		for n := range whole {
			probe(whole[:n])
			b := bytes.Clone(whole)
			b[n] ^= 1 << (n % 8)
			probe(b)
		}
	}
}

// inRange holds what a Recording promises.
func inRange(t *testing.T, r *recording.Recording) {
	t.Helper()
	if len(r.Time) == 0 || len(r.SpO2) != len(r.Time) || r.Pulse != nil && len(r.Pulse) != len(r.Time) || r.PerSecond <= 0 || r.SpO2Scale.Den <= 0 {
		t.Fatalf("columns of %d, %d and %d samples, %d ticks a second", len(r.Time), len(r.SpO2), len(r.Pulse), r.PerSecond)
	}
	for i, c := range r.SpO2 {
		if c != recording.NoReading && (r.SpO2Scale.Num(c) < 0 || r.SpO2Scale.Num(c) > 100*r.SpO2Scale.Den) {
			t.Fatalf("sample %d is %v", i, r.SpO2Scale.Rat(c))
		}
		if i > 0 && len(r.Breaks) == 0 && r.Time[i] < r.Time[i-1] {
			t.Fatalf("time falls at sample %d", i)
		}
		r.Stamp(r.Time[i], i)
	}
	for i := 1; i < len(r.Breaks); i++ {
		if r.Breaks[i] <= r.Breaks[i-1] {
			t.Fatal("breaks out of order")
		}
	}
}
