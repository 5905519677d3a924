package rehearsal_test

import (
	"context"
	"fmt"
	"maps"
	"os"
	"runtime"
	"strings"
	"testing"

	"airwarrant/qualify"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/rehearsal"
)

// replayAll is the loop of the benchmarks: cases each second, and by how much
// the heap grows at most beside the cases themselves.
func replayAll(b *testing.B, p *rehearsal.Plan, list rehearsal.Cases, n int) {
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
}

// BenchmarkRun replays populations of growing size; B/op grows with them, the
// memory in use at one time (heap-MB) does not.
func BenchmarkRun(b *testing.B) {
	for _, n := range []int{1_000, 10_000, 100_000} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			o := populate(b, n)
			replayAll(b, plan(b, synthetic(b, inForce), region, draft, nil), o.list(b, inOrder(n), n), n)
		})
	}
}

// BenchmarkShipped does the same with the largest set of criteria that is
// shipped and all facts of a walk, a night and what they hang on stated.
func BenchmarkShipped(b *testing.B) {
	lib := shipped(b)
	data, err := os.ReadFile("../../rules/packs/us-medicare/2023-04-01.yaml")
	if err != nil {
		b.Fatal(err)
	}
	p := plan(b, lib, "us-medicare", strings.Replace(string(data), "at_or_below: 88 %", "at_or_below: 87 %", 1), nil)
	night, err := os.ReadFile("../../testdata/recordings/crlf.csv")
	if err != nil {
		b.Fatal(err)
	}
	q := qualify.Query{Criteria: []string{"us-medicare"}, Sources: []qualify.Source{{Name: "night", Data: night}}, Facts: map[string]criteria.Fact{}}
	for name, text := range map[string]string{"test_date": "2024-03-01", "custody": "order_on_file", "test_state": "asleep", "test_oxygen": "room_air", "test_place": "home",
		"test_performed_by": "laboratory", "supplier_part": "delivered_unit", "order_date": "2024-02-20", "ordered_by_treating_practitioner": "true",
		"evaluated_by_treating_practitioner": "true", "expected_benefit": "true", "inpatient": "false", "sleep_apnea": "false", "symptoms": "false", "birth_date": "1950-01-01"} {
		q.Facts[name] = fact(b, name, text)
	}
	res, err := qualify.Check(q, lib)
	if err != nil {
		b.Fatal(err)
	}
	var kept [][]byte
	for spo2 := range 12 {
		q.Facts = maps.Clone(q.Facts)
		q.Facts["awake_spo2"] = fact(b, "awake_spo2", fmt.Sprint(84+spo2))
		packed, err := q.Keep(res).Encode()
		if err != nil {
			b.Fatal(err)
		}
		kept = append(kept, packed)
	}
	for _, n := range []int{1_000, 10_000, 100_000} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			list := func(_ context.Context, after string, limit int) (page []rehearsal.Case, next string, err error) {
				from := 0
				fmt.Sscan(after, &from)
				for i := from; i < min(from+limit, n); i++ {
					page = append(page, rehearsal.Case{Number: number(i), Criteria: q.Criteria, Current: true,
						Load: func(context.Context) (*qualify.Kept, error) { return qualify.DecodeKept(kept[i%len(kept)]) }})
				}
				if from += limit; from < n {
					next = fmt.Sprint(from)
				}
				return page, next, nil
			}
			replayAll(b, p, list, n)
		})
	}
}
