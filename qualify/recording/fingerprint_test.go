package recording_test

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"airwarrant/qualify/recording"
)

// restless is n readings that wander by a point around base, with falls.
func restless(seed uint64, n, base int) []int {
	r := rand.New(rand.NewPCG(seed, 1))
	out := make([]int, n)
	v := base
	for i := range out {
		switch r.IntN(8) {
		case 0:
			v = max(v-1, base-3)
		case 1:
			v = min(v+1, base+2)
		}
		out[i] = v
		if i%300 > 280 {
			out[i] = v - 6
		}
	}
	return out
}

// asText writes readings as delimited text, one row in step seconds from
// start; below 0 is no reading.
func asText(start time.Time, step int, readings []int, row string) []byte {
	var b bytes.Buffer
	b.WriteString("Time,SpO2,Pulse\n")
	for i, v := range readings {
		cell := fmt.Sprint(v)
		if v < 0 {
			cell = "--"
		}
		fmt.Fprintf(&b, row+"\n", start.Add(time.Duration(i*step)*time.Second).Format("2006-01-02 15:04:05"), cell, 60+i%7)
	}
	return b.Bytes()
}

// asEDF writes readings, one a second, as EDF in tenths of a percent, no
// reading as 0.
func asEDF(readings []int) []byte {
	const per = 60
	s := edfSignal{label: "SpO2", dimension: "%", pmin: "0", pmax: "100", dmin: "0", dmax: "1000", samples: fmt.Sprint(per), perRecord: per}
	for at := 0; at+per <= len(readings); at += per {
		var rec []byte
		for _, v := range readings[at : at+per] {
			rec = append(rec, byte(max(v, 0)*10), byte(max(v, 0)*10>>8))
		}
		s.data = append(s.data, rec)
	}
	return edfFile{duration: fmt.Sprint(per), date: "03.04.27", time: "01.02.03", signals: []edfSignal{s}}.bytes()
}

func prints(t *testing.T, data []byte) []string {
	t.Helper()
	r, err := recording.ReadBytes(data, recording.Options{})
	if err != nil {
		t.Fatal(err)
	}
	s := r.Sessions(0)
	if len(s) != 1 {
		t.Fatalf("%d sessions, want 1", len(s))
	}
	return recording.Fingerprint(r, s[0])
}

func shared(a, b []string) int {
	n := 0
	for _, p := range a {
		if slices.Contains(b, p) {
			n++
		}
	}
	return n
}

// TestFingerprintRecognises holds a night against the same night in other
// forms.
func TestFingerprintRecognises(t *testing.T) {
	const plain = "%s,%s,%d"
	start := time.Date(2026, 3, 1, 22, 0, 0, 0, time.UTC)
	night := restless(1, 28800, 94)
	for i := 9000; i < 9130; i++ {
		night[i] = -1 // the sensor was off
	}
	whole := prints(t, asText(start, 1, night, plain))
	if len(whole) < 20 || len(whole) > 400 {
		t.Errorf("%d prints of a night", len(whole))
	}
	var fours []int // the same night, told once in four seconds as it stood
	held := make([]int, len(night))
	for i := range night {
		held[i] = night[i/4*4]
		if i%4 == 0 {
			fours = append(fours, night[i])
		}
	}
	left := slices.DeleteFunc(slices.Clone(night), func(v int) bool { return v < 0 })
	for name, c := range map[string]struct {
		data []byte
		of   []string
		all  bool
	}{
		"another clock":              {asText(start.AddDate(-3, 2, 1).Add(5*time.Hour+17*time.Second), 1, night, plain), whole, true},
		"tenths":                     {bytes.ReplaceAll(asText(start, 1, night, "%s,%s.0,%d"), []byte("--.0"), []byte("--")), whole, true},
		"no reading of the pulse":    {asText(start, 1, night, "%[1]s,%[2]s,--"), whole, true},
		"EDF":                        {asEDF(night), whole, true},
		"rows without reading gone":  {asText(start, 1, left, plain), whole, true},
		"repeated every second, EDF": {asEDF(held), prints(t, asText(start, 4, fours, plain)), true},
		"a cut of an hour":           {asText(start, 1, night[12003:15603], plain), whole, false},
		"all but the first hours":    {asText(start, 1, night[7001:], plain), whole, false},
		"the half, in EDF":           {asEDF(night[14001:]), whole, false},
	} {
		got := prints(t, c.data)
		switch {
		case c.all && !slices.Equal(got, c.of):
			t.Errorf("%s: %d of %d prints are shared, want all", name, shared(got, c.of), len(c.of))
		case shared(got, c.of) == 0:
			t.Errorf("%s: none of %d prints is shared", name, len(got))
		}
	}
}

