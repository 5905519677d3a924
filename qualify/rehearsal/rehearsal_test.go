package rehearsal_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"
	"testing/fstest"

	"airwarrant/qualify"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/rehearsal"
	"airwarrant/rules"
)

// The criteria of the synthetic population, of an invented payer: the version in
// force is met by a resting saturation or by time asleep.
const inForce = `effective_from: 2020-01-01
title: Invented notice, first edition
cites:
  notice: {document: Invented Notice, section: "1", edition: first edition, read_on: 2020-01-01}
criteria:
  id: oxygen
  label: Oxygen at home
  any_of:
    - id: rest
      label: Low at rest
      fact: rest_spo2
      at_or_below: 88 %
      cite: [notice]
      status: verified
    - id: asleep
      label: Long enough asleep
      fact: time_at_or_below
      spo2: 88 %
      at_least: 5 min
      cite: [notice]
      status: verified
`

// draft asks for a lower saturation, a longer time, and symptoms beside it.
const draft = `effective_from: 2026-01-01
title: Invented notice, second edition
cites:
  notice: {document: Invented Notice, section: "1", edition: second edition, read_on: 2025-11-01}
criteria:
  id: oxygen
  label: Oxygen at home
  any_of:
    - id: rest
      label: Low at rest
      fact: rest_spo2
      at_or_below: 87 %
      cite: [notice]
      status: verified
    - id: night
      label: Asleep, with symptoms
      all_of:
        - id: asleep
          label: Long enough asleep
          fact: time_at_or_below
          spo2: 88 %
          at_least: 6 min
          cite: [notice]
          status: verified
        - id: symptoms
          label: Symptoms
          fact: symptoms
          is: true
          cite: [notice]
          status: verified
`

const region = "xx-synthetic"

// synthetic is a library of the version in force alone.
func synthetic(t testing.TB, pack string) *rules.Library {
	t.Helper()
	lib, err := rules.Load(fstest.MapFS{
		region + "/region.yaml":           {Data: []byte("region: xx-synthetic\nname: Synthetic\npayer: Invented Office\nselect_by: test_date\nhome: https://example.org/s\nscope: Invented, for tests.\n")},
		region + "/2020-01-01.yaml":       {Data: []byte(pack)},
		region + "/2020-01-01.cases.yaml": {Data: []byte("cases: []\n")},
	})
	if err != nil {
		t.Fatal(err)
	}
	return lib
}

func shipped(t testing.TB) *rules.Library {
	t.Helper()
	lib, err := rules.Embedded()
	if err != nil {
		t.Fatal(err)
	}
	return lib
}

