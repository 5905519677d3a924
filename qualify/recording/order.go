package recording

import (
	"slices"
	"sort"

	"airwarrant/rules/wording"
)

// maxNeighbours is how many neighbours a row may be moved past when stamps
// merely transpose (our choice, DEVELOPERS.md "Time").
const maxNeighbours = 10

// maxRepeat is the largest number of rows a second (or a minute, where stamps
// are cut to it) that are spread evenly.
const maxRepeat = 60

// series is a table of rows in file order with their instants. order puts it
// in the order that a Recording promises.
type series struct {
	t      []int64 // ticks
	sat    []int32
	pulse  []int32 // nil without a pulse column
	flags  []Flag
	per    int64        // ticks a second
	dated  bool         // stamps carry full dates
	header map[int]bool // rows that follow a repeated header
	whole  int64        // the unit to which all stamps are cut, in ticks; 0 if finer

	idx      []int32 // rows in their present order
	breaks   []int   // indexes into idx
	warnings []Warning
}

func (s *series) warn(code, format string, args ...any) {
	s.warnings = append(s.warnings, warning(code, format, args...))
}

// at is the instant of the row that stands at position k.
func (s *series) at(k int) int64 { return s.t[s.idx[k]] }

// same tells whether two rows hold the same reading, mark and pulse.
func (s *series) same(a, b int32) bool {
	return s.sat[a] == s.sat[b] && s.flags[a] == s.flags[b] && (s.pulse == nil || s.pulse[a] == s.pulse[b])
}

// order settles copies, repeated stamps, transposed rows, blocks stored newest
// first and steps back of the clock, in that order. Nothing else is sorted.
// zoned says that the wall clock's own shifts are known.
func (s *series) order(zoned bool) {
	s.idx = make([]int32, len(s.t))
	rising := true
	for i := range s.idx {
		s.idx[i] = int32(i)
		rising = rising && (i == 0 || s.t[i] > s.t[i-1])
	}
	if !rising {
		s.jitter()
		if !s.spread() {
			s.dropCopies()
		}
		s.reverse()
		s.transpose()
		s.dropBlocks()
		s.swapBlocks()
		s.dropCopies()
		s.markConflicts()
		s.markBreaks()
	}
	if !zoned {
		s.hourJumps()
	}
}

// commonStep is the commonest positive step between rows, the smaller one on
// a tie, and 0 if there is none.
func (s *series) commonStep() int64 {
	n := map[int64]int{}
	last, run := int64(0), 0
	for k := 1; k < len(s.idx); k++ {
		if d := s.at(k) - s.at(k-1); d == last {
			run++
		} else {
			n[last] += run
			last, run = d, 1
		}
	}
	n[last] += run
	best := int64(0)
	for d, c := range n {
		if d > 0 && c > 0 && (best == 0 || c > n[best] || c == n[best] && d < best) {
			best = d
		}
	}
	return best
}

// group is a run of rows, in file order, with one instant.
type group struct{ from, to int }

func (s *series) groups() []group {
	var out []group
	for k := 0; k < len(s.idx); {
		e := k + 1
		for e < len(s.idx) && s.at(e) == s.at(k) {
			e++
		}
		out = append(out, group{k, e})
		k = e
	}
	return out
}

