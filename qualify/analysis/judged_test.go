package analysis

import (
	"fmt"
	"math/big"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"

	"airwarrant/qualify/recording"
)

// What a judgement does to each kind of reading, counted by hand: 60 s at
// 88 % that nobody doubts, 30 s at 85 % and 10 s at 86 % marked as motion, 5 s
// at 40 %, 20 s without a reading, the rest at 95 %.
func TestJudged(t *testing.T) {
	spo2 := join(repeat(95, 100), repeat(88, 60), repeat(85, 30), repeat(95, 100), repeat(86, 10), repeat(40, 5), repeat(0, 20), repeat(95, 100))
	flags := make([]recording.Flag, len(spo2))
	for i := range spo2 {
		if spo2[i] == 85 || spo2[i] == 86 {
			flags[i] = recording.FlagMotion
		}
	}
	rec := sampled(spo2, nil, flags)
	at := func(from, to int, as Judgement) Judged { return Judged{from, to, as} }
	const everything = 1 << 30
	for _, c := range []struct {
		name string
		said []Judged
		// at or below 88 %, longest such run, valid, missing, suspect, unjudged
		time, run                         Triple
		valid, missing, suspect, unjudged int64
		nadir                             string
	}{
		{"nothing said", nil, Triple{60, 100, 105}, Triple{60, 90, 90}, 400, 25, 40, 45, "40 85 88"},
		{"first span genuine", []Judged{at(160, 190, Genuine)}, Triple{90, 100, 105}, Triple{90, 90, 90}, 400, 25, 10, 15, "40 85 85"},
		{"first span artifact", []Judged{at(160, 190, Artifact)}, Triple{60, 70, 75}, Triple{60, 60, 60}, 370, 55, 10, 15, "40 86 88"},
		{"first span cannot be told", []Judged{at(160, 190, CannotTell)}, Triple{60, 100, 105}, Triple{60, 90, 90}, 400, 25, 40, 15, "40 85 88"},
		{"a part of it", []Judged{at(170, 180, Artifact)}, Triple{60, 90, 95}, Triple{60, 70, 70}, 390, 35, 30, 35, "40 85 88"},
		{"all genuine: a number that cannot be one stays unusable", []Judged{at(0, everything, Genuine)}, Triple{100, 100, 105}, Triple{90, 90, 90}, 400, 25, 0, 5, "40 85 85"},
		{"all artifact: what nobody doubts stays", []Judged{at(-5, everything, Artifact)}, Triple{60, 60, 60}, Triple{60, 60, 60}, 360, 65, 0, 0, "88 88 88"},
		{"all told, nothing known", []Judged{at(0, everything, CannotTell)}, Triple{60, 100, 105}, Triple{60, 90, 90}, 400, 25, 40, 0, "40 85 88"},
		{"the later word stands", []Judged{at(160, 190, Artifact), at(160, 190, Genuine)}, Triple{90, 100, 105}, Triple{90, 90, 90}, 400, 25, 10, 15, "40 85 85"},
		{"the later word stands, taken back", []Judged{at(160, 190, Genuine), at(160, 190, CannotTell)}, Triple{60, 100, 105}, Triple{60, 90, 90}, 400, 25, 40, 15, "40 85 88"},
		{"outside the session", []Judged{at(-10, 0, Artifact), at(5000, 6000, Genuine)}, Triple{60, 100, 105}, Triple{60, 90, 90}, 400, 25, 40, 45, "40 85 88"},
	} {
		a := Analyze(rec, all(rec), Options{Judged: c.said})
		level := big.NewRat(88, 1)
		nadir := fmt.Sprint(a.Nadir.Low.RatString(), " ", a.Nadir.Value.RatString(), " ", a.Nadir.High.RatString())
		if got := a.AtOrBelow(level); got != c.time || a.LongestAtOrBelow(level) != c.run || a.Valid != c.valid || *a.Missing != c.missing || a.Suspect != c.suspect || a.Unjudged != c.unjudged || nadir != c.nadir {
			t.Errorf("%s: time %v, run %v, valid %d, missing %d, suspect %d, unjudged %d, nadir %s; want %+v", c.name, got, a.LongestAtOrBelow(level), a.Valid, *a.Missing, a.Suspect, a.Unjudged, nadir, c)
		}
	}
	// What was judged an artifact is told as that and as nothing else.
	if got := strings.Join(spanText(Analyze(rec, all(rec), Options{Judged: []Judged{at(160, 190, Artifact)}})), "\n"); !strings.Contains(got, "160-190 missing: judged to be an artifact\n") || strings.Contains(got, "160-190 suspect") {
		t.Errorf("spans are\n%s", got)
	}
	for _, r := range DefaultRules().List() {
		if r.Name == "judged" {
			t.Error("a judgement stands among the rules of doubt")
		}
	}
}

// Whatever is said: bounds stay in order, what nobody doubts keeps counting,
// nothing that was no reading becomes one, and saying nothing is the analysis
// without judgements.
func TestJudgedKeepsItsPromises(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 4))
	for round := range 300 {
		rec, _ := night(r, 200, 1, 70, 99, round%3 == 0)
		was := Analyze(rec, all(rec), Options{})
		var said []Judged
		for range r.IntN(8) {
			from := r.IntN(len(rec.Time))
			said = append(said, Judged{from, from + r.IntN(60), []Judgement{Genuine, Artifact, CannotTell}[r.IntN(3)]})
		}
		a := Analyze(rec, all(rec), Options{Judged: said})
		if len(said) == 0 && !reflect.DeepEqual(a, was) {
			t.Fatalf("round %d: nothing was said, and something changed", round)
		}
		if a.Valid > was.Valid || a.Suspect > was.Suspect || a.Unjudged > was.Unjudged {
			t.Fatalf("round %d: valid %d of %d, suspect %d of %d, unjudged %d of %d", round, a.Valid, was.Valid, a.Suspect, was.Suspect, a.Unjudged, was.Unjudged)
		}
		for p := int64(70); p <= 100; p++ {
			now, then := a.AtOrBelow(big.NewRat(p, 1)), was.AtOrBelow(big.NewRat(p, 1))
			if now.Low < then.Low || now.High > then.High || now.Low > now.Value || now.Value > now.High {
				t.Fatalf("round %d, %d %%: %v as judged, %v without", round, p, now, then)
			}
		}
	}
}
