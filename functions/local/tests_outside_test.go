//go:build outside

package main

import (
	"strings"
	"testing"
)

// TestOutsideSeveralTestsAndTheCriticalReading lists a second test beside a
// night, with a reading that the practitioner has to be told of at once.
func TestOutsideSeveralTestsAndTheCriticalReading(t *testing.T) {
	b := open(t)
	b.visit("/")
	b.press("button[name=desk][value=intake]")
	b.visitCase("Ada Merrin")
	number := strings.TrimPrefix(b.path(), "/cases/")
	b.visit("/cases/" + number + "/tests")
	add := "form:has(button.main)"
	b.give(add, map[string]string{"v.test_date": "2026-02-12", "v.test_state": "rest", "v.test_oxygen": "room_air", "v.rest_spo2": "78 of 100"})
	b.press(add + " button.main")
	if s := b.text(); !b.js("!!document.querySelector('.error')") || !b.js(`document.querySelector('form:has(button.main) [name="v.rest_spo2"]').value==='78 of 100'`) {
		t.Errorf("a test without a name and with a figure that is none is taken, or what was typed is lost:\n%s", s)
	}
	b.look("70-tests-faults")
	b.give(add, map[string]string{"name": "Oximetry at the clinic", "v.rest_spo2": "78"})
	b.press(add + " button.main")
	if s := b.text(); !strings.Contains(s, "Oximetry at the clinic") || b.js("!!document.querySelector('.error')") {
		t.Errorf("the test is not listed:\n%s", s)
	}
	b.look("71-tests-listed")

	b.visit("/cases/" + number)
	s := b.text()
	for _, want := range []string{"Critically low reading", "Tell the treating practitioner now", "78 %", "Oximetry at the clinic", "This stays open until"} {
		if !strings.Contains(s, want) {
			t.Errorf("%q is not on the case:\n%s", want, s)
		}
	}
	b.look("72-critical-open")
	b.give("#critical form", map[string]string{"told": "R. Quill, RN", "when": "yesterday"})
	b.press("#critical button.main")
	if !b.js("document.querySelectorAll('#critical .error').length===2 && document.querySelector('#told').value==='R. Quill, RN'") {
		t.Errorf("an entry without who told and with a day that is none is taken, or what was typed is lost:\n%s", b.text())
	}
	b.look("73-critical-faults")
	b.give("#critical form", map[string]string{"by": "intake desk", "when": "2026-02-13 09:40"})
	b.press("#critical button.main")
	if s := b.text(); strings.Contains(s, "This stays open until") || !strings.Contains(s, "R. Quill, RN") {
		t.Errorf("the entry is not taken:\n%s", s)
	}
	b.look("74-critical-told")
	paper := strings.Join(strings.Fields(pdfText(t, b.fetch("/cases/"+number+"/worksheet.pdf"))), " ")
	for _, want := range []string{"tell the treating practitioner now", "R. Quill, RN told by intake desk on Feb 13, 2026 09:40", "Oximetry at the clinic"} {
		if !strings.Contains(paper, want) {
			t.Errorf("%q does not stand on paper:\n%s", want, paper)
		}
	}
	b.paper("tests", b.fetch("/cases/"+number+"/worksheet.pdf"))
}

// TestOutsideNumberInTwoWays types a number that can be read in two ways: the page
// asks which it is beside the field, and takes the answer.
func TestOutsideNumberInTwoWays(t *testing.T) {
	b := open(t)
	b.visit("/")
	b.press("button[name=desk][value=intake]")
	b.visitCase("Ada Merrin")
	at := b.path()
	b.visit(at + "/tests")
	add := "form:has(button.main)"
	b.give(add, map[string]string{"name": "Gas", "v.test_date": "2026-02-12", "v.test_state": "rest", "v.rest_pao2": "57,125"})
	b.press(add + " button.main")
	if s := b.text(); !strings.Contains(s, "choose which number it is") || !strings.Contains(s, "with decimals: more than 57 and less than 58") || !strings.Contains(s, "without decimals: 57125") ||
		!b.js(`document.querySelector('[name="v.rest_pao2"]').value === '57,125'`) {
		t.Errorf("the page does not ask which number it is:\n%s", s)
	}
	b.look("75-tests-two-ways")
	b.give(add, map[string]string{"way.v.rest_pao2": "57.125"})
	b.press(add + " button.main")
	if b.js("!!document.querySelector('.error')") || !b.js(`!!document.querySelector('[name="v.rest_pao2"][value="57.125"]')`) {
		t.Errorf("the number is not taken:\n%s", b.text())
	}
	b.visit(at + "/report")
	b.give("#figures form", map[string]string{"m.1": "time_at_or_below", "l.1": "88", "v.1": "7,250", "u.1": "min", "p.1": "1", "a.1": "third line"})
	b.press("#figures button[name=store]")
	if s := b.text(); !strings.Contains(s, "with decimals: more than 7 and less than 8") {
		t.Errorf("the report does not ask which number it is:\n%s", s)
	}
	b.look("76-report-two-ways")
}
