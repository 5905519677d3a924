package worksheet

import (
	"slices"
	"strings"
)

// widths fits the columns of a table to what they hold, in millimetres with
// the gap behind each. A column is as wide as its longest line if that leaves
// the others enough, else as its share of all the text, and never narrower
// than its longest word as far as that can be; then width moves between
// columns while that saves a line. What is left over is spread by the shares of
// the columns.
func (p *paper) widths(t *Table) []float64 {
	n := len(t.Columns)
	if t.Fixed {
		out := make([]float64, n)
		for i, c := range t.Columns {
			out[i] = c.Share * p.usable()
		}
		return out
	}
	rows := p.measured(t)
	line, word, all := make([]float64, n), make([]float64, n), make([]float64, n)
	for _, r := range rows {
		for i, c := range r {
			for _, s := range c {
				line[i] = max(line[i], s.whole())
				all[i] += s.whole()
				word[i] = max(word[i], s.longest())
			}
		}
	}
	room := p.usable() - float64(n)*cellGap
	for i := range word {
		word[i] = min(word[i]+.01, room/float64(n)*1.5)
		line[i] = max(line[i]+.01, word[i]) // sums of rounded widths
	}
	out := make([]float64, n)
	left, open := room, make([]int, n)
	for i := range open {
		open[i] = i
	}
	// settle gives those open columns their due for which it is settled.
	settle := func(due func(i int, share float64) (float64, bool)) bool {
		sum := 0.0
		for _, i := range open {
			sum += all[i]
		}
		had, taken := len(open), 0.0
		open = slices.DeleteFunc(open, func(i int) bool {
			w, ok := due(i, left*all[i]/max(sum, 1e-9))
			if ok {
				out[i] = w
				taken += w
			}
			return ok
		})
		left -= taken
		return len(open) < had
	}
	for settle(func(i int, share float64) (float64, bool) { return line[i], line[i] <= share }) ||
		settle(func(i int, share float64) (float64, bool) { return word[i], word[i] > share }) {
	}
	settle(func(_ int, share float64) (float64, bool) { return share, true })
	if left < 1 {
		shift(rows, out, word)
	}
	for i, c := range t.Columns {
		out[i] += cellGap + max(left, 0)*c.Share
	}
	return out
}

// shift moves width from one column to another as long as that saves a line;
// no column gets narrower than least.
func shift(rows [][][]measured, width, least []float64) {
	best := linesOf(rows, width)
	for better := true; better; {
		better = false
		for _, step := range []float64{1, 2, 3, 4, 6, 9, 12, 18} { // millimetres
			for from := range width {
				for to := range width {
					if from == to || width[from]-step < least[from] {
						continue
					}
					width[from] -= step
					width[to] += step
					if n := linesOf(rows, width); n < best {
						best, better = n, true
						continue
					}
					width[from] += step
					width[to] -= step
				}
			}
		}
	}
}

// lineWeight is that of a line of the table beside one of a cell.
const lineWeight = 100000

// linesOf weighs how many lines the rows take, and of two ways that take as many
// the one with fewer lines in its cells.
func linesOf(rows [][][]measured, width []float64) int {
	rowLines, cellLines := 0, 0
	for _, r := range rows {
		most := 0
		for i, c := range r {
			n := 0
			for _, s := range c {
				n += s.lines(width[i])
			}
			most = max(most, n)
			cellLines += n
		}
		rowLines += most
	}
	return rowLines*lineWeight + cellLines
}

// measured is a text that breaks between its words, by their widths.
type measured struct {
	words         []float64
	blank, indent float64
}

func (m measured) whole() float64 {
	w := m.indent + float64(max(len(m.words)-1, 0))*m.blank
	for _, x := range m.words {
		w += x
	}
	return w
}

func (m measured) longest() float64 {
	if len(m.words) == 0 {
		return 0
	}
	return m.indent + slices.Max(m.words)
}

// lines is how many lines wrap makes of the text.
func (m measured) lines(width float64) int {
	n, at := 0, 0.0
	for i, w := range m.words {
		if i > 0 && m.indent+at+m.blank+w <= width {
			at += m.blank + w
			continue
		}
		n++
		at = w
	}
	return n
}

// measured measures heads and printed rows of a table: rows, their cells, and
// the texts one under the other in each.
func (p *paper) measured(t *Table) [][][]measured {
	heads := make([][]measured, len(t.Columns))
	one := func(s string, bold bool, size, indent float64) measured {
		p.font(bold, size)
		m := measured{blank: p.doc.GetStringWidth(" "), indent: indent}
		for _, f := range strings.Fields(legible(s)) {
			m.words = append(m.words, p.doc.GetStringWidth(f))
		}
		return m
	}
	for i, c := range t.Columns {
		heads[i] = []measured{one(c.Head, false, sizeSmall, 0)}
	}
	out := [][][]measured{heads}
	for _, r := range p.rows(t) {
		cells := make([][]measured, len(r.Cells))
		for i, c := range r.Cells {
			in := 0.0
			if i == 0 {
				in = indent(r.Depth)
			}
			if c.Mark != nil {
				m := one(c.Mark.String(), true, sizeBody, in)
				m = measured{words: []float64{m.whole() - in}, indent: in} // symbol and word stay together
				cells[i] = append(cells[i], m)
			}
			text, under := t.printed(c)
			cells[i] = append(cells[i], one(text, r.Strong, sizeBody, in), one(under, false, sizeSmall, in))
		}
		out = append(out, cells)
	}
	return out
}

// printed is what paper prints of a cell, on its own lines and under them.
func (t *Table) printed(c Cell) (text, under string) {
	text, under = c.Referred(), c.Sub
	if t.Inline && text != "" && under != "" {
		return text + " · " + under, ""
	}
	return text, under
}
