package worksheet

import (
	"math"
	"math/big"
	"reflect"
	"slices"
	"strings"

	"airwarrant/qualify/analysis"
	"airwarrant/qualify/criteria"
	"airwarrant/rules"
)

// pagesWanted is how many pages paper takes at most where that can be. It is
// set as loosely as two pages allow, in this order:
//
//	packLoose   as everything is laid out
//	packSpans   doubtful stretches of one reason together, with their times and
//	            their total; those that decide and those that were judged singly;
//	            clauses that ask and found the same once, where they decided with
//	            the id of each
//	packLists   levels and measures that no clause asks for left out and counted,
//	            the lists of the small print run in, the case named at the head
//	            alone
//	packMet     conditions that are met and are told in words, those of which nothing
//	            is known yet (their questions stay), and what follows from the
//	            outcome without a date, in the small print
//
//	packPapers  the papers that must be on file in the small print too (those that
//	            are missing stand under the verdict in any case), and of how the
//	            recording was read only what was doubtful
//	packLast    under the table, in small print, conditions that are not met in words,
//	            notes of the pack and why a clause is open, each once for the clauses
//	            that it holds of, and by their ids the clauses that wait for a
//	            question; in the small print the stretches that nobody judged,
//	            measures that no clause asks for, and marks of identity that are the
//	            same or explained; a verdict and an unanswered condition told once
//	            for those in a row, headings run in
//
// No print gets smaller by it, and no alert, verdict, measured clause, figure
// that a verdict rests on or question moves. What does not fit even so goes on
// to further pages.
const pagesWanted = 2

const (
	packLoose = iota
	packSpans
	packLists
	packMet
	packPapers
	packLast
)

// dense is a section as this paper sets it.
func (p *paper) dense(s *Section) *Section {
	if p.pack < packLast || s == nil || s.Table == nil || s.Table.Last == nil {
		return s
	}
	c := *s
	c.Table = s.Table.Last
	return &c
}

// all are the rows of a table as densely as this paper is set.
func (p *paper) all(t *Table) []Row {
	if p.pack >= packSpans && t.Packed != nil {
		return t.Packed
	}
	return t.Rows
}

// rows are the rows that paper prints of a table, where it prints them in the
// table itself.
func (p *paper) rows(t *Table) []Row {
	return slices.DeleteFunc(slices.Clone(p.all(t)), func(r Row) bool { return r.Minor || p.aside(r) || p.out(r) || p.lowered(r) })
}

// out reports whether a row is left out because it is set dense.
func (p *paper) out(r Row) bool { return r.Spare == SpareOut && p.pack >= packLists }

// lowered reports whether a row goes into the small print under its table.
func (p *paper) lowered(r Row) bool { return r.Spare == SpareUnder && p.pack >= packMet && !r.Minor }

// aside reports whether a row stands in the small print at the end.
func (p *paper) aside(r Row) bool {
	return r.Aside || r.Spare == SpareAside && p.pack >= packMet || r.Spare == SparePapers && p.pack >= packPapers || r.Spare == SpareLast && p.pack >= packLast
}

// lead is the sentence before a section; dense paper leaves out how the
// bounds of a time are read, which the verdict says in words.
func (p *paper) lead(s *Section) string {
	if s.ID == "levels" && p.pack >= packPapers {
		return ""
	}
	return s.Lead
}

// lower sets the rows that a table gave up under it, in small print, on the densest
// paper one behind the other.
func (p *paper) lower(s *Section) {
	texts := p.worded(s.Table, p.lowered)
	if len(texts) == 0 {
		return
	}
	width := (p.usable() - columnGap) / 2
	var lines []smallLine
	if p.pack >= packLast {
		for _, l := range p.lines(behindEach(texts), width, false, sizeSmall) {
			lines = append(lines, smallLine{text: l})
		}
		texts = nil
	}
	for _, t := range texts {
		set := p.lines(t.text, width-bulletRoom, false, sizeSmall)
		for i, l := range set {
			in := bulletRoom
			if i == 0 {
				in = 0 // its mark is its bullet
			}
			lines = append(lines, smallLine{text: l, indent: in, keep: i < len(set)-1})
		}
	}
	p.columns(lines, false)
	p.y += .6
}

