package qualify_test

import (
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"airwarrant/qualify"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/recording"
)

// TestStampsFindTheirSamples copies stamps as measure prints them from every
// recording of testdata that is read without an answer, and expects the very
// samples between the two, whatever the recording's clock counts.
func TestStampsFindTheirSamples(t *testing.T) {
	names, err := filepath.Glob("../testdata/recordings/*.*")
	if err != nil {
		t.Fatal(err)
	}
	r := rand.New(rand.NewPCG(7, 5))
	clocks := map[recording.ClockKind]int{}
	for _, path := range names {
		data, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		zones := []string{"", "Europe/Berlin"}
		for _, zone := range zones {
			res, err := qualify.Measure(qualify.Source{Name: path, Data: data, Read: recording.Options{Zone: zone}}, 0, qualify.Query{}.Analysis)
			if err != nil || len(res.Readings[0].Recording.Breaks) > 0 {
				continue // refused, or the clock tells a time twice
			}
			rd := res.Readings[0]
			rec := rd.Recording
			for n, s := range rd.Sessions {
				for range 20 {
					i := s.From + r.IntN(s.To-s.From)
					j := i + r.IntN(s.To-i)
					if rec.Time[i] == rec.Time[j] || rec.Clock == recording.ClockTimeOfDay && rec.Time[s.To-1]-rec.Time[s.From] >= 86400*rec.PerSecond {
						continue
					}
					from, until := rec.Stamp(rec.Time[i], i), rec.Stamp(rec.Time[j], j)
					want := recording.Session{From: i, To: j}
					for want.From > s.From && rec.Time[want.From-1] == rec.Time[i] {
						want.From--
					}
					for want.To > want.From && rec.Time[want.To-1] == rec.Time[j] {
						want.To--
					}
					got, number, err := rd.Stretch(criteria.RecordingRole{Role: criteria.RoleRestAir, From: from, Until: until}, rd.Numbers[n])
					if err != nil || got != want || number != rd.Numbers[n] {
						t.Fatalf("%s, zone %q, %s to %s: expected samples %v of session %d, found %v of %d, %v", path, zone, from, until, want, rd.Numbers[n], got, number, err)
					}
					clocks[rec.Clock]++
				}
			}
		}
	}
	for _, kind := range []recording.ClockKind{recording.ClockWall, recording.ClockInstant, recording.ClockTimeOfDay, recording.ClockElapsed} {
		if clocks[kind] == 0 {
			t.Errorf("no recording of the clock kind %d was tried: %v", kind, clocks)
		}
	}
}
