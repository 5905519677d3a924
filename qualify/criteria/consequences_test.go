package criteria

import (
	"math/big"
	"math/rand"
	"reflect"
	"slices"
	"strings"
	"testing"

	"airwarrant/rules"
)

// following is an invented pack of which things follow.
func following(t *testing.T) *rules.Pack {
	p := packOf(allOf("r", yes("a", "symptoms"), anyOf("g", yes("b", "sleep_apnea"), yes("c", "same_sitting"))))
	flow := &rules.Node{Fact: "prescribed_flow", MoreThan: quantities(t, "4 L/min")}
	p.Allows = []rules.Consequence{
		{When: "r", Kind: "high_flow", If: flow, Text: "More.", Cite: []string{"doc"}, Status: rules.Verified},
		{When: "r", Kind: "portable", Unless: "c", If: &rules.Node{Fact: "mobile_in_home", Is: "true"}, Text: "Portable.", Status: rules.Secondary},
	}
	p.FollowUp = []rules.Consequence{
		{When: "b", Kind: "retest", Due: &rules.Due{From: "start_date", AtLeast: quantity(t, "61 days"), AtOrBelow: quantity(t, "90 days")}, Text: "Test again.", Status: rules.Draft},
	}
	p.Prompts = []rules.Prompt{
		{Text: "Note the state.", Cite: []string{"doc"}, Status: rules.Verified},
		{If: &rules.Node{Fact: "altitude", MoreThan: quantities(t, "1500 m")}, Text: "Note the altitude.", Cite: []string{"doc"}, Status: rules.Draft},
	}
	return p
}

// What follows holds, is left out or is open as its conditions have it, and
// its questions never come among those of the outcome.
func TestConsequences(t *testing.T) {
	cases := []struct {
		name             string
		facts            map[string]string
		allows, followUp []string
		open             []string // text and what it asks
	}{
		{"nothing known of what follows", nil, nil, nil, []string{"More.: prescribed_flow", "Portable.: mobile_in_home", "Test again.: start_date"}},
		{"above the flow", map[string]string{"prescribed_flow": "4.1", "mobile_in_home": "true", "start_date": "2030-02-01"},
			[]string{"More.", "Portable."}, []string{"Unverified: Test again. From 2030-04-03 to 2030-05-02 (day 0 is 2030-02-01)."}, nil},
		{"at the flow, not mobile", map[string]string{"prescribed_flow": "4", "mobile_in_home": "false", "start_date": "2030-02-01"},
			nil, []string{"Unverified: Test again. From 2030-04-03 to 2030-05-02 (day 0 is 2030-02-01)."}, nil},
		{"asked, and nobody knows", map[string]string{"prescribed_flow": "unknown", "mobile_in_home": "unknown", "start_date": "unknown"}, nil, nil,
			[]string{"More.: ", "Portable.: ", "Test again.: "}},
		{"the clause that must not be met is", map[string]string{"prescribed_flow": "4", "mobile_in_home": "true", "same_sitting": "true", "start_date": "unknown"}, nil, nil, []string{"Test again.: "}},
		{"the clause that must not be met is open", map[string]string{"prescribed_flow": "4", "mobile_in_home": "true", "same_sitting": "", "start_date": "unknown"}, nil, nil, []string{"Portable.: same_sitting", "Test again.: "}},
		{"a day at the end of the calendar", map[string]string{"prescribed_flow": "4", "mobile_in_home": "false", "start_date": "9999-12-01"}, nil, nil, []string{"Test again.: start_date"}},
	}
	for _, c := range cases {
		p := following(t)
		facts := map[string]string{"symptoms": "true", "sleep_apnea": "true", "same_sitting": "false"}
		for k, v := range c.facts {
			facts[k] = v
			if v == "" {
				delete(facts, k)
			}
		}
		d := Determine(p, Facts{Named: stated(t, facts)}, nil)
		if d.Outcome != Qualifies || len(d.Needs) != 0 {
			t.Errorf("%s: expected qualifies without a question, found %s asking %v", c.name, d.Outcome, asksOf(d))
		}
		var open []string
		for _, x := range d.Consequences {
			if x.State != Open {
				continue
			}
			var asks []string
			for _, a := range x.Asks {
				asks = append(asks, a.Fact)
				if a.Question == "" || a.Who == "" {
					t.Errorf("%s: %s is asked without words or of nobody", c.name, a.Fact)
				}
			}
			open = append(open, x.Text+": "+strings.Join(asks, " "))
		}
		if !slices.Equal(d.Allows, c.allows) || !slices.Equal(d.FollowUp, c.followUp) || !slices.Equal(open, c.open) {
			t.Errorf("%s:\nallows    %q\nfollow-up %q\nopen      %q", c.name, d.Allows, d.FollowUp, open)
		}
	}
}

