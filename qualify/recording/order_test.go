package recording

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
)

// night writes n rows 4 s apart from the second at of 2026-03-01; the
// saturations wander so that no two stretches agree by chance.
func night(at, n int) []string {
	out := make([]string, n)
	for i := range out {
		s := at + 4*i
		out[i] = fmt.Sprintf("2026-03-%02d %02d:%02d:%02d,%d,%d", 1+s/86400, s/3600%24, s/60%60, s%60, 85+(s/4*7+s/40)%13, 55+s/4%17)
	}
	return out
}

const nightHead = "time,spo2,pulse\n"

func nightTable(blocks ...[]string) string {
	return nightHead + strings.Join(slices.Concat(blocks...), "\n") + "\n"
}

// TestOrder puts rows in order where the file leaves one reading, and nowhere
// else (DEVELOPERS.md, "Time"). want is the plain table whose samples must
// come out, or nil where file order stays and breaks are listed.
func TestOrder(t *testing.T) {
	plain := night(1000, 60)
	swap := func(i, j int) []string {
		s := slices.Clone(plain)
		s[i], s[j] = s[j], s[i]
		return s
	}
	move := func(from, to int) []string {
		s := slices.Clone(plain)
		row := s[from]
		return slices.Insert(slices.Delete(s, from, from+1), to, row)
	}
	reversed := slices.Clone(plain)
	slices.Reverse(reversed)
	gappy := slices.Concat(plain[:20], plain[40:])
	gappyReversed := slices.Clone(gappy)
	slices.Reverse(gappyReversed)
	later := night(80000, 60)
	header := []string{"time,spo2,pulse"}
	cases := []struct {
		name   string
		text   string
		want   []string
		breaks []int
		flags  int // samples with FlagOverlap
		warned string
	}{
		{"in order", nightTable(plain), plain, nil, 0, ""},
		{"neighbours transposed", nightTable(swap(20, 21)), plain, nil, 0, WarnTransposed},
		{"the first two transposed", nightTable(swap(0, 1)), plain, nil, 0, WarnTransposed},
		{"the last two transposed", nightTable(swap(58, 59)), plain, nil, 0, WarnTransposed},
		{"two places", nightTable(slices.Concat(swap(10, 11)[:30], swap(40, 41)[30:])), plain, nil, 0, WarnTransposed},
		{"one row ten places late", nightTable(move(20, 30)), plain, nil, 0, WarnTransposed},
		{"one row ten places early", nightTable(move(30, 20)), plain, nil, 0, WarnTransposed},
		{"one row eleven places late", nightTable(move(20, 31)), nil, []int{31}, 12, WarnSteppedBack},
		{"transposed beside a gap", nightTable(slices.Concat(plain[:20], plain[41:42], plain[40:41], plain[42:])), nil, []int{21}, 2, WarnSteppedBack},
		{"every row newest first", nightTable(reversed), plain, nil, 0, WarnNewestFirst},
		{"every row newest first, with a gap", nightTable(gappyReversed), gappy, nil, 0, WarnNewestFirst},
		{"two blocks newest first that join", nightTable(plain[30:], plain[:30]), plain, nil, 0, WarnNewestFirst},
		{"three blocks newest first that join", nightTable(plain[40:], plain[20:40], plain[:20]), plain, nil, 0, WarnNewestFirst},
		{"two blocks that do not join", nightTable(plain[40:], plain[:20]), nil, []int{20}, 0, WarnSteppedBack},
		{"two nights newest first under headers", nightTable(later, header, plain), slices.Concat(plain, later), nil, 0, WarnNewestFirst},
		{"two nights newest first, one header", nightTable(later, plain), nil, []int{60}, 0, WarnSteppedBack},
		{"two nights in order", nightTable(plain, later), slices.Concat(plain, later), nil, 0, ""},
		{"a copied row", nightTable(plain[:20], plain[19:]), plain, nil, 0, WarnCopies},
		{"every row copied", nightTable(slices.Concat(plain[:1], plain[:1], plain[1:2], plain[1:2], plain[2:3], plain[2:3])), plain[:3], nil, 0, WarnCopies},
		{"a block stored twice", nightTable(plain[:40], plain[20:]), plain, nil, 0, WarnCopies},
		{"the whole stored twice", nightTable(plain, plain), plain, nil, 0, WarnCopies},
		{"a block that is nearly a copy", nightTable(plain[:40], plain[20:30], []string{strings.Replace(plain[30], ",", ",1", 1)}, plain[31:]), nil, []int{40}, 40, WarnSteppedBack + " " + WarnNotSaturation},
		{"a short block stored twice", nightTable(plain[:40], plain[35:]), plain, nil, 0, WarnCopies + " " + WarnTransposed},
		{"a clock set back", nightTable(night(5000, 30), night(4950, 30)), nil, []int{30}, 34, WarnSteppedBack},
		{"a clock set back before the start", nightTable(night(5000, 30), night(1000, 30)), nil, []int{30}, 0, WarnSteppedBack},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			r := read(t, c.text, Options{})
			if !slices.Equal(r.Breaks, c.breaks) {
				t.Errorf("breaks %v, want %v", r.Breaks, c.breaks)
			}
			if c.want != nil {
				w := read(t, nightTable(c.want), Options{})
				if !slices.Equal(r.Time, w.Time) || !slices.Equal(r.SpO2, w.SpO2) || !slices.Equal(r.Pulse, w.Pulse) {
					t.Errorf("samples differ:\n%s\n%s", print(r), print(w))
				}
			}
			overlap := 0
			for i := range r.Time {
				if r.Flag(i)&FlagOverlap != 0 {
					overlap++
				}
			}
			if overlap != c.flags {
				t.Errorf("%d samples overlap, want %d", overlap, c.flags)
			}
			if got := warned(r); got != c.warned {
				t.Errorf("warnings %q, want %q", got, c.warned)
			}
		})
	}
}

