package rules

import (
	"fmt"
	"testing"

	"airwarrant/rules/wording"
)

// A stamp keeps its time of day, its offset and the name of its zone, whatever
// letters they have; what begins with no day stays as it is.
func TestStampKeepsItsTime(t *testing.T) {
	l := Language{Day: func(d Date) string { return fmt.Sprintf("day %d of %d/%d", d.Day, d.Month, d.Year) }}
	for stamp, want := range map[string]string{
		"2024-03-13":                "day 13 of 3/2024",
		"2024-03-13T22:01:02":       "day 13 of 3/2024 22:01:02",
		"2024-03-13T22:01:02+01:00": "day 13 of 3/2024 22:01:02+01:00",
		"2024-03-13 22:01 UTC":      "day 13 of 3/2024 22:01 UTC",
		"22:01:02":                  "22:01:02",
		"2024-13-03 22:01 UTC":      "2024-13-03 22:01 UTC",
		"":                          "",
	} {
		if got := l.Stamp(stamp); got != want {
			t.Errorf("%q is written %q, want %q", stamp, got, want)
		}
	}
	if got := (Language{}).Stamp("2024-03-13 22:01 UTC"); got != "2024-03-13 22:01 UTC" {
		t.Errorf("without days for people it is written %q", got)
	}
}

// What a command line takes is in no language's words.
func TestTellLeavesOutWhatIsTyped(t *testing.T) {
	said := wording.Said("%s.", wording.Said("say which one%s", wording.Typed(": --columns spo2=2")))
	spanish := Language{Said: func(string) (string, bool) { return "diga cuál%s", true }}
	if got := (Language{}).Tell(said); got != "say which one." {
		t.Errorf("English says %q", got)
	}
	if got := spanish.Tell(said.Args[0].(wording.Text)); got != "diga cuál" {
		t.Errorf("Spanish says %q", got)
	}
}
