//go:build outside

package main

import (
	"strings"
	"testing"

	cdp "github.com/chromedp/chromedp"
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
	value := func(selector string) string {
		t.Helper()
		s, err := cdp.Run(b.ctx, cdp.Evaluate[string]("document.querySelector('"+selector+"').value"))
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	link, code := strings.TrimPrefix(value("#fresh"), b.url), value("#fresh-code")
	b.visit(link)
	if s := b.text(); !strings.Contains(s, "Leave the desk") || strings.Contains(s, "Penhallow") {
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
}