// TestOrderNeedsDates leaves times of day alone as they stand, except for the
// midnight and for rows that merely transpose.
func TestOrderNeedsDates(t *testing.T) {
	short := func(s []string) string {
		return strings.ReplaceAll(nightTable(s), "2026-03-01 ", "")
	}
	plain := night(40000, 60)
	r := read(t, short(slices.Concat(plain[30:], plain[:30])), Options{})
	if !slices.Equal(r.Breaks, []int{30}) || r.Clock != ClockTimeOfDay {
		t.Errorf("blocks of times of day: breaks %v, clock %d", r.Breaks, r.Clock)
	}
	// Three nights without dates: each midnight is one day more.
	var b strings.Builder
	b.WriteString("time,spo2\n")
	for range 3 {
		b.WriteString("22:00:00,94\n23:00:00,93\n00:00:00,92\n01:00:00,91\n")
	}
	r = read(t, b.String(), Options{})
	if got, want := r.Time[len(r.Time)-1]-r.Time[0], int64(51*3600*1000); got != want {
		t.Errorf("three nights last %d ms, want %d", got, want)
	}
}

// TestSpread spreads stamps that stand the same number of times.
func TestSpread(t *testing.T) {
	build := func(sizes ...int) string {
		var b strings.Builder
		b.WriteString("time,spo2\n")
		v := 0
		for s, n := range sizes {
			for range n {
				fmt.Fprintf(&b, "22:00:%02d,%d\n", s, 85+v%11)
				v++
			}
		}
		return b.String()
	}
	cases := []struct {
		name   string
		sizes  []int
		want   string // first stamps in seconds; "" if not spread
		per    int64
		warned string
	}{
		{"two a second", []int{2, 2, 2}, "0 0.5 1 1.5 2 2.5", 1000, WarnSpread},
		{"three a second", []int{3, 3, 3}, "0 0.333333 0.666667 1 1.33333 1.66667 2 2.33333 2.66667", 3000, WarnSpread},
		{"a short start and end", []int{1, 2, 2, 2, 1}, "0 0.5 1 1.5 2 2.5 3 3.5", 1000, WarnSpread},
		{"a second without rows", []int{2, 2, 2, 0, 0, 2, 2}, "0 0.5 1 1.5 2 2.5 5 5.5 6 6.5", 1000, WarnSpread},
		{"a gap with a short edge", []int{2, 2, 1, 0, 0, 1, 2}, "0 0.5 1 1.5 2 5.5 6 6.5", 1000, WarnSpread},
		{"one stamp more often", []int{2, 2, 3, 2}, "", 1000, WarnConflict},
		{"one stamp less often", []int{2, 2, 1, 2, 2}, "", 1000, WarnConflict},
		{"too few to tell", []int{2, 2}, "", 1000, WarnConflict},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			r := read(t, build(c.sizes...), Options{})
			var got []string
			for _, at := range r.Time {
				got = append(got, fmt.Sprintf("%.6g", float64(at-r.Time[0])/float64(r.PerSecond)))
			}
			if g := strings.Join(got, " "); c.want != "" && g != c.want {
				t.Errorf("stamps %s, want %s", g, c.want)
			}
			if r.PerSecond != c.per {
				t.Errorf("%d ticks a second, want %d", r.PerSecond, c.per)
			}
			if g := warned(r); g != c.warned {
				t.Errorf("warnings %q, want %q", g, c.warned)
			}
		})
	}
	// Stamps cut to whole minutes are spread too.
	var b strings.Builder
	b.WriteString("time,spo2\n")
	for i := range 15 * 4 {
		fmt.Fprintf(&b, "22:%02d,%d\n", i/15, 85+i%11)
	}
	r := read(t, b.String(), Options{})
	for i, at := range r.Time {
		if at-r.Time[0] != int64(i)*4000 {
			t.Fatalf("row %d of a minute stands at %d ms", i, at-r.Time[0])
		}
	}
}

