package worksheet

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/go-fonts/dejavu/dejavusanscondensed"
	"github.com/go-fonts/dejavu/dejavusanscondensedbold"
	"github.com/jung-kurt/gofpdf"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/text/unicode/norm"

	"airwarrant/rules"
)

// PDFOptions are the choices for paper. What is printed where is the same on
// both: it is laid out in the area that they have in common, 210 mm wide and
// 279.4 mm high, and that area is set in the middle of the sheet. So page breaks
// agree, and a file made for the one prints on the other without loss.
type PDFOptions struct {
	Letter bool // US Letter; else A4
}

// The area that A4 (210 x 297 mm, ISO 216) and US Letter (8.5 x 11 in) share.
const (
	areaWidth  = 210.0
	areaHeight = 279.4
)

// Sizes of the print, in points and millimetres. A fax of standard resolution
// has 3.85 lines to the millimetre (ITU-T T.4), about 98 to the inch: every
// figure that a verdict rests on is set at 9 pt, so that its digits are at
// least nine such lines high, and nothing under 8 pt (our choice, looked at).
const (
	sizeBody   = 9.0
	sizeSmall  = 8.0
	sizeHead   = 10.0
	sizeTitle  = 12.5
	lineBody   = 3.4
	lineSmall  = 2.95
	marginSide = 12.0
	marginTop  = 13.5
	marginFoot = 11.2
	cellGap    = 2.0
	rowPad     = 0.2
	columnGap  = 6.0  // between the two columns of small print
	columnLeft = 16.0 // small print begins on a page with so much left
	tracePaper = .92  // of the width is taken by the trace
	traceLeast = .93  // of its size, where that saves a page; less would run its words together
	keepMost   = 90.0 // a row taller than this may be parted between pages
	fewLines   = 20.0 // a second page that is used so far is saved if it can be
	keepWhole  = 50.0 // a table of this height stays on one page
)

// WritePDF writes w as a PDF: the same model as the page, black with one dark
// colour, case and page number on every sheet. The same worksheet and options
// give the same bytes: the dates inside are the day of printing. A character
// that the embedded font lacks is printed as its code point in brackets, never
// as a blank. Nothing is written if an error is returned.
func (w *Worksheet) WritePDF(out io.Writer, opt PDFOptions) error {
	b, err := w.pdf(opt)
	if err != nil {
		return err
	}
	_, err = out.Write(b)
	return err
}

// pdf renders in memory. The library panics on some inputs; a panic becomes
// an error, so that one worksheet never takes down a server.
func (w *Worksheet) pdf(opt PDFOptions) (b []byte, err error) {
	defer func() {
		if r := recover(); r != nil {
			b, err = nil, fmt.Errorf("worksheet PDF: the PDF library failed on this worksheet: %v; print the page instead", r)
		}
	}()
	p := layOut(w, opt)
	p.frames(w)
	var buf bytes.Buffer
	if err := p.doc.Output(&buf); err != nil {
		return nil, fmt.Errorf("worksheet PDF: %w", err)
	}
	return withLanguage(buf.Bytes(), w.Language.Name())
}

// paper is a document and where the next line goes, in millimetres from the
// corner of the sheet.
type paper struct {
	doc    *gofpdf.Fpdf
	y      float64
	x0, y0 float64 // corner of the area in use
	pack   int     // how densely it is set, packLoose to packLast
}

// layOut sets w as loosely as pagesWanted pages allow, and as densely as it can
// where it needs more. A last page of a few lines is saved where packing can.
func layOut(w *Worksheet, opt PDFOptions) *paper {
	set := func(pack int) *paper {
		p := newPaper(w, opt)
		p.pack = pack
		p.body(w)
		return p
	}
	p := set(packLoose)
	for p.pack < packLast && p.doc.PageCount() > pagesWanted {
		p = set(p.pack + 1)
	}
	if p.doc.PageCount() == pagesWanted && p.y-p.top() < fewLines {
		for pack := p.pack + 1; pack <= packLast; pack++ {
			if q := set(pack); q.doc.PageCount() < pagesWanted {
				return q
			}
		}
	}
	return p
}

