//go:build outside

package main

import (
	"strings"
	"testing"
)

// An office with an account finds its patients on one list and answers.
func TestOutsideListOfAnOffice(t *testing.T) {
	b := open(t)
	b.visit("/")
	b.press("button[name=desk][value=office-account]")
	b.wants("Cases of Harrow Vale Family Practice (invented)", "questions open", "Cassius Penhallow")
	b.look("70-list-of-an-office")
	b.press("a[href^='/day/']")
	if !strings.HasPrefix(b.path(), "/day/") {
		t.Errorf("the line of a patient leads to %s", b.path())
	}
	b.wants("Cases of the office")
	b.look("71-case-of-an-office")
	b.press("form[action='/sign-out'] button")
	b.press("button[name=desk][value=intake]")
	b.visitCase("Cassius Penhallow")
	b.wants("by the account of Harrow Vale Family Practice (invented)", "Put the case on its list")
	b.look("72-case-with-an-office")
}
