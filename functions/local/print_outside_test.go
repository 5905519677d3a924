//go:build outside

package main

import (
	"bytes"
	"html"
	"os/exec"
	"regexp"
	"strconv"
	"strings"
	"testing"

	cdp "github.com/chromedp/chromedp"

	"airwarrant/web"
)

var (
	bboxPage = regexp.MustCompile(`<page width="([0-9.]+)" height="([0-9.]+)">`)
	bboxWord = regexp.MustCompile(`<word xMin="([0-9.-]+)" yMin="([0-9.-]+)" xMax="([0-9.-]+)" yMax="([0-9.-]+)">([^<]*)</word>`)
)

// printed prints the page that is open as the browser does, on A4, and reads
// the paper with poppler's pdftotext: every word lies on its sheet, no sheet is
// empty, and nothing that can only be pressed is printed.
func (b *browser) printed(name string, most int, wants ...string) {
	b.t.Helper()
	pdf, err := cdp.Run(b.ctx, cdp.PrintToPDF(cdp.PDFPaper(cdp.PaperA4)))
	if err != nil {
		b.t.Fatal(err)
	}
	b.paper("print-"+name, pdf)
	cmd := exec.Command("pdftotext", "-bbox", "-", "-")
	cmd.Stdin = bytes.NewReader(pdf)
	out, err := cmd.Output()
	if err != nil {
		b.t.Fatalf("pdftotext (poppler-utils, which .ci/tools brings): %v", err)
	}
	number := func(s string) float64 {
		f, err := strconv.ParseFloat(s, 64)
		if err != nil {
			b.t.Fatal(err)
		}
		return f
	}
	pages := strings.Split(string(out), "<page ")[1:]
	var words []string
	for i, p := range pages {
		size := bboxPage.FindStringSubmatch("<page " + p)
		if size == nil {
			b.t.Fatalf("%s: no size of page %d", name, i+1)
		}
		on := bboxWord.FindAllStringSubmatch(p, -1)
		if len(on) == 0 {
			b.t.Errorf("%s: page %d is empty", name, i+1)
		}
		for _, w := range on {
			word := html.UnescapeString(w[5])
			if number(w[1]) < 0 || number(w[3]) > number(size[1])+1 || number(w[2]) < 0 || number(w[4]) > number(size[2])+1 {
				b.t.Errorf("%s: %q lies off page %d", name, word, i+1)
			}
			words = append(words, word)
		}
	}
	text := strings.Join(words, " ")
	if len(pages) > most {
		b.t.Errorf("%s: %d pages, expected at most %d", name, len(pages), most)
	}
	for _, want := range append(wants, "DEMO") {
		if !strings.Contains(text, want) {
			b.t.Errorf("%s: the paper lacks %q: %.1500s", name, want, text)
		}
	}
	for _, lack := range []string{"Sign out", "Español", "To the page", "Withdraw this", "Show what it needs"} {
		if strings.Contains(text, lack) {
			b.t.Errorf("%s: %q is printed", name, lack)
		}
	}
}

// TestOutsidePrinted prints the main pages of each desk.
func TestOutsidePrinted(t *testing.T) {
	b := open(t)
	b.sit(web.Intake)
	b.visit("/cases")
	b.printed("cases", 2, "Ada Merrin", "criteria", "Cassius Penhallow")
	b.visitCase("Ines Lockhart")
	number := strings.TrimPrefix(b.path(), "/cases/")
	b.printed("case", 8, "Written criteria met", "27.3 min", "What decided", "Ines Lockhart", number)
	b.visit("/cases/" + number + "/trail")
	b.printed("trail", 4, "Hash of the last", "case opened under")
	b.visit("/cases/" + number + "/papers")
	b.printed("papers", 2, "Papers, case", "Ines Lockhart")
	b.visitCase("Perpetua Sloane")
	b.press("#report a")
	b.printed("report", 4, "Signed report, case", "Perpetua Sloane", "7.2")
	b.visit("/rules")
	b.printed("criteria-list", 8, "Original Medicare")
	b.visit("/rules/us-medicare/2023-04-01")
	b.printed("criteria", 24, "88 %", "L33797")

	b.visitCase("Cassius Penhallow")
	b.press("#links button[value=office]")
	link, code := strings.TrimPrefix(b.value("#fresh"), b.url), b.value("#fresh-code")
	office := b.another()
	office.visit(link)
	office.give("main form", map[string]string{"code": code})
	office.press("main form button.main")
	office.printed("office", 4, "Cassius Penhallow", "Which saturation awake")
	office.give("main form", map[string]string{"who": "R. Quill", "credential": "RN", "a.awake_spo2": "located", "v.awake_spo2": "92", "d.awake_spo2": "visit note", "t.awake_spo2": "2026-03-14", "p.awake_spo2": "3"})
	office.press("main form button.main")
	office.printed("office-sent", 10, "visit note", "92 %", "R. Quill", "Written criteria met")

	b.visitCase("Rafe Underhill")
	b.press("#links button[value=tester]")
	link, code = strings.TrimPrefix(b.value("#fresh"), b.url), b.value("#fresh-code")
	tester := b.another()
	tester.visit(link)
	tester.give("main form", map[string]string{"code": code})
	tester.press("main form button.main")
	tester.printed("tester", 2, "Rafe Underhill")

	maintainer := b.another()
	maintainer.sit(web.Maintainer)
	maintainer.visit("/cases")
	maintainer.printed("maintainer-cases", 2, number)
	administrator := b.another()
	administrator.sit(web.Administrator)
	administrator.visit("/accounts")
	administrator.printed("accounts", 2, "demo intake")
	administrator.visit("/accounts/sign-ins")
	administrator.printed("sign-ins", 2, "demo")
}