func newPaper(w *Worksheet, opt PDFOptions) *paper {
	size := "A4"
	if opt.Letter {
		size = "Letter"
	}
	doc := gofpdf.New("P", "mm", size, "")
	day := time.Unix(0, 0).UTC()
	if d := w.Printed; !d.IsZero() {
		day = time.Date(d.Year, time.Month(d.Month), d.Day, 0, 0, 0, 0, time.UTC)
	}
	doc.SetCreationDate(day)
	doc.SetModificationDate(day)
	doc.SetCatalogSort(true)
	title := w.Title
	if w.Case.Number != "" {
		title = w.Language.Say("%s, case %s", w.Title, w.Case.Number)
	}
	doc.SetTitle(legible(title), true)
	doc.SetCreator(legible(w.Program), true)
	doc.SetAutoPageBreak(false, 0)
	doc.SetMargins(0, 0, 0)
	doc.SetCellMargin(0)
	doc.AddUTF8FontFromBytes("dejavu", "", dejavusanscondensed.TTF)
	doc.AddUTF8FontFromBytes("dejavu", "B", dejavusanscondensedbold.TTF)
	p := &paper{doc: doc}
	width, height := doc.GetPageSize()
	p.x0, p.y0 = (width-areaWidth)/2, (height-areaHeight)/2
	p.page()
	return p
}

func (p *paper) page() {
	p.doc.AddPage()
	p.y = p.top()
}

// mark sets a bookmark on the place of the next line.
func (p *paper) mark(name string) {
	p.font(false, sizeBody) // the library takes the encoding of the title from the font
	p.doc.Bookmark(legible(name), 0, p.y)
}

func (p *paper) font(bold bool, size float64) {
	style := ""
	if bold {
		style = "B"
	}
	p.doc.SetFont("dejavu", style, size)
}

func (p *paper) usable() float64 { return areaWidth - 2*marginSide }
func (p *paper) left() float64   { return p.x0 + marginSide }
func (p *paper) right() float64  { return p.x0 + areaWidth - marginSide }
func (p *paper) top() float64    { return p.y0 + marginTop }
func (p *paper) bottom() float64 { return p.y0 + areaHeight - marginFoot }

// need begins a page unless h millimetres are left on this one, and says so.
func (p *paper) need(h float64) bool {
	if p.y+h > p.bottom() && p.y > p.top() {
		p.page()
		return true
	}
	return false
}

// para prints s from x in lines of the width.
func (p *paper) para(s string, x, width float64, bold bool, size float64) {
	p.font(bold, size)
	lh := size * lineBody / sizeBody
	for _, l := range wrap(legible(s), width, p.doc.GetStringWidth) {
		if p.y+lh > p.bottom() {
			p.page()
			p.font(bold, size)
		}
		p.doc.Text(x, p.y+lh*.78, l)
		p.y += lh
	}
}

func (p *paper) lines(s string, width float64, bold bool, size float64) []string {
	p.font(bold, size)
	return wrap(legible(s), width, p.doc.GetStringWidth)
}

func (p *paper) rule(y, weight float64) {
	p.doc.SetLineWidth(weight)
	p.doc.Line(p.left(), y, p.right(), y)
}

func (p *paper) body(w *Worksheet) {
	p.para(w.Title, p.left(), p.usable(), true, sizeTitle)
	who := p.caseLine(w)
	if w.Version != "" {
		who += " · " + w.Language.Say("Criteria %s", w.Version)
	}
	p.para(who, p.left(), p.usable(), false, sizeSmall)
	p.y += 1.2
	for _, a := range w.Alerts {
		p.alert(a)
	}
	if w.Verdict.Word != "" {
		p.verdict(w)
	}
	for i := range w.Sections {
		if s := p.dense(&w.Sections[i]); !s.Minor && !s.Small && !p.putAside(s) {
			p.section(w.Language, s)
		}
	}
	p.columns(p.small(w), true)
}

// putAside reports whether nothing but the small print is left of a section.
func (p *paper) putAside(s *Section) bool {
	return s.Table != nil && len(s.Table.Rows) > 0 && s.Trace == nil && (s.Cites || len(s.Items) == 0) &&
		!slices.ContainsFunc(s.Table.Rows, func(r Row) bool { return !p.aside(r) && !p.out(r) })
}

