package worksheet

import (
	"math"
	"strings"
	"testing"

	"airwarrant/qualify/criteria"
)

// TestWidths: columns fill the width, never narrower than a word, and move
// room to where it saves lines; a table that fits in single lines has no other.
func TestWidths(t *testing.T) {
	p := newPaper(&Worksheet{}, PDFOptions{})
	long := strings.Repeat("many short words ", 12)
	for name, c := range map[string]struct {
		rows  []Row
		lines int // of the row
	}{
		"short":      {[]Row{{Cells: []Cell{{Text: "a"}, {Text: "b"}, {Mark: &markUnclear}}}}, 1},
		"one long":   {[]Row{{Cells: []Cell{{Text: "a"}, {Text: long}, {Mark: &markUnclear}}}}, 3},
		"three long": {[]Row{{Cells: []Cell{{Text: long}, {Text: long}, {Text: long}}}}, 6},
		"left out":   {[]Row{{Cells: []Cell{{Text: "a"}, {Text: "b"}, {}}}, {Minor: true, Cells: []Cell{{Text: long}, {}, {}}}, {Aside: true, Cells: []Cell{{Text: long}, {}, {}}}}, 1},
	} {
		tb := &Table{Columns: []Column{{"Head", .2, false}, {"Head", .5, false}, {"Head", .3, false}}, Rows: c.rows}
		w := p.widths(tb)
		sum, inner := 0.0, make([]float64, len(w))
		for i := range w {
			sum += w[i]
			inner[i] = w[i] - cellGap
		}
		if math.Abs(sum-p.usable()) > .1 {
			t.Errorf("%s: columns of %v fill %.2f mm of %.2f", name, w, sum, p.usable())
		}
		if got := linesOf(p.measured(tb)[1:], inner) / lineWeight; got > c.lines {
			t.Errorf("%s: %d lines in %v, want at most %d", name, got, w, c.lines)
		}
	}
}

// TestMeasuredAsWrapped: the count of lines by the widths of words is that of
// the lines that are printed.
func TestMeasuredAsWrapped(t *testing.T) {
	p := newPaper(&Worksheet{}, PDFOptions{})
	text := "total time at or below 88 % is at least 5 min · Above 5 min by 29.66 min. " + strings.Repeat("and so on, ", 9)
	tb := &Table{Columns: []Column{{"", 1, false}}, Rows: []Row{{Cells: []Cell{{Text: text}}}}}
	m := p.measured(tb)[1][0][0]
	for width := m.longest() + 1; width < 200; width += 3.7 {
		if got, want := m.lines(width), len(p.lines(text, width, false, sizeBody)); got != want {
			t.Errorf("%.1f mm: %d lines counted, %d printed", width, got, want)
		}
	}
}

// TestSmallPrint: every text of the small sections stands in its lines, in
// order, whatever the pages they are divided on, and no heading ends a column.
func TestSmallPrint(t *testing.T) {
	in := sample("not-met")
	for i := 0; i < 60; i++ {
		in.Determination.Notes = append(in.Determination.Notes, strings.Repeat("A note of some words. ", 4))
	}
	w := New(in)
	p := newPaper(w, PDFOptions{})
	lines := p.small(w)
	for _, room := range []float64{20, 37, 90, 250} {
		rest, columns := lines, 0
		for len(rest) > 0 {
			part := fill(rest, room)
			if len(part) == 0 || tall(part) > room+lineSmall {
				t.Fatalf("%.0f mm: a column of %d lines, %.1f mm high", room, len(part), tall(part))
			}
			if rest = rest[len(part):]; len(rest) > 0 && part[len(part)-1].keep {
				t.Errorf("%.0f mm: the heading %q ends a column", room, part[len(part)-1].text)
			}
			columns++
		}
		if columns < 2 && room < 200 {
			t.Errorf("%.0f mm: %d columns", room, columns)
		}
	}
	var all []string
	for _, l := range lines {
		all = append(all, l.text)
	}
	joined := strings.Join(all, " ")
	at := 0
	for _, want := range []string{"Conditions of testing", "Where the test was taken: home [B]", "Every clause", "✓ Met: Ordered by the treating practitioner: yes; found yes [C] (source 1 verified)",
		"Sources", "1: " + sampleCite, "Cautions", "Evidence and provenance", "B: " + statedText} {
		i := strings.Index(joined[at:], want)
		if i < 0 {
			t.Errorf("small print lacks %q behind %q", want, joined[max(at-40, 0):at])
			continue
		}
		at += i
	}
	half := even(lines, tall(lines)*.6)
	if l, r := tall(half), tall(lines[len(half):]); math.Abs(l-r) > 3*lineSmall {
		t.Errorf("columns of %.1f and %.1f mm", l, r)
	}
}

// TestAsides: what follows without a date stands in the small print, what has
// one in the table; stretches that were not read alone need no table.
func TestAsides(t *testing.T) {
	in := sample("met")
	in.Determination.Consequences = append(in.Determination.Consequences, criteria.Consequence{
		Kind: "order", Text: "The order names the flow.", State: criteria.Holds, Part: criteria.PartFollowUp, Cites: []string{sampleCite}})
	w := New(in)
	p := newPaper(w, PDFOptions{})
	var all []string
	for _, l := range p.small(w) {
		all = append(all, l.text)
	}
	joined := strings.Join(all, " ")
	if !strings.Contains(joined, "Element of the order: The order names the flow. (source 1)") || strings.Contains(joined, "A new test is due") {
		t.Errorf("small print %q", joined)
	}
	if p.putAside(w.Section("followup")) || p.putAside(w.Section("spans")) {
		t.Error("a dated consequence or a doubted stretch has no table")
	}
	in.Analysis.Spans = in.Analysis.Spans[:1] // the cable
	if s := New(in).Section("spans"); !p.putAside(s) || !strings.HasPrefix(s.Table.Rows[0].Words, "2030-03-02 00:00:00 to 00:15:00, 15 min, missing: in none") {
		t.Errorf("a stretch that was not read: %+v", s.Table.Rows)
	}
}