// spread handles stamps that were cut to whole seconds (or minutes): every
// stamp stands the same number of times, at least three such stamps, and the
// values within one differ somewhere. Beside a gap, at the start and at the
// end a stamp may stand less often. The rows are spread evenly over the
// common step (measurement reference, case C26). Without a difference in any
// stamp they are copies instead (case C25).
func (s *series) spread() bool {
	g := s.groups()
	sizes := map[int]int{}
	for _, x := range g {
		sizes[x.to-x.from]++
	}
	n := 0
	for size, c := range sizes {
		if n == 0 || c > sizes[n] || c == sizes[n] && size > n {
			n = size
		}
	}
	if n < 2 || n > maxRepeat || sizes[n] < 3 {
		return false
	}
	steps := map[int64]int{}
	for k := 1; k < len(g); k++ {
		steps[s.at(g[k].from)-s.at(g[k-1].from)]++
	}
	step := int64(0)
	for d, c := range steps {
		if d > 0 && (step == 0 || c > steps[step] || c == steps[step] && d < step) {
			step = d
		}
	}
	if step == 0 {
		return false
	}
	joined := func(k int) bool { // group k-1 leads into group k by the common step
		return k > 0 && k < len(g) && s.at(g[k].from)-s.at(g[k-1].from) == step
	}
	differ := false
	for k, x := range g {
		size := x.to - x.from
		if size > n || size < n && joined(k) && joined(k+1) {
			return false
		}
		for r := x.from + 1; r < x.to; r++ {
			differ = differ || !s.same(s.idx[x.from], s.idx[r])
		}
	}
	if !differ {
		return false
	}
	mul := int64(n) / gcd(step, int64(n))
	s.per *= mul
	for i := range s.t {
		s.t[i] *= mul
	}
	part := step * mul / int64(n)
	for k, x := range g {
		first := 0
		if !joined(k) && joined(k+1) { // a short start fills the end of its step
			first = n - (x.to - x.from)
		}
		for r := x.from; r < x.to; r++ {
			s.t[s.idx[r]] += int64(first+r-x.from) * part
		}
	}
	s.warn(WarnSpread, "Every time stamp stands %d times with differing values: the rows are spread evenly between stamps.", n)
	return true
}

// maxJitter is how many stamps may lie between one that a row too many shares
// and one that lacks a row, for the two to be taken as one jitter (our choice).
const maxJitter = 10

// jitter handles rows whose true times waver around whole seconds to which
// their stamps are cut: a second holds a row too many and a neighbour one too
// few. Neither is two values at one instant. The rows between the two are
// moved by one step, in file order, so that each step holds its rows again.
// It acts only where the common step is the unit of the stamps itself, for
// with longer steps two rows at one stamp cannot come from jitter.
func (s *series) jitter() {
	if s.whole == 0 {
		return
	}
	g := s.groups()
	step := s.whole
	sizes := map[int]int{}
	for _, x := range g {
		sizes[x.to-x.from]++
	}
	n := 1
	for size, c := range sizes {
		if c > sizes[n] || c == sizes[n] && size > n {
			n = size
		}
	}
	if n > maxRepeat || sizes[n] < 3 {
		return
	}
	// cell k stands for one step: positions [from, to), none for a hole.
	type cell struct {
		group
		at int64
	}
	var cells []cell
	var runs []int // where in cells a new run begins
	for k, x := range g {
		at := s.at(x.from)
		if k > 0 {
			switch last := cells[len(cells)-1]; at - last.at {
			case step:
			case 2 * step:
				cells = append(cells, cell{group{x.from, x.from}, last.at + step})
			default:
				runs = append(runs, len(cells))
			}
		}
		cells = append(cells, cell{x, at})
	}
	runs = append(runs, len(cells))
	moved := 0
	open, openAt := 0, -1 // +1 after a cell with a row too many, -1 after one with too few
	for k, run := 0, 0; k < len(cells); k++ {
		if k == runs[run] {
			run++
			open = 0
		}
		off := cells[k].to - cells[k].from - n
		switch {
		case off == 0:
			continue
		case off == -open && open != 0 && k-openAt <= maxJitter:
			if open > 0 { // rows move to later steps
				for i := openAt; i < k; i++ {
					cells[i].to--
					cells[i+1].from--
				}
			} else {
				for i := openAt; i < k; i++ {
					cells[i].to++
					cells[i+1].from++
				}
			}
			moved++
			open = 0
		case off == 1 || off == -1:
			open, openAt = off, k
		default:
			open = 0
		}
	}
	if moved == 0 {
		return
	}
	for _, c := range cells {
		for k := c.from; k < c.to; k++ {
			s.t[s.idx[k]] = c.at
		}
	}
	s.warn(WarnJitter, "In %d %s a stamp holds a row too many and a near one a row too few, as jitter around cut stamps makes them: the rows between were moved by one step.", moved, plural(moved, "place", "places"))
}

func gcd(a, b int64) int64 {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}

