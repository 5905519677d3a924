package worksheet

import (
	"fmt"
	"math/big"
	"slices"
	"strings"
	"testing"

	"airwarrant/qualify/analysis"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/recording"
	"airwarrant/rules"
)

// noisy is the critical sample with more of everything that fills paper: the
// patient moves every quarter of an hour, the cable comes off again and again,
// and of conditions that were met so many decided.
func noisy(conditions int) Input {
	in := sample("critical")
	rec := in.Recording
	for i := range rec.Time {
		switch t := rec.Time[i] - rec.Time[0]; {
		case t%900 < 40+t/900*4:
			rec.Flags[i] |= recording.FlagMotion
		case t%2700 > 2600:
			rec.SpO2[i] = recording.NoReading
		}
	}
	in.Analysis = analysis.Analyze(rec, rec.Sessions(0)[0], analysis.Options{})
	for i := range conditions {
		f := leaf(fmt.Sprintf("condition-%d", i), fmt.Sprintf("Condition %d of the invented notice, as its section words it", i),
			fmt.Sprintf("what the chart says of matter %d: one of the answers that the notice accepts, or another of them", i), fmt.Sprintf("answer %c", 'a'+rune(i%26)), criteria.Met, true)
		f.Cites = []string{fmt.Sprintf("Harbour Mutual notice 12, section 9.%d, what a chart has to say before a claim is sent, edition 2030", i)}
		in.Determination.Clauses = append(in.Determination.Clauses, f)
		in.Pack.Criteria.AllOf = append(in.Pack.Criteria.AllOf, &rules.Node{ID: f.ID, Fact: "symptoms", Is: "true"})
	}
	return in
}

func setAt(w *Worksheet, pack int) *paper {
	p := newPaper(w, PDFOptions{})
	p.pack = pack
	p.body(w)
	return p
}

// TestAsLooseAsTwoPagesAllow: paper is packed only as far as two pages ask for,
// and what cannot fit goes on to further pages.
func TestAsLooseAsTwoPagesAllow(t *testing.T) {
	if p := layOut(New(sample("met")), PDFOptions{}); p.pack != packLoose {
		t.Errorf("an ordinary night is packed to %d", p.pack)
	}
	packed := 0
	for n := 0; n <= 14; n += 2 {
		w := New(noisy(n))
		p := layOut(w, PDFOptions{})
		if p.doc.PageCount() > pagesWanted && p.pack != packLast {
			t.Errorf("%d conditions: %d pages and packed only to %d", n, p.doc.PageCount(), p.pack)
		}
		for pack := packLoose; pack < p.pack; pack++ {
			if pages := setAt(w, pack).doc.PageCount(); pages <= pagesWanted {
				t.Errorf("%d conditions: packed to %d, %d would do", n, p.pack, pack)
			}
		}
		if p.pack > packLoose && p.doc.PageCount() == pagesWanted {
			packed++
		}
	}
	if packed < 3 {
		t.Errorf("%d of the nights were packed into two pages", packed)
	}
	// A second page of a few lines is saved.
	in := sample("withheld")
	saved := 0
	for n := 0; n < 200 && saved == 0; n++ {
		in.Determination.Notes = append(in.Determination.Notes, "A note of the invented notice that takes a line or two of the small print on paper.")
		w := New(in)
		if loose := setAt(w, packLoose); loose.doc.PageCount() == 2 && loose.y-loose.top() < fewLines {
			if p := layOut(w, PDFOptions{}); p.doc.PageCount() == 1 {
				saved++
			}
		}
	}
	if saved == 0 {
		t.Error("no second page of a few lines was saved")
	}
	if p := layOut(New(noisy(80)), PDFOptions{}); p.doc.PageCount() <= pagesWanted || p.pack != packLast {
		t.Errorf("80 conditions on %d pages", p.doc.PageCount())
	}
}

