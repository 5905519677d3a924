package recording

import (
	"bytes"
	"encoding/binary"
	"time"
)

// firstTrusted is the first year in which the clock of a recorder is believed
// without a warning (our choice: older dates are those of a clock that lost its
// battery).
const firstTrusted = 2005

// noteDefaultClock warns of a date that a clock shows which nobody set: a year
// before 2005, or a session that begins in the first hour of 1 January, where
// such clocks start anew (common practice, no source).
func noteDefaultClock(rec *Recording) {
	if rec.Clock != ClockWall && rec.Clock != ClockInstant {
		return
	}
	for _, s := range rec.Sessions(0) {
		at := floorDiv(rec.Time[s.From], rec.PerSecond)
		for _, c := range rec.Offsets {
			if c.From > s.From {
				break
			}
			at = floorDiv(rec.Time[s.From], rec.PerSecond) + int64(c.Seconds)
		}
		t := time.Unix(at, 0).UTC()
		if t.Year() < firstTrusted || t.YearDay() == 1 && t.Hour() == 0 {
			rec.Warnings = append(rec.Warnings, warning(WarnClockDefault,
				"The recording is dated %s, as a clock shows it that nobody set: durations hold, the date may be wrong.", t.Format("2006-01-02")))
			return
		}
	}
}

// bareUTF16 tells whether data looks like UTF-16 without a byte order mark,
// and which byte comes first: one byte of nearly every pair is zero and
// hardly any of the other.
func bareUTF16(data []byte) (binary.ByteOrder, bool) {
	head := data[:min(len(data), 4096)&^1]
	var zero [2]int
	for i, c := range head {
		if c == 0 {
			zero[i&1]++
		}
	}
	pairs := len(head) / 2
	switch {
	case pairs < 4:
		return nil, false
	case 10*zero[1] > 8*pairs && 20*zero[0] < pairs:
		return binary.LittleEndian, true
	case 10*zero[0] > 8*pairs && 20*zero[1] < pairs:
		return binary.BigEndian, true
	}
	return nil, false
}

// trimZeroPairs drops zero characters from the end of UTF-16, as a write that
// was cut off leaves them. The zero byte of a last character is kept.
func trimZeroPairs(data []byte) []byte {
	n := len(data) &^ 1
	for n >= 2 && bytes.Equal(data[n-2:n], []byte{0, 0}) {
		n -= 2
	}
	return data[:n]
}