// alert frames a line heavily.
func (p *paper) alert(s string) {
	lines := p.lines(s, p.usable()-10, true, sizeHead)
	lh := sizeHead * lineBody / sizeBody
	h := float64(len(lines))*lh + 2.4
	p.need(h)
	p.doc.SetLineWidth(0.9)
	p.doc.Rect(p.left(), p.y, p.usable(), h, "D")
	p.font(true, sizeTitle)
	p.doc.Text(p.left()+2.4, p.y+5, "!")
	p.font(true, sizeHead)
	for i, l := range lines {
		p.doc.Text(p.left()+7, p.y+1.2+lh*(float64(i)+.78), l)
	}
	p.y += h + 1.6
}

// verdict prints the outcome between two heavy rules.
func (p *paper) verdict(w *Worksheet) {
	p.need(26)
	p.mark(w.Verdict.Word)
	p.rule(p.y, 0.7)
	p.y += 1.4
	p.para(w.Verdict.Symbol+" "+w.Headline[0], p.left(), p.usable(), true, sizeTitle-1)
	p.y += .4
	p.para(w.Headline[1], p.left(), p.usable(), false, sizeBody)
	p.y += 1
	p.rule(p.y, 0.7)
	p.y += 1
}

func (p *paper) section(l rules.Language, s *Section) {
	space := 18.0
	scale := tracePaper
	if s.Trace != nil {
		scale, space = p.traceScale()
	}
	if s.Trace == nil && s.Table != nil {
		if h := p.tall(s); h <= keepWhole {
			space = max(space, h)
		}
	}
	p.need(space)
	p.y += 1.3
	p.mark(s.Title)
	p.heading(s.heading(), p.lead(s))
	if s.Trace != nil {
		p.trace(s.Trace, scale)
		if s.Table != nil {
			if h := p.tall(s); h <= keepWhole && p.need(h) {
				p.heading(l.Say("%s, continued", s.heading()), "")
			}
		}
	}
	if s.Table != nil && len(s.Table.Rows) > 0 {
		if len(p.rows(s.Table)) > 0 {
			p.table(s.Table)
		}
		p.lower(s)
	}
	if !s.Cites {
		for _, it := range s.Items {
			p.need(lineBody)
			p.font(false, sizeBody)
			p.doc.Text(p.left(), p.y+lineBody*.78, "•")
			p.para(it, p.left()+3, p.usable()-3, false, sizeBody)
		}
	}
	// What stands after the measures explains those that dense paper leaves out.
	if s.After != "" && (s.Table == nil || !slices.ContainsFunc(s.Table.Rows, p.out)) {
		p.para(s.After, p.left(), p.usable(), false, sizeSmall)
	}
}

// beside is how far behind the margin a sentence stands beside a title, 0 if
// there is no room for it there.
func (p *paper) beside(title, lead string) float64 {
	p.font(true, sizeHead)
	wide := p.doc.GetStringWidth(legible(title)) + 3
	p.font(false, sizeSmall)
	if lead == "" || wide+p.doc.GetStringWidth(legible(lead)) > p.usable() {
		return 0
	}
	return wide
}

// heading prints a title and a sentence, which stands beside it if there is room.
func (p *paper) heading(title, lead string) {
	wide := p.beside(title, lead)
	beside := wide > 0
	if beside {
		p.font(false, sizeSmall)
		p.doc.Text(p.left()+wide, p.y+sizeHead*lineBody/sizeBody*.78, legible(lead))
	}
	p.para(title, p.left(), p.usable(), true, sizeHead)
	if lead != "" && !beside {
		p.para(lead, p.left(), p.usable(), false, sizeSmall)
	}
}

// run is one printed line of a cell.
type run struct {
	text  string
	bold  bool
	small bool
}

func (p *paper) table(t *Table) {
	heads := Row{Cells: make([]Cell, len(t.Columns))}
	for i, c := range t.Columns {
		heads.Cells[i].Sub = c.Head
	}
	widths := p.widths(t)
	head := func() {
		p.row(t, widths, heads, nil)
		p.rule(p.y-.1, 0.3)
	}
	p.y += .4
	head()
	for _, r := range p.rows(t) {
		p.row(t, widths, r, head)
		p.doc.SetDrawColor(150, 150, 150)
		p.rule(p.y, 0.1)
		p.doc.SetDrawColor(0, 0, 0)
	}
	for _, b := range p.beyond(t) {
		p.y += rowPad
		p.para(b.text, p.left(), p.usable(), false, sizeSmall)
	}
}

