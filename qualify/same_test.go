package qualify_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"airwarrant/qualify"
	"airwarrant/qualify/criteria"
	"airwarrant/rules"
)

// TestSameNightTwice gives a night and a cut of it under another clock: they
// are told to be one test, and a night of somebody else is not.
func TestSameNightTwice(t *testing.T) {
	lib, err := rules.Embedded()
	if err != nil {
		t.Fatal(err)
	}
	night := func(start time.Time, seed, from, to int) qualify.Source {
		var b strings.Builder
		b.WriteString("Time,SpO2,Pulse\n")
		for i := from; i < to; i++ {
			v := 92 + (i*i/7+i*seed)%977%5
			fmt.Fprintf(&b, "%s,%d,60\n", start.Add(time.Duration(i)*time.Second).Format("2006-01-02 15:04:05"), v)
		}
		return qualify.Source{Name: "night", Data: []byte(b.String())}
	}
	facts, err := criteria.ParseFacts([]byte("custody: order_on_file\ntest_date: 2026-02-10\n"), "facts.yaml")
	if err != nil {
		t.Fatal(err)
	}
	start := time.Date(2026, 2, 10, 22, 0, 0, 0, time.UTC)
	res, err := qualify.Check(qualify.Query{Criteria: []string{"us-medicare"}, Facts: facts,
		Sources: []qualify.Source{night(start, 1, 0, 4000), night(start, 5, 0, 4000), night(start.AddDate(-2, 0, 0), 1, 900, 3000)}}, lib)
	if err != nil {
		t.Fatal(err)
	}
	if res.Readings[0].Withheld != "" {
		t.Fatalf("withheld: %s", res.Readings[0].Withheld)
	}
	want := []string{"Recording 3 holds the same readings as recording 1, or a part of them: they are one test."}
	if !slices.Equal(res.Warnings, want) || !slices.Contains(res.Determinations[0].Notes, want[0]) {
		t.Errorf("warnings %q, notes %q; want %q", res.Warnings, res.Determinations[0].Notes, want)
	}
}

// TestPrivateLeavesOthersOut chooses a night out of two: a result for people
// holds nothing of the other, and the figures are those of the whole file.
func TestPrivateLeavesOthersOut(t *testing.T) {
	lib, err := rules.Embedded()
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	b.WriteString("Time,SpO2,Pulse\n")
	for _, day := range []int{10, 11, 12} {
		for i := range 1200 {
			fmt.Fprintf(&b, "%s,%d,%d\n", time.Date(2026, 2, day, 22, 0, 3*i, 0, time.UTC).Format("2006-01-02 15:04:05"), 70+day+i%9, 60+i%4)
		}
	}
	facts, err := criteria.ParseFacts([]byte("custody: order_on_file\ntest_date: 2026-02-11\n"), "facts.yaml")
	if err != nil {
		t.Fatal(err)
	}
	ask := func(private bool, session map[int]int) *qualify.Result {
		t.Helper()
		res, err := qualify.Check(qualify.Query{Criteria: []string{"us-medicare"}, Facts: facts, Session: session, Private: private,
			Sources: []qualify.Source{{Name: "three", Data: []byte(b.String()), Told: []string{"As stated."}}}}, lib)
		if err != nil {
			t.Fatal(err)
		}
		return res
	}
	print := func(res *qualify.Result) (sessions, rest string) {
		t.Helper()
		var out strings.Builder
		if err := res.WriteJSON(&out); err != nil {
			t.Fatal(err)
		}
		sessions, rest, _ = strings.Cut(out.String(), `"analysis"`)
		return sessions, rest
	}
	whole, private := ask(false, map[int]int{1: 2}), ask(true, map[int]int{1: 2})
	if rd := private.Readings[0]; rd.Of != 3 || !slices.Equal(rd.Numbers, []int{2}) || len(rd.Recording.Time) != 1200 || rd.Recording.Layout[0].String() != "As stated." {
		t.Errorf("reading of %d, numbers %v, %d samples, layout %q", rd.Of, rd.Numbers, len(rd.Recording.Time), rd.Recording.Layout)
	}
	sessions, rest := print(private)
	if _, want := print(whole); rest != want {
		t.Errorf("the figures differ:\n%.1500s\nwant\n%.1500s", rest, want)
	}
	if strings.Count(sessions, `"start"`) != 1 || !strings.Contains(sessions, `"number": 2`) || !strings.Contains(sessions, `"other_recordings": 2`) {
		t.Errorf("sessions %s", sessions)
	}
	if sessions, _ := print(ask(true, nil)); strings.Contains(sessions, `"start"`) || !strings.Contains(sessions, `"other_recordings": 3`) {
		t.Errorf("before the choice: %s", sessions)
	}
	if sessions, _ := print(whole); strings.Count(sessions, `"start"`) != 3 || strings.Contains(sessions, "other_recordings") {
		t.Errorf("on the command line: %s", sessions)
	}
	if w := private.Worksheet(0, qualify.Paper{}); !strings.Contains(fmt.Sprint(w.Section("provenance").Table.Rows), "2 of 3") {
		t.Errorf("provenance %v", w.Section("provenance").Table.Rows)
	}
}
