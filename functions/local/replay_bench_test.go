package main

import (
	"fmt"
	"math/rand/v2"
	"runtime"
	"testing"
	"time"

	"airwarrant/functions/internal/store/local"
	"airwarrant/qualify/casework"
	"airwarrant/qualify/rehearsal"
	"airwarrant/rules"
)

// BenchmarkReplay replays cases that lie in the embedded store, sealed: what
// reading the list, opening a case and determining it twice takes together. The
// store is filled with lines of the list alone, which is all that a replay
// reads. Filling waits for the disk with each of them: TMPDIR on a disk in memory
// makes it short, and the replay itself writes nothing.
func BenchmarkReplay(b *testing.B) {
	lib, err := rules.Embedded()
	if err != nil {
		b.Fatal(err)
	}
	for _, n := range []int{1_000, 10_000, 100_000} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			store, err := local.Open(b.TempDir())
			if err != nil {
				b.Fatal(err)
			}
			defer store.Close()
			fillReplay(b, store, lib, n)
			p, err := rehearsal.New(lib.History("xx-example")[0], lib, nil)
			if err != nil {
				b.Fatal(err)
			}
			var before, now runtime.MemStats
			runtime.GC()
			runtime.ReadMemStats(&before)
			peak := before.HeapAlloc
			b.ReportAllocs()
			b.ResetTimer()
			for range b.N {
				got, err := p.Run(b.Context(), rehearsal.Stored(store), rehearsal.Progress{}, func(rehearsal.Progress) {
					runtime.ReadMemStats(&now)
					peak = max(peak, now.HeapAlloc)
				}, nil)
				if err != nil || got.Summary.Same != n {
					b.Fatal(got, err)
				}
			}
			b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds(), "cases/s")
			b.ReportMetric(float64(peak-before.HeapAlloc)/(1<<20), "heap-MB")
		})
	}
}

// fillReplay puts n determined cases under the example criteria into a store:
// their lines in the list and what they keep. The resting saturations are 84 to 95 %
// by turns.
func fillReplay(t testing.TB, store casework.Store, lib *rules.Library, n int) {
	t.Helper()
	random := rand.NewChaCha8([32]byte{5})
	opened := time.Date(2030, 3, 1, 9, 0, 0, 0, time.UTC)
	taken := map[string]bool{}
	for i := range n {
		q, _, packed := atRest(t, lib, 84+i%12)
		number := ""
		for number == "" || taken[number] {
			var err error
			if number, err = casework.NewNumber(opened, random); err != nil {
				t.Fatal(err)
			}
		}
		taken[number] = true
		ref, err := (&casework.Case{Number: number, K: 1}).Seal(t.Context(), store, random, packed)
		if err != nil {
			t.Fatal(err)
		}
		if err := store.PutHead(t.Context(), casework.Head{Form: casework.HeadForm, Case: number, K: 2, Criteria: q.Criteria, OpenedAt: opened, Current: true, Kept: ref}); err != nil {
			t.Fatal(err)
		}
	}
}