// TestEveryRowHasItsPlace: however densely paper is set, a row stands in its
// table, under it, in the small print, or is counted.
func TestEveryRowHasItsPlace(t *testing.T) {
	for _, in := range []Input{sample("met"), sample("open"), noisy(9), twoGroups(), holes(spanLimit + 5)} {
		w := New(in)
		for pack := packLoose; pack <= packLast; pack++ {
			p := setAt(w, pack)
			for _, s := range w.Sections {
				if s.Table == nil {
					continue
				}
				s := *p.dense(&s)
				rows := s.Table.Rows
				if pack >= packSpans && s.Table.Packed != nil {
					rows = s.Table.Packed
				}
				left := 0
				for _, r := range rows {
					if r.Minor || p.out(r) {
						left++
					}
				}
				if b := p.beyond(s.Table); left > 0 && (len(b) != 1 || !strings.Contains(b[0].text, fmt.Sprint(left))) {
					t.Errorf("packed to %d, %s: %d rows left out, told %v", pack, s.ID, left, b)
				}
				all := left + len(p.rows(s.Table)) + len(p.worded(s.Table, p.lowered)) + len(p.worded(s.Table, p.aside))
				if all != len(rows) {
					t.Errorf("packed to %d, %s: %d of %d rows have a place", pack, s.ID, all, len(rows))
				}
			}
			ids := map[string]bool{}
			for _, r := range p.rows(p.dense(w.Section("deciding")).Table) {
				for _, id := range strings.Split(r.Cells[0].Sub, ", ") {
					ids[id] = true
				}
			}
			if pack == packLast { // what left the table stands under it with its id
				for _, text := range p.worded(p.dense(w.Section("deciding")).Table, p.lowered) {
					for _, f := range decidingFindings(in.Determination) {
						ids[f.ID] = ids[f.ID] || strings.Contains(text.text, f.ID) && strings.Contains(text.text, f.Asked)
					}
				}
				for _, f := range decidingFindings(in.Determination) {
					if !ids[f.ID] {
						t.Errorf("densest: %s stands neither in the table of what decided nor under it", f.ID)
					}
				}
				continue
			}
			for _, f := range decidingFindings(in.Determination) {
				open := f.Outcome == criteria.Unclear && strings.HasPrefix(f.Found, "not ")
				if !ids[f.ID] && (pack < packMet || f.Outcome != criteria.Met && !open || !inWords(f, in.Pack)) {
					t.Errorf("packed to %d: %s is not in the table of what decided", pack, f.ID)
				}
			}
		}
	}
}

// holes is a night that is doubted nowhere, and from which the cable came off so
// many times.
func holes(n int) Input {
	in := sample("met")
	rec := in.Recording
	for i := range rec.Time {
		rec.Flags[i], rec.SpO2[i] = 0, 93
		if i%100 < 30 && i/100 < n {
			rec.SpO2[i] = recording.NoReading
		}
	}
	in.Analysis = analysis.Analyze(rec, rec.Sessions(0)[0], analysis.Options{})
	return in
}

// twoGroups is a night that is read under two groups of criteria, which ask the
// same of it: how it was titrated, with one answer missing, and one figure that is
// not enough.
func twoGroups() Input {
	in := sample("open")
	in.Determination.Needs = []criteria.Need{{Fact: "titration_polysomnogram", Question: "Was the test asleep part of a titration polysomnogram?", Who: rules.Tester, Decides: []string{"one-part", "two-part"}}}
	var groups []criteria.Finding
	for _, g := range []string{"one", "two"} {
		time := leaf(g+"-time", "Titration of two hours", "how long the titration lasted is at least 120 min", "115 min", criteria.NotMet, false)
		part := leaf(g+"-part", "Test asleep part of a titration", "the test asleep was part of a titration", "not stated", criteria.Unclear, false)
		groups = append(groups, criteria.Finding{ID: g, Label: "Group " + g, Asked: "all", Outcome: criteria.Unclear, Cites: []string{sampleCite}, Status: rules.Verified, Parts: []criteria.Finding{time, part}})
		in.Pack.Criteria.AllOf = append(in.Pack.Criteria.AllOf, &rules.Node{ID: g, AllOf: []*rules.Node{{ID: g + "-time", Fact: "titration_time"}, {ID: g + "-part", Fact: "titration_polysomnogram", Is: "true"}}})
	}
	in.Determination.Clauses = groups
	in.Determination.DecidedBy = []string{"one-time", "two-time"}
	return in
}

