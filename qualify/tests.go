package qualify

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"

	"airwarrant/qualify/criteria"
	"airwarrant/qualify/worksheet"
)

// listedIn tells the number, from 1, of the source whose bytes have each
// SHA-256.
func listedIn(q Query) map[string]int {
	out := map[string]int{}
	for i, src := range q.Sources {
		sum := sha256.Sum256(src.Data)
		if sha := hex.EncodeToString(sum[:]); out[sha] == 0 {
			out[sha] = i + 1
		}
	}
	return out
}

// unlisted reports whether a recording is at hand that none of the listed
// tests names: it is then of the test that the case itself states.
func unlisted(q Query) bool {
	f, ok := criteria.Facts{Named: q.Facts}.Known("tests")
	if !ok {
		return false
	}
	return len(sourcesOf(q, criteria.Test{Name: criteria.OwnTest}, f.Value.Tests)) > 0
}

// sourcesOf returns the numbers, from 1, of the recordings of one test.
func sourcesOf(q Query, t criteria.Test, listed []criteria.Test) []int {
	var out []int
	if t.Name != criteria.OwnTest {
		if n := listedIn(q)[t.SHA256]; n > 0 {
			out = append(out, n)
		}
		return out
	}
	named := map[string]bool{}
	for _, l := range listed {
		named[l.SHA256] = true
	}
	for i, src := range q.Sources {
		if sum := sha256.Sum256(src.Data); !named[hex.EncodeToString(sum[:])] {
			out = append(out, i+1)
		}
	}
	return out
}

// checkTests checks each test by itself and lets the criteria choose. Where
// several sets of criteria choose different tests, the recording and its
// measures are those of the first set's, and the others say so.
func checkTests(q Query, lib Versions, tests []criteria.Test) (*Result, error) {
	listed := q.Facts["tests"].Value.Tests
	runs := make([]*Result, len(tests))
	numbers := make([][]int, len(tests))
	for i, t := range tests {
		sub := q
		sub.Facts, sub.Sources, sub.Session = criteria.TestFacts(q.Facts, t), nil, nil
		if t.Name != criteria.OwnTest {
			sub.Received = q.Listed
		}
		numbers[i] = sourcesOf(q, t, listed)
		for k, n := range numbers[i] {
			sub.Sources = append(sub.Sources, q.Sources[n-1])
			session := t.Session
			if t.Name == criteria.OwnTest {
				session = q.Session[n]
			}
			if session > 0 {
				if sub.Session == nil {
					sub.Session = map[int]int{}
				}
				sub.Session[k+1] = session
			}
		}
		var err error
		if runs[i], err = checkOne(sub, lib); err != nil {
			return nil, fmt.Errorf("test %d of %d: %w", i+1, len(tests), err)
		}
		if t.SHA256 != "" && len(numbers[i]) == 0 {
			for j := range runs[i].Determinations {
				d := &runs[i].Determinations[j]
				d.Notes = append(d.Notes, q.Language.Say("The recording that this test names is not at hand, so nothing is measured from it."))
			}
		}
	}
	var out *Result
	first := -1
	for r := range q.Criteria {
		d, i := decide(tests, runs, r)
		if out == nil {
			first = i
			out = q.assemble(tests, runs, numbers, i)
		}
		if i != first {
			d.Notes = append(d.Notes, q.Language.Say("The recording, its measures and the trace shown are of another test, which decides under %s.", q.Criteria[0]))
		}
		out.Determinations = append(out.Determinations, d)
		out.Applied = append(out.Applied, runs[i].Applied[r])
		out.Packs = append(out.Packs, runs[i].Packs[r])
	}
	return out, nil
}

// decide lets the criteria of place r choose among the tests.
func decide(tests []criteria.Test, runs []*Result, r int) (criteria.Determination, int) {
	var tried []criteria.Tried
	for i, t := range tests {
		run := runs[i]
		tried = append(tried, criteria.Tried{Test: t, Pack: run.Packs[r], Named: run.Applied[r],
			Recorded: run.Analysis != nil || run.Walk != nil, Determination: run.Determinations[r], Language: run.language})
	}
	return criteria.Decide(tried)
}

// assemble makes the result of all runs around the one that decides: all
// recordings in the order of the query, and the measures of that one.
func (q *Query) assemble(tests []criteria.Test, runs []*Result, numbers [][]int, decides int) *Result {
	out := *runs[decides]
	out.Determinations, out.Applied, out.Packs, out.Chosen = nil, nil, nil, 0
	out.Readings = make([]Reading, len(q.Sources))
	out.Legs = append([]Leg{}, out.Legs...)
	for i, run := range runs {
		for k, n := range numbers[i] {
			// A recording of two sessions may be of two tests; what the deciding
			// one left of it stands.
			if out.Readings[n-1].SHA256 == "" || i == decides {
				out.Readings[n-1] = run.Readings[k]
			}
			if i == decides && run.Chosen == k+1 {
				out.Chosen = n
			}
		}
	}
	for k := range out.Legs {
		out.Legs[k].Recording = numbers[decides][out.Legs[k].Recording-1]
	}
	if len(out.Legs) == 0 {
		out.Legs = nil
	}
	out.Facts = make(map[string]criteria.Fact, len(runs[decides].Facts)+1)
	for name, f := range runs[decides].Facts {
		out.Facts[name] = f
	}
	out.Facts["tests"] = q.Facts["tests"]
	out.runs, out.tests = runs, tests
	out.CriticalFound = slices.Clone(runs[decides].CriticalFound)
	for i, run := range runs {
		for _, c := range run.CriticalFound {
			// A value that several tests share, because the case states it, is
			// told once.
			if i == decides || slices.ContainsFunc(runs[decides].CriticalFound, func(o worksheet.CriticalReading) bool { return o.From == c.From && o.Lowest == c.Lowest }) {
				continue
			}
			c.From = q.Language.Say("another test: %s", c.From)
			out.CriticalFound = append(out.CriticalFound, c)
		}
	}
	if len(out.Readings) > 1 {
		out.Warnings = append(append([]string{}, out.Warnings...), sameNights(q.Language, out.Readings)...)
	}
	return &out
}

// RunOf returns the result of the one test that a recording is of, by its
// SHA-256: res itself where the facts list no tests, or no test has it.
func (res *Result) RunOf(sha string) *Result {
	for _, run := range res.runs {
		for _, rd := range run.Readings {
			if rd.SHA256 == sha {
				return run
			}
		}
	}
	return res
}
