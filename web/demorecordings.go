package web

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"time"
)

// DemoRecording is one recording of the demonstration: invented, synthesised
// in code, the same bytes on every call.
type DemoRecording struct {
	Name  string // a file name that tells nothing about anybody
	Shows string // what it is there to show, in one sentence
	Data  []byte
}

// night describes one synthetic night. Times are seconds after its start.
type night struct {
	seed     uint64
	start    time.Time
	seconds  int // length
	step     int // seconds between rows
	base     float64
	wander   float64 // amplitude of the slow wander, points
	floor    int     // the undisturbed reading never falls below this, percent
	pulse    float64
	dips     []dip
	weak     []stretch // readings stand, the pulse is not seen
	unread   []stretch // the sensor sees nothing
	artifact []stretch // movement: readings jump from row to row
}

// dip is one fall that holds at or below level for the given seconds.
type dip struct{ at, hold, level int }

type stretch struct{ from, to int }

func (s stretch) has(t int) bool { return t >= s.from && t < s.to }

// row is one synthetic reading; -1 stands for no reading.
type row struct{ spo2, pulse int }

// source is a fixed stream of numbers: PCG as math/rand/v2 defines it, turned
// into fractions here so that no change of a library alters a recording.
type source struct{ pcg *rand.PCG }

func (s source) unit() float64 { return float64(s.pcg.Uint64()>>11) / (1 << 53) }

func (s source) spread() float64 { return s.unit() + s.unit() - 1 }

// cyclic lays n dips over [from, to), about evenly, each held for hold
// seconds at a level between low and high. It is the shape of breathing that
// stops and starts again: falls in a row, deeper towards morning.
func cyclic(seed uint64, from, to, n, hold, low, high int) []dip {
	r := source{rand.NewPCG(seed, 7)}
	var out []dip
	for k := range n {
		at := from + (to-from)*k/n + int(r.unit()*20)
		level := high - int(float64(high-low+1)*r.unit()*(0.5+0.5*float64(k)/float64(n)))
		out = append(out, dip{at, hold, max(level, low)})
	}
	return out
}

// rows synthesises the night: a baseline that wanders over tens of minutes,
// quick small noise, falls that come slowly and recover fast, a pulse that
// rises as each fall ends.
func (n night) rows() []row {
	r := source{rand.NewPCG(n.seed, 1)}
	p1, p2 := r.unit()*2*math.Pi, r.unit()*2*math.Pi
	out := make([]row, 0, n.seconds/n.step)
	slow := 0.0
	for t := 0; t < n.seconds; t += n.step {
		slow = 0.97*slow + 0.12*r.spread()
		s := n.base + n.wander*(0.6*math.Sin(2*math.Pi*float64(t)/5400+p1)+0.4*math.Sin(2*math.Pi*float64(t)/1740+p2)) + slow + 0.35*r.spread()
		v := max(min(int(math.Round(s)), 99), n.floor)
		pulse := n.pulse + 4*math.Sin(2*math.Pi*float64(t)/5400+p2) + 1.6*r.spread()
		for _, d := range n.dips {
			d.at -= d.at % n.step // so that a hold is a whole number of rows
			v, pulse = d.shape(t, v, pulse, r)
		}
		w := row{v, int(math.Round(pulse))}
		for _, a := range n.artifact {
			if a.has(t) {
				// Movement: every other row falls far and comes back at once.
				if (t/n.step)%2 == 0 {
					w.spo2 = 70 + int(12*r.unit())
				}
				w.pulse += int(20 * r.spread())
			}
		}
		for _, a := range n.weak {
			if a.has(t) {
				w.pulse = -1
			}
		}
		for _, a := range n.unread {
			if a.has(t) {
				w = row{-1, -1}
			}
		}
		out = append(out, w)
	}
	return out
}

// shape applies d to the reading v at second t. The fall takes 24 s and the
// recovery 12 s; between them the reading stands within a point of the level.
func (d dip) shape(t, v int, pulse float64, r source) (int, float64) {
	const fall, rise = 24, 12
	since := t - d.at
	switch {
	case since < -fall || since >= d.hold+rise:
		return v, pulse
	case since < 0:
		part := float64(since+fall) / fall
		return max(v-int(part*float64(v-d.level)*0.8), d.level+1), pulse - 3*part
	case since < d.hold:
		return d.level - int(r.unit()*1.6)*min(since/8, 1), pulse - 3
	default:
		part := float64(since-d.hold) / rise
		return max(d.level+1+int(part*float64(v-d.level)), d.level+1), pulse + 11*(1-part)
	}
}

