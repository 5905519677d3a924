package worksheet

import (
	"fmt"
	"strings"
)

// bulletRoom is what a bullet takes before a text, in millimetres.
const bulletRoom = 2.6

// smallLine is one line of the small print that paper sets in two columns.
type smallLine struct {
	head    string // bold before the text
	text    string
	bold    bool
	indent  float64 // millimetres
	before  float64 // room above, in millimetres, unless it tops a column
	bullet  bool
	section string // title of the section that begins here
	keep    bool   // stays with the next line
}

func (l smallLine) height(top bool) float64 {
	h := lineSmall
	if !top {
		h += l.before
	}
	return h
}

// runIn are the sections whose items are set one behind the other: lists that
// are looked up, not read.
var runIn = map[string]bool{"conditions": true, "identity": true, "reading": true, "sources": true}

// smallText is one text of the small print with how far it is set in.
type smallText struct {
	text  string
	depth int
}

// small sets the sections for small print in lines of a column. The sources
// that other sections name by number stand together behind what names them.
func (p *paper) small(w *Worksheet) []smallLine {
	var out []smallLine
	sources := Section{ID: "sources", Title: w.Language.Say("Sources")}
	for i := range w.Sections {
		if s := &w.Sections[i]; s.Cites && !s.Minor {
			sources.Items = append(sources.Items, s.Items...)
		}
	}
	behind := false
	for i := range w.Sections {
		s := p.dense(&w.Sections[i])
		if !behind && lookedUp[s.ID] {
			behind = true
			out = append(out, p.smallSection(&sources, p.texts(&sources))...)
		}
		switch {
		case s.Minor || s.Cites && s.Table == nil:
		case s.Small:
			out = append(out, p.smallSection(s, p.texts(s))...)
		case s.Table != nil:
			texts := p.worded(s.Table, p.aside)
			if p.putAside(s) {
				if s.Lead != "" {
					texts = append([]smallText{{s.Lead, 0}}, texts...)
				}
				texts = append(texts, p.beyond(s.Table)...)
			}
			out = append(out, p.smallSection(s, texts)...)
		}
	}
	if !behind {
		out = append(out, p.smallSection(&sources, p.texts(&sources))...)
	}
	return out
}

// lookedUp are the sections that no source is named in: they stand behind the
// sources.
var lookedUp = map[string]bool{"reading": true, "cautions": true, "provenance": true}

// smallSection sets the heading and the texts of a section, nothing if there
// is no text.
func (p *paper) smallSection(s *Section, texts []smallText) []smallLine {
	if len(texts) == 0 {
		return nil
	}
	width := (p.usable() - columnGap) / 2
	if p.pack >= packLast {
		return p.runInHeading(s, texts, width)
	}
	var out []smallLine
	for i, l := range p.lines(s.heading(), width, true, sizeSmall) {
		head := smallLine{text: l, bold: true, keep: true}
		if i == 0 {
			head.before, head.section = 1.6, s.Title
		}
		out = append(out, head)
	}
	add := func(text string, bullet bool, in float64) {
		for i, l := range p.lines(text, width-in, false, sizeSmall) {
			out = append(out, smallLine{text: l, indent: in, bullet: bullet && i == 0})
		}
	}
	if runIn[s.ID] || p.pack >= packLists {
		add(behindEach(texts), false, 0)
	} else {
		for _, t := range texts {
			add(t.text, true, bulletRoom+indent(t.depth)*.6)
		}
	}
	if s.Small {
		add(s.After, false, 0)
	}
	return out
}

// behindEach sets texts one behind the other.
func behindEach(texts []smallText) string {
	var all []string
	for _, t := range texts {
		all = append(all, t.text)
	}
	return strings.Join(all, " • ")
}

// headGap is what stands between a heading that is run in and its text, in
// millimetres.
const headGap = 1.4

// runInHeading sets a section as one paragraph that its heading begins.
func (p *paper) runInHeading(s *Section, texts []smallText, width float64) []smallLine {
	text := behindEach(texts)
	if s.Small && s.After != "" {
		text += " " + s.After
	}
	head := p.lines(s.heading(), width, true, sizeSmall)
	var out []smallLine
	for _, l := range head {
		out = append(out, smallLine{head: l, keep: true})
	}
	out[0].before, out[0].section = .6, s.Title
	first := &out[len(out)-1]
	room := width - p.doc.GetStringWidth(first.head) - headGap
	words := strings.Fields(legible(text))
	p.font(false, sizeSmall)
	n := 0
	for n < len(words) && p.doc.GetStringWidth(strings.Join(words[:n+1], " ")) <= room {
		n++
	}
	first.text, first.keep = strings.Join(words[:n], " "), n < len(words)
	for _, l := range p.lines(strings.Join(words[n:], " "), width, false, sizeSmall) {
		out = append(out, smallLine{text: l})
	}
	return out
}

