//go:build outside

package main

import (
	"strings"
	"testing"
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
	b.give("form[action$='/assign']", map[string]string{"due": "2026-01-31", "owner": "P. Lund"})
	b.press("form[action$='/assign'] button")
	if s := b.text(); !strings.Contains(s, "P. Lund") || !strings.Contains(s, "overdue") {
		t.Errorf("after it was given away:\n%s", s)
	}
	b.press("button[name=take]")
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
