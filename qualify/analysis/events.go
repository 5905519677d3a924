package analysis

import "math/big"

// The case definition of a desaturation event (measurement reference, section
// 3.4; our choice, as no published standard fixes one): the baseline is the
// highest usable value in the 120 s before, since the last event; an event
// opens at the first value at least depth points under it, closes at a value
// within 1 point of the baseline or at least 3 points above its lowest, or at
// more than 30 s without a reading, or at the end; it counts if it lasted at
// least 10 s. An event that turns out too short still ends the search for a
// baseline before it.
const (
	baselineSeconds    = 120
	silenceSeconds     = 30
	eventSeconds       = 10
	nearBaselinePoints = 1
	recoveryPoints     = 3
)

// events counts the events of a depth. The bounds are the least and greatest
// count over three ways to take the readings: plausible ones (the count
// itself), undoubted ones alone, and all numbers.
func (a *Analysis) events(blocks []block, depth int64) Events {
	count := a.count(blocks, depth, reason.plausible)
	strict := a.count(blocks, depth, reason.undoubted)
	loose := a.count(blocks, depth, reason.number)
	e := Events{Depth: depth, Count: count, Low: min(count, strict, loose), High: max(count, strict, loose)}
	if a.Valid > 0 {
		hours := new(big.Rat).Quo(a.Seconds(a.Valid), big.NewRat(3600, 1))
		e.PerHour = new(big.Rat).Quo(new(big.Rat).SetInt64(int64(count)), hours)
	}
	return e
}

// count runs the definition over the admitted blocks. A reading stands until
// the next one, so it is in the window as long as its end is.
func (a *Analysis) count(blocks []block, depth int64, admit func(reason) bool) int {
	type held struct{ end, num int64 }
	var (
		window   []held // falling numbers: the first is the highest
		n        int
		inEvent  bool
		began    int64
		baseline int64
		lowest   int64
		lastEnd  int64 // end of the last admitted reading
	)
	finish := func(at int64) {
		if at-began >= eventSeconds*a.PerSecond {
			n++
		}
		inEvent = false
		window = window[:0]
	}
	for i := range blocks {
		b := &blocks[i]
		if admit(b.why) {
			if inEvent && b.at-lastEnd > silenceSeconds*a.PerSecond {
				finish(lastEnd)
			}
			if inEvent {
				lowest = min(lowest, b.num)
				if b.num >= baseline-nearBaselinePoints*a.Den || b.num >= lowest+recoveryPoints*a.Den {
					finish(b.at)
				}
			} else {
				for len(window) > 0 && window[0].end <= b.at-baselineSeconds*a.PerSecond {
					window = window[1:]
				}
				if len(window) > 0 && b.num <= window[0].num-depth*a.Den {
					inEvent, began, baseline, lowest = true, b.at, window[0].num, b.num
				}
			}
			lastEnd = b.at + b.weight
			if !inEvent {
				for len(window) > 0 && window[len(window)-1].num <= b.num {
					window = window[:len(window)-1]
				}
				window = append(window, held{lastEnd, b.num})
			}
		}
		if b.clock {
			if inEvent {
				finish(lastEnd)
			}
			window = window[:0]
		}
	}
	if inEvent {
		finish(lastEnd)
	}
	return n
}
