package recording

import (
	"fmt"
	"slices"
	"testing"

	"airwarrant/rules/wording"
)

// TestOnly takes one session out of a recording of three, with marks, breaks
// and offsets before, in and after it.
func TestOnly(t *testing.T) {
	r := &Recording{SHA256: "ab", Clock: ClockInstant, PerSecond: 1,
		Time: []int64{100, 104, 9000, 9004, 8990, 9010, 20000}, SpO2: []int32{90, 91, 92, 93, 94, 95, 96}, Pulse: []int32{60, 61, 62, 63, 64, 65, 66},
		Flags: []Flag{0, 0, FlagWeak, 0, FlagOverlap, 0, 0}, Breaks: []int{2, 4, 6},
		Offsets:     []OffsetChange{{0, 3600}, {1, 0}, {3, 7200}, {6, 3600}},
		Annotations: []Annotation{{100, "lights out of another"}, {9004, "sensor moved"}, {20000, "end of another"}},
		Codes:       []Count{{"spo2", "127", 9}}, Declared: []Declaration{{"equipment", "x", wording.Said("line %d", 1)}},
		Warnings: []Warning{warning(WarnClockDefault, "dated by another"), warning(WarnSeveralPersons, "several")}}
	before := fmt.Sprintf("%+v", *r)
	o := r.Only(Session{2, 6})
	if got, want := fmt.Sprint(o.Time, o.SpO2, o.Pulse, o.Flags, o.Breaks, o.Offsets, o.Annotations, o.Codes), fmt.Sprint([]int64{9000, 9004, 8990, 9010}, []int32{92, 93, 94, 95}, []int32{62, 63, 64, 65},
		[]Flag{FlagWeak, 0, FlagOverlap, 0}, []int{2}, []OffsetChange{{0, 0}, {1, 7200}}, []Annotation{{9004, "sensor moved"}}, []Count{}); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	// 9000 s after the epoch lies in 1970, which no recorder's clock shows.
	if len(o.Warnings) != 2 || o.Warnings[0].Code != WarnSeveralPersons || o.Warnings[1].Code != WarnClockDefault || o.Warnings[1].Text == "dated by another" {
		t.Errorf("warnings %v", o.Warnings)
	}
	if o.SHA256 != "ab" || len(o.Declared) != 1 {
		t.Errorf("what the file says of itself is lost: %+v", o)
	}
	for i := range o.Time {
		if a, b := o.Stamp(o.Time[i], i), r.Stamp(r.Time[i+2], i+2); a != b {
			t.Errorf("sample %d is stamped %s, in the whole recording %s", i, a, b)
		}
	}
	o.Time[0], o.SpO2[0] = 0, 0
	if after := fmt.Sprintf("%+v", *r); after != before {
		t.Errorf("the whole recording changed:\n%s\n%s", before, after)
	}
	if bare := (&Recording{PerSecond: 1, Time: []int64{1, 2}, SpO2: []int32{90, 90}}).Only(Session{0, 1}); bare.Pulse != nil || bare.Flags != nil || !slices.Equal(bare.Time, []int64{1}) {
		t.Errorf("got %+v", bare)
	}
}