// row prints one row; head repeats the heads after a page break.
func (p *paper) row(t *Table, widths []float64, r Row, head func()) {
	cols := make([][]run, len(r.Cells))
	most := 0
	for i, c := range r.Cells {
		width := widths[i] - cellGap
		if i == 0 {
			width -= indent(r.Depth)
		}
		if c.Mark != nil {
			cols[i] = append(cols[i], run{legible(c.Mark.String()), true, false}) // symbol and word stay together
		}
		text, sub := t.printed(c)
		for _, l := range p.lines(text, width, r.Strong, sizeBody) {
			cols[i] = append(cols[i], run{l, r.Strong, false})
		}
		for _, l := range p.lines(sub, width, false, sizeSmall) {
			cols[i] = append(cols[i], run{l, false, true})
		}
		most = max(most, len(cols[i]))
	}
	if h := float64(most)*lineBody + 2*rowPad; head != nil && h < keepMost && p.y+h > p.bottom() {
		p.page()
		head()
	}
	p.y += rowPad
	for k := 0; k < most; k++ {
		if head != nil && p.y+lineBody > p.bottom() {
			p.page()
			head()
			p.y += rowPad
		}
		x := p.left()
		for i, c := range t.Columns {
			if k < len(cols[i]) {
				rn := cols[i][k]
				size := sizeBody
				if rn.small {
					size = sizeSmall
				}
				p.font(rn.bold, size)
				at := x
				if i == 0 {
					at += indent(r.Depth)
				}
				if c.Right {
					at = x + widths[i] - cellGap - p.doc.GetStringWidth(rn.text)
				}
				p.doc.Text(at, p.y+lineBody*.78, rn.text)
			}
			x += widths[i]
		}
		p.y += lineBody
	}
	p.y += rowPad
}

// tall is the height of a section of a table with its heading, in millimetres.
func (p *paper) tall(s *Section) float64 {
	t := s.Table
	widths := p.widths(t)
	for i := range widths {
		widths[i] -= cellGap
	}
	rows := p.measured(t)
	lines := linesOf(rows, widths) / lineWeight
	h := 1.3 + sizeHead*lineBody/sizeBody + .4 + float64(lines)*lineBody + float64(len(rows))*2*rowPad
	if l := p.lead(s); l != "" && p.beside(s.heading(), l) == 0 {
		h += sizeSmall * lineBody / sizeBody
	}
	if len(p.beyond(t)) > 0 {
		h += rowPad + sizeSmall*lineBody/sizeBody
	}
	return h
}

func indent(depth int) float64 { return 2.4 * float64(min(depth, 8)) }

// traceScale is the share of the width that a trace takes, a little less if it
// then still fits on this page, and the height with its heading.
func (p *paper) traceScale() (scale, height float64) {
	const heading = 9
	whole := heading + tracePaper*p.usable()*timeLabels/traceWidth
	if left := p.bottom() - p.y; left < whole && left > heading+traceLeast*(whole-heading) {
		return tracePaper * (left - heading) / (whole - heading), left
	}
	if p.pack >= packMet {
		return tracePaper * traceLeast, heading + traceLeast*(whole-heading)
	}
	return tracePaper, whole
}