// Prompts hold whatever the outcome, and move none.
func TestPrompts(t *testing.T) {
	p := following(t)
	const always, high = "Note the state. See Example Coverage Notice, section 4.2 (2030).", "Unverified: Note the altitude. See Example Coverage Notice, section 4.2 (2030)."
	for _, symptoms := range []string{"true", "false", "unknown"} {
		var without Determination
		for _, c := range []struct {
			altitude string
			want     []string
			asks     int
		}{{"unknown", []string{always}, 0}, {"", []string{always}, 1}, {"1500", []string{always}, 0}, {"1501", []string{always, high}, 0}, {"5000 ft", []string{always, high}, 0}} { // 1524 m, the foot being 0.3048 m by definition
			facts := map[string]string{"symptoms": symptoms, "sleep_apnea": "true", "altitude": c.altitude}
			if c.altitude == "" {
				delete(facts, "altitude")
			}
			d := Determine(p, Facts{Named: stated(t, facts)}, nil)
			if !slices.Equal(d.Document, c.want) || len(d.DocumentAsks) != c.asks {
				t.Errorf("altitude %q: %q, asking %v", c.altitude, d.Document, d.DocumentAsks)
			}
			d.Document, d.DocumentAsks = nil, nil
			if without.Outcome == "" {
				without = d
			} else if !reflect.DeepEqual(d, without) {
				t.Errorf("altitude %q moved more than the prompts", c.altitude)
			}
		}
	}
}

// julianDay numbers the days of the calendar by the formula of H. F. Fliegel
// and T. C. Van Flandern, A Machine Algorithm for Processing Calendar Dates,
// Communications of the ACM 11 (1968), 657 (from memory).
func julianDay(d rules.Date) int {
	y, m := d.Year, d.Month
	return d.Day - 32075 + 1461*(y+4800+(m-14)/12)/4 + 367*(m-2-(m-14)/12*12)/12 - 3*((y+4900+(m-14)/12)/100)/4
}

