package worksheet

import (
	"bytes"
	_ "embed" // template and style
	"fmt"
	"html/template"
	"io"
)

// accent is the one colour of the worksheet beside black: dark enough to stay
// black on a grey printer.
const accent = "#5b2a6e"

// CSS styles the fragment that WriteHTML writes: classes under .worksheet
// only. A page may override the colour by the custom property --accent.
//
//go:embed worksheet.css
var CSS string

//go:embed worksheet.tmpl
var source string

var page = template.Must(template.New("worksheet").Funcs(template.FuncMap{
	// The SVG is built here from numbers and escaped texts.
	"svg": func(t *Trace) template.HTML { return template.HTML(t.SVG()) },
}).Parse(source))

// WriteHTML writes w as a fragment, <article class="worksheet">, without
// script and inline style. Every text of the case is escaped. Nothing is
// written if an error is returned by the template.
func (w *Worksheet) WriteHTML(out io.Writer) error {
	var b bytes.Buffer
	if err := page.Execute(&b, w); err != nil {
		return fmt.Errorf("worksheet page: %w", err)
	}
	_, err := out.Write(b.Bytes())
	return err
}

// Say is a text of ours in the language of w.
func (w *Worksheet) Say(english string) string { return w.Language.Say(english) }

// Indent is the class of a row of depth d, at most the eighth.
func (r Row) Indent() int { return min(r.Depth, 8) }

// Folds reports whether a page shows the section folded: the long lists behind
// what decided, one press away. Print unfolds them.
func (s Section) Folds() bool { return s.ID == "clauses" || s.ID == "moresources" }
