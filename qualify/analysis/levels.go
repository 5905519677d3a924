package analysis

import (
	"math"
	"math/big"
	"slices"
)

// summarise fills every measure of a that follows from the blocks alone:
// all but recorded and missing time, interval and warnings.
func (a *Analysis) summarise(blocks []block) {
	values, rank := ranks(blocks)
	hist := make([]weights, len(values))
	for i := range blocks {
		b := &blocks[i]
		if !b.told && b.why != 0 && !b.why.missing() {
			a.Unjudged += b.weight
		}
		switch {
		case b.why.missing():
			continue
		case b.why.undoubted():
			hist[rank[i]].undoubted += b.weight
		case b.why.plausible():
			hist[rank[i]].doubted += b.weight
		default:
			hist[rank[i]].implausible += b.weight
		}
	}
	for _, h := range hist {
		a.Valid += h.undoubted + h.doubted
		a.Suspect += h.doubted
	}
	a.Levels = levels(blocks, values, rank, hist)
	a.extremes(blocks)
	a.ends(blocks)
	a.Mean = means(values, hist, a.Den)
	a.Events = []Events{a.events(blocks, 3), a.events(blocks, 4)}
	a.Spans = a.spans(blocks)
}

// weights is the time that one value holds, by how its readings count.
type weights struct {
	undoubted, doubted, implausible int64
}

// ranks returns the distinct numbers in ascending order, and for each block
// the place of its number in them; -1 if it has none.
func ranks(blocks []block) (values []int64, rank []int32) {
	place := map[int64]int32{}
	for i := range blocks {
		if b := &blocks[i]; b.why.number() {
			place[b.num] = 0
		}
	}
	values = make([]int64, 0, len(place))
	for v := range place {
		values = append(values, v)
	}
	slices.Sort(values)
	for i, v := range values {
		place[v] = int32(i)
	}
	rank = make([]int32, len(blocks))
	for i := range blocks {
		rank[i] = -1
		if b := &blocks[i]; b.why.number() {
			rank[i] = place[b.num]
		}
	}
	return values, rank
}

// levels sums the time at or below each value and finds the longest runs.
func levels(blocks []block, values []int64, rank []int32, hist []weights) []Level {
	out := make([]Level, len(values))
	var t Triple
	for i, h := range hist {
		t.Low += h.undoubted
		t.Value += h.undoubted + h.doubted
		t.High += h.undoubted + h.doubted + h.implausible
		out[i] = Level{Num: values[i], AtOrBelow: t}
	}

	// order lists the blocks that have a number by ascending rank; the blocks
	// of rank r are order[start[r]:start[r+1]].
	start := make([]int, len(values)+1)
	for _, r := range rank {
		if r >= 0 {
			start[r+1]++
		}
	}
	for r := range values {
		start[r+1] += start[r]
	}
	order := make([]int32, start[len(values)])
	fill := slices.Clone(start)
	for i, r := range rank {
		if r >= 0 {
			order[fill[r]] = int32(i)
			fill[r]++
		}
	}
	before := make([]int64, len(blocks)+1)
	for i := range blocks {
		before[i+1] = before[i] + blocks[i].weight
	}
	r := runs{blocks: blocks, before: before, order: order, start: start, ends: make([]int32, len(blocks))}
	r.grow(reason.undoubted, func(i int, best int64) { out[i].Longest.Low = best })
	r.grow(reason.plausible, func(i int, best int64) { out[i].Longest.Value = best })
	r.grow(reason.number, func(i int, best int64) { out[i].Longest.High = best })
	return out
}

// runs finds the longest runs at or below every value in one sweep.
type runs struct {
	blocks []block
	before []int64 // time before each block
	order  []int32 // blocks by ascending value
	start  []int   // where each value begins in order
	ends   []int32 // scratch: see grow
}

// grow adds the admitted blocks value by value, from the lowest up, and joins
// each with its neighbours that are already in and not cut off. A run is an
// interval of blocks, so it is enough to keep, at either end of it, where the
// other end lies (plus one; 0 is a block that is not in). After each value the
// longest run so far goes to set. Linear in the number of blocks.
func (r *runs) grow(admit func(reason) bool, set func(value int, best int64)) {
	clear(r.ends)
	var best int64
	for v := 0; v+1 < len(r.start); v++ {
		for _, at := range r.order[r.start[v]:r.start[v+1]] {
			b := int(at)
			if !admit(r.blocks[b].why) {
				continue
			}
			from, to := b, b
			if b > 0 && r.ends[b-1] != 0 && !r.blocks[b-1].cut {
				from = int(r.ends[b-1]) - 1
			}
			if b+1 < len(r.ends) && r.ends[b+1] != 0 && !r.blocks[b].cut {
				to = int(r.ends[b+1]) - 1
			}
			r.ends[b] = at + 1 // in, also where it becomes an inner block
			r.ends[from], r.ends[to] = int32(to)+1, int32(from)+1
			best = max(best, r.before[to+1]-r.before[from])
		}
		set(v, best)
	}
}

