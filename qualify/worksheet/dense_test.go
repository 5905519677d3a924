package worksheet

import (
	"fmt"
	"math/big"
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
	for _, in := range []Input{sample("met"), sample("open"), noisy(9)} {
		w := New(in)
		for pack := packLoose; pack <= packLast; pack++ {
			p := setAt(w, pack)
			for _, s := range w.Sections {
				if s.Table == nil {
					continue
				}
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
				all := left + len(p.rows(s.Table)) + len(s.Table.texts(p.lowered)) + len(s.Table.texts(p.aside))
				if all != len(rows) {
					t.Errorf("packed to %d, %s: %d of %d rows have a place", pack, s.ID, all, len(rows))
				}
			}
			ids := map[string]bool{}
			for _, r := range p.rows(w.Section("deciding").Table) {
				ids[r.Cells[0].Sub] = true
			}
			for _, f := range decidingFindings(in.Determination) {
				if !ids[f.ID] && (pack < packMet || f.Outcome != criteria.Met || !inWords(f, in.Pack)) {
					t.Errorf("packed to %d: %s is not in the table of what decided", pack, f.ID)
				}
			}
		}
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
