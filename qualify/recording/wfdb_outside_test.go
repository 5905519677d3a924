//go:build outside

package recording_test

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"airwarrant/qualify/recording"
)

// An independent reader: wfdb 0.0.9 (npm, ISC). It reads values of formats 16,
// 80 and 212 rightly, and the no-sample code of format 16 alone; those of 80
// and 212 come out as numbers (measurement reference, section 5.2), so only
// readings are compared there.
const wfdbProgram = `
const WFDB = require(process.argv[1]);
const rows = [];
let header;
new WFDB(new WFDB.FileLocator(process.argv[2] + '/')).readHeaderAndData('n')
  .on('error', e => { console.error(e); process.exit(1); })
  .on('header', h => { header = h; })
  .on('data', d => rows.push([d[0], d[1]]))
  .on('end', () => console.log(JSON.stringify({frequency: header.sampling_frequency, rows})));
`

func TestWFDBOutside(t *testing.T) {
	module, err := filepath.Abs("../../.build/npm/node_modules/wfdb")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(module); err != nil {
		t.Fatalf("%v; install it with make tools", err)
	}
	for _, format := range []string{"16", "80", "212"} {
		gain := int32(10)
		if format == "80" {
			gain = 1
		}
		var samples []int32
		for i := range int32(60) {
			v := (80 + i%17) * gain
			if gain == 10 {
				v += i % 10
			}
			if i%13 == 5 {
				v = noSample[format]
			}
			samples = append(samples, v, 60+i%9)
		}
		f := files{
			"n.hea": fmt.Sprintf("n 2 0.25 60 22:14:00 1/3/2026\nn.dat %s %d(0)/%% 12 0 %d %d 0 SpO2\nn.dat %s 1(0)/bpm 12 0 60 %d 0 Pulse\n",
				format, gain, samples[0], checksum(samples, 0, 2), format, checksum(samples, 1, 2)),
			"n.dat": string(packSamples(format, samples)),
		}
		dir := t.TempDir()
		for name, data := range f {
			if err := os.WriteFile(filepath.Join(dir, name), []byte(data), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		cmd := exec.Command("node", "--no-deprecation", "-e", wfdbProgram, module, dir)
		out, err := cmd.Output()
		if err != nil {
			t.Fatalf("format %s: the independent reader failed: %v\n%s\nInstall it with make tools", format, err, out)
		}
		var want struct {
			Frequency float64
			Rows      [][2]*float64
		}
		if err := json.Unmarshal(out, &want); err != nil {
			t.Fatalf("format %s: %v\n%s", format, err, out)
		}
		r, err := readRecord(f, recording.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if len(want.Rows) != len(r.Time) || want.Frequency != 0.25 || r.Time[1]-r.Time[0] != 4*r.PerSecond {
			t.Fatalf("format %s: %d samples, the independent reader has %d at %g Hz", format, len(r.Time), len(want.Rows), want.Frequency)
		}
		compared := 0
		for i, row := range want.Rows {
			if r.SpO2[i] == recording.NoReading {
				if format == "16" && row[0] != nil {
					t.Errorf("sample %d has no reading, the independent reader has %g", i, *row[0])
				}
			} else if got, _ := r.SpO2Scale.Rat(r.SpO2[i]).Float64(); row[0] == nil || math.Abs(got-*row[0]) > 1e-9 {
				t.Errorf("format %s: saturation %d is %g, the independent reader has %v", format, i, got, row[0])
			} else {
				compared++
			}
			if got, _ := r.PulseScale.Rat(r.Pulse[i]).Float64(); row[1] == nil || got != *row[1] {
				t.Errorf("format %s: pulse %d is %g, the independent reader has %v", format, i, got, row[1])
			}
		}
		if compared != 55 {
			t.Errorf("format %s: %d saturations compared, want 55", format, compared)
		}
	}
}
