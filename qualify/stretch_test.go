package qualify_test

import (
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

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

// TestTimesOfDayInReverse: a stretch of times of day passes midnight only where
// the recording does. Ends that were exchanged must not turn into the rest of
// the recording: the resting leg would hold the walk.
func TestTimesOfDayInReverse(t *testing.T) {
	for _, c := range []struct {
		start, from, until string
		samples            int // 0: refused
	}{
		{"2026-03-01T10:00:00", "10:02:00", "10:05:00", 180},
		{"2026-03-01T10:00:00", "10:02:00", "10:00:00", 0},
		{"2026-03-01T10:00:00", "10:02:00", "00:00:00", 480}, // until midnight, and the recording ends before
		{"2026-03-01T23:57:00", "23:59:00", "00:02:00", 180},
		{"2026-03-01T23:57:00", "23:57:00", "00:20:00", 600},
		{"2026-03-01T23:57:00", "00:02:00", "23:59:00", 0},
		{"2026-03-01T23:57:00", "00:02:00", "00:01:00", 0},
		{"2026-03-01T23:50:00", "23:55:00", "00:00:00", 300},
		{"2026-03-01T23:50:00", "23:55:00", "23:54:00", 0},
	} {
		first, err := time.Parse("2006-01-02T15:04:05", c.start)
		if err != nil {
			t.Fatal(err)
		}
		text := "Time,SpO2,Pulse\n"
		for i := range 600 {
			text += fmt.Sprintf("%s,%d,%d\n", first.Add(time.Duration(i)*time.Second).Format("2006-01-02 15:04:05"), 92+i%3, 70+i%5)
		}
		res, err := qualify.Measure(qualify.Source{Name: "walk", Data: []byte(text)}, 0, qualify.Query{}.Analysis)
		if err != nil {
			t.Fatal(err)
		}
		got, _, err := res.Readings[0].Stretch(criteria.RecordingRole{Role: criteria.RoleRestAir, From: c.from, Until: c.until}, 0)
		if (err != nil) != (c.samples == 0) || err == nil && got.To-got.From != c.samples || err != nil && !strings.Contains(err.Error(), "exchange the two") {
			t.Errorf("from %s, %s to %s: expected %d samples, found %v, %v", c.start, c.from, c.until, c.samples, got, err)
		}
	}
}
