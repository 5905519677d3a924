package worksheet

import (
	"bytes"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"
)

// demoText stands on every paper of the demonstration.
const demoText = "DEMO: invented data, no patient"

// textWidth is the width of the plain text in characters (our choice).
const textWidth = 120

// WriteText writes w as plain UTF-8 text, tables set in columns. The trace is
// given in words. Characters count as one column each.
func (w *Worksheet) WriteText(out io.Writer) error {
	var b bytes.Buffer
	para := func(indent, s string) {
		for i, l := range wrap(s, textWidth-float64(utf8.RuneCountInString(indent)), textMeasure) {
			if i > 0 {
				indent = strings.Repeat(" ", utf8.RuneCountInString(indent))
			}
			b.WriteString(indent + l + "\n")
		}
	}
	if w.Demo {
		b.WriteString(w.Language.Say(demoText) + "\n")
	}
	para("", w.Title)
	para("", w.caseLine(true))
	para("", w.Language.Say("Criteria %s", w.Version))
	for _, a := range w.Alerts {
		b.WriteByte('\n')
		para("! ", a)
	}
	b.WriteByte('\n')
	para("["+w.Verdict.Symbol+"] ", w.Headline[0])
	para("    ", w.Headline[1])
	for _, s := range w.Sections {
		fmt.Fprintf(&b, "\n%s\n%s\n", s.heading(), strings.Repeat("-", utf8.RuneCountInString(s.heading())))
		if s.Lead != "" {
			para("", s.Lead)
		}
		if s.Trace != nil {
			para("", s.Trace.Title+". "+s.Trace.Desc)
		}
		if s.Table != nil && len(s.Table.Rows) > 0 {
			s.Table.writeText(&b)
		}
		for _, it := range s.Items {
			para("- ", it)
		}
		if s.After != "" {
			para("", s.After)
		}
	}
	b.WriteByte('\n')
	para("", w.Standing)
	_, err := out.Write(b.Bytes())
	return err
}

// heading is the title with the letters of the evidence.
func (s *Section) heading() string { return Cell{Text: s.Title, Ref: s.Ref}.Referred() }

// caseLine says in one line whose case it is; named with number, patient and
// birth date, which stand at the head of every sheet of paper too.
func (w *Worksheet) caseLine(named bool) string {
	c, l := w.Case, w.Language
	var parts []string
	if named {
		parts = []string{l.Say("Case %s", orDash(c.Number)), l.Say("Patient %s", orDash(c.PatientName)), l.Say("Born %s", orDash(l.Date(c.BirthDate)))}
	}
	for _, p := range []struct{ said, value string }{{l.Say("Identifier %s", c.Identifier), c.Identifier}, {l.Say("Payer %s", c.Payer), c.Payer},
		{l.Say("Supplier %s", c.Supplier), c.Supplier}, {l.Say("Printed %s", w.Printed), w.Printed.String()}} {
		if p.value != "" {
			parts = append(parts, p.said)
		}
	}
	return strings.Join(parts, " · ")
}

func textMeasure(s string) float64 { return float64(utf8.RuneCountInString(s)) }

func (t *Table) writeText(b *bytes.Buffer) {
	const gap = 2
	widths := make([]int, len(t.Columns))
	for i, c := range t.Columns {
		widths[i] = int(c.Share*(textWidth-gap*float64(len(t.Columns)-1)) + .5)
	}
	line := func(depth int, cells []Cell) {
		cols := make([][]string, len(cells))
		rows := 0
		for i, c := range cells {
			w, in := widths[i], ""
			if i == 0 {
				in = strings.Repeat("  ", depth)
			}
			for _, part := range c.parts() {
				for _, l := range wrap(part, float64(w-len(in)), textMeasure) {
					cols[i] = append(cols[i], in+l)
				}
			}
			rows = max(rows, len(cols[i]))
		}
		for r := 0; r < rows; r++ {
			var l strings.Builder
			for i := range cells {
				s := ""
				if r < len(cols[i]) {
					s = cols[i][r]
				}
				pad := strings.Repeat(" ", max(widths[i]-utf8.RuneCountInString(s), 0))
				if t.Columns[i].Right {
					s = pad + s
				} else {
					s += pad
				}
				l.WriteString(s + strings.Repeat(" ", gap))
			}
			b.WriteString(strings.TrimRight(l.String(), " ") + "\n")
		}
	}
	heads := make([]Cell, len(t.Columns))
	for i, c := range t.Columns {
		heads[i].Text = c.Head
	}
	line(0, heads)
	for _, r := range t.Rows {
		line(r.Depth, r.Cells)
	}
}

// parts are the paragraphs of a cell: verdict, text with its evidence, and what
// stands under it in brackets.
func (c Cell) parts() []string {
	var out []string
	if c.Mark != nil {
		out = append(out, c.Mark.String())
	}
	if s := c.Referred(); s != "" {
		out = append(out, s)
	}
	for _, s := range []string{c.Sub, c.Note} {
		if s != "" {
			out = append(out, "("+s+")")
		}
	}
	return out
}

// wrap breaks s at blanks into lines that measure at most width, and inside a
// word only where the word alone is wider.
func wrap(s string, width float64, measure func(string) float64) []string {
	var out []string
	line := ""
	for _, word := range strings.Fields(s) {
		if line != "" {
			if measure(line+" "+word) <= width {
				line += " " + word
				continue
			}
			out = append(out, line)
			line = ""
		}
		for measure(word) > width {
			runes := []rune(word)
			n := 1
			for n < len(runes) && measure(string(runes[:n+1])) <= width {
				n++
			}
			if n == len(runes) {
				break
			}
			out = append(out, string(runes[:n]))
			word = string(runes[n:])
		}
		line = word
	}
	if line != "" {
		out = append(out, line)
	}
	return out
}