func plan(t testing.TB, lib *rules.Library, of, text string, confirmed map[string]criteria.Confirmations) *rehearsal.Plan {
	t.Helper()
	r, err := lib.Region(of)
	if err != nil {
		t.Fatal(err)
	}
	d, err := rules.ReadDraft([]byte(text), "draft.yaml", r)
	if err != nil {
		t.Fatal(err)
	}
	p, err := rehearsal.New(d, lib, confirmed)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// patient is what one synthetic case is made of, in whole numbers: its known
// answer is worked out from these by hand, below, and nothing of the engine.
type patient struct {
	rest    int // percent; 0: not asked, -1: asked and not known
	night   int // of nights, -1: no recording
	symptom int // 0: not asked, -1: asked and not known, 1: no, 2: yes
	late    bool
}

// nights are the recordings of the population: half minutes at 87 % that nobody
// doubts, and further half minutes that are doubted for want of a pulse.
var nights = func() (out [][2]int) {
	for sure := 6; sure <= 14; sure++ {
		for doubted := range 5 {
			out = append(out, [2]int{sure, doubted})
		}
	}
	return out
}()

func draw(r *rand.Rand) patient {
	p := patient{night: r.IntN(len(nights)+10) - 10, late: r.IntN(3) == 0}
	p.night = max(p.night, -1)
	switch r.IntN(5) {
	case 0:
	case 1:
		p.rest = -1
	default:
		p.rest = 84 + r.IntN(9)
	}
	p.symptom = r.IntN(4) - 1
	return p
}

// The three values of a condition.
const (
	no = iota
	open
	yes
)

// atMost and long are the two measured conditions of a patient.
func (p patient) atMost(limit int) int {
	switch {
	case p.rest <= 0:
		return open
	case p.rest <= limit:
		return yes
	}
	return no
}

func (p patient) long(halfMinutes int) int {
	if p.night < 0 {
		return open
	}
	n := nights[p.night]
	switch {
	case n[0] >= halfMinutes:
		return yes
	case n[0]+n[1] < halfMinutes:
		return no
	}
	return open
}

// answer is the known answer: the outcome, the clauses that decide it where it
// is decided, and the facts to ask where it is not.
type answer struct {
	outcome string
	by      []string
	asks    []string
}

func (p patient) measures(rest, asleep int) (asks []string) {
	if rest == open && p.rest == 0 {
		asks = append(asks, "rest_spo2")
	}
	if asleep == open {
		if p.night < 0 {
			return append(asks, "recording")
		}
		asks = append(asks, "span_judgement")
	}
	return asks
}

func (p patient) before() answer {
	rest, asleep := p.atMost(88), p.long(10)
	switch {
	case rest == yes:
		return answer{"qualifies", []string{"rest"}, nil}
	case asleep == yes:
		return answer{"qualifies", []string{"asleep"}, nil}
	case rest == no && asleep == no:
		return answer{"does_not_qualify", []string{"rest", "asleep"}, nil}
	}
	return answer{"undetermined", nil, p.measures(rest, asleep)}
}

func (p patient) after() answer {
	rest, asleep := p.atMost(87), p.long(12)
	symptom := []int{open, open, no, yes}[p.symptom+1]
	night := min(asleep, symptom)
	switch {
	case rest == yes:
		return answer{"qualifies", []string{"rest"}, nil}
	case night == yes:
		return answer{"qualifies", []string{"asleep", "symptoms"}, nil}
	case rest == no && night == no:
		by := []string{"rest"}
		if asleep == no {
			by = append(by, "asleep")
		}
		if symptom == no {
			by = append(by, "symptoms")
		}
		return answer{"does_not_qualify", by, nil}
	case night == no:
		asleep = no // its answer changes nothing any more
	}
	asks := p.measures(rest, asleep)
	if night != no && p.symptom == 0 {
		asks = append(asks, "symptoms")
	}
	return answer{"undetermined", nil, asks}
}

// population makes n seeded cases and their known answer: the summary of the
// rehearsal, by the arithmetic above.
type population struct {
	people []patient
	base   []qualify.Query // by night, last without one
	res    []*qualify.Result
}

func populate(t testing.TB, n int) *population {
	t.Helper()
	lib := synthetic(t, inForce)
	out := &population{}
	r := rand.New(rand.NewPCG(20260101, 8))
	for range n {
		out.people = append(out.people, draw(r))
	}
	for i := range len(nights) + 1 {
		q := qualify.Query{Criteria: []string{region}}
		if i < len(nights) {
			var b strings.Builder
			b.WriteString("Time,SpO2,Pulse\n")
			row := 0
			write := func(rows int, spo2, pulse string) {
				for range rows {
					fmt.Fprintf(&b, "2025-03-01 %02d:%02d:%02d,%s,%s\n", 1+row/120, row/2%60, row%2*30, spo2, strings.Replace(pulse, "6x", fmt.Sprint(60+row%5), 1))
					row++
				}
			}
			write(30, "95", "6x")
			write(nights[i][0], "87", "6x")
			write(10, "95", "6x")
			write(nights[i][1], "87", "--")
			write(20, "95", "6x")
			q.Sources = []qualify.Source{{Name: "night", Data: []byte(b.String())}}
		}
		res, err := qualify.Check(q, lib)
		if err != nil {
			t.Fatal(err)
		}
		out.base, out.res = append(out.base, q), append(out.res, res)
	}
	return out
}

func fact(t testing.TB, name, text string) criteria.Fact {
	f, err := criteria.ParseValue(name, text)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// packed is what the case of a patient keeps, as the store would hold it.
func (o *population) packed(t testing.TB, i int) []byte {
	p := o.people[i]
	at := p.night
	if at < 0 {
		at = len(nights)
	}
	day := "2025-03-01"
	if p.late {
		day = "2026-03-01"
	}
	q := o.base[at]
	q.Facts = map[string]criteria.Fact{"test_date": fact(t, "test_date", day), "test_state": fact(t, "test_state", "asleep")}
	switch {
	case p.rest < 0:
		q.Facts["rest_spo2"] = fact(t, "rest_spo2", "unknown")
	case p.rest > 0:
		q.Facts["rest_spo2"] = fact(t, "rest_spo2", fmt.Sprint(p.rest))
	}
	if text := []string{"unknown", "", "false", "true"}[p.symptom+1]; text != "" {
		q.Facts["symptoms"] = fact(t, "symptoms", text)
	}
	data, err := q.Keep(o.res[at]).Encode()
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// number is that of a case.
func number(i int) string { return fmt.Sprintf("C%06d", i) }

// list lays the cases out in an order, in pages of at most size.
func (o *population) list(t testing.TB, order []int, size int) rehearsal.Cases {
	alike := map[patient][]byte{} // what a measure of memory should not count
	kept := make([][]byte, len(order))
	for _, i := range order {
		p := o.people[i]
		if alike[p] == nil {
			alike[p] = o.packed(t, i)
		}
		kept[i] = alike[p]
	}
	return func(ctx context.Context, after string, limit int) ([]rehearsal.Case, string, error) {
		from := 0
		fmt.Sscan(after, &from)
		until := min(from+min(limit, size), len(order))
		var page []rehearsal.Case
		for _, i := range order[from:until] {
			page = append(page, rehearsal.Case{Number: number(i), Criteria: []string{region}, Current: true,
				Load: func(context.Context) (*qualify.Kept, error) { return qualify.DecodeKept(kept[i]) }})
		}
		next := ""
		if until < len(order) {
			next = fmt.Sprint(until)
		}
		return page, next, ctx.Err()
	}
}

func inOrder(n int) []int {
	out := make([]int, n)
	for i := range out {
		out[i] = i
	}
	return out
}

// expect is the known answer of the whole population.
func (o *population) expect() (s rehearsal.Summary, changed map[string]string) {
	changed = map[string]string{}
	by, facts := map[string]int{}, map[string]int{}
	for i, p := range o.people {
		a, b := p.before(), p.after()
		s.Cases++
		fresh := slices.DeleteFunc(b.asks, func(f string) bool { return slices.Contains(a.asks, f) })
		for _, f := range fresh {
			facts[f]++
		}
		if len(fresh) > 0 {
			s.Asking++
		}
		if a.outcome == b.outcome {
			s.Same++
			continue
		}
		s.Changed++
		if p.late {
			s.InTime++
		}
		changed[number(i)] = a.outcome + " " + b.outcome
		by[a.outcome+" "+b.outcome+" "+strings.Join(b.by, " ")]++
	}
	s.Replayed = s.Cases
	for _, k := range slices.Sorted(maps.Keys(by)) {
		w := strings.Fields(k)
		s.Changes = append(s.Changes, rehearsal.Change{From: w[0], To: w[1], By: w[2:], Cases: by[k]})
	}
	for _, k := range slices.Sorted(maps.Keys(facts)) {
		s.NewFacts = append(s.NewFacts, rehearsal.Count{What: k, Cases: facts[k]})
	}
	return s, changed
}

// decidedOnly merges the changes to an open outcome: which clause waits first
// is the engine's choice of the most decisive question, and no matter of the
// known answer.
func decidedOnly(in []rehearsal.Change) []rehearsal.Change {
	var out []rehearsal.Change
	for _, c := range in {
		if c.To == "undetermined" {
			c.By = nil
			if l := len(out) - 1; l >= 0 && out[l].To == c.To && out[l].From == c.From {
				out[l].Cases += c.Cases
				continue
			}
		}
		out = append(out, c)
	}
	return out
}

// knownAnswer replays n cases and compares with the arithmetic.
func knownAnswer(t *testing.T, n int) {
	t.Helper()
	o := populate(t, n)
	p := plan(t, synthetic(t, inForce), region, draft, nil)
	changed := map[string]string{}
	asked := 0
	got, err := p.Run(t.Context(), o.list(t, inOrder(n), n), rehearsal.Progress{}, nil, func(l rehearsal.Line) error {
		if l.Changed() {
			changed[l.Case] = l.InForce.Outcome + " " + l.Draft.Outcome
		}
		if len(l.NewFacts) > 0 {
			asked++
		}
		return nil
	})
	if err != nil || !got.Done {
		t.Fatal(got, err)
	}
	want, wantChanged := o.expect()
	s := got.Summary
	if !maps.Equal(changed, wantChanged) {
		for c, w := range wantChanged {
			if changed[c] != w {
				var i int
				fmt.Sscanf(c, "C%d", &i)
				t.Fatalf("case %s %+v: found %q, expected %q", c, o.people[i], changed[c], w)
			}
		}
		t.Fatalf("%d cases change, expected %d", len(changed), len(wantChanged))
	}
	if asked != s.Asking {
		t.Errorf("%d lines with a new fact, counted %d", asked, s.Asking)
	}
	s.Changes, s.Moved, s.Left, s.Unconfirmed = decidedOnly(s.Changes), 0, nil, nil
	want.Changes = decidedOnly(want.Changes)
	if a, b := fmt.Sprintf("%+v", s), fmt.Sprintf("%+v", want); a != b {
		t.Errorf("found\n%s\nexpected\n%s", a, b)
	}
	if len(want.Changes) < 5 || len(want.NewFacts) < 3 {
		t.Errorf("the population has too few kinds of change to prove anything: %+v", want)
	}
}

// TestKnownAnswer: the counts by change, the numbers of the cases and the new
// facts are those of the arithmetic.
func TestKnownAnswer(t *testing.T) { knownAnswer(t, 3000) }

// TestSameVersionChangesNothing replays under the same bytes, under the same
// words with another first day, and under a draft that only renames texts.
func TestSameVersionChangesNothing(t *testing.T) {
	o := populate(t, 600)
	for name, text := range map[string]string{
		"the same bytes":    inForce,
		"another first day": strings.Replace(inForce, "2020-01-01", "2026-05-01", 1),
		"other words":       strings.NewReplacer("Low at rest", "Resting value", "Long enough asleep", "Time asleep", "first edition\n", "old edition\n", "Oxygen at home", "Home oxygen").Replace(inForce),
	} {
		p := plan(t, synthetic(t, inForce), region, text, nil)
		got, err := p.Run(t.Context(), o.list(t, inOrder(600), 100), rehearsal.Progress{}, nil, func(l rehearsal.Line) error {
			t.Errorf("%s: a line of case %s: %+v", name, l.Case, l)
			return nil
		})
		if s := got.Summary; err != nil || s.Replayed != 600 || s.Same != 600 || s.Changed+s.Moved+s.Asking != 0 {
			t.Errorf("%s: %+v, %v", name, s, err)
		}
	}
}

// TestRenamedTextKeepsConfirmations: a draft clause that was confirmed decides
// in a text that only renames it, and doesn't where its figure or its document
// is another.
func TestRenamedTextKeepsConfirmations(t *testing.T) {
	unread := strings.Replace(inForce, "at_least: 5 min\n      cite: [notice]\n      status: verified", "at_least: 5 min\n      cite: [notice]\n      status: draft", 1)
	lib := synthetic(t, unread)
	conf := map[string]criteria.Confirmations{lib.History(region)[0].SHA256: {"asleep": {Clause: "asleep", By: "M. Reyes"}}}
	o := populate(t, 400)
	run := func(text string) (rehearsal.Summary, []string) {
		p := plan(t, lib, region, text, conf)
		got, err := p.Run(t.Context(), o.list(t, inOrder(400), 100), rehearsal.Progress{}, nil, nil)
		if err != nil {
			t.Fatal(err)
		}
		return got.Summary, p.Carried
	}
	if s, carried := run(strings.Replace(unread, "Long enough asleep", "Time asleep", 1)); s.Changed != 0 || s.Moved != 0 || !slices.Equal(carried, []string{"asleep"}) {
		t.Errorf("renamed: %+v, carried %q", s, carried)
	}
	if s, carried := run(strings.Replace(unread, "5 min", "5.5 min", 1)); s.Changed == 0 || len(s.Unconfirmed) != 1 || s.Unconfirmed[0].What != "asleep" || s.Unconfirmed[0].Cases < s.Changed || len(carried) != 0 {
		t.Errorf("another figure: %+v, carried %q", s, carried)
	}
	if s, carried := run(strings.Replace(unread, "edition: first edition", "edition: second edition", 1)); s.Changed == 0 || len(carried) != 0 {
		t.Errorf("another document: %+v, carried %q", s, carried)
	}
}

// TestOrderAndInterruption: whatever the order, the size of pages and the
// number of workers, and wherever a run is cancelled and taken up again through
// its JSON, the summary and the lines are the same, each line once.
func TestOrderAndInterruption(t *testing.T) {
	const n = 900
	o := populate(t, n)
	p := plan(t, synthetic(t, inForce), region, draft, nil)
	collect := func(into map[string]string) func(rehearsal.Line) error {
		return func(l rehearsal.Line) error {
			if _, twice := into[l.Case]; twice {
				t.Errorf("case %s has two lines", l.Case)
			}
			b, err := json.Marshal(l)
			into[l.Case] = string(b)
			return err
		}
	}
	lines := map[string]string{}
	want, err := p.Run(t.Context(), o.list(t, inOrder(n), n), rehearsal.Progress{}, nil, collect(lines))
	if err != nil {
		t.Fatal(err)
	}
	r := rand.New(rand.NewPCG(1, 2))
	for round := range 4 {
		order := inOrder(n)
		r.Shuffle(n, func(i, j int) { order[i], order[j] = order[j], order[i] })
		list := o.list(t, order, 10+r.IntN(90))
		p.Workers = 1 + round
		got := rehearsal.Progress{}
		found := map[string]string{}
		stops := 0
		for !got.Done {
			ctx, stop := context.WithCancel(t.Context())
			// Cut off in the middle of a page, by whichever case is being read.
			left := 1 + r.IntN(150)
			cut := func(c context.Context, after string, limit int) ([]rehearsal.Case, string, error) {
				page, next, err := list(c, after, limit)
				for i := range page {
					if left--; left == 0 {
						load := page[i].Load
						page[i].Load = func(ctx context.Context) (*qualify.Kept, error) {
							stop()
							if _, err := load(ctx); err != nil {
								return nil, err
							}
							return nil, ctx.Err()
						}
					}
				}
				return page, next, err
			}
			pages := 0
			next, err := p.Run(ctx, cut, got, func(rehearsal.Progress) { pages++ }, collect(found))
			stop()
			switch {
			case errors.Is(err, context.Canceled):
				stops++
			case err != nil:
				t.Fatal(err)
			}
			b, err := json.Marshal(next)
			if err != nil {
				t.Fatal(err)
			}
			got = rehearsal.Progress{}
			if err := json.Unmarshal(b, &got); err != nil {
				t.Fatal(err)
			}
		}
		if stops == 0 {
			t.Error("no run was cut off")
		}
		if !reflect.DeepEqual(got.Summary, want.Summary) || !maps.Equal(found, lines) {
			t.Errorf("round %d, %d stops: found\n%+v\nexpected\n%+v", round, stops, got.Summary, want.Summary)
		}
	}
	other := plan(t, synthetic(t, inForce), region, inForce, nil)
	if _, err := other.Run(t.Context(), o.list(t, inOrder(n), n), want, nil, nil); !errors.Is(err, rehearsal.ErrProgress) {
		t.Errorf("progress of another draft: %v", err)
	}
}
