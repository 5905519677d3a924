package web

import (
	"bytes"
	"html/template"
	"slices"
	"strings"

	"golang.org/x/net/html"

	"airwarrant/web/texts"
)

// A form that was not taken comes back with what was typed, each fault at its
// field. A summary at the head of the page leads to every one of them, so that
// nobody has to look for it on a long page (WCAG 2.2, 3.3.1; the focus goes
// there without a script). It is read out of the page as it is made, so that no
// form has to list its faults a second time.

// summaryLine is one fault: the question that it is of, its words, and the id of
// the field, or of the words where the field has none.
type summaryLine struct{ Of, Lang, Says, To string }

var faultSummary = template.Must(template.New("faults").Parse(`<section class="say faults" tabindex="-1" autofocus aria-labelledby="faults-h"><p id="faults-h"><strong>{{.Heading}}</strong></p><ul>
{{- range .Lines}}<li><a href="#{{.To}}">{{if .Of}}<span{{with .Lang}} lang="{{.}}"{{end}}>{{.Of}}</span>{{else}}{{.Says}}{{end}}</a>{{if .Of}} {{.Says}}{{end}}</li>{{end}}</ul></section>`))

// withFaults puts the summary behind the heading of a page, and says in its title
// that something is wrong. A page without a fault stays as it is.
func withFaults(l *texts.Language, body []byte) []byte {
	if !bytes.Contains(body, []byte(`class="error"`)) && !bytes.Contains(body, []byte(` data-fault>`)) {
		return body
	}
	doc, err := html.Parse(bytes.NewReader(body))
	if err != nil {
		return body // read from memory: it does not fail
	}
	lines := faultsIn(doc)
	head, rest, ok := bytes.Cut(body, []byte("</h1>"))
	if len(lines) == 0 || !ok {
		return body
	}
	var out bytes.Buffer
	out.Write(bytes.Replace(head, []byte("<title>"), []byte("<title>"+html.EscapeString(l.Text("Error"))+": "), 1))
	out.WriteString("</h1>")
	_ = faultSummary.Execute(&out, struct {
		Heading string
		Lines   []summaryLine
	}{l.Text("It was not taken. This has to be mended first:"), lines}) // into memory, of strings alone
	out.Write(rest)
	return out.Bytes()
}

// faultsIn finds the faults of a page in their order.
func faultsIn(doc *html.Node) []summaryLine {
	fields := map[string]*html.Node{} // by the id of the words that describe them
	each(doc, func(n *html.Node) {
		for _, id := range strings.Fields(attribute(n, "aria-describedby")) {
			if fields[id] == nil {
				fields[id] = n
			}
		}
	})
	var out []summaryLine
	each(doc, func(n *html.Node) {
		switch {
		case n.Data == "p" && ofClass(n, "error"):
			line := summaryLine{Says: saidBy(n), To: attribute(n, "id")}
			if f := fields[line.To]; f != nil && attribute(f, "id") != "" {
				line.To = attribute(f, "id")
			}
			line.Of, line.Lang = question(n)
			out = append(out, line)
		case slices.ContainsFunc(n.Attr, func(a html.Attribute) bool { return a.Key == "data-fault" }):
			// Of a whole part: its own words lead to it, where it has faults of
			// fields they follow.
			for p := n.Parent; p != nil; p = p.Parent {
				if p.Data == "section" && attribute(p, "id") != "" {
					out = append(out, summaryLine{Says: saidBy(n), To: attribute(p, "id")})
					break
				}
			}
		}
	})
	return out
}

// question is what the field asks at which a fault stands, and its language if
// that is not the page's.
func question(fault *html.Node) (words, lang string) {
	for p := fault.Parent; p != nil && p.Data != "form"; p = p.Parent {
		var found *html.Node
		each(p, func(n *html.Node) {
			if found == nil && (ofClass(n, "ask") || ofClass(n, "top") || n.Data == "legend") {
				found = n
			}
		})
		if found != nil {
			if c := found.FirstChild; c != nil && c.NextSibling == nil && c.Type == html.ElementNode {
				lang = attribute(c, "lang")
			}
			return saidBy(found), lang
		}
	}
	return "", ""
}

// each goes through the elements from n downwards.
func each(n *html.Node, do func(*html.Node)) {
	for d := range n.Descendants() {
		if d.Type == html.ElementNode {
			do(d)
		}
	}
}

func attribute(n *html.Node, name string) string {
	for _, a := range n.Attr {
		if a.Key == name {
			return a.Val
		}
	}
	return ""
}

func ofClass(n *html.Node, class string) bool {
	return slices.Contains(strings.Fields(attribute(n, "class")), class)
}

// saidBy is the text in n, in one line.
func saidBy(n *html.Node) string {
	var b strings.Builder
	for d := range n.Descendants() {
		if d.Type == html.TextNode {
			b.WriteString(d.Data)
		}
	}
	return strings.Join(strings.Fields(b.String()), " ")
}
