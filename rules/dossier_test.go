package rules_test

import (
	"slices"
	"strings"
	"testing"

	"airwarrant/qualify/criteria"
	"airwarrant/rules"
)

// boundary is a row of the Medicare dossier, section 5, with what it expects.
// Outcomes and consequences are typed from the dossier, not from the packs.
type boundary struct {
	number  int
	version string
	name    string // beginning of the name of the case in the pack, without its last words
	outcome criteria.Outcome
	follows []string // parts of what follows: held equipment, modifiers, dates
	lacks   []string // parts of nothing that holds or is open
}

const (
	qualifies = criteria.Qualifies
	fails     = criteria.DoesNotQualify
	undecided = criteria.Undetermined
)

var stationaryOnly = []string{"Portable equipment too", "Portable equipment for use"}

// The 61 boundary cases of the Medicare dossier, section 5. "As shipped" is
// what a draft figure makes of a case: it decides nothing; "drafts confirmed"
// is the dossier's own answer.
var boundaries = []boundary{
	{1, "2023-04-01", "case 1 (D)", qualifies, []string{"N1 (Group I)", "Stationary equipment."}, []string{"N2", "N3"}},
	{2, "2023-04-01", "case 2 (D)", fails, nil, nil},
	{3, "2023-04-01", "case 3 (D", qualifies, []string{"N1"}, nil},
	{4, "2023-04-01", "case 4 (D", fails, nil, nil},
	{5, "2023-04-01", "case 5 (O)", qualifies, []string{"N1"}, nil},
	{6, "2023-04-01", "case 6 (O)", qualifies, []string{"N1"}, nil},
	{7, "2023-04-01", "case 7 (O)", fails, nil, nil},
	{8, "2023-04-01", "case 8 (O)", fails, nil, nil},
	{9, "2023-04-01", "case 9 (D): blood gas 57 mmHg and 88 % on one day", fails, nil, nil},
	{10, "2023-04-01", "case 10 (D", qualifies, []string{"N1"}, nil},
	{11, "2023-04-01", "case 11 (D)", qualifies, []string{"N1", "for use during sleep"}, stationaryOnly},
	{12, "2023-04-01", "case 12 (O)", undecided, nil, nil},
	{13, "2021-09-27", "case 13 (O)", undecided, nil, nil},
	{14, "2004-01-01", "case 14 (D)", fails, nil, nil},
	{15, "2023-04-01", "case 15 (D)", qualifies, []string{"for use during sleep"}, stationaryOnly},
	{16, "2023-04-01", "case 16 (O)", undecided, nil, nil},
	{17, "2023-04-01", "case 17 (O)", qualifies, []string{"Stationary equipment.", "Portable equipment too"}, []string{"for use during sleep"}},
	{18, "2023-04-01", "case 18 (D)", qualifies, []string{"Stationary equipment for use during sleep", "Portable equipment is not covered"}, stationaryOnly},
	{19, "2023-04-01", "case 19 (D) as shipped", undecided, nil, nil},
	{19, "2023-04-01", "case 19 (D), drafts confirmed", fails, nil, nil},
	{20, "2023-04-01", "case 20 (D) as shipped", undecided, nil, nil},
	{20, "2023-04-01", "case 20 (D), drafts confirmed", qualifies, []string{"for use during sleep"}, stationaryOnly},
	{21, "2023-04-01", "case 21 (D): as 20, symptoms not asked yet", undecided, nil, nil},
	{21, "2023-04-01", "case 21 (D): as 20, attested", fails, nil, nil},
	{22, "2023-04-01", "case 22 (D, from memory) as shipped", undecided, nil, nil},
	{22, "2023-04-01", "case 22 (D, from memory), drafts confirmed", fails, nil, nil},
	{23, "2023-04-01", "case 23 (O)", qualifies, []string{"for use during sleep"}, stationaryOnly},
	{24, "2023-04-01", "case 24 (O) as shipped", undecided, nil, nil},
	{24, "2023-04-01", "case 24 (O), drafts confirmed", qualifies, nil, stationaryOnly},
	{25, "2023-04-01", "case 25 (D)", fails, nil, nil},
	{26, "2023-04-01", "case 26 (D)", qualifies, []string{"N1", "Portable equipment for use awake"}, []string{"Stationary equipment"}},
	{27, "2023-04-01", "case 27 (D)", fails, nil, nil},
	{28, "2023-04-01", "case 28 (O)", undecided, nil, nil},
	{29, "2023-04-01", "case 29 (D)", fails, nil, nil},
	{30, "2023-04-01", "case 30 (O)", qualifies, []string{"N1"}, nil},
	{31, "2023-04-01", "case 31 (D)", fails, nil, nil},
	{32, "2023-04-01", "case 32 (D)", fails, nil, nil},
	{33, "2023-04-01", "case 33 (D)", fails, nil, nil},
	{34, "2023-04-01", "case 34 (O)", qualifies, []string{"Stationary equipment."}, []string{"Portable equipment for use"}},
	{35, "2023-04-01", "case 35 (D)", fails, nil, nil},
	{36, "2023-04-01", "case 36 (O)", undecided, nil, nil},
	{37, "2023-04-01", "case 37 (D): 89 % and P wave exactly 3 mm", fails, nil, nil},
	{37, "2023-04-01", "case 37 (D): 89 % and P wave 3.5 mm", qualifies, []string{"N2"}, []string{"N1", "N3"}},
	// The start is 2024-03-23, and day 61 and 90 after it 2024-05-23 and 2024-06-21.
	{38, "2023-04-01", "case 38 (D)", qualifies, []string{"N2 (Group II)", "From 2024-05-23 to 2024-06-21 (day 0 is 2024-03-23)", "new order"}, []string{"N1", "N3"}},
	{39, "2023-04-01", "case 39 (O)", undecided, nil, nil},
	{40, "2023-04-01", "case 40 (D)", fails, nil, nil},
	{41, "2023-04-01", "case 41 (D, O)", qualifies, []string{"N1"}, nil},
	{42, "2023-04-01", "case 42 (D)", fails, nil, nil},
	{43, "2023-04-01", "case 43 (D)", qualifies, nil, stationaryOnly},
	{44, "2023-04-01", "case 44 (D)", fails, nil, nil},
	{45, "2023-04-01", "case 45 (D)", fails, nil, nil},
	{46, "2023-04-01", "case 46 (D, O)", qualifies, []string{"N1", "By 2024-03-15 (day 0 is 2024-03-13)"}, nil},
	{47, "2023-04-01", "case 47 (O)", undecided, nil, nil},
	{48, "2023-04-01", "case 48 (D)", fails, nil, nil},
	{49, "2023-04-01", "case 49 (D)", qualifies, []string{"N1", "for use during sleep"}, stationaryOnly},
	{50, "2023-04-01", "case 50 (D)", fails, nil, nil},
	{51, "2023-04-01", "case 51 (D)", fails, nil, nil},
	{52, "2023-04-01", "case 52 (D)", qualifies, []string{"for use during sleep"}, stationaryOnly},
	{53, "2023-04-01", "case 53 (D)", fails, nil, nil},
	{54, "2023-04-01", "case 54 (O)", qualifies, []string{"N1"}, []string{"for use during sleep"}},
	{55, "2021-09-27", "case 55 (O)", undecided, nil, nil},
	{56, "2023-04-01", "case 56 (D)", qualifies, []string{"N1"}, nil},
	// Day 91 is late: that coverage resumes from a late test is from memory
	// (section 2.10), so that nothing decides it.
	{57, "2023-04-01", "case 57 (D): repeat test of Group II on day 60", fails, nil, nil},
	{57, "2023-04-01", "case 57 (D): repeat test of Group II on day 61", qualifies, []string{"N2"}, nil},
	{57, "2023-04-01", "case 57 (D): repeat test of Group II on day 90", qualifies, []string{"N2"}, nil},
	{57, "2023-04-01", "case 57 (D, from memory what follows)", undecided, nil, nil},
	{58, "2021-09-27", "case 58 (O)", undecided, nil, nil},
	{58, "2023-01-01", "case 58 (O)", qualifies, []string{"N3 (Group III)"}, []string{"N1", "N2"}},
	{58, "2023-04-01", "case 58 (O)", qualifies, []string{"N3 (Group III)"}, []string{"N1", "N2"}},
	{59, "2023-04-01", "case 59 (D)", qualifies, []string{"paid at the standard rate"}, nil},
	{60, "2023-04-01", "case 60 (D): 2 L/min by day, 7 at night, no portable equipment", qualifies, []string{"modifier QR"}, []string{"modifier QB"}},
	{60, "2023-04-01", "case 60 (D): 2 L/min by day, 7 at night, portable equipment ordered", qualifies, []string{"modifier QB"}, []string{"modifier QR"}},
	{61, "2023-04-01", "case 61 (O)", fails, nil, nil},
}