// trace draws t over a share of the usable width.
func (p *paper) trace(t *Trace, scale float64) {
	k := scale * p.usable() / traceWidth
	x0, y0 := p.left(), p.y
	X := func(v float64) float64 { return x0 + v*k }
	Y := func(v float64) float64 { return y0 + v*k }
	d := p.doc
	// The sheet's unit is k mm; its figures are as large as the others.
	size := math.Max(sizeBody, traceText*k/25.4*72)
	text := func(x, y float64, anchor, s string, bold bool) {
		p.font(bold, size)
		w := d.GetStringWidth(s)
		switch anchor {
		case "end":
			x -= w
		case "middle":
			x -= w / 2
		}
		d.Text(x, y, s)
	}
	grey := func(g int) { d.SetDrawColor(g, g, g) }

	for _, tk := range t.Saturation {
		grey(195)
		d.SetLineWidth(.1)
		d.Line(X(plotLeft), Y(tk.At), X(plotRight), Y(tk.At))
		text(X(plotLeft-4), Y(math.Min(tk.At+3, plotBottom-1)), "end", tk.Label, false) // clear of the first lane
	}
	for _, tk := range t.Clock {
		grey(195)
		d.SetLineWidth(.1)
		if tk.Midnight {
			grey(0)
			d.SetLineWidth(.2)
			text(X(tk.At), Y(t.midnightText()), "middle", t.of.in.Say("midnight"), false)
		}
		d.Line(X(tk.At), Y(plotTop), X(tk.At), Y(timeLabels-10))
		text(X(tk.At), Y(timeLabels), "middle", tk.Label, tk.Midnight)
	}
	grey(0)
	d.SetLineWidth(.25)
	d.Line(X(plotLeft), Y(plotTop), X(plotLeft), Y(plotBottom))
	d.Line(X(plotLeft), Y(plotBottom), X(plotRight), Y(plotBottom))
	text(X(plotLeft-4), Y(plotTop-8), "end", "% SpO₂", false)
	p.legs(t, X, Y, k, text)
	for _, x := range t.Breaks {
		d.SetDashPattern([]float64{.3, .7}, 0)
		d.SetLineWidth(.4)
		d.Line(X(x), Y(plotTop), X(x), Y(plotBottom))
		d.SetDashPattern(nil, 0)
		text(X(x+2), Y(plotBottom-3), "start", t.of.in.Say("clock set back"), false)
	}
	for _, l := range t.Lanes {
		text(X(plotLeft-4), Y(l.Y+laneHeight-1), "end", l.Label, false)
		grey(150)
		d.SetLineWidth(.1)
		d.Line(X(plotLeft), Y(l.Y+laneHeight), X(plotRight), Y(l.Y+laneHeight))
		grey(0)
		for _, b := range l.Bands {
			p.band(X(b.From), Y(l.Y), (b.To-b.From)*k, laneHeight*k, l.Pattern)
		}
	}
	d.SetLineWidth(.22)
	d.SetLineJoinStyle("round")
	for _, line := range t.Lines {
		for i, q := range line {
			if i == 0 {
				d.MoveTo(X(q.X), Y(q.Y))
			} else {
				d.LineTo(X(q.X), Y(q.Y))
			}
		}
		d.DrawPath("D")
	}
	if tk := t.Threshold; tk != nil {
		d.SetDrawColor(0x5b, 0x2a, 0x6e)
		d.SetLineWidth(.45)
		d.SetDashPattern([]float64{2.4, 1}, 0)
		d.Line(X(plotLeft), Y(tk.At), X(plotRight), Y(tk.At))
		d.SetDashPattern(nil, 0)
		grey(0)
		text(X(plotRight+4), Y(tk.At+3), "start", tk.Label, true)
	}
	if n := t.Nadir; n != nil {
		d.SetFillColor(255, 255, 255)
		d.SetLineWidth(.35)
		d.Circle(X(n.X), Y(n.Y), 2.6*k, "FD")
		x, y, anchor := t.nadirText()
		text(X(x), Y(y), anchor, t.NadirLabel, true)
	}
	p.y = Y(timeLabels) + 1.5
}

// band fills a rectangle so that the lanes differ in grey.
func (p *paper) band(x, y, w, h float64, pattern string) {
	d := p.doc
	if pattern == "solid" {
		d.SetFillColor(0, 0, 0)
		d.Rect(x, y, w, h, "F")
		return
	}
	d.SetLineWidth(.15)
	d.Rect(x, y, w, h, "D")
	d.ClipRect(x, y, w, h, false)
	for s := -h; s < w; s += 1.1 {
		d.Line(x+s, y+h, x+s+h, y)
		if pattern == "cross" {
			d.Line(x+s, y, x+s+h, y+h)
		}
	}
	d.ClipEnd()
}