// TestAskedTwiceToldOnce: where two groups of criteria ask the same, dense paper
// tells it once with both ids, and a question names once what waits for it.
func TestAskedTwiceToldOnce(t *testing.T) {
	w := New(twoGroups())
	loose, dense := setAt(w, packLoose), setAt(w, packSpans)
	deciding := w.Section("deciding").Table
	if n := len(loose.rows(deciding)); n != 2 {
		t.Errorf("loose paper prints %d rows of what decided", n)
	}
	rows := dense.rows(deciding)
	if len(rows) != 1 || rows[0].Cells[0].Sub != "one-time, two-time" || rows[0].Cells[2].Text != "115 min" {
		t.Errorf("what decided, packed: %+v", rows)
	}
	if deciding.Rows[0].Cells[0].Sub != "one-time" {
		t.Error("packing changed the row of the page")
	}
	clauses := w.Section("clauses").Table
	part := "? Undetermined: Test asleep part of a titration: the test asleep was part of a titration; found not stated (source 1 verified)"
	count := func(p *paper) (n int) {
		for _, s := range p.worded(clauses, func(Row) bool { return true }) {
			if s.text == part {
				n++
			}
		}
		return n
	}
	if count(loose) != 2 || count(dense) != 1 {
		t.Errorf("the open clause is told %d times loosely, %d densely:\n%v", count(loose), count(dense), loose.worded(clauses, func(Row) bool { return true }))
	}
	if waits := w.Section("questions").Table.Rows[0].Cells[3].Text; waits != "Test asleep part of a titration" {
		t.Errorf("the question waits for %q", waits)
	}
}

// TestNothingKnownIsSmall: an open condition of which nothing is known stands in
// the small print of dense paper, under the table of those with a figure; its
// question stays where it is.
func TestNothingKnownIsSmall(t *testing.T) {
	in := twoGroups()
	in.Determination.DecidedBy = nil
	w := New(in)
	table := w.Section("deciding").Table
	if p := setAt(w, packLists); len(p.rows(table)) != 1 || len(p.worded(table, p.lowered)) != 0 {
		t.Errorf("before it has to: %d rows", len(p.rows(table)))
	}
	p := setAt(w, packMet)
	if texts := p.worded(table, p.lowered); len(p.rows(table)) != 0 || len(texts) != 1 || texts[0].text != "? Test asleep part of a titration: the test asleep was part of a titration; not stated (source 1 · verified)" {
		t.Errorf("dense: %d rows, %v", len(p.rows(table)), texts)
	}
	if len(p.rows(w.Section("questions").Table)) != 1 {
		t.Error("the question is gone")
	}
}

// TestStretchesTogether: stretches of one reason are told together with their
// times and their total; one that may move an open clause, or that was judged,
// stands by itself.
func TestStretchesTogether(t *testing.T) {
	in := noisy(0)
	a := in.Analysis
	byReason, total := map[string]int{}, map[string]int64{}
	for _, sp := range a.Spans {
		byReason[sp.Reason]++
		total[sp.Reason] += sp.ToTick - sp.FromTick
	}
	rows := New(in).Section("spans").Table.Packed
	if len(rows) != len(byReason) {
		t.Errorf("%d rows for the reasons %v", len(rows), byReason)
	}
	for _, r := range rows {
		reason := r.Cells[5].Text
		if n := byReason[reason]; n > 1 && (r.Cells[0].Text != fmt.Sprintf("%d stretches", n) || r.Cells[2].Text != duration(english, a, total[reason])) {
			t.Errorf("%s: %q, %q; want %d and %s", reason, r.Cells[0].Text, r.Cells[2].Text, n, duration(english, a, total[reason]))
		}
	}

	// Undetermined at 88 %: what was read at or below that decides.
	open := in
	open.Determination = sample("open").Determination
	deciding := 0
	for _, sp := range a.Spans {
		if sp.Kind != analysis.SpanMissing && big.NewRat(sp.LowestNum, a.Den).Cmp(big.NewRat(88, 1)) <= 0 {
			deciding++
		}
	}
	singles := 0
	for _, r := range New(open).Section("spans").Table.Packed {
		if strings.HasPrefix(r.Cells[0].Text, "2030-") {
			singles++
		}
	}
	if deciding < 2 || singles < deciding {
		t.Errorf("%d stretches decide, %d stand by themselves", deciding, singles)
	}

	sp := a.Spans[len(a.Spans)-1]
	in.Judged = []Judged{{JudgedSpan: criteria.JudgedSpan{Judged: "genuine", By: "Dr. Aldous Fenwick, MD"}, Samples: recording.Session{From: sp.From, To: sp.To}}}
	found := false
	for _, r := range New(in).Section("spans").Table.Packed {
		found = found || strings.HasPrefix(r.Cells[0].Text, "2030-") && strings.Contains(r.Cells[4].Sub, "Dr. Aldous Fenwick")
	}
	if !found {
		t.Error("a stretch that was judged went into a group")
	}
}

