//go:build outside

package main

import (
	"strings"
	"testing"

	cdp "github.com/chromedp/chromedp"

	"airwarrant/web"
)

// The list of cases: found by a name, selected, and a case that is taken,
// given a day, closed and opened again, all from the page.
func TestOutsideListAndStanding(t *testing.T) {
	b := open(t)
	b.visit("/")
	b.press("button[name=desk][value=intake]")
	b.visit("/cases")
	b.look("50-list")
	b.give("form[action='/cases/find']", map[string]string{"find": "penh"})
	b.press("form[action='/cases/find'] button")
	if s := b.text(); !strings.Contains(s, "Cassius Penhallow") || strings.Contains(s, "Ada Merrin") || b.path() != "/cases/find" {
		t.Errorf("found at %s:\n%s", b.path(), s)
	}
	b.look("51-found")
	b.give("form[action='/cases/find']", map[string]string{"find": "x"})
	b.press("form[action='/cases/find'] button")
	b.look("52-find-refused")
	b.visit("/cases?state=open&order=due")
	b.look("53-selected")
	b.press("table.cases tbody a[href^='/cases/2']")
	b.give("form[action$='/assign']", map[string]string{"due": "30.2."})
	b.press("form[action$='/assign'] button")
	b.look("54-day-refused")
	b.give("form[action$='/assign']", map[string]string{"due": "2026-01-31", "owner": ""})
	b.press("form[action$='/assign'] button")
	if s := b.text(); !strings.Contains(s, "nobody") || !strings.Contains(s, "overdue") {
		t.Errorf("after it was given up:\n%s", s)
	}
	b.press("button[name=take]")
	if s := b.text(); !strings.Contains(s, "demo intake") || b.js("!!document.querySelector('button[name=take]')") {
		t.Errorf("after it was taken:\n%s", s)
	}
	b.give("form[action$='/close']", map[string]string{"reason": "nothing left to do"})
	b.press("form[action$='/close'] button")
	if s := b.text(); !strings.Contains(s, "Open the case again") {
		t.Errorf("after closing:\n%s", s)
	}
	b.look("55-closed")
	b.visit("/cases?state=closed")
	b.look("56-closed-list")
	b.press("table.cases tbody a[href^='/cases/2']")
	b.give("form[action$='/reopen']", map[string]string{"reason": "the payer asks"})
	b.press("form[action$='/reopen'] button")
	if s := b.text(); !strings.Contains(s, "Close the case") {
		t.Errorf("after opening again:\n%s", s)
	}
}

// An order is added to a case, as a fax gave it.
func TestOutsidePapers(t *testing.T) {
	b := open(t)
	b.visit("/")
	b.press("button[name=desk][value=intake]")
	b.visit("/cases")
	b.press("table.cases tbody a[href^='/cases/2']")
	b.press("#papers a")
	b.look("57-papers")
	b.do(cdp.SetUploadFiles("#file", []string{file(t, "fax.tif", string(web.DemoFax()))}))
	b.press("#add button.main")
	b.look("58-papers-refused")
	b.give("#add form", map[string]string{"kind": "order", "name": "Ada Merrin", "date": "2026-02-02", "page": "3 of 12"})
	b.press("#add button.main")
	if s := b.text(); !strings.Contains(s, "page 3 of 12") {
		t.Errorf("the paper is not on the case:\n%s", s)
	}
	b.look("59-papers-added")
	b.visit(strings.TrimSuffix(b.path(), "/papers") + "/trail")
	b.look("59-trail")
}