// Each of the 61 boundary cases of the Medicare dossier, section 5, is a case
// of the version that it names, with the dossier's outcome and what follows.
func TestEveryBoundaryCaseOfTheMedicareDossier(t *testing.T) {
	results := map[string][]criteria.CaseResult{}
	for _, p := range embedded(t).History("us-medicare") {
		results[p.EffectiveFrom.String()] = criteria.RunCases(p, p.Cases, p.CasesFile)
	}
	numbers := map[int]bool{}
	for _, b := range boundaries {
		numbers[b.number] = true
		t.Run(b.version+" "+b.name, func(t *testing.T) {
			var found []criteria.CaseResult
			for _, r := range results[b.version] {
				if strings.HasPrefix(r.Name, b.name) {
					found = append(found, r)
				}
			}
			if len(found) != 1 {
				t.Fatalf("us-medicare/%s.cases.yaml: expected one case whose name begins with %q, found %d", b.version, b.name, len(found))
			}
			r := found[0]
			d := r.Determination
			if !r.Message.IsZero() || d.Outcome != b.outcome {
				t.Errorf("%s:%d: expected %s, found %s %s", r.File, r.Line, b.outcome, d.Outcome, r.Message)
			}
			held := slices.Concat(d.Allows, d.FollowUp)
			for _, s := range b.follows {
				if !strings.Contains(strings.Join(held, "\n"), s) {
					t.Errorf("%s:%d: expected %q among what follows, found %q", r.File, r.Line, s, held)
				}
			}
			for _, s := range b.lacks {
				if strings.Contains(strings.Join(held, "\n"), s) {
					t.Errorf("%s:%d: %q follows, and should not: %q", r.File, r.Line, s, held)
				}
			}
			if b.outcome != qualifies && len(held)+len(d.Consequences) != 0 {
				t.Errorf("%s:%d: %s, and %q follows", r.File, r.Line, d.Outcome, held)
			}
		})
	}
	for n := 1; n <= 61; n++ {
		if !numbers[n] {
			t.Errorf("no case of the packs for number %d of the dossier's section 5", n)
		}
	}
}

// High-flow payment is what case 59 leaves open, and the stated pigmentation
// of case 61 is a prompt and no more (the Medicare dossier, sections 2.8 and
// 2.11).
func TestOpenPaymentAndPromptOfTheMedicareDossier(t *testing.T) {
	p, err := embedded(t).InForce("us-medicare", rules.Date{Year: 2024, Month: 3, Day: 13})
	if err != nil {
		t.Fatal(err)
	}
	seen := 0
	for _, r := range criteria.RunCases(p, p.Cases, p.CasesFile) {
		d := r.Determination
		switch {
		case strings.HasPrefix(r.Name, "case 59 "):
			seen++
			for _, c := range d.Consequences {
				if c.Kind == "high_flow" && (c.State != criteria.Open || len(c.Asks) == 0) {
					t.Errorf("high flow %s, asking %v", c.State, c.Asks)
				}
			}
		case strings.HasPrefix(r.Name, "case 61 "):
			seen++
			if len(d.Document) != 1 || !strings.Contains(d.Document[0], "practitioner's decision") {
				t.Errorf("prompts %q", d.Document)
			}
		}
	}
	if seen != 2 {
		t.Errorf("found %d of cases 59 and 61", seen)
	}
}