// person is what a recorder was told about the patient.
type person struct{ name, birth, identifier string }

// text prints rows as comma-separated text with preamble lines.
func (n night) text(p person, equipment string) []byte {
	var b bytes.Buffer
	fmt.Fprintf(&b, "Patient name:,%s\r\nBirth date:,%s\r\nPatient ID:,%s\r\nEquipment:,%s\r\n\r\n", p.name, p.birth, p.identifier, equipment)
	b.WriteString("Date and time,SpO2 (%),Pulse (bpm)\r\n")
	for i, w := range n.rows() {
		at := n.start.Add(time.Duration(i*n.step) * time.Second)
		fmt.Fprintf(&b, "%s,%s,%s\r\n", at.Format("2006-01-02 15:04:05"), printed(w.spo2), printed(w.pulse))
	}
	return b.Bytes()
}

// semicolons prints rows as semicolon-separated text with date and time in
// columns of their own and no word about the patient.
func (n night) semicolons() []byte {
	var b bytes.Buffer
	b.WriteString("Date;Time;SpO2;Pulse\n")
	for i, w := range n.rows() {
		at := n.start.Add(time.Duration(i*n.step) * time.Second)
		fmt.Fprintf(&b, "%s;%s;%s;%s\n", at.Format("2006-01-02"), at.Format("15:04:05"), printed(w.spo2), printed(w.pulse))
	}
	return b.Bytes()
}

func printed(v int) string {
	if v < 0 {
		return "--"
	}
	return fmt.Sprint(v)
}

// edf prints rows as European Data Format: two signals, records of one
// minute. Field widths and order are those of the published format (Kemp et
// al., Electroencephalogr Clin Neurophysiol 1992;82:391-393); the patient field is
// filled as EDF+ asks (Kemp and Olivan 2003). No reading is written as 0.
func (n night) edf(p person, sex, equipment string) []byte {
	const record = 60
	rows := n.rows()
	per := record / n.step
	records := len(rows) / per
	birth, _ := time.Parse("2006-01-02", p.birth)
	field := func(b *bytes.Buffer, width int, s string) {
		fmt.Fprintf(b, "%-*.*s", width, width, s)
	}
	code := func(s string) string { return strings.ReplaceAll(s, " ", "_") }
	var b bytes.Buffer
	field(&b, 8, "0")
	field(&b, 80, fmt.Sprintf("%s %s %s %s", p.identifier, sex, strings.ToUpper(birth.Format("02-Jan-2006")), code(p.name)))
	field(&b, 80, fmt.Sprintf("Startdate %s X X %s", strings.ToUpper(n.start.Format("02-Jan-2006")), code(equipment)))
	field(&b, 8, n.start.Format("02.01.06"))
	field(&b, 8, n.start.Format("15.04.05"))
	field(&b, 8, fmt.Sprint(256*3))
	field(&b, 44, "")
	field(&b, 8, fmt.Sprint(records))
	field(&b, 8, fmt.Sprint(record))
	field(&b, 4, "2")
	for _, pair := range []struct {
		width int
		a, b  string
	}{
		{16, "SpO2", "Pulse"}, {80, "finger sensor", "finger sensor"}, {8, "%", "bpm"},
		{8, "0", "0"}, {8, "100", "250"}, {8, "0", "0"}, {8, "1000", "250"},
		{80, "", ""}, {8, fmt.Sprint(per), fmt.Sprint(per)}, {32, "", ""},
	} {
		field(&b, pair.width, pair.a)
		field(&b, pair.width, pair.b)
	}
	put := func(v int) { b.Write([]byte{byte(v), byte(v >> 8)}) }
	for k := range records {
		for _, w := range rows[k*per : (k+1)*per] {
			put(max(w.spo2, 0) * 10)
		}
		for _, w := range rows[k*per : (k+1)*per] {
			put(max(w.pulse, 0))
		}
	}
	return b.Bytes()
}

const labEquipment = "bedside recorder 3"