// alike are the rows of clauses with those that differ in their id alone
// together: two groups of criteria may ask the same of one test.
func alike(rows []Row) []Row {
	var out []Row
	for _, r := range rows {
		i := slices.IndexFunc(out, func(o Row) bool { return sameButID(o, r) })
		if i < 0 {
			r.Cells = slices.Clone(r.Cells)
			out = append(out, r)
			continue
		}
		out[i].Cells[0].Sub += ", " + r.Cells[0].Sub
	}
	return out
}

// underneath is the table of what decided, or is left open, with less in it: under
// it stand the notes of the pack and why a clause is open, each told once with the
// ids of the clauses that it holds of, and whole what was found in words or is not
// known, unless nothing else decided. Rows are those of the findings, in their
// order.
func underneath(in Input, t *Table, fs []criteria.Finding) *Table {
	last := *t
	last.Rows, last.Packed = nil, nil
	var texts []string
	ids := map[string][]string{}
	tell := func(text, id string) {
		if text == "" {
			return
		}
		if ids[text] == nil {
			texts = append(texts, text)
		}
		ids[text] = append(ids[text], id)
	}
	measured := slices.ContainsFunc(fs, func(f criteria.Finding) bool { return !inWords(f, in.Pack) })
	for i, f := range fs {
		r := t.Rows[i]
		if f.Outcome != criteria.Met {
			r.Cells = slices.Clone(r.Cells)
			reason, note := withoutNote(r.Cells[1].Sub, f.ID, in.Pack)
			open := f.Outcome == criteria.Unclear
			if r.Spare == SpareUnder || open && r.Cells[2].Ref == "" && !strings.ContainsAny(f.Found, "0123456789") || !open && measured && inWords(f, in.Pack) {
				r.Spare, r.Words = SpareUnder, underTable(in.Language, f, r)
			}
			if open || r.Spare == SpareUnder {
				r.Cells[1].Sub = ""
			} else {
				r.Cells[1].Sub, reason = reason, "" // how far it is from the limit
			}
			if !open || r.Spare == SpareNot {
				tell(reason, f.ID)
				tell(note, f.ID)
			}
		}
		last.Rows = append(last.Rows, r)
	}
	last.Rows = alike(last.Rows)
	for i, r := range last.Rows {
		if r.Spare == SpareUnder {
			name := r.Cells[0].Text
			last.Rows[i].Words = strings.Replace(r.Words, name, name+" ("+r.Cells[0].Sub+")", 1) // the questions name the ids
		}
	}
	for _, text := range texts {
		last.Rows = append(last.Rows, Row{Spare: SpareUnder, Words: strings.Join(ids[text], ", ") + ": " + text, Cells: make([]Cell, len(t.Columns))})
	}
	return &last
}

// underTable words the row of a clause for the small print under its table.
func underTable(l rules.Language, f criteria.Finding, r Row) string {
	found := r.Cells[2].Referred()
	if f.Outcome != criteria.Unclear {
		found = l.Say("found %s", found)
	}
	return verdictMark(f.Outcome).Symbol + " " + f.Label + ": " + f.Asked + "; " + found + " " + l.Say("(source %s)", strings.TrimPrefix(r.Cells[4].Text+" · "+r.Cells[4].Sub, " · "))
}

// sameButID reports whether two rows of clauses print the same but for the id
// under the first cell.
func sameButID(a, b Row) bool {
	as, bs := slices.Clone(a.Cells), slices.Clone(b.Cells)
	as[0].Sub, bs[0].Sub = "", ""
	a.Cells, b.Cells = as, bs
	return reflect.DeepEqual(a, b)
}