// texts words a section of the small print.
func (p *paper) texts(s *Section) []smallText {
	var out []smallText
	if s.Lead != "" && s.ID != "clauses" { // the indents say it
		out = append(out, smallText{s.Lead, 0})
	}
	if s.Table != nil {
		out = append(out, p.worded(s.Table, func(Row) bool { return true })...)
		out = append(out, p.beyond(s.Table)...)
	}
	items := s.Items
	if p.pack >= packPapers && s.Terse != nil {
		items = s.Terse
	}
	for _, it := range items {
		out = append(out, smallText{it, 0})
	}
	return out
}

// beyond says how many rows paper leaves out, nothing if there are none.
func (p *paper) beyond(t *Table) []smallText {
	left := 0
	for _, r := range p.all(t) {
		if r.Minor || p.out(r) {
			left++
		}
	}
	if left == 0 {
		return nil
	}
	return []smallText{{fmt.Sprintf(t.Beyond, left), 0}}
}

// worded are the rows that paper prints and that are wanted, in words.
func (p *paper) worded(t *Table, wanted func(Row) bool) []smallText {
	var out []smallText
	for _, r := range p.all(t) {
		if !r.Minor && wanted(r) {
			out = append(out, smallText{t.sentence(r), r.Depth})
		}
	}
	return out
}

// sentence words a row: the first cell, a colon, the others. Letters of
// evidence stand for how a thing is known, and the source in brackets.
func (t *Table) sentence(r Row) string {
	if r.Words != "" {
		return r.Words
	}
	out := r.Cells[0].Referred() + ":"
	for i, c := range r.Cells[1:] {
		text := c.Text
		if text == orDash("") {
			text = "" // nothing to tell
		}
		if c.Mark != nil {
			text = strings.TrimSpace(c.Mark.String() + " " + text)
		}
		switch {
		case t.Columns[i+1].Head == t.in.Say("Source"):
			text, _ = t.printed(c)
			if text != "" {
				text = t.in.Say("(source %s)", text)
			}
		case c.Ref != "":
			text = "[" + c.Ref + "]"
		case c.Sub != "":
			text = strings.TrimSpace(text + " (" + c.Sub + ")")
		}
		if text == "" {
			continue
		}
		if i > 0 && !strings.HasSuffix(out, ".") && !strings.HasSuffix(out, ":") && text[0] != '(' && text[0] != '[' {
			out += ";"
		}
		out += " " + text
	}
	return out
}

// columns sets lines in two columns of even length, on as many pages as they
// need, under a rule if they are ruled off.
func (p *paper) columns(lines []smallLine, ruled bool) {
	for len(lines) > 0 {
		room := p.bottom() - p.y
		if room < columnLeft {
			p.page()
			room = p.bottom() - p.y
		}
		if ruled {
			p.y += 1.5
			room -= 1.5
		}
		left := fill(lines, room)
		if len(fill(lines[len(left):], room)) == len(lines)-len(left) {
			left = even(lines, room)
		}
		right := fill(lines[len(left):], room)
		if ruled && p.y > p.top()+2 {
			p.rule(p.y, .2)
		}
		p.y += .8
		top := p.y
		end := p.column(left, p.left(), top)
		end = max(end, p.column(right, p.left()+(p.usable()+columnGap)/2, top))
		p.y = end
		if lines = lines[len(left)+len(right):]; len(lines) > 0 {
			p.page()
		}
	}
}

// fill is as many of the lines as a column of the height holds, one at least;
// a heading never ends it.
func fill(lines []smallLine, height float64) []smallLine {
	n, y := 0, .8
	for n < len(lines) && (n == 0 || y+lines[n].height(n == 0) <= height) {
		y += lines[n].height(n == 0)
		n++
	}
	return lines[:unkept(lines, n)]
}

// unkept takes headings off the end of the first n lines, unless they are all.
func unkept(lines []smallLine, n int) int {
	if n == len(lines) {
		return n
	}
	k := n
	for k > 0 && lines[k-1].keep {
		k--
	}
	if k == 0 {
		return n
	}
	return k
}

// even is the shortest left column beside which the rest fits.
func even(lines []smallLine, room float64) []smallLine {
	whole := tall(lines)
	for n := 1; n < len(lines); n++ {
		k := unkept(lines, n)
		if k < n {
			continue
		}
		l, r := tall(lines[:n]), tall(lines[n:])
		if l <= room && r <= l && l >= whole/2-8 {
			return lines[:n]
		}
	}
	return fill(lines, room)
}

func tall(lines []smallLine) float64 {
	y := .8
	for i, l := range lines {
		y += l.height(i == 0)
	}
	return y
}

// column sets lines from x and y downwards and returns where they end.
func (p *paper) column(lines []smallLine, x, y float64) float64 {
	for i, l := range lines {
		h := l.height(i == 0)
		y += h
		base := y - lineSmall*.22
		if l.section != "" {
			p.y = y - h
			p.mark(l.section)
		}
		at := x + l.indent
		if l.head != "" {
			p.font(true, sizeSmall)
			p.doc.Text(at, base, l.head)
			at += p.doc.GetStringWidth(l.head) + headGap
		}
		p.font(l.bold, sizeSmall)
		if l.bullet {
			p.doc.Text(x+l.indent-bulletRoom, base, "•")
		}
		p.doc.Text(at, base, l.text)
	}
	return y
}