// The nights of the demonstration. Harrow Vale, its laboratory and everybody
// who sleeps there are invented.
var (
	nightMerrin = night{
		seed: 11, start: time.Date(2026, 2, 10, 22, 41, 8, 0, time.UTC), seconds: 7*3600 + 12*60, step: 4, base: 92.6, wander: 0.9, floor: 90, pulse: 66,
		dips:   cyclic(11, 5400, 24000, 62, 28, 84, 88),
		unread: []stretch{{9120, 9240}},
	}
	nightAshgrove = night{
		seed: 12, start: time.Date(2026, 2, 17, 22, 8, 30, 0, time.UTC), seconds: 7*3600 + 40*60, step: 4, base: 94.2, wander: 0.8, floor: 92, pulse: 58,
		unread: []stretch{{15000, 15060}},
	}
	nightOrchard = night{
		seed: 13, start: time.Date(2026, 3, 3, 23, 2, 0, 0, time.UTC), seconds: 6*3600 + 50*60, step: 4, base: 92.4, wander: 0.8, floor: 90, pulse: 71,
		// 252 s that nobody can doubt, and 72 s on which no pulse was seen.
		dips: append(cyclic(13, 7200, 18000, 9, 28, 88, 88), dip{20000, 36, 88}, dip{21200, 36, 88}),
		weak: []stretch{{19960, 20100}, {21160, 21300}},
	}
	nightPenhallow = night{
		seed: 14, start: time.Date(2026, 3, 11, 21, 55, 20, 0, time.UTC), seconds: 7 * 3600, step: 1, base: 91.8, wander: 0.8, floor: 90, pulse: 74,
		dips: cyclic(14, 4000, 23000, 34, 26, 83, 88),
	}
	nightLockhart = night{
		seed: 15, start: time.Date(2026, 3, 18, 23, 20, 0, 0, time.UTC), seconds: 6 * 3600, step: 2, base: 92.2, wander: 1.0, floor: 90, pulse: 80,
		dips:     cyclic(15, 3000, 20000, 40, 24, 84, 88),
		artifact: []stretch{{2200, 2520}, {8300, 8460}, {14000, 14240}, {20300, 20700}},
		weak:     []stretch{{5200, 5420}, {11000, 11300}, {17000, 17120}},
		unread:   []stretch{{6100, 6700}, {12400, 12600}, {18050, 18900}},
	}
	nightFenn = night{
		seed: 16, start: time.Date(2026, 4, 7, 22, 30, 0, 0, time.UTC), seconds: 6*3600 + 30*60, step: 4, base: 93, wander: 0.9, floor: 90, pulse: 63,
		dips: cyclic(16, 6000, 21000, 30, 28, 85, 88),
	}
	nightTidewell = night{
		seed: 17, start: time.Date(2026, 5, 5, 22, 0, 0, 0, time.UTC), seconds: 6 * 3600, step: 4, base: 91.5, wander: 0.8, floor: 90, pulse: 69,
		dips: cyclic(17, 3000, 20000, 20, 28, 86, 88),
	}
	nightTidewellNext = night{
		seed: 18, start: time.Date(2026, 5, 6, 22, 14, 0, 0, time.UTC), seconds: 5*3600 + 30*60, step: 4, base: 93.1, wander: 0.8, floor: 91, pulse: 61,
		dips: cyclic(18, 4000, 18000, 8, 24, 87, 88),
	}
)

// DemoRecordings returns the recordings of the demonstration, in the order of
// its cases.
func DemoRecordings() []DemoRecording {
	two := append(nightTidewell.semicolons(), bytes.SplitN(nightTidewellNext.semicolons(), []byte("\n"), 2)[1]...)
	return []DemoRecording{
		{"night-1.csv", "falls in a row, over twenty minutes at or below 88 %, firm", nightMerrin.text(person{"Ada Merrin", "1951-05-04", "HV-20417"}, labEquipment)},
		{"night-2.csv", "a quiet night that never falls below 92 %", nightAshgrove.text(person{"Tobin Ashgrove", "1948-11-20", "HV-20433"}, labEquipment)},
		{"night-3.csv", "252 s firm and 72 s doubtful at or below 88 %: five minutes lie between", nightOrchard.semicolons()},
		{"night-4.edf", "a night in European Data Format", nightPenhallow.edf(person{"Cassius Penhallow", "1955-01-31", "HV-20460"}, "M", labEquipment)},
		{"night-5.csv", "movement, lost pulse and lost signal, and still the same answer either way", nightLockhart.text(person{"Ines Lockhart", "1943-08-09", "HV-20471"}, labEquipment)},
		{"night-6.csv", "the name in the file is not the one on the case", nightFenn.text(person{"Odalys Finn", "1960-07-15", "HV-20502"}, labEquipment)},
		{"nights-7.csv", "two nights in one download", two},
		{"walk-8.csv", "a walk in three legs, whose recovery is lower than the walk", walkBriar},
	}
}
