package criteria

import (
	"encoding/json"
	"reflect"
	"strings"
	"testing"
)

const otherSHA = "0000000000000000000000000000000000000000000000000000000000000000"

// TestStretches checks what may stand beside each other in a list of
// recordings, and that each fault is told at its item. Stamps of a recording
// without dates are elapsed times or times of day.
func TestStretches(t *testing.T) {
	const sha = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
	item := func(rest string) string { return "- {sha256: " + sha + ", " + rest + "}\n" }
	for _, c := range []struct {
		name, text string
		words      string // of the fault; "" if the list is taken
		line       int
	}{
		{"three legs and the recovery", item("role: rest_air, from: 2026-03-01T10:00:00, until: 2026-03-01T10:05:00") +
			item("role: exertion_air, from: 2026-03-01T10:05:00, until: 2026-03-01T10:11:00") +
			item("role: recovery, from: 2026-03-01T10:11:00, until: 2026-03-01T10:15:00") +
			item("role: exertion_oxygen, from: 2026-03-01T10:15:00, until: 2026-03-01T10:21:00, flow: 2, device: continuous_flow") +
			item("role: recovery, from: 2026-03-01T10:21:00"), "", 0},
		{"elapsed time", item("role: rest_air, until: +0:05:00") + item("role: exertion_air, from: +0:05:00, until: +0:11:00.5"), "", 0},
		{"times of day over midnight", item("role: rest_air, from: '23:55:00', until: '00:01:00'"), "", 0},
		{"stamps with an offset", item("role: rest_air, from: 2026-03-01T10:00:00-05:00, until: 2026-03-01T10:00:00-06:00"), "", 0},
		{"a night of which one stretch is on air", item("role: air, until: 2026-03-01T23:00:00") + item("role: oxygen, from: 2026-03-01T23:00:00"), "", 0},

		{"a shared minute", item("role: rest_air, from: +0:00:00, until: +0:05:00") + item("role: exertion_air, from: +0:04:00, until: +0:11:00"), "that do not overlap", 2},
		{"one inside the other", item("role: recovery, from: +0:01:00, until: +0:02:00") + item("role: exertion_air, from: +0:00:00, until: +0:11:00"), "that do not overlap", 2},
		{"a leg in the whole recording", item("role: rest_air") + item("role: exertion_air, from: +0:05:00"), "that do not overlap", 2},
		{"offsets that overlap", item("role: rest_air, from: 2026-03-01T10:00:00-05:00, until: 2026-03-01T10:05:00-05:00") +
			item("role: exertion_air, from: 2026-03-01T09:04:00-06:00, until: 2026-03-01T09:09:00-06:00"), "that do not overlap", 2},
		{"a leg twice", item("role: exertion_air, until: +0:05:00") + "- {sha256: " + otherSHA + ", role: exertion_air}\n", "each leg once", 2},
		{"air twice", item("role: air, until: +0:05:00") + item("role: air, from: +0:06:00"), "one stretch on room air", 2},
		{"until before from", item("role: rest_air, from: +0:05:00, until: +0:01:00"), "from before until", 1},
		{"no length", item("role: rest_air, from: '10:00:00', until: '10:00:00'"), "from before until", 1},
		{"two forms", item("role: rest_air, from: +0:05:00, until: '10:00:00'"), "two stamps of one form", 1},
		{"an offset on one side", item("role: rest_air, from: 2026-03-01T10:00:00, until: 2026-03-01T10:05:00Z"), "two stamps of one form", 1},
		{"no stamp", item("role: rest_air, from: 5 minutes"), "a stamp such as", 1},
		{"no day", item("role: rest_air, from: 2026-02-30T10:00:00"), "a stamp such as", 1},
		{"flow on air", item("role: rest_air, flow: 2"), "no flow and no device on room air", 1},
		{"no flow", item("role: exertion_oxygen, flow: 0"), "a flow above 0", 1},
		{"flow with a unit", item("role: exertion_oxygen, flow: 2 L/min"), "a flow above 0", 1},
		{"device", item("role: exertion_oxygen, device: conserver"), "conserving", 1},
		{"key", item("role: rest_air, fromm: +0:05:00"), `did you mean "from"?`, 1},
		{"list for a role", item("role: [rest_air]"), "one line of text", 1},
		{"too many", strings.Repeat(item("role: recovery"), maxStretches+1), "at most 100 stretches", 1},
	} {
		f, err := ParseValue("recordings", c.text)
		switch {
		case c.words == "" && err != nil:
			t.Errorf("%s: %v", c.name, err)
		case c.words == "":
			raw, err := json.Marshal(f)
			if err != nil {
				t.Fatal(err)
			}
			var again Fact
			if err := json.Unmarshal(raw, &again); err != nil || !reflect.DeepEqual(f, again) {
				t.Errorf("%s: stored as %s and read as %+v, %v", c.name, raw, again, err)
			}
		case err == nil || !strings.Contains(err.Error(), c.words) || !strings.Contains(err.Error(), "recordings:"+string(rune('0'+c.line))+":"):
			t.Errorf("%s: expected a fault in line %d with %q, found %v", c.name, c.line, c.words, err)
		}
	}
}

// TestStamps checks stamps as measure prints them. 2026-03-01 10:00 UTC is
// 1772359200 s after 1970-01-01 (56 years with 14 leap days, and 59 days: 20513
// days of 86400 s, and ten hours).
func TestStamps(t *testing.T) {
	const at = (20513*86400 + 10*3600) * 1000
	for text, want := range map[string]Stamp{
		"2026-03-01T10:00:00":         {Kind: StampDated, MS: at},
		"2026-03-01T10:00:00.25":      {Kind: StampDated, MS: at + 250},
		"2026-03-01T10:00:00Z":        {Kind: StampDated, MS: at, Zoned: true},
		"2026-03-01T10:00:00.5-05:00": {Kind: StampDated, MS: at + 500, Zoned: true, Offset: -5 * 3600},
		"10:00:01":                    {Kind: StampOfDay, MS: 36001000},
		"+0:06:00":                    {Kind: StampElapsed, MS: 360000},
		"+30:00:00.125":               {Kind: StampElapsed, MS: 108000125},
	} {
		if s, ok := ParseStamp(text); !ok || s != want {
			t.Errorf("%s: expected %+v, found %+v, %v", text, want, s, ok)
		}
	}
	for _, text := range []string{"", "10:00", "24:00:00", "+1:60:00", "0:06:00", "2026-03-01 10:00:00", "2026-02-29T10:00:00", "2026-03-01T10:00:00+5", "2026-03-01T25:00:00", "2026-03-01T10:00:00-99:00"} {
		if s, ok := ParseStamp(text); ok {
			t.Errorf("%q is read as %+v", text, s)
		}
	}
}