// TestManyStretchesOfOneReason: times beyond spanLimit are counted, their length
// stays in the total.
func TestManyStretchesOfOneReason(t *testing.T) {
	in := noisy(0)
	n := 0
	for _, r := range New(in).Section("spans").Table.Packed {
		if strings.Contains(r.Cells[5].Sub, "more, listed on the page") {
			n++
			if got := strings.Count(r.Cells[5].Sub, " to "); got != spanLimit {
				t.Errorf("%d times named", got)
			}
		}
	}
	if n == 0 {
		t.Fatal("no reason has more than the limit")
	}
}

// printedText is how many bytes of text the tables and items of the densest paper
// hold.
func printedText(w *Worksheet) int {
	n := 0
	p := &paper{pack: packLast}
	for i := range w.Sections {
		s := p.dense(&w.Sections[i])
		if s.Minor {
			continue
		}
		n += len(strings.Join(s.Items, ""))
		if s.Table == nil {
			continue
		}
		for _, r := range p.all(s.Table) {
			if r.Minor {
				continue
			}
			n += len(r.Words)
			for _, c := range r.Cells {
				n += len(c.Text) + len(c.Sub)
			}
		}
	}
	return n
}

// TestBoundaryCasesOnTwoPages: the worksheet of an ordinary night takes at most two
// pages on A4 and Letter, whatever it comes to: the boundary cases of the pack of
// Medicare in force, those that print most of them all. Cases in Spanish stand in
// web.
func TestBoundaryCasesOnTwoPages(t *testing.T) {
	const longest = 30
	lib, err := rules.Embedded()
	if err != nil {
		t.Fatal(err)
	}
	history := lib.History("us-medicare")
	p := history[len(history)-1]
	type sheet struct {
		name  string
		needs []criteria.Need
		w     *Worksheet
	}
	night := sample("met")
	var sheets []sheet
	for _, c := range criteria.ReadCases(p, p.Cases, p.CasesFile).In(p, english) {
		in := night
		in.Pack, in.Determination, in.Facts = p, c.Determination, c.Facts
		sheets = append(sheets, sheet{c.Name, c.Determination.Needs, New(in)})
	}
	slices.SortStableFunc(sheets, func(a, b sheet) int { return printedText(b.w) - printedText(a.w) })
	saved := 0
	for i, s := range sheets[:longest] {
		q := newPaper(s.w, PDFOptions{Letter: i%2 == 1}) // TestOneLayout: both break alike
		q.pack = packLast
		q.body(s.w)
		if n := q.doc.PageCount(); n > pagesWanted {
			t.Errorf("%q takes %d pages as densely as it is set", s.name, n)
		}
		asked := q.dense(s.w.Section("questions"))
		if asked != nil && len(q.rows(asked.Table)) != len(s.needs) {
			t.Errorf("%q: %d of %d questions are printed", s.name, len(q.rows(asked.Table)), len(s.needs))
		}
		for k, n := range s.needs {
			waits := fmt.Sprintf("Clauses that wait for %d: %s", k+1, strings.Join(n.Decides, ", "))
			if !slices.ContainsFunc(q.worded(asked.Table, q.lowered), func(told smallText) bool { return told.text == waits }) {
				t.Errorf("%q: nothing under the questions says %q", s.name, waits)
			}
		}
		if i < 5 && setAt(s.w, packPapers).doc.PageCount() > pagesWanted {
			saved++
		}
	}
	if saved == 0 {
		t.Error("none of the longest needs the densest paper")
	}
}

// TestAsideKeepsItsSentence: a section that went into the small print whole says
// there what it said over its table, and a clause without a source prints no empty
// number.
func TestAsideKeepsItsSentence(t *testing.T) {
	in := sample("met")
	for i := range in.Determination.Clauses[:2] {
		f := &in.Determination.Clauses[i]
		f.Decided, f.Cites = true, nil
	}
	w := New(in)
	p := setAt(w, packLast)
	var all []string
	for _, l := range p.small(w) {
		all = append(all, l.head, l.text)
	}
	text := strings.Join(strings.Fields(strings.Join(all, " ")), " ")
	for _, id := range []string{"spans", "onfile"} {
		s := w.Section(id)
		if !p.putAside(s) || !strings.Contains(text, s.Title+" "+s.Lead) {
			t.Errorf("the small print does not say %q", s.Lead)
		}
	}
	under := p.worded(p.dense(w.Section("deciding")).Table, p.lowered)
	if len(under) != 2 || under[0].text != "✓ Ordered by the treating practitioner (ordered): yes; found yes [B] (source verified)" {
		t.Errorf("under the table: %v", under)
	}
}
