package analysis

import (
	"math/big"
	"math/rand/v2"
	"testing"
)

// TestHeldAgainstCounting lays Held beside plain counting, second by second,
// over random profiles: for each whole percent the longest row of seconds at or
// below it, without an unread second.
func TestHeldAgainstCounting(t *testing.T) {
	r := rand.New(rand.NewPCG(10, 26))
	for range 300 {
		var steps []ProfileStep
		type second struct {
			value   int64 // 0: no reading
			doubted bool
		}
		var seconds []second
		for range 1 + r.IntN(12) {
			s, n := second{int64(84 + r.IntN(6)), r.IntN(5) == 0}, 1+r.IntN(9)
			switch r.IntN(8) {
			case 0:
				s.value = 0
			case 1:
				s.value = 45 // no plausible saturation
			}
			step := ProfileStep{Seconds: big.NewRat(int64(n), 1), Doubted: s.doubted}
			if s.value > 0 {
				step.Value = big.NewRat(s.value, 1)
			}
			steps = append(steps, step)
			for range n {
				seconds = append(seconds, s)
			}
		}
		hold := int64(1 + r.IntN(15))
		lowest := func(counts func(second) bool) *big.Rat {
			for level := int64(40); level <= 100; level++ {
				run := int64(0)
				for _, s := range seconds {
					if run++; s.value == 0 || s.value > level || !counts(s) {
						run = 0
					}
					if run >= hold {
						return big.NewRat(level, 1)
					}
				}
			}
			return nil
		}
		got := FromProfile(steps).Held(big.NewRat(hold, 1))
		for _, part := range []struct {
			name      string
			got, want *big.Rat
		}{
			{"low", got.Low, lowest(func(second) bool { return true })},
			{"value", got.Value, lowest(func(s second) bool { return s.value >= 50 })},
			{"high", got.High, lowest(func(s second) bool { return s.value >= 50 && !s.doubted })},
		} {
			if (part.got == nil) != (part.want == nil) || part.got != nil && part.got.Cmp(part.want) != 0 {
				t.Fatalf("held %d s, %s: expected %v, found %v in %v", hold, part.name, part.want, part.got, seconds)
			}
		}
	}
}

// TestHeldWithoutHold: without a time to hold, the lowest reading is the value.
func TestHeldWithoutHold(t *testing.T) {
	a := FromProfile([]ProfileStep{{Value: big.NewRat(91, 1), Seconds: big.NewRat(60, 1)}, {Value: big.NewRat(87, 1), Seconds: big.NewRat(1, 1)}})
	for _, hold := range []*big.Rat{nil, new(big.Rat)} {
		if got := a.Held(hold); got.Value.Cmp(big.NewRat(87, 1)) != 0 {
			t.Errorf("expected 87, found %v", got.Value)
		}
	}
	if a.Initial.Cmp(big.NewRat(91, 1)) != 0 || a.Final.Cmp(big.NewRat(87, 1)) != 0 {
		t.Errorf("first and last: expected 91 and 87, found %v and %v", a.Initial, a.Final)
	}
	if e := FromProfile([]ProfileStep{{Seconds: big.NewRat(5, 1)}}); e.Held(big.NewRat(1, 1)).Value != nil || e.Initial != nil || e.Final != nil {
		t.Error("time without a reading has a value")
	}
}