// TestFingerprintGuarantee cuts the shortest stretches that winnowing promises
// to recognise, wherever they begin.
func TestFingerprintGuarantee(t *testing.T) {
	night := restless(2, 20000, 94)
	r := &recording.Recording{PerSecond: 1, SpO2Scale: recording.Scale{Mul: 1, Den: 1}}
	var changes []int
	for i, v := range night {
		r.Time, r.SpO2 = append(r.Time, int64(i)), append(r.SpO2, int32(v))
		if i > 0 && v != night[i-1] {
			changes = append(changes, i)
		}
	}
	whole := recording.Fingerprint(r, recording.Session{From: 0, To: len(night)})
	const runs = 32 + 128 - 1
	for k := 0; k+runs+1 < len(changes); k += 37 {
		// one run more on each side, which the cut shortens
		cut := recording.Session{From: changes[k] - 1, To: changes[k+runs] + 1}
		if shared(recording.Fingerprint(r, cut), whole) == 0 {
			t.Fatalf("a cut of %d runs from %d is not recognised", runs, k)
		}
	}
}

// TestFingerprintTellsApart holds nights of different people against each
// other: quiet ones, constant ones, those of a simulator.
func TestFingerprintTellsApart(t *testing.T) {
	seen := map[string]uint64{}
	for seed := range uint64(400) {
		r := &recording.Recording{PerSecond: 1, SpO2Scale: recording.Scale{Mul: 1, Den: 1}}
		// a healthy sleeper: 96, 97 and 98 %, told once in four seconds
		src := rand.New(rand.NewPCG(seed, 3))
		v := int32(97)
		for i := range 7200 {
			if src.IntN(3) == 0 {
				v = 96 + int32(src.IntN(3))
			}
			r.Time, r.SpO2 = append(r.Time, int64(4*i)), append(r.SpO2, v)
		}
		for _, p := range recording.Fingerprint(r, recording.Session{From: 0, To: 7200}) {
			if other, ok := seen[p]; ok && other != seed {
				t.Fatalf("nights %d and %d share the print %s", other, seed, p)
			}
			seen[p] = seed
		}
	}
	if len(seen) < 400*10 {
		t.Errorf("%d prints of 400 nights", len(seen))
	}
	start := time.Date(2026, 3, 1, 22, 0, 0, 0, time.UTC)
	fill := func(f func(i int) int) []int {
		out := make([]int, 7200)
		for i := range out {
			out[i] = f(i)
		}
		return out
	}
	for name, readings := range map[string][]int{
		"a constant 97 %":            fill(func(int) int { return 97 }),
		"96 and 97 in turn":          fill(func(i int) int { return 96 + i%2 }),
		"a saw of equal teeth":       fill(func(i int) int { return 90 + i/10%5 }),
		"two levels, various length": fill(func(i int) int { return 96 + i*i/977%2 }),
		"no reading at all":          append(fill(func(int) int { return -1 }), 97),
		"a few readings":             {97, 96, 95, 94, 93},
		"one reading":                {97},
	} {
		r, err := recording.ReadBytes(asText(start, 1, readings, "%s,%s,%d"), recording.Options{})
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if got := recording.Fingerprint(r, recording.Session{From: 0, To: len(r.Time)}); len(got) > 0 {
			t.Errorf("%s has %d prints, want none", name, len(got))
		}
	}
	for name, s := range map[string]recording.Session{"empty": {}, "first": {From: 0, To: 1}} {
		if got := recording.Fingerprint(&recording.Recording{PerSecond: 1, Time: []int64{1}, SpO2: []int32{9}, SpO2Scale: recording.Scale{Mul: 1, Den: 1}}, s); got != nil {
			t.Errorf("%s session: prints %v", name, strings.Join(got, " "))
		}
	}
}
