//go:build outside

package recording_test

import (
	"encoding/json"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"airwarrant/qualify/recording"
)

// An independent reader: the C library libedf 1.23 (Debian package
// libedf-dev, BSD-2-Clause). It refuses EDF+D, an unknown record count and
// files that are cut short, and clips digital values to their limits, so only
// what it reads rightly is compared (measurement reference, section 5.1).
const edflibProgram = `
#include <stdio.h>
#include <stdlib.h>
#include <edflib.h>

int main(int argc, char **argv) {
  static struct edf_hdr_struct h;
  if (argc != 2 || edfopen_file_readonly(argv[1], &h, EDFLIB_READ_ALL_ANNOTATIONS)) {
    fprintf(stderr, "refused: %d\n", h.filetype);
    return 1;
  }
  printf("{\"filetype\":%d,\"start\":\"%04d-%02d-%02dT%02d:%02d:%02d\",\"subsecond\":%lld,\"signals\":[", h.filetype,
    h.startdate_year, h.startdate_month, h.startdate_day, h.starttime_hour, h.starttime_minute, h.starttime_second,
    h.starttime_subsecond);
  for (int s = 0; s < h.edfsignals; s++) {
    long long n = h.signalparam[s].smp_in_file;
    double *buf = malloc(n * sizeof *buf);
    if (!buf || edfread_physical_samples(h.handle, s, n, buf) != n) return 1;
    printf("%s[", s ? "," : "");
    for (long long i = 0; i < n; i++) printf("%s%.17g", i ? "," : "", buf[i]);
    printf("]");
    free(buf);
  }
  printf("],\"annotations\":[");
  for (long long i = 0; i < h.annotations_in_file; i++) {
    struct edf_annotation_struct a;
    if (edf_get_annotation(h.handle, i, &a)) return 1;
    printf("%s{\"onset\":%lld,\"text\":\"%s\"}", i ? "," : "", a.onset, a.annotation);
  }
  printf("]}");
  return edfclose_file(h.handle);
}
`

// outsideEDF is what the program prints. Onsets and subsecond count 100 ns;
// onsets are counted from the start with its subsecond.
type outsideEDF struct {
	Filetype    int
	Start       string
	Subsecond   int64
	Signals     [][]float64
	Annotations []struct {
		Onset int64
		Text  string
	}
}

func buildOutside(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	source, program := filepath.Join(dir, "read.c"), filepath.Join(dir, "read")
	if err := os.WriteFile(source, []byte(edflibProgram), 0o600); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command("cc", "-O1", "-o", program, source, "-ledf").CombinedOutput(); err != nil {
		t.Fatalf("building a program with libedf: %v\n%s\nInstall a C compiler and libedf, for example: apt-get install gcc libc6-dev libedf-dev", err, out)
	}
	return program
}

func TestEDFOutside(t *testing.T) {
	program := buildOutside(t)
	events := plusEDF("EDF+C", tal("+0", "+3.5", "lights off"), tal("+10", "+12.25\x151.5", "änd"), tal("+20", "+25", "lights on"))
	subsecond := plusEDF("EDF+C", tal("+0.25", "+3.5", "lights off"), tal("+10.25"), tal("+20.25"))
	slow := plainEDF()
	slow.duration = "2.5"
	inverted := plainEDF()
	inverted.signals[0].pmin, inverted.signals[0].pmax = "100", "0"
	inverted.signals[0].data = samples(10, concat(times(15, 120), times(15, 50))...)
	wide := plainEDF()
	wide.signals[0].dmin, wide.signals[0].dmax = "-32768", "32767"
	wide.signals[0].data = samples(10, concat(times(15, 24902), times(15, 29491))...)
	for name, f := range map[string]edfFile{
		"EDF": plainEDF(), "EDF+C with events": events, "sub-second start": subsecond,
		"records of 2.5 s": slow, "inverted range": inverted, "16 bits": wide,
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "f.edf")
			if err := os.WriteFile(path, f.bytes(), 0o600); err != nil {
				t.Fatal(err)
			}
			out, err := exec.Command(program, path).Output()
			if err != nil {
				t.Fatalf("libedf does not read the file: %v", err)
			}
			var want outsideEDF
			if err := json.Unmarshal(out, &want); err != nil {
				t.Fatal(err)
			}
			r := read(t, f)

			start, err := time.Parse("2006-01-02T15:04:05", want.Start)
			if err != nil {
				t.Fatal(err)
			}
			first := start.Unix()*r.PerSecond + want.Subsecond*r.PerSecond/10_000_000
			if r.Time[0] != first {
				t.Errorf("starts at %d of 1/%d s, libedf has %d", r.Time[0], r.PerSecond, first)
			}
			if (r.Format == recording.FormatEDF) != (want.Filetype == 0) {
				t.Errorf("format %s, libedf has type %d", r.Format, want.Filetype)
			}
			compare := func(what string, codes []int32, scale recording.Scale, want []float64) {
				if len(codes) != len(want) {
					t.Fatalf("%d values of %s, libedf has %d", len(codes), what, len(want))
				}
				for i, c := range codes {
					// Half a digital step is what the snap to whole percents moves.
					step := math.Abs(float64(scale.Mul)) / float64(scale.Den)
					if got, _ := scale.Rat(c).Float64(); math.Abs(got-want[i]) > step/2+1e-9 {
						t.Errorf("%s %d is %v, libedf has %v", what, i, got, want[i])
					}
				}
			}
			compare("saturation", r.SpO2, r.SpO2Scale, want.Signals[0])
			compare("pulse", r.Pulse, r.PulseScale, want.Signals[1])

			if len(r.Annotations) != len(want.Annotations) {
				t.Fatalf("annotations %+v, libedf has %+v", r.Annotations, want.Annotations)
			}
			for i, a := range want.Annotations {
				at := first + a.Onset*r.PerSecond/10_000_000
				if got := r.Annotations[i]; got.At != at || got.Text != a.Text {
					t.Errorf("annotation %d is %+v, libedf has %q at %d", i, got, a.Text, at)
				}
			}
		})
	}
}
