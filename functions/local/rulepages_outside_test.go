//go:build outside

package main

import (
	"strings"
	"testing"

	cdp "github.com/chromedp/chromedp"
)

// The pages about criteria in a real Chromium: a draft confirmed with a copy of
// its document, and one case under several sets of criteria side by side.
func TestOutsideCriteriaPages(t *testing.T) {
	b := open(t)
	b.visit("/")
	b.press("button[name=desk][value=maintainer]")
	const page = "/rules/us-medicare/2023-04-01"
	b.visit(page)
	b.js("document.querySelectorAll('details').forEach(d=>d.open=true);true")
	b.look("40-drafts-open")
	const form = "#drafts form"
	b.press(form + " button")
	if s := b.text(); !strings.Contains(s, "Nothing was stored") {
		t.Errorf("a confirmation without the copy that was read is taken:\n%s", s)
	}
	b.look("41-draft-refused")
	b.give(form, map[string]string{"by": "Ann Example (invented)", "edition": "as read on the day"})
	b.do(cdp.SetUploadFiles(form+" input[type=file]", []string{file(t, "copy.txt", "what was read")}))
	b.press(form + " button")
	if s := b.text(); !strings.Contains(s, "Ann Example (invented)") {
		t.Errorf("who confirmed does not stand on the page:\n%s", s)
	}
	b.look("42-draft-confirmed")
	b.visit("/")
	b.press("form[action='/sign-out'] button")
	b.visit("/")
	b.press("button[name=desk][value=intake]")
	b.visit("/cases")
	b.press("main table a[href^='/cases/']:not([href='/cases/new'])")
	b.visit(b.path() + "/compare?with=us-ats-adult&with=uk-bts-adult&with=de-dgp")
	for _, want := range []string{"American Thoracic Society", "United Kingdom", "undetermined"} {
		if !strings.Contains(b.text(), want) {
			t.Errorf("%q is missing from the comparison", want)
		}
	}
	b.look("43-compare")
}
