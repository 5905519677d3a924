package worksheet

import (
	"flag"
	"html"
	"math/big"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"airwarrant/qualify/analysis"
	"airwarrant/qualify/criteria"
	"airwarrant/rules"
)

var update = flag.Bool("update", false, "rewrite the golden worksheets; read the difference before committing it")

// TestGolden compares the plain text of each situation with the stored one.
func TestGolden(t *testing.T) {
	for _, name := range sampleNames {
		got := text(t, New(sample(name)))
		path := filepath.Join("..", "..", "testdata", "golden", "worksheet-"+name+".txt")
		if *update {
			if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if got != string(want) {
			t.Errorf("%s: the worksheet differs from %s; read the difference and run with -update if it is meant\n%s", name, path, got)
		}
	}
}

// TestHeadline holds the two lines for each outcome, disposition and footing.
func TestHeadline(t *testing.T) {
	missing := []criteria.OnFile{{Item: "the signed order", State: "missing"}, {Item: "the report", State: "seen"}}
	for _, c := range []struct {
		name    string
		outcome criteria.Outcome
		how     string
		unseen  bool
		barred  bool
		onFile  []criteria.OnFile
		needs   []criteria.Need
		symbol  string
		first   string
		second  string
	}{
		{"met", criteria.Qualifies, "covered", false, false, missing, nil, "✓",
			"Written criteria met: because.", "Still missing on file (1 of 2): the signed order."},
		{"met, all papers", criteria.Qualifies, "covered", false, false, missing[1:], nil, "✓",
			"Written criteria met: because.", "Every paper that must be on file is seen or located."},
		{"met on a report", criteria.Qualifies, "covered", true, false, missing[1:], nil, "✓",
			"Written criteria met (recording not seen, figures as typed): because.", "Every paper"},
		{"referral", criteria.Qualifies, "refer", false, false, nil, nil, "✓", "Written criteria for referral met: because.", "Every paper"},
		{"not met", criteria.DoesNotQualify, "not_covered", false, false, nil, nil, "✗",
			"Written criteria not met: because.", "This is not the same as needing no oxygen: treatment is for the treating practitioner to decide."},
		{"not met, paper missing", criteria.DoesNotQualify, "not_covered", false, false, missing, nil, "✗",
			"Written criteria not met: because.", "decide. Still missing on file (1 of 2): the signed order."},
		{"invalid", criteria.DoesNotQualify, "invalid_test", false, false, nil, nil, "✗", "Not a test that the written criteria accept: because.", "not the same"},
		{"advised against", criteria.DoesNotQualify, "recommended_against", false, false, nil, nil, "✗", "The written criteria recommend against oxygen at home: because.", "not the same"},
		{"refer", criteria.DoesNotQualify, "refer", false, false, nil, nil, "✗", "Written criteria not met, refer: because.", "not the same"},
		{"one question", criteria.Undetermined, "incomplete", false, false, nil, []criteria.Need{{Question: "Room air?", Who: rules.Tester}}, "?",
			"Undetermined, facts are missing: because.", "Decides next, from the tester: Room air?"},
		{"three questions", criteria.Undetermined, "incomplete", false, false, nil,
			[]criteria.Need{{Question: "Room air?", Who: rules.Tester}, {Question: "b?"}, {Question: "c?"}}, "?",
			"Undetermined, facts are missing", "Room air? 2 more questions are below."},
		{"a question and a clause to confirm", criteria.Undetermined, "incomplete", false, false, nil,
			[]criteria.Need{{Question: "Room air?", Who: rules.Tester}, {Question: "b?", Who: rules.Maintainer}}, "?",
			"Undetermined, facts are missing", "Room air? One more question is below, for the rule maintainer."},
		{"questions and a clause to confirm", criteria.Undetermined, "incomplete", false, false, nil,
			[]criteria.Need{{Question: "Room air?", Who: rules.Tester}, {Question: "b?"}, {Question: "c?", Who: rules.Maintainer}}, "?",
			"Undetermined, facts are missing", "Room air? 2 more questions are below, 1 of them for the rule maintainer."},
		{"draft", criteria.Undetermined, "manual_review", false, false, nil, nil, "?", "Undetermined, a person has to review it: because.", "No question is left"},
		{"not addressed", criteria.Undetermined, "not_addressed", false, false, nil, nil, "?", "Undetermined, the written criteria do not address this case: because.", ""},
		{"deferred", criteria.Undetermined, "deferred", false, false, nil, nil, "?", "Undetermined, the payer's text defers the decision: because.", ""},
		{"barred", criteria.Undetermined, "incomplete", true, true, nil, nil, "?", "Undetermined, facts are missing (recording withheld and not read): because.", ""},
	} {
		in := sample("met")
		d := &in.Determination
		d.Outcome, d.Disposition, d.OnFile, d.Needs, d.CustodyBarred, d.Because = c.outcome, c.how, c.onFile, c.needs, c.barred, "because"
		d.DecidedBy, d.Clauses = nil, nil // the determination's own sentence is told
		if c.unseen {
			in.Recording, in.Analysis = nil, nil
		}
		w := New(in)
		if w.Verdict.Symbol != c.symbol || !strings.HasPrefix(w.Headline[0], strings.TrimSuffix(c.first, ".")) || !strings.Contains(w.Headline[1], c.second) {
			t.Errorf("%s: got %s %q %q, want %s %q %q", c.name, w.Verdict.Symbol, w.Headline[0], w.Headline[1], c.symbol, c.first, c.second)
		}
	}
}

// TestDecidingInEveryFormat: value, threshold and citation of each deciding
// clause, and the verdict by word and symbol, reach text, page and model.
func TestDecidingInEveryFormat(t *testing.T) {
	for _, name := range []string{"met", "not-met", "open", "report"} {
		in := sample(name)
		w := New(in)
		plain := strings.Join(strings.Fields(text(t, w)), " ")
		onPage := html.UnescapeString(fragment(t, w))
		found := decidingFindings(in.Determination)
		if len(found) == 0 {
			t.Fatalf("%s: no clause decided", name)
		}
		sec := w.Section("deciding")
		for _, f := range found {
			m := verdictMark(f.Outcome)
			n := slices.IndexFunc(sec.Table.Rows, func(r Row) bool { return r.Cells[0].Sub == f.ID })
			if n < 0 {
				t.Fatalf("%s: clause %s has no row", name, f.ID)
			}
			row := sec.Table.Rows[n].Cells
			if row[0].Text != f.Label || row[1].Text != f.Asked || row[2].Text != f.Found || *row[3].Mark != *m || row[4].Text != "1" || row[4].Sub != "verified" {
				t.Errorf("%s: the row of %s is %v", name, f.ID, row)
			}
			if !slices.Contains(sec.Items, "1: "+sampleCite) {
				t.Errorf("%s: sources %q", name, sec.Items)
			}
			for _, s := range []string{f.Label, f.Found, f.Asked, sampleCite} {
				if !strings.Contains(onPage, s) {
					t.Errorf("%s: the page lacks %q", name, s)
				}
				// Columns part a text, never a word.
				for _, word := range strings.Fields(s) {
					if !strings.Contains(plain, word) {
						t.Errorf("%s: the text lacks %q of %q", name, word, s)
					}
				}
			}
			if !strings.Contains(plain, m.String()) || !strings.Contains(onPage, m.Symbol+"</span> "+m.Word) {
				t.Errorf("%s: verdict %v not told by symbol and word", name, m)
			}
		}
	}
}

// TestCritical: the alert stands on top whatever the verdict, from recording
// and typed readings, and tells how long and how doubtful.
func TestCritical(t *testing.T) {
	rat := func(n int64) *big.Rat { return big.NewRat(n, 1) }
	for _, c := range []struct {
		name  string
		limit *CriticalLimit
		facts map[string]criteria.Fact
		want  []string // of the alert; none: no alert
	}{
		{"none set", nil, nil, nil},
		{"not reached", &CriticalLimit{AtOrBelow: rat(40)}, nil, nil},
		{"in part doubted", &CriticalLimit{AtOrBelow: rat(86), Source: "our choice"}, nil,
			[]string{"tell the treating practitioner now", "the emergency number", "Lowest reading 84 %", "4 min 44 s at or below 86 %", "of which 52 s doubted", "86 %, our choice"}},
		{"impossible numbers alone", &CriticalLimit{AtOrBelow: rat(60)}, nil, []string{"4 s of numbers at or below 60 % that cannot be told from a fault", "lowest 41 %"}},
		{"typed", &CriticalLimit{AtOrBelow: rat(70)}, map[string]criteria.Fact{"rest_spo2": {State: criteria.Stated, Value: criteria.Value{Num: rat(69), Unit: "%"}}},
			[]string{"on room air as stated: 69 %"}},
		{"hematocrit is no saturation", &CriticalLimit{AtOrBelow: rat(40)}, map[string]criteria.Fact{"hematocrit": {State: criteria.Stated, Value: criteria.Value{Num: rat(39), Unit: "%"}}}, nil},
	} {
		in := sample("met")
		in.Critical, in.Facts = c.limit, c.facts
		got := New(in).Alerts
		if len(c.want) == 0 {
			if len(got) > 0 {
				t.Errorf("%s: alert %q", c.name, got)
			}
			continue
		}
		if len(got) != 1 {
			t.Fatalf("%s: %d alerts, want one", c.name, len(got))
		}
		for _, s := range c.want {
			if !strings.Contains(got[0], s) {
				t.Errorf("%s: %q lacks %q", c.name, got[0], s)
			}
		}
	}
}

// TestCautions: the same on both sides of a threshold (design section 3).
func TestCautions(t *testing.T) {
	met, not := New(sample("met")).Section("cautions").Items, New(sample("not-met")).Section("cautions").Items
	if !slices.Equal(met, not) {
		t.Error("cautions differ between met and not met")
	}
	all := strings.Join(met, " ")
	for _, s := range []string{"no guarantee of coverage", "licensed practitioner", "needs no oxygen", "start, change or stop", "darker skin", "nail varnish", "cold hands", "carbon monoxide", "methaemoglobin", "feeds fire", "carbon dioxide"} {
		if !strings.Contains(all, s) {
			t.Errorf("cautions lack %q", s)
		}
	}
}

// TestProvenanceOfFacts: how each condition is known is told apart.
func TestProvenanceOfFacts(t *testing.T) {
	s := New(sample("open")).Section("conditions")
	for what, how := range map[string]string{
		"Where the test was taken":          "stated",
		"The treating practitioner ordered": "located: order sheet, 2030-02-20, page 3, by Mira Quell, front desk",
		"Symptoms or signs":                 "asked, and not known",
		"What the patient breathed":         "not yet answered",
	} {
		found := false
		for _, r := range s.Table.Rows {
			found = found || strings.HasPrefix(r.Cells[0].Text, what) && strings.HasPrefix(r.Cells[2].Text, how)
		}
		if !found {
			t.Errorf("no row %q known by %q", what, how)
		}
	}
	last := s.Table.Rows[len(s.Table.Rows)-1]
	if !last.Minor || last.Cells[0].Text != "The date of discharge from that stay" || !strings.Contains(last.Cells[2].Text, "no answer can change the outcome") {
		t.Errorf("facts that change nothing are not told: %v", last)
	}
}

// TestMeasuredHeadline: where a measured clause decided, the first line is
// what was found and what was asked; a condition is named.
func TestMeasuredHeadline(t *testing.T) {
	in := sample("met")
	in.Determination.DecidedBy = []string{"air", "asleep-88"}
	in.Determination.Clauses[1].Decided = true
	w := New(in)
	if got, want := w.Headline[0], "Written criteria met: total time at or below 88 %: 6.33 min (5.13 to 6.4); at least 5 min asked."; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
	if got := w.Section("deciding").Table.Rows[0].Cells[0].Sub; got != "asleep-88" {
		t.Errorf("the first deciding row is %s, want the measured one", got)
	}
	in = sample("met")
	in.Determination.Outcome, in.Determination.Disposition, in.Determination.DecidedBy = criteria.DoesNotQualify, "invalid_test", []string{"air"}
	in.Determination.Clauses[1] = leaf("air", "Taken on room air", "room air", "oxygen at 2 L/min", criteria.NotMet, true)
	in.Determination.Clauses[2].Parts[0].Decided = false
	if got, want := New(in).Headline[0], "Not a test that the written criteria accept: Taken on room air: found oxygen at 2 L/min; asked: room air."; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
	if got := New(sample("open")).Headline[0]; !strings.Contains(got, "4.8 to 5.4 min") {
		t.Errorf("an open case does not tell what was measured: %q", got)
	}
}

// TestMinor: every clause, span and condition is in the model; paper leaves
// out the minor ones, and every source number that it prints it lists.
func TestMinor(t *testing.T) {
	in := sample("met")
	span := in.Analysis.Spans[1]
	for i := 0; i < 20; i++ {
		in.Analysis.Spans = append(in.Analysis.Spans, span)
	}
	in.Determination.Clauses[2].Parts[1].Parts = []criteria.Finding{leaf("deep", "Deep", "asked", "found", criteria.NotApplicable, false)}
	in.Determination.Clauses[2].Parts[1].Parts[0].Cites = []string{"a source of a minor clause"}
	w := New(in)
	major := func(id string) (n int) {
		for _, r := range w.Section(id).Table.Rows {
			if !r.Minor {
				n++
			}
		}
		return n
	}
	if all := len(w.Section("spans").Table.Rows); all != 23 || major("spans") != spanLimit {
		t.Errorf("%d spans, %d on paper", all, major("spans"))
	}
	// ordered and air; asleep-88 stands above, the other three do not apply,
	// and so nothing is left under the heading of the group.
	if all := len(w.Section("clauses").Table.Rows); all != 7 || major("clauses") != 2 {
		t.Errorf("%d clauses, %d on paper", all, major("clauses"))
	}
	if w.Section("sources") != nil {
		t.Errorf("paper lists %q", w.Section("sources").Items)
	}
	if s := w.Section("moresources"); s == nil || !s.Minor || !slices.Equal(s.Items, []string{"4: a source of a minor clause"}) {
		t.Errorf("sources of minor clauses: %v", s)
	}
}

// TestChain lays out what Determine makes of the invented example pack: the
// worksheet follows it in words and order.
func TestChain(t *testing.T) {
	lib, err := rules.Embedded()
	if err != nil {
		t.Fatal(err)
	}
	pack, err := lib.InForce("xx-example", rules.Date{Year: 2030, Month: 3, Day: 1})
	if err != nil {
		t.Fatal(err)
	}
	in := sample("met")
	in.Pack, in.Facts = pack, sampleFacts()
	in.Facts["custody"] = criteria.Fact{Name: "custody", State: criteria.Stated, Value: criteria.Value{Word: "sent_by_tester"}}
	in.Determination = criteria.Determine(pack, criteria.Facts{Named: in.Facts, Night: in.Analysis}, nil)
	w := New(in)
	if w.Verdict != (Mark{"Undetermined, facts are missing", "?", "unclear"}) {
		t.Errorf("without the date of the order: %v", w.Verdict)
	}
	if q := w.Section("questions"); q == nil || !strings.Contains(w.Headline[1], "What date does the order for this test carry?") {
		t.Errorf("second line %q", w.Headline[1])
	}
	in.Facts["rest_spo2"] = criteria.Fact{Name: "rest_spo2", State: criteria.Stated, Value: criteria.Value{Num: big.NewRat(94, 1), Unit: "%"}}
	in.Facts["order_date"] = criteria.Fact{Name: "order_date", State: criteria.Stated, Value: criteria.Value{Date: rules.Date{Year: 2030, Month: 2, Day: 20}}}
	in.Determination = criteria.Determine(pack, criteria.Facts{Named: in.Facts, Night: in.Analysis}, nil)
	w = New(in)
	// 6 min 20 s of the night lie at or below 90 %, 7 min are asked.
	if w.Verdict != markNotMetOutcome || !strings.Contains(w.Headline[0], "6.33 min") || !strings.Contains(w.Headline[0], "7 min") {
		t.Errorf("%v %q", w.Verdict, w.Headline[0])
	}
	row := w.Section("deciding").Table.Rows[0].Cells
	if row[0].Sub != "asleep" || row[4].Sub != "verified" || !strings.HasPrefix(w.Section("deciding").Items[0], "1: Example Coverage Notice") {
		t.Errorf("deciding: %v %v", row, w.Section("deciding").Items)
	}
	if tr := w.Section("trace").Trace; tr.Threshold == nil || tr.Threshold.Label != "90 %" {
		t.Error("the line of the trace is not the level of the clause that decided")
	}
	if _, err := w.pdf(PDFOptions{}); err != nil {
		t.Error(err)
	}
}

var markNotMetOutcome = Mark{"Written criteria not met", "✗", "notmet"}

// TestNumbersAreCut: no figure is rounded up to a threshold. 299 s of the
// measurement reference (case C07) is 4.98 min, never 5.0.
func TestNumbersAreCut(t *testing.T) {
	in := sample("met")
	a := in.Analysis
	for _, c := range []struct {
		seconds      int64
		min, inWords string
	}{{299, "4.98", "4 min 59 s"}, {300, "5.00", "5 min"}, {3600, "60.00", "1 h"}, {0, "0.00", "0 s"}, {3661, "61.01", "1 h 1 min 1 s"}} {
		if m, w := minutes(english, a, c.seconds), duration(english, a, c.seconds); m != c.min || w != c.inWords {
			t.Errorf("%d s: %s min, %s; want %s, %s", c.seconds, m, w, c.min, c.inWords)
		}
	}
	fine := *a
	fine.PerSecond = 10
	if m, w := minutes(english, &fine, 2999), duration(english, &fine, 2999); m != "4.99" || w != "4 min 59.9 s" {
		t.Errorf("299.9 s: %s min, %s", m, w)
	}
	if got := cut(english, big.NewRat(2999, 600), 2); got != "4.99" {
		t.Errorf("2999/600 cut to %s", got)
	}
}

// TestReportBounds: a printed figure carries its own rounding (design section
// 2: 5.0 min is 4.95 to 5.05).
func TestReportBounds(t *testing.T) {
	in := sample("report")
	in.Facts["reported_minutes"] = criteria.Fact{State: criteria.Stated, Value: criteria.Value{Num: big.NewRat(5, 1), Unit: "min", Places: 1}}
	rows := New(in).Section("measures").Table.Rows
	c := rows[len(rows)-1].Cells
	if c[1].Text != "4.95 min" || c[2].Text != "5.0 min" || c[3].Text != "5.05 min" {
		t.Errorf("5.0 min printed: got %v", c)
	}
}

// TestEmpty: nothing known is printed as such in every format.
func TestEmpty(t *testing.T) {
	w := New(Input{})
	if got := text(t, w); !strings.Contains(got, "recording not seen") || !strings.Contains(got, "Undetermined") {
		t.Errorf("empty worksheet:\n%s", got)
	}
	if got := fragment(t, w); !strings.HasPrefix(got, `<article class="worksheet">`) {
		t.Errorf("empty page: %.80s", got)
	}
	if _, err := w.pdf(PDFOptions{}); err != nil {
		t.Error(err)
	}
}

// TestSessionNotChosen: a download of several sessions without a choice is
// told, and nothing of it is drawn.
func TestSessionNotChosen(t *testing.T) {
	in := sample("met")
	in.Analysis = nil
	w := New(in)
	if !strings.Contains(w.Headline[0], "no session of the recording chosen") || w.Section("trace").Trace != nil {
		t.Errorf("headline %q", w.Headline[0])
	}
}

// TestVisible: control characters, direction marks and broken bytes are told
// by their code, on every format, so that no text can hide or turn another.
func TestVisible(t *testing.T) {
	for in, want := range map[string]string{
		"a\tb\r\n c":    "a b c",
		"\x1b[31mred":   "[U+001B][31mred",
		"a\u202eb":      "a[U+202E]b",
		"a\xffb":        "a[byte FF]b",
		"\ufeffname":    "[U+FEFF]name",
		"Łucja Thế ≤ ≥": "Łucja Thế ≤ ≥",
		"bad \ufffd":    "bad \ufffd",
	} {
		if got := visible(in); got != want {
			t.Errorf("%q: got %q, want %q", in, got, want)
		}
	}
	x := sample("met")
	x.Case.PatientName = "A\x1b[2J\u202eB"
	w := New(x)
	for what, got := range map[string]string{"text": text(t, w), "page": html.UnescapeString(fragment(t, w))} {
		if strings.ContainsAny(got, "\x1b\u202e") || !strings.Contains(got, "A[U+001B][2J[U+202E]B") {
			t.Errorf("%s: control characters of a name are not shown", what)
		}
	}
}

// TestReadingSaysHowTimeIsCounted checks that both words of the pack's
// accumulation are printed, and nothing for a pack that names none.
func TestReadingSaysHowTimeIsCounted(t *testing.T) {
	night := analysis.FromProfile(nil)
	for word, want := range map[string]string{"cumulative": "add up all time", "longest_run": "longest unbroken time", "": ""} {
		in := Input{Pack: &rules.Pack{Reading: rules.Reading{Accumulation: word}}, Analysis: night}
		got := strings.Join(reading(in), "\n")
		if !strings.Contains(got, want) || strings.Contains(got, "The criteria") != (want != "") {
			t.Errorf("%q: expected %q, found %q", word, want, got)
		}
	}
}