// extremes sets nadir and peak.
func (a *Analysis) extremes(blocks []block) {
	low, value, high, peak := -1, -1, -1, -1
	lower := func(best *int, i int) {
		if *best < 0 || blocks[i].num < blocks[*best].num {
			*best = i
		}
	}
	for i := range blocks {
		w := blocks[i].why
		if w.number() {
			lower(&low, i)
		}
		if w.plausible() {
			lower(&value, i)
			if peak < 0 || blocks[i].num > blocks[peak].num {
				peak = i
			}
		}
		if w.undoubted() {
			lower(&high, i)
		}
	}
	rat := func(i int) *big.Rat {
		if i < 0 {
			return nil
		}
		return big.NewRat(blocks[i].num, a.Den)
	}
	a.Nadir = Bounded{Low: rat(low), Value: rat(value), High: rat(high)}
	a.Peak = rat(peak)
	if value >= 0 {
		a.Nadir.At, a.Nadir.AtIndex = blocks[value].at, blocks[value].first
	}
}

// sum is a weighted sum of numbers and the weight, exact.
type sum struct {
	num, weight big.Int
	x, y        big.Int // scratch
}

func (s *sum) add(num, weight int64) {
	s.y.SetInt64(weight)
	s.weight.Add(&s.weight, &s.y)
	s.num.Add(&s.num, s.x.Mul(s.x.SetInt64(num), &s.y))
}

// above returns the sign of num minus the mean of s; s must not be empty.
func (s *sum) above(num int64) int {
	return s.x.Mul(s.x.SetInt64(num), &s.weight).Cmp(&s.num)
}

func (s *sum) mean(den int64) *big.Rat {
	if s.weight.Sign() == 0 {
		return nil
	}
	return new(big.Rat).SetFrac(&s.num, new(big.Int).Mul(&s.weight, big.NewInt(den)))
}

// means returns the time-weighted mean of the plausible readings, and the
// least and greatest mean over all ways to keep or drop doubted readings.
//
// The least mean is found by keeping doubted values from the lowest up as
// long as the next one lies below the mean so far. That is exact: in the best
// choice, with mean m, every kept doubted value is at most m (dropping one
// above m would lower it) and every dropped one at least m (keeping one below
// would lower it), so the best choice is some lowest values, up to ones equal
// to m that change nothing. Going up, as long as the next value is below the
// mean, keeping it lowers the mean; once one is not, the mean stays at or
// below that value and so at or below all later ones, and keeping any of them
// cannot lower it. So the first stop is the least. The greatest mean is the
// mirror image. Where nothing is undoubted, one reading must be kept: the
// bounds are then the lowest and the highest doubted value.
func means(values []int64, hist []weights, den int64) Bounded {
	var all, low, high sum
	for i, h := range hist {
		if h.undoubted > 0 {
			low.add(values[i], h.undoubted)
			high.add(values[i], h.undoubted)
		}
		if w := h.undoubted + h.doubted; w > 0 {
			all.add(values[i], w)
		}
	}
	for i, h := range hist {
		if h.doubted == 0 {
			continue
		}
		if low.weight.Sign() > 0 && low.above(values[i]) >= 0 {
			break
		}
		low.add(values[i], h.doubted)
	}
	for i := len(hist) - 1; i >= 0; i-- {
		if hist[i].doubted == 0 {
			continue
		}
		if high.weight.Sign() > 0 && high.above(values[i]) <= 0 {
			break
		}
		high.add(values[i], hist[i].doubted)
	}
	return Bounded{Low: low.mean(den), Value: all.mean(den), High: high.mean(den)}
}

// spans lists what is missing, implausible or doubted, in order. Neighbours
// of one kind and reason are one span; a gap is a span without samples.
func (a *Analysis) spans(blocks []block) []Span {
	var out []Span
	words := map[reason]string{}
	open := false // the last span reaches up to the next block
	for i, b := range blocks {
		end := a.FirstIndex + a.Count
		if i+1 < len(blocks) {
			end = blocks[i+1].first
		}
		if b.why == 0 {
			open = false
		} else {
			text, ok := words[b.why]
			if !ok {
				text = a.Rules.words(b.why)
				words[b.why] = text
			}
			lowest := int64(math.MaxInt64)
			if b.why.number() {
				lowest = b.num
			}
			if l := len(out) - 1; open && out[l].Kind == b.why.kind() && out[l].Reason == text {
				out[l].To, out[l].ToTick = end, b.at+b.weight
				out[l].LowestNum = min(out[l].LowestNum, lowest)
			} else {
				out = append(out, Span{From: b.first, To: end, FromTick: b.at, ToTick: b.at + b.weight,
					Kind: b.why.kind(), Reason: text, LowestNum: lowest})
			}
			open = true
		}
		if b.cut {
			open = false
			if i+1 < len(blocks) && !b.clock && blocks[i+1].at > b.at+b.weight {
				out = append(out, Span{From: end, To: end, FromTick: b.at + b.weight, ToTick: blocks[i+1].at,
					Kind: SpanMissing, Reason: "no record", LowestNum: math.MaxInt64})
			}
		}
	}
	return out
}