// dropCopies drops rows that repeat an earlier row of the same instant.
func (s *series) dropCopies() {
	out := s.idx[:0]
	dropped := 0
	start := 0 // of the present instant in out
	for _, r := range s.idx {
		if len(out) > 0 && s.t[out[len(out)-1]] != s.t[r] {
			start = len(out)
		}
		// A conflict of more rows than this is one all the same, and looking
		// further would take quadratic time.
		look := out[start:min(len(out), start+8)]
		if slices.ContainsFunc(look, func(o int32) bool { return s.same(o, r) }) {
			dropped++
			continue
		}
		out = append(out, r)
	}
	s.idx = out
	if dropped > 0 {
		s.warn(WarnCopies, "%d %s an earlier row exactly and were dropped.", dropped, plural(dropped, "row repeats", "rows repeat"))
	}
}

func plural(n int, one, many string) wording.Text {
	if n == 1 {
		return wording.Said(one)
	}
	return wording.Said(many)
}

// reverse turns a table whose every row is older than the one above it. No
// clock steps back at every row, so full dates are all that it takes.
func (s *series) reverse() {
	if !s.dated || len(s.idx) < 3 {
		return
	}
	for k := 1; k < len(s.idx); k++ {
		if s.at(k) >= s.at(k-1) {
			return
		}
	}
	slices.Reverse(s.idx)
	s.warn(WarnNewestFirst, "Rows are stored newest first and were put in order.")
}

// transpose puts rows in order whose stamps merely transpose: sorting at most
// ten neighbours leaves no step longer than twice the common one and no two
// values at one instant (case C28).
func (s *series) transpose() {
	d := s.commonStep()
	moved := 0
	for i := 1; i < len(s.idx); i++ {
		if s.at(i) >= s.at(i-1) {
			continue
		}
		lo, hi := i-1, i+1
		least, most := s.at(i), s.at(i-1)
		for hi-lo <= maxNeighbours+1 {
			if lo > 0 && s.at(lo-1) > least {
				lo--
				most = max(most, s.at(lo))
			} else if hi < len(s.idx) && s.at(hi) < most {
				least = min(least, s.at(hi))
				hi++
			} else {
				break
			}
		}
		if hi-lo > maxNeighbours+1 {
			continue
		}
		window := slices.Clone(s.idx[lo:hi])
		slices.SortStableFunc(window, func(a, b int32) int {
			switch {
			case s.t[a] < s.t[b]:
				return -1
			case s.t[a] > s.t[b]:
				return 1
			}
			return 0
		})
		if lo > 0 {
			window = append([]int32{s.idx[lo-1]}, window...)
		}
		if hi < len(s.idx) {
			window = append(window, s.idx[hi])
		}
		fits := true
		for k := 1; k < len(window); k++ {
			step := s.t[window[k]] - s.t[window[k-1]]
			fits = fits && step <= 2*d && (step > 0 || s.same(window[k], window[k-1]))
		}
		if !fits {
			continue
		}
		if lo > 0 {
			window = window[1:]
		}
		copy(s.idx[lo:hi], window)
		moved++
	}
	if moved > 0 {
		s.warn(WarnTransposed, "In %d %s the stamps of neighbouring rows transpose; the rows were put in order.", moved, plural(moved, "place", "places"))
	}
}

// stretches are the runs of positions whose instants do not fall.
func (s *series) stretches() []group {
	var out []group
	from := 0
	for k := 1; k <= len(s.idx); k++ {
		if k == len(s.idx) || s.at(k) < s.at(k-1) {
			out = append(out, group{from, k})
			from = k
		}
	}
	return out
}

// minBlock is the least number of rows, not all alike, that count as a block
// stored twice: fewer can agree by chance after a clock was set back.
const minBlock = 10

// dropBlocks drops a block that the file stores twice: a stretch that begins
// before the end of an earlier one and repeats it row for row until it passes
// that end.
func (s *series) dropBlocks() {
	st := s.stretches()
	if len(st) < 2 {
		return
	}
	keep := []int32{}
	kept := st[:1:1]
	keep = append(keep, s.idx[:st[0].to]...)
	dropped := 0
	for _, x := range st[1:] {
		prev := kept[len(kept)-1]
		n := s.copied(keep[prev.from:prev.to], s.idx[x.from:x.to])
		dropped += n
		keep = append(keep, s.idx[x.from+n:x.to]...)
		if n > 0 {
			kept[len(kept)-1].to = len(keep)
		} else {
			kept = append(kept, group{len(keep) - (x.to - x.from), len(keep)})
		}
	}
	if dropped > 0 {
		s.idx = keep
		s.warn(WarnCopies, "A block of rows is stored twice: %d rows repeat earlier ones exactly and were dropped.", dropped)
	}
}

