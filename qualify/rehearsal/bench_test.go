package rehearsal_test

import (
	"fmt"
	"runtime"
	"testing"

	"airwarrant/qualify/rehearsal"
)

// BenchmarkRun replays populations of growing size; B/op grows with them, the
// memory in use at one time (heap-MB) does not.
func BenchmarkRun(b *testing.B) {
	for _, n := range []int{1_000, 10_000, 100_000} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			o := populate(b, n)
			list := o.list(b, inOrder(n), n)
			p := plan(b, synthetic(b, inForce), region, draft, nil)
			var before, now runtime.MemStats
			runtime.GC()
			runtime.ReadMemStats(&before)
			peak := before.HeapAlloc
			b.ReportAllocs()
			b.ResetTimer()
			for range b.N {
				got, err := p.Run(b.Context(), list, rehearsal.Progress{}, func(rehearsal.Progress) {
					runtime.ReadMemStats(&now)
					peak = max(peak, now.HeapAlloc)
				}, nil)
				if err != nil || got.Summary.Replayed != n {
					b.Fatal(got, err)
				}
			}
			b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds(), "cases/s")
			b.ReportMetric(float64(peak-before.HeapAlloc)/(1<<20), "heap-MB")
		})
	}
}
