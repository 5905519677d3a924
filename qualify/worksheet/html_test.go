package worksheet

import (
	"encoding/xml"
	"io"
	"regexp"
	"strings"
	"testing"

	"airwarrant/qualify/criteria"
	"airwarrant/rules/wording"
)

// TestEscape: no text of a case, an office or a file becomes markup.
func TestEscape(t *testing.T) {
	const evil = `<script>alert("x")</script>`
	in := sample("open")
	in.Case.PatientName, in.Case.Number, in.Case.Payer, in.Case.Supplier, in.Case.Identifier = evil, evil, evil, evil, evil
	in.Identity[0].Case, in.Identity[0].Other, in.Identity[0].Explained = evil, evil, evil
	in.Recording.Layout = []wording.Text{wording.Said(evil)}
	in.Determination.Criteria = `x"><script>`
	in.Determination.Because, in.Determination.Title = evil, evil
	in.Determination.Notes = []string{evil}
	in.Determination.Clauses[0].Label, in.Determination.Clauses[0].Found = evil, evil
	in.Determination.OnFile[0].Where = evil
	f := in.Facts["ordered_by_treating_practitioner"]
	f.Place = &criteria.Place{Document: evil, Page: evil, By: evil}
	in.Facts["ordered_by_treating_practitioner"] = f
	got := fragment(t, New(in))
	if strings.Contains(got, "<script") {
		t.Error("a text of the case became a script element")
	}
	if n := strings.Count(got, "&lt;script&gt;"); n < 14 {
		t.Errorf("%d escaped texts, want at least 14", n)
	}
}

// TestWellFormed reads the fragment with encoding/xml, which the HTML syntax
// used here satisfies, and checks what a strict content security policy would
// block: style and event attributes, script and style elements. (CSP Level 3,
// W3C, section 6: inline style and inline event handlers; from memory.)
func TestWellFormed(t *testing.T) {
	ids := map[string]bool{}
	for _, name := range sampleNames {
		d := xml.NewDecoder(strings.NewReader(fragment(t, New(sample(name)))))
		for {
			tok, err := d.Token()
			if err == io.EOF {
				break
			}
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			el, ok := tok.(xml.StartElement)
			if !ok {
				continue
			}
			if el.Name.Local == "script" || el.Name.Local == "style" {
				t.Errorf("%s: element %s", name, el.Name.Local)
			}
			for _, a := range el.Attr {
				if a.Name.Local == "style" || strings.HasPrefix(a.Name.Local, "on") {
					t.Errorf("%s: attribute %s on %s", name, a.Name.Local, el.Name.Local)
				}
				if a.Name.Local == "id" {
					if ids[name+a.Value] {
						t.Errorf("%s: id %s twice", name, a.Value)
					}
					ids[name+a.Value] = true
				}
			}
		}
	}
}

var comments = regexp.MustCompile(`(?s)/\*.*?\*/`)

// TestStyleCoversClasses: every class that the page uses for verdicts and
// layout has a rule, and every rule stands under .worksheet.
func TestStyleCoversClasses(t *testing.T) {
	page := fragment(t, New(sample("critical"))) + fragment(t, New(sample("open")))
	for _, c := range []string{"ws-case", "ws-alert", "ws-verdict", "ws-word", "ws-line", "ws-standing", "ws-lead", "ws-after", "ws-num", "ws-strong", "ws-depth1", "ws-mark", "ws-trace", "ws-svg", "ws-threshold", "ws-demo", "ws-na", "ws-ref"} {
		if !strings.Contains(page, c) {
			t.Errorf("no element of class %s", c)
		}
		if !regexp.MustCompile(`\.` + c + `\b`).MatchString(CSS) {
			t.Errorf("no rule for class %s", c)
		}
	}
	for _, sel := range regexp.MustCompile(`(?m)^\s*([.a-z][^{@;:]*)[:a-z]*\{`).FindAllStringSubmatch(comments.ReplaceAllString(CSS, ""), -1) {
		if !strings.HasPrefix(strings.TrimSpace(sel[1]), ".worksheet") {
			t.Errorf("rule %q reaches beyond the worksheet", sel[1])
		}
	}
}

// TestMarkBeforeText: a verdict and the text that follows it in one cell do not
// run into each other.
func TestMarkBeforeText(t *testing.T) {
	in := sample("met")
	in.Answers = []OfficeAnswer{{Question: "Where does the order stand?", Answer: "we disagree", Disputed: true, By: "R. Quill, RN", At: "2030-03-05"}}
	page := fragment(t, New(in))
	if !strings.Contains(page, "Disputed:</span> Where does the order stand?") {
		t.Errorf("the question of a dispute: %.400s", page[strings.Index(page, "Disputed"):])
	}
	if strings.Contains(page, "Met:") {
		t.Error("a verdict alone ends with a colon")
	}
}
