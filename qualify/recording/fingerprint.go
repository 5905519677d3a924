package recording

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"slices"
)

// The figures of a fingerprint, all our choice. A stretch of printRuns +
// printWindow - 1 runs that two recordings share is recognised for certain, a
// shorter one often: 159 runs are some twenty minutes of a restless night at
// one row in four seconds, and one to two hours of a quiet one.
const (
	printRuns    = 32  // runs that one print is made of
	printWindow  = 128 // neighbouring prints of which the least is kept
	printLevels  = 3   // differing saturations that a print needs,
	printVariety = 8   // and differing pairs of saturation and length
	printScheme  = "airwarrant print 1"
	printBytes   = 16
	maxRuns      = 1 << 18 // of one session: days of a change in every reading; the rest has no prints
)

// run is how long a saturation stood unchanged.
type run struct {
	percent int64
	ms      int64
}

// Fingerprint returns the prints of session s, in hex, each once, in the order
// of the recording. Two recordings that share a print hold the same readings
// over printRuns changes of the saturation: the same night in another format,
// or a cut of it. A session of too little variety, such as one of a constant
// 97 %, has none.
//
// The prints are those of winnowing (Schleimer, Wilkerson and Aiken,
// "Winnowing: local algorithms for document fingerprinting", SIGMOD 2003,
// section 3, from memory) over runs of equal saturation in whole percent, each
// with its length. Neither date nor time of day enter, so that a wrong clock
// hides nothing; nor does the pulse, which not every format carries; samples
// without a reading are passed over, because formats leave them out or write
// them as a code. A length is the number of readings times the commonest step,
// so that a format that repeats a held value more often gives the same. A
// night that was sampled or averaged anew is another sequence and is not
// recognised.
func Fingerprint(r *Recording, s Session) []string {
	runs := runsOf(r, s)
	n := len(runs) - printRuns + 1
	if n < 1 {
		return nil
	}
	// The last window of prints, by their number modulo its width; nil where
	// the runs vary too little.
	w := min(printWindow, n)
	window := make([][]byte, w)
	// Of each window the least is kept, the last of equal ones: a choice that
	// rests on the window alone, so that whoever shares it makes it too.
	least := -1
	take := func(i int) {
		p := window[i%w]
		if p != nil && (least < 0 || bytes.Compare(p, window[least%w]) <= 0) {
			least = i
		}
	}
	var out []string
	seen := map[string]bool{}
	buf := make([]byte, 0, len(printScheme)+printRuns*2*binary.MaxVarintLen64)
	for end := range n {
		window[end%w] = nil
		if part := runs[end : end+printRuns]; enough(part) {
			buf = append(buf[:0], printScheme...)
			for _, q := range part {
				buf = binary.AppendVarint(binary.AppendVarint(buf, q.percent), q.ms)
			}
			sum := sha256.Sum256(buf)
			window[end%w] = sum[:printBytes]
		}
		if least == end-w { // it left the window
			least = -1
			for i := max(end-w+1, 0); i < end; i++ {
				take(i)
			}
		}
		take(end)
		if end < w-1 || least < 0 {
			continue
		}
		if p := hex.EncodeToString(window[least%w]); !seen[p] {
			seen[p] = true
			out = append(out, p)
		}
	}
	return out
}

// runsOf lists the runs of equal saturation of a session. The first and last
// are left out: a cut may have shortened them.
func runsOf(r *Recording, s Session) []run {
	step := commonStep(r, s)
	if step == 0 {
		return nil
	}
	var out []run
	for i := s.From; i < s.To; i++ {
		code := r.SpO2[i]
		if code == NoReading {
			continue
		}
		den := r.SpO2Scale.Den
		percent := floorDiv(2*r.SpO2Scale.Num(code)+den, 2*den)
		if n := len(out); n > 0 && out[n-1].percent == percent {
			out[n-1].ms++
			continue
		}
		if len(out) > maxRuns {
			break
		}
		out = append(out, run{percent, 1})
	}
	for i := range out {
		out[i].ms = floorDiv(2000*out[i].ms*step+r.PerSecond, 2*r.PerSecond)
	}
	if len(out) < 3 {
		return nil
	}
	return out[1 : len(out)-1]
}

// commonStep is the commonest positive step of a session in ticks, the smaller
// one on a tie; 0 if there is none.
func commonStep(r *Recording, s Session) int64 {
	counts := map[int64]int{}
	var best int64
	for i := s.From + 1; i < s.To; i++ {
		d := r.Time[i] - r.Time[i-1]
		if d <= 0 {
			continue
		}
		counts[d]++
		if n := counts[d]; best == 0 || n > counts[best] || n == counts[best] && d < best {
			best = d
		}
	}
	return best
}

// enough tells whether runs vary so much that two nights do not share them by
// chance.
func enough(runs []run) bool {
	var levels [printLevels]int64
	var pairs [printVariety]run
	nl, np := 0, 0
	for _, q := range runs {
		if nl < printLevels && !slices.Contains(levels[:nl], q.percent) {
			levels[nl] = q.percent
			nl++
		}
		if np < printVariety && !slices.Contains(pairs[:np], q) {
			pairs[np] = q
			np++
		}
	}
	return nl == printLevels && np == printVariety
}