// packed are the doubtful stretches with those of one kind and reason together.
// A stretch stands by itself where it may move a clause that is still open,
// where somebody judged it, or where it is alone.
func packed(in Input, a *analysis.Analysis, rows []Row) []Row {
	type group struct {
		kind   analysis.SpanKind
		reason string
	}
	level, all := openLevel(in)
	single := func(sp analysis.Span) bool {
		if in.judgement(sp) != "" {
			return true
		}
		return sp.Kind != analysis.SpanMissing && (all || level != nil && big.NewRat(sp.LowestNum, a.Den).Cmp(level) <= 0)
	}
	members := map[group][]int{}
	for i, sp := range a.Spans {
		if !single(sp) {
			g := group{sp.Kind, sp.Reason}
			members[g] = append(members[g], i)
		}
	}
	var out []Row
	singles := 0
	for i, sp := range a.Spans {
		of := members[group{sp.Kind, sp.Reason}]
		switch {
		case single(sp) || len(of) == 1:
			r := rows[i]
			r.Minor = singles >= spanLimit
			singles++
			out = append(out, r)
		case of[0] == i:
			out = append(out, together(in, a, of, rows[i]))
		}
	}
	return out
}

// together words stretches of one kind and reason: how many, their times, how
// long in all, and the lowest number in any of them.
func together(in Input, a *analysis.Analysis, of []int, first Row) Row {
	var long int64
	lowest := int64(math.MaxInt64)
	var times []string
	l, day := in.Language, ""
	for n, i := range of {
		sp := a.Spans[i]
		long += sp.ToTick - sp.FromTick
		lowest = min(lowest, sp.LowestNum)
		if n >= spanLimit {
			continue
		}
		from, to := in.ends(a, sp)
		if d, at, ok := strings.Cut(a.Stamp(in.Recording, sp.FromTick, sp.From), "T"); ok {
			if d == day {
				from = at
			}
			day = d
		}
		times = append(times, l.Say("%s to %s", from, to))
	}
	if more := len(of) - len(times); more > 0 {
		times = append(times, l.Say("and %d more, listed on the page", more))
	}
	cells := slices.Clone(first.Cells)
	cells[0] = Cell{Text: l.Say("%d stretches", len(of))}
	cells[1] = Cell{}
	cells[2].Text = duration(l, a, long)
	cells[3].Text = "–"
	if a.Spans[of[0]].Kind != analysis.SpanMissing && lowest < 1<<62 {
		cells[3].Text = number(l, big.NewRat(lowest, a.Den)) + " %"
	}
	cells[5] = Cell{Text: first.Cells[5].Text, Sub: strings.Join(times, "; ")}
	return Row{Aside: first.Aside, Spare: first.Spare, Cells: cells, Words: l.Say("%s, %s in all, %s: %s: %s",
		cells[0].Text, cells[2].Text, cells[4].Text, cells[5].Text, cells[5].Sub)}
}

// openLevel tells which doubtful readings may still move an undetermined
// outcome: those at or below level, or all. A nil level and false: none.
func openLevel(in Input) (level *big.Rat, all bool) {
	if in.Determination.Outcome != criteria.Undetermined {
		return nil, false
	}
	open := map[string]bool{}
	var walk func(fs []criteria.Finding)
	walk = func(fs []criteria.Finding) {
		for _, f := range fs {
			if len(f.Parts) == 0 && f.Outcome == criteria.Unclear {
				open[f.ID] = true
			}
			walk(f.Parts)
		}
	}
	walk(in.Determination.Clauses)
	for _, q := range askedBy(in.Pack) {
		if !open[q.id] {
			continue
		}
		if def, _ := rules.Lookup(q.fact); !slices.Contains(def.From, "recording") {
			continue
		}
		if q.level == nil {
			return nil, true
		}
		if level == nil || q.level.Cmp(level) > 0 {
			level = q.level
		}
	}
	return level, false
}