// A due date is so many days of the calendar after day 0.
func TestDueDates(t *testing.T) {
	day := func(s string) rules.Date {
		d, err := rules.ParseDate(s)
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	for _, c := range []struct{ from, after, want string }{
		{"2000-01-01", "366 days", "2001-01-01"}, // 2000 is a leap year, 2100 is none (Inter gravissimas, 1582)
		{"2100-02-28", "1 days", "2100-03-01"},
		{"2024-02-28", "1 days", "2024-02-29"},
		{"2024-01-31", "30 days", "2024-03-01"},
		{"2023-01-31", "30 days", "2023-03-02"},
		{"2024-01-01", "0 days", "2024-01-01"},
		{"2024-01-01", "61 days", "2024-03-02"},
		{"2024-01-01", "90 days", "2024-03-31"}, // the 91st day of a leap year is 31 March (ISO 8601 ordinal date 2024-091)
		{"2024-12-30", "1 weeks", "2025-01-06"}, // both Mondays, the first of ISO weeks 2025-W01 and W02
		// The documented example of java.time.LocalDate.plusMonths: one month after
		// 31 March 2007 is 30 April 2007 (from memory).
		{"2007-03-31", "1 months", "2007-04-30"},
		{"2024-01-31", "1 months", "2024-02-29"},
		{"2024-11-30", "3 months", "2025-02-28"},
		{"2024-12-15", "1 months", "2025-01-15"},
		// and of plusYears: one year after 29 February 2008 is 28 February 2009
		// (from memory).
		{"2008-02-29", "1 years", "2009-02-28"},
		{"2008-02-29", "4 years", "2012-02-29"},
	} {
		if got := dueDate(day(c.from), quantity(t, c.after)); *got != day(c.want) {
			t.Errorf("%s after %s: expected %s, found %s", c.after, c.from, c.want, got)
		}
	}
	r := rand.New(rand.NewSource(11))
	for range 2000 {
		from := rules.Date{Year: 1900, Month: 1, Day: 1}.AddDays(r.Intn(80_000))
		n := r.Intn(36_526)
		to := dueDate(from, &rules.Quantity{Rat: big.NewRat(int64(n), 1), Unit: "days"})
		if got := julianDay(*to) - julianDay(from); got != n {
			t.Fatalf("%s and %d days: found %s, %d days later", from, n, to, got)
		}
	}
}

// A case that does not qualify, or is undetermined, gets nothing: no
// equipment, no modifier, no further group, no date; whatever the pack and the
// facts. Questions about what follows never enter those about the outcome.
func TestNothingFollowsFromAFailedTest(t *testing.T) {
	lib, err := rules.Embedded()
	if err != nil {
		t.Fatal(err)
	}
	outcomes := map[Outcome]int{}
	r := rand.New(rand.NewSource(5))
	for _, region := range lib.Regions() {
		for _, p := range lib.History(region.Region) {
			kinds := map[string]bool{}
			for _, c := range slices.Concat(p.Allows, p.FollowUp) {
				kinds[c.Text] = true
			}
			nights := []string{"", "95 6h, 88 4m59s", "95 6h, 88 5m", "96 7h, 84 40m", "93 3h, 79 2h"}
			for range 40 {
				f := Facts{Named: randomFacts(t, r, p)}
				if s := nights[r.Intn(len(nights))]; s != "" {
					f.Night = night(t, s)
				}
				d := Determine(p, f, nil)
				outcomes[d.Outcome]++
				if d.Consequences == nil || d.Allows == nil || d.FollowUp == nil || d.Document == nil || d.DocumentAsks == nil {
					t.Fatalf("%s: a list is nil", p.File)
				}
				if d.Outcome != Qualifies {
					if n := len(d.Consequences) + len(d.Allows) + len(d.FollowUp); n != 0 {
						t.Fatalf("%s: %s, and %d things follow: %+v", p.File, d.Outcome, n, d.Consequences)
					}
					continue
				}
				held := 0
				for _, c := range d.Consequences {
					if c.State == Holds {
						held++
					} else if c.From != nil && c.Until != nil && c.DayZero == nil {
						t.Fatalf("%s: %q has dates and no day 0", p.File, c.Text)
					}
					if !kinds[c.Text] || c.Kind == "" || c.Asks == nil {
						t.Fatalf("%s: %+v", p.File, c)
					}
				}
				if held != len(d.Allows)+len(d.FollowUp) || len(d.Needs) != 0 {
					t.Fatalf("%s: %d hold, of %q and %q, asking %v", p.File, held, d.Allows, d.FollowUp, asksOf(d))
				}
			}
			// The same for the cases beside the pack, in which most qualify.
			for _, c := range RunCases(p, p.Cases, p.CasesFile) {
				d := c.Determination
				outcomes[d.Outcome]++
				if d.Outcome != Qualifies && len(d.Consequences)+len(d.Allows)+len(d.FollowUp) != 0 {
					t.Errorf("%s: %s: %s, and something follows", p.CasesFile, c.Name, d.Outcome)
				}
			}
		}
	}
	for _, o := range []Outcome{Qualifies, DoesNotQualify, Undetermined} {
		if outcomes[o] < 100 {
			t.Errorf("only %d cases came out as %s", outcomes[o], o)
		}
	}
}

// randomFacts states the facts that a pack reads, each at random or not at
// all; numbers lie about the limits of the pack.
func randomFacts(t *testing.T, r *rand.Rand, p *rules.Pack) map[string]Fact {
	t.Helper()
	near := map[string][]*big.Rat{}
	names := map[string]bool{"test_date": true, "start_date": true}
	var read func(name string)
	read = func(name string) {
		d, ok := rules.Lookup(name)
		if ok && d.Settles != "computed" {
			names[name] = true
		}
		for _, from := range d.From {
			read(from)
		}
	}
	p.Walk(func(n *rules.Node, _ bool) {
		if n.Fact == "" {
			return
		}
		read(n.Fact)
		for _, qs := range []rules.Quantities{n.AtOrBelow, n.Below, n.AtLeast, n.MoreThan, n.EqualTo} {
			if len(qs) > 0 {
				near[n.Fact] = append(near[n.Fact], qs[0].Rat)
			}
		}
	})
	out := map[string]Fact{}
	for _, d := range rules.Vocabulary() {
		if !names[d.Name] || d.Type == rules.TypeList || r.Intn(4) == 0 {
			continue
		}
		if r.Intn(12) == 0 {
			out[d.Name] = Fact{Name: d.Name, State: Unknown}
			continue
		}
		f := Fact{Name: d.Name, State: Stated}
		switch d.Type {
		case rules.TypeBool, rules.TypePaper:
			f.Value.Bool = r.Intn(3) > 0
		case rules.TypeWord:
			f.Value.Word = d.Words[r.Intn(len(d.Words))]
		case rules.TypeDate:
			f.Value.Date = p.EffectiveFrom.AddDays(r.Intn(60))
			if d.Name == "birth_date" {
				f.Value.Date = p.EffectiveFrom.AddDays(-r.Intn(30_000))
			}
		case rules.TypeOxygen:
			f.Value = Value{Word: "room_air"}
			if r.Intn(4) == 0 {
				f.Value = Value{Word: "oxygen", Num: big.NewRat(2, 1), Unit: "L/min"}
			}
		default:
			f.Value = Value{Num: big.NewRat(int64(r.Intn(100)), 1), Unit: d.Unit}
			if list := near[d.Name]; len(list) > 0 {
				x := new(big.Rat).Add(list[r.Intn(len(list))], big.NewRat(int64(r.Intn(3)-1), 1))
				if x.Sign() >= 0 {
					f.Value.Num = x
				}
			}
		}
		out[d.Name] = f
	}
	return out
}