// frames sets head and foot of every page, once their number is known.
func (p *paper) frames(w *Worksheet) {
	pages := p.doc.PageCount()
	l := w.Language
	for n := 1; n <= pages; n++ {
		p.doc.SetPage(n)
		num := l.Say("page %d of %d", n, pages)
		p.font(false, sizeSmall)
		p.doc.Text(p.right()-p.doc.GetStringWidth(num), p.y0+9.5, num)
		if w.Demo {
			p.font(true, sizeSmall)
			mark := l.Say(demoText)
			width := p.doc.GetStringWidth(mark)
			x := p.right() - p.doc.GetStringWidth(num) - 6 - width
			p.doc.SetLineWidth(.4)
			p.doc.Rect(x-1.5, p.y0+6.2, width+3, 4.8, "D")
			p.doc.Text(x, p.y0+9.5, mark)
		}
		who, _ := p.whose(w)
		p.font(true, sizeBody)
		p.doc.Text(p.left(), p.y0+9.5, who)
		p.rule(p.y0+12, 0.2)
		p.rule(p.y0+areaHeight-10.4, 0.2)
		p.font(false, sizeSmall)
		foot := []string{w.Standing}
		if w.Program != "" {
			foot = append(foot, w.Program)
		}
		if !w.Printed.IsZero() {
			foot = append(foot, l.Say("printed %s", w.Printed))
		}
		p.doc.Text(p.left(), p.y0+areaHeight-6.8, p.fit(legible(strings.Join(foot, " · ")), p.usable()))
	}
}

// whose is the head of every page, set bold at sizeBody: case, patient and day
// of birth. A name that leaves no room for the others is shortened, and said to
// be; the first page then has it in full.
func (p *paper) whose(w *Worksheet) (head string, whole bool) {
	c, l := w.Case, w.Language
	before, name, after := legible(l.Say("Case %s", orDash(c.Number)))+" · ", legible(orDash(c.PatientName)), ""
	if !c.BirthDate.IsZero() {
		after = " · " + legible(l.Say("born %s", c.BirthDate))
	}
	p.font(false, sizeSmall)
	room := p.usable() - p.doc.GetStringWidth(l.Say("page %d of %d", 88, 88)) - 4
	if w.Demo {
		p.font(true, sizeSmall)
		room -= p.doc.GetStringWidth(l.Say(demoText)) + 6
	}
	p.font(true, sizeBody)
	set := p.fit(name, room-p.doc.GetStringWidth(before)-p.doc.GetStringWidth(after))
	return before + set + after, set == name
}

// caseLine stands under the title. Dense paper leaves out of it what the head of
// the page has.
func (p *paper) caseLine(w *Worksheet) string {
	named := p.pack < packLists
	line := w.caseLine(named)
	if _, whole := p.whose(w); !whole && !named {
		line = w.Language.Say("Patient %s", w.Case.PatientName) + " · " + line
	}
	return line
}

// fit shortens s to the width in the current font and shows that it did.
func (p *paper) fit(s string, width float64) string {
	if p.doc.GetStringWidth(s) <= width {
		return s
	}
	r := []rune(s)
	for len(r) > 0 && p.doc.GetStringWidth(string(r)+"…") > width {
		r = r[:len(r)-1]
	}
	return string(r) + "…"
}

// fonts are the two embedded faces, parsed once for their coverage.
var fonts = sync.OnceValue(func() []*sfnt.Font {
	var out []*sfnt.Font
	for _, ttf := range [][]byte{dejavusanscondensed.TTF, dejavusanscondensedbold.TTF} {
		f, err := sfnt.Parse(ttf)
		if err != nil {
			panic(err) // the font is part of the program
		}
		out = append(out, f)
	}
	return out
})

// legible joins a letter with the accents that follow it, because the library sets
// one character after the other, and replaces every character that one of the embedded faces lacks, or
// that lies beyond the BMP, which the library cannot set, by its code point.
func legible(s string) string {
	var b strings.Builder
	var buf sfnt.Buffer
	for _, r := range visible(norm.NFC.String(s)) {
		ok := r <= 0xFFFF
		for _, f := range fonts() {
			if !ok {
				break
			}
			g, err := f.GlyphIndex(&buf, r)
			ok = err == nil && g != 0
		}
		if ok {
			b.WriteRune(r)
		} else {
			b.WriteString(codePoint(r))
		}
	}
	return b.String()
}
