package worksheet

import (
	"html"
	"html/template"
	"slices"
	"strings"
	"unicode/utf8"

	"airwarrant/qualify/criteria"
	"airwarrant/rules"
)

// packLanguage is that of what packs hold (BCP 47).
const packLanguage = "en"

// leastForeign is how long a text of a pack is at least, in letters, that a page
// marks as being in another language (our choice: shorter ones are ids and
// names).
const leastForeign = 4

// foreign marks what stands in the pack and is not translated, in a fragment of
// another language (WCAG 2.2, success criterion 3.1.2); nil where all is in one.
func foreign(l rules.Language, p *rules.Pack) *strings.Replacer {
	if p == nil || strings.HasPrefix(l.Name(), packLanguage) {
		return nil
	}
	var pairs []string
	for _, t := range PackTexts(p) {
		t = html.EscapeString(visible(t))
		pairs = append(pairs, t, `<span lang="`+packLanguage+`">`+t+`</span>`)
	}
	return strings.NewReplacer(pairs...)
}

// PackTexts are the texts that a pack holds in words of its own, each once, a
// longer one before any that it begins with: labels, notes, papers, citations,
// consequences. They are printed as they stand, whatever the language.
func PackTexts(p *rules.Pack) []string {
	var out []string
	add := func(texts ...string) {
		for _, t := range texts {
			for _, t := range []string{t, strings.TrimSuffix(t, ".")} {
				if utf8.RuneCountInString(t) >= leastForeign && strings.Contains(t, " ") {
					out = append(out, t)
				}
			}
		}
	}
	add(p.Title, p.Region.Name, p.Region.Payer, p.Region.Scope, p.OtherwiseSee)
	add(p.Cautions...)
	for key := range p.Cites {
		add(criteria.CiteText(p, key))
	}
	p.Walk(func(n *rules.Node, _ bool) { add(n.Label, n.Note, n.Unsettled, n.Grade) })
	for _, d := range p.DeferTo {
		add(d.Text)
	}
	for _, o := range p.Overrides {
		add(o.Text)
	}
	if p.Custody != nil {
		add(p.Custody.Who)
	}
	if p.Choose != nil {
		add(p.Choose.Note)
	}
	for _, it := range p.OnFile {
		add(it.Item, brief(it.Item))
	}
	for _, c := range slices.Concat(p.Allows, p.FollowUp) {
		add(c.Text)
	}
	for _, x := range p.Prompts {
		add(x.Text)
	}
	slices.SortFunc(out, func(a, b string) int {
		if n := len(b) - len(a); n != 0 {
			return n
		}
		return strings.Compare(a, b)
	})
	return slices.Compact(out)
}

// Marked is a text of w for a page, with what is in another language marked.
func (w *Worksheet) Marked(text string) any {
	if w.foreign == nil {
		return text
	}
	return marked(w.foreign(), text)
}

// Marked is a text worded in l for a template of a page, with what it has from
// the pack marked as being in another language.
func Marked(l rules.Language, p *rules.Pack, text string) any { return marked(foreign(l, p), text) }

func marked(foreign *strings.Replacer, text string) any {
	if foreign == nil {
		return text // the template escapes it
	}
	return template.HTML(foreign.Replace(html.EscapeString(text)))
}
