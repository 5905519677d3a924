//go:build outside

package main

import (
	"strings"
	"testing"

	cdp "github.com/chromedp/chromedp"

	"airwarrant/web"
)

// visitCase opens the demonstration's case of a patient from the list.
func (b *browser) visitCase(name string) {
	b.t.Helper()
	b.visit("/cases")
	address, err := cdp.Run(b.ctx, cdp.Evaluate[string](`[...document.querySelectorAll("main tr")].find(r=>r.textContent.includes("`+name+`")).querySelector("a").getAttribute("href")`))
	if err != nil {
		b.t.Fatal(err)
	}
	b.visit(address)
}

// A link made at the intake desk, opened in a browser that has no desk: the
// code is asked first, and a wrong one is told without a word about the case.
func TestOutsideLinkAndCode(t *testing.T) {
	b := open(t)
	b.visit("/")
	b.press("button[name=desk][value=intake]")
	b.visitCase("Cassius Penhallow")
	b.press("#links button[value=office]")
	b.look("50-link-made")
	link, code := strings.TrimPrefix(b.value("#fresh"), b.url), b.value("#fresh-code")
	b.visit(link)
	if s := b.text(); !strings.Contains(s, "opens after signing out") || strings.Contains(s, "Penhallow") {
		t.Errorf("the intake desk opens the office's link:\n%s", s)
	}
	b.press("main form button")
	b.look("51-code")
	wrong := "000000"
	if code == wrong {
		wrong = "000001"
	}
	b.give("main form", map[string]string{"code": wrong})
	b.press("main form button.main")
	if s := b.text(); !strings.Contains(s, "4 tries are left") || strings.Contains(s, "Penhallow") {
		t.Errorf("after a wrong code:\n%s", s)
	}
	b.look("52-code-wrong")
	b.give("main form", map[string]string{"code": code[:3] + " " + code[3:]})
	b.press("main form button.main")
	if s := b.text(); !strings.Contains(s, "Cassius Penhallow") || b.path() != link {
		t.Errorf("the code does not open the link:\n%s", s)
	}
	b.look("53-office")

	// Four answers to each question; nothing typed is lost on a fault.
	b.give("main form", map[string]string{"who": "R. Quill", "credential": "RN", "a.awake_spo2": "located", "v.awake_spo2": "92", "d.awake_spo2": "visit note", "t.awake_spo2": "2026-03-14",
		"a.written_order": "disagrees"})
	b.press("main form button.main")
	if s := b.text(); !strings.Contains(s, "Expected the page") || !strings.Contains(s, "with what the office disagrees") || b.value("[name='d.awake_spo2']") != "visit note" {
		t.Errorf("after two faults:\n%s", s)
	}
	b.look("54-office-faults")
	b.give("main form", map[string]string{"p.awake_spo2": "3", "r.written_order": "There are two orders; which one is meant?"})
	b.press("main form button.main")
	if s := b.text(); !strings.Contains(s, "located, copy not on file") || !strings.Contains(s, "Disputed by the physician's office") {
		t.Errorf("after sending:\n%s", s)
	}
	b.js("document.querySelector('#attach details').open=true")
	b.look("55-office-sent")
	b.do(cdp.SetUploadFiles("#attach input[type=file]", []string{file(t, "page.tif", string(web.DemoFax()))}))
	b.press("#attach button[type=submit]")
	if s := b.text(); !strings.Contains(s, "Of which answers is it the copy") || !strings.Contains(s, "Expected the answers of which this is the copy") {
		t.Errorf("a copy of nothing is taken:\n%s", s)
	}
	b.look("56-copy-of-nothing")
	if !b.js("(()=>{for(const n of ['for','no_name'])document.querySelector('#attach [name='+n+']').checked=true;document.querySelector('#attach [name=kind][value=note]').checked=true;return true})()") {
		t.Fatal("no form for a copy")
	}
	b.press("#attach button[type=submit]")
	if s := b.text(); !strings.Contains(s, "copy on file: note") {
		t.Errorf("the copy is not on file:\n%s", s)
	}
	b.look("57-copy-sent")
	pdf := b.fetch(link + "/answers.pdf")
	b.paper("answers", pdf)
	text := strings.Join(strings.Fields(pdfText(t, pdf)), " ")
	for _, want := range []string{"Answers of the physician's office", "Cassius Penhallow", "Jan 31, 1955", "page 1 of", "DEMO", "visit note of", "92 %", "Disputed", "There are two orders", "R. Quill, RN",
		"An answer tells where documentation is found. It does not replace it."} {
		if !strings.Contains(text, want) {
			t.Errorf("the paper of the answers lacks %q:\n%s", want, text)
		}
	}
	for _, lack := range []string{"88 %", "criteria met", "qualif", "Group", "≤"} {
		if strings.Contains(text, lack) {
			t.Errorf("the paper of the answers holds %q", lack)
		}
	}
	b.visit("/")
	b.press("button[name=desk][value=intake]")
	b.visitCase("Cassius Penhallow")
	b.press("#answers button[value=take]")
	if s := b.text(); !strings.Contains(s, "Taken by") {
		t.Errorf("the dispute is not taken:\n%s", s)
	}
	b.look("58-dispute")
	b.paper("disputed", b.fetch(b.path()+"/worksheet.pdf"))
}

