package worksheet

import (
	"bytes"
	"strings"
	"testing"

	"airwarrant/qualify/criteria"
	"airwarrant/rules"
)

// Every shipped pack prints as a blank worksheet, on paper too, with every
// clause, every question, every document and every paper that has to be on
// file.
func TestBlank(t *testing.T) {
	lib, err := rules.Embedded()
	if err != nil {
		t.Fatal(err)
	}
	day := rules.Date{Year: 2030, Month: 3, Day: 6}
	for _, r := range lib.Regions() {
		for _, p := range lib.History(r.Region) {
			w := Blank(rules.Language{}, p, "airwarrant test", day)
			got := strings.Join(strings.Fields(text(t, w)), "")
			has := func(what, s string) {
				if !strings.Contains(got, strings.Join(strings.Fields(visible(s)), "")) {
					t.Errorf("%s: %s is missing: %s", p.File, what, s)
				}
			}
			// Columns break words of a row over lines, so texts of cells are looked up in the model.
			cells := ""
			for _, s := range w.Sections {
				if s.Table != nil {
					for _, row := range s.Table.Rows {
						for _, c := range row.Cells {
							cells += c.Text + "\n" + c.Sub + "\n"
						}
					}
				}
			}
			p.Walk(func(n *rules.Node, gate bool) {
				if gate {
					return
				}
				for _, s := range []string{n.Label, n.ID, rules.Describe(n), n.Note} {
					if !strings.Contains(cells, visible(s)) {
						t.Errorf("%s: clause %s: %q is missing", p.File, n.ID, s)
					}
				}
				for _, k := range n.Cite {
					has("source", criteria.CiteText(p, k))
				}
				if def, _ := rules.Lookup(n.Fact); !strings.Contains(cells, visible(def.Question)) {
					t.Errorf("%s: the question of %s is missing", p.File, n.Fact)
				}
			})
			for _, it := range p.OnFile {
				has("paper", it.Item)
			}
			for _, s := range p.Cautions {
				has("caution", s)
			}
			has("the other set", p.OtherwiseSee)
			has("the payer", p.Region.Payer)
			var paper, again bytes.Buffer
			if err := w.WritePDF(&paper, PDFOptions{}); err != nil {
				t.Errorf("%s: %v", p.File, err)
			}
			if err := Blank(rules.Language{}, p, "airwarrant test", day).WritePDF(&again, PDFOptions{}); err != nil || !bytes.Equal(paper.Bytes(), again.Bytes()) || !bytes.HasPrefix(paper.Bytes(), []byte("%PDF-")) {
				t.Errorf("%s: the paper differs when repeated, or is none: %v", p.File, err)
			}
		}
	}
}