// copied returns how many rows at the start of again repeat rows of first, if
// those are all rows up to the end of first; else 0.
func (s *series) copied(first, again []int32) int {
	k := sort.Search(len(first), func(k int) bool { return s.t[first[k]] >= s.t[again[0]] })
	n := 0
	alike := true
	for ; k+n < len(first) && n < len(again); n++ {
		if s.t[first[k+n]] != s.t[again[n]] || !s.same(first[k+n], again[n]) {
			return 0
		}
		alike = alike && s.same(again[0], again[n])
	}
	if n < minBlock || alike {
		return 0
	}
	return n
}

// swapBlocks puts blocks in order that are stored newest first: full dates,
// each block wholly before the one above it, and every seam fits. A seam fits
// if the blocks join with a step of at most twice the common one, or if a
// repeated header divides them and they are more than a session's gap apart.
// Without such a sign a block that lies before the one above it may as well
// be a clock that was set back (case C12).
func (s *series) swapBlocks() {
	st := s.stretches()
	if len(st) < 2 || !s.dated {
		return
	}
	d := s.commonStep()
	apart := ticks(DefaultSessionGap, s.per)
	for k := 1; k < len(st); k++ {
		gap := s.at(st[k-1].from) - s.at(st[k].to-1)
		headed := s.header[int(s.idx[st[k-1].from])] || st[k-1].from == 0
		headed = headed && s.header[int(s.idx[st[k].from])]
		if gap <= 0 || gap > 2*d && !(headed && gap > apart) {
			return
		}
	}
	out := make([]int32, 0, len(s.idx))
	for k := len(st) - 1; k >= 0; k-- {
		out = append(out, s.idx[st[k].from:st[k].to]...)
	}
	s.idx = out
	s.warn(WarnNewestFirst, "%d blocks are stored newest first and were put in order.", len(st))
}

// markConflicts flags all rows of an instant that holds two values (case C27).
func (s *series) markConflicts() {
	n := 0
	for _, g := range s.groups() {
		if g.to-g.from > 1 {
			n++
			for _, r := range s.idx[g.from:g.to] {
				s.flags[r] |= FlagConflict
			}
		}
	}
	if n > 0 {
		s.warn(WarnConflict, "%d %s two or more different rows: none of them is used.", n, plural(n, "instant has", "instants have"))
	}
}

// markBreaks lists the places where the clock still steps back and flags the
// samples that may tell one time twice.
func (s *series) markBreaks() {
	st := s.stretches()
	if len(st) < 2 {
		return
	}
	starts, ends := make([]int64, len(st)), make([]int64, len(st))
	for k, x := range st {
		starts[k], ends[k] = s.at(x.from), s.at(x.to-1)
		if k > 0 {
			s.breaks = append(s.breaks, x.from)
		}
	}
	slices.Sort(starts)
	slices.Sort(ends)
	overlap := 0
	for k, r := range s.idx {
		t := s.at(k)
		begun := sort.Search(len(starts), func(i int) bool { return starts[i] > t })
		over := sort.Search(len(ends), func(i int) bool { return ends[i] >= t })
		if begun-over > 1 {
			s.flags[r] |= FlagOverlap
			overlap++
		}
	}
	s.warn(WarnSteppedBack, "The clock steps back in %d %s: rows stay in file order, recorded time is unknown, and %d rows may tell a time twice.", len(s.breaks), plural(len(s.breaks), "place", "places"), overlap)
}

// hourJumps warns of steps of one hour, forward or back, give or take a step:
// they may be a change of the clock that only a zone would explain.
func (s *series) hourJumps() {
	d := s.commonStep()
	hour := 3600 * s.per
	n := 0
	for k := 1; k < len(s.idx); k++ {
		step := s.at(k) - s.at(k-1)
		if d < hour && (step >= hour && step <= hour+2*d || step >= -hour && step <= -hour+2*d) {
			n++
		}
	}
	if n > 0 {
		s.warn(WarnWholeHour, "The clock jumps by one hour in %d %s: a change to or from summer time, or a pause; give the zone if it is known.", n, plural(n, "place", "places"))
	}
}