// The tester judges doubtful stretches by its link; both readings stand on
// page and paper.
func TestOutsideTesterJudges(t *testing.T) {
	b := open(t)
	b.visit("/")
	b.press("button[name=desk][value=intake]")
	b.visitCase("Wilhelmina Orchard")
	number := b.path()
	b.press("#links button[value=tester]")
	link, code := strings.TrimPrefix(b.value("#fresh"), b.url), b.value("#fresh-code")
	b.press("form[action='/sign-out'] button")
	b.visit(link)
	b.give("main form", map[string]string{"code": code})
	b.press("main form button.main")
	b.look("60-tester-spans")
	b.give("#spans form", map[string]string{"who": "L. Frost", "credential": "RRT"})
	b.press("#spans button.main")
	if s := b.text(); !strings.Contains(s, "Expected a judgement of at least one stretch") || b.value("#s-who") != "L. Frost" {
		t.Errorf("nothing judged:\n%s", s)
	}
	b.look("61-tester-nothing-judged")
	b.give("#spans form", map[string]string{"rest": "genuine"})
	b.press("#spans button.main")
	if s := b.text(); !strings.Contains(s, "So far: genuine, by L. Frost, RRT") {
		t.Errorf("the judgement is not told:\n%s", s)
	}
	b.look("62-tester-judged")
	b.visit("/")
	b.press("button[name=desk][value=intake]")
	b.visit(number)
	if s := b.text(); !strings.Contains(s, "Doubtful stretches that were judged") || !strings.Contains(s, "Without the judgement the outcome is: undetermined.") {
		t.Errorf("the case does not tell both readings:\n%s", s)
	}
	b.look("63-judged-case")
	pdf := b.fetch(number + "/worksheet.pdf")
	b.paper("judged", pdf)
	text := strings.Join(strings.Fields(pdfText(t, pdf)), " ")
	for _, want := range []string{"Doubtful stretches that were judged", "as judged", "without the judgement", "L. Frost, RRT", "Without the judgement the outcome is"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q does not stand on paper:\n%s", want, text)
		}
	}
}

// The wrong file goes from a case; who saw it stands on the page.
func TestOutsideWrongFileWithdrawn(t *testing.T) {
	b := open(t)
	b.visit("/")
	b.press("button[name=desk][value=intake]")
	b.visitCase("Cassius Penhallow")
	b.press("#links button[value=office]")
	b.visit(b.path()[:strings.LastIndex(b.path(), "/links")])
	b.press("#recording details form button")
	if s := b.text(); !strings.Contains(s, "Expected the reason for withdrawing the recording") || !b.js("document.querySelector('#recording details').open") {
		t.Errorf("withdrawn without a reason:\n%s", s)
	}
	b.look("70-withdraw-without-reason")
	b.give("#recording details form", map[string]string{"reason": "Another person's night was on the recorder."})
	b.press("#recording details form button")
	if s := b.text(); !strings.Contains(s, "One link was stopped.") || !strings.Contains(s, "Who looked at the case while it was there") {
		t.Errorf("after it went:\n%s", s)
	}
	b.look("71-withdrawn")
}