// TestConflicts uses neither of two values at one instant, and drops copies
// among them first.
func TestConflicts(t *testing.T) {
	cases := []struct{ name, text, want string }{
		{"two values and a copy", rows("22:00:00 / 22:00:04 / 22:00:04 / 22:00:04 / 22:00:08", "92 92 86 92 92"), "0=92 4=92c 4=86c 8=92"},
		{"a reading and none", rows("22:00:00 / 22:00:04 / 22:00:04 / 22:00:08", "92 92 -- 92"), "0=92 4=92c 4=NAc 8=92"},
		{"another pulse", "time,spo2,pulse\n22:00:00,92,61\n22:00:04,92,61\n22:00:04,92,70\n22:00:08,92,61\n", "0=92 4=92c 4=92c 8=92"},
	}
	for _, c := range cases {
		if got := print(read(t, c.text, Options{})); got != c.want {
			t.Errorf("%s: read as %s, want %s", c.name, got, c.want)
		}
	}
}

// TestOrderOracle shuffles rows within short windows and compares with plain
// sorting, which is right there because no two rows share an instant and none
// is missing.
func TestOrderOracle(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for range 50 {
		plain := night(1000, 200)
		mixed := slices.Clone(plain)
		for at := 5; at+12 < len(mixed); at += 14 {
			w := 2 + rng.IntN(3)
			rng.Shuffle(w, func(i, j int) { mixed[at+i], mixed[at+j] = mixed[at+j], mixed[at+i] })
		}
		a, b := read(t, nightTable(plain), Options{}), read(t, nightTable(mixed), Options{})
		if !slices.Equal(a.Time, b.Time) || !slices.Equal(a.SpO2, b.SpO2) || !slices.Equal(a.Pulse, b.Pulse) {
			t.Fatalf("shuffled rows read as\n%s\nwant\n%s", print(b), print(a))
		}
	}
}
